"""The faults of a plan that can be told without the sky: everything that needs no contact times.

What needs them (windows, room for a bracket, phases that overlap) the timeline checks.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from difflib import get_close_matches

from controller.errors import Fault
from controller.light.stops import (
    NOMINAL_THIRDS_S,
    SAME_SETTING_STOPS,
    aperture_stops,
    format_exposure,
    format_f_number,
    mark_in_series,
    nearest_listed,
    series_for_step,
)
from controller.plan.brackets import take_exposures
from controller.plan.fields import (
    EARLIEST_FILTER_OFF_BEFORE_C2_S,
    LATEST_FILTER_ON_AFTER_C3_S,
    Anchor,
    format_duration,
    shown,
)
from controller.plan.model import BracketPlan, PhasePlan, Plan, RigPlan, ShotPlan
from controller.plan.source import Loc, PlanSource
from controller.units import ContactName, FilterState

MOST_BRACKET_FRAMES = 60
MOST_FRAMES_PER_SHOT = 20_000
"""More than a card and a shutter are good for on one day; a slip of the pen, not a wish."""

DIRECT_VIEWING_DENSITY = 4.5
"""ISO 12312-2:2015 lets a filter for looking at the Sun pass at most 0.0032 % of the light (from memory)."""

UNSQUARE = 0.05
"""How far the sides of a pixel may differ: sensors are square-pixelled, their published sides rounded."""

_ORDER = list(ContactName)
_TOTALITY = (ContactName.C2, ContactName.MID, ContactName.C3)

# Generous bounds, for the guard against too many frames only.
_LONGEST_CENTRAL_S = 13 * 60.0
_LONGEST_ECLIPSE_S = 5 * 3600.0
_SHORTEST_GAP_S = 0.01


def check_plan(plan: Plan, source: PlanSource) -> list[Fault]:
    """Return every fault of a plan whose single values are all right, errors and warnings."""
    faults = [*_horizon(plan, source), *_rigs(plan, source), *_holds(plan, source)]
    faults += _repeated("phase", [phase.name for phase in plan.phases], "phases", (), source)
    for number, phase in enumerate(plan.phases):
        loc: Loc = ("phases", number)
        faults += _phase_rigs(plan, phase, loc, source)
        faults += _phase_times(plan, phase, loc, source)
        faults += _repeated("shot", [shot.name for shot in phase.shots], "shots", loc, source)
        for index, shot in enumerate(phase.shots):
            faults += _shot(plan, phase, shot, (*loc, "shots", index), source)
    return faults


def rigs_of(plan: Plan, phase: PhasePlan) -> list[RigPlan]:
    """Return the rigs that take part in a phase, in the plan's order."""
    return [rig for rig in plan.rigs if phase.rigs is None or rig.name in phase.rigs]


# --- the site -----------------------------------------------------------------------------------


def _horizon(plan: Plan, source: PlanSource) -> Iterator[Fault]:
    first: dict[float, int] = {}
    for number, (azimuth_deg, _) in enumerate(plan.site.horizon or []):
        loc: Loc = ("site", "horizon", number, 0)
        if azimuth_deg % 360 in first:
            line, _ = source.position(("site", "horizon", first[azimuth_deg % 360]))
            yield source.fault(
                loc,
                f"The horizon has a point in the direction {azimuth_deg:g} already, on line {line}.",
                "keep one of the two; for a cliff give two azimuths a little apart.",
            )
        first.setdefault(azimuth_deg % 360, number)
    if plan.site.horizon and plan.site.above_surroundings:
        yield source.fault(
            ("site", "above_surroundings"),
            "above_surroundings means nothing beside a horizon.",
            "leave it out: the horizon says how high everything is.",
            severity="warning",
        )


# --- rigs ---------------------------------------------------------------------------------------


def _rigs(plan: Plan, source: PlanSource) -> Iterator[Fault]:
    yield from _repeated("rig", [rig.name for rig in plan.rigs], "rigs", (), source)
    matches: dict[str, str] = {}
    tethered = [rig for rig in plan.rigs if rig.camera.driver == "tethered"]
    for number, rig in enumerate(plan.rigs):
        loc: Loc = ("rigs", number)
        yield from _rig_filter(rig, loc, source)
        yield from _rig_sensor(rig, (*loc, "optics"), source)
        if rig.camera.isos and rig.iso not in rig.camera.isos:
            where = (*loc, "iso") if "iso" in rig.model_fields_set else (*loc, "camera", "isos")
            yield _iso_fault(rig, rig.iso, where, source)
        if rig.camera.driver == "simulated" and rig.camera.match is not None:
            yield source.fault(
                (*loc, "camera", "match"),
                f'A simulated camera is not looked for, so match of rig "{rig.name}" means nothing.',
                "leave match out, or write driver: tethered.",
            )
        if rig.camera.driver == "tethered" and not (rig.camera.profile or rig.camera.own_times()):
            yield source.fault(
                (*loc, "camera"),
                f'The times of rig "{rig.name}" are typical ones: nobody has measured its camera.',
                "measure it with holdfire calibrate, and name what that writes: profile: FILE.",
                severity="warning",
            )
        if rig.camera.driver == "tethered" and len(tethered) > 1:
            match = (rig.camera.match or "").casefold()
            if not match:
                yield source.fault(
                    (*loc, "camera"),
                    f'{len(tethered)} rigs are tethered, and rig "{rig.name}" does not say its camera.',
                    "add match: with part of the camera's model name, or its port.",
                )
            elif match in matches:
                yield source.fault(
                    (*loc, "camera", "match"),
                    f'Rigs "{matches[match]}" and "{rig.name}" ask for the same camera.',
                    "give each a match of its own, such as the port.",
                )
            matches.setdefault(match, rig.name)


def _rig_filter(rig: RigPlan, loc: Loc, source: PlanSource) -> Iterator[Fault]:
    if rig.points_at == "sun" and rig.filter is None:
        yield source.fault(
            loc,
            f'Rig "{rig.name}" points at the Sun and has no filter section.',
            "add filter: with its kind and density; only a rig with points_at: landscape needs none.",
        )
    if rig.filter is not None and rig.filter.density < DIRECT_VIEWING_DENSITY:
        yield source.fault(
            (*loc, "filter", "density"),
            f'The filter of rig "{rig.name}" has density {rig.filter.density:g}, '
            f"less than the {DIRECT_VIEWING_DENSITY} that ISO 12312-2 asks for looking at the Sun.",
            "never look through it; ask the filter's maker whether it is fit for the camera.",
            severity="warning",
        )


def _rig_sensor(rig: RigPlan, loc: Loc, source: PlanSource) -> Iterator[Fault]:
    optics = rig.optics
    if isinstance(optics.sensor, tuple) and optics.pixels is None:
        yield source.fault(
            (*loc, "sensor"),
            f'Rig "{rig.name}" says how large its sensor is, and not how many pixels it has.',
            "add pixels: with both sides of the picture, such as 6240 x 4160.",
        )
    elif optics.pixels is not None and not isinstance(optics.sensor, tuple):
        yield source.fault(
            (*loc, "pixels"),
            "pixels belongs to a sensor whose sides are given.",
            "write sensor: with its sides, such as 23.5 mm x 15.6 mm, or leave pixels out.",
        )
    elif optics.pixels is not None and isinstance(optics.sensor, tuple):
        across, down = (side / count for side, count in zip(optics.sensor, optics.pixels, strict=True))
        if abs(across / down - 1) > UNSQUARE:
            yield source.fault(
                (*loc, "pixels"),
                f'The pixels of rig "{rig.name}" would be {1000 * across:.2f} by {1000 * down:.2f} micrometres, not '
                "square.",
                "check the sides of the sensor and the number of pixels.",
            )


def _repeated(kind: str, names: Sequence[str], key: str, loc: Loc, source: PlanSource) -> Iterator[Fault]:
    seen: dict[str, int] = {}
    for number, name in enumerate(names):
        where = (*loc, key, number, "name")
        if name.casefold() in seen:
            line, _ = source.position((*loc, key, seen[name.casefold()], "name"))
            yield source.fault(
                where,
                f"The {kind} {shown(name)} has its name from line {line}.",
                f"give each {kind} its own name.",
            )
        seen.setdefault(name.casefold(), number)


# --- the filter's bounds ------------------------------------------------------------------------


def _holds(plan: Plan, source: PlanSource) -> Iterator[Fault]:
    off, on = plan.holds.filter_off_earliest, plan.holds.filter_on_latest
    off_bound, on_bound = EARLIEST_FILTER_OFF_BEFORE_C2_S, LATEST_FILTER_ON_AFTER_C3_S
    if off.contact is not ContactName.C2 or off.offset_s < -off_bound:
        yield source.fault(
            ("holds", "filter_off_earliest"),
            f'"{off}" is not allowed: the filter never comes off earlier than {off_bound:g} s before C2.',
            f"write C2, or at most {off_bound:g} s before C2.",
        )
    if on.contact is not ContactName.C3 or on.offset_s > on_bound:
        yield source.fault(
            ("holds", "filter_on_latest"),
            f'"{on}" is not allowed: the filter is never off later than {on_bound:g} s after C3.',
            f"write C3, or at most {on_bound:g} s after C3.",
        )


def _phase_rigs(plan: Plan, phase: PhasePlan, loc: Loc, source: PlanSource) -> Iterator[Fault]:
    known = [rig.name for rig in plan.rigs]
    for number, name in enumerate(phase.rigs or []):
        if name not in known:
            near = get_close_matches(name, known, n=1)
            mend = f"write {near[0]} if that is meant." if near else f"the rigs are {', '.join(known)}."
            yield source.fault((*loc, "rigs", number), f"There is no rig {shown(name)}.", mend)
        elif name in (phase.rigs or [])[:number]:
            yield source.fault((*loc, "rigs", number), f"Rig {shown(name)} is named twice.", "name it once.")
    for rig in rigs_of(plan, phase):
        if phase.filter is FilterState.NOT_NEEDED and rig.points_at == "sun":
            yield source.fault(
                (*loc, "filter"),
                f'Rig "{rig.name}" points at the Sun, so its filter cannot be "not needed".',
                "write filter: on or filter: off, or name in rigs: only those that point at the landscape.",
            )
        if phase.filter is not FilterState.NOT_NEEDED and rig.points_at == "landscape" and rig.filter is None:
            yield source.fault(
                (*loc, "filter"),
                f'Rig "{rig.name}" has no filter that could be {phase.filter}.',
                "write filter: not needed in a phase of its own, or leave the rig out of rigs: here.",
            )


def _phase_times(plan: Plan, phase: PhasePlan, loc: Loc, source: PlanSource) -> Iterator[Fault]:
    if _is_not_before(phase.starts, phase.until):
        yield source.fault(
            (*loc, "until"),
            f'The phase ends at "{phase.until}", which is not after its start, "{phase.starts}".',
            "write a later until or an earlier from.",
        )
    if phase.filter is not FilterState.OFF:
        return
    off, on = plan.holds.filter_off_earliest, plan.holds.filter_on_latest
    for key, anchor in (("from", phase.starts), ("until", phase.until)):
        early = (
            anchor.contact is ContactName.C2
            and off.contact is ContactName.C2
            and anchor.offset_s < off.offset_s
        )
        late = (
            anchor.contact is ContactName.C3
            and on.contact is ContactName.C3
            and anchor.offset_s > on.offset_s
        )
        if anchor.contact not in _TOTALITY:
            yield source.fault(
                (*loc, key),
                f'"{anchor}" may be in direct sunlight, and the filter is off in this phase.',
                "time it by C2, mid or C3, or write filter: on.",
            )
        elif early:
            yield source.fault(
                (*loc, key),
                f'"{anchor}" is earlier than the filter may come off, "{off}".',
                f"write {off} or later; the bound is filter_off_earliest in holds.",
            )
        elif late:
            yield source.fault(
                (*loc, key),
                f'"{anchor}" is later than the filter must be back on, "{on}".',
                f"write {on} or earlier; the bound is filter_on_latest in holds.",
            )


# --- shots --------------------------------------------------------------------------------------


def _shot(plan: Plan, phase: PhasePlan, shot: ShotPlan, loc: Loc, source: PlanSource) -> Iterator[Fault]:
    yield from _shot_timing(shot, loc, source)
    if not _is_not_before(phase.starts, phase.until):
        yield from _shot_times(phase, shot, loc, source)
    faults = list(_shot_exposure(shot, loc, source))
    yield from faults
    for rig in rigs_of(plan, phase):
        yield from _shot_settings(rig, shot, loc, source)
        if not faults:
            yield from _shot_on_rig(rig, phase, shot, loc, source)


def _shot_timing(shot: ShotPlan, loc: Loc, source: PlanSource) -> Iterator[Fault]:
    ways = [
        name
        for name, used in (("at", shot.at), ("every", shot.every is not None), ("fill", shot.fill))
        if used
    ]
    if len(ways) != 1:
        have = "none of at, every and fill" if not ways else " and ".join(ways)
        yield source.fault(
            loc,
            f"The shot {shown(shot.name)} has {have}; it needs exactly one of them.",
            "write at: for an instant, every: for an interval, or fill: true for as often as there is time.",
        )
    if shot.at is None and "times" in shot.model_fields_set:
        yield source.fault(
            (*loc, "times"), "times counts takes in a row and needs at.", "add at:, or leave times out."
        )
    if shot.at is not None and shot.starts is not None:
        yield source.fault(
            (*loc, "from"),
            "A shot with at has its start already.",
            "leave from out; until may stay, it says how late the shot may be moved.",
        )


def _shot_times(phase: PhasePlan, shot: ShotPlan, loc: Loc, source: PlanSource) -> Iterator[Fault]:
    for key, anchor in (("at", shot.at), ("from", shot.starts), ("until", shot.until)):
        if anchor is None:
            continue
        if phase.filter is FilterState.OFF and anchor.contact not in _TOTALITY:
            yield source.fault(
                (*loc, key),
                f'"{anchor}" may be in direct sunlight, and the filter is off in this phase.',
                "time it by C2, mid or C3, or move it to a phase with the filter on.",
            )
        elif _is_not_before(phase.starts, anchor) if key == "until" else _is_before(anchor, phase.starts):
            yield source.fault(
                (*loc, key),
                f'"{anchor}" is not after the start of the phase, "{phase.starts}".'
                if key == "until"
                else f'"{anchor}" is before the start of the phase, "{phase.starts}".',
                "write a later instant, or let the phase start earlier.",
            )
        elif _is_before(phase.until, anchor) if key == "until" else _is_not_before(anchor, phase.until):
            yield source.fault(
                (*loc, key),
                f'"{anchor}" is after the end of the phase, "{phase.until}".'
                if key == "until"
                else f'"{anchor}" is not before the end of the phase, "{phase.until}".',
                "write an earlier instant, or let the phase end later.",
            )
    start = shot.at or shot.starts
    if start is not None and shot.until is not None and _is_not_before(start, shot.until):
        yield source.fault(
            (*loc, "until"),
            f'The shot ends at "{shot.until}", which is not after its start, "{start}".',
            "write a later until.",
        )


def _shot_exposure(shot: ShotPlan, loc: Loc, source: PlanSource) -> Iterator[Fault]:
    if (shot.exposure is None) == (shot.bracket is None):
        have = "neither exposure nor bracket" if shot.exposure is None else "both exposure and bracket"
        yield source.fault(
            loc,
            f"The shot {shown(shot.name)} has {have}.",
            "write exposure: for one, or bracket: for a set of them.",
        )
    if shot.bracket is not None:
        yield from _bracket(shot.bracket, (*loc, "bracket"), source)


def _bracket(bracket: BracketPlan, loc: Loc, source: PlanSource) -> Iterator[Fault]:
    series = {"from": bracket.start, "to": bracket.end, "step": bracket.step}
    given = [key for key, value in series.items() if value is not None]
    if bracket.list is not None and given:
        yield source.fault(
            loc, f"The bracket has list and {' and '.join(given)}.", "write list alone, or from, to and step."
        )
    elif bracket.list is not None:
        yield from _bracket_list(bracket.list, (*loc, "list"), source)
    elif len(given) < len(series):
        missing = " and ".join(key for key in series if key not in given)
        yield source.fault(loc, f"The bracket lacks {missing}.", "write from, to and step, or list alone.")
    elif bracket.start is not None and bracket.end is not None and bracket.step is not None:
        yield from _bracket_ends(bracket.start, bracket.end, series_for_step(bracket.step), loc, source)


def _bracket_ends(
    start: float, end: float, series: Sequence[float], loc: Loc, source: PlanSource
) -> Iterator[Fault]:
    marks = []
    for key, exposure in (("from", start), ("to", end)):
        try:
            marks.append(mark_in_series(exposure, series))
        except ValueError:
            kind = "third" if series is NOMINAL_THIRDS_S else "half"
            nearest_s, _ = nearest_listed(exposure, series)
            yield source.fault(
                (*loc, key),
                f"{format_exposure(exposure)} is not in the {kind}-stop series of shutter times.",
                f"write {format_exposure(nearest_s)}, or name the exposures one by one with list.",
            )
    if len(marks) == 2 and marks[0] == marks[1]:
        yield source.fault(
            (*loc, "to"),
            f"The bracket starts and ends at {format_exposure(start)}.",
            "write exposure: for one exposure, or two different ends.",
        )


def _bracket_list(exposures: Sequence[float], loc: Loc, source: PlanSource) -> Iterator[Fault]:
    if len(exposures) < 2:
        yield source.fault(
            loc,
            f"The bracket has {len(exposures) or 'no'} exposure; it needs at least 2.",
            "write exposure: for a single one.",
        )
    if len(exposures) > MOST_BRACKET_FRAMES:
        yield source.fault(
            loc,
            f"The bracket has {len(exposures)} exposures, more than {MOST_BRACKET_FRAMES}.",
            "use wider steps, or several shots.",
        )
    for number, exposure in enumerate(exposures):
        if exposure in exposures[:number]:
            yield source.fault(
                (*loc, number),
                f"{format_exposure(exposure)} stands in the list twice.",
                "write each exposure once.",
            )


def _shot_settings(rig: RigPlan, shot: ShotPlan, loc: Loc, source: PlanSource) -> Iterator[Fault]:
    if shot.iso is not None and rig.camera.isos and shot.iso not in rig.camera.isos:
        yield _iso_fault(rig, shot.iso, (*loc, "iso"), source)
    if shot.aperture is None:
        return
    if aperture_stops(rig.optics.aperture, shot.aperture) > SAME_SETTING_STOPS:
        yield source.fault(
            (*loc, "aperture"),
            f'{format_f_number(shot.aperture)} is wider than the lens of rig "{rig.name}" opens, '
            f"{format_f_number(rig.optics.aperture)}.",
            f"write {format_f_number(rig.optics.aperture)} or a larger number.",
        )
    elif rig.camera.apertures:
        nearest, _ = nearest_listed(shot.aperture, rig.camera.apertures)
        if abs(aperture_stops(nearest, shot.aperture)) > SAME_SETTING_STOPS:
            yield source.fault(
                (*loc, "aperture"),
                f'The camera of rig "{rig.name}" does not list {format_f_number(shot.aperture)}.',
                f"write {format_f_number(nearest)}, the nearest it lists, or correct apertures.",
            )


def _shot_on_rig(
    rig: RigPlan, phase: PhasePlan, shot: ShotPlan, loc: Loc, source: PlanSource
) -> Iterator[Fault]:
    exposures = take_exposures(shot)
    where = (*loc, "exposure" if shot.exposure is not None else "bracket")
    if rig.camera.shutter_speeds:
        nearest = {
            exposure: nearest_listed(exposure, rig.camera.shutter_speeds) for exposure in sorted(exposures)
        }
        unlisted = [exposure for exposure, (_, apart) in nearest.items() if abs(apart) > SAME_SETTING_STOPS]
        if unlisted:
            near = {format_exposure(nearest[exposure][0]): None for exposure in unlisted}
            yield source.fault(
                where,
                f'The camera of rig "{rig.name}" does not list {", ".join(map(format_exposure, unlisted))}.',
                f"use {', '.join(near)}, the nearest it lists, or correct shutter_speeds.",
            )
    gap_s = rig.camera.frame_gap or 0.0
    take_s = sum(exposures) + len(exposures) * gap_s
    if shot.every is not None and shot.every < take_s:
        yield source.fault(
            (*loc, "every"),
            f'Every {format_duration(shot.every)} is too short on rig "{rig.name}": one take needs '
            f"{format_duration(round(take_s, 3))}.",
            f"write {format_duration(round(take_s, 3))} or more.",
        )
        return
    span_s = _longest_span_s(shot.starts or phase.starts, shot.until or phase.until)
    interval_s = {
        "every": shot.every,
        "fill": take_s + len(exposures) * _SHORTEST_GAP_S if shot.fill else None,
    }
    takes = max([shot.times if shot.at is not None else 1, *(span_s / s for s in interval_s.values() if s)])
    frames = int(takes * len(exposures))
    if frames > MOST_FRAMES_PER_SHOT:
        key = "times" if shot.at is not None else "every" if shot.every is not None else "fill"
        yield source.fault(
            (*loc, key),
            f"The shot {shown(shot.name)} could come to {frames} frames, more than {MOST_FRAMES_PER_SHOT}.",
            "repeat it less often, or bound it with from and until.",
        )


def _iso_fault(rig: RigPlan, iso: int, where: Loc, source: PlanSource) -> Fault:
    listed = rig.camera.isos or []
    mend = "correct isos."
    if listed:
        nearest, _ = nearest_listed(iso, listed)
        mend = f"write {nearest:g}, the nearest it lists, or {mend}"
    return source.fault(where, f'The camera of rig "{rig.name}" does not list ISO {iso}.', mend)


# --- order of instants whose contacts are not known yet -------------------------------------------


def _is_before(first: Anchor, second: Anchor) -> bool:
    """Return whether `first` is before `second` whatever the contacts turn out to be (False: not known)."""
    if first.contact is second.contact:
        return first.offset_s < second.offset_s
    in_order = _ORDER.index(first.contact) < _ORDER.index(second.contact)
    return in_order and first.offset_s <= 0 <= second.offset_s


def _is_not_before(first: Anchor, second: Anchor) -> bool:
    """Return whether `first` is at or after `second` whatever the contacts turn out to be."""
    return first == second or _is_before(second, first)


def _longest_span_s(start: Anchor, end: Anchor) -> float:
    """Return a bound on the seconds between two instants that no eclipse exceeds."""
    if start.contact is end.contact:
        return max(0.0, end.offset_s - start.offset_s)
    central = start.contact in _TOTALITY and end.contact in _TOTALITY
    return max(0.0, (_LONGEST_CENTRAL_S if central else _LONGEST_ECLIPSE_S) + end.offset_s - start.offset_s)
