"""Drawings of the account as inline SVG: black on white or white on black, told apart by shape and pattern.

Text stays text, colours come from the page, and the same account gives the same bytes.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from markupsafe import Markup, escape

from controller.account.model import CloudSpan, FrameAccount, FrameEnd, HoldAccount
from controller.account.text import visible
from controller.account.troubles import Trouble
from controller.light.stops import NOMINAL_THIRDS_S, format_exposure, nearest_listed
from controller.timeline.model import Phase
from controller.units import NS_PER_S, ContactName, FilterState

WIDTH = 960
"""Units of a drawing's width; text is 13 of them high."""
_LEFT, _RIGHT = 158, 14
_TICKS_S = (1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200)
_BINS_MS = (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000)
_MOST_BINS = 24
_LOST_SHAPES = (
    ((FrameEnd.MISSED, FrameEnd.FAILED), "M{x:.1f} {y:.1f}m-3.5 -3.5l7 7m0 -7l-7 7"),
    ((FrameEnd.UNKNOWN,), "M{x:.1f} {y:.1f}m-3.5 0a3.5 3.5 0 1 0 7 0a3.5 3.5 0 1 0 -7 0"),
    ((FrameEnd.NOT_REACHED,), "M{x:.1f} {y:.1f}m-2.5 0h5"),
)
_NUMBER_APART = 52
_CHARACTER = 7.2
"""How wide a character is taken to be."""


@dataclass(frozen=True)
class Plot:
    """A drawing, and the same in words for those who do not see it."""

    title: str
    description: str
    legend: str
    """What the shapes mean, to stand under it."""
    width: int
    height: int
    body: Markup


@dataclass(frozen=True, kw_only=True)
class RigDay:
    """What the timeline draws of one rig."""

    name: str
    phases: Sequence[Phase]
    frames: Sequence[FrameAccount]
    holds: Sequence[HoldAccount]


# --- pieces -----------------------------------------------------------------------------------


def _text(x: float, y: float, words: str, *, anchor: str = "start", kind: str = "") -> Markup:
    style = Markup(' class="{}"').format(kind) if kind else Markup()
    where = Markup('<text x="{:.1f}" y="{:.1f}" text-anchor="{}"').format(x, y, anchor)
    return where + style + Markup(">") + escape(visible(words)) + Markup("</text>")


def _path(drawn: Iterable[str], kind: str) -> Markup:
    """Return many strokes as one path; nothing when there are none."""
    strokes = "".join(drawn)
    return Markup('<path class="{}" d="{}"/>').format(kind, strokes) if strokes else Markup()


def _box(x: float, y: float, width: float, height: float, kind: str, told: str = "") -> Markup:
    title = Markup("<title>") + escape(visible(told)) + Markup("</title>") if told else Markup()
    shape = Markup('<rect class="{}" x="{:.1f}" y="{:.1f}" width="{:.1f}" height="{:.1f}">').format(
        kind, x, y, width, height
    )
    return shape + title + Markup("</rect>")


def _bar(x: float, y: float, width: float, height: float) -> str:
    return f"M{x:.1f} {y:.1f}h{width:.1f}v{height:.1f}h-{width:.1f}z"


def _fitted(words: str, width: float) -> str:
    """Return words cut to a width."""
    most = int(width / _CHARACTER)
    words = visible(words)
    return words if len(words) <= most else f"{words[: most - 1].rstrip()}…" if most > 2 else ""


# --- the day ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Span:
    """A stretch of time on the drawing's width."""

    from_ns: int
    until_ns: int

    def x(self, instant_ns: int) -> float:
        part = (instant_ns - self.from_ns) / (self.until_ns - self.from_ns)
        return _LEFT + min(1.0, max(0.0, part)) * (WIDTH - _LEFT - _RIGHT)

    def overlaps(self, from_ns: int, until_ns: int) -> bool:
        return from_ns <= self.until_ns and until_ns >= self.from_ns


def day_plot(
    title: str,
    rigs: Sequence[RigDay],
    contacts: Mapping[ContactName, int],
    clouds: Sequence[CloudSpan],
    troubles: Sequence[Trouble],
    time_zone: str,
    span: tuple[int, int] | None = None,
) -> Plot:
    """Draw what was planned, fired and lost along the day, or along `span` of it (UTC nanoseconds).

    Troubles are numbered as they stand in `troubles`, from 1.
    """
    shown = _Span(*(span or _whole_day(rigs, contacts)))
    parts: list[Markup] = []
    y = 34.0
    if any(shown.overlaps(one.from_utc_ns, one.until_utc_ns or shown.until_ns) for one in clouds):
        parts.append(_text(_LEFT - 8, y + 11, "cloud, as said", anchor="end"))
        for one in clouds:
            end = shown.until_ns if one.until_utc_ns is None else one.until_utc_ns
            if shown.overlaps(one.from_utc_ns, end):
                x = shown.x(one.from_utc_ns)
                parts.append(_box(x, y, max(2.0, shown.x(end) - x), 14, "cloud", "the operator said: cloud"))
        y += 22
    for rig in rigs:
        drawn, y = _rig_rows(rig, shown, y)
        parts += drawn
    drawn, y = _trouble_row(troubles, shown, y)
    parts += drawn
    parts = [*_contact_lines(contacts, shown, y), *parts]
    parts += _time_axis(shown, y, time_zone)
    return Plot(
        title, _day_words(rigs, troubles, shown), _day_legend(rigs, clouds, troubles, shown), WIDTH,
        int(y + 42), Markup().join(parts),
    )  # fmt: skip


def _whole_day(rigs: Sequence[RigDay], contacts: Mapping[ContactName, int]) -> tuple[int, int]:
    instants = [*contacts.values()]
    for rig in rigs:
        for phase in rig.phases:
            instants += [phase.starts_utc_ns, phase.ends_utc_ns]
        instants += [frame.due_utc_ns for frame in rig.frames]
        for hold in rig.holds:
            instants += [at for at in (hold.asked_utc_ns, hold.said_utc_ns) if at is not None]
    if not instants:
        return 0, NS_PER_S
    margin = max(NS_PER_S, (max(instants) - min(instants)) // 50)
    return min(instants) - margin, max(instants) + margin


def _rig_rows(rig: RigDay, shown: _Span, y: float) -> tuple[list[Markup], float]:
    """Draw a rig's phases, planned, fired and lost frames, and its holds; return them and where to go on."""
    parts = [_text(4, y + 13, _fitted(rig.name, WIDTH - 8), kind="outlined")]
    y += 20
    parts.append(_text(_LEFT - 8, y + 12, "phases", anchor="end"))
    for phase in rig.phases:
        if not shown.overlaps(phase.starts_utc_ns, phase.ends_utc_ns):
            continue
        x, end = shown.x(phase.starts_utc_ns), shown.x(phase.ends_utc_ns)
        kind = "bare" if phase.filter_need is FilterState.OFF else "kept"
        told = f"{phase.name}: filter {phase.filter_need.value.replace('_', ' ')}"
        parts.append(_box(x, y, max(1.0, end - x), 16, kind, told))
        if label := _fitted(phase.name, end - x - 8):
            parts.append(_text((x + end) / 2, y + 12, label, anchor="middle", kind=f"on-{kind}"))
    y += 21
    inside = [one for one in rig.frames if shown.overlaps(one.due_utc_ns, one.due_utc_ns)]
    parts.append(_text(_LEFT - 8, y + 11, "planned", anchor="end"))
    parts.append(
        _path((_bar(shown.x(f.frame.due_utc_ns), y, _length(f, shown), 13) for f in inside), "planned")
    )
    y += 17
    parts.append(_text(_LEFT - 8, y + 11, "fired", anchor="end"))
    fired = [one for one in inside if one.end is FrameEnd.FIRED]
    parts.append(
        _path((_bar(shown.x(_opened(f)), y, _length(f, shown), 13) for f in fired), "fired")
    )  # fmt: skip
    y += 17
    lost = [one for one in inside if one.end is not FrameEnd.FIRED]
    if lost:
        parts.append(_text(_LEFT - 8, y + 11, "not fired", anchor="end"))
        for ends, stroke in _LOST_SHAPES:
            at = (shown.x(one.due_utc_ns) for one in lost if one.end in ends)
            parts.append(_path((stroke.format(x=x, y=y + 6.5) for x in at), "lost"))
        y += 17
    holds = [one for one in rig.holds if one.asked_utc_ns is not None]
    if any(shown.overlaps(one.asked_utc_ns or 0, _hold_end(one, shown)) for one in holds):
        parts.append(_text(_LEFT - 8, y + 11, "filter asked", anchor="end"))
        for hold in holds:
            parts += _hold(hold, shown, y)
        y += 17
    return parts, y + 8


def _opened(frame: FrameAccount) -> int:
    return frame.due_utc_ns if frame.released_utc_ns is None else frame.released_utc_ns


def _length(frame: FrameAccount, shown: _Span) -> float:
    exposure_ns = frame.frame.settings.exposure_s * NS_PER_S
    return max(1.0, exposure_ns / (shown.until_ns - shown.from_ns) * (WIDTH - _LEFT - _RIGHT))


def _hold_end(hold: HoldAccount, shown: _Span) -> int:
    ended = hold.expired_utc_ns if hold.said_utc_ns is None else hold.said_utc_ns
    return shown.until_ns if ended is None else ended


def _hold(hold: HoldAccount, shown: _Span, y: float) -> Iterator[Markup]:
    asked, said = hold.asked_utc_ns, hold.said_utc_ns
    if asked is None or not shown.overlaps(asked, _hold_end(hold, shown)):
        return
    told = f"filter {hold.needs.value} asked"
    end = shown.x(_hold_end(hold, shown))
    yield _box(shown.x(asked), y + 2, max(1.0, end - shown.x(asked)), 9, "asked", told)
    due = hold.due_utc_ns
    if due is not None and (said is None or said > due) and shown.x(due) < end:
        yield _box(shown.x(due), y + 2, end - shown.x(due), 9, "late", f"{told}, and late")
    if said is not None and shown.overlaps(said, said):
        yield _path([f"M{end:.1f} {y + 12:.1f}l-5 -11h10z"], "fired")


def _trouble_row(troubles: Sequence[Trouble], shown: _Span, y: float) -> tuple[list[Markup], float]:
    """Draw the troubles as numbers, those that lie close together in one box."""
    inside = [(n, one) for n, one in enumerate(troubles, 1) if shown.overlaps(one.at_utc_ns, one.at_utc_ns)]
    if not inside:
        return [], y
    parts = [_text(_LEFT - 8, y + 12, "went wrong", anchor="end")]
    groups: list[list[tuple[int, Trouble]]] = []
    for number, one in inside:
        if groups and shown.x(one.at_utc_ns) - shown.x(groups[-1][0][1].at_utc_ns) < _NUMBER_APART:
            groups[-1].append((number, one))
        else:
            groups.append([(number, one)])
    for group in groups:
        (first, earliest), last = group[0], group[-1][0]
        label = str(first) if first == last else f"{first}–{last}"
        x, width = shown.x(earliest.at_utc_ns), 12 + _CHARACTER * len(label)
        parts.append(_box(x - width / 2, y, width, 16, "number", "; ".join(one.words for _, one in group)))
        parts.append(_text(x, y + 12, label, anchor="middle"))
    return parts, y + 25


def _contact_lines(contacts: Mapping[ContactName, int], shown: _Span, bottom: float) -> Iterator[Markup]:
    drawn = [(name, shown.x(at)) for name, at in contacts.items() if shown.overlaps(at, at)]
    for number, (name, x) in enumerate(drawn):
        near = any(abs(x - other) < 34 for i, (_, other) in enumerate(drawn) if i != number)
        if near and name is ContactName.MID:
            continue
        anchor = {ContactName.C2: "end", ContactName.C3: "start"}.get(name, "middle") if near else "middle"
        yield _path([f"M{x:.1f} 20V{bottom:.1f}"], "contact")
        yield _text(x, 15, name.value, anchor=anchor, kind="strong")


def _time_axis(shown: _Span, y: float, time_zone: str) -> Iterator[Markup]:
    length_s = (shown.until_ns - shown.from_ns) / NS_PER_S
    step = next((s for s in _TICKS_S if length_s / s <= 10), math.ceil(length_s / 10)) * NS_PER_S
    try:
        zone: ZoneInfo | None = ZoneInfo(time_zone)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        zone = None
    offset = _offset_ns(shown.from_ns, zone)
    yield _path([f"M{_LEFT} {y:.1f}H{WIDTH - _RIGHT}"], "line")
    at = -(-(shown.from_ns + offset) // step) * step - offset
    while at <= shown.until_ns:
        x = shown.x(at)
        yield _path([f"M{x:.1f} {y:.1f}v5"], "line")
        local = datetime.fromtimestamp(at // NS_PER_S, zone or ZoneInfo("UTC"))
        yield _text(
            x, y + 19, f"{local:%H:%M}" if step >= 60 * NS_PER_S else f"{local:%H:%M:%S}", anchor="middle"
        )
        at += step
    words = f"local time, {time_zone}" if zone else "UTC"
    yield _text(WIDTH - _RIGHT, y + 37, words, anchor="end")


def _offset_ns(instant_ns: int, zone: ZoneInfo | None) -> int:
    if zone is None:
        return 0
    offset = datetime.fromtimestamp(instant_ns // NS_PER_S, zone).utcoffset()
    return 0 if offset is None else int(offset.total_seconds()) * NS_PER_S


def _day_words(rigs: Sequence[RigDay], troubles: Sequence[Trouble], shown: _Span) -> str:
    sentences = []
    for rig in rigs:
        inside = [one for one in rig.frames if shown.overlaps(one.due_utc_ns, one.due_utc_ns)]
        fired = sum(one.end is FrameEnd.FIRED for one in inside)
        sentences.append(f"{rig.name}: {len(inside)} frames planned, {fired} fired.")
    count = sum(shown.overlaps(one.at_utc_ns, one.at_utc_ns) for one in troubles)
    wrong = f"{count} {'thing' if count == 1 else 'things'} went wrong."
    return " ".join([*sentences, *([wrong] if count else [])])


def _day_legend(
    rigs: Sequence[RigDay], clouds: Sequence[CloudSpan], troubles: Sequence[Trouble], shown: _Span
) -> str:
    words = ["Phases: hatched without the filter, plain otherwise"]
    ends = {one.end for rig in rigs for one in rig.frames if shown.overlaps(one.due_utc_ns, one.due_utc_ns)}
    if ends & {FrameEnd.MISSED, FrameEnd.FAILED}:
        words.append("a cross is a frame that was missed or failed")
    if FrameEnd.UNKNOWN in ends:
        words.append("a ring is a frame of which nobody knows")
    if FrameEnd.NOT_REACHED in ends:
        words.append("a dash is a frame that the run did not come to")
    if any(hold.asked_utc_ns is not None for rig in rigs for hold in rig.holds):
        words.append(
            "filter asked: from the asking to the word (triangle) or the phase's end, filled once it is late"
        )
    if clouds:
        words.append("waves: cloud, as the operator said")
    if any(shown.overlaps(one.at_utc_ns, one.at_utc_ns) for one in troubles):
        words.append("numbers: what went wrong, as listed below")
    return "; ".join(words) + "."


# --- release errors ---------------------------------------------------------------------------


def error_plot(title: str, errors_ms: Sequence[float]) -> Plot:
    """Draw how often a release was how far from its instant (milliseconds), one rig; needs an error or more.

    The bins lie where all but the farthest five percent at each end are; these are counted in a bin of their
    own at that end.
    """
    found = sorted(errors_ms)
    low, high = found[len(found) // 20], found[-1 - len(found) // 20]
    step = next((s for s in _BINS_MS if (high - low) / s <= _MOST_BINS - 2), _BINS_MS[-1])
    first = math.floor(low / step)
    last = max(math.floor(high / step), first + 5)
    counts = Counter(min(last + 1, max(first - 1, math.floor(error / step))) for error in found)
    bins = [n for n in range(first - 1, last + 2) if first <= n <= last or counts[n]]
    left, right, top, height = 60, WIDTH - 20, 26, 150
    width = min(60.0, (right - left) / len(bins))
    most = max(counts.values())
    parts = [_path([f"M{left} {top + height}h{width * len(bins):.1f}"], "line")]
    for place, number in enumerate(bins):
        x, count = left + place * width, counts[number]
        beyond = number < first or number > last
        if count:
            tall = max(1.5, count / most * height)
            parts.append(_box(x + 1, top + height - tall, width - 2, tall, "beyond" if beyond else "bar"))
            parts.append(_text(x + width / 2, top + height - tall - 5, str(count), anchor="middle"))
        if beyond:
            words = f"< {first * step:g}" if number < first else f"≥ {(last + 1) * step:g}"
            parts.append(_text(x + width / 2, top + height + 17, words, anchor="middle"))
        elif (number - first) % max(1, math.ceil(48 / width)) == 0:
            parts.append(_path([f"M{x:.1f} {top + height}v5"], "line"))
            parts.append(_text(x, top + height + 17, f"{number * step:g}", anchor="middle"))
    parts.append(_text(left, top + height + 38, "opened minus due, milliseconds"))
    mean = math.fsum(found) / len(found)
    words = (
        f"{len(found)} releases, from {found[0]:+.1f} ms to {found[-1]:+.1f} ms, {mean:+.1f} ms on average, "
        f"in bins of {step:g} ms."
    )
    return Plot(title, words, words, WIDTH, top + height + 50, Markup().join(parts))


# --- exposures --------------------------------------------------------------------------------


def ladder_plot(title: str, frames: Sequence[FrameAccount]) -> Plot:
    """Draw which exposures of which shot were planned and which were got, one rig; needs a frame or more."""
    rows: dict[tuple[str, str, float, int], dict[float, list[FrameAccount]]] = {}
    for one in frames:
        asked = one.frame.settings
        row = rows.setdefault((one.frame.phase, one.frame.shot, asked.f_number, asked.iso), {})
        row.setdefault(asked.exposure_s, []).append(one)
    times = [one.frame.settings.exposure_s for one in frames]
    low = math.floor(math.log2(min(times)) + 0.1)
    high = max(low + 1, math.ceil(math.log2(max(times)) - 0.1))
    left, right = 330, WIDTH - 30

    def x_of(exposure_s: float) -> float:
        return left + (math.log2(exposure_s) - low) / (high - low) * (right - left)

    parts: list[Markup] = []
    y, phase = 26.0, None
    lines = [x_of(2.0**stop) for stop in range(low, high + 1)]
    every = max(1, math.ceil(56 * len(lines) / (right - left)))
    for (name, shot, f_number, iso), row in rows.items():
        if name != phase:
            parts.append(_text(4, y + 12, _fitted(name, left - 10), kind="strong"))
            phase, y = name, y + 22
        settings = f"f/{f_number:g} ISO {iso}"
        parts.append(_text(16, y + 14, _fitted(shot, left - 42 - len(settings) * _CHARACTER)))
        parts.append(_text(left - 14, y + 14, settings, anchor="end", kind="small"))
        last = -math.inf
        for exposure_s, members in sorted(row.items()):
            x = x_of(exposure_s)
            near = x - last < 36
            parts += _rung(x, y + 9, members, above=near)
            last = -math.inf if near else x
        y += 34
    grid = _path((f"M{x:.1f} 22V{y:.1f}" for x in lines), "grid")
    for number, stop in enumerate(range(low, high + 1)):
        if number % every == 0:
            parts.append(_text(lines[number], 14, _stop_words(2.0**stop), anchor="middle"))
    parts.append(_text(right, y + 16, "exposure, seconds (nominal)", anchor="end"))
    fired = sum(one.end is FrameEnd.FIRED for one in frames)
    whole = f"{fired} of {len(frames)} planned exposures were got"
    legend = (
        "Full disk: all got; half: some got, as the numbers say; ring with a cross: none got. "
        "A diamond stands where the camera read back another time than asked."
    )
    return Plot(title, f"{whole}.", legend, WIDTH, int(y + 24), grid + Markup().join(parts))


def _stop_words(exact_s: float) -> str:
    """Return a power of two as cameras write it, without the unit: 1/1024 s is their 1/1000."""
    nominal_s, off_stops = nearest_listed(exact_s, NOMINAL_THIRDS_S)
    return format_exposure(nominal_s if abs(off_stops) < 0.1 else exact_s).removesuffix(" s")


def _rung(x: float, y: float, members: Sequence[FrameAccount], *, above: bool) -> Iterator[Markup]:
    """Draw the frames of one shot that ask for one exposure, with their number below or `above`."""
    got = sum(one.end is FrameEnd.FIRED for one in members)
    otherwise = any(
        check.name == "exposure" and check.read_back for one in members for check in one.unconfirmed
    )
    ring = f"M{x - 6:.1f} {y:.1f}a6 6 0 1 0 12 0a6 6 0 1 0 -12 0z"
    if got == len(members):
        yield _path([ring], "fired")
    else:
        yield _path([ring], "ring")
        if got:
            yield _path([f"M{x - 6:.1f} {y:.1f}a6 6 0 0 0 12 0z"], "fired")
        else:
            yield _path([f"M{x - 4:.1f} {y - 4:.1f}l8 8m0 -8l-8 8"], "lost")
    if otherwise:
        yield _path([f"M{x:.1f} {y - 12:.1f}l4 4l-4 4l-4 -4z"], "ring")
    words = str(got) if got == len(members) else f"{got}/{len(members)}"
    yield _text(x, y - 9 if above else y + 18, words, anchor="middle", kind="small")
