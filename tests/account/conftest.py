"""A small invented day and its faultless journal, for tests to spoil."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from controller.journal.folder import RunFolder
from controller.journal.records import Kind
from controller.journal.writing import JournalWriter
from controller.timeline.model import Frame, Hold, Phase, RigInfo, Settings, Timeline
from controller.units import ContactName, FilterState, UtcNs, Wanted, parse_utc_iso, seconds_to_ns

T0_NS = parse_utc_iso("2027-08-02T08:00:00Z")
Record = dict[str, Any]


def at(seconds: float) -> UtcNs:
    return UtcNs(T0_NS + seconds_to_ns(seconds))


# name, from, until, what the filter has to be, when it is asked for
PHASES = (
    ("crescent", 0, 75, FilterState.ON, -30),
    ("dark", 85, 235, FilterState.OFF, 80),
    ("crescent again", 245, 300, FilterState.ON, 235),
)
# number, phase, shot, wanted, due, exposure: C2 is at 100 s and C3 at 220 s, the window from 80 s to 240 s
FRAMES = (
    (1, "crescent", "disk", Wanted.NICE, 10, 1 / 500),
    (2, "crescent", "disk", Wanted.NICE, 20, 1 / 500),
    (3, "dark", "ring", Wanted.MUST, 98, 1 / 1000),
    (4, "dark", "corona", Wanted.MUST, 150, 1.0),
    (5, "dark", "corona", Wanted.MUST, 152, 1 / 8),
    (6, "dark", "corona", Wanted.MUST, 154, 4.0),
    (7, "crescent again", "disk", Wanted.NICE, 250, 1 / 500),
)


def _timeline() -> Timeline:
    phases = {name: (start, end, need) for name, start, end, need, _ in PHASES}
    frames = []
    for number, phase, shot, wanted, due, exposure_s in FRAMES:
        start, end, need = phases[phase]
        frames.append(
            Frame(
                frame_id=f"long/{number:04d}", rig="long", phase=phase, shot=shot, take=1, step=number, wanted=wanted,
                settings=Settings(exposure_s=exposure_s, f_number=8.0, iso=100), filter_need=need,
                due_utc_ns=at(due), deadline_utc_ns=at(due + 0.5), ends_by_utc_ns=at(end),
                starts_from_utc_ns=at(start), movable_until_utc_ns=at(end - exposure_s),
                slot_ns=seconds_to_ns(exposure_s + 1),
            )
        )  # fmt: skip
    wide = replace(
        frames[0], frame_id="wide/0001", rig="wide", phase="land", shot="ridge", step=1,
        filter_need=FilterState.NOT_NEEDED, due_utc_ns=at(160), deadline_utc_ns=at(160.5), ends_by_utc_ns=at(300),
        movable_until_utc_ns=at(299),
    )  # fmt: skip
    return Timeline(
        title="Two rigs on the ridge", site_name="Ridge", latitude_deg=25.5, longitude_deg=33.2, elevation_m=90.0,
        time_zone="Africa/Cairo", kind="total",
        contacts_utc_ns={ContactName.C2: at(100), ContactName.MID: at(160), ContactName.C3: at(220)},
        contacts_note="Invented contacts for a test.", contacts_uncertainty_s=1.0,
        unfiltered_from_utc_ns=at(80), unfiltered_until_utc_ns=at(240),
        rigs=(
            RigInfo(
                name="long", driver="simulated", match=None, points_at_sun=True, filter_text="sheet", release_lag_s=0.06
            ),
            RigInfo(
                name="wide", driver="simulated", match=None, points_at_sun=False, filter_text="", release_lag_s=0.06
            ),
        ),
        phases=(
            *(
                Phase(name=n, rig="long", starts_utc_ns=at(a), ends_utc_ns=at(b), filter_need=f)
                for n, a, b, f, _ in PHASES
            ),
            Phase(
                name="land", rig="wide", starts_utc_ns=at(0), ends_utc_ns=at(300), filter_need=FilterState.NOT_NEEDED
            ),
        ),
        holds=tuple(
            Hold(
                hold_id=f"long/{n}", rig="long", phase=n, needs=f, opens_utc_ns=at(o),
                due_utc_ns=at(a), closes_utc_ns=at(b),
            )
            for n, a, b, f, o in PHASES
        ),
        frames=tuple(sorted((*frames, wide), key=lambda f: (f.due_utc_ns, f.frame_id))), cues=(),
    )  # fmt: skip


class Day:
    """The day, and what a run that goes well writes of it."""

    def __init__(self) -> None:
        self.timeline = _timeline()
        self.at = at

    def record(self, kind: Kind, seconds: float, **fields: object) -> Record:
        return {"kind": kind.value, "at_utc_ns": int(at(seconds)), **fields}

    def frame(self, frame_id: str) -> Frame:
        return next(frame for frame in self.timeline.frames if frame.frame_id == frame_id)

    def said(self, seconds: float, state: str, rig: str | None = None) -> Record:
        return self.record(Kind.FILTER_SAID, seconds, rig=rig, state=state)

    def intent(self, frame_id: str, seconds: float, **changes: object) -> Record:
        frame = self.frame(frame_id)
        fields: Record = {
            "frame_id": frame_id, "rig": frame.rig, "due_utc_ns": int(frame.due_utc_ns),
            "exposure_s": frame.settings.exposure_s, "f_number": frame.settings.f_number, "iso": frame.settings.iso,
        }  # fmt: skip
        return self.record(Kind.FRAME_INTENT, seconds, **{**fields, **changes})

    def fired(self, frame_id: str, released: float, **changes: object) -> Record:
        frame = self.frame(frame_id)
        fields: Record = {
            "frame_id": frame_id, "rig": frame.rig, "due_utc_ns": int(frame.due_utc_ns),
            "released_utc_ns": int(at(released)), "reported_utc_ns": int(at(released + 0.5)),
            "file_name": f"/card/{frame_id.replace('/', '-')}.raw", "words": {}, "differs": [],
            "read_back": {
                "exposure_s": frame.settings.exposure_s, "f_number": frame.settings.f_number, "iso": frame.settings.iso,
            },
        }  # fmt: skip
        end = released + frame.settings.exposure_s + 0.3
        return self.record(Kind.FRAME_FIRED, end, **{**fields, **changes})

    def missed(self, frame_id: str, seconds: float, reason: str = "late") -> Record:
        rig = self.frame(frame_id).rig
        return self.record(Kind.FRAME_MISSED, seconds, frame_id=frame_id, rig=rig, reason=reason, detail="")

    def ended(
        self, seconds: float = 300, fired: int = 8, missed: int = 0, failed: int = 0, unknown: int = 0
    ) -> Record:
        return self.record(
            Kind.RUN_ENDED,
            seconds,
            outcome="finished",
            fired=fired,
            missed=missed,
            failed=failed,
            unknown=unknown,
        )

    def good(self) -> list[Record]:
        """Return the records of a run without a fault; every frame opens 4 ms after its due instant."""
        records = [
            self.record(
                Kind.RUN_BEGAN, -40, title=self.timeline.title, mode="rehearsal", operator="script",
                cameras={"long": "Simulated body", "wide": "Simulated body"}, clock="virtual time",
                contacts_note="Invented contacts for a test.", versions={},
                plan_sha256=hashlib.sha256(b"plan").hexdigest(), timeline_sha256=self.timeline.digest(),
            ),
            self.record(Kind.CAMERA_READY, -39, rig="long", model="Simulated body"),
            self.record(Kind.CAMERA_READY, -39, rig="wide", model="Simulated body"),
        ]  # fmt: skip
        for hold, said in zip(self.timeline.holds, (-20, 86.5, 238), strict=True):
            opened = (hold.opens_utc_ns - T0_NS) / 1e9
            late = max(0.0, said - (hold.due_utc_ns - T0_NS) / 1e9)
            who = {"hold_id": hold.hold_id, "rig": hold.rig, "needs": hold.needs.value}
            records += [
                self.record(Kind.HOLD_OPENED, opened, **who),
                self.said(said, hold.needs.value),
                self.record(Kind.HOLD_PASSED, said, **who, late_s=late),
            ]
        for frame in self.timeline.frames:
            due = (frame.due_utc_ns - T0_NS) / 1e9
            records += [self.intent(frame.frame_id, due - 1.5), self.fired(frame.frame_id, due + 0.004)]
        return [*self.numbered(records), {**self.ended(), "seq": len(records) + 1}]

    @staticmethod
    def numbered(records: list[Record]) -> list[Record]:
        """Return the records in the order of their instants, numbered."""
        ordered = sorted(records, key=lambda record: record["at_utc_ns"])
        return [{**record, "seq": number} for number, record in enumerate(ordered, start=1)]

    def write(self, base: Path, records: list[Record]) -> Path:
        """Write a run's folder with these records and return its path."""
        began = int(at(-40))
        folder = RunFolder.create(base, self.timeline.title, b"plan", self.timeline, started_utc_ns=began)
        with JournalWriter.create(folder.path) as writer:
            for record in records:
                fields = {
                    key: value for key, value in record.items() if key not in ("kind", "at_utc_ns", "seq")
                }
                writer.append(Kind(record["kind"]), record["at_utc_ns"], **fields)
        return folder.path


@pytest.fixture
def day() -> Day:
    """Return the invented day."""
    return Day()


@pytest.fixture
def replaced() -> Callable[..., list[Record]]:
    """Return a function that gives records with those of one frame and kind changed (None: taken out)."""

    def change(records: list[Record], kind: Kind, frame_id: str, new: Record | None) -> list[Record]:
        changed = []
        for record in records:
            if record["kind"] != kind or record.get("frame_id") != frame_id:
                changed.append(record)
            elif new is not None:
                changed.append({**record, **new})
        assert changed != records
        return changed

    return change
