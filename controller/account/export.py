"""The account for other programs: a JSON object, and a CSV with one line a frame."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

from controller.account.model import Account, FrameAccount, hold_words
from controller.account.text import verdict_lines
from controller.errors import JournalError
from controller.units import utc_iso

CSV_COLUMNS = (
    "frame_id", "rig", "phase", "shot", "take", "step", "wanted", "due_utc", "released_utc", "error_ms",
    "state", "reason", "detail", "asked_exposure_s", "asked_f_number", "asked_iso",
    "read_back_exposure_s", "read_back_f_number", "read_back_iso", "differs", "file_name",
)  # fmt: skip
"""The columns of the CSV. Times are UTC (ISO 8601), `error_ms` is released minus due."""

_UTC_DIGITS = 6


def to_json_dict(account: Account) -> dict[str, Any]:
    """Return the account as JSON values: times in UTC (ISO 8601), units in the key names."""
    line = account.timeline
    return {
        "title": line.title,
        "folder": account.folder.name,
        "mode": account.mode,
        "operator": account.operator,
        "outcome": account.outcome or None,
        "verdict": verdict_lines(account),
        "journal": {"state": account.journal_state.value, "line": account.journal_line},
        "contradictions": list(account.contradictions),
        "totals": {"planned": len(account.frames)} | {_key(end): n for end, n in account.ends.items()},
        "shots": [
            {
                "rig": shot.rig,
                "phase": shot.phase,
                "shot": shot.shot,
                "wanted": shot.wanted.value,
                "planned": shot.planned,
                **{_key(end): count for end, count in shot.ends.items()},
                "reasons": dict(shot.reasons),
            }
            for shot in account.shots
        ],
        "timing": [
            {
                "rig": row.rig,
                "frames": row.count,
                "mean_ms": row.mean_ms,
                "rms_ms": row.rms_ms,
                "worst_ms": row.worst_ms,
                "worst_frame_id": row.worst_frame_id,
            }
            for row in account.timing
        ],
        "holds": [
            {
                "hold_id": hold.hold_id,
                "rig": hold.rig,
                "needs": hold.needs.value,
                "due_utc": _iso(hold.due_utc_ns),
                "asked_utc": _iso(hold.asked_utc_ns),
                "said_utc": _iso(hold.said_utc_ns),
                "late_s": hold.late_s,
                "asked_again": hold.asked_again,
                "expired": hold.expired,
                "words": hold_words(hold),
            }
            for hold in account.holds
        ],
        "troubles": [
            {
                "at_utc": _iso(one.at_utc_ns),
                "rig": one.rig,
                "what": one.what,
                "outage_s": one.outage_s,
                "over": one.over,
                "frames": dict(one.frames),
            }
            for one in account.troubles
        ],
        "clouds": [
            {"from_utc": _iso(one.from_utc_ns), "until_utc": _iso(one.until_utc_ns)} for one in account.clouds
        ],
        "happenings": [
            {"at_utc": _iso(h.at_utc_ns), "kind": h.kind.value, "rig": h.rig, "text": h.text}
            for h in sorted([*account.words, *account.happenings], key=lambda h: h.at_utc_ns)
        ],
        "settings_not_confirmed": [
            {"frame_id": c.frame_id, "setting": c.name, "asked": c.asked, "read_back": c.read_back}
            for c in account.unconfirmed
        ],
        "contacts_utc": {name.value: _iso(at) for name, at in line.contacts_utc_ns.items()},
        "contacts_uncertainty_s": line.contacts_uncertainty_s,
        "contacts_note": account.contacts_note,
        "clock": account.clock,
        "cameras": dict(account.cameras),
        "versions": dict(account.versions),
        "plan_sha256": account.plan_sha256,
        "site": {
            "name": line.site_name,
            "latitude_deg": line.latitude_deg,
            "longitude_deg": line.longitude_deg,
            "elevation_m": line.elevation_m,
            "time_zone": line.time_zone,
        },
        "frames": [frame_row(frame) for frame in account.frames],
    }


def frame_row(account: FrameAccount) -> dict[str, Any]:
    """Return one frame under the names of `CSV_COLUMNS`; None where nothing is known."""
    frame, read_back = account.frame, account.read_back or {}
    error = account.error_ms
    return {
        "frame_id": frame.frame_id,
        "rig": frame.rig,
        "phase": frame.phase,
        "shot": frame.shot,
        "take": frame.take,
        "step": frame.step,
        "wanted": frame.wanted.value,
        "due_utc": _iso(account.due_utc_ns),
        "released_utc": _iso(account.released_utc_ns),
        "error_ms": None if error is None else round(error, 3),
        "state": account.end.value,
        "reason": account.reason,
        "detail": account.detail,
        "asked_exposure_s": frame.settings.exposure_s,
        "asked_f_number": frame.settings.f_number,
        "asked_iso": frame.settings.iso,
        "read_back_exposure_s": read_back.get("exposure_s"),
        "read_back_f_number": read_back.get("f_number"),
        "read_back_iso": read_back.get("iso"),
        "differs": " ".join(check.name for check in account.unconfirmed),
        "file_name": account.file_name,
    }


def write_csv(account: Account, path: Path) -> None:
    """Write one line a frame (UTF-8, RFC 4180); nothing is written where nothing is known.

    Raises:
        JournalError: if the file cannot be written.
    """
    try:
        with path.open("w", encoding="utf-8", errors="backslashreplace", newline="") as file:
            writer = csv.DictWriter(file, CSV_COLUMNS)
            writer.writeheader()
            writer.writerows(frame_row(frame) for frame in account.frames)
    except OSError as error:
        raise JournalError(
            f"{path}: the table cannot be written ({error.strerror}). Mend: give another path."
        ) from error


def _key(end: str) -> str:
    return end.replace(" ", "_")


def _iso(instant_ns: int | None) -> str | None:
    return None if instant_ns is None else utc_iso(instant_ns, _UTC_DIGITS)
