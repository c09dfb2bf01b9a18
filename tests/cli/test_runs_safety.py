"""What `run` and `resume` refuse, show and hand on before a camera is touched. Nothing is started here.

The live run and the console are stand-ins that keep what they were given.
"""

from __future__ import annotations

import io
import sys
import time
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
import typer

from controller.cameras.clock import ClockEpoch
from controller.cli import runs
from controller.cli.prepare import prepare
from controller.errors import JournalError, OperatorError, UsageError
from controller.journal.folder import RunFolder
from controller.journal.records import Kind
from controller.journal.writing import JournalWriter
from controller.page.address import PageOptions
from controller.timeline.model import Timeline
from controller.units import NS_PER_S
from tests.engine.builder import rig_info, timeline
from tests.live.test_real_time import BENCH


class Terminal(io.StringIO):
    """A terminal at which Enter is pressed."""

    def __init__(self) -> None:
        super().__init__()
        self.waited_for = 0

    def isatty(self) -> bool:
        """It is one."""
        return True

    def readline(self, *_: Any) -> Any:
        """Press Enter."""
        self.waited_for += 1
        return "\n"


class Desk:
    """Everything around the commands: a plan, run folders, and what was handed to the live run."""

    def __init__(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self.tmp_path, self.monkeypatch = tmp_path, monkeypatch
        self.live: dict[str, Any] = {}
        self.specs: list[Any] = []
        self.probed = 0
        self.terminal = Terminal()
        monkeypatch.setattr(sys, "stdin", self.terminal)
        monkeypatch.setattr("controller.live.driver.LiveRun", self._live_run)
        monkeypatch.setattr(
            "controller.operator.console.open_console", lambda *_, **__: SimpleNamespace(hears=True)
        )
        monkeypatch.setattr(runs, "finish", lambda *_, **__: None)
        monkeypatch.setattr(runs, "probe_attached", self._probe)
        self.plan("tethered")

    def plan(self, driver: str) -> None:
        """Write the plan, with this kind of camera."""
        self.path = self.tmp_path / "bench.yaml"
        self.path.write_text(BENCH.replace("DRIVER", driver))

    def _live_run(self, **given: Any) -> Any:
        self.live = given
        return SimpleNamespace(run=lambda: "finished", resume=lambda: "finished")

    def _probe(self) -> list[Any]:
        self.probed += 1
        return []

    @property
    def allows_real(self) -> object:
        """Whether real cameras were allowed to the live run."""
        return self.live["real_cameras_allowed"]

    def run(self, **more: Any) -> None:
        """`run`."""
        given: dict[str, Any] = {
            "virtual": False, "habit": None, "start": None, "clock_offset_s": 0.0, "base": self.tmp_path / "runs",
            "plain": False, "silent": True, "earth_rotation": None, "ephemeris": None, "terrain": None,
            "as_json": True, "status": runs.Status(), "page_options": PageOptions(on=False),
        }  # fmt: skip
        runs.run(self.path, **{**given, **more})

    def resume(self, folder: Path, **more: Any) -> None:
        """`resume`."""
        given: dict[str, Any] = {
            "virtual": False, "habit": None, "start": None, "clock_offset_s": 0.0, "fast": False, "plain": False,
            "silent": True, "as_json": True, "status": runs.Status(), "page_options": PageOptions(on=False),
        }  # fmt: skip
        runs.resume(folder, **{**given, **more})

    def broken_off(self, real_cameras: list[str], mode: str = "run") -> tuple[Path, Timeline, int]:
        """A run that broke off in totality: its folder, its timeline, its last instant."""
        prepared = prepare(self.path)
        day = prepared.compiled.timeline
        totality = next(phase for phase in day.phases if phase.name == "totality")
        at = totality.starts_utc_ns + 2 * NS_PER_S
        folder = RunFolder.create(self.tmp_path / "runs", "t", prepared.plan_bytes, day, started_utc_ns=at)
        with JournalWriter.create(folder.path) as journal:
            facts = runs.first_facts(prepared, mode, "script", "a clock", real_cameras)
            journal.append(Kind.RUN_BEGAN, at, title="t", **facts)
            journal.append(Kind.FILTER_SAID, at, rig=None, state="off")
        return folder.path, day, at

    def clock_says(self, instant: int) -> None:
        """Set the computer's clock."""
        pretended = staticmethod(lambda correction_s=0.0: ClockEpoch.pretended(instant))
        self.monkeypatch.setattr("controller.cameras.clock.ClockEpoch.now", pretended)


@pytest.fixture
def desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Desk:
    """A desk with nothing running."""
    return Desk(tmp_path, monkeypatch)


def test_a_slow_start_does_not_set_the_clock_back(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    """The run's clock is the computer's, however long it took from its reading to the first frame."""
    make = runs.new_folder

    def slowly(*given: Any) -> RunFolder:
        time.sleep(0.4)
        return make(*given)

    monkeypatch.setattr(runs, "new_folder", slowly)
    desk.run()
    assert abs(desk.live["clock"].now_ns() - time.time_ns()) < NS_PER_S // 5
    desk.run(clock_offset_s=7.0)
    assert abs(desk.live["clock"].now_ns() - time.time_ns() - 7 * NS_PER_S) < NS_PER_S // 5


def test_real_cameras_are_allowed_to_a_person_on_the_true_clock_alone(desk: Desk) -> None:
    """HF-S02: scripts, pretended times and simulated cameras let no real camera in, whatever turns up on the bus."""
    desk.run()
    assert desk.allows_real is True
    desk.run(virtual=True)
    assert desk.allows_real is False
    desk.run(virtual=True, start="1 min before C2")
    assert desk.allows_real is False
    desk.run(virtual=True, habit="prompt")
    assert desk.allows_real is False
    desk.plan("simulated")
    desk.run()
    assert desk.allows_real is False


def test_words_of_a_script_never_stand_for_a_real_filter(desk: Desk) -> None:
    """HF-S02: a run begun on the virtual camera, or a rehearsal, does not go on with real ones."""
    folder, _, at = desk.broken_off(real_cameras=[])
    desk.clock_says(at + NS_PER_S)
    with pytest.raises(OperatorError, match="not said at a real filter"):
        desk.resume(folder)
    desk.resume(folder, virtual=True)
    assert desk.allows_real is False


def test_a_rehearsal_stays_one(desk: Desk) -> None:
    """HF-S02: whatever the plan names, a rehearsal is resumed with simulated cameras."""
    folder, _, _ = desk.broken_off(real_cameras=[], mode="rehearsal")
    desk.resume(folder)
    assert desk.allows_real is False


@pytest.mark.parametrize(
    ("more", "error"),
    [
        ({"virtual": True}, UsageError),
        ({"habit": "prompt"}, OperatorError),
        ({"start": "mid"}, OperatorError),
    ],
)
def test_a_real_run_stays_one(desk: Desk, more: dict[str, Any], error: type[Exception]) -> None:
    """HF-S02: no virtual camera, script or pretended time goes on in the journal of a real run."""
    folder, _, at = desk.broken_off(real_cameras=["long"])
    desk.clock_says(at + NS_PER_S)
    before = (folder / "journal.jsonl").read_bytes()
    with pytest.raises(error):
        desk.resume(folder, **more)
    assert (folder / "journal.jsonl").read_bytes() == before
    assert desk.live == {}


def test_resume_in_a_phase_waits_for_nothing(desk: Desk, capsys: pytest.CaptureFixture[str]) -> None:
    """In totality clock and caution are shown, no camera is probed twice, and nobody has to press a key."""
    folder, _, at = desk.broken_off(real_cameras=["long"])
    desk.clock_says(at + NS_PER_S)
    desk.resume(folder)
    shown = " ".join(capsys.readouterr().err.split())
    assert "Clock: " in shown
    assert "goes on at once" in shown
    assert "Never look through a lens" in shown
    assert (desk.probed, desk.terminal.waited_for) == (0, 0)
    assert desk.allows_real is True
    assert "clock" in desk.live["facts"]


def test_resume_between_phases_shows_what_run_shows(desk: Desk, capsys: pytest.CaptureFixture[str]) -> None:
    """With time in hand the cameras are looked at and the operator says when to go on."""
    folder, day, _ = desk.broken_off(real_cameras=["long"])
    desk.clock_says(max(phase.ends_utc_ns for phase in day.phases) + 10**9 * 3600)
    desk.resume(folder)
    shown = " ".join(capsys.readouterr().err.split())
    assert "no attached camera matches" in shown
    assert "Press Enter" in shown
    assert (desk.probed, desk.terminal.waited_for) == (1, 1)


def test_a_supervised_run_goes_on_without_a_key(desk: Desk, capsys: pytest.CaptureFixture[str]) -> None:
    """HF-S14: started again by a supervisor between phases it waits for no Enter, but still for ears."""
    folder, day, _ = desk.broken_off(real_cameras=["long"])
    desk.clock_says(max(phase.ends_utc_ns for phase in day.phases) + 10**9 * 3600)
    desk.resume(folder, at_once=True)
    assert "goes on at once" in " ".join(capsys.readouterr().err.split())
    assert (desk.probed, desk.terminal.waited_for) == (0, 0)
    assert desk.allows_real is True
    desk.live = {}
    desk.monkeypatch.setattr(sys, "stdin", io.StringIO())
    with pytest.raises(OperatorError, match="cannot hear you"):
        desk.resume(folder, at_once=True)
    assert desk.live == {}


@pytest.mark.parametrize(("back_s", "goes_on"), [(30, True), (3600, False)])
def test_resume_by_a_clock_that_is_far_behind_is_refused(desk: Desk, back_s: int, goes_on: bool) -> None:
    """HF-S12: a journal from the future means a wrong clock, then or now; a little behind, the words are asked anew."""
    folder, _, at = desk.broken_off(real_cameras=["long"])
    desk.clock_says(at - back_s * NS_PER_S)
    if goes_on:
        desk.resume(folder)
        return
    with pytest.raises(JournalError, match="--clock-offset"):
        desk.resume(folder)


def test_a_damaged_copy_of_the_plan_does_not_stop_a_real_run(desk: Desk) -> None:
    """Real cameras need nothing from the plan's copy: the timeline says it all."""
    folder, _, at = desk.broken_off(real_cameras=["long"])
    (folder / "plan.yaml").write_text("lost")
    desk.clock_says(at + NS_PER_S)
    desk.resume(folder)
    assert desk.live


def test_pictures_stay_in_the_folder_of_the_run(tmp_path: Path) -> None:
    """Whatever a rig is called, its pictures go right under the frames folder, each rig's to its own."""
    names = ("long", "a/b", "..", "/etc", "weit draußen", "a b", ".hidden", "???")
    day = replace(timeline([]), rigs=tuple(rig_info(name) for name in names))
    folder = RunFolder(tmp_path)
    found = [runs.frames_folder(folder, day, rig) for rig in day.rigs]
    assert all(path.parent == folder.frames_path for path in found)
    assert all(path.resolve().parent == folder.frames_path.resolve() for path in found)
    assert len(set(found)) == len(names)
    assert found[0].name == "long"


@pytest.mark.parametrize(
    ("contradictions", "outcome", "code"),
    [
        ((), "finished", None),
        ((), "stopped", 10),
        ((), None, 10),
        (("x",), "finished", 70),
        (("x",), "stopped", 70),
    ],
)
def test_exit_code_tells_how_a_run_ended(
    contradictions: tuple[str, ...],
    outcome: str | None,
    code: int | None,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """HF-S24: a journal that the audit finds fault with never ends as a success."""
    made = SimpleNamespace(contradictions=contradictions, frames=())
    monkeypatch.setattr("controller.account.model.make_account", lambda _path: made)
    monkeypatch.setattr("controller.account.export.to_json_dict", lambda _made: {})
    if code is None:
        runs.finish(RunFolder(tmp_path), outcome, as_json=True)
        return
    with pytest.raises(typer.Exit) as caught:
        runs.finish(RunFolder(tmp_path), outcome, as_json=True)
    assert caught.value.exit_code == code
