"""The profiles that a run was planned with go with it, whatever becomes of the files they came from."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from controller.cameras.simulated import SimulatedDevice
from controller.cli.app import app
from controller.gear.body import CameraBody
from controller.journal.folder import RunFolder, verify
from controller.plan.loading import load_plan
from tests.live.test_real_time import BENCH
from tests.plan.test_profiles import PROFILE


def _rehearse(plan: Path, base: Path) -> RunFolder:
    words = ["rehearse", str(plan), "--fast", "--operator", "prompt", "--runs", str(base), "--json"]
    result = CliRunner().invoke(app, words)
    assert result.exit_code == 0, result.output
    (path,) = base.iterdir()
    return RunFolder.open(path)


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    """A plan whose one rig goes by a profile beside it."""
    (tmp_path / "twin.json").write_text(json.dumps(PROFILE))
    path = tmp_path / "plan.yaml"
    written = BENCH.replace("driver: DRIVER", "driver: simulated, profile: twin.json")
    assert "profile" in written
    path.write_text(written)
    return path


def test_a_run_goes_by_its_own_copy_of_the_profile(
    plan: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The folder has the very file, the first record its digest; going on needs the original no more."""
    folder = _rehearse(plan, tmp_path / "runs")
    content = (tmp_path / "twin.json").read_bytes()
    assert folder.profile_path(0).read_bytes() == content
    digest = hashlib.sha256(content).hexdigest()
    assert folder.read().records[0]["profiles_sha256"] == {"profile-1.json": digest}
    assert verify(folder.path).trusted
    (tmp_path / "twin.json").unlink()
    plan.unlink()
    # A run that broke off: its journal ends after some records.
    lines = folder.journal_path.read_bytes().splitlines(keepends=True)
    folder.journal_path.write_bytes(b"".join(lines[: len(lines) // 2]))
    seen: list[CameraBody] = []
    device = SimulatedDevice.__init__

    def watched(self: SimulatedDevice, body: CameraBody, *more: Any, **named: Any) -> None:
        seen.append(body)
        device(self, body, *more, **named)

    monkeypatch.setattr(SimulatedDevice, "__init__", watched)
    result = CliRunner().invoke(app, ["resume", str(folder.path), "--fast", "--operator", "prompt", "--json"])
    assert folder.read().closed, result.output
    assert {(body.buffer_frames, body.release_lag_s, body.write_time_s) for body in seen} == {
        (17, 0.084, 0.2)
    }


def test_a_plan_without_profiles_has_none_in_its_run(plan: Path, tmp_path: Path) -> None:
    """No file is made up, and the record says that there is none."""
    plan.write_text(plan.read_text().replace(", profile: twin.json", ""))
    folder = _rehearse(plan, tmp_path / "runs")
    assert list(folder.path.glob("profile*")) == []
    assert folder.read().records[0]["profiles_sha256"] == {}
    assert load_plan(folder.plan_path).profiles == {}
