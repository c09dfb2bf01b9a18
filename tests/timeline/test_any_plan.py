"""What holds of every plan that compiles, whatever is in it."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable
from functools import cache
from itertools import groupby, pairwise
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from controller.errors import PlanError
from controller.plan.bodies import body_of
from controller.plan.brackets import take_exposures
from controller.plan.loading import load_plan_text
from controller.plan.model import Plan, ShotPlan
from controller.timeline.compile import Compiled, SiteContacts
from controller.timeline.model import Frame, Phase, Timeline
from controller.timeline.taking_off import takes_off
from controller.units import NS_PER_S, ContactName, FilterState, Wanted, seconds_to_ns
from tests.timeline.building import Day, compiled, contacts, days

HARD_BOUND_NS = 30 * NS_PER_S


@cache
def many_days() -> tuple[list[tuple[Day, Compiled, Plan]], list[tuple[Day, PlanError]]]:
    """Several hundred plans, the same in every run: those that compile, and those that are refused."""
    good: list[tuple[Day, Compiled, Plan]] = []
    bad: list[tuple[Day, PlanError]] = []

    @settings(max_examples=180, suppress_health_check=[HealthCheck.too_slow])
    @given(days())
    def collect(day: Day) -> None:
        try:
            good.append((day, compiled(day.text, day.site), load_plan_text(day.text, "plan.yaml").plan))
        except PlanError as error:
            bad.append((day, error))

    collect()
    return good, bad


def of_every_compiled_plan(check: Callable[[Compiled, Plan], None]) -> None:
    """Run a check on every plan of many that compiles."""
    for day, done, plan in many_days()[0]:
        try:
            check(done, plan)
        except AssertionError as error:
            error.add_note(day.text)
            raise


def test_the_plans_are_worth_checking() -> None:
    """Of the plans made up here a good part compiles, with every kind of frame, and a good part does not."""
    good, bad = many_days()
    # How many depends on what else is loaded: hypothesis draws from the constants of all modules.
    assert len(good) > 60
    assert len(bad) > 45
    frames = [frame for _, done, _ in good for frame in done.timeline.frames]
    assert min(Counter(frame.filter_need for frame in frames).values()) > 1300
    assert min(Counter(frame.wanted for frame in frames).values()) > 1300
    assert sum(bool(done.warnings) for _, done, _ in good) > 12


def test_what_is_refused_is_refused_with_a_place() -> None:
    """Every fault of every refused plan stands on a line of the file."""
    for day, error in many_days()[1]:
        assert error.faults
        for fault in error.faults:
            assert 1 <= fault.line <= day.text.count("\n")
            assert fault.column >= 1


def exposure_end(frame: Frame) -> int:
    """When the shutter of a frame released in time has closed."""
    return frame.due_utc_ns + seconds_to_ns(frame.settings.exposure_s)


def phase_of(line: Timeline, frame: Frame) -> Phase:
    """The one phase a frame belongs to."""
    (phase,) = [p for p in line.phases if (p.rig, p.name) == (frame.rig, frame.phase)]
    return phase


def test_unfiltered_frames_lie_inside_the_window() -> None:
    """HF-S03, HF-S04: released, ended, late and moved, an unfiltered frame is inside window and hard bounds."""

    def check(done: Compiled, _plan: Plan) -> None:
        line = done.timeline
        start, end = line.unfiltered_from_utc_ns, line.unfiltered_until_utc_ns
        assert start is not None
        assert end is not None
        assert start >= line.contacts_utc_ns[ContactName.C2] - HARD_BOUND_NS
        assert end <= line.contacts_utc_ns[ContactName.C3] + HARD_BOUND_NS
        for frame in line.frames:
            if frame.filter_need is FilterState.OFF:
                exposure = seconds_to_ns(frame.settings.exposure_s)
                assert start <= min(frame.due_utc_ns, frame.starts_from_utc_ns)
                latest = max(frame.due_utc_ns, frame.deadline_utc_ns, frame.movable_until_utc_ns)
                assert latest + exposure <= frame.ends_by_utc_ns <= end

    of_every_compiled_plan(check)


def test_frames_lie_inside_their_phase_and_stretch() -> None:
    """Each frame has its phase's filter state and its rig, and is due inside its phase and its own stretch."""

    def check(done: Compiled, _plan: Plan) -> None:
        line = done.timeline
        for frame in line.frames:
            phase = phase_of(line, frame)
            assert frame.filter_need is phase.filter_need
            assert phase.starts_utc_ns <= frame.starts_from_utc_ns <= frame.due_utc_ns
            assert exposure_end(frame) <= frame.ends_by_utc_ns <= phase.ends_utc_ns
            assert frame.due_utc_ns <= frame.movable_until_utc_ns
            assert frame.due_utc_ns <= frame.deadline_utc_ns

    of_every_compiled_plan(check)


def test_one_rig_does_one_thing_at_a_time() -> None:
    """HF-S19: the slots of a rig's frames never overlap, and each is long enough for its exposure and gap."""

    def check(done: Compiled, _plan: Plan) -> None:
        line = done.timeline
        for rig in line.rigs:
            mine = [frame for frame in line.frames if frame.rig == rig.name]
            gap = seconds_to_ns(done.bodies[rig.name].frame_gap_s)
            for frame, later in pairwise(mine):
                assert exposure_end(frame) + gap <= frame.due_utc_ns + frame.slot_ns <= later.due_utc_ns
                if frame.settings != later.settings:
                    change = seconds_to_ns(done.bodies[rig.name].setting_time_s)
                    assert exposure_end(frame) + gap + change <= later.due_utc_ns + 1

    of_every_compiled_plan(check)


def test_frames_holds_and_cues_are_sorted_and_named_once() -> None:
    """Everything is in order of its instant, and no identifier is given twice."""

    def check(done: Compiled, _plan: Plan) -> None:
        line = done.timeline
        assert list(line.frames) == sorted(line.frames, key=lambda f: (f.due_utc_ns, f.frame_id))
        assert list(line.cues) == sorted(line.cues, key=lambda c: (c.at_utc_ns, c.cue_id))
        for ids in (
            [f.frame_id for f in line.frames],
            [h.hold_id for h in line.holds],
            [c.cue_id for c in line.cues],
        ):
            assert len(ids) == len(set(ids))

    of_every_compiled_plan(check)


def test_takes_are_numbered_in_order_of_time() -> None:
    """Takes of a shot count from 1 in time, steps count from 1 in firing order, with the plan's exposures."""

    def check(done: Compiled, plan: Plan) -> None:
        shots = {(p.name, s.name): s for p in plan.phases for s in p.shots}
        by_shot = sorted(done.timeline.frames, key=lambda f: (f.rig, f.phase, f.shot, f.due_utc_ns))
        for (_, phase, shot), group in groupby(by_shot, key=lambda f: (f.rig, f.phase, f.shot)):
            frames = list(group)
            exposures = take_exposures(shots[phase, shot])
            assert [f.settings.exposure_s for f in frames] == [exposures[f.step - 1] for f in frames]
            assert (frames[0].take, frames[0].step) == (1, 1)
            for frame, later in pairwise(frames):
                same_take = (frame.take, frame.step + 1)
                assert (later.take, later.step) in (same_take, (frame.take + 1, 1))

    of_every_compiled_plan(check)


def test_no_frame_is_asked_of_a_camera_that_cannot_take_it() -> None:
    """Exposure time, aperture and ISO of each frame are within half a third-stop of listed ones."""

    def check(done: Compiled, plan: Plan) -> None:
        for rig in plan.rigs:
            body = body_of(rig)
            assert body == done.bodies[rig.name]
            for frame in done.timeline.frames:
                if frame.rig == rig.name:
                    assert min(abs(t / frame.settings.exposure_s - 1) for t in body.shutter_s) < 0.12
                    assert frame.settings.f_number in body.f_numbers
                    assert frame.settings.iso in body.isos

    of_every_compiled_plan(check)


def test_no_must_shot_is_dropped_in_silence() -> None:
    """Every must shot is there: with `at` whole, with `fill` at least once, with `every` whole or warned of."""

    def check(done: Compiled, plan: Plan) -> None:
        warned = " ".join(fault.what for fault in done.warnings)
        for phase in done.timeline.phases:
            (of_plan,) = [p for p in plan.phases if p.name == phase.name]
            for shot in of_plan.shots:
                if shot.wanted is not Wanted.MUST:
                    continue
                frames = [
                    f
                    for f in done.timeline.frames
                    if (f.rig, f.phase, f.shot) == (phase.rig, phase.name, shot.name)
                ]
                assert frames
                if shot.at:
                    assert len(frames) == shot.times * len(take_exposures(shot))
                if shot.every is not None:
                    whole = is_every_whole(shot, frames, phase)
                    assert whole or f'takes of "{shot.name}" find no room' in warned

    of_every_compiled_plan(check)


def is_every_whole(shot: ShotPlan, frames: list[Frame], phase: Phase) -> bool:
    """Whether a repeating shot has a take in each interval that its stretch has room for."""
    assert shot.every is not None
    starts = sorted(f.starts_from_utc_ns for f in frames if f.step == 1)
    step = seconds_to_ns(shot.every)
    if any(later - earlier != step for earlier, later in pairwise(starts)):
        return False
    if shot.starts is None and starts[0] != phase.starts_utc_ns:
        return False
    until = max(f.movable_until_utc_ns + seconds_to_ns(f.settings.exposure_s) for f in frames)
    return shot.until is not None or phase.ends_utc_ns - until <= step + frames[0].slot_ns * len(frames)


def test_every_phase_waits_for_a_word_and_the_filter_is_asked_back_on() -> None:
    """HF-S01, HF-S06: a hold covers every phase of a rig on the Sun; after the last unfiltered one comes "on"."""

    def check(done: Compiled, _plan: Plan) -> None:
        line = done.timeline
        window = (line.unfiltered_from_utc_ns, line.unfiltered_until_utc_ns)
        assert window[0] is not None
        assert window[1] is not None
        for rig in line.rigs:
            holds = [hold for hold in line.holds if hold.rig == rig.name]
            phases = [phase for phase in line.phases if phase.rig == rig.name]
            if not rig.points_at_sun:
                assert not holds
                continue
            assert [h.needs for h in holds] == [n for n, _ in groupby(h.needs for h in holds)]
            for phase in phases:
                covering = [
                    h
                    for h in holds
                    if h.opens_utc_ns <= phase.starts_utc_ns and phase.ends_utc_ns <= h.closes_utc_ns
                ]
                assert phase.filter_need in [h.needs for h in covering]
            for hold, after in pairwise([*holds, None]):
                assert hold is not None
                assert hold.opens_utc_ns <= hold.due_utc_ns < hold.closes_utc_ns
                if hold.needs is FilterState.OFF:
                    assert hold.opens_utc_ns >= window[0]
                    assert after is not None
                    assert after.opens_utc_ns == hold.closes_utc_ns
                    assert after.due_utc_ns <= window[1]

    of_every_compiled_plan(check)


def test_no_cue_takes_the_filter_off_before_its_time() -> None:
    """HF-S13: no cue before the earliest filter-off, nor after C3, may be heard to take it off."""

    def check(done: Compiled, _plan: Plan) -> None:
        line = done.timeline
        assert line.unfiltered_from_utc_ns is not None
        for cue in line.cues:
            if not line.unfiltered_from_utc_ns <= cue.at_utc_ns <= line.contacts_utc_ns[ContactName.C3]:
                assert takes_off(cue.say) is None
                assert "off" not in cue.say.lower().split()

    of_every_compiled_plan(check)


def test_compiling_twice_gives_the_same_bytes() -> None:
    """Compile is deterministic, and a timeline survives JSON with its digest."""

    def check(done: Compiled, _plan: Plan) -> None:
        data = done.timeline.to_json()
        again = Timeline.from_json(data)
        assert again == done.timeline
        assert again.to_json() == data
        assert again.digest() == done.timeline.digest()

    of_every_compiled_plan(check)

    for day, done, _plan in many_days()[0][:50]:
        again = compiled(day.text, day.site)
        assert again == done
        assert again.timeline.digest() == done.timeline.digest()


def moved(value: Any, shift_ns: int, key: str = "") -> Any:
    """Timeline data with every instant moved."""
    if isinstance(value, dict):
        inside = key if key == "contacts_utc_ns" else ""
        return {k: moved(v, shift_ns, inside or k) for k, v in value.items()}
    if isinstance(value, list):
        return [moved(v, shift_ns) for v in value]
    return value + shift_ns if key.endswith("_utc_ns") and value is not None else value


def compiled_or_faults(day: Day, site: SiteContacts) -> Compiled | list[tuple[int, int]]:
    """What compiles, or where its faults stand."""
    try:
        return compiled(day.text, site)
    except PlanError as error:
        return [(fault.line, fault.column) for fault in error.faults]


@settings(max_examples=100, suppress_health_check=[HealthCheck.too_slow])
@given(days(), st.integers(-(10**17), 10**17))
def test_moving_all_contacts_moves_everything_alike(day: Day, shift_ns: int) -> None:
    """Shifting the contacts by any time shifts every frame, hold, phase and cue by it and changes nothing else."""
    here, there = compiled_or_faults(day, day.site), compiled_or_faults(day, day.shifted(shift_ns))
    if isinstance(here, list) or isinstance(there, list):
        assert here == there
        return
    assert json.loads(there.timeline.to_json()) == moved(json.loads(here.timeline.to_json()), shift_ns)
    assert there.warnings == here.warnings
    assert there.timeline.digest() != here.timeline.digest() or shift_ns == 0


@pytest.mark.parametrize("kind", ["annular", "partial", "none"])
def test_no_unfiltered_phase_compiles_without_totality(kind: str) -> None:
    """HF-S07: what compiles in totality, with the filter off in some phase, compiles at no other site."""
    for day, done, plan in many_days()[0][:60]:
        assert done.timeline.kind == "total"
        unfiltered = [phase.name for phase in plan.phases if phase.filter is FilterState.OFF]
        assert unfiltered
        with pytest.raises(PlanError) as caught:
            compiled(day.text, contacts(kind, **day.shape))
        said = str(caught.value)
        if kind == "none":
            assert "does not reach this site" in said
        else:
            for name in unfiltered:
                assert f'"{name}" has the filter off, but the eclipse is {kind}' in said
