"""Pictures and the word: what one shows is told and written down, and changes nothing (HF-S30)."""

from __future__ import annotations

from typing import Any

import pytest

from controller.engine import messages as m
from controller.engine.engine import Engine
from controller.timeline.taking_off import takes_off
from controller.units import FilterState
from tests.engine.builder import OFF, ON, Bench, at, frame, rig_info, timeline


def begun(**options: Any) -> Bench:
    """A day with a filtered frame every 5 s from 10 s on, and unfiltered ones in totality, begun and ready."""
    frames = [frame(n, 10 + 5 * n, phase="partial in", need=ON, ends_by=80) for n in range(13)]
    frames += [frame(100 + n, 101 + 2 * n) for n in range(12)]
    bench = Bench(timeline(frames, **options))
    bench.begin()
    return bench


def seen(
    bench: Bench,
    seconds: float,
    said: FilterState,
    verdict: m.PictureVerdict,
    rig: str = "long",
    shows: str = "is clipped all over",
) -> list[m.Effect]:
    """A picture that says so comes at that second."""
    bench.run_to(seconds)
    return bench.feed(
        m.PictureSeen(
            now_utc_ns=at(seconds), rig=rig, frame_id="long/0000", said=said, verdict=verdict, stops=14.0,
            at_least=True, shows=shows,
        )
    )  # fmt: skip


def kinds(effects: list[m.Effect]) -> list[str]:
    """The kinds of the records among effects."""
    return [effect.kind for effect in effects if isinstance(effect, m.Record)]


def sentences(effects: list[m.Effect]) -> list[m.Say]:
    """What is spoken."""
    return [effect for effect in effects if isinstance(effect, m.Say)]


@pytest.mark.parametrize("verdict", ["agrees", "contradicts", "cannot tell"])
@pytest.mark.parametrize("shown_for", [ON, OFF, FilterState.UNSAID, FilterState.NOT_NEEDED])
def test_no_picture_opens_a_hold(verdict: m.PictureVerdict, shown_for: FilterState) -> None:
    """HF-S30: whatever pictures show, no word is taken from them: nothing fires until somebody has spoken."""
    bench = begun()
    for n in range(60):
        seen(bench, 5 + n, shown_for, verdict)
    assert bench.fired == []
    assert bench.engine.view(at(65)).rigs[0].filter_said is FilterState.UNSAID
    assert "hold_passed" not in kinds(bench.effects)
    assert "filter_doubted" not in kinds(bench.effects)


def test_no_picture_withholds_a_frame_or_replaces_a_word() -> None:
    """HF-S30: with every picture contradicting, the same frames fire at the same times as with none."""
    quiet, doubted = begun(), begun()
    for bench in (quiet, doubted):
        bench.say(-5, ON)
        for n in range(70):
            bench.run_to(n)
            if bench is doubted:
                seen(bench, n, ON, "contradicts")
        bench.say(97, OFF)
        for n in range(98, 131):
            bench.run_to(n)
            if bench is doubted:
                seen(bench, n, OFF, "contradicts")
        bench.run_to(135)
    assert len(quiet.fired) == 25
    assert doubted.fired == quiet.fired
    assert doubted.engine.view(at(135)).rigs[0].filter_said is OFF
    assert kinds(doubted.effects).count("filter_doubted") == 70 + 33


def test_contradiction_is_recorded_and_told_at_once() -> None:
    """The record says what was said and what is seen; alarm and an urgent sentence come with the same event."""
    bench = begun()
    bench.say(-5, ON)
    effects = seen(bench, 12, ON, "contradicts")
    (record,) = [effect for effect in effects if isinstance(effect, m.Record)]
    assert record.kind == "filter_doubted"
    assert record.data == {
        "rig": "long", "frame_id": "long/0000", "said": "on", "shows": "is clipped all over", "stops": 14.0,
        "at_least": True,
    }  # fmt: skip
    (spoken,) = sentences(effects)
    assert spoken.urgent
    assert spoken.text == "The last picture is far too bright. Put the filter on"
    assert bench.engine.view(at(12)).alarm == (
        "filter of long said on, but the picture is clipped all over: put the filter on"
    )


def test_it_is_said_again_now_and_then_and_clears_when_a_picture_agrees() -> None:
    """While it lasts it is repeated every ten seconds; "cannot tell" leaves it, agreement ends it, on the record."""
    bench = begun()
    bench.say(-5, ON)
    spoken = [n for n in range(12, 40) if sentences(seen(bench, n, ON, "contradicts"))]
    assert spoken == [12, 22, 32]
    assert kinds(seen(bench, 41, ON, "cannot tell")) == []
    assert bench.engine.view(at(41)).rigs[0].doubt
    assert kinds(seen(bench, 42, ON, "agrees")) == ["doubt_over"]
    assert bench.engine.view(at(42)).alarm == ""
    assert kinds(seen(bench, 43, ON, "agrees")) == []
    assert sentences(seen(bench, 44, ON, "contradicts"))


def test_one_doubt_is_one_alarm_however_many_pictures_raise_it() -> None:
    """The alarm stays as it was first told, while each picture's own figures are on record."""
    bench = begun()
    bench.say(-5, ON)
    for n in range(12, 16):
        seen(bench, n, ON, "contradicts", shows=f"is clipped over {n} % of it")
    records = [
        effect.data["shows"]
        for effect in bench.effects
        if isinstance(effect, m.Record) and effect.kind == "filter_doubted"
    ]
    assert records == [f"is clipped over {n} % of it" for n in range(12, 16)]
    alarm = "filter of long said on, but the picture is clipped over 12 % of it: put the filter on"
    assert bench.engine.view(at(16)).alarm == alarm


def test_a_picture_of_an_earlier_word_is_no_news() -> None:
    """A new word clears the doubt, and a picture of a frame fired on the former word raises none."""
    bench = begun()
    bench.say(-5, ON)
    seen(bench, 70, ON, "contradicts")
    bench.say(97, OFF)
    assert bench.engine.view(at(97)).rigs[0].doubt == ""
    assert kinds(seen(bench, 98, ON, "contradicts")) == []
    assert kinds(seen(bench, 99, OFF, "contradicts")) == ["filter_doubted"]


@pytest.mark.parametrize("said", [ON, OFF])
def test_what_is_spoken_takes_no_filter_off(said: FilterState) -> None:
    """HF-S30, HF-S13: of either doubt nothing is heard that takes a filter off; after C3 nothing at all of "too dark"."""
    bench = begun()
    bench.say(-5, ON)
    bench.say(97, said)
    (spoken,) = sentences(seen(bench, 103, said, "contradicts"))
    assert takes_off(spoken.text) is None
    assert takes_off(bench.engine.view(at(103)).rigs[0].doubt.partition(": ")[2]) is None
    assert len(sentences(seen(bench, 127, said, "contradicts"))) == (said is ON)


def test_one_rig_s_doubt_is_its_own() -> None:
    """The sentence names the rig where there are several, and the other rig has no alarm."""
    bench = begun(rigs=(rig_info("long"), rig_info("wide")))
    bench.say(-5, ON)
    (spoken,) = sentences(seen(bench, 12, ON, "contradicts", rig="wide"))
    assert spoken.text == "The last picture of rig wide is far too bright. Put the filter on"
    assert [bool(rig.doubt) for rig in bench.engine.view(at(12)).rigs] == [False, True]
    assert kinds(seen(bench, 13, ON, "contradicts", rig="nobody's")) == []


def test_a_resumed_run_still_doubts() -> None:
    """A doubt that stood when the run broke off stands when it goes on, until a picture agrees."""
    bench = begun()
    bench.say(-5, ON)
    seen(bench, 12, ON, "contradicts")
    records = [
        {"kind": effect.kind, "at_utc_ns": effect.at_utc_ns, **effect.data}
        for effect in bench.effects
        if isinstance(effect, m.Record)
    ]
    engine = Engine(bench.day)
    engine.restore(records)
    engine.resume(at(14))
    assert "put the filter on" in engine.view(at(14)).alarm
    engine.handle(
        m.PictureSeen(now_utc_ns=at(15), rig="long", frame_id="long/0001", said=ON, verdict="agrees")
    )
    assert engine.view(at(15)).alarm == ""
