"""A picture beside the frame of the run that it is, and how its pixels are read. Nothing here writes.

A raw file is read by the largest JPEG inside it, which cameras put there to be looked at; what the raw data
themselves hold is not read.
"""

from __future__ import annotations

import io
import math
import mmap
import re
import warnings
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from controller.account.gather.model import Match
from controller.light.stops import format_exposure
from controller.timeline.model import Frame, Settings
from controller.units import NS_PER_S

if TYPE_CHECKING:
    from PIL.Image import Image

CLIPPED_CODE = 250
"""At this code of 255 or above a pixel is clipped, or so near that a JPEG does not tell."""
CLOCK_UNCERTAINTY_S = 0.05
"""How well a camera's release is known when nobody measured its lag (common practice, no single source)."""

_LARGEST_RAW_BYTES = 400_000_000
_JPEG_STARTS = b"\xff\xd8\xff"
_MOST_INSIDE = 12
_JPEG_ENDINGS = frozenset({".jpg", ".jpeg", ".jpe"})

Grey = NDArray[np.float32]


@dataclass(frozen=True, kw_only=True)
class Taken:
    """One picture, and the frame of the run that it is."""

    frame: Frame
    path: Path
    """The file that is looked at."""
    opened_utc_ns: int
    """Best estimate of when the shutter opened."""
    settings: Settings
    """As the camera reported them; as planned where it gave no number."""
    clock_s: float = CLOCK_UNCERTAINTY_S
    """Standard uncertainty of the instant, the part that all pictures of the rig share, seconds."""
    raw: Path | None = None
    """The raw file of the same picture, where there is one beside a JPEG."""

    @property
    def middle_utc_ns(self) -> int:
        """Return the middle of the exposure."""
        return self.opened_utc_ns + round(self.settings.exposure_s * NS_PER_S / 2)

    @property
    def listed(self) -> Path:
        """Return the file that is named in lists: the raw one where there are both."""
        return self.raw or self.path


def taken_of(matches: Iterable[Match]) -> list[Taken]:
    """Return gathered pictures with what is asked of them here, by rig and instant.

    What their instants have in common is the clock's uncertainty and that of the release lag.
    """
    made = []
    for match in matches:
        account = match.frame.account
        planned, got = account.frame.settings, account.read_back or {}
        paths = [picture.path for picture in match.pictures]
        jpegs = [path for path in paths if path.suffix.lower() in _JPEG_ENDINGS]
        raws = [path for path in paths if path not in jpegs]
        made.append(
            Taken(
                frame=account.frame,
                path=(jpegs or paths)[0],
                opened_utc_ns=match.taken_utc_ns,
                settings=Settings(
                    exposure_s=got.get("exposure_s") or planned.exposure_s,
                    f_number=got.get("f_number") or planned.f_number,
                    iso=round(got.get("iso") or planned.iso),
                ),
                clock_s=math.hypot(match.clock.uncertainty_s, CLOCK_UNCERTAINTY_S),
                raw=raws[0] if raws and jpegs else None,
            )
        )
    return sorted(made, key=lambda taken: (taken.frame.rig, taken.opened_utc_ns, taken.frame.frame_id))


def exposure_words(settings: Settings) -> str:
    """Return exposure, f-number and speed as photographers write them."""
    return f"{format_exposure(settings.exposure_s)}  f/{settings.f_number:g}  ISO {settings.iso}"


def seconds_words(instant_ns: int, from_ns: int) -> str:
    """Return how far an instant lies from another, in seconds with a sign."""
    return f"{(instant_ns - from_ns) / NS_PER_S:+.1f} s"


class UnreadableError(Exception):
    """Raised when a file holds no picture that can be read; its text says why."""


def open_picture(path: Path, *, at_least_px: int | None = None, upright: bool = False) -> Image:
    """Return a picture in RGB, read from the file or from the JPEG inside a raw file.

    Args:
        path: the file, opened for reading only.
        at_least_px: a smaller version, at least so wide and high, will do: it is read sooner.
        upright: turn it as its EXIF says that the camera was held.

    Raises:
        UnreadableError: if there is no picture that can be read.
    """
    from PIL import Image, ImageOps

    try:
        with path.open("rb") as file, warnings.catch_warnings():
            # of damage, and of large sizes, as there are cameras that have them
            warnings.simplefilter("ignore")
            if file.read(3) == _JPEG_STARTS:
                file.seek(0)
                whole = Image.open(file)
                if at_least_px is not None:
                    whole.draft("RGB", (at_least_px, at_least_px))
                image: Image.Image = whole
            else:
                image = _inside(path)
            return (ImageOps.exif_transpose(image) if upright else image).convert("RGB")
    except Exception as error:  # a damaged file may break its reader in any way
        raise UnreadableError(f"{path}: no picture can be read from it ({error}).") from error


def _inside(path: Path) -> Image:
    """Return the largest JPEG inside a file, or the file itself where it is another kind of picture."""
    from PIL import Image

    largest: Image.Image | None = None
    if path.stat().st_size > _LARGEST_RAW_BYTES:
        raise OSError("it is larger than any raw file")
    with path.open("rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as data:
        for number, found in enumerate(re.finditer(re.escape(_JPEG_STARTS), data)):
            if number >= _MOST_INSIDE:
                break
            try:
                image = Image.open(io.BytesIO(data[found.start() :]))
                if image.format == "JPEG" and (largest is None or image.width > largest.width):
                    image.load()
                    largest = image
            except Exception:  # noqa: BLE001, S112 - as above; these bytes may mean anything else
                continue
    if largest is None:
        largest = Image.open(path)
        largest.load()
    return largest


def green_codes(path: Path) -> NDArray[np.uint8]:
    """Return the green of each pixel, 0 to 255, as it stands in the file.

    Raises:
        UnreadableError: if there is no picture that can be read.
    """
    return np.asarray(open_picture(path).getchannel("G"))


def linear(codes: NDArray[np.uint8]) -> Grey:
    """Return codes as fractions of saturation, by the sRGB curve (IEC 61966-2-1)."""
    return _CURVE[codes]


def _srgb() -> Grey:
    coded = np.arange(256) / 255
    return np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4).astype(np.float32)


_CURVE = _srgb()


def code_of(level: float) -> int:
    """Return the lowest code of 255 that stands for a fraction of saturation or more; 256 above all."""
    return int(np.searchsorted(_CURVE, level))


def by_rig_and_phase(taken: Sequence[Taken]) -> Iterator[tuple[str, str, list[Taken]]]:
    """Return pictures by rig and phase, in the order in which these begin; each in time order."""
    groups: dict[tuple[str, str], list[Taken]] = {}
    for one in sorted(taken, key=lambda one: (one.opened_utc_ns, one.frame.frame_id)):
        groups.setdefault((one.frame.rig, one.frame.phase), []).append(one)
    for (rig, phase), members in groups.items():
        yield rig, phase, members
