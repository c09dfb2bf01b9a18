"""Where a journal is written: the run's folder, and a second place for when that takes no more."""

from __future__ import annotations

import contextlib
import hashlib
import os
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from pathlib import Path

_TRIED_BYTES = 65_536
"""So much is written, flushed and taken back again to try a second place."""


@dataclass
class Place:
    """One file that holds the journal's stream of bytes from `start` on.

    Bytes are written at their own offset, so that writing them again changes nothing: what a failed write
    left behind is written over by the same bytes, and what was acknowledged is never touched.
    """

    path: Path
    descriptor: int
    start: int
    """Which byte of the stream is the file's first."""
    held: int
    """Up to which byte of the stream the file is known to be on the disk."""

    def take(self, stream: bytes, stream_from: int) -> None:
        """Bring what is lacking of the stream to the disk; `stream_from` is where the bytes given begin in it.

        Raises:
            OSError: if the disk does not take it all. How much it took is then not known.
        """
        rest = memoryview(stream)[self.held - stream_from :]
        at = self.held - self.start
        while rest:
            written = os.pwrite(self.descriptor, rest, at)
            rest, at = rest[written:], at + written
        os.fsync(self.descriptor)
        self.held = max(self.held, self.start + at)

    def close(self) -> None:
        """Give the file free."""
        os.close(self.descriptor)


def second_path(run_folder: Path, folder: Path, number: int) -> Path:
    """Return the name of a run's second place in a folder: the run's own name and where it lies, as digits."""
    where = hashlib.sha256(os.fsencode(run_folder.resolve())).hexdigest()[:8]
    return folder / f"holdfire-{run_folder.name}-{where}{'' if number == 1 else f'-{number}'}.jsonl"


def find_second(run_folder: Path, folders: Iterable[Path], avoid: Collection[Path] = ()) -> Place | None:
    """Make an empty file in the first of these folders that can be written to; None when none can.

    A folder on another file system than the run's comes before those on the same. `avoid` names files that
    are not to be used.
    """
    usable = [folder for folder in folders if _made(folder)]
    for folder in sorted(usable, key=lambda folder: _same_file_system(folder, run_folder)):
        number = 1
        while (path := second_path(run_folder, folder, number)) in avoid or _in_use(path):
            number += 1
        try:
            return open_second(path, start=0, held=0)
        except OSError:
            with contextlib.suppress(OSError):
                path.unlink()
    return None


def open_second(path: Path, *, start: int, held: int) -> Place:
    """Open a second place, made if need be, and try that it takes some bytes more, which are taken back.

    What stands in it past `held` is an unfinished end that was never acknowledged, and is dropped. A symbolic
    link in its stead is refused; nobody else may read it.

    Raises:
        OSError: if it cannot be written.
    """
    descriptor = os.open(path, os.O_CREAT | os.O_RDWR | os.O_NOFOLLOW, 0o600)
    place = Place(path=path, descriptor=descriptor, start=start, held=held)
    try:
        try:
            tried = 0
            while tried < _TRIED_BYTES:
                tried += os.pwrite(descriptor, bytes(_TRIED_BYTES - tried), held - start + tried)
            os.fsync(descriptor)
        finally:
            os.ftruncate(descriptor, held - start)
        os.fsync(descriptor)
        sync_folder(path.parent)
    except OSError:
        place.close()
        raise
    return place


def sync_folder(folder: Path) -> None:
    """Bring a folder's list of names to the disk.

    Raises:
        OSError: if the folder cannot be opened or flushed.
    """
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _made(folder: Path) -> bool:
    with contextlib.suppress(OSError):
        folder.mkdir(parents=True, exist_ok=True)
    return folder.is_dir()


def _same_file_system(folder: Path, run_folder: Path) -> bool:
    return folder.stat().st_dev == run_folder.stat().st_dev


def _in_use(path: Path) -> bool:
    """Return whether something stands there already."""
    try:
        return path.lstat().st_size > 0 or path.is_symlink()
    except OSError:
        return False
