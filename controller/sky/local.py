"""Local circumstances: what one site sees of a solar eclipse, and when.

Contacts are instants at which two disks touch, seen from the site with light time, aberration and
deflection: the apparent separation of the centres equals the sum of the apparent radii (C1, C4) or
their difference (C2, C3). Times come from squared separations, which are smooth even where the
centres coincide, bracketed from the refined closest approach and narrowed by a safeguarded method.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

from controller.errors import SkyError
from controller.sky.earth_rotation import timescale, tt_ns
from controller.sky.eclipses import NewMoon, eclipses_between, no_eclipse_text
from controller.sky.ephemeris import Ephemeris, load_ephemeris
from controller.sky.geometry import DAY_S, Disks, View, Viewer, obscuration, turning_arcsec_s
from controller.sky.horizon import HiddenBy, Shown, SunPath, clearances_deg, edges, shown_of
from controller.sky.kinds import Radii, decide_kind, radii_of
from controller.sky.limb.contacts import limb_contacts
from controller.sky.limb.terrain import Terrain
from controller.sky.model import (
    HORIZON_DEG,
    Circumstances,
    Constants,
    Contact,
    Crossing,
    DeltaT,
    EclipseDay,
    Kind,
    Site,
)
from controller.sky.numeric import Array, lowest, nodes, roots
from controller.sky.quick import QuickView, quick_view, sky_of
from controller.sky.zone import time_zone_at
from controller.units import ContactName, UtcNs, utc_datetime

_GRID_S = np.arange(-16_200.0, 16_201.0, 600.0)
"""Around the greatest phase on Earth: four and a half hours each way, every ten minutes."""
_TOLERANCE_S = 1e-5
_RESIDUAL_LIMIT_ARCSEC = 0.001
_LIMB_ARCSEC = 1.0
"""How far the Moon's true edge stands from the mean limb where it matters: common practice, no single
source. Against a lunar topography it came out as 1.4 s rms at C2 and 2.2 s at C3 on paths of totality."""
_SOLAR_RADIUS_ARCSEC = 0.05
"""Standard uncertainty of the solar radius (Quaglia et al. 2021)."""


def circumstances(
    site: Site,
    date: dt.date,
    *,
    constants: Constants | None = None,
    ephemeris: str | Path | None = None,
    terrain: Terrain | None = None,
) -> Circumstances:
    """Return what `site` sees of the solar eclipse of `date`.

    An eclipse belongs to a date if its greatest phase on Earth, or a contact or the closest approach at
    the site, falls on that date in UTC or in the site's time zone. A site that misses an eclipse of that
    date gets `Kind.NONE` and by how much.

    Args:
        site: the place.
        date: a calendar date.
        constants: radii and Delta-T; the defaults of `Constants` when None.
        ephemeris: path of an SPK file; DE421 when None.
        terrain: heights of the Moon (`controller.sky.limb.terrain.read_terrain`), for C2, C3 and beads
            with its real edge, in the field `limb`; the contacts stay those of the mean limb.

    Raises:
        SkyError: if there is no eclipse on that date (the nearest ones are named), the date is outside
            the ephemeris (its range is named), or the file cannot be used.
    """
    chosen = constants or Constants()
    opened = load_ephemeris(ephemeris)
    if isinstance(date, dt.datetime):
        date = date.date()
    opened.require(date)
    day = dt.timedelta(days=1)
    for eclipse in eclipses_between(opened, date - 2 * day, date + 2 * day):
        result = _compute(site, eclipse, chosen, opened)
        if _belongs(result, date):
            if terrain is not None:
                limb = limb_contacts(_view(site, eclipse, chosen, opened), result, terrain)
                return replace(result, limb=limb)
            return result
    raise SkyError(no_eclipse_text(opened, date))


def eclipses_at(
    site: Site,
    from_date: dt.date,
    to_date: dt.date,
    *,
    constants: Constants | None = None,
    ephemeris: str | Path | None = None,
) -> list[Circumstances]:
    """Return every solar eclipse the site sees, in order: some of the Sun is up at some moment from C1 to C4.

    Args:
        site: the place.
        from_date: first UTC date of an eclipse's greatest phase on Earth.
        to_date: the last one.
        constants: radii and Delta-T; the defaults of `Constants` when None.
        ephemeris: path of an SPK file; DE421 when None.

    Raises:
        SkyError: if the dates are in the wrong order or outside the ephemeris, or the file cannot be used.
    """
    chosen = constants or Constants()
    opened = load_ephemeris(ephemeris)
    if from_date > to_date:
        raise SkyError(f"The first date {from_date} is after the last date {to_date}. Mend: swap them.")
    opened.require(from_date)
    opened.require(to_date)
    found = []
    for eclipse in eclipses_between(opened, from_date, to_date):
        view = _quick_view(site, eclipse, chosen, opened)
        grid = view.at(eclipse.greatest_tt_s + _GRID_S)
        if _may_be_seen(grid, chosen):
            result = _compute(site, eclipse, chosen, opened, grid)
            if result.kind is not Kind.NONE:
                found.append(result)
    return found


def eclipse_days(
    from_date: dt.date, to_date: dt.date, *, ephemeris: str | Path | None = None
) -> list[EclipseDay]:
    """Return every solar eclipse on Earth whose greatest phase falls on these UTC dates.

    Raises:
        SkyError: if a date is outside the ephemeris, or the file cannot be used.
    """
    opened = load_ephemeris(ephemeris)
    opened.require(from_date)
    opened.require(to_date)
    return [eclipse.day for eclipse in eclipses_between(opened, from_date, to_date)]


def _k_and_reason(constants: Constants, kind: Kind, mid: Disks) -> tuple[float, str]:
    """Return the lunar radius for magnitude and obscuration, and of C2 and C3 where there are any."""
    radii = radii_of(constants)
    if kind.is_central:
        reason = "annular at the site: the ring closes behind the mean limb, so the mean radius"
        if kind is Kind.TOTAL:
            reason = "total at the site: the last beads shine through valleys, so the smaller radius"
        return radii.interior(kind), "given by the user" if constants.moon_k_interior is not None else reason
    spare_arcsec = mid.moon_radius_arcsec(radii.exterior) - mid.sun_radius_arcsec - mid.separation_arcsec
    if kind is Kind.PARTIAL and spare_arcsec[0] >= 0:
        return radii.total, "beads at the edge of totality: the mean Moon covers the Sun, its valleys do not"
    return radii.exterior, "the exterior radius: no C2 and C3 here"


def _view(site: Site, eclipse: NewMoon, constants: Constants, ephemeris: Ephemeris) -> View:
    _, scale = timescale(constants.delta_t_s, constants.earth_rotation)
    return View(site, ephemeris, scale, constants.solar_radius_km, eclipse.base_jd)


def _quick_view(site: Site, eclipse: NewMoon, constants: Constants, ephemeris: Ephemeris) -> QuickView:
    _, scale = timescale(constants.delta_t_s, constants.earth_rotation)
    return quick_view(sky_of(eclipse, ephemeris, scale), site, constants.solar_radius_km)


def _may_be_seen(grid: Disks, constants: Constants) -> bool:
    """Tell whether the disks come near each other while the Sun is not well below the horizon."""
    reach = grid.sun_radius_arcsec + grid.moon_radius_arcsec(constants.moon_k_exterior)
    # Ten minutes move the disks by no more than 400 arcseconds and the Sun by no more than 2.6 degrees.
    return bool(np.any((grid.separation_arcsec < reach + 450) & (grid.altitude_deg > HORIZON_DEG - 3)))


@dataclass(frozen=True)
class _Geometry:
    """The instants, seconds (TT) after the view's base, and the kind regardless of the horizon."""

    kind: Kind
    mid_s: float
    contacts_s: dict[ContactName, float]


def _overlap(sight: Disks, reach: Array) -> Array:
    """Return the squared separation less the squared `reach`: negative while the disks are that near."""
    return sight.separation_arcsec**2 - reach**2


def _solve(view: Viewer, grid: Disks, grid_s: Array, radii: Radii) -> _Geometry:
    reaches: dict[Kind, Callable[[Disks], Array]] = {
        Kind.PARTIAL: lambda sight: sight.sun_radius_arcsec + sight.moon_radius_arcsec(radii.exterior),
        Kind.TOTAL: lambda sight: sight.moon_radius_arcsec(radii.total) - sight.sun_radius_arcsec,
        Kind.ANNULAR: lambda sight: sight.sun_radius_arcsec - sight.moon_radius_arcsec(radii.annular),
    }
    # The instant nearest to the axis; beside it the deepest instant of each phase, seconds away at most.
    mid_s = float(grid_s[np.argmin(grid.axis_distance_km)])
    for half_width_s, count in ((700.0, 9), (60.0, 7)):
        samples_s = nodes(mid_s, half_width_s, count)
        sight = view.at(samples_s)
        mid_s = lowest(samples_s, sight.axis_distance_km**2, count - 2)
    deepest_s = {
        kind: lowest(samples_s, _overlap(sight, reach(sight)), count - 2) for kind, reach in reaches.items()
    }
    deepest = view.at(np.array(list(deepest_s.values())))
    rank = list(Kind)
    kind = max(
        (
            decide_kind(*(float(x) for x in sizes))
            for sizes in zip(
                deepest.sun_radius_arcsec,
                deepest.separation_arcsec,
                *(deepest.moon_radius_arcsec(k) for k in (radii.total, radii.annular, radii.exterior)),
                strict=True,
            )
        ),
        key=rank.index,
    )
    if kind is Kind.NONE:
        return _Geometry(kind, mid_s, {})

    names = [ContactName.C1, ContactName.C4]
    phases = [Kind.PARTIAL, Kind.PARTIAL]
    if kind.is_central:
        names += [ContactName.C2, ContactName.C3]
        phases += [kind, kind]
    outside, inside = [], []
    for name, phase in zip(names, phases, strict=True):
        deep_s = list(deepest_s.values())[np.argmin(_overlap(deepest, reaches[phase](deepest)))]
        apart_s = grid_s[_overlap(grid, reaches[phase](grid)) > 0]
        before = name in (ContactName.C1, ContactName.C2)
        inside.append(deep_s)
        outside.append(apart_s[apart_s < deep_s].max() if before else apart_s[apart_s > deep_s].min())

    def touching(tt_s: Array) -> Array:
        seen = view.at(tt_s)
        reach = np.stack([reaches[phase](seen)[i] for i, phase in enumerate(phases)])
        return _overlap(seen, reach)

    found_s = roots(touching, np.array(outside), np.array(inside), _TOLERANCE_S)
    contacts_s = dict(zip(names, (float(x) for x in found_s), strict=True))
    first, last = (ContactName.C2, ContactName.C3) if kind.is_central else (ContactName.C1, ContactName.C4)
    if not contacts_s[first] < mid_s < contacts_s[last]:
        # A graze of a few seconds, all of it to one side of the closest approach to the axis.
        mid_s = (contacts_s[first] + contacts_s[last]) / 2
    contacts_s[ContactName.MID] = mid_s
    order = list(ContactName)
    return _Geometry(kind, mid_s, {name: contacts_s[name] for name in order if name in contacts_s})


def _compute(
    site: Site, eclipse: NewMoon, constants: Constants, ephemeris: Ephemeris, grid: Disks | None = None
) -> Circumstances:
    # Searched with the eclipse's polynomials; what is told, residuals included, is the full computation's.
    view = _view(site, eclipse, constants, ephemeris)
    quick = _quick_view(site, eclipse, constants, ephemeris)
    grid_s = eclipse.greatest_tt_s + _GRID_S
    radii = radii_of(constants)
    geometry = _solve(quick, grid or quick.at(grid_s), grid_s, radii)

    table, scale = timescale(constants.delta_t_s, constants.earth_rotation)
    mid_jd = view.base_jd + geometry.mid_s / DAY_S
    delta_t = table.delta_t(scale, mid_jd, constants.delta_t_s)

    def utc(tt_s: float) -> UtcNs:
        return table.utc_ns(view.base_jd, tt_s, delta_t.value_s)

    contacts = _contacts(view, quick, geometry, radii, delta_t, utc)
    kind, highest_deg, crossings = _seen(site, quick, geometry, utc)

    mid = view.at(np.array([geometry.mid_s]))
    k, k_reason = _k_and_reason(constants, geometry.kind, mid)
    separation, sun, moon = (
        float(x[0]) for x in (mid.separation_arcsec, mid.sun_radius_arcsec, mid.moon_radius_arcsec(k))
    )
    missed = geometry.kind is Kind.NONE
    gap_arcsec = separation - sun - moon
    uncertain = [c.uncertainty_s for c in contacts if c.name is not ContactName.MID]
    central = [c.uncertainty_s for c in contacts if c.name in (ContactName.C2, ContactName.C3)]
    uncertainty_s = max(central or uncertain or [delta_t.uncertainty_s])
    times_s = geometry.contacts_s
    result = Circumstances(
        site=site,
        eclipse_date=eclipse.day.date,
        kind=kind,
        geometric_kind=geometry.kind,
        contacts=contacts,
        crossings=crossings,
        closest_utc_ns=utc(geometry.mid_s),
        duration_s=times_s[ContactName.C3] - times_s[ContactName.C2] if ContactName.C2 in times_s else None,
        magnitude=0.0 if missed else max(0.0, -gap_arcsec / (2 * sun)),
        diameter_ratio=moon / sun,
        obscuration=obscuration(sun, moon, separation),
        miss_arcsec=gap_arcsec if missed else None,
        miss_km=gap_arcsec / separation * float(mid.axis_distance_km[0]) if missed else None,
        highest_sun_deg=highest_deg,
        constants=constants,
        moon_k_used=k,
        moon_k_reason=k_reason,
        ephemeris=ephemeris.name,
        delta_t=delta_t,
        uncertainty_s=uncertainty_s,
        note="",
    )
    return _with_note(result)


def _contacts(
    view: View,
    quick: QuickView,
    geometry: _Geometry,
    radii: Radii,
    delta_t: DeltaT,
    utc: Callable[[float], UtcNs],
) -> tuple[Contact, ...]:
    """Return the contacts in order of time, each with its residual and uncertainty.

    Raises:
        SkyError: if a contact does not satisfy its own condition (never seen; a guard).
    """
    names = list(geometry.contacts_s)
    if not names:
        return ()
    at_s = np.array([geometry.contacts_s[name] for name in names])
    kinds = [geometry.kind if name in (ContactName.C2, ContactName.C3) else Kind.PARTIAL for name in names]
    sight = view.at(at_s)
    before, after = (quick.at(at_s + shift_s) for shift_s in (-0.5, 0.5))
    gap_before, gap, gap_after = (_gap_arcsec(seen, kinds, radii) for seen in (before, sight, after))
    position_deg = sight.position_angle_deg()
    zenith_deg = sight.zenith_angle_deg()
    turned_arcsec = turning_arcsec_s(view.site) * delta_t.uncertainty_s
    doubt_arcsec = float(np.hypot(turned_arcsec, np.hypot(_LIMB_ARCSEC, _SOLAR_RADIUS_ARCSEC)))
    uncertain_s: dict[ContactName, float] = {}
    for i, name in enumerate(names):
        if name is ContactName.MID:
            continue
        if abs(gap[i]) > _RESIDUAL_LIMIT_ARCSEC:
            raise SkyError(
                f"{name} was not found to {_RESIDUAL_LIMIT_ARCSEC} arcseconds at "
                f"{view.site.latitude_deg}, {view.site.longitude_deg}. Mend: move the site by a few metres."
            )
        rate = max(abs(float(gap_after[i] - gap_before[i])), 1e-3)
        uncertain_s[name] = doubt_arcsec / rate
    ends = (ContactName.C2, ContactName.C3) if geometry.kind.is_central else (ContactName.C1, ContactName.C4)
    uncertain_s[ContactName.MID] = float(np.hypot(uncertain_s[ends[0]], uncertain_s[ends[1]])) / 2

    horizon, elevation_m = view.site.horizon, view.site.elevation_m
    apparent_deg = horizon.apparent_deg(sight.altitude_deg, elevation_m)
    skyline_deg = horizon.altitude_deg(sight.azimuth_deg)
    radius_deg = float(sight.sun_radius_arcsec[0]) / 3600
    clear_deg = clearances_deg(horizon, elevation_m, sight.altitude_deg, sight.azimuth_deg, radius_deg)
    contacts = []
    for i, name in enumerate(names):
        shown = shown_of(*clear_deg[:, i])
        # The Sun's disk inside the Moon's is touched on the side away from the Moon's centre.
        turn_deg = 180.0 if kinds[i] is Kind.TOTAL else 0.0
        contacts.append(
            Contact(
                name=name,
                utc_ns=utc(float(at_s[i])),
                tt_ns=tt_ns(view.base_jd, float(at_s[i])),
                altitude_deg=float(sight.altitude_deg[i]),
                azimuth_deg=float(sight.azimuth_deg[i]),
                position_angle_deg=float((position_deg[i] + turn_deg) % 360),
                zenith_angle_deg=float((zenith_deg[i] + turn_deg) % 360),
                apparent_altitude_deg=float(apparent_deg[i]),
                horizon_altitude_deg=float(skyline_deg[i]),
                visible=bool(sight.altitude_deg[i] > HORIZON_DEG),
                hidden_by=HiddenBy.NONE if shown is Shown.WHOLE else horizon.made_of,
                shown=shown,
                uncertainty_s=uncertain_s[name],
                residual_arcsec=0.0 if name is ContactName.MID else float(gap[i]),
            )
        )
    return tuple(contacts)


def _gap_arcsec(sight: Disks, kinds: list[Kind], radii: Radii) -> Array:
    """Return by how far each instant's disks are from touching the way its kind of contact asks."""
    sun = sight.sun_radius_arcsec
    moon = sight.moon_radius_arcsec(np.array([radii.interior(kind) for kind in kinds]))
    sign = np.array([{Kind.TOTAL: 1.0, Kind.ANNULAR: -1.0}.get(kind, 0.0) for kind in kinds])
    reach = np.where(sign == 0, sun + moon, sign * (moon - sun))
    gap: Array = sight.separation_arcsec - reach
    return gap


def _seen(
    site: Site, view: Viewer, geometry: _Geometry, utc: Callable[[float], UtcNs]
) -> tuple[Kind, float, tuple[Crossing, ...]]:
    """Return what a level horizon leaves of the eclipse, the Sun's greatest altitude from C1 to C4, and when
    the Sun's edges cross the horizon that there is."""
    times_s = geometry.contacts_s
    if not times_s:
        return Kind.NONE, float(view.at(np.array([geometry.mid_s])).altitude_deg[0]), ()
    samples_s = SunPath.sample_s(times_s[ContactName.C1], times_s[ContactName.C4])
    sight = view.at(samples_s)
    path = SunPath.through(samples_s, sight.altitude_deg, sight.azimuth_deg)
    every_second_s = np.arange(times_s[ContactName.C1], times_s[ContactName.C4] + 1)
    altitude_deg, azimuth_deg = path.at(every_second_s)
    highest_deg = float(altitude_deg.max())
    kind = Kind.PARTIAL if highest_deg > HORIZON_DEG else Kind.NONE
    if geometry.kind.is_central:
        ends_s = np.array([times_s[ContactName.C2], times_s[ContactName.C3]])
        during = (every_second_s > ends_s[0]) & (every_second_s < ends_s[1])
        if max(path.at(ends_s)[0].max(), altitude_deg[during].max(initial=-90)) > HORIZON_DEG:
            kind = geometry.kind
    horizon, elevation_m = site.horizon, site.elevation_m
    radius_deg = float(sight.sun_radius_arcsec[0]) / 3600
    crossings = []
    clear_deg = clearances_deg(horizon, elevation_m, altitude_deg, azimuth_deg, radius_deg)
    for at_s, edge in edges(every_second_s, clear_deg):
        there_deg, azimuth = (part[0] for part in path.at(np.array([at_s])))
        apparent_deg = float(horizon.apparent_deg(np.array([there_deg]), elevation_m)[0])
        crossings.append(
            Crossing(
                utc_ns=utc(at_s),
                edge=edge,
                behind=horizon.made_of,
                apparent_altitude_deg=apparent_deg,
                azimuth_deg=float(azimuth),
            )
        )
    return kind, highest_deg, tuple(crossings)


def _belongs(result: Circumstances, date: dt.date) -> bool:
    moments = [utc_datetime(ns) for ns in (result.closest_utc_ns, *result.contacts_utc_ns.values())]
    if date == result.eclipse_date or any(moment.date() == date for moment in moments):
        return True
    zone = ZoneInfo(time_zone_at(result.site.latitude_deg, result.site.longitude_deg))
    return any(moment.astimezone(zone).date() == date for moment in moments)


def _with_note(result: Circumstances) -> Circumstances:
    delta_t = result.delta_t
    basis = (
        f"ephemeris {result.ephemeris}, solar radius {result.constants.solar_radius_arcsec:g} arcsec, "
        f"lunar k {result.moon_k_used:.7g} ({result.moon_k_reason}), mean lunar limb, "
        f"Delta-T {delta_t.value_s:.2f} s ({delta_t.source})"
    )
    if delta_t.leap_seconds:
        basis += f", {delta_t.leap_seconds}"
    if result.geometric_kind is Kind.NONE:
        text = f"no eclipse at the site, the limbs stay {result.miss_arcsec:.0f} arcsec apart: {basis}"
    else:
        what = "C2 and C3" if result.geometric_kind.is_central else "C1 and C4"
        turned_arcsec = turning_arcsec_s(result.site) * delta_t.uncertainty_s
        cause = "Delta-T" if turned_arcsec > _LIMB_ARCSEC else "the lunar limb's relief"
        text = f"{what} uncertain by about {result.uncertainty_s:.1f} s, mostly by {cause}: {basis}"
        if result.kind is Kind.NONE:
            text = f"the Sun stays below the horizon; {text}"
        elif result.kind is not result.geometric_kind:
            text = f"the {result.geometric_kind} phase is below the horizon; {text}"
    return replace(result, note=text[0].upper() + text[1:] + ".")
