"""The words, and whom they are for."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.operator.words import (
    FilterWord,
    GoOnWord,
    PauseWord,
    StopWord,
    filter_words,
    needs_second_word,
    spoken,
)
from controller.units import FilterState
from tests.operator.views import CALM, EIGHT, NOT_NEEDED, OFF, ON, UNSAID, asking, with_rig


@pytest.mark.parametrize("state", [UNSAID, NOT_NEEDED])
def test_a_filter_is_on_or_off(state: FilterState) -> None:
    """Nobody can say that a filter is in no state."""
    with pytest.raises(ValueError, match="on or off"):
        FilterWord(rig=None, state=state)


def test_a_word_without_a_rig_is_for_the_rigs_that_are_asked() -> None:
    """Said without a rig, a word is for the rigs asked for that very state."""
    view = asking(CALM, wide=(OFF, 1.0), landscape=(ON, 1.0))
    assert filter_words(view, OFF, None) == (FilterWord(rig="wide", state=OFF),)
    assert filter_words(view, ON, None) == (FilterWord(rig="landscape", state=ON),)
    two_of_six = asking(EIGHT, corona=(OFF, 1.0), wide=(OFF, 1.0))
    assert filter_words(two_of_six, OFF, None) == (
        FilterWord(rig="wide", state=OFF),
        FilterWord(rig="corona", state=OFF),
    )


def test_a_word_is_for_all_rigs_when_all_or_none_are_asked() -> None:
    """Said without a rig where every rig or no rig is asked, a word is for all."""
    every = asking(CALM, long=(ON, 0.0), wide=(ON, 0.0), landscape=(ON, 0.0))
    assert filter_words(every, ON, None) == (FilterWord(rig=None, state=ON),)
    assert filter_words(CALM, ON, None) == (FilterWord(rig=None, state=ON),)
    # The landscape has no filter: with the two others asked, all that have one are.
    both = asking(CALM, long=(OFF, 1.0), wide=(OFF, 1.0))
    assert filter_words(both, OFF, None) == (FilterWord(rig=None, state=OFF),)
    # Asked for off, the operator says on: that is for all rigs, at once.
    assert filter_words(asking(CALM, long=(OFF, 0.0)), ON, None) == (FilterWord(rig=None, state=ON),)


def test_a_word_for_one_rig_is_for_that_rig() -> None:
    """Said for a rig, a word is for it, whatever is asked of others."""
    assert filter_words(asking(CALM, wide=(OFF, 1.0)), OFF, "long") == (FilterWord(rig="long", state=OFF),)


def test_only_off_that_nobody_asked_for_needs_a_second_word() -> None:
    """Off needs a second word exactly where it is news and unasked; on never does."""
    off_all, on_all = (FilterWord(rig=None, state=OFF),), (FilterWord(rig=None, state=ON),)
    assert needs_second_word(CALM, off_all)
    assert not needs_second_word(CALM, on_all)
    asked = asking(CALM, long=(OFF, 0.0), wide=(OFF, 0.0))
    assert not needs_second_word(asked, filter_words(asked, OFF, None))
    assert needs_second_word(asking(CALM, long=(OFF, 0.0)), off_all)
    assert needs_second_word(asking(CALM, long=(OFF, 0.0)), (FilterWord(rig="wide", state=OFF),))
    assert needs_second_word(asking(CALM, long=(ON, 0.0)), (FilterWord(rig="long", state=OFF),))
    assert needs_second_word(with_rig(CALM, "long", filter_said=UNSAID), (FilterWord(rig="long", state=OFF),))


def test_off_said_again_is_no_news() -> None:
    """Where every rig with a filter is said to be off already, off needs no second word."""
    view = replace(CALM, rigs=(replace(CALM.rigs[0], filter_said=OFF), CALM.rigs[2]))
    assert not needs_second_word(view, (FilterWord(rig=None, state=OFF),))


def test_words_are_shown_as_heard() -> None:
    """What was heard is shown with its rigs."""
    both = (FilterWord(rig="long", state=OFF), FilterWord(rig="wide", state=OFF))
    assert spoken(both) == "filter is OFF (long, wide)"
    assert spoken((FilterWord(rig=None, state=ON),)) == "filter is ON (all rigs)"
    assert spoken((PauseWord(rig="long"),)) == "pause (long)"
    assert spoken((GoOnWord(),)) == "go on (all rigs)"
    assert spoken((StopWord(),)) == "stop the run"
    assert spoken(()) == ""
