"""Wind and touch: how long a rig shakes, which exposures suffer from it, and what helps.

Everything here is common practice, no single source: round figures that keep on the safe side for an
ordinary tripod. A rig that was watched at full magnification on the screen tells its owner better ones.
"""

from __future__ import annotations

import math
from enum import StrEnum


class Touch(StrEnum):
    """What makes a rig shake."""

    FILTER = "filter change"
    AIMING = "aiming"
    BUTTON = "button"


_SETTLES_S = {Touch.FILTER: 3.0, Touch.AIMING: 2.0, Touch.BUTTON: 1.0}
_REFERENCE_MM = 400.0
_LONGEST_SETTLE_S = 10.0

SHAKY_TO_S = 1 / 2
"""Up to this a tripod's own swing, some hertz, and the shutter's blow spoil an exposure that does not freeze
them; in longer ones the shaken part is small."""
BUTTON_DELAY_S = 2.0
"""The self-timer for a release by hand."""


def settle_time_s(touch: Touch, focal_length_mm: float) -> float:
    """Return how long to wait after a touch before an exposure that shall be sharp, seconds.

    3 s after a filter came off, 2 s after aiming, 1 s after a button, at 400 mm on an ordinary tripod;
    longer as the square root of the focal length, from half of it to 10 s (common practice).

    Raises:
        ValueError: if the focal length is not above zero.
    """
    if focal_length_mm <= 0:
        raise ValueError("a focal length must be above zero")
    growth = max(0.5, math.sqrt(focal_length_mm / _REFERENCE_MM))
    return min(_LONGEST_SETTLE_S, _SETTLES_S[touch] * growth)


def freezing_exposure_s(arcsec_per_px: float, shake_arcsec: float = 5.0, swing_hz: float = 5.0) -> float:
    """Return the longest exposure in which a swinging rig moves the picture by no more than one pixel.

    A swing ``a sin(2 pi f t)`` moves at ``2 pi a f`` at most. The defaults are an ordinary tripod with a
    long lens in a light wind: 5 arcseconds to each side, five times a second (common practice).

    Raises:
        ValueError: if a value is not above zero.
    """
    if min(arcsec_per_px, shake_arcsec, swing_hz) <= 0:
        raise ValueError("image scale, shake and swing must be above zero")
    return arcsec_per_px / (2 * math.pi * shake_arcsec * swing_hz)


def advice(
    focal_length_mm: float, arcsec_per_px: float | None, *, filter_comes_off: bool = False
) -> tuple[str, ...]:
    """Return what this lens asks for, one sentence each; `GENERAL_ADVICE` holds for all.

    Args:
        focal_length_mm: with the teleconverter.
        arcsec_per_px: the image scale; None when the sensor is not known.
        filter_comes_off: whether the rig has a phase without its filter, in totality.
    """
    settle_s = settle_time_s(Touch.AIMING, focal_length_mm)
    words = [f"After aiming, give the rig {settle_s:.1f} s to settle before an exposure that shall be sharp."]
    if filter_comes_off:
        wait_s = settle_time_s(Touch.FILTER, focal_length_mm)
        words.append(f"After the change of the filter for totality, give it {wait_s:.1f} s.")
    if arcsec_per_px is not None:
        freeze_s = freezing_exposure_s(arcsec_per_px)
        if freeze_s < SHAKY_TO_S:
            limit = f"1/{math.ceil(1 / freeze_s)} s" if freeze_s < 0.3 else f"{freeze_s:.1f} s"
            words.append(
                f"Exposures up to {limit} freeze a swing of 5 arcseconds to each side, five times a second; in wind "
                "take longer ones more than once."
            )
    return tuple(words)


GENERAL_ADVICE = (
    (
        "Touch nothing at the height of the eclipse: the program releases over the cable. By hand, use the "
        f"{BUTTON_DELAY_S:.0f} s self-timer."
    ),
    (
        "Use the electronic shutter or the electronic first curtain; lock up the mirror where there is one; switch off "
        "the stabilizer on a tripod."
    ),
    "In wind keep the tripod low, hang a weight from it, and leave no strap to flap.",
)
"""What helps any rig (common practice)."""
