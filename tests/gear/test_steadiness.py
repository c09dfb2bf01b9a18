"""Settling and swinging: common practice, kept inside sane bounds, and the arithmetic of a swing."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.gear.steadiness import (
    GENERAL_ADVICE,
    Touch,
    advice,
    freezing_exposure_s,
    settle_time_s,
)
from controller.timeline.taking_off import takes_off


def test_settling():
    """3 s after the filter at 400 mm, longer with the lens, never beyond 10 s; a button shakes least."""
    assert settle_time_s(Touch.FILTER, 400) == 3
    times = [settle_time_s(Touch.FILTER, focal) for focal in (14, 100, 400, 800, 2000, 20_000)]
    assert times == sorted(times)
    assert times[0] == 1.5
    assert times[-1] == 10
    assert (
        settle_time_s(Touch.BUTTON, 400) < settle_time_s(Touch.AIMING, 400) < settle_time_s(Touch.FILTER, 400)
    )
    with pytest.raises(ValueError, match="above zero"):
        settle_time_s(Touch.FILTER, 0)


@given(st.floats(0.3, 100), st.floats(0.5, 60), st.floats(0.5, 30))
def test_a_frozen_swing_moves_by_a_pixel_at_most(scale, shake, hertz):
    """A sine of that swing, sampled finely, moves by no more than a pixel in the exposure, and by nearly one at worst."""
    exposure = freezing_exposure_s(scale, shake, hertz)
    phase = np.linspace(0, 1 / hertz, 2001)
    moved = np.abs(
        shake * (np.sin(2 * np.pi * hertz * (phase + exposure)) - np.sin(2 * np.pi * hertz * phase))
    )
    assert moved.max() <= scale * 1.0001
    if exposure * hertz < 0.1:  # much shorter than a swing
        assert moved.max() > 0.9 * scale


def test_advice_is_in_sentences_and_about_this_lens():
    """Each piece is a sentence or two; settle times are the lens' own; none can be heard to bare the Sun."""
    words = (*advice(800, 0.97, filter_comes_off=True), *GENERAL_ADVICE)
    assert all(sentence.endswith(".") for sentence in words)
    assert f"{settle_time_s(Touch.AIMING, 800):.1f} s" in words[0]
    assert f"{settle_time_s(Touch.FILTER, 800):.1f} s" in words[1]
    assert all(takes_off(sentence) is None for sentence in words)
    assert len(advice(800, None)) == 1
    assert len(advice(8, 500.0)) == 1  # a wide lens freezes everything


def test_where_the_filter_stays_on_nothing_is_said_of_it():
    """In annular and partial eclipses no advice speaks of a filter."""
    assert not any("filter" in sentence for sentence in (*advice(800, 0.97), *GENERAL_ADVICE))
