"""What the page is told, compared with the timeline, the view and the terminal's own words."""

from __future__ import annotations

import json
from dataclasses import fields

from controller.engine.view import RigView, RunView
from controller.operator.wording import CAUTION, STATE_WORDS, ask_sentence, nothing_asked, wrong
from controller.page.data import day_json, spoken_json, view_json
from controller.units import FilterState
from tests.engine.builder import OFF, ON, at, frame, rig_info, timeline
from tests.operator.views import ASKS_OFF_LATE, CALM, TROUBLED, with_rig


def test_the_day_has_the_timelines_instants_in_milliseconds() -> None:
    """Contacts in order, phases, holds and frames of each rig, each at its instant; the cautions word for word."""
    rigs = (rig_info(), rig_info("wide"))
    made = timeline([frame(1, 110), frame(1, 111.5, rig="wide")], rigs=rigs)
    day = json.loads(day_json(made, "es"))
    assert (day["title"], day["place"], day["language"]) == (made.title, made.site_name, "es")
    assert [one["name"] for one in day["contacts"]] == sorted(
        made.contacts_utc_ns, key=lambda name: made.contacts_utc_ns[name]
    )
    assert {one["name"]: one["utc_ms"] for one in day["contacts"]}["C2"] == at(110) // 1_000_000
    assert day["frames"] == {"long": [at(110) // 1_000_000], "wide": [at(111.5) // 1_000_000]}
    totality = [one for one in day["phases"] if one["name"] == "totality"]
    assert [(one["rig"], one["filter"], one["starts_utc_ms"], one["ends_utc_ms"]) for one in totality] == [
        (rig, "off", at(100) // 1_000_000, at(130) // 1_000_000) for rig in ("long", "wide")
    ]
    assert len(day["holds"]) == len(made.holds)
    assert {hold["due_utc_ms"] for hold in day["holds"] if hold["needs"] == "off"} == {
        hold.due_utc_ns // 1_000_000 for hold in made.holds if hold.needs is OFF
    }
    assert day["cautions"] == [CAUTION]
    assert day["wording"]["states"] == {state.value: text for state, text in STATE_WORDS.items()}


def test_a_view_has_every_field_and_the_terminals_sentences() -> None:
    """No field of the view is lost on the way, and what is asked is said in the words of the terminal."""
    told = json.loads(view_json(ASKS_OFF_LATE, {"wide": 4}))
    assert {one.name.replace("_utc_ns", "_utc_ms") for one in fields(RunView)} <= set(told)
    assert {one.name.replace("_utc_ns", "_utc_ms") for one in fields(RigView)} <= set(told["rigs"][0])
    assert told["now_utc_ms"] == ASKS_OFF_LATE.now_utc_ns // 1_000_000
    assert (told["asked"], told["ask"]) == ("off", ask_sentence(ASKS_OFF_LATE, FilterState.OFF))
    assert [rig["picture"] for rig in told["rigs"]] == [None, 4, None]
    calm, lost = json.loads(view_json(CALM, {})), json.loads(view_json(TROUBLED, {}))
    assert (calm["ask"], calm["wrong"], calm["to_do"]) == ("", "", nothing_asked(CALM))
    assert lost["wrong"] == wrong(TROUBLED) == TROUBLED.alarm
    assert [rig["asked_short"] for rig in told["rigs"]] == ["OFF 12 s late", "OFF in 5 s", "-"]
    troubles = json.loads(view_json(TROUBLED, {}))["rigs"][1]["troubles"]
    assert troubles == ["CAMERA NOT READY", "1 unknown", "last error: no answer in 5 s"]


def test_each_rig_tells_the_doubt_about_its_own_filter() -> None:
    """HF-S30: with doubts about two filters both rows say so, though there is room for one alarm."""
    bare = with_rig(
        CALM, "long", filter_said=ON, doubt="said on, but the picture is clipped: put the filter on"
    )
    both = with_rig(bare, "wide", filter_said=OFF, doubt="said off, but the picture is black: check the lens")
    told = json.loads(view_json(both, {}))
    assert [rig["troubles"] for rig in told["rigs"]] == [
        ["PICTURE TOO BRIGHT: PUT THE FILTER ON"], ["PICTURE TOO DARK: CHECK THE FRONT OF THE LENS"], [],
    ]  # fmt: skip
    assert (told["looks_bare"], json.loads(view_json(CALM, {}))["looks_bare"]) == (True, False)


def test_a_name_that_is_no_text_still_reaches_the_page() -> None:
    """Letters of any script go as they are; half a character does not stop the view."""
    told = json.loads(spoken_json("Halbschatten \u65e5\u98df \ud800", False, at(1), "de"))
    assert told == {
        "text": "Halbschatten \u65e5\u98df ?", "urgent": False, "utc_ms": at(1) // 1_000_000, "language": "de",
    }  # fmt: skip
