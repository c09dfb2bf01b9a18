"""The part of the Moon's surface that can come near the limb, ready for quick look-up, and its cache.

The limb runs 90 degrees from the middle of the near side; libration moves it by 9 degrees at most, and
a mountain shows over it from 9 degrees behind at most (21 km of height would be needed). Tiles of the
grid within that band are kept in steps of half a metre; of the rest only that it cannot matter.
"""

from __future__ import annotations

import json
import os
import zipfile
from dataclasses import asdict, dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from controller.errors import SkyError
from controller.sky.limb.grids import Grid, Progress, open_grid, sha256_of
from controller.sky.limb.model import TerrainInfo
from controller.sky.numeric import Array

REACH_DEG = 9.0
"""How far from the mean limb terrain is looked for."""
_LIBRATION_DEG = 9.0
_TILE_DEG = 4
_STEP_M = 0.5
_FORMAT = 1
CACHE_NAME = "moon-limb.npz"


@dataclass(frozen=True, eq=False)
class Terrain:
    """Heights near the limb, in tiles."""

    info: TerrainInfo
    tiles: NDArray[np.int16]
    """Tile number, line, sample; half metres above the sphere of 1737.4 km."""
    places: NDArray[np.int32]
    """Number of the tile at a row and column of tiles; -1 where none is kept."""
    block_tops: NDArray[np.int16]
    """The highest of each square degree, by rows from the north pole and columns from the left edge."""

    def heights_m(self, latitude_deg: Array, longitude_deg: Array) -> Array:
        """Return heights above the sphere, bilinear between the pixel centres.

        Raises:
            SkyError: if a place is not near the limb of any libration.
        """
        per_degree = self.info.pixels_per_degree
        lines = round(180 * per_degree)
        row: Array = np.clip((90 - latitude_deg) * per_degree - 0.5, 0, lines - 1)
        column: Array = ((longitude_deg - self.info.west_deg) * per_degree - 0.5) % (2 * lines)
        top = np.minimum(row.astype(np.int64), lines - 2)
        left = column.astype(np.int64)
        down, across = row - top, column - left
        left %= 2 * lines
        right = (left + 1) % (2 * lines)
        upper = self._at(top, left) * (1 - across) + self._at(top, right) * across
        lower = self._at(top + 1, left) * (1 - across) + self._at(top + 1, right) * across
        heights: Array = (upper * (1 - down) + lower * down) * _STEP_M
        return heights

    def tops_m(self, latitude_deg: Array, longitude_deg: Array) -> Array:
        """Return a height that nothing within a degree of each place exceeds."""
        row = np.clip((90 - latitude_deg).astype(np.int64), 0, 179)
        column = ((longitude_deg - self.info.west_deg) % 360).astype(np.int64) % 360
        tops: Array = self._wide_tops[row, column].astype(np.float64) * _STEP_M
        return tops

    def _at(self, row: NDArray[np.int64], column: NDArray[np.int64]) -> NDArray[np.int16]:
        size = self.tiles.shape[1]
        tile_row, inner_row = np.divmod(row, size)
        tile_column, inner_column = np.divmod(column, size)
        number = self.places[tile_row, tile_column]
        if number.size and number.min() < 0:
            raise SkyError(
                "The limb is where the terrain's tiles do not reach: more libration than there is. "
                "Mend: check the date and the place."
            )
        return self.tiles[number, inner_row, inner_column]

    @cached_property
    def _wide_tops(self) -> NDArray[np.int16]:
        """Return the highest of each square degree and of all that is within a degree and a pixel of it."""
        reach_deg = 1.0 + 1.0 / self.info.pixels_per_degree
        widened = np.empty_like(self.block_tops)
        for row, tops in enumerate(self.block_tops):
            farthest = min(max(abs(90 - row), abs(89 - row)) + reach_deg, 90.0)
            wide = np.sin(np.radians(reach_deg)) / max(np.cos(np.radians(farthest)), 1e-9)
            half = 180 if wide >= 1 else min(180, int(np.ceil(np.degrees(np.arcsin(wide)))) + 1)
            around = np.concatenate([tops[-half:], tops, tops[:half]])
            widened[row] = sliding_window_view(around, 2 * half + 1).max(axis=1)
        padded = np.pad(widened, ((2, 2), (0, 0)), mode="edge")
        highest: NDArray[np.int16] = sliding_window_view(padded, 5, axis=0).max(axis=-1)
        return highest


def from_grid(grid: Grid, sha256: str = "", progress: Progress | None = None) -> Terrain:
    """Cut the tiles near the limb out of a grid, looking at every height once.

    Raises:
        SkyError: if the grid holds what cannot be the Moon.
    """
    per_degree = round(grid.pixels_per_degree)
    size = _TILE_DEG * per_degree
    lines, samples = grid.raw.shape
    wanted = _near_limb(grid.west_deg)
    places = np.full(wanted.shape, -1, dtype=np.int32)
    places[wanted] = np.arange(np.count_nonzero(wanted))
    tiles = np.empty((np.count_nonzero(wanted), size, size), dtype=np.int16)
    block_tops = np.empty((180, 360), dtype=np.int16)
    low, high = np.inf, -np.inf
    for row in range(lines // size):
        heights = grid.lines_m(row * size, (row + 1) * size)
        low, high = min(low, float(heights.min())), max(high, float(heights.max()))
        steps = np.rint(heights / _STEP_M).astype(np.int16)
        block_tops[row * _TILE_DEG : (row + 1) * _TILE_DEG] = steps.reshape(
            _TILE_DEG, per_degree, 360, per_degree
        ).max(axis=(1, 3))
        cut = steps.reshape(size, samples // size, size).transpose(1, 0, 2)
        tiles[places[row][wanted[row]]] = cut[wanted[row]]
        if progress is not None:
            progress("reading heights", (row + 1) * size / lines)
    info = TerrainInfo(
        name=grid.path.name,
        what=grid.what,
        sha256=sha256,
        pixels_per_degree=float(per_degree),
        west_deg=grid.west_deg,
        lowest_m=low,
        highest_m=high,
    )
    return Terrain(info, tiles, places, block_tops)


def _near_limb(west_deg: float) -> NDArray[np.bool_]:
    """Tell which tiles hold terrain that can come near the limb."""
    latitude = np.radians(90 - _TILE_DEG * (np.arange(180 // _TILE_DEG) + 0.5))[:, None]
    longitude = np.radians(west_deg + _TILE_DEG * (np.arange(360 // _TILE_DEG) + 0.5))
    from_limb_deg = np.degrees(np.arcsin(np.cos(latitude) * np.cos(longitude)))
    # Half the diagonal of a tile, the quarter degree by which the limb falls short of 90, and a pixel.
    spare_deg = _TILE_DEG / 2**0.5 + 0.3 + 0.5
    near: NDArray[np.bool_] = np.abs(from_limb_deg) <= _LIBRATION_DEG + REACH_DEG + spare_deg
    return near


def read_terrain(path: Path, progress: Progress | None = None) -> Terrain:
    """Read a published grid, or a cache that `save_cache` wrote.

    Raises:
        SkyError: if the file cannot be used; the line says why and how to mend it.
    """
    path = path.expanduser()
    if path.suffix == ".npz":
        return load_cache(path)
    grid = open_grid(path)
    terrain = from_grid(grid, sha256_of(grid.path, progress), progress)
    grid.check_relief(terrain.info.lowest_m, terrain.info.highest_m)
    return terrain


# --- the cache ----------------------------------------------------------------------------------


def cache_folder() -> Path:
    """Return where the limb is kept unless the user says otherwise (XDG Base Directory rule)."""
    base = os.environ.get("XDG_CACHE_HOME") or (os.environ.get("LOCALAPPDATA") if os.name == "nt" else "")
    return (Path(base) if base else Path.home() / ".cache") / "holdfire"


def save_cache(terrain: Terrain, folder: Path) -> Path:
    """Write the limb to `folder` and return the file; an older one is replaced whole or not at all.

    Raises:
        SkyError: if the folder cannot be written to.
    """
    path = folder / CACHE_NAME
    try:
        folder.mkdir(parents=True, exist_ok=True)
        unfinished = path.with_name(f".{CACHE_NAME}.{os.getpid()}.part")
        with unfinished.open("wb") as file:
            np.savez_compressed(
                file,
                facts=np.frombuffer(
                    json.dumps({"format": _FORMAT, **asdict(terrain.info)}).encode(), np.uint8
                ),
                tiles=terrain.tiles,
                places=terrain.places,
                block_tops=terrain.block_tops,
            )
        unfinished.replace(path)
    except OSError as problem:
        raise SkyError(
            f"The limb cannot be kept in {folder} ({problem.strerror}). Mend: give another folder with --cache."
        ) from problem
    return path


def load_cache(path: Path) -> Terrain:
    """Read what `save_cache` wrote.

    Raises:
        SkyError: if the file is missing, damaged or of another version.
    """
    mend = "Mend: make it again from the published grid with holdfire moon FILE."
    try:
        with path.open("rb") as file, np.load(file, allow_pickle=False) as data:
            facts = json.loads(data["facts"].tobytes())
            version = facts.pop("format")
            if version != _FORMAT:
                raise SkyError(f"The limb file {path} is of another version ({version}). {mend}")
            return Terrain(TerrainInfo(**facts), data["tiles"], data["places"], data["block_tops"])
    except FileNotFoundError:
        raise SkyError(f"The limb file {path} cannot be found. {mend}") from None
    except (OSError, ValueError, KeyError, TypeError, EOFError, zipfile.BadZipFile) as problem:
        raise SkyError(f"The limb file {path} cannot be read ({type(problem).__name__}). {mend}") from problem


def default_terrain() -> Terrain | None:
    """Return the limb named by the variable HOLDFIRE_MOON, or else the kept one, or None.

    ``HOLDFIRE_MOON=none`` asks for the mean limb.

    Raises:
        SkyError: if the file that is named, or kept, cannot be used.
    """
    named = os.environ.get("HOLDFIRE_MOON", "")
    if named.lower() == "none":
        return None
    if named:
        return read_terrain(Path(named))
    kept = cache_folder() / CACHE_NAME
    return load_cache(kept) if kept.is_file() else None
