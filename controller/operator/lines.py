"""The line mode: what changes is told in lines, and words are typed in lines.

For screen readers, for terminals that cannot place a cursor, and for keeping what was shown in a file.
"""

from __future__ import annotations

from dataclasses import dataclass

from controller.engine.view import RigView, RunState, RunView
from controller.journal.records import CLEAR, CLOUD
from controller.operator.wording import (
    CAUTION,
    CAUTION_SHORT,
    STATE_WORDS,
    ask_sentence,
    local_time,
    plain_text,
    time_left,
)
from controller.operator.words import (
    GoOnWord,
    PauseWord,
    SkyWord,
    StopWord,
    Word,
    filter_words,
    needs_second_word,
    spoken,
)
from controller.units import NS_PER_S, FilterState

CONFIRM_LINE_S = 15
"""How long a typed word that needs a ``yes`` waits for it, seconds."""

TALLY_S = 10
"""How often the tallies are told, when they have changed, and an open ask is told again, seconds."""

MOST_TOLD_EACH = 3
"""With more rigs than this their tallies are summed while the run goes on, and only losses are told of each."""

HELP = (
    "Type: off (the filter IS off), on (the filter IS on), pause, go on, stop. "
    "Add a rig's name to mean that rig only. For the account: cloud, clear."
)

_COMMANDS = ("off", "on", "pause", "go on")


@dataclass(frozen=True)
class Answer:
    """What a typed line came to."""

    words: tuple[Word, ...]
    reply: str
    """What to print; empty for an empty line."""


class LineReader:
    """Turns typed lines into words. Pure: its time is whatever steady nanoseconds it is given."""

    def __init__(self) -> None:
        self._pending: tuple[Word, ...] = ()
        self._pending_until_ns = 0

    def feed(self, line: str, view: RunView, now_ns: int) -> Answer:
        """Return the words a line means and what to reply. Anything not understood gives no word.

        Args:
            line: what was typed, with or without its line end; upper and lower case are one.
            view: what the operator has been told so far.
            now_ns: a steady clock, nanoseconds.
        """
        text = " ".join(line.split()).casefold()
        pending = self._pending if now_ns < self._pending_until_ns else ()
        self._pending = ()
        if not text:
            return Answer((), "")
        if text == "yes":
            return _heard(pending) if pending else Answer((), f"Nothing waits for a yes. {HELP}")
        if text == "stop":
            return self._wait((StopWord(),), now_ns, "Stop the run for good?")
        if text in (CLOUD, CLEAR):
            return _heard((SkyWord(cloud=text == CLOUD),))
        for command in _COMMANDS:
            if text != command and not text.startswith(f"{command} "):
                continue
            name = text.removeprefix(command).strip()
            rig = _rig_named(name, view)
            if name and rig is None:
                return Answer(
                    (), f"There is no rig {name!r}. Rigs: {', '.join(one.name for one in view.rigs)}."
                )
            if command == "pause":
                return _heard((PauseWord(rig=rig),))
            if command == "go on":
                return _heard((GoOnWord(rig=rig),))
            words = filter_words(view, FilterState(command), rig)
            if needs_second_word(view, words):
                return self._wait(words, now_ns, "Nobody asked for the filter to be off. Is it off already?")
            return _heard(words)
        return Answer((), f"Not understood: {text!r}. {HELP}")

    def _wait(self, words: tuple[Word, ...], now_ns: int, question: str) -> Answer:
        self._pending = words
        self._pending_until_ns = now_ns + CONFIRM_LINE_S * NS_PER_S
        return Answer((), f"{question} Type yes within {CONFIRM_LINE_S} s to say: {spoken(words)}.")


def _heard(words: tuple[Word, ...]) -> Answer:
    return Answer(words, f"Heard: {spoken(words)}.")


def _rig_named(name: str, view: RunView) -> str | None:
    return next((rig.name for rig in view.rigs if rig.name.casefold() == name), None)


class LineReport:
    """Tells what has changed from one view to the next."""

    def __init__(self, *, unicode: bool) -> None:
        self._unicode = unicode
        self._last: RunView | None = None
        self._told_tallies: dict[str, str] = {}
        self._tallies_utc_ns = 0
        self._asked_utc_ns = 0

    def lines(self, view: RunView) -> list[str]:
        """Return the lines to print for a new view, each beginning with the local time; often none."""
        told = self._told(view)
        self._last = view
        now = local_time(view.now_utc_ns, view.time_zone)
        return [plain_text(f"{now}  {line}", unicode=self._unicode) for line in told]

    def _told(self, view: RunView) -> list[str]:
        last = self._last
        told: list[str] = []
        if last is None:
            told += [f"{view.title}. {HELP}"]
        if last is None or view.state is not last.state:
            told.append(f"The run: {STATE_WORDS[view.state]}.")
        if view.last_said and (last is None or view.last_said != last.last_said):
            told.append(f'Cue: "{view.last_said}"')
        if view.alarm != (last.alarm if last else ""):
            told.append(f"ALARM: {view.alarm}" if view.alarm else "The alarm is over.")
        told += self._asks(view)
        return told + _changes(view, last) + self._tallies(view)

    def _asks(self, view: RunView) -> list[str]:
        asks = _open_asks(view)
        if not asks or view.state in (RunState.STOPPED, RunState.FINISHED):
            return []
        new = self._last is None or asks != _open_asks(self._last)
        if not new and view.now_utc_ns - self._asked_utc_ns < TALLY_S * NS_PER_S:
            return []
        self._asked_utc_ns = view.now_utc_ns
        told = []
        for state in (FilterState.ON, FilterState.OFF):
            if state in asks.values():
                word = state.value
                told.append(
                    f"FILTER {word.upper()}: {ask_sentence(view, state)} Type {word} when it IS {word}."
                )
        return [*told, f"Caution: {CAUTION if new else CAUTION_SHORT}"]

    def _tallies(self, view: RunView) -> list[str]:
        over = view.state in (RunState.STOPPED, RunState.FINISHED)
        if not over and view.now_utc_ns - self._tallies_utc_ns < TALLY_S * NS_PER_S:
            return []
        told = []
        each = over or len(view.rigs) <= MOST_TOLD_EACH
        for rig in view.rigs:
            tally = _tally(rig) if each else _losses(rig)
            if tally and tally != self._told_tallies.get(rig.name):
                self._told_tallies[rig.name] = tally
                told.append(f"{rig.name}: {tally}.")
        if not each and (sums := _sums(view.rigs)) != self._told_tallies.get(""):
            self._told_tallies[""] = sums
            told.append(f"All {len(view.rigs)} rigs: {sums}.")
        if told:
            self._tallies_utc_ns = view.now_utc_ns
            if not over and view.next_contact is not None and view.next_contact_utc_ns is not None:
                left = time_left(view.next_contact_utc_ns, view.now_utc_ns)
                told.append(f"{view.next_contact.value} in {left}.")
        return told


def _open_asks(view: RunView) -> dict[str, FilterState]:
    return {rig.name: rig.filter_asked for rig in view.rigs if rig.filter_asked is not None}


def _changes(view: RunView, last: RunView | None) -> list[str]:
    """Return what has changed with the rigs, those together that changed alike."""
    before = {rig.name: rig for rig in last.rigs} if last else {}
    alike: dict[str, list[str]] = {}
    for rig in view.rigs:
        for change in _rig_changes(rig, before.get(rig.name)):
            alike.setdefault(change, []).append(rig.name)
    return [f"{', '.join(names)}: {change}" for change, names in alike.items()]


def _rig_changes(rig: RigView, before: RigView | None) -> list[str]:
    told = []
    unsaid = (FilterState.UNSAID, FilterState.NOT_NEEDED)
    if rig.filter_said not in unsaid and (before is None or rig.filter_said is not before.filter_said):
        told.append(f"the filter is said to be {rig.filter_said.value.upper()}.")
    was_asked = before.filter_asked if before else None
    if was_asked is not None and rig.filter_asked is None and rig.filter_said is not was_asked:
        told.append(f"the filter is no longer asked to be {was_asked.value.upper()}.")
    if rig.camera_ready != (before.camera_ready if before else True):
        told.append(f"camera {'ready' if rig.camera_ready else 'NOT READY'}.")
    if rig.paused != (before.paused if before else False):
        told.append("PAUSED." if rig.paused else "goes on.")
    if rig.doubt and rig.doubt != (before.doubt if before else ""):
        told.append(f"filter {rig.doubt}.")
    if rig.last_error and rig.last_error != (before.last_error if before else ""):
        told.append(f"error: {rig.last_error}")
    return told


def _sums(rigs: tuple[RigView, ...]) -> str:
    sums = {key: sum(getattr(rig, key) for rig in rigs) for key in ("fired", "planned", "missed", "failed")}
    return f"fired {sums['fired']} of {sums['planned']}, missed {sums['missed']}, failed {sums['failed']}"


def _losses(rig: RigView) -> str:
    """Return the tally of a rig that has lost frames, else nothing."""
    return (
        f"missed {rig.missed}, failed {rig.failed}, unknown {rig.unknown} of {rig.planned}"
        if rig.missed or rig.failed or rig.unknown
        else ""
    )


def _tally(rig: RigView) -> str:
    parts = [f"fired {rig.fired} of {rig.planned}, missed {rig.missed}, failed {rig.failed}"]
    if rig.unknown:
        parts.append(f"unknown {rig.unknown}")
    if rig.frames_left is not None:
        parts.append(f"card {rig.frames_left} left")
    if rig.battery_percent is not None:
        parts.append(f"battery {rig.battery_percent}%")
    return ", ".join(parts)
