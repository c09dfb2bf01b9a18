"""A small plan for days by the hundred: one rig on the Sun, one on the land, few frames, no sky computed."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

from controller.account.odds import Case
from controller.gear.body import CameraBody
from controller.simulate.days import Assumptions
from controller.timeline.model import Frame, Timeline
from controller.units import ContactName, FilterState, Wanted
from tests.engine.builder import NOT_NEEDED, OFF, ON, at, frame, rig_info, timeline

BODY = CameraBody(
    shutter_s=(1 / 1000, 1 / 500, 1 / 250, 1 / 125, 1 / 60, 1 / 30, 1 / 8, 1 / 4, 1 / 2, 1.0, 2.0),
    f_numbers=(8.0,), isos=(100,), frame_gap_s=0.4, setting_time_s=0.1, release_lag_s=0.05, card_frames=500,
)  # fmt: skip
ROUGH = Assumptions(
    late_chance=0.3, late_s=15.0, silent_chance=0.05, wrong_key_chance=0.3, corrected_chance=0.7,
    lost_per_hour=10.0, busy_per_hour=10.0, snap_per_hour=5.0, no_word_per_hour=10.0, slow_write_per_hour=5.0,
    hang_per_hour=5.0, trouble_s=10.0, card_short_chance=0.1, battery_low_chance=0.1, cloudy_s=60.0,
    clear_s=120.0, clock_wrong_chance=0.1, clock_step_chance=0.2, change_s=20.0, crash_per_hour=10.0,
    restart_s=10.0, pause_per_hour=5.0, pause_s=10.0,
)  # fmt: skip
"""Days on which much goes wrong."""
CALM = Assumptions(
    late_chance=0.0, silent_chance=0.0, wrong_key_chance=0.0, prompt_s=1.0, lost_per_hour=0.0, busy_per_hour=0.0,
    snap_per_hour=0.0, no_word_per_hour=0.0, slow_write_per_hour=0.0, hang_per_hour=0.0, card_short_chance=0.0,
    battery_low_chance=0.0, cloudy_s=0.0, clock_s=0.0, clock_wrong_chance=0.0, clock_step_chance=0.0,
    crash_per_hour=0.0, pause_per_hour=0.0,
)  # fmt: skip
"""Days on which nothing goes wrong."""


@cache
def small_day() -> Timeline:
    """Crescents, a ring, a corona bracket twice, and the land."""
    frames: list[Frame] = []

    def add(due: float, shot: str, take: int, **fields: Any) -> None:
        made = frame(len(frames) + 1, due, slot_s=1.0, late_s=0.5, **fields)
        frames.append(replace(made, shot=shot, take=take))

    for n in range(3):
        add(10 + 20 * n, "crescents", n + 1, phase="partial in", need=ON, wanted=Wanted.WANT,
            exposure_s=1 / 500, starts_from=0, until=80, ends_by=80)  # fmt: skip
    for n in range(3):
        add(101 + n, "ring", n + 1, phase="totality", need=OFF, wanted=Wanted.MUST, exposure_s=1 / 125,
            starts_from=100, until=108, ends_by=130)  # fmt: skip
    for take in (1, 2):
        for n, exposure_s in enumerate((1 / 8, 1 / 60, 1 / 500)):
            add(106 + 6 * (take - 1) + 1.6 * n, f"corona {take}", 1, phase="totality", need=OFF,
                wanted=Wanted.MUST if take == 1 else Wanted.NICE, exposure_s=exposure_s, starts_from=104,
                until=112 if take == 1 else 125, ends_by=130)  # fmt: skip
    add(160, "crescents", 1, phase="partial out", need=ON, wanted=Wanted.WANT, exposure_s=1 / 500,
        starts_from=150, until=200, ends_by=200)  # fmt: skip
    add(115, "ridge", 1, rig="wide", phase="landscape", need=NOT_NEEDED, wanted=Wanted.WANT,
        exposure_s=1 / 30, starts_from=110, until=125, ends_by=200)  # fmt: skip
    frames.sort(key=lambda one: (one.due_utc_ns, one.frame_id))
    return timeline(frames, rigs=(rig_info(), rig_info("wide", points_at_sun=False)))


def case(assumed: Assumptions, name: str = "as it is") -> Case:
    """The small day under assumptions."""
    day = small_day()
    assert day.contacts_utc_ns[ContactName.C2] == at(110)
    assert {one.filter_need for one in day.frames} == {
        FilterState.ON,
        FilterState.OFF,
        FilterState.NOT_NEEDED,
    }
    return Case(name, day, {rig.name: BODY for rig in day.rigs}, assumed)
