"""The Sun's way and the covered area at any instant, against Astropy, astronomy-engine and the full computation."""

import datetime as dt

import astronomy
import numpy as np
import pytest

from controller.errors import SkyError
from controller.sky import Horizon, Site, circumstances
from controller.sky.horizon import refraction_deg
from controller.sky.track import sun_track
from controller.units import ContactName, utc_datetime
from tests.gear import astropy_sun
from tests.gear.skies import PLACES, seen, where

HALF_HOUR_NS = 1800 * 10**9


@pytest.mark.parametrize("place", PLACES, ids=lambda place: place.name)
def test_the_sun_s_way_is_astropy_s(place):
    """From half an hour before C1 to half an hour after C4 the Sun is within 0.5 arcseconds of Astropy's.

    Astropy has no pole for years to come.
    """
    sky, track = seen(place)
    instants = np.linspace(track.starts_utc_ns, track.ends_utc_ns, 9).astype(np.int64)
    there = astropy_sun.sun(instants, where(place))
    altitude, azimuth = track.true_at(instants)
    aside = (azimuth - there.az.deg + 180) % 360 - 180
    assert altitude == pytest.approx(there.alt.deg, abs=0.5 / 3600)
    assert aside * np.cos(np.radians(altitude)) == pytest.approx(0, abs=0.5 / 3600)
    assert track.starts_utc_ns == sky.contacts[0].utc_ns - HALF_HOUR_NS
    assert track.ends_utc_ns == sky.contacts[-1].utc_ns + HALF_HOUR_NS


@pytest.mark.parametrize("place", PLACES, ids=lambda place: place.name)
def test_the_way_passes_through_the_contacts(place):
    """At each contact the way has the contact's own altitude and azimuth, and the covered area that belongs to it."""
    sky, track = seen(place)
    for contact in sky.contacts:
        at = np.array([contact.utc_ns])
        altitude, azimuth = track.true_at(at)
        assert altitude[0] == pytest.approx(contact.altitude_deg, abs=1e-7)
        assert azimuth[0] == pytest.approx(contact.azimuth_deg, abs=1e-6)
        assert track.at(at)[0][0] == pytest.approx(contact.apparent_altitude_deg, abs=1e-7)
        covered = float(track.obscuration(at)[0])
        if contact.name in (ContactName.C1, ContactName.C4):
            assert covered == pytest.approx(0, abs=1e-5)
        elif contact.name is ContactName.MID:
            assert covered == pytest.approx(sky.obscuration, abs=1e-7)
        else:
            assert covered == pytest.approx(1, abs=1e-5)


@pytest.mark.parametrize(
    ("latitude", "longitude", "date"),
    [
        (55.47, 8.40, dt.date(2027, 8, 2)),
        (41.9, 12.5, dt.date(2026, 8, 12)),
        (-33.0, -70.5, dt.date(2019, 7, 2)),
    ],
)
def test_the_deepest_bite_is_astronomy_engine_s(latitude, longitude, date):
    """The covered area is greatest when and as large as an independent library says: 10 s, 0.002 of the area."""
    sky = circumstances(Site(latitude, longitude, 50.0), date)
    track = sun_track(sky)
    start = astronomy.Time.Make(date.year, date.month, date.day, 0, 0, 0)
    eclipse = astronomy.SearchLocalSolarEclipse(start, astronomy.Observer(latitude, longitude, 50.0))
    instants = np.arange(sky.contacts[0].utc_ns, sky.contacts[-1].utc_ns, 10**9)
    covered = track.obscuration(instants)
    assert covered.max() == pytest.approx(eclipse.obscuration, abs=2e-3)
    peak = utc_datetime(int(instants[covered.argmax()]))
    assert (
        abs((peak.replace(tzinfo=None) - eclipse.peak.time.Utc().replace(tzinfo=None)).total_seconds()) < 10
    )
    rising, falling = np.diff(covered[: covered.argmax()]), np.diff(covered[covered.argmax() :])
    assert (rising >= -1e-9).all()
    assert (falling <= 1e-9).all()


def test_the_air_of_the_site_is_in_the_altitude():
    """A site's own pressure and temperature lift the Sun as its horizon says."""
    cold = Horizon(pressure_hpa=1030.0, temperature_c=-20.0)
    place = PLACES[2]
    site = Site(place.latitude_deg, place.longitude_deg, 200.0, cold)
    track = sun_track(circumstances(site, place.date))
    at = np.array([track.ends_utc_ns - HALF_HOUR_NS])
    true_deg, _ = track.true_at(at)
    assert track.at(at)[0] - true_deg == pytest.approx(refraction_deg(true_deg, 1030.0, -20.0), abs=1e-9)


def test_outside_its_hours_the_way_stands_still():
    """An instant beyond the ends gives the place at the nearest end, never a wild polynomial."""
    _, track = seen(PLACES[0])
    far, end = (np.array([instant]) for instant in (track.ends_utc_ns + 10 * HALF_HOUR_NS, track.ends_utc_ns))
    assert track.at(far) == track.at(end)


def test_a_site_without_an_eclipse_has_no_way():
    """Where the eclipse does not reach, it is said."""
    sky = circumstances(Site(-70.0, 30.0), dt.date(2027, 8, 2))
    with pytest.raises(SkyError, match="does not reach"):
        sun_track(sky)
