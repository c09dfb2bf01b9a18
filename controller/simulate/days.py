"""Made-up days in memory: what is drawn for a day, and the day played with it.

A day is drawn from its seed alone, each thing that may befall it from a stream of its own: the same seed and
number give the same day on any computer, and a change of one assumption leaves the other draws as they are.
Nothing here is measured: the shares and times in `Assumptions` are round figures to be replaced by your own
experience.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from typing import Any

from controller.cameras.protocol import Camera, Clock
from controller.cameras.simulated import SimFault, SimFaultKind, SimulatedDevice
from controller.engine import messages as m
from controller.engine.engine import Engine
from controller.errors import UsageError
from controller.gear.body import CameraBody
from controller.journal.records import Kind
from controller.simulate.driver import MakeCamera, Simulation
from controller.timeline.model import Hold, Timeline
from controller.units import NS_PER_S, FilterState, UtcNs, seconds_to_ns

EARLY_NS = 120 * NS_PER_S
"""A day begins so long before the filter is first asked for."""
AFTER_NS = 60 * NS_PER_S
"""What befalls a day is drawn until so long after its last phase."""
STATUS_EVERY_S = 60.0
"""How often an idle camera is asked for battery and card: seldom, for speed."""
BATTERY_PER_FRAME = 0.02
"""Charge that one frame takes, percent; as `SimulatedDevice` has it."""
LAG_JITTER_S = 0.005
"""Standard deviation of the release lag, seconds."""
RESTART_AT_LEAST_S = 1.0
"""No run is resumed sooner than this after it died."""

Record = dict[str, Any]


@dataclass(frozen=True, kw_only=True)
class Assumptions:
    """What a day is drawn from. Chances are shares from 0 to 1; means are of exponential distributions.

    The defaults are guesses of the authors (no source), and are printed with every result.
    """

    prompt_s: float = field(default=4.0, metadata={"what": "mean time of a prompt answer, from the asking"})
    late_chance: float = field(default=0.10, metadata={"what": "a change of the filter is told late"})
    late_s: float = field(default=20.0, metadata={"what": "mean time of a late answer, from the asking"})
    silent_chance: float = field(default=0.01, metadata={"what": "a change of the filter is never told"})
    wrong_key_chance: float = field(
        default=0.02, metadata={"what": "the wrong word at some moment between two changes"}
    )
    corrected_chance: float = field(default=0.90, metadata={"what": "a wrong word is put right"})
    corrected_s: float = field(default=6.0, metadata={"what": "mean time until it is put right"})
    lost_per_hour: float = field(default=0.04, metadata={"what": "a cable comes out"})
    busy_per_hour: float = field(default=0.02, metadata={"what": "a camera refuses releases"})
    snap_per_hour: float = field(default=0.01, metadata={"what": "a setting silently becomes another"})
    no_word_per_hour: float = field(default=0.02, metadata={"what": "a camera does not name its pictures"})
    slow_write_per_hour: float = field(default=0.02, metadata={"what": "the card takes eight times as long"})
    hang_per_hour: float = field(default=0.01, metadata={"what": "a call to a camera does not return"})
    trouble_s: float = field(default=20.0, metadata={"what": "mean length of each of these troubles"})
    card_short_chance: float = field(default=0.01, metadata={"what": "a card takes only a part of the plan"})
    battery_low_chance: float = field(
        default=0.01, metadata={"what": "a battery lasts for a part of the plan"}
    )
    change_chance: float = field(
        default=0.5, metadata={"what": "a full card or an empty battery is changed at all"}
    )
    change_s: float = field(default=60.0, metadata={"what": "mean time until it is changed"})
    crash_per_hour: float = field(
        default=0.01, metadata={"what": "the program or the computer dies, and the run is resumed"}
    )
    restart_s: float = field(default=40.0, metadata={"what": "mean time until it is resumed"})
    pause_per_hour: float = field(default=0.02, metadata={"what": "the operator pauses the run"})
    pause_s: float = field(default=15.0, metadata={"what": "mean length of a pause"})
    cloudy_s: float = field(default=600.0, metadata={"what": "mean length of a cloud; 0: no cloud at all"})
    clear_s: float = field(default=1800.0, metadata={"what": "mean length of a gap between clouds"})
    clock_s: float = field(
        default=0.05, metadata={"what": "standard deviation of the computer's clock against UTC"}
    )
    clock_wrong_chance: float = field(default=0.01, metadata={"what": "the clock was not set by any service"})
    clock_wrong_s: float = field(default=3.0, metadata={"what": "standard deviation of such a clock"})
    clock_step_chance: float = field(
        default=0.02,
        metadata={"what": "the clock is set anew during the run; a run resumed later goes by it"},
    )

    def __post_init__(self) -> None:
        for one in fields(self):
            value = getattr(self, one.name)
            top = 1.0 if one.name.endswith("_chance") else 1000.0 if one.name.endswith("_per_hour") else 1e6
            if not 0 <= value <= top:
                raise UsageError(
                    f"The assumption {one.name} cannot be {value:g}. Mend: give a number from 0 to {top:g}."
                )
        if self.late_chance + self.silent_chance > 1:
            raise UsageError(
                "The assumptions late_chance and silent_chance come to more than 1. Mend: make one smaller."
            )

    def with_changes(self, changes: Sequence[str]) -> Assumptions:
        """Return these with ``key=value`` changes.

        Raises:
            UsageError: if a key is none, or a value is no number it may have.
        """
        known = [one.name for one in fields(self)]
        given: dict[str, float] = {}
        for text in changes:
            key, sign, number = (part.strip() for part in text.partition("="))
            if not sign or key not in known:
                raise UsageError(
                    f'"{text}" changes no assumption. Mend: write KEY=NUMBER with one of {", ".join(known)}.'
                )
            try:
                given[key] = float(number)
            except ValueError:
                raise UsageError(
                    f'"{number}" is no number for the assumption {key}. Mend: write it like {key}={getattr(self, key):g}.'
                ) from None
        return replace(self, **given)

    def table(self) -> list[tuple[str, str, str]]:
        """Return key, value with its unit, and meaning of each."""
        return [
            (one.name, _with_unit(one.name, getattr(self, one.name)), one.metadata["what"])
            for one in fields(self)
        ]


PROMPT = {"late_chance": 0.0, "silent_chance": 0.0, "wrong_key_chance": 0.0}
NO_FAULTS = {
    **{f"{kind}_per_hour": 0.0 for kind in ("lost", "busy", "snap", "no_word", "slow_write", "hang")},
    "card_short_chance": 0.0,
    "battery_low_chance": 0.0,
}


def _with_unit(name: str, value: float) -> str:
    if name.endswith("_chance"):
        return f"{100 * value:g} %"
    return f"{value:g} / h" if name.endswith("_per_hour") else f"{value:g} s"


@dataclass(frozen=True)
class RigDraw:
    """What befalls one rig's camera."""

    faults: tuple[SimFault, ...]
    card_frames: int | None
    """Frames the card takes that day; None: what the body says."""
    battery_percent: float
    card_change_s: float
    """How long after the card is full a fresh one is in the camera; infinite: nobody changes it."""
    battery_change_s: float


@dataclass(frozen=True)
class Crash:
    """The program dies: everything that is not in the journal is gone."""

    at_utc_ns: int
    down_ns: int
    """How long until it is resumed."""
    kept: int | None
    """It dies in the midst of its first write from then on, so many records of which are kept; None: between two."""


@dataclass(frozen=True)
class Happening:
    """All that is played into a day; two equal ones give the same journal."""

    words: tuple[tuple[str, int | None], ...]
    """For each hold, how long after its asking the word comes, nanoseconds; None: never."""
    slips: tuple[tuple[int, str, FilterState, bool], ...]
    """Words that nobody asked for: instant, rig, state, and whether it puts a wrong one right."""
    steps: tuple[tuple[int, float], ...]
    """Steps of the computer's clock: instant, seconds."""
    pauses: tuple[tuple[int, int], ...]
    """When the operator pauses all cameras, and when he goes on."""
    crashes: tuple[Crash, ...]
    rigs: tuple[tuple[str, RigDraw], ...]
    seed: str


@dataclass(frozen=True)
class Weather:
    """What spoils a picture and leaves the journal as it is."""

    clouds: tuple[tuple[int, int], ...]
    """When the Sun is behind cloud, true UTC nanoseconds, in order."""
    clock_error_s: float
    """How far the computer's clock is ahead of true UTC."""

    def is_clear(self, from_ns: int, until_ns: int) -> bool:
        """Return whether no cloud comes between two instants."""
        return not any(starts < until_ns and ends > from_ns for starts, ends in self.clouds)


def first_instant(timeline: Timeline) -> int:
    """Return when a day begins, UTC nanoseconds."""
    asked = [hold.opens_utc_ns for hold in timeline.holds]
    return min(asked + [phase.starts_utc_ns for phase in timeline.phases]) - EARLY_NS


def draw_weather(assumed: Assumptions, timeline: Timeline, seed: int, day: int) -> Weather:
    """Draw cloud and clock of a day."""
    begins, ends = _span(timeline)
    rng = _stream(seed, day, "clock")
    usual, wrong, unset = rng.gauss(0, 1), rng.gauss(0, 1), rng.random() < assumed.clock_wrong_chance
    error_s = wrong * assumed.clock_wrong_s if unset else usual * assumed.clock_s
    clouds: list[tuple[int, int]] = []
    if assumed.cloudy_s > 0:
        rng = _stream(seed, day, "cloud")
        cloudy = rng.random() < assumed.cloudy_s / (assumed.cloudy_s + assumed.clear_s)
        now = begins
        while now < ends:
            lasts = 1 + seconds_to_ns(rng.expovariate(1) * (assumed.cloudy_s if cloudy else assumed.clear_s))
            if cloudy:
                clouds.append((now, now + lasts))
            now, cloudy = now + lasts, not cloudy
    return Weather(tuple(clouds), error_s)


def draw_happening(assumed: Assumptions, timeline: Timeline, seed: int, day: int) -> Happening:
    """Draw what the operator, the cameras and the computer's clock do on a day."""
    begins, ends = _span(timeline)
    words, slips = [], []
    first_of: set[str] = set()
    for hold in timeline.holds:
        rng = _stream(seed, day, f"word {hold.hold_id}")
        words.append((hold.hold_id, _word(assumed, rng, first=hold.rig not in first_of)))
        first_of.add(hold.rig)
        slips += _slip(assumed, hold, _stream(seed, day, f"slip {hold.hold_id}"))
    rng = _stream(seed, day, "steps")
    at, step_s = begins + round(rng.random() * (ends - begins)), rng.gauss(0, 1)
    steps = ((at, step_s),) if rng.random() < assumed.clock_step_chance else ()
    rng = _stream(seed, day, "pauses")
    pauses = [
        (at, at + seconds_to_ns(0.5 + rng.expovariate(1) * assumed.pause_s))
        for at in _moments(assumed.pause_per_hour, begins, ends, rng)
    ]
    rng = _stream(seed, day, "crashes")
    crashes = [
        Crash(
            at,
            seconds_to_ns(RESTART_AT_LEAST_S + rng.expovariate(1) * assumed.restart_s),
            rng.choice((None, 0, 1, 2)),
        )
        for at in _moments(assumed.crash_per_hour, begins, ends, rng)
    ]
    rigs = tuple((rig.name, _rig(assumed, timeline, rig.name, seed, day)) for rig in timeline.rigs)
    return Happening(
        tuple(words), tuple(sorted(slips)), steps, tuple(pauses), tuple(crashes), rigs, f"{seed}/{day}"
    )


def _moments(per_hour: float, begins: int, ends: int, rng: random.Random) -> Iterator[int]:
    """Yield the instants of what comes so often an hour, in order."""
    at: float = begins
    while per_hour > 0 and (at := at + rng.expovariate(per_hour) * 3600 * NS_PER_S) < ends:
        yield round(at)


def _word(assumed: Assumptions, rng: random.Random, *, first: bool) -> int | None:
    """Return the delay of an answer; setting up, hours before, nobody is late (`first`)."""
    manner, delay = rng.random(), rng.expovariate(1)
    if not first and manner < assumed.silent_chance:
        return None
    late = not first and manner < assumed.silent_chance + assumed.late_chance
    return seconds_to_ns(0.5 + delay * (assumed.late_s if late else assumed.prompt_s))


def _slip(assumed: Assumptions, hold: Hold, rng: random.Random) -> list[tuple[int, str, FilterState, bool]]:
    """Return the wrong word of a hold's time and, if it is put right, the right one again."""
    when, slips, mends, mend_s = rng.random(), rng.random(), rng.random(), rng.expovariate(1)
    if slips >= assumed.wrong_key_chance:
        return []
    at = hold.opens_utc_ns + round(when * (hold.closes_utc_ns - hold.opens_utc_ns))
    wrong = FilterState.ON if hold.needs is FilterState.OFF else FilterState.OFF
    made = [(at, hold.rig, wrong, False)]
    if mends < assumed.corrected_chance:
        made.append((at + seconds_to_ns(0.5 + mend_s * assumed.corrected_s), hold.rig, hold.needs, True))
    return made


def _rig(assumed: Assumptions, timeline: Timeline, rig: str, seed: int, day: int) -> RigDraw:
    begins, ends = _span(timeline)
    faults = []
    for kind in SimFaultKind:
        rng = _stream(seed, day, f"fault {rig} {kind}")
        faults += [
            SimFault(kind=kind, at_utc_ns=at, for_s=0.1 + rng.expovariate(1) * assumed.trouble_s)
            for at in _moments(_rate(assumed, kind), begins, ends, rng)
        ]
    rng = _stream(seed, day, f"supplies {rig}")
    planned = sum(frame.rig == rig for frame in timeline.frames)
    card, battery = rng.random(), rng.random()
    room, charge = rng.randrange(max(1, planned)), rng.random() * planned * BATTERY_PER_FRAME
    return RigDraw(
        tuple(faults),
        room if card < assumed.card_short_chance else None,
        max(1e-3, charge) if battery < assumed.battery_low_chance else 100.0,
        _changed_after_s(assumed, _stream(seed, day, f"card change {rig}")),
        _changed_after_s(assumed, _stream(seed, day, f"battery change {rig}")),
    )


def _changed_after_s(assumed: Assumptions, rng: random.Random) -> float:
    changes, wait = rng.random() < assumed.change_chance, rng.expovariate(1)
    return 5.0 + wait * assumed.change_s if changes else math.inf


def _rate(assumed: Assumptions, kind: SimFaultKind) -> float:
    """Return how often an hour a trouble of this kind comes; card and battery have a chance a day instead."""
    return {
        SimFaultKind.LOST: assumed.lost_per_hour,
        SimFaultKind.BUSY: assumed.busy_per_hour,
        SimFaultKind.SNAP: assumed.snap_per_hour,
        SimFaultKind.NO_WORD: assumed.no_word_per_hour,
        SimFaultKind.SLOW_WRITE: assumed.slow_write_per_hour,
        SimFaultKind.HANG: assumed.hang_per_hour,
    }.get(kind, 0.0)


def _span(timeline: Timeline) -> tuple[int, int]:
    return first_instant(timeline), max(one.ends_utc_ns for one in timeline.phases) + AFTER_NS


def _stream(seed: int, day: int, what: str) -> random.Random:
    return random.Random(f"{seed}/{day}/{what}")  # noqa: S311 - made-up days, not secrecy


# --- playing ----------------------------------------------------------------------------------


class Died(Exception):  # noqa: N818 - it happens to the program and is no error of it
    """The program was killed at an instant, UTC nanoseconds by its own clock."""

    def __init__(self, at_utc_ns: int) -> None:
        super().__init__(at_utc_ns)
        self.at_utc_ns = at_utc_ns


class MemoryJournal:
    """A journal that is only remembered, and in which a run can die."""

    def __init__(self) -> None:
        self.records: list[Record] = []
        self.dies: Crash | None = None
        """The run dies in its first write from this crash on, if it is one that strikes in a write."""

    def append_many(self, entries: list[tuple[Kind, int, Record]]) -> None:
        """Keep records in order.

        Raises:
            Died: when the crash strikes; what it says is kept, is.
        """
        dies = self.dies
        struck = dies is not None and dies.kept is not None and entries and entries[-1][1] >= dies.at_utc_ns
        for kind, at_ns, data in entries[: dies.kept] if dies and struck else entries:
            data["seq"], data["kind"], data["at_utc_ns"] = len(self.records) + 1, str(kind), at_ns
            self.records.append(data)
        if struck:
            raise Died(entries[-1][1])


@dataclass(frozen=True)
class Exposure:
    """One opening of a shutter, UTC nanoseconds by the computer's clock."""

    opened_ns: int
    ended_ns: int
    clock_set_ns: int
    """How far that clock had been set since the day began."""


@dataclass(frozen=True)
class Played:
    """A day that was played."""

    outcome: str | None
    """``finished``; else what the program failed with, or None where it came to no end."""
    records: list[Record]
    exposures: Mapping[str, list[Exposure]]
    """What each rig's shutter truly did, in order."""
    clock_set: tuple[tuple[int, int], ...]
    """From which record (``seq``) on the run went by a clock that had been set so far, nanoseconds."""

    def clock_set_ns(self, seq: int) -> int:
        """Return how far the clock that a record's run went by had been set since the day began."""
        return next((set_ns for first, set_ns in reversed(self.clock_set) if first <= seq), 0)


def play(timeline: Timeline, bodies: Mapping[str, CameraBody], happening: Happening) -> Played:
    """Play a day in virtual time, writing nothing anywhere; a run that dies is resumed from its records."""
    day = _Day(timeline, bodies, happening)
    return day.play()


class _Day:
    """A day while it is played: what outlives the program, and the lives of the program in it."""

    def __init__(self, timeline: Timeline, bodies: Mapping[str, CameraBody], happening: Happening) -> None:
        self.timeline = timeline
        self.bodies = bodies
        self.happening = happening
        self.journal = MemoryJournal()
        self.words = dict(happening.words)
        self.devices: dict[str, SimulatedDevice] = {}
        self.exposures: dict[str, list[Exposure]] = {rig: [] for rig, _ in happening.rigs}

    def play(self) -> Played:
        start, set_ns = first_instant(self.timeline), 0
        clock_set = []
        outcome = None
        for crash in (*self.happening.crashes, None):
            clock_set.append((len(self.journal.records) + 1, set_ns))
            try:
                outcome = self._live(start, crash)
            except Died as died:
                self._keep_exposures(set_ns)
                last = self.journal.records[-1] if self.journal.records else {}
                if last.get("kind") == Kind.RUN_ENDED:  # a run that has ended is not resumed
                    outcome = last["outcome"]
                    break
                back_ns = died.at_utc_ns + (crash.down_ns if crash else 0) - set_ns
                set_ns = sum(seconds_to_ns(step_s) for at, step_s in self.happening.steps if at <= back_ns)
                start = back_ns + set_ns
                continue
            except Exception as error:  # noqa: BLE001 - a day is to tell of it, and which day it was
                outcome = f"{type(error).__name__}: {error}"
            self._keep_exposures(set_ns)
            break
        return Played(outcome, self.journal.records, self.exposures, tuple(clock_set))

    def _live(self, start_ns: int, crash: Crash | None) -> str | None:
        """Begin, or go on with what the journal holds, until the end or the crash."""
        self.journal.dies = crash
        engine = Engine(self.timeline)
        engine.restore(self.journal.records)

        also = self._also(start_ns)
        if crash is not None and crash.kept is None:
            also.append(m.TimePassed(now_utc_ns=UtcNs(max(crash.at_utc_ns, start_ns))))  # a step to die at

        def step(now: int) -> None:
            if crash is not None and crash.kept is None and now >= crash.at_utc_ns:
                raise Died(now)

        simulation = Simulation(
            engine=engine,
            cameras={rig: self._opener(rig, draw) for rig, draw in self.happening.rigs},
            next_word=self._next_word,
            journal=self.journal,
            start_utc_ns=start_ns,
            facts={} if self.journal.records else {"mode": "rehearsal", "operator": "script"},
            on_step=step,
            also=also,
            status_every_s=STATUS_EVERY_S,
        )
        return simulation.resume() if self.journal.records else simulation.run()

    def _opener(self, rig: str, draw: RigDraw) -> MakeCamera:
        def open_camera(clock: Clock) -> Camera:
            if rig not in self.devices:
                self.devices[rig] = SimulatedDevice(
                    self.bodies[rig], clock, faults=draw.faults, lag_jitter_s=LAG_JITTER_S,
                    seed=random.Random(f"{self.happening.seed}/{rig}").getrandbits(32),  # noqa: S311
                    battery_percent=draw.battery_percent, battery_per_frame=BATTERY_PER_FRAME,
                    battery_change_s=draw.battery_change_s, card_left=draw.card_frames,
                    card_change_s=draw.card_change_s,
                )  # fmt: skip
            self.devices[rig].clock = clock
            return self.devices[rig].open()

        return open_camera

    def _next_word(self, hold: Hold, opened: int, _first: bool) -> int | None:
        delay = self.words[hold.hold_id]
        return None if delay is None else opened + delay

    def _also(self, start_ns: int) -> list[m.Event]:
        """Return what else the program is told from an instant on.

        Nobody slips or pauses while it is down; what ends a slip or a pause is told once it is back.
        """
        happening = self.happening
        soon = start_ns + NS_PER_S // 2
        also: list[m.Event] = []
        for at, rig, state, mends in happening.slips:
            if at >= start_ns or (mends and self._told_of(at, start_ns)):
                also.append(m.FilterSaid(now_utc_ns=UtcNs(max(at, soon)), rig=rig, state=state))
        for at, until in happening.pauses:
            if at >= start_ns:
                also.append(m.PauseAsked(now_utc_ns=UtcNs(at)))
            if until >= start_ns or self._told_of(until, start_ns):
                also.append(m.GoOnAsked(now_utc_ns=UtcNs(max(until, soon))))
        also += [
            m.ClockStepped(now_utc_ns=UtcNs(at), step_s=step_s)
            for at, step_s in happening.steps
            if at >= start_ns
        ]
        return also

    def _told_of(self, instant_ns: int, start_ns: int) -> bool:
        """Return whether an instant lies between the last record and the start of this life."""
        return bool(self.journal.records) and self.journal.records[-1]["at_utc_ns"] <= instant_ns < start_ns

    def _keep_exposures(self, set_ns: int) -> None:
        for rig, device in self.devices.items():
            kept = self.exposures[rig]
            kept += [Exposure(one.opened_ns, one.ended_ns, set_ns) for one in device.taken[len(kept) :]]


def wilson(hits: int, tries: int, z: float = 1.959963984540054) -> tuple[float, float]:
    """Return Wilson's score interval of a share (E. B. Wilson, J. Am. Stat. Assoc. 22, 1927); 95 % by default."""
    if tries == 0:
        return 0.0, 1.0
    share, zz = hits / tries, z * z
    middle = (share + zz / (2 * tries)) / (1 + zz / tries)
    half = z / (1 + zz / tries) * math.sqrt(share * (1 - share) / tries + zz / (4 * tries * tries))
    return max(0.0, middle - half), min(1.0, middle + half)
