"""Several runs of one day as one account: crews with a computer each, their journals joined by UTC.

Nothing is audited across runs: each journal is held against its own timeline, and the verdict says which run
it speaks of. What is joined is what happened, by the instants that each run's own clock gave.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from pathlib import Path
from typing import Any

from rich.console import Console, RenderableType

from controller.account import text
from controller.account.export import CSV_COLUMNS, frame_row, to_json_dict
from controller.account.model import Account, FrameAccount, FrameEnd, Happening, ShotAccount, make_account
from controller.account.text import verdict_lines
from controller.errors import JournalError, UsageError
from controller.journal.folder import RunFolder
from controller.journal.records import Kind
from controller.live.clockwatch import STEP_LIMIT_S
from controller.units import NS_PER_S, ContactName, Wanted, utc_iso

SAME_ECLIPSE_NS = 12 * 3600 * NS_PER_S
"""The Moon's shadow leaves the Earth within some six hours; two eclipses are weeks apart."""
_DIGITS = 6
_OFFSET = re.compile(r"offset ([+-]\d+\.\d+) s")
"""What a time service said of a clock, in the sentence that the run kept of it."""


@dataclass(frozen=True, kw_only=True)
class MergedRun:
    """One of the runs: its own account, and what it and its rigs are called among the others."""

    name: str
    """The folder's name, with a number where two folders have the same."""
    account: Account
    rigs: Mapping[str, str]
    """The run's own name of a rig -> its name here: ``<run>/<rig>`` where another run has the same."""

    @property
    def sound(self) -> bool:
        """Return whether the journal was not altered and contradicts nothing."""
        return text.is_trusted(self.account)

    def rig_of(self, own: str | None) -> str:
        """Return a rig's name among the others; the run's name for all its rigs."""
        return f"{self.name}: all rigs" if own is None else self.rigs.get(own, own)


@dataclass(frozen=True, kw_only=True)
class MergedAccount:
    """Several runs, in the order they were given."""

    runs: tuple[MergedRun, ...]
    warnings: tuple[str, ...]
    """What makes them doubtful as one day, one sentence each."""

    @property
    def ends(self) -> dict[FrameEnd, int]:
        """Return how many frames of all runs ended in each way."""
        return {end: sum(run.account.ends[end] for run in self.runs) for end in FrameEnd}

    @property
    def planned(self) -> int:
        """Return how many frames all runs planned."""
        return sum(len(run.account.frames) for run in self.runs)

    def frames(self) -> list[tuple[MergedRun, FrameAccount]]:
        """Return every frame with its run, by the instant it was released or else was due, UTC."""
        every = [(run, frame) for run in self.runs for frame in run.account.frames]
        return sorted(every, key=lambda pair: pair[1].released_utc_ns or pair[1].due_utc_ns)

    def happenings(self) -> list[tuple[MergedRun, Happening]]:
        """Return every word on a filter and every happening with its run, by UTC."""
        every = [
            (run, one) for run in self.runs for one in (*run.account.words, *run.account.happenings)
        ]  # fmt: skip
        return sorted(every, key=lambda pair: pair[1].at_utc_ns)

    def shots(self) -> Iterator[tuple[MergedRun, ShotAccount]]:
        """Return every shot with its run, run by run."""
        return ((run, shot) for run in self.runs for shot in run.account.shots)


def merge_runs(folders: Sequence[Path]) -> MergedAccount:
    """Return the joint account of several runs.

    Raises:
        UsageError: if there are fewer than two, or one journal is given twice (a copy of it counts).
        JournalError: if a folder is no run's or cannot be read.
    """
    if len(folders) < 2:
        raise UsageError(
            "One run alone cannot be merged. Mend: name two or more; holdfire account is for one."
        )
    paths = [RunFolder.open(folder).path for folder in folders]
    names = _names(paths)
    _refuse_the_same_twice(paths)
    accounts = [make_account(path) for path in paths]
    owners: dict[str, list[str]] = {}
    for name, account in zip(names, accounts, strict=True):
        for rig in account.timeline.rigs:
            owners.setdefault(rig.name, []).append(name)
    runs = tuple(
        MergedRun(
            name=name,
            account=account,
            rigs={
                rig.name: rig.name if len(owners[rig.name]) == 1 else f"{name}/{rig.name}"
                for rig in account.timeline.rigs
            },
        )
        for name, account in zip(names, accounts, strict=True)
    )
    return MergedAccount(runs=runs, warnings=(*_eclipses(runs), *_shared(owners), *_clocks(runs)))


def _names(paths: Sequence[Path]) -> list[str]:
    names: list[str] = []
    for path in paths:
        name, number = path.resolve().name, 1
        while name in names:
            number += 1
            name = f"{path.resolve().name}-{number}"
        names.append(name)
    return names


def _refuse_the_same_twice(paths: list[Path]) -> None:
    """Refuse a journal given twice, a copy taken while it was still written included."""
    lines = [_whole_lines(RunFolder(path).journal_path) for path in paths]
    for (path, one), (other_path, other) in combinations(zip(paths, lines, strict=True), 2):
        copied = one and other and (one.startswith(other) or other.startswith(one))
        if path.resolve() == other_path.resolve() or copied:
            raise UsageError(
                f"{path} and {other_path} are the same journal: its frames would count twice. "
                "Mend: name each run once."
            )


def _whole_lines(journal: Path) -> bytes:
    try:
        data = journal.read_bytes()
    except OSError as error:
        raise JournalError(
            f"{journal}: the journal cannot be read ({error.strerror}). Mend: give the folder of a run."
        ) from error
    return data[: data.rfind(b"\n") + 1]


# --- what is doubtful -------------------------------------------------------------------------


def by_eclipse(runs: Sequence[MergedRun]) -> dict[int, list[MergedRun]]:
    """Return the runs of each eclipse, by an instant in its middle, UTC nanoseconds; not those without contacts."""
    days: dict[int, list[MergedRun]] = {}
    for run in runs:
        instants = run.account.timeline.contacts_utc_ns
        if not instants:
            continue
        middle = instants.get(ContactName.MID, min(instants.values()))
        day = next((known for known in days if abs(known - middle) < SAME_ECLIPSE_NS), int(middle))
        days.setdefault(day, []).append(run)
    return days


def _eclipses(runs: Sequence[MergedRun]) -> list[str]:
    """Return a sentence if the runs are not all of one eclipse."""
    days = by_eclipse(runs)
    if len(days) < 2:
        return []
    told = "; ".join(
        f"{', '.join(r.name for r in some)}: {utc_iso(day, 0)[:10]}" for day, some in days.items()
    )
    return [f"The runs are of different eclipses ({told})."]


def _shared(owners: Mapping[str, list[str]]) -> list[str]:
    return [
        f'Rig "{rig}" is in {" and in ".join(names)}; they are told apart as '
        f"{', '.join(f'{name}/{rig}' for name in names)}. If it is one camera, more than one run held it."
        for rig, names in owners.items()
        if len(names) > 1
    ]


def _clocks(runs: Sequence[MergedRun]) -> list[str]:
    """Return what is known of clocks that do not go alike; silence is no proof that they do."""
    found = []
    true = [run for run in runs if not _pretended(run.account)]
    if true and len(true) < len(runs):
        others = ", ".join(run.name for run in runs if run not in true)
        found.append(
            f"The clocks differ: {others} went by a pretended clock, {', '.join(r.name for r in true)} did not. "
            "Their instants cannot be compared."
        )
    offsets = {run.name: float(told[1]) for run in runs if (told := _OFFSET.search(run.account.clock))}
    if offsets and max(offsets.values()) - min(offsets.values()) > STEP_LIMIT_S:
        told_s = ", ".join(f"{name} {offset:+.3f} s" for name, offset in offsets.items())
        found.append(f"The clocks differ: their time services say that they are off by {told_s}.")
    for run in runs:
        if not _pretended(run.account) and "NOT kept" in run.account.clock:
            found.append(f"The clock of {run.name} was not kept by a time service: its instants may be off.")
        for one in run.account.happenings:
            if one.kind is Kind.CLOCK_STEPPED:
                found.append(
                    f"{run.name}: {one.text} (at {utc_iso(one.at_utc_ns, 1)}): its clock had been off by as much, "
                    "and its instants may be."
                )
    return found


def _pretended(account: Account) -> bool:
    return account.mode == "rehearsal" or account.clock.startswith("pretended")


# --- as text ----------------------------------------------------------------------------------


def to_text(merged: MergedAccount, width: int = 80) -> str:
    """Return the joint account as plain text, `width` columns wide."""
    out = io.StringIO()
    console = Console(
        file=out, width=width, color_system=None, force_terminal=False, markup=False, emoji=False, highlight=False
    )  # fmt: skip
    for part in _parts(merged):
        console.print(part)
    return "\n".join(row.rstrip() for row in out.getvalue().splitlines()) + "\n"


def _parts(merged: MergedAccount) -> Iterator[RenderableType]:
    fired = merged.ends[FrameEnd.FIRED]
    yield text.wrapped_line(f"{len(merged.runs)} runs: {fired} of {merged.planned} frames fired.")
    doubtful = [run for run in merged.runs if not run.sound]
    for run in [*doubtful, *(run for run in merged.runs if run.sound)]:
        yield ""
        yield text.wrapped_line(f"{run.name} ({run.account.mode or 'run'}: {run.account.timeline.title})")
        for sentence in verdict_lines(run.account):
            yield text.wrapped_line(sentence, indent=2)
        for sentence in run.account.contradictions:
            yield text.wrapped_line(f"! {sentence}", indent=2)
    if merged.warnings:
        yield from text.section("Mind that")
        for sentence in merged.warnings:
            yield text.wrapped_line(f"! {sentence}", indent=2)
    yield from text.section("Shots")
    yield _shots_table(merged)
    yield from _timing(merged)
    yield from _beside(merged)
    yield from text.section("What happened, by UTC")
    for run, one in merged.happenings():
        yield text.wrapped_line(f"{utc_iso(one.at_utc_ns, 1)[11:]}  {run.name}: {one.text}", indent=2)


def _shots_table(merged: MergedAccount) -> RenderableType:
    ends = [e for e in FrameEnd if e in (FrameEnd.FIRED, FrameEnd.MISSED) or merged.ends[e]]
    table = text.plain_table("rig", "phase", "shot", "wanted", "planned", *ends, left=4)
    for run, shot in merged.shots():
        names = (run.rig_of(shot.rig), shot.phase, shot.shot, shot.wanted.value)
        counts = (str(shot.ends[end] or "-") for end in ends)
        table.add_row(*(text.plain(name) for name in names), str(shot.planned), *counts)
    table.add_section()
    table.add_row("all", "", "", "", str(merged.planned), *(str(merged.ends[end] or "-") for end in ends))
    return table


def _timing(merged: MergedAccount) -> Iterator[RenderableType]:
    rows = [(run, row) for run in merged.runs for row in run.account.timing]
    if not rows:
        return
    yield from text.section("Release timing: opened minus due, by each run's own clock, milliseconds")
    table = text.plain_table("rig", "frames", "mean", "rms", "worst")
    for run, row in rows:
        errors = (f"{row.mean_ms:+.1f}", f"{row.rms_ms:.1f}", f"{row.worst_ms:+.1f}")
        table.add_row(text.plain(run.rig_of(row.rig)), str(row.count), *errors)
    yield table


def _beside(merged: MergedAccount) -> Iterator[RenderableType]:
    """Yield each run's clock, and its contacts with what they were computed with, beside each other."""
    yield from text.section("Contacts that each run went by, UTC")
    present = [c for c in ContactName if any(c in r.account.timeline.contacts_utc_ns for r in merged.runs)]
    table = text.plain_table("run", "eclipse", *present, "+/- s", left=2)
    for run in merged.runs:
        day = run.account.timeline
        instants = (
            utc_iso(day.contacts_utc_ns[c], 1)[11:-1] if c in day.contacts_utc_ns else "-" for c in present
        )
        doubt = f"{day.contacts_uncertainty_s:.1f}"
        table.add_row(text.plain(run.name), day.kind, *instants, doubt)
    yield table
    for run in merged.runs:
        day = run.account.timeline
        yield ""
        place = f"{day.latitude_deg:.4f}, {day.longitude_deg:.4f}, {day.elevation_m:.0f} m"
        yield text.wrapped_line(f"{run.name}, {day.site_name or 'its site'} ({place})", indent=2)
        yield text.wrapped_line(f"Contacts: {day.contacts_keyed_to}. {run.account.contacts_note}", indent=4)
        yield text.wrapped_line(f"Clock: {run.account.clock or 'nothing is known of it'}", indent=4)
        words = "a script" if run.account.operator == "script" else "a person"
        yield text.wrapped_line(f"The words on the filter came from {words}.", indent=4)


# --- for other programs -----------------------------------------------------------------------


def to_merged_json(merged: MergedAccount) -> dict[str, Any]:
    """Return the joint account as JSON values; each run's own account stands whole under ``runs``."""
    must = [shot for _, shot in merged.shots() if shot.wanted is Wanted.MUST]
    return {
        "totals": {"planned": merged.planned, **{e.replace(" ", "_"): n for e, n in merged.ends.items()}},
        "must_shots": {"planned": len(must), "whole": sum(shot.whole for shot in must)},
        "sound": all(run.sound for run in merged.runs),
        "warnings": list(merged.warnings),
        "runs": [
            {"run": run.name, "rigs": dict(run.rigs), "sound": run.sound, "account": to_json_dict(run.account)}
            for run in merged.runs
        ],
        "happenings": [
            {
                "at_utc": utc_iso(one.at_utc_ns, _DIGITS),
                "run": run.name,
                "kind": one.kind.value,
                "rig": None if one.rig is None else run.rig_of(one.rig),
                "text": one.text,
            }
            for run, one in merged.happenings()
        ],
    }  # fmt: skip


def write_merged_csv(merged: MergedAccount, path: Path) -> None:
    """Write one line a frame of every run, by UTC: the columns of one run's table after ``run``.

    Raises:
        JournalError: if the file cannot be written.
    """
    try:
        with path.open("w", encoding="utf-8", errors="backslashreplace", newline="") as file:
            writer = csv.DictWriter(file, ("run", *CSV_COLUMNS))
            writer.writeheader()
            for run, frame in merged.frames():
                renamed = replace(frame, frame=replace(frame.frame, rig=run.rig_of(frame.frame.rig)))
                writer.writerow({"run": run.name, **frame_row(renamed)})
    except OSError as error:
        raise JournalError(
            f"{path}: the table cannot be written ({error.strerror}). Mend: give another path."
        ) from error
