"""Compile: a loaded plan and the contacts at its site become a timeline, or faults, all at once.

What can be told without placing anything (instants, phases, windows, settings, cues) is told first and
together; then the shots are placed (`controller.timeline.placing`), and what has no room is told.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace

from controller.errors import Fault, PlanError
from controller.gear.body import CameraBody, is_listed
from controller.gear.drift import AimPlan, SunSeen
from controller.light.stops import format_exposure, format_f_number, longest_exposure_s
from controller.plan.bodies import bodies_of, known
from controller.plan.brackets import take_exposures
from controller.plan.fields import (
    EARLIEST_FILTER_OFF_BEFORE_C2_S,
    LATEST_FILTER_ON_AFTER_C3_S,
    Anchor,
    shown,
)
from controller.plan.loading import LoadedPlan
from controller.plan.model import PhasePlan, RigPlan, ShotPlan
from controller.plan.source import Loc
from controller.timeline.cues import standing_cues
from controller.timeline.framing import frame_day
from controller.timeline.model import Cue, Frame, Hold, Phase, RigInfo, Settings, Timeline
from controller.timeline.phrases import Phrases, phrases_of
from controller.timeline.placing import (
    Job,
    RigDay,
    Take,
    place_at,
    place_every,
    place_filling,
)
from controller.timeline.taking_off import TakenOff, is_judged, takes_off
from controller.units import NS_PER_S, ContactName, FilterState, UtcNs, seconds_to_ns, utc_iso

MAX_FRAMES = 20_000
"""More frames of one rig than any card or shutter is good for in a day: a plan that asks for more is a slip."""
HANDLING_S = 5.0
"""A filter is not taken off or put on in less (common practice, no single source): a warning below it."""
FIRST_WORD_LEAD_S = 300.0
"""How long before the first phase the first word on the filter is asked for."""
BACK_ON_PHASE = "filter back on"
"""What the hold after the last unfiltered phase is for, where no other phase follows."""
_TAKE_OFF, _PUT_ON = "take off the filter", "put back the filter"


@dataclass(frozen=True, kw_only=True)
class SiteContacts:
    """The contacts a plan is compiled against, with how good they are."""

    kind: str
    """``none``, ``partial``, ``annular`` or ``total`` at the site."""
    contacts_utc_ns: Mapping[ContactName, UtcNs]
    note: str = ""
    uncertainty_s: float = 0.0
    below_horizon: tuple[ContactName, ...] = ()
    keyed_to: str = "mean limb"
    """``mean limb`` or ``lunar limb``: what `contacts_utc_ns` are computed with."""
    mean_utc_ns: Mapping[ContactName, UtcNs] = field(default_factory=dict)
    """With the mean limb, where `contacts_utc_ns` are not."""
    horizon_words: tuple[tuple[str, str], ...] = ()
    """What the horizon or the terrain hides, and how to mend it: warnings."""
    sun: SunSeen | None = None
    """The Sun over the site, for the framing of rigs whose sensor is known."""


@dataclass(frozen=True)
class Compiled:
    """A timeline and what is lost in it (warnings)."""

    timeline: Timeline
    warnings: tuple[Fault, ...]
    bodies: Mapping[str, CameraBody]
    aims: Mapping[str, AimPlan] = field(default_factory=dict)
    """When each fixed rig on the Sun is aimed, where its sensor is known."""


def compile_plan(
    loaded: LoadedPlan, site: SiteContacts, *, time_zone: str = "UTC", phrases: Phrases | None = None
) -> Compiled:
    """Compile a plan against the contacts at its site.

    Args:
        loaded: the plan and where its lines are.
        site: kind and contacts (UTC nanoseconds).
        time_zone: IANA zone for display, when the plan names none.
        phrases: what is said; the plan's own sentences when None.

    Raises:
        PlanError: with every fault of the plan at this site, warnings left out; or with those of its phrase file.
    """
    return _Compiler(loaded, site, time_zone, phrases or phrases_of(loaded)).run()


@dataclass(frozen=True)
class _Stretch:
    """A phase of the plan with its instants, and the same on each rig that takes part."""

    index: int
    plan: PhasePlan
    starts_utc_ns: int
    ends_utc_ns: int
    on_rigs: tuple[Phase, ...]


class _Compiler:
    def __init__(self, loaded: LoadedPlan, site: SiteContacts, time_zone: str, phrases: Phrases) -> None:
        self.plan = loaded.plan
        self.source = loaded.source
        self.site = site
        self.phrases = phrases
        self.time_zone = self.plan.site.time_zone or time_zone
        self.faults: dict[Fault, None] = dict.fromkeys(loaded.warnings)
        bodies = bodies_of(loaded)
        self.days = {rig.name: RigDay(rig, bodies[rig.name]) for rig in self.plan.rigs}
        self.window: tuple[UtcNs, UtcNs] | None = None

    def fault(self, loc: Loc, what: str, mend: str, severity: str = "error") -> None:
        self.faults[self.source.fault(loc, what, mend, severity)] = None

    def run(self) -> Compiled:
        if self.site.kind == "none" or not self.site.contacts_utc_ns:
            self.fault(
                ("site",),
                f"The eclipse of {self.plan.eclipse} does not reach this site.",
                "choose a site that it reaches, or another date.",
            )
            self.stop_at_errors()
        self.check_horizon()
        self.window = self.unfiltered_window()
        stretches = self.stretches()
        phases = tuple(
            sorted(
                (phase for stretch in stretches for phase in stretch.on_rigs),
                key=lambda phase: (phase.starts_utc_ns, phase.rig),
            )
        )
        holds = tuple(self.holds(phases))
        cues = self.cues(holds)
        jobs = [self.jobs(stretch) for stretch in stretches]
        self.stop_at_errors()
        for of_phase in jobs:
            self.place_fixed(of_phase)
        for of_phase in jobs:
            self.place_filling(of_phase)
        self.check_cards_and_buffers()
        self.stop_at_errors()
        framed = frame_day(
            self.days, self.site.sun, self.site.kind, self.site.contacts_utc_ns, self.window, self.source,
            self.phrases,
        )  # fmt: skip
        self.told(list(framed.faults))
        cues = sorted([*cues, *framed.cues], key=lambda cue: (cue.at_utc_ns, cue.cue_id))
        timeline = Timeline(
            title=self.plan.title,
            site_name=self.plan.site.name,
            latitude_deg=self.plan.site.latitude,
            longitude_deg=self.plan.site.longitude,
            elevation_m=self.plan.site.elevation,
            time_zone=self.time_zone,
            kind=self.site.kind,
            contacts_utc_ns=dict(self.site.contacts_utc_ns),
            contacts_note=self.site.note,
            contacts_uncertainty_s=self.site.uncertainty_s,
            contacts_keyed_to=self.site.keyed_to,
            contacts_mean_utc_ns=dict(self.site.mean_utc_ns),
            unfiltered_from_utc_ns=self.window[0] if self.window else None,
            unfiltered_until_utc_ns=self.window[1] if self.window else None,
            rigs=tuple(self.rig_info(rig) for rig in self.plan.rigs),
            phases=phases,
            holds=holds,
            frames=tuple(self.frames()),
            cues=tuple(cues),
            phrases=self.phrases,
        )
        return Compiled(
            timeline,
            tuple(sorted(self.faults)),
            {name: day.body for name, day in self.days.items()},
            framed.aims,
        )

    def stop_at_errors(self) -> None:
        errors = [fault for fault in self.faults if fault.severity == "error"]
        if errors:
            raise PlanError(self.source.path, errors)

    # --- instants and phases ----------------------------------------------------------------

    def resolve(self, anchor: Anchor, loc: Loc) -> int | None:
        contact = self.site.contacts_utc_ns.get(anchor.contact)
        if contact is None:
            self.fault(
                loc,
                f'"{anchor}" has no meaning here: the eclipse is {self.site.kind} at this site and has no '
                f"{anchor.contact}.",
                f"use one of the contacts there are ({', '.join(self.site.contacts_utc_ns)}), or another site.",
            )
            return None
        return contact + seconds_to_ns(anchor.offset_s)

    def unfiltered_window(self) -> tuple[UtcNs, UtcNs] | None:
        if self.site.kind != "total":
            return None
        contacts = self.site.contacts_utc_ns
        holds = self.plan.holds
        start = self.resolve(holds.filter_off_earliest, ("holds", "filter_off_earliest"))
        end = self.resolve(holds.filter_on_latest, ("holds", "filter_on_latest"))
        if start is None or end is None:
            return None
        # The hard bounds hold whatever the plan says; the loader has refused a plan that goes past them.
        start = max(start, contacts[ContactName.C2] - seconds_to_ns(EARLIEST_FILTER_OFF_BEFORE_C2_S))
        end = min(end, contacts[ContactName.C3] + seconds_to_ns(LATEST_FILTER_ON_AFTER_C3_S))
        return UtcNs(start), UtcNs(end)

    def stretches(self) -> list[_Stretch]:
        found = []
        for index, plan in enumerate(self.plan.phases):
            stretch = self.stretch(index, plan)
            if stretch:
                found.append(stretch)
        self.check_overlaps(found)
        return found

    def stretch(self, index: int, plan: PhasePlan) -> _Stretch | None:
        loc: Loc = ("phases", index)
        if plan.filter is FilterState.OFF and self.site.kind != "total":
            self.fault(
                (*loc, "filter"),
                f'The phase "{plan.name}" has the filter off, but the eclipse is {self.site.kind} at this site: '
                "there is no totality.",
                "keep the filter on (filter: on), or move the site into the path of totality.",
            )
            return None
        rigs = [rig for rig in self.plan.rigs if plan.rigs is None or rig.name in plan.rigs]
        for rig in rigs:
            if rig.points_at == "landscape" and plan.filter is not FilterState.NOT_NEEDED:
                self.fault(
                    (*loc, "filter"),
                    f'The rig "{rig.name}" points at the landscape, so nobody is asked whether its filter is '
                    f"{plan.filter}, and nothing would fire.",
                    "write filter: not needed in a phase of its own, or points_at: sun for a rig that needs its "
                    "filter.",
                )
        start = self.resolve(plan.starts, (*loc, "from"))
        end = self.resolve(plan.until, (*loc, "until"))
        if start is None or end is None:
            return None
        if end <= start:
            self.fault(
                (*loc, "until"),
                f'The phase "{plan.name}" ends {(start - end) / NS_PER_S:.1f} s before it starts at this site.',
                "move its from earlier or its until later.",
            )
            return None
        if plan.filter is FilterState.OFF:
            self.check_window(loc, plan, start, end)
        on_rigs = tuple(
            Phase(
                name=plan.name,
                rig=rig.name,
                starts_utc_ns=UtcNs(start),
                ends_utc_ns=UtcNs(end),
                filter_need=plan.filter,
            )
            for rig in rigs
        )
        return _Stretch(index, plan, start, end, on_rigs)

    def check_window(self, loc: Loc, phase: PhasePlan, start: int, end: int) -> None:
        if self.window is None:
            return  # its bounds could not be resolved, which is a fault already
        for key, over, bound, mend in (
            ("from", self.window[0] - start, "filter_off_earliest", "start it later"),
            ("until", end - self.window[1], "filter_on_latest", "end it earlier"),
        ):
            if over > 0:
                self.fault(
                    (*loc, key),
                    f'The phase "{phase.name}" has the filter off {over / NS_PER_S:.1f} s outside its window '
                    f"({bound}).",
                    f"{mend}, or widen {bound} inside the hard bounds "
                    f"({EARLIEST_FILTER_OFF_BEFORE_C2_S:.0f} s before C2, {LATEST_FILTER_ON_AFTER_C3_S:.0f} s after "
                    "C3).",
                )

    def check_overlaps(self, stretches: list[_Stretch]) -> None:
        lasting: dict[str, _Stretch] = {}
        for stretch in sorted(stretches, key=lambda stretch: (stretch.starts_utc_ns, stretch.index)):
            for phase in stretch.on_rigs:
                before = lasting.get(phase.rig)
                if before is None:
                    lasting[phase.rig] = stretch
                    continue
                overlap = min(before.ends_utc_ns, stretch.ends_utc_ns) - stretch.starts_utc_ns
                if overlap > 0:
                    self.fault(
                        ("phases", stretch.index, "from"),
                        f'The phases "{before.plan.name}" and "{stretch.plan.name}" overlap by '
                        f'{overlap / NS_PER_S:.1f} s on rig "{phase.rig}" at this site.',
                        "a rig is in one phase at a time: end the one before the other starts.",
                    )
                lasting[phase.rig] = max(before, stretch, key=lambda one: one.ends_utc_ns)

    def check_horizon(self) -> None:
        for contact in self.site.below_horizon:
            self.fault(
                ("site",),
                f"{contact} is below the horizon at this site.",
                "expect nothing from the frames around it, or choose a site further along the path.",
                "warning",
            )
        for what, mend in self.site.horizon_words:
            self.fault(("site", "horizon"), what, mend, "warning")

    # --- holds and cues ---------------------------------------------------------------------

    def holds(self, phases: tuple[Phase, ...]) -> Iterator[Hold]:
        """One hold for each run of phases of a rig with the same filter state."""
        lead = seconds_to_ns(FIRST_WORD_LEAD_S)
        number = 0
        for rig in self.plan.rigs:
            runs: list[list[Phase]] = []
            for phase in phases:
                if phase.rig != rig.name or phase.filter_need is FilterState.NOT_NEEDED:
                    continue
                if runs and runs[-1][-1].filter_need is phase.filter_need:
                    runs[-1].append(phase)
                else:
                    runs.append([phase])
            before: Phase | None = None
            for run in runs:
                number += 1
                yield self.hold(f"{rig.name}/{run[0].name}#{number}", before, run)
                before = run[-1]
            if before and before.filter_need is FilterState.OFF and self.window:
                # The filter goes back on even where nothing more is to be photographed.
                number += 1
                yield Hold(
                    hold_id=f"{rig.name}/{BACK_ON_PHASE}#{number}",
                    rig=rig.name,
                    phase=BACK_ON_PHASE,
                    needs=FilterState.ON,
                    opens_utc_ns=before.ends_utc_ns,
                    due_utc_ns=self.window[1],
                    closes_utc_ns=UtcNs(self.window[1] + lead),
                )
                self.check_handling(before, "until", _PUT_ON, self.window[1] - before.ends_utc_ns)

    def hold(self, hold_id: str, before: Phase | None, run: list[Phase]) -> Hold:
        first = run[0]
        opens, due = first.starts_utc_ns - seconds_to_ns(FIRST_WORD_LEAD_S), first.starts_utc_ns
        if before:
            opens = before.ends_utc_ns
        if self.window and first.filter_need is FilterState.OFF:
            opens = max(opens, self.window[0])
            self.check_handling(first, "from", _TAKE_OFF, due - opens)
        elif self.window and before:
            due = min(due, self.window[1])  # back on in time, however late the next phase starts
            self.check_handling(before, "until", _PUT_ON, due - opens)
        return Hold(
            hold_id=hold_id,
            rig=first.rig,
            phase=first.name,
            needs=first.filter_need,
            opens_utc_ns=UtcNs(opens),
            due_utc_ns=UtcNs(due),
            closes_utc_ns=run[-1].ends_utc_ns,
        )

    def check_handling(self, phase: Phase, key: str, what: str, room_ns: int) -> None:
        room = room_ns / NS_PER_S
        if 0 <= room < HANDLING_S:  # less than nothing is a phase outside its window, or an overlap: an error
            index = [plan.name for plan in self.plan.phases].index(phase.name)
            self.fault(
                ("phases", index, key),
                f'The phase "{phase.name}" leaves {room:.1f} s to {what} of rig "{phase.rig}": hardly anybody is '
                "that quick.",
                f"leave at least {HANDLING_S:.0f} s for the filter.",
                "warning",
            )

    def cues(self, holds: tuple[Hold, ...]) -> list[Cue]:
        found = standing_cues(
            self.site.kind,
            self.site.contacts_utc_ns,
            holds,
            seconds_to_ns(self.plan.holds.lead),
            self.phrases,
        )
        self.check_language()
        self.check_rig_names()
        for index, cue in enumerate(self.plan.cues):
            at = self.resolve(cue.at, ("cues", index, "at"))
            if at is not None:
                self.check_cue(index, cue.say, at)
                found.append(Cue(cue_id=f"plan/{index + 1}", at_utc_ns=UtcNs(at), say=cue.say))
        return sorted(found, key=lambda cue: (cue.at_utc_ns, cue.cue_id))

    def check_language(self) -> None:
        """Warn of sentences that nobody has judged: only a listener can tell what they may be heard to say (HF-S13)."""
        language = self.phrases.language
        if not is_judged(language):
            self.fault(
                ("speech",),
                f"What is said is in the language {language}, which the program does not understand: nothing has checked "
                "that no sentence, nor a cue of yours, says too soon that the filter or eye protection may come off.",
                "hear them with holdfire cues PLAN --speak, beside somebody who speaks it well.",
                "warning",
            )

    def check_rig_names(self) -> None:
        """Warn of a rig whose name, said in one sentence with its filter, may be heard to take that off (HF-S13)."""
        for index, rig in enumerate(self.plan.rigs):
            said = [f"{word} {rig.name}" for word in ("filter", "filtro")]
            if rig.points_at == "sun" and any(map(takes_off, said)):
                self.fault(
                    ("rigs", index, "name"),
                    f"{shown(rig.name)} is said in one sentence with its filter, and may be heard to take that off.",
                    "call the rig something else.",
                    "warning",
                )

    def check_cue(self, index: int, say: str, at: int) -> None:
        """Refuse a cue that may be heard to take off what must stay on at its instant (HF-S13)."""
        thing = takes_off(say)
        if thing is None:
            return
        contacts = self.site.contacts_utc_ns
        if self.window:
            earliest = self.window[0] if thing is TakenOff.FILTER else contacts[ContactName.C2]
            if earliest <= at <= contacts[ContactName.C3]:
                return
        self.fault(
            ("cues", index, "say"),
            f"{shown(say)} may be heard to take {thing.value} off, and at that instant it stays on.",
            "say in a sentence of its own that it stays on; the filter is asked for without a cue when it is time.",
        )

    def rig_info(self, rig: RigPlan) -> RigInfo:
        return RigInfo(
            name=rig.name,
            driver=rig.camera.driver,
            match=rig.camera.match,
            points_at_sun=rig.points_at == "sun",
            filter_text=rig.filter.kind if rig.filter else "",
            release_lag_s=self.days[rig.name].body.release_lag_s,
            word_within_s=self.days[rig.name].body.word_within_s,
        )

    # --- shots ------------------------------------------------------------------------------

    def jobs(self, stretch: _Stretch) -> list[Job]:
        found = []
        for phase in stretch.on_rigs:
            for index, shot in enumerate(stretch.plan.shots):
                job = self.job(("phases", stretch.index, "shots", index), shot, phase)
                if job:
                    found.append(job)
        return found

    def job(self, loc: Loc, shot: ShotPlan, phase: Phase) -> Job | None:
        body, rig = self.days[phase.rig].body, self.days[phase.rig].rig
        exposures = take_exposures(shot)
        f_number = known(shot.aperture, rig.optics.aperture)
        iso = known(shot.iso, rig.iso)
        self.check_settings(loc, shot, rig, exposures)
        span = self.span(loc, shot, phase)
        if span is None:
            return None
        cycle = [
            seconds_to_ns(body.cycle_s(longest_exposure_s(exposure), settings_change=len(exposures) > 1))
            for exposure in exposures
        ]
        cycle[-1] = seconds_to_ns(body.cycle_s(longest_exposure_s(exposures[-1]), settings_change=True))
        if shot.fill:  # it goes on for long: no faster than the card is written
            cycle = [max(slot, seconds_to_ns(body.write_time_s)) for slot in cycle]
        return Job(
            shot=shot,
            loc=loc,
            phase=phase,
            f_number=f_number,
            iso=iso,
            exposures_s=exposures,
            slots_ns=tuple(cycle),
            starts_utc_ns=span[0],
            until_utc_ns=span[1],
        )

    def span(self, loc: Loc, shot: ShotPlan, phase: Phase) -> tuple[int, int] | None:
        """Return the start (or the fixed instant) and the end of a shot's stretch, or None and faults."""
        at = self.resolve(shot.at, (*loc, "at")) if shot.at else None
        start = self.resolve(shot.starts, (*loc, "from")) if shot.starts else phase.starts_utc_ns
        until = self.resolve(shot.until, (*loc, "until")) if shot.until else phase.ends_utc_ns
        if start is None or until is None or (shot.at and at is None):
            return None
        outside = False
        if at is not None and not phase.starts_utc_ns <= at < phase.ends_utc_ns:
            outside = True
            self.fault(
                (*loc, "at"),
                f'The shot "{shot.name}" is at {utc_iso(at, 1)}, outside the phase "{phase.name}" '
                f"({utc_iso(phase.starts_utc_ns, 1)} to {utc_iso(phase.ends_utc_ns, 1)}).",
                "move it into the phase.",
            )
        for key, over in (("from", phase.starts_utc_ns - start), ("until", until - phase.ends_utc_ns)):
            if over > 0:
                outside = True
                self.fault(
                    (*loc, key),
                    f'The shot "{shot.name}" reaches {over / NS_PER_S:.1f} s outside the phase "{phase.name}".',
                    "keep its stretch inside the phase.",
                )
        if outside:
            return None
        start = start if at is None else at
        if until <= start:
            key = "until" if shot.until else "from"
            self.fault(
                (*loc, key),
                f'The shot "{shot.name}" ends {(start - until) / NS_PER_S:.1f} s before it starts at this site.',
                "let it start earlier or end later.",
            )
            return None
        return start, until

    def check_settings(self, loc: Loc, shot: ShotPlan, rig: RigPlan, exposures: tuple[float, ...]) -> None:
        body = self.days[rig.name].body
        here: Loc = ("rigs", self.plan.rigs.index(rig))
        camera = f'The camera of rig "{rig.name}" does not list'
        unlisted = [e for e in sorted(exposures) if not is_listed(e, body.shutter_s)]
        if unlisted:
            shortest, longest = (format_exposure(find(body.shutter_s)) for find in (min, max))
            bulb = (
                "longer ones need bulb, which is not fired: " if max(unlisted) > max(body.shutter_s) else ""
            )
            self.fault(
                (*loc, "exposure" if shot.exposure is not None else "bracket"),
                f"{camera} {', '.join(map(format_exposure, unlisted))}.",
                f"{bulb}use times from {shortest} to {longest}, or say in shutter_speeds what it has.",
            )
        f_number = known(shot.aperture, rig.optics.aperture)
        if not is_listed(f_number, body.f_numbers):
            self.fault(
                (*loc, "aperture") if shot.aperture else (*here, "optics", "aperture"),
                f"{camera} {format_f_number(f_number)}.",
                f"use one from {format_f_number(min(body.f_numbers))} to {format_f_number(max(body.f_numbers))}, or "
                "say in apertures what it has.",
            )
        iso = known(shot.iso, rig.iso)
        if not is_listed(iso, body.isos):
            self.fault(
                (*loc, "iso") if shot.iso else (*here, "iso"),
                f"{camera} ISO {iso}.",
                f"use one from ISO {min(body.isos)} to ISO {max(body.isos)}, or say in isos what it has.",
            )

    def place_fixed(self, jobs: list[Job]) -> None:
        jobs = sorted(jobs, key=lambda job: job.shot.wanted.rank)
        for job in jobs:
            if job.shot.at:
                self.told(place_at(self.days[job.phase.rig], job, self.source))
        for job in jobs:
            if job.shot.every is not None:
                self.told(place_every(self.days[job.phase.rig], job, self.source))

    def place_filling(self, jobs: list[Job]) -> None:
        for rig, day in self.days.items():
            self.told(
                place_filling(day, [j for j in jobs if j.shot.fill and j.phase.rig == rig], self.source)
            )

    def told(self, faults: list[Fault]) -> None:
        self.faults.update(dict.fromkeys(faults))

    # --- frames -----------------------------------------------------------------------------

    def frames(self) -> list[Frame]:
        found: list[Frame] = []
        for rig, day in self.days.items():
            taken: Counter[tuple[str, str]] = Counter()
            mine: list[Frame] = []
            for take in sorted(day.takes, key=lambda take: take.start_utc_ns):
                shot = (take.job.phase.name, take.job.shot.name)
                taken[shot] += 1
                mine += self.frames_of(take, taken[shot])
            found += [replace(frame, frame_id=f"{rig}/{number:04d}") for number, frame in enumerate(mine, 1)]
        return sorted(found, key=lambda frame: (frame.due_utc_ns, frame.frame_id))

    def frames_of(self, take: Take, number: int) -> Iterator[Frame]:
        job = take.job
        ends_by: int = job.phase.ends_utc_ns
        if job.phase.filter_need is FilterState.OFF and self.window:
            ends_by = min(ends_by, self.window[1])
        for step, (due, slot) in enumerate(zip(take.dues_utc_ns, take.slots_ns, strict=True)):
            exposure = seconds_to_ns(longest_exposure_s(job.exposures_s[step]))
            movable_until = job.until_utc_ns - exposure
            if take.slack_ns is not None:
                movable_until = min(movable_until, due + take.slack_ns)
            yield Frame(
                frame_id="",
                rig=job.phase.rig,
                phase=job.phase.name,
                shot=job.shot.name,
                take=number,
                step=step + 1,
                settings=Settings(exposure_s=job.exposures_s[step], f_number=job.f_number, iso=job.iso),
                wanted=job.shot.wanted,
                filter_need=job.phase.filter_need,
                due_utc_ns=UtcNs(due),
                deadline_utc_ns=UtcNs(min(due + seconds_to_ns(job.shot.late_limit), ends_by - exposure)),
                ends_by_utc_ns=UtcNs(ends_by),
                starts_from_utc_ns=UtcNs(take.starts_from_utc_ns),
                movable_until_utc_ns=UtcNs(movable_until),
                slot_ns=slot,
            )

    def check_cards_and_buffers(self) -> None:
        for index, rig in enumerate(self.plan.rigs):
            day = self.days[rig.name]
            body = day.body
            here: Loc = ("rigs", index, "camera")
            count = sum(len(take.slots_ns) for take in day.takes)
            if count > MAX_FRAMES:
                self.fault(
                    here, f'The rig "{rig.name}" comes to {count} frames.', f"take {MAX_FRAMES} at most."
                )
            if body.card_frames is not None and count > body.card_frames:
                self.fault(
                    (*here, "card_frames"),
                    f'The rig "{rig.name}" comes to {count} frames and its card holds {body.card_frames}.',
                    "use a larger card, or take fewer frames.",
                )
            needed, fullest = _fullest_buffer(day)
            if fullest and needed > body.buffer_frames:
                self.fault(
                    (*fullest.loc, "name"),
                    f'The buffer of rig "{rig.name}" holds {body.buffer_frames} frames and "{fullest.shot.name}" '
                    f"needs {needed}: frames will be late.",
                    "take fewer frames in a row, or further apart.",
                    "warning",
                )


def _fullest_buffer(day: RigDay) -> tuple[int, Job | None]:
    """Return the most frames that wait for the card at once, and the shot that brings it there."""
    write_ns = day.body.write_time_s * NS_PER_S
    waiting, then, most, fullest = 0.0, 0, 0, None
    for take in sorted(day.takes, key=lambda take: take.start_utc_ns):
        for due in take.dues_utc_ns:
            written = (due - then) / write_ns if write_ns else math.inf
            waiting, then = max(0.0, waiting - written) + 1, due
            if math.ceil(waiting) > most:
                most, fullest = math.ceil(waiting), take.job
    return most, fullest
