"""How many frames fit, against the simulated camera; supplies, worked by hand."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.cameras.clock import VirtualClock
from controller.cameras.protocol import CameraFault, MissReason
from controller.cameras.simulated import SimulatedDevice
from controller.gear.body import SIMULATED_BODY, CameraBody
from controller.gear.classes import CAMERA_CLASSES, Battery
from controller.gear.throughput import (
    COLD_FACTOR,
    battery_use,
    card_frames,
    frames_in,
    lasting_per_s,
    raw_megabytes,
)
from controller.light.stops import NOMINAL_THIRDS_S
from controller.timeline.model import Settings
from tests.gear.skies import T0


def fired_in(body: CameraBody, length_s: float, exposures_s: tuple[float, ...]) -> int:
    """Drive the simulated camera as fast as it goes for so long, and count the exposures that ended in time."""
    clock = VirtualClock(T0)
    device = SimulatedDevice(body, clock)
    camera = device.open()
    number = 0
    camera.configure(Settings(exposure_s=exposures_s[0], f_number=8.0, iso=100))
    first = None
    while first is None or clock.now_ns() < first + length_s * 1e9:
        settings = Settings(exposure_s=exposures_s[number % len(exposures_s)], f_number=8.0, iso=100)
        camera.configure(settings)
        try:
            camera.release(settings)
        except CameraFault as fault:
            if fault.reason is MissReason.CARD:
                break
            if fault.reason is not MissReason.BUFFER:
                raise
            clock.sleep_until_ns(min(device._writes_end_ns))
            continue
        first = device.taken[0].opened_ns
        camera.collect(1000.0)
        number += 1
    return sum(one.ended_ns <= first + length_s * 1e9 for one in device.taken)


CASES = [
    ({}, (1 / 1000,)),
    ({}, (1 / 4000, 1 / 250, 1 / 15, 1.0)),
    ({"frame_gap_s": 0.1, "write_time_s": 0.5, "buffer_frames": 10}, (1 / 1000,)),
    ({"frame_gap_s": 0.1, "write_time_s": 0.5, "buffer_frames": 10}, (1 / 1000, 1 / 60)),
    ({"frame_gap_s": 0.08, "write_time_s": 0.9, "buffer_frames": 30, "setting_time_s": 0.0}, (1 / 2000,)),
    ({"frame_gap_s": 1.0, "write_time_s": 0.2, "buffer_frames": 3, "setting_time_s": 0.4}, (1 / 500, 1.6)),
    ({"frame_gap_s": 0.3, "write_time_s": 2.0, "buffer_frames": 1}, (1 / 125,)),
    ({"frame_gap_s": 0.2, "write_time_s": 0.1, "card_frames": 50}, (1 / 125,)),
    ({"frame_gap_s": 0.05, "release_lag_s": 0.05, "write_time_s": 0.3, "buffer_frames": 100}, (1 / 8000,)),
    ({"frame_gap_s": 0.7}, (30.0,)),
]


def body_with(**more) -> CameraBody:
    """The practice camera with some figures of its own."""
    plain = {name: getattr(SIMULATED_BODY, name) for name in SIMULATED_BODY.__dataclass_fields__}
    return CameraBody(**{**plain, **more})


@pytest.mark.parametrize(("figures", "exposures_s"), CASES)
def test_a_minute_of_the_simulated_camera(figures, exposures_s):
    """In 60 s the simulated camera fires as many frames as the model says, within two."""
    body = body_with(**figures)
    assert frames_in(body, 60.0, exposures_s).frames == pytest.approx(
        fired_in(body, 60.0, exposures_s), abs=2
    )


@given(
    gap_s=st.floats(0.06, 2), setting_s=st.floats(0, 0.5), write_s=st.floats(0.05, 2), buffer=st.integers(1, 60),
    exposures=st.lists(st.sampled_from(NOMINAL_THIRDS_S[:46]), min_size=1, max_size=5),
)  # fmt: skip
def test_any_camera_for_a_minute(gap_s, setting_s, write_s, buffer, exposures):
    """Whatever the camera and the bracket: within two frames of the simulated camera in 60 s."""
    body = body_with(frame_gap_s=gap_s, setting_time_s=setting_s, write_time_s=write_s, buffer_frames=buffer)
    counted = frames_in(body, 60.0, tuple(exposures)).frames
    assert counted == pytest.approx(fired_in(body, 60.0, tuple(exposures)), abs=2)


def test_when_the_buffer_is_full():
    """Ten frames at ten a second, written in half a second each: full after 12 frames, then two a second."""
    body = body_with(frame_gap_s=0.1, setting_time_s=0.0, write_time_s=0.5, buffer_frames=10)
    burst = frames_in(body, 60.0, (1 / 8000,))
    assert burst.buffer_full_s == pytest.approx(1.2, abs=0.11)
    assert burst.lasting_per_s == 2.0
    assert burst.frames == pytest.approx(12 + 2 * 58.8, abs=1.5)
    assert frames_in(body, 1.0, (1 / 8000,)).buffer_full_s is None


def test_what_goes_on_for_ever_is_the_slower_of_camera_and_card():
    """0.5 s a frame by the camera, 0.4 s by the card: two a second; with a slow card 0.8 s: 1.25 a second."""
    fast, slow = body_with(frame_gap_s=0.4), body_with(frame_gap_s=0.4, write_time_s=0.8)
    assert lasting_per_s(fast, (0.1,)) == pytest.approx(2)
    assert lasting_per_s(slow, (0.1,)) == pytest.approx(1.25)
    assert lasting_per_s(fast, (0.1, 0.3)) == pytest.approx(2 / (0.4 + 0.8 + 2 * 0.1))


def test_nothing_fits_in_less_than_an_exposure():
    """A 2 s exposure does not end within a second."""
    assert frames_in(SIMULATED_BODY, 1.0, (2.0,)).frames == 0


@pytest.mark.parametrize("exposures_s", [(), (0.0,)])
def test_no_exposure_is_refused(exposures_s):
    """A burst of nothing, or of no time, is an error of the caller."""
    with pytest.raises(ValueError, match="above zero"):
        frames_in(SIMULATED_BODY, 10.0, exposures_s)


def test_a_card():
    """24 MP at 1.4 bytes a pixel are 33.6 MB; 64 GB less a twentieth hold 1809 of them (worked by hand)."""
    size = CAMERA_CLASSES["full frame 24 MP"].size
    assert raw_megabytes(size) == pytest.approx(33.6)
    assert card_frames(64, size) == 1809


def test_a_battery():
    """3 h at 2 W and 720 frames of 10 J are 8 Wh: half of 16 Wh in the warm, 0.91 of it in frost, and it says so."""
    use = battery_use(Battery(capacity_wh=16, idle_w=2.0, frame_j=10.0), 3 * 3600, 720)
    assert use.warm == pytest.approx(0.5)
    assert use.cold == pytest.approx(0.5 / COLD_FACTOR)
    assert "frost" in use.words
    assert (
        battery_use(Battery(capacity_wh=16, idle_w=1.0, frame_j=1.0), 3600, 1).words
        == "one battery is enough"
    )
    assert "not enough" in battery_use(Battery(capacity_wh=4, idle_w=2.0, frame_j=10.0), 3 * 3600, 1).words


@pytest.mark.parametrize("name", CAMERA_CLASSES)
def test_typical_batteries_last_for_typical_days(name):
    """No class' typical battery is used up by less than two hours of standing by, nor lasts a day and a night."""
    battery = CAMERA_CLASSES[name].battery
    hours = battery.capacity_wh / battery.idle_w
    assert 2 < hours < 24
    assert math.isclose(battery_use(battery, hours * 3600, 0).warm, 1.0)
