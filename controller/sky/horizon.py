"""The horizon of a site: refraction, the dip, the terrain, and what they leave of the Sun's disk.

Refraction is worth half a degree at the horizon and moves no contact: Sun and Moon are lifted alike. Near
the horizon it changes with the weather by several arcminutes, and with it the minute at which the Sun is
clear of a hill; nothing here is exact below about one degree.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property

import numpy as np

from controller.errors import SkyError
from controller.sky.numeric import Array, Curves, nodes

_REFRACTION_FLOOR_DEG = -1.0
"""Below this true altitude the formula is not meant to be used: the refraction stays what it is there."""
_PATH_DEGREE = 16
_LOWEST_TERRAIN_DEG, _HIGHEST_TERRAIN_DEG = -10.0, 90.0


class HiddenBy(StrEnum):
    """What stands before the Sun's disk, or before a part of it."""

    NONE = "none"
    HORIZON = "horizon"
    TERRAIN = "terrain"


class Shown(StrEnum):
    """How much of the Sun's disk stands clear of the horizon or the terrain (the Moon left out)."""

    WHOLE = "whole"
    PART = "part"
    NOTHING = "nothing"


class Edge(StrEnum):
    """What happens where the Sun's disk meets the horizon or the terrain."""

    APPEARS = "the first of the disk appears"
    CLEARS = "the whole disk is clear"
    TOUCHES = "the lower edge sinks behind"
    VANISHES = "the last of the disk is gone"


def _require(condition: bool, what: str, mend: str) -> None:
    if not condition:
        raise SkyError(f"{what} Mend: {mend}")


@dataclass(frozen=True)
class Horizon:
    """What a site has around it, and the air that it looks through.

    Raises:
        SkyError: if a value is no number or cannot be meant, or two points have one azimuth.
    """

    terrain: tuple[tuple[float, float], ...] = ()
    """Points of the skyline: azimuth (degrees, north through east) and altitude as it is seen (degrees).
    Straight lines between neighbours, and from the last round to the first. Empty: a level horizon."""
    above_surroundings_m: float = 0.0
    """Height above the ground or the sea that a level horizon is made of, metres: it dips by that much
    more. Not the elevation of the site, and not used where there is terrain."""
    pressure_hpa: float | None = None
    """Air pressure at the site, not reduced to the sea; None: of the standard atmosphere."""
    temperature_c: float | None = None
    """Air temperature, degrees Celsius; None: of the standard atmosphere."""

    def __post_init__(self) -> None:
        for azimuth_deg, altitude_deg in self.terrain:
            _require(
                0 <= azimuth_deg <= 360,
                f"The azimuth {azimuth_deg} of the terrain is not between 0 and 360 degrees.",
                "give degrees from north through east.",
            )
            _require(
                _LOWEST_TERRAIN_DEG <= altitude_deg <= _HIGHEST_TERRAIN_DEG,
                f"The altitude {altitude_deg} of the terrain is not between {_LOWEST_TERRAIN_DEG:g} and "
                f"{_HIGHEST_TERRAIN_DEG:g} degrees.",
                "give degrees above the level.",
            )
        azimuths = [azimuth_deg % 360 for azimuth_deg, _ in self.terrain]
        _require(
            len(set(azimuths)) == len(azimuths),
            "Two points of the terrain have the same azimuth.",
            "keep one of them; for a cliff give two azimuths a little apart.",
        )
        _require(
            0 <= self.above_surroundings_m <= 9000,
            f"A height of {self.above_surroundings_m} m above the surroundings cannot be meant.",
            "give metres above the ground or sea that the horizon is made of.",
        )
        _require(
            self.pressure_hpa is None or 100 <= self.pressure_hpa <= 1100,
            f"An air pressure of {self.pressure_hpa} hPa cannot be meant.",
            "give the pressure at the site, such as 1010.",
        )
        _require(
            self.temperature_c is None or -90 <= self.temperature_c <= 60,
            f"An air temperature of {self.temperature_c} degrees Celsius cannot be meant.",
            "give one such as 10.",
        )

    @property
    def made_of(self) -> HiddenBy:
        """Return what hides the Sun when it is low."""
        return HiddenBy.TERRAIN if self.terrain else HiddenBy.HORIZON

    def altitude_deg(self, azimuth_deg: Array) -> Array:
        """Return how high the terrain or the dipped horizon is seen, degrees, in these directions."""
        if not self.terrain:
            return np.full_like(azimuth_deg, 0.0 - dip_deg(self.above_surroundings_m))
        azimuths_deg, altitudes_deg = self._sorted
        return np.interp(azimuth_deg, azimuths_deg, altitudes_deg, period=360)

    def gap_deg(self, azimuth_deg: float) -> float:
        """Return how far apart in azimuth the two points are between which the terrain is drawn there."""
        azimuths_deg, _ = self._sorted
        after = int(np.searchsorted(azimuths_deg, azimuth_deg % 360)) % len(azimuths_deg)
        return float((azimuths_deg[after] - azimuths_deg[after - 1]) % 360) or 360.0

    def apparent_deg(self, altitude_deg: Array, elevation_m: float) -> Array:
        """Return true altitudes with refraction, degrees, at a site's elevation."""
        pressure_hpa, temperature_c = standard_air(elevation_m)
        return altitude_deg + refraction_deg(
            altitude_deg,
            pressure_hpa if self.pressure_hpa is None else self.pressure_hpa,
            temperature_c if self.temperature_c is None else self.temperature_c,
        )

    @cached_property
    def _sorted(self) -> tuple[Array, Array]:
        points = sorted((azimuth_deg % 360, altitude_deg) for azimuth_deg, altitude_deg in self.terrain)
        azimuths_deg, altitudes_deg = np.array(points, dtype=float).T
        return azimuths_deg, altitudes_deg


def refraction_deg(altitude_deg: Array, pressure_hpa: float, temperature_c: float) -> Array:
    """Return by how much the air lifts what stands at a true altitude, degrees.

    ``1.02' cot(h + 10.3 / (h + 5.11))`` at 1010 hPa and 10 °C, in proportion to the density of the air
    (Saemundsson, Sky and Telescope 72, 70, 1986; Meeus, Astronomical Algorithms, chapter 16). Within 0.1
    arcminutes of Bennett's formula of 1982, its inverse, and 0.2 of ERFA's constants above 8 degrees. Below
    -1 degree it stays what it is there.
    """
    h = np.maximum(altitude_deg, _REFRACTION_FLOOR_DEG)
    arcmin = 1.02 / np.tan(np.radians(h + 10.3 / (h + 5.11)))
    lift: Array = np.maximum(arcmin, 0.0) / 60 * (pressure_hpa / 1010) * (283 / (273 + temperature_c))
    return lift


def standard_air(elevation_m: float) -> tuple[float, float]:
    """Return pressure, hPa, and temperature, °C, of the standard atmosphere (ISO 2533, up to 11 km)."""
    height_m = min(max(elevation_m, -500.0), 11_000.0)
    return 1013.25 * (1 - 0.0065 * height_m / 288.15) ** 5.25588, 15 - 0.0065 * height_m


def dip_deg(height_m: float) -> float:
    """Return how far the visible horizon lies below the level, degrees, from a height above it.

    1.76 arcminutes for the square root of a metre, usual bending of the sight included (The Nautical
    Almanac, explanation of the dip table).
    """
    return 1.76 * math.sqrt(height_m) / 60


def clearances_deg(
    horizon: Horizon, elevation_m: float, altitude_deg: Array, azimuth_deg: Array, radius_deg: float
) -> Array:
    """Return the clearances of the Sun's upper and lower edge, degrees, in two rows.

    Args:
        horizon: what is around.
        elevation_m: of the site, for the air.
        altitude_deg: true altitudes of the Sun's centre.
        azimuth_deg: azimuths of it; the skyline is taken as level across the disk.
        radius_deg: the Sun's apparent radius.
    """
    skyline_deg = horizon.altitude_deg(azimuth_deg)
    edges = (horizon.apparent_deg(altitude_deg + side * radius_deg, elevation_m) for side in (1, -1))
    return np.stack([edge - skyline_deg for edge in edges])


def shown_of(upper_deg: float, lower_deg: float) -> Shown:
    """Return how much of the disk is clear, from the clearances of its two edges."""
    if upper_deg <= 0:
        return Shown.NOTHING
    return Shown.WHOLE if lower_deg >= 0 else Shown.PART


@dataclass(frozen=True)
class SunPath:
    """The Sun's way over a site's sky for a few hours, smooth enough to be asked every second."""

    _fits: Curves

    @staticmethod
    def sample_s(start_s: float, end_s: float) -> Array:
        """Return the instants at which the path wants to be known: seventeen, for a quarter of a day at most."""
        return nodes((start_s + end_s) / 2, (end_s - start_s) / 2, _PATH_DEGREE + 1)

    @classmethod
    def through(cls, tt_s: Array, altitude_deg: Array, azimuth_deg: Array) -> SunPath:
        """Return the path through these places of the Sun; `tt_s` as `sample_s` gives them.

        The direction is fitted, not the angles: they turn sharply near the zenith, and it does not. Over
        six hours it is off by less than a millionth of an arcsecond.
        """
        altitude, azimuth = np.radians(altitude_deg), np.radians(azimuth_deg)
        direction = (np.cos(altitude) * np.cos(azimuth), np.cos(altitude) * np.sin(azimuth), np.sin(altitude))
        return cls(Curves.fit(tt_s, direction, _PATH_DEGREE, (float(tt_s[0]), float(tt_s[-1]))))

    def at(self, tt_s: Array) -> tuple[Array, Array]:
        """Return altitude (without refraction) and azimuth, degrees, at these instants."""
        north, east, up = self._fits.at(tt_s)
        return np.degrees(np.arcsin(np.clip(up, -1, 1))), np.degrees(np.arctan2(east, north)) % 360


def edges(tt_s: Array, clearance_deg: Array) -> list[tuple[float, Edge]]:
    """Return when the Sun's edges cross the skyline, in order of time.

    Args:
        tt_s: ascending instants, dense: a crossing and its undoing between two of them are not seen.
        clearance_deg: what `clearances_deg` returns for them.
    """
    found: list[tuple[float, Edge]] = []
    ups_and_downs = ((Edge.APPEARS, Edge.VANISHES), (Edge.CLEARS, Edge.TOUCHES))
    for row, (up, down) in zip(clearance_deg, ups_and_downs, strict=True):
        for i in np.flatnonzero(np.diff(np.sign(row) >= 0)):
            part = row[i] / (row[i] - row[i + 1])
            found.append(
                (float(tt_s[i] + part * (tt_s[i + 1] - tt_s[i])), up if row[i] < row[i + 1] else down)
            )
    return sorted(found)
