"""The safety audit finds each kind of contradiction, and none in a faultless journal."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from controller.account.audit import audit
from controller.journal.records import Kind
from controller.units import ContactName, FilterState, UtcNs, seconds_to_ns

Record = dict[str, Any]
Replaced = Callable[..., list[Record]]


def _only(found: list[str], *parts: str) -> None:
    """Check that one contradiction is found and that it says what it should."""
    assert len(found) == 1, found
    for part in parts:
        assert part in found[0]


def test_faultless_journal(day: Any) -> None:
    """HF-S24: a faultless journal has no contradiction, whole or cut after any record."""
    good = day.good()
    for length in range(len(good) + 1):
        assert audit(day.timeline, good[:length]) == []


# --- the operator's word ------------------------------------------------------------------------


def test_unfiltered_without_a_word(day: Any) -> None:
    """HF-S01, HF-S11: unfiltered frames without any word that the filter is off are found, each twice."""
    records = [r for r in day.good() if r["kind"] != Kind.FILTER_SAID and r["kind"] != Kind.HOLD_PASSED]
    found = audit(day.timeline, records)
    assert sum("(HF-S01)" in line for line in found) == 8
    assert "unfiltered frame long/0003 was released while nobody had said where the filter is" in "".join(
        found
    )
    assert sum("(HF-S06)" in line for line in found) == 6


def test_word_for_another_rig(day: Any) -> None:
    """HF-S01: a word for another rig confirms nothing."""
    records = [{**r, "rig": "wide"} if r.get("state") == "off" else r for r in day.good()]
    found = audit(day.timeline, records)
    assert sum("(HF-S01)" in line and "the filter was said on" in line for line in found) == 8


def test_word_for_the_rig_alone(day: Any) -> None:
    """HF-S01: a word for the rig itself is as good as one for all."""
    records = [{**r, "rig": "long"} if r["kind"] == Kind.FILTER_SAID else r for r in day.good()]
    assert audit(day.timeline, records) == []


def test_filter_on_stops_unfiltered_frames(day: Any) -> None:
    """HF-S05: an unfiltered frame handed over or released after "filter is on" is found."""
    records = day.numbered([*day.good(), day.said(151.2, "on"), day.said(152.2, "off")])
    found = audit(day.timeline, records)
    _only(found, "unfiltered frame long/0005 was released while the filter was said on", "(HF-S01)")
    records = day.numbered([*day.good(), day.said(150.1, "on"), day.said(151.9, "off")])
    _only(
        audit(day.timeline, records),
        "unfiltered frame long/0005 was handed to the camera while the filter was",
    )


@pytest.mark.parametrize(("said_s", "blamed"), [(151.6, True), (151.75, False), (151.9, False)])
def test_release_already_on_its_way(day: Any, said_s: float, blamed: bool) -> None:
    """HF-S05: a release that left within a quarter second of "filter is on" counts as already on its way."""
    records = [r for r in day.good() if not (r.get("frame_id") == "long/0006" or r["kind"] == Kind.RUN_ENDED)]
    records = day.numbered([*records, day.said(said_s, "on")])
    found = [line for line in audit(day.timeline, records) if "long/0005" in line]
    assert bool(found) is blamed


def test_filtered_frame_while_filter_is_off(day: Any) -> None:
    """HF-S06: a filtered frame fired while the filter is said to be off is found."""
    records = [r for r in day.good() if r["at_utc_ns"] != day.at(238)]
    found = audit(day.timeline, records)
    assert len(found) == 2
    assert all("filtered frame long/0007" in line and "said off (HF-S06)" in line for line in found)


def test_hold_that_passed_without_a_word(day: Any) -> None:
    """HF-S02: a hold that passes while the last word is another is found."""
    good = day.good()
    records = [
        {**r, "at_utc_ns": r["at_utc_ns"] - 10**9} if r["kind"] == Kind.HOLD_PASSED else r for r in good
    ]
    found = audit(day.timeline, day.numbered(records))
    assert len(found) == 3
    assert "hold long/dark passed, and the last word on long was on (HF-S02)" in found[1]


def test_word_that_is_no_word(day: Any) -> None:
    """HF-S02: a recorded word other than on or off confirms nothing and is found."""
    records = [{**r, "state": "unsaid"} if r.get("state") == "off" else r for r in day.good()]
    found = audit(day.timeline, records)
    assert "a word on the filter that is neither on nor off: unsaid (HF-S02)" in found[0]
    assert sum("(HF-S01)" in line for line in found) == 8


def _resumed(day: Any, broke_off_s: float, resumed_s: float) -> list[Record]:
    """Return the records of a run that broke off and went on, with no new word; frames between are missed."""
    before = [r for r in day.good()[:-1] if r["at_utc_ns"] <= day.at(broke_off_s)]
    after = [
        r for r in day.good()[:-1] if r["at_utc_ns"] >= day.at(resumed_s) and r["kind"] != Kind.FILTER_SAID
    ]
    resumed = day.record(Kind.RUN_RESUMED, resumed_s, torn_sha256=None, torn_bytes=0)
    return [*before, resumed, *(r for r in after if r["kind"] != Kind.HOLD_PASSED)]


def test_restart_inside_the_phase_keeps_the_word(day: Any) -> None:
    """HF-S12: a restart inside the same phase may go on with the word in the journal."""
    records = [r for r in _resumed(day, 100, 120) if r["at_utc_ns"] < day.at(240)]
    assert audit(day.timeline, day.numbered(records)) == []


def test_restart_in_another_phase_voids_the_word(day: Any) -> None:
    """HF-S12: a word given in one phase does not count after a restart in another, nor after a second restart."""
    spoken_early = [r for r in _resumed(day, 35, 85) if r["kind"] != Kind.RUN_RESUMED]
    early = day.said(79, "off")
    resumed = day.record(Kind.RUN_RESUMED, 85, torn_sha256=None, torn_bytes=0)
    dark = [r for r in spoken_early if r["at_utc_ns"] < day.at(240)]
    found = audit(day.timeline, day.numbered([*dark, early, resumed]))
    assert sum("(HF-S01)" in line and "nobody had said" in line for line in found) == 8
    twice = day.record(Kind.RUN_RESUMED, 90, torn_sha256=None, torn_bytes=0)
    found = audit(day.timeline, day.numbered([*dark, early, resumed, twice]))
    assert sum("(HF-S01)" in line and "nobody had said" in line for line in found) == 8
    again = day.said(86, "off")
    assert audit(day.timeline, day.numbered([*dark, early, resumed, again, twice])) == []


def test_restart_between_phases_voids_the_word(day: Any) -> None:
    """HF-S12: a word given between two phases does not outlive a restart, not even between the same two."""
    dark = [r for r in day.good() if r["kind"] != Kind.HOLD_PASSED and r["at_utc_ns"] < day.at(200)]
    records = [r for r in dark if r.get("state") != "off"]
    resumed = day.record(Kind.RUN_RESUMED, 84, torn_sha256=None, torn_bytes=0)
    found = audit(day.timeline, day.numbered([*records, day.said(82, "off"), resumed]))
    assert sum("(HF-S01)" in line and "nobody had said" in line for line in found) == 8
    assert audit(day.timeline, day.numbered([*records, day.said(82, "off")])) == []


# --- the window ---------------------------------------------------------------------------------


def _window(day: Any, start: float, end: float) -> Any:
    return replace(day.timeline, unfiltered_from_utc_ns=day.at(start), unfiltered_until_utc_ns=day.at(end))


def test_unfiltered_before_the_window(day: Any) -> None:
    """HF-S03: an unfiltered exposure that opens a nanosecond before the window is found."""
    released = day.at(98.004)
    exact = replace(day.timeline, unfiltered_from_utc_ns=released)
    early = replace(day.timeline, unfiltered_from_utc_ns=UtcNs(released + 1))
    named = "unfiltered frame long/0003 was exposed 0.000 s before its window (HF-S03)"
    assert not any(named in line for line in audit(exact, day.good()))
    assert any(named in line for line in audit(early, day.good()))


def test_unfiltered_past_the_window(day: Any) -> None:
    """HF-S03: an unfiltered exposure that ends a nanosecond after the window is found."""
    closes = day.at(158.004)
    exact = replace(day.timeline, unfiltered_until_utc_ns=closes)
    late = replace(day.timeline, unfiltered_until_utc_ns=UtcNs(closes - 1))
    assert audit(exact, day.good()) == []
    _only(audit(late, day.good()), "long/0006 was exposed until 0.000 s after its window", "(HF-S03)")


def test_longer_exposure_than_asked_counts(day: Any, replaced: Replaced) -> None:
    """HF-S03: an exposure that the camera reports longer than asked is judged by its real length."""
    read_back = {"exposure_s": 128.0, "f_number": 8.0, "iso": 100}
    records = replaced(day.good(), Kind.FRAME_FIRED, "long/0006", {"read_back": read_back})
    found = audit(day.timeline, records)
    assert any("long/0006 was exposed until 42.004 s after its window" in line for line in found)
    assert any("long/0006 ended 47.004 s past its limit" in line for line in found)


def test_handed_over_outside_the_window(day: Any) -> None:
    """HF-S04: handing an unfiltered frame to the camera for an instant outside the window is found."""
    records = [r for r in day.good() if r.get("frame_id") != "long/0003" or r["kind"] == Kind.FRAME_INTENT]
    records = [r for r in records if r["kind"] != Kind.RUN_ENDED]
    found = audit(_window(day, 99, 240), records)
    _only(found, "long/0003 was handed over to be exposed 1.000 s before its window")


@pytest.mark.parametrize(("start", "end"), [(69.999, 240), (80, 250.001)])
def test_window_beyond_the_hard_bounds(day: Any, start: float, end: float) -> None:
    """HF-S03: a window wider than 30 s before C2 to 30 s after C3 is found even with nothing fired."""
    _only(audit(_window(day, start, end), []), "wider than 30 s before C2 to after C3")
    assert audit(_window(day, 70, 250), []) == []


@pytest.mark.parametrize("kind", ["partial", "annular"])
def test_unfiltered_in_a_partial_eclipse(day: Any, kind: str) -> None:
    """HF-S07: in a partial or annular eclipse neither a window nor an unfiltered frame may be."""
    found = audit(replace(day.timeline, kind=kind), [])
    _only(found, f"the eclipse is {kind} at the site and the timeline has an unfiltered window (HF-S07)")
    without = replace(day.timeline, kind=kind, unfiltered_from_utc_ns=None, unfiltered_until_utc_ns=None)
    _only(audit(without, []), "the timeline has 4 unfiltered frames and no unfiltered window (HF-S07)")
    found = audit(without, day.good())
    assert sum("exposed where none may be (HF-S07)" in line for line in found) == 8


def test_window_without_contacts(day: Any) -> None:
    """HF-S03: an unfiltered window where there is no C2 and C3 to tie it to is found."""
    contacts = {ContactName.MID: day.at(160)}
    _only(audit(replace(day.timeline, contacts_utc_ns=contacts), []), "no C2 or C3 (HF-S03)")


# --- frames -------------------------------------------------------------------------------------


def test_late_frame(day: Any, replaced: Replaced) -> None:
    """HF-S08: a frame released past its deadline is found; up to the deadline it is not."""
    late = replaced(day.good(), Kind.FRAME_FIRED, "long/0003", {"released_utc_ns": day.at(98.7)})
    _only(audit(day.timeline, late), "frame long/0003 was fired 0.200 s past its deadline (HF-S08)")
    in_time = replaced(day.good(), Kind.FRAME_FIRED, "long/0003", {"released_utc_ns": day.at(98.5)})
    assert audit(day.timeline, in_time) == []


def test_moved_frame_has_its_own_deadline(day: Any, replaced: Replaced) -> None:
    """HF-S08: after a move the frame is judged by its new due instant, not by the old."""
    due = int(day.at(170))
    moved = day.record(
        Kind.FRAME_MOVED, 90, frame_id="long/0003", rig="long", due_utc_ns=due, was_utc_ns=int(day.at(98))
    )
    records = replaced(
        day.good(), Kind.FRAME_INTENT, "long/0003", {"due_utc_ns": due, "at_utc_ns": due - 10**9}
    )
    fired = {"due_utc_ns": due, "released_utc_ns": due, "at_utc_ns": due + 10**9}
    records = replaced(records, Kind.FRAME_FIRED, "long/0003", fired)
    assert audit(day.timeline, day.numbered([*records, moved])) == []
    found = audit(day.timeline, day.numbered(records))
    assert any("another instant than it was due at" in line for line in found)
    assert any("71.500 s past its deadline" in line for line in found)


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"due_utc_ns": 0}, "was moved out of its own stretch"),
        ({"was_utc_ns": 5}, "was moved from an instant it was not due at"),
        ({"frame_id": "long/0099"}, "frame_moved of frame long/0099, which is not in the timeline"),
        ({"rig": "wide"}, "frame long/0003 belongs to rig long, not wide"),
    ],
)
def test_bad_move(day: Any, fields: Record, words: str) -> None:
    """A move of a strange frame, from the wrong instant or out of the frame's stretch is found."""
    own: Record = {
        "frame_id": "long/0003",
        "rig": "long",
        "due_utc_ns": int(day.at(99)),
        "was_utc_ns": int(day.at(98)),
    }
    moved = day.record(Kind.FRAME_MOVED, 90, **{**own, **fields})
    records = [r for r in day.good() if r["at_utc_ns"] < day.at(90)]
    _only(audit(day.timeline, day.numbered([*records, moved])), words)


def test_move_after_hand_over(day: Any) -> None:
    """A frame moved after it was handed to the camera is found."""
    moved = day.record(
        Kind.FRAME_MOVED,
        97,
        frame_id="long/0003",
        rig="long",
        due_utc_ns=int(day.at(98)),
        was_utc_ns=int(day.at(98)),
    )
    found = audit(day.timeline, day.numbered([*day.good(), moved]))
    _only(found, "was moved after it was handed to the camera")


def test_outcome_without_intent(day: Any, replaced: Replaced) -> None:
    """HF-S09: fired and failed need an intent before them; missed needs none."""
    records = replaced(day.good(), Kind.FRAME_INTENT, "long/0004", None)
    _only(
        audit(day.timeline, records), "frame long/0004 ended as fired and no intent stands before it (HF-S09)"
    )
    missed = [r for r in records if r.get("frame_id") != "long/0004" and r["kind"] != Kind.RUN_ENDED]
    assert audit(day.timeline, day.numbered([*missed, day.missed("long/0004", 151)])) == []
    failed = day.record(Kind.FRAME_FAILED, 151, frame_id="long/0004", rig="long", code=-1, detail="")
    _only(audit(day.timeline, day.numbered([*missed, failed])), "ended as failed and no intent")


def test_intent_after_release(day: Any, replaced: Replaced) -> None:
    """HF-S09: a release before the instant of its intent is found."""
    records = replaced(day.good(), Kind.FRAME_FIRED, "long/0004", {"released_utc_ns": day.at(148.4)})
    _only(audit(day.timeline, records), "long/0004 was released before its intent was journalled (HF-S09)")


def test_two_outcomes(day: Any) -> None:
    """HF-S10: a frame that ends twice is found."""
    found = audit(day.timeline, day.numbered([*day.good(), day.missed("long/0004", 170)]))
    _only(found, "frame long/0004 ended twice: fired, then missed (HF-S10)")


def test_unknown_frame_tried_again(day: Any) -> None:
    """HF-S10: a frame that ended as unknown and is handed over again is found."""
    unknown = day.record(Kind.FRAME_UNKNOWN, 149, frame_id="long/0004", rig="long", detail="")
    records = [r for r in day.good() if r["kind"] != Kind.RUN_ENDED]
    found = audit(day.timeline, day.numbered([*records, unknown, day.intent("long/0004", 149.5)]))
    assert any("handed to the camera a second time (HF-S10)" in line for line in found)
    assert any("handed to the camera after it was unknown (HF-S10)" in line for line in found)
    assert any("ended twice: unknown, then fired (HF-S10)" in line for line in found)


def test_frame_of_another_timeline(day: Any) -> None:
    """Intent and outcome of a frame that is not in the timeline are found."""
    strange = [
        {**day.intent("long/0004", 170), "frame_id": "long/0444"},
        {**day.fired("long/0004", 171), "frame_id": "long/0444"},
    ]
    found = audit(day.timeline, day.numbered([*day.good()[:-1], *strange]))
    assert [line.partition(": ")[2] for line in found] == [
        "frame_intent of frame long/0444, which is not in the timeline.",
        "frame_fired of frame long/0444, which is not in the timeline.",
    ]


def test_fired_without_the_cameras_word(day: Any, replaced: Replaced) -> None:
    """HF-S17: a frame called fired with no file named by the camera is found."""
    for nothing in ("", None):
        records = replaced(day.good(), Kind.FRAME_FIRED, "long/0004", {"file_name": nothing})
        _only(audit(day.timeline, records), "called fired without the camera's word for it (HF-S17)")


@pytest.mark.parametrize(("name", "value"), [("exposure_s", 2.0), ("f_number", 5.6), ("iso", 200)])
def test_other_settings_than_planned(day: Any, replaced: Replaced, name: str, value: float) -> None:
    """A frame handed over with another setting than planned is found."""
    records = replaced(day.good(), Kind.FRAME_INTENT, "long/0004", {name: value})
    _only(audit(day.timeline, records), f"handed over with another {name} than planned")


def test_two_exposures_at_once(day: Any, replaced: Replaced) -> None:
    """HF-S19: a frame opened while another is exposed on the same camera is found; on another camera it may be."""
    touching = replaced(day.good(), Kind.FRAME_FIRED, "long/0005", {"released_utc_ns": day.at(151.004)})
    assert not any("HF-S19" in line for line in audit(day.timeline, touching))
    overlap = replaced(day.good(), Kind.FRAME_FIRED, "long/0005", {"released_utc_ns": day.at(151.003)})
    _only(audit(day.timeline, overlap), "long/0004 and long/0005 were exposed at once on long (HF-S19)")
    longest = replaced(day.good(), Kind.FRAME_FIRED, "long/0003", {"released_utc_ns": day.at(157)})
    longest = replaced(longest, Kind.FRAME_FIRED, "long/0005", {"released_utc_ns": day.at(155)})
    found = [line for line in audit(day.timeline, longest) if "HF-S19" in line]
    assert found == [
        "long/0006 and long/0005 were exposed at once on long (HF-S19).",
        "long/0006 and long/0003 were exposed at once on long (HF-S19).",
    ]
    other = replaced(day.good(), Kind.FRAME_FIRED, "wide/0001", {"released_utc_ns": day.at(155)})
    assert not any("HF-S19" in line for line in audit(day.timeline, other))


# --- pause, stop, end ---------------------------------------------------------------------------


@pytest.mark.parametrize("rig", [None, "long"])
def test_fired_while_paused(day: Any, rig: str | None) -> None:
    """HF-S16: frames handed over or released during a pause are found; before and after they are not."""
    pause = day.record(Kind.PAUSED, 149.5, rig=rig)
    go_on = day.record(Kind.WENT_ON, 151, rig=rig)
    found = audit(day.timeline, day.numbered([*day.good(), pause, go_on]))
    assert [line.partition(": ")[2] for line in found] == [
        "frame long/0005 was handed to the camera while long was paused (HF-S16).",
        "frame long/0004 was released while long was paused (HF-S16).",
    ]


def test_pause_of_another_rig(day: Any) -> None:
    """HF-S16: a pause of one rig binds no other."""
    assert audit(day.timeline, day.numbered([*day.good(), day.record(Kind.PAUSED, 170, rig="wide")])) == []


def test_fired_after_the_stop(day: Any) -> None:
    """HF-S16: frames handed over or released after a stop are found."""
    records = [r for r in day.good()[:-1] if r["at_utc_ns"] < day.at(153)]
    found = audit(day.timeline, day.numbered([*records, day.record(Kind.STOP_ASKED, 151, by="operator")]))
    assert [line.partition(": ")[2] for line in found] == [
        "frame long/0005 was released after the stop (HF-S16).",
        "frame long/0006 was handed to the camera after the stop (HF-S16).",
    ]


def test_restart_ends_a_stop(day: Any) -> None:
    """HF-S16: a run that was stopped and is started again by hand may fire again."""
    stop = day.record(Kind.STOP_ASKED, 156, by="operator")
    resumed = day.record(Kind.RUN_RESUMED, 158, torn_sha256=None, torn_bytes=0)
    records = [r for r in day.good()[:-1] if r.get("frame_id") != "wide/0001"]
    wide = [day.intent("wide/0001", 159), day.fired("wide/0001", 160.004)]
    assert audit(day.timeline, day.numbered([*records, *wide, stop, resumed])) == []
    found = audit(day.timeline, day.numbered([*records, *wide, stop]))
    assert sum("after the stop (HF-S16)" in line for line in found) == 4


def test_end_that_leaves_frames_open(day: Any, replaced: Replaced) -> None:
    """A run that says it ended must have an end for every frame; an open journal need not."""
    records = replaced(day.good(), Kind.FRAME_FIRED, "long/0004", None)
    records = replaced(records, Kind.FRAME_INTENT, "long/0007", None)
    records = replaced(records, Kind.FRAME_FIRED, "long/0007", None)
    closed = [*records[:-1], {**records[-1], "fired": 6}]
    found = audit(day.timeline, closed)
    assert found == [
        "the run ended and frame long/0004 has an intent and no outcome.",
        "the run ended and nothing is said of frame long/0007.",
    ]
    assert audit(day.timeline, closed[:-1]) == []


def test_counts_that_do_not_add_up(day: Any) -> None:
    """A closing record whose numbers are not those of the journal is found."""
    records = [*day.good()[:-1], day.ended(fired=7, missed=1)]
    found = audit(day.timeline, records)
    assert len(found) == 2
    assert "ended with 7 fired, and the journal shows 8" in found[0]
    assert "ended with 1 missed, and the journal shows 0" in found[1]


def test_second_beginning_and_life_after_the_end(day: Any) -> None:
    """A second start of the run, a missing start, and a record after the end are found."""
    good = day.good()
    assert any("the run begins a second time" in line for line in audit(day.timeline, [good[0], *good]))
    _only(
        audit(day.timeline, good[1:]),
        "the journal starts with camera_ready and not with the start of the run",
    )
    after = audit(day.timeline, [*good, day.record(Kind.NOTE, 301, text="")])
    _only(after, "note stands after the end of the run")


def test_record_that_lacks_a_field(day: Any) -> None:
    """A record without a field it must have is found, and the audit goes on."""
    good = day.good()
    records = [{k: v for k, v in r.items() if k != "released_utc_ns"} for r in good]
    found = audit(day.timeline, records)
    assert len(found) == 8
    assert all(
        "frame_fired lacks a field or has a wrong one: KeyError('released_utc_ns')" in line for line in found
    )
    assert any(
        "rig moon is not in the timeline" in line
        for line in audit(day.timeline, [*good, day.said(1, "on", "moon")])
    )


def test_landscape_rig_needs_no_word(day: Any) -> None:
    """A rig that does not point at the Sun fires whatever is said of filters."""
    records = [r for r in day.good() if r.get("rig") == "wide" or r["kind"] == Kind.RUN_BEGAN]
    assert day.frame("wide/0001").filter_need is FilterState.NOT_NEEDED
    assert audit(day.timeline, records) == []
    shifted = day.numbered([*records, day.said(10, "off"), day.said(20, "on")])
    assert audit(day.timeline, shifted) == []
    assert seconds_to_ns(0.004) == day.fired("wide/0001", 160.004)["released_utc_ns"] - day.at(160)
