"""An independent pipeline for local circumstances: Astropy and ERFA, reading the same kernel.

It shares nothing with the product but the kernel file and the value of TT - UT1: precession-nutation,
Earth rotation and polar motion are ERFA's, light time and aberration are applied here, the contacts
are found by plain bisection. No light deflection: it moves neither disk by more than 0.01 arcseconds.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import astropy.units as u
import erfa
import numpy as np
from astropy.coordinates import EarthLocation, get_body_barycentric_posvel, solar_system_ephemeris
from astropy.time import Time
from astropy.utils import iers
from astropy.utils.exceptions import AstropyWarning

EARTH_RADIUS_KM = 6378.137
AU_KM = 149_597_870.7
LIGHT_KM_S = 299_792.458
ARCSEC = 3600 * 180 / np.pi


@dataclass
class Case:
    """One site and eclipse: degrees, metres; `around_tt_s` counts from 1970-01-01T00:00:00 TT."""

    latitude_deg: float
    longitude_deg: float
    elevation_m: float
    around_tt_s: float
    delta_t_s: float


def _sights(cases, tt_s, solar_radius_arcsec):
    """Return separation and radii functions for arrays (case, instant) of seconds since 1970 TT."""
    time = Time(2440587.5 + np.floor(tt_s / 86_400), tt_s % 86_400 / 86_400, format="jd", scale="tt")
    delta_t_s = np.array([case.delta_t_s for case in cases])[:, None]
    time.delta_ut1_utc = _ut1_minus_utc(time, delta_t_s)
    location = EarthLocation.from_geodetic(
        np.array([case.longitude_deg for case in cases])[:, None] * np.ones_like(tt_s) * u.deg,
        np.array([case.latitude_deg for case in cases])[:, None] * np.ones_like(tt_s) * u.deg,
        np.array([case.elevation_m for case in cases])[:, None] * np.ones_like(tt_s) * u.m,
    )
    site_position, site_velocity = location.get_gcrs_posvel(time)
    earth_position, earth_velocity = get_body_barycentric_posvel("earth", time)
    here_km = (earth_position + site_position).xyz.to_value(u.km)
    speed = (earth_velocity + site_velocity).xyz.to_value(u.km / u.s) / LIGHT_KM_S

    def apparent_km(body):
        travel_s = np.zeros_like(tt_s)
        for _ in range(4):
            position, _velocity = get_body_barycentric_posvel(body, time - travel_s * u.s)
            vector = position.xyz.to_value(u.km) - here_km
            travel_s = np.sqrt((vector**2).sum(axis=0)) / LIGHT_KM_S
        distance = np.sqrt((vector**2).sum(axis=0))
        v = np.moveaxis(speed, 0, -1)
        bend = np.sqrt(1 - (v**2).sum(axis=-1))
        direction = erfa.ab(np.moveaxis(vector / distance, 0, -1), v, np.ones_like(distance), bend)
        return direction, distance

    sun, sun_km = apparent_km("sun")
    moon, moon_km = apparent_km("moon")
    across = np.linalg.norm(np.cross(sun, moon), axis=-1)
    separation = np.arctan2(across, (sun * moon).sum(axis=-1)) * ARCSEC
    sun_radius = np.arcsin(AU_KM * np.sin(solar_radius_arcsec / ARCSEC) / sun_km) * ARCSEC
    axis = sun * sun_km[..., None] - moon * moon_km[..., None]
    to_moon = moon * moon_km[..., None]
    axis_km = np.linalg.norm(np.cross(to_moon, axis), axis=-1) / np.linalg.norm(axis, axis=-1)
    return separation, sun_radius, lambda k: np.arcsin(k * EARTH_RADIUS_KM / moon_km) * ARCSEC, axis_km


def _ut1_minus_utc(time, delta_t_s):
    """UT1 - UTC = (TT - UTC) - Delta-T, with ERFA's own leap seconds."""
    return 32.184 + erfa.dat(*erfa.jd2cal(time.utc.jd1, time.utc.jd2)) - delta_t_s


def contacts(kernel_path, cases, *, solar_radius_arcsec, k_exterior, k_total, k_annular):
    """Return, a dict for each case, the contacts found: name -> seconds since 1970-01-01T00:00:00 TT."""
    with (
        solar_system_ephemeris.set(str(kernel_path)),
        iers.conf.set_temp("auto_download", False),
        iers.conf.set_temp("iers_degraded_accuracy", "ignore"),
        warnings.catch_warnings(),
    ):
        # Past its table Astropy takes the mean pole of 50 years: ten metres at most, 0.02 s.
        warnings.filterwarnings("ignore", message="Tried to get polar motions", category=AstropyWarning)
        around = np.array([case.around_tt_s for case in cases])[:, None]
        offsets = np.arange(-3.5 * 3600, 3.5 * 3600, 300.0)

        def see(tt_s):
            return _sights(cases, tt_s, solar_radius_arcsec)

        axis_km = see(around + offsets)[3]
        mid = around + offsets[axis_km.argmin(axis=1)][:, None]
        for half_width in (300.0, 40.0, 20.0):
            nine = np.linspace(-half_width, half_width, 9)
            squared = see(mid + nine)[3] ** 2
            fits = np.polynomial.polynomial.polyfit(nine / half_width, squared.T, 4)
            fine = np.linspace(-1, 1, 40_001)
            best = [fine[np.polynomial.polynomial.polyval(fine, fit).argmin()] for fit in fits.T]
            mid = mid + half_width * np.array(best)[:, None]

        separation, sun, moon, _axis = (part if callable(part) else part[:, 0] for part in see(mid))
        total = separation < moon(k_total)[:, 0] - sun
        annular = separation < sun - moon(k_annular)[:, 0]
        found = [{"mid": float(m)} for m in mid[:, 0]]
        for names, exists, reach_s in (
            (("C1", "C4"), separation < sun + moon(k_exterior)[:, 0], 3.0 * 3600),
            (("C2", "C3"), total | annular, 500.0),
        ):

            def outside(tt_s, names=names):
                apart, sun_now, moon_now, _unused = see(tt_s)
                if names == ("C1", "C4"):
                    return apart - sun_now - moon_now(k_exterior)
                ring = sun_now - moon_now(k_annular)
                return apart - np.where(total[:, None], moon_now(k_total) - sun_now, ring)

            low = mid + np.array([-reach_s, 0.0])
            high = mid + np.array([0.0, reach_s])
            sign = np.array([1.0, -1.0])  # positive outside, before; negative after
            for _ in range(31):
                middle = (low + high) / 2
                before_root = outside(middle) * sign > 0
                low, high = np.where(before_root, middle, low), np.where(before_root, high, middle)
            for row, there in enumerate(exists):
                if there:
                    found[row][names[0]] = float(low[row, 0])
                    found[row][names[1]] = float(low[row, 1])
        return found


def utc_seconds(tt_s):
    """Return seconds since 1970-01-01T00:00:00 TT as POSIX seconds UTC, by Astropy's leap seconds."""
    time = Time(2440587.5 + np.floor(tt_s / 86_400), tt_s % 86_400 / 86_400, format="jd", scale="tt")
    return float(time.utc.unix)
