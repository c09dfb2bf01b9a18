"""A wide frame that stands still while the Sun crosses it: where the Sun is, and which pictures to merge.

For a composite of the whole eclipse the frame must hold the arc from C1 to C4, and the suns in it should
be evenly spaced: by time, as they stand evenly along the arc, or by obscuration, as each shows an even
step of the bite.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from controller.gear.drift import Instants, Motion, SunSeen, clearance_px, one_aim
from controller.gear.optics import Aim, Array, Field
from controller.units import NS_PER_S

SUN_GAP = 1.3
"""Middle to middle of neighbouring suns, in diameters, so that they stand apart (common practice)."""


@dataclass(frozen=True, kw_only=True)
class Arc:
    """The Sun's way through a frame that stands still."""

    aim: Aim
    instants_ns: tuple[int, ...]
    x_px: tuple[float, ...]
    y_px: tuple[float, ...]
    least_px: float
    """How far the limb keeps from the nearest edge at the least; negative: the arc does not fit."""
    longest_focal_mm: float
    """The longest focal length at which the arc, with the margin asked for, fits this sensor."""

    @property
    def fits(self) -> bool:
        """Return whether the whole Sun is in the frame throughout."""
        return self.least_px >= 0


def arc(
    field: Field,
    sun: SunSeen,
    from_ns: int,
    until_ns: int,
    *,
    aim: Aim | None = None,
    margin: float = 0.05,
    count: int = 61,
) -> Arc:
    """Return the Sun's way through the frame, and whether it fits.

    Args:
        field: the frame.
        sun: the Sun.
        from_ns: the first instant (C1).
        until_ns: the last (C4).
        aim: where the frame points; None: so that the arc lies in its middle.
        margin: the part of each side that `longest_focal_mm` keeps free.
        count: how many instants to return.
    """
    chosen = aim or one_aim(field, sun, from_ns, until_ns)
    instants = np.linspace(0, until_ns - from_ns, count).astype(np.int64) + from_ns
    x, y = field.project(chosen, *sun.at(instants))
    # In units of the focal length the arc is the same for every lens.
    reach_x = float(np.abs(x).max() + field.sun_diameter_px(sun.radius_arcsec) / 2) / field.focal_length_px
    reach_y = float(np.abs(y).max() + field.sun_diameter_px(sun.radius_arcsec) / 2) / field.focal_length_px
    free = 1 - 2 * margin
    return Arc(
        aim=chosen,
        instants_ns=tuple(int(instant) for instant in instants),
        x_px=tuple(map(float, x)),
        y_px=tuple(map(float, y)),
        least_px=float(clearance_px(field, sun, chosen, instants).min()),
        longest_focal_mm=min(field.width_mm * free / 2 / reach_x, field.height_mm * free / 2 / reach_y),
    )


def shortest_step_s(motion: Motion, sun_radius_arcsec: float) -> float:
    """Return the shortest interval at which neighbouring suns stand apart: their gap over the drift."""
    return SUN_GAP * 2 * sun_radius_arcsec / motion.arcsec_s if motion.arcsec_s > 0 else math.inf


def even_by_time(from_ns: int, until_ns: int, count: int) -> tuple[int, ...]:
    """Return `count` instants evenly spaced in time, both ends included.

    Raises:
        ValueError: if fewer than two are asked for, or the end is not after the start.
    """
    _require(from_ns, until_ns, count)
    return tuple(from_ns + (until_ns - from_ns) * k // (count - 1) for k in range(count))


def even_by_obscuration(
    obscuration: Callable[[Instants], Array],
    from_ns: int,
    deepest_ns: int,
    until_ns: int,
    count_each_way: int,
) -> tuple[int, ...]:
    """Return instants at which the covered part of the Sun's area changes by equal steps, in order of time.

    From the first instant to the deepest, and from there to the last, each in `count_each_way` steps of
    its own (the two ways differ when the Sun sets eclipsed).

    Args:
        obscuration: the covered part of the area, 0 to 1, at instants; rising to `deepest_ns`, then falling.
        from_ns: C1, or where the sequence starts.
        deepest_ns: the greatest eclipse; with totality, C2 or mid.
        until_ns: C4, or where the sequence ends.
        count_each_way: steps each way.

    Raises:
        ValueError: if the instants are out of order, or no step is asked for.
    """
    _require(from_ns, deepest_ns, count_each_way + 1)
    _require(deepest_ns, until_ns, count_each_way + 1)
    inward = _levels(obscuration, from_ns, deepest_ns, count_each_way)
    outward = _levels(obscuration, until_ns, deepest_ns, count_each_way)
    return (*inward, *reversed(outward[:-1]))


def _levels(obscuration: Callable[[Instants], Array], shallow_ns: int, deep_ns: int, count: int) -> list[int]:
    """Return instants from the shallow end to the deep one at equal steps of obscuration, to a second."""
    samples = max(3, abs(deep_ns - shallow_ns) // (2 * NS_PER_S))
    instants = np.linspace(0, deep_ns - shallow_ns, int(samples)).astype(np.int64) + shallow_ns
    covered = np.maximum.accumulate(obscuration(instants))  # flat in totality: its first instant counts
    first = np.concatenate([[True], np.diff(covered) > 0])
    levels = np.linspace(covered[0], covered[-1], count + 1)
    since = np.interp(levels, covered[first], (instants[first] - shallow_ns).astype(float))
    return [shallow_ns + round(float(one)) for one in since]


def _require(from_ns: int, until_ns: int, count: int) -> None:
    if until_ns <= from_ns:
        raise ValueError("the end is not after the start")
    if count < 2:
        raise ValueError("a sequence has two pictures at least")
