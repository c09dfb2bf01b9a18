"""What the air takes of the light on its way from the Sun to the lens.

Visual light throughout (about 510 nm): red light loses less, blue light more, and the more so the
lower the Sun stands. Sources:

* refraction: T. Saemundsson, Sky & Telescope 72, 70 (1986), as given in J. Meeus, Astronomical
  Algorithms, chapter 16;
* air mass: F. Kasten and A. T. Young, "Revised optical air mass tables and approximation formula",
  Applied Optics 28, 4735 (1989);
* magnitudes an air mass, and how they fall with elevation: D. W. E. Green, "Magnitude corrections for
  atmospheric extinction", International Comet Quarterly 14, 55 (1992), after D. S. Hayes and
  D. W. Latham, Astrophysical Journal 197, 593 (1975).

The coefficients are quoted from memory; the tests compare them with other formulas and with tables.
"""

from __future__ import annotations

import math
from enum import StrEnum

LOWEST_ALTITUDE_DEG = -0.57
"""Where refraction lifts the Sun's centre to a level horizon; below it no beam is computed."""

REFERENCE_ALTITUDE_DEG = 45.0
"""The sky that an exposure guide without an altitude is read for: 45 degrees, sea level, clear (our choice)."""


class Haze(StrEnum):
    """How much dust and moisture is in the air, beside a clear rural sky."""

    VERY_CLEAR = "very clear"
    """Desert or mountain air after rain: half the usual dust."""
    CLEAR = "clear"
    HAZY = "hazy"
    """Whitish around the Sun: two and a half times the usual dust."""
    THICK = "thick"
    """Milky all over, shadows still seen: five times the usual dust."""

    @property
    def dust_factor(self) -> float:
        """Return by how much the dust term is multiplied (common practice, no single source)."""
        return {"very clear": 0.5, "clear": 1.0, "hazy": 2.5, "thick": 5.0}[self.value]


def refracted_altitude_deg(altitude_deg: float) -> float:
    """Return where the Sun is seen, degrees, from where it is without air (Saemundsson 1986).

    Raises:
        ValueError: if the Sun is below the horizon.
    """
    if not LOWEST_ALTITUDE_DEG <= altitude_deg <= 90:
        raise ValueError(
            f"the Sun stands at {altitude_deg:g} degrees: between {LOWEST_ALTITUDE_DEG} (on the horizon) "
            "and 90 is asked for"
        )
    lift_arcmin = 1.02 / math.tan(math.radians(altitude_deg + 10.3 / (altitude_deg + 5.11)))
    return altitude_deg + max(0.0, lift_arcmin) / 60


def air_mass(apparent_altitude_deg: float) -> float:
    """Return the air mass at an altitude as seen (refracted), in units of the one at the zenith.

    Source: Kasten and Young 1989, equation 3. The error is below 0.5 % down to the horizon, where it is 38.

    Raises:
        ValueError: if the altitude is not between 0 and 90 degrees.
    """
    if not -0.01 <= apparent_altitude_deg <= 90:
        raise ValueError(f"an altitude of {apparent_altitude_deg:g} degrees has no air mass here")
    height = max(0.0, apparent_altitude_deg)
    return float(1.0 / (math.sin(math.radians(height)) + 0.50572 * (height + 6.07995) ** -1.6364))


def zenith_extinction_mag(site_elevation_m: float = 0.0, haze: Haze = Haze.CLEAR) -> float:
    """Return the magnitudes that one air mass takes: molecules, ozone and dust (Green 1992).

    Molecules 0.1451 exp(-h / 7996 m), ozone 0.016, dust 0.120 exp(-h / 1500 m) in clear air.
    """
    molecules = 0.1451 * math.exp(-site_elevation_m / 7996.0)
    dust = 0.120 * haze.dust_factor * math.exp(-site_elevation_m / 1500.0)
    return molecules + 0.016 + dust


def extinction_stops(
    sun_altitude_deg: float, site_elevation_m: float = 0.0, haze: Haze = Haze.CLEAR
) -> float:
    """Return the stops of light lost between space and the lens.

    Args:
        sun_altitude_deg: the Sun's altitude without refraction, as `controller.sky` gives it.
        site_elevation_m: metres above sea level.
        haze: the air's clearness.

    A magnitude is 0.4 log2(10) stops, by definition of both (Pogson's ratio).

    Raises:
        ValueError: if the Sun is below the horizon.
    """
    mag = zenith_extinction_mag(site_elevation_m, haze) * air_mass(refracted_altitude_deg(sun_altitude_deg))
    return mag * 0.4 * math.log2(10)


def beam_transmittance(
    sun_altitude_deg: float, site_elevation_m: float = 0.0, haze: Haze = Haze.CLEAR
) -> float:
    """Return the fraction of the light from space that reaches the lens, 0 to 1.

    Raises:
        ValueError: if the Sun is below the horizon.
    """
    return float(2.0 ** -extinction_stops(sun_altitude_deg, site_elevation_m, haze))
