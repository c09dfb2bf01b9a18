"""What a run that goes on in totality has to load before it fires."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.cli.command import SAMPLES, environment, holdfire, only_run

HEAVY = (
    "skyfield",
    "numpy",
    "matplotlib",
    "astropy",
    "rasterio",
    "netCDF4",
    "timezonefinder",
    "controller.sky",
)
LOADED = """
import sys
import controller.cli.app, controller.cli.runs, controller.cli.supervised
from controller.cameras.host import CameraProcess
from controller.cli.runs import _bodies_of
from controller.journal.folder import RunFolder
from controller.live.awake import AwakeKeeper
from controller.live.driver import LiveRun
from controller.operator.bridge import ConsoleSurface, ScriptSurface
from controller.operator.console import open_console
from controller.operator.voice import pick_voice
assert _bodies_of(RunFolder.open(__import__("pathlib").Path(sys.argv[1])))
EXTRA
print(*sys.modules)
"""


def loaded(run: Path, extra: str = "") -> set[str]:
    """The modules in memory once everything is there that a resumed live run needs."""
    done = subprocess.run(
        [sys.executable, "-c", LOADED.replace("EXTRA", extra), run], env=environment(), capture_output=True,
        text=True, check=False, timeout=60,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return set(done.stdout.split())


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a rehearsed day."""
    folder = tmp_path_factory.mktemp("runs")
    holdfire("rehearse", str(SAMPLES / "partial_2027.yaml"), "--fast", "--runs", str(folder), cwd=folder)
    return only_run(folder)


def test_going_on_loads_neither_ephemeris_nor_numerics(run: Path) -> None:
    """A resumed run begins without what only planning and printing need."""
    assert loaded(run) & set(HEAVY) == set()


def test_the_comparison_sees_what_is_loaded(run: Path) -> None:
    """The test above would notice."""
    assert {"numpy", "controller.sky"} <= loaded(run, "import controller.cli.prepare")


def test_a_cameras_process_loads_no_validation_and_no_numerics() -> None:
    """Each camera has a process of its own: what one loads, a run of eight holds eight times."""
    done = subprocess.run(
        [sys.executable, "-c", "import sys, controller.cameras.host; print(*sys.modules)"],
        env=environment(), capture_output=True, text=True, check=True, timeout=60,
    )  # fmt: skip
    assert not {"pydantic", "numpy", "PIL"} & set(done.stdout.split())
    assert "controller.timeline.model" in done.stdout.split()
