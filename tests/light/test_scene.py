"""The scene that a run carries: the ephemeris' own places, at any instant."""

from __future__ import annotations

import datetime as dt
import math
import pickle

import pytest

from controller.light.sampling import scene_of
from controller.light.scene import Limb, Scene, made_up_limb
from controller.sky import Circumstances, Site, circumstances
from controller.sky.track import sun_track
from controller.units import NS_PER_S, ContactName

PLACES = [
    ("2027-08-02", 25.6872, 32.6396, 80.0),
    ("2026-08-12", 42.3440, -3.6969, 860.0),
    ("2028-01-26", 37.9, -3.3, 700.0),
    ("2027-02-06", -38.5, -62.0, 20.0),
]


@pytest.fixture(scope="module", params=PLACES, ids=[place[0] for place in PLACES])
def sky(request: pytest.FixtureRequest) -> Circumstances:
    """Total, annular and partial eclipses at places of our own choosing."""
    date, latitude, longitude, elevation = request.param
    return circumstances(Site(latitude, longitude, elevation), dt.date.fromisoformat(date))


def test_disks_touch_at_the_contacts(sky: Circumstances) -> None:
    """At each contact the separation is the sum or the difference of the radii, to 0.2 arcseconds.

    The outer contacts are computed with another lunar radius: k 0.2725076 for 0.272281, 0.4 arcseconds of radius.
    """
    scene = scene_of(sky)
    for contact in sky.contacts:
        there = scene.at(contact.utc_ns)
        if contact.name in (ContactName.C1, ContactName.C4):
            gap = there.separation_arcsec - there.sun_radius_arcsec - there.moon_radius_arcsec
            assert abs(gap) < 1.0
        elif contact.name in (ContactName.C2, ContactName.C3):
            gap = there.separation_arcsec - abs(there.sun_radius_arcsec - there.moon_radius_arcsec)
            assert abs(gap) < 0.01
            assert there.covered == (there.moon_radius_arcsec > there.sun_radius_arcsec and gap <= 0)


def test_altitude_and_coverage_are_those_of_the_track(sky: Circumstances) -> None:
    """Between the steps it agrees with the Sun's track, which is fitted in another way."""
    import numpy as np

    from controller.sky.geometry import obscuration

    scene, track = scene_of(sky), sun_track(sky)
    first, last = sky.contacts[0].utc_ns, sky.contacts[-1].utc_ns
    instants = np.linspace(first, last, 41).astype(np.int64)
    altitude_deg, _ = track.true_at(instants)
    covered = track.obscuration(instants)
    for instant, altitude, part in zip(instants, altitude_deg, covered, strict=True):
        there = scene.at(int(instant))
        assert there.sun_altitude_deg == pytest.approx(altitude, abs=0.002)
        assert obscuration(
            there.sun_radius_arcsec, there.moon_radius_arcsec, there.separation_arcsec
        ) == pytest.approx(part, abs=2e-5)


def test_zenith_angle_is_the_parallactic_angle() -> None:
    """It agrees with the spherical triangle: tan q = sin H / (tan lat cos dec - sin dec cos H) (Meeus, chapter 14)."""
    date, latitude, longitude, elevation = PLACES[0]
    sky = circumstances(Site(latitude, longitude, elevation), dt.date.fromisoformat(date))
    scene, track = scene_of(sky), sun_track(sky)
    import numpy as np

    for contact in (sky.contacts[0], sky.contacts[-1]):
        altitude, azimuth = (math.radians(float(x[0])) for x in track.true_at(np.array([contact.utc_ns])))
        lat = math.radians(latitude)
        # hour angle and declination from altitude and azimuth (north through east)
        dec = math.asin(
            math.sin(lat) * math.sin(altitude) + math.cos(lat) * math.cos(altitude) * math.cos(azimuth)
        )
        hour = math.atan2(
            -math.sin(azimuth) * math.cos(altitude),
            (math.sin(altitude) - math.sin(lat) * math.sin(dec)) / math.cos(lat),
        )
        wanted = math.degrees(
            math.atan2(math.sin(hour), math.tan(lat) * math.cos(dec) - math.sin(dec) * math.cos(hour))
        )
        assert math.cos(math.radians(scene.at(contact.utc_ns).zenith_angle_deg - wanted)) > 0.99999


def test_scene_is_small_and_travels(sky: Circumstances) -> None:
    """A process gets it whole in under 30 kB, and outside its hours it stays where it ends."""
    scene = scene_of(sky)
    sent = pickle.dumps(scene)
    assert len(sent) < 30_000
    assert pickle.loads(sent) == scene  # noqa: S301 - our own bytes
    assert scene.at(scene.starts_utc_ns - 3600 * NS_PER_S) == scene.at(scene.starts_utc_ns)
    assert scene.at(scene.ends_utc_ns + 3600 * NS_PER_S) == scene.at(scene.ends_utc_ns)


def test_unusable_tables_are_refused() -> None:
    """Rows of unequal length, and too few steps or heights, are told."""
    row = (0.0,) * 4
    with pytest.raises(ValueError, match="four steps"):
        Scene(
            starts_utc_ns=0, step_s=1.0, east_arcsec=row[:3], north_arcsec=row, sun_radius_arcsec=row,
            moon_radius_arcsec=row, sun_altitude_deg=row, zenith_angle_deg=row,
        )  # fmt: skip
    with pytest.raises(ValueError, match="four heights"):
        Limb((0.0,))


def test_a_made_up_limb_is_as_rough_as_asked_for() -> None:
    """It has the roughness asked for, and is the same for the same seed alone."""
    made = made_up_limb(1, rms_arcsec=0.8).heights_arcsec
    assert math.sqrt(sum(h * h for h in made) / len(made)) == pytest.approx(0.8, abs=0.001)
    assert made == made_up_limb(1).heights_arcsec != made_up_limb(2).heights_arcsec
