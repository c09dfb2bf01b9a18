"""Classes of cameras: sensor sizes, pixels, and typical figures of what feeds and fills them.

The classes are our own. Sizes and pixel counts are typical of their class (common practice, no single
source); a camera's own figures, written in the plan, replace them.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class SensorSize:
    """A sensor as its picture sees it, long side first."""

    width_mm: float
    height_mm: float
    width_px: int
    height_px: int

    def __post_init__(self) -> None:
        if min(self.width_mm, self.height_mm, self.width_px, self.height_px) <= 0:
            raise ValueError("a sensor's sides are above zero")

    @property
    def pixel_um(self) -> float:
        """Return the pixel pitch in micrometres, from the long side."""
        return 1000 * self.width_mm / self.width_px

    @property
    def megapixels(self) -> float:
        """Return the number of pixels in millions."""
        return self.width_px * self.height_px / 1e6

    @property
    def area_mm2(self) -> float:
        """Return the area in square millimetres."""
        return self.width_mm * self.height_mm


@dataclass(frozen=True, kw_only=True)
class Battery:
    """What a battery holds and a camera takes. Typical figures: common practice, no single source."""

    capacity_wh: float
    idle_w: float
    """While switched on and on the cable, its screen mostly dark."""
    frame_j: float
    """What one frame takes above that: shutter, reading out, writing."""


@dataclass(frozen=True, kw_only=True)
class CameraClass:
    """A kind of camera, with no maker's name."""

    name: str
    size: SensorSize
    light_sensor: str
    """The class in `controller.light.sensor.SENSORS` whose noise and full well are typical of it."""
    battery: Battery


_LARGE = Battery(capacity_wh=16.0, idle_w=2.6, frame_j=12.0)
_MIDDLE = Battery(capacity_wh=14.0, idle_w=2.2, frame_j=10.0)
_SMALL = Battery(capacity_wh=8.5, idle_w=1.8, frame_j=8.0)


def _camera(
    name: str, mm: tuple[float, float], px: tuple[int, int], light_sensor: str, battery: Battery
) -> CameraClass:
    size = SensorSize(width_mm=mm[0], height_mm=mm[1], width_px=px[0], height_px=px[1])
    return CameraClass(name=name, size=size, light_sensor=light_sensor, battery=battery)


CAMERA_CLASSES: dict[str, CameraClass] = {
    one.name: one
    for one in (
        _camera("full frame 24 MP", (36.0, 24.0), (6000, 4000), "full frame", _LARGE),
        _camera("full frame 45 MP", (36.0, 24.0), (8256, 5504), "full frame, many pixels", _LARGE),
        _camera("APS-C 24 MP", (23.5, 15.6), (6000, 4000), "APS-C", _MIDDLE),
        _camera("APS-C 26 MP", (23.5, 15.6), (6240, 4160), "APS-C", _MIDDLE),
        _camera("APS-C 32 MP", (22.3, 14.9), (6960, 4640), "APS-C", _MIDDLE),
        _camera("four thirds 20 MP", (17.3, 13.0), (5184, 3888), "four thirds", _MIDDLE),
        _camera("one inch 20 MP", (13.2, 8.8), (5472, 3648), "one inch", _SMALL),
    )
}


def nearest_class(size: SensorSize) -> CameraClass:
    """Return the class whose sensor is nearest in area, then in pixels."""
    return min(
        CAMERA_CLASSES.values(),
        key=lambda one: (
            abs(one.size.area_mm2 - size.area_mm2),
            abs(one.size.megapixels - size.megapixels),
        ),
    )
