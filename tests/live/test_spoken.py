"""How late a sentence may be by the time it is heard: from its instant on, through engine, driver and voice."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import pytest

from controller.engine import messages as m
from controller.journal.records import Kind
from controller.operator.voice import EspeakVoice
from controller.page.process import AlsoOnThePage
from controller.timeline.model import Cue
from controller.units import UtcNs, seconds_to_ns
from tests.engine.builder import Bench, at, timeline
from tests.live.test_driver import Desk, Paper

CUE_S = 10.0


class SetClock:
    """A clock that only the test moves."""

    def __init__(self, now_s: float) -> None:
        self.ns = int(at(now_s))

    def now_ns(self) -> int:
        return self.ns

    def wait_until(self, instant_ns: int) -> None:
        self.ns = max(self.ns, instant_ns)


class SlowPaper(Paper):
    """A journal whose disk takes its time."""

    def __init__(self, clock: SetClock, takes_s: float) -> None:
        super().__init__()
        self.clock, self.takes_s = clock, takes_s

    def append_many(self, records: list[tuple[Kind, int, dict[str, Any]]]) -> None:
        super().append_many(records)
        self.clock.ns += seconds_to_ns(self.takes_s)


class Heard:
    """A page that notes how late a sentence is."""

    def __init__(self) -> None:
        self.late_s: list[float] = []

    def say(self, _text: str, _urgent: bool, late_s: float) -> None:
        self.late_s.append(round(late_s, 6))


@pytest.mark.parametrize(
    ("engine_late_s", "disk_takes_s", "spoken", "page"),
    [
        (0.0, 0.0, True, [0.0]),
        (0.6, 0.3, True, [0.9]),
        (0.6, 0.5, False, [1.1]),
        (0.0, 1.2, False, [1.2]),
        (1.2, 0.0, False, []),
    ],
)
def test_a_cue_over_a_second_late_is_not_spoken_wherever_the_time_went(
    tmp_path: Path, engine_late_s: float, disk_takes_s: float, spoken: bool, page: list[float]
) -> None:
    """Lateness counts from the cue's instant in the timeline: the engine's, the disk's and the queue's add up."""
    log = tmp_path / "log"
    program = tmp_path / "espeak-ng"
    program.write_text(f'#!/bin/sh\nread -r text; echo "$text" >> {log}\n', encoding="utf-8")
    program.chmod(0o755)
    log.touch()
    day = timeline([], cues=(Cue(cue_id="plan/1", at_utc_ns=at(CUE_S), say="Second contact"),))
    bench = Bench(day)
    bench.begin(9.0)
    clock = SetClock(CUE_S + engine_late_s)
    desk = Desk(day)
    heard = Heard()
    voice = EspeakVoice(str(program))
    try:
        desk.run.clock = clock
        desk.run.journal = SlowPaper(clock, disk_takes_s)
        desk.run.speaker = AlsoOnThePage(voice, heard.say)
        effects = bench.feed(m.TimePassed(now_utc_ns=UtcNs(clock.now_ns())))
        cue_alone = [e for e in effects if not isinstance(e, m.WakeAt) and not _of_a_hold(e)]
        desk.run._carry_out(cue_alone)
        assert voice.finish(20.0)
    finally:
        voice.close()
    assert (log.read_text(encoding="utf-8") == "Second contact\n") is spoken
    assert heard.late_s == page


def _of_a_hold(effect: m.Effect) -> bool:
    """The question that is open at that time anyway."""
    return isinstance(effect, m.Record) and str(effect.data.get("cue_id", "")).startswith("hold/")


def test_the_judge_of_silence_waits_for_the_voice(tmp_path: Path) -> None:
    """`finish` returns True only when everything is said, and False when its patience ends first."""
    program = tmp_path / "espeak-ng"
    gate = tmp_path / "gate"
    program.write_text(
        f"#!/bin/sh\nread -r text; while [ ! -e {gate} ]; do sleep 0.01; done\n", encoding="utf-8"
    )
    program.chmod(0o755)
    voice = EspeakVoice(str(program))
    try:
        voice.say("long", urgent=False)
        assert not voice.finish(0.05)
        gate.touch()
        assert voice.finish(time.get_clock_info("monotonic").resolution + 20.0)
    finally:
        voice.close()
