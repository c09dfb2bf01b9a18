"""What went wrong in a run, in order: when, on which rig, what it cost in frames, how long an outage was.

Read from the journal alone. Every frame that was lost counts against one trouble: the outage it fell into,
the late word or the pause it waited for, or a row of losses of one kind.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from controller.cameras.protocol import MissReason
from controller.journal.records import Kind
from controller.units import NS_PER_S

Record = Mapping[str, Any]
_LOSSES = {Kind.FRAME_MISSED: "missed", Kind.FRAME_FAILED: "failed", Kind.FRAME_UNKNOWN: "unknown"}
_SAME_NS = 60 * NS_PER_S
"""Losses of one kind that lie farther apart are two troubles."""
_BEFORE_NS = NS_PER_S
"""A frame that failed so shortly before its camera was lost failed because of that."""
_SETTINGS = {"exposure": "exposure_s", "f_number": "f_number", "iso": "iso"}
_ROWS: Mapping[str, str] = {
    MissReason.LATE: "frames could only have come too late",
    MissReason.HELD: "nobody had said how the filter is",
    MissReason.CAMERA: "the camera could not be used",
    MissReason.BUFFER: "the camera's buffer was full",
    MissReason.CARD: "the card was full",
    MissReason.REFIT: "no time was left after a refit",
    MissReason.PAUSED: "the run was paused",
    MissReason.STOPPED: "the run was stopped",
    MissReason.WINDOW: "exposures would have ended after their window",
    MissReason.SETTINGS: "the camera did not take settings",
}


@dataclass(kw_only=True)
class Trouble:
    """One thing that went wrong."""

    at_utc_ns: int
    rig: str | None
    """None: not a matter of one rig."""
    what: str
    last_utc_ns: int
    """When it last cost a frame, or ended."""
    frames: Counter[str] = field(default_factory=Counter)
    """What it cost: ``missed``, ``failed``, ``unknown``, ``fired otherwise``, ``in doubt``; empty when nothing."""
    outage_s: float | None = None
    """How long it lasted, seconds; None where it was not an outage."""
    over: bool = True
    """False for an outage that still went on when the journal ends."""

    @property
    def words(self) -> str:
        """Return the whole in a sentence, without the time and the rig."""
        parts = [self.what]
        if self.outage_s is not None:
            parts.append(
                f"over after {self.outage_s:.1f} s" if self.over else f"not over {self.outage_s:.1f} s later"
            )
        elif self.frames and self.last_utc_ns - self.at_utc_ns >= NS_PER_S:
            parts.append(f"for {(self.last_utc_ns - self.at_utc_ns) / NS_PER_S:.1f} s")
        lost = ", ".join(f"{count} {end}" for end, count in self.frames.items())
        parts.append(f"frames: {lost}" if lost else "no frame lost")
        return "; ".join(parts)


def find_troubles(records: Sequence[Record]) -> tuple[Trouble, ...]:
    """Return what went wrong, in the order in which it began."""
    search = _Search()
    for record in records:
        search.take(record)
    return search.found()


class _Search:
    def __init__(self) -> None:
        self._all: list[Trouble] = []
        self._rows: dict[tuple[str, str], Trouble] = {}
        self._outage: dict[str, Trouble] = {}
        self._back: dict[str, Trouble] = {}
        self._word: dict[str, Trouble] = {}
        self._rigs: set[str | None] = set()
        self._pause: dict[str | None, Trouble] = {}
        self._at_rest: set[str | None] = set()
        self._down: Trouble | None = None
        self._stop: Trouble | None = None
        self._doubt: dict[str, Trouble] = {}
        self._away: Trouble | None = None
        self._last_ns = 0

    def take(self, record: Record) -> None:
        """Take the next record."""
        kind, now, rig = Kind(record["kind"]), int(record["at_utc_ns"]), record.get("rig")
        if kind in _LOSSES:
            self._lost(kind, now, str(rig), record)
        elif kind is Kind.FRAME_FIRED:
            self._fired(now, str(rig), record)
        elif kind is Kind.CAMERA_LOST:
            self._camera_lost(now, str(rig), str(record.get("detail")))
        elif kind is Kind.CAMERA_READY and (outage := self._outage.pop(str(rig), None)):
            self._end(outage, now)
            self._back[str(rig)] = outage
        elif kind is Kind.HOLD_PASSED and float(record.get("late_s") or 0) > 0:
            word = self._word_of(str(rig), now)
            word.what = (
                f"the word that the filter is {record.get('needs')} came {record['late_s']:.1f} s late"
            )
        elif kind is Kind.HOLD_EXPIRED:
            self._word_of(str(rig), now).what = f"nobody ever said that the filter is {record.get('needs')}"
        elif kind is Kind.RUN_BEGAN:
            self._rigs = set(record.get("silence_limit_s") or ())
        elif kind is Kind.FILTER_DOUBTED:
            self._doubted(now, str(rig), record)
        elif kind is Kind.DOUBT_OVER or kind is Kind.FILTER_SAID:
            self._doubt_over(now, rig)
        elif kind is Kind.PAUSED:
            self._paused(now, rig)
        elif kind is Kind.WENT_ON:
            self._went_on(now, rig)
        elif kind is Kind.RUN_RESUMED:
            self._resumed(now, record)
        elif kind is Kind.STOP_ASKED:
            self._stop = self._new(now, None, f"stopped by {record.get('by')}")
        elif kind is Kind.CLOCK_STEPPED:
            step = f"{float(record.get('step_s') or 0):+.3f} s"
            self._new(
                now, None, f"the computer's clock stepped by {step}; firing went on by the steady clock"
            )
        elif kind is Kind.JOURNAL_MOVED:
            what = f"the journal went on in a second place ({record.get('cause')})"
            self._away = self._new(now, None, what, outage=True)
        elif kind is Kind.JOURNAL_RETURNED and self._away:
            self._end(self._away, now)
        elif kind is Kind.NOTE and not record.get("by"):
            self._new(now, None, str(record.get("text")))
        self._last_ns = now

    def found(self) -> tuple[Trouble, ...]:
        """Return the troubles; an outage without an end lasts to the last record."""
        for one in self._all:
            if not one.over:
                one.outage_s = (self._last_ns - one.at_utc_ns) / NS_PER_S
        kept = [one for one in self._all if one.frames or one.what != "paused"]
        return tuple(sorted(kept, key=lambda one: one.at_utc_ns))

    def _new(self, now: int, rig: str | None, what: str, *, outage: bool = False) -> Trouble:
        one = Trouble(at_utc_ns=now, rig=rig, what=what, last_utc_ns=now, over=not outage)
        self._all.append(one)
        return one

    @staticmethod
    def _end(outage: Trouble, now: int) -> None:
        outage.over, outage.outage_s = True, (now - outage.at_utc_ns) / NS_PER_S

    def _row(self, now: int, rig: str, what: str) -> Trouble:
        """Return the row of losses of this kind that goes on, or a new one."""
        row = self._rows.get((rig, what))
        if row is None or now - row.last_utc_ns > _SAME_NS:
            row = self._rows[rig, what] = self._new(now, rig, what)
        return row

    def _word_of(self, rig: str, now: int) -> Trouble:
        """Return the trouble with the word on a rig's filter that is due now."""
        held = self._rows.pop((rig, _ROWS[MissReason.HELD]), None)
        fresh = held is not None and now - held.last_utc_ns <= _SAME_NS
        word = held if held is not None and fresh else self._new(now, rig, "")
        self._word[rig] = word
        return word

    def _lost(self, kind: Kind, now: int, rig: str, record: Record) -> None:
        reason, detail = str(record.get("reason") or ""), str(record.get("detail") or "")
        cause = self._cause(kind, rig, reason, detail)
        word = self._word.get(rig)
        if reason == MissReason.HELD and word is not None and now - word.last_utc_ns <= _SAME_NS:
            cause = word
        if cause is None:
            cause = self._row(now, rig, _row_words(kind, reason, detail))
        cause.frames[_LOSSES[kind]] += 1
        cause.last_utc_ns = now

    def _cause(self, kind: Kind, rig: str, reason: str, detail: str) -> Trouble | None:
        """Return the trouble that a loss belongs to, None for a row of its own kind."""
        if kind is Kind.FRAME_UNKNOWN:
            return self._stop or self._down
        if kind is Kind.FRAME_FAILED or reason == MissReason.CAMERA:
            return self._outage.get(rig)
        if reason == MissReason.STOPPED:
            return self._stop
        if reason == MissReason.PAUSED:
            return self._pause.get(rig) or self._pause.get(None)
        if "while the run was down" in detail:
            return self._down
        if reason != MissReason.REFIT:
            return None
        return {
            "the camera came back": self._back.get(rig),
            "the word on the filter": self._word.get(rig),
            "the end of the pause": self._pause.get(rig) or self._pause.get(None),
        }.get(detail)

    def _fired(self, now: int, rig: str, record: Record) -> None:
        back = record.get("read_back") or {}
        differs = [name for name in record.get("differs") or () if back.get(_SETTINGS.get(name)) is not None]
        if differs:
            names = " and ".join(name.replace("_", "-") for name in differs)
            row = self._row(now, rig, f"fired with another {names} than asked")
            row.frames["fired otherwise"] += 1
            row.last_utc_ns = now

    def _doubted(self, now: int, rig: str, record: Record) -> None:
        """Begin a doubt about a word, or count another picture to the one that goes on."""
        doubt = self._doubt.get(rig)
        if doubt is None:
            off = f"{abs(float(record.get('stops') or 0)):.0f} stops" + (
                " or more" if record.get("at_least") else ""
            )
            what = (
                f"a picture contradicts the word that the filter is {record.get('said')}: it {record.get('shows')}, "
                f"{off} off the model"
            )
            doubt = self._doubt[rig] = self._new(now, rig, what, outage=True)
        doubt.frames["in doubt"] += 1
        doubt.last_utc_ns = now

    def _doubt_over(self, now: int, rig: str | None) -> None:
        """End the doubt about a rig, of all with None: a picture agrees again, or there is a new word."""
        for doubted in [rig] if rig is not None else list(self._doubt):
            if doubt := self._doubt.pop(doubted, None):
                self._end(doubt, now)

    def _camera_lost(self, now: int, rig: str, detail: str) -> None:
        outage = self._outage[rig] = self._new(now, rig, f"camera lost: {detail.rstrip('.')}", outage=True)
        for key, row in list(self._rows.items()):
            because = row.frames["failed"] or key[1].startswith(_ROWS[MissReason.CAMERA])
            if key[0] == rig and because and now - row.last_utc_ns <= _BEFORE_NS:
                outage.at_utc_ns = min(outage.at_utc_ns, row.at_utc_ns)
                outage.frames.update(row.frames)
                self._all.remove(self._rows.pop(key))

    def _paused(self, now: int, rig: str | None) -> None:
        """Begin a pause, unless this says again what goes on."""
        rigs, known = self._named(rig), self._pause.get(rig)
        if not (rigs <= self._at_rest or (known and not known.over)):
            self._pause[rig] = self._new(now, rig, "paused", outage=True)
        self._at_rest |= rigs

    def _went_on(self, now: int, rig: str | None) -> None:
        """End every pause of which no rig is at rest any more."""
        self._at_rest -= self._at_rest if rig is None else {rig}
        for paused, pause in self._pause.items():
            if not pause.over and not self._named(paused) & self._at_rest:
                self._end(pause, now)

    def _named(self, rig: str | None) -> set[str | None]:
        return {rig} if rig is not None else self._rigs or {None}

    def _resumed(self, now: int, record: Record) -> None:
        before = self._last_ns or now
        what = "the run was broken off and started again"
        if float(record.get("clock_back_s") or 0) > 0:
            what += f" by a clock {float(record['clock_back_s']):.1f} s behind the journal"
        if record.get("torn_bytes"):
            what += f" ({record['torn_bytes']} bytes of an unfinished line in the journal)"
        self._down = Trouble(at_utc_ns=before, rig=None, what=what, last_utc_ns=now)
        self._end(self._down, now)
        self._all.append(self._down)
        for outage in self._outage.values():
            self._end(outage, before)
        self._outage.clear()


def _row_words(kind: Kind, reason: str, detail: str) -> str:
    if kind is Kind.FRAME_MISSED:
        words = _ROWS.get(reason, reason)
        return (
            f"{words}: {detail}" if detail and reason in (MissReason.CAMERA, MissReason.SETTINGS) else words
        )
    if kind is Kind.FRAME_UNKNOWN:
        return "no outcome is known"
    return f"the camera failed: {detail}" if detail else "the camera failed"
