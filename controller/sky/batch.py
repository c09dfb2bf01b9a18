"""What many sites see of one eclipse, all at once.

The same rules as `controller.sky.local`, worked on arrays: closest approach to the axis, the deepest
instant of each phase, the kind, then every contact in its own bracket. Contacts agree with the full
computation to well under 0.05 s.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from controller.errors import SkyError
from controller.sky.earth_rotation import EarthRotation, timescale
from controller.sky.eclipses import NewMoon, eclipse_of
from controller.sky.elements import shadow_of
from controller.sky.ephemeris import Ephemeris, load_ephemeris
from controller.sky.geometry import DAY_S, Disks
from controller.sky.kinds import Radii, radii_of
from controller.sky.model import EARTH_RADIUS_KM, HORIZON_DEG, Constants, DeltaT, Kind
from controller.sky.numeric import Array, roots
from controller.sky.quick import Ground, Sky, sky_of

NO_TIME = int(np.iinfo(np.int64).min)
"""In place of an instant that does not exist (the value NumPy calls not-a-time)."""
KINDS = tuple(Kind)
"""The kinds by their codes: none, partial, annular, total."""

Integers = NDArray[np.int64]
Codes = NDArray[np.int8]
Some = NDArray[np.intp]
_SITES_AT_ONCE = 20_000
_GRID_S = np.arange(-16_200.0, 16_201.0, 600.0)
_WINDOW_S = 60.0
_TOLERANCE_S = 1e-4
_STEPS_S = {True: (600.0, 1200.0, 2400.0), False: (2400.0, 4200.0, 6000.0, 8000.0, 11_000.0, 15_000.0)}
"""How far from the deepest instant its contact is looked for, in turn; true for the central phase."""
_PARTIAL, _ANNULAR, _TOTAL = (KINDS.index(kind) for kind in (Kind.PARTIAL, Kind.ANNULAR, Kind.TOTAL))


@dataclass(frozen=True, kw_only=True)
class BatchCircumstances:
    """One eclipse at many sites; every array has one element a site. See `Circumstances` for meanings."""

    eclipse_date: dt.date
    latitude_deg: Array
    longitude_deg: Array
    elevation_m: Array
    kind_code: Codes
    """Index in `KINDS`: what the site sees above a level horizon."""
    geometric_kind_code: Codes
    c1_utc_ns: Integers
    c2_utc_ns: Integers
    mid_utc_ns: Integers
    """Closest approach where there is no eclipse."""
    c3_utc_ns: Integers
    c4_utc_ns: Integers
    """Contacts, UTC nanoseconds; `NO_TIME` where the contact does not exist."""
    duration_s: Array
    """C2 to C3; not a number where there is no C2."""
    magnitude: Array
    diameter_ratio: Array
    obscuration: Array
    sun_altitude_deg: Array
    """At mid, centre of the Sun, without refraction."""
    sun_azimuth_deg: Array
    highest_sun_deg: Array
    """Greatest altitude from C1 to C4 (at mid on a miss)."""
    constants: Constants
    ephemeris: str
    delta_t: DeltaT

    def __len__(self) -> int:
        return len(self.latitude_deg)

    @property
    def kinds(self) -> list[Kind]:
        """Return what each site sees."""
        return [KINDS[code] for code in self.kind_code]

    @property
    def geometric_kinds(self) -> list[Kind]:
        """Return what each site would see through the Earth."""
        return [KINDS[code] for code in self.geometric_kind_code]

    @property
    def seen_duration_s(self) -> Array:
        """Return C2 to C3 where the site sees that phase, otherwise 0."""
        seen = np.isin(self.kind_code, (_ANNULAR, _TOTAL))
        return np.where(seen, np.nan_to_num(self.duration_s), 0.0)


def circumstances_at_many(
    latitudes_deg: ArrayLike,
    longitudes_deg: ArrayLike,
    elevations_m: ArrayLike,
    date: dt.date,
    *,
    constants: Constants | None = None,
    ephemeris: str | Path | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> BatchCircumstances:
    """Return what many sites see of the solar eclipse of `date`.

    Args:
        latitudes_deg: geodetic, north positive; one value or as many as there are sites, as the next two.
        longitudes_deg: east positive.
        elevations_m: above the ellipsoid.
        date: the UTC date of the greatest phase on Earth (a day beside it is taken to mean the same).
        constants: radii and Delta-T; the defaults of `Constants` when None.
        ephemeris: path of an SPK file; DE421 when None.
        progress: called with the number of sites done and of all.

    Raises:
        SkyError: if there is no eclipse on that date, a coordinate is no place, or the file cannot be used.
    """
    chosen = constants or Constants()
    opened = load_ephemeris(ephemeris)
    eclipse = eclipse_of(opened, date)
    places = np.broadcast_arrays(
        *(np.atleast_1d(np.asarray(a, dtype=float)) for a in (latitudes_deg, longitudes_deg, elevations_m))
    )
    _require_places(*places)
    table, scale = timescale(chosen.delta_t_s, chosen.earth_rotation)
    sky = sky_of(eclipse, opened, scale)
    greatest_jd = eclipse.base_jd + eclipse.greatest_tt_s / DAY_S
    delta_t = table.delta_t(scale, greatest_jd, chosen.delta_t_s)
    count = places[0].size
    parts = []
    for start in range(0, max(count, 1), _SITES_AT_ONCE):
        part = [place[start : start + _SITES_AT_ONCE] for place in places]
        parts.append(_Solver(sky, sky.ground(*part), chosen).solve())
        if progress:
            progress(min(start + _SITES_AT_ONCE, count), count)
    solved = {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}
    return _assemble(eclipse, opened, chosen, delta_t, table, places, solved)


def _require_places(latitude_deg: Array, longitude_deg: Array, elevation_m: Array) -> None:
    for name, values, low, high in (
        ("latitude", latitude_deg, -90, 90),
        ("longitude", longitude_deg, -180, 180),
        ("elevation", elevation_m, -500, 40_000),
    ):
        wrong = ~((values >= low) & (values <= high))
        if wrong.any():
            at = int(np.argmax(wrong))
            raise SkyError(
                f"The {name} {values[at]} of site {at + 1} is not between {low} and {high}. Mend: correct it."
            )


def _assemble(
    eclipse: NewMoon,
    ephemeris: Ephemeris,
    constants: Constants,
    delta_t: DeltaT,
    table: EarthRotation,
    places: tuple[Array, ...],
    solved: dict[str, Any],
) -> BatchCircumstances:
    base_ns = table.utc_ns(eclipse.base_jd, 0.0, delta_t.value_s)

    def utc(name: str) -> Integers:
        """Count from the base in whole nanoseconds; a leap second inside the eclipse is looked up."""
        tt_s = solved[name]
        exists = np.isfinite(tt_s)
        some_s = np.where(exists, tt_s, eclipse.greatest_tt_s)
        counted = base_ns + np.rint(some_s * 1e9).astype(np.int64)
        for end_s in (some_s.min(initial=np.inf), some_s.max(initial=-np.inf)):
            if np.isfinite(end_s) and table.utc_ns(
                eclipse.base_jd, end_s, delta_t.value_s
            ) != base_ns + round(end_s * 1e9):
                counted = np.array([table.utc_ns(eclipse.base_jd, float(s), delta_t.value_s) for s in some_s])
                break
        return np.where(exists, counted, NO_TIME)

    return BatchCircumstances(
        eclipse_date=eclipse.day.date,
        latitude_deg=places[0],
        longitude_deg=places[1],
        elevation_m=places[2],
        kind_code=solved["kind"].astype(np.int8),
        geometric_kind_code=solved["geometric_kind"].astype(np.int8),
        c1_utc_ns=utc("c1"),
        c2_utc_ns=utc("c2"),
        mid_utc_ns=utc("mid"),
        c3_utc_ns=utc("c3"),
        c4_utc_ns=utc("c4"),
        duration_s=solved["c3"] - solved["c2"],
        magnitude=solved["magnitude"],
        diameter_ratio=solved["ratio"],
        obscuration=solved["obscuration"],
        sun_altitude_deg=solved["altitude"],
        sun_azimuth_deg=solved["azimuth"],
        highest_sun_deg=solved["highest"],
        constants=constants,
        ephemeris=ephemeris.name,
        delta_t=delta_t,
    )


@dataclass(frozen=True)
class _Solver:
    """Sites under one eclipse. Instants are seconds (TT) after the sky's base date, one a site."""

    sky: Sky
    ground: Ground
    constants: Constants

    def look(self, tt_s: Array, sites: Some | None = None) -> Disks:
        ground = self.ground if sites is None else self.ground.only(sites)
        return self.sky.look(ground, tt_s, self.constants.solar_radius_km)

    def solve(self) -> dict[str, Any]:
        radii = radii_of(self.constants)
        nearest_s = self._nearest()
        deepest_s = self._deepest(nearest_s, radii)
        kind, at_s = self._kind(deepest_s, radii)
        times = {"mid": nearest_s.copy()}
        for first, last, central in (("c1", "c4", False), ("c2", "c3", True)):
            has = kind >= _ANNULAR if central else kind >= _PARTIAL
            ends = self._contacts(np.flatnonzero(has), at_s[central], kind, radii, central=central)
            for name, found in zip((first, last), ends, strict=True):
                times[name] = np.full(kind.size, np.nan)
                times[name][has] = found
        self._centre_grazes(times, kind)
        return {
            **times,
            "geometric_kind": kind,
            **self._at_mid(times["mid"], kind, radii),
            **self._over_horizon(times, kind),
        }

    def _nearest(self) -> Array:
        """Return the closest approach to the axis: from a coarse look on the plane, then by Newton's rule."""
        grid_s = self.sky.centre_s + _GRID_S
        shadow = shadow_of(self.sky, grid_s, self.constants.solar_radius_km, 0.2725, 0.2725)
        x, y, z = self.ground.position_km[:, :, None] / EARTH_RADIUS_KM
        across, longitude = np.hypot(x, y), np.arctan2(y, x)
        sine_d, cosine_d = np.sin(shadow.d_rad), np.cos(shadow.d_rad)
        hour_angle = longitude + shadow.mu_rad
        xi = across * np.sin(hour_angle)
        eta = z * cosine_d - across * np.cos(hour_angle) * sine_d
        at = np.argmin((shadow.x - xi) ** 2 + (shadow.y - eta) ** 2, axis=1)
        at_s: Array = grid_s[at]
        low, high = at_s - 700.0, at_s + 700.0
        for step_s in (200.0, 20.0, 2.0, 2.0):
            at_s = np.clip(_vertex(self._off_axis, at_s, step_s), low, high)
        return at_s

    def _off_axis(self, tt_s: Array) -> Array:
        squared: Array = self.look(tt_s).axis_distance_km ** 2
        return squared

    def _deepest(self, nearest_s: Array, radii: Radii) -> dict[int, Array]:
        """Return the deepest instant of each phase, within a minute of the closest approach."""
        found = {}
        for code in (_PARTIAL, _TOTAL, _ANNULAR):
            at_s = nearest_s
            low, high = nearest_s - _WINDOW_S, nearest_s + _WINDOW_S
            for step_s in (30.0, 2.0):
                at_s = np.clip(_vertex(self._overlap_of(code, radii), at_s, step_s), low, high)
            found[code] = at_s
        return found

    def _overlap_of(self, code: int, radii: Radii) -> Callable[[Array], Array]:
        return lambda tt_s: _overlap(self.look(tt_s), code, radii)

    def _kind(self, deepest_s: dict[int, Array], radii: Radii) -> tuple[Codes, dict[bool, Array]]:
        """Return the kind by `decide_kind`'s rule, the best at any of the instants, and the deepest instants."""
        kind = np.zeros(self.ground.position_km.shape[1], dtype=np.int8)
        overlaps: dict[int, list[Array]] = {code: [] for code in deepest_s}
        for at_s in deepest_s.values():
            disks = self.look(at_s)
            separation = disks.separation_arcsec
            for code in sorted(deepest_s):
                kind = np.where(separation < _reach(disks, code, radii), np.maximum(kind, code), kind)
                overlaps[code].append(_overlap(disks, code, radii))
        instants = np.stack(list(deepest_s.values()))
        best = {code: np.argmin(np.stack(values), axis=0) for code, values in overlaps.items()}
        every = np.arange(kind.size)
        central = np.where(kind == _TOTAL, best[_TOTAL], best[_ANNULAR])
        return kind.astype(np.int8), {
            False: instants[best[_PARTIAL], every],
            True: instants[central, every],
        }

    def _contacts(
        self,
        sites: Some,
        deepest_s: Array,
        kind: Codes,
        radii: Radii,
        *,
        central: bool,
    ) -> tuple[Array, Array]:
        """Return first and last contact of a phase at some of the sites."""
        if not sites.size:
            return np.empty(0), np.empty(0)
        codes = np.tile(kind[sites] if central else np.full(sites.size, _PARTIAL), 2)
        ground = self.ground.only(sites).repeated(2)
        inside = np.tile(deepest_s[sites], 2)
        sign = np.repeat([-1.0, 1.0], sites.size)

        def gap(tt_s: Array, chosen: Some | None = None) -> Array:
            here, what = (ground, codes) if chosen is None else (ground.only(chosen), codes[chosen])
            disks = self.sky.look(here, tt_s, self.constants.solar_radius_km)
            reach: Array = np.select(
                [what == _TOTAL, what == _ANNULAR],
                [_reach(disks, _TOTAL, radii), _reach(disks, _ANNULAR, radii)],
                _reach(disks, _PARTIAL, radii),
            )
            return disks.separation_arcsec**2 - reach**2

        outside = np.full(inside.size, np.nan)
        within = inside.copy()
        for step_s in _STEPS_S[central]:
            left = np.flatnonzero(np.isnan(outside))
            if not left.size:
                break
            at_s = inside[left] + sign[left] * step_s
            apart = gap(at_s, left) > 0
            outside[left[apart]] = at_s[apart]
            within[left[~apart]] = at_s[~apart]
        found = roots(gap, outside, within, _TOLERANCE_S)
        return found[: sites.size], found[sites.size :]

    def _centre_grazes(self, times: dict[str, Array], kind: Codes) -> None:
        """Put mid between the contacts of a graze that lies all to one side of the closest approach."""
        first = np.where(kind >= _ANNULAR, times["c2"], times["c1"])
        last = np.where(kind >= _ANNULAR, times["c3"], times["c4"])
        with np.errstate(invalid="ignore"):
            aside = (kind >= _PARTIAL) & ~((first < times["mid"]) & (times["mid"] < last))
        times["mid"][aside] = (first[aside] + last[aside]) / 2

    def _at_mid(self, mid_s: Array, kind: Codes, radii: Radii) -> dict[str, Array]:
        disks = self.look(mid_s)
        sun, separation = disks.sun_radius_arcsec, disks.separation_arcsec
        covered = disks.moon_radius_arcsec(radii.exterior) - sun - separation >= 0
        k = np.select(
            [kind == _TOTAL, kind == _ANNULAR, (kind == _PARTIAL) & covered],
            [radii.total, radii.annular, radii.total],
            radii.exterior,
        )
        moon = disks.moon_radius_arcsec(k)
        magnitude = np.clip((sun + moon - separation) / (2 * sun), 0, None)
        return {
            "magnitude": np.where(kind >= _PARTIAL, magnitude, 0.0),
            "ratio": moon / sun,
            "obscuration": obscurations(sun, moon, separation),
            "altitude": disks.altitude_deg,
            "azimuth": disks.azimuth_deg,
        }

    def _over_horizon(self, times: dict[str, Array], kind: Codes) -> dict[str, Any]:
        """Return what a level horizon leaves, and the Sun's greatest altitude.

        The altitude is highest at an end of a phase, or when the Sun crosses the meridian inside it.
        """
        mid = times["mid"]
        sun = self.look(mid).sun_km
        meridian = np.arctan2(self.ground.zenith[1], self.ground.zenith[0]) + self.sky.turn_rad(mid)
        hour_angle = (meridian - np.arctan2(sun[1], sun[0]) + np.pi) % (2 * np.pi) - np.pi
        culmination_s = mid - hour_angle / (2 * np.pi) * DAY_S

        def highest(first: str, last: str) -> Array:
            begins = np.where(np.isfinite(times[first]), times[first], mid)
            ends = np.where(np.isfinite(times[last]), times[last], mid)
            best = np.maximum(self.look(begins).altitude_deg, self.look(ends).altitude_deg)
            inside = np.clip(culmination_s, begins, ends)
            return np.maximum(best, self.look(inside).altitude_deg)

        partial, central = highest("c1", "c4"), highest("c2", "c3")
        seen = np.where(partial > HORIZON_DEG, np.minimum(kind, _PARTIAL), 0)
        seen = np.where((kind >= _ANNULAR) & (central > HORIZON_DEG), kind, seen)
        return {"kind": seen.astype(np.int8), "highest": partial}


def _reach(disks: Disks, code: int, radii: Radii) -> Array:
    """Return the separation below which a phase goes on."""
    sun = disks.sun_radius_arcsec
    if code == _TOTAL:
        return disks.moon_radius_arcsec(radii.total) - sun
    if code == _ANNULAR:
        return sun - disks.moon_radius_arcsec(radii.annular)
    return sun + disks.moon_radius_arcsec(radii.exterior)


def _overlap(disks: Disks, code: int, radii: Radii) -> Array:
    overlap: Array = disks.separation_arcsec**2 - _reach(disks, code, radii) ** 2
    return overlap


def _vertex(function: Callable[[Array], Array], at_s: Array, step_s: float) -> Array:
    """Return the vertex of the parabola through three points of each function, `step_s` apart."""
    before, here, after = (function(at_s + shift) for shift in (-step_s, 0.0, step_s))
    bend = before - 2 * here + after
    with np.errstate(divide="ignore", invalid="ignore"):
        move = step_s * (before - after) / (2 * bend)
    return np.where(bend > 0, at_s + np.nan_to_num(move), at_s)


def obscurations(sun_radius: Array, moon_radius: Array, separation: Array) -> Array:
    """Return the covered fractions of the Sun's area; `controller.sky.geometry.obscuration` on arrays."""
    s, m, d = sun_radius, moon_radius, separation
    with np.errstate(divide="ignore", invalid="ignore"):
        at_sun = np.arccos(np.clip((d * d + s * s - m * m) / (2 * d * s), -1, 1))
        at_moon = np.arccos(np.clip((d * d + m * m - s * s) / (2 * d * m), -1, 1))
    lens = s * s * (at_sun - np.sin(2 * at_sun) / 2) + m * m * (at_moon - np.sin(2 * at_moon) / 2)
    fraction = np.clip(lens / (np.pi * s * s), 0, 1)
    return np.select(
        [d >= s + m, d <= np.abs(m - s)], [np.zeros_like(s), np.minimum(1.0, (m / s) ** 2)], fraction
    )
