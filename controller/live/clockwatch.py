"""How good the computer's clock is, and whether it steps during a run."""

from __future__ import annotations

import shutil
import subprocess
import time
from collections.abc import Sequence
from dataclasses import dataclass

from controller.cameras.clock import steady_ns
from controller.units import NS_PER_S

STEP_LIMIT_S = 0.05
"""A difference of the wall clock against the monotonic clock that is told as a step."""


@dataclass(frozen=True)
class ClockQuality:
    """What is known of the wall clock before a run."""

    synchronised: bool | None
    """None when the system does not say."""
    text: str
    """One sentence for the screen and the journal."""


def clock_quality(patience_s: float = 3.0) -> ClockQuality:
    """Ask the system whether its clock is kept by a time service (systemd's timedatectl, chrony).

    Each of the two is given `patience_s` seconds to answer.
    """
    answer = ask(("timedatectl", "show", "--property=NTPSynchronized", "--value"), patience_s)
    if answer in ("yes", "no"):
        kept = answer == "yes"
        return ClockQuality(
            kept,
            "clock kept by a time service"
            if kept
            else "clock NOT kept by a time service: set it by a GPS receiver or the network before the run",
        )
    answer = ask(("chronyc", "-c", "tracking"), patience_s)
    if answer.count(",") >= 4:
        return ClockQuality(True, f"clock kept by chrony, offset {float(answer.split(',')[4]):+.6f} s")
    return ClockQuality(
        None, "clock quality not known: compare it with a GPS receiver or a time signal before the run"
    )


def ask(command: Sequence[str], patience_s: float) -> str:
    """Return what a program of the system prints, or nothing where it is missing, fails or is too slow."""
    if shutil.which(command[0]) is None:
        return ""
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=patience_s, check=False)  # noqa: S603
    except (OSError, subprocess.TimeoutExpired):
        return ""
    return done.stdout.strip() if done.returncode == 0 else ""


class ClockWatch:
    """Watches the wall clock against the steady one. Firing goes by the steady clock alone."""

    def __init__(self) -> None:
        self._offset_ns = time.time_ns() - steady_ns()

    def step_s(self) -> float | None:
        """Return the step since the last call, in seconds, when there was one; else None."""
        offset = time.time_ns() - steady_ns()
        step = (offset - self._offset_ns) / NS_PER_S
        if abs(step) < STEP_LIMIT_S:
            return None
        self._offset_ns = offset
        return step
