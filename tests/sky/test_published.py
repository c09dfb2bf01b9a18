"""Local circumstances against published tables. Each table's radii and Delta-T are its own.

All of them use a solar radius of 959.63 arcseconds at 1 au (Auwers 1891), the mean limb, the Moon's
centre of mass and no refraction. Times are compared in TD (TT), or as UT = TD - dT with the row's dT.
Where a table rounds the place, the tolerance is the change of the computed figure inside that rounding.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from controller.sky import Constants, Kind, Site, circumstances
from controller.units import ContactName

from .besselian import (
    ELEMENTS,
    STANDARD_SUN_ARCSEC,
    central_site,
    contacts_hours,
    shadow_at,
    td_seconds,
)

PUBLISHED_TIME_S = 0.5
"""The tolerance of a published time where its own rounding is finer."""


def angle(text):
    """Read "23 44.4N" (degrees, minutes) or "37.0N" as signed degrees."""
    parts = [float(part) for part in text[:-1].split()]
    value = parts[0] + (parts[1] / 60 if len(parts) > 1 else 0)
    return -value if text[-1] in "SW" else value


def clock(text):
    """Read hh:mm:ss as seconds of the day."""
    hours, minutes, seconds = text.split(":")
    return int(hours) * 3600 + int(minutes) * 60 + float(seconds)


def turn(difference_deg):
    """Bring a difference of angles to -180..180."""
    return (difference_deg + 180) % 360 - 180


def spread(compute, site, half_step_deg):
    """How far the figures move inside the rounding of the place, as an array like `compute`'s."""
    centre = np.array(compute(site))
    corners = [
        compute(replace(site, latitude_deg=site.latitude_deg + a, longitude_deg=site.longitude_deg + b))
        for a in (-half_step_deg, half_step_deg)
        for b in (-half_step_deg, half_step_deg)
    ]
    return centre, np.abs(np.array(corners) - centre).max(axis=0)


# Besselian elements ---------------------------------------------------------------------------------


def element_sites(elements):
    """Places along the central line and beside it, at heights up to 3000 m."""
    for number, hours in enumerate(np.linspace(-1.5, 1.5, 6)):
        line = central_site(elements, hours)
        if line is None:
            continue
        for offset, height in (
            (0.0, 0.0),
            (0.4, 1200.0),
            (-0.6, 300.0),
            (10.0, 3000.0),
            (-15.0, 60.0 * number),
        ):
            if abs(line[0] + offset) < 85:
                yield line[0] + offset, line[1], height


seen = cache(lambda site, date, constants: circumstances(site, date, constants=constants))


def element_differences(elements, sites_from=None):
    """Computed minus published-element contacts, seconds of TT, by contact name."""
    constants = Constants(STANDARD_SUN_ARCSEC, elements.k1, elements.k2, elements.delta_t_s)
    differences = {}
    for site in element_sites(sites_from or elements):
        expected = contacts_hours(elements, site)
        found = seen(Site(*site), elements.date, constants)
        assert {name.value for name in found.contacts_utc_ns} == set(expected)
        for contact in found.contacts:
            published_s = td_seconds(elements, expected[contact.name.value])
            differences.setdefault(contact.name.value, []).append(contact.tt_ns / 1e9 - published_s)
    return differences


@pytest.mark.parametrize(
    ("key", "tolerance_s"),
    [
        ("2017", 0.1),
        ("2009", 0.1),
        ("2013", 0.1),
        ("2023", 0.1),
        # Made from DE200/LE200, whose Moon stands 0.08 arcseconds from DE421's: 0.16 s everywhere.
        ("2006", 0.25),
    ],
)
def test_contacts_agree_with_published_besselian_elements(key, tolerance_s):
    """Every contact at 20 to 30 places a set lies within the tolerance of the published elements."""
    differences = element_differences(ELEMENTS[key])
    assert set(differences) == {"C1", "C2", "mid", "C3", "C4"}
    assert sum(len(values) for values in differences.values()) > 75
    assert max(max(map(abs, values)) for values in differences.values()) < tolerance_s


@pytest.mark.parametrize("key", ["2006", "2009", "2013", "2017", "2023"])
def test_angles_agree_with_published_besselian_elements(key):
    """Position angle, zenith angle, altitude and azimuth at every contact agree to 0.02 degrees.

    P is the direction of (u, v), turned by 180 degrees for C2 and C3 of a total eclipse; the rest is
    spherical trigonometry with the elements' own hour angle (Explanatory Supplement, section 8.3).
    """
    elements = ELEMENTS[key]
    constants = Constants(STANDARD_SUN_ARCSEC, elements.k1, elements.k2, elements.delta_t_s)
    compared = 0
    for site in element_sites(elements):
        found = seen(Site(*site), elements.date, constants)
        phi = np.radians(site[0])
        for name, hours in contacts_hours(elements, site).items():
            contact = found.contact(ContactName(name))
            shadow = shadow_at(elements, site, hours)
            h, d = shadow.hour_angle, shadow.declination
            inner_total = name in ("C2", "C3") and shadow.inner < 0
            position = np.degrees(np.arctan2(shadow.u, shadow.v)) + (180 if inner_total else 0)
            altitude = np.degrees(np.arcsin(np.sin(phi) * np.sin(d) + np.cos(phi) * np.cos(d) * np.cos(h)))
            south = np.arctan2(np.sin(h), np.cos(h) * np.sin(phi) - np.tan(d) * np.cos(phi))
            parallactic = np.degrees(np.arctan2(np.sin(h), np.tan(phi) * np.cos(d) - np.sin(d) * np.cos(h)))
            assert contact.altitude_deg == pytest.approx(altitude, abs=0.02)
            # Near the zenith azimuth and zenith angle change fast; at mid on the axis P is undefined.
            near_zenith = 0.02 / np.cos(np.radians(altitude))
            assert turn(contact.azimuth_deg - np.degrees(south) - 180) == pytest.approx(0, abs=near_zenith)
            if name == "mid":
                continue
            # A grazing interior contact turns P by a degree a second.
            allowed = 0.02 if name in ("C1", "C4") else 0.4
            assert turn(contact.position_angle_deg - position) == pytest.approx(0, abs=allowed)
            v_minus_p = contact.zenith_angle_deg - contact.position_angle_deg
            assert turn(v_minus_p + parallactic) == pytest.approx(0, abs=near_zenith)
            compared += 1
    assert compared >= 60


def test_published_2027_elements_stand_off_by_a_constant_in_x():
    """The 2027 page's axis runs 0.000126 Earth radii (0.8 km) east of DE421's; all else agrees.

    The shift is found here, not published: the five other sets agree in x within 0.000004 (0.000023 for
    DE200). It is worth 0.8 to 1.5 s, more than the half second asked of the others; with it taken out,
    every contact agrees within a tenth of a second.
    """
    published = ELEMENTS["2027"]
    raw = element_differences(published)
    assert 0.5 < max(max(map(abs, values)) for values in raw.values()) < 1.6
    # The sites stay those of the published line, so that nothing is computed twice.
    shifted = replace(published, x=(published.x[0] - 0.000126, *published.x[1:]))
    assert max(max(map(abs, values)) for values in element_differences(shifted, published).values()) < 0.1


# Greatest eclipse: Five Millennium Canon of Solar Eclipses, NASA/TP-2006-214141 ------------------------
# Columns: date, TD, dT, latitude, longitude, Moon/Sun ratio, altitude, azimuth, central duration.
# k1 0.272488; k2 0.272281 for total and annular alike, so the annular row is computed with it too.
GREATEST = """
2006-03-29 | 10:12:23 | 65.1 | 23.2N | 16.7E | 1.0515 | 67.3 | 148.6 | 247
2009-07-22 | 02:36:25 | 66.5 | 24.2N | 144.1E | 1.0799 | 85.9 | 197.6 | 399
2013-11-03 | 12:47:36 | 68.4 | 3.5N | 11.7W | 1.0159 | 70.9 | 192.0 | 100
2017-08-21 | 18:26:40 | 70.3 | 37.0N | 87.7W | 1.0306 | 63.9 | 197.9 | 160
2023-10-14 | 18:00:41 | 73.7 | 11.4N | 83.1W | 0.9520 | 67.9 | 208.0 | 317
2024-04-08 | 18:18:29 | 74.0 | 25.3N | 104.1W | 1.0566 | 69.8 | 149.4 | 268
2026-08-12 | 17:47:06 | 75.4 | 65.2N | 25.2W | 1.0386 | 25.8 | 248.4 | 138
2027-08-02 | 10:07:50 | 76.0 | 25.5N | 33.2E | 1.0790 | 81.7 | 202.0 | 383
""".strip().splitlines()


@pytest.mark.parametrize("row", GREATEST, ids=lambda row: row[:10])
def test_greatest_eclipse_rows(row):
    """Time, ratio, altitude, azimuth and duration at the point of greatest eclipse, places to 0.1 degree."""
    date, td, delta_t, latitude, longitude, ratio, altitude, azimuth, duration = (
        x.strip() for x in row.split("|")
    )
    constants = Constants(STANDARD_SUN_ARCSEC, 0.272488, 0.272281, float(delta_t))

    def figures(site):
        found = circumstances(site, dt.date.fromisoformat(date), constants=constants)
        mid = found.contact(ContactName.MID)
        return (
            mid.tt_ns / 1e9 % 86_400,
            found.diameter_ratio,
            mid.altitude_deg,
            mid.azimuth_deg,
            found.duration_s,
        )

    computed, inside_rounding = spread(figures, Site(angle(latitude), angle(longitude)), 0.05)
    published = np.array([clock(td), float(ratio), float(altitude), float(azimuth), float(duration)])
    rounding = np.array([PUBLISHED_TIME_S, 0.00006, 0.05, 0.05, 0.5])
    off = np.abs(computed - published)
    assert np.all(off <= inside_rounding + rounding), (computed - published, inside_rounding)


def test_annular_default_radius_makes_the_ring_shorter_than_the_canon_prints():
    """With the mean radius the 2023 ring is about 5 s shorter than with the canon's k2, which it prints."""
    site, date = Site(11.4, -83.1), dt.date(2023, 10, 14)
    default = circumstances(site, date, constants=Constants(STANDARD_SUN_ARCSEC, delta_t_s=73.7))
    canon = circumstances(site, date, constants=Constants(STANDARD_SUN_ARCSEC, 0.272488, 0.272281, 73.7))
    assert default.moon_k_used == 0.2725076
    assert 4.5 < canon.duration_s - default.duration_s < 6.5


# Shadow contacts 2006 March 29: NASA/TP-2004-212762, Table 3; TD, dT 64.9, places to 0.1 arcminute -----
# DE200/LE200, k1 0.2725076, k2 0.2722810. The shadow's edge meets the Earth's limb: that contact at that
# place happens with the Sun's centre in the horizon.
SHADOW_2006 = [
    ("P1", "07:37:53.4", "14 27.5S", "022 07.0W", ContactName.C1),
    ("U1", "08:35:29.3", "06 31.1S", "037 00.1W", ContactName.C2),
    ("start", "08:36:31.3", "06 18.0S", "037 16.4W", ContactName.MID),
    ("U2", "08:37:33.5", "06 04.6S", "037 32.8W", ContactName.C3),
    ("U3", "11:46:59.4", "51 47.0N", "099 05.0E", ContactName.C2),
    ("end", "11:48:00.4", "51 34.0N", "098 47.7E", ContactName.MID),
    ("U4", "11:49:01.3", "51 21.2N", "098 30.5E", ContactName.C3),
    ("P4", "12:46:45.5", "43 26.5N", "083 02.5E", ContactName.C4),
]
CONSTANTS_2006 = Constants(STANDARD_SUN_ARCSEC, 0.2725076, 0.2722810, 64.9)


@pytest.mark.parametrize(("event", "td", "latitude", "longitude", "name"), SHADOW_2006)
def test_shadow_contacts_of_2006(event, td, latitude, longitude, name):
    """At the place and instant of each shadow contact the local contact comes with the Sun in the horizon."""
    site = Site(angle(latitude), angle(longitude))
    contact = circumstances(site, dt.date(2006, 3, 29), constants=CONSTANTS_2006).contact(name)
    assert contact.tt_ns / 1e9 % 86_400 == pytest.approx(clock(td), abs=PUBLISHED_TIME_S)
    assert contact.altitude_deg == pytest.approx(0, abs=0.01)


def test_greatest_eclipse_of_2006():
    """G0 of the same table: the axis passes over 23 09.1N 016 44.9E at 10:12:22.6 TD."""
    site = Site(angle("23 09.1N"), angle("016 44.9E"))
    mid = circumstances(site, dt.date(2006, 3, 29), constants=CONSTANTS_2006).contact(ContactName.MID)
    assert mid.tt_ns / 1e9 % 86_400 == pytest.approx(clock("10:12:22.6"), abs=PUBLISHED_TIME_S)


# Path of 2009 July 22: path table, F. Espenak, NASA GSFC; UT, places to 0.1 arcminute -------------------
# The page read states no dT; at 66.5 s (the canon's) its central line is met within 0.06 s in all rows.
PATH_2009 = """
00:54 | 23 44.4N | 076 59.2E | 22 51.8N | 080 25.7E | 23 22.3N | 078 53.2E | 1.064 | 9 | 72 | 210.2
00:58 | 27 01.6N | 087 01.3E | 25 27.4N | 088 52.9E | 26 15.5N | 088 00.1E | 1.067 | 18 | 76 | 236.5
01:02 | 28 39.4N | 092 55.6E | 26 52.7N | 094 21.1E | 27 46.6N | 093 40.5E | 1.069 | 24 | 79 | 254.7
01:06 | 29 44.4N | 097 33.2E | 27 50.1N | 098 42.3E | 28 47.6N | 098 09.6E | 1.070 | 29 | 82 | 270.0
01:10 | 30 30.6N | 101 28.9E | 28 30.9N | 102 25.3E | 29 31.0N | 101 58.7E | 1.071 | 34 | 84 | 283.5
""".strip().splitlines()
CONSTANTS_2009 = Constants(STANDARD_SUN_ARCSEC, 0.272488, 0.272281, 66.5)


def path_row(row):
    return [x.strip() for x in row.split("|")]


@pytest.mark.parametrize("row", PATH_2009, ids=lambda row: row[:5])
def test_central_line_of_2009(row):
    """On the central line: time, ratio, altitude, azimuth, and the duration to a tenth of a second."""
    time, _, _, _, _, latitude, longitude, ratio, altitude, azimuth, duration = path_row(row)
    site = Site(angle(latitude), angle(longitude))
    found = circumstances(site, dt.date(2009, 7, 22), constants=CONSTANTS_2009)
    mid = found.contact(ContactName.MID)
    assert found.kind is Kind.TOTAL
    assert mid.tt_ns / 1e9 % 86_400 - 66.5 == pytest.approx(clock(time + ":00"), abs=PUBLISHED_TIME_S)
    assert found.diameter_ratio == pytest.approx(float(ratio), abs=0.00051)
    assert mid.altitude_deg == pytest.approx(float(altitude), abs=0.51)
    assert mid.azimuth_deg == pytest.approx(float(azimuth), abs=0.51)
    assert found.duration_s == pytest.approx(float(duration), abs=0.1)


@pytest.mark.parametrize("row", PATH_2009, ids=lambda row: row[:5])
@pytest.mark.parametrize(("first", "inwards"), [(1, -1), (3, 1)], ids=["north", "south"])
def test_path_limits_of_2009(row, first, inwards):
    """Half a kilometre inside a published limit it is total, half a kilometre outside partial.

    The places are rounded to 0.1 arcminute (0.19 km); the published elements themselves put them 0.1 to
    0.2 km beside the limit (see the next test), so the limit cannot be asked for more closely.
    """
    columns = path_row(row)
    site = Site(angle(columns[first]), angle(columns[first + 1]))
    step_deg = 0.5 / 111 * inwards / np.cos(np.radians(30))  # across a path that runs some 30 degrees aslant
    for sign, kind in ((1, Kind.TOTAL), (-1, Kind.PARTIAL)):
        moved = replace(site, latitude_deg=site.latitude_deg + sign * step_deg)
        assert circumstances(moved, dt.date(2009, 7, 22), constants=CONSTANTS_2009).kind is kind


@pytest.mark.parametrize("row", PATH_2009, ids=lambda row: row[:5])
def test_south_limit_of_2009_is_total_for_as_long_as_the_elements_say(row):
    """At the rounded southern limit places the few seconds left agree with the published elements."""
    columns = path_row(row)
    place = (angle(columns[3]), angle(columns[4]), 0.0)
    found = circumstances(Site(*place), dt.date(2009, 7, 22), constants=CONSTANTS_2009)
    expected = contacts_hours(ELEMENTS["2009"], place)
    published_s = (expected["C3"] - expected["C2"]) * 3600
    # A grazing chord magnifies the kernels' difference: allow the change that 40 m across the path makes
    # (elements printed to 0.000001 Earth radii, 6 m each).
    shadow = shadow_at(ELEMENTS["2009"], place, expected["mid"])
    inside_m = float(abs(shadow.inner) - shadow.distance) * 6_378_137
    assert 0 < inside_m < 250
    assert found.duration_s == pytest.approx(published_s, abs=published_s * 40 / (2 * inside_m))


# Partial at cities, 1999 August 11: NASA RP-1398 (Espenak & Anderson 1997), Table 21 --------------------
# k 0.2725076. Places to 1 arcminute; UT; the report's dT was not read. With 64.5 s all 18 times agree
# within 0.1 s, which is a fit of one number to 18.
CITIES_1999 = """
Bergen | 60 23N | 005 20E | 43 | 09:19:41.7 267 289 38 | 11:41:01.6 122 122 45 | 10:29:34.5 194 207 43 | 155 | 0.722 | 0.656
Oslo | 59 55N | 010 45E | 94 | 09:24:38.1 267 286 41 | 11:47:14.0 123 118 45 | 10:35:29.3 195 203 45 | 164 | 0.718 | 0.651
Trondheim | 63 25N | 010 25E | 127 | 09:28:29.4 262 278 38 | 11:42:50.1 127 124 42 | 10:35:17.5 195 202 41 | 164 | 0.637 | 0.553
Bielsko-Biala | 49 49N | 019 02E | 0 | 09:28:29.2 282 303 52 | 12:10:38.9 113 92 52 | 10:50:01.0 198 197 56 | 180 | 0.931 | 0.920
Bydgoszcz | 53 08N | 018 00E | 0 | 09:28:09.6 277 296 49 | 12:04:29.4 117 100 50 | 10:46:31.2 197 199 52 | 177 | 0.853 | 0.820
Gdansk | 54 23N | 018 40E | 11 | 09:29:46.7 275 292 48 | 12:03:27.7 119 103 48 | 10:46:50.9 197 198 51 | 179 | 0.818 | 0.776
""".strip().splitlines()  # noqa: E501


@pytest.mark.parametrize("row", CITIES_1999, ids=lambda row: row.split(" |")[0])
@pytest.mark.parametrize("delta_t_s", [64.5, 63.7], ids=["fitted dT", "observed dT"])
def test_cities_of_1999(row, delta_t_s):
    """Times, P, V, altitude, azimuth, magnitude and obscuration of the six partial-phase rows.

    With the observed dT of 63.7 s (IERS, from memory) the rows are 0.9 to 1.4 s early in UT, as a table
    predicted with about 0.8 s more must be: 0.8 s of clock and up to 0.3 s of the Earth's turning.
    """
    cells = [cell.strip() for cell in row.split("|")]
    site = Site(angle(cells[1]), angle(cells[2]), float(cells[3]))
    constants = Constants(STANDARD_SUN_ARCSEC, 0.2725076, delta_t_s=delta_t_s)
    found = circumstances(site, dt.date(1999, 8, 11), constants=constants)
    # Magnitude and obscuration are cut, not rounded, in this table: up to one unit of the last place.
    assert found.magnitude == pytest.approx(float(cells[8]), abs=0.00101)
    assert found.obscuration == pytest.approx(float(cells[9]), abs=0.00101)
    for name, cell in ((ContactName.C1, cells[4]), (ContactName.C4, cells[5]), (ContactName.MID, cells[6])):
        time, position, zenith, altitude = cell.split()
        contact = found.contact(name)
        late_s = contact.tt_ns / 1e9 % 86_400 - delta_t_s - clock(time)
        assert late_s == pytest.approx(0, abs=0.2) if delta_t_s == 64.5 else 0.8 < late_s < 1.4
        assert turn(contact.position_angle_deg - float(position)) == pytest.approx(0, abs=0.51)
        # One of the eighteen V is off by 0.57, as if it had been made from the rounded P.
        assert turn(contact.zenith_angle_deg - float(zenith)) == pytest.approx(0, abs=0.6)
        assert contact.altitude_deg == pytest.approx(float(altitude), abs=0.51)
    mid = found.contact(ContactName.MID)
    assert mid.azimuth_deg == pytest.approx(float(cells[7]), abs=0.51)


# Sizes of effects: lunar radius, solar radius, Delta-T -------------------------------------------------

EFFECT_SITES = [
    (Site(25.5, 33.2, 100), dt.date(2027, 8, 2)),
    (Site(25.3, -104.1, 1500), dt.date(2024, 4, 8)),
    (Site(37.0, -87.7, 150), dt.date(2017, 8, 21)),
    (Site(42.2, -4.2, 900), dt.date(2026, 8, 12)),
]


def shifts(site, date, one, other):
    """How much later (s) each contact is with the constants `other` than with `one`."""
    a, b = (circumstances(site, date, constants=c).contacts for c in (one, other))
    return {x.name: (y.tt_ns - x.tt_ns) / 1e9 for x, y in zip(a, b, strict=True)}


@pytest.mark.parametrize(("site", "date"), EFFECT_SITES)
def test_a_smaller_moon_shortens_totality_only(site, date):
    """0.82 arcseconds less of lunar radius at 0.35 to 0.6 arcseconds a second: C2 later, C3 earlier.

    Rates: limb sections of NASA/TP-2001-209990 (0.395 to 0.545) with room for slower and faster paths.
    """
    moved = shifts(site, date, Constants(moon_k_interior=0.2725076), Constants(moon_k_interior=0.272281))
    assert 0.8 / 0.65 < moved[ContactName.C2] < 0.85 / 0.33
    assert 0.8 / 0.65 < -moved[ContactName.C3] < 0.85 / 0.33
    assert moved[ContactName.C1] == moved[ContactName.C4] == 0


@pytest.mark.parametrize(("site", "date"), EFFECT_SITES)
def test_a_larger_sun_begins_earlier_and_shortens_totality(site, date):
    """959.95 for 959.63 arcseconds at 0.37 to 0.55 arcseconds a second moves a contact 0.6 to 0.9 s."""
    moved = shifts(site, date, Constants(959.63), Constants(959.95))
    assert -1.0 < moved[ContactName.C1] < -0.45
    assert 0.45 < moved[ContactName.C2] < 1.0
    assert -1.0 < moved[ContactName.C3] < -0.45
    assert 0.45 < moved[ContactName.C4] < 1.0


@pytest.mark.parametrize(("site", "date"), EFFECT_SITES)
def test_a_second_of_delta_t_turns_the_site_by_15_arcseconds(site, date):
    """One second more of Delta-T is the same as standing 15.041 arcseconds further west, in TT."""
    one = circumstances(site, date, constants=Constants(delta_t_s=70.0))
    later = circumstances(site, date, constants=Constants(delta_t_s=71.0))
    west = replace(site, longitude_deg=site.longitude_deg - 15.041 / 3600)
    moved = circumstances(west, date, constants=Constants(delta_t_s=70.0))
    for contact in one.contacts:
        shift_s = (later.contact(contact.name).tt_ns - contact.tt_ns) / 1e9
        assert -1.1 <= shift_s <= 0.2
        assert later.contact(contact.name).tt_ns / 1e9 == pytest.approx(
            moved.contact(contact.name).tt_ns / 1e9, abs=0.01
        )
