"""What a plan says of a rig's sensor and battery, as the gear's own figures."""

from __future__ import annotations

from dataclasses import replace

from controller.gear.classes import CAMERA_CLASSES, Battery, CameraClass, SensorSize, nearest_class
from controller.gear.optics import Field
from controller.plan.fields import MAINS
from controller.plan.model import RigPlan


def size_of(rig: RigPlan) -> SensorSize | None:
    """Return the rig's sensor; None when the plan does not say it."""
    optics = rig.optics
    if isinstance(optics.sensor, tuple) and optics.pixels is not None:
        (width_mm, height_mm), (width_px, height_px) = optics.sensor, optics.pixels
        return SensorSize(width_mm=width_mm, height_mm=height_mm, width_px=width_px, height_px=height_px)
    return CAMERA_CLASSES[optics.sensor].size if isinstance(optics.sensor, str) else None


def class_of(rig: RigPlan) -> CameraClass | None:
    """Return the class of the rig's camera, the nearest one where its sensor is of its own size."""
    size = size_of(rig)
    if isinstance(rig.optics.sensor, str):
        return CAMERA_CLASSES[rig.optics.sensor]
    return None if size is None else nearest_class(size)


def field_of(rig: RigPlan) -> Field | None:
    """Return what one frame of the rig takes in; None when its sensor is not known."""
    size, optics = size_of(rig), rig.optics
    if size is None:
        return None
    return Field.of(
        size,
        optics.focal_length,
        teleconverter=optics.teleconverter,
        crop=optics.crop,
        upright=optics.long_side == "upright",
    )


def battery_of(rig: RigPlan) -> Battery | None:
    """Return the rig's battery, typical of its class but for what the plan says.

    None when the camera is fed from outside, or nothing is known of it.
    """
    known, given = class_of(rig), rig.camera.battery
    if given == MAINS or (known is None and given is None):
        return None
    typical = (known or CAMERA_CLASSES["full frame 24 MP"]).battery
    return replace(typical, capacity_wh=given) if isinstance(given, float) else typical
