"""C2 and C3 through the valleys of the Moon's edge, and Baily's beads.

At a position angle sunlight is seen when the edge of the Moon there lies inside the Sun's disk. Totality
is when that holds nowhere, an unbroken ring when it holds everywhere. Around each contact the profile of
that contact is taken for constant: in a minute the Moon turns by less than 0.01 degrees to the
observer. Measured at 14 sites on a grid of 4 pixels a degree, that is worth 0.001 s at a contact at most, and
0.004 s fifteen seconds from it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.polynomial import Chebyshev

from controller.sky.geometry import ARCSEC, View, turning_arcsec_s
from controller.sky.limb.beads import lone_stretches
from controller.sky.limb.grids import REFERENCE_RADIUS_KM
from controller.sky.limb.model import Bead, LimbCircumstances, LimbContact, LimbProfile
from controller.sky.limb.profile import aspect_at, limb_profile
from controller.sky.limb.terrain import Terrain
from controller.sky.model import Circumstances, Kind
from controller.sky.numeric import Array, nodes
from controller.units import NS_PER_S, ContactName, UtcNs

BEADS_WITHIN_S = 15.0
_SEARCH_S = 120.0
"""How far from the contact of the mean limb the contact is looked for."""
_COARSE_S, _FINE_S, _BEAD_STEP_S = 1.0, 0.05, 0.25
_FASTEST_ARCSEC_S = 0.7
"""No edge of the Moon gains on the Sun's faster (0.3 to 0.6 where the Sun is not at the horizon)."""
_SHORTEST_BEAD_S = 0.2
_SOLAR_RADIUS_ARCSEC = 0.18
"""Standard uncertainty of the solar radius here: 959.63 and 959.95 arcseconds are both published; the
0.32 between them taken as the half-width of an even distribution."""
_UNRESOLVED_ARCSEC = 0.025
"""Standard uncertainty of the edge at a contact by what a pixel of 1 km smooths away; grows with the root
of the pixel. Measured by coarsening the published grid of 7.6 km (4 pixels a degree) at 28 sites of 11
total eclipses: contacts move by 0.070 arcseconds rms from 7.6 to 15 km, 0.101 from 15 to 30 km."""


@dataclass(frozen=True)
class Track:
    """Sun and Moon over a few minutes as polynomials in time: what the light at the edge depends on."""

    sun_north: Chebyshev
    sun_east: Chebyshev
    sun_along: Chebyshev
    """The Sun's unit vector, along celestial north and east at the Moon's centre, and towards the Moon."""
    sun_radius: Chebyshev
    """Radians."""
    moon_distance_km: Chebyshev

    @staticmethod
    def over(view: View, first_s: float, last_s: float) -> Track:
        """Follow the two from `first_s` to `last_s` (TT after the view's base); exact to a microarcsecond."""
        at_s = nodes((first_s + last_s) / 2, (last_s - first_s) / 2, 8)
        sight = view.at(at_s)
        moon = sight.moon_km / sight.moon_distance_km
        sun = sight.sun_km / sight.sun_distance_km
        east = np.cross(sight.time.M[2], moon, axis=0)
        east /= np.sqrt(np.sum(east * east, axis=0))
        north = np.cross(moon, east, axis=0)

        def fit(values: Array) -> Chebyshev:
            return Chebyshev.fit(at_s, values, 7, domain=[first_s, last_s])

        return Track(
            fit(np.sum(sun * north, axis=0)),
            fit(np.sum(sun * east, axis=0)),
            fit(np.sum(sun * moon, axis=0)),
            fit(sight.sun_radius_arcsec / ARCSEC),
            fit(sight.moon_distance_km),
        )

    def light_arcsec(self, profile: LimbProfile, tt_s: Array) -> Array:
        """Return how deep the Moon's edge lies inside the Sun's disk: a row an instant, a column an angle.

        Positive where sunlight is seen, negative where there is none.
        """
        instant = np.atleast_1d(tt_s)[:, None]
        sine = (REFERENCE_RADIUS_KM + profile.height_km) / self.moon_distance_km(instant)
        angle = np.radians(profile.position_angle_deg)
        chord = np.sqrt(
            (sine * np.cos(angle) - self.sun_north(instant)) ** 2
            + (sine * np.sin(angle) - self.sun_east(instant)) ** 2
            + (np.sqrt(1 - sine * sine) - self.sun_along(instant)) ** 2
        )
        light: Array = (self.sun_radius(instant) - 2 * np.arcsin(chord / 2)) * ARCSEC
        return light

    def sun_edge_km(self, profile: LimbProfile, tt_s: float) -> Array:
        """Return the height of a Moon's edge that would touch the Sun's everywhere, as `profile.height_km`.

        Plane geometry in the projection along the line of sight, good to 0.01 arcseconds: for pictures.
        """
        angle = np.radians(profile.position_angle_deg)
        north, east, radius = (float(part(tt_s)) for part in (self.sun_north, self.sun_east, self.sun_radius))
        along = north * np.cos(angle) + east * np.sin(angle)
        across = north * np.sin(angle) - east * np.cos(angle)
        sine = along + np.sqrt(np.sin(radius) ** 2 - across**2)
        height: Array = sine * float(self.moon_distance_km(tt_s)) - REFERENCE_RADIUS_KM
        return height


@dataclass(frozen=True)
class _Edge:
    """The Moon's edge at one contact against the Sun's, in a time that runs towards the dark or the ring.

    For C2 it is the time itself; for C3 it runs backwards, so that one search serves both.
    """

    track: Track
    profile: LimbProfile
    kind: Kind
    backwards: bool

    def tt_s(self, along: Array | float) -> Array:
        """Return the time (TT) of instants of this running time."""
        return -np.asarray(along) if self.backwards else np.asarray(along)

    def light(self, along: Array) -> Array:
        """Return the light at every angle, earlier instants of the running time first."""
        return self.track.light_arcsec(self.profile, self.tt_s(along))

    def open_arcsec(self, along: Array) -> Array:
        """Return by how much the phase is not reached: positive while a last ray, or a gap, is left."""
        light = self.light(along)
        worst: Array = light.max(axis=1) if self.kind is Kind.TOTAL else (-light).max(axis=1)
        return worst

    def end(self, first: float, last: float) -> float | None:
        """Return when the phase is reached for good before `last`, or None if it is not by then."""
        coarse = np.append(np.arange(first, last, _COARSE_S), last)
        still_open = self.open_arcsec(coarse)
        if still_open[-1] > 0:
            return None
        before = int(np.max(np.nonzero(still_open > 0)[0], initial=0))
        # Past the last open instant it may open again between two samples, if it comes near enough.
        sure = np.nonzero(still_open[before + 1 :] < -_FASTEST_ARCSEC_S * _COARSE_S)[0]
        after = before + 1 + int(sure[0]) if sure.size else len(coarse) - 1
        fine = np.arange(coarse[before], coarse[after] + _FINE_S, _FINE_S)
        open_fine = self.open_arcsec(fine)
        reached = int(np.max(np.nonzero(open_fine > 0)[0], initial=0))
        low, high = fine[reached], min(fine[reached] + _FINE_S, float(last))
        for _ in range(20):
            middle = (low + high) / 2
            low, high = (middle, high) if self.open_arcsec(np.array([middle]))[0] > 0 else (low, middle)
        return float(high)

    def angle_deg(self, along: float) -> float:
        """Return where the last ray or the last gap is at an instant."""
        light = self.light(np.array([along]))[0]
        worst = light.argmax() if self.kind is Kind.TOTAL else light.argmin()
        return round(float(self.profile.position_angle_deg[worst]), 4)

    def rate_arcsec_s(self, along: float) -> float:
        """Return how fast the edges pass each other at an instant."""
        around = self.open_arcsec(np.array([along - 0.5, along + 0.5]))
        return max(abs(float(around[1] - around[0])), 1e-3)

    def beads(self, along: float) -> list[tuple[float, float, float]]:
        """Return the beads before an instant: position angle (degrees), from, to (running time)."""
        if self.kind is Kind.TOTAL:
            # Light goes out valley by valley until the instant.
            samples = np.arange(along - BEADS_WITHIN_S, along + _BEAD_STEP_S, _BEAD_STEP_S)
            gone = _last_crossing(samples, self.light(samples))
            found = lone_stretches(gone, samples[0], samples[-1], _SHORTEST_BEAD_S)
        else:
            # Light appears valley by valley until the ring is whole at the instant: time reversed.
            samples = np.arange(-along, -along + BEADS_WITHIN_S + _BEAD_STEP_S, _BEAD_STEP_S)
            gone = _last_crossing(samples, self.light(-samples))
            found = [
                (index, -end, -start)
                for index, start, end in lone_stretches(gone, samples[0], samples[-1], _SHORTEST_BEAD_S)
            ]
        angles_deg = self.profile.position_angle_deg
        return [(round(float(angles_deg[index]), 4), start, end) for index, start, end in found]


def _last_crossing(samples: Array, light: Array) -> Array:
    """Return, for each column, the last instant with light, between samples by proportion.

    The first sample where there was none at all, the last where it still shines.
    """
    lit = light > 0
    last = len(samples) - 1 - np.argmax(lit[::-1], axis=0)
    column = np.arange(light.shape[1])
    following = np.minimum(last + 1, len(samples) - 1)
    here, there = light[last, column], light[following, column]
    with np.errstate(divide="ignore", invalid="ignore"):
        part = np.where(following > last, here / (here - there), 0.0)
    gone = np.where(lit.any(axis=0), samples[last] + part * (samples[1] - samples[0]), samples[0])
    crossing: Array = np.minimum(gone, samples[-1])
    return crossing


def limb_contacts(view: View, circumstances: Circumstances, terrain: Terrain) -> LimbCircumstances | None:
    """Return C2, C3 and the beads with the Moon's real edge, or None where the mean limb has no C2 and C3.

    Args:
        view: what the circumstances were computed with.
        circumstances: with the mean limb, which is the point to start from.
        terrain: heights near the limb.

    Raises:
        SkyError: if the terrain does not reach the limb.
    """
    kind = circumstances.geometric_kind
    if not kind.is_central:
        return None
    mean = {name: circumstances.contact(name) for name in (ContactName.C2, ContactName.MID, ContactName.C3)}
    mid = mean[ContactName.MID]
    base_tt_ns = round((view.base_jd - 2440587.5) * 86_400) * NS_PER_S
    mean_s = {name: (contact.tt_ns - base_tt_ns) / NS_PER_S for name, contact in mean.items()}
    first_s, mid_s, last_s = mean_s.values()
    track = Track.over(view, first_s - _SEARCH_S, last_s + _SEARCH_S)

    def utc(tt_s: float) -> UtcNs:
        return UtcNs(mid.utc_ns + round((tt_s - mid_s) * NS_PER_S))

    edges = {
        name: _Edge(track, limb_profile(terrain, aspect_at(view, mean_s[name])), kind, name is ContactName.C3)
        for name in (ContactName.C2, ContactName.C3)
    }
    turn_s = _deepest_s(edges[ContactName.C2], first_s, mid_s, last_s)
    found: list[LimbContact] = []
    beads: list[Bead] = []
    for name, edge in edges.items():
        start = float(edge.tt_s(mean_s[name])) - _SEARCH_S
        along = edge.end(start, float(edge.tt_s(turn_s)))
        if along is None:
            continue
        doubt_arcsec = np.hypot(_UNRESOLVED_ARCSEC * terrain.info.km_per_pixel**0.5, _SOLAR_RADIUS_ARCSEC)
        turned_arcsec = turning_arcsec_s(view.site) * circumstances.delta_t.uncertainty_s
        uncertainty_s = np.hypot(doubt_arcsec, turned_arcsec) / edge.rate_arcsec_s(along)
        found.append(
            LimbContact(
                name=name,
                utc_ns=utc(float(edge.tt_s(along))),
                mean_utc_ns=mean[name].utc_ns,
                position_angle_deg=edge.angle_deg(along),
                sun_edge_km=track.sun_edge_km(edge.profile, float(edge.tt_s(along))),
                uncertainty_s=float(uncertainty_s),
            )
        )
        for angle_deg, start_along, end_along in edge.beads(along):
            begins, ends = sorted((utc(float(edge.tt_s(start_along))), utc(float(edge.tt_s(end_along)))))
            beads.append(
                Bead(contact=name, position_angle_deg=angle_deg, starts_utc_ns=begins, ends_utc_ns=ends)
            )
    both = len(found) == 2
    return LimbCircumstances(
        c2=found[0] if both else None,
        c3=found[1] if both else None,
        duration_s=(found[1].utc_ns - found[0].utc_ns) / NS_PER_S if both else None,
        beads=tuple(sorted(beads, key=lambda bead: (bead.starts_utc_ns, bead.ends_utc_ns))) if both else (),
        profiles=(edges[ContactName.C2].profile, edges[ContactName.C3].profile),
        terrain=terrain.info,
        uncertainty_s=max((contact.uncertainty_s for contact in found), default=circumstances.uncertainty_s),
        note=_note(kind, terrain, found if both else []),
    )


def _deepest_s(edge: _Edge, first_s: float, mid_s: float, last_s: float) -> float:
    """Return an instant inside the phase: mid, or the instant nearest to the phase when mid is not in it."""
    if edge.open_arcsec(np.array([mid_s]))[0] <= 0:
        return mid_s
    samples = np.linspace(first_s, last_s, 201)
    return float(samples[edge.open_arcsec(samples).argmin()])


def _note(kind: Kind, terrain: Terrain, found: list[LimbContact]) -> str:
    basis = f"lunar limb from {terrain.info.sentence}"
    if not found:
        what = "the Sun is never quite covered" if kind is Kind.TOTAL else "the ring is never whole"
        return f"With the {basis}: {what} here, some light or gap is left at the edge."
    words = " and ".join(
        f"{contact.name.value} {abs(contact.shift_s):.1f} s {'later' if contact.shift_s > 0 else 'earlier'}"
        for contact in found
    )
    worst_s = max(contact.uncertainty_s for contact in found)
    return (
        f"With the {basis}: {words} than with the mean limb, uncertain by about {worst_s:.1f} s: "
        "the Sun's radius, what the grid does not resolve, Delta-T."
    )
