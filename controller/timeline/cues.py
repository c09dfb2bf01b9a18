"""The cues every run has without being asked: contacts ahead of time, and the filter.

Before the earliest instant for it, no cue says to take the filter off, only that it stays on for now
(HF-S13). `takes_off` finds the plan's own cues that would say so.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Mapping
from enum import Enum

from controller.plan.fields import format_duration
from controller.timeline.model import Cue, Hold
from controller.units import NS_PER_S, ContactName, FilterState, UtcNs, seconds_to_ns

LAST_WORD_AHEAD_S = 10.0
"""How long before the filter is asked for the last word ahead of it comes."""

_CONTACT_WORDS: dict[str, dict[ContactName, str]] = {
    "total": {
        ContactName.C1: "First contact: the eclipse begins",
        ContactName.C2: "Second contact: totality",
        ContactName.MID: "Middle of totality",
        ContactName.C3: "Third contact: totality ends",
        ContactName.C4: "Fourth contact: the eclipse ends",
    },
    "annular": {
        ContactName.C1: "First contact: the eclipse begins",
        ContactName.C2: "Second contact: the ring closes. The filter stays on",
        ContactName.MID: "Middle of the ring. The filter stays on",
        ContactName.C3: "Third contact: the ring opens. The filter stays on",
        ContactName.C4: "Fourth contact: the eclipse ends",
    },
    "partial": {
        ContactName.C1: "First contact: the eclipse begins",
        ContactName.MID: "Greatest eclipse. The filter stays on",
        ContactName.C4: "Fourth contact: the eclipse ends",
    },
}

_AHEAD: dict[ContactName, tuple[tuple[int, str], ...]] = {
    ContactName.C1: ((300, "First contact in five minutes"), (60, "First contact in one minute")),
    ContactName.C2: (
        (600, "Second contact in ten minutes"),
        (120, "Second contact in two minutes"),
        (60, "Second contact in one minute"),
    ),
    ContactName.C3: ((30, "Third contact in thirty seconds"), (10, "Third contact in ten seconds")),
    ContactName.C4: ((60, "Fourth contact in one minute"),),
}


def ask(needs: FilterState, *rigs: str) -> str:
    """Return the sentence that asks for the filter, once the time for it has come; for all rigs if none is named."""
    which = rig_words(*rigs)
    if needs is FilterState.OFF:
        return f"Filter off now{which}. Say when it is off"
    return f"Filter on{which}. Say when it is on"


def rig_words(*rigs: str) -> str:
    """Return the end of a sentence that is for these rigs alone; nothing for none."""
    *first, last = rigs or ("",)
    return f", rigs {', '.join(first)} and {last}" if first else f", rig {last}" if last else ""


def standing_cues(
    kind: str, contacts_utc_ns: Mapping[ContactName, UtcNs], holds: Iterable[Hold], lead_ns: int
) -> list[Cue]:
    """Return the cues for the contacts, and those ahead of each hold that asks for the filter to come off.

    Args:
        kind: ``partial``, ``annular`` or ``total`` at the site.
        contacts_utc_ns: instants, UTC nanoseconds.
        holds: those of all rigs, each rig's in order; several that open at one instant get one cue.
        lead_ns: how long ahead the first cue of a hold comes.
    """
    return [*_contact_cues(kind, contacts_utc_ns), *_ahead_cues(list(holds), lead_ns)]


def _contact_cues(kind: str, contacts_utc_ns: Mapping[ContactName, UtcNs]) -> Iterable[Cue]:
    words = _CONTACT_WORDS.get(kind, {})
    for contact, at in contacts_utc_ns.items():
        if contact in words:
            yield Cue(cue_id=f"contact/{contact}", at_utc_ns=at, say=words[contact])
            for seconds, text in _AHEAD.get(contact, ()):
                before = UtcNs(at - seconds_to_ns(seconds))
                yield Cue(cue_id=f"contact/{contact}-{seconds}", at_utc_ns=before, say=text)


def _ahead_cues(holds: list[Hold], lead_ns: int) -> Iterable[Cue]:
    leads_ns = [lead_ns] if lead_ns > 0 else []
    if lead_ns > seconds_to_ns(LAST_WORD_AHEAD_S):
        leads_ns.append(seconds_to_ns(LAST_WORD_AHEAD_S))
    opening: dict[int, list[Hold]] = defaultdict(list)
    since: dict[str, int] = {}
    on_since: dict[str, int] = {}
    for hold in holds:
        if hold.needs is FilterState.OFF:
            opening[hold.opens_utc_ns].append(hold)
            on_since[hold.hold_id] = since.get(hold.rig, 0)
        since[hold.rig] = hold.opens_utc_ns
    for opens, together in opening.items():
        which = (
            "The filter" if len(opening) == 1 else f"The filter of {' and '.join(h.rig for h in together)}"
        )
        for ahead_ns in leads_ns:
            at = opens - ahead_ns
            if at < max(on_since[hold.hold_id] for hold in together):
                continue  # it would be said while the filter is still off from before
            yield Cue(
                cue_id=f"ahead/{together[0].hold_id}-{ahead_ns}",
                at_utc_ns=UtcNs(at),
                say=f"{which} stays on. I ask for it in {_spoken(ahead_ns)}",
            )


def _spoken(duration_ns: int) -> str:
    if duration_ns % NS_PER_S == 0:
        seconds = duration_ns // NS_PER_S
        return f"{seconds} second{'' if seconds == 1 else 's'}"
    return format_duration(duration_ns / NS_PER_S)


class TakenOff(Enum):
    """What a sentence may be heard to take off."""

    FILTER = "the filter"
    EYE_PROTECTION = "eye protection"


_OFF = r"\b(?:off|away|down|remov\w*|uncover\w*|unscrew\w*|without|unfiltered|bare|naked|unaided)\b"
_OFF_THING = {
    TakenOff.EYE_PROTECTION: re.compile(r"\b(?:glasses|protection|goggles|viewers?|eyes?)\b", re.I),
    TakenOff.FILTER: re.compile(r"\b(?:filters?|unfiltered)\b", re.I),
}


def takes_off(say: str) -> TakenOff | None:
    """Return what a cue in English may be heard to take off: eye protection before the filter, or None.

    A sentence is suspected when it names the thing and has a word of taking away in it, whatever it means
    to say: somebody tired hears words, not grammar. Other languages are not understood.
    """
    suspects = [part for part in re.split(r"[.;:!?]", say) if re.search(_OFF, part, re.I)]
    return next((thing for thing, name in _OFF_THING.items() if any(map(name.search, suspects))), None)
