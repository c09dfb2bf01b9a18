"""Where on Earth an eclipse is central: the line, its limits, the lines of equal time, and a site among them.

Points are sought on the fundamental plane, where the shadow is nearly a circle and nothing blows up at
sunrise and sunset, and judged by the disks as seen from the ground: on the central line the centres
coincide at the instant; on a limit the deepest moment of the phase falls on the instant, with the disks
just touching. Limits are those of `decide_kind`, so totality lasts no time there. The central line ends
where the Sun's centre stands in the horizon, without refraction; limits end at 0.7 degrees of altitude
at most, where the shadow's edge grazes the ground so flatly that it has no one place.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property, lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from controller.sky.batch import BatchCircumstances, Integers, circumstances_at_many
from controller.sky.earth_rotation import EarthRotation, timescale
from controller.sky.eclipses import NewMoon, eclipse_of
from controller.sky.elements import Shadow, axis_kind, shadow_of
from controller.sky.ephemeris import Ephemeris, load_ephemeris
from controller.sky.geometry import DAY_S, Disks
from controller.sky.kinds import radii_of
from controller.sky.model import EARTH_RADIUS_KM, Constants, Kind, Site
from controller.sky.numeric import Array, roots
from controller.sky.quick import FLATTENING, Ground, Sky, sky_of, turned
from controller.units import UtcNs

if TYPE_CHECKING:
    from pyproj import Geod

_REACH_S = 10_500.0
"""The axis crosses the Earth in less than three and a half hours, the penumbra's edges in six."""
_SEARCH_STEP_S = 60.0
_POINTS = 480
_STEP = 1e-6
"""Of Newton's rule on the plane, Earth radii: 6 m."""
_NEWTON_STEPS = 5
_END_TOLERANCE_S = 1e-3
_NORTH, _SOUTH = 1.0, -1.0
Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class Line:
    """A line on the ground, in order of time."""

    name: str
    kind: Kind
    """What it is the line or the limit of."""
    utc_ns: Integers
    """When the eclipse is deepest at each point."""
    latitude_deg: Array
    longitude_deg: Array

    def __len__(self) -> int:
        return len(self.latitude_deg)


@dataclass(frozen=True)
class Row:
    """The path at one instant."""

    utc_ns: UtcNs
    latitude_deg: float
    longitude_deg: float
    kind: Kind
    duration_s: float
    sun_altitude_deg: float
    sun_azimuth_deg: float
    diameter_ratio: float
    width_km: float | None
    """Across the path at that place, over the ground; None where a limit does not touch the Earth."""
    north: tuple[float, float] | None
    """The northern limit's point at that instant: latitude, longitude."""
    south: tuple[float, float] | None


@dataclass(frozen=True)
class Nearest:
    """The nearest point of a line from a site, over the ground."""

    line: str
    kind: Kind
    distance_km: float
    bearing_deg: float
    """Direction to it at the site, from north through east."""
    latitude_deg: float
    longitude_deg: float
    utc_ns: UtcNs


@dataclass(frozen=True)
class Standing:
    """How a site stands in the path, and what walking towards the middle buys."""

    kind: Kind
    duration_s: float
    """Of the central phase that the site sees; 0 where it sees none."""
    central: Nearest | None
    """None if no central line touches the Earth."""
    limit: Nearest | None
    moved_km: float
    """10 km, or as far as the central line if that is nearer."""
    moved_duration_s: float
    moved_kind: Kind
    moved_to: tuple[float, float]

    @property
    def gain_s(self) -> float:
        """Return how much longer the central phase lasts after the move."""
        return self.moved_duration_s - self.duration_s


@dataclass(frozen=True)
class EclipsePath:
    """One eclipse's lines."""

    eclipse_date: dt.date
    greatest_utc_ns: UtcNs
    central: tuple[Line, ...]
    """In stretches of one kind; a hybrid eclipse has several."""
    limits: tuple[Line, ...]
    """Northern and southern, of each central phase there is."""
    constants: Constants
    ephemeris: str
    _plane: _Plane

    @cached_property
    def partial_limits(self) -> tuple[Line, ...]:
        """Return northern and southern edge of where anything is seen, as far as they touch the Earth."""
        return tuple(
            line for side in (_NORTH, _SOUTH) for line in self._plane.limit_lines(Kind.PARTIAL, side)
        )

    @property
    def kinds(self) -> tuple[Kind, ...]:
        """Return the central phases along the path, each once, in order."""
        return tuple(dict.fromkeys(line.kind for line in (*self.central, *self.limits)))

    @property
    def opened_from(self) -> str | Path | None:
        """Return the path of the ephemeris file, None for the installed one."""
        return self._plane.opened_from

    @property
    def is_hybrid(self) -> bool:
        """Return whether the path is annular in one part and total in another."""
        return {Kind.ANNULAR, Kind.TOTAL} <= set(self.kinds)

    def rows(self, every_s: int = 300) -> list[Row]:
        """Return the path at whole multiples of `every_s` of UTC, and at its first and last instant."""
        return _rows(self, every_s)

    def isochrones(self, every_s: int = 600, *, across: bool = False) -> tuple[Line, ...]:
        """Return the lines on which the eclipse is deepest at whole multiples of `every_s` of UTC.

        Args:
            every_s: how far apart they are in time.
            across: only the part between the limits of the path; otherwise as far as anything is seen.
        """
        return _isochrones(self, every_s, across=across)


def eclipse_path(
    date: dt.date, *, constants: Constants | None = None, ephemeris: str | Path | None = None
) -> EclipsePath:
    """Return the lines of the solar eclipse of a date; all empty for an eclipse that is nowhere central.

    Raises:
        SkyError: if there is no eclipse on that date (the nearest ones are named), or the date is outside
            the ephemeris.
    """
    opened = load_ephemeris(ephemeris)
    return _path(eclipse_of(opened, date), constants or Constants(), opened, ephemeris)


@lru_cache(maxsize=16)
def _path(
    eclipse: NewMoon, constants: Constants, opened: Ephemeris, opened_from: str | Path | None
) -> EclipsePath:
    table, scale = timescale(constants.delta_t_s, constants.earth_rotation)
    sky = sky_of(eclipse, opened, scale)
    delta_t_s = table.delta_t(
        scale, eclipse.base_jd + eclipse.greatest_tt_s / DAY_S, constants.delta_t_s
    ).value_s
    plane = _Plane(sky, constants, table, delta_t_s, opened_from)
    central = plane.central_lines()
    along = axis_kind(sky, plane.grid_s, constants)
    limits = [
        line
        for kind in (Kind.ANNULAR, Kind.TOTAL)
        if kind in along
        for side in (_NORTH, _SOUTH)
        for line in plane.limit_lines(kind, side)
    ]
    return EclipsePath(
        eclipse_date=eclipse.day.date,
        greatest_utc_ns=eclipse.day.greatest_utc_ns,
        central=tuple(central),
        limits=tuple(limits),
        constants=constants,
        ephemeris=opened.name,
        _plane=plane,
    )


@dataclass(frozen=True)
class _Points:
    """Points of the fundamental plane brought down to the ground, one an instant."""

    tt_s: Array
    xi: Array
    eta: Array
    position_km: Array
    """In the frame of date. Beside the Earth: on the plane itself, so that functions go on smoothly."""
    on_earth: Array
    """Positive on the Earth, zero at its edge, negative beside it: a measure of the Sun's altitude."""

    def only(self, chosen: Mask) -> _Points:
        """Return some of the points."""
        return _Points(
            self.tt_s[chosen],
            self.xi[chosen],
            self.eta[chosen],
            self.position_km[:, chosen],
            self.on_earth[chosen],
        )


@dataclass(frozen=True)
class _Plane:
    """The fundamental plane of one eclipse, and the ground under it. Instants: seconds (TT) after its base."""

    sky: Sky
    constants: Constants
    table: EarthRotation
    delta_t_s: float
    opened_from: str | Path | None

    # --- between plane and ground ------------------------------------------------------------

    def shadow(self, tt_s: Array, kind: Kind = Kind.TOTAL) -> Shadow:
        radii = radii_of(self.constants)
        return shadow_of(self.sky, tt_s, self.constants.solar_radius_km, radii.exterior, radii.interior(kind))

    def points(self, tt_s: Array, shadow: Shadow, xi: Array, eta: Array) -> _Points:
        """Bring points down along the axis to the side of the ellipsoid that faces the Sun."""
        flat = xi * shadow.across + eta * shadow.up
        # (x^2 + y^2) + z^2 / (1 - f)^2 = 1 along flat + zeta * axis.
        weight = np.array([[1.0], [1.0], [1 / (1 - FLATTENING) ** 2]])
        a = np.sum(weight * shadow.axis**2, axis=0)
        b = np.sum(weight * shadow.axis * flat, axis=0)
        c = np.sum(weight * flat**2, axis=0) - 1
        left = b * b - a * c
        zeta = (-b + np.sqrt(np.clip(left, 0, None))) / a
        return _Points(tt_s, xi, eta, (flat + zeta * shadow.axis) * EARTH_RADIUS_KM, left)

    def look(self, points: _Points, shift_s: float) -> Disks:
        """Return the disks from the points, `shift_s` after their instants, the ground having turned on."""
        fixed = turned(points.position_km, -self.sky.turn_rad(points.tt_s))
        ground = Ground(fixed, fixed, fixed, fixed)
        return self.sky.look(ground, points.tt_s + shift_s, self.constants.solar_radius_km)

    def geographic(self, points: _Points) -> tuple[Array, Array]:
        """Return latitude and longitude, degrees."""
        return self.sky.geographic(points.position_km, points.tt_s)

    def utc_ns(self, tt_s: Array) -> Integers:
        table, base = self.table, self.sky.base_jd
        return np.array([table.utc_ns(base, float(s), self.delta_t_s) for s in tt_s], dtype=np.int64)

    def tt_s(self, utc_ns: Integers) -> Array:
        """Return instants in seconds (TT) after the base; no leap second inside an eclipse is allowed for."""
        middle = self.sky.centre_s
        off_ns = self.table.utc_ns(self.sky.base_jd, middle, self.delta_t_s)
        seconds: Array = (np.asarray(utc_ns) - off_ns) / 1e9 + middle
        return seconds

    def motion(self, tt_s: Array, points: _Points, shadow: Shadow) -> tuple[Array, Array]:
        """Return the direction on the plane in which the shadow runs over the ground (a unit vector)."""
        ahead = self.shadow(tt_s + 1.0)
        fixed = turned(points.position_km, self.sky.turn_rad(tt_s + 1.0) - self.sky.turn_rad(tt_s))
        fixed = fixed / EARTH_RADIUS_KM
        u = (ahead.x - shadow.x) - (np.sum(fixed * ahead.across, axis=0) - points.xi)
        v = (ahead.y - shadow.y) - (np.sum(fixed * ahead.up, axis=0) - points.eta)
        speed = np.hypot(u, v)
        return u / speed, v / speed

    # --- solving -----------------------------------------------------------------------------

    def solve(
        self, tt_s: Array, shadow: Shadow, start: tuple[Array, Array], wrong: Callable[[_Points], Array]
    ) -> _Points:
        """Move points of the plane until both rows of `wrong` vanish, by Newton's rule."""
        xi, eta = start
        for _ in range(_NEWTON_STEPS):
            here = wrong(self.points(tt_s, shadow, xi, eta))
            columns = []
            for step_x, step_y in ((_STEP, 0.0), (0.0, _STEP)):
                more = wrong(self.points(tt_s, shadow, xi + step_x, eta + step_y))
                less = wrong(self.points(tt_s, shadow, xi - step_x, eta - step_y))
                columns.append((more - less) / (2 * _STEP))
            (a, c), (b, d) = columns
            determinant = a * d - b * c
            with np.errstate(divide="ignore", invalid="ignore"):
                move_x = (d * here[0] - b * here[1]) / determinant
                move_y = (a * here[1] - c * here[0]) / determinant
            # A step longer than a twentieth of the Earth is no step of Newton's worth taking whole.
            scale = np.minimum(1, 0.05 / np.maximum(np.hypot(move_x, move_y), 1e-30))
            xi, eta = xi - move_x * scale, eta - move_y * scale
        return self.points(tt_s, shadow, xi, eta)

    def on_axis(self, tt_s: Array) -> _Points:
        """Return where the centres of Sun and Moon coincide."""
        shadow = self.shadow(tt_s)

        def wrong(points: _Points) -> Array:
            disks = self.look(points, 0.0)
            apart = disks.moon_km / disks.moon_distance_km - disks.sun_km / disks.sun_distance_km
            return np.stack([np.sum(apart * shadow.across, axis=0), np.sum(apart * shadow.up, axis=0)])

        return self.solve(tt_s, shadow, (shadow.x, shadow.y), wrong)

    def on_limit(self, tt_s: Array, kind: Kind, side: float) -> tuple[_Points, Mask]:
        """Return where a phase is deepest at the instant and just touched, and whether there is such a place."""
        shadow = self.shadow(tt_s, kind)
        middle = self.points(tt_s, shadow, shadow.x, shadow.y)
        height = np.sum(middle.position_km * shadow.axis, axis=0) / EARTH_RADIUS_KM
        if kind is Kind.PARTIAL:
            radius = shadow.l1 - height * shadow.tan_f1
        else:
            radius = np.abs(shadow.l2 - height * shadow.tan_f2)
        u, v = self.motion(tt_s, middle, shadow)
        start = (shadow.x - side * v * radius, shadow.y + side * u * radius)

        def overlap(points: _Points, shift_s: float) -> tuple[Array, Array]:
            disks = self.look(points, shift_s)
            reach = self.reach(disks, kind)
            return disks.separation_arcsec**2 - reach**2, reach

        def wrong(points: _Points) -> Array:
            before, now, after = (overlap(points, shift_s)[0] for shift_s in (-1.0, 0.0, 1.0))
            return np.stack([now, (after - before) / 2])

        found = self.solve(tt_s, shadow, start, wrong)
        left, reach = overlap(found, 0.0)
        # A thousandth of an arcsecond is two metres. On the wrong side is the other limit's point.
        beside = side * ((found.eta - shadow.y) * u - (found.xi - shadow.x) * v) > 0
        return found, (np.abs(left) < 1e-3 * np.abs(reach) + 1e-6) & (reach > 0) & beside

    def reach(self, disks: Disks, kind: Kind) -> Array:
        """Return the separation below which a phase goes on."""
        radii = radii_of(self.constants)
        sun, moon = disks.sun_radius_arcsec, disks.moon_radius_arcsec(radii.interior(kind))
        if kind is Kind.TOTAL:
            return moon - sun
        return sun - moon if kind is Kind.ANNULAR else sun + moon

    # --- lines -------------------------------------------------------------------------------

    @cached_property
    def grid_s(self) -> Array:
        centre = self.sky.centre_s
        return np.arange(centre - _REACH_S, centre + _REACH_S + 1, _SEARCH_STEP_S)

    def spans(
        self, on_earth: Callable[[Array], Array], more_s: tuple[Array, ...] = ()
    ) -> list[tuple[float, float]]:
        """Return the stretches of time in which a function of time is positive.

        Args:
            on_earth: the function.
            more_s: instants to look at beside the regular ones, where stretches may be short.
        """
        grid = np.unique(np.concatenate([self.grid_s, *more_s]))
        value = on_earth(grid)
        value = np.where(np.isfinite(value), value, -1.0)
        changes = np.flatnonzero((value[1:] > 0) != (value[:-1] > 0))
        edges: list[float] = []
        if changes.size:
            edges = [float(s) for s in roots(on_earth, grid[changes], grid[changes + 1], _END_TOLERANCE_S)]
        if value[0] > 0:
            edges.insert(0, float(grid[0]))
        if value[-1] > 0:
            edges.append(float(grid[-1]))
        return list(zip(edges[::2], edges[1::2], strict=True))

    @cached_property
    def central_stretches(self) -> list[tuple[Kind, float, float]]:
        """Return when the axis meets the Earth, and what it brings there."""
        spans = self.spans(lambda tt_s: self.on_axis(tt_s).on_earth)
        return [stretch for span in spans for stretch in self.stretches(*span)]

    def central_lines(self) -> list[Line]:
        lines = []
        for kind, first, last in self.central_stretches:
            tt_s = _dense_at_ends(first, last)
            lines.append(self.line("central line", kind, tt_s, self.on_axis(tt_s)))
        return lines

    def stretches(self, begins: float, ends: float) -> list[tuple[Kind, float, float]]:
        """Return the stretches of a central line in which it is total or annular."""
        grid = _dense_at_ends(begins, ends)
        kinds = self.kinds_on_axis(grid)
        found = []
        start = 0
        for i in range(1, grid.size + 1):
            if i == grid.size or kinds[i] is not kinds[start]:
                first = begins if start == 0 else self.change_s(grid[start - 1], grid[start], kinds[start])
                last = ends if i == grid.size else self.change_s(grid[i], grid[i - 1], kinds[start])
                if kinds[start].is_central:
                    found.append((kinds[start], first, last))
                start = i
        return found

    def kinds_on_axis(self, tt_s: Array) -> list[Kind]:
        """Return what the axis brings where it meets the ground, by the rule of `decide_kind`."""
        disks = self.look(self.on_axis(tt_s), 0.0)
        total, annular = self.reach(disks, Kind.TOTAL) > 0, self.reach(disks, Kind.ANNULAR) > 0
        return [
            Kind.TOTAL if covered else Kind.ANNULAR if ringed else Kind.PARTIAL
            for covered, ringed in zip(total, annular, strict=True)
        ]

    def change_s(self, outside: float, inside: float, kind: Kind) -> float:
        """Return where the axis begins to be of a kind, by halving."""
        while abs(outside - inside) > 0.01:
            middle = (outside + inside) / 2
            if self.kinds_on_axis(np.array([middle]))[0] is kind:
                inside = middle
            else:
                outside = middle
        return inside

    def limit_lines(self, kind: Kind, side: float) -> list[Line]:
        name = f"{'northern' if side > 0 else 'southern'} limit"

        def on_earth(tt_s: Array) -> Array:
            points, exists = self.on_limit(tt_s, kind, side)
            return np.where(exists, points.on_earth, -1.0)

        # The ends of a hybrid eclipse's path may be annular for seconds only.
        short = tuple(
            np.linspace(first - 5, last + 5, 41)
            for stretch, first, last in self.central_stretches
            if stretch is kind and last - first < 1000
        )
        lines = []
        for begins, ends in self.spans(on_earth, short):
            tt_s = _dense_at_ends(begins, ends)
            points, exists = self.on_limit(tt_s, kind, side)
            good = exists & (points.on_earth > -1e-6)
            if good.sum() >= 2:
                kept = _Points(
                    tt_s[good],
                    points.xi[good],
                    points.eta[good],
                    points.position_km[:, good],
                    points.on_earth[good],
                )
                lines.append(self.line(name, kind, kept.tt_s, kept))
        return lines

    def line(self, name: str, kind: Kind, tt_s: Array, points: _Points) -> Line:
        latitude, longitude = self.geographic(points)
        return Line(name, kind, self.utc_ns(tt_s), latitude, longitude)

    def at_equal_mid(self, tt_s: float, offsets: Array) -> tuple[_Points, Disks]:
        """Return the points at some distances across the shadow's way that are nearest to the axis now."""
        at_s = np.full(offsets.size, tt_s)
        shadow = self.shadow(at_s)
        u, v = self.motion(at_s, self.points(at_s, shadow, shadow.x, shadow.y), shadow)

        def points(along: Array) -> _Points:
            return self.points(
                at_s, shadow, shadow.x - v * offsets + u * along, shadow.y + u * offsets + v * along
            )

        def receding(along: Array) -> Array:
            here = points(along)
            before, after = (self.look(here, shift_s).axis_distance_km for shift_s in (-1.0, 1.0))
            rate: Array = after**2 - before**2
            return rate

        along = np.zeros(offsets.size)
        for _ in range(_NEWTON_STEPS):
            slope = (receding(along + 1e-4) - receding(along - 1e-4)) / 2e-4
            along = along - np.clip(receding(along) / slope, -0.1, 0.1)
        found = points(along)
        return found, self.look(found, 0.0)

    def offset(self, points: _Points) -> Array:
        """Return how far points are from the axis across the shadow's way, north positive, Earth radii."""
        shadow = self.shadow(points.tt_s)
        u, v = self.motion(points.tt_s, self.points(points.tt_s, shadow, shadow.x, shadow.y), shadow)
        offset: Array = (points.eta - shadow.y) * u - (points.xi - shadow.x) * v
        return offset


def _dense_at_ends(first: float, last: float) -> Array:
    """Return instants from `first` to `last`, dense at the ends, where lines run fast over the ground."""
    points: Array = (first + last) / 2 - (last - first) / 2 * np.cos(np.linspace(0, np.pi, _POINTS))
    return points


# --- tables and places ---------------------------------------------------------------------------


def _geod() -> Geod:
    from pyproj import Geod

    return Geod(ellps="WGS84")


def _instants(path: EclipsePath, begins_ns: int, ends_ns: int, every_s: int) -> Array:
    """Return whole multiples of a step of UTC between two instants, as seconds (TT) of the plane."""
    step_ns = every_s * 1_000_000_000
    first = -(-begins_ns // step_ns) * step_ns
    return path._plane.tt_s(np.arange(first, ends_ns + 1, step_ns, dtype=np.int64))


def _rows(path: EclipsePath, every_s: int) -> list[Row]:
    plane = path._plane
    rows = []
    for line in path.central:
        whole = _instants(path, int(line.utc_ns[0]), int(line.utc_ns[-1]), every_s)
        ends = plane.tt_s(line.utc_ns[[0, -1]])
        tt_s = np.unique(np.concatenate([ends[:1], whole, ends[1:]]))
        latitude, longitude = plane.geographic(plane.on_axis(tt_s))
        seen = circumstances_at_many(
            latitude, longitude, 0.0, path.eclipse_date, constants=path.constants, ephemeris=path.opened_from
        )
        edges = {side: plane.on_limit(tt_s, line.kind, side) for side in (_NORTH, _SOUTH)}
        north, south = (_places(plane, *edges[side]) for side in (_NORTH, _SOUTH))
        widths = _widths_km(path, line.kind, latitude, longitude)
        for i, instant in enumerate(plane.utc_ns(tt_s)):
            rows.append(
                Row(
                    utc_ns=UtcNs(int(instant)),
                    latitude_deg=float(latitude[i]),
                    longitude_deg=float(longitude[i]),
                    kind=line.kind,
                    duration_s=float(np.nan_to_num(seen.duration_s[i])),
                    sun_altitude_deg=float(seen.sun_altitude_deg[i]),
                    sun_azimuth_deg=float(seen.sun_azimuth_deg[i]),
                    diameter_ratio=float(seen.diameter_ratio[i]),
                    width_km=None if np.isnan(widths[i]) else float(widths[i]),
                    north=north[i],
                    south=south[i],
                )
            )
    return rows


def _places(plane: _Plane, points: _Points, exists: Mask) -> list[tuple[float, float] | None]:
    """Return latitude and longitude of each point, None where it is not on the Earth."""
    latitude, longitude = plane.geographic(points)
    real = exists & (points.on_earth >= 0)
    return [(float(latitude[i]), float(longitude[i])) if real[i] else None for i in range(latitude.size)]


def _widths_km(path: EclipsePath, kind: Kind, latitude: Array, longitude: Array) -> Array:
    """Return the way over the ground from limit to limit by each central point."""
    total = np.zeros_like(latitude)
    for name in ("northern limit", "southern limit"):
        lines = [line for line in path.limits if line.kind is kind and line.name == name]
        best = np.full_like(latitude, np.nan)
        for line in lines:
            best = np.fmin(
                best, [_polyline_km(line, *place) for place in zip(latitude, longitude, strict=True)]
            )
        total = total + best
    return total


def _polyline_km(line: Line, latitude: float, longitude: float) -> float:
    """Return the distance of a line from a place by its nearest points; not a number off its ends."""
    azimuth, _, distance_m = _geod().inv(
        np.full(len(line), longitude), np.full(len(line), latitude), line.longitude_deg, line.latitude_deg
    )
    at = int(np.argmin(distance_m))
    if at in (0, len(line) - 1):
        return float("nan")
    near = slice(at - 1, at + 2)
    turn = np.radians(azimuth[near])
    x, y = distance_m[near] * np.sin(turn), distance_m[near] * np.cos(turn)
    best = float("inf")
    for i in (0, 1):
        along = np.array([x[i + 1] - x[i], y[i + 1] - y[i]])
        share = float(np.clip(-(x[i] * along[0] + y[i] * along[1]) / (along @ along), 0, 1))
        best = min(best, float(np.hypot(x[i] + share * along[0], y[i] + share * along[1])))
    return best / 1000


def _isochrones(path: EclipsePath, every_s: int, *, across: bool) -> tuple[Line, ...]:
    plane = path._plane
    radius = float(plane.shadow(np.array([plane.sky.centre_s])).l1[0])
    grid = plane.grid_s
    begins, ends = plane.utc_ns(grid[[0, -1]])
    if across:
        instants = [int(ns) for line in path.central for ns in line.utc_ns[[0, -1]]]
        if not instants:
            return ()
        begins, ends = min(instants), max(instants)
    instants_s = _instants(path, int(begins), int(ends), every_s)
    if not instants_s.size:
        return ()
    reaches = [np.linspace(-radius, radius, 161)] * instants_s.size
    if across:
        reaches = _between_limits(plane, instants_s)
    lines = []
    for tt_s, offsets in zip(instants_s, reaches, strict=True):
        if not offsets.size:
            continue
        points, disks = plane.at_equal_mid(float(tt_s), offsets)
        seen: Mask = points.on_earth > 0
        if not across:
            seen &= disks.separation_arcsec < plane.reach(disks, Kind.PARTIAL)
        for run in _runs(seen):
            kept = points.only(run)
            lines.append(plane.line("equal mid", Kind.PARTIAL, kept.tt_s, kept))
    return tuple(lines)


def _between_limits(plane: _Plane, instants_s: Array) -> list[Array]:
    """Return offsets from limit to limit at some instants, none where a limit is not on the Earth."""
    kinds = plane.kinds_on_axis(instants_s)
    found = [np.empty(0)] * instants_s.size
    for kind in (Kind.ANNULAR, Kind.TOTAL):
        if kind not in kinds:
            continue
        (south, south_is), (north, north_is) = (plane.on_limit(instants_s, kind, s) for s in (_SOUTH, _NORTH))
        low, high = plane.offset(south), plane.offset(north)
        for i, here in enumerate(kinds):
            if here is kind and south_is[i] and north_is[i]:
                found[i] = np.linspace(low[i], high[i], 17)
    return found


def _runs(chosen: Mask) -> list[Mask]:
    """Return each unbroken run of at least two as a mask of its own."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], chosen, [False]]).astype(int)))
    runs = []
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        if last - first >= 2:
            mask = np.zeros(chosen.size, dtype=bool)
            mask[first:last] = True
            runs.append(mask)
    return runs


def nearest_on(path: EclipsePath, line: Line, latitude_deg: float, longitude_deg: float) -> Nearest:
    """Return the point of one of the path's lines that is nearest to a place, over the ground."""
    plane = path._plane
    geod = _geod()
    utc_ns, latitude, longitude = line.utc_ns, line.latitude_deg, line.longitude_deg
    for again in (True, True, True, False):
        here = np.full(len(latitude), longitude_deg), np.full(len(latitude), latitude_deg)
        azimuth, _, distance_m = geod.inv(*here, longitude, latitude)
        at = int(np.argmin(distance_m))
        if not again:
            break
        around = plane.tt_s(utc_ns[[max(at - 1, 0), min(at + 1, len(utc_ns) - 1)]])
        tt_s = np.linspace(around[0], around[1], 21)
        if line.name == "central line":
            points = plane.on_axis(tt_s)
        else:
            points, exists = plane.on_limit(
                tt_s, line.kind, _NORTH if line.name.startswith("north") else _SOUTH
            )
            points = points.only(exists) if exists.any() else points
        utc_ns = plane.utc_ns(points.tt_s)
        latitude, longitude = plane.geographic(points)
    return Nearest(
        line=line.name,
        kind=line.kind,
        distance_km=float(distance_m[at]) / 1000,
        bearing_deg=float(azimuth[at]) % 360,
        latitude_deg=float(latitude[at]),
        longitude_deg=float(longitude[at]),
        utc_ns=UtcNs(int(utc_ns[at])),
    )


def standing(path: EclipsePath, site: Site, *, step_km: float = 10.0) -> Standing:
    """Return how a site stands to the central line and the limits, and what moving towards the line buys.

    The move goes over the ground straight towards the nearest point of the central line, at the site's
    own elevation, and not beyond it.
    """
    place = (site.latitude_deg, site.longitude_deg)
    central = min((nearest_on(path, line, *place) for line in path.central), key=_distance, default=None)
    limit = min((nearest_on(path, line, *place) for line in path.limits), key=_distance, default=None)
    moved_km = min(step_km, central.distance_km) if central else 0.0
    moved = place
    if central:
        longitude, latitude, _ = _geod().fwd(place[1], place[0], central.bearing_deg, moved_km * 1000)
        moved = (float(latitude), float(longitude))
    seen: BatchCircumstances = circumstances_at_many(
        [place[0], moved[0]],
        [place[1], moved[1]],
        site.elevation_m,
        path.eclipse_date,
        constants=path.constants,
        ephemeris=path.opened_from,
    )
    durations = seen.seen_duration_s
    return Standing(
        kind=seen.kinds[0],
        duration_s=float(durations[0]),
        central=central,
        limit=limit,
        moved_km=moved_km,
        moved_duration_s=float(durations[1]),
        moved_kind=seen.kinds[1],
        moved_to=moved,
    )


def _distance(nearest: Nearest) -> float:
    return nearest.distance_km
