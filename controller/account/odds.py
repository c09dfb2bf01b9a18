"""The chance of each wanted picture over many made-up days, and a check of each day's journal.

A day is played as `controller.simulate.days` draws it, audited as a real run is, and scored by what the sky
left of it. Days are independent and their tallies are whole numbers, so it does not matter in which order or
in which process they are lived: the sum is the same.
"""

from __future__ import annotations

import gc
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

from controller.account.audit import audit
from controller.gear.body import CameraBody
from controller.journal.lines import FIRST_PREV, digest, encode_line
from controller.journal.reading import JournalState, parse_journal
from controller.journal.records import Kind
from controller.simulate.days import (
    Assumptions,
    Happening,
    Played,
    Weather,
    draw_happening,
    draw_weather,
    play,
)
from controller.timeline.model import Frame, Timeline
from controller.units import NS_PER_S, FilterState, Wanted, seconds_to_ns

REFIT_ROOM_S = 0.4
"""No frame is placed sooner than this after a refit; see `controller.engine`."""

CLOUD, CLOCK, WORD = "cloud", "clock", "filter word"
AWAY, SILENT, SETTING = "camera away", "camera silent", "other setting"
DOWN, PAUSED = "program down", "paused"
_MISSED = {
    "held": WORD,
    "camera": AWAY,
    "late": "camera busy",
    "buffer": "buffer full",
    "setting not accepted": SETTING,
}
REASONS = {
    CLOUD: "the Sun was behind cloud during the exposure",
    WORD: "the word on the filter came late, was wrong, or never came",
    AWAY: "the camera was off the cable, dead or refused",
    SILENT: "the camera did not say that the picture exists",
    SETTING: "taken with another setting than asked, or the setting was not accepted",
    "camera busy": "the frame before, or the camera's answer, took too long",
    "buffer full": "too many pictures waited for the card",
    "card full": "no room on the card",
    DOWN: "the program or the computer had died, or died before it heard of the picture",
    PAUSED: "the operator had paused the run",
    CLOCK: "the computer's clock was so wrong that the frame lay outside its stretch",
    "no room after refit": "what was left of the time was too short",
    "outside its window": "it would have ended too late",
}
"""What a picture is lost to, in a word or two and in a sentence."""
_BY_DETAIL = {
    "the word on the filter": WORD,
    "the camera came back": AWAY,
    "the end of the pause": PAUSED,
    "while the run was down": DOWN,
    "its time was while the run was down": DOWN,
}

CHAIN_EVERY = 16
"""One day of so many is also written as a journal's lines and read back: it takes as long as half a day."""

COLLECT_EVERY = 8
"""Days of a plan of 457 frames leave some 5 MiB by then."""

ShotKey = tuple[str, str, str]
"""Rig, phase and shot."""


def shot_of(frame: Frame) -> ShotKey:
    """Return the shot that a frame belongs to."""
    return frame.rig, frame.phase, frame.shot


@dataclass(frozen=True)
class ShotDay:
    """How one shot fared on one day."""

    whole: bool
    """All frames of at least one take were won."""
    won: int
    """How many of its frames were won."""
    reason: str
    """What lost most of the frames of its best take; empty when it is whole."""


@dataclass(frozen=True)
class Case:
    """A plan under assumptions; the first of several is what the others are compared with."""

    name: str
    timeline: Timeline
    bodies: Mapping[str, CameraBody]
    assumed: Assumptions


@dataclass
class ShotTally:
    """One shot over many days."""

    whole: int = 0
    some: int = 0
    won: int = 0
    reasons: Counter[str] = field(default_factory=Counter)

    def add(self, other: ShotTally) -> None:
        """Take in the days of another tally."""
        self.whole += other.whole
        self.some += other.some
        self.won += other.won
        self.reasons.update(other.reasons)


@dataclass
class CaseTally:
    """One case over many days."""

    shots: dict[ShotKey, ShotTally] = field(default_factory=dict)
    gained: dict[bool, tuple[int, int]] = field(default_factory=lambda: {True: (0, 0), False: (0, 0)})
    """By "must shots alone": sum and sum of squares of the day's whole shots more than in the first case."""


@dataclass
class Tally:
    """Days that were lived."""

    days: int = 0
    cases: list[CaseTally] = field(default_factory=list)
    breaches: list[tuple[int, str, str]] = field(default_factory=list)
    """Day, case, and what its journal contradicts."""

    def add(self, other: Tally) -> None:
        """Take in other days."""
        self.days += other.days
        self.breaches = sorted([*self.breaches, *other.breaches])
        while len(self.cases) < len(other.cases):
            self.cases.append(CaseTally())
        for mine, theirs in zip(self.cases, other.cases, strict=False):
            for key, shot in theirs.shots.items():
                mine.shots.setdefault(key, ShotTally()).add(shot)
            for musts, (total, squares) in theirs.gained.items():
                mine.gained[musts] = (mine.gained[musts][0] + total, mine.gained[musts][1] + squares)


def live(cases: Sequence[Case], seed: int, days: Iterable[int]) -> Tally:
    """Live days of every case, and return what came of them.

    What a day leaves behind is collected once in `COLLECT_EVERY` of them, not several times in each.
    """
    collects = gc.isenabled()
    gc.disable()
    try:
        return _live(cases, seed, days)
    finally:
        if collects:
            gc.enable()


def _live(cases: Sequence[Case], seed: int, days: Iterable[int]) -> Tally:
    tally = Tally(cases=[CaseTally() for _ in cases])
    for day in days:
        tally.days += 1
        if tally.days % COLLECT_EVERY == 0:
            gc.collect()
        first: dict[ShotKey, ShotDay] = {}
        for lived, sums in zip(live_one(cases, seed, day), tally.cases, strict=True):
            tally.breaches += [(day, lived.case.name, sentence) for sentence in lived.breaches]
            first = first or lived.shots
            wanted = wanted_of(lived.case.timeline)
            for key, shot in lived.shots.items():
                one = sums.shots.setdefault(key, ShotTally())
                one.whole += shot.whole
                one.some += shot.won > 0
                one.won += shot.won
                one.reasons.update([shot.reason] if shot.reason else [])
            for musts in (True, False):
                keys = [k for k in lived.shots if k in first and (not musts or wanted.get(k) is Wanted.MUST)]
                more = sum(lived.shots[k].whole - first[k].whole for k in keys)
                total, squares = sums.gained[musts]
                sums.gained[musts] = (total + more, squares + more * more)
    return tally


@dataclass(frozen=True)
class Lived:
    """One day of one case."""

    case: Case
    happening: Happening
    weather: Weather
    played: Played
    breaches: list[str]
    shots: dict[ShotKey, ShotDay]


def live_one(cases: Sequence[Case], seed: int, day: int) -> list[Lived]:
    """Live one day of every case; where nothing played differs from an earlier case, that is not played again."""
    lived: list[Lived] = []
    for case in cases:
        happening = draw_happening(case.assumed, case.timeline, seed, day)
        weather = draw_weather(case.assumed, case.timeline, seed, day)
        same = next(
            (one for one in lived if one.case.timeline is case.timeline and one.happening == happening), None
        )
        played = same.played if same else play(case.timeline, case.bodies, happening)
        breaches = [] if same else contradictions(case.timeline, played, chained=day % CHAIN_EVERY == 0)
        shots = score(case.timeline, played, weather)
        lived.append(Lived(case, happening, weather, played, breaches, shots))
    return lived


def wanted_of(timeline: Timeline) -> dict[ShotKey, Wanted]:
    """Return how much each shot is wanted, the most wanted first, else in the order of the day."""
    found = {shot_of(frame): frame.wanted for frame in timeline.frames}
    return dict(sorted(found.items(), key=lambda pair: pair[1].rank))


# --- what a day is worth ------------------------------------------------------------------------


def score(timeline: Timeline, played: Played, weather: Weather) -> dict[ShotKey, ShotDay]:
    """Return how each shot fared.

    A frame is won when the camera named its picture, with the settings asked for, the Sun clear of cloud
    for the whole exposure (on rigs that point at it), and its true instant inside its own stretch or no
    further from it than the frame may be late.
    """
    frames = {frame.frame_id: frame for frame in timeline.frames}
    sun = {rig.name for rig in timeline.rigs if rig.points_at_sun}
    reason: str
    error_ns = seconds_to_ns(weather.clock_error_s)
    lost = dict.fromkeys(frames, "nothing is known of it")
    for record in played.records:
        kind = record["kind"]
        if kind == Kind.FRAME_FIRED:
            frame = frames[record["frame_id"]]
            ahead_ns = played.clock_set_ns(record["seq"]) + error_ns
            opened = record["released_utc_ns"] - ahead_ns
            lost[frame.frame_id] = _lost_after_firing(frame, record, opened, weather, on_sun=frame.rig in sun)
        elif kind == Kind.FRAME_MISSED:
            reason = record["reason"]
            lost[record["frame_id"]] = _BY_DETAIL.get(record["detail"]) or _MISSED.get(reason, reason)
        elif kind == Kind.FRAME_FAILED:
            lost[record["frame_id"]] = SILENT
        elif kind == Kind.FRAME_UNKNOWN:
            lost[record["frame_id"]] = DOWN
    takes: dict[ShotKey, dict[int, list[str]]] = {}
    for frame in timeline.frames:
        takes.setdefault(shot_of(frame), {}).setdefault(frame.take, []).append(lost[frame.frame_id])
    return {key: _shot_day(list(of_take.values())) for key, of_take in takes.items()}


def _lost_after_firing(
    frame: Frame, record: Mapping[str, Any], opened: int, weather: Weather, *, on_sun: bool
) -> str:
    """Return what spoils a frame that was fired; `opened` is true UTC, nanoseconds."""
    if record.get("differs"):
        return SETTING
    grace = frame.deadline_utc_ns - frame.due_utc_ns
    first, last = frame.starts_from_utc_ns, max(frame.movable_until_utc_ns, frame.due_utc_ns)
    if not first - grace <= opened <= last + grace:
        return CLOCK
    closed = opened + seconds_to_ns(frame.settings.exposure_s)
    return CLOUD if on_sun and not weather.is_clear(opened, closed) else ""


def _shot_day(takes: list[list[str]]) -> ShotDay:
    best = min(takes, key=lambda take: sum(map(bool, take)))
    reasons = Counter(reason for reason in best if reason)
    most = min(reasons, key=lambda reason: (-reasons[reason], reason), default="")
    return ShotDay(not reasons, sum(not reason for take in takes for reason in take), most)


# --- what a day must not do ---------------------------------------------------------------------


def contradictions(timeline: Timeline, played: Played, *, chained: bool = True) -> list[str]:
    """Return what a day's journal contradicts: the audit of a run, and what only a made-up day can show.

    With `chained`, the records are also made the lines of a journal and read back, which takes its time.
    """
    found = audit(timeline, played.records)
    if chained:
        found += _as_lines(played.records)
    if played.outcome != "finished" or not played.records or played.records[-1]["kind"] != Kind.RUN_ENDED:
        found.append(f"the run did not come to its end: {played.outcome}.")
    return found + _exposures(timeline, played) + crowded_out(timeline, played.records)


def _as_lines(records: Sequence[Mapping[str, Any]]) -> list[str]:
    """Return what is wrong with the records as a journal's lines: its chain, or what it gives back (HF-S20)."""
    lines, prev = [], FIRST_PREV
    for record in records:
        line = encode_line({**record, "prev": prev})
        prev = digest(line)
        lines.append(line + b"\n")
    reading = parse_journal(b"".join(lines))
    given_back = [{key: value for key, value in one.items() if key != "prev"} for one in reading.records]
    if reading.state is JournalState.CLOSED and given_back == records:
        return []
    return [f"as a file the journal does not give back what was recorded (HF-S20): {reading.verdict()}"]


def _exposures(timeline: Timeline, played: Played) -> list[str]:
    """Compare the journal with what the shutters truly did."""
    found = []
    claims = {rig.name: Counter[str]() for rig in timeline.rigs}
    for record in played.records:
        if record["kind"] in (Kind.FRAME_FIRED, Kind.FRAME_FAILED, Kind.FRAME_UNKNOWN):
            claims[record["rig"]][record["kind"]] += 1
    for rig, claimed in claims.items():
        true = played.exposures.get(rig, [])
        fired = claimed[Kind.FRAME_FIRED]
        if not fired <= len(true) <= claimed.total():
            found.append(
                f"the shutter of {rig} opened {len(true)} times, and the journal tells of {fired} frames fired and "
                f"{claimed.total() - fired} of which nobody can know."
            )
        by_one_clock = [(e.opened_ns - e.clock_set_ns, e.ended_ns - e.clock_set_ns) for e in true]
        if any(later[0] < earlier[1] for earlier, later in pairwise(by_one_clock)):
            found.append(f"the shutter of {rig} was opened while it was open (HF-S19).")
        found += _unfiltered(timeline, played, rig)
    return found


def _unfiltered(timeline: Timeline, played: Played, rig: str) -> list[str]:
    """Return exposures made while the last word was that the filter is off, outside the window (HF-S03)."""
    start, end = timeline.unfiltered_from_utc_ns or 0, timeline.unfiltered_until_utc_ns or 0
    words: list[tuple[int, str]] = [
        (record["at_utc_ns"], record["state"])
        for record in played.records
        if record["kind"] == Kind.FILTER_SAID and record["rig"] in (rig, None)
    ]
    slack = seconds_to_ns(0.1)  # the spread of a camera's release lag
    found = []
    for exposure in played.exposures.get(rig, []):
        opened, closed = exposure.opened_ns, exposure.ended_ns
        # As in the audit: a word that came while the command was on its way is not held against the shutter.
        said = {_last(words, opened), _last(words, opened - NS_PER_S // 4)}
        if said == {FilterState.OFF} and not start - slack <= opened <= closed <= end + slack:
            found.append(f"the shutter of {rig} was open outside the window with its filter off (HF-S03).")
    return found


def _last(words: list[tuple[int, str]], instant_ns: int) -> str | None:
    return next((state for at, state in reversed(words) if at <= instant_ns), None)


def crowded_out(timeline: Timeline, records: Iterable[Mapping[str, Any]]) -> list[str]:
    """Return every must frame that stood back for one wanted less, in the day's plan, in a refit or at hand-over.

    It was given up in a refit although leaving out less wanted frames made room for it; or one wanted less was
    handed to the camera upon the time that the must frame had then, as planned or as last moved.
    """
    frames = {frame.frame_id: frame for frame in timeline.frames}
    due = {frame.frame_id: int(frame.due_utc_ns) for frame in timeline.frames}
    planned = set(frames)
    handed: set[str] = set()
    pending: dict[str, list[Frame]] = {rig.name: [] for rig in timeline.rigs}
    musts = {one.frame_id: one for one in timeline.frames if one.wanted is Wanted.MUST}
    found = []
    for record in records:
        kind = record["kind"]
        if kind == Kind.FRAME_MOVED:
            due[record["frame_id"]] = record["due_utc_ns"]
        elif kind == Kind.FRAME_INTENT:
            handed_over = frames[record["frame_id"]]
            starts, ends = record["due_utc_ns"], record["due_utc_ns"] + handed_over.slot_ns
            for must in musts.values() if handed_over.wanted is not Wanted.MUST else ():
                begins = due[must.frame_id]
                if begins < ends and starts < begins + must.slot_ns and must.rig == handed_over.rig:
                    found.append(
                        f"record {record['seq']}: {handed_over.wanted} frame {handed_over.frame_id} was handed over upon "
                        f"the time of must frame {must.frame_id}."
                    )
            planned.discard(record["frame_id"])
            handed.add(record["frame_id"])
        elif kind in (Kind.FRAME_FIRED, Kind.FRAME_FAILED, Kind.FRAME_UNKNOWN, Kind.FRAME_MISSED):
            planned.discard(record["frame_id"])
            handed.discard(record["frame_id"])
            musts.pop(record["frame_id"], None)
            frame = frames[record["frame_id"]]
            if kind == Kind.FRAME_MISSED and record["reason"] == "no room after refit":
                pending[frame.rig].append(frame)
        elif kind == Kind.REFITTED:
            rig, lost = record["rig"], pending[record["rig"]]
            pending[rig] = []
            for must in (frame for frame in lost if frame.wanted is Wanted.MUST):
                others = [
                    frames[i]
                    for i in (*planned, *handed)
                    if frames[i].rig == rig and (i in handed or frames[i].wanted is Wanted.MUST)
                ]
                busy = sorted((due[one.frame_id], due[one.frame_id] + one.slot_ns) for one in others)
                if _has_room(must, record["at_utc_ns"] + seconds_to_ns(REFIT_ROOM_S), busy):
                    found.append(
                        f"record {record['seq']}: must frame {must.frame_id} was given up, and without less wanted "
                        "frames there was room for it."
                    )
    return found


def _has_room(frame: Frame, soonest: int, busy: list[tuple[int, int]]) -> bool:
    at = max(soonest, frame.starts_from_utc_ns)
    latest = min(frame.movable_until_utc_ns, frame.ends_by_utc_ns - frame.settings.longest_exposure_ns)
    for starts, ends in busy:
        if at + frame.slot_ns <= starts:
            break
        at = max(at, ends)
    return at <= latest
