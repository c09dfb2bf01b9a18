"""An independent pipeline for local circumstances: Astropy and ERFA, reading the same kernel.

It shares nothing with the product but the kernel file, the value of TT - UT1 and the place of the pole:
precession-nutation, Earth rotation and the ellipsoid are ERFA's, light time and aberration are applied here,
the contacts are found by plain bisection. No light deflection: it moves neither disk by more than 0.01
arcseconds.
"""

from __future__ import annotations

import warnings
from contextlib import contextmanager
from dataclasses import dataclass

import astropy.units as u
import erfa
import numpy as np
from astropy.coordinates import get_body_barycentric_posvel, solar_system_ephemeris
from astropy.time import Time

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
    pole_x_arcsec: float
    pole_y_arcsec: float


@contextmanager
def _years_to_come():
    """Let UTC of years for which no leap second is announced yet pass without a warning."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message=".*dubious year", category=erfa.ErfaWarning)
        yield


EARTH_TURNS_RAD_S = 7.292115e-5


def _site(cases, time):
    """Return position, km, and velocity, km/s, of the sites from the Earth's centre, celestial axes."""
    on_ground_m = erfa.gd2gc(
        erfa.WGS84,
        np.radians([case.longitude_deg for case in cases]),
        np.radians([case.latitude_deg for case in cases]),
        np.array([case.elevation_m for case in cases], dtype=float),
    )

    def column(name):
        return np.array([getattr(case, name) for case in cases])[:, None]

    to_ground = erfa.c2t06a(
        time.tt.jd1, time.tt.jd2, time.tt.jd1, time.tt.jd2 - column("delta_t_s") / 86_400,
        column("pole_x_arcsec") / ARCSEC, column("pole_y_arcsec") / ARCSEC,
    )  # fmt: skip
    to_sky = np.swapaxes(to_ground, -1, -2)
    spin = np.array([[0, -1, 0], [1, 0, 0], [0, 0, 0]]) * EARTH_TURNS_RAD_S
    position_km, velocity = (
        np.einsum("ctij,cj->ict", to_sky, vectors) / 1000 for vectors in (on_ground_m, on_ground_m @ spin.T)
    )
    return position_km, velocity


def _sights(cases, tt_s, solar_radius_arcsec):
    """Return separation and radii functions for arrays (case, instant) of seconds since 1970 TT."""
    time = Time(2440587.5 + np.floor(tt_s / 86_400), tt_s % 86_400 / 86_400, format="jd", scale="tt")
    site_km, site_velocity = _site(cases, time)
    earth_position, earth_velocity = get_body_barycentric_posvel("earth", time)
    here_km = earth_position.xyz.to_value(u.km) + site_km
    speed = (earth_velocity.xyz.to_value(u.km / u.s) + site_velocity) / LIGHT_KM_S

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


def contacts(kernel_path, cases, *, solar_radius_arcsec, k_exterior, k_total, k_annular):
    """Return, a dict for each case, the contacts found: name -> seconds since 1970-01-01T00:00:00 TT."""
    with solar_system_ephemeris.set(str(kernel_path)), _years_to_come():
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
    with _years_to_come():
        return float(time.utc.unix)
