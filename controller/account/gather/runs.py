"""The frames of runs that pictures are looked for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from controller.account.gather.model import GatherRun, RunFrame
from controller.account.model import Account, FrameEnd, account_of
from controller.errors import UsageError
from controller.journal.folder import RunFolder
from controller.journal.reading import changed_files
from controller.journal.records import Kind


@dataclass(frozen=True, kw_only=True)
class LoadedRun:
    """One run: its account, and the frames that may have pictures."""

    name: str
    account: Account
    frames: tuple[RunFrame, ...]


def load_runs(folders: Sequence[Path]) -> list[LoadedRun]:
    """Return runs with the frames that were fired or are of unknown outcome.

    Raises:
        JournalError: if a folder is no run's or cannot be read.
        UsageError: if one is given twice.
    """
    loaded: list[LoadedRun] = []
    seen: set[Path] = set()
    for given in folders:
        folder = RunFolder.open(given)
        if folder.path.resolve() in seen:
            raise UsageError(f"{given}: this run is named twice. Mend: name each run once.")
        seen.add(folder.path.resolve())
        name, number = folder.path.resolve().name, 1
        while name in {run.name for run in loaded}:
            number += 1
            name = f"{folder.path.resolve().name}-{number}"
        loaded.append(_load(folder, name))
    return loaded


def _load(folder: RunFolder, name: str) -> LoadedRun:
    reading = folder.read()
    changed = tuple(changed_files(folder.path, reading.records).values())
    account = account_of(folder.timeline(), reading, folder.path, changed)
    cameras = dict(account.cameras)
    for record in reading.records:
        if record["kind"] == Kind.CAMERA_READY and record.get("model"):
            cameras[str(record["rig"])] = str(record["model"])
    run = GatherRun(name=name, timeline=account.timeline)
    frames = tuple(
        RunFrame(run=run, account=frame, camera=cameras.get(frame.frame.rig, ""))
        for frame in account.frames
        if frame.end in (FrameEnd.FIRED, FrameEnd.UNKNOWN)
    )
    return LoadedRun(name=name, account=account, frames=frames)
