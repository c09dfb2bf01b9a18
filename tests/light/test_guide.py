"""The published exposure guide, row by row.

Source of every expected value: F. Espenak and J. Anderson, Total Solar Eclipse of 1997 March 9, NASA RP-1369,
Table 16 (solar eclipse exposure guide): Q of each row and the time printed for ISO 100 at f/8.
"""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.light.guide import Q_CORONA, corona_q, filtered_q, guide_exposure_s, guide_rows

# As printed; None: not tabulated, faster than the table's 1/4000.
TABLE_ISO_100_F8 = {
    "partial and annular phases, density 4.0": (11, 1 / 4000),
    "partial and annular phases, density 5.0": (8, 1 / 500),
    "Baily's beads": (12, None),
    "chromosphere": (11, 1 / 4000),
    "prominences": (9, 1 / 1000),
    "diamond ring": (5, 1 / 60),
    "corona at 0.1 solar radii above the limb": (7, 1 / 250),
    "corona at 0.2 solar radii above the limb": (5, 1 / 60),
    "corona at 0.5 solar radii above the limb": (3, 1 / 15),
    "corona at 1 solar radii above the limb": (1, 1 / 4),
    "corona at 2 solar radii above the limb": (0, 1 / 2),
    "corona at 4 solar radii above the limb": (-1, 1),
    "corona at 8 solar radii above the limb": (-3, 4),
}
DIAL_S = [
    1 / 4000,
    1 / 2000,
    1 / 1000,
    1 / 500,
    1 / 250,
    1 / 125,
    1 / 60,
    1 / 30,
    1 / 15,
    1 / 8,
    1 / 4,
    1 / 2,
    1,
    2,
    4,
]


def test_the_guide_has_the_published_rows_and_no_others():
    """Every row of the table is there with its Q."""
    assert {row.name: row.q for row in guide_rows()} == {name: q for name, (q, _) in TABLE_ISO_100_F8.items()}
    assert [row.filter_density for row in guide_rows()] == [4.0, 5.0] + [None] * 11


@pytest.mark.parametrize("row", guide_rows(), ids=lambda row: row.name)
def test_each_row_gives_the_printed_time_on_a_whole_stop_dial(row):
    """The formula at ISO 100 and f/8, taken to the nearest whole stop, is the time printed."""
    exact_s = guide_exposure_s(row.q, 8, 100)
    assert exact_s == pytest.approx(64 / (100 * 2**row.q))
    _, printed_s = TABLE_ISO_100_F8[row.name]
    if printed_s is None:
        assert exact_s < 1 / 4000 / math.sqrt(2)
    else:
        assert min(DIAL_S, key=lambda mark: abs(math.log2(mark / exact_s))) == printed_s


def test_other_columns_of_the_table_follow_from_stops():
    """Two stops of aperture, or of speed, move every time by a factor of four (definition of both)."""
    for row in guide_rows():
        assert guide_exposure_s(row.q, 16, 100) == pytest.approx(4 * guide_exposure_s(row.q, 8, 100))
        assert guide_exposure_s(row.q, 8, 400) == pytest.approx(guide_exposure_s(row.q, 8, 100) / 4)


@pytest.mark.parametrize(
    ("density", "q"), [(4, 11), (5, 8), (4.5, 9.5), (3, 11 + 3.3219), (6, 8 - 3.3219), (5.5, 8 - 1.661)]
)
def test_filters_of_other_densities(density, q):
    """The printed rows exactly, a line between them, and density in stops (D / log10 2) outside them."""
    assert filtered_q(density) == pytest.approx(q, abs=1e-3)


def test_a_denser_filter_always_asks_for_more():
    """Q falls with density throughout."""
    values = [filtered_q(3 + step / 20) for step in range(80)]
    assert values == sorted(values, reverse=True)
    assert len(set(values)) == len(values)


def test_the_corona_between_rows_runs_from_row_to_row():
    """At the rows Q is theirs; halfway in the logarithm of the height it is halfway."""
    for height, q in Q_CORONA:
        assert corona_q(1 + height) == pytest.approx(q)
    assert corona_q(1 + math.sqrt(0.1 * 0.2)) == pytest.approx(6)
    assert corona_q(1 + 0.05) == pytest.approx(9)
    assert corona_q(1 + 16) == pytest.approx(-5)


@given(st.floats(1.001, 50), st.floats(1.001, 50))
def test_the_corona_fades_outwards(one, other):
    """Q never grows with the distance."""
    near, far = sorted((one, other))
    assert corona_q(near) >= corona_q(far)


@pytest.mark.parametrize("radius", [1.0, 0.5, math.nan, math.inf])
def test_inside_the_limb_there_is_no_corona(radius):
    """A distance that is not outside the limb is refused."""
    with pytest.raises(ValueError, match="corona begins"):
        corona_q(radius)


@pytest.mark.parametrize(("f_number", "iso"), [(0, 100), (8, 0), (-8, 100), (8, math.inf)])
def test_settings_above_zero_are_asked_for(f_number, iso):
    """An f-number or speed that is not above zero is refused."""
    with pytest.raises(ValueError, match="above zero"):
        guide_exposure_s(8, f_number, iso)
