"""The account as text: a verdict to read at arm's length first, the particulars after it."""

from __future__ import annotations

import io
from collections.abc import Iterable
from datetime import datetime
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from rich import box
from rich.console import Console, RenderableType
from rich.table import Table
from rich.text import Text

from controller.account.model import (
    REASON_WORDS,
    Account,
    FrameAccount,
    FrameEnd,
    Happening,
    SettingCheck,
    ShotAccount,
    hold_words,
)
from controller.journal.reading import JournalState
from controller.journal.records import Kind
from controller.timeline.model import Timeline
from controller.units import NS_PER_S, ContactName, Wanted, utc_iso

_MOST_LISTED = 40
"""Lists of settings end after this many lines and say how many are left; the CSV has all."""


def to_text(account: Account, width: int = 80) -> str:
    """Return the account as plain text, `width` columns wide, readable without colour."""
    out = io.StringIO()
    console = Console(
        file=out,
        width=width,
        color_system=None,
        force_terminal=False,
        markup=False,
        emoji=False,
        highlight=False,
    )
    for part in _parts(account):
        console.print(part)
    return "\n".join(line.rstrip() for line in out.getvalue().splitlines()) + "\n"


def verdict_lines(account: Account) -> list[str]:
    """Return the verdict in three lines: frames and must shots, what was not got, what the record is worth.

    Where the record is not to be trusted, that comes first; where it could not be kept in one place, a line on
    that stands before the others.
    """
    return [line for line, _ in verdict(account)]


def verdict(account: Account) -> list[tuple[str, bool]]:
    """Return the lines of the verdict, each with whether it tells of something that must not be overlooked."""
    ends, planned = account.ends, len(account.frames)
    frames = (
        f"{ends[FrameEnd.FIRED]} of {planned} frames fired; {_must_words(account)}.",
        bool(_lacking(account)),
    )
    trusted = is_trusted(account)
    trust = (_trust_words(account), not trusted or account.journal_state is JournalState.TORN)
    places, rest = [(line, True) for line in _place_words(account)], (_rest_words(account), False)
    return [*places, frames, rest, trust] if trusted else [trust, *places, frames, rest]


def _place_words(account: Account) -> list[str]:
    """Return a line on a journal that had to be kept in a second place, or may lack what stood there."""
    words = {Kind.JOURNAL_MOVED: "away", Kind.JOURNAL_RETURNED: "back"}
    moves = [
        f"{words[one.kind]} at {clock_text(account, one.at_utc_ns)}"
        for one in account.happenings
        if one.kind in words
    ]
    lines = []
    if moves:
        lines.append(
            f"THE DISK OF THE RUN DID NOT TAKE THE JOURNAL: {', '.join(moves)}. "
            "What was away stood in a second place and is in this account."
        )
    if account.missed_file is not None:
        lines.append(f"A PART OF THE JOURNAL MAY BE MISSING: {account.missed_file} is not there.")
    return lines


def is_trusted(account: Account) -> bool:
    """Return whether the journal was not altered and contradicts nothing."""
    return account.journal_state is not JournalState.ALTERED and not account.contradictions


def _lacking(account: Account) -> list[ShotAccount]:
    return [shot for shot in account.shots if shot.wanted is Wanted.MUST and not shot.whole]


def _must_words(account: Account) -> str:
    if not any(shot.wanted is Wanted.MUST for shot in account.shots):
        return "no shot was marked must"
    lacking = _lacking(account)
    if not lacking:
        return "every must shot got"
    names = ", ".join(f"{s.shot} on {s.rig} ({s.ends[FrameEnd.FIRED]} of {s.planned})" for s in lacking)
    return f"MUST SHOTS NOT WHOLE: {names}"


def _rest_words(account: Account) -> str:
    parts = []
    for end in (FrameEnd.MISSED, FrameEnd.FAILED, FrameEnd.UNKNOWN, FrameEnd.NOT_REACHED):
        if not account.ends[end]:
            continue
        reasons: dict[str, int] = {}
        for frame in account.frames:
            if frame.end is end and frame.reason:
                reasons[frame.reason] = reasons.get(frame.reason, 0) + 1
        why = ", ".join(f"{reason} {count}" for reason, count in reasons.items())
        words = why if end is FrameEnd.MISSED else ""
        parts.append(f"{account.ends[end]} {end}" + (f": {words}" if words else ""))
    return ("; ".join(parts) if parts else "Nothing missed, failed or unknown") + "."


def _trust_words(account: Account) -> str:
    count = len(account.contradictions)
    found = (
        f" {count} CONTRADICTION{'S' if count > 1 else ''} FOUND, see below."
        if count
        else " No contradictions."
    )
    if account.journal_state is JournalState.ALTERED:
        return f"DO NOT TRUST THIS ACCOUNT. {account.journal_line}{found if count else ''}"
    return account.journal_line[0].upper() + account.journal_line[1:] + found


def _parts(account: Account) -> Iterable[RenderableType]:
    what = {"rehearsal": "Rehearsal", "run": "Run"}.get(account.mode, "Run")
    yield wrapped_line(f"{what}: {account.timeline.title} ({account.folder.name})")
    yield ""
    for sentence in verdict_lines(account):
        yield wrapped_line(sentence)
    if account.contradictions:
        yield from section("CONTRADICTIONS: this run did not go as the record or the safety rules demand")
        yield from (wrapped_line(f"! {sentence}", indent=2) for sentence in account.contradictions)
    yield from section("Shots")
    yield _shots_table(account)
    yield from _troubles(account)
    yield from _lost(account)
    yield from _timing(account)
    yield from _filter_words(account)
    yield from _settings(account)
    yield from _happenings(account)
    yield from _sky(account)


def section(title: str) -> Iterable[RenderableType]:
    """Yield a heading."""
    yield ""
    yield wrapped_line(title)
    yield "-" * min(len(title), 60)


def wrapped_line(text: str, indent: int = 0) -> RenderableType:
    """Return a line that wraps under itself; control characters of whatever origin are made visible."""
    grid = Table.grid(padding=0)
    grid.add_column(overflow="fold")
    grid.add_row(plain(text))
    if not indent:
        return grid
    outer = Table.grid(padding=0)
    outer.add_row(" " * indent, grid)
    return outer


def plain(text: str) -> Text:
    """Return text as it is, without markup; control characters are made visible."""
    return Text(visible(text))


def visible(text: str) -> str:
    """Return text with what cannot be printed (control characters, turns of direction) written out."""
    return "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in text)


def plain_table(*headings: str, left: int = 1) -> Table:
    """Return a table without lines whose first `left` columns are aligned to the left."""
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0), show_edge=False)
    for number, heading in enumerate(headings):
        table.add_column(heading, justify="left" if number < left else "right", overflow="fold")
    return table


def _shots_table(account: Account) -> Table:
    several_rigs = len(account.timeline.rigs) > 1
    headings = ["rig", "phase", "shot", "wanted"][0 if several_rigs else 1 :]
    ends = [e for e in FrameEnd if e in (FrameEnd.FIRED, FrameEnd.MISSED) or account.ends[e]]
    table = plain_table(*headings, "planned", *ends, left=len(headings))
    for shot in account.shots:
        names = [shot.rig, shot.phase, shot.shot, shot.wanted.value][0 if several_rigs else 1 :]
        table.add_row(
            *(plain(name) for name in names), str(shot.planned), *(_count(shot.ends[end]) for end in ends)
        )
    table.add_section()
    blanks = [""] * (len(headings) - 1)
    table.add_row("all", *blanks, str(len(account.frames)), *(_count(account.ends[end]) for end in ends))
    return table


def _count(count: int) -> str:
    return str(count) if count else "-"


def _troubles(account: Account) -> Iterable[RenderableType]:
    if not account.troubles:
        return
    yield from section("What went wrong, in order")
    for one in account.troubles:
        who = f"{one.rig}: " if one.rig else ""
        yield wrapped_line(f"{clock_text(account, one.at_utc_ns)}  {who}{one.words}", indent=2)


def _lost(account: Account) -> Iterable[RenderableType]:
    groups: dict[tuple[str, str, FrameEnd, str, str], list[FrameAccount]] = {}
    for member in account.frames:
        if member.end not in (FrameEnd.FIRED, FrameEnd.NOT_REACHED):
            key = (member.frame.rig, member.frame.shot, member.end, member.reason, member.detail)
            groups.setdefault(key, []).append(member)
    if not groups:
        return
    yield from section("What was not got, and why")
    for (rig, shot, end, reason, detail), members in groups.items():
        why = REASON_WORDS.get(reason, reason)
        first, last = members[0], members[-1]
        when = clock_text(account, first.due_utc_ns)
        which = first.frame.frame_id if first is last else f"{first.frame.frame_id} to {last.frame.frame_id}"
        if detail:
            why += f" ({detail})"
        yield wrapped_line(f"{len(members)} {end}: {shot} on {rig}, due {when} ({which}): {why}", indent=2)


def _timing(account: Account) -> Iterable[RenderableType]:
    if not account.timing:
        return
    yield from section("Release timing: opened minus due, host's estimate, milliseconds")
    table = plain_table("rig", "frames", "mean", "rms", "worst", "worst frame")
    for row in account.timing:
        errors = (f"{row.mean_ms:+.1f}", f"{row.rms_ms:.1f}", f"{row.worst_ms:+.1f}")
        table.add_row(plain(row.rig), str(row.count), *errors, plain(row.worst_frame_id))
    yield table


def _filter_words(account: Account) -> Iterable[RenderableType]:
    if not account.holds and not account.words:
        return
    yield from section("Holds and words on the filter")
    if account.holds:
        table = plain_table("rig", "filter", "asked", "due", "said", "", left=6)
        for hold in account.holds:
            instants = (hold.asked_utc_ns, hold.due_utc_ns, hold.said_utc_ns)
            clocks = ("-" if at is None else clock_text(account, at) for at in instants)
            table.add_row(plain(hold.rig), hold.needs.value, *clocks, hold_words(hold))
        yield table
        yield ""
    yield from _told(account, account.words)


def _settings(account: Account) -> Iterable[RenderableType]:
    fired = account.ends[FrameEnd.FIRED]
    if not fired:
        return
    checks = account.unconfirmed
    yield from section("Settings asked against read back")
    if not checks:
        yield wrapped_line(f"All settings of the {fired} fired frames read back as asked.", indent=2)
        return
    alike: dict[tuple[str, str], list[str]] = {}
    for check in checks:
        alike.setdefault((check.frame_id.rpartition("/")[0], check_words(check)), []).append(check.frame_id)
    for (rig, words), frame_ids in list(alike.items())[:_MOST_LISTED]:
        which = frame_ids[0] if len(frame_ids) == 1 else f"{frame_ids[0]} to {frame_ids[-1]}"
        frames = f"{len(frame_ids)} frame{'' if len(frame_ids) == 1 else 's'}"
        yield wrapped_line(f"{rig}: {words}: {frames} ({which})", indent=2)
    if len(alike) > _MOST_LISTED:
        yield wrapped_line(
            f"and {len(alike) - _MOST_LISTED} more kinds; the CSV lists every frame.", indent=2
        )
    yield wrapped_line(f"Every other setting of the {fired} fired frames read back as asked.", indent=2)


def check_words(check: SettingCheck) -> str:
    """Return what one setting was asked to be, and was, in words."""
    asked, name = _setting(check.name, check.asked), check.name.replace("_", "-")
    if check.read_back is None:
        return f"{name} asked {asked}, not confirmed by the camera"
    return f"{name} asked {asked}, read back {_setting(check.name, check.read_back)}"


def _setting(name: str, value: float) -> str:
    if name == "exposure":
        return f"1/{1 / value:.0f} s" if 0 < value < 0.3 else f"{value:g} s"
    return f"f/{value:g}" if name == "f_number" else f"ISO {value:g}"


def _happenings(account: Account) -> Iterable[RenderableType]:
    if account.happenings:
        yield from section("Cameras, clock, refits, pauses and notes")
        yield from _told(account, account.happenings)


def _told(account: Account, happenings: Iterable[Happening]) -> Iterable[RenderableType]:
    for happening in happenings:
        yield wrapped_line(f"{clock_text(account, happening.at_utc_ns)}  {happening.text}", indent=2)


def _sky(account: Account) -> Iterable[RenderableType]:
    line = account.timeline
    yield from section(f"Contacts at {line.site_name or 'the site'}: {line.kind} eclipse")
    for name, instant in line.contacts_utc_ns.items():
        yield wrapped_line(f"{name:<4}{utc_iso(instant, 1)}   local {clock_text(account, instant)}", indent=2)
    yield wrapped_line(keyed_words(line), indent=2)
    if account.contacts_note:
        yield wrapped_line(account.contacts_note, indent=2)
    yield wrapped_line(
        f"Uncertainty {line.contacts_uncertainty_s:.1f} s. Clock times are local, {line.time_zone}.", indent=2
    )
    if account.clock:
        yield wrapped_line(f"Clock: {account.clock}", indent=2)
    cameras = ", ".join(f"{rig}: {model}" for rig, model in account.cameras.items())
    if cameras:
        yield wrapped_line(f"Cameras: {cameras}", indent=2)
    if account.operator == "script":
        yield wrapped_line("The words on the filter came from a script, not from a person.", indent=2)


def keyed_words(line: Timeline) -> str:
    """Return which limb the plan went by, and where the mean one stands beside it."""
    text = f"The plan was keyed to the {line.contacts_keyed_to}"
    inner = [ContactName.C2, ContactName.C3]
    mean = [
        f"{name} {utc_iso(line.contacts_mean_utc_ns[name], 1)}"
        for name in inner
        if name in line.contacts_mean_utc_ns
    ]
    return f"{text}; with the mean limb {', '.join(mean)}." if mean else f"{text}."


def clock_text(account: Account, instant_ns: int) -> str:
    """Return local clock time to a tenth of a second; UTC with a Z where the zone is not known."""
    tenths = (instant_ns + NS_PER_S // 20) // (NS_PER_S // 10)
    seconds, tenth = divmod(tenths, 10)
    try:
        zone = ZoneInfo(account.timeline.time_zone)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return utc_iso(instant_ns, 1)[11:]
    return f"{datetime.fromtimestamp(seconds, zone):%H:%M:%S}.{tenth}"
