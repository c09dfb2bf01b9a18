"""A plan as commented YAML: the plan's own models written as a photographer would write them."""

from __future__ import annotations

import json
import re
import textwrap
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from controller.light.stops import format_exposure, format_f_number
from controller.plan.fields import format_duration
from controller.plan.model import BracketPlan, PhasePlan, ShotPlan

WIDTH = 108
_PLAIN = re.compile(r"[A-Za-z][\w .,%'’()/+-]*")
_NOT_PLAIN = re.compile(r"\b(?:true|false|yes|no|on|off|null)\b", re.IGNORECASE)


@dataclass(frozen=True)
class Noted:
    """A shot, and why it is as it is."""

    shot: ShotPlan
    why: str


@dataclass(frozen=True)
class NotedPhase:
    """A phase with its shots, and what it is for."""

    phase: PhasePlan
    shots: tuple[Noted, ...]
    why: str


def comment(text: str, indent: int = 0, width: int = WIDTH) -> list[str]:
    """Return a text as comment lines."""
    pad = " " * indent + "# "
    return textwrap.wrap(text, width, initial_indent=pad, subsequent_indent=pad, break_on_hyphens=False)


def scalar(text: str) -> str:
    """Return a text as a YAML value, in quotes where it might be read as anything else."""
    if _PLAIN.fullmatch(text) and not _NOT_PLAIN.fullmatch(text) and text == text.strip():
        return text
    return json.dumps(text, ensure_ascii=False)


def exposure(exposure_s: float) -> str:
    """Return an exposure as plans have it: ``1/1000``, ``0.5 s``."""
    return format_exposure(exposure_s).removesuffix(" s") if exposure_s < 0.3 else format_exposure(exposure_s)


def phase_lines(noted: NotedPhase) -> Iterator[str]:
    """Return a phase with its shots."""
    phase = noted.phase
    yield ""
    yield from comment(noted.why, 2)
    yield f"  - name: {scalar(phase.name)}"
    yield f"    from: {phase.starts}"
    yield f"    until: {phase.until}"
    yield f"    filter: {phase.filter.value}"
    if phase.rigs is not None:
        yield f"    rigs: [{', '.join(map(scalar, phase.rigs))}]"
    yield "    shots:"
    for one in noted.shots:
        yield from comment(one.why, 6)
        yield from shot_lines(one.shot)


def shot_lines(shot: ShotPlan) -> Iterator[str]:
    """Return one shot."""
    yield f"      - name: {scalar(shot.name)}"
    yield f"        wanted: {shot.wanted.value}"
    if shot.exposure is not None:
        yield f"        exposure: {exposure(shot.exposure)}"
    if shot.bracket is not None:
        yield from _bracket_lines(shot.bracket)
    if shot.aperture is not None:
        yield f"        aperture: {format_f_number(shot.aperture)}"
    if shot.iso is not None:
        yield f"        iso: {shot.iso}"
    if shot.at is not None:
        yield f"        at: {shot.at}"
    if shot.times > 1:
        yield f"        times: {shot.times}"
    if shot.every is not None:
        yield f"        every: {format_duration(shot.every)}"
    if shot.fill:
        yield "        fill: true"
    if shot.starts is not None:
        yield f"        from: {shot.starts}"
    if shot.until is not None:
        yield f"        until: {shot.until}"


def _bracket_lines(bracket: BracketPlan) -> Iterator[str]:
    yield "        bracket:"
    if bracket.list is not None:
        yield from flow_list("          list: ", map(exposure, bracket.list))
        return
    assert bracket.start is not None  # noqa: S101 - checked by the model's own rules
    assert bracket.end is not None  # noqa: S101
    assert bracket.step is not None  # noqa: S101
    yield f"          from: {exposure(bracket.start)}"
    yield f"          to: {exposure(bracket.end)}"
    yield f"          step: {bracket.step:g} stop{'' if bracket.step == 1 else 's'}"


def flow_list(head: str, values: Iterable[str]) -> list[str]:
    """Return a list of values after its key, broken where it is long."""
    pad, tie = " " * (len(head) + 1), "\N{NO-BREAK SPACE}"
    text = head + "[" + ", ".join(value.replace(" ", tie) for value in values) + "]"
    lines = textwrap.wrap(text, WIDTH, subsequent_indent=pad, break_on_hyphens=False, break_long_words=False)
    return [line.replace(tie, " ") for line in lines]


def bracket_of(exposures_s: Sequence[float]) -> dict[str, object]:
    """Return how a shot says its exposures: one `exposure`, or a `bracket` that lists them."""
    if len(exposures_s) == 1:
        return {"exposure": exposures_s[0]}
    return {"bracket": BracketPlan(list=list(exposures_s))}
