"""Sidecars: read back by exiftool and exiv2 as they were meant, and valid to the former."""

from __future__ import annotations

import json
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path
from xml.dom import minidom

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.account.gather.facts import Facts, SunPlace, contact_text, facts_of, nearest_contact
from controller.account.gather.matching import gather
from controller.account.gather.reading import find_files, read_pictures
from controller.account.gather.runs import load_runs
from controller.account.gather.xmp import NAMESPACES, to_xmp
from controller.units import ContactName, parse_utc_iso
from tests.account.gather.eclipse import Eclipse

needs_exiftool = pytest.mark.skipif(
    shutil.which("exiftool") is None, reason="exiftool (libimage-exiftool-perl) is missing"
)
needs_exiv2 = pytest.mark.skipif(shutil.which("exiv2") is None, reason="exiv2 is missing")
FACTS = Facts(
    title="corona, take 2, frame 3 of 9", description='A sentence with <, & and "quotes"; é, 日.',
    keywords=("solar eclipse", "totality", "filter <off>"), taken_utc_ns=parse_utc_iso("2027-08-02T08:45:10.123Z"),
    latitude_deg=-36.12, longitude_deg=-5.7201, elevation_m=-12.5, site_name="Kestrel & Hill",
    aimed_at=SunPlace(altitude_deg=37.6104, azimuth_deg=94.9), exposure_s=1 / 2000, f_number=5.6, iso=200,
    serial="K0042", camera_file_name="IMG_0042.CR3", identifier="run/long/0042", contact=ContactName.C2,
    from_contact_s=-12.25,
)  # fmt: skip


def by_exiftool(*paths: Path) -> list[dict[str, object]]:
    done = subprocess.run(
        ["exiftool", "-j", "-n", "-struct", "-validate", "-warning", "-a", "-XMP:all", *map(str, paths)],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    answers: list[dict[str, object]] = json.loads(done.stdout)
    return answers


def by_exiv2(path: Path) -> dict[str, str]:
    done = subprocess.run(["exiv2", "-PXkv", "print", str(path)], capture_output=True, text=True, check=True)
    assert done.stderr == ""
    return dict(line.split(maxsplit=1) for line in done.stdout.splitlines() if " " in line)


@needs_exiftool
def test_exiftool_reads_back_every_field(tmp_path: Path) -> None:
    """Each fact stands in its field, with its type, and exiftool has nothing to warn of."""
    path = tmp_path / "a.xmp"
    path.write_bytes(to_xmp(FACTS))
    (told,) = by_exiftool(path)
    assert told.pop("Validate") == "0 0 0"  # errors, warnings, minor warnings
    assert "Warning" not in told
    del told["SourceFile"]
    assert told == {
        "Title": FACTS.title, "Description": FACTS.description, "Subject": list(FACTS.keywords),
        "Identifier": "run/long/0042", "DateCreated": "2027:08:02 08:45:10.123+00:00", "Location": "Kestrel & Hill",
        "DateTimeOriginal": "2027:08:02 08:45:10.123+00:00", "GPSVersionID": "2.3.0.0", "GPSMapDatum": "WGS-84",
        "GPSLatitude": pytest.approx(-36.12, abs=1e-8), "GPSLongitude": pytest.approx(-5.7201, abs=1e-8),
        "GPSAltitudeRef": 1, "GPSAltitude": 12.5, "GPSDateTime": "2027:08:02 08:45:10.123Z",
        "GPSImgDirectionRef": "T", "GPSImgDirection": 94.9, "CameraElevationAngle": 37.61, "ExposureTime": 0.0005,
        "FNumber": 5.6, "PhotographicSensitivity": 200, "SerialNumber": "K0042", "PreservedFileName": "IMG_0042.CR3",
    }  # fmt: skip


@needs_exiv2
def test_exiv2_reads_the_same(tmp_path: Path) -> None:
    """The second reader finds the same values in the same standard fields."""
    path = tmp_path / "a.xmp"
    path.write_bytes(to_xmp(FACTS))
    told = by_exiv2(path)
    assert told["Xmp.dc.title"] == f'lang="x-default" {FACTS.title}'
    assert told["Xmp.dc.description"] == f'lang="x-default" {FACTS.description}'
    assert told["Xmp.dc.subject"] == ", ".join(FACTS.keywords)
    assert (
        told["Xmp.exif.DateTimeOriginal"]
        == told["Xmp.photoshop.DateCreated"]
        == "2027-08-02T08:45:10.123+00:00"
    )
    assert told["Xmp.exif.GPSLatitude"] == "36,7.200000S"
    assert told["Xmp.exif.GPSLongitude"] == "5,43.206000W"
    assert told["Xmp.exif.GPSAltitude"] == "25/2"
    assert told["Xmp.exif.ExposureTime"] == "1/2000"
    assert told["Xmp.iptc.Location"] == "Kestrel & Hill"
    assert told["Xmp.xmpMM.PreservedFileName"] == "IMG_0042.CR3"


@needs_exiftool
def test_every_sidecar_of_a_day_is_valid(eclipse: Eclipse, tmp_path: Path) -> None:
    """All sidecars of a rehearsed eclipse: valid, and time, place and settings are read back as they are."""
    (run,) = load_runs([eclipse.run])
    facts = facts_of(gather(run.frames, list(read_pictures(find_files([eclipse.cards])))).matches)
    for number, one in enumerate(facts):
        (tmp_path / f"{number:04d}.xmp").write_bytes(to_xmp(one))
    for told, one in zip(by_exiftool(*sorted(tmp_path.iterdir())), facts, strict=True):
        assert told["Validate"] == "0 0 0"
        assert told["Title"] == one.title
        assert told["ExposureTime"] == pytest.approx(one.exposure_s, rel=1e-5)
        stamp = str(told["DateTimeOriginal"])
        assert abs(parse_utc_iso(stamp.replace(":", "-", 2).replace(" ", "T")) - one.taken_utc_ns) <= 500_000


def test_facts_of_a_day(eclipse: Eclipse) -> None:
    """Contact, Sun and keywords of frames: against the plan's own contacts, and Astropy's place of the Sun."""
    import warnings

    import astropy.units as u
    from astropy.coordinates import AltAz, EarthLocation, get_sun
    from astropy.time import Time
    from astropy.utils import iers

    (run,) = load_runs([eclipse.run])
    matches = gather(run.frames, list(read_pictures(find_files([eclipse.cards])))).matches
    contacts = eclipse.prepared.compiled.timeline.contacts_utc_ns
    where = EarthLocation.from_geodetic(-3.90, 42.25, 900)
    every = list(zip(matches, facts_of(matches), strict=True))
    for match, one in every:
        assert one.contact is not None
        assert one.from_contact_s * 1e9 == pytest.approx(match.taken_utc_ns - contacts[one.contact], abs=2)
        assert abs(one.from_contact_s) <= min(
            abs(match.taken_utc_ns - at) / 1e9 + 1e-6
            for name, at in contacts.items()
            if name is not ContactName.MID
        )
        frame = match.frame.account.frame
        assert (one.aimed_at is None) == (frame.rig == "land")
        assert {frame.phase, frame.shot, f"rig {frame.rig}", "solar eclipse"} <= set(one.keywords)
        assert ("planned with solar filter off" in one.keywords) == (frame.phase == "totality")
    with iers.conf.set_temp("auto_download", False), warnings.catch_warnings():
        warnings.simplefilter("ignore")  # its own Earth rotation table is older than the day
        for _, one in every[:: len(every) // 5]:
            if one.aimed_at is None:
                continue
            at = Time(one.taken_utc_ns / 1e9, format="unix", scale="utc")
            sun = get_sun(at).transform_to(AltAz(obstime=at, location=where))
            # within refraction at some degrees of altitude, and 0.01 degrees across
            assert one.aimed_at.azimuth_deg == pytest.approx(sun.az.to_value(u.deg), abs=0.01)
            assert 0.0 < one.aimed_at.altitude_deg - sun.alt.to_value(u.deg) < 0.25


def test_contact_words() -> None:
    """Seconds stand before or after the nearest contact; greatest eclipse is none."""
    assert contact_text(ContactName.C2, -12.25) == "12.2 s before C2"
    assert contact_text(ContactName.C4, 3.0) == "3.0 s after C4"


def test_only_standard_namespaces_are_used() -> None:
    """The elements' namespaces are those of the XMP, IPTC and Exif standards, none of our own."""
    page = minidom.parseString(to_xmp(FACTS))  # noqa: S318 - our own
    used = {node.namespaceURI for node in page.getElementsByTagName("*")}
    assert used == {*NAMESPACES.values(), "adobe:ns:meta/"}


@given(text=st.text(max_size=60))
def test_any_name_makes_well_formed_xml(text: str) -> None:
    """Whatever a plan calls things, the sidecar is well-formed, the same each time, and says it where XML can."""
    named = replace(FACTS, title=text, site_name=text, keywords=(text,))
    data = to_xmp(named)
    page = minidom.parseString(data)  # noqa: S318 - our own
    assert to_xmp(named) == data
    (place,) = page.getElementsByTagName("Iptc4xmpCore:Location")
    said = "".join(node.data for node in place.childNodes)
    if text.isprintable():
        assert said == text
    assert len(said) == len(text)


@pytest.mark.parametrize("degrees", [0.0, 59.999999999, 89.9999999999, 179.5, -0.00000001])
def test_angles_never_show_sixty_minutes(degrees: float) -> None:
    """Minutes are rounded before they are split, so 60 of them never stand there."""
    text = to_xmp(replace(FACTS, longitude_deg=degrees)).decode()
    shown = text.split("<exif:GPSLongitude>")[1].split("<")[0]
    whole, minutes = shown[:-1].split(",")
    assert 0 <= float(minutes) < 60
    assert int(whole) + float(minutes) / 60 == pytest.approx(abs(degrees), abs=1e-8)


def test_nearest_contact_of_no_contacts(eclipse: Eclipse) -> None:
    """A place that sees no eclipse has no contact to count from."""
    nowhere = replace(eclipse.prepared.compiled.timeline, contacts_utc_ns={})
    assert nearest_contact(nowhere, 0) == (None, 0.0)
