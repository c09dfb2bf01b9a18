"""The last look before the day: what it finds, what it asks for, and how it ends."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from controller.cameras.protocol import CameraFacts, CameraStatus
from controller.cli import ready
from controller.cli.prepare import Prepared, prepare
from controller.cli.runs import attached_words
from controller.errors import CameraError
from controller.gear.profile import parse_profile
from controller.live.computer import Finding, Verdict
from controller.plan.profiles import RigProfile
from controller.sky import Constants
from controller.timeline.model import Timeline
from controller.units import NS_PER_S
from tests.cli.command import SAMPLES, as_json, holdfire
from tests.plan.test_profiles import PROFILE

TOTAL = SAMPLES / "total_2027.yaml"


@pytest.fixture(scope="module")
def prepared() -> Prepared:
    """A sample plan, compiled."""
    return prepare(TOTAL)


@pytest.fixture(scope="module")
def tethered(prepared: Prepared) -> Timeline:
    """The sample's timeline with a camera on the cable."""
    timeline = prepared.compiled.timeline
    return replace(timeline, rigs=tuple(replace(rig, driver="tethered") for rig in timeline.rigs))


def facts(timeline: Timeline, **changed: object) -> CameraFacts:
    """An attached camera that lists everything the plan sets, with a full battery and card."""
    frames = timeline.frames
    whole = CameraFacts(
        model="Body X",
        port="usb:001,004",
        shutter_s=tuple({frame.settings.exposure_s for frame in frames}),
        f_numbers=tuple({frame.settings.f_number for frame in frames}),
        isos=tuple({frame.settings.iso for frame in frames}),
        status=CameraStatus(battery_percent=100, frames_left=len(frames)),
    )
    return replace(whole, **changed)  # type: ignore[arg-type]


def of(findings: list[Finding], verdict: Verdict) -> list[str]:
    """The sentences with a verdict."""
    return [f"{one.text}. {one.mend}" for one in findings if one.verdict is verdict]


def test_ready_as_its_users_see_it(tmp_path: Path) -> None:
    """Each line begins with a word that says what it asks for, and makes no folder; nothing to mend is exit code 0."""
    done = holdfire("ready", str(TOTAL), "--runs", str(tmp_path / "runs"), cwd=tmp_path)
    lines = done.stdout.splitlines()
    firsts = {line.split()[0] for line in lines if line and not line.startswith(" ")}
    assert {"good", "look"} <= firsts
    assert "simulated: no camera of yours will fire" in " ".join(done.stdout.split())
    assert not (tmp_path / "runs").exists()
    assert (done.returncode == 0) == ("mend" not in firsts)
    assert done.returncode in (0, ready.MEND_EXIT)


def test_ready_as_json(tmp_path: Path) -> None:
    """The same for programs: every finding has a verdict, and what is not good has a way to mend it."""
    data = as_json(holdfire("ready", str(TOTAL), "--json", cwd=tmp_path))
    assert {one["verdict"] for one in data["findings"]} <= {"good", "look", "mend"}
    assert all(one["mend"] for one in data["findings"] if one["verdict"] != "good")
    assert {"plan", "day", "clock", "disk", "power", "sleep", "voice", "terminal", "second place"} <= {
        one["about"] for one in data["findings"]
    }
    assert data["ready"] == all(one["verdict"] != "mend" for one in data["findings"])


def test_a_plan_with_faults_is_not_ready(tmp_path: Path) -> None:
    """Every fault of the plan is a line to mend; the computer is looked at all the same."""
    (tmp_path / "plan.yaml").write_text(
        TOTAL.read_text().replace("f/8", "f,8").replace("wanted: must", "wanted: much")
    )
    done = holdfire("ready", "plan.yaml", "--json", cwd=tmp_path)
    assert done.returncode == ready.MEND_EXIT
    findings = as_json(done)["findings"]
    assert [one["about"] for one in findings].count("plan") >= 2
    assert "disk" in {one["about"] for one in findings}


def test_a_camera_that_fits_is_good(tethered: Timeline) -> None:
    """A camera with room, charge and all settings leaves only what no program can see."""
    found = ready.cameras(tethered, lambda: [facts(tethered)])
    assert of(found, Verdict.MEND) == []
    (look,) = of(found, Verdict.LOOK)
    assert "auto power-off" in look
    assert len(of(found, Verdict.GOOD)) == 4


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"status": CameraStatus(battery_percent=10, frames_left=9999)}, "battery 10 %"),
        ({"status": CameraStatus(battery_percent=90, frames_left=10)}, "room for 10 frames"),
        ({"by_hand": ("Turn the mode dial to M.",)}, "Turn the mode dial to M."),
        ({"isos": (6400,)}, "does not list ISO"),
    ],
)
def test_what_would_lose_frames_has_to_be_mended(
    changed: dict[str, object], says: str, tethered: Timeline
) -> None:
    """An empty battery, a full card, a wrong dial and a setting that is not listed are each told."""
    found = of(ready.cameras(tethered, lambda: [facts(tethered, **changed)]), Verdict.MEND)
    assert any(says in one for one in found)


def test_what_a_camera_does_not_say_is_to_be_looked_at(tethered: Timeline) -> None:
    """A camera that tells neither battery nor card is no reason to call either good."""
    found = of(ready.cameras(tethered, lambda: [facts(tethered, status=CameraStatus())]), Verdict.LOOK)
    assert len([one for one in found if "does not say" in one]) == 2


def test_no_camera_and_two_cameras(tethered: Timeline) -> None:
    """A rig takes exactly one camera."""
    one = facts(tethered)
    for attached, says in (
        ([], "no attached camera fits"),
        ([one, one], "more than one attached camera fits"),
    ):
        (only,) = of(ready.cameras(tethered, lambda attached=attached: attached), Verdict.MEND)  # type: ignore[misc]
        assert says in only


def test_two_rigs_on_one_camera(tethered: Timeline) -> None:
    """Each rig finds its one camera, and it is the same: that is told before the day, and before a run is armed."""
    (rig,) = tethered.rigs
    two = replace(tethered, rigs=(replace(rig, match="Body"), replace(rig, name="wide", match="X")))
    one, other = facts(tethered), facts(tethered, model="Body Y", port="usb:001,005")
    (told,) = of(ready.cameras(two, lambda: [one]), Verdict.MEND)
    assert told == (
        f'Rigs "{rig.name}" and "wide" mean the same camera, Body X on usb:001,004. '
        "Attach the other one, or give each rig a match of its own."
    )
    assert attached_words(two, [one])[-1].replace("Mend: attach", "Attach") == told
    apart = replace(two, rigs=(replace(rig, match="Body Y"), replace(rig, name="wide", match="X")))
    assert of(ready.cameras(apart, lambda: [one, other]), Verdict.MEND) == []


def test_a_profile_of_another_model(tethered: Timeline) -> None:
    """A rig whose speed was measured on another body than the one on the cable is to be looked at."""
    (rig,) = tethered.rigs
    measured = parse_profile(json.dumps({**PROFILE, "model": "Body Z"}).encode())
    profiles = {rig.name: RigProfile("twin.json", b"", measured)}
    told = of(ready.cameras(tethered, lambda: [facts(tethered)], profiles), Verdict.LOOK)
    assert any("measured on another model, Body Z. Measure this one" in one for one in told)


def test_a_camera_held_by_another_program(tethered: Timeline) -> None:
    """What hinders the probing becomes a line like any other, with its way to mend."""

    def held() -> list[CameraFacts]:
        raise CameraError("The camera is held by another program. Mend: close the photo importer.")

    assert of(ready.cameras(tethered, held), Verdict.MEND) == [
        "The camera is held by another program. Close the photo importer."
    ]


def test_a_camera_that_another_run_has_open(tethered: Timeline) -> None:
    """Of a camera in use nothing else is known, and nothing else is claimed."""
    used = facts(tethered, in_use="Process 4711 has this camera open. Mend: let it end.")
    (only,) = ready.cameras(tethered, lambda: [used])
    assert (only.verdict, only.text) == (Verdict.MEND, "Process 4711 has this camera open")


def test_simulated_rigs_are_said_to_be_simulated(prepared: Prepared) -> None:
    """A plan of simulated cameras probes nothing, and says that no camera will fire."""

    def probed() -> list[CameraFacts]:
        raise AssertionError

    (found,) = ready.cameras(prepared.compiled.timeline, probed)
    assert (found.verdict, found.about) == (Verdict.LOOK, 'camera "long"')


def test_the_day(prepared: Prepared) -> None:
    """Ahead is good, with the time left; begun or over has to be acted on."""
    timeline = prepared.compiled.timeline
    begins, ends = ready.first_moment(timeline), max(phase.ends_utc_ns for phase in timeline.phases)
    ahead = ready.day(timeline, begins - (2 * 1440 + 3 * 60 + 4) * 60 * NS_PER_S)
    assert ahead.verdict is Verdict.GOOD
    assert "in 2 d 3 h" in ahead.text
    assert "in 3 h 4 min" in ready.day(timeline, begins - (3 * 60 + 4) * 60 * NS_PER_S).text
    assert ready.day(timeline, begins).mend == "Start the run now."
    assert "over" in ready.day(timeline, ends + 1).text
    assert ready.day(timeline, ends + 1).verdict is Verdict.MEND


def test_the_earth_rotation_table(prepared: Prepared) -> None:
    """A table measured until long before the plan's day is to be looked at."""
    found = ready.earth_rotation(prepared, Constants())
    assert (found.verdict is Verdict.LOOK) == ("days before" in found.text)
    assert ready.earth_rotation(prepared, Constants(delta_t_s=70.0)).verdict is Verdict.LOOK


@pytest.mark.parametrize(
    ("percent", "verdict"), [(None, "look"), (39, "mend"), (40, "look"), (74, "look"), (75, "good")]
)
def test_charge(percent: int | None, verdict: str) -> None:
    """Where a camera's battery is told, its limits decide."""
    assert ready.charge("camera", percent).verdict == verdict


def test_voice() -> None:
    """A bell is no voice, and a language without a voice has to be mended."""
    spoken = ready.voice("es", program_speaks=True)
    assert (spoken.verdict, "in es" in spoken.text) == (Verdict.GOOD, True)
    assert "no speaking program" in ready.voice("es", program_speaks=None).text
    assert ready.voice("xx", program_speaks=False).verdict is Verdict.MEND


def test_disk_bytes_are_enough(prepared: Prepared, tmp_path: Path) -> None:
    """A rehearsed day writes less than was asked for, and more than a quarter of it."""
    holdfire("rehearse", str(TOTAL), "--fast", "--runs", str(tmp_path), cwd=tmp_path)
    files = [path for path in tmp_path.rglob("*") if path.is_file()]
    written = sum(-(-path.stat().st_size // 4096) * 4096 for path in files)
    assert written < ready.disk_bytes(prepared) < 4 * written
