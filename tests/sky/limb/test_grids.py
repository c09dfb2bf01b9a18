"""Published grids: read as they are meant, and refused with one clear line when they are not."""

from __future__ import annotations

import hashlib
import warnings
from types import SimpleNamespace

import numpy as np
import pytest
import rasterio
from rasterio import Affine

from controller.errors import SkyError
from controller.sky.limb.grids import open_grid, read_label
from controller.sky.limb.terrain import read_terrain
from tests.sky.limb.test_contacts import rough

PER_DEGREE = 4
LINES = 180 * PER_DEGREE
LATITUDE = (90 - (np.arange(LINES) + 0.5) / PER_DEGREE)[:, None]
LONGITUDE = (np.arange(2 * LINES) + 0.5) / PER_DEGREE
HEIGHTS_M = np.round(rough(LATITUDE, LONGITUDE) * 2) / 2

# The keys of the labels of gridded lunar radii of NASA's Planetary Data System (PDS3); values made up.
LABEL = """PDS_VERSION_ID            = "PDS3"

/* a comment with LINES = 5 in it */
PRODUCT_ID                = "MADE_UP_4"
TARGET_NAME               = MOON
DESCRIPTION               = "Two lines of text,
   LINES = 17 among them."
OBJECT                    = UNCOMPRESSED_FILE
FILE_NAME                 = "{image}"
RECORD_TYPE               = FIXED_LENGTH
FILE_RECORDS              = 720
RECORD_BYTES              = 2880
^IMAGE                    = "{image}"
  OBJECT                  = IMAGE
    NAME                  = HEIGHT
    LINES                 = {lines}
    LINE_SAMPLES          = {samples}
    MAXIMUM               = {maximum}
    MINIMUM               = {minimum}
    SAMPLE_TYPE           = {kind}
    SAMPLE_BITS           = {bits}
    UNIT                  = {unit}
    SCALING_FACTOR        = {scale}
    OFFSET                = {offset}
  END_OBJECT              = IMAGE
END_OBJECT                = UNCOMPRESSED_FILE
OBJECT                    = IMAGE_MAP_PROJECTION
 MAP_PROJECTION_TYPE          = "SIMPLE CYLINDRICAL"
 MAP_RESOLUTION               = {resolution} <pix/deg>
 A_AXIS_RADIUS                = 1737.4 <km>
 POSITIVE_LONGITUDE_DIRECTION = "EAST"
 CENTER_LATITUDE              = 0 <deg>
 CENTER_LONGITUDE             = 180 <deg>
 MAP_SCALE                    = 7580.84 <m/pix>
 MAXIMUM_LATITUDE             = 90 <deg>
 MINIMUM_LATITUDE             = {south} <deg>
 WESTERNMOST_LONGITUDE        = {west} <deg>
 EASTERNMOST_LONGITUDE        = {east} <deg>
 LINE_PROJECTION_OFFSET       = 359.5 <pix>
 SAMPLE_PROJECTION_OFFSET     = 719.5 <pix>
 COORDINATE_SYSTEM_NAME       = "MEAN EARTH/POLAR AXIS OF DE421"
END_OBJECT                    = IMAGE_MAP_PROJECTION
END
"""
KINDS = {
    "half metres": ("LSB_INTEGER", "<i2", 0.5, "METER", 1_737_400.0),
    "half metres, high byte first": ("MSB_INTEGER", ">i2", 0.5, "METER", 1_737_400.0),
    "kilometres": ("PC_REAL", "<f4", 1.0, "KILOMETER", 1737.4),
    "kilometres, high byte first": ("IEEE_REAL", ">f4", 1.0, "KILOMETER", 1737.4),
    "counted from another sphere": ("LSB_INTEGER", "<i2", 0.5, "METER", 1_738_000.0),
}


def write_pds(folder, kind="half metres", raw=None, name="MOON", **label):
    """Write an image with its label; return the label's path. Keywords replace values of the label."""
    sample_type, dtype, scale, unit, offset = KINDS[kind]
    metres = 1000 if unit == "KILOMETER" else 1
    if raw is None:
        raw = (HEIGHTS_M + 1_737_400.0 - offset * metres) / metres / scale
    raw = np.asarray(raw).astype(dtype)
    (folder / f"{name}.IMG").write_bytes(raw.tobytes())
    values = {
        "image": f"{name}.IMG", "lines": raw.shape[0], "samples": raw.shape[1], "maximum": raw.max(),
        "minimum": raw.min(), "kind": sample_type, "bits": raw.dtype.itemsize * 8, "unit": unit,
        "scale": scale, "offset": offset, "resolution": PER_DEGREE, "south": -90, "west": 0, "east": 360,
    }  # fmt: skip
    path = folder / f"{name}.LBL"
    path.write_text(LABEL.format(**{**values, **label}))
    return path


def write_tiff(path, heights, *, west=0.0, metres=False, crs=None, layers=1, georeference=True):
    per_degree = np.pi / 180 * 1_737_400 if metres else 1.0
    pixel = per_degree * 360 / heights.shape[1]
    transform = Affine(pixel, 0.0, west * per_degree, 0.0, -pixel, 90 * per_degree)
    profile = {
        "driver": "GTiff", "height": heights.shape[0], "width": heights.shape[1], "count": layers,
        "dtype": heights.dtype, "crs": crs,
    }  # fmt: skip
    if georeference:
        profile["transform"] = transform
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", rasterio.errors.NotGeoreferencedWarning)
        with rasterio.open(path, "w", **profile) as data:
            for layer in range(layers):
                data.write(heights, layer + 1)
    return path


LONGLAT = "+proj=longlat +R=1737400 +no_defs"
EQUIRECTANGULAR = "+proj=eqc +R=1737400 +no_defs"
NEAR_LIMB = (np.array([80.0, 3.3, -88.9, 10.0]), np.array([15.0, 91.0, 170.0, 268.4]))


@pytest.mark.parametrize("kind", KINDS)
def test_pds_images_are_read(tmp_path, kind):
    """Every type of sample, unit and offset gives the same heights, bilinear between the pixel centres."""
    terrain = read_terrain(write_pds(tmp_path, kind))
    assert terrain.info.pixels_per_degree == PER_DEGREE
    assert terrain.info.km_per_pixel == pytest.approx(7.58, abs=0.01)
    assert terrain.info.sha256 == hashlib.sha256((tmp_path / "MOON.IMG").read_bytes()).hexdigest()
    tolerance_m = 0.3
    assert terrain.info.lowest_m == pytest.approx(HEIGHTS_M.min(), abs=tolerance_m)
    assert terrain.info.highest_m == pytest.approx(HEIGHTS_M.max(), abs=tolerance_m)
    row, column = 40, 61
    centre = terrain.heights_m(LATITUDE[row], LONGITUDE[column : column + 1])
    assert centre == pytest.approx(HEIGHTS_M[row, column], abs=tolerance_m)
    between = terrain.heights_m(LATITUDE[row] - 0.125, LONGITUDE[column : column + 1] + 0.125)
    corners = HEIGHTS_M[row : row + 2, column : column + 2]
    assert between == pytest.approx(corners.mean(), abs=tolerance_m)


def test_the_image_may_be_named_instead_of_its_label(tmp_path):
    """The label is found beside the image, whatever the case of its suffix."""
    label = write_pds(tmp_path)
    label.rename(tmp_path / "MOON.lbl")
    assert read_terrain(tmp_path / "MOON.IMG").info.what == "PDS3 image, MADE_UP_4"


def test_an_independent_reader_sees_the_same_grid(tmp_path):
    """GDAL's own PDS driver reads the same numbers, size and resolution from the same label."""
    label = write_pds(tmp_path)
    grid = open_grid(label)
    with rasterio.open(label) as data:
        assert data.driver == "PDS"
        assert (np.asarray(grid.raw) == data.read(1)).all()
        assert data.scales[0] == grid.metres_per_step
        assert data.offsets[0] == 1_737_400 + grid.zero_m
        # Its metres run from the middle of the map, at 180 degrees, which the edge lies 180 degrees west of.
        assert data.transform.c / data.transform.a / grid.pixels_per_degree == pytest.approx(-180, abs=0.2)
    assert grid.west_deg == 0


def test_geotiffs_are_read(tmp_path):
    """Degrees or metres, from 0 or from 180 west, in metres or kilometres: the same heights."""
    half = HEIGHTS_M.shape[1] // 2
    turned = np.roll(HEIGHTS_M, half, axis=1).astype("float32")
    files = [
        write_tiff(tmp_path / "a.tif", HEIGHTS_M.astype("int16"), crs=LONGLAT),
        write_tiff(tmp_path / "b.tif", turned, west=-180, crs=LONGLAT),
        write_tiff(tmp_path / "c.tif", (turned / 1000), west=-180, crs=EQUIRECTANGULAR, metres=True),
    ]
    reference = read_terrain(write_pds(tmp_path)).heights_m(*NEAR_LIMB)
    for path in files:
        terrain = read_terrain(path)
        assert terrain.heights_m(*NEAR_LIMB) == pytest.approx(reference, abs=1.1)
        assert terrain.info.what.startswith("GeoTIFF, heights in ")
    assert "kilometres (by their range)" in terrain.info.what


def test_labels_are_read_without_comments_and_text():
    """Keys inside comments and quoted text are no keys; units are taken off; repeated keys: the last."""
    label = read_label(LABEL)
    assert label["LINES"] == "{lines}"
    assert label["MAP_RESOLUTION"] == "{resolution}"
    assert label["TARGET_NAME"] == "MOON"
    assert label["DESCRIPTION"].startswith("Two lines")


def damaged(folder):
    label = write_pds(folder)
    image = folder / "MOON.IMG"
    data = bytearray(image.read_bytes())
    data[100_000:100_002] = (20_000).to_bytes(2, "little", signed=True)
    image.write_bytes(data)
    return label


def cut_short(folder):
    label = write_pds(folder)
    (folder / "MOON.IMG").write_bytes((folder / "MOON.IMG").read_bytes()[:-2])
    return label


def too_long(folder):
    label = write_pds(folder)
    (folder / "MOON.IMG").write_bytes((folder / "MOON.IMG").read_bytes() + b"\0\0")
    return label


def without_image(folder):
    label = write_pds(folder)
    (folder / "MOON.IMG").unlink()
    return label


def without_label(folder):
    write_pds(folder).unlink()
    return folder / "MOON.IMG"


def lacking(key):
    def write(folder):
        label = write_pds(folder)
        label.write_text("\n".join(line for line in label.read_text().splitlines() if key not in line))
        return label

    return write


def saying(key, value):
    def write(folder):
        label = write_pds(folder)
        lines = [
            f"{key} = {value}" if line.split("=")[0].strip() == key else line
            for line in label.read_text().splitlines()
        ]
        label.write_text("\n".join(lines))
        return label

    return write


def some_file(name, content):
    def write(folder):
        (folder / name).write_bytes(content)
        return folder / name

    return write


SMALL = np.zeros((180, 360), dtype="int16")
WRONG = {
    "missing": (lambda folder: folder / "none.LBL", "cannot be found"),
    "folder": (lambda folder: folder, "cannot be found"),
    "text": (some_file("notes.txt", b"nothing here"), "neither a PDS label nor a GeoTIFF"),
    "empty": (some_file("MOON.LBL", b""), "neither a PDS label nor a GeoTIFF"),
    "no label": (without_label, "has no label MOON.LBL beside it"),
    "no image": (without_image, "is not beside its label"),
    "cut short": (cut_short, r"has 2073598 bytes and its label asks for 2073600: it is cut short"),
    "too long": (too_long, r"has 2073602 bytes and its label asks for 2073600: it is another file"),
    "damaged": (damaged, "outside the .* of its label: it is damaged"),
    "label of another": (
        lambda folder: write_pds(folder, maximum=9999), "and not, as its label says, from .* to 4999.5 m",
    ),
    "nan": (
        lambda folder: write_pds(folder, "kilometres", np.full(HEIGHTS_M.shape, np.nan), maximum=9, minimum=-9),
        "which the Moon has not",
    ),
    "another planet's relief": (
        lambda folder: write_pds(folder, raw=HEIGHTS_M * 12, scale=1.0), "which the Moon has not",
    ),
    "smooth": (lambda folder: write_pds(folder, raw=np.zeros(HEIGHTS_M.shape)), "no relief, or the wrong unit"),
    "metres called kilometres": (
        lambda folder: write_pds(folder, unit="KILOMETER", offset=1737.4), "which the Moon has not",
    ),
    "another body": (saying("TARGET_NAME", "MARS"), 'says TARGET_NAME = "MARS" and not MOON'),
    "another projection": (
        saying("MAP_PROJECTION_TYPE", '"POLAR STEREOGRAPHIC"'), "and not SIMPLE CYLINDRICAL",
    ),
    "westwards": (saying("POSITIVE_LONGITUDE_DIRECTION", "WEST"), "and not EAST"),
    "another frame": (
        saying("COORDINATE_SYSTEM_NAME", '"PRINCIPAL AXES"'), "and not MEAN EARTH/POLAR AXIS",
    ),
    "a part": (lambda folder: write_pds(folder, south=-60), "belongs to a part of the Moon only"),
    "half": (lambda folder: write_pds(folder, east=180), "belongs to a part of the Moon only"),
    "other samples": (saying("SAMPLE_TYPE", "VAX_REAL"), "samples of type VAX_REAL with 16 bits"),
    "other unit": (saying("UNIT", "FATHOM"), 'says UNIT = "FATHOM"'),
    "resolution": (lambda folder: write_pds(folder, resolution=16), "which do not belong together"),
    "no lines": (lacking("LINES"), "does not say LINES"),
    "no number": (saying("SCALING_FACTOR", "half"), 'SCALING_FACTOR = "half", which is no number'),
    "no pointer": (lacking("^IMAGE"), "names no image"),
    "too coarse": (
        lambda folder: write_pds(folder, raw=np.tile(SMALL, (1, 1)), resolution=1),
        "has 1 pixels a degree; from 2 to 64 are of use",
    ),
    "tiff without place": (
        lambda folder: write_tiff(folder / "x.tif", SMALL, georeference=False), "no georeference",
    ),
    "tiff of half the Moon": (
        lambda folder: write_tiff(folder / "x.tif", SMALL[:90], crs=LONGLAT), "does not cover the whole Moon",
    ),
    "picture": (
        lambda folder: write_tiff(folder / "x.tif", SMALL.astype("uint8"), layers=3, crs=LONGLAT),
        "has 3 layers and not one of heights",
    ),
    "broken tiff": (some_file("x.tif", b"II*\0" + b"\xff" * 60), "cannot be read as GeoTIFF"),
}  # fmt: skip


@pytest.mark.parametrize("what", WRONG)
def test_wrong_files_are_refused_in_one_clear_line(tmp_path, what):
    """Each says which file, what is wrong and how to mend it, and never shows a traceback."""
    make, said = WRONG[what]
    path = make(tmp_path)
    with pytest.raises(SkyError, match=said) as caught:
        read_terrain(path)
    text = str(caught.value)
    assert "\n" not in text
    assert "Mend: " in text
    assert str(tmp_path) in text


def test_progress_is_told(tmp_path):
    """Whoever waits is told of the checksum and of the heights, up to the end of each."""
    told = []
    read_terrain(write_pds(tmp_path), lambda what, part: told.append(SimpleNamespace(what=what, part=part)))
    assert list(dict.fromkeys(t.what for t in told)) == ["checksum", "reading heights"]
    assert told[-1].part == pytest.approx(1)
