"""`rehearse --live` and `practice`: how late the words were, at the command line."""

from __future__ import annotations

from pathlib import Path

from controller.account.practice import find_practices
from controller.journal.folder import RunFolder
from tests.account.conftest import Day
from tests.account.test_practice import practised
from tests.cli.command import SAMPLES, as_json, holdfire, only_run
from tests.operator.test_tmux import PLAN


def made(tmp_path: Path, count: int = 2) -> RunFolder:
    """A folder of runs with so many rehearsals, a second later each time; the last of them."""
    day = Day()
    for number in range(count):
        folder = practised(tmp_path / "runs", day, [(84.0 + number, "off", None)], number=number)
    return folder


def test_live_rehearsal_tells_how_late_the_words_were(tmp_path: Path) -> None:
    """A live rehearsal in which nobody says anything ends with its hold as never said; the JSON stands alone."""
    (tmp_path / "short.yaml").write_text(PLAN)
    words = (
        "rehearse",
        "short.yaml",
        "--live",
        "--plain",
        "--silent",
        "--no-page",
        "--from",
        "7 s after C3",
        "--json",
    )
    done = holdfire(*words, cwd=tmp_path)
    told = as_json(done)["practice"]
    assert "the filter is no longer asked to be ON" in done.stderr  # what happens is told beside the JSON
    (word,) = told["days"][0]["practices"][0]["words"]
    assert (word["rig"], word["needs"], word["outcome"]) == ("long", "on", "never said")
    (day,) = find_practices(tmp_path / "runs").days
    assert day.newest.folder == only_run(tmp_path / "runs").name


def test_live_is_the_opposite_of_fast(tmp_path: Path) -> None:
    """Both at once, or a live day among made-up ones, is refused in one line."""
    for other in (("--fast",), ("--days", "5")):
        done = holdfire("rehearse", str(SAMPLES / "total_2027.yaml"), "--live", *other, cwd=tmp_path)
        assert done.returncode == 2
        assert "--live" in done.stderr
        assert len(done.stderr.splitlines()) == 1


def test_scripted_rehearsal_is_no_practice(tmp_path: Path) -> None:
    """After a rehearsal that a script attended nothing is said of words, and none is counted."""
    plan = str(SAMPLES / "total_2027.yaml")
    done = holdfire("rehearse", plan, "--fast", "--json", cwd=tmp_path)
    assert "practice" not in as_json(done)
    told = as_json(holdfire("practice", "--json", cwd=tmp_path))
    assert (told["days"], told["left_out"]) == ([], [])


def test_practice_again(tmp_path: Path) -> None:
    """The folder of runs, left out or named, and one run in it, tell the same; a plan for another day tells nothing."""
    one = made(tmp_path)
    told = holdfire("practice", cwd=tmp_path).stdout
    assert "In all 2: 2 in time, 0 late, 0 never said." in told
    assert holdfire("practice", "runs", cwd=tmp_path).stdout == told
    assert holdfire("practice", str(one.path), cwd=tmp_path).stdout == told
    other = holdfire("practice", str(SAMPLES / "total_2027.yaml"), cwd=tmp_path)
    assert "Nothing was practised yet" in other.stdout


def test_practice_draws(tmp_path: Path) -> None:
    """The picture is written in the format that its name asks for; another one is refused."""
    made(tmp_path)
    assert holdfire("practice", "--picture", "words.svg", cwd=tmp_path).returncode == 0
    assert "<svg" in (tmp_path / "words.svg").read_text()
    nothing = holdfire(
        "practice", str(SAMPLES / "total_2027.yaml"), "--picture", "no_words.svg", cwd=tmp_path
    )
    assert nothing.stdout.endswith("No word was practised, so no_words.svg is not drawn.\n")
    assert not (tmp_path / "no_words.svg").exists()
    refused = holdfire("practice", "--picture", "words.txt", cwd=tmp_path)
    assert (refused.returncode, len(refused.stderr.splitlines())) == (2, 1)


def test_practice_without_a_folder(tmp_path: Path) -> None:
    """No folder of runs is one line, not an empty page."""
    refused = holdfire("practice", cwd=tmp_path)
    assert refused.returncode == 2
    assert "rehearse with --live" in refused.stderr
