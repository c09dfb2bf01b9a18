"""Compiling: single rules, one at a time, on plans changed for the purpose."""

from __future__ import annotations

import cProfile
from dataclasses import replace
from itertools import pairwise

import pytest

from controller.errors import PlanError
from controller.plan.loading import load_plan_text
from controller.timeline import compile as compiling
from controller.timeline.compile import Compiled, compile_plan
from controller.timeline.model import Frame
from controller.units import NS_PER_S, ContactName, FilterState
from tests.timeline.building import DAY_NS, FILTERED_PLAN, changed, compiled, contacts

C2_S, C3_S = 3600.0, 3840.0
SECOND_HALF = """  - name: second half
    from: 60 s after C3
    until: C4
    filter: on
    rigs: [long]
    shots:
      - name: crescents
        wanted: nice
        exposure: 1/500
        every: 120 s
"""


def seconds(instant_ns: int) -> float:
    """Seconds of the day."""
    return (instant_ns - DAY_NS) / NS_PER_S


def frames_of(done: Compiled, shot: str) -> list[Frame]:
    """The frames of a shot."""
    return [frame for frame in done.timeline.frames if frame.shot == shot]


def dues(done: Compiled, shot: str) -> list[float]:
    """When the frames of a shot are due, seconds of the day."""
    return [seconds(frame.due_utc_ns) for frame in frames_of(done, shot)]


def holds_of(done: Compiled) -> list[tuple[str, str, float, float, float]]:
    """Phase, need, opening, due and closing of each hold of the long rig."""
    return [
        (h.phase, h.needs.value, seconds(h.opens_utc_ns), seconds(h.due_utc_ns), seconds(h.closes_utc_ns))
        for h in done.timeline.holds
        if h.rig == "long"
    ]


# --- frames -------------------------------------------------------------------------------------


def test_a_burst_is_fired_as_fast_as_the_camera_can() -> None:
    """Takes of one exposure follow each other by exposure and gap; the last leaves time to change settings."""
    done = compiled()
    assert dues(done, "ring") == pytest.approx([C2_S - 4, C2_S - 4 + 0.601, C2_S - 4 + 1.202], abs=1e-9)
    assert [f.slot_ns for f in frames_of(done, "ring")] == [601_000_000, 601_000_000, 701_000_000]
    assert [f.take for f in frames_of(done, "ring")] == [1, 2, 3]


def test_a_shot_without_until_stays_at_its_instant() -> None:
    """It may be moved by its late limit and no more; one with until may be moved as late as that."""
    done = compiled()
    for frame in frames_of(done, "ring"):
        assert frame.movable_until_utc_ns == frame.deadline_utc_ns == frame.due_utc_ns + NS_PER_S // 2
    for frame in frames_of(done, "corona"):
        last = seconds(frame.movable_until_utc_ns) + frame.settings.exposure_s
        assert last == pytest.approx(C2_S + 60, abs=1e-6)
        assert seconds(frame.starts_from_utc_ns) == C2_S + 10


def test_a_bracket_is_fired_coarse_to_fine() -> None:
    """The ends of a bracket come first, then the middle, so that any beginning spans it."""
    exposures = [frame.settings.exposure_s for frame in frames_of(compiled(), "corona")]
    assert exposures[:2] == [1 / 1000, 1.0]
    assert sorted(exposures) == [1 / 1000, 1 / 250, 1 / 60, 1 / 15, 1 / 4, 1.0]


def test_what_repeats_keeps_its_interval() -> None:
    """Takes of an `every` shot are whole intervals from the start of the stretch, none timed by the one before."""
    times = dues(compiled(), "crescent")
    assert times == [120.0 * n for n in range(30)]


def test_what_repeats_steps_aside_within_its_interval() -> None:
    """A take that another shot stands in the way of is taken after it, if its interval has room; others stay."""
    land = "        exposure: 0.5 s\n        every: 10 s"
    other = "\n      - name: trails\n        wanted: want\n        exposure: 4 s\n        at: C2"
    done = compiled(changed((land, land + other)))
    times = dues(done, "shadow")
    assert [t for t in times if C2_S - 11 < t < C2_S + 11] == [C2_S - 10, C2_S + 4.6, C2_S + 10]
    assert len(times) == 48
    (moved,) = [f for f in frames_of(done, "shadow") if seconds(f.due_utc_ns) == C2_S + 4.6]
    assert seconds(moved.starts_from_utc_ns) == C2_S
    assert seconds(moved.movable_until_utc_ns) == pytest.approx(C2_S + 10 - 1.1, abs=1e-9)
    assert done.warnings == ()


def test_a_take_that_steps_aside_stays_inside_its_stretch() -> None:
    """A take is left out, with a warning, rather than taken past the end of its shot's stretch."""
    land = "        exposure: 0.5 s\n        every: 10 s"
    stretch = "\n        from: C2\n        until: 33 s after C2"
    other = "\n      - name: trails\n        wanted: want\n        exposure: 2 s\n        at: 30 s after C2"
    assert dues(compiled(changed((land, land + stretch))), "shadow") == [C2_S + n for n in (0, 10, 20, 30)]
    done = compiled(changed((land, land + stretch + other)))
    assert dues(done, "shadow") == [C2_S + n for n in (0, 10, 20)]
    assert ["1 of 4 takes" in fault.what for fault in done.warnings] == [True]
    done = compiled(changed((land, land + stretch.replace("33", "34") + other)))
    assert dues(done, "shadow") == [C2_S + n for n in (0, 10, 20, 32.6)]


def test_fixed_shots_may_not_overlap_in_part() -> None:
    """A shot that begins in the free and runs into another is refused as one that begins on it is."""
    more = "      - name: more corona\n"
    early = "      - name: early\n        wanted: nice\n        exposure: 1/500\n        at: 9 s after C2\n"
    compiled(changed((more, early + more)))
    with pytest.raises(PlanError, match='"early" falls on the shot "corona"'):
        compiled(changed((more, early + "        times: 3\n" + more)))


def test_filling_leaves_no_gap_that_a_take_would_fit_in() -> None:
    """Between fixed shots the filling shot takes all the time there is, but for less than its shortest take."""
    done = compiled()
    dark = [f for f in done.timeline.frames if f.phase == "totality" and seconds(f.due_utc_ns) > C2_S + 5 - 1]
    assert seconds(dark[0].due_utc_ns) == C2_S + 5
    gaps = [(b.due_utc_ns - a.due_utc_ns - a.slot_ns) / NS_PER_S for a, b in pairwise(dark)]
    shortest = 1 / 1000 + 1 + 1 / 60 + 3 * 0.7
    assert max(gaps) < shortest
    last = dark[-1]
    assert seconds(last.due_utc_ns) + last.settings.exposure_s <= C3_S - 10
    assert seconds(last.due_utc_ns) + last.slot_ns / NS_PER_S > C3_S - 10 - shortest


def test_filling_does_not_run_into_the_shot_after_its_stretch() -> None:
    """HF-S19: where a fixed shot starts at the very end of the stretch, the camera is free again by then."""
    last = "      - name: last\n        wanted: must\n        exposure: 1/500\n        at: 10 s before C3\n"
    more = "      - name: more corona\n"
    text = changed((more, last + more))
    done = compiled(text)
    (fixed,) = frames_of(done, "last")
    *_, before = [f for f in done.timeline.frames if f.due_utc_ns < fixed.due_utc_ns and f.rig == "long"]
    assert before.shot == "more corona"
    assert before.due_utc_ns + before.slot_ns <= fixed.due_utc_ns


def test_filling_shots_take_turns_and_the_most_wanted_is_never_crowded_out() -> None:
    """A must shot that fits only once, later, has its place before nicer ones fill the time."""
    more = "      - name: more corona\n        wanted: want\n        bracket:"
    text = changed(
        (
            more,
            "      - name: long look\n        wanted: must\n        exposure: 20 s\n        fill: true\n"
            "        from: 100 s after C2\n        until: 121 s after C2\n" + more,
        )
    )
    done = compiled(text)
    assert dues(done, "long look") == [C2_S + 100]
    assert len(frames_of(done, "more corona")) > 150


def test_two_filling_shots_take_turns() -> None:
    """Whole takes of the two follow each other in turn."""
    other = "      - name: detail\n        wanted: want\n        exposure: 2 s\n        fill: true\n"
    stretch = "        from: 61 s after C2\n        until: 60 s before C3\n"
    done = compiled(changed(("  - name: second half\n", other + stretch + "  - name: second half\n")))
    between = [f for f in done.timeline.frames if f.phase == "totality" and f.step == 1]
    shots = [f.shot for f in between if C2_S + 66 < seconds(f.due_utc_ns) < C3_S - 66]
    assert len(shots) > 20
    assert all(shot != later for shot, later in pairwise(shots))


def test_where_two_filling_shots_have_room_for_one_the_more_wanted_has_it() -> None:
    """A must shot written after a nice one has the only place there is."""
    stretch = "        fill: true\n        from: 30 s after C2\n        until: 34 s after C2\n"
    shots = "".join(
        f"      - name: {name}\n        wanted: {wanted}\n        exposure: 3 s\n{stretch}"
        for name, wanted in (("pretty", "nice"), ("needed", "must"))
    )
    more = changed().partition("      - name: more corona\n")[2].partition("  - name: second half\n")[0]
    done = compiled(changed(("      - name: more corona\n" + more, shots)))
    assert dues(done, "needed") == [C2_S + 30]
    assert [fault.severity for fault in done.warnings] == ["warning"]
    assert 'no room for "pretty"' in done.warnings[0].what


def test_filling_is_no_faster_than_the_card() -> None:
    """A shot that goes on for long leaves each frame the time to be written, so the buffer does not fill."""
    done = compiled(changed(("write_time: 0.4 s", "write_time: 1.5 s")))
    for frame, later in pairwise(frames_of(done, "more corona")):
        assert later.due_utc_ns - frame.due_utc_ns >= 1.5 * NS_PER_S
    assert done.warnings == ()


def test_times_left_out_of_the_plan_are_the_drivers() -> None:
    """A rig that says nothing of its camera's speed gets the planning figures; one that does keeps its own."""
    done = compiled()
    assert done.bodies["long"].frame_gap_s == 0.6
    assert done.bodies["land"].frame_gap_s == 0.5
    assert done.bodies["long"].card_frames == 2000


def test_compiling_is_not_quadratic_in_the_frames() -> None:
    """Ten times the frames take about ten times the function calls, not a hundred times."""
    speeds = (
        "frame_gap: 0.6 s\n      setting_time: 0.1 s\n      write_time: 0.4 s",
        "frame_gap: 0.1 s\n      setting_time: 0 s\n      write_time: 0 s",
    )
    loaded = load_plan_text(changed(speeds, ("card_frames: 2000", "card_frames: 100000")), "plan.yaml")

    def cost(totality_s: float) -> tuple[int, int]:
        with cProfile.Profile() as profile:
            line = compile_plan(loaded, contacts(totality_s=totality_s)).timeline
        return sum(entry.callcount for entry in profile.getstats()), len(line.frames)

    (few_calls, few), (many_calls, many) = cost(200), cost(2000)
    assert many > 5000
    assert many_calls / few_calls < 1.5 * many / few


# --- holds --------------------------------------------------------------------------------------


def test_holds_open_and_are_due_when_the_filter_has_to_change() -> None:
    """HF-S01, HF-S13: the filter is asked off no earlier than allowed, and due back on by the latest instant."""
    assert holds_of(compiled()) == [
        ("first half", "on", -300, 0, C2_S - 60),
        ("totality", "off", C2_S - 20, C2_S - 12, C3_S + 10),
        ("second half", "on", C3_S + 10, C3_S + 20, 7440),
    ]


def test_filter_goes_back_on_even_when_nothing_follows() -> None:
    """A plan that ends with totality still asks for the filter, at the end of its last unfiltered phase."""
    done = compiled(changed((SECOND_HALF, "")))
    assert holds_of(done)[-1] == ("filter back on", "on", C3_S + 10, C3_S + 20, C3_S + 320)


def test_two_unfiltered_phases_have_one_hold() -> None:
    """HF-S01: where the filter stays off from one phase to the next, one hold is asked until the last ends."""
    halves = changed(
        ("    until: 10 s after C3\n    filter: off", "    until: 100 s after C2\n    filter: off"),
        ("    from: 5 s after C2\n        until: 10 s before C3\n".lstrip(), "from: 5 s after C2\n"),
        (
            SECOND_HALF,
            "  - name: late totality\n    from: 20 s before C3\n    until: 10 s after C3\n    filter: off\n"
            "    rigs: [long]\n    shots:\n      - name: late ring\n        wanted: must\n"
            "        exposure: 1/500\n        at: C3\n" + SECOND_HALF,
        ),
    )
    done = compiled(halves)
    assert [h[:2] for h in holds_of(done)] == [
        ("first half", "on"),
        ("totality", "off"),
        ("second half", "on"),
    ]
    assert holds_of(done)[1][2:] == (C2_S - 20, C2_S - 12, C3_S + 10)
    assert {f.ends_by_utc_ns for f in frames_of(done, "more corona")} == {DAY_NS + 3_700 * NS_PER_S}


def test_a_phase_called_filter_back_on_is_a_phase_like_any_other() -> None:
    """Hold identifiers stay unique whatever phases are called."""
    done = compiled(changed((SECOND_HALF, ""), ("  - name: totality\n", "  - name: filter back on\n")))
    ids = [hold.hold_id for hold in done.timeline.holds]
    assert len(set(ids)) == len(ids) == 3


def test_rig_on_the_landscape_waits_for_no_word() -> None:
    """A rig that never points at the Sun has no hold."""
    assert {hold.rig for hold in compiled().timeline.holds} == {"long"}


def test_unfiltered_window_never_passes_the_hard_bounds() -> None:
    """HF-S03: 30 s before C2 and 30 s after C3 hold even for a plan that the loader did not see."""
    loaded = load_plan_text(changed(), "plan.yaml")
    holds = loaded.plan.holds
    wide = holds.model_copy(
        update={
            "filter_off_earliest": replace(holds.filter_off_earliest, offset_s=-300.0),
            "filter_on_latest": replace(holds.filter_on_latest, offset_s=300.0),
        }
    )
    line = compile_plan(
        replace(loaded, plan=loaded.plan.model_copy(update={"holds": wide})), contacts()
    ).timeline
    assert line.unfiltered_from_utc_ns is not None
    assert line.unfiltered_until_utc_ns is not None
    assert seconds(line.unfiltered_from_utc_ns) == C2_S - 30
    assert seconds(line.unfiltered_until_utc_ns) == C3_S + 30


@pytest.mark.parametrize("kind", ["annular", "partial"])
def test_no_window_without_totality(kind: str) -> None:
    """HF-S07: an annular or partial eclipse has no unfiltered window, and all its frames need the filter."""
    line = compiled(FILTERED_PLAN, contacts(kind)).timeline
    assert (line.unfiltered_from_utc_ns, line.unfiltered_until_utc_ns) == (None, None)
    assert {frame.filter_need for frame in line.frames} == {FilterState.ON}
    assert [hold.needs for hold in line.holds] == [FilterState.ON]
    assert not any("Filter off" in cue.say for cue in line.cues)


# --- faults -------------------------------------------------------------------------------------


def test_faults_of_phases_shots_and_cues_are_told_together() -> None:
    """A fault in one place hides none in another: window, overlap, settings and cue are told at once, in order."""
    text = changed(
        (
            "    from: 12 s before C2\n    until: 10 s after C3",
            "    from: 200 s before mid\n    until: 10 s after C3",
        ),
        ("        exposure: 0.5 s", "        exposure: 45 s"),
        ("every: 10 s", "every: 60 s"),
        ("The filter stays on.", "Take the filter off."),
    )
    with pytest.raises(PlanError) as caught:
        compiled(text)
    assert [fault.line for fault in caught.value.faults] == [46, 46, 91, 95]


def test_a_phase_inside_another_is_told_each_time() -> None:
    """A long phase overlaps with every phase inside it, also with those after the first."""
    text = changed(("    from: C1\n    until: 60 s before C2", "    from: C1\n    until: C4"))
    with pytest.raises(PlanError) as caught:
        compiled(text)
    assert [(fault.line, "overlap" in fault.what) for fault in caught.value.faults] == [
        (46, True),
        (74, True),
    ]


def test_warnings_of_the_loader_are_kept() -> None:
    """What the loader warned of is among the warnings, with what compiling warns of, in the file's order."""
    done = compiled(
        changed(("density: 5.0", "density: 4.0"), ("    from: 12 s before C2", "    from: 18 s before C2"))
    )
    assert [fault.line for fault in done.warnings] == [22, 46]
    assert {fault.severity for fault in done.warnings} == {"warning"}


def test_more_frames_than_a_day_holds_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """The bound on the frames of a rig counts all of its shots."""
    monkeypatch.setattr(compiling, "MAX_FRAMES", 306)
    with pytest.raises(PlanError, match='The rig "long" comes to 307 frames'):
        compiled()
    monkeypatch.setattr(compiling, "MAX_FRAMES", 307)
    assert len([f for f in compiled().timeline.frames if f.rig == "long"]) == 307


def test_contacts_are_taken_over_as_given() -> None:
    """The timeline carries the contacts, their note, and their uncertainty unchanged."""
    site = replace(contacts(), note="from a table", uncertainty_s=1.5)
    line = compiled(site=site).timeline
    assert line.contacts_utc_ns == site.contacts_utc_ns
    assert (line.contacts_note, line.contacts_uncertainty_s) == ("from a table", 1.5)
    assert next(iter(line.contacts_utc_ns)) is ContactName.C1


def test_time_zone_of_the_plan_comes_before_the_one_found() -> None:
    """The zone is the plan's, else the one handed in."""
    loaded = load_plan_text(changed(), "plan.yaml")
    assert compile_plan(loaded, contacts(), time_zone="Africa/Cairo").timeline.time_zone == "Africa/Cairo"
    named = load_plan_text(
        changed(("  longitude: 32.10\n", "  longitude: 32.10\n  time_zone: Asia/Tokyo\n")), "p"
    )
    assert compile_plan(named, contacts(), time_zone="Africa/Cairo").timeline.time_zone == "Asia/Tokyo"


def test_overlapping_stretches_are_filled_without_a_gap() -> None:
    """Where one filling shot may go on until the next may begin, the camera never idles between them."""
    text = changed(
        (
            """        fill: true
        from: 5 s after C2
        until: 10 s before C3
""",
            """        fill: true
        from: 5 s after C2
        until: 10 s before C3
      - name: early
        wanted: nice
        exposure: 1/500
        fill: true
        from: 1 s after C2
        until: 5.9 s after C2
""",
        )
    )
    done = compiled(text)
    c2 = done.timeline.contacts_utc_ns[ContactName.C2]
    frames = [
        f for f in done.timeline.frames if f.phase == "totality" and 0 < f.due_utc_ns - c2 < 9 * NS_PER_S
    ]
    assert {f.shot for f in frames} == {"early", "more corona"}
    idle = [b.due_utc_ns - a.due_utc_ns - a.slot_ns for a, b in pairwise(frames)]
    assert len(idle) > 5
    assert max(idle) == 0
