"""The live driver: plays an engine in real time against one process per camera.

One thread owns the engine and takes events from a queue. Camera processes, the operator's surface,
signals and the scheduler's jobs only put events into that queue. Exact release is the camera process'
own affair: it holds each frame ahead of time.

However a run ends, an error of any kind included, the cameras are told first to release nothing more;
then everything that was started is ended. A screen or a voice that fails costs the run nothing but a note.
"""

from __future__ import annotations

import contextlib
import logging
import queue
import signal
import threading
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from multiprocessing.connection import wait
from pathlib import Path
from typing import Any, Protocol

from apscheduler.events import EVENT_JOB_ERROR
from apscheduler.schedulers.background import BackgroundScheduler

from controller.cameras.host import CameraProcess
from controller.cameras.protocol import Clock, MissReason, Outcome
from controller.cameras.worker import Opened, Report
from controller.engine import messages as m
from controller.engine.engine import Engine
from controller.engine.states import FrameState
from controller.engine.view import RunView
from controller.live.clockwatch import ClockWatch
from controller.live.effects import Writer, journalled
from controller.live.pictures import PictureWatch
from controller.live.reports import REPLACE_PAUSE_S, bounds, ended, events_of
from controller.timeline.model import Frame
from controller.units import NS_PER_S, UtcNs, seconds_to_ns

SHOW_EVERY_S = 0.2
"""How often the surface is given a new view when nothing happens; also the backstop of every wake-up."""
CLOCK_CHECK_S = 5
LOOK_EVERY_S = 0.25
"""How often a camera's process that says nothing is looked at."""
LOOKS = 3
"""A process hangs when so many looks in a row find it so: after a sleep of the computer it may say a word first."""
CLOSING_S = 20.0
"""How long a stopped run waits for the last frames to be answered for."""

JOURNAL_CHECK_S = 10
"""How often a journal that is in its second place is tried in the run's folder again."""

Post = Callable[[m.Event], None]


class Journal(Writer, Protocol):
    """Where records go in real time: may go on in a second place when the disk of the run takes no more."""

    on_move: Callable[[Path | None], None]
    """Called when it has gone to a second place, or, with None, is back."""

    @property
    def away_in(self) -> Path | None:
        """The second place, while it goes on there."""
        ...

    def try_to_return(self, at_utc_ns: int) -> None:
        """Go on in the run's folder if that takes it again."""
        ...


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

    def say(self, text: str, urgent: bool, late_s: float = 0.0) -> None:
        """Speak, or drop a sentence that is late: it is so already by these seconds."""
        ...


@dataclass
class _Seat:
    """One rig's camera process, and the frames it was given and has not answered for."""

    process: CameraProcess
    owed: dict[str, Frame] = field(default_factory=dict)
    gone: bool = False
    """It has ended and another one is being started: it is given nothing more."""


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
        real_cameras_allowed: False with a scripted operator, a pretended clock or simulated cameras: the run
            stops at once, and fires nothing, when a camera that is not simulated turns up (HF-S02).
        pictures: looks at the small pictures that cameras give; None lets them be.
    """

    engine: Engine
    start_camera: Mapping[str, Callable[[], CameraProcess]]
    clock: Clock
    journal: Journal
    surface: Surface
    speaker: Speaker
    facts: Mapping[str, Any] = field(default_factory=dict)
    real_cameras_allowed: bool = False
    pictures: PictureWatch | None = None

    def __post_init__(self) -> None:
        self._events: queue.SimpleQueue[m.Event] = queue.SimpleQueue()
        self._seats: dict[str, _Seat] = {}
        self._rigs = {rig.name: rig for rig in self.engine.timeline.rigs}
        self.facts = {**self.facts, "silence_limit_s": bounds(self.engine.timeline)}
        self._outcome: str | None = None
        self._shown_ns = self.clock.now_ns()
        self._scheduler = BackgroundScheduler(timezone=UTC)
        self._lock = threading.Lock()  # guards the seats; never held while anything is waited for
        self._closing = threading.Event()
        self._failed: set[str] = set()

    # --- the run ----------------------------------------------------------------------------

    def run(self) -> str:
        """Begin and play to the end; return ``finished`` or ``stopped``."""
        return self._play(lambda: self.engine.handle(m.Begin(now_utc_ns=self._now(), facts=self.facts)))

    def resume(self) -> str:
        """Go on with an engine that has taken over a journal; return ``finished`` or ``stopped``."""
        return self._play(lambda: self.engine.resume(self._now(), self.facts))

    def _play(self, begin: Callable[[], list[m.Effect]]) -> str:
        with self._signals(), self._machinery():
            self._carry_out(begin())
            while self._outcome is None:
                self._turn(SHOW_EVERY_S)
                if self._outcome is None:
                    self._show_unless_more_comes()
            self._close_down()
        return self._outcome

    def _turn(self, timeout_s: float) -> None:
        """Take one event, or let time pass."""
        try:
            event = self._events.get(timeout=timeout_s)
        except queue.Empty:
            event = m.TimePassed(now_utc_ns=self._now())
        self._carry_out(self.engine.handle(event))

    def _show_unless_more_comes(self) -> None:
        """Show what came at once, such as words for many rigs, at once; in a busy run, too, now and then."""
        long_ago = self.clock.now_ns() - self._shown_ns > seconds_to_ns(SHOW_EVERY_S)
        if long_ago or self._events.empty():
            self._show()

    def _show(self) -> None:
        self._shown_ns = self.clock.now_ns()
        with self._costing_nothing("the screen"):
            self.surface.show(self.engine.view(self._now()))

    @contextlib.contextmanager
    def _costing_nothing(self, what: str) -> Iterator[None]:
        """Note the first error of a screen or a voice, and go on without it (HF-S18)."""
        try:
            yield
        except Exception as error:  # noqa: BLE001 - whatever it is, the run is worth more
            if what not in self._failed:
                self._failed.add(what)
                self._note(f"{what} failed: {type(error).__name__}: {error}")

    def _note(self, text: str) -> None:
        self.post(m.Noted(now_utc_ns=self._now(), text=text))

    def _close_down(self) -> None:
        """Let the cameras answer for what they still hold, within bounds; write the closing record."""
        until = self.clock.now_ns() + seconds_to_ns(CLOSING_S)
        while self.engine.totals()[FrameState.HANDED] and self.clock.now_ns() < until:
            self._turn(SHOW_EVERY_S)
        self._carry_out(self.engine.close(self._now()))
        self._show()

    def _carry_out(self, effects: list[m.Effect]) -> None:
        for effect in journalled(effects, self.journal):
            match effect:
                case m.HandOver(frame=frame):
                    self._hand_over(frame)
                case m.Withdraw(rig=rig, frame_ids=frame_ids, reason=reason):
                    with self._lock:
                        self._seats[rig].process.send_withdraw(frame_ids, MissReason(reason))
                case m.Say(text=text, urgent=urgent, due_utc_ns=due):
                    with self._costing_nothing("the voice"):
                        self.speaker.say(text, urgent, max(0, self._now() - due) / NS_PER_S)
                case m.WakeAt(instant_utc_ns=instant):
                    self._wake(instant)
                case m.Finish(outcome=outcome):
                    self._outcome = outcome

    def _hand_over(self, frame: Frame) -> None:
        """Give a frame to its rig's process; one that has just ended gets nothing, nor does its successor."""
        with self._lock:
            seat = self._seats[frame.rig]
            if not seat.gone:
                seat.owed[frame.frame_id] = frame
                seat.process.send_hand_over(frame)
                return
        self.post(
            m.FrameMissed(
                now_utc_ns=self._now(),
                frame_id=frame.frame_id,
                reason=MissReason.CAMERA.value,
                detail="the camera's process is being started again",
            )
        )

    def _now(self) -> UtcNs:
        return UtcNs(self.clock.now_ns())

    def post(self, event: m.Event) -> None:
        """Hand in an event from any thread."""
        self._events.put(event)

    # --- what runs beside it ----------------------------------------------------------------

    @contextlib.contextmanager
    def _machinery(self) -> Iterator[None]:
        """Start what runs beside the run. On leaving the cameras are halted first, and all is ended."""
        watch = ClockWatch()
        readers: list[threading.Thread] = []
        with contextlib.ExitStack() as on_leaving:
            on_leaving.callback(self._end, readers)
            on_leaving.callback(self._close_surface)
            on_leaving.callback(self._halt)
            for rig in self.start_camera:
                self._seats[rig] = _Seat(self.start_camera[rig]())
                reader = threading.Thread(target=self._read, args=(rig,), name=f"reader {rig}", daemon=True)
                reader.start()
                readers.append(reader)
            self._schedule(watch)
            self.surface.open(self.post, self.clock)
            yield

    def _schedule(self, watch: ClockWatch) -> None:
        logging.getLogger("apscheduler").addHandler(logging.NullHandler())  # not onto the operator's screen
        self._scheduler.add_listener(
            lambda event: self._note(f"the job {event.job_id} failed: {event.exception!r}"), EVENT_JOB_ERROR
        )
        every = {"trigger": "interval", "max_instances": 1, "coalesce": True}
        self._scheduler.add_job(self._check_clock, seconds=CLOCK_CHECK_S, args=(watch,), id="clock", **every)
        self._scheduler.add_job(self._tend_journal, seconds=JOURNAL_CHECK_S, id="journal", **every)
        self.journal.on_move = self._journal_moved
        if self.journal.away_in is not None:
            self._journal_moved(self.journal.away_in)
        self._scheduler.start()

    def _halt(self) -> None:
        """Have every camera drop what it still holds, at once (HF-S23); nothing is started from now on."""
        self._closing.set()
        with self._lock:
            for seat in self._seats.values():
                seat.process.send_withdraw(None, MissReason.STOPPED)

    def _close_surface(self) -> None:
        with contextlib.suppress(Exception):  # the error that ended the run, if any, is the one to tell
            self.surface.close()

    def _end(self, readers: list[threading.Thread]) -> None:
        if self._scheduler.running:
            self._scheduler.shutdown(wait=False)
        with self._lock:
            processes = [seat.process for seat in self._seats.values()]
        for process in processes:
            process.close(timeout_s=2.0)
        if self.pictures is not None:
            self.pictures.close()
        for reader in readers:
            reader.join(timeout=2.0)

    def _read(self, rig: str) -> None:
        """Turn a camera process' reports into events; when it dies, say what it owed and start another."""
        looks = 0
        while not self._closing.is_set():
            process = self._seats[rig].process
            why = None
            try:
                if wait([process.connection], timeout=LOOK_EVERY_S):
                    self._hear(rig, process.connection.recv())
                else:
                    why = process.hanging(self._owed_deadline(rig))
            except (EOFError, OSError):
                self._replace(rig, "the camera's process ended and is started again")
            except Exception as error:  # noqa: BLE001 - a rig that nobody reads any more is lost for the day
                self._replace(rig, f"the camera's process sent what is no report ({type(error).__name__})")
            looks = looks + 1 if why else 0
            if looks == LOOKS:
                self._replace(rig, f"{why}: its process is killed and started again")

    def _owed_deadline(self, rig: str) -> int | None:
        with self._lock:
            return min((frame.deadline_utc_ns for frame in self._seats[rig].owed.values()), default=None)

    def _hear(self, rig: str, report: Report) -> None:
        if isinstance(report, Opened) and not (report.facts.simulated or self.real_cameras_allowed):
            self.post(m.StopAsked(now_utc_ns=self._now(), by="a real camera in a run that is not for one"))
            return
        for event in events_of(rig, report, self.clock.now_ns()):
            self.post(event)
        if self.pictures is not None:
            self.pictures.take(rig, report, self.clock.now_ns, self.post)
        if isinstance(report, Outcome):
            with self._lock:
                self._seats[rig].owed.pop(report.frame_id, None)

    def _replace(self, rig: str, why: str) -> None:
        """End a process, answer for what it still owed, and start another."""
        if self._closing.is_set():
            return
        with self._lock:
            seat = self._seats[rig]
            seat.gone = True
        if not seat.process.kill():
            self._note(f"the process of the camera of {rig} waits in the kernel: it is left behind")
        with contextlib.suppress(
            Exception
        ):  # what it said last is heard, to the end of the pipe or to nonsense
            while seat.process.connection.poll():
                self._hear(rig, seat.process.connection.recv())
        for event in ended(self._rigs[rig], seat.owed.values(), seat.process.call, why, self.clock.now_ns()):
            self.post(event)
        while not self._closing.wait(REPLACE_PAUSE_S):
            try:
                fresh = _Seat(self.start_camera[rig]())
            except OSError as error:
                self._note(f"the process of the camera of {rig} cannot be started: {error}")
                continue
            with self._lock:
                self._seats[rig] = fresh
            break
        if self._closing.is_set():  # between the wait and the start: `_end` may not have seen it
            self._seats[rig].process.close(timeout_s=0.0)

    def _tend_journal(self) -> None:
        self.journal.try_to_return(self._now())

    def _journal_moved(self, place: Path | None) -> None:
        self.post(m.JournalMoved(now_utc_ns=self._now(), place=None if place is None else str(place)))

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
