"""A picture of the Moon's edge: relief exaggerated, the Sun's edge at C2 and C3, beads with their times."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np

from controller.sky.limb.grids import REFERENCE_RADIUS_KM
from controller.sky.limb.model import Bead, LimbCircumstances, LimbContact, LimbProfile
from controller.sky.model import Circumstances, Kind
from controller.sky.numeric import Array
from controller.units import ContactName, utc_datetime

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_EXAGGERATED = 40
_STRIP_DEG = 40.0
"""Half of the stretch of the edge that a strip shows."""
_LABELLED = 8
"""Beads of a contact that get a number and a line in the list: those that stand alone for longest."""
_INK, _MOON, _SKY, _SUN = "#111111", "#6b6b6b", "#ffffff", "#ffe9a8"
_DASHES: dict[ContactName, str] = {ContactName.C2: "-", ContactName.C3: "--"}
_MARKS: dict[ContactName, str] = {ContactName.C2: "o", ContactName.C3: "^"}


def draw(path: Path, found: Circumstances, zone: str) -> None:
    """Draw the limb of central circumstances to a file; its suffix names the format (png, svg, pdf).

    Black ink on white, told apart by shape and dash and not by colour, so that it serves in print, in
    grey and on a dark screen.

    Args:
        path: where to.
        found: circumstances with `limb`.
        zone: IANA time zone of the times.

    Raises:
        OSError: if the file cannot be written.
        ValueError: if the suffix names no format, or the circumstances have no limb.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    limb = found.limb
    if limb is None:
        message = "there is no limb to draw"
        raise ValueError(message)
    figure = Figure(figsize=(13.0, 9.2), dpi=120, facecolor=_SKY)
    FigureCanvasAgg(figure)
    grid = figure.add_gridspec(
        4, 2, width_ratios=(1.25, 1), height_ratios=(1, 0.62, 1, 0.62), left=0.02, right=0.98, top=0.86, bottom=0.07,
        hspace=0.5, wspace=0.12,
    )  # fmt: skip
    _whole(figure.add_subplot(grid[:, 0]), found, limb)
    for row, (number, contact) in zip((0, 2), enumerate(limb.contacts()), strict=False):
        beads = _numbered(limb, contact.name)
        _strip(figure.add_subplot(grid[row, 1]), found, limb.profiles[number], contact, beads)
        _list(figure.add_subplot(grid[row + 1, 1]), contact, beads, zone)
    site = found.site
    figure.text(
        0.03, 0.965, f"The Moon's edge, {found.eclipse_date}, {site.latitude_deg:.4f}, {site.longitude_deg:.4f}",
        fontsize=15, color=_INK, weight="bold", va="top",
    )  # fmt: skip
    figure.text(0.03, 0.925, _wrapped(limb.note, 150), fontsize=9, color=_INK, va="top")
    figure.savefig(path, facecolor=_SKY)


def _wrapped(text: str, width: int) -> str:
    import textwrap

    return "\n".join(textwrap.wrap(text, width))


def _numbered(limb: LimbCircumstances, name: ContactName) -> list[Bead]:
    """Return the beads of a contact that stand alone for longest, in order of time."""
    beads = [bead for bead in limb.beads if bead.contact is name]
    longest = sorted(beads, key=lambda bead: -bead.lasts_s)[:_LABELLED]
    return [bead for bead in beads if bead in longest]


def _whole(axes: Axes, found: Circumstances, limb: LimbCircumstances) -> None:
    """Draw the whole Moon, north up and east to the left as in the sky."""
    profile = limb.profiles[0]
    deepest_km = -12.0

    def place(angle_deg: Array | float, height_km: Array | float) -> tuple[Array, Array]:
        radius = REFERENCE_RADIUS_KM + _EXAGGERATED * np.asarray(height_km)
        angle = np.radians(angle_deg)
        return -radius * np.sin(angle), radius * np.cos(angle)

    def at(angle_deg: float, height_km: float) -> tuple[float, float]:
        x, y = place(angle_deg, height_km)
        return float(x), float(y)

    closed_deg = np.append(profile.position_angle_deg, 360.0)

    def round_and_closed(heights_km: Array) -> tuple[Array, Array]:
        return place(closed_deg, np.append(heights_km, heights_km[0]))

    axes.fill(*round_and_closed(profile.height_km), color=_MOON, zorder=2, linewidth=0)
    axes.plot(*place(closed_deg, 0.0), color=_SKY, linewidth=0.8, linestyle=":", zorder=3)
    for contact in limb.contacts():
        sun_km = np.where(contact.sun_edge_km > deepest_km, contact.sun_edge_km, np.nan)
        axes.plot(
            *round_and_closed(sun_km), color=_INK, linewidth=1.0, linestyle=_DASHES[contact.name],
            label=f"Sun's edge at {contact.name}", zorder=4,
        )  # fmt: skip
        beads = [bead for bead in limb.beads if bead.contact is contact.name]
        angles_deg = np.array([bead.position_angle_deg for bead in beads])
        axes.plot(
            *place(angles_deg, 10.0), linestyle="", marker=_MARKS[contact.name], markersize=4.5, color=_SUN,
            markeredgecolor=_INK, markeredgewidth=0.7, label=f"{len(beads)} beads at {contact.name}", zorder=5,
        )  # fmt: skip
        axes.annotate(
            contact.name, at(contact.position_angle_deg, 2.0), at(contact.position_angle_deg, 17.0),
            fontsize=13, weight="bold", ha="center", va="center", color=_INK, zorder=6,
            arrowprops={"arrowstyle": "->", "color": _INK},
        )  # fmt: skip
    pole = profile.axis_position_angle_deg
    axes.plot(*place(np.array([pole, pole]), np.array([-11.0, -7.0])), color=_SKY, linewidth=2, zorder=4)
    for angle_deg, word in ((0.0, "N"), (90.0, "E"), (180.0, "S"), (270.0, "W")):
        axes.text(*at(angle_deg, 15.0), word, ha="center", va="center", fontsize=12, color=_INK)
    axes.text(
        0, 0,
        f"relief \u00d7 {_EXAGGERATED}\n"
        "dotted: sphere of 1737.4 km\n"
        "white stroke: the Moon's north pole\n"
        f"libration {profile.libration_longitude_deg:+.2f}\N{DEGREE SIGN} east, "
        f"{profile.libration_latitude_deg:+.2f}\N{DEGREE SIGN} north\n"
        f"{found.geometric_kind.value}",
        ha="center", va="center", fontsize=10, color=_SKY, zorder=5, linespacing=1.5,
    )  # fmt: skip
    reach = REFERENCE_RADIUS_KM + _EXAGGERATED * 20
    axes.set(xlim=(-reach, reach), ylim=(-reach, reach), aspect="equal")
    axes.axis("off")
    axes.legend(loc="upper center", bbox_to_anchor=(0.5, 0.0), fontsize=9.5, ncols=4, edgecolor=_INK)


def _strip(
    axes: Axes, found: Circumstances, profile: LimbProfile, contact: LimbContact, beads: list[Bead]
) -> None:
    """Draw the stretch of the edge around a contact, unrolled, with the Sun's edge at that instant."""
    offset_deg = (profile.position_angle_deg - contact.position_angle_deg + 180) % 360 - 180
    order = np.argsort(offset_deg)
    shown = order[np.abs(offset_deg[order]) <= _STRIP_DEG]
    angle_deg = contact.position_angle_deg + offset_deg[shown]
    relief, sun = profile.height_km[shown], contact.sun_edge_km[shown]
    low, high = float(relief.min()) - 1.0, float(relief.max()) + 2.8
    axes.fill_between(angle_deg, low, relief, color=_MOON, linewidth=0, zorder=2)
    axes.fill_between(angle_deg, low, np.clip(sun, low, high), color=_SUN, linewidth=0, zorder=1)
    axes.plot(angle_deg, sun, color=_INK, linewidth=1.1, linestyle=_DASHES[contact.name], zorder=3)
    for number, bead in enumerate(beads, 1):
        turn = (bead.position_angle_deg - contact.position_angle_deg + 180) % 360 - 180
        if abs(turn) > _STRIP_DEG:
            continue
        at = contact.position_angle_deg + turn
        here = float(np.interp(at, angle_deg, relief))
        axes.plot(
            at, here, marker=_MARKS[contact.name], color=_SUN, markeredgecolor=_INK, markersize=5, zorder=5
        )
        axes.annotate(
            str(number), (at, here), (0, (8, 17, 26)[number % 3]), textcoords="offset points", ha="center",
            fontsize=8.5, color=_INK, zorder=6, arrowprops={"arrowstyle": "-", "color": _INK, "linewidth": 0.4},
        )  # fmt: skip
    axes.set(xlim=(angle_deg[0], angle_deg[-1]), ylim=(low, high))
    axes.xaxis.set_major_formatter(lambda value, _position: f"{value % 360:g}\N{DEGREE SIGN}")
    axes.set_ylabel("km above 1737.4", fontsize=9)
    axes.tick_params(labelsize=8.5)
    what = "last light" if contact.name is ContactName.C2 else "first light"
    if found.geometric_kind is Kind.ANNULAR:
        what = "ring closes" if contact.name is ContactName.C2 else "ring breaks"
    axes.set_title(
        f"{contact.name}: {what} at position angle {contact.position_angle_deg:.1f}\N{DEGREE SIGN}",
        fontsize=10.5, color=_INK, loc="left",
    )  # fmt: skip


def _list(axes: Axes, contact: LimbContact, beads: list[Bead], zone: str) -> None:
    """Write the numbered beads with position angle, start and end."""
    axes.axis("off")
    mark = {"o": "\N{BLACK CIRCLE}", "^": "\N{BLACK UP-POINTING TRIANGLE}"}[_MARKS[contact.name]]
    lines = [
        f"{mark}{number} {bead.position_angle_deg:6.1f}\N{DEGREE SIGN}  {_clock(bead.starts_utc_ns, zone)} to "
        f"{_clock(bead.ends_utc_ns, zone)}"
        for number, bead in enumerate(beads, 1)
    ]
    half = (len(lines) + 1) // 2
    for column, part in ((0.0, lines[:half]), (0.51, lines[half:])):
        axes.text(
            column, 0.72, "\n".join(part), fontsize=8, family="DejaVu Sans Mono", va="top", color=_INK,
            linespacing=1.5, transform=axes.transAxes,
        )  # fmt: skip
    axes.text(
        0.0, 0.98,
        f"{contact.name} at {_clock(contact.utc_ns, zone)} ({zone}), {abs(contact.shift_s):.1f} s "
        f"{'later' if contact.shift_s > 0 else 'earlier'} than with the mean limb. "
        f"{'Longest beads:' if beads else 'No beads.'}",
        fontsize=8.5, va="top", color=_INK, transform=axes.transAxes,
    )  # fmt: skip


def _clock(instant_ns: int, zone: str) -> str:
    moment = utc_datetime(instant_ns + 50_000_000).astimezone(ZoneInfo(zone))
    return f"{moment:%H:%M:%S}.{moment.microsecond // 100_000}"
