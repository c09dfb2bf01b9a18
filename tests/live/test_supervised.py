"""The same command given again and again: `run --resume`, and the sample of a systemd unit that gives it."""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from controller.cli.supervised import cut_off_run
from controller.errors import JournalError
from controller.journal.folder import RunFolder
from controller.journal.records import Kind
from controller.journal.unfinished import unfinished_run
from controller.journal.writing import JournalWriter
from tests.cli.command import HOLDFIRE, ROOT, environment
from tests.engine.builder import rig_info, timeline
from tests.live.test_awake import GRANTS, install
from tests.live.test_real_time import RIG

UNIT = ROOT / "scripts" / "holdfire.service"
PLAN = (
    RIG.replace("DRIVER", "simulated")
    + """\
phases:
  - name: totality
    from: 9 s before C3
    until: 1 s after C3
    filter: off
    shots:
      - {name: corona, wanted: want, exposure: 1/100, every: 0.5 s, late_limit: 8 s}
"""
)
DIGEST = hashlib.sha256(b"plan").hexdigest()


def made(
    base: Path,
    number: int,
    *,
    mode: str = "run",
    digest: str = DIGEST,
    ended: bool = False,
    real: list[str] | None = None,
) -> RunFolder:
    """A run's folder that was written to after those of smaller numbers."""
    day = timeline([], rigs=(rig_info(),))
    folder = RunFolder.create(base, f"run {number}", b"plan", day, started_utc_ns=number)
    with JournalWriter.create(folder.path) as journal:
        journal.append(Kind.RUN_BEGAN, number, mode=mode, plan_sha256=digest, real_cameras=real or [])
        if ended:
            journal.append(Kind.RUN_ENDED, number, outcome="finished")
    os.utime(folder.journal_path, ns=(number, number))
    return folder


def test_the_latest_run_goes_on_if_it_was_cut_off(tmp_path: Path) -> None:
    """Of several runs of the plan the one written to last counts; rehearsals and other plans do not."""
    assert unfinished_run(tmp_path / "none", DIGEST, []) is None
    made(tmp_path, 1)
    latest = made(tmp_path, 2)
    made(tmp_path, 3, mode="rehearsal")
    made(tmp_path, 4, digest="another")
    assert unfinished_run(tmp_path, DIGEST, []) == latest.path


def test_a_practice_does_not_stand_for_the_day(tmp_path: Path) -> None:
    """HF-S02: a practice that was cut off neither goes on nor is in the way on real cameras, nor the other way round."""
    plan = tmp_path / "plan.yaml"
    plan.write_text(PLAN.replace("driver: simulated", "driver: tethered"))
    digest = hashlib.sha256(plan.read_bytes()).hexdigest()
    runs = tmp_path / "runs"
    practice = made(runs, 2, digest=digest)
    assert cut_off_run(runs, plan, virtual=False) is None
    real = made(runs, 1, digest=digest, real=["long"])
    assert cut_off_run(runs, plan, virtual=False) == real.path
    assert cut_off_run(runs, plan, virtual=True) == practice.path


def test_an_ended_run_is_the_end(tmp_path: Path) -> None:
    """Once a later run has ended, an earlier one that was cut off is not dug up."""
    made(tmp_path, 1)
    made(tmp_path, 2, ended=True)
    assert unfinished_run(tmp_path, DIGEST, []) is None


def test_a_run_in_which_nothing_began_does_not_count(tmp_path: Path) -> None:
    """A kill before the first whole record leaves nothing to go on with."""
    folder = made(tmp_path, 1)
    for cut in (b"", folder.journal_path.read_bytes()[:-1], b"no record\n"):
        folder.journal_path.write_bytes(cut)
        assert unfinished_run(tmp_path, DIGEST, []) is None


def test_a_torn_run_goes_on(tmp_path: Path) -> None:
    """A loss of power in the middle of a line is no reason to begin anew."""
    folder = made(tmp_path, 1)
    with folder.journal_path.open("ab") as file:
        file.write(b'{"seq":2,')
    assert unfinished_run(tmp_path, DIGEST, []) == folder.path


def fired(journal: Path) -> list[str]:
    """The frames fired so far."""
    return re.findall(r'"frame_id":"([^"]+)","kind":"frame_fired"', journal.read_text())


def command(tmp_path: Path) -> subprocess.Popen[bytes]:
    """What a supervisor starts, each time the same; the system lets sleep be held off, as far as it is told."""
    install(tmp_path / "tools", "systemd-inhibit", GRANTS)
    around = environment()
    around["PATH"] = f"{tmp_path / 'tools'}:{around['PATH']}"
    words = ["run", "plan.yaml", "--resume", "--operator", "prompt", "--from", "10 s before C3"]
    return subprocess.Popen(
        [*HOLDFIRE, *words], cwd=tmp_path, env=around, stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip


@pytest.mark.waits
def test_the_same_command_goes_on_after_a_kill(tmp_path: Path) -> None:
    """HF-S10: begun, killed, started again alike: one run, no frame twice; and once it has ended, a new one."""
    (tmp_path / "plan.yaml").write_text(PLAN)
    runs, process = tmp_path / "runs", command(tmp_path)
    journal = None
    while not (journal and len(fired(journal)) >= 2):
        assert process.poll() is None
        journal = next(iter(runs.glob("*/journal.jsonl")), None)
        time.sleep(0.02)
    process.send_signal(signal.SIGKILL)
    process.wait()
    before = journal.read_bytes()
    assert cut_off_run(runs, tmp_path / "plan.yaml", virtual=False) == journal.parent
    again = command(tmp_path)
    assert again.wait(timeout=60) in (0, 11)
    assert [path.name for path in runs.iterdir()] == [journal.parent.name]
    assert journal.read_bytes().startswith(before)
    frames = fired(journal)
    assert len(frames) > before.count(b'"kind":"frame_fired"')
    assert len(set(frames)) == len(frames)
    reading = RunFolder.open(journal.parent).read()
    assert reading.closed
    said = {r["kind"]: r["sleep"] for r in reading.records if r["kind"] in ("run_began", "run_resumed")}
    assert len(said) == 2
    if sys.platform == "linux":
        assert all("held off by systemd-inhibit" in sentence for sentence in said.values())
        assert (tmp_path / "tools" / "log").read_text().count("--what=sleep:idle:handle-lid-switch") == 2
    assert cut_off_run(runs, tmp_path / "plan.yaml", virtual=False) is None


def test_another_plan_begins_a_run_of_its_own(tmp_path: Path) -> None:
    """A plan that was changed since is another plan."""
    made(tmp_path / "runs", 1, digest=hashlib.sha256(PLAN.encode()).hexdigest())
    (tmp_path / "plan.yaml").write_text(PLAN)
    assert cut_off_run(tmp_path / "runs", tmp_path / "plan.yaml", virtual=False) is not None
    (tmp_path / "plan.yaml").write_text(PLAN.replace("0.5 s", "0.6 s"))
    assert cut_off_run(tmp_path / "runs", tmp_path / "plan.yaml", virtual=False) is None


def test_a_run_folder_without_its_timeline_is_told(tmp_path: Path) -> None:
    """A folder that is not whole is an error of one line, and no reason to begin a second run silently."""
    folder = made(tmp_path, 1)
    folder.timeline_path.unlink()
    with pytest.raises(JournalError, match="no folder of a run"):
        unfinished_run(tmp_path, DIGEST, [])


def test_the_unit_begins_again_after_a_kill_alone() -> None:
    """The sample unit names the exit codes after which beginning again mends nothing, and hears a terminal."""
    unit = UNIT.read_text(encoding="utf-8")
    (prevented,) = re.findall(r"^RestartPreventExitStatus=(.*)$", unit, re.MULTILINE)
    assert {int(code) for code in prevented.split()} == {2, 3, 4, 7, 10, 11, 70, 130}
    for line in (
        "Restart=on-failure",
        "StartLimitIntervalSec=0",
        "StandardInput=tty-force",
        "TTYPath=/dev/tty8",
    ):
        assert f"\n{line}\n" in unit
    assert re.search(r"^ExecStart=\S+/holdfire run \S+ --resume ", unit, re.MULTILINE)


def test_systemd_understands_the_unit(tmp_path: Path) -> None:
    """systemd's own check finds nothing to say of the sample unit, and something of a misspelt one."""
    analyze = shutil.which("systemd-analyze")
    if analyze is None:
        pytest.skip("systemd-analyze is not installed")
    whole = re.sub(r"^ExecStart=\S+", f"ExecStart={sys.executable}", UNIT.read_text(), flags=re.MULTILINE)
    said = []
    for name, text in (("good", whole), ("bad", whole.replace("KillMode=", "KilMode="))):
        path = tmp_path / f"{name}.service"
        path.write_text(text)
        done = subprocess.run(
            [analyze, "verify", path], capture_output=True, text=True, check=False, timeout=60
        )
        said.append((done.returncode, done.stdout + done.stderr))
    assert said[0] == (0, "")
    assert "KilMode" in said[1][1]
