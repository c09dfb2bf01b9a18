"""The path on the ground against published tables, the full computation, and itself."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Geod

from controller.sky import Constants, Kind, Site, circumstances
from controller.sky.path import eclipse_path, nearest_on, standing
from controller.units import ContactName, utc_iso

from .test_published import CONSTANTS_2006, CONSTANTS_2009, PATH_2009, angle, clock, path_row

GEOD = Geod(ellps="WGS84")
D2027 = dt.date(2027, 8, 2)


def apart_km(one, other):
    """Distance over the ground between two (latitude, longitude)."""
    return GEOD.inv(one[1], one[0], other[1], other[0])[2] / 1000


# Published tables -----------------------------------------------------------------------------------

# Widths of the same table, km: path table, F. Espenak, NASA GSFC.
WIDTHS_2009 = (214, 222, 227, 231, 235)


@pytest.mark.parametrize(
    ("row", "width"), list(zip(PATH_2009, WIDTHS_2009, strict=True)), ids=lambda x: str(x)[:5]
)
def test_path_table_of_2009(row, width):
    """Central line and both limits of 2009 July 22 at whole minutes UT, the width and the duration.

    Places are rounded to 0.1 arcminute, 0.13 km each way; the published elements put limits 0.1 to 0.2 km
    from the printed ones themselves. At 9 degrees of altitude what is 0.2 km across the shadow is more on
    the ground.
    """
    columns = path_row(row)
    path = eclipse_path(dt.date(2009, 7, 22), constants=CONSTANTS_2009)
    # UT by the table's Delta-T; UTC here is TT less whole seconds and 32.184 s.
    plane = path._plane
    wanted_tt_s = clock(columns[0] + ":00") + 66.5
    at = np.array([wanted_tt_s]) - (0 if plane.sky.centre_s < 43_200 else 86_400)
    points = plane.on_axis(at)
    found = tuple(float(x[0]) for x in plane.geographic(points))
    assert apart_km(found, (angle(columns[5]), angle(columns[6]))) < 0.25
    for first, side in ((1, 1.0), (3, -1.0)):
        edge, exists = plane.on_limit(at, Kind.TOTAL, side)
        place = tuple(float(x[0]) for x in plane.geographic(edge))
        assert exists[0]
        assert apart_km(place, (angle(columns[first]), angle(columns[first + 1]))) < 0.6
    rows = path.rows(60)
    near = min(rows, key=lambda one: apart_km((one.latitude_deg, one.longitude_deg), found))
    assert near.width_km == pytest.approx(width, abs=1.5)
    assert near.duration_s == pytest.approx(float(columns[10]), abs=1.5)


@pytest.mark.parametrize(
    ("date", "delta_t", "place", "width", "duration", "ratio", "altitude"),
    [
        # Greatest eclipse, Five Millennium Canon of Solar Eclipses, NASA/TP-2006-214141.
        ("2006-03-29", 65.1, (23.2, 16.7), 183.5, 247, 1.0515, 67.3),
        ("2009-07-22", 66.5, (24.2, 144.1), 258.5, 399, 1.0799, 85.9),
        ("2013-11-03", 68.4, (3.5, -11.7), 57.5, 100, 1.0159, 70.9),
        ("2017-08-21", 70.3, (37.0, -87.7), 114.7, 160, 1.0306, 63.9),
        ("2023-10-14", 73.7, (11.4, -83.1), 187.4, 317, 0.9520, 67.9),
        ("2024-04-08", 74.0, (25.3, -104.1), 197.5, 268, 1.0566, 69.8),
        ("2026-08-12", 75.4, (65.2, -25.2), 293.9, 138, 1.0386, 25.8),
        ("2027-08-02", 76.0, (25.5, 33.2), 257.7, 383, 1.0790, 81.7),
    ],
)
def test_greatest_eclipse_lies_on_the_line(date, delta_t, place, width, duration, ratio, altitude):
    """Where the line passes the published place of greatest eclipse, width, duration and ratio are its own."""
    constants = Constants(959.63, 0.272488, 0.272281, delta_t)
    path = eclipse_path(dt.date.fromisoformat(date), constants=constants)
    near = min(path.rows(60), key=lambda one: apart_km((one.latitude_deg, one.longitude_deg), place))
    central = min((nearest_on(path, line, *place) for line in path.central), key=lambda one: one.distance_km)
    assert central.distance_km < 8  # both coordinates are rounded to 0.1 degrees
    assert near.width_km == pytest.approx(width, abs=0.5)
    assert near.duration_s == pytest.approx(duration, abs=0.8)
    assert near.diameter_ratio == pytest.approx(ratio, abs=0.0002)
    assert near.sun_altitude_deg == pytest.approx(altitude, abs=0.6)


def test_ends_of_the_line_of_2006():
    """The central line of 2006 begins and ends where and when NASA/TP-2004-212762, table 3, says (TD, dT 64.9).

    08:36:31.3 at 06 18.0S 037 16.4W; 11:48:00.4 at 51 34.0N 098 47.7E. At the horizon the end runs some
    10 km a tenth of a second along the line, so places are asked across it.
    """
    path = eclipse_path(dt.date(2006, 3, 29), constants=CONSTANTS_2006)
    (line,) = path.central
    for at, td, place in (
        (0, "08:36:31.3", ("06 18.0S", "037 16.4W")),
        (-1, "11:48:00.4", ("51 34.0N", "098 47.7E")),
    ):
        utc_s = int(line.utc_ns[at]) / 1e9 % 86_400
        assert utc_s + 65.184 == pytest.approx(clock(td), abs=0.5)  # TT - UTC = 32.184 + 33 s in 2006
        found = (float(line.latitude_deg[at]), float(line.longitude_deg[at]))
        published = tuple(angle(text) for text in place)
        assert apart_km(found, published) < 15
        assert nearest_on(path, line, *published).distance_km < 1


# Against the full computation -----------------------------------------------------------------------

CASES = [
    ("2027-08-02", Kind.TOTAL),
    ("2026-08-12", Kind.TOTAL),
    ("2024-04-08", Kind.TOTAL),
    ("2021-12-04", Kind.TOTAL),
    ("2013-11-03", Kind.TOTAL),
    ("2023-04-20", Kind.TOTAL),
    ("2023-10-14", Kind.ANNULAR),
    ("2021-06-10", Kind.ANNULAR),
]


@settings(max_examples=24, deadline=None, derandomize=True)
@given(
    case=st.sampled_from(CASES),
    name=st.sampled_from(["northern limit", "southern limit"]),
    share=st.floats(0.05, 0.95),
)
def test_at_a_limit_the_phase_lasts_no_time(case, name, share):
    """Fifty metres inside a computed limit the phase exists, fifty metres outside it does not; on it the
    magnitude is 1 (total), or the diameter ratio (annular), and the Sun is in the right place."""
    day, kind = dt.date.fromisoformat(case[0]), case[1]
    path = eclipse_path(day)
    line = max((x for x in path.limits if x.name == name and x.kind is kind), key=lambda x: np.ptp(x.utc_ns))
    at = int(share * (len(line) - 1))
    place = (float(line.latitude_deg[at]), float(line.longitude_deg[at]))
    on_it = circumstances(Site(*place), day)
    if on_it.highest_sun_deg < 3:
        return
    expected = 1.0 if kind is Kind.TOTAL else on_it.diameter_ratio
    assert on_it.magnitude == pytest.approx(expected, abs=2e-6)
    assert on_it.closest_utc_ns / 1e9 == pytest.approx(int(line.utc_ns[at]) / 1e9, abs=3.0)
    # Across the line: at right angles to the way to its next point.
    ahead = (float(line.latitude_deg[at + 1]), float(line.longitude_deg[at + 1]))
    along, _, _ = GEOD.inv(place[1], place[0], ahead[1], ahead[0])
    sides = []
    for turn in (-90, 90):
        longitude, latitude, _ = GEOD.fwd(place[1], place[0], along + turn, 50.0)
        sides.append(circumstances(Site(latitude, longitude), day))
    assert sorted(side.geometric_kind is kind for side in sides) == [False, True]
    inside = next(side for side in sides if side.geometric_kind is kind)
    assert 0 < inside.duration_s < 25


@pytest.mark.parametrize("date", ["2027-08-02", "2026-08-12", "2013-11-03", "2023-04-20", "2021-06-10"])
def test_on_the_central_line_the_centres_meet_at_the_instant(date):
    """At points of the line the full computation puts mid within 0.02 s of the point's instant, on the axis."""
    day = dt.date.fromisoformat(date)
    for line in eclipse_path(day).central:
        for at in np.linspace(20, len(line) - 21, 5).astype(int):
            found = circumstances(Site(float(line.latitude_deg[at]), float(line.longitude_deg[at])), day)
            assert found.contact(ContactName.MID).utc_ns / 1e9 == pytest.approx(
                line.utc_ns[at] / 1e9, abs=0.02
            )
            assert found.geometric_kind is line.kind
            # Concentric disks: the magnitude is (rs + rm) / 2 rs exactly.
            assert found.magnitude == pytest.approx((1 + found.diameter_ratio) / 2, abs=2e-6)


def test_isochrones_hold_their_instant():
    """Along each line of equal time the full computation's mid is that whole ten minutes, within 0.05 s."""
    path = eclipse_path(D2027)
    lines = path.isochrones(1800)
    assert len(lines) >= 7
    checked = 0
    for line in lines:
        assert len(set(line.utc_ns.tolist())) == 1
        assert utc_iso(int(line.utc_ns[0]), 0)[14:19] in ("00:00", "30:00")
        for at in np.linspace(2, len(line) - 3, 4).astype(int):
            found = circumstances(Site(float(line.latitude_deg[at]), float(line.longitude_deg[at])), D2027)
            if found.geometric_kind is Kind.NONE or found.magnitude < 0.05:
                continue
            assert found.closest_utc_ns / 1e9 == pytest.approx(int(line.utc_ns[at]) / 1e9, abs=0.05)
            checked += 1
    assert checked > 15
    for line in path.isochrones(600, across=True):
        for at in (1, -2):
            site = Site(float(line.latitude_deg[at]), float(line.longitude_deg[at]))
            assert circumstances(site, D2027).geometric_kind is Kind.TOTAL


# Kinds and edges ------------------------------------------------------------------------------------


def test_hybrid_paths_come_in_stretches():
    """2013: annular for seconds, then total to the end. 2023 April: annular, total, annular."""
    for date, kinds in (
        ("2013-11-03", [Kind.ANNULAR, Kind.TOTAL]),
        ("2023-04-20", [Kind.ANNULAR, Kind.TOTAL, Kind.ANNULAR]),
    ):
        path = eclipse_path(dt.date.fromisoformat(date))
        assert path.is_hybrid
        assert [line.kind for line in path.central] == kinds
        for kind in (Kind.ANNULAR, Kind.TOTAL):
            names = [line.name for line in path.limits if line.kind is kind]
            assert names.count("northern limit") == names.count("southern limit") == kinds.count(kind)
        for before, after in zip(path.central, path.central[1:], strict=False):
            assert before.utc_ns[-1] < after.utc_ns[0]


def test_partial_and_off_centre_eclipses():
    """2025 March 29 is nowhere central; 2014 April 29 is annular with the axis passing the Earth by."""
    partial = eclipse_path(dt.date(2025, 3, 29))
    assert partial.central == partial.limits == ()
    assert partial.kinds == ()
    assert partial.rows() == []
    assert partial.isochrones(600, across=True) == ()
    assert len(partial.partial_limits) == 1
    stands = standing(partial, Site(60.0, -20.0))
    assert (stands.central, stands.limit, stands.moved_km) == (None, None, 0.0)
    off_centre = eclipse_path(dt.date(2014, 4, 29))
    assert off_centre.central == ()
    assert [line.name for line in off_centre.limits] == ["northern limit"]


@pytest.mark.parametrize("date", ["2026-08-12", "2021-06-10", "2021-12-04", "2003-11-23"])
def test_polar_paths_end_at_the_horizon(date):
    """Lines over the polar regions are whole, end with the Sun in the horizon, and have no leaps inside."""
    day = dt.date.fromisoformat(date)
    path = eclipse_path(day)
    assert len(path.central) == 1
    assert len(path.limits) == 2
    for line in (*path.central, *path.limits):
        steps = [
            GEOD.inv(
                line.longitude_deg[i],
                line.latitude_deg[i],
                line.longitude_deg[i + 1],
                line.latitude_deg[i + 1],
            )[2]
            for i in range(len(line) - 1)
        ]
        assert max(steps) < 80_000
        for at in (0, -1):
            found = circumstances(Site(float(line.latitude_deg[at]), float(line.longitude_deg[at])), day)
            (altitude,) = (c.altitude_deg for c in found.contacts if c.name == "mid")
            assert abs(altitude) < (0.05 if line.name == "central line" else 0.7)


# A site among the lines -----------------------------------------------------------------------------


def test_standing_inside_and_what_moving_buys():
    """In the strait in 2027: 47 km north of the line, 71 km inside the limit; 10 km south buys 9.5 s."""
    path = eclipse_path(D2027)
    site = Site(36.12, -5.72, 150.0)
    stands = standing(path, site)
    assert stands.kind is stands.moved_kind is Kind.TOTAL
    # A straight search over the dense line, independent of the refinement.
    (line,) = path.central
    rough = min(
        apart_km((36.12, -5.72), place) for place in zip(line.latitude_deg, line.longitude_deg, strict=True)
    )
    assert rough - 15 < stands.central.distance_km <= rough
    assert 170 < stands.central.bearing_deg < 190
    assert (stands.limit.line, round(stands.limit.bearing_deg)) == ("northern limit", 358)
    assert stands.moved_km == 10.0
    assert apart_km((36.12, -5.72), stands.moved_to) == pytest.approx(10.0, abs=1e-6)
    here = circumstances(site, D2027).duration_s
    there = circumstances(Site(*stands.moved_to, 150.0), D2027).duration_s
    assert stands.duration_s == pytest.approx(here, abs=0.01)
    assert stands.gain_s == pytest.approx(there - here, abs=0.01)
    assert 8 < stands.gain_s < 11
    # The sum of both ways is the half-width of the path there.
    assert 2 * (stands.central.distance_km + stands.limit.distance_km) == pytest.approx(236, abs=4)


def test_standing_outside_and_beside_the_line():
    """Outside the path the move may bring totality; nearer than 10 km to the line it ends on the line."""
    path = eclipse_path(D2027)
    outside = standing(path, Site(36.80, -5.75))
    assert (outside.kind, outside.moved_kind) == (Kind.PARTIAL, Kind.TOTAL)
    assert outside.duration_s == 0
    assert outside.gain_s == outside.moved_duration_s > 30
    assert outside.limit.distance_km < 10
    beside = standing(path, Site(35.72, -5.70))
    assert beside.moved_km == pytest.approx(beside.central.distance_km)
    assert beside.moved_km < 5
    assert 0 <= beside.gain_s < 0.5
