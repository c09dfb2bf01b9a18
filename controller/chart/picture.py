"""The map as a picture: the whole path on one hemisphere, and the country around a site.

Lines differ by dash and weight as well as by colour, so that a grey print and a colour-blind reader lose
nothing. Colours are Okabe and Ito's.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from controller.chart.coast import outlines
from controller.chart.files import Survey, direction, line_title
from controller.chart.window import Window
from controller.errors import UsageError
from controller.sky.batch import circumstances_at_many
from controller.sky.model import Kind
from controller.sky.path import Line, Row
from controller.units import utc_iso

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Array = NDArray[np.float64]
_LAND, _WATER, _SHORE, _GRID = "#EFECE4", "#FFFFFF", "#8A8577", "#B9B9B9"
_CENTRAL: dict[str, Any] = {"color": "#000000", "linewidth": 1.8, "linestyle": "-"}
_LIMIT: dict[str, Any] = {"color": "#D55E00", "linewidth": 1.5, "linestyle": (0, (5, 2))}
_EDGE: dict[str, Any] = {"color": "#777777", "linewidth": 1.0, "linestyle": (0, (1, 2))}
_TIME: dict[str, Any] = {"color": "#0072B2", "linewidth": 0.9, "linestyle": "-"}
_SHARE: dict[str, Any] = {"colors": "#666666", "linewidths": 0.6, "linestyles": "dotted"}
_LASTS: dict[str, Any] = {"colors": "#009E73", "linewidths": 0.8, "linestyles": "dashdot"}
_HALO = "#FFFFFF"
_WHOLE_KM = 9_900.0
_NEAR_KM = 1200.0
"""Lines farther than this from the site are no reason to draw so much of the Earth around it."""
_TIME_STEPS_S = (5, 10, 30, 60, 120, 300, 600, 1200)
_LENGTH_STEPS_S = (1, 2, 5, 10, 20, 30, 60, 120)
_NICE_KM = (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000)


@dataclass(frozen=True)
class _Sheet:
    """One window drawn on one pair of axes."""

    axes: Axes
    window: Window
    is_round: bool

    def line(self, latitude_deg: Array, longitude_deg: Array, style: dict[str, Any], zorder: float) -> None:
        x, y = self.window.xy(latitude_deg, longitude_deg)
        self._clip(self.axes.plot(x, y, zorder=zorder, solid_capstyle="round", **style)[0])

    def label(self, x: float, y: float, text: str, **style: Any) -> None:  # noqa: ANN401 - the library's options
        from matplotlib.patheffects import withStroke

        edge = self.window.radius_km * (0.97 if not self.is_round else 1.0)
        inside = np.hypot(x, y) < edge if self.is_round else max(abs(x), abs(y)) < edge
        if inside:
            style = {"fontsize": 7, "ha": "center", "va": "center", "zorder": 9, **style}
            drawn = self.axes.text(x, y, text, **style)
            drawn.set_path_effects([withStroke(linewidth=2.2, foreground=_HALO)])

    def _clip(self, artist: Any) -> None:  # noqa: ANN401 - any of the library's artists
        if self.is_round:
            artist.set_clip_path(self.axes.patch)


def draw(survey: Survey, target: Path) -> None:
    """Draw the map and write it as PNG (or whatever matplotlib makes of the file name's ending).

    Raises:
        UsageError: if the file cannot be written or its ending is no kind of picture.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    with_site = survey.site is not None
    figure = Figure(figsize=(11.7, 7.4) if with_site else (8.3, 8.9), dpi=160, facecolor="white")
    FigureCanvasAgg(figure)
    figure.suptitle(survey.title, fontsize=14, fontweight="bold", x=0.02, ha="left", y=0.975)
    if with_site:
        whole = figure.add_axes((0.015, 0.20, 0.44, 0.70))
        near = figure.add_axes((0.52, 0.20, 0.455, 0.70))
        _draw_near(survey, near)
        figure.text(0.52, 0.145, "\n".join(site_facts(survey)), fontsize=8.5, va="top", linespacing=1.4)
        legend_at = (0.015, 0.02)
    else:
        whole = figure.add_axes((0.03, 0.14, 0.94, 0.76))
        legend_at = (0.03, 0.02)
    _draw_whole(survey, whole)
    figure.legend(
        handles=_legend(survey),
        loc="lower left",
        bbox_to_anchor=legend_at,
        ncols=2,
        fontsize=8,
        frameon=False,
        handlelength=4.0,
    )
    try:
        figure.savefig(target)
    except (OSError, ValueError) as problem:
        reason = getattr(problem, "strerror", None) or problem
        raise UsageError(
            f"{target} cannot be drawn ({reason}). Mend: give a .png, .pdf or .svg file in a folder that is there."
        ) from None


def site_facts(survey: Survey) -> list[str]:
    """Return what to say of the site, one sentence a line."""
    site, stands = survey.site, survey.standing
    if site is None or stands is None:
        return []
    name = survey.site_name[:1].upper() + survey.site_name[1:]
    if stands.duration_s > 0:
        phase = "Totality" if stands.kind is Kind.TOTAL else "Annularity"
        facts = [f"{name}: {phase.lower()} lasts {_minutes(stands.duration_s)}."]
    else:
        facts = [f"{name}: {'nothing is seen' if stands.kind is Kind.NONE else 'partial only'}."]
    if stands.central:
        facts.append(
            f"Central line {stands.central.distance_km:.1f} km to the {direction(stands.central.bearing_deg)}"
            f" ({stands.central.bearing_deg:.0f}°)."
        )
    if stands.limit:
        facts.append(
            f"Nearest limit {stands.limit.distance_km:.1f} km to the {direction(stands.limit.bearing_deg)} "
            f"({stands.limit.bearing_deg:.0f}°), the {line_title(_nearest_line(survey))}."
        )
    if stands.central and stands.moved_km > 0 and not stands.kind is stands.moved_kind is Kind.NONE:
        facts.append(_move_sentence(survey))
    return facts


def _move_sentence(survey: Survey) -> str:
    stands = survey.standing
    if stands is None:
        return ""
    way = f"{stands.moved_km:.1f} km towards the central line"
    if stands.moved_duration_s <= 0:
        return f"Moving {way} still brings a partial eclipse only."
    if stands.duration_s <= 0:
        return f"Moving {way} brings {_minutes(stands.moved_duration_s)} of it."
    return f"Moving {way} changes it by {stands.gain_s:+.1f} s."


def _nearest_line(survey: Survey) -> Line:
    limit = survey.standing.limit if survey.standing else None
    for line in survey.path.limits:
        if limit is not None and (line.name, line.kind) == (limit.line, limit.kind):
            return line
    return survey.path.limits[0]


def _minutes(seconds: float) -> str:
    minutes, rest = divmod(round(seconds, 1), 60)
    return f"{int(minutes)} min {rest:04.1f} s" if minutes else f"{rest:.1f} s"


def _draw_whole(survey: Survey, axes: Axes) -> None:
    from matplotlib.patches import Circle

    latitude, longitude = _middle(survey)
    sheet = _Sheet(axes, Window(latitude, longitude, _WHOLE_KM), is_round=True)
    axes.set_xlim(-_WHOLE_KM, _WHOLE_KM)
    axes.set_ylim(-_WHOLE_KM, _WHOLE_KM)
    axes.set_aspect("equal")
    axes.set_axis_off()
    axes.patch = Circle((0, 0), _WHOLE_KM, transform=axes.transData)  # what everything is clipped to
    axes.add_patch(Circle((0, 0), _WHOLE_KM, facecolor=_WATER, edgecolor="none", zorder=0))
    axes.add_patch(Circle((0, 0), _WHOLE_KM, facecolor="none", edgecolor="black", linewidth=1.0, zorder=10))
    _land(sheet, fine=False, least_km2=300)
    _graticule(sheet, 20.0)
    _shares(sheet, survey)
    for line in survey.path.isochrones(1800):
        sheet.line(line.latitude_deg, line.longitude_deg, {**_TIME, "linewidth": 0.6}, 4)
    for line in survey.path.partial_limits:
        sheet.line(line.latitude_deg, line.longitude_deg, _EDGE, 4)
    _path(sheet, survey)
    for row in survey.rows:
        if row.utc_ns % 1_800_000_000_000 == 0:
            _mark_time(sheet, row)
    if survey.site is not None:
        _mark_site(sheet, survey, 9)
    axes.set_title(
        "The whole path, on the half of the Earth around its middle; times UTC", fontsize=9, loc="left"
    )


def _draw_near(survey: Survey, axes: Axes) -> None:
    site, stands = survey.site, survey.standing
    if site is None or stands is None:
        return
    ways = [nearest.distance_km for nearest in (stands.central, stands.limit) if nearest is not None]
    radius = float(np.clip(1.35 * max([way for way in ways if way < _NEAR_KM], default=300.0), 60, 1600))
    sheet = _Sheet(axes, Window(site.latitude_deg, site.longitude_deg, radius), is_round=False)
    axes.set_xlim(-radius, radius)
    axes.set_ylim(-radius, radius)
    axes.set_aspect("equal")
    axes.set_xticks([])
    axes.set_yticks([])
    axes.set_facecolor(_WATER)
    _land(sheet, fine=True, least_km2=(radius / 200) ** 2)
    _graticule(sheet, _nice_degrees(radius), label=True)
    _inside(sheet, survey)
    _near_fields(sheet, survey)
    _path(sheet, survey)
    _rings(sheet)
    if stands.central is not None:
        x, y = sheet.window.xy(
            np.array([stands.central.latitude_deg]), np.array([stands.central.longitude_deg])
        )
        if np.isfinite(x[0]):
            axes.plot([0, x[0]], [0, y[0]], color="black", linewidth=0.8, linestyle=(0, (2, 2)), zorder=6)
            if np.hypot(x[0], y[0]) > 0.12 * radius:
                sheet.label(0.6 * x[0], 0.6 * y[0], f"{stands.central.distance_km:.0f} km", fontsize=8)
    _mark_site(sheet, survey, 13)
    _scale_bar(sheet)
    axes.set_title(
        f"Around {survey.site_name}: north is up, rings are distances from it; times UTC",
        fontsize=9,
        loc="left",
    )


def _middle(survey: Survey) -> tuple[float, float]:
    lines = survey.path.central or survey.path.limits
    if lines:
        line = max(lines, key=len)
        if survey.rows:
            row = survey.rows[len(survey.rows) // 2]
            return row.latitude_deg, row.longitude_deg
        return float(line.latitude_deg[len(line) // 2]), float(line.longitude_deg[len(line) // 2])
    edge = survey.path.partial_limits
    if edge:
        # Half-way to the pole that the shadow's axis passes beyond.
        line = max(edge, key=len)
        latitude = float(line.latitude_deg[len(line) // 2])
        return (latitude + (90.0 if "southern" in line.name else -90.0)) / 2, float(
            line.longitude_deg[len(line) // 2]
        )
    return (0.0, 0.0) if survey.site is None else (survey.site.latitude_deg, survey.site.longitude_deg)


def _land(sheet: _Sheet, *, fine: bool, least_km2: float) -> None:
    from matplotlib.collections import PathCollection
    from matplotlib.path import Path as Ring

    shores: list[Array] = []
    shapes: dict[bool, list[Ring]] = {False: [], True: []}
    for outline in sheet.window.near([one for one in outlines(fine) if one.area_km2 >= least_km2]):
        rings = sheet.window.area(outline)
        if rings:
            closed = (Ring(ring, closed=True) for ring in rings)
            shapes[outline.is_water].append(Ring.make_compound_path(*closed))
            shores += [sheet.window.shore(outline), np.full((1, 2), np.nan)]
    for is_water, found in shapes.items():
        filled = PathCollection(
            found, facecolors=_WATER if is_water else _LAND, edgecolors="none", zorder=1 + is_water / 5
        )
        sheet.axes.add_collection(filled, autolim=False)
        sheet._clip(filled)
    if shores:
        line = np.concatenate(shores)
        sheet._clip(sheet.axes.plot(line[:, 0], line[:, 1], color=_SHORE, linewidth=0.5, zorder=2)[0])


def _graticule(sheet: _Sheet, step: float, *, label: bool = False) -> None:
    window = sheet.window
    edge = np.linspace(-1, 1, 41) * window.radius_km
    x, y = (part.ravel() for part in np.meshgrid(edge, edge))
    latitude, longitude = window.place(x, y)
    keep = np.hypot(x, y) <= window.reach_km
    latitude, longitude = latitude[keep], longitude[keep]
    style = {"color": _GRID, "linewidth": 0.5, "linestyle": "-"}
    span_deg = window.radius_km / 111
    polar = abs(window.latitude_deg) + 1.5 * span_deg > 88
    around = (longitude - window.longitude_deg + 180) % 360 - 180
    low, high = (-180.0, 180.0) if polar else (float(around.min()), float(around.max()))
    parallels = np.arange(np.ceil(latitude.min() / step), np.floor(latitude.max() / step) + 1) * step
    wide = step * 2 if abs(window.latitude_deg) > 65 and not sheet.is_round else step
    first = np.ceil((window.longitude_deg + low) / wide)
    last = np.floor((window.longitude_deg + high) / wide)
    meridians = np.arange(first, last + 1) * wide
    for parallel in parallels[np.abs(parallels) < 89.9]:
        along = window.longitude_deg + np.linspace(low - 2, high + 2, 361)
        sheet.line(np.full(361, parallel), along, style, 3)
        if label:
            _label_edge(sheet, np.full(361, parallel), along, _degrees(parallel, "N", "S"), left=True)
    top = min(89.0, float(latitude.max()) + 2)
    bottom = max(-89.0, float(latitude.min()) - 2)
    for meridian in meridians:
        along = np.linspace(bottom, top, 361)
        sheet.line(along, np.full(361, meridian), style, 3)
        if label:
            east = (meridian + 180) % 360 - 180
            _label_edge(sheet, along, np.full(361, meridian), _degrees(east, "E", "W"), left=False)


def _label_edge(sheet: _Sheet, latitude: Array, longitude: Array, text: str, *, left: bool) -> None:
    """Write a coordinate outside the frame, where its line meets the left or the lower edge."""
    x, y = sheet.window.xy(latitude, longitude)
    radius = sheet.window.radius_km
    along, across = (x, y) if left else (y, x)
    crossing = np.flatnonzero(np.diff(np.sign(along + radius)) != 0)
    for i in crossing:
        if np.isfinite(along[i : i + 2]).all() and abs(across[i]) < radius * 0.98:
            share = (-radius - along[i]) / (along[i + 1] - along[i])
            at = float(across[i] + share * (across[i + 1] - across[i]))
            style: dict[str, Any] = {"fontsize": 7, "color": "#555555"}
            if left:
                sheet.axes.text(-radius * 1.012, at, text, ha="right", va="center", **style)
            else:
                sheet.axes.text(at, -radius * 1.02, text, ha="center", va="top", **style)
            return


def _degrees(value: float, positive: str, negative: str) -> str:
    text = f"{abs(value):.4f}".rstrip("0").rstrip(".")
    return f"{text}°{positive if value > 0 else negative if value < 0 else ''}"


def _nice_degrees(radius_km: float) -> float:
    for step in (0.1, 0.2, 0.5, 1, 2, 5, 10):
        if 2 * radius_km / 111 / step <= 7:
            return step
    return 20


def _shares(sheet: _Sheet, survey: Survey) -> None:
    """Contour how much of the Sun's diameter is covered at most, where the Sun is up."""
    axis = np.linspace(-1, 1, 101) * sheet.window.radius_km
    x, y = np.meshgrid(axis, axis)
    inside = np.hypot(x, y) < sheet.window.radius_km * 0.999
    latitude, longitude = sheet.window.place(x[inside], y[inside])
    path = survey.path
    seen = circumstances_at_many(
        latitude, longitude, 0.0, path.eclipse_date, constants=path.constants, ephemeris=path.opened_from
    )
    share = np.full(x.shape, np.nan)
    # Past the horizon the figures go on smoothly; only places with the Sun up at mid are drawn.
    share[inside] = np.where(
        seen.sun_altitude_deg > -1, np.where(seen.geometric_kind_code > 0, seen.magnitude, 0.0), np.nan
    )
    drawn = sheet.axes.contour(axis, axis, share, levels=[0.2, 0.4, 0.6, 0.8], zorder=3.5, **_SHARE)
    sheet._clip(drawn)
    sheet.axes.clabel(drawn, fmt=lambda value: f"{value * 100:.0f} %", fontsize=6)


def _path(sheet: _Sheet, survey: Survey) -> None:
    for line in survey.path.limits:
        sheet.line(line.latitude_deg, line.longitude_deg, _LIMIT, 5)
    for line in survey.path.central:
        style = _CENTRAL if line.kind is Kind.TOTAL else {**_CENTRAL, "linestyle": (0, (7, 2, 1, 2))}
        sheet.line(line.latitude_deg, line.longitude_deg, style, 5.5)


def _inside(sheet: _Sheet, survey: Survey) -> None:
    """Tint what lies between the limits."""
    for kind in survey.path.kinds:
        sides = [
            [line for line in survey.path.limits if line.kind is kind and line.name == name]
            for name in ("northern limit", "southern limit")
        ]
        for north, south in zip(*sides, strict=False):
            latitude = np.concatenate([north.latitude_deg, south.latitude_deg[::-1]])
            longitude = np.concatenate([north.longitude_deg, south.longitude_deg[::-1]])
            x, y = sheet.window.xy(latitude, longitude, reach_km=_WHOLE_KM)
            good = np.isfinite(x)
            if good.sum() > 2:
                sheet.axes.fill(
                    x[good], y[good], facecolor="#F0E442", alpha=0.25, edgecolor="none", zorder=2.5
                )


def _near_fields(sheet: _Sheet, survey: Survey) -> None:
    """Contour the instant of mid-eclipse and the length of the central phase over the window."""
    window, path = sheet.window, survey.path
    axis = np.linspace(-1, 1, 81) * window.radius_km
    x, y = np.meshgrid(axis, axis)
    latitude, longitude = (part.ravel() for part in window.place(x, y))
    seen = circumstances_at_many(
        latitude, longitude, 0.0, path.eclipse_date, constants=path.constants, ephemeris=path.opened_from
    )
    up = (seen.kind_code > 0).reshape(x.shape)
    day_ns = 86_400_000_000_000
    midnight_ns = int(seen.mid_utc_ns.min()) // day_ns * day_ns
    mid_s = np.where(up, ((seen.mid_utc_ns - midnight_ns) / 1e9).reshape(x.shape), np.nan)
    lasts_s = np.where(up, seen.seen_duration_s.reshape(x.shape), np.nan)
    _contour(
        sheet, axis, mid_s, _levels(mid_s, _TIME_STEPS_S, 7), _clock, colors=_TIME["color"], linewidths=0.9
    )
    # The square falls to nothing at a limit as evenly as a plane; the length itself falls off an edge there.
    share = float(np.mean(lasts_s > 0))
    levels = _levels(lasts_s, _LENGTH_STEPS_S, max(2, round(7 * share)))
    squared = np.where(lasts_s > 0, lasts_s**2, np.nan)
    _contour(sheet, axis, squared, levels**2, lambda value: _short(value**0.5), **_LASTS)


def _levels(field: Array, steps: tuple[int, ...], most: int) -> Array:
    """Return round values inside a field's range, `most` at most where the steps allow it."""
    known = field[np.isfinite(field) & (field > 0)]
    if not known.size:
        return np.empty(0)
    low, high = float(known.min()), float(known.max())
    step = next((s for s in steps if (high - low) / s <= most), steps[-1])
    levels: Array = np.arange(np.floor(low / step) + 1, np.ceil(high / step)) * step
    return levels


def _contour(
    sheet: _Sheet,
    axis: Array,
    field: Array,
    levels: Array,
    text: Callable[[float], str],
    **style: Any,  # noqa: ANN401
) -> None:
    if levels.size:
        drawn = sheet.axes.contour(axis, axis, field, levels=levels, zorder=4, **style)
        sheet.axes.clabel(drawn, fmt=text, fontsize=7)


def _clock(seconds: float) -> str:
    minutes, rest = divmod(round(seconds) % 86_400, 60)
    return f"{minutes // 60:02d}:{minutes % 60:02d}" + (f":{rest:02d}" if rest else "")


def _short(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes} min" + (f" {rest} s" if rest else "") if minutes else f"{rest} s"


def _rings(sheet: _Sheet) -> None:
    from matplotlib.patches import Circle

    radius = sheet.window.radius_km
    nice = [size for size in _NICE_KM if 0.15 * radius < size < 0.95 * radius][-2:]
    for size in nice:
        ring = Circle(
            (0, 0),
            size,
            facecolor="none",
            edgecolor="#999999",
            linewidth=0.7,
            linestyle=(0, (4, 3)),
            zorder=3.5,
        )
        sheet.axes.add_patch(ring)
        sheet.label(size * 0.7071, -size * 0.7071, f"{size} km", color="#666666", fontsize=7)


def _scale_bar(sheet: _Sheet) -> None:
    radius = sheet.window.radius_km
    length = next(size for size in reversed(_NICE_KM) if size <= 0.5 * radius)
    right, low = 0.94 * radius, -0.93 * radius
    sheet.axes.plot(
        [right - length, right], [low, low], color="black", linewidth=3, solid_capstyle="butt", zorder=9
    )
    sheet.label(right - length / 2, low + 0.045 * radius, f"{length} km", fontsize=8)


def _mark_time(sheet: _Sheet, row: Row) -> None:
    x, y = sheet.window.xy(np.array([row.latitude_deg]), np.array([row.longitude_deg]))
    if np.isfinite(x[0]):
        sheet.axes.plot(x, y, marker="o", markersize=3, color="black", zorder=6)
        sheet.label(float(x[0]), float(y[0]) - 420, utc_iso(row.utc_ns, 0)[11:16], fontsize=7.5)


def _mark_site(sheet: _Sheet, survey: Survey, size: float) -> None:
    site = survey.site
    if site is None:
        return
    x, y = sheet.window.xy(np.array([site.latitude_deg]), np.array([site.longitude_deg]))
    if np.isfinite(x[0]):
        sheet.axes.plot(
            x,
            y,
            marker="*",
            markersize=size,
            markerfacecolor="#F0E442",
            markeredgecolor="black",
            zorder=8,
            linestyle="",
        )


def _legend(survey: Survey) -> list[Any]:
    from matplotlib.lines import Line2D

    path = survey.path
    handles = []
    if any(line.kind is Kind.TOTAL for line in path.central):
        handles.append(Line2D([], [], label="central line, total", **_CENTRAL))
    if any(line.kind is Kind.ANNULAR for line in path.central):
        handles.append(
            Line2D([], [], label="central line, annular", **{**_CENTRAL, "linestyle": (0, (7, 2, 1, 2))})
        )
    if path.limits:
        handles.append(
            Line2D(
                [],
                [],
                label=f"limits of {'the central phase' if path.is_hybrid else _phase(path.limits[0])}",
                **_LIMIT,
            )
        )
    handles.append(Line2D([], [], label="eclipse deepest at this time (UTC)", **_TIME))
    handles.append(
        Line2D(
            [],
            [],
            label="share of the Sun's diameter covered at most",
            color="#666666",
            linewidth=0.8,
            linestyle=":",
        )
    )
    if path.partial_limits:
        handles.append(Line2D([], [], label="nothing is seen beyond", **_EDGE))
    if survey.site is not None:
        if survey.standing and survey.standing.limit and survey.standing.limit.distance_km < _NEAR_KM:
            handles.append(
                Line2D([], [], label="lasts this long", color=_LASTS["colors"], linewidth=0.9, linestyle="-.")
            )
        handles.append(
            Line2D(
                [],
                [],
                label=survey.site_name,
                marker="*",
                markersize=10,
                markerfacecolor="#F0E442",
                markeredgecolor="black",
                linestyle="",
            )
        )
    return handles


def _phase(line: Line) -> str:
    return "totality" if line.kind is Kind.TOTAL else "annularity"
