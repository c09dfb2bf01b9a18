"""The ephemeris file: where the Sun, the Moon and the Earth are."""

from __future__ import annotations

import datetime as dt
import struct
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from controller.errors import SkyError
from controller.sky.earth_rotation import data_folder

if TYPE_CHECKING:
    from skyfield.jpllib import SpiceKernel
    from skyfield.vectorlib import VectorFunction

_BODIES = {"Sun": 10, "Moon": 301, "Earth": 399}
_J2000_JD = 2451545.0
_J2000_DATE = dt.date(2000, 1, 1)
MARGIN_DAYS = 2.0
"""Days at each end of the file that are not used: light time and the hours around an eclipse."""


@dataclass(frozen=True)
class Ephemeris:
    """An opened SPK file with Sun, Moon and Earth in it."""

    name: str
    kernel: SpiceKernel
    earth: VectorFunction
    sun: VectorFunction
    moon: VectorFunction
    start_jd: float
    end_jd: float

    @property
    def first_date(self) -> dt.date:
        """Return the first usable date."""
        return date_of_jd(self.start_jd + MARGIN_DAYS + 1)

    @property
    def last_date(self) -> dt.date:
        """Return the last usable date."""
        return date_of_jd(self.end_jd - MARGIN_DAYS - 1)

    def require(self, date: dt.date) -> None:
        """Refuse a date the file does not cover.

        Raises:
            SkyError: with the range the file covers.
        """
        if not self.first_date <= date <= self.last_date:
            raise SkyError(
                f"{date} is outside the ephemeris {self.name}, which covers {self.first_date} to {self.last_date}. "
                "Mend: give a date in that range, or an SPK file that covers the date."
            )


def jd_of_date(date: dt.date) -> float:
    """Return the Julian date of 0 h on a date."""
    return _J2000_JD - 0.5 + (date - _J2000_DATE).days


def date_of_jd(jd: float) -> dt.date:
    """Return the calendar date a Julian date falls on, clipped to the years 1 to 9999."""
    days = int((jd + 0.5) // 1 - _J2000_JD)
    ordinal = min(max(_J2000_DATE.toordinal() + days, 1), dt.date.max.toordinal())
    return dt.date.fromordinal(ordinal)


def load_ephemeris(path: str | Path | None = None) -> Ephemeris:
    """Open an SPK file, or the DE421 that comes with the installation. Opened files are kept.

    Raises:
        SkyError: if the file is missing, is no SPK file, or lacks Sun, Moon or Earth.
    """
    chosen = data_folder() / "de421.bsp" if path is None else Path(path).expanduser()
    try:
        changed_ns = chosen.stat().st_mtime_ns
    except OSError as problem:
        raise SkyError(
            f"The ephemeris {chosen} cannot be opened ({problem.strerror}). Mend: give the path of an SPK (.bsp) file."
        ) from problem
    return _open(chosen.resolve(), changed_ns)


@cache
def _open(path: Path, changed_ns: int) -> Ephemeris:  # noqa: ARG001 - part of the cache's key
    from skyfield.jpllib import SpiceKernel

    mend = "Mend: give an SPK (.bsp) file of a planetary ephemeris such as DE421 or DE440."
    fault = _file_fault(path)
    if fault:
        raise SkyError(f"The ephemeris {path} {fault}. {mend}")
    try:
        kernel = SpiceKernel(str(path))
    except (ValueError, OSError, struct.error) as problem:
        raise SkyError(f"The ephemeris {path} cannot be read as an SPK file ({problem}). {mend}") from problem
    spans = []
    found = {}
    for name, code in _BODIES.items():
        try:
            found[name] = kernel[code]
        except (KeyError, ValueError) as problem:
            kernel.close()
            raise SkyError(
                f"The ephemeris {path} has no path from the barycentre to the {name}. {mend}"
            ) from problem
        spans.append(_span(kernel, code))
    return Ephemeris(
        name=path.stem.upper(),
        kernel=kernel,
        earth=found["Earth"],
        sun=found["Sun"],
        moon=found["Moon"],
        start_jd=max(start for start, _ in spans),
        end_jd=min(end for _, end in spans),
    )


def _file_fault(path: Path) -> str:
    """Return what is wrong with a file by its first record, or nothing.

    Layout: NAIF DAF Required Reading, "the file record": the identification word at byte 0, the first
    free address in double words at byte 84, the byte order at byte 88.
    """
    try:
        with path.open("rb") as file:
            record = file.read(1024)
            size = file.seek(0, 2)
    except OSError as problem:
        return f"cannot be opened ({problem.strerror})"
    if len(record) == 1024 and record.startswith(b"NAIF/DAF"):
        return ""  # the old form, which does not say its byte order
    orders = {b"LTL-IEEE": "<i", b"BIG-IEEE": ">i"}
    if len(record) < 1024 or not record.startswith(b"DAF/SPK") or record[88:96] not in orders:
        return "is no SPK file"
    (free,) = struct.unpack(orders[record[88:96]], record[84:88])
    return "is cut short" if size < (free - 1) * 8 else ""


def _span(kernel: SpiceKernel, code: int) -> tuple[float, float]:
    """Return the Julian dates (TDB) between which a body can be followed to the barycentre."""
    start, end = float("-inf"), float("inf")
    while code != 0:
        segments = [segment.spk_segment for segment in kernel.segments if segment.target == code]
        start = max(start, min(segment.start_jd for segment in segments))
        end = min(end, max(segment.end_jd for segment in segments))
        code = segments[0].center
    return start, end
