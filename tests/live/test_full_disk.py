"""Runs in real time whose disk fills: the journal goes on in its second place, and so does the run.

The disk is filled by a limit on the size of any file that the run's own process writes: the journal is the one
file that it meets in the run's folder. No test here looks at how long anything took.
"""

from __future__ import annotations

import contextlib
import errno
import os
import resource
import signal
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from controller.account.audit import audit
from controller.journal.folder import RunFolder
from controller.journal.reading import JournalState
from controller.journal.records import Kind
from controller.journal.writing import JournalWriter
from controller.live import driver
from tests.cli.command import HOLDFIRE, as_json, environment, holdfire
from tests.engine.builder import at, timeline
from tests.live.test_driver import Desk, filtered, until
from tests.live.test_real_time import BENCH


@pytest.fixture
def run(tmp_path: Path) -> Iterator[subprocess.Popen[str]]:
    """A rehearsal in real time of some forty frames."""
    plan = tmp_path / "bench.yaml"
    unhurried = BENCH.replace("fill: true, late_limit: 8 s", "every: 1.6 s, late_limit: 1 s")
    plan.write_text(unhurried.replace("DRIVER", "simulated").replace("20 s after C3", "12 s after C3"))
    process = subprocess.Popen(
        [*HOLDFIRE, "rehearse", str(plan), "--operator", "prompt", "--from", "12 s before C3", "--json", "--runs",
         str(tmp_path / "runs")],
        cwd=tmp_path, env={**environment(), "HOLDFIRE_SECOND_PLACE": str(tmp_path / "second")}, stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    yield process
    process.kill()
    process.communicate()


def folder_after(process: subprocess.Popen[str], runs: Path, fired: int) -> RunFolder:
    """The folder of a run, once its journal tells of so many fired frames."""
    while True:
        for path in runs.glob("*/journal.jsonl"):
            if path.read_text().count('"kind":"frame_fired"') >= fired:
                return RunFolder.open(path)
        assert process.poll() is None
        time.sleep(0.05)


def fill(process: subprocess.Popen[str], folder: RunFolder, room: int) -> None:
    """Let the run's process write no file longer than its journal is, and a little more."""
    limit = folder.journal_path.stat().st_size + room
    resource.prlimit(process.pid, resource.RLIMIT_FSIZE, (limit, limit))


@pytest.mark.waits
def test_the_run_goes_on_when_its_disk_is_full(run: subprocess.Popen[str], tmp_path: Path) -> None:
    """HF-S23: the disk fills in mid-run: every frame fires, the operator is told, the account is whole."""
    folder = folder_after(run, tmp_path / "runs", 30)
    fill(run, folder, 700)
    output, told = run.communicate(timeout=90)
    assert run.returncode == 0, told
    assert "ALARM: journal moved to " in told
    reading = folder.read()
    account = as_json(holdfire("account", str(folder.path), "--json", cwd=tmp_path))
    assert account["totals"]["fired"] == account["totals"]["planned"] >= 30
    assert account["contradictions"] == audit(folder.timeline(), reading.records) == []
    assert account["journal"]["state"] == "intact"
    assert account["verdict"][0].startswith("THE DISK OF THE RUN DID NOT TAKE THE JOURNAL")
    assert reading.second_place is not None
    assert str(reading.second_place) in account["journal"]["line"]
    assert account["verdict"][0] in output
    moved = [r for r in reading.records if r["kind"] == "journal_moved"]
    assert [r["cause"] for r in moved] == [os.strerror(errno.EFBIG)]


def test_killed_while_the_journal_is_away(run: subprocess.Popen[str], tmp_path: Path) -> None:
    """HF-S21: SIGKILL after the move: no line is lost, no frame fired twice, and the resumed journal is whole at home."""
    folder = folder_after(run, tmp_path / "runs", 9)
    fill(run, folder, 300)
    end = time.monotonic() + 60
    while sum(r["kind"] == "frame_fired" for r in folder.read().records) < 13:
        assert time.monotonic() < end
        time.sleep(0.05)
    run.send_signal(signal.SIGKILL)
    run.wait()
    before = folder.read()
    assert before.second_place is not None
    assert before.state in (JournalState.OPEN, JournalState.TORN)
    time.sleep(1.5)  # the camera's process sees the end of the run
    pictures = len(list(folder.frames_path.rglob("*.JPG")))
    assert sum(r["kind"] == "frame_fired" for r in before.records) <= pictures
    assert pictures <= sum(r["kind"] == "frame_intent" for r in before.records)
    account = as_json(holdfire("resume", str(folder.path), "--fast", "--json", cwd=tmp_path))
    after = folder.read()
    assert account["contradictions"] == []
    assert after.records[: len(before.records)] == before.records
    assert after.state is JournalState.CLOSED
    assert after.second_place is None
    assert sum(r["kind"] == "journal_returned" for r in after.records) == 1
    intents = [r["frame_id"] for r in after.records if r["kind"] == "frame_intent"]
    assert len(intents) == len(set(intents))


def test_the_operator_hears_of_it_and_of_the_return(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """HF-S23: the voice says once that the journal moved, the alarm stays until there is room, frames fire throughout."""
    run_folder = tmp_path / "run"
    run_folder.mkdir()
    write, full = os.pwrite, False

    def pwrite(descriptor: int, data: Any, where: int) -> int:
        if full and Path(f"/proc/self/fd/{descriptor}").readlink().parent == run_folder:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return write(descriptor, data, where)

    monkeypatch.setattr(os, "pwrite", pwrite)
    monkeypatch.setattr(driver, "JOURNAL_CHECK_S", 0.2)
    day = timeline([filtered(1, 10.5), filtered(2, 11.5), filtered(3, 60)])
    desk = Desk(day)
    said: list[str] = []
    monkeypatch.setattr(desk.voice, "say", lambda text, urgent, late_s: said.append(text))
    with contextlib.closing(JournalWriter.create(run_folder, [tmp_path / "other"])) as journal:
        desk.run.journal = journal
        thread = desk.begin()
        until(lambda: desk.processes["long"] and desk.processes["long"][0].given)
        full = True
        desk.processes["long"][0].fire(day.frames[0])
        until(lambda: len(desk.processes["long"][0].given) == 2)  # its intent is in the second place
        until(lambda: "journal moved to" in desk.run.engine.view(at(11)).alarm)
        assert str(journal.away_in) in desk.run.engine.view(at(11)).alarm
        time.sleep(0.5)  # it is tried in vain meanwhile
        assert "journal moved to" in desk.run.engine.view(at(11)).alarm
        full = False
        until(lambda: not desk.run.engine.view(at(11)).alarm)
        assert journal.away_in is None
        desk.stop(thread)
    moves = [text for text in said if "journal" in text]
    assert len(moves) == 2
    assert "moved to a second place" in moves[0]
    assert "back" in moves[1]
    kinds = [r["kind"] for r in RunFolder(run_folder).read().records]
    assert kinds.count(Kind.JOURNAL_MOVED) == kinds.count(Kind.JOURNAL_RETURNED) == 1
    assert kinds[-1] == Kind.RUN_ENDED
