"""Horizon, Earth rotation and calendar through the command line, and as other programs read them."""

from __future__ import annotations

import datetime as dt
import json
import re
from pathlib import Path

import astropy_iers_data
import icalendar
import pytest
from ical.calendar import Calendar
from ical.calendar_stream import IcsCalendarStream

from controller.cli.ics import CAUTION, calendar
from controller.errors import UsageError
from controller.plan.loading import load_plan
from controller.sky import Horizon, Site, circumstances
from controller.sky.earth_rotation import load_table
from controller.timeline.taking_off import takes_off
from controller.units import ContactName, parse_utc_iso, utc_datetime
from tests.cli.command import SAMPLES, as_json, holdfire

NEWER = str(astropy_iers_data.IERS_A_FILE)
STAMP = dt.datetime(2026, 7, 1, 12, 0, 0, tzinfo=dt.UTC)
MALLORCA, D2026 = Site(39.95, 3.1, 100), dt.date(2026, 8, 12)
RING, D2023 = Site(11.4, -83.1), dt.date(2023, 10, 14)
PARTIAL, D2027 = Site(48.1, 11.6, 520), dt.date(2027, 8, 2)
PLACES = [(MALLORCA, D2026), (RING, D2023), (PARTIAL, D2027)]


def made(site: Site, date: dt.date, place: str = "Our terrace") -> bytes:
    """The calendar of an eclipse at a place."""
    return calendar(circumstances(site, date), "Europe/Madrid", place, STAMP)


def read(content: bytes) -> Calendar:
    """The same as an independent parser reads it (it refuses what RFC 5545 does not allow)."""
    return IcsCalendarStream.calendar_from_ics(content.decode("utf-8"))


# The calendar ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(("site", "date"), PLACES)
def test_events_are_at_the_contacts(site: Site, date: dt.date) -> None:
    """One event lasts from C1 to C4, one from C2 to C3 where there are such; to the nearest second, UTC."""
    found = circumstances(site, date)
    events = read(made(site, date)).events
    spans = [(ContactName.C1, ContactName.C4)]
    if found.kind.is_central:
        spans.append((ContactName.C2, ContactName.C3))
    assert len(events) == len(spans)
    for event, (first, last) in zip(events, spans, strict=True):
        for moment, name in ((event.dtstart, first), (event.dtend, last)):
            assert isinstance(moment, dt.datetime)
            assert moment.utcoffset() == dt.timedelta(0)
            off_s = (moment - utc_datetime(found.contact(name).utc_ns)).total_seconds()
            assert abs(off_s) <= 0.5
        assert event.dtstamp == STAMP
        assert event.geo is not None
        assert (event.geo.lat, event.geo.lng) == (site.latitude_deg, site.longitude_deg)


def test_reminders() -> None:
    """A day, an hour and ten minutes before C1, and five minutes before C2; each is a displayed text."""
    whole, totality = read(made(MALLORCA, D2026)).events
    before = [[alarm.trigger for alarm in event.alarm] for event in (whole, totality)]
    assert before == [
        [-dt.timedelta(days=1), -dt.timedelta(hours=1), -dt.timedelta(minutes=10)],
        [-dt.timedelta(minutes=5)],
    ]
    assert {str(alarm.action) for event in (whole, totality) for alarm in event.alarm} == {"DISPLAY"}
    assert "1 min 24.9 s" in (totality.summary or "")
    assert "Annularity" in (read(made(RING, D2023)).events[1].summary or "")


@pytest.mark.parametrize(("site", "date"), PLACES)
def test_nothing_in_it_takes_anything_off(site: Site, date: dt.date) -> None:
    """HF-S13: no text can be heard to take a filter or glasses off, and each carries the caution."""
    texts = []
    for event in read(made(site, date)).events:
        texts += [event.description or "", *(alarm.description or "" for alarm in event.alarm)]
        assert takes_off(event.summary or "") is None
    for text in texts:
        assert CAUTION in text
        for sentence in re.split(r"(?<=[.\n])", text):
            assert takes_off(sentence) is None, sentence
        for word in ("remove", "filter off", "filters off", "glasses"):
            assert word not in text.lower()
    assert takes_off("Take the filter off.") is not None  # the judge is awake


def test_format_of_rfc_5545() -> None:
    """CR LF after every line, none longer than 75 octets, no bare control character, required properties."""
    content = made(MALLORCA, D2026, place="Mirador de la Ermita, ñandú; Ω")
    assert content.endswith(b"\r\n")
    lines = content.split(b"\r\n")
    assert max(map(len, lines)) <= 75
    assert not re.search(rb"[\x00-\x08\x0a-\x1f\x7f]", b"".join(lines))
    unfolded = content.replace(b"\r\n ", b"").decode("utf-8").split("\r\n")
    assert unfolded[0] == "BEGIN:VCALENDAR"
    assert "VERSION:2.0" in unfolded
    for name in ("UID:", "DTSTAMP:20260701T120000Z", "DTSTART:20260812T", "DTEND:20260812T", "SUMMARY:"):
        assert sum(line.startswith(name) for line in unfolded) == 2, name
    assert "LOCATION:Mirador de la Ermita\\, ñandú\\; Ω" in unfolded


def test_it_reads_back() -> None:
    """The library that wrote it, and another one, read the same texts back."""
    content = made(MALLORCA, D2026, place="Mirador, ñandú; Ω")
    ours = icalendar.Calendar.from_ical(content)
    assert ours.to_ical() == content
    for one, other in zip(ours.events, read(content).events, strict=True):
        assert str(one["summary"]) == other.summary
        assert str(one["description"]) == other.description
        assert str(one["location"]) == other.location == "Mirador, ñandú; Ω"


def test_uid_stays_with_place_and_eclipse() -> None:
    """Same place and eclipse, same UIDs, whatever else was computed; another place or eclipse, other ones."""

    def uids(site: Site, date: dt.date) -> list[str | None]:
        return [event.uid for event in read(made(site, date)).events]

    first = uids(MALLORCA, D2026)
    assert len(set(first)) == 2
    assert first == uids(Site(39.95, 3.1, 250, Horizon(((280, 3.0),))), D2026)
    assert not set(first) & set(uids(Site(39.951, 3.1, 100), D2026))
    assert not set(first) & set(uids(MALLORCA, D2027))


def test_same_input_same_file() -> None:
    """The file depends on the circumstances and the stamp alone."""
    assert made(MALLORCA, D2026) == made(MALLORCA, D2026)


def test_no_calendar_of_nothing() -> None:
    """Where nothing is seen there is no event to write."""
    with pytest.raises(UsageError, match="Nothing of the eclipse of 2027-08-02 is seen here"):
        made(Site(-45.0, 20.0), D2027)


def test_calendar_by_the_command(tmp_path: Path) -> None:
    """`--ics` writes the file of the plan's place beside what is printed, and says where."""
    done = holdfire("contacts", str(SAMPLES / "total_2027.yaml"), "--ics", "day.ics", "--json", cwd=tmp_path)
    data = as_json(done)
    assert data["calendar"] == "day.ics"
    whole, totality = read((tmp_path / "day.ics").read_bytes()).events
    assert whole.location == load_plan(SAMPLES / "total_2027.yaml").plan.site.name
    c2 = utc_datetime(parse_utc_iso(data["contacts"][1]["utc"]))
    assert abs((totality.dtstart - c2).total_seconds()) <= 0.5
    assert abs((whole.dtstamp - dt.datetime.now(dt.UTC)).total_seconds()) < 600


def test_calendar_that_cannot_be_written(tmp_path: Path) -> None:
    """A folder that is not there is named; nothing is printed."""
    done = holdfire(
        "contacts", "--lat", "39.95", "--lon", "3.1", "--date", "2026-08-12", "--ics", "no/day.ics", cwd=tmp_path
    )  # fmt: skip
    assert done.returncode == 2
    assert done.stdout == ""
    assert re.fullmatch(r"holdfire: The calendar no/day.ics cannot be written .*Mend: .*\n", done.stderr)


# Horizon --------------------------------------------------------------------------------------------


def with_horizon(tmp_path: Path, points: str) -> Path:
    """The 2026 sample with a skyline; the Sun stands at 8 degrees in azimuth 282 at C2."""
    text = (SAMPLES / "two_rigs_2026.yaml").read_text(encoding="utf-8")
    head, site, rest = text.partition("site:\n")
    path = tmp_path / "hill.yaml"
    path.write_text(f"{head}{site}  horizon: {points}\n{rest}", encoding="utf-8")
    return path


def test_check_warns_of_a_hill(tmp_path: Path) -> None:
    """A hill that hides totality is a warning at the plan's horizon, with the instants; nothing else changes."""
    hill = with_horizon(tmp_path, "[[270, 9.5], [300, 9.5]]")
    line = hill.read_text(encoding="utf-8").splitlines().index("  horizon: [[270, 9.5], [300, 9.5]]") + 1
    data = as_json(holdfire("check", str(hill), "--json", cwd=tmp_path))
    plain = as_json(holdfire("check", str(SAMPLES / "two_rigs_2026.yaml"), "--json", cwd=tmp_path))
    said = {
        fault["what"] for fault in data["warnings"] if (fault["line"], fault["severity"]) == (line, "warning")
    }
    for name in ("C2", "mid", "C3"):
        assert any(
            re.match(rf"At {name} the Sun is behind the terrain: its centre stands at 8\.\d degrees", what)
            for what in said
        )
    assert any(
        re.match(r"The Sun's lower edge sinks behind the terrain at 2026-08-12T18:2\d", w) for w in said
    )
    assert any(
        re.match(r"The last of the Sun is gone behind the terrain at 2026-08-12T18:2\d", w) for w in said
    )
    assert data["phases"] == plain["phases"]
    assert data["circumstances"]["kind"] == "total"
    assert [c["utc"] for c in data["circumstances"]["contacts"]] == [
        c["utc"] for c in plain["circumstances"]["contacts"]
    ]


def test_check_warns_of_a_skyline_with_holes(tmp_path: Path) -> None:
    """Points far from where the Sun passes are no skyline there, and the check says so."""
    data = as_json(
        holdfire("check", str(with_horizon(tmp_path, "[[80, 1], [100, 2]]")), "--json", cwd=tmp_path)
    )
    assert any("nearest points of the horizon are 340 degrees apart" in f["what"] for f in data["warnings"])


def test_contacts_show_what_is_hidden(tmp_path: Path) -> None:
    """For people: seen altitude, a word for each hidden contact, and when the Sun is gone, on 80 columns."""
    done = holdfire(
        "contacts", "--lat", "39.95", "--lon", "3.1", "--date", "2026-08-12", "--elevation", "100", cwd=tmp_path
    )  # fmt: skip
    table = [line for line in done.stdout.splitlines() if re.match(r"(C[1-4]|mid) +\d\d:", line)]
    assert [line.endswith("hidden") for line in map(str.rstrip, table)] == [False, False, False, False, True]
    assert "At C4 the Sun is behind the horizon" in done.stdout
    assert re.search(r"The last of the Sun is gone behind the horizon at 20:4\d:\d\d", done.stdout)
    assert "…" not in done.stdout


def test_cliff_and_air_by_option(tmp_path: Path) -> None:
    """A cliff lowers the horizon, thin air the Sun."""
    words = ("contacts", "--lat", "39.95", "--lon", "3.1", "--date", "2026-08-12", "--json")
    plain = as_json(holdfire(*words, cwd=tmp_path))["contacts"][1]
    other = as_json(
        holdfire(
            *words, "--above-surroundings", "300", "--pressure", "700", "--temperature", "30", cwd=tmp_path
        )
    )["contacts"][1]
    assert plain["horizon_altitude_deg"] == 0
    assert other["horizon_altitude_deg"] == pytest.approx(-0.508, abs=0.001)
    assert other["apparent_altitude_deg"] < plain["apparent_altitude_deg"]
    assert other["utc"] == plain["utc"]


# Earth rotation -------------------------------------------------------------------------------------


def test_a_newer_table_by_option(tmp_path: Path) -> None:
    """Contacts, eclipses and check take a newer table, say its age, and know Delta-T better by it."""
    words = ("contacts", "--lat", "36.12", "--lon", "-5.72", "--date", "2027-08-02", "--json")
    old = as_json(holdfire(*words, cwd=tmp_path))
    new = as_json(holdfire(*words, "--earth-rotation", NEWER, cwd=tmp_path))
    assert new["delta_t"]["uncertainty_s"] < old["delta_t"]["uncertainty_s"]
    assert new["earth_rotation"]["measured_until"] > old["earth_rotation"]["measured_until"]
    assert new["earth_rotation"]["age_days"] < old["earth_rotation"]["age_days"]
    measured = dt.date.fromisoformat(new["earth_rotation"]["measured_until"])
    assert abs((dt.datetime.now(dt.UTC).date() - measured).days - new["earth_rotation"]["age_days"]) <= 1
    listed = as_json(
        holdfire("eclipses", "--lat", "36.12", "--lon", "-5.72", "--from", "2027", "--to", "2027", "--json",
                 "--earth-rotation", NEWER, cwd=tmp_path)
    )  # fmt: skip
    assert listed["earth_rotation"] == new["earth_rotation"]
    assert listed["eclipses"][-1]["delta_t"] == new["delta_t"]
    checked = as_json(
        holdfire("check", str(SAMPLES / "total_2027.yaml"), "--json", "--earth-rotation", NEWER, cwd=tmp_path)
    )
    assert checked["circumstances"]["delta_t"]["table"] == Path(NEWER).name
    assert checked["circumstances"]["delta_t"]["measured_until"] == new["earth_rotation"]["measured_until"]


def test_a_rehearsal_is_played_by_the_table_given(tmp_path: Path) -> None:
    """The run folder's timeline keeps the note of the table that its instants were computed with."""
    done = holdfire(
        "rehearse", str(SAMPLES / "partial_2027.yaml"), "--fast", "--json", "--runs", "runs",
        "--earth-rotation", NEWER, cwd=tmp_path,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    (timeline,) = (tmp_path / "runs").glob("*/timeline.json")
    note = json.loads(timeline.read_text(encoding="utf-8"))["contacts_note"]
    assert f"measured to {load_table(NEWER).measured_until}" in note


def test_a_bad_table_by_option(tmp_path: Path) -> None:
    """A file that is no such table is named in one line, with the exit code of the sky."""
    (tmp_path / "bad.all").write_text(
        "nothing at all, and for more than sixty-eight columns of it, to be sure\n"
    )
    done = holdfire("check", str(SAMPLES / "total_2027.yaml"), "--earth-rotation", "bad.all", cwd=tmp_path)
    assert done.returncode == 4
    assert re.fullmatch(r"holdfire: The Earth rotation table .*bad\.all has no row .*Mend: .*\n", done.stderr)
