"""One camera's frames, fired in order: the code a live process and a simulated day both run.

`CameraWorker.run` is a generator. It yields two kinds of thing and needs nothing sent back:

* `WaitUntil(instant_ns)`: resume me at that instant, or earlier when a message has come. Before it
  resumes the worker the driver must have passed on every message that has come (`hand_over`, `withdraw`,
  `close`). One such wait, possibly to an instant already past, always comes straight before a release,
  so a withdrawal that came in time is always seen.
* a `Report`: send it on, then resume at once. `Opened`: the camera is ready (again). `Lost`: it is not,
  and the worker goes on trying to open it. `StatusReport`: battery and free frames. `Outcome`: how one
  frame ended. `Preview`: a small picture of one, fetched when no other is near.

Camera calls block inside the generator, by the clock the camera and the worker share: under a virtual
clock they move that clock, and the driver resumes the worker at its own local time.

Promises. Every frame handed over gets exactly one `Outcome`. A frame is released at most once, never
after its deadline, never when its exposure would end after `ends_by_utc_ns`, never after a withdrawal that
was passed on before. A frame handed over again while it waits replaces the one waiting (a moved frame);
a frame that may have been exposed is never taken again. `run` ends after `close`: what still waits is
reported missed (stopped), and the camera is closed, also when the generator itself is closed or dropped.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import deque
from collections.abc import Callable, Collection, Generator, Sequence
from dataclasses import dataclass
from enum import Enum

from controller.cameras.protocol import (
    Camera,
    CameraFacts,
    CameraFault,
    CameraStatus,
    Captured,
    Clock,
    MissReason,
    Outcome,
    OutcomeState,
    Previewing,
    Readback,
)
from controller.errors import CameraError
from controller.light.stops import longest_exposure_s
from controller.timeline.model import Frame
from controller.units import FAR_NS, NS_PER_S, seconds_to_ns, utc_iso

TIMER_SLACK_NS = 2_000_000
"""A wait may end this late without making a frame late whose deadline is its due instant."""
STATUS_ROOM_NS = 2 * NS_PER_S
"""The camera is not asked for its status when a frame has to be prepared sooner than this."""
PREVIEW_ROOM_NS = 4 * NS_PER_S
"""No small picture is fetched when a frame has to be prepared sooner than this, be it one that is only planned yet."""
PREVIEW_SLOW_NS = 2 * NS_PER_S
"""A camera that took so long over a small picture is asked for no more of them."""
SETTING_RETRY_NS = NS_PER_S // 5
REOPEN_DELAYS_S = (0.0, 0.2, 0.5, 1.0, 2.0, 5.0)
"""Pauses before attempts to open a lost camera, until a call succeeds again; the last one repeats."""
FAILURES_TO_REOPEN = 3
"""So many failed frames in a row, whatever their code, and the camera is opened anew."""

OPENING_WITHIN_S = 25.0
"""A call that opens a camera hangs after this: a driver gives up on a silent USB device after 20 s (libgphoto2's
PTP driver, from memory)."""
CALL_WITHIN_S = 8.0
"""A call that sets, asks or closes a camera hangs after this; the slowest body known needs half of it (from memory)."""
PREVIEW_WITHIN_S = PREVIEW_ROOM_NS / NS_PER_S
"""A call that fetches a small picture hangs after this: nothing waits for what is only looked at."""
WORD_GRACE_S = 1.0
"""A frame's call hangs when it is not back so long after the worker itself should have given up."""


class CallKind(Enum):
    """What a camera is called for, in words that follow "no answer within 25.0 s of"."""

    OPENING = "opening the camera"
    SETTING = "setting the camera"
    ASKING = "asking for battery and card"
    CLOSING = "letting go of the camera"
    PREVIEW = "fetching a small picture"
    FRAME = "releasing a frame"


@dataclass(frozen=True)
class Call:
    """A call to the camera that has begun; it blocks, and hangs when it is not back by `until_ns`."""

    kind: CallKind
    from_ns: int
    """From when its time counts, UTC nanoseconds: a frame's from the end of its exposure."""
    until_ns: int
    due_utc_ns: int = 0
    """The due instant of the frame it is for; 0 when it is for none."""

    @property
    def words(self) -> str:
        """What is to be said of it once it hangs."""
        within_s = (self.until_ns - self.from_ns) / NS_PER_S
        if self.kind is CallKind.FRAME:
            return f"no answer {within_s:.1f} s after its exposure should have ended"
        return f"no answer within {within_s:.1f} s of {self.kind.value}"


def word_patience_s(exposure_s: float, word_within_s: float) -> float:
    """Return how long after an exposure to wait for the camera's word, in seconds.

    An exposure of a second or more may be followed by a dark one of the same length (in-camera noise reduction; from
    about a second on, common practice, no single source), and only then is the picture written.
    """
    return word_within_s + (exposure_s if exposure_s >= 1.0 else 0.0)


@dataclass(frozen=True)
class WaitUntil:
    """Resume the worker at this instant, or earlier when a message has come."""

    instant_ns: int


@dataclass(frozen=True)
class Opened:
    """The camera is open and ready."""

    facts: CameraFacts


@dataclass(frozen=True)
class StatusReport:
    """What the camera says of its battery and card."""

    status: CameraStatus


@dataclass(frozen=True)
class Lost:
    """The camera cannot be used; the worker goes on trying to open it. Sent when the reason changes."""

    detail: str


@dataclass(frozen=True)
class Preview:
    """A small JPEG of a frame whose outcome was told before."""

    frame_id: str
    thumbnail: bytes


Report = Opened | Outcome | StatusReport | Lost | Preview


class CameraWorker:
    """The frames of one camera, and the state of the connection to it."""

    def __init__(
        self,
        opener: Callable[[], Camera],
        clock: Clock,
        *,
        release_lag_s: float,
        prepare_lead_s: float = 1.0,
        word_timeout_s: float = 5.0,
        status_every_s: float = 10.0,
        on_call: Callable[[Call | None], None] = lambda _: None,
        planned_utc_ns: Sequence[int] = (),
    ) -> None:
        """Make a worker; nothing is opened before `run` is driven.

        Args:
            opener: opens the camera; may raise `CameraFault` or `CameraError`, and is called again then.
            clock: the clock the camera runs by too.
            release_lag_s: from the release command to the shutter opening, seconds, as measured.
            prepare_lead_s: how long before a release its settings are made, seconds.
            word_timeout_s: how long after the end of an exposure to wait for the camera's word, seconds; longer
                where `word_patience_s` says so.
            status_every_s: how often to ask an idle camera for its status, seconds.
            on_call: told of each call to the camera before it begins, and with None once it is back.
            planned_utc_ns: when frames are due by the plan, UTC nanoseconds: they are handed over only seconds ahead,
                and no small picture may be in the way of one.
        """
        self._opener = opener
        self._clock = clock
        self._lag_ns = seconds_to_ns(release_lag_s)
        self._lead_ns = seconds_to_ns(prepare_lead_s)
        self._word_timeout_s = word_timeout_s
        self._status_every_ns = seconds_to_ns(status_every_s)
        self._on_call = on_call
        self._planned_ns = sorted(planned_utc_ns)
        self._waiting: list[Frame] = []
        self._outbox: deque[Report] = deque()
        self._released: set[str] = set()
        self._closing = False
        self._camera: Camera | None = None
        self._attempts = 0
        self._next_attempt_ns = 0
        self._lost_detail: str | None = None
        self._set: tuple[Frame, Readback] | None = None
        self._trouble: tuple[Frame, CameraFault] | None = None
        self._retry_ns = 0
        self._status_ns = 0
        self._failures = 0
        self._fault: CameraFault | None = None  # of the last frame
        self._unseen: tuple[str, str] | None = None  # the last frame without a picture, and its file
        self._previews_slow = False

    # Messages: called by the driver while the generator is suspended.

    def hand_over(self, frame: Frame) -> None:
        """Take a frame. One that waits under the same id is replaced; one already released is ignored."""
        if frame.frame_id in self._released:
            return
        self._waiting = [kept for kept in self._waiting if kept.frame_id != frame.frame_id]
        self._waiting.append(frame)
        self._waiting.sort(key=lambda kept: (kept.due_utc_ns, kept.frame_id))

    def withdraw(self, frame_ids: Collection[str] | None, reason: MissReason) -> None:
        """Take frames back, all of them with None; those not yet released are reported missed."""
        for frame in list(self._waiting):
            if frame_ids is None or frame.frame_id in frame_ids:
                self._miss(frame, reason, "withdrawn before its release")

    def close(self) -> None:
        """End `run` at its next step."""
        self._closing = True

    # The run.

    def run(self) -> Generator[WaitUntil | Report, None, None]:
        """Fire frames until `close`; see the module's text for what is yielded."""
        try:
            while True:
                self._drop_late()
                while self._outbox:
                    yield self._outbox.popleft()
                if self._closing:
                    break
                wait = self._step()
                if wait is None:
                    continue
                head = self._head()
                yield wait
                if head is not None and self._is_due(head) and self._fire(head):
                    # Reported is before a camera that failed is let go of: should that hang, what was released is known.
                    while self._outbox:
                        yield self._outbox.popleft()
                    self._after_frame()
            for frame in list(self._waiting):
                self._miss(frame, MissReason.STOPPED, "the camera was closed")
            while self._outbox:
                yield self._outbox.popleft()
        finally:
            self._drop_camera()

    def _step(self) -> WaitUntil | None:
        """Do one thing that is due (None), or say how long there is nothing to do."""
        now = self._clock.now_ns()
        if self._camera is None:
            if now >= self._next_attempt_ns:
                self._open()
                return None
            return WaitUntil(min([self._next_attempt_ns, *map(self._late_from_ns, self._waiting)]))
        head = self._head()
        prepare_ns = FAR_NS if head is None else self._release_ns(head) - self._lead_ns
        if head is None or now < prepare_ns:
            if now >= self._status_ns and prepare_ns - now >= STATUS_ROOM_NS:
                self._ask_status(self._camera)
                return None
            if self._unseen is not None and self._has_room_for_preview(now, prepare_ns):
                self._fetch_preview(self._camera, *self._unseen)
                return None
            if prepare_ns - max(now, self._status_ns) < STATUS_ROOM_NS:
                return WaitUntil(prepare_ns)
            return WaitUntil(min(prepare_ns, self._status_ns))
        if self._ready_for(head):
            return WaitUntil(self._release_ns(head))
        if now < self._retry_ns:
            return WaitUntil(self._retry_ns)
        self._configure(self._camera, head)
        return None

    def _has_room_for_preview(self, now: int, prepare_ns: int) -> bool:
        upcoming = bisect_right(self._planned_ns, now)
        if upcoming < len(self._planned_ns):
            prepare_ns = min(prepare_ns, self._planned_ns[upcoming] - self._lag_ns - self._lead_ns)
        return prepare_ns - now >= PREVIEW_ROOM_NS

    def _head(self) -> Frame | None:
        return self._waiting[0] if self._waiting else None

    def _is_due(self, frame: Frame) -> bool:
        """Return whether to release this frame now; asked after every message that came was passed on."""
        still_wanted = not self._closing and self._head() is frame
        return still_wanted and self._ready_for(frame) and self._clock.now_ns() >= self._release_ns(frame)

    def _release_ns(self, frame: Frame) -> int:
        return frame.due_utc_ns - self._lag_ns

    def _late_from_ns(self, frame: Frame) -> int:
        """Return the first instant at which a release would open the shutter past the deadline."""
        return frame.deadline_utc_ns - self._lag_ns + TIMER_SLACK_NS + 1

    def _ready_for(self, frame: Frame) -> bool:
        if self._camera is None or self._set is None or self._set[0].settings != frame.settings:
            return False
        if self._set[0] is frame:
            return True
        readback = self._set[1]  # of an earlier frame: made again only where the camera named another value
        return all(getattr(readback, _FIELD_OF[name]) is None for name in readback.differs)

    # Reports.

    def _miss(
        self, frame: Frame, reason: MissReason, detail: str, *, code: int | None = None, lost: bool = False
    ) -> None:
        self._waiting = [kept for kept in self._waiting if kept is not frame]
        self._outbox.append(
            Outcome(
                frame_id=frame.frame_id,
                state=OutcomeState.MISSED,
                at_utc_ns=self._clock.now_ns(),
                reason=reason,
                detail=detail,
                code=code,
                readback=self._set[1] if self._set is not None and self._set[0] is frame else None,
                camera_lost=lost,
            )
        )

    def _drop_late(self) -> None:
        now = self._clock.now_ns()
        for frame in list(self._waiting):
            if now < self._late_from_ns(frame):
                continue
            if self._camera is None:
                self._miss(frame, MissReason.CAMERA, self._lost_detail or "the camera was not open in time")
            elif self._trouble is not None and frame is self._trouble[0]:
                fault = self._trouble[1]
                self._miss(frame, fault.reason, fault.what, code=fault.code)
            else:
                late_s = (now + self._lag_ns - frame.due_utc_ns) / NS_PER_S
                self._miss(frame, MissReason.LATE, f"could only have opened {late_s:.3f} s after its time")

    # The camera.

    def _open(self) -> None:
        camera: Camera | None = None
        self._calling(CallKind.OPENING, OPENING_WITHIN_S)
        try:
            camera = self._opener()
            facts = camera.probe()
        except (CameraFault, CameraError) as error:
            if camera is not None:
                camera.close()
            self._on_call(None)
            self._lose(str(error))
            return
        self._on_call(None)
        self._camera = camera
        self._lost_detail = None
        self._failures = 0
        self._status_ns = self._clock.now_ns() + self._status_every_ns
        self._outbox.append(Opened(facts))

    def _drop_camera(self) -> None:
        camera, self._camera, self._set, self._trouble = self._camera, None, None, None
        if camera is not None:
            self._calling(CallKind.CLOSING, CALL_WITHIN_S)
            camera.close()
            self._on_call(None)

    def _calling(self, kind: CallKind, within_s: float) -> None:
        """Tell that a call begins now, and that it hangs when it takes longer."""
        now = self._clock.now_ns()
        self._on_call(Call(kind, now, now + seconds_to_ns(within_s)))

    def _lose(self, detail: str) -> None:
        """Drop the camera and set when to open it again: at once, then after ever longer pauses."""
        self._drop_camera()
        pause = REOPEN_DELAYS_S[min(self._attempts, len(REOPEN_DELAYS_S) - 1)]
        self._attempts += 1
        self._next_attempt_ns = self._clock.now_ns() + seconds_to_ns(pause)
        if detail != self._lost_detail:
            self._lost_detail = detail
            self._outbox.append(Lost(detail))

    def _ask_status(self, camera: Camera) -> None:
        self._calling(CallKind.ASKING, CALL_WITHIN_S)
        try:
            self._outbox.append(StatusReport(camera.status()))
            self._on_call(None)
            self._attempts = 0
        except CameraFault as fault:
            self._on_call(None)
            if fault.lost:
                self._lose(fault.what)
        self._status_ns = self._clock.now_ns() + self._status_every_ns

    def _fetch_preview(self, camera: Camera, frame_id: str, file_name: str) -> None:
        """Ask for a small picture of the last frame, once; a camera that is slow at it is never asked again."""
        self._unseen = None
        if not isinstance(camera, Previewing) or self._previews_slow:
            return
        began_ns = self._clock.now_ns()
        self._calling(CallKind.PREVIEW, PREVIEW_WITHIN_S)
        try:
            picture = camera.preview(file_name)
            self._on_call(None)
        except CameraFault as fault:
            self._on_call(None)
            self._previews_slow = True
            if fault.lost:
                self._lose(fault.what)
            return
        self._previews_slow = self._clock.now_ns() - began_ns > PREVIEW_SLOW_NS
        if picture is not None:
            self._outbox.append(Preview(frame_id, picture))

    def _configure(self, camera: Camera, frame: Frame) -> None:
        self._set = None
        self._calling(CallKind.SETTING, CALL_WITHIN_S)
        try:
            self._set = (frame, camera.configure(frame.settings))
            self._on_call(None)
            self._trouble = None
            self._attempts = 0
        except CameraFault as fault:
            self._on_call(None)
            if fault.lost:
                self._lose(fault.what)  # the frame goes on waiting: the camera may be back in time
            elif fault.reason is MissReason.SETTINGS:
                self._miss(frame, fault.reason, fault.what, code=fault.code)
            else:
                self._trouble = (frame, fault)
                self._retry_ns = self._clock.now_ns() + SETTING_RETRY_NS

    def _fire(self, frame: Frame) -> bool:
        """Release the frame now, unless it would be late or overrun; wait for the camera's word, and keep the report.

        Return whether the camera was told to release.
        """
        camera, readback = self._camera, self._set[1] if self._set is not None else None
        began = self._clock.now_ns()
        if camera is None or began >= self._late_from_ns(frame):
            return False  # the next round drops it
        asked_s, read_s = frame.settings.exposure_s, readback.exposure_s if readback else None
        exposure_s = longest_exposure_s(max(asked_s, read_s or 0.0))
        ends_ns = began + self._lag_ns + seconds_to_ns(exposure_s)
        if ends_ns > frame.ends_by_utc_ns:
            over_s = (ends_ns - frame.ends_by_utc_ns) / NS_PER_S
            ends_by = utc_iso(frame.ends_by_utc_ns)
            self._miss(frame, MissReason.WINDOW, f"would have ended {over_s:.3f} s after {ends_by}")
            return False
        self._waiting = [kept for kept in self._waiting if kept is not frame]
        self._released.add(frame.frame_id)
        captured: Captured | None = None
        fault: CameraFault | None = None
        patience_s = word_patience_s(exposure_s, self._word_timeout_s)
        until_ns = ends_ns + seconds_to_ns(patience_s + WORD_GRACE_S)
        self._on_call(Call(CallKind.FRAME, ends_ns, until_ns, frame.due_utc_ns))
        try:
            camera.release(frame.settings)
            captured = camera.collect(exposure_s + patience_s)
        except CameraFault as caught:
            fault = caught
        self._on_call(None)
        if captured is not None and captured.thumbnail is None:
            self._unseen = frame.frame_id, captured.file_name
        if fault is not None and fault.exposed is False:
            self._released.discard(frame.frame_id)
            self._miss(frame, fault.reason, fault.what, code=fault.code, lost=fault.lost)
        else:
            self._outbox.append(
                Outcome(
                    frame_id=frame.frame_id,
                    state=OutcomeState.FIRED if fault is None else OutcomeState.FAILED,
                    at_utc_ns=self._clock.now_ns(),
                    reason=fault.reason if fault is not None else None,
                    detail=fault.what if fault is not None else "",
                    code=fault.code if fault is not None else None,
                    released_utc_ns=began + self._lag_ns,
                    captured=captured,
                    readback=readback,
                    camera_lost=fault is not None and fault.lost,
                )
            )
        self._fault = fault
        return True

    def _after_frame(self) -> None:
        fault = self._fault
        self._status_ns = self._clock.now_ns()
        if fault is None:
            self._failures = self._attempts = 0
            return
        self._failures += fault.reason is MissReason.CAMERA
        if fault.lost:
            self._lose(fault.what)
        elif self._failures >= FAILURES_TO_REOPEN:
            self._lose(
                f"{self._failures} frames in a row failed, so it is opened anew; the last: {fault.what}"
            )


_FIELD_OF = {"exposure": "exposure_s", "f_number": "f_number", "iso": "iso"}
