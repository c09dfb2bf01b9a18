"""Mistakes a user can make: one clear line each, never a traceback of the library's."""

from __future__ import annotations

import datetime as dt

import pytest
from jplephem.excerpter import write_excerpt
from jplephem.spk import SPK

from controller.errors import SkyError
from controller.sky import Constants, Kind, Site, circumstances, eclipses_at, time_zone_at
from controller.sky.earth_rotation import data_folder, load_table

NILE, D2027 = Site(25.5, 33.2, 100), dt.date(2027, 8, 2)
DE421 = data_folder() / "de421.bsp"
JD_2027 = 2461619.5


def excerpt(path, targets, start_jd, end_jd):
    """Write the segments of DE421 that lead to these targets, for these dates, as an SPK file."""
    spk = SPK.open(str(DE421))
    try:
        keep = [(name, values) for name, values in spk.daf.summaries() if int(values[2]) in targets]
        with path.open("w+b") as file:
            write_excerpt(spk, file, start_jd, end_jd, keep)
    finally:
        spk.close()
    return path


def one_line(caught):
    """Return the error's text after making sure that it is one line that says how to mend it."""
    text = str(caught.value)
    assert "\n" not in text
    assert "Mend:" in text
    return text


@pytest.mark.parametrize("date", [dt.date(1800, 1, 1), dt.date(2060, 1, 1), dt.date.min, dt.date.max])
def test_date_outside_the_ephemeris(date):
    """A date outside DE421 is refused with its name and range."""
    with pytest.raises(SkyError) as caught:
        circumstances(NILE, date)
    text = one_line(caught)
    assert "DE421" in text
    assert "1899" in text
    assert "2053" in text
    with pytest.raises(SkyError):
        eclipses_at(NILE, dt.date(2020, 1, 1), dt.date(2060, 1, 1))


@pytest.mark.parametrize("date", [dt.date(1899, 8, 2), dt.date(2053, 10, 4)])
def test_dates_at_the_very_ends_of_the_ephemeris(date):
    """At the ends of DE421 the search for the nearest eclipse does not run over the edge."""
    with pytest.raises(SkyError, match="nearest"):
        circumstances(NILE, date)


def test_missing_file(tmp_path):
    """A path to nothing is named."""
    with pytest.raises(SkyError) as caught:
        circumstances(NILE, D2027, ephemeris=tmp_path / "none.bsp")
    assert "none.bsp" in one_line(caught)


@pytest.mark.parametrize("content", [b"", b"not an ephemeris", b"DAF/SPK " + b"\0" * 2000])
def test_file_that_is_no_ephemeris(tmp_path, content):
    """An empty file, another file and a hollow one are refused."""
    path = tmp_path / "odd.bsp"
    path.write_bytes(content)
    with pytest.raises(SkyError) as caught:
        circumstances(NILE, D2027, ephemeris=str(path))
    assert "odd.bsp" in one_line(caught)


def test_file_cut_short(tmp_path):
    """A download that broke off is recognised before it is used."""
    path = tmp_path / "short.bsp"
    path.write_bytes(DE421.read_bytes()[:5_000_000])
    with pytest.raises(SkyError, match="cut short"):
        circumstances(NILE, D2027, ephemeris=path)


@pytest.mark.parametrize(
    ("targets", "missing"), [((3, 10, 399), "Moon"), ((3, 301, 399), "Sun"), ((10, 301, 399), "Moon|Earth")]
)
def test_file_without_a_body(tmp_path, targets, missing):
    """A kernel that lacks Moon, Sun or the way to the Earth is refused by the name of what is missing."""
    path = excerpt(tmp_path / "part.bsp", targets, JD_2027 - 30, JD_2027 + 30)
    with pytest.raises(SkyError, match=missing):
        circumstances(NILE, D2027, ephemeris=path)


def test_another_spk_file_serves(tmp_path):
    """An excerpt with Sun, Moon and Earth gives the same contacts, its own name, and its own range."""
    path = excerpt(tmp_path / "august.bsp", (3, 10, 301, 399), JD_2027 - 30, JD_2027 + 30)
    found, reference = circumstances(NILE, D2027, ephemeris=path), circumstances(NILE, D2027)
    assert found.ephemeris == "AUGUST"
    assert found.kind is Kind.TOTAL
    for one, other in zip(found.contacts, reference.contacts, strict=True):
        assert one.utc_ns == pytest.approx(other.utc_ns, abs=1e5)
    with pytest.raises(SkyError, match=r"AUGUST.*2027-07-0\d to 2027-0[89]"):
        circumstances(NILE, dt.date(2027, 1, 1), ephemeris=path)


@pytest.mark.parametrize(
    "arguments",
    [
        (91, 0),
        (-90.01, 0),
        (0, 181),
        (0, -180.5),
        (0, 0, -1000),
        (0, 0, 1e6),
        (float("nan"), 0),
        (0, float("inf")),
    ],
)
def test_impossible_sites(arguments):
    """Coordinates that are no place on Earth are refused."""
    with pytest.raises(SkyError) as caught:
        Site(*arguments)
    one_line(caught)


@pytest.mark.parametrize(
    "values",
    [
        {"solar_radius_arcsec": 16.0},
        {"solar_radius_arcsec": float("nan")},
        {"moon_k_exterior": 1737.4},
        {"moon_k_interior": 0.0},
        {"delta_t_s": 1e5},
        {"delta_t_s": float("nan")},
    ],
)
def test_impossible_constants(values):
    """Radii in the wrong unit and a Delta-T that cannot be are refused."""
    with pytest.raises(SkyError) as caught:
        Constants(**values)
    one_line(caught)


def test_broken_earth_rotation_table(tmp_path):
    """A table without a single row is refused, not turned into zeros."""
    path = tmp_path / "finals"
    path.write_text("nothing\n")
    with pytest.raises(SkyError, match="Earth rotation table"):
        load_table(path)


@pytest.mark.parametrize(
    ("latitude", "longitude", "zone"),
    [
        (25.5, 33.2, "Africa/Cairo"),
        (42.2, -4.2, "Europe/Madrid"),
        (21.3, -157.9, "Pacific/Honolulu"),
        (35.5, 139.7, "Asia/Tokyo"),
        (0.0, -30.0, "Etc/GMT+2"),
    ],
)
def test_time_zone_at(latitude, longitude, zone):
    """Zones by the IANA database; at sea the nautical one, 15 degrees wide."""
    assert time_zone_at(latitude, longitude) == zone


def test_time_zone_of_no_place():
    """Coordinates off the globe have no zone."""
    with pytest.raises(SkyError):
        time_zone_at(95.0, 0.0)
