"""Writing the journal: a record is on the disk before `append` returns.

The lines are made by a structlog processor chain (link to the line before, then canonical JSON);
the chain ends in a file that is written whole and flushed with fsync.
"""

from __future__ import annotations

import contextlib
import fcntl
import hashlib
import operator
import os
import threading
from collections.abc import Iterable, Iterator, Mapping, MutableMapping
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import structlog

from controller.errors import JournalError
from controller.journal.lines import decode_line, digest, encode_line
from controller.journal.reading import (
    JOURNAL_NAME,
    TIMELINE_NAME,
    JournalReading,
    JournalState,
    changed_files,
    parse_journal,
)
from controller.journal.records import Kind

WRITER_NAME = "writer.pid"
"""Who holds the journal: a process id, only read when the journal turns out to be locked."""

Entry = tuple[Kind, int, Mapping[str, Any]]
"""A record to be: its kind, its instant (UTC nanoseconds) and its fields."""


class JournalWriteError(JournalError):
    """Raised when a record could not be brought to the disk; nothing more may be fired by that run."""


class JournalWriter:
    """The only writer of one journal. One record is one line; nothing is ever changed or deleted.

    After a failed write the writer refuses everything, since nobody can know how much of the line
    reached the disk; `resume` sorts that out. May be used from several threads, but not from a
    signal handler. Processes started with fork alone would keep the lock alive: start them by spawn.
    """

    def __init__(self, path: Path, descriptor: int, reading: JournalReading, lead: bytes) -> None:
        self.path = path
        self.reading = reading
        """What stood in the journal when it was opened."""
        self._descriptor = descriptor
        self._seq = len(reading.records)
        self._prev = reading.last_digest
        self._lead = lead
        self._resumes = bool(reading.records)
        self._usable = True
        self._closing = False
        self._mutex = threading.Lock()
        self._log = structlog.wrap_logger(
            _Staging(),
            processors=[structlog.processors.EventRenamer("kind"), self._link, _render],
            wrapper_class=_Records,
            cache_logger_on_first_use=True,
        )

    @classmethod
    def create(cls, run_folder: Path) -> JournalWriter:
        """Start the journal of a new run in an existing folder.

        Raises:
            JournalError: if there is one already, or the folder cannot be written to.
        """
        path = run_folder / JOURNAL_NAME
        try:
            descriptor = os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY | os.O_APPEND, 0o644)
        except FileExistsError as error:
            raise JournalError(
                f"{path}: this run has a journal already. Mend: resume that run, or start a new one."
            ) from error
        except OSError as error:
            raise _cannot_open(path, error) from error
        with _closed_on_error(descriptor):
            _lock(path, descriptor)
            try:
                os.fsync(descriptor)
                sync_folder(run_folder)
            except OSError as error:
                raise _cannot_open(path, error) from error
        return cls(path, descriptor, parse_journal(b""), b"")

    @classmethod
    def resume(cls, run_folder: Path) -> JournalWriter:
        """Go on with a journal that was cut off. The first record must then be ``run_resumed``.

        An unfinished last line stays where it is and is quoted by that record. A last line that
        lacks nothing but its newline is taken as written.

        Raises:
            JournalError: if there is none, it is in use, altered, closed or holds nothing yet, or the
                timeline is not the one the run began with.
        """
        path = run_folder / JOURNAL_NAME
        try:
            descriptor = os.open(path, os.O_RDWR | os.O_APPEND)
        except FileNotFoundError as error:
            raise JournalError(
                f"{path}: there is no journal to resume. Mend: give the folder of a run."
            ) from error
        except OSError as error:
            raise _cannot_open(path, error) from error
        with _closed_on_error(descriptor):
            _lock(path, descriptor)
            data = path.read_bytes()
            lead = b"" if data.endswith(b"\n") else b"\n"
            reading = parse_journal(data)
            if lead and parse_journal(data + lead).torn is None:
                reading = parse_journal(data + lead)
            _refuse_unless_resumable(path, reading)
        return cls(path, descriptor, reading, lead)

    def append(self, kind: Kind, at_utc_ns: int, **fields: object) -> dict[str, Any]:
        """Write one record and return it as it will be read back, once it is on the disk.

        Raises:
            ValueError: if a field is NaN or infinite, or is named like one the journal sets itself;
                nothing is written.
            TypeError: if a field is no JSON value; nothing is written.
            JournalWriteError: if the disk did not take it; the writer is then of no more use.
        """
        return self.append_many([(kind, at_utc_ns, fields)])[0]

    def append_many(self, entries: Iterable[Entry]) -> list[dict[str, Any]]:
        """Write several records with one flush; see `append`. Only a failing disk can take a part of them."""
        with self._mutex:
            self._refuse_if_unusable()
            seq, prev, resumes, closing = self._seq, self._prev, self._resumes, self._closing
            try:
                lines = [self._line(*entry) for entry in entries]
            except BaseException:
                self._seq, self._prev, self._resumes, self._closing = seq, prev, resumes, closing
                raise
            if lines:
                self._write(self._lead + b"".join(line + b"\n" for line in lines))
                self._lead = b""
            records = [decode_line(line) for line in lines]
            return [record for record in records if record is not None]

    def close(self) -> None:
        """Give the journal free. What was appended is on the disk already."""
        with self._mutex:
            if self._descriptor >= 0:
                os.close(self._descriptor)
            self._descriptor = -1
            self._usable = False

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _line(self, kind: Kind, at_utc_ns: int, fields: Mapping[str, Any]) -> bytes:
        taken = {"seq", "prev", "at_utc_ns", "kind", "sum", "event"} & set(fields)
        if taken:
            raise ValueError(f"the journal sets these fields itself: {', '.join(sorted(taken))}")
        if self._closing:
            raise ValueError("the run has ended; nothing is written after that")
        content = dict(fields)
        if self._resumes:
            if kind is not Kind.RUN_RESUMED:
                raise ValueError("the first record after a resume must be run_resumed")
            torn = self.reading.torn
            content["torn_sha256"] = None if torn is None else hashlib.sha256(torn).hexdigest()
            content["torn_bytes"] = 0 if torn is None else len(torn)
        line: bytes = self._log.record(kind.value, at_utc_ns=operator.index(at_utc_ns), **content)
        self._seq += 1
        self._prev = digest(line)
        self._resumes = False
        self._closing = kind is Kind.RUN_ENDED
        return line

    def _link(self, _logger: object, _name: str, event: MutableMapping[str, Any]) -> MutableMapping[str, Any]:
        """Add sequence number and the digest of the line before (a structlog processor)."""
        event["seq"] = self._seq + 1
        event["prev"] = self._prev
        return event

    def _write(self, data: bytes) -> None:
        self._usable = False
        try:
            rest = memoryview(data)
            while rest:
                rest = rest[os.write(self._descriptor, rest) :]
            os.fsync(self._descriptor)
        except OSError as error:
            raise JournalWriteError(
                f"{self.path}: the journal cannot be written ({error.strerror}), so nothing more is fired. "
                "Mend: make room on the disk, then resume the run."
            ) from error
        self._usable = True

    def _refuse_if_unusable(self) -> None:
        if self._descriptor < 0:
            raise JournalWriteError(f"{self.path}: the journal is closed. Mend: resume the run.")
        if not self._usable:
            raise JournalWriteError(
                f"{self.path}: an earlier record could not be written, so nothing more is. "
                "Mend: make room on the disk, then resume the run."
            )


class _Staging:
    """The end of the processor chain: hands the line back to be written with others."""

    def stage(self, line: bytes) -> bytes:
        return line


class _Records(structlog.BoundLoggerBase):
    """The logger of the chain; its only level is "record"."""

    def record(self, kind: str, **fields: Any) -> Any:  # noqa: ANN401 - what the wrapped logger returns
        return self._proxy_to_logger("stage", kind, **fields)


def _render(_logger: object, _name: str, event: MutableMapping[str, Any]) -> bytes:
    """Make the line of a record (the last structlog processor)."""
    return encode_line(event)


def sync_folder(folder: Path) -> None:
    """Bring a folder's list of names to the disk.

    Raises:
        OSError: if the folder cannot be opened or flushed.
    """
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


@contextlib.contextmanager
def _closed_on_error(descriptor: int) -> Iterator[None]:
    try:
        yield
    except BaseException:
        os.close(descriptor)
        raise


def _lock(path: Path, descriptor: int) -> None:
    """Take the journal for this process alone, and leave a note of who has it."""
    note = path.with_name(WRITER_NAME)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError as error:
        raise _in_use(path, _holder(note)) from error
    except OSError as error:
        raise _cannot_open(path, error) from error
    try:
        note.write_text(f"{os.getpid()}\n", encoding="ascii")
    except OSError as error:
        raise _cannot_open(path, error) from error


def _holder(note: Path) -> str:
    try:
        return f"process {note.read_text(encoding='ascii', errors='replace').strip()}"
    except OSError:
        return "another process"


def _in_use(path: Path, who: str) -> JournalError:
    return JournalError(f"{path}: {who} is writing this journal. Mend: let that run end, or stop it, first.")


def _cannot_open(path: Path, error: OSError) -> JournalError:
    return JournalError(
        f"{path}: the journal cannot be opened ({error.strerror}). Mend: check its folder, rights and disk."
    )


def _refuse_unless_resumable(path: Path, reading: JournalReading) -> None:
    if reading.state is JournalState.ALTERED:
        raise JournalError(f"{path}: {reading.verdict()} Mend: keep the folder as it is and start a new run.")
    if reading.closed:
        raise JournalError(f"{path}: that run has ended; nothing can be added. Mend: start a new run.")
    if not reading.records:
        raise JournalError(f"{path}: nothing had begun in that run. Mend: start a new run.")
    timeline = changed_files(path.parent, reading.records).get(TIMELINE_NAME)
    if timeline:
        raise JournalError(f"{path.parent}: {timeline} Mend: start a new run.")
