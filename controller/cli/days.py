"""`rehearse --days`: the chance of each wanted picture over many made-up days, on all cores."""

from __future__ import annotations

import math
import multiprocessing
import os
import signal
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from dataclasses import asdict, replace
from itertools import islice
from pathlib import Path
from typing import Any

from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

from controller.account.odds import REASONS, Case, Lived, ShotKey, ShotTally, Tally, live, live_one, wanted_of
from controller.cli import figures
from controller.cli.output import console, local_time, print_json, table
from controller.cli.prepare import Prepared, prepare, site_contacts
from controller.errors import PlanError, UsageError
from controller.plan.fields import EARLIEST_FILTER_OFF_BEFORE_C2_S, Anchor
from controller.plan.model import Plan
from controller.simulate.days import NO_FAULTS, PROMPT, Assumptions, wilson
from controller.sky import Constants
from controller.timeline.compile import compile_plan
from controller.timeline.model import Frame
from controller.units import ContactName, FilterState, Wanted, utc_iso

CHUNK_DAYS = 4
"""So many days are one piece of work: it is at most so long until a key stops the whole."""
CONTRADICTED_EXIT, INTERRUPTED_EXIT = 70, 130
MOST_DAYS = 1_000_000
AS_IT_IS = "as it is"
COUNTED = (
    "whole: all frames of at least one take. some: at least one frame. frames: how many of them on average. A frame "
    "counts when its camera named the picture, with the settings asked for, no cloud before the Sun, and the clock "
    "so right that it lies in its own stretch of time."
)
_EARLIER = f"filter_off_earliest: {EARLIEST_FILTER_OFF_BEFORE_C2_S:g} s before C2"
_CAUTION = (
    "The lens without its filter then sees the last of the Sun's disk for longer: never look through it, and take no "
    "filter off your eyes before C2."
)


def rehearse_days(
    plan: Path,
    *,
    days: int | None,
    day: int | None,
    seed: int,
    assume: list[str],
    picture: Path | None,
    what_if: bool,
    cores: int | None,
    earth_rotation: Path | None,
    ephemeris: Path | None,
    terrain: Path | None,
    as_json: bool,
) -> None:
    """Live many days of a plan and print the odds, or one day and print what came of it.

    Raises:
        UsageError: if a number or an assumption cannot be.
    """
    if days is not None and not 1 <= days <= MOST_DAYS:
        raise UsageError(f"{days} days cannot be lived. Mend: give a number from 1 to {MOST_DAYS}.")
    if day is not None and day < 1:
        raise UsageError(f"There is no day {day}. Mend: days count from 1.")
    if cores is not None and cores < 1:
        raise UsageError(f"{cores} cores cannot work. Mend: give 1 or more.")
    figures.check_kind(picture)
    assumed = Assumptions().with_changes(assume)
    prepared = prepare(plan, Constants(earth_rotation=earth_rotation), ephemeris, terrain)
    cases = _cases(prepared, assumed, what_if=what_if)
    if day is not None:
        _one_day(cases, seed, day, as_json=as_json)
        return
    wanted_days = days or 1
    tally, whole = live_many(cases, seed, wanted_days, cores, quiet=as_json)
    if as_json:
        print_json(_as_json(cases, tally, seed, wanted_days))
    else:
        _print(cases, tally, seed, wanted_days)
    if picture and tally.days:
        draw(picture, cases[0], tally)
        if not as_json:
            console().print(f"Drawn: {picture}", soft_wrap=True)
    _fail_loudly(tally, seed)
    if not whole:
        import typer

        raise typer.Exit(INTERRUPTED_EXIT)


def refuse_other_ways(**given: object) -> None:
    """Refuse options of a rehearsal of one day beside --days.

    Raises:
        UsageError: if one was given.
    """
    for name, value in given.items():
        if value:
            raise UsageError(
                f"--{name} is for a rehearsal of one day, and made-up days draw their own. "
                "Mend: leave it out, or leave out --days and --day."
            )


def refuse_without_days(**given: object) -> None:
    """Refuse options of made-up days without them.

    Raises:
        UsageError: if one was given.
    """
    for name, value in given.items():
        if value:
            raise UsageError(f"--{name} is for made-up days. Mend: add --days N, or leave it out.")


# --- what is compared ---------------------------------------------------------------------------


def _cases(prepared: Prepared, assumed: Assumptions, *, what_if: bool) -> list[Case]:
    """Return the plan as it is and, beside it, what could be otherwise, one thing at a time."""
    first = Case(AS_IT_IS, prepared.compiled.timeline, prepared.compiled.bodies, assumed)
    if not what_if:
        return [first]
    cases = [
        first,
        replace(first, name="a prompt operator", assumed=replace(assumed, **PROMPT)),
        replace(first, name="no trouble with cameras", assumed=replace(assumed, **NO_FAULTS)),
        replace(first, name="no cloud", assumed=replace(assumed, cloudy_s=0.0)),
        replace(first, name="no crash", assumed=replace(assumed, crash_per_hour=0.0)),
        replace(first, name="a right clock", assumed=replace(assumed, clock_s=0.0, clock_wrong_chance=0.0)),
    ]
    for name, changed in _other_plans(prepared.loaded.plan):
        try:
            compiled = compile_plan(
                replace(prepared.loaded, plan=changed),
                site_contacts(prepared.sky, prepared.loaded.plan.contacts),
                time_zone=first.timeline.time_zone,
            )
        except PlanError:
            continue  # it would be no plan
        cases.append(Case(name, compiled.timeline, compiled.bodies, assumed))
    return [case for case in cases if case is first or case != replace(first, name=case.name)]


def _other_plans(plan: Plan) -> Iterator[tuple[str, Plan]]:
    """Yield the plan with one thing changed, with what that is."""
    earliest = Anchor(ContactName.C2, -EARLIEST_FILTER_OFF_BEFORE_C2_S)
    unfiltered = any(phase.filter is FilterState.OFF for phase in plan.phases)
    if unfiltered and plan.holds.filter_off_earliest != earliest:
        holds = plan.holds.model_copy(update={"filter_off_earliest": earliest})
        yield _EARLIER, plan.model_copy(update={"holds": holds})
    phases = [
        phase.model_copy(update={"shots": [shot for shot in phase.shots if shot.wanted is not Wanted.NICE]})
        for phase in plan.phases
    ]
    if phases != plan.phases and all(phase.shots for phase in phases):
        yield "without its nice shots", plan.model_copy(update={"phases": phases})


# --- living them --------------------------------------------------------------------------------

_here: list[Case] = []
"""In a worker process: the cases it lives."""


def _start_worker(cases: list[Case]) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the key is the first process' to hear
    _here[:] = cases


def _work(seed: int, days: range) -> Tally:
    return live(_here, seed, days)


def live_many(
    cases: list[Case], seed: int, days: int, cores: int | None = None, *, quiet: bool = False
) -> tuple[Tally, bool]:
    """Live days 1 to `days` on so many cores (all when None); return what came of them, and whether of all.

    The sum is the same on any number of cores. Ctrl-C ends it early, with the days that were lived.
    """
    usable = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    at_once = min(cores or usable, math.ceil(days / CHUNK_DAYS))
    chunks = (range(at, min(at + CHUNK_DAYS, days + 1)) for at in range(1, days + 1, CHUNK_DAYS))
    out = console(error=True)
    total = Tally()
    with Progress(
        TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn(),
        console=out, disable=quiet or not out.is_terminal, transient=True,
    ) as progress:  # fmt: skip
        task = progress.add_task("days", total=days)

        def take(lived: Tally) -> None:
            total.add(lived)
            progress.update(task, completed=total.days)

        try:
            if at_once == 1:
                for chunk in chunks:
                    take(live(cases, seed, chunk))
            else:
                _live_on(at_once, cases, seed, chunks, take)
        except KeyboardInterrupt:
            return total, False
    return total, True


def _live_on(
    cores: int, cases: list[Case], seed: int, chunks: Iterator[range], take: Callable[[Tally], None]
) -> None:
    pool = ProcessPoolExecutor(
        cores, multiprocessing.get_context("spawn"), initializer=_start_worker, initargs=(cases,)
    )
    try:
        waiting: set[Future[Tally]] = {pool.submit(_work, seed, chunk) for chunk in islice(chunks, 2 * cores)}
        while waiting:
            done, waiting = wait(waiting, return_when=FIRST_COMPLETED)
            for one in done:
                take(one.result())
            waiting |= {pool.submit(_work, seed, chunk) for chunk in islice(chunks, len(done))}
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def _fail_loudly(tally: Tally, seed: int) -> None:
    """Tell every contradiction that a day's journal held, with what to play again; then fail."""
    if not tally.breaches:
        return
    import typer

    for day, case, sentence in tally.breaches[:20]:
        sys.stderr.write(f"CONTRADICTION on day {day} of seed {seed} ({case}): {sentence}\n")
    sys.stderr.write(
        f"{len(tally.breaches)} contradictions of the rules: a fault of the program. "
        f"Play such a day again with --seed {seed} --day {tally.breaches[0][0]} and report it.\n"
    )
    raise typer.Exit(CONTRADICTED_EXIT)


# --- printing -----------------------------------------------------------------------------------


def _print(cases: Sequence[Case], tally: Tally, seed: int, days: int) -> None:
    out = console()
    timeline = cases[0].timeline
    if tally.days < days:
        out.print(f"PARTIAL: stopped after {tally.days} of {days} days.")
    if not tally.days:
        return
    out.print(f"{timeline.title}: {tally.days} made-up days, seed {seed}.")
    out.print(table(("assumption", ">value", "~what it is"), cases[0].assumed.table()))
    out.print("The figures above are guesses until you put yours: --assume KEY=NUMBER.\n")
    headers = ("shot", "wanted", ">whole (95 %)", ">some", ">frames", "~days lost to")
    out.print(table(headers, _rows(cases[0], tally)))
    out.print(COUNTED)
    seen = {reason for shot in tally.cases[0].shots.values() for reason in shot.reasons}
    out.print("Lost to: " + "; ".join(f"{r}: {REASONS.get(r, r)}" for r in REASONS if r in seen) + ".\n")
    if len(cases) > 1:
        gain_headers = ("with one thing otherwise", ">must shots", ">all shots")
        out.print(table(gain_headers, _gain_rows(cases, tally), title="What would help, in points of chance"))
        out.print(
            "Found by living the same days again. Mean over shots of the change of whole; +/- is two standard errors."
        )
        if any(case.name == _EARLIER for case in cases):
            out.print(_CAUTION)
    what = "no contradiction" if not tally.breaches else f"{len(tally.breaches)} CONTRADICTIONS"
    out.print(f"Each day's journal was held against the safety rules: {what}.")


def _rows(case: Case, tally: Tally) -> list[tuple[str, ...]]:
    names = _names(case)
    frames = _frame_counts(case.timeline.frames)
    rows: list[tuple[str, ...]] = []
    for key, wanted in wanted_of(case.timeline).items():
        shot, n = tally.cases[0].shots[key], tally.days
        low, high = wilson(shot.whole, n)
        reasons = ", ".join(f"{reason} {count}" for reason, count in _commonest(shot)[:2])
        rows.append(
            (
                names[key], wanted.value, f"{100 * shot.whole / n:.1f} ({100 * low:.1f}-{100 * high:.1f}) %",
                f"{100 * shot.some / n:.1f} %", f"{shot.won / n:.1f}/{frames[key]}", reasons,
            )
        )  # fmt: skip
    return rows


def _commonest(shot: ShotTally) -> list[tuple[str, int]]:
    return sorted(shot.reasons.items(), key=lambda pair: (-pair[1], pair[0]))


def _frame_counts(frames: Sequence[Frame]) -> dict[ShotKey, int]:
    counts: dict[ShotKey, int] = {}
    for frame in frames:
        key = (frame.rig, frame.phase, frame.shot)
        counts[key] = counts.get(key, 0) + 1
    return counts


def _names(case: Case) -> dict[ShotKey, str]:
    """Return what to call each shot: its own name, with phase and rig where it takes them to tell it."""
    keys = list(wanted_of(case.timeline))
    return {
        (rig, phase, shot): shot
        + (f", {phase}" if len({p for r, p, s in keys if (r, s) == (rig, shot)}) > 1 else "")
        + (f" ({rig})" if len({r for r, _, s in keys if s == shot}) > 1 else "")
        for rig, phase, shot in keys
    }


def gain(cases: Sequence[Case], tally: Tally, case: int, *, musts: bool) -> tuple[float, float] | None:
    """Return by how many points a case is better than the first, and two standard errors; None without shots."""
    mine, first = wanted_of(cases[case].timeline), wanted_of(cases[0].timeline)
    shots = sum(not musts or wanted is Wanted.MUST for key, wanted in mine.items() if key in first)
    if not shots or not tally.days:
        return None
    total, squares = tally.cases[case].gained[musts]
    mean = total / tally.days
    spread = math.sqrt(max(0.0, squares / tally.days - mean * mean) / tally.days)
    return 100 * mean / shots, 200 * spread / shots


def _gain_rows(cases: Sequence[Case], tally: Tally) -> list[tuple[str, str, str]]:
    def text(found: tuple[float, float] | None) -> str:
        return "-" if found is None else f"{found[0]:+.1f} +/- {found[1]:.1f}"

    rows = []
    for number in range(1, len(cases)):
        must, every = (gain(cases, tally, number, musts=musts) for musts in (True, False))
        rows.append(((must or every or (0, 0))[0], (cases[number].name, text(must), text(every))))
    return [row for _, row in sorted(rows, key=lambda pair: (-pair[0], pair[1]))]


def _as_json(cases: Sequence[Case], tally: Tally, seed: int, days: int) -> dict[str, Any]:
    frames = _frame_counts(cases[0].timeline.frames)
    shots = []
    for key, wanted in wanted_of(cases[0].timeline).items() if tally.days else ():
        shot = tally.cases[0].shots[key]
        shots.append(
            {
                "rig": key[0], "phase": key[1], "shot": key[2], "wanted": wanted.value, "frames": frames[key],
                "whole_days": shot.whole, "whole_chance": shot.whole / tally.days,
                "whole_chance_95": list(wilson(shot.whole, tally.days)), "some_days": shot.some,
                "some_chance": shot.some / tally.days, "some_chance_95": list(wilson(shot.some, tally.days)),
                "frames_won_mean": shot.won / tally.days, "lost_to_days": dict(_commonest(shot)),
            }
        )  # fmt: skip
    gains = []
    for number in range(1, len(cases)):
        must, every = (gain(cases, tally, number, musts=musts) for musts in (True, False))
        gains.append({"otherwise": cases[number].name, "must": _gain_json(must), "all": _gain_json(every)})
    return {
        "title": cases[0].timeline.title, "seed": seed, "days": tally.days, "days_asked": days,
        "partial": tally.days < days, "assumptions": asdict(cases[0].assumed), "counted": COUNTED,
        "shots": shots, "what_would_help": gains,
        "contradictions": [
            {"day": day, "case": case, "what": sentence} for day, case, sentence in tally.breaches
        ],
    }  # fmt: skip


def _gain_json(found: tuple[float, float] | None) -> dict[str, float] | None:
    return None if found is None else {"points": found[0], "two_standard_errors": found[1]}


# --- one day ------------------------------------------------------------------------------------


def _one_day(cases: Sequence[Case], seed: int, day: int, *, as_json: bool) -> None:
    """Play one day again and print what befell it and, as JSON, its journal."""
    every = live_one(cases, seed, day)
    lived = every[0]
    tally = Tally(
        days=1, breaches=[(day, one.case.name, sentence) for one in every for sentence in one.breaches]
    )
    if as_json:
        print_json(
            {
                "seed": seed, "day": day, "befell": [{"utc": at, "what": what} for at, what in _befell(lived)],
                "clock_error_s": lived.weather.clock_error_s,
                "shots": [
                    {"rig": k[0], "phase": k[1], "shot": k[2], "whole": s.whole, "frames_won": s.won, "lost_to": s.reason}
                    for k, s in lived.shots.items()
                ],
                "contradictions": [{"case": case, "what": what} for _, case, what in tally.breaches],
                "journal": lived.played.records,
            }
        )  # fmt: skip
    else:
        _print_day(lived, seed, day, tally)
    _fail_loudly(tally, seed)


def _print_day(lived: Lived, seed: int, day: int, tally: Tally) -> None:
    out = console()
    out.print(f"{lived.case.timeline.title}: day {day} of seed {seed}.")
    zone = lived.case.timeline.time_zone
    rows = [(local_time(at, zone), what) for at, what in _befalls(lived)]
    out.print(table(("local", "~what befell it"), rows) if rows else "Nothing befell it.")
    out.print(f"The computer's clock was {lived.weather.clock_error_s:+.3f} s off.\n")
    names, wanted = _names(lived.case), wanted_of(lived.case.timeline)
    frames = _frame_counts(lived.case.timeline.frames)
    out.print(
        table(
            ("shot", "wanted", "whole", ">frames", "~lost to"),
            [
                (
                    names[key], wanted[key].value, "yes" if lived.shots[key].whole else "NO",
                    f"{lived.shots[key].won} of {frames[key]}", lived.shots[key].reason,
                )
                for key in wanted
            ],
        )
    )  # fmt: skip
    what = "no contradiction" if not tally.breaches else f"{len(tally.breaches)} CONTRADICTIONS"
    out.print(f"Its journal of {len(lived.played.records)} records: {what}. --json prints it.")


def _befell(lived: Lived) -> list[tuple[str, str]]:
    return [(utc_iso(at), what) for at, what in _befalls(lived)]


def _befalls(lived: Lived) -> list[tuple[int, str]]:
    """Return what befell a day, in order, UTC nanoseconds by the computer's clock."""
    happening, timeline = lived.happening, lived.case.timeline
    found: list[tuple[int, str]] = []
    delays: Mapping[str, int | None] = dict(happening.words)
    for hold in timeline.holds:
        delay = delays[hold.hold_id]
        if delay is None:
            found.append(
                (hold.opens_utc_ns, f'"filter is {hold.needs}" is asked for on {hold.rig} and never said')
            )
        else:
            found.append((hold.opens_utc_ns + delay, f'"filter is {hold.needs}" said on {hold.rig}'))
    found += [(at, f'"filter is {state}" said on {rig} unasked') for at, rig, state, _ in happening.slips]
    for at, until in happening.pauses:
        found += [(at, "all cameras are paused"), (until, "the pause ends")]
    found += [
        (one.at_utc_ns, f"the program dies; it is resumed {one.down_ns / 1e9:.0f} s later")
        for one in happening.crashes
    ]
    found += [(at, f"the computer's clock is set by {step_s:+.2f} s") for at, step_s in happening.steps]
    for rig, draw in happening.rigs:
        found += [(one.at_utc_ns or 0, f"{one.kind} for {one.for_s:.1f} s on {rig}") for one in draw.faults]
        start = min(phase.starts_utc_ns for phase in timeline.phases)
        if draw.card_frames is not None:
            found.append((start, f"the card of {rig} takes {draw.card_frames} frames"))
        if draw.battery_percent < 100:
            found.append((start, f"the battery of {rig} is at {draw.battery_percent:.1f} %"))
    shift = round(lived.weather.clock_error_s * 1e9)
    found += [(a + shift, f"cloud for {(b - a) / 1e9:.0f} s") for a, b in lived.weather.clouds]
    return sorted(found)


# --- the picture --------------------------------------------------------------------------------

_INK, _GREY = "#111111", "#8a8a8a"


def draw(path: Path, case: Case, tally: Tally) -> None:
    """Draw each shot's chance with its interval, must shots at the top; the suffix names the format.

    Raises:
        UsageError: if the file cannot be written.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    wanted, names, n = wanted_of(case.timeline), _names(case), tally.days
    figure = Figure(
        figsize=(9.5, 1.6 + 0.36 * len(wanted)), dpi=110, facecolor="#ffffff", layout="constrained"
    )
    FigureCanvasAgg(figure)
    axes = figure.add_subplot()
    for row, (key, want) in enumerate(wanted.items()):
        shot = tally.cases[0].shots[key]
        low, high = (100 * bound for bound in wilson(shot.whole, n))
        axes.plot([low, high], [row, row], color=_INK, lw=1.4, solid_capstyle="butt", zorder=2)
        axes.plot(
            100 * shot.some / n,
            row,
            marker="|",
            ms=13,
            clip_on=False,
            mew=1.6,
            color=_GREY,
            ls="none",
            zorder=1,
        )
        fill = _INK if want is Wanted.MUST else _GREY if want is Wanted.WANT else "#ffffff"
        axes.plot(100 * shot.whole / n, row, "o", ms=7, clip_on=False, mfc=fill, mec=_INK, zorder=3)
        lost = _commonest(shot)
        text = f"{100 * shot.whole / n:.1f} %" + (f"   {lost[0][0]}" if lost else "")
        axes.text(103, row, text, va="center", fontsize=8.5, color=_INK)
    axes.set_yticks(
        range(len(wanted)), [f"{names[key]}  {want.value}" for key, want in wanted.items()], fontsize=9
    )
    axes.set_ylim(len(wanted) - 0.5, -0.5)
    axes.set_xlim(0, 100)
    axes.set_xlabel(
        "chance, %: dot, one whole take, with its 95 % interval; grey stroke, any frame of it. "
        "Right: what it is most often lost to",
        fontsize=8.5,
    )
    axes.grid(axis="x", color="#dddddd", lw=0.6)
    axes.set_axisbelow(True)
    for side in ("top", "right", "left"):
        axes.spines[side].set_visible(False)
    axes.tick_params(axis="y", length=0)
    axes.set_title(f"{case.timeline.title}: {n} made-up days", loc="left", fontsize=11)
    figures.save(figure, path)
