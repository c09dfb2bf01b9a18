"""The cues every run has without being asked: contacts ahead of time, and the filter.

Before the earliest instant for it, no cue says to take the filter off, only that it stays on for now
(HF-S13).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence

from controller.timeline.model import Cue, Hold, Timeline
from controller.timeline.phrases import Phrases
from controller.timeline.taking_off import takes_off
from controller.units import NS_PER_S, ContactName, FilterState, UtcNs, seconds_to_ns

LAST_WORD_AHEAD_S = 10.0
"""How long before the filter is asked for the last word ahead of it comes."""

_CONTACT_KEYS: dict[str, dict[ContactName, str]] = {
    "total": {
        ContactName.C1: "first_contact",
        ContactName.C2: "second_contact_total",
        ContactName.MID: "middle_total",
        ContactName.C3: "third_contact_total",
        ContactName.C4: "fourth_contact",
    },
    "annular": {
        ContactName.C1: "first_contact",
        ContactName.C2: "second_contact_annular",
        ContactName.MID: "middle_annular",
        ContactName.C3: "third_contact_annular",
        ContactName.C4: "fourth_contact",
    },
    "partial": {
        ContactName.C1: "first_contact",
        ContactName.MID: "greatest_partial",
        ContactName.C4: "fourth_contact",
    },
}
"""Which sentence tells a contact."""

_AHEAD: dict[ContactName, tuple[tuple[int, str], ...]] = {
    ContactName.C1: ((300, "first_contact_in_5_min"), (60, "first_contact_in_1_min")),
    ContactName.C2: (
        (600, "second_contact_in_10_min"),
        (120, "second_contact_in_2_min"),
        (60, "second_contact_in_1_min"),
    ),
    ContactName.C3: ((30, "third_contact_in_30_s"), (10, "third_contact_in_10_s")),
    ContactName.C4: ((60, "fourth_contact_in_1_min"),),
}
"""Which sentences tell it how many seconds ahead."""


def standing_cues(
    kind: str,
    contacts_utc_ns: Mapping[ContactName, UtcNs],
    holds: Iterable[Hold],
    lead_ns: int,
    phrases: Phrases,
) -> list[Cue]:
    """Return the cues for the contacts, and those ahead of each hold that asks for the filter to come off.

    Args:
        kind: ``partial``, ``annular`` or ``total`` at the site.
        contacts_utc_ns: instants, UTC nanoseconds.
        holds: those of all rigs, each rig's in order; several that open at one instant get one cue.
        lead_ns: how long ahead the first cue of a hold comes.
        phrases: what is said.
    """
    return [*_contact_cues(kind, contacts_utc_ns, phrases), *_ahead_cues(list(holds), lead_ns, phrases)]


def _contact_cues(kind: str, contacts_utc_ns: Mapping[ContactName, UtcNs], phrases: Phrases) -> Iterable[Cue]:
    keys = _CONTACT_KEYS.get(kind, {})
    for contact, at in contacts_utc_ns.items():
        if contact in keys:
            yield Cue(cue_id=f"contact/{contact}", at_utc_ns=at, say=phrases.text(keys[contact]))
            for seconds, key in _AHEAD.get(contact, ()):
                before = UtcNs(at - seconds_to_ns(seconds))
                yield Cue(cue_id=f"contact/{contact}-{seconds}", at_utc_ns=before, say=phrases.text(key))


def _ahead_cues(holds: list[Hold], lead_ns: int, phrases: Phrases) -> Iterable[Cue]:
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
        which = [] if len(opening) == 1 else [hold.rig for hold in together]
        for ahead_ns in leads_ns:
            at = opens - ahead_ns
            if at < max(on_since[hold.hold_id] for hold in together):
                continue  # it would be said while the filter is still off from before
            said = phrases.text("stays_on", rigs=which, time=phrases.seconds(ahead_ns / NS_PER_S))
            if takes_off(said):  # by the name of a rig
                said = phrases.text("stays_on", time=phrases.seconds(ahead_ns / NS_PER_S))
            yield Cue(
                cue_id=f"ahead/{together[0].hold_id}-{ahead_ns}",
                at_utc_ns=UtcNs(at),
                say=said,
            )


def asked_together(holds: Sequence[Hold], filtered: Iterable[str]) -> list[tuple[FilterState, list[str]]]:
    """Return what holds that open at one instant ask for, with the rigs that a sentence on it has to name.

    "On" comes last, so that nothing cuts it off. No rig is named where it is for all of `filtered`, the rigs
    that have a filter.
    """
    everyone = set(filtered)
    found = []
    for needs in (FilterState.OFF, FilterState.ON):
        rigs = [hold.rig for hold in holds if hold.needs is needs]
        if rigs:
            found.append((needs, [] if set(rigs) >= everyone else rigs))
    return found


def in_one(*sentences: str) -> str:
    """Return sentences that come at one instant as they are said: in one breath."""
    *before, last = sentences
    return " ".join([*(one if one[-1:] in ".!?" else f"{one}." for one in before), last])


def spoken_on_time(timeline: Timeline) -> list[Cue]:
    """Return all that is spoken at an instant that is known beforehand, in order.

    Those are the cues and, when each hold opens, the question for the filter, which is asked again until it is
    answered, and not at all where the answer came before it.
    """
    filtered = [rig.name for rig in timeline.rigs if rig.points_at_sun]
    opening: dict[UtcNs, list[Hold]] = defaultdict(list)
    for hold in timeline.holds:
        opening[hold.opens_utc_ns].append(hold)
    asked = [
        Cue(cue_id=f"ask/{at}-{needs}", at_utc_ns=at, say=timeline.phrases.text(f"ask_{needs}", rigs=rigs))
        for at, holds in opening.items()
        for needs, rigs in asked_together(holds, filtered)
    ]
    return sorted([*timeline.cues, *asked], key=lambda cue: (cue.at_utc_ns, cue.cue_id))
