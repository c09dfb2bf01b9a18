"""Sun and Moon around one eclipse as polynomials, so that many sites can be looked from at once.

Fitted are the geocentric *astrometric* places (light time to the Earth's centre) with the velocities of
the Earth and the Moon. Each site then gets its own light time and its own aberration, the daily part
included: what is left out is only the bending of light, which moves Sun and Moon alike. Subtracting a
site from geocentric astrometric places and stopping there would be wrong by up to a second.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.polynomial import chebyshev
from numpy.typing import NDArray

from controller.sky.eclipses import NewMoon
from controller.sky.ephemeris import Ephemeris
from controller.sky.geometry import DAY_S, Disks
from controller.sky.model import EARTH_RADIUS_KM, Site
from controller.sky.numeric import Array, nodes

if TYPE_CHECKING:
    from skyfield.timelib import Timescale

_HALF_WIDTH_S = 18_000.0
"""Five hours each way of the greatest phase on Earth; a site's contacts keep within four and a half."""
_PLACE_DEGREE = 11
_RATE_DEGREE = 5
_LIGHT_KM_S = 299_792.458
_EARTH_TURN_RAD_S = 7.292115e-5
"""Mean angular velocity of the Earth (IERS Conventions 2010, table 1.2)."""
FLATTENING = 1 / 298.257223563
"""Of the WGS84 ellipsoid."""


@dataclass(frozen=True)
class Ground:
    """Where sites are: vectors from the Earth's centre and the three directions of their horizons.

    Earth-fixed, with the wobble of the pole already taken out, so that one turn about the axis brings
    them to the sky. Each is ``(3, n)``; positions in kilometres.
    """

    position_km: Array
    north: Array
    east: Array
    zenith: Array

    def only(self, chosen: NDArray[np.intp]) -> Ground:
        """Return some of the sites, by index."""
        return Ground(*(part[:, chosen] for part in (self.position_km, self.north, self.east, self.zenith)))

    def repeated(self, times: int) -> Ground:
        """Return all sites several times over, one whole set after another."""
        parts = (self.position_km, self.north, self.east, self.zenith)
        return Ground(*(np.tile(part, times) for part in parts))


@dataclass(frozen=True)
class QuickDisks(Disks):
    """Sun and Moon from many sites, or one, in the frame of the true equator and equinox of date."""

    ground: Ground
    turn_rad: Array

    @cached_property
    def _horizon(self) -> Array:
        ground = self.ground
        return np.stack([turned(part, self.turn_rad) for part in (ground.north, ground.east, ground.zenith)])

    @property
    def _pole(self) -> Array:
        return np.array([[0.0], [0.0], [1.0]])


@dataclass(frozen=True)
class Sky:
    """One eclipse's polynomials. Times are seconds (TT) after `base_jd`."""

    base_jd: float
    centre_s: float
    places: Array
    """Powers of the scaled time, highest first, for the geocentric Sun and Moon, km: ``(power, 6)``."""
    rates: Array
    """The same for the velocities of Earth and Moon (km/s) and the Earth's turn (rad): ``(power, 7)``."""
    wobble: Array
    """The matrix of polar motion."""

    def ground(self, latitude_deg: Array, longitude_deg: Array, elevation_m: Array) -> Ground:
        """Return sites on the WGS84 ellipsoid, as many as the longest of the three has."""
        arrays = (latitude_deg, longitude_deg, elevation_m)
        phi, lam, height_m = np.broadcast_arrays(*(np.atleast_1d(np.asarray(a, float)) for a in arrays))
        phi, lam = np.radians(phi), np.radians(lam)
        sine, cosine = np.sin(phi), np.cos(phi)
        polar = (1 - FLATTENING) ** 2
        across_km = EARTH_RADIUS_KM / np.sqrt(cosine**2 + polar * sine**2)
        height_km = height_m / 1000
        r = (across_km + height_km) * cosine
        position = np.stack([r * np.cos(lam), r * np.sin(lam), (across_km * polar + height_km) * sine])
        north = np.stack([-sine * np.cos(lam), -sine * np.sin(lam), cosine])
        east = np.stack([-np.sin(lam), np.cos(lam), np.zeros_like(lam)])
        zenith = np.stack([cosine * np.cos(lam), cosine * np.sin(lam), sine])
        return Ground(*(self.wobble.T @ part for part in (position, north, east, zenith)))

    def geographic(self, position_km: Array, tt_s: Array) -> tuple[Array, Array]:
        """Return geodetic latitude and longitude, degrees, of points on the ellipsoid given in the sky.

        `position_km` is in the frame of date at `tt_s`.
        """
        turn = self.turn_rad(tt_s)
        x, y, z = self.wobble @ turned(position_km, -turn)
        latitude = np.degrees(np.arctan2(z, (1 - FLATTENING) ** 2 * np.hypot(x, y)))
        longitude: Array = np.degrees(np.arctan2(y, x))
        return latitude, longitude

    def turn_rad(self, tt_s: Array) -> Array:
        """Return the apparent sidereal time of the zero meridian, radians, not brought to one turn."""
        turn: Array = _powers(self.rates[:, 6:], self._scaled(tt_s))[0]
        return turn

    def geocentric_km(self, tt_s: Array) -> tuple[Array, Array]:
        """Return the apparent places of Sun and Moon from the Earth's centre."""
        centre = np.zeros((3, 1))
        disks = self.look(Ground(centre, centre, centre, centre), tt_s, 0.0)
        return disks.sun_km, disks.moon_km

    def look(self, ground: Ground, tt_s: Array, solar_radius_km: float) -> QuickDisks:
        """Return the disks from each site at its own instant; one site or one instant serves for all."""
        scaled = self._scaled(tt_s)
        places = _powers(self.places, scaled)
        rates = _powers(self.rates, scaled)
        turn = rates[6]
        here = turned(ground.position_km, turn)
        x, y, _ = here
        earth = rates[:3]
        speed = earth.copy() if earth.shape[1:] == x.shape else np.broadcast_to(earth, (3, *x.shape)).copy()
        speed[0] -= _EARTH_TURN_RAD_S * y
        speed[1] += _EARTH_TURN_RAD_S * x
        sun = _seen_from(places[:3], here, None, speed)
        moon = _seen_from(places[3:], here, rates[3:6], speed)
        return QuickDisks(sun, moon, solar_radius_km, ground, turn)

    def _scaled(self, tt_s: Array) -> Array:
        scaled: Array = (np.atleast_1d(np.asarray(tt_s, float)) - self.centre_s) / _HALF_WIDTH_S
        return scaled


@dataclass(frozen=True)
class QuickView:
    """One site under an eclipse's polynomials."""

    sky: Sky
    ground: Ground
    solar_radius_km: float

    def at(self, tt_s: Array) -> QuickDisks:
        """Return the disks at instants given as seconds (TT) after the sky's base date."""
        return self.sky.look(self.ground, tt_s, self.solar_radius_km)


def quick_view(sky: Sky, site: Site, solar_radius_km: float) -> QuickView:
    """Return a site's view."""
    place = (np.array([value]) for value in (site.latitude_deg, site.longitude_deg, site.elevation_m))
    return QuickView(sky, sky.ground(*place), solar_radius_km)


@lru_cache(maxsize=64)
def sky_of(eclipse: NewMoon, ephemeris: Ephemeris, scale: Timescale) -> Sky:
    """Return the polynomials of an eclipse."""
    from skyfield.functions import mxv

    centre_s = eclipse.greatest_tt_s
    at_s = nodes(centre_s, _HALF_WIDTH_S, _PLACE_DEGREE + 4)
    time = scale.tt_jd(eclipse.base_jd, at_s / DAY_S)
    earth = ephemeris.earth.at(time)
    sun, moon = (earth.observe(body) for body in (ephemeris.sun, ephemeris.moon))
    of_date = time.M
    places = np.concatenate([mxv(of_date, body.xyz.km) for body in (sun, moon)])
    earth_km_s = earth.velocity.km_per_s
    turn = np.unwrap(time.gast * (np.pi / 12))
    rates = np.concatenate(
        [mxv(of_date, earth_km_s), mxv(of_date, moon.velocity.km_per_s + earth_km_s), turn[None]]
    )
    scaled = (at_s - centre_s) / _HALF_WIDTH_S
    middle = scale.tt_jd(eclipse.base_jd, centre_s / DAY_S)
    wobble = np.eye(3) if scale.polar_motion_table is None else middle.polar_motion_matrix()
    return Sky(
        base_jd=eclipse.base_jd,
        centre_s=centre_s,
        places=_fit(scaled, places, _PLACE_DEGREE),
        rates=_fit(scaled, rates, _RATE_DEGREE),
        wobble=np.asarray(wobble),
    )


def _fit(scaled: Array, values: Array, degree: int) -> Array:
    """Return the powers, highest first, of least-squares polynomials through rows of values."""
    fitted = chebyshev.chebfit(scaled, values.T, degree)
    powers = np.stack([chebyshev.cheb2poly(column) for column in fitted.T], axis=1)
    return powers[::-1].copy()


def _powers(coefficients: Array, scaled: Array) -> Array:
    """Return the polynomials' values by Horner's rule, one row a polynomial."""
    values = np.repeat(coefficients[0][:, None], scaled.size, axis=1)
    for row in coefficients[1:]:
        values *= scaled
        values += row[:, None]
    return values


def turned(vectors: Array, angle_rad: Array) -> Array:
    """Return vectors turned about the third axis."""
    x, y, z = vectors
    cosine, sine = np.cos(angle_rad), np.sin(angle_rad)
    return np.stack(np.broadcast_arrays(x * cosine - y * sine, x * sine + y * cosine, z))


def _seen_from(place: Array, here: Array, velocity: Array | None, speed: Array) -> Array:
    """Return where a body is seen from a point beside the Earth's centre.

    Light time: the body is put back (or on) along its velocity for the difference of the two light
    times. Aberration: the relativistic formula of Explanatory Supplement (1992), equation 3.252-3.

    Args:
        place: geocentric astrometric place, km.
        here: the point's geocentric place, km.
        velocity: of the body in the barycentric frame, km/s; None for the Sun (0.02 s of its 0.015 km/s).
        speed: of the point in the barycentric frame, km/s.
    """
    towards = place - here
    distance = _length(towards)
    if velocity is not None:
        towards = towards + velocity * ((_length(place) - distance) / _LIGHT_KM_S)
        distance = _length(towards)
    light_s = distance / _LIGHT_KM_S
    beta_squared = (speed[0] ** 2 + speed[1] ** 2 + speed[2] ** 2) / _LIGHT_KM_S**2
    inverse_gamma = np.sqrt(1 - beta_squared)
    along = (towards[0] * speed[0] + towards[1] * speed[1] + towards[2] * speed[2]) / (distance * _LIGHT_KM_S)
    stretch = (1 + along / (1 + inverse_gamma)) * light_s
    seen: Array = (towards * inverse_gamma + stretch * speed) / (1 + along)
    return seen


def _length(vectors: Sequence[Array] | Array) -> Array:
    x, y, z = vectors
    length: Array = np.sqrt(x * x + y * y + z * z)
    return length
