"""The sample plans at their real contacts: sensible numbers of frames, and totality used well."""

from __future__ import annotations

from collections import Counter
from functools import cache
from pathlib import Path

import pytest

from controller.cli.prepare import prepare
from controller.timeline.compile import Compiled
from controller.timeline.model import Frame, Phase
from controller.units import NS_PER_S, ContactName, FilterState, seconds_to_ns

FOLDER = Path(__file__).parents[2] / "sample_plans"
NAMES = [path.stem for path in sorted(FOLDER.glob("*.yaml"))]


@cache
def sample(name: str) -> Compiled:
    """A sample plan, compiled at the contacts of its own site."""
    return prepare(FOLDER / f"{name}.yaml").compiled


def frames_in(done: Compiled, phase: Phase) -> list[Frame]:
    """The frames of one rig in one phase."""
    return [f for f in done.timeline.frames if (f.rig, f.phase) == (phase.rig, phase.name)]


@pytest.mark.parametrize("name", NAMES)
def test_every_phase_has_frames_and_no_shot_is_lost(name: str) -> None:
    """Each shot of each phase is there, no warning but that of the horizon is given, and the card holds it all."""
    done = sample(name)
    assert all(frames_in(done, phase) for phase in done.timeline.phases)
    assert all("horizon" in fault.what for fault in done.warnings)
    assert len(done.timeline.frames) < 1000


def test_frames_of_the_total_sample() -> None:
    """Every two minutes of the partial phases one crescent; in totality each shot as often as the plan says."""
    done = sample("total_2027")
    count = Counter((frame.phase, frame.shot) for frame in done.timeline.frames)
    for phase in done.timeline.phases:
        if phase.filter_need is FilterState.ON:
            minutes = (phase.ends_utc_ns - phase.starts_utc_ns) / NS_PER_S / 60
            assert count[phase.name, "crescents"] == int(minutes / 2) + 1
    assert count["totality", "corona"] == 12
    assert count["totality", "first beads"] == 6
    assert count["totality", "corona again"] > 150


@pytest.mark.parametrize(
    ("name", "share"), [("total_2027", 0.90), ("two_rigs_2026", 0.85), ("fixed_tripod_2028", 0.97)]
)
def test_totality_is_used(name: str, share: float) -> None:
    """Of the unfiltered phase the camera is busy for nearly all the time, and idle for 5 s at most at once."""
    done = sample(name)
    (phase,) = [p for p in done.timeline.phases if p.filter_need is FilterState.OFF]
    frames = frames_in(done, phase)
    assert sum(f.slot_ns for f in frames) > share * (phase.ends_utc_ns - phase.starts_utc_ns)
    ends = [phase.starts_utc_ns, *(f.due_utc_ns + f.slot_ns for f in frames)]
    starts = [*(f.due_utc_ns for f in frames), phase.ends_utc_ns]
    assert max(start - end for start, end in zip(starts, ends, strict=True)) < 5 * NS_PER_S


@pytest.mark.parametrize("name", ["total_2027", "two_rigs_2026", "fixed_tripod_2028"])
def test_no_long_exposure_meets_the_photosphere(name: str) -> None:
    """HF-S03: unfiltered exposures longer than 1/25 s lie between C2 and C3, at least 3 s from either."""
    line = sample(name).timeline
    c2, c3 = line.contacts_utc_ns[ContactName.C2], line.contacts_utc_ns[ContactName.C3]
    long_ones = [
        f for f in line.frames if f.filter_need is FilterState.OFF and f.settings.exposure_s > 1 / 25
    ]
    assert len(long_ones) > 30
    for frame in long_ones:
        assert frame.due_utc_ns >= c2 + 3 * NS_PER_S
        assert frame.due_utc_ns + seconds_to_ns(frame.settings.exposure_s) <= c3 - 3 * NS_PER_S


@pytest.mark.parametrize("name", ["annular_2028", "partial_2027"])
def test_samples_without_totality_keep_the_filter_on(name: str) -> None:
    """HF-S07: in the annular and the partial sample every frame and every hold needs the filter on."""
    line = sample(name).timeline
    assert line.unfiltered_from_utc_ns is None
    assert {f.filter_need for f in line.frames} == {h.needs for h in line.holds} == {FilterState.ON}
