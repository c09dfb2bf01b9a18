"""Value types with their units in their names, and the instants everything is timed by.

One time scale is used outside `controller.sky`: UTC as integer nanoseconds since
1970-01-01T00:00:00 UTC, counted as POSIX does (a leap second is not counted).
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from enum import StrEnum
from typing import NewType

UtcNs = NewType("UtcNs", int)
"""An instant: UTC, integer nanoseconds since 1970-01-01 (POSIX count)."""

NS_PER_S = 1_000_000_000
FAR_NS = 2**62
"""An instant that never comes (the year 2116)."""
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


class ContactName(StrEnum):
    """The instants of an eclipse that plans are anchored to (trade terms)."""

    C1 = "C1"
    C2 = "C2"
    MID = "mid"
    C3 = "C3"
    C4 = "C4"


class Wanted(StrEnum):
    """How much a shot is wanted. `rank` 0 is wanted most."""

    MUST = "must"
    WANT = "want"
    NICE = "nice"

    @property
    def rank(self) -> int:
        """Return 0 for must, 1 for want, 2 for nice."""
        return ("must", "want", "nice").index(self.value)


class FilterState(StrEnum):
    """Where a rig's solar filter is, as the operator last said, or as a frame needs it."""

    ON = "on"
    OFF = "off"
    UNSAID = "unsaid"
    """Nobody has said yet (a rig's state only; no frame needs this)."""
    NOT_NEEDED = "not needed"
    """A rig that does not point at the Sun (a frame's need only)."""


def seconds_to_ns(seconds: float) -> int:
    """Return `seconds` as integer nanoseconds, rounded to the nearest."""
    return round(seconds * NS_PER_S)


def utc_ns(moment: datetime) -> UtcNs:
    """Return an aware datetime as UTC nanoseconds.

    Raises:
        ValueError: if `moment` has no time zone.
    """
    if moment.tzinfo is None:
        message = "a datetime without a time zone is no instant"
        raise ValueError(message)
    delta = moment - _EPOCH
    return UtcNs((delta.days * 86_400 + delta.seconds) * NS_PER_S + delta.microseconds * 1000)


def utc_datetime(instant: int) -> datetime:
    """Return UTC nanoseconds as an aware datetime, cut to the microsecond below."""
    return _EPOCH + timedelta(microseconds=instant // 1000)


def utc_iso(instant: int, digits: int = 3) -> str:
    """Return UTC nanoseconds as ISO 8601 with `digits` (0 to 9) decimals, rounded to nearest, and ``Z``."""
    step = 10 ** (9 - digits)
    rounded = (instant + step // 2) // step * step
    whole, fraction = divmod(rounded, NS_PER_S)
    stem = (_EPOCH + timedelta(seconds=whole)).strftime("%Y-%m-%dT%H:%M:%S")
    return f"{stem}.{fraction // step:0{digits}d}Z" if digits else f"{stem}Z"


def parse_utc_iso(text: str) -> UtcNs:
    """Read ISO 8601 with a zone (``Z`` or an offset), to the nanosecond.

    Raises:
        ValueError: if the text is no ISO 8601 instant, or has no zone.
    """
    stem, dot, rest = text.strip().partition(".")
    if not dot:
        return utc_ns(datetime.fromisoformat(stem))
    digits = rest[: len(rest) - len(rest.lstrip("0123456789"))]
    zone = rest[len(digits) :]
    base = utc_ns(datetime.fromisoformat(stem + zone))
    return UtcNs(base + int(digits[:9].ljust(9, "0")))
