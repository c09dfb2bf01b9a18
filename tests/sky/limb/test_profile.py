"""The profile against a plain projection of the terrain, point by point."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest

from controller.errors import SkyError
from controller.sky import Site
from controller.sky.limb.profile import Aspect, limb_profile
from controller.units import ContactName
from tests.sky.limb.synthetic import RADIUS_KM, TOTAL, Looker, moon_of, seen, sphere
from tests.sky.limb.test_contacts import rough

STRAIGHT = Aspect(380_000.0, np.array([1.0, 0, 0]), np.array([0, 0, 1.0]), np.array([0, -1.0, 0]))
"""Seen from above the middle of the near side, axis up: the Moon's east is west in the sky."""


@pytest.fixture(scope="module")
def aspect():
    contact = seen(TOTAL).contact(ContactName.C2)
    return Looker(TOTAL).aspect(contact.tt_ns)


def hill(latitude_deg, longitude_deg, height_m, wide_deg=1.0):
    """Return a round flat-topped hill on a smooth Moon, as a function of places."""

    def heights(latitude, longitude):
        a, b = np.radians(latitude), np.radians(latitude_deg)
        cosine = np.sin(a) * np.sin(b) + np.cos(a) * np.cos(b) * np.cos(np.radians(longitude - longitude_deg))
        return np.where(np.degrees(np.arccos(np.clip(cosine, -1, 1))) < wide_deg, height_m, 0.0)

    return heights


def at(profile, angle_deg):
    return profile.height_km[round(angle_deg / 360 * profile.height_km.size) % profile.height_km.size]


def test_a_sphere_has_its_own_edge(aspect):
    """The profile of a sphere is its radius to a millimetre, at every angle."""
    assert limb_profile(sphere(0.0), aspect).height_km == pytest.approx(0.0, abs=1e-6)
    assert limb_profile(sphere(2000.0), aspect).height_km == pytest.approx(2.0, abs=3e-4)


def test_rough_terrain_agrees_with_every_point_projected(aspect):
    """The edge is the outermost of a million points of the terrain seen in perspective, to 15 m.

    The points come from the function itself, not from a grid, and are projected as plain vectors.
    """
    profile = limb_profile(moon_of(rough, 16), aspect)
    angles = np.radians(np.arange(0, 360, 1.0))[:, None]
    from_observer = np.radians(np.arange(81.0, 99.0, 0.02))
    across = aspect.north * np.cos(angles) + aspect.east * np.sin(angles)
    place = (
        aspect.towards * np.cos(from_observer)[None, :, None]
        + across[:, None, :] * np.sin(from_observer)[None, :, None]
    )
    latitude = np.degrees(np.arcsin(place[..., 2]))
    longitude = np.degrees(np.arctan2(place[..., 1], place[..., 0]))
    points = place * (RADIUS_KM + rough(latitude, longitude) / 1000)[..., None]
    sight = points - aspect.distance_km * aspect.towards
    towards_moon = -aspect.towards
    sine = np.linalg.norm(np.cross(sight, towards_moon), axis=-1) / np.linalg.norm(sight, axis=-1)
    expected = (aspect.distance_km * sine).max(axis=1) - RADIUS_KM
    assert expected.max() - expected.min() > 2
    assert profile.height_km[::20] == pytest.approx(expected, abs=0.015)


@pytest.mark.parametrize(
    ("latitude_deg", "longitude_deg", "angle_deg"),
    [(0, 90, 270), (0, -90, 90), (90, 0, 0), (-90, 0, 180), (45, 90, 315), (-30, -90, 120)],
)
def test_hills_stand_where_they_belong(latitude_deg, longitude_deg, angle_deg):
    """A hill of 3 km on the edge shows at its position angle with its height, and nowhere else."""
    profile = limb_profile(moon_of(hill(latitude_deg, longitude_deg, 3000.0)), STRAIGHT)
    assert at(profile, angle_deg) == pytest.approx(3.0, abs=0.01)
    away = (profile.position_angle_deg - angle_deg + 180) % 360 - 180
    assert profile.height_km[np.abs(away) > 1.3] == pytest.approx(0.0, abs=0.001)


@pytest.mark.parametrize("behind_deg", [3.0, 5.0, -3.0, -5.0])
def test_a_mountain_behind_or_before_the_edge_shows_by_its_perspective(behind_deg):
    """A wide mountain of 9 km, degrees off the edge, shows as high as its nearest rim does in perspective."""
    longitude_deg = 90 + behind_deg
    profile = limb_profile(moon_of(hill(0, longitude_deg, 9000.0, 1.5), 16), STRAIGHT)
    rim_deg = 90 + np.sign(behind_deg) * (abs(behind_deg) - 1.5)
    radius = RADIUS_KM + 9
    x, y = radius * np.cos(np.radians(rim_deg)), radius * np.sin(np.radians(rim_deg))
    shown_km = 380_000.0 * y / np.hypot(380_000.0 - x, y) - RADIUS_KM
    assert shown_km > 4
    # The rim is met to a pixel and a half of 1/16 degree.
    assert at(profile, 270) == pytest.approx(shown_km, abs=0.2)


def test_a_hill_too_far_behind_does_not_show():
    """Nine kilometres of height eight degrees behind the edge stay below it."""
    profile = limb_profile(moon_of(hill(0, 98.5, 9000.0)), STRAIGHT)
    assert profile.height_km == pytest.approx(0.0, abs=0.001)


def test_longitudes_may_begin_anywhere(aspect):
    """A grid that begins at 180 degrees west gives the same edge as one that begins at 0."""
    a, b = (limb_profile(moon_of(rough, 8, west), aspect).height_km for west in (0.0, -180.0))
    assert a == pytest.approx(b, abs=1e-9)


def test_nothing_that_matters_is_left_out(aspect):
    """The edge is the same when no stretch is passed over by its bound."""
    terrain = moon_of(lambda a, b: 3 * rough(a, b), 4)
    quick = limb_profile(terrain, aspect).height_km
    terrain.__dict__["_wide_tops"] = np.full_like(terrain.block_tops, 32_000)
    assert quick == pytest.approx(limb_profile(terrain, aspect).height_km, abs=1e-12)
    assert quick.max() - quick.min() > 4


def test_the_step_is_as_stated(aspect):
    """Position angles go round in twentieths of a degree, or as asked, and lie on the same edge."""
    terrain = moon_of(rough)
    fine, coarse = limb_profile(terrain, aspect), limb_profile(terrain, aspect, 0.5)
    assert (fine.height_km.size, coarse.height_km.size) == (7200, 720)
    assert fine.height_km[::10] == pytest.approx(coarse.height_km, abs=1e-9)
    assert fine.height_arcsec == pytest.approx(
        fine.height_km / np.sqrt(aspect.distance_km**2 - RADIUS_KM**2) * 206_264.8, rel=1e-6
    )


def test_a_moon_turned_too_far_is_refused():
    """Where there are no tiles, nothing is made up."""
    sideways = Aspect(380_000.0, np.array([0, 1.0, 0]), np.array([0, 0, 1.0]), np.array([1.0, 0, 0]))
    with pytest.raises(SkyError, match="tiles do not reach"):
        limb_profile(sphere(), sideways)


@pytest.mark.parametrize(
    ("site", "date"),
    [
        (Site(-20, 150), dt.date(2012, 11, 13)),
        (Site(60, -150), dt.date(2044, 8, 23)),
        (Site(-66, 47), dt.date(2039, 12, 15)),
        (Site(80, 0), dt.date(2033, 3, 30)),
    ],
)
def test_every_libration_of_an_eclipse_is_within_the_tiles(site, date):
    """Eclipses of any season, seen from any side of the Earth, find their edge in the tiles."""
    looker = Looker((site, date))
    for hour in (0, 6, 12, 18, 24):
        aspect = looker.aspect(int(((looker.base_jd - 2440587.5) * 24 + hour) * 3600e9))
        assert limb_profile(sphere(), aspect, 1.0).height_km == pytest.approx(0.0, abs=1e-6)
