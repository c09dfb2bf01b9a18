"""Many places compared: how long the central phase lasts, how high the Sun stands, how likely it is clear.

Distances are over the ellipsoid, as the crow flies: roads are longer, commonly by a fifth to a half.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from controller.errors import SkyError
from controller.sky.batch import circumstances_at_many
from controller.sky.model import Constants, Kind
from controller.sky.numeric import Array
from controller.units import UtcNs, utc_iso

MOST_PLACES = 250_000
"""More than this would take more than some ten seconds and tell no more."""


@dataclass(frozen=True)
class Place:
    """A place to compare."""

    name: str
    latitude_deg: float
    longitude_deg: float
    elevation_m: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Prospect:
    """What one place promises."""

    place: Place
    kind: Kind
    duration_s: float
    """Of the central phase that is seen there; 0 where none is."""
    mid_utc_ns: UtcNs
    sun_altitude_deg: float
    """At mid, without refraction."""
    sun_azimuth_deg: float
    obscuration: float
    clear_sky: float | None
    """Chance of a clear sky, 1 less the cloud fraction; None where no cloud is known."""
    expected_s: float
    """Seconds of the central phase times the chance of a clear sky, where that is known."""
    distance_km: float | None
    """From the place asked for, as the crow flies."""
    bearing_deg: float | None

    def to_json_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""

        def rounded(value: float | None, digits: int) -> float | None:
            return None if value is None else round(value, digits)

        return {
            "name": self.place.name,
            "latitude_deg": round(self.place.latitude_deg, 6),
            "longitude_deg": round(self.place.longitude_deg, 6),
            "elevation_m": self.place.elevation_m,
            "kind": self.kind.value,
            "duration_s": round(self.duration_s, 2),
            "mid_utc": utc_iso(self.mid_utc_ns),
            "sun_altitude_deg": round(self.sun_altitude_deg, 3),
            "sun_azimuth_deg": round(self.sun_azimuth_deg, 3),
            "obscuration": round(self.obscuration, 5),
            "clear_sky": rounded(self.clear_sky, 4),
            "expected_s": round(self.expected_s, 2),
            "distance_km": rounded(self.distance_km, 2),
            "bearing_deg": rounded(self.bearing_deg, 1),
        }


@dataclass(frozen=True, kw_only=True)
class Scan:
    """All places compared, best first."""

    eclipse_date: dt.date
    prospects: tuple[Prospect, ...]
    """Those that see something of the eclipse."""
    blind: int
    """How many places see nothing."""
    score: str
    """What the order means, in one sentence."""


def grid_around(latitude_deg: float, longitude_deg: float, radius_km: float, step_km: float) -> list[Place]:
    """Return a square grid of places within a radius, the middle one first, steps due north and east of it.

    Raises:
        SkyError: if radius or step cannot be meant, or there would be more than `MOST_PLACES`.
    """
    from pyproj import Geod

    if not (radius_km > 0 and step_km > 0):
        raise SkyError(
            f"A radius of {radius_km:g} km in steps of {step_km:g} km is no grid. Mend: give both in km."
        )
    if radius_km > 5000:
        raise SkyError(f"A radius of {radius_km:g} km is too wide for a grid. Mend: give 5000 km at most.")
    if np.pi * (radius_km / step_km) ** 2 > MOST_PLACES:
        finest_km = radius_km * float(np.sqrt(np.pi / MOST_PLACES))
        raise SkyError(
            f"Steps of {step_km:g} km make more than {MOST_PLACES} places. Mend: give --step {finest_km:.2g} or more."
        )
    count = int(radius_km // step_km)
    axis = np.arange(-count, count + 1) * step_km
    east, north = (part.ravel() for part in np.meshgrid(axis, axis))
    distance_km = np.hypot(east, north)
    order = np.argsort(distance_km, kind="stable")
    order = order[distance_km[order] <= radius_km * (1 + 1e-12)]
    bearing_deg = np.degrees(np.arctan2(east, north))[order]
    here = np.full(order.size, longitude_deg), np.full(order.size, latitude_deg)
    longitude, latitude, _ = Geod(ellps="WGS84").fwd(*here, bearing_deg, distance_km[order] * 1000)
    return [
        Place(f"{north[i]:+.0f} km N {east[i]:+.0f} km E", float(lat), float(lon))
        for i, lat, lon in zip(order, latitude, longitude, strict=True)
    ]


def scan(
    places: Sequence[Place],
    date: dt.date,
    *,
    near: tuple[float, float] | None = None,
    radius_km: float | None = None,
    clear_sky: Array | None = None,
    constants: Constants | None = None,
    ephemeris: str | Path | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Scan:
    """Return the places in order of what they promise.

    First come those with a central phase, by the seconds of it that are to be expected under a clear sky;
    then the rest, by the covered part of the Sun times the chance of a clear sky. Places whose cloud is
    not known are taken as never clear once clouds are given, so that they cannot win by ignorance.

    Args:
        places: what to compare.
        date: the eclipse's date.
        near: latitude and longitude from which distances count.
        radius_km: places farther than this from `near` are left out.
        clear_sky: chance of a clear sky by place, 0 to 1, not a number where unknown; None without clouds.
        constants: radii and Delta-T; the defaults of `Constants` when None.
        ephemeris: path of an SPK file; DE421 when None.
        progress: called with the number of places done and of all.

    Raises:
        SkyError: if there is no eclipse on that date, a place is none, or there are too many.
    """
    if len(places) > MOST_PLACES:
        raise SkyError(f"{len(places)} places are more than {MOST_PLACES}. Mend: give fewer.")
    latitude, longitude, elevation = (
        np.array([getattr(place, name) for place in places], dtype=float)
        for name in ("latitude_deg", "longitude_deg", "elevation_m")
    )
    seen = circumstances_at_many(
        latitude, longitude, elevation, date, constants=constants, ephemeris=ephemeris, progress=progress
    )
    distance_km, bearing_deg = _ways(near, latitude, longitude)
    clear = np.ones(len(places)) if clear_sky is None else np.nan_to_num(clear_sky, nan=0.0)
    expected_s = seen.seen_duration_s * clear
    kept = seen.kind_code > 0
    if near is not None and radius_km is not None:
        kept &= distance_km <= radius_km * (1 + 1e-9)
    order = np.lexsort((distance_km, -seen.obscuration * clear, -expected_s))
    kinds, durations_s = seen.kinds, seen.seen_duration_s
    prospects = [
        Prospect(
            place=places[i],
            kind=kinds[i],
            duration_s=float(durations_s[i]),
            mid_utc_ns=UtcNs(int(seen.mid_utc_ns[i])),
            sun_altitude_deg=float(seen.sun_altitude_deg[i]),
            sun_azimuth_deg=float(seen.sun_azimuth_deg[i]),
            obscuration=float(seen.obscuration[i]),
            clear_sky=None if clear_sky is None or np.isnan(clear_sky[i]) else float(clear_sky[i]),
            expected_s=float(expected_s[i]),
            distance_km=None if near is None else float(distance_km[i]),
            bearing_deg=None if near is None else float(bearing_deg[i]),
        )
        for i in order[kept[order]].tolist()
    ]
    weighed = "" if clear_sky is None else "; each times the chance of a clear sky (1 - cloud fraction)"
    return Scan(
        eclipse_date=seen.eclipse_date,
        prospects=tuple(prospects),
        blind=int((seen.kind_code == 0).sum()),
        score=f"Best first: seconds of the central phase; where there is none, the covered part of the Sun{weighed}.",
    )


def _ways(near: tuple[float, float] | None, latitude: Array, longitude: Array) -> tuple[Array, Array]:
    """Return distances (km) and bearings (degrees) from a place; zeros without one."""
    from pyproj import Geod

    if near is None or not latitude.size:
        return np.zeros(latitude.size), np.zeros(latitude.size)
    bearing, _, distance_m = Geod(ellps="WGS84").inv(
        np.full(latitude.size, near[1]), np.full(latitude.size, near[0]), longitude, latitude
    )
    return np.asarray(distance_m) / 1000, np.asarray(bearing) % 360
