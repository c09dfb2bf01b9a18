"""How soon a run that was killed with SIGKILL fires again, beside a bare start of the interpreter.

The clock is the computer's, moved into the totality of the plan, so that what is due while the run is down is
lost as on the day. Frames are handed over two seconds ahead; those a killed run had handed over are never tried
again, so two seconds are the least that can be had.
"""

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
from typing import Any

from controller.cli.prepare import prepare
from controller.journal.reading import JOURNAL_NAME, parse_journal
from controller.units import NS_PER_S, ContactName

PLAN = """\
holdfire_plan: 1
title: Killed and resumed
site: {name: Kestrel Hill, latitude: 36.12 N, longitude: 5.72 W, elevation: 150 m, time_zone: Europe/Madrid}
eclipse: 2027-08-02
rigs:
  - name: long
    camera: {driver: simulated, frame_gap: 0.2 s, setting_time: 0.1 s, write_time: 0.2 s}
    optics: {focal_length: 600 mm, aperture: f/8}
    filter: {kind: glass, density: 5.0}
phases:
  - name: totality
    from: 5 s before C2
    until: 5 s after C3
    filter: off
    shots:
      - {name: corona, wanted: want, exposure: 1/100, every: 0.4 s}
"""
HOLDFIRE = Path(sys.executable).with_name("holdfire")
ROUNDS = 5
FIRED_BEFORE = 4
PATIENCE_S = 60.0

Row = Callable[[str, str, str, float], None]


def resume(row: Row) -> None:
    """Kill a live run in totality and give its command again; print when it was back and when it fired, and the worst."""
    with tempfile.TemporaryDirectory() as folder:
        plan = Path(folder) / "plan.yaml"
        plan.write_text(PLAN, encoding="utf-8")
        second_contact = prepare(plan).compiled.timeline.contacts_utc_ns[ContactName.C2]
        times = [killed_and_resumed_s(plan, Path(folder) / str(n), second_contact) for n in range(ROUNDS)]
    began = time.perf_counter()
    for _ in range(ROUNDS):
        subprocess.run([sys.executable, "-c", "pass"], check=True)
    bare_s = (time.perf_counter() - began) / ROUNDS
    for what, each in zip(("cameras ready", "shutter", "on record"), zip(*times, strict=True), strict=True):
        median_s, worst_s = statistics.median(each), max(each)
        row(f"kill -9 to {what}", f"{median_s:.2f} s", f"{bare_s * 1e3:.0f} ms", median_s / bare_s)
        row(f"  worst of {ROUNDS}", f"{worst_s:.2f} s", f"{bare_s * 1e3:.0f} ms", worst_s / bare_s)


def killed_and_resumed_s(plan: Path, runs: Path, second_contact_utc_ns: int) -> tuple[float, float, float]:
    """Return the seconds from the kill until cameras are ready, the next shutter opens, and that is on the disk."""
    offset_s = (second_contact_utc_ns - time.time_ns()) / NS_PER_S + 20.0
    words = (
        "run", plan, "--resume", "--operator", "prompt", f"--clock-offset={offset_s:.3f}", "--runs", runs,
    )  # fmt: skip
    process = _start(*words)
    try:
        _wait_until(lambda: len(_of(runs, "frame_fired")) >= FIRED_BEFORE, process)
    finally:
        _kill(process)
    killed_utc_ns = time.time_ns() + round(offset_s * NS_PER_S)
    before = len(_of(runs, "frame_fired"))
    again = _start(*words)
    try:
        _wait_until(lambda: len(_of(runs, "frame_fired")) > before, again)
    finally:
        _kill(again)
    ready, first = _of(runs, "camera_ready")[-1], _of(runs, "frame_fired")[before]
    instants = (ready["at_utc_ns"], first["released_utc_ns"], first["at_utc_ns"])
    back, opened, told = ((instant - killed_utc_ns) / NS_PER_S for instant in instants)
    return back, opened, told


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


def _of(runs: Path, kind: str) -> list[dict[str, Any]]:
    """Return the records of a kind in the one journal under `runs`."""
    wanted = json.dumps(kind).encode()
    data = b"".join(path.read_bytes() for path in runs.glob(f"*/{JOURNAL_NAME}"))
    if wanted not in data:
        return []
    return [record for record in parse_journal(data).records if record["kind"] == kind]


def _wait_until(reached: Callable[[], bool], process: subprocess.Popen[bytes]) -> None:
    until = time.perf_counter() + PATIENCE_S
    while not reached():
        if process.poll() is not None or time.perf_counter() > until:
            raise RuntimeError(f"no frame came within {PATIENCE_S:.0f} s, or the run ended: {process.poll()}")
        time.sleep(0.02)
