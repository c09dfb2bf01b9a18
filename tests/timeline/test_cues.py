"""The cues: what is said when, and that nothing is said to come off too soon."""

from __future__ import annotations

import pytest

from controller.errors import PlanError
from controller.timeline.taking_off import TakenOff, takes_off
from controller.units import NS_PER_S
from tests.timeline.building import DAY_NS, FILTERED_PLAN, changed, compiled, contacts

C2_S, C3_S = 3600.0, 3840.0
LAST_CUE = "  - at: 5 min before C2\n    say: Five minutes to totality. The filter stays on.\n"
LEAD = "  filter_on_latest: 20 s after C3\n"


def said(text: str) -> list[tuple[float, str]]:
    """Every cue with its second of the day."""
    return [((cue.at_utc_ns - DAY_NS) / NS_PER_S, cue.say) for cue in compiled(text).timeline.cues]


def ahead(text: str) -> list[tuple[float, str]]:
    """Only those ahead of a hold."""
    return [(at, say) for at, say in said(text) if "I ask for it" in say]


def test_contacts_are_announced() -> None:
    """Each contact is told at its instant and C2 and C3 ahead of it."""
    cues = dict(said(changed()))
    assert cues[0] == "First contact: the eclipse begins"
    assert cues[C2_S - 120] == "Second contact in two minutes"
    assert cues[C2_S] == "Second contact: totality"
    assert cues[C3_S - 10] == "Third contact in ten seconds"
    assert cues[C3_S] == "Third contact: totality ends"


def test_ahead_of_the_filter_coming_off_it_is_said_to_stay_on() -> None:
    """HF-S13: before the earliest instant the filter is only said to stay on, at the lead and 10 s ahead."""
    assert ahead(changed()) == [
        (C2_S - 80, "The filter stays on. I ask for it in 60 seconds"),
        (C2_S - 30, "The filter stays on. I ask for it in 10 seconds"),
    ]


@pytest.mark.parametrize(
    ("lead", "expected"),
    [
        ("0 s", []),
        ("1 s", [(C2_S - 21, "1 second")]),
        ("4 s", [(C2_S - 24, "4 seconds")]),
        ("10 s", [(C2_S - 30, "10 seconds")]),
        ("10.5 s", [(C2_S - 30.5, "10.5 seconds"), (C2_S - 30, "10 seconds")]),
    ],
)
def test_the_lead_is_how_long_ahead_the_first_cue_comes(lead: str, expected: list[tuple[float, str]]) -> None:
    """No cue on the filter comes earlier than the plan's lead, and each has its own identifier."""
    text = changed((LEAD, f"{LEAD}  lead: {lead}\n"))
    assert ahead(text) == [(at, f"The filter stays on. I ask for it in {words}") for at, words in expected]
    ids = [cue.cue_id for cue in compiled(text).timeline.cues]
    assert len(ids) == len(set(ids))


def test_nothing_is_said_to_stay_on_that_is_still_off() -> None:
    """Where the filter is on for a short while between two unfiltered phases, no cue speaks of it before that."""
    late = """  - name: on again
    from: 20 s after mid
    until: 30 s before C3
    filter: on
    rigs: [long]
    shots:
      - {name: glare, wanted: nice, exposure: 1/500, every: 10 s}
  - name: late
    from: 10 s before C3
    until: C3
    filter: off
    rigs: [long]
    shots:
      - {name: last, wanted: nice, exposure: 1/500, every: 5 s}
cues:
"""
    stretch = "        from: 5 s after C2\n        until: 10 s before C3\n"
    text = changed(("    until: 10 s after C3\n", "    until: mid\n"), (stretch, ""), ("cues:\n", late))
    off_s, asked_s = (C2_S + C3_S) / 2, C3_S - 30
    assert asked_s - 60 > off_s
    assert [at for at, _ in ahead(text)] == [C2_S - 80, C2_S - 30, asked_s - 60, asked_s - 10]
    text = text.replace(LEAD, f"{LEAD}  lead: 100 s\n")
    assert asked_s - 100 < off_s
    assert [at for at, _ in ahead(text)] == [C2_S - 120, C2_S - 30, asked_s - 10]


def test_rigs_that_are_asked_at_different_times_are_named() -> None:
    """Where one rig's filter comes off before another's, no cue says that "the filter" stays on."""
    second = """  - name: short
    camera:
      driver: simulated
    optics:
      focal_length: 200 mm
      aperture: f/8
    filter:
      kind: sheet
      density: 5.0
holds:
"""
    phases = "".join(
        f"  - name: short {n}\n    from: {a}\n    until: {b}\n    filter: {f}\n    rigs: [short]\n    shots:\n"
        "      - {name: one, wanted: want, exposure: 1/500, every: 60 s}\n"
        for n, (a, b, f) in enumerate(
            [("C1", "5 s before C2", "on"), ("2 s after C2", "5 s before C3", "off")]
        )
    )
    text = changed(("holds:\n", second), ("cues:\n", phases + "cues:\n"))
    assert ahead(text) == [
        (C2_S - 80, "The filter of long stays on. I ask for it in 60 seconds"),
        (C2_S - 65, "The filter of short stays on. I ask for it in 60 seconds"),
        (C2_S - 30, "The filter of long stays on. I ask for it in 10 seconds"),
        (C2_S - 15, "The filter of short stays on. I ask for it in 10 seconds"),
    ]


@pytest.mark.parametrize(
    ("say", "thing"),
    [
        ("Take the filter off.", TakenOff.FILTER),
        ("FILTERS OFF", TakenOff.FILTER),
        ("Remove the filter now", TakenOff.FILTER),
        ("The filter comes away in a minute", TakenOff.FILTER),
        ("Unfiltered from here", TakenOff.FILTER),
        ("Glasses off, filter off", TakenOff.EYE_PROTECTION),
        ("You may look without protection", TakenOff.EYE_PROTECTION),
        ("Enjoy it with bare eyes", TakenOff.EYE_PROTECTION),
        ("The filter stays on.", None),
        ("Autofocus off. The filter stays on.", None),
        ("Take the cap away; check the filter", None),
        ("Be ready at the filter. Eye protection stays on.", None),
        ("Offer water to the filter team", None),
    ],
)
def test_what_a_sentence_may_be_heard_to_take_off(say: str, thing: TakenOff | None) -> None:
    """HF-S13: the thing and a word of taking away in one sentence are enough; another sentence is another matter."""
    assert takes_off(say) is thing


@pytest.mark.parametrize(
    ("at", "say", "accepted"),
    [
        ("21 s before C2", "Filter off", False),
        ("20 s before C2", "Filter off", True),
        ("1 s before C2", "Glasses off", False),
        ("C2", "Glasses off", True),
        ("C3", "Filter off", True),
        ("1 s after C3", "Filter off", False),
        ("1 s after C3", "Glasses off", False),
        ("C1", "The filter is on", True),
    ],
)
def test_a_cue_of_the_plan_takes_nothing_off_out_of_time(at: str, say: str, accepted: bool) -> None:
    """HF-S13: a plan whose own cue takes the filter or eye protection off out of its time is refused."""
    text = changed((LAST_CUE, f"  - at: {at}\n    say: {say}\n"))
    if accepted:
        assert say in [words for _, words in said(text)]
    else:
        with pytest.raises(PlanError, match="may be heard to take"):
            compiled(text)


@pytest.mark.parametrize("kind", ["annular", "partial"])
def test_without_totality_no_cue_takes_anything_off(kind: str) -> None:
    """HF-S07, HF-S13: in an annular or a partial eclipse there is no instant for such a cue."""
    text = FILTERED_PLAN + "cues:\n  - {at: mid, say: SAY}\n"
    assert compiled(text.replace("SAY", "The filter stays on"), contacts(kind)).timeline.cues
    with pytest.raises(PlanError, match="may be heard to take the filter off"):
        compiled(text.replace("SAY", "Filter off"), contacts(kind))
