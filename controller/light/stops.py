"""Exposures as photographers write them, and exact arithmetic in stops.

A stop is a factor of two in light. Cameras engrave rounded ("nominal") numbers: 1/1000 stands for
2^-10 s = 1/1024 s and f/5.6 for 2^2.5. The functions here say which of the two they take or give.

Sources of the conventions: shutter times ISO 516, f-numbers ISO 517, exposure value ISO 2720,
ISO speeds ISO 12232. The standards were not at hand when this was written; the series are those
that cameras list, and the tests rebuild them from the exact powers of two.
"""

from __future__ import annotations

import functools
import math
import re
from collections.abc import Iterable, Sequence
from fractions import Fraction
from itertools import pairwise

DECIMAL = r"[0-9]{1,12}(?:\.[0-9]{1,12})?"
"""A plain decimal number without sign or exponent, as a regular expression; longer ones mean nothing here."""

EXPOSURE_PATTERN = rf'(?:{DECIMAL} ?/ ?)?{DECIMAL} *(?:s|sec|"|″)?'
"""An exposure time: ``1/1000``, ``1/1000 s``, ``0.5``, ``0.5 s``, ``2"``."""

F_NUMBER_PATTERN = rf"(?:[fF] ?/? ?)?{DECIMAL}"
"""An f-number: ``f/8``, ``f/5.6``, ``8``."""

ISO_PATTERN = r"(?:[iI][sS][oO] ?)?[0-9]{1,9}"
"""An ISO speed: ``ISO 400``, ``400``."""

_THIRD_WORDS = """
1/8000 1/6400 1/5000 1/4000 1/3200 1/2500 1/2000 1/1600 1/1250 1/1000 1/800 1/640 1/500 1/400 1/320
1/250 1/200 1/160 1/125 1/100 1/80 1/60 1/50 1/40 1/30 1/25 1/20 1/15 1/13 1/10 1/8 1/6 1/5 1/4
0.3 0.4 0.5 0.6 0.8 1 1.3 1.6 2 2.5 3.2 4 5 6 8 10 13 15 20 25 30
"""
_HALF_WORDS = """
1/8000 1/6000 1/4000 1/3000 1/2000 1/1500 1/1000 1/750 1/500 1/350 1/250 1/180 1/125 1/90 1/60 1/45
1/30 1/20 1/15 1/10 1/8 1/6 1/4 0.3 0.5 0.7 1 1.5 2 3 4 6 8 10 15 20 30
"""

NOMINAL_THIRDS_S: tuple[float, ...] = tuple(float(Fraction(word)) for word in _THIRD_WORDS.split())
"""Shutter times in third stops as cameras list them, seconds, 1/8000 to 30 (exact: 2^-13 to 2^5)."""

NOMINAL_HALVES_S: tuple[float, ...] = tuple(float(Fraction(word)) for word in _HALF_WORDS.split())
"""Shutter times in half stops as cameras list them, seconds, 1/8000 to 30."""

SAME_SETTING_STOPS = 1 / 6
"""Two values closer than this are the same mark on a third-stop scale (half of a third)."""

_SAME_MARK_STOPS = 1 / 12
"""How far a value as written may be from a mark of a series: admits 1/3 for 0.3, not 1/300 for 1/320."""


def parse_exposure(text: str) -> float:
    """Return an exposure time in seconds as written: ``1/1000`` is 0.001, not 1/1024.

    A number without unit is seconds.

    Raises:
        ValueError: if the text is no exposure time, or it is not above zero.
    """
    word = text.strip()
    if not re.fullmatch(EXPOSURE_PATTERN, word):
        raise ValueError(f'"{text}" is no exposure time')
    number = word.rstrip('″"sec').replace(" ", "")
    top, _, bottom = number.partition("/")
    divisor = Fraction(bottom or 1)
    if divisor == 0 or Fraction(top) == 0:
        raise ValueError(f'"{text}" is no exposure time above zero')
    return float(Fraction(top) / divisor)


def parse_f_number(text: str) -> float:
    """Return the f-number as written: ``f/5.6`` or ``5.6`` is 5.6.

    Raises:
        ValueError: if the text is no f-number, or it is not above zero.
    """
    word = text.strip()
    value = float(word.lstrip("fF/ ")) if re.fullmatch(F_NUMBER_PATTERN, word) else 0.0
    if value == 0:
        raise ValueError(f'"{text}" is no f-number')
    return value


def parse_iso(text: str) -> int:
    """Return the ISO speed as written: ``ISO 400`` or ``400`` is 400.

    Raises:
        ValueError: if the text is no ISO speed, or it is zero.
    """
    word = text.strip()
    speed = int(word.lstrip("isoISO ")) if re.fullmatch(ISO_PATTERN, word) else 0
    if speed == 0:
        raise ValueError(f'"{text}" is no ISO speed')
    return speed


def format_exposure(exposure_s: float) -> str:
    """Return an exposure time as cameras show it: ``1/1000 s``, ``1/3 s``, ``0.4 s``, ``30 s``.

    A fraction is used where the reciprocal is a whole number from 3 up, a decimal number otherwise.

    Raises:
        ValueError: if `exposure_s` is not above zero.
    """
    _above_zero(exposure_s)
    reciprocal = round(1 / exposure_s)
    if reciprocal >= 3 and math.isclose(reciprocal * exposure_s, 1.0, rel_tol=1e-6):
        return f"1/{reciprocal} s"
    digits = f"{exposure_s:.6f}" if exposure_s >= 0.001 else f"{exposure_s:.12f}"
    return f"{digits.rstrip('0').rstrip('.')} s"


def format_f_number(f_number: float) -> str:
    """Return an f-number as written: ``f/5.6``."""
    return f"f/{f_number:g}"


def stops_between(first: float, second: float) -> float:
    """Return how many stops more light `second` is than `first`: log2(second / first).

    Takes two exposure times in seconds, two ISO speeds, or two transmittances. Source: the
    definition of a stop, a factor of two.

    Raises:
        ValueError: if a value is not above zero.
    """
    _above_zero(first, second)
    return math.log2(second / first)


def aperture_stops(first_f_number: float, second_f_number: float) -> float:
    """Return how many stops more light the second f-number lets in: 2 log2(N1 / N2).

    Source: the light on the image goes as 1/N^2 (ISO 517; ISO 2720, camera equation).

    Raises:
        ValueError: if an f-number is not above zero.
    """
    _above_zero(first_f_number, second_f_number)
    return 2 * math.log2(first_f_number / second_f_number)


def exposure_value(exposure_s: float, f_number: float, iso: int = 100) -> float:
    """Return the exposure value referred to ISO 100: log2(N^2 / t) - log2(S / 100).

    Source: 2^EV = N^2 / t, the APEX relation of ISO 2720; the ISO term brings settings at other
    speeds to the scene brightness they suit.

    Raises:
        ValueError: if a value is not above zero.
    """
    _above_zero(exposure_s, f_number, iso)
    return math.log2(f_number**2 / exposure_s) - math.log2(iso / 100)


@functools.lru_cache(maxsize=4096)  # a plan has few times, and each is asked for with every frame
def exact_exposure_s(nominal_s: float) -> float:
    """Return the exact third-stop time a nominal one stands for, seconds: the nearest 2^(n/3).

    Source: the shutter series of ISO 516 are powers of two through 1 s.

    Raises:
        ValueError: if the time is not above zero.
    """
    _above_zero(nominal_s)
    return float(2.0 ** (round(3 * math.log2(nominal_s)) / 3))


@functools.lru_cache(maxsize=1024)  # cameras have few times, and each frame is asked for its own often
def longest_exposure_s(nominal_s: float) -> float:
    """Return how long a camera may expose when set to a nominal time, seconds: 15 s is 16 s, 30 s is 32 s.

    The longer of the nominal and the exact time; whatever must have ended by an instant goes by this.

    Raises:
        ValueError: if the time is not above zero.
    """
    return max(nominal_s, exact_exposure_s(nominal_s))


def exact_f_number(nominal: float) -> float:
    """Return the exact third-stop f-number a nominal one stands for: the nearest 2^(n/6).

    Source: ISO 517, the f-number series are powers of the square root of two through f/1.

    Raises:
        ValueError: if the f-number is not above zero.
    """
    _above_zero(nominal)
    return float(2.0 ** (round(6 * math.log2(nominal)) / 6))


def exact_iso(nominal: float) -> float:
    """Return the exact third-stop speed a nominal one stands for: the nearest 100 * 2^(n/3).

    Source: ISO 12232, the table of reported speeds, rounded from powers of two through 100.

    Raises:
        ValueError: if the speed is not above zero.
    """
    _above_zero(nominal)
    return float(100 * 2.0 ** (round(3 * math.log2(nominal / 100)) / 3))


def density_to_stops(density: float) -> float:
    """Return the stops of light an optical density takes: D / log10(2). Density 5.0 is 16.6 stops.

    Source: the definition of density, D = -log10(transmittance).
    """
    return density / math.log10(2)


def stops_to_density(stops: float) -> float:
    """Return the optical density that takes so many stops: stops * log10(2)."""
    return stops * math.log10(2)


def density_to_transmittance(density: float) -> float:
    """Return the fraction of light an optical density lets through: 10^-D."""
    return float(10.0**-density)


def transmittance_to_density(transmittance: float) -> float:
    """Return the optical density of a transmittance: -log10(T).

    Raises:
        ValueError: if the transmittance is not above zero.
    """
    _above_zero(transmittance)
    return -math.log10(transmittance)


def teleconverter_loss_stops(factor: float) -> float:
    """Return the stops of light a teleconverter takes: 2 log2(factor). A 2x takes two stops.

    Source: the focal length grows by the factor and the entrance pupil stays, so N grows by it.

    Raises:
        ValueError: if the factor is not above zero.
    """
    _above_zero(factor)
    return 2 * math.log2(factor)


def with_teleconverter(f_number: float, factor: float) -> float:
    """Return the f-number of a lens behind which a teleconverter sits: N * factor."""
    return f_number * factor


def nearest_listed(value: float, listed: Iterable[float]) -> tuple[float, float]:
    """Return the listed value nearest in stops, and how many stops it is above `value`.

    Raises:
        ValueError: if the list is empty or a value is not above zero.
    """
    return min(((mark, stops_between(value, mark)) for mark in listed), key=lambda pair: abs(pair[1]))


def bracket_exposures(start_s: float, end_s: float, step_stops: float) -> tuple[float, ...]:
    """Return the nominal times of a bracket from `start_s` to `end_s`, both included, in that direction.

    Steps are counted on the exact scale, so they do not add up rounding. Steps that are whole thirds
    use the third-stop series, whole halves the half-stop series. Where the range is no whole number of
    steps, the last step is the shorter one.

    Raises:
        ValueError: if the step is neither whole thirds nor whole halves, or an end is not in the series.
    """
    series = series_for_step(step_stops)
    stride = round(step_stops * _marks_per_stop(series))
    first, last = mark_in_series(start_s, series), mark_in_series(end_s, series)
    marks = range(first, last, stride if last > first else -stride)
    return tuple(series[mark] for mark in [*marks, last])


def series_for_step(step_stops: float) -> tuple[float, ...]:
    """Return the nominal series whose marks a step meets: third stops where they do, else half stops.

    Raises:
        ValueError: if the step is not above zero, or neither whole thirds nor whole halves.
    """
    _above_zero(step_stops)
    for series in (NOMINAL_THIRDS_S, NOMINAL_HALVES_S):
        strides = step_stops * _marks_per_stop(series)
        if round(strides) >= 1 and abs(strides - round(strides)) < 1e-3:
            return series
    raise ValueError("a step is a whole number of third stops or of half stops")


def mark_in_series(exposure_s: float, series: Sequence[float]) -> int:
    """Return the index in `NOMINAL_THIRDS_S` or `NOMINAL_HALVES_S` of a time, written nominal or exact.

    Raises:
        ValueError: if the time is further than 1/12 stop from every mark.
    """
    _above_zero(exposure_s)
    for index, nominal_s in enumerate(series):
        exact_s = 2.0 ** (index / _marks_per_stop(series) - 13)
        if min(abs(math.log2(exposure_s / mark)) for mark in (nominal_s, exact_s)) < _SAME_MARK_STOPS:
            return index
    nearest_s, _ = nearest_listed(exposure_s, series)
    raise ValueError(
        f"{format_exposure(exposure_s)} is not in the series that cameras list "
        f"(nearest: {format_exposure(nearest_s)})"
    )


def coarse_to_fine(exposures_s: Sequence[float]) -> tuple[float, ...]:
    """Return the same times reordered so that any beginning of the sequence covers the range.

    The ends come first (in the direction given), then always the one nearest the middle of the
    widest gap, in stops, that still has times inside it. Equal gaps are filled from the first end on.

    Raises:
        ValueError: if a time is not above zero.
    """
    _above_zero(*exposures_s)
    if len(exposures_s) <= 2:
        return tuple(exposures_s)
    line = sorted(exposures_s, reverse=exposures_s[0] > exposures_s[-1])
    place = [math.log2(exposure) for exposure in line]
    taken = [0, len(line) - 1]
    order = list(taken)
    while len(order) < len(line):
        gaps = [(low, high) for low, high in pairwise(taken) if high - low > 1]
        # rounded, so that gaps equal but for the last bits of a logarithm count as equal
        low, high = max(gaps, key=lambda gap: (round(abs(place[gap[1]] - place[gap[0]]), 6), -gap[0]))
        middle = (place[low] + place[high]) / 2
        chosen = min(range(low + 1, high), key=lambda index: (round(abs(place[index] - middle), 6), index))
        order.append(chosen)
        taken = sorted([*taken, chosen])
    return tuple(line[index] for index in order)


def _marks_per_stop(series: Sequence[float]) -> int:
    return (len(series) - 1) // 18  # both series run over 18 stops, 2^-13 to 2^5


def _above_zero(*values: float) -> None:
    for value in values:
        if not 0 < value < math.inf:
            raise ValueError(f"{value} is not above zero")
