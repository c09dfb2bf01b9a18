"""What a matched picture is told to be: shot, phase, time from contact, where the Sun stood, exposures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from controller.account.gather.model import Match
from controller.light.stops import format_exposure
from controller.timeline.model import Timeline
from controller.units import NS_PER_S, ContactName, FilterState, utc_datetime, utc_iso

_FILTER_WORDS = {
    FilterState.ON: "solar filter on",
    FilterState.OFF: "solar filter off",
    FilterState.NOT_NEEDED: "no solar filter needed",
}


@dataclass(frozen=True, kw_only=True)
class SunPlace:
    """Where the Sun's centre stood, degrees: altitude with the refraction of the standard atmosphere, azimuth."""

    altitude_deg: float
    azimuth_deg: float


@dataclass(frozen=True, kw_only=True)
class Facts:
    """What is told of one frame's pictures."""

    title: str
    description: str
    keywords: tuple[str, ...]
    taken_utc_ns: int
    latitude_deg: float
    longitude_deg: float
    elevation_m: float
    site_name: str
    aimed_at: SunPlace | None
    """Where the camera pointed: at the Sun, by its rig; None where it did not or nobody can tell."""
    exposure_s: float | None
    f_number: float | None
    iso: float | None
    """As the picture has them."""
    serial: str
    camera_file_name: str
    """As the camera first called it; empty when nobody knows."""
    identifier: str
    contact: ContactName | None
    """The nearest of C1, C2, C3, C4."""
    from_contact_s: float
    """Seconds after that contact; below zero before it."""


def sun_places(timeline: Timeline, instants_utc_ns: Sequence[int]) -> list[SunPlace | None]:
    """Return where the Sun stood over the site of a run at some instants; None where the sky cannot be computed."""
    import numpy as np

    from controller.errors import SkyError
    from controller.sky import Site, circumstances
    from controller.sky.track import sun_track

    if not instants_utc_ns:
        return []
    site = Site(timeline.latitude_deg, timeline.longitude_deg, timeline.elevation_m)
    middle = timeline.contacts_utc_ns.get(ContactName.MID) or instants_utc_ns[0]
    try:
        track = sun_track(circumstances(site, utc_datetime(middle).date()))
    except SkyError:
        return [None] * len(instants_utc_ns)
    altitude, azimuth = track.at(np.array(instants_utc_ns, dtype=np.int64))
    return [
        SunPlace(altitude_deg=float(high), azimuth_deg=float(along))
        if track.starts_utc_ns <= instant <= track.ends_utc_ns
        else None
        for high, along, instant in zip(altitude, azimuth, instants_utc_ns, strict=True)
    ]


def facts_of(matches: Sequence[Match]) -> list[Facts]:
    """Return what is told of each match's pictures."""
    places: dict[int, SunPlace | None] = {}
    for run in {id(match.frame.run): match.frame.run for match in matches}.values():
        own = [number for number, match in enumerate(matches) if match.frame.run is run]
        found = sun_places(run.timeline, [matches[number].taken_utc_ns for number in own])
        places.update(zip(own, found, strict=True))
    takes = _takes(matches)
    return [_facts(match, places[number], takes) for number, match in enumerate(matches)]


def nearest_contact(timeline: Timeline, instant_utc_ns: int) -> tuple[ContactName | None, float]:
    """Return the nearest of C1, C2, C3, C4 and the seconds after it (below zero before)."""
    contacts = [
        (abs(instant_utc_ns - at), name, (instant_utc_ns - at) / NS_PER_S)
        for name, at in timeline.contacts_utc_ns.items()
        if name is not ContactName.MID
    ]
    if not contacts:
        return None, 0.0
    _, name, seconds = min(contacts)
    return name, seconds


def contact_text(contact: ContactName, seconds: float) -> str:
    """Return e.g. ``12.3 s before C2``."""
    return f"{abs(seconds):.1f} s {'before' if seconds < 0 else 'after'} {contact.value}"


def _takes(matches: Sequence[Match]) -> dict[tuple[int, str, str, str, int], int]:
    """Return how many frames each take of a shot was planned to have."""
    counts: dict[tuple[int, str, str, str, int], int] = {}
    for run in {id(match.frame.run): match.frame.run for match in matches}.values():
        for frame in run.timeline.frames:
            key = (id(run), frame.rig, frame.phase, frame.shot, frame.take)
            counts[key] = counts.get(key, 0) + 1
    return counts


def _facts(match: Match, sun: SunPlace | None, takes: dict[tuple[int, str, str, str, int], int]) -> Facts:
    account, timeline, picture = match.frame.account, match.frame.run.timeline, match.pictures[0]
    frame, taken = account.frame, match.taken_utc_ns
    rig = next((rig for rig in timeline.rigs if rig.name == frame.rig), None)
    contact, seconds = nearest_contact(timeline, taken)
    count = takes[id(match.frame.run), frame.rig, frame.phase, frame.shot, frame.take]
    where = f"take {frame.take}" + (f", frame {frame.step} of {count}" if count > 1 else "")
    date = utc_datetime(timeline.contacts_utc_ns.get(ContactName.MID, taken)).date().isoformat()
    eclipse = f"{timeline.kind} solar eclipse of {date}"
    asked = frame.settings
    planned = _settings_text(asked.exposure_s, asked.f_number, asked.iso)
    got = _settings_text(picture.exposure_s, picture.f_number, picture.iso)
    sentences = [
        f"{eclipse[0].upper()}{eclipse[1:]} from {timeline.site_name}",
        f'Phase "{frame.phase}", shot "{frame.shot}", {where}, rig "{frame.rig}"',
        f"Opened {utc_iso(taken)}" + ("" if contact is None else f", {contact_text(contact, seconds)}"),
        f"Planned {planned}; the picture says {got}",
        f"Planned with {_FILTER_WORDS.get(frame.filter_need, 'the filter unsaid')}",
    ]
    if sun is not None:
        sentences.append(f"The Sun at altitude {sun.altitude_deg:.2f}°, azimuth {sun.azimuth_deg:.2f}°")
    return Facts(
        title=f"{frame.shot}, {where}",
        description=". ".join(sentences) + ".",
        keywords=tuple(dict.fromkeys((
            "solar eclipse", eclipse, frame.phase, frame.shot, f"rig {frame.rig}",
            f"planned with {_FILTER_WORDS.get(frame.filter_need, 'the filter unsaid')}",
        ))),
        taken_utc_ns=taken,
        latitude_deg=timeline.latitude_deg,
        longitude_deg=timeline.longitude_deg,
        elevation_m=timeline.elevation_m,
        site_name=timeline.site_name,
        aimed_at=sun if rig is not None and rig.points_at_sun else None,
        exposure_s=picture.exposure_s,
        f_number=picture.f_number,
        iso=picture.iso,
        serial=picture.serial,
        camera_file_name=account.file_name.replace("\\", "/").rpartition("/")[2],
        identifier=f"{match.frame.run.name}/{frame.frame_id}",
        contact=contact,
        from_contact_s=seconds,
    )  # fmt: skip


def _settings_text(exposure_s: float | None, f_number: float | None, iso: float | None) -> str:
    parts = [
        "" if exposure_s is None else format_exposure(exposure_s),
        "" if f_number is None else f"f/{f_number:g}",
        "" if iso is None else f"ISO {iso:g}",
    ]
    return ", ".join(part for part in parts if part) or "nothing of its settings"


def rational(number: float, largest: int = 100_000) -> str:
    """Return a number as XMP writes a rational."""
    made = Fraction(number).limit_denominator(largest)
    return f"{made.numerator}/{made.denominator}"
