"""Numbers in cameras' own words: every string of seven real bodies, and the choice among them.

Source of the listings: libgphoto2, camlibs/ptp2/cameras listings (LGPL source tree).
"""

from __future__ import annotations

import math

import pytest

from controller.cameras.choices import (
    EXPOSURE,
    F_NUMBER,
    ISO,
    parse_exposure_s,
    parse_f_number,
    parse_iso,
    say,
)
from controller.light.stops import NOMINAL_THIRDS_S
from tests.cameras.bench import BODIES, listing

NO_NUMBER = {"Bulb", "bulb", "Time", "x 200", "auto", "Auto", "Auto ISO", "-1", "-2", "-3"}
"""Every word in the listings' exposure, aperture and ISO choices that is no fixed number, but unknown codes."""


@pytest.mark.parametrize(
    ("text", "exposure_s"),
    [
        ("300/10", 30.0),
        ("13/10", 1.3),
        ("10/13", 10 / 13),
        ("1/3", 1 / 3),
        ("1/8000", 1 / 8000),
        ("1/32000", 1 / 32000),
        ("30", 30.0),
        ("10.3", 10.3),
        ("0.3", 0.3),
        ("0,3", 0.3),
        ("0.0025s", 1 / 400),
        ("0,0400s", 0.04),
        ("0.0166s", 1 / 60),
        ("0.0001s", 0.0001),
        ("30.0000s", 30.0),
        ("2.5s", 2.5),
        ("60s", 60.0),
        ("60m", 3600.0),
        ("1/0", None),
        ("0", None),
        ("0.0000s", None),
        ("x 200", None),
        ("Bulb", None),
        ("bulb", None),
        ("Time", None),
        ("auto", None),
        ("Unknown value 0f00", None),
        ("Unbekannter Wert 8018", None),
        ("(null)", None),
        ("", None),
        (None, None),
    ],
)
def test_exposure_words(text: str | None, exposure_s: float | None) -> None:
    """Each form of an exposure time gives its seconds, and every other word none."""
    found = parse_exposure_s(text)
    assert found == (None if exposure_s is None else pytest.approx(exposure_s, rel=1e-12))


@pytest.mark.parametrize(
    ("text", "f_number"),
    [("f/3,5", 3.5), ("f/5.6", 5.6), ("5.6", 5.6), ("22", 22.0), ("f/1", 1.0)]
    + [(word, None) for word in ("Unknown value 0f00", "(null)", "", None, "f/0", "auto", "implicit auto")],
)
def test_aperture_words(text: str | None, f_number: float | None) -> None:
    """Each form of an aperture gives its f-number, and every other word none."""
    assert parse_f_number(text) == f_number


@pytest.mark.parametrize(
    ("text", "iso"),
    [("100", 100.0), ("204800", 204_800.0), ("ISO 400", 400.0)]
    + [(word, None) for word in ("Auto", "Auto ISO", "-1", "-2", "-3", "Unknown value 0093", "(null)", None)],
)
def test_iso_words(text: str | None, iso: float | None) -> None:
    """Each form of an ISO speed gives its number; automatic ISO in any form gives none."""
    assert parse_iso(text) == iso


@pytest.mark.parametrize("body", BODIES)
def test_every_listed_string_is_a_number_or_a_known_word(body: str) -> None:
    """No string of a real listing is passed over but the words known to be no number."""
    widgets = listing(body)
    read = 0
    for quantity, names in (
        (EXPOSURE, ("shutterspeed", "shutterspeed2")),
        (F_NUMBER, ("f-number", "aperture")),
        (ISO, ("iso",)),
    ):
        for name in names:
            for text in widgets.get(name, {}).get("choices", []):
                if quantity.parse(text) is None:
                    assert text in NO_NUMBER or "nknown value" in text, text
                else:
                    read += 1
    assert read >= 30


@pytest.mark.parametrize("body", BODIES)
def test_every_listed_number_chooses_its_own_word(body: str) -> None:
    """Asking for the number of any listed word chooses that word (the first, where the list repeats)."""
    widgets = listing(body)
    for quantity, name in (
        (EXPOSURE, "shutterspeed"),
        (EXPOSURE, "shutterspeed2"),
        (F_NUMBER, "f-number"),
        (F_NUMBER, "aperture"),
        (ISO, "iso"),
    ):
        choices = widgets.get(name, {}).get("choices", [])
        for text in choices:
            if (number := quantity.parse(text)) is not None:
                assert quantity.choose(number, choices) == text
                assert quantity.agrees(number, text)


@pytest.mark.parametrize("body", ["nikon-d750", "nikon-z6-2"])
def test_a_bodys_two_shutter_lists_mean_the_same_speeds(body: str) -> None:
    """Every exact fraction of a Nikon finds the word that its other list cuts to four places."""
    widgets = listing(body)
    exact = [text for text in widgets["shutterspeed2"]["choices"] if parse_exposure_s(text)]
    cut = widgets["shutterspeed"]["choices"]
    for text in exact:
        above, _, below = text.partition("/")
        speed = float(above) / float(below or 1)
        chosen = EXPOSURE.choose(speed, cut)
        assert chosen is not None, text
        written = chosen.replace(",", ".").rstrip("s")
        assert math.floor(speed * 10_000 + 1e-6) == round(float(written) * 10_000), (text, chosen)
        assert EXPOSURE.agrees(speed, chosen)


@pytest.mark.parametrize(
    ("asked_s", "words"),
    [
        (1 / 1000, {"canon-eos-r8": "1/1000", "fuji-xt4": "1/1000", "sony-a7c": "1/1000"}),
        (0.3, {"canon-eos-r8": "0.3", "fuji-xt4": "1/3", "nikon-z6-2": "1/3", "sony-a7m4": "1/3"}),
        (1 / 3, {"canon-eos-r8": "0.3", "fuji-xt4": "1/3", "nikon-z6-2": "1/3", "sony-a7c": "1/3"}),
        (0.6, {"canon-eos-r8": "0.6", "fuji-xt4": "0.6s", "nikon-z6-2": "10/16", "sony-a7c": "6/10"}),
        (0.8, {"canon-eos-r8": "0.8", "fuji-xt4": "0.8s", "nikon-z6-2": "10/13", "sony-a7m4": "8/10"}),
        (3.2, {"canon-eos-r8": "3.2", "fuji-xt4": "3s", "nikon-z6-2": "3", "sony-a7c": "32/10"}),
        (10.0, {"canon-eos-r8": "10.3", "fuji-xt4": "10s", "nikon-z6-2": "10", "sony-a7c": "100/10"}),
        (30.0, {"canon-eos-r8": "30", "fuji-xt4": "30s", "nikon-z6-2": "30", "sony-a7c": "300/10"}),
        (
            1 / 8000,
            {"canon-eos-r8": None, "fuji-xt4": "1/8000", "nikon-z6-2": "1/8000", "sony-a7c": "1/8000"},
        ),
        (60.0, {"canon-eos-r8": None, "fuji-xt4": "60s", "nikon-z6-2": None, "sony-a7c": None}),
        (0.7, {"canon-eos-r8": None, "fuji-xt4": None, "nikon-z6-2": "10/13", "sony-a7c": None}),
    ],
)
def test_what_photographers_ask_finds_each_makers_word(asked_s: float, words: dict[str, str | None]) -> None:
    """A nominal time chooses the right word on every maker's body, and nothing where it is not listed."""
    for body, word in words.items():
        widgets = listing(body)
        choices = widgets.get("shutterspeed2", widgets["shutterspeed"])["choices"]
        assert EXPOSURE.choose(asked_s, choices) == word, body


def test_the_third_stop_series_is_found_whole_on_a_body_that_lists_it() -> None:
    """Every mark from 1/8000 to 30 s finds a word of its own on a body with all of them."""
    choices = listing("nikon-z6-2")["shutterspeed2"]["choices"]
    chosen = [EXPOSURE.choose(mark, choices) for mark in NOMINAL_THIRDS_S]
    assert None not in chosen
    assert len(set(chosen)) == len(NOMINAL_THIRDS_S)


def test_a_word_cut_short_stands_for_every_time_cut_to_it() -> None:
    """``0.0001s`` can mean 1/8000 and 1/6400 and nothing longer; a word that is exact wins over it."""
    virtual = ["1.0000s", "0.0100s", "0.0012s", "0.0001s"]
    assert EXPOSURE.choose(1 / 8000, virtual) == "0.0001s"
    assert EXPOSURE.choose(1 / 6400, virtual) == "0.0001s"
    assert EXPOSURE.choose(1 / 5000, virtual) is None
    assert EXPOSURE.choose(1 / 800, virtual) == "0.0012s"
    assert EXPOSURE.choose(1 / 6400, [*virtual, "1/6400"]) == "1/6400"
    assert EXPOSURE.agrees(1 / 8000, "0.0001s")
    assert not EXPOSURE.agrees(1 / 4000, "0.0001s")


def test_a_sixth_of_a_stop_is_the_limit_in_light_not_in_numbers() -> None:
    """The limit holds in stops: for f-numbers a stop is a factor of the square root of two."""
    assert F_NUMBER.choose(8.0 * 2 ** (0.16 / 2), ["f/8"]) == "f/8"
    assert F_NUMBER.choose(8.0 * 2 ** (0.17 / 2), ["f/8"]) is None
    assert EXPOSURE.choose(0.1 * 2**0.16, ["1/10"]) == "1/10"
    assert EXPOSURE.choose(0.1 * 2**0.17, ["1/10"]) is None
    assert ISO.choose(100 * 2**-0.17, ["100"]) is None


def test_of_two_equally_near_the_first_listed_is_chosen() -> None:
    """Ties and repeated lists always give the same answer."""
    assert ISO.choose(100.0, ["100", "200", "100"]) == "100"
    assert EXPOSURE.choose(1.0, ["10/10", "1", "1s"]) == "10/10"
    assert EXPOSURE.choose(1.0, ["1s", "1", "10/10"]) == "1s"
    low, high = 100.0, 100.0 * 2**0.2
    between = 100.0 * 2**0.1
    assert ISO.choose(between, [f"{high:.0f}", f"{low:.0f}"]) in {f"{high:.0f}", f"{low:.0f}"}


def test_nothing_is_chosen_from_nothing() -> None:
    """Empty lists and lists without numbers choose nothing, and name nothing near."""
    for choices in ([], ["auto"], ["Bulb", "(null)"]):
        assert EXPOSURE.choose(1.0, choices) is None
        assert EXPOSURE.around(1.0, choices) == []
    assert EXPOSURE.around(45.0, ["30", "Bulb", "1/2", "1"]) == ["30", "1"]


def test_values_are_said_as_photographers_write_them() -> None:
    """Messages name settings in the trade's own notation."""
    assert say(EXPOSURE, 1 / 1000) == "1/1000 s"
    assert say(F_NUMBER, 5.6) == "f/5.6"
    assert say(ISO, 100) == "ISO 100"
