"""What a camera would record of an eclipsed Sun, as a picture: for rehearsals and for tests of what reads pictures.

Luminances, air and sensor are those of `brightness`, `extinction` and `sensor`, so that levels agree with
`phenomena`. Made up, and called so: the corona's departure from a circle, where prominences stand, the limb
unless one is given, and the lens' blur. The daylight sky of partial phases is a rule of thumb.

A picture is two steps: `exposed` gives what pixels hold as fractions of saturation, `developed` the bytes.
"""

from __future__ import annotations

import functools
import io
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from controller.light import brightness
from controller.light.brightness import DISK_MEAN_CD_M2
from controller.light.extinction import LOWEST_ALTITUDE_DEG, Haze, beam_transmittance
from controller.light.scene import Disks, Limb, Outlook
from controller.light.sensor import FULL_FRAME, Sensor, saturation_fraction
from controller.light.stops import density_to_transmittance

DAY_SKY_CD_M2 = 5e3
"""Clear sky some degrees from the uneclipsed Sun (common practice, no single source)."""
CORONA_SHAPE = 0.3
"""How much brighter than the mean the made-up corona is along the Sun's equator, and fainter at its poles."""
CHROMOSPHERE_ARCSEC = 4.0
"""Height to which the chromosphere is drawn: 3000 km (textbooks, from memory)."""
BLUR_PX = 0.6
"""Standard deviation of the blur, pixels of the picture."""
GLARE = 0.01
"""Part of the light that lens and sensor spread widely (common practice, no single source)."""
_GLARE_CORE = 1.5
"""Distance within which the spread light is even, in blocks of `_BLOCK` pixels."""
_BLOCK = 8
_THIN_PX = 3.0
"""A crescent thinner than this is drawn as light along the limb, not pixel by pixel."""
_PINK = np.array([3.0, 0.43, 0.75], dtype=np.float32)
"""Red, green and blue of hydrogen's light; their sum by the weights of Rec. 709 is 1."""
_TABLE = 16_384

Picture = NDArray[np.float32]
_Array = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Framing:
    """How the picture lies on the sky."""

    arcsec_per_px: float
    """Plate scale at the middle, of the picture as rendered."""
    width_px: int = 480
    height_px: int = 320
    sun_right_px: float = 0.0
    """The Sun's centre from the picture's, pixels."""
    sun_down_px: float = 0.0
    up_deg: float | None = None
    """Position angle of the picture's upper edge, from north through east; None: the zenith is up."""

    def __post_init__(self) -> None:
        if not (self.arcsec_per_px > 0 and self.width_px >= 16 and self.height_px >= 16):
            raise ValueError("a picture has a scale above zero and 16 pixels or more each way")


def exposed(
    disks: Disks,
    framing: Framing,
    *,
    exposure_s: float,
    f_number: float,
    iso: float,
    filter_density: float | None = None,
    site_elevation_m: float = 0.0,
    haze: Haze = Haze.CLEAR,
    sensor: Sensor = FULL_FRAME,
    limb: Limb | None = None,
    pixels_joined: float = 1.0,
    seed: int | None = 0,
    cloud_stops: float = 0.0,
    lost_stops: float = 0.0,
) -> Picture:
    """Return red, green and blue of each pixel as fractions of saturation, not yet clipped; rows from the top.

    Args:
        disks: how Sun and Moon lie.
        framing: how the picture lies on the sky.
        exposure_s: exposure time, seconds.
        f_number: the working one.
        iso: the speed set.
        filter_density: of the solar filter on the lens; None without one.
        site_elevation_m: metres above sea level.
        haze: the air's clearness.
        sensor: whose noise it has.
        limb: heights of the Moon's edge; None for a smooth one.
        pixels_joined: how many of the sensor's pixels make one of the picture: they average noise.
        seed: of the noise, and of where prominences stand; None leaves noise out (and stands for 0).
        cloud_stops: light that a cloud takes of Sun, corona and Moon; it glows itself as the sky does.
        lost_stops: light that is lost in the lens.

    Raises:
        ValueError: if a setting is not above zero.
    """
    if min(exposure_s, f_number, iso, pixels_joined) <= 0:
        raise ValueError("exposure, f-number, ISO and pixels joined must be above zero")
    grey, pink, box = _luminance(disks, framing, site_elevation_m, haze, limb, seed or 0, cloud_stops)
    through = 1.0 if filter_density is None else density_to_transmittance(filter_density)
    unit = saturation_fraction(through * 2.0**-lost_stops, exposure_s, f_number, iso, sensor)
    grey = _blurred(grey)
    grey *= np.float32(unit)
    image: Picture = np.empty((*grey.shape, 3), dtype=np.float32)
    if seed is not None:
        grey += _noise(grey, sensor, iso, pixels_joined, seed)
    image[:] = grey[:, :, None]
    if pink is not None:
        image[box] += (pink * np.float32(unit))[:, :, None] * _PINK
    return image


def developed(image: Picture) -> NDArray[np.uint8]:
    """Return the picture's bytes: clipped at saturation, the sRGB curve (IEC 61966-2-1), no other tone curve."""
    index = np.clip(image, np.float32(0), np.float32(1))
    index *= np.float32(4095)
    index += np.float32(0.5)
    return _tone().take(index.astype(np.intp))


def jpeg(picture: NDArray[np.uint8], *, quality: int = 80, exif: bytes = b"") -> bytes:
    """Return a picture as a JPEG file."""
    from PIL import Image

    made = io.BytesIO()
    Image.fromarray(picture).save(made, "JPEG", quality=quality, **({"exif": exif} if exif else {}))
    return made.getvalue()


def seen_through(
    outlook: Outlook,
    utc_ns: int,
    *,
    exposure_s: float,
    f_number: float,
    iso: float,
    filter_on: bool,
    width_px: int = 480,
    seed: int | None = 0,
    cloud_stops: float = 0.0,
) -> Picture:
    """Return `exposed` for a rig with its frame on the Sun and the zenith up.

    The f-number is the lens' own. As many pixels of the sensor are taken to be joined as a typical one of 24
    million has for one of the picture's.

    Raises:
        ValueError: as `exposed`.
    """
    across, high = outlook.field_arcsec
    framing = Framing(
        arcsec_per_px=across / width_px, width_px=width_px, height_px=max(16, round(width_px * high / across))
    )
    return exposed(
        outlook.scene.at(utc_ns),
        framing,
        exposure_s=exposure_s,
        f_number=f_number,
        iso=iso,
        filter_density=outlook.filter_density if filter_on else None,
        site_elevation_m=outlook.scene.site_elevation_m,
        limb=outlook.limb,
        pixels_joined=max(1.0, 24e6 / (framing.width_px * framing.height_px)),
        seed=seed,
        cloud_stops=cloud_stops,
        lost_stops=outlook.light_lost_stops,
    )


# --- light on the picture -----------------------------------------------------------------------


def _luminance(
    disks: Disks,
    framing: Framing,
    elevation_m: float,
    haze: Haze,
    limb: Limb | None,
    seed: int,
    cloud_stops: float,
) -> tuple[Picture, Picture | None, tuple[slice, slice]]:
    """Return white light over the picture, and hydrogen's in a box of it (None when the box is outside), cd/m2."""
    scale, sun, moon = framing.arcsec_per_px, disks.sun_radius_arcsec, disks.moon_radius_arcsec
    air = beam_transmittance(max(disks.sun_altitude_deg, LOWEST_ALTITUDE_DEG), elevation_m, haze)
    air *= 2.0**-cloud_stops
    up = math.radians(disks.zenith_angle_deg if framing.up_deg is None else framing.up_deg)
    # pixels' places from the Sun's centre, arcseconds, right and down; and the Moon's, east being left of north
    right: _Array = (
        np.arange(framing.width_px, dtype=np.float64) - (framing.width_px - 1) / 2 - framing.sun_right_px
    ) * scale
    down: _Array = (
        np.arange(framing.height_px, dtype=np.float64) - (framing.height_px - 1) / 2 - framing.sun_down_px
    ) * scale
    towards = math.radians(disks.position_angle_deg) - up
    moon_right = -disks.separation_arcsec * math.sin(towards)
    moon_down = -disks.separation_arcsec * math.cos(towards)

    x, y = right.astype(np.float32)[None, :], down.astype(np.float32)[:, None]
    squared = x * x + y * y
    inverse = np.minimum(np.float32(sun * sun) / np.maximum(squared, np.float32(1.0)), np.float32(1.0))
    grey: Picture = _corona_table().take((inverse * np.float32(_TABLE - 1)).astype(np.intp))
    grey *= np.float32(DISK_MEAN_CD_M2 * air)
    # the equator of the made-up corona lies east and west of celestial north
    cos2, sin2 = math.cos(2 * up), math.sin(2 * up)
    shape = (x * x - y * y) * np.float32(cos2) + 2 * x * y * np.float32(sin2)
    shape *= inverse * np.float32(CORONA_SHAPE / (sun * sun))
    grey *= 1 + shape

    low = sun + 120.0 + 2 * scale
    box = (
        _span(down, min(-low, moon_down - moon - 10), max(low, moon_down + moon + 10), scale),
        _span(right, min(-low, moon_right - moon - 10), max(low, moon_right + moon + 10), scale),
    )
    day = DAY_SKY_CD_M2 * (1 - brightness.covered_area(disks.separation_arcsec / sun, moon / sun))
    sky = np.float32(brightness.totality_sky_cd_m2(elevation_m, haze) + day)
    if box[0].stop <= box[0].start or box[1].stop <= box[1].start:
        grey += sky
        return grey, None, box
    bx, by = x[:, box[1]], y[box[0], :]
    from_sun = np.sqrt(squared[box])
    from_moon = np.hypot(bx - np.float32(moon_right), by - np.float32(moon_down))
    edge = _edge(bx, by, moon_right, moon_down, from_moon, moon, scale, up, limb)
    outside = (from_moon - edge) / np.float32(scale)  # of the Moon, pixels
    inside = (np.float32(sun) - from_sun) / np.float32(scale)  # of the Sun
    open_sky = np.clip(outside + np.float32(0.5), 0, 1)
    off_disk = 1 - np.clip(inside + np.float32(0.5), 0, 1)
    part = grey[box]
    part *= open_sky * off_disk
    part += np.float32(brightness.earthshine_cd_m2() * air) * (1 - open_sky)
    thickest = sun + disks.separation_arcsec - moon + (0.0 if limb is None else -min(limb.heights_arcsec))
    if thickest > 0:
        if thickest < _THIN_PX * scale:
            lit = _along_limb(
                disks, limb, up, scale, right[box[1]], down[box[0]], moon_right, moon_down, thickest
            )
        else:
            cover = np.clip(np.clip(inside + 0.5, 0, 1) + open_sky - 1, 0, 1)
            lit = np.zeros_like(part)
            some = cover > 0
            r = np.minimum(from_sun[some] / np.float32(sun), np.float32(1 - 0.25 * scale / sun))
            lit[some] = cover[some] * _disk_table()[(np.square(r) * (_TABLE - 1)).astype(np.int32)]
        part += lit * np.float32(DISK_MEAN_CD_M2 * air)
    grey += sky
    pink = _hydrogen(from_sun, bx, by, sun, scale, up, seed) * open_sky * off_disk * np.float32(air)
    return grey, pink, box


def _span(places: _Array, low: float, high: float, scale: float) -> slice:
    first = int(np.searchsorted(places, low - scale))
    return slice(first, int(np.searchsorted(places, high + scale)))


def _edge(
    x: Picture, y: Picture, moon_right: float, moon_down: float, from_moon: Picture,
    moon: float, scale: float, up: float, limb: Limb | None,
) -> Picture:  # fmt: skip
    """Return the Moon's radius in the direction of each pixel near its limb, arcseconds."""
    edge = np.full_like(from_moon, moon)
    if limb is None:
        return edge
    near = np.abs(from_moon - np.float32(moon)) < max(5.0, 1.5 * scale)
    dx = np.broadcast_to(x - np.float32(moon_right), near.shape)[near]
    dy = np.broadcast_to(y - np.float32(moon_down), near.shape)[near]
    angle = np.arctan2(-dx, -dy) + up
    edge[near] += _heights_at(limb, angle).astype(np.float32)
    return edge


def _heights_at(limb: Limb, angle: NDArray[np.floating]) -> _Array:
    """Return the limb's heights at position angles, radians."""
    heights = np.array([*limb.heights_arcsec, limb.heights_arcsec[0]])
    steps = np.mod(angle / (2 * math.pi), 1.0) * len(limb.heights_arcsec)
    made: _Array = np.interp(steps, np.arange(len(heights)), heights)
    return made


def _along_limb(
    disks: Disks, limb: Limb | None, up: float, scale: float, right: _Array, down: _Array,
    moon_right: float, moon_down: float, thickest: float,
) -> Picture:  # fmt: skip
    """Return what stands out of the Sun beyond the Moon's limb, as the sum of many small pieces along it.

    Beads narrower than a pixel keep all of their light so. In units of the disk's mean.
    """
    sun, moon, apart = disks.sun_radius_arcsec, disks.moon_radius_arcsec, disks.separation_arcsec
    count = 2880
    angle = np.arange(count) * (2 * math.pi / count)
    edge = moon + (np.zeros(count) if limb is None else _heights_at(limb, angle))
    # along a ray from the Moon's centre the Sun's edge is the far root of a quadratic
    away = angle - math.radians(disks.position_angle_deg) - math.pi  # from the direction of the Sun
    root = sun**2 - (apart * np.sin(away)) ** 2
    far = apart * np.cos(away) + np.sqrt(np.maximum(root, 0.0))
    thick = np.where(root > 0, far - edge, 0.0)
    shown = np.nonzero(thick > 0)[0]
    layers = max(1, math.ceil(2 * thickest / scale))
    share = (np.arange(layers)[:, None] + 0.5) / layers
    radius = edge[shown] + thick[shown] * share
    across = angle[shown] - up
    px = moon_right - radius * np.sin(across)
    py = moon_down - radius * np.cos(across)
    flux = radius * (2 * math.pi / count) * thick[shown] / layers / scale**2  # area, pixels
    # the limb is never resolved finer than the depth of its valleys
    rho = np.minimum(np.hypot(px, py) / sun, 1 - 0.25 * brightness.LIMB_DEPTH_ARCSEC / sun)
    flux = flux * _disk_table()[(rho * rho * (_TABLE - 1)).astype(np.int32)]
    column, row = (px - right[0]) / scale, (py - down[0]) / scale
    lit = np.zeros(len(right) * len(down))
    left, top = np.floor(column).astype(np.int64), np.floor(row).astype(np.int64)
    for dx in (0, 1):
        for dy in (0, 1):
            weight = np.abs(1 - dx - (column - left)) * np.abs(1 - dy - (row - top)) * flux
            i, j = left + dx, top + dy
            good = (i >= 0) & (i < len(right)) & (j >= 0) & (j < len(down))
            lit += np.bincount(j[good] * len(right) + i[good], weight[good], len(lit))
    return lit.reshape(len(down), len(right)).astype(np.float32)


def _hydrogen(
    from_sun: Picture, x: Picture, y: Picture, sun: float, scale: float, up: float, seed: int
) -> Picture:
    """Return chromosphere and made-up prominences."""
    high = (from_sun - np.float32(sun)) / np.float32(scale)
    layer = np.clip(np.float32(CHROMOSPHERE_ARCSEC / scale) - high + np.float32(0.5), 0, 1)
    pink: Picture = layer * np.float32(brightness.CHROMOSPHERE_CD_M2)
    drawn = np.random.default_rng(seed)
    for angle, tall, size in zip(
        drawn.uniform(0, 2 * math.pi, 5), drawn.uniform(8, 45, 5), drawn.uniform(6, 22, 5), strict=True
    ):
        px, py = -(sun + tall) * math.sin(angle - up), -(sun + tall) * math.cos(angle - up)
        width = max(size, scale / 2)
        rows = _span(y[:, 0].astype(np.float64), py - 3 * width, py + 3 * width, scale)
        columns = _span(x[0].astype(np.float64), px - 3 * width, px + 3 * width, scale)
        far = (x[:, columns] - np.float32(px)) ** 2 + (y[rows, :] - np.float32(py)) ** 2
        cloud = np.exp(-far / np.float32(2 * width**2)) * np.float32((size / width) ** 2)
        pink[rows, columns] += cloud * np.float32(brightness.PROMINENCE_CD_M2)
    return pink


# --- lens and sensor ----------------------------------------------------------------------------


def _blurred(light: Picture) -> Picture:
    """Return the picture through the lens: a narrow blur, and a little light spread widely about its source."""
    side = math.exp(-1 / (2 * BLUR_PX**2))
    middle, side = 1 / (1 + 2 * side), side / (1 + 2 * side)
    wide = np.pad(light, 1, mode="edge")
    wide = wide[:, 1:-1] * np.float32(middle) + (wide[:, :-2] + wide[:, 2:]) * np.float32(side)
    core: Picture = wide[1:-1] * np.float32(middle) + (wide[:-2] + wide[2:]) * np.float32(side)
    core *= np.float32(1 - GLARE)
    height, width = light.shape
    rows, columns = -(-height // _BLOCK), -(-width // _BLOCK)
    padded = np.pad(light, ((0, rows * _BLOCK - height), (0, columns * _BLOCK - width)), mode="edge")
    blocks = padded.reshape(rows, _BLOCK, columns, _BLOCK).mean(axis=(1, 3))
    glare = np.fft.irfft2(np.fft.rfft2(blocks, (2 * rows, 2 * columns)) * _glare_kernel(rows, columns))
    core += np.float32(GLARE) * _enlarged(glare[:rows, :columns].astype(np.float32))[:height, :width]
    return core


@functools.lru_cache(maxsize=8)
def _glare_kernel(rows: int, columns: int) -> NDArray[np.complex128]:
    """Return the transform of how glare falls off: as the inverse cube of the distance, its sum 1."""
    y = np.minimum(np.arange(2 * rows), 2 * rows - np.arange(2 * rows))[:, None]
    x = np.minimum(np.arange(2 * columns), 2 * columns - np.arange(2 * columns))[None, :]
    kernel = (x * x + y * y + _GLARE_CORE**2) ** -1.5
    transform: NDArray[np.complex128] = np.fft.rfft2(kernel / kernel.sum())
    return transform


def _enlarged(blocks: Picture) -> Picture:
    """Return a picture enlarged by `_BLOCK`, with straight lines between the blocks' middles."""
    for axis in (0, 1):
        blocks = np.moveaxis(blocks, axis, 0)
        joined = np.concatenate([blocks[:1], blocks, blocks[-1:]])
        share = ((np.arange(_BLOCK) + 0.5) / _BLOCK).astype(np.float32)[None, :, None]
        between = joined[:-1, None] * (1 - share) + joined[1:, None] * share
        flat = between.reshape(-1, blocks.shape[1]).astype(np.float32)
        blocks = np.moveaxis(flat[_BLOCK // 2 : _BLOCK // 2 + len(blocks) * _BLOCK], 0, axis)
    return blocks


def _noise(grey: Picture, sensor: Sensor, iso: float, joined: float, seed: int) -> Picture:
    """Return the noise of light and reading, as fractions of saturation."""
    well = sensor.saturation_e(iso)
    variance = np.clip(grey, 0, 1) * np.float32(1 / (well * joined))
    variance += np.float32((sensor.noise_e(iso) / well) ** 2 / joined)
    drawn = np.random.Generator(np.random.SFC64(seed)).standard_normal(grey.shape, dtype=np.float32)
    drawn *= np.sqrt(variance)
    return drawn


# --- tables -------------------------------------------------------------------------------------


@functools.lru_cache(maxsize=1)
def _corona_table() -> Picture:
    """Return `corona_of_disk` by the inverse square of the distance, 0 to 1 (the limb)."""
    inverse = np.maximum(np.arange(_TABLE), 0.5) / (_TABLE - 1)
    return np.array([brightness.corona_of_disk(float(i) ** -0.5) for i in inverse], dtype=np.float32)


@functools.lru_cache(maxsize=1)
def _disk_table() -> Picture:
    """Return the disk's brightness by the square of the distance from its centre, in units of its mean."""
    radius = np.sqrt(np.arange(_TABLE) / (_TABLE - 1))
    made: Picture = (brightness.limb_darkening(radius) / brightness.mean_to_centre()).astype(np.float32)
    return made


@functools.lru_cache(maxsize=1)
def _tone() -> NDArray[np.uint8]:
    linear = np.arange(4096) / 4095
    curve = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    return np.round(255 * curve).astype(np.uint8)
