"""Eight cameras in one run: each with its own filter word, none waiting for another's trouble.

Live, with a process a camera and a pretended clock, and in virtual time. No test looks at how long
anything took; what is compared is one camera with another in the same run.
"""

from __future__ import annotations

import hashlib
import statistics
import threading
from collections.abc import Callable, Iterable
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest

from controller.account.model import Account, FrameEnd, make_account
from controller.cameras.clock import ClockEpoch, MonotonicClock
from controller.cameras.host import CameraProcess, CameraSpec
from controller.cameras.protocol import Camera, Clock
from controller.cameras.simulated import SimFault, SimFaultKind, SimulatedDevice
from controller.engine import messages as m
from controller.engine.engine import Engine
from controller.engine.view import RunView
from controller.gear.body import SIMULATED_BODY, CameraBody
from controller.journal.folder import RunFolder
from controller.journal.writing import JournalWriter
from controller.live import driver
from controller.live.driver import LiveRun
from controller.simulate.driver import Simulation
from controller.timeline.model import Frame, Timeline
from controller.units import FilterState, UtcNs
from tests.engine.builder import OFF, ON, at, frame, rig_info, timeline

RIGS = tuple(f"rig {number}" for number in range(1, 9))
HUNG, DEAD, SLOW = "rig 2", "rig 5", "rig 7"
SOUND = tuple(rig for rig in RIGS if rig not in (HUNG, DEAD, SLOW))
BODY = replace(SIMULATED_BODY, frame_gap_s=0.1, setting_time_s=0.02, write_time_s=0.05)
BODIES: dict[str, CameraBody] = dict.fromkeys(RIGS, BODY) | {
    SLOW: replace(BODY, write_time_s=0.6, buffer_frames=2)
}
TROUBLES = {
    HUNG: (SimFault(kind=SimFaultKind.HANG, after_frames=3, for_s=3600),),
    DEAD: (SimFault(kind=SimFaultKind.LOST, at_utc_ns=at(0), for_s=3600),),
    SLOW: (SimFault(kind=SimFaultKind.SLOW_WRITE, after_frames=2, for_s=3600),),
}
FRAMES, EVERY_S = 20, 0.3


def day(frames: Iterable[Frame]) -> Timeline:
    """A day for the eight rigs."""
    return timeline(list(frames), rigs=tuple(rig_info(name) for name in RIGS))


def series(rig: str, first_due: float, count: int, number: int = 1, **more: Any) -> list[Frame]:
    """Frames of one rig, one after another; every rig has the same instants."""
    return [
        frame(number + i, first_due + EVERY_S * i, rig=rig, exposure_s=0.01, slot_s=0.15, **more)
        for i in range(count)
    ]


@dataclass
class Person:
    """In place of the operator's surface: says what the test wants when the test wants it."""

    look: Callable[[RunView, Callable[[FilterState, str | None], None]], None]

    def open(self, post: Callable[[m.Event], None], clock: Clock) -> None:
        """Begin."""
        self._post, self._clock = post, clock

    def show(self, view: RunView) -> None:
        """Look, and perhaps speak."""
        self.look(view, self._say)

    def close(self) -> None:
        """End."""

    def _say(self, state: FilterState, rig: str | None) -> None:
        self._post(m.FilterSaid(now_utc_ns=UtcNs(self._clock.now_ns()), rig=rig, state=state))


class Mute:
    """In place of the voice."""

    def say(self, text: str, urgent: bool, late_s: float = 0.0) -> None:
        """Say nothing."""


def play(tmp_path: Path, plan: Timeline, begins_s: float, person: Person, *, troubled: bool) -> Account:
    """Play a day with a process for each camera, to its end, and return its account."""
    epoch = ClockEpoch.pretended(at(begins_s))
    folder = RunFolder.create(tmp_path, "eight", b"plan", plan, started_utc_ns=at(begins_s))

    def starter(rig: str) -> Callable[[], CameraProcess]:
        spec = CameraSpec(
            rig=rig, driver="simulated", body=BODIES[rig] if troubled else BODY, release_lag_s=0.05,
            faults=TROUBLES.get(rig, ()) if troubled else (),
        )  # fmt: skip
        return lambda: CameraProcess(spec, epoch)

    with closing(JournalWriter.create(folder.path)) as journal:
        run = LiveRun(
            engine=Engine(plan), start_camera={rig: starter(rig) for rig in RIGS}, clock=MonotonicClock(epoch),
            journal=journal, surface=person, speaker=Mute(),
            facts={"plan_sha256": hashlib.sha256(b"plan").hexdigest(), "timeline_sha256": plan.digest()},
        )  # fmt: skip
        thread = threading.Thread(target=run.run, name="run", daemon=True)
        thread.start()
        thread.join(120)
        assert not thread.is_alive()
    account = make_account(folder.path)
    assert account.contradictions == ()
    return account


def ends(account: Account, rig: str) -> dict[FrameEnd, int]:
    """How the frames of a rig ended."""
    found: dict[FrameEnd, int] = {}
    for one in account.frames:
        if one.frame.rig == rig:
            found[one.end] = found.get(one.end, 0) + 1
    return found


def errors_ms(account: Account, rig: str) -> list[float]:
    """How far from their instants the frames of a rig were released."""
    return [one.error_ms for one in account.frames if one.frame.rig == rig and one.error_ms is not None]


@pytest.mark.waits
def test_three_cameras_in_trouble_cost_the_other_five_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One hangs, one is dead from the start, one writes slowly: the five others fire every frame, in time."""
    monkeypatch.setattr(driver, "CLOSING_S", 2.0)  # the hung one answers for nothing
    frames = [f for rig in RIGS for f in series(rig, 20, FRAMES, phase="partial in", need=ON, ends_by=80)]
    said = []

    def look(view: RunView, say: Callable[[FilterState, str | None], None]) -> None:
        if not said:
            said.append(True)
            say(ON, None)  # one word for all
        counted = sum(rig.fired + rig.missed + rig.failed for rig in view.rigs if rig.name in SOUND)
        if counted == FRAMES * len(SOUND) and len(said) == 1:
            said.append(True)
            person._post(m.StopAsked(now_utc_ns=view.now_utc_ns))

    person = Person(look)
    account = play(tmp_path, day(frames), 10, person, troubled=True)
    for rig in SOUND:
        assert ends(account, rig) == {FrameEnd.FIRED: FRAMES}
    assert ends(account, HUNG)[FrameEnd.FIRED] == 3
    assert FrameEnd.FIRED not in ends(account, DEAD)
    slow = ends(account, SLOW)
    assert 2 <= slow[FrameEnd.FIRED] < FRAMES
    assert {one.reason for one in account.frames if one.frame.rig == SLOW and one.reason} == {"buffer"}
    usual = statistics.median(abs(error) for rig in SOUND for error in errors_ms(account, rig)[:3])
    during = statistics.median(abs(error) for rig in SOUND for error in errors_ms(account, rig)[3:])
    assert during < usual + 100  # the first three frames were released before the hang


@pytest.mark.waits
def test_a_word_for_one_rig_lets_that_rig_fire_and_no_other(tmp_path: Path) -> None:
    """HF-S01: eight rigs wait for their filters; a word for one frees one, a later word for all the rest."""
    early = [f for rig in RIGS for f in series(rig, 102, 3)]
    late = [f for rig in RIGS for f in series(rig, 107, 3, number=11)]
    seen: list[str] = []

    def look(view: RunView, say: Callable[[FilterState, str | None], None]) -> None:
        by_name = {rig.name: rig for rig in view.rigs}
        if not seen and by_name["rig 4"].filter_asked is OFF:
            seen.append("one")
            say(OFF, "rig 4")
        if seen == ["one"] and all(rig.fired + rig.missed >= 3 for rig in view.rigs):
            seen.append("all")
            say(OFF, None)
        if seen == ["one", "all"] and all(rig.fired + rig.missed == 6 for rig in view.rigs):
            seen.append("over")
            person._post(m.StopAsked(now_utc_ns=view.now_utc_ns))

    person = Person(look)
    account = play(tmp_path, day([*early, *late]), 92, person, troubled=False)
    for rig in RIGS:
        first = [one.end for one in account.frames if one.frame.rig == rig and one.frame in early]
        then = [one.end for one in account.frames if one.frame.rig == rig and one.frame in late]
        assert first == [FrameEnd.FIRED if rig == "rig 4" else FrameEnd.MISSED] * 3, rig
        assert then == [FrameEnd.FIRED] * 3, rig
    assert {one.reason for one in account.frames if one.end is FrameEnd.MISSED} == {"held"}
    assert {hold.rig: hold.late_s > 0 for hold in account.holds if hold.needs is OFF} == {
        rig: rig != "rig 4" for rig in RIGS
    }


# --- in virtual time --------------------------------------------------------------------------


class Paper:
    """In place of the journal."""

    def __init__(self) -> None:
        self.records: list[dict[str, Any]] = []

    def append_many(self, records: list[Any]) -> None:
        """Keep them."""
        self.records += [
            {"kind": kind.value, "at_utc_ns": at_ns, **fields} for kind, at_ns, fields in records
        ]

    def of(self, rig: str) -> list[dict[str, Any]]:
        """The records of one rig."""
        return [record for record in self.records if record.get("rig") == rig]


def virtual(troubles: dict[str, tuple[SimFault, ...]], words: Iterable[m.Event]) -> Paper:
    """Play the eight rigs in virtual time with these words."""
    frames = [f for rig in RIGS for f in series(rig, 20, FRAMES, phase="partial in", need=ON, ends_by=80)]

    def opener(rig: str) -> Callable[[Clock], Camera]:
        devices: dict[int, SimulatedDevice] = {}
        return lambda clock: devices.setdefault(
            id(clock), SimulatedDevice(BODIES[rig], clock, faults=troubles.get(rig, ()))
        ).open()

    paper = Paper()
    Simulation(
        engine=Engine(day(frames)), cameras={rig: opener(rig) for rig in RIGS}, next_word=lambda *_: None,
        journal=paper, start_utc_ns=at(10), also=tuple(words),
    ).run()  # fmt: skip
    return paper


def fired(paper: Paper, rig: str) -> int:
    """How many frames a rig fired."""
    return sum(record["kind"] == "frame_fired" for record in paper.of(rig))


def test_trouble_changes_no_record_of_another_camera() -> None:
    """In virtual time each sound camera's records are the same, to the nanosecond, with three others in trouble."""
    word = m.FilterSaid(now_utc_ns=at(15), rig=None, state=ON)
    calm, rough = virtual({}, [word]), virtual(TROUBLES, [word])
    assert [fired(calm, rig) for rig in SOUND] == [FRAMES] * len(SOUND)
    for rig in SOUND:
        assert calm.of(rig) == rough.of(rig)
    assert fired(rough, HUNG) == 3
    assert fired(rough, DEAD) == 0
    assert fired(rough, SLOW) < fired(calm, SLOW)
    assert fired(calm, HUNG) == fired(calm, DEAD) == FRAMES


@pytest.mark.parametrize("rig", [RIGS[0], RIGS[7]])
def test_in_virtual_time_a_word_is_for_one_rig(rig: str) -> None:
    """HF-S06: with a word for one rig alone, that rig fires all its frames and seven fire none."""
    paper = virtual({}, [m.FilterSaid(now_utc_ns=at(15), rig=rig, state=ON)])
    assert {name: fired(paper, name) for name in RIGS} == {name: FRAMES * (name == rig) for name in RIGS}
