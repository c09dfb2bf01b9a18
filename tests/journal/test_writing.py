"""Writing the journal: whole lines, on the disk, by one writer."""

from __future__ import annotations

import errno
import hashlib
import json
import os
import resource
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from controller.errors import JournalError
from controller.journal.places import Place
from controller.journal.reading import JournalState, read_journal
from controller.journal.records import Kind
from controller.journal.writing import JournalWriteError, JournalWriter

T0_NS = 1_800_000_000_000_000_000


def test_records_are_numbered_and_chained(open_folder: Path) -> None:
    """HF-S20: every line quotes the SHA-256 of the line before it, computed here with hashlib alone."""
    lines = (open_folder / "journal.jsonl").read_bytes().splitlines()
    prev = "0" * 64
    for number, line in enumerate(lines, start=1):
        record = json.loads(line)
        assert record["seq"] == number
        assert record["prev"] == prev
        prev = hashlib.sha256(line).hexdigest()


def test_line_is_canonical_json(open_folder: Path) -> None:
    """A line is sorted, compact UTF-8 JSON with non-ASCII text as it is, apart from the closing sum."""
    line = (open_folder / "journal.jsonl").read_bytes().splitlines()[0]
    record = json.loads(line)
    check = record.pop("sum")
    body = json.dumps(record, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()
    assert line == body[:-1] + b',"sum":"' + check.encode() + b'"}'
    assert check == hashlib.sha256(body).hexdigest()[:16]
    assert "Día de sombra".encode() in line


def test_append_returns_what_is_read_back(tmp_path: Path) -> None:
    """The returned record equals the record a reader gets, tuples and enums included."""
    with JournalWriter.create(tmp_path) as writer:
        record = writer.append(
            Kind.NOTE, T0_NS, differs=("iso",), kind_of=Kind.NOTE, nothing=None, third=1 / 3
        )
    assert read_journal(tmp_path / "journal.jsonl").records == [record]
    assert record["differs"] == ["iso"]
    assert record["third"] == 1 / 3


@pytest.mark.parametrize(
    "text", ["Ægir — 日食 🌑", "line\nbreak\r\u2028\x00", 'quote " and \\', "", "IMG_\udcff.RAW"]
)
def test_any_text_comes_back(tmp_path: Path, text: str) -> None:
    """Any text, even a camera's file name that is no UTF-8, is one line and comes back the same."""
    with JournalWriter.create(tmp_path) as writer:
        writer.append(Kind.NOTE, T0_NS, text=text)
        writer.append(Kind.NOTE, T0_NS, text="after")
    reading = read_journal(tmp_path / "journal.jsonl")
    assert [record["text"] for record in reading.records] == [text, "after"]
    assert (tmp_path / "journal.jsonl").read_bytes().count(b"\n") == 2


def test_huge_field(tmp_path: Path) -> None:
    """A record of several megabytes is written whole."""
    text = "ж" * 2_000_000
    with JournalWriter.create(tmp_path) as writer:
        writer.append(Kind.NOTE, T0_NS, text=text)
    assert read_journal(tmp_path / "journal.jsonl").records[0]["text"] == text


@pytest.mark.parametrize("value", [float("nan"), float("inf"), -float("inf")])
def test_no_number_that_is_none(tmp_path: Path, value: float) -> None:
    """NaN and infinity are refused before anything is written, and the next record goes through."""
    with JournalWriter.create(tmp_path) as writer:
        with pytest.raises(ValueError, match="JSON compliant"):
            writer.append(Kind.NOTE, T0_NS, exposure_s=value)
        with pytest.raises(TypeError):
            writer.append(Kind.NOTE, T0_NS, text=object())
        with pytest.raises(ValueError, match="sets these fields itself: prev"):
            writer.append(Kind.NOTE, T0_NS, prev="0")
        assert writer.append(Kind.NOTE, T0_NS, text="good")["seq"] == 1
    assert read_journal(tmp_path / "journal.jsonl").state is JournalState.OPEN


def test_batch_is_all_or_nothing_when_a_field_is_bad(tmp_path: Path) -> None:
    """One bad record in a batch leaves the journal as it was."""
    with JournalWriter.create(tmp_path) as writer:
        with pytest.raises(ValueError, match="JSON compliant"):
            writer.append_many([(Kind.NOTE, T0_NS, {"text": "a"}), (Kind.NOTE, T0_NS, {"x": float("nan")})])
        records = writer.append_many([(Kind.NOTE, T0_NS, {"text": "b"}), (Kind.NOTE, T0_NS, {"text": "c"})])
        assert writer.append_many([]) == []
    assert [record["seq"] for record in records] == [1, 2]
    assert read_journal(tmp_path / "journal.jsonl").records == records


def test_nothing_follows_the_end_of_the_run(tmp_path: Path) -> None:
    """After run_ended neither the writer nor a resumed writer adds anything."""
    with JournalWriter.create(tmp_path) as writer:
        writer.append(Kind.RUN_ENDED, T0_NS, outcome="stopped")
        with pytest.raises(ValueError, match="has ended"):
            writer.append(Kind.NOTE, T0_NS, text="late")
    assert read_journal(tmp_path / "journal.jsonl").closed
    with pytest.raises(JournalError, match="that run has ended"):
        JournalWriter.resume(tmp_path)


def test_flushed_before_return(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """HF-S21: a record is written whole and then fsynced before append returns; a batch is fsynced once."""
    calls: list[str] = []
    real_write, real_fsync = os.pwrite, os.fsync
    with JournalWriter.create(tmp_path) as writer:
        monkeypatch.setattr(
            os, "pwrite", lambda fd, data, at: (calls.append("write"), real_write(fd, data, at))[1]
        )
        monkeypatch.setattr(os, "fsync", lambda fd: (calls.append("fsync"), real_fsync(fd))[1])
        writer.append(Kind.NOTE, T0_NS, text="one")
        assert calls == ["write", "fsync"]
        writer.append_many([(Kind.NOTE, T0_NS, {}), (Kind.NOTE, T0_NS, {})])
        assert calls == ["write", "fsync"] * 2


def test_short_writes_are_continued(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A write that takes only some bytes is continued until the whole line is there."""
    real_write = os.pwrite
    with JournalWriter.create(tmp_path) as writer:
        monkeypatch.setattr(os, "pwrite", lambda fd, data, at: real_write(fd, bytes(data[:7]), at))
        record = writer.append(Kind.NOTE, T0_NS, text="in small pieces")
    assert read_journal(tmp_path / "journal.jsonl").records == [record]


def test_new_journal_is_in_the_folder_on_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """HF-S21: creating a journal flushes the folder, so that the file's name survives a loss of power."""
    flushed: list[bool] = []
    real_fsync = os.fsync

    def fsync(descriptor: int) -> None:
        flushed.append(os.path.sameopenfile(descriptor, folder))
        real_fsync(descriptor)

    folder = os.open(tmp_path, os.O_RDONLY)
    try:
        monkeypatch.setattr(os, "fsync", fsync)
        JournalWriter.create(tmp_path).close()
    finally:
        os.close(folder)
    assert flushed == [False, True]


def _fail_with(code: int, after: int) -> Any:
    """Return an os.pwrite that takes `after` bytes in all and then fails."""
    left = after
    real_write = os.pwrite

    def write(descriptor: int, data: memoryview, at: int) -> int:
        nonlocal left
        if left <= 0:
            raise OSError(code, os.strerror(code))
        part = bytes(data[:left])
        left -= len(part)
        return real_write(descriptor, part, at)

    return write


@pytest.mark.parametrize("after", [0, 1, 40])
def test_full_disk(open_folder: Path, monkeypatch: pytest.MonkeyPatch, after: int) -> None:
    """HF-S23: a full disk and no second place raises, the writer then refuses everything, and a resume loses nothing."""
    before = read_journal(open_folder / "journal.jsonl").records
    with JournalWriter.resume(open_folder) as writer:
        resumed = writer.append(Kind.RUN_RESUMED, T0_NS)
        with monkeypatch.context() as patched:
            patched.setattr(os, "pwrite", _fail_with(errno.ENOSPC, after))
            with pytest.raises(JournalWriteError, match=r"No space left on device.*Mend: make room"):
                writer.append(Kind.FRAME_INTENT, T0_NS, frame_id="a/2")
        with pytest.raises(JournalWriteError, match="an earlier record could not be written"):
            writer.append(Kind.FRAME_INTENT, T0_NS, frame_id="a/3")
    with JournalWriter.resume(open_folder) as writer:
        again = writer.append(Kind.RUN_RESUMED, T0_NS)
    assert again["torn_bytes"] == after
    reading = read_journal(open_folder / "journal.jsonl")
    assert reading.records == [*before, resumed, again]
    assert reading.state is JournalState.OPEN


def test_failed_flush_is_a_failed_write(open_folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """HF-S23: a line that was written but could not be flushed does not count as written."""

    def fsync(descriptor: int) -> None:
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    with JournalWriter.resume(open_folder) as writer:
        monkeypatch.setattr(os, "fsync", fsync)
        with pytest.raises(JournalWriteError, match="Input/output error"):
            writer.append(Kind.RUN_RESUMED, T0_NS)
        with pytest.raises(JournalWriteError, match="earlier record"):
            writer.append(Kind.NOTE, T0_NS)


def test_full_device(tmp_path: Path) -> None:
    """HF-S23: on the kernel's own always-full device a write is refused as on a full disk."""
    reading = read_journal(_empty(tmp_path))
    descriptor = os.open("/dev/full", os.O_WRONLY)
    with (
        JournalWriter(Place(Path("/dev/full"), descriptor, start=0, held=0), reading) as writer,
        pytest.raises(JournalWriteError, match="No space left on device"),
    ):
        writer.append(Kind.NOTE, T0_NS)


def _empty(folder: Path) -> Path:
    path = folder / "empty.jsonl"
    path.touch()
    return path


_LIMITED = """
import sys
from pathlib import Path
from controller.journal.records import Kind
from controller.journal.writing import JournalWriteError, JournalWriter
writer = JournalWriter.create(Path(sys.argv[1]))
try:
    while True:
        print(writer.append(Kind.NOTE, 1, text="x" * 300)["seq"], flush=True)
except JournalWriteError as error:
    print("refused:", error, flush=True)
"""


def test_file_size_limit(tmp_path: Path) -> None:
    """HF-S23: where the system itself cuts a write short, every acknowledged record is whole in the file."""

    def limit() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (5000, 5000))

    done = subprocess.run(
        [sys.executable, "-c", _LIMITED, str(tmp_path)],
        capture_output=True, text=True, check=True, preexec_fn=limit, timeout=60,
    )  # fmt: skip
    *numbers, last = done.stdout.splitlines()
    assert last.startswith("refused:")
    assert "File too large" in last
    reading = read_journal(tmp_path / "journal.jsonl")
    assert [record["seq"] for record in reading.records] == [int(number) for number in numbers]
    assert len(numbers) >= 5
    assert reading.state is JournalState.TORN


def test_second_writer_is_refused(open_folder: Path) -> None:
    """HF-S22: a journal in use is refused with the process that holds it, and is free again once closed."""
    with (
        JournalWriter.resume(open_folder),
        pytest.raises(
            JournalError, match=rf"process {os.getpid()} is writing this journal. Mend: let that run"
        ),
    ):
        JournalWriter.resume(open_folder)
    JournalWriter.resume(open_folder).close()


def test_second_writer_in_another_process_is_refused(open_folder: Path) -> None:
    """HF-S22: the lock holds between processes."""
    code = (
        "import sys; from pathlib import Path; from controller.journal.writing import JournalWriter\n"
        "from controller.errors import JournalError\n"
        "try: JournalWriter.resume(Path(sys.argv[1]))\n"
        "except JournalError as error: print(error)"
    )
    command = [sys.executable, "-c", code, str(open_folder)]
    with JournalWriter.resume(open_folder):
        held = subprocess.run(command, capture_output=True, text=True, check=True, timeout=60)
    assert f"process {os.getpid()} is writing" in held.stdout
    free = subprocess.run(command, capture_output=True, text=True, check=True, timeout=60)
    assert free.stdout == ""


def test_create_never_overwrites(open_folder: Path) -> None:
    """A second run in the same folder is refused and the journal stays as it is."""
    before = (open_folder / "journal.jsonl").read_bytes()
    with pytest.raises(JournalError, match="has a journal already"):
        JournalWriter.create(open_folder)
    assert (open_folder / "journal.jsonl").read_bytes() == before


def test_missing_folder(tmp_path: Path) -> None:
    """A missing folder or journal gives one clear line."""
    with pytest.raises(JournalError, match="cannot be opened"):
        JournalWriter.create(tmp_path / "nowhere")
    with pytest.raises(JournalError, match="there is no journal to resume"):
        JournalWriter.resume(tmp_path)
    with pytest.raises(JournalError, match="cannot be read"):
        read_journal(tmp_path / "journal.jsonl")


def test_closed_writer_refuses(tmp_path: Path) -> None:
    """A writer that was closed writes nothing more."""
    writer = JournalWriter.create(tmp_path)
    writer.close()
    writer.close()
    with pytest.raises(JournalWriteError, match="the journal is closed"):
        writer.append(Kind.NOTE, T0_NS)
