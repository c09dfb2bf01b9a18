"""`map` and `sites`: the path on the ground, and where to stand."""

from __future__ import annotations

import csv
import datetime as dt
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from controller.cli.output import console, duration_text, print_json, table
from controller.cli.sky import parse_date
from controller.errors import UsageError
from controller.sky import Constants, Site
from controller.sky.path import EclipsePath, Line, Nearest, Row, Standing
from controller.sky.scan import Place, Scan
from controller.units import utc_iso

AS_THE_CROW_FLIES = (
    "Distances are as the crow flies, over the ground; roads are longer, often by a fifth to a half."
)


@dataclass(frozen=True)
class Files:
    """What is to be written, each None if not asked for."""

    picture: Path | None
    geojson: Path | None
    kml: Path | None
    gpx: Path | None


@contextmanager
def _working(what: str) -> Iterator[Callable[[int, int], None]]:
    """Show a bar on the error stream while the work lasts."""
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    stream = console(error=True)
    with Progress(*columns, console=stream, transient=True, disable=not stream.is_terminal) as bar:
        task = bar.add_task(what, total=None)

        def told(done: int, of: int) -> None:
            bar.update(task, total=of, completed=done)

        yield told


def _site_and_date(
    plan: Path | None, lat: float | None, lon: float | None, elevation: float, date: str | None
) -> tuple[Site | None, str, dt.date]:
    """Return the site, what it is called, and the date, from a plan or from options (which win)."""
    site, name, when = None, "", None
    if plan is not None:
        from controller.plan.loading import load_plan

        loaded = load_plan(plan).plan
        site = Site(loaded.site.latitude, loaded.site.longitude, loaded.site.elevation)
        name, when = loaded.site.name, loaded.eclipse
    if (lat is None) != (lon is None):
        raise UsageError("Half a place is given. Mend: give both --lat and --lon.")
    if lat is not None and lon is not None:
        site, name = Site(lat, lon, elevation), ""
    if date is not None:
        when = parse_date(date)
    if when is None:
        raise UsageError("No eclipse is named. Mend: give --date, e.g. --date 2027-08-02, or a plan.")
    return site, name or "the site", when


def map_path(
    plan: Path | None,
    lat: float | None,
    lon: float | None,
    elevation: float,
    date: str | None,
    every_min: float,
    files: Files,
    constants: Constants,
    ephemeris: Path | None,
    *,
    as_json: bool,
) -> None:
    """Print the path of an eclipse and how a site stands in it; write it to files."""
    from controller.chart.files import Survey, write_geojson, write_gpx, write_kml
    from controller.sky.path import eclipse_path, standing

    if not 0.1 <= every_min <= 240:
        raise UsageError(f"Every {every_min:g} minutes is no step. Mend: give --every 0.1 to 240.")
    site, name, when = _site_and_date(plan, lat, lon, elevation, date)
    with _working("tracing the path"):
        path = eclipse_path(when, constants=constants, ephemeris=ephemeris)
        survey = Survey(
            path=path,
            rows=tuple(path.rows(round(every_min * 60))),
            isochrones=path.isochrones(600, across=True),
            site=site,
            site_name=name,
            standing=None if site is None else standing(path, site),
        )
    written = []
    for target, write in ((files.geojson, write_geojson), (files.kml, write_kml), (files.gpx, write_gpx)):
        if target is not None:
            write(survey, target)
            written.append(target)
    if files.picture is not None:
        from controller.chart.picture import draw

        with _working("drawing the map"):
            draw(survey, files.picture)
        written.append(files.picture)
    if as_json:
        print_json(_path_json(path, survey.rows, site, survey.standing, written))
        return
    _show_path(survey.title, path, survey.rows)
    if survey.standing is not None:
        from controller.chart.picture import site_facts

        console().print()
        for fact in site_facts(survey):
            console().print(fact, soft_wrap=True)
        console().print(AS_THE_CROW_FLIES, soft_wrap=True)
    for target in written:
        console().print(f"Written: {target}", soft_wrap=True)


def _show_path(title: str, path: EclipsePath, rows: tuple[Row, ...]) -> None:
    out = console()
    out.print(title)
    if not path.limits:
        out.print("It is nowhere central: no totality, no ring, anywhere on Earth.")
        return
    if not path.central:
        out.print("The axis of the shadow passes the Earth by: there is no central line, only a limit.")
        return
    rows_text = [
        (
            utc_iso(row.utc_ns, 0)[11:19],
            _place_text((row.latitude_deg, row.longitude_deg)),
            _place_text(row.north),
            _place_text(row.south),
            duration_text(round(row.duration_s)).replace(".0 s", " s"),
            f"{row.sun_altitude_deg:.0f}",
            row.kind.value if path.is_hybrid else "" if row.width_km is None else f"{row.width_km:.0f}",
        )
        for row in rows
    ]
    last = "kind" if path.is_hybrid else ">km wide"
    out.print()
    out.print(table(("UTC", "central line", "north limit", "south limit", ">lasts", ">alt", last), rows_text))
    out.print(
        "Limits are those of the mean limb at these instants; within a kilometre or two of them the Moon's "
        "valleys decide.",
        soft_wrap=True,
    )


def _place_text(place: tuple[float, float] | None) -> str:
    return "" if place is None else f"{place[0]:.2f} {place[1]:.2f}"


def _path_json(
    path: EclipsePath, rows: tuple[Row, ...], site: Site | None, stands: Standing | None, written: list[Path]
) -> dict[str, Any]:
    def line(one: Line) -> dict[str, Any]:
        return {
            "name": one.name,
            "kind": one.kind.value,
            "begins_utc": utc_iso(int(one.utc_ns[0])),
            "ends_utc": utc_iso(int(one.utc_ns[-1])),
            "begins": [round(float(one.latitude_deg[0]), 5), round(float(one.longitude_deg[0]), 5)],
            "ends": [round(float(one.latitude_deg[-1]), 5), round(float(one.longitude_deg[-1]), 5)],
        }

    def nearest(one: Nearest | None) -> dict[str, Any] | None:
        if one is None:
            return None
        return {
            "line": one.line,
            "kind": one.kind.value,
            "distance_km": round(one.distance_km, 3),
            "bearing_deg": round(one.bearing_deg, 2),
            "latitude_deg": round(one.latitude_deg, 5),
            "longitude_deg": round(one.longitude_deg, 5),
            "mid_utc": utc_iso(one.utc_ns),
        }

    return {
        "eclipse_date": path.eclipse_date.isoformat(),
        "greatest_utc": utc_iso(path.greatest_utc_ns),
        "kinds": [kind.value for kind in path.kinds],
        "ephemeris": path.ephemeris,
        "solar_radius_arcsec": path.constants.solar_radius_arcsec,
        "lines": [line(one) for one in (*path.central, *path.limits)],
        "rows": [
            {
                "utc": utc_iso(row.utc_ns),
                "latitude_deg": round(row.latitude_deg, 5),
                "longitude_deg": round(row.longitude_deg, 5),
                "kind": row.kind.value,
                "duration_s": round(row.duration_s, 2),
                "sun_altitude_deg": round(row.sun_altitude_deg, 2),
                "sun_azimuth_deg": round(row.sun_azimuth_deg, 2),
                "diameter_ratio": round(row.diameter_ratio, 5),
                "width_km": None if row.width_km is None else round(row.width_km, 2),
                "north": None if row.north is None else [round(x, 5) for x in row.north],
                "south": None if row.south is None else [round(x, 5) for x in row.south],
            }
            for row in rows
        ],
        "site": None
        if site is None or stands is None
        else {
            "latitude_deg": site.latitude_deg,
            "longitude_deg": site.longitude_deg,
            "elevation_m": site.elevation_m,
            "kind": stands.kind.value,
            "duration_s": round(stands.duration_s, 2),
            "central_line": nearest(stands.central),
            "limit": nearest(stands.limit),
            "moved": {
                "km_towards_central_line": round(stands.moved_km, 3),
                "latitude_deg": round(stands.moved_to[0], 5),
                "longitude_deg": round(stands.moved_to[1], 5),
                "kind": stands.moved_kind.value,
                "duration_s": round(stands.moved_duration_s, 2),
                "gain_s": round(stands.gain_s, 2),
            },
        },
        "written": [str(target) for target in written],
    }


@dataclass(frozen=True)
class Around:
    """Which places are compared."""

    near: str | None
    radius_km: float | None
    step_km: float | None
    file: Path | None
    elevation_m: float


def sites(
    plan: Path | None,
    date: str | None,
    around: Around,
    cloud: Path | None,
    cloud_variable: str | None,
    count: int,
    target: Path | None,
    constants: Constants,
    ephemeris: Path | None,
    *,
    as_json: bool,
) -> None:
    """Compare many places and print the best."""
    from controller.sky.scan import scan

    if count < 1:
        raise UsageError(f"{count} places are none. Mend: give --count 1 or more.")
    planned, _, when = _site_and_date(plan, None, None, 0.0, date)
    near = _near(around.near) if around.near is not None else None
    if near is None and planned is not None:
        near = (planned.latitude_deg, planned.longitude_deg)
    places = _places(around, near)
    clear, note = None, None
    if cloud is not None:
        clear, note = _clear_sky(cloud, cloud_variable, places)
    elif cloud_variable is not None:
        raise UsageError("A variable is named but no cloud file. Mend: give --cloud FILE, too.")
    with _working(f"comparing {len(places)} places") as told:
        found = scan(
            places,
            when,
            near=near,
            radius_km=around.radius_km,
            clear_sky=clear,
            constants=constants,
            ephemeris=ephemeris,
            progress=told,
        )
    if target is not None:
        _write_csv(found, target)
    if as_json:
        print_json(
            {
                "eclipse_date": found.eclipse_date.isoformat(),
                "compared": len(places),
                "seeing_nothing": found.blind,
                "order": found.score,
                "clouds": note,
                "distances": "as the crow flies, over the ground",
                "places": [one.to_json_dict() for one in found.prospects[:count]],
                "written": [] if target is None else [str(target)],
            }
        )
        return
    _show_scan(found, len(places), note, count, named=around.file is not None)
    if target is not None:
        console().print(f"Written: {target}", soft_wrap=True)


def _near(text: str) -> tuple[float, float]:
    try:
        latitude, longitude = (float(part) for part in text.split(","))
    except ValueError:
        raise UsageError(
            f'"{text}" is no place. Mend: write it as latitude,longitude, e.g. --near=36.1,-5.7'
        ) from None
    Site(latitude, longitude)
    return latitude, longitude


def _places(around: Around, near: tuple[float, float] | None) -> list[Place]:
    if around.file is not None:
        from controller.chart.places import read_places

        if around.step_km is not None:
            raise UsageError("A grid and a list are asked for at once. Mend: leave --step or --file out.")
        if around.radius_km is not None and near is None:
            raise UsageError("A radius is given without its middle. Mend: give --near LAT,LON, too.")
        return read_places(around.file)
    if near is None:
        raise UsageError(
            "No places are given. Mend: give --near LAT,LON with --radius and --step, or --file FILE."
        )
    from controller.sky.scan import grid_around

    radius_km = 100.0 if around.radius_km is None else around.radius_km
    step_km = radius_km / 20 if around.step_km is None else around.step_km
    return [
        Place(place.name, place.latitude_deg, place.longitude_deg, around.elevation_m)
        for place in grid_around(*near, radius_km, step_km)
    ]


def _clear_sky(cloud: Path, variable: str | None, places: list[Place]) -> tuple[Any, str]:
    from controller.chart.clouds import read_clouds

    grid = read_clouds(cloud, variable)
    fraction = grid.at(
        np.array([place.latitude_deg for place in places]),
        np.array([place.longitude_deg for place in places]),
    )
    known = int(np.isfinite(fraction).sum())
    if not known:
        raise UsageError(
            f"{cloud} knows no cloud at any of these places: {grid.extent}. Mend: give a grid that covers them."
        )
    note = f"{grid.source}: {grid.note}"
    if known < len(places):
        note += f"; unknown at {len(places) - known} of {len(places)} places, which come last"
    return 1 - fraction, note


def _show_scan(found: Scan, compared: int, note: str | None, count: int, *, named: bool) -> None:
    from controller.chart.files import direction

    out = console()
    out.print(
        f"Eclipse of {found.eclipse_date:%Y-%m-%d} at {compared} places; {found.blind} see nothing of it."
    )
    if not found.prospects:
        out.print("None of the places sees anything of this eclipse.")
        return
    best = found.prospects[:count]
    clouded, away = note is not None, best[0].distance_km is not None
    partial = not all(one.kind.is_central for one in best)
    rows = []
    for number, one in enumerate(best, start=1):
        row = [str(number)]
        row += (
            [one.place.name[:18]]
            if named
            else [_degrees(one.place.latitude_deg), _degrees(one.place.longitude_deg)]
        )
        if away:
            row += [f"{one.distance_km:.1f}"]
        if away and not named:
            row += [direction(one.bearing_deg or 0.0) if one.distance_km else ""]
        row += [one.kind.value, duration_text(one.duration_s) if one.kind.is_central else ""]
        row += [f"{one.sun_altitude_deg:.1f}"]
        if partial:
            row += [f"{one.obscuration:.3f}"]
        if clouded:
            row += [
                "?" if one.clear_sky is None else f"{one.clear_sky * 100:.0f} %",
                f"{one.expected_s:.0f} s",
            ]
        rows.append(row)
    headers = [">"]
    headers += ["place"] if named else [">latitude", ">longitude"]
    headers += [">km"] if away else []
    headers += ["to"] if away and not named else []
    headers += ["kind", ">lasts", ">alt"]
    headers += [">covered"] if partial else []
    headers += [">clear", ">exp s"] if clouded else []
    out.print()
    out.print(table(headers, rows))
    out.print()
    out.print(found.score, soft_wrap=True)
    if note:
        out.print(f"Clouds from {note}.", soft_wrap=True)
    if away:
        out.print(AS_THE_CROW_FLIES, soft_wrap=True)
    if len(found.prospects) > count:
        out.print(f"{len(found.prospects) - count} more places are not shown; --count or --csv shows them.")


def _degrees(value: float) -> str:
    return f"{value:.4f}"


def _write_csv(found: Scan, target: Path) -> None:
    rows = [one.to_json_dict() for one in found.prospects]
    try:
        with target.open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, fieldnames=["rank", *(rows[0] if rows else ["name"])])
            writer.writeheader()
            for rank, row in enumerate(rows, start=1):
                writer.writerow({"rank": rank, **row})
    except OSError as problem:
        raise UsageError(
            f"{target} cannot be written ({problem.strerror}). Mend: give a file in a folder that is there and yours."
        ) from None
