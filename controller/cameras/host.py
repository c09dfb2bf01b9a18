"""One process per camera: a call that hangs in a driver can be ended only by ending its process.

`CameraProcess` starts a child that runs a `CameraWorker` by the monotonic clock, and talks to it over a pipe. The
child fires nothing without its parent: when the pipe breaks it stops before the next release, and when the parent is
gone while a camera call blocks, the child ends itself.
"""

from __future__ import annotations

import contextlib
import ctypes
import multiprocessing
import multiprocessing.connection
import os
import queue
import threading
import traceback
from collections.abc import Callable, Collection
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any, Literal

from controller.cameras.children import children, render_in_children, start_child
from controller.cameras.clock import ClockEpoch, MonotonicClock
from controller.cameras.pictures import Body, Photographer, VirtualScenery, serial_of
from controller.cameras.protocol import Camera, Clock, MissReason
from controller.cameras.punctual import GarbageCollector, claim_precedence, hand_memory_back
from controller.cameras.simulated import MODEL, SimFault, SimulatedDevice, filter_left
from controller.cameras.tethered import VIRTUAL_FOLDER_VARIABLE, Stage, open_tethered
from controller.cameras.worker import OPENING_WITHIN_S, Call, CallKind, CameraWorker, Lost, WaitUntil
from controller.gear.body import SIMULATED_BODY, CameraBody
from controller.light.scene import Outlook
from controller.timeline.model import Frame, Settings
from controller.units import NS_PER_S, seconds_to_ns

_COARSE_NS = 20_000_000
"""A wait listens to the pipe until this long before its end, then sleeps and spins to the instant."""
_LONGEST_POLL_S = 600.0
_ORPHAN_GRACE_S = 1.0
"""How long a child without a parent may take to let go of its camera."""
_GONE_WITHIN_S = 2.0
"""How long to wait for a killed process: one that waits in the kernel for a device ends only when that answers."""
_OVERDUE_S = 2.0
"""A process that is in no call answers for a frame so soon after the frame's deadline, or it stands still."""
_KINDS = tuple(CallKind)


@dataclass(frozen=True, kw_only=True)
class CameraSpec:
    """Which camera a process is to open, and how. Everything in it can be pickled."""

    rig: str
    driver: Literal["simulated", "tethered"]
    match: str | None = None
    """Tethered: part of the model name, or the port; None takes the only camera."""
    body: CameraBody = field(default=SIMULATED_BODY)
    """Simulated: how fast it is and what it lists."""
    release_lag_s: float = 0.06
    prepare_lead_s: float = 1.0
    word_within_s: float = 5.0
    """How long after an exposure the camera's word of the picture may take."""
    planned_utc_ns: tuple[int, ...] = ()
    """When its frames are due by the plan."""
    virtual_folder: Path | None = None
    """Tethered: use libgphoto2's virtual camera with this folder of pictures instead of a real one.

    None uses real cameras, whatever the parent's environment says."""
    frames_folder: Path | None = None
    """Simulated: where pictures are written; None writes none."""
    model: str = MODEL
    """Simulated: the name it gives itself."""
    faults: tuple[SimFault, ...] = ()
    """Simulated: what goes wrong; virtual: the filter left on or off, at an instant, alone."""
    seed: int = 0
    clock_error_s: float = 0.0
    """Simulated: how far the camera's own clock, the pictures' time, is ahead of UTC."""
    outlook: Outlook | None = None
    """Simulated and virtual: what it sees, for its pictures; None leaves them dark."""

    def opener(self, clock: Clock) -> Callable[[], Camera]:
        """Return what opens this camera, again and again. A simulated body lives on between openings."""
        if self.driver == "tethered":
            stage = self._stage()
            return lambda: open_tethered(self.match, clock, stage=stage)
        device = SimulatedDevice(
            self.body,
            clock,
            folder=self.frames_folder,
            model=self.model,
            faults=self.faults,
            seed=self.seed,
            clock_error_s=self.clock_error_s,
            outlook=self.outlook,
            serial=serial_of(self.rig),
            remembers=False,
        )
        return device.open

    def _stage(self) -> Stage | None:
        """Return what puts rendered pictures into the virtual camera's folder; None for a real camera."""
        if self.virtual_folder is None or self.outlook is None:
            return None
        body = Body(model=self.model, serial=serial_of(self.rig), clock_error_s=self.clock_error_s)
        scenery = VirtualScenery(self.virtual_folder, Photographer(self.outlook, self.seed), body)

        def stage(opened_utc_ns: int, settings: Settings) -> None:
            scenery.stage(opened_utc_ns, settings, filter_on=filter_left(self.faults, opened_utc_ns))

        return stage


@dataclass(frozen=True)
class _HandOver:
    frame: Frame


@dataclass(frozen=True)
class _Withdraw:
    frame_ids: frozenset[str] | None
    reason: MissReason


@dataclass(frozen=True)
class _Close:
    pass


_Message = _HandOver | _Withdraw | _Close


class CameraProcess:
    """The parent's side of one camera process. Starts it at once."""

    def __init__(self, spec: CameraSpec, epoch: ClockEpoch) -> None:
        """Start the process; `epoch` must be the one every process of the run is given.

        Raises:
            OSError: if the system does not start it.
        """
        self.spec = spec
        if spec.outlook is not None:
            render_in_children()
        context = children()
        self._clock = MonotonicClock(epoch)
        # The call going on, written by the child: kind, from when, until when (0: none), for which frame.
        self._call = context.RawArray(ctypes.c_int64, 4)
        _note_call(
            self._call,
            Call(
                CallKind.OPENING,
                now := self._clock.now_ns(),
                now + seconds_to_ns(OPENING_WITHIN_S),
            ),
        )
        self.connection, theirs = context.Pipe()
        """Where reports come from: `recv` gives one, and EOFError or OSError once the process has ended."""
        self._process = start_child(f"camera {spec.rig}", _child_main, spec, epoch, theirs, self._call)
        theirs.close()
        self._outgoing: queue.SimpleQueue[_Message | None] = queue.SimpleQueue()
        threading.Thread(target=self._send_all, name=f"sender {spec.rig}", daemon=True).start()

    @property
    def alive(self) -> bool:
        """Whether the process runs (it may hang all the same)."""
        return self._process.is_alive()

    @property
    def pid(self) -> int | None:
        """The process' id."""
        return self._process.pid

    def send_hand_over(self, frame: Frame) -> None:
        """Give the worker a frame. Returns at once; that a process is gone is seen at `connection`."""
        self._outgoing.put(_HandOver(frame))

    def send_withdraw(self, frame_ids: Collection[str] | None, reason: MissReason) -> None:
        """Take frames back (None: all) unless they are released already. Returns at once."""
        self._outgoing.put(_Withdraw(None if frame_ids is None else frozenset(frame_ids), reason))

    def close(self, timeout_s: float) -> None:
        """Ask the worker to end, wait for it, and kill it if it has not by then.

        Reports it sent before can still be received from `connection`.
        """
        self._outgoing.put(_Close())
        self._process.join(timeout_s)
        self.kill()

    def kill(self) -> bool:
        """End the process now, whatever it does; return whether it is gone.

        One that waits in the kernel is gone only when that wait is over, but never runs again: it is left behind.
        """
        self._process.kill()
        self._process.join(_GONE_WITHIN_S)
        self._outgoing.put(None)
        if self._process.is_alive():
            # so that nobody waits for it when this program ends
            multiprocessing.process._children.discard(self._process.process)  # type: ignore[attr-defined]
            return False
        return True

    @property
    def call(self) -> Call | None:
        """The call to the camera that goes on, or went on when the process ended; None when there is none."""
        kind, from_ns, until_ns, due_utc_ns = self._call
        return Call(_KINDS[kind], from_ns, until_ns, due_utc_ns) if until_ns else None

    def hanging(self, owed_deadline_ns: int | None) -> str | None:
        """Return, in words, what this process should have come back from by now; None when it is in time.

        Args:
            owed_deadline_ns: the earliest deadline of the frames it has not answered for, UTC nanoseconds.
        """
        now, call = self._clock.now_ns(), self.call
        if call is not None:
            return call.words if now > call.until_ns else None
        if owed_deadline_ns is not None and now > owed_deadline_ns + seconds_to_ns(_OVERDUE_S):
            return f"no word of a frame {_OVERDUE_S:.1f} s after its latest release"
        return None

    def _send_all(self) -> None:
        """Send what is queued, one after the other: a pipe that a hung process does not empty blocks only this."""
        with contextlib.suppress(OSError):
            while (message := self._outgoing.get()) is not None:
                self.connection.send(message)


# --- the child's side


def _note_call(shared: Any, call: Call | None) -> None:  # noqa: ANN401 - a ctypes array has no type of its own
    """Write the call going on where the parent sees it: its end last when it begins, and first when it is back."""
    shared[2] = 0
    if call is not None:
        shared[0], shared[1], shared[3] = _KINDS.index(call.kind), call.from_ns, call.due_utc_ns
        shared[2] = call.until_ns


def _child_main(spec: CameraSpec, epoch: ClockEpoch, connection: Connection, shared_call: Any) -> None:  # noqa: ANN401
    os.environ["LC_ALL"] = "C"  # choices and file names are translated otherwise
    os.environ.pop("LANGUAGE", None)
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # memory for threads that pictures have no use for
    os.environ.pop(VIRTUAL_FOLDER_VARIABLE, None)
    if spec.virtual_folder is not None:
        os.environ[VIRTUAL_FOLDER_VARIABLE] = str(spec.virtual_folder)
    hand_memory_back()
    threading.Thread(target=_end_with_parent, name="end with parent", daemon=True).start()
    claim_precedence()
    clock = MonotonicClock(epoch)
    try:
        worker = CameraWorker(
            spec.opener(clock),
            clock,
            release_lag_s=spec.release_lag_s,
            prepare_lead_s=spec.prepare_lead_s,
            word_timeout_s=spec.word_within_s,
            planned_utc_ns=spec.planned_utc_ns,
            on_call=lambda call: _note_call(shared_call, call),
        )
        serve(worker, clock, connection, GarbageCollector())
    except Exception as error:  # noqa: BLE001 - the parent is told, and starts another process
        where = traceback.extract_tb(error.__traceback__)[-1]
        place = f"{Path(where.filename).name}:{where.lineno}"
        with contextlib.suppress(OSError):
            connection.send(Lost(f"the camera's process failed: {type(error).__name__}: {error} ({place})"))
        raise SystemExit(1) from None


def _end_with_parent() -> None:
    """End this process soon after its parent ended, even while a camera call blocks."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        multiprocessing.connection.wait([parent.sentinel])
        threading.Event().wait(_ORPHAN_GRACE_S)
        os._exit(1)


def serve(
    worker: CameraWorker, clock: Clock, connection: Connection, garbage: GarbageCollector | None = None
) -> None:
    """Drive a worker in real time until it is closed or the pipe breaks; then its camera is closed too.

    With `garbage`, reference cycles are collected in waits that are long enough, and only there.
    """
    steps = worker.run()
    try:
        for step in steps:
            try:
                if isinstance(step, WaitUntil):
                    if garbage is not None:
                        garbage.collect_if_idle(step.instant_ns - clock.now_ns())
                    _wait(step.instant_ns, worker, clock, connection)
                else:
                    connection.send(step)
                _pass_on(worker, connection)  # what came until now is seen before the worker goes on
            except (EOFError, OSError):
                return  # the parent is gone: nothing more is released
    finally:
        steps.close()


def _wait(instant_ns: int, worker: CameraWorker, clock: Clock, connection: Connection) -> None:
    """Return at the instant, or earlier when a message has come and was passed on."""
    while (listen_ns := instant_ns - _COARSE_NS - clock.now_ns()) > 0:
        if connection.poll(min(listen_ns / NS_PER_S, _LONGEST_POLL_S)):
            _pass_on(worker, connection)
            return
    clock.sleep_until_ns(instant_ns)


def _pass_on(worker: CameraWorker, connection: Connection) -> None:
    while connection.poll(0):
        message: _Message = connection.recv()
        match message:
            case _HandOver(frame=frame):
                worker.hand_over(frame)
            case _Withdraw(frame_ids=frame_ids, reason=reason):
                worker.withdraw(frame_ids, reason)
            case _Close():
                worker.close()
