"""Stops against published series, identities and properties."""

import math
from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.light import stops

POSITIVE = st.floats(min_value=1e-6, max_value=1e4)

# The whole-stop shutter series as engraved on cameras, 1/8000 s to 30 s; the standard's rounding
# (ISO 516) is quoted from memory.
WHOLE_STOPS = [8000, 4000, 2000, 1000, 500, 250, 125, 60, 30, 15, 8, 4, 2, 1]
WHOLE_SECONDS = [2, 4, 8, 15, 30]

# Third-stop f-numbers as engraved on lenses, f/1 to f/64 (ISO 517, quoted from memory).
F_NUMBERS = """1 1.1 1.2 1.4 1.6 1.8 2 2.2 2.5 2.8 3.2 3.5 4 4.5 5 5.6 6.3 7.1 8 9 10 11 13 14 16 18 20
22 25 29 32 36 40 45 51 57 64"""

# Third-stop speeds as cameras report them (ISO 12232, quoted from memory).
ISO_SPEEDS = "50 64 80 100 125 160 200 250 320 400 500 640 800 1000 1250 1600 2000 2500 3200 4000 5000 6400"


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("1/1000", 0.001),
        ("1/1000 s", 0.001),
        ("1/1000s", 0.001),
        (" 1 / 60 s ", 1 / 60),
        ("0.5 s", 0.5),
        ("0.5", 0.5),
        ("2 s", 2.0),
        ("2 sec", 2.0),
        ('2"', 2.0),
        ("1.3 s", 1.3),
        ("13/10", 1.3),
        ("300/10", 30.0),
        ("1/2.5", 0.4),
    ],
)
def test_exposures_are_read_as_written(text, seconds):
    """Every sane way of writing an exposure time gives its nominal seconds."""
    assert stops.parse_exposure(text) == seconds


@pytest.mark.parametrize(
    "text",
    ["", "1/1000th", "fast", "-1 s", "1/0", "0", "0/5", "0,5 s", "1//2", "1e-3", "nan", "2 m", "9" * 400],
)
def test_what_is_no_exposure_is_refused(text):
    """Text that is no exposure time above zero raises ValueError, however odd."""
    with pytest.raises(ValueError, match="no exposure time"):
        stops.parse_exposure(text)


@pytest.mark.parametrize(
    ("text", "value"), [("f/8", 8), ("f/5.6", 5.6), ("F/4", 4), ("f8", 8), ("11", 11), ("f 2.8", 2.8)]
)
def test_f_numbers_are_read_as_written(text, value):
    """An f-number is read with and without its f and slash."""
    assert stops.parse_f_number(text) == value


@pytest.mark.parametrize("text", ["", "f/", "f/0", "5,6", "-8", "fast", "f/5.6.7"])
def test_what_is_no_f_number_is_refused(text):
    """Text that is no f-number raises ValueError."""
    with pytest.raises(ValueError, match="no f-number"):
        stops.parse_f_number(text)


@pytest.mark.parametrize(
    ("text", "value"), [("ISO 400", 400), ("iso400", 400), ("100", 100), (" 12800 ", 12800)]
)
def test_iso_speeds_are_read_as_written(text, value):
    """An ISO speed is read with and without the word."""
    assert stops.parse_iso(text) == value


@pytest.mark.parametrize("text", ["", "auto", "Auto ISO", "0", "ISO 0", "100.5", "-100", "1" * 10])
def test_what_is_no_iso_speed_is_refused(text):
    """Text that is no ISO speed raises ValueError."""
    with pytest.raises(ValueError, match="no ISO speed"):
        stops.parse_iso(text)


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0.001, "1/1000 s"),
        (1 / 8000, "1/8000 s"),
        (1 / 60, "1/60 s"),
        (0.25, "1/4 s"),
        (0.3, "0.3 s"),
        (1 / 3, "1/3 s"),
        (0.4, "0.4 s"),
        (0.5, "0.5 s"),
        (0.8, "0.8 s"),
        (1.0, "1 s"),
        (1.3, "1.3 s"),
        (30.0, "30 s"),
        (1 / 80000, "1/80000 s"),
    ],
)
def test_exposures_are_shown_as_cameras_show_them(seconds, text):
    """Short times are shown as fractions and long ones as decimals."""
    assert stops.format_exposure(seconds) == text


@given(POSITIVE)
def test_a_shown_exposure_reads_back(seconds):
    """What format_exposure writes, parse_exposure reads to within a thousandth."""
    assert stops.parse_exposure(stops.format_exposure(seconds)) == pytest.approx(seconds, rel=1e-3)


@pytest.mark.parametrize("value", [0.0, -1.0, math.nan, math.inf])
def test_nothing_is_shown_or_counted_that_is_not_above_zero(value):
    """Zero, negative and unreal values raise ValueError instead of giving a number."""
    for function in (stops.format_exposure, stops.exact_exposure_s, stops.exact_f_number, stops.exact_iso):
        with pytest.raises(ValueError, match="not above zero"):
            function(value)
    with pytest.raises(ValueError, match="not above zero"):
        stops.stops_between(value, 1.0)


def test_the_third_stop_series_holds_the_whole_stops():
    """Every third mark of the third-stop series is the engraved whole-stop series."""
    engraved = [1 / n for n in WHOLE_STOPS] + [float(n) for n in WHOLE_SECONDS]
    assert list(stops.NOMINAL_THIRDS_S[::3]) == engraved
    assert list(stops.NOMINAL_HALVES_S[::2]) == engraved


@pytest.mark.parametrize(
    ("series", "rounding"), [(stops.NOMINAL_THIRDS_S, 0.11), (stops.NOMINAL_HALVES_S, 0.24)]
)
def test_nominal_times_lie_close_to_exact_powers_of_two(series, rounding):
    """The marks rise and lie within their engraved rounding (at 1/10 s and 0.3 s the most) of 2^-13 s to 2^5 s."""
    per_stop = (len(series) - 1) / 18
    for index, nominal in enumerate(series):
        assert abs(stops.stops_between(2 ** (index / per_stop - 13), nominal)) < rounding
    assert all(low < high for low, high in pairwise(series))


@pytest.mark.parametrize(
    ("nominal", "exact"), [(1 / 1000, 1 / 1024), (1 / 60, 1 / 64), (1 / 15, 1 / 16), (15, 16), (30, 32)]
)
def test_engraved_times_stand_for_powers_of_two(nominal, exact):
    """1/1000 stands for 1/1024, 30 s for 32 s: the known roundings of the series."""
    assert stops.exact_exposure_s(nominal) == pytest.approx(exact, rel=1e-12)


def test_every_third_stop_time_has_its_own_exact_value():
    """The nearest exact third of a stop to mark n is mark n's, for all 55 marks."""
    for index, nominal in enumerate(stops.NOMINAL_THIRDS_S):
        assert stops.exact_exposure_s(nominal) == pytest.approx(2 ** (index / 3 - 13), rel=1e-12)


def test_f_numbers_round_exact_powers():
    """The engraved third-stop f-numbers are, in order, the powers 2^(n/6)."""
    for index, word in enumerate(F_NUMBERS.split()):
        assert stops.exact_f_number(float(word)) == pytest.approx(2 ** (index / 6), rel=1e-12)


def test_iso_speeds_round_exact_powers():
    """The reported third-stop speeds are, in order, 100 * 2^(n/3)."""
    for index, word in enumerate(ISO_SPEEDS.split()):
        assert stops.exact_iso(float(word)) == pytest.approx(50 * 2 ** (index / 3), rel=1e-12)


def test_a_density_of_five_is_sixteen_point_six_stops():
    """A solar filter of density 5.0 is sold as a 16.6 stop one and lets 1/100000 through (common practice)."""
    assert stops.density_to_stops(5.0) == pytest.approx(16.6, abs=0.05)
    assert stops.density_to_transmittance(5.0) == pytest.approx(1e-5, rel=1e-12)
    assert stops.stops_to_density(16.6) == pytest.approx(5.0, abs=0.005)


@given(st.floats(min_value=0, max_value=20))
def test_density_stops_and_transmittance_agree(density):
    """The three ways of stating a filter lead back to each other."""
    transmittance = stops.density_to_transmittance(density)
    assert stops.transmittance_to_density(transmittance) == pytest.approx(density, abs=1e-9)
    assert stops.stops_to_density(stops.density_to_stops(density)) == pytest.approx(density, abs=1e-9)
    assert stops.stops_between(transmittance, 1.0) == pytest.approx(stops.density_to_stops(density), abs=1e-9)


def test_a_doubling_teleconverter_takes_two_stops():
    """A 2x teleconverter makes f/2.8 to f/5.6 and costs two stops; a 1.4x costs one (common practice)."""
    assert stops.with_teleconverter(2.8, 2) == pytest.approx(5.6)
    assert stops.teleconverter_loss_stops(2) == pytest.approx(2.0)
    assert stops.teleconverter_loss_stops(1.4) == pytest.approx(1.0, abs=0.03)
    assert stops.aperture_stops(2.8, 5.6) == pytest.approx(-2.0)


def test_exposure_values_follow_the_published_table():
    """EV 0 is 1 s at f/1; 1/125 s at f/16 is about EV 15 at ISO 100, and one ISO stop shifts it by one.

    ISO 2720 (APEX relation); the second is the full-sun rule of photographers, common practice.
    """
    assert stops.exposure_value(1.0, 1.0) == 0.0
    assert stops.exposure_value(1 / 125, 16) == pytest.approx(15.0, abs=0.05)
    assert stops.exposure_value(1 / 125, 16, 200) == pytest.approx(14.0, abs=0.05)


@given(POSITIVE, POSITIVE)
def test_stops_are_signed_doublings(first, second):
    """stops_between is antisymmetric and 2 to its power is the ratio."""
    apart = stops.stops_between(first, second)
    assert stops.stops_between(second, first) == pytest.approx(-apart, abs=1e-9)
    assert first * 2**apart == pytest.approx(second, rel=1e-9)


@pytest.mark.parametrize(
    ("start", "end", "step", "marks"),
    [
        ("1/1000", "1", 2, "1/1000 1/250 1/60 1/15 1/4 1"),
        ("1", "1/1000", 2, "1 1/4 1/15 1/60 1/250 1/1000"),
        ("1/1000", "1/2", 2, "1/1000 1/250 1/60 1/15 1/4 1/2"),
        ("1/8", "1/4", 1 / 3, "1/8 1/6 1/5 1/4"),
        ("1/1000", "1/250", 0.5, "1/1000 1/750 1/500 1/350 1/250"),
        ("1/1000", "1/125", 1.5, "1/1000 1/350 1/125"),
        ("1/3", "1", 2 / 3, "0.3 0.5 0.8 1"),
    ],
)
def test_brackets_are_made_of_listed_marks(start, end, step, marks):
    """A bracket holds both ends, in the direction given, and only marks of the nominal series."""
    wanted = tuple(float(Fraction(mark)) for mark in marks.split())
    assert stops.bracket_exposures(float(Fraction(start)), float(Fraction(end)), step) == wanted


@pytest.mark.parametrize(
    ("start", "end", "step"),
    [
        (1 / 1000, 1, 0),
        (1 / 1000, 1, -1),
        (1 / 1000, 1, 0.7),
        (1 / 300, 1, 1),
        (1 / 1250, 1, 0.5),
        (60, 1, 1),
        (0, 1, 1),
    ],
)
def test_a_bracket_off_the_marks_is_refused(start, end, step):
    """A step or an end that no camera lists raises ValueError instead of being bent."""
    with pytest.raises(ValueError, match=r"."):
        stops.bracket_exposures(start, end, step)


def test_three_hundredths_of_a_second_is_not_bent_to_a_mark():
    """1/300 s is nearer a stop mark than many, and still refused with the nearest mark named."""
    with pytest.raises(ValueError, match="1/320 s"):
        stops.bracket_exposures(1 / 300, 1, 1)


MARKS = st.integers(0, 54)


@given(MARKS, MARKS, st.integers(1, 12))
def test_bracket_steps_are_as_asked(first, last, thirds):
    """Every step of a bracket is the step asked, counted on exact values; only the last may be shorter."""
    series = stops.NOMINAL_THIRDS_S
    bracket = stops.bracket_exposures(series[first], series[last], thirds / 3)
    assert (bracket[0], bracket[-1]) == (series[first], series[last])
    steps = [abs(series.index(a) - series.index(b)) for a, b in pairwise(bracket)]
    assert all(step == thirds for step in steps[:-1])
    assert all(0 < step <= thirds for step in steps)


@given(st.lists(POSITIVE, max_size=60))
def test_coarse_to_fine_loses_and_adds_nothing(exposures):
    """Reordering keeps every exposure, repeated ones too."""
    assert sorted(stops.coarse_to_fine(exposures)) == sorted(exposures)


@given(st.lists(POSITIVE, min_size=2, max_size=60, unique=True).map(sorted))
def test_any_beginning_of_two_or_more_covers_the_range(exposures):
    """The two ends come first, so that however early a bracket is cut it spans the whole range."""
    assert stops.coarse_to_fine(exposures)[:2] == (exposures[0], exposures[-1])


@given(st.integers(3, 55), st.booleans())
def test_the_widest_gap_of_any_beginning_is_near_the_least_possible(count, downwards):
    """After k frames of an even bracket, no gap exceeds twice the even share, rounded up."""
    series = stops.NOMINAL_THIRDS_S[:count]
    order = stops.coarse_to_fine(series[::-1] if downwards else series)
    for taken in range(2, count + 1):
        marks = sorted(series.index(exposure) for exposure in order[:taken])
        widest = max(high - low for low, high in pairwise(marks))
        assert widest <= 2 * math.ceil((count - 1) / (taken - 1))


def test_a_nine_frame_bracket_goes_ends_middle_quarters():
    """Nine even frames come in the order 1, 9, 5, 3, 7, 2, 4, 6, 8."""
    series = [2.0**power for power in range(-9, 0)]
    order = [series.index(exposure) + 1 for exposure in stops.coarse_to_fine(series)]
    assert order == [1, 9, 5, 3, 7, 2, 4, 6, 8]


def test_the_nearest_listed_value_is_found_in_stops():
    """Nearness is counted in stops, not seconds, and its sign says which way."""
    nearest, apart = stops.nearest_listed(1.0, [0.5, 1.9])
    assert nearest == 1.9
    assert apart == pytest.approx(0.926, abs=0.001)
    with pytest.raises(ValueError, match=r"."):
        stops.nearest_listed(1.0, [])
