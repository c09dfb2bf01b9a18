"""How soon a run that was killed with SIGKILL fires again, beside a bare start of the interpreter."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from controller.journal.reading import JOURNAL_NAME
from controller.journal.records import Kind

PLAN = Path(__file__).parent.parent / "sample_plans" / "total_2027.yaml"
HOLDFIRE = Path(sys.executable).with_name("holdfire")
ROUNDS = 5
FIRED_BEFORE = 4
PATIENCE_S = 60.0

Row = Callable[[str, str, str, float], None]


def resume(row: Row) -> None:
    """Kill a live rehearsal in totality, resume it at once, and time its next frame; print median and worst."""
    with tempfile.TemporaryDirectory() as folder:
        times = [killed_and_resumed_s(Path(folder) / str(number)) for number in range(ROUNDS)]
    began = time.perf_counter()
    for _ in range(ROUNDS):
        subprocess.run([sys.executable, "-c", "pass"], check=True)
    bare_s = (time.perf_counter() - began) / ROUNDS
    for what, ours_s in (("median", statistics.median(times)), ("worst", max(times))):
        row(
            f"kill -9 to next frame, {what} of {ROUNDS}",
            f"{ours_s:.2f} s",
            f"{bare_s * 1e3:.0f} ms",
            ours_s / bare_s,
        )


def killed_and_resumed_s(runs: Path) -> float:
    """Return the seconds from the kill to the first new ``frame_fired`` record on the disk."""
    began = _start("rehearse", PLAN, "--operator", "prompt", "--from", "20 s after C2", "--runs", runs)
    try:
        _wait_until(lambda: _fired(runs) >= FIRED_BEFORE, began)
    finally:
        _kill(began)
    killed = time.perf_counter()
    before = _fired(runs)
    (folder,) = runs.iterdir()
    again = _start("resume", folder, "--operator", "prompt")
    try:
        _wait_until(lambda: _fired(runs) > before, again)
        return time.perf_counter() - killed
    finally:
        _kill(again)


def _start(*words: str | Path) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [HOLDFIRE, *words],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env={**os.environ, "HOLDFIRE_MOON": "none"},
    )


def _kill(process: subprocess.Popen[bytes]) -> None:
    with contextlib.suppress(ProcessLookupError):
        process.send_signal(signal.SIGKILL)
    process.wait()


def _fired(runs: Path) -> int:
    journals = list(runs.glob(f"*/{JOURNAL_NAME}"))
    return sum(path.read_bytes().count(json.dumps(Kind.FRAME_FIRED.value).encode()) for path in journals)


def _wait_until(reached: Callable[[], bool], process: subprocess.Popen[bytes]) -> None:
    until = time.perf_counter() + PATIENCE_S
    while not reached():
        if process.poll() is not None or time.perf_counter() > until:
            raise RuntimeError(
                f"no frame came within {PATIENCE_S:.0f} s, or the run ended with {process.poll()}"
            )
        time.sleep(0.002)
