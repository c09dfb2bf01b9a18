"""Measure how fast a camera works, by firing frames through the same worker that fires them on the day.

Everything is as the computer sees it, its own delays included: the figures are those a run will meet.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import pairwise
from typing import Protocol

from controller.cameras.clock import ClockEpoch, MonotonicClock
from controller.cameras.host import CameraProcess, CameraSpec
from controller.cameras.protocol import CameraFacts, MissReason, Outcome, OutcomeState
from controller.cameras.worker import Lost, Opened
from controller.errors import CameraError
from controller.gear.profile import CameraProfile, Spread
from controller.light.stops import longest_exposure_s, stops_between
from controller.timeline.model import Frame, Settings
from controller.units import NS_PER_S, FilterState, UtcNs, Wanted, seconds_to_ns

SERIES, SERIES_FRAMES = 2, 4
"""Short series, each with an empty buffer: one of four frames or more does not slow them."""
STEADY_FRAMES = CHANGING_FRAMES = SERIES * SERIES_FRAMES
"""With one setting, for the frame gap and the delay of the camera's word; and with two settings in turn."""
FEWEST_BURST_FRAMES = 10
_SLOWER = 1.25
"""The rate has dropped when frames come so many times farther apart and stay so."""
_SLOW_FRAMES = 4
"""So many frames after the drop at least, to call it one and to measure it."""
_RETRY_NS = 20_000_000
_SETTLE_S = 5.0
"""Time for the buffer to empty between one series and the next."""
_OPENING_TIMEOUT_S = 40.0
_FRAME_TIMEOUT_S = 60.0


class Bench(Protocol):
    """A worker with an open camera whose `release_lag_s` is nought."""

    def now_ns(self) -> int:
        """Return the present instant, UTC nanoseconds."""
        ...

    def hand_over(self, frame: Frame) -> None:
        """Give the worker a frame."""
        ...

    def next_outcome(self) -> Outcome:
        """Wait for the next outcome. Raises CameraError when none comes."""
        ...

    def pause(self, seconds: float) -> None:
        """Let the camera rest."""
        ...


class LiveBench:
    """A camera's own process, by the real clock."""

    def __init__(self, spec: CameraSpec) -> None:
        """Start it and wait for the camera.

        Raises:
            CameraError: if it cannot be opened in time.
        """
        epoch = ClockEpoch.now()
        self._clock = MonotonicClock(epoch)
        self._process = CameraProcess(spec, epoch)
        try:
            self.facts = self._opened()
        except BaseException:
            self.close()
            raise

    def now_ns(self) -> int:
        """Return the present instant, UTC nanoseconds."""
        return self._clock.now_ns()

    def hand_over(self, frame: Frame) -> None:
        """Give the worker a frame."""
        self._process.send_hand_over(frame)

    def next_outcome(self) -> Outcome:
        """Wait for the next outcome."""
        while True:
            report = self._receive(_FRAME_TIMEOUT_S)
            if isinstance(report, Outcome):
                return report
            if isinstance(report, Lost):
                raise CameraError(
                    f"The camera was lost: {report.detail}. Mend: connect it and calibrate anew."
                )

    def pause(self, seconds: float) -> None:
        """Let the camera rest."""
        time.sleep(seconds)

    def close(self) -> None:
        """Close the camera and end its process."""
        self._process.close(timeout_s=5.0)

    def _opened(self) -> CameraFacts:
        report = self._receive(_OPENING_TIMEOUT_S)
        if isinstance(report, Opened):
            return report.facts
        raise CameraError(getattr(report, "detail", "The camera could not be opened."))

    def _receive(self, timeout_s: float) -> object:
        try:
            if self._process.connection.poll(timeout_s):
                return self._process.connection.recv()
        except (EOFError, OSError):
            pass
        raise CameraError(
            f"The camera did not answer within {timeout_s:.0f} s, or its process ended. "
            "Mend: switch it off and on, unplug it and plug it in again."
        )


@dataclass(frozen=True)
class _Fired:
    began_ns: int
    word_ns: int
    exposure_s: float


def calibrate(
    bench: Bench,
    facts: CameraFacts,
    *,
    burst_frames: int,
    release_lag_s: float | None = None,
    tell: Callable[[str], None] = lambda _: None,
) -> CameraProfile:
    """Fire the frames and return what they show.

    Args:
        bench: the worker.
        facts: what the camera lists.
        burst_frames: how many frames to fire at full rate in search of the buffer's end.
        release_lag_s: what the operator measured, to be kept in the profile.
        tell: is told what is being done.

    Raises:
        CameraError: if a frame fails.
    """
    one, other = _two_settings(facts)
    tell("frames with one setting")
    steady = _short_series(bench, one, one)
    gap = _spread(found for series in steady for found in _gaps(series))
    setting_time = None
    if other is not None:
        tell("frames with two settings in turn")
        changing = _short_series(bench, one, other)
        setting_time = _spread(
            max(0.0, found - gap.median_s) for series in changing for found in _gaps(series)
        )
    tell("frames at full rate, until the buffer is full")
    burst = _series(bench, [one] * burst_frames)
    depth, write_time = _buffer(burst, gap.median_s)
    return CameraProfile(
        holdfire_profile=1,
        model=facts.model,
        measured_utc=datetime.fromtimestamp(bench.now_ns() // NS_PER_S, UTC),
        frames=STEADY_FRAMES + (CHANGING_FRAMES if other else 0) + len(burst),
        invented=facts.simulated,
        frame_gap=gap,
        setting_time=setting_time,
        write_time=write_time,
        buffer_frames=depth,
        word_delay=_spread(
            max(0.0, (shot.word_ns - shot.began_ns) / NS_PER_S - shot.exposure_s)
            for series in steady
            for shot in series
        ),
        release_lag_s=release_lag_s,
    )


def _two_settings(facts: CameraFacts) -> tuple[Settings, Settings | None]:
    """Return settings near 1/100 s, f/8, ISO 100, and the same with the next listed exposure time."""

    def nearest(listed: Sequence[float], wanted: float) -> list[float]:
        return sorted(listed, key=lambda value: abs(stops_between(wanted, value))) or [wanted]

    speeds = nearest([speed for speed in facts.shutter_s if speed <= 1.0], 0.01)
    f_number, iso = nearest(facts.f_numbers, 8.0)[0], round(nearest(facts.isos, 100)[0])
    made = [Settings(exposure_s=speed, f_number=f_number, iso=iso) for speed in speeds[:2]]
    return made[0], made[1] if len(made) > 1 else None


def _short_series(bench: Bench, one: Settings, other: Settings) -> list[list[_Fired]]:
    """Fire short series of two settings in turn, and let the buffer empty after each."""
    made = []
    for _ in range(SERIES):
        made.append(_series(bench, [one, other] * (SERIES_FRAMES // 2)))
        bench.pause(_SETTLE_S)
    return made


def _series(bench: Bench, wanted: Sequence[Settings]) -> list[_Fired]:
    """Fire frames as fast as the camera takes them; one that finds the buffer full is tried again."""
    fired: list[_Fired] = []
    waiting = list(reversed(wanted))
    out: dict[str, Settings] = {}
    due_ns, number = bench.now_ns(), 0

    def send(settings: Settings, not_before_ns: int) -> None:
        nonlocal due_ns, number
        due_ns, number = max(due_ns + 1, not_before_ns), number + 1
        one = _frame(f"calibrate/{bench.now_ns()}/{number}", settings, due_ns)
        out[one.frame_id] = settings
        bench.hand_over(one)

    while out or waiting:
        while waiting and len(out) < 2:  # one ahead: the camera is never idle between two frames
            send(waiting.pop(), bench.now_ns())
        outcome = bench.next_outcome()
        settings = out.pop(outcome.frame_id)
        if outcome.state is OutcomeState.MISSED and outcome.reason is MissReason.BUFFER:
            send(settings, bench.now_ns() + _RETRY_NS)
        elif outcome.released_utc_ns is None or outcome.captured is None:
            raise CameraError(
                f"A frame failed: {outcome.detail or outcome.reason}. Mend: see to the camera, calibrate anew."
            )
        else:
            exposure_s = longest_exposure_s(settings.exposure_s)
            word_ns = outcome.captured.reported_utc_ns
            fired.append(_Fired(outcome.released_utc_ns, word_ns, exposure_s))
    return fired


def _gaps(fired: Sequence[_Fired]) -> list[float]:
    """Return the time from the end of each exposure to the next release, seconds."""
    return [max(0.0, (b.began_ns - a.began_ns) / NS_PER_S - a.exposure_s) for a, b in pairwise(fired)]


def _buffer(burst: Sequence[_Fired], gap_s: float) -> tuple[int | None, Spread | None]:
    """Return how many frames the buffer held when the rate dropped, and the time between frames after it."""
    apart = [(b.began_ns - a.began_ns) / NS_PER_S for a, b in pairwise(burst)]
    quick_s = burst[0].exposure_s + gap_s
    for taken, step_s in enumerate(apart, start=1):
        rest = apart[taken:]
        if step_s > quick_s * _SLOWER and len(rest) >= _SLOW_FRAMES:
            write = _spread(rest)
            if write.median_s > quick_s * _SLOWER:
                busy_s = (burst[taken - 1].began_ns - burst[0].began_ns) / NS_PER_S + gap_s
                return max(1, taken - int(busy_s / write.median_s)), write
    return None, None


def _spread(found: Iterable[float]) -> Spread:
    values = [round(value, 6) for value in found]
    middle = round(statistics.median(values), 6)
    return Spread(median_s=middle, least_s=min(values), greatest_s=max(values), measurements=len(values))


def _frame(frame_id: str, settings: Settings, due_utc_ns: int) -> Frame:
    late = UtcNs(due_utc_ns + seconds_to_ns(_FRAME_TIMEOUT_S))
    return Frame(
        frame_id=frame_id,
        rig="calibrate",
        phase="calibrate",
        shot="calibrate",
        take=1,
        step=1,
        settings=settings,
        wanted=Wanted.WANT,
        filter_need=FilterState.ON,
        due_utc_ns=UtcNs(due_utc_ns),
        deadline_utc_ns=late,
        ends_by_utc_ns=UtcNs(late + seconds_to_ns(_FRAME_TIMEOUT_S)),
        starts_from_utc_ns=UtcNs(due_utc_ns),
        movable_until_utc_ns=late,
        slot_ns=NS_PER_S,
    )
