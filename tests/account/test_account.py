"""The account of a run, from hand-made journals: every frame, every sum, and nothing glossed over."""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from controller.account.export import CSV_COLUMNS, to_json_dict, write_csv
from controller.account.model import REASON_WORDS, Account, FrameEnd, hold_words, make_account
from controller.account.text import to_text, verdict_lines
from controller.cameras.protocol import MissReason
from controller.errors import JournalError
from controller.journal.reading import JournalState
from controller.journal.records import Kind

Record = dict[str, Any]
Replaced = Callable[..., list[Record]]


def _ends(account: Account) -> dict[str, int]:
    return {end.value: count for end, count in account.ends.items() if count}


def _adds_up(account: Account) -> None:
    planned = len(account.timeline.frames)
    assert (
        len(account.frames) == sum(account.ends.values()) == sum(s.planned for s in account.shots) == planned
    )


def _mixed(day: Any, replaced: Replaced) -> list[Record]:
    """Return the records of a closed run with one frame of every end, and settings that differ."""
    good = day.good()[:-1]
    records = replaced(good, Kind.FRAME_FIRED, "long/0004", None)
    records = replaced(records, Kind.FRAME_FIRED, "long/0005", None)
    records = [r for r in records if r.get("frame_id") != "long/0006"]
    read_back = {"exposure_s": 0.0005, "f_number": None, "iso": 100}
    records = replaced(
        records, Kind.FRAME_FIRED, "long/0003", {"read_back": read_back, "differs": ["exposure", "f_number"]}
    )
    return [
        *day.numbered(
            [
                *records,
                day.record(
                    Kind.FRAME_FAILED,
                    152,
                    frame_id="long/0004",
                    rig="long",
                    code=-110,
                    detail="I/O in progress",
                ),
                day.record(
                    Kind.FRAME_UNKNOWN, 153, frame_id="long/0005", rig="long", detail="no word in 10 s"
                ),
                day.missed("long/0006", 154, MissReason.REFIT),
            ]
        ),
        day.ended(fired=5, missed=1, failed=1, unknown=1),
    ]


def test_good_run(day: Any, tmp_path: Path) -> None:
    """A faultless run: every frame fired, every must shot got, nothing contradicts."""
    account = make_account(day.write(tmp_path, day.good()))
    assert _ends(account) == {"fired": 8}
    assert account.contradictions == ()
    assert account.journal_state is JournalState.CLOSED
    assert verdict_lines(account) == [
        "8 of 8 frames fired; every must shot got.",
        "Nothing missed, failed or unknown.",
        f"Journal intact: {len(day.good())} records, closed (finished). No contradictions.",
    ]
    _adds_up(account)


def test_every_end(day: Any, tmp_path: Path, replaced: Replaced) -> None:
    """HF-S24: fired, missed, failed and unknown are told apart, by frame and by shot, and add up."""
    account = make_account(day.write(tmp_path, _mixed(day, replaced)))
    assert account.contradictions == ()
    assert _ends(account) == {"fired": 5, "missed": 1, "failed": 1, "unknown": 1}
    corona = next(shot for shot in account.shots if shot.shot == "corona")
    assert [corona.ends[end] for end in FrameEnd] == [0, 1, 1, 1, 0]
    assert corona.reasons == {
        "the camera failed (code -110)": 1,
        "no word came from the camera": 1,
        "no room after refit": 1,
    }
    assert verdict_lines(account)[:2] == [
        "5 of 8 frames fired; MUST SHOTS NOT WHOLE: corona on long (0 of 3).",
        "1 missed: no room after refit 1; 1 failed; 1 unknown.",
    ]
    _adds_up(account)


def test_cut_at_every_record(day: Any, tmp_path: Path) -> None:
    """HF-S24: cut after any record, every frame has one end, and an intent without outcome is unknown."""
    good = day.good()
    for length in range(1, len(good)):
        account = make_account(day.write(tmp_path, good[:length]))
        intents = {r["frame_id"] for r in good[:length] if r["kind"] == Kind.FRAME_INTENT}
        fired = {r["frame_id"] for r in good[:length] if r["kind"] == Kind.FRAME_FIRED}
        assert account.ends == {
            FrameEnd.FIRED: len(fired),
            FrameEnd.MISSED: 0,
            FrameEnd.FAILED: 0,
            FrameEnd.UNKNOWN: len(intents - fired),
            FrameEnd.NOT_REACHED: 8 - len(intents),
        }
        assert account.contradictions == ()
        assert account.journal_state is JournalState.OPEN
        assert "not closed" in verdict_lines(account)[2]
        _adds_up(account)


def test_torn_journal(day: Any, tmp_path: Path) -> None:
    """A torn journal gives an account of what is whole, and says that it is torn."""
    path = day.write(tmp_path, day.good()) / "journal.jsonl"
    path.write_bytes(path.read_bytes()[:-50])
    account = make_account(path)
    assert account.journal_state is JournalState.TORN
    assert "Journal torn: " in to_text(account)
    assert _ends(account) == {"fired": 8}


def test_altered_journal_is_loud(day: Any, tmp_path: Path) -> None:
    """HF-S20: an altered journal says so in the verdict, names the line, and counts nothing after it."""
    path = day.write(tmp_path, day.good()) / "journal.jsonl"
    lines = path.read_bytes().splitlines(keepends=True)
    index = next(i for i, line in enumerate(lines) if b'"frame_fired"' in line and b"long/0004" in line)
    lines[index] = lines[index].replace(b"long-0004", b"long-0009")
    path.write_bytes(b"".join(lines))
    account = make_account(path.parent)
    assert account.journal_state is JournalState.ALTERED
    assert verdict_lines(account)[0].startswith(
        f"DO NOT TRUST THIS ACCOUNT. JOURNAL ALTERED: line {index + 1}: "
    )
    assert _ends(account) == {"fired": 3, "unknown": 2, "not reached": 3}
    assert "DO NOT TRUST THIS ACCOUNT" in to_text(account).split("Shots")[0]
    _adds_up(account)


def test_changed_timeline_is_loud(day: Any, tmp_path: Path) -> None:
    """HF-S20: an account against another timeline than the run's own says so in the verdict."""
    folder = day.write(tmp_path, day.good())
    path = folder / "timeline.json"
    path.write_bytes(path.read_bytes().replace(b"Two rigs", b"Six rigs"))
    account = make_account(folder)
    assert account.journal_state is JournalState.ALTERED
    assert verdict_lines(account)[0].startswith(
        "DO NOT TRUST THIS ACCOUNT. RUN ALTERED: timeline.json is not the file the run began with."
    )


def test_contradictions_are_in_verdict_and_text(day: Any, tmp_path: Path, replaced: Replaced) -> None:
    """HF-S24: a contradiction is counted in the verdict and told in full."""
    records = replaced(day.good(), Kind.FRAME_INTENT, "long/0004", None)
    account = make_account(day.write(tmp_path, records))
    assert "1 CONTRADICTION FOUND, see below." in verdict_lines(account)[0]
    text = to_text(account, 100)
    assert "CONTRADICTIONS: this run did not go as" in text
    assert "frame long/0004 ended as fired and no intent stands before it (HF-S09)." in text
    assert to_json_dict(account)["contradictions"] == list(account.contradictions)


def test_timing(day: Any, tmp_path: Path, replaced: Replaced) -> None:
    """Mean, rms and worst of released minus due, against the arithmetic done here by hand."""
    records = replaced(day.good(), Kind.FRAME_FIRED, "long/0004", {"released_utc_ns": int(day.at(150.1))})
    records = replaced(records, Kind.FRAME_FIRED, "long/0003", {"released_utc_ns": int(day.at(97.9))})
    account = make_account(day.write(tmp_path, records))
    long, wide = account.timing
    assert (long.rig, long.count) == ("long", 7)
    assert long.mean_ms == pytest.approx((5 * 4 + 100 - 100) / 7)
    assert long.rms_ms == pytest.approx(math.sqrt((5 * 4**2 + 100**2 + 100**2) / 7))
    assert abs(long.worst_ms) == pytest.approx(100)
    assert long.worst_frame_id in ("long/0003", "long/0004")
    assert (wide.count, wide.mean_ms, wide.worst_ms) == (1, pytest.approx(4), pytest.approx(4))


def test_moved_frame_is_timed_by_its_new_due(day: Any, tmp_path: Path, replaced: Replaced) -> None:
    """The error of a frame that a refit moved is against the new due instant."""
    due = int(day.at(170))
    moved = day.record(
        Kind.FRAME_MOVED, 90, frame_id="long/0003", rig="long", due_utc_ns=due, was_utc_ns=int(day.at(98))
    )
    records = replaced(
        day.good()[:-1], Kind.FRAME_INTENT, "long/0003", {"due_utc_ns": due, "at_utc_ns": due - 10**9}
    )
    fired = {"due_utc_ns": due, "released_utc_ns": due + 2_000_000, "at_utc_ns": due + 10**9}
    records = replaced(records, Kind.FRAME_FIRED, "long/0003", fired)
    account = make_account(day.write(tmp_path, [*day.numbered([*records, moved]), day.ended()]))
    frame = next(f for f in account.frames if f.frame.frame_id == "long/0003")
    assert (frame.due_utc_ns, frame.error_ms) == (due, 2.0)
    assert account.contradictions == ()


def test_holds(day: Any, tmp_path: Path) -> None:
    """Each hold: when it was asked, when it was said, and how late."""
    account = make_account(day.write(tmp_path, day.good()))
    asked_said = [(h.asked_utc_ns, h.said_utc_ns, h.late_s) for h in account.holds]
    assert asked_said == [
        (day.at(-30), day.at(-20), 0.0),
        (day.at(80), day.at(86.5), 1.5),
        (day.at(235), day.at(238), 0.0),
    ]
    assert [hold_words(h) for h in account.holds] == [
        "said 20.0 s ahead",
        "said 1.5 s late",
        "said 7.0 s ahead",
    ]


def test_holds_that_nobody_answered(day: Any, tmp_path: Path) -> None:
    """A hold never said, one still open, one not reached, one reopened and one asked anew after a restart."""
    who = {"hold_id": "long/dark", "rig": "long", "needs": "off"}
    anew = {"hold_id": "long/crescent/again", "rig": "long", "needs": "on"}
    records = [
        *day.good()[:4],
        day.said(-20, "on"),
        day.record(Kind.HOLD_PASSED, -20, hold_id="long/crescent", rig="long", needs="on", late_s=0),
        day.said(-15, "off"),
        day.record(Kind.HOLD_OPENED, -15, hold_id="long/crescent", rig="long", needs="on"),
        day.record(Kind.HOLD_OPENED, 20, **who),
        day.record(Kind.HOLD_EXPIRED, 240, **who),
        day.record(Kind.HOLD_OPENED, 241, **anew),
    ]
    account = make_account(day.write(tmp_path, records))
    assert [hold_words(h) for h in account.holds] == [
        "said 20.0 s ahead; asked again once",
        "NEVER SAID",
        "not asked",
        "asked, not said when the journal ends",
    ]


def test_settings_are_never_taken_on_trust(day: Any, tmp_path: Path, replaced: Replaced) -> None:
    """Every setting that differs or was not confirmed is listed, also where the record names no difference."""
    account = make_account(day.write(tmp_path, _mixed(day, replaced)))
    found = [(c.frame_id, c.name, c.asked, c.read_back) for c in account.unconfirmed]
    assert found == [("long/0003", "exposure", 0.001, 0.0005), ("long/0003", "f_number", 8.0, None)]
    text = to_text(account)
    assert "long: exposure asked 1/1000 s, read back 1/2000 s: 1 frame (long/0003)" in text
    assert "long: f-number asked f/8, not confirmed by the camera: 1 frame (long/0003)" in text
    silent = replaced(
        day.good(),
        Kind.FRAME_FIRED,
        "long/0005",
        {"read_back": {"exposure_s": 0.125, "f_number": 8.5, "iso": 400}},
    )
    account = make_account(day.write(tmp_path, silent))
    # 8.5 against 8 is 0.17 stops, 400 against 100 two; 1/6 stop is 0.167
    assert [(c.name, c.read_back) for c in account.unconfirmed] == [("f_number", 8.5), ("iso", 400)]
    assert "All settings of the 8 fired frames read back as asked." in to_text(
        make_account(day.write(tmp_path, day.good()))
    )


def test_difference_named_by_the_camera_counts(day: Any, tmp_path: Path, replaced: Replaced) -> None:
    """A setting that the camera's driver calls different is listed however near its number is."""
    read_back = {"exposure_s": 0.00095, "f_number": 8.0, "iso": 100}
    records = replaced(
        day.good(), Kind.FRAME_FIRED, "long/0003", {"read_back": read_back, "differs": ["exposure"]}
    )
    account = make_account(day.write(tmp_path, records))
    assert [(c.frame_id, c.name) for c in account.unconfirmed] == [("long/0003", "exposure")]


def test_first_end_counts(day: Any, tmp_path: Path) -> None:
    """HF-S10: of two ends of one frame the first counts, and the second is a contradiction."""
    records = day.numbered([*day.good()[:-1], day.missed("long/0004", 170)])
    account = make_account(day.write(tmp_path, records))
    assert _ends(account) == {"fired": 8}
    assert "ended twice: fired, then missed" in account.contradictions[0]
    _adds_up(account)


def test_text_tells_the_whole_story(day: Any, tmp_path: Path, replaced: Replaced) -> None:
    """The text holds verdict, shots, misses in words, timing, holds, happenings and contacts in that order."""
    happenings = [
        day.record(Kind.CAMERA_LOST, 30, rig="long", detail="cable out"),
        day.record(Kind.CAMERA_READY, 35, rig="long", model="Simulated body"),
        day.record(Kind.CLOCK_STEPPED, 40, step_s=2.5),
        day.record(
            Kind.REFITTED, 82, rig="long", phase="dark", moved=2, lost=1, why="the word on the filter"
        ),
        day.record(Kind.NOTE, 50, text="wind"),
    ]
    mixed = _mixed(day, replaced)
    account = make_account(day.write(tmp_path, [*day.numbered([*mixed[:-1], *happenings]), mixed[-1]]))
    text = " ".join(to_text(account).split())
    order = [
        "Rehearsal: Two rigs on the ridge",
        "5 of 8 frames fired",
        "Shots",
        "What went wrong, in order",
        "11:00:30.0 long: camera lost: cable out; over after 5.0 s; no frame lost",
        "11:00:40.0 the computer's clock stepped by +2.500 s; firing went on by the steady clock; no frame lost",
        "11:01:26.5 long: the word that the filter is off came 1.5 s late; no frame lost",
        "What was not got, and why",
        "1 failed: corona on long, due 11:02:30.0 (long/0004): the camera failed (code -110) (I/O in progress)",
        "1 unknown: corona on long",
        "1 missed: corona on long, due 11:02:34.0 (long/0006): no time was left for it after the refit",
        "Release timing",
        "Holds and words",
        "said 1.5 s late",
        "Settings asked against read back",
        "11:00:30.0 camera of long lost: cable out",
        "11:00:40.0 the computer's clock stepped by 2.5 s",
        "11:00:50.0 wind",
        "11:01:22.0 dark on long refitted: 2 frames moved, 1 lost (the word on the filter)",
        "Contacts at Ridge: total eclipse",
        "C2 2027-08-02T08:01:40.0Z local 11:01:40.0",
        "Invented contacts for a test.",
        "Clock: virtual time",
        "came from a script, not from a person",
    ]
    reached = 0
    for part in order:
        reached = text.find(part, reached)
        assert reached >= 0, part


@pytest.mark.parametrize("width", [60, 80, 120])
def test_text_keeps_to_its_width(day: Any, tmp_path: Path, replaced: Replaced, width: int) -> None:
    """No line is wider than asked, and there is no colour code in it."""
    text = to_text(make_account(day.write(tmp_path, _mixed(day, replaced))), width)
    assert max(len(line) for line in text.splitlines()) <= width
    assert "\x1b" not in text
    for number in ("long/0004", "no word in 10 s"):
        assert number in text


def test_strange_text_does_no_harm(day: Any, tmp_path: Path) -> None:
    """Text from a camera or a plan is shown as it is: no markup, no terminal commands, no emoji names."""
    note = day.record(Kind.NOTE, 301, text="[red]not red[/red] :smile: \x1b[2Jwiped [/]\nand on")
    records = [*day.good()[:-1], note]
    text = to_text(make_account(day.write(tmp_path, records)), 120)
    assert "[red]not red[/red] :smile: \\x1b[2Jwiped [/]\\x0aand on" in text


def test_unknown_time_zone_gives_utc(day: Any, tmp_path: Path) -> None:
    """Where the zone is not known to the computer the times are UTC and marked so."""
    day.timeline = day.timeline.__class__(**{**vars(day.timeline), "time_zone": "Nowhere/Ridge"})
    text = to_text(make_account(day.write(tmp_path, day.good())))
    assert "local 08:01:40.0Z" in text


def test_json(day: Any, tmp_path: Path, replaced: Replaced) -> None:
    """The JSON object survives json, has UTC times, and its numbers are those of the journal."""
    account = make_account(day.write(tmp_path, _mixed(day, replaced)))
    data = json.loads(json.dumps(to_json_dict(account), allow_nan=False))
    assert data["totals"] == {
        "planned": 8,
        "fired": 5,
        "missed": 1,
        "failed": 1,
        "unknown": 1,
        "not_reached": 0,
    }
    assert data["contacts_utc"]["C2"] == "2027-08-02T08:01:40.000000Z"
    assert data["holds"][1]["said_utc"] == "2027-08-02T08:01:26.500000Z"
    assert data["journal"]["state"] == "intact"
    ring = next(frame for frame in data["frames"] if frame["frame_id"] == "long/0003")
    assert ring["released_utc"] == "2027-08-02T08:01:38.004000Z"
    assert (ring["error_ms"], ring["asked_exposure_s"], ring["read_back_exposure_s"]) == (4.0, 0.001, 0.0005)
    assert data["settings_not_confirmed"][1] == {
        "frame_id": "long/0003", "setting": "f_number", "asked": 8.0, "read_back": None
    }  # fmt: skip


def test_csv(day: Any, tmp_path: Path, replaced: Replaced) -> None:
    """The CSV has one line a frame in the timeline's order, and empty cells where nothing is known."""
    account = make_account(day.write(tmp_path, _mixed(day, replaced)))
    path = tmp_path / "frames.csv"
    write_csv(account, path)
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert tuple(rows[0]) == CSV_COLUMNS
    assert [row["frame_id"] for row in rows] == [frame.frame_id for frame in day.timeline.frames]
    by_id = {row["frame_id"]: row for row in rows}
    assert by_id["long/0003"]["state"] == "fired"
    assert by_id["long/0003"]["differs"] == "exposure f_number"
    assert by_id["long/0003"]["file_name"] == "/card/long-0003.raw"
    lost = by_id["long/0006"]
    assert (lost["state"], lost["reason"], lost["released_utc"], lost["read_back_iso"]) == (
        "missed", "no room after refit", "", ""
    )  # fmt: skip
    with pytest.raises(JournalError, match="cannot be written"):
        write_csv(account, tmp_path / "nowhere" / "frames.csv")


def test_no_run(tmp_path: Path) -> None:
    """A folder that holds no run gives one clear line."""
    with pytest.raises(JournalError, match="no folder of a run"):
        make_account(tmp_path)


def test_every_reason_has_words() -> None:
    """Every reason that a camera layer can give is told in words."""
    assert set(REASON_WORDS) == set(MissReason)
