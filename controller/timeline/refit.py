"""Refit: from a moment on, the best that still fits of the frames that have not fired.

What is best is told by one score, `worth`: any must frame before all others; among the others a want picture
counts ten nice ones; and a picture that repeats a shot at an exposure which it has already counts the less,
the more there are. So the first of each exposure of a bracket comes before a repeat of any.

Frames are placed one by one, those that add most first. A frame whose own time is still to come keeps it if it
can. Any other takes the earliest gap inside its own stretch: one that is nobody's own time, else any that is
left, else one that others make by moving within their stretches. Then what found no room is tried again ahead
of the rest, in a bounded number of rounds, and the best set stays. Nothing is placed outside its stretch or so
that its exposure would end past its limit. Deterministic.
"""

from __future__ import annotations

import bisect
import heapq
import math
from collections import Counter, deque
from collections.abc import Iterable, Iterator, Mapping, Sequence
from copy import copy
from dataclasses import dataclass
from itertools import chain, compress
from typing import NamedTuple

from controller.timeline.model import Frame, Settings
from controller.units import UtcNs, Wanted

FIRST_PICTURE = {Wanted.MUST: 1.0, Wanted.WANT: 10.0, Wanted.NICE: 1.0}
"""What the first picture of a shot at an exposure is worth. Must frames are counted apart: see `Score`."""
MOVING = 0.01
"""What a frame, unless it is a must, has to add for each that gives up its own time for it."""
MOVING_AT_MOST = 0.03
"""All frames that leave their times together count no more than this share of all that could be placed."""
WORK = 1000
"""How many frames a refit may place in all its rounds after the first: this bounds the time it takes."""
WORK_OF_FEW = 24_000
"""As many rounds as this over the square of the number of frames are made in any case: few frames are placed fast."""
GOOD_ENOUGH = 0.99
"""No further round once the set is worth this much of all that could be placed if each were alone."""

Picture = tuple[str, Settings]
"""A shot and its settings: what further frames of it repeat."""


def picture_of(frame: Frame) -> Picture:
    """Return what the frame shows, as far as one phase of one rig goes."""
    return frame.shot, frame.settings


class Score(NamedTuple):
    """What a set of frames is worth. Compared in this order, so no must frame is lost for ones wanted less."""

    must: float
    others: float


def worth(wanted: Wanted, had: int) -> float:
    """Return what one more picture adds where there are `had` of its shot and settings: the first, a quarter ..."""
    return FIRST_PICTURE[wanted] / (had + 1) ** 2


def score(frames: Iterable[Frame], had: Iterable[Frame] = ()) -> Score:
    """Return what `frames` add to the pictures `had` of the same phase and rig, whatever their order."""
    count = Counter(map(picture_of, had))
    must: list[float] = []
    others: list[float] = []
    for frame in frames:
        adds = worth(frame.wanted, count[picture_of(frame)])
        count[picture_of(frame)] += 1
        (must if frame.wanted is Wanted.MUST else others).append(adds)
    return Score(math.fsum(must), math.fsum(others))


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
        self._searched: dict[tuple[int, int], int] = {}
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
        """Return the earliest free start, from `start` to `latest`, for an interval of `length`.

        What was searched once from the same start is not searched again: nothing that is taken is given back.
        """
        asked = (start, length)
        start = max(start, self._searched.get(asked, start))
        index = bisect.bisect_right(self._starts, start)
        if index and self._ends[index - 1] > start:
            start = self._ends[index - 1]
        while start <= latest:
            if index == len(self._starts) or self._starts[index] >= start + length:
                break
            start = self._ends[index]
            index += 1
        self._searched[asked] = start
        return start if start <= latest else None

    def intervals(self) -> list[tuple[int, int]]:
        """Return what is taken, in order, without overlaps."""
        return list(zip(self._starts, self._ends, strict=True))

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


class _Item:
    """A frame with the bounds of its place. Equal only to itself."""

    __slots__ = ("first", "frame", "keeps", "last", "must", "own", "picture", "slot", "wanted")

    def __init__(self, frame: Frame, picture: int, soonest: int, longest_ns: int) -> None:
        self.frame, self.picture, self.wanted = frame, picture, frame.wanted
        self.must = frame.wanted is Wanted.MUST
        self.own, self.slot = frame.due_utc_ns, frame.slot_ns
        self.first = max(soonest, frame.starts_from_utc_ns)
        self.last = min(frame.movable_until_utc_ns, frame.ends_by_utc_ns - longest_ns)
        self.keeps = self.first <= self.own <= self.last

    @property
    def stretch(self) -> tuple[int, int, int]:
        """What decides whether there is room for it."""
        return self.first, self.last, self.slot


class _Attempt:
    """One way to place the items: a row of frames in order, and what found no room."""

    def __init__(
        self,
        items: Sequence[_Item],
        busy: Slots,
        had: Mapping[int, int],
        moving: float,
        ahead: tuple[_Item, ...] = (),
    ) -> None:
        self.moving, self.ahead = moving, ahead
        self.starts = [start for start, _ in busy.intervals()]
        self.ends = [end for _, end in busy.intervals()]
        self.items: list[_Item | None] = [None] * len(self.starts)
        self.firsts, self.lasts = list(self.starts), list(self.starts)  # what is taken does not move
        self.spared = busy.copy()
        for item in items:
            if item.keeps:
                self.spared.take(item.own, item.own + item.slot)
        self.had = dict(had)
        self.adds: dict[bool, list[float]] = {True: [], False: []}
        self.lost: list[_Item] = []
        self.hopeless: set[tuple[int, int, int]] = set()
        self.place_all(ahead, [item for item in items if item not in ahead])
        self.score = Score(math.fsum(self.adds[True]), math.fsum(self.adds[False]))
        moved = sum(
            item is not None and item.keeps and not self.at_own_time(index)
            for index, item in enumerate(self.items)
        )
        self.value = (self.score.must, self.score.others - moving * moved)

    def place_all(self, ahead: Iterable[_Item], rest: Iterable[_Item]) -> None:
        """Place `ahead` in their order, then the rest, each time one of those that add most by then.

        Of several that add as much, those that may keep their time go first, in the order of the day; then
        those whose stretch ends first. All frames of a bracket have one stretch, and so keep their order.
        """
        for item in ahead:
            self.find(item)
        waiting: dict[int, list[tuple[bool, int, int, str, _Item]]] = {}
        for item in rest:
            waiting.setdefault(item.picture, []).append(_turn(item, keeps=item.keeps))
        queue: list[tuple[bool, float, tuple[bool, int, int, str, _Item]]] = []
        for ones in waiting.values():
            heapq.heapify(ones)
            heapq.heappush(queue, self.entry(ones))
        while queue:
            *_, item = heapq.heappop(queue)[-1]
            ones = waiting[item.picture]
            moves, *_ = heapq.heappop(ones)
            if moves:
                self.find(item)
            elif not self.keep(item):
                heapq.heappush(ones, _turn(item, keeps=False))
            if ones:
                heapq.heappush(queue, self.entry(ones))

    def entry(
        self, ones: list[tuple[bool, int, int, str, _Item]]
    ) -> tuple[bool, float, tuple[bool, int, int, str, _Item]]:
        """Return the next frame of a picture as it queues with those of others."""
        item = ones[0][-1]
        return not item.must, -worth(item.wanted, self.had.get(item.picture, 0)), ones[0]

    def keep(self, item: _Item) -> bool:
        """Place a frame at its own time if that is to come and free."""
        index = bisect.bisect_right(self.starts, item.own)
        if (
            not item.keeps
            or (index and self.ends[index - 1] > item.own)
            or (index < len(self.starts) and self.starts[index] < item.own + item.slot)
        ):
            return False
        self.put(item, item.own, index)
        return True

    def find(self, item: _Item) -> None:
        """Place a frame where there is room, or where others can make room, or give it up."""
        if item.stretch in self.hopeless:
            self.lost.append(item)
            return
        at = self.spared.earliest(item.first, item.slot, item.last)
        if at is None:
            at = self.gap(item)
        if at is not None:
            self.put(item, at, bisect.bisect_right(self.starts, at))
        elif not self.squeeze(item):
            self.hopeless.add(item.stretch)
            self.lost.append(item)

    def gap(self, item: _Item) -> int | None:
        """Return the earliest start at which nothing placed so far is in the way."""
        starts, ends, at = self.starts, self.ends, item.first
        index = bisect.bisect_right(starts, at)
        if index:
            at = max(at, ends[index - 1])
        while at <= item.last:
            if index == len(starts) or starts[index] >= at + item.slot:
                return at
            at = ends[index]
            index += 1
        return None

    def put(self, item: _Item, at: int, index: int) -> None:
        """Place a frame in the row, where it is free."""
        self.items.insert(index, item)
        self.starts.insert(index, at)
        self.ends.insert(index, at + item.slot)
        self.firsts.insert(index, item.first)
        self.lasts.insert(index, item.last)
        self.spared.take(at, at + item.slot)
        had = self.had.get(item.picture, 0)
        self.adds[item.must].append(worth(item.wanted, had))
        self.had[item.picture] = had + 1

    def at_own_time(self, index: int) -> bool:
        """Return whether a place in the row is a frame's own."""
        item = self.items[index]
        return item is not None and item.own == self.starts[index]

    def squeeze(self, item: _Item) -> bool:
        """Place a frame where others, in their order, move apart for it; where they have to move least."""
        early, late = self.leeway()
        starts, ends, first, last, slot = self.starts, self.ends, item.first, item.last, item.slot
        where = self.place_between(item, early, late)
        if where < 0:
            return False
        at = max(first, ends[where - 1]) if where else first
        at = min(at, last, late[where] - slot if where < len(starts) else last)
        moves = self.apart(where, at, at + slot)
        if not item.must:
            leaving = sum(self.at_own_time(index) for index in moves)
            if worth(item.wanted, self.had.get(item.picture, 0)) < self.moving * leaving:
                return False
        for index, start in moves.items():
            ends[index] += start - starts[index]
            starts[index] = start
            self.spared.take(start, ends[index])
        self.put(item, at, where)
        return True

    def place_between(self, item: _Item, early: list[int], late: list[int]) -> int:
        """Return the index in the row where others have to move least to let a frame in; -1: nowhere."""
        starts, ends, first, last, slot = self.starts, self.ends, item.first, item.last, item.slot
        count = len(starts)
        least, where = 2**63, -1
        for index in range(bisect.bisect_left(late, first + slot), count + 1):
            soonest = max(first, early[index - 1]) if index else first
            if soonest > last:
                break
            if index < count and soonest + slot > late[index]:
                continue
            begins = max(first, ends[index - 1]) if index else first
            lacks = max(0, begins - last)
            if index < count:
                lacks += max(0, min(begins, last) + slot - starts[index])
            if lacks < least:
                least, where = lacks, index
        return where

    def apart(self, index: int, begins: int, ends: int) -> dict[int, int]:
        """Return whither those before and after a place move to leave it free."""
        moves = {}
        before, after = index - 1, index
        while before >= 0 and self.ends[before] > begins:
            begins -= self.ends[before] - self.starts[before]
            moves[before] = begins
            before -= 1
        while after < len(self.starts) and self.starts[after] < ends:
            moves[after] = ends
            ends += self.ends[after] - self.starts[after]
            after += 1
        return moves

    def leeway(self) -> tuple[list[int], list[int]]:
        """Return the earliest end and the latest start of each in the row, the order kept."""
        early, late = [], []
        reached = 0
        for first, start, end in zip(self.firsts, self.starts, self.ends, strict=True):
            reached = (reached if reached > first else first) + end - start
            early.append(reached)
        reached = 2**63
        for index in range(len(self.starts) - 1, -1, -1):
            reached += self.starts[index] - self.ends[index]
            if self.lasts[index] < reached:
                reached = self.lasts[index]
            late.append(reached)
        late.reverse()
        return early, late

    def loses_a_must(self) -> bool:
        """Return whether a must frame was lost that would find room among the must frames alone."""
        lost = {item.stretch: item for item in self.lost if item.must}
        if not lost:
            return False
        bare = copy(self)
        stays = [item is None or item.must for item in self.items]
        bare.starts, bare.ends = list(compress(self.starts, stays)), list(compress(self.ends, stays))
        bare.firsts, bare.lasts = list(compress(self.firsts, stays)), list(compress(self.lasts, stays))
        early, late = bare.leeway()
        return any(bare.place_between(item, early, late) >= 0 for item in lost.values())

    def settle(self) -> None:
        """Move each, where nothing is in its way, to or towards its own time, or to as early as it goes."""
        reached = 2**63
        for index in range(len(self.items) - 1, -1, -1):
            item = self.items[index]
            if item is not None and self.starts[index] < item.own:
                self.starts[index] = min(item.own, item.last, reached - item.slot)
                self.ends[index] = self.starts[index] + item.slot
            reached = self.starts[index]
        reached = 0
        for index, item in enumerate(self.items):
            if item is not None and self.starts[index] > item.own:
                self.starts[index] = max(item.own, item.first, reached)
                self.ends[index] = self.starts[index] + item.slot
            reached = self.ends[index]


def _turn(item: _Item, *, keeps: bool) -> tuple[bool, int, int, str, _Item]:
    """Return when an item's turn is among others that add as much; ends in what is unique, and the item."""
    frame = item.frame
    if keeps:
        return False, item.own, item.own, frame.frame_id, item
    return (
        True,
        frame.movable_until_utc_ns + frame.settings.longest_exposure_ns,
        item.own,
        frame.frame_id,
        item,
    )


def _by_wanted(frame: Frame) -> tuple[int, int, str]:
    return frame.wanted.rank, frame.due_utc_ns, frame.frame_id


def refit(
    frames: Iterable[Frame],
    now_utc_ns: int,
    *,
    lead_ns: int,
    taken: Iterable[tuple[int, int]] = (),
    had: Iterable[Frame] = (),
) -> list[Placement]:
    """Place `frames` of one rig from `now_utc_ns` on.

    Args:
        frames: those of the phase that are not yet handed to the camera.
        now_utc_ns: the present instant.
        lead_ns: nothing is placed sooner than this after now, for the camera to be set.
        taken: intervals (UTC nanoseconds) in which the camera is already busy.
        had: frames of the phase that have fired or are with the camera: more of the same is worth less.

    Returns:
        One placement a frame, the most wanted first, then in the order they were due.
    """
    ordered, had = sorted(frames, key=_by_wanted), list(had)
    pictures: dict[Picture, int] = {}
    count: Counter[int] = Counter()
    for frame in had:
        count[pictures.setdefault(picture_of(frame), len(pictures))] += 1
    longest: dict[int, int] = {}
    items = []
    for frame in ordered:
        picture = pictures.setdefault(picture_of(frame), len(pictures))
        if picture not in longest:
            longest[picture] = frame.settings.longest_exposure_ns
        item = _Item(frame, picture, now_utc_ns + lead_ns, longest[picture])
        if item.first <= item.last:
            items.append(item)
    best = _best(items, Slots(taken), count, score((item.frame for item in items), had))
    best.settle()
    at = {
        item.frame.frame_id: UtcNs(start) for item, start in zip(best.items, best.starts, strict=True) if item
    }
    return [Placement(frame, at.get(frame.frame_id)) for frame in ordered]


def _best(items: Sequence[_Item], busy: Slots, had: Mapping[int, int], most: Score) -> _Attempt:
    """Return the best of a bounded number of attempts; no set of the items adds more than `most`."""
    moving = min(MOVING, MOVING_AT_MOST * most.others / max(1, len(items)))
    best = _Attempt(items, busy, had, moving)
    tried: set[tuple[_Item, ...]] = {()}
    untold = deque([best])
    orders: Iterator[tuple[_Item, ...]] = iter(())
    count = max(1, len(items))
    for _ in range(max(WORK // count, WORK_OF_FEW // count**2)):
        if best.score.must >= GOOD_ENOUGH * most.must and best.score.others >= GOOD_ENOUGH * most.others:
            break
        while (ahead := next((order for order in orders if order not in tried), None)) is None and untold:
            orders = _orders(untold.popleft(), items)
        if ahead is None:
            break
        tried.add(ahead)
        attempt = _Attempt(items, busy, had, moving, ahead)
        if attempt.value > best.value and not attempt.loses_a_must():
            best = attempt
            orders = _orders(best, items)
        else:
            untold.append(attempt)
    return best


def _orders(attempt: _Attempt, items: Sequence[_Item]) -> Iterator[tuple[_Item, ...]]:
    """Yield whom to place first after an attempt: all that found no room, one of them, one behind another."""
    lost = list({(item.picture, item.stretch): item for item in attempt.lost}.values())
    firsts = chain([lost], ([item] for item in lost), ([other, item] for item in lost for other in items))
    for first in firsts:
        yield *dict.fromkeys(first), *(item for item in attempt.ahead if item not in first)


def last_start(frame: Frame) -> int:
    """Return the latest release after which the exposure would not end by its limit, UTC nanoseconds."""
    return frame.ends_by_utc_ns - frame.settings.longest_exposure_ns
