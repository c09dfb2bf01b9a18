"""Many sites at once against the single site's full computation, and smoothness as a site moves."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.errors import SkyError
from controller.sky import Constants, Kind, Site, circumstances, eclipse_days
from controller.sky.batch import NO_TIME, circumstances_at_many
from controller.sky.geometry import View, obscuration
from controller.sky.quick import quick_view, sky_of
from controller.units import ContactName

DAYS = st.deferred(
    lambda: st.sampled_from([day.date for day in eclipse_days(dt.date(1972, 1, 1), dt.date(2050, 12, 31))])
)
COLUMNS = {"C1": "c1_utc_ns", "C2": "c2_utc_ns", "mid": "mid_utc_ns", "C3": "c3_utc_ns", "C4": "c4_utc_ns"}


def compare(batch, number, full):
    """Kinds equal, the same contacts there, instants within 0.05 s; return the largest difference."""
    assert batch.eclipse_date == full.eclipse_date
    assert batch.kinds[number] is full.kind
    assert batch.geometric_kinds[number] is full.geometric_kind
    worst = 0.0
    for name, column in COLUMNS.items():
        found = int(getattr(batch, column)[number])
        expected = full.contacts_utc_ns.get(ContactName(name))
        if expected is None and name == "mid":
            expected = full.closest_utc_ns
        assert (found == NO_TIME) == (expected is None), name
        if expected is not None:
            worst = max(worst, abs(found - expected) / 1e9)
    assert worst <= 0.05
    assert batch.magnitude[number] == pytest.approx(full.magnitude, abs=1e-6)
    assert batch.diameter_ratio[number] == pytest.approx(full.diameter_ratio, abs=1e-7)
    assert batch.obscuration[number] == pytest.approx(full.obscuration, abs=1e-6)
    assert batch.highest_sun_deg[number] == pytest.approx(full.highest_sun_deg, abs=0.01)
    return worst


@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    date=DAYS,
    latitude=st.floats(-90, 90),
    longitude=st.floats(-180, 180),
    elevation=st.floats(-400, 9000),
)
def test_any_site_any_eclipse(date, latitude, longitude, elevation):
    """Anywhere, for any eclipse, the batch says what the full computation says."""
    full = circumstances(Site(latitude, longitude, elevation), date)
    batch = circumstances_at_many(latitude, longitude, elevation, full.eclipse_date)
    compare(batch, 0, full)


@pytest.mark.parametrize(
    ("date", "west", "south", "east", "north"),
    [
        ("2027-08-02", -7.0, 35.0, -4.0, 37.2),
        ("2026-08-12", -6.0, 39.0, 4.5, 43.8),
        ("2024-04-08", -104.0, 24.0, -100.0, 28.0),
        ("2023-10-14", -114.0, 36.0, -110.0, 39.0),
        ("2013-11-03", -71.0, 28.7, -65.0, 30.3),
        ("2023-04-20", 172.0, 3.0, 179.0, 5.0),
        ("2021-06-10", -90.0, 78.0, 90.0, 89.0),
    ],
)
def test_in_and_around_a_path(date, west, south, east, north):
    """In a path, at its edges and where a hybrid turns, kinds are equal and instants within a millisecond or
    so; a graze may differ by more, within 0.05 s."""
    random = np.random.default_rng(7)
    places = [random.uniform(low, high, 16) for low, high in ((south, north), (west, east), (0, 3000))]
    day = dt.date.fromisoformat(date)
    batch = circumstances_at_many(*places, day)
    worst = [
        compare(batch, i, circumstances(Site(*(float(part[i]) for part in places)), day)) for i in range(16)
    ]
    assert np.median(worst) < 0.001


def test_metres_from_the_limit():
    """From 2 km inside the limit of 2027 to 2 km outside, in steps down to metres: as the full computation."""
    inside, outside = Site(25.5, 33.2, 0.0), Site(28.5, 33.2, 0.0)
    day = dt.date(2027, 8, 2)
    low, high = inside.latitude_deg, outside.latitude_deg
    for _ in range(24):
        middle = (low + high) / 2
        if circumstances(Site(middle, 33.2), day).kind is Kind.TOTAL:
            low = middle
        else:
            high = middle
    offsets_m = np.array([-2000, -300, -30, -3, 3, 30, 300, 2000])
    latitudes = low + offsets_m / 111_000
    batch = circumstances_at_many(latitudes, 33.2, 0.0, day)
    for i, latitude in enumerate(latitudes):
        compare(batch, i, circumstances(Site(float(latitude), 33.2), day))
    assert batch.kinds == [Kind.TOTAL] * 4 + [Kind.PARTIAL] * 4


def test_given_constants_are_used():
    """Radii and Delta-T change the batch as they change the single site."""
    constants = Constants(959.63, 0.272488, 0.2722, 75.0)
    site = Site(36.0, -5.6, 20.0)
    full = circumstances(site, dt.date(2027, 8, 2), constants=constants)
    batch = circumstances_at_many(36.0, -5.6, 20.0, dt.date(2027, 8, 2), constants=constants)
    compare(batch, 0, full)


def test_contacts_come_in_order_on_a_grid():
    """C1 < C2 < mid < C3 < C4 at each of twelve thousand sites around the Earth, total and annular."""
    latitude, longitude = np.meshgrid(np.linspace(-89, 89, 80), np.linspace(-179, 179, 150))
    for day in (dt.date(2027, 8, 2), dt.date(2023, 10, 14)):
        found = circumstances_at_many(latitude.ravel(), longitude.ravel(), 0.0, day)
        partial = found.geometric_kind_code >= 1
        central = found.geometric_kind_code >= 2
        assert central.sum() > 50
        assert np.all(found.c1_utc_ns[partial] < found.mid_utc_ns[partial])
        assert np.all(found.mid_utc_ns[partial] < found.c4_utc_ns[partial])
        for first, last in (
            (found.c1_utc_ns, found.c2_utc_ns),
            (found.c2_utc_ns, found.mid_utc_ns),
            (found.mid_utc_ns, found.c3_utc_ns),
            (found.c3_utc_ns, found.c4_utc_ns),
        ):
            assert np.all(first[central] < last[central])
        assert np.all(found.c2_utc_ns[~central] == NO_TIME)
        assert np.all(found.c1_utc_ns[~partial] == NO_TIME)


@settings(max_examples=15, deadline=None, derandomize=True)
@given(
    day=st.sampled_from([dt.date(2027, 8, 2), dt.date(2026, 8, 12), dt.date(2023, 10, 14)]),
    latitude=st.floats(-60, 80),
    longitude=st.floats(-180, 179),
    bearing=st.floats(0, 2 * np.pi),
)
def test_contacts_move_smoothly_with_the_site(day, latitude, longitude, bearing):
    """Every 100 m over 20 km: C1, mid and C4 move by less than 1.5 s a step, and their steps are even.

    A shadow's edge that crosses the ground at grazing incidence is fast, never slow: the bound is a
    tenth of a kilometre at the least speed, with room for edges that touch aslant; magnitudes below 0.02,
    where contacts run together like a square root, are left out.
    """
    steps = np.arange(200) * 0.1 / 111.0
    latitudes = latitude + steps * np.cos(bearing)
    longitudes = np.clip(longitude + steps * np.sin(bearing) / np.cos(np.radians(latitude)), -180, 180)
    found = circumstances_at_many(latitudes, longitudes, 0.0, day)
    if found.magnitude.min() < 0.02:
        return
    for column in (found.c1_utc_ns, found.mid_utc_ns, found.c4_utc_ns):
        move_s = np.diff(column) / 1e9
        assert np.abs(move_s).max() < 1.5
        assert np.abs(np.diff(move_s)).max() < 0.002


def test_totality_shrinks_smoothly_towards_the_limit():
    """Towards the limit durations fall all the way, and their squares, smooth through zero, fall evenly."""
    found = circumstances_at_many(np.linspace(26.0, 28.5, 2000), 33.2, 0.0, dt.date(2027, 8, 2))
    total = found.kind_code == 3
    duration = found.duration_s[total]
    assert total[0]
    assert not total[-1]
    assert np.all(np.diff(duration) < 0)
    falls = np.diff(duration**2)
    assert np.abs(np.diff(falls)).max() < 0.002 * np.abs(falls).max() + 1.0
    assert duration[-1] < 25


def test_polynomials_see_what_the_full_computation_sees():
    """Separation, radii, altitude, azimuth and angles from the polynomials, four and a half hours each way.

    The bending of light by the Earth, left out, is 0.0004 arcseconds for a Sun below the horizon.
    """
    from controller.sky.earth_rotation import timescale
    from controller.sky.eclipses import eclipse_of
    from controller.sky.ephemeris import load_ephemeris

    opened, constants = load_ephemeris(), Constants()
    _, scale = timescale(None)
    for day in (dt.date(2027, 8, 2), dt.date(1999, 8, 11)):
        eclipse = eclipse_of(opened, day)
        sky = sky_of(eclipse, opened, scale)
        at_s = eclipse.greatest_tt_s + np.linspace(-16_200, 16_200, 40)
        for site in (Site(25.5, 33.2, 4000), Site(-70.0, 160.0, 0), Site(48.0, -120.0, 300)):
            full = View(site, opened, scale, constants.solar_radius_km, eclipse.base_jd).at(at_s)
            quick = quick_view(sky, site, constants.solar_radius_km).at(at_s)
            off = np.abs(full.separation_arcsec - quick.separation_arcsec)
            assert off[full.altitude_deg > -1].max(initial=0) < 3e-5
            assert off.max() < 6e-4
            assert np.abs(full.sun_radius_arcsec - quick.sun_radius_arcsec).max() < 1e-6
            assert np.abs(full.moon_radius_arcsec(0.2725) - quick.moon_radius_arcsec(0.2725)).max() < 1e-6
            assert np.abs(full.altitude_deg - quick.altitude_deg).max() < 1e-6
            assert np.abs(full.position_angle_deg() - quick.position_angle_deg()).max() < 1e-4


def test_obscurations_on_arrays():
    """The array form of the lens agrees with the scalar one, at the edges too."""
    from controller.sky.batch import obscurations

    cases = [
        (960.0, 990.0, 700.0),
        (960.0, 940.0, 10.0),
        (960.0, 990.0, 10.0),
        (960.0, 900.0, 1900.0),
        (1.0, 1.0, 0.0),
    ]
    found = obscurations(*(np.array(column) for column in zip(*cases, strict=True)))
    assert found == pytest.approx([obscuration(*case) for case in cases], abs=1e-12)


def test_shapes_progress_and_mistakes():
    """One value serves for all, progress is told, and a place that is none is named with its number."""
    told = []
    found = circumstances_at_many(
        [10.0, 20.0, 30.0], 30.0, 0.0, dt.date(2027, 8, 2), progress=lambda done, of: told.append((done, of))
    )
    assert len(found) == 3
    assert told == [(3, 3)]
    assert len(circumstances_at_many([], [], [], dt.date(2027, 8, 2))) == 0
    with pytest.raises(SkyError, match=r"latitude 95\.0 of site 2"):
        circumstances_at_many([10.0, 95.0], 30.0, 0.0, dt.date(2027, 8, 2))
    with pytest.raises(SkyError, match="longitude nan of site 1"):
        circumstances_at_many([10.0], [float("nan")], 0.0, dt.date(2027, 8, 2))
    with pytest.raises(SkyError, match="no solar eclipse on 2027-03-01"):
        circumstances_at_many([10.0], 30.0, 0.0, dt.date(2027, 3, 1))
