"""The full screen as lines of text: one thing is biggest, what to do now.

Pure: the same view always gives the same lines. No meaning is carried by colour; there is none.
"""

from __future__ import annotations

import textwrap
from dataclasses import dataclass
from enum import IntEnum

from rich.cells import cell_len, set_cell_size

from controller.engine.view import RigView, RunState, RunView
from controller.operator.figures import large
from controller.operator.wording import (
    CAUTION,
    CAUTION_SHORT,
    STATE_WORDS,
    ask_sentence,
    ask_short,
    asked_first,
    asked_rigs,
    local_time,
    looks_bare,
    names,
    nothing_asked,
    plain_text,
    said_short,
    time_left,
    troubles,
    utc_time,
    wrong,
)
from controller.units import FilterState

CONFIRM_S = 5
"""How long a key that needs a second one waits for it, seconds."""

_NARROW = 77
"""Below this many columns the rigs are shown in fewer of them."""
_WIDE = 110
"""From this many columns on the rigs have their phase and next picture, too."""
_TALL = 36
"""From this many rows on the figures are twice as high."""


class _Keep(IntEnum):
    """What stays on a screen that is too small; the lowest stays longest."""

    ALWAYS = 0
    WRONG = 1
    FIGURES = 2
    RIG_ASKED = 3
    RIG = 4
    CONTACT = 5
    CLOCK = 6
    TROUBLE = 7
    CUE = 8
    HEADINGS = 9
    PAGE = 10
    CARD = 11
    SAID = 12
    AIR = 13


@dataclass(frozen=True)
class _Block:
    keep: _Keep
    lines: tuple[str, ...]
    is_rig: bool = False


def layout(
    view: RunView,
    columns: int,
    rows: int,
    selected_rig: int | None,
    confirming_stop: bool,
    unicode: bool,
    notice: str = "",
    corner: str = "",
) -> list[str]:
    """Return the screen: exactly `rows` lines, none wider than `columns`, without line ends.

    Args:
        view: what to show.
        columns: width of the screen in character cells.
        rows: height of the screen.
        selected_rig: number of the rig the next key is for, from 1; None for all.
        confirming_stop: whether the key for stop waits for its second key.
        unicode: whether characters beyond ASCII can be drawn.
        notice: one more sentence to show, such as what was heard last.
        corner: where the page is and the code for it; empty where there is none.
    """
    columns, rows = max(1, columns), max(1, rows)
    top = _fitted(
        _top(view, columns, rows, selected_rig, confirming_stop, unicode, notice) + _page(corner, columns),
        rows - len(keys := _keys(view, columns)[:rows]),
    )
    lines = [*top, *[""] * (rows - len(keys) - len(top)), *keys]
    return [_cut(plain_text(line, unicode=unicode), columns, unicode) for line in lines]


def _top(
    view: RunView,
    columns: int,
    rows: int,
    selected_rig: int | None,
    confirming_stop: bool,
    unicode: bool,
    notice: str,
) -> list[_Block]:
    asked = asked_first(view)
    air = _Block(_Keep.AIR, ("",))
    blocks = [_Block(_Keep.CLOCK, (_clock(view, columns),)), air]
    figures = large(
        _headline(view, asked, confirming_stop),
        columns,
        tall=2 if rows >= _TALL else 1,
        ink="█" if unicode else "#",
    )
    blocks += [_Block(_Keep.FIGURES, tuple(figures)), air]
    for keep, sentence in _what_to_do(view, columns, asked, confirming_stop, figures_shown=bool(figures)):
        blocks.append(_Block(keep, _wrapped(sentence, columns)))
    if selected_rig is not None and 1 <= selected_rig <= len(view.rigs):
        name = view.rigs[selected_rig - 1].name
        blocks.append(
            _Block(_Keep.ALWAYS, _wrapped(f">> Only {name}: the next key is for it alone (0: all).", columns))
        )
    if notice:
        blocks.append(_Block(_Keep.WRONG, _wrapped(f">> {notice}", columns)))
    if fault := wrong(view):
        keep = _Keep.WRONG if asked is None else _Keep.RIG  # the ask itself is shown larger
        blocks.append(_Block(keep, _wrapped(f"!! {fault}", columns)))
    blocks.append(air)
    blocks += _coming(view, columns)
    blocks.append(air)
    return blocks + _rigs(view, columns, selected_rig)


def _page(corner: str, columns: int) -> list[_Block]:
    return [_Block(_Keep.PAGE, _wrapped(f"Page: {corner}", columns))] if corner else []


def _clock(view: RunView, columns: int) -> str:
    clock = f"{STATE_WORDS[view.state]}  {local_time(view.now_utc_ns, view.time_zone)}"
    with_utc = f"{clock}  {utc_time(view.now_utc_ns)}"
    if columns < 50:
        return clock
    room = columns - len(with_utc) - 2
    return f"{with_utc}  {view.title}" if room > 0 else with_utc


def _headline(view: RunView, asked: FilterState | None, confirming_stop: bool) -> str:
    if confirming_stop:
        return "STOP?"
    if view.state in (RunState.STOPPED, RunState.FINISHED):
        return STATE_WORDS[view.state]
    if asked is not None:
        return f"FILTER {asked.value.upper()}"
    if looks_bare(view):
        return "! FILTER ON"
    if view.state is RunState.PAUSED:
        return STATE_WORDS[view.state]
    look = "!" if wrong(view) else ""
    if view.next_contact is not None and view.next_contact_utc_ns is not None:
        left = time_left(view.next_contact_utc_ns, view.now_utc_ns)
        return f"{look} {view.next_contact.value.upper()} {left}".strip()
    return f"{look} LAST" if look else "LAST"


def _what_to_do(
    view: RunView, columns: int, asked: FilterState | None, confirming_stop: bool, *, figures_shown: bool
) -> list[tuple[_Keep, str]]:
    """Return the sentences under the figures."""
    told: list[tuple[_Keep, str]] = []
    if confirming_stop:
        told.append(
            (
                _Keep.ALWAYS,
                f"Press y within {CONFIRM_S} s to STOP THE RUN for good. Any other key: it goes on.",
            )
        )
    if view.state in (RunState.STOPPED, RunState.FINISHED):
        return [*told, (_Keep.ALWAYS, nothing_asked(view))]
    if asked is not None:
        told += _asking(view, columns, asked, headline=not figures_shown or confirming_stop)
    if view.state is RunState.PAUSED:
        told.append((_Keep.ALWAYS, f"{nothing_asked(view)} Press g to go on."))
    return told or [(_Keep.CUE, nothing_asked(view))]


def _asking(view: RunView, columns: int, asked: FilterState, *, headline: bool) -> list[tuple[_Keep, str]]:
    key = {FilterState.OFF: "f", FilterState.ON: "n"}
    word = asked.value.upper()
    rigs = asked_rigs(view, asked)
    which = f"it IS {word}" if len(rigs) == 1 else f"they ALL are {word}"
    told = [
        (_Keep.ALWAYS, f"{f'FILTER {word}: ' if headline else ''}{ask_sentence(view, asked)}"),
        (_Keep.ALWAYS, f"Press {key[asked]} when {which}{', not before' if columns >= _NARROW else ''}."),
    ]
    other = FilterState.OFF if asked is FilterState.ON else FilterState.ON
    if others := asked_rigs(view, other):
        told.append((_Keep.ALWAYS, f"Then filter {other.value.upper()}: {names(others)}, key {key[other]}."))
    return [*told, (_Keep.ALWAYS, f"Caution: {CAUTION if columns >= _NARROW else CAUTION_SHORT}")]


def _coming(view: RunView, columns: int) -> list[_Block]:
    blocks = []
    if view.next_contact is not None and view.next_contact_utc_ns is not None:
        left = time_left(view.next_contact_utc_ns, view.now_utc_ns)
        at = local_time(view.next_contact_utc_ns, view.time_zone)
        blocks.append(_Block(_Keep.CONTACT, (f"{view.next_contact.value} in {left}, at {at}",)))
    else:
        blocks.append(_Block(_Keep.CONTACT, ("All contacts are past.",)))
    if view.next_cue and view.next_cue_utc_ns is not None:
        left = time_left(view.next_cue_utc_ns, view.now_utc_ns)
        blocks.append(_Block(_Keep.CUE, (f'In {left} you hear: "{view.next_cue}"',)))
    if view.last_said and columns >= _NARROW:
        blocks.append(_Block(_Keep.SAID, (f'Said last: "{view.last_said}"',)))
    return blocks


def _rigs(view: RunView, columns: int, selected_rig: int | None) -> list[_Block]:
    blocks = [_Block(_Keep.HEADINGS, (_headings(columns),))]
    for number, rig in enumerate(view.rigs, start=1):
        mark = ">" if number == selected_rig else " "
        digit = str(number) if number <= 9 else " "
        keep = _Keep.RIG if rig.filter_asked is None else _Keep.RIG_ASKED
        line = f"{mark}{digit} {_rig_columns(view, rig, columns)}"
        blocks.append(_Block(keep, (line.rstrip(),), is_rig=True))
        trouble = troubles(rig, view.state)
        if columns < _NARROW:
            tally = f"missed {rig.missed} failed {rig.failed}"
            trouble = [tally, *trouble] if rig.missed or rig.failed else trouble
        if trouble:
            blocks.append(_Block(_Keep.TROUBLE, (f"   ! {'; '.join(trouble)}",)))
        if columns < _NARROW:
            blocks.append(_Block(_Keep.CARD, (f"   card {_frames_left(rig)}, battery {_battery(rig)}",)))
    return blocks


def _headings(columns: int) -> str:
    if columns < _NARROW:
        return f"   {'rig':<9} {'asked':<8} {'said':<6} {'fired/of':>10}"
    name = _name_width(columns)
    line = f"   {'rig':<{name}} {'filter asked':<16} {'said':<6} {'fired':>5}"
    line += f" {'missed':>6} {'failed':>6} {'of':>5} {'card':>6} {'batt.':>5}"
    return f"{line}  {'next in':>8}  phase" if columns >= _WIDE else line


def _name_width(columns: int) -> int:
    return min(20, 9 + columns - _NARROW) if columns < _WIDE else 20


def _rig_columns(view: RunView, rig: RigView, columns: int) -> str:
    asked, said = ask_short(rig), said_short(rig)
    if columns < _NARROW:
        short = asked.split()[0] + (" late" if asked.endswith("late") else "")
        return f"{set_cell_size(rig.name, 9)} {short:<8} {said:<6} {f'{rig.fired}/{rig.planned}':>10}"
    name = set_cell_size(rig.name, _name_width(columns))
    line = f"{name} {asked:<16} {said:<6} {rig.fired:>5} {rig.missed:>6} {rig.failed:>6} {rig.planned:>5}"
    line += f" {_frames_left(rig):>6} {_battery(rig):>5}"
    if columns < _WIDE:
        return line
    following = "-" if rig.next_due_utc_ns is None else time_left(rig.next_due_utc_ns, view.now_utc_ns)
    return f"{line}  {following:>8}  {rig.phase}"


def _frames_left(rig: RigView) -> str:
    return "?" if rig.frames_left is None else str(rig.frames_left)


def _battery(rig: RigView) -> str:
    return "?" if rig.battery_percent is None else f"{rig.battery_percent}%"


def _keys(view: RunView, columns: int) -> list[str]:
    if columns < _NARROW:
        return ["f IS off  n IS on  p/g pause/go  q stop"]
    last = min(9, len(view.rigs))
    lines = ["KEYS  f filter IS off  n filter IS on  p pause  g go on  q stop  c/e cloud/clear"]
    if last > 1:
        lines.append(f"      1-{last} and then a key: for that rig only")
    return lines


def _wrapped(sentence: str, columns: int) -> tuple[str, ...]:
    return tuple(textwrap.wrap(sentence, columns) or [""])


def _fitted(blocks: list[_Block], rows: int) -> list[str]:
    """Return the lines of the blocks that find room, in order; a dropped rig is always told of."""
    kept: set[int] = set()
    room = rows
    for index in sorted(range(len(blocks)), key=lambda index: (blocks[index].keep, index)):
        if len(blocks[index].lines) <= room:
            kept.add(index)
            room -= len(blocks[index].lines)
        elif blocks[index].keep is _Keep.ALWAYS:
            kept.add(index)
            room = 0
    rigs = [index for index, block in enumerate(blocks) if block.is_rig]
    hidden = [index for index in rigs if index not in kept]
    shown = [index for index in rigs if index in kept]
    gives_way = max(shown, key=lambda index: (blocks[index].keep, index)) if hidden and shown else None
    lines: list[str] = []
    for index, block in enumerate(blocks):
        if index not in kept:
            continue
        if index == gives_way:
            lines.append(f"   {len(hidden) + 1} more rigs: make the window larger")
        else:
            lines += block.lines
    return lines[:rows] if rows > 0 else []


def _cut(line: str, columns: int, unicode: bool) -> str:
    """Return `line` no wider than `columns`, with a mark where something was cut off."""
    if cell_len(line) <= columns:
        return line.rstrip()
    return set_cell_size(line, columns - 1).rstrip() + ("…" if unicode else "~")
