"""Time-lapses: which pictures of a repeating shot are evenly spaced, and how the Sun wandered through them.

The Sun's edge is found where a picture is half as bright as the crescent, to a part of a pixel. Only points whose
bright side lies towards the centre belong to the Sun; those of the Moon's bite have it away from the centre, and
fall out, as does whatever else is not on the circle (random samples, then least squares on what agrees).
"""

from __future__ import annotations

import math
import statistics
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from controller.account.pictures.drawing import one_plot
from controller.account.pictures.taken import (
    Taken,
    UnreadableError,
    code_of,
    exposure_words,
    green_codes,
    linear,
)
from controller.timeline.model import Timeline
from controller.units import NS_PER_S, FilterState

LEAST_PICTURES = 5
"""Fewer of a shot are no time-lapse."""
TOLERANCE_OF_STEP = 0.1
"""How far a picture may be off its place, as a part of the step between places."""
_LEAST_TOLERANCE_S = 0.2
_LEAST_LEVEL = 0.02
"""A picture whose brightest parts are below this fraction of saturation shows no edge."""
_LEAST_POINTS = 24
_MOST_POINTS = 600
_NEAR_PX = 1.0
"""So far from the circle a point of the edge belongs to it."""
_TRIES = 400
_AROUND_PX = 8
_REACH_PX, _FINE_PX = 4.0, 0.25
"""How far to both sides of it the steepest place of the edge is looked for, and in which steps."""
_EDGE_PX = 0.1
"""How far the steepest place lies from the true edge differently along it (found on rendered pictures: 0.05)."""
_SURE_PX = 0.12
"""A centre at least so certain has a radius that others can be measured with."""

_Array = NDArray[np.float64]


# --- even spacing -------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class Gap:
    """A place in the sequence that no picture fits."""

    from_utc_ns: int
    """The first empty place."""
    until_utc_ns: int
    """The last empty place in a row."""
    places: int


@dataclass(frozen=True, kw_only=True)
class Spacing:
    """Pictures at even steps."""

    step_s: float
    tolerance_s: float
    chosen: tuple[Taken, ...]
    gaps: tuple[Gap, ...]
    worst_off_s: float
    """The farthest that a chosen picture is from its place, seconds."""


def evenly_spaced(taken: Sequence[Taken], *, step_s: float | None = None) -> Spacing:
    """Return which pictures stand at even steps, within `TOLERANCE_OF_STEP`, and where none does.

    Args:
        taken: two pictures or more.
        step_s: from place to place, seconds; the usual one between them when None.

    Raises:
        ValueError: with fewer than two pictures, or a step that is not above zero.
    """
    ordered = sorted(taken, key=lambda one: one.opened_utc_ns)
    if len(ordered) < 2 or (step_s is not None and step_s <= 0):
        raise ValueError("even spacing needs two pictures and a step above zero")
    times = np.array([one.opened_utc_ns - ordered[0].opened_utc_ns for one in ordered]) / NS_PER_S
    step = step_s or statistics.median(np.diff(times).tolist()) or 1.0
    tolerance = max(TOLERANCE_OF_STEP * step, _LEAST_TOLERANCE_S)
    step = _refined(times, step, tolerance) if step_s is None else step
    start = _best_start(times, step, tolerance)
    chosen: dict[int, int] = {}
    for number, (place, off) in enumerate(zip(*_places(times, start, step), strict=True)):
        held = chosen.get(place)
        if abs(off) <= tolerance and (held is None or abs(off) < abs(times[held] - start - place * step)):
            chosen[place] = number
    first, last = min(chosen), max(chosen)
    offs = [abs(times[number] - start - place * step) for place, number in chosen.items()]
    begins = ordered[0].opened_utc_ns + start * NS_PER_S
    return Spacing(
        step_s=step,
        tolerance_s=tolerance,
        chosen=tuple(ordered[chosen[place]] for place in sorted(chosen)),
        gaps=tuple(
            Gap(
                from_utc_ns=round(begins + low * step * NS_PER_S),
                until_utc_ns=round(begins + high * step * NS_PER_S),
                places=high - low + 1,
            )
            for low, high in _runs([place for place in range(first, last + 1) if place not in chosen])
        ),
        worst_off_s=max(offs),
    )


def _places(times: _Array, start: float, step: float) -> tuple[list[int], list[float]]:
    places = np.round((times - start) / step)
    return places.astype(int).tolist(), (times - start - places * step).tolist()


def _refined(times: _Array, step: float, tolerance: float) -> float:
    """Return the step that fits all pictures best: a median's error would add up over hundreds of places."""
    places = np.cumsum(np.concatenate([[0], np.round(np.diff(times) / step)]))
    steps = np.diff(times) / np.maximum(np.diff(places), 1)
    if places[-1] <= 0 or np.mean(np.abs(steps - step) <= tolerance) < 0.5:
        return step
    return float(np.polyfit(places, times, 1)[0])


def _best_start(times: _Array, step: float, tolerance: float) -> float:
    """Return the first place that lets most pictures stand within the tolerance, and nearest to their places."""
    best, most = 0.0, (-1, -math.inf)
    for start in sorted({float(time % step) for time in times}):
        places, offs = _places(times, start, step)
        inside = [abs(off) for off in offs if abs(off) <= tolerance]
        filled = len({place for place, off in zip(places, offs, strict=True) if abs(off) <= tolerance})
        if (filled, -sum(inside)) > most:
            best, most = start, (filled, -sum(inside))
    return best


def _runs(numbers: Sequence[int]) -> list[tuple[int, int]]:
    runs: list[tuple[int, int]] = []
    for number in numbers:
        if runs and number == runs[-1][1] + 1:
            runs[-1] = (runs[-1][0], number)
        else:
            runs.append((number, number))
    return runs


# --- the Sun's edge -----------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class SunFound:
    """The Sun's edge in a picture, as a circle; pixels from the middle of the upper left one."""

    right_px: float
    down_px: float
    radius_px: float
    spread_px: float
    """Root mean square distance of the edge's points from the circle."""
    uncertainty_px: float
    """Standard uncertainty of the centre, in its worse direction: from that spread, and `_EDGE_PX`."""
    points: int


class _Circle:
    """A circle through points of an edge that know on which side it is bright: (right, down, and that direction)."""

    def __init__(self, right: float, down: float, radius: float) -> None:
        self.right, self.down, self.radius = right, down, radius

    @classmethod
    def from_estimate(cls, points: _Array) -> _Circle | None:
        """Return the circle of least squares, or None where there is none (points on a line)."""
        x, y = points[:, 0], points[:, 1]
        mx, my = float(x.mean()), float(y.mean())
        design = np.column_stack([2 * (x - mx), 2 * (y - my), np.ones(len(x))])
        (a, b, c), _, rank, _ = np.linalg.lstsq(design, (x - mx) ** 2 + (y - my) ** 2, rcond=None)
        square = float(c + a * a + b * b)
        if rank < 3 or not 0 < square < 1e12:
            return None
        made = cls(mx + float(a), my + float(b), math.sqrt(square))
        return made.polished(points) if len(x) > 3 else made

    def polished(self, points: _Array, *, radius_fixed: bool = False) -> _Circle:
        """Return the circle with the least squared distances; the linear solution is drawn inwards by noise."""
        circle = self
        for _ in range(10):
            design = circle.design(points)[:, : 2 if radius_fixed else 3]
            step = [*np.linalg.lstsq(design, circle.off(points), rcond=None)[0].tolist(), 0.0]
            circle = _Circle(circle.right + step[0], circle.down + step[1], circle.radius + step[2])
            if max(map(abs, step)) < 1e-6:
                break
        return circle

    def off(self, points: _Array) -> _Array:
        """Return how far points are outside the circle, pixels."""
        made: _Array = np.hypot(points[:, 0] - self.right, points[:, 1] - self.down) - self.radius
        return made

    def design(self, points: _Array) -> _Array:
        """Return how that changes with centre and radius, but for the sign."""
        dx, dy = points[:, 0] - self.right, points[:, 1] - self.down
        far = np.maximum(np.hypot(dx, dy), 1e-9)
        return np.column_stack([dx / far, dy / far, np.ones(len(far))])

    def residuals(self, points: _Array) -> _Array:
        """Return each point's distance from the circle; far more than that where it is bright on the outside."""
        dx, dy = points[:, 0] - self.right, points[:, 1] - self.down
        inward = -(dx * points[:, 2] + dy * points[:, 3]) > 0
        made: _Array = np.where(inward, np.abs(self.off(points)), 1e6)
        return made


def find_sun(path: Path) -> SunFound | None:
    """Return the Sun's edge in a filtered picture, a crescent as well; None where there is no such edge.

    Raises:
        UnreadableError: if there is no picture that can be read.
    """
    return circle_of(edge_in(path))


def edge_in(path: Path) -> _Array:
    """Return points of the Sun's edge in a filtered picture: right and down, pixels; none where there is no edge.

    Raises:
        UnreadableError: if there is no picture that can be read.
    """
    from skimage.measure import ransac

    none: _Array = np.empty((0, 2))
    cut = _bright_part(green_codes(path))
    if cut is None:
        return none
    levels, corner, half = cut
    points = _half_bright(levels, half)
    if len(points) < _LEAST_POINTS:
        return none
    sampled = points[:: max(1, len(points) // _MOST_POINTS)]
    with np.errstate(all="ignore"):
        circle = _quietly(
            lambda: ransac(
                sampled, _Circle, min_samples=3, residual_threshold=_NEAR_PX, max_trials=_TRIES,
                stop_probability=1.0, rng=0,
            )[0]
        )  # fmt: skip
    if circle is None:
        return none
    agree = circle.residuals(points) <= _NEAR_PX
    return _steepest(levels, circle, points[agree]) + corner


def circle_of(edge: _Array, radius_px: float | None = None) -> SunFound | None:
    """Return the circle through points of an edge, or None where there are too few.

    A thin crescent tells its centre badly; with the radius known from the others it tells it well.

    Args:
        edge: right and down, pixels.
        radius_px: None to find it as well.
    """
    near, circle = edge, _fitted(edge, radius_px)
    for _ in range(3):
        if circle is None:
            return None
        off = np.abs(circle.off(edge))
        near = edge[off <= max(3 * float(np.median(off)), 0.15)]
        circle = _fitted(near, radius_px)
    if circle is None:
        return None
    spread = float(np.sqrt(np.mean(circle.off(near) ** 2)))
    design = circle.design(near)[:, : 3 if radius_px is None else 2]
    # neighbouring points share the pixels that they come from: about two of them stand for one
    covariance = np.linalg.pinv(design.T @ design) * 2 * spread**2
    return SunFound(
        right_px=circle.right,
        down_px=circle.down,
        radius_px=circle.radius,
        spread_px=spread,
        uncertainty_px=math.hypot(math.sqrt(float(np.linalg.eigvalsh(covariance[:2, :2]).max())), _EDGE_PX),
        points=len(near),
    )


def _fitted(points: _Array, radius_px: float | None) -> _Circle | None:
    circle = _Circle.from_estimate(points) if len(points) >= _LEAST_POINTS else None
    if circle is None or radius_px is None:
        return circle
    return _Circle(circle.right, circle.down, radius_px).polished(points, radius_fixed=True)


def _steepest(levels: NDArray[np.float32], circle: _Circle, points: _Array) -> _Array:
    """Return the places along the Sun's radii at which its light falls off most steeply.

    Half of the disk's brightness lies inside the edge, the more so the more of the dark limb is all that is left;
    the steepest place does not move so.
    """
    angle = np.arctan2(points[:, 1] - circle.down, points[:, 0] - circle.right)
    reach = np.arange(-_REACH_PX, _REACH_PX + 0.01, _FINE_PX)
    far = (np.hypot(points[:, 0] - circle.right, points[:, 1] - circle.down))[:, None] + reach
    x, y = circle.right + far * np.cos(angle)[:, None], circle.down + far * np.sin(angle)[:, None]
    height, width = levels.shape
    inside = ((x >= 0) & (x <= width - 1.001) & (y >= 0) & (y <= height - 1.001)).all(axis=1)
    if not inside.any():
        return np.empty((0, 2))
    x, y, far, angle = x[inside], y[inside], far[inside], angle[inside]
    i, j = x.astype(int), y.astype(int)
    u, v = x - i, y - j
    light = (levels[j, i] * (1 - u) + levels[j, i + 1] * u) * (1 - v) + (
        levels[j + 1, i] * (1 - u) + levels[j + 1, i + 1] * u
    ) * v
    fall = np.maximum(light[:, :-2] - light[:, 2:], 0.0)
    middle = far[:, 1:-1]
    peak = np.take_along_axis(middle, fall.argmax(axis=1)[:, None], axis=1)
    weight = np.where(np.abs(middle - peak) <= 1.0, fall, 0.0)
    total = weight.sum(axis=1)
    at = (weight * middle).sum(axis=1)[total > 0] / total[total > 0]
    angle = angle[total > 0]
    return np.column_stack([circle.right + at * np.cos(angle), circle.down + at * np.sin(angle)])


def _quietly(find: Callable[[], _Circle | None]) -> _Circle | None:
    """Return what was found without the library's warning that nothing was: None says so."""
    import warnings

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return find()


def _bright_part(codes: NDArray[np.uint8]) -> tuple[NDArray[np.float32], _Array, float] | None:
    """Return levels of the part of a picture around what is bright, its corner (right, down), and half of bright.

    By counting codes, so that a picture of many millions of pixels costs no more than it has to.
    """
    counts = np.bincount(codes.ravel(), minlength=256)
    every = linear(np.arange(256, dtype=np.uint8))
    top = every[int(np.searchsorted(np.cumsum(counts), 0.999 * codes.size))]
    if top < _LEAST_LEVEL:
        return None
    counts[every < top / 3] = 0
    bright = float(every[int(np.searchsorted(np.cumsum(counts), counts.sum() / 2))])
    seen = codes >= code_of(bright / 4)
    rows, columns = np.nonzero(seen.any(axis=1))[0], np.nonzero(seen.any(axis=0))[0]
    low, left = max(0, int(rows[0]) - _AROUND_PX), max(0, int(columns[0]) - _AROUND_PX)
    part = codes[low : int(rows[-1]) + _AROUND_PX + 1, left : int(columns[-1]) + _AROUND_PX + 1]
    if min(part.shape) < 2 * _AROUND_PX:
        return None
    return linear(part), np.array([left, low], dtype=np.float64), bright / 2


def _half_bright(levels: NDArray[np.float32], half: float) -> _Array:
    """Return points where a picture is half as bright as its bright part: right, down, and towards the light."""
    from skimage.measure import find_contours

    part = levels.astype(np.float64)
    down: _Array = np.asarray(np.gradient(part, axis=0))
    right: _Array = np.asarray(np.gradient(part, axis=1))
    made = []
    for line in find_contours(part, half):
        if len(line) < 8:
            continue
        y, x = line[:, 0], line[:, 1]
        i = np.clip(np.round(y).astype(int), 0, part.shape[0] - 1)
        j = np.clip(np.round(x).astype(int), 0, part.shape[1] - 1)
        made.append(np.column_stack([x, y, right[i, j], down[i, j]]))
    return np.concatenate(made) if made else np.empty((0, 4))


# --- a time-lapse and its drift -----------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class Drift:
    """How the Sun's centre moved through a row of pictures."""

    right_px_per_min: float
    down_px_per_min: float
    off_line_px: float
    """Root mean square distance from even motion."""
    farthest_px: float
    """Of any picture from the first."""
    radius_px: float
    """Of the Sun, the same in all of them."""


@dataclass(frozen=True, kw_only=True)
class Lapse:
    """A repeating shot of one rig in one phase, at one exposure."""

    rig: str
    phase: str
    shot: str
    exposure: str
    spacing: Spacing
    suns: tuple[SunFound | None, ...]
    """Of each chosen picture; None where no edge was found."""

    @property
    def drift(self) -> Drift | None:
        """Return the Sun's motion; None with fewer than three edges."""
        found = [(one, sun) for one, sun in zip(self.spacing.chosen, self.suns, strict=True) if sun]
        if len(found) < 3:
            return None
        minutes = (
            np.array([one.middle_utc_ns - found[0][0].middle_utc_ns for one, _ in found]) / NS_PER_S / 60
        )
        places = np.array([[sun.right_px, sun.down_px] for _, sun in found])
        design = np.column_stack([minutes, np.ones(len(minutes))])
        line = np.linalg.lstsq(design, places, rcond=None)[0]
        off = places - design @ line
        return Drift(
            right_px_per_min=float(line[0, 0]),
            down_px_per_min=float(line[0, 1]),
            off_line_px=float(np.sqrt(np.mean(np.sum(off**2, axis=1)))),
            farthest_px=float(np.hypot(*(places - places[0]).T).max()),
            radius_px=statistics.median(sun.radius_px for _, sun in found),
        )

    def words(self) -> list[str]:
        """Return what there is to say of it, one sentence each."""
        one = self.spacing
        said = [
            f"{len(one.chosen)} pictures every {one.step_s:.1f} s, at most {one.worst_off_s:.2f} s off their places."
        ]
        said += [
            f"{gap.places} {'picture is' if gap.places == 1 else 'pictures are'} lacking "
            + (
                f"from {_clock(gap.from_utc_ns)} to {_clock(gap.until_utc_ns)} UTC."
                if gap.places > 1
                else f"at {_clock(gap.from_utc_ns)} UTC."
            )
            for gap in one.gaps
        ]
        drift, blind = self.drift, sum(sun is None for sun in self.suns)
        if drift is not None:
            said.append(
                f"The Sun moves {_signed(drift.right_px_per_min)} pixels a minute to the right and "
                f"{_signed(drift.down_px_per_min)} down, {drift.off_line_px:.2f} about a straight line; it is at most "
                f"{drift.farthest_px:.1f} pixels from where it began. Its radius is {drift.radius_px:.1f} pixels."
            )
        if blind:
            said.append(
                f"In {blind} of them no edge of the Sun is found (cloud, or the Sun is out of the frame)."
            )
        return said


def _signed(value: float) -> str:
    """Return a figure with its sign; nothing has none."""
    return f"{round(value, 2) + 0.0:+.2f}"


def _clock(instant_ns: int) -> str:
    from controller.units import utc_datetime

    return utc_datetime(instant_ns + NS_PER_S // 2).strftime("%H:%M:%S")


def lapses(
    timeline: Timeline, taken: Sequence[Taken], *, tell: Callable[[], object] | None = None
) -> list[Lapse]:
    """Return the time-lapses of all rigs: repeating shots of filtered phases, at their most frequent exposure.

    Args:
        timeline: of the run.
        taken: its pictures.
        tell: is called after each file that has been read.
    """
    groups: dict[tuple[str, str, str], list[Taken]] = {}
    at_sun = {rig.name for rig in timeline.rigs if rig.points_at_sun}
    for one in sorted(taken, key=lambda one: one.opened_utc_ns):
        if one.frame.rig in at_sun and one.frame.filter_need is FilterState.ON:
            groups.setdefault((one.frame.rig, one.frame.phase, one.frame.shot), []).append(one)
    made = []
    for (rig, phase, shot), members in groups.items():
        words, _ = Counter(exposure_words(one.settings) for one in members).most_common(1)[0]
        same = [one for one in members if exposure_words(one.settings) == words]
        if len({one.frame.take for one in same}) < LEAST_PICTURES:
            continue
        spacing = evenly_spaced(same)
        edges = []
        for one in spacing.chosen:
            try:
                edges.append(edge_in(one.path))
            except UnreadableError:
                edges.append(np.empty((0, 2)))
            if tell is not None:
                tell()
        suns = _with_one_radius(edges)
        made.append(Lapse(rig=rig, phase=phase, shot=shot, exposure=words, spacing=spacing, suns=tuple(suns)))
    return made


def _with_one_radius(edges: Sequence[_Array]) -> list[SunFound | None]:
    """Return the circles through edges, all with the radius of the surest of them: the Sun's does not change."""
    alone = [circle_of(edge) for edge in edges]
    radii = [sun.radius_px for sun in alone if sun is not None and sun.uncertainty_px <= _SURE_PX]
    if not radii:
        return alone
    radius_px = statistics.median(radii)
    return [
        None if sun is None else circle_of(edge, radius_px) for sun, edge in zip(alone, edges, strict=True)
    ]


LAPSE_HEADINGS = (
    "name", "utc_ns", "sun_right_px", "sun_down_px", "radius_px", "spread_px", "uncertainty_px",
)  # fmt: skip


def lapse_rows(lapse: Lapse) -> list[tuple[str, ...]]:
    """Return a row for each chosen picture, under `LAPSE_HEADINGS`; empty cells where no edge was found."""
    rows = []
    for one, sun in zip(lapse.spacing.chosen, lapse.suns, strict=True):
        figures = (
            [""] * 5
            if sun is None
            else [
                f"{value:.3f}"
                for value in (
                    sun.right_px,
                    sun.down_px,
                    sun.radius_px,
                    sun.spread_px,
                    sun.uncertainty_px,
                )
            ]
        )
        rows.append((one.path.name, str(one.middle_utc_ns), *figures))
    return rows


def plot(lapse: Lapse, file: BinaryIO) -> None:
    """Draw how the Sun's centre moved from where it was first found; PNG."""
    with one_plot(file, f"{lapse.shot} in {lapse.phase} on {lapse.rig}") as axes:
        found = [(one, sun) for one, sun in zip(lapse.spacing.chosen, lapse.suns, strict=True) if sun]
        if found:
            begins, first = found[0][0].middle_utc_ns, found[0][1]
            minutes = [(one.middle_utc_ns - begins) / NS_PER_S / 60 for one, _ in found]
            for label, mark, values in (
                ("to the right", "o", [sun.right_px - first.right_px for _, sun in found]),
                ("down", "s", [sun.down_px - first.down_px for _, sun in found]),
            ):
                axes.errorbar(
                    minutes, values, yerr=[sun.uncertainty_px for _, sun in found], fmt=mark, ms=4, color="#111111",
                    mfc="#111111" if mark == "o" else "white", lw=0.8, label=label,
                )  # fmt: skip
            axes.legend(frameon=True, fontsize=8)
        axes.set_xlabel(f"minutes from {_clock(found[0][0].middle_utc_ns)} UTC" if found else "no edge found")
        axes.set_ylabel("the Sun's centre, pixels")
