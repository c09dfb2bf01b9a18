"""The operator's surfaces as the live run needs them: a console, or a script where no real camera is."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import ExitStack

from controller.cameras.protocol import Clock
from controller.engine import messages as m
from controller.engine.view import RunView
from controller.live.driver import Post
from controller.operator.console import Surface
from controller.operator.script import ScriptedOperator
from controller.operator.words import FilterWord, GoOnWord, PauseWord, SkyWord, StopWord, Word, spoken
from controller.units import FilterState, UtcNs, seconds_to_ns


def event_of(word: Word, now_utc_ns: int, *, by: str, word_id: str | None = None) -> m.OperatorEvent:
    """Return the engine's event for an operator's word said at this instant.

    Args:
        word: what was said.
        now_utc_ns: when.
        by: where: ``terminal`` or ``page``.
        word_id: what the surface calls the word, to learn when the engine has taken it.
    """
    now = UtcNs(now_utc_ns)
    match word:
        case FilterWord(rig=rig, state=state):
            return m.FilterSaid(now_utc_ns=now, rig=rig, state=state, by=by, word_id=word_id)
        case PauseWord(rig=rig):
            return m.PauseAsked(now_utc_ns=now, rig=rig, by=by, word_id=word_id)
        case GoOnWord(rig=rig):
            return m.GoOnAsked(now_utc_ns=now, rig=rig, by=by, word_id=word_id)
        case StopWord():
            return m.StopAsked(now_utc_ns=now, by=by, word_id=word_id)
        case SkyWord():
            return m.Noted(now_utc_ns=now, text=spoken((word,)), by=by, word_id=word_id)


class ConsoleSurface:
    """A console in front of a live run."""

    def __init__(self, make_console: Callable[[Callable[[Word], None]], Surface]) -> None:
        """`make_console` makes the console, given where its words go."""
        self._console = make_console(self._hear)
        self._post: Post | None = None
        self._clock: Clock | None = None
        self._heard = True
        self._stack = ExitStack()

    def open(self, post: Post, clock: Clock) -> None:
        """Show the console."""
        self._post, self._clock = post, clock
        self._stack.enter_context(self._console)

    def show(self, view: RunView) -> None:
        """Show this snapshot; note it once when the operator cannot be heard any more."""
        self._console.show(view)
        if self._heard and not self._console.hears and self._post:
            self._heard = False
            text = "the terminal is lost: the operator cannot be heard any more, the last words stand"
            self._post(m.Noted(now_utc_ns=view.now_utc_ns, text=text))

    def close(self) -> None:
        """Give the terminal back."""
        self._stack.close()

    def _hear(self, word: Word) -> None:
        if self._post and self._clock:
            self._post(event_of(word, self._clock.now_ns(), by="terminal"))


class ScriptSurface:
    """A scripted operator, for simulated cameras alone: it answers what it is asked at its own pace."""

    def __init__(
        self, operator: ScriptedOperator, tell: Callable[[RunView], None] = lambda _view: None
    ) -> None:
        """`tell` is given every view, to show the run to whoever watches."""
        self._operator = operator
        self._tell = tell
        self._post: Post | None = None
        self._asked: dict[str, FilterState] = {}
        self._answered_once: set[str] = set()
        self._answers: dict[str, tuple[int, FilterState]] = {}

    def open(self, post: Post, clock: Clock) -> None:  # noqa: ARG002 (views carry the time)
        """Begin."""
        self._post = post

    def show(self, view: RunView) -> None:
        """Look at what is asked, and say what is due to be said."""
        for rig in view.rigs:
            if rig.filter_asked is None:
                self._asked.pop(rig.name, None)
                self._answers.pop(rig.name, None)
                continue
            if self._asked.get(rig.name) is not rig.filter_asked:
                self._asked[rig.name] = rig.filter_asked
                due = UtcNs(view.now_utc_ns - seconds_to_ns(rig.filter_asked_late_s))
                first = rig.name not in self._answered_once
                at = self._operator.answer(view.now_utc_ns, due, rig.filter_asked, first=first)
                self._answered_once.add(rig.name)
                if at is not None:
                    self._answers[rig.name] = (at, rig.filter_asked)
            answer = self._answers.get(rig.name)
            if answer and view.now_utc_ns >= answer[0] and self._post:
                del self._answers[rig.name]
                said = FilterWord(rig=rig.name, state=answer[1])
                self._post(event_of(said, view.now_utc_ns, by="script"))
        self._tell(view)

    def close(self) -> None:
        """End; there is nothing to give back."""
