"""What went wrong in a run, from its journal alone; and the alarms of a supply that runs low."""

from __future__ import annotations

import random
from collections import Counter
from typing import Any

from controller.account.troubles import find_troubles
from controller.engine import messages as m
from controller.journal.records import Kind
from controller.units import UtcNs
from tests.account.test_with_engine import _careless_day
from tests.engine.builder import OFF, ON, Bench, at, frame, timeline

LOST = {Kind.FRAME_MISSED: "missed", Kind.FRAME_FAILED: "failed", Kind.FRAME_UNKNOWN: "unknown"}


def test_every_lost_frame_counts_once(day: Any) -> None:
    """On careless days with faults and restarts the troubles' frames add up to those that were lost."""
    several = 0
    for seed in range(12):
        records = _careless_day(day, seed, restarts=random.Random(seed).choice([0, 1, 2]))
        lost = Counter(LOST[Kind(r["kind"])] for r in records if r["kind"] in LOST)
        found = find_troubles(records)
        cost: Counter[str] = sum((one.frames for one in found), Counter())
        del cost["fired otherwise"]
        assert cost == lost, f"seed {seed}"
        assert [one.at_utc_ns for one in found] == sorted(one.at_utc_ns for one in found)
        several += len(found) > 3
    assert several > 3


def test_a_run_without_trouble_has_none(day: Any) -> None:
    """A faultless journal gives only the late word that it holds."""
    (late,) = find_troubles(day.good())
    assert late.what == "the word that the filter is off came 1.5 s late"
    assert not late.frames


def test_an_outage_that_is_not_over_says_so(day: Any) -> None:
    """A camera that never comes back is out until the last record."""
    records = [day.record(Kind.CAMERA_LOST, 30, rig="long", detail="cable out"), day.ended()]
    (one,) = find_troubles(records)
    assert one.words == "camera lost: cable out; not over 270.0 s later; no frame lost"


def test_frames_that_failed_just_before_the_loss_belong_to_it(day: Any) -> None:
    """A failure a moment before its camera is lost is no trouble of its own; one of another rig is."""
    failed = {"code": None, "detail": "no answer"}
    records = [
        day.record(Kind.FRAME_FAILED, 20, frame_id="long/0001", rig="long", **failed),
        day.record(Kind.FRAME_FAILED, 90, frame_id="long/0002", rig="long", **failed),
        day.record(Kind.FRAME_FAILED, 90, frame_id="wide/0001", rig="wide", **failed),
        day.record(Kind.CAMERA_LOST, 90, rig="long", detail="no answer"),
        day.record(Kind.CAMERA_READY, 92.5, rig="long", model="body"),
    ]
    assert [(one.rig, one.words) for one in find_troubles(records)] == [
        ("long", "the camera failed: no answer; frames: 1 failed"),
        ("wide", "the camera failed: no answer; frames: 1 failed"),
        ("long", "camera lost: no answer; over after 2.5 s; frames: 1 failed"),
    ]


def test_a_pause_is_over_when_every_rig_has_gone_on(day: Any) -> None:
    """Whether rigs are paused and go on together or one by one, and however often it is said: over is over."""

    def told(*words: tuple[Kind, float, str | None]) -> list[str]:
        began = {**day.good()[0], "silence_limit_s": {"long": 6.0, "wide": 6.0}}
        lost = {"frame_id": "long/0001", "rig": "long", "reason": "paused", "detail": ""}
        records = [began, *(day.record(kind, second, rig=rig) for kind, second, rig in words)]
        records.insert(2, day.record(Kind.FRAME_MISSED, 11, **lost))
        return [f"{one.rig}: {one.words}" for one in find_troubles([*records, day.ended()])]

    over = "paused; over after 20.0 s; frames: 1 missed"
    paused, on = Kind.PAUSED, Kind.WENT_ON
    assert told((paused, 10, "long"), (on, 30, None)) == [f"long: {over}"]
    assert told((paused, 10, None), (on, 20, "wide"), (on, 30, "long")) == [f"None: {over}"]
    assert told((paused, 10, None), (paused, 20, None), (on, 30, None)) == [f"None: {over}"]
    assert told((paused, 10, None), (paused, 20, "long"), (on, 30, None)) == [f"None: {over}"]
    still = "paused; not over 290.0 s later; frames: 1 missed"
    assert told((paused, 10, None), (on, 30, "wide")) == [f"None: {still}"]


def report(bench: Bench, battery: int | None, frames_left: int | None) -> str:
    """A camera's report, and what it makes the voice say."""
    before = len(bench.said())
    now = UtcNs(bench.engine._now)
    bench.feed(m.CameraReport(now_utc_ns=now, rig="long", battery_percent=battery, frames_left=frames_left))
    return " | ".join(bench.said()[before:])


def test_a_battery_that_runs_low_is_told_twice_and_a_new_one_begins_anew() -> None:
    """Once at low, once at very low, whatever the reports in between; the screen shows it all the time."""
    bench = Bench(timeline([frame(1, 101)]))
    bench.begin()
    bench.say(-20, ON)
    told = [report(bench, percent, None) for percent in (100, 21, 20, 19, 20, None, 10, 9, 12, 8)]
    assert told == ["", "", "Battery low: 20 percent", "", "", "", "Battery very low: 10 percent", "", "", ""]
    assert bench.engine.view(at(0)).alarm == "battery of long at 8 %"
    assert [report(bench, percent, None) for percent in (95, 20)] == ["", "Battery low: 20 percent"]
    assert [r.data["text"] for r in bench.records("note")] == [
        "battery of long low: 20 %", "battery of long very low: 10 %", "battery of long low: 20 %",
    ]  # fmt: skip


def test_a_card_too_small_for_what_is_to_come_is_told_once() -> None:
    """Told while there is still room; a larger card begins anew; frames that fired are no longer to come."""
    bench = Bench(timeline([frame(1, 101), frame(2, 102), frame(3, 103)]))
    bench.begin()
    bench.say(-20, ON)
    told = [report(bench, None, left) for left in (3, 2, 1, 3, None, 2)]
    first = "Card nearly full: room for 2 of 3 frames"
    assert told == ["", first, "", "", "", first]
    assert bench.engine.view(at(0)).alarm == "card of long has room for 2 of 3 frames"
    bench.say(99, OFF)
    bench.run_to(101.5)
    assert report(bench, None, 2) == ""
    assert bench.engine.view(UtcNs(bench.engine._now)).alarm == ""
