"""Read the numbers out of a camera's own words, and choose among its words by number.

Bodies write one thing in many ways: 1/400 s is ``1/400``, ``0.0025s`` or, in another language,
``0,0025s``; 30 s is ``30``, ``300/10`` or ``30s``. Matching is by number, never by text. Words that are
no fixed number (bulb, time, auto, flash sync, codes the driver has no name for) have none.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from controller.light.stops import NOMINAL_THIRDS_S, SAME_SETTING_STOPS, format_exposure

_FRACTION = re.compile(r"(\d+(?:\.\d+)?)/(\d+(?:\.\d+)?)s?")
_PLAIN = re.compile(r"(\d+(?:\.\d+)?)([sm]?)")
_TICKS = re.compile(r"(\d+)\.(\d{4})s")
"""The driver's form of the standard PTP exposure time, which counts whole 1/10000 s and drops the rest."""
_F_NUMBER = re.compile(r"(?:f/?)?(\d+(?:\.\d+)?)")
_ISO = re.compile(r"(?:iso)?(\d+)")


def _tidy(text: str | None) -> str:
    return (text or "").strip().casefold().replace(",", ".").replace(" ", "")


def _ticks(text: str | None) -> int | None:
    found = _TICKS.fullmatch(_tidy(text))
    return int(found[1] + found[2]) if found else None


def _ticks_of(exposure_s: float) -> int:
    return math.floor(exposure_s * 10_000 + 1e-6)


def parse_exposure_s(text: str | None) -> float | None:
    """Return an exposure time in seconds; None for bulb, time, auto, flash sync and unknown words.

    ``0.0166s`` can only be the dial mark 1/60 cut to four places and is returned as 1/60; where two
    marks are cut to the same text (``0.0001s``) the number is returned as written.
    """
    tidy = _tidy(text)
    if (ticks := _ticks(text)) is not None:
        marks = [mark for mark in NOMINAL_THIRDS_S if _ticks_of(mark) == ticks]
        return marks[0] if len(marks) == 1 else (ticks / 10_000 or None)
    if found := _FRACTION.fullmatch(tidy):
        over, under = float(found[1]), float(found[2])
        return over / under if over and under else None
    if found := _PLAIN.fullmatch(tidy):
        return float(found[1]) * (60 if found[2] == "m" else 1) or None
    return None


def parse_f_number(text: str | None) -> float | None:
    """Return an f-number (``f/3,5``, ``5.6``); None for unknown words and ``(null)``."""
    found = _F_NUMBER.fullmatch(_tidy(text))
    return (float(found[1]) or None) if found else None


def parse_iso(text: str | None) -> float | None:
    """Return an ISO speed; None for auto in any form (``Auto ISO``, ``-1``) and unknown words."""
    found = _ISO.fullmatch(_tidy(text))
    return (float(found[1]) or None) if found else None


@dataclass(frozen=True)
class Quantity:
    """One exposure setting: how to read it and how far apart two values of it are."""

    name: str
    """``exposure``, ``f_number`` or ``iso``, as in `Readback.differs`."""
    noun: str
    """What a photographer calls it."""
    parse: Callable[[str | None], float | None]
    stops_per_doubling: float
    """Doubling the f-number is two stops; doubling the time or the ISO is one."""

    def stops_apart(self, one: float, other: float) -> float:
        """Return how far apart two values are, in stops, never negative."""
        return abs(math.log2(one / other)) * self.stops_per_doubling

    def agrees(self, asked: float, text: str | None) -> bool:
        """Return whether a camera's word can mean `asked`, to the resolution the word carries."""
        number = self.parse(text)
        if number is None:
            return False
        return self._near(asked, number) or self._cut_to(asked, text)

    def choose(self, asked: float, texts: Sequence[str]) -> str | None:
        """Return the listed word nearest to `asked`, or None when none is within 1/6 stop.

        Words without a number are passed over. Of equals the first listed is taken, so a list that
        repeats itself always gives the same answer. A word cut to four places counts as a match for
        every time that is cut to it.
        """
        best: tuple[float, int] | None = None
        for place, text in enumerate(texts):
            number = self.parse(text)
            if number is not None and self._near(asked, number):
                key = (round(self.stops_apart(asked, number), 9), place)
                best = key if best is None else min(best, key)
        if best is not None:
            return texts[best[1]]
        return next((text for text in texts if self._cut_to(asked, text)), None)

    def numbers(self, texts: Iterable[str]) -> tuple[float, ...]:
        """Return the distinct numbers among the words, ascending."""
        return tuple(sorted({number for text in texts if (number := self.parse(text)) is not None}))

    def around(self, asked: float, texts: Iterable[str]) -> list[str]:
        """Return the (at most two) listed words next to `asked`, nearest first, for an error message."""
        numbered = {text: number for text in texts if (number := self.parse(text)) is not None}
        return sorted(numbered, key=lambda text: self.stops_apart(asked, numbered[text]))[:2]

    def _near(self, asked: float, number: float) -> bool:
        return self.stops_apart(asked, number) <= SAME_SETTING_STOPS + 1e-9

    def _cut_to(self, asked: float, text: str | None) -> bool:
        return self is EXPOSURE and _ticks(text) == _ticks_of(asked) > 0


EXPOSURE = Quantity("exposure", "shutter speed", parse_exposure_s, 1.0)
F_NUMBER = Quantity("f_number", "aperture", parse_f_number, 2.0)
ISO = Quantity("iso", "ISO", parse_iso, 1.0)


def say(quantity: Quantity, number: float) -> str:
    """Return a value of `quantity` as photographers write it."""
    if quantity is EXPOSURE:
        return format_exposure(number)
    return f"f/{number:g}" if quantity is F_NUMBER else f"ISO {number:g}"
