"""Contacts against Astropy and ERFA with the same kernel and the same TT - UT1 (see `independent`).

The two pipelines share the kernel file, TT - UT1 and the pole, and agree in a fraction of a millisecond even
for totality of five seconds: nothing is left in which a physical effect could be missing. Aberration alone is
worth a second, a pole half an arcsecond away a fiftieth, and ten times that for a graze.
"""

from __future__ import annotations

import datetime as dt

import pytest

from controller.sky import Constants, Kind, Site, circumstances
from controller.sky.earth_rotation import data_folder, timescale
from controller.units import ContactName

from . import independent

# Places of our own choosing, on and beside the paths of real eclipses.
PAIRS = [
    # 2006 March 29, total: sunrise and sunset ends, the centre, a partial site
    ("2006-03-29", -6.30, -37.27, 0), ("2006-03-29", 51.57, 98.80, 900),
    ("2006-03-29", 23.15, 16.75, 400), ("2006-03-29", 48.1, 11.6, 520),
    # 2009 July 22, total: centre, both published limits, high ground
    ("2009-07-22", 24.2, 144.1, 0), ("2009-07-22", 29.74, 97.555, 0),
    ("2009-07-22", 27.835, 98.705, 0), ("2009-07-22", 30.51, 101.482, 3900),
    ("2009-07-22", 28.515, 102.422, 0), ("2009-07-22", 21.3, -157.9, 5),
    # 2012 May 20, annular, across midnight UTC and the date line
    ("2012-05-20", 40.0, -121.5, 1200), ("2012-05-20", 35.5, 139.7, 40), ("2012-05-20", 52.0, 180.0, 0),
    # 2013 November 3, hybrid: annular start, total middle and end
    ("2013-11-03", 30.45, -71.25, 0), ("2013-11-03", 3.5, -11.7, 0), ("2013-11-03", 0.4, 11.0, 300),
    ("2013-11-03", 4.1, 43.0, 200),
    # 2015 March 20, total in the far north; 2015 at the pole
    ("2015-03-20", 78.2, 15.6, 50), ("2015-03-20", 90.0, 0.0, 0),
    # 2017 August 21, total: centre, a mountain, near the northern limit
    ("2017-08-21", 37.0, -87.7, 150), ("2017-08-21", 43.74, -110.8, 3300), ("2017-08-21", 45.37, -117.9, 1100),
    # 2019 July 2, total, low Sun and high ground
    ("2019-07-02", -30.0, -70.7, 2600), ("2019-07-02", -35.6, -58.1, 10),
    # 2020 December 14, total; 2021 June 10, annular in the Arctic; 2021 December 4, total in Antarctica
    ("2020-12-14", -40.3, -67.9, 900), ("2021-06-10", 80.8, -66.8, 0), ("2021-12-04", -76.8, -46.2, 30),
    # 2023 April 20, hybrid: annular start, total middle, annular end
    ("2023-04-20", -48.1, 64.0, 0), ("2023-04-20", -22.0, 114.0, 10), ("2023-04-20", -9.6, 125.8, 0),
    ("2023-04-20", 2.9, -179.0, 0),
    # 2023 October 14, annular
    ("2023-10-14", 11.4, -83.1, 0), ("2023-10-14", 37.3, -112.0, 2400), ("2023-10-14", -6.5, -37.0, 400),
    # 2024 April 8, total; 2024 October 2, annular
    ("2024-04-08", 25.3, -104.1, 1500), ("2024-04-08", 48.8, -56.0, 100), ("2024-04-08", 29.4, -98.3, 200),
    ("2024-10-02", -22.0, -114.5, 0), ("2024-10-02", -27.1, -109.4, 60),
    # 2026 February 17, annular in Antarctica; 2026 August 12, total towards sunset
    ("2026-02-17", -75.1, 123.3, 3230), ("2026-08-12", 65.2, -25.2, 0), ("2026-08-12", 42.2, -4.2, 900),
    ("2026-08-12", 39.95, 3.1, 100), ("2026-08-12", 40.42, -3.70, 650), ("2026-08-12", 40.0, 5.0, 0),
    # 2027 August 2, total; 2028 January 26, annular; 2028 July 22, total
    ("2027-08-02", 25.5, 33.2, 100), ("2027-08-02", 36.0, -5.6, 30), ("2027-08-02", -5.0, 72.0, 0),
    ("2028-01-26", 3.0, -51.6, 10), ("2028-01-26", 37.5, -4.5, 300), ("2028-07-22", -25.8, 131.0, 500),
    ("2028-07-22", -44.9, 168.1, 20),
    # 1999 August 11, total: centre, beside the path; 2001 June 21; 2002 December 4; 2003 November 23 in Antarctica
    ("1999-08-11", 45.1, 24.3, 200), ("1999-08-11", 59.9, 10.75, 94), ("2001-06-21", -11.3, 2.7, 0),
    ("2002-12-04", -22.4, 30.0, 500), ("2003-11-23", -72.7, 88.4, 2800),
    # 2005 April 8, hybrid: annular start, total middle, annular end; 2005 October 3, annular
    ("2005-04-08", -47.9, -171.0, 0), ("2005-04-08", -10.6, -119.0, 0), ("2005-04-08", 7.75, -80.6, 100),
    ("2005-10-03", 12.9, 28.7, 500),
    # 2008 August 1; 2010 January 15, annular; 2010 July 11, total; 2012 November 13; 2016 March 9; 2019 December 26
    ("2008-08-01", 65.7, 72.3, 50), ("2010-01-15", 1.6, 69.3, 0), ("2010-07-11", -19.7, -121.9, 0),
    ("2012-11-13", -16.9, 145.6, 10), ("2016-03-09", 10.1, 148.8, 0), ("2019-12-26", 1.0, 102.3, 10),
    # 2031 November 14, hybrid; 2033 March 30, total at the edge of the Earth; 2034 March 20; 2035 September 2
    ("2031-11-14", -0.6, -137.6, 0), ("2031-11-14", 8.6, -80.5, 50), ("2033-03-30", 71.3, -155.8, 10),
    ("2034-03-20", 16.1, 22.2, 500), ("2035-09-02", 36.3, 138.5, 900),
    # 2037 July 13; 2039 June 21, annular; 2041 April 30; 2042 April 20; 2043 April 9, total without a central line
    ("2037-07-13", -24.8, 139.1, 100), ("2039-06-21", 78.9, -102.1, 0), ("2041-04-30", -9.6, 12.2, 0),
    ("2042-04-20", 27.0, 137.3, 0), ("2043-04-09", 61.3, 151.9, 300),
    # 2044 August 23 and 2045 August 12, total
    ("2044-08-23", 64.3, -120.4, 300), ("2045-08-12", 25.9, -78.5, 0), ("2045-08-12", 34.7, -118.2, 700),
    # The annular ends of hybrid eclipses; totality and rings of a few seconds, within a kilometre of a limit
    ("2005-04-08", 8.59, -77.14, 0), ("2031-11-14", 8.26, -79.0, 0),
    ("2006-03-29", 24.4419, 16.75, 400), ("2010-07-11", -18.4788, -121.9, 0),
    ("2017-08-21", 44.0847, -110.8, 3300), ("2019-12-26", 1.5332, 102.3, 10), ("2023-10-14", 12.6856, -83.1, 0),
    ("2027-08-02", 26.914, 33.2, 100), ("2035-09-02", 36.2786, 138.5, 900), ("2041-04-30", -9.1302, 12.2, 0),
    ("2045-08-12", 27.352, -78.5, 0),
]  # fmt: skip


@pytest.fixture(scope="module")
def both():
    """Return the computed and the independent circumstances of every pair."""
    computed = [circumstances(Site(*pair[1:]), dt.date.fromisoformat(pair[0])) for pair in PAIRS]
    cases = [
        # Started a quarter of an hour off, so that the second pipeline finds the eclipse by itself.
        independent.Case(
            *pair[1:], found.closest_utc_ns / 1e9 + 69.2 + 900, found.delta_t.value_s, *_pole(found)
        )
        for pair, found in zip(PAIRS, computed, strict=True)
    ]
    other = independent.contacts(
        data_folder() / "de421.bsp",
        cases,
        solar_radius_arcsec=Constants().solar_radius_arcsec,
        k_exterior=0.2725076,
        k_total=0.272281,
        k_annular=0.2725076,
    )
    return list(zip(PAIRS, computed, other, strict=True))


def _pole(found):
    """Return the place of the pole that the computation used, arcseconds."""
    _, scale = timescale(None)
    _, x_arcsec, y_arcsec = scale.tt_jd(
        found.contact(ContactName.MID).tt_ns / 86_400e9 + 2440587.5
    ).polar_motion_angles()
    return float(x_arcsec), float(y_arcsec)


def test_pairs_cover_every_kind(both):
    """Sixty pairs and more, 1999 to 2045: every kind, hybrids, grazes, and contacts below the horizon."""
    kinds = [found.geometric_kind for _, found, _ in both]
    assert len(set(PAIRS)) == len(PAIRS) >= 60
    years = {int(pair[0][:4]) for pair in PAIRS}
    assert (min(years), max(years)) == (1999, 2045)
    assert len(years) >= 30
    assert kinds.count(Kind.TOTAL) >= 40
    assert kinds.count(Kind.ANNULAR) >= 15
    assert kinds.count(Kind.PARTIAL) >= 10
    hybrids = ("2005-04-08", "2013-11-03", "2023-04-20", "2031-11-14")
    of_hybrids = {(pair[0], found.geometric_kind) for pair, found, _ in both if pair[0] in hybrids}
    assert {kind for _, kind in of_hybrids} == {Kind.TOTAL, Kind.ANNULAR, Kind.PARTIAL}
    assert any(not contact.visible for _, found, _ in both for contact in found.contacts)
    assert sum(found.duration_s is not None and found.duration_s < 10 for _, found, _ in both) >= 9


def test_the_same_contacts_exist(both):
    """Both pipelines find the same set of contacts at every site."""
    for pair, found, other in both:
        assert {name.value for name in found.contacts_utc_ns} == set(other), pair


def test_contacts_agree_in_tt(both):
    """Every contact of every pair, grazes too, agrees within two milliseconds: far inside 0.05 s."""
    worst_s = 0.0
    for pair, found, other in both:
        for contact in found.contacts:
            off_s = contact.tt_ns / 1e9 - other[contact.name.value]
            assert abs(off_s) < 0.002, (pair, contact.name, off_s)
            worst_s = max(worst_s, abs(off_s))
    assert worst_s > 0  # two computations, not one


def test_utc_by_the_other_leap_second_table(both):
    """UTC from TT agrees with Astropy's, which brings its own leap seconds: none is missed or doubled."""
    for _, found, _ in both:
        c1 = found.contact(ContactName.C1)
        assert c1.utc_ns / 1e9 == pytest.approx(independent.utc_seconds(c1.tt_ns / 1e9), abs=1e-5)
