"""What an operator surface may show: a snapshot of the engine, plain data."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from controller.units import ContactName, FilterState, UtcNs, utc_iso


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
    doubt: str = ""
    """Why the last pictures do not look like the filter that was said; empty when they do, or cannot tell."""

    @property
    def to_come(self) -> int:
        """How many frames are still to be fired."""
        return self.planned - self.fired - self.missed - self.failed - self.unknown


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
    """The one thing that is wrong now, in a few words, and beside it a journal that is away; empty when all is well."""
    rigs: tuple[RigView, ...]
    heard: tuple[str, ...] = ()
    """The ids of the words that the engine took last, the newest at the end."""


def view_to_dict(view: RunView) -> dict[str, Any]:
    """Return a view as JSON values: times in UTC (ISO 8601), units in the names, None for what is not known."""
    return {
        "title": view.title,
        "time_zone": view.time_zone,
        "state": view.state.value,
        "now_utc": utc_iso(view.now_utc_ns),
        "next_contact": view.next_contact.value if view.next_contact else None,
        "next_contact_utc": _iso(view.next_contact_utc_ns),
        "next_cue": view.next_cue,
        "next_cue_utc": _iso(view.next_cue_utc_ns),
        "last_said": view.last_said,
        "alarm": view.alarm,
        "rigs": [
            {
                "name": rig.name,
                "phase": rig.phase,
                "filter_asked": rig.filter_asked.value if rig.filter_asked else None,
                "filter_asked_late_s": round(rig.filter_asked_late_s, 1),
                "filter_said": rig.filter_said.value,
                "camera_ready": rig.camera_ready,
                "paused": rig.paused,
                "planned": rig.planned,
                "fired": rig.fired,
                "missed": rig.missed,
                "failed": rig.failed,
                "unknown": rig.unknown,
                "next_due_utc": _iso(rig.next_due_utc_ns),
                "frames_left": rig.frames_left,
                "battery_percent": rig.battery_percent,
                "last_error": rig.last_error,
            }
            for rig in view.rigs
        ],
    }


def _iso(instant_utc_ns: int | None) -> str | None:
    return None if instant_utc_ns is None else utc_iso(instant_utc_ns)
