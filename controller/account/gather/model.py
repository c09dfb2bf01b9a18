"""What gathering knows of pictures and frames, and what it makes of them. Plain data."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path

from controller.account.model import FrameAccount
from controller.timeline.model import Timeline
from controller.units import NS_PER_S


@dataclass(frozen=True, kw_only=True)
class Picture:
    """One file and what its EXIF says. None and empty: it does not say."""

    path: Path
    model: str = ""
    serial: str = ""
    """Of the body."""
    number: int | None = None
    """Which of the body's pictures it is, by the body's own count."""
    taken_camera_ns: int | None = None
    """When the exposure began by the camera's own clock, read as if that showed UTC, nanoseconds.

    An offset from UTC that the file gives is taken off."""
    has_subseconds: bool = False
    exposure_s: float | None = None
    f_number: float | None = None
    iso: float | None = None
    problem: str = ""
    """Why nothing could be read of it."""


@dataclass(frozen=True, kw_only=True)
class GatherRun:
    """One of the runs whose pictures are looked for."""

    name: str
    """The folder's name, with a number where two folders have the same."""
    timeline: Timeline


@dataclass(frozen=True, kw_only=True)
class RunFrame:
    """One frame that was fired, or of which nobody knows whether it was."""

    run: GatherRun
    account: FrameAccount
    camera: str = ""
    """The model's name, as the run's journal has it."""

    @property
    def rig(self) -> str:
        """Return the rig's name."""
        return self.account.frame.rig

    @property
    def label(self) -> str:
        """Return what it is called among all runs, e.g. ``2027-08-02-ridge long/0042``."""
        return f"{self.run.name} {self.account.frame.frame_id}"

    @property
    def at_utc_ns(self) -> int:
        """Return when the shutter opened by the host's best estimate; when it was due where none is known."""
        released = self.account.released_utc_ns
        return self.account.due_utc_ns if released is None else released


class Ground(StrEnum):
    """What a match rests on. Time and settings fit in every match."""

    NAME = "name, time and settings"
    TIME = "time and settings"
    """Its name is not the one the camera gave: it was renamed."""
    ORDER = "order, time and settings"
    """One of several alike at one time, as many pictures as frames: the first picture is the first frame."""
    COMPANION = "its companion's match"
    """Its own EXIF cannot be read, and a file of the same name beside it is matched."""


@dataclass(frozen=True, kw_only=True)
class CameraClock:
    """How far the clock of one body was from UTC, estimated from the matches with one rig of one run."""

    model: str
    serial: str
    run: str
    rig: str
    offset_s: float
    """How far it was ahead of UTC at `middle_utc_ns`, seconds."""
    middle_utc_ns: int
    drift_s_per_h: float
    """How much it gained an hour; 0 where too little is known to tell."""
    scatter_s: float
    """Standard deviation of one picture's time about that."""
    uncertainty_s: float
    """Standard uncertainty of `offset_s` against the host's estimates of the openings."""
    matches: int

    def utc_ns(self, taken_camera_ns: int) -> int:
        """Return UTC for an instant by this clock, nanoseconds."""
        near = taken_camera_ns - round(self.offset_s * NS_PER_S)
        gained = self.drift_s_per_h * (near - self.middle_utc_ns) / 3600
        return near - round(gained)


@dataclass(frozen=True, kw_only=True)
class Match:
    """One frame and its files: raw, JPEG, copies."""

    frame: RunFrame
    pictures: tuple[Picture, ...]
    """The first is the one whose EXIF was matched."""
    ground: Ground
    residual_s: float
    """The picture's time, its clock put right, minus the frame's."""
    clock: CameraClock
    companions: tuple[Path, ...] = ()
    """Which of the files are here by `Ground.COMPANION` alone."""

    @property
    def taken_utc_ns(self) -> int:
        """Return when the exposure began: the host's estimate, or the camera's time put right where there is none."""
        released = self.frame.account.released_utc_ns
        taken = self.pictures[0].taken_camera_ns
        if released is not None or taken is None:
            return self.frame.at_utc_ns
        return self.clock.utc_ns(taken)


@dataclass(frozen=True, kw_only=True)
class Doubt:
    """Pictures and frames that may belong together in more than one way. Nothing is guessed."""

    pictures: tuple[Picture, ...]
    frames: tuple[RunFrame, ...]
    why: str


@dataclass(frozen=True, kw_only=True)
class Leftover:
    """A picture that is of no frame, and why."""

    picture: Picture
    why: str


@dataclass(frozen=True, kw_only=True)
class LostFrame:
    """A fired frame without a picture, and why."""

    frame: RunFrame
    why: str


@dataclass(frozen=True, kw_only=True)
class Gathering:
    """Everything that was made of the pictures and frames."""

    matches: tuple[Match, ...]
    """By the instant of exposure."""
    doubts: tuple[Doubt, ...] = ()
    leftovers: tuple[Leftover, ...] = ()
    """Pictures in no match and no doubt, by path."""
    lost: tuple[LostFrame, ...] = ()
    """Fired frames in no match and no doubt. A frame of unknown outcome without a picture is not among them."""
    clocks: tuple[CameraClock, ...] = field(default=())
