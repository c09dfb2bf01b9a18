"""Small pictures from cameras that give them on request: never at the cost of a frame."""

from __future__ import annotations

import io
import multiprocessing.connection
from pathlib import Path

import pytest
from PIL import Image

from controller.cameras.clock import ClockEpoch, MonotonicClock, VirtualClock
from controller.cameras.host import CameraProcess, CameraSpec
from controller.cameras.protocol import Camera, CameraFault, Outcome, OutcomeState
from controller.cameras.simulated import SimFault, SimFaultKind, SimulatedCamera, SimulatedDevice
from controller.cameras.worker import CameraWorker, Opened, Preview, Report
from controller.gear.body import SIMULATED_BODY
from controller.light.scene import Outlook, Scene
from controller.light.seen import Verdict, judge
from controller.units import NS_PER_S
from tests.cameras.bench import T0, Message, drive, fired, frame, seconds


class Previewed(SimulatedCamera):
    """A practice camera that gives small pictures on request, and takes its time."""

    takes_s = 0.3
    fails: CameraFault | None = None
    asked: list[tuple[float, str]]

    def preview(self, file_name: str) -> bytes | None:
        """Block for a while; note when and for what it was asked."""
        clock = self._device.clock
        self.asked.append((seconds(clock.now_ns()), file_name))
        clock.sleep_until_ns(clock.now_ns() + round(self.takes_s * NS_PER_S))
        if self.fails:
            raise self.fails
        return b"\xff\xd8 of " + file_name.encode()


def played(
    due_s: list[float], *, takes_s: float = 0.3, fails: CameraFault | None = None, until_s: float = 60.0
) -> tuple[list[tuple[float, Report]], SimulatedDevice, list[tuple[float, str]]]:
    """Fire frames at these seconds, each handed over 2 s ahead; return reports, the body, and what was asked."""
    clock = VirtualClock(T0)
    device = SimulatedDevice(SIMULATED_BODY, clock)
    asked: list[tuple[float, str]] = []

    def opener() -> Camera:
        device.open()
        camera = Previewed(device)
        camera.takes_s, camera.fails, camera.asked = takes_s, fails, asked
        return camera

    def given(n: int, due: float) -> Message:
        return (due - 2.0, lambda worker: worker.hand_over(frame(n, due)))

    worker = CameraWorker(opener, clock, release_lag_s=SIMULATED_BODY.release_lag_s)
    return drive(worker, clock, until_s, [given(n, due) for n, due in enumerate(due_s)]), device, asked


def opened_s(device: SimulatedDevice) -> list[float]:
    """When the shutter opened."""
    return [seconds(exposure.opened_ns) for exposure in device.taken]


def test_the_last_frame_s_picture_is_fetched_when_there_is_time() -> None:
    """Each of two frames far apart has its picture fetched once, and told under its own name."""
    reports, _, asked = played([10.0, 30.0])
    assert [name for _, name in asked] == ["HF_00001.JPG", "HF_00002.JPG"]
    pictures = [report for _, report in reports if isinstance(report, Preview)]
    assert [one.thumbnail for one in pictures] == [b"\xff\xd8 of HF_00001.JPG", b"\xff\xd8 of HF_00002.JPG"]
    assert [one.frame_id for one in pictures] == [frame(n, 10.0).frame_id for n in range(2)]


@pytest.mark.parametrize("takes_s", [0.1, 1.9, 3.5])
def test_no_picture_delays_a_frame(takes_s: float) -> None:
    """However long a picture takes, frames every 1.5 s, then 8 s, open exactly as without pictures."""
    due = [10.0 + 1.5 * n for n in range(10)] + [31.5, 39.5, 47.5]
    reports, device, asked = played(due, takes_s=takes_s)
    assert len(fired(reports)) == len(due)
    assert opened_s(device) == pytest.approx(due, abs=1e-6)
    assert asked
    first, last = asked[0][0], due[9]
    assert first > last  # none among the frames that follow each other


def test_a_slow_camera_is_asked_no_more() -> None:
    """One picture that took over two seconds is the last; so is one that failed, and the camera stays open."""
    _, _, asked = played([10.0, 20.0, 30.0, 40.0], takes_s=2.5)
    assert len(asked) == 1
    fails = CameraFault("no preview", code=-6, exposed=False)
    reports, _, asked = played([10.0, 20.0, 30.0], fails=fails)
    assert len(asked) == 1
    assert len(fired(reports)) == 3
    assert sum(isinstance(report, Opened) for _, report in reports) == 1


def test_a_camera_lost_over_a_picture_comes_back() -> None:
    """A cable that comes out while a picture is fetched loses no frame: the camera is opened again."""
    fails = CameraFault("the camera is off the cable", code=-52, lost=True, exposed=False)
    reports, _, _ = played([10.0, 20.0], fails=fails)
    assert len(fired(reports)) == 2
    assert sum(isinstance(report, Opened) for _, report in reports) == 2


def whole_sun(density: float = 5.0) -> Outlook:
    """A rig that sees the uneclipsed Sun high in the sky, an hour long."""
    row = (0.0,) * 4
    scene = Scene(
        starts_utc_ns=T0, step_s=1200.0, east_arcsec=(4000.0,) * 4, north_arcsec=row,
        sun_radius_arcsec=(950.0,) * 4, moon_radius_arcsec=(980.0,) * 4, sun_altitude_deg=(50.0,) * 4,
        zenith_angle_deg=row,
    )  # fmt: skip
    return Outlook(scene=scene, field_arcsec=(9000.0, 6000.0), filter_density=density)


@pytest.mark.parametrize("driver", ["simulated", "tethered"])
@pytest.mark.parametrize("left_off", [False, True])
def test_pictures_of_real_processes_show_the_filter(driver: str, left_off: bool, tmp_path: Path) -> None:
    """A camera process, simulated or libgphoto2's virtual one, gives a rendered picture that tells "on" from "off"."""
    left = SimFault(kind=SimFaultKind.FILTER_LEFT_OFF, at_utc_ns=T0 - NS_PER_S, for_s=3600.0)
    spec = CameraSpec(
        rig="long",
        driver=driver,  # type: ignore[arg-type]
        virtual_folder=tmp_path / "virtual" if driver == "tethered" else None,
        outlook=whole_sun(),
        faults=(left,) if left_off else (),
    )
    if spec.virtual_folder:
        from controller.cameras.tethered import make_virtual_camera_folder

        make_virtual_camera_folder(spec.virtual_folder)
    epoch = ClockEpoch.pretended(T0)
    process, clock = CameraProcess(spec, epoch), MonotonicClock(epoch)
    try:
        due_s = None
        thumbnail = None
        while thumbnail is None:
            assert clock.now_ns() < T0 + 60 * NS_PER_S, "no picture"
            assert multiprocessing.connection.wait([process.connection], timeout=60), "no word"
            report = process.connection.recv()
            if isinstance(report, Opened) and due_s is None:
                due_s = seconds(clock.now_ns()) + 3.0
                process.send_hand_over(frame(1, due_s, exposure_s=1 / 400, late_s=30.0))
            if isinstance(report, Outcome):
                assert report.state is OutcomeState.FIRED, report
                assert report.captured
                thumbnail = report.captured.thumbnail
            if isinstance(report, Preview):
                thumbnail = report.thumbnail
    finally:
        process.close(timeout_s=5.0)
    assert len(thumbnail) <= 30_000
    found = judge(thumbnail, whole_sun(), T0, exposure_s=1 / 400, f_number=8.0, iso=100, said_on=True)
    assert found.verdict is (Verdict.CONTRADICTS if left_off else Verdict.AGREES)
    assert Image.open(io.BytesIO(thumbnail)).width >= 160


def test_written_pictures_are_rendered_and_say_who_took_them(tmp_path: Path) -> None:
    """The file on the card shows the Sun, with serial, number and the camera's own clock (Exif 2.32, CIPA DC-008)."""
    clock = VirtualClock(T0)
    device = SimulatedDevice(
        SIMULATED_BODY,
        clock,
        folder=tmp_path / "card",
        outlook=whole_sun(),
        serial="HF7",
        clock_error_s=90.25,
    )
    camera = device.open()
    camera.configure(frame(1, 0.0, exposure_s=1 / 500).settings)
    for number in (1, 2):
        camera.release(frame(1, 0.0).settings)
        captured = camera.collect(5.0)
        with Image.open(tmp_path / captured.file_name) as picture:
            exif = picture.getexif()
            detail = exif.get_ifd(0x8769)
            middle = picture.convert("L").getpixel((picture.width // 2, picture.height // 2))
        assert detail[0xA431] == "HF7"
        assert exif[0x9211] == number
        opened = device.taken[-1].opened_ns + round(90.25 * NS_PER_S)
        assert detail[0x9291] == f"{opened // 1_000_000 % 1000:03d}"
        assert isinstance(middle, int)
        assert 100 < middle < 250
        assert captured.thumbnail is not None
        assert len(captured.thumbnail) < 30_000
