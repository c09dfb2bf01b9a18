"""A picture of each rig's frame to scale, with the Sun's way through it and the corona around the Sun."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from controller.cli.output import local_time
from controller.gear.composite import arc, even_by_time
from controller.gear.drift import AimPlan, SunSeen, motion_at
from controller.gear.optics import Aim, Field
from controller.plan.model import RigPlan
from controller.timeline.model import Timeline
from controller.units import NS_PER_S, ContactName

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_INK, _PAPER, _GREY = "#111111", "#ffffff", "#8a8a8a"
_CORONA_RADII = (2.0, 3.0, 5.0, 8.0)
_PANEL_IN = (7.6, 6.2)


def draw_frames(
    path: Path,
    rigs: Sequence[tuple[RigPlan, Field]],
    sun: SunSeen,
    timeline: Timeline,
    aims: Mapping[str, AimPlan],
) -> None:
    """Draw one panel a rig; the file's suffix names the format (png, svg, pdf).

    Black on white, told apart by shape and dash, so that it serves in print.

    Raises:
        OSError: if the file cannot be written.
        ValueError: if the suffix names no format.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    across = min(2, len(rigs))
    down = math.ceil(len(rigs) / across)
    figure = Figure(
        figsize=(_PANEL_IN[0] * across, _PANEL_IN[1] * down), dpi=110, facecolor=_PAPER, layout="constrained"
    )
    FigureCanvasAgg(figure)
    for number, (rig, field) in enumerate(rigs, 1):
        _panel(figure.add_subplot(down, across, number), rig, field, sun, timeline, aims.get(rig.name))
    figure.savefig(path)


def _panel(
    axes: Axes, rig: RigPlan, field: Field, sun: SunSeen, timeline: Timeline, plan: AimPlan | None
) -> None:
    contacts = timeline.contacts_utc_ns
    whole = arc(field, sun, contacts[ContactName.C1], contacts[ContactName.C4])
    width_deg, height_deg, _ = field.angles_deg
    if plan is not None and whole.fits:
        what = "C1 to C4, aimed once"
        _whole_arc(axes, field, sun, timeline, whole.aim)
    elif plan is not None:
        what = _stand(axes, field, sun, timeline, plan)
    else:
        what = "the Sun kept in the middle"
        _disk(axes, field, sun, 0.0, 0.0, fill=True)
        _corona(axes, field, sun, 0.0, 0.0)
    half_x, half_y = field.half_px
    axes.axhline(0, color=_GREY, lw=0.5, ls=":")
    axes.axvline(0, color=_GREY, lw=0.5, ls=":")
    axes.set_xlim(-half_x, half_x)
    axes.set_ylim(-half_y, half_y)
    axes.set_aspect("equal")
    axes.set_xlabel("right of the centre, pixels")
    axes.set_ylabel("above the centre, pixels")
    axes.set_title(
        f"Rig {rig.name}: {field.focal_length_mm:g} mm, frame {width_deg:.3g}° x {height_deg:.3g}°, {rig.mount} mount\n"
        f"{what}",
        fontsize=10.5,
    )
    axes.tick_params(labelsize=8.5)
    for spine in axes.spines.values():
        spine.set_linewidth(1.6)


def _disk(axes: Axes, field: Field, sun: SunSeen, x: float, y: float, *, fill: bool = False) -> None:
    from matplotlib.patches import Circle

    radius = field.sun_diameter_px(sun.radius_arcsec) / 2
    axes.add_patch(
        Circle((x, y), radius, facecolor=_GREY if fill else "none", edgecolor=_INK, lw=1.1, zorder=3)
    )


def _corona(axes: Axes, field: Field, sun: SunSeen, x: float, y: float) -> None:
    """Draw circles of corona around the Sun, as many as come near the frame, each with its size."""
    from matplotlib.patches import Circle

    radius = field.sun_diameter_px(sun.radius_arcsec) / 2
    reach = math.hypot(*field.half_px)
    for number, radii in enumerate(_CORONA_RADII):
        if radii * radius > reach:
            break
        axes.add_patch(
            Circle(
                (x, y),
                radii * radius,
                facecolor="none",
                edgecolor=_INK,
                lw=0.8,
                ls=("--", "-.", ":", "--")[number],
            )
        )
        # Along a slope that the frame's sides do not cut before its corners.
        slope = math.atan2(field.height_px, field.width_px)
        label = (x + radii * radius * math.cos(slope), y - radii * radius * math.sin(slope))
        if abs(label[0]) > 0.8 * field.half_px[0] or abs(label[1]) > 0.95 * field.half_px[1]:
            continue
        axes.annotate(
            f"{radii:g} solar radii",
            label,
            fontsize=8,
            ha="center",
            va="center",
            bbox={"facecolor": _PAPER, "edgecolor": "none", "pad": 1.0},
        )


def _stand(axes: Axes, field: Field, sun: SunSeen, timeline: Timeline, plan: AimPlan) -> str:
    """Draw the stretch in which nobody aims, or the first aiming where there is none; return what it is."""
    stands = [stand for stand in plan.stands if stand.unattended] or list(plan.stands)
    if not stands:
        middle = timeline.contacts_utc_ns[ContactName.MID]
        motion = motion_at(field, sun, middle)
        start = middle - round(0.3 * field.width_px / max(motion.px_s, 1e-6)) * NS_PER_S
        _way(axes, field, sun, sun.aim(middle), start, 2 * middle - start)
        _disk(axes, field, sun, 0.0, 0.0, fill=True)
        return f"at mid; {plan.lost}"
    stand = stands[0]
    _way(axes, field, sun, stand.aim, stand.from_ns, stand.until_ns)
    zone = timeline.time_zone
    marks = [("aim", stand.from_ns)]
    marks += [
        (name.value, at)
        for name, at in timeline.contacts_utc_ns.items()
        if stand.from_ns <= at <= stand.until_ns
    ]
    marks.append(("next aiming" if not stand.unattended else "until", stand.until_ns))
    _marked(axes, field, sun, stand.aim, marks, zone)
    middle = timeline.contacts_utc_ns[ContactName.MID]
    if stand.unattended:
        x, y = _place(field, sun, stand.aim, middle)
        if timeline.kind == "total":
            _corona(axes, field, sun, x, y)
        return "the aiming for totality" if timeline.kind == "total" else "the aiming for the ring"
    return "the first aiming"


def _whole_arc(axes: Axes, field: Field, sun: SunSeen, timeline: Timeline, aim: Aim) -> None:
    contacts = timeline.contacts_utc_ns
    start, end = contacts[ContactName.C1], contacts[ContactName.C4]
    _way(axes, field, sun, aim, start, end)
    for at in even_by_time(start, end, 13):
        _disk(axes, field, sun, *_place(field, sun, aim, at))
    marks = [
        (name.value, at) for name, at in contacts.items() if name not in (ContactName.C2, ContactName.C3)
    ]
    _marked(axes, field, sun, aim, marks, timeline.time_zone)


def _place(field: Field, sun: SunSeen, aim: Aim, at: int) -> tuple[float, float]:
    x, y = field.project(aim, *sun.at(np.array([at], dtype=np.int64)))
    return float(x[0]), float(y[0])


def _way(axes: Axes, field: Field, sun: SunSeen, aim: Aim, start: int, end: int) -> None:
    instants = np.linspace(0, end - start, 200).astype(np.int64) + start
    x, y = field.project(aim, *sun.at(instants))
    axes.plot(x, y, color=_INK, lw=1.0)
    head = len(x) // 6
    axes.annotate(
        "",
        (x[head + 4], y[head + 4]),
        (x[head], y[head]),
        zorder=5,
        arrowprops={"arrowstyle": "-|>", "color": _INK, "lw": 1.2, "mutation_scale": 16},
    )


def _marked(
    axes: Axes, field: Field, sun: SunSeen, aim: Aim, marks: Sequence[tuple[str, int]], zone: str
) -> None:
    """Draw the Sun at instants, each named with its time on alternate sides of the way."""
    places = [_place(field, sun, aim, at) for _, at in marks]
    (x0, y0), (x1, y1) = places[0], places[-1]
    length = math.hypot(x1 - x0, y1 - y0) or 1.0
    across = ((y0 - y1) / length, (x1 - x0) / length)
    away = field.sun_diameter_px(sun.radius_arcsec) / 2 + 0.16 * min(field.width_px, field.height_px)
    for number, ((name, at), (x, y)) in enumerate(zip(marks, places, strict=True)):
        _disk(axes, field, sun, x, y, fill=name == ContactName.MID)
        side = 1 if number % 2 else -1
        half_x, half_y = field.half_px
        label = (  # inside the frame, whole
            float(np.clip(x + side * away * across[0], -0.74 * half_x, 0.74 * half_x)),
            float(np.clip(y + side * away * across[1], -0.95 * half_y, 0.95 * half_y)),
        )
        axes.annotate(
            f"{name} {local_time(at, zone, digits=0)}",
            (x, y),
            label,
            fontsize=8.5,
            ha="center",
            va="center",
            arrowprops={"arrowstyle": "-", "color": _GREY, "lw": 0.7},
            bbox={"facecolor": _PAPER, "edgecolor": "none", "pad": 0.8},
            annotation_clip=False,
        )
