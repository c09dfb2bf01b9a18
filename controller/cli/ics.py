"""An eclipse at a place as a calendar file (RFC 5545), with reminders."""

from __future__ import annotations

import datetime as dt
import uuid
from pathlib import Path

from icalendar import Alarm, Calendar, Event

from controller import __version__
from controller.cli.output import duration_text, local_time
from controller.cli.skyline import hidden_text
from controller.errors import UsageError
from controller.sky import Circumstances, Contact, HiddenBy, Kind
from controller.units import ContactName, utc_datetime, utc_iso

CAUTION = (
    "Outside totality never look or aim at the Sun unprotected: filters stay on, eyes stay covered. "
    "This calendar knows nothing of your filters."
)
"""It goes with every event and every reminder."""
_BEFORE_C1 = (dt.timedelta(days=1), dt.timedelta(hours=1), dt.timedelta(minutes=10))
_BEFORE_C2 = (dt.timedelta(minutes=5),)


def write_calendar(path: Path, found: Circumstances, zone: str, place: str, stamped: dt.datetime) -> None:
    """Write the calendar file, over an older one of that name.

    Raises:
        UsageError: if nothing of the eclipse is seen there, or the file cannot be written.
    """
    content = calendar(found, zone, place, stamped)
    try:
        path.write_bytes(content)
    except OSError as problem:
        raise UsageError(
            f"The calendar {path} cannot be written ({problem.strerror}). Mend: name a file in a folder of yours."
        ) from problem


def calendar(found: Circumstances, zone: str, place: str, stamped: dt.datetime) -> bytes:
    """Return the calendar: one event from C1 to C4 and, on the central line's path, one from C2 to C3.

    Instants are UTC, rounded to the second (the tenths are in the description). An event's UID depends on
    the eclipse's date and the place, to about a metre, alone: a newer file replaces an older one.

    Args:
        found: the circumstances.
        zone: IANA zone of the times in the description.
        place: what to call the place; its coordinates when empty.
        stamped: DTSTAMP, when the file is made: by it calendars tell which of two is newer.

    Raises:
        UsageError: if nothing of the eclipse is seen there.
    """
    if found.kind is Kind.NONE:
        raise UsageError(
            f"Nothing of the eclipse of {found.eclipse_date} is seen here. Mend: give another place or date."
        )
    made = Calendar()
    made.add("version", "2.0")
    made.add("prodid", f"-//holdfire//holdfire {__version__}//EN")
    place = place or f"{found.site.latitude_deg:.4f}, {found.site.longitude_deg:.4f}"
    whole = _event(found, ContactName.C1, ContactName.C4, "eclipse", place, stamped)
    whole.add("summary", f"{found.kind.value.capitalize()} solar eclipse, {place}")
    whole.add("description", _description(found, zone))
    for before in _BEFORE_C1:
        whole.add_component(
            _reminder(
                before,
                f"{_words(before)} to C1, when the Moon first touches the Sun. {CAUTION}",
            )
        )
    made.add_component(whole)
    if found.kind.is_central:
        name = "Totality" if found.kind is Kind.TOTAL else "Annularity"
        central = _event(found, ContactName.C2, ContactName.C3, name.lower(), place, stamped)
        central.add("summary", f"{name} ({duration_text(found.duration_s)}), {place}")
        central.add("description", _description(found, zone))
        for before in _BEFORE_C2:
            central.add_component(_reminder(before, f"{_words(before)} to C2. {CAUTION}"))
        made.add_component(central)
    content: bytes = made.to_ical()
    return content


def _event(
    found: Circumstances, first: ContactName, last: ContactName, what: str, place: str, stamped: dt.datetime
) -> Event:
    site = found.site
    key = f"holdfire:{found.eclipse_date}:{site.latitude_deg:.5f}:{site.longitude_deg:.5f}:{what}"
    event = Event()
    event.add("uid", str(uuid.uuid5(uuid.NAMESPACE_URL, key)))
    event.add("dtstamp", stamped)
    event.add("dtstart", _to_second(found.contact(first)))
    event.add("dtend", _to_second(found.contact(last)))
    event.add("location", place)
    event.add("geo", (site.latitude_deg, site.longitude_deg))
    event.add("transp", "OPAQUE")
    return event


def _to_second(contact: Contact) -> dt.datetime:
    return utc_datetime(contact.utc_ns + 500_000_000).replace(microsecond=0)


def _reminder(before: dt.timedelta, text: str) -> Alarm:
    alarm = Alarm()
    alarm.add("action", "DISPLAY")
    alarm.add("trigger", -before)
    alarm.add("description", text)
    return alarm


def _words(before: dt.timedelta) -> str:
    days, minutes = before.days, before.seconds // 60
    if days:
        return f"{days} day{'' if days == 1 else 's'}"
    if minutes % 60 == 0:
        return f"{minutes // 60} hour{'' if minutes == 60 else 's'}"
    return f"{minutes} minutes"


def _description(found: Circumstances, zone: str) -> str:
    lines = [CAUTION, ""]
    for contact in found.contacts:
        lines.append(
            f"{contact.name}: {local_time(contact.utc_ns, zone)} ({utc_iso(contact.utc_ns, 1)[11:]}), "
            f"Sun {contact.apparent_altitude_deg:.1f} degrees high in azimuth {contact.azimuth_deg:.0f}, "
            f"± {contact.uncertainty_s:.1f} s"
        )
        if contact.hidden_by is not HiddenBy.NONE:
            lines.append(hidden_text(contact))
    lines += [f"Local times: {zone}.", "", found.note]
    return "\n".join(lines)
