"""What every backend behind the `Camera` protocol must do: the simulated one, and libgphoto2's virtual one."""

from __future__ import annotations

from itertools import pairwise

import pytest

from controller.cameras.protocol import Camera, CameraFault, MissReason
from tests.cameras.bench import settings


def test_a_probe_names_the_camera_and_lists_its_speeds(any_camera: Camera) -> None:
    """A probe gives a model, ascending distinct choices and says that the camera is no real one."""
    facts = any_camera.probe()
    assert facts.model
    assert facts.port
    assert facts.simulated
    assert list(facts.shutter_s) == sorted(set(facts.shutter_s))
    assert min(abs(speed - 0.01) for speed in facts.shutter_s) < 1e-9
    assert 8.0 in facts.f_numbers


def test_listed_settings_read_back_as_asked(any_camera: Camera) -> None:
    """What was asked and is listed reads back, and is not among what differs."""
    for exposure_s in (0.01, 1.0, 1 / 8000, 0.05):
        readback = any_camera.configure(settings(exposure_s))
        assert readback.exposure_s == pytest.approx(exposure_s, rel=0.26)  # 0.0001s stands for 1/8000
        assert readback.f_number == 8.0
        assert "exposure" not in readback.differs
        assert "f_number" not in readback.differs
        assert all(readback.words.values())


@pytest.mark.parametrize("exposure_s", [30.0, 0.5, 1 / 30])
def test_an_exposure_that_is_not_listed_is_refused(any_camera: Camera, exposure_s: float) -> None:
    """A speed the camera does not list is refused before anything is set or taken."""
    with pytest.raises(CameraFault) as caught:
        any_camera.configure(settings(exposure_s))
    assert caught.value.reason is MissReason.SETTINGS
    assert caught.value.exposed is False
    assert not caught.value.lost


def test_more_frames_than_one_session_takes_all_get_the_cameras_word(any_camera: Camera) -> None:
    """Sixty frames (the virtual camera takes 26 per session) are each reported as a file."""
    wanted = settings(0.01)
    any_camera.configure(wanted)
    names = []
    for _ in range(60):
        any_camera.release(wanted)
        names.append(any_camera.collect(5.0).file_name)
    assert all(name.upper().endswith(".JPG") for name in names)
    assert all(one != next_one for one, next_one in pairwise(names))
    assert any_camera.configure(wanted).exposure_s == pytest.approx(0.01)


def test_waiting_for_a_frame_never_released_ends_in_a_fault(any_camera: Camera) -> None:
    """Without a release there is no word, and the wait ends."""
    with pytest.raises(CameraFault) as caught:
        any_camera.collect(0.1)
    assert caught.value.exposed is not True


def test_a_status_is_in_range(any_camera: Camera) -> None:
    """Battery and free frames are whole numbers in range, or not told."""
    status = any_camera.status()
    assert status.battery_percent is not None
    assert 0 <= status.battery_percent <= 100
    assert status.frames_left is None or status.frames_left >= 0


def test_a_closed_camera_answers_every_call_with_a_fault(any_camera: Camera) -> None:
    """After close nothing reaches the camera, and closing twice is harmless."""
    any_camera.close()
    any_camera.close()
    for call in (
        any_camera.probe,
        any_camera.status,
        lambda: any_camera.configure(settings()),
        lambda: any_camera.release(settings()),
        lambda: any_camera.collect(0.1),
    ):
        with pytest.raises(CameraFault) as caught:
            call()
        assert caught.value.lost
