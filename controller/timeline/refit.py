"""Refit: from a moment on, what still fits of the frames that have not fired.

The rule: frames that are wanted more are placed first. A frame whose own time is still to come keeps it
unless a more wanted one needs it. A frame whose time was lost takes the earliest gap inside its own
stretch, first the frames whose stretch ends first; where there is no gap, less wanted frames make room.
Where must frames would be lost so, all of them are placed anew if that places more of them.
Nothing is placed outside its stretch or so that its exposure would end past its limit. Deterministic.
"""

from __future__ import annotations

import bisect
from collections.abc import Iterable
from dataclasses import dataclass

from controller.timeline.model import Frame
from controller.units import UtcNs, Wanted


@dataclass(frozen=True)
class Placement:
    """Where a refit put a frame; `due_utc_ns` None when there is no room for it."""

    frame: Frame
    due_utc_ns: UtcNs | None


class Slots:
    """The intervals of time in which one camera is taken."""

    def __init__(self, taken: Iterable[tuple[int, int]] = ()) -> None:
        self._starts: list[int] = []
        self._ends: list[int] = []
        for start, end in taken:
            self.take(start, end)

    def copy(self) -> Slots:
        """Return the same intervals, to go on with apart."""
        return Slots(zip(self._starts, self._ends, strict=True))

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
        """Return the free intervals between `start` and `end`, in order."""
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
    busy = list(taken)
    waiting = sorted(frames, key=lambda frame: (frame.wanted.rank, frame.due_utc_ns, frame.frame_id))
    placements: list[Placement] = []
    while waiting:
        rank = waiting[0].wanted.rank
        same = [frame for frame in waiting if frame.wanted.rank == rank]
        waiting = waiting[len(same) :]
        placed = _place(same, waiting, soonest, busy)
        if rank == Wanted.MUST.rank and _lost(placed):
            anew = _place(same, [], soonest, busy, keep=False)
            placed = min(placed, anew, key=_lost)
        busy += [(p.due_utc_ns, p.due_utc_ns + p.frame.slot_ns) for p in placed if p.due_utc_ns is not None]
        placements += placed
    return placements


def _place(
    same: list[Frame],
    less_wanted: list[Frame],
    soonest: int,
    busy: list[tuple[int, int]],
    *,
    keep: bool = True,
) -> list[Placement]:
    """Place frames that are wanted equally beside what is busy, sparing the less wanted where it costs none.

    With `keep` those that can keep their time do; else all are placed as if they had lost it.
    """
    firm, sparing = Slots(busy), Slots(busy)
    placements, lost = [], []
    for frame in same:
        end = frame.due_utc_ns + frame.slot_ns
        if keep and _may_keep(frame, soonest) and firm.is_free(frame.due_utc_ns, end):
            firm.take(frame.due_utc_ns, end)
            sparing.take(frame.due_utc_ns, end)
            placements.append(Placement(frame, frame.due_utc_ns))
        else:
            lost.append(frame)
    for frame in less_wanted:
        if _may_keep(frame, soonest):
            sparing.take(frame.due_utc_ns, frame.due_utc_ns + frame.slot_ns)
    for frame in sorted(lost, key=_stretch_end):
        start, latest = max(soonest, frame.starts_from_utc_ns), _latest_start(frame)
        due = sparing.earliest(start, frame.slot_ns, latest)
        if due is None:
            due = firm.earliest(start, frame.slot_ns, latest)
        if due is not None:
            firm.take(due, due + frame.slot_ns)
            sparing.take(due, due + frame.slot_ns)
        placements.append(Placement(frame, None if due is None else UtcNs(due)))
    return placements


def _lost(placements: list[Placement]) -> int:
    return sum(placement.due_utc_ns is None for placement in placements)


def _may_keep(frame: Frame, soonest: int) -> bool:
    return max(soonest, frame.starts_from_utc_ns) <= frame.due_utc_ns <= _latest_start(frame)


def _latest_start(frame: Frame) -> int:
    return min(frame.movable_until_utc_ns, last_start(frame))


def _stretch_end(frame: Frame) -> int:
    """The end of the shot's stretch: the same for all frames of a bracket, which so keep their order."""
    return frame.movable_until_utc_ns + frame.settings.longest_exposure_ns


def last_start(frame: Frame) -> int:
    """Return the latest release after which the exposure would not end by its limit, UTC nanoseconds."""
    return frame.ends_by_utc_ns - frame.settings.longest_exposure_ns
