"""The simulated camera: its times against the body they come from, its limits, its faults, its pictures."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest
from PIL import Image

from controller.cameras.clock import VirtualClock
from controller.cameras.protocol import CameraFault, MissReason
from controller.cameras.simulated import SimFault, SimFaultKind, SimulatedCamera, SimulatedDevice
from controller.timeline.model import Settings
from tests.cameras.bench import T0, at, seconds, settings

MakeDevice = Callable[..., SimulatedDevice]


def take(camera: SimulatedCamera, wanted: Settings) -> str:
    """Set, release, collect; return the picture's name."""
    camera.configure(wanted)
    camera.release(wanted)
    return camera.collect(wanted.exposure_s + 60).file_name


@pytest.mark.parametrize("speeds", [(0.5, 0.5, 0.5, 0.5), (0.5, 1.0, 1 / 500, 2.0, 0.25)])
def test_frames_back_to_back_open_one_cycle_apart(make_device: MakeDevice, speeds: tuple[float, ...]) -> None:
    """From one opening to the next takes what the body's own sum says, settings changed or not."""
    device = make_device()
    camera = device.open()
    for speed in speeds:
        take(camera, settings(speed))
    opened = [exposure.opened_ns for exposure in device.taken]
    gaps = [(after - before) / 1e9 for before, after in pairwise(opened)]
    expected = [
        device.body.cycle_s(before, settings_change=after != before) for before, after in pairwise(speeds)
    ]
    assert gaps == pytest.approx(expected, abs=1e-6)


def test_the_shutter_opens_one_lag_after_the_command(make_device: MakeDevice, clock: VirtualClock) -> None:
    """Release lag and exposure are kept to the nanosecond; release itself returns at once."""
    device = make_device()
    camera = device.open()
    camera.configure(settings(2.0))
    called = clock.now_ns()
    camera.release(settings(2.0))
    assert clock.now_ns() == called
    (exposure,) = device.taken
    assert exposure.opened_ns == called + 50_000_000
    assert exposure.ended_ns == exposure.opened_ns + 2_000_000_000


def test_the_buffer_fills_and_empties_at_the_cards_rate(make_device: MakeDevice, clock: VirtualClock) -> None:
    """A release with a full buffer is refused unexposed; a frame later written, there is room again."""
    device = make_device(body=replace(make_device().body, buffer_frames=3, frame_gap_s=0.1, write_time_s=2.0))
    camera = device.open()
    for _ in range(3):
        take(camera, settings(0.01))
    assert device.in_buffer(clock.now_ns()) == 3
    camera.configure(settings(0.01))
    with pytest.raises(CameraFault, match="buffer is full") as caught:
        camera.release(settings(0.01))
    assert caught.value.reason is MissReason.BUFFER
    assert caught.value.exposed is False
    clock.sleep_until_ns(device.taken[0].ended_ns + 2_000_000_000)
    take(camera, settings(0.01))
    assert len(device.taken) == 4


def test_the_card_counts_down_and_refuses_when_full(make_device: MakeDevice) -> None:
    """Free frames are reported, and past the last a release is refused unexposed."""
    device = make_device(body=replace(make_device().body, card_frames=2))
    camera = device.open()
    left = [camera.status().frames_left]
    for _ in range(2):
        take(camera, settings())
        left.append(camera.status().frames_left)
    assert left == [2, 1, 0]
    with pytest.raises(CameraFault) as caught:
        take(camera, settings())
    assert caught.value.reason is MissReason.CARD
    assert caught.value.exposed is False


def test_the_battery_runs_down_and_then_the_camera_is_gone(make_device: MakeDevice) -> None:
    """Each frame takes its share; at nothing left the camera is off and cannot be opened."""
    device = make_device(battery_percent=1.0, battery_per_frame=0.5)
    camera = device.open()
    assert camera.status().battery_percent == 1
    take(camera, settings())
    camera.configure(settings())
    camera.release(settings())
    with pytest.raises(CameraFault) as caught:
        camera.collect(5.0)
    assert caught.value.lost
    with pytest.raises(CameraFault):
        device.open()


def test_an_empty_battery_is_changed(make_device: MakeDevice, clock: VirtualClock) -> None:
    """Until so long after it ran flat the camera is gone, and then it is there with a full one."""
    device = make_device(battery_percent=0.5, battery_per_frame=0.5, battery_change_s=30.0)
    camera = device.open()
    camera.configure(settings())
    camera.release(settings())
    flat_ns = device.taken[0].opened_ns
    with pytest.raises(CameraFault):
        camera.collect(5.0)
    clock.sleep_until_ns(flat_ns + 29_900_000_000)
    with pytest.raises(CameraFault):
        device.open()
    clock.sleep_until_ns(flat_ns + 30_100_000_000)
    assert device.open().status().battery_percent == 100
    with pytest.raises(CameraFault):
        camera.status()


def test_a_full_card_is_changed_for_an_empty_one(make_device: MakeDevice, clock: VirtualClock) -> None:
    """The first card takes what is left on it, the next one what the body says."""
    device = make_device(card_left=2, card_change_s=30.0)
    camera = device.open()
    for left in (1, 0):
        take(camera, settings())
        assert camera.status().frames_left == left
    full_ns = device.taken[1].opened_ns
    camera.configure(settings())
    with pytest.raises(CameraFault) as caught:
        camera.release(settings())
    assert caught.value.reason is MissReason.CARD
    clock.sleep_until_ns(full_ns + 30_100_000_000)
    assert camera.status().frames_left == device.body.card_frames
    take(camera, settings())


def test_an_open_shutter_is_not_opened_by_another_connection(make_device: MakeDevice) -> None:
    """HF-S19: a program that died in a long exposure comes back to a camera that is still busy with it."""
    device = make_device()
    first = device.open()
    first.configure(settings(2.0))
    first.release(settings(2.0))
    second = device.open()
    second.configure(settings(2.0))
    with pytest.raises(CameraFault) as caught:
        second.release(settings(2.0))
    assert caught.value.exposed is False
    assert len(device.taken) == 1


def test_a_lost_cable_kills_the_connection_and_comes_back(
    make_device: MakeDevice, clock: VirtualClock
) -> None:
    """While it is out nothing opens; afterwards a new connection works and the old one stays dead."""
    device = make_device(faults=[SimFault(kind=SimFaultKind.LOST, at_utc_ns=at(10), for_s=5.0)])
    camera = device.open()
    take(camera, settings())
    clock.sleep_until_ns(at(11))
    with pytest.raises(CameraFault) as caught:
        camera.release(settings())
    assert caught.value.lost
    with pytest.raises(CameraFault):
        device.open()
    clock.sleep_until_ns(at(15))
    with pytest.raises(CameraFault):
        camera.status()
    take(device.open(), settings())


def test_a_cable_lost_during_an_exposure_leaves_it_open(make_device: MakeDevice, clock: VirtualClock) -> None:
    """The wait ends the moment the cable is out, and nobody knows of the picture."""
    device = make_device(faults=[SimFault(kind=SimFaultKind.LOST, at_utc_ns=at(1.0), for_s=5.0)])
    camera = device.open()
    camera.configure(settings(4.0))
    camera.release(settings(4.0))
    with pytest.raises(CameraFault) as caught:
        camera.collect(10.0)
    assert (caught.value.lost, caught.value.exposed) == (True, None)
    assert seconds(clock.now_ns()) == pytest.approx(1.0)


def test_a_busy_camera_takes_nothing_for_a_while(make_device: MakeDevice, clock: VirtualClock) -> None:
    """Busy: settings are refused unexposed, a release leaves it open; then all is well."""
    device = make_device(faults=[SimFault(kind=SimFaultKind.BUSY, at_utc_ns=at(5), for_s=1.0)])
    camera = device.open()
    camera.configure(settings())
    clock.sleep_until_ns(at(5.5))
    for call, exposed in ((camera.configure, False), (camera.release, None)):
        with pytest.raises(CameraFault) as caught:
            call(settings())
        assert (caught.value.code, caught.value.exposed) == (-110, exposed)
    clock.sleep_until_ns(at(6))
    take(camera, settings())
    assert len(device.taken) == 1


def test_a_snapped_setting_reads_back_one_stop_off(make_device: MakeDevice) -> None:
    """The picture is taken as snapped, and the readback names it."""
    device = make_device(faults=[SimFault(kind=SimFaultKind.SNAP, at_utc_ns=T0, for_s=9.0)])
    camera = device.open()
    readback = camera.configure(settings(1 / 60))
    assert readback.differs == ("exposure",)
    assert readback.exposure_s == pytest.approx(1 / 125)
    camera.release(settings(1 / 60))
    assert device.taken[0].settings.exposure_s == pytest.approx(1 / 125)


def test_a_missing_word_ends_in_a_time_out(make_device: MakeDevice, clock: VirtualClock) -> None:
    """The picture exists, the camera says nothing, the wait lasts as long as was allowed."""
    device = make_device(faults=[SimFault(kind=SimFaultKind.NO_WORD, after_frames=1, for_s=1.0)])
    camera = device.open()
    take(camera, settings())
    camera.release(settings())
    began = clock.now_ns()
    with pytest.raises(CameraFault, match="no word") as caught:
        camera.collect(4.0)
    assert caught.value.exposed is None
    assert (clock.now_ns() - began) / 1e9 == pytest.approx(4.0)
    take(camera, settings())
    assert len(device.taken) == 3


def test_a_full_card_on_demand_and_a_changed_one(make_device: MakeDevice, clock: VirtualClock) -> None:
    """The fault overrules the count, and ends."""
    device = make_device(faults=[SimFault(kind=SimFaultKind.CARD_FULL, after_frames=0, for_s=10.0)])
    camera = device.open()
    assert camera.status().frames_left == 0
    with pytest.raises(CameraFault) as caught:
        take(camera, settings())
    assert caught.value.reason is MissReason.CARD
    clock.sleep_until_ns(at(10))
    take(camera, settings())


def test_a_slow_card_fills_the_buffer(make_device: MakeDevice) -> None:
    """Eight times the writing time: the same frames that went before fill the buffer now."""

    def frames_before_refusal(faults: list[SimFault]) -> int:
        body = replace(make_device().body, buffer_frames=5, write_time_s=0.4, frame_gap_s=0.5)
        device = make_device(body=body, faults=faults)
        camera = device.open()
        for number in range(40):
            try:
                take(camera, settings())
            except CameraFault:
                return number
        return 40

    assert frames_before_refusal([]) == 40
    slow = SimFault(kind=SimFaultKind.SLOW_WRITE, at_utc_ns=T0)
    assert 5 <= frames_before_refusal([slow]) < 12


def test_a_hang_blocks_one_call_until_it_is_over(make_device: MakeDevice, clock: VirtualClock) -> None:
    """The call returns after the hang, once; the shutter of a hanging release opened in time."""
    device = make_device(faults=[SimFault(kind=SimFaultKind.HANG, at_utc_ns=at(5), for_s=60.0)])
    camera = device.open()
    camera.configure(settings())
    clock.sleep_until_ns(at(6))
    camera.release(settings())
    assert seconds(clock.now_ns()) == pytest.approx(65)
    assert seconds(device.taken[0].opened_ns) == pytest.approx(6.05)
    camera.collect(5.0)
    assert seconds(clock.now_ns()) == pytest.approx(65)


def test_a_fresh_process_does_not_inherit_a_hang(clock: VirtualClock, make_device: MakeDevice) -> None:
    """A hang that had begun before the body was made is over for it: its process was replaced."""
    clock.sleep_until_ns(at(10))
    device = make_device(faults=[SimFault(kind=SimFaultKind.HANG, at_utc_ns=at(5), for_s=60.0)])
    take(device.open(), settings())
    assert seconds(clock.now_ns()) < 12


def test_a_fault_needs_one_beginning() -> None:
    """Neither and both ways to begin are refused."""
    with pytest.raises(ValueError, match="exactly one"):
        SimFault(kind=SimFaultKind.LOST)
    with pytest.raises(ValueError, match="exactly one"):
        SimFault(kind=SimFaultKind.LOST, at_utc_ns=T0, after_frames=1)


def test_the_same_seed_repeats_the_same_day(make_device: MakeDevice) -> None:
    """Jitter is decided by the seed alone, and is there."""

    def openings(seed: int) -> list[int]:
        device = SimulatedDevice(make_device().body, VirtualClock(T0), seed=seed, lag_jitter_s=0.005)
        camera = device.open()
        for _ in range(5):
            take(camera, settings())
        return [exposure.opened_ns for exposure in device.taken]

    assert openings(7) == openings(7)
    assert openings(7) != openings(8)


def test_pictures_carry_their_exposure_in_their_exif(make_device: MakeDevice, tmp_path: Path) -> None:
    """Another library reads the opening's time (by the camera's own clock), exposure, aperture, ISO, model."""
    device = make_device(folder=tmp_path / "card", model="Lark 7", clock_error_s=-2.5)
    name = take(device.open(), Settings(exposure_s=1 / 500, f_number=5.6, iso=400))
    with Image.open(tmp_path / name) as picture:
        assert picture.size == (96, 64)
        exif = picture.getexif()
        detail = exif.get_ifd(0x8769)  # Exif IFD; tag numbers: Exif 2.32, CIPA DC-008
    assert exif[0x0110] == "Lark 7"
    assert float(detail[0x829A]) == pytest.approx(1 / 500)
    assert float(detail[0x829D]) == pytest.approx(5.6)
    assert detail[0x8827] == 400
    taken = dt.datetime.strptime(detail[0x9003] + detail[0x9291], "%Y:%m:%d %H:%M:%S%f").replace(
        tzinfo=dt.UTC
    )
    opened = device.taken[0].opened_ns / 1e9 - 2.5
    assert taken.timestamp() == pytest.approx(opened, abs=0.0011)


def test_numbering_goes_on_after_a_restart(make_device: MakeDevice, tmp_path: Path) -> None:
    """A picture that is there is never written over."""
    first = take(make_device(folder=tmp_path).open(), settings())
    second = take(make_device(folder=tmp_path).open(), settings(0.5))
    assert [Path(first).name, Path(second).name] == ["HF_00001.JPG", "HF_00002.JPG"]
    assert len(list(tmp_path.iterdir())) == 2


def test_a_picture_that_cannot_be_written_is_a_fault(make_device: MakeDevice, tmp_path: Path) -> None:
    """A folder that vanished gives a camera fault, not a crash."""
    device = make_device(folder=tmp_path / "card")
    (tmp_path / "card").rmdir()
    with pytest.raises(CameraFault, match="could not be written") as caught:
        take(device.open(), settings())
    assert caught.value.exposed is True
