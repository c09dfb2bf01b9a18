"""What an operator surface may show: a snapshot of the engine, plain data."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from controller.units import ContactName, FilterState, UtcNs


class RunState(StrEnum):
    """Where the whole run is."""

    READY = "ready"
    """Made, not begun."""
    GOING = "going"
    PAUSED = "paused"
    STOPPED = "stopped"
    """Ended by the operator or a signal."""
    FINISHED = "finished"
    """Ended because nothing is left."""


@dataclass(frozen=True, kw_only=True)
class RigView:
    """One rig, as the operator should see it."""

    name: str
    phase: str
    """The phase it is in or, between phases, the next one; empty after the last."""
    filter_asked: FilterState | None
    """The state an open hold asks for; None when nothing is asked."""
    filter_asked_late_s: float
    """How long past due the asked-for word is; negative while there is time; 0 when nothing is asked."""
    filter_said: FilterState
    camera_ready: bool
    paused: bool
    planned: int
    fired: int
    missed: int
    failed: int
    unknown: int
    next_due_utc_ns: UtcNs | None
    frames_left: int | None
    """On the card; None when the camera does not say."""
    battery_percent: int | None
    last_error: str


@dataclass(frozen=True, kw_only=True)
class RunView:
    """The whole run at one instant."""

    now_utc_ns: UtcNs
    title: str
    time_zone: str
    state: RunState
    next_contact: ContactName | None
    """The next of C1, C2, mid, C3, C4; None after the last."""
    next_contact_utc_ns: UtcNs | None
    next_cue: str
    """What will be spoken next; empty when nothing is left."""
    next_cue_utc_ns: UtcNs | None
    last_said: str
    """The sentence spoken last."""
    alarm: str
    """The one thing that is wrong now, in a few words; empty when all is well."""
    rigs: tuple[RigView, ...]
