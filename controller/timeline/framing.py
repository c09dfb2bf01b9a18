"""What the frame does to a day: cues to aim a fixed rig again, and warnings of what the frame does not hold.

All of it needs the rig's sensor; a rig whose plan does not say it is left alone.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from controller.errors import Fault
from controller.gear.drift import AimPlan, Placement, SunSeen, aim_plan, longest_exposure_s, motion_at
from controller.gear.optics import Field
from controller.gear.throughput import SPARE_BATTERY, battery_use
from controller.light.stops import format_exposure
from controller.plan.brackets import take_exposures
from controller.plan.model import RigPlan
from controller.plan.sensors import battery_of, field_of
from controller.plan.source import Loc, PlanSource
from controller.timeline.model import Cue
from controller.timeline.phrases import Phrases
from controller.timeline.placing import Job, RigDay, Take
from controller.timeline.taking_off import takes_off
from controller.units import NS_PER_S, ContactName, FilterState, UtcNs, seconds_to_ns

BLUR_LIMIT_PX = 2.0
"""A trail up to this passes for sharp (common practice, no single source)."""
LEAST_CORONA_RADII = 2.0
"""A frame that takes in less of the corona, from the Sun's centre, is warned of (common practice)."""
FIRST_AIM_S = 60.0
"""The first aiming comes so long before the first frame."""
SETTING_UP_S = 600.0
"""A camera is switched on so long before its first frame."""
FILTER_BACK_S = 20.0
"""Nobody aims until so long after the filter is to be back on, or the ring has broken."""


@dataclass(frozen=True, kw_only=True)
class Framed:
    """What framing adds to a timeline."""

    cues: tuple[Cue, ...]
    faults: tuple[Fault, ...]
    aims: Mapping[str, AimPlan]
    """Of each fixed rig on the Sun whose sensor is known."""


def frame_day(
    days: Mapping[str, RigDay],
    sun: SunSeen | None,
    kind: str,
    contacts_utc_ns: Mapping[ContactName, UtcNs],
    window: tuple[UtcNs, UtcNs] | None,
    source: PlanSource,
    phrases: Phrases,
) -> Framed:
    """Return the cues and the warnings of every rig whose sensor is known.

    Args:
        days: every rig with its shots placed, in the plan's order.
        sun: the Sun over the site; None when it was not computed: then only supplies are told.
        kind: ``total``, ``annular`` or ``partial`` at the site.
        contacts_utc_ns: the contacts.
        window: when the filter may be off; None: never.
        source: where the plan's lines are.
        phrases: what is said.
    """
    cues: list[Cue] = []
    faults: list[Fault] = []
    aims: dict[str, AimPlan] = {}
    for index, day in enumerate(days.values()):
        loc: Loc = ("rigs", index)
        faults += _battery(day, loc, source)
        field = field_of(day.rig)
        if field is None or sun is None or day.rig.points_at != "sun" or not day.takes:
            continue
        faults += _corona(day, field, sun, loc, source)
        if day.rig.mount != "fixed":
            continue
        faults += _blur(day, field, sun, source)
        plan = aims[day.rig.name] = day_aims(day, field, sun, kind, contacts_utc_ns, window)
        faults += _lost(day, field, sun, kind, contacts_utc_ns, window, plan, loc, source)
        cues += _cues(day.rig, plan, kind, phrases)
    return Framed(cues=tuple(cues), faults=tuple(faults), aims=aims)


def day_aims(
    day: RigDay,
    field: Field,
    sun: SunSeen,
    kind: str,
    contacts_utc_ns: Mapping[ContactName, UtcNs],
    window: tuple[UtcNs, UtcNs] | None,
) -> AimPlan:
    """Return when a fixed rig is aimed, from its first frame to its last."""
    busy = [(start, end) for take in day.takes for start, end in _exposing(take)]
    first, last = min(start for start, _ in busy), max(end for _, end in busy)
    from_ns = first - seconds_to_ns(FIRST_AIM_S)
    untouched = unattended(kind, contacts_utc_ns, window)
    if untouched and not any(untouched[0] <= start <= untouched[2] for start, _ in busy):
        untouched = None
    plan = aim_plan(field, sun, from_ns, last, unattended=untouched, busy=busy)
    if kind == "annular" and plan.lost:  # behind its filter, a rig may be aimed in the ring as well
        return aim_plan(field, sun, from_ns, last, busy=busy)
    return plan


def unattended(
    kind: str, contacts_utc_ns: Mapping[ContactName, UtcNs], window: tuple[UtcNs, UtcNs] | None
) -> tuple[int, int, int] | None:
    """Return start, middle and end of what nobody aims in: totality with its handling, or the ring."""
    back_ns = seconds_to_ns(FILTER_BACK_S)
    if window:
        return window[0], contacts_utc_ns[ContactName.MID], window[1] + back_ns
    if kind == "annular":
        ends = contacts_utc_ns[ContactName.C2] - back_ns, contacts_utc_ns[ContactName.C3] + back_ns
        return ends[0], contacts_utc_ns[ContactName.MID], ends[1]
    return None


def _exposing(take: Take) -> Iterator[tuple[int, int]]:
    for due, exposure_s in zip(take.dues_utc_ns, take.job.exposures_s, strict=False):
        yield due, due + seconds_to_ns(exposure_s)


def _jobs(day: RigDay) -> Sequence[Job]:
    return list({id(take.job): take.job for take in day.takes}.values())


# --- warnings -------------------------------------------------------------------------------------------


def _blur(day: RigDay, field: Field, sun: SunSeen, source: PlanSource) -> Iterator[Fault]:
    told: set[Loc] = set()
    for job in _jobs(day):
        longest_s = max(take_exposures(job.shot))
        speed = motion_at(field, sun, (job.starts_utc_ns + job.until_utc_ns) // 2).px_s
        trail_px = longest_s * speed
        key = "exposure" if job.shot.exposure is not None else "bracket"
        if trail_px <= BLUR_LIMIT_PX or job.loc in told:
            continue
        told.add(job.loc)
        limit_s = longest_exposure_s(BLUR_LIMIT_PX, speed)
        yield source.fault(
            (*job.loc, key),
            f'{format_exposure(longest_s)} of "{job.shot.name}" trails by {trail_px:.1f} px on the fixed tripod of rig '
            f'"{day.rig.name}", where the Sun drifts {speed:.1f} px a second.',
            f"for {BLUR_LIMIT_PX:g} px take {rounded_down(limit_s)} at most, with a higher ISO; or use a tracking mount; "
            "or accept the trail.",
            "warning",
        )


def rounded_down(exposure_s: float) -> str:
    """Return a limit of an exposure in round figures, never above it: ``1/6 s``, ``0.4 s``, ``17 s``."""
    if exposure_s < 0.3:
        return f"1/{math.ceil(1 / exposure_s)} s"
    return f"{math.floor(exposure_s * 10) / 10:g} s" if exposure_s < 10 else f"{math.floor(exposure_s)} s"


def _corona(day: RigDay, field: Field, sun: SunSeen, loc: Loc, source: PlanSource) -> Iterator[Fault]:
    if not any(job.phase.filter_need is FilterState.OFF for job in _jobs(day)):
        return
    short, _, corner = field.corona_radii(sun.radius_arcsec)
    if short < LEAST_CORONA_RADII:
        yield source.fault(
            (*loc, "optics", "focal_length"),
            f'The frame of rig "{day.rig.name}" takes in {short:.1f} solar radii of corona to its nearest edge and '
            f"{corner:.1f} to its corners, counted from the Sun's centre.",
            "use a shorter focal length or a larger sensor, or accept that the corona is cut.",
            "warning",
        )


def _lost(
    day: RigDay,
    field: Field,
    sun: SunSeen,
    kind: str,
    contacts_utc_ns: Mapping[ContactName, UtcNs],
    window: tuple[UtcNs, UtcNs] | None,
    plan: AimPlan,
    loc: Loc,
    source: PlanSource,
) -> Iterator[Fault]:
    if not plan.lost:
        return
    mend = "use a tracking mount, or a shorter focal length."
    turned = replace(
        field,
        width_mm=field.height_mm,
        height_mm=field.width_mm,
        width_px=field.height_px,
        height_px=field.width_px,
    )
    if not day_aims(day, turned, sun, kind, contacts_utc_ns, window).lost:
        other = "level" if day.rig.optics.long_side == "upright" else "upright"
        mend = f"hold the camera with its long side {other} (long_side: {other}), where it fits; or " + mend
    yield source.fault(
        (*loc, "mount") if "mount" in day.rig.model_fields_set else loc,
        f'On the fixed tripod of rig "{day.rig.name}" {plan.lost}.',
        mend,
        "warning",
    )


def _battery(day: RigDay, loc: Loc, source: PlanSource) -> Iterator[Fault]:
    battery = battery_of(day.rig)
    if battery is None or not day.takes:
        return
    use = battery_use(battery, switched_on_s(day), frames_of(day))
    if use.warm > SPARE_BATTERY:
        yield source.fault(
            (*loc, "camera", "battery") if day.rig.camera.battery is not None else (*loc, "camera"),
            f'The day takes {100 * use.warm:.0f} % of a {battery.capacity_wh:g} Wh battery of rig "{day.rig.name}" in '
            f"the warm and {100 * use.cold:.0f} % in frost.",
            "plan when to change it, feed the camera from outside (battery: mains), or switch it on later.",
            "warning",
        )


def switched_on_s(day: RigDay) -> float:
    """Return how long a rig's camera is on, from setting up until its last frame."""
    starts = min(take.start_utc_ns for take in day.takes)
    ends = max(take.end_utc_ns for take in day.takes)
    return (ends - starts) / NS_PER_S + SETTING_UP_S


def frames_of(day: RigDay) -> int:
    """Return how many frames a rig takes."""
    return sum(len(take.slots_ns) for take in day.takes)


# --- cues -----------------------------------------------------------------------------------------------


def _cues(rig: RigPlan, plan: AimPlan, kind: str, phrases: Phrases) -> Iterator[Cue]:
    for number, stand in enumerate(plan.stands, 1):
        yield Cue(
            cue_id=f"aim/{rig.name}-{number}",
            at_utc_ns=UtcNs(stand.from_ns),
            say=_say(rig, plan, number, kind, phrases),
            rig=rig.name,
        )


def _say(rig: RigPlan, plan: AimPlan, number: int, kind: str, phrases: Phrases) -> str:
    """Return the words for one aiming. The filter is on in all of them (HF-S13)."""
    stand = plan.stands[number - 1]
    after = number > 1 and plan.stands[number - 2].unattended
    if stand.unattended:
        what = "aim_last_before_the_ring" if kind == "annular" else "aim_last_before_totality"
    elif after and kind == "total":
        what = "aim_again_after_totality"
    else:
        what = "aim_first" if number == 1 else "aim_again"
    said = [phrases.text(what), _where(stand.put, phrases)]
    if takes_off(rig.name) is None:
        said.insert(0, phrases.text("aim_whose", rig=rig.name))
    if stand.unattended:
        said.append(phrases.text("then_touch_it_no_more"))
    elif len(plan.stands) == 1 and not plan.lost:
        said.append(phrases.text("then_it_serves_to_the_end"))
    return ". ".join(said)


def _where(put: Placement, phrases: Phrases) -> str:
    """Return where the Sun is put in the frame, as it is said."""
    across, along = put.nearest_parts
    sides, parts = [], {}
    if across:
        sides.append("right" if across > 0 else "left")
        parts["across"] = phrases.part(abs(across))
    if along:
        sides.append("above" if along > 0 else "below")
        parts["along"] = phrases.part(abs(along))
    return phrases.text("_".join(["sun", *sides]) if sides else "sun_in_the_centre", **parts)
