"""How many frames fit: the camera's cycle, its buffer and its card; and what a day takes of both supplies."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

from controller.gear.body import CameraBody
from controller.gear.classes import Battery, SensorSize

COLD_FACTOR = 0.55
"""What is left of a lithium-ion battery's capacity around -10 degrees Celsius (common practice, no single
source: 0.5 to 0.7 at -10, 0.8 at 0)."""
RAW_BYTES_PER_PIXEL = 1.4
"""Of a raw file, losslessly packed: 12 to 14 bits a pixel less a fifth or more (common practice)."""
SPARE_BATTERY = 0.9
"""A battery is not planned to be used beyond this."""


@dataclass(frozen=True, kw_only=True)
class Throughput:
    """What a camera gets done in a stretch of time, exposure after exposure."""

    frames: int
    buffer_full_s: float | None
    """When the camera first had to wait for its card; None: never."""
    lasting_per_s: float
    """Frames a second that the camera keeps up for ever."""


def frames_in(body: CameraBody, length_s: float, exposures_s: Sequence[float]) -> Throughput:
    """Return how many frames a camera completes in a stretch of time, taking exposures in turn for ever.

    The first exposure opens at once. Each next one opens a cycle after the one before (`CameraBody.cycle_s`,
    with the setting time where an exposure differs from the one before); it is not asked for, a release lag
    ahead, while the buffer is full. Frames leave the buffer one after another, `write_time_s` each, from the
    end of their exposure. A frame counts when its exposure ends within the stretch, and the card's room is the limit.

    Args:
        body: the camera.
        length_s: the stretch, seconds.
        exposures_s: nominal exposures, seconds; one for a burst.

    Raises:
        ValueError: if there is no exposure, or one is not above zero.
    """
    if not exposures_s or min(exposures_s) <= 0:
        raise ValueError("exposures must be above zero, and one at least")
    most = math.inf if body.card_frames is None else body.card_frames
    waiting: deque[float] = deque()
    asked, count, written = -body.release_lag_s, 0, 0.0
    buffer_full_s = None
    while count < most:
        exposure = exposures_s[count % len(exposures_s)]
        following = exposures_s[(count + 1) % len(exposures_s)]
        while waiting and waiting[0] <= asked:
            waiting.popleft()
        if len(waiting) >= body.buffer_frames:
            buffer_full_s = asked if buffer_full_s is None else buffer_full_s
            asked = waiting.popleft()
        ends = asked + body.release_lag_s + exposure
        if ends > length_s:
            break
        written = max(ends, written) + body.write_time_s
        waiting.append(written)
        count += 1
        asked += body.cycle_s(exposure, settings_change=following != exposure)
    return Throughput(
        frames=count, buffer_full_s=buffer_full_s, lasting_per_s=lasting_per_s(body, exposures_s)
    )


def lasting_per_s(body: CameraBody, exposures_s: Sequence[float]) -> float:
    """Return the frames a second that go on for ever: the camera's cycle or the card's writing, the slower.

    Of a buffer that holds more than one frame.
    """
    following = [*exposures_s[1:], exposures_s[0]]
    cycle_s = sum(
        body.cycle_s(one, settings_change=one != other)
        for one, other in zip(exposures_s, following, strict=True)
    )
    slowest_s = max(cycle_s, len(exposures_s) * body.write_time_s)
    return len(exposures_s) / slowest_s if slowest_s > 0 else math.inf


def raw_megabytes(size: SensorSize) -> float:
    """Return the size of one raw file, megabytes (10^6 bytes); typical, common practice."""
    return size.megapixels * RAW_BYTES_PER_PIXEL


def card_frames(card_gb: float, size: SensorSize) -> int:
    """Return how many raw frames a card takes; a twentieth of it is not counted on."""
    return int(card_gb * 1000 * 0.95 / raw_megabytes(size))


@dataclass(frozen=True, kw_only=True)
class BatteryUse:
    """The part of one battery that a day takes; above 1 it must be changed."""

    warm: float
    cold: float

    @property
    def words(self) -> str:
        """Return what it means, in one sentence."""
        if self.warm > SPARE_BATTERY:
            return "one battery is not enough: plan when to change it, or feed the camera from outside"
        if self.cold > SPARE_BATTERY:
            return "one battery is enough in the warm and not in frost: keep a warm one ready"
        return "one battery is enough"


def battery_use(battery: Battery, switched_on_s: float, frames: int) -> BatteryUse:
    """Return what a day takes of a battery: power while switched on, and energy a frame.

    Warm is 20 degrees Celsius, cold about -10 (`COLD_FACTOR`).

    Args:
        battery: what it holds and the camera takes.
        switched_on_s: how long the camera is on.
        frames: how many are taken.
    """
    used_wh = (battery.idle_w * switched_on_s + battery.frame_j * frames) / 3600
    warm = used_wh / battery.capacity_wh
    return BatteryUse(warm=warm, cold=warm / COLD_FACTOR)
