"""Which picture is of which frame: pure arithmetic on what EXIF and journal say.

The clock of a camera is off by an unknown time, so each pair of a body and a rig is first asked for the one offset
at which most pictures meet a frame of their settings; a picture that has a frame's very name counts twice. Then each
picture may only be of a frame that it meets in time and settings. Names decide among those, then uniqueness, then
order. What is left in more than one way is a doubt, and stays one.
"""

from __future__ import annotations

import math
import re
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath

import numpy as np
from numpy.typing import NDArray

from controller.account.gather.model import (
    CameraClock,
    Doubt,
    Gathering,
    Ground,
    Leftover,
    LostFrame,
    Match,
    Picture,
    RunFrame,
)
from controller.account.model import FrameEnd
from controller.units import NS_PER_S

FARTHEST_S = 16 * 3600.0
"""How far a camera's clock may be off, a wrong time zone included, before it has to be allowed by the caller."""
SAME_SETTING_STOPS = 0.2
"""EXIF and journal may differ by their rounding; two listed values are a third of a stop apart."""
_WIDE_S, _FINE_S = 1.6, 0.2
"""Widths of the bins in which offsets are counted: at first, and where most of them are."""
_LEAST_TOLERANCE_S, _MOST_TOLERANCE_S = 0.12, 0.75
"""Bounds of how far a picture's time may be from its frame's, beside what the file rounds off."""
_SCATTERS = 6.0
_DRIFT_MATCHES, _DRIFT_SPAN_S = 20, 1800.0
"""From so many matches, over so long, a drift is told."""
_NO_NAME_LEAST = 5
_NAMES_HOLD = 0.9
"""So much of the names that frames and pictures share, but for one, has to agree with the times, or no name counts."""

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]


def gather(
    frames: Sequence[RunFrame],
    pictures: Sequence[Picture],
    *,
    serials: Mapping[str, str] | None = None,
    any_date: bool = False,
) -> Gathering:
    """Return which pictures are of which frames.

    Args:
        frames: those fired, and those of unknown outcome.
        pictures: all that were found.
        serials: rig's name -> serial number of its camera, where the user says so; only that one is then taken.
        any_date: let a camera's clock be off by more than 16 hours.
    """
    shots, unread = _exposures(pictures)
    rigs = _rigs(frames)
    fits = _fits(shots, rigs, serials or {}, any_date=any_date)
    return _Resolving(shots, rigs, fits, unread).done()


# --- files of one exposure ----------------------------------------------------------------------


@dataclass
class _Exposure:
    """One opening of a shutter, as one or more files tell it."""

    body: tuple[str, str]
    """Model and serial number."""
    pictures: list[Picture]
    companions: list[Picture] = field(default_factory=list)

    @property
    def first(self) -> Picture:
        return self.pictures[0]

    @property
    def taken_ns(self) -> int:
        """The middle of what its time may be, camera's clock."""
        return (self.first.taken_camera_ns or 0) + (0 if self.first.has_subseconds else NS_PER_S // 2)

    @property
    def half_width_s(self) -> float:
        return 0.0 if self.first.has_subseconds else 0.5

    @property
    def everything(self) -> tuple[Picture, ...]:
        return (*self.pictures, *self.companions)


def stem_of(name: str) -> str:
    """Return a file's name without folder and ending, in small letters."""
    return PurePosixPath(name).stem.casefold()


def _exposures(pictures: Sequence[Picture]) -> tuple[list[_Exposure], list[Leftover]]:
    """Return the exposures, and the files that say no time and are nobody's companion."""
    groups: dict[tuple[str, str, str], list[_Exposure]] = defaultdict(list)
    serials: dict[str, set[str]] = defaultdict(set)
    for picture in pictures:
        serials[picture.model].add(picture.serial)
    unread = []
    ordered = sorted(
        pictures, key=lambda one: (not one.has_subseconds, one.taken_camera_ns or 0, str(one.path))
    )
    for picture in ordered:
        if picture.taken_camera_ns is None:
            unread.append(picture)
            continue
        body = _body(picture, serials[picture.model])
        same = groups[(*body, stem_of(picture.path.name))]
        for exposure in same:
            if _is_same(exposure.first, picture):
                exposure.pictures.append(picture)
                break
        else:
            same.append(_Exposure(body, [picture]))
    exposures = [exposure for group in groups.values() for exposure in group]
    beside: dict[tuple[Path, str], list[_Exposure]] = defaultdict(list)
    for exposure in exposures:
        for folder in {picture.path.parent for picture in exposure.pictures}:
            beside[folder, stem_of(exposure.first.path.name)].append(exposure)
    left = []
    for picture in unread:
        found = beside.get((picture.path.parent, stem_of(picture.path.name)), [])
        if len(found) == 1:
            found[0].companions.append(picture)
        else:
            left.append(Leftover(picture=picture, why=picture.problem or "it does not say when it was taken"))
    exposures.sort(key=lambda one: (one.taken_ns, str(one.first.path)))
    return exposures, left


def _body(picture: Picture, serials: set[str]) -> tuple[str, str]:
    """Return the body; one without a serial number is the only one of its model that has one."""
    others = serials - {""}
    return picture.model, picture.serial or (next(iter(others)) if len(others) == 1 else "")


def _is_same(first: Picture, other: Picture) -> bool:
    """Return whether two files of one name show one exposure: raw and JPEG, or a copy."""
    apart = abs((first.taken_camera_ns or 0) - (other.taken_camera_ns or 0))
    both = first.has_subseconds and other.has_subseconds
    numbered = first.number is not None and other.number is not None
    if apart > (0 if both else NS_PER_S - 1) or (numbered and first.number != other.number):
        return False
    return all(
        _stops_apart(getattr(first, name), getattr(other, name)) <= SAME_SETTING_STOPS
        for name in ("exposure_s", "f_number", "iso")
    )


def _stops_apart(one: float | None, other: float | None) -> float:
    return 0.0 if not one or not other else abs(math.log2(one / other))


# --- rigs, and how a body's clock fits them -----------------------------------------------------


@dataclass
class _Rig:
    """One rig of one run, with its frames."""

    run: str
    name: str
    camera: str
    frames: list[int]
    """Which of all the frames."""


def _rigs(frames: Sequence[RunFrame]) -> tuple[list[RunFrame], list[_Rig]]:
    rigs: dict[tuple[str, str], _Rig] = {}
    for number, frame in enumerate(frames):
        rig = rigs.setdefault((frame.run.name, frame.rig), _Rig(frame.run.name, frame.rig, frame.camera, []))
        rig.frames.append(number)
    return list(frames), list(rigs.values())


@dataclass
class _Edge:
    """A picture and a frame that meet in time and settings."""

    exposure: int
    frame: int
    residual_s: float
    named: int
    """0: not; 1: it has the name the camera gave; 2: and lies in a folder of that name."""
    fit: _Fit


@dataclass
class _Fit:
    """One body and one rig, and the offset at which they fit."""

    body: tuple[str, str]
    rig: _Rig
    score: int
    clock: CameraClock
    edges: list[_Edge] = field(default_factory=list)


@dataclass
class _Fits:
    accepted: list[_Fit]
    undecided: dict[tuple[str, str], str]
    """Body -> why its pictures could not be told."""
    frame_of_name: dict[str, list[int]]


def _fits(
    exposures: list[_Exposure],
    rigs: tuple[list[RunFrame], list[_Rig]],
    serials: Mapping[str, str],
    *,
    any_date: bool,
) -> _Fits:
    frames, all_rigs = rigs
    bodies: dict[tuple[str, str], list[int]] = defaultdict(list)
    for number, exposure in enumerate(exposures):
        bodies[exposure.body].append(number)
    frame_of_name: dict[str, list[int]] = defaultdict(list)
    for number, frame in enumerate(frames):
        if frame.account.file_name:
            frame_of_name[stem_of(frame.account.file_name)].append(number)
    found: list[_Fit] = []
    undecided: dict[tuple[str, str], str] = {}
    for rig in all_rigs:
        alike = {body for body in bodies if same_model(body[0], rig.camera)}
        for body in sorted(bodies):
            said = serials.get(rig.name)
            if body[1] != said if said is not None else alike and body not in alike:
                continue
            pair = _Pair(exposures, bodies[body], frames, rig, any_date=any_date)
            outcome = pair.fit(body, known=said is not None or body in alike)
            if isinstance(outcome, _Fit):
                found.append(outcome)
            elif outcome:
                undecided[body] = outcome
    likely = [fit for fit in found if not _belongs_elsewhere(fit, found)]
    accepted = []
    for fit in likely:
        rivals = sorted({other.rig.name for other in likely if _same_pictures(fit, other)})
        if fit.body[1] and rivals:
            names = " and ".join(sorted({fit.rig.name, *rivals}))
            undecided[fit.body] = (
                f"the frames of {names} fit its camera's pictures equally well; say which with "
                f"--camera RIG={fit.body[1]}"
            )
        else:
            accepted.append(fit)
    for fit in accepted:
        undecided.pop(fit.body, None)
    return _Fits(accepted, undecided, frame_of_name)


def _belongs_elsewhere(fit: _Fit, found: list[_Fit]) -> bool:
    """Return whether the body was clearly on another rig of the run, or the rig's frames are another body's."""
    return any(
        other.score >= fit.score + 2
        and ((fit.body[1] and _same_pictures(fit, other)) or _same_frames(fit, other))
        for other in found
    )


def _same_pictures(fit: _Fit, other: _Fit) -> bool:
    """Return whether another rig of the run fits most of the same pictures of the body."""
    if other.body != fit.body or other.rig.run != fit.rig.run or other.rig is fit.rig:
        return False
    own = {edge.exposure for edge in fit.edges}
    return 2 * len(own & {edge.exposure for edge in other.edges}) >= len(own)


def _same_frames(fit: _Fit, other: _Fit) -> bool:
    """Return whether another body's pictures fit most of the same frames."""
    if other.body == fit.body or other.rig is not fit.rig:
        return False
    own = {edge.frame for edge in fit.edges}
    return 2 * len(own & {edge.frame for edge in other.edges}) >= len(own)


def same_model(one: str, other: str) -> bool:
    """Return whether two names of a camera are of one model, as EXIF and a driver may differ in writing it."""
    first, second = (set(re.sub(r"[\W_]+", " ", name.casefold()).split()) for name in (one, other))
    if not first or not second:
        return False
    telling = {word for word in first & second if re.search(r"\d", word)}
    return (
        first == second
        or bool(telling and (first <= second or second <= first))
        or any(len(word) > 2 for word in telling)
    )


class _Pair:
    """The pictures of one body against the frames of one rig."""

    def __init__(
        self,
        exposures: list[_Exposure],
        own: list[int],
        frames: list[RunFrame],
        rig: _Rig,
        *,
        any_date: bool,
    ) -> None:
        self._rig = rig
        self._own, self._theirs = np.array(own), np.array(rig.frames)
        mine = [exposures[number] for number in own]
        wanted = [frames[number] for number in rig.frames]
        base = wanted[0].at_utc_ns
        self._base_ns = base
        self._taken_s = np.array([(one.taken_ns - base) / NS_PER_S for one in mine])
        self._half_s = np.array([one.half_width_s for one in mine])
        self._at_s = np.array([(one.at_utc_ns - base) / NS_PER_S for one in wanted])
        self._slack_s = np.array([_slack_s(one) for one in wanted])
        fits = np.ones((len(mine), len(wanted)), dtype=bool)
        for key in ("exposure_s", "f_number", "iso"):
            ours = _stops([getattr(one.first, key) for one in mine])
            others = _stops([_setting(one, key) for one in wanted])
            with np.errstate(invalid="ignore"):
                fits &= ~(np.abs(ours[:, None] - others[None, :]) > SAME_SETTING_STOPS)
        self._i, self._j = np.nonzero(fits)
        self._apart_s: _Floats = self._taken_s[self._i] - self._at_s[self._j]
        if not any_date:
            near = np.abs(self._apart_s) <= FARTHEST_S
            self._i, self._j, self._apart_s = self._i[near], self._j[near], self._apart_s[near]
        self._named: _Ints = _names(mine, wanted)[self._i, self._j]
        self._fine = bool((self._half_s == 0).mean() > 0.5)

    def fit(self, body: tuple[str, str], *, known: bool) -> _Fit | str:
        """Return how they fit; or why nobody can tell; or nothing when they do not."""
        if not len(self._i):
            return ""
        outcome = self._attempt(body, known=known)
        if outcome is None:
            self._named = np.zeros_like(self._named)
            outcome = self._attempt(body, known=known)
        return outcome or ""

    def _attempt(self, body: tuple[str, str], *, known: bool) -> _Fit | str | None:
        """Return as `fit`; None where the names contradict the times, as after renumbering by hand."""
        counts = _counted(self._apart_s, self._i, self._j, self._named, _WIDE_S)
        best = counts[0]
        centre = best.centre_s
        others = [one for one in counts if abs(one.centre_s - centre) > 2 * _WIDE_S]
        close = np.abs(self._apart_s - centre) <= 1.5 * _WIDE_S
        if self._fine:
            fine = _counted(self._apart_s[close], self._i[close], self._j[close], self._named[close], _FINE_S)
            best = fine[0]
            others += [one for one in fine if abs(one.centre_s - best.centre_s) > 1.5 * _FINE_S]
        if self._named.any() and any(one.pictures >= best.pictures + 2 for one in others):
            return None
        rival = max((one.score for one in others), default=0)
        rival_named = max((one.named for one in others), default=0)
        need = min(3, len(self._own), len(self._theirs))
        by_name = best.named >= (need if known else 3)
        by_time = (
            known
            and best.pictures >= _NO_NAME_LEAST
            and (best.pictures >= len(self._own) / 2 or best.pictures >= 2 * rival)
        )
        if not by_name and not by_time:
            return ""
        clear = best.score >= rival + 2 or (best.named > 0 == rival_named and best.score >= rival)
        if not clear:
            return f"its clock cannot be told: two offsets fit the frames of {self._rig.name} about as well"
        return self._refined(body, best)

    def _refined(self, body: tuple[str, str], best: _Count) -> _Fit | None:
        offset_s, drift, middle_s = best.centre_s, 0.0, 0.0
        width = _FINE_S if self._fine else _WIDE_S
        at, taken = self._at_s[self._j], self._taken_s[self._i]
        inside = np.abs(self._apart_s - offset_s) <= width
        offset_s = float(np.median(self._apart_s[inside]))
        tolerance_s = _MOST_TOLERANCE_S if self._fine else _WIDE_S / 2
        scatter_s, count, unsure_s = 0.0, 0, 0.0
        for _ in range(4):
            residual = taken - at - offset_s - drift * (at - middle_s)
            rows = self._nearest(residual, tolerance_s)
            if not len(rows):
                break
            at_s, apart = at[rows], self._apart_s[rows]
            middle_s = float(at_s.mean())
            drift = 0.0
            if len(rows) >= _DRIFT_MATCHES and float(np.ptp(at_s)) >= _DRIFT_SPAN_S:
                drift = _slope(at_s - middle_s, apart)
            level = apart - drift * (at_s - middle_s)
            if self._fine:
                offset_s = float(np.median(level))
                spread = _SCATTERS * 1.4826 * float(np.median(np.abs(level - offset_s)))
            else:  # every picture was taken within half a second of the middle of its second, so the offset is bounded
                low, high = np.percentile(level, [2, 98])
                offset_s = float(low + high) / 2
                unsure_s = max(0.0, 0.5 - float(high - low) / 2)
                spread = 2 * _LEAST_TOLERANCE_S + unsure_s
            scatter_s, count = max(float((level - offset_s).std()), 1e-3), len(rows)
            tolerance_s = min(max(_LEAST_TOLERANCE_S, spread), _MOST_TOLERANCE_S)
        clock = CameraClock(
            model=body[0], serial=body[1], run=self._rig.run, rig=self._rig.name, offset_s=offset_s,
            middle_utc_ns=self._base_ns + round(middle_s * NS_PER_S), drift_s_per_h=drift * 3600,
            scatter_s=scatter_s,
            uncertainty_s=math.hypot(scatter_s / math.sqrt(max(count, 1)), unsure_s / math.sqrt(3)), matches=count,
        )  # fmt: skip
        fit = _Fit(body, self._rig, best.score, clock)
        residual = taken - at - offset_s - drift * (at - middle_s)
        early = -(tolerance_s + self._half_s[self._i])
        late = tolerance_s + self._half_s[self._i] + self._slack_s[self._j]
        met = (residual >= early) & (residual <= late)
        if not self._names_hold(met):
            return None
        fit.edges = [
            _Edge(int(self._own[i]), int(self._theirs[j]), float(r), int(named), fit)
            for i, j, r, named in zip(
                self._i[met], self._j[met], residual[met], self._named[met], strict=True
            )
        ]
        return fit

    def _nearest(self, residual: _Floats, tolerance_s: float) -> _Ints:
        """Return the rows of pictures with their nearest frames, where each is the other's nearest."""
        limit = tolerance_s + self._half_s[self._i]
        rows = np.nonzero(np.abs(residual) <= limit)[0]
        rows = rows[np.argsort(np.abs(residual[rows]), kind="stable")]
        _, first_i = np.unique(self._i[rows], return_index=True)
        _, first_j = np.unique(self._j[rows], return_index=True)
        both: _Ints = rows[np.intersect1d(first_i, first_j)]
        return both

    def _names_hold(self, met: NDArray[np.bool_]) -> bool:
        """Return whether the names are those the camera gave: nearly all that are a frame's meet it in time."""
        named = self._named > 0
        return len(np.unique(self._j[named & met])) >= _NAMES_HOLD * len(np.unique(self._j[named])) - 1


def _slope(x: _Floats, y: _Floats) -> float:
    """Return the slope of a straight line through points, those far off left out; 0 where it may as well be none."""
    kept = np.ones(len(x), dtype=bool)
    for _ in range(3):
        line = np.polyfit(x[kept], y[kept], 1)
        left = y - np.polyval(line, x)
        middle = np.median(left[kept])
        spread = 1.4826 * np.median(np.abs(left[kept] - middle))
        kept = np.abs(left - middle) <= max(3.5 * spread, 1e-4)
    sure = 3 * float(left[kept].std()) / (math.sqrt(kept.sum()) * float(x[kept].std()))
    return float(line[0]) if abs(line[0]) > sure else 0.0


@dataclass(frozen=True)
class _Count:
    """How much speaks for offsets near one value."""

    centre_s: float
    pictures: int
    named: int
    in_folder: int
    """Of those named, how many also lie in a folder of the right name."""

    @property
    def score(self) -> int:
        return self.pictures + self.named + self.in_folder


def _counted(apart_s: _Floats, i: _Ints, j: _Ints, named: _Ints, width_s: float) -> list[_Count]:
    """Return what speaks for each offset, most first; the bins overlap by half."""
    made = []
    for shift in (0.0, 0.5):
        bins = np.floor(apart_s / width_s + shift).astype(np.int64)
        order = np.argsort(bins, kind="stable")
        risen = np.append(0, np.cumsum(np.diff(bins[order]) > 0))
        keys, place = bins[order][np.append(True, np.diff(risen) > 0)], np.empty_like(bins)
        place[order] = risen
        of_i = _distinct(place, i, len(keys))
        of_j = _distinct(place, j, len(keys))
        of_name, of_folder = (
            _distinct(place[named >= grade], j[named >= grade], len(keys)) for grade in (1, 2)
        )
        centres = (keys + 0.5 - shift) * width_s
        made += [
            _Count(float(centre), int(min(a, b)), int(c), int(d))
            for centre, a, b, c, d in zip(centres, of_i, of_j, of_name, of_folder, strict=True)
            if min(a, b) > 1 or c or len(keys) < 100
        ]
    made.sort(key=lambda one: (-one.score, abs(one.centre_s)))
    return made or [_Count(float(apart_s[0]), 1, 0, 0)]


def _distinct(place: _Ints, which: _Ints, count: int) -> _Ints:
    """Return how many different ones fall into each bin."""
    if not len(place):
        return np.zeros(count, dtype=np.int64)
    size = int(which.max()) + 1
    pairs = np.sort(place * size + which)
    first = np.append(True, pairs[1:] != pairs[:-1])
    return np.bincount(pairs[first] // size, minlength=count)


def _setting(frame: RunFrame, key: str) -> float | None:
    """Return a setting as the camera reported it; None where it did not; as asked when it reported nothing at all."""
    read_back = frame.account.read_back
    if read_back is None:
        return float(getattr(frame.account.frame.settings, key))
    return read_back.get(key)


def _stops(values: Sequence[float | None]) -> _Floats:
    return np.array([math.log2(value) if value and value > 0 else math.nan for value in values])


def _slack_s(frame: RunFrame) -> float:
    """Return how much later than `at_utc_ns` it may have been: a frame of unknown outcome by its late limit."""
    if frame.account.released_utc_ns is not None:
        return 0.0
    planned = frame.account.frame
    return max(0.0, (planned.deadline_utc_ns - planned.due_utc_ns) / NS_PER_S)


def _names(exposures: Sequence[_Exposure], frames: Sequence[RunFrame]) -> _Ints:
    """Return for each picture and frame: 0 no name in common; 1 the camera's name; 2 and its folder's name, too."""
    made = np.zeros((len(exposures), len(frames)), dtype=np.int64)
    called: dict[str, list[tuple[int, str]]] = defaultdict(list)
    for number, frame in enumerate(frames):
        if frame.account.file_name:
            path = PurePosixPath(frame.account.file_name.replace("\\", "/"))
            called[stem_of(path.name)].append((number, path.parent.name.casefold()))
    for number, exposure in enumerate(exposures):
        for picture in exposure.pictures:
            for frame_number, folder in called.get(stem_of(picture.path.name), []):
                same = folder == picture.path.parent.name.casefold() != ""
                made[number, frame_number] = max(made[number, frame_number], 1 + same)
    return made


# --- one picture, one frame ---------------------------------------------------------------------


class _Resolving:
    """Turns pictures and frames that meet into matches, doubts and leftovers."""

    def __init__(
        self,
        exposures: list[_Exposure],
        rigs: tuple[list[RunFrame], list[_Rig]],
        fits: _Fits,
        unread: list[Leftover],
    ) -> None:
        self._exposures, (self._frames, self._rigs), self._fits = exposures, rigs, fits
        self._unread = unread
        self._edges = [edge for fit in fits.accepted for edge in fit.edges]
        self._of_exposure: dict[int, list[_Edge]] = defaultdict(list)
        self._of_frame: dict[int, list[_Edge]] = defaultdict(list)
        for edge in self._edges:
            self._of_exposure[edge.exposure].append(edge)
            self._of_frame[edge.frame].append(edge)
        self._taken: dict[int, tuple[_Edge, Ground]] = {}
        """Frame -> its picture."""
        self._used: set[int] = set()
        self._doubted_frames: set[int] = set()
        self._doubts: list[Doubt] = []

    def done(self) -> Gathering:
        """Return all of it."""
        self._by_name()
        self._by_time()
        return Gathering(
            matches=tuple(sorted(self._matches(), key=lambda one: (one.taken_utc_ns, one.frame.label))),
            doubts=tuple(self._doubts),
            leftovers=tuple(sorted(self._leftovers(), key=lambda one: str(one.picture.path))),
            lost=tuple(self._lost()),
            clocks=tuple(fit.clock for fit in self._fits.accepted),
        )

    def _take(self, edge: _Edge, ground: Ground) -> None:
        self._taken[edge.frame] = edge, ground
        self._used.add(edge.exposure)

    def _by_name(self) -> None:
        best: dict[int, list[_Edge]] = {}
        for exposure, edges in self._of_exposure.items():
            top = max(edge.named for edge in edges)
            named = [edge for edge in edges if edge.named == top and top > 0]
            if len(named) == 1:
                best[exposure] = named
        claims: dict[int, list[_Edge]] = defaultdict(list)
        for (edge,) in best.values():
            claims[edge.frame].append(edge)
        for edges in claims.values():
            top = max(edge.named for edge in edges)
            chosen = [edge for edge in edges if edge.named == top]
            if len(chosen) == 1:
                self._take(chosen[0], Ground.NAME)
            else:
                self._doubt(
                    [edge.exposure for edge in chosen],
                    [edges[0].frame],
                    "all have its name, its time and its settings",
                )

    def _by_time(self) -> None:
        for exposures, frames in self._components():
            free = [frame for frame in frames if frame not in self._taken]
            left = [one for one in exposures if one not in self._used and self._may_be_of_a_free_one(one)]
            if not free or not left:
                continue
            for edge in self._only_ways(left, set(free)):
                self._take(edge, Ground.TIME)
            left = [one for one in left if one not in self._used]
            free = [frame for frame in free if frame not in self._taken]
            if left and free and not self._in_order(left, free):
                self._doubt(left, free, "several are alike in time and settings")

    def _may_be_of_a_free_one(self, exposure: int) -> bool:
        """Return whether a picture meets a free frame, and meets none that has its picture better."""
        edges = self._of_exposure[exposure]
        if self._exposures[exposure].half_width_s == 0:
            return min(edges, key=lambda edge: abs(edge.residual_s)).frame not in self._taken
        return any(edge.frame not in self._taken for edge in edges)

    def _components(self) -> Iterable[tuple[list[int], list[int]]]:
        """Return the sets of pictures and frames that hang together."""
        seen: set[int] = set()
        for start in sorted(self._of_exposure):
            if start in seen:
                continue
            exposures, frames, ahead = {start}, set(), [start]
            while ahead:
                for edge in self._of_exposure[ahead.pop()]:
                    frames.add(edge.frame)
                    for other in self._of_frame[edge.frame]:
                        if other.exposure not in exposures:
                            exposures.add(other.exposure)
                            ahead.append(other.exposure)
            seen |= exposures
            yield sorted(exposures), sorted(frames, key=lambda one: self._frames[one].at_utc_ns)

    def _only_ways(self, left: list[int], free: set[int]) -> list[_Edge]:
        """Return the pairs of which each has no other way, taken in turn."""
        made: list[_Edge] = []
        left, free = list(left), set(free)
        while True:
            ways = {one: [e for e in self._of_exposure[one] if e.frame in free] for one in left}
            claims: dict[int, list[_Edge]] = defaultdict(list)
            for edges in ways.values():
                for edge in edges:
                    claims[edge.frame].append(edge)
            sure = [e[0] for e in ways.values() if len(e) == 1 and len(claims[e[0].frame]) == 1]
            if not sure:
                return made
            made += sure
            for edge in sure:
                left.remove(edge.exposure)
                free.discard(edge.frame)

    def _in_order(self, left: list[int], free: list[int]) -> bool:
        """Match as many pictures as frames in their order; return whether that could be done."""
        if len(left) != len(free):
            return False
        keys = [self._order_key(one) for one in left]
        if len({body for body, *_ in keys}) != 1 or len(set(keys)) != len(keys):
            return False
        ordered = [one for _, one in sorted(zip(keys, left, strict=True))]
        edges = [self._find(one, frame) for one, frame in zip(ordered, free, strict=True)]
        if any(edge is None for edge in edges):
            return False
        for edge in edges:
            if edge is not None:
                self._take(edge, Ground.ORDER)
        return True

    def _order_key(self, exposure: int) -> tuple[tuple[str, str], int, int]:
        body, first = self._exposures[exposure].body, self._exposures[exposure].first
        return body, first.taken_camera_ns or 0, first.number or 0

    def _find(self, exposure: int, frame: int) -> _Edge | None:
        return next((edge for edge in self._of_exposure[exposure] if edge.frame == frame), None)

    def _doubt(self, exposures: list[int], frames: list[int], why: str) -> None:
        self._used.update(exposures)
        self._doubted_frames.update(frames)
        self._doubts.append(
            Doubt(
                pictures=tuple(picture for one in exposures for picture in self._exposures[one].everything),
                frames=tuple(self._frames[one] for one in frames),
                why=why,
            )
        )

    def _matches(self) -> Iterable[Match]:
        for number, (edge, ground) in self._taken.items():
            exposure = self._exposures[edge.exposure]
            yield Match(
                frame=self._frames[number],
                pictures=exposure.everything,
                ground=ground,
                residual_s=edge.residual_s,
                clock=edge.fit.clock,
                companions=tuple(picture.path for picture in exposure.companions),
            )

    def _leftovers(self) -> Iterable[Leftover]:
        yield from self._unread
        bodies = {fit.body for fit in self._fits.accepted}
        for number, exposure in enumerate(self._exposures):
            if number not in self._used:
                why = self._why_left(number, exposure, bodies)
                for picture in exposure.everything:
                    yield Leftover(picture=picture, why=why)

    def _why_left(self, number: int, exposure: _Exposure, bodies: set[tuple[str, str]]) -> str:
        body = exposure.body
        if body not in bodies:
            return self._fits.undecided.get(body) or "no rig's frames fit the pictures of its camera"
        edges = [edge for edge in self._of_exposure.get(number, []) if edge.frame in self._taken]
        if edges:
            nearest = min(edges, key=lambda edge: abs(edge.residual_s))
            return f"{self._frames[nearest.frame].label} has a picture that fits better"
        if self._of_exposure.get(number):
            return "what was fired at its time is in doubt"
        if exposure.first.path.stem.casefold() in self._fits.frame_of_name:
            return "it has the name of a frame's picture, but not its time and settings"
        return "nothing was fired at its time with its settings"

    def _lost(self) -> Iterable[LostFrame]:
        fitted = {(fit.rig.run, fit.rig.name) for fit in self._fits.accepted}
        for number, frame in enumerate(self._frames):
            if number in self._taken or number in self._doubted_frames:
                continue
            if frame.account.end is FrameEnd.FIRED:
                there = (frame.run.name, frame.rig) in fitted
                why = "no picture fits it" if there else "no camera's pictures fit its rig"
                yield LostFrame(frame=frame, why=why)
