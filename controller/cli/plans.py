"""`check` and `schema`."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import Any

from rich.table import Table

from controller.cli.output import console, duration_text, local_time, print_json, table
from controller.cli.prepare import prepare
from controller.cli.sky import show_circumstances
from controller.cli.times import where_times_come_from
from controller.cli.totality import totalities
from controller.errors import Fault, PlanError
from controller.light.stops import format_exposure
from controller.sky import Constants
from controller.timeline.model import Frame, Timeline
from controller.units import NS_PER_S, FilterState, utc_iso


def check(
    path: Path,
    constants: Constants,
    ephemeris: Path | None,
    *,
    frames: bool,
    attached: bool,
    as_json: bool,
    terrain: Path | None = None,
) -> None:
    """Print every fault of a plan, or what it comes to."""
    try:
        prepared = prepare(path, constants, ephemeris, terrain, both_limbs=True)
    except PlanError as error:
        if as_json:
            print_json({"ok": False, "faults": [_fault(fault) for fault in error.faults]})
        raise
    timeline, warnings = prepared.compiled.timeline, prepared.compiled.warnings
    camera_words: list[str] = []
    if attached:
        from controller.cli.runs import attached_words, probe_attached

        camera_words = attached_words(timeline, probe_attached(), prepared.loaded.profiles)
    dark = totalities(timeline, prepared.loaded.plan.rigs, prepared.sky)
    if as_json:
        data: dict[str, Any] = {
            "ok": True,
            "warnings": [_fault(fault) for fault in warnings],
            "circumstances": prepared.sky.to_json_dict(),
            "time_zone": timeline.time_zone,
            "keyed_to": timeline.contacts_keyed_to,
            "phases": [
                {
                    "name": phase.name,
                    "rig": phase.rig,
                    "filter": phase.filter_need.value,
                    "starts_utc": utc_iso(phase.starts_utc_ns),
                    "ends_utc": utc_iso(phase.ends_utc_ns),
                    "frames": sum(1 for f in timeline.frames if (f.rig, f.phase) == (phase.rig, phase.name)),
                }
                for phase in timeline.phases
            ],
            "totality": [one.to_json_dict() for one in dark],
            "times": [times.to_json_dict() for times in where_times_come_from(prepared)],
        }
        if attached:
            data["cameras"] = camera_words
        if frames:
            data["frames"] = [_frame(frame) for frame in timeline.frames]
        print_json(data)
        return
    out = console()
    show_circumstances(prepared.sky, timeline.time_zone)
    out.print()
    out.print(_phase_table(timeline))
    out.print()
    if frames:
        out.print(_frame_table(timeline))
        out.print()
    for one in dark:
        out.print(one.words, soft_wrap=True)
    for times in where_times_come_from(prepared):
        out.print(times.words, soft_wrap=True, markup=False)
    for fault in warnings:
        out.print(fault.text(str(path)), soft_wrap=True)
    for sentence in camera_words:
        out.print(sentence, soft_wrap=True)
    out.print(f"The plan is keyed to the {timeline.contacts_keyed_to}.")
    numbers = Counter(frame.wanted.value for frame in timeline.frames)
    out.print(
        f"The plan compiles: {len(timeline.frames)} frames ({numbers['must']} must, {numbers['want']} want, "
        f"{numbers['nice']} nice), {len(timeline.holds)} holds, "
        f"{len(warnings) or 'no'} warning{'' if len(warnings) == 1 else 's'}."
    )


def schema() -> None:
    """Print the JSON Schema of the plan."""
    from controller.plan.schema import plan_schema

    print_json(plan_schema())


def _fault(fault: Fault) -> dict[str, Any]:
    return {
        "line": fault.line,
        "column": fault.column,
        "severity": fault.severity,
        "what": fault.what,
        "mend": fault.mend,
    }


def _frame(frame: Frame) -> dict[str, Any]:
    return {
        "frame_id": frame.frame_id,
        "rig": frame.rig,
        "phase": frame.phase,
        "shot": frame.shot,
        "take": frame.take,
        "step": frame.step,
        "due_utc": utc_iso(frame.due_utc_ns),
        "exposure_s": frame.settings.exposure_s,
        "f_number": frame.settings.f_number,
        "iso": frame.settings.iso,
        "wanted": frame.wanted.value,
        "filter": frame.filter_need.value,
    }


def _busy(frames: list[Frame], length_ns: int) -> str:
    busy = sum(frame.slot_ns for frame in frames)
    return f"{min(100.0, 100 * busy / length_ns):.0f} %"


def _phase_table(timeline: Timeline) -> Table:
    rows = []
    for phase in timeline.phases:
        frames = [f for f in timeline.frames if (f.rig, f.phase) == (phase.rig, phase.name)]
        length = phase.ends_utc_ns - phase.starts_utc_ns
        need = phase.filter_need
        rows.append(
            (
                phase.rig,
                phase.name,
                need.value.upper() if need is not FilterState.NOT_NEEDED else need.value,
                local_time(phase.starts_utc_ns, timeline.time_zone),
                local_time(phase.ends_utc_ns, timeline.time_zone),
                duration_text(length / NS_PER_S),
                len(frames),
                _busy(frames, length),
            )
        )
    return table(("~rig", "~phase", "filter", "from", "until", "length", ">frames", ">used"), rows)


def _frame_table(timeline: Timeline) -> Table:
    rows = [
        (
            frame.frame_id,
            local_time(frame.due_utc_ns, timeline.time_zone, digits=2),
            frame.shot,
            format_exposure(frame.settings.exposure_s),
            f"f/{frame.settings.f_number:g}",
            f"ISO {frame.settings.iso}",
            frame.wanted.value,
            frame.filter_need.value,
        )
        for frame in timeline.frames
    ]
    return table(("frame", "at", "~shot", ">exposure", "", "", "", "filter"), rows)
