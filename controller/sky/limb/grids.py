"""Published grids of lunar heights: PDS3 images with their label, and GeoTIFF. Checked before use.

A grid here covers the whole Moon in simple cylindrical projection: one line a parallel from north to
south, pixel centres half a pixel inside the edges, longitudes eastwards.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from controller.errors import SkyError

REFERENCE_RADIUS_KM = 1737.4
"""The sphere that heights are counted from (IAU mean lunar radius, and the reference of the grids)."""
FINEST_PIXELS_PER_DEGREE = 64
"""Finer grids are refused: at 0.5 km the Sun's own radius is the larger doubt by far."""
COARSEST_PIXELS_PER_DEGREE = 2
HIGHEST_M = 16_000.0
"""No true height of the Moon is as far as this from the sphere: they run from -9.2 to +10.8 km."""
_LEAST_RELIEF_M = 1_000.0
"""Between the lowest and the highest place of any grid that is not in the wrong unit."""
_TYPES = {
    ("LSB_INTEGER", 16): "<i2",
    ("MSB_INTEGER", 16): ">i2",
    ("PC_REAL", 32): "<f4",
    ("IEEE_REAL", 32): ">f4",
}
_METRES = {
    "METER": 1.0,
    "METERS": 1.0,
    "METRE": 1.0,
    "M": 1.0,
    "KILOMETER": 1000.0,
    "KILOMETERS": 1000.0,
    "KM": 1000.0,
}
_TAKE = "take a global grid with its label, such as LDEM_16.IMG with LDEM_16.LBL"

Progress = Callable[[str, float], None]
"""Told what is being done and how much of it is done, 0 to 1."""


@dataclass(frozen=True)
class Grid:
    """An opened file: raw numbers, and how they become metres above the sphere of 1737.4 km."""

    path: Path
    """The file with the numbers."""
    raw: NDArray[Any]
    """Lines by samples, a memory map for a PDS image."""
    metres_per_step: float
    zero_m: float
    west_deg: float
    """Longitude of the left edge, east positive."""
    stated_range: tuple[float, float] | None
    """Lowest and highest raw number by the label, when it says so."""
    what: str
    """What kind of file it is, for people."""

    @property
    def pixels_per_degree(self) -> float:
        """Return the resolution."""
        return float(self.raw.shape[1] / 360)

    def lines_m(self, first: int, last: int) -> NDArray[np.float64]:
        """Return the heights of the lines from `first` up to `last`, metres, and look at their range.

        Raises:
            SkyError: if a number is no height of the Moon.
        """
        raw = np.asarray(self.raw[first:last], dtype=np.float64)
        low, high = float(raw.min()), float(raw.max())
        heights: NDArray[np.float64] = raw * self.metres_per_step + self.zero_m
        # A comparison with nan is false, so that nan is refused too.
        if not (np.abs(heights) <= HIGHEST_M).all():
            worst = self.metres_per_step * (low if abs(low) > abs(high) else high) + self.zero_m
            raise SkyError(
                f"{self.path} has a height of {worst:.0f} m in lines {first + 1} to {last}, which the Moon has not. "
                f"Mend: download the file again; {_TAKE}."
            )
        if self.stated_range is not None and (low < self.stated_range[0] or high > self.stated_range[1]):
            raise SkyError(
                f"{self.path} runs from {low:g} to {high:g} in lines {first + 1} to {last}, outside the "
                f"{self.stated_range[0]:g} to {self.stated_range[1]:g} of its label: it is damaged, or belongs to "
                "another label. "
                "Mend: download both again."
            )
        return heights

    def check_relief(self, low_m: float, high_m: float) -> None:
        """Refuse a grid whose whole range is no relief of a Moon.

        Raises:
            SkyError: if the range is too small, or not the label's.
        """
        if high_m - low_m < _LEAST_RELIEF_M:
            raise SkyError(
                f"{self.path} has heights from {low_m:.1f} to {high_m:.1f} m only: no relief, or the wrong unit. "
                f"Mend: {_TAKE}."
            )
        if self.stated_range is not None:
            stated = [step * self.metres_per_step + self.zero_m for step in self.stated_range]
            # Labels of grids in kilometres round to the metre.
            if abs(stated[0] - low_m) > 2 or abs(stated[1] - high_m) > 2:
                raise SkyError(
                    f"{self.path} runs from {low_m:.1f} to {high_m:.1f} m and not, as its label says, from "
                    f"{stated[0]:.1f} to {stated[1]:.1f} m: it is damaged, or belongs to another label. "
                    "Mend: download both again."
                )


def open_grid(path: Path) -> Grid:
    """Open a PDS3 image by its label or by the image itself, or a GeoTIFF.

    Raises:
        SkyError: if the file is missing, cut short, or not a global grid of the Moon.
    """
    if not path.is_file():
        raise SkyError(f"The terrain file {path} cannot be found. Mend: give the path of a grid; {_TAKE}.")
    try:
        with path.open("rb") as file:
            start = file.read(400)
    except OSError as problem:
        raise SkyError(
            f"The terrain file {path} cannot be opened ({problem.strerror}). Mend: check its permissions."
        ) from problem
    if start[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        grid = _open_tiff(path)
    elif b"PDS_VERSION_ID" in start:
        grid = _open_pds(path)
    else:
        grid = _open_pds(_label_beside(path))
    _check_shape(grid)
    return grid


def sha256_of(path: Path, progress: Progress | None = None) -> str:
    """Return the SHA-256 of a file, hexadecimal."""
    digest, done, size = hashlib.sha256(), 0, max(path.stat().st_size, 1)
    with path.open("rb") as file:
        while block := file.read(1 << 22):
            digest.update(block)
            done += len(block)
            if progress is not None:
                progress("checksum", done / size)
    return digest.hexdigest()


def _check_shape(grid: Grid) -> None:
    lines, samples = grid.raw.shape
    if samples != 2 * lines or samples % 360 != 0:
        raise SkyError(
            f"{grid.path} has {lines} lines of {samples} samples: no whole Moon at a whole number of pixels a degree. "
            f"Mend: {_TAKE}."
        )
    if not COARSEST_PIXELS_PER_DEGREE <= grid.pixels_per_degree <= FINEST_PIXELS_PER_DEGREE:
        raise SkyError(
            f"{grid.path} has {grid.pixels_per_degree:g} pixels a degree; from {COARSEST_PIXELS_PER_DEGREE} to "
            f"{FINEST_PIXELS_PER_DEGREE} are of use. Mend: take the grid of 16 or 64 pixels a degree."
        )


# --- PDS3 ---------------------------------------------------------------------------------------


def read_label(text: str) -> dict[str, str]:
    """Return the keys and values of a PDS3 label, units taken off; of a repeated key, the last one.

    Only what labels of images need of the Object Description Language (PDS Standards Reference 3.8,
    chapter 12): quoted text over several lines, comments, and units in angle brackets.
    """
    bare = re.sub(r"/\*.*?\*/", " ", text, flags=re.DOTALL)
    pairs = re.findall(
        r"^[ \t]*(\^?[A-Z][A-Z0-9_:]*)[ \t]*=\s*(\"[^\"]*\"|[^\r\n]*)", bare, flags=re.MULTILINE
    )
    return {key: re.sub(r"<[^>]*>", "", value).strip().strip("\"'").strip() for key, value in pairs}


def _label_beside(path: Path) -> Path:
    for suffix in (".LBL", ".lbl", ".Lbl"):
        if path.with_suffix(suffix).is_file() and path.suffix.lower() != ".lbl":
            return path.with_suffix(suffix)
    raise SkyError(
        f"{path} is neither a PDS label nor a GeoTIFF, and has no label {path.with_suffix('.LBL').name} beside it. "
        f"Mend: {_TAKE}."
    )


def _open_pds(label_path: Path) -> Grid:
    label = read_label(label_path.read_text("latin-1"))

    def refuse(what: str) -> SkyError:
        return SkyError(f"The label {label_path} {what}. Mend: {_TAKE}.")

    def number(key: str) -> float:
        if key not in label:
            raise refuse(f"does not say {key}")
        try:
            return float(label[key])
        except ValueError:
            raise refuse(f'says {key} = "{label[key]}", which is no number') from None

    for key, wanted in (
        ("TARGET_NAME", "MOON"),
        ("MAP_PROJECTION_TYPE", "SIMPLE CYLINDRICAL"),
        ("POSITIVE_LONGITUDE_DIRECTION", "EAST"),
    ):
        if label.get(key, "").upper() != wanted:
            raise refuse(f'says {key} = "{label.get(key, "")}" and not {wanted}')
    frame = label.get("COORDINATE_SYSTEM_NAME", "MEAN EARTH/POLAR AXIS")
    if not frame.upper().startswith("MEAN EARTH"):
        raise refuse(f'says COORDINATE_SYSTEM_NAME = "{frame}" and not MEAN EARTH/POLAR AXIS')
    if (number("MAXIMUM_LATITUDE"), number("MINIMUM_LATITUDE")) != (90, -90) or (
        number("EASTERNMOST_LONGITUDE") - number("WESTERNMOST_LONGITUDE") != 360
    ):
        raise refuse("belongs to a part of the Moon only")
    kind = (label.get("SAMPLE_TYPE", "").upper(), int(number("SAMPLE_BITS")))
    if kind not in _TYPES:
        raise refuse(
            f"says samples of type {kind[0] or 'unknown'} with {kind[1]} bits, which are not read here"
        )
    unit = label.get("UNIT", "").upper()
    if unit not in _METRES:
        raise refuse(f'says UNIT = "{unit}", which is neither METER nor KILOMETER')
    lines, samples = int(number("LINES")), int(number("LINE_SAMPLES"))
    if lines * number("MAP_RESOLUTION") < 1 or abs(samples - 360 * number("MAP_RESOLUTION")) > 0.5:
        raise refuse(
            f"says {samples} samples a line and {number('MAP_RESOLUTION'):g} pixels a degree, "
            "which do not belong together"
        )
    image_path = _image_of(label, label_path)
    dtype = np.dtype(_TYPES[kind])
    expected, actual = lines * samples * dtype.itemsize, image_path.stat().st_size
    if actual != expected:
        raise SkyError(
            f"{image_path} has {actual} bytes and its label asks for {expected}: it is "
            f"{'cut short' if actual < expected else 'another file'}. Mend: download it again."
        )
    metres = _METRES[unit]
    stated = (number("MINIMUM"), number("MAXIMUM")) if {"MINIMUM", "MAXIMUM"} <= label.keys() else None
    return Grid(
        path=image_path,
        raw=np.memmap(image_path, dtype=dtype, mode="r", shape=(lines, samples)),
        metres_per_step=number("SCALING_FACTOR") * metres,
        zero_m=number("OFFSET") * metres - REFERENCE_RADIUS_KM * 1000,
        west_deg=number("WESTERNMOST_LONGITUDE"),
        stated_range=stated,
        what=f"PDS3 image, {label.get('PRODUCT_ID', image_path.stem)}",
    )


def _image_of(label: dict[str, str], label_path: Path) -> Path:
    pointer = re.match(r"\(?\s*\"?([^\",()]+)", label.get("^IMAGE", ""))
    if pointer is None:
        raise SkyError(f"The label {label_path} names no image (^IMAGE). Mend: {_TAKE}.")
    name = pointer.group(1).strip()
    for candidate in (name, name.lower(), name.upper()):
        path = label_path.with_name(Path(candidate).name)
        if path.is_file():
            return path
    raise SkyError(f"The image {name} is not beside its label {label_path}. Mend: put both into one folder.")


# --- GeoTIFF ------------------------------------------------------------------------------------


def _open_tiff(path: Path) -> Grid:
    import warnings

    import rasterio
    from rasterio.errors import NotGeoreferencedWarning, RasterioError

    def refuse(what: str) -> SkyError:
        return SkyError(f"{path} {what}. Mend: {_TAKE}, or a global GeoTIFF in degrees or metres.")

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", NotGeoreferencedWarning)
            with rasterio.open(path) as data:
                if data.count != 1:
                    raise refuse(f"has {data.count} layers and not one of heights")
                if data.transform.is_identity:
                    raise refuse("does not say where its longitudes begin (it has no georeference)")
                if data.width > 360 * FINEST_PIXELS_PER_DEGREE:
                    raise refuse(
                        f"has {data.width / 360:g} pixels a degree, more than {FINEST_PIXELS_PER_DEGREE}"
                    )
                raw = data.read(1)
                transform, scale, offset = data.transform, data.scales[0], data.offsets[0]
                unit = (data.units[0] or "").upper()
                geographic = data.crs is None or data.crs.is_geographic
    except RasterioError as problem:
        raise refuse(f"cannot be read as GeoTIFF ({' '.join(str(problem).split())[:120]})") from problem
    # In metres, an equirectangular map has this many a degree at the radius of the Moon.
    per_degree = 1.0 if geographic else np.pi / 180 * REFERENCE_RADIUS_KM * 1000
    west, north = transform.c / per_degree, transform.f / per_degree
    covers = (transform.a / per_degree * raw.shape[1], transform.e / per_degree * raw.shape[0])
    if transform.b or transform.d or not np.allclose((north, *covers), (90, 360, -180), atol=0.01):
        raise refuse("does not cover the whole Moon, north up")
    extreme = float(np.nanmax(np.abs(raw * scale + offset)))
    metres = _METRES.get(unit)
    if metres is None:
        # Without a unit the range tells: the farthest height is 10.8 km.
        metres = 1000.0 if extreme < 100 else 1.0
    return Grid(
        path=path,
        raw=raw,
        metres_per_step=scale * metres,
        zero_m=offset * metres,
        west_deg=round(west, 6),
        stated_range=None,
        what=f"GeoTIFF, heights in {'kilometres' if metres == 1000 else 'metres'}"
        f"{'' if unit in _METRES else ' (by their range)'}",
    )
