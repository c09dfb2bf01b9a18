"""`map` and `sites` through the command line, and what they say of wrong wishes."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import netCDF4
import numpy as np
import pytest

from controller.cli import where
from controller.errors import HoldfireError
from controller.sky import Constants
from tests.cli.command import SAMPLES, as_json, holdfire

NO_FILES = where.Files(None, None, None, None)


def test_map_of_a_plan_with_all_its_files(tmp_path):
    """The plan's site and date, every kind of file, and figures that agree with those of the contacts."""
    plan = str(SAMPLES / "total_2027.yaml")
    names = [f"path.{ending}" for ending in ("png", "geojson", "kml", "gpx")]
    done = holdfire(
        "map", plan, "--json", "--every", "60", "--picture", names[0], "--geojson", names[1], "--kml", names[2],
        "--gpx", names[3], cwd=tmp_path,
    )  # fmt: skip
    data = as_json(done)
    assert done.returncode == 0
    assert done.stderr == ""
    assert sorted(data["written"]) == sorted(names)
    assert all((tmp_path / name).stat().st_size > 5000 for name in names)
    assert data["kinds"] == ["total"]
    assert [row["utc"][11:19] for row in data["rows"]] == [
        "08:25:05",
        "09:00:00",
        "10:00:00",
        "11:00:00",
        "11:48:20",
    ]
    contacts = as_json(holdfire("contacts", plan, "--json", cwd=tmp_path))
    assert data["site"]["duration_s"] == pytest.approx(contacts["duration_s"], abs=0.05)
    assert data["site"]["kind"] == contacts["kind"] == "total"
    assert data["site"]["moved"]["gain_s"] == pytest.approx(
        data["site"]["moved"]["duration_s"] - data["site"]["duration_s"], abs=0.011
    )


def test_map_for_a_person(tmp_path):
    """The table holds no cut-off words at 80 columns; the site's sentences follow; files are named."""
    done = holdfire(
        "map", "--date", "2027-08-02", "--lat", "36.12", "--lon=-5.72", "--every", "30", cwd=tmp_path
    )
    assert done.returncode == 0
    assert "Solar eclipse of 2027-08-02, total" in done.stdout
    assert "10:00:00  26.90 30.9" in done.stdout
    assert "Central line 47.0 km to the S" in done.stdout
    assert "as the crow flies" in done.stdout
    assert "…" not in done.stdout
    partial = holdfire("map", "--date", "2025-03-29", cwd=tmp_path)
    assert "nowhere central" in partial.stdout


def test_sites_on_a_grid_with_clouds(tmp_path):
    """A grid around a place under a sky that clears eastwards: ranked by expected seconds, all in the CSV."""
    with netCDF4.Dataset(tmp_path / "cloud.nc", "w") as data:
        for axis, points, unit in (
            ("lat", np.arange(30.0, 41.0), "degrees_north"),
            ("lon", np.arange(-10.0, 1.0), "degrees_east"),
        ):
            data.createDimension(axis, len(points))
            variable = data.createVariable(axis, "f8", (axis,))
            variable.units, variable[:] = unit, points
        cover = data.createVariable("cover", "f8", ("lat", "lon"))
        cover.units = "%"
        cover[:] = np.broadcast_to(np.linspace(100, 0, 11), (11, 11))
    done = holdfire(
        "sites", "--date", "2027-08-02", "--near=36.0,-5.5", "--radius", "50", "--step", "10", "--count", "5",
        "--cloud", "cloud.nc", "--csv", "all.csv", "--json", cwd=tmp_path,
    )  # fmt: skip
    data = as_json(done)
    assert done.stderr == ""
    assert data["compared"] == 81
    assert "percent (its unit says so)" in data["clouds"]
    best = data["places"]
    assert len(best) == 5
    assert [one["expected_s"] for one in best] == sorted((one["expected_s"] for one in best), reverse=True)
    for one in best:
        assert one["clear_sky"] == pytest.approx((one["longitude_deg"] + 10) / 10, abs=1e-3)
        assert one["expected_s"] == pytest.approx(one["duration_s"] * one["clear_sky"], abs=0.05)
        assert one["longitude_deg"] > -5.3
        assert one["distance_km"] <= 50.001
    with (tmp_path / "all.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 81
    assert [row["rank"] for row in rows] == [str(i) for i in range(1, 82)]
    assert float(rows[0]["expected_s"]) == best[0]["expected_s"]


def test_sites_of_a_list_for_a_person(tmp_path):
    """Named places, nearest first among equals, within 80 columns."""
    (tmp_path / "list.csv").write_text(
        "name,lat,lon\nCape,36.12,-5.72\nHill,36.9,-5.4\nIsle,-45,20\n", encoding="utf-8"
    )
    done = holdfire("sites", "--date", "2027-08-02", "--file", "list.csv", "--near=36,-5.5", cwd=tmp_path)
    assert done.returncode == 0
    lines = done.stdout.splitlines()
    assert "1 see nothing" in lines[0]
    assert [line.split()[1] for line in lines if line[:1].isdigit()][:2] == ["Cape", "Hill"]
    assert "…" not in done.stdout
    assert "roads are longer" in done.stdout


@pytest.mark.parametrize(
    ("wish", "words"),
    [
        ({"date": None}, "No eclipse is named"),
        ({"date": "2027-08-02", "lat": 3.0}, "Half a place"),
        ({"date": "2027-08-03x"}, "is no date"),
        ({"date": "2027-05-01"}, "nearest solar eclipses are on 2027-02-06 and 2027-08-02"),
        ({"date": "2027-08-02", "every": 0.0}, "is no step"),
        ({"date": "2027-08-02", "lat": 99.0, "lon": 0.0}, "latitude 99"),
    ],
)  # fmt: skip
def test_maps_that_cannot_be(wish, words):
    """Each wrong wish gives one line that says how to mend it."""
    wish = {"lat": None, "lon": None, "every": 30.0, **wish}
    with pytest.raises(HoldfireError, match=words) as caught:
        where.map_path(
            None,
            wish["lat"],
            wish["lon"],
            0.0,
            wish["date"],
            wish["every"],
            NO_FILES,
            Constants(),
            None,
            as_json=True,
        )
    assert "Mend:" in str(caught.value)


@pytest.mark.parametrize(
    ("around", "more", "words"),
    [
        (where.Around(None, None, None, None, 0.0), {}, "No places are given"),
        (where.Around("36.1", None, None, None, 0.0), {}, '"36.1" is no place'),
        (where.Around("96,1", None, None, None, 0.0), {}, "latitude 96"),
        (where.Around("36,1", -5.0, None, None, 0.0), {}, "is no grid"),
        (where.Around("36,1", 500.0, 0.5, None, 0.0), {}, "more than 250000 places"),
        (where.Around(None, 50.0, None, Path("x.csv"), 0.0), {}, "radius is given without its middle"),
        (where.Around("36,1", 50.0, 5.0, Path("x.csv"), 0.0), {}, "grid and a list"),
        (where.Around("36,1", None, None, Path("x.csv"), 0.0), {}, r"x\.csv cannot be read"),
        (where.Around("36,1", None, None, None, 0.0), {"cloud": Path("c.nc")}, "is not there"),
        (where.Around("36,1", None, None, None, 0.0), {"variable": "tcc"}, "no cloud file"),
        (where.Around("36,1", None, None, None, 0.0), {"count": 0}, "0 places are none"),
    ],
)  # fmt: skip
def test_lists_that_cannot_be(around, more, words, tmp_path, monkeypatch):
    """Each wrong wish gives one line that says how to mend it."""
    monkeypatch.chdir(tmp_path)
    with pytest.raises(HoldfireError, match=words) as caught:
        where.sites(
            None, "2027-08-02", around, more.get("cloud"), more.get("variable"), more.get("count", 5), None,
            Constants(), None, as_json=True,
        )  # fmt: skip
    assert "Mend:" in str(caught.value)


def test_clouds_elsewhere_are_refused_with_their_extent(tmp_path, capsys):
    """A grid that covers none of the places is no silent list of unknowns; its extent is named."""
    with netCDF4.Dataset(tmp_path / "cloud.nc", "w") as data:
        for axis, unit in (("lat", "degrees_north"), ("lon", "degrees_east")):
            data.createDimension(axis, 3)
            variable = data.createVariable(axis, "f8", (axis,))
            variable.units, variable[:] = unit, [50.0, 51.0, 52.0]
        data.createVariable("tcc", "f8", ("lat", "lon"))[:] = 0.5
    around = where.Around("36,1", None, None, None, 0.0)
    with pytest.raises(
        HoldfireError, match="knows no cloud at any of these places: it covers latitudes 50 to 52"
    ):
        where.sites(
            None, "2027-08-02", around, tmp_path / "cloud.nc", None, 5, None, Constants(), None, as_json=True
        )
    assert capsys.readouterr().out == ""


def test_a_csv_that_cannot_be_written(tmp_path):
    """The list is compared, then the missing folder is told in one line."""
    around = where.Around("36,1", 10.0, 5.0, None, 0.0)
    with pytest.raises(HoldfireError, match="cannot be written"):
        where.sites(
            None,
            "2027-08-02",
            around,
            None,
            None,
            5,
            tmp_path / "no" / "x.csv",
            Constants(),
            None,
            as_json=True,
        )


def test_sites_around_a_plan(capsys):
    """Place and date come from the plan; the first row of a total eclipse lasts longer than the plan's site."""
    around = where.Around(None, 20.0, 5.0, None, 0.0)
    where.sites(
        SAMPLES / "total_2027.yaml", None, around, None, None, 3, None, Constants(), None, as_json=True
    )
    data = json.loads(capsys.readouterr().out)
    assert data["eclipse_date"] == "2027-08-02"
    assert data["places"][0]["duration_s"] > data["places"][1]["duration_s"] > data["places"][2]["duration_s"]
    assert data["clouds"] is None
