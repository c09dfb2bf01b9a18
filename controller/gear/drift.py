"""How the Sun moves through the frame: on a fixed tripod, on a tracking mount, and how the field turns.

Positions of the Sun come as a function of time (`SunSeen`): nothing here knows a place or a date. On a
fixed tripod everything follows from the Sun's altitude and azimuth at two instants, by the same
projection that the lens makes.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from controller.gear.optics import (
    ARCSEC_PER_RADIAN,
    MEAN_SUN_RADIUS_ARCSEC,
    Aim,
    Array,
    Field,
    separation_arcsec,
)
from controller.units import NS_PER_S, seconds_to_ns

Instants = NDArray[np.int64]
"""UTC, nanoseconds since 1970."""
_Piece = tuple[int, int, int | None]
"""Start and end of one stand, and when the Sun is to be centred; None: at half time."""

SIDEREAL_ARCSEC_S = 1296000 / 86164.0905
"""How fast the stars turn: 360 degrees in a mean sidereal day of 86164.0905 s, 15.0411 arcseconds a second
(IERS Conventions 2010: 7.292115e-5 rad/s)."""
SOLAR_ARCSEC_S = 15.0
"""How fast the mean Sun turns: 360 degrees in a mean solar day."""
LUNAR_ARCSEC_S = SIDEREAL_ARCSEC_S - 1296000 / (27.321661 * 86400)
"""How fast the mean Moon turns, 14.492: the stars' rate less 360 degrees in a sidereal month of 27.321661 days."""

AIMING_S = 15.0
"""From the word to aim until the camera points where it should (common practice, no single source)."""
EDGE_MARGIN = 0.08
"""The part of each side that the Sun's limb keeps free of when aiming is planned: nobody aims better."""
SHORTEST_STAND_S = 150.0
"""A camera that wants aiming more often than this wants a tracking mount instead (common practice)."""
_LAST_AIM_S = (300.0, 240.0, 180.0, 120.0, 60.0, 30.0)
"""How long before the unattended stretch the last aiming may come, best first: nobody is hurried near C2."""
_QUIET_S = 30.0
"""A pause between frames that is long enough to aim in."""
_SNAP_S = 90.0
"""How far an aiming is moved to meet such a pause."""
_PROBE_S = 2.0


@dataclass(frozen=True)
class SunSeen:
    """The Sun over a site: where it is seen, and how large."""

    at: Callable[[Instants], tuple[Array, Array]]
    """Altitude as seen (refraction included) and azimuth, degrees, at UTC nanoseconds."""
    radius_arcsec: float

    def aim(self, utc_ns: int) -> Aim:
        """Return the direction of the Sun's centre at an instant."""
        altitude_deg, azimuth_deg = self.at(np.array([utc_ns]))
        return Aim(float(altitude_deg[0]), float(azimuth_deg[0]))


# --- rates ------------------------------------------------------------------------------------------


def drift_arcsec_s(declination_deg: float, rate_arcsec_s: float = SIDEREAL_ARCSEC_S) -> float:
    """Return how fast something at a declination drifts on a fixed tripod: rate * cos(declination).

    The stars' rate is the rule of thumb (15.041 cos delta). The Sun moves among the stars and is 0.3 %
    slower: `SOLAR_ARCSEC_S`. `motion_at` has the Sun's own motion from two places, refraction included.
    """
    return rate_arcsec_s * math.cos(math.radians(declination_deg))


@dataclass(frozen=True)
class Motion:
    """The Sun's motion in the middle of a frame that stands still."""

    arcsec_s: float
    x_px_s: float
    y_px_s: float

    @property
    def px_s(self) -> float:
        """Return the speed in pixels a second."""
        return math.hypot(self.x_px_s, self.y_px_s)

    @property
    def direction_deg(self) -> float:
        """Return the direction: 0 to the right, 90 upwards, -90 downwards, degrees."""
        return math.degrees(math.atan2(self.y_px_s, self.x_px_s))

    @property
    def words(self) -> str:
        """Return the direction in words."""
        sector = round(self.direction_deg / 45) % 8
        return (
            "to the right", "to the upper right", "upwards", "to the upper left",
            "to the left", "to the lower left", "downwards", "to the lower right",
        )[sector]  # fmt: skip


def motion_at(field: Field, sun: SunSeen, utc_ns: int) -> Motion:
    """Return the Sun's motion at an instant, from its places two seconds before and after."""
    step_ns = seconds_to_ns(_PROBE_S)
    altitude_deg, azimuth_deg = sun.at(np.array([utc_ns - step_ns, utc_ns + step_ns]))
    x, y = field.project(sun.aim(utc_ns), altitude_deg, azimuth_deg)
    arcsec = float(separation_arcsec(altitude_deg, azimuth_deg)[0])
    span_s = 2 * _PROBE_S
    return Motion(arcsec / span_s, float(x[1] - x[0]) / span_s, float(y[1] - y[0]) / span_s)


def longest_exposure_s(blur_px: float, speed_px_s: float) -> float:
    """Return the longest exposure that trails by no more than `blur_px`; infinite where nothing moves."""
    return blur_px / speed_px_s if speed_px_s > 0 else math.inf


@dataclass(frozen=True)
class SkyRates:
    """The Sun's motion about the pole, without refraction."""

    declination_deg: float
    hour_angle_arcsec_s: float
    """Of the hour angle itself, not of the arc: 15.0 for the mean Sun at any declination."""
    declination_arcsec_s: float


def sky_rates(
    true_at: Callable[[Instants], tuple[Array, Array]], latitude_deg: float, utc_ns: int
) -> SkyRates:
    """Return the Sun's declination and its rates at an instant, from true altitude and azimuth around it.

    Source: the turn from the horizon to the equator (Meeus, Astronomical Algorithms, chapter 13).
    """
    half_s = 60.0
    step_ns = seconds_to_ns(half_s)
    altitude_deg, azimuth_deg = true_at(np.array([utc_ns - step_ns, utc_ns, utc_ns + step_ns]))
    h, a, phi = np.radians(altitude_deg), np.radians(azimuth_deg), math.radians(latitude_deg)
    declination = np.arcsin(np.sin(h) * math.sin(phi) + np.cos(h) * np.cos(a) * math.cos(phi))
    hour_angle = np.arctan2(
        -np.sin(a) * np.cos(h), np.sin(h) * math.cos(phi) - np.cos(h) * np.cos(a) * math.sin(phi)
    )
    turned = (hour_angle[2] - hour_angle[0]) % (2 * math.pi)
    return SkyRates(
        declination_deg=math.degrees(declination[1]),
        hour_angle_arcsec_s=float(turned) * ARCSEC_PER_RADIAN / (2 * half_s),
        declination_arcsec_s=float(declination[2] - declination[0]) * ARCSEC_PER_RADIAN / (2 * half_s),
    )


@dataclass(frozen=True, kw_only=True)
class TrackingDrift:
    """What is left of the Sun's drift on a polar-aligned tracking mount, by the rate it runs at.

    Arcseconds a second. Refraction, some arcseconds a minute near the horizon, is left out.
    """

    sidereal: float
    solar: float
    lunar: float
    misaligned_1_deg: float
    """On top, from a polar axis one degree off, at worst: rate * sin(1 degree)."""


def tracking_drift(rates: SkyRates) -> TrackingDrift:
    """Return what the Sun drifts by on a tracking mount at the stars', the mean Sun's and the mean Moon's rate."""
    cosine = math.cos(math.radians(rates.declination_deg))

    def left(rate_arcsec_s: float) -> float:
        return math.hypot((rate_arcsec_s - rates.hour_angle_arcsec_s) * cosine, rates.declination_arcsec_s)

    return TrackingDrift(
        sidereal=left(SIDEREAL_ARCSEC_S),
        solar=left(SOLAR_ARCSEC_S),
        lunar=left(LUNAR_ARCSEC_S),
        misaligned_1_deg=SOLAR_ARCSEC_S * math.sin(math.radians(1.0)),
    )


def field_rotation_deg_min(
    latitude_deg: float, altitude_deg: float, azimuth_deg: float, rate_arcsec_s: float = SOLAR_ARCSEC_S
) -> float:
    """Return how fast the field turns on an alt-azimuth mount, degrees a minute; the disk also turns so
    against a tripod that stands still.

    ``dq/dt = -omega cos(latitude) cos(azimuth) / cos(altitude)``, azimuth from north, omega how fast the body
    turns about the pole; positive: the parallactic angle q grows. It follows from q's definition (Meeus,
    Astronomical Algorithms, chapter 14) and the equations of motion in altitude and azimuth. Infinite at the
    zenith.
    """
    cosine = math.cos(math.radians(altitude_deg))
    if cosine < 1e-9:
        return math.inf
    level = math.cos(math.radians(latitude_deg)) * math.cos(math.radians(azimuth_deg))
    return -rate_arcsec_s / 60 * level / cosine


def rotation_blur_px(field: Field, rotation_deg_min: float, exposure_s: float) -> float:
    """Return how far a corner of the frame trails while the field turns around the middle."""
    corner_px = math.hypot(*field.half_px)
    return corner_px * math.radians(abs(rotation_deg_min)) * exposure_s / 60


# --- places in the frame ------------------------------------------------------------------------------


_PARTS = (
    (Fraction(0), ""), (Fraction(1, 16), "a sixteenth"), (Fraction(1, 8), "an eighth"), (Fraction(1, 6), "a sixth"),
    (Fraction(1, 4), "a quarter"), (Fraction(1, 3), "a third"), (Fraction(3, 8), "three eighths"),
    (Fraction(7, 16), "seven sixteenths"), (Fraction(1, 2), "half"),
)  # fmt: skip


@dataclass(frozen=True)
class Placement:
    """Where the Sun's centre is put in the frame."""

    x_px: float
    """Right of the middle."""
    y_px: float
    """Above the middle."""
    x_part: float
    """Right of the middle, in widths of the frame."""
    y_part: float
    """Above the middle, in heights of the frame."""

    @property
    def nearest_parts(self) -> tuple[Fraction, Fraction]:
        """Return `x_part` and `y_part` as the nearest of the parts that have a word."""
        x, y = (
            min((part for part, _ in _PARTS), key=lambda one: abs(one - abs(placed)))
            * (1 if placed > 0 else -1)
            for placed in (self.x_part, self.y_part)
        )
        return x, y

    @property
    def words(self) -> str:
        """Return it in plain words: "a quarter of the frame left of the centre, an eighth above it"."""
        found: list[str] = []
        across, along = self.nearest_parts
        for part, sides in ((across, ("left of", "right of")), (along, ("below", "above"))):
            word = dict(_PARTS)[abs(part)]
            if word:
                of_what = (
                    f"{word} {sides[part > 0]} it"
                    if found
                    else f"{word} of the frame {sides[part > 0]} the centre"
                )
                found.append(of_what)
        return ", ".join(found) or "in the centre"


def placement(field: Field, sun: SunSeen, aim: Aim, utc_ns: int) -> Placement:
    """Return where the Sun stands at an instant in a frame that points at `aim`.

    With ``aim=sun.aim(mid)`` it is where to put the Sun now so that it will be centred at mid.
    """
    altitude_deg, azimuth_deg = sun.at(np.array([utc_ns]))
    x, y = (float(part[0]) for part in field.project(aim, altitude_deg, azimuth_deg))
    return Placement(x, y, x / field.width_px, y / field.height_px)


def clearance_px(field: Field, sun: SunSeen, aim: Aim, utc_ns: Instants, margin: float = 0.0) -> Array:
    """Return how far the Sun's limb keeps from the nearest edge, pixels; negative: it is cut.

    Args:
        field: the frame.
        sun: the Sun.
        aim: where the frame points.
        utc_ns: instants.
        margin: the part of each side that counts as outside.
    """
    x, y = field.project(aim, *sun.at(utc_ns))
    half_x, half_y = field.half_px
    free = np.minimum(half_x * (1 - 2 * margin) - np.abs(x), half_y * (1 - 2 * margin) - np.abs(y))
    return free - field.sun_diameter_px(sun.radius_arcsec) / 2


def until_edge_s(field: Field, sun: SunSeen, aim: Aim, from_ns: int, until_ns: int) -> float | None:
    """Return how long it takes until the Sun's limb touches an edge, seconds; None: not before `until_ns`.

    0 when it does already at `from_ns`.
    """
    count = max(2, int((until_ns - from_ns) / NS_PER_S / 2) + 1)
    instants = np.linspace(0, until_ns - from_ns, count).astype(np.int64) + from_ns
    free = clearance_px(field, sun, aim, instants)
    outside = np.flatnonzero(free <= 0)
    if not outside.size:
        return None
    after = int(outside[0])
    if after == 0:
        return 0.0
    before = after - 1
    part = float(free[before] / (free[before] - free[after])) if np.isfinite(free[after]) else 1.0
    return float((instants[before] - from_ns) + part * (instants[after] - instants[before])) / NS_PER_S


def crossing_s(
    field: Field, motion: Motion, sun_radius_arcsec: float = MEAN_SUN_RADIUS_ARCSEC, margin: float = 0.0
) -> float:
    """Return how long the whole Sun can stay in the frame when it crosses the middle, seconds.

    From the limb at one edge to the limb at the other, at the speed it has in the middle. 0 when the Sun
    is larger than the frame. `margin` is the part of each side that counts as outside.
    """
    sun_px = field.sun_diameter_px(sun_radius_arcsec)
    times = (
        (side * (1 - 2 * margin) - sun_px) / abs(speed)
        for side, speed in ((field.width_px, motion.x_px_s), (field.height_px, motion.y_px_s))
        if abs(speed) > 1e-9
    )
    return max(0.0, min(times, default=math.inf))


# --- when to aim again ---------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class Stand:
    """The frame standing still from one aiming to the next."""

    from_ns: int
    """When to aim."""
    until_ns: int
    aim: Aim
    put: Placement
    """Where the Sun is to be when the aiming is done, `AIMING_S` after `from_ns`."""
    least_px: float
    """How far the limb keeps from the edges at the least."""
    unattended: bool = False
    """Nobody aims before it ends: totality, or the ring."""


@dataclass(frozen=True, kw_only=True)
class AimPlan:
    """How a fixed camera follows the Sun through a stretch of time."""

    stands: tuple[Stand, ...]
    """In order of time; one only when the Sun stays in the frame throughout."""
    longest_s: float
    """The longest that one aiming serves at mid-stretch, margins kept."""
    by_hand: bool = True
    """Whether the Sun can be followed by hand through the partial phases."""
    lost: str = ""
    """What cannot be followed, in one sentence; nothing when all can."""


def aim_plan(
    field: Field,
    sun: SunSeen,
    from_ns: int,
    until_ns: int,
    *,
    unattended: tuple[int, int, int] | None = None,
    busy: Sequence[tuple[int, int]] = (),
) -> AimPlan:
    """Return when to aim a fixed camera so that the Sun stays in the frame, and where to put the Sun.

    Where the whole stretch fits in one frame there is one aiming. Otherwise each aiming serves as long as
    the next: the Sun enters on one side, is centred in the middle of the time, and the frame is moved
    before the limb comes near an edge. Through the unattended stretch the frame is not touched, and the
    Sun is centred at its middle.

    Args:
        field: the frame.
        sun: the Sun.
        from_ns: the first aiming.
        until_ns: when nothing more is to be photographed.
        unattended: start, middle (where the Sun is to be centred) and end of what nobody aims in.
        busy: stretches in which frames are taken, to be spared.
    """
    whole = one_aim(field, sun, from_ns, until_ns)
    if _least(field, sun, whole, from_ns, until_ns, EDGE_MARGIN) >= 0:
        return AimPlan(
            stands=(_stand(field, sun, from_ns, until_ns, whole),),
            longest_s=(until_ns - from_ns) / NS_PER_S,
        )
    motion = motion_at(field, sun, unattended[1] if unattended else (from_ns + until_ns) // 2)
    longest_s = crossing_s(field, motion, sun.radius_arcsec, EDGE_MARGIN)
    by_hand = longest_s >= SHORTEST_STAND_S
    lost = (
        ""
        if by_hand
        else f"one aiming serves for {longest_s:.0f} s only, too short to follow the Sun by hand"
    )
    pieces: list[_Piece] = []
    if unattended:
        start, middle, end = unattended
        last_ns = _last_aim(field, sun, start, middle, end)
        if last_ns is None:
            last_ns = start - seconds_to_ns(_LAST_AIM_S[-1])
            middle = last_ns + seconds_to_ns(longest_s / 2)  # the Sun comes in at one edge: as late as can be
            stays_s = until_edge_s(field, sun, sun.aim(middle), last_ns, end) or 0.0
            lost = f"the Sun leaves the frame {(end - last_ns) / NS_PER_S - stays_s:.0f} s before the filter is back on"
        if by_hand:
            pieces += _parts(field, sun, from_ns, last_ns, longest_s)
        if longest_s > 0:
            pieces.append((last_ns, end, middle))
        if by_hand:
            pieces += _parts(field, sun, end, until_ns, longest_s)
    elif by_hand:
        pieces += _parts(field, sun, from_ns, until_ns, longest_s)
    stands = _stands(field, sun, pieces, busy)
    if not lost and any(stand.least_px < 0 for stand in stands):
        lost = "the Sun leaves the frame between two aimings"
    return AimPlan(stands=stands, longest_s=longest_s, by_hand=by_hand, lost=lost)


def one_aim(field: Field, sun: SunSeen, from_ns: int, until_ns: int) -> Aim:
    """Return the aim at which the Sun's path through a stretch of time lies in the middle of the frame.

    The middle of the path's bounding box, found by a few steps from the Sun's place at half time.
    """
    instants = _samples(from_ns, until_ns)
    altitude_deg, azimuth_deg = sun.at(instants)
    aim = sun.aim((from_ns + until_ns) // 2)
    for _ in range(20):
        x, y = field.project(aim, altitude_deg, azimuth_deg)
        if not (np.isfinite(x).all() and np.isfinite(y).all()):
            return aim
        middle = (float(x.min() + x.max()) / 2, float(y.min() + y.max()) / 2)
        aim = field.direction_at(aim, *middle)
        if math.hypot(*middle) < 0.01:
            break
    return aim


def _samples(from_ns: int, until_ns: int) -> Instants:
    count = max(3, int((until_ns - from_ns) / NS_PER_S / 30) + 2)
    return np.linspace(0, until_ns - from_ns, count).astype(np.int64) + from_ns


def _least(field: Field, sun: SunSeen, aim: Aim, from_ns: int, until_ns: int, margin: float) -> float:
    return float(clearance_px(field, sun, aim, _samples(from_ns, until_ns), margin).min())


def _stand(
    field: Field, sun: SunSeen, from_ns: int, until_ns: int, aim: Aim, *, unattended: bool = False
) -> Stand:
    done_ns = min(from_ns + seconds_to_ns(AIMING_S), until_ns)
    return Stand(
        from_ns=from_ns,
        until_ns=until_ns,
        aim=aim,
        put=placement(field, sun, aim, done_ns),
        least_px=_least(field, sun, aim, done_ns, until_ns, 0.0),
        unattended=unattended,
    )


def _last_aim(field: Field, sun: SunSeen, start: int, middle: int, end: int) -> int | None:
    """Return the earliest good instant for the last aiming before the unattended stretch, or None."""
    aim = sun.aim(middle)
    for lead_s in _LAST_AIM_S:
        from_ns = start - seconds_to_ns(lead_s)
        if _least(field, sun, aim, from_ns, end, EDGE_MARGIN / 2) >= 0:
            return from_ns
    return None


def _parts(field: Field, sun: SunSeen, from_ns: int, until_ns: int, longest_s: float) -> list[_Piece]:
    """Return the fewest equal parts of a stretch in each of which the Sun, centred at half time, stays in."""
    length_ns = until_ns - from_ns
    if length_ns <= 0:
        return []
    fewest = max(1, int(length_ns / NS_PER_S / longest_s))
    most = max(fewest, int(length_ns / NS_PER_S / SHORTEST_STAND_S))
    for count in range(fewest, most + 1):
        bounds = [from_ns + length_ns * k // count for k in range(count + 1)]
        pairs = list(pairwise(bounds))
        if all(_least(field, sun, sun.aim((a + b) // 2), a, b, EDGE_MARGIN) >= 0 for a, b in pairs):
            break
    return [(a, b, None) for a, b in pairs]


def _stands(
    field: Field,
    sun: SunSeen,
    pieces: Sequence[_Piece],
    busy: Sequence[tuple[int, int]],
) -> tuple[Stand, ...]:
    """Return the stands, each begun in a pause between frames where there is one near and it serves."""

    def aim(start: int, end: int, middle: int | None) -> Aim:
        return sun.aim((start + end) // 2 if middle is None else middle)

    def serves(start: int, end: int, middle: int | None) -> bool:
        return _least(field, sun, aim(start, end, middle), start, end, 0.0) >= 0

    pieces = list(pieces)
    for number in range(1, len(pieces)):
        before, here = pieces[number - 1], pieces[number]
        if before[2] is not None:
            continue  # the unattended stretch ends when it ends
        moved = _pause_near(here[0], min(here[1] - here[0], before[1] - before[0]), busy)
        if here[2] is not None and moved > here[0]:
            continue  # the last aiming comes no nearer to the filter
        if serves(before[0], moved, before[2]) and serves(moved, here[1], here[2]):
            pieces[number - 1], pieces[number] = (before[0], moved, before[2]), (moved, *here[1:])
    return tuple(
        _stand(field, sun, start, end, aim(start, end, middle), unattended=middle is not None)
        for start, end, middle in pieces
    )


def _pause_near(instant_ns: int, length_ns: int, busy: Sequence[tuple[int, int]]) -> int:
    """Return the instant nearest to one given from which no frame is taken for a while; itself if there is none."""
    quiet_ns, reach_ns = seconds_to_ns(_QUIET_S), min(seconds_to_ns(_SNAP_S), length_ns // 5)
    near = [
        (start, end)
        for start, end in busy
        if end > instant_ns - reach_ns and start < instant_ns + reach_ns + quiet_ns
    ]
    choices = [instant_ns, *(end for _, end in near), *(start - quiet_ns for start, _ in near)]
    free = [
        choice
        for choice in choices
        if abs(choice - instant_ns) <= reach_ns
        and all(end <= choice or start >= choice + quiet_ns for start, end in near)
    ]
    return min(free, key=lambda choice: abs(choice - instant_ns), default=instant_ns)
