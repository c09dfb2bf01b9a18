"""What must hold at any place and any eclipse, and for the numerical tools on functions with known answers."""

from __future__ import annotations

import datetime as dt
import math

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from controller.sky import Kind, Site, circumstances, eclipse_days
from controller.sky.earth_rotation import timescale
from controller.sky.geometry import obscuration
from controller.sky.numeric import lowest, nodes, roots
from controller.units import ContactName

DAYS = st.deferred(
    lambda: st.sampled_from([day.date for day in eclipse_days(dt.date(1980, 1, 1), dt.date(2050, 12, 31))])
)
SITES = st.builds(
    Site,
    st.floats(-90, 90, allow_nan=False),
    st.floats(-180, 180, allow_nan=False),
    st.floats(-400, 9000, allow_nan=False),
)


@settings(max_examples=50, deadline=None, derandomize=True)
@given(site=SITES, date=DAYS)
def test_any_site_any_eclipse(site, date):
    """Contacts are in order and touch to 0.0001 arcseconds; fractions are fractions; kinds fit contacts."""
    found = circumstances(site, date)
    instants = list(found.contacts_utc_ns.values())
    assert instants == sorted(instants)
    assert all(abs(contact.residual_arcsec) < 1e-4 for contact in found.contacts)
    assert 0 <= found.obscuration <= 1
    assert found.magnitude >= 0
    assert (found.obscuration == 1) == (found.geometric_kind is Kind.TOTAL)
    names = set(found.contacts_utc_ns)
    assert (ContactName.C1 in names) == (found.geometric_kind is not Kind.NONE) == (found.miss_arcsec is None)
    assert (ContactName.C2 in names) == found.geometric_kind.is_central == (found.duration_s is not None)
    assert any(contact.visible for contact in found.contacts) <= (found.kind is not Kind.NONE)
    assert (found.highest_sun_deg > -50 / 60 and found.miss_arcsec is None) == (found.kind is not Kind.NONE)
    for contact in found.contacts:
        assert 0 <= contact.position_angle_deg < 360
        assert 0 <= contact.zenith_angle_deg < 360
        assert 0 <= contact.azimuth_deg < 360
        assert contact.uncertainty_s > 0.5


@given(sun=st.floats(940, 980), moon=st.floats(880, 1020), separation=st.floats(0, 2100))
def test_obscuration_is_a_fraction_and_falls_with_separation(sun, moon, separation):
    """Never above 1 nor below 0, and never larger farther apart."""
    here = obscuration(sun, moon, separation)
    assert 0 <= here <= 1
    assert obscuration(sun, moon, separation + 10) <= here + 1e-12


def test_obscuration_against_counted_points():
    """The lens of two disks agrees with counting a grid of points, independent of any formula."""
    sun, moon, separation = 960.0, 990.0, 700.0
    axis = np.linspace(-sun, sun, 3001)
    x, y = np.meshgrid(axis, axis)
    in_sun = x * x + y * y < sun * sun
    in_moon = (x - separation) ** 2 + y * y < moon * moon
    counted = (in_sun & in_moon).sum() / in_sun.sum()
    assert obscuration(sun, moon, separation) == pytest.approx(counted, abs=2e-4)


@given(
    root=st.floats(-0.9, 0.9),
    power=st.sampled_from([1, 3, 5]),
    scale=st.floats(1e-3, 1e3),
)
def test_roots_never_leave_the_bracket(root, power, scale):
    """Simple and flat roots alike are found to the tolerance, several brackets at once."""

    def function(x):
        return scale * (x - np.array([root, -root])) ** power * (1 + 0.3 * np.sin(5 * x))

    found = roots(function, np.array([-1.0, 1.0]), np.array([1.0, -1.0]), 1e-9)
    assert np.abs(found - np.array([root, -root])).max() < 2e-9


def test_roots_refuse_a_bracket_without_a_change_of_sign():
    """No sign change, no answer."""
    with pytest.raises(ValueError, match="sign"):
        roots(lambda x: x * x + 1, np.array([-1.0]), np.array([1.0]), 1e-6)


@given(at=st.floats(-0.95, 0.95), curve=st.floats(0.1, 10))
def test_lowest_of_a_parabola(at, curve):
    """The least point of a parabola is found; outside the samples the nearer end is."""
    x = nodes(0.0, 1.0, 7)
    assert lowest(x, curve * (x - at) ** 2, 4) == pytest.approx(at, abs=1e-7)
    assert lowest(x, curve * (x - 5) ** 2, 4) == pytest.approx(1.0)


@given(year=st.integers(1960, 2052), day=st.integers(0, 364))
def test_utc_and_tt_differ_by_leap_seconds_or_delta_t(year, day):
    """From 1972 TT - UTC is 32.184 s and whole seconds; UT1 stays within 0.9 s of UTC while measured."""
    table, scale = timescale(None)
    jd = 2436934.5 + (dt.date(year, 1, 1) - dt.date(1960, 1, 1)).days + day
    assume(abs(jd - 2441317.5) > 2)
    delta_t_s = float(scale.delta_t_function(jd))
    shift_s = -table.utc_minus_tt_s(jd, delta_t_s)
    if jd < 2441317.5:
        assert shift_s == delta_t_s
    else:
        assert math.isclose((shift_s - 32.184) % 1, 0, abs_tol=1e-9) or math.isclose(
            (shift_s - 32.184) % 1, 1
        )
        if table.mjd[0] + 2400000.5 < jd < table.measured_until_mjd + 2400000.5:
            assert abs(shift_s - delta_t_s) < 0.91


@pytest.mark.parametrize(
    ("date", "tai_minus_utc"),
    [
        # IERS Bulletin C history: TAI - UTC from that date on.
        ((1972, 1, 1), 10), ((1972, 7, 1), 11), ((1973, 1, 1), 12), ((1980, 1, 1), 19), ((1999, 1, 1), 32),
        ((2006, 1, 1), 33), ((2009, 1, 1), 34), ((2012, 7, 1), 35), ((2015, 7, 1), 36), ((2017, 1, 1), 37),
    ],
)  # fmt: skip
def test_leap_seconds(date, tai_minus_utc):
    """TAI - UTC steps on the announced dates, neither a second before nor after."""
    table, _ = timescale(None)
    midnight_jd = 2451544.5 + (dt.date(*date) - dt.date(2000, 1, 1)).days
    delta_t_s = 32.184 + tai_minus_utc  # UT1 = UTC is near enough to tell 1972 from before
    step_tt_jd = midnight_jd + (32.184 + tai_minus_utc) / 86_400
    assert -table.utc_minus_tt_s(step_tt_jd + 0.5 / 86_400, delta_t_s) == pytest.approx(
        32.184 + tai_minus_utc
    )
    if tai_minus_utc > 10:
        assert -table.utc_minus_tt_s(step_tt_jd - 1.5 / 86_400, delta_t_s) == pytest.approx(
            31.184 + tai_minus_utc
        )
