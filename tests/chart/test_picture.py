"""The window's geometry against a geodesic library, and what the picture holds."""

from __future__ import annotations

import numpy as np
import pytest
from matplotlib.path import Path as Ring
from PIL import Image
from pyproj import Geod

from controller.chart import coast
from controller.chart.coast import outlines
from controller.chart.picture import draw, site_facts
from controller.chart.window import Window
from controller.errors import UsageError
from controller.sky import Site

from .conftest import make_survey

GEOD = Geod(ellps="WGS84")
LIMIT_COLOUR, LAND_COLOUR = (213, 94, 0), (239, 236, 228)


@pytest.mark.parametrize("middle", [(36.1, -5.7), (89.0, 20.0), (-17.0, 179.9)])
def test_distances_and_directions_from_the_middle_are_true(middle):
    """To 0.1 per thousand, by the geodesic, at mid latitude, beside a pole and on the antimeridian."""
    window = Window(*middle, 500.0)
    for bearing in (10.0, 130.0, 275.0):
        longitude, latitude, _ = GEOD.fwd(middle[1], middle[0], bearing, 400_000.0)
        x, y = window.xy(np.array([latitude]), np.array([longitude]))
        assert np.hypot(x[0], y[0]) == pytest.approx(400.0, rel=1e-4)
        assert np.degrees(np.arctan2(x[0], y[0])) % 360 == pytest.approx(bearing, abs=0.01)
        back = window.place(x, y)
        assert (back[0][0], back[1][0]) == pytest.approx((latitude, (longitude + 180) % 360 - 180), abs=1e-6)
    assert np.isnan(window.xy(np.array([-middle[0]]), np.array([middle[1]]))[0]).all()


@pytest.mark.parametrize(
    "middle",
    [(25.0, 30.0), (80.0, -60.0), (-30.0, -65.0), (-41.0, 174.0), (0.0, -150.0), (-75.0, 100.0)],
)
def test_land_is_filled_where_land_is(middle):
    """Places all over the window are inside the filled rings exactly when they are inside an outline of land.

    Antipodes on land (Argentina, New Zealand, the eastern Pacific) turn a continent inside out; poles and
    the antimeridian are in some windows.
    """
    window = Window(*middle, 9900.0)
    big = [one for one in outlines(False) if one.area_km2 > 100_000 and not one.is_water]
    shapes = [window.area(one) for one in window.near(big)]
    random = np.random.default_rng(3)
    bearing, distance = random.uniform(0, 360, 400), 9800 * np.sqrt(random.uniform(0, 1, 400))
    start = np.full(400, middle[1]), np.full(400, middle[0])
    longitude, latitude, _ = GEOD.fwd(*start, bearing, distance * 1000)
    x, y = window.xy(latitude, longitude)
    filled = np.zeros(400, bool)
    for rings in shapes:
        if rings:
            inside = [Ring(ring).contains_points(np.stack([x, y], axis=1)) for ring in rings]
            filled |= np.logical_xor.reduce(inside)
    land = np.zeros(400, bool)
    for one in big:
        ring = Ring(np.stack([one.longitude_deg, one.latitude_deg], axis=1))
        land |= ring.contains_points(np.stack([longitude, latitude], axis=1))
    assert 0.1 < land.mean() < 0.9
    # A place within some kilometres of a shore may fall on either side: shores are straight in either plane.
    assert (filled != land).sum() <= 3


def colours(path):
    """How many pixels there are of each colour, and the picture's size."""
    image = Image.open(path).convert("RGB")
    counted = image.getcolors(image.width * image.height)
    return {colour: count for count, colour in counted}, image.size


def test_map_with_a_site(strait, tmp_path):
    """Two windows: land and limits are drawn, and the sheet is an A4 across."""
    target = tmp_path / "map.png"
    draw(strait, target)
    found, size = colours(target)
    assert size == (1872, 1184)
    assert found[LIMIT_COLOUR] > 300
    assert found[LAND_COLOUR] > 100_000
    assert found[(255, 255, 255)] > 500_000


def test_map_of_a_polar_path_and_of_a_partial_eclipse(polar, tmp_path):
    """Without a site one window; a partial eclipse has no limits of a central phase to draw."""
    draw(polar, tmp_path / "polar.png")
    found, size = colours(tmp_path / "polar.png")
    assert size == (1328, 1424)
    assert found[LIMIT_COLOUR] > 300
    draw(make_survey("2025-03-29"), tmp_path / "partial.png")
    assert LIMIT_COLOUR not in colours(tmp_path / "partial.png")[0]


def test_map_without_coastlines(polar, tmp_path, monkeypatch):
    """Where the outlines are not installed the map is drawn without them."""
    monkeypatch.setattr(coast, "_folder", lambda: None)
    outlines.cache_clear()
    try:
        draw(polar, tmp_path / "bare.png")
    finally:
        outlines.cache_clear()
    found, _ = colours(tmp_path / "bare.png")
    assert LAND_COLOUR not in found
    assert found[LIMIT_COLOUR] > 300


@pytest.mark.parametrize("name", ["map.nonsense", "nowhere/map.png"])
def test_pictures_that_cannot_be_written(polar, tmp_path, name):
    """An unknown ending and a missing folder: one line."""
    with pytest.raises(UsageError, match="cannot be drawn"):
        draw(polar, tmp_path / name)


def test_facts_of_a_site(strait, polar):
    """The sentences carry the distances, directions and the gain; without a site there are none."""
    facts = site_facts(strait)
    assert facts[0] == "Cape & <Tower>: totality lasts 4 min 25.6 s."
    assert facts[1].startswith("Central line 47.0 km to the S")
    assert "northern limit of totality" in facts[2]
    assert facts[3] == "Moving 10.0 km towards the central line changes it by +9.5 s."
    assert site_facts(polar) == []
    outside = site_facts(make_survey("2027-08-02", Site(36.80, -5.75)))
    assert outside[0] == "The site: partial only."
    assert "brings" in outside[3]
    nothing = site_facts(make_survey("2027-08-02", Site(-45.0, -70.0)))
    assert nothing[0] == "The site: nothing is seen."
    assert not any("Moving" in fact for fact in nothing)
