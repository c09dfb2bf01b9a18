"""Damage of every kind to a journal: what is seen, what is still read, and how a run goes on."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.errors import JournalError
from controller.journal.lines import encode_line
from controller.journal.reading import JournalState, parse_journal, read_journal
from controller.journal.records import Kind
from controller.journal.writing import JournalWriter

T0_NS = 1_800_000_000_000_000_000
FolderWith = Callable[[bytes], Path]


def test_whole_journal(closed_journal: bytes) -> None:
    """HF-S20: an untouched journal is intact and closed."""
    reading = parse_journal(closed_journal)
    assert reading.state is JournalState.CLOSED
    assert (len(reading.records), reading.torn, reading.problems) == (6, None, [])
    assert reading.verdict() == "journal intact: 6 records, closed (finished)."


def test_cut_at_every_byte(closed_journal: bytes) -> None:
    """HF-S20: cut at any byte, the journal is not taken for closed and every whole line before is read."""
    whole = parse_journal(closed_journal).records
    for cut in range(len(closed_journal)):
        data = closed_journal[:cut]
        reading = parse_journal(data)
        on_boundary = cut == 0 or data.endswith(b"\n")
        assert not reading.closed
        assert reading.records == whole[: data.count(b"\n")]
        assert reading.state is (JournalState.OPEN if on_boundary else JournalState.TORN)
        assert reading.torn == (None if on_boundary else data[data.rfind(b"\n") + 1 :])


def test_resume_after_a_cut_at_every_byte(closed_journal: bytes, folder_with: FolderWith) -> None:
    """HF-S20: cut at any byte after the first line, a run goes on, deletes nothing and reads back in full."""
    whole = parse_journal(closed_journal).records
    first = closed_journal.index(b"\n") + 1
    last = closed_journal.rstrip(b"\n").rindex(b"\n") + 1
    for cut in [*range(first, first + 60), *range(last - 60, len(closed_journal) - 1)]:
        data = closed_journal[:cut]
        folder = folder_with(data)
        with JournalWriter.resume(folder) as writer:
            resumed = writer.append(Kind.RUN_RESUMED, T0_NS + 50)
            noted = writer.append(Kind.NOTE, T0_NS + 51, text="went on")
        after = (folder / "journal.jsonl").read_bytes()
        reading = parse_journal(after)
        assert after.startswith(data)
        assert reading.state is JournalState.OPEN
        kept = len(reading.records) - 2
        assert reading.records == [*whole[:kept], resumed, noted]
        assert kept in (data.count(b"\n"), data.count(b"\n") + 1)
        torn = data[data.rfind(b"\n") + 1 :]
        if torn and kept == data.count(b"\n"):
            assert resumed["torn_sha256"] == hashlib.sha256(torn).hexdigest()
            assert resumed["torn_bytes"] == len(torn)
        else:
            assert (resumed["torn_sha256"], resumed["torn_bytes"]) == (None, 0)


def test_line_that_lacks_only_its_newline_is_kept(open_folder: Path) -> None:
    """A record that reached the disk without its newline is taken as written, not as torn."""
    path = open_folder / "journal.jsonl"
    whole = read_journal(path).records
    path.write_bytes(path.read_bytes()[:-1])
    assert read_journal(path).state is JournalState.TORN
    with JournalWriter.resume(open_folder) as writer:
        assert writer.reading.records == whole
        resumed = writer.append(Kind.RUN_RESUMED, T0_NS)
    assert (resumed["torn_sha256"], resumed["torn_bytes"]) == (None, 0)
    assert read_journal(path).records == [*whole, resumed]


def test_ended_run_that_lacks_only_its_newline(closed_journal: bytes, folder_with: FolderWith) -> None:
    """A run whose end was written but for the newline has ended and is not resumed."""
    with pytest.raises(JournalError, match="that run has ended"):
        JournalWriter.resume(folder_with(closed_journal[:-1]))


def test_any_byte_changed(closed_journal: bytes) -> None:
    """HF-S20: a change of any byte is seen, and no record at or after the changed line is trusted."""
    whole = parse_journal(closed_journal).records
    for position in range(len(closed_journal)):
        for flip in (0x01, 0x20, 0x80):
            data = bytearray(closed_journal)
            data[position] ^= flip
            reading = parse_journal(bytes(data))
            line = closed_journal[:position].count(b"\n")
            assert not reading.closed, (position, flip)
            assert reading.state in (JournalState.ALTERED, JournalState.TORN)
            assert reading.records == whole[:line], (position, flip)
            if line < 5:
                assert reading.state is JournalState.ALTERED
                assert reading.problems[0].startswith(f"line {line + 1}: ")
                assert reading.untrusted_lines >= 1


def _lines(data: bytes) -> list[bytes]:
    return data.splitlines(keepends=True)


def test_dropped_line(closed_journal: bytes) -> None:
    """HF-S20: a removed line is seen where it is missing; without its last line a journal is not closed."""
    lines = _lines(closed_journal)
    for index in range(len(lines)):
        reading = parse_journal(b"".join(lines[:index] + lines[index + 1 :]))
        assert not reading.closed
        if index < len(lines) - 1:
            assert reading.problems[0].startswith(f"line {index + 1}: record {index + 1} should stand here")
            assert len(reading.records) == index
            assert reading.untrusted_lines == len(lines) - 1 - index
        else:
            assert reading.state is JournalState.OPEN


def test_swapped_or_repeated_line(closed_journal: bytes) -> None:
    """HF-S20: swapped neighbours and a repeated line are seen."""
    lines = _lines(closed_journal)
    for index in range(len(lines) - 1):
        swapped = [*lines[:index], lines[index + 1], lines[index], *lines[index + 2 :]]
        assert parse_journal(b"".join(swapped)).problems[0].startswith(f"line {index + 1}: ")
        repeated = [*lines[: index + 1], *lines[index:]]
        assert parse_journal(b"".join(repeated)).problems[0].startswith(f"line {index + 2}: ")


def test_rewritten_line_with_good_check_digits(closed_journal: bytes) -> None:
    """HF-S20: a line rewritten with fitting check digits is given away by the line after it."""
    lines = _lines(closed_journal)
    record = json.loads(lines[1])
    del record["sum"]
    record["state"] = "on"
    data = b"".join([lines[0], encode_line(record) + b"\n", *lines[2:]])
    reading = parse_journal(data)
    assert reading.state is JournalState.ALTERED
    assert reading.problems[0].startswith("line 3: ")


@pytest.mark.parametrize(
    "inserted", [b"\n", b"{}\n", b"null\n", b'{"seq":2,', b'{"seq":2,\n', b"\x00" * 80 + b"\n"]
)
def test_inserted_rubbish(closed_journal: bytes, inserted: bytes) -> None:
    """HF-S20: anything put between two lines is seen at its line."""
    lines = _lines(closed_journal)
    reading = parse_journal(b"".join([lines[0], inserted, *lines[1:]]))
    assert reading.state is JournalState.ALTERED
    assert reading.problems[0].startswith("line 2: ")
    assert len(reading.records) == 1


def test_chained_line_with_a_wrong_number(open_folder: Path) -> None:
    """HF-S20: a line that is chained to the one before but numbered otherwise is seen."""
    path = open_folder / "journal.jsonl"
    record = {"seq": 7, "prev": read_journal(path).last_digest, "at_utc_ns": T0_NS, "kind": "note"}
    reading = parse_journal(path.read_bytes() + encode_line(record) + b"\n")
    assert reading.problems[0].startswith("line 6: record 6 should stand here but this is record 7")


@pytest.mark.parametrize("tail", [b"{", b"{\n", b"\n"])
def test_scrap_after_the_end(closed_journal: bytes, tail: bytes) -> None:
    """HF-S20: an ended run with a scrap after its last line is not taken for closed."""
    reading = parse_journal(closed_journal + tail)
    assert (reading.closed, reading.state) == (False, JournalState.TORN)


def test_line_after_the_end(closed_journal: bytes) -> None:
    """HF-S20: a well-chained line after the end of the run is seen."""
    reading = parse_journal(closed_journal)
    extra = {"seq": 7, "prev": reading.last_digest, "at_utc_ns": T0_NS, "kind": "note", "text": "more"}
    after = parse_journal(closed_journal + encode_line(extra) + b"\n")
    assert after.problems == ["line 7: this line stands after the end of the run."]


@pytest.mark.parametrize("change", [{"kind": "other"}, {"at_utc_ns": "noon"}, {"kind": None}])
def test_line_that_is_no_record(open_folder: Path, change: dict[str, object]) -> None:
    """HF-S20: a chained line without a known kind and an instant is refused."""
    path = open_folder / "journal.jsonl"
    reading = read_journal(path)
    record = {"seq": 6, "prev": reading.last_digest, "at_utc_ns": T0_NS, "kind": "note", **change}
    assert parse_journal(path.read_bytes() + encode_line(record) + b"\n").state is JournalState.ALTERED


def test_altered_journal_is_not_resumed(closed_journal: bytes, folder_with: FolderWith) -> None:
    """HF-S20: an altered journal is never added to; the message names the line."""
    folder = folder_with(closed_journal.replace(b'"state":"off"', b'"state":"on" '))
    with pytest.raises(JournalError, match=r"JOURNAL ALTERED: line 2: .*Mend: keep the folder"):
        JournalWriter.resume(folder)


@pytest.mark.parametrize("data", [b"", b'{"at_utc_ns":18', b"\n", b"{\n{"])
def test_run_that_never_began_is_not_resumed(folder_with: FolderWith, data: bytes) -> None:
    """A journal without one whole record has nothing to go on from."""
    with pytest.raises(JournalError, match="nothing had begun"):
        JournalWriter.resume(folder_with(data))


def test_resume_must_say_so_first(open_folder: Path) -> None:
    """The first record after a resume is run_resumed and nothing else."""
    with JournalWriter.resume(open_folder) as writer:
        with pytest.raises(ValueError, match="must be run_resumed"):
            writer.append(Kind.NOTE, T0_NS)
        writer.append(Kind.RUN_RESUMED, T0_NS, torn_sha256="invented", torn_bytes=3)
        assert writer.append(Kind.NOTE, T0_NS)["seq"] == 7
    records = read_journal(open_folder / "journal.jsonl").records
    assert (records[5]["torn_sha256"], records[5]["torn_bytes"]) == (None, 0)


def test_three_crashes_in_a_row(open_folder: Path) -> None:
    """HF-S20: three crashes, two of them while the resume itself was being written, lose no good record."""
    path = open_folder / "journal.jsonl"
    good = read_journal(path).records
    path.write_bytes(path.read_bytes() + b'{"at_utc_ns":1800000000')
    for crash in (1, 2):
        before = path.read_bytes()
        with JournalWriter.resume(open_folder) as writer:
            writer.append(Kind.RUN_RESUMED, T0_NS + crash)
        grown = path.read_bytes()
        path.write_bytes(grown[: len(before) + 20 * crash])
        reading = read_journal(path)
        assert reading.state is JournalState.TORN
        assert reading.records == good
    with JournalWriter.resume(open_folder) as writer:
        resumed = writer.append(Kind.RUN_RESUMED, T0_NS + 3)
        ended = writer.append(Kind.RUN_ENDED, T0_NS + 4, outcome="finished")
    reading = read_journal(path)
    assert reading.state is JournalState.CLOSED
    assert reading.records == [*good, resumed, ended]
    assert path.read_bytes().count(b"\n") == len(reading.records) + 3


def test_crash_after_the_newline_that_ends_a_fragment(open_folder: Path) -> None:
    """A fragment whose ending newline was all that a resume wrote is still taken for torn, then noted."""
    path = open_folder / "journal.jsonl"
    good = read_journal(path).records
    path.write_bytes(path.read_bytes() + b'{"at_utc\n')
    reading = read_journal(path)
    assert (reading.state, reading.torn) == (JournalState.TORN, b'{"at_utc')
    with JournalWriter.resume(open_folder) as writer:
        resumed = writer.append(Kind.RUN_RESUMED, T0_NS)
    assert resumed["torn_bytes"] == 8
    assert read_journal(path).records == [*good, resumed]


def test_noted_fragment_that_was_changed_later(open_folder: Path) -> None:
    """HF-S20: a fragment is accepted only with the digest that the resume quoted."""
    path = open_folder / "journal.jsonl"
    path.write_bytes(path.read_bytes() + b'{"at_utc')
    with JournalWriter.resume(open_folder) as writer:
        writer.append(Kind.RUN_RESUMED, T0_NS)
    assert read_journal(path).state is JournalState.OPEN
    reading = parse_journal(path.read_bytes().replace(b'{"at_utc\n', b'{"at_utd\n'))
    assert reading.problems[0].startswith("line 6: this line is damaged")
    assert len(reading.records) == 5


@given(cuts=st.lists(st.integers(min_value=0, max_value=700), min_size=1, max_size=6))
@settings(max_examples=40, deadline=None, derandomize=True)
def test_any_series_of_crashes(tmp_path_factory: pytest.TempPathFactory, cuts: list[int]) -> None:
    """HF-S21: whatever is cut off unacknowledged bytes, crash after crash, acknowledged records stay."""
    folder = tmp_path_factory.mktemp("crashes")
    path = folder / "journal.jsonl"
    with JournalWriter.create(folder) as writer:
        acknowledged = [writer.append(Kind.RUN_BEGAN, T0_NS, title="crashes")]
    for cut in cuts:
        safe = len(path.read_bytes())
        with JournalWriter.resume(folder) as writer:
            acknowledged = list(writer.reading.records)
            writer.append(Kind.RUN_RESUMED, T0_NS)
            writer.append_many([(Kind.NOTE, T0_NS, {"text": "n" * 90}), (Kind.NOTE, T0_NS, {"text": "m"})])
        path.write_bytes(path.read_bytes()[: safe + cut])
        reading = read_journal(path)
        assert reading.state in (JournalState.OPEN, JournalState.TORN)
        assert reading.records[: len(acknowledged)] == acknowledged
    with JournalWriter.resume(folder) as writer:
        writer.append(Kind.RUN_RESUMED, T0_NS)
        writer.append(Kind.RUN_ENDED, T0_NS, outcome="finished")
    assert read_journal(path).state is JournalState.CLOSED


def test_verdicts_are_one_line(closed_journal: bytes) -> None:
    """Every verdict is one line, and only the altered one shouts."""
    lines = closed_journal.splitlines(keepends=True)
    verdicts = {
        "journal intact: 6 records": closed_journal,
        "journal not closed: 5 records good, the last at 2027-01-15T08:00:00.000Z": b"".join(lines[:-1]),
        "journal torn: 5 records good": b"".join(lines[:-1]) + lines[-1][:30],
        "journal torn: 0 records good, nothing written; then an unfinished line of 9 bytes": lines[0][:9],
        "JOURNAL ALTERED: line 1: ": b"".join(lines[1:]),
    }
    for start, data in verdicts.items():
        verdict = parse_journal(data).verdict()
        assert verdict.startswith(start)
        assert "\n" not in verdict
