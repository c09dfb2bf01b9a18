"""`run --resume`: the same command, started again and again by a supervisor, goes on where the last one broke off."""

from __future__ import annotations

import hashlib
from pathlib import Path

from controller.journal.unfinished import unfinished_run
from controller.plan.loading import load_plan


def cut_off_run(base: Path, plan: Path, *, virtual: bool) -> Path | None:
    """Return the latest run of this very plan, on cameras of the same kind, under `base` if it was cut off, else None.

    With `virtual` no camera is a real one, whatever the plan names.

    Raises:
        PlanError: if the plan cannot be read.
        JournalError: if the latest run's journal cannot be read.
    """
    loaded = load_plan(plan)
    real = [rig.name for rig in loaded.plan.rigs if rig.camera.driver == "tethered" and not virtual]
    return unfinished_run(base, hashlib.sha256(loaded.source.text.encode()).hexdigest(), real)
