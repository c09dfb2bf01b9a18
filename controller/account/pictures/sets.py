"""Bracket sets: their files in order of exposure, and whether a set is whole and reaches far enough both ways.

A set is one take of a bracket. What is judged, from the picture itself or the one inside a raw file:

* Whole: a picture of every exposure planned. Where two or more in a row are lacking, the hole is told in stops.
* Short end: in totality, away from the contacts, nothing may clip in the shortest exposure, and behind a filter
  the disk may not. Close to C2 and C3 the Sun's surface clips in any exposure a camera has: that is said, and not
  counted as lost.
* Long end: in totality the longest exposure must lift the darkest tenth of its edges above the noise. Then it shows
  the sky, below which no exposure gets. Behind a filter the disk must be well above black.

A camera's JPEG clips earlier than its raw file by up to a stop or more (common practice, no single source): a raw
set called clipped may still be whole, one called unclipped is.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from controller.account.model import FrameAccount, FrameEnd
from controller.account.pictures.taken import CLIPPED_CODE, Taken, UnreadableError, linear, open_picture
from controller.light.stops import format_exposure, stops_between
from controller.timeline.model import Timeline
from controller.units import NS_PER_S, ContactName, FilterState

CLIPPED_PART = 2e-4
"""A smaller part of a picture than this may clip: hot pixels, a prominence's core (common practice)."""
ABOVE_NOISE = 3.0
"""The faint end is seen when it is so many times the noise (common practice)."""
NEAR_CONTACT_S = 5.0
"""So near to C2 and C3 the Sun's surface may be in the picture: beads and diamond rings last about as long."""
_BLACK_CODE = 2.0
"""A mean code of 255 below this is black, whatever the noise."""
_DISK_CODE = 60
"""Behind a filter the brightest parts of the longest exposure are to reach this code of 255."""
_JUDGED_PX = 900


@dataclass(frozen=True, kw_only=True)
class BracketSet:
    """One take of a bracket."""

    rig: str
    phase: str
    shot: str
    take: int
    planned: int
    pictures: tuple[Taken, ...]
    """From the shortest exposure to the longest."""
    lacking: tuple[str, ...]
    """What is not there, and why, one sentence each."""
    short_end: str
    """What the shortest exposure shows; empty without pictures."""
    long_end: str
    short_ok: bool | None
    """None: it cannot be judged."""
    long_ok: bool | None

    @property
    def name(self) -> str:
        """Return shot and take."""
        return f"{self.shot} {self.take}"

    @property
    def good(self) -> bool:
        """Return whether nothing is lacking and neither end is known to be amiss."""
        return not self.lacking and self.short_ok is not False and self.long_ok is not False

    def words(self) -> list[str]:
        """Return what is to be known of the set, one sentence each; nothing of a good one."""
        said = list(self.lacking)
        if self.short_ok is not True and self.short_end:
            said.append(self.short_end)
        if self.long_ok is not True and self.long_end:
            said.append(self.long_end)
        return said


def bracket_sets(
    timeline: Timeline,
    frames: Sequence[FrameAccount],
    taken: Sequence[Taken],
    *,
    tell: Callable[[], object] | None = None,
) -> list[BracketSet]:
    """Return every set of the run, judged, in the order in which they were planned.

    Args:
        timeline: of the run.
        frames: of the run's account: also those that have no picture.
        taken: the pictures.
        tell: is called after each file that has been read.
    """
    have = {one.frame.frame_id: one for one in taken}
    groups: dict[tuple[str, str, str, int], list[FrameAccount]] = {}
    for one in frames:
        frame = one.frame
        groups.setdefault((frame.rig, frame.phase, frame.shot, frame.take), []).append(one)
    made = []
    for (rig, phase, shot, take), members in groups.items():
        if len({one.frame.settings for one in members}) < 2:
            continue
        pictures = sorted(
            (have[one.frame.frame_id] for one in members if one.frame.frame_id in have),
            key=lambda one: (_light(one), one.opened_utc_ns),
        )
        short_end, short_ok, long_end, long_ok = "", None, "", None
        if pictures:
            short_end, short_ok = _short_end(timeline, pictures[0])
            long_end, long_ok = _long_end(pictures[-1])
            if tell is not None:
                tell()
                tell()
        made.append(
            BracketSet(
                rig=rig, phase=phase, shot=shot, take=take, planned=len(members), pictures=tuple(pictures),
                lacking=tuple(_lacking(members, have, pictures)),
                short_end=short_end, short_ok=short_ok, long_end=long_end, long_ok=long_ok,
            )
        )  # fmt: skip
    return made


def _light(one: Taken) -> float:
    """Return how much light the settings let in, in no unit."""
    return one.settings.exposure_s * one.settings.iso / one.settings.f_number**2


def _lacking(members: Sequence[FrameAccount], have: dict[str, Taken], pictures: Sequence[Taken]) -> list[str]:
    if not pictures:
        fired = any(one.end is FrameEnd.FIRED for one in members)
        return ["None of its pictures is there." if fired else "None of it was fired."]
    said = []
    for one in sorted(members, key=lambda one: one.frame.settings.exposure_s):
        if one.frame.frame_id in have:
            continue
        why = "fired, but no file is there" if one.end is FrameEnd.FIRED else f"{one.end}, {one.reason}"
        said.append(f"{format_exposure(one.frame.settings.exposure_s)} is lacking: {why.rstrip(', ')}.")
    planned = sorted({one.frame.settings.exposure_s for one in members})
    step = (
        max(abs(stops_between(low, high)) for low, high in itertools.pairwise(planned))
        if len(planned) > 1
        else 0.0
    )
    for low, high in itertools.pairwise(pictures):
        apart = math.log2(_light(high) / _light(low))
        if step and apart > 2.5 * step:
            between = (
                f"{format_exposure(low.settings.exposure_s)} and {format_exposure(high.settings.exposure_s)}"
            )
            said.append(
                f"Between {between} there are {apart:.1f} stops and no picture; {step:.1f} were planned."
            )
    return said


def _short_end(timeline: Timeline, shortest: Taken) -> tuple[str, bool | None]:
    codes = _codes(shortest.path)
    words = format_exposure(shortest.settings.exposure_s)
    if codes is None:
        return f"The shortest, {words}, cannot be read.", None
    part = float((codes >= CLIPPED_CODE).mean())
    if part <= CLIPPED_PART:
        return f"The shortest, {words}, does not clip.", True
    clips = f"The shortest, {words}, clips over {part:.2%} of it"
    if _by_a_contact(timeline, shortest):
        return f"{clips}, as the Sun's surface does near the contacts.", True
    return f"{clips}: what is brightest is in no picture of the set.", False


def _by_a_contact(timeline: Timeline, one: Taken) -> bool:
    """Return whether the Sun's surface may shine into an unfiltered picture."""
    if one.frame.filter_need is not FilterState.OFF:
        return False
    near = (
        timeline.contacts_utc_ns[name]
        for name in (ContactName.C2, ContactName.C3)
        if name in timeline.contacts_utc_ns
    )
    inside = [(one.middle_utc_ns - at) * sign / NS_PER_S for at, sign in zip(near, (1, -1), strict=False)]
    return any(seconds < NEAR_CONTACT_S for seconds in inside)


def _long_end(longest: Taken) -> tuple[str, bool | None]:
    codes = _codes(longest.path)
    words = format_exposure(longest.settings.exposure_s)
    if codes is None:
        return f"The longest, {words}, cannot be read.", None
    if longest.frame.filter_need is FilterState.ON:
        top = float(np.percentile(codes, 99.9))
        if top >= _DISK_CODE:
            return f"The longest, {words}, shows the disk.", True
        return f"The longest, {words}, is nearly black: its brightest parts reach {top:.0f} of 255.", False
    if longest.frame.filter_need is not FilterState.OFF:
        return "", None  # a landscape may be black at its edges
    edges = _edges(codes)
    dark = float(np.percentile(edges, 10))
    levels = linear(edges)
    faint = edges <= max(dark, 1)
    if dark >= _BLACK_CODE and float(levels[faint].mean()) >= ABOVE_NOISE * _noise(levels, faint):
        return f"The longest, {words}, has its darkest parts above the noise.", True
    black = f"The longest, {words}, leaves its edges black or in the noise (code {dark:.0f} of 255)"
    return f"{black}: what is fainter is in no picture of the set.", False


def _edges(codes: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return the strips along the upper and lower edge and, turned, those at the sides, in one row of blocks.

    There the sky is faintest; the Moon, which is fainter still, is not among them.
    """
    height, width = codes.shape
    deep = max(2, min(height, width) // 12)
    return np.concatenate([codes[:deep], codes[-deep:], codes[:, :deep].T, codes[:, -deep:].T], axis=1)


def _noise(levels: NDArray[np.float32], where: NDArray[np.bool_]) -> float:
    """Return the noise of one pixel, from how neighbours in a row differ (robust, for normal noise)."""
    both = where[:, 1:] & where[:, :-1]
    if both.sum() < 16:
        return 0.0
    apart = np.abs(levels[:, 1:] - levels[:, :-1])[both]
    return float(np.median(apart)) * 1.4826 / math.sqrt(2)


def _codes(path: Path) -> NDArray[np.uint8] | None:
    """Return the brightest of red, green and blue of each pixel of a smaller version."""
    try:
        codes: NDArray[np.uint8] = np.asarray(open_picture(path, at_least_px=_JUDGED_PX)).max(axis=2)
    except UnreadableError:
        return None
    return codes
