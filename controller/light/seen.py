"""Whether a picture looks like the filter state that was said: rendered both ways, and compared.

The picture may be turned and the Sun anywhere in it: only how much of it is how bright is compared, not where.
What is decided, and why:

* Said on, and far more of the picture is clipped than the model with `STRAY_STOPS` more light has it: contradicts.
  A whole disk that clips is that; one that the plan itself exposes to clip is not.
* Said off, and the picture is black although even an overcast sky in totality would show at this exposure:
  contradicts. Clouds hide Sun and corona, but glow about as the clear sky does; a filter takes that as well.
* Said off, and the picture shows what the model has *behind* the filter, more than `DOUBT_STOPS` under the bare
  Sun: contradicts. No cloud takes just so much and leaves the crescent's sharp light.
* A black picture with the filter said on can be a cloud, a cap, or a Sun out of the frame: it cannot tell.
"""

from __future__ import annotations

import functools
import io
import math
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from controller.light.brightness import totality_sky_cd_m2
from controller.light.rendering import Picture, seen_through
from controller.light.scene import Outlook
from controller.light.sensor import saturation_fraction
from controller.light.stops import density_to_transmittance

DOUBT_STOPS = 10.0
"""Further off the model than this a picture contradicts the word."""
STRAY_STOPS = 1.3
"""How much brighter than the model an honest picture may be: a filter off its label, a camera's own tone curve."""
AGREE_STOPS = 4.0
"""Nearer to the model than this it agrees with the word; haze and thin cloud take as much."""
_CLIPPED = 0.9
"""A pixel at or above this level is clipped, or so near that a JPEG does not tell."""
_BLACK_MEAN, _BLACK_TOP = 0.0006, 0.004
"""A picture with less light than that, on the mean and in its brightest parts, is black: two and thirteen of 255."""
_SKY_SHOWS = 0.006
"""Level at which a sky stands out of black though it be three times as dark as the model's."""
_TOP_PART = 0.003
"""The brightest part of a picture that stands for what is bright in it."""
_WIDTH_PX = 96


class Verdict(StrEnum):
    """What a picture says about the word on the filter."""

    AGREES = "agrees"
    CONTRADICTS = "contradicts"
    CANNOT_TELL = "cannot tell"


@dataclass(frozen=True, kw_only=True)
class Judgement:
    """How a picture looks against the model for the filter state that was said."""

    verdict: Verdict
    stops: float
    """Brighter than the model (above zero) or darker, in the brightest part of the picture."""
    at_least: bool
    """The picture is clipped or black there: it is that many stops off or more, in that direction."""
    shows: str
    """What it shows, in words that follow "the picture": "is clipped ..."."""


def judge(
    thumbnail: bytes,
    outlook: Outlook,
    utc_ns: int,
    *,
    exposure_s: float,
    f_number: float,
    iso: float,
    said_on: bool,
) -> Judgement:
    """Compare a small picture with the model.

    Args:
        thumbnail: a JPEG of the frame.
        outlook: what the rig sees.
        utc_ns: the middle of the exposure.
        exposure_s: exposure time, seconds.
        f_number: the lens' own.
        iso: the speed.
        said_on: whether the filter is said to be on.

    Raises:
        ValueError: if the picture cannot be read or a setting is not above zero.
    """
    got = _levels(thumbnail)
    bare = _model(outlook, utc_ns, exposure_s, f_number, iso)
    through = density_to_transmittance(outlook.filter_density)
    behind = bare * np.float32(through)
    model = behind if said_on else bare
    top, mean = _top(got), float(got.mean())
    black = mean < _BLACK_MEAN and top < _BLACK_TOP
    clipped = float(got.max()) >= _CLIPPED
    stops = math.log2(max(top, _BLACK_TOP) / max(_top(model), 1e-9))
    at_least = (clipped and stops > 0) or (black and stops < 0)
    recorded = np.minimum(model, np.float32(1))  # as far as a picture can show it
    near = max(
        abs(math.log2(max(value, _BLACK_TOP) / max(wanted, _BLACK_TOP)))
        for value, wanted in ((top, _top(recorded)), (mean, float(recorded.mean())))
    )
    shown = _part_clipped(got)

    def judged(verdict: Verdict, shows: str) -> Judgement:
        return Judgement(verdict=verdict, stops=round(stops, 1), at_least=at_least, shows=shows)

    if said_on:
        allowed = _part_clipped(behind * np.float32(2.0**STRAY_STOPS))
        if shown > 1.5 * allowed + 0.002:
            return judged(Verdict.CONTRADICTS, f"is clipped over {shown:.1%} of it, as without a filter")
        if black:
            return judged(Verdict.CANNOT_TELL, "is black")
    elif black:
        if _sky_level(outlook, exposure_s, f_number, iso) >= _SKY_SHOWS:
            return judged(Verdict.CONTRADICTS, "is black, where even a clouded sky would show")
        return judged(Verdict.CANNOT_TELL, "is black, which a cloud can do")
    else:
        from_behind = abs(math.log2(top / max(_top(behind), 1e-9)))
        sharp = float(np.median(got)) < top / 16  # a crescent on black; a cloud's glow is everywhere
        if stops < -DOUBT_STOPS and not clipped and sharp and from_behind < 2 * STRAY_STOPS:
            return judged(Verdict.CONTRADICTS, "is as bright as the Sun behind the filter")
    if near <= AGREE_STOPS:
        stops = math.log2(max(top, _BLACK_TOP) / max(_top(recorded), _BLACK_TOP))
        return judged(Verdict.AGREES, "is as bright as it should be")
    return judged(Verdict.CANNOT_TELL, f"is {near:.0f} stops off, as clouds can make it")


def _levels(thumbnail: bytes) -> Picture:
    """Return a picture's green as fractions of saturation, by the sRGB curve (IEC 61966-2-1)."""
    from PIL import Image, UnidentifiedImageError

    try:
        with Image.open(io.BytesIO(thumbnail)) as image:
            image.draft("RGB", (2 * _WIDTH_PX, 2 * _WIDTH_PX))
            coded = np.asarray(image.convert("RGB"))[..., 1]
    except (UnidentifiedImageError, OSError, SyntaxError) as error:
        message = f"the small picture cannot be read: {error}"
        raise ValueError(message) from error
    return _linear().take(coded)


@functools.lru_cache(maxsize=1)
def _linear() -> Picture:
    """Return the fraction of saturation that each value of a byte stands for."""
    coded = np.arange(256) / 255
    return np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4).astype(np.float32)


def _model(outlook: Outlook, utc_ns: int, exposure_s: float, f_number: float, iso: float) -> Picture:
    """Return the green of the unfiltered picture as the model has it, not clipped."""
    return seen_through(
        outlook, utc_ns, exposure_s=exposure_s, f_number=f_number, iso=iso, filter_on=False,
        width_px=_WIDTH_PX, seed=None,
    )[..., 1]  # fmt: skip


def _sky_level(outlook: Outlook, exposure_s: float, f_number: float, iso: float) -> float:
    sky = totality_sky_cd_m2(outlook.scene.site_elevation_m) * 2.0**-outlook.light_lost_stops
    return saturation_fraction(sky, exposure_s, f_number, iso)


def _top(levels: Picture) -> float:
    """Return the mean of the brightest part."""
    flat = levels.ravel()
    count = max(4, round(_TOP_PART * flat.size))
    return float(np.partition(flat, flat.size - count)[-count:].mean())


def _part_clipped(levels: Picture) -> float:
    return float((levels >= _CLIPPED).mean())
