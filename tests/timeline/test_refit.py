"""Refit: what still fits from now on, checked against its rules and against trying everything."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Iterable
from itertools import pairwise, permutations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.timeline.model import Frame, Settings
from controller.timeline.refit import Placement, Slots, last_start, refit
from controller.units import NS_PER_S, FilterState, UtcNs, Wanted, seconds_to_ns

T0 = 1_817_000_000 * NS_PER_S
MUST, WANT, NICE = Wanted


def at(seconds: float) -> UtcNs:
    """Seconds of the test's day as an instant."""
    return UtcNs(T0 + seconds_to_ns(seconds))


def frame(
    number: int,
    due: float,
    *,
    wanted: Wanted = WANT,
    start: float | None = None,
    until: float,
    ends_by: float = 1000.0,
    slot_s: float = 1.0,
    exposure_s: float = 0.1,
) -> Frame:
    """A frame due at a second, that may be moved between `start` and a last release at `until`."""
    return Frame(
        frame_id=f"long/{number:04d}",
        rig="long",
        phase="totality",
        shot="shot",
        take=1,
        step=1,
        settings=Settings(exposure_s=exposure_s, f_number=8, iso=100),
        wanted=wanted,
        filter_need=FilterState.OFF,
        due_utc_ns=at(due),
        deadline_utc_ns=at(due + 0.5),
        ends_by_utc_ns=at(ends_by),
        starts_from_utc_ns=at(due if start is None else start),
        movable_until_utc_ns=at(until),
        slot_ns=seconds_to_ns(slot_s),
    )


def places(
    frames: Iterable[Frame], now: float = 0, taken: Iterable[tuple[float, float]] = ()
) -> dict[int, float]:
    """Frame number -> second it was placed at, for those that were placed."""
    busy = [(at(start), at(end)) for start, end in taken]
    found = refit(frames, at(now), lead_ns=0, taken=busy)
    return {
        int(p.frame.frame_id[-4:]): (p.due_utc_ns - T0) / NS_PER_S for p in found if p.due_utc_ns is not None
    }


# --- single rules ---------------------------------------------------------------------------------


def test_frames_to_come_keep_their_time() -> None:
    """When nothing was lost nothing moves."""
    frames = [frame(n, n * 2.0, until=100, wanted=Wanted(w)) for n, w in enumerate(Wanted, 1)]
    assert places(frames) == {1: 2.0, 2: 4.0, 3: 6.0}


def test_a_lost_frame_takes_the_earliest_gap() -> None:
    """A frame whose time is over goes where there is room first, and moves nobody who has a time to come."""
    frames = [frame(1, 5, until=100), frame(2, 10, until=100), frame(3, 11.5, until=100)]
    assert places(frames, now=10) == {1: 12.5, 2: 10.0, 3: 11.5}


def test_a_must_frame_spares_the_others_where_it_can() -> None:
    """A lost must frame takes a free gap before it takes the time of one that is wanted less."""
    frames = [
        frame(1, 0, wanted=MUST, until=14),
        *(frame(n, 8.0 + n, until=8.0 + n) for n in range(2, 5)),
        frame(9, 14, until=14),
    ]
    assert places(frames, now=10)[1] == 13
    assert len(places(frames, now=10)) == 5


def test_a_must_frame_takes_what_it_needs() -> None:
    """Where there is no free gap in its stretch, a less wanted frame makes room, and moves on if it can."""
    frames = [
        frame(1, 0, wanted=MUST, until=12),
        *(frame(n, 8.0 + n, until=12, wanted=NICE) for n in range(2, 4)),
        frame(4, 12, until=40, wanted=WANT),
    ]
    assert places(frames, now=10) == {1: 10.0, 3: 11.0, 4: 12.0}


def test_of_equal_stretches_the_more_wanted_has_the_place() -> None:
    """A want frame that lost its time takes a nice one's, as a must frame does."""
    frames = [frame(1, 0, until=10.5), frame(2, 10, until=10.5, wanted=NICE)]
    assert places(frames, now=10) == {1: 10.0}


def test_what_ends_first_is_placed_first() -> None:
    """Of frames that lost their time, the one whose stretch ends first goes first."""
    frames = [frame(1, 0, until=50, wanted=MUST), frame(2, 1, until=10, wanted=MUST)]
    assert places(frames, now=10) == {1: 11.0, 2: 10.0}


def test_a_bracket_keeps_its_order() -> None:
    """Frames of one bracket have one stretch, whatever their exposures, and stay coarse to fine."""
    exposures = [0.001, 2.0, 0.1]
    frames = [
        frame(n, n, start=1, until=30 - e, exposure_s=e, slot_s=e + 0.7) for n, e in enumerate(exposures, 1)
    ]
    placed = places(frames, now=10)
    assert placed[1] < placed[2] < placed[3]


def test_no_exposure_ends_past_its_limit() -> None:
    """HF-S03: the limit on the end of the exposure holds where the stretch would allow more."""
    late = frame(1, 0, until=12, ends_by=12, exposure_s=2.0, wanted=MUST)
    assert places([late], now=10.0) == {1: 10.0}
    assert places([late], now=10.1) == {}
    past = frame(1, 11, until=12, ends_by=12, exposure_s=2.0, wanted=MUST)
    assert places([past], now=0) == {}
    assert last_start(past) == at(10.0)


@pytest.mark.parametrize(
    ("nominal_s", "counts_s"), [(15.0, 16.0), (30.0, 32.0), (1 / 1000, 1 / 1000), (8.0, 8.0)]
)
def test_a_long_exposure_counts_for_as_long_as_cameras_make_it(nominal_s: float, counts_s: float) -> None:
    """HF-S03: "15 s" is 16 s and "30 s" is 32 s: the shutter series of ISO 516 are powers of two through 1 s."""
    one = frame(1, 0, until=50, ends_by=50, exposure_s=nominal_s)
    assert last_start(one) == at(50) - seconds_to_ns(counts_s)


def test_what_the_camera_is_busy_with_stays() -> None:
    """Intervals already taken are not placed upon."""
    assert places([frame(1, 10, until=20)], now=10, taken=[(9, 11), (11.5, 13)]) == {1: 13.0}


def test_lead_is_left_for_the_camera() -> None:
    """Nothing is placed sooner than the lead after now."""
    (placement,) = refit([frame(1, 5, until=20)], at(10), lead_ns=seconds_to_ns(0.4))
    assert placement == Placement(frame(1, 5, until=20), at(10.4))


# --- any frames -----------------------------------------------------------------------------------


@st.composite
def frame_lists(draw: st.DrawFn, *, equal: bool = False) -> list[Frame]:
    """Up to fourteen frames as compiling makes them: within their stretches, their slots apart."""
    frames, due = [], 0.0
    for number in range(1, draw(st.integers(1, 14)) + 1):
        exposure = 0.1 if equal else draw(st.sampled_from((0.125, 1.0, 4.0)))  # powers of two: exact times
        due += draw(st.sampled_from((0.0, 0.0, 0.0, 0.5, 3.0)))
        until = due + draw(st.sampled_from((0.0, 0.5, 4.0, 15.0)))
        frames.append(
            frame(
                number,
                due,
                wanted=draw(st.sampled_from(Wanted)),
                start=max(0.0, due - draw(st.sampled_from((0.0, 2.0, 9.0)))),
                until=until,
                ends_by=until + exposure + draw(st.sampled_from((0.0, 5.0))),
                exposure_s=exposure,
                slot_s=exposure + 0.9,
            )
        )
        due += exposure + 0.9
    return frames


NOWS = st.sampled_from((-5.0, 0.0, 0.3, 2.0, 6.5, 12.0))
BUSY = st.sampled_from(((), ((0.0, 1.0),), ((1.5, 4.2), (5.0, 5.5))))


@given(frame_lists(), NOWS, BUSY)
def test_every_frame_is_placed_within_its_bounds_or_lost(
    frames: list[Frame], now: float, busy: tuple[tuple[float, float], ...]
) -> None:
    """HF-S03, HF-S19: each frame once; inside its stretch; ended by its limit; not before now; none on another."""
    taken = [(at(a), at(b)) for a, b in busy]
    lead = seconds_to_ns(0.4)
    found = refit(frames, at(now), lead_ns=lead, taken=taken)
    assert sorted(p.frame.frame_id for p in found) == sorted(f.frame_id for f in frames)
    occupied = list(taken)
    for placement in found:
        due, one = placement.due_utc_ns, placement.frame
        if due is None:
            continue
        assert max(at(now) + lead, one.starts_from_utc_ns) <= due <= one.movable_until_utc_ns
        assert due + one.settings.longest_exposure_ns <= one.ends_by_utc_ns
        occupied.append((due, due + one.slot_ns))
    assert all(a[1] <= b[0] for a, b in pairwise(sorted(occupied)))
    assert refit(list(reversed(frames)), at(now), lead_ns=lead, taken=taken) == found


@settings(max_examples=500)
@given(frame_lists(equal=True), NOWS, BUSY)
def test_no_must_frame_is_lost_for_one_wanted_less(
    frames: list[Frame], now: float, busy: tuple[tuple[float, float], ...]
) -> None:
    """With equal slots, where a less wanted frame was placed no lost frame wanted more could have been."""
    found = refit(frames, at(now), lead_ns=0, taken=[(at(a), at(b)) for a, b in busy])
    for lost in (p.frame for p in found if p.due_utc_ns is None):
        start = max(at(now), lost.starts_from_utc_ns)
        latest = min(lost.movable_until_utc_ns, last_start(lost))
        for other in found:
            if other.due_utc_ns is not None and other.frame.wanted.rank > lost.wanted.rank:
                assert not start <= other.due_utc_ns <= latest


@given(frame_lists(), NOWS, BUSY)
def test_a_time_to_come_is_lost_only_to_one_wanted_more(
    frames: list[Frame], now: float, busy: tuple[tuple[float, float], ...]
) -> None:
    """A frame whose own time is to come keeps it, unless the camera is busy or one wanted more is there.

    Must frames may also make room for each other: see the test after this one.
    """
    taken = [(at(a), at(b)) for a, b in busy]
    found = refit(frames, at(now), lead_ns=0, taken=taken)
    for moved in found:
        one = moved.frame
        if one.wanted is MUST or one.due_utc_ns < at(now) or moved.due_utc_ns == one.due_utc_ns:
            continue
        end = one.due_utc_ns + one.slot_ns
        in_the_way = taken + [
            (p.due_utc_ns, p.due_utc_ns + p.frame.slot_ns)
            for p in found
            if p.due_utc_ns is not None and p.frame.wanted.rank < one.wanted.rank
        ]
        assert any(a < end and one.due_utc_ns < b for a, b in in_the_way)


def test_a_must_frame_moves_over_where_that_saves_another() -> None:
    """A must frame gives up its time for a lost one with less leeway, when both can be had; else it keeps it."""
    lost, tight = frame(1, 5, until=10.5, wanted=MUST), frame(2, 10, until=30, wanted=MUST)
    assert places([lost, tight], now=10) == {1: 10.0, 2: 11.0}
    assert places([lost, frame(2, 10, until=10.2, wanted=MUST)], now=10) == {2: 10.0}
    assert places([frame(1, 5, until=40, wanted=MUST), tight], now=10) == {1: 11.0, 2: 10.0}
    equal = [frame(1, 5, until=10.5), frame(2, 10, until=30)]
    assert places(equal, now=10) == {2: 10.0}


def test_nothing_moves_where_nothing_was_lost() -> None:
    """Refitting before the first frame changes nothing."""
    rng = random.Random(7)
    for _ in range(200):
        frames = random_frames(rng, rng.randint(1, 8))
        assert all(p.due_utc_ns == p.frame.due_utc_ns for p in refit(frames, at(-1), lead_ns=0))


# --- against trying everything ----------------------------------------------------------------------


def random_frames(rng: random.Random, count: int, *, slots: tuple[float, ...] = (1.0,)) -> list[Frame]:
    """Frames one after another, with stretches of several lengths around their times."""
    frames, due = [], 0.0
    for number in range(1, count + 1):
        slot = rng.choice(slots)
        frames.append(
            frame(
                number,
                due,
                wanted=rng.choice((MUST, MUST, WANT, NICE)),
                start=max(0.0, due - rng.choice((0, 0, 3))),
                until=due + rng.choice((0.5, 2, 5, 8)),
                slot_s=slot,
            )
        )
        due += slot + rng.choice((0, 0, 0.4, 1.5))
    return frames


def most_musts(frames: list[Frame], now_ns: int) -> int:
    """The most must frames that any order at all can place: every order, each as early as it goes."""
    musts = [f for f in frames if f.wanted is MUST]
    best = 0
    for order in permutations(musts):
        cursor, placed = now_ns, 0
        for one in order:
            start = max(cursor, one.starts_from_utc_ns)
            if start <= min(one.movable_until_utc_ns, last_start(one)):
                placed += 1
                cursor = start + one.slot_ns
        best = max(best, placed)
        if best == len(musts):
            break
    return best


@pytest.mark.parametrize(
    ("slots", "whole_at_least", "share_at_least"),
    [((1.0,), 0.99, 0.998), ((0.6, 1.0, 2.5), 0.98, 0.995)],
    ids=["equal slots", "unequal slots"],
)
def test_hardly_a_must_frame_fewer_than_the_best_there_is(
    slots: tuple[float, ...], whole_at_least: float, share_at_least: float
) -> None:
    """Against every order of the must frames: how often as many are placed, and the share placed in all."""
    rng = random.Random(11)
    count: Counter[str] = Counter()
    for _ in range(600):
        frames = random_frames(rng, rng.randint(4, 9), slots=slots)
        now = at(rng.choice((1.5, 3.0, 4.5, 6.0)))
        best = most_musts(frames, now)
        got = sum(p.due_utc_ns is not None and p.frame.wanted is MUST for p in refit(frames, now, lead_ns=0))
        assert got <= best
        count["cases"] += 1
        count["whole"] += got == best
        count["got"] += got
        count["best"] += best
    assert count["best"] > 1000
    assert count["whole"] / count["cases"] >= whole_at_least, count
    assert count["got"] / count["best"] >= share_at_least, count


# --- the intervals under it -------------------------------------------------------------------------

SPANS = st.tuples(st.integers(0, 30), st.integers(1, 6)).map(lambda pair: (pair[0], sum(pair)))


@given(st.lists(SPANS, max_size=10), SPANS, st.integers(0, 12))
def test_intervals_agree_with_a_row_of_cells(
    taken: list[tuple[int, int]], span: tuple[int, int], reach: int
) -> None:
    """Free, earliest and gaps say what a row of cells, each taken or not, says."""
    slots = Slots(taken)
    full = {cell for a, b in taken for cell in range(a, b)}
    start, end = span
    assert slots.is_free(start, end) == full.isdisjoint(range(start, end))
    starts = [s for s in range(start, start + reach + 1) if full.isdisjoint(range(s, s + end - start))]
    assert slots.earliest(start, end - start, start + reach) == (starts[0] if starts else None)
    gaps = slots.gaps(start, end)
    assert {cell for a, b in gaps for cell in range(a, b)} == set(range(start, end)) - full
    assert all(a < b for a, b in gaps)
    assert all(a[1] < b[0] for a, b in pairwise(gaps))
