"""What calibration finds of simulated cameras whose figures are known, and of the virtual one."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from pydantic import ValidationError

from controller.cameras.calibrating import LiveBench, calibrate
from controller.cameras.clock import VirtualClock
from controller.cameras.host import CameraSpec
from controller.cameras.protocol import Outcome
from controller.cameras.simulated import SimFault, SimFaultKind, SimulatedDevice
from controller.cameras.tethered import make_virtual_camera_folder
from controller.cameras.worker import CameraWorker, Opened, WaitUntil
from controller.errors import CameraError
from controller.gear.body import SIMULATED_BODY, CameraBody
from controller.gear.profile import CameraProfile
from controller.timeline.model import Frame
from controller.units import seconds_to_ns
from tests.cameras.bench import T0


class VirtualBench:
    """The worker of a simulated camera, driven in virtual time."""

    def __init__(self, device: SimulatedDevice, clock: VirtualClock) -> None:
        self.clock = clock
        self._worker = CameraWorker(device.open, clock, release_lag_s=0.0)
        self._steps: Iterator[object] = self._worker.run()
        self.facts = next(step.facts for step in self._steps if isinstance(step, Opened))

    def now_ns(self) -> int:
        return self.clock.now_ns()

    def hand_over(self, frame: Frame) -> None:
        self._worker.hand_over(frame)

    def next_outcome(self) -> Outcome:
        for step in self._steps:
            if isinstance(step, Outcome):
                return step
            if isinstance(step, WaitUntil):
                self.clock.sleep_until_ns(step.instant_ns)
        raise AssertionError

    def pause(self, seconds: float) -> None:
        self.clock.sleep_until_ns(self.now_ns() + seconds_to_ns(seconds))


def found_of(body: CameraBody, *, burst_frames: int = 60, faults: tuple[SimFault, ...] = ()) -> CameraProfile:
    """Calibrate a simulated body in virtual time."""
    clock = VirtualClock(T0)
    bench = VirtualBench(SimulatedDevice(body, clock, faults=faults), clock)
    return calibrate(bench, bench.facts, burst_frames=burst_frames)


@pytest.mark.parametrize(
    ("gap_s", "setting_s", "buffer", "write_s"),
    [
        (0.2, 0.1, 10, 0.8),
        (0.1, 0.0, 20, 0.4),
        (0.35, 0.25, 6, 1.2),
        (0.05, 0.03, 4, 0.3),
        (0.5, 0.1, 15, 1.0),
    ],
)
def test_the_figures_of_a_body_are_recovered(
    gap_s: float, setting_s: float, buffer: int, write_s: float
) -> None:
    """Gap and setting time within 1 ms, write time within a retry's 21 ms, the buffer within one frame."""
    body = CameraBody(
        frame_gap_s=gap_s,
        setting_time_s=setting_s,
        release_lag_s=0.03,
        buffer_frames=buffer,
        write_time_s=write_s,
    )
    found = found_of(body)
    assert found.frame_gap.median_s == pytest.approx(gap_s, abs=0.001)
    assert found.setting_time is not None
    assert found.write_time is not None
    assert found.buffer_frames is not None
    assert found.setting_time.median_s == pytest.approx(setting_s, abs=0.001)
    assert found.write_time.median_s == pytest.approx(write_s, abs=0.021)
    assert abs(found.buffer_frames - buffer) <= 1


def test_a_buffer_that_never_fills_is_not_given_a_depth() -> None:
    """A card faster than the frames: neither depth nor write time is made up."""
    found = found_of(SIMULATED_BODY)
    assert found.buffer_frames is None
    assert found.write_time is None
    assert found.frame_gap.median_s == pytest.approx(0.5, abs=0.001)


def test_the_release_lag_is_not_claimed() -> None:
    """What the computer sees bounds the lag from above; without the operator's figure there is none."""
    found = found_of(CameraBody(frame_gap_s=0.3, release_lag_s=0.12))
    assert found.release_lag_s is None
    assert found.word_delay.median_s >= 0.12


def test_a_frame_that_fails_ends_the_calibration() -> None:
    """A cable pulled out is an error that says so, not a slow camera."""
    with pytest.raises(CameraError, match="off the cable"):
        found_of(SIMULATED_BODY, faults=(SimFault(kind=SimFaultKind.LOST, after_frames=5),))


def test_a_profile_is_read_as_it_was_written() -> None:
    """The text holds every figure and its spread; another version of the format is refused."""
    found = found_of(CameraBody(buffer_frames=8, write_time_s=2.0, frame_gap_s=0.3))
    text = found.model_dump_json()
    assert CameraProfile.model_validate_json(text) == found
    with pytest.raises(ValidationError, match="holdfire_profile"):
        CameraProfile.model_validate_json(text.replace('"holdfire_profile":1', '"holdfire_profile":2'))


def test_the_virtual_camera_is_measured_in_its_own_process(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same code over a real pipe and the real driver: all frames fire, and it is marked as invented."""
    monkeypatch.setattr("controller.cameras.calibrating._SETTLE_S", 0.0)
    spec = CameraSpec(
        rig="calibrate",
        driver="tethered",
        virtual_folder=make_virtual_camera_folder(tmp_path / "virtual"),
        release_lag_s=0.0,
    )
    bench = LiveBench(spec)
    try:
        found = calibrate(bench, bench.facts, burst_frames=10, release_lag_s=0.04)
    finally:
        bench.close()
    assert found.invented
    assert found.model == bench.facts.model
    assert found.frames == 26
    assert found.frame_gap.measurements == 6
    assert found.release_lag_s == 0.04
