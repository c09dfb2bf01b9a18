"""The limb profile: how high the Moon's edge stands at every position angle, for one observer.

At each position angle the plane through the observer, the Moon's centre and that angle cuts the terrain
in a line; the edge is the point of it that stands farthest from the Moon's centre in the sky, seen in
perspective from the observer's finite distance. No point within 9 degrees of the mean limb is left out
unless a bound on the heights around it shows that it cannot be that point.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from controller.sky.geometry import DAY_S, View
from controller.sky.limb.grids import REFERENCE_RADIUS_KM
from controller.sky.limb.model import LimbProfile
from controller.sky.limb.rotation import longitude_latitude_deg, moon_axes
from controller.sky.limb.terrain import REACH_DEG, Terrain
from controller.sky.numeric import Array

STEP_DEG = 0.05
"""Between position angles: 1.5 km on the limb, 0.8 arcseconds."""
_COARSEST_SAMPLE_DEG = 1 / 16
"""Between samples along the line of sight; a sphere is then met to 0.3 m."""


@dataclass(frozen=True, eq=False)
class Aspect:
    """How the Moon is turned to the observer; unit vectors in the Moon's own (mean-Earth) frame."""

    distance_km: float
    towards: Array
    """From the Moon's centre to the observer."""
    north: Array
    """Celestial north (true equator of date) in the sky at the Moon."""
    east: Array
    """Celestial east there."""


def aspect_at(view: View, tt_s: float) -> Aspect:
    """Return how the Moon is turned at an instant, seconds (TT) after the view's base.

    The Moon is turned as it was when the light left it, 1.3 s before; aberration, which moves the whole
    Moon in the sky, does not turn it.
    """
    from skyfield.toposlib import wgs84

    site = view.site
    here = view.ephemeris.earth + wgs84.latlon(site.latitude_deg, site.longitude_deg, site.elevation_m)
    time = view.scale.tt_jd(view.base_jd, tt_s / DAY_S)
    moon = here.at(time).observe(view.ephemeris.moon)
    axes = moon_axes(float(time.tdb) - float(moon.light_time))
    distance_km = float(moon.distance().km)
    sight = moon.xyz.km / distance_km
    east = np.cross(time.M[2], sight)
    east /= np.linalg.norm(east)
    north = np.cross(sight, east)
    return Aspect(distance_km, axes @ -sight, axes @ north, axes @ east)


def limb_profile(terrain: Terrain, aspect: Aspect, step_deg: float = STEP_DEG) -> LimbProfile:
    """Return the edge all round.

    Args:
        terrain: heights near the limb.
        aspect: how the Moon is turned to the observer.
        step_deg: between position angles, degrees.

    Raises:
        SkyError: if the Moon is turned farther than it can be.
    """
    angles_deg: Array = np.arange(round(360 / step_deg), dtype=np.float64) * step_deg
    angle = np.radians(angles_deg)[:, None]
    across = aspect.north * np.cos(angle) + aspect.east * np.sin(angle)
    sampling_deg = min(1 / terrain.info.pixels_per_degree, _COARSEST_SAMPLE_DEG)
    half = round(0.5 / sampling_deg)
    offsets_deg: Array = np.arange(-half, half + 1, dtype=np.float64) * (0.5 / half)

    edge_km = _seen_radius_km(terrain, aspect, across, offsets_deg).max(axis=1)
    for ring in range(1, round(REACH_DEG) + 1):
        for centre_deg in (float(ring), float(-ring)):
            possible = _bound_km(terrain, aspect, across, centre_deg) > edge_km
            if possible.any():
                seen_km = _seen_radius_km(terrain, aspect, across[possible], centre_deg + offsets_deg)
                edge_km[possible] = np.maximum(edge_km[possible], seen_km.max(axis=1))
    longitude, latitude = longitude_latitude_deg(aspect.towards)
    return LimbProfile(
        position_angle_deg=angles_deg,
        height_km=edge_km - REFERENCE_RADIUS_KM,
        distance_km=aspect.distance_km,
        libration_longitude_deg=longitude,
        libration_latitude_deg=latitude,
        axis_position_angle_deg=float(np.degrees(np.arctan2(aspect.east[2], aspect.north[2])) % 360),
    )


def _limb_deg(aspect: Aspect) -> float:
    """Return the angle at the Moon's centre from the observer to the sphere's edge, just under 90."""
    return float(np.degrees(np.arccos(REFERENCE_RADIUS_KM / aspect.distance_km)))


def _directions(aspect: Aspect, across: Array, from_observer: Array) -> tuple[Array, Array]:
    """Return latitudes and longitudes (degrees): a row for each position angle, a column for each angle."""
    along, side = np.cos(from_observer), np.sin(from_observer)
    x, y, z = (aspect.towards[i] * along + across[:, i : i + 1] * side for i in range(3))
    return np.degrees(np.arcsin(np.clip(z, -1, 1))), np.degrees(np.arctan2(y, x))


def _seen_radius_km(terrain: Terrain, aspect: Aspect, across: Array, offsets_deg: Array) -> Array:
    """Return the radius of the sphere that would show its edge where each point of the terrain is seen.

    Args:
        terrain: the heights.
        aspect: how the Moon is turned.
        across: unit vectors across the line of sight, a row for each position angle.
        offsets_deg: of the points from the mean limb, away from the observer; a column for each.
    """
    from_observer = np.radians(_limb_deg(aspect) + offsets_deg)
    latitude_deg, longitude_deg = _directions(aspect, across, from_observer)
    radius_km = REFERENCE_RADIUS_KM + terrain.heights_m(latitude_deg, longitude_deg) / 1000
    return _in_perspective_km(radius_km, aspect.distance_km, from_observer)


def _in_perspective_km(radius_km: Array, distance_km: float, from_observer: Array) -> Array:
    away_km = np.sqrt(radius_km**2 + distance_km**2 - 2 * radius_km * distance_km * np.cos(from_observer))
    seen: Array = distance_km * radius_km * np.sin(from_observer) / away_km
    return seen


def _bound_km(terrain: Terrain, aspect: Aspect, across: Array, centre_deg: float) -> Array:
    """Return a radius that nothing within half a degree of `centre_deg` from the mean limb can show."""
    latitude_deg, longitude_deg = _directions(
        aspect, across, np.radians(np.array([_limb_deg(aspect) + centre_deg]))
    )
    top_km = REFERENCE_RADIUS_KM + terrain.tops_m(latitude_deg[:, 0], longitude_deg[:, 0]) / 1000
    # A point so high is seen the farther out the nearer it is to its own edge, arccos(radius / distance);
    # that one is 0.003 degrees from the mean limb at most.
    nearest = np.radians(_limb_deg(aspect) + np.sign(centre_deg) * (abs(centre_deg) - 0.51))
    return _in_perspective_km(top_km, aspect.distance_km, nearest)
