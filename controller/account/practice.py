"""How late each word on the filter was, over all live rehearsals of one day, from their journals alone.

What counts is the first word that fits what a hold needs, from when it was asked for; or a word from before that
still stood then. One that is taken back later does not undo it.
A rehearsal counts when a person attended it in real time, its journal is whole and it was not resumed; a hold,
when it was due after the rehearsal had begun. Rehearsals are of one day when their places are within about a
kilometre of each other and their eclipses are the same, whatever became of the plan between them.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from controller.errors import JournalError
from controller.journal.folder import RunFolder
from controller.journal.reading import JOURNAL_NAME, JournalState, changed_files
from controller.journal.records import Kind
from controller.journal.unfinished import first_record
from controller.timeline.model import Hold, Timeline
from controller.units import NS_PER_S, FilterState, UtcNs, utc_datetime, utc_iso

RULE = (
    "Counted: rehearsals in real time for this place and eclipse, attended by a person, not resumed; of each hold that "
    "was due after the rehearsal began, the first word that fits once it was asked for (or one that stood already), even "
    "if it was taken back later."
)
WIDTH = 80
SHOWN = 12
"""The text shows so many of the newest rehearsals; JSON has all."""

_SAME_PLACE_DEG = 0.01
_SAME_ECLIPSE_NS = 24 * 3600 * NS_PER_S
"""Two solar eclipses are never closer to each other than a lunation, and one place's contacts are hours apart."""
_PLOT_COLUMNS = 43
_ENDS_S = (10, 20, 30, 60, 120)
"""Where the scale may end, seconds before and after a hold is due."""

Record = Mapping[str, Any]


@dataclass(frozen=True, kw_only=True)
class PractisedWord:
    """The word that a hold waited for, in one rehearsal."""

    rig: str
    needs: FilterState
    number: int
    """Which of the rig's holds that need this, from 1: so the same hold is found in another rehearsal."""
    phase: str
    due_utc_ns: UtcNs
    late_s: float | None
    """Said minus due, seconds; negative when early. None when no word was said for this hold."""
    stood: bool = False
    """Whether no word was needed: what was said for an earlier hold still stood."""

    @property
    def outcome(self) -> str:
        """Return what became of it, in words."""
        if self.late_s is None:
            return "none needed" if self.stood else "never said"
        return "late" if self.late_s > 0 else "in time"


@dataclass(frozen=True, kw_only=True)
class Practice:
    """One live rehearsal."""

    folder: str
    practised_utc_ns: int
    """When it really began, by the computer's clock."""
    timeline: Timeline
    words: tuple[PractisedWord, ...]


@dataclass(frozen=True, kw_only=True)
class Practices:
    """All live rehearsals of one day, oldest first; never empty."""

    practices: tuple[Practice, ...]

    @property
    def newest(self) -> Practice:
        """Return the last of them."""
        return self.practices[-1]


@dataclass(frozen=True, kw_only=True)
class Found:
    """What is in a folder of runs."""

    days: tuple[Practices, ...]
    """The day practised last stands last."""
    left_out: tuple[str, ...]
    """One sentence for each rehearsal that could not be counted."""


def find_practices(base: Path, like: Timeline | None = None) -> Found:
    """Read all live rehearsals under a folder of runs.

    Args:
        base: the folder of runs.
        like: only those of this timeline's place and eclipse; all when left out.
    """
    found, left_out = [], []
    for path in sorted(base.glob(f"*/{JOURNAL_NAME}")):
        try:
            practice = _practice(RunFolder(path.parent), like)
        except (JournalError, OSError) as error:
            left_out.append(f"{path.parent.name} is left out: {error}")
            continue
        if isinstance(practice, str):
            left_out.append(f"{path.parent.name} is left out: {practice}")
        elif practice is not None:
            found.append(practice)
    days: list[list[Practice]] = []
    for one in sorted(found, key=lambda practice: (practice.practised_utc_ns, practice.folder)):
        same = next((day for day in days if same_day(day[0].timeline, one.timeline)), None)
        if same is None:
            days.append([one])
        else:
            same.append(one)
    days.sort(key=lambda day: day[-1].practised_utc_ns)
    return Found(days=tuple(Practices(practices=tuple(day)) for day in days), left_out=tuple(left_out))


def same_day(one: Timeline, other: Timeline) -> bool:
    """Tell whether two timelines are for the same place, within about a kilometre, and the same eclipse."""
    near = (
        abs(one.latitude_deg - other.latitude_deg) < _SAME_PLACE_DEG
        and abs(one.longitude_deg - other.longitude_deg) < _SAME_PLACE_DEG
    )
    apart = abs(min(one.contacts_utc_ns.values()) - min(other.contacts_utc_ns.values()))
    return near and apart < _SAME_ECLIPSE_NS


def _practice(folder: RunFolder, like: Timeline | None) -> Practice | str | None:
    """Return a live rehearsal; why it cannot be counted; or None where it is none, or of another day.

    Raises:
        JournalError: if it cannot be read.
    """
    first = first_record(folder.journal_path)
    if first and (first.get("mode") != "rehearsal" or first.get("operator") != "person"):
        return None
    timeline = folder.timeline()
    if like is not None and not same_day(like, timeline):
        return None
    reading = folder.read()
    if reading.state in (JournalState.ALTERED, JournalState.TORN):
        return reading.verdict()
    if not reading.records:
        return "nothing was written to its journal."
    if changed := changed_files(folder.path, reading.records):
        return " ".join(changed.values())
    if any(record["kind"] == Kind.RUN_RESUMED for record in reading.records):
        return "it was resumed, and nobody could be heard between."
    began = reading.records[0].get("practised_utc_ns")
    return Practice(
        folder=folder.path.name,
        practised_utc_ns=began if isinstance(began, int) else folder.journal_path.stat().st_mtime_ns,
        timeline=timeline,
        words=practised_words(timeline, reading.records),
    )


def practised_words(timeline: Timeline, records: Sequence[Record]) -> tuple[PractisedWord, ...]:
    """Return the word for each hold that was due while a rehearsal, not resumed, went on."""
    began, ended = int(records[0]["at_utc_ns"]), int(records[-1]["at_utc_ns"])
    counts: dict[tuple[str, FilterState], int] = {}
    latest_due: dict[str, int] = {}
    words = []
    for hold in sorted(timeline.holds, key=lambda hold: (hold.due_utc_ns, hold.hold_id)):
        number = counts[hold.rig, hold.needs] = counts.get((hold.rig, hold.needs), 0) + 1
        since = latest_due.get(hold.rig, began)
        latest_due[hold.rig] = hold.due_utc_ns
        said = _first_fitting(hold, since, records)
        passed = any(
            record["kind"] == Kind.HOLD_PASSED and record.get("hold_id") == hold.hold_id for record in records
        )
        if hold.due_utc_ns < began or (hold.due_utc_ns > ended and said is None):
            continue
        words.append(
            PractisedWord(
                rig=hold.rig, needs=hold.needs, number=number, phase=hold.phase, due_utc_ns=hold.due_utc_ns,
                late_s=None if said is None else round((said - hold.due_utc_ns) / NS_PER_S, 3),
                stood=said is None and passed,
            )
        )  # fmt: skip
    return tuple(words)


def _first_fitting(hold: Hold, since_utc_ns: int, records: Iterable[Record]) -> int | None:
    """Return when the filter was said to be as a hold needs it, after the rig's hold before it was due; or None.

    From the opening of the hold on, the first word that fits counts; one from before only if it stood then.
    """
    standing = None
    for record in records:
        now = record["at_utc_ns"]
        if record["kind"] != Kind.FILTER_SAID or record.get("rig") not in (None, hold.rig):
            continue
        if not since_utc_ns <= now < hold.closes_utc_ns:
            continue
        fits = record.get("state") == hold.needs
        if now < hold.opens_utc_ns:
            standing = (standing or now) if fits else None
        elif standing is None and fits:
            return int(now)
    return standing


# --- as text ------------------------------------------------------------------------------------


def to_text(found: Found) -> str:
    """Return tables and plots, at most `WIDTH` columns wide, readable without colour."""
    lines: list[str] = []
    for day in found.days:
        lines += [*_day_lines(day), ""]
    if not found.days:
        lines += ["Nothing was practised yet: no live rehearsal that a person attended is here.", ""]
    for sentence in found.left_out:
        lines += _wrapped(sentence)
    return "\n".join(lines).rstrip("\n") + "\n"


def _day_lines(day: Practices) -> list[str]:
    timeline = day.newest.timeline
    date = utc_iso(min(timeline.contacts_utc_ns.values()), 0)[:10]
    lines = _wrapped(f"Practice: {timeline.title} ({timeline.site_name}, {date})")
    lines += _wrapped(RULE)
    by_hold = words_by_hold(day)
    scale = _scale([one.late_s for words in by_hold.values() for _, one in words if one.late_s is not None])
    for words in by_hold.values():
        lines += ["", *_hold_lines(words, scale)]
    if not by_hold:
        return [*lines, "", "No hold was due while they went on."]
    return [*lines, "", *_wrapped("Plot: | due, o said in time, x said late; < and > lie beyond its ends.")]


def words_by_hold(
    day: Practices,
) -> dict[tuple[str, FilterState, int], list[tuple[Practice, PractisedWord]]]:
    """Return the words of each hold, oldest first; the holds in the order of the newest rehearsals' days."""
    found: dict[tuple[str, FilterState, int], list[tuple[Practice, PractisedWord]]] = {}
    for practice in day.practices:
        for word in practice.words:
            found.setdefault((word.rig, word.needs, word.number), []).append((practice, word))
    return dict(sorted(found.items(), key=lambda item: (item[1][-1][1].due_utc_ns, item[0])))


def _hold_lines(words: list[tuple[Practice, PractisedWord]], scale: tuple[int, int]) -> list[str]:
    newest = words[-1][1]
    lines = _wrapped(f'{newest.rig}: filter {newest.needs.value.upper()} for "{newest.phase}"')
    ends = f"{scale[0]:+d} s", f"{scale[1]:+d} s"
    lines.append(f"  {'practised (UTC)':18}{'said':16}{ends[0]}{ends[1]:>{_PLOT_COLUMNS - len(ends[0])}}")
    for practice, word in words[-SHOWN:]:
        when = utc_datetime(practice.practised_utc_ns).strftime("%Y-%m-%d %H:%M")
        lines.append(f"  {when:18}{late_words(word):16}{_plotted(word, scale)}".rstrip())
    return [*lines, *_wrapped(tally_words([word for _, word in words]), indent="  ")]


def late_words(word: PractisedWord) -> str:
    """Return how late or early a word was, or what became of it."""
    if word.late_s is None:
        return word.outcome
    size = abs(word.late_s)
    length = f"{size:.1f} s" if size < 100 else f"{size:.0f} s"
    return f"{length} late" if word.late_s > 0 else f"{length} early"


def tally_words(words: Sequence[PractisedWord]) -> str:
    """Return in one sentence how often a hold's word was in time, late or never said."""
    late = [word.late_s for word in words if word.late_s is not None and word.late_s > 0]
    counts = {what: sum(word.outcome == what for word in words) for what in ("in time", "late", "never said")}
    stood = len(words) - sum(counts.values())
    said = f"{counts['in time']} in time, {counts['late']} late"
    said += f" (at most {max(late):.1f} s)" if late else ""
    said += f", {counts['never said']} never said" + (f", {stood} none needed" if stood else "")
    older = f" The last {SHOWN} are shown." if len(words) > SHOWN else ""
    return f"In all {len(words)}: {said}.{older}"


def _scale(lates_s: Sequence[float]) -> tuple[int, int]:
    """Return where the plot begins and ends, seconds from due."""

    def end(size: float) -> int:
        return next((one for one in _ENDS_S if one >= size), _ENDS_S[-1])

    return -end(max((-late for late in lates_s), default=0.0)), end(max(lates_s, default=0.0))


def _plotted(word: PractisedWord, scale: tuple[int, int]) -> str:
    """Return one line of the plot."""

    def column(seconds: float) -> int:
        return round((seconds - scale[0]) / (scale[1] - scale[0]) * (_PLOT_COLUMNS - 1))

    line = [" "] * _PLOT_COLUMNS
    line[column(0)] = "|"
    if word.late_s is None:
        return "".join(line)
    if word.late_s < scale[0]:
        line[0] = "<"
    elif word.late_s > scale[1]:
        line[-1] = ">"
    else:
        line[column(word.late_s)] = "x" if word.late_s > 0 else "o"
    return "".join(line)


def _wrapped(text: str, indent: str = "") -> list[str]:
    safe = "".join(one if one.isprintable() else f"\\x{ord(one):02x}" for one in text)
    return textwrap.wrap(safe, WIDTH, initial_indent=indent, subsequent_indent=indent or "  ") or [""]


# --- as JSON ------------------------------------------------------------------------------------


def to_json_dict(found: Found) -> dict[str, Any]:
    """Return all of it as JSON values: instants in UTC (ISO 8601), `late_s` said minus due."""
    return {
        "rule": RULE,
        "days": [
            {
                "title": day.newest.timeline.title,
                "place": day.newest.timeline.site_name,
                "practices": [_practice_json(practice) for practice in day.practices],
            }
            for day in found.days
        ],
        "left_out": list(found.left_out),
    }


def _practice_json(practice: Practice) -> dict[str, Any]:
    return {
        "folder": practice.folder,
        "practised_utc": utc_iso(practice.practised_utc_ns, 0),
        "words": [
            {
                "rig": word.rig,
                "phase": word.phase,
                "needs": word.needs.value,
                "due_utc": utc_iso(word.due_utc_ns),
                "late_s": word.late_s,
                "outcome": word.outcome,
            }
            for word in practice.words
        ],
    }
