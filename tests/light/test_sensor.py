"""From luminance to electrons: the standards' own arithmetic, photon statistics and properties."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.light import sensor as pixels
from controller.light.brightness import DISK_MEAN_CD_M2, corona_of_disk
from controller.light.extinction import Haze
from controller.light.sensor import FULL_FRAME, SENSORS, Sensor
from controller.light.stops import exposure_value

EXPOSURES = st.floats(1 / 8000, 30)
ISOS = st.sampled_from([100, 200, 400, 800, 1600, 6400])
F_NUMBERS = st.floats(2, 22)
CLASSES = st.sampled_from(list(SENSORS.values()))


def test_a_meter_leaves_18_percent_gray_where_the_standard_says():
    """A metered level is 12.5 x 0.65 / 78 = 0.104 of saturation, 3.3 stops below it.

    ISO 2720 (K 12.5) with ISO 12232 (0.65 and 78): the saturation-based speed is defined so that a scene's
    18 % gray is near 12.7 % of saturation, within a third of a stop.
    """
    assert pytest.approx(0.104, abs=0.001) == pixels.METERED_LEVEL
    assert abs(math.log2(pixels.METERED_LEVEL / 0.127)) < 1 / 3


def test_sunlit_gray_is_exposure_value_15():
    """4096 cd/m2, gray in full sun, is EV 15 at ISO 100 with K = 12.5 (the table printed with meters)."""
    assert exposure_value(pixels.metered_exposure_s(4096, 16, 100), 16) == pytest.approx(15)


def test_exposure_value_zero_is_an_eighth_of_a_candela():
    """EV 0 at ISO 100 is 0.125 cd/m2 with K = 12.5 (ISO 2720, the table printed with meters)."""
    assert pixels.metered_exposure_s(0.125, 1.0, 100) == pytest.approx(1.0)


def test_saturation_is_where_the_standard_puts_it():
    """78 / S lux seconds on the sensor saturate it: 0.78 at ISO 100 (ISO 12232)."""
    luminance = 0.78 / (0.65 * 0.01 / 64)  # for 1/100 s at f/8
    assert pixels.saturation_fraction(luminance, 0.01, 8, 100) == pytest.approx(1.0)
    assert pixels.electrons(luminance, 0.01, 8, 100) == pytest.approx(FULL_FRAME.full_well_e)


@given(st.floats(1e-3, 1e5), F_NUMBERS, ISOS, st.floats(0.001, 1), CLASSES)
def test_the_exposure_for_a_level_reaches_that_level(luminance, f_number, iso, level, sensor):
    """Exposing for a level, then asking for the level, gives it back."""
    time_s = pixels.exposure_for_level_s(luminance, f_number, iso, level, sensor)
    assert pixels.saturation_fraction(luminance, time_s, f_number, iso, sensor) == pytest.approx(level)


@given(st.floats(1e-3, 1e5), EXPOSURES, F_NUMBERS, CLASSES)
def test_speed_moves_the_level_and_not_the_light(luminance, time_s, f_number, sensor):
    """Above the base speed a stop of ISO is a stop of level, with the same electrons; below it nothing moves."""
    base = sensor.base_iso
    for iso in (base, 4 * base):
        low = pixels.saturation_fraction(luminance, time_s, f_number, iso, sensor)
        assert pixels.saturation_fraction(luminance, time_s, f_number, 2 * iso, sensor) == pytest.approx(
            2 * low
        )
        held = pixels.electrons(luminance, time_s, f_number, iso, sensor)
        assert pixels.electrons(luminance, time_s, f_number, 2 * iso, sensor) == pytest.approx(held)
    pulled = pixels.saturation_fraction(luminance, time_s, f_number, base / 2, sensor)
    assert pulled == pixels.saturation_fraction(luminance, time_s, f_number, base, sensor)


@given(CLASSES, ISOS, st.floats(1, 200), st.floats(0, 5000))
def test_the_signal_at_a_signal_to_noise_has_it(sensor, iso, snr, background_e):
    """The solved signal, put back into signal over noise, gives the one asked for."""
    signal_e = sensor.signal_at_snr_e(snr, iso, background_e=background_e)
    assert sensor.snr(signal_e, background_e, iso) == pytest.approx(snr, rel=1e-6)


def test_signal_over_noise_is_what_a_simulated_pixel_shows():
    """Poisson light and Gaussian reading, drawn 200000 times, scatter as the formula says (independent: numpy)."""
    rng = np.random.default_rng(20_270_802)
    signal_e, background_e = 900.0, 400.0
    read = rng.normal(0, FULL_FRAME.noise_e(100), 200_000)
    drawn = rng.poisson(signal_e + background_e, 200_000) + read - background_e
    assert FULL_FRAME.snr(signal_e, background_e, 100) == pytest.approx(drawn.mean() / drawn.std(), rel=0.01)


def test_rounding_to_whole_steps_scatters_by_a_root_of_twelve():
    """Without reading noise, what is left is a step over the square root of 12 (uniform distribution)."""
    ideal = Sensor(
        name="ideal",
        pixel_um=4,
        full_well_e=40_950,
        base_iso=100,
        read_noise_e=0,
        read_noise_floor_e=0,
        bit_depth=12,
    )
    assert ideal.noise_e(100) == pytest.approx(10 / math.sqrt(12))
    values = np.random.default_rng(1).uniform(0, 40_950, 200_000)
    assert np.std(values - np.round(values / 10) * 10) == pytest.approx(ideal.noise_e(100), rel=0.01)


@pytest.mark.parametrize("sensor", SENSORS.values(), ids=lambda one: one.name)
def test_at_unity_gain_a_step_is_one_electron(sensor):
    """The definition of unity gain; and the noise falls from the base speed to the floor."""
    assert sensor.saturation_e(sensor.unity_gain_iso) / (2**sensor.bit_depth - 1) == pytest.approx(1.0)
    noises = [sensor.noise_e(sensor.base_iso * 2**stop) for stop in range(8)]
    assert noises == sorted(noises, reverse=True)
    assert noises[-1] == pytest.approx(sensor.read_noise_floor_e, abs=0.1)


@pytest.mark.parametrize("sensor", SENSORS.values(), ids=lambda one: one.name)
def test_typical_sensors_have_the_dynamic_range_of_such_sensors(sensor):
    """Full well over dark noise is 11 to 14.5 stops at the base speed, as published tests of such classes find."""
    assert 11 < math.log2(sensor.full_well_e / sensor.noise_e(sensor.base_iso)) < 14.5


@given(CLASSES, st.floats(1, 100), st.floats(1, 100))
def test_more_demand_leaves_less_range(sensor, one, other):
    """The usable range shrinks with the signal over noise asked for, and with the speed."""
    low, high = sorted((one, other))
    base = sensor.base_iso
    assert sensor.usable_range_stops(base, min_snr=low) >= sensor.usable_range_stops(base, min_snr=high)
    assert sensor.usable_range_stops(4 * base, min_snr=low) < sensor.usable_range_stops(base, min_snr=low)


@given(EXPOSURES, F_NUMBERS, ISOS, CLASSES, st.floats(2, 90), st.floats(0, 2))
def test_inside_the_usable_radii_nothing_clips_or_drowns(time_s, f_number, iso, sensor, altitude, margin):
    """At both ends and between, the pixel itself is below clipping and above the noise asked for."""
    found = pixels.usable_radii(
        time_s, f_number, iso, sensor=sensor, sun_altitude_deg=altitude, min_snr=20, margin_stops=margin
    )
    if found is None:
        return
    inner, outer = found
    assert 1 <= inner < outer <= pixels.FARTHEST_RADIUS
    for radius in (inner, (inner + outer) / 2, outer):
        pixel = pixels.corona_pixel(radius, time_s, f_number, iso, sensor=sensor, sun_altitude_deg=altitude)
        assert pixel.fraction <= pixels.CLIP_LEVEL * (1 + 1e-6)
        assert pixel.snr >= 20 * (1 - 1e-6)


@given(EXPOSURES, F_NUMBERS, ISOS, CLASSES, st.floats(2, 90))
def test_outside_the_usable_radii_the_corona_clips_or_drowns(time_s, f_number, iso, sensor, altitude):
    """Just nearer than the inner end it clips, just farther than the outer end it is lost."""

    def pixel(radius):
        return pixels.corona_pixel(radius, time_s, f_number, iso, sensor=sensor, sun_altitude_deg=altitude)

    found = pixels.usable_radii(time_s, f_number, iso, sensor=sensor, sun_altitude_deg=altitude)
    if found is None:
        for radius in (1.0, 1.5, 2.0, 3.0, 5.0, 10.0):
            assert pixel(radius).fraction > pixels.CLIP_LEVEL or pixel(radius).snr < pixels.GOOD_SNR
        return
    inner, outer = found
    assert inner == 1 or pixel(max(1.0, inner * 0.999)).fraction > pixels.CLIP_LEVEL
    assert outer == pixels.FARTHEST_RADIUS or pixel(outer * 1.001).snr < pixels.GOOD_SNR


@given(EXPOSURES, st.floats(1, 8), F_NUMBERS, ISOS)
def test_a_longer_exposure_begins_and_ends_farther_out(time_s, longer, f_number, iso):
    """Both ends of the usable radii move outwards with the exposure, until the sky itself clips."""
    one = pixels.usable_radii(time_s, f_number, iso)
    other = pixels.usable_radii(time_s * longer, f_number, iso)
    if one and other:
        assert one[0] <= other[0] * (1 + 1e-9)
        assert one[1] <= other[1] * (1 + 1e-9)


@given(EXPOSURES, st.floats(0.1, 2))
def test_a_margin_only_narrows(time_s, margin):
    """With a margin the usable radii lie inside those without, for the sky is the same."""
    plain = pixels.usable_radii(time_s, 8, 100)
    narrowed = pixels.usable_radii(time_s, 8, 100, margin_stops=margin)
    if narrowed is not None:
        assert plain is not None
        assert plain[0] <= narrowed[0] < narrowed[1] <= plain[1]


def test_a_margin_is_a_stop_of_corona():
    """Where the sky counts for little, a stop of margin moves the inner end to a corona half as bright."""
    plain = pixels.usable_radii(1 / 30, 8, 100)
    narrowed = pixels.usable_radii(1 / 30, 8, 100, margin_stops=1)
    assert plain is not None
    assert narrowed is not None
    assert corona_of_disk(plain[0]) / corona_of_disk(narrowed[0]) == pytest.approx(2, rel=0.02)


def test_haze_and_a_low_sun_take_the_outer_corona():
    """The outer end comes in when the sky brightens and the beam fades."""
    clear = pixels.usable_radii(1, 8, 100)
    hazy = pixels.usable_radii(1, 8, 100, sun_altitude_deg=10, haze=Haze.HAZY)
    assert clear is not None
    assert hazy is not None
    assert hazy[1] < clear[1]


def test_the_pixel_adds_corona_and_sky():
    """Electrons in parts make the fraction, and the corona's share is its luminance through the air."""
    pixel = pixels.corona_pixel(2.0, 1.0, 8, 100, sun_altitude_deg=90, site_elevation_m=2000)
    assert pixel.fraction == pytest.approx((pixel.corona_e + pixel.sky_e) / FULL_FRAME.full_well_e)
    through = pixel.corona_e / pixels.electrons(DISK_MEAN_CD_M2 * corona_of_disk(2.0), 1.0, 8, 100)
    assert 0.8 < through < 0.9


@pytest.mark.parametrize(
    ("changed", "match"),
    [
        ({"full_well_e": 0}, "above zero"),
        ({"bit_depth": 0}, "above zero"),
        ({"read_noise_floor_e": 9}, "floor"),
    ],
)
def test_a_sensor_that_cannot_be_is_refused(changed, match):
    """Figures of zero, or a noise floor above the noise, raise ValueError."""
    figures = {
        "name": "odd", "pixel_um": 4, "full_well_e": 40_000, "base_iso": 100,
        "read_noise_e": 4, "read_noise_floor_e": 2, "bit_depth": 14,
    }  # fmt: skip
    with pytest.raises(ValueError, match=match):
        Sensor(**(figures | changed))


@pytest.mark.parametrize("values", [(0, 8, 100, 0.5), (10, 0, 100, 0.5), (10, 8, 0, 0.5), (10, 8, 100, 0)])
def test_an_exposure_for_nothing_is_refused(values):
    """Luminance, f-number, speed and level must be above zero."""
    with pytest.raises(ValueError, match="above zero"):
        pixels.exposure_for_level_s(*values)
