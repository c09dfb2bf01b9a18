"""Refraction, dip and terrain: against other libraries and tables, and what they hide of the Sun."""

from __future__ import annotations

import datetime as dt
import json
import math
from dataclasses import replace

import astronomy
import erfa
import numpy as np
import pytest
import swisseph

from controller.errors import SkyError
from controller.sky import Edge, HiddenBy, Horizon, Kind, Shown, Site, circumstances
from controller.sky.horizon import (
    SunPath,
    clearances_deg,
    dip_deg,
    edges,
    refraction_deg,
    shown_of,
    standard_air,
)
from controller.units import ContactName

D2026 = dt.date(2026, 8, 12)
MALLORCA = Site(39.95, 3.1, 100)
"""Totality 2.3 degrees above a level horizon, C4 after sunset."""
LEVEL = [True, True, True, True, False]


def lift_arcmin(altitude_deg, pressure_hpa=1010.0, temperature_c=10.0):
    """Return the refraction of one true altitude in arcminutes."""
    return float(refraction_deg(np.array([altitude_deg]), pressure_hpa, temperature_c)[0]) * 60


# Refraction -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("altitude_deg", [8.0, 12.0, 15.0, 20.0, 30.0, 45.0, 60.0, 80.0])
@pytest.mark.parametrize(("pressure_hpa", "temperature_c"), [(1010, 10), (1013.25, 15), (700, -5), (850, 25)])
def test_refraction_by_the_constants_of_erfa(altitude_deg, pressure_hpa, temperature_c):
    """Away from the horizon, within 5 percent, 0.2 arcminutes, of A tan z + B tan^3 z (ERFA refco, 0.55 micrometres)."""
    a, b = erfa.refco(pressure_hpa, temperature_c, 0.0, 0.55)
    lift = lift_arcmin(altitude_deg, pressure_hpa, temperature_c)
    seen = math.tan(math.radians(90 - altitude_deg - lift / 60))
    assert lift == pytest.approx(math.degrees(a * seen + b * seen**3) * 60, rel=0.05, abs=0)


@pytest.mark.parametrize("altitude_deg", [0.0, 0.5, 1.0, 2.0, 3.0, 5.0, 8.0, 15.0, 40.0])
@pytest.mark.parametrize(("pressure_hpa", "temperature_c"), [(1010, 10), (900, 20)])
def test_refraction_by_swiss_ephemeris(altitude_deg, pressure_hpa, temperature_c):
    """Down to the horizon, within 0.3 arcminutes of Swiss Ephemeris, which goes by Bennett's formula."""
    other_deg = (
        swisseph.refrac(altitude_deg, pressure_hpa, temperature_c, swisseph.TRUE_TO_APP) - altitude_deg
    )
    assert lift_arcmin(altitude_deg, pressure_hpa, temperature_c) == pytest.approx(other_deg * 60, abs=0.3)


@pytest.mark.parametrize("altitude_deg", [-1.0, -0.5, 0.0, 1.0, 5.0, 20.0, 70.0])
def test_refraction_by_astronomy_engine(altitude_deg):
    """Within 0.01 arcminutes of Astronomy Engine's normal refraction: the same formula, another's hand."""
    other_deg = astronomy.RefractionAngle(astronomy.Refraction.Normal, altitude_deg)
    assert lift_arcmin(altitude_deg) == pytest.approx(other_deg * 60, abs=0.01)


@pytest.mark.parametrize("seen_deg", [0.0, 0.5, 1.0, 2.0, 5.0, 10.0, 30.0, 60.0])
def test_bennett_brings_it_back(seen_deg):
    """Bennett's formula (1982), cot(h + 7.31 / (h + 4.4)) arcminutes of the seen altitude, is the inverse.

    Within 0.1 arcminutes, as Meeus states of the two (Astronomical Algorithms, chapter 16).
    """
    bennett_arcmin = 1 / math.tan(math.radians(seen_deg + 7.31 / (seen_deg + 4.4)))
    assert lift_arcmin(seen_deg - bennett_arcmin / 60) == pytest.approx(bennett_arcmin, abs=0.1)


def test_refraction_goes_on_smoothly_below_the_horizon():
    """From well below the horizon to the zenith the seen altitude rises with the true one, without a jump."""
    true_deg = np.arange(-10, 90, 0.01)
    seen_deg = true_deg + refraction_deg(true_deg, 1010, 10)
    assert np.all(np.diff(seen_deg) > 0)
    assert np.diff(seen_deg).max() < 0.011
    assert seen_deg[-1] - true_deg[-1] == pytest.approx(0, abs=1e-4)


@pytest.mark.parametrize(
    ("height_m", "pressure_hpa", "temperature_c"),
    [(0, 1013.25, 15.0), (1000, 898.7, 8.5), (3000, 701.1, -4.5), (5000, 540.2, -17.5)],
)
def test_standard_air(height_m, pressure_hpa, temperature_c):
    """The standard atmosphere (ISO 2533, table values from memory)."""
    assert standard_air(height_m) == pytest.approx((pressure_hpa, temperature_c), abs=0.2)


@pytest.mark.parametrize(("height_m", "dip_arcmin"), [(2, 2.5), (10, 5.6), (20, 7.9), (30, 9.6), (48, 12.2)])
def test_dip(height_m, dip_arcmin):
    """The dip table of the Nautical Almanac (values from memory, to 0.1 arcminutes)."""
    assert dip_deg(height_m) * 60 == pytest.approx(dip_arcmin, abs=0.06)


def test_dip_is_a_little_less_than_geometry():
    """Without air the dip is arccos(R / (R + h)); bent sight takes off 7 to 10 percent at any height."""
    for height_m in (5, 100, 3000):
        bare_deg = math.degrees(math.acos(6_371_000 / (6_371_000 + height_m)))
        assert 0.90 < dip_deg(height_m) / bare_deg < 0.93


# The skyline ----------------------------------------------------------------------------------------


def test_straight_lines_between_points_and_round_the_north():
    """Altitudes are interpolated between neighbours, through north too, whatever the order given."""
    horizon = Horizon(((350, 4.0), (90, 0.0), (10, 2.0), (180, 9.0)))
    azimuth_deg = np.array([350, 355, 0, 360, 5, 10, 50, 135, 265, 349.9999])
    seen_deg = horizon.altitude_deg(azimuth_deg)
    expected = [4, 3.5, 3, 3, 2.5, 2, 1, 4.5, 6.5, 4]
    assert seen_deg == pytest.approx(expected, abs=1e-4)
    assert horizon.made_of is HiddenBy.TERRAIN


def test_one_point_is_a_ring_and_none_is_level():
    """A single point holds all round; without points the horizon is level, or dips."""
    everywhere = np.arange(0.0, 360.0, 30.0)
    assert Horizon(((123, 5.0),)).altitude_deg(everywhere) == pytest.approx(5)
    assert Horizon().altitude_deg(everywhere) == pytest.approx(0)
    assert not np.signbit(Horizon().altitude_deg(everywhere)).any()
    assert Horizon(above_surroundings_m=300).altitude_deg(everywhere) == pytest.approx(-0.508, abs=0.001)
    assert Horizon().made_of is HiddenBy.HORIZON


@pytest.mark.parametrize(
    ("azimuth_deg", "gap_deg"), [(5, 20), (355, 20), (50, 80), (100, 90), (200, 170), (90, 80), (10, 20)]
)
def test_gap_between_points(azimuth_deg, gap_deg):
    """The width of the stretch in which a direction lies is told, across north too."""
    horizon = Horizon(((350, 4.0), (90, 0.0), (10, 2.0), (180, 9.0)))
    assert horizon.gap_deg(azimuth_deg) == pytest.approx(gap_deg)
    assert Horizon(((40, 1.0),)).gap_deg(azimuth_deg) == 360


@pytest.mark.parametrize(
    "values",
    [
        {"terrain": ((-1, 5),)}, {"terrain": ((361, 5),)}, {"terrain": ((10, 91),)}, {"terrain": ((10, -11),)},
        {"terrain": ((10, 5), (10, 6))}, {"terrain": ((0, 5), (360, 6))}, {"terrain": ((float("nan"), 5),)},
        {"above_surroundings_m": -1}, {"above_surroundings_m": 1e5}, {"pressure_hpa": 30}, {"pressure_hpa": 1e5},
        {"temperature_c": 280}, {"temperature_c": float("nan")},
    ],
)  # fmt: skip
def test_impossible_horizons(values):
    """Azimuths twice, and values in the wrong unit, are refused in one line that says how to mend it."""
    with pytest.raises(SkyError, match=r"^[^\n]*Mend: [^\n]*$"):
        Horizon(**values)


# What they hide -------------------------------------------------------------------------------------


def test_disk_over_an_edge():
    """The disk is whole, part or nothing by its upper and lower edge, half a degree apart."""
    horizon = Horizon(((0, 3.0),))
    altitudes_deg = np.array([2.0, 2.6, 3.0, 3.4, 4.0])
    upper_deg, lower_deg = clearances_deg(horizon, 0.0, altitudes_deg, np.full(5, 90.0), 0.2633)
    assert upper_deg - lower_deg == pytest.approx(0.502, abs=0.01)  # refraction flattens it a little
    states = [shown_of(u, low) for u, low in zip(upper_deg, lower_deg, strict=True)]
    assert states == [Shown.NOTHING, Shown.PART, Shown.PART, Shown.WHOLE, Shown.WHOLE]


def test_edges_of_a_known_path():
    """A Sun that rises a degree in 240 s meets a level edge where arithmetic says so, upper limb first."""
    tt_s = np.arange(0.0, 1200.0)
    rising = np.stack([tt_s / 240 - 2 + side for side in (0.25, -0.25)])
    (first_s, first), (second_s, second) = edges(tt_s, rising)
    assert (first, second) == (Edge.APPEARS, Edge.CLEARS)
    assert (first_s, second_s) == pytest.approx((420, 540), abs=1e-6)
    (first_s, first), (second_s, second) = edges(tt_s, rising[:, ::-1])
    assert (first, second) == (Edge.TOUCHES, Edge.VANISHES)


def test_sun_path_through_the_zenith():
    """The fitted path is exact between its samples, at the zenith too, where the azimuth turns over."""

    def sky(tt_s):
        hour = np.radians((tt_s - 7200) / 240)
        up = np.cos(hour)  # on the equator, the Sun on it
        return np.degrees(np.arcsin(up)), np.where(hour < 0, 90.0, 270.0)

    samples_s = SunPath.sample_s(0, 14_400)
    path = SunPath.through(samples_s, *sky(samples_s))
    between_s = np.arange(100.0, 14_400, 200.0)
    altitude_deg, azimuth_deg = path.at(between_s)
    assert altitude_deg == pytest.approx(sky(between_s)[0], abs=1e-6)
    away = np.abs(between_s - 7200) > 60
    assert azimuth_deg[away] == pytest.approx(sky(between_s)[1][away], abs=1e-6)


def test_level_horizon_at_sunset():
    """Before sunset the whole Sun shows; sunset is where the almanac's convention has it, to 20 s."""
    found = circumstances(MALLORCA, D2026)
    assert [contact.shown is Shown.WHOLE for contact in found.contacts] == LEVEL
    assert [contact.visible for contact in found.contacts] == LEVEL
    assert [c.hidden_by for c in found.contacts] == [HiddenBy.NONE] * 4 + [HiddenBy.HORIZON]
    touches, vanishes = found.crossings
    assert (touches.edge, vanishes.edge) == (Edge.TOUCHES, Edge.VANISHES)
    # Sunset on Mallorca by the definition of almanacs, with another library's Sun.
    other = astronomy.SearchRiseSet(
        astronomy.Body.Sun, astronomy.Observer(39.95, 3.1, 100), astronomy.Direction.Set,
        astronomy.Time.Make(2026, 8, 12, 17, 0, 0), 1,
    )  # fmt: skip
    assert other is not None
    sunset_s = (other.ut + 2451545.0 - 2440587.5) * 86_400
    assert vanishes.utc_ns / 1e9 == pytest.approx(sunset_s, abs=20)
    assert found.contact(ContactName.C2).apparent_altitude_deg == pytest.approx(2.66, abs=0.02)


def test_terrain_hides_and_changes_no_time():
    """A hill over the western sky hides totality, wholly; kind, times and `visible` stay as they were."""
    hill = replace(MALLORCA, horizon=Horizon(((270, 5.0), (300, 5.0))))
    bare, hidden = circumstances(MALLORCA, D2026), circumstances(hill, D2026)
    assert hidden.kind is bare.kind is Kind.TOTAL
    assert hidden.contacts_utc_ns == bare.contacts_utc_ns
    assert [c.visible for c in hidden.contacts] == LEVEL
    assert [c.hidden_by for c in hidden.contacts] == [HiddenBy.NONE] + [HiddenBy.TERRAIN] * 4
    assert [c.shown for c in hidden.contacts] == [Shown.WHOLE] + [Shown.NOTHING] * 4
    assert all(c.horizon_altitude_deg == pytest.approx(5) for c in hidden.contacts)
    touches, vanishes = hidden.crossings
    c1, c2 = (hidden.contact(name).utc_ns for name in (ContactName.C1, ContactName.C2))
    assert c1 < touches.utc_ns < vanishes.utc_ns < c2
    # The Sun sinks 10.6 degrees an hour there, and its disk is 0.53 degrees high.
    assert (vanishes.utc_ns - touches.utc_ns) / 1e9 == pytest.approx(0.53 / 10.6 * 3600, abs=10)
    assert touches.apparent_altitude_deg == pytest.approx(5.26, abs=0.02)
    assert vanishes.apparent_altitude_deg == pytest.approx(4.74, abs=0.02)


def test_a_tooth_of_rock_is_met_twice():
    """A narrow tooth hides the Sun for a while: four crossings, and the contacts outside it are clear."""
    tooth = Horizon(((279.9, 0.0), (280.0, 30.0), (282.0, 30.0), (282.1, 0.0)))
    found = circumstances(replace(MALLORCA, horizon=tooth), D2026)
    before_sunset = [crossing.edge for crossing in found.crossings[:4]]
    assert sorted(before_sunset) == sorted(Edge)
    assert found.contact(ContactName.C1).shown is Shown.WHOLE
    assert found.contact(ContactName.C2).shown is Shown.WHOLE
    for crossing in found.crossings[:4]:
        assert 279.8 < crossing.azimuth_deg < 282.2


def test_air_and_dip_count():
    """From a cliff of 500 m the Sun sets later by the dip; thin air lifts less."""
    low, cliff = (
        circumstances(replace(MALLORCA, horizon=Horizon(above_surroundings_m=h)), D2026) for h in (0, 500)
    )
    later_s = (cliff.crossings[-1].utc_ns - low.crossings[-1].utc_ns) / 1e9
    assert later_s == pytest.approx(dip_deg(500) / 10.4 * 3600, rel=0.15)
    thin = circumstances(replace(MALLORCA, horizon=Horizon(pressure_hpa=500, temperature_c=10)), D2026)
    lift = [
        f.contact(ContactName.C2).apparent_altitude_deg - f.contact(ContactName.C2).altitude_deg
        for f in (low, thin)
    ]
    assert lift[1] / lift[0] == pytest.approx(500 / standard_air(100)[0] * 287.35 / 283, abs=0.005)


def test_plain_data_of_the_horizon():
    """The JSON of a contact says both altitudes, what hides it and how much shows; the crossings follow."""
    hill = replace(MALLORCA, horizon=Horizon(((270, 5.0), (300, 5.0))))
    data = json.loads(json.dumps(circumstances(hill, D2026).to_json_dict()))
    assert data["site"]["horizon"] == [[270, 5.0], [300, 5.0]]
    c2 = data["contacts"][1]
    assert c2["apparent_altitude_deg"] > c2["altitude_deg"]
    assert (c2["horizon_altitude_deg"], c2["hidden_by"], c2["sun_shown"]) == (5.0, "terrain", "nothing")
    assert [item["what"] for item in data["horizon_crossings"]] == [
        "the lower edge sinks behind",
        "the last of the disk is gone",
    ]
    assert data["horizon_crossings"][0]["behind"] == "terrain"


def test_a_miss_has_no_crossings():
    """Where there is no eclipse there is nothing to hide."""
    assert circumstances(Site(-45.0, 20.0, horizon=Horizon(((0, 5.0),))), dt.date(2027, 8, 2)).crossings == ()
