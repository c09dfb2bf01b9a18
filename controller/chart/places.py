"""Lists of places from files: CSV with a header, or GeoJSON points."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

from controller.errors import UsageError
from controller.sky.scan import Place

_COLUMNS = {
    "latitude": ("latitude", "lat", "latitude_deg", "y"),
    "longitude": ("longitude", "lon", "lng", "long", "longitude_deg", "x"),
    "elevation": ("elevation", "elevation_m", "ele", "altitude", "height", "z"),
    "name": ("name", "place", "title", "id"),
}


def read_places(path: Path) -> list[Place]:
    """Read the places of a file: GeoJSON by its name or first character, otherwise CSV.

    Raises:
        UsageError: if the file is missing, is neither, or a place in it is none (with its line or number).
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as problem:
        reason = problem.strerror if isinstance(problem, OSError) else "it is no UTF-8 text"
        raise UsageError(
            f"{path} cannot be read: {reason}. Mend: give a CSV or GeoJSON file of places."
        ) from None
    if path.suffix.lower() in (".json", ".geojson") or text.lstrip().startswith("{"):
        places = _from_geojson(path, text)
    else:
        places = _from_csv(path, text)
    if not places:
        raise UsageError(f"{path} holds no place. Mend: give at least one.")
    return places


def _from_csv(path: Path, text: str) -> list[Place]:
    lines = text.splitlines()
    dialect: Any = csv.excel
    if lines and lines[0].count(";") > lines[0].count(","):
        dialect = type("Semicolons", (csv.excel,), {"delimiter": ";"})
    reader = csv.DictReader(lines, dialect=dialect)
    headers = {(name or "").strip().casefold(): name for name in reader.fieldnames or ()}
    found = {
        what: next((headers[n] for n in names if n in headers), None) for what, names in _COLUMNS.items()
    }
    for what in ("latitude", "longitude"):
        if found[what] is None:
            raise UsageError(
                f"{path}:1: there is no column named {what}. Mend: begin the file with a line like: "
                "name,latitude,longitude,elevation"
            )
    places = []
    for row in reader:
        where = f"{path}:{reader.line_num}"
        numbers = [
            _number(where, what, row.get(found[what] or "") or ("" if what != "elevation" else "0"))
            for what in ("latitude", "longitude", "elevation")
        ]
        name = (row.get(found["name"] or "") or "").strip() or f"line {reader.line_num}"
        places.append(_place(where, name, *numbers))
    return places


def _from_geojson(path: Path, text: str) -> list[Place]:
    try:
        data = json.loads(text)
    except json.JSONDecodeError as problem:
        raise UsageError(f"{path}:{problem.lineno}: {problem.msg}. Mend: give a GeoJSON file.") from None
    features = data.get("features", [data]) if isinstance(data, dict) else []
    if not isinstance(features, list):
        features = []
    places = []
    for number, feature in enumerate(features, start=1):
        where = f"{path}, feature {number}"
        inner = feature if isinstance(feature, dict) else {}
        geometry = inner.get("geometry", inner if inner.get("type") == "Point" else None)
        if not isinstance(geometry, dict) or geometry.get("type") != "Point":
            raise UsageError(f"{where}: it is no point. Mend: give a FeatureCollection of points.")
        coordinates = geometry.get("coordinates")
        if not isinstance(coordinates, list) or len(coordinates) not in (2, 3):
            raise UsageError(f"{where}: its coordinates are not [longitude, latitude]. Mend: correct them.")
        longitude, latitude, elevation = (
            _number(where, what, value)
            for what, value in zip(("longitude", "latitude", "elevation"), [*coordinates, 0][:3], strict=True)
        )
        properties = inner.get("properties")
        name = (
            str(properties.get("name") or f"feature {number}")
            if isinstance(properties, dict)
            else f"feature {number}"
        )
        places.append(_place(where, name, latitude, longitude, elevation))
    return places


def _number(where: str, what: str, value: object) -> float:
    try:
        return float(str(value).strip())
    except ValueError:
        raise UsageError(
            f'{where}: "{value}" is no {what}. Mend: write degrees (metres) as a number.'
        ) from None


def _place(where: str, name: str, latitude: float, longitude: float, elevation: float) -> Place:
    for what, value, limit in (("latitude", latitude, 90), ("longitude", longitude, 180)):
        if not -limit <= value <= limit:
            raise UsageError(
                f"{where}: the {what} {value:g} is not between -{limit} and {limit}. Mend: correct it."
            )
    if not -500 <= elevation <= 9000:
        raise UsageError(f"{where}: the elevation {elevation:g} m is none on Earth. Mend: give metres.")
    return Place(name, latitude, longitude, elevation)
