"""One holdfire a camera: locks between real processes, and libgphoto2's virtual camera behind them."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from controller.cameras import tethered
from controller.cameras.calibrating import LiveBench
from controller.cameras.clock import ClockEpoch, VirtualClock
from controller.cameras.host import CameraProcess, CameraSpec
from controller.cameras.lock import CameraInUseError, CameraLock, lock_folder
from controller.cameras.probing import probe_attached
from controller.cameras.tethered import make_virtual_camera_folder, open_tethered
from controller.cameras.worker import Lost, Opened
from controller.cli.runs import _only_free_cameras
from controller.errors import CameraError
from tests.cameras.bench import Bus, FakeGphoto
from tests.engine.builder import rig_info, timeline

HOLD = """
import sys, time
from controller.cameras.lock import CameraLock
lock = CameraLock(sys.argv[1], "the camera")
print("held", flush=True)
time.sleep(600)
"""


@pytest.fixture(autouse=True)
def _own_folder(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """The locks of a test lie in a folder of its own."""
    (tmp_path / "runtime").mkdir()
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path / "runtime"))


@pytest.fixture
def other() -> Iterator[Callable[[str], subprocess.Popen[str]]]:
    """Another process that takes a lock and keeps it until it is killed."""
    started: list[subprocess.Popen[str]] = []

    def start(key: str) -> subprocess.Popen[str]:
        process = subprocess.Popen([sys.executable, "-c", HOLD, key], stdout=subprocess.PIPE, text=True)
        started.append(process)
        assert process.stdout.readline() == "held\n"
        return process

    yield start
    for process in started:
        process.kill()
        process.wait()
        process.stdout.close()


def test_a_second_process_is_refused_and_told_who_has_it(
    other: Callable[[str], subprocess.Popen[str]],
) -> None:
    """The refusal is one line with the holder's process id; another camera is free."""
    holder = other("body 1")
    with pytest.raises(CameraInUseError) as caught:
        CameraLock("body 1", "Practice body on usb:001,004")
    text = str(caught.value)
    assert text.startswith("Practice body on usb:001,004 is in use by another holdfire")
    assert f"process {holder.pid}, since 20" in text
    assert "Mend:" in text
    assert "\n" not in text
    CameraLock("body 2", "another").release()


def test_the_kernel_gives_it_free_when_its_holder_is_killed(
    other: Callable[[str], subprocess.Popen[str]],
) -> None:
    """After SIGKILL nothing is left that refuses, though the file is still there."""
    holder = other("body 1")
    holder.send_signal(signal.SIGKILL)
    holder.wait()
    assert len(list(lock_folder().glob("*.lock"))) == 1
    with CameraLock("body 1", "the camera"), pytest.raises(CameraInUseError):
        CameraLock("body 1", "the camera")  # one's own counts, too: two rigs cannot share a camera
    CameraLock("body 1", "the camera").release()


def test_where_no_lock_can_be_made_a_camera_is_opened_all_the_same(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """A folder that cannot be made does not cost the pictures."""
    (tmp_path / "runtime" / "holdfire").write_text("in the way")
    assert not lock_folder().is_dir()
    CameraLock("body 1", "the camera").release()
    monkeypatch.delenv("XDG_RUNTIME_DIR")
    assert "holdfire-" in lock_folder().name


def test_two_processes_on_one_virtual_camera(tmp_path: Path) -> None:
    """The second reports the camera as lost and says who has it; killed, the first leaves it free at once."""
    folder = make_virtual_camera_folder(tmp_path / "virtual")
    spec = CameraSpec(rig="long", driver="tethered", virtual_folder=folder)
    first = CameraProcess(spec, ClockEpoch.now())
    second = None
    try:
        assert first.connection.poll(30)
        assert isinstance(first.connection.recv(), Opened)
        second = CameraProcess(spec, ClockEpoch.now())
        assert second.connection.poll(30)
        lost = second.connection.recv()
        assert isinstance(lost, Lost)
        assert "in use by another holdfire (process" in lost.detail
        with pytest.raises(CameraError, match="in use by another holdfire"):
            LiveBench(spec)  # as calibrate opens it
        assert first.kill()
        assert second.connection.poll(30)  # it goes on trying
        assert isinstance(second.connection.recv(), Opened)
    finally:
        for process in (first, second):
            if process is not None:
                process.kill()


def test_what_another_holdfire_has_open_is_listed_and_left_alone(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Looking at what is attached names who has a camera, and a run that needs that one is refused."""
    folder = make_virtual_camera_folder(tmp_path / "virtual")
    holder = CameraProcess(CameraSpec(rig="long", driver="tethered", virtual_folder=folder), ClockEpoch.now())
    try:
        assert holder.connection.poll(30)
        assert isinstance(holder.connection.recv(), Opened)
        monkeypatch.setenv(tethered.VIRTUAL_FOLDER_VARIABLE, str(folder))
        (facts,) = probe_attached()
    finally:
        holder.kill()
    assert f"in use by another holdfire (process {os.getpid()}" in facts.in_use
    assert facts.by_hand == (facts.in_use,)
    (free,) = probe_attached()
    assert free.in_use == ""
    assert free.shutter_s
    mine = replace(rig_info(), driver="tethered", match=facts.model)
    with pytest.raises(CameraError, match=r'Rig "long": .* in use by another holdfire'):
        _only_free_cameras(timeline([], rigs=(mine,)), ["long"], [facts])
    _only_free_cameras(timeline([], rigs=(mine,)), ["long"], [free])
    _only_free_cameras(timeline([], rigs=(replace(mine, match="other"),)), ["long"], [facts])


def test_a_camera_that_comes_back_under_another_port_is_found_by_its_model(
    monkeypatch: pytest.MonkeyPatch, clock: VirtualClock
) -> None:
    """Opened on one port, plugged in again on another, opened there; ports and body are stand-ins."""
    bus = Bus(monkeypatch, clock)
    bus.attached = [("Nikon Z6_2", "usb:001,004")]
    open_tethered("z6", clock).close()
    bus.attached = []
    with pytest.raises(CameraError, match='no camera matches "z6"'):
        open_tethered("z6", clock)
    bus.attached = [("Nikon Z6_2", "usb:003,017")]
    with pytest.raises(CameraError, match=r"no camera is on the port usb:001,004: .*part of its model name"):
        open_tethered("usb:001,004", clock)
    camera = open_tethered("z6", clock)
    assert bus.opened == ["usb:001,004", "usb:003,017"]
    assert camera.probe().port == "usb:003,017"
    camera.close()


def test_the_same_body_under_another_port_is_known_by_its_serial_number(
    monkeypatch: pytest.MonkeyPatch, clock: VirtualClock
) -> None:
    """A port may have changed since another process opened the body; another body of its model is free."""
    bus = Bus(monkeypatch, clock)
    bus.attached = [("Nikon Z6_2", "usb:001,004")]
    first = open_tethered("z6", clock)
    bus.attached = [("Nikon Z6_2", "usb:001,005")]
    with pytest.raises(CameraInUseError, match="Nikon Z6_2 on usb:001,005 is in use"):
        open_tethered("z6", clock)
    bus.serial = "4712"
    open_tethered("z6", clock).close()
    first.close()
    bus.serial = "4711"
    open_tethered("z6", clock).close()


def test_an_opening_that_fails_leaves_no_lock(monkeypatch: pytest.MonkeyPatch, clock: VirtualClock) -> None:
    """A camera that cannot be read is free for the next attempt."""
    bus = Bus(monkeypatch, clock)
    bus.attached = [("Nikon Z6_2", "usb:001,004")]
    with monkeypatch.context() as broken:
        broken.setattr(FakeGphoto, "get_abilities", _broken)
        with pytest.raises(CameraError, match="cannot be opened"):
            open_tethered("z6", clock)
    assert len(list(lock_folder().glob("*.lock"))) == 1
    open_tethered("z6", clock).close()


def _broken(_self: FakeGphoto) -> Any:
    import gphoto2

    raise gphoto2.GPhoto2Error(gphoto2.GP_ERROR_IO)
