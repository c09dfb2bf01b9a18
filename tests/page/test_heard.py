"""Heard means heard by the engine: the id of a word comes back once the word is in the journal."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from controller.engine import messages as m
from controller.engine.engine import HEARD_KEPT, Engine
from controller.units import FilterState
from tests.engine.builder import Bench, at, frame, rig_info, timeline

WORDS: dict[str, m.OperatorEvent] = {
    "filter_said": m.FilterSaid(now_utc_ns=at(1), rig=None, state=FilterState.ON, by="page", word_id="w"),
    "paused": m.PauseAsked(now_utc_ns=at(1), by="page", word_id="w"),
    "went_on": m.GoOnAsked(now_utc_ns=at(1), by="page", word_id="w"),
    "stop_asked": m.StopAsked(now_utc_ns=at(1), by="page", word_id="w"),
}


def records(effects: list[m.Effect]) -> dict[str, Any]:
    """The data of the records among effects, by kind."""
    return {effect.kind: effect.data for effect in effects if isinstance(effect, m.Record)}


@pytest.mark.parametrize("kind", WORDS)
def test_a_word_comes_back_by_its_id_and_stands_in_the_journal(kind: str) -> None:
    """Each kind of word is journalled with where it was said and its id, and the view says it was heard."""
    engine = Engine(timeline([frame(1, 10)]))
    engine.handle(m.Begin(now_utc_ns=at(0)))
    assert engine.view(at(0)).heard == ()
    data = records(engine.handle(WORDS[kind]))[kind]
    assert (data["by"], data["word_id"]) == ("page", "w")
    assert engine.view(at(1)).heard == ("w",)


def test_a_word_that_is_not_taken_is_not_heard() -> None:
    """A word for a rig that is not there, or after the end, never comes back as heard."""
    engine = Engine(timeline([frame(1, 10)]))
    engine.handle(m.Begin(now_utc_ns=at(0)))
    engine.handle(m.PauseAsked(now_utc_ns=at(1), rig="nobody", word_id="wrong rig"))
    engine.handle(m.StopAsked(now_utc_ns=at(2), word_id="stop"))
    engine.handle(m.PauseAsked(now_utc_ns=at(3), word_id="too late"))
    assert engine.view(at(3)).heard == ("stop",)


def test_a_word_for_two_rigs_is_heard_when_both_have_it() -> None:
    """The id comes back with the last event of a word, not with the first."""
    engine = Engine(timeline([frame(1, 10)], rigs=(rig_info(), rig_info("wide"))))
    engine.handle(m.Begin(now_utc_ns=at(0)))
    said = m.FilterSaid(now_utc_ns=at(1), rig="long", state=FilterState.ON, word_id="w", more_follow=True)
    told = records(engine.handle(said))["filter_said"]
    assert told["word_id"] == "w"
    assert engine.view(at(1)).heard == ()
    again = Engine(engine.timeline)
    again.restore([{**told, "kind": "filter_said", "at_utc_ns": at(1)}])
    assert again.view(at(1)).heard == (), "broken off between the two, it was heard for one alone"
    engine.handle(replace(said, rig="wide", more_follow=False))
    assert engine.view(at(1)).heard == ("w",)


def test_the_newest_words_are_kept_once_each_and_outlive_a_restart() -> None:
    """A word for two rigs counts once, old ids go, and an engine that takes over the journal knows the rest."""
    bench = Bench(timeline([frame(1, 10)]))
    bench.feed(m.Begin(now_utc_ns=at(0)))
    for number in [0, *range(HEARD_KEPT + 2)]:
        bench.feed(m.PauseAsked(now_utc_ns=at(1), word_id=str(number)))
    heard = bench.engine.view(at(1)).heard
    assert heard == tuple(str(number) for number in range(2, HEARD_KEPT + 2))
    after = Engine(bench.engine.timeline)
    after.restore(
        {"kind": effect.kind, "at_utc_ns": effect.at_utc_ns, **effect.data}
        for effect in bench.effects
        if isinstance(effect, m.Record)
    )
    assert after.view(at(1)).heard == heard
