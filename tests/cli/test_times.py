"""What `check`, `cameras` and arming say of a camera's times, its profile and what no query sees."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from controller.cameras.profiles import UNSEEN_BY_HAND
from controller.cameras.protocol import CameraFacts, CameraStatus
from controller.cli import runs
from controller.cli.app import app
from controller.cli.prepare import prepare
from tests.plan.test_profiles import PROFILE
from tests.timeline.building import FILTERED_PLAN

TWIN = PROFILE["model"]


def facts(model: str = TWIN, *, simulated: bool = False) -> CameraFacts:
    """A camera on the cable that lists nothing and needs nothing set."""
    return CameraFacts(
        model=model,
        port="usb:001,004",
        shutter_s=(),
        f_numbers=(),
        isos=(),
        status=CameraStatus(),
        simulated=simulated,
    )


@pytest.fixture(autouse=True)
def mean_limb(monkeypatch: pytest.MonkeyPatch) -> None:
    """No grid of lunar heights, whatever this computer has."""
    monkeypatch.setenv("HOLDFIRE_MOON", "none")


def planned(folder: Path, camera: str, **changes: Any) -> Path:
    """A plan with this camera, beside a profile."""
    (folder / "twin.json").write_text(json.dumps({**PROFILE, **changes}))
    text = FILTERED_PLAN.replace("latitude: 10, longitude: 20", "latitude: 36.12, longitude: -5.72")
    path = folder / "plan.yaml"
    path.write_text(
        text.replace("driver: simulated", camera).replace("every: 300 s", "fill: true, until: 3 min after C1")
    )
    return path


def checked(plan: Path, *more: str) -> str:
    """What `check` prints of a plan."""
    result = CliRunner().invoke(app, ["check", str(plan), *more])
    assert result.exit_code == 0, result.exception
    return result.stdout


@pytest.mark.parametrize(
    ("camera", "said"),
    [
        ("driver: simulated", "all the simulated camera's."),
        ("driver: tethered", "all typical, not measured."),
        (
            "driver: tethered, profile: twin.json, write_time: 1 s",
            f"write time as the plan says; frame gap, setting time, release lag, buffer measured on {TWIN}, 2027-03-01.",
        ),
        (
            "driver: tethered, frame_gap: 1 s, setting_time: 1 s, release_lag: 0 s, buffer_frames: 9, write_time: 0 s",
            "all as the plan says.",
        ),
    ],
)
def test_check_says_where_the_times_come_from(tmp_path: Path, camera: str, said: str) -> None:
    """One line a rig, with the model and the date of what was measured; unmeasured ones are warned of."""
    text = checked(planned(tmp_path, camera))
    assert f"long: times of its camera: {said}\n" in text
    assert ("nobody has measured its camera" in text) == (camera == "driver: tethered")


def test_what_was_invented_is_called_so(tmp_path: Path) -> None:
    """A profile of the simulated camera does not pass for one of a real camera."""
    plan = planned(tmp_path, "driver: simulated, profile: twin.json", invented=True)
    assert "all measured on Twin-lens of our own (no real camera), 2027-03-01." in checked(plan)


def test_the_timeline_goes_by_the_profile(tmp_path: Path) -> None:
    """With a card twice as slow, half as many frames are planned, and the data names profile and origin."""
    quick, slow = (
        json.loads(
            checked(
                planned(
                    tmp_path,
                    "driver: tethered, profile: twin.json",
                    write_time=dict.fromkeys(SPREAD, s) | COUNT,
                ),
                "--json",
            )
        )
        for s in (1.0, 2.0)
    )
    frames = [sum(phase["frames"] for phase in found["phases"]) for found in (quick, slow)]
    assert frames[0] == pytest.approx(2 * frames[1], abs=2)
    (times,) = slow["times"]
    assert times["profile"] == {
        "file": "twin.json", "model": TWIN, "measured_utc": "2027-03-01T18:00:00Z", "invented": False,
    }  # fmt: skip
    assert times["figures"]["write_time_s"] == {"value": 2.0, "from": "profile"}
    assert times["figures"]["buffer_frames"] == {"value": 17, "from": "profile"}


SPREAD, COUNT = ("median_s", "least_s", "greatest_s"), {"measurements": 4}


@pytest.mark.parametrize(("model", "warned"), [(TWIN, False), (TWIN.upper(), False), ("Another body", True)])
def test_a_profile_of_another_model_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, model: str, *, warned: bool
) -> None:
    """Held against the cable, a profile that was measured on another model is named with its mend."""
    monkeypatch.setattr(runs, "probe_attached", lambda: [facts(model)])
    text = checked(planned(tmp_path, "driver: tethered, profile: twin.json"), "--attached")
    told = f'Rig "long" ({model}): its profile was measured on another model, {TWIN}. Mend: measure this one'
    assert (told in text) == warned


@pytest.mark.parametrize("simulated", [False, True])
def test_what_no_query_sees_is_listed_once_for_a_real_camera(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, *, simulated: bool
) -> None:
    """`cameras` and `check --attached` name what to look at by oneself; of a virtual camera nothing."""
    monkeypatch.setattr(runs, "probe_attached", lambda: [facts(simulated=simulated)])
    shown = [
        CliRunner().invoke(app, ["cameras"]).stdout,
        checked(planned(tmp_path, "driver: tethered, profile: twin.json"), "--attached"),
    ]
    line = f"{TWIN}, which the program cannot see: {' '.join(UNSEEN_BY_HAND)}\n"
    assert [text.count(line) for text in shown] == [0 if simulated else 1] * 2
    (found,) = json.loads(CliRunner().invoke(app, ["cameras", "--json"]).stdout)["cameras"]
    assert found["look_yourself"] == ([] if simulated else list(UNSEEN_BY_HAND))


def test_arming_shows_it_once_for_each_real_camera(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Before a run begins the operator reads what to look at by himself, and that the profile is another's."""
    monkeypatch.setattr(runs, "probe_attached", lambda: [facts("Another body")])
    prepared = prepare(planned(tmp_path, "driver: tethered, profile: twin.json"))
    runs._arm(prepared.compiled.timeline, virtual=False, clock_text="set", profiles=prepared.loaded.profiles)
    shown = " ".join(capsys.readouterr().err.split())
    assert shown.count(" ".join(UNSEEN_BY_HAND)) == 1
    assert f"measured on another model, {TWIN}" in shown
