"""`contacts` and `eclipses`."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from controller.cli import moon, skyline
from controller.cli.output import console, duration_text, local_date, local_time, print_json, table
from controller.errors import UsageError
from controller.sky import (
    Circumstances,
    Constants,
    DeltaTState,
    HiddenBy,
    Horizon,
    Kind,
    Shown,
    Site,
    circumstances,
    earth_rotation_table,
    eclipses_at,
    time_zone_at,
)
from controller.units import utc_iso

_OLD_TABLE_DAYS = 90
"""From this age on a newer table is worth its download before an eclipse that is still predicted."""


def constants(
    solar_radius: float,
    moon_k_exterior: float,
    moon_k_interior: float | None,
    delta_t: float | None,
    earth_rotation: Path | None,
) -> Constants:
    """Return the constants the options ask for."""
    return Constants(
        solar_radius_arcsec=solar_radius,
        moon_k_exterior=moon_k_exterior,
        moon_k_interior=moon_k_interior,
        delta_t_s=delta_t,
        earth_rotation=earth_rotation,
    )


@dataclass(frozen=True)
class Surroundings:
    """What the options say of the site's horizon and air; None: as the plan, or by default."""

    above_surroundings_m: float | None = None
    pressure_hpa: float | None = None
    temperature_c: float | None = None

    def horizon(self, planned: Horizon) -> Horizon:
        """Return a plan's horizon with what the options say in its place."""
        given = {name: value for name, value in vars(self).items() if value is not None}
        return replace(planned, **given)


def parse_date(text: str, *, last: bool = False) -> dt.date:
    """Read ``YYYY-MM-DD``, or ``YYYY`` as its first day (or its last).

    Raises:
        UsageError: if it is neither.
    """
    try:
        if len(text) == 4 and text.isdigit():
            return dt.date(int(text), 12, 31) if last else dt.date(int(text), 1, 1)
        return dt.date.fromisoformat(text)
    except ValueError:
        raise UsageError(
            f'"{text}" is no date. Mend: write it as 2027-08-02, or 2027 for the year.'
        ) from None


def contacts(
    plan: Path | None,
    lat: float | None,
    lon: float | None,
    elevation: float,
    date: str | None,
    zone: str | None,
    surroundings: Surroundings,
    ics: Path | None,
    constants: Constants,
    ephemeris: Path | None,
    *,
    as_json: bool,
    terrain: Path | None = None,
    limb_picture: Path | None = None,
) -> None:
    """Print one eclipse at one place, and write a calendar of it if asked to."""
    place = ""
    if plan is not None:
        from controller.cli.prepare import site_of
        from controller.plan.loading import load_plan

        loaded = load_plan(plan).plan
        site, place = site_of(loaded.site), loaded.site.name
        when = loaded.eclipse if date is None else parse_date(date)
        zone = zone or loaded.site.time_zone
    elif lat is None or lon is None:
        raise UsageError("No place is given. Mend: give --lat and --lon (and --elevation), or a plan.")
    else:
        site = Site(lat, lon, elevation)
        when = parse_date(date) if date else next_eclipse(site, constants, ephemeris)
    if zone:
        require_zone(zone)
    site = replace(site, horizon=surroundings.horizon(site.horizon))
    heights = moon.chosen_terrain(terrain)
    found = circumstances(site, when, constants=constants, ephemeris=ephemeris, terrain=heights)
    zone = zone or time_zone_at(site.latitude_deg, site.longitude_deg)
    if limb_picture is not None:
        moon.draw_limb(limb_picture, found, zone)
    if ics is not None:
        from controller.cli.ics import write_calendar

        write_calendar(ics, found, zone, place, dt.datetime.now(dt.UTC).replace(microsecond=0))
    if as_json:
        print_json(
            {
                **found.to_json_dict(),
                "time_zone": zone,
                "earth_rotation": _earth_rotation(constants),
                "calendar": None if ics is None else str(ics),
                "limb_picture": None if limb_picture is None else str(limb_picture),
            }
        )
        return
    show_circumstances(found, zone)
    if ics is not None:
        console().print(f"Calendar with reminders: {ics}", soft_wrap=True)
    if limb_picture is not None:
        console().print(f"Picture of the limb: {limb_picture}", soft_wrap=True)


def _earth_rotation(constants: Constants) -> dict[str, Any]:
    """Return the Earth rotation table in use and its age today, as plain data."""
    used = earth_rotation_table(constants)
    return {
        "table": used.name,
        "measured_until": used.measured_until.isoformat(),
        "predicted_until": used.predicted_until.isoformat(),
        "age_days": (dt.datetime.now(dt.UTC).date() - used.measured_until).days,
        "note": used.differs(),
    }


def require_zone(zone: str) -> None:
    """Refuse a time zone that is not known.

    Raises:
        UsageError: if it is not.
    """
    try:
        ZoneInfo(zone)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise UsageError(
            f'"{zone}" is no time zone. Mend: give an IANA name such as Europe/Madrid, or leave --zone out.'
        ) from None


def next_eclipse(site: Site, constants: Constants, ephemeris: Path | None) -> dt.date:
    """Return the date of the next eclipse that a place sees.

    Raises:
        UsageError: if it sees none in the next 20 years.
    """
    today = dt.datetime.now(dt.UTC).date()
    last = dt.date(min(today.year + 20, 2052), 12, 31)
    seen = eclipses_at(site, today, last, constants=constants, ephemeris=ephemeris)
    if not seen:
        raise UsageError(
            "This place sees no eclipse in the next 20 years. Mend: give --date, or another place."
        )
    return seen[0].eclipse_date


def show_circumstances(found: Circumstances, zone: str) -> None:
    """Print an eclipse at a place for a person."""
    out = console()
    site = found.site
    out.print(
        f"Eclipse of {found.eclipse_date:%Y-%m-%d} at {site.latitude_deg:.5f}, {site.longitude_deg:.5f}, "
        f"{site.elevation_m:.0f} m: {found.kind.value.upper()}"
    )
    if found.kind is Kind.NONE:
        if found.miss_km is not None:
            out.print(f"The penumbra misses this place by {found.miss_km:.0f} km.")
        else:
            out.print("It happens while the Sun is below the horizon here.")
    summary = []
    if found.duration_s is not None and found.kind.is_central:
        name = "Totality" if found.kind is Kind.TOTAL else "Annularity"
        summary.append(f"{name} {duration_text(found.duration_s)}")
    if found.contacts:
        summary.append(f"magnitude {found.magnitude:.4f}")
        summary.append(f"Moon/Sun {found.diameter_ratio:.4f}")
        summary.append(f"obscuration {found.obscuration:.4f}")
        out.print(", ".join(summary))
        rows = [
            (
                contact.name,
                local_time(contact.utc_ns, zone),
                utc_iso(contact.utc_ns, 1)[11:],
                f"{contact.altitude_deg:.1f}",
                f"{contact.apparent_altitude_deg:.1f}",
                f"{contact.azimuth_deg:.1f}",
                f"{contact.position_angle_deg:.1f}",
                f"{contact.zenith_angle_deg:.1f}",
                f"{contact.uncertainty_s:.1f}",
                {Shown.WHOLE: "", Shown.PART: "part", Shown.NOTHING: "hidden"}[contact.shown],
            )
            for contact in found.contacts
        ]
        out.print()
        out.print(
            table(("", "local", "UTC", ">alt °", ">seen °", ">az °", ">P °", ">V °", ">± s", "Sun"), rows)
        )
        out.print()
        first = local_date(found.contacts[0].utc_ns, zone)
        out.print(
            f"Local time: {zone}, {first} at C1. seen: altitude with refraction. P, V: position angle from north "
            "and from the zenith."
        )
        for contact in found.contacts:
            if contact.hidden_by is not HiddenBy.NONE:
                out.print(skyline.hidden_text(contact))
        for crossing in found.crossings:
            out.print(skyline.crossing_text(crossing, local_time(crossing.utc_ns, zone, digits=0)))
        if skyline.gap_text(found):
            out.print(skyline.gap_text(found))
    moon.show_limb(found, zone)
    out.print(found.note, soft_wrap=False)
    out.print(earth_rotation_text(found))


def earth_rotation_text(found: Circumstances) -> str:
    """Return how old the Earth rotation table is today, and what a newer one would be good for."""
    used = earth_rotation_table(found.constants)
    age_days = (dt.datetime.now(dt.UTC).date() - used.measured_until).days
    text = (
        f"Earth rotation: {used.name}, measured to {used.measured_until} ({age_days} days ago), predicted to "
        f"{used.predicted_until}; Delta-T ± {found.delta_t.uncertainty_s:.2f} s."
    )
    if used.differs():
        text += f" {used.differs()}"
    if found.delta_t.state is DeltaTState.EXTRAPOLATED or (
        found.delta_t.state is DeltaTState.PREDICTED and age_days > _OLD_TABLE_DAYS
    ):
        text += " A newer finals2000A.all of the IERS narrows that: give it with --earth-rotation FILE."
    return text


def eclipses(
    lat: float,
    lon: float,
    elevation: float,
    since: str | None,
    until: str | None,
    constants: Constants,
    ephemeris: Path | None,
    *,
    as_json: bool,
) -> None:
    """List the eclipses a place sees."""
    site = Site(lat, lon, elevation)
    first = parse_date(since) if since else dt.datetime.now(dt.UTC).date()
    last = parse_date(until, last=True) if until else dt.date(min(first.year + 20, 2052), 12, 31)
    if last < first:
        raise UsageError(f"The last date {last} is before the first {first}. Mend: swap them.")
    seen = eclipses_at(site, first, last, constants=constants, ephemeris=ephemeris)
    zone = time_zone_at(lat, lon)
    if as_json:
        print_json(
            {
                "time_zone": zone,
                "earth_rotation": _earth_rotation(constants),
                "eclipses": [one.to_json_dict() for one in seen],
            }
        )
        return
    out = console()
    if not seen:
        out.print(f"No solar eclipse is seen from {lat}, {lon} between {first} and {last}.")
        return
    rows = []
    for one in seen:
        middle = next(c for c in one.contacts if c.name == "mid")
        rows.append(
            (
                one.eclipse_date,
                one.kind.value,
                local_time(middle.utc_ns, zone, digits=0),
                utc_iso(middle.utc_ns, 0)[11:],
                f"{middle.altitude_deg:.0f}",
                f"{one.magnitude:.3f}",
                f"{one.obscuration:.3f}",
                duration_text(one.duration_s) if one.kind.is_central else "",
            )
        )
    out.print(
        table(("date", "kind", "greatest", "UTC", ">alt °", ">magnitude", ">obscuration", "central"), rows)
    )
    out.print(f"Local time: {zone}.")
