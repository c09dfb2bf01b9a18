"""Runs that are killed with SIGKILL at a random moment, and resumed."""

from __future__ import annotations

import random
import signal
import subprocess
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from controller.account.audit import audit
from controller.journal.folder import RunFolder
from controller.journal.reading import JournalState
from controller.timeline.model import Phase, Timeline
from tests.cli.command import HOLDFIRE, SAMPLES, as_json, environment, holdfire

TOTAL = SAMPLES / "total_2027.yaml"
JOURNAL_BYTES = 400_000
"""A whole rehearsal of the plan writes more than this."""


def killed_when(
    reached: Callable[[Path], bool], command: list[str], cwd: Path, runs: Path, rng: random.Random
) -> Path:
    """Start a run, kill it once its journal is so far and a random moment more; return its folder."""
    process = subprocess.Popen(
        command, cwd=cwd, env=environment(), stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )  # fmt: skip
    try:
        while process.poll() is None:
            journals = list(runs.glob("*/journal.jsonl"))
            if journals and reached(journals[0]):
                time.sleep(rng.uniform(0, 0.003))
                break
            time.sleep(0.002)
    finally:
        process.send_signal(signal.SIGKILL)
        process.wait()
    (folder,) = runs.iterdir()
    return folder


def phase_at(timeline: Timeline, rig: str, instant: int) -> Phase | None:
    """The phase of a rig that an instant lies in."""
    for phase in timeline.phases:
        if phase.rig == rig and phase.starts_utc_ns <= instant < phase.ends_utc_ns:
            return phase
    return None


@pytest.mark.parametrize("seed", range(20))
def test_killed_and_resumed(seed: int, tmp_path: Path) -> None:
    """HF-S10, HF-S12, HF-S21: no line is lost, no frame is fired twice, and the run goes on within its phase."""
    rng = random.Random(seed)
    runs = tmp_path / "runs"
    size = rng.randrange(5_000, JOURNAL_BYTES)
    command = [*HOLDFIRE, "rehearse", str(TOTAL), "--fast", "--json", "--runs", str(runs)]
    path = killed_when(lambda journal: journal.stat().st_size >= size, command, tmp_path, runs, rng)
    folder = RunFolder.open(path)
    before_bytes = folder.journal_path.read_bytes()
    before = folder.read()
    if before.state is JournalState.CLOSED:
        pytest.fail("the run ended before it could be killed: the seed's size is too large")
    done = holdfire("resume", str(path), "--fast", "--json", cwd=tmp_path)
    account = as_json(done)
    after = folder.read()

    assert folder.journal_path.read_bytes().startswith(before_bytes)
    assert after.records[: len(before.records)] == before.records
    assert after.state is JournalState.CLOSED
    timeline = folder.timeline()
    assert audit(timeline, after.records) == []
    for kind in ("frame_intent", "frame_fired"):
        times = Counter(record["frame_id"] for record in after.records if record["kind"] == kind)
        assert not [frame_id for frame_id, count in times.items() if count > 1]
    open_intents = {r["frame_id"] for r in before.records if r["kind"] == "frame_intent"} - {
        r["frame_id"]
        for r in before.records
        if r["kind"].startswith("frame_") and r["kind"] != "frame_intent"
    }
    states: dict[str, Any] = {frame["frame_id"]: frame["state"] for frame in account["frames"]}
    assert {states[frame_id] for frame_id in open_intents} <= {"unknown"}
    resumed_at = next(r["at_utc_ns"] for r in after.records if r["kind"] == "run_resumed")
    was, now = (phase_at(timeline, "long", at) for at in (before.records[-1]["at_utc_ns"], resumed_at))
    new = after.records[len(before.records) :]
    if was is not None and was == now:  # within its phase: it goes on, and nobody is asked
        passed = {r["hold_id"] for r in before.records if r["kind"] == "hold_passed"}
        assert not [r for r in new if r["kind"] == "hold_opened" and r["hold_id"] in passed]
        left = [f for f in timeline.frames if f.phase == was.name and f.due_utc_ns > resumed_at + 3 * 10**9]
        fired = {r["frame_id"] for r in new if r["kind"] == "frame_fired"}
        assert not left or fired & {frame.frame_id for frame in left}


def test_cameras_of_a_killed_live_run_fire_nothing_more(tmp_path: Path) -> None:
    """HF-S10: the run dies in real time with frames handed over; its camera process stops with it."""
    runs = tmp_path / "runs"
    command = [
        *HOLDFIRE, "rehearse", str(TOTAL), "--operator", "prompt", "--from", "1 min after C2", "--runs", str(runs),
    ]  # fmt: skip
    path = killed_when(
        lambda journal: b'"kind":"frame_fired"' in journal.read_bytes(),
        command,
        tmp_path,
        runs,
        random.Random(1),
    )
    folder = RunFolder.open(path)
    time.sleep(3)  # more than the lead by which frames are handed over
    pictures = len(list(folder.frames_path.rglob("*.JPG")))
    time.sleep(1)
    assert len(list(folder.frames_path.rglob("*.JPG"))) == pictures
    intents = {r["frame_id"] for r in folder.read().records if r["kind"] == "frame_intent"}
    assert 0 < pictures <= len(intents)
    account = as_json(holdfire("resume", str(path), "--fast", "--json", cwd=tmp_path))
    assert account["contradictions"] == []
    assert account["outcome"] == "finished"
