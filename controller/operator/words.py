"""What the operator can say to a run, as data, and for which rigs a word about the filter counts."""

from __future__ import annotations

from dataclasses import dataclass

from controller.engine.view import RigView, RunView
from controller.journal.records import CLEAR, CLOUD
from controller.units import FilterState


@dataclass(frozen=True, kw_only=True)
class FilterWord:
    """The filter *is* in this state: a statement of fact, never an order.

    Raises:
        ValueError: if the state is neither on nor off.
    """

    rig: str | None
    """None: all rigs."""
    state: FilterState

    def __post_init__(self) -> None:
        if self.state not in (FilterState.ON, FilterState.OFF):
            raise ValueError(f"a filter can be said to be on or off, not {self.state.value}")


@dataclass(frozen=True, kw_only=True)
class PauseWord:
    """Fire nothing until told to go on."""

    rig: str | None = None
    """None: all rigs."""


@dataclass(frozen=True, kw_only=True)
class GoOnWord:
    """End a pause."""

    rig: str | None = None
    """None: all rigs."""


@dataclass(frozen=True, kw_only=True)
class StopWord:
    """End the run for good. A surface gives this only after a second, different key or word."""


@dataclass(frozen=True, kw_only=True)
class SkyWord:
    """There is cloud before the Sun, or none any more: for the account alone, the run goes on as it was."""

    cloud: bool


Word = FilterWord | PauseWord | GoOnWord | StopWord | SkyWord

OLD_WORD_S = 5.0
"""A word said at sight of something older than this may be true no more."""


def may_be_old(word: Word) -> bool:
    """Tell whether a word counts however late it comes: those that stop what is dangerous do."""
    return isinstance(word, PauseWord | StopWord) or (
        isinstance(word, FilterWord) and word.state is FilterState.ON
    )


def filter_words(view: RunView, state: FilterState, rig: str | None) -> tuple[FilterWord, ...]:
    """Return what "the filter is on" or "is off" means at this instant.

    Said for one rig, it is for that rig. Said without a rig, it is for the rigs that are asked for this
    very state; when none is, or every rig that has a filter is, it is one word for all rigs.

    Raises:
        ValueError: if the state is neither on nor off.
    """
    if rig is not None:
        return (FilterWord(rig=rig, state=state),)
    asked = [one.name for one in view.rigs if one.filter_asked is state]
    if not asked or {one.name for one in with_filter(view)} <= set(asked):
        return (FilterWord(rig=None, state=state),)
    return tuple(FilterWord(rig=name, state=state) for name in asked)


def with_filter(view: RunView) -> list[RigView]:
    """Return the rigs that have a filter: a word for all rigs is for them."""
    return [rig for rig in view.rigs if rig.filter_said is not FilterState.NOT_NEEDED]


def needs_second_word(view: RunView, words: tuple[FilterWord, ...]) -> bool:
    """Tell whether a word about the filter has to be confirmed before it counts.

    "Off" that nobody asked for would answer the hold of totality ahead of time, with the filter still
    on: one slip of a finger and every picture of totality is black. "On" never waits: it is the safe word.
    """
    for word in words:
        if word.state is not FilterState.OFF:
            continue
        for rig in view.rigs:
            off_is_news = rig.filter_said not in (FilterState.OFF, FilterState.NOT_NEEDED)
            if word.rig in (None, rig.name) and rig.filter_asked is not FilterState.OFF and off_is_news:
                return True
    return False


def spoken(words: tuple[Word, ...]) -> str:
    """Return words as one short phrase, for the surface to show what it has heard."""
    rigs = ", ".join(
        "all rigs" if word.rig is None else word.rig
        for word in words
        if not isinstance(word, StopWord | SkyWord)
    )
    match words:
        case (FilterWord(state=state), *_):
            return f"filter is {state.value.upper()} ({rigs})"
        case (PauseWord(), *_):
            return f"pause ({rigs})"
        case (GoOnWord(), *_):
            return f"go on ({rigs})"
        case (StopWord(), *_):
            return "stop the run"
        case (SkyWord(cloud=cloud), *_):
            return CLOUD if cloud else CLEAR
        case _:
            return ""
