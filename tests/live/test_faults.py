"""Faults brought about for real, while a run fires in real time; and what its account tells of them.

Processes are killed, stopped and continued, the virtual camera's folder is taken away. What needs a broken
engine, screen or kernel has stand-ins for the camera's process (`tests.live.test_driver`).
"""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from controller.account.model import make_account
from controller.engine import messages as m
from controller.engine.engine import Engine
from controller.engine.states import FrameState
from controller.journal.folder import RunFolder
from controller.journal.records import Kind
from controller.journal.writing import JournalWriter
from controller.live import clockwatch, driver
from controller.timeline.model import Timeline
from controller.units import NS_PER_S
from tests.account.test_faults import troubles
from tests.cli.command import HOLDFIRE, SAMPLES, child_of, environment, holdfire, state_and_parent_of
from tests.engine.builder import at, timeline
from tests.live.test_driver import Desk, filtered, until
from tests.live.test_real_time import BENCH

PATIENCE_S = 60.0


class Going:
    """A run in real time, in totality, that has begun to fire."""

    def __init__(self, tmp_path: Path, *words: str) -> None:
        self.runs = tmp_path / "runs"
        self.process = subprocess.Popen(
            [*HOLDFIRE, *words, "--operator", "prompt", "--json", "--runs", str(self.runs)],
            cwd=tmp_path, env=environment(), stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )  # fmt: skip
        self.wait_for(lambda: self.count("frame_fired") >= 2)

    def wait_for(self, true: Callable[[], object]) -> None:
        """Wait for a fact."""
        end = time.monotonic() + PATIENCE_S
        while not true():
            assert self.process.poll() is None, "the run ended"
            assert time.monotonic() < end, "it never came to that"
            time.sleep(0.02)

    @property
    def folder(self) -> RunFolder:
        """Its folder."""
        (path,) = self.runs.iterdir()
        return RunFolder.open(path)

    def records(self, kind: str) -> list[dict[str, Any]]:
        """What its journal holds of a kind."""
        if not list(self.runs.glob("*/journal.jsonl")):
            return []
        return [record for record in self.folder.read().records if record["kind"] == kind]

    def count(self, kind: str) -> int:
        """How many records of a kind its journal holds."""
        return len(self.records(kind))

    def worker(self) -> int:
        """The process of its camera."""
        return child_of(self.process.pid, "camera")

    def fires_again(self) -> None:
        """Wait until it has fired two frames more, its camera being back."""
        ready, fired = self.count("camera_ready"), self.count("frame_fired")
        self.wait_for(lambda: self.count("camera_ready") >= max(2, ready))
        self.wait_for(lambda: self.count("frame_fired") >= fired + 2)

    def stop(self) -> list[str]:
        """Stop it, and return what its account tells of what went wrong, but for the stop."""
        self.process.send_signal(signal.SIGINT)
        self.process.wait(PATIENCE_S)
        account = make_account(self.folder.path)
        assert account.contradictions == ()
        return [line for line in troubles(account) if "stopped by signal" not in line]

    def end(self) -> None:
        """Leave nothing running."""
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()


@pytest.fixture
def going(tmp_path: Path) -> Iterator[Going]:
    """A rehearsal in real time, with a simulated camera in a process of its own."""
    run = Going(tmp_path, "rehearse", str(SAMPLES / "total_2027.yaml"), "--from", "1 min after C2")
    yield run
    run.end()


def test_worker_killed(going: Going) -> None:
    """kill -9 of the camera's process: another one fires, and the account tells what the first one owed."""
    os.kill(going.worker(), signal.SIGKILL)
    going.wait_for(lambda: going.count("camera_lost"))
    going.fires_again()
    (line,) = [line for line in going.stop() if "camera lost" in line]
    assert "long: camera lost: the camera's process ended and is started again; over after " in line


@pytest.mark.skipif(sys.platform != "linux", reason="cameras' processes are forked on Linux alone")
def test_killed_process_that_cameras_are_forked_from(going: Going) -> None:
    """kill -9 of it: the camera's process fires on; when that is killed too, another one fires all the same."""
    worker = going.worker()
    _, forked_from = state_and_parent_of(worker)
    assert forked_from != going.process.pid
    os.kill(forked_from, signal.SIGKILL)
    fired = going.count("frame_fired")
    going.wait_for(lambda: going.count("frame_fired") >= fired + 3)
    assert going.count("camera_lost") == 0
    os.kill(worker, signal.SIGKILL)
    going.wait_for(lambda: going.count("camera_lost"))
    going.fires_again()
    (line,) = [line for line in going.stop() if "camera lost" in line]
    assert "the camera's process ended and is started again; over after " in line


@pytest.mark.waits
def test_worker_stands_still(going: Going) -> None:
    """SIGSTOP of the camera's process, as a call that hangs: killed and started again within the stated bound."""
    os.kill(going.worker(), signal.SIGSTOP)
    going.wait_for(lambda: going.count("camera_lost"))
    going.fires_again()
    (bound,) = going.records("run_began")[0]["silence_limit_s"].values()
    assert bound == 6.0
    (line,) = [line for line in going.stop() if "camera lost" in line]
    assert re.search(
        r"camera lost: (no answer 6\.0 s after its exposure should have ended"
        r"|no answer within 8\.0 s of (setting the camera|asking for battery and card)"
        r"|no word of a frame 2\.0 s after its latest release): its process is killed and started again; "
        r"over after \d+\.\d s; frames: ",
        line,
    )


def test_everything_sleeps(going: Going) -> None:
    """Run and camera stopped for 4 s, as a computer that sleeps: what was slept through is missed, the rest fires."""
    pids = [going.process.pid, going.worker()]
    for pid in pids:
        os.kill(pid, signal.SIGSTOP)
    time.sleep(4)
    fired = going.count("frame_fired")
    for pid in reversed(pids):
        os.kill(pid, signal.SIGCONT)
    going.wait_for(lambda: going.count("frame_fired") >= fired + 3)
    lines = going.stop()
    assert any("frames could only have come too late; " in line and "missed" in line for line in lines)
    assert not [line for line in lines if "killed" in line]  # awake again, the process answered by itself


def test_run_killed(going: Going, tmp_path: Path) -> None:
    """kill -9 of the run, then resume: the account tells the break, its length, and which frames nobody knows of."""
    going.process.kill()
    going.process.wait()
    done = holdfire("resume", str(going.folder.path), "--fast", cwd=tmp_path)
    assert "What went wrong, in order" in done.stdout
    (line,) = [line for line in troubles(make_account(going.folder.path)) if "broken off" in line]
    assert "the run was broken off and started again; over after " in line


def test_virtual_camera_taken_away(tmp_path: Path) -> None:
    """Real libgphoto2: the virtual camera's folder vanishes while it fires, and comes back."""
    plan = tmp_path / "bench.yaml"
    plan.write_text(BENCH.replace("DRIVER", "tethered").replace("9 s before C3", "30 s before C3"))
    run = Going(tmp_path, "run", str(plan), "--virtual-camera", "--from", "34 s before C3")
    try:
        (folder,) = run.runs.glob("*/virtual-camera")
        shutil.move(folder, tmp_path / "away")
        run.wait_for(lambda: run.count("camera_lost"))
        shutil.move(tmp_path / "away", folder)
        fired = run.count("frame_fired")
        run.wait_for(lambda: run.count("frame_fired") >= fired + 2)
        lines = [line for line in run.stop() if "camera lost" in line]
    finally:
        run.end()
    assert "3 frames in a row failed, so it is opened anew" in lines[0]
    assert "over after " in lines[0]
    assert "3 failed" in lines[0]


def told(tmp_path: Path, day: Timeline, records: list[tuple[Kind, int, dict[str, Any]]]) -> list[str]:
    """What an account tells of what went wrong, from the records of a run with stand-ins."""
    folder = RunFolder.create(tmp_path, "faults", b"plan", day, started_utc_ns=at(0))
    with closing(JournalWriter.create(folder.path)) as writer:
        writer.append_many(
            [
                (kind, now, {**data, "timeline_sha256": day.digest()} if kind is Kind.RUN_BEGAN else data)
                for kind, now, data in records
            ]
        )
    return troubles(make_account(folder.path))


def test_process_that_the_kernel_keeps(tmp_path: Path) -> None:
    """It is left behind, another one fires, and the account says both."""
    day = timeline([filtered(1, 9.5, late_s=0.1), filtered(2, 16, late_s=2)])
    desk = Desk(day)
    thread = desk.begin()
    until(lambda: desk.processes["long"] and desk.processes["long"][0].given)
    first = desk.processes["long"][0]
    first.unkillable, first.hangs = True, "no answer 6.0 s after its exposure should have ended"
    until(lambda: len(desk.processes["long"]) == 2 and desk.processes["long"][1].given)
    desk.processes["long"][1].fire(day.frames[1])
    until(lambda: desk.run.engine.frame_state("long/0002") is FrameState.FIRED)
    desk.stop(thread)
    lines = told(tmp_path, day, desk.paper.records)
    assert any(
        "the process of the camera of long waits in the kernel: it is left behind" in one for one in lines
    )
    assert any("its process is killed and started again; over after " in line for line in lines)


def test_engine_fails(tmp_path: Path) -> None:
    """The program itself breaks: the cameras are halted first; resumed, the account tells the break."""
    day = timeline([filtered(1, 10.5), filtered(2, 11), filtered(3, 25)])
    desk = Desk(day)
    thread = desk.begin()
    until(lambda: desk.processes["long"] and len(desk.processes["long"][0].given) == 2)

    def breaks(_event: m.Event) -> list[m.Effect]:
        raise RuntimeError("broken engine")

    desk.run.engine.handle = breaks  # type: ignore[method-assign]
    thread.join(PATIENCE_S)
    assert isinstance(desk.error, RuntimeError)
    assert next(entry for entry in desk.log if entry[1] != "given") == ("long", "withdrawn", None)
    again = Desk(day, now_s=14)
    again.paper.records = list(desk.paper.records)
    again.run.engine = Engine(day)
    again.run.engine.restore(
        {**data, "kind": kind, "at_utc_ns": now} for kind, now, data in desk.paper.records
    )
    again.run.run = again.run.resume  # type: ignore[method-assign]
    thread = again.begin()
    until(lambda: again.paper.of(Kind.RUN_RESUMED))
    again.stop(thread)
    (line,) = [line for line in told(tmp_path, day, again.paper.records) if "broken off" in line]
    assert "the run was broken off and started again; over after " in line
    assert "frames: 2 unknown" in line


@pytest.mark.parametrize("step_s", [7.5, -7.5])
def test_clock_steps(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step_s: float) -> None:
    """The wall clock is set while a frame waits: it is seen, told with its size, and the frame fires in time."""
    true_time_ns, off = time.time_ns, [0.0]
    monkeypatch.setattr(clockwatch.time, "time_ns", lambda: true_time_ns() + int(off[0] * NS_PER_S))
    monkeypatch.setattr(driver, "CLOCK_CHECK_S", 0.2)
    day = timeline([filtered(1, 11)])
    desk = Desk(day)
    thread = desk.begin()
    until(lambda: desk.processes["long"] and desk.processes["long"][0].given)
    off[0] = step_s
    until(lambda: desk.paper.of(Kind.CLOCK_STEPPED))
    desk.processes["long"][0].fire(day.frames[0])
    until(lambda: desk.paper.of(Kind.FRAME_FIRED))
    desk.stop(thread)
    (line,) = [line for line in told(tmp_path, day, desk.paper.records) if "stepped" in line]
    assert f"the computer's clock stepped by {step_s:+.1f}" in line


def test_screen_and_voice_fail(tmp_path: Path) -> None:
    """The run goes on without them, and the account says once what failed."""
    day = timeline([filtered(1, 10.5)])
    desk = Desk(day)
    desk.screen.broken = True
    thread = desk.begin()
    until(lambda: desk.processes["long"] and desk.processes["long"][0].given)
    desk.processes["long"][0].fire(day.frames[0])
    until(lambda: desk.paper.of(Kind.FRAME_FIRED))
    desk.stop(thread)
    (line,) = [line for line in told(tmp_path, day, desk.paper.records) if "screen" in line]
    assert "the screen failed: RuntimeError: broken screen; no frame lost" in line
