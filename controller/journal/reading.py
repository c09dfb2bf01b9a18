"""Reading a journal back: what can be trusted, what was cut off, and what was changed.

A journal that could not be written in the run's folder goes on in a second place, a file that its own
records name. The two hold one stream of bytes: the second a stretch of it, from the start of some line. In
the run's folder that stretch is whole, begun, or not there at all. Reading joins them.
"""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass, field, replace
from enum import StrEnum
from pathlib import Path
from typing import Any

from controller.errors import JournalError
from controller.journal.lines import FIRST_PREV, decode_line, digest, is_cut_short
from controller.journal.records import Kind
from controller.units import utc_iso

JOURNAL_NAME = "journal.jsonl"
"""The journal's file name inside a run's folder."""
WHOLE_NAME = "journal.whole"
"""An empty file that stands beside the journal while nothing of it stands in the second place alone."""
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
    trusted_bytes: int = 0
    """Where the last trusted line ends, in bytes from the start of the journal."""
    second_place: Path | None = None
    """The file outside the run's folder that the end of this journal was read from; None when it was not."""
    missed_file: Path | None = None
    """The second place that is gone while nothing says that the run ended: lines may be missing."""

    @property
    def state(self) -> JournalState:
        """Return what the journal is worth; the worst thing wrong decides."""
        if self.problems:
            return JournalState.ALTERED
        if self.torn is not None or self.missed_file is not None:
            return JournalState.TORN
        return JournalState.CLOSED if self.closed else JournalState.OPEN

    def verdict(self) -> str:
        """Return one line that says what the journal is worth, and where a part of it stands elsewhere."""
        if self.second_place is None or self.state is JournalState.ALTERED:
            return self._worth()
        return (
            f"{self._worth()} Its end stands in {self.second_place} alone, not in the run's folder: "
            "keep that file with it."
        )

    def _worth(self) -> str:
        count = len(self.records)
        numbered = f"{count} record{'' if count == 1 else 's'}"
        last = f"the last at {utc_iso(self.records[-1]['at_utc_ns'])}" if self.records else "nothing written"
        if self.state is JournalState.ALTERED:
            return (
                f"JOURNAL ALTERED: {' '.join(self.problems)} "
                f"Only the {numbered} before it can be trusted ({last})."
            )
        if self.missed_file is not None:
            return (
                f"journal torn: {numbered} good, {last}; what came after may have stood in "
                f"{self.missed_file}, and that file is missing."
            )
        if self.state is JournalState.TORN:
            torn = len(self.torn or b"")
            return f"journal torn: {numbered} good, {last}; then an unfinished line of {torn} bytes."
        if self.state is JournalState.OPEN:
            return f"journal not closed: {numbered} good, {last}; the run goes on or was cut off there."
        return f"journal intact: {numbered}, closed ({self.records[-1].get('outcome', 'no outcome given')})."


def read_journal(path: Path) -> JournalReading:
    """Read a journal, its second place too, and verify sequence, chain and check digits of every line.

    Detects damage and careless edits; the chain is no signature, and does not prove who wrote it.

    Raises:
        JournalError: if the file is missing or cannot be read.
    """
    while True:
        data = _read(path)
        reading = join(data, whole=path.with_name(WHOLE_NAME).exists()).reading
        if reading.state is not JournalState.ALTERED or _read(path) == data:
            return reading  # else it was written to between the reading of the one place and of the other


def _read(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise JournalError(
            f"{path}: the journal cannot be read ({error.strerror}). Mend: give the folder of a run."
        ) from error


@dataclass(frozen=True, kw_only=True)
class Joined:
    """A journal put together from the places that it stands in."""

    stream: bytes
    """Its bytes, as if it had been written in one place."""
    reading: JournalReading
    last_place: Path | None
    """The second place that the journal names last, gone or not; None when it names none."""
    last_start: int | None
    """At which byte of the stream that file's first one lies; None when it holds no whole line."""
    named: frozenset[Path]
    """Every second place that the journal names."""


def join(first: bytes, *, whole: bool = False) -> Joined:
    """Put a journal together from its bytes in the run's folder and the second places that these name.

    `whole` says that nothing is missed with a second place that is gone.
    """
    stream, problem, missed = first, "", None
    last_place: Path | None = None
    last_start: int | None = None
    joined: set[Path] = set()
    while (place := next((p for p in _named_places(stream) if p not in joined), None)) and not problem:
        joined.add(place)
        last_place, last_start, missed = None, None, None
        if place in _missed_before(stream):
            continue
        last_place = place
        try:
            second = read_second(place)
        except OSError:
            missed = None if whole else place
        else:
            stream, last_start, problem = _merge(stream, second)
    reading = parse_journal(stream)
    if problem:
        reading = replace(
            reading, problems=[f"line {len(reading.records) + 1}: {problem}"], torn=None, closed=False
        )
    if missed is not None and not reading.closed:
        reading = replace(reading, missed_file=missed)
    if not first.startswith(stream[: reading.trusted_bytes]):
        reading = replace(reading, second_place=last_place)
    return Joined(
        stream=stream,
        reading=reading,
        last_place=last_place,
        last_start=last_start,
        named=frozenset(joined),
    )


def read_second(place: Path) -> bytes:
    """Return what a second place holds; a symbolic link in its stead is not followed.

    Raises:
        OSError: if it is not there or cannot be read.
    """
    with os.fdopen(os.open(place, os.O_RDONLY | os.O_NOFOLLOW), "rb") as file:
        return file.read()


def shared_length(one: bytes, other: bytes) -> int:
    """Return how many bytes two byte strings have in common from their start on."""
    shorter = min(len(one), len(other))
    if one[:shorter] == other[:shorter]:
        return shorter
    return next(i for i in range(shorter) if one[i] != other[i])


def _named_places(stream: bytes) -> list[Path]:
    return _paths_in(stream, "second_place")


def _missed_before(stream: bytes) -> list[Path]:
    """Return the second places that a resumed run went on without; what turns up there later is not its journal."""
    return _paths_in(stream, "missed_file")


def _paths_in(stream: bytes, name: str) -> list[Path]:
    marked = (line for line in stream.split(b"\n") if f'"{name}":'.encode() in line)
    values = (record.get(name) for line in marked if (record := decode_line(line)) is not None)
    return [Path(value) for value in values if isinstance(value, str)]


def _merge(stream: bytes, second: bytes) -> tuple[bytes, int | None, str]:
    """Return the joined stream, where the second place begins in it, and what contradicts in the two.

    Where they part, the one that has whole lines goes on; the other may hold an unfinished line at most. If
    both have whole lines from there on, the stream ends there.
    """
    head = next((line for line in second.split(b"\n") if not is_cut_short(line)), None)
    if head is None:
        return stream, None, ""  # nothing there was ever acknowledged
    record = decode_line(head)
    start = None if record is None else _after_line(stream, str(record.get("prev")))
    if start is None:
        return stream, None, "what stands in the second place does not go on from any line here."
    if start > len(stream):
        stream += b"\n"  # the line before lacked nothing but that
    here = stream[start:]
    same = shared_length(here, second)
    if same == len(here):
        return stream[:start] + second, start, ""
    if same == len(second):
        return stream, start, ""
    parts = here.rfind(b"\n", 0, same) + 1
    here_goes_on = any(not is_cut_short(line) for line in here[parts:].split(b"\n"))
    second_goes_on = any(not is_cut_short(line) for line in second[parts:].split(b"\n"))
    if here_goes_on and second_goes_on:
        return stream[: start + parts], start, "the two places of the journal differ from here on."
    return (stream[:start] + second if second_goes_on else stream), start, ""


def _after_line(stream: bytes, wanted_digest: str) -> int | None:
    """Return where the line with this digest ends, its newline included."""
    if wanted_digest == FIRST_PREV:
        return 0
    at = 0
    for line in stream.split(b"\n"):
        at += len(line) + 1
        if digest(line) == wanted_digest:
            return at
    return None


def parse_journal(data: bytes) -> JournalReading:
    """Return the reading of a journal's bytes in one place; see `read_journal`."""
    *lines, tail = data.split(b"\n")
    records: list[dict[str, Any]] = []
    last_digest = FIRST_PREV
    unfinished: list[bytes] = []
    at_byte = trusted_bytes = 0
    for number, line in enumerate(lines, start=1):
        at_byte += len(line) + 1
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
                trusted_bytes=trusted_bytes,
            )
        records.append(record)
        last_digest = digest(line)
        trusted_bytes = at_byte
        unfinished = []
    torn = b"\n".join([*unfinished, tail]) if tail else b"\n".join(unfinished)
    closed = bool(records) and records[-1]["kind"] == Kind.RUN_ENDED and not torn and not unfinished
    return JournalReading(
        records=records,
        torn=torn if tail or unfinished else None,
        closed=closed,
        last_digest=last_digest,
        untrusted_lines=len(unfinished) + bool(tail),
        trusted_bytes=trusted_bytes,
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
