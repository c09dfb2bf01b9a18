"""The live driver when things break: the journal, the screen, the voice, a camera's process.

The camera processes are stand-ins that note what they are told; time is real and short.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Collection
from dataclasses import dataclass, field
from multiprocessing import Pipe
from pathlib import Path
from typing import Any

import pytest

from controller.cameras.clock import ClockEpoch, MonotonicClock
from controller.cameras.protocol import (
    CameraFacts,
    CameraStatus,
    Captured,
    Clock,
    MissReason,
    Outcome,
    OutcomeState,
)
from controller.cameras.worker import Call, CallKind, Opened
from controller.engine import messages as m
from controller.engine.engine import Engine
from controller.engine.states import FrameState
from controller.engine.view import RunView
from controller.errors import OperatorError
from controller.journal.records import Kind
from controller.journal.writing import JournalWriteError
from controller.live import driver
from controller.live.driver import LiveRun
from controller.timeline.model import Frame, Timeline
from controller.units import UtcNs
from tests.engine.builder import ON, at, frame, rig_info, timeline

DEADLINE_S = 20.0
"""No wait of these tests takes longer unless something is broken."""


class StandIn:
    """In place of a camera's process: notes what it is told, and says what the test wants said."""

    def __init__(self, log: list[tuple[str, str, object]], rig: str, *, simulated: bool = True) -> None:
        self.connection, self.theirs = Pipe()
        self.rig, self.log = rig, log
        self.given: list[Frame] = []
        self.ended, self.answers = False, True
        self.hangs: str | None = None
        self.owed_deadline_ns: int | None = None
        self.unkillable = False
        self.call: Call | None = None
        facts = CameraFacts(
            model="stand-in", port="none", shutter_s=(0.1,), f_numbers=(8.0,), isos=(100,),
            status=CameraStatus(), simulated=simulated,
        )  # fmt: skip
        self.theirs.send(Opened(facts))

    def send_hand_over(self, one: Frame) -> None:
        """Take a frame."""
        self.log.append((self.rig, "given", one.frame_id))
        self.given.append(one)

    def send_withdraw(self, frame_ids: Collection[str] | None, reason: MissReason) -> None:
        """Give frames back."""
        self.log.append((self.rig, "withdrawn", None if frame_ids is None else tuple(frame_ids)))
        for frame_id in frame_ids or () if self.answers else ():
            self.theirs.send(
                Outcome(
                    frame_id=frame_id, state=OutcomeState.MISSED, at_utc_ns=0, reason=reason, detail="told to"
                )
            )

    def close(self, timeout_s: float) -> None:
        """End."""
        self.log.append((self.rig, "closed", timeout_s))
        self.kill()

    def kill(self) -> bool:
        """End now, or wait in the kernel for ever."""
        if not self.ended and not self.unkillable:
            self.theirs.close()
        self.ended = True
        return not self.unkillable

    def hanging(self, owed_deadline_ns: int | None) -> str | None:
        """What it should have come back from by now."""
        self.owed_deadline_ns = owed_deadline_ns
        return self.hangs

    def fire(self, one: Frame) -> None:
        """Say that a frame exists."""
        self.theirs.send(
            Outcome(
                frame_id=one.frame_id, state=OutcomeState.FIRED, at_utc_ns=one.due_utc_ns,
                released_utc_ns=one.due_utc_ns, captured=Captured(file_name="a.jpg", reported_utc_ns=one.due_utc_ns),
            )
        )  # fmt: skip


class Screen:
    """In place of the console: says "filter is on" when it opens."""

    def __init__(self, log: list[tuple[str, str, object]]) -> None:
        self.log = log
        self.post: Callable[[m.Event], None] | None = None
        self.broken = False
        self.opens = True
        self.shown = 0

    def open(self, post: Callable[[m.Event], None], clock: Clock) -> None:
        """Begin, or refuse."""
        if not self.opens:
            raise OperatorError("no terminal")
        self.post = post
        post(m.FilterSaid(now_utc_ns=UtcNs(clock.now_ns()), rig=None, state=ON))

    def show(self, _view: RunView) -> None:
        """Show, or break."""
        self.shown += 1
        if self.broken:
            raise RuntimeError("broken screen")

    def close(self) -> None:
        """End."""
        self.log.append(("", "screen closed", None))


@dataclass
class Voice:
    """In place of the voice."""

    broken: bool = False

    def say(self, text: str, urgent: bool, late_s: float = 0.0) -> None:
        """Speak, or break."""
        if self.broken:
            raise RuntimeError(f"hoarse: {text} {urgent}")


@dataclass
class Paper:
    """In place of the journal: can be torn."""

    records: list[tuple[Kind, int, dict[str, Any]]] = field(default_factory=list)
    tears_at: Kind | None = None
    on_move: Callable[[Path | None], None] = lambda _place: None
    away_in: Path | None = None

    def try_to_return(self, at_utc_ns: int) -> None:
        """Nothing to return from."""

    def append_many(self, records: list[tuple[Kind, int, dict[str, Any]]]) -> None:
        """Write, or fail as a full disk does."""
        if self.tears_at in {kind for kind, _, _ in records}:
            raise JournalWriteError("the journal cannot be written")
        self.records += records

    def of(self, kind: Kind) -> list[dict[str, Any]]:
        """The records of a kind."""
        return [fields for one, _, fields in list(self.records) if one is kind]


class Desk:
    """A live run with stand-ins for everything around it."""

    def __init__(self, day: Timeline, now_s: float = 9.0, **more: Any) -> None:
        self.log: list[tuple[str, str, object]] = []
        self.processes: dict[str, list[StandIn]] = {rig.name: [] for rig in day.rigs}
        self.simulated = True
        self.start_fails = 0
        self.screen, self.voice, self.paper = Screen(self.log), Voice(), Paper()
        self.clock = MonotonicClock(ClockEpoch.pretended(at(now_s)))
        self.run = LiveRun(
            engine=Engine(day),
            start_camera={rig.name: self._starter(rig.name) for rig in day.rigs},
            clock=self.clock,
            journal=self.paper,
            surface=self.screen,
            speaker=self.voice,
            **more,
        )
        self.outcome: str | None = None
        self.error: BaseException | None = None

    def _starter(self, rig: str) -> Callable[[], Any]:
        def start() -> StandIn:
            if self.processes[rig] and self.start_fails:
                self.start_fails -= 1
                raise OSError("no more processes")
            self.processes[rig].append(StandIn(self.log, rig, simulated=self.simulated))
            return self.processes[rig][-1]

        return start

    def begin(self) -> threading.Thread:
        """Run in a thread of its own."""

        def play() -> None:
            try:
                self.outcome = self.run.run()
            except BaseException as error:  # noqa: BLE001 - the test looks at it
                self.error = error

        thread = threading.Thread(target=play, name="run", daemon=True)
        thread.start()
        return thread

    def stop(self, thread: threading.Thread) -> None:
        """Stop the run and wait for its end."""
        self.run.post(m.StopAsked(now_utc_ns=UtcNs(self.clock.now_ns())))
        thread.join(DEADLINE_S)
        assert not thread.is_alive()


def until(true: Callable[[], object]) -> None:
    """Wait for something, within bounds."""
    end = time.monotonic() + DEADLINE_S
    while not true():
        assert time.monotonic() < end, "it never came to that"
        time.sleep(0.005)


def filtered(number: int, due: float, **more: Any) -> Frame:
    """A frame of the first partial phase."""
    return frame(number, due, phase="partial in", need=ON, ends_by=80, **more)


def nothing_left_running(desk: Desk) -> bool:
    """Whether every process and thread that the run started has ended."""
    mine = ("reader", "APScheduler", "run")
    return all(one.ended for many in desk.processes.values() for one in many) and not [
        thread.name for thread in threading.enumerate() if thread.name.startswith(mine)
    ]


def test_journal_that_cannot_be_written_halts_every_camera_first() -> None:
    """HF-S23: frames already handed over are withdrawn from all cameras before anything else is ended."""
    rigs = (rig_info(), rig_info("second"))
    day = timeline([filtered(1, 10.5), filtered(2, 11.5), filtered(3, 11, rig="second")], rigs=rigs)
    desk = Desk(day)
    thread = desk.begin()
    until(lambda: {"long/0001", "second/0003"} <= {what for _, _, what in desk.log})
    desk.paper.tears_at = Kind.FRAME_FIRED
    desk.processes["long"][0].fire(day.frames[0])
    thread.join(DEADLINE_S)
    assert isinstance(desk.error, JournalWriteError)
    after = [entry for entry in desk.log if entry[1] != "given"]
    assert after[:2] == [("long", "withdrawn", None), ("second", "withdrawn", None)]
    assert after[2] == ("", "screen closed", None)
    assert {entry[:2] for entry in after[3:]} == {("long", "closed"), ("second", "closed")}
    until(lambda: nothing_left_running(desk))


def test_intent_that_cannot_be_written_is_never_handed_over() -> None:
    """HF-S09, HF-S23: the write of the intent fails: its frame does not go to the camera."""
    desk = Desk(timeline([filtered(1, 10.5)]))
    desk.paper.tears_at = Kind.FRAME_INTENT
    desk.begin().join(DEADLINE_S)
    assert isinstance(desk.error, JournalWriteError)
    assert not [entry for entry in desk.log if entry[1] == "given"]
    until(lambda: nothing_left_running(desk))


@pytest.mark.parametrize("broken", ["screen", "voice"])
def test_a_screen_or_voice_that_raises_costs_a_note_and_no_frame(broken: str) -> None:
    """HF-S18: the run goes on without them, and its journal tells once what failed."""
    day = timeline([filtered(1, 10.5)])
    desk = Desk(day)
    getattr(desk, broken).broken = True
    thread = desk.begin()
    until(lambda: desk.processes["long"] and desk.processes["long"][0].given)
    desk.processes["long"][0].fire(day.frames[0])
    until(lambda: desk.paper.of(Kind.FRAME_FIRED))
    desk.stop(thread)
    assert desk.outcome == "stopped"
    notes = [note["text"] for note in desk.paper.of(Kind.NOTE)]
    assert len(notes) == 1
    assert broken in notes[0]
    assert desk.screen.shown > 1


def test_a_screen_that_does_not_open_leaves_nothing_running() -> None:
    """HF-S14: the run refuses before its first record, and ends the cameras that it has started."""
    desk = Desk(timeline([filtered(1, 10.5)]))
    desk.screen.opens = False
    desk.begin().join(DEADLINE_S)
    assert isinstance(desk.error, OperatorError)
    assert desk.paper.records == []
    until(lambda: nothing_left_running(desk))


def test_a_camera_that_does_not_start_ends_those_that_did() -> None:
    """The second process cannot be started: the first is ended, the error is told."""
    desk = Desk(timeline([filtered(1, 10.5)], rigs=(rig_info(), rig_info("second"))))

    def fails() -> Any:
        raise OSError("no more processes")

    desk.run.start_camera = {**desk.run.start_camera, "second": fails}
    desk.begin().join(DEADLINE_S)
    assert isinstance(desk.error, OSError)
    assert desk.processes["long"][0].ended
    until(lambda: nothing_left_running(desk))


def test_a_process_that_dies_answers_for_what_it_owed_and_is_replaced() -> None:
    """HF-S10: what may have been exposed failed, what cannot have been is missed; the next process gets neither."""
    day = timeline([filtered(1, 11.2), filtered(2, 12.9), filtered(3, 16)])
    desk = Desk(day)
    thread = desk.begin()
    until(lambda: desk.processes["long"] and len(desk.processes["long"][0].given) == 2)
    until(lambda: desk.clock.now_ns() > at(11.3))
    desk.start_fails = 1
    desk.processes["long"][0].kill()
    until(lambda: len(desk.processes["long"]) == 2 and desk.processes["long"][1].given)
    desk.stop(thread)
    assert [one.frame_id for one in desk.processes["long"][1].given] == ["long/0003"]
    assert [one["frame_id"] for one in desk.paper.of(Kind.FRAME_FAILED)] == ["long/0001"]
    assert "whether it was exposed is not known" in desk.paper.of(Kind.FRAME_FAILED)[0]["detail"]
    missed = {one["frame_id"]: one["reason"] for one in desk.paper.of(Kind.FRAME_MISSED)}
    assert missed["long/0002"] == "camera"
    assert any("cannot be started" in note["text"] for note in desk.paper.of(Kind.NOTE))
    until(lambda: nothing_left_running(desk))


def test_a_frame_for_a_process_that_has_just_died_goes_to_no_other() -> None:
    """HF-S05: handed over while the process is being replaced, it is missed: no process holds it out of reach."""
    desk = Desk(timeline([filtered(1, 60)]))
    thread = desk.begin()
    until(lambda: desk.paper.of(Kind.CAMERA_READY))
    with desk.run._lock:
        desk.run._seats["long"].gone = True
    desk.run._hand_over(desk.run.engine.timeline.frames[0])
    assert desk.processes["long"][0].given == []
    desk.stop(thread)
    assert desk.outcome == "stopped"


def test_what_is_no_report_replaces_the_process() -> None:
    """A pipe that carries nonsense does not leave its rig without a reader."""
    desk = Desk(timeline([filtered(1, 14)]))
    thread = desk.begin()
    until(lambda: desk.paper.of(Kind.CAMERA_READY))
    desk.processes["long"][0].theirs.send("nonsense")
    until(lambda: len(desk.paper.of(Kind.CAMERA_READY)) == 2)
    desk.stop(thread)
    assert len(desk.processes["long"]) == 2
    assert desk.processes["long"][0].ended
    assert "no report" in desk.paper.of(Kind.CAMERA_LOST)[0]["detail"]


def test_a_real_camera_stops_a_run_that_is_not_for_one() -> None:
    """HF-S02: it is not even called ready, and nothing is handed to it; this holds unless the caller allows it."""
    desk = Desk(timeline([filtered(1, 10.5)]))
    desk.simulated = False
    desk.begin().join(DEADLINE_S)
    assert desk.outcome == "stopped"
    assert desk.paper.of(Kind.CAMERA_READY) == []
    assert desk.processes["long"][0].given == []
    assert "real camera" in desk.paper.of(Kind.STOP_ASKED)[0]["by"]


@pytest.mark.parametrize("unkillable", [False, True])
def test_a_hung_process_is_ended(unkillable: bool) -> None:
    """One that should be back is ended, its frame fails, another is started: even if the kernel keeps the first."""
    desk = Desk(timeline([filtered(1, 9.5, late_s=0.1)]))
    thread = desk.begin()
    until(lambda: desk.processes["long"] and desk.processes["long"][0].given)
    first = desk.processes["long"][0]
    until(lambda: first.owed_deadline_ns == at(9.6))
    first.unkillable = unkillable
    first.hangs = "no answer 6.0 s after its exposure should have ended"
    until(lambda: len(desk.processes["long"]) == 2)
    desk.stop(thread)
    assert desk.run.engine.frame_state("long/0001") is FrameState.FAILED
    assert first.ended
    (lost,) = desk.paper.of(Kind.CAMERA_LOST)
    assert lost["detail"] == f"{first.hangs}: its process is killed and started again"
    notes = [note["text"] for note in desk.paper.of(Kind.NOTE)]
    assert notes == (
        ["the process of the camera of long waits in the kernel: it is left behind"] * unkillable
    )
    assert desk.paper.of(Kind.RUN_BEGAN)[0]["silence_limit_s"] == {"long": 6.0}


def test_only_the_frame_of_the_call_that_hangs_may_have_been_exposed() -> None:
    """HF-S10: what waited behind a hanging call is missed, not failed: its process had not come to it."""
    day = timeline([filtered(1, 9.5, late_s=0.1), filtered(2, 9.6, late_s=0.1)])
    desk = Desk(day)
    thread = desk.begin()
    until(lambda: desk.processes["long"] and len(desk.processes["long"][0].given) == 2)
    until(lambda: desk.clock.now_ns() > at(9.8))
    first = desk.processes["long"][0]
    first.call = Call(CallKind.FRAME, at(9.6), at(9.7), at(9.5))
    first.hangs = "no answer"
    until(lambda: len(desk.processes["long"]) == 2)
    desk.stop(thread)
    assert desk.run.engine.frame_state("long/0001") is FrameState.FAILED
    assert desk.run.engine.frame_state("long/0002") is FrameState.MISSED


def test_what_a_process_said_just_before_it_was_ended_counts() -> None:
    """The pipe is read to its end: a frame whose word is in it fired, and did not fail."""
    day = timeline([filtered(1, 9.5, late_s=0.1), filtered(2, 60)])
    desk = Desk(day)
    thread = desk.begin()
    until(lambda: desk.processes["long"] and desk.processes["long"][0].given)
    first = desk.processes["long"][0]
    killed = first.kill

    def speaks_first() -> bool:
        if not first.ended:
            first.fire(day.frames[0])
        return killed()

    first.kill = speaks_first  # type: ignore[method-assign]
    first.hangs = "no answer 6.0 s after its exposure should have ended"
    until(lambda: len(desk.processes["long"]) == 2)
    desk.stop(thread)
    assert desk.run.engine.frame_state("long/0001") is FrameState.FIRED


def test_one_look_that_finds_a_process_hanging_does_not_end_it() -> None:
    """Just woken from a sleep of the computer, a camera may say its word first."""
    desk = Desk(timeline([filtered(1, 60)]))
    thread = desk.begin()
    until(lambda: desk.processes["long"])
    first, looks = desk.processes["long"][0], []

    def hanging(_deadline: int | None) -> str | None:
        looks.append(True)
        return None if len(looks) % driver.LOOKS == 0 else "no answer"

    first.hanging = hanging  # type: ignore[method-assign]
    until(lambda: len(looks) > 2 * driver.LOOKS)
    desk.stop(thread)
    assert len(desk.processes["long"]) == 1


def test_a_stop_waits_for_the_answers_and_no_longer_than_bound(monkeypatch: pytest.MonkeyPatch) -> None:
    """HF-S16: stopped twice, with a camera that never answers: the frame is unknown, the journal closed."""
    monkeypatch.setattr(driver, "CLOSING_S", 0.5)
    desk = Desk(timeline([filtered(1, 10.5)]))
    thread = desk.begin()
    until(lambda: desk.processes["long"] and desk.processes["long"][0].given)
    desk.processes["long"][0].answers = False
    desk.run.post(m.StopAsked(now_utc_ns=UtcNs(desk.clock.now_ns())))
    desk.stop(thread)
    assert desk.outcome == "stopped"
    assert [one["unknown"] for one in desk.paper.of(Kind.RUN_ENDED)] == [1]
    assert ("long", "withdrawn", ("long/0001",)) in desk.log
    until(lambda: nothing_left_running(desk))


@pytest.mark.parametrize(("every_s", "first"), [(5.0, 40), (-1.0, 1)], ids=["calm", "busy for long"])
def test_what_comes_at_once_is_shown_at_once(
    every_s: float, first: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Words for many rigs in one key are one new view; when the last view is old, one is shown all the same."""
    desk = Desk(timeline([filtered(1, 60)]))
    seen: list[int] = []
    monkeypatch.setattr(desk.screen, "show", lambda _view: seen.append(len(desk.paper.of(Kind.NOTE))))
    monkeypatch.setattr(desk.run, "_turn", lambda _timeout_s: turn(1.0))
    turn = type(desk.run)._turn.__get__(desk.run)
    monkeypatch.setattr(driver, "SHOW_EVERY_S", every_s)
    for number in range(40):
        desk.run.post(m.Noted(now_utc_ns=at(9), text=f"{number}"))
    thread = desk.begin()
    until(lambda: seen)
    desk.stop(thread)
    assert seen[0] == first
