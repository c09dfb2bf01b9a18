"""What a camera's worker reports, as events for the engine. Shared by the live and the simulated run."""

from __future__ import annotations

import math
from collections.abc import Iterable

from controller.cameras.protocol import MissReason, Outcome, OutcomeState
from controller.cameras.worker import WORD_GRACE_S, Call, Lost, Opened, Preview, Report, StatusReport
from controller.engine import messages as m
from controller.timeline.model import Frame, RigInfo, Timeline
from controller.units import UtcNs, seconds_to_ns

REPLACE_PAUSE_S = 0.5
"""How long to wait before a camera's process is started again."""


def events_of(rig: str, report: Report, now_utc_ns: int) -> list[m.Event]:
    """Return the engine's events for one report of a rig's worker, heard at `now_utc_ns`."""
    now = UtcNs(now_utc_ns)
    match report:
        case Opened(facts=facts):
            status = m.CameraReport(
                now_utc_ns=now,
                rig=rig,
                battery_percent=facts.status.battery_percent,
                frames_left=facts.status.frames_left,
            )
            return [m.CameraReady(now_utc_ns=now, rig=rig, model=facts.model), status]
        case Lost(detail=detail):
            return [m.CameraLost(now_utc_ns=now, rig=rig, detail=detail)]
        case StatusReport(status=status_):
            return [
                m.CameraReport(
                    now_utc_ns=now,
                    rig=rig,
                    battery_percent=status_.battery_percent,
                    frames_left=status_.frames_left,
                )
            ]
        case Outcome():
            return _outcome(rig, report, now)
        case Preview():
            return []  # `controller.live.pictures` looks at it


def bounds(timeline: Timeline) -> dict[str, float]:
    """Return how long after an exposure each rig's camera may be silent, in seconds, for the first record."""
    return {rig.name: rig.word_within_s + WORD_GRACE_S for rig in timeline.rigs}


def ended(rig: RigInfo, owed: Iterable[Frame], call: Call | None, why: str, now_utc_ns: int) -> list[m.Event]:
    """Return the events of a camera process that has ended: its frames without an answer, then its loss.

    A frame that cannot have been released is missed; of any other nobody can know, and it failed. Where the
    process ended in a `call`, only the frame of that call can have been: it answers for one frame before it turns
    to the next.
    """
    now = UtcNs(now_utc_ns)
    events: list[m.Event] = []
    for frame in owed:
        early = now < frame.due_utc_ns - seconds_to_ns(rig.release_lag_s)
        if early or (call is not None and call.due_utc_ns != frame.due_utc_ns):
            events.append(
                m.FrameMissed(
                    now_utc_ns=now, frame_id=frame.frame_id, reason=MissReason.CAMERA.value, detail=why
                )
            )
        else:
            detail = f"{why}; whether it was exposed is not known"
            events.append(m.FrameFailed(now_utc_ns=now, frame_id=frame.frame_id, detail=detail))
    return [*events, m.CameraLost(now_utc_ns=now, rig=rig.name, detail=why)]


def _outcome(rig: str, outcome: Outcome, now: UtcNs) -> list[m.Event]:
    events: list[m.Event] = []
    if outcome.state is OutcomeState.FIRED:
        events.append(
            m.FrameFired(
                now_utc_ns=now,
                frame_id=outcome.frame_id,
                released_utc_ns=UtcNs(outcome.released_utc_ns or outcome.at_utc_ns),
                report=_fired_report(outcome),
            )
        )
    elif outcome.state is OutcomeState.MISSED:
        events.append(
            m.FrameMissed(
                now_utc_ns=now,
                frame_id=outcome.frame_id,
                reason=outcome.reason.value if outcome.reason else "camera",
                detail=outcome.detail,
            )
        )
    else:
        events.append(
            m.FrameFailed(now_utc_ns=now, frame_id=outcome.frame_id, detail=outcome.detail, code=outcome.code)
        )
    if outcome.camera_lost:
        events.append(m.CameraLost(now_utc_ns=now, rig=rig, detail=outcome.detail))
    return events


def _finite(number: float | None) -> float | None:
    """Return the number, or None: a camera that says "infinity" must not make a record impossible to write."""
    return number if number is not None and math.isfinite(number) else None


def _fired_report(outcome: Outcome) -> dict[str, object]:
    captured, readback = outcome.captured, outcome.readback
    report: dict[str, object] = {
        "file_name": captured.file_name if captured else None,
        "reported_utc_ns": captured.reported_utc_ns if captured else outcome.at_utc_ns,
    }
    if readback:
        report["read_back"] = {
            "exposure_s": _finite(readback.exposure_s),
            "f_number": _finite(readback.f_number),
            "iso": readback.iso,
        }
        report["words"] = dict(readback.words)
        report["differs"] = list(readback.differs)
    return report
