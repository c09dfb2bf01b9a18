"""How long it takes to gather 2,000 pictures, beside bare reading and writing of as many files."""

from __future__ import annotations

import contextlib
import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from controller.cameras.protocol import Clock
from controller.cameras.simulated import SimulatedCamera, SimulatedDevice
from controller.cli.prepare import prepare
from controller.engine.engine import Engine
from controller.journal.folder import RunFolder
from controller.journal.records import Kind
from controller.journal.writing import JournalWriter
from controller.operator.script import Habit, ScriptedOperator
from controller.simulate.driver import Simulation
from controller.timeline.model import Hold
from controller.units import NS_PER_S, UtcNs

PLAN = Path(__file__).parent.parent / "sample_plans" / "total_2027.yaml"
EVERY = "every: 4.8 s"
_HEAD_BYTES = 65_536
_WHOLE = [sys.executable, "-c", "from controller.cli import main; main()", "gather"]


def gather(row: Callable[[str, str, str, float], None]) -> None:
    """The whole command, with its start, on a day of some 2,000 frames."""
    with tempfile.TemporaryDirectory(dir=".") as base:
        run, cards = _day(Path(base))
        pictures = sorted(cards.rglob("*.JPG"))
        began = time.perf_counter()
        done = subprocess.run(
            [*_WHOLE, str(run), str(cards), "--json"], capture_output=True, text=True, check=True
        )
        ours = time.perf_counter() - began
        matched = len(json.loads(done.stdout)["matches"])
        sidecar = pictures[0].with_suffix(".xmp").read_bytes()
        began = time.perf_counter()
        for number, picture in enumerate(pictures):
            with picture.open("rb") as file:
                file.read(_HEAD_BYTES)
            with (cards / f"{number}.bare").open("wb") as file:
                file.write(sidecar)
        bare = time.perf_counter() - began
    row(f"gather {matched} of {len(pictures)}, against files", f"{ours:.1f} s", f"{bare:.1f} s", ours / bare)


class _Unflushed:
    """Writes a run's journal in one go at the end: how long that takes is not what is measured here."""

    def __init__(self) -> None:
        self.entries: list[tuple[Kind, int, dict[str, object]]] = []

    def append_many(self, entries: list[tuple[Kind, int, dict[str, object]]]) -> None:
        self.entries += entries


def _day(base: Path) -> tuple[Path, Path]:
    """Rehearse a day of many crescents; return the run's folder and the pictures'."""
    text = PLAN.read_text(encoding="utf-8")
    (plan := base / "plan.yaml").write_text(text.replace("every: 120 s", EVERY), encoding="utf-8")
    prepared = prepare(plan)
    timeline = prepared.compiled.timeline
    begins = timeline.frames[0].due_utc_ns - 600 * NS_PER_S
    folder = RunFolder.create(base, timeline.title, prepared.plan_bytes, timeline, started_utc_ns=begins)
    cards, devices = base / "cards", {}
    script = ScriptedOperator(Habit.parse("prompt"))

    def opener(rig: str) -> Callable[[Clock], SimulatedCamera]:
        def open_camera(clock: Clock) -> SimulatedCamera:
            if rig not in devices:
                devices[rig] = SimulatedDevice(
                    prepared.compiled.bodies[rig], clock, folder=cards / rig, clock_error_s=123.4
                )
            return devices[rig].open()

        return open_camera

    def next_word(hold: Hold, opened: int, first: bool) -> int | None:
        return script.answer(UtcNs(opened), hold.due_utc_ns, hold.needs, first=first)

    memory = _Unflushed()
    Simulation(
        engine=Engine(timeline), cameras={rig.name: opener(rig.name) for rig in timeline.rigs},
        next_word=next_word, journal=memory, start_utc_ns=begins,
    ).run()  # fmt: skip
    with contextlib.closing(JournalWriter.create(folder.path)) as journal:
        journal.append_many(memory.entries)
    return folder.path, cards


if __name__ == "__main__":
    gather(lambda *told: print(*told))
