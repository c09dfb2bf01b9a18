"""What goes into the engine (events) and what comes out of it (effects). Plain, frozen data.

Every event carries the instant at which it is handed in, UTC nanoseconds. Effects are to be carried
out in the order given: a `Record` stands before the effect that it announces, and is on the disk
before that effect begins.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from controller.timeline.model import Frame
from controller.units import FilterState, UtcNs

PictureVerdict = Literal["agrees", "contradicts", "cannot tell"]
"""What a picture says of the word on the filter."""

# --- events -----------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class Event:
    """Base of all events."""

    now_utc_ns: UtcNs


@dataclass(frozen=True, kw_only=True)
class Begin(Event):
    """The run begins. `facts` go into the first record as they are."""

    facts: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class TimePassed(Event):
    """Nothing but time has passed."""


@dataclass(frozen=True, kw_only=True)
class OperatorEvent(Event):
    """Base of what the operator says. Where it was said goes into the journal, and its id into the view."""

    word_id: str | None = None
    """What the surface calls this word; it comes back in `RunView.heard` once the word is taken."""
    by: str = ""
    """``terminal``, ``page`` or ``script``; empty where nobody tells."""
    more_follow: bool = False
    """Whether the same word goes on with another rig: until its last event it is not heard in full."""


@dataclass(frozen=True, kw_only=True)
class FilterSaid(OperatorEvent):
    """The operator says which state the filter is in; `rig` None: on all rigs that point at the Sun."""

    rig: str | None
    state: FilterState


@dataclass(frozen=True, kw_only=True)
class FrameFired(Event):
    """The camera has said that the frame exists."""

    frame_id: str
    released_utc_ns: UtcNs
    """Host's best estimate of the shutter's opening."""
    report: Mapping[str, Any] = field(default_factory=dict)
    """File name, settings read back and the like, for the record."""


@dataclass(frozen=True, kw_only=True)
class FrameMissed(Event):
    """A frame that was handed over was not tried."""

    frame_id: str
    reason: str
    detail: str = ""


@dataclass(frozen=True, kw_only=True)
class FrameFailed(Event):
    """A frame was tried and the camera did not say that it exists."""

    frame_id: str
    detail: str
    code: int | None = None


@dataclass(frozen=True, kw_only=True)
class CameraReady(Event):
    """A rig's camera is open."""

    rig: str
    model: str = ""


@dataclass(frozen=True, kw_only=True)
class CameraLost(Event):
    """A rig's camera cannot be used for now."""

    rig: str
    detail: str


@dataclass(frozen=True, kw_only=True)
class CameraReport(Event):
    """What a camera says of its battery and card; None where it says nothing."""

    rig: str
    battery_percent: int | None
    frames_left: int | None


@dataclass(frozen=True, kw_only=True)
class PictureSeen(Event):
    """A small picture of a frame has come and was held against the word on the filter. It moves no hold (HF-S30)."""

    rig: str
    frame_id: str
    said: FilterState
    """The word that it was held against; `NOT_NEEDED` where it was held against none."""
    verdict: PictureVerdict
    stops: float = 0.0
    """Brighter (above zero) or darker than the model."""
    at_least: bool = False
    """It is so many stops off or more."""
    shows: str = ""
    """In words that follow "the picture"."""


@dataclass(frozen=True, kw_only=True)
class PauseAsked(OperatorEvent):
    """Fire nothing more for now; `rig` None: on all rigs."""

    rig: str | None = None


@dataclass(frozen=True, kw_only=True)
class GoOnAsked(OperatorEvent):
    """The end of a pause."""

    rig: str | None = None


@dataclass(frozen=True, kw_only=True)
class StopAsked(OperatorEvent):
    """End the run now."""

    by: str = "operator"


@dataclass(frozen=True, kw_only=True)
class ClockStepped(Event):
    """The wall clock was seen to step against the monotonic clock."""

    step_s: float


@dataclass(frozen=True, kw_only=True)
class JournalMoved(Event):
    """The journal goes on elsewhere: its disk takes no more, or takes it again. The journal itself says so, too."""

    place: str | None
    """The file it goes on in; None when it is back in the run's folder."""


@dataclass(frozen=True, kw_only=True)
class Noted(OperatorEvent):
    """Something beside the run that its journal should tell: a screen failed; or, said by somebody, there is cloud."""

    text: str


# --- effects ----------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class Record:
    """Write this to the journal, and flush it before the next effect."""

    kind: str
    at_utc_ns: UtcNs
    data: Mapping[str, Any]


@dataclass(frozen=True, kw_only=True)
class HandOver:
    """Give this frame to its camera's worker, which releases it at its due instant."""

    frame: Frame


@dataclass(frozen=True, kw_only=True)
class Withdraw:
    """Take these frames back from the rig's worker unless they are already released."""

    rig: str
    frame_ids: tuple[str, ...]
    reason: str


@dataclass(frozen=True, kw_only=True)
class Say:
    """Speak this now."""

    text: str
    urgent: bool
    due_utc_ns: UtcNs
    """When it was to be said: from then on it grows late."""


@dataclass(frozen=True, kw_only=True)
class WakeAt:
    """Hand in `TimePassed` at this instant (or sooner)."""

    instant_utc_ns: UtcNs


@dataclass(frozen=True, kw_only=True)
class Finish:
    """The run is over."""

    outcome: str
    """``finished`` or ``stopped``."""


Effect = Record | HandOver | Withdraw | Say | WakeAt | Finish
