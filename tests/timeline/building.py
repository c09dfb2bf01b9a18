"""Days to compile: contacts of our own making, and plans for hypothesis to vary."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from hypothesis import strategies as st

from controller.plan.loading import load_plan_text
from controller.timeline.compile import Compiled, SiteContacts, compile_plan
from controller.units import ContactName, UtcNs, seconds_to_ns

BASE = (Path(__file__).parent / "base.yaml").read_text(encoding="utf-8")
DAY_NS = 1_817_190_000 * 1_000_000_000
"""Second zero of these days: 2027-08-02T07:00:00Z."""
FILTERED_PLAN = """holdfire_plan: 1
title: a bite
site: {latitude: 10, longitude: 20}
eclipse: 2027-08-02
rigs:
  - name: long
    camera: {driver: simulated}
    optics: {focal_length: 400 mm, aperture: f/8}
    filter: {kind: glass, density: 5}
phases:
  - name: all
    from: C1
    until: C4
    filter: on
    shots:
      - {name: bites, wanted: must, exposure: 1/500, every: 300 s}
"""
"""A plan that keeps the filter on from C1 to C4: for eclipses without totality."""


def contacts(
    kind: str = "total", *, totality_s: float = 240.0, partial_s: float = 3600.0, shift_ns: int = 0
) -> SiteContacts:
    """Contacts of a made-up eclipse: C1 at second zero, C2 after `partial_s`, mid halfway to C3."""
    length = {ContactName.C1: 0.0, ContactName.C4: 2 * partial_s + totality_s}
    length[ContactName.MID] = partial_s + totality_s / 2
    if kind in ("total", "annular"):
        length |= {ContactName.C2: partial_s, ContactName.C3: partial_s + totality_s}
    instants = {
        name: UtcNs(DAY_NS + shift_ns + seconds_to_ns(length[name])) for name in ContactName if name in length
    }
    return SiteContacts(kind=kind, contacts_utc_ns=instants if kind != "none" else {}, note="made up")


def compiled(text: str = BASE, site: SiteContacts | None = None) -> Compiled:
    """Compile a plan's text."""
    return compile_plan(load_plan_text(text, "plan.yaml"), site or contacts())


def changed(*changes: tuple[str, str], text: str = BASE) -> str:
    """The base plan with some text, which stands in it exactly once, replaced."""
    for was, becomes in changes:
        assert text.count(was) == 1, was
        text = text.replace(was, becomes)
    return text


@dataclass
class Day:
    """A plan's text and the contacts it is for."""

    text: str
    site: SiteContacts
    shape: dict[str, float] = field(default_factory=dict)

    def shifted(self, shift_ns: int) -> SiteContacts:
        """The same contacts at another time."""
        return contacts(**self.shape, shift_ns=shift_ns)


_TIMES = ("1/1000", "1/60", "1/4", "1 s", "3.2 s")
_BRACKETS = (
    "from: 1/1000, to: 1 s, step: 2 stops",
    "from: 1/250, to: 1/4, step: 1 stop",
    "list: [1/500, 2 s]",
)


@dataclass(frozen=True)
class _Span:
    """A phase to be: a contact and seconds from it, twice, and where these are on the day."""

    start: tuple[str, float]
    end: tuple[str, float]
    filter_: str
    length_s: float

    def inside(self, draw: st.DrawFn, low: float = 0.0, high: float = 1.0) -> str:
        """An instant at a share of the span, told from its first contact; now and then anywhere."""
        share = draw(st.floats(low, high)) if draw(st.integers(0, 19)) != 13 else draw(st.floats(-1, 2))
        return _words(self.start[0], round(self.start[1] + share * self.length_s, 1))


def _words(contact: str, offset_s: float) -> str:
    if not offset_s:
        return contact
    return f"{abs(offset_s)} s {'after' if offset_s > 0 else 'before'} {contact}"


def _shot(draw: st.DrawFn, number: int, span: _Span) -> str:
    exposing = draw(
        st.sampled_from([f"exposure: {t}" for t in _TIMES] + [f"bracket: {{{b}}}" for b in _BRACKETS])
    )
    wanted = draw(st.sampled_from(("must", "want", "nice")))
    lines = [f"name: shot {number}", f"wanted: {wanted}", exposing]
    way = draw(st.sampled_from(("at", "every") if span.filter_ == "on" else ("at", "every", "fill", "fill")))
    if way == "at":
        lines += [f"at: {span.inside(draw, 0, 0.6)}", f"times: {draw(st.integers(1, 3))}"]
    else:
        lines += [f"every: {draw(st.sampled_from((9, 20, 31, 90)))} s" if way == "every" else "fill: true"]
        if draw(st.booleans()):
            lines += [f"from: {span.inside(draw, 0, 0.4)}"]
    if draw(st.integers(0, 3)) == 0:
        lines += [f"until: {span.inside(draw, 0.7, 1)}"]
    if draw(st.booleans()):
        lines += [f"late_limit: {draw(st.sampled_from((0, 0.2, 30)))} s"]
    return "\n        ".join(lines)


def _phase(draw: st.DrawFn, name: str, span: _Span, rigs: list[str]) -> str:
    shots = [_shot(draw, number, span) for number in range(1, draw(st.integers(1, 3)) + 1)]
    return (
        f"  - name: {name}\n    from: {_words(*span.start)}\n    until: {_words(*span.end)}\n"
        f"    filter: {span.filter_}\n    rigs: [{', '.join(rigs)}]\n    shots:\n"
        + "".join(f"      - {shot}\n" for shot in shots)
    )


def _rig(draw: st.DrawFn, name: str) -> str:
    gap, setting, write = (draw(st.sampled_from(c)) for c in ((0.1, 0.4, 2), (0, 0.1, 1), (0, 0.3, 2.5)))
    filter_ = "points_at: landscape" if name == "land" else "filter: {kind: glass, density: 5}"
    return (
        f"  - name: {name}\n    camera: {{driver: simulated, frame_gap: {gap} s, setting_time: {setting} s, "
        f"write_time: {write} s, buffer_frames: {draw(st.sampled_from((2, 40)))}}}\n"
        f"    optics: {{focal_length: 400 mm, aperture: f/8}}\n    {filter_}\n"
    )


@st.composite
def days(draw: st.DrawFn) -> Day:
    """Plans of one or two rigs on the Sun, one on the land, and up to four phases each; a good part compiles."""
    dark, half = draw(st.sampled_from((20.0, 95.123456789, 260.0))), draw(st.sampled_from((400.0, 900.5)))
    suns = ["long", "short"][: draw(st.integers(1, 2))]
    phases = []
    for rigs in [suns] if draw(st.booleans()) else [[sun] for sun in suns]:
        before, after = (
            draw(st.sampled_from((0.0, 3.0, 12.0, 20.0, 29.0))),
            draw(st.sampled_from((0.0, 7.0, 19.0))),
        )
        spans = []
        if draw(st.booleans()):
            spans.append(_Span(("C1", 0.0), ("C2", -40.0), "on", half - 40))
        if draw(st.booleans()):
            wait = draw(st.sampled_from((0.0, 1.5)))
            spans.append(_Span(("C2", -before), ("mid", 0.0), "off", before + dark / 2))
            spans.append(_Span(("mid", wait), ("C3", after), "off", dark / 2 - wait + after))
        else:
            spans.append(_Span(("C2", -before), ("C3", after), "off", before + dark + after))
        if draw(st.booleans()):
            spans.append(_Span(("C3", 45.0), ("C4", 0.0), "on", half - 45))
        phases += [_phase(draw, f"{'+'.join(rigs)} {n}", span, rigs) for n, span in enumerate(spans)]
    phases.append(
        _phase(draw, "land", _Span(("C2", -60.0), ("C3", 60.0), "not needed", dark + 120), ["land"])
    )
    off, on = draw(st.sampled_from((20, 30))), draw(st.sampled_from((20, 30)))
    text = (
        "holdfire_plan: 1\ntitle: any day\nsite: {latitude: 10, longitude: 20, time_zone: UTC}\n"
        f"eclipse: 2027-08-02\nrigs:\n{''.join(_rig(draw, name) for name in [*suns, 'land'])}"
        f"holds: {{filter_off_earliest: {off} s before C2, filter_on_latest: {on} s after C3, "
        f"lead: {draw(st.sampled_from((0, 4, 10.5, 60)))} s}}\n"
        f"phases:\n{''.join(phases)}"
        "cues:\n  - at: mid\n    say: The middle. Breathe.\n"
    )
    shape = {"totality_s": dark, "partial_s": half}
    return Day(text, contacts(**shape), shape)
