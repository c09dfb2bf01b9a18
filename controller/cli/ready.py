"""`ready`: the last look before the day. It fires nothing and changes nothing."""

from __future__ import annotations

import datetime as dt
import shutil
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import typer

from controller.cameras.profiles import UNSEEN_BY_HAND
from controller.cameras.protocol import CameraFacts
from controller.cli.output import console, print_json, table
from controller.cli.prepare import Prepared, prepare
from controller.cli.runs import (
    claimed_twice,
    first_moment,
    matching,
    measured_elsewhere,
    probe_attached,
    unlisted,
)
from controller.cli.second_place import second_folders
from controller.errors import CameraError, PlanError
from controller.live import computer
from controller.live.clockwatch import clock_quality
from controller.live.computer import Finding, Verdict
from controller.operator.voice import speaks
from controller.plan.profiles import RigProfile
from controller.sky import Constants
from controller.sky.earth_rotation import earth_rotation_table
from controller.timeline.model import RigInfo, Timeline
from controller.timeline.phrases import ENGLISH
from controller.units import NS_PER_S, utc_datetime, utc_iso

MEND_EXIT = 12
LOW_CAMERA_PERCENT, EMPTY_CAMERA_PERCENT = 75, 40
"""Below these a camera's battery is to be looked at, or changed (common practice, no single source)."""
OLD_TABLE_DAYS = 365
"""Past its last measured day by so much, an Earth-rotation table is worth a newer one: about 0.1 s."""
JOURNAL_BYTES_A_FRAME = 3_000
"""Twice what a rehearsal of the sample plans writes for a frame."""
PICTURE_BYTES = 4_096
"""A simulated camera's picture takes no more than one block of the disk."""
FIRST_BYTES = 1_000_000
"""For the rest: what happens without a frame."""

Probe = Callable[[], list[CameraFacts]]


def ready(
    plan: Path,
    base: Path,
    constants: Constants,
    ephemeris: Path | None,
    terrain: Path | None,
    *,
    as_json: bool,
) -> None:
    """Print what is good, what has to be looked at and what has to be mended before a plan is run.

    Ends with `MEND_EXIT` if anything has to be mended.
    """
    findings, prepared = plan_findings(plan, constants, ephemeris, terrain)
    needed, language = FIRST_BYTES, ENGLISH
    if prepared is not None:
        timeline = prepared.compiled.timeline
        findings += [day(timeline, time.time_ns()), earth_rotation(prepared, constants)]
        findings += cameras(timeline, probe_attached, prepared.loaded.profiles)
        needed, language = disk_bytes(prepared), timeline.phrases.language
    findings += computer_findings(base, needed, language)
    tell(plan, findings, as_json=as_json)
    if any(finding.verdict is Verdict.MEND for finding in findings):
        raise typer.Exit(MEND_EXIT)


def tell(plan: Path, findings: Sequence[Finding], *, as_json: bool) -> None:
    """Print the findings, and how many of each kind there are."""
    counts = {verdict: sum(finding.verdict is verdict for finding in findings) for verdict in Verdict}
    if as_json:
        data: dict[str, Any] = {
            "plan": str(plan),
            "ready": counts[Verdict.MEND] == 0,
            "findings": [
                {"about": one.about, "verdict": one.verdict.value, "text": one.text, "mend": one.mend}
                for one in findings
            ],
        }
        print_json(data)
        return
    out = console()
    rows = [(one.verdict.value, one.about, f"{one.text}. {one.mend}".rstrip()) for one in findings]
    out.print(table(("", "~what", "~found, and what to do"), rows))
    out.print()
    if counts[Verdict.MEND]:
        out.print(f"NOT READY: {counts[Verdict.MEND]} to mend, {counts[Verdict.LOOK]} to look at.")
    else:
        out.print(f"Nothing has to be mended; {counts[Verdict.LOOK] or 'nothing'} to look at.")


# --- the plan ---------------------------------------------------------------------------------


def plan_findings(
    plan: Path, constants: Constants, ephemeris: Path | None, terrain: Path | None
) -> tuple[list[Finding], Prepared | None]:
    """Check the plan; return what was found, and what it comes to where it has no faults."""
    try:
        prepared = prepare(plan, constants, ephemeris, terrain)
    except PlanError as error:
        faults = [
            Finding("plan", Verdict.MEND, _at(fault.line, fault.what), fault.mend) for fault in error.faults
        ]
        return faults, None
    timeline, warnings = prepared.compiled.timeline, prepared.compiled.warnings
    found = [Finding("plan", Verdict.LOOK, _at(fault.line, fault.what), fault.mend) for fault in warnings]
    whole = f'"{timeline.title}" compiles: {len(timeline.frames)} frames, {len(timeline.holds)} holds'
    return [Finding("plan", Verdict.GOOD, whole), *found], prepared


def _at(line: int, what: str) -> str:
    return f"line {line}: {what.rstrip('.')}"


def day(timeline: Timeline, now_utc_ns: int) -> Finding:
    """Say how long it is until the plan has something to do, or that its day is over."""
    begins = first_moment(timeline)
    ends = max(phase.ends_utc_ns for phase in timeline.phases)
    if now_utc_ns > ends:
        return Finding(
            "day", Verdict.MEND, f"the plan's day is over: it ended at {utc_iso(ends, 0)}",
            "Make a plan for an eclipse to come, or set the computer's clock.",
        )  # fmt: skip
    if now_utc_ns >= begins:
        return Finding(
            "day",
            Verdict.MEND,
            f"the plan began at {utc_iso(begins, 0)} and is under way",
            "Start the run now.",
        )
    minutes = (begins - now_utc_ns) // (60 * NS_PER_S)
    days, hours = minutes // 1440, minutes // 60 % 24
    left = f"{days} d {hours} h" if days else f"{hours} h {minutes % 60} min"
    return Finding("day", Verdict.GOOD, f"begins at {utc_iso(begins, 0)}, in {left} by this computer's clock")


def earth_rotation(prepared: Prepared, constants: Constants) -> Finding:
    """Say how old the Earth-rotation table will be on the plan's day."""
    if constants.delta_t_s is not None:
        return Finding(
            "Earth rotation", Verdict.LOOK, f"TT - UT1 is given: {constants.delta_t_s:g} s", "Check it."
        )
    measured = earth_rotation_table(constants).measured_until
    moment: dt.date = utc_datetime(first_moment(prepared.compiled.timeline)).date()
    age = (moment - measured).days
    if age <= OLD_TABLE_DAYS:
        return Finding("Earth rotation", Verdict.GOOD, f"table measured to {measured}")
    return Finding(
        "Earth rotation", Verdict.LOOK, f"table measured to {measured}, {age} days before the plan's day",
        "A newer finals2000A.all with --earth-rotation moves the contacts by some tenths of a second.",
    )  # fmt: skip


# --- the cameras ------------------------------------------------------------------------------


def cameras(
    timeline: Timeline, probe: Probe, profiles: Mapping[str, RigProfile] | None = None
) -> list[Finding]:
    """Hold each rig, and its profile, against what is attached; nothing is probed where no rig needs it."""
    found = [
        Finding(
            _camera(rig), Verdict.LOOK, "simulated: no camera of yours will fire",
            "For the day, write driver: tethered in the plan.",
        )
        for rig in timeline.rigs if rig.driver == "simulated"
    ]  # fmt: skip
    tethered = [rig for rig in timeline.rigs if rig.driver == "tethered"]
    if not tethered:
        return found
    try:
        attached = probe()
    except CameraError as error:
        return [*found, *(Finding(_camera(rig), Verdict.MEND, *_apart(str(error))) for rig in tethered)]
    for rig in tethered:
        found += camera(timeline, rig, attached, profiles or {})
    return found + [
        Finding("cameras", Verdict.MEND, *_apart(sentence)) for sentence in claimed_twice(timeline, attached)
    ]


def _apart(sentence: str) -> tuple[str, str]:
    """Return what is wrong, and how to mend it, of a sentence that says both."""
    what, _, mend = sentence.partition(" Mend: ")
    return what.rstrip("."), mend[:1].upper() + mend[1:]


def camera(
    timeline: Timeline, rig: RigInfo, attached: list[CameraFacts], profiles: Mapping[str, RigProfile]
) -> list[Finding]:
    """Hold one rig against the attached cameras."""
    about, mine = _camera(rig), matching(rig, attached)
    if len(mine) != 1:
        names = ", ".join(f"{facts.model} on {facts.port}" for facts in attached) or "none"
        return [
            Finding(
                about, Verdict.MEND, f"{'no' if not mine else 'more than one'} attached camera fits; attached: {names}",
                "Plug it in and switch it on; a desktop's photo importer may hold it." if not mine
                else "Write part of its model name, or its port, as match in the plan.",
            )
        ]  # fmt: skip
    (facts,) = mine
    if facts.in_use:
        return [
            Finding(
                about, Verdict.MEND, facts.in_use.partition(" Mend: ")[0].rstrip("."), "Let that end first."
            )
        ]
    lacking = [
        Finding(about, Verdict.MEND, sentence.rstrip("."), "Choose what it lists.")
        for sentence in unlisted(timeline, rig.name, facts)
    ]
    by_hand = [Finding(about, Verdict.MEND, "set by hand", sentence) for sentence in facts.by_hand]
    unseen = [] if facts.simulated else [
        Finding(about, Verdict.LOOK, "the program cannot see these", " ".join(UNSEEN_BY_HAND))
    ]  # fmt: skip
    return [
        Finding(about, Verdict.GOOD, f"{facts.model} on {facts.port}"),
        *(lacking or [Finding(about, Verdict.GOOD, "it lists every setting of the plan")]),
        room(about, facts.status.frames_left, sum(frame.rig == rig.name for frame in timeline.frames)),
        charge(about, facts.status.battery_percent),
        *by_hand,
        *(
            Finding(about, Verdict.LOOK, *_apart(sentence))
            for sentence in measured_elsewhere(rig.name, facts.model, profiles)
        ),
        *unseen,
    ]


def room(about: str, frames_left: int | None, planned: int) -> Finding:
    """Say whether a camera's card has room for its frames."""
    if frames_left is None:
        return Finding(
            about,
            Verdict.LOOK,
            f"the camera does not say how much room its card has for {planned} frames",
            "Look.",
        )
    text = f"room for {frames_left} frames on the card, {planned} planned"
    if frames_left < planned:
        return Finding(about, Verdict.MEND, text, "Put an empty or a larger card in.")
    return Finding(about, Verdict.GOOD, text)


def charge(about: str, percent: int | None) -> Finding:
    """Say whether a camera's battery is full enough for a day."""
    if percent is None:
        return Finding(about, Verdict.LOOK, "the camera does not say how full its battery is", "Look.")
    text = f"battery {percent} %"
    if percent < EMPTY_CAMERA_PERCENT:
        return Finding(about, Verdict.MEND, text, "Put a full one in.")
    if percent < LOW_CAMERA_PERCENT:
        return Finding(about, Verdict.LOOK, text, "Does it last the day? A full one is safer.")
    return Finding(about, Verdict.GOOD, text)


def _camera(rig: RigInfo) -> str:
    return f'camera "{rig.name}"'


# --- the computer -----------------------------------------------------------------------------


def computer_findings(base: Path, needed_bytes: int, language: str) -> list[Finding]:
    """Look at the computer at hand; the language is that of what is spoken."""
    size = shutil.get_terminal_size()
    return [
        computer.clock(clock_quality()),
        computer.disk(base, needed_bytes),
        computer.second_place(base, second_folders()),
        computer.power(),
        computer.sleep(),
        voice(language, speaks(language)),
        computer.terminal(
            sys.stdin is not None and sys.stdin.isatty() and sys.stdout.isatty(), (size.columns, size.lines)
        ),
    ]


def disk_bytes(prepared: Prepared) -> int:
    """Return what a run of the plan writes to the disk, generously, in bytes."""
    timeline = prepared.compiled.timeline
    simulated = {rig.name for rig in timeline.rigs if rig.driver == "simulated"}
    pictures = sum(frame.rig in simulated for frame in timeline.frames)
    files = len(timeline.to_json()) + len(prepared.plan_bytes)
    return FIRST_BYTES + files + len(timeline.frames) * JOURNAL_BYTES_A_FRAME + pictures * PICTURE_BYTES


def voice(language: str, program_speaks: bool | None) -> Finding:
    """Say whether cues can be spoken. Whether they are heard, only ears can tell.

    `program_speaks` tells whether there is a voice for the language; None: no speaking program at all.
    """
    if program_speaks:
        hear = "holdfire cues PLAN --speak lets you hear them"
        return Finding("voice", Verdict.GOOD, f"cues are spoken by espeak-ng, in {language}; {hear}")
    if program_speaks is None:
        return Finding(
            "voice",
            Verdict.LOOK,
            "no speaking program: the terminal bell instead",
            "Install espeak-ng, or watch the screen.",
        )
    return Finding(
        "voice",
        Verdict.MEND,
        f"espeak-ng has no voice for the language {language}: the terminal bell instead",
        "Take another language tag (espeak-ng --voices lists them).",
    )
