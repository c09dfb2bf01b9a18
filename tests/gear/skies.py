"""Suns for the tests: a body on a circle of declination, and the real Sun of real eclipses."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from controller.gear.drift import SIDEREAL_ARCSEC_S, SunSeen
from controller.sky import Circumstances, Site, circumstances
from controller.sky.track import SunTrack, sun_track

T0 = 1_817_190_000 * 1_000_000_000
"""Second zero of the made-up days: 2027-08-02T07:00:00Z."""


def at(seconds: float) -> int:
    """A second of the made-up day as UTC nanoseconds."""
    return T0 + round(seconds * 1e9)


def circling(
    latitude_deg: float,
    declination_deg: float,
    hour_angle_deg: float,
    *,
    rate_arcsec_s: float = SIDEREAL_ARCSEC_S,
    radius_arcsec: float = 960.0,
) -> SunSeen:
    """A body of fixed declination, at this hour angle at second zero: the textbook's two formulae."""
    phi, delta = np.radians(latitude_deg), np.radians(declination_deg)

    def place(utc_ns):
        hour = np.radians(hour_angle_deg + rate_arcsec_s * (np.asarray(utc_ns) - T0) / 1e9 / 3600)
        altitude = np.arcsin(np.sin(phi) * np.sin(delta) + np.cos(phi) * np.cos(delta) * np.cos(hour))
        azimuth = np.arctan2(
            -np.cos(delta) * np.sin(hour),
            np.sin(delta) * np.cos(phi) - np.cos(delta) * np.sin(phi) * np.cos(hour),
        )
        return np.degrees(altitude), np.degrees(azimuth) % 360

    return SunSeen(place, radius_arcsec)


@dataclass(frozen=True)
class Place:
    """An eclipse seen from a place of our own choosing."""

    name: str
    latitude_deg: float
    longitude_deg: float
    date: dt.date


PLACES = (
    Place("morning, south of Spain", 36.12, -5.72, dt.date(2027, 8, 2)),
    Place("noon, Upper Egypt", 25.90, 32.10, dt.date(2027, 8, 2)),
    Place("evening, north of Spain", 42.25, -3.90, dt.date(2026, 8, 12)),
    Place("autumn, Chile", -33.0, -70.5, dt.date(2019, 7, 2)),
    Place("spring, Mexico", 24.3, -104.6, dt.date(2024, 4, 8)),
    Place("summer, Illinois", 37.6, -89.2, dt.date(2017, 8, 21)),
    Place("spring, Sahara", 24.5, 17.9, dt.date(2006, 3, 29)),
    Place("summer, Hungary", 46.9, 18.1, dt.date(1999, 8, 11)),
)


@lru_cache
def seen(place: Place) -> tuple[Circumstances, SunTrack]:
    """The circumstances and the Sun's way at a place."""
    sky = circumstances(Site(place.latitude_deg, place.longitude_deg, 200.0), place.date)
    return sky, sun_track(sky)


def where(place: Place) -> tuple[float, float, float, float]:
    """Latitude, longitude, elevation, and UT1 - UTC by the circumstances' Delta-T and the leap seconds in them."""
    sky, _ = seen(place)
    contact = sky.contacts[0]
    tt_minus_utc_s = (contact.tt_ns - contact.utc_ns) / 1e9
    return place.latitude_deg, place.longitude_deg, 200.0, tt_minus_utc_s - sky.delta_t.value_s


def without_air(track: SunTrack) -> SunSeen:
    """The Sun where it is, not where refraction shows it: other libraries' positions have no air."""
    return SunSeen(track.true_at, track.sun_radius_arcsec)
