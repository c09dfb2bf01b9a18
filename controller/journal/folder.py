"""The folder of one run: the plan as it was read, its profiles, the timeline, the journal and the frames."""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from controller.errors import JournalError
from controller.journal.places import sync_folder
from controller.journal.reading import (
    JOURNAL_NAME,
    PLAN_NAME,
    TIMELINE_NAME,
    JournalReading,
    JournalState,
    changed_files,
    read_journal,
)
from controller.timeline.model import Timeline
from controller.units import utc_iso

FRAMES_NAME = "frames"
PROFILE_NAME = "profile-{}.json"
"""The copy of a rig's profile, by the rig's number from 1."""
_SLUG_LENGTH = 40


@dataclass(frozen=True)
class RunFolder:
    """Where one run keeps everything."""

    path: Path

    @staticmethod
    def create(
        base: Path,
        title: str,
        plan_bytes: bytes,
        timeline: Timeline,
        *,
        started_utc_ns: int,
        profiles: Mapping[str, bytes] | None = None,
    ) -> RunFolder:
        """Make the folder of a new run under `base` and write plan, profiles (by name) and timeline to it.

        Its name is the start instant (UTC) and the title; a name in use gets a number. Nothing is
        overwritten. The journal is made by `JournalWriter.create`.

        Raises:
            JournalError: if the folder cannot be made or written to.
        """
        stamp = utc_iso(started_utc_ns, 0).replace(":", "")
        try:
            base.mkdir(parents=True, exist_ok=True)
            path = _new_folder(base, f"{stamp}-{_slug(title)}")
            _write_whole(path / PLAN_NAME, plan_bytes)
            for profile, content in (profiles or {}).items():
                _write_whole(path / profile, content)
            _write_whole(path / TIMELINE_NAME, timeline.to_json())
            (path / FRAMES_NAME).mkdir()
            sync_folder(path)
            sync_folder(base)
        except OSError as error:
            raise JournalError(
                f"{base}: the folder of the run cannot be made ({error.strerror}). "
                "Mend: give a folder that you can write to, on a disk with room."
            ) from error
        return RunFolder(path)

    @staticmethod
    def open(path: Path) -> RunFolder:
        """Open the folder of an earlier run; its journal file may be given instead.

        Raises:
            JournalError: if it is no folder of a run.
        """
        folder = path.parent if path.name == JOURNAL_NAME else path
        for name in (JOURNAL_NAME, TIMELINE_NAME):
            if not (folder / name).is_file():
                raise JournalError(
                    f"{folder}: this is no folder of a run, it has no {name}. "
                    "Mend: give a folder that a run or a rehearsal made."
                )
        return RunFolder(folder)

    @property
    def journal_path(self) -> Path:
        """Return the path of the journal."""
        return self.path / JOURNAL_NAME

    @property
    def plan_path(self) -> Path:
        """Return the path of the copy of the plan."""
        return self.path / PLAN_NAME

    def profile_path(self, number: int, _named: str = "") -> Path:
        """Return the path of the copy of a rig's profile; the rig's number from 0, as the plan counts.

        Raises:
            JournalError: if it is missing.
        """
        path = self.path / profile_name(number)
        if not path.is_file():
            raise JournalError(f"{path}: this profile is missing. Mend: give the whole folder of the run.")
        return path

    @property
    def timeline_path(self) -> Path:
        """Return the path of the timeline."""
        return self.path / TIMELINE_NAME

    @property
    def frames_path(self) -> Path:
        """Return the folder for pictures that the run itself writes."""
        return self.path / FRAMES_NAME

    def plan_bytes(self) -> bytes:
        """Return the plan as it was read.

        Raises:
            JournalError: if it cannot be read.
        """
        return _read(self.plan_path)

    def timeline(self) -> Timeline:
        """Return the timeline of the run.

        Raises:
            JournalError: if it cannot be read or is no timeline.
        """
        try:
            return Timeline.from_json(_read(self.timeline_path))
        except ValueError as error:
            raise JournalError(
                f"{self.timeline_path}: this is no timeline. "
                "Mend: it was changed after the run; take the folder from a copy."
            ) from error

    def read(self) -> JournalReading:
        """Read the journal.

        Raises:
            JournalError: if it is missing or cannot be read.
        """
        return read_journal(self.journal_path)


def profile_name(number: int) -> str:
    """Return the name in a run's folder of a rig's profile; the rig's number from 0."""
    return PROFILE_NAME.format(number + 1)


@dataclass(frozen=True, kw_only=True)
class Verdict:
    """What a run's folder is worth, for people and for exit codes."""

    state: JournalState
    line: str

    @property
    def trusted(self) -> bool:
        """Return whether nothing was altered (a torn or open journal is honest as far as it goes)."""
        return self.state is not JournalState.ALTERED


def verify(run_folder: Path) -> Verdict:
    """Check the journal of a run, and that plan and timeline are the ones it began with.

    Raises:
        JournalError: if the folder is no run's or cannot be read.
    """
    folder = RunFolder.open(run_folder)
    reading = folder.read()
    changed = changed_files(folder.path, reading.records)
    if changed:
        return Verdict(
            state=JournalState.ALTERED, line=f"RUN ALTERED: {' '.join(changed.values())} {reading.verdict()}"
        )
    return Verdict(state=reading.state, line=reading.verdict())


def _new_folder(base: Path, name: str) -> Path:
    number = 1
    while True:
        path = base / (name if number == 1 else f"{name}-{number}")
        try:
            path.mkdir()
        except FileExistsError:
            number += 1
        else:
            return path


def _slug(title: str) -> str:
    words = re.sub(r"[\W_]+", "-", title.casefold()).strip("-")
    return words[:_SLUG_LENGTH].strip("-") or "run"


def _read(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise JournalError(
            f"{path}: cannot be read ({error.strerror}). Mend: give the whole folder of the run."
        ) from error


def _write_whole(path: Path, data: bytes) -> None:
    with path.open("xb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
