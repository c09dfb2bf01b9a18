"""How bright the Sun, its surroundings and the sky are, in candela per square metre.

Everything is luminance as seen from outside the atmosphere, unless a docstring says "at the ground";
`controller.light.extinction` brings it down. Distances are in solar radii from the Sun's centre.

Sources, each named again where it is used: "Luminance of the Sun", Journal of the Optical Society of
America 45, 483 (1955); H. Neckel, Solar Physics 229, 13 (2005); the corona of S. Baumbach, Astronomische
Nachrichten 263, 121 (1937); the Skylab F corona (ATM/WLCE Technical Memorandum 15).
"""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from controller.light.extinction import Haze

DISK_MEAN_CD_M2 = 1.93e9
"""Mean of the disk, +/- 0.04e9. Source: J. Opt. Soc. Am. 45, 483 (1955)."""

VISUAL_UM = 0.55
"""Wavelength at which limb darkening stands for what a camera or an eye sees, micrometres."""

LIMB_DEPTH_ARCSEC = 1.0
"""How far inside the limb Baily's beads shine from: the depth of the Moon's valleys (rule of thumb)."""
_SUN_RADIUS_ARCSEC = 959.63  # Auwers 1891, at 1 au

PROMINENCE_CD_M2 = 5.4e3
"""A bright quiescent prominence: 1e5 erg/(cm2 s sr) in the hydrogen line at 656.3 nm, by the eye's
sensitivity there (0.08 of 683 lm/W). From memory: the models of P. Gouttebroze, P. Heinzel and J. C. Vial,
Astronomy & Astrophysics Supplement 99, 513 (1993) span 1e4 to 1e6."""
CHROMOSPHERE_CD_M2 = 3.1e4
"""The chromosphere at the limb: the same line as bright as in the middle of the disk, 0.17 of the continuum
there (2.84e6 erg/(cm2 s sr angstrom)) over 1.2 angstrom. Figures of Allen's Astrophysical Quantities, from
memory; the other lines of the flash spectrum are left out."""

TOTALITY_SKY_OF_DISK = 1e-9
"""Sky beside the totally eclipsed Sun at sea level in clear air, in units of the disk's mean luminance: the
level drawn in textbooks' diagrams of the corona (from memory). Measured skies spread from 0.3e-9 to 3e-9."""

EARTH_ALBEDO = 0.434
"""Geometric albedo of the Earth (planetary fact sheet of the NSSDC, from memory)."""
MOON_ALBEDO = 0.12
"""Geometric albedo of the Moon (same, from memory)."""
EARTH_MOON_RADII = 384_400 / 6371.0
"""Mean distance of the Moon in mean radii of the Earth."""
SUN_ILLUMINANCE_LX = 1.31e5
"""Of the Sun outside the atmosphere, 12200 +/- 300 lm/ft2. Source: J. Opt. Soc. Am. 45, 483 (1955)."""

_Array = NDArray[np.float64]

# Neckel 2005: I(mu)/I(1) = sum of A_k mu^k, A_k = a + b / wavelength + c / wavelength^5 (micrometres, 0.422
# to 1.1), a fit to H. Neckel and D. Labs, Solar Physics 153, 91 (1994). Quoted from memory; that they sum to
# 1, 0 and 0 is tested.
_NECKEL_A = np.array([0.75267, 0.93874, -1.89287, 2.42234, -1.71150, 0.49062])
_NECKEL_B = np.array([-0.265577, 0.265577, 0.0, 0.0, 0.0, 0.0])
_NECKEL_C = np.array([0.0, -0.004095, 0.012582, -0.017117, 0.011977, -0.003347])

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(48)
_SINE_SQUARED = np.sin((_NODES + 1) * math.pi / 4) ** 2
_WEIGHTS_BY_SINE = _WEIGHTS * (math.pi / 4) * np.sin((_NODES + 1) * math.pi / 2) * 2


# --- the disk ---------------------------------------------------------------------------------


def limb_darkening(radius: float | _Array, wavelength_um: float = VISUAL_UM) -> _Array:
    """Return the brightness at a distance from the disk's centre, in units of the centre's.

    Source: Neckel 2005, measured to about mu = 0.1, that is 0.995 of the radius; beyond it is extrapolated,
    and the true limb is darker still.

    Args:
        radius: distance from the centre, solar radii, 0 to 1.
        wavelength_um: 0.422 to 1.1.

    Raises:
        ValueError: if the wavelength is outside the fit.
    """
    if not 0.422 <= wavelength_um <= 1.1:
        raise ValueError(f"limb darkening is known from 0.422 to 1.1 micrometres, not at {wavelength_um:g}")
    r: _Array = np.asarray(radius, dtype=np.float64)
    mu = np.sqrt(np.clip(1.0 - r * r, 0.0, 1.0))
    return np.asarray(np.polynomial.polynomial.polyval(mu, _coefficients(wavelength_um)), dtype=np.float64)


def mean_to_centre(wavelength_um: float = VISUAL_UM) -> float:
    """Return the disk's mean brightness in units of its centre: the sum of 2 A_k / (k + 2)."""
    coefficients = _coefficients(wavelength_um)
    return float(np.sum(2 * coefficients / (np.arange(6) + 2)))


def disk_luminance_cd_m2(radius: float) -> float:
    """Return the luminance of the photosphere at a distance from the disk's centre, solar radii.

    Raises:
        ValueError: if the radius is not between 0 and 1.
    """
    if not 0 <= radius <= 1:
        raise ValueError(f"the disk reaches from 0 to 1 solar radius, not to {radius:g}")
    return DISK_MEAN_CD_M2 * float(limb_darkening(radius)) / mean_to_centre()


def beads_luminance_cd_m2() -> float:
    """Return the luminance of the photosphere seen in a valley of the Moon's limb, if it is resolved."""
    return disk_luminance_cd_m2(1 - LIMB_DEPTH_ARCSEC / _SUN_RADIUS_ARCSEC)


def _coefficients(wavelength_um: float) -> _Array:
    made: _Array = _NECKEL_A + _NECKEL_B / wavelength_um + _NECKEL_C / wavelength_um**5
    return made


# --- the disk behind the Moon -----------------------------------------------------------------


def covered_area(separation: float, moon_radius: float) -> float:
    """Return the covered fraction of the disk's area, 0 to 1 (obscuration).

    Args:
        separation: of the centres, solar radii.
        moon_radius: the Moon's apparent radius in solar radii.
    """
    return 1.0 - _visible(separation, moon_radius)[0]


def crescent_factor(separation: float, moon_radius: float) -> float:
    """Return the mean brightness of what the Moon leaves of the disk, in units of the whole disk's mean.

    It is above 1 while only the limb is covered and falls to the limb's own when the crescent is thin. Plane
    geometry and `limb_darkening`, integrated over rings about the Sun's centre.

    Raises:
        ValueError: if nothing of the disk is left.
    """
    area, light = _visible(separation, moon_radius)
    if area <= 0:
        raise ValueError("the Moon covers the whole Sun: there is no crescent")
    return light / area


def separation_for(obscuration: float, moon_radius: float) -> float:
    """Return the separation of the centres, solar radii, at which so much of the area is covered.

    A Moon smaller than the Sun cannot cover more than its own area: 0 (annular, concentric) is returned for
    that and anything above.

    Raises:
        ValueError: if the obscuration is not between 0 and 1, or the Moon's radius not above zero.
    """
    if not 0 <= obscuration <= 1 or not 0 < moon_radius < math.inf:
        raise ValueError(
            f"an obscuration of {obscuration:g} with a Moon of {moon_radius:g} Suns cannot be meant"
        )
    low, high = abs(1 - moon_radius), 1 + moon_radius
    if covered_area(low, moon_radius) <= obscuration:
        return 0.0 if moon_radius < 1 else low
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if covered_area(middle, moon_radius) > obscuration else (low, middle)
    return (low + high) / 2


def _visible(separation: float, moon_radius: float) -> tuple[float, float]:
    """Return area and light of the visible part, both as fractions of the whole disk's."""
    edges = sorted({0.0, min(1.0, abs(moon_radius - separation)), min(1.0, moon_radius + separation), 1.0})
    area = light = 0.0
    for low, high in pairwise(edges):
        # r = low + width sin^2 takes the square roots off both ends, so that few nodes suffice
        r = low + (high - low) * _SINE_SQUARED
        weight = (high - low) * _WEIGHTS_BY_SINE * r
        weight = weight * _visible_part(r, separation, moon_radius)
        area += float(np.sum(weight))
        light += float(np.sum(weight * limb_darkening(r)))
    return min(1.0, max(0.0, area)), max(0.0, light) / mean_to_centre()


def _visible_part(r: _Array, separation: float, moon_radius: float) -> _Array:
    """Return which part of a circle of radius r about the Sun's centre lies outside the Moon."""
    if separation == 0:
        return np.where(r < moon_radius, 0.0, 1.0)
    cosine = (r**2 + separation**2 - moon_radius**2) / (2 * r * separation)
    hidden: _Array = np.arccos(np.clip(cosine, -1.0, 1.0)) / math.pi
    return 1.0 - hidden


# --- the corona -------------------------------------------------------------------------------


def corona_of_disk(radius: float) -> float:
    """Return the brightness of K and F corona together, in units of the disk's mean.

    1e-6 (0.0532 r^-2.5 + 1.425 r^-7 + 2.565 r^-17): Baumbach 1937, in the form that C. W. Allen gives (MNRAS
    107, 426, 1947; Astrophysical Quantities). A mean corona, the same all around: real ones differ from it by
    a factor of about two either way, with the Sun's activity and between equator and poles. Quotations
    disagree on whether it is K alone; the term r^-2.5 falls like the F corona and agrees with
    `f_corona_of_disk`, so it is read as both.

    Raises:
        ValueError: if the radius is inside the disk.
    """
    return k_corona_of_disk(radius) + float(0.0532e-6 * radius**-2.5)


def corona_radius(of_disk: float) -> float:
    """Return the distance from the Sun's centre, solar radii, where the corona is so bright.

    The inverse of `corona_of_disk`, which falls with the distance; 1 for anything brighter than the corona.

    Raises:
        ValueError: if the brightness is not above zero.
    """
    if not 0 < of_disk < math.inf:
        raise ValueError(f"the corona is nowhere {of_disk:g} as bright as the disk")
    low, high = 0.0, 1.0  # logarithms of the distance
    while corona_of_disk(math.exp(high)) > of_disk:
        high *= 2
    for _ in range(50):
        middle = (low + high) / 2
        low, high = (middle, high) if corona_of_disk(math.exp(middle)) > of_disk else (low, middle)
    return math.exp(low)


def k_corona_of_disk(radius: float) -> float:
    """Return the brightness of the K corona (light scattered by electrons): the two steep terms of Baumbach.

    Raises:
        ValueError: if the radius is inside the disk.
    """
    if not 1 <= radius < math.inf:
        raise ValueError(f"the corona begins at 1 solar radius from the centre, not at {radius:g}")
    return float(1e-6 * (1.425 * radius**-7 + 2.565 * radius**-17))


def f_corona_of_disk(radius: float, position_angle_deg: float = 90.0) -> float:
    """Return the brightness of the F corona (light scattered by dust), in units of the disk's mean.

    1e-11 x 4739.6 (1 + 0.23732 sin^2 PA) r^-2.72375: the fit to Skylab photographs, ATM/WLCE Technical
    Memorandum 15, as quoted in the calibration note of the Solar Maximum Mission's coronagraph (High Altitude
    Observatory). The position angle is from the Sun's north; 90 degrees is the equator. It is independent of
    Baumbach's and checks it.

    Raises:
        ValueError: if the radius is inside the disk.
    """
    if not 1 <= radius < math.inf:
        raise ValueError(f"the corona begins at 1 solar radius from the centre, not at {radius:g}")
    equatorial = 1 + 0.23732 * math.sin(math.radians(position_angle_deg)) ** 2
    return float(1e-11 * 4739.6 * equatorial * radius**-2.72375)


def corona_cd_m2(radius: float) -> float:
    """Return the luminance of the corona, K and F.

    Raises:
        ValueError: if the radius is inside the disk.
    """
    return DISK_MEAN_CD_M2 * corona_of_disk(radius)


# --- Moon and sky in totality -----------------------------------------------------------------


def earthshine_cd_m2() -> float:
    """Return the luminance of the Moon's dark side in totality, lit by a full Earth.

    The Sun's illuminance, times the Earth's albedo and its angular size from the Moon, times the Moon's albedo
    over pi. About 0.6 cd/m2, or 3e-10 of the Sun's disk, the level that textbooks draw. Clouds on the Earth
    move it by a third.
    """
    earthlight_lx = SUN_ILLUMINANCE_LX * EARTH_ALBEDO / EARTH_MOON_RADII**2
    return MOON_ALBEDO * earthlight_lx / math.pi


def totality_sky_cd_m2(site_elevation_m: float = 0.0, haze: Haze = Haze.CLEAR) -> float:
    """Return the luminance of the sky beside the eclipsed Sun, at the ground.

    `TOTALITY_SKY_OF_DISK`, thinned with the air's density (scale height 7996 m) and, for the part that dust
    scatters (taken as half, no single source), with its amount. It lies before Moon and corona alike: it is
    the floor that no exposure gets under.
    """
    molecules = math.exp(-site_elevation_m / 7996.0)
    dust = haze.dust_factor * math.exp(-site_elevation_m / 1500.0)
    return DISK_MEAN_CD_M2 * TOTALITY_SKY_OF_DISK * (molecules + dust) / 2


def totality_landscape_cd_m2(site_elevation_m: float = 0.0, haze: Haze = Haze.CLEAR) -> float:
    """Return the luminance of a landscape of medium reflectance (0.18) in totality, at the ground.

    A whole sky as bright as the one beside the Sun gives pi times its luminance, some lux (common practice, no
    single source); the glow along the horizon is much brighter.
    """
    return 0.18 * totality_sky_cd_m2(site_elevation_m, haze)
