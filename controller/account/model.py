"""The account of a run: what fired against what was planned, from timeline and journal alone."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from pathlib import Path
from typing import Any

from controller.account.audit import audit
from controller.account.troubles import Trouble, find_troubles
from controller.cameras.protocol import MissReason
from controller.journal.folder import RunFolder
from controller.journal.reading import JournalReading, JournalState, changed_files
from controller.journal.records import CLEAR, CLOUD, Kind
from controller.timeline.model import Frame, Timeline
from controller.units import NS_PER_S, FilterState, UtcNs, Wanted

DIFFERS_STOPS = 1 / 6
"""A setting read back this far from what was asked is listed, whatever the camera's driver said of it."""


class FrameEnd(StrEnum):
    """How a planned frame ended. Every frame has exactly one."""

    FIRED = "fired"
    MISSED = "missed"
    FAILED = "failed"
    UNKNOWN = "unknown"
    """It was handed to the camera and no outcome is known: a picture may exist."""
    NOT_REACHED = "not reached"
    """The journal says nothing of it."""


REASON_WORDS: Mapping[str, str] = {
    MissReason.LATE: "its time was past before it could be released",
    MissReason.HELD: "nobody had said that the filter is as it needs it",
    MissReason.CAMERA: "the camera could not be used",
    MissReason.BUFFER: "the camera's buffer was full",
    MissReason.CARD: "the card was full",
    MissReason.REFIT: "no time was left for it after the refit",
    MissReason.PAUSED: "the run was paused",
    MissReason.STOPPED: "the run was stopped",
    MissReason.WINDOW: "its exposure would not have stayed inside its window",
    MissReason.SETTINGS: "the camera did not take its settings",
}
"""The reasons of a miss, in words."""


@dataclass(frozen=True, kw_only=True)
class SettingCheck:
    """One setting of one fired frame that is not confirmed to be what was asked."""

    frame_id: str
    name: str
    """``exposure``, ``f_number`` or ``iso``."""
    asked: float
    read_back: float | None
    """None: not confirmed, the camera gave no number."""


@dataclass(frozen=True, kw_only=True)
class FrameAccount:
    """One planned frame and how it ended."""

    frame: Frame
    due_utc_ns: UtcNs
    """The due instant in force: a refit may have moved it."""
    end: FrameEnd
    reason: str = ""
    """Why it was not fired, as journalled; empty for a fired frame."""
    detail: str = ""
    released_utc_ns: int | None = None
    """Host's best estimate of the shutter's opening."""
    file_name: str = ""
    read_back: Mapping[str, float | None] | None = None
    """``exposure_s``, ``f_number``, ``iso`` as the camera reported them; None when not fired."""
    unconfirmed: tuple[SettingCheck, ...] = ()

    @property
    def error_ms(self) -> float | None:
        """Return released minus due, milliseconds; None when not fired."""
        if self.released_utc_ns is None:
            return None
        return (self.released_utc_ns - self.due_utc_ns) / 1e6


@dataclass(frozen=True, kw_only=True)
class ShotAccount:
    """How the frames of one shot ended on one rig in one phase."""

    rig: str
    phase: str
    shot: str
    wanted: Wanted
    ends: Mapping[FrameEnd, int]
    reasons: Mapping[str, int]
    """How often each reason stands against a frame that was not fired."""

    @property
    def planned(self) -> int:
        """Return the number of planned frames."""
        return sum(self.ends.values())

    @property
    def whole(self) -> bool:
        """Return whether every frame of the shot fired."""
        return self.ends[FrameEnd.FIRED] == self.planned


@dataclass(frozen=True, kw_only=True)
class TimingAccount:
    """Release timing errors (released minus due) of the fired frames of one rig."""

    rig: str
    count: int
    mean_ms: float
    rms_ms: float
    """Root mean square about zero."""
    worst_ms: float
    """The one farthest from zero, with its sign."""
    worst_frame_id: str


@dataclass(frozen=True, kw_only=True)
class HoldAccount:
    """One hold: when the filter was asked for and when it was said."""

    hold_id: str
    rig: str
    needs: FilterState
    due_utc_ns: int | None
    """None for a hold that the run itself opened (asked anew after a restart)."""
    asked_utc_ns: int | None
    said_utc_ns: int | None
    late_s: float
    """How late the first word was, seconds; 0 in time or never."""
    asked_again: int
    """How often it was opened again by a word to the contrary."""
    expired_utc_ns: int | None
    """When its phase ended and nobody had said it; None when that did not happen."""

    @property
    def expired(self) -> bool:
        """Return whether its phase ended and nobody had said it."""
        return self.expired_utc_ns is not None


@dataclass(frozen=True, kw_only=True)
class Happening:
    """Something that happened beside the frames: camera, clock, refit, pause, stop, note."""

    at_utc_ns: int
    kind: Kind
    rig: str | None
    text: str


@dataclass(frozen=True, kw_only=True)
class CloudSpan:
    """A stretch of which the operator said that there was cloud before the Sun."""

    from_utc_ns: int
    until_utc_ns: int | None
    """When the operator said that it is clear again; None: nobody did."""


@dataclass(frozen=True, kw_only=True)
class Account:
    """Everything a run's journal says, set against its timeline."""

    folder: Path
    timeline: Timeline
    mode: str
    """``run`` or ``rehearsal``; empty when the journal does not say."""
    operator: str
    outcome: str
    """``finished``, ``stopped``, or empty: the journal does not say that the run ended."""
    cameras: Mapping[str, str]
    clock: str
    contacts_note: str
    journal_state: JournalState
    """ALTERED also when plan or timeline are not the ones the run began with."""
    journal_line: str
    missed_file: Path | None
    """The file outside the run's folder that may have held more of the journal, and is gone; else None."""
    frames: tuple[FrameAccount, ...]
    """In the timeline's order."""
    shots: tuple[ShotAccount, ...]
    timing: tuple[TimingAccount, ...]
    holds: tuple[HoldAccount, ...]
    words: tuple[Happening, ...]
    """Every word on the filter."""
    happenings: tuple[Happening, ...]
    troubles: tuple[Trouble, ...]
    """What went wrong, in order."""
    clouds: tuple[CloudSpan, ...]
    """What the operator said of clouds; nothing said is no proof of a clear sky."""
    versions: Mapping[str, str]
    """Of this program and of what it was run with, as the first record tells."""
    plan_sha256: str
    """Digest of the plan's bytes; empty when the journal does not say."""
    contradictions: tuple[str, ...]

    @property
    def ends(self) -> dict[FrameEnd, int]:
        """Return how many frames ended in each way."""
        counts = Counter(frame.end for frame in self.frames)
        return {end: counts[end] for end in FrameEnd}

    @property
    def unconfirmed(self) -> tuple[SettingCheck, ...]:
        """Return every setting that is not confirmed to be what was asked."""
        return tuple(check for frame in self.frames for check in frame.unconfirmed)


def make_account(run_folder: Path) -> Account:
    """Return the account of a run. An altered journal gives an account of what stands before the break.

    Raises:
        JournalError: if the folder is no run's, or its timeline or journal cannot be read.
    """
    folder = RunFolder.open(run_folder)
    reading = folder.read()
    changed = tuple(changed_files(folder.path, reading.records).values())
    return account_of(folder.timeline(), reading, folder.path, changed)


def account_of(
    timeline: Timeline, reading: JournalReading, folder: Path, changed: tuple[str, ...] = ()
) -> Account:
    """Return the account of a journal already read. `changed` names files that are not the run's own."""
    records = reading.records
    began = next((record for record in records if record["kind"] == Kind.RUN_BEGAN), {})
    ended = records[-1] if reading.closed else {}
    frames = _frames(timeline, records)
    shots = _shots(frames)
    contradictions = [*audit(timeline, records), *_sums_that_differ(timeline, frames, shots)]
    return Account(
        folder=folder,
        timeline=timeline,
        mode=str(began.get("mode", "")),
        operator=str(began.get("operator", "")),
        outcome=str(ended.get("outcome", "")),
        cameras=dict(began.get("cameras") or {}),
        clock=str(began.get("clock", "")),
        contacts_note=str(began.get("contacts_note") or timeline.contacts_note),
        journal_state=JournalState.ALTERED if changed else reading.state,
        journal_line=f"RUN ALTERED: {' '.join(changed)} {reading.verdict()}"
        if changed
        else reading.verdict(),
        missed_file=reading.missed_file,
        frames=frames,
        shots=shots,
        timing=_timing(timeline, frames),
        holds=_holds(timeline, records),
        words=tuple(_happening(r) for r in records if r["kind"] == Kind.FILTER_SAID),
        happenings=tuple(
            _happening(r) for r in records if r["kind"] in _TEXTS and r["kind"] != Kind.FILTER_SAID
        ),
        troubles=find_troubles(records),
        clouds=_clouds(records),
        versions={str(name): str(version) for name, version in (began.get("versions") or {}).items()},
        plan_sha256=str(began.get("plan_sha256") or ""),
        contradictions=tuple(contradictions),
    )


def _frames(timeline: Timeline, records: list[dict[str, Any]]) -> tuple[FrameAccount, ...]:
    due: dict[str, int] = {frame.frame_id: frame.due_utc_ns for frame in timeline.frames}
    intents: set[str] = set()
    outcomes: dict[str, dict[str, Any]] = {}
    for record in records:
        frame_id = record.get("frame_id")
        if not isinstance(frame_id, str):
            continue
        if record["kind"] == Kind.FRAME_MOVED:
            due[frame_id] = int(record["due_utc_ns"])
        elif record["kind"] == Kind.FRAME_INTENT:
            intents.add(frame_id)
        else:
            outcomes.setdefault(frame_id, record)
    return tuple(
        _frame(frame, UtcNs(due[frame.frame_id]), outcomes.get(frame.frame_id), frame.frame_id in intents)
        for frame in timeline.frames
    )


def _frame(frame: Frame, due: UtcNs, outcome: Mapping[str, Any] | None, tried: bool) -> FrameAccount:
    if outcome is None:
        if not tried:
            return FrameAccount(frame=frame, due_utc_ns=due, end=FrameEnd.NOT_REACHED)
        text = "handed to the camera, and the journal holds no outcome"
        return FrameAccount(frame=frame, due_utc_ns=due, end=FrameEnd.UNKNOWN, reason=text)
    detail = str(outcome.get("detail") or "")
    match outcome["kind"]:
        case Kind.FRAME_FIRED:
            read_back = dict(outcome.get("read_back") or {})
            return FrameAccount(
                frame=frame,
                due_utc_ns=due,
                end=FrameEnd.FIRED,
                released_utc_ns=outcome.get("released_utc_ns"),
                file_name=str(outcome.get("file_name") or ""),
                read_back=read_back,
                unconfirmed=_unconfirmed(frame, read_back, tuple(outcome.get("differs") or ())),
            )
        case Kind.FRAME_MISSED:
            reason = str(outcome.get("reason") or "no reason given")
            return FrameAccount(
                frame=frame, due_utc_ns=due, end=FrameEnd.MISSED, reason=reason, detail=detail
            )
        case Kind.FRAME_FAILED:
            code = outcome.get("code")
            reason = "the camera failed" if code is None else f"the camera failed (code {code})"
            return FrameAccount(
                frame=frame, due_utc_ns=due, end=FrameEnd.FAILED, reason=reason, detail=detail
            )
        case _:
            reason = "no word came from the camera"
            return FrameAccount(
                frame=frame, due_utc_ns=due, end=FrameEnd.UNKNOWN, reason=reason, detail=detail
            )


def _unconfirmed(
    frame: Frame, read_back: Mapping[str, float | None], differs: tuple[str, ...]
) -> tuple[SettingCheck, ...]:
    checks = []
    for name, key, stops_per_doubling in (
        ("exposure", "exposure_s", 1),
        ("f_number", "f_number", 2),
        ("iso", "iso", 1),
    ):
        asked, found = float(getattr(frame.settings, key)), read_back.get(key)
        off = found is None or found <= 0
        if found is not None and found > 0:
            off = abs(math.log2(found / asked)) * stops_per_doubling > DIFFERS_STOPS
        if off or name in differs:
            checks.append(SettingCheck(frame_id=frame.frame_id, name=name, asked=asked, read_back=found))
    return tuple(checks)


def _shots(frames: tuple[FrameAccount, ...]) -> tuple[ShotAccount, ...]:
    groups: dict[tuple[str, str, str], list[FrameAccount]] = {}
    for account in frames:
        frame = account.frame
        groups.setdefault((frame.rig, frame.phase, frame.shot), []).append(account)
    shots = []
    for (rig, phase, shot), members in groups.items():
        ends = Counter(member.end for member in members)
        shots.append(
            ShotAccount(
                rig=rig,
                phase=phase,
                shot=shot,
                wanted=min((member.frame.wanted for member in members), key=lambda wanted: wanted.rank),
                ends={end: ends[end] for end in FrameEnd},
                reasons=dict(Counter(member.reason for member in members if member.reason)),
            )
        )
    return tuple(shots)


def _sums_that_differ(
    timeline: Timeline, frames: tuple[FrameAccount, ...], shots: tuple[ShotAccount, ...]
) -> list[str]:
    """Return a sentence if planned is not fired + missed + failed + unknown + not reached."""
    by_end = sum(Counter(frame.end for frame in frames).values())
    by_shot = sum(shot.planned for shot in shots)
    if len(timeline.frames) == by_end == by_shot == len({frame.frame_id for frame in timeline.frames}):
        return []
    return [
        f"{len(timeline.frames)} frames are planned, {by_end} have an end and the shots add up to {by_shot}."
    ]


def _timing(timeline: Timeline, frames: tuple[FrameAccount, ...]) -> tuple[TimingAccount, ...]:
    rows = []
    for rig in timeline.rigs:
        errors = {
            account.frame.frame_id: account.error_ms
            for account in frames
            if account.frame.rig == rig.name and account.error_ms is not None
        }
        if not errors:
            continue
        worst = max(errors, key=lambda frame_id: abs(errors[frame_id]))
        rows.append(
            TimingAccount(
                rig=rig.name,
                count=len(errors),
                mean_ms=math.fsum(errors.values()) / len(errors),
                rms_ms=math.sqrt(math.fsum(error * error for error in errors.values()) / len(errors)),
                worst_ms=errors[worst],
                worst_frame_id=worst,
            )
        )
    return tuple(rows)


def _holds(timeline: Timeline, records: list[dict[str, Any]]) -> tuple[HoldAccount, ...]:
    planned = {hold.hold_id: hold for hold in timeline.holds}
    found: dict[str, list[dict[str, Any]]] = {hold_id: [] for hold_id in planned}
    for record in records:
        if record["kind"] in (Kind.HOLD_OPENED, Kind.HOLD_PASSED, Kind.HOLD_EXPIRED):
            found.setdefault(str(record.get("hold_id")), []).append(record)
    holds = []
    for hold_id, story in found.items():
        hold = planned.get(hold_id)
        opened = [record["at_utc_ns"] for record in story if record["kind"] == Kind.HOLD_OPENED]
        passed = [record for record in story if record["kind"] == Kind.HOLD_PASSED]
        expired = [record["at_utc_ns"] for record in story if record["kind"] == Kind.HOLD_EXPIRED]
        holds.append(
            HoldAccount(
                hold_id=hold_id,
                rig=hold.rig if hold else str(story[0].get("rig")),
                needs=hold.needs if hold else FilterState(str(story[0].get("needs"))),
                due_utc_ns=hold.due_utc_ns if hold else None,
                asked_utc_ns=opened[0] if opened else None,
                said_utc_ns=passed[0]["at_utc_ns"] if passed else None,
                late_s=float(passed[0].get("late_s") or 0.0) if passed else 0.0,
                asked_again=max(0, len(opened) - 1),
                expired_utc_ns=expired[0] if expired else None,
            )
        )
    return tuple(holds)


def _clouds(records: list[dict[str, Any]]) -> tuple[CloudSpan, ...]:
    spans: list[CloudSpan] = []
    for record in records:
        if record["kind"] != Kind.NOTE or not record.get("by"):
            continue
        open_span = spans[-1] if spans and spans[-1].until_utc_ns is None else None
        if record.get("text") == CLOUD and open_span is None:
            spans.append(CloudSpan(from_utc_ns=record["at_utc_ns"], until_utc_ns=None))
        elif record.get("text") == CLEAR and open_span is not None:
            spans[-1] = replace(open_span, until_utc_ns=record["at_utc_ns"])
    return tuple(spans)


def _rig_or_all(record: Mapping[str, Any]) -> str:
    return str(record.get("rig") or "all rigs")


_TEXTS: Mapping[Kind, Callable[[Mapping[str, Any]], str]] = {
    Kind.FILTER_SAID: lambda r: f"said: filter is {r.get('state')} ({_rig_or_all(r)})",
    Kind.CAMERA_LOST: lambda r: f"camera of {_rig_or_all(r)} lost: {r.get('detail')}",
    Kind.CAMERA_READY: lambda r: f"camera of {_rig_or_all(r)} ready: {r.get('model')}",
    Kind.CLOCK_STEPPED: lambda r: (
        f"the computer's clock stepped by {r.get('step_s')} s; firing went on by the monotonic clock"
    ),
    Kind.REFITTED: lambda r: (
        f"{r.get('phase')} on {_rig_or_all(r)} refitted: {r.get('moved')} frames moved, "
        f"{r.get('lost')} lost ({r.get('why')})"
    ),
    Kind.PAUSED: lambda r: f"paused: {_rig_or_all(r)}",
    Kind.WENT_ON: lambda r: f"went on: {_rig_or_all(r)}",
    Kind.STOP_ASKED: lambda r: f"stop asked by {r.get('by')}",
    Kind.RUN_RESUMED: lambda r: (
        f"the run was started again after a break; {r.get('torn_bytes') or 0} bytes of an unfinished line"
        + (f"; the journal's end was missing with {r['missed_file']}" if r.get("missed_file") else "")
        + (f"; clock: {r['clock']}" if r.get("clock") else "")
    ),
    Kind.JOURNAL_MOVED: lambda r: (
        f"the journal could not be written in the run's folder ({r.get('cause')}) and went on in {r.get('place')}"
    ),
    Kind.JOURNAL_RETURNED: lambda _r: "the journal is whole in the run's folder again, and went on there",
    Kind.CUE_DROPPED: lambda r: f"cue dropped, {r.get('late_s')} s late: {r.get('say')}",
    Kind.NOTE: lambda r: f"said: {r.get('text')}" if r.get("by") else str(r.get("text")),
}


def _happening(record: Mapping[str, Any]) -> Happening:
    kind = Kind(record["kind"])
    rig = record.get("rig")
    return Happening(at_utc_ns=record["at_utc_ns"], kind=kind, rig=rig, text=_TEXTS[kind](record))


def hold_words(hold: HoldAccount) -> str:
    """Return how a hold ended, in words."""
    times = "once" if hold.asked_again == 1 else f"{hold.asked_again} times"
    again = f"; asked again {times}" if hold.asked_again else ""
    if hold.said_utc_ns is not None:
        early = 0.0 if hold.due_utc_ns is None else (hold.due_utc_ns - hold.said_utc_ns) / NS_PER_S
        if hold.late_s > 0:
            return f"said {hold.late_s:.1f} s late{again}"
        return (f"said {early:.1f} s ahead" if hold.due_utc_ns is not None else "said") + again
    if hold.expired:
        return f"NEVER SAID{again}"
    return f"asked, not said when the journal ends{again}" if hold.asked_utc_ns is not None else "not asked"
