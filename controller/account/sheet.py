"""The account as a document: headings, sentences, tables and drawings, for the page and for Markdown alike."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field

from controller.account.merging import MergedAccount, MergedRun, by_eclipse
from controller.account.model import REASON_WORDS, Account, FrameAccount, FrameEnd, Happening, hold_words
from controller.account.plots import Plot, RigDay, day_plot, error_plot, ladder_plot
from controller.account.text import check_words, clock_text, keyed_words, verdict
from controller.journal.records import Kind
from controller.light.stops import format_exposure
from controller.units import NS_PER_S, ContactName, FilterState, Wanted, utc_iso

_CLOSE_UP_NS = 20 * NS_PER_S
"""How much before and after the time without a filter the second drawing shows."""


@dataclass(frozen=True)
class Words:
    """A sentence or more."""

    text: str
    alarm: bool = False


@dataclass(frozen=True)
class Items:
    """Sentences in a list."""

    items: Sequence[str]
    numbered: bool = False


@dataclass(frozen=True)
class Grid:
    """A table; its first `left` columns are words, the others numbers."""

    name: str
    headings: Sequence[str]
    rows: Sequence[Sequence[str]]
    left: int = 1
    total: Sequence[str] = ()
    """The last row, set off from the others; empty when there is none."""


Block = Words | Items | Grid | Plot


@dataclass(frozen=True)
class Section:
    """Blocks under a heading."""

    title: str
    blocks: Sequence[Block]
    level: int = 2
    run: str = ""
    """Which of several runs it is about; empty when it is about all, or there is only one."""


@dataclass(frozen=True)
class Sheet:
    """The whole document."""

    title: str
    about: str
    """What it is the account of: run or rehearsal, where, when, the folder."""
    verdict: Sequence[Words]
    sections: Sequence[Section] = field(default_factory=tuple)


# --- one run ----------------------------------------------------------------------------------


def sheet_of(account: Account) -> Sheet:
    """Return the account of one run as a document."""
    return Sheet(
        title=account.timeline.title,
        about=_about(account),
        verdict=[Words(*line) for line in verdict(account)],
        sections=tuple(_sections(account)),
    )


def _about(account: Account) -> str:
    line = account.timeline
    what = {"rehearsal": "Rehearsal with simulated cameras", "run": "Run"}.get(account.mode, "Run")
    contacts = line.contacts_utc_ns
    day = contacts.get(ContactName.MID, min(contacts.values(), default=None))
    when = "" if day is None else f", {line.kind} eclipse of {utc_iso(day, 0)[:10]}"
    return f"{what}{when}, {line.site_name or 'at the site'}. Folder {account.folder.name}."


def _sections(account: Account, *, level: int = 2, run: str = "") -> Iterator[Section]:
    """Yield everything about one run in the order in which a photographer asks for it."""
    for title, blocks in (
        ("Contradictions", _contradictions(account)),
        ("The day at a glance", _day(account)),
        ("What went wrong", _troubles(account)),
        ("Wanted pictures", _wanted(account)),
        ("Phase by phase", _phases(account)),
        ("Exposures planned and got", _ladders(account)),
        ("Holds and words on the filter", _holds(account)),
        ("When the shutters opened", _timing(account)),
        ("Settings asked and read back", _settings(account)),
        ("Contacts", _contacts(account)),
        ("Clock, cameras and versions", _circumstances(account)),
        ("What else happened", _told(account, account.happenings)),
    ):
        if found := tuple(blocks):
            yield Section(title, found, level, run)


def _contradictions(account: Account) -> Iterator[Block]:
    if account.contradictions:
        yield Words("This run did not go as the record or the safety rules demand.", alarm=True)
        yield Items(account.contradictions)


def _rig_days(account: Account) -> list[RigDay]:
    return [
        RigDay(
            name=rig.name,
            phases=[one for one in account.timeline.phases if one.rig == rig.name],
            frames=[one for one in account.frames if one.frame.rig == rig.name],
            holds=[one for one in account.holds if one.rig == rig.name],
        )
        for rig in account.timeline.rigs
    ]


def _day(account: Account) -> Iterator[Block]:
    line, rigs = account.timeline, _rig_days(account)
    yield Grid(
        "Frames in all",
        ["planned", *FrameEnd],
        [[str(len(account.frames)), *(str(account.ends[end]) for end in FrameEnd)]],
        left=0,
    )
    common = (line.contacts_utc_ns, account.clouds, account.troubles, line.time_zone)
    yield day_plot("The whole day", rigs, *common)
    c2, c3 = line.contacts_utc_ns.get(ContactName.C2), line.contacts_utc_ns.get(ContactName.C3)
    if c2 is not None and c3 is not None:
        start, end = line.unfiltered_from_utc_ns or c2, line.unfiltered_until_utc_ns or c3
        yield day_plot("Around C2 and C3", rigs, *common, (start - _CLOSE_UP_NS, end + _CLOSE_UP_NS))
    yield Words(_cloud_words(account))


def _cloud_words(account: Account) -> str:
    if not account.clouds:
        return "Nobody said anything of clouds."
    spans = [
        f"from {clock_text(account, one.from_utc_ns)} "
        + (f"to {clock_text(account, one.until_utc_ns)}" if one.until_utc_ns else "on")
        for one in account.clouds
    ]
    return f"Cloud before the Sun, as the operator said: {'; '.join(spans)}."


def _troubles(account: Account) -> Iterator[Block]:
    if not account.troubles:
        yield Words("Nothing went wrong that the journal tells of.")
    else:
        yield Grid(
            "What went wrong, in order",
            ["no.", "local time", "rig", "what, and what it cost"],
            [
                [str(n), clock_text(account, one.at_utc_ns), one.rig or "-", one.words]
                for n, one in enumerate(account.troubles, 1)
            ],
            left=4,
        )
    if not account.outcome:
        yield Words(
            "The journal does not say that the run ended: what came after its last record is not known."
        )


def _wanted(account: Account) -> Iterator[Block]:
    rows = []
    for wanted in Wanted:
        shots = [shot for shot in account.shots if shot.wanted is wanted]
        frames = sum(shot.planned for shot in shots)
        fired = sum(shot.ends[FrameEnd.FIRED] for shot in shots)
        if shots:
            whole = f"{sum(shot.whole for shot in shots)} of {len(shots)}"
            rows.append([wanted.value, whole, str(frames), str(fired), str(frames - fired)])
    if not rows:
        yield Words("No frame was planned.")
        return
    yield Grid(
        "Shots by how much they were wanted",
        ["wanted", "shots whole", "frames planned", "fired", "not fired"],
        rows,
    )
    lost = [_lost_row(account, members) for members in _alike(account)]
    if lost:
        yield Grid(
            "What was not got, and why", ["wanted", "shot", "rig", "frames", "due", "why"], lost, left=6
        )
    else:
        yield Words("Every planned frame was fired.")


def _alike(account: Account) -> list[list[FrameAccount]]:
    """Return the frames that were not fired, those together that share shot, end and reason; most wanted first."""
    groups: dict[tuple[str, ...], list[FrameAccount]] = {}
    for one in account.frames:
        if one.end is not FrameEnd.FIRED:
            key = (one.frame.rig, one.frame.phase, one.frame.shot, one.end, one.reason, one.detail)
            groups.setdefault(key, []).append(one)
    return sorted(groups.values(), key=lambda members: members[0].frame.wanted.rank)


def _lost_row(account: Account, members: Sequence[FrameAccount]) -> list[str]:
    first, last = members[0], members[-1]
    why = REASON_WORDS.get(first.reason, first.reason) or "the journal says nothing of them"
    if first.detail:
        why += f" ({first.detail})"
    times = sorted({one.frame.settings.exposure_s for one in members})
    exposures = " to ".join(format_exposure(one) for one in (times[:1] + times[1:][-1:]))
    due = clock_text(account, first.due_utc_ns)
    if last is not first:
        due += f" to {clock_text(account, last.due_utc_ns)}"
    return [
        first.frame.wanted.value,
        first.frame.shot,
        first.frame.rig,
        f"{len(members)} {first.end}, {exposures}",
        due,
        why,
    ]


def _ends_of(frames: Iterable[Sequence[int]]) -> list[str]:
    return [str(sum(column)) for column in zip(*frames, strict=True)]


def _phases(account: Account) -> Iterator[Block]:
    several = len(account.timeline.rigs) > 1
    ends = [end for end in FrameEnd if end is FrameEnd.FIRED or account.ends[end]]
    for phase in account.timeline.phases:
        shots = [one for one in account.shots if (one.rig, one.phase) == (phase.rig, phase.name)]
        if not shots:
            continue
        name = f"{phase.name} on {phase.rig}" if several else phase.name
        filter_words = {
            FilterState.ON: "filter on", FilterState.OFF: "filter off", FilterState.NOT_NEEDED: "no filter needed",
        }.get(phase.filter_need, "")  # fmt: skip
        start, end = clock_text(account, phase.starts_utc_ns), clock_text(account, phase.ends_utc_ns)
        counts = [[shot.planned, *(shot.ends[one] for one in ends)] for shot in shots]
        yield Grid(
            f"{name}: {start} to {end}, {filter_words}",
            ["shot", "wanted", "planned", *ends],
            [
                [shot.shot, shot.wanted.value, *(str(n) for n in row)]
                for shot, row in zip(shots, counts, strict=True)
            ],
            left=2,
            total=["all", "", *_ends_of(counts)],
        )


def _ladders(account: Account) -> Iterator[Block]:
    for rig in account.timeline.rigs:
        frames = [one for one in account.frames if one.frame.rig == rig.name]
        if frames:
            yield ladder_plot(f"Exposures of {rig.name}", frames)


def _holds(account: Account) -> Iterator[Block]:
    if account.holds:
        yield Grid(
            "Holds",
            ["rig", "filter", "asked", "due", "said", "took", "how"],
            [
                [
                    hold.rig,
                    hold.needs.value,
                    *(
                        "-" if at is None else clock_text(account, at)
                        for at in (hold.asked_utc_ns, hold.due_utc_ns, hold.said_utc_ns)
                    ),
                    "-"
                    if hold.asked_utc_ns is None or hold.said_utc_ns is None
                    else f"{(hold.said_utc_ns - hold.asked_utc_ns) / NS_PER_S:.1f} s",
                    hold_words(hold),
                ]
                for hold in account.holds
            ],
            left=7,
        )
    yield from _told(account, account.words)
    if account.operator == "script":
        yield Words("The words on the filter came from a script, not from a person.")


def _timing(account: Account) -> Iterator[Block]:
    if not account.timing:
        return
    yield Words("Opened minus due, by the host's estimate, milliseconds. RMS is about zero.")
    yield Grid(
        "Release errors",
        ["rig", "frames", "mean", "RMS", "worst", "worst frame"],
        [
            [
                row.rig,
                str(row.count),
                f"{row.mean_ms:+.1f}",
                f"{row.rms_ms:.1f}",
                f"{row.worst_ms:+.1f}",
                row.worst_frame_id,
            ]
            for row in account.timing
        ],
    )
    for row in account.timing:
        errors = [
            one.error_ms for one in account.frames if one.frame.rig == row.rig and one.error_ms is not None
        ]
        yield error_plot(f"Release errors of {row.rig}", errors)


def _settings(account: Account) -> Iterator[Block]:
    fired = account.ends[FrameEnd.FIRED]
    if not fired:
        return
    alike: dict[tuple[str, str], list[str]] = {}
    for check in account.unconfirmed:
        alike.setdefault((check.frame_id.rpartition("/")[0], check_words(check)), []).append(check.frame_id)
    if not alike:
        yield Words(f"All settings of the {fired} fired frames read back as asked.")
        return
    yield Grid(
        "Settings that are not confirmed",
        ["rig", "setting", "first frame", "last frame", "frames"],
        [[rig, words, ids[0], ids[-1], str(len(ids))] for (rig, words), ids in alike.items()],
        left=4,
    )
    yield Words(f"Every other setting of the {fired} fired frames read back as asked.")


def _contacts(account: Account) -> Iterator[Block]:
    line = account.timeline
    mean = line.contacts_mean_utc_ns
    yield Grid(
        f"{line.kind.capitalize()} eclipse at {line.site_name or 'the site'}",
        ["contact", "UTC", f"local ({line.time_zone})", *(["UTC, mean limb"] if mean else [])],
        [
            [
                name.value,
                utc_iso(at, 1),
                clock_text(account, at),
                *([utc_iso(mean[name], 1) if name in mean else "-"] if mean else []),
            ]
            for name, at in line.contacts_utc_ns.items()
        ],
        left=4,
    )
    yield Words(
        f"Uncertainty {line.contacts_uncertainty_s:.1f} s. {keyed_words(line)} Site {line.latitude_deg:.5f}°, "
        f"{line.longitude_deg:.5f}° (north and east positive), {line.elevation_m:.0f} m."
    )
    if account.contacts_note:
        yield Words(account.contacts_note)
    start, end = line.unfiltered_from_utc_ns, line.unfiltered_until_utc_ns
    if start is not None and end is not None:
        yield Words(f"Frames without a filter were allowed from {utc_iso(start, 1)} to {utc_iso(end, 1)}.")
    else:
        yield Words("No frame without a filter was allowed.")


def _circumstances(account: Account) -> Iterator[Block]:
    items = [f"Clock: {account.clock or 'the journal says nothing of it'}."]
    steps = [one for one in account.happenings if one.kind is Kind.CLOCK_STEPPED]
    items += [f"At {clock_text(account, one.at_utc_ns)} {one.text}." for one in steps]
    items += [f"Camera of {rig}: {model}." for rig, model in account.cameras.items()]
    if account.versions:
        items.append(f"Versions: {', '.join(f'{name} {which}' for name, which in account.versions.items())}.")
    items.append(f"Journal: {account.journal_line}")
    if account.plan_sha256:
        items.append(f"SHA-256 of the plan: {account.plan_sha256}.")
    items.append(f"SHA-256 of the timeline: {account.timeline.digest()}.")
    yield Items(items)


def _told(account: Account, happenings: Sequence[Happening]) -> Iterator[Block]:
    if happenings:
        yield Items([f"{clock_text(account, one.at_utc_ns)}  {one.text}" for one in happenings])


# --- several runs -----------------------------------------------------------------------------


def sheet_of_merged(merged: MergedAccount) -> Sheet:
    """Return the joint account of several runs as a document, each run's own account after what they share."""
    doubtful = [run for run in merged.runs if not run.sound]
    ordered = [*doubtful, *(run for run in merged.runs if run.sound)]
    fired = merged.ends[FrameEnd.FIRED]
    told = [Words(f"{len(merged.runs)} runs: {fired} of {merged.planned} frames fired.")]
    for run in ordered:
        told += [Words(f"{run.name}: {line}", alarm) for line, alarm in verdict(run.account)]
    told += [Words(f"Mind that: {one}", alarm=True) for one in merged.warnings]
    sections = [
        Section("The day at a glance", tuple(_joint_day(merged))),
        Section("Shots of all runs", tuple(_joint_shots(merged))),
        Section("Clocks and contacts beside each other", tuple(_beside(merged))),
        Section("What happened, by UTC", tuple(_joint_happenings(merged))),
    ]
    for run in ordered:
        sections.append(
            Section(f"Run {run.name}", (Words(f"{run.account.timeline.title}. {_about(run.account)}"),))
        )
        sections += _sections(run.account, level=3, run=run.name)
    return Sheet("Several runs as one account", ", ".join(run.name for run in merged.runs), told, sections)


def _joint_day(merged: MergedAccount) -> Iterator[Block]:
    ends = merged.ends
    yield Grid(
        "Frames in all",
        ["planned", *FrameEnd],
        [[str(merged.planned), *(str(ends[end]) for end in FrameEnd)]],
        left=0,
    )
    for day, runs in by_eclipse(merged.runs).items():
        rigs = [
            RigDay(name=run.rig_of(rig.name), phases=rig.phases, frames=rig.frames, holds=rig.holds)
            for run in runs
            for rig in _rig_days(run.account)
        ]
        first = runs[0].account.timeline
        clouds = [one for run in runs for one in run.account.clouds]
        title = f"{utc_iso(day, 0)[:10]}, each run by its own clock"
        yield day_plot(title, rigs, first.contacts_utc_ns, clouds, (), first.time_zone)
        yield Words(f"The contacts drawn are those of {runs[0].name}.")


def _joint_shots(merged: MergedAccount) -> Iterator[Block]:
    ends = [end for end in FrameEnd if end is FrameEnd.FIRED or merged.ends[end]]
    yield Grid(
        "Shots",
        ["rig", "phase", "shot", "wanted", "planned", *ends],
        [
            [
                run.rig_of(shot.rig),
                shot.phase,
                shot.shot,
                shot.wanted.value,
                str(shot.planned),
                *(str(shot.ends[end]) for end in ends),
            ]
            for run, shot in merged.shots()
        ],
        left=4,
        total=["all", "", "", "", str(merged.planned), *(str(merged.ends[end]) for end in ends)],
    )


def _beside(merged: MergedAccount) -> Iterator[Block]:
    present = [c for c in ContactName if any(c in r.account.timeline.contacts_utc_ns for r in merged.runs)]
    yield Grid(
        "Contacts that each run went by, UTC",
        ["run", "eclipse", *present, "± s"],
        [_contact_row(run, present) for run in merged.runs],
        left=2,
    )
    yield Items(
        [f"{run.name}: {run.account.clock or 'nothing is known of its clock'}." for run in merged.runs]
    )


def _contact_row(run: MergedRun, present: Sequence[ContactName]) -> list[str]:
    line = run.account.timeline
    instants = [
        utc_iso(line.contacts_utc_ns[c], 1)[11:-1] if c in line.contacts_utc_ns else "-" for c in present
    ]
    return [run.name, line.kind, *instants, f"{line.contacts_uncertainty_s:.1f}"]


def _joint_happenings(merged: MergedAccount) -> Iterator[Block]:
    yield Items(
        [f"{utc_iso(one.at_utc_ns, 1)[11:]}  {run.name}: {one.text}" for run, one in merged.happenings()]
    )
