"""Refit: from a moment on, what still fits of the frames that have not fired.

The rule: frames that are wanted more are placed first; a frame whose own time is still to come keeps
it; a frame whose time was lost takes the earliest gap inside its own stretch. Nothing is placed
outside its stretch or so that its exposure would end past its limit. Deterministic.
"""

from __future__ import annotations

import bisect
from collections.abc import Iterable
from dataclasses import dataclass

from controller.timeline.model import Frame
from controller.units import UtcNs, seconds_to_ns


@dataclass(frozen=True)
class Placement:
    """Where a refit put a frame; `due_utc_ns` None when there is no room for it."""

    frame: Frame
    due_utc_ns: UtcNs | None


class Slots:
    """Disjoint intervals of time in which one camera is taken."""

    def __init__(self, taken: Iterable[tuple[int, int]] = ()) -> None:
        self._starts: list[int] = []
        self._ends: list[int] = []
        for start, end in taken:
            self.take(start, end)

    def is_free(self, start: int, end: int) -> bool:
        """Return whether nothing is taken between `start` and `end`."""
        index = bisect.bisect_right(self._starts, start)
        if index and self._ends[index - 1] > start:
            return False
        return index == len(self._starts) or self._starts[index] >= end

    def take(self, start: int, end: int) -> None:
        """Take an interval; overlapping ones may be taken too (they then count as one)."""
        index = bisect.bisect_right(self._starts, start)
        if index and self._ends[index - 1] >= start:
            index -= 1
            start = self._starts[index]
        last = index
        while last < len(self._starts) and self._starts[last] <= end:
            end = max(end, self._ends[last])
            last += 1
        self._starts[index:last] = [start]
        self._ends[index:last] = [end]

    def earliest(self, start: int, length: int, latest: int) -> int | None:
        """Return the earliest free start, from `start` to `latest`, for an interval of `length`."""
        index = bisect.bisect_right(self._starts, start)
        if index and self._ends[index - 1] > start:
            start = self._ends[index - 1]
        while start <= latest:
            if index == len(self._starts) or self._starts[index] >= start + length:
                return start
            start = self._ends[index]
            index += 1
        return None

    def gaps(self, start: int, end: int) -> list[tuple[int, int]]:
        """Return the free intervals between `start` and `end`."""
        found = []
        for taken_start, taken_end in zip(self._starts, self._ends, strict=True):
            if taken_end <= start:
                continue
            if taken_start >= end:
                break
            if taken_start > start:
                found.append((start, taken_start))
            start = max(start, taken_end)
        if start < end:
            found.append((start, end))
        return found


def refit(
    frames: Iterable[Frame], now_utc_ns: int, *, lead_ns: int, taken: Iterable[tuple[int, int]] = ()
) -> list[Placement]:
    """Place `frames` of one rig from `now_utc_ns` on.

    Args:
        frames: those of the phase that are not yet handed to the camera.
        now_utc_ns: the present instant.
        lead_ns: nothing is placed sooner than this after now, for the camera to be set.
        taken: intervals (UTC nanoseconds) in which the camera is already busy.

    Returns:
        One placement a frame, in the order they were placed: most wanted first.
    """
    soonest = now_utc_ns + lead_ns
    slots = Slots(taken)
    order = sorted(frames, key=lambda f: (f.wanted.rank, f.due_utc_ns < soonest, f.due_utc_ns, f.frame_id))
    placements = []
    for frame in order:
        latest = min(frame.movable_until_utc_ns, last_start(frame))
        due: int | None
        if frame.due_utc_ns >= soonest and slots.is_free(frame.due_utc_ns, frame.due_utc_ns + frame.slot_ns):
            due = frame.due_utc_ns
        else:
            due = slots.earliest(max(soonest, frame.starts_from_utc_ns), frame.slot_ns, latest)
        if due is not None:
            slots.take(due, due + frame.slot_ns)
        placements.append(Placement(frame, None if due is None else UtcNs(due)))
    return placements


def last_start(frame: Frame) -> int:
    """Return the latest release after which the exposure would not end by its limit, UTC nanoseconds."""
    return frame.ends_by_utc_ns - seconds_to_ns(frame.settings.exposure_s)
