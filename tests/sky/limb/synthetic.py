"""Moons with known edges, and a plain solver of contacts behind a known edge.

The solver shares with the product the places of Sun and Moon only: the light at an angle is told by the
law of cosines in the plane of the sky, the contact by bisection.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np

from controller.sky import Circumstances, Constants, Kind, Site, circumstances
from controller.sky.earth_rotation import timescale
from controller.sky.ephemeris import load_ephemeris
from controller.sky.geometry import View
from controller.sky.limb.grids import Grid
from controller.sky.limb.profile import Aspect, aspect_at
from controller.sky.limb.terrain import Terrain, from_grid
from controller.units import ContactName

RADIUS_KM = 1737.4
EARTH_RADIUS_KM = 6378.137
SPHERE_K = RADIUS_KM / EARTH_RADIUS_KM
TOTAL = (Site(25.7, 32.65, 80), dt.date(2027, 8, 2))
SHORT = (Site(42.34, -3.7, 860), dt.date(2026, 8, 12))
ANNULAR = (Site(11.4, -83.1), dt.date(2023, 10, 14))


def moon_of(height_m, pixels_per_degree=8, west_deg=0.0) -> Terrain:
    """Return a terrain from a function of latitude and longitude (degrees, arrays) to metres."""
    lines = 180 * pixels_per_degree
    latitude = (90 - (np.arange(lines) + 0.5) / pixels_per_degree)[:, None]
    longitude = west_deg + (np.arange(2 * lines) + 0.5) / pixels_per_degree
    heights = np.broadcast_to(height_m(latitude, longitude), (lines, 2 * lines))
    return from_grid(Grid(Path("made up"), heights, 1.0, 0.0, west_deg, None, "made up for a test"))


def sphere(height_m=0.0) -> Terrain:
    return moon_of(lambda latitude, longitude: np.full(1, height_m), pixels_per_degree=4)


def moon_round_the_edge(aspect: Aspect, height_m, pixels_per_degree=8) -> Terrain:
    """Return a terrain from a function of position angle (degrees): ridges and trenches along the sight."""

    def by_place(latitude_deg, longitude_deg):
        latitude, longitude = (np.radians(x, dtype=np.float32) for x in (latitude_deg, longitude_deg))
        place = np.stack(
            np.broadcast_arrays(
                np.cos(latitude) * np.cos(longitude),
                np.cos(latitude) * np.sin(longitude),
                np.sin(latitude),
            )
        )
        north = np.tensordot(aspect.north.astype(np.float32), place, 1)
        east = np.tensordot(aspect.east.astype(np.float32), place, 1)
        return height_m(np.degrees(np.arctan2(east, north)) % 360)

    return moon_of(by_place, pixels_per_degree)


@lru_cache
def seen(case, k=SPHERE_K) -> Circumstances:
    """Return the circumstances of a case with the mean limb of a given radius."""
    site, date = case
    return circumstances(site, date, constants=Constants(moon_k_interior=k))


def with_terrain(case, terrain, k=SPHERE_K) -> Circumstances:
    site, date = case
    return circumstances(site, date, constants=Constants(moon_k_interior=k), terrain=terrain)


@dataclass
class Looker:
    """Sun and Moon of a case around an instant, TT seconds since 1970."""

    case: tuple

    def __post_init__(self):
        site, date = self.case
        scale = timescale(None)[1]
        self.base_jd = 2440587.5 + (date - dt.date(1970, 1, 1)).days
        self.view = View(site, load_ephemeris(), scale, Constants().solar_radius_km, self.base_jd)

    def seconds(self, tt_ns):
        return tt_ns / 1e9 - (self.base_jd - 2440587.5) * 86_400

    def aspect(self, tt_ns) -> Aspect:
        return aspect_at(self.view, self.seconds(tt_ns))

    def light_arcsec(self, tt_s, angle_deg, height_m):
        """Return how deep the Moon's edge lies in the Sun's disk at angles, in the plane of the sky."""
        sight = self.view.at(np.array([tt_s]))
        separation, sun_radius = sight.separation_arcsec[0], sight.sun_radius_arcsec[0]
        # From the Moon to the Sun: opposite to the direction from Sun to Moon (0.02 degrees of convergence).
        towards_sun = sight.position_angle_deg()[0] + 180
        edge = np.degrees(np.arcsin((RADIUS_KM + height_m / 1000) / sight.moon_distance_km[0])) * 3600
        turn = np.radians(angle_deg - towards_sun)
        return sun_radius - np.sqrt(edge**2 + separation**2 - 2 * edge * separation * np.cos(turn))


def contact_tt_s(
    looker: Looker, name: ContactName, kind: Kind, height_m, around_s: float, angles_deg=None
) -> float:
    """Return C2 or C3 behind an edge of heights by position angle, by bisection from 60 s either side."""
    angles = np.arange(0, 360, 0.005) if angles_deg is None else angles_deg
    heights = height_m(angles)

    def is_open(tt_s):
        light = looker.light_arcsec(tt_s, angles, heights)
        return light.max() > 0 if kind is Kind.TOTAL else light.min() < 0

    low, high = around_s - 60, around_s + 60
    opens_before = name is ContactName.C2
    assert is_open(low) is not is_open(high)
    for _ in range(28):
        middle = (low + high) / 2
        low, high = (middle, high) if bool(is_open(middle)) == opens_before else (low, middle)
    return high


def wedge(centre_deg, width_deg, height_m, elsewhere_m=0.0):
    """Return an edge that is flat but for one stretch, as a function of position angle."""

    def heights(angle_deg):
        away = np.abs((np.asarray(angle_deg) - centre_deg + 180) % 360 - 180)
        return np.where(away < width_deg / 2, height_m, elsewhere_m)

    return heights
