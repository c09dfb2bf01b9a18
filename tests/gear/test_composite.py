"""Wide frames for the whole eclipse: the arc, the longest lens, even spacing."""

from itertools import pairwise

import numpy as np
import pytest

from controller.gear.classes import CAMERA_CLASSES
from controller.gear.composite import SUN_GAP, arc, even_by_obscuration, even_by_time, shortest_step_s
from controller.gear.drift import clearance_px, motion_at
from controller.gear.optics import Aim, Field
from controller.units import ContactName
from tests.gear.skies import PLACES, T0, at, circling, seen, without_air

FULL = CAMERA_CLASSES["full frame 24 MP"].size


@pytest.mark.parametrize("upright", [False, True])
@pytest.mark.parametrize("place", PLACES, ids=lambda place: place.name)
def test_the_longest_lens_is_the_longest(place, upright):
    """A lens 0.2 % shorter than the longest holds the whole arc every 10 s; one 0.2 % longer cuts a limb."""
    sky, track = seen(place)
    sun = without_air(track)
    start, end = sky.contacts[0].utc_ns, sky.contacts[-1].utc_ns
    longest = arc(Field.of(FULL, 24, upright=upright), sun, start, end, margin=0.0).longest_focal_mm
    for factor, fits in ((0.998, True), (1.002, False)):
        field = Field.of(FULL, longest * factor, upright=upright)
        way = arc(field, sun, start, end)
        assert way.fits == fits
        instants = np.arange(start, end, 10 * 10**9)
        assert bool((clearance_px(field, sun, way.aim, instants) >= 0).all()) == fits


def test_the_arc_lies_in_the_middle_of_the_frame():
    """By its own aim the arc keeps as far from the left as from the right, and from above as from below."""
    sky, track = seen(PLACES[3])
    way = arc(Field.of(FULL, 24), without_air(track), sky.contacts[0].utc_ns, sky.contacts[-1].utc_ns)
    assert min(way.x_px) == pytest.approx(-max(way.x_px), abs=1)
    assert min(way.y_px) == pytest.approx(-max(way.y_px), abs=1)
    assert way.instants_ns[0] == sky.contacts[0].utc_ns
    assert way.instants_ns[-1] == sky.contacts[-1].utc_ns


def test_an_aim_of_one_s_own_is_kept():
    """With the horizon wanted in the frame the aim is given; the arc may then no longer fit."""
    sun = circling(40, 10.0, -20.0)
    low = arc(Field.of(FULL, 24), sun, T0, at(9000), aim=Aim(0.0, 150.0))
    assert low.aim == Aim(0.0, 150.0)
    assert not low.fits


def test_suns_stand_apart():
    """On the equator of the sky the step is 1.3 diameters of 1920 arcseconds at 15.041 a second: 165.9 s."""
    motion = motion_at(Field.of(FULL, 24), circling(40, 0.0, -20.0), T0)
    step = shortest_step_s(motion, 960.0)
    assert step == pytest.approx(SUN_GAP * 1920 / 15.0411, rel=1e-4)
    field = Field.of(FULL, 24)
    aim = circling(40, 0.0, -20.0).aim(T0)
    x, y = field.project(aim, *circling(40, 0.0, -20.0).at(np.array([T0, at(step)])))
    apart = float(np.hypot(*(part[1] - part[0] for part in (x, y))))
    assert apart == pytest.approx(SUN_GAP * field.sun_diameter_px(960.0), rel=2e-3)


def test_even_by_time():
    """Five pictures of an hour are a quarter of an hour apart, ends included."""
    instants = even_by_time(T0, at(3600), 5)
    assert [(instant - T0) / 1e9 for instant in instants] == [0, 900, 1800, 2700, 3600]


@pytest.mark.parametrize("place", [PLACES[0], PLACES[3]], ids=["total", "partial"])
def test_even_by_obscuration(place):
    """Each step covers or uncovers the same part of the Sun's area, to 0.001 of it."""
    sky, track = seen(place)
    contacts = sky.contacts_utc_ns
    deepest = contacts.get(ContactName.C2, contacts[ContactName.MID])
    instants = even_by_obscuration(
        track.obscuration, contacts[ContactName.C1], deepest, contacts[ContactName.C4], 6
    )
    assert len(instants) == 13
    assert list(instants) == sorted(instants)
    assert (instants[0], instants[6], instants[-1]) == pytest.approx(
        (contacts[ContactName.C1], deepest, contacts[ContactName.C4]), abs=2e9
    )
    covered = track.obscuration(np.array(instants))
    inward, outward = np.diff(covered[:7]), np.diff(covered[6:])
    assert inward == pytest.approx(covered[6] / 6, abs=1e-3)
    assert outward == pytest.approx(-covered[6] / 6, abs=1e-3)
    in_time = [after - before for before, after in pairwise(instants)]
    assert max(in_time) > 1.2 * min(in_time)  # even in area is not even in time


@pytest.mark.parametrize(("end", "count"), [(T0, 5), (at(60), 1)])
def test_impossible_sequences_are_refused(end, count):
    """A sequence needs an end after its start, and two pictures."""
    with pytest.raises(ValueError, match=r"."):
        even_by_time(T0, end, count)
