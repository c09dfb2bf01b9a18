"""Several runs as one account: rehearsed by different operators, joined by UTC, each audited on its own."""

from __future__ import annotations

import csv
import hashlib
import json
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from controller.account import merging
from controller.account.audit import audit
from controller.account.export import to_json_dict
from controller.account.merging import MergedAccount, merge_runs
from controller.account.model import FrameEnd, make_account
from controller.cameras.simulated import SimulatedDevice
from controller.engine.engine import Engine
from controller.errors import UsageError
from controller.journal.folder import RunFolder
from controller.journal.records import Kind
from controller.journal.writing import JournalWriter
from controller.operator.script import Habit, ScriptedOperator
from controller.simulate.driver import Simulation
from controller.timeline.model import Hold, Timeline
from controller.units import NS_PER_S, ContactName, UtcNs, utc_iso
from tests.account.conftest import Day
from tests.cli.command import as_json, holdfire
from tests.engine.builder import at
from tests.simulate.small import BODY, small_day

HABITS = {"boat": "silent", "plain": "late 8 s", "ridge": "prompt 2 s"}


def rehearse(folder: Path, habit: str, day: Timeline, **facts: Any) -> Path:
    """Rehearse a day in virtual time into a folder of this name."""
    made = RunFolder.create(folder.parent, "run", b"plan", day, started_utc_ns=at(-70))
    made = RunFolder(made.path.rename(folder))
    script = ScriptedOperator(Habit.parse(habit))

    def next_word(hold: Hold, opened: int, first: bool) -> int | None:
        return script.answer(UtcNs(opened), hold.due_utc_ns, hold.needs, first=first)

    with JournalWriter.create(made.path) as journal:
        devices: dict[int, SimulatedDevice] = {}
        Simulation(
            engine=Engine(day),
            cameras={
                rig.name: lambda clock: devices.setdefault(id(clock), SimulatedDevice(BODY, clock)).open()
                for rig in day.rigs
            },
            next_word=next_word, journal=journal, start_utc_ns=at(-70),
            facts={
                "mode": "rehearsal", "operator": "script", "clock": "pretended clock",
                "plan_sha256": hashlib.sha256(b"plan").hexdigest(), "timeline_sha256": day.digest(), **facts,
            },
        ).run()  # fmt: skip
    return made.path


def renamed(day: Timeline, name: Callable[[str], str]) -> Timeline:
    """The day with its rigs called otherwise."""
    return replace(
        day,
        rigs=tuple(replace(one, name=name(one.name)) for one in day.rigs),
        phases=tuple(replace(one, rig=name(one.rig)) for one in day.phases),
        holds=tuple(replace(one, rig=name(one.rig)) for one in day.holds),
        frames=tuple(replace(one, rig=name(one.rig)) for one in day.frames),
    )


@pytest.fixture(scope="module")
def crew(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Three rehearsals of one plan, by three operators."""
    base = tmp_path_factory.mktemp("crew")
    return {name: rehearse(base / name, habit, small_day()) for name, habit in HABITS.items()}


def merged(crew: dict[str, Path]) -> MergedAccount:
    """The three as one."""
    return merge_runs(list(crew.values()))


def test_sums_are_those_of_the_runs(crew: dict[str, Path]) -> None:
    """The joint totals are what the runs' own accounts add up to, and the operators made a difference."""
    alone = [make_account(path) for path in crew.values()]
    joint = merged(crew)
    assert joint.planned == sum(len(one.frames) for one in alone) == 3 * len(small_day().frames)
    for end in FrameEnd:
        assert joint.ends[end] == sum(one.ends[end] for one in alone)
    fired = [one.ends[FrameEnd.FIRED] for one in alone]
    assert fired[0] < fired[1] < fired[2] == len(small_day().frames)
    assert [run.name for run in joint.runs] == list(HABITS)
    assert all(run.sound for run in joint.runs)


def test_everything_is_joined_by_utc(crew: dict[str, Path]) -> None:
    """Frames and happenings of all runs follow one another by their instants, and none is lost."""
    joint = merged(crew)
    instants = [frame.released_utc_ns or frame.due_utc_ns for _, frame in joint.frames()]
    assert instants == sorted(instants)
    assert len(instants) == joint.planned
    happened = joint.happenings()
    assert [one.at_utc_ns for _, one in happened] == sorted(one.at_utc_ns for _, one in happened)
    words = {
        run.name: [o.text for r, o in happened if r is run and o.kind is Kind.FILTER_SAID]
        for run in joint.runs
    }
    assert [len(words[name]) for name in HABITS] == [1, 3, 3]  # the silent one says the first word only
    assert len({run.name for run, _ in joint.frames()[:6]}) == 3  # not run after run


def test_rigs_are_renamed_only_where_names_clash(crew: dict[str, Path], tmp_path: Path) -> None:
    """Rigs of one name are told apart by their run and warned of; others keep their name."""
    joint = merged(crew)
    assert joint.runs[0].rigs == {"long": "boat/long", "wide": "boat/wide"}
    assert sum("in boat and in plain and in ridge" in warning for warning in joint.warnings) == 2
    other = renamed(small_day(), lambda rig: {"long": "tall"}.get(rig, rig))
    pair = merge_runs([crew["ridge"], rehearse(tmp_path / "hut", "prompt", other)])
    assert pair.runs[0].rigs == {"long": "long", "wide": "ridge/wide"}
    assert pair.runs[1].rigs == {"tall": "tall", "wide": "hut/wide"}
    (warning,) = pair.warnings
    assert '"wide"' in warning


def test_folders_of_one_name_get_numbers(crew: dict[str, Path], tmp_path: Path) -> None:
    """Two crews may have called their folders alike."""
    again = rehearse(tmp_path / "ridge", "late 20 s", small_day())
    joint = merge_runs([crew["ridge"], again])
    assert [run.name for run in joint.runs] == ["ridge", "ridge-2"]
    assert joint.runs[1].rigs["long"] == "ridge-2/long"


@pytest.mark.parametrize("how", ["the same path", "a copy", "a copy cut short"])
def test_one_journal_given_twice_is_refused(crew: dict[str, Path], tmp_path: Path, how: str) -> None:
    """The same folder, a copy of it, and a copy taken while it was still written would count frames twice."""
    copy = crew["ridge"]
    if how != "the same path":
        copy = shutil.copytree(copy, tmp_path / "copy")
    if how == "a copy cut short":
        journal = copy / "journal.jsonl"
        journal.write_bytes(journal.read_bytes()[:-700])
    with pytest.raises(UsageError, match="same journal"):
        merge_runs([crew["plain"], crew["ridge"], copy])


def test_a_run_in_which_nothing_began_is_no_copy(crew: dict[str, Path], tmp_path: Path) -> None:
    """A folder whose journal is still empty is joined as what it is: all its frames are lost."""
    empty = tmp_path / "empty"
    shutil.copytree(crew["ridge"], empty)
    (empty / "journal.jsonl").write_bytes(b"")
    merged = merge_runs([crew["ridge"], empty])
    assert merged.runs[1].account.ends[FrameEnd.FIRED] == 0
    assert merged.planned == 2 * len(small_day().frames)


def test_one_run_is_nothing_to_merge(crew: dict[str, Path]) -> None:
    """A single run is refused rather than printed as if it were several."""
    with pytest.raises(UsageError, match="two or more"):
        merge_runs([crew["ridge"]])


def test_different_eclipses_are_warned_of(crew: dict[str, Path], day: Day, tmp_path: Path) -> None:
    """Runs whose contacts lie on different days are not of one eclipse; twelve hours apart may be one."""
    # 2027-08-02 for the invented day of these tests; 1 817 000 000 s of POSIX time are 2027-07-31
    other = day.write(tmp_path, day.good())
    joint = merge_runs([crew["ridge"], crew["plain"], other])
    (warning,) = [one for one in joint.warnings if "different eclipses" in one]
    assert f"{other.name}: 2027-08-02" in warning
    assert "ridge, plain: 2027-07-31" in warning
    assert not [one for one in merged(crew).warnings if "eclipses" in one]


def test_an_altered_run_is_named_and_comes_first(crew: dict[str, Path], tmp_path: Path) -> None:
    """What is wrong with one journal is said of that run, before the others, and leaves theirs sound."""
    bad = shutil.copytree(crew["ridge"], tmp_path / "bad")
    journal = bad / "journal.jsonl"
    lines = journal.read_bytes().splitlines(keepends=True)
    lines[5] = lines[5].replace(b'"kind"', b'"Kind"')
    journal.write_bytes(b"".join(lines))
    joint = merge_runs([crew["plain"], crew["boat"], bad])
    assert [run.sound for run in joint.runs] == [True, True, False]
    text = merging.to_text(joint)
    assert text.index("bad (") < text.index("DO NOT TRUST THIS ACCOUNT") < text.index("plain (")
    assert text.count("DO NOT TRUST") == 1


def test_each_run_is_audited_on_its_own(crew: dict[str, Path], day: Day, tmp_path: Path) -> None:
    """A contradiction in one run stands under its name, word for word as its own audit has it."""
    records = [record for record in day.good() if record["kind"] != Kind.FILTER_SAID]
    records = Day.numbered(records)
    broken = day.write(tmp_path, records)
    found = audit(day.timeline, records)
    assert found
    joint = merge_runs([crew["ridge"], broken])
    assert [run.account.contradictions for run in joint.runs] == [(), tuple(found)]
    data = merging.to_merged_json(joint)
    assert [run["sound"] for run in data["runs"]] == [True, False]
    assert data["sound"] is False
    text = merging.to_text(joint, 400)
    assert text.index(broken.name) < text.index(found[0]) < text.index("\nridge (")


def _run(day: Day, base: Path, name: str, clock: str, *more: dict[str, Any]) -> Path:
    """A real run of the invented day, as its journal may tell it."""
    records = [
        {**one, "mode": "run", "clock": clock, "operator": name} if one["kind"] == Kind.RUN_BEGAN else one
        for one in day.good()
    ]
    return day.write(base / name, Day.numbered([*records[:-1], *more, records[-1]])).rename(
        base / f"{name}-run"
    )


@pytest.mark.parametrize(
    ("clocks", "told"),
    [
        (("clock kept by a time service", "clock kept by a time service"), []),
        (("clock kept by chrony, offset +0.000020 s", "clock kept by chrony, offset -0.003000 s"), []),
        (("clock kept by chrony, offset +0.400000 s", "clock kept by chrony, offset -0.003000 s"), ["off by one-run"]),
        (("clock kept by a time service", "clock NOT kept by a time service"), ["two-run was not kept"]),
        (("clock kept by a time service", "pretended clock, set to C2"), ["two-run went by a pretended clock"]),
    ],
)  # fmt: skip
def test_clocks_known_to_differ_are_warned_of(
    day: Day, tmp_path: Path, clocks: tuple[str, str], told: list[str]
) -> None:
    """What the runs kept of their clocks is set beside each other, and a known difference is said."""
    paths = [_run(day, tmp_path, name, clock) for name, clock in zip(("one", "two"), clocks, strict=True)]
    joint = merge_runs(paths)
    of_clocks = [one for one in joint.warnings if "clock" in one]
    assert len(of_clocks) == len(told)
    for words in told:
        assert words in of_clocks[0]
    text = merging.to_text(joint, 300)
    for clock in clocks:
        assert f"Clock: {clock}" in text


def test_a_clock_that_stepped_is_warned_of(day: Day, tmp_path: Path) -> None:
    """A step during a run tells by how much its clock had been off."""
    step = day.record(Kind.CLOCK_STEPPED, 60, step_s=-1.25)
    joint = merge_runs([_run(day, tmp_path, "one", "kept", step), _run(day, tmp_path, "two", "kept")])
    (warning,) = [one for one in joint.warnings if "stepped" in one]
    assert warning.startswith("one-run: ")
    assert "-1.25 s" in warning


def test_the_text_sets_contacts_and_constants_beside_each_other(
    crew: dict[str, Path], tmp_path: Path
) -> None:
    """Each run's contacts stand in one table, and what each computed them with under its name."""
    moved = replace(
        renamed(small_day(), lambda rig: f"{rig} 2"),
        contacts_utc_ns={name: UtcNs(t + 3 * NS_PER_S) for name, t in small_day().contacts_utc_ns.items()},
        contacts_note="made up with another radius", site_name="valley",
    )  # fmt: skip
    text = merging.to_text(merge_runs([crew["ridge"], rehearse(tmp_path / "low", "prompt", moved)]), 100)
    rows = {
        line.split()[0]: line.split() for line in text.split("Contacts that each run")[1].splitlines() if line
    }
    c2 = small_day().contacts_utc_ns[ContactName.C2]
    assert rows["ridge"][2] == utc_iso(c2, 1)[11:-1]
    assert rows["low"][2] == utc_iso(c2 + 3 * NS_PER_S, 1)[11:-1]
    assert "made up with another radius" in text
    assert "low, valley" in text
    assert max(len(line) for line in text.splitlines()) <= 100


def test_json_has_each_account_whole(crew: dict[str, Path]) -> None:
    """The JSON holds the runs' own accounts, the names of their rigs, and the happenings in order."""
    data = json.loads(json.dumps(merging.to_merged_json(merged(crew))))
    assert [run["run"] for run in data["runs"]] == list(HABITS)
    for run in data["runs"]:
        assert run["account"] == json.loads(json.dumps(to_json_dict(make_account(crew[run["run"]]))))
    assert data["totals"]["planned"] == sum(run["account"]["totals"]["planned"] for run in data["runs"])
    assert data["totals"]["fired"] < data["totals"]["planned"]
    assert data["must_shots"]["whole"] < data["must_shots"]["planned"]
    assert [h["at_utc"] for h in data["happenings"]] == sorted(h["at_utc"] for h in data["happenings"])
    assert {h["rig"] for h in data["happenings"] if h["run"] == "boat"} == {"boat/long", "boat/wide"}


def test_the_command_joins_runs(crew: dict[str, Path], tmp_path: Path) -> None:
    """`merge A B C` prints the joint account; --csv and --json go with it."""
    paths = [str(path) for path in crew.values()]
    done = holdfire("merge", *paths, "--csv", "all.csv", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("3 runs")
    with (tmp_path / "all.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    joint = merged(crew)
    assert len(rows) == joint.planned
    assert [(row["run"], row["frame_id"], row["rig"]) for row in rows] == [
        (run.name, frame.frame.frame_id, f"{run.name}/{frame.frame.rig}") for run, frame in joint.frames()
    ]
    data = as_json(holdfire("merge", "--json", *paths, cwd=tmp_path))
    assert data == json.loads(json.dumps(merging.to_merged_json(joint)))


def test_wrong_use_is_told_in_one_line(crew: dict[str, Path], tmp_path: Path) -> None:
    """One run to merge, one given twice, a folder that is none and a file that cannot be, end in one line."""
    one, other, _ = (str(path) for path in crew.values())
    for words, code, told in (
        ([one], 2, "two or more"),
        ([one, one], 2, "same journal"),
        ([one, str(tmp_path)], 6, "no folder of a run"),
        ([one, other, "--csv", "no/such/all.csv"], 6, "cannot be written"),
        ([one, other, "--html", "no/such/all.html"], 6, "the page cannot be written"),
        ([one, other, "--markdown", "no/such/all.md"], 6, "the Markdown cannot be written"),
    ):
        done = holdfire("merge", *words, cwd=tmp_path)
        assert done.returncode == code, done.stdout
        assert told in done.stderr
        assert len(done.stderr.strip().splitlines()) == 1
