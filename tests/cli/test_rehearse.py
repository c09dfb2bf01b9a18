"""Whole days through the command line, in virtual time: what the account says of them."""

from __future__ import annotations

import subprocess
from pathlib import Path
from typing import Any

import pytest

from controller.account.audit import audit
from controller.journal.folder import RunFolder
from controller.journal.reading import read_journal
from controller.units import FilterState, Wanted
from tests.cli.command import HOLDFIRE, SAMPLES, as_json, environment, few_frames, holdfire, only_run

TOTAL = SAMPLES / "total_2027.yaml"


def rehearsed(tmp_path: Path, *words: str, plan: Path = TOTAL) -> tuple[Any, int, RunFolder]:
    """The account of a fast rehearsal, its exit code and its folder; the audit finds nothing."""
    done = holdfire(
        "rehearse", str(plan), "--fast", "--json", "--runs", str(tmp_path / "runs"), *words, cwd=tmp_path
    )
    folder = RunFolder.open(only_run(tmp_path / "runs"))
    account = as_json(done)
    assert audit(folder.timeline(), folder.read().records) == []
    assert account["contradictions"] == []
    assert sum(v for k, v in account["totals"].items() if k != "planned") == account["totals"]["planned"]
    return account, done.returncode, folder


def ends(account: Any, folder: RunFolder, need: FilterState) -> dict[str, int]:
    """How the frames with this filter need ended."""
    needs = {frame.frame_id: frame.filter_need for frame in folder.timeline().frames}
    found: dict[str, int] = {}
    for frame in account["frames"]:
        if needs[frame["frame_id"]] is need:
            found[frame["state"]] = found.get(frame["state"], 0) + 1
    return found


@pytest.mark.parametrize("plan", sorted(SAMPLES.glob("*.yaml")), ids=lambda path: path.stem)
def test_every_sample_plan_is_fired_whole(plan: Path, tmp_path: Path) -> None:
    """With a prompt operator and a sound camera every frame of every sample plan fires, and no picture is doubted."""
    account, code, folder = rehearsed(tmp_path, plan=plan)
    assert code == 0
    assert account["totals"]["fired"] == account["totals"]["planned"] > 50
    pictures = list(folder.frames_path.rglob("*.JPG"))
    assert len(pictures) == account["totals"]["fired"]
    kinds = {record["kind"] for record in read_journal(folder.journal_path).records}
    assert "frame_fired" in kinds
    assert "filter_doubted" not in kinds


def test_silent_through_totality_fires_nothing_unfiltered(tmp_path: Path) -> None:
    """HF-S11: the operator sets up and then says nothing: filtered frames fire, not one unfiltered does."""
    account, code, folder = rehearsed(tmp_path, "--operator", "silent")
    unfiltered = ends(account, folder, FilterState.OFF)
    assert unfiltered == {"missed": sum(unfiltered.values())}
    assert sum(unfiltered.values()) > 100
    assert ends(account, folder, FilterState.ON).get("fired", 0) > 30
    assert code == 11


def test_late_word_fires_every_must_shot_that_still_fits(tmp_path: Path) -> None:
    """Late by 40 s: what belongs to C2 is gone, every other must frame is fired, and nothing outside its window."""
    account, code, folder = rehearsed(tmp_path, "--operator", "late 40 s")
    timeline = folder.timeline()
    due = next(h.due_utc_ns for h in timeline.holds if h.needs is FilterState.OFF)
    word_ns = due + 40 * 10**9
    states = {frame["frame_id"]: frame["state"] for frame in account["frames"]}
    musts = [frame for frame in timeline.frames if frame.wanted is Wanted.MUST]
    still_fit = [frame for frame in musts if frame.movable_until_utc_ns > word_ns + 10**9]
    assert len(still_fit) >= 10
    assert {states[frame.frame_id] for frame in still_fit} == {"fired"}
    gone = [frame for frame in musts if frame.movable_until_utc_ns < word_ns]
    assert gone
    assert {states[frame.frame_id] for frame in gone} == {"missed"}
    assert code == 11


@pytest.mark.parametrize(
    ("fault", "reason"),
    [
        ("lost 20 s after C2 for 30 s", "camera"),
        ("card full 1 min after C2 for 1 min", "card full"),
        ("busy 30 s after C2 for 20 s", ""),
        ("file missing after 60 frames for 10 s", ""),
        ("setting not accepted 1 min after C2 for 20 s", ""),
        ("hang 1 min after C2 for 25 s", ""),
        ("slow write 40 s after C2 for 30 s", ""),
        ("battery empty 1 min before C3", "camera"),
    ],
)
def test_faults_on_demand_are_survived_and_told(tmp_path: Path, fault: str, reason: str) -> None:
    """A fault costs the frames it falls on and no more; the account tells which, and the run ends by itself."""
    plan = (
        TOTAL if fault.startswith("slow") else few_frames(tmp_path)
    )  # a few are slowly written in time, too
    account, _, folder = rehearsed(tmp_path, "--fault", fault, plan=plan)
    assert account["outcome"] == "finished"
    assert account["totals"]["fired"] > 100
    records = folder.read().records
    missed = {record["reason"] for record in records if record["kind"] == "frame_missed"}
    if reason:
        assert reason in missed | {"no room after refit"}
    troubled = [
        r for r in records if r["kind"] in ("frame_missed", "frame_failed", "camera_lost", "frame_moved")
    ]
    differing = [r for r in records if r["kind"] == "frame_fired" and r.get("differs")]
    assert troubled or differing


def test_rehearsals_repeat_exactly(tmp_path: Path) -> None:
    """The same plan, operator and faults give the same journal, byte for byte, whatever order sets are in."""
    journals, plan = [], few_frames(tmp_path)
    for name in ("one", "two"):
        words = [
            "--operator",
            "late 5 s",
            "--fault",
            "lost 1 min after C2 for 10 s",
            "--runs",
            str(tmp_path / name),
        ]
        subprocess.run(
            [*HOLDFIRE, "rehearse", str(plan), "--fast", "--json", *words], cwd=tmp_path, check=False,
            env={**environment(), "PYTHONHASHSEED": str(len(journals) + 1)}, capture_output=True, timeout=120,
        )  # fmt: skip
        journals.append((only_run(tmp_path / name) / "journal.jsonl").read_bytes())
    assert journals[0] == journals[1]
    assert len(journals[0]) > 100_000


def test_account_csv_has_one_line_a_frame(tmp_path: Path) -> None:
    """`account --csv` writes every planned frame, fired or not, with its reason."""
    account, _, folder = rehearsed(tmp_path, "--operator", "silent")
    done = holdfire("account", str(folder.path), "--csv", "frames.csv", cwd=tmp_path)
    assert done.returncode == 0
    lines = (tmp_path / "frames.csv").read_text().splitlines()
    assert len(lines) == account["totals"]["planned"] + 1
    assert sum(",held," in line for line in lines) == account["totals"]["missed"]
