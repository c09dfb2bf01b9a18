"""What the horizon or the terrain hides of the Sun, in words."""

from __future__ import annotations

from controller.sky import Circumstances, Contact, Crossing, Edge, HiddenBy, Shown
from controller.units import utc_iso

_WIDE_GAP_DEG = 45.0
"""Two points of a skyline farther apart than this are no skyline in between."""
_LOW_SUN_MEND = "plan the frames for when the Sun is clear, or choose a place with a lower horizon there."


def hidden_text(contact: Contact) -> str:
    """Return what stands before the Sun at a contact, one sentence."""
    part = "partly " if contact.shown is Shown.PART else ""
    return (
        f"At {contact.name} the Sun is {part}behind the {contact.hidden_by}: its centre stands at "
        f"{contact.apparent_altitude_deg:.1f} degrees, the {contact.hidden_by} there at "
        f"{contact.horizon_altitude_deg:.1f}."
    )


def crossing_text(crossing: Crossing, at: str) -> str:
    """Return what the Sun's edge does at the skyline, one sentence; `at` is the instant as text."""
    what = {
        Edge.APPEARS: "The first of the Sun comes over the {}",
        Edge.CLEARS: "The whole Sun is clear of the {}",
        Edge.TOUCHES: "The Sun's lower edge sinks behind the {}",
        Edge.VANISHES: "The last of the Sun is gone behind the {}",
    }[crossing.edge]
    return f"{what.format(crossing.behind)} at {at} (azimuth {crossing.azimuth_deg:.0f})."


def gap_text(sky: Circumstances) -> str:
    """Return a sentence if the Sun stands where the skyline has no points near; otherwise nothing."""
    horizon = sky.site.horizon
    gaps = [(horizon.gap_deg(c.azimuth_deg), c.name) for c in sky.contacts] if horizon.terrain else []
    if not gaps or max(gaps)[0] <= _WIDE_GAP_DEG:
        return ""
    gap_deg, name = max(gaps)
    return f"Beside the Sun at {name} the nearest points of the horizon are {gap_deg:.0f} degrees apart."


def warnings(sky: Circumstances) -> tuple[tuple[str, str], ...]:
    """Return what a plan's check says of the skyline, each with how to mend it."""
    said = [hidden_text(c) for c in sky.contacts if c.visible and c.hidden_by is not HiddenBy.NONE]
    said += [crossing_text(crossing, utc_iso(crossing.utc_ns, 0)) for crossing in sky.crossings]
    words = [(what, _LOW_SUN_MEND) for what in said]
    gap = gap_text(sky)
    if gap:
        words.append((gap, "add points where the Sun passes: between two of them a straight line is drawn."))
    return tuple(words)
