"""Cameras for the tests: the virtual one in a process of its own, and the simulated one."""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from controller.cameras.clock import VirtualClock
from controller.cameras.protocol import Camera, CameraFacts, CameraStatus, Captured, Readback
from controller.cameras.simulated import SimulatedDevice
from controller.cameras.tethered import make_virtual_camera_folder
from controller.gear.body import CameraBody
from controller.timeline.model import Settings
from tests.cameras.bench import T0

VIRTUAL_SHUTTER_S = (1 / 8000, 1 / 800, 1 / 400, 1 / 200, 1 / 100, 1 / 50, 1 / 20, 1 / 10, 1.0)
"""What libgphoto2's virtual camera lists, so that one contract suits both backends."""


class RemoteCamera:
    """A `Camera` (and a little more) in the server's process."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        environment = {**os.environ, "VCAMERADIR": str(folder), "LC_ALL": "C"}
        self._process = subprocess.Popen(
            [sys.executable, str(Path(__file__).with_name("camera_server.py"))],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            env=environment,
        )

    def ask(self, name: str, *arguments: Any, **named: Any) -> Any:
        pickle.dump((name, arguments, named), self._process.stdin)
        self._process.stdin.flush()
        worked, answer = pickle.load(self._process.stdout)  # noqa: S301 - our own child
        if not worked:
            raise answer
        return answer

    def probe(self) -> CameraFacts:
        facts: CameraFacts = self.ask("probe")
        return facts

    def configure(self, settings: Settings) -> Readback:
        readback: Readback = self.ask("configure", settings)
        return readback

    def release(self, settings: Settings) -> None:
        self.ask("release", settings)

    def collect(self, timeout_s: float) -> Captured:
        captured: Captured = self.ask("collect", timeout_s)
        return captured

    def status(self) -> CameraStatus:
        status: CameraStatus = self.ask("status")
        return status

    def close(self) -> None:
        self.ask("close")

    def end(self) -> None:
        self._process.stdin.close()
        self._process.wait(timeout=10)
        self._process.stdout.close()


@pytest.fixture(scope="session")
def virtual_server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RemoteCamera]:
    """The process around the virtual camera, one for the session."""
    server = RemoteCamera(make_virtual_camera_folder(tmp_path_factory.mktemp("virtual")))
    yield server
    server.end()


@pytest.fixture
def virtual_camera(virtual_server: RemoteCamera) -> Iterator[RemoteCamera]:
    """The virtual camera, freshly opened."""
    virtual_server.ask("open")
    yield virtual_server
    virtual_server.close()


@pytest.fixture(params=["simulated", "tethered"])
def any_camera(request: pytest.FixtureRequest, clock: VirtualClock) -> Camera:
    """Each backend in turn, freshly opened."""
    if request.param == "tethered":
        camera: Camera = request.getfixturevalue("virtual_camera")
        return camera
    body = CameraBody(shutter_s=VIRTUAL_SHUTTER_S, f_numbers=(5.6, 8.0, 11.0), isos=(100, 200, 400))
    return SimulatedDevice(body, clock).open()


@pytest.fixture
def clock() -> VirtualClock:
    """Virtual time, at second zero."""
    return VirtualClock(T0)


@pytest.fixture
def make_device(clock: VirtualClock) -> Callable[..., SimulatedDevice]:
    """Make a simulated body on the test's clock; its times are round numbers."""
    body = CameraBody(
        frame_gap_s=0.5,
        setting_time_s=0.1,
        release_lag_s=0.05,
        buffer_frames=10,
        write_time_s=0.4,
        card_frames=1000,
    )

    def make(**options: Any) -> SimulatedDevice:
        return SimulatedDevice(options.pop("body", body), clock, **options)

    return make
