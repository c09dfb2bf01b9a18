"""Small timelines made by hand for the engine's tests."""

from __future__ import annotations

from controller.engine import messages as m
from controller.engine.engine import Engine
from controller.timeline.model import Cue, Frame, Hold, Phase, RigInfo, Settings, Timeline
from controller.units import ContactName, FilterState, UtcNs, Wanted, seconds_to_ns

ON, OFF, NOT_NEEDED = FilterState.ON, FilterState.OFF, FilterState.NOT_NEEDED
T0 = 1_817_000_000 * 1_000_000_000
"""Second zero of the tests: an arbitrary whole UTC second."""


def at(seconds: float) -> UtcNs:
    """Seconds of the test's day as an instant."""
    return UtcNs(T0 + seconds_to_ns(seconds))


def frame(
    number: int,
    due: float,
    *,
    rig: str = "long",
    phase: str = "totality",
    need: FilterState = OFF,
    wanted: Wanted = Wanted.WANT,
    exposure_s: float = 0.1,
    slot_s: float = 1.0,
    until: float | None = None,
    ends_by: float = 130.0,
    late_s: float = 0.5,
    starts_from: float | None = None,
) -> Frame:
    """One frame; `until` is the latest release a refit may give it."""
    last = ends_by - exposure_s
    return Frame(
        frame_id=f"{rig}/{number:04d}",
        rig=rig,
        phase=phase,
        shot=f"shot {number}",
        take=1,
        step=1,
        settings=Settings(exposure_s=exposure_s, f_number=8, iso=100),
        wanted=wanted,
        filter_need=need,
        due_utc_ns=at(due),
        deadline_utc_ns=at(min(due + late_s, last)),
        ends_by_utc_ns=at(ends_by),
        starts_from_utc_ns=at(due if starts_from is None else starts_from),
        movable_until_utc_ns=at(min(due + late_s if until is None else until, last)),
        slot_ns=seconds_to_ns(slot_s),
    )


def rig_info(name: str = "long", *, points_at_sun: bool = True) -> RigInfo:
    """A simulated rig."""
    return RigInfo(
        name=name, driver="simulated", match=None, points_at_sun=points_at_sun, filter_text="glass",
        release_lag_s=0.05,
    )  # fmt: skip


def timeline(
    frames: list[Frame], *, rigs: tuple[RigInfo, ...] = (rig_info(),), cues: tuple[Cue, ...] = ()
) -> Timeline:
    """A day of 0-80 s filtered, 100-130 s unfiltered (window 95-135 s), 150-200 s filtered.

    C2 is at 110 s, C3 at 125 s.
    """
    phases, holds = [], []
    for rig in rigs:
        if not rig.points_at_sun:
            phases.append(_phase("landscape", rig.name, 0, 200, NOT_NEEDED))
            continue
        phases += [
            _phase("partial in", rig.name, 0, 80, ON),
            _phase("totality", rig.name, 100, 130, OFF),
            _phase("partial out", rig.name, 150, 200, ON),
        ]
        holds += [
            _hold("partial in", rig.name, ON, -60, 0, 80),
            _hold("totality", rig.name, OFF, 95, 100, 130),
            _hold("partial out", rig.name, ON, 130, 150, 200),
        ]
    return Timeline(
        title="test day",
        site_name="hill",
        latitude_deg=40,
        longitude_deg=-3,
        elevation_m=0,
        time_zone="UTC",
        kind="total",
        contacts_utc_ns={ContactName.C2: at(110), ContactName.C3: at(125)},
        contacts_note="made up",
        contacts_uncertainty_s=1,
        unfiltered_from_utc_ns=at(95),
        unfiltered_until_utc_ns=at(135),
        rigs=rigs,
        phases=tuple(phases),
        holds=tuple(holds),
        frames=tuple(sorted(frames, key=lambda f: (f.due_utc_ns, f.frame_id))),
        cues=cues,
    )


def _phase(name: str, rig: str, start: float, end: float, need: FilterState) -> Phase:
    return Phase(name=name, rig=rig, starts_utc_ns=at(start), ends_utc_ns=at(end), filter_need=need)


def _hold(phase: str, rig: str, needs: FilterState, opens: float, due: float, closes: float) -> Hold:
    return Hold(
        hold_id=f"{rig}/{phase}",
        rig=rig,
        phase=phase,
        needs=needs,
        opens_utc_ns=at(opens),
        due_utc_ns=at(due),
        closes_utc_ns=at(closes),
    )


class Bench:
    """An engine on the bench: feeds events, keeps effects, answers hand-overs like an obedient camera."""

    def __init__(self, day: Timeline, *, obedient: bool = True) -> None:
        self.engine = Engine(day)
        self.day = day
        self.obedient = obedient
        self.effects: list[m.Effect] = []
        self.fired: list[tuple[float, str]] = []
        self._handed: dict[str, Frame] = {}

    def feed(self, event: m.Event) -> list[m.Effect]:
        """Hand in one event."""
        return self.note(self.engine.handle(event))

    def note(self, effects: list[m.Effect]) -> list[m.Effect]:
        """Keep effects that came otherwise."""
        self.effects += effects
        for effect in effects:
            if isinstance(effect, m.HandOver):
                self._handed[effect.frame.frame_id] = effect.frame
        withdrawn = [
            (i, effect.reason)
            for effect in effects
            if isinstance(effect, m.Withdraw)
            for i in effect.frame_ids
        ]
        for frame_id, reason in withdrawn:
            if self._handed.pop(frame_id, None):
                now = UtcNs(self.engine.view(at(0)).now_utc_ns)
                self.feed(m.FrameMissed(now_utc_ns=now, frame_id=frame_id, reason=reason))
        return effects

    def begin(self, seconds: float = -30, *, ready: bool = True) -> None:
        """Begin the run, with all cameras open."""
        self.feed(m.Begin(now_utc_ns=at(seconds)))
        if ready:
            for rig in self.day.rigs:
                self.feed(m.CameraReady(now_utc_ns=at(seconds), rig=rig.name))

    def say(self, seconds: float, state: FilterState, rig: str | None = None) -> None:
        """The operator says a word."""
        self.run_to(seconds)
        self.feed(m.FilterSaid(now_utc_ns=at(seconds), rig=rig, state=state))

    def run_to(self, seconds: float) -> None:
        """Let time pass, a tenth of a second at a time, firing what was handed over when it is due."""
        now = self.engine._now
        while now < at(seconds):
            now = min(now + seconds_to_ns(0.1), at(seconds))
            self.feed(m.TimePassed(now_utc_ns=UtcNs(now)))
            if self.obedient:
                for one in sorted(self._handed.values(), key=lambda f: f.due_utc_ns):
                    if one.due_utc_ns <= now:
                        del self._handed[one.frame_id]
                        self.fired.append(((one.due_utc_ns - T0) / 1e9, one.frame_id))
                        self.feed(
                            m.FrameFired(
                                now_utc_ns=UtcNs(now), frame_id=one.frame_id, released_utc_ns=one.due_utc_ns
                            )
                        )

    def records(self, kind: str) -> list[m.Record]:
        """All records of a kind so far."""
        return [e for e in self.effects if isinstance(e, m.Record) and e.kind == kind]

    def missed(self) -> dict[str, str]:
        """Frame id -> reason, of all missed so far."""
        return {r.data["frame_id"]: r.data["reason"] for r in self.records("frame_missed")}

    def said(self) -> list[str]:
        """Every sentence spoken so far."""
        return [e.text for e in self.effects if isinstance(e, m.Say)]
