"""Reading a journal back: what can be trusted, what was cut off, and what was changed."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import Any

from controller.errors import JournalError
from controller.journal.lines import FIRST_PREV, decode_line, digest, is_cut_short
from controller.journal.records import Kind
from controller.units import utc_iso

JOURNAL_NAME = "journal.jsonl"
"""The journal's file name inside a run's folder."""
PLAN_NAME = "plan.yaml"
"""The copy of the plan, as it was read."""
TIMELINE_NAME = "timeline.json"
"""The timeline the run plays."""


class JournalState(StrEnum):
    """What a journal is worth."""

    CLOSED = "intact"
    """Every line is good and the last says that the run ended."""
    OPEN = "not closed"
    """Every line is good, but nothing says that the run ended: it goes on, or it was cut off."""
    TORN = "torn"
    """Good up to an unfinished last line, as a loss of power leaves it."""
    ALTERED = "altered"
    """A line was changed, removed, inserted or moved. Nothing from there on is trusted."""


@dataclass(frozen=True, kw_only=True)
class JournalReading:
    """The trusted records of a journal, and what is wrong with the rest."""

    records: list[dict[str, Any]]
    """Every record before the first thing wrong, in order."""
    torn: bytes | None
    """The unfinished end, without the newline after it; None when there is none."""
    closed: bool
    """Whether the last record says that the run ended, and nothing is wrong."""
    problems: list[str] = field(default_factory=list)
    """What was changed, one sentence with its line number each; empty for a torn journal."""
    last_digest: str = FIRST_PREV
    """SHA-256 of the last trusted line."""
    untrusted_lines: int = 0
    """How many lines stand after the break."""

    @property
    def state(self) -> JournalState:
        """Return what the journal is worth; the worst thing wrong decides."""
        if self.problems:
            return JournalState.ALTERED
        if self.torn is not None:
            return JournalState.TORN
        return JournalState.CLOSED if self.closed else JournalState.OPEN

    def verdict(self) -> str:
        """Return one line that says what the journal is worth."""
        count = len(self.records)
        numbered = f"{count} record{'' if count == 1 else 's'}"
        last = f"the last at {utc_iso(self.records[-1]['at_utc_ns'])}" if self.records else "nothing written"
        if self.state is JournalState.ALTERED:
            return (
                f"JOURNAL ALTERED: {' '.join(self.problems)} "
                f"Only the {numbered} before it can be trusted ({last})."
            )
        if self.state is JournalState.TORN:
            torn = len(self.torn or b"")
            return f"journal torn: {numbered} good, {last}; then an unfinished line of {torn} bytes."
        if self.state is JournalState.OPEN:
            return f"journal not closed: {numbered} good, {last}; the run goes on or was cut off there."
        return f"journal intact: {numbered}, closed ({self.records[-1].get('outcome', 'no outcome given')})."


def read_journal(path: Path) -> JournalReading:
    """Read a journal and verify sequence, chain and check digits of every line.

    Detects damage and careless edits; the chain is no signature, and does not prove who wrote it.

    Raises:
        JournalError: if the file is missing or cannot be read.
    """
    try:
        data = path.read_bytes()
    except OSError as error:
        raise JournalError(
            f"{path}: the journal cannot be read ({error.strerror}). Mend: give the folder of a run."
        ) from error
    return parse_journal(data)


def parse_journal(data: bytes) -> JournalReading:
    """Return the reading of a journal's bytes; see `read_journal`."""
    *lines, tail = data.split(b"\n")
    records: list[dict[str, Any]] = []
    last_digest = FIRST_PREV
    unfinished: list[bytes] = []
    for number, line in enumerate(lines, start=1):
        record = decode_line(line)
        if record is None and is_cut_short(line):
            unfinished.append(line)
            continue
        problem = _problem(record, records, last_digest, unfinished)
        if record is None or problem:
            at = number - len(unfinished)
            return JournalReading(
                records=records,
                torn=None,
                closed=False,
                problems=[f"line {at}: {problem}"],
                last_digest=last_digest,
                untrusted_lines=len(lines) - at + 1 + bool(tail),
            )
        records.append(record)
        last_digest = digest(line)
        unfinished = []
    torn = b"\n".join([*unfinished, tail]) if tail else b"\n".join(unfinished)
    closed = bool(records) and records[-1]["kind"] == Kind.RUN_ENDED and not torn and not unfinished
    return JournalReading(
        records=records,
        torn=torn if tail or unfinished else None,
        closed=closed,
        last_digest=last_digest,
        untrusted_lines=len(unfinished) + bool(tail),
    )


def changed_files(folder: Path, records: list[dict[str, Any]]) -> dict[str, str]:
    """Return the names of plan, timeline and profiles that are not the files the run began with, and why."""
    began = next((record for record in records if record["kind"] == Kind.RUN_BEGAN), {})
    changed = {}
    digests = {PLAN_NAME: began.get("plan_sha256"), TIMELINE_NAME: began.get("timeline_sha256")}
    for name, expected in {**digests, **(began.get("profiles_sha256") or {})}.items():
        if not isinstance(expected, str):
            continue
        try:
            found = hashlib.sha256((folder / name).read_bytes()).hexdigest()
        except OSError:
            changed[name] = f"{name} is missing."
            continue
        if found != expected:
            changed[name] = f"{name} is not the file the run began with."
    return changed


def _problem(
    record: dict[str, Any] | None, before: list[dict[str, Any]], last_digest: str, unfinished: list[bytes]
) -> str:
    """Return what is wrong with a whole line, or an empty string."""
    if unfinished and not (record is not None and _quotes(record, unfinished)):
        return "this line is damaged, and it is no unfinished line that a later start has noted."
    if record is None:
        return "this line was changed after it was written; its check digits do not fit."
    expected = len(before) + 1
    if record.get("seq") != expected or record.get("prev") != last_digest:
        return (
            f"record {expected} should stand here but this is record {record.get('seq')}, or the line before "
            "it is not the one it was written after: a line was removed, inserted, moved or changed."
        )
    if not isinstance(record.get("at_utc_ns"), int) or record.get("kind") not in list(Kind):
        return "this line is no record of a run: its instant or its kind is missing or not known."
    if before and before[-1]["kind"] == Kind.RUN_ENDED:
        return "this line stands after the end of the run."
    return ""


def _quotes(record: dict[str, Any], unfinished: list[bytes]) -> bool:
    torn = b"\n".join(unfinished)
    return (
        record.get("kind") == Kind.RUN_RESUMED
        and record.get("torn_sha256") == hashlib.sha256(torn).hexdigest()
    )
