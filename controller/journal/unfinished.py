"""Finding the run that was cut off, for a supervisor that starts the same command again and again."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import Any

from controller.journal.folder import RunFolder
from controller.journal.lines import decode_line
from controller.journal.reading import JOURNAL_NAME
from controller.journal.records import Kind


def unfinished_run(base: Path, plan_sha256: str, real_cameras: list[str]) -> Path | None:
    """Return the folder of the latest run of a plan under `base`, unless that run has ended; else None.

    The latest is the one whose journal was written to last. Rehearsals, runs with real cameras on other rigs than
    `real_cameras` (a practice, where the day itself is to go on) and runs in which nothing had begun do not count,
    and an earlier run that was cut off does not either once a later one has ended.

    Raises:
        JournalError: if the latest one's journal cannot be read.
    """
    runs = []
    for path in base.glob(f"*/{JOURNAL_NAME}"):
        with contextlib.suppress(OSError):
            first = first_record(path)
            same_plan = first.get("plan_sha256") == plan_sha256 and first.get("mode") == "run"
            if same_plan and (first.get("real_cameras") or []) == real_cameras:
                runs.append((path.stat().st_mtime_ns, path))
    if not runs:
        return None
    folder = RunFolder.open(max(runs)[1].parent)
    return None if folder.read().closed else folder.path


def first_record(path: Path) -> dict[str, Any]:
    """Return what a journal's first line says of its run; nothing where it is no whole record."""
    with path.open("rb") as file:
        line = file.readline()
    record = decode_line(line.removesuffix(b"\n")) if line.endswith(b"\n") else None
    return record if record is not None and record["kind"] == Kind.RUN_BEGAN else {}
