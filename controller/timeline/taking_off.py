"""Which sentences may be heard to take a filter, or eye protection, off (HF-S13)."""

from __future__ import annotations

import re
import unicodedata
from enum import Enum

JUDGED_LANGUAGES = ("en", "es")
"""The languages, by their first subtag (BCP 47), whose sentences `takes_off` understands."""


class TakenOff(Enum):
    """What a sentence may be heard to take off."""

    FILTER = "the filter"
    EYE_PROTECTION = "eye protection"


# Of each language: words of taking away, eye protection, the filter. Without accents, which are taken off first.
_WORDS = (
    (
        r"off|away|down|remov\w*|uncover\w*|unscrew\w*|without|unfiltered|bare|naked|unaided",
        r"glasses|protection|goggles|viewers?|eyes?",
        r"filters?|unfiltered",
    ),
    (
        (
            r"quit\w*|retir\w*|sa[cq]\w*|fuera|sin|remov\w*|remuev\w*|desenros\w*|desatorn\w*|descubr\w*|descubiert\w*"
            r"|destap\w*|desmont\w*|apart\w*|levant\w*|baj[aeo]\w*|abajo|off|desnud\w*|simple"
        ),
        r"gafas|lentes|anteojos|proteccion|visor(?:es)?|ojos?|vista",
        r"filtros?",
    ),
)
_PATTERNS = tuple(
    tuple(re.compile(rf"\b(?:{pattern})\b") for pattern in of_language) for of_language in _WORDS
)


def takes_off(say: str) -> TakenOff | None:
    """Return what a cue in English or Spanish may be heard to take off: eye protection before the filter, or None.

    A sentence is suspected when it names the thing and has a word of taking away in it, whatever it means
    to say: somebody tired hears words, not grammar. Other languages are not understood.
    """
    plain = "".join(c for c in unicodedata.normalize("NFKD", say.casefold()) if not unicodedata.combining(c))
    parts = re.split(r"[.;:!?¡¿]", plain)
    for thing in (TakenOff.EYE_PROTECTION, TakenOff.FILTER):
        for off, eyes, filters in _PATTERNS:
            name = eyes if thing is TakenOff.EYE_PROTECTION else filters
            if any(off.search(part) and name.search(part) for part in parts):
                return thing
    return None


def is_judged(language: str) -> bool:
    """Tell whether `takes_off` understands a language, given as a BCP 47 tag."""
    return language.split("-")[0].casefold() in JUDGED_LANGUAGES
