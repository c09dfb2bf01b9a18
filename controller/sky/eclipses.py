"""Every solar eclipse on Earth between two dates: new moons, thinned by latitude, then the shadow's axis."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from controller.errors import SkyError
from controller.sky.earth_rotation import timescale
from controller.sky.ephemeris import MARGIN_DAYS, Ephemeris, jd_of_date
from controller.sky.model import EARTH_RADIUS_KM, MOON_K_MEAN, Constants, EclipseDay
from controller.sky.numeric import Array, lowest, nodes
from controller.units import utc_datetime

if TYPE_CHECKING:
    from skyfield.vectorlib import VectorFunction

_SYNODIC_MONTH_DAYS = 29.530588861
_NEW_MOON_JD = 2451550.09766
"""Mean new moon of 2000 January (Meeus, Astronomical Algorithms, chapter 49)."""
_ELONGATION_RATE_DEG_A_DAY = 12.1907
_OBLIQUITY = np.radians(84381.406 / 3600)
"""Of the ecliptic at J2000 (IAU 2006)."""
_LATITUDE_LIMIT_DEG = 1.65
"""A new moon farther from the ecliptic than about 1.58 degrees gives no eclipse."""
_FLATTENING = 1 / 298.257223563


@dataclass(frozen=True)
class NewMoon:
    """A new moon whose shadow meets the Earth; `greatest_tt_s` counts from `base_jd` (TT)."""

    day: EclipseDay
    base_jd: float
    greatest_tt_s: float


def _geocentric_km(ephemeris: Ephemeris, jd: Array) -> tuple[Array, Array]:
    """Return the apparent geocentric Sun and Moon, kilometres, at Julian dates (TT)."""
    _, scale = timescale(None)
    here = ephemeris.earth.at(scale.tt_jd(jd))

    def look(body: VectorFunction) -> Array:
        place: Array = here.observe(body).apparent(deflectors=(10,)).xyz.km
        return place

    return look(ephemeris.sun), look(ephemeris.moon)


def _ecliptic_deg(vectors: Array) -> tuple[Array, Array]:
    x, y, z = vectors
    c, s = np.cos(_OBLIQUITY), np.sin(_OBLIQUITY)
    longitude = np.arctan2(y * c + z * s, x)
    latitude = np.arcsin((z * c - y * s) / np.sqrt(x * x + y * y + z * z))
    return np.degrees(longitude), np.degrees(latitude)


def new_moon_eclipses(ephemeris: Ephemeris, start_jd: float, end_jd: float) -> list[NewMoon]:
    """Return the eclipses whose conjunction lies between two Julian dates (TT), clipped to the ephemeris."""
    start_jd = max(start_jd, ephemeris.start_jd + MARGIN_DAYS)
    end_jd = min(end_jd, ephemeris.end_jd - MARGIN_DAYS)
    first = np.floor((start_jd - _NEW_MOON_JD) / _SYNODIC_MONTH_DAYS) - 1
    last = np.ceil((end_jd - _NEW_MOON_JD) / _SYNODIC_MONTH_DAYS) + 1
    jd = _NEW_MOON_JD + _SYNODIC_MONTH_DAYS * np.arange(first, last + 1)
    jd = jd[(jd > ephemeris.start_jd + 1) & (jd < ephemeris.end_jd - 1)]
    if not jd.size:
        return []
    latitude_deg = np.zeros_like(jd)
    for _ in range(4):
        sun, moon = _geocentric_km(ephemeris, np.clip(jd, ephemeris.start_jd + 0.1, ephemeris.end_jd - 0.1))
        sun_longitude, _unused = _ecliptic_deg(sun)
        moon_longitude, latitude_deg = _ecliptic_deg(moon)
        jd = jd - ((moon_longitude - sun_longitude + 180) % 360 - 180) / _ELONGATION_RATE_DEG_A_DAY
    near = (np.abs(latitude_deg) < _LATITUDE_LIMIT_DEG) & (jd >= start_jd) & (jd <= end_jd)
    found = [_shadow_on_earth(ephemeris, float(conjunction)) for conjunction in jd[near]]
    return [eclipse for eclipse in found if eclipse is not None]


def _shadow_on_earth(ephemeris: Ephemeris, conjunction_jd: float) -> NewMoon | None:
    """Follow the axis past the Earth; return None when not even the penumbra touches the ellipsoid."""
    base_jd = np.floor(conjunction_jd - 0.5) + 0.5
    centre_s, half_width_s = (conjunction_jd - base_jd) * 86_400, 7200.0
    for degree, width_s in ((6, half_width_s), (4, 300.0)):
        x = nodes(centre_s, width_s, degree + 3)
        sun, moon = _geocentric_km(ephemeris, base_jd + x / 86_400)
        centre_s = lowest(x, _axis_foot_km(sun, moon)[1], degree)
    sun, moon = _geocentric_km(ephemeris, np.array([base_jd + centre_s / 86_400]))
    foot, squared, axis = _axis_foot_km(sun, moon)
    distance_km = float(np.sqrt(squared[0]))
    towards = foot[:, 0] / distance_km
    # Half-width of the flattened Earth in that direction, and the penumbra where it passes.
    earth_km = EARTH_RADIUS_KM * np.sqrt(1 - towards[2] ** 2 * (1 - (1 - _FLATTENING) ** 2))
    moon_km = MOON_K_MEAN * EARTH_RADIUS_KM
    sun_km = Constants().solar_radius_km
    behind_km = np.sum(moon[:, 0] * axis[:, 0])
    sine = (sun_km + moon_km) / np.sqrt(np.sum((sun - moon)[:, 0] ** 2))
    penumbra_km = (moon_km + behind_km * sine) / np.sqrt(1 - sine**2)
    if distance_km > earth_km + penumbra_km:
        return None
    table, scale = timescale(None)
    delta_t_s = float(scale.delta_t_function(base_jd + centre_s / 86_400))
    greatest_utc_ns = table.utc_ns(base_jd, centre_s, delta_t_s)
    day = EclipseDay(
        date=utc_datetime(greatest_utc_ns).date(),
        greatest_utc_ns=greatest_utc_ns,
        gamma=float(np.copysign(distance_km / EARTH_RADIUS_KM, towards[2])),
    )
    return NewMoon(day, float(base_jd), centre_s)


def _axis_foot_km(sun: Array, moon: Array) -> tuple[Array, Array, Array]:
    """Return the axis' point nearest to the Earth's centre, its distance squared, and the axis' direction."""
    axis = sun - moon
    axis = axis / np.sqrt(np.sum(axis * axis, axis=0))
    foot = moon - np.sum(moon * axis, axis=0) * axis
    return foot, np.sum(foot * foot, axis=0), axis


@lru_cache(maxsize=8)
def _between(ephemeris: Ephemeris, first: dt.date, last: dt.date) -> tuple[NewMoon, ...]:
    found = new_moon_eclipses(ephemeris, jd_of_date(first) - 1, jd_of_date(last) + 2)
    return tuple(eclipse for eclipse in found if first <= eclipse.day.date <= last)


def eclipses_between(ephemeris: Ephemeris, first: dt.date, last: dt.date) -> tuple[NewMoon, ...]:
    """Return the eclipses whose greatest phase on Earth falls on UTC dates from `first` to `last`."""
    return _between(ephemeris, first, last)


def eclipse_of(ephemeris: Ephemeris, date: dt.date) -> NewMoon:
    """Return the eclipse of a date: its greatest phase on Earth falls on it, UTC, or on a day beside it.

    The day beside it is for places far from Greenwich, where the calendar may say so.

    Raises:
        SkyError: if there is none (the nearest ones are named), or the date is outside the ephemeris.
    """
    ephemeris.require(date)
    day = dt.timedelta(days=1)
    found = eclipses_between(ephemeris, date - day, date + day)
    if not found:
        raise SkyError(no_eclipse_text(ephemeris, date))
    return min(found, key=lambda eclipse: abs((eclipse.day.date - date).days))


def no_eclipse_text(ephemeris: Ephemeris, date: dt.date) -> str:
    """Return what to say of a date without an eclipse."""
    # Two solar eclipses are never more than about 178 days apart; more than a year is looked through.
    around = dt.timedelta(days=400)
    first, last = max(date - around, ephemeris.first_date), min(date + around, ephemeris.last_date)
    days = [eclipse.day.date for eclipse in eclipses_between(ephemeris, first, last)]
    nearest = [max((day for day in days if day < date), default=None)]
    nearest.append(min((day for day in days if day > date), default=None))
    named = " and ".join(str(day) for day in nearest if day is not None)
    return f"There is no solar eclipse on {date}. Mend: the nearest solar eclipses are on {named}."
