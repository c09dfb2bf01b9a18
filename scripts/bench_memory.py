"""What a live run of eight simulated cameras at full rate weighs; run it by `scripts/bench memory [MINUTES]`.

Counted is the proportional set size (PSS) of the run's process and of all its children: what Linux says of each
in /proc/PID/smaps_rollup, pages that several share divided among them. Nothing is asserted.
"""

from __future__ import annotations

import os
import pty
import signal
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

CAMERAS, MINUTES = 8, 10.0
MIB = 1024.0
"""Kibibytes in one."""
_HEAD = """\
holdfire_plan: 1
title: Eight cameras at full rate
site: {name: Kestrel Hill, latitude: 36.12 N, longitude: 5.72 W, elevation: 150 m, time_zone: Europe/Madrid}
eclipse: 2027-08-02
rigs:
"""
_RIG = """\
  - name: camera %d
    camera: {driver: simulated}
    optics: {focal_length: 400 mm, aperture: f/8}
    filter: {kind: glass, density: 5.0}
    mount: tracking
    iso: 100
"""
_PHASE = """\
  - name: partial in, camera %d
    from: C1
    until: %g s after C1
    filter: on
    rigs: [camera %d]
    shots:
"""
_SHOT = """\
      - {name: crescents %d, wanted: want, exposure: 1/400, %s, from: %g s after C1, until: %g s after C1}
"""
_SHOT_S = 150
"""A shot that fills so long comes to few enough frames to be allowed."""


def memory(minutes: float = MINUTES) -> None:
    """Fire eight cameras as fast as they can for so long; print what everything weighs, minute by minute."""
    with tempfile.TemporaryDirectory(dir=".") as base:
        folder = Path(base)
        plan = folder / "eight.yaml"
        plan.write_text(eight_cameras(round(60 * minutes) + 30))
        run = _start(plan, folder / "runs")
        try:
            journal = _first_frame(run, folder / "runs")
            began = time.monotonic()
            _print("first frame", _tree(run.pid), journal)
            minute = 0
            while minute < minutes:
                minute += 1
                while time.monotonic() < began + 60 * min(minute, minutes):
                    if run.poll() is not None:
                        raise RuntimeError("the run ended before its time")
                    time.sleep(1)
                _print(f"{min(minute, minutes):g} min", _tree(run.pid), journal)
            run.send_signal(signal.SIGINT)
            run.wait(120)
            text = journal.read_bytes()
            asked, fired = text.count(b'"kind":"frame_intent"'), text.count(b'"kind":"frame_fired"')
            print(f"{fired} frames fired of {asked} handed over: {fired / minutes / 60:.1f} a second.")
        finally:
            run.kill()
            run.wait()


def eight_cameras(ends_s: int, how_often: str = "fill: true", apart_s: float = 0.0) -> str:
    """Return a plan in which eight cameras fire from C1 on for so many seconds, each so much after the one before."""
    rigs = "".join(_RIG % (number + 1) for number in range(CAMERAS))
    phases = ""
    for number in range(CAMERAS):
        phases += _PHASE % (number + 1, ends_s, number + 1)
        for at in range(0, ends_s, _SHOT_S):
            begins = at + number * apart_s
            phases += _SHOT % (at, how_often, begins, min(begins + _SHOT_S, ends_s))
    return f"{_HEAD}{rigs}phases:\n{phases}"


def _start(plan: Path, runs: Path) -> subprocess.Popen[bytes]:
    """Start the run on a screen of its own, which is read and forgotten."""
    ours, theirs = pty.openpty()
    command = [
        sys.executable, "-c", "from controller.cli import main; main()", "rehearse", str(plan), "--operator", "prompt",
        "--from", "10 s before C1", "--page", "--silent", "--terrain", "none", "--runs", str(runs),
    ]  # fmt: skip
    run = subprocess.Popen(command, stdin=theirs, stdout=theirs, stderr=theirs, start_new_session=True)
    os.close(theirs)

    def read() -> None:
        try:
            while os.read(ours, 65536):
                pass
        except OSError:
            os.close(ours)

    threading.Thread(target=read, daemon=True).start()
    return run


def _first_frame(run: subprocess.Popen[bytes], runs: Path) -> Path:
    """Wait until something has been fired; return the journal."""
    while run.poll() is None:
        for journal in runs.glob("*/journal.jsonl"):
            if b'"kind":"frame_fired"' in journal.read_bytes():
                return journal
        time.sleep(0.2)
    raise RuntimeError(f"the run ended with {run.returncode} before it fired anything")


def _tree(pid: int) -> list[tuple[int, float]]:
    """Return a process and all its children, each with its PSS in MiB."""
    found, ahead = [], [pid]
    while ahead:
        one = ahead.pop()
        try:
            lines = Path(f"/proc/{one}/smaps_rollup").read_text().splitlines()
            for task in Path(f"/proc/{one}/task").iterdir():
                ahead += [int(child) for child in (task / "children").read_text().split()]
        except OSError:  # it has just ended
            continue
        found.append((one, sum(int(line.split()[1]) for line in lines if line.startswith("Pss:")) / MIB))
    return found


def _print(when: str, tree: list[tuple[int, float]], journal: Path) -> None:
    own, others = tree[0][1], [weight for _, weight in tree[1:]]
    total = own + sum(others)
    print(
        f"{when:>12}: {total:6.1f} MiB in {len(tree)} processes: the run {own:.1f}, the others {min(others):.1f} to "
        f"{max(others):.1f} each; journal {journal.stat().st_size / MIB / MIB:.1f} MiB",
        flush=True,
    )
