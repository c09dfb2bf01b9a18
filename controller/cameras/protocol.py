"""The seam between a run and a camera, and what comes back over it.

A backend blocks in its calls; it is only ever used by one worker (one thread, and in a live run one
process) at a time. All instants are UTC nanoseconds by the clock the worker was given.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Protocol, runtime_checkable

from controller.timeline.model import Settings


class Clock(Protocol):
    """The worker's time. Live: the monotonic clock with a fixed offset to UTC. Simulated: virtual."""

    def now_ns(self) -> int:
        """Return the present instant, UTC nanoseconds."""
        ...

    def sleep_until_ns(self, instant_ns: int) -> None:
        """Return no earlier than `instant_ns` (at once when it is past)."""
        ...


class MissReason(StrEnum):
    """Why a frame that was not tried was not fired."""

    LATE = "late"
    HELD = "held"
    CAMERA = "camera"
    BUFFER = "buffer"
    CARD = "card full"
    REFIT = "no room after refit"
    PAUSED = "paused"
    STOPPED = "stopped"
    WINDOW = "outside its window"
    SETTINGS = "setting not accepted"


class CameraFault(Exception):  # noqa: N818 - a trade word, as in errors.Fault
    """A backend call that failed. Decided by code, never by text.

    `lost`: the connection is gone and the camera has to be opened again.
    `exposed`: whether a picture may have been taken: True, False, or None when nobody can know.
    """

    def __init__(
        self,
        what: str,
        *,
        code: int | None = None,
        lost: bool = False,
        exposed: bool | None = None,
        reason: MissReason = MissReason.CAMERA,
    ) -> None:
        super().__init__(what)
        self.what = what
        self.code = code
        self.lost = lost
        self.exposed = exposed
        self.reason = reason


@dataclass(frozen=True, kw_only=True)
class Readback:
    """Settings as the camera reports them after they were set, with its own words for them.

    A number is None where the camera gives none (a manual lens, an unreadable widget)."""

    exposure_s: float | None
    f_number: float | None
    iso: int | None
    words: dict[str, str] = field(default_factory=dict)
    """Widget name -> the camera's text."""
    differs: tuple[str, ...] = ()
    """Which of ``exposure``, ``f_number``, ``iso`` were asked and read back otherwise (or not at all)."""


@dataclass(frozen=True, kw_only=True)
class Captured:
    """The camera's own word that a frame exists."""

    file_name: str
    """Folder and name on the card, as the camera reports them (or the path written, when simulated)."""
    reported_utc_ns: int
    """When the host heard it; not the time of exposure."""
    thumbnail: bytes | None = None
    """A small JPEG of it, where the camera gives one with its word; see `Previewing` for others."""


@dataclass(frozen=True, kw_only=True)
class CameraStatus:
    """What a camera says of itself; None where it does not say."""

    battery_percent: int | None = None
    frames_left: int | None = None


@dataclass(frozen=True, kw_only=True)
class CameraFacts:
    """What a probe found: identity, choices, and what the operator must turn by hand."""

    model: str
    port: str
    shutter_s: tuple[float, ...]
    f_numbers: tuple[float, ...]
    isos: tuple[int, ...]
    status: CameraStatus
    by_hand: tuple[str, ...] = ()
    """Sentences: "Turn the mode dial to M: ..." and the like. Empty when all is well."""
    in_use: str = ""
    """Says which other holdfire has the camera open; nothing more is known of it then. Empty when none has."""
    simulated: bool = False
    """True for the simulated camera and for libgphoto2's virtual one: a scripted operator is allowed."""


@runtime_checkable
class Camera(Protocol):
    """One camera, opened. Every method raises `CameraFault` and nothing else."""

    def probe(self) -> CameraFacts:
        """Return identity, listed choices, status, and what must be set by hand."""
        ...

    def configure(self, settings: Settings) -> Readback:
        """Choose from the listed values, set, read back, compare.

        A value that is not listed (within 1/6 stop) raises `CameraFault` with reason SETTINGS and
        exposed False. A value that reads back otherwise is returned in `Readback.differs`.
        """
        ...

    def release(self, settings: Settings) -> None:
        """Open the shutter now, with settings already configured. May return before the exposure ends."""
        ...

    def collect(self, timeout_s: float) -> Captured:
        """Wait for the camera's word on the frame last released.

        Raises CameraFault with exposed None when the word does not come in time.
        """
        ...

    def status(self) -> CameraStatus:
        """Return battery and free frames."""
        ...

    def close(self) -> None:
        """Leave the camera as found; never raises."""
        ...


@runtime_checkable
class Previewing(Protocol):
    """What a camera has that gives small pictures of frames it took when asked for them."""

    def preview(self, file_name: str) -> bytes | None:
        """Return a small JPEG of a picture named as in `Captured`; None where there is none or it is too large.

        It may take long, so it is asked for only when no frame is near. Raises CameraFault alone.
        """
        ...


class OutcomeState(StrEnum):
    """How a frame handed to a worker ended, as far as the worker knows."""

    FIRED = "fired"
    MISSED = "missed"
    FAILED = "failed"


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """The worker's report on one frame. Exactly one is sent for every frame handed over."""

    frame_id: str
    state: OutcomeState
    at_utc_ns: int
    """When the worker knew."""
    reason: MissReason | None = None
    detail: str = ""
    code: int | None = None
    released_utc_ns: int | None = None
    """When the release call began plus the measured release lag: the best host estimate of the opening."""
    captured: Captured | None = None
    readback: Readback | None = None
    camera_lost: bool = False
    """The camera has to be opened again; the worker is doing so."""
