"""Profiles that a plan names: where they are looked for, what is taken from them, and which are refused."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from controller.errors import PlanError
from controller.gear.profile import CameraProfile, parse_profile
from controller.plan.bodies import bodies_of
from controller.plan.loading import load_plan

BASE = (Path(__file__).parent / "base.yaml").read_text(encoding="utf-8")
WIDE = "  - name: wide\n    camera:\n      driver: simulated\n"
PROFILE: dict[str, Any] = {
    "holdfire_profile": 1,
    "model": "Twin-lens of our own",
    "measured_utc": "2027-03-01T18:00:00Z",
    "frames": 76,
    "invented": False,
    "frame_gap": {"median_s": 0.31, "least_s": 0.3, "greatest_s": 0.4, "measurements": 6},
    "setting_time": {"median_s": 0.02, "least_s": 0.01, "greatest_s": 0.05, "measurements": 6},
    "write_time": {"median_s": 0.7, "least_s": 0.6, "greatest_s": 2.0, "measurements": 9},
    "buffer_frames": 17,
    "word_delay": {"median_s": 0.2, "least_s": 0.1, "greatest_s": 0.3, "measurements": 8},
    "release_lag_s": 0.0834567,
}

Named = Callable[..., Path]


@pytest.fixture
def named(tmp_path: Path) -> Named:
    """A plan in a folder of its own whose wide rig names a profile in another one."""

    def make(
        content: bytes | None = None, *, more: str = "", driver: str = "simulated", **changes: object
    ) -> Path:
        (tmp_path / "gear").mkdir()
        (tmp_path / "plans").mkdir()
        content = json.dumps({**PROFILE, **changes}).encode() if content is None else content
        (tmp_path / "gear" / "twin.json").write_bytes(content)
        path = tmp_path / "plans" / "plan.yaml"
        camera = WIDE.replace("simulated", driver) + "      profile: ../gear/twin.json\n" + more
        assert BASE.count(WIDE) == 1
        path.write_text(BASE.replace(WIDE, camera), encoding="utf-8")
        return path

    return make


def test_figures_come_from_the_plan_then_the_profile_then_the_driver(named: Named) -> None:
    """The plan's frame gap stands over the measured one; what the profile lacks is the simulated camera's."""
    loaded = load_plan(named(more="      frame_gap: 250 ms\n", setting_time=None))
    assert loaded.profiles["wide"].measured.model == "Twin-lens of our own"
    bodies = bodies_of(loaded)
    wide = bodies["wide"]
    assert (wide.frame_gap_s, wide.setting_time_s, wide.write_time_s) == (0.25, 0.1, 0.7)
    assert (wide.release_lag_s, wide.buffer_frames, wide.card_frames) == (0.084, 17, 4000)
    assert (bodies["long"].write_time_s, bodies["long"].buffer_frames) == (0.4, 30)


def test_times_that_must_not_be_too_short_are_the_greatest_measured(named: Named) -> None:
    """Frame gap and setting time of a plan are the greatest that were measured, the write time the median."""
    wide = bodies_of(load_plan(named()))["wide"]
    assert (wide.frame_gap_s, wide.setting_time_s, wide.write_time_s) == (0.4, 0.05, 0.7)


def test_a_profile_is_looked_for_beside_the_plan_or_where_it_is_said_to_lie(
    named: Named, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The way counts from the plan's folder, not from where one stands; a kept copy may stand in for it."""
    path = named()
    monkeypatch.chdir(tmp_path)
    kept = tmp_path / "kept.json"
    kept.write_bytes(json.dumps({**PROFILE, "buffer_frames": 3}).encode())
    assert load_plan("plans/plan.yaml").profiles["wide"].measured.buffer_frames == 17
    loaded = load_plan(path, lambda number, name: kept)
    assert loaded.profiles["wide"].measured.buffer_frames == 3
    assert loaded.profiles["wide"].content == kept.read_bytes()


@pytest.mark.parametrize(
    ("content", "changes", "why"),
    [
        (b"{", {}, "it is no JSON"),
        (b"\xff\xfe\x00", {}, "it is no JSON"),
        (b"[1]", {}, "it does not begin as a profile does, with holdfire_profile"),
        (b'{"model": "X"}', {}, "it does not begin as a profile does, with holdfire_profile"),
        (
            None,
            {"holdfire_profile": 2},
            "it is written in another version of the format, and only 1 is understood",
        ),
        (None, {"frame_gap": None}, "it does not fit: frame_gap has a value that cannot be"),
        (None, {"buffer_frames": "17"}, "it does not fit: buffer_frames has a value that cannot be"),
        (None, {"release_lag_s": -1}, "it does not fit: release_lag_s has a value that cannot be"),
        (None, {"measured_utc": "2027-03-01"}, "it does not fit: measured_utc has a value that cannot be"),
        (None, {"speed": 1}, "it does not fit: speed does not belong there"),
        (
            None,
            {"frame_gap": {**PROFILE["frame_gap"], "median_s": 0.1}},
            "it does not fit: frame_gap has a value that cannot be",
        ),
        (
            None,
            {"frame_gap": {"median_s": 0.1, "least_s": 0.1, "greatest_s": 0.1}},
            "it does not fit: frame_gap.measurements is missing",
        ),
        (b" " * 100_001, {}, "it has 100001 bytes, far more than a profile"),
    ],
)
def test_what_is_no_profile_is_refused_in_one_line(
    named: Named, content: bytes | None, changes: dict[str, object], why: str
) -> None:
    """Each is told at the key's value, with the reason and the way to mend it, and nothing is guessed."""
    path = named(content, **changes)
    with pytest.raises(PlanError) as caught:
        load_plan(path)
    (fault,) = caught.value.faults
    assert (fault.line, fault.column, fault.severity) == (29, 16, "error")
    assert fault.what == f'The profile "../gear/twin.json" cannot be used: {why}.'
    mend = "correct its name" if "bytes" in why else "measure the rig's own camera with holdfire calibrate"
    assert fault.mend.startswith(mend)


def test_a_folder_is_no_profile(named: Named, tmp_path: Path) -> None:
    """What cannot be a file is refused before it is read."""
    path = named()
    (tmp_path / "gear" / "twin.json").unlink()
    (tmp_path / "gear" / "twin.json").mkdir()
    with pytest.raises(
        PlanError, match=r'"\.\./gear/twin\.json" cannot be used: it is no regular file\. Mend:'
    ):
        load_plan(path)


def test_an_invented_profile_is_not_for_a_real_camera(named: Named) -> None:
    """What was measured on a camera that does not exist says nothing of the one on the cable."""
    path = named(driver="tethered", invented=True)
    with pytest.raises(PlanError) as caught:
        load_plan(path)
    assert str(caught.value) == (
        f'{path}:29:16: error: Rig "wide" is tethered, and its profile was measured on a camera that is not real, '
        '"Twin-lens of our own". Mend: measure the rig\'s own camera with holdfire calibrate, or leave profile out.'
    )


def test_a_tethered_rig_without_times_is_warned_of(named: Named) -> None:
    """Neither a profile nor a time of its own: a warning at its camera. Either of them: none."""
    path = named(driver="tethered")
    assert load_plan(path).warnings == ()
    bare = path.read_text().replace("      profile: ../gear/twin.json\n", "")
    path.write_text(bare)
    (fault,) = load_plan(path).warnings
    assert (fault.line, fault.column, fault.severity) == (27, 5, "warning")
    assert "nobody has measured its camera" in fault.what
    path.write_text(bare.replace("driver: tethered", "driver: tethered\n      write_time: 1 s"))
    assert load_plan(path).warnings == ()


def test_a_profile_reads_back_as_it_was_written() -> None:
    """What calibrate writes is what planning reads."""
    profile = parse_profile(json.dumps(PROFILE).encode())
    assert parse_profile(profile.model_dump_json(indent=2).encode()) == profile
    assert isinstance(profile, CameraProfile)
