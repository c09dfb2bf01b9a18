"""The path and the site as GeoJSON (RFC 7946), KML (OGC 2.2) and GPX 1.1, for other programs and devices."""

from __future__ import annotations

import json
import xml.etree.ElementTree as ElementTree
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from controller.errors import UsageError
from controller.sky.model import Kind, Site
from controller.sky.path import EclipsePath, Line, Row, Standing
from controller.units import utc_datetime, utc_iso

_DIGITS = 5
"""Of coordinates: about a metre."""
_COLOURS = {"central line": "#000000", "limit": "#D55E00", "equal mid": "#0072B2", "partial": "#7F7F7F"}
"""Okabe and Ito's palette, told apart by colour-blind people."""
_FOLDERS = {
    "central line": "Central line",
    "limit": "Limits",
    "equal mid": "Equal times",
    "partial": "Edge of the partial eclipse",
}

_COMPASS = (
    "N",
    "NNE",
    "NE",
    "ENE",
    "E",
    "ESE",
    "SE",
    "SSE",
    "S",
    "SSW",
    "SW",
    "WSW",
    "W",
    "WNW",
    "NW",
    "NNW",
)


@dataclass(frozen=True)
class Survey:
    """What a map shows: the path, and a site with its standing if there is one."""

    path: EclipsePath
    rows: tuple[Row, ...]
    isochrones: tuple[Line, ...]
    """Across the path."""
    site: Site | None
    site_name: str
    standing: Standing | None

    @property
    def title(self) -> str:
        """Return what it is in a few words."""
        path = self.path
        kinds = "hybrid" if path.is_hybrid else path.kinds[0].value if path.kinds else "partial"
        return f"Solar eclipse of {path.eclipse_date:%Y-%m-%d}, {kinds}"


def line_title(line: Line) -> str:
    """Return a line's name with what it is a limit of."""
    if line.name == "equal mid":
        return f"deepest at {utc_iso(int(line.utc_ns[0]), 0)[11:16]} UTC"
    if line.name == "central line":
        return f"{line.name} ({line.kind.value})"
    what = {Kind.TOTAL: "totality", Kind.ANNULAR: "annularity", Kind.PARTIAL: "the partial eclipse"}[
        line.kind
    ]
    return f"{line.name} of {what}"


def pieces(line: Line) -> list[list[tuple[float, float]]]:
    """Return a line as runs of (longitude, latitude) that do not cross the antimeridian (RFC 7946, 3.1.9)."""
    runs: list[list[tuple[float, float]]] = [[]]
    for latitude, longitude in zip(line.latitude_deg.tolist(), line.longitude_deg.tolist(), strict=True):
        if runs[-1]:
            before_longitude, before_latitude = runs[-1][-1]
            step = longitude - before_longitude
            if abs(step) > 180:
                edge = 180.0 if before_longitude > 0 else -180.0
                whole = step - 360 if step > 0 else step + 360
                share = (edge - before_longitude) / whole if whole else 0.0
                crossing = before_latitude + share * (latitude - before_latitude)
                runs[-1].append((edge, crossing))
                runs.append([(-edge, crossing)])
        runs[-1].append((longitude, latitude))
    rounded = [[(round(x, _DIGITS), round(y, _DIGITS)) for x, y in run] for run in runs]
    return [run for run in rounded if len(run) >= 2]


def to_geojson(survey: Survey) -> dict[str, Any]:
    """Return a FeatureCollection: lines, the central line's points by time, the site, the nearest points."""
    features = [_line_feature(line) for line in _lines(survey)]
    features += [
        _point(
            row.longitude_deg,
            row.latitude_deg,
            name=f"centre at {utc_iso(row.utc_ns, 0)[11:19]} UTC",
            role="central point",
            mid_utc=utc_iso(row.utc_ns, 1),
            kind=row.kind.value,
            duration_s=round(row.duration_s, 1),
            sun_altitude_deg=round(row.sun_altitude_deg, 1),
            width_km=None if row.width_km is None else round(row.width_km, 1),
        )
        for row in survey.rows
    ]
    features += [_point(**point) for point in _places(survey)]
    return {"type": "FeatureCollection", "features": features}


def _lines(survey: Survey) -> list[Line]:
    path = survey.path
    return [*path.central, *path.limits, *survey.isochrones, *path.partial_limits]


def _line_feature(line: Line) -> dict[str, Any]:
    runs = pieces(line)
    geometry: dict[str, Any] = {"type": "LineString", "coordinates": runs[0] if runs else []}
    if len(runs) != 1:
        geometry = {"type": "MultiLineString", "coordinates": runs}
    return {
        "type": "Feature",
        "geometry": geometry,
        "properties": {
            "name": line_title(line),
            "role": line.name,
            "kind": line.kind.value,
            "begins_utc": utc_iso(int(line.utc_ns[0]), 1),
            "ends_utc": utc_iso(int(line.utc_ns[-1]), 1),
        },
    }


def _point(longitude_deg: float, latitude_deg: float, **properties: object) -> dict[str, Any]:
    position = [round(longitude_deg, _DIGITS), round(latitude_deg, _DIGITS)]
    return {
        "type": "Feature",
        "geometry": {"type": "Point", "coordinates": position},
        "properties": properties,
    }


def _places(survey: Survey) -> list[dict[str, Any]]:
    """Return the site and the nearest points of central line and limit, with what is to say of each."""
    site, stands = survey.site, survey.standing
    if site is None or stands is None:
        return []
    places: list[dict[str, Any]] = [
        {
            "longitude_deg": site.longitude_deg,
            "latitude_deg": site.latitude_deg,
            "name": survey.site_name,
            "role": "site",
            "elevation_m": site.elevation_m,
            "kind": stands.kind.value,
            "duration_s": round(stands.duration_s, 1),
        }
    ]
    for nearest in (stands.central, stands.limit):
        if nearest is not None:
            places.append(
                {
                    "longitude_deg": nearest.longitude_deg,
                    "latitude_deg": nearest.latitude_deg,
                    "name": f"nearest point of the {nearest.line}",
                    "role": "nearest point",
                    "mid_utc": utc_iso(nearest.utc_ns, 1),
                    "distance_km": round(nearest.distance_km, 2),
                    "bearing_from_site_deg": round(nearest.bearing_deg, 1),
                }
            )
    return places


def write_geojson(survey: Survey, target: Path) -> None:
    """Write GeoJSON.

    Raises:
        UsageError: if the file cannot be written.
    """
    _write(target, json.dumps(to_geojson(survey), ensure_ascii=False, indent=1) + "\n")


def write_kml(survey: Survey, target: Path) -> None:
    """Write KML: lines in folders by what they are, points with their facts.

    Raises:
        UsageError: if the file cannot be written.
    """
    root = ElementTree.Element("kml", xmlns="http://www.opengis.net/kml/2.2")
    document = _inside(root, "Document")
    _inside(document, "name", survey.title)
    for role, colour in _COLOURS.items():
        style = _inside(document, "Style", id=_style_id(role))
        line_style = _inside(style, "LineStyle")
        _inside(line_style, "color", f"ff{colour[5:]}{colour[3:5]}{colour[1:3]}".lower())
        _inside(line_style, "width", "3" if role == "central line" else "2")
    folders: dict[str, ElementTree.Element] = {}

    def folder(name: str) -> ElementTree.Element:
        if name not in folders:
            folders[name] = _inside(document, "Folder")
            _inside(folders[name], "name", name)
        return folders[name]

    for line in _lines(survey):
        role = _role(line)
        for run in pieces(line):
            mark = _inside(folder(_FOLDERS[role]), "Placemark")
            _inside(mark, "name", line_title(line))
            span = _inside(mark, "TimeSpan")
            _inside(span, "begin", utc_iso(int(line.utc_ns[0]), 0))
            _inside(span, "end", utc_iso(int(line.utc_ns[-1]), 0))
            _inside(mark, "styleUrl", f"#{_style_id(role)}")
            drawn = _inside(mark, "LineString")
            _inside(drawn, "tessellate", "1")
            _inside(drawn, "coordinates", " ".join(f"{x},{y}" for x, y in run))
    for row in survey.rows:
        facts = {
            "kind": row.kind.value,
            "duration_s": f"{row.duration_s:.1f}",
            "sun_altitude_deg": f"{row.sun_altitude_deg:.1f}",
        }
        instant = utc_iso(row.utc_ns, 0)
        place = (row.longitude_deg, row.latitude_deg)
        _kml_point(folder("Central points"), instant[11:19], place, facts, instant)
    for known in _places(survey):
        place = (known["longitude_deg"], known["latitude_deg"])
        facts = {k: str(v) for k, v in known.items() if k not in ("longitude_deg", "latitude_deg", "name")}
        _kml_point(folder("Site"), known["name"], place, facts)
    ElementTree.indent(root, " ")
    _write(target, ElementTree.tostring(root, encoding="unicode", xml_declaration=True) + "\n")


def _kml_point(
    folder: ElementTree.Element,
    name: str,
    place: tuple[float, float],
    facts: dict[str, str],
    instant: str | None = None,
) -> None:
    mark = _inside(folder, "Placemark")
    _inside(mark, "name", name)
    if instant is not None:
        _inside(_inside(mark, "TimeStamp"), "when", instant)
    extended = _inside(mark, "ExtendedData")
    for fact, value in facts.items():
        _inside(_inside(extended, "Data", name=fact), "value", value)
    coordinates = f"{round(place[0], _DIGITS)},{round(place[1], _DIGITS)}"
    _inside(_inside(mark, "Point"), "coordinates", coordinates)


def _inside(
    parent: ElementTree.Element, tag: str, text: str | None = None, **attributes: str
) -> ElementTree.Element:
    child = ElementTree.SubElement(parent, tag, attributes)
    child.text = text
    return child


def _role(line: Line) -> str:
    if line.name.endswith("limit"):
        return "partial" if line.kind is Kind.PARTIAL else "limit"
    return line.name


def _style_id(role: str) -> str:
    return role.replace(" ", "-")


def write_gpx(survey: Survey, target: Path) -> None:
    """Write GPX: the lines as tracks whose times are the instants of mid-eclipse, the places as waypoints.

    Raises:
        UsageError: if the file cannot be written.
    """
    from gpxpy.gpx import GPX, GPXTrack, GPXTrackPoint, GPXTrackSegment, GPXWaypoint

    document = GPX()
    document.creator = "holdfire"
    document.name = survey.title
    document.description = "Track times are the instants at which the eclipse is deepest at each point, UTC."
    for place in _places(survey):
        facts = {k: v for k, v in place.items() if k not in ("longitude_deg", "latitude_deg", "name", "role")}
        waypoint = GPXWaypoint(
            round(place["latitude_deg"], _DIGITS),
            round(place["longitude_deg"], _DIGITS),
            elevation=place.get("elevation_m"),
            name=place["name"],
            description=", ".join(f"{name} {value}" for name, value in facts.items()),
        )
        document.waypoints.append(waypoint)
    for line in (*survey.path.central, *survey.path.limits, *survey.isochrones):
        track = GPXTrack(name=line_title(line))
        segment = GPXTrackSegment()
        for latitude, longitude, instant in zip(
            line.latitude_deg, line.longitude_deg, line.utc_ns, strict=True
        ):
            moment = utc_datetime(int(instant)).replace(microsecond=0)
            point = GPXTrackPoint(
                round(float(latitude), _DIGITS), round(float(longitude), _DIGITS), time=moment
            )
            segment.points.append(point)
        track.segments.append(segment)
        document.tracks.append(track)
    _write(target, document.to_xml(version="1.1"))


def _write(target: Path, text: str) -> None:
    try:
        target.write_text(text, encoding="utf-8")
    except OSError as problem:
        raise UsageError(
            f"{target} cannot be written ({problem.strerror}). Mend: give a file in a folder that is there and yours."
        ) from None


def direction(bearing_deg: float) -> str:
    """Return a bearing in words of the compass, e.g. ``SSE``."""
    return _COMPASS[int(np.floor(bearing_deg / 22.5 + 0.5)) % 16]
