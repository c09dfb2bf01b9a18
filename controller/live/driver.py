"""The live driver: plays an engine in real time against one process per camera.

One thread owns the engine and takes events from a queue. Camera processes, the operator's surface,
signals and the scheduler's jobs only put events into that queue. Exact release is the camera process'
own affair: it holds each frame ahead of time.
"""

from __future__ import annotations

import contextlib
import queue
import signal
import threading
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from multiprocessing.connection import wait
from typing import Any, Protocol

from apscheduler.schedulers.background import BackgroundScheduler

from controller.cameras.host import CameraProcess
from controller.cameras.protocol import Clock, MissReason
from controller.cameras.worker import Lost, Opened, Report
from controller.engine import messages as m
from controller.engine.engine import Engine
from controller.engine.states import FrameState
from controller.engine.view import RunView
from controller.journal.records import Kind
from controller.live.clockwatch import ClockWatch
from controller.live.reports import events_of
from controller.timeline.model import Frame
from controller.units import NS_PER_S, UtcNs, seconds_to_ns

SHOW_EVERY_S = 0.2
"""How often the surface is given a new view when nothing happens; also the backstop of every wake-up."""
CLOCK_CHECK_S = 5
HEALTH_CHECK_S = 1
HUNG_AFTER_S = 30.0
"""A camera process that owes the outcome of a frame for this long after its exposure is replaced."""
CLOSING_S = 20.0
"""How long a stopped run waits for the last frames to be answered for."""

Post = Callable[[m.Event], None]


class Surface(Protocol):
    """Where the operator sees the run and says words. Calls must return at once."""

    def open(self, post: Post, clock: Clock) -> None:
        """Begin; `post` takes the operator's words as events, from any thread."""
        ...

    def show(self, view: RunView) -> None:
        """Show this snapshot."""
        ...

    def close(self) -> None:
        """End, and leave the terminal as it was."""
        ...


class Speaker(Protocol):
    """Speaks without blocking and without raising."""

    def say(self, text: str, urgent: bool) -> None:
        """Speak, or drop the sentence."""
        ...


class Writer(Protocol):
    """Where records go; the journal writer is one."""

    def append_many(self, records: list[tuple[Kind, int, dict[str, Any]]]) -> object:
        """Write records in order, on the disk when it returns."""
        ...


@dataclass
class LiveRun:
    """One run in real time.

    Args:
        engine: a fresh engine, or one that has taken over a journal with `Engine.restore`.
        start_camera: starts the process of a rig's camera; called again when one dies.
        clock: UTC by the monotonic clock (or, rehearsing, a pretended UTC).
        journal: where records go.
        surface: the operator's.
        speaker: the voice.
        facts: for the first record.
        real_cameras_allowed: False with a scripted operator: the run stops at once when a camera that is not
            simulated turns up (HF-S02).
    """

    engine: Engine
    start_camera: Mapping[str, Callable[[], CameraProcess]]
    clock: Clock
    journal: Writer
    surface: Surface
    speaker: Speaker
    facts: Mapping[str, Any] = field(default_factory=dict)
    real_cameras_allowed: bool = True

    def __post_init__(self) -> None:
        self._events: queue.SimpleQueue[m.Event] = queue.SimpleQueue()
        self._processes: dict[str, CameraProcess] = {}
        self._owed: dict[str, dict[str, Frame]] = {rig: {} for rig in self.start_camera}
        self._outcome: str | None = None
        self._scheduler = BackgroundScheduler(timezone=UTC)
        self._lock = threading.Lock()
        self._closing = threading.Event()

    # --- the run ----------------------------------------------------------------------------

    def run(self) -> str:
        """Begin and play to the end; return ``finished`` or ``stopped``."""
        return self._play(lambda: self.engine.handle(m.Begin(now_utc_ns=self._now(), facts=self.facts)))

    def resume(self) -> str:
        """Go on with an engine that has taken over a journal; return ``finished`` or ``stopped``."""
        return self._play(lambda: self.engine.resume(self._now()))

    def _play(self, begin: Callable[[], list[m.Effect]]) -> str:
        with self._signals(), self._machinery():
            self._carry_out(begin())
            while self._outcome is None:
                self._turn(SHOW_EVERY_S)
                if self._outcome is None:
                    self.surface.show(self.engine.view(self._now()))
            self._close_down()
        return self._outcome

    def _turn(self, timeout_s: float) -> None:
        """Take one event, or let time pass."""
        try:
            event = self._events.get(timeout=timeout_s)
        except queue.Empty:
            event = m.TimePassed(now_utc_ns=self._now())
        self._settle(event)
        self._carry_out(self.engine.handle(event))

    def _settle(self, event: m.Event) -> None:
        if isinstance(event, m.FrameFired | m.FrameMissed | m.FrameFailed):
            for owed in self._owed.values():
                owed.pop(event.frame_id, None)

    def _close_down(self) -> None:
        """Let the cameras answer for what they still hold, within bounds; write the closing record."""
        until = self.clock.now_ns() + seconds_to_ns(CLOSING_S)
        while self.engine.totals()[FrameState.HANDED] and self.clock.now_ns() < until:
            self._turn(SHOW_EVERY_S)
        self._carry_out(self.engine.close(self._now()))
        self.surface.show(self.engine.view(self._now()))

    def _carry_out(self, effects: list[m.Effect]) -> None:
        records: list[tuple[Kind, int, dict[str, Any]]] = []
        for effect in effects:
            if isinstance(effect, m.Record):
                records.append((Kind(effect.kind), effect.at_utc_ns, dict(effect.data)))
                continue
            if records and not isinstance(effect, m.WakeAt):
                self.journal.append_many(records)
                records = []
            match effect:
                case m.HandOver(frame=frame):
                    self._owed[frame.rig][frame.frame_id] = frame
                    with self._process(frame.rig) as process:
                        process.send_hand_over(frame)
                case m.Withdraw(rig=rig, frame_ids=frame_ids, reason=reason):
                    with self._process(rig) as process:
                        process.send_withdraw(frame_ids, MissReason(reason))
                case m.Say(text=text, urgent=urgent):
                    self.speaker.say(text, urgent)
                case m.WakeAt(instant_utc_ns=instant):
                    self._wake(instant)
                case m.Finish(outcome=outcome):
                    self._outcome = outcome
        if records:
            self.journal.append_many(records)

    @contextlib.contextmanager
    def _process(self, rig: str) -> Iterator[CameraProcess]:
        """A process that is gone is noticed by its reader, which reports what it owed; nothing is raised."""
        with contextlib.suppress(OSError):
            yield self._processes[rig]

    def _now(self) -> UtcNs:
        return UtcNs(self.clock.now_ns())

    def post(self, event: m.Event) -> None:
        """Hand in an event from any thread."""
        self._events.put(event)

    # --- what runs beside it ----------------------------------------------------------------

    @contextlib.contextmanager
    def _machinery(self) -> Iterator[None]:
        watch = ClockWatch()
        readers = []
        try:
            for rig in self.start_camera:
                self._processes[rig] = self.start_camera[rig]()
                reader = threading.Thread(target=self._read, args=(rig,), name=f"reader {rig}", daemon=True)
                reader.start()
                readers.append(reader)
            self._scheduler.add_job(self._check_clock, "interval", seconds=CLOCK_CHECK_S, args=(watch,))
            self._scheduler.add_job(self._check_health, "interval", seconds=HEALTH_CHECK_S, max_instances=1)
            self._scheduler.start()
            self.surface.open(self.post, self.clock)
            yield
        finally:
            self._closing.set()
            if self._scheduler.running:
                self._scheduler.shutdown(wait=False)
            self.surface.close()
            for process in list(self._processes.values()):
                process.close(timeout_s=2.0)
            for reader in readers:
                reader.join(timeout=2.0)

    def _read(self, rig: str) -> None:
        """Turn a camera process' reports into events; when it dies, say what it owed and start another."""
        while not self._closing.is_set():
            process = self._processes[rig]
            try:
                if not wait([process.connection], timeout=0.5):
                    continue
                report: Report = process.connection.recv()
            except (EOFError, OSError):
                if not self._closing.is_set():
                    self._replace(rig, "the camera's process ended")
                continue
            if isinstance(report, Opened) and not (report.facts.simulated or self.real_cameras_allowed):
                self.post(m.StopAsked(now_utc_ns=self._now(), by="a real camera under a scripted operator"))
                continue
            for event in events_of(rig, report, self.clock.now_ns()):
                self.post(event)

    def _replace(self, rig: str, why: str) -> None:
        with self._lock:
            self._processes[rig].kill()
            for frame_id in list(self._owed[rig]):
                self.post(
                    m.FrameFailed(
                        now_utc_ns=self._now(),
                        frame_id=frame_id,
                        detail=f"{why} before the camera's word: whether it was exposed is not known",
                    )
                )
            for event in events_of(rig, Lost(detail=why), self.clock.now_ns()):
                self.post(event)
            if not self._closing.wait(0.5):
                self._processes[rig] = self.start_camera[rig]()

    def _check_health(self) -> None:
        """Replace a camera process that has owed an outcome for too long: its call hangs in the driver."""
        now = self.clock.now_ns()
        for rig, owed in self._owed.items():
            for frame in list(owed.values()):
                ends = frame.deadline_utc_ns + seconds_to_ns(frame.settings.exposure_s)
                if now > ends + seconds_to_ns(HUNG_AFTER_S):
                    self._processes[rig].kill()  # its reader sees the broken pipe and starts another
                    break

    def _check_clock(self, watch: ClockWatch) -> None:
        step = watch.step_s()
        if step is not None:
            self.post(m.ClockStepped(now_utc_ns=self._now(), step_s=round(step, 6)))

    def _wake(self, instant: UtcNs) -> None:
        """Have the scheduler wake the loop. Should the wall clock step, the loop's own turns still do."""
        delay_s = max(0.0, (instant - self.clock.now_ns()) / NS_PER_S)
        self._scheduler.add_job(
            self._time_passed,
            "date",
            run_date=datetime.now(UTC) + timedelta(seconds=delay_s),
            id="wake",
            replace_existing=True,
            misfire_grace_time=None,
        )

    def _time_passed(self) -> None:
        self.post(m.TimePassed(now_utc_ns=self._now()))

    @contextlib.contextmanager
    def _signals(self) -> Iterator[None]:
        """Ctrl-C and SIGTERM stop the run cleanly: nothing more is released, the journal is closed."""
        if threading.current_thread() is not threading.main_thread():
            yield
            return

        def stop(_number: int, _frame: object) -> None:
            self.post(m.StopAsked(now_utc_ns=self._now(), by="signal"))

        kept = {number: signal.signal(number, stop) for number in (signal.SIGINT, signal.SIGTERM)}
        try:
            yield
        finally:
            for number, handler in kept.items():
                signal.signal(number, handler)
