"""The audit against the real engine: simulated days with faults, careless operators, crashes and restarts.

The audit shares no code with the engine, so a day on which both agree is evidence for both.
"""

from __future__ import annotations

import contextlib
import random
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from controller.account.audit import audit
from controller.account.model import make_account
from controller.cameras.protocol import Clock
from controller.cameras.simulated import SimFault, SimFaultKind, SimulatedCamera, SimulatedDevice
from controller.engine.engine import Engine
from controller.gear.body import SIMULATED_BODY
from controller.journal.folder import RunFolder
from controller.journal.reading import JournalState
from controller.journal.records import Kind
from controller.journal.writing import JournalWriter
from controller.simulate.driver import Simulation
from controller.timeline.model import Hold
from controller.units import seconds_to_ns

Record = dict[str, Any]
RESTARTS = (0, 1, 3)
DAYS = 30


class _CrashError(Exception):
    """The run ends here, whatever it was about to do."""


class _Memory:
    """A journal that is only remembered; past the crash instant it takes nothing more."""

    def __init__(self) -> None:
        self.records: list[Record] = []
        self.crash_ns: int | None = None

    def append_many(self, entries: list[tuple[Kind, int, Record]]) -> None:
        if self.crash_ns is not None and entries[0][1] > self.crash_ns:
            raise _CrashError
        for kind, at_ns, fields in entries:
            seq = len(self.records) + 1
            self.records.append({**fields, "seq": seq, "kind": kind.value, "at_utc_ns": at_ns})


def _cameras(day: Any, faults: list[SimFault], seed: int) -> dict[str, Callable[[Clock], SimulatedCamera]]:
    devices: dict[str, SimulatedDevice] = {}

    def opener(rig: str) -> Callable[[Clock], SimulatedCamera]:
        def open_camera(clock: Clock) -> SimulatedCamera:
            if rig not in devices:
                devices[rig] = SimulatedDevice(
                    SIMULATED_BODY,
                    clock,
                    faults=faults if rig == "long" else (),
                    seed=seed,
                    lag_jitter_s=0.01,
                )
            return devices[rig].open()

        return open_camera

    return {rig.name: opener(rig.name) for rig in day.timeline.rigs}


def _careless_day(day: Any, seed: int, restarts: int) -> list[Record]:
    """Return the records of one day: faults, late or missing words, and so many crashes with restarts."""
    rng = random.Random(seed)
    kinds = list(SimFaultKind)
    faults = [
        SimFault(
            kind=rng.choice(kinds), at_utc_ns=day.at(rng.uniform(-40, 300)), for_s=rng.choice([3, 20, 60])
        )
        for _ in range(rng.choice([0, 1, 2, 4]))
    ]

    def word(_hold: Hold, opened: int, _first: bool) -> int | None:
        if rng.random() < 0.1:
            return None
        return opened + seconds_to_ns(rng.choice([1, 30, 60, 70, 90]))

    memory = _Memory()
    start = day.at(-40)
    crashes = sorted(day.at(rng.uniform(-40, 300)) for _ in range(restarts))
    for crash in [*crashes, None]:
        engine = Engine(day.timeline)
        engine.restore(memory.records)
        simulation = Simulation(engine, _cameras(day, faults, seed), word, memory, start)
        memory.crash_ns = crash
        with contextlib.suppress(_CrashError):
            simulation.run() if start == day.at(-40) else simulation.resume()
        memory.crash_ns = None
        if memory.records[-1]["kind"] == Kind.RUN_ENDED:
            break
        start = memory.records[-1]["at_utc_ns"] + seconds_to_ns(rng.choice([1, 5, 30, 100]))
    return memory.records


@pytest.mark.parametrize("restarts", RESTARTS)
def test_no_day_contradicts_the_rules(day: Any, restarts: int) -> None:
    """HF-S24: whatever befalls the day, the engine's journal stands the audit; the days do differ."""
    seen: Counter[str] = Counter()
    for seed in range(DAYS):
        records = _careless_day(day, seed, restarts)
        assert audit(day.timeline, records) == [], f"seed {seed}"
        assert records[-1]["kind"] == Kind.RUN_ENDED
        seen.update(record["kind"] for record in records)
    for kind in (Kind.FRAME_FIRED, Kind.FRAME_MISSED, Kind.FRAME_MOVED, Kind.HOLD_EXPIRED, Kind.CAMERA_LOST):
        assert seen[kind] > 5
    assert bool(seen[Kind.RUN_RESUMED]) is bool(restarts)


def test_rehearsal_on_disk(day: Any, tmp_path: Path) -> None:
    """HF-S24: a rehearsal written by the real journal, broken off, torn and resumed, gives a clean account."""

    def prompt(_hold: Hold, opened: int, _first: bool) -> int:
        return opened + seconds_to_ns(5)

    start = day.at(-40)
    folder = RunFolder.create(tmp_path, day.timeline.title, b"plan", day.timeline, started_utc_ns=start)
    cameras = _cameras(day, [], 1)
    facts = {"timeline_sha256": day.timeline.digest(), "mode": "rehearsal"}
    with JournalWriter.create(folder.path) as writer:
        Simulation(Engine(folder.timeline()), cameras, prompt, writer, start, facts).run(
            until_utc_ns=day.at(150.5)
        )
    with folder.journal_path.open("ab") as file:
        file.write(b'{"at_utc_ns":18')
    assert make_account(folder.path).journal_state is JournalState.TORN
    with JournalWriter.resume(folder.path) as writer:
        engine = Engine(folder.timeline())
        engine.restore(writer.reading.records)
        Simulation(engine, _cameras(day, [], 2), prompt, writer, day.at(151.6)).resume()
    account = make_account(folder.path)
    assert account.contradictions == ()
    assert account.journal_state is JournalState.CLOSED
    by_id = {frame.frame.frame_id: frame.end.value for frame in account.frames}
    assert by_id["long/0004"] == "unknown"
    assert by_id["long/0006"] == "fired"
    assert list(by_id.values()).count("fired") >= 6
