"""Runs in real time: through real libgphoto2, and with the words, signals and refusals of the day.

No test here looks at how long anything took.
"""

from __future__ import annotations

import os
import resource
import signal
import subprocess
import time
from pathlib import Path

import pytest

from controller.account.audit import audit
from controller.journal.folder import RunFolder
from controller.journal.reading import JournalState
from tests.cli.command import HOLDFIRE, SAMPLES, as_json, environment, holdfire, only_run

RIG = """\
holdfire_plan: 1
title: Practice on the bench
site: {name: Kestrel Hill, latitude: 36.12 N, longitude: 5.72 W, elevation: 150 m, time_zone: Europe/Madrid}
eclipse: 2027-08-02
rigs:
  - name: long
    camera: {driver: DRIVER, frame_gap: 0.2 s, setting_time: 0.1 s, write_time: 0.2 s,
             shutter_speeds: [1/100, 1/50, 1/20, 1/10]}
    optics: {focal_length: 600 mm, aperture: f/8}
    filter: {kind: glass, density: 5.0}
"""
BENCH = (
    RIG
    + """\
phases:
  - name: totality
    from: 9 s before C3
    until: 1 s after C3
    filter: off
    shots:
      - {name: corona, wanted: must, bracket: {list: [1/100, 1/50, 1/20, 1/10]}, fill: true, late_limit: 8 s}
  - name: after
    from: 6 s after C3
    until: 20 s after C3
    filter: on
    shots:
      - {name: crescents, wanted: want, exposure: 1/100, every: 0.35 s, late_limit: 5 s}
"""
)


@pytest.mark.waits
def test_a_plan_of_sixty_frames_through_libgphoto2(tmp_path: Path) -> None:
    """HF-S17: real libgphoto2, its virtual camera, real time, a filter hold between: every frame fired and read back."""
    plan = tmp_path / "bench.yaml"
    plan.write_text(BENCH.replace("DRIVER", "tethered"))
    done = holdfire(
        "run", str(plan), "--virtual-camera", "--operator", "prompt", "--from", "14 s before C3", "--json",
        "--runs", str(tmp_path / "runs"), cwd=tmp_path,
    )  # fmt: skip
    account = as_json(done)
    folder = RunFolder.open(only_run(tmp_path / "runs"))
    records = folder.read().records
    assert account["totals"]["planned"] >= 60
    assert account["totals"]["fired"] == account["totals"]["planned"]
    assert account["contradictions"] == audit(folder.timeline(), records) == []
    fired = [record for record in records if record["kind"] == "frame_fired"]
    frames = {frame.frame_id: frame for frame in folder.timeline().frames}
    for record in fired:
        asked, read = frames[record["frame_id"]].settings, record["read_back"]
        assert read["exposure_s"] == pytest.approx(asked.exposure_s, rel=0.1)
        assert read["f_number"] == pytest.approx(asked.f_number)
        assert record["differs"] == ["iso"]  # this camera lists its ISO and cannot read it: told, not hidden
        assert record["file_name"]
    kinds = [record["kind"] for record in records]
    passed = [record for record in records if record["kind"] == "hold_passed"]
    assert [record["needs"] for record in passed] == ["off", "on"]
    assert kinds.index("frame_fired") > kinds.index("hold_passed")
    assert done.returncode == 0


def firing(tmp_path: Path) -> subprocess.Popen[str]:
    """A rehearsal in real time, in totality, that has fired its first frame."""
    runs = tmp_path / "runs"
    process = subprocess.Popen(
        [*HOLDFIRE, "rehearse", str(SAMPLES / "total_2027.yaml"), "--operator", "prompt", "--from",
         "1 min after C2", "--json", "--runs", str(runs)],
        cwd=tmp_path, env=environment(), stdin=subprocess.DEVNULL, stdout=subprocess.PIPE,
        stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    while not any('"kind":"frame_fired"' in p.read_text() for p in runs.glob("*/journal.jsonl")):
        assert process.poll() is None
        time.sleep(0.05)
    return process


@pytest.mark.parametrize(
    "numbers",
    [(signal.SIGINT,), (signal.SIGTERM,), (signal.SIGINT, signal.SIGINT, signal.SIGTERM)],
    ids=lambda numbers: " ".join(number.name for number in numbers),
)
def test_signals_stop_cleanly(numbers: tuple[signal.Signals, ...], tmp_path: Path) -> None:
    """HF-S16: Ctrl-C and SIGTERM, impatient ones too, close the journal, account for every frame, end with code 10."""
    runs = tmp_path / "runs"
    process = firing(tmp_path)
    for number in numbers:
        process.send_signal(number)
    output, _ = process.communicate(timeout=60)
    folder = RunFolder.open(only_run(runs))
    reading = folder.read()
    assert process.returncode == 10
    assert '"outcome": "stopped"' in output
    assert reading.state is JournalState.CLOSED
    assert audit(folder.timeline(), reading.records) == []
    states = [record for record in reading.records if record["kind"].startswith("frame_")]
    assert {r["frame_id"] for r in states} == {frame.frame_id for frame in folder.timeline().frames}


def test_full_disk_stops_the_firing(tmp_path: Path) -> None:
    """HF-S23: no place takes the journal: cameras release nothing more, exit code 6, and the run can be resumed."""
    process = firing(tmp_path)
    folder = RunFolder.open(only_run(tmp_path / "runs"))
    while sum(r["kind"] == "frame_intent" for r in folder.read().records) < 2 + sum(
        r["kind"] == "frame_fired" for r in folder.read().records
    ):
        assert process.poll() is None
    resource.prlimit(process.pid, resource.RLIMIT_FSIZE, (1, 1))  # one byte more for the second place at most
    _, told = process.communicate(timeout=60)
    assert process.returncode == 6, told
    assert "the journal cannot be written" in told
    assert "Traceback" not in told
    pictures = {path.name for path in folder.frames_path.rglob("*.JPG")}
    intents = [r for r in folder.read().records if r["kind"] == "frame_intent"]
    assert 0 < len(pictures) < len(intents)  # what was handed over ahead of its time was withdrawn
    time.sleep(2.5)  # more than the lead by which frames are handed over
    assert {path.name for path in folder.frames_path.rglob("*.JPG")} == pictures
    account = as_json(holdfire("resume", str(folder.path), "--fast", "--json", cwd=tmp_path))
    assert account["contradictions"] == []
    assert account["outcome"] == "finished"


@pytest.mark.waits
def test_words_typed_as_lines_drive_a_run(tmp_path: Path) -> None:
    """The line console hears "off" and "on" in real time, and the run goes by them alone."""
    plan = tmp_path / "bench.yaml"
    plan.write_text(BENCH.replace("DRIVER", "simulated"))
    process = subprocess.Popen(
        [*HOLDFIRE, "rehearse", str(plan), "--plain", "--silent", "--from", "12 s before C3", "--runs",
         str(tmp_path / "runs")],
        cwd=tmp_path, env=environment(), stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert process.stdin
    assert process.stdout
    heard: list[str] = []
    for asked, word in (("FILTER OFF", "off"), ("FILTER ON", "on")):
        while asked not in (line := process.stdout.readline()).upper():
            assert line, f"the run ended before it asked: {heard}"
            heard.append(line)
        process.stdin.write(f"{word}\n")
        process.stdin.flush()
    output, _ = process.communicate(timeout=90)
    records = RunFolder.open(only_run(tmp_path / "runs")).read().records
    assert [r["state"] for r in records if r["kind"] == "filter_said"] == ["off", "on"]
    assert sum(r["kind"] == "frame_fired" for r in records) > 30
    assert process.returncode in (0, 11)
    assert "frames fired" in output


def test_a_real_camera_run_that_cannot_hear_refuses(tmp_path: Path) -> None:
    """HF-S14: with a real camera and no terminal, `run` refuses, whatever the console options."""
    plan = tmp_path / "bench.yaml"
    plan.write_text(BENCH.replace("DRIVER", "tethered").replace("2027-08-02", "2027-08-02"))
    for words in ([], ["--plain"], ["--silent"]):
        done = holdfire(
            "run", str(plan), *words, "--runs", str(tmp_path / "runs"), cwd=tmp_path, stdin="on\noff\n"
        )
        assert done.returncode == 7, done.stderr
        assert "cannot hear you" in done.stderr
    assert not (tmp_path / "runs").exists()


@pytest.mark.parametrize(
    "words", [["--operator", "prompt"], ["--from", "1 min before C2"], ["--clock-offset", "21350000"]]
)
def test_no_script_and_no_pretended_time_on_a_real_camera(tmp_path: Path, words: list[str]) -> None:
    """HF-S02: a script, a pretended time or a vast clock correction is refused where a plan has a real camera."""
    plan = tmp_path / "bench.yaml"
    plan.write_text(BENCH.replace("DRIVER", "tethered"))
    done = holdfire("run", str(plan), *words, "--runs", str(tmp_path / "runs"), cwd=tmp_path)
    assert done.returncode == 7
    assert "real camera" in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
    assert not (tmp_path / "runs").exists()


def test_the_environment_is_no_bypass(tmp_path: Path) -> None:
    """HF-S02: a virtual-camera folder in the environment does not let a script stand in for a person."""
    plan = tmp_path / "bench.yaml"
    plan.write_text(BENCH.replace("DRIVER", "tethered"))
    environ = {**environment(), "VCAMERADIR": str(tmp_path)}
    done = subprocess.run(
        [*HOLDFIRE, "run", str(plan), "--operator", "prompt"], cwd=tmp_path, env=environ, capture_output=True,
        text=True, stdin=subprocess.DEVNULL, check=False, timeout=60,
    )  # fmt: skip
    assert done.returncode == 7
    assert os.listdir(tmp_path) == ["bench.yaml"]  # noqa: PTH208 (nothing else was made)
