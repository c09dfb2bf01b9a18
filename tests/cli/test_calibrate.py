"""``holdfire calibrate`` at the command line: who may fire, what it writes, what it says."""

from __future__ import annotations

import json
from pathlib import Path
from types import SimpleNamespace

import pytest
from typer.testing import CliRunner

from controller.cameras import calibrating
from controller.cli import calibrate
from controller.cli.app import app
from controller.errors import CameraError, OperatorError, UsageError
from controller.gear.profile import parse_profile
from controller.plan.bodies import bodies_of
from controller.plan.loading import load_plan
from tests.timeline.building import FILTERED_PLAN


class _Closed:
    """Standard input of a terminal that has gone."""

    def isatty(self) -> bool:
        return True

    def readline(self) -> str:
        return ""


def test_a_real_camera_is_not_fired_without_a_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    """With nobody there, no camera is even opened."""
    monkeypatch.setattr(calibrate, "LiveBench", lambda spec: pytest.fail("a camera was opened"))
    result = CliRunner().invoke(app, ["calibrate", "--match", "any"])
    assert isinstance(result.exception, OperatorError)
    assert "only when somebody is there" in str(result.exception)


def test_a_closed_terminal_is_not_the_operators_word(monkeypatch: pytest.MonkeyPatch) -> None:
    """The end of the input is not Enter."""
    monkeypatch.setattr(calibrate, "LiveBench", lambda spec: pytest.fail("a camera was opened"))
    monkeypatch.setattr("sys.stdin", _Closed())
    monkeypatch.setattr("sys.stderr.isatty", lambda: True, raising=False)
    with pytest.raises(OperatorError, match="no frame was fired"):
        calibrate.measure(
            None, None, virtual=False, simulated=False, frames=20, release_lag_s=None, as_json=False
        )


@pytest.mark.waits
def test_the_simulated_camera_is_measured_and_its_profile_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The profile is written, marked as invented, printed as JSON, and never written over."""
    monkeypatch.setattr(calibrating, "_SETTLE_S", 0.0)
    path = tmp_path / "practice.json"
    asked = ["calibrate", "--simulated", "--frames", "10", "--json", "-o", str(path)]
    result = CliRunner().invoke(app, asked)
    assert result.exit_code == 0, result.output
    printed = json.loads(result.stdout)
    found = parse_profile(path.read_bytes())
    assert found.invented
    assert printed["profile"] == str(path)
    assert printed["frame_gap"]["median_s"] == found.frame_gap.median_s >= 0.5
    assert "is there already" in str(CliRunner().invoke(app, asked).exception)


@pytest.mark.waits
def test_what_calibrate_writes_is_what_a_plan_takes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It tells the one line to write under camera; with that line the plan's times are those in the file."""
    monkeypatch.setattr(calibrating, "_SETTLE_S", 0.0)
    path = tmp_path / "practice.json"
    result = CliRunner().invoke(app, ["calibrate", "--simulated", "--frames", "10", "-o", str(path)])
    (line,) = [line for line in result.stdout.splitlines() if line.strip().startswith("profile:")]
    plan = tmp_path / "plan.yaml"
    plan.write_text(
        FILTERED_PLAN.replace("camera: {driver: simulated}", "camera:\n      driver: simulated\n" + line)
    )
    found = parse_profile(path.read_bytes())
    frame_gap_s = bodies_of(load_plan(plan))["long"].frame_gap_s
    assert found.frame_gap.greatest_s <= frame_gap_s < found.frame_gap.greatest_s + 0.001


@pytest.mark.parametrize(
    ("options", "what"),
    [
        (["--simulated", "--virtual-camera"], "Only one camera"),
        (["--simulated", "--match", "X"], "chooses among real cameras"),
        (["--simulated", "--frames", "3"], "--frames must be"),
        (["--simulated", "--release-lag", "-1"], "--release-lag must be"),
    ],
)
def test_options_that_cannot_be_are_refused(options: list[str], what: str) -> None:
    """Each wrong use is one line with its mend, and nothing is fired."""
    error = CliRunner().invoke(app, ["calibrate", *options]).exception
    assert isinstance(error, UsageError)
    assert what in str(error)


def test_a_real_camera_that_answers_for_the_virtual_one_is_not_fired(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Whatever the driver opens, only a camera that says it is not real is fired without Enter."""
    facts = SimpleNamespace(simulated=False, by_hand=(), model="real")
    bench = SimpleNamespace(facts=facts, close=lambda: None)
    monkeypatch.setattr(calibrate, "LiveBench", lambda spec: bench)
    monkeypatch.setattr(calibrate, "calibrate", lambda *_, **__: pytest.fail("frames were fired"))
    error = CliRunner().invoke(app, ["calibrate", "--virtual-camera"]).exception
    assert isinstance(error, CameraError)
