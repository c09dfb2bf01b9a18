"""Small pictures of a live run: each rig's newest is looked at in its turn, beside the run, and nothing piles up."""

from __future__ import annotations

import queue
import threading

from controller.cameras.protocol import Captured, Outcome, OutcomeState
from controller.engine import messages as m
from controller.live.pictures import PictureWatch
from controller.units import UtcNs
from tests.engine.builder import at, frame, rig_info, timeline

PATIENCE_S = 30.0


def test_a_rig_whose_pictures_come_fast_keeps_no_other_waiting() -> None:
    """While one picture is looked at many come: then each rig's newest is, that which waited longest first."""
    frames = [frame(number, 110 + number, rig=rig) for rig in ("long", "wide") for number in range(10)]
    looking, go_on = threading.Event(), threading.Event()
    shown: list[tuple[str, int, bytes]] = []
    told: queue.SimpleQueue[m.Event] = queue.SimpleQueue()

    def show(rig: str, number: int, jpeg: bytes) -> None:
        shown.append((rig, number, jpeg))
        looking.set()
        assert go_on.wait(PATIENCE_S)

    watch = PictureWatch(timeline(frames, rigs=(rig_info("long"), rig_info("wide"))), {}, show=show)

    def take(rig: str, number: int) -> None:
        picture = Captured(file_name="a.jpg", reported_utc_ns=at(120), thumbnail=f"{rig} {number}".encode())
        frame_id = next(
            one.frame_id for one in frames if one.rig == rig and one.frame_id.endswith(f"{number}")
        )
        outcome = Outcome(
            frame_id=frame_id, state=OutcomeState.FIRED, at_utc_ns=at(120), released_utc_ns=at(119), captured=picture
        )  # fmt: skip
        watch.take(rig, outcome, lambda: at(121), told.put)

    take("wide", 0)
    assert looking.wait(PATIENCE_S)
    take("long", 1)
    for number in range(1, 8):
        take("wide", number)
    take("long", 2)
    go_on.set()
    seen = [told.get(timeout=PATIENCE_S) for _ in range(3)]
    watch.close()
    assert shown == [("wide", 1, b"wide 0"), ("long", 1, b"long 2"), ("wide", 2, b"wide 7")]
    assert {event.verdict for event in seen if isinstance(event, m.PictureSeen)} == {"cannot tell"}
    assert all(event.now_utc_ns == UtcNs(at(121)) for event in seen)
    assert told.empty()
