"""The safety audit: does a journal contradict its timeline, itself or the safety requirements?

It shares no code with the engine that made the journal, and takes nothing on trust but the timeline
and the records. Numbers in brackets (HF-S01 ...) are the requirements in SAFETY.md.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from controller.journal.records import Kind
from controller.timeline.model import Frame, Timeline
from controller.units import NS_PER_S, ContactName, FilterState, seconds_to_ns, utc_iso

IN_FLIGHT_S = 0.25
"""A release whose command left this soon after a word that forbids it was already on its way."""
LATE_SLACK_S = 0.1
"""How far past its deadline the estimated opening may lie; the estimate is coarse."""
HARD_BOUND_S = 30.0
"""No unfiltered exposure starts earlier than this before C2 or ends later than this after C3."""

_IN_FLIGHT_NS, _LATE_SLACK_NS = seconds_to_ns(IN_FLIGHT_S), seconds_to_ns(LATE_SLACK_S)
_OUTCOMES = {
    Kind.FRAME_FIRED: "fired",
    Kind.FRAME_MISSED: "missed",
    Kind.FRAME_FAILED: "failed",
    Kind.FRAME_UNKNOWN: "unknown",
}


def audit(timeline: Timeline, records: Iterable[Mapping[str, Any]]) -> list[str]:
    """Return every contradiction found, one sentence each; an empty list when there is none.

    `records` are the trusted records of one journal in their order. A journal that ends early is no
    contradiction; one that says it ended and leaves a frame without an end is.
    """
    auditor = _Auditor(timeline)
    auditor.check_window()
    for record in records:
        auditor.take(record)
    auditor.check_overlaps()
    auditor.check_ends()
    return auditor.found


def _longest_s(nominal_s: float) -> float:
    """Return the longer of a nominal time and the power of two it stands for: "30 s" is 32 s (ISO 516)."""
    return max(nominal_s, 2.0 ** (round(3 * math.log2(nominal_s)) / 3)) if nominal_s > 0 else nominal_s


@dataclass
class _History:
    """A state that changes at instants, in the order of the journal."""

    now: Any
    changes: list[tuple[int, Any]] = field(default_factory=list)
    first: Any = None

    def __post_init__(self) -> None:
        self.first = self.now

    def change(self, at_ns: int, value: object) -> None:
        self.changes.append((at_ns, value))
        self.now = value

    def at(self, instant_ns: int) -> Any:  # noqa: ANN401 - whatever was put in
        for at, value in reversed(self.changes):
            if at <= instant_ns:
                return value
        return self.first

    def allows(self, value: object, released_ns: int, sent_ns: int) -> bool:
        """Return whether `value` held at the release, or until just before its command was sent."""
        return value in (self.at(released_ns), self.at(sent_ns - _IN_FLIGHT_NS))


@dataclass
class _FrameSeen:
    frame: Frame
    due_ns: int
    intent_ns: int | None = None
    outcome: str | None = None


class _Auditor:
    def __init__(self, timeline: Timeline) -> None:
        self.timeline = timeline
        self.found: list[str] = []
        self.frames = {f.frame_id: _FrameSeen(f, f.due_utc_ns) for f in timeline.frames}
        self.rigs = {rig.name: rig for rig in timeline.rigs}
        self.words = {rig.name: _History(FilterState.UNSAID) for rig in timeline.rigs}
        self.paused = {rig.name: _History(now=False) for rig in timeline.rigs}
        self.stopped = _History(now=False)
        self.exposures: dict[str, list[tuple[int, int, str]]] = {rig.name: [] for rig in timeline.rigs}
        self.seq: object = 0
        self.count = 0
        self.last_at_ns: int | None = None
        self.ended: Mapping[str, Any] | None = None
        self.handlers: dict[str, Callable[[Mapping[str, Any], int], None]] = {
            Kind.RUN_BEGAN: self.run_began,
            Kind.RUN_RESUMED: self.run_resumed,
            Kind.RUN_ENDED: self.run_ended,
            Kind.FRAME_INTENT: self.intent,
            Kind.FRAME_MOVED: self.moved,
            Kind.FILTER_SAID: self.filter_said,
            Kind.HOLD_PASSED: self.hold_passed,
            Kind.PAUSED: self.pause,
            Kind.WENT_ON: self.pause,
            Kind.STOP_ASKED: self.stop,
            **dict.fromkeys(_OUTCOMES, self.outcome),
        }

    def say(self, sentence: str, requirement: str = "") -> None:
        where = f"record {self.seq}: " if self.seq else ""
        self.found.append(f"{where}{sentence}{f' ({requirement})' if requirement else ''}.")

    def take(self, record: Mapping[str, Any]) -> None:
        self.count += 1
        self.seq = record.get("seq", self.count)
        kind = str(record.get("kind"))
        try:
            at_ns = record["at_utc_ns"]
            if self.count == 1 and kind != Kind.RUN_BEGAN:
                self.say(f"the journal starts with {kind} and not with the start of the run")
            if self.ended is not None:
                self.say(f"{kind} stands after the end of the run")
            if kind in self.handlers:
                self.handlers[kind](record, at_ns)
            self.last_at_ns = at_ns
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            self.say(f"{kind} lacks a field or has a wrong one: {error!r}")

    # --- the window -----------------------------------------------------------------------------

    def check_window(self) -> None:
        line = self.timeline
        start, end = line.unfiltered_from_utc_ns, line.unfiltered_until_utc_ns
        unfiltered = sum(frame.filter_need is FilterState.OFF for frame in line.frames)
        if start is None or end is None:
            if unfiltered:
                self.say(
                    f"the timeline has {unfiltered} unfiltered frames and no unfiltered window", "HF-S07"
                )
            return
        if line.kind != "total":
            self.say(
                f"the eclipse is {line.kind} at the site and the timeline has an unfiltered window", "HF-S07"
            )
        c2, c3 = line.contacts_utc_ns.get(ContactName.C2), line.contacts_utc_ns.get(ContactName.C3)
        bound = seconds_to_ns(HARD_BOUND_S)
        if c2 is None or c3 is None:
            self.say("the timeline has an unfiltered window and no C2 or C3", "HF-S03")
        elif start < c2 - bound or end > c3 + bound:
            self.say(
                f"the unfiltered window is wider than {HARD_BOUND_S:g} s before C2 to after C3", "HF-S03"
            )

    # --- the run --------------------------------------------------------------------------------

    def run_began(self, _record: Mapping[str, Any], _at_ns: int) -> None:
        if self.count > 1:
            self.say("the run begins a second time")

    def run_resumed(self, _record: Mapping[str, Any], at_ns: int) -> None:
        """Void the word of every rig that is in another phase than when the journal broke off."""
        self.stopped.change(at_ns, value=False)
        then_ns = at_ns if self.last_at_ns is None else self.last_at_ns
        for rig, words in self.words.items():
            before, after = self.phase_at(rig, then_ns), self.phase_at(rig, at_ns)
            if before is None or before != after:
                words.change(at_ns, FilterState.UNSAID)

    def phase_at(self, rig: str, instant_ns: int) -> str | None:
        phases = (p for p in self.timeline.phases if p.rig == rig)
        return next((p.name for p in phases if p.starts_utc_ns <= instant_ns < p.ends_utc_ns), None)

    def run_ended(self, record: Mapping[str, Any], _at_ns: int) -> None:
        self.ended = record
        for state in _OUTCOMES.values():
            counted = sum(seen.outcome == state for seen in self.frames.values())
            if record[state] != counted:
                self.say(
                    f"the run says it ended with {record[state]} {state}, and the journal shows {counted}"
                )

    def filter_said(self, record: Mapping[str, Any], at_ns: int) -> None:
        state = FilterState(record["state"])
        if state not in (FilterState.ON, FilterState.OFF):
            self.say(f"a word on the filter that is neither on nor off: {state}", "HF-S02")
            return
        for rig in self.rigs_of(record["rig"]):
            self.words[rig].change(at_ns, state)

    def hold_passed(self, record: Mapping[str, Any], _at_ns: int) -> None:
        rig, needs = record["rig"], record["needs"]
        if rig not in self.words:
            self.say(f"a hold passed on rig {rig}, which is not in the timeline")
        elif self.words[rig].now != needs:
            self.say(
                f"hold {record['hold_id']} passed, and the last word on {rig} was {self.words[rig].now}",
                "HF-S02",
            )

    def pause(self, record: Mapping[str, Any], at_ns: int) -> None:
        for rig in self.rigs_of(record["rig"]):
            self.paused[rig].change(at_ns, record["kind"] == Kind.PAUSED)

    def stop(self, _record: Mapping[str, Any], at_ns: int) -> None:
        self.stopped.change(at_ns, value=True)

    def rigs_of(self, rig: str | None) -> list[str]:
        if rig is None:
            return list(self.rigs)
        if rig not in self.rigs:
            self.say(f"rig {rig} is not in the timeline")
            return []
        return [rig]

    # --- frames ---------------------------------------------------------------------------------

    def seen(self, record: Mapping[str, Any]) -> _FrameSeen | None:
        frame_id = record["frame_id"]
        seen = self.frames.get(frame_id)
        if seen is None:
            self.say(f"{record['kind']} of frame {frame_id}, which is not in the timeline")
        elif record["rig"] != seen.frame.rig:
            self.say(f"frame {frame_id} belongs to rig {seen.frame.rig}, not {record['rig']}")
        return seen

    def moved(self, record: Mapping[str, Any], _at_ns: int) -> None:
        seen = self.seen(record)
        if seen is None:
            return
        frame, due = seen.frame, record["due_utc_ns"]
        if seen.intent_ns is not None or seen.outcome:
            self.say(f"frame {frame.frame_id} was moved after it was handed to the camera or had ended")
        if record["was_utc_ns"] != seen.due_ns:
            self.say(f"frame {frame.frame_id} was moved from an instant it was not due at")
        if not frame.starts_from_utc_ns <= due <= frame.movable_until_utc_ns:
            self.say(f"frame {frame.frame_id} was moved out of its own stretch, to {utc_iso(due)}")
        seen.due_ns = due

    def intent(self, record: Mapping[str, Any], at_ns: int) -> None:
        seen = self.seen(record)
        if seen is None:
            return
        frame = seen.frame
        if seen.intent_ns is not None:
            self.say(f"frame {frame.frame_id} was handed to the camera a second time", "HF-S10")
        if seen.outcome:
            self.say(f"frame {frame.frame_id} was handed to the camera after it was {seen.outcome}", "HF-S10")
        seen.intent_ns = at_ns if seen.intent_ns is None else seen.intent_ns
        if record["due_utc_ns"] != seen.due_ns:
            self.say(f"frame {frame.frame_id} was handed over for another instant than it was due at")
        for name in ("exposure_s", "f_number", "iso"):
            if not math.isclose(record[name], getattr(frame.settings, name), rel_tol=1e-9):
                self.say(f"frame {frame.frame_id} was handed over with another {name} than planned")
        self.check_word(frame, "handed to the camera", said=self.words[frame.rig].now)
        if self.paused[frame.rig].now:
            self.say(
                f"frame {frame.frame_id} was handed to the camera while {frame.rig} was paused", "HF-S16"
            )
        if self.stopped.now:
            self.say(f"frame {frame.frame_id} was handed to the camera after the stop", "HF-S16")
        if frame.filter_need is FilterState.OFF:
            self.check_inside(
                frame, seen.due_ns, _longest_s(frame.settings.exposure_s), "was handed over to be"
            )

    def check_word(self, frame: Frame, what: str, *, said: FilterState) -> None:
        need = frame.filter_need
        if need is FilterState.NOT_NEEDED or said is need:
            return
        last = (
            "nobody had said where the filter is"
            if said is FilterState.UNSAID
            else f"the filter was said {said}"
        )
        if need is FilterState.OFF:
            self.say(f"unfiltered frame {frame.frame_id} was {what} while {last}", "HF-S01")
        else:
            self.say(f"filtered frame {frame.frame_id} was {what} while {last}", "HF-S06")

    def check_inside(self, frame: Frame, opens_ns: int, exposure_s: float, was: str) -> None:
        """Check an unfiltered exposure against the window, to the nanosecond."""
        start, end = self.timeline.unfiltered_from_utc_ns, self.timeline.unfiltered_until_utc_ns
        if start is None or end is None:
            self.say(f"unfiltered frame {frame.frame_id} {was} exposed where none may be", "HF-S07")
            return
        closes_ns = opens_ns + seconds_to_ns(exposure_s)
        if opens_ns < start:
            early = (start - opens_ns) / NS_PER_S
            self.say(
                f"unfiltered frame {frame.frame_id} {was} exposed {early:.3f} s before its window", "HF-S03"
            )
        if closes_ns > end:
            late = (closes_ns - end) / NS_PER_S
            self.say(
                f"unfiltered frame {frame.frame_id} {was} exposed until {late:.3f} s after its window",
                "HF-S03",
            )

    def outcome(self, record: Mapping[str, Any], _at_ns: int) -> None:
        seen = self.seen(record)
        if seen is None:
            return
        state = _OUTCOMES[Kind(record["kind"])]
        frame_id = seen.frame.frame_id
        if seen.outcome:
            self.say(f"frame {frame_id} ended twice: {seen.outcome}, then {state}", "HF-S10")
        elif state != "missed" and seen.intent_ns is None:
            self.say(f"frame {frame_id} ended as {state} and no intent stands before it", "HF-S09")
        seen.outcome = seen.outcome or state
        if state == "fired":
            self.fired(seen, record)

    def fired(self, seen: _FrameSeen, record: Mapping[str, Any]) -> None:
        frame, released = seen.frame, record["released_utc_ns"]
        sent = released - seconds_to_ns(self.rigs[frame.rig].release_lag_s)
        exposure_s = max(frame.settings.exposure_s, (record.get("read_back") or {}).get("exposure_s") or 0.0)
        closes = released + seconds_to_ns(exposure_s)
        self.exposures[frame.rig].append((released, closes, frame.frame_id))
        if not record.get("file_name"):
            self.say(f"frame {frame.frame_id} is called fired without the camera's word for it", "HF-S17")
        if record["due_utc_ns"] != seen.due_ns:
            self.say(f"frame {frame.frame_id} fired for another instant than it was due at")
        if seen.intent_ns is not None and released < seen.intent_ns:
            self.say(f"frame {frame.frame_id} was released before its intent was journalled", "HF-S09")
        words = self.words[frame.rig]
        if not words.allows(frame.filter_need, released, sent):
            self.check_word(frame, "released", said=words.at(released))
        if frame.filter_need is FilterState.OFF:
            self.check_inside(frame, released, _longest_s(exposure_s), "was")
        if not self.paused[frame.rig].allows(False, released, sent):
            self.say(f"frame {frame.frame_id} was released while {frame.rig} was paused", "HF-S16")
        if not self.stopped.allows(False, released, sent):
            self.say(f"frame {frame.frame_id} was released after the stop", "HF-S16")
        last = frame.ends_by_utc_ns - seconds_to_ns(frame.settings.exposure_s)
        deadline = min(seen.due_ns + frame.deadline_utc_ns - frame.due_utc_ns, last)
        if released > deadline + _LATE_SLACK_NS:
            late = (released - deadline) / NS_PER_S
            self.say(f"frame {frame.frame_id} was fired {late:.3f} s past its deadline", "HF-S08")
        if closes > frame.ends_by_utc_ns + _LATE_SLACK_NS:
            late = (closes - frame.ends_by_utc_ns) / NS_PER_S
            self.say(f"the exposure of frame {frame.frame_id} ended {late:.3f} s past its limit", "HF-S03")

    # --- at the end -----------------------------------------------------------------------------

    def check_overlaps(self) -> None:
        self.seq = 0
        for rig, exposures in self.exposures.items():
            latest = (0, "")
            for opens, closes, frame_id in sorted(exposures):
                if opens < latest[0]:
                    self.say(f"{latest[1]} and {frame_id} were exposed at once on {rig}", "HF-S19")
                latest = max(latest, (closes, frame_id))

    def check_ends(self) -> None:
        if self.ended is None:
            return
        for frame_id, seen in self.frames.items():
            if seen.outcome is None and seen.intent_ns is not None:
                self.say(f"the run ended and frame {frame_id} has an intent and no outcome")
            elif seen.outcome is None:
                self.say(f"the run ended and nothing is said of frame {frame_id}")
