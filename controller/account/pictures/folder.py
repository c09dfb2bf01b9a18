"""Everything that pictures of a run show, written to a folder: lists, contact sheets, drawings.

Nothing is written but files in that folder; one that is there is left as it is unless asked otherwise, and a file
that is one of the pictures is never written to.
"""

from __future__ import annotations

import csv
import functools
import io
import os
import re
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

from controller.account.gather.sidecars import Written, write_whole
from controller.account.model import FrameAccount
from controller.account.pictures import contacts_seen, lapse, sets
from controller.account.pictures.contacts_seen import ContactSeen, light_rows
from controller.account.pictures.lapse import LAPSE_HEADINGS, Lapse, lapse_rows
from controller.account.pictures.sets import BracketSet
from controller.account.pictures.sheets import sheets
from controller.account.pictures.taken import Taken, by_rig_and_phase
from controller.errors import UsageError
from controller.timeline.model import Timeline
from controller.units import utc_iso

_SHEET_QUALITY = 88
_NAMED = 5
"""So many files that cannot be read are named in words."""


@dataclass(frozen=True, kw_only=True)
class Findings:
    """What the pictures of one run show, and which files say so."""

    sets: tuple[BracketSet, ...]
    lapses: tuple[Lapse, ...]
    contacts: tuple[ContactSeen, ...]
    unread: tuple[Path, ...]
    """Files that belong to frames and hold no picture that can be read: cut short, say."""
    files: Mapping[Path, Written]
    """What became of each file, in order."""

    def words(self) -> list[str]:
        """Return what the operator is to know at once, one line each."""
        said = [one.words() for one in self.contacts]
        said += [
            f"Time-lapse {one.shot} in {one.phase} on {one.rig}: {' '.join(one.words())}"
            for one in self.lapses
        ]
        if self.sets:
            good = sum(one.good for one in self.sets)
            said.append(f"{good} of {len(self.sets)} bracket sets are whole and reach far enough both ways.")
        if self.unread:
            names = ", ".join(map(str, self.unread[:_NAMED]))
            more = f" and {len(self.unread) - _NAMED} more" if len(self.unread) > _NAMED else ""
            said.append(f"Of frames, but they hold no picture that can be read: {names}{more}.")
        empty = Counter((one.rig, one.phase, one.shot) for one in self.sets if not one.pictures)
        said += [
            f"{', '.join(shot)}: {count} {'set has' if count == 1 else 'sets have'} no picture."
            for shot, count in empty.items()
        ]
        said += [
            f"{one.rig}, {one.phase}, {one.name}: {' '.join(one.words())}"
            for one in self.sets
            if one.pictures and not one.good
        ]
        return said

    def to_json(self) -> dict[str, Any]:
        """Return it all as plain data; names of files, instants as ISO 8601 in UTC."""
        return {
            "sets": [
                {
                    "rig": one.rig, "phase": one.phase, "shot": one.shot, "take": one.take, "planned": one.planned,
                    "files": [picture.listed.name for picture in one.pictures],
                    "exposures_s": [picture.settings.exposure_s for picture in one.pictures],
                    "lacking": list(one.lacking),
                    "short_end": {"ok": one.short_ok, "text": one.short_end},
                    "long_end": {"ok": one.long_ok, "text": one.long_end},
                }
                for one in self.sets
            ],
            "time_lapses": [
                {
                    "rig": one.rig, "phase": one.phase, "shot": one.shot, "exposure": one.exposure,
                    "step_s": one.spacing.step_s, "tolerance_s": one.spacing.tolerance_s,
                    "worst_off_s": one.spacing.worst_off_s,
                    "gaps": [
                        {"from": utc_iso(gap.from_utc_ns), "until": utc_iso(gap.until_utc_ns), "places": gap.places}
                        for gap in one.spacing.gaps
                    ],
                    "pictures": [dict(zip(LAPSE_HEADINGS, row, strict=True)) for row in lapse_rows(one)],
                    "drift": None if one.drift is None else {
                        "right_px_per_min": one.drift.right_px_per_min,
                        "down_px_per_min": one.drift.down_px_per_min,
                        "off_line_px": one.drift.off_line_px,
                        "farthest_px": one.drift.farthest_px,
                        "radius_px": one.drift.radius_px,
                    },
                }
                for one in self.lapses
            ],
            "contacts": [
                {
                    "rig": one.rig, "contact": str(one.contact),
                    "computed": utc_iso(one.computed_utc_ns), "keyed_to": one.keyed_to,
                    "computed_uncertainty_s": one.computed_uncertainty_s,
                    "seen": None if one.seen_utc_ns is None else utc_iso(one.seen_utc_ns),
                    "uncertainty_s": None if one.seen_utc_ns is None else round(one.uncertainty_s, 3),
                    "off_s": None if one.off_s is None else round(one.off_s, 3),
                    "why_not": one.why_not or None, "passed_by": one.passed_by,
                    "light": [
                        {"name": light.taken.path.name, "middle": utc_iso(light.taken.middle_utc_ns),
                         "surface_px": light.surface_px, "clipped": light.clipped, "least_px": light.least_px}
                        for light in one.lights
                    ],
                }
                for one in self.contacts
            ],
            "cannot_be_read": [str(path) for path in self.unread],
            "files": {str(path): how.value for path, how in self.files.items()},
        }  # fmt: skip


def write_findings(
    timeline: Timeline,
    frames: Sequence[FrameAccount],
    taken: Sequence[Taken],
    folder: Path,
    *,
    force: bool = False,
    tell: Callable[[], object] | None = None,
) -> Findings:
    """Look through the pictures of a run and write what they show.

    Files: ``sets/*.txt`` (names from the shortest exposure to the longest), ``sheets/*.jpg``,
    ``time-lapse/*.txt`` (names in order), ``*.csv`` and ``*.png`` (where the Sun's centre is), ``contacts/*.csv`` and
    ``*.png`` (the light around C2 and C3).

    Args:
        timeline: of the run.
        frames: of its account.
        taken: the gathered pictures.
        folder: made when missing.
        force: write over files of the same names.
        tell: is called after each file that has been read, `reads` times in all or less.

    Raises:
        UsageError: if a file would be one of the pictures.
        HoldfireError: if a file cannot be written.
    """
    out = _Folder(folder, taken, force=force)
    found_sets = sets.bracket_sets(timeline, frames, taken, tell=tell)
    found_lapses = lapse.lapses(timeline, taken, tell=tell)
    found_contacts = contacts_seen.contacts_seen(timeline, taken, tell=tell)
    for one in found_sets:
        if one.pictures:
            out.text(f"sets/{_word(one.rig)}-{_word(one.phase)}-{_word(one.shot)}-{one.take:03d}.txt",
                     [out.name_of(picture) for picture in one.pictures])  # fmt: skip
    unread: list[Taken] = []
    for rig, phase, members in by_rig_and_phase(taken):
        heading = f"{timeline.title}: {phase} on {rig}"
        made = sheets(timeline, heading, members, tell=tell, unread=unread)
        for number, sheet in enumerate(made, 1):
            file = io.BytesIO()
            sheet.save(file, "JPEG", quality=_SHEET_QUALITY)
            part = f"-{number}" if len(made) > 1 else ""
            out.write(f"sheets/{_word(rig)}-{_word(phase)}{part}.jpg", file.getvalue())
    for found in found_lapses:
        stem = f"time-lapse/{_word(found.rig)}-{_word(found.phase)}-{_word(found.shot)}"
        out.text(f"{stem}.txt", [out.name_of(one) for one in found.spacing.chosen])
        out.rows(f"{stem}.csv", LAPSE_HEADINGS, lapse_rows(found))
        out.drawn(f"{stem}.png", functools.partial(lapse.plot, found))
    for seen in found_contacts:
        if seen.lights:
            stem = f"contacts/{_word(seen.rig)}-{seen.contact}"
            out.rows(f"{stem}.csv", ("name", "seconds", "settings", "surface_px"), light_rows(seen))
            out.drawn(f"{stem}.png", functools.partial(contacts_seen.plot, seen))
    return Findings(
        sets=tuple(found_sets),
        lapses=tuple(found_lapses),
        contacts=tuple(found_contacts),
        unread=tuple(one.path for one in unread),
        files=out.files,
    )


def reads(taken: Sequence[Taken]) -> int:
    """Return how often a file is read at most: for a progress bar."""
    return 3 * len(taken)


def _word(name: str) -> str:
    """Return a name as part of a file's name on any system."""
    return re.sub(r"[^\w]+", "-", name, flags=re.ASCII).strip("-").lower()[:40] or "unnamed"


class _Folder:
    """Writes new files into one folder, whole or not at all."""

    def __init__(self, folder: Path, taken: Sequence[Taken], *, force: bool) -> None:
        self._folder = folder
        self._force = force
        pictures = [path for one in taken for path in (one.path, one.raw) if path is not None]
        self._pictures = {path.resolve() for path in pictures}
        self._above = (
            Path(os.path.commonpath([path.parent.resolve() for path in pictures])) if pictures else folder
        )
        self._named: Counter[str] = Counter()
        self.files: dict[Path, Written] = {}

    def name_of(self, one: Taken) -> str:
        """Return a file's way from the folder that all pictures are in: the plain name where it is their own."""
        return one.listed.resolve().relative_to(self._above).as_posix()

    def text(self, name: str, lines: Sequence[str]) -> None:
        self.write(name, "".join(f"{line}\n" for line in lines).encode("utf-8", "surrogateescape"))

    def rows(self, name: str, headings: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
        made = io.StringIO()
        csv.writer(made, lineterminator="\n").writerows([headings, *rows])
        self.write(name, made.getvalue().encode("utf-8", "surrogateescape"))

    def drawn(self, name: str, draw: Callable[[BinaryIO], None]) -> None:
        made = io.BytesIO()
        draw(made)
        self.write(name, made.getvalue())

    def write(self, name: str, content: bytes) -> None:
        self._named[name] += 1  # two names may come to one word
        if self._named[name] > 1:
            stem, dot, ending = name.rpartition(".")
            name = f"{stem}-{self._named[name]}{dot}{ending}"
        path = self._folder / name
        if path.resolve() in self._pictures:
            raise UsageError(f"{path}: this is one of the pictures. Mend: name another folder.")
        self.files[path] = write_whole(path, content, force=self._force)
