"""Measurements beside a yardstick, both taken in this run; run it by `scripts/bench`.

The numbers are those of the machine it runs on. Nothing is asserted and nothing is kept.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import gc
import itertools
import os
import sched
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import fields, replace
from functools import partial
from pathlib import Path

import astronomy
import numpy as np
import swisseph
from bench_gather import gather
from bench_memory import memory
from bench_page import page
from bench_release import release
from bench_resume import resume

from controller.account.model import make_account
from controller.account.odds import Case, live, live_one
from controller.cameras.clock import VirtualClock
from controller.cameras.simulated import SimulatedDevice
from controller.cli.prepare import prepare
from controller.engine.engine import Engine
from controller.journal.folder import RunFolder
from controller.journal.reading import read_journal
from controller.journal.records import Kind
from controller.journal.writing import JournalWriter
from controller.operator.script import Habit, ScriptedOperator
from controller.simulate.days import Assumptions
from controller.simulate.driver import Simulation
from controller.sky import Site, circumstances
from controller.sky.batch import circumstances_at_many
from controller.timeline.model import Hold
from controller.timeline.refit import refit
from controller.units import NS_PER_S, FilterState, UtcNs

PLAN = Path(__file__).parent.parent / "sample_plans" / "total_2027.yaml"
SITE, DATE = Site(36.12, -5.72, 150.0), dt.date(2027, 8, 2)
CONTACT_ROUNDS = 20
REFIT_ROUNDS = 21
DAYS = 50
JOURNAL_ROUNDS, RECORDS_A_ROUND = 10, 50


def main() -> None:
    """Take and print every measurement."""
    head()
    contacts()
    many_sites()
    first_answer()
    rehearsal()
    drafted_totality()
    made_up_days()
    refits()
    journal()
    release(row)
    resume(row)
    gather(row)


def head() -> None:
    """Print the headings."""
    print(f"{'':34}{'holdfire':>14}{'yardstick':>14}{'ratio':>10}")


def row(what: str, ours: str, yardstick: str, ratio: float) -> None:
    """Print one line."""
    print(f"{what:34}{ours:>14}{yardstick:>14}{ratio:>10.3g}")


def median_s(
    work: Callable[[], object], rounds: int, clock: Callable[[], float] = time.perf_counter
) -> float:
    """Return the median time of a call in seconds, the first (which loads) left out."""
    work()
    times = []
    for _ in range(rounds):
        began = clock()
        work()
        times.append(clock() - began)
    return statistics.median(times)


def contacts() -> None:
    """One place and date, ephemeris loaded. The yardsticks are good to seconds and give no uncertainty."""
    start = astronomy.Time.Make(DATE.year, DATE.month, DATE.day - 1, 0, 0, 0)
    where = astronomy.Observer(SITE.latitude_deg, SITE.longitude_deg, SITE.elevation_m)
    julian = swisseph.julday(DATE.year, DATE.month, DATE.day - 1, 0.0)
    place = (SITE.longitude_deg, SITE.latitude_deg, SITE.elevation_m)
    ours = median_s(lambda: circumstances(SITE, DATE), CONTACT_ROUNDS)
    for name, call in (
        ("astronomy-engine", lambda: astronomy.SearchLocalSolarEclipse(start, where)),
        ("pyswisseph", lambda: swisseph.sol_eclipse_when_loc(julian, place, swisseph.FLG_MOSEPH)),
    ):
        other = median_s(call, CONTACT_ROUNDS)
        row(f"contacts, against {name}", f"{ours * 1e3:.2f} ms", f"{other * 1e3:.2f} ms", ours / other)


def many_sites() -> None:
    """A hundred by a hundred places at once, and what the yardsticks take for as many, one after another."""
    latitude, longitude = (
        part.ravel() for part in np.meshgrid(np.linspace(34, 38, 100), np.linspace(-8, -4, 100))
    )
    ours = median_s(lambda: circumstances_at_many(latitude, longitude, 0.0, DATE), 5)
    some = list(zip(latitude[::100].tolist(), longitude[::100].tolist(), strict=True))
    scale = latitude.size / len(some)
    start = astronomy.Time.Make(DATE.year, DATE.month, DATE.day - 1, 0, 0, 0)
    julian = swisseph.julday(DATE.year, DATE.month, DATE.day - 1, 0.0)
    full = scale * median_s(lambda: [circumstances(Site(lat, lon), DATE) for lat, lon in some], 1)
    for name, other in (
        ("the single site", full),
        (
            "astronomy-engine",
            scale
            * median_s(
                lambda: [
                    astronomy.SearchLocalSolarEclipse(start, astronomy.Observer(lat, lon, 0.0))
                    for lat, lon in some
                ],
                1,
            ),
        ),
        (
            "pyswisseph",
            scale
            * median_s(
                lambda: [
                    swisseph.sol_eclipse_when_loc(julian, (lon, lat, 0.0), swisseph.FLG_MOSEPH)
                    for lat, lon in some
                ],
                1,
            ),
        ),
    ):
        row(f"10,000 sites, against {name}", f"{ours:.3f} s", f"{other:.1f} s", ours / other)


def first_answer() -> None:
    """The command line from its start to its answer, against the interpreter with a bare library call."""
    site = [
        "--lat",
        str(SITE.latitude_deg),
        f"--lon={SITE.longitude_deg}",
        "--date",
        DATE.isoformat(),
        "--json",
    ]
    ours = [
        sys.executable,
        "-c",
        "from controller.cli import main; main()",
        "contacts",
        *site,
        "--terrain",
        "none",
    ]
    other = (
        "import swisseph as s; s.sol_eclipse_when_loc("
        f"s.julday({DATE.year}, {DATE.month}, {DATE.day - 1}, 0.0), "
        f"({SITE.longitude_deg}, {SITE.latitude_deg}, {SITE.elevation_m}), s.FLG_MOSEPH)"
    )

    def run(command: list[str]) -> float:
        return median_s(lambda: subprocess.run(command, check=True, stdout=subprocess.DEVNULL), 5)

    took_s, bare_s = run(ours), run([sys.executable, "-c", other])
    row("first answer, against pyswisseph", f"{took_s:.2f} s", f"{bare_s:.2f} s", took_s / bare_s)


def rehearsal() -> None:
    """Simulated seconds in a real one for a day of the sample plan: contacts, journal, pictures, account."""
    with tempfile.TemporaryDirectory(dir=".") as base:
        began = time.perf_counter()
        prepared = prepare(PLAN)
        timeline = prepared.compiled.timeline
        start = min(hold.opens_utc_ns for hold in timeline.holds) - 60 * NS_PER_S
        folder = RunFolder.create(
            Path(base), timeline.title, prepared.plan_bytes, timeline, started_utc_ns=start
        )
        operator = ScriptedOperator(Habit.parse("prompt"))

        def next_word(hold: Hold, opened: int, first: bool) -> int | None:
            return operator.answer(UtcNs(opened), hold.due_utc_ns, hold.needs, first=first)

        with contextlib.closing(JournalWriter.create(folder.path)) as writer:
            body, pictures = prepared.compiled.bodies["long"], folder.frames_path
            Simulation(
                engine=Engine(timeline),
                cameras={"long": lambda clock: SimulatedDevice(body, clock, folder=pictures).open()},
                next_word=next_word,
                journal=writer,
                start_utc_ns=start,
            ).run()
        make_account(folder.path)
        took_s = time.perf_counter() - began
        records = read_journal(folder.journal_path).records
        day_s = (records[-1]["at_utc_ns"] - records[0]["at_utc_ns"]) / NS_PER_S
    rate = day_s / took_s
    row("rehearsal, against the day itself", f"{rate:.0f} s/s", "1 s/s", rate)


def drafted_totality() -> None:
    """Unfiltered frames fired of a plan as `draft` writes it, in a rehearsed day.

    The yardstick drives the same simulated camera bare: the same exposures, one upon the other and from the start
    again, as fast as the body takes them, from the beginning of the phase to its end.
    """
    with tempfile.TemporaryDirectory(dir=".") as base:
        plan = Path(base) / "drafted.yaml"
        command = [sys.executable, "-c", "from controller.cli import main; main()"]
        gear = [
            "--camera",
            "APS-C 24 MP",
            "--focal-length",
            "400",
            "--aperture",
            "f/5.6",
            "--mount",
            "tracking",
        ]
        place = ["--lat", str(SITE.latitude_deg), f"--lon={SITE.longitude_deg}", "--date", DATE.isoformat()]
        subprocess.run([*command, "draft", *place, *gear, "-o", plan], check=True, stdout=subprocess.DEVNULL)
        compiled = prepare(plan).compiled
        calm = Assumptions(
            **{
                one.name: 0.0
                for one in fields(Assumptions)
                if one.name.endswith(("_chance", "_per_hour")) or one.name in ("cloudy_s", "clock_s")
            }
        )
        (lived,) = live_one([Case("calm", compiled.timeline, compiled.bodies, calm)], 1, 1)
    frames = {f.frame_id: f for f in compiled.timeline.frames if f.filter_need is FilterState.OFF}
    fired = sum(
        record["kind"] == Kind.FRAME_FIRED and record["frame_id"] in frames for record in lived.played.records
    )
    (phase,) = [p for p in compiled.timeline.phases if p.filter_need is FilterState.OFF]
    clock = VirtualClock(phase.starts_utc_ns)
    camera, bare = SimulatedDevice(compiled.bodies[phase.rig], clock).open(), 0
    for frame in itertools.cycle(sorted(frames.values(), key=lambda one: one.due_utc_ns)):
        camera.configure(frame.settings)
        camera.release(frame.settings)
        camera.collect(60.0)
        if clock.now_ns() > phase.ends_utc_ns:
            break
        bare += 1
    row("drafted totality, against bare camera", f"{fired} frames", f"{bare} frames", fired / bare)


def made_up_days() -> None:
    """Made-up days a second on one core, the plan with the most frames: drawn, played, audited and scored.

    The yardstick is the standard library's event scheduler, which goes through as many events that do nothing.
    """
    plans = [prepare(path).compiled for path in sorted(PLAN.parent.glob("*.yaml"))]
    largest = max(plans, key=lambda compiled: len(compiled.timeline.frames))
    case = Case("as it is", largest.timeline, largest.bodies, Assumptions())
    (lived,) = live_one([case], 1, 1)
    gc.collect()
    gc.freeze()  # what this script holds besides: days are lived in processes that hold nothing else
    began = time.process_time()
    live([case], 1, range(1, DAYS + 1))
    ours_s = (half := time.process_time()) - began
    now = [0.0]

    def sleep(seconds: float) -> None:
        now[0] += seconds

    queue = sched.scheduler(lambda: now[0], sleep)
    for _ in range(DAYS):
        for number in range(len(lived.played.records)):
            queue.enter(number, 0, lambda: None)
        queue.run()
    bare_s = time.process_time() - half
    row(
        f"days of {len(largest.timeline.frames)} frames, against sched",
        f"{DAYS / ours_s:.1f} /s",
        f"{DAYS / bare_s:.0f} /s",
        ours_s / bare_s,
    )


def refits() -> None:
    """What is left in the middle of totality, all before it lost: the plan with the most frames, and 2000 made up.

    Processor time. The yardstick sorts the same frames by their instants.
    """
    plans = [prepare(path).compiled.timeline for path in sorted(PLAN.parent.glob("*.yaml"))]
    totalities = [
        [frame for frame in plan.frames if frame.rig == phase.rig and frame.phase == phase.name]
        for plan in plans
        for phase in plan.phases
        if phase.filter_need is FilterState.OFF
    ]
    frames = max(totalities, key=len)
    begins, ends = frames[0].due_utc_ns, max(frame.ends_by_utc_ns for frame in frames)
    made_up = [
        replace(
            frame,
            frame_id=f"{frame.frame_id}/{number}",
            due_utc_ns=UtcNs(frame.due_utc_ns + number * (ends - begins)),
            starts_from_utc_ns=begins,
            movable_until_utc_ns=UtcNs(frame.movable_until_utc_ns + 6 * (ends - begins)),
            ends_by_utc_ns=UtcNs(ends + 6 * (ends - begins)),
        )
        for number in range(2000 // len(frames) + 1)
        for frame in frames
    ][:2000]
    for some in (frames, made_up):
        now = (some[0].due_utc_ns + some[-1].due_utc_ns) // 2
        ours = median_s(partial(refit, some, now, lead_ns=NS_PER_S // 2), REFIT_ROUNDS, time.process_time)
        bare = median_s(
            partial(sorted, some, key=lambda frame: (frame.due_utc_ns, frame.frame_id)),
            REFIT_ROUNDS,
            time.process_time,
        )
        row(
            f"refit of {len(some)} frames, against sort",
            f"{ours * 1e3:.1f} ms",
            f"{bare * 1e3:.2f} ms",
            ours / bare,
        )


def journal() -> None:
    """Records on the disk a second, one flush each, against bare lines of the same length."""
    ours_s, bare_s = 0.0, 0.0
    fields = {"frame_id": "long/0001", "rig": "long", "exposure_s": 0.0025, "f_number": 5.6, "iso": 100}
    with (
        tempfile.TemporaryDirectory(dir=".") as base,
        contextlib.closing(JournalWriter.create(Path(base))) as writer,
    ):
        bare = os.open(Path(base) / "bare", os.O_CREAT | os.O_WRONLY | os.O_APPEND)
        writer.append(Kind.FRAME_INTENT, 0, **fields)
        line = writer.path.read_bytes()
        for _ in range(JOURNAL_ROUNDS):
            began = time.perf_counter()
            for number in range(RECORDS_A_ROUND):
                writer.append(Kind.FRAME_INTENT, number, **fields)
            ours_s += (half := time.perf_counter()) - began
            for _ in range(RECORDS_A_ROUND):
                os.write(bare, line)
                os.fsync(bare)
            bare_s += time.perf_counter() - half
        os.close(bare)
    count = JOURNAL_ROUNDS * RECORDS_A_ROUND
    row(
        "journal, against write and fsync",
        f"{count / ours_s:.0f} /s",
        f"{count / bare_s:.0f} /s",
        bare_s / ours_s,
    )


if __name__ == "__main__":
    match sys.argv[1:]:
        case ["memory", *minutes]:
            memory(*map(float, minutes[:1]))
        case ["page"]:
            head()
            page(row)
        case _:
            main()
