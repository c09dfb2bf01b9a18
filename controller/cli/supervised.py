"""`run --resume`: the same command, started again and again by a supervisor, goes on where the last one broke off."""

from __future__ import annotations

import hashlib
from pathlib import Path

from controller.journal.unfinished import unfinished_run
from controller.plan.loading import load_plan


def cut_off_run(base: Path, plan: Path) -> Path | None:
    """Return the latest run of this very plan under `base` if it was cut off, else None.

    Raises:
        PlanError: if the plan cannot be read.
        JournalError: if the latest run's journal cannot be read.
    """
    text = load_plan(plan).source.text
    return unfinished_run(base, hashlib.sha256(text.encode()).hexdigest())
