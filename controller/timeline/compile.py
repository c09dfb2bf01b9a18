"""Compile: a loaded plan and the contacts at its site become a timeline, or faults, all at once.

Order of placing on one rig: shots with a fixed instant (`at`), then those that repeat (`every`), then
those that fill; within each kind the most wanted first, then the order of the file. What fills takes
the time that the others leave.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import TypeVar

from controller.errors import Fault, PlanError
from controller.gear.body import SIMULATED_BODY, TETHERED_BODY, CameraBody, is_listed
from controller.light.stops import format_exposure
from controller.plan.brackets import take_exposures
from controller.plan.fields import (
    EARLIEST_FILTER_OFF_BEFORE_C2_S,
    LATEST_FILTER_ON_AFTER_C3_S,
    Anchor,
)
from controller.plan.loading import LoadedPlan
from controller.plan.model import PhasePlan, RigPlan, ShotPlan
from controller.timeline.cues import standing_cues
from controller.timeline.model import Cue, Frame, Hold, Phase, RigInfo, Settings, Timeline
from controller.timeline.refit import Slots
from controller.units import NS_PER_S, ContactName, FilterState, UtcNs, seconds_to_ns, utc_iso

Loc = tuple[str | int, ...]

HANDLING_S = 5.0
"""A filter is not taken off or put on in less (common practice, no single source): a warning below it."""
FIRST_WORD_LEAD_S = 300.0
"""How long before the first phase the first word on the filter is asked for."""
MAX_FRAMES = 20_000
"""More frames than any card or shutter is good for in a day: a plan that asks for more is a slip."""
SHORTEST_TAKE_PREFIX = 3
"""A bracket that fills may end cut short to this many frames: coarse to fine, they still span it."""


@dataclass(frozen=True, kw_only=True)
class SiteContacts:
    """The contacts a plan is compiled against, with how good they are."""

    kind: str
    """``none``, ``partial``, ``annular`` or ``total`` at the site."""
    contacts_utc_ns: Mapping[ContactName, UtcNs]
    note: str = ""
    uncertainty_s: float = 0.0
    below_horizon: tuple[ContactName, ...] = ()


@dataclass(frozen=True)
class Compiled:
    """A timeline and what is lost in it (warnings)."""

    timeline: Timeline
    warnings: tuple[Fault, ...]
    bodies: Mapping[str, CameraBody]


@dataclass
class _Take:
    shot: ShotPlan
    exposures_s: tuple[float, ...]
    loc: Loc
    phase: Phase
    starts_from: int
    movable_until: int
    aperture: float
    iso: int
    slots_ns: tuple[int, ...] = ()

    @property
    def length_ns(self) -> int:
        return sum(self.slots_ns)

    def exposing_ns(self, count: int) -> int:
        """From the first opening to the last closing of the first `count` frames."""
        return sum(self.slots_ns[: count - 1]) + seconds_to_ns(self.exposures_s[count - 1])


@dataclass
class _Placed:
    take: _Take
    start: int
    number: int
    count: int


@dataclass
class _RigDay:
    rig: RigPlan
    body: CameraBody
    slots: Slots = field(default_factory=Slots)
    placed: list[_Placed] = field(default_factory=list)


_T = TypeVar("_T")


def _known(given: _T | None, assumed: _T) -> _T:
    return assumed if given is None else given


def body_of(rig: RigPlan) -> CameraBody:
    """Return what planning assumes of the rig's camera: the driver's defaults under the plan's own figures."""
    base = SIMULATED_BODY if rig.camera.driver == "simulated" else TETHERED_BODY
    camera = rig.camera

    return CameraBody(
        shutter_s=tuple(_known(camera.shutter_speeds, list(base.shutter_s))),
        f_numbers=tuple(_known(camera.apertures, list(base.f_numbers))),
        isos=tuple(_known(camera.isos, list(base.isos))),
        frame_gap_s=_known(camera.frame_gap, base.frame_gap_s),
        setting_time_s=_known(camera.setting_time, base.setting_time_s),
        release_lag_s=_known(camera.release_lag, base.release_lag_s),
        buffer_frames=_known(camera.buffer_frames, base.buffer_frames),
        write_time_s=_known(camera.write_time, base.write_time_s),
        card_frames=_known(camera.card_frames, base.card_frames),
    )


def compile_plan(loaded: LoadedPlan, site: SiteContacts, *, time_zone: str = "UTC") -> Compiled:
    """Compile a plan against the contacts at its site.

    Args:
        loaded: the plan and where its lines are.
        site: kind and contacts (UTC nanoseconds).
        time_zone: IANA zone for display, when the plan names none.

    Raises:
        PlanError: with every fault of the plan at this site, warnings left out.
    """
    return _Compiler(loaded, site, time_zone).run()


class _Compiler:
    def __init__(self, loaded: LoadedPlan, site: SiteContacts, time_zone: str) -> None:
        self.plan = loaded.plan
        self.source = loaded.source
        self.site = site
        self.time_zone = self.plan.site.time_zone or time_zone
        self.faults: list[Fault] = list(loaded.warnings)
        self.days = {rig.name: _RigDay(rig, body_of(rig)) for rig in self.plan.rigs}

    def fault(self, loc: Loc, what: str, mend: str, severity: str = "error") -> None:
        fault = self.source.fault(loc, what, mend, severity)
        if fault not in self.faults:
            self.faults.append(fault)

    def run(self) -> Compiled:
        window = self.unfiltered_window()
        phases = self.phases(window)
        self.check_horizon()
        if not self.errors():
            for loc, phase_plan, members in phases:
                self.place_fixed(loc, phase_plan, members)
            for loc, phase_plan, members in phases:
                self.place_filling(loc, phase_plan, members)
            self.check_cards_and_buffers()
        if self.errors():
            raise PlanError(self.source.path, self.errors())
        every_phase = tuple(
            sorted(
                (phase for _, _, members in phases for phase in members),
                key=lambda phase: (phase.starts_utc_ns, phase.rig),
            )
        )
        holds = tuple(self.holds(every_phase, window))
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
            unfiltered_from_utc_ns=window[0] if window else None,
            unfiltered_until_utc_ns=window[1] if window else None,
            rigs=tuple(self.rig_info(rig) for rig in self.plan.rigs),
            phases=every_phase,
            holds=holds,
            frames=tuple(self.frames(window)),
            cues=tuple(self.cues(holds)),
        )
        warnings = tuple(sorted(fault for fault in self.faults if fault.severity == "warning"))
        return Compiled(timeline, warnings, {name: day.body for name, day in self.days.items()})

    def errors(self) -> list[Fault]:
        return [fault for fault in self.faults if fault.severity == "error"]

    # --- anchors, phases, holds -------------------------------------------------------------

    def resolve(self, anchor: Anchor, loc: Loc) -> int | None:
        contact = self.site.contacts_utc_ns.get(anchor.contact)
        if contact is None:
            seen = ", ".join(self.site.contacts_utc_ns) or "no contact at all"
            self.fault(
                loc,
                f'"{anchor}" has no meaning here: the eclipse is {self.site.kind} at this site and has no '
                f"{anchor.contact}.",
                f"use one of the contacts there are ({seen}), or another site.",
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

    def phases(self, window: tuple[UtcNs, UtcNs] | None) -> list[tuple[Loc, PhasePlan, list[Phase]]]:
        found: list[tuple[Loc, PhasePlan, list[Phase]]] = []
        for index, phase_plan in enumerate(self.plan.phases):
            loc: Loc = ("phases", index)
            if phase_plan.filter is FilterState.OFF and self.site.kind != "total":
                self.fault(
                    (*loc, "filter"),
                    f'phase "{phase_plan.name}" has the filter off, but the eclipse is {self.site.kind} at this '
                    "site: there is no totality.",
                    "keep the filter on (filter: on), or move the site into the path of totality.",
                )
                continue
            start = self.resolve(phase_plan.starts, (*loc, "from"))
            end = self.resolve(phase_plan.until, (*loc, "until"))
            if start is None or end is None:
                continue
            if end <= start:
                self.fault(
                    (*loc, "until"),
                    f'phase "{phase_plan.name}" ends {(start - end) / NS_PER_S:.1f} s before it starts at this site.',
                    "move its from earlier or its until later.",
                )
                continue
            if phase_plan.filter is FilterState.OFF and window:
                self.check_window(loc, phase_plan, start, end, window)
            members = [
                Phase(
                    name=phase_plan.name,
                    rig=name,
                    starts_utc_ns=UtcNs(start),
                    ends_utc_ns=UtcNs(end),
                    filter_need=phase_plan.filter,
                )
                for name in phase_plan.rigs or [rig.name for rig in self.plan.rigs]
            ]
            self.check_overlap(loc, members, found)
            found.append((loc, phase_plan, members))
        return found

    def check_window(
        self, loc: Loc, phase: PhasePlan, start: int, end: int, window: tuple[UtcNs, UtcNs]
    ) -> None:
        for key, over, bound, mend in (
            ("from", window[0] - start, "filter_off_earliest", "start it later"),
            ("until", end - window[1], "filter_on_latest", "end it earlier"),
        ):
            if over > 0:
                self.fault(
                    (*loc, key),
                    f'phase "{phase.name}" has the filter off {over / NS_PER_S:.1f} s outside its window '
                    f"({bound}).",
                    f"{mend}, or widen {bound} inside the hard bounds "
                    f"({EARLIEST_FILTER_OFF_BEFORE_C2_S:.0f} s before C2, {LATEST_FILTER_ON_AFTER_C3_S:.0f} s after C3).",
                )
        room = (start - window[0]) / NS_PER_S
        if 0 <= room < HANDLING_S:
            self.fault(
                (*loc, "from"),
                f'phase "{phase.name}" starts {room:.1f} s after the filter may come off: hardly anybody is that quick.',
                f"leave at least {HANDLING_S:.0f} s between filter_off_earliest and the phase.",
                "warning",
            )

    def check_overlap(
        self, loc: Loc, members: list[Phase], found: list[tuple[Loc, PhasePlan, list[Phase]]]
    ) -> None:
        for phase in members:
            for _, other_plan, others in found:
                for other in others:
                    if other.rig != phase.rig:
                        continue
                    overlap = min(phase.ends_utc_ns, other.ends_utc_ns) - max(
                        phase.starts_utc_ns, other.starts_utc_ns
                    )
                    if overlap > 0:
                        self.fault(
                            (*loc, "from"),
                            f'phases "{other_plan.name}" and "{phase.name}" overlap by {overlap / NS_PER_S:.1f} s on rig '
                            f'"{phase.rig}" at this site.',
                            "a rig is in one phase at a time: end the one before the other starts.",
                        )

    def check_horizon(self) -> None:
        for contact in self.site.below_horizon:
            self.fault(
                ("site",),
                f"{contact} is below the horizon at this site.",
                "expect nothing from the frames around it, or choose a site further along the path.",
                "warning",
            )

    def holds(self, phases: Iterable[Phase], window: tuple[UtcNs, UtcNs] | None) -> Iterator[Hold]:
        lead = seconds_to_ns(FIRST_WORD_LEAD_S)
        for rig in self.plan.rigs:
            mine = [p for p in phases if p.rig == rig.name and p.filter_need is not FilterState.NOT_NEEDED]
            before: Phase | None = None
            for phase in mine:
                if before is None or before.filter_need is not phase.filter_need:
                    opens: int = before.ends_utc_ns if before else phase.starts_utc_ns - lead
                    if phase.filter_need is FilterState.OFF and window:
                        opens = max(opens, window[0])
                    yield Hold(
                        hold_id=f"{rig.name}/{phase.name}",
                        rig=rig.name,
                        phase=phase.name,
                        needs=phase.filter_need,
                        opens_utc_ns=UtcNs(opens),
                        due_utc_ns=phase.starts_utc_ns,
                        closes_utc_ns=phase.ends_utc_ns,
                    )
                before = phase
            if before and before.filter_need is FilterState.OFF and window:
                # The filter goes back on even where nothing more is to be photographed.
                yield Hold(
                    hold_id=f"{rig.name}/filter back on",
                    rig=rig.name,
                    phase="filter back on",
                    needs=FilterState.ON,
                    opens_utc_ns=before.ends_utc_ns,
                    due_utc_ns=max(window[1], before.ends_utc_ns),
                    closes_utc_ns=UtcNs(max(window[1], before.ends_utc_ns) + lead),
                )

    def cues(self, holds: tuple[Hold, ...]) -> list[Cue]:
        found = standing_cues(
            self.site.kind, self.site.contacts_utc_ns, holds, seconds_to_ns(self.plan.holds.lead)
        )
        for index, cue in enumerate(self.plan.cues):
            at = self.resolve(cue.at, ("cues", index, "at"))
            if at is not None:
                found.append(Cue(cue_id=f"plan/{index + 1}", at_utc_ns=UtcNs(at), say=cue.say))
        return sorted(found, key=lambda cue: (cue.at_utc_ns, cue.cue_id))

    def rig_info(self, rig: RigPlan) -> RigInfo:
        return RigInfo(
            name=rig.name,
            driver=rig.camera.driver,
            match=rig.camera.match,
            points_at_sun=rig.points_at == "sun",
            filter_text=rig.filter.kind if rig.filter else "",
            release_lag_s=self.days[rig.name].body.release_lag_s,
        )

    # --- shots ------------------------------------------------------------------------------

    def take_of(self, loc: Loc, shot: ShotPlan, day: _RigDay, phase: Phase) -> _Take | None:
        body, rig = day.body, day.rig
        exposures = take_exposures(shot)
        aperture = shot.aperture or rig.optics.aperture
        iso = shot.iso or rig.iso
        listed = True
        for exposure in exposures:
            if not is_listed(exposure, body.shutter_s):
                listed = False
                key = "exposure" if shot.exposure is not None else "bracket"
                self.fault(
                    (*loc, key),
                    f'the camera of rig "{rig.name}" does not list {format_exposure(exposure)}: its times run from '
                    f"{format_exposure(min(body.shutter_s))} to {format_exposure(max(body.shutter_s))}.",
                    "choose a listed exposure time.",
                )
        if not is_listed(aperture, body.f_numbers):
            listed = False
            here = (
                (*loc, "aperture")
                if shot.aperture
                else ("rigs", self.plan.rigs.index(rig), "optics", "aperture")
            )
            self.fault(
                here,
                f'the camera of rig "{rig.name}" does not list f/{aperture:g}.',
                f"choose one of its apertures, f/{min(body.f_numbers, default=0):g} to "
                f"f/{max(body.f_numbers, default=0):g}.",
            )
        if not is_listed(iso, body.isos):
            listed = False
            here = (*loc, "iso") if shot.iso else ("rigs", self.plan.rigs.index(rig), "iso")
            self.fault(
                here,
                f'the camera of rig "{rig.name}" does not list ISO {iso}.',
                f"choose one from ISO {min(body.isos, default=0)} to ISO {max(body.isos, default=0)}.",
            )
        starts = self.resolve(shot.starts, (*loc, "from")) if shot.starts else phase.starts_utc_ns
        until = self.resolve(shot.until, (*loc, "until")) if shot.until else phase.ends_utc_ns
        if starts is None or until is None or not listed:
            return None
        for key, given, over in (
            ("from", shot.starts, phase.starts_utc_ns - starts),
            ("until", shot.until, until - phase.ends_utc_ns),
        ):
            if given and over > 0:
                self.fault(
                    (*loc, key),
                    f'shot "{shot.name}" reaches {over / NS_PER_S:.1f} s outside phase "{phase.name}".',
                    "keep its stretch inside the phase.",
                )
                return None
        again = max(body.cycle_s(0, settings_change=len(exposures) > 1), 0.0)
        slots = [seconds_to_ns(exposure + again) for exposure in exposures]
        slots[-1] = seconds_to_ns(body.cycle_s(exposures[-1], settings_change=True))
        return _Take(
            shot=shot,
            exposures_s=exposures,
            loc=loc,
            phase=phase,
            starts_from=starts,
            movable_until=until,
            aperture=aperture,
            iso=iso,
            slots_ns=tuple(slots),
        )

    def takes(self, loc: Loc, phase_plan: PhasePlan, phase: Phase) -> list[_Take]:
        found = []
        for index, shot in enumerate(phase_plan.shots):
            take = self.take_of((*loc, "shots", index), shot, self.days[phase.rig], phase)
            if take:
                found.append(take)
        return found

    def place_fixed(self, loc: Loc, phase_plan: PhasePlan, members: list[Phase]) -> None:
        for phase in members:
            day = self.days[phase.rig]
            takes = self.takes(loc, phase_plan, phase)
            for take in sorted((t for t in takes if t.shot.at), key=lambda t: t.shot.wanted.rank):
                self.place_at(day, take)
            for take in sorted((t for t in takes if t.shot.every), key=lambda t: t.shot.wanted.rank):
                self.place_every(day, take)

    def place_at(self, day: _RigDay, take: _Take) -> None:
        shot, phase = take.shot, take.phase
        assert_at = shot.at
        if assert_at is None:
            return
        start = self.resolve(assert_at, (*take.loc, "at"))
        if start is None:
            return
        take.starts_from = start
        if len(take.exposures_s) == 1:  # a burst: the settings stay as they are
            burst = seconds_to_ns(day.body.cycle_s(take.exposures_s[0], settings_change=False))
            takes = [replace(take, slots_ns=(burst,))] * (shot.times - 1) + [take]
        else:
            takes = [take] * shot.times
        needs = sum(t.length_ns for t in takes[:-1]) + take.exposing_ns(len(take.exposures_s))
        limit = take.movable_until
        if start < phase.starts_utc_ns or start >= phase.ends_utc_ns:
            self.fault(
                (*take.loc, "at"),
                f'shot "{shot.name}" is at {utc_iso(start, 1)}, outside phase "{phase.name}" '
                f"({utc_iso(phase.starts_utc_ns, 1)} to {utc_iso(phase.ends_utc_ns, 1)}).",
                "move it into the phase.",
            )
            return
        if start + needs > limit:
            what = "bracket" if len(take.exposures_s) > 1 else "shot"
            self.fault(
                (*take.loc, "at"),
                f'{what} "{shot.name}" needs {needs / NS_PER_S:.1f} s and has {(limit - start) / NS_PER_S:.1f} s on rig '
                f'"{phase.rig}".',
                "start it earlier, take fewer exposures or shorter ones.",
            )
            return
        cursor = start
        for number, one in enumerate(takes, 1):
            if not day.slots.is_free(cursor, cursor + one.length_ns):
                other = self.other_at(day, cursor, cursor + one.length_ns)
                self.fault(
                    (*take.loc, "at"),
                    f'shot "{shot.name}" falls on shot "{other}" on rig "{phase.rig}".',
                    "move one of the two, or take fewer frames.",
                )
                return
            if not shot.until:  # it belongs to its instant and is not moved further than it may be late
                exposing = one.exposing_ns(len(one.exposures_s))
                one = replace(one, movable_until=cursor + exposing + seconds_to_ns(shot.late_limit))
            self.put(day, one, cursor, number)
            cursor += one.length_ns

    def place_every(self, day: _RigDay, take: _Take) -> None:
        shot, phase = take.shot, take.phase
        step = seconds_to_ns(shot.every or 0)
        exposing = take.exposing_ns(len(take.exposures_s))
        if take.length_ns > step:
            self.fault(
                (*take.loc, "every"),
                f'shot "{shot.name}" takes {take.length_ns / NS_PER_S:.1f} s on rig "{phase.rig}", longer than its '
                f"{step / NS_PER_S:g} s interval.",
                "repeat it less often, or take fewer or shorter exposures.",
            )
            return
        if take.starts_from + exposing > take.movable_until:
            self.no_room(take, exposing)
            return
        crowded = 0
        count = (take.movable_until - exposing - take.starts_from) // step + 1
        if count * len(take.exposures_s) > MAX_FRAMES:
            self.fault(
                (*take.loc, "every"),
                f'shot "{shot.name}" comes to {count * len(take.exposures_s)} frames.',
                f"repeat it less often; a day holds {MAX_FRAMES} at most.",
            )
            return
        for number in range(1, count + 1):
            start = take.starts_from + (number - 1) * step
            if day.slots.is_free(start, start + take.length_ns):
                # Moved at most within its own interval: two takes at once would show the same.
                here = replace(
                    take,
                    starts_from=start,
                    movable_until=min(take.movable_until, start + step - take.length_ns),
                )
                self.put(day, here, start, number)
            else:
                crowded += 1
        if crowded:
            self.fault(
                (*take.loc, "every"),
                f'{crowded} of {count} takes of "{shot.name}" fall on other shots of rig "{phase.rig}" and are left out.',
                "move it, or accept the gaps.",
                "warning",
            )

    def no_room(self, take: _Take, needs_ns: int) -> None:
        what = "bracket" if len(take.exposures_s) > 1 else "shot"
        room = (take.movable_until - take.starts_from) / NS_PER_S
        self.fault(
            (*take.loc, "bracket" if len(take.exposures_s) > 1 else "name"),
            f'{what} "{take.shot.name}" needs {needs_ns / NS_PER_S:.1f} s and its stretch on rig "{take.phase.rig}" is '
            f"{room:.1f} s.",
            "take fewer exposures or shorter ones, or give it more time.",
        )

    def place_filling(self, loc: Loc, phase_plan: PhasePlan, members: list[Phase]) -> None:
        for phase in members:
            day = self.days[phase.rig]
            filling = [self.paced(t, day.body) for t in self.takes(loc, phase_plan, phase) if t.shot.fill]
            filling.sort(key=lambda t: t.shot.wanted.rank)
            for take in filling:
                needs = take.exposing_ns(len(take.exposures_s))
                if take.starts_from + needs > take.movable_until:
                    self.no_room(take, needs)
            if self.errors() or not filling:
                continue
            self.fill(day, filling)

    def paced(self, take: _Take, body: CameraBody) -> _Take:
        """What fills goes on for long: no faster than the card is written."""
        write = seconds_to_ns(body.write_time_s)
        return replace(take, slots_ns=tuple(max(slot, write) for slot in take.slots_ns))

    def fill(self, day: _RigDay, filling: list[_Take]) -> None:
        numbers = dict.fromkeys(range(len(filling)), 0)
        turn = 0
        start = min(t.starts_from for t in filling)
        end = max(t.movable_until for t in filling)
        for gap_start, gap_end in day.slots.gaps(start, end):
            cursor = gap_start
            while cursor < gap_end:
                # Whose turn it is, then the others; a whole take before a shortened one.
                order = [(turn + k) % len(filling) for k in range(len(filling))]
                choice = next(
                    (
                        (index, count)
                        for whole in (True, False)
                        for index in order
                        if (count := self.fits(filling[index], cursor, gap_end, whole=whole))
                    ),
                    None,
                )
                if choice is None:
                    later = [t.starts_from for t in filling if cursor < t.starts_from < gap_end]
                    if not later:
                        break
                    cursor = min(later)
                    continue
                index, count = choice
                numbers[index] += 1
                self.put(day, filling[index], cursor, numbers[index], count)
                cursor += sum(filling[index].slots_ns[:count])
                turn = (index + 1) % len(filling)
        for index, take in enumerate(filling):
            if not numbers[index]:
                self.fault(
                    (*take.loc, "fill"),
                    f'there is no room for "{take.shot.name}" on rig "{take.phase.rig}": other shots take all the time.',
                    "drop or shorten another shot.",
                    "error" if take.shot.wanted.rank == 0 else "warning",
                )

    @staticmethod
    def fits(take: _Take, cursor: int, gap_end: int, *, whole: bool) -> int:
        """How many frames of the take fit from `cursor`: all, or (not whole) a prefix worth having; else 0."""
        if cursor < take.starts_from:
            return 0
        length = len(take.exposures_s)
        shortest = length if whole else min(SHORTEST_TAKE_PREFIX, length)
        for count in range(length, shortest - 1, -1):
            ends_in_stretch = cursor + take.exposing_ns(count) <= take.movable_until
            at_edge = gap_end >= take.movable_until
            room = cursor + (take.exposing_ns(count) if at_edge else sum(take.slots_ns[:count])) <= gap_end
            if ends_in_stretch and room:
                return count
        return 0

    def put(self, day: _RigDay, take: _Take, start: int, number: int, count: int | None = None) -> None:
        count = count or len(take.exposures_s)
        day.slots.take(start, start + sum(take.slots_ns[:count]))
        day.placed.append(_Placed(take, start, number, count))

    @staticmethod
    def other_at(day: _RigDay, start: int, end: int) -> str:
        for placed in day.placed:
            if placed.start < end and start < placed.start + placed.take.length_ns:
                return placed.take.shot.name
        return "?"

    # --- frames -----------------------------------------------------------------------------

    def frames(self, window: tuple[UtcNs, UtcNs] | None) -> list[Frame]:
        found: list[Frame] = []
        for day in self.days.values():
            mine: list[Frame] = []
            for placed in day.placed:
                due = placed.start
                for step in range(placed.count):
                    mine.append(self.frame(placed, step, due, window))
                    due += placed.take.slots_ns[step]
            mine.sort(key=lambda frame: frame.due_utc_ns)
            found.extend(
                replace(frame, frame_id=f"{frame.rig}/{index:04d}") for index, frame in enumerate(mine, 1)
            )
        return sorted(found, key=lambda frame: (frame.due_utc_ns, frame.frame_id))

    @staticmethod
    def frame(placed: _Placed, step: int, due: int, window: tuple[UtcNs, UtcNs] | None) -> Frame:
        take = placed.take
        exposure_s = take.exposures_s[step]
        ends_by: int = take.phase.ends_utc_ns
        if take.phase.filter_need is FilterState.OFF and window:
            ends_by = min(ends_by, window[1])
        last = ends_by - seconds_to_ns(exposure_s)
        return Frame(
            frame_id="",
            rig=take.phase.rig,
            phase=take.phase.name,
            shot=take.shot.name,
            take=placed.number,
            step=step + 1,
            settings=Settings(exposure_s=exposure_s, f_number=take.aperture, iso=take.iso),
            wanted=take.shot.wanted,
            filter_need=take.phase.filter_need,
            due_utc_ns=UtcNs(due),
            deadline_utc_ns=UtcNs(min(due + seconds_to_ns(take.shot.late_limit), last)),
            ends_by_utc_ns=UtcNs(ends_by),
            starts_from_utc_ns=UtcNs(min(take.starts_from, due)),
            movable_until_utc_ns=UtcNs(min(max(take.movable_until - seconds_to_ns(exposure_s), due), last)),
            slot_ns=take.slots_ns[step],
        )

    def check_cards_and_buffers(self) -> None:
        for index, rig in enumerate(self.plan.rigs):
            day = self.days[rig.name]
            count = sum(placed.count for placed in day.placed)
            body = day.body
            here: Loc = ("rigs", index, "camera")
            if count > MAX_FRAMES:
                self.fault(here, f'rig "{rig.name}" comes to {count} frames.', "take fewer.")
            if body.card_frames is not None and count > body.card_frames:
                self.fault(
                    (*here, "card_frames"),
                    f'rig "{rig.name}" comes to {count} frames and its card holds {body.card_frames}.',
                    "use a larger card, or take fewer frames.",
                )
            worst, shot = self.fullest_buffer(day)
            if worst > body.buffer_frames:
                self.fault(
                    shot.loc if shot else here,
                    f'the buffer of rig "{rig.name}" holds {body.buffer_frames} frames and "'
                    f'{shot.shot.name if shot else rig.name}" needs {worst}: frames will be late.',
                    "take fewer frames in a row, or further apart.",
                    "warning",
                )

    @staticmethod
    def fullest_buffer(day: _RigDay) -> tuple[int, _Take | None]:
        """Return the most frames waiting for the card at once, and the take that brings it there."""
        releases = sorted(
            (
                (placed.start + sum(placed.take.slots_ns[:step]), placed.take)
                for placed in day.placed
                for step in range(placed.count)
            ),
            key=lambda pair: pair[0],
        )
        write = day.body.write_time_s * NS_PER_S
        waiting, worst, then, where = 0.0, 0, 0, None
        for at, take in releases:
            waiting = max(0.0, waiting - (at - then) / write if write else 0.0) + 1
            then = at
            if math.ceil(waiting) > worst:
                worst, where = math.ceil(waiting), take
        return worst, where
