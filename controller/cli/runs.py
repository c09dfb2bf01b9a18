"""`rehearse`, `run`, `resume` and `cameras`."""

from __future__ import annotations

import os
import platform
import re
import sys
from collections import Counter
from collections.abc import Callable, Mapping
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from controller import __version__
from controller.cameras.children import render_in_children
from controller.cameras.clock import ClockEpoch, MonotonicClock
from controller.cameras.pictures import serial_of
from controller.cameras.profiles import UNSEEN_BY_HAND
from controller.cameras.protocol import Camera, CameraFacts, Clock
from controller.cameras.simulated import MODEL as SIMULATED_MODEL
from controller.cameras.simulated import SimFault, SimFaultKind, SimulatedDevice
from controller.cli import outlooks
from controller.cli.output import console, print_json, table
from controller.cli.paging import OpenPage, open_page
from controller.cli.second_place import second_folders
from controller.engine.engine import Engine
from controller.engine.view import RunView
from controller.errors import CameraError, JournalError, OperatorError, UsageError
from controller.gear.body import SIMULATED_BODY, CameraBody, is_listed
from controller.journal.folder import RunFolder
from controller.journal.writing import JournalWriter
from controller.light.scene import Outlook
from controller.light.stops import format_exposure
from controller.operator.script import Habit, ScriptedOperator
from controller.page.address import PageOptions
from controller.page.process import AlsoOnThePage
from controller.plan.fields import Anchor, WrongValueError, parse_duration_s
from controller.plan.profiles import RigProfile
from controller.timeline.model import Hold, RigInfo, Timeline
from controller.units import NS_PER_S, ContactName, UtcNs, Wanted, seconds_to_ns, utc_iso

if TYPE_CHECKING:  # the rest is imported where it is used: what goes on in totality has to begin quickly
    from controller.account.practice import Found
    from controller.cli.prepare import Prepared
    from controller.live.driver import Surface

EARLY_NS = 120 * NS_PER_S
"""A rehearsal in virtual time begins so long before the first hold is asked for."""
ARMING_NS = 60 * NS_PER_S
"""So long before a phase, or before the filter is asked for, a resumed run no longer waits to be armed."""
CLOCK_BACK_NS = 60 * NS_PER_S
"""A run is not resumed by a clock further behind its journal; nearer, it is, and every word is asked anew."""
LARGEST_CLOCK_OFFSET_S = 300.0
"""A computer's clock that is further off than this was set wrong, and is not corrected but set."""
LAST_SENTENCE_S = 5.0
"""So long may the last sentence of a day that was played to its end take."""
FAST_WIDTH_PX = 240
"""Width of the pictures of a rehearsal in virtual time: half of a camera's in real time, to be done soon."""
PRETENDED_CLOCK = "pretended clock"
STOPPED_EXIT = 10
MUST_LOST_EXIT = 11
CONTRADICTED_EXIT = 70
"""As for any other fault of the program: the audit found the journal to contradict the safety rules."""


@dataclass(frozen=True)
class Status:
    """Where the status of a live run is published, as asked for on the command line."""

    mqtt: str | None = None
    mqtt_ca: Path | None = None

    def onlookers(self, *, fast: bool = False) -> tuple[Surface, ...]:
        """Return what publishes it, beside the operator's surface; nothing unless it was asked for.

        Raises:
            UsageError: if the address or the file is wrong, or the run is one in virtual time.
        """
        if self.mqtt is None:
            if self.mqtt_ca:
                raise UsageError("--mqtt-ca goes with --mqtt. Mend: give --mqtt, or leave it out.")
            return ()
        if fast:
            raise UsageError("Nobody can watch a run in virtual time. Mend: leave --mqtt or --fast out.")
        from controller.operator.status import PASSWORD_VARIABLE, Broker, StatusPublisher

        broker = Broker.parse(self.mqtt, self.mqtt_ca)
        return (StatusPublisher(broker, os.environ.get(PASSWORD_VARIABLE)),)


# --- rehearsing -------------------------------------------------------------------------------


def rehearse(
    plan: Path,
    *,
    fast: bool,
    live: bool,
    habit: str | None,
    start: str | None,
    faults: list[str],
    base: Path,
    plain: bool,
    silent: bool,
    earth_rotation: Path | None,
    ephemeris: Path | None,
    terrain: Path | None,
    as_json: bool,
    status: Status,
    page_options: PageOptions,
) -> None:
    """Play a plan against simulated cameras: in virtual time if `fast`, else in real time; `live` says so in a word."""
    from controller.cli.prepare import prepare
    from controller.sky import Constants

    if fast and live:
        raise UsageError("--live is in real time and --fast is not. Mend: leave one of them out.")
    onlookers = status.onlookers(fast=fast)
    page_options.check(fast=fast)
    prepared = prepare(plan, Constants(earth_rotation=earth_rotation), ephemeris, terrain)
    timeline = prepared.compiled.timeline
    sim_faults = [parse_fault(text, timeline) for text in faults]
    begins = moment(start, timeline) if start else first_moment(timeline) - (EARLY_NS if fast else 0)
    operator = ScriptedOperator(Habit.parse(habit or "prompt")) if fast or habit else None
    page = None
    if not fast:
        _need_ears(operator, plain=plain, simulated=True)
        render_in_children()
        page = open_page(page_options, timeline, scripted=operator is not None)
        if page and page_options.listen and _hears_a_terminal():
            console(error=True).print("Press Enter to begin, Ctrl-C to leave.")
            sys.stdin.readline()
    folder = new_folder(prepared, base, begins)
    with closing(JournalWriter.create(folder.path, [] if fast else second_folders())) as journal:
        outlooks.keep(folder, outlooks.outlooks_of(prepared, ephemeris))
        facts = first_facts(prepared, "rehearsal", "script" if operator else "person", PRETENDED_CLOCK, [])
        engine = Engine(timeline)
        if fast:
            outcome = _simulate(
                engine, folder, journal, operator, begins, sim_faults, prepared.compiled.bodies, facts,
                as_json=as_json,
            )  # fmt: skip
        else:
            facts["practised_utc_ns"] = ClockEpoch.now().utc_ns
            outcome = _live(
                engine, folder, journal, operator, ClockEpoch.pretended(begins), facts, prepared.compiled.bodies,
                simulated=True, virtual=False, faults=sim_faults, plain=plain, silent=silent, resumed=False,
                onlookers=onlookers, page=page, as_json=as_json,
            )  # fmt: skip
    finish(folder, outcome, as_json=as_json, practised=operator is None)


def _simulate(
    engine: Engine,
    folder: RunFolder,
    journal: JournalWriter,
    operator: ScriptedOperator | None,
    begins_utc_ns: int,
    faults: list[SimFault],
    bodies: Mapping[str, CameraBody],
    facts: Mapping[str, Any],
    *,
    as_json: bool,
    resumed: bool = False,
) -> str | None:
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    from controller.simulate.driver import Simulation

    script = operator or ScriptedOperator(Habit.parse("prompt"))

    def next_word(hold: Hold, opened: int, first: bool) -> int | None:
        return script.answer(UtcNs(opened), hold.due_utc_ns, hold.needs, first=first)

    seen = outlooks.kept(folder)
    last = max((frame.due_utc_ns for frame in engine.timeline.frames), default=begins_utc_ns)
    out = console(error=True)
    with Progress(
        TextColumn("{task.description}"), BarColumn(), TextColumn("{task.percentage:>3.0f} %"),
        TimeElapsedColumn(), console=out, disable=as_json or not out.is_terminal, transient=True,
    ) as progress:  # fmt: skip
        task = progress.add_task("rehearsing", total=max(1, last - begins_utc_ns))
        simulation = Simulation(
            engine=engine,
            cameras={
                rig.name: _simulated_opener(
                    rig.name,
                    bodies[rig.name],
                    frames_folder(folder, engine.timeline, rig),
                    faults,
                    seen.get(rig.name),
                )
                for rig in engine.timeline.rigs
            },
            next_word=next_word,
            journal=journal,
            start_utc_ns=begins_utc_ns,
            facts=facts,
            outlooks=seen,
            on_step=lambda now: progress.update(task, completed=now - begins_utc_ns),
        )
        return simulation.resume() if resumed else simulation.run()


def _simulated_opener(
    rig: str, body: CameraBody, pictures: Path, faults: list[SimFault], outlook: Outlook | None
) -> Callable[[Clock], Camera]:
    devices: dict[int, SimulatedDevice] = {}

    def open_camera(clock: Clock) -> Camera:
        device = devices.get(id(clock))
        if device is None:
            device = SimulatedDevice(
                body, clock, folder=pictures, faults=faults, outlook=outlook, picture_width_px=FAST_WIDTH_PX,
                serial=serial_of(rig),
            )  # fmt: skip
            devices[id(clock)] = device
        return device.open()

    return open_camera


# --- live -------------------------------------------------------------------------------------


def run(
    plan: Path,
    *,
    virtual: bool,
    habit: str | None,
    start: str | None,
    clock_offset_s: float,
    base: Path,
    plain: bool,
    silent: bool,
    earth_rotation: Path | None,
    ephemeris: Path | None,
    terrain: Path | None,
    as_json: bool,
    status: Status,
    page_options: PageOptions,
) -> None:
    """Run a plan on its own cameras."""
    from controller.cli.prepare import prepare
    from controller.sky import Constants

    onlookers = status.onlookers()
    page_options.check()
    prepared = prepare(plan, Constants(earth_rotation=earth_rotation), ephemeris, terrain)
    timeline = prepared.compiled.timeline
    _only_without_real_cameras(timeline, virtual=virtual, habit=habit, start=start)
    real = _real_rigs(timeline, virtual=virtual)
    _only_a_small_correction(clock_offset_s, real)
    begins = moment(start, timeline) if start else ClockEpoch.now(clock_offset_s).utc_ns
    ends = max(phase.ends_utc_ns for phase in timeline.phases)
    if begins > ends:
        raise UsageError(
            f"The plan's day is over: it ended at {utc_iso(ends, 0)}. "
            "Mend: rehearse it instead, or make a plan for an eclipse to come."
        )
    operator = ScriptedOperator(Habit.parse(habit)) if habit else None
    _need_ears(operator, plain=plain, simulated=not real)
    clock_text = _clock_text(clock_offset_s, start)
    if virtual:
        render_in_children()
    page = open_page(page_options, timeline, scripted=operator is not None)
    if operator is None:
        _arm(timeline, virtual=virtual, clock_text=clock_text, profiles=prepared.loaded.profiles)
    epoch = ClockEpoch.pretended(begins) if start else ClockEpoch.now(clock_offset_s)
    folder = new_folder(prepared, base, epoch.utc_ns)
    with closing(JournalWriter.create(folder.path, second_folders())) as journal:
        outlooks.keep(folder, outlooks.outlooks_of(prepared, ephemeris))
        facts = first_facts(prepared, "run", "script" if operator else "person", clock_text, real)
        outcome = _live(
            Engine(timeline), folder, journal, operator, epoch, facts, prepared.compiled.bodies,
            simulated=False, virtual=virtual, faults=[], plain=plain, silent=silent, resumed=False,
            onlookers=onlookers, page=page, as_json=as_json,
        )  # fmt: skip
    finish(folder, outcome, as_json=as_json)


def resume(
    run_folder: Path,
    *,
    virtual: bool,
    habit: str | None,
    start: str | None,
    clock_offset_s: float,
    fast: bool,
    plain: bool,
    silent: bool,
    as_json: bool,
    status: Status,
    page_options: PageOptions,
    at_once: bool = False,
) -> None:
    """Go on with a run that was cut off, with cameras of the kind that it began with.

    With `at_once` nobody is waited for at the start: the run was armed when it began, and every filter word that
    no longer stands is asked for again.
    """
    onlookers = status.onlookers(fast=fast)
    page_options.check(fast=fast)
    folder = RunFolder.open(run_folder)
    timeline = folder.timeline()
    with closing(JournalWriter.resume(folder.path, second_folders())) as journal:
        records = journal.reading.records
        rehearsal = records[0].get("mode") == "rehearsal"
        real = [] if rehearsal else _real_rigs(timeline, virtual=virtual)
        _only_cameras_of_the_same_kind(records[0].get("real_cameras") or [], real)
        if real:
            _only_without_real_cameras(timeline, virtual=virtual, habit=habit, start=start)
            _only_a_small_correction(clock_offset_s, real)
        if fast and not rehearsal:
            raise UsageError("Only a rehearsal resumes in virtual time. Mend: leave --fast out.")
        operator = ScriptedOperator(Habit.parse(habit or "prompt")) if habit or fast else None
        if not fast:
            _need_ears(operator, plain=plain, simulated=not real)
        ended = records[-1]["at_utc_ns"]
        pretends = rehearsal or (not real and str(records[0].get("clock")).startswith(PRETENDED_CLOCK))
        pretended = moment(start, timeline) if start else ended + NS_PER_S if pretends else None
        _not_before(ended, pretended or ClockEpoch.now(clock_offset_s).utc_ns, real=bool(real))
        bodies = _bodies_of(folder) if rehearsal or len(real) < len(timeline.rigs) else {}
        engine = Engine(timeline)
        engine.restore(records)
        if journal.reading.missed_file is not None:
            engine.miss_lines()
        if fast:
            outcome = _simulate(
                engine, folder, journal, operator, pretended or ended, [], bodies, {}, as_json=as_json,
                resumed=True,
            )  # fmt: skip
        else:
            facts = {}
            if rehearsal or virtual:
                render_in_children()
            page = open_page(page_options, timeline, scripted=operator is not None, resumed=True)
            if pretended is None:
                facts["clock"] = _arm_again(
                    timeline, virtual=virtual, clock_offset_s=clock_offset_s, at_once=at_once
                )
            epoch = ClockEpoch.now(clock_offset_s) if pretended is None else ClockEpoch.pretended(pretended)
            outcome = _live(
                engine, folder, journal, operator, epoch, facts, bodies,
                simulated=rehearsal, virtual=virtual, faults=[], plain=plain, silent=silent, resumed=True,
                onlookers=onlookers, page=page, as_json=as_json,
            )  # fmt: skip
    finish(folder, outcome, as_json=as_json)


def _only_cameras_of_the_same_kind(began_with: list[str], real: list[str]) -> None:
    """Keep the words of a script or of a practice from ever standing for a real filter (HF-S02)."""
    if real and began_with != real:
        raise OperatorError(
            "That run did not begin on real cameras, so the words in its journal were not said at a real filter. "
            "Mend: add --virtual-camera as when it began, or start a new run."
        )
    if began_with and not real:
        raise UsageError(
            "That run began on real cameras; nothing else goes on in its journal. "
            "Mend: leave --virtual-camera out, or rehearse the plan."
        )


def _not_before(ended_utc_ns: int, now_utc_ns: int, *, real: bool) -> None:
    """Refuse to go on by a clock that is far behind the journal: one of the two is wrong."""
    if ended_utc_ns - now_utc_ns <= CLOCK_BACK_NS:
        return
    mend = (
        "Mend: set the clock right (--clock-offset adds to it), or start a new run."
        if real
        else "Mend: say with --from from when on."
    )
    raise JournalError(
        f"The journal ends at {utc_iso(ended_utc_ns, 0)}, and the clock to go on by says {utc_iso(now_utc_ns, 0)}. "
        + mend
    )


def _bodies_of(folder: RunFolder) -> dict[str, CameraBody]:
    from controller.plan.bodies import bodies_of
    from controller.plan.loading import load_plan

    return bodies_of(load_plan(folder.plan_path, folder.profile_path))


def _live(
    engine: Engine,
    folder: RunFolder,
    journal: JournalWriter,
    operator: ScriptedOperator | None,
    epoch: ClockEpoch,
    facts: Mapping[str, Any],
    bodies: Mapping[str, CameraBody],
    *,
    simulated: bool,
    virtual: bool,
    faults: list[SimFault],
    plain: bool,
    silent: bool,
    resumed: bool,
    onlookers: tuple[Surface, ...],
    page: OpenPage | None,
    as_json: bool,
) -> str:
    import gc

    from controller.cameras.host import CameraProcess, CameraSpec
    from controller.cameras.punctual import hand_memory_back
    from controller.live.awake import AwakeKeeper
    from controller.live.driver import LiveRun
    from controller.live.pictures import PictureWatch
    from controller.operator.bridge import ConsoleSurface, ScriptSurface
    from controller.operator.console import open_console
    from controller.operator.voice import pick_voice

    gc.collect()
    hand_memory_back()
    clock = MonotonicClock(epoch)
    seen = outlooks.kept(folder)
    no_real_camera = simulated or not _real_rigs(engine.timeline, virtual=virtual)

    def starter(rig: RigInfo) -> Callable[[], CameraProcess]:
        driver: Literal["simulated", "tethered"] = (
            "simulated" if simulated else "tethered" if virtual else rig.driver
        )
        spec = CameraSpec(
            rig=rig.name,
            driver=driver,
            match=None if virtual else rig.match,
            body=bodies.get(rig.name, SIMULATED_BODY),
            release_lag_s=rig.release_lag_s,
            word_within_s=rig.word_within_s,
            planned_utc_ns=tuple(one.due_utc_ns for one in engine.timeline.frames if one.rig == rig.name),
            virtual_folder=_virtual_folder(folder) if virtual else None,
            frames_folder=frames_folder(folder, engine.timeline, rig),
            faults=tuple(faults),
            outlook=seen.get(rig.name),
        )
        return lambda: CameraProcess(spec, epoch)

    surface: Surface
    if operator:
        surface = ScriptSurface(operator, _teller())
    else:
        surface = ConsoleSurface(
            lambda on_word: open_console(
                on_word,
                plain=plain,
                piped_words=no_real_camera,
                corner=page.corner if page else str,
                screen=sys.stderr if as_json else None,  # standard output is the JSON's alone
            )
        )
    if page:
        onlookers = (*onlookers, page.process)
    if onlookers:
        from controller.operator.status import Watched

        surface = Watched(surface, onlookers)
    voice = pick_voice(silent or operator is not None, engine.timeline.phrases.language)
    awake = AwakeKeeper(patience_s=0.3 if resumed else 1.0)
    speaker = AlsoOnThePage(voice, page.process.say) if page else voice
    try:
        live = LiveRun(
            engine=engine,
            start_camera={rig.name: starter(rig) for rig in engine.timeline.rigs},
            clock=clock,
            journal=journal,
            surface=surface,
            speaker=speaker,
            facts={**facts, "sleep": awake.text},
            real_cameras_allowed=operator is None and not no_real_camera,
            pictures=PictureWatch(engine.timeline, seen, show=page.process.picture if page else None),
        )
        outcome = live.resume() if resumed else live.run()
        if outcome == "finished":
            voice.finish(LAST_SENTENCE_S)
        return outcome
    finally:
        awake.close()
        voice.close()
        if page:
            page.process.close()


def _teller() -> Callable[[RunView], None]:
    """Return what prints, on standard error, what happens in a run that a script attends."""
    from controller.operator.lines import LineReport

    report = LineReport(unicode=(sys.stderr.encoding or "").lower().startswith("utf"))

    def tell(view: RunView) -> None:
        for line in report.lines(view):
            sys.stderr.write(line + "\n")

    return tell


def _virtual_folder(folder: RunFolder) -> Path:
    from controller.cameras.tethered import make_virtual_camera_folder

    path = folder.path / "virtual-camera"
    make_virtual_camera_folder(path)
    return path


def _real_rigs(timeline: Timeline, *, virtual: bool) -> list[str]:
    return [rig.name for rig in timeline.rigs if rig.driver == "tethered" and not virtual]


def _only_without_real_cameras(
    timeline: Timeline, *, virtual: bool, habit: str | None, start: str | None
) -> None:
    real = _real_rigs(timeline, virtual=virtual)
    if real and habit:
        raise OperatorError(
            f'A scripted operator cannot vouch for a real filter, and rig "{real[0]}" has a real camera. '
            "Mend: leave --operator out and say the words yourself, or add --virtual-camera."
        )
    if real and start:
        raise OperatorError(
            f'A pretended time (--from) would fire at the wrong moment, and rig "{real[0]}" has a real camera. '
            "Mend: leave --from out, or rehearse the plan."
        )


def _only_a_small_correction(clock_offset_s: float, real: list[str]) -> None:
    """Keep a correction of the clock from pretending another time with a real camera (HF-S02)."""
    if real and not abs(clock_offset_s) <= LARGEST_CLOCK_OFFSET_S:
        raise OperatorError(
            f"A clock that is {clock_offset_s:g} s off is not corrected here: with a real camera at most "
            f"{LARGEST_CLOCK_OFFSET_S:g} s are. Mend: set the computer's clock, and check its time zone."
        )


def _hears_a_terminal() -> bool:
    return sys.stdin is not None and sys.stdin.isatty()  # None: the input was closed from the start


def _need_ears(operator: ScriptedOperator | None, *, plain: bool, simulated: bool) -> None:
    """Refuse a run that nobody could speak to (HF-S14)."""
    if operator is None and not _hears_a_terminal() and not (plain and simulated and sys.stdin):
        raise OperatorError(
            "The run cannot hear you: its input is not a terminal, and no filter could be confirmed. "
            "Mend: start it from a terminal, or over ssh with a terminal (ssh -t)."
        )


def _clock_text(offset_s: float, start: str | None, patience_s: float = 3.0) -> str:
    from controller.live.clockwatch import clock_quality

    if start:
        return f"{PRETENDED_CLOCK}, set to {start}"
    text = clock_quality(patience_s).text
    return f"{text}; {offset_s:+.3f} s added by the operator" if offset_s else text


def _arm(
    timeline: Timeline,
    *,
    virtual: bool,
    clock_text: str,
    profiles: Mapping[str, RigProfile] | None = None,
) -> None:
    """Show what must be right before a run, and wait for the operator to say so."""
    out = console(error=True)
    out.print(f"Clock: {clock_text}.")
    out.print(timeline.contacts_note)
    if real := _real_rigs(timeline, virtual=virtual):
        attached = probe_attached()
        _only_free_cameras(timeline, real, attached)
        for sentence in attached_words(timeline, attached, profiles):
            out.print(f"- {sentence}")
    out.print(
        "The solar filter belongs on every lens that points at the Sun now. Follow its maker's instructions; "
        "never look through a lens at the Sun, or at the Sun without eye protection made for it."
    )
    if _hears_a_terminal():
        out.print("Press Enter to begin, Ctrl-C to leave.")
        sys.stdin.readline()


def _only_free_cameras(timeline: Timeline, real: list[str], attached: list[CameraFacts]) -> None:
    """Refuse a run one of whose cameras another holdfire has open."""
    for rig in timeline.rigs:
        used = [facts.in_use for facts in matching(rig, attached) if facts.in_use] if rig.name in real else []
        if used:
            raise CameraError(f'Rig "{rig.name}": {used[0]}')


def _arm_again(timeline: Timeline, *, virtual: bool, clock_offset_s: float, at_once: bool = False) -> str:
    """Show what `run` shows before going on, and return what is known of the clock.

    While a phase goes on, or the filter is asked for, nothing is waited for: no camera is probed twice.
    """
    now = ClockEpoch.now(clock_offset_s).utc_ns
    if not (at_once or _going_on(timeline, now)):
        clock_text = _clock_text(clock_offset_s, None)
        _arm(timeline, virtual=virtual, clock_text=clock_text)
        return clock_text
    clock_text = _clock_text(clock_offset_s, None, patience_s=0.3)
    out = console(error=True)
    out.print(f"Clock: {clock_text}.")
    out.print(
        "The run goes on at once: the screen tells which cameras are ready. "
        "Never look through a lens at the Sun, or at the Sun without eye protection made for it."
    )
    return clock_text


def _going_on(timeline: Timeline, now_utc_ns: int) -> bool:
    spans = [(phase.starts_utc_ns, phase.ends_utc_ns) for phase in timeline.phases]
    spans += [(hold.opens_utc_ns, hold.closes_utc_ns) for hold in timeline.holds]
    return any(start - ARMING_NS <= now_utc_ns < end for start, end in spans)


# --- what they share --------------------------------------------------------------------------


def first_moment(timeline: Timeline) -> int:
    """Return when the first hold opens or the first phase starts, UTC nanoseconds."""
    return min(
        [hold.opens_utc_ns for hold in timeline.holds] + [phase.starts_utc_ns for phase in timeline.phases]
    )


def new_folder(prepared: Prepared, base: Path, begins_utc_ns: int) -> RunFolder:
    """Make the run's folder."""
    timeline = prepared.compiled.timeline
    return RunFolder.create(
        base, timeline.title, prepared.plan_bytes, timeline,
        started_utc_ns=begins_utc_ns, profiles=prepared.profile_files,
    )  # fmt: skip


def frames_folder(folder: RunFolder, timeline: Timeline, rig: RigInfo) -> Path:
    """Return where a rig's pictures go, whatever it is called: always a folder right under the run's own."""
    safe = re.sub(r"[^\w.-]+", "-", rig.name).strip("-.")
    number = timeline.rigs.index(rig) + 1
    return folder.frames_path / (rig.name if safe == rig.name else f"{number}-{safe}")


def first_facts(
    prepared: Prepared, mode: str, operator: str, clock: str, real_cameras: list[str]
) -> dict[str, Any]:
    """Return what the first record says of a run, beside its title."""
    import hashlib
    from importlib import metadata

    timeline = prepared.compiled.timeline
    return {
        "plan_sha256": hashlib.sha256(prepared.plan_bytes).hexdigest(),
        "timeline_sha256": timeline.digest(),
        "profiles_sha256": {
            name: hashlib.sha256(content).hexdigest() for name, content in prepared.profile_files.items()
        },
        "mode": mode,
        "operator": operator,
        "clock": clock,
        "real_cameras": real_cameras,
        "cameras": {
            rig.name: SIMULATED_MODEL if mode == "rehearsal" else f"{rig.driver} {rig.match or ''}".strip()
            for rig in timeline.rigs
        },
        "contacts_note": timeline.contacts_note,
        "versions": {
            "holdfire": __version__,
            "python": platform.python_version(),
            **{name: metadata.version(name) for name in ("skyfield", "gphoto2", "apscheduler")},
        },
    }


def moment(text: str, timeline: Timeline) -> int:
    """Return the instant that anchor words mean in a timeline, UTC nanoseconds.

    Raises:
        UsageError: if the words are no anchor, or the contact does not exist there.
    """
    try:
        anchor = Anchor.parse(text)
    except WrongValueError as error:
        raise UsageError(f"{error} Mend: write it like: 2 min before C2.") from None
    contact = timeline.contacts_utc_ns.get(ContactName(anchor.contact))
    if contact is None:
        raise UsageError(
            f"There is no {anchor.contact} in this plan. Mend: use one of {', '.join(timeline.contacts_utc_ns)}."
        )
    return contact + seconds_to_ns(anchor.offset_s)


def parse_fault(text: str, timeline: Timeline) -> SimFault:
    """Read a fault for the simulated cameras: a kind, when it strikes, and for how long.

    Raises:
        UsageError: if the words are none.
    """
    kinds = {kind.value: kind for kind in SimFaultKind}
    words = " ".join(text.split())
    kind = next((kinds[name] for name in kinds if words.startswith(name + " ")), None)
    if kind is None:
        raise UsageError(
            f'"{text}" names no fault. Mend: begin with one of {", ".join(kinds)}, as in "lost 20 s after C2 for 15 s".'
        )
    when, _, length = words[len(kind.value) :].partition(" for ")
    try:
        for_s = parse_duration_s(length) if length else 30.0
    except WrongValueError as error:
        raise UsageError(f"{error} Mend: end it like: for 15 s.") from None
    counted = re.fullmatch(r"after (\d+) frames", when.strip())
    if counted:
        return SimFault(kind=kind, after_frames=int(counted[1]), for_s=for_s)
    return SimFault(kind=kind, at_utc_ns=moment(when.strip(), timeline), for_s=for_s)


def finish(folder: RunFolder, outcome: str | None, *, as_json: bool, practised: bool = False) -> None:
    """Print the account of a run that has just ended, and exit by how it ended.

    After a rehearsal that a person `practised`, the lateness of each word follows, with that of earlier ones.
    """
    import typer

    from controller.account import practice
    from controller.account.export import to_json_dict
    from controller.account.model import FrameEnd, make_account
    from controller.account.text import to_text

    made = make_account(folder.path)
    if as_json:
        more = {"practice": practice.to_json_dict(_practices(folder))} if practised else {}
        print_json({**to_json_dict(made), **more})
    else:
        print(to_text(made, console().width))  # noqa: T201
        if practised:
            print(practice.to_text(_practices(folder)))  # noqa: T201
        console().print(f"Everything is in {folder.path}", soft_wrap=True)
    lost = [one for one in made.frames if one.frame.wanted is Wanted.MUST and one.end is not FrameEnd.FIRED]
    if made.contradictions:
        raise typer.Exit(CONTRADICTED_EXIT)
    if outcome != "finished":
        raise typer.Exit(STOPPED_EXIT)
    if lost:
        raise typer.Exit(MUST_LOST_EXIT)


def _practices(folder: RunFolder) -> Found:
    """Return this rehearsal and all that lie beside it and are for the same place and eclipse."""
    from controller.account.practice import find_practices

    return find_practices(folder.path.parent, folder.timeline())


# --- cameras ----------------------------------------------------------------------------------


def probe_attached() -> list[CameraFacts]:
    """Open and probe every camera attached to this computer, each in a process of its own."""
    from controller.cameras.probing import probe_attached as probe

    return probe()


def attached_words(
    timeline: Timeline,
    attached: list[CameraFacts],
    profiles: Mapping[str, RigProfile] | None = None,
) -> list[str]:
    """Return what is wrong with the attached cameras for a plan, and what nobody but the operator can see.

    Args:
        timeline: of the plan.
        attached: what a probe found.
        profiles: those of the plan, by the rig's name.
    """
    words = []
    for rig in timeline.rigs:
        if rig.driver != "tethered":
            continue
        mine = matching(rig, attached)
        if len(mine) != 1:
            names = ", ".join(f"{f.model} on {f.port}" for f in attached) or "none"
            how_many = "no" if not mine else "more than one"
            words.append(f'Rig "{rig.name}": {how_many} attached camera matches it. Attached: {names}.')
            continue
        facts = mine[0]
        words += [f'Rig "{rig.name}" ({facts.model}): {sentence}' for sentence in facts.by_hand]
        words += unlisted(timeline, rig.name, facts)
        words += measured_elsewhere(rig.name, facts.model, profiles or {})
        if not facts.simulated:
            words.append(unseen(facts.model))
    return words + claimed_twice(timeline, attached)


def claimed_twice(timeline: Timeline, attached: list[CameraFacts]) -> list[str]:
    """Return a sentence for each attached camera that more than one rig means: only one of them would have it."""
    tethered = [rig for rig in timeline.rigs if rig.driver == "tethered"]
    words = []
    for facts in attached:
        names = [f'"{rig.name}"' for rig in tethered if matching(rig, attached) == [facts]]
        if len(names) > 1:
            words.append(
                f"Rigs {' and '.join(names)} mean the same camera, {facts.model} on {facts.port}. "
                "Mend: attach the other one, or give each rig a match of its own."
            )
    return words


def measured_elsewhere(rig: str, model: str, profiles: Mapping[str, RigProfile]) -> list[str]:
    """Return in one sentence that a rig's profile is of another model than its camera; nothing when it is not."""
    measured = profiles[rig].measured if rig in profiles else None
    if measured is None or measured.model.casefold() == model.casefold():
        return []
    what = f'Rig "{rig}" ({model}): its profile was measured on another model, {measured.model}.'
    return [f"{what} Mend: measure this one with holdfire calibrate."]


def unseen(model: str) -> str:
    """Return what an operator has to look at on a camera because no query sees it."""
    return f"{model}, which the program cannot see: {' '.join(UNSEEN_BY_HAND)}"


def matching(rig: RigInfo, attached: list[CameraFacts]) -> list[CameraFacts]:
    """Return the attached cameras that a rig can mean; it takes exactly one."""
    wanted = (rig.match or "").casefold()
    return [facts for facts in attached if wanted in facts.model.casefold() or rig.match == facts.port]


def unlisted(timeline: Timeline, rig: str, facts: CameraFacts) -> list[str]:
    """Return which settings of a rig's frames its camera does not list, one sentence each."""
    settings = Counter(frame.settings for frame in timeline.frames if frame.rig == rig)
    lost: Counter[str] = Counter()
    for one, count in settings.items():
        for listed, asked, text in (
            (facts.shutter_s, one.exposure_s, format_exposure(one.exposure_s)),
            (facts.f_numbers, one.f_number, f"f/{one.f_number:g}"),
            (facts.isos, one.iso, f"ISO {one.iso}"),
        ):
            if not is_listed(asked, listed):
                lost[text] += count
    return [
        f'Rig "{rig}" ({facts.model}) does not list {text}: {count} frames would be missed.'
        for text, count in lost.items()
    ]


def cameras(*, as_json: bool) -> None:
    """List what is attached."""
    found = probe_attached()
    if as_json:
        print_json(
            {
                "cameras": [
                    {
                        "model": facts.model,
                        "port": facts.port,
                        "battery_percent": facts.status.battery_percent,
                        "frames_left": facts.status.frames_left,
                        "shutter_s": list(facts.shutter_s),
                        "f_numbers": list(facts.f_numbers),
                        "isos": list(facts.isos),
                        "set_by_hand": list(facts.by_hand),
                        "look_yourself": [] if facts.simulated else list(UNSEEN_BY_HAND),
                        "virtual": facts.simulated,
                        "in_use": facts.in_use,
                    }
                    for facts in found
                ]
            }
        )
        return
    out = console()
    if not found:
        out.print("No camera is attached, or another program holds it.")
        return
    out.print(
        table(
            ("model", "port", ">battery", ">frames left", ">shutter times"),
            [
                (
                    facts.model,
                    facts.port,
                    "?" if facts.status.battery_percent is None else f"{facts.status.battery_percent} %",
                    "?" if facts.status.frames_left is None else facts.status.frames_left,
                    len(facts.shutter_s),
                )
                for facts in found
            ],
        )
    )
    for facts in found:
        for sentence in facts.by_hand:
            out.print(f"{facts.model}: {sentence}", soft_wrap=True)
        if not facts.simulated:
            out.print(unseen(facts.model), soft_wrap=True)
