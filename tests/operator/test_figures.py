"""The large figures."""

from __future__ import annotations

import itertools

import pytest

from controller.operator.figures import HEIGHT, large

NEEDED = "0123456789:D !?"
WORDS = (
    "FILTER ON",
    "FILTER OFF",
    "STOP?",
    "READY",
    "PAUSED",
    "STOPPED",
    "DONE",
    "LAST",
    "C1",
    "C2",
    "MID",
    "C3",
    "C4",
)


@pytest.mark.parametrize("character", sorted(set(NEEDED + "".join(WORDS))))
def test_each_figure_is_a_clean_block(character: str) -> None:
    """Each figure the console uses has five rows, and ink within its width (the space has none)."""
    lines = large(character, 80, tall=1, ink="#")
    assert len(lines) == HEIGHT == 5
    assert any(lines) == (character != " ")
    assert set("".join(lines)) <= {"#", " "}


def test_no_two_figures_look_alike() -> None:
    """No two figures have the same shape, but for the letters and digits that are one shape on purpose."""
    twins = {frozenset("0O"), frozenset("5S")}
    shown = {one: large(one, 80, tall=1, ink="#") for one in sorted(set(NEEDED + "".join(WORDS)))}
    same = {frozenset((a, b)) for a, b in itertools.combinations(shown, 2) if shown[a] == shown[b]}
    assert same == twins


@pytest.mark.parametrize("word", WORDS)
def test_words_fit_the_narrow_screen(word: str) -> None:
    """Every word the console sets large fits in 40 columns."""
    assert 0 < max(map(len, large(word, 40, tall=1, ink="#"))) <= 40


def test_figures_grow_with_the_screen_and_give_up_below_their_width() -> None:
    """Twice as wide where there is room, twice as high where asked, nothing where one dot has no column."""
    narrow = large("C2", 8, tall=1, ink="#")
    wide = large("C2", 80, tall=1, ink="#")
    tall = large("C2", 80, tall=2, ink="#")
    assert max(map(len, wide)) == 2 * max(map(len, narrow))
    assert len(tall) == 2 * len(wide)
    assert large("C2", 6, tall=1, ink="#") == []


def test_a_character_without_a_figure_is_refused() -> None:
    """A character the console never sets large is an error, not a blank."""
    with pytest.raises(KeyError):
        large("%", 80, tall=1, ink="#")
