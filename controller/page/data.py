"""What the page is told, as JSON: the day, which does not change, and the view, which does.

Instants are whole milliseconds UTC: a browser's numbers do not hold nanoseconds.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import asdict
from typing import Any

from controller.engine.view import RunView
from controller.operator.wording import (
    CAUTION,
    CAUTION_SHORT,
    NO_NEWS,
    STATE_WORDS,
    ask_sentence,
    ask_short,
    asked_first,
    looks_bare,
    nothing_asked,
    said_short,
    troubles,
    wrong,
)
from controller.timeline.model import Timeline

_NS_PER_MS = 1_000_000


def day_json(timeline: Timeline, language: str) -> bytes:
    """Return what does not change in the course of a run."""
    frames: dict[str, list[int]] = {rig.name: [] for rig in timeline.rigs}
    for frame in timeline.frames:
        frames[frame.rig].append(frame.due_utc_ns // _NS_PER_MS)
    return _json(
        {
            "title": timeline.title,
            "place": timeline.site_name,
            "time_zone": timeline.time_zone,
            "language": language,
            "contacts": [
                {"name": name.value, "utc_ms": at // _NS_PER_MS}
                for name, at in sorted(timeline.contacts_utc_ns.items(), key=lambda pair: pair[1])
            ],
            "rigs": [{"name": rig.name, "points_at_sun": rig.points_at_sun} for rig in timeline.rigs],
            "phases": [
                _in_ms(
                    {
                        "rig": phase.rig,
                        "name": phase.name,
                        "starts_utc_ns": phase.starts_utc_ns,
                        "ends_utc_ns": phase.ends_utc_ns,
                        "filter": phase.filter_need.value,
                    }.items()
                )
                for phase in timeline.phases
            ],
            "holds": [
                _in_ms(
                    {
                        "rig": hold.rig,
                        "needs": hold.needs.value,
                        "opens_utc_ns": hold.opens_utc_ns,
                        "due_utc_ns": hold.due_utc_ns,
                        "closes_utc_ns": hold.closes_utc_ns,
                    }.items()
                )
                for hold in timeline.holds
            ],
            "frames": frames,
            "cautions": [CAUTION],
            "wording": {
                "caution": CAUTION,
                "caution_short": CAUTION_SHORT,
                "no_news": NO_NEWS,
                "states": {state.value: words for state, words in STATE_WORDS.items()},
            },
        }
    )


def view_json(view: RunView, pictures: Mapping[str, int]) -> bytes:
    """Return a view, and the sentences that the terminal has for it: what is asked, what is wrong with a rig.

    `pictures` are the numbers of the rigs' last thumbnails.
    """
    told = asdict(view, dict_factory=_in_ms)
    asked = asked_first(view)
    told["asked"] = asked
    told["ask"] = ask_sentence(view, asked) if asked else ""
    told["to_do"] = nothing_asked(view)
    told["wrong"] = wrong(view)
    told["looks_bare"] = looks_bare(view)
    for rig, told_rig in zip(view.rigs, told["rigs"], strict=True):
        told_rig["picture"] = pictures.get(rig.name)
        told_rig["asked_short"], told_rig["said_short"] = ask_short(rig), said_short(rig)
        told_rig["troubles"] = troubles(rig, view.state)
    return _json(told)


def spoken_json(text: str, urgent: bool, at_utc_ns: int, language: str) -> bytes:
    """Return a spoken sentence."""
    return _json({"text": text, "urgent": urgent, "utc_ms": at_utc_ns // _NS_PER_MS, "language": language})


def _in_ms(pairs: Iterable[tuple[str, Any]]) -> dict[str, Any]:
    """Return named values with their nanoseconds as milliseconds, and named so."""
    return {
        key.replace("_utc_ns", "_utc_ms"): value // _NS_PER_MS
        if key.endswith("_utc_ns") and value is not None
        else value
        for key, value in pairs
    }


def _json(value: dict[str, Any]) -> bytes:
    return json.dumps(value, separators=(",", ":"), ensure_ascii=False).encode("utf-8", "replace")
