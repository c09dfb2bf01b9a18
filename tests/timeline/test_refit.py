"""Refit: what still fits from now on, checked against its rules and against trying everything."""

from __future__ import annotations

import os
import random
import sys
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.timeline.model import Frame, Settings
from controller.timeline.refit import Placement, Score, Slots, last_start, refit, score, worth
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
    shot: str | None = None,
) -> Frame:
    """A frame due at a second, that may be moved between `start` and a last release at `until`; a shot of its own."""
    return Frame(
        frame_id=f"long/{number:04d}",
        rig="long",
        phase="totality",
        shot=shot or f"shot {number}",
        take=number,
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
    assert sorted(places(frames, now=10).values()) == [10.0, 11.0, 12.0, 13.0]
    fixed = places([*frames[:3], frame(4, 12, until=12)], now=10)
    assert fixed[4] == 12.0
    assert {1, 4} <= set(fixed)
    assert len(fixed) == 3


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


@settings(max_examples=250)
@given(frame_lists(), NOWS, BUSY)
def test_no_must_frame_is_lost_for_one_wanted_less(
    frames: list[Frame], now: float, busy: tuple[tuple[float, float], ...]
) -> None:
    """A must frame that was given up would find no room if the must frames alone stood where they stand."""
    taken = [(at(a), at(b)) for a, b in busy]
    found = refit(frames, at(now), lead_ns=0, taken=taken)
    musts = Slots(taken)
    for placed in found:
        if placed.due_utc_ns is not None and placed.frame.wanted is MUST:
            musts.take(placed.due_utc_ns, placed.due_utc_ns + placed.frame.slot_ns)
    for lost in (p.frame for p in found if p.due_utc_ns is None and p.frame.wanted is MUST):
        latest = min(lost.movable_until_utc_ns, last_start(lost))
        assert musts.earliest(max(at(now), lost.starts_from_utc_ns), lost.slot_ns, latest) is None


@given(frame_lists(), NOWS, BUSY)
def test_a_time_to_come_is_lost_only_to_others(
    frames: list[Frame], now: float, busy: tuple[tuple[float, float], ...]
) -> None:
    """A frame whose own time is to come keeps it, unless the camera is busy then or another frame is there."""
    taken = [(at(a), at(b)) for a, b in busy]
    found = refit(frames, at(now), lead_ns=0, taken=taken)
    for moved in found:
        one = moved.frame
        if one.due_utc_ns < at(now) or moved.due_utc_ns == one.due_utc_ns:
            continue
        end = one.due_utc_ns + one.slot_ns
        in_the_way = taken + [
            (p.due_utc_ns, p.due_utc_ns + p.frame.slot_ns)
            for p in found
            if p.due_utc_ns is not None and p.frame is not one
        ]
        assert any(a < end and one.due_utc_ns < b for a, b in in_the_way)


def test_a_frame_moves_over_where_that_saves_another() -> None:
    """A frame gives up its time for a lost one with less leeway, when both can be had; else it keeps it."""
    for wanted in (MUST, WANT):
        lost, tight = frame(1, 5, until=10.5, wanted=wanted), frame(2, 10, until=30, wanted=wanted)
        assert places([lost, tight], now=10) == {1: 10.0, 2: 11.0}
        assert places([lost, frame(2, 10, until=10.2, wanted=wanted)], now=10) == {2: 10.0}
        assert places([frame(1, 5, until=40, wanted=wanted), tight], now=10) == {1: 11.0, 2: 10.0}


def test_a_want_frame_is_not_lost_to_a_must_one_that_can_wait() -> None:
    """A want frame with a short stretch has its place before a must one with a long one."""
    frames = [frame(1, 5, until=30, wanted=MUST), frame(2, 6, until=10.5), frame(3, 7, until=11.5)]
    assert places(frames, now=10) == {1: 12.0, 2: 10.0, 3: 11.0}


def test_many_do_not_move_for_one_more_of_the_same() -> None:
    """A repeat that adds little is given up rather than that all others leave their times; a first is not."""
    row = [frame(n, 8.0 + n, until=60, wanted=NICE) for n in range(2, 32)]
    repeats = [frame(40 + n, n, until=9, wanted=NICE, shot="again") for n in range(2)]
    late = frame(50, 5, until=11, wanted=NICE, shot="again")
    moved = places([*row, late], now=10)
    assert moved[50] == 10.0
    assert [moved[n] for n in range(2, 32)] == [9.0 + n for n in range(2, 32)]
    kept = {
        int(p.frame.frame_id[-4:]): p.due_utc_ns for p in refit([*row, late], at(10), lead_ns=0, had=repeats)
    }
    assert kept == {**{n: at(8.0 + n) for n in range(2, 32)}, 50: None}


# --- the score --------------------------------------------------------------------------------------


def test_the_first_picture_counts_whole_and_each_further_one_less() -> None:
    """One picture more of a shot and exposure adds 1, 1/4, 1/9 ... of the first; one with another exposure, all."""
    same = [frame(n, n, until=50, shot="corona") for n in range(3)]
    assert [round(score(same[:n]).others / score(same[:1]).others, 6) for n in (1, 2, 3)] == [
        1,
        1.25,
        1.361111,
    ]
    assert score(same[:1], had=same[1:]).others == pytest.approx(worth(WANT, 2))
    other = frame(9, 9, until=50, shot="corona", exposure_s=0.2)
    assert score([same[0], other]).others == 2 * score(same[:1]).others


def test_no_number_of_less_wanted_frames_outweighs_a_must_one() -> None:
    """A repeat of a must shot stands above any number of want and nice ones."""
    must = [frame(n, n, until=50, wanted=MUST, shot="ring") for n in range(200)]
    rest = [frame(n, n, until=50, wanted=WANT) for n in range(200)]
    assert score(must) > score([*must[:-1], *rest])


def test_a_nice_picture_is_not_lost_to_the_tenth_of_a_filling_shot() -> None:
    """Where a shot has fired often, a first nice picture and the rest of a bracket come before one more of it."""
    had = [frame(100 + n, 0, until=1, shot="corona") for n in range(9)]
    filling = [frame(n, 9.0 + n, start=0, until=14, shot="corona") for n in range(1, 6)]
    bracket = [frame(10 + n, 5, start=0, until=14, exposure_s=0.2 * n, shot="corona") for n in (1, 2, 3)]
    earthshine = frame(20, 5, start=0, until=14, wanted=NICE)
    found = refit([*filling, *bracket, earthshine], at(10), lead_ns=0, had=had)
    placed = {int(p.frame.frame_id[-4:]) for p in found if p.due_utc_ns is not None}
    assert {11, 12, 13, 20} <= placed
    assert len(placed) == 5


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


@dataclass(frozen=True)
class Case:
    """What is to be refitted, and what the camera has done and is doing."""

    frames: list[Frame]
    now: int
    taken: list[tuple[int, int]]
    had: list[Frame]


def drawn_case(seed: int, *, crowded: bool) -> Case:
    """Draw four to nine frames of two to six shots, brackets and repeats among them, some of it lost or had.

    `crowded` ones find far less room than they need, with slots from 0.3 to 4.6 s.
    """
    rng = random.Random(f"{seed} {crowded}")
    exposures = (0.001, 0.5, 1.0, 2.0, 4.0) if crowded else (0.001, 0.125, 1.0, 2.0)
    shots = [
        (f"shot {n}", rng.choice((MUST, WANT, WANT, NICE)), rng.choices(exposures, k=rng.randint(1, 3)))
        for n in range(rng.randint(2, 6))
    ]
    now = rng.choice((3.0, 5.0, 7.0) if crowded else (1.0, 2.5, 4.0, 6.0, 8.0))
    frames: list[Frame] = []
    due, count = 0.0, rng.randint(7 if crowded else 4, 9)
    while len(frames) < count:
        shot, wanted, bracket = rng.choice(shots)
        for exposure in bracket[: count - len(frames)]:
            slot = exposure + rng.choice((0.3, 0.5, 0.6))
            reach = rng.choice((0.2, 1, 2, 4, 7) if crowded else (0.5, 2, 5, 8, 12))
            until = (max(due, now) if crowded else due) + reach
            start = max(0.0, due - rng.choice((0, 1, 4, 20)))
            frames.append(
                frame(
                    len(frames) + 1, due, wanted=wanted, start=start, until=until, shot=shot,
                    ends_by=until + exposure + rng.choice((0, 3)), exposure_s=exposure, slot_s=slot,
                )
            )  # fmt: skip
            due += slot
        due += 0 if crowded else rng.choice((0, 0, 0.4, 1.5))
    busy = rng.choice(((), (), ((0, 1),), ((1, 2), (4, 5))))
    had = []
    for n in range(rng.choice((0, 0, 1, 3))):
        shot, wanted, bracket = rng.choice(shots)
        fired = frame(100 + n, 0, until=1, wanted=wanted, shot=shot, exposure_s=rng.choice(bracket))
        had.append(fired)
    return Case(frames, at(now), [(at(now + a), at(now + b)) for a, b in busy], had)


HARD = (380, 1428, 1515)
"""Seeds whose crowded cases were once 6 to 11 % below the best."""


def best_score(case: Case) -> Score:
    """Try every set of the frames in every order, each as early as it goes, and return the best score.

    For each set the earliest instant at which all of it can be over, whichever frame is the last, decides
    whether the set can be had: what any order can do, the earliest end of the rest can do as well.
    """
    frames, count = case.frames, len(case.frames)
    over: list[int | None] = [case.now] + [None] * (2**count - 1)
    best = Score(0, 0)
    for chosen in range(1, 2**count):
        for number, last in enumerate(frames):
            before = over[chosen & ~(1 << number)] if chosen >> number & 1 else None
            if before is None:
                continue
            start = max(before, last.starts_from_utc_ns)
            for a, b in sorted(case.taken):
                if start < b and a < start + last.slot_ns:
                    start = b
            if start <= min(last.movable_until_utc_ns, last_start(last)):
                end, known = start + last.slot_ns, over[chosen]
                over[chosen] = end if known is None else min(known, end)
        if over[chosen] is not None:
            best = max(best, counted([f for n, f in enumerate(frames) if chosen >> n & 1], case.had))
    return best


def counted(frames: list[Frame], had: list[Frame]) -> Score:
    """Count what frames are worth, apart from the program's own way to do so."""
    total = {MUST: 0.0, WANT: 0.0, NICE: 0.0}
    for shot, settings_ in {(f.shot, f.settings) for f in frames}:
        same = [f for f in frames if (f.shot, f.settings) == (shot, settings_)]
        before = sum((f.shot, f.settings) == (shot, settings_) for f in had)
        total[same[0].wanted] += sum(1 / (before + n) ** 2 for n in range(1, len(same) + 1))
    return Score(round(total[MUST], 9), round(10 * total[WANT] + total[NICE], 9))


@pytest.mark.parametrize("crowded", [False, True], ids=["some room", "crowded"])
def test_never_worse_than_95_percent_of_the_best(capsys: pytest.CaptureFixture[str], crowded: bool) -> None:
    """Against every set in every order, in some 120 cases each: no score is below 95 % of the best; the gap is printed.

    Must frames first; where their score is the best there is, the others'. With the hardest of 2000 seeds:
    HOLDFIRE_REFITS=2000 tries them all.
    """
    shares = []
    short = 0
    for seed in sorted({*range(int(os.environ.get("HOLDFIRE_REFITS", "80"))), *HARD}):
        case = drawn_case(seed, crowded=crowded)
        found = refit(case.frames, case.now, lead_ns=0, taken=case.taken, had=case.had)
        got = counted([p.frame for p in found if p.due_utc_ns is not None], case.had)
        best = best_score(case)
        assert got <= best, f"seed {seed}: better than the best there is"
        musts = got.must / best.must if best.must else 1.0
        others = got.others / best.others if best.others and got.must == best.must else 1.0
        shares.append(min(musts, others))
        short += len(found) > sum(p.due_utc_ns is not None for p in found)
        assert shares[-1] >= 0.95, f"seed {seed}: {got} of {best}"
    assert short >= len(shares) / 2, "the cases are too easy"
    lost = [1 - share for share in shares]
    with capsys.disabled():
        sys.stdout.write(
            f"\nrefit, {'crowded' if crowded else 'some room'}: {len(lost)} cases, {short} with too little room; "
            f"below the best {sum(gap > 0 for gap in lost)} times, by {max(lost):.2%} at worst, "
            f"{sum(lost) / len(lost):.4%} in the mean\n"
        )


def test_the_order_of_the_frames_does_not_matter() -> None:
    """The same frames in any order, and again, give the same placements."""
    for seed in range(30):
        case = drawn_case(seed, crowded=True)
        first = refit(case.frames, case.now, lead_ns=0, taken=case.taken, had=case.had)
        mixed = random.Random(seed).sample(case.frames, len(case.frames))
        again = refit(mixed, case.now, lead_ns=0, taken=case.taken[::-1], had=case.had[::-1])
        assert again == first


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
