"""What differs between makers' bodies behind libgphoto2, as data.

Widget names and words are those in libgphoto2's camera listings (camlibs/ptp2/cameras) and its ptp2
driver. Which widgets a body really has is found out by asking it, in the order given here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace


@dataclass(frozen=True, kw_only=True)
class Profile:
    """Where to find a body's settings and which words mean what. Words are compared without case."""

    maker: str
    shutter: tuple[str, ...] = ("shutterspeed", "shutterspeed2")
    """Widgets in order of preference."""
    aperture: tuple[str, ...] = ("f-number", "aperture")
    iso: tuple[str, ...] = ("iso",)
    capture_target: str | None = "capturetarget"
    card_words: tuple[str, ...] = ("card", "memory card", "speicherkarte")
    """Choices that mean the memory card alone, best first."""
    card_place: int | None = None
    """Place of the card in a list of two whose words are in an unknown language."""
    drive: tuple[str, ...] = ("capturemode", "drivemode")
    single_words: tuple[str, ...] = ("single", "single shot", "einzelbild")
    mode_dial: tuple[str, ...] = ("expprogram", "autoexposuremode")
    manual_mode_words: tuple[str, ...] = ("m", "manual", "manuell")
    focus: tuple[str, ...] = ("focusmode",)
    manual_focus_words: tuple[str, ...] = ("manual", "manuell", "mf")
    image_format: tuple[str, ...] = ("imagequality", "imageformat")
    raw_words: tuple[str, ...] = ("raw", "nef")
    """A format that holds one of these keeps the raw picture."""
    battery: str = "batterylevel"
    free_shots: str = "availableshots"
    power_off: str = "autopoweroff"
    settle_s: float = 0.5
    """How long a setting may take to read back as set."""
    captures_per_session: int | None = None
    """After this many frames the camera has to be opened anew."""
    exposes_in_real_time: bool = True
    """False: a frame may be reported before its exposure time is over."""


GENERIC = Profile(maker="generic")
CANON = Profile(
    maker="Canon",
    shutter=("shutterspeed",),
    aperture=("aperture",),
    drive=("drivemode",),
    mode_dial=("autoexposuremode",),
    image_format=("imageformat",),
    card_place=1,
)
NIKON = Profile(maker="Nikon", shutter=("shutterspeed2", "shutterspeed"), card_place=1)
SONY = Profile(maker="Sony", settle_s=3.0)
FUJIFILM = Profile(maker="Fujifilm", capture_target=None, image_format=("imageformat",))
VIRTUAL = replace(NIKON, maker="virtual", captures_per_session=26, exposes_in_real_time=False)
"""libgphoto2's virtual camera; it names itself as a Nikon and takes 26 frames per opened camera."""

_BY_WORD = (("canon", CANON), ("nikon", NIKON), ("sony", SONY), ("fuji", FUJIFILM))

UNSEEN_BY_HAND = (
    "Switch image stabilisation off, on lens and body: on a tripod it blurs.",
    "Switch long-exposure noise reduction off: it doubles the time of a long exposure.",
    "Switch auto power-off and image review off.",
    "Switch the camera's own bracketing off, and a mirror lock-up that wants two releases.",
)
"""What few bodies tell and an operator has to look at (common practice, no single source)."""


def profile_for(model: str, *, virtual: bool = False) -> Profile:
    """Return the profile for a model name as libgphoto2 gives it; the generic one when it is unknown."""
    if virtual:
        return VIRTUAL
    folded = model.casefold()
    return next((profile for word, profile in _BY_WORD if word in folded), GENERIC)


def card_choice(profile: Profile, choices: Sequence[str]) -> str | None:
    """Return the capture-target word that means the memory card, or None when no word is known to."""
    for word in profile.card_words:
        for choice in choices:
            if choice.strip().casefold() == word:
                return choice
    if profile.card_place is not None and len(choices) == 2:
        return choices[profile.card_place]
    return None


def means(words: tuple[str, ...], text: str | None) -> bool:
    """Return whether a camera's text is one of the known words."""
    return (text or "").strip().casefold() in words
