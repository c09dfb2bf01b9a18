"""The cues every run has without being asked: contacts ahead of time, and the filter.

Before the earliest instant for it, no cue says to take the filter off, only that it stays on for now.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from controller.timeline.model import Cue, Hold
from controller.units import ContactName, FilterState, UtcNs, seconds_to_ns

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


def ask(needs: FilterState, rig: str | None) -> str:
    """Return the sentence that asks for the filter, once the time for it has come."""
    which = f", rig {rig}" if rig else ""
    if needs is FilterState.OFF:
        return f"Filter off now{which}. Say when it is off"
    return f"Filter on{which}. Say when it is on"


def standing_cues(
    kind: str, contacts_utc_ns: Mapping[ContactName, UtcNs], holds: Iterable[Hold], lead_ns: int
) -> list[Cue]:
    """Return the cues for the contacts and ahead of each hold between phases.

    Args:
        kind: ``partial``, ``annular`` or ``total`` at the site.
        contacts_utc_ns: instants, UTC nanoseconds.
        holds: those of all rigs; several that open at one instant get one cue.
        lead_ns: how long ahead the first cue of a hold comes.
    """
    cues = []
    words = _CONTACT_WORDS.get(kind, {})
    for contact, at in contacts_utc_ns.items():
        if contact in words:
            cues.append(Cue(cue_id=f"contact/{contact}", at_utc_ns=at, say=words[contact]))
            for seconds, text in _AHEAD.get(contact, ()):
                cues.append(
                    Cue(
                        cue_id=f"contact/{contact}-{seconds}",
                        at_utc_ns=UtcNs(at - seconds_to_ns(seconds)),
                        say=text,
                    )
                )
    seen: set[tuple[int, FilterState]] = set()
    for hold in holds:
        if hold.needs is not FilterState.OFF or (hold.opens_utc_ns, hold.needs) in seen:
            continue
        seen.add((hold.opens_utc_ns, hold.needs))
        for ahead_ns in sorted({lead_ns, seconds_to_ns(10)}, reverse=True):
            if ahead_ns <= 0:
                continue
            cues.append(
                Cue(
                    cue_id=f"ahead/{hold.hold_id}-{ahead_ns // 1_000_000_000}",
                    at_utc_ns=UtcNs(hold.opens_utc_ns - ahead_ns),
                    say=f"The filter stays on. I ask for it in {ahead_ns // 1_000_000_000} seconds",
                )
            )
    return cues
