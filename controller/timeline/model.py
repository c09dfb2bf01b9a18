"""The frozen timeline. All instants are UTC nanoseconds; all durations carry their unit.

It is plain data: it can be written to JSON and read back (`to_json`, `from_json`) and is what the
engine plays, what a resumed run continues and what the account compares the journal with.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from functools import cache
from typing import TYPE_CHECKING, Literal

from controller.light.stops import longest_exposure_s
from controller.timeline.phrases import Phrases, english
from controller.units import ContactName, FilterState, UtcNs, Wanted, seconds_to_ns

if TYPE_CHECKING:
    from pydantic import TypeAdapter


@dataclass(frozen=True, kw_only=True)
class Settings:
    """The exposure settings of one frame."""

    exposure_s: float
    """Nominal exposure time, seconds (1/1000 is 0.001)."""
    f_number: float
    iso: int

    @property
    def longest_exposure_ns(self) -> int:
        """How long the camera may expose, nanoseconds: see `controller.light.stops.longest_exposure_s`."""
        return seconds_to_ns(longest_exposure_s(self.exposure_s))


@dataclass(frozen=True, kw_only=True)
class Frame:
    """One release of one shutter."""

    frame_id: str
    """Unique in the timeline, e.g. ``long/0042``."""
    rig: str
    phase: str
    shot: str
    take: int
    """Which repetition of the shot, from 1."""
    step: int
    """Which frame of the take, from 1, in firing order."""
    settings: Settings
    wanted: Wanted
    filter_need: FilterState
    due_utc_ns: UtcNs
    """When the shutter is to open."""
    deadline_utc_ns: UtcNs
    """The latest release; past it the frame is missed."""
    ends_by_utc_ns: UtcNs
    """The exposure must have ended by then (end of the phase or of the unfiltered window)."""
    starts_from_utc_ns: UtcNs
    """The earliest release when refitted."""
    movable_until_utc_ns: UtcNs
    """The latest release when refitted: the end of the shot's own stretch."""
    slot_ns: int
    """How long the frame occupies the camera, exposure included."""


@dataclass(frozen=True, kw_only=True)
class Phase:
    """A stretch of one rig's day with one filter state."""

    name: str
    rig: str
    starts_utc_ns: UtcNs
    ends_utc_ns: UtcNs
    filter_need: FilterState


@dataclass(frozen=True, kw_only=True)
class Hold:
    """Nothing of `phase` fires on `rig` until the operator has said the filter is `needs`.

    One hold covers all phases in a row that need the same; `phase` is the first of them.
    """

    hold_id: str
    rig: str
    phase: str
    needs: FilterState
    opens_utc_ns: UtcNs
    """When the filter is asked for."""
    due_utc_ns: UtcNs
    """When it has to be so: a word after this is late. The start of the phase or, for a filter that goes
    back on, the end of the unfiltered window if that comes first."""
    closes_utc_ns: UtcNs
    """When the last phase it covers ends: after this the hold has no use."""


@dataclass(frozen=True, kw_only=True)
class Cue:
    """A sentence spoken at an instant; dropped when it would be later than 1 s."""

    cue_id: str
    at_utc_ns: UtcNs
    say: str
    rig: str | None = None
    """None: for everybody."""


@dataclass(frozen=True, kw_only=True)
class RigInfo:
    """What the run needs to know of a rig."""

    name: str
    driver: Literal["simulated", "tethered"]
    match: str | None
    points_at_sun: bool
    filter_text: str
    """What the filter is, for the cues; empty when there is none."""
    release_lag_s: float
    word_within_s: float = 5.0
    """How long after an exposure its camera's word of the picture may take."""


@dataclass(frozen=True, kw_only=True)
class Timeline:
    """Everything that is to happen, in order."""

    title: str
    site_name: str
    latitude_deg: float
    longitude_deg: float
    elevation_m: float
    time_zone: str
    kind: str
    """``partial``, ``annular`` or ``total`` at the site."""
    contacts_utc_ns: dict[ContactName, UtcNs]
    contacts_note: str
    """Constants, ephemeris, Delta-T and uncertainty the contacts were computed with, in one sentence."""
    contacts_uncertainty_s: float
    contacts_keyed_to: str = "mean limb"
    """``mean limb`` or ``lunar limb``: which C2 and C3 `contacts_utc_ns` are."""
    contacts_mean_utc_ns: dict[ContactName, UtcNs] = field(default_factory=dict)
    """With the mean limb, where `contacts_utc_ns` are not; empty otherwise."""
    unfiltered_from_utc_ns: UtcNs | None
    """No unfiltered exposure may start before; None: none at all may be made."""
    unfiltered_until_utc_ns: UtcNs | None
    """Every unfiltered exposure must have ended by then."""
    rigs: tuple[RigInfo, ...]
    phases: tuple[Phase, ...]
    holds: tuple[Hold, ...]
    frames: tuple[Frame, ...]
    """Sorted by due instant, then frame_id."""
    cues: tuple[Cue, ...]
    phrases: Phrases = field(default_factory=english)
    """What else can be said, and the language of all of it."""

    def to_json(self) -> bytes:
        """Return the timeline as canonical JSON (UTF-8)."""
        return _adapter().dump_json(self)

    @staticmethod
    def from_json(data: bytes) -> Timeline:
        """Read what `to_json` wrote.

        Raises:
            ValueError: if the data is no timeline (pydantic's ValidationError is one).
        """
        return _adapter().validate_json(data)

    def digest(self) -> str:
        """Return the SHA-256 of the canonical JSON, hexadecimal."""
        return hashlib.sha256(self.to_json()).hexdigest()


@cache
def _adapter() -> TypeAdapter[Timeline]:
    """Return what writes and reads timelines. A camera's process does neither, and does not load it."""
    from pydantic import TypeAdapter

    return TypeAdapter(Timeline)
