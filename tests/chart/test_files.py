"""GeoJSON, KML and GPX by the letter of their standards, and read back by independent programs."""

from __future__ import annotations

import itertools
import json

import gpxpy
import lxml.etree
import numpy as np
import pyogrio
import pytest
import shapely
from fastkml import KML
from fastkml.validator import validate

from controller.chart.files import direction, pieces, to_geojson, write_geojson, write_gpx, write_kml
from controller.errors import UsageError
from controller.sky.model import Kind
from controller.sky.path import Line

SURVEYS = ["strait", "pacific", "polar"]


@pytest.fixture(params=SURVEYS)
def survey(request):
    return request.getfixturevalue(request.param)


def positions(geometry):
    """Every run of positions of a geometry."""
    coordinates = geometry["coordinates"]
    return {"Point": [[coordinates]], "LineString": [coordinates]}.get(geometry["type"], coordinates)


def test_geojson_keeps_rfc_7946(survey, tmp_path):
    """Members, positions and their order, and no line across the antimeridian (RFC 7946, 1.4, 3.1, 3.2)."""
    target = tmp_path / "path.geojson"
    write_geojson(survey, target)
    data = json.loads(target.read_text(encoding="utf-8"))
    assert data["type"] == "FeatureCollection"
    assert "crs" not in data
    for feature in data["features"]:
        assert feature["type"] == "Feature"
        assert set(feature) == {"type", "geometry", "properties"}
        for run in positions(feature["geometry"]):
            for longitude, latitude in run:
                assert -180 <= longitude <= 180
                assert -90 <= latitude <= 90
            if feature["geometry"]["type"] != "Point":
                assert len(run) >= 2
                steps = np.abs(np.diff([position[0] for position in run]))
                # Beside a pole a line may turn by any angle, but never by more than half of the circle.
                assert steps.max(initial=0) <= 180


def test_geojson_read_by_gdal(survey, tmp_path):
    """GDAL finds every feature with its properties, Shapely finds the shapes whole."""
    target = tmp_path / "path.geojson"
    write_geojson(survey, target)
    data = to_geojson(survey)
    meta, _, shapes, fields = pyogrio.raw.read(target)
    assert len(shapes) == len(data["features"])
    names = fields[list(meta["fields"]).index("name")]
    assert list(names) == [feature["properties"]["name"] for feature in data["features"]]
    for shape, feature in zip(shapely.from_wkb(shapes), data["features"], strict=True):
        assert shapely.is_valid(shape)
        assert shape.geom_type == feature["geometry"]["type"]


def test_lines_across_the_antimeridian_are_cut_there(pacific):
    """The 2023 line meets 180 degrees: two runs that end and begin at the same latitude on either side."""
    crossing = [line for line in pacific.path.central if np.abs(np.diff(line.longitude_deg)).max() > 180]
    (line,) = crossing
    runs = pieces(line)
    assert len(runs) == 2
    (end_longitude, end_latitude), (longitude, latitude) = runs[0][-1], runs[1][0]
    assert (end_longitude, longitude) == (180.0, -180.0)
    assert end_latitude == latitude
    before, after = runs[0][-2][1], runs[1][1][1]
    assert min(before, after) <= latitude <= max(before, after)


def test_a_line_that_starts_on_the_antimeridian_is_whole():
    """Points exactly at 180 degrees make no empty run and lose nothing."""
    line = Line(
        "central line",
        Kind.TOTAL,
        np.zeros(3, int),
        np.array([1.0, 2.0, 3.0]),
        np.array([179.0, 180.0, -179.0]),
    )
    runs = pieces(line)
    assert [position for run in runs for position in run if abs(position[0]) == 179.0] == [
        (179.0, 1.0),
        (-179.0, 3.0),
    ]
    assert all(abs(b[0] - a[0]) <= 180 for run in runs for a, b in itertools.pairwise(run))


def test_features_tell_what_they_are(strait):
    """The site, the nearest points and the central points carry the figures of the computation."""
    features = to_geojson(strait)["features"]
    by_role = {}
    for feature in features:
        by_role.setdefault(feature["properties"]["role"], []).append(feature)
    (site,) = by_role["site"]
    assert site["geometry"]["coordinates"] == [-5.72, 36.12]
    assert site["properties"]["duration_s"] == pytest.approx(265.6, abs=0.1)
    central, limit = by_role["nearest point"]
    assert central["properties"]["distance_km"] == pytest.approx(47.0, abs=0.1)
    assert limit["properties"]["name"] == "nearest point of the northern limit"
    assert len(by_role["central line"]) == 1
    assert len(by_role["central point"]) == len(strait.rows)
    assert {f["properties"]["name"] for f in by_role["northern limit"]} == {
        "northern limit of totality", "northern limit of the partial eclipse"
    }  # fmt: skip


def test_kml_is_valid_by_the_ogc_schema(survey, tmp_path):
    """The file passes the OGC's own schema of KML 2.2, and a KML reader finds the lines."""
    target = tmp_path / "path.kml"
    write_kml(survey, target)
    assert validate(file_to_validate=target) is True
    with target.open(encoding="utf-8") as file:
        read = KML.parse(file)
    (document,) = read.features
    folders = {folder.name: list(folder.features) for folder in document.features}
    assert {"Central line", "Limits", "Central points"} <= set(folders)
    drawn = sum(len(pieces(line)) for line in survey.path.central)
    assert len(folders["Central line"]) == drawn
    if survey.site is not None:
        assert folders["Site"][0].name == survey.site_name


def test_kml_read_by_gdal_lies_where_the_path_lies(strait, tmp_path):
    """GDAL's reader gives back the central line's places to the fifth decimal."""
    target = tmp_path / "path.kml"
    write_kml(strait, target)
    _, _, shapes, _ = pyogrio.raw.read(target, layer="Central line")
    (shape,) = shapely.from_wkb(shapes)
    (line,) = strait.path.central
    found = shapely.get_coordinates(shape)
    assert found[:, 0] == pytest.approx(line.longitude_deg, abs=1e-5)
    assert found[:, 1] == pytest.approx(line.latitude_deg, abs=1e-5)


def test_gpx_read_back(survey, tmp_path):
    """GPX 1.1 by its namespace; one parser and GDAL find tracks with times, and the waypoints."""
    target = tmp_path / "path.gpx"
    write_gpx(survey, target)
    root = lxml.etree.parse(target).getroot()
    assert root.tag == "{http://www.topografix.com/GPX/1/1}gpx"
    assert root.get("version") == "1.1"
    read = gpxpy.parse(target.read_text(encoding="utf-8"))
    assert read.creator == "holdfire"
    lines = [*survey.path.central, *survey.path.limits, *survey.isochrones]
    assert len(read.tracks) == len(lines)
    for track, line in zip(read.tracks, lines, strict=True):
        points = track.segments[0].points
        assert len(points) == len(line)
        assert points[0].time.timestamp() == pytest.approx(int(line.utc_ns[0]) / 1e9, abs=1)
        assert points[-1].latitude == pytest.approx(float(line.latitude_deg[-1]), abs=1e-5)
    _, _, tracks, _ = pyogrio.raw.read(target, layer="tracks")
    assert len(tracks) == len(lines)
    waypoints = (
        0
        if survey.site is None
        else 1 + sum(x is not None for x in (survey.standing.central, survey.standing.limit))
    )
    assert len(read.waypoints) == waypoints
    if survey.site is not None:
        assert read.waypoints[0].name == survey.site_name


@pytest.mark.parametrize("write", [write_geojson, write_kml, write_gpx])
def test_a_file_that_cannot_be_written(write, strait, tmp_path):
    """A folder that is not there: one line that says so."""
    with pytest.raises(UsageError, match=r"cannot be written \(No such file"):
        write(strait, tmp_path / "nowhere" / "path.x")


def test_directions():
    """Bearings in words, with the wrap at north."""
    assert [direction(x) for x in (0, 11, 12, 90, 180, 214, 349, 359.9)] == [
        "N",
        "N",
        "NNE",
        "E",
        "S",
        "SW",
        "N",
        "N",
    ]
