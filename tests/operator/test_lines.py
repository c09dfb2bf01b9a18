"""The line mode: what is told, and what typed lines mean."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.engine.view import RunState, RunView
from controller.operator.lines import CONFIRM_LINE_S, HELP, TALLY_S, LineReader, LineReport
from controller.operator.wording import CAUTION, CAUTION_SHORT
from controller.operator.words import FilterWord, GoOnWord, PauseWord, SkyWord, StopWord, Word
from controller.units import NS_PER_S, UtcNs
from tests.operator.views import ASKS_OFF, CALM, EIGHT, EIGHT_ASKED, OFF, ON, OVER, asking, with_rig

S = NS_PER_S


def later(view: RunView, seconds: float) -> RunView:
    """The same view, some seconds later."""
    return replace(view, now_utc_ns=UtcNs(view.now_utc_ns + round(seconds * S)))


def told_next(first: RunView, second: RunView) -> list[str]:
    """What is told of the second view after the first, without the local time."""
    report = LineReport(unicode=True)
    report.lines(first)
    return [line.split("  ", 1)[1] for line in report.lines(second)]


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("on", (FilterWord(rig=None, state=ON),)),
        ("  On \n", (FilterWord(rig=None, state=ON),)),
        ("on wide", (FilterWord(rig="wide", state=ON),)),
        ("off", (FilterWord(rig=None, state=OFF),)),
        ("OFF LONG", (FilterWord(rig="long", state=OFF),)),
        ("pause", (PauseWord(rig=None),)),
        ("pause long", (PauseWord(rig="long"),)),
        ("go on", (GoOnWord(rig=None),)),
        ("go on  wide", (GoOnWord(rig="wide"),)),
        ("cloud", (SkyWord(cloud=True),)),
        ("Clear", (SkyWord(cloud=False),)),
    ],
)
def test_lines_that_mean_something(line: str, words: tuple[Word, ...]) -> None:
    """Each line of the line mode gives its words while off is asked."""
    answer = LineReader().feed(line, ASKS_OFF, 0)
    assert answer.words == words
    assert answer.reply.startswith("Heard: ")


@pytest.mark.parametrize(
    "line",
    [
        "",
        "\n",
        "o",
        "offf",
        "of",
        "yes",
        "y",
        "stop",
        "stop now",
        "cloud long",
        "go",
        "goon",
        "off nobody",
        "on long wide",
        "no",
    ],
)
def test_lines_that_mean_nothing_give_no_word(line: str) -> None:
    """Anything else gives no word, and a reply unless it is empty."""
    answer = LineReader().feed(line, ASKS_OFF, 0)
    assert answer.words == ()
    assert bool(answer.reply) == bool(line.strip())


def test_stop_waits_for_yes() -> None:
    """Stop counts after a yes in time; any other line in between, or too much time, drops it."""
    reader = LineReader()
    assert "Type yes" in reader.feed("stop", CALM, 0).reply
    assert reader.feed("yes", CALM, CONFIRM_LINE_S * S - 1).words == (StopWord(),)
    assert reader.feed("yes", CALM, CONFIRM_LINE_S * S - 1).words == ()
    reader.feed("stop", CALM, 0)
    assert reader.feed("yes", CALM, CONFIRM_LINE_S * S).words == ()
    reader.feed("stop", CALM, 0)
    reader.feed("hm", CALM, 1)
    assert reader.feed("yes", CALM, 2).words == ()


def test_unasked_off_waits_for_yes() -> None:
    """Off that nobody asked for counts only after a yes."""
    reader = LineReader()
    assert reader.feed("off", CALM, 0).words == ()
    assert reader.feed("yes", CALM, 1).words == (FilterWord(rig=None, state=OFF),)


def test_a_rig_name_may_have_spaces() -> None:
    """The rest of the line is the rig's name."""
    view = replace(CALM, rigs=(replace(CALM.rigs[1], name="Wide, on the fence"),))
    assert LineReader().feed("on wide, on the fence", view, 0).words == (
        FilterWord(rig="Wide, on the fence", state=ON),
    )


def test_nothing_is_told_when_nothing_changes() -> None:
    """A view that differs only in its instant tells nothing."""
    assert told_next(CALM, later(CALM, 1)) == []


def test_the_first_view_tells_the_words_to_type_and_the_tallies() -> None:
    """The first lines name the run, the words to type, its state and each rig's tally, in local time."""
    lines = LineReport(unicode=True).lines(CALM)
    assert lines[0] == f"10:51:13 HST  Shadow over the reef. {HELP}"
    assert "10:51:13 HST  The run: RUNNING." in lines
    assert "10:51:13 HST  long: fired 123 of 456, missed 0, failed 0, card 812 left, battery 83%." in lines
    assert lines[-1] == "10:51:13 HST  C2 in 12:34."


def test_an_ask_is_told_at_once_with_the_cautions_and_again_while_it_lasts() -> None:
    """HF-S15: an ask comes with the usual cautions, and comes again, with them, while nobody answers."""
    assert told_next(CALM, ASKS_OFF) == [
        'Cue: "Filter off now. Say when it is off"',
        'FILTER OFF: long, wide: "totality" starts in 8 s. Type off when it IS off.',
        f"Caution: {CAUTION}",
    ]
    asked_late = later(asking(ASKS_OFF, long=(OFF, TALLY_S - 8.0), wide=(OFF, TALLY_S - 8.0)), TALLY_S)
    assert told_next(ASKS_OFF, later(ASKS_OFF, TALLY_S - 0.1)) == []
    assert told_next(ASKS_OFF, asked_late) == [
        'FILTER OFF: long, wide: 2 s LATE. Nothing of "totality" fires until you say it. Type off when it IS off.',
        f"Caution: {CAUTION_SHORT}",
    ]


def test_changes_of_a_rig_are_told() -> None:
    """Each change that matters to the operator is one line."""
    cases = {
        "wide: the filter is said to be OFF.": {"filter_said": OFF},
        "wide: camera NOT READY.": {"camera_ready": False},
        "wide: PAUSED.": {"paused": True},
        "wide: filter said on, but dark.": {"doubt": "said on, but dark"},
        "wide: error: no answer in 5 s": {"last_error": "no answer in 5 s"},
    }
    for line, changes in cases.items():
        assert told_next(CALM, with_rig(CALM, "wide", **changes)) == [line]


def test_an_ask_that_ends_unanswered_is_told() -> None:
    """When a hold ends and nobody had said it, that is told."""
    assert "long, wide: the filter is no longer asked to be OFF." in told_next(ASKS_OFF, CALM)


def test_tallies_wait_and_come_only_when_changed() -> None:
    """Tallies come every ten seconds, of the rigs whose tally has changed."""
    changed = with_rig(CALM, "wide", fired=124)
    assert told_next(CALM, later(changed, TALLY_S - 0.1)) == []
    assert told_next(CALM, later(changed, TALLY_S)) == [
        "wide: fired 124 of 456, missed 0, failed 0, card 812 left, battery 83%.",
        "C2 in 12:24.",
    ]


def test_alarms_and_the_end_are_told() -> None:
    """An alarm is told when it comes and when it goes; the end is told with the last tallies."""
    alarmed = replace(CALM, alarm="card of wide is full")
    assert told_next(CALM, alarmed) == ["ALARM: card of wide is full"]
    assert told_next(alarmed, CALM) == ["The alarm is over."]
    assert told_next(CALM, with_rig(later(OVER, 1), "long", fired=130)) == [
        "The run: DONE.",
        "long: fired 130 of 456, missed 0, failed 0, card 812 left, battery 83%.",
    ]


def test_a_run_that_is_over_asks_for_nothing() -> None:
    """After the end no filter is asked for."""
    assert not any("FILTER" in line for line in told_next(CALM, replace(ASKS_OFF, state=RunState.STOPPED)))


def test_text_from_outside_is_made_safe() -> None:
    """Control characters never reach the terminal, and ASCII is kept to where asked."""
    view = with_rig(CALM, "wide", last_error="bad \x1b[2J caf\u00e9")
    report = LineReport(unicode=False)
    report.lines(CALM)
    assert report.lines(view) == ["10:51:13 HST  wide: error: bad  [2J cafe"]


def test_rigs_that_change_alike_are_told_in_one_line() -> None:
    """A word for all eight is one line and not eight; what differs is told apart."""
    said = tuple(
        replace(rig, filter_said=OFF if rig.filter_said is ON else rig.filter_said) for rig in EIGHT.rigs
    )
    lines = told_next(EIGHT, with_rig(replace(EIGHT, rigs=said), "guide", filter_said=ON))
    told = [line for line in lines if "said to be" in line]
    assert told == ["long 600, wide, corona, spectrum, second refractor: the filter is said to be OFF."]


def test_many_rigs_are_summed_and_losses_told_of_each() -> None:
    """With eight rigs the tallies are one line while the run goes on; a rig that loses frames has its own."""
    tallies = [
        line
        for line in told_next(EIGHT, later(with_rig(EIGHT, "wide", fired=124), TALLY_S + 1))
        if "fired" in line
    ]
    assert tallies == ["All 8 rigs: fired 985 of 3648, missed 0, failed 0."]
    lost = later(with_rig(EIGHT, "wide", missed=2, failed=1), TALLY_S + 1)
    assert "wide: missed 2, failed 1, unknown 0 of 456." in told_next(EIGHT, lost)
    over = told_next(EIGHT, replace(EIGHT, state=RunState.FINISHED))
    assert sum("fired 123 of 456" in line for line in over) == 8


def test_many_rigs_are_asked_in_a_word() -> None:
    """Where every filter of many rigs is asked for, their names are not read out; of a few, they are."""
    asked = [line for line in told_next(EIGHT, EIGHT_ASKED) if line.startswith("FILTER OFF")]
    assert asked == [
        'FILTER OFF: All 6 rigs with a filter: "totality" starts in 8 s. Type off when it IS off.'
    ]
    part = asking(EIGHT, wide=(OFF, -8.0), corona=(OFF, -8.0), spectrum=(OFF, -8.0), guide=(OFF, -8.0))
    (told,) = [line for line in told_next(EIGHT, part) if line.startswith("FILTER OFF")]
    assert "wide, corona, spectrum, guide:" in told
