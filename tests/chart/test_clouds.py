"""Cloud grids in the forms people have them, and the ways they can be wrong."""

from __future__ import annotations

import netCDF4
import numpy as np
import pytest
import rasterio
from affine import Affine

from controller.chart.clouds import read_clouds
from controller.errors import UsageError

LATITUDES = np.arange(-80.0, 81.0, 20.0)


def plane(latitude, longitude):
    """A cloud fraction that bilinear reading gives back exactly."""
    return 0.5 + latitude / 400 + longitude / 1000


def write_netcdf(
    path, values, longitudes, *, latitudes=LATITUDES, name="tcc", units="1", order=("lat", "lon"), more=()
):
    with netCDF4.Dataset(path, "w") as data:
        for axis, points, unit in (("lat", latitudes, "degrees_north"), ("lon", longitudes, "degrees_east")):
            data.createDimension(axis, len(points))
            variable = data.createVariable(axis, "f8", (axis,))
            variable.units = unit
            variable[:] = points
        for extra in order:
            if extra not in data.dimensions:
                data.createDimension(extra, values.shape[order.index(extra)])
        for one in (name, *more):
            variable = data.createVariable(one, "f8", order, fill_value=-999.0)
            variable.units = units
            variable[:] = values
    return path


def test_bilinear_between_the_points(tmp_path):
    """A plane is read back exactly between the points, and nothing is known beyond half a step outside."""
    longitudes = np.arange(-30.0, 31.0, 10.0)
    values = plane(LATITUDES[:, None], longitudes[None])
    grid = read_clouds(write_netcdf(tmp_path / "c.nc", values, longitudes))
    latitude, longitude = np.array([0.0, 13.3, -71.0, 80.0]), np.array([0.0, -29.0, 14.6, 30.0])
    assert grid.at(latitude, longitude) == pytest.approx(plane(latitude, longitude))
    assert np.isnan(grid.at(np.array([0.0, 95.0, 0.0]), np.array([36.0, 0.0, -36.0]))).all()
    assert np.isfinite(grid.at(np.array([0.0, 0.0]), np.array([34.0, -34.0]))).all()
    assert "fraction 0 to 1 (its unit says so)" in grid.note
    assert "latitudes -80 to 80" in grid.extent


@pytest.mark.parametrize("start", [0.0, -180.0, 5.0])
def test_grids_around_the_whole_earth(tmp_path, start):
    """0 to 360 or -180 to 180, with the seam anywhere: the same place gives the same cloud."""
    longitudes = start + np.arange(0, 360, 10.0)
    values = 0.5 + 0.4 * np.sin(np.radians(longitudes))[None] + 0 * LATITUDES[:, None]
    grid = read_clouds(write_netcdf(tmp_path / "c.nc", values, longitudes))
    asked = np.linspace(-180, 180, 73)
    found = grid.at(np.zeros(73), asked)
    assert np.isfinite(found).all()
    assert found == pytest.approx(0.5 + 0.4 * np.sin(np.radians(asked)), abs=0.003)
    assert found[0] == pytest.approx(found[-1])


def test_upside_down_turned_and_layered(tmp_path):
    """North-first rows, longitude-first order and several layers give what the plain form gives."""
    longitudes = np.arange(0.0, 51.0, 10.0)
    values = plane(LATITUDES[:, None], longitudes[None])
    latitude, longitude = np.array([33.0, -12.0]), np.array([17.0, 44.0])
    flipped = read_clouds(
        write_netcdf(tmp_path / "a.nc", values[::-1], longitudes, latitudes=LATITUDES[::-1])
    )
    turned = read_clouds(write_netcdf(tmp_path / "b.nc", values.T, longitudes, order=("lon", "lat")))
    layers = np.stack([values - 0.1, values + 0.1, np.full_like(values, -999.0)])
    layered = read_clouds(write_netcdf(tmp_path / "c.nc", layers, longitudes, order=("time", "lat", "lon")))
    for grid in (flipped, turned, layered):
        assert grid.at(latitude, longitude) == pytest.approx(plane(latitude, longitude))
    assert "the mean of 3 layers" in layered.note


@pytest.mark.parametrize(
    ("units", "factor", "note"),
    [
        ("%", 100, "percent (its unit says so)"),
        ("", 100, "percent (by its range"),
        ("", 1, "fraction 0 to 1 (by its range"),
    ],
)
def test_percent_or_fraction(tmp_path, units, factor, note):
    """The unit decides, without one the range, and it is said which."""
    longitudes = np.arange(0.0, 51.0, 10.0)
    values = plane(LATITUDES[:, None], longitudes[None]) * factor
    grid = read_clouds(write_netcdf(tmp_path / "c.nc", values, longitudes, units=units))
    assert grid.at(np.array([10.0]), np.array([10.0])) == pytest.approx(plane(10.0, 10.0))
    assert note in grid.note


def test_small_percentages_are_percent_by_their_unit(tmp_path):
    """A clear region in percent, all below 1, is not taken for an overcast one."""
    grid = read_clouds(write_netcdf(tmp_path / "c.nc", np.full((9, 3), 0.8), np.arange(3.0), units="%"))
    assert grid.at(np.array([0.0]), np.array([1.0])) == pytest.approx(0.008)


def test_holes_are_unknown_and_do_not_bleed(tmp_path):
    """At a missing point nothing is known; beside it the nearest known point decides."""
    longitudes = np.arange(0.0, 51.0, 10.0)
    values = np.full((9, 6), 0.4)
    values[4, 2] = -999.0
    grid = read_clouds(write_netcdf(tmp_path / "c.nc", values, longitudes))
    found = grid.at(np.array([0.0, 0.0, 0.0]), np.array([20.0, 22.0, 27.0]))
    assert np.isnan(found[:2]).all()
    assert found[2] == 0.4


def write_geotiff(path, values, transform, crs="EPSG:4326", nodata=None):
    with rasterio.open(
        path, "w", driver="GTiff", height=values.shape[0], width=values.shape[1], count=1,
        dtype=values.dtype, crs=crs, transform=transform, nodata=nodata,
    ) as raster:  # fmt: skip
        raster.write(values, 1)
    return path


def test_geotiff_in_degrees_and_in_metres(tmp_path):
    """Pixel centres carry the values, whatever the raster's coordinate system; missing ones stay so."""
    rows, columns = 39.5 - np.arange(10.0), -9.5 + np.arange(12.0)
    values = np.round(plane(rows[:, None], columns[None]) * 100).astype("uint8")
    values[0, 0] = 255
    grid = read_clouds(write_geotiff(tmp_path / "c.tif", values, Affine(1, 0, -10, 0, -1, 40), nodata=255))
    assert grid.at(np.array([35.5]), np.array([-4.5])) == pytest.approx(plane(35.5, -4.5), abs=0.006)
    assert np.isnan(grid.at(np.array([39.5]), np.array([-9.5])))
    assert np.isnan(grid.at(np.array([20.0]), np.array([-4.5])))
    assert "percent (by its range" in grid.note
    # UTM zone 30: 500 km east is 3 degrees west, 4000 km north is 36.14 degrees.
    flat = np.full((20, 20), 0.25, "float32")
    metric = write_geotiff(
        tmp_path / "m.tif", flat, Affine(10_000, 0, 400_000, 0, -10_000, 4_100_000), "EPSG:32630"
    )
    grid = read_clouds(metric)
    assert grid.at(np.array([36.14]), np.array([-3.0])) == pytest.approx(0.25)
    assert np.isnan(grid.at(np.array([36.14]), np.array([3.0])))
    assert "x 405000" in grid.extent


def broken(folder, name):
    """Files that are wrong, one by one."""
    path, longitudes, flat = folder / f"{name}.nc", np.arange(0.0, 51.0, 10.0), np.full((9, 6), 0.5)
    if name == "missing":
        return path
    if name == "text":
        path.write_text("cloud")
    elif name == "kelvin":
        write_netcdf(path, flat + 273, longitudes, units="K")
    elif name == "two":
        write_netcdf(path, flat, longitudes, more=("ssr",))
    elif name == "empty":
        write_netcdf(path, np.full((9, 6), -999.0), longitudes)
    elif name == "askew":
        write_netcdf(path, flat, np.array([0.0, 10, 5, 30, 40, 50]))
    elif name == "no grid":
        with netCDF4.Dataset(path, "w") as data:
            data.createDimension("n", 3)
            data.createVariable("v", "f4", ("n",))[:] = 1
    elif name == "tiff text":
        path = path.with_suffix(".tif")
        path.write_text("cloud")
    elif name == "nowhere":
        path = path.with_suffix(".tif")
        with pytest.warns(rasterio.errors.NotGeoreferencedWarning):
            write_geotiff(path, np.full((3, 3), 1, "uint8"), Affine.identity(), crs=None)
    return path


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("missing", "is not there"),
        ("text", "cannot be read as NetCDF"),
        ("kelvin", "neither a fraction of 0 to 1 nor 0 to 100 percent"),
        ("two", "several grids: tcc, ssr. Mend: say which with --cloud-variable"),
        ("empty", "holds no number"),
        ("askew", "do not run one way"),
        ("no grid", "no variable on latitudes and longitudes"),
        ("tiff text", "cannot be read as a GeoTIFF"),
        ("nowhere", "does not say where on Earth"),
    ],
)
def test_files_that_are_wrong(tmp_path, name, words):
    """Each is refused in one line that says what is wrong and how to mend it."""
    with pytest.raises(UsageError, match=words) as caught:
        read_clouds(broken(tmp_path, name))
    assert "Mend:" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_which_variable(tmp_path):
    """A named variable is taken; a cloudy name decides between several; a wrong name lists the right ones."""
    longitudes = np.arange(0.0, 51.0, 10.0)
    path = write_netcdf(
        tmp_path / "c.nc", np.full((9, 6), 0.5), longitudes, name="cloud_cover", more=("ssr",)
    )
    assert read_clouds(path).source == "c.nc, cloud_cover"
    assert read_clouds(path, "ssr").source == "c.nc, ssr"
    with pytest.raises(UsageError, match=r"is not in it.*cloud_cover, ssr"):
        read_clouds(path, "fog")
    with pytest.raises(UsageError, match="lat has no latitudes"):
        read_clouds(path, "lat")
