"""The folder of a run and the one-line verdict on it."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from controller.errors import JournalError
from controller.journal.folder import RunFolder, verify
from controller.journal.reading import JournalState
from controller.journal.records import Kind
from controller.journal.writing import JournalWriter
from controller.timeline.model import Timeline
from controller.units import ContactName, UtcNs, parse_utc_iso

STARTED_NS = parse_utc_iso("2027-08-02T07:30:05.6Z")
PLAN = b"holdfire_plan: 1\n"


def _timeline() -> Timeline:
    return Timeline(
        title="Ridge",
        site_name="Ridge",
        latitude_deg=25.5,
        longitude_deg=33.2,
        elevation_m=90.0,
        time_zone="Africa/Cairo",
        kind="partial",
        contacts_utc_ns={ContactName.C1: UtcNs(STARTED_NS)},
        contacts_note="",
        contacts_uncertainty_s=1.0,
        unfiltered_from_utc_ns=None,
        unfiltered_until_utc_ns=None,
        rigs=(),
        phases=(),
        holds=(),
        frames=(),
        cues=(),
    )


def _made(base: Path, title: str = "Ridge: first try") -> RunFolder:
    return RunFolder.create(base, title, PLAN, _timeline(), started_utc_ns=STARTED_NS)


def test_folder_holds_plan_timeline_and_frames(tmp_path: Path) -> None:
    """A new run's folder holds the plan byte for byte, the timeline, and a place for frames."""
    folder = _made(tmp_path / "runs")
    assert folder.path.name == "2027-08-02T073006Z-ridge-first-try"
    assert folder.plan_bytes() == PLAN
    assert folder.timeline() == _timeline()
    assert hashlib.sha256(folder.timeline_path.read_bytes()).hexdigest() == _timeline().digest()
    assert folder.frames_path.is_dir()


def test_profiles_are_kept_and_watched(tmp_path: Path) -> None:
    """HF-S20: a profile lies beside the plan under its rig's number; one that changed or is gone is told."""
    folder = RunFolder.create(
        tmp_path, "t", PLAN, _timeline(), started_utc_ns=STARTED_NS, profiles={"profile-2.json": b"{}"}
    )
    with JournalWriter.create(folder.path) as writer:
        digest = hashlib.sha256(b"{}").hexdigest()
        writer.append(Kind.RUN_BEGAN, STARTED_NS, profiles_sha256={"profile-2.json": digest})
    assert folder.profile_path(1).read_bytes() == b"{}"
    assert verify(folder.path).trusted
    folder.profile_path(1).write_bytes(b"[]")
    assert "profile-2.json is not the file the run began with" in verify(folder.path).line
    folder.profile_path(1).unlink()
    assert "profile-2.json is missing" in verify(folder.path).line
    with pytest.raises(
        JournalError, match=r"profile-2\.json: this profile is missing\. Mend: give the whole"
    ):
        folder.profile_path(1)


@pytest.mark.parametrize(
    ("title", "tail"),
    [
        ("Día de sombra", "día-de-sombra"),
        ("日食", "日食"),
        ("../..//x", "x"),
        ("", "run"),
        ("~!", "run"),
        ("a" * 99, "a" * 40),
    ],
)
def test_name_from_any_title(tmp_path: Path, title: str, tail: str) -> None:
    """Any title gives one plain folder name right under the base."""
    folder = _made(tmp_path, title)
    assert folder.path.parent == tmp_path
    assert folder.path.name == f"2027-08-02T073006Z-{tail}"


def test_folder_is_never_overwritten(tmp_path: Path) -> None:
    """Runs of the same title in the same second get folders of their own."""
    paths = [_made(tmp_path).path.name for _ in range(3)]
    assert paths == [f"2027-08-02T073006Z-ridge-first-try{end}" for end in ("", "-2", "-3")]


def test_folder_that_cannot_be_made(tmp_path: Path) -> None:
    """A base that is a file gives one clear line."""
    (tmp_path / "file").write_text("")
    with pytest.raises(JournalError, match=r"cannot be made .*Mend: give a folder"):
        _made(tmp_path / "file")


def test_open_by_folder_or_journal(tmp_path: Path) -> None:
    """A run opens by its folder or its journal, and anything else is refused."""
    folder = _made(tmp_path)
    with pytest.raises(JournalError, match=r"no folder of a run, it has no journal\.jsonl"):
        RunFolder.open(folder.path)
    JournalWriter.create(folder.path).close()
    assert RunFolder.open(folder.path) == RunFolder.open(folder.journal_path) == folder


def _run(folder: RunFolder) -> None:
    with JournalWriter.create(folder.path) as writer:
        writer.append(
            Kind.RUN_BEGAN,
            STARTED_NS,
            plan_sha256=hashlib.sha256(PLAN).hexdigest(),
            timeline_sha256=folder.timeline().digest(),
        )
        writer.append(Kind.RUN_ENDED, STARTED_NS, outcome="finished")


def test_verify_intact_run(tmp_path: Path) -> None:
    """An untouched run is verified with one line."""
    folder = _made(tmp_path)
    _run(folder)
    verdict = verify(folder.path)
    assert (verdict.state, verdict.trusted) == (JournalState.CLOSED, True)
    assert verdict.line == "journal intact: 2 records, closed (finished)."


@pytest.mark.parametrize("name", ["plan.yaml", "timeline.json"])
def test_verify_sees_a_changed_plan_or_timeline(tmp_path: Path, name: str) -> None:
    """HF-S20: a plan or timeline changed after the run began is not taken for the run's own."""
    folder = _made(tmp_path)
    _run(folder)
    path = folder.path / name
    path.write_bytes(path.read_bytes().replace(b"1", b"2", 1))
    verdict = verify(folder.path)
    assert not verdict.trusted
    assert verdict.line.startswith(f"RUN ALTERED: {name} is not the file the run began with.")
    assert "\n" not in verdict.line


def test_verify_sees_an_altered_journal(tmp_path: Path) -> None:
    """HF-S20: an altered journal is never called good."""
    folder = _made(tmp_path)
    _run(folder)
    folder.journal_path.write_bytes(folder.journal_path.read_bytes().replace(b"finished", b"FINISHED"))
    assert not verify(folder.path).trusted


def test_changed_timeline_is_not_resumed(tmp_path: Path) -> None:
    """HF-S20: a run whose timeline was changed since it began is not resumed."""
    folder = _made(tmp_path)
    with JournalWriter.create(folder.path) as writer:
        writer.append(Kind.RUN_BEGAN, STARTED_NS, timeline_sha256=folder.timeline().digest())
    JournalWriter.resume(folder.path).close()
    folder.timeline_path.write_bytes(folder.timeline_path.read_bytes() + b"\n")
    with pytest.raises(JournalError, match=r"timeline\.json is not the file the run began with"):
        JournalWriter.resume(folder.path)


def test_rubbish_timeline(tmp_path: Path) -> None:
    """A timeline that cannot be read gives one clear line."""
    folder = _made(tmp_path)
    folder.timeline_path.write_text("{}")
    with pytest.raises(JournalError, match="this is no timeline"):
        folder.timeline()
    folder.plan_path.unlink()
    with pytest.raises(JournalError, match="cannot be read"):
        folder.plan_bytes()
