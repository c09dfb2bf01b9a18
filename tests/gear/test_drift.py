"""Drift, field rotation and aiming, against Astropy's Sun and textbook motion."""

import math
from functools import lru_cache
from itertools import pairwise

import numpy as np
import pytest
from astropy.coordinates import SkyCoord
from hypothesis import given
from hypothesis import strategies as st

from controller.gear.classes import CAMERA_CLASSES
from controller.gear.drift import (
    LUNAR_ARCSEC_S,
    SIDEREAL_ARCSEC_S,
    SOLAR_ARCSEC_S,
    Motion,
    Placement,
    aim_plan,
    clearance_px,
    crossing_s,
    drift_arcsec_s,
    field_rotation_deg_min,
    longest_exposure_s,
    motion_at,
    placement,
    rotation_blur_px,
    sky_rates,
    tracking_drift,
    until_edge_s,
)
from controller.gear.optics import Aim, Field
from controller.units import ContactName
from tests.gear import astropy_sun
from tests.gear.skies import PLACES, T0, at, circling, seen, where, without_air

SMALL = CAMERA_CLASSES["APS-C 26 MP"].size
BEFORE_S = (60.0, 180.0, 300.0)
CASES = [(place, before) for place in PLACES for before in BEFORE_S]


def field(focal_mm: float = 600.0, **more) -> Field:
    """A frame of the test sensor."""
    return Field.of(SMALL, focal_mm, **more)


@lru_cache
def _astropy(place):
    """Astropy's Sun at mid and at so many seconds before it."""
    sky, _ = seen(place)
    instants = [sky.closest_utc_ns - round(s * 1e9) for s in (0.0, *BEFORE_S)]
    return astropy_sun.sun(instants, where(place))


# --- against another library ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("place", "before_s"), CASES, ids=[f"{place.name}, {before:.0f} s" for place, before in CASES]
)
def test_where_to_put_the_sun_is_within_a_pixel_of_astropy(place, before_s):
    """24 cases: the Sun's place in a frame that will have it centred at mid, 1200 mm at 0.65" a pixel, within 1 px.

    Astropy's own Sun (built-in ephemeris, ERFA's Earth), its own offset frame around its own Sun at mid, and
    the tangent plane worked here: nothing is shared with the product. At 300 s the Sun is some 6500 px away.
    """
    sky, track = seen(place)
    frame = field(1200.0)
    mid = sky.closest_utc_ns
    put = placement(frame, without_air(track), without_air(track).aim(mid), mid - round(before_s * 1e9))
    there = _astropy(place)
    index = 1 + BEFORE_S.index(before_s)
    middle, sun = (
        SkyCoord(there.az[k], there.alt[k]) for k in (0, index)
    )  # azimuth and altitude as plain angles
    offset = sun.transform_to(middle.skyoffset_frame())
    focal_px = 1200.0 * 6240 / 23.5
    x = focal_px * np.tan(offset.lon.rad)
    y = focal_px * np.tan(offset.lat.rad) / np.cos(offset.lon.rad)
    assert put.x_px == pytest.approx(x, abs=1.0)
    assert put.y_px == pytest.approx(y, abs=1.0)
    assert math.hypot(put.x_px, put.y_px) > 1000 * before_s / 60  # the check has something to check


@pytest.mark.parametrize("place", PLACES, ids=lambda place: place.name)
def test_the_sun_s_rates_are_astropy_s(place):
    """Declination within 6 arcseconds and its rate within 0.0005"/s of Astropy's; hour angle 15.000 +/- 0.006."""
    sky, track = seen(place)
    mid = sky.closest_utc_ns
    rates = sky_rates(track.true_at, place.latitude_deg, mid)
    before, now, after = astropy_sun.declination_deg(
        [mid - 600 * 10**9, mid, mid + 600 * 10**9], where(place)
    )
    assert rates.declination_deg == pytest.approx(now, abs=6 / 3600)
    assert rates.declination_arcsec_s == pytest.approx((after - before) * 3600 / 1200, abs=5e-4)
    # The equation of time changes by 30 s a day at most, 0.005 arcseconds a second; parallax adds 0.0006.
    assert rates.hour_angle_arcsec_s == pytest.approx(SOLAR_ARCSEC_S, abs=0.006)


@pytest.mark.parametrize("place", PLACES, ids=lambda place: place.name)
def test_field_rotation_is_the_derivative_of_the_parallactic_angle(place):
    """The formula agrees with Astropy's parallactic angle differentiated over a minute: 0.2 % or 0.0002 deg/min."""
    sky, track = seen(place)
    mid = sky.closest_utc_ns
    ends = [mid - 30 * 10**9, mid + 30 * 10**9]
    before, after = astropy_sun.parallactic_deg(ends, where(place))
    altitude, azimuth = track.true_at(np.array([mid]))
    turned = field_rotation_deg_min(place.latitude_deg, float(altitude[0]), float(azimuth[0]))
    assert turned == pytest.approx(after - before, rel=2e-3, abs=2e-4)


# --- textbook motion -------------------------------------------------------------------------------------


@given(st.floats(-60, 60), st.floats(-28, 28), st.floats(-75, 75))
def test_a_star_drifts_at_15_arcseconds_times_the_cosine_of_its_declination(
    latitude, declination, hour_angle
):
    """Two places in altitude and azimuth give 15.0411" cos(declination) to 1e-6, at any hour and place."""
    sun = circling(latitude, declination, hour_angle)
    motion = motion_at(field(), sun, T0)
    assert motion.arcsec_s == pytest.approx(drift_arcsec_s(declination), rel=1e-6)
    # 206265 times pitch over focal length is the middle's scale; the frame is flat, the step is tiny.
    assert motion.px_s == pytest.approx(motion.arcsec_s / field().arcsec_per_px, rel=1e-5)


def test_the_rates_are_the_known_ones():
    """15.0411, 15.0000 and 14.492 arcseconds a second (IERS Conventions; sidereal month 27.321661 d, Meeus)."""
    assert pytest.approx(15.041067, abs=2e-6) == SIDEREAL_ARCSEC_S
    assert math.radians(SIDEREAL_ARCSEC_S / 3600) == pytest.approx(7.292115e-5, rel=2e-7)
    assert SOLAR_ARCSEC_S == 15
    assert pytest.approx(14.492, abs=5e-4) == LUNAR_ARCSEC_S
    assert drift_arcsec_s(0) == pytest.approx(15.041, abs=1e-3)
    assert drift_arcsec_s(60) == pytest.approx(15.041 / 2, abs=1e-3)


def test_the_real_sun_is_three_parts_in_a_thousand_slower_than_a_star():
    """The Sun's own drift is 15.000 cos(declination), not 15.041: within 0.1 % at every place."""
    for place in PLACES:
        sky, track = seen(place)
        motion = motion_at(field(), without_air(track), sky.closest_utc_ns)
        assert motion.arcsec_s == pytest.approx(
            drift_arcsec_s(track.declination_deg, SOLAR_ARCSEC_S), rel=1e-3
        )


def test_an_untracked_long_lens_loses_the_sun_within_minutes():
    """The trade's warning holds: at 1000 mm on 36 x 24 mm a whole Sun crosses in less than seven minutes."""
    frame = Field.of(CAMERA_CLASSES["full frame 24 MP"].size, 1000)
    for place in PLACES:
        sky, track = seen(place)
        assert 60 < crossing_s(frame, motion_at(frame, without_air(track), sky.closest_utc_ns)) < 420


@pytest.mark.parametrize(
    ("latitude", "hour_angle", "words"),
    [(40, -80, "to the upper right"), (40, 80, "to the lower right"), (-40, -80, "to the upper left"),
     (-40, 80, "to the lower left"), (40, 0, "to the right"), (-40, 0, "to the left"), (0, -45, "upwards"),
     (0, 45, "downwards")],
)  # fmt: skip
def test_the_way_the_sun_goes(latitude, hour_angle, words):
    """Rising it goes up and, seen facing it, to the right in the north and to the left in the south."""
    assert motion_at(field(), circling(latitude, 0.0, hour_angle), T0).words == words


def test_longest_exposures():
    """Two pixels at 8 px/s take a quarter of a second; what does not move takes any time."""
    assert longest_exposure_s(2, 8) == 0.25
    assert math.isinf(longest_exposure_s(2, 0))


def test_rotation_blur():
    """One degree a minute for a minute turns a corner 3749.7 px out by 65.4 px (arc = radius * angle)."""
    frame = Field.of(SMALL, 600)
    corner = math.hypot(3120, 2080)
    assert rotation_blur_px(frame, -1.0, 60.0) == pytest.approx(corner * math.pi / 180)


def test_field_rotation_where_it_is_known():
    """None due east or west; as fast as the Earth turns at the pole's horizon direction; endless at the zenith."""
    assert field_rotation_deg_min(40, 30, 90) == pytest.approx(0, abs=1e-12)
    assert field_rotation_deg_min(0, 0, 180) == pytest.approx(0.25)  # 15 degrees an hour
    assert field_rotation_deg_min(0, 0, 0) == pytest.approx(-0.25)
    assert math.isinf(field_rotation_deg_min(23, 90, 0))


def test_what_a_tracking_mount_leaves():
    """A star-rate mount lags a mean Sun on the equator by 0.0411"/s, 148" an hour; a moon-rate one by 0.508."""
    sun = circling(40, 0.0, -20, rate_arcsec_s=SOLAR_ARCSEC_S)
    left = tracking_drift(sky_rates(sun.at, 40, T0))
    assert left.sidereal == pytest.approx(SIDEREAL_ARCSEC_S - 15, rel=1e-4)
    assert left.sidereal * 3600 == pytest.approx(147.8, abs=0.1)
    assert left.solar == pytest.approx(0, abs=1e-6)
    assert left.lunar == pytest.approx(15 - LUNAR_ARCSEC_S, rel=1e-4)
    assert left.misaligned_1_deg == pytest.approx(0.2618, abs=1e-4)  # 15 sin(1 degree)


def test_the_declination_s_own_motion_is_left_on_any_mount():
    """In March the Sun climbs about 0.0165"/s, 59 arcseconds an hour; no rate in right ascension takes it away."""
    place = next(place for place in PLACES if "Sahara" in place.name)
    sky, track = seen(place)
    left = tracking_drift(sky_rates(track.true_at, place.latitude_deg, sky.closest_utc_ns))
    assert left.solar == pytest.approx(0.0165, abs=0.004)


# --- places in the frame ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("x", "y", "words"),
    [(0, 0, "in the centre"), (0.01, -0.02, "in the centre"),
     (-0.25, 0, "a quarter of the frame left of the centre"),
     (-0.24, 0.13, "a quarter of the frame left of the centre, an eighth above it"),
     (0.34, -0.06, "a third of the frame right of the centre, a sixteenth below it"),
     (0, 0.38, "three eighths of the frame above the centre"), (0.49, 0, "half of the frame right of the centre")],
)  # fmt: skip
def test_places_in_plain_words(x, y, words):
    """Parts of the frame are told as the nearest ordinary fraction."""
    assert Placement(0, 0, x, y).words == words


@given(st.floats(-0.5, 0.5))
def test_the_words_are_never_off_by_more_than_a_reader_s_eye(part):
    """Where the words say the Sun is, is within 1/24 of the frame of where it shall be."""
    fractions = {"sixteenth": 1 / 16, "eighth": 1 / 8, "sixth": 1 / 6, "quarter": 1 / 4, "third": 1 / 3,
                 "three eighths": 3 / 8, "seven sixteenths": 7 / 16, "half": 1 / 2}  # fmt: skip
    words = Placement(0, 0, part, 0).words
    said = next(
        (value for name, value in sorted(fractions.items(), key=lambda one: -len(one[0])) if name in words), 0
    )
    assert abs(abs(part) - said) <= 1 / 24 + 1e-12
    assert ("left" in words) == (part < 0 and said > 0)


def test_the_limb_touches_the_edge_when_it_is_said_to():
    """At 600 mm on the equator the centred Sun's limb reaches the right edge after (half width - radius) / speed."""
    sun = circling(0, 0.0, -0.5, rate_arcsec_s=SOLAR_ARCSEC_S)
    frame = field(upright=True)  # straight up: the zenith is in the way of nothing
    aim = Aim(45.0, 90.0)
    sun = circling(0, 0.0, -45.0, rate_arcsec_s=SOLAR_ARCSEC_S)
    touches = until_edge_s(frame, sun, aim, T0, at(3600))
    focal_px = frame.focal_length_px
    expected = math.degrees(math.atan((frame.half_px[1] - frame.sun_diameter_px(960.0) / 2) / focal_px)) * 240
    assert touches == pytest.approx(expected, abs=0.02)
    free = clearance_px(frame, sun, aim, np.array([at(touches - 1), at(touches + 1)]))
    assert free[0] > 0 > free[1]


def test_a_sun_that_never_reaches_an_edge_or_is_there_already():
    """None before the end asked for; zero when the limb is cut from the beginning."""
    sun = circling(0, 0.0, -45.0)
    assert until_edge_s(field(), sun, Aim(45, 90), T0, at(5)) is None
    assert until_edge_s(field(), sun, Aim(45, 92), T0, at(500)) == 0


@given(st.floats(-1, 1), st.floats(-1, 1))
def test_crossing_time_is_the_shorter_of_the_two_ways(x_speed, y_speed):
    """The whole Sun crosses in the time of the side that it leaves first."""
    frame = field(400.0)
    sun_px = frame.sun_diameter_px()
    ways = [(side - sun_px) / abs(speed) for side, speed in
            ((frame.width_px, x_speed), (frame.height_px, y_speed)) if abs(speed) > 1e-9]  # fmt: skip
    assert crossing_s(frame, Motion(15, x_speed, y_speed)) == pytest.approx(min(ways, default=math.inf))


def test_a_sun_larger_than_the_frame_crosses_in_no_time():
    """At 3000 mm the Sun is 28 mm across and the sensor 15.6 mm high."""
    assert crossing_s(field(3000.0), Motion(15, 1, 1)) == 0


# --- when to aim again --------------------------------------------------------------------------------------

FOCAL_MM = (20.0, 135.0, 300.0, 400.0, 500.0)


def _plan(place, focal_mm, busy=(), **more):
    sky, track = seen(place)
    contacts = sky.contacts_utc_ns
    start, end = contacts[ContactName.C1], contacts[ContactName.C4]
    hole = None
    if ContactName.C2 in contacts:
        hole = (
            contacts[ContactName.C2] - 20 * 10**9,
            contacts[ContactName.MID],
            contacts[ContactName.C3] + 40 * 10**9,
        )
    frame = field(focal_mm, **more)
    return frame, track, hole, aim_plan(frame, without_air(track), start, end, unattended=hole, busy=busy)


@pytest.mark.parametrize("focal_mm", FOCAL_MM)
@pytest.mark.parametrize("place", PLACES, ids=lambda place: place.name)
def test_followed_by_hand_the_sun_stays_in_the_frame(place, focal_mm):
    """Every 5 s from C1 to C4 the whole Sun is in the frame, or the plan says that it is not."""
    frame, track, hole, plan = _plan(place, focal_mm)
    sun = without_air(track)
    if not plan.by_hand:
        assert plan.lost
        return
    least = min(
        float(
            clearance_px(
                frame, sun, stand.aim, np.arange(stand.from_ns + 15 * 10**9, stand.until_ns, 5 * 10**9)
            ).min()
        )
        for stand in plan.stands
    )
    assert (least < 0) == bool(plan.lost)
    assert all(before.until_ns == after.from_ns for before, after in pairwise(plan.stands))
    assert all(stand.until_ns - stand.from_ns > 30 * 10**9 for stand in plan.stands)
    whole = plan.stands[-1].until_ns - plan.stands[0].from_ns
    assert whole == sum(stand.until_ns - stand.from_ns for stand in plan.stands)
    if hole and len(plan.stands) > 1:
        (dark,) = (stand for stand in plan.stands if stand.unattended)
        assert dark.from_ns <= hole[0] - 30 * 10**9
        assert dark.from_ns >= hole[0] - 400 * 10**9
        assert dark.until_ns == hole[2]
        if not plan.lost:
            centred = placement(frame, sun, dark.aim, hole[1])
            assert math.hypot(centred.x_px, centred.y_px) < 1e-6


def test_a_wide_lens_is_aimed_once_and_a_long_one_often():
    """20 mm hold the whole eclipse; twice the focal length asks for about twice as many aimings."""
    counts = {focal: len(_plan(PLACES[2], focal)[3].stands) for focal in (20.0, 150.0, 300.0)}
    assert counts[20.0] == 1
    assert 1.5 < counts[300.0] / counts[150.0] < 2.6


@pytest.mark.parametrize("focal_mm", [800.0, 1500.0])
def test_where_no_hand_can_follow_it_is_said(focal_mm):
    """Five minutes of totality do not fit a long lens on a small sensor: the plan says by how much."""
    _, _, _, plan = _plan(PLACES[0], focal_mm)
    assert not plan.by_hand
    assert "before the filter is back on" in plan.lost
    assert all(stand.unattended for stand in plan.stands)
    assert all(abs(stand.put.x_part) < 0.5 and abs(stand.put.y_part) < 0.5 for stand in plan.stands)


def test_aiming_spares_the_frames():
    """With a frame of 20 s every two minutes, aimings fall into the pauses where one is near."""
    place = PLACES[0]
    sky, _ = seen(place)
    first = sky.contacts_utc_ns[ContactName.C1]
    busy = [(first + k * 120 * 10**9, first + (k * 120 + 20) * 10**9) for k in range(80)]
    plain, spared = (_plan(place, 400.0, busy=taken)[3] for taken in ((), busy))
    assert len(plain.stands) == len(spared.stands)

    def hit(plan):
        return sum(
            any(start < stand.from_ns + 30 * 10**9 and end > stand.from_ns for start, end in busy)
            for stand in plan.stands[1:]
            if stand.from_ns not in {before.until_ns for before in plan.stands if before.unattended}
        )

    assert hit(plain) > 3
    assert hit(spared) == 0
    assert not spared.lost


def test_a_partial_eclipse_has_no_stretch_without_aiming():
    """Without totality all stands are equal parts of the day."""
    place = next(place for place in PLACES if "Chile" in place.name)
    _, _, hole, plan = _plan(place, 400.0)
    assert hole is None
    lengths = [(stand.until_ns - stand.from_ns) / 1e9 for stand in plan.stands]
    assert max(lengths) - min(lengths) < 1
    assert not any(stand.unattended for stand in plan.stands)
