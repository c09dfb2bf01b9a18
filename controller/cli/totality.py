"""What a compiled plan makes of totality: how much of the time, which corona, and both diamond rings."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from controller.light.coverage import Radii, covered_by
from controller.light.extinction import LOWEST_ALTITUDE_DEG, Haze
from controller.light.sensor import FARTHEST_RADIUS, FULL_FRAME, SENSORS
from controller.light.stops import with_teleconverter
from controller.plan.model import RigPlan
from controller.plan.sensors import class_of, field_of
from controller.sky import Circumstances
from controller.timeline.model import Frame, Timeline
from controller.units import ContactName, FilterState, Wanted, seconds_to_ns

NEAR_S = 15.0
"""A `must` frame this near to C2 or C3 is counted for its diamond ring and beads."""
CORONA_RADII = 5.0
"""How far out the corona is looked for, solar radii from the Sun's centre, where the frame holds it."""


@dataclass(frozen=True)
class Totality:
    """One rig between the filter coming off and going back on."""

    rig: str
    part_used: float
    """Of the unfiltered phases, the part in which the camera exposes or gets ready, 0 to 1."""
    musts_at_c2: int
    musts_at_c3: int
    corona_wanted: Radii
    corona_covered: tuple[Radii, ...]
    haze: Haze

    @property
    def words(self) -> str:
        """Return it in sentences."""
        inner, outer = self.corona_wanted
        whole = self.corona_covered == (self.corona_wanted,)
        stretches = " and ".join(f"{low:.2f} to {high:.2g}" for low, high in self.corona_covered) or "nothing"
        corona = f"{'all' if whole else stretches} of the corona from {inner:.2f} to {outer:.2g} solar radii"
        musts = f"{self.musts_at_c2} must frames around C2 and {self.musts_at_c3} around C3"
        return (
            f"{self.rig}: between the holds the camera is busy {100 * self.part_used:.1f} % of the time, with {musts}. "
            f"Computed for {self.haze.value} air, its frames cover {corona}."
        )

    def to_json_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        return {
            "rig": self.rig,
            "part_used": round(self.part_used, 4),
            "must_frames_at_c2": self.musts_at_c2,
            "must_frames_at_c3": self.musts_at_c3,
            "corona_wanted_radii": [round(one, 3) for one in self.corona_wanted],
            "corona_covered_radii": [[round(one, 3) for one in stretch] for stretch in self.corona_covered],
        }


def totalities(
    timeline: Timeline, rigs: list[RigPlan], sky: Circumstances, haze: Haze = Haze.CLEAR
) -> list[Totality]:
    """Return what each rig with unfiltered frames makes of totality."""
    found = []
    for rig in rigs:
        frames = [f for f in timeline.frames if f.rig == rig.name and f.filter_need is FilterState.OFF]
        part = part_used(timeline, rig.name)
        if not frames or part is None:
            continue
        wanted = wanted_corona(rig, sky)
        found.append(
            Totality(
                rig=rig.name,
                part_used=part,
                musts_at_c2=musts_near(timeline, frames, ContactName.C2),
                musts_at_c3=musts_near(timeline, frames, ContactName.C3),
                corona_wanted=wanted,
                corona_covered=_covered(timeline, frames, rig, sky, wanted, haze),
                haze=haze,
            )
        )
    return found


def part_used(timeline: Timeline, rig: str) -> float | None:
    """Return the part of a rig's unfiltered phases in which its camera is busy; None where there are none."""
    busy = length = 0
    for phase in timeline.phases:
        if phase.rig != rig or phase.filter_need is not FilterState.OFF:
            continue
        length += phase.ends_utc_ns - phase.starts_utc_ns
        reached = int(phase.starts_utc_ns)
        for frame in timeline.frames:
            if (frame.rig, frame.phase) == (rig, phase.name):
                end = min(frame.due_utc_ns + frame.slot_ns, phase.ends_utc_ns)
                busy += max(0, end - max(frame.due_utc_ns, reached))
                reached = max(reached, end)
    return busy / length if length else None


def musts_near(timeline: Timeline, frames: list[Frame], contact: ContactName) -> int:
    """Return how many of some frames are `must` and within `NEAR_S` of a contact."""
    at = timeline.contacts_utc_ns[contact]
    near_ns = seconds_to_ns(NEAR_S)
    return sum(f.wanted is Wanted.MUST and abs(f.due_utc_ns - at) <= near_ns for f in frames)


def wanted_corona(rig: RigPlan, sky: Circumstances) -> Radii:
    """Return the stretch of corona a rig may be asked for: from the Moon's limb as far as the frame holds it."""
    inner, field = max(1.0, sky.diameter_ratio), field_of(rig)
    reach = CORONA_RADII if field is None else min(CORONA_RADII, field.corona_radii()[2])
    return (inner, min(FARTHEST_RADIUS, max(reach, inner + 0.1)))


def _covered(
    timeline: Timeline, frames: list[Frame], rig: RigPlan, sky: Circumstances, wanted: Radii, haze: Haze
) -> tuple[Radii, ...]:
    known = class_of(rig)
    contacts = timeline.contacts_utc_ns
    dark = [f for f in frames if contacts[ContactName.C2] <= f.due_utc_ns <= contacts[ContactName.C3]]
    settings = {
        (
            f.settings.exposure_s,
            with_teleconverter(f.settings.f_number, rig.optics.teleconverter),
            float(f.settings.iso),
        )
        for f in dark
    }
    return covered_by(
        settings,
        wanted,
        sensor=FULL_FRAME if known is None else SENSORS[known.light_sensor],
        sun_altitude_deg=max(LOWEST_ALTITUDE_DEG, sky.contact(ContactName.MID).altitude_deg),
        site_elevation_m=sky.site.elevation_m,
        haze=haze,
    )
