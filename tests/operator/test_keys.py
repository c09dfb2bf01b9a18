"""Keys into words: only the keys on the screen, and no part of an escape sequence."""

from __future__ import annotations

import re
import shutil
import string
import subprocess

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.engine.view import RunView
from controller.operator.keys import HEARD_S, SELECT_S, KeyDecoder, KeyReader
from controller.operator.layout import CONFIRM_S
from controller.operator.words import FilterWord, GoOnWord, PauseWord, SkyWord, StopWord, Word
from controller.units import NS_PER_S
from tests.operator.views import ASKS_BOTH, ASKS_OFF, ASKS_ON_AT_THE_START, CALM, EIGHT, OFF, ON, asking

S = NS_PER_S
SETTLED = settings(derandomize=True, deadline=None)
VIEWS = {"calm": CALM, "on": ASKS_ON_AT_THE_START, "off": ASKS_OFF, "both": ASKS_BOTH}
STATES: dict[str, list[str]] = {
    "fresh": [],
    "rig selected": ["2"],
    "stop asked": ["q"],
    "off said unasked": ["1", "f"],
}


def said(keys: list[str], view: RunView, gap_s: float = 0.1) -> list[Word]:
    """All words that these keys give, one after the other."""
    reader = KeyReader()
    return [word for index, key in enumerate(keys) for word in reader.feed(key, view, int(index * gap_s * S))]


@pytest.mark.parametrize("view", VIEWS.values(), ids=VIEWS.keys())
@pytest.mark.parametrize("before", STATES.values(), ids=STATES.keys())
def test_only_the_documented_keys_ever_give_words(view: RunView, before: list[str]) -> None:
    """In every state of the reader, of all single characters below 256 only f n p g q y c e can give words."""
    giving = {
        character
        for character in map(chr, range(256))
        if len(said([*before, character], view)) > len(said(before, view))
    }
    allowed = set("nNpPgGcCeE")
    if any(rig.filter_asked is OFF for rig in view.rigs):
        allowed |= set("fF")
    waits = before == ["q"] or (before == ["1", "f"] and view.rigs[0].filter_asked is not OFF)
    if waits:
        allowed |= set("yY")
    if before == ["2"] and view.rigs[1].filter_asked is not OFF:
        allowed -= set("fF")
    assert giving == allowed


def test_every_documented_key_gives_its_word() -> None:
    """Each documented key means what the screen says."""
    assert said(["f"], asking(CALM, wide=(OFF, 0.0))) == [FilterWord(rig="wide", state=OFF)]
    assert said(["n"], CALM) == [FilterWord(rig=None, state=ON)]
    assert said(["p"], CALM) == [PauseWord(rig=None)]
    assert said(["g"], CALM) == [GoOnWord(rig=None)]
    assert said(["q", "y"], CALM) == [StopWord()]
    assert said(["c", "e"], CALM) == [SkyWord(cloud=True), SkyWord(cloud=False)]
    assert said(["2", "n"], CALM) == [FilterWord(rig="wide", state=ON)]
    assert said(["1", "p"], CALM) == [PauseWord(rig="long")]
    assert said(["2", "g"], CALM) == [GoOnWord(rig="wide")]


def test_f_is_for_every_rig_that_is_asked() -> None:
    """One key answers the holds of all rigs that are asked, and of no other."""
    assert said(["f"], ASKS_OFF) == [FilterWord(rig=None, state=OFF)]  # both that have a filter
    words = said(["f"], asking(EIGHT, wide=(OFF, 1.0), guide=(OFF, 1.0)))
    assert words == [FilterWord(rig="wide", state=OFF), FilterWord(rig="guide", state=OFF)]


def test_unasked_off_waits_for_its_second_key() -> None:
    """HF-S02: off that nobody asked for gives no word until y follows."""
    assert said(["f"], CALM) == []
    assert said(["f", "y"], CALM) == [FilterWord(rig=None, state=OFF)]
    assert said(["f", "f", "f"], CALM) == []


@pytest.mark.parametrize("first", ["q", "f"])
@pytest.mark.parametrize("between", [one for one in string.printable if one not in "yYfFqQ"])
def test_any_other_key_drops_what_waits_for_y(first: str, between: str) -> None:
    """Between a key and its second key, any other key drops it."""
    words = said([first, between, "y"], CALM)
    assert not any(isinstance(word, StopWord) or word == FilterWord(rig=None, state=OFF) for word in words)


def test_the_second_key_comes_in_time_or_not_at_all() -> None:
    """A y counts up to the last nanosecond of its time, and not after."""
    for late_ns, words in ((-1, (StopWord(),)), (0, ())):
        reader = KeyReader()
        reader.feed("q", CALM, 0)
        assert reader.confirming_stop(CONFIRM_S * S - 1)
        assert not reader.confirming_stop(CONFIRM_S * S)
        assert reader.feed("y", CALM, CONFIRM_S * S + late_ns) == words


def test_y_counts_once() -> None:
    """A second y after a stop says nothing more."""
    assert said(["q", "y", "y"], CALM) == [StopWord()]


def test_a_selected_rig_is_for_one_key_and_for_a_short_time() -> None:
    """A selection is used up by its key, ends by itself, and 0 or another digit replaces it."""
    assert said(["1", "n", "n"], CALM) == [FilterWord(rig="long", state=ON), FilterWord(rig=None, state=ON)]
    assert said(["1", "p", "p"], CALM) == [PauseWord(rig="long"), PauseWord(rig=None)]
    assert said(["1", "0", "p"], CALM) == [PauseWord(rig=None)]
    assert said(["1", "9", "p"], CALM) == [PauseWord(rig=None)]
    assert said(["1", "2", "p"], CALM) == [PauseWord(rig="wide")]
    reader = KeyReader()
    reader.feed("1", CALM, 0)
    assert reader.selected_rig(SELECT_S * S - 1) == 1
    assert reader.selected_rig(SELECT_S * S) is None
    assert reader.feed("p", CALM, SELECT_S * S) == (PauseWord(rig=None),)


def test_a_stop_is_for_the_whole_run() -> None:
    """A rig selected before q changes nothing of the stop, and is not selected after it."""
    assert said(["2", "q", "y"], CALM) == [StopWord()]
    assert said(["2", "q", "x", "p"], CALM) == [PauseWord(rig=None)]


def test_the_screen_is_told_what_was_heard_and_what_is_waited_for() -> None:
    """What was heard shows for a while; what waits for y shows as long as it waits."""
    reader = KeyReader()
    reader.feed("n", CALM, 0)
    assert reader.notice(1) == "Heard: filter is ON (all rigs)."
    assert reader.notice(HEARD_S * S) == ""
    reader.feed("1", CALM, 0)
    reader.feed("f", CALM, 0)
    waiting = "Nobody asked for OFF. Press y within 5 s only if it is so already: filter is OFF (long)."
    assert reader.notice(CONFIRM_S * S - 1) == waiting
    assert reader.notice(CONFIRM_S * S) == ""


# --- what a terminal sends -------------------------------------------------------------------


@SETTLED
@given(st.text(alphabet=string.printable, max_size=20))
def test_plain_keys_come_one_by_one(text: str) -> None:
    """Without an escape, every character is a key."""
    assert KeyDecoder().feed(text.encode(), 0) == list(text)


@SETTLED
@given(st.text(alphabet="fnpgqy0123456789é", max_size=20), st.integers(0, 40))
def test_a_key_may_come_in_pieces(text: str, cut: int) -> None:
    """Bytes split anywhere, even inside a character, give the same keys."""
    data = text.encode()
    decoder = KeyDecoder()
    assert decoder.feed(data[:cut], 0) + decoder.feed(data[cut:], 0) == list(text)


@pytest.mark.parametrize(
    "sequence",
    [
        "\x1b[F",  # End
        "\x1bOF",  # End, application mode
        "\x1b[1;5F",  # Ctrl-End
        "\x1b[0n",  # a status report
        "\x1bf",  # Alt-f
        "\x1bn",
        "\x1b[15~",  # F5
        "\x1b[24;80R",  # a position report
    ],
)
def test_no_part_of_a_sequence_is_a_key(sequence: str) -> None:
    """An escape sequence is one key without meaning, in one piece or byte by byte, and the next key counts."""
    whole = KeyDecoder().feed(sequence.encode() + b"n", 0)
    assert whole == [sequence, "n"]
    decoder = KeyDecoder()
    pieces = [key for byte in (sequence + "n").encode() for key in decoder.feed(bytes([byte]), 0)]
    assert pieces == whole
    assert KeyReader().feed(sequence, ASKS_OFF, 0) == ()


@pytest.mark.skipif(shutil.which("infocmp") is None, reason="the terminfo tools are not installed")
@pytest.mark.parametrize("terminal", ["xterm-256color", "screen-256color", "tmux-256color", "linux", "rxvt"])
def test_special_keys_of_real_terminals_say_nothing(terminal: str) -> None:
    """No special key of a terminal gives a word; its sequences are those of the terminfo database."""
    shown = subprocess.run(["infocmp", "-1", "-x", terminal], capture_output=True, text=True, check=False)
    if shown.returncode:
        pytest.skip(f"no terminfo entry for {terminal}")
    entries = re.findall(r"^\t(k\w+)=(.*),$", shown.stdout, re.MULTILINE)
    sequences = [text.replace(r"\E", "\x1b") for _, text in entries if text.startswith(r"\E")]
    assert len(sequences) > 15
    for sequence in sequences:
        decoder, reader = KeyDecoder(), KeyReader()
        for key in decoder.feed(sequence.encode(), 0):
            assert reader.feed(key, ASKS_OFF, 0) == (), sequence


def test_a_lone_escape_takes_no_later_key_with_it() -> None:
    """After a second, the key that follows an escape counts again."""
    decoder = KeyDecoder()
    assert decoder.feed(b"\x1b", 0) == []
    assert decoder.feed(b"n", S + 1) == ["n"]


def test_pasted_text_says_nothing() -> None:
    """Text pasted in is dropped whole, and keys count again after it."""
    decoder = KeyDecoder()
    assert decoder.feed(b"\x1b[200~fnqy\x1b[201~n", 0) == ["n"]


def test_a_paste_that_never_ends_does_not_leave_the_operator_unheard() -> None:
    """When the end of a paste is lost, keys count again after some seconds."""
    decoder = KeyDecoder()
    assert decoder.feed(b"\x1b[200~f", 0) == []
    assert decoder.feed(b"n", 5 * S) == ["n"]
