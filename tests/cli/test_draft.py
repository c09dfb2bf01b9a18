"""`draft` as it is used: what it asks, what it writes, and that the other commands take it from there."""

from __future__ import annotations

import datetime as dt
import os
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from controller.cameras.protocol import CameraFacts, CameraStatus
from controller.cli import draft, runs
from controller.cli.app import app
from controller.errors import UsageError
from controller.plan.loading import load_plan
from controller.units import Wanted
from tests.cli.command import as_json, holdfire

GOLDEN = Path(__file__).parent / "golden" / "drafted_total.yaml"
PLACE = ("--lat", "36.12 N", "--lon", "5.72 W", "--elevation", "150", "--date", "2027-08-02")
LENS = ("--camera", "APS-C 24 MP", "--focal-length", "400", "--aperture", "f/5.6")
GEAR = (*LENS, "--mount", "fixed")


def test_a_draft_reads_as_it_did(tmp_path: Path) -> None:
    """The whole text of one draft, compared with the one that was read through and found good.

    With HOLDFIRE_GOLDEN=write in the environment it is written anew, to be read through again.
    """
    done = holdfire(
        "draft", *PLACE, *GEAR, "--place", "Kestrel Hill", "--wide", "20", "-o", "-", cwd=tmp_path
    )
    assert done.returncode == 0, done.stderr
    if os.environ.get("HOLDFIRE_GOLDEN") == "write":
        GOLDEN.write_text(done.stdout, encoding="utf-8")
    assert done.stdout == GOLDEN.read_text(encoding="utf-8")
    assert list(tmp_path.iterdir()) == []


def test_the_other_commands_take_it_from_there(tmp_path: Path) -> None:
    """A draft is checked without a warning, fires whole, and gives its exposures and framing."""
    done = holdfire("draft", *PLACE, *GEAR, cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    (path,) = tmp_path.iterdir()
    assert path.name == "eclipse-2027-08-02.yaml"
    assert path.name in done.stdout
    check = as_json(holdfire("check", path.name, "--json", cwd=tmp_path))
    assert check["ok"]
    assert check["warnings"] == []
    (dark,) = check["totality"]
    assert dark["part_used"] >= 0.97
    assert min(dark["must_frames_at_c2"], dark["must_frames_at_c3"]) > 10
    account = as_json(holdfire("rehearse", path.name, "--fast", "--json", cwd=tmp_path))
    assert account["totals"]["fired"] == account["totals"]["planned"] > 300
    assert "prominences" in holdfire("exposures", path.name, cwd=tmp_path).stdout
    framing = as_json(holdfire("framing", path.name, "--json", cwd=tmp_path))
    assert framing["rigs"][0]["aiming"]["lost"] in ("", None)


def test_a_file_is_never_overwritten_unless_forced(tmp_path: Path) -> None:
    """What is there stays, byte for byte; `--force` writes over it."""
    path = tmp_path / "mine.yaml"
    path.write_text("my own work\n")
    done = holdfire("draft", *PLACE, *GEAR, "-o", "mine.yaml", cwd=tmp_path)
    assert done.returncode == 2
    assert "is there already" in done.stderr
    assert path.read_text() == "my own work\n"
    assert holdfire("draft", *PLACE, *GEAR, "-o", "mine.yaml", "--force", cwd=tmp_path).returncode == 0
    assert load_plan(path).plan.eclipse == dt.date(2027, 8, 2)


def test_what_is_missing_is_said_in_one_line(tmp_path: Path) -> None:
    """Without a terminal nothing is asked: the options that are missing are named."""
    done = holdfire("draft", *PLACE, "--camera", "APS-C 24 MP", cwd=tmp_path)
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    for option in ("--focal-length", "--aperture", "--mount"):
        assert option in done.stderr
    assert "--lat" not in done.stderr
    assert list(tmp_path.iterdir()) == []


def test_questions_are_asked_until_they_are_answered(tmp_path: Path) -> None:
    """With `--ask` each answer is checked as it comes, defaults are taken, classes are chosen by number."""
    answers = "36.12 N\n5,72 W\n5.72 W\n\n3\n400\nf/5.6\n1.4\n\nwobbly\ntracking\n"
    answers += "02.08.2027\n2027-08-02\ncomets\nearthshine\n"
    done = holdfire("draft", "--ask", "-o", "plan.yaml", cwd=tmp_path, stdin=answers)
    assert done.returncode == 0, done.stderr
    assert '"5,72 W" is no longitude' in done.stderr
    assert '"wobbly" is no mount' in done.stderr
    assert '"02.08.2027" is no date' in done.stderr
    assert '"comets" is nothing to want' in done.stderr
    plan = load_plan(tmp_path / "plan.yaml").plan
    rig = plan.rigs[0]
    assert plan.eclipse == dt.date(2027, 8, 2)
    wanted = {shot.name: shot.wanted for phase in plan.phases for shot in phase.shots}
    assert wanted["earthshine on the Moon"] is Wanted.MUST
    assert (plan.site.latitude, plan.site.longitude, plan.site.elevation) == (36.12, -5.72, 0.0)
    assert (rig.optics.sensor, rig.optics.focal_length, rig.optics.teleconverter) == ("APS-C 24 MP", 400, 1.4)
    assert (rig.mount, rig.filter and rig.filter.density) == ("tracking", 5.0)


def test_questions_nobody_answers_end_it(tmp_path: Path) -> None:
    """When the answers run out there is one clear line and no file."""
    done = holdfire("draft", "--ask", "-o", "plan.yaml", cwd=tmp_path, stdin="36.12 N\n")
    assert done.returncode == 2
    assert "Nobody answered" in done.stderr
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--lat", "96"), "--lat"),
        (("--camera", "APS-C 24"), "APS-C 24 MP"),
        (("--camera", "23.5 mm x 15.6 mm"), "goes by a class"),
        (("--aperture", "f5,6"), "--aperture"),
        (("--filter-density", "2"), "--filter-density"),
        (("--mount", "drunk"), "fixed or tracking"),
        (("--date", "2027-08-03x"), "no date"),
        (("--zone", "Europe/Nowhere"), "no time zone"),
        (("--haze", "soup"), "no kind of air"),
        (("--want", "comets"), "nothing to want"),
        (("--spacing", "odd"), "time or area"),
        (("--long-side", "askew"), "level or upright"),
        (("--corona", "30"), "--corona"),
        (("--crescents", "0"), "--crescents"),
        (("--iso", "123456"), "does not list it"),
        (("--card", "5", "--date", "2026-08-12"), "too small"),
        (("--frame-gap", "soon"), "--frame-gap"),
        (("--battery", "big"), "--battery"),
        (("--wide", "wide"), "--wide"),
        (("-o", "nowhere/plan.yaml"), "cannot be written"),
        (("--lat", "-40", "--lon", "175"), "sees nothing"),
    ],
)
def test_what_cannot_be_meant_is_refused_in_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...], said: str
) -> None:
    """Each slip is one line that says what and how to mend it; nothing is written."""
    monkeypatch.chdir(tmp_path)
    error = CliRunner().invoke(app, ["draft", *PLACE, *GEAR, "-o", "plan.yaml", *words]).exception
    assert isinstance(error, UsageError)
    assert said in str(error)
    assert "Mend:" in str(error)
    assert "\n" not in str(error)
    assert list(tmp_path.iterdir()) == []


def test_json_says_what_the_draft_comes_to(tmp_path: Path) -> None:
    """The figures of the summary, for programs."""
    found = as_json(holdfire("draft", *PLACE, *GEAR, "--people", "35", "--json", cwd=tmp_path))
    assert found["file"] == "eclipse-2027-08-02.yaml"
    assert (tmp_path / found["file"]).exists()
    assert found["kind"] == "total"
    assert found["frames"].keys() == {"long", "people"}
    assert found["totality"][0]["part_used"] >= 0.97
    assert 0.1 < found["longest_exposure_on_the_tripod_s"] < 1
    assert found["aimings"]["long"] > 5
    assert found["notes"] == []


def test_a_lens_with_one_aperture_is_written_down(tmp_path: Path) -> None:
    """An f-number that no camera lists (a fast lens) is what the plan says the lens has."""
    words = ("--camera", "APS-C 24 MP", "--focal-length", "105", "--aperture", "f/2", "--mount", "tracking")
    assert holdfire("draft", *PLACE, *words, "-o", "fast.yaml", cwd=tmp_path).returncode == 0
    assert load_plan(tmp_path / "fast.yaml").plan.rigs[0].camera.apertures == [2]


def facts(**changes: Any) -> CameraFacts:
    """What a probe of an invented body finds."""
    half = [
        1 / 4000,
        1 / 2000,
        1 / 1000,
        1 / 500,
        1 / 250,
        1 / 125,
        1 / 60,
        1 / 30,
        1 / 15,
        1 / 8,
        0.25,
        0.5,
        1.0,
        2.0,
    ]
    found: dict[str, Any] = {
        "model": "Practice body", "port": "usb:001,002", "shutter_s": tuple(half), "f_numbers": (5.6, 8.0, 11.0),
        "isos": (200, 400, 800, 1600), "status": CameraStatus(frames_left=900),
    }  # fmt: skip
    return CameraFacts(**(found | changes))


def drafted(tmp_path: Path, **changes: Any) -> Path:
    """The file of a draft for an attached camera, made in this process."""
    answers = {
        "lat": "36.12", "lon": "-5.72", "elevation": "150", "camera": "APS-C 24 MP", "focal-length": "400",
        "aperture": "8", "teleconverter": None, "filter-density": None, "mount": "tracking",
    }  # fmt: skip
    path = tmp_path / "plan.yaml"
    draft.command(
        answers, draft.Extras(date="2027-08-02", **changes), attached=True, ask=False, out=path, force=False,
        ephemeris=None, as_json=False,
    )  # fmt: skip
    return path


def test_an_attached_camera_is_taken_as_it_is(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The plan works the cable, lists what the camera lists, uses nothing else, and keeps to its card."""
    found = facts()
    monkeypatch.setattr(runs, "probe_attached", lambda: [found])
    plan = load_plan(drafted(tmp_path)).plan
    rig = plan.rigs[0]
    assert rig.camera.driver == "tethered"
    assert rig.camera.shutter_speeds == pytest.approx(list(found.shutter_s))
    assert rig.camera.isos == list(found.isos)
    assert rig.camera.card_frames == 900
    assert rig.iso == 200


@pytest.mark.parametrize("attached", [[], [facts(), facts(port="usb:001,003")]])
def test_one_camera_has_to_be_attached(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, attached: list[CameraFacts]
) -> None:
    """With none, or more than one, nobody guesses."""
    monkeypatch.setattr(runs, "probe_attached", lambda: attached)
    with pytest.raises(UsageError, match=r"attached\. Mend:"):
        drafted(tmp_path)
    assert list(tmp_path.iterdir()) == []
