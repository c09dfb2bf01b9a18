"""The simulation driver: plays an engine in virtual time against workers and a scripted operator.

It runs the same engine and the same camera workers as the live driver. Each worker has a clock of its
own that a blocking call moves forward; a message that reaches a worker while it blocks is seen when
the call returns, as in a live run. The same timeline, cameras and operator give the same journal.
"""

from __future__ import annotations

import contextlib
import heapq
from collections.abc import Callable, Generator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from controller.cameras.clock import VirtualClock
from controller.cameras.protocol import Camera, Clock, MissReason, Outcome
from controller.cameras.worker import Call, CameraWorker, Report, WaitUntil
from controller.engine import messages as m
from controller.engine.engine import Engine
from controller.engine.states import FrameState
from controller.light.scene import Outlook
from controller.live.effects import Writer, journalled
from controller.live.pictures import Album, look_at
from controller.live.reports import REPLACE_PAUSE_S, bounds, ended, events_of
from controller.timeline.model import Frame, Hold, RigInfo
from controller.units import FilterState, UtcNs, seconds_to_ns

MakeCamera = Callable[[Clock], Camera]
"""Opens a rig's camera on the clock it is given; called again after a loss."""
NextWord = Callable[[Hold, int, bool], int | None]
"""Given a hold, the instant it opened and whether it is the rig's first: when the word comes, or None."""


class _HangsError(Exception):
    """A camera's call has not come back in time: a live run kills its process now."""

    def __init__(self, call: Call) -> None:
        super().__init__(call.words)
        self.call = call


class _SeatClock(VirtualClock):
    """A worker's clock; a call to the camera that moves it past the call's bound hangs."""

    call: Call | None = None

    def note_call(self, call: Call | None) -> None:
        """Take note of the call going on."""
        self.call = call

    def sleep_until_ns(self, instant_ns: int) -> None:
        """Move to `instant_ns`, or to the bound of the call and no further."""
        if self.call is not None and instant_ns > self.call.until_ns:
            super().sleep_until_ns(self.call.until_ns)
            raise _HangsError(self.call)
        super().sleep_until_ns(instant_ns)


@dataclass
class _Seat:
    """One rig's worker in the simulation, and the frames it was given and has not answered for."""

    rig: RigInfo
    clock: _SeatClock
    worker: CameraWorker = field(init=False)
    steps: Generator[WaitUntil | Report, None, None] = field(init=False)
    owed: dict[str, Frame] = field(default_factory=dict)
    resume_at: int | None = None


@dataclass
class Simulation:
    """One run in virtual time.

    Args:
        engine: a fresh engine, or one that has taken over a journal with `Engine.restore`.
        cameras: how to open each rig's camera.
        next_word: the scripted operator.
        journal: where records go.
        start_utc_ns: the virtual instant at which the run begins.
        facts: for the first record.
        on_step: called with the virtual instant after every step, for a progress bar.
        also: what else the engine is told, each at its own instant.
        status_every_s: how often an idle camera is asked for its status, seconds.
        outlooks: what rigs see; their small pictures are held against the words on their filters.
    """

    engine: Engine
    cameras: Mapping[str, MakeCamera]
    next_word: NextWord
    journal: Writer
    start_utc_ns: int
    facts: Mapping[str, Any] = field(default_factory=dict)
    on_step: Callable[[int], None] | None = None
    also: Sequence[m.Event] = ()
    status_every_s: float = 10.0
    outlooks: Mapping[str, Outlook] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._queue: list[tuple[int, int, Callable[[int], None]]] = []
        self._order = 0
        self._album = Album(self.engine.timeline)
        self._asked: set[str] = set()
        self._asked_rigs: set[str] = set()
        self._outcome: str | None = None
        self._wake_at = 0
        self._waking: int | None = None
        self.facts = {**self.facts, "silence_limit_s": bounds(self.engine.timeline)}
        self._seats = {
            rig.name: _Seat(rig, _SeatClock(self.start_utc_ns)) for rig in self.engine.timeline.rigs
        }
        for seat in self._seats.values():
            self._start(seat)
        for event in self.also:
            self._at(event.now_utc_ns, self._tell(event))

    def _start(self, seat: _Seat) -> None:
        """Give a seat a fresh worker, as a live run starts a process; the camera's body lives on."""
        make_camera, clock = self.cameras[seat.rig.name], seat.clock
        clock.call = None
        seat.worker = CameraWorker(
            lambda: make_camera(clock),
            clock,
            release_lag_s=seat.rig.release_lag_s,
            word_timeout_s=seat.rig.word_within_s,
            status_every_s=self.status_every_s,
            on_call=clock.note_call,
        )
        seat.steps = seat.worker.run()

    def run(self, *, until_utc_ns: int | None = None) -> str | None:
        """Play to the end, or until a virtual instant; return the outcome, None when cut short."""
        start = UtcNs(self.start_utc_ns)
        self._feed(m.Begin(now_utc_ns=start, facts=self.facts))
        return self._play(until_utc_ns)

    def resume(self) -> str | None:
        """Go on with an engine that has taken over a journal; return the outcome."""
        self._carry_out(self.engine.resume(UtcNs(self.start_utc_ns), self.facts), self.start_utc_ns)
        self._listen()  # to what was asked before
        return self._play(None)

    def _play(self, until_utc_ns: int | None) -> str | None:
        for seat in self._seats.values():
            self._schedule_seat(seat, self.start_utc_ns)
        while self._queue and (self._outcome is None or self.engine.totals()[FrameState.HANDED]):
            instant, _, action = heapq.heappop(self._queue)
            if until_utc_ns is not None and instant > until_utc_ns:
                return None
            action(instant)
            if self.on_step:
                self.on_step(instant)
        self._close()
        return self._outcome

    def _close(self) -> None:
        """Let the workers answer for what they still hold, then write the closing record."""
        last = self.start_utc_ns
        for name, seat in self._seats.items():
            seat.worker.close()
            with contextlib.suppress(_HangsError):
                for step in seat.steps:
                    if not isinstance(step, WaitUntil):
                        last = max(last, seat.clock.now_ns())
                        for event in events_of(name, step, seat.clock.now_ns()):
                            self._carry_out(self.engine.handle(event), event.now_utc_ns)
        self._carry_out(self.engine.close(UtcNs(last)), last)

    # --- the queue --------------------------------------------------------------------------

    def _at(self, instant: int, action: Callable[[int], None]) -> None:
        self._order += 1
        heapq.heappush(self._queue, (instant, self._order, action))

    def _schedule_seat(self, seat: _Seat, instant: int) -> None:
        at = max(instant, seat.clock.now_ns())
        if seat.resume_at is not None and seat.resume_at <= at:
            return
        seat.resume_at = at

        def go_on(now: int) -> None:
            if seat.resume_at == now:
                seat.resume_at = None
                self._step_seat(seat, now)

        self._at(at, go_on)

    def _step_seat(self, seat: _Seat, now: int) -> None:
        seat.clock.sleep_until_ns(now)
        try:
            for step in seat.steps:
                if isinstance(step, WaitUntil):
                    self._schedule_seat(seat, step.instant_ns)
                    return
                self._at(seat.clock.now_ns(), self._deliver(seat, step))
        except _HangsError as hangs:
            why = f"{hangs}: its process is killed and started again"
            self._at(seat.clock.now_ns(), self._replace(seat, hangs.call, why))

    def _deliver(self, seat: _Seat, report: Report) -> Callable[[int], None]:
        def deliver(now: int) -> None:
            if isinstance(report, Outcome):
                seat.owed.pop(report.frame_id, None)
            for event in events_of(seat.rig.name, report, now):
                self._feed(event)
            if taken := self._album.take(seat.rig.name, report):
                self._feed(look_at(taken, self.outlooks.get(seat.rig.name), now))

        return deliver

    def _replace(self, seat: _Seat, call: Call, why: str) -> Callable[[int], None]:
        def replace_worker(now: int) -> None:
            owed = list(seat.owed.values())
            seat.owed.clear()
            self._start(seat)
            seat.clock.sleep_until_ns(now + seconds_to_ns(REPLACE_PAUSE_S))
            for event in ended(seat.rig, owed, call, why, now):
                self._feed(event)
            self._schedule_seat(seat, seat.clock.now_ns())

        return replace_worker

    # --- the engine -------------------------------------------------------------------------

    def _feed(self, event: m.Event) -> None:
        self._carry_out(self.engine.handle(event), event.now_utc_ns)

    def _carry_out(self, effects: list[m.Effect], now: int) -> None:
        for effect in journalled(effects, self.journal):
            match effect:
                case m.HandOver(frame=frame):
                    seat = self._seats[frame.rig]
                    seat.owed[frame.frame_id] = frame
                    seat.worker.hand_over(frame)
                    self._schedule_seat(seat, now)
                case m.Withdraw(rig=rig, frame_ids=frame_ids, reason=reason):
                    seat = self._seats[rig]
                    seat.worker.withdraw(frame_ids, MissReason(reason))
                    self._schedule_seat(seat, now)
                case m.WakeAt(instant_utc_ns=instant):
                    self._wake(instant)
                case m.Finish(outcome=outcome):
                    self._outcome = outcome
                case m.Say():
                    pass
        if any(isinstance(effect, m.Record) and effect.kind == "hold_opened" for effect in effects):
            self._listen()

    def _wake(self, instant: int) -> None:
        """Wake the engine at an instant, and no more at one that it asked for before.

        At most one waking is in the queue that counts; one that comes before it is wanted only puts itself off.
        """
        self._wake_at = instant
        if self._waking is not None and self._waking <= instant:
            return
        self._waking = instant
        self._at(instant, self._woken)

    def _woken(self, now: int) -> None:
        if self._waking != now:
            return
        self._waking = None
        if self._wake_at > now:
            self._wake(self._wake_at)
        else:
            self._feed(m.TimePassed(now_utc_ns=UtcNs(now)))

    def _listen(self) -> None:
        """Ask the scripted operator about every hold that has opened since."""
        for hold in self.engine.open_holds():
            if hold.hold_id in self._asked:
                continue
            opened = max(self.start_utc_ns, hold.opens_utc_ns)
            word_at = self.next_word(hold, opened, hold.rig not in self._asked_rigs)
            self._asked.add(hold.hold_id)
            self._asked_rigs.add(hold.rig)
            if word_at is not None:
                self._at(word_at, self._word(hold.rig, hold.needs))

    def _tell(self, event: m.Event) -> Callable[[int], None]:
        def tell(now: int) -> None:
            self._feed(replace(event, now_utc_ns=UtcNs(now)))

        return tell

    def _word(self, rig: str, state: FilterState) -> Callable[[int], None]:
        def say(now: int) -> None:
            self._feed(m.FilterSaid(now_utc_ns=UtcNs(now), rig=rig, state=state))

        return say
