"""Run the command line as its users do, in a process of its own."""

from __future__ import annotations

import functools
import json
import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

from tests.cli.forked import Loaded

ROOT = Path(__file__).resolve().parents[2]
SAMPLES = ROOT / "sample_plans"
HOLDFIRE = [sys.executable, "-c", "from controller.cli import main; main()"]


def environment() -> dict[str, str]:
    """The environment without what would change how results are printed."""
    kept = {k: v for k, v in os.environ.items() if not k.startswith(("HOLDFIRE", "FORCE_COLOR", "VCAMERA"))}
    second = str(Path(tempfile.gettempdir()) / "holdfire-tests")
    return {
        **kept, "COLUMNS": "100", "NO_COLOR": "1", "PYTHONPATH": str(ROOT), "HOLDFIRE_MOON": "none",
        "HOLDFIRE_SECOND_PLACE": second,
    }  # fmt: skip


def holdfire(
    *words: str, cwd: Path, timeout: float = 120, stdin: str = ""
) -> subprocess.CompletedProcess[str]:
    """Run ``holdfire`` with these words to its end."""
    return _loaded().run(words, cwd, environment(), stdin, timeout)


@functools.cache
def _loaded() -> Loaded:
    return Loaded(environment())


def few_frames(folder: Path) -> Path:
    """The plan of a total eclipse with under half of its frames, where it does not matter how many there are."""
    text = (SAMPLES / "total_2027.yaml").read_text(encoding="utf-8")
    fewer = re.sub(r"\bfill: true\b", "every: 30 s", text)
    assert fewer != text
    plan = folder / "few_frames.yaml"
    plan.write_text(fewer, encoding="utf-8")
    return plan


def as_json(done: subprocess.CompletedProcess[str]) -> Any:
    """The JSON a command printed; its complaints when it printed none."""
    assert done.stdout, done.stderr
    return json.loads(done.stdout)


def only_run(folder: Path) -> Path:
    """The one run folder under `folder`."""
    (run,) = folder.iterdir()
    return run


def state_and_parent_of(pid: int | None) -> tuple[str, int]:
    """The letter that Linux has for what a process does, and the process that started it."""
    state, parent = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[:2]
    return state, int(parent)


def child_of(run: int, name: str) -> int:
    """The one process that a run has started, by itself or through another, whose name begins so."""
    found, ahead = [], [run]
    while ahead:
        for task in Path(f"/proc/{ahead.pop()}/task").glob("*/children"):
            for pid in map(int, task.read_text().split()):
                ahead.append(pid)
                if Path(f"/proc/{pid}/comm").read_text().startswith(name):
                    found.append(pid)
    (child,) = found
    return child
