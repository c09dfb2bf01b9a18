"""Lists of places in CSV and GeoJSON, and what is said of wrong ones."""

from __future__ import annotations

import json

import pytest

from controller.chart.places import read_places
from controller.errors import UsageError
from controller.sky.scan import Place


def written(tmp_path, text, name="places.csv"):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


def test_csv_in_its_dialects(tmp_path):
    """Commas or semicolons, headers in any case and order, a byte-order mark, quotes, no elevation."""
    expected = [Place("Cape, west", 36.1, -5.7, 30.0), Place("line 3", -40.0, 20.0, 0.0)]
    texts = [
        'name,latitude,longitude,elevation\n"Cape, west",36.1,-5.7,30\n,-40,20,\n',
        '\ufeffLON;Lat;Name;ele\n-5.7;36.1;"Cape, west";30\n20;-40;;\n',
    ]
    for text in texts:
        assert read_places(written(tmp_path, text)) == expected


def test_geojson_points(tmp_path):
    """A collection of points, or one feature; longitude first; a third coordinate is the elevation."""
    point = {
        "type": "Feature",
        "geometry": {"type": "Point", "coordinates": [-5.7, 36.1, 30]},
        "properties": {"name": "Cape"},
    }
    bare = {"type": "Feature", "geometry": {"type": "Point", "coordinates": [1, 2]}, "properties": None}
    whole = {"type": "FeatureCollection", "features": [point, bare]}
    assert read_places(written(tmp_path, json.dumps(whole), "p.geojson")) == [
        Place("Cape", 36.1, -5.7, 30.0),
        Place("feature 2", 2.0, 1.0, 0.0),
    ]
    assert read_places(written(tmp_path, json.dumps(point), "p.txt"))[0].name == "Cape"


@pytest.mark.parametrize(
    ("text", "name", "words"),
    [
        ("name,longitude\nx,1\n", "p.csv", r"p\.csv:1: there is no column named latitude"),
        ("lat,lon\n36,x\n", "p.csv", r'p\.csv:2: "x" is no longitude'),
        ("lat,lon\n36,\n", "p.csv", r'p\.csv:2: "" is no longitude'),
        ("lat,lon\n36,5\n96,5\n", "p.csv", r"p\.csv:3: the latitude 96 is not between"),
        ("lat,lon\nnan,5\n", "p.csv", "the latitude nan is not between"),
        ("lat,lon,ele\n1,5,99999\n", "p.csv", "elevation 99999 m is none on Earth"),
        ("lat,lon\n", "p.csv", "holds no place"),
        ("", "p.csv", "no column named latitude"),
        ("{", "p.json", r"p\.json:1: Expecting"),
        (
            '{"type":"FeatureCollection","features":[{"type":"Feature"}]}',
            "p.json",
            "feature 1: it is no point",
        ),
        ('{"type":"Point","coordinates":[1]}', "p.json", "coordinates are not"),
        ('{"type":"Point","coordinates":["a",2]}', "p.json", '"a" is no longitude'),
        ("[1]", "p.json", "holds no place"),
    ],
)
def test_lists_that_are_wrong(tmp_path, text, name, words):
    """Each is refused in one line with the place in the file."""
    with pytest.raises(UsageError, match=words) as caught:
        read_places(written(tmp_path, text, name))
    assert "Mend:" in str(caught.value)


def test_a_file_that_is_not_there_or_no_text(tmp_path):
    """Missing and binary files are told apart from empty ones."""
    with pytest.raises(UsageError, match="No such file"):
        read_places(tmp_path / "none.csv")
    (tmp_path / "b.csv").write_bytes(b"\xff\xfe\x00\x81")
    with pytest.raises(UsageError, match="no UTF-8 text"):
        read_places(tmp_path / "b.csv")
