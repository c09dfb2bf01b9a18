"""Air mass and extinction against published formulas, tables and properties."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.light.extinction import (
    LOWEST_ALTITUDE_DEG,
    Haze,
    air_mass,
    beam_transmittance,
    extinction_stops,
    refracted_altitude_deg,
    zenith_extinction_mag,
)

ALTITUDES = st.floats(LOWEST_ALTITUDE_DEG, 90)

# Apparent altitude, then the air mass of two other published formulas: Pickering 2002 (DIO 12) and
# Gueymard 1993 (Solar Energy 51), computed with pvlib 0.16.1 (pvlib.atmosphere.get_relative_airmass).
OTHER_FORMULAS = [
    (90, 1.0000, 1.0000),
    (60, 1.1541, 1.1543),
    (45, 1.4124, 1.4128),
    (30, 1.9932, 1.9943),
    (20, 2.9001, 2.9022),
    (15, 3.8082, 3.8105),
    (10, 5.5807, 5.5808),
    (5, 10.3337, 10.3043),
    (3, 15.2618, 15.1772),
    (1, 26.6438, 26.4428),
    (0, 38.7494, 37.8082),
]

# True altitude and the air mass by A. T. Young 1994 (Applied Optics 33, 1108), whose formula takes the
# altitude without refraction; computed with pvlib 0.16.1.
TRUE_ALTITUDES = [
    (60, 1.1541),
    (30, 1.9917),
    (20, 2.8951),
    (10, 5.5407),
    (5, 10.0587),
    (2, 18.0629),
    (0, 31.7349),
]

# A. Bemporad's table of 1904 at zenith distances, as reprinted in astronomy handbooks (quoted from memory).
BEMPORAD = [(30, 1.995), (20, 2.904), (10, 5.60), (5, 10.40), (3, 15.36)]


@pytest.mark.parametrize(("altitude", "pickering", "gueymard"), OTHER_FORMULAS)
def test_air_mass_agrees_with_two_other_formulas(altitude, pickering, gueymard):
    """From the zenith to the horizon three published formulas agree to 2.5 %, and above 5 degrees to 0.5 %."""
    rel = 0.005 if altitude >= 5 else 0.025
    assert air_mass(altitude) == pytest.approx(pickering, rel=rel)
    assert air_mass(altitude) == pytest.approx(gueymard, rel=rel)


@pytest.mark.parametrize(("altitude", "expected"), BEMPORAD)
def test_air_mass_agrees_with_the_classical_table(altitude, expected):
    """Bemporad's table, the standard of a century, is met within 1.5 %."""
    assert air_mass(altitude) == pytest.approx(expected, rel=0.015)


def test_air_mass_is_38_at_the_horizon():
    """Kasten and Young's own figure for the horizon, given with their formula (Applied Optics 28, 4735)."""
    assert air_mass(0) == pytest.approx(38, abs=0.1)


@pytest.mark.parametrize(("altitude", "expected"), TRUE_ALTITUDES)
def test_refraction_and_air_mass_together_agree_with_a_formula_of_the_true_altitude(altitude, expected):
    """Refraction then Kasten-Young equals Young 1994 of the unrefracted altitude, to 1 % (at the horizon)."""
    assert air_mass(refracted_altitude_deg(altitude)) == pytest.approx(expected, rel=0.01)


def test_refraction_lifts_the_horizon_by_34_minutes():
    """34 arcminutes at the horizon, the convention of almanacs (Explanatory Supplement); 1 minute at 45 degrees."""
    assert refracted_altitude_deg(-34 / 60) == pytest.approx(0, abs=0.01)
    assert (refracted_altitude_deg(45) - 45) * 60 == pytest.approx(1.0, abs=0.05)


def test_extinction_at_sea_level_is_the_usual_0_28():
    """0.28 magnitudes an air mass in clear air at sea level (Green 1992: 0.1451 + 0.016 + 0.120)."""
    assert zenith_extinction_mag() == pytest.approx(0.281, abs=0.001)


def test_extinction_on_a_high_observatory_is_the_one_measured_there():
    """At 4200 m astronomers measure 0.11 magnitudes in V (Mauna Kea, usual figure, from memory)."""
    assert zenith_extinction_mag(4200, Haze.VERY_CLEAR) == pytest.approx(0.11, abs=0.015)


def test_the_sun_on_the_ground_has_its_usual_luminance():
    """1.93e9 cd/m2 in space is about 1.6e9 for a high Sun on the ground (usual figure, from memory)."""
    assert 1.93e9 * beam_transmittance(75) == pytest.approx(1.6e9, rel=0.1)


@given(ALTITUDES, ALTITUDES, st.floats(0, 5000), st.sampled_from(Haze))
def test_a_lower_sun_loses_more(one, other, elevation, haze):
    """Extinction never grows with the altitude."""
    low, high = sorted((one, other))
    assert extinction_stops(low, elevation, haze) >= extinction_stops(high, elevation, haze) > 0


@given(ALTITUDES, st.floats(0, 5000), st.floats(0, 5000))
def test_a_higher_site_loses_less_and_haze_takes_more(altitude, one, other):
    """Extinction never grows with elevation, and grows with each step of haze."""
    low, high = sorted((one, other))
    assert extinction_stops(altitude, low) >= extinction_stops(altitude, high)
    by_haze = [extinction_stops(altitude, low, haze) for haze in Haze]
    assert by_haze == sorted(by_haze)
    assert len(set(by_haze)) == len(Haze)


@given(ALTITUDES)
def test_stops_and_transmittance_are_the_same_loss(altitude):
    """The transmittance is two to the power of minus the stops, and magnitudes are 1.33 stops each."""
    assert -math.log2(beam_transmittance(altitude)) == pytest.approx(extinction_stops(altitude))
    magnitudes = zenith_extinction_mag() * air_mass(refracted_altitude_deg(altitude))
    assert extinction_stops(altitude) / magnitudes == pytest.approx(1.3288, abs=1e-4)


@pytest.mark.parametrize("altitude", [-1, 91, math.nan])
def test_below_the_horizon_there_is_no_beam(altitude):
    """An altitude that the Sun cannot be seen at is refused."""
    with pytest.raises(ValueError, match="stands at"):
        extinction_stops(altitude)
    with pytest.raises(ValueError, match="no air mass"):
        air_mass(altitude)
