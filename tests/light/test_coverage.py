"""The covering bracket: complete, and no smaller or quicker one exists."""

import math
from itertools import combinations, pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.light import coverage
from controller.light.coverage import cover, covered_by
from controller.light.extinction import Haze
from controller.light.sensor import (
    FAIR_SNR,
    FULL_FRAME,
    GOOD_SNR,
    MARGIN_STOPS,
    SENSORS,
    corona_pixel,
    usable_radii,
)
from controller.light.stops import NOMINAL_THIRDS_S


def covers(intervals, wanted):
    """Whether closed intervals together cover a range."""
    reached = wanted[0]
    for low, high in sorted(intervals):
        if low > reached:
            return False
        reached = max(reached, high)
    return reached >= wanted[1]


@st.composite
def ladders(draw, most=9):
    """Up to nine exposures whose intervals move outwards with the exposure, as real ones do."""
    count = draw(st.integers(1, most))
    lows = sorted(draw(st.lists(st.integers(0, 40), min_size=count, max_size=count)))
    highs = sorted(draw(st.lists(st.integers(1, 60), min_size=count, max_size=count)))
    times = draw(st.lists(st.integers(1, 500), min_size=count, max_size=count, unique=True).map(sorted))
    return {t: (low, high) for t, low, high in zip(times, lows, highs, strict=True) if low < high}


@given(ladders(), st.integers(0, 30), st.integers(1, 30))
@settings(max_examples=400)
def test_no_smaller_or_quicker_set_covers(ladder, inner, width):
    """Against every subset there is: the fewest exposures, and of those the least total time."""
    wanted = (inner, inner + width)
    chosen, stretches = coverage.fewest_intervals(wanted, ladder)
    complete = [
        subset
        for size in range(1, len(ladder) + 1)
        for subset in combinations(sorted(ladder), size)
        if covers([ladder[t] for t in subset], wanted)
    ]
    if not complete:
        assert stretches != (wanted,)
        return
    assert stretches == (wanted,)
    assert covers([ladder[t] for t in chosen], wanted)
    fewest = min(len(subset) for subset in complete)
    assert len(chosen) == fewest
    assert sum(chosen) == min(sum(subset) for subset in complete if len(subset) == fewest)


@given(ladders(most=6), st.integers(0, 8), st.integers(0, 30), st.integers(1, 30))
def test_the_outermost_frame_may_reach_farther(ladder, farther, inner, width):
    """Where the frame at the outer end reaches farther than between frames, no smaller set covers either."""
    wanted = (inner, inner + width)
    outermost = {t: (low, high + farther) for t, (low, high) in ladder.items()}
    chosen, stretches = coverage.fewest_intervals(wanted, ladder, outermost)
    complete = [
        1 + size
        for last in ladder
        if outermost[last][1] >= wanted[1]
        for size in range(len(ladder))
        for subset in combinations(sorted(ladder), size)
        if covers([outermost[last], *(ladder[t] for t in subset)], wanted)
    ]
    assert (stretches == (wanted,)) == bool(complete)
    if complete:
        assert len(chosen) == min(complete)


@given(ladders(), st.integers(0, 30), st.integers(1, 30))
def test_what_cannot_be_covered_is_left_out_and_nothing_else(ladder, inner, width):
    """The stretches are exactly what the intervals reach of the range, gaps left out."""
    wanted = (inner, inner + width)
    _, stretches = coverage.fewest_intervals(wanted, ladder)
    for cell in range(2 * inner, 2 * (inner + width)):
        place = (cell + 0.5) / 2
        reachable = any(low < place < high for low, high in ladder.values())
        assert reachable == any(low < place < high for low, high in stretches)
    assert all(one[1] < other[0] for one, other in pairwise(stretches))


@given(
    st.floats(1, 1.08), st.floats(1.3, 10), st.floats(2.8, 16), st.sampled_from([100, 200, 400, 1600]),
    st.sampled_from(list(SENSORS.values())), st.floats(3, 90), st.sampled_from(Haze),
)  # fmt: skip
@settings(max_examples=60)
def test_a_bracket_holds_every_radius_it_promises(inner, outer, f_number, iso, sensor, altitude, haze):
    """At 50 places of the covered stretches some frame is unclipped and at the promised signal over noise."""
    air = {"sun_altitude_deg": altitude, "haze": haze, "sensor": sensor}
    made = coverage.cover(inner, outer, f_number=f_number, iso=iso, **air)
    assert made.exposures_s == tuple(sorted(made.exposures_s))
    for low, high in made.covered:
        for step in range(50):
            radius = low + (high - low) * step / 49
            held = [corona_pixel(radius, t, f_number, iso, **air) for t in made.exposures_s]
            assert any(pixel.fraction <= 0.9001 and pixel.snr >= 9.999 for pixel in held)


def test_the_bracket_is_the_fewest_of_all_listed_exposures():
    """Brute force on real intervals: no set with one exposure fewer covers the corona from 1.03 to 4 radii."""
    made = coverage.cover(1.03, 4.0, f_number=8, iso=100, outer_snr=GOOD_SNR)
    assert made.complete
    assert made.seam_snr == GOOD_SNR
    intervals = {t: usable_radii(t, 8, 100, min_snr=GOOD_SNR, margin_stops=1) for t in NOMINAL_THIRDS_S}
    usable = {t: radii for t, radii in intervals.items() if radii is not None}
    assert covers([usable[t] for t in made.exposures_s], (1.03, 4.0))
    for subset in combinations(usable, len(made.exposures_s) - 1):
        assert not covers([usable[t] for t in subset], (1.03, 4.0))


def test_the_step_comes_from_the_sensor():
    """A deep sensor takes wide steps, a shallow or fast one narrow ones; none exceeds the range left by margins."""
    deep = coverage.cover(1.03, 4, f_number=8, iso=100)
    fast = coverage.cover(1.03, 4, f_number=8, iso=800, sensor=SENSORS["APS-C"])
    assert deep.widest_step_stops > fast.widest_step_stops
    assert len(deep.exposures_s) < len(fast.exposures_s)
    assert deep.widest_step_stops <= FULL_FRAME.usable_range_stops(100, min_snr=deep.seam_snr) - 2 + 1 / 3
    assert deep.range_stops == pytest.approx(coverage.corona_range_stops(1.03, 4))


def test_a_limit_on_the_exposure_costs_the_outer_corona():
    """With no exposure above 1/30 s the outer end is not reached, and that is said."""
    made = coverage.cover(1.03, 6, f_number=8, iso=100, longest_s=1 / 30)
    assert max(made.exposures_s) <= 1 / 30
    assert not made.complete
    assert made.covered[-1][1] < 6


def test_a_camera_that_lists_nothing_of_use_covers_nothing():
    """No listed exposure of use: no frames, nothing covered, not complete."""
    made = coverage.cover(1.03, 3, f_number=22, iso=100, listed_s=[1 / 8000])
    assert (made.exposures_s, made.covered, made.complete, made.widest_step_stops) == ((), (), False, 0.0)


@pytest.mark.parametrize(("inner", "outer"), [(0.9, 3), (3, 2), (2, 2), (math.nan, 3), (1.1, math.nan)])
def test_radii_that_cannot_be_meant_are_refused(inner, outer):
    """Inside the disk, out of order or no number: ValueError."""
    with pytest.raises(ValueError, match="cannot be meant"):
        coverage.cover(inner, outer, f_number=8, iso=100)


def test_what_frames_cover_is_what_each_is_of_use_for() -> None:
    """The stretches are the union of the frames' own; a gap that no frame reaches stays one."""
    low, high = usable_radii(1 / 500, 8, 100, min_snr=FAIR_SNR, margin_stops=MARGIN_STOPS) or (0, 0)
    far = usable_radii(1.0, 8, 100, min_snr=FAIR_SNR, margin_stops=MARGIN_STOPS) or (0, 0)
    assert low < high < far[0]
    found = covered_by([(1 / 500, 8, 100), (1.0, 8, 100), (1.0, 8, 100)], (1.05, 6.0))
    assert found == ((max(1.05, low), high), (far[0], min(6.0, far[1])))
    assert covered_by([], (1.05, 6.0)) == ()


def test_what_the_fewest_frames_cover_is_found_again() -> None:
    """The set that `cover` finds for a stretch covers it by this reckoning, too; without one frame it does not."""
    chosen = cover(1.05, 5.0, f_number=8, iso=100)
    assert chosen.complete
    settings = [(one, 8.0, 100.0) for one in chosen.exposures_s]
    assert covered_by(settings, (1.05, 5.0)) == ((1.05, 5.0),)
    assert covered_by(settings[:-1], (1.05, 5.0))[-1][1] < 5.0
