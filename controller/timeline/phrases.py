"""The sentences that the voice can say, in a language: read from a file, checked, filled in.

The English file beside this module is the standard: any other has its keys and, key by key, its placeholders.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from fractions import Fraction
from functools import lru_cache
from pathlib import Path
from string import Formatter
from typing import TYPE_CHECKING

from controller.errors import Fault, PlanError
from controller.timeline.taking_off import TakenOff, is_judged, takes_off

if TYPE_CHECKING:  # the rest is imported where it is used: a resumed run and a camera's process read no YAML
    from controller.plan.loading import LoadedPlan
    from controller.plan.source import PlanSource

ENGLISH = "en"
SHIPPED = (ENGLISH, "es")
"""The languages that come with the program."""
LONGEST_PHRASE = 200
_FOLDER = Path(__file__).parent / "languages"
_TAG = re.compile(r"[A-Za-z]{2,3}(?:-[A-Za-z0-9]{1,8})*")
_MAY_TAKE_OFF = ("ask_off", "heard_off")
"""What the keys begin with whose sentences speak of a filter that comes off. They have to, and no other may (HF-S13)."""


@dataclass(frozen=True, kw_only=True)
class Phrases:
    """Every sentence that can be spoken, in one language."""

    language: str
    """Its tag (BCP 47), such as ``en`` or ``es-MX``."""
    sentences: Mapping[str, str] = field(repr=False)
    """By their keys, with placeholders in braces."""

    def text(self, key: str, *, rigs: Sequence[str] = (), **values: object) -> str:
        """Return the sentence of a key, filled in; of these rigs where there are any.

        A key that is missing, because an older program wrote them, is said in English.
        """
        if rigs:
            key += "_rig" if len(rigs) == 1 else "_rigs"
            values |= {"rig": rigs[0], "rigs": self.together(rigs)}
        sentence = self.sentences.get(key) or english().sentences[key]
        return sentence.format(**values)

    def together(self, names: Sequence[str]) -> str:
        """Return several names as they are said after one another."""
        *first, last = names
        return self.text("names", names=", ".join(first), last=last) if first else last

    def seconds(self, duration_s: float) -> str:
        """Return a duration as it is said."""
        return self.text("one_second") if duration_s == 1 else self.text("seconds", number=f"{duration_s:g}")

    def part(self, part: Fraction) -> str:
        """Return a part of the frame, of those that placements are told in, as it is said."""
        return self.text(f"part_{part.numerator}_{part.denominator}")


def english() -> Phrases:
    """Return the English sentences."""
    return shipped(ENGLISH)


@lru_cache
def shipped(language: str) -> Phrases:
    """Return the sentences of a language that comes with the program."""
    return _read(_FOLDER / f"{language}.yaml", None if language == ENGLISH else english())


def load_phrases(name: str, folder: Path) -> Phrases:
    """Return the sentences that a plan or an option names.

    Args:
        name: a language that comes with the program, or a file.
        folder: what the file's name counts from.

    Raises:
        PlanError: with every fault of the file, each with its line.
    """
    return shipped(name) if name in SHIPPED else _read(folder / name, english())


def phrases_of(loaded: LoadedPlan) -> Phrases:
    """Return the sentences of a plan.

    Raises:
        PlanError: with every fault of the file that it names, or when there is none.
    """
    name, source = loaded.plan.speech, loaded.source
    folder = Path(source.path).parent
    if name in SHIPPED or (folder / name).exists():
        return load_phrases(name, folder)
    fault = source.fault(
        ("speech",),
        f'There is no file "{name}", and no language of that name.',
        f"write {' or '.join(SHIPPED)}, or the name of your own file of sentences, which counts from the plan's folder.",
    )
    raise PlanError(source.path, [fault])


# --- reading and checking ---------------------------------------------------------------------------------


def _read(path: Path, standard: Phrases | None) -> Phrases:
    from controller.plan.source import FileKind, read_source

    first_line_mend = "start with a copy of the English file, and the line holdfire_phrases: 1."
    data, source = read_source(path, FileKind("phrase file", "phrase file", first_line_mend))
    if data.pop("holdfire_phrases", None) != "1":
        what = "The file does not say that it is a phrase file, or it is one of another kind than 1."
        raise PlanError(str(path), [source.fault(("holdfire_phrases",), what, first_line_mend)])
    language = data.pop("language", None)
    faults: list[Fault] = []
    if not isinstance(language, str) or not _TAG.fullmatch(language):
        mend = "write a tag, such as language: es or language: es-MX."
        faults.append(source.fault(("language",), "language is no language tag (BCP 47).", mend))
        language = ""
    sentences = {key: value for key, value in data.items() if isinstance(value, str)}
    found = Phrases(language=language, sentences=sentences)
    if standard is not None:
        faults += _faults(data, found, standard, source)
    if faults:
        raise PlanError(str(path), faults)
    return found


def _faults(
    data: Mapping[str, object], found: Phrases, standard: Phrases, source: PlanSource
) -> Iterator[Fault]:
    for key in data:
        if key not in standard.sentences:
            near = get_close_matches(key, standard.sentences, n=1)
            mend = f"write {near[0]} if that is meant." if near else "delete the line."
            yield Fault(*source.key_position((key,)), f'"{key}" is the key of no sentence.', mend)
    for key, model in standard.sentences.items():
        if key not in data:
            yield source.fault((), f"The sentence {key} is missing.", f'add it; in English it is "{model}".')
        elif key not in found.sentences:
            yield source.fault((key,), f"{key} has no sentence.", f'write it; in English it is "{model}".')
        else:
            for what, mend in _wrong(key, found.sentences[key], model, found.language):
                yield source.fault((key,), what, mend)


def _wrong(key: str, sentence: str, model: str, language: str) -> Iterator[tuple[str, str]]:
    """Yield what is wrong with a sentence, and how to mend it."""
    if not sentence.strip() or not sentence.isprintable() or len(sentence) > LONGEST_PHRASE:
        yield f"{key} is no sentence of 1 to {LONGEST_PHRASE} characters.", "write it on one line."
        return
    wanted, has = _placeholders(model), _placeholders(sentence)
    if has != wanted:
        names = " and ".join(f"{{{name}}}" for name in sorted(wanted or ())) or "nothing"
        yield (
            f"{key} has other words in braces than it can be given.",
            f"put {names} in braces there, as in English.",
        )
    may = key.startswith(_MAY_TAKE_OFF)
    taken = takes_off(sentence)
    if taken is not None and (taken is not TakenOff.FILTER or not may):
        yield (
            f"{key} may be heard to take {taken.value} off.",
            "say that the filter is on or stays on, or leave it out of that sentence.",
        )
    elif taken is None and may and is_judged(language):
        yield (
            f"{key} does not say that the filter is off.",
            "say so in plain words: somebody tired has to act on it.",
        )


def _placeholders(sentence: str) -> set[str] | None:
    """Return the names in braces, or None when the braces hold anything but names."""
    try:
        fields = [
            (name, spec, conversion)
            for _, name, spec, conversion in Formatter().parse(sentence)
            if name is not None
        ]
    except ValueError:
        return None
    if any(spec or conversion or not name.isidentifier() for name, spec, conversion in fields):
        return None
    return {name for name, _, _ in fields}
