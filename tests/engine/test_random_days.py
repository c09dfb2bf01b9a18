"""Days on which anything happens: random words, losses, pauses, late wakes, crashes and restarts, by seed.

The world around the engine (`_World`) keeps its own account of who said what, and checks every effect
against it; at the end the independent audit reads the same journal.
"""

from __future__ import annotations

import random
from collections import Counter
from dataclasses import dataclass, field, replace
from typing import Any

import pytest

from controller.account.audit import audit
from controller.engine import messages as m
from controller.engine.engine import Engine
from controller.engine.states import FRAME_ENDS
from controller.engine.view import RunState
from controller.light.stops import exact_exposure_s
from controller.timeline.model import Cue, Frame, Timeline
from controller.units import ContactName, FilterState, UtcNs, Wanted, seconds_to_ns
from tests.engine.builder import NOT_NEEDED, OFF, ON, at, frame, rig_info, timeline

SEEDS = 120
LAST_S = 1_000.0
"""Every day has ended by then, seconds of the builder's day."""
ENDS = {
    "frame_fired": "fired",
    "frame_missed": "missed",
    "frame_failed": "failed",
    "frame_unknown": "unknown",
}
PHASES = {ON: (("partial in", 0.0, 80.0), ("partial out", 150.0, 200.0)), OFF: (("totality", 100.0, 130.0),)}


def a_random_day(rng: random.Random) -> Timeline:
    """Two rigs on the Sun and one on the landscape, with frames of every kind."""
    rigs = (rig_info(), rig_info("second/Rig ..", points_at_sun=True), rig_info("wide", points_at_sun=False))
    frames: list[Frame] = []
    for rig in rigs:
        stretches = (
            [(need, *span) for need, spans in PHASES.items() for span in spans]
            if rig.points_at_sun
            else [(NOT_NEEDED, "landscape", 0.0, 200.0)]
        )
        for need, phase, starts, ends in sorted(stretches, key=lambda one: one[2]):
            due = starts + rng.uniform(0, 5)
            while True:
                exposure = rng.choice([0.001, 0.1, 0.5, 1.0, 3.0, 15.0])
                slot = exact_exposure_s(exposure) + rng.uniform(0.2, 1.5)
                if due + slot > ends:
                    break
                frames.append(
                    frame(
                        len(frames) + 1, due, rig=rig.name, phase=phase, need=need, exposure_s=exposure,
                        slot_s=slot, ends_by=ends, wanted=rng.choice(list(Wanted)),
                        late_s=rng.choice([0.1, 0.5, 8.0]), starts_from=max(starts, due - rng.choice([0, 10])),
                        until=min(ends, due + rng.choice([0.5, 5, 100])),
                    )
                )  # fmt: skip
                due += slot + rng.choice([0, 0, 0.5, 6])
    cues = tuple(Cue(cue_id=f"c{n}", at_utc_ns=at(rng.uniform(-40, 210)), say=f"cue {n}") for n in range(5))
    return timeline(frames, rigs=rigs, cues=cues)


Answer = m.FrameFired | m.FrameMissed | m.FrameFailed


@dataclass
class _Camera:
    """An honest camera: one exposure at a time, nothing late, nothing that was taken back."""

    name: str
    ready: bool = False
    waiting: list[Frame] = field(default_factory=list)
    busy_until: int = 0
    answers: list[tuple[int, Answer]] = field(default_factory=list)


class _World:
    """Everything around one engine for one day, crashes included."""

    def __init__(self, seed: int) -> None:
        self.rng = random.Random(seed)
        self.day = a_random_day(self.rng)
        self.frames = {one.frame_id: one for one in self.day.frames}
        self.now = at(self.rng.choice([-70.0, -30.0, 20.0, 90.0, 110.0]))
        self.journal: list[dict[str, Any]] = []
        self.words = {
            rig.name: FilterState.UNSAID if rig.points_at_sun else NOT_NEEDED for rig in self.day.rigs
        }
        self.paused: set[str] = set()
        self.stopped = False
        self.ends: dict[str, str] = {}
        self.intents: set[str] = set()
        self.happened: Counter[str] = Counter()
        self.lives = self.rng.choice([1, 1, 2, 4])
        self.careless = self.rng.choice([0.05, 0.3, 0.8])
        self.finished: str | None = None
        self.life()

    # --- one life of the program ------------------------------------------------------------

    def life(self) -> None:
        """Begin, or take over the journal."""
        self.cameras = {rig.name: _Camera(rig.name) for rig in self.day.rigs}
        self.engine, self.twin = Engine(self.day), Engine(self.day)
        if not self.journal:
            self.hand_in(m.Begin(now_utc_ns=UtcNs(self.now)))
            return
        for one in (self.engine, self.twin):
            one.restore(self.journal)
        then = max(record["at_utc_ns"] for record in self.journal)
        for rig, word in self.words.items():
            before, after = self.phase(rig, then), self.phase(rig, self.now)
            if word is not NOT_NEEDED and (before is None or before != after or self.now < then):
                self.words[rig] = FilterState.UNSAID
        effects = self.engine.resume(UtcNs(self.now))
        assert effects == self.twin.resume(UtcNs(self.now))
        self.carry_out(effects)

    def phase(self, rig: str, instant: int) -> str | None:
        """The phase that a rig is in."""
        mine = [p for p in self.day.phases if p.rig == rig and p.starts_utc_ns <= instant < p.ends_utc_ns]
        return mine[0].name if mine else None

    def hand_in(self, event: m.Event) -> None:
        """Hand in one event: the same to a twin, which must do the same."""
        effects = self.engine.handle(event)
        assert effects == self.twin.handle(event), "the engine is not deterministic"
        self.carry_out(effects)

    def carry_out(self, effects: list[m.Effect]) -> None:
        """Do what the engine says, in order, and hold every step against the rules."""
        for effect in effects:
            match effect:
                case m.Record():
                    self.write({"kind": effect.kind, "at_utc_ns": effect.at_utc_ns, **effect.data})
                case m.HandOver(frame=one):
                    self.check_hand_over(one)
                    self.cameras[one.rig].waiting.append(one)
                case m.Withdraw(rig=rig, frame_ids=frame_ids, reason=reason):
                    self.take_back(self.cameras[rig], frame_ids, reason)
                case m.Say(text=text):
                    self.check_spoken(text)
                case m.WakeAt(instant_utc_ns=instant):
                    assert instant > self.engine._now
                case m.Finish(outcome=outcome):
                    assert self.finished is None
                    self.finished = outcome
        if self.engine.state in (RunState.GOING, RunState.PAUSED):
            assert isinstance(effects[-1], m.WakeAt), "the engine would sleep for ever"
        self.check_cameras()
        for offset in (-100, 0, 1000):
            self.engine.view(UtcNs(self.now + seconds_to_ns(offset)))

    def write(self, record: dict[str, Any]) -> None:
        """Take a record into the journal, and into the world's own account."""
        kind = record["kind"]
        self.journal.append({**record, "seq": len(self.journal) + 1})
        self.happened[kind] += 1
        rigs = [record["rig"]] if record.get("rig") else list(self.words)
        if kind in ENDS:
            assert record["frame_id"] not in self.ends, f"{record['frame_id']} ends twice"
            self.ends[record["frame_id"]] = ENDS[kind]
        elif kind == "frame_intent":
            assert record["frame_id"] not in self.intents, "tried twice"
            self.intents.add(record["frame_id"])
        elif kind == "filter_said":
            self.words.update(
                {rig: FilterState(record["state"]) for rig in rigs if self.words[rig] is not NOT_NEEDED}
            )
        elif kind == "paused":
            self.paused.update(rigs)
        elif kind == "went_on":
            self.paused.difference_update(rigs)
        elif kind == "stop_asked":
            self.stopped = True

    # --- the rules ----------------------------------------------------------------------------

    def check_hand_over(self, one: Frame) -> None:
        """HF-S01, S03, S04, S06, S08, S09, S10, S12, S16."""
        last = self.journal[-1]
        assert (last["kind"], last["frame_id"]) == ("frame_intent", one.frame_id)
        assert one.frame_id not in self.ends
        assert self.words[one.rig] is one.filter_need
        assert one.rig not in self.paused
        assert not self.stopped
        assert self.cameras[one.rig].ready
        assert self.now <= one.deadline_utc_ns
        if one.filter_need is OFF:
            exposure = seconds_to_ns(max(one.settings.exposure_s, exact_exposure_s(one.settings.exposure_s)))
            assert at(95) <= one.due_utc_ns
            assert one.deadline_utc_ns + exposure <= one.ends_by_utc_ns <= at(135)

    def check_cameras(self) -> None:
        """HF-S05, S16: no camera holds a frame that a word, a pause or a stop forbids."""
        for name, camera in self.cameras.items():
            for one in camera.waiting:
                assert self.words[name] is one.filter_need
                assert name not in self.paused
                assert not self.stopped

    def check_spoken(self, text: str) -> None:
        """HF-S13: nobody is told to take a filter off but between the window's start and C3."""
        if text.startswith("Filter off"):
            assert at(95) <= self.engine._now < self.day.contacts_utc_ns[ContactName.C3]

    # --- the cameras ----------------------------------------------------------------------------

    def answer(self, camera: _Camera, event: Answer) -> None:
        """Have a camera's word come after a while."""
        camera.answers.append((self.now + seconds_to_ns(self.rng.choice([0, 0.01, 0.3])), event))

    def take_back(self, camera: _Camera, frame_ids: tuple[str, ...], reason: str) -> None:
        """Drop frames that were not released yet."""
        for one in list(camera.waiting):
            if one.frame_id in frame_ids:
                camera.waiting.remove(one)
                self.answer(
                    camera, m.FrameMissed(now_utc_ns=UtcNs(self.now), frame_id=one.frame_id, reason=reason)
                )

    def let_cameras_work(self, until: int) -> None:
        """Release what is due up to an instant."""
        for camera in self.cameras.values():
            for one in sorted(camera.waiting, key=lambda f: f.due_utc_ns):
                opens = max(one.due_utc_ns, camera.busy_until, self.now)
                if opens > until:
                    break
                camera.waiting.remove(one)
                longest = seconds_to_ns(
                    max(one.settings.exposure_s, exact_exposure_s(one.settings.exposure_s))
                )
                if not camera.ready or opens > one.deadline_utc_ns or opens + longest > one.ends_by_utc_ns:
                    why = "late" if camera.ready else "camera"
                    self.answer(
                        camera, m.FrameMissed(now_utc_ns=UtcNs(opens), frame_id=one.frame_id, reason=why)
                    )
                    continue
                camera.busy_until = opens + longest
                outcome: Answer = m.FrameFired(
                    now_utc_ns=UtcNs(opens), frame_id=one.frame_id, released_utc_ns=UtcNs(opens),
                    report={"file_name": "a.jpg"},
                )  # fmt: skip
                if self.rng.random() < 0.05:
                    outcome = m.FrameFailed(now_utc_ns=UtcNs(opens), frame_id=one.frame_id, detail="no word")
                for _ in range(2 if self.rng.random() < 0.03 else 1):  # now and then it says so twice
                    camera.answers.append((camera.busy_until + seconds_to_ns(0.05), outcome))

    # --- what happens -----------------------------------------------------------------------------

    def pass_time(self) -> None:
        """Let a moment pass, now and then a long one (a late wake), and hear what the cameras say."""
        step = seconds_to_ns(self.rng.choice([0.05, 0.2, 0.2, 1, 1, 2, self.rng.choice([5, 30])]))
        until = self.now + step
        self.let_cameras_work(until)
        self.now = UtcNs(until)
        for camera in self.cameras.values():
            due = sorted((a for a in camera.answers if a[0] <= until), key=lambda a: a[0])
            camera.answers = [a for a in camera.answers if a[0] > until]
            for _, event in due:
                self.hand_in(replace(event, now_utc_ns=UtcNs(until)))
        self.hand_in(m.TimePassed(now_utc_ns=UtcNs(until)))

    def something(self) -> None:
        """One thing that may happen on a day."""
        now = UtcNs(self.now)
        rig: str = self.rng.choice([*self.words, "nobody"])
        some: str | None = self.rng.choice([None, rig])
        kind = self.rng.random()
        camera = self.cameras[self.rng.choice(list(self.cameras))]
        if kind < 0.35 and self.engine.open_holds():
            hold = self.rng.choice(self.engine.open_holds())
            self.hand_in(m.FilterSaid(now_utc_ns=now, rig=hold.rig, state=hold.needs))
        elif kind < 0.35 + 0.1 * self.careless:
            self.hand_in(m.FilterSaid(now_utc_ns=now, rig=some, state=self.rng.choice(list(FilterState))))
        elif kind < 0.65 and not camera.ready:
            camera.ready = True
            self.hand_in(m.CameraReady(now_utc_ns=now, rig=camera.name, model="honest"))
        elif kind < 0.65 + 0.05 * self.careless:
            camera.ready = False
            if self.rng.random() < 0.5:  # its process dies with what it holds
                owed = [one.frame_id for one in camera.waiting] + [e.frame_id for _, e in camera.answers]
                camera.waiting, camera.answers = [], []
                for frame_id in owed:
                    self.hand_in(m.FrameFailed(now_utc_ns=now, frame_id=frame_id, detail="ended"))
            self.hand_in(m.CameraLost(now_utc_ns=now, rig=camera.name, detail="gone"))
        elif kind < 0.75 + 0.05 * self.careless:
            self.hand_in(self.rng.choice([m.PauseAsked, m.GoOnAsked, m.GoOnAsked])(now_utc_ns=now, rig=some))
        elif kind < 0.81:
            self.hand_in(m.ClockStepped(now_utc_ns=now, step_s=self.rng.uniform(-3, 3)))
            self.hand_in(m.CameraReport(now_utc_ns=now, rig=rig, battery_percent=None, frames_left=0))
            self.hand_in(m.FrameMissed(now_utc_ns=now, frame_id="nobody/0001", reason="late"))
            self.hand_in(m.Noted(now_utc_ns=now, text="something"))
            self.hand_in(m.Begin(now_utc_ns=now))
        elif kind > 0.99:
            self.hand_in(m.StopAsked(now_utc_ns=now))

    def crash(self) -> None:
        """End here, whatever was under way, and start again after a while; now and then by a clock gone back."""
        self.lives -= 1
        self.happened["crash"] += 1
        last = self.journal[-1]
        if last["kind"] in (
            "frame_moved",
            "refitted",
            "hold_opened",
            "note",
        ):  # the disk took a part of the batch
            self.journal.pop()
        self.now = UtcNs(self.now + seconds_to_ns(self.rng.choice([-3, 0.3, 3, 3, 20, 60])))
        self.life()

    def play(self) -> None:
        """Live the day to its end."""
        while self.finished is None:
            assert self.now < at(LAST_S), "the day never ends"
            if self.lives > 1 and self.rng.random() < 0.01:
                self.crash()
                continue
            self.pass_time()
            if self.rng.random() < 0.5 and not self.finished:
                self.something()
        effects = self.engine.close(UtcNs(self.now))
        assert effects == self.twin.close(UtcNs(self.now))
        for effect in effects:
            assert isinstance(effect, m.Record)
            self.write({"kind": effect.kind, "at_utc_ns": effect.at_utc_ns, **effect.data})


def test_days_on_which_anything_happens() -> None:
    """HF-S01 to HF-S13, S16, S19, S24: no sequence of events breaks a rule, and every frame ends once."""
    happened: Counter[str] = Counter()
    for seed in range(SEEDS):
        try:
            world = _World(seed)
            world.play()
            assert set(world.ends) == set(world.frames)
            assert all(world.engine.frame_state(one) in FRAME_ENDS for one in world.frames)
            assert {i: world.engine.frame_state(i).value for i in world.frames} == world.ends
            assert world.journal[-1]["kind"] == "run_ended"
            assert audit(world.day, world.journal) == []
        except Exception as error:
            raise AssertionError(f"seed {seed}: {error}") from error
        happened.update(world.happened)
    for kind in (
        *ENDS,
        "frame_moved",
        "hold_expired",
        "hold_passed",
        "paused",
        "stop_asked",
        "run_resumed",
        "crash",
    ):
        assert happened[kind] >= 10, f"the days are too tame: {kind} {happened[kind]}"


@pytest.mark.parametrize("seed", range(5))
def test_the_same_seed_gives_the_same_day(seed: int) -> None:
    """A day that failed can be looked at again."""
    one, other = _World(seed), _World(seed)
    one.play()
    other.play()
    assert one.journal == other.journal
