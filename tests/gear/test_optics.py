"""Image scale, sizes and the projection, against published figures and Astropy's own projection."""

import math

import numpy as np
import pytest
from astropy.wcs import WCS
from hypothesis import given
from hypothesis import strategies as st

from controller.gear.classes import CAMERA_CLASSES, SensorSize, nearest_class
from controller.gear.optics import Aim, Field, image_scale_arcsec_px, separation_arcsec, sun_image_mm
from controller.light.sensor import SENSORS

FULL = SensorSize(width_mm=36.0, height_mm=24.0, width_px=6000, height_px=4000)


@pytest.mark.parametrize("focal_mm", [200, 400, 500, 1000, 2000])
def test_the_sun_is_about_the_focal_length_over_109_across(focal_mm):
    """The photographers' rule (common practice; tan 32' is 1/107) holds within 2 %."""
    assert sun_image_mm(focal_mm) == pytest.approx(focal_mm / 109, rel=0.02)


def test_the_sun_at_its_mean_distance_is_exactly_two_tangents():
    """960 mm show 959.63 arcseconds of radius as 2 * 960 * tan(959.63") = 8.9326 mm (worked by hand)."""
    assert sun_image_mm(960.0) == pytest.approx(8.9326, abs=2e-4)


@pytest.mark.parametrize(
    ("focal_mm", "pixel_um", "arcsec"), [(1000, 5.4, 1.1138), (400, 3.76, 1.9389), (2000, 9.0, 0.9282)]
)
def test_image_scale_is_206265_times_pitch_over_focal_length(focal_mm, pixel_um, arcsec):
    """The scale agrees with 206.265 * pitch [micrometres] / focal length [mm], the usual handbook form."""
    assert image_scale_arcsec_px(focal_mm, pixel_um) == pytest.approx(arcsec, abs=1e-4)


@pytest.mark.parametrize(
    ("focal_mm", "wide", "high", "diagonal"),
    [(20, 84.0, 61.9, 94.5), (24, 73.7, 53.1, 84.1), (50, 39.6, 27.0, 46.8), (200, 10.3, 6.9, 12.3)],
)
def test_angles_of_view_are_those_in_print(focal_mm, wide, high, diagonal):
    """Angles of 36 x 24 mm are those lens makers and handbooks print (common tables, one decimal)."""
    assert Field.of(FULL, focal_mm).angles_deg == pytest.approx((wide, high, diagonal), abs=0.06)


def test_a_teleconverter_scales_and_a_crop_mode_only_frames():
    """A 2x teleconverter halves arcseconds a pixel; a crop of 1.5 keeps them and takes 2/3 of the sides."""
    plain, longer = Field.of(FULL, 400), Field.of(FULL, 400, teleconverter=2)
    cropped = Field.of(FULL, 400, crop=1.5)
    assert longer.arcsec_per_px == pytest.approx(plain.arcsec_per_px / 2)
    assert longer.sun_diameter_px() == pytest.approx(2 * plain.sun_diameter_px())
    assert cropped.arcsec_per_px == pytest.approx(plain.arcsec_per_px)
    assert cropped.sun_diameter_px() == pytest.approx(plain.sun_diameter_px())
    assert cropped.sun_part() == pytest.approx(1.5 * plain.sun_part())
    assert (cropped.width_px, cropped.height_px) == pytest.approx((4000, 8000 / 3))


def test_upright_exchanges_the_sides():
    """Held upright the frame is as high as it was wide."""
    upright = Field.of(FULL, 400, upright=True)
    assert (upright.width_px, upright.height_px) == (4000, 6000)
    assert upright.arcsec_per_px == pytest.approx(Field.of(FULL, 400).arcsec_per_px)


def test_corona_that_fits():
    """At 1000 mm, 24 mm of sensor are 12 mm from the centre: 12 / 4.6525 = 2.579 solar radii, and so on."""
    short, long, corner = Field.of(FULL, 1000).corona_radii()
    assert short == pytest.approx(12 / 4.6525, rel=2e-4)
    assert long == pytest.approx(18 / 4.6525, rel=2e-4)
    assert corner == pytest.approx(math.hypot(12, 18) / 4.6525, rel=3e-4)


@given(
    st.floats(-5, 85),
    st.floats(0, 360),
    st.floats(-25, 25),
    st.floats(-25, 25),
    st.sampled_from((14, 50, 600)),
)
def test_the_projection_is_astropy_s(altitude, azimuth, up, aside, focal_mm):
    """Places in the frame agree with the gnomonic (TAN) projection of astropy.wcs to 1e-6 pixels."""
    field = Field.of(FULL, focal_mm)
    wcs = WCS(naxis=2)
    wcs.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    wcs.wcs.crval = [azimuth, altitude]
    wcs.wcs.crpix = [1, 1]  # counted from 1: the middle is pixel 0 of Python's count
    degrees_px = math.degrees(field.pixel_um / 1000 / focal_mm)
    wcs.wcs.cdelt = [degrees_px, degrees_px]  # azimuth grows to the right when one faces the Sun
    there_alt = np.array([max(-89.0, min(89.0, altitude + up))])
    there_az = np.array([(azimuth + aside) % 360])
    x, y = field.project(Aim(altitude, azimuth), there_alt, there_az)
    expected = wcs.all_world2pix(np.stack([there_az, there_alt], axis=1), 0)[0]
    assert float(x[0]) == pytest.approx(expected[0], abs=1e-6, rel=1e-9)
    assert float(y[0]) == pytest.approx(expected[1], abs=1e-6, rel=1e-9)


@given(st.floats(-80, 80), st.floats(0, 359), st.floats(-2900, 2900), st.floats(-1900, 1900))
def test_a_place_in_the_frame_is_found_again(altitude, azimuth, x, y):
    """The direction at a place of the frame projects back to that place."""
    field = Field.of(FULL, 24)
    there = field.direction_at(Aim(altitude, azimuth), x, y)
    back = field.project(
        Aim(altitude, azimuth), np.array([there.altitude_deg]), np.array([there.azimuth_deg])
    )
    assert (float(back[0][0]), float(back[1][0])) == pytest.approx((x, y), abs=1e-5)


def test_what_is_behind_is_nowhere_in_the_frame():
    """A direction opposite to the aim is infinitely far out."""
    x, y = Field.of(FULL, 24).project(Aim(30, 90), np.array([-30.0]), np.array([270.0]))
    assert math.isinf(x[0])
    assert math.isinf(y[0])


def test_angles_between_neighbours():
    """A degree along the meridian is 3600 arcseconds; a degree of azimuth at 60 degrees about half of it."""
    angles = separation_arcsec(np.array([59.0, 60.0, 60.0]), np.array([10.0, 10.0, 11.0]))
    assert angles[0] == pytest.approx(3600)
    assert angles[1] == pytest.approx(1800, rel=1e-4)


@pytest.mark.parametrize("name", CAMERA_CLASSES)
def test_classes_are_plausible(name):
    """Each class has square pixels, the megapixels of its name, its long side first, and a known light sensor."""
    one = CAMERA_CLASSES[name]
    size = one.size
    assert size.width_mm / size.width_px == pytest.approx(size.height_mm / size.height_px, rel=0.03)
    assert size.megapixels == pytest.approx(float(name.split()[-2]), rel=0.04)
    assert size.width_mm > size.height_mm
    assert SENSORS[one.light_sensor].pixel_um == pytest.approx(size.pixel_um, rel=0.25)
    assert nearest_class(size) is one


@pytest.mark.parametrize("wrong", [{"teleconverter": 0.7}, {"crop": 0.5}])
def test_factors_below_one_are_refused(wrong):
    """No teleconverter shortens, and no crop mode enlarges the sensor."""
    with pytest.raises(ValueError, match="1 or more"):
        Field.of(FULL, 400, **wrong)


def test_nothing_is_made_of_nothing():
    """Sides, focal lengths and pitches of zero are refused."""
    with pytest.raises(ValueError, match="above zero"):
        Field.of(FULL, 0)
    with pytest.raises(ValueError, match="above zero"):
        image_scale_arcsec_px(400, 0)
    with pytest.raises(ValueError, match="above zero"):
        SensorSize(width_mm=36, height_mm=0, width_px=6000, height_px=4000)
