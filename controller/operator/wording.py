"""What is shown in words, shared by the full screen and the line mode: times, asks, cautions, troubles."""

from __future__ import annotations

import unicodedata
from datetime import UTC, tzinfo
from functools import lru_cache
from zoneinfo import ZoneInfo

from controller.engine.view import RigView, RunState, RunView
from controller.operator.words import with_filter
from controller.units import NS_PER_S, FilterState, utc_datetime

CAUTION = (
    "Outside totality never look through an unfiltered lens, nor at the Sun without eye protection. "
    "Follow your filter maker's instructions."
)
"""The usual cautions; they stand on every screen that asks for a filter change."""

CAUTION_SHORT = (
    "Outside totality: no eye at a bare lens, none on the Sun unprotected. "
    "Follow your filter maker's instructions."
)
"""The same for a narrow screen."""


def plain_text(text: str, *, unicode: bool) -> str:
    """Return `text` safe to draw: no control characters, and ASCII only unless `unicode`."""
    safe = "".join(" " if unicodedata.category(character)[0] == "C" else character for character in text)
    if unicode:
        return safe
    bare = "".join(one for one in unicodedata.normalize("NFKD", safe) if not unicodedata.combining(one))
    return bare.encode("ascii", "replace").decode("ascii")


@lru_cache(maxsize=8)
def _zone(name: str) -> tzinfo:
    try:
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError):  # no such zone, or no zone data: the screen goes on in UTC
        return UTC


def local_time(instant_utc_ns: int, time_zone: str) -> str:
    """Return an instant as ``HH:MM:SS ZONE``, cut to the second; in UTC if there is no such IANA zone."""
    return utc_datetime(instant_utc_ns).astimezone(_zone(time_zone)).strftime("%H:%M:%S %Z")


def utc_time(instant_utc_ns: int) -> str:
    """Return an instant as ``HH:MM:SS UTC``, cut to the second."""
    return utc_datetime(instant_utc_ns).strftime("%H:%M:%S UTC")


def time_left(until_utc_ns: int, now_utc_ns: int) -> str:
    """Return the time from now until an instant: ``M:SS``, ``H:MM:SS`` or ``2D 03:00``.

    A part of a second counts as one, so that ``0:00`` shows from the instant on and not before it.
    """
    seconds = max(0, -((now_utc_ns - until_utc_ns) // NS_PER_S))
    minutes, second = divmod(seconds, 60)
    hours, minute = divmod(minutes, 60)
    days, hour = divmod(hours, 24)
    if days:
        return f"{days}D {hour:02d}:{minute:02d}"
    return f"{hours}:{minute:02d}:{second:02d}" if hours else f"{minute}:{second:02d}"


def duration(seconds: float) -> str:
    """Return a length of time, whole seconds: ``45 s``, ``12 min 05 s`` or ``2 h 05 min``."""
    whole = round(abs(seconds))
    if whole < 100:
        return f"{whole} s"
    minutes, second = divmod(whole, 60)
    if minutes < 100:
        return f"{minutes} min {second:02d} s"
    return f"{minutes // 60} h {minutes % 60:02d} min"


def asked_first(view: RunView) -> FilterState | None:
    """Return the state the screen asks for: on before off when both are asked, None when none is."""
    asked = {rig.filter_asked for rig in view.rigs}
    for state in (FilterState.ON, FilterState.OFF):
        if state in asked:
            return state
    return None


def asked_rigs(view: RunView, state: FilterState) -> list[RigView]:
    """Return the rigs that are asked for `state`."""
    return [rig for rig in view.rigs if rig.filter_asked is state]


def names(rigs: list[RigView]) -> str:
    """Return the names of rigs, listed."""
    return ", ".join(rig.name for rig in rigs)


def _asked_names(view: RunView, rigs: list[RigView]) -> str:
    """Return which rigs are asked: in a word where it is many of them and every one that has a filter."""
    return f"All {len(rigs)} rigs with a filter" if 3 < len(rigs) == len(with_filter(view)) else names(rigs)


def ask_sentence(view: RunView, state: FilterState) -> str:
    """Return which rigs are asked for `state`, what for, and how much time is left or lost."""
    rigs = asked_rigs(view, state)
    which = _asked_names(view, rigs)
    latest = max(rigs, key=lambda rig: rig.filter_asked_late_s)
    if round(latest.filter_asked_late_s) >= 1:
        lost = duration(latest.filter_asked_late_s)
        return f'{which}: {lost} LATE. Nothing of "{latest.phase}" fires until you say it.'
    return f'{which}: "{latest.phase}" starts {_when(latest.filter_asked_late_s)}.'


def _when(late_s: float) -> str:
    return "NOW" if round(late_s) >= 0 else f"in {duration(late_s)}"


def ask_short(rig: RigView) -> str:
    """Return what a rig is asked for and how late the word is, for a column."""
    if rig.filter_asked is None:
        return "-"
    asked = rig.filter_asked.value.upper()
    late_s = rig.filter_asked_late_s
    seconds = round(abs(late_s))
    if seconds < 100:
        length = f"{seconds} s"
    else:
        length = f"{seconds // 60}:{seconds % 60:02d}" if seconds < 6000 else f"{seconds // 60} min"
    if round(late_s) >= 1:
        return f"{asked} {length} late"
    return f"{asked} in {length}" if seconds else f"{asked} NOW"


def said_short(rig: RigView) -> str:
    """Return where the filter was said to be, for a column."""
    return "-" if rig.filter_said is FilterState.NOT_NEEDED else rig.filter_said.value


def troubles(rig: RigView, state: RunState) -> list[str]:
    """Return what is wrong with a rig alone, the gravest first; empty when all is well."""
    found = []
    if rig.doubt:
        bright = rig.filter_said is FilterState.ON
        found.append(
            "PICTURE TOO BRIGHT: PUT THE FILTER ON"
            if bright
            else "PICTURE TOO DARK: CHECK THE FRONT OF THE LENS"
        )
    if not rig.camera_ready:
        found.append("CAMERA NOT READY")
    if rig.paused and state is not RunState.PAUSED:
        found.append("PAUSED")
    if rig.unknown:
        found.append(f"{rig.unknown} unknown")
    if rig.last_error:
        found.append(f"last error: {rig.last_error}")
    return found


def wrong(view: RunView) -> str:
    """Return the one thing that is wrong now; empty when all is well."""
    if view.alarm or view.state in (RunState.STOPPED, RunState.FINISHED):
        return view.alarm
    dead = [rig for rig in view.rigs if not rig.camera_ready]
    return f"Camera not ready: {names(dead)}" if dead else ""


def looks_bare(view: RunView) -> bool:
    """Tell whether a lens looks bare though its filter is said to be on: then ON is the biggest thing on a screen."""
    over = view.state in (RunState.STOPPED, RunState.FINISHED)
    return not over and any(rig.doubt and rig.filter_said is FilterState.ON for rig in view.rigs)


def nothing_asked(view: RunView) -> str:
    """Return what there is to do while no filter is asked for."""
    match view.state:
        case RunState.STOPPED:
            return "The run was stopped. Nothing more fires."
        case RunState.FINISHED:
            return "The run is over. Nothing more fires."
        case RunState.READY:
            return "Ready. The run has not begun."
        case RunState.PAUSED:
            return "PAUSED: nothing fires."
    if wrong(view):
        return "Look at this:"
    if view.next_contact is None:
        return "Nothing to do now: the last pictures are on their way."
    return "Nothing to do now: leave the filters as they are."


NO_NEWS = "NO NEWS FROM THE RUN for {seconds} s: what you see is old."
"""What a surface says when the run has shown nothing for so long."""

STATE_WORDS: dict[RunState, str] = {
    RunState.READY: "READY",
    RunState.GOING: "RUNNING",
    RunState.PAUSED: "PAUSED",
    RunState.STOPPED: "STOPPED",
    RunState.FINISHED: "DONE",
}
"""The state of the run as the operator reads it."""
