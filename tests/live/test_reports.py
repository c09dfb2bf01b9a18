"""What a worker reports, on its way into the journal."""

from __future__ import annotations

import math

from hypothesis import given
from hypothesis import strategies as st

from controller.cameras.protocol import Captured, Outcome, OutcomeState, Readback
from controller.journal.lines import encode_line
from controller.live.reports import events_of
from tests.engine.builder import ON, Bench, at, frame, timeline

NUMBERS = st.one_of(st.none(), st.floats(allow_nan=True, allow_infinity=True))


@given(st.text(), st.dictionaries(st.text(), st.text(), max_size=3), NUMBERS, NUMBERS)
def test_whatever_a_camera_says_can_be_written(
    name: str, words: dict[str, str], exposure_s: float | None, f_number: float | None
) -> None:
    """HF-S23: no text and no number of a camera makes a record that the journal refuses, and so ends the run."""
    bench = Bench(timeline([frame(1, 10, phase="partial in", need=ON, ends_by=80)]), obedient=False)
    bench.begin()
    bench.say(-20, ON)
    bench.run_to(9)
    outcome = Outcome(
        frame_id="long/0001",
        state=OutcomeState.FIRED,
        at_utc_ns=at(11),
        released_utc_ns=at(10),
        captured=Captured(file_name=name, reported_utc_ns=at(11)),
        readback=Readback(exposure_s=exposure_s, f_number=f_number, iso=100, words=words),
    )
    for event in events_of("long", outcome, at(11)):
        bench.feed(event)
    (record,) = bench.records("frame_fired")
    assert encode_line({"kind": record.kind, "at_utc_ns": record.at_utc_ns, **record.data})
    read = record.data["read_back"]
    assert read["exposure_s"] == (
        exposure_s if exposure_s is not None and math.isfinite(exposure_s) else None
    )
