"""Rendered pictures: levels that agree with the model, light that is neither lost nor made, and where things lie."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from controller.light import brightness
from controller.light.extinction import Haze, beam_transmittance
from controller.light.phenomena import DISK, luminance_cd_m2
from controller.light.rendering import Framing, developed, exposed, jpeg
from controller.light.scene import Disks, made_up_limb
from controller.light.sensor import corona_pixel, saturation_fraction

UP_NORTH = Framing(arcsec_per_px=12.0, up_deg=0.0)
FINE = Framing(arcsec_per_px=4.8, width_px=1200, height_px=800, up_deg=0.0)
SETTINGS = {"exposure_s": 1 / 500, "f_number": 8.0, "iso": 100}


def disks(separation_arcsec: float, **changed: float) -> Disks:
    """A Moon 1.035 times as large as the Sun, east of it, at 40 degrees."""
    there = Disks(
        separation_arcsec=separation_arcsec, position_angle_deg=90.0, sun_radius_arcsec=950.0,
        moon_radius_arcsec=983.0, sun_altitude_deg=40.0,
    )  # fmt: skip
    return replace(there, **changed)


def stops(got: float, wanted: float) -> float:
    """How many stops apart two levels are."""
    return abs(math.log2(got / wanted))


def far_from_sun(framing: Framing) -> np.ndarray:
    """Each pixel's distance from the Sun's centre, arcseconds."""
    x = np.arange(framing.width_px) - (framing.width_px - 1) / 2 - framing.sun_right_px
    y = np.arange(framing.height_px) - (framing.height_px - 1) / 2 - framing.sun_down_px
    return np.hypot(x[None, :], y[:, None]) * framing.arcsec_per_px


@pytest.mark.parametrize("altitude_deg", [8.0, 40.0, 70.0])
@pytest.mark.parametrize("framing", [UP_NORTH, FINE])
def test_filtered_disk_is_as_bright_as_the_model_says(framing: Framing, altitude_deg: float) -> None:
    """The mean of the whole filtered disk agrees with `phenomena`, at any altitude and scale, to 0.05 stops."""
    sun = disks(5000.0, sun_altitude_deg=altitude_deg)
    image = exposed(sun, framing, filter_density=5.0, **SETTINGS)
    model, _ = luminance_cd_m2(DISK, filter_density=5.0, sun_altitude_deg=altitude_deg)
    light = image[..., 1].sum() * framing.arcsec_per_px**2 / (math.pi * 950.0**2)
    assert stops(light, saturation_fraction(model, **SETTINGS)) < 0.05
    middle = image[framing.height_px // 2 - 3 :, :, 1][:6, framing.width_px // 2 - 3 :][:, :6].mean()
    assert stops(middle, saturation_fraction(model / brightness.mean_to_centre(), **SETTINGS)) < 0.05


@pytest.mark.parametrize("radius", [1.2, 1.5, 2.0])
@pytest.mark.parametrize(("elevation_m", "haze"), [(0.0, Haze.CLEAR), (2500.0, Haze.VERY_CLEAR)])
def test_corona_is_as_bright_as_the_model_says(radius: float, elevation_m: float, haze: Haze) -> None:
    """The mean over a ring of the corona, with the sky before it, agrees with `corona_pixel` to 0.15 stops."""
    shot = {"exposure_s": 1 / 1000, "f_number": 8.0, "iso": 100}
    image = exposed(disks(3.0), FINE, site_elevation_m=elevation_m, haze=haze, **shot)
    ring = np.abs(far_from_sun(FINE) / 950.0 - radius) < 0.02
    model = corona_pixel(
        radius, 1 / 1000, 8.0, 100, sun_altitude_deg=40.0, site_elevation_m=elevation_m, haze=haze
    )
    assert stops(image[ring][:, 1].mean(), model.fraction) < 0.15


def test_moon_in_totality_is_earthshine_and_sky() -> None:
    """The Moon's middle shows earthshine behind the sky, as the model has both, beside a little glare."""
    image = exposed(disks(3.0), UP_NORTH, exposure_s=1.0, f_number=8.0, iso=100)
    moon = far_from_sun(UP_NORTH) < 300
    air = beam_transmittance(40.0)
    model = brightness.earthshine_cd_m2() * air + brightness.totality_sky_cd_m2()
    got = image[moon][:, 1].mean()
    wanted = saturation_fraction(model, 1.0, 8.0, 100)
    assert wanted < got < 3 * wanted


@pytest.mark.parametrize("left_arcsec", [0.5, 3.0, 12.0, 100.0, 900.0])
def test_crescent_keeps_its_light(left_arcsec: float) -> None:
    """However thin the crescent, its light on the picture is that of the plane geometry, to 0.1 stops.

    What the corona adds, a millionth of the Sun, is taken off.
    """
    sun = disks(983.0 - 950.0 + left_arcsec)
    unit = saturation_fraction(1.0, **SETTINGS) * beam_transmittance(40.0) * brightness.DISK_MEAN_CD_M2 / 1e5
    image = exposed(sun, UP_NORTH, filter_density=5.0, seed=None, **SETTINGS)
    dark = exposed(disks(33.0), UP_NORTH, filter_density=5.0, seed=None, **SETTINGS)
    got = (image - dark)[..., 1].astype(float).sum() * 12.0**2 / unit / (math.pi * 950.0**2)
    apart, moon = sun.separation_arcsec / 950.0, 983.0 / 950.0
    wanted = (1 - brightness.covered_area(apart, moon)) * brightness.crescent_factor(apart, moon)
    assert stops(got, wanted) < 0.1


def test_light_of_the_last_crescent_falls_without_jumps() -> None:
    """From pixel-wise drawing to drawing along the limb nothing jumps, and with hills beads outlast the mean limb."""
    limb = made_up_limb(5)
    light = [
        exposed(disks(33.0 + left), UP_NORTH, filter_density=5.0, seed=None, limb=limb, **SETTINGS)[
            ..., 1
        ].sum()
        for left in (40.0, 38.0, 36.0, 34.0, 32.0, 30.0, 10.0, 4.0, 1.0, 0.0, -0.5)
    ]
    assert all(later < earlier for earlier, later in pairwise(light))
    assert all(later > 0.85 * earlier for earlier, later in pairwise(light[:6]))
    smooth = exposed(disks(32.5), UP_NORTH, filter_density=5.0, seed=None, **SETTINGS)[..., 1].sum()
    assert light[-1] > 10 * smooth


def test_diamond_clips_and_blooms() -> None:
    """A last point of bare Sun clips many pixels around it on the side away from the Moon, and not opposite."""
    shot = {"exposure_s": 1 / 60, "f_number": 8.0, "iso": 100}
    image = developed(exposed(disks(34.0, position_angle_deg=270.0), UP_NORTH, **shot))
    middle = UP_NORTH.width_px // 2
    white = (image == 255).all(axis=2)
    assert white[:, :middle].sum() > 100  # the Moon lies west, so that the east limb, left, is the last
    assert white[:, middle:].sum() == 0


@pytest.mark.parametrize(("up_deg", "side"), [(0.0, "left"), (90.0, "up"), (180.0, "right"), (270.0, "down")])
def test_east_is_left_of_north(up_deg: float, side: str) -> None:
    """A Moon in the east takes the side of the disk that lies ninety degrees left of north."""
    image = exposed(
        disks(900.0), replace(UP_NORTH, up_deg=up_deg), filter_density=5.0, seed=None, **SETTINGS
    )[..., 1]
    half, across = image.shape[0] // 2, image.shape[1] // 2
    light = {
        "left": image[:, :across].sum(), "right": image[:, across:].sum(),
        "up": image[:half].sum(), "down": image[half:].sum(),
    }  # fmt: skip
    assert min(light, key=lambda name: light[name]) == side


def test_sun_off_the_middle_and_out_of_the_picture() -> None:
    """The disk stands where the framing says; wholly outside, nothing of it is left."""
    framing = replace(UP_NORTH, sun_right_px=100.0, sun_down_px=-40.0)
    image = exposed(disks(5000.0), framing, filter_density=5.0, seed=None, **SETTINGS)[..., 1]
    weight = image.sum()
    assert (image.sum(axis=0) @ np.arange(480)) / weight == pytest.approx(239.5 + 100, abs=1.0)
    assert (image.sum(axis=1) @ np.arange(320)) / weight == pytest.approx(159.5 - 40, abs=1.0)
    gone = exposed(
        disks(5000.0), replace(framing, sun_right_px=900.0), filter_density=5.0, seed=None, **SETTINGS
    )
    assert gone.max() < 1e-3


def test_noise_is_the_sensors() -> None:
    """Even light scatters by its own electrons and the sensor's reading, and the same for the same seed."""
    from controller.light.sensor import FULL_FRAME

    shot = {"exposure_s": 2.0, "f_number": 8.0, "iso": 400}
    far = replace(UP_NORTH, sun_right_px=20_000.0)
    image, again = (exposed(disks(3.0), far, seed=7, **shot)[..., 1] for _ in range(2))
    assert np.array_equal(image, again)
    level, well = float(image.mean()), FULL_FRAME.saturation_e(400)
    wanted = math.sqrt(level * well + FULL_FRAME.noise_e(400) ** 2) / well
    still = exposed(disks(3.0), far, seed=None, **shot)[..., 1]
    assert float((image - still).std()) == pytest.approx(wanted, rel=0.03)


def test_hydrogen_is_pink_and_stands_on_the_limb() -> None:
    """In totality something red stands just outside the Moon, and the filter takes it away with all else."""
    image = exposed(
        disks(20.0, position_angle_deg=270.0), FINE, exposure_s=1 / 1000, f_number=8.0, iso=100, seed=1
    )
    red = image[..., 0] - image[..., 1] > 0.02
    assert red.sum() > 50
    assert np.median(far_from_sun(FINE)[red]) < 950 * 1.08
    dark = exposed(
        disks(20.0), FINE, exposure_s=1 / 1000, f_number=8.0, iso=100, filter_density=5.0, seed=None
    )
    assert dark.max() < 1e-4


def test_bytes_are_the_srgb_curve_and_a_jpeg_reads_back() -> None:
    """Saturation is 255, a fifth of it is 124 as IEC 61966-2-1 has it, and the JPEG shows the same."""
    import io

    from PIL import Image

    image = np.zeros((32, 48, 3), dtype=np.float32)
    image[:, :16], image[:, 16:32] = 7.0, 0.2
    made = developed(image)
    # 1.055 * 0.2^(1/2.4) - 0.055 = 0.4845, times 255
    assert [int(made[5, x, 0]) for x in (2, 20, 40)] == [255, 124, 0]
    back = np.asarray(Image.open(io.BytesIO(jpeg(made, quality=95))))
    assert [abs(int(back[16, x, 0]) - level) < 6 for x, level in ((4, 255), (24, 124), (44, 0))] == [True] * 3


def test_unusable_settings_are_refused() -> None:
    """An exposure of nothing and a picture without scale are told, not rendered."""
    with pytest.raises(ValueError, match="above zero"):
        exposed(disks(3.0), UP_NORTH, exposure_s=0.0, f_number=8.0, iso=100)
    with pytest.raises(ValueError, match="above zero"):
        Framing(arcsec_per_px=0.0)
