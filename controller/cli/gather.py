"""`gather`: pictures to the frames of runs, with sidecars that say what they are."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from controller.account.model import FrameEnd
from controller.cli.output import console, print_json, table
from controller.errors import JournalError, UsageError
from controller.journal.reading import JournalState
from controller.units import utc_iso

if TYPE_CHECKING:
    from controller.account.gather.facts import Facts
    from controller.account.gather.model import CameraClock, Gathering, Match
    from controller.account.gather.runs import LoadedRun
    from controller.account.gather.sidecars import Sidecar, Written
    from controller.account.pictures.folder import Findings

SHOWN = 20
"""So many of a list are printed; --json has all."""
_One = TypeVar("_One")


@dataclass(frozen=True, kw_only=True)
class Wishes:
    """What is to be written."""

    sidecars: Path | None
    no_sidecars: bool
    folders: Path | None
    into: Path | None
    """Where what the pictures show goes."""
    copy: bool
    force: bool


@dataclass(frozen=True, kw_only=True)
class _Made:
    """What was written."""

    sidecars: dict[Path, Written]
    placed: dict[Path, Written]
    findings: dict[str, Findings]
    """What the pictures of each run show, by the run's name; empty when nobody asked."""


def gather(
    run_folders: list[Path],
    pictures: list[Path],
    wishes: Wishes,
    *,
    cameras: list[str],
    any_date: bool,
    as_json: bool,
) -> None:
    """Match pictures to frames, write what was wished for, and print what came of it."""
    import typer

    from controller.account.gather.facts import facts_of
    from controller.account.gather.matching import gather as match
    from controller.account.gather.reading import find_files, read_pictures
    from controller.account.gather.runs import load_runs
    from controller.account.gather.sidecars import common_root, plan_sidecars

    if wishes.copy and wishes.folders is None:
        raise UsageError("--copy goes with --folders. Mend: give --folders, or leave --copy out.")
    if wishes.into is not None and wishes.into.resolve() in {place.resolve() for place in pictures}:
        raise UsageError(
            f"--into {wishes.into}: the pictures are there. Mend: name another folder, such as {wishes.into / 'seen'}."
        )
    runs = load_runs(run_folders)
    serials = _serials(cameras, runs)
    own = [folder for folder in (wishes.folders, wishes.into) if folder is not None]
    paths = find_files(pictures, but_not_in=own)
    read = list(_with_bar("reading", read_pictures(paths), len(paths), quiet=as_json))
    frames = [frame for run in runs for frame in run.frames]
    gathering = match(frames, read, serials=serials, any_date=any_date)
    facts = facts_of(gathering.matches)
    sidecars = [] if wishes.no_sidecars else plan_sidecars(
        gathering.matches, wishes.sidecars, common_root(pictures)
    )  # fmt: skip
    _refuse_pictures(sidecars, paths)
    made = _write(runs, gathering, facts, sidecars, wishes, quiet=as_json)
    if as_json:
        print_json(to_json_dict(gathering, facts, made))
    else:
        _print(gathering, made, len(paths))
    altered = [run for run in runs if run.account.journal_state is JournalState.ALTERED]
    for run in altered:
        console(error=True).print(f"{run.name}: {run.account.journal_line}", soft_wrap=True, markup=False)
    if altered:
        raise typer.Exit(JournalError.exit_code)


def _refuse_pictures(sidecars: Iterable[Sidecar], pictures: Iterable[Path]) -> None:
    taken = {path.resolve() for path in pictures}
    for sidecar in sidecars:
        if sidecar.path.resolve() in taken:
            raise UsageError(
                f"{sidecar.path}: this is one of the pictures, and a sidecar would have its name. "
                "Mend: put the sidecars elsewhere with --sidecars, or write none with --no-sidecars."
            )


def _serials(cameras: list[str], runs: list[LoadedRun]) -> dict[str, str]:
    rigs = {rig.name for run in runs for rig in run.account.timeline.rigs}
    made = {}
    for text in cameras:
        rig, equals, serial = text.rpartition("=")
        if not equals or not serial.strip():
            raise UsageError(
                f'--camera "{text}": this is no rig and serial number. Mend: write --camera long=1234.'
            )
        if rig not in rigs:
            raise UsageError(
                f'--camera "{text}": there is no rig "{rig}". Mend: take one of {", ".join(sorted(rigs))}.'
            )
        made[rig] = serial.strip()
    return made


@contextmanager
def _bar(what: str, total: int, *, quiet: bool) -> Iterator[Any]:
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    out = console(error=True)
    with Progress(
        TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn(),
        console=out, disable=quiet or not out.is_terminal, transient=True,
    ) as progress:  # fmt: skip
        task = progress.add_task(what, total=total)
        yield lambda: progress.advance(task)


def _with_bar(what: str, things: Iterable[_One], total: int, *, quiet: bool) -> Iterator[_One]:
    with _bar(what, total, quiet=quiet) as advance:
        for thing in things:
            yield thing
            advance()


def _write(
    runs: Sequence[LoadedRun],
    gathering: Gathering,
    facts: Sequence[Facts],
    planned: Sequence[Sidecar],
    wishes: Wishes,
    *,
    quiet: bool,
) -> _Made:
    from controller.account.gather.sidecars import place, plan_folders, write_whole
    from controller.account.gather.xmp import to_xmp

    sidecars, placed = {}, {}
    for sidecar in _with_bar("sidecars", planned, len(planned), quiet=quiet):
        sidecars[sidecar.path] = write_whole(sidecar.path, to_xmp(facts[sidecar.match]), force=wishes.force)
    if wishes.folders is not None:
        links = plan_folders(gathering.matches, wishes.folders)
        for link in _with_bar("folders", links, len(links), quiet=quiet):
            placed[link.path] = place(link, copy=wishes.copy)
    findings = {} if wishes.into is None else _look(runs, gathering, wishes.into, wishes, quiet=quiet)
    return _Made(sidecars=sidecars, placed=placed, findings=findings)


def _look(
    runs: Sequence[LoadedRun], gathering: Gathering, into: Path, wishes: Wishes, *, quiet: bool
) -> dict[str, Findings]:
    from controller.account.gather.sidecars import plain_name
    from controller.account.pictures.folder import reads, write_findings
    from controller.account.pictures.taken import taken_of

    found = {}
    for run in runs:
        taken = taken_of(match for match in gathering.matches if match.frame.run.name == run.name)
        folder = into / plain_name(run.name) if len(runs) > 1 else into
        with _bar("looking", reads(taken), quiet=quiet) as advance:
            found[run.name] = write_findings(
                run.account.timeline, run.account.frames, taken, folder, force=wishes.force, tell=advance
            )
    return found


# --- what came of it ----------------------------------------------------------------------------


def _print(gathering: Gathering, made: _Made, files: int) -> None:
    out = console()
    matched = sum(len(match.pictures) for match in gathering.matches)
    doubtful = sum(len(doubt.pictures) for doubt in gathering.doubts)
    out.print(
        f"{matched} of {files} files belong to {len(gathering.matches)} frames; {doubtful} are in doubt, "
        f"{len(gathering.leftovers)} are of no frame. {len(gathering.lost)} fired frames have no picture.",
        soft_wrap=True,
    )
    grounds = Counter(match.ground.value for match in gathering.matches)
    if grounds:
        out.print(
            "By " + "; by ".join(f"{ground}: {count}" for ground, count in grounds.items()) + ".",
            soft_wrap=True,
        )
    after_all = [match for match in gathering.matches if match.frame.account.end is not FrameEnd.FIRED]
    if after_all:
        out.print(
            f"{len(after_all)} of them were taken though no word of them came: "
            + ", ".join(match.frame.account.frame.frame_id for match in after_all),
            soft_wrap=True,
            markup=False,
        )
    if gathering.clocks:
        rows = [
            (
                clock.rig,
                clock.model,
                clock.serial,
                clock_text(clock),
                f"{clock.uncertainty_s:.3f}",
                clock.matches,
            )
            for clock in gathering.clocks
        ]
        out.print()
        out.print(
            table(["rig", "~camera", "serial", "~its clock against UTC", ">± s", ">pictures"], rows),
            markup=False,
        )
    _list(
        "In doubt, not matched:",
        [
            f"{', '.join(str(picture.path) for picture in doubt.pictures)}: of "
            f"{', '.join(frame.label for frame in doubt.frames)}? {doubt.why}"
            for doubt in gathering.doubts
        ],
    )
    _list("Of no frame:", [f"{one.picture.path}: {one.why}" for one in gathering.leftovers])
    _list("Fired, and no picture:", [f"{one.frame.label}: {one.why}" for one in gathering.lost])
    for run, findings in made.findings.items():
        _list(f"In the pictures of {run}:", findings.words())
    looked = {path: how for findings in made.findings.values() for path, how in findings.files.items()}
    for what, written in (
        ("sidecars", made.sidecars), ("files in folders", made.placed), ("files on what they show", looked),
    ):  # fmt: skip
        if written:
            counts = Counter(written.values())
            out.print(
                f"\n{what}: " + ", ".join(f"{count} {how.value}" for how, count in counts.items()),
                soft_wrap=True,
            )
            kept = [str(path) for path, how in written.items() if how.value == "kept"]
            _list(
                "Kept, and differs from what would be written (--force overwrites all but links and copies):",
                kept,
            )


def _list(title: str, lines: Sequence[str]) -> None:
    if not lines:
        return
    out = console()
    out.print(f"\n{title}", soft_wrap=True, markup=False)
    for line in lines[:SHOWN]:
        out.print(f"  {line}", soft_wrap=True, markup=False)
    if len(lines) > SHOWN:
        out.print(f"  and {len(lines) - SHOWN} more; --json has all.")


def clock_text(clock: CameraClock) -> str:
    """Return how a camera's clock stood: ``2 h 0 min 3.24 s ahead, gaining 0.1 s an hour``."""
    if abs(clock.offset_s) < 0.005:
        return "right"
    whole, rest = divmod(round(abs(clock.offset_s), 2), 60)
    hours, minutes = divmod(int(whole), 60)
    parts = ([f"{hours} h"] if hours else []) + ([f"{minutes} min"] if hours or minutes else [])
    text = " ".join([*parts, f"{rest:.2f} s", "behind" if clock.offset_s < 0 else "ahead"])
    if abs(clock.drift_s_per_h) >= 0.005:
        text += (
            f", {'gaining' if clock.drift_s_per_h > 0 else 'losing'} {abs(clock.drift_s_per_h):.2f} s an hour"
        )
    return text


def to_json_dict(gathering: Gathering, facts: Sequence[Facts], made: _Made) -> dict[str, Any]:
    """Return what was gathered as JSON values: times in UTC (ISO 8601), units in the key names."""
    return {
        "matches": [_match_json(match, fact) for match, fact in zip(gathering.matches, facts, strict=True)],
        "doubts": [
            {
                "pictures": [str(picture.path) for picture in doubt.pictures],
                "frames": [{"run": one.run.name, "frame_id": one.account.frame.frame_id} for one in doubt.frames],
                "why": doubt.why,
            }
            for doubt in gathering.doubts
        ],
        "pictures_of_no_frame": [
            {"picture": str(one.picture.path), "why": one.why} for one in gathering.leftovers
        ],
        "frames_without_picture": [
            {"run": one.frame.run.name, "frame_id": one.frame.account.frame.frame_id, "why": one.why}
            for one in gathering.lost
        ],
        "camera_clocks": [
            {
                "run": clock.run, "rig": clock.rig, "model": clock.model, "serial": clock.serial,
                "ahead_of_utc_s": clock.offset_s, "at_utc": utc_iso(clock.middle_utc_ns),
                "gains_s_per_h": clock.drift_s_per_h, "scatter_s": clock.scatter_s,
                "uncertainty_s": clock.uncertainty_s, "matches": clock.matches,
            }
            for clock in gathering.clocks
        ],
        "sidecars": {str(path): how.value for path, how in made.sidecars.items()},
        "folders": {str(path): how.value for path, how in made.placed.items()},
        "findings": {run: findings.to_json() for run, findings in made.findings.items()},
    }  # fmt: skip


def _match_json(match: Match, facts: Facts) -> dict[str, Any]:
    frame = match.frame.account.frame
    return {
        "run": match.frame.run.name, "frame_id": frame.frame_id, "rig": frame.rig, "phase": frame.phase,
        "shot": frame.shot, "take": frame.take, "step": frame.step,
        "outcome": match.frame.account.end.value,
        "pictures": [str(picture.path) for picture in match.pictures],
        "ground": match.ground.value, "residual_s": match.residual_s, "taken_utc": utc_iso(facts.taken_utc_ns, 6),
        "contact": facts.contact, "from_contact_s": None if facts.contact is None else facts.from_contact_s,
        "exposure_s": facts.exposure_s, "f_number": facts.f_number, "iso": facts.iso,
        "planned_exposure_s": frame.settings.exposure_s,
    }  # fmt: skip
