"""The worker in virtual time: when it fires, when it does not, and that every frame is answered for once."""

from __future__ import annotations

import itertools
import random
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from controller.cameras.clock import VirtualClock
from controller.cameras.protocol import (
    Camera,
    CameraFault,
    CameraStatus,
    Captured,
    MissReason,
    Outcome,
    OutcomeState,
)
from controller.cameras.simulated import SimFault, SimFaultKind, SimulatedCamera, SimulatedDevice
from controller.cameras.worker import (
    Call,
    CallKind,
    CameraWorker,
    Lost,
    Opened,
    Preview,
    StatusReport,
    WaitUntil,
)
from controller.errors import CameraError
from controller.gear.body import SIMULATED_BODY
from controller.timeline.model import Frame, Settings
from controller.units import NS_PER_S
from tests.cameras.bench import T0, Message, at, drive, fired, frame, outcomes, seconds

MakeDevice = Callable[..., SimulatedDevice]
LAG_S = 0.05


def worker_for(device: SimulatedDevice, clock: VirtualClock, **options: float) -> CameraWorker:
    """A worker whose measured lag is the body's own."""
    return CameraWorker(device.open, clock, release_lag_s=LAG_S, **options)


def hand_over(frame: Frame, when: float = 0.0) -> Message:
    """A message: this frame, at that second."""
    return (when, lambda worker: worker.hand_over(frame))


def withdraw(ids: list[str] | None, reason: MissReason, when: float) -> Message:
    """A message: take these back, at that second."""
    return (when, lambda worker: worker.withdraw(ids, reason))


def opened_s(device: SimulatedDevice) -> list[float]:
    """The seconds at which the shutter opened."""
    return [seconds(exposure.opened_ns) for exposure in device.taken]


def test_frames_open_at_their_due_instants(make_device: MakeDevice, clock: VirtualClock) -> None:
    """The shutter opens at the due instant, one release lag after the command, however frames are handed over."""
    device = make_device()
    frames = [frame("c", 8.0, exposure_s=0.5), frame("a", 3.0), frame("b", 5.0, exposure_s=1.0)]
    reports = drive(worker_for(device, clock), clock, 20, [hand_over(each) for each in frames])
    assert fired(reports) == ["a", "b", "c"]
    assert opened_s(device) == pytest.approx([3.0, 5.0, 8.0], abs=1e-9)
    for outcome in outcomes(reports).values():
        due = next(each.due_utc_ns for each in frames if each.frame_id == outcome.frame_id)
        assert outcome.released_utc_ns == due
        assert outcome.captured is not None
        assert outcome.readback is not None
        assert outcome.reason is None


def test_back_to_back_frames_keep_their_time_at_the_bodys_own_pace(
    make_device: MakeDevice, clock: VirtualClock
) -> None:
    """Frames planned exactly one cycle apart are all in time: no slip adds up."""
    device = make_device()
    due, frames = 5.0, []
    for number, exposure_s in enumerate([1 / 500, 0.5, 1 / 60, 2.0, 1 / 500, 0.5, 1 / 60, 2.0]):
        frames.append(frame(f"{number}", due, exposure_s=exposure_s, late_s=0.0))
        due += device.body.cycle_s(exposure_s, settings_change=True)
    reports = drive(worker_for(device, clock), clock, 60, [hand_over(each) for each in frames])
    assert len(fired(reports)) == len(frames)
    assert opened_s(device) == pytest.approx([seconds(each.due_utc_ns) for each in frames], abs=1e-6)


def test_the_first_report_is_the_opened_camera(make_device: MakeDevice, clock: VirtualClock) -> None:
    """The camera is opened and probed before anything else."""
    reports = drive(worker_for(make_device(), clock), clock, 1)
    assert isinstance(reports[0][1], Opened)
    assert reports[0][1].facts.simulated


def test_a_frame_past_its_deadline_is_missed_never_fired(
    make_device: MakeDevice, clock: VirtualClock
) -> None:
    """A frame overtaken by a long exposure is missed late; the one after it fires in time."""
    device = make_device()
    frames = [frame("long", 5.0, exposure_s=4.0), frame("overtaken", 7.0), frame("after", 12.0)]
    reports = drive(worker_for(device, clock), clock, 20, [hand_over(each) for each in frames])
    assert fired(reports) == ["long", "after"]
    missed = outcomes(reports)["overtaken"]
    assert (missed.state, missed.reason) == (OutcomeState.MISSED, MissReason.LATE)
    assert missed.released_utc_ns is None
    assert len(device.taken) == 2


def test_a_frame_within_its_late_limit_fires_late(make_device: MakeDevice, clock: VirtualClock) -> None:
    """A frame that can still open before its deadline is released at once, and says when."""
    device = make_device()
    frames = [frame("first", 5.0, exposure_s=1.0), frame("second", 6.3)]
    reports = drive(worker_for(device, clock), clock, 20, [hand_over(each) for each in frames])
    assert fired(reports) == ["first", "second"]
    assert 6.3 < opened_s(device)[1] <= 6.8
    assert outcomes(reports)["second"].released_utc_ns == device.taken[1].opened_ns


def test_a_frame_handed_over_after_its_deadline_is_missed(
    make_device: MakeDevice, clock: VirtualClock
) -> None:
    """Late is late, from whatever cause."""
    device = make_device()
    reports = drive(worker_for(device, clock), clock, 9, [hand_over(frame("a", 2.0), when=4.0)])
    assert outcomes(reports)["a"].reason is MissReason.LATE
    assert device.taken == []


@pytest.mark.parametrize("when", [0.5, 4.5, 4.949])
def test_a_withdrawn_frame_is_not_released(make_device: MakeDevice, clock: VirtualClock, when: float) -> None:
    """A withdrawal up to the last moment before the release keeps the shutter closed."""
    device = make_device()
    messages = [hand_over(frame("a", 5.0)), hand_over(frame("b", 7.0))]
    messages.append(withdraw(["a"], MissReason.HELD, when))
    reports = drive(worker_for(device, clock), clock, 20, messages)
    assert fired(reports) == ["b"]
    held = outcomes(reports)["a"]
    assert (held.state, held.reason) == (OutcomeState.MISSED, MissReason.HELD)


def test_a_withdrawal_during_a_call_is_seen_before_the_next_release(
    make_device: MakeDevice, clock: VirtualClock
) -> None:
    """A word that comes while an exposure runs stops the frame that would follow at once."""
    device = make_device()
    messages = [hand_over(frame("a", 5.0, exposure_s=2.0)), hand_over(frame("b", 7.5))]
    messages.append(withdraw(None, MissReason.HELD, 6.0))
    reports = drive(worker_for(device, clock), clock, 20, messages)
    assert fired(reports) == ["a"]
    assert outcomes(reports)["b"].reason is MissReason.HELD


def test_a_withdrawal_during_setting_up_is_seen_before_the_release(
    make_device: MakeDevice, clock: VirtualClock
) -> None:
    """Settings that take past the due instant do not carry the frame past a withdrawal."""
    device = make_device(body=replace(make_device().body, setting_time_s=1.2))
    messages = [hand_over(frame("a", 5.0)), withdraw(["a"], MissReason.PAUSED, 5.05)]
    reports = drive(worker_for(device, clock), clock, 20, messages)
    assert outcomes(reports)["a"].reason is MissReason.PAUSED
    assert device.taken == []


def test_a_withdrawal_after_the_release_changes_nothing(make_device: MakeDevice, clock: VirtualClock) -> None:
    """A frame that has been released reports how it ended, once."""
    messages = [hand_over(frame("a", 5.0, exposure_s=1.0)), withdraw(["a"], MissReason.HELD, 5.5)]
    reports = drive(worker_for(make_device(), clock), clock, 20, messages)
    assert fired(reports) == ["a"]


@pytest.mark.parametrize(("ends_by_s", "fires"), [(21.0, True), (20.999, False)])
def test_fifteen_seconds_count_as_sixteen(
    make_device: MakeDevice, clock: VirtualClock, ends_by_s: float, fires: bool
) -> None:
    """HF-S03: an exposure is taken to last the power of two that its name stands for (ISO 516)."""
    device = make_device()
    one = frame("a", 5.0, exposure_s=15.0, ends_by_s=ends_by_s)
    reports = drive(worker_for(device, clock), clock, 40, [hand_over(one)])
    assert len(device.taken) == int(fires)
    assert (outcomes(reports)["a"].reason is MissReason.WINDOW) is not fires


@pytest.mark.parametrize(("ends_by_s", "fires"), [(7.0, True), (6.999, False)])
def test_an_exposure_must_end_inside_its_window(
    make_device: MakeDevice, clock: VirtualClock, ends_by_s: float, fires: bool
) -> None:
    """An exposure that would end a millisecond too late is not begun."""
    device = make_device()
    one = frame("a", 5.0, exposure_s=2.0, ends_by_s=ends_by_s)
    reports = drive(worker_for(device, clock), clock, 20, [hand_over(one)])
    assert len(device.taken) == int(fires)
    if not fires:
        assert outcomes(reports)["a"].reason is MissReason.WINDOW
        assert "0.001 s after" in outcomes(reports)["a"].detail


def test_a_late_release_that_would_overrun_the_window_is_not_made(
    make_device: MakeDevice, clock: VirtualClock
) -> None:
    """In time by its deadline, but too late for its window: the window rules."""
    device = make_device()
    frames = [
        frame("first", 5.0, exposure_s=1.0),
        frame("second", 6.3, exposure_s=1.0, ends_by_s=7.35),
    ]
    reports = drive(worker_for(device, clock), clock, 20, [hand_over(each) for each in frames])
    assert outcomes(reports)["second"].reason is MissReason.WINDOW
    assert len(device.taken) == 1


class Snapping(SimulatedCamera):
    """A camera that reads back eight times the exposure asked."""

    def configure(self, settings):
        readback = super().configure(settings)
        return replace(readback, exposure_s=readback.exposure_s * 8, differs=("exposure",))


@pytest.mark.parametrize(("ends_by_s", "fires"), [(14.0, True), (6.5, False)])
def test_an_exposure_that_snapped_longer_is_judged_by_what_it_is(
    make_device: MakeDevice, clock: VirtualClock, ends_by_s: float, fires: bool
) -> None:
    """A wrong picture is better than none, but not outside the window."""
    device = make_device()
    worker = CameraWorker(lambda: Snapping(device), clock, release_lag_s=LAG_S)
    reports = drive(worker, clock, 30, [hand_over(frame("a", 5.0, exposure_s=1.0, ends_by_s=ends_by_s))])
    outcome = outcomes(reports)["a"]
    assert outcome.readback is not None
    assert outcome.readback.differs == ("exposure",)
    assert (outcome.state is OutcomeState.FIRED) is fires
    assert (outcome.reason is MissReason.WINDOW) is not fires


def test_settings_not_accepted_are_missed_and_the_next_frame_goes_on(
    make_device: MakeDevice, clock: VirtualClock
) -> None:
    """An unlisted speed loses its own frame only, and is reported before its time."""
    device = make_device()
    frames = [frame("bad", 5.0, exposure_s=300.0), frame("good", 5.5)]
    reports = drive(worker_for(device, clock), clock, 20, [hand_over(each) for each in frames])
    assert fired(reports) == ["good"]
    bad = outcomes(reports)["bad"]
    assert bad.reason is MissReason.SETTINGS
    assert seconds(bad.at_utc_ns) < 5.0


def test_a_moved_frame_replaces_the_one_that_waits(make_device: MakeDevice, clock: VirtualClock) -> None:
    """The same frame handed over again with another time fires once, at the new time."""
    device = make_device()
    messages = [hand_over(frame("a", 5.0)), hand_over(frame("a", 9.0), when=4.5)]
    reports = drive(worker_for(device, clock), clock, 20, messages)
    assert fired(reports) == ["a"]
    assert opened_s(device) == pytest.approx([9.0])


def test_a_frame_once_released_is_never_released_again(make_device: MakeDevice, clock: VirtualClock) -> None:
    """Handing over a frame that has fired, or may have, does nothing."""
    device = make_device(faults=[SimFault(kind=SimFaultKind.NO_WORD, at_utc_ns=at(6.5), for_s=1.0)])
    messages = [hand_over(frame("a", 5.0)), hand_over(frame("b", 7.0))]
    messages += [hand_over(frame("a", 20.0), when=15.0), hand_over(frame("b", 21.0), when=15.0)]
    reports = drive(worker_for(device, clock), clock, 30, messages)
    assert len(device.taken) == 2
    assert outcomes(reports)["b"].state is OutcomeState.FAILED


def test_close_answers_for_what_still_waits(make_device: MakeDevice, clock: VirtualClock) -> None:
    """At the end every frame left is missed: stopped."""
    reports = drive(worker_for(make_device(), clock), clock, 3, [hand_over(frame("a", 5.0))])
    assert outcomes(reports)["a"].reason is MissReason.STOPPED


def test_a_generator_that_is_dropped_closes_its_camera(make_device: MakeDevice, clock: VirtualClock) -> None:
    """Whatever ends the worker, the camera is let go."""
    device = make_device()
    opened: list[SimulatedCamera] = []

    def opener() -> SimulatedCamera:
        opened.append(device.open())
        return opened[-1]

    steps = CameraWorker(opener, clock, release_lag_s=LAG_S).run()
    assert isinstance(next(steps), Opened)
    steps.close()
    with pytest.raises(CameraFault):
        opened[0].status()


def test_lost_between_frames_and_back_in_time(make_device: MakeDevice, clock: VirtualClock) -> None:
    """A cable out for a moment is said, the camera opened again, and nothing is missed."""
    device = make_device(faults=[SimFault(kind=SimFaultKind.LOST, at_utc_ns=at(12.0), for_s=3.0)])
    messages = [hand_over(frame("a", 5.0)), hand_over(frame("b", 25.0))]
    reports = drive(worker_for(device, clock, status_every_s=1.0), clock, 30, messages)
    assert fired(reports) == ["a", "b"]
    kinds = [(when, type(report)) for when, report in reports if isinstance(report, Lost | Opened)]
    assert [kind for _, kind in kinds] == [Opened, Lost, Lost, Opened]
    assert 12.0 <= kinds[1][0] < 14.0
    assert 15.0 <= kinds[3][0] < 17.5


def test_lost_during_an_exposure(make_device: MakeDevice, clock: VirtualClock) -> None:
    """The frame failed, frames in the meantime are missed for want of a camera, and the rest fires."""
    device = make_device(faults=[SimFault(kind=SimFaultKind.LOST, at_utc_ns=at(5.5), for_s=4.0)])
    frames = [frame("a", 5.0, exposure_s=2.0), frame("b", 8.0), frame("c", 20.0)]
    reports = drive(worker_for(device, clock), clock, 30, [hand_over(each) for each in frames])
    found = outcomes(reports)
    assert (found["a"].state, found["a"].camera_lost) == (OutcomeState.FAILED, True)
    assert (found["b"].state, found["b"].reason) == (OutcomeState.MISSED, MissReason.CAMERA)
    assert 8.4 < seconds(found["b"].at_utc_ns) < 8.6
    assert found["c"].state is OutcomeState.FIRED
    assert fired(reports) == ["c"]


def test_lost_at_the_release_without_an_exposure(make_device: MakeDevice, clock: VirtualClock) -> None:
    """A frame that is certain not to have been exposed is missed, not failed."""
    device = make_device(faults=[SimFault(kind=SimFaultKind.LOST, at_utc_ns=at(4.9), for_s=1.0)])
    reports = drive(worker_for(device, clock), clock, 20, [hand_over(frame("a", 5.0))])
    outcome = outcomes(reports)["a"]
    assert (outcome.state, outcome.reason) == (OutcomeState.MISSED, MissReason.CAMERA)
    assert outcome.camera_lost
    assert device.taken == []


def test_lost_while_setting_up_the_frame_waits_for_the_camera(
    make_device: MakeDevice, clock: VirtualClock
) -> None:
    """A frame not yet released may still be fired when the camera is back before its deadline."""
    device = make_device(faults=[SimFault(kind=SimFaultKind.LOST, at_utc_ns=at(3.8), for_s=0.5)])
    reports = drive(worker_for(device, clock), clock, 20, [hand_over(frame("a", 5.0))])
    assert fired(reports) == ["a"]
    assert opened_s(device) == pytest.approx([5.0])


def test_a_camera_that_never_opens_is_tried_with_bounded_pauses(clock: VirtualClock) -> None:
    """Each frame is missed in its own time, the loss is said once, and attempts stay few."""
    attempts: list[float] = []

    def opener() -> SimulatedCamera:
        attempts.append(seconds(clock.now_ns()))
        raise CameraError("no camera is attached")

    worker = CameraWorker(opener, clock, release_lag_s=LAG_S)
    reports = drive(worker, clock, 60, [hand_over(frame("a", 5.0)), hand_over(frame("b", 30.0))])
    assert [report for _, report in reports if isinstance(report, Lost)] == [Lost("no camera is attached")]
    found = outcomes(reports)
    assert {each.reason for each in found.values()} == {MissReason.CAMERA}
    assert seconds(found["a"].at_utc_ns) == pytest.approx(5.45, abs=0.02)
    gaps = [after - before for before, after in itertools.pairwise(attempts)]
    assert max(gaps) == pytest.approx(5.0)
    assert gaps[:4] == pytest.approx([0.0, 0.2, 0.5, 1.0])


class DeadOnArrival(SimulatedCamera):
    """Opens well, and is lost at the first setting."""

    def configure(self, settings):
        raise CameraFault("gone", code=-52, lost=True, exposed=False)


def test_a_camera_that_opens_and_dies_again_does_not_spin(
    make_device: MakeDevice, clock: VirtualClock
) -> None:
    """A connection that never lasts is retried with ever longer pauses."""
    opened: list[float] = []

    def opener() -> DeadOnArrival:
        opened.append(seconds(clock.now_ns()))
        return DeadOnArrival(make_device())

    worker = CameraWorker(opener, clock, release_lag_s=LAG_S)
    reports = drive(worker, clock, 60, [hand_over(frame("a", 30.0, late_s=5.0))])
    assert outcomes(reports)["a"].reason is MissReason.CAMERA
    assert len(opened) < 12


def test_busy_while_setting_up_is_tried_again(make_device: MakeDevice, clock: VirtualClock) -> None:
    """Settings can be made again without harm: a short stretch of busy loses nothing."""
    device = make_device(faults=[SimFault(kind=SimFaultKind.BUSY, at_utc_ns=at(3.0), for_s=1.5)])
    reports = drive(worker_for(device, clock), clock, 20, [hand_over(frame("a", 5.0))])
    assert fired(reports) == ["a"]
    assert opened_s(device) == pytest.approx([5.0])


def test_busy_past_the_deadline_is_a_missed_frame_with_its_cause(
    make_device: MakeDevice, clock: VirtualClock
) -> None:
    """The reason is the camera's, not lateness."""
    device = make_device(faults=[SimFault(kind=SimFaultKind.BUSY, at_utc_ns=at(3.0), for_s=5.0)])
    reports = drive(
        worker_for(device, clock), clock, 20, [hand_over(frame("a", 5.0)), hand_over(frame("b", 12.0))]
    )
    outcome = outcomes(reports)["a"]
    assert (outcome.state, outcome.reason, outcome.code) == (OutcomeState.MISSED, MissReason.CAMERA, -110)
    assert fired(reports) == ["b"]


def test_busy_at_the_release_is_failed_and_never_tried_again(
    make_device: MakeDevice, clock: VirtualClock
) -> None:
    """The camera said busy: a picture may exist, so the frame is not fired a second time."""
    device = make_device(faults=[SimFault(kind=SimFaultKind.BUSY, at_utc_ns=at(4.5), for_s=0.5)])
    reports = drive(worker_for(device, clock), clock, 20, [hand_over(frame("a", 5.0, late_s=3.0))])
    outcome = outcomes(reports)["a"]
    assert (outcome.state, outcome.code) == (OutcomeState.FAILED, -110)
    assert device.taken == []


def test_a_full_buffer_and_a_full_card_are_missed_by_name(
    make_device: MakeDevice, clock: VirtualClock
) -> None:
    """The reason says what to change."""
    device = make_device(body=replace(make_device().body, buffer_frames=1, write_time_s=3.0, card_frames=2))
    frames = [frame(name, due) for name, due in (("a", 5.0), ("b", 6.5), ("c", 10.0), ("d", 15.0))]
    reports = drive(worker_for(device, clock), clock, 20, [hand_over(each) for each in frames])
    found = outcomes(reports)
    assert fired(reports) == ["a", "c"]
    assert found["b"].reason is MissReason.BUFFER
    assert found["d"].reason is MissReason.CARD


def test_three_failed_frames_in_a_row_open_the_camera_anew(
    make_device: MakeDevice, clock: VirtualClock
) -> None:
    """A connection that answers but gives no pictures is not trusted for ever."""
    device = make_device(faults=[SimFault(kind=SimFaultKind.NO_WORD, at_utc_ns=at(4.0), for_s=26.0)])
    frames = [frame(f"{number}", 5.0 + 8 * number) for number in range(5)]
    reports = drive(worker_for(device, clock), clock, 60, [hand_over(each) for each in frames])
    lost = [report for _, report in reports if isinstance(report, Lost)]
    assert len(lost) == 1
    assert "3 frames in a row" in lost[0].detail
    assert [report for _, report in reports if isinstance(report, Opened)][1:] != []
    assert fired(reports) == ["4"]


def test_a_frame_is_answered_for_before_its_camera_is_let_go_of(
    make_device: MakeDevice, clock: VirtualClock
) -> None:
    """A camera that fails in an exposure may hang when it is let go of: that the frame may exist is told before."""
    device = make_device(faults=[SimFault(kind=SimFaultKind.LOST, at_utc_ns=at(5.5), for_s=4.0)])
    told: list[Outcome] = []
    told_at_closing: list[int] = []

    def note(call: Call | None) -> None:
        if call is not None and call.kind is CallKind.CLOSING:
            told_at_closing.append(len(told))

    worker = CameraWorker(device.open, clock, release_lag_s=LAG_S, on_call=note)
    worker.hand_over(frame("a", 5.0, exposure_s=2.0))
    for step in worker.run():
        if isinstance(step, Outcome):
            told.append(step)
        if isinstance(step, WaitUntil):
            clock.sleep_until_ns(min(step.instant_ns, at(20)))
            if clock.now_ns() >= at(20):
                worker.close()
    assert [outcome.state for outcome in told] == [OutcomeState.FAILED]
    assert told_at_closing[0] == 1


def test_a_hang_costs_the_frames_it_covers_and_no_more(make_device: MakeDevice, clock: VirtualClock) -> None:
    """After a call that hung, frames past their deadline are missed late, and nothing is fired to catch up."""
    device = make_device(faults=[SimFault(kind=SimFaultKind.HANG, at_utc_ns=at(5.2), for_s=10.0)])
    frames = [frame(f"{number}", 5.0 + 2.5 * number, exposure_s=0.5) for number in range(8)]
    reports = drive(worker_for(device, clock), clock, 60, [hand_over(each) for each in frames])
    found = outcomes(reports)
    assert len(found) == 8
    missed = [name for name, outcome in found.items() if outcome.reason is MissReason.LATE]
    assert missed == ["2", "3"]
    assert fired(reports) == ["0", "1", "4", "5", "6", "7"]
    assert opened_s(device) == pytest.approx([5.0, 7.5, 15.25, 17.5, 20.0, 22.5], abs=0.001)


def test_an_idle_camera_is_asked_for_its_status_but_not_before_a_frame(
    make_device: MakeDevice, clock: VirtualClock
) -> None:
    """About every ten seconds when idle, after a frame when there is room, never within 2 s of setting up."""
    device = make_device()
    messages = [hand_over(each) for each in (frame("a", 41.0), frame("b", 42.5), frame("c", 60.0))]
    reports = drive(worker_for(device, clock), clock, 80, messages)
    asked = [when for when, report in reports if isinstance(report, StatusReport)]
    assert asked[:3] == pytest.approx([10.0, 20.0, 30.0])
    assert not [when for when in asked if 38.0 < when < 42.5 or 57.0 < when < 60.0]
    assert [when for when in asked if 42.5 < when < 44.0]


def test_a_status_shows_what_is_left(make_device: MakeDevice, clock: VirtualClock) -> None:
    """Free frames go down by what was taken."""
    reports = drive(worker_for(make_device(), clock), clock, 20, [hand_over(frame("a", 5.0))])
    statuses = [report.status for _, report in reports if isinstance(report, StatusReport)]
    assert statuses
    assert statuses[-1] == CameraStatus(battery_percent=100, frames_left=999)


class Shows:
    """A camera that gives a small picture only when asked, and takes 1.5 s over it."""

    def __init__(self, camera: Camera, clock: VirtualClock, asked_s: list[float]) -> None:
        self._camera, self._clock, self._asked_s = camera, clock, asked_s

    def __getattr__(self, name: str) -> Any:
        return getattr(self._camera, name)

    def collect(self, timeout_s: float) -> Captured:
        """Give no small picture with the word."""
        return replace(self._camera.collect(timeout_s), thumbnail=None)

    def preview(self, file_name: str) -> bytes | None:
        """Give one."""
        self._asked_s.append(seconds(self._clock.now_ns()))
        self._clock.sleep_until_ns(self._clock.now_ns() + 3 * NS_PER_S // 2)
        return file_name.encode()


class Darkens(Shows):
    """A camera that makes a dark exposure after each long one, and names the picture after that."""

    _dark_ns = 0

    def collect(self, timeout_s: float) -> Captured:
        """Give the word, unless that takes too long."""
        began = self._clock.now_ns()
        captured = self._camera.collect(timeout_s)
        word_ns = self._clock.now_ns() + self._dark_ns + 2 * NS_PER_S  # it takes time to write
        self._clock.sleep_until_ns(min(word_ns, began + round(timeout_s * NS_PER_S)))
        if self._clock.now_ns() < word_ns:
            raise CameraFault(f"no word of a picture within {timeout_s:.1f} s", exposed=None)
        return captured

    def release(self, settings: Settings) -> None:
        """Open the shutter."""
        self._camera.release(settings)
        self._dark_ns = settings.longest_exposure_ns


@pytest.mark.parametrize("exposure_s", [1.0, 4.0, 15.0])
def test_a_dark_exposure_after_a_long_one_is_waited_for(
    make_device: MakeDevice, clock: VirtualClock, exposure_s: float
) -> None:
    """A healthy camera with noise reduction on has its time, and is in no call that counts as hung."""
    device = make_device(body=replace(SIMULATED_BODY, shutter_s=(exposure_s,), write_time_s=2.0))
    calls: list[Call] = []
    back_ns: list[int] = []

    def note(call: Call | None) -> None:
        if call is not None:
            calls.append(call)
        else:
            back_ns.append(clock.now_ns())

    worker = CameraWorker(lambda: Darkens(device.open(), clock, []), clock, release_lag_s=LAG_S, on_call=note)
    reports = drive(worker, clock, 60, [hand_over(frame("a", 5.0, exposure_s=exposure_s))])
    assert fired(reports) == ["a"]
    assert all(back <= call.until_ns for call, back in zip(calls, back_ns, strict=True))


def test_no_small_picture_is_in_the_way_of_a_frame_that_is_planned(
    make_device: MakeDevice, clock: VirtualClock
) -> None:
    """HF-S19: frames come to the worker two seconds ahead; it keeps clear of those that the plan alone knows of."""
    due = (5.0, 9.5, 20.0)
    frames = [frame(f"{number}", second) for number, second in enumerate(due)]
    asked_s: list[float] = []
    device = make_device()

    worker = CameraWorker(
        lambda: Shows(device.open(), clock, asked_s), clock, release_lag_s=LAG_S,
        planned_utc_ns=[one.due_utc_ns for one in frames],
    )  # fmt: skip
    ahead = [hand_over(one, second - 2) for one, second in zip(frames, due, strict=True)]
    reports = drive(worker, clock, 40, ahead)
    assert fired(reports) == ["0", "1", "2"]
    assert opened_s(device) == pytest.approx(due, abs=1e-6)
    assert [round(second) for second in asked_s] == [10, 20]
    assert [one.frame_id for _, one in reports if isinstance(one, Preview)] == ["1", "2"]


def test_settings_are_made_before_the_release_and_not_again(
    make_device: MakeDevice, clock: VirtualClock
) -> None:
    """The prepare lead puts the setting ahead; equal settings are made once."""
    calls: list[tuple[float, str]] = []

    class Noting(SimulatedCamera):
        def configure(self, settings):
            calls.append((seconds(clock.now_ns()), "configure"))
            return super().configure(settings)

        def release(self, settings):
            calls.append((seconds(clock.now_ns()), "release"))
            super().release(settings)

    device = make_device()
    worker = CameraWorker(lambda: Noting(device), clock, release_lag_s=LAG_S, prepare_lead_s=2.0)
    drive(worker, clock, 30, [hand_over(frame("a", 10.0)), hand_over(frame("b", 20.0))])
    assert calls == [
        (pytest.approx(7.95), "configure"),
        (pytest.approx(9.95), "release"),
        (pytest.approx(19.95), "release"),
    ]


def test_a_wait_comes_straight_before_every_release(make_device: MakeDevice, clock: VirtualClock) -> None:
    """The driver always has the last word: what was yielded before a release is a wait."""
    device = make_device()
    worker = worker_for(device, clock)
    for number, due in enumerate([5.0, 5.2, 5.9, 9.0]):
        worker.hand_over(frame(f"{number}", due, late_s=2.0))
    before, last = 0, None
    for step in worker.run():
        if len(device.taken) > before:
            before = len(device.taken)
            assert isinstance(last, WaitUntil)
        last = step
        if isinstance(step, WaitUntil):
            clock.sleep_until_ns(step.instant_ns)
        if clock.now_ns() > at(15):
            worker.close()
    assert before == 4


@pytest.mark.parametrize("seed", range(12))
def test_whatever_happens_every_frame_is_answered_for_once_and_none_overruns(
    make_device: MakeDevice, clock: VirtualClock, seed: int
) -> None:
    """Random frames, faults, moves and withdrawals: one outcome each, no late opening, no end past the window."""
    rng = random.Random(seed)
    faults = [
        SimFault(
            kind=rng.choice(list(SimFaultKind)), at_utc_ns=at(rng.uniform(0, 120)), for_s=rng.uniform(0.1, 15)
        )
        for _ in range(6)
    ]
    device = make_device(faults=faults)
    frames = {}
    messages: list[Message] = []
    for number in range(60):
        due = rng.uniform(2, 120)
        exposure_s = rng.choice([1 / 500, 1 / 60, 0.5, 2.0, 4.0])
        one = frame(f"{number}", due, exposure_s=exposure_s, ends_by_s=due + rng.uniform(0, 6), late_s=0.5)
        frames[one.frame_id] = one
        messages.append(hand_over(one, when=due - rng.uniform(-1, 5)))
        if rng.random() < 0.2:
            messages.append(withdraw([one.frame_id], MissReason.HELD, due - rng.uniform(-1, 2)))
    reports = drive(worker_for(device, clock), clock, 200, messages)
    found = outcomes(reports)
    assert found.keys() == frames.keys()
    opened = {outcome.released_utc_ns for outcome in found.values() if outcome.released_utc_ns}
    for exposure in device.taken:
        assert exposure.opened_ns in opened
    for frame_id, outcome in found.items():
        one = frames[frame_id]
        if outcome.released_utc_ns is not None:
            assert outcome.released_utc_ns <= one.deadline_utc_ns + 2_000_000
            ends = outcome.released_utc_ns + one.settings.exposure_s * 1e9
            assert ends <= one.ends_by_utc_ns + 1
        else:
            assert outcome.state is OutcomeState.MISSED
            assert outcome.reason is not None
    assert clock.now_ns() > T0
