"""What can be known of the computer before a run: power, sleep, disk, terminal. Nothing is changed.

Each probe takes what it looks at as arguments, and says "cannot tell" where it cannot. The limits are common
practice, no single source. What concerns macOS has not been tried there.
"""

from __future__ import annotations

import os
import re
import shutil
import sys
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from controller.live.awake import AwakeKeeper
from controller.live.clockwatch import ClockQuality, ask

LOW_BATTERY_PERCENT = 30
"""A computer on battery below this is not taken into an eclipse."""
DISK_MARGIN = 3.0
"""So many times what a run writes should be free."""
SMALLEST_TERMINAL = (80, 24)
"""Columns and rows in which the screen of a run is whole."""
PATIENCE_S = 2.0

Ask = Callable[[Sequence[str]], str]
"""Gives what a program prints, or nothing."""


class Verdict(StrEnum):
    """What a finding asks of the photographer."""

    GOOD = "good"
    LOOK = "look"
    """Nothing is known to be wrong, but somebody has to look."""
    MEND = "mend"
    """Something would be lost."""


@dataclass(frozen=True)
class Finding:
    """One thing looked at: what was found and, unless it is good, what to do."""

    about: str
    verdict: Verdict
    text: str
    mend: str = ""


def ask_system(command: Sequence[str]) -> str:
    """Return what a program of the system prints within two seconds, or nothing."""
    return ask(command, PATIENCE_S)


# --- power ------------------------------------------------------------------------------------


def power(
    supplies: Path = Path("/sys/class/power_supply"),
    *,
    platform: str = sys.platform,
    ask_for: Ask = ask_system,
) -> Finding:
    """Say whether the computer is on mains, else how full its battery is.

    Linux: the kernel's power supply class (`supplies`). macOS: ``pmset -g batt``.
    """
    mains, percents = (
        _power_of_macos(ask_for(("pmset", "-g", "batt")))
        if platform == "darwin"
        else _power_of_linux(supplies)
    )
    charge = f", battery {min(percents)} %" if percents else ""
    if mains:
        return Finding("power", Verdict.GOOD, f"on mains{charge}")
    if percents and min(percents) < LOW_BATTERY_PERCENT:
        return Finding("power", Verdict.MEND, f"on battery, {min(percents)} %", "Plug it in, or charge it.")
    if percents:
        return Finding(
            "power", Verdict.LOOK, f"on battery, {min(percents)} %", "Make sure that it lasts, or plug it in."
        )
    if mains is False:
        return Finding("power", Verdict.LOOK, "not on mains, battery not known", "Plug it in.")
    return Finding(
        "power", Verdict.LOOK, "cannot tell whether it is on mains", "See that it is plugged in, or charged."
    )


def _power_of_linux(supplies: Path) -> tuple[bool | None, list[int]]:
    """Return whether a mains supply is on line (None: there is none) and the batteries' percentages."""
    mains: bool | None = None
    percents = []
    try:
        folders = sorted(supplies.iterdir())
    except OSError:
        return None, []
    for folder in folders:
        kind = _read(folder / "type")
        if _read(folder / "scope") == "Device":  # the battery of a mouse or the like
            continue
        if kind in ("Mains", "USB"):
            mains = bool(mains) or _read(folder / "online") not in ("", "0")
        elif kind == "Battery" and _read(folder / "capacity").isdecimal():
            percents.append(int(_read(folder / "capacity")))
            if _read(folder / "status") == "Discharging":
                mains = bool(mains)
    return mains, percents


def _power_of_macos(printed: str) -> tuple[bool | None, list[int]]:
    source = re.search(r"Now drawing from '([^']+)'", printed)
    mains = None if source is None else source[1].startswith("AC")
    return mains, [int(percent) for percent in re.findall(r"(\d+)%", printed)]


def _read(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8", errors="replace").strip()
    except OSError:
        return ""


# --- sleep ------------------------------------------------------------------------------------

LOGIND_FOLDERS = (Path("/usr/lib/systemd"), Path("/run/systemd"), Path("/etc/systemd"))
"""Where logind's settings lie; a later one has precedence."""
_DESKTOP_KEYS = ("sleep-inactive-ac-type", "sleep-inactive-battery-type")
_DESKTOP_SCHEMA = "org.gnome.settings-daemon.plugins.power"
_HARMLESS = ("", "ignore", "nothing", "lock", "blank", "0")


def sleep(
    *,
    platform: str = sys.platform,
    ask_for: Ask = ask_system,
    logind_folders: Sequence[Path] = LOGIND_FOLDERS,
    keep_awake: Callable[[], AwakeKeeper] = AwakeKeeper,
) -> Finding:
    """Say whether a run can hold off the computer's sleep (by doing so for a moment), else what would send it to sleep.

    Linux: systemd-inhibit; else logind's ``IdleAction`` and the desktop's settings. macOS: caffeinate; else
    ``pmset -g``.
    """
    with keep_awake() as keeper:
        if keeper.held:
            whole = "alone" not in keeper.text and "lid is not" not in keeper.text
            text = f"in a run {keeper.text}"
            mend = "" if whole else "Switch off the computer's sleep, and leave its lid open."
            return Finding("sleep", Verdict.GOOD if whole else Verdict.LOOK, text, mend)
    dangers = _sleepy_macos(ask_for) if platform == "darwin" else _sleepy_linux(ask_for, logind_folders)
    if dangers:
        return Finding(
            "sleep", Verdict.MEND, f"the computer goes to sleep by itself ({', '.join(dangers)})",
            "Switch that off in the computer's settings: nothing fires while it sleeps.",
        )  # fmt: skip
    return Finding(
        "sleep", Verdict.LOOK, "the program cannot hold off sleep here, and cannot tell what would cause it",
        "Switch off the computer's sleep, and leave its lid open.",
    )  # fmt: skip


def _sleepy_linux(ask_for: Ask, folders: Sequence[Path]) -> list[str]:
    found = []
    action = _logind_setting("IdleAction", folders)
    if action not in _HARMLESS:
        found.append(f"logind: IdleAction={action}")
    for key in _DESKTOP_KEYS:
        value = ask_for(("gsettings", "get", _DESKTOP_SCHEMA, key)).strip("'")
        if value not in _HARMLESS:
            found.append(f"desktop: {key} is {value}")
    return found


def _logind_setting(name: str, folders: Iterable[Path]) -> str:
    """Return a setting of logind as its files have it, the last one read deciding; empty when none has."""
    folders = list(folders)
    files = [folder / "logind.conf" for folder in folders]
    files += sorted(
        (path for folder in folders for path in (folder / "logind.conf.d").glob("*.conf")),
        key=lambda path: path.name,
    )
    value = ""
    for path in files:
        for found in re.findall(rf"^\s*{name}\s*=\s*(\S*)", _read(path), re.MULTILINE):
            value = found
    return value


def _sleepy_macos(ask_for: Ask) -> list[str]:
    minutes = re.search(r"^\s*sleep\s+(\d+)", ask_for(("pmset", "-g")), re.MULTILINE)
    return [] if minutes is None or minutes[1] == "0" else [f"after {minutes[1]} min"]


# --- clock, disk, terminal --------------------------------------------------------------------


def clock(quality: ClockQuality) -> Finding:
    """Say whether a time service keeps the clock."""
    verdict = {True: Verdict.GOOD, False: Verdict.MEND, None: Verdict.LOOK}[quality.synchronised]
    text, _, mend = quality.text.partition(": ")
    return Finding("clock", verdict, text, mend[:1].upper() + mend[1:] + "." if mend else "")


def disk(
    folder: Path,
    needed_bytes: int,
    *,
    free_bytes: Callable[[Path], int] = lambda path: shutil.disk_usage(path).free,
) -> Finding:
    """Say whether a run's folder can be made under `folder`, and whether there is room for what it writes."""
    there = existing(folder)
    if not os.access(there, os.W_OK | os.X_OK):
        return Finding(
            "disk", Verdict.MEND, f"{there} cannot be written to", "Give another folder with --runs."
        )
    try:
        free = free_bytes(there)
    except OSError as error:
        return Finding(
            "disk",
            Verdict.LOOK,
            f"cannot tell how much is free in {there} ({error.strerror})",
            "Look yourself.",
        )
    text = f"{size_text(free)} free for {size_text(needed_bytes)} in {there}"
    if free < needed_bytes:
        return Finding("disk", Verdict.MEND, text, "Make room, or give another folder with --runs.")
    if free < DISK_MARGIN * needed_bytes:
        return Finding("disk", Verdict.LOOK, text, "Make more room: other programs write, too.")
    return Finding("disk", Verdict.GOOD, text)


def existing(folder: Path) -> Path:
    """Return a folder, or the nearest one above it that exists."""
    absolute = folder.absolute()
    return next((path for path in (absolute, *absolute.parents) if path.is_dir()), Path("/"))


def size_text(count: int) -> str:
    """Return a number of bytes in the unit that fits, decimal units."""
    for unit, size in (("GB", 10**9), ("MB", 10**6), ("kB", 10**3)):
        if count >= size:
            return f"{count / size:.1f} {unit}"
    return f"{count} bytes"


def terminal(is_terminal: bool, size: tuple[int, int]) -> Finding:
    """Say whether the screen of a run has room; `size` in columns and rows."""
    if not is_terminal:
        return Finding(
            "terminal", Verdict.LOOK, "this is no terminal",
            "Start the run from a terminal: otherwise it cannot hear you.",
        )  # fmt: skip
    text = f"{size[0]} columns, {size[1]} rows"
    if size[0] < SMALLEST_TERMINAL[0] or size[1] < SMALLEST_TERMINAL[1]:
        wanted = f"{SMALLEST_TERMINAL[0]} columns and {SMALLEST_TERMINAL[1]} rows"
        return Finding("terminal", Verdict.LOOK, text, f"Make it larger: {wanted}, or use --plain.")
    return Finding("terminal", Verdict.GOOD, text)


def second_place(folder: Path, others: Iterable[Path]) -> Finding:
    """Say where a journal can go on when the disk of `folder` takes no more; the first that is on another disk."""
    here = existing(folder).stat().st_dev
    usable = [path for path in others if os.access(existing(path), os.W_OK | os.X_OK)]
    apart = [path for path in usable if existing(path).stat().st_dev != here]
    if apart:
        return Finding("second place", Verdict.GOOD, f"the journal can go on in {apart[0]}, on another disk")
    if usable:
        return Finding(
            "second place", Verdict.LOOK, f"the journal can go on only in {usable[0]}, on the same disk",
            "Keep enough of it free.",
        )  # fmt: skip
    return Finding(
        "second place", Verdict.LOOK, "nowhere else can the journal go on", "Keep enough of its disk free."
    )
