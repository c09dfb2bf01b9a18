"""A flat window on the round Earth: an azimuthal equidistant plane around a place, in kilometres.

Distances from the middle are true, and so are directions there, whether at a pole or on the antimeridian.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from controller.chart.coast import Outline

if TYPE_CHECKING:
    from pyproj import Proj

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Window:
    """What is within `radius_km` of a place (square windows reach a little farther in the corners)."""

    latitude_deg: float
    longitude_deg: float
    radius_km: float

    @cached_property
    def _projection(self) -> Proj:
        from pyproj import Proj

        return Proj(proj="aeqd", lat_0=self.latitude_deg, lon_0=self.longitude_deg, ellps="WGS84", units="km")

    @property
    def reach_km(self) -> float:
        """Return how far from the middle anything is drawn."""
        return self.radius_km * 1.6

    def xy(
        self, latitude_deg: Array, longitude_deg: Array, *, reach_km: float | None = None
    ) -> tuple[Array, Array]:
        """Return east and north of the middle, km; not a number beyond the reach, or the one given."""
        x, y = (np.asarray(part, float) for part in self._projection(longitude_deg, latitude_deg))
        far = np.hypot(x, y) > (reach_km or self.reach_km)
        return np.where(far, np.nan, x), np.where(far, np.nan, y)

    def place(self, x: Array, y: Array) -> tuple[Array, Array]:
        """Return latitude and longitude of points of the plane."""
        longitude, latitude = self._projection(x, y, inverse=True)
        return np.asarray(latitude), np.asarray(longitude)

    def near(self, every: Sequence[Outline]) -> list[Outline]:
        """Return those outlines that come within the reach, or may have all of it inside."""
        if not every:
            return []
        x, y = self._projection(
            np.concatenate([one.longitude_deg for one in every]),
            np.concatenate([one.latitude_deg for one in every]),
        )
        starts = np.cumsum([0, *(one.longitude_deg.size for one in every[:-1])])
        nearest = np.minimum.reduceat(np.hypot(x, y), starts)
        return [
            one
            for one, distance in zip(every, nearest, strict=True)
            if distance <= self.reach_km or one.area_km2 > self.radius_km**2
        ]

    def area(self, outline: Outline) -> list[Array]:
        """Return the rings, ``(n, 2)`` each, that fill an outline's inside by the even-odd rule.

        What lies beyond the reach is moved onto the circle around the window. An outline that has the
        place opposite to the middle inside is turned inside out by the projection: the circle itself is
        then added as a second ring, which turns it back.
        """
        x, y = (np.asarray(p, float) for p in self._projection(outline.longitude_deg, outline.latitude_deg))
        distance = np.hypot(x, y)
        bearing = np.unwrap(np.arctan2(x, y))
        distance = np.minimum(distance, self.reach_km)
        bearing, distance = self._along_circle(bearing, distance)
        rings = [np.stack([distance * np.sin(bearing), distance * np.cos(bearing)], axis=1)]
        if self._has_opposite(outline):
            turn = np.linspace(0, 2 * np.pi, 361)
            rings.append(np.stack([self.reach_km * np.sin(turn), self.reach_km * np.cos(turn)], axis=1))
        return rings

    def shore(self, outline: Outline) -> Array:
        """Return the outline as a line, ``(n, 2)``, broken where it leaves the window or follows a seam of the data."""
        x, y = self.xy(outline.latitude_deg, outline.longitude_deg)
        longitude, latitude = outline.longitude_deg, outline.latitude_deg
        on_seam = (np.abs(longitude) == 180) | ((longitude == 0) & (latitude < -60)) | (latitude <= -89)
        seam = on_seam & np.roll(on_seam, 1)
        return np.stack([np.where(seam, np.nan, x), np.where(seam, np.nan, y)], axis=1)

    def _along_circle(self, bearing: Array, distance: Array) -> tuple[Array, Array]:
        """Put points between neighbours far apart on the circle, so that no chord cuts through the window."""
        step = np.abs(np.diff(bearing))
        outside = (distance[1:] >= self.reach_km) & (distance[:-1] >= self.reach_km)
        more = np.where(outside, np.ceil(step / 0.05).astype(int), 1)
        more = np.maximum(more, 1)
        if more.max(initial=1) == 1:
            return bearing, distance
        at = np.concatenate([[0.0], np.cumsum(np.repeat(1 / more, more))])
        index = np.arange(bearing.size, dtype=float)
        return np.interp(at, index, bearing), np.interp(at, index, distance)

    def _has_opposite(self, outline: Outline) -> bool:
        from matplotlib.path import Path as Ring

        latitude, longitude = -self.latitude_deg, (self.longitude_deg + 360) % 360 - 180
        south, north = outline.latitude_deg.min(), outline.latitude_deg.max()
        west, east = outline.longitude_deg.min(), outline.longitude_deg.max()
        if not (south <= latitude <= north and west <= longitude <= east):
            return False
        ring = np.stack([outline.longitude_deg, outline.latitude_deg], axis=1)
        return bool(Ring(ring).contains_point((longitude, latitude)))
