"""The project as a whole: what lies where, and whether the documents say what the program does."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import tomllib
from pathlib import Path
from typing import Any

import pytest
from pydantic import BaseModel
from typer.testing import CliRunner

from controller import errors
from controller.cameras.simulated import SimFaultKind
from controller.cli import ready, runs
from controller.cli.app import EXIT_CODES, app
from controller.plan import model
from controller.timeline.model import Timeline
from tests.cli.command import holdfire

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DOCUMENTS = ("README.md", "DEVELOPERS.md", "SAFETY.md")
COMMANDS = sorted(info.name or info.callback.__name__ for info in app.registered_commands if info.callback)
SECTIONS: dict[str, type[BaseModel]] = {
    "The plan": model.Plan,
    "`site`": model.SitePlan,
    "`rigs`": model.RigPlan,
    "`camera`": model.CameraPlan,
    "`optics`": model.OpticsPlan,
    "`filter`": model.FilterPlan,
    "`holds`": model.HoldsPlan,
    "`phases`": model.PhasePlan,
    "`shots`": model.ShotPlan,
    "`bracket`": model.BracketPlan,
    "`cues`": model.CuePlan,
}
FORBIDDEN = re.compile(
    "|".join(
        # Written in two pieces each, so that this file does not hold what it looks for.
        first + second
        for first, second in (
            ("/wo", "rk/"), ("/ro", r"ot/"), (r"/ho", r"me/\w"), ("/Us", r"ers/\w"),
            (r"pypi\.", "org"), (r"pythonhosted\.", "org"), (r"\b[Ii]ssue ", r"#?\d"),
        )
    )
)  # fmt: skip


def tracked() -> list[Path]:
    """Every file under version control, relative to the root."""
    listed = subprocess.run(
        ["git", "-c", "safe.directory=*", "ls-files", "-z"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    )
    return [Path(name) for name in listed.stdout.split("\0") if name]


def printed_by(arguments: list[str], folder: Path) -> str:
    """What a command prints on a terminal of 100 columns."""
    done = holdfire(*arguments, cwd=folder)
    return done.stdout + done.stderr


def section(title: str) -> str:
    """The text under a heading of the README, up to the next heading of any level."""
    found = re.search(rf"^#+ {re.escape(title)}\n(.*?)(?=^#+ |\Z)", README, re.MULTILINE | re.DOTALL)
    assert found, f"the README has no heading {title}"
    return found[1]


def first_cells(text: str) -> list[str]:
    """What stands in backticks in the first column of the tables in a text."""
    return re.findall(r"^\| `([^`]+)` +\|", text, re.MULTILINE)


def shown_commands() -> list[Any]:
    """The commands of the README that it shows the output of, each with the lines it shows."""
    blocks = re.findall(r"^```console\n\$ holdfire (.*?)\n(.*?)^```$", README, re.MULTILINE | re.DOTALL)
    return [pytest.param(shlex.split(command), shown, id=command) for command, shown in blocks]


@pytest.mark.skipif(not (ROOT / ".git").exists(), reason="not a checkout")
def test_nothing_strays_at_the_top() -> None:
    """The top level holds the documents, the program, its tests, plans and scripts, and nothing else."""
    assert {path.parts[0] for path in tracked()} == {
        *DOCUMENTS, "LICENSE", "pyproject.toml", ".gitignore", ".ci", "controller", "sample_plans", "scripts",
        "tests",
    }  # fmt: skip


@pytest.mark.skipif(not (ROOT / ".git").exists(), reason="not a checkout")
def test_files_speak_of_the_project_alone() -> None:
    """No file names a place on somebody's machine, a package registry or a ticket."""
    found = []
    for path in tracked():
        try:
            lines = (ROOT / path).read_text(encoding="utf-8").splitlines()
        except UnicodeDecodeError:
            continue  # a picture or a data file
        found += [f"{path}:{number}" for number, line in enumerate(lines, 1) if FORBIDDEN.search(line)]
    assert found == []


def test_forbidden_words_are_found() -> None:
    """The pattern of the test above does find what it is for."""
    for gap, word in (
        ("work", "see /*/a"),
        ("pypi", "from *.org"),
        ("issue", "ends * #12"),
        ("home", "/*/ann/"),
    ):
        assert FORBIDDEN.search(word.replace("*", gap)), word
    assert not FORBIDDEN.search("the work/rest of a homely issue")


@pytest.mark.parametrize(
    "name",
    [f"scripts/{name}" for name in ("setup", "demo", "test", "bench", "lock", "soak")] + [".ci/run"],
)
def test_scripts_can_be_run(name: str) -> None:
    """Every script is executable and bash can parse it."""
    assert os.access(ROOT / name, os.X_OK)
    subprocess.run(["bash", "-n", ROOT / name], check=True)


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_help_and_a_place_in_the_readme(command: str) -> None:
    """Each command explains itself, and the README shows how it is called."""
    result = CliRunner().invoke(app, [command, "--help"])
    assert result.exit_code == 0
    assert "Usage:" in result.output
    assert re.search(rf"holdfire {command}\b", README)


def test_exit_codes_are_documented_as_they_are() -> None:
    """The README's table, the help text and the program's errors name the same exit codes."""
    documented = {int(code) for code in first_cells(section("Exit codes"))}
    helped = {int(code) for code in re.findall(r"(?:: |; )(\d+) ", EXIT_CODES)}
    kinds = [kind for kind in vars(errors).values() if isinstance(kind, type) and issubclass(kind, Exception)]
    raised = {kind.exit_code for kind in kinds if issubclass(kind, errors.HoldfireError)}
    assert documented == helped
    assert raised | {runs.STOPPED_EXIT, runs.MUST_LOST_EXIT, ready.MEND_EXIT, 0, 70, 130} == helped


@pytest.mark.parametrize("title", SECTIONS)
def test_every_key_of_the_plan_is_documented(title: str) -> None:
    """Each section's table in the README has the keys that the program reads, no more and no fewer."""
    keys = [info.alias or name for name, info in SECTIONS[title].model_fields.items()]
    assert sorted(first_cells(section(title))) == sorted(keys)


def test_every_section_of_the_plan_is_listed_here() -> None:
    """No section of the plan is left out of the comparison above."""
    sections = {
        kind for kind in vars(model).values()
        if isinstance(kind, type) and issubclass(kind, BaseModel) and kind.model_fields
    }  # fmt: skip
    assert sections == set(SECTIONS.values())


def test_every_simulated_fault_is_documented() -> None:
    """The README names the faults that a rehearsal can be given."""
    assert sorted(first_cells(section("Faults to rehearse"))) == sorted(SimFaultKind)


def test_the_plan_of_the_readme_can_be_used(tmp_path: Path) -> None:
    """The plan printed in the README passes the check without a warning."""
    (plan,) = re.findall(r"^```yaml\n(holdfire_plan.*?)^```$", README, re.MULTILINE | re.DOTALL)
    (tmp_path / "plan.yaml").write_text(plan, encoding="utf-8")
    assert "no warnings" in printed_by(["check", "plan.yaml"], tmp_path)


@pytest.mark.parametrize(("command", "shown"), shown_commands())
def test_output_in_the_readme_is_real(command: list[str], shown: str, tmp_path: Path) -> None:
    """Each line that the README shows under a command comes, in that order, when the command is given.

    A line of three dots stands for lines left out.
    """
    shutil.copytree(ROOT / "sample_plans", tmp_path / "sample_plans")
    printed = iter(printed_by(command, tmp_path).splitlines())
    for line in shown.splitlines():
        if line != "...":
            assert any(line.split() == real.split() for real in printed), f"not printed there: {line!r}"


def test_the_readme_shows_output() -> None:
    """There are commands to compare: contacts, eclipses, check and a rehearsal at least."""
    shown = {param.values[0][0] for param in shown_commands()}
    assert {"contacts", "eclipses", "check", "rehearse"} <= shown


@pytest.mark.parametrize("name", DOCUMENTS)
def test_paths_named_in_documents_exist(name: str) -> None:
    """Every link to a file, and every path of the project in backticks, leads somewhere."""
    text = (ROOT / name).read_text(encoding="utf-8")
    links = re.findall(r"\]\((?!https?:|#)([^)#]+)", text)
    paths = re.findall(r"`((?:controller|tests|scripts|sample_plans|\.ci)/[\w./-]*)`", text)
    missing = [path for path in {*links, *paths} if not (ROOT / path).exists()]
    assert missing == []


def test_the_layers_are_described_in_their_order() -> None:
    """The contributors' table of layers is the one that the direction of imports is checked by."""
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    (layers,) = [c["layers"] for c in settings["tool"]["importlinter"]["contracts"] if c["type"] == "layers"]
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    table = text.split("## Layout")[1].split("\n## ")[0]
    assert first_cells(table) == layers


@pytest.mark.parametrize("plan", sorted((ROOT / "sample_plans").glob("*.yaml")), ids=lambda path: path.stem)
def test_sample_plans_compile_to_timelines_that_survive_a_file(plan: Path) -> None:
    """Each sample compiles, and its timeline reads back from JSON as it was."""
    from controller.cli.prepare import prepare

    timeline = prepare(plan).compiled.timeline
    assert timeline.frames
    assert Timeline.from_json(timeline.to_json()) == timeline
