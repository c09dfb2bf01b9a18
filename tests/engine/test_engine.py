"""The engine: holds, refit, pause, stop, loss, resume. Timelines are made by hand; see `builder`."""

from __future__ import annotations

import json
from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest

from controller.engine import messages as m
from controller.engine.engine import Engine
from controller.engine.states import FRAME_ENDS, FrameState
from controller.engine.view import RunState
from controller.timeline.model import Cue, Frame
from controller.units import FilterState, Wanted
from tests.engine.builder import NOT_NEEDED, OFF, ON, Bench, at, frame, rig_info, timeline


def filtered(number: int, due: float, **more: Any) -> Frame:
    """A frame of the first partial phase."""
    return frame(number, due, phase="partial in", need=ON, ends_by=80, **more)


def a_day() -> list[Frame]:
    """Three filtered frames, ten unfiltered, two filtered."""
    return [
        *(filtered(i, 10.0 * i) for i in (1, 2, 3)),
        *(frame(10 + i, 102 + i * 2, until=129) for i in range(10)),
        *(
            frame(30 + i, 160 + 10 * i, phase="partial out", need=ON, ends_by=200)
            for i in range(2)
        ),
    ]  # fmt: skip


def test_a_day_with_a_prompt_operator_fires_every_frame_in_time() -> None:
    """With every word in time each frame is handed over once and fired at its own instant."""
    bench = Bench(timeline(a_day()))
    bench.begin()
    bench.say(-20, ON)
    bench.say(97, OFF)
    bench.say(133, ON)
    bench.run_to(260)
    assert [i for _, i in bench.fired] == [f.frame_id for f in bench.day.frames]
    assert [s for s, _ in bench.fired] == [round((f.due_utc_ns - at(0)) / 1e9, 3) for f in bench.day.frames]
    assert bench.engine.state is RunState.FINISHED
    assert bench.records("run_ended")[0].data["fired"] == 15
    assert sum(isinstance(e, m.Finish) for e in bench.effects) == 1


def test_silent_operator_fires_nothing_at_all() -> None:
    """HF-S01, HF-S11: nobody says a word, so not one frame fires, filtered or not."""
    bench = Bench(timeline(a_day()))
    bench.begin()
    bench.run_to(300)
    assert bench.fired == []
    assert set(bench.missed().values()) == {"held"}
    assert len(bench.missed()) == 15
    assert not any(isinstance(e, m.HandOver) for e in bench.effects)
    assert len(bench.records("hold_expired")) == 3


def test_silent_through_totality_fires_no_unfiltered_frame() -> None:
    """HF-S11: the filter was said to be on, and nothing is said after: only filtered frames fire."""
    bench = Bench(timeline(a_day()))
    bench.begin()
    bench.say(-20, ON)
    bench.run_to(300)
    assert {bench.day.frames[i].filter_need for i in range(5)} == {ON, OFF}
    fired = {i for _, i in bench.fired}
    assert fired == {f.frame_id for f in bench.day.frames if f.filter_need is ON}
    assert {reason for i, reason in bench.missed().items()} == {"held"}


def test_asking_is_repeated_and_grows_insistent() -> None:
    """An open hold is asked again, more often and urgently once it is due."""
    bench = Bench(timeline(a_day()))
    bench.begin()
    bench.say(-20, ON)
    bench.run_to(120)
    asked = [
        (e.text, e.urgent) for e in bench.effects if isinstance(e, m.Say) and e.text.startswith("Filter off")
    ]
    assert asked[0] == ("Filter off now. Say when it is off", False)
    assert len(asked) == 1 + 6  # at 95 s, then urgently at 100, 104, 108, 112, 116, 120 s
    assert all(urgent for _, urgent in asked[1:])


def test_nothing_says_filter_off_before_the_earliest_instant() -> None:
    """HF-S13: before the window opens no sentence asks for the filter to come off."""
    bench = Bench(timeline(a_day()))
    bench.begin()
    bench.say(-20, ON)
    bench.run_to(94.9)
    assert not any("Filter off" in text for text in bench.said())
    bench.run_to(95.1)
    assert any("Filter off" in text for text in bench.said())


def test_late_word_refits_must_first() -> None:
    """A word 12 s late: every must frame that still fits is fired, before want and nice (HF-S01)."""
    frames = [
        *(frame(i, 100 + i, wanted=Wanted.NICE, until=129) for i in range(10)),
        *(frame(10 + i, 110 + i, wanted=Wanted.MUST, until=129) for i in range(6)),
        *(frame(20 + i, 116 + i, wanted=Wanted.WANT, until=129) for i in range(6)),
    ]
    bench = Bench(timeline(frames))
    bench.begin()
    bench.say(-20, ON)
    bench.say(112, OFF)
    bench.run_to(260)
    fired = [i for _, i in bench.fired]
    musts = {f.frame_id for f in frames if f.wanted is Wanted.MUST}
    assert musts <= set(fired)
    assert all(112 <= s < 130 for s, _ in bench.fired)
    # 112.4 to 129.9 s holds 17 slots of 1 s; 12 are must and want, so at most 5 nice ones are left.
    nice = [i for i in fired if i.endswith(tuple(f"{n:04d}" for n in range(10)))]
    assert 4 <= len(nice) <= 5
    starts = sorted(s for s, _ in bench.fired)
    assert min(b - a for a, b in pairwise(starts)) >= 0.999
    assert bench.records("refitted")


def test_word_on_in_totality_stops_unfiltered_frames_at_once() -> None:
    """HF-S05: "filter is on" withdraws what is handed over and bars the rest."""
    bench = Bench(timeline(a_day()))
    bench.begin()
    bench.say(-20, ON)
    bench.say(97, OFF)
    bench.say(107, ON)
    withdrawn = [e for e in bench.effects if isinstance(e, m.Withdraw)]
    assert withdrawn
    assert all(e.reason == "held" for e in withdrawn)
    bench.run_to(140)
    assert all(s <= 107 for s, i in bench.fired)
    assert any(reason == "held" for reason in bench.missed().values())


def test_word_off_again_goes_on() -> None:
    """The operator corrects himself: after "off" again, frames go on inside the window."""
    bench = Bench(timeline(a_day()))
    bench.begin()
    bench.say(-20, ON)
    bench.say(97, OFF)
    bench.say(107, ON)
    bench.say(111, OFF)
    bench.run_to(140)
    assert [s for s, _ in bench.fired if s > 111]


def test_filter_off_too_early_bars_filtered_frames() -> None:
    """HF-S06: while the filter is said to be off no filtered frame fires, and it is asked back on."""
    bench = Bench(timeline(a_day()))
    bench.begin()
    bench.say(-20, ON)
    bench.say(15, OFF)
    bench.run_to(94)
    assert [i for _, i in bench.fired] == ["long/0001"]
    assert any(text.startswith("Filter on") for text in bench.said()[3:])
    assert bench.missed() == {"long/0002": "held", "long/0003": "held"}


def test_unfiltered_frame_outside_the_window_is_never_handed_over() -> None:
    """HF-S03: even a timeline that was tampered with fires nothing unfiltered outside the window."""
    rogue = frame(1, 105, until=129)
    early = frame(2, 90, until=91)
    object.__setattr__(rogue, "ends_by_utc_ns", at(300))
    long = frame(3, 134.5, exposure_s=1.0, ends_by=300, until=135)
    bench = Bench(timeline([early, rogue, long]))
    bench.begin()
    bench.say(-20, OFF)
    bench.run_to(300)
    assert [i for _, i in bench.fired] == ["long/0001"]
    assert bench.missed() == {"long/0002": "outside its window", "long/0003": "outside its window"}


def test_annular_timeline_has_no_window_and_fires_nothing_unfiltered() -> None:
    """HF-S07: without a window every unfiltered frame is barred, whatever is said."""
    day = timeline([frame(1, 105, until=129)])
    object.__setattr__(day, "unfiltered_from_utc_ns", None)
    bench = Bench(day)
    bench.begin()
    bench.say(97, OFF)
    bench.run_to(300)
    assert bench.fired == []


def test_two_rigs_are_held_apart_and_a_landscape_rig_needs_no_word() -> None:
    """A word for one rig moves that rig only; a rig that does not point at the Sun fires unasked."""
    frames = [
        *(frame(i, 102 + i, until=129) for i in range(5)),
        *(frame(i, 102 + i, rig="second", until=129) for i in range(5)),
        *(
            frame(i, 102 + i, rig="wide", phase="landscape", need=NOT_NEEDED, ends_by=200)
            for i in range(5)
        ),
    ]  # fmt: skip
    rigs = (rig_info(), rig_info("second"), rig_info("wide", points_at_sun=False))
    bench = Bench(timeline(frames, rigs=rigs))
    bench.begin()
    bench.say(97, OFF, rig="second")
    bench.run_to(128)
    fired = {i.split("/")[0] for _, i in bench.fired}
    assert fired == {"second", "wide"}
    bench.say(128.5, OFF)
    assert bench.engine.view(at(128.5)).rigs[0].filter_said is OFF
    assert bench.engine.view(at(128.5)).rigs[2].filter_said is NOT_NEEDED


def test_record_of_intent_stands_before_every_hand_over() -> None:
    """HF-S09: the journal hears of a frame before its camera does."""
    bench = Bench(timeline(a_day()))
    bench.begin()
    bench.say(-20, ON)
    bench.say(97, OFF)
    bench.run_to(260)
    seen: set[str] = set()
    for effect in bench.effects:
        if isinstance(effect, m.Record) and effect.kind == "frame_intent":
            seen.add(effect.data["frame_id"])
        if isinstance(effect, m.HandOver):
            assert effect.frame.frame_id in seen


def test_late_engine_misses_and_does_not_catch_up() -> None:
    """HF-S08: time jumps over a frame's deadline: it is missed, not fired late."""
    bench = Bench(timeline([filtered(1, 10), filtered(2, 50)]))
    bench.begin()
    bench.say(-20, ON)
    bench.feed(m.TimePassed(now_utc_ns=at(20)))
    bench.run_to(60)
    assert bench.missed() == {"long/0001": "late"}
    assert [i for _, i in bench.fired] == ["long/0002"]


def test_pause_and_go_on() -> None:
    """Paused frames are missed or refitted; what was handed over is withdrawn."""
    bench = Bench(timeline(a_day()))
    bench.begin()
    bench.say(-20, ON)
    bench.run_to(9)
    bench.feed(m.PauseAsked(now_utc_ns=at(9)))
    assert bench.engine.state is RunState.PAUSED
    bench.run_to(25)
    assert bench.fired == []
    bench.feed(m.GoOnAsked(now_utc_ns=at(25)))
    bench.run_to(40)
    assert bench.missed() == {"long/0001": "paused", "long/0002": "paused"}
    assert [i for _, i in bench.fired] == ["long/0003"]


def test_stop_ends_every_frame_in_one_state() -> None:
    """HF-S16: stop withdraws what is out, gives up the rest, and closes the journal once."""
    bench = Bench(timeline(a_day()))
    bench.begin()
    bench.say(-20, ON)
    bench.run_to(9)
    bench.feed(m.StopAsked(now_utc_ns=at(9)))
    bench.note(bench.engine.close(at(10)))
    assert bench.engine.state is RunState.STOPPED
    assert set(bench.missed().values()) == {"stopped"}
    assert all(bench.engine.frame_state(f.frame_id) in FRAME_ENDS for f in bench.day.frames)
    assert len(bench.records("run_ended")) == 1
    bench.run_to(300)
    assert bench.fired == []


def test_stopped_run_with_a_dumb_camera_closes_frames_as_unknown() -> None:
    """A camera that never answers for a handed-over frame leaves it unknown, not missed."""
    bench = Bench(timeline(a_day()), obedient=False)
    bench.begin()
    bench.say(-20, ON)
    bench.run_to(12)
    bench.engine.handle(m.StopAsked(now_utc_ns=at(12)))
    bench.note(bench.engine.close(at(13)))
    assert bench.engine.frame_state("long/0001") is FrameState.UNKNOWN
    assert bench.records("run_ended")[0].data["unknown"] == 1


def test_camera_lost_and_back_refits() -> None:
    """While the camera is away frames wait; when it is back, what still fits is fired."""
    bench = Bench(timeline(a_day()))
    bench.begin()
    bench.say(-20, ON)
    bench.say(97, OFF)
    bench.run_to(101)
    bench.feed(m.CameraLost(now_utc_ns=at(101), rig="long", detail="gone"))
    bench.run_to(112)
    bench.feed(m.CameraReady(now_utc_ns=at(112), rig="long"))
    bench.run_to(140)
    in_totality = [s for s, _ in bench.fired if 100 < s < 130]
    assert len(in_totality) == 10 - 0  # all ten fit between 112.4 and 129.9 s
    assert all(s >= 102 for s in in_totality)
    assert "Camera lost" in bench.said()


def test_outcome_for_a_frame_that_has_ended_is_noted_and_changes_nothing() -> None:
    """A second word on a frame never changes its state."""
    bench = Bench(timeline([filtered(1, 10)]))
    bench.begin()
    bench.say(-20, ON)
    bench.run_to(11)
    bench.feed(m.FrameFailed(now_utc_ns=at(12), frame_id="long/0001", detail="?"))
    assert bench.engine.frame_state("long/0001") is FrameState.FIRED
    assert bench.records("note")
    assert bench.records("frame_failed") == []


def test_cue_spoken_in_time_and_dropped_when_late() -> None:
    """A cue later than 1 s is dropped, not spoken."""
    cues = (Cue(cue_id="a", at_utc_ns=at(5), say="five"), Cue(cue_id="b", at_utc_ns=at(20), say="twenty"))
    bench = Bench(timeline([filtered(1, 60)], cues=cues))
    bench.begin()
    bench.run_to(6)
    bench.feed(m.TimePassed(now_utc_ns=at(22)))
    assert "five" in bench.said()
    assert "twenty" not in bench.said()
    assert bench.records("cue_dropped")[0].data["say"] == "twenty"


def restored(bench: Bench, resume_at: float) -> Bench:
    """A new engine that has taken over the old one's journal."""
    records = [
        json.loads(json.dumps({"kind": e.kind, "at_utc_ns": e.at_utc_ns, **e.data}))
        for e in bench.effects
        if isinstance(e, m.Record)
    ]
    again = Bench(bench.day)
    again.engine.restore(records)
    again.note(again.engine.resume(at(resume_at)))
    again.feed(m.CameraReady(now_utc_ns=at(resume_at), rig="long"))
    return again


def test_resume_in_the_same_phase_goes_on_without_asking() -> None:
    """HF-S12: the confirmation in the journal stands inside its phase; no frame is repeated."""
    bench = Bench(timeline(a_day()))
    bench.begin()
    bench.say(-20, ON)
    bench.say(97, OFF)
    bench.run_to(107.5)
    before = {i for _, i in bench.fired}
    again = restored(bench, 109)
    again.run_to(128)
    after = [i for _, i in again.fired]
    assert after
    assert not before & set(after)
    assert not any("Filter off" in text for text in again.said())


def test_resume_marks_open_intents_unknown_and_never_fires_them() -> None:
    """HF-S10: an intent without an outcome is unknown after a crash and is not tried again."""
    bench = Bench(timeline(a_day()), obedient=False)
    bench.begin()
    bench.say(-20, ON)
    bench.run_to(9)
    again = restored(bench, 9.5)
    assert again.engine.frame_state("long/0001") is FrameState.UNKNOWN
    assert [r.data["frame_id"] for r in again.records("frame_unknown")] == ["long/0001"]
    again.run_to(30)
    assert "long/0001" not in {i for _, i in again.fired}


@pytest.mark.parametrize(("crash", "back", "said"), [(75, 103, ON), (107, 160, OFF), (85, 105, ON)])
def test_resume_in_another_phase_asks_again(crash: float, back: float, said: FilterState) -> None:
    """HF-S12: a word from an earlier phase is not trusted after a restart in another one."""
    bench = Bench(timeline(a_day()))
    bench.begin()
    bench.say(-20, ON)
    if said is OFF:
        bench.say(97, OFF)
    bench.run_to(crash)
    again = restored(bench, back)
    assert again.engine.view(at(back)).rigs[0].filter_said is FilterState.UNSAID
    assert again.engine.open_holds()
    again.run_to(back + 5)
    assert again.fired == []
    need = again.engine.open_holds()[0].needs
    again.say(back + 6, need)
    again.run_to(back + 15)
    assert again.fired


def test_same_events_give_the_same_effects() -> None:
    """The engine is deterministic."""

    def play() -> list[m.Effect]:
        bench = Bench(timeline(a_day()))
        bench.begin()
        bench.say(-20, ON)
        bench.say(112, OFF)
        bench.run_to(260)
        return bench.effects

    assert play() == play()


def test_begun_late_skips_what_is_past() -> None:
    """A run begun in the middle skips past frames with the reason, and goes on."""
    bench = Bench(timeline(a_day()))
    bench.begin(90)
    assert bench.missed() == {f"long/000{i}": "late" for i in (1, 2, 3)}
    bench.say(97, OFF)
    bench.run_to(140)
    assert len(bench.fired) == 10


def test_words_of_unknown_rigs_and_states_change_nothing() -> None:
    """Only "on" and "off", for a known rig or for all, are words."""
    bench = Bench(timeline(a_day()))
    bench.begin()
    bench.feed(m.FilterSaid(now_utc_ns=at(0), rig="nobody", state=OFF))
    bench.feed(m.FilterSaid(now_utc_ns=at(0), rig=None, state=FilterState.UNSAID))
    assert bench.records("filter_said") == []
    assert isinstance(bench.engine, Engine)
    assert bench.engine.view(at(0)).rigs[0].filter_said is FilterState.UNSAID


def test_window_of_a_changed_timeline_is_cut_to_the_hard_bounds() -> None:
    """HF-S03, HF-S04: a window written wider than 30 s around totality is not believed, nor is any frame's limit."""
    frames = [
        frame(1, 70, until=75),
        frame(2, 154.9, ends_by=300, until=200),
        frame(3, 156, ends_by=300, until=200),
    ]
    day = timeline(frames)
    object.__setattr__(day, "unfiltered_from_utc_ns", at(0))
    object.__setattr__(day, "unfiltered_until_utc_ns", at(300))
    bench = Bench(day)
    bench.begin()
    bench.say(-20, OFF)
    bench.run_to(300)
    assert [i for _, i in bench.fired] == ["long/0002"]
    assert bench.missed() == {"long/0001": "outside its window", "long/0003": "outside its window"}
    (given,) = [e.frame for e in bench.effects if isinstance(e, m.HandOver)]
    assert given.ends_by_utc_ns == at(155)  # C3 is at 125 s
    assert given.deadline_utc_ns <= at(154.9)


@pytest.mark.parametrize("kind", ["annular", "partial"])
def test_no_totality_no_window(kind: str) -> None:
    """HF-S07: a window in a timeline that is not of a total eclipse opens nothing, and nobody is asked for it."""
    day = timeline(a_day())
    object.__setattr__(day, "kind", kind)
    bench = Bench(day)
    bench.begin()
    bench.say(-20, ON)
    bench.say(97, OFF)
    bench.run_to(300)
    assert {i for _, i in bench.fired} == {"long/0001", "long/0002", "long/0003"}
    assert not any("Filter off" in text for text in bench.said())


def test_filter_is_not_asked_off_before_the_window_or_after_c3() -> None:
    """HF-S13: a hold changed to open early or to stay open late is asked about from the window's start to C3 only."""
    day = timeline(a_day())
    object.__setattr__(day.holds[1], "opens_utc_ns", at(0))
    object.__setattr__(day.holds[1], "closes_utc_ns", at(149))
    bench = Bench(day)
    bench.begin()
    bench.say(-20, ON)
    bench.run_to(200)
    asked = [
        (r.at_utc_ns - at(0)) / 1e9
        for r in bench.records("cue_said")
        if r.data["say"].startswith("Filter off")
    ]
    assert 95 <= min(asked) < 96
    assert 120 < max(asked) < 125  # C3 is at 125 s


def test_filter_put_on_in_totality_is_not_asked_off_again_aloud() -> None:
    """HF-S05, HF-S13: who says "on" in totality has seen something: the screen still asks, the voice does not."""
    bench = Bench(timeline(a_day()))
    bench.begin()
    bench.say(-20, ON)
    bench.say(97, OFF)
    before = len(bench.said())
    bench.say(105, ON)
    bench.run_to(111)
    again = restored(bench, 112)
    bench.run_to(129)
    assert not any("Filter off" in text for text in bench.said()[before:])
    again.run_to(124)
    assert again.engine.view(at(124)).rigs[0].filter_asked is OFF
    assert not any("Filter off" in text for text in again.said())


@pytest.mark.parametrize(
    "event",
    [
        m.FilterSaid(now_utc_ns=at(101), rig=None, state=ON),
        m.PauseAsked(now_utc_ns=at(101)),
        m.StopAsked(now_utc_ns=at(101)),
    ],
    ids=lambda event: type(event).__name__,
)
def test_frames_are_withdrawn_before_anything_is_written(event: m.Event) -> None:
    """HF-S05, HF-S16, HF-S23: neither a slow disk nor a broken one stands between the word and the camera."""
    bench = Bench(timeline(a_day()), obedient=False)
    bench.begin()
    bench.say(-20, ON)
    bench.say(97, OFF)
    bench.run_to(101)
    effects = bench.engine.handle(event)
    assert isinstance(effects[0], m.Withdraw)
    assert effects[0].frame_ids == ("long/0010",)


def test_resume_keeps_the_order_that_a_refit_made() -> None:
    """Frames moved by a refit before the crash are fired in their new order after it."""
    frames = [
        *(frame(i, 101 + i, wanted=Wanted.NICE, until=129) for i in range(8)),
        *(frame(10 + i, 112 + i, wanted=Wanted.MUST, until=129) for i in range(8)),
    ]
    bench = Bench(timeline(frames))
    bench.begin()
    bench.say(-20, ON)
    bench.say(110.5, OFF)
    bench.run_to(112)
    again = restored(bench, 113.2)
    again.run_to(135)
    assert {f"long/00{n}" for n in range(13, 18)} <= {i for _, i in again.fired}
    dues = [s for s, _ in again.fired]
    assert dues == sorted(dues)
    assert "late" not in {again.missed()[i] for i in again.missed() if i < "long/0010"}


def test_resume_asks_for_every_phase_that_its_hold_covers() -> None:
    """HF-S12: a word voided by a restart is asked for until the last phase that its hold covers, not the first."""
    day = timeline(
        [frame(1, 10, phase="one", need=ON, ends_by=40), frame(2, 60, phase="two", need=ON, ends_by=80)]
    )
    one = replace(day.phases[0], name="one", ends_utc_ns=at(40))
    two = replace(day.phases[0], name="two", starts_utc_ns=at(45))
    day = replace(day, phases=(one, two, *day.phases[1:]))
    bench = Bench(day)
    bench.begin()
    bench.say(-20, ON)
    bench.run_to(-5)
    again = restored(bench, 5)
    again.run_to(55)
    assert [h.hold_id for h in again.engine.open_holds()] == ["long/partial in"]
    again.say(56, ON)
    again.run_to(70)
    assert [i for _, i in again.fired] == ["long/0002"]
    assert again.missed() == {"long/0001": "held"}


def test_resume_of_a_stopped_run_fires_nothing_and_closes_it() -> None:
    """HF-S16: killed between the stop and the closing record: the stop stands."""
    bench = Bench(timeline(a_day()), obedient=False)
    bench.begin()
    bench.say(-20, ON)
    bench.run_to(9)
    bench.engine.handle(m.StopAsked(now_utc_ns=at(9)))
    bench.effects.append(m.Record(kind="stop_asked", at_utc_ns=at(9), data={"by": "operator"}))
    again = restored(bench, 10)
    again.note(again.engine.close(at(11)))
    again.run_to(300)
    assert again.engine.state is RunState.STOPPED
    assert again.fired == []
    assert all(again.engine.frame_state(f.frame_id) in FRAME_ENDS for f in again.day.frames)
    assert [r.data["outcome"] for r in again.records("run_ended")] == ["stopped"]


def test_resume_by_a_clock_that_went_back_asks_again() -> None:
    """HF-S12: with the clock behind the journal nobody knows how long the program was down."""
    bench = Bench(timeline(a_day()))
    bench.begin()
    bench.say(-20, ON)
    bench.say(97, OFF)
    bench.run_to(107)
    again = restored(bench, 104)
    assert again.engine.view(at(108)).rigs[0].filter_said is FilterState.UNSAID
    third = restored(one_journal(bench, again), 108)
    assert third.engine.view(at(108)).rigs[0].filter_said is FilterState.UNSAID
    third.run_to(112)
    assert third.fired == []


def one_journal(*benches: Bench) -> Bench:
    """One bench with the effects of several runs on one journal."""
    joined = Bench(benches[0].day)
    joined.effects = [effect for bench in benches for effect in bench.effects]
    return joined


def test_restart_that_begins_in_a_phase_and_goes_on_in_the_next() -> None:
    """HF-S12: the record of the restart and the words that it voids go by the same instant."""
    bench = Bench(timeline(a_day()))
    bench.begin()
    bench.say(-20, ON)
    bench.run_to(79.9)
    again = restored(bench, 100.1)
    record = again.records("run_resumed")[0]
    assert record.at_utc_ns == at(100.1)
    assert again.effects[0] is record
    assert again.engine.view(at(100.1)).rigs[0].filter_said is FilterState.UNSAID


def test_resume_keeps_a_pause() -> None:
    """A run that was paused is paused when it is resumed, and shown so."""
    bench = Bench(timeline(a_day()))
    bench.begin()
    bench.say(-20, ON)
    bench.feed(m.PauseAsked(now_utc_ns=at(5)))
    again = restored(bench, 8)
    assert again.engine.view(at(8)).state is RunState.PAUSED
    again.run_to(15)
    assert again.fired == []


def test_nothing_is_recorded_after_the_closing_record() -> None:
    """A camera's word that comes when the journal is closed is dropped: nothing may stand after its end."""
    bench = Bench(timeline([filtered(1, 10)]))
    bench.begin()
    bench.say(-20, ON)
    bench.run_to(300)
    assert bench.engine.state is RunState.FINISHED
    late = m.FrameFailed(now_utc_ns=at(301), frame_id="long/0001", detail="?")
    assert bench.engine.handle(late) == []
    stopped = Bench(timeline([filtered(1, 10)]), obedient=False)
    stopped.begin()
    stopped.say(-20, ON)
    stopped.run_to(9)
    stopped.engine.handle(m.StopAsked(now_utc_ns=at(9)))
    stopped.engine.close(at(10))
    assert stopped.engine.close(at(11)) == []
    assert (
        stopped.engine.handle(m.FrameFired(now_utc_ns=at(12), frame_id="long/0001", released_utc_ns=at(10)))
        == []
    )


def test_one_sentence_asks_for_all_rigs_and_one_answers_for_them() -> None:
    """With many rigs no sentence cuts another off: one for all that have a filter, else one that names each."""
    rigs = (*(rig_info(f"rig {n}") for n in range(1, 5)), rig_info("land", points_at_sun=False))
    bench = Bench(timeline([frame(n, 105, rig=f"rig {n}") for n in range(1, 5)], rigs=rigs))
    bench.begin(82)
    bench.run_to(95.05)
    assert bench.said()[-1] == "Filter off now. Say when it is off"
    assert bench.said().count("Filter off now. Say when it is off") == 1
    bench.say(96, OFF, "rig 2")
    assert bench.said()[-1] == "Heard: filter is off, rig rig 2"
    bench.run_to(100.05)  # due: the next sentence is urgent, and names those that are left
    assert bench.said()[-1] == "Filter off now, rigs rig 1, rig 3 and rig 4. Say when it is off"
    urgent = [e for e in bench.effects if isinstance(e, m.Say) and e.urgent]
    assert len(urgent) == 1
    bench.say(101, OFF)
    assert bench.said()[-1] == "Heard: filter is off, rigs rig 1, rig 3 and rig 4"
    asked = [r.data["cue_id"] for r in bench.records("cue_said") if r.data["say"].startswith("Filter off")]
    assert asked.count("hold/rig 2/totality") == 1  # every hold has its own record
    assert asked.count("hold/rig 1/totality") == 2


def test_sentences_of_one_instant_are_said_in_one_breath() -> None:
    """A cue beside another is not lost behind it; an urgent sentence stands alone and comes when it comes."""
    cues = tuple(
        Cue(cue_id=f"plan/{n}", at_utc_ns=at(20), say=say) for n, say in enumerate(("One", "Two."), 1)
    )
    bench = Bench(timeline([frame(1, 101)], cues=cues))
    bench.begin()
    bench.say(-20, ON)
    bench.run_to(21)
    assert bench.said()[-1] == "One. Two."
    assert [record.data["say"] for record in bench.records("cue_said")][-2:] == ["One", "Two."]
    said = [effect for effect in bench.effects if isinstance(effect, m.Say)]
    assert said[-1].due_utc_ns == at(20)
    bench.feed(m.CameraLost(now_utc_ns=at(30), rig="long", detail="cable out"))
    bench.feed(m.CameraReady(now_utc_ns=at(31), rig="long"))
    assert bench.said()[-2:] == ["Camera lost", "The camera is back"]
