"""What a plan says of a sensor and a battery becomes the gear's own figures."""

import pytest

from controller.gear.classes import CAMERA_CLASSES
from controller.plan.loading import load_plan_text
from controller.plan.sensors import battery_of, class_of, field_of, size_of

PLAN = """
holdfire_plan: 1
title: a rig
site: {{latitude: 10, longitude: 20}}
eclipse: 2027-08-02
rigs:
  - name: long
    camera: {{driver: simulated{camera}}}
    optics: {{focal_length: 400 mm, aperture: f/8, teleconverter: 1.4{optics}}}
    filter: {{kind: glass, density: 5}}
phases:
  - {{name: all, from: C1, until: C4, filter: on,
      shots: [{{name: sun, wanted: want, exposure: 1/500, every: 60 s}}]}}
"""


def rig(optics: str = "", camera: str = ""):
    """One rig with more keys of its optics and its camera."""
    return load_plan_text(PLAN.format(optics=optics, camera=camera), "plan.yaml").plan.rigs[0]


def test_nothing_is_known_without_a_sensor():
    """No sensor: no size, no class, no frame, no battery."""
    assert size_of(rig()) is None
    assert class_of(rig()) is None
    assert field_of(rig()) is None
    assert battery_of(rig()) is None


def test_a_class_stands_for_its_figures():
    """A class gives its size, its battery, and the frame with the teleconverter in the focal length."""
    one = rig(", sensor: APS-C 26 MP")
    assert class_of(one) is CAMERA_CLASSES["APS-C 26 MP"]
    field = field_of(one)
    assert field.focal_length_mm == pytest.approx(560)
    assert (field.width_px, field.height_px) == (6240, 4160)
    assert battery_of(one) == CAMERA_CLASSES["APS-C 26 MP"].battery


def test_a_sensor_of_its_own_is_taken_as_it_is():
    """Sides and pixels are the plan's; the battery is typical of the nearest class."""
    one = rig(", sensor: 35.9 mm x 23.9 mm, pixels: 8192 x 5464, long_side: upright, crop: 1.6")
    assert size_of(one).pixel_um == pytest.approx(4.382, abs=1e-3)
    assert class_of(one) is CAMERA_CLASSES["full frame 45 MP"]
    field = field_of(one)
    assert (field.width_px, field.height_px) == pytest.approx((5464 / 1.6, 8192 / 1.6))


def test_the_plan_s_battery_replaces_the_typical_one():
    """Watt hours replace the capacity, with or without a sensor; mains need no battery."""
    assert battery_of(rig(camera=", battery: 9 Wh")).capacity_wh == 9
    typical = CAMERA_CLASSES["one inch 20 MP"].battery
    own = battery_of(rig(", sensor: one inch 20 MP", ", battery: 7.5 Wh"))
    assert (own.capacity_wh, own.idle_w) == (7.5, typical.idle_w)
    assert battery_of(rig(", sensor: one inch 20 MP", ", battery: mains")) is None
