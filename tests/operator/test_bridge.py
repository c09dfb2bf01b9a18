"""The console in front of a live run: words become events, and a lost terminal is told."""

from __future__ import annotations

from typing import Any

from controller.cameras.clock import VirtualClock
from controller.engine import messages as m
from controller.operator.bridge import ConsoleSurface
from controller.operator.words import FilterWord, SkyWord, StopWord
from controller.units import FilterState
from tests.engine.builder import Bench, at, frame, timeline


class Terminal:
    """In place of the console."""

    def __init__(self, on_word: Any) -> None:
        self.on_word, self.hears, self.shown = on_word, True, 0

    def __enter__(self) -> Terminal:
        return self

    def __exit__(self, *_: object) -> None:
        self.hears = False

    def show(self, _view: object) -> None:
        """Show."""
        self.shown += 1


def test_a_lost_terminal_is_noted_once_and_words_before_it_count() -> None:
    """HF-S18: the journal tells that nobody can be heard any more; the run goes on by the last words."""
    terminals: list[Terminal] = []

    def make(on_word: Any) -> Any:
        terminals.append(Terminal(on_word))
        return terminals[0]

    surface, events = ConsoleSurface(make), list[m.Event]()
    terminals[0].on_word(StopWord())  # nobody listens yet
    surface.open(events.append, VirtualClock(at(5)))
    terminals[0].on_word(FilterWord(rig=None, state=FilterState.OFF))
    view = Bench(timeline([frame(1, 10)])).engine.view(at(6))
    surface.show(view)
    terminals[0].hears = False
    surface.show(view)
    surface.show(view)
    assert [type(event) for event in events] == [m.FilterSaid, m.Noted]
    assert events[0] == m.FilterSaid(now_utc_ns=at(5), rig=None, state=FilterState.OFF, by="terminal")
    assert terminals[0].shown == 3
    surface.close()


def test_a_word_on_the_sky_is_journalled_and_changes_nothing_else() -> None:
    """Cloud and clear make a record each, with who said it, and the run's view stays as it was."""
    terminals: list[Terminal] = []

    def make(on_word: Any) -> Any:
        terminals.append(Terminal(on_word))
        return terminals[0]

    surface, events = ConsoleSurface(make), list[m.Event]()
    surface.open(events.append, VirtualClock(at(5)))
    terminals[0].on_word(SkyWord(cloud=True))
    terminals[0].on_word(SkyWord(cloud=False))
    surface.close()
    bench = Bench(timeline([frame(1, 10)]))
    bench.begin()
    bench.feed(m.TimePassed(now_utc_ns=at(5)))
    before = bench.engine.view(at(5))
    records = [one for event in events for one in bench.engine.handle(event) if isinstance(one, m.Record)]
    assert [(one.kind, one.data) for one in records] == [
        ("note", {"text": "cloud", "by": "terminal"}), ("note", {"text": "clear", "by": "terminal"}),
    ]  # fmt: skip
    assert bench.engine.view(at(5)) == before
