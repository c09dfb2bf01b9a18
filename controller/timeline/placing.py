"""Placing: the shots of one rig get their places in its day.

Shots with a fixed instant (`at`) come first, then those that repeat (`every`), then those that fill the
time the others leave; within each kind the most wanted first, then the order of the file. Each function
places what it can and returns the faults of what it cannot: nothing is left out without one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import accumulate

from controller.errors import Fault
from controller.gear.body import CameraBody
from controller.light.stops import longest_exposure_s
from controller.plan.model import RigPlan, ShotPlan
from controller.plan.source import Loc, PlanSource
from controller.timeline.model import Phase
from controller.timeline.refit import Slots
from controller.units import NS_PER_S, Wanted, seconds_to_ns

SHORTEST_TAKE = 3
"""A bracket that fills may be cut short to this many frames: coarse to fine, they still span it."""


@dataclass(frozen=True, kw_only=True)
class Job:
    """One shot of one phase on one rig, its instants known."""

    shot: ShotPlan
    loc: Loc
    phase: Phase
    f_number: float
    iso: int
    exposures_s: tuple[float, ...]
    """Of one take, in firing order."""
    slots_ns: tuple[int, ...]
    """How long each occupies the camera."""
    starts_utc_ns: int
    """`at`, or the start of its stretch."""
    until_utc_ns: int
    """Every exposure must have ended by then."""

    @property
    def count(self) -> int:
        """How many frames a whole take has."""
        return len(self.exposures_s)

    @property
    def kind(self) -> str:
        """What to call it in a message."""
        return "bracket" if self.count > 1 else "shot"

    def length_ns(self, count: int | None = None) -> int:
        """Return how long the first `count` frames (None: all) occupy the camera."""
        return sum(self.slots_ns[:count])

    def exposing_ns(self, count: int | None = None) -> int:
        """Return the time from the first opening to the last closing of the first `count` frames (None: all)."""
        last = (count or self.count) - 1
        return sum(self.slots_ns[:last]) + seconds_to_ns(longest_exposure_s(self.exposures_s[last]))


@dataclass(frozen=True, kw_only=True)
class Take:
    """One placed repetition of a shot. One that was cut short has fewer slots than the shot has exposures."""

    job: Job
    start_utc_ns: int
    slots_ns: tuple[int, ...]
    starts_from_utc_ns: int
    """The earliest that any of its frames may be moved to."""
    slack_ns: int | None = None
    """How much later each of its frames may be moved; None: as late as the shot's stretch allows."""

    @property
    def dues_utc_ns(self) -> list[int]:
        """The release of each frame."""
        return list(accumulate(self.slots_ns[:-1], initial=self.start_utc_ns))

    @property
    def end_utc_ns(self) -> int:
        """When the camera is free again."""
        return self.start_utc_ns + sum(self.slots_ns)


@dataclass
class RigDay:
    """What one rig does in the day, as far as it is placed."""

    rig: RigPlan
    body: CameraBody
    slots: Slots = field(default_factory=Slots)
    takes: list[Take] = field(default_factory=list)

    def copy(self) -> RigDay:
        """Return the same day, to try something on."""
        return RigDay(self.rig, self.body, self.slots.copy(), list(self.takes))

    def take_over(self, other: RigDay) -> None:
        """Make what was placed on a copy this day's own."""
        self.slots, self.takes = other.slots, other.takes

    def put(self, take: Take) -> None:
        """Give a take its place."""
        self.slots.take(take.start_utc_ns, take.end_utc_ns)
        self.takes.append(take)

    def shot_between(self, start: int, end: int) -> str:
        """Return the name of a shot that is placed there."""
        return next(
            take.job.shot.name for take in self.takes if take.start_utc_ns < end and start < take.end_utc_ns
        )


def place_at(day: RigDay, job: Job, source: PlanSource) -> list[Fault]:
    """Place a shot with a fixed instant: all of its takes in a row, or none and a fault."""
    shot, start = job.shot, job.starts_utc_ns
    between = job.slots_ns
    if job.count == 1:  # a burst: from one frame to the next the settings stay as they are
        between = (_burst_slot_ns(day, job),)
    needs = sum(between) * (shot.times - 1) + job.exposing_ns()
    if start + needs > job.until_utc_ns:
        return [
            source.fault(
                (*job.loc, "at"),
                f'The {job.kind} "{shot.name}" needs {_s(needs)} and has {_s(job.until_utc_ns - start)} on rig '
                f'"{day.rig.name}".',
                "start it earlier, or take fewer or shorter exposures.",
            )
        ]
    end = start + sum(between) * (shot.times - 1) + job.length_ns()
    if not day.slots.is_free(start, end):
        return [
            source.fault(
                (*job.loc, "at"),
                f'The shot "{shot.name}" falls on the shot "{day.shot_between(start, end)}" on rig '
                f'"{day.rig.name}".',
                "move one of the two, or take fewer frames.",
            )
        ]
    # Without `until` it belongs to its instant, and is not moved further than it may be late.
    slack = None if shot.until else seconds_to_ns(shot.late_limit)
    for number in range(1, shot.times + 1):
        slots = job.slots_ns if number == shot.times else between
        take = Take(
            job=job, start_utc_ns=start, slots_ns=slots, starts_from_utc_ns=job.starts_utc_ns, slack_ns=slack
        )
        day.put(take)
        start = take.end_utc_ns
    return []


def place_every(day: RigDay, job: Job, source: PlanSource) -> list[Fault]:
    """Place a shot that repeats; where others stand in its way, later within the same interval or not at all."""
    shot, loc = job.shot, (*job.loc, "every")
    step, length, exposing = seconds_to_ns(shot.every or 0), job.length_ns(), job.exposing_ns()
    if length > step:
        return [
            source.fault(
                loc,
                f'The shot "{shot.name}" takes {_s(length)} on rig "{day.rig.name}", longer than its '
                f"{step / NS_PER_S:g} s interval.",
                "repeat it less often, or take fewer or shorter exposures.",
            )
        ]
    if job.starts_utc_ns + exposing > job.until_utc_ns:
        return [_no_room(day, job, source)]
    count = (job.until_utc_ns - exposing - job.starts_utc_ns) // step + 1
    left_out = 0
    for nominal in range(job.starts_utc_ns, job.starts_utc_ns + count * step, step):
        # Within its own interval, so that no two takes show the same.
        latest = min(nominal + step - length, job.until_utc_ns - exposing)
        start = day.slots.earliest(nominal, length, latest)
        if start is None:
            left_out += 1
            continue
        slack = nominal + step - length - start
        day.put(
            Take(
                job=job, start_utc_ns=start, slots_ns=job.slots_ns, starts_from_utc_ns=nominal, slack_ns=slack
            )
        )
    if not left_out:
        return []
    return [
        source.fault(
            loc,
            f'{left_out} of {count} takes of "{shot.name}" find no room beside the other shots of rig '
            f'"{day.rig.name}" and are left out.',
            "move it or the others, or accept the gaps.",
            "error" if left_out == count and shot.wanted is Wanted.MUST else "warning",
        )
    ]


def place_filling(day: RigDay, jobs: Sequence[Job], source: PlanSource) -> list[Fault]:
    """Place the shots of a phase that fill: all in turn, without a gap, and each at least once.

    A shot that finds no room so is given its place ahead of the others, the most wanted first.
    """
    too_long = [job for job in jobs if job.starts_utc_ns + job.exposing_ns() > job.until_utc_ns]
    if too_long:
        return [_no_room(day, job, source) for job in too_long]
    jobs = sorted(jobs, key=lambda job: job.shot.wanted.rank)
    ahead: set[int] = set()
    while True:
        attempt = day.copy()
        seen = _place_once(attempt, jobs, ahead) | _fill_gaps(attempt, jobs)
        crowded_out = set(range(len(jobs))) - seen
        if crowded_out <= ahead:
            break
        ahead |= crowded_out
    day.take_over(attempt)
    return [
        source.fault(
            (*job.loc, "fill"),
            f'There is no room for "{job.shot.name}" on rig "{day.rig.name}": other shots take all the time.',
            "drop or shorten another shot.",
            "error" if job.shot.wanted is Wanted.MUST else "warning",
        )
        for index, job in enumerate(jobs)
        if index in crowded_out
    ]


def _place_once(day: RigDay, jobs: Sequence[Job], chosen: set[int]) -> set[int]:
    """Place one whole take of each chosen shot as early as it fits; return which were placed."""
    placed = set()
    for index in sorted(chosen):
        job = jobs[index]
        first = day.slots.earliest(job.starts_utc_ns, job.length_ns(), job.until_utc_ns - job.exposing_ns())
        if first is not None:
            _put_filling(day, job, first, job.count)
            placed.add(index)
    return placed


def _fill_gaps(day: RigDay, jobs: Sequence[Job]) -> set[int]:
    """Fill what is free with the jobs in turn, whole takes before shortened ones; return which were placed."""
    if not jobs:
        return set()
    placed = set()
    turn = 0
    end = max(job.until_utc_ns for job in jobs)
    # The camera may still be busy for a while after the last exposure has ended.
    reach = end + max(job.length_ns() for job in jobs)
    for cursor, gap_end in day.slots.gaps(min(job.starts_utc_ns for job in jobs), reach):
        while cursor < min(gap_end, end):
            order = [(turn + k) % len(jobs) for k in range(len(jobs))]
            fitting = ((index, _fitting(jobs[index], cursor, gap_end)) for index in order)
            choices = [(index, count) for index, count in fitting if count]
            if not choices:
                later = [job.starts_utc_ns for job in jobs if cursor < job.starts_utc_ns < gap_end]
                cursor = min(later, default=gap_end)
                continue
            index, count = next((c for c in choices if c[1] == jobs[c[0]].count), choices[0])
            if index == turn - 1:
                cursor = _tighten(day, jobs[index], cursor)
            cursor = _put_filling(day, jobs[index], cursor, count)
            placed.add(index)
            turn = index + 1
    return placed


def _fitting(job: Job, start: int, gap_end: int) -> int:
    """Return how many frames of a take fit from `start`: all, or as many as are worth having, or 0."""
    if start < job.starts_utc_ns:
        return 0
    for count in range(job.count, min(SHORTEST_TAKE, job.count) - 1, -1):
        if start + job.exposing_ns(count) <= job.until_utc_ns and start + job.length_ns(count) <= gap_end:
            return count
    return 0


def _put_filling(day: RigDay, job: Job, start: int, count: int) -> int:
    take = Take(
        job=job, start_utc_ns=start, slots_ns=job.slots_ns[:count], starts_from_utc_ns=job.starts_utc_ns
    )
    day.put(take)
    return take.end_utc_ns


def _tighten(day: RigDay, job: Job, cursor: int) -> int:
    """Return where the next take of this shot may start: sooner, where it follows its own single exposure.

    Nothing has to be set between the two, so the time for it is taken off the first, unless the card needs it.
    """
    last = day.takes[-1]
    if job.count > 1 or last.job is not job or last.end_utc_ns != cursor:
        return cursor
    written_ns = seconds_to_ns(day.body.write_time_s)
    slot_ns = min(job.slots_ns[0], max(_burst_slot_ns(day, job), written_ns))
    day.takes[-1] = replace(last, slots_ns=(slot_ns,))
    return day.takes[-1].end_utc_ns


def _burst_slot_ns(day: RigDay, job: Job) -> int:
    """Return how long a single exposure occupies the camera when the same comes next, nanoseconds."""
    exposure_s = longest_exposure_s(job.exposures_s[0])
    return seconds_to_ns(day.body.cycle_s(exposure_s, settings_change=False))


def _no_room(day: RigDay, job: Job, source: PlanSource) -> Fault:
    return source.fault(
        (*job.loc, "bracket" if job.count > 1 else "exposure"),
        f'The {job.kind} "{job.shot.name}" needs {_s(job.exposing_ns())} and its stretch on rig "{day.rig.name}" is '
        f"{_s(job.until_utc_ns - job.starts_utc_ns)}.",
        "take fewer or shorter exposures, or give it more time.",
    )


def _s(duration_ns: int) -> str:
    return f"{duration_ns / NS_PER_S:.2f} s"
