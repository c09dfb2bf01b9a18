"""Camera processes for real: started, talked to over a pipe, hung, killed, orphaned."""

from __future__ import annotations

import multiprocessing.process
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from multiprocessing import Pipe
from pathlib import Path
from typing import Any

import pytest

from controller.cameras import host
from controller.cameras.clock import ClockEpoch, MonotonicClock, VirtualClock
from controller.cameras.host import CameraProcess, CameraSpec, _Close, _Withdraw, serve
from controller.cameras.protocol import MissReason, Outcome, OutcomeState
from controller.cameras.simulated import SimFault, SimFaultKind, SimulatedDevice
from controller.cameras.tethered import make_virtual_camera_folder
from controller.cameras.worker import CameraWorker, Lost, Opened, Report
from controller.gear.body import CameraBody
from tests.cameras.bench import frame
from tests.cli.command import state_and_parent_of

QUICK = CameraBody(
    frame_gap_s=0.05, setting_time_s=0.01, release_lag_s=0.01, shutter_s=(0.01, 0.05), write_time_s=0.01
)
PATIENCE_S = 30.0
"""How long a test waits for a report before it fails."""


@pytest.fixture
def epoch() -> ClockEpoch:
    """The epoch that every process of the test is given."""
    return ClockEpoch.now()


@pytest.fixture
def start(epoch: ClockEpoch) -> Iterator[Callable[..., CameraProcess]]:
    """Start camera processes; whatever is left of them at the end is killed."""
    started: list[CameraProcess] = []

    def start(**options: Any) -> CameraProcess:
        options = {"rig": "long", "driver": "simulated", "body": QUICK, "release_lag_s": 0.01, **options}
        started.append(CameraProcess(CameraSpec(**options), epoch))
        return started[-1]

    yield start
    for process in started:
        process.kill()


def receive(process: CameraProcess) -> Report:
    """The next report; fails when none comes."""
    assert process.connection.poll(PATIENCE_S), "no report"
    report: Report = process.connection.recv()
    return report


def outcome_of(process: CameraProcess, frame_id: str) -> Outcome:
    """The outcome of a frame, passing over other reports."""
    while True:
        report = receive(process)
        if isinstance(report, Outcome) and report.frame_id == frame_id:
            return report


def now_ns(epoch: ClockEpoch) -> int:
    """The present by the test's epoch."""
    return MonotonicClock(epoch).now_ns()


def test_frames_fire_are_withdrawn_and_closed_in_a_real_process(
    start: Callable[..., CameraProcess], epoch: ClockEpoch, tmp_path: Path
) -> None:
    """One process: opened, two fired with pictures written, one withdrawn, the last stopped by closing."""
    process = start(frames_folder=tmp_path / "card")
    assert isinstance(receive(process), Opened)
    t0 = now_ns(epoch)
    for name, due in (("a", 0.3), ("b", 0.6), ("held", 1.0), ("never", 3600.0)):
        process.send_hand_over(frame(name, due, t0=t0))
    fired = outcome_of(process, "a")
    assert fired.state is OutcomeState.FIRED
    assert fired.released_utc_ns >= t0 + 300_000_000
    assert (tmp_path / fired.captured.file_name).exists()
    assert outcome_of(process, "b").state is OutcomeState.FIRED
    process.send_withdraw(["held"], MissReason.HELD)
    held = outcome_of(process, "held")
    assert (held.state, held.reason) == (OutcomeState.MISSED, MissReason.HELD)
    process.close(timeout_s=PATIENCE_S)
    assert not process.alive
    assert outcome_of(process, "never").reason is MissReason.STOPPED
    with pytest.raises(EOFError):
        receive(process)
    assert len(list((tmp_path / "card").iterdir())) == 2


def test_the_virtual_camera_works_in_a_process_of_its_own(
    start: Callable[..., CameraProcess], epoch: ClockEpoch, tmp_path: Path
) -> None:
    """The tethered driver end to end: the child's own environment asks for the virtual camera."""
    process = start(driver="tethered", virtual_folder=make_virtual_camera_folder(tmp_path / "virtual"))
    opened = receive(process)
    assert isinstance(opened, Opened)
    assert opened.facts.simulated
    process.send_hand_over(frame("a", 0.3, t0=now_ns(epoch)))
    fired = outcome_of(process, "a")
    assert fired.state is OutcomeState.FIRED
    assert fired.captured.file_name.endswith(".JPG")
    assert fired.readback.differs == ("iso",)


def test_without_its_folder_the_virtual_camera_is_never_opened(
    start: Callable[..., CameraProcess], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """A variable left in the parent's environment does not turn a real run into a pretended one."""
    monkeypatch.setenv("VCAMERADIR", str(make_virtual_camera_folder(tmp_path / "virtual")))
    process = start(driver="tethered", match="no such camera")
    lost = receive(process)
    assert isinstance(lost, Lost)
    assert "Attached: none" in lost.detail


def test_a_hung_process_is_killed_and_a_fresh_one_fires(
    start: Callable[..., CameraProcess], epoch: ClockEpoch
) -> None:
    """Close gives up on a process that hangs in a call; its successor is not hung."""
    t0 = now_ns(epoch)
    fault = SimFault(kind=SimFaultKind.HANG, at_utc_ns=t0, for_s=3600.0)
    options = {"faults": (SimFault(kind=SimFaultKind.HANG, after_frames=0, for_s=3600.0),)}
    process = start(**options)
    assert not process.connection.poll(0.5)
    assert process.alive
    process.close(timeout_s=0.2)
    assert not process.alive
    with pytest.raises((EOFError, OSError)):
        receive(process)
    process.send_hand_over(frame("lost", 0.3, t0=t0))  # harmless
    fresh = start(faults=(fault,))
    assert isinstance(receive(fresh), Opened)
    fresh.send_hand_over(frame("a", 0.3, t0=now_ns(epoch)))
    assert outcome_of(fresh, "a").state is OutcomeState.FIRED


@pytest.mark.parametrize("hangs", ["while it opens", "in a frame", "in no call"])
def test_a_process_that_does_not_come_back_is_seen(
    start: Callable[..., CameraProcess], epoch: ClockEpoch, monkeypatch: pytest.MonkeyPatch, hangs: str
) -> None:
    """The parent sees which call has not come back in time, and a process that stands still (SIGSTOP)."""
    monkeypatch.setattr(host, "OPENING_WITHIN_S", 0.0)
    faults = {
        "while it opens": (SimFault(kind=SimFaultKind.HANG, after_frames=0, for_s=3600.0),),
        "in a frame": (SimFault(kind=SimFaultKind.HANG, after_frames=1, for_s=3600.0),),
    }
    process = start(faults=faults.get(hangs, ()), word_within_s=0.1)
    if hangs == "while it opens":  # the parent's own bound, until the child has said when its opening began
        _until(lambda: process.hanging(None) == "no answer within 0.0 s of opening the camera")
        _until(lambda: process.hanging(None) is None)
        return
    assert isinstance(receive(process), Opened)
    assert process.hanging(None) is None
    before, one = (frame(name, due, t0=now_ns(epoch), late_s=0.1) for name, due in (("a", 0.8), ("b", 1.6)))
    if hangs == "in no call":
        os.kill(process.pid, signal.SIGSTOP)
    process.send_hand_over(before)
    process.send_hand_over(one)
    expected = (
        "no answer 1.1 s after its exposure should have ended"  # the time for the word, and a second over
        if hangs == "in a frame"
        else "no word of a frame 2.0 s after its latest release"
    )
    _until(lambda: process.hanging(one.deadline_utc_ns) == expected)
    assert process.kill()


def test_a_process_that_the_kernel_keeps_is_left_behind(
    start: Callable[..., CameraProcess], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Killing gives up after a bound where the process does not end (here its signal is swallowed)."""
    monkeypatch.setattr(host, "_GONE_WITHIN_S", 0.1)
    process = start()
    assert isinstance(receive(process), Opened)
    with monkeypatch.context() as swallowed:
        swallowed.setattr(process._process, "kill", lambda: None)
        assert not process.kill()
    assert process._process.process not in multiprocessing.process._children  # so that no exit waits for it
    os.kill(process.pid, signal.SIGKILL)
    process._process.join()


def _until(true: Callable[[], object]) -> None:
    """Wait for something, within bounds."""
    end = time.monotonic() + PATIENCE_S
    while not true():
        assert time.monotonic() < end, "it never came to that"
        time.sleep(0.01)


def test_a_process_that_reads_nothing_does_not_block_its_parent(
    start: Callable[..., CameraProcess], epoch: ClockEpoch
) -> None:
    """Far more messages than a pipe holds are taken at once from the parent, and the process can be killed."""
    process = start(faults=(SimFault(kind=SimFaultKind.HANG, after_frames=0, for_s=3600.0),))
    t0 = now_ns(epoch)
    for number in range(2000):
        process.send_hand_over(frame(f"{number}", 3600.0, t0=t0))
    process.kill()
    assert not process.alive


def test_many_frames_at_once_all_arrive(start: Callable[..., CameraProcess], epoch: ClockEpoch) -> None:
    """A burst of hand-overs while the process starts is answered for frame by frame."""
    process = start()
    t0 = now_ns(epoch)
    for number in range(500):
        process.send_hand_over(frame(f"{number}", 3600.0, t0=t0))
    process.send_withdraw(None, MissReason.STOPPED)
    assert isinstance(receive(process), Opened)
    answers = [receive(process) for _ in range(500)]
    assert {answer.reason for answer in answers if isinstance(answer, Outcome)} == {MissReason.STOPPED}
    assert len({answer.frame_id for answer in answers if isinstance(answer, Outcome)}) == 500


def test_an_interrupt_of_the_terminal_leaves_the_process_alone(
    start: Callable[..., CameraProcess], epoch: ClockEpoch
) -> None:
    """Ctrl-C goes to every process of the terminal, from its first moment; only the parent decides."""
    process = start()
    for number in (signal.SIGINT, signal.SIGHUP):
        os.kill(process.pid, number)
    assert isinstance(receive(process), Opened)
    os.kill(process.pid, signal.SIGINT)
    process.send_hand_over(frame("a", 0.3, t0=now_ns(epoch)))
    assert outcome_of(process, "a").state is OutcomeState.FIRED


_PARENT = """
import sys, time
from pathlib import Path
from controller.cameras.clock import ClockEpoch, MonotonicClock
from controller.cameras.host import CameraProcess, CameraSpec
from controller.cameras.simulated import SimFault, SimFaultKind
from controller.cameras.worker import Opened
from tests.cameras.bench import frame
from tests.cameras.test_host import QUICK

if __name__ == "__main__":
    faults = [SimFault(kind=SimFaultKind.HANG, after_frames=1, for_s=3600.0)] if sys.argv[2] == "hang" else []
    epoch = ClockEpoch.now()
    spec = CameraSpec(rig="long", driver="simulated", body=QUICK, release_lag_s=0.01,
                      frames_folder=Path(sys.argv[1]), faults=tuple(faults))
    process = CameraProcess(spec, epoch)
    assert isinstance(process.connection.recv(), Opened)
    t0 = MonotonicClock(epoch).now_ns()
    process.send_hand_over(frame("now", 0.2, t0=t0))
    for number in range(20):
        process.send_hand_over(frame(f"later {number}", 6.0 + number / 10, t0=t0))
    process.connection.recv()
    time.sleep(0.3)  # by now the child waits, or hangs
    print(process.pid, flush=True)
    time.sleep(600)
"""


@pytest.mark.parametrize("child", ["waiting", "hang"])
def test_when_the_parent_is_killed_the_child_stops_and_fires_nothing_more(child: str, tmp_path: Path) -> None:
    """SIGKILL to the parent: the child is gone before the frames it held were due, even from a hung call."""
    folder = tmp_path / "card"
    root = Path(__file__).parents[2]
    parent = subprocess.Popen(
        [sys.executable, "-c", _PARENT, str(folder), child], stdout=subprocess.PIPE, text=True, cwd=root
    )
    try:
        pid = int(parent.stdout.readline())
        assert len(list(folder.iterdir())) == 1
    finally:
        parent.kill()
        parent.wait()
        parent.stdout.close()
    deadline = time.monotonic() + PATIENCE_S
    while _runs(pid) and time.monotonic() < deadline:
        time.sleep(0.02)
    if _runs(pid):
        os.kill(pid, signal.SIGKILL)
        pytest.fail("the child outlived its parent")
    assert len(list(folder.iterdir())) == 1


def _runs(pid: int) -> bool:
    """Whether a process runs: there is one, and it is not just waiting to be reaped."""
    try:
        state, _ = state_and_parent_of(pid)
    except (FileNotFoundError, ProcessLookupError):
        return False
    return state != "Z"


class Ticking(VirtualClock):
    """A clock on which something can be made to happen during the last stretch of a wait."""

    def __init__(self, now_ns: int) -> None:
        super().__init__(now_ns)
        self.during_wait: Callable[[], None] = lambda: None

    def sleep_until_ns(self, instant_ns: int) -> None:
        self.during_wait()
        super().sleep_until_ns(instant_ns)


@pytest.mark.parametrize("breaks", [False, True])
def test_the_pipe_is_looked_at_straight_before_a_release(breaks: bool) -> None:
    """A withdrawal, or the end of the parent, in the very last stretch of the wait keeps the shutter closed."""
    clock = Ticking(1_817_000_000 * 10**9)
    device = SimulatedDevice(QUICK, clock)
    worker = CameraWorker(device.open, clock, release_lag_s=0.01, prepare_lead_s=0.015)
    ours, theirs = Pipe()
    one = frame("a", 0.018)
    worker.hand_over(one)

    def during_wait() -> None:
        if clock.now_ns() >= one.due_utc_ns - 12_000_000 and not meddled:
            meddled.append(True)
            if breaks:
                ours.close()
            else:
                ours.send(_Withdraw(frozenset({"a"}), MissReason.HELD))
                ours.send(_Close())

    meddled: list[bool] = []
    clock.during_wait = during_wait
    done = threading.Thread(target=serve, args=(worker, clock, theirs))
    done.start()
    done.join(PATIENCE_S)
    assert not done.is_alive()
    assert meddled
    assert device.taken == []


def test_the_monotonic_clock_keeps_its_offset_and_never_wakes_early() -> None:
    """UTC is the epoch's plus monotonic time since; a sleep ends at its instant or after."""
    epoch = ClockEpoch(utc_ns=1_817_000_000_000_000_000, monotonic_ns=time.monotonic_ns())
    clock = MonotonicClock(epoch)
    for wait_ns in (0, 300_000, 5_000_000):
        instant = clock.now_ns() + wait_ns
        clock.sleep_until_ns(instant)
        assert clock.now_ns() >= instant
    assert clock.now_ns() - epoch.utc_ns == pytest.approx(time.monotonic_ns() - epoch.monotonic_ns, abs=10**9)
