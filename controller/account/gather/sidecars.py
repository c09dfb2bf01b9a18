"""Sidecars and folders of links beside the pictures, which are never touched themselves.

Each file is written whole under another name and then given its own, and one that is there is left as it is. So
whatever was interrupted is gone on with by doing it again.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import re
import shutil
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from controller.account.gather.model import Match
from controller.errors import HoldfireError

SIDECAR = ".xmp"


class Written(StrEnum):
    """What became of one file that was to be written."""

    NEW = "written"
    SAME = "there already"
    KEPT = "kept"
    """There is another one of this name, and nobody asked to overwrite it."""
    REPLACED = "overwritten"


@dataclass(frozen=True, kw_only=True)
class Sidecar:
    """Where the sidecar of one match goes."""

    path: Path
    match: int
    """Which of the matches."""


def plan_sidecars(matches: Sequence[Match], into: Path | None, root: Path) -> list[Sidecar]:
    """Return where the sidecars go: one for each folder that files of a match lie in.

    A sidecar is called like its picture with ``.xmp`` for its ending; raw and JPEG of one frame share it. Where
    files of different frames in one folder differ in nothing but their endings, each gets its whole name and ``.xmp``.

    Args:
        matches: what was matched.
        into: a folder to put them in, laid out as the pictures are under `root`; None puts them beside these.
        root: the folder that all pictures lie under.
    """
    owners: dict[Path, set[int]] = defaultdict(set)
    for number, match in enumerate(matches):
        for picture in match.pictures:
            owners[_stem_path(picture.path)].add(number)
    places: dict[Path, int] = {}
    for number, match in enumerate(matches):
        for picture in match.pictures:
            path = _stem_path(picture.path)
            if len(owners[path]) > 1:
                path = picture.path.with_name(picture.path.name + SIDECAR)
            if into is not None:
                path = into / Path(os.path.relpath(path.absolute(), root.absolute()))
            places.setdefault(path, number)
    return [Sidecar(path=path, match=number) for path, number in places.items()]


def _stem_path(path: Path) -> Path:
    return path.with_name(path.stem + SIDECAR)


def common_root(places: Sequence[Path]) -> Path:
    """Return the folder that all named folders and files lie in."""
    folders = [str((place if place.is_dir() else place.parent).absolute()) for place in places]
    return Path(os.path.commonpath(folders))


def write_whole(path: Path, data: bytes, *, force: bool = False) -> Written:
    """Write a file at once or not at all.

    It is not flushed to the disk one by one, which would take minutes for thousands. What a loss of power leaves of
    one is empty, and an empty file counts as none.

    Raises:
        HoldfireError: if it cannot be written.
    """
    with _writing(path):
        there = path.read_bytes() if path.is_file() else None
        if there == data:
            return Written.SAME
        empty = there is not None and not there.strip(b"\0") and not path.is_symlink()
        if os.path.lexists(path) and not force and not empty:
            return Written.KEPT
        path.parent.mkdir(parents=True, exist_ok=True)
        beside = _free_beside(path)
        beside.write_bytes(data)
        if force or empty:
            beside.replace(path)
            return Written.NEW if there is None or empty else Written.REPLACED
        return Written.NEW if _give_name(beside, path) else Written.KEPT


def _free_beside(path: Path) -> Path:
    """Return where a file is written before it gets its name: the same each time, never longer than a name may be.

    What an earlier attempt left there goes; were it a link, what it leads to would be written over.
    """
    beside = path.with_name(f".{hashlib.sha256(os.fsencode(path.name)).hexdigest()[:16]}.part")
    beside.unlink(missing_ok=True)
    return beside


def _give_name(beside: Path, path: Path) -> bool:
    """Give a file its name unless that is taken; return whether it was free."""
    try:
        path.hardlink_to(beside)
    except FileExistsError:
        beside.unlink()
        return False
    except OSError:  # a card's file system has no hard links
        if os.path.lexists(path):
            beside.unlink()
            return False
        beside.replace(path)
        return True
    beside.unlink()
    return True


@dataclass(frozen=True, kw_only=True)
class Placed:
    """One link or copy in a folder of a bracket set."""

    path: Path
    picture: Path
    match: int


def plan_folders(matches: Sequence[Match], into: Path) -> list[Placed]:
    """Return where the pictures go: ``RIG/PHASE/SHOT/take 001/NAME``, without the take where it is of one frame.

    With several runs the run's folder comes first. Of copies with the same name the first goes in.
    """
    runs = {match.frame.run.name for match in matches}
    steps: dict[tuple[str, str, str, str], int] = defaultdict(int)
    for run in {id(match.frame.run): match.frame.run for match in matches}.values():
        for frame in run.timeline.frames:
            key = (run.name, frame.rig, frame.phase, frame.shot)
            steps[key] = max(steps[key], frame.step)
    placed: dict[Path, Placed] = {}
    for number, match in enumerate(matches):
        frame = match.frame.account.frame
        parts = [match.frame.run.name] if len(runs) > 1 else []
        parts += [frame.rig, frame.phase, frame.shot]
        if steps[match.frame.run.name, frame.rig, frame.phase, frame.shot] > 1:
            parts.append(f"take {frame.take:03d}")
        folder = into.joinpath(*map(plain_name, parts))
        for picture in match.pictures:
            path = folder / picture.path.name
            if path in placed and placed[path].match != number:
                path = folder / f"{frame.step:03d} {picture.path.name}"
            placed.setdefault(path, Placed(path=path, picture=picture.path, match=number))
    return list(placed.values())


def plain_name(name: str) -> str:
    """Return a name as a folder can have it."""
    return re.sub(r"[^\w .()+-]+", "-", name).strip(" .-")[:100] or "unnamed"


def place(placed: Placed, *, copy: bool) -> Written:
    """Link or copy one picture to its place, and leave alone what is there already; links are relative.

    Raises:
        HoldfireError: if it cannot be made.
    """
    path, picture = placed.path, placed.picture.absolute()
    with _writing(path):
        path.parent.mkdir(parents=True, exist_ok=True)
        target = os.path.relpath(picture.resolve(), path.parent.resolve())
        if os.path.lexists(path):
            return Written.SAME if _is_placed(path, picture, target, copy=copy) else Written.KEPT
        if not copy:
            path.symlink_to(target)
            return Written.NEW
        beside = _free_beside(path)
        shutil.copy2(picture, beside)
        return Written.NEW if _give_name(beside, path) else Written.KEPT


def _is_placed(path: Path, picture: Path, target: str, *, copy: bool) -> bool:
    if not copy:
        return path.is_symlink() and str(path.readlink()) == target
    there, wanted = path.lstat(), picture.stat()
    return not path.is_symlink() and (there.st_size, int(there.st_mtime)) == (
        wanted.st_size,
        int(wanted.st_mtime),
    )


class _writing(contextlib.AbstractContextManager[None]):  # noqa: N801 - reads as a word
    """Turns what the system says of a file into one clear line."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def __exit__(self, kind: object, error: BaseException | None, trace: object) -> None:
        if isinstance(error, OSError):
            mend = (
                "make room there" if error.errno == errno.ENOSPC
                else "name a folder that can be written to (--sidecars, --folders, --into)"
            )  # fmt: skip
            raise HoldfireError(
                f"{self._path}: cannot be written ({error.strerror}). Mend: {mend}, and run it again: it goes on."
            ) from error
