"""Which exposures a draft takes, and the sentence that says why.

Each comes from `controller.light.phenomena`: the published guide, moved by what the radiometric model says
of this sky; the fewest exposures for the corona come from `controller.light.coverage`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from controller.light.brightness import SUN_ILLUMINANCE_LX
from controller.light.coverage import Cover, Radii, cover, covered_by
from controller.light.extinction import beam_transmittance
from controller.light.phenomena import (
    DISK,
    LANDSCAPE,
    Exposure,
    Phenomenon,
    corona_at,
    luminance_cd_m2,
    recommend,
)
from controller.light.sensor import METERED_LEVEL, exposure_for_level_s
from controller.light.stops import (
    bracket_exposures,
    format_exposure,
    longest_exposure_s,
    nearest_listed,
)
from controller.plan.drafting.model import Gear, Scene, Wish, motion_limit_s
from controller.sky import Kind
from controller.units import ContactName

EDGE_LONGEST_S = 1 / 25
"""The longest exposure while some of the Sun's surface may still be seen."""
FINE_STEP_STOPS, COARSE_STEP_STOPS = 1.0, 2.0
INNERMOST_RADIUS = 1.1
"""Where the fine bracket of the corona begins, solar radii."""
FILTERED_LONGEST_S = 0.5
"""No filtered exposure is longer, on any mount: a low Sun boils (common practice)."""
NEARLY = 0.95
"""A speed that reaches so much of the best serves as well."""
LAND_REFLECTANCE = 0.18
LAND_F_NUMBER = 4.0
_LAND_ISO = {"land": 400, "people": 1600}
"""In totality: people move, the land does not."""
_BRIGHT_ISO = 100
SKY_SHARE = 0.2
"""What the sky adds to the Sun's light on the land, of the Sun's (common practice, no single source)."""
THINNEST_COVERED = 0.998
"""The thinnest crescent a filtered exposure is computed for: this part of the area covered."""

_REMARKS = {
    "Baily's beads": "The core of a bead clips at any exposure: the guide exposes for what stands beside it",
    "diamond ring": "The diamond clips, as it should: this is for the ring, the corona at 1.2 solar radii",
    "chromosphere": "It shines in one red line, of which the sensor may see more or less than computed",
    "prominences": "They differ among themselves by some stops",
    "earthshine": "The guide has no row for it",
}


@dataclass(frozen=True)
class Chosen:
    """One exposure or a set of them, at a speed, and why."""

    exposures_s: tuple[float, ...]
    why: str
    iso: int | None = None
    """None: the rig's own."""
    kept_down: bool = False
    """Whether a limit keeps it shorter than recommended."""


@dataclass(frozen=True, kw_only=True)
class Corona:
    """The exposures for the corona: the fewest that cover it, and a finer set between their ends."""

    coarse: Chosen
    fine: Chosen | None
    fine_step_stops: float
    cover: Cover
    covered: tuple[Radii, ...]


class Light:
    """The exposures of one rig at one eclipse."""

    def __init__(self, scene: Scene, gear: Gear, wish: Wish) -> None:
        self.scene, self.gear, self.wish = scene, gear, wish
        self.iso = gear.isos[0]
        self.limit_s = motion_limit_s(scene, gear, wish.blur_px)

    # --- one phenomenon -------------------------------------------------------------------------

    def bare(self, phenomenon: Phenomenon, utc_ns: int, most_s: float | None = None) -> Chosen:
        """Return the exposure of something in totality, at the lowest speed that keeps it within the limits.

        Args:
            phenomenon: which one.
            utc_ns: when, for the Sun's altitude.
            most_s: no longer than this, whatever the mount.
        """
        most = self._most(most_s)
        iso, found = self._at_lowest_iso(lambda iso: self._recommended(phenomenon, utc_ns, iso), most)
        taken = self._capped(found.recommended_s, most)
        why = self._why(found, taken, utc_ns, iso)
        return Chosen((taken,), why, self._speed(iso), kept_down=taken < found.recommended_s)

    def crescent(self, utc_ns: int, stops: Sequence[float]) -> Chosen:
        """Return the exposures of the filtered Sun at an instant, shortest first: so many stops about its own."""
        # The Moon leaves nothing where it covers all; the crescent just before is meant.
        covered = min(self.scene.obscuration(utc_ns), THINNEST_COVERED)
        longest = self._most(FILTERED_LONGEST_S)
        most = longest / 2.0 ** max(stops)
        iso, found = self._at_lowest_iso(lambda iso: self._recommended(DISK, utc_ns, iso, covered), most)
        times = {
            self._capped(nearest_listed(found.exact_s * 2.0**stop, self.gear.listed_s)[0], longest)
            for stop in stops
        }
        taken = self._capped(found.recommended_s, longest)
        why = f"{percent(covered)} covered. {self._why(found, taken, utc_ns, iso)}"
        return Chosen(tuple(sorted(times)), why, self._speed(iso))

    def _at_lowest_iso(self, expose: Callable[[int], Exposure], most_s: float) -> tuple[int, Exposure]:
        for iso in self.gear.isos:
            found = expose(iso)
            if found.recommended_s <= most_s:
                break
        return iso, found

    def _speed(self, iso: int) -> int | None:
        return None if iso == self.iso else iso

    def _recommended(self, phenomenon: Phenomenon, utc_ns: int, iso: int, covered: float = 0.0) -> Exposure:
        gear, sky = self.gear, self.scene.sky
        return recommend(
            phenomenon, f_number=gear.aperture, iso=iso, filter_density=gear.filter_density,
            sun_altitude_deg=self.scene.altitude_deg(utc_ns), site_elevation_m=sky.site.elevation_m,
            haze=self.wish.haze, sensor=gear.sensor, teleconverter=gear.teleconverter, listed_s=gear.listed_s,
            obscuration=covered, diameter_ratio=sky.diameter_ratio,
        )  # fmt: skip

    def _most(self, most_s: float | None = None) -> float:
        limits = [limit for limit in (self.limit_s, most_s) if limit is not None]
        return min(limits, default=float("inf"))

    def _capped(self, exposure_s: float, most_s: float) -> float:
        """Return the exposure, or the longest listed one below the limit."""
        if exposure_s <= most_s:
            return exposure_s
        return max((one for one in self.gear.listed_s if one <= most_s), default=min(self.gear.listed_s))

    def _why(self, found: Exposure, taken_s: float, utc_ns: int, iso: int) -> str:
        q = found.phenomenon.q(self.gear.filter_density)
        words = []
        if found.guide_s is not None and q is not None:
            words.append(
                f"Guide (Q {q:.3g}): {_time(found.guide_s)}; computed light: {_time(found.radiometric_s)}"
            )
        else:
            words.append(f"Computed light: {_time(found.radiometric_s)}")
        words[-1] += f" at ISO {iso}" if iso != self.iso else ""
        altitude = self.scene.seen_deg(utc_ns)
        sky = f"Sun {altitude:.0f} degrees up in {self.wish.haze.value} air"
        moved = found.moved_stops
        words.append(f"{sky}: {moved:+.1f} stops" if abs(moved) >= 0.05 else f"{sky}: nothing to add")
        remark = _REMARKS.get(found.phenomenon.kind.value)
        if remark:
            words.append(remark)
        if taken_s < found.recommended_s:
            words.append(f"Kept down to {format_exposure(taken_s)}, or it would trail or burn out")
        elif abs(found.off_stops) > 1 / 3:
            words.append(
                f"The camera lists nothing nearer: {abs(found.off_stops):.1f} stops "
                f"{'more' if found.off_stops > 0 else 'less'} than wanted"
            )
        return ". ".join(words) + "."

    # --- the corona -----------------------------------------------------------------------------

    def corona(self, room_s: float, slots_s: Callable[[Sequence[float]], float]) -> Corona:
        """Return the exposures for the corona in so much time, at the lowest speed that serves.

        Args:
            room_s: the time there is; the fewest exposures are to fit in once, and better twice.
            slots_s: how long a set of exposures occupies the camera.
        """
        tries = [self._corona_at(iso, room_s, slots_s) for iso in self.gear.isos]
        for enough in (room_s / 2, room_s):
            for one in tries:
                if _is_whole(one) and slots_s(one.coarse.exposures_s) <= enough:
                    return one
        best = max(_reach(one.covered) for one in tries)
        # More speed hardly reaches farther when light is short, and each frame then spans less.
        return next(one for one in tries if _reach(one.covered) >= NEARLY * best)

    def _corona_at(self, iso: int, room_s: float, slots_s: Callable[[Sequence[float]], float]) -> Corona:
        gear, scene = self.gear, self.scene
        mid = scene.at(ContactName.MID)
        inner = max(1.0, scene.sky.diameter_ratio)
        outer = max(
            inner + 0.3, min(self.wish.corona_radii, gear.field.corona_radii(scene.sun.radius_arcsec)[2])
        )
        most_s = min(self._most(), room_s)
        found = cover(
            inner, outer, f_number=gear.f_number, iso=iso, sensor=gear.sensor,
            sun_altitude_deg=scene.altitude_deg(mid), site_elevation_m=scene.sky.site.elevation_m,
            haze=self.wish.haze, listed_s=gear.listed_s, longest_s=most_s,
        )  # fmt: skip
        taken = list(found.exposures_s) or [self._inner_corona(iso, most_s)]
        while len(taken) > 1 and slots_s(taken) > room_s:
            taken.pop()  # the longest: what is nearest to the Sun is kept
        settings = [(one, gear.f_number, iso) for one in taken]
        covered = covered_by(
            settings, (inner, outer), sensor=gear.sensor, sun_altitude_deg=scene.altitude_deg(mid),
            site_elevation_m=scene.sky.site.elevation_m, haze=self.wish.haze,
        )  # fmt: skip
        speed = self._speed(iso)
        fine, step = self._fine(iso, taken, outer, most_s, room_s, slots_s)
        return Corona(
            coarse=Chosen(tuple(taken), self._cover_why(found, taken, covered, iso), speed),
            fine=None if fine is None else Chosen(fine, self._fine_why(step, outer, iso), speed),
            fine_step_stops=step,
            cover=found,
            covered=covered,
        )

    def _inner_corona(self, iso: int, most_s: float) -> float:
        found = self._recommended(corona_at(1.2), self.scene.at(ContactName.MID), iso)
        return self._capped(found.recommended_s, most_s)

    def _fine(
        self,
        iso: int,
        coarse: Sequence[float],
        outer: float,
        most_s: float,
        room_s: float,
        slots_s: Callable[[Sequence[float]], float],
    ) -> tuple[tuple[float, ...] | None, float]:
        """Return a bracket from the innermost corona to the outermost wanted, and its step; None without room."""
        mid = self.scene.at(ContactName.MID)
        ends = [self._recommended(corona_at(r), mid, iso).recommended_s for r in (INNERMOST_RADIUS, outer)]
        low = self._capped(min(ends[0], coarse[0]), most_s)
        high = self._capped(max(ends[1], coarse[-1]), most_s)
        for step in (FINE_STEP_STOPS, COARSE_STEP_STOPS):
            try:
                times = bracket_exposures(low, high, step)
            except ValueError:  # the camera's own values are of no usual series
                times = (low, high)
            near = sorted({nearest_listed(one, self.gear.listed_s)[0] for one in times})
            if len(near) > 1 and slots_s(near) <= room_s / 2:
                return tuple(near), step
        return None, FINE_STEP_STOPS

    def _cover_why(self, found: Cover, taken: Sequence[float], covered: Sequence[Radii], iso: int) -> str:
        inner, outer = found.wanted
        words = [
            f"The corona from {inner:.2f} to {outer:.2g} solar radii is {found.range_stops:.1f} stops deep"
            + (f", at ISO {iso}" if iso != self.iso else "")
        ]
        whole = tuple(covered) == ((inner, outer),)
        of_it = (
            "it" if whole else " and ".join(f"{low:.2f} to {high:.2g} radii of it" for low, high in covered)
        )
        if not covered:
            words.append("None of it is computed to show well through this air; this is the best there is")
        elif len(taken) > 1:
            words.append(
                f"These {len(taken)} are the fewest that cover {of_it}: steps of up to {found.widest_step_stops:.1f} "
                f"stops follow from the sensor's range, with signal over noise of {found.seam_snr:.0f} where one hands "
                "over to the next"
            )
        else:
            words.append(f"This one covers {of_it}")
        if covered and not whole:
            words.append(
                "The rest is too faint for one frame here: stack many, or use a tracking mount or a faster lens"
            )
        words.append(self._limit_words())
        return ". ".join(word for word in words if word) + "."

    def _fine_why(self, step: float, outer: float, iso: int) -> str:
        to = f"what {outer:.2g} asks for"
        if self.limit_s is not None:
            to += ", or the longest that does not trail"
        return (
            f"From the guide's corona at {INNERMOST_RADIUS:g} solar radii to {to}, in steps of "
            f"{step:g} stop{'' if step == 1 else 's'}" + (f", at ISO {iso}" if iso != self.iso else "") + ". "
            "Fired coarse to fine: any beginning of a set spans it."
        )

    def _limit_words(self) -> str:
        if self.limit_s is None:
            return ""
        return (
            f"On the fixed tripod exposures up to {_time(self.limit_s)} trail by {self.wish.blur_px:g} pixels or less: "
            "none is longer"
        )

    # --- the land -------------------------------------------------------------------------------

    def land_s(self, utc_ns: int, iso: int) -> float:
        """Return the exposure of the land at an instant, seconds, at `LAND_F_NUMBER`.

        A level ground of reflectance 0.18, lit by what the Moon leaves of the Sun and, a fifth of that, by the
        sky (common practice, no single source); in totality by the sky alone.
        """
        scene, elevation = self.scene, self.scene.sky.site.elevation_m
        dark, _ = luminance_cd_m2(LANDSCAPE, site_elevation_m=elevation, haze=self.wish.haze)
        altitude = scene.altitude_deg(utc_ns)
        left = (1.0 - scene.obscuration(utc_ns)) * beam_transmittance(altitude, elevation, self.wish.haze)
        lit_lx = SUN_ILLUMINANCE_LX * left * (max(0.0, math.sin(math.radians(altitude))) + SKY_SHARE)
        return exposure_for_level_s(
            dark + LAND_REFLECTANCE * lit_lx / math.pi, LAND_F_NUMBER, iso, METERED_LEVEL
        )


def percent(part: float) -> str:
    """Return a covered part of the Sun in words."""
    return f"{100 * part:.0f} %" if part >= 0.01 else "under 1 %"


def land_iso(scene: Scene, name: str) -> int:
    """Return the speed of a camera on the land or the people: where it never gets dark, a low one."""
    return _LAND_ISO[name] if scene.sky.kind is Kind.TOTAL else _BRIGHT_ISO


def slot_s(exposures_s: Sequence[float], gear: Gear) -> float:
    """Return how long a set that fills the time occupies the camera, as compiling reckons it."""
    body = gear.body
    return sum(
        max(body.cycle_s(longest_exposure_s(one), settings_change=True), body.write_time_s)
        for one in exposures_s
    )


def _is_whole(one: Corona) -> bool:
    return one.covered == (one.cover.wanted,)


def _reach(covered: Sequence[Radii]) -> float:
    return sum(high - low for low, high in covered)


def _time(exposure_s: float) -> str:
    if exposure_s < 1e-5:
        return "far too short to set"
    return f"1/{1 / exposure_s:.0f} s" if exposure_s < 0.3 else f"{float(f'{exposure_s:.2g}'):g} s"
