"""Gear, places and eclipses drawn at random, and a day in virtual time for the plans drafted from them."""

from __future__ import annotations

import datetime as dt
import random
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

from controller.cameras.protocol import Clock
from controller.cameras.simulated import SimulatedCamera, SimulatedDevice
from controller.engine.engine import Engine
from controller.gear.body import SIMULATED_BODY
from controller.gear.classes import CAMERA_CLASSES
from controller.journal.records import Kind as RecordKind
from controller.light.extinction import Haze
from controller.plan.drafting import SUBJECTS, Gear, Scene, Wish
from controller.simulate.driver import Simulation
from controller.sky import Kind, Site, circumstances
from controller.sky.path import EclipsePath, eclipse_path
from controller.sky.track import sun_track
from controller.timeline.compile import Compiled
from controller.timeline.model import Hold
from controller.units import seconds_to_ns

# Dates of central eclipses: F. Espenak and J. Meeus, Five Millennium Canon of Solar Eclipses (NASA TP-2006-214141).
DATES = [
    dt.date.fromisoformat(day)
    for day in (
        "2024-04-08", "2026-08-12", "2027-08-02", "2028-07-22", "2030-11-25", "2031-11-14", "2033-03-30",
        "2034-03-20", "2035-09-02", "2037-07-13", "2038-12-26", "2024-10-02", "2027-02-06", "2028-01-26",
        "2030-06-01", "2031-05-21", "2023-04-20",
    )
]  # fmt: skip


@dataclass(frozen=True)
class Order:
    """What somebody asks a draft for."""

    scene: Scene
    gear: Gear
    wish: Wish
    card: int | None


@cache
def _line(date: dt.date) -> list[tuple[float, float]]:
    path: EclipsePath = eclipse_path(date)
    return [
        (float(lat), float(lon))
        for line in path.central
        for lat, lon in zip(line.latitude_deg, line.longitude_deg, strict=True)
    ]


def random_scene(rng: random.Random) -> Scene:
    """A place that sees an eclipse: in or near the path for the most part, anywhere now and then."""
    while True:
        date = rng.choice(DATES)
        latitude, longitude = rng.choice(_line(date))
        reach = rng.choice((0.0, 0.3, 0.8, 12.0))
        latitude = max(-89.0, min(89.0, latitude + rng.uniform(-reach, reach)))
        longitude = (longitude + rng.uniform(-reach, reach) + 180) % 360 - 180
        site = Site(round(latitude, 4), round(longitude, 4), float(rng.choice((0, 0, 150, 1200, 3500))))
        sky = circumstances(site, date)
        if sky.kind is not Kind.NONE:
            return Scene(sky=sky, track=sun_track(sky), zone="UTC", place="Somewhere")


def random_order(seed: int) -> Order:
    """Place, eclipse, gear and wishes of one seed."""
    rng = random.Random(seed)
    scene = random_scene(rng)
    usual = rng.random() < 0.5
    body = SIMULATED_BODY
    written: list[str] = [f"frame_gap: {body.frame_gap_s:g} s"]
    if not usual:
        body = replace(
            body, frame_gap_s=rng.choice((0.15, 0.3, 0.8, 1.5)), write_time_s=rng.choice((0.1, 0.5, 1.2)),
            buffer_frames=rng.choice((6, 20, 60)),
        )  # fmt: skip
        written = [
            f"frame_gap: {body.frame_gap_s:g} s", f"write_time: {body.write_time_s:g} s",
            f"buffer_frames: {body.buffer_frames}",
        ]  # fmt: skip
    if rng.random() < 0.3:
        written.append(f"battery: {rng.choice(('3 Wh', '8 Wh', 'mains'))}")
    gear = Gear(
        camera_class=rng.choice(list(CAMERA_CLASSES)),
        body=replace(body, card_frames=None),
        focal_length_mm=rng.choice((85, 135, 200, 300, 400, 500, 600, 800, 1200)),
        aperture=rng.choice((2.8, 4, 5.6, 6.3, 8, 11)),
        teleconverter=rng.choice((1.0, 1.0, 1.0, 1.4, 2.0)),
        filter_density=rng.choice((3.8, 4.0, 5.0, 5.0, 5.0, 6.0)),
        mount=rng.choice(("fixed", "tracking")),
        written=tuple(written),
        iso=rng.choice((None, None, None, 400)),
    )
    wish = Wish(
        most_wanted=frozenset(rng.sample(list(SUBJECTS), rng.choice((0, 0, 1, 3)))),
        corona_radii=rng.choice((2.5, 5.0, 5.0, 8.0)),
        crescents=rng.choice((3, 8, 12, 30)),
        spacing=rng.choice(("time", "time", "area")),
        haze=rng.choice(list(Haze)),
        land_mm=rng.choice((None, None, 20.0)),
        people_mm=rng.choice((None, None, 35.0)),
    )
    return Order(scene, gear, wish, rng.choice((None, None, 150, 400, 2000)))


class Memory:
    """A journal that is only remembered."""

    def __init__(self) -> None:
        self.records: list[dict[str, Any]] = []

    def append_many(self, entries: list[tuple[RecordKind, int, dict[str, Any]]]) -> None:
        """Take records."""
        for kind, at_ns, fields in entries:
            self.records.append(
                {**fields, "seq": len(self.records) + 1, "kind": kind.value, "at_utc_ns": at_ns}
            )


def rehearsed(done: Compiled) -> list[dict[str, Any]]:
    """The records of the day with sound cameras and an operator who answers after two seconds."""
    timeline = done.timeline
    memory = Memory()

    def opener(rig: str) -> Callable[[Clock], SimulatedCamera]:
        devices: list[SimulatedDevice] = []

        def open_camera(clock: Clock) -> SimulatedCamera:
            if not devices:
                devices.append(SimulatedDevice(done.bodies[rig], clock))
            return devices[0].open()

        return open_camera

    def word(hold: Hold, opened: int, first: bool) -> int:
        return opened + seconds_to_ns(2)

    opens = [hold.opens_utc_ns for hold in timeline.holds] + [
        phase.starts_utc_ns for phase in timeline.phases
    ]
    simulation = Simulation(
        engine=Engine(timeline),
        cameras={rig.name: opener(rig.name) for rig in timeline.rigs},
        next_word=word,
        journal=memory,
        start_utc_ns=min(opens) - seconds_to_ns(60),
    )
    assert simulation.run() == "finished"
    return memory.records
