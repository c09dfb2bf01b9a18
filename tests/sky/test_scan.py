"""Grids of places and the order in which they are put."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest
from pyproj import Geod

from controller.errors import SkyError
from controller.sky import Kind, Site, circumstances
from controller.sky.scan import Place, grid_around, scan

D2027 = dt.date(2027, 8, 2)
CAPE = Place("cape", 36.1, -5.7, 30.0)
INLAND = Place("inland", 36.95, -5.4, 400.0)
DESERT = Place("desert", 25.5, 33.2, 100.0)
ISLE = Place("isle", -45.0, 20.0)


def test_grid_lies_within_the_radius_at_even_steps():
    """Every place is within the radius, the middle first, neighbours a step apart, counted independently."""
    places = grid_around(60.0, 179.9, 50.0, 10.0)
    expected = sum(1 for x in range(-5, 6) for y in range(-5, 6) if x * x + y * y <= 25)
    assert len(places) == expected == 81
    assert (places[0].latitude_deg, places[0].longitude_deg) == pytest.approx((60.0, 179.9))
    geod = Geod(ellps="WGS84")
    away = [geod.inv(179.9, 60.0, p.longitude_deg, p.latitude_deg)[2] / 1000 for p in places]
    assert max(away) <= 50.0 + 1e-6
    assert away == pytest.approx(sorted(away), abs=1e-6)
    assert sorted(away)[1] == pytest.approx(10.0)
    assert all(-180 <= p.longitude_deg <= 180 for p in places)


@pytest.mark.parametrize(
    ("radius", "step", "words"),
    [
        (0, 1, "no grid"),
        (10, -1, "no grid"),
        (9000, 10, "too wide"),
        (1000, 0.1, "more than 250000"),
        (float("nan"), 1, "no grid"),
    ],
)
def test_grids_that_cannot_be_meant(radius, step, words):
    """Nothing, backwards, too wide or too fine: one line each."""
    with pytest.raises(SkyError, match=words):
        grid_around(0.0, 0.0, radius, step)


def test_order_by_duration_and_facts_as_the_full_computation():
    """The longest central phase first, partial after, blind places counted; facts are the single site's."""
    found = scan([ISLE, INLAND, CAPE, DESERT], D2027, near=(36.1, -5.7))
    assert [one.place.name for one in found.prospects] == ["desert", "cape", "inland"]
    assert found.blind == 1
    for one in found.prospects:
        place = one.place
        full = circumstances(Site(place.latitude_deg, place.longitude_deg, place.elevation_m), D2027)
        assert one.kind is full.kind
        assert one.duration_s == pytest.approx(full.duration_s or 0.0, abs=0.05)
        assert one.obscuration == pytest.approx(full.obscuration, abs=1e-5)
        assert one.mid_utc_ns == pytest.approx(full.closest_utc_ns, abs=5e7)
    cape = found.prospects[1]
    assert cape.distance_km == 0
    assert found.prospects[2].distance_km == pytest.approx(98.1, abs=0.5)
    assert "clear sky" not in found.score


def test_clouds_turn_the_order_round():
    """Half an hour's drive to a clear sky beats two minutes more under cloud; what is unknown comes last."""
    places = [DESERT, CAPE, INLAND]
    found = scan(places, D2027, clear_sky=np.array([0.2, 0.9, 1.0]))
    assert [one.place.name for one in found.prospects] == ["cape", "desert", "inland"]
    for one, clear in zip(found.prospects, (0.9, 0.2, 1.0), strict=True):
        assert one.clear_sky == clear
        assert one.expected_s == pytest.approx(one.duration_s * clear)
    assert "clear sky" in found.score
    unknown = scan(places, D2027, clear_sky=np.array([np.nan, 0.01, 0.5]))
    assert [one.place.name for one in unknown.prospects] == ["cape", "inland", "desert"]
    assert unknown.prospects[2].clear_sky is None
    assert unknown.prospects[2].kind is Kind.TOTAL


def test_radius_leaves_the_far_ones_out():
    """With a radius only what is near enough is ranked."""
    found = scan([DESERT, CAPE, INLAND], D2027, near=(36.1, -5.7), radius_km=50)
    assert [one.place.name for one in found.prospects] == ["cape"]


def test_nothing_to_rank():
    """No places, or none that sees anything, give an empty list and no fault."""
    assert scan([], D2027).prospects == ()
    assert scan([ISLE], D2027).prospects == ()
    assert scan([ISLE], D2027).blind == 1
