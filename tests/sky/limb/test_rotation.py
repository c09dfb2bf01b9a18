"""How the Moon is turned, against the librations integrated with the ephemeris DE421."""

from __future__ import annotations

from pathlib import Path

import de421
import numpy as np
import pytest

from controller.sky.earth_rotation import data_folder, timescale
from controller.sky.ephemeris import load_ephemeris
from controller.sky.limb.rotation import longitude_latitude_deg, moon_axes
from tests.sky.limb.synthetic import ANNULAR, SHORT, TOTAL, Looker, seen

ARCSEC = np.pi / 180 / 3600
FIRST_JD, BLOCK_DAYS = 2414992.5, 8.0
"""The libration coefficients of the package de421 begin on 1899 December 4, in blocks of eight days."""


def turn(axis, angle):
    c, s = np.cos(angle), np.sin(angle)
    return {
        "x": np.array([[1, 0, 0], [0, c, s], [0, -s, c]]),
        "y": np.array([[c, 0, -s], [0, 1, 0], [s, 0, c]]),
        "z": np.array([[c, s, 0], [-s, c, 0], [0, 0, 1]]),
    }[axis]


@pytest.fixture(scope="module")
def integrated():
    """Return the mean-Earth axes of DE421 as a function of the Julian date (TDB).

    From principal axes to the mean-Earth frame by the angles 67.92, 78.56 and 0.30 arcseconds about z, y
    and x that go with DE421 (Williams, Boggs & Folkner, JPL memorandum 335-JW,DB,WF-20080314-001, 2008;
    from memory).
    """
    coefficients = np.load(Path(de421.__file__).parent / "jpl-librations.npy")

    def axes(jd):
        block, rest = divmod(jd - FIRST_JD, BLOCK_DAYS)
        phi, theta, psi = (
            np.polynomial.chebyshev.chebval(2 * rest / BLOCK_DAYS - 1, row)
            for row in coefficients[int(block)]
        )
        principal = turn("z", psi) @ turn("x", theta) @ turn("z", phi)
        return turn("x", -0.30 * ARCSEC) @ turn("y", -78.56 * ARCSEC) @ turn("z", -67.92 * ARCSEC) @ principal

    return axes


def test_axes_agree_with_the_librations_of_de421(integrated):
    """From 1950 to 2052 the two differ by less than 20 arcseconds (170 m), and by 9 in the mean square.

    The frame is the mean-Earth one: principal axes would stand off by 68 and 79 arcseconds.
    """
    apart = []
    for jd in np.arange(2433282.5, 2470500.0, 61.7):
        difference = moon_axes(jd) @ integrated(jd).T
        apart.append(np.degrees(np.arccos((np.trace(difference) - 1) / 2)) * 3600)
    assert max(apart) < 20
    assert np.sqrt(np.mean(np.square(apart))) < 10


def test_axes_are_a_rotation():
    """The matrix turns without stretching or mirroring."""
    axes = moon_axes(2461000.3)
    assert axes @ axes.T == pytest.approx(np.eye(3), abs=1e-14)
    assert np.linalg.det(axes) == pytest.approx(1)


def test_librations_of_1992_april_12():
    """Geocentric librations -1.23 and +4.20 degrees, axis at 15.08: Meeus, Astronomical Algorithms, 53.a.

    From memory. Its latitude belongs to the principal axes, 79 arcseconds (0.022 degrees) from here.
    """
    ephemeris = load_ephemeris(data_folder() / "de421.bsp")
    time = timescale(None)[1].tt(1992, 4, 12)
    moon = ephemeris.earth.at(time).observe(ephemeris.moon)
    axes = moon_axes(time.tdb - moon.light_time)
    sight = moon.xyz.km / moon.distance().km
    longitude, latitude = longitude_latitude_deg(axes @ -sight)
    east = np.cross(time.M[2], sight)
    north = np.cross(sight, east)
    axis = np.degrees(np.arctan2((axes @ east)[2], (axes @ north)[2]))
    assert longitude == pytest.approx(-1.23, abs=0.01)
    assert latitude == pytest.approx(4.20, abs=0.03)
    assert axis == pytest.approx(15.08, abs=0.02)


@pytest.mark.parametrize("case", [TOTAL, SHORT, ANNULAR], ids=["2027", "2026", "2023"])
def test_aspect_from_the_site_agrees_with_de421(case, integrated):
    """The point of the Moon below the observer and its axis agree with DE421's librations to 0.006 degrees.

    At an eclipse the Moon is near its node, so the latitude is small; parallax is in it.
    """
    mid = seen(case).contacts[2]
    looker = Looker(case)
    aspect = looker.aspect(mid.tt_ns)
    jd = looker.base_jd + looker.seconds(mid.tt_ns) / 86_400
    ours = np.array([aspect.towards, aspect.north, aspect.east])
    # What the model says of directions in the sky, turned into DE421's frame.
    light_days = aspect.distance_km / 299_792.458 / 86_400
    theirs = ours @ moon_axes(jd - light_days) @ integrated(jd - light_days).T
    for a, b in zip(ours, theirs, strict=True):
        assert np.degrees(np.linalg.norm(a - b)) < 0.006
    longitude, latitude = longitude_latitude_deg(aspect.towards)
    assert abs(longitude) < 9
    assert abs(latitude) < 2.7
    assert ours @ ours.T == pytest.approx(np.eye(3), abs=1e-12)
