"""A writer killed in the middle of its work, for real: SIGKILL to a child process."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from controller.journal.reading import JournalState, read_journal
from controller.journal.records import Kind
from controller.journal.writing import JournalWriter

_CHILD = """
import os, sys
from pathlib import Path
from controller.journal.records import Kind
from controller.journal.writing import JournalWriter
folder = Path(sys.argv[1])
if (folder / "journal.jsonl").exists():
    writer = JournalWriter.resume(folder)
    record = writer.append(Kind.RUN_RESUMED, 1)
else:
    writer = JournalWriter.create(folder)
    record = writer.append(Kind.RUN_BEGAN, 1)
while True:
    os.write(1, b"%d\\n" % record["seq"])
    record = writer.append(Kind.NOTE, 1, text="x" * (record["seq"] * 37 % 5000))
"""


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_killed_writer_loses_no_acknowledged_record(tmp_path: Path, seed: int) -> None:
    """HF-S21: through five kills and resumes every acknowledged record is in the journal, in its place."""
    rng = random.Random(seed)
    acknowledged = 0
    for _ in range(5):
        child = subprocess.Popen([sys.executable, "-c", _CHILD, str(tmp_path)], stdout=subprocess.PIPE)
        assert child.stdout is not None
        for _ in range(rng.randint(1, 60)):
            assert child.stdout.readline().endswith(b"\n")
        os.kill(child.pid, signal.SIGKILL)
        seen = [int(line) for line in child.stdout.read().split(b"\n") if line]
        child.wait()
        child.stdout.close()
        reading = read_journal(tmp_path / "journal.jsonl")
        acknowledged = max([acknowledged, *seen])
        assert reading.state in (JournalState.OPEN, JournalState.TORN)
        assert [record["seq"] for record in reading.records] == list(range(1, len(reading.records) + 1))
        assert len(reading.records) >= acknowledged
    with JournalWriter.resume(tmp_path) as writer:
        writer.append(Kind.RUN_RESUMED, 2)
        writer.append(Kind.RUN_ENDED, 2, outcome="stopped")
    assert read_journal(tmp_path / "journal.jsonl").state is JournalState.CLOSED
    resumes = [r for r in read_journal(tmp_path / "journal.jsonl").records if r["kind"] == Kind.RUN_RESUMED]
    assert len(resumes) == 5
