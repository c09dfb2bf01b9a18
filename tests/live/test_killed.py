"""Runs that are killed with SIGKILL at a random moment, and resumed."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import time
from collections import Counter
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from controller.account.audit import audit
from controller.journal.folder import RunFolder
from controller.journal.reading import JournalState
from controller.timeline.model import Phase, Timeline
from tests.cli.command import HOLDFIRE, SAMPLES, as_json, environment, few_frames, holdfire

TOTAL = SAMPLES / "total_2027.yaml"
JOURNAL_BYTES = 320_000
"""A whole rehearsal of the plan writes more than this."""
KILLS = int(os.environ.get("HOLDFIRE_KILLS", "6"))
"""How many kills there are in all, some of them of a run that is being resumed."""
RUNS: list[int] = []
"""How often each run is killed."""
while sum(RUNS) < KILLS:
    RUNS.append(min(1 + len(RUNS) % 3, KILLS - sum(RUNS)))


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
        assert process.wait() == -signal.SIGKILL, "the run ended before it could be killed"
    (folder,) = runs.iterdir()
    return folder


def moment_of(kill: int, size: int, rng: random.Random) -> Callable[[Path], bool]:
    """What to wait for before a kill: a length of the journal or, every other time, a moment of resuming."""
    if kill and rng.random() < 0.5:
        until = time.monotonic() + rng.uniform(0.0, 1.5)
        return lambda journal: time.monotonic() >= until or journal.stat().st_size > size
    length = rng.randrange(size + 1_000, max(JOURNAL_BYTES, size + 2_000))
    return lambda journal: journal.stat().st_size >= length


def phase_at(timeline: Timeline, rig: str, instant: int) -> Phase | None:
    """The phase of a rig that an instant lies in."""
    for phase in timeline.phases:
        if phase.rig == rig and phase.starts_utc_ns <= instant < phase.ends_utc_ns:
            return phase
    return None


@pytest.mark.parametrize(("seed", "kills"), list(enumerate(RUNS)))
def test_killed_and_resumed(seed: int, kills: int, tmp_path: Path) -> None:
    """HF-S10, HF-S12, HF-S21: no line is lost, no frame is fired twice, and the run goes on within its phase."""
    rng = random.Random(seed)
    runs = tmp_path / "runs"
    command = [*HOLDFIRE, "rehearse", str(few_frames(tmp_path)), "--fast", "--json", "--runs", str(runs)]
    states_at: list[tuple[bytes, list[dict[str, Any]]]] = []
    for kill in range(kills):
        size = len(states_at[-1][0]) if states_at else 0
        path = killed_when(moment_of(kill, size, rng), command, tmp_path, runs, rng)
        folder = RunFolder.open(path)
        states_at.append((folder.journal_path.read_bytes(), folder.read().records))
        command = [*HOLDFIRE, "resume", str(path), "--fast", "--json"]
    account = as_json(holdfire(*command[len(HOLDFIRE) :], cwd=tmp_path))
    reading = folder.read()
    states_at.append((folder.journal_path.read_bytes(), reading.records))

    assert reading.state is JournalState.CLOSED
    timeline = folder.timeline()
    assert audit(timeline, reading.records) == []
    for kind in ("frame_intent", "frame_fired"):
        times = Counter(record["frame_id"] for record in reading.records if record["kind"] == kind)
        assert not [frame_id for frame_id, count in times.items() if count > 1]
    states: dict[str, Any] = {frame["frame_id"]: frame["state"] for frame in account["frames"]}
    for (before_bytes, before), (after_bytes, after) in pairwise(states_at):
        assert after_bytes.startswith(before_bytes)
        assert after[: len(before)] == before
        assert {states[frame_id] for frame_id in open_intents(before)} <= {"unknown"}
        went_on_within_its_phase(timeline, before, after[len(before) :], whole=after is reading.records)


def open_intents(records: list[dict[str, Any]]) -> set[str]:
    """The frames that were handed to the camera and of which nothing was heard."""
    ended = {"frame_fired", "frame_missed", "frame_failed", "frame_unknown"}
    handed = {r["frame_id"] for r in records if r["kind"] == "frame_intent"}
    return handed - {r["frame_id"] for r in records if r["kind"] in ended}


def went_on_within_its_phase(
    timeline: Timeline, before: list[dict[str, Any]], new: list[dict[str, Any]], *, whole: bool
) -> None:
    """Check that a run resumed within its phase asks nobody again and, if it was not killed again, goes on firing."""
    resumed = [r["at_utc_ns"] for r in new if r["kind"] == "run_resumed"]
    if not resumed:  # killed again before it could write anything
        assert new == []
        return
    was, now = (phase_at(timeline, "long", at) for at in (before[-1]["at_utc_ns"], resumed[0]))
    if was is None or was != now:
        return
    passed = {r["hold_id"] for r in before if r["kind"] == "hold_passed"}
    assert not [r for r in new if r["kind"] == "hold_opened" and r["hold_id"] in passed]
    ended = {r["frame_id"] for r in before if r["kind"] == "frame_missed"}
    left = {
        f.frame_id
        for f in timeline.frames
        if f.phase == was.name and f.due_utc_ns > resumed[0] + 3 * 10**9 and f.frame_id not in ended
    }
    if whole and left:
        assert left & {r["frame_id"] for r in new if r["kind"] == "frame_fired"}


@pytest.mark.waits
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
