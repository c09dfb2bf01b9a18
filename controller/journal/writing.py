"""Writing the journal: a record is on the disk before `append` returns.

The lines are made by a structlog processor chain (link to the line before, then canonical JSON);
the chain ends in a file that is written whole and flushed with fsync. When that file takes no more, the same
lines go on in a second place that was tried, and named in the journal, ahead of time.
"""

from __future__ import annotations

import contextlib
import fcntl
import hashlib
import operator
import os
import threading
from collections.abc import Callable, Iterable, Iterator, Mapping, MutableMapping
from dataclasses import replace
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import structlog

from controller.errors import JournalError
from controller.journal.lines import decode_line, digest, encode_line
from controller.journal.places import Place, find_second, open_second, sync_folder
from controller.journal.reading import (
    JOURNAL_NAME,
    TIMELINE_NAME,
    WHOLE_NAME,
    Joined,
    JournalReading,
    JournalState,
    changed_files,
    join,
    parse_journal,
    read_second,
    shared_length,
)
from controller.journal.records import Kind

WRITER_NAME = "writer.pid"
"""Who holds the journal: a process id, only read when the journal turns out to be locked."""

Entry = tuple[Kind, int, Mapping[str, Any]]
"""A record to be: its kind, its instant (UTC nanoseconds) and its fields."""


OnMove = Callable[[Path | None], None]
"""Told in which second place the journal goes on; None when it is back in the run's folder."""


class JournalWriteError(JournalError):
    """Raised when a record could be brought to no place; nothing more may be fired by that run."""


class JournalWriter:
    """The only writer of one journal. One record is one line; nothing is ever changed or deleted.

    A write that fails in the run's folder is done again in the second place, if there is one, and the journal
    goes on there: with everything from the end of the last line that was whole before the failure. When no
    place takes a record, the writer refuses everything from then on, since nobody can know how much of the
    line reached a disk; `resume` sorts that out. May be used from several threads, but not from a
    signal handler. Processes forked from this one would keep the lock alive: start them
    afresh, or from a process that has no journal open (`controller.cameras.children`).
    """

    def __init__(
        self,
        first: Place,
        reading: JournalReading,
        *,
        second: Place | None = None,
        named: bool = False,
        pending: bytes = b"",
        pending_from: int = 0,
    ) -> None:
        self.path = first.path
        self.reading = reading
        """What stood in the journal when it was opened."""
        self.on_move: OnMove = lambda _place: None
        """Called, from whichever thread appends, when the journal has gone to another place."""
        self._first = first
        self._second = second
        self._named = named  # the second place stands in a record that is on the disk
        self._kept = pending  # the end of the stream: all that the second place begins or lacks
        self._kept_from = pending_from
        self._away = False
        self._marked = (
            False  # the file that says that the run's folder has the whole journal is known to be there
        )
        self._closed = False
        self._seq = len(reading.records)
        self._prev = reading.last_digest
        self._resumes = bool(reading.records)
        moves = [
            r["kind"] for r in reading.records if r["kind"] in (Kind.JOURNAL_MOVED, Kind.JOURNAL_RETURNED)
        ]
        self._tells_return = moves[-1:] == [Kind.JOURNAL_MOVED]
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
    def create(cls, run_folder: Path, second_folders: Iterable[Path] = ()) -> JournalWriter:
        """Start the journal of a new run in an existing folder.

        The first of `second_folders` that can be written to holds the second place; one on another file
        system is preferred. Without any the journal has the run's folder alone.

        Raises:
            JournalError: if there is one already, or the folder cannot be written to.
        """
        path = run_folder / JOURNAL_NAME
        try:
            descriptor = os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o644)
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
        first = Place(path=path, descriptor=descriptor, start=0, held=0)
        return cls(first, parse_journal(b""), second=find_second(run_folder, second_folders))

    @classmethod
    def resume(cls, run_folder: Path, second_folders: Iterable[Path] = ()) -> JournalWriter:
        """Go on with a journal that was cut off. The first record must then be ``run_resumed``.

        An unfinished last line stays where it is and is quoted by that record. A last line that
        lacks nothing but its newline is taken as written. What stands in the second place alone is brought
        to the run's folder if it has room now; otherwise the journal goes on in the second place. Where the
        one that it names is gone, another is found as in `create`.

        Raises:
            JournalError: if there is none, it is in use, altered, closed or holds nothing yet, or the
                timeline is not the one the run began with.
        """
        path = run_folder / JOURNAL_NAME
        try:
            descriptor = os.open(path, os.O_RDWR)
        except FileNotFoundError as error:
            raise JournalError(
                f"{path}: there is no journal to resume. Mend: give the folder of a run."
            ) from error
        except OSError as error:
            raise _cannot_open(path, error) from error
        with _closed_on_error(descriptor):
            _lock(path, descriptor)
            data = path.read_bytes()
            joined = join(data, whole=path.with_name(WHOLE_NAME).exists())
            return cls._go_on(run_folder, descriptor, data, joined, second_folders)

    @classmethod
    def _go_on(
        cls, run_folder: Path, descriptor: int, data: bytes, joined: Joined, second_folders: Iterable[Path]
    ) -> JournalWriter:
        """Return the writer of a journal that was read; `data` is what stands in the run's folder of it."""
        stream, reading = joined.stream, joined.reading
        start = reading.trusted_bytes if joined.last_start is None else joined.last_start
        if not stream.endswith(b"\n"):
            stream += b"\n"
            whole = parse_journal(stream)
            if whole.torn is None:
                reading = replace(whole, second_place=reading.second_place, missed_file=reading.missed_file)
        _refuse_unless_resumable(run_folder / JOURNAL_NAME, reading)
        same = shared_length(data, stream)
        start = min(start, stream.rfind(b"\n", 0, same) + 1)
        first = Place(path=run_folder / JOURNAL_NAME, descriptor=descriptor, start=0, held=same)
        second = None
        named = reading.missed_file is None and joined.last_start in (None, start)
        if joined.last_place is not None and named:
            in_second = 0 if joined.last_start is None else _shared(joined.last_place, stream[start:])
            with contextlib.suppress(OSError):
                second = open_second(joined.last_place, start=start, held=start + in_second)
        if second is None:
            second, named = find_second(run_folder, second_folders, avoid=joined.named), False
        writer = cls(first, reading, second=second, named=named, pending=stream[start:], pending_from=start)
        if reading.second_place is not None:
            writer._bring_back_or_stay_away(len(data))
        return writer

    def _bring_back_or_stay_away(self, was_bytes: int) -> None:
        """Make the run's folder whole again before going on there, or go on in the second place."""
        try:
            self._first.take(self._kept, self._kept_from)
            if was_bytes > self._first.held:
                os.ftruncate(self._first.descriptor, self._first.held)
        except OSError as error:
            if not self._named:
                self._close_second()
                raise _cannot_open(self.path, error) from error
            self._away, self._tells_return = True, False

    def append(self, kind: Kind, at_utc_ns: int, **fields: object) -> dict[str, Any]:
        """Write one record and return it as it will be read back, once it is on the disk.

        Raises:
            ValueError: if a field is NaN or infinite, or is named like one the journal sets itself;
                nothing is written.
            TypeError: if a field is no JSON value; nothing is written.
            JournalWriteError: if no place took it; the writer is then of no more use.
        """
        return self.append_many([(kind, at_utc_ns, fields)])[0]

    def append_many(self, entries: Iterable[Entry]) -> list[dict[str, Any]]:
        """Write several records with one flush; see `append`. Only a failing disk can take a part of them."""
        with self._mutex:
            self._refuse_if_unusable()
            seq, prev, resumes, closing = self._seq, self._prev, self._resumes, self._closing
            at_utc_ns = 0
            lines: list[bytes] = []
            try:
                for kind, at_utc_ns, fields in entries:
                    lines.append(self._line(kind, at_utc_ns, fields))
            except BaseException:
                self._seq, self._prev, self._resumes, self._closing = seq, prev, resumes, closing
                raise
            if lines:
                self._write(lines, seq + 1, at_utc_ns)
                if self._tells_return and not self._away and not self._closing:
                    self._tells_return = False
                    self._tell(Kind.JOURNAL_RETURNED, at_utc_ns)
            records = [decode_line(line) for line in lines]
            return [record for record in records if record is not None]

    @property
    def away_in(self) -> Path | None:
        """The second place, while the journal goes on there; None while it is in the run's folder."""
        return self._second.path if self._away and self._second else None

    def try_to_return(self, at_utc_ns: int) -> None:
        """Bring a journal that is away back to the run's folder if that takes it now; else change nothing.

        Meant to be called every few seconds from a thread of its own: while the disk is tried, others append.
        """
        with self._mutex:
            if not self._may_return():
                return
            kept, descriptor = bytes(self._kept), os.dup(self._first.descriptor)
        trial = replace(self._first, descriptor=descriptor)
        try:
            trial.take(kept, self._kept_from)
        except OSError:
            return
        finally:
            trial.close()
        with self._mutex:
            if self._may_return():
                self._first.held = max(self._first.held, trial.held)
                self._return(at_utc_ns)

    def _may_return(self) -> bool:
        return self._away and self._usable and not self._closed

    def _return(self, at_utc_ns: int) -> bool:
        """Go on in the run's folder if it takes what it lacks; return whether it did."""
        try:
            self._first.take(self._kept, self._kept_from)
        except OSError:
            return False
        self._away = False
        if not self._closing:
            self._tell(Kind.JOURNAL_RETURNED, at_utc_ns)
        if not self._away:
            self.on_move(None)
        return True

    def close(self) -> None:
        """Give the journal free. What was appended is on the disk already; an unused second place is removed.

        A journal that is away is brought to the run's folder if that takes it by now.
        """
        with self._mutex:
            if self._closed:
                return
            if self._may_return():
                with contextlib.suppress(OSError):
                    self._first.take(self._kept, self._kept_from)
            self._closed, self._usable = True, False
            self._first.close()
            self._close_second()

    def _close_second(self) -> None:
        if self._second is not None:
            self._second.close()
            unused = self._second.held == self._second.start
            if unused and (self._closing or not self._named):
                with contextlib.suppress(OSError):
                    self._second.path.unlink()

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
            if self.reading.missed_file is not None:
                content["missed_file"] = str(self.reading.missed_file)
        if kind in (Kind.RUN_BEGAN, Kind.RUN_RESUMED) and self._second is not None:
            content["second_place"] = str(self._second.path)
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

    def _tell(self, kind: Kind, at_utc_ns: int, **fields: object) -> None:
        """Write a record of the writer's own."""
        self._write([self._line(kind, at_utc_ns, fields)], self._seq, at_utc_ns)

    def _write(self, lines: list[bytes], from_seq: int, at_utc_ns: int) -> None:
        """Bring lines to the disk, in the one place or the other; `from_seq` is the first one's number."""
        self._kept += b"".join(line + b"\n" for line in lines)
        self._usable = False
        names = self._named or b'"second_place":' in self._kept
        place = self._second if self._away and self._second else self._first
        try:
            place.take(self._kept, self._kept_from)
        except OSError as error:
            if not self._go_elsewhere(error, from_seq, at_utc_ns):
                raise JournalWriteError(
                    f"{self.path}: the journal cannot be written ({error.strerror}), so nothing more is fired. "
                    "Mend: make room on the disk, then resume the run."
                ) from error
        self._usable = True
        self._named = names
        if self._second is not None and not self._away and not self._marked:
            self._mark_whole()
        if (
            self._second is None or self._second.held == self._second.start
        ):  # nothing stands there: begin anew
            self._kept_from += len(self._kept)
            self._kept = b""

    def _go_elsewhere(self, error: OSError, from_seq: int, at_utc_ns: int) -> bool:
        """Write in the other place what the one at hand did not take; return whether that worked."""
        second = self._second
        if second is None or not self._named:
            return False
        if self._away:
            return self._return(at_utc_ns)
        if second.held == second.start:
            second.start = second.held = self._kept_from
        if not self._closing:
            moved = {"place": str(second.path), "from_seq": from_seq, "cause": error.strerror or str(error)}
            self._kept += self._line(Kind.JOURNAL_MOVED, at_utc_ns, moved) + b"\n"
        self._marked = False
        with contextlib.suppress(OSError):  # a disk that has failed altogether does not take that either
            self.path.with_name(WHOLE_NAME).unlink(missing_ok=True)
            sync_folder(self.path.parent)
        try:
            second.take(self._kept, self._kept_from)
        except OSError:
            return False
        self._away, self._tells_return = True, False
        self.on_move(second.path)
        return True

    def _mark_whole(self) -> None:
        """Say beside the journal that nothing of it stands elsewhere alone; on failing, again with the next record."""
        with contextlib.suppress(OSError):
            self.path.with_name(WHOLE_NAME).touch()
            sync_folder(self.path.parent)
            self._marked = True

    def _refuse_if_unusable(self) -> None:
        if self._closed:
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


def _shared(second: Path, stream: bytes) -> int:
    """Return how many bytes a second place has in common with what should stand there.

    Raises nothing: one that cannot be read any more has none.
    """
    try:
        return shared_length(read_second(second), stream)
    except OSError:
        return 0


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
    with contextlib.suppress(OSError):  # a full disk takes no note, and the lock holds without it
        note.write_text(f"{os.getpid()}\n", encoding="ascii")


def _holder(note: Path) -> str:
    try:
        number = note.read_text(encoding="ascii", errors="replace").strip()
    except OSError:
        number = ""
    return f"process {number}" if number else "another process"


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
