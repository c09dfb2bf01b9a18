"""The second place: where a journal goes on when the run's folder takes no more.

Disks are filled for real: by a limit on the size of the run's own file, and, where that may be mounted, by a
small file system of its own.
"""

from __future__ import annotations

import contextlib
import errno
import os
import random
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from controller.errors import JournalError
from controller.journal import reading as reading_module
from controller.journal.folder import verify
from controller.journal.lines import digest, encode_line
from controller.journal.places import find_second, second_path
from controller.journal.reading import JournalReading, JournalState, parse_journal, read_journal
from controller.journal.records import Kind
from controller.journal.writing import JournalWriteError, JournalWriter

T0_NS = 1_800_000_000_000_000_000


class Disks:
    """A run's folder and a second one; writes to files under either can be made to fail."""

    def __init__(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self.run, self.other = tmp_path / "run", tmp_path / "other"
        self.run.mkdir()
        self.other.mkdir()
        self.room: dict[Path, int] = {}
        self.flush_fails: set[Path] = set()
        self.moves: list[Path | None] = []
        self._write, self._flush = os.pwrite, os.fsync
        monkeypatch.setattr(os, "pwrite", self._pwrite)
        monkeypatch.setattr(os, "fsync", self._fsync)

    @property
    def journal(self) -> Path:
        """The journal in the run's folder."""
        return self.run / "journal.jsonl"

    @property
    def second(self) -> Path:
        """The file of the second place."""
        return second_path(self.run, self.other, 1)

    def create(self) -> JournalWriter:
        """A new journal that has begun."""
        writer = JournalWriter.create(self.run, [self.other])
        writer.on_move = self.moves.append
        writer.append(Kind.RUN_BEGAN, T0_NS, title="two places")
        return writer

    def resume(self) -> JournalWriter:
        """The journal of a run that was cut off."""
        return JournalWriter.resume(self.run, [self.other])

    def read(self) -> JournalReading:
        """What the two places hold together."""
        return read_journal(self.journal)

    def fill(self, folder: Path, room: int = 0) -> None:
        """Let files of a folder take only so many bytes more."""
        self.room[folder] = room

    def repair(self) -> None:
        """Make room on both and let every flush succeed."""
        self.room.clear()
        self.flush_fails.clear()

    def _folder(self, descriptor: int) -> Path:
        return Path(f"/proc/self/fd/{descriptor}").readlink().parent

    def _pwrite(self, descriptor: int, data: Any, at: int) -> int:
        folder = self._folder(descriptor)
        room = self.room.get(folder)
        if room is None:
            return self._write(descriptor, data, at)
        if room <= 0:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        part = bytes(data[:room])
        self.room[folder] -= len(part)
        return self._write(descriptor, part, at)

    def _fsync(self, descriptor: int) -> None:
        if self._folder(descriptor) in self.flush_fails:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        self._flush(descriptor)


@pytest.fixture
def disks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Disks:
    """Two disks with room."""
    return Disks(tmp_path, monkeypatch)


def kinds(reading: JournalReading) -> list[str]:
    """The kinds of the records read."""
    return [str(record["kind"]) for record in reading.records]


@pytest.mark.parametrize("room", [0, 1, 40, 120, 230, 400])
def test_full_disk_moves_the_journal(disks: Disks, room: int) -> None:
    """HF-S23: however much of a batch the full disk took, every record is acknowledged and read once, in order."""
    with disks.create() as writer:
        disks.fill(disks.run, room)
        told = writer.append_many([(Kind.NOTE, T0_NS + n, {"text": f"line {n}"}) for n in range(3)])
        told.append(writer.append(Kind.FRAME_INTENT, T0_NS + 9, frame_id="a/1"))
    reading = disks.read()
    assert kinds(reading) == ["run_began", "note", "note", "note", "journal_moved", "frame_intent"]
    assert [r for r in reading.records if r["kind"] in ("note", "frame_intent")] == told
    moved = reading.records[4]
    assert (moved["from_seq"], moved["place"]) == (2, str(disks.second))
    assert moved["cause"] == os.strerror(errno.ENOSPC)
    assert reading.records[0]["second_place"] == str(disks.second)
    assert reading.state is JournalState.OPEN
    assert reading.second_place == disks.second
    assert str(disks.second) in reading.verdict()
    assert disks.moves == [disks.second]


def test_failed_flush_moves_the_journal(disks: Disks) -> None:
    """HF-S23: a line whose flush failed is written again elsewhere, though the first file shows it whole."""
    with disks.create() as writer:
        disks.flush_fails.add(disks.run)
        writer.append(Kind.NOTE, T0_NS, text="flushed elsewhere")
    assert b"flushed elsewhere" in disks.journal.read_bytes()
    assert b"flushed elsewhere" in disks.second.read_bytes()
    assert kinds(disks.read()) == ["run_began", "note", "journal_moved"]


def test_journal_comes_home_when_there_is_room(disks: Disks) -> None:
    """The run's folder holds the whole journal again, the second file stays as it was, and both agree."""
    with disks.create() as writer:
        disks.fill(disks.run, 25)
        writer.append(Kind.NOTE, T0_NS, text="away")
        writer.try_to_return(T0_NS + 1)
        assert writer.away_in == disks.second
        disks.room.clear()
        writer.try_to_return(T0_NS + 2)
        assert writer.away_in is None
        second = disks.second.read_bytes()
        writer.append(Kind.NOTE, T0_NS + 3, text="home")
        writer.append(Kind.RUN_ENDED, T0_NS + 4, outcome="finished")
    assert disks.second.read_bytes() == second
    reading = disks.read()
    assert kinds(reading) == ["run_began", "note", "journal_moved", "journal_returned", "note", "run_ended"]
    assert reading.state is JournalState.CLOSED
    assert parse_journal(disks.journal.read_bytes()) == reading
    assert reading.second_place is None
    assert disks.moves == [disks.second, None]
    disks.second.unlink()
    assert disks.read() == reading


def test_journal_moves_again(disks: Disks) -> None:
    """Away, home and away again: the second file holds what it lacked of the time at home, too."""
    with disks.create() as writer:
        for n in range(3):
            disks.fill(disks.run, 7)
            writer.append(Kind.NOTE, T0_NS, text=f"away {n}")
            disks.room.clear()
            writer.try_to_return(T0_NS)
            writer.append(Kind.NOTE, T0_NS, text=f"home {n}")
        disks.fill(disks.run)
        writer.append(Kind.RUN_ENDED, T0_NS, outcome="finished")
    reading = disks.read()
    assert kinds(reading) == [
        "run_began", *["note", "journal_moved", "journal_returned", "note"] * 3, "run_ended",
    ]  # fmt: skip
    assert reading.closed
    assert reading.second_place == disks.second


def test_no_place_left_refuses(disks: Disks) -> None:
    """HF-S23: when neither place takes a record the writer raises and is of no more use; what was acknowledged stands."""
    with disks.create() as writer:
        disks.fill(disks.run, 11)
        writer.append(Kind.NOTE, T0_NS, text="away")
        disks.fill(disks.other, 13)
        with pytest.raises(JournalWriteError, match="No space left on device"):
            writer.append(Kind.FRAME_INTENT, T0_NS, frame_id="a/1")
        with pytest.raises(JournalWriteError, match="an earlier record"):
            writer.append(Kind.FRAME_INTENT, T0_NS, frame_id="a/2")
    assert kinds(disks.read()) == ["run_began", "note", "journal_moved"]
    assert disks.read().state is JournalState.TORN


def test_home_when_the_second_place_fills(disks: Disks) -> None:
    """A second place that takes no more sends the journal back to the run's folder, if that has room by then."""
    with disks.create() as writer:
        disks.fill(disks.run)
        writer.append(Kind.NOTE, T0_NS, text="away")
        disks.room.clear()
        disks.fill(disks.other, 13)
        writer.append(Kind.NOTE, T0_NS, text="home again")
        assert writer.away_in is None
    assert kinds(disks.read()) == ["run_began", "note", "journal_moved", "note", "journal_returned"]
    assert disks.read().state is JournalState.OPEN


def test_first_record_has_no_second_place(disks: Disks) -> None:
    """HF-S23: the record that names the second place must stand in the run's folder, or nobody would find the rest."""
    writer = JournalWriter.create(disks.run, [disks.other])
    disks.fill(disks.run, 30)
    with writer, pytest.raises(JournalWriteError, match="cannot be written"):
        writer.append(Kind.RUN_BEGAN, T0_NS, title="nothing begins")
    assert not list(disks.other.iterdir())


@pytest.mark.parametrize("room", [0, 30])
@pytest.mark.parametrize("tear", [0, 17])
def test_resumed_with_room(disks: Disks, room: int, tear: int) -> None:
    """A run killed while away is resumed at home: the folder holds everything, a torn end included and quoted."""
    writer = disks.create()
    disks.fill(disks.run, room)
    told = [writer.append(Kind.NOTE, T0_NS + n, text=f"away {n}") for n in range(3)]
    os.close(writer._first.descriptor)
    with disks.second.open("ab") as file:
        file.write(b'{"at_utc_ns":18000000'[:tear])
    disks.room.clear()
    with disks.resume() as writer:
        assert [r for r in writer.reading.records if r["kind"] == "note"] == told
        assert writer.away_in is None
        resumed = writer.append(Kind.RUN_RESUMED, T0_NS + 9)
        writer.append(Kind.RUN_ENDED, T0_NS + 10, outcome="finished")
    assert resumed["torn_bytes"] == tear
    reading = parse_journal(disks.journal.read_bytes())
    assert reading.state is JournalState.CLOSED
    assert kinds(reading) == [
        "run_began", "note", "journal_moved", "note", "note", "run_resumed", "journal_returned", "run_ended",
    ]  # fmt: skip
    assert disks.read() == reading


@pytest.mark.parametrize("tear", [0, 17])
def test_resumed_without_room(disks: Disks, tear: int) -> None:
    """A run killed while away is resumed there while its folder takes nothing, and comes home later."""
    writer = disks.create()
    disks.fill(disks.run, 60)
    writer.append(Kind.NOTE, T0_NS, text="away")
    os.close(writer._first.descriptor)
    with disks.second.open("ab") as file:
        file.write(b'{"at_utc_ns":18000000'[:tear])
    with disks.resume() as writer:
        assert writer.away_in == disks.second
        writer.append(Kind.RUN_RESUMED, T0_NS + 9)
        assert kinds(disks.read())[-1] == "run_resumed"
        assert disks.read().second_place == disks.second
        disks.room.clear()
        writer.try_to_return(T0_NS + 10)
        writer.append(Kind.RUN_ENDED, T0_NS + 11, outcome="finished")
    reading = parse_journal(disks.journal.read_bytes())
    assert kinds(reading) == [
        "run_began", "note", "journal_moved", "run_resumed", "journal_returned", "run_ended",
    ]  # fmt: skip
    assert disks.read() == reading


@pytest.mark.parametrize("torn", [False, True])
def test_disk_fills_after_a_torn_resume(disks: Disks, torn: bool) -> None:
    """The journal moves with its very first record after a resume, across a torn end or a lacking newline."""
    disks.create().close()
    data = disks.journal.read_bytes()
    disks.journal.write_bytes(data + b'{"at_utc' if torn else data[:-1])
    with disks.resume() as writer:
        disks.fill(disks.run, 5)
        resumed = writer.append(Kind.RUN_RESUMED, T0_NS)
        writer.append(Kind.RUN_ENDED, T0_NS, outcome="finished")
    assert resumed["torn_bytes"] == (8 if torn else 0)
    reading = disks.read()
    assert kinds(reading) == ["run_began", "run_resumed", "journal_moved", "run_ended"]
    assert reading.state is JournalState.CLOSED


def away(disks: Disks) -> None:
    """A run that was cut off while its journal was away."""
    with disks.create() as writer:
        disks.fill(disks.run, 20)
        writer.append(Kind.FILTER_SAID, T0_NS, rig=None, state="on")
    disks.room.clear()


def test_second_place_that_is_gone(disks: Disks) -> None:
    """HF-S20: the journal counts as torn and says which file it missed; resumed, it says so for good."""
    away(disks)
    lost = disks.second.read_bytes()
    disks.second.unlink()
    reading = disks.read()
    assert reading.state is JournalState.TORN
    assert reading.missed_file == disks.second
    assert f"may have stood in {disks.second}, and that file is missing" in reading.verdict()
    with disks.resume() as writer:
        resumed = writer.append(Kind.RUN_RESUMED, T0_NS + 1)
        writer.append(Kind.NOTE, T0_NS + 2, text="on")
    assert resumed["missed_file"] == str(disks.second)
    assert resumed["second_place"] == str(second_path(disks.run, disks.other, 2))
    assert disks.read().state is JournalState.OPEN
    disks.second.write_bytes(lost)  # what turns up too late is not this journal's any more, and is left alone
    assert kinds(disks.read()) == ["run_began", "run_resumed", "note"]
    disks.resume().close()
    assert disks.second.read_bytes() == lost


def test_gone_after_the_end_costs_nothing(disks: Disks) -> None:
    """A second place that was never needed is removed at the end, and not missed."""
    with disks.create() as writer:
        assert disks.second.exists()
        writer.append(Kind.RUN_ENDED, T0_NS, outcome="finished")
    assert not disks.second.exists()
    assert disks.read().state is JournalState.CLOSED


def test_any_change_in_the_second_place_is_seen(disks: Disks) -> None:
    """HF-S20: a changed byte in the second place never gives another record than was written."""
    away(disks)
    whole = disks.read().records
    data = disks.second.read_bytes()
    for at in range(len(data)):
        disks.second.write_bytes(data[:at] + bytes([data[at] ^ 1]) + data[at + 1 :])
        reading = disks.read()
        assert reading.records == whole[: len(reading.records)], at
        assert reading.state in (JournalState.ALTERED, JournalState.TORN) or len(reading.records) == len(
            whole
        )
        assert (reading.state is JournalState.OPEN) <= (reading.records == whole), at


def test_two_places_that_differ(disks: Disks) -> None:
    """HF-S20: whole lines that differ in the two places make the journal altered from there on; it is not resumed."""
    away(disks)
    home = disks.journal.read_bytes()
    first = home[: home.index(b"\n") + 1]
    record = {"seq": 2, "prev": digest(first[:-1]), "at_utc_ns": T0_NS, "kind": "filter_said", "state": "off"}
    disks.journal.write_bytes(first + encode_line(record) + b"\n")
    reading = disks.read()
    assert reading.state is JournalState.ALTERED
    assert "the two places of the journal differ" in reading.verdict()
    assert kinds(reading) == ["run_began"]
    with pytest.raises(JournalError, match="ALTERED"):
        disks.resume()


def test_another_runs_file_is_not_taken(disks: Disks) -> None:
    """HF-S20: a second file that goes on from no line of this journal makes it altered."""
    away(disks)
    lines = disks.second.read_bytes().splitlines(keepends=True)
    disks.second.write_bytes(b"".join(lines[1:]))
    assert "does not go on from any line here" in verify_text(disks)


def verify_text(disks: Disks) -> str:
    """The verdict on the run's folder."""
    (disks.run / "timeline.json").touch()
    return verify(disks.run).line


def test_place_on_another_file_system_is_preferred(tmp_path: Path) -> None:
    """The first usable folder on another file system is taken; without one, the first usable at all."""
    shared = Path("/dev/shm")  # noqa: S108
    if not shared.is_dir() or shared.stat().st_dev == tmp_path.stat().st_dev:
        pytest.skip("the shared memory is no file system of its own here")
    near, missing = tmp_path / "near", tmp_path / "a file"
    missing.touch()
    found = find_second(tmp_path, [missing, near, shared])
    assert found is not None
    found.close()
    found.path.unlink()
    assert found.path.parent == shared
    assert near.is_dir()
    found = find_second(tmp_path, [missing, near])
    assert found is not None
    found.close()
    assert found.path == second_path(tmp_path, near, 1)
    assert find_second(tmp_path, [missing]) is None


def test_link_in_place_of_the_second_file_is_refused(tmp_path: Path) -> None:
    """A symbolic link under the name of the second place is never written through."""
    (tmp_path / "other").mkdir()
    link = second_path(tmp_path, tmp_path / "other", 1)
    link.symlink_to(tmp_path / "target")
    found = find_second(tmp_path, [tmp_path / "other"])
    assert found is not None
    found.close()
    assert found.path != link
    assert not (tmp_path / "target").exists()


_CHILD = """
import os, sys
from pathlib import Path
from controller.journal.records import Kind
from controller.journal.writing import JournalWriter
run, other = Path(sys.argv[1]), Path(sys.argv[2])
if (run / "journal.jsonl").exists():
    writer = JournalWriter.resume(run, [other])
    record = writer.append(Kind.RUN_RESUMED, 1)
else:
    writer = JournalWriter.create(run, [other])
    record = writer.append(Kind.RUN_BEGAN, 1)
while os.write(1, b"%d\\n" % record["seq"]) and os.read(0, 1):
    record = writer.append(Kind.NOTE, 1, text="x" * (record["seq"] * 37 % 900))
    if record["seq"] % 9 == 0:
        writer.try_to_return(1)
"""


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 1 MiB of its own."""
    folder = tmp_path / "small"
    folder.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(folder)], capture_output=True, check=False
    )
    if mounted.returncode:
        pytest.skip("a small file system cannot be mounted here (needs root and mount)")
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=True)


@pytest.mark.parametrize("seed", range(3))
def test_killed_on_a_full_disk(small_disk: Path, tmp_path: Path, seed: int) -> None:
    """HF-S21, HF-S23: on a disk that is really full, through kills and resumes, no acknowledged record is lost."""
    rng = random.Random(seed)
    run, other = small_disk / "run", tmp_path / "other"
    run.mkdir()
    other.mkdir()
    ballast = small_disk / "ballast"
    acknowledged, were_away = 0, 0
    for turn in range(4):
        with subprocess.Popen(
            [sys.executable, "-c", _CHILD, str(run), str(other)], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
            bufsize=0,
        ) as child:  # fmt: skip
            assert child.stdin
            assert child.stdout
            for number in range(rng.randint(20, 45)):
                acknowledged = int(child.stdout.readline())
                if number == 5:
                    _fill(ballast)
                if number == 19 and turn % 2:  # else it is killed, and resumed, on the full disk
                    ballast.unlink()
                child.stdin.write(b".")
            child.stdin.write(b"." * 20)
            seen = [int(child.stdout.readline()) for _ in range(rng.randint(1, 10))]
            child.kill()
            seen += [int(line) for line in child.stdout.read().split(b"\n") if line]
        reading = read_journal(run / "journal.jsonl")
        acknowledged = max(acknowledged, *seen)
        were_away += reading.second_place is not None
        assert reading.state in (JournalState.OPEN, JournalState.TORN), reading.verdict()
        assert [record["seq"] for record in reading.records] == list(range(1, len(reading.records) + 1))
        assert len(reading.records) >= acknowledged
    assert were_away
    assert {"journal_moved", "journal_returned"} <= set(kinds(reading))


def _fill(path: Path) -> None:
    descriptor = os.open(path, os.O_CREAT | os.O_WRONLY)
    with contextlib.suppress(OSError):
        while os.write(descriptor, bytes(4096)):
            pass
    os.close(descriptor)


def test_any_cut_of_either_place(disks: Disks) -> None:
    """HF-S20: whatever is cut from the end of either file, what is read is a beginning of what was written."""
    away(disks)
    whole = disks.read().records
    for path in (disks.journal, disks.second):
        data = path.read_bytes()
        for length in range(len(data)):
            path.write_bytes(data[:length])
            reading = disks.read()
            assert reading.records == whole[: len(reading.records)], (path.name, length)
        path.write_bytes(data)


def test_brought_home_at_the_end(disks: Disks) -> None:
    """A run that ends while its journal is away leaves it whole in its folder if there is room by then."""
    with disks.create() as writer:
        disks.fill(disks.run, 9)
        writer.append(Kind.RUN_ENDED, T0_NS, outcome="finished")
        assert disks.read().second_place == disks.second
        disks.room.clear()
    disks.second.unlink()
    assert disks.read().state is JournalState.CLOSED
    assert kinds(disks.read()) == ["run_began", "run_ended"]


def test_read_while_it_moves(disks: Disks, monkeypatch: pytest.MonkeyPatch) -> None:
    """A reader that comes just as the journal moves does not take it for altered."""
    with disks.create() as writer:
        before = disks.journal.read_bytes()
        writer.append(Kind.NOTE, T0_NS, text="the last at home")
        at_home = disks.journal.read_bytes()
        disks.fill(disks.run)
        writer.append(Kind.NOTE, T0_NS, text="away")
    read = reading_module.read_second

    def read_later(place: Path) -> bytes:
        disks.journal.write_bytes(at_home)
        return read(place)

    disks.journal.write_bytes(before)
    monkeypatch.setattr(reading_module, "read_second", read_later)
    assert kinds(disks.read()) == ["run_began", "note", "note", "journal_moved"]


def test_gone_without_having_been_needed(disks: Disks) -> None:
    """A second place that is gone is not missed where the run's folder has the whole journal."""
    with disks.create():
        pass
    disks.second.unlink()
    assert disks.read().state is JournalState.OPEN
    with disks.resume() as writer:
        writer.append(Kind.RUN_RESUMED, T0_NS)
        disks.fill(disks.run)
        writer.append(Kind.NOTE, T0_NS, text="away")
        disks.room.clear()
        writer.try_to_return(T0_NS)
    disks.second.unlink()
    reading = disks.read()
    assert reading.state is JournalState.OPEN
    assert kinds(reading)[-1] == "journal_returned"


def test_resumed_without_the_lost_end_it_stays_missed_until_that_is_written(disks: Disks) -> None:
    """HF-S20: a resume that dies before its first record leaves the missing file missed."""
    away(disks)
    disks.second.unlink()
    disks.resume().close()
    assert disks.read().missed_file == disks.second


@pytest.mark.parametrize("seed", range(25))
def test_any_series_of_failures(disks: Disks, seed: int) -> None:
    """HF-S21, HF-S23: through full disks, failed flushes, kills and resumes every acknowledged record is read back."""
    rng = random.Random(seed)
    writer = disks.create()
    told = list(disks.read().records)
    for _ in range(30):
        match rng.choice(
            ["fill", "flush", "free", "fill second", "free second", "return", "kill", "write", "write"]
        ):
            case "fill":
                disks.fill(disks.run, rng.randrange(600))
            case "flush":
                disks.flush_fails.add(disks.run)
            case "free":
                disks.repair()
            case "fill second":
                disks.fill(disks.other, rng.randrange(1500))
            case "free second":
                disks.room.pop(disks.other, None)
            case "return":
                writer.try_to_return(T0_NS)
            case "kill":
                writer = killed_and_resumed(disks, writer, rng, told)
            case _:
                notes = [
                    (Kind.NOTE, T0_NS, {"text": "y" * rng.randrange(300)}) for _ in range(rng.randint(1, 3))
                ]
                try:
                    told += writer.append_many(notes)
                except JournalWriteError:
                    writer = killed_and_resumed(disks, writer, rng, told)
        reading = disks.read()
        assert reading.state in (JournalState.OPEN, JournalState.TORN), reading.verdict()
        assert [record for record in reading.records if record in told] == told
    disks.repair()
    with writer:
        writer.append(Kind.RUN_ENDED, T0_NS, outcome="finished")
    assert disks.read().state is JournalState.CLOSED


def killed_and_resumed(
    disks: Disks, writer: JournalWriter, rng: random.Random, told: list[Any]
) -> JournalWriter:
    """Leave a writer as a kill does, with part of a line that nobody was told of; go on, with room if need be."""
    last = {
        "seq": writer._seq + 1,
        "prev": writer._prev,
        "at_utc_ns": T0_NS,
        "kind": "note",
        "text": "not told",
    }
    line = encode_line(last) + b"\n"
    if writer._usable:
        with (writer.away_in or disks.journal).open("ab") as file:
            file.write(line[: rng.randrange(len(line) + 1)])
    os.close(writer._first.descriptor)
    if writer._second is not None:
        os.close(writer._second.descriptor)
    for repaired in (False, True):
        if repaired:
            disks.repair()
        with contextlib.suppress(JournalError):
            fresh = disks.resume()
            try:
                told.append(fresh.append(Kind.RUN_RESUMED, T0_NS))
            except JournalWriteError:
                fresh.close()
                continue
            return fresh
    raise AssertionError("it cannot be resumed with room on both disks")


@pytest.mark.parametrize("end", [b"\0" * 50, b"", None], ids=["zeros", "nothing", "not even its newline"])
def test_end_that_a_loss_of_power_left_at_home(disks: Disks, end: bytes | None) -> None:
    """HF-S21: whatever a failed disk shows after the last flushed line, the second place has the rest; it goes home."""
    away(disks)
    whole = disks.read().records
    data = disks.journal.read_bytes()
    line = data[: data.index(b"\n") + 1]
    disks.journal.write_bytes(line[:-1] if end is None else line + end)
    assert disks.read().records == whole
    with disks.resume() as writer:
        writer.append(Kind.RUN_RESUMED, T0_NS)
        writer.append(Kind.RUN_ENDED, T0_NS, outcome="stopped")
    reading = parse_journal(disks.journal.read_bytes())
    assert reading.records[: len(whole)] == whole
    assert reading.state is JournalState.CLOSED
    assert disks.read() == reading
