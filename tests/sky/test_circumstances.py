"""What a site sees: every kind, the edges between them, the horizon, dates, and the plain data."""

from __future__ import annotations

import datetime as dt
import json
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest

from controller.errors import SkyError
from controller.sky import (
    Constants,
    DeltaTState,
    Kind,
    Site,
    circumstances,
    decide_kind,
    eclipse_days,
    eclipses_at,
)
from controller.sky.earth_rotation import timescale
from controller.units import ContactName, parse_utc_iso, utc_datetime

from .besselian import ELEMENTS, central_site

D2009, D2013, D2023, D2026, D2027 = (
    dt.date(2009, 7, 22),
    dt.date(2013, 11, 3),
    dt.date(2023, 4, 20),
    dt.date(2026, 8, 12),
    dt.date(2027, 8, 2),
)
NILE = Site(25.5, 33.2, 100)
ALL = list(ContactName)
OUTER = [ContactName.C1, ContactName.MID, ContactName.C4]


def edge(inside, outside, date, is_inside):
    """Return the pair of sites, 1e-7 degrees apart (a centimetre), between which `is_inside` changes."""
    assert is_inside(circumstances(inside, date))
    assert not is_inside(circumstances(outside, date))
    while abs(inside.latitude_deg - outside.latitude_deg) > 1e-7:
        middle = replace(inside, latitude_deg=(inside.latitude_deg + outside.latitude_deg) / 2)
        if is_inside(circumstances(middle, date)):
            inside = middle
        else:
            outside = middle
    return circumstances(inside, date), circumstances(outside, date)


# Kinds ----------------------------------------------------------------------------------------------


def test_total_site():
    """A total site has all five instants in order, full obscuration, and says which radius it used."""
    found = circumstances(NILE, D2027)
    assert found.kind is found.geometric_kind is Kind.TOTAL
    assert list(found.contacts_utc_ns) == ALL
    assert list(found.contacts_utc_ns.values()) == sorted(found.contacts_utc_ns.values())
    assert found.obscuration == 1.0
    assert found.diameter_ratio > 1
    c2, c3 = found.contact(ContactName.C2), found.contact(ContactName.C3)
    assert found.duration_s == pytest.approx((c3.utc_ns - c2.utc_ns) / 1e9, abs=1e-6)
    assert found.moon_k_used == 0.272281
    assert "total at the site" in found.moon_k_reason
    assert found.miss_arcsec is None


def test_published_durations_of_2024_and_2027_with_the_standard_sun():
    """Central durations at greatest eclipse: 4m28s (2024) and 6m23s (2027).

    Espenak & Meeus, NASA/TP-2006-214141 (k2 0.272281); the rounded place is worth 0.1 s in 2024.
    """
    day, place = dt.date(2024, 4, 8), Site(25.3, -104.1)
    assert circumstances(place, day, constants=Constants(959.63)).duration_s == pytest.approx(268, abs=0.6)
    assert circumstances(NILE, D2027, constants=Constants(959.63)).duration_s == pytest.approx(383, abs=0.8)


def test_annular_site():
    """An annular site uses the mean radius; its obscuration is the square of the diameter ratio."""
    found = circumstances(Site(11.4, -83.1), dt.date(2023, 10, 14))
    assert found.kind is Kind.ANNULAR
    assert list(found.contacts_utc_ns) == ALL
    assert found.moon_k_used == 0.2725076
    assert "annular at the site" in found.moon_k_reason
    assert found.obscuration == pytest.approx(found.diameter_ratio**2)
    assert found.obscuration < 1


def test_points_of_contact_lie_where_the_disks_touch():
    """The last bead of a total eclipse shows east of north-south, the first one west; a ring's reversed."""
    total = circumstances(NILE, D2027)
    ring = circumstances(Site(11.4, -83.1), dt.date(2023, 10, 14))
    for found, c2_is_east in ((total, True), (ring, False)):
        assert 180 < found.contact(ContactName.C1).position_angle_deg < 360
        assert 0 < found.contact(ContactName.C4).position_angle_deg < 180
        assert (found.contact(ContactName.C2).position_angle_deg < 180) is c2_is_east
        assert (found.contact(ContactName.C3).position_angle_deg < 180) is not c2_is_east


def test_partial_site():
    """A partial site has no C2 and C3 and no duration."""
    found = circumstances(Site(48.1, 11.6, 520), D2027)
    assert found.kind is Kind.PARTIAL
    assert list(found.contacts_utc_ns) == OUTER
    assert found.duration_s is None
    assert 0 < found.obscuration < found.magnitude < 1
    assert "0.2725076" in found.note
    with pytest.raises(KeyError):
        found.contact(ContactName.C2)


def test_miss_says_by_how_much():
    """A site outside the penumbra gets no contacts but the gap, which shrinks towards the penumbra."""
    far, near = (circumstances(Site(latitude, 20.0), D2027) for latitude in (-45.0, -40.0))
    for found in (far, near):
        assert found.kind is found.geometric_kind is Kind.NONE
        assert found.contacts == ()
        assert found.magnitude == found.obscuration == 0
    assert far.miss_arcsec > near.miss_arcsec > 0
    assert far.miss_km > near.miss_km > 0
    assert "No eclipse at the site" in far.note


def test_hybrid_resolves_to_what_the_site_sees():
    """2013: the canon's elements have the line annular in its first seconds and total from then on."""
    elements = ELEMENTS["2013"]
    hours = np.arange(-2.0, -1.6, 1e-4)
    start = next(h for h in hours if central_site(elements, h) is not None)
    first = circumstances(Site(*central_site(elements, start)), D2013)
    later = circumstances(Site(*central_site(elements, start + 0.5)), D2013)
    assert (first.kind, later.kind) == (Kind.ANNULAR, Kind.TOTAL)
    assert first.diameter_ratio < 1 < later.diameter_ratio


def test_between_ring_and_totality_is_a_band_of_neither():
    """Along the line of 2013 the kinds come as annular, partial (broken ring), total, each once."""
    elements = ELEMENTS["2013"]
    hours = np.arange(-2.0, -1.6, 1e-4)
    start = next(h for h in hours if central_site(elements, h) is not None)
    sites = [central_site(elements, start + seconds / 3600) for seconds in (0, 4, 8, 12, 16, 20, 40, 80)]
    constants = Constants(delta_t_s=elements.delta_t_s)
    seen = [circumstances(Site(*site), D2013, constants=constants) for site in sites]
    kinds = [found.kind for found in seen]
    changes = [kind for i, kind in enumerate(kinds) if i == 0 or kind is not kinds[i - 1]]
    assert changes == [Kind.ANNULAR, Kind.PARTIAL, Kind.TOTAL]
    for found in seen:
        assert (found.obscuration == 1) == (found.kind is Kind.TOTAL)
        assert (found.magnitude >= 1) == (found.kind is Kind.TOTAL)
        assert ("beads" in found.moon_k_reason) == (found.kind is not Kind.ANNULAR)


@pytest.mark.parametrize(
    ("separation", "total", "annular", "kind"),
    [
        (0.0, 960.5, 961.3, Kind.TOTAL),
        (0.6, 960.5, 961.3, Kind.PARTIAL),
        (0.0, 958.0, 958.8, Kind.ANNULAR),
        (1.3, 958.0, 958.8, Kind.PARTIAL),
        (0.0, 959.6, 960.4, Kind.PARTIAL),  # the Sun is larger than the one Moon and smaller than the other
        (1919.0, 959.6, 960.4, Kind.PARTIAL),
        (1921.0, 959.6, 960.4, Kind.NONE),
    ],
)
def test_decide_kind(separation, total, annular, kind):
    """The rule, with a Sun of 960 arcseconds and plain numbers around it."""
    assert decide_kind(960.0, separation, total, annular, 960.4) is kind


def test_one_given_interior_radius_leaves_no_band():
    """With one radius for both kinds the answer at the centre flips from annular to total directly."""
    assert decide_kind(960.0, 0.0, 959.9999, 959.9999, 960.4) is Kind.ANNULAR
    assert decide_kind(960.0, 0.0, 960.0001, 960.0001, 960.4) is Kind.TOTAL


# Grazes ---------------------------------------------------------------------------------------------


def test_graze_of_totality():
    """A centimetre inside the limit of totality lasts seconds at most, well solved; outside, no C2."""
    inside, outside = edge(
        NILE, replace(NILE, latitude_deg=28.5), D2027, lambda found: found.kind is Kind.TOTAL
    )
    assert 0 < inside.duration_s < 1.0
    assert list(inside.contacts_utc_ns) == ALL
    assert list(inside.contacts_utc_ns.values()) == sorted(inside.contacts_utc_ns.values())
    assert all(abs(contact.residual_arcsec) < 1e-4 for contact in inside.contacts)
    assert outside.kind is Kind.PARTIAL
    assert outside.duration_s is None
    assert inside.contact(ContactName.C1).tt_ns == pytest.approx(
        outside.contact(ContactName.C1).tt_ns, abs=1e6
    )
    # Where the limit grazes, the limb decides: the stated uncertainty must say so.
    assert inside.uncertainty_s > 20


def test_graze_of_the_penumbra():
    """A centimetre inside the penumbra the eclipse is a touch of seconds; outside it is a miss of metres at most."""
    inside, outside = edge(
        NILE,
        replace(NILE, latitude_deg=-45.0),
        D2027,
        lambda found: found.kind is Kind.PARTIAL or found.kind is Kind.TOTAL,
    )
    assert inside.magnitude < 1e-7
    assert list(inside.contacts_utc_ns.values()) == sorted(inside.contacts_utc_ns.values())
    assert (inside.contact(ContactName.C4).tt_ns - inside.contact(ContactName.C1).tt_ns) / 1e9 < 30
    assert outside.kind is Kind.NONE
    assert 0 <= outside.miss_km < 0.005


# Horizon --------------------------------------------------------------------------------------------


def test_contact_below_the_horizon_is_flagged_and_kept():
    """2026 in the Balearic Sea: totality with the Sun up, C4 seven degrees below the horizon."""
    found = circumstances(Site(40.0, 4.0), D2026)
    assert found.kind is Kind.TOTAL
    assert [contact.visible for contact in found.contacts] == [True, True, True, True, False]
    assert found.contact(ContactName.C4).altitude_deg == pytest.approx(-7, abs=0.5)


def test_totality_below_the_horizon_is_partial_for_the_site():
    """Past the end of the 2026 path the Moon still covers the Sun, but the site has lost it by then."""
    found = circumstances(Site(38.4, 10.2), D2026)
    assert (found.kind, found.geometric_kind) == (Kind.PARTIAL, Kind.TOTAL)
    assert found.contact(ContactName.C1).visible
    assert not found.contact(ContactName.C2).visible
    assert "below the horizon" in found.note


def test_eclipse_at_night_is_none_with_its_contacts_kept():
    """Where the axis leaves the Earth, on the night side, nothing is seen and everything is listed."""
    found = circumstances(Site(*central_site(ELEMENTS["2027"], 0.1, far=True)), D2027)
    assert found.kind is Kind.NONE
    assert found.geometric_kind is Kind.TOTAL
    assert list(found.contacts_utc_ns) == ALL
    assert not any(contact.visible for contact in found.contacts)
    assert found.highest_sun_deg < -40
    assert "stays below the horizon" in found.note


@pytest.mark.parametrize("longitude", [-180.0, -77.0, 0.0, 180.0])
def test_the_pole_has_one_sky_whatever_its_longitude(longitude):
    """At the North Pole in 2015 the Sun stood in the horizon, totally eclipsed; longitude turns azimuth only."""
    reference = circumstances(Site(90.0, 0.0), dt.date(2015, 3, 20))
    found = circumstances(Site(90.0, longitude), dt.date(2015, 3, 20))
    assert found.kind is Kind.TOTAL
    for one, other in zip(reference.contacts, found.contacts, strict=True):
        assert one.tt_ns == pytest.approx(other.tt_ns, abs=1e5)
        assert one.altitude_deg == pytest.approx(other.altitude_deg, abs=1e-6)
        turned_deg = (other.azimuth_deg - one.azimuth_deg - longitude) % 360
        assert min(turned_deg, 360 - turned_deg) < 1e-4


# Dates ----------------------------------------------------------------------------------------------


def test_midnight_utc_and_the_date_line():
    """2012 May 20: in California it is over midnight UTC, in Japan it is May 21; all these dates are taken."""
    for site, dates in (
        (Site(40.0, -121.5), (dt.date(2012, 5, 20), dt.date(2012, 5, 21))),
        (Site(35.5, 139.7), (dt.date(2012, 5, 20), dt.date(2012, 5, 21))),
    ):
        first, second = (circumstances(site, date) for date in dates)
        assert first == second
        assert first.kind is Kind.ANNULAR
        assert first.eclipse_date == dt.date(2012, 5, 20)


def test_local_date_before_the_utc_date():
    """In Honolulu the eclipse of 2009 July 22 (UTC) came on the afternoon of the 21st."""
    site = Site(21.3, -157.9)
    found = circumstances(site, dt.date(2009, 7, 21))
    assert found.eclipse_date == D2009
    assert all(utc_datetime(ns).date() == D2009 for ns in found.contacts_utc_ns.values())
    with pytest.raises(SkyError, match="2009-07-22"):
        circumstances(site, dt.date(2009, 7, 20))


def test_a_datetime_counts_as_its_date():
    """A datetime is taken for its calendar date."""
    moment = dt.datetime(2027, 8, 2, 12, tzinfo=dt.UTC)
    assert circumstances(NILE, moment) == circumstances(NILE, D2027)


def test_no_eclipse_names_the_nearest():
    """Without an eclipse on the date the error names the ones before and after it."""
    with pytest.raises(SkyError, match=r"no solar eclipse on 2026-09-01.*2026-08-12 and 2027-02-06"):
        circumstances(NILE, dt.date(2026, 9, 1))


# Lists ----------------------------------------------------------------------------------------------

# Espenak & Meeus, Five Millennium Canon (NASA/TP-2006-214141): dates of all eclipses 2024 to 2030.
DATES_2024_2030 = [
    "2024-04-08", "2024-10-02", "2025-03-29", "2025-09-21", "2026-02-17", "2026-08-12", "2027-02-06", "2027-08-02",
    "2028-01-26", "2028-07-22", "2029-01-14", "2029-06-12", "2029-07-11", "2029-12-05", "2030-06-01", "2030-11-25",
]  # fmt: skip


def test_eclipse_days_match_the_canon():
    """The dates of 2024 to 2030 are the canon's (dates from memory of it)."""
    days = eclipse_days(dt.date(2024, 1, 1), dt.date(2030, 12, 31))
    assert [str(day.date) for day in days] == DATES_2024_2030


def test_a_century_has_as_many_eclipses_as_the_canon_counts():
    """From 1901 to 2000 the canon counts 228 solar eclipses (figure from memory of it)."""
    assert len(eclipse_days(dt.date(1901, 1, 1), dt.date(2000, 12, 31))) == 228


@pytest.mark.parametrize(
    ("date", "gamma"),
    [
        ("2006-03-29", 0.3843), ("2009-07-22", 0.0698), ("2013-11-03", 0.3271), ("2017-08-21", 0.4367),
        ("2023-10-14", 0.3753), ("2024-04-08", 0.3431), ("2026-08-12", 0.8977), ("2027-08-02", 0.1421),
    ],
)  # fmt: skip
def test_gamma_of_the_canon(date, gamma):
    """Gamma agrees with the canon's table to its last place, one unit."""
    day = dt.date.fromisoformat(date)
    (found,) = eclipse_days(day, day)
    assert found.gamma == pytest.approx(gamma, abs=0.0001)


def test_eclipses_at_a_place():
    """Every eclipse of the list is seen, in order, and equals the single computation; unseen ones are out."""
    site, first, last = Site(42.2, -4.2, 900), dt.date(2020, 1, 1), dt.date(2032, 12, 31)
    seen = eclipses_at(site, first, last)
    assert [found.eclipse_date for found in seen] == sorted(found.eclipse_date for found in seen)
    by_date = {found.eclipse_date: found for found in seen}
    assert by_date[D2026].kind is Kind.TOTAL
    for day in eclipse_days(first, last):
        single = circumstances(site, day.date)
        assert (single.kind is not Kind.NONE) == (day.date in by_date)
        if day.date in by_date:
            assert by_date[day.date] == single
            assert single.highest_sun_deg > -0.84


def test_eclipses_at_wants_dates_in_order():
    """Dates the wrong way round are refused."""
    with pytest.raises(SkyError, match="swap"):
        eclipses_at(NILE, dt.date(2030, 1, 1), dt.date(2020, 1, 1))


# Honesty --------------------------------------------------------------------------------------------


def test_delta_t_states():
    """Measured, predicted, extrapolated and given are told apart; the uncertainty grows in that order."""
    table, scale = timescale(None)
    mjd0 = 2400000.5
    measured, predicted, extrapolated, far = (
        table.delta_t(scale, mjd0 + mjd, None)
        for mjd in (
            table.measured_until_mjd - 400,
            table.measured_until_mjd + 100,
            table.mjd[-1] + 100,
            table.mjd[-1] + 8000,
        )
    )
    assert [measured.state, predicted.state, extrapolated.state, far.state] == [
        DeltaTState.MEASURED,
        DeltaTState.PREDICTED,
        DeltaTState.EXTRAPOLATED,
        DeltaTState.EXTRAPOLATED,
    ]
    assert 0 < measured.uncertainty_s < 0.001 < predicted.uncertainty_s < 0.05
    assert predicted.uncertainty_s < extrapolated.uncertainty_s < 1 < far.uncertainty_s
    assert abs(extrapolated.value_s - predicted.value_s) < 1
    given = circumstances(NILE, D2027, constants=Constants(delta_t_s=71.7)).delta_t
    assert (given.state, given.value_s) == (DeltaTState.GIVEN, 71.7)


@pytest.mark.parametrize(
    ("date", "site", "delta_t_s"),
    [
        ("1999-08-11", Site(48.5, 8.0), 63.7),
        ("2006-03-29", Site(23.15, 16.75), 64.9),
        ("2017-08-21", Site(37.0, -87.7), 68.8),
        ("2024-04-08", Site(25.3, -104.1), 69.2),
    ],
)
def test_delta_t_as_observed(date, site, delta_t_s):
    """Delta-T of past eclipses is the observed one (IERS; figures from memory, to 0.1 s)."""
    found = circumstances(site, dt.date.fromisoformat(date)).delta_t
    assert found.state is DeltaTState.MEASURED
    assert found.value_s == pytest.approx(delta_t_s, abs=0.1)


def test_before_1972_utc_is_ut1():
    """The total eclipse of 1961 February 15 in Tuscany: TT - UT1 was 33.6 s (IERS/USNO, from memory)."""
    found = circumstances(Site(43.5, 11.0), dt.date(1961, 2, 15))
    assert found.kind is Kind.TOTAL
    for contact in found.contacts:
        assert (contact.tt_ns - contact.utc_ns) / 1e9 == pytest.approx(33.6, abs=0.3)


def test_given_delta_t_turns_the_earth_and_leaves_utc_alone():
    """With any Delta-T, UTC is TT less 32.184 s and the 37 leap seconds of 2027 as announced."""
    for delta_t_s in (None, 60.0, 80.0):
        for contact in circumstances(NILE, D2027, constants=Constants(delta_t_s=delta_t_s)).contacts:
            assert contact.tt_ns - contact.utc_ns == 69_184_000_000


def test_uncertainty_is_seconds_and_the_note_says_why():
    """C2 and C3 are not promised better than a second or two, and the note names every basis."""
    found = circumstances(Site(37.0, -87.7), dt.date(2017, 8, 21))
    assert 1.2 < found.uncertainty_s < 4
    for part in ("mostly by the lunar limb", "959.95", "0.272281", "DE421", "Delta-T 68.8", "measured"):
        assert part in found.note
    assert found.note.count(". ") == 0


def test_far_in_the_future_delta_t_is_the_larger_doubt():
    """For 2052 the Earth's rotation is worth more seconds than the limb, and leap seconds are not foreseen."""
    found = circumstances(Site(20.0, -100.0), dt.date(2052, 3, 30))
    assert found.delta_t.state is DeltaTState.EXTRAPOLATED
    assert found.uncertainty_s > 0.6 * found.delta_t.uncertainty_s > 4
    assert "mostly by Delta-T" in found.note
    assert "no leap second beyond those announced" in found.note


def test_elevation_and_position_matter_as_much_as_they_should():
    """3000 m of height is worth 0.3 to 6 s, 100 m of ground not more than 0.3 s (geometry of the shadow)."""
    low, high = (circumstances(Site(42.2, -4.2, height), D2026) for height in (0.0, 3000.0))
    moved = circumstances(Site(42.2009, -4.2, 0.0), D2026)
    c2 = ContactName.C2
    assert 0.3 < abs(high.contact(c2).tt_ns - low.contact(c2).tt_ns) / 1e9 < 6
    assert 0 < abs(moved.contact(c2).tt_ns - low.contact(c2).tt_ns) / 1e9 < 0.3


def test_json_is_plain_and_complete():
    """The plain data survives JSON, with ISO instants that read back to the millisecond."""
    found = circumstances(NILE, D2027)
    data = json.loads(json.dumps(found.to_json_dict()))
    assert data["kind"] == "total"
    assert [item["name"] for item in data["contacts"]] == ["C1", "C2", "mid", "C3", "C4"]
    for item, contact in zip(data["contacts"], found.contacts, strict=True):
        assert abs(parse_utc_iso(item["utc"]) - contact.utc_ns) <= 500_000
        assert item["utc"].endswith("Z")
        assert not item["tt"].endswith("Z")
    assert data["delta_t"]["state"] == found.delta_t.state.value
    assert data["constants"]["moon_k_used"] == 0.272281
    miss = circumstances(Site(-45.0, 20.0), D2027).to_json_dict()
    assert json.loads(json.dumps(miss))["miss_km"] > 0


def test_import_is_light_and_offline():
    """Importing the package loads no ephemeris library, and computing opens no socket."""
    code = (
        "import sys, datetime as dt, controller.sky as sky\n"
        "assert not {'skyfield', 'jplephem', 'timezonefinder'} & set(sys.modules)\n"
        "import socket\n"
        "def refuse(*a, **k): raise AssertionError('network')\n"
        "socket.socket.connect = socket.create_connection = socket.getaddrinfo = refuse\n"
        "print(sky.circumstances(sky.Site(25.5, 33.2), dt.date(2027, 8, 2)).kind)\n"
        "print(sky.time_zone_at(25.5, 33.2))\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.stdout.split() == ["total", "Africa/Cairo"], done.stderr
