"""`framing`: what each rig's frame takes in, how the Sun moves through it, and what the camera gets done."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from rich.console import Console

from controller.cli.output import console, duration_text, local_time, print_json, table
from controller.cli.prepare import Prepared, prepare
from controller.errors import UsageError
from controller.gear.body import CameraBody
from controller.gear.classes import CAMERA_CLASSES
from controller.gear.composite import arc, even_by_obscuration, shortest_step_s
from controller.gear.drift import (
    SunSeen,
    clearance_px,
    crossing_s,
    field_rotation_deg_min,
    longest_exposure_s,
    motion_at,
    placement,
    rotation_blur_px,
    sky_rates,
    tracking_drift,
)
from controller.gear.optics import Field, sun_image_mm
from controller.gear.steadiness import GENERAL_ADVICE, Touch, advice, freezing_exposure_s, settle_time_s
from controller.gear.throughput import battery_use, frames_in, lasting_per_s, raw_megabytes
from controller.light.stops import format_f_number, with_teleconverter
from controller.plan.model import RigPlan
from controller.plan.sensors import battery_of, field_of, size_of
from controller.sky import Constants
from controller.sky.track import SunTrack, sun_track
from controller.timeline.framing import SETTING_UP_S, rounded_down
from controller.units import NS_PER_S, ContactName, FilterState, parse_utc_iso, utc_iso

BLURS_PX = (1.0, 2.0, 4.0)
STEPS_EACH_WAY = 5
WIDE_DEG = 20.0
"""A frame this wide may be meant for a composite of the whole eclipse."""
_ALL_CORONA_RADII = 20.0
_NO_SENSOR = (
    "Say the sensor for pixels, drift and when to aim: sensor: under optics, with its sides and pixels, or one of "
    f"{', '.join(CAMERA_CLASSES)}."
)


@dataclass(frozen=True)
class _Day:
    """What is the same for all rigs."""

    prepared: Prepared
    track: SunTrack
    sun: SunSeen
    zone: str

    @property
    def mid_ns(self) -> int:
        return self.prepared.compiled.timeline.contacts_utc_ns[ContactName.MID]


def framing(path: Path, ephemeris: Path | None, picture: Path | None, *, as_json: bool) -> None:
    """Print what each rig's frame takes in and how the Sun moves through it; draw it when asked.

    Raises:
        PlanError: with every fault of the plan.
        SkyError: if the eclipse cannot be computed.
        UsageError: if the picture cannot be drawn or written.
    """
    prepared = prepare(path, Constants(), ephemeris)
    track = sun_track(prepared.sky, ephemeris=ephemeris)
    timeline = prepared.compiled.timeline
    day = _Day(prepared, track, SunSeen(track.at, track.sun_radius_arcsec), timeline.time_zone)
    reports = [_report(day, rig) for rig in prepared.loaded.plan.rigs]
    if picture is not None:
        _draw(day, picture)
    if as_json:
        contacts = {name.value: utc_iso(at) for name, at in timeline.contacts_utc_ns.items()}
        print_json({"kind": timeline.kind, "contacts_utc": contacts, "sun": _sun(day), "rigs": reports})
        return
    out = console()
    sun = _sun(day)
    out.print(
        f"At mid ({local_time(day.mid_ns, day.zone, digits=0)} {day.zone}) the Sun is seen {sun['altitude_deg']:.1f} "
        f"degrees high at azimuth {sun['azimuth_deg']:.0f}, declination {sun['declination_deg']:+.1f}, "
        f"{sun['diameter_arcmin']:.1f} arcminutes across.",
        soft_wrap=True,
    )
    for rig, report in zip(prepared.loaded.plan.rigs, reports, strict=True):
        out.print()
        _print(out, day, rig, report)
    if any(report["points_at"] == "sun" for report in reports):
        out.print()
        for sentence in GENERAL_ADVICE:
            out.print(sentence, soft_wrap=True)


def _draw(day: _Day, picture: Path) -> None:
    from controller.cli.gear_picture import draw_frames

    fields = [(rig, field_of(rig)) for rig in day.prepared.loaded.plan.rigs if rig.points_at == "sun"]
    known = [(rig, field) for rig, field in fields if field is not None]
    if not known:
        raise UsageError(f"There is no frame to draw. Mend: {_NO_SENSOR[0].lower()}{_NO_SENSOR[1:]}")
    compiled = day.prepared.compiled
    try:
        draw_frames(picture, known, day.sun, compiled.timeline, compiled.aims)
    except (OSError, ValueError) as problem:
        raise UsageError(
            f"The picture {picture} cannot be written ({problem}). Mend: give a file name ending in .png or .svg "
            "in a folder that is there."
        ) from problem


# --- figures ----------------------------------------------------------------------------------------


def _sun(day: _Day) -> dict[str, Any]:
    aim = day.sun.aim(day.mid_ns)
    return {
        "altitude_deg": aim.altitude_deg,
        "azimuth_deg": aim.azimuth_deg,
        "declination_deg": day.track.declination_deg,
        "diameter_arcmin": 2 * day.track.sun_radius_arcsec / 60,
    }


def _report(day: _Day, rig: RigPlan) -> dict[str, Any]:
    optics = rig.optics
    focal_mm = optics.focal_length * optics.teleconverter
    report: dict[str, Any] = {
        "rig": rig.name,
        "mount": rig.mount,
        "points_at": rig.points_at,
        "focal_length_mm": focal_mm,
        "f_number": with_teleconverter(optics.aperture, optics.teleconverter),
        "crop": optics.crop,
        "sun_image_mm": sun_image_mm(focal_mm, day.sun.radius_arcsec),
    }
    field = field_of(rig)
    if field is not None:
        report["frame"] = _frame(day, field)
    if rig.points_at == "sun":
        report["drift"] = _drift(day, rig, field)
        report["steadiness"] = {
            "settle_after_filter_s": settle_time_s(Touch.FILTER, focal_mm),
            "settle_after_aiming_s": settle_time_s(Touch.AIMING, focal_mm),
            "advice": list(
                advice(
                    focal_mm,
                    None if field is None else field.arcsec_per_px,
                    filter_comes_off=_is_bared(day, rig),
                )
            ),
        }
        if not _is_bared(day, rig):
            del report["steadiness"]["settle_after_filter_s"]
        if field is not None:
            report["steadiness"]["freezing_exposure_s"] = freezing_exposure_s(field.arcsec_per_px)
            report["aiming"] = _aiming(day, rig)
            report["composite"] = _composite(day, field)
    report["throughput"] = _throughput(day, rig)
    return report


def _is_bared(day: _Day, rig: RigPlan) -> bool:
    return any(
        phase.rig == rig.name and phase.filter_need is FilterState.OFF
        for phase in day.prepared.compiled.timeline.phases
    )


def _frame(day: _Day, field: Field) -> dict[str, Any]:
    width_deg, height_deg, diagonal_deg = field.angles_deg
    short, long, corner = field.corona_radii(day.sun.radius_arcsec)
    return {
        "width_px": round(field.width_px),
        "height_px": round(field.height_px),
        "width_mm": field.width_mm,
        "height_mm": field.height_mm,
        "pixel_um": field.pixel_um,
        "width_deg": width_deg,
        "height_deg": height_deg,
        "diagonal_deg": diagonal_deg,
        "arcsec_per_px": field.arcsec_per_px,
        "sun_diameter_px": field.sun_diameter_px(day.sun.radius_arcsec),
        "sun_part_of_short_side": field.sun_part(day.sun.radius_arcsec),
        "corona_solar_radii": {"short_side": short, "long_side": long, "corners": corner},
    }


def _drift(day: _Day, rig: RigPlan, field: Field | None) -> dict[str, Any]:
    site = day.prepared.loaded.plan.site
    rates = sky_rates(day.track.true_at, site.latitude, day.mid_ns)
    aim = day.sun.aim(day.mid_ns)
    rotation = field_rotation_deg_min(site.latitude, aim.altitude_deg, aim.azimuth_deg)
    found: dict[str, Any] = {"field_rotation_deg_min": rotation}
    if field is None:
        cosine = math.cos(math.radians(rates.declination_deg))
        found["arcsec_s"] = math.hypot(rates.hour_angle_arcsec_s * cosine, rates.declination_arcsec_s)
        return found
    motion = motion_at(field, day.sun, day.mid_ns)
    found |= {"arcsec_s": motion.arcsec_s, "px_s": motion.px_s, "direction_deg": motion.direction_deg}
    found["direction"] = motion.words
    if rig.mount == "fixed":
        found["crossing_s"] = crossing_s(field, motion, day.sun.radius_arcsec)
        found["longest_exposure_s"] = {
            f"{blur:g} px": longest_exposure_s(blur, motion.px_s) for blur in BLURS_PX
        }
        return found
    left = tracking_drift(rates)
    scale = field.arcsec_per_px
    found["left_on_the_mount_px_min"] = {
        "sidereal rate": left.sidereal * 60 / scale,
        "solar rate": left.solar * 60 / scale,
        "lunar rate": left.lunar * 60 / scale,
        "polar axis 1 degree off, at most": left.misaligned_1_deg * 60 / scale,
    }
    found["rotation_blur_px_in_1_s"] = rotation_blur_px(field, rotation, 1.0)
    return found


def _aiming(day: _Day, rig: RigPlan) -> dict[str, Any] | None:
    plan = day.prepared.compiled.aims.get(rig.name)
    if plan is None:
        return None
    return {
        "one_aiming_serves_s": plan.longest_s,
        "lost": plan.lost or None,
        "aimings": [
            {
                "at_utc": utc_iso(stand.from_ns, 0),
                "until_utc": utc_iso(stand.until_ns, 0),
                "put_the_sun": stand.put.words,
                "x_px": round(stand.put.x_px),
                "y_px": round(stand.put.y_px),
                "x_percent": round(100 * stand.put.x_part, 1),
                "y_percent": round(100 * stand.put.y_part, 1),
                "middle_altitude_deg": round(stand.aim.altitude_deg, 2),
                "middle_azimuth_deg": round(stand.aim.azimuth_deg, 2),
                "limb_to_edge_px": round(stand.least_px),
                "unattended": stand.unattended,
            }
            for stand in plan.stands
        ],
    }


def _composite(day: _Day, field: Field) -> dict[str, Any]:
    """Return how the Sun's way from C1 to C4 lies in the frame; to where the Sun sets, if it does before."""
    contacts = day.prepared.compiled.timeline.contacts_utc_ns
    start, end = _sun_up(day, contacts[ContactName.C1], contacts[ContactName.C4])
    way = arc(field, day.sun, start, end)
    found: dict[str, Any] = {
        "from_utc": utc_iso(start, 0),
        "until_utc": utc_iso(end, 0),
        "fits": way.fits,
        "limb_to_edge_px": round(way.least_px),
        "longest_focal_length_mm": way.longest_focal_mm,
        "aim_altitude_deg": round(way.aim.altitude_deg, 1),
        "aim_azimuth_deg": round(way.aim.azimuth_deg, 1),
        "suns_apart_every_s": shortest_step_s(motion_at(field, day.sun, day.mid_ns), day.sun.radius_arcsec),
    }
    if way.fits:
        inside = [(name.value, at) for name, at in contacts.items() if start <= at <= end]
        found["suns"] = [
            {
                "at": name,
                "x_px": round(put.x_px),
                "y_px": round(put.y_px),
                "x_percent": round(100 * put.x_part, 1),
                "y_percent": round(100 * put.y_part, 1),
                "limb_to_edge_px": round(
                    float(clearance_px(field, day.sun, way.aim, np.array([at], dtype=np.int64))[0])
                ),
            }
            for name, at in inside
            for put in (placement(field, day.sun, way.aim, at),)
        ]
        deepest = contacts.get(ContactName.C2, contacts[ContactName.MID])
        if start < deepest < end:
            steps = even_by_obscuration(day.track.obscuration, start, deepest, end, STEPS_EACH_WAY)
            found["even_by_obscuration_utc"] = [utc_iso(at, 0) for at in steps]
    return found


def _sun_up(day: _Day, start: int, end: int) -> tuple[int, int]:
    """Return the part of a stretch in which the Sun's lower limb is seen above the level horizon."""
    instants = np.arange(start, end + 1, 10 * NS_PER_S, dtype=np.int64)
    altitude_deg, _ = day.sun.at(instants)
    up = instants[altitude_deg > day.sun.radius_arcsec / 3600]
    return (start, end) if up.size < 3 else (int(up[0]), min(end, int(up[-1]) + 10 * NS_PER_S))


def _throughput(day: _Day, rig: RigPlan) -> dict[str, Any]:
    compiled = day.prepared.compiled
    body: CameraBody = compiled.bodies[rig.name]
    shortest_s = min(body.shutter_s, default=1 / 500)
    frames = [frame for frame in compiled.timeline.frames if frame.rig == rig.name]
    found: dict[str, Any] = {
        "frames": len(frames),
        "card_frames": body.card_frames,
        "buffer_frames": body.buffer_frames,
        "frames_a_second": 1 / body.cycle_s(shortest_s, settings_change=False),
        "lasting_frames_a_second": lasting_per_s(body, (shortest_s,)),
        "longest_listed_exposure_s": max(body.shutter_s, default=None),
    }
    open_s = sum(
        (phase.ends_utc_ns - phase.starts_utc_ns) / NS_PER_S
        for phase in compiled.timeline.phases
        if phase.rig == rig.name and phase.filter_need is FilterState.OFF
    )
    if open_s > 0:
        burst = frames_in(body, open_s, (shortest_s,))
        found["unfiltered_s"] = open_s
        found["most_frames_unfiltered"] = burst.frames
        found["buffer_full_after_s"] = burst.buffer_full_s
    size = size_of(rig)
    if size is not None:
        found["raw_megabytes_typical"] = raw_megabytes(size)
        found["day_gigabytes_typical"] = raw_megabytes(size) * len(frames) / 1000
    battery = battery_of(rig)
    if battery is not None and frames:
        on_s = (frames[-1].due_utc_ns - frames[0].due_utc_ns) / NS_PER_S + SETTING_UP_S
        use = battery_use(battery, on_s, len(frames))
        found["battery"] = {
            "capacity_wh": battery.capacity_wh,
            "capacity_typical": rig.camera.battery is None,
            "switched_on_s": on_s,
            "part_used_warm": use.warm,
            "part_used_cold": use.cold,
            "words": use.words,
        }
    return found


# --- for people ---------------------------------------------------------------------------------------


def _print(out: Console, day: _Day, rig: RigPlan, report: dict[str, Any]) -> None:
    optics = rig.optics
    lens = f"{optics.focal_length:g} mm {format_f_number(optics.aperture)}"
    if optics.teleconverter > 1:
        lens += (
            f", with the {optics.teleconverter:g}x teleconverter {report['focal_length_mm']:g} mm "
            f"f/{report['f_number']:.3g}"
        )
    crop = f", crop mode {optics.crop:g}" if optics.crop > 1 else ""
    mount = "points at the landscape" if rig.points_at == "landscape" else f"{rig.mount} mount"
    out.print(f"Rig {rig.name}: {lens}{crop}; {mount}", soft_wrap=True)
    rows = [*_frame_rows(report), *_drift_rows(report), *_supply_rows(report)]
    for what, value in rows:
        out.print(f"  {what:<17} {value}", soft_wrap=True)
    if "frame" not in report:
        out.print(f"  {_NO_SENSOR}", soft_wrap=True)
    if report.get("aiming"):
        _print_aimings(out, day, report["aiming"])
    if "composite" in report and (report["composite"]["fits"] or report["frame"]["width_deg"] > WIDE_DEG):
        _print_composite(out, day, report["composite"])
    for sentence in report.get("steadiness", {}).get("advice", ()):
        out.print(f"  {sentence}", soft_wrap=True)


def _frame_rows(report: dict[str, Any]) -> list[tuple[str, str]]:
    sun = f"{report['sun_image_mm']:.2f} mm across"
    if "frame" not in report:
        return [("Sun's image", sun)] if report["points_at"] == "sun" else []
    frame = report["frame"]
    rows = [
        (
            "frame",
            (
                f"{frame['width_px']} x {frame['height_px']} px, {frame['width_mm']:.1f} x {frame['height_mm']:.1f} mm: "
                f"{_angle(frame['width_deg'])} x {_angle(frame['height_deg'])}, diagonal {_angle(frame['diagonal_deg'])}"
            ),
        ),
        ("image scale", f"{frame['arcsec_per_px']:.3g} arcsec a pixel ({frame['pixel_um']:.2f} micrometres)"),
    ]
    if report["points_at"] == "sun":
        corona = frame["corona_solar_radii"]
        rows += [
            (
                "Sun's image",
                (
                    f"{sun}, {frame['sun_diameter_px']:.0f} px, {100 * frame['sun_part_of_short_side']:.1f} % of the "
                    "short side"
                ),
            ),
            (
                "corona",
                "all of it"
                if corona["short_side"] > _ALL_CORONA_RADII
                else (
                    f"to {corona['short_side']:.1f} solar radii from the Sun's centre at the near edge, "
                    f"{corona['long_side']:.1f} at the far one, {corona['corners']:.1f} in the corners"
                ),
            ),
        ]
    return rows


def _angle(angle_deg: float) -> str:
    return f"{angle_deg:.1f}°" if angle_deg >= 10 else f"{angle_deg:.2f}°"


def _drift_rows(report: dict[str, Any]) -> list[tuple[str, str]]:
    drift = report.get("drift")
    if drift is None:
        return []
    if "px_s" not in drift:
        return [("drift", f"{drift['arcsec_s']:.2f} arcsec a second on a fixed tripod")]
    turning = f"{drift['field_rotation_deg_min']:+.2f} degrees a minute on an alt-azimuth mount"
    if report["mount"] == "fixed":
        exposures = ", ".join(
            f"{_exposure(longest)} for {blur}" for blur, longest in drift["longest_exposure_s"].items()
        )
        return [
            (
                "drift at mid",
                (
                    f"{drift['arcsec_s']:.2f} arcsec, {drift['px_s']:.2f} px a second, {drift['direction']}; the whole "
                    f"Sun crosses in {duration_text(drift['crossing_s'])}"
                ),
            ),
            ("longest exposure", exposures),
        ]
    left = ", ".join(f"{px:.1f} ({what})" for what, px in drift["left_on_the_mount_px_min"].items())
    return [
        ("left over", f"px a minute: {left}"),
        ("field turns", f"{turning}: {drift['rotation_blur_px_in_1_s']:.2f} px a second in the corners"),
    ]


def _exposure(exposure_s: float) -> str:
    if not math.isfinite(exposure_s):
        return "any"
    return rounded_down(exposure_s)


def _supply_rows(report: dict[str, Any]) -> list[tuple[str, str]]:
    speed = report["throughput"]
    rows = [
        (
            "speed",
            (
                f"{speed['frames_a_second']:.2g} frames a second, {speed['lasting_frames_a_second']:.2g} for ever; the "
                f"buffer holds {speed['buffer_frames']}"
            ),
        )
    ]
    if "most_frames_unfiltered" in speed:
        full = speed["buffer_full_after_s"]
        rows.append(
            (
                "unfiltered",
                f"{speed['unfiltered_s']:.0f} s, room for {speed['most_frames_unfiltered']} of the shortest frames; the "
                + ("buffer never fills" if full is None else f"buffer is full after {full:.0f} s"),
            )
        )
    if "day_gigabytes_typical" in speed:
        room = "" if speed["card_frames"] is None else f" of {speed['card_frames']} on the card"
        rows.append(
            (
                "card",
                (
                    f"{speed['frames']} frames{room}, about {speed['day_gigabytes_typical']:.1f} GB of raw files "
                    f"({speed['raw_megabytes_typical']:.0f} MB each, typical)"
                ),
            )
        )
    if "battery" in speed:
        battery = speed["battery"]
        size = "a typical " if battery["capacity_typical"] else ""
        rows.append(
            (
                "battery",
                (
                    f"{100 * battery['part_used_warm']:.0f} % of {size}{battery['capacity_wh']:g} Wh in the warm, "
                    f"{100 * battery['part_used_cold']:.0f} % in frost: {battery['words']}"
                ),
            )
        )
    return rows


def _print_aimings(out: Console, day: _Day, aiming: dict[str, Any]) -> None:
    count = len(aiming["aimings"])
    if count == 1 and not aiming["lost"] and not aiming["aimings"][0]["unattended"]:
        first = aiming["aimings"][0]
        out.print(
            f"  Aim once: the Sun {first['put_the_sun']} at the beginning, the middle of the frame at "
            f"{first['middle_altitude_deg']:.1f} degrees, azimuth {first['middle_azimuth_deg']:.0f}. It stays in.",
            soft_wrap=True,
        )
        return
    if aiming["lost"]:
        out.print(f"  WARNING: {aiming['lost']}.", soft_wrap=True)
    if not count:
        return
    out.print(
        f"  One aiming serves for {duration_text(aiming['one_aiming_serves_s'])}. When to aim, filter on, and where to "
        "put the Sun (percent of the frame right of and above the centre):",
        soft_wrap=True,
    )
    for one in aiming["aimings"]:
        last = ", then untouched to the end of totality or ring" if one["unattended"] else ""
        out.print(
            f"    {local_time(parse_utc_iso(one['at_utc']), day.zone, digits=0)}  {one['x_percent']:+4.0f} %  "
            f"{one['y_percent']:+4.0f} %  {one['put_the_sun']}{last}",
            soft_wrap=True,
        )


def _print_composite(out: Console, day: _Day, way: dict[str, Any]) -> None:
    span = (
        f"{local_time(parse_utc_iso(way['from_utc']), day.zone, digits=0)} to "
        f"{local_time(parse_utc_iso(way['until_utc']), day.zone, digits=0)}"
    )
    aim = f"{way['aim_altitude_deg']:.0f} degrees high, azimuth {way['aim_azimuth_deg']:.0f}"
    if not way["fits"]:
        out.print(
            f"  The Sun's way from {span} does not fit: up to {way['longest_focal_length_mm']:.0f} mm it does on this "
            f"sensor, aimed {aim}.",
            soft_wrap=True,
        )
        return
    out.print(
        f"  The Sun's way from {span} fits when aimed {aim} (up to {way['longest_focal_length_mm']:.0f} mm on this "
        f"sensor). Suns stand apart every {way['suns_apart_every_s']:.0f} s or more.",
        soft_wrap=True,
    )
    rows = [
        (f"  {sun['at']}", f"{sun['x_percent']:+.1f} %", f"{sun['y_percent']:+.1f} %", sun["limb_to_edge_px"])
        for sun in way["suns"]
    ]
    out.print(table(("  Sun at", ">right", ">above", ">limb to edge px"), rows))
    if "even_by_obscuration_utc" in way:
        times = ", ".join(
            local_time(parse_utc_iso(at), day.zone, digits=0) for at in way["even_by_obscuration_utc"]
        )
        out.print(f"  Even steps of the covered area: {times}.", soft_wrap=True)
