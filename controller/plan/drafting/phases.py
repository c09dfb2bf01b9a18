"""The phases of a drafted day: the sequence of crescents, totality or the ring, the land.

Times are told from the nearest contact. Totality is laid out the same way on both sides of its middle: what
is photographed first at C2 is photographed last at C3.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import groupby

from controller.gear.composite import even_by_obscuration
from controller.light.phenomena import BEADS, CHROMOSPHERE, DIAMOND_RING, EARTHSHINE, PROMINENCES
from controller.light.stops import bracket_exposures, nearest_listed
from controller.plan.drafting.light import (
    EDGE_LONGEST_S,
    LAND_F_NUMBER,
    Chosen,
    Corona,
    Light,
    land_iso,
    percent,
    slot_s,
)
from controller.plan.drafting.model import Gear, Scene, Wish
from controller.plan.drafting.text import Noted, NotedPhase, bracket_of, exposure
from controller.plan.fields import Anchor, format_duration
from controller.plan.model import BracketPlan, PhasePlan, ShotPlan
from controller.sky import Kind
from controller.units import NS_PER_S, ContactName, FilterState, Wanted

C1, C2, MID, C3, C4 = ContactName

BARE_BEFORE_S, BARE_AFTER_S = 12.0, 10.0
"""The unfiltered phase begins so long before C2 and ends so long after C3."""
QUIET_S = 45.0
"""Between the last crescent's phase and C2, and after C3: hands belong to the filter."""
LAST_CRESCENT_S = 60.0
"""The crescent nearest to totality or the ring is so far from it."""
FIRST_BITE_S = 60.0
"""So long after C1 the bite can be seen; the last crescent is as long before C4."""
RING_MARGIN_S = 30.0
LOW_SUN_DEG = 1.0
"""Altitude as seen below which no sequence is planned."""
SHORTEST_ROOM_SLOTS = 1.3
"""A stretch shorter than so many frames is not worth a shot of its own."""
CRESCENT_STOPS = (-1.0, 0.0, 1.0)
DEEPEST_STOPS = (-2.0, -1.0, 0.0, 1.0, 2.0)
LITTLE_ROOM = 1.8
"""A stretch of so many lengths of a set has room for it once, whatever is still going on when it begins."""
LONGEST_TAKE_S = 10.0
"""A slower camera takes one picture of a crescent instead of three."""
LAND_BEFORE_S = 180.0
LAND_STOPS = (-2.0, 0.0, 2.0)
_GRID_S = 5.0


@dataclass(frozen=True)
class _Span:
    """From and to, as contact and seconds after it."""

    start: tuple[ContactName, float]
    end: tuple[ContactName, float]

    def keys(self) -> dict[str, Anchor]:
        return {"starts": anchor(*self.start), "until": anchor(*self.end)}

    def seconds(self, scene: Scene) -> float:
        return (scene.at(*self.end) - scene.at(*self.start)) / NS_PER_S


def anchor(contact: ContactName, offset_s: float = 0.0) -> Anchor:
    """Return an instant to a tenth of a second."""
    return Anchor(contact, round(offset_s, 1) + 0.0)


def phases_of(scene: Scene, gear: Gear, wish: Wish, light: Light) -> list[NotedPhase]:
    """Return the phases of the day in order of time, each rig's."""
    kind = scene.sky.kind
    if kind is Kind.PARTIAL:
        found: list[NotedPhase | None] = [_partial(scene, gear, wish, light)]
    elif kind is Kind.ANNULAR:
        found = [
            _crescents(scene, gear, wish, light, before=True, quiet_s=RING_MARGIN_S),
            _ring(scene, gear, wish, light),
            _crescents(scene, gear, wish, light, before=False, quiet_s=RING_MARGIN_S),
        ]
    else:
        found = [
            _crescents(scene, gear, wish, light, before=True, quiet_s=QUIET_S),
            _totality(scene, gear, wish, light),
            _crescents(scene, gear, wish, light, before=False, quiet_s=QUIET_S),
        ]
    for name, focal_mm in (("land", wish.land_mm), ("people", wish.people_mm)):
        if focal_mm is not None:
            found.append(_land(scene, wish, light, name))
    return [phase for phase in found if phase is not None]


def _phase(
    name: str, span: _Span, need: FilterState, rig: str, shots: Sequence[Noted], why: str
) -> NotedPhase | None:
    if not shots:
        return None
    plan = PhasePlan(name=name, filter=need, rigs=[rig], shots=[one.shot for one in shots], **span.keys())
    return NotedPhase(plan, tuple(shots), why)


# --- totality -------------------------------------------------------------------------------------------


def _totality(scene: Scene, gear: Gear, wish: Wish, light: Light) -> NotedPhase | None:
    dark_s = (scene.at(C3) - scene.at(C2)) / NS_PER_S
    edge = min(8.0, 0.3 * dark_s)
    middle_s = dark_s - 2 * edge
    # Before the last beads are gone a long exposure would only burn out.
    most_s = None if edge >= 3 else EDGE_LONGEST_S

    def taken(exposures_s: Sequence[float]) -> float:
        return slot_s(exposures_s, gear)

    corona = light.corona(max(0.5, middle_s), taken)
    if most_s is not None:
        corona = _shortened(corona, most_s)
    shots = [
        *_edge(scene, gear, wish, light, dark_s, first=True),
        *_middle(scene, gear, wish, light, corona, dark_s, edge),
        *_edge(scene, gear, wish, light, dark_s, first=False),
    ]
    shots = [one for one in shots if one.shot.name not in wish.left_out]
    why = (
        "Totality, the filter off. The first diamond ring shows some ten seconds before C2, the last as long after C3; "
        "the shots around C3 are those around C2 in the opposite order. `fill` repeats a shot for as long as there is "
        "time in its stretch, in turn with the others that fill."
    )
    span = _Span((C2, -BARE_BEFORE_S), (C3, BARE_AFTER_S))
    return _phase("totality", span, FilterState.OFF, gear.name, shots, why)


def _shortened(corona: Corona, most_s: float) -> Corona:
    def cut(chosen: Chosen) -> Chosen:
        times = tuple(one for one in chosen.exposures_s if one <= most_s)
        return replace(chosen, exposures_s=times or (nearest_listed(most_s / 2, chosen.exposures_s)[0],))

    fine = None if corona.fine is None else cut(corona.fine)
    if fine is not None and len(fine.exposures_s) < 2:
        fine = None
    return replace(corona, coarse=cut(corona.coarse), fine=fine)


def _edge(
    scene: Scene, gear: Gear, wish: Wish, light: Light, dark_s: float, *, first: bool
) -> Iterator[Noted]:
    """Return the shots around C2 in order of time, or those around C3, which mirror them."""
    contact, which = (C2, "first") if first else (C3, "last")
    outside = BARE_BEFORE_S if first else BARE_AFTER_S
    beads_s = min(3.0, 0.3 * dark_s)
    sparing = wish.edge_every_s is not None
    # Stretches that fill overlap, so that none leaves a gap; those that do not fill would only jostle.
    beads_from_s = -3.0 if sparing else -4.0
    rows = [
        ("diamond ring", "diamond rings", DIAMOND_RING, (-outside, -3.0)),
        ("beads", "beads", BEADS, (beads_from_s, beads_s)),
        ("chromosphere", "chromosphere", CHROMOSPHERE, (min(1.0, 0.1 * dark_s), min(6.0, 0.4 * dark_s))),
        ("prominences", "prominences", PROMINENCES, (min(4.0, 0.3 * dark_s), min(10.0, 0.45 * dark_s))),
    ]
    made = []
    for name, subject, phenomenon, (start, end) in rows:
        chosen = light.bare(phenomenon, scene.at(contact), EDGE_LONGEST_S)
        span = _Span((contact, start), (contact, end)) if first else _Span((contact, -end), (contact, -start))
        wanted = Wanted.MUST if subject == "diamond rings" else wish.wanted(subject)
        room = span.seconds(scene) / slot_s(chosen.exposures_s, gear)
        if wanted is not Wanted.MUST and room < SHORTEST_ROOM_SLOTS:
            continue
        if sparing and name in ("chromosphere", "prominences"):
            continue
        every = None
        if wish.edge_every_s is not None:
            every = max(wish.edge_every_s, math.ceil(10 * slot_s(chosen.exposures_s, gear)) / 10)
        shot = ShotPlan(
            name=f"{which} {name}", wanted=wanted, exposure=chosen.exposures_s[0], iso=chosen.iso,
            **_repeated(every), **span.keys(),
        )  # fmt: skip
        as_first = (
            not first
            and chosen.exposures_s == light.bare(phenomenon, scene.at(C2), EDGE_LONGEST_S).exposures_s
        )
        why = f"As the first {name}, mirrored." if as_first else f"{name.capitalize()}. {chosen.why}"
        made.append(Noted(shot, why))
    yield from made if first else reversed(made)


def _middle(
    scene: Scene, gear: Gear, wish: Wish, light: Light, corona: Corona, dark_s: float, edge: float
) -> Iterator[Noted]:
    """Return what is photographed between the edges: the corona, and the Moon by earthshine."""
    middle_s = dark_s - 2 * edge
    span = _Span((C2, edge), (C3, -edge))
    coarse, fine = corona.coarse, corona.fine
    take_s = slot_s(coarse.exposures_s, gear)
    coarse_first, coarse_twice = take_s <= middle_s - 0.5, take_s * 2 <= middle_s / 2 and dark_s >= 60
    if coarse_first:
        # As fast as it goes; a camera whose card is slower than that would choke on its buffer.
        timing: dict[str, object] = {"at": anchor(C2, edge), "until": anchor(C3, -edge)}
        if _outruns_its_card(gear):
            ends_s = min(edge + LITTLE_ROOM * take_s + 1.0, dark_s - edge)
            timing = {"fill": True, **_Span((C2, edge), (C2, ends_s)).keys()}
        yield Noted(
            ShotPlan(
                name="corona, whole range", wanted=wish.wanted("corona"), iso=coarse.iso,
                **bracket_of(coarse.exposures_s), **timing,
            ),
            f"Corona. {coarse.why}",
        )  # fmt: skip
    if fine is not None:
        rest = wish.corona_rest * slot_s(fine.exposures_s, gear)
        every = None if not rest else math.ceil(slot_s(fine.exposures_s, gear) + rest)
        often, keep_s = "For as often as there is time", edge
        if every is not None:
            often, keep_s = "No more often, for the card's sake", min(edge + take_s + 1, 0.4 * dark_s)
        keys = _Span((C2, keep_s), (C3, -keep_s)).keys()
        yield Noted(
            ShotPlan(
                name="corona, fine steps", wanted=Wanted.WANT, iso=fine.iso,
                bracket=_bracket(fine.exposures_s, corona.fine_step_stops), **_repeated(every), **keys,
            ),
            f"{often}. {fine.why}",
        )  # fmt: skip
    if wish.uses_all and span.seconds(scene) > 1.0:
        yield from _between(scene, light, corona, span)
    earthshine = light.bare(EARTHSHINE, scene.at(MID), middle_s / 8)
    times = 3 if dark_s >= 150 else 1
    room_s = (
        dark_s / 2 - edge - 2 * take_s - 1
    )  # from mid until the set that mirrors the first, with some to spare
    fits = dark_s >= 60 and times * slot_s(earthshine.exposures_s, gear) < room_s
    if fits and not earthshine.kept_down and not wish.corona_rest:
        yield Noted(
            ShotPlan(
                name="earthshine on the Moon", wanted=wish.wanted("earthshine"), exposure=earthshine.exposures_s[0],
                iso=earthshine.iso, at=anchor(MID), times=times, until=anchor(C3, -edge),
            ),
            f"Earthshine on the Moon. {earthshine.why} To be stacked with the longest frames of the corona.",
        )  # fmt: skip
    if coarse_twice and not _outruns_its_card(gear):
        yield Noted(
            ShotPlan(
                name="corona, whole range again", wanted=Wanted.WANT, iso=coarse.iso,
                at=anchor(C3, -edge - math.ceil(10 * (take_s + 0.2)) / 10), until=anchor(C3, -edge),
                **bracket_of(coarse.exposures_s),
            ),
            "The mirror image of the first, after mid-totality: the Moon has moved on by its share.",
        )  # fmt: skip


def _outruns_its_card(gear: Gear) -> bool:
    body = gear.body
    return body.write_time_s > body.frame_gap_s + body.setting_time_s


def _repeated(every_s: float | None) -> dict[str, object]:
    return {"fill": True} if every_s is None else {"every": float(every_s)}


def _between(scene: Scene, light: Light, corona: Corona, span: _Span) -> Iterator[Noted]:
    """Return what takes the moments that no bracket fits in."""
    if corona.fine is None:  # a short totality: the innermost corona is what there is
        shortest = min(corona.coarse.exposures_s)
        yield Noted(
            ShotPlan(
                name="inner corona", wanted=Wanted.WANT, exposure=shortest, iso=corona.coarse.iso, fill=True,
                **span.keys(),
            ),
            "In what time is left, the shortest exposure of the corona.",
        )  # fmt: skip
        return
    chosen = light.bare(PROMINENCES, scene.at(MID))
    yield Noted(
        ShotPlan(
            name="prominences between", wanted=Wanted.NICE, exposure=chosen.exposures_s[0], iso=chosen.iso, fill=True,
            **span.keys(),
        ),
        "One between two sets, and in the moments that are too short for a set: prominences as the Moon uncovers them, "
        f"and the innermost corona. {chosen.why}",
    )  # fmt: skip


def _bracket(exposures_s: Sequence[float], step: float) -> BracketPlan:
    low, high = min(exposures_s), max(exposures_s)
    try:
        if sorted(bracket_exposures(low, high, step)) == sorted(exposures_s):
            return BracketPlan(start=low, end=high, step=step)
    except ValueError:
        pass
    return BracketPlan(list=list(exposures_s))


# --- the partial phases ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Moment:
    """One picture of the sequence."""

    offset_s: float
    chosen: Chosen
    covered: float


def _crescents(
    scene: Scene, gear: Gear, wish: Wish, light: Light, *, before: bool, quiet_s: float
) -> NotedPhase | None:
    """Return the sequence from C1 to C2, or from C3 to C4."""
    contact = C2 if before else C3
    ends = _visible(scene, contact, before=before)
    if ends is None:
        return None
    far, near = ends
    sign = -1 if before else 1
    if wish.spacing == "area":
        offsets = _even_by_area(scene, wish, contact, before=before)
    else:
        step = _even_step(scene, wish)
        count = int((abs(far) - near) // step) + 1
        offsets = [sign * (near + step * k) for k in range(count)]
    offsets = _apart(one for one in offsets if near <= abs(one) <= abs(far))
    if not offsets:
        return None
    moments = [_moment(scene, light, contact, one) for one in offsets]
    shots = list(_sequence(wish, contact, moments, gear))
    reach = max(offsets) + slot_s(moments[-1].chosen.exposures_s, gear)
    if before:
        starts_at_c1 = scene.at(C1) >= scene.at(C2, far) - FIRST_BITE_S * NS_PER_S - NS_PER_S
        start = (C1, 0.0) if starts_at_c1 else (C2, min(offsets) - 10.0)
        span = _Span(start, (C2, -quiet_s))
    else:
        ends_at_c4 = scene.at(C4) <= scene.at(C3, far) + FIRST_BITE_S * NS_PER_S + NS_PER_S
        end = (C4, 0.0) if ends_at_c4 else (C3, math.ceil(reach + 15.0))
        span = _Span((C3, quiet_s), end)
    name = "partial in" if before else "partial out"
    return _phase(name, span, FilterState.ON, gear.name, shots, _sequence_words(wish, offsets))


def _sequence_words(wish: Wish, offsets: Sequence[float]) -> str:
    count = len(offsets)
    if wish.spacing == "area":
        even = "at even steps of the covered part of the Sun"
    elif count > 1:
        even = f"one every {format_duration(offsets[1] - offsets[0])}"
    else:
        even = "one"
    pictures = f"{count} picture{'' if count == 1 else 's'}"
    return (
        f"The filter on. An even sequence: {pictures}, {even}, each a stop to either side as well, because filters "
        "stray from their label by up to a stop. The exposure follows the crescent, which is dimmer the nearer it is "
        "to the Sun's limb, and the Sun's altitude."
    )


def _moment(scene: Scene, light: Light, contact: ContactName, offset_s: float) -> _Moment:
    instant = scene.at(contact, offset_s)
    chosen = light.crescent(instant, CRESCENT_STOPS)
    if slot_s(chosen.exposures_s, light.gear) > LONGEST_TAKE_S:
        chosen = light.crescent(instant, (0.0,))
    return _Moment(offset_s, chosen, scene.obscuration(instant))


def _sequence(wish: Wish, contact: ContactName, moments: Sequence[_Moment], gear: Gear) -> Iterator[Noted]:
    """Return the shots of a sequence: one for each stretch in which the exposure stays the same."""
    used: set[str] = set()
    for _, group in groupby(moments, key=lambda one: (one.chosen.exposures_s, one.chosen.iso)):
        stretch = list(group)
        runs = [[one] for one in stretch] if wish.spacing == "area" else [stretch]
        for run in runs:
            first, last = run[0], run[-1]
            chosen = first.chosen
            timing: dict[str, object] = {"at": anchor(contact, first.offset_s)}
            if len(run) > 1:
                step = run[1].offset_s - first.offset_s
                take_s = slot_s(chosen.exposures_s, gear)
                timing = {
                    "every": round(step, 1),
                    "starts": anchor(contact, first.offset_s),
                    "until": anchor(contact, last.offset_s + min(step, math.ceil(take_s + 2))),
                }
            low, high = (percent(part) for part in sorted((first.covered, last.covered)))
            name = f"crescents, {low} to {high} covered" if low != high else f"crescent, {low} covered"
            while name in used:
                name += " again"
            used.add(name)
            yield Noted(
                ShotPlan(
                    name=name, wanted=wish.wanted("crescents"), iso=chosen.iso, **bracket_of(chosen.exposures_s), **timing
                ),
                chosen.why,
            )  # fmt: skip


def _visible(scene: Scene, contact: ContactName, *, before: bool) -> tuple[float, float] | None:
    """Return how far from the contact the sequence may reach, signed seconds, and how near; None: nowhere."""
    sign = -1 if before else 1
    end = scene.at(C1, FIRST_BITE_S) if before else scene.at(C4, -FIRST_BITE_S)
    farthest = abs(end - scene.at(contact)) / NS_PER_S
    near = LAST_CRESCENT_S
    reach = near
    if scene.seen_deg(scene.at(contact, sign * near)) < LOW_SUN_DEG:
        return None
    while reach + _GRID_S <= farthest:
        if scene.seen_deg(scene.at(contact, sign * (reach + _GRID_S))) < LOW_SUN_DEG:
            break
        reach += _GRID_S
    return (sign * reach, near) if reach > near else None


def _even_step(scene: Scene, wish: Wish) -> float:
    """Return the interval of the sequence, the same on both sides, whole seconds."""
    sides = [_visible(scene, C2, before=True), _visible(scene, C3, before=False)]
    spans = [abs(far) - near for far, near in (side for side in sides if side is not None)]
    return max(10.0, math.floor(max(spans) / max(1, wish.crescents - 1)))


def _apart(offsets: Iterable[float]) -> list[float]:
    """Return the offsets in order, without those that come too soon after another."""
    kept: list[float] = []
    for one in sorted(offsets):
        if not kept or one - kept[-1] >= LONGEST_TAKE_S + 2:
            kept.append(one)
    return kept


def _even_by_area(scene: Scene, wish: Wish, contact: ContactName, *, before: bool) -> list[float]:
    deepest = scene.at(C2, 1.0) if before else scene.at(C3, -1.0)
    both = even_by_obscuration(scene.track.obscuration, scene.at(C1), deepest, scene.at(C4), wish.crescents)
    here = [one for one in both if (one < deepest) == before and one != deepest]
    return [round((one - scene.at(contact)) / NS_PER_S, 0) for one in here]


# --- annular and partial eclipses -----------------------------------------------------------------------


def _ring(scene: Scene, gear: Gear, wish: Wish, light: Light) -> NotedPhase | None:
    """Return the annular phase, the filter on throughout."""
    length_s = (scene.at(C3) - scene.at(C2)) / NS_PER_S
    near = min(10.0, length_s / 4)
    wanted = wish.wanted("ring")
    shots = []
    for which, contact, span in (
        ("ring closes", C2, _Span((C2, -10.0), (C2, near))),
        ("ring opens", C3, _Span((C3, -near), (C3, 10.0))),
    ):
        chosen = light.crescent(scene.at(contact), (0.0, 2.0))
        shots.append(
            Noted(
                ShotPlan(
                    name=which, wanted=wanted, iso=chosen.iso, fill=True, **bracket_of(chosen.exposures_s),
                    **span.keys(),
                ),
                "The ring breaks into beads for some seconds: as fast as the camera goes, with two stops more for the "
                f"thin parts. {chosen.why}",
            )
        )  # fmt: skip
    middle = light.crescent(scene.at(MID), DEEPEST_STOPS)
    take_s = slot_s(middle.exposures_s, gear)
    inside_s = length_s - 2 * near
    if take_s + 1 < inside_s / 2:
        deepest = Noted(
            ShotPlan(
                name="middle of the ring", wanted=wanted, iso=middle.iso, at=anchor(MID),
                until=anchor(MID, inside_s / 2 - 0.5), **bracket_of(middle.exposures_s),
            ),
            f"The middle of the ring, two stops to either side. {middle.why}",
        )  # fmt: skip
        ring = light.crescent(scene.at(MID), CRESCENT_STOPS)
        step = max(math.ceil(2 * (slot_s(ring.exposures_s, gear) + take_s)), round(inside_s / 12))
        shots.insert(1, deepest)
        if inside_s > 2 * step:
            sequence = Noted(
                ShotPlan(
                    name="ring", wanted=Wanted.WANT, iso=ring.iso, every=float(step),
                    starts=anchor(C2, near + 1), until=anchor(C3, -near - 1), **bracket_of(ring.exposures_s),
                ),
                f"The ring as it moves over the Sun, evenly in time. {ring.why}",
            )  # fmt: skip
            shots.insert(1, sequence)
    why = "The ring. The Moon never covers the whole Sun: the filter stays on, from beginning to end."
    span = _Span((C2, -RING_MARGIN_S), (C3, RING_MARGIN_S))
    return _phase("ring", span, FilterState.ON, gear.name, shots, why)


def _partial(scene: Scene, gear: Gear, wish: Wish, light: Light) -> NotedPhase | None:
    """Return the one phase of a partial eclipse, the filter on throughout."""
    from_s, until_s, best_s = _partial_reach(scene)
    step = max(10.0, math.floor((until_s - from_s) / (2 * wish.crescents)))
    if wish.spacing == "area":
        instants = even_by_obscuration(
            scene.track.obscuration, scene.at(MID, from_s), scene.at(MID, best_s), scene.at(MID, until_s), wish.crescents
        ) if from_s < best_s < until_s else ()  # fmt: skip
        offsets = [round((one - scene.at(MID)) / NS_PER_S) + 0.0 for one in instants]
    else:
        first = math.ceil((from_s - best_s) / step)
        offsets = [best_s + step * k for k in range(first, int((until_s - best_s) // step) + 1)]
    deepest = light.crescent(scene.at(MID, best_s), DEEPEST_STOPS)
    keep_off = slot_s(deepest.exposures_s, gear) + 5
    halves = [
        [one for one in offsets if one < best_s - keep_off],
        [one for one in offsets if one > best_s + keep_off],
    ]
    shots: list[Noted] = []
    middle = Noted(
        ShotPlan(
            name="deepest", wanted=Wanted.MUST, iso=deepest.iso, at=anchor(MID, best_s),
            until=anchor(MID, best_s + 60), **bracket_of(deepest.exposures_s),
        ),
        f"The deepest bite that is seen here, two stops to either side. {deepest.why}",
    )  # fmt: skip
    for half, name in zip(halves, ("growing", "shrinking"), strict=True):
        moments = [_moment(scene, light, MID, one) for one in _apart(half)]
        for noted in _sequence(wish, MID, moments, gear):
            shot = noted.shot.model_copy(
                update={"name": f"{name} {noted.shot.name.removeprefix('crescents, ')}"}
            )
            shots.append(Noted(shot, noted.why))
        if name == "growing":
            shots.append(middle)
    start = (C1, 0.0) if scene.at(MID, from_s) <= scene.at(C1, FIRST_BITE_S + 1) else (MID, from_s - 10)
    ends_at_c4 = scene.at(MID, until_s) >= scene.at(C4, -FIRST_BITE_S - 1)
    end = (C4, 0.0) if ends_at_c4 else (MID, max(until_s, best_s + 60) + 30)
    why = _sequence_words(wish, [one for half in halves for one in half] or [best_s])
    return _phase("the whole eclipse", _Span(start, end), FilterState.ON, gear.name, shots, why)


def _partial_reach(scene: Scene) -> tuple[float, float, float]:
    """Return from when to when the Sun is up, and when it is covered most then, seconds after mid."""
    mid = scene.at(MID)
    from_s = (scene.at(C1, FIRST_BITE_S) - mid) / NS_PER_S
    until_s = (scene.at(C4, -FIRST_BITE_S) - mid) / NS_PER_S
    grid = [from_s + _GRID_S * k for k in range(int((until_s - from_s) / _GRID_S) + 1)]
    up = [one for one in grid if scene.seen_deg(scene.at(MID, one)) >= LOW_SUN_DEG]
    if not up:  # it grazes the horizon: the little there is
        up = [max(grid, key=lambda one: scene.seen_deg(scene.at(MID, one)))]
    best = 0.0 if up[0] < 0 < up[-1] else min(up, key=abs)
    return up[0], up[-1], round(best) + 0.0


# --- the land and the people ----------------------------------------------------------------------------


def _land(scene: Scene, wish: Wish, light: Light, name: str) -> NotedPhase | None:
    """Return the phase of a camera that never looks at the Sun: the light fades and comes back."""
    central = scene.sky.kind.is_central
    before, after = (C2, C3) if central else (MID, MID)
    every = 10.0 if name == "land" else 5.0
    stops = LAND_STOPS if name == "land" else (0.0,)
    grid: list[tuple[ContactName, float]] = [
        (before, -LAND_BEFORE_S + 20.0 * k) for k in range(int(LAND_BEFORE_S / 20))
    ]
    if central:
        grid.append((before, 0.0))
    grid += [(after, 20.0 * k) for k in range(int(LAND_BEFORE_S / 20))]
    marks = []
    for contact, offset in grid:
        # the middle of the piece that begins here
        dark = central and (contact, offset) == (before, 0.0)
        instant = scene.at(MID) if dark else scene.at(contact, offset + 10.0)
        marks.append(round(math.log2(light.land_s(instant, land_iso(scene, name)))))
    shots: list[Noted] = []
    pieces = [*zip(grid, marks, strict=True)]
    for mark, group in groupby(pieces, key=lambda piece: piece[1]):
        run = [piece[0] for piece in group]
        after_it = grid.index(run[-1]) + 1
        end = grid[after_it] if after_it < len(grid) else (after, LAND_BEFORE_S)
        times = sorted({nearest_listed(2.0 ** (mark + stop), light.gear.listed_s)[0] for stop in stops})
        span = _Span(run[0], end)
        most_s = min(2 * every, span.seconds(scene))
        while times and slot_s(times, light.gear) > most_s:
            times.pop()
        if not times:  # a totality of a second or two
            continue
        step = every if slot_s(times, light.gear) <= every else math.ceil(slot_s(times, light.gear)) + 1.0
        metered = exposure(nearest_listed(2.0**mark, light.gear.listed_s)[0])
        label = f"{name}, about {metered}"
        while label in {one.shot.name for one in shots}:
            label += ", again"
        shots.append(
            Noted(
                ShotPlan(
                    name=label, wanted=wish.wanted("land"), every=step, **bracket_of(times),
                    **span.keys(),
                ),
                "",
            )
        )  # fmt: skip
    span = _Span((before, -LAND_BEFORE_S), (after, LAND_BEFORE_S))
    what = (
        "the land as the shadow comes and goes"
        if name == "land"
        else "the people as the shadow comes and goes"
    )
    settings = f"f/{LAND_F_NUMBER:g} and ISO {land_iso(scene, name)}"
    why = (
        f"A second camera on {what}. It never points at the Sun, so it needs no filter. The exposures follow the light "
        f"that the Moon leaves, at {settings}; in totality, that of the sky. Rules of thumb, all of them: clouds and the "
        "width of the shadow move them by stops."
    )
    return _phase(f"shadow on the {name}", span, FilterState.NOT_NEEDED, name, shots, why)
