"""Cloud-fraction grids that the user gives: NetCDF with latitudes and longitudes, or GeoTIFF."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from controller.errors import UsageError

if TYPE_CHECKING:
    from netCDF4 import Dataset, Variable

Array = NDArray[np.float64]
_MEND = "Mend: give a NetCDF file with latitudes and longitudes, or a GeoTIFF, of cloud fraction."
_LATITUDES, _LONGITUDES = ("latitude", "lat", "y"), ("longitude", "lon", "x")


@dataclass(frozen=True)
class CloudGrid:
    """Cloud fraction on a grid of latitudes and longitudes (or of the raster's own coordinates)."""

    source: str
    """File and variable."""
    note: str
    """How the numbers were read."""
    rows: Array
    """Ascending coordinate of the rows: latitude, or the raster's y."""
    columns: Array
    """Ascending coordinate of the columns: longitude, or the raster's x."""
    fraction: Array
    """0 to 1, not a number where nothing is known; ``(rows, columns)``."""
    crs: str | None
    """The raster's coordinate system; None for latitudes and longitudes."""

    @property
    def extent(self) -> str:
        """Return what it covers, in words."""
        if self.crs is not None:
            return f"it covers x {self.columns[0]:g} to {self.columns[-1]:g}, y {self.rows[0]:g} to {self.rows[-1]:g}"
        return (
            f"it covers latitudes {self.rows[0]:g} to {self.rows[-1]:g}, "
            f"longitudes {self.columns[0]:g} to {self.columns[-1]:g}"
        )

    def at(self, latitude_deg: Array, longitude_deg: Array) -> Array:
        """Return the cloud fraction at places, bilinear between the four around; not a number beside the grid.

        Where one of the four is unknown, the nearest one decides.
        """
        y, x = np.asarray(latitude_deg, float), np.asarray(longitude_deg, float)
        around = False
        if self.crs is not None:
            from pyproj import Transformer

            x, y = Transformer.from_crs("EPSG:4326", self.crs, always_xy=True).transform(x, y)
        else:
            x = self.columns[0] + (x - self.columns[0]) % 360
            step = self.columns[1] - self.columns[0]
            around = abs(self.columns[-1] + step - self.columns[0] - 360) < step / 2
            # A place less than half a step west of the first column belongs to it.
            if not around:
                x = np.where(x > self.columns[-1] + step / 2, x - 360, x)
        columns, values = self.columns, self.fraction
        if around:
            columns = np.append(columns, columns[0] + 360)
            values = np.concatenate([values, values[:, :1]], axis=1)
        row, row_share, row_inside = _between(self.rows, y)
        column, column_share, column_inside = _between(columns, x)
        corners = np.stack(
            [
                values[row, column],
                values[row, column + 1],
                values[row + 1, column],
                values[row + 1, column + 1],
            ]
        )
        shares = np.stack(
            [
                (1 - row_share) * (1 - column_share),
                (1 - row_share) * column_share,
                row_share * (1 - column_share),
                row_share * column_share,
            ]
        )
        mean = np.sum(np.nan_to_num(corners) * shares, axis=0)
        nearest = np.take_along_axis(corners, np.argmax(shares, axis=0)[None], axis=0)[0]
        found = np.where(np.isnan(corners).any(axis=0), nearest, mean)
        return np.where(row_inside & column_inside, found, np.nan)


def _between(axis: Array, at: Array) -> tuple[NDArray[np.intp], Array, NDArray[np.bool_]]:
    """Return the index below, the share of the one above, and whether a place is on the grid (half a step more)."""
    steps = np.diff(axis)
    inside = (at >= axis[0] - steps[0] / 2) & (at <= axis[-1] + steps[-1] / 2)
    index = np.clip(np.searchsorted(axis, at, side="right") - 1, 0, axis.size - 2)
    share = np.clip((at - axis[index]) / steps[index], 0, 1)
    return index, np.where(np.isfinite(share), share, 0.0), inside


def read_clouds(path: Path, variable: str | None = None) -> CloudGrid:
    """Read a grid; a name that ends in .tif or .tiff is a GeoTIFF, all else NetCDF.

    Raises:
        UsageError: if the file is missing or no such grid, the variable is missing or not to be decided,
            or its numbers are no cloud fractions.
    """
    if not path.is_file():
        raise UsageError(f"The cloud file {path} is not there. {_MEND}")
    if path.suffix.lower() in (".tif", ".tiff"):
        if variable is not None:
            raise UsageError("A GeoTIFF has no variables. Mend: leave --cloud-variable out.")
        return _from_geotiff(path)
    return _from_netcdf(path, variable)


def _from_geotiff(path: Path) -> CloudGrid:
    import warnings

    import rasterio
    from rasterio.errors import NotGeoreferencedWarning, RasterioError

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", NotGeoreferencedWarning)
            with rasterio.open(path) as raster:
                values = raster.read(1, masked=True).astype(float).filled(np.nan)
                crs, transform, band = raster.crs, raster.transform, raster.descriptions[0]
                unit = raster.units[0] or ""
    except RasterioError as problem:
        raise UsageError(f"The cloud file {path} cannot be read as a GeoTIFF ({problem}). {_MEND}") from None
    if crs is None:
        raise UsageError(
            f"The GeoTIFF {path} does not say where on Earth it lies. Mend: give one with a CRS."
        )
    if transform.b or transform.d:
        raise UsageError(f"The GeoTIFF {path} is turned against its axes. Mend: give one with north up.")
    if min(values.shape) < 2:
        raise UsageError(f"The GeoTIFF {path} has fewer than two rows or columns. {_MEND}")
    columns = transform.c + transform.a * (np.arange(values.shape[1]) + 0.5)
    rows = transform.f + transform.e * (np.arange(values.shape[0]) + 0.5)
    fraction, note = _as_fraction(str(path), values, unit)
    rows, columns, fraction = _ascending(rows, columns, fraction)
    code = None if crs.is_geographic else str(crs.to_wkt())
    return CloudGrid(f"{path.name}{f', {band}' if band else ''}", note, rows, columns, fraction, code)


def _from_netcdf(path: Path, variable: str | None) -> CloudGrid:
    import netCDF4

    try:
        with netCDF4.Dataset(path) as data:
            chosen = _chosen(path, data, variable)
            latitude, longitude = (
                _axis(path, data, chosen, names, unit)
                for names, unit in ((_LATITUDES, "degrees_north"), (_LONGITUDES, "degrees_east"))
            )
            values: Array = np.ma.filled(np.ma.asarray(chosen[:], dtype=float), np.nan)
            dimensions = list(chosen.dimensions)
            unit = str(getattr(chosen, "units", ""))
            name = chosen.name
    except (OSError, RuntimeError) as problem:
        raise UsageError(f"The cloud file {path} cannot be read as NetCDF ({problem}). {_MEND}") from None
    rows_name, rows = latitude
    columns_name, columns = longitude
    others = [i for i, dimension in enumerate(dimensions) if dimension not in (rows_name, columns_name)]
    averaged = ""
    if others:
        count = int(np.prod([values.shape[i] for i in others]))
        with np.errstate(invalid="ignore"):
            known = np.sum(np.isfinite(values), axis=tuple(others))
            total = np.nansum(values, axis=tuple(others))
            values = np.where(known > 0, total / np.maximum(known, 1), np.nan)
        dimensions = [dimension for i, dimension in enumerate(dimensions) if i not in others]
        averaged = f", the mean of {count} layers" if count > 1 else ""
    if dimensions == [columns_name, rows_name]:
        values = values.T
    if min(values.shape) < 2:
        raise UsageError(f"The cloud variable {name} of {path} has fewer than two rows or columns. {_MEND}")
    fraction, note = _as_fraction(f"{path}, {name}", values, unit)
    rows, columns, fraction = _ascending(rows, columns, fraction)
    return CloudGrid(f"{path.name}, {name}", note + averaged, rows, columns, fraction, None)


def _chosen(path: Path, data: Dataset, variable: str | None) -> Variable[Any]:
    grids = {
        name: one
        for name, one in data.variables.items()
        if len(one.dimensions) >= 2
        and _dimension(data, one, _LATITUDES, "degrees_north")
        and _dimension(data, one, _LONGITUDES, "degrees_east")
    }
    if variable is not None:
        if variable in grids:
            return grids[variable]
        has = "has no latitudes and longitudes" if variable in data.variables else "is not in it"
        raise UsageError(
            f"{path}: the variable {variable} {has}. Mend: name one of its grids: {', '.join(grids) or 'none'}."
        )
    if not grids:
        raise UsageError(f"{path} has no variable on latitudes and longitudes. {_MEND}")
    if len(grids) > 1:
        cloudy = [
            name
            for name, one in grids.items()
            if "cloud"
            in f"{name} {getattr(one, 'standard_name', '')} {getattr(one, 'long_name', '')}".casefold()
        ]
        if len(cloudy) != 1:
            raise UsageError(
                f"{path} has several grids: {', '.join(grids)}. Mend: say which with --cloud-variable."
            )
        return grids[cloudy[0]]
    return next(iter(grids.values()))


def _dimension(data: Dataset, variable: Variable[Any], names: tuple[str, ...], unit: str) -> str | None:
    """Return the dimension of a variable that is latitude (or longitude): by units, standard name or name."""
    for dimension in variable.dimensions:
        axis = data.variables.get(dimension)
        if axis is None or axis.dimensions != (dimension,):
            continue
        said = str(getattr(axis, "units", "")), str(getattr(axis, "standard_name", "")).casefold()
        if said[0] == unit or said[1] == names[0] or dimension.casefold() in names:
            return str(dimension)
    return None


def _axis(
    path: Path, data: Dataset, variable: Variable[Any], names: tuple[str, ...], unit: str
) -> tuple[str, Array]:
    dimension = _dimension(data, variable, names, unit)
    if dimension is None:  # `_chosen` lets no such variable through
        raise UsageError(f"{path}: {variable.name} has no {names[0]}. {_MEND}")
    values: Array = np.ma.filled(np.ma.asarray(data.variables[dimension][:], dtype=float), np.nan)
    steps = np.diff(values)
    if not (np.all(steps > 0) or np.all(steps < 0)):
        raise UsageError(f"{path}: its {names[0]} do not run one way. {_MEND}")
    return dimension, values


def _as_fraction(what: str, values: Array, unit: str) -> tuple[Array, str]:
    """Return fractions and how the numbers were read: by their unit, otherwise by their size."""
    known = values[np.isfinite(values)]
    if not known.size:
        raise UsageError(f"{what} holds no number. {_MEND}")
    low, high = float(known.min()), float(known.max())
    says_percent = unit.strip().casefold() in ("%", "percent", "per cent")
    says_fraction = unit.strip() in ("1", "(0 - 1)", "0-1", "fraction")
    percent = says_percent or (not says_fraction and high > 1.01)
    top = 100.0 if percent else 1.0
    if low < -0.01 * top or high > 1.01 * top:
        raise UsageError(
            f"{what} runs from {low:g} to {high:g}, which is neither a fraction of 0 to 1 nor 0 to 100 percent. "
            "Mend: give a grid of cloud fraction."
        )
    how = "its unit says so" if says_percent or says_fraction else f"by its range, {low:g} to {high:g}"
    return np.clip(values / top, 0, 1), f"read as {'percent' if percent else 'fraction 0 to 1'} ({how})"


def _ascending(rows: Array, columns: Array, values: Array) -> tuple[Array, Array, Array]:
    if rows[0] > rows[-1]:
        rows, values = rows[::-1], values[::-1]
    if columns[0] > columns[-1]:
        columns, values = columns[::-1], values[:, ::-1]
    return rows.copy(), columns.copy(), values.copy()
