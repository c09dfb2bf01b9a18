"""When the last of the Sun's surface went out, and when the first came back, as the pictures show it.

C2 and C3 of a total eclipse on unfiltered pictures. The light of the photosphere in a picture is what lies above
anything that corona, chromosphere and prominences can reach; it is hundreds of times as bright as they are, so
that nearly every picture of beads clips. What is clipped counts as "so much light or more".

The law that is fitted is that of the last bead: it goes out as ``light = k (t - contact)^p``. A crescent between two
round edges has p = 1.5, a valley with straight slopes p = 2; k and p are not known beforehand and are averaged
over. So the result is the contact at the Moon's *real* edge, and needs no map of it. Of a picture that shows
nothing of the Sun's surface is known that there was less of it than it could have shown.

The uncertainty is that of the fit, which is mostly the time between the last picture with light and the first
without, together with that of the camera's clock.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from controller.account.pictures.drawing import one_plot
from controller.account.pictures.taken import (
    CLIPPED_CODE,
    Taken,
    UnreadableError,
    code_of,
    exposure_words,
    green_codes,
    linear,
)
from controller.light.brightness import CHROMOSPHERE_CD_M2, beads_luminance_cd_m2
from controller.light.sensor import saturation_fraction
from controller.timeline.model import Timeline
from controller.units import NS_PER_S, ContactName, FilterState

LOOKED_AT_S = 30.0
"""Pictures so near to the computed contact are looked at."""
OTHER_LIGHT_CD_M2 = CHROMOSPHERE_CD_M2
"""No more than this comes from corona, chromosphere and prominences, in green."""
_LEAST_LEVEL = 0.02
"""Below this fraction of saturation a pixel may be noise, or the rounding of a JPEG."""
_LEAST_PIXELS = 3
"""One or two bright pixels may be a bead in a coarse picture or the sensor's fault: they tell nothing."""
_BLUR_PX = 4.0
"""Over so many pixels the smallest bead is spread, about."""
_SCATTER = 0.7
"""How far light may be off the law, in natural logarithms: other beads, another lens, thin cloud."""
_OUTLIER = 1e-4
"""Chance that a picture has nothing to do with the law: an aeroplane, a cloud, a hand."""
_STEP_S = 0.02
_POWERS = np.array([1.5, 1.75, 2.0, 2.25, 2.5])
_FACTORS = np.exp(np.linspace(math.log(1e-6), math.log(1e5), 38))
"""Pixels of the Sun's surface a second to the power; from coarse pixels under a low Sun to fine ones."""

_Array = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Light:
    """How much of the Sun's surface one picture shows."""

    taken: Taken
    surface_px: float
    """As many pixels of it, as bright as it is at the limb; 0 when none is seen."""
    clipped: bool
    """Pixels are clipped: it is so much or more."""
    least_px: float
    """What would have been seen."""

    def words(self) -> str:
        """Return it as a figure: ``>`` where pixels are clipped, ``<`` where none is seen."""
        if self.surface_px <= 0:
            return f"<{self.least_px:.2g}"
        return f"{'>' if self.clipped else ''}{self.surface_px:.2g}"


@dataclass(frozen=True, kw_only=True)
class ContactSeen:
    """C2 or C3 as the pictures of one rig show it."""

    rig: str
    contact: ContactName
    computed_utc_ns: int
    computed_uncertainty_s: float
    keyed_to: str
    """``mean limb`` or ``lunar limb``: what was computed."""
    seen_utc_ns: int | None
    """None: the pictures do not tell."""
    uncertainty_s: float
    """Standard uncertainty of `seen_utc_ns`, the clock's in it, seconds; 0 without."""
    cadence_s: float
    """From the last picture with light to the first without (or the other way round), seconds; 0 without."""
    lights: tuple[Light, ...]
    """In order of time."""
    passed_by: int
    """Pictures near the contact that cannot tell: so long that the corona clips, two pixels bright, or unreadable."""
    why_not: str = ""

    @property
    def off_s(self) -> float | None:
        """Return seen minus computed, seconds; None when it was not seen."""
        return None if self.seen_utc_ns is None else (self.seen_utc_ns - self.computed_utc_ns) / NS_PER_S

    def words(self) -> str:
        """Return the result as one sentence."""
        if self.off_s is None:
            return f"{self.rig}, {self.contact}: cannot be told from the pictures: {self.why_not}"
        moon = "the Moon's real edge" if self.keyed_to == "lunar limb" else "a smooth Moon"
        return (
            f"{self.rig}, {self.contact}: seen {self.off_s:+.2f} +/- {self.uncertainty_s:.2f} s from the one "
            f"computed for {moon} (+/- {self.computed_uncertainty_s:.1f} s); {len(self.lights)} pictures tell, "
            f"{self.cadence_s:.2f} s apart where the light changes."
        )


def contacts_seen(
    timeline: Timeline, taken: Sequence[Taken], *, tell: Callable[[], object] | None = None
) -> list[ContactSeen]:
    """Return C2 and C3 of a total eclipse as each rig's unfiltered pictures show them.

    Args:
        timeline: of the run.
        taken: its pictures.
        tell: is called after each file that has been read.
    """
    made: list[ContactSeen] = []
    if timeline.kind != "total":
        return made
    for rig in timeline.rigs:
        if not rig.points_at_sun:
            continue
        for contact in (ContactName.C2, ContactName.C3):
            computed_ns = timeline.contacts_utc_ns[contact]
            near = [
                one
                for one in taken
                if one.frame.rig == rig.name
                and one.frame.filter_need is FilterState.OFF
                and abs(one.middle_utc_ns - computed_ns) <= LOOKED_AT_S * NS_PER_S
            ]
            made.append(_seen_by(timeline, rig.name, contact, near, tell))
    return made


def light_of(taken: Taken) -> Light | None:
    """Return how much of the Sun's surface a picture shows; None when it cannot tell.

    Raises:
        UnreadableError: if there is no picture that can be read.
    """
    unit = saturation_fraction(1.0, taken.settings.exposure_s, taken.settings.f_number, taken.settings.iso)
    level = max(OTHER_LIGHT_CD_M2 * unit, _LEAST_LEVEL)
    least_code = code_of(level)
    if least_code >= CLIPPED_CODE:
        return None
    surface = beads_luminance_cd_m2() * unit
    codes = green_codes(taken.path)
    bright = codes[codes >= least_code]
    if 0 < len(bright) < _LEAST_PIXELS:
        return None
    return Light(
        taken=taken,
        surface_px=float(linear(bright).sum(dtype=np.float64)) / surface if len(bright) else 0.0,
        clipped=bool((bright >= CLIPPED_CODE).any()),
        least_px=_BLUR_PX * level / surface,
    )


def _seen_by(
    timeline: Timeline,
    rig: str,
    contact: ContactName,
    near: Sequence[Taken],
    tell: Callable[[], object] | None,
) -> ContactSeen:
    lights = []
    for one in sorted(near, key=lambda one: one.middle_utc_ns):
        try:
            light = light_of(one)
        except UnreadableError:
            light = None
        if light is not None:
            lights.append(light)
        if tell is not None:
            tell()
    computed_ns = timeline.contacts_utc_ns[contact]
    fit = fitted(lights, contact, computed_ns)
    return ContactSeen(
        rig=rig,
        contact=contact,
        computed_utc_ns=computed_ns,
        computed_uncertainty_s=timeline.contacts_uncertainty_s,
        keyed_to=timeline.contacts_keyed_to,
        seen_utc_ns=None if isinstance(fit, str) else computed_ns + round(fit.off_s * NS_PER_S),
        uncertainty_s=0.0 if isinstance(fit, str) else fit.uncertainty_s,
        cadence_s=0.0 if isinstance(fit, str) else fit.cadence_s,
        lights=tuple(lights),
        passed_by=len(near) - len(lights),
        why_not=fit if isinstance(fit, str) else "",
    )


@dataclass(frozen=True, kw_only=True)
class Fit:
    """The contact that fits best."""

    off_s: float
    """From the instant it was fitted about, seconds."""
    uncertainty_s: float
    cadence_s: float


def fitted(lights: Sequence[Light], contact: ContactName, about_utc_ns: int) -> Fit | str:
    """Return the contact by the law of the last bead, or why the pictures do not tell it.

    Args:
        lights: what pictures show.
        contact: C2, at which the light goes out, or C3, at which it comes back.
        about_utc_ns: the instant that times are counted from.
    """
    if not lights:
        return "there is no picture near it that is exposed briefly enough."
    # at C3 time is turned round, so that the light always goes out
    turn = 1.0 if contact is ContactName.C2 else -1.0
    ends = np.array(
        [
            [(one.taken.opened_utc_ns - about_utc_ns) / NS_PER_S, one.taken.settings.exposure_s]
            for one in lights
        ]
    )
    first, last = ends[:, 0], ends[:, 0] + ends[:, 1]
    begins, stops = (first, last) if turn > 0 else (-last, -first)
    got = np.array([one.surface_px for one in lights])
    least = np.array([one.least_px for one in lights])
    clipped = np.array([one.clipped for one in lights])
    lit = got > 0
    if not lit.any():
        return "none of them shows anything of the Sun's surface."
    edge = _where_it_goes_out(begins, stops, lit)
    if isinstance(edge, str):
        return edge
    lit_s, dark_s = edge
    grid = np.arange(lit_s - 2.0, dark_s + 2.0, _STEP_S)
    if len(grid) > 2000:
        grid = np.linspace(grid[0], grid[-1], 2000)
    chance = _chance(grid, begins, stops, got, least, clipped)
    weight = np.exp(chance - chance.max())
    weight /= weight.sum()
    mean = float((weight * grid).sum())
    step = float(grid[1] - grid[0])
    spread = math.sqrt(float((weight * (grid - mean) ** 2).sum()) + step**2 / 12)
    clock_s = max(one.taken.clock_s for one in lights)
    return Fit(off_s=turn * mean, uncertainty_s=math.hypot(spread, clock_s), cadence_s=dark_s - lit_s)


def _where_it_goes_out(begins: _Array, stops: _Array, lit: NDArray[np.bool_]) -> tuple[float, float] | str:
    """Return the last instant known with light and the first without, where fewest pictures contradict; or why not."""
    order = np.argsort((begins + stops) / 2)
    state = lit[order]
    wrong = np.concatenate([[0], np.cumsum(~state)]) + np.concatenate([np.cumsum(state[::-1])[::-1], [0]])
    cut = int(np.argmin(wrong))
    if cut == 0:
        return "the Sun's surface shows in some, but not in those that are farthest from totality."
    if cut == len(order):
        return "the Sun's surface is in sight in those nearest to totality, too."
    before, after = order[cut - 1], order[cut]
    return float(begins[before]), float(max(stops[after], begins[before] + _STEP_S))


def _chance(
    grid: _Array, begins: _Array, stops: _Array, got: _Array, least: _Array, clipped: NDArray[np.bool_]
) -> _Array:
    """Return the logarithm of the likelihood of each instant, powers and factors averaged over."""
    power = _POWERS[None, :, None]
    total = np.zeros((len(grid), len(_POWERS), len(_FACTORS)))
    for start, end, light, limit, is_clipped in zip(begins, stops, got, least, clipped, strict=True):
        ahead = np.maximum(grid - start, 0.0)[:, None, None]
        behind = np.maximum(grid - end, 0.0)[:, None, None]
        mean = (ahead ** (power + 1) - behind ** (power + 1)) / ((power + 1) * (end - start))
        model = mean * _FACTORS
        if light <= 0:
            fit = np.exp(-((model / limit) ** 2) / 2)
        else:
            far = np.log(np.maximum(model, 1e-300) / light) / _SCATTER
            fit = _normal(far) if is_clipped else np.exp(-(np.clip(far, -40, 40) ** 2) / 2)
        total += np.log((1 - _OUTLIER) * fit + _OUTLIER)
    flat = total.reshape(len(grid), -1)
    top = flat.max(axis=1)
    chance: _Array = top + np.log(np.exp(flat - top[:, None]).mean(axis=1))
    return chance


def _normal(z: _Array) -> _Array:
    """Return the normal distribution's integral up to z, by its logistic approximation (within 0.01)."""
    made: _Array = 1 / (1 + np.exp(-np.clip(1.702 * z, -500, 500)))
    return made


def plot(seen: ContactSeen, file: BinaryIO) -> None:
    """Draw the light of the pictures over time, with the contact seen and the one computed; PNG."""
    with one_plot(file, f"{seen.contact} on {seen.rig}") as axes:
        kinds = {
            "clipped: so much or more": ("^", [one for one in seen.lights if one.clipped]),
            "measured": ("o", [one for one in seen.lights if one.surface_px > 0 and not one.clipped]),
            "nothing of the Sun's surface: less than this": (
                "v",
                [one for one in seen.lights if one.surface_px <= 0],
            ),
        }
        for label, (mark, lights) in kinds.items():
            if lights:
                axes.plot(
                    [(one.taken.middle_utc_ns - seen.computed_utc_ns) / NS_PER_S for one in lights],
                    [one.surface_px or one.least_px for one in lights],
                    mark, mfc="white" if mark == "v" else "#111111", mec="#111111", ms=6, ls="none", label=label,
                )  # fmt: skip
        axes.axvline(0.0, color="#111111", lw=1, ls=":", label=f"{seen.contact} computed ({seen.keyed_to})")
        if seen.off_s is not None:
            axes.axvspan(
                seen.off_s - seen.uncertainty_s, seen.off_s + seen.uncertainty_s, color="#bbbbbb", lw=0,
                label=f"{seen.contact} seen: {seen.off_s:+.2f} +/- {seen.uncertainty_s:.2f} s",
            )  # fmt: skip
        axes.set_yscale("log")
        axes.set_xlabel(f"seconds from {seen.contact} as computed")
        axes.set_ylabel("the Sun's surface seen, pixels")
        axes.legend(frameon=True, fontsize=8)


def light_rows(seen: ContactSeen) -> list[tuple[str, str, str, str]]:
    """Return a row for each picture: name, seconds from the computed contact, settings, light."""
    return [
        (
            one.taken.path.name,
            f"{(one.taken.middle_utc_ns - seen.computed_utc_ns) / NS_PER_S:+.2f}",
            exposure_words(one.taken.settings),
            one.words(),
        )
        for one in seen.lights
    ]
