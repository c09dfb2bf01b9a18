"""What a made-up day is worth, and that a day against the rules would be seen."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from controller.account.odds import Lived, Tally, contradictions, crowded_out, live, live_one, score
from controller.simulate.days import PROMPT, Exposure, Played, Weather
from controller.timeline.model import Frame
from controller.units import Wanted, seconds_to_ns
from tests.engine.builder import at
from tests.simulate.small import CALM, case, small_day

CLEAR = Weather((), 0.0)
RING, CORONA, RIDGE = (
    ("long", "totality", "ring"),
    ("long", "totality", "corona 1"),
    ("wide", "landscape", "ridge"),
)


@pytest.fixture(scope="module")
def calm() -> Lived:
    """Return a day on which all went well."""
    (lived,) = live_one([case(CALM)], 1, 1)
    assert lived.breaches == []
    return lived


def due(shot: tuple[str, str, str], step: int = 0) -> int:
    """Return the instant of a frame of a shot."""
    mine = [f for f in small_day().frames if (f.rig, f.phase, f.shot) == shot]
    return mine[step].due_utc_ns


def changed(played: Played, chosen: Callable[[dict[str, Any]], bool], **fields: object) -> Played:
    """Return a day with other values in some of its records."""
    records = [{**r, **fields} if chosen(r) else r for r in played.records]
    assert records != played.records
    return replace(played, records=records)


def test_one_cloud_takes_what_it_covers(calm: Lived) -> None:
    """A cloud over one frame breaks the bracket it belongs to, not a shot with other takes, nor the land."""
    first = due(CORONA)
    cloud = Weather(((first - 1, first + 10), (due(RIDGE) - 10**9, due(RIDGE) + 10**9)), 0.0)
    found = score(small_day(), calm.played, cloud)
    assert (found[CORONA].whole, found[CORONA].won, found[CORONA].reason) == (False, 2, "cloud")
    assert (found[RIDGE].whole, found[RING].whole) == (True, True)
    one_of_three = Weather(((due(RING) - 10**8, due(RING) + 10**8),), 0.0)
    assert score(small_day(), calm.played, one_of_three)[RING].won == 2
    assert score(small_day(), calm.played, one_of_three)[RING].whole


def test_a_cloud_that_comes_during_the_exposure_counts(calm: Lived) -> None:
    """An eighth of a second is spoilt by a cloud that comes in its last tenth, and not by one after it."""
    opened = due(CORONA)
    late = opened + seconds_to_ns(0.12)
    assert not score(small_day(), calm.played, Weather(((late, late + 10**6),), 0.0))[CORONA].whole
    after = opened + seconds_to_ns(0.2)
    assert score(small_day(), calm.played, Weather(((after, after + 10**6),), 0.0))[CORONA].whole


def test_a_wrong_clock_loses_what_it_moves_out(calm: Lived) -> None:
    """Half a minute off, the frames lie outside their stretch; a tenth of a second off, they do not."""
    off = score(small_day(), calm.played, Weather((), 30.0))
    assert (off[RING].won, off[RING].reason) == (0, "clock")
    assert score(small_day(), calm.played, Weather((), 0.1)) == score(small_day(), calm.played, CLEAR)


def test_cloud_is_told_by_true_time(calm: Lived) -> None:
    """With a clock two seconds ahead, the cloud that counts is the one two seconds before the frame's instant."""
    first = due(CORONA)
    cloud = ((first - 2 * 10**9 - 1, first - 2 * 10**9 + 10),)
    assert score(small_day(), calm.played, Weather(cloud, 0.0))[CORONA].whole
    assert score(small_day(), calm.played, Weather(cloud, 2.0))[CORONA].reason == "cloud"


def test_another_setting_is_no_picture(calm: Lived) -> None:
    """A frame fired with another shutter speed than asked for is not won."""
    frame_id = next(f.frame_id for f in small_day().frames if f.shot == "corona 1")
    day = changed(
        calm.played,
        lambda r: r["kind"] == "frame_fired" and r["frame_id"] == frame_id,
        differs=["exposure"],
    )
    assert score(small_day(), day, CLEAR)[CORONA].reason == "other setting"


def test_a_prompt_operator_is_worth_what_silence_loses() -> None:
    """Where nobody ever speaks, a prompt operator gains all must shots, on every day."""
    silent = replace(CALM, silent_chance=1.0)
    tally = live([case(silent), case(replace(silent, **PROMPT), "prompt")], 1, range(1, 5))
    assert tally.cases[0].shots[RING].whole == 0
    assert tally.cases[0].shots[RING].reasons == {"filter word": 4}
    assert tally.cases[1].shots[RING].whole == 4
    assert tally.cases[1].gained[True] == (8, 16)
    assert tally.cases[0].gained == {True: (0, 0), False: (0, 0)}


def test_tallies_add_up() -> None:
    """Days lived in pieces, in any order, give the sum of days lived at once."""
    cases = [case(replace(CALM, cloudy_s=60.0, clear_s=60.0)), case(CALM, "calm")]
    whole, pieces = live(cases, 2, range(1, 13)), Tally()
    for days in (range(9, 13), range(1, 5), range(5, 9)):
        pieces.add(live(cases, 2, days))
    assert pieces == whole


def test_the_audit_is_heard(calm: Lived) -> None:
    """HF-S24: a word that is taken out of a journal shows as a breach."""
    records = [r for r in calm.played.records if r["kind"] != "filter_said"]
    found = contradictions(small_day(), replace(calm.played, records=records))
    assert any("HF-S01" in sentence for sentence in found)


def test_a_picture_that_the_journal_hides_is_seen(calm: Lived) -> None:
    """A shutter that opened once more than the journal tells is a contradiction; so is one less."""
    true = {**calm.played.exposures, "wide": [*calm.played.exposures["wide"], Exposure(at(150), at(151), 0)]}
    assert any(
        "opened 2 times" in s for s in contradictions(small_day(), replace(calm.played, exposures=true))
    )
    none = {**calm.played.exposures, "wide": []}
    assert any(
        "opened 0 times" in s for s in contradictions(small_day(), replace(calm.played, exposures=none))
    )


def test_two_exposures_at_once_are_seen(calm: Lived) -> None:
    """HF-S19: a shutter that opens while it is open is a contradiction."""
    first, *others = calm.played.exposures["long"]
    longer = replace(first, ended_ns=others[0].opened_ns + 1)
    true = {**calm.played.exposures, "long": [longer, *others]}
    assert any("HF-S19" in s for s in contradictions(small_day(), replace(calm.played, exposures=true)))


def test_an_open_shutter_outside_the_window_is_seen(calm: Lived) -> None:
    """HF-S03: a shutter that was truly open past the window, the filter said off, is a contradiction."""
    said_on = max(r["at_utc_ns"] for r in calm.played.records if r["kind"] == "filter_said")
    records = [
        r for r in calm.played.records if not (r["kind"] == "filter_said" and r["at_utc_ns"] == said_on)
    ]
    assert any(
        "open outside the window" in s
        for s in contradictions(small_day(), replace(calm.played, records=records))
    )


def test_a_word_just_before_the_shutter_counts(calm: Lived) -> None:
    """HF-S03: "on" said a tenth of a second before a filtered exposure is heard; said after it, it is a breach."""
    opened = calm.played.exposures["long"][0].opened_ns
    for on_ns, breaches in ((opened - 10**8, 0), (opened + 10**8, 1)):
        said = [
            {"kind": "filter_said", "rig": "long", "state": state, "at_utc_ns": at_ns, "seq": 1}
            for at_ns, state in ((opened - 10**10, "off"), (on_ns, "on"))
        ]
        others = [r for r in calm.played.records if r["kind"] not in ("filter_said", "run_began")]
        played = replace(
            calm.played,
            records=[*said, *others],
            exposures={"long": [Exposure(opened, opened + 10**6, 0)]},
        )
        found = [s for s in contradictions(small_day(), played) if "open outside the window" in s]
        assert len(found) == breaches


def test_a_run_without_an_end_is_seen(calm: Lived) -> None:
    """A day that breaks off is a contradiction."""
    cut = replace(calm.played, records=calm.played.records[:-1])
    assert any("did not come to its end" in s for s in contradictions(small_day(), cut))


def refit_records(must: Frame) -> list[dict[str, Any]]:
    """Return the records of a refit before totality that gives up a must frame."""
    who = {"frame_id": must.frame_id, "rig": must.rig}
    now = int(at(103))
    return [
        {"seq": 1, "kind": "frame_missed", "at_utc_ns": now, "reason": "no room after refit", **who},
        {"seq": 2, "kind": "refitted", "at_utc_ns": now, "rig": must.rig, "phase": must.phase},
    ]


def test_a_must_frame_crowded_out_is_seen() -> None:
    """A must frame given up although only less wanted ones stand in its way is a contradiction."""
    day = small_day()
    must = next(frame for frame in day.frames if frame.shot == "corona 1")
    (told,) = crowded_out(day, refit_records(must))
    assert must.frame_id in told


def test_a_must_frame_without_room_is_none() -> None:
    """A must frame whose whole stretch other must frames take is rightly given up."""
    day = small_day()
    must = next(frame for frame in day.frames if frame.shot == "corona 1")
    frames = [
        replace(f, wanted=Wanted.MUST, due_utc_ns=at(100), slot_ns=seconds_to_ns(30))
        if f.shot == "ring"
        else f
        for f in day.frames
    ]
    assert crowded_out(replace(day, frames=tuple(frames)), refit_records(must)) == []
    nice = [replace(f, wanted=Wanted.NICE) if f.shot == "ring" else f for f in frames]
    assert len(crowded_out(replace(day, frames=tuple(nice)), refit_records(must))) == 1


def test_a_frame_handed_over_upon_a_must_frames_time_is_seen(calm: Lived) -> None:
    """A nice frame that takes the time of a must one is a contradiction: as moved, as planned, and never after it."""
    day, records = small_day(), calm.played.records
    assert crowded_out(day, records) == []
    nice, must = (next(f for f in day.frames if f.shot == shot) for shot in ("corona 2", "corona 1"))
    who = {"frame_id": nice.frame_id, "rig": nice.rig, "due_utc_ns": must.due_utc_ns - nice.slot_ns + 1}
    early = {"seq": 0, "kind": "frame_intent", "at_utc_ns": must.due_utc_ns - 2 * 10**9, **who}
    (told,) = crowded_out(day, [early, *records])
    assert nice.frame_id in told
    assert must.frame_id in told
    assert crowded_out(day, [*records, {**early, "seq": len(records) + 1}]) == []
    wanted_less = [replace(f, wanted=Wanted.NICE) if f.frame_id == must.frame_id else f for f in day.frames]
    assert crowded_out(replace(day, frames=tuple(wanted_less)), [early]) == []
    planned_upon = [replace(f, due_utc_ns=must.due_utc_ns) if f is nice else f for f in day.frames]
    intent = {**early, "due_utc_ns": must.due_utc_ns}
    assert len(crowded_out(replace(day, frames=tuple(planned_upon)), [intent])) == 1
