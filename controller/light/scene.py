"""How Sun and Moon lie to each other over a site, as a small table that a run can carry.

Plain data and plain arithmetic: a camera's process reads it without ephemeris and numerics.
`controller.light.sampling` makes it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class Disks:
    """Sun and Moon at one instant as seen from a site; apparent angles, without refraction."""

    separation_arcsec: float
    """Between the centres."""
    position_angle_deg: float
    """Of the Moon from the Sun, from celestial north (true equator of date) through east."""
    sun_radius_arcsec: float
    moon_radius_arcsec: float
    sun_altitude_deg: float
    zenith_angle_deg: float = 0.0
    """Position angle of the zenith at the Sun (the parallactic angle), from north through east."""

    @property
    def covered(self) -> bool:
        """Return whether the mean limb of the Moon hides the whole Sun."""
        return self.separation_arcsec <= self.moon_radius_arcsec - self.sun_radius_arcsec


@dataclass(frozen=True, kw_only=True)
class Scene:
    """Sun and Moon over a site for the hours of an eclipse, at even steps.

    Between the steps it is interpolated by cubics through four of them; with steps of two minutes that is
    within 0.001 arcseconds. Before the first and after the last step the disks stay as they are there.
    """

    starts_utc_ns: int
    step_s: float
    east_arcsec: tuple[float, ...]
    """Of the Moon's centre from the Sun's, separation times sine of the position angle."""
    north_arcsec: tuple[float, ...]
    sun_radius_arcsec: tuple[float, ...]
    moon_radius_arcsec: tuple[float, ...]
    sun_altitude_deg: tuple[float, ...]
    zenith_angle_deg: tuple[float, ...]
    """Without jumps: it may go beyond 360."""
    site_elevation_m: float = 0.0

    def __post_init__(self) -> None:
        rows = (
            self.east_arcsec, self.north_arcsec, self.sun_radius_arcsec, self.moon_radius_arcsec,
            self.sun_altitude_deg, self.zenith_angle_deg,
        )  # fmt: skip
        if len({len(row) for row in rows}) != 1 or len(self.east_arcsec) < 4 or not self.step_s > 0:
            raise ValueError("a scene needs rows of one length, of four steps or more, at steps above zero")

    @property
    def ends_utc_ns(self) -> int:
        """Return the instant of the last step."""
        return self.starts_utc_ns + round((len(self.east_arcsec) - 1) * self.step_s * 1e9)

    def at(self, utc_ns: int) -> Disks:
        """Return the disks at an instant."""
        last = len(self.east_arcsec) - 1
        steps = min(max((utc_ns - self.starts_utc_ns) / (self.step_s * 1e9), 0.0), float(last))
        first = min(max(int(steps) - 1, 0), last - 3)
        weights = _cubic_weights(steps - first)

        def now(row: tuple[float, ...]) -> float:
            return sum(w * value for w, value in zip(weights, row[first : first + 4], strict=True))

        east, north = now(self.east_arcsec), now(self.north_arcsec)
        return Disks(
            separation_arcsec=math.hypot(east, north),
            position_angle_deg=math.degrees(math.atan2(east, north)) % 360.0,
            sun_radius_arcsec=now(self.sun_radius_arcsec),
            moon_radius_arcsec=now(self.moon_radius_arcsec),
            sun_altitude_deg=now(self.sun_altitude_deg),
            zenith_angle_deg=now(self.zenith_angle_deg) % 360.0,
        )


def _cubic_weights(x: float) -> tuple[float, float, float, float]:
    """Return Lagrange's weights of values at 0, 1, 2 and 3 for a place between them."""
    a, b, c, d = x, x - 1, x - 2, x - 3
    return (-b * c * d / 6, a * c * d / 2, -a * b * d / 2, a * b * c / 6)


@dataclass(frozen=True)
class Limb:
    """The edge of the Moon: heights over its mean limb, arcseconds, at even steps of axis angle.

    The angle is the position angle about the Moon's centre, from north through east; the last height joins
    the first again.
    """

    heights_arcsec: tuple[float, ...]

    def __post_init__(self) -> None:
        if len(self.heights_arcsec) < 4:
            raise ValueError("a limb needs four heights or more")


@dataclass(frozen=True, kw_only=True)
class Outlook:
    """What one rig sees: the scene, and the lens and filter that it is seen through."""

    scene: Scene
    field_arcsec: tuple[float, float]
    """Width and height of a frame on the sky, at the middle's scale."""
    filter_density: float
    """Of the solar filter, when it is on."""
    filter_off_utc_ns: tuple[tuple[int, int], ...] = ()
    """The stretches of time in which the plan has it off."""
    light_lost_stops: float = 0.0
    """Behind the lens' own f-number: what a teleconverter takes."""
    limb: Limb | None = None
    """The Moon's edge; None for a smooth one."""

    def filter_on_at(self, utc_ns: int) -> bool:
        """Return whether the plan has the filter on at an instant."""
        return not any(from_ns <= utc_ns < until_ns for from_ns, until_ns in self.filter_off_utc_ns)


def made_up_limb(seed: int, *, rms_arcsec: float = 0.8, steps: int = 720) -> Limb:
    """Return a made-up limb: no real profile, but as rough as the Moon's (rms from memory), the same for a seed."""
    import random

    drawn = random.Random(seed)  # noqa: S311 - hills, not secrecy
    waves = [(n, drawn.gauss(0, 1) / n**0.7, drawn.uniform(0, 2 * math.pi)) for n in range(3, 120)]
    raw = [
        sum(size * math.cos(n * 2 * math.pi * step / steps + turn) for n, size, turn in waves)
        for step in range(steps)
    ]
    scale = rms_arcsec / math.sqrt(sum(height**2 for height in raw) / steps)
    return Limb(tuple(round(height * scale, 4) for height in raw))
