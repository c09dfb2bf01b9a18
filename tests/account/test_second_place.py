"""The account of a run whose journal had to be kept in a second place."""

from __future__ import annotations

import errno
import os
from pathlib import Path
from typing import Any

import pytest
import typer

from controller.account.export import to_json_dict
from controller.account.model import make_account
from controller.account.text import to_text, verdict_lines
from controller.cli import account as command
from controller.cli.second_place import second_folders
from controller.errors import UsageError
from controller.journal.folder import RunFolder
from controller.journal.places import second_path
from controller.journal.reading import JournalState
from controller.journal.records import Kind
from controller.journal.writing import JournalWriter
from controller.timeline.model import Timeline
from tests.engine.builder import ON, at, frame, timeline


@pytest.fixture
def day() -> Timeline:
    """One filtered frame."""
    return timeline([frame(1, 20, phase="partial in", need=ON, ends_by=80)])


def kept_away(
    day: Timeline,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    *,
    returns: bool = False,
    ends: bool = True,
) -> RunFolder:
    """A run whose disk was full from its second record on."""
    folder = RunFolder.create(tmp_path / "runs", "away", b"plan", day, started_utc_ns=at(0))
    full = True
    write = os.pwrite

    def pwrite(descriptor: int, data: Any, where: int) -> int:
        if full and Path(f"/proc/self/fd/{descriptor}").readlink() == folder.journal_path:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return write(descriptor, data, where)

    with JournalWriter.create(folder.path, [tmp_path / "other"]) as writer:
        writer.append(Kind.RUN_BEGAN, at(0), title="away", mode="run")
        monkeypatch.setattr(os, "pwrite", pwrite)
        writer.append(Kind.FILTER_SAID, at(1), rig=None, state="on")
        full = not returns
        writer.try_to_return(at(2))
        if ends:
            writer.append(
                Kind.FRAME_MISSED, at(21), frame_id="long/0001", rig="long", reason="camera", detail=""
            )
            writer.append(Kind.RUN_ENDED, at(90), outcome="finished", fired=0, missed=1, failed=0, unknown=0)
    return folder


def second(folder: RunFolder) -> Path:
    """The file of its second place."""
    return second_path(folder.path, folder.path.parents[1] / "other", 1)


def test_away_is_told_first(day: Timeline, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """HF-S23: the account is whole, and begins with where its journal stood and which file must be kept."""
    folder = kept_away(day, tmp_path, monkeypatch)
    account = make_account(folder.path)
    assert account.journal_state is JournalState.CLOSED
    assert account.contradictions == ()
    first, *_, last = verdict_lines(account)
    assert first.startswith("THE DISK OF THE RUN DID NOT TAKE THE JOURNAL: away at ")
    assert "back" not in first
    assert str(second(folder)) in last
    text = to_text(account, 400)
    assert "the journal went on in a second place (No space left on device); not over" in text
    assert f"and went on in {second(folder)}" in text
    assert to_json_dict(account)["verdict"][0] == first


def test_back_home_is_told(day: Timeline, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A journal that is whole again in its folder says from when to when it was not, and asks for no other file."""
    folder = kept_away(day, tmp_path, monkeypatch, returns=True)
    second(folder).unlink()
    account = make_account(folder.path)
    first, *_, last = verdict_lines(account)
    assert "away at " in first
    assert ", back at " in first
    assert str(tmp_path / "other") not in last
    assert account.contradictions == ()


def test_gone_is_told_with_its_name(day: Timeline, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """HF-S20: where the second place is gone, the account says which file it missed, first."""
    folder = kept_away(day, tmp_path, monkeypatch, ends=False)
    second(folder).unlink()
    account = make_account(folder.path)
    assert account.journal_state is JournalState.TORN
    assert (
        verdict_lines(account)[0] == f"A PART OF THE JOURNAL MAY BE MISSING: {second(folder)} is not there."
    )


def test_an_altered_journal_has_its_exit_code(
    day: Timeline, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """HF-S20: `account` prints what it can of an altered journal, and ends with the code for one."""
    folder = kept_away(day, tmp_path, monkeypatch, returns=True)
    command.account(folder.path, command.Files(html=None, markdown=None, csv=None), as_json=False)
    data = folder.journal_path.read_bytes()
    folder.journal_path.write_bytes(data.replace(b'"state":"on"', b'"state":"of"'))
    with pytest.raises(typer.Exit) as ended:
        command.account(folder.path, command.Files(html=None, markdown=None, csv=None), as_json=False)
    assert ended.value.exit_code == 6
    assert "DO NOT TRUST THIS ACCOUNT" in capsys.readouterr().out


def test_missing_lines_are_not_believed(day: Timeline) -> None:
    """HF-S10, HF-S12: resumed with a part of the journal missing, no word stands and nothing is fired again."""
    from controller.engine import messages as m
    from controller.engine.engine import Engine
    from controller.engine.states import FrameState
    from controller.units import FilterState, UtcNs

    records = [
        {"seq": 1, "kind": "run_began", "at_utc_ns": at(0)},
        {"seq": 2, "kind": "filter_said", "at_utc_ns": at(11), "rig": None, "state": "on"},
    ]
    frames = [
        frame(1, 20, phase="partial in", need=ON, ends_by=80, late_s=40),
        frame(2, 60, phase="partial in", need=ON, ends_by=80),
    ]
    for missing in (False, True):
        engine = Engine(timeline(frames))
        engine.restore(records)
        if missing:
            engine.miss_lines()
        effects = engine.resume(UtcNs(at(30)))
        effects += engine.handle(m.CameraReady(now_utc_ns=UtcNs(at(31)), rig="long"))
        assert engine.view(UtcNs(at(31))).rigs[0].filter_said is (
            FilterState.UNSAID if missing else FilterState.ON
        )
        assert (engine.frame_state("long/0001") is FrameState.MISSED) is missing
        missed = [e for e in effects if isinstance(e, m.Record) and e.kind == "frame_missed"]
        assert ["missing part" in e.data["detail"] for e in missed] == [True] * missing


def test_the_user_names_the_second_place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A folder that the user names is the only one tried; one that cannot be made is refused in one line."""
    monkeypatch.setenv("HOLDFIRE_SECOND_PLACE", str(tmp_path / "card"))
    assert second_folders() == [tmp_path / "card"]
    monkeypatch.delenv("HOLDFIRE_SECOND_PLACE")
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    assert second_folders()[0] == tmp_path / "state" / "holdfire"
    (tmp_path / "file").touch()
    monkeypatch.setenv("HOLDFIRE_SECOND_PLACE", str(tmp_path / "file"))
    with pytest.raises(UsageError, match="cannot be made"):
        second_folders()
