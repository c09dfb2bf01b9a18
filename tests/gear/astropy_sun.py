"""The Sun by Astropy: altitude and azimuth, and the direction of the pole, from its own ephemeris and ERFA.

UT1 - UTC of years to come is not in the library's table, so it is given; nothing else is shared with the
product. A place is latitude (degrees), longitude (degrees), elevation (metres) and UT1 - UTC (seconds).
"""

from __future__ import annotations

import warnings

import astropy.units as u
import numpy as np
from astropy.coordinates import TETE, AltAz, EarthLocation, SkyCoord, get_body, solar_system_ephemeris
from astropy.time import Time
from astropy.utils import iers

UNIX_JD = 2440587.5


Where = tuple[float, float, float, float]


def _when_and_where(utc_ns, place: Where) -> dict:
    iers.conf.auto_download = False
    iers.conf.auto_max_age = None
    iers.conf.iers_degraded_accuracy = "ignore"
    days, rest_ns = np.divmod(np.asarray(utc_ns, dtype=np.int64), 86_400_000_000_000)
    time = Time(UNIX_JD + days, rest_ns / 86_400e9, format="jd", scale="utc")
    latitude_deg, longitude_deg, elevation_m, time.delta_ut1_utc = place
    location = EarthLocation.from_geodetic(longitude_deg * u.deg, latitude_deg * u.deg, elevation_m * u.m)
    return {"obstime": time, "location": location}


def sun(utc_ns, place: Where) -> SkyCoord:
    """Return the apparent topocentric Sun, in altitude and azimuth without air."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        frame = AltAz(**_when_and_where(utc_ns, place))
        with solar_system_ephemeris.set("builtin"):
            return get_body("sun", frame.obstime, frame.location).transform_to(frame)


def declination_deg(utc_ns, place: Where) -> np.ndarray:
    """Return the Sun's topocentric declination, true equator of date."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        frame = TETE(**_when_and_where(utc_ns, place))
        with solar_system_ephemeris.set("builtin"):
            return get_body("sun", frame.obstime, frame.location).transform_to(frame).dec.deg


def parallactic_deg(utc_ns, place: Where) -> np.ndarray:
    """Return the angle at the Sun from the zenith to the pole, westwards of the zenith positive."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        frame = AltAz(**_when_and_where(utc_ns, place))
        here = sun(utc_ns, place)
        # The pole stands due north, as high as the latitude.
        zeros = np.zeros(len(utc_ns))
        pole = SkyCoord(zeros * u.deg, (zeros + place[0]) * u.deg, frame=frame)
        return here.position_angle(pole).wrap_at(180 * u.deg).deg
