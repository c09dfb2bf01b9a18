"""What a draft is made from: the place and its Sun, the gear, and what is wanted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from controller.gear.body import CameraBody
from controller.gear.classes import CAMERA_CLASSES, CameraClass
from controller.gear.drift import SunSeen, longest_exposure_s, motion_at
from controller.gear.optics import Field
from controller.light.extinction import LOWEST_ALTITUDE_DEG, Haze
from controller.light.sensor import SENSORS, Sensor
from controller.light.stops import NOMINAL_THIRDS_S, with_teleconverter
from controller.sky import Circumstances
from controller.sky.track import SunTrack
from controller.units import NS_PER_S, ContactName, Wanted, seconds_to_ns

Mount = Literal["fixed", "tracking"]
LongSide = Literal["level", "upright"]
Driver = Literal["simulated", "tethered"]
Spacing = Literal["time", "area"]

SUBJECTS: dict[str, Wanted] = {
    "crescents": Wanted.WANT,
    "diamond rings": Wanted.MUST,
    "beads": Wanted.MUST,
    "chromosphere": Wanted.WANT,
    "prominences": Wanted.WANT,
    "corona": Wanted.MUST,
    "earthshine": Wanted.NICE,
    "ring": Wanted.MUST,
    "land": Wanted.WANT,
}
"""What can be wanted above all, and how much each is wanted otherwise. Both diamond rings always are."""

LONG_FROM_MM = 135.0
"""A focal length from which a lens is called long."""
MOST_ISO = 3200
"""Beyond it a draft does not go by itself: noise eats what the shorter exposure gains (common practice)."""
MOST_SPARED = 14
SHORTENED = 0.98
"""Of the longest exposure before a trail shows: the Sun's speed in the frame is not the same all day."""


@dataclass(frozen=True, kw_only=True)
class Gear:
    """The rig on the Sun."""

    camera_class: str
    """A name of `CAMERA_CLASSES`."""
    body: CameraBody
    """What planning assumes of the camera: the driver's figures under those that were given."""
    focal_length_mm: float
    aperture: float
    """Of the lens alone."""
    teleconverter: float = 1.0
    filter_density: float = 5.0
    filter_kind: str = "solar filter in front of the lens"
    mount: Mount = "fixed"
    long_side: LongSide = "level"
    driver: Driver = "simulated"
    match: str | None = None
    written: tuple[str, ...] = ()
    """Lines for the section `camera` of the plan, beyond driver and match."""
    iso: int | None = None
    """For every shot; None: chosen."""

    @property
    def kind(self) -> CameraClass:
        """Return the class of the camera."""
        return CAMERA_CLASSES[self.camera_class]

    @property
    def name(self) -> str:
        """Return what the rig is called."""
        return "long" if self.focal_length_mm * self.teleconverter >= LONG_FROM_MM else "sun"

    @property
    def sensor(self) -> Sensor:
        """Return the sensor as the light sees it."""
        return SENSORS[self.kind.light_sensor]

    @property
    def field(self) -> Field:
        """Return what the frame takes in."""
        return Field.of(
            self.kind.size,
            self.focal_length_mm,
            teleconverter=self.teleconverter,
            upright=self.long_side == "upright",
        )

    @property
    def f_number(self) -> float:
        """Return the f-number of lens and teleconverter together."""
        return with_teleconverter(self.aperture, self.teleconverter)

    @property
    def listed_s(self) -> tuple[float, ...]:
        """Return the exposures the camera lists, the usual ones where it is not known."""
        return self.body.shutter_s or NOMINAL_THIRDS_S

    @property
    def isos(self) -> list[int]:
        """Return the speeds a draft chooses among, from the sensor's base speed on in whole stops."""
        if self.iso is not None:
            return [self.iso]
        base = self.sensor.base_iso
        listed = self.body.isos or tuple(base * 2**stop for stop in range(8))
        usable = [iso for iso in sorted(listed) if base <= iso <= MOST_ISO]
        chosen: list[int] = []
        for iso in usable:
            if not chosen or iso >= 1.9 * chosen[-1]:
                chosen.append(iso)
        return chosen or [min(listed)]


@dataclass(frozen=True, kw_only=True)
class Wish:
    """What is wanted of the day."""

    most_wanted: frozenset[str] = frozenset()
    """Names of `SUBJECTS` that are wanted above all."""
    corona_radii: float = 5.0
    """How far out, solar radii from the Sun's centre."""
    crescents: int = 12
    """Pictures of the sequence on each side of the greatest phase."""
    spacing: Spacing = "time"
    haze: Haze = Haze.CLEAR
    blur_px: float = 2.0
    """The trail that passes for sharp on a fixed tripod."""
    land_mm: float | None = None
    """The focal length of a second camera on the land; None: there is none."""
    people_mm: float | None = None
    """The same for one that faces the people."""
    spare_card: int = 0
    """How much is left out for a small card, 0 to `MOST_SPARED`."""

    left_out: frozenset[str] = frozenset()
    """Shots of totality, by name, that have been found to have no room."""

    @property
    def uses_all(self) -> bool:
        """Return whether every moment of totality is to be used."""
        return self.spare_card < 1

    @property
    def corona_rest(self) -> float:
        """Return how long the camera rests after a set of the corona, in lengths of the set."""
        return 0.0 if self.spare_card < 3 else 0.25 * 1.6 ** (self.spare_card - 3)

    @property
    def edge_every_s(self) -> float | None:
        """Return the interval of the frames around C2 and C3; None: as fast as can be."""
        return None if self.spare_card < 2 else max(1.0, self.spare_card - 8.0)

    def wanted(self, subject: str) -> Wanted:
        """Return how much a subject is wanted."""
        return Wanted.MUST if subject in self.most_wanted else SUBJECTS[subject]


@dataclass(frozen=True, kw_only=True)
class Scene:
    """The eclipse over the place."""

    sky: Circumstances
    track: SunTrack
    zone: str
    place: str = ""

    @property
    def sun(self) -> SunSeen:
        """Return the Sun for the gear."""
        return SunSeen(self.track.at, self.track.sun_radius_arcsec)

    def at(self, contact: ContactName, offset_s: float = 0.0) -> int:
        """Return an instant, UTC nanoseconds.

        Raises:
            KeyError: if the eclipse has no such contact here.
        """
        return self.sky.contacts_utc_ns[contact] + seconds_to_ns(offset_s)

    def altitude_deg(self, utc_ns: int) -> float:
        """Return the Sun's altitude without refraction, not lower than where it can be exposed at all."""
        altitude, _ = self.track.true_at(np.array([utc_ns]))
        return max(LOWEST_ALTITUDE_DEG + 0.01, float(altitude[0]))

    def seen_deg(self, utc_ns: int) -> float:
        """Return the Sun's altitude as seen."""
        altitude, _ = self.track.at(np.array([utc_ns]))
        return float(altitude[0])

    def obscuration(self, utc_ns: int) -> float:
        """Return the covered part of the Sun's area."""
        return float(self.track.obscuration(np.array([utc_ns]))[0])


@dataclass(frozen=True, kw_only=True)
class Draft:
    """A drafted plan."""

    text: str
    motion_limit_s: float | None
    """The longest exposure on the fixed tripod, which the plan states and keeps; None on a tracking mount."""
    notes: tuple[str, ...] = field(default_factory=tuple)
    """What is worth knowing and stands at the head of the plan, too."""


def motion_limit_s(scene: Scene, gear: Gear, blur_px: float) -> float | None:
    """Return the longest exposure that trails by no more than `blur_px` at any time of the day.

    None on a tracking mount.
    """
    if gear.mount == "tracking":
        return None
    speeds = (motion_at(gear.field, scene.sun, instant).px_s for instant in _through_the_day(scene))
    return SHORTENED * longest_exposure_s(blur_px, max(speeds))


def _through_the_day(scene: Scene) -> Sequence[int]:
    instants = list(scene.sky.contacts_utc_ns.values())
    step = 15 * 60 * NS_PER_S
    return [*range(instants[0], instants[-1], step), instants[-1]]
