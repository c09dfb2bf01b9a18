"""Luminances against published figures, independent formulas and plane geometry."""

import math

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from controller.light import brightness as light
from controller.light.extinction import Haze
from controller.sky.geometry import obscuration

SUN_RADIUS_RAD = math.radians(959.63 / 3600)  # Auwers 1891, at 1 au

# Limb darkening at 550 nm, I = 1 - u - v + u mu + v mu^2 with u = 0.93, v = -0.23: C. W. Allen, Astrophysical
# Quantities (also in A. N. Cox's edition), from memory; independent of the fit in the product.
ALLEN_U, ALLEN_V = 0.93, -0.23

# Baumbach's formula evaluated, in 1e-6 of the disk's mean: arithmetic on the published coefficients.
BAUMBACH = [
    (1.1, 1.28),
    (1.2, 0.547),
    (1.5, 0.105),
    (2.0, 0.0206),
    (3.0, 0.00406),
    (5.0, 0.00097),
    (9.0, 0.00022),
]


def planck_w_m2_sr_m(wavelength_m, temperature_k):
    """Planck's law with the CODATA constants."""
    h, c, k = 6.62607015e-34, 299_792_458.0, 1.380649e-23
    return 2 * h * c**2 / wavelength_m**5 / np.expm1(h * c / (wavelength_m * k * temperature_k))


def test_the_limb_darkening_coefficients_sum_as_they_must():
    """At the centre (mu = 1) the polynomial is 1 at every wavelength: the parts sum to 1, 0 and 0."""
    for wavelength_um in (0.422, 0.55, 0.8, 1.1):
        assert light.limb_darkening(0.0, wavelength_um) == pytest.approx(1.0, abs=1e-6)


@pytest.mark.parametrize("mu", [1.0, 0.9, 0.8, 0.7, 0.6, 0.5, 0.4, 0.3, 0.2])
def test_limb_darkening_agrees_with_an_older_measurement(mu):
    """Neckel 2005 and Allen's quadratic law at 550 nm are within 0.02 of the centre's brightness."""
    allen = 1 - ALLEN_U - ALLEN_V + ALLEN_U * mu + ALLEN_V * mu**2
    assert light.limb_darkening(math.sqrt(1 - mu**2)) == pytest.approx(allen, abs=0.02)


def test_centre_and_mean_of_the_disk_are_both_as_published():
    """Scaled to the published mean, the model's centre is the published 2.43e9 +/- 0.05e9 cd/m2.

    Source: "Luminance of the Sun", J. Opt. Soc. Am. 45, 483 (1955): the two were measured, not derived.
    """
    assert light.disk_luminance_cd_m2(0) == pytest.approx(2.43e9, abs=0.05e9)
    assert light.mean_to_centre() == pytest.approx(1.93 / 2.43, abs=0.03)


def test_the_integral_of_the_luminance_is_the_published_illuminance():
    """Luminance over the disk's solid angle gives 131 klx +/- 3 (12200 +/- 300 lm/ft2, same article)."""
    radii = (np.arange(20_000) + 0.5) / 20_000
    luminance = np.array([light.disk_luminance_cd_m2(r) for r in radii[::100]])
    rings = 2 * math.pi * radii[::100] * SUN_RADIUS_RAD**2 * 100 / 20_000
    assert float(np.sum(luminance * rings)) == pytest.approx(131e3, abs=3e3)


def test_the_sun_is_about_a_black_body_of_its_temperature():
    """A black body of 5772 K (IAU 2015 B3) seen by the eye's sensitivity is within 8 % of the disk's mean.

    Sensitivity: 683 lm/W x 1.019 exp(-285.4 (um - 0.559)^2), the usual fit to CIE 1924 V.
    """
    wavelength_um = np.linspace(0.38, 0.78, 801)
    sensitivity = 683 * 1.019 * np.exp(-285.4 * (wavelength_um - 0.559) ** 2)
    spectrum = planck_w_m2_sr_m(wavelength_um * 1e-6, 5772)
    assert np.trapezoid(sensitivity * spectrum, wavelength_um * 1e-6) == pytest.approx(
        light.DISK_MEAN_CD_M2, rel=0.08
    )


def test_beads_are_the_dim_limb_but_still_the_sun():
    """The limb at 550 nm is 0.3 to 0.4 of the centre (Allen: 0.30 at mu = 0), so beads are near 8e8 cd/m2."""
    assert 0.3 < light.beads_luminance_cd_m2() / light.disk_luminance_cd_m2(0) < 0.4


@given(st.floats(0, 1), st.floats(0, 1))
def test_the_disk_darkens_towards_the_limb(one, other):
    """Brightness never grows outwards, in violet as in red, and red darkens less."""
    near, far = sorted((one, other))
    for wavelength_um in (0.45, 0.55, 0.7):
        assert light.limb_darkening(near, wavelength_um) >= light.limb_darkening(far, wavelength_um) - 1e-12
    assert light.limb_darkening(far, 0.7) >= light.limb_darkening(far, 0.45) - 1e-12


@pytest.mark.parametrize(
    "call", [lambda: light.limb_darkening(0.5, 0.3), lambda: light.disk_luminance_cd_m2(1.1)]
)
def test_outside_the_fit_and_the_disk_is_refused(call):
    """A wavelength outside the fit, or a place outside the disk, raises ValueError."""
    with pytest.raises(ValueError, match=r"not (at|to)"):
        call()


@given(st.floats(0.001, 2.2), st.floats(0.9, 1.1))
def test_covered_area_is_that_of_two_circles(separation, moon_radius):
    """Integration over rings gives the same area as the textbook's lens of two circles (`controller.sky`)."""
    expected = obscuration(1.0, moon_radius, separation)
    assert light.covered_area(separation, moon_radius) == pytest.approx(expected, abs=2e-6)


@given(st.floats(0, 0.999), st.floats(0.9, 1.1))
def test_the_separation_for_an_obscuration_is_the_inverse(part, moon_radius):
    """The separation found covers what was asked, by the textbook's formula."""
    assume(part < moon_radius**2 * 0.999)
    separation = light.separation_for(part, moon_radius)
    assert obscuration(1.0, moon_radius, separation) == pytest.approx(part, abs=1e-5)


def test_the_light_of_a_crescent_by_brute_force():
    """Counting a million cells of the disk gives the same mean brightness of the crescent."""
    axis = (np.arange(2000) + 0.5) / 1000 - 1
    x, y = np.meshgrid(axis, axis)
    r = np.hypot(x, y)
    for separation, moon_radius in ((0.8, 1.03), (0.2, 1.05), (0.05, 0.94), (1.7, 1.0)):
        seen = (r < 1) & (np.hypot(x - separation, y) > moon_radius)
        mean = float(light.limb_darkening(r[seen]).mean()) / light.mean_to_centre()
        assert light.crescent_factor(separation, moon_radius) == pytest.approx(mean, rel=2e-3)


def test_an_annular_ring_has_a_closed_form():
    """With the centres together the ring's light is the integral of A_k mu^k, which is elementary."""
    m = 0.94
    mu_edge = math.sqrt(1 - m * m)
    coefficients = light._coefficients(light.VISUAL_UM)
    ring = sum(2 * a * mu_edge ** (k + 2) / (k + 2) for k, a in enumerate(coefficients))
    assert light.crescent_factor(0.0, m) == pytest.approx(
        ring / mu_edge**2 / light.mean_to_centre(), rel=1e-9
    )


@given(st.floats(0.3, 0.9999), st.floats(0.3, 0.9999), st.floats(1.0, 1.08))
def test_a_thinner_crescent_is_dimmer(one, other, moon_radius):
    """Once a third is covered, the mean brightness of the rest only falls, down to the limb's own."""
    less, more = sorted((one, other))
    bright, dim = (
        light.crescent_factor(light.separation_for(part, moon_radius), moon_radius) for part in (less, more)
    )
    assert bright >= dim - 1e-9
    assert dim > float(light.limb_darkening(1.0)) / light.mean_to_centre() - 1e-6


def test_a_thin_crescent_asks_for_up_to_two_stops():
    """The limb is one to two stops below the disk's mean: the guide's text allows narrow crescents two.

    Source: photography text of NASA RP-1369, F. Espenak and J. Anderson.
    """
    factor = light.crescent_factor(light.separation_for(0.999, 1.05), 1.05)
    assert 1.0 < -math.log2(factor) < 2.0


def test_nothing_is_left_in_totality_and_nonsense_is_refused():
    """A wholly covered Sun has no crescent; obscurations and Moons that cannot be are refused."""
    with pytest.raises(ValueError, match="covers the whole Sun"):
        light.crescent_factor(0.01, 1.05)
    for part, moon in ((-0.1, 1.0), (1.1, 1.0), (0.5, 0.0), (math.nan, 1.0)):
        with pytest.raises(ValueError, match="cannot be meant"):
            light.separation_for(part, moon)
    assert light.separation_for(0.95, 0.9) == 0.0
    assert light.crescent_factor(3.0, 1.0) == pytest.approx(1.0)


@pytest.mark.parametrize(("radius", "micro"), BAUMBACH)
def test_the_corona_is_baumbachs(radius, micro):
    """The evaluated row of Baumbach's formula, Astronomische Nachrichten 263, 121 (1937)."""
    assert light.corona_of_disk(radius) == pytest.approx(micro * 1e-6, rel=0.02)


def test_the_whole_corona_is_a_millionth_of_the_sun():
    """Its light from the limb out is near 1e-6 of the Sun's: the photography text of NASA RP-1369 says so."""
    radii = np.exp(np.linspace(0, math.log(200), 20_000))
    light_of = np.array([light.corona_of_disk(r) for r in radii])
    total = float(np.trapezoid(2 * light_of * radii, radii))
    assert 0.5e-6 < total < 2e-6


@pytest.mark.parametrize("radius", [2.0, 3.0, 5.0, 9.0])
def test_two_measurements_of_the_dust_corona_agree(radius):
    """The r^-2.5 term of Baumbach and the Skylab fit (ATM/WLCE Technical Memorandum 15) agree within a stop."""
    dust = light.corona_of_disk(radius) - light.k_corona_of_disk(radius)
    for position_angle_deg in (0, 90):
        assert abs(math.log2(dust / light.f_corona_of_disk(radius, position_angle_deg))) < 1.0


def test_the_dust_corona_is_brighter_along_the_equator():
    """The published term 0.23732 sin^2 of the position angle: 24 % more at the equator than at the poles."""
    ratio = light.f_corona_of_disk(4, 90) / light.f_corona_of_disk(4, 0)
    assert ratio == pytest.approx(1.23732)
    assert light.f_corona_of_disk(4, 0) == pytest.approx(1e-11 * 4739.6 * 4**-2.72375)


@given(st.floats(1, 30), st.floats(1, 30))
def test_the_corona_fades_outwards(one, other):
    """Brightness never grows with the distance, and K is always less than K and F."""
    near, far = sorted((one, other))
    assert light.corona_of_disk(near) >= light.corona_of_disk(far) > light.k_corona_of_disk(far)


@given(st.floats(1.0001, 50))
def test_the_radius_of_a_brightness_is_the_inverse(radius):
    """The distance found for a brightness is the one that has it."""
    assert light.corona_radius(light.corona_of_disk(radius)) == pytest.approx(radius, rel=1e-9)


def test_what_no_corona_has_is_answered_or_refused():
    """Brighter than any corona is at the limb; zero and less, or a place inside the disk, are refused."""
    assert light.corona_radius(1.0) == pytest.approx(1.0)
    with pytest.raises(ValueError, match="nowhere"):
        light.corona_radius(0.0)
    for function in (
        light.corona_of_disk,
        light.k_corona_of_disk,
        light.f_corona_of_disk,
        light.corona_cd_m2,
    ):
        with pytest.raises(ValueError, match="corona begins"):
            function(0.9)


def test_earthshine_is_at_the_level_textbooks_draw():
    """3e-10 of the Sun's disk (diagrams of coronal brightness in textbooks, from memory), within half a stop."""
    assert abs(math.log2(light.earthshine_cd_m2() / light.DISK_MEAN_CD_M2 / 3e-10)) < 0.5


def test_a_full_earth_is_as_bright_as_its_absolute_magnitude_says():
    """The Earth's V(1, 0) = -3.86 (Allen's Astrophysical Quantities, from memory), brought from 1 au to the Moon.

    Against the Sun's V = -26.74 it gives the ratio of earthlight to sunlight, within 0.2 magnitudes.
    """
    moon_au = 384_400 / 149_597_870.7
    earthlight_mag = -3.86 + 5 * math.log10(moon_au)
    lx = light.SUN_ILLUMINANCE_LX * light.EARTH_ALBEDO / light.EARTH_MOON_RADII**2
    assert -26.74 - 2.5 * math.log10(lx / light.SUN_ILLUMINANCE_LX) == pytest.approx(earthlight_mag, abs=0.2)


@given(st.floats(0, 5000), st.floats(0, 5000))
def test_the_sky_of_totality_darkens_with_height_and_brightens_with_haze(one, other):
    """Less air above, a darker sky; more dust, a brighter one; never outside the measured range at sea level."""
    low, high = sorted((one, other))
    assert light.totality_sky_cd_m2(low) >= light.totality_sky_cd_m2(high) > 0
    by_haze = [light.totality_sky_cd_m2(low, haze) for haze in Haze]
    assert by_haze == sorted(by_haze)
    for haze in Haze:
        assert 0.3e-9 <= light.totality_sky_cd_m2(0, haze) / light.DISK_MEAN_CD_M2 <= 3.01e-9


def test_the_landscape_is_lit_by_some_lux():
    """Totality leaves 1 to 10 lx, as in deep twilight (common practice, no single source)."""
    lx = light.totality_landscape_cd_m2() * math.pi / 0.18
    assert 1 < lx < 10
