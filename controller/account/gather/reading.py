"""What the EXIF of a picture says. Files are opened for reading alone."""

from __future__ import annotations

import io
import logging
import os
from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, BinaryIO

from controller.account.gather.model import Picture
from controller.errors import UsageError
from controller.units import utc_ns

JPEGS = frozenset({".jpg", ".jpeg", ".jpe"})
RAWS = frozenset(
    {
        ".3fr", ".arw", ".cr2", ".cr3", ".dng", ".erf", ".fff", ".iiq", ".mef", ".mos", ".mrw", ".nef", ".nrw", ".orf",
        ".pef", ".raf", ".raw", ".rw2", ".rwl", ".sr2", ".srf", ".srw", ".x3f",
    }
)  # fmt: skip
ENDINGS = JPEGS | RAWS | {".tif", ".tiff", ".heic", ".heif", ".hif", ".avif"}
"""Files with other endings are only looked at when they are named one by one."""
_CANON_BOX = bytes.fromhex("85c0b687820f11e08111f4ce462b6a48")
"""The box of a CR3 file that holds its EXIF: as found in such files, no published standard."""
_RAF_JPEG_AT = 84
"""Where a RAF file says at which byte its JPEG begins, and how long it is: as found in such files."""
_LARGEST_BLOCK = 1 << 24


def find_files(places: Sequence[Path], *, but_not_in: Iterable[Path] = ()) -> list[Path]:
    """Return the pictures in folders and below, and the files named themselves; each once, in order.

    Links and hidden files in folders are passed by.

    Raises:
        UsageError: if there is nothing at a place, or no picture in all of them.
    """
    found: dict[Path, Path] = {}
    skipped = {folder.resolve() for folder in but_not_in}
    for place in places:
        if place.is_file():
            found.setdefault(place.resolve(), place)
        elif place.is_dir():
            for path in _below(place, skipped):
                found.setdefault(path.resolve(), path)
        else:
            raise UsageError(f"{place}: there is no such file or folder. Mend: name what is there.")
    if not found:
        raise UsageError(
            f"There is no picture in {', '.join(map(str, places))}. Mend: name the files or folders with the pictures."
        )
    return sorted(found.values())


def _below(place: Path, skipped: set[Path]) -> Iterator[Path]:
    for folder, inner, names in os.walk(place):
        here = Path(folder)
        inner[:] = sorted(
            name for name in inner if not name.startswith(".") and (here / name).resolve() not in skipped
        )
        for name in sorted(names):
            path = here / name
            if name.startswith(".") or path.suffix.lower() not in ENDINGS or path.is_symlink():
                continue
            if path.is_file():
                yield path


def read_pictures(paths: Iterable[Path]) -> Iterator[Picture]:
    """Read the EXIF of files one by one."""
    return map(read_picture, paths)


def read_picture(path: Path) -> Picture:
    """Return what the EXIF of a file says; a `Picture` with a `problem` where nothing can be read."""
    try:
        with path.open("rb") as file:
            tags = _tags(file)
    except OSError as error:
        return Picture(path=path, problem=f"it cannot be read ({error.strerror})")
    except Exception as error:  # noqa: BLE001 - a damaged file may break its reader in any way
        return Picture(path=path, problem=f"its EXIF cannot be read ({type(error).__name__})")
    if not tags:
        return Picture(path=path, problem="it holds no EXIF that can be read")
    taken_ns, subseconds = _taken(tags)
    return Picture(
        path=path,
        model=_text(tags, "Model"),
        serial=_text(tags, "BodySerialNumber") or _text(tags, "CameraSerialNumber"),
        number=_whole(tags, "ImageNumber"),
        taken_camera_ns=taken_ns,
        has_subseconds=subseconds,
        exposure_s=_number(tags, "ExposureTime"),
        f_number=_number(tags, "FNumber"),
        iso=_number(tags, "ISOSpeedRatings") or _number(tags, "PhotographicSensitivity"),
        problem="" if taken_ns is not None else "its EXIF has no time of exposure",
    )


def _tags(file: BinaryIO) -> dict[str, Any]:
    import exifread

    logging.getLogger("exifread").setLevel(logging.CRITICAL)
    tags: dict[str, Any] = {}
    for block in _blocks(file):
        tags |= exifread.process_file(block, details=False, extract_thumbnail=False)
    return tags


def _blocks(file: BinaryIO) -> Iterator[BinaryIO]:
    """Return what the EXIF reader reads: the file; or for two kinds of raw that it does not know, what they hold."""
    head = file.read(96)
    if head.startswith(b"FUJIFILMCCD-RAW"):
        at = int.from_bytes(head[_RAF_JPEG_AT : _RAF_JPEG_AT + 4])
        size = int.from_bytes(head[_RAF_JPEG_AT + 4 : _RAF_JPEG_AT + 8])
        file.seek(at)
        yield io.BytesIO(file.read(min(size, _LARGEST_BLOCK)))
    elif head[4:12] == b"ftypcrx ":
        for at, size in _boxes(file, 0, os.fstat(file.fileno()).st_size, b"moov"):
            for inner, length in _boxes(file, at, at + size, b"uuid"):
                file.seek(inner)
                if file.read(16) == _CANON_BOX:
                    for kind in (b"CMT1", b"CMT2"):
                        for start, long in _boxes(file, inner + 16, inner + length, kind):
                            file.seek(start)
                            yield io.BytesIO(file.read(min(long, _LARGEST_BLOCK)))
    else:
        file.seek(0)
        yield file


def _boxes(file: BinaryIO, at: int, end: int, kind: bytes) -> Iterator[tuple[int, int]]:
    """Return start and length of what is in the boxes of a kind (ISO 14496-12), from a byte to another."""
    while at + 8 <= end:
        file.seek(at)
        head = file.read(16)
        size, start = int.from_bytes(head[:4]), at + 8
        if size == 1:
            size, start = int.from_bytes(head[8:16]), at + 16
        elif size == 0:
            size = end - at
        if size < start - at or at + size > end:
            return
        if head[4:8] == kind:
            yield start, at + size - start
        at += size


def _value(tags: dict[str, Any], name: str) -> Sequence[Any] | None:
    for group in ("EXIF", "Image"):
        tag = tags.get(f"{group} {name}")
        if tag is not None and tag.values:
            values: Sequence[Any] = tag.values
            return values
    return None


def _text(tags: dict[str, Any], name: str) -> str:
    value = _value(tags, name)
    return value.replace("\0", "").strip() if isinstance(value, str) else ""


def _number(tags: dict[str, Any], name: str) -> float | None:
    value = _value(tags, name)
    try:
        number = float(value[0]) if value else 0.0
    except (TypeError, ValueError, ZeroDivisionError, IndexError):
        return None
    return number if number > 0 else None


def _whole(tags: dict[str, Any], name: str) -> int | None:
    number = _number(tags, name)
    return None if number is None else int(number)


def _taken(tags: dict[str, Any]) -> tuple[int | None, bool]:
    for kind in ("Original", "Digitized"):
        try:
            stamp = _text(tags, f"DateTime{kind}")[:19] + " +0000"
            moment = datetime.strptime(stamp, "%Y:%m:%d %H:%M:%S %z")
            instant = utc_ns(moment - _offset(_text(tags, f"OffsetTime{kind}")))
        except (ValueError, OverflowError):
            continue
        digits = _text(tags, f"SubSecTime{kind}")
        if digits.isdigit() and digits.isascii():
            return instant + int(digits[:9].ljust(9, "0")), True
        return instant, False
    return None, False


def _offset(text: str) -> timedelta:
    """Return an EXIF offset such as ``+02:00``; none at all where there is none."""
    if len(text) != 6 or text[0] not in "+-" or text[3] != ":" or not (text[1:3] + text[4:]).isdigit():
        return timedelta()
    size = timedelta(hours=int(text[1:3]), minutes=int(text[4:]))
    return -size if text[0] == "-" else size
