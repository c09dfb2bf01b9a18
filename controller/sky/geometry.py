"""Where the Sun and the Moon stand as seen from a site, and how their disks lie to each other."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Protocol

import numpy as np

from controller.sky.ephemeris import Ephemeris
from controller.sky.model import EARTH_RADIUS_KM, Site
from controller.sky.numeric import Array

if TYPE_CHECKING:
    from skyfield.timelib import Time, Timescale
    from skyfield.toposlib import GeographicPosition
    from skyfield.vectorlib import VectorFunction

ARCSEC = 3600 * 180 / np.pi
"""Arcseconds in a radian."""
DAY_S = 86_400


@dataclass(frozen=True)
class Disks:
    """Sun and Moon at some instants as apparent topocentric places, and how their disks lie.

    Vectors are in kilometres, one column an instant, in whatever frame `_horizon` and `_pole` use too.
    """

    sun_km: Array
    moon_km: Array
    solar_radius_km: float

    @cached_property
    def sun_distance_km(self) -> Array:
        """Return the distance of the Sun's centre."""
        return _length(self.sun_km)

    @cached_property
    def moon_distance_km(self) -> Array:
        """Return the distance of the Moon's centre."""
        return _length(self.moon_km)

    @cached_property
    def separation_arcsec(self) -> Array:
        """Return the angle between the centres."""
        across = _length(_cross(self.sun_km, self.moon_km))
        separation: Array = np.arctan2(across, np.sum(self.sun_km * self.moon_km, axis=0)) * ARCSEC
        return separation

    @cached_property
    def sun_radius_arcsec(self) -> Array:
        """Return the Sun's apparent radius."""
        return np.arcsin(self.solar_radius_km / self.sun_distance_km) * ARCSEC

    def moon_radius_arcsec(self, k: float | Array) -> Array:
        """Return the Moon's apparent radius, for a radius of `k` Earth equatorial radii."""
        return np.arcsin(k * EARTH_RADIUS_KM / self.moon_distance_km) * ARCSEC

    @cached_property
    def axis_distance_km(self) -> Array:
        """Return how far the site is from the line through the centres of Sun and Moon."""
        axis = self.sun_km - self.moon_km
        distance: Array = _length(_cross(self.moon_km, axis)) / _length(axis)
        return distance

    @cached_property
    def altitude_deg(self) -> Array:
        """Return the altitude of the Sun's centre, without refraction."""
        height = np.sum(self._zenith * self.sun_km, axis=0) / self.sun_distance_km
        altitude: Array = np.degrees(np.arcsin(np.clip(height, -1, 1)))
        return altitude

    @cached_property
    def azimuth_deg(self) -> Array:
        """Return the azimuth of the Sun's centre from north through east."""
        north, east = self._horizon[0], self._horizon[1]
        angle = np.arctan2(np.sum(east * self.sun_km, axis=0), np.sum(north * self.sun_km, axis=0))
        azimuth: Array = np.degrees(angle) % 360
        return azimuth

    def position_angle_deg(self) -> Array:
        """Return the direction from Sun to Moon, from celestial north (true equator of date) through east."""
        return self._angle_from(self._pole)

    def zenith_angle_deg(self) -> Array:
        """Return the direction from Sun to Moon, from the zenith, counter-clockwise as seen in the sky."""
        return self._angle_from(self._zenith)

    @property
    def _horizon(self) -> Array:
        """Return north, east and zenith (rows), one column an instant."""
        raise NotImplementedError

    @property
    def _pole(self) -> Array:
        """Return the direction of the true pole of date."""
        raise NotImplementedError

    @property
    def _zenith(self) -> Array:
        zenith: Array = self._horizon[2]
        return zenith

    def _angle_from(self, pole: Array) -> Array:
        sun = self.sun_km / self.sun_distance_km
        moon = self.moon_km / self.moon_distance_km
        eastward = np.sum(moon * _cross(pole, sun), axis=0)
        along = np.sum(pole * sun, axis=0)
        northward = np.sum(moon * pole, axis=0) - along * np.sum(moon * sun, axis=0)
        angle: Array = np.degrees(np.arctan2(eastward, northward)) % 360
        return angle


@dataclass(frozen=True)
class Sight(Disks):
    """What the ephemeris library sees, in full (light time, aberration, deflection), one site.

    Vectors are in the geocentric celestial frame.
    """

    time: Time
    topos: GeographicPosition

    @cached_property
    def _horizon(self) -> Array:
        rotation: Array = self.topos.rotation_at(self.time)
        return rotation

    @property
    def _pole(self) -> Array:
        pole: Array = self.time.M[2]
        return pole


class Viewer(Protocol):
    """Anything that can look at Sun and Moon from one site at given instants."""

    def at(self, tt_s: Array) -> Disks:
        """Return the disks at instants given as seconds (TT) after the eclipse's base date."""
        ...


@dataclass(frozen=True)
class View:
    """A site, an ephemeris and a time scale: what is needed to look at the sky at given instants."""

    site: Site
    ephemeris: Ephemeris
    scale: Timescale
    solar_radius_km: float
    base_jd: float
    """Julian date (TT) from which the seconds of `at` are counted."""

    @cached_property
    def _topos(self) -> GeographicPosition:
        from skyfield.toposlib import wgs84

        return wgs84.latlon(self.site.latitude_deg, self.site.longitude_deg, self.site.elevation_m)

    @cached_property
    def _observer(self) -> VectorFunction:
        return self.ephemeris.earth + self._topos

    def at(self, tt_s: Array) -> Sight:
        """Return the sight at instants given as seconds (TT) after `base_jd`."""
        time = self.scale.tt_jd(self.base_jd, np.atleast_1d(tt_s) / DAY_S)
        here = self._observer.at(time)
        # Of the bodies that bend light only the Sun matters next to the Sun.
        sun = here.observe(self.ephemeris.sun).apparent(deflectors=(10,))
        moon = here.observe(self.ephemeris.moon).apparent(deflectors=(10,))
        return Sight(sun.xyz.km, moon.xyz.km, self.solar_radius_km, time, self._topos)


def turning_arcsec_s(site: Site) -> float:
    """Return how far the Moon moves past the Sun, arcseconds at most, when the Earth turns a second more.

    465 m/s at the equator, seen from the Moon's least distance from a site, 350,000 km. Divided by the rate
    at which the disks' edges meet, it is what a second of Delta-T moves a contact at most.
    """
    return float(465.1 * np.cos(np.radians(site.latitude_deg)) / 350e6 * ARCSEC)


def obscuration(sun_radius: float, moon_radius: float, separation: float) -> float:
    """Return the covered fraction of the Sun's area, 0 to 1: the lens common to two circles.

    All three in one unit. The geometry of two overlapping circles, any textbook of plane geometry.
    """
    if separation >= sun_radius + moon_radius:
        return 0.0
    if separation <= abs(moon_radius - sun_radius):
        return min(1.0, (moon_radius / sun_radius) ** 2)
    s, m, d = sun_radius, moon_radius, separation
    at_sun = np.arccos(np.clip((d * d + s * s - m * m) / (2 * d * s), -1, 1))
    at_moon = np.arccos(np.clip((d * d + m * m - s * s) / (2 * d * m), -1, 1))
    lens = s * s * (at_sun - np.sin(2 * at_sun) / 2) + m * m * (at_moon - np.sin(2 * at_moon) / 2)
    return float(np.clip(lens / (np.pi * s * s), 0, 1))


def _cross(a: Array, b: Array) -> Array:
    (ax, ay, az), (bx, by, bz) = a, b
    return np.stack([ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx])


def _length(vectors: Array) -> Array:
    x, y, z = vectors
    length: Array = np.sqrt(x * x + y * y + z * z)
    return length
