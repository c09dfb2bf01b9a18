"""Which exposures cover a range of the corona with the fewest frames.

Each exposure is of use over an interval of distances from the Sun's centre (`usable_radii`), and a longer
one reaches farther out but clips farther out too. The fewest intervals that cover a range are found by
taking, from the outer end inwards, the shortest exposure that still reaches what is left. That is the usual
proof for covering a line with intervals; it also gives the least exposure time of all smallest sets, since
each member is the shortest possible. The step between frames thus follows from the sensor's usable range.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import pairwise

from controller.light.brightness import corona_of_disk
from controller.light.extinction import REFERENCE_ALTITUDE_DEG, Haze
from controller.light.sensor import FAIR_SNR, FULL_FRAME, GOOD_SNR, MARGIN_STOPS, Sensor, usable_radii
from controller.light.stops import NOMINAL_THIRDS_S, stops_between

SEAM_RADII = 0.01
"""A gap narrower than this, solar radii, is none: the corona hardly changes over it."""

Radii = tuple[float, float]
"""From and to, solar radii from the Sun's centre."""


@dataclass(frozen=True, kw_only=True)
class Cover:
    """The smallest set of exposures for a range of the corona, and what it comes to."""

    exposures_s: tuple[float, ...]
    """From the shortest to the longest."""
    wanted: Radii
    covered: tuple[Radii, ...]
    """The stretches of it that the set covers: all that can be covered with the listed exposures."""
    seam_snr: float
    """Signal over noise in one pixel where one frame hands over to the next, at least."""
    steps_stops: tuple[float, ...]
    """Between each exposure and the next."""
    range_stops: float
    """How much brighter the corona is at the inner end of what was wanted than at the outer."""

    @property
    def complete(self) -> bool:
        """Return whether that is all that was wanted."""
        return self.covered == (self.wanted,)

    @property
    def widest_step_stops(self) -> float:
        """Return the widest step between two exposures; 0 when there are fewer than two."""
        return max(self.steps_stops, default=0.0)


def corona_range_stops(inner_radius: float, outer_radius: float) -> float:
    """Return how many stops brighter the corona is at the inner radius than at the outer.

    Raises:
        ValueError: if a radius is inside the disk.
    """
    return stops_between(corona_of_disk(outer_radius), corona_of_disk(inner_radius))


def fewest_intervals(
    wanted: Radii, intervals: Mapping[float, Radii], outermost: Mapping[float, Radii] | None = None
) -> tuple[tuple[float, ...], tuple[Radii, ...]]:
    """Return the fewest exposures that cover all of `wanted` that can be covered, and the stretches they cover.

    Of all smallest sets it is one with the least total exposure time, provided that a longer exposure never
    begins or ends nearer in. Exposures come shortest first, stretches from the inner end outwards.

    Args:
        wanted: the range, inner end first.
        intervals: the usable interval of each exposure time.
        outermost: the same for the frame at the outer end, where it may be another; None when it is not.
    """
    inner, outer = wanted
    chosen: list[float] = []
    stretches: list[Radii] = []
    left = outer
    while left > inner:
        offered = intervals if chosen or outermost is None else outermost
        # of all that reach what is left, the one that goes farthest in; of equals, the shortest
        reaching = [(low, exposure_s) for exposure_s, (low, high) in offered.items() if low < left <= high]
        if not reaching:  # a gap: go on at the next that can be covered
            left = max((high for _, high in offered.values() if high < left), default=inner)
            continue
        low, exposure_s = min(reaching)
        chosen.append(exposure_s)
        end = stretches.pop()[1] if stretches and stretches[-1][0] == left else left
        stretches.append((max(inner, low), end))
        left = low
    return tuple(sorted(chosen)), tuple(reversed(stretches))


def cover(
    inner_radius: float,
    outer_radius: float,
    *,
    f_number: float,
    iso: float,
    sensor: Sensor = FULL_FRAME,
    sun_altitude_deg: float = REFERENCE_ALTITUDE_DEG,
    site_elevation_m: float = 0.0,
    haze: Haze = Haze.CLEAR,
    min_snr: float = GOOD_SNR,
    outer_snr: float = FAIR_SNR,
    margin_stops: float = MARGIN_STOPS,
    listed_s: Iterable[float] = NOMINAL_THIRDS_S,
    longest_s: float | None = None,
) -> Cover:
    """Return the fewest exposures that cover the corona between two distances from the Sun's centre.

    Args:
        inner_radius: solar radii from the centre; the Moon's limb is at about 1.02 to 1.08.
        outer_radius: solar radii from the centre.
        f_number: of lens and teleconverter together.
        iso: the speed set.
        sensor: the class of sensor.
        sun_altitude_deg: without refraction.
        site_elevation_m: metres above sea level.
        haze: the air's clearness.
        min_snr: signal over noise wanted in one pixel where one frame hands over to the next, so that no seam
            shows (40: "excellent" by ISO 12232). Where that leaves more gaps than need be, it is lowered by
            half stops, down to `outer_snr`; `Cover.seam_snr` says to what.
        outer_snr: the same at the outer end (10: "acceptable"), where no longer frame follows.
        margin_stops: how much brighter or fainter the corona may turn out before a gap opens.
        listed_s: the exposures the camera lists, seconds.
        longest_s: no exposure longer than this (motion blur); no limit when None.

    Raises:
        ValueError: if the radii are not in order or inside the disk, or the Sun is below the horizon.
    """
    if not 1 <= inner_radius < outer_radius:
        raise ValueError(
            f"a stretch of corona from {inner_radius:g} to {outer_radius:g} solar radii cannot be meant: "
            "from 1 up, the inner end first"
        )

    def intervals(snr: float) -> dict[float, Radii]:
        found = {
            exposure_s: usable_radii(
                exposure_s,
                f_number,
                iso,
                sensor=sensor,
                sun_altitude_deg=sun_altitude_deg,
                site_elevation_m=site_elevation_m,
                haze=haze,
                min_snr=snr,
                margin_stops=margin_stops,
            )
            for exposure_s in listed_s
            if longest_s is None or exposure_s <= longest_s
        }
        return {exposure_s: radii for exposure_s, radii in found.items() if radii is not None}

    listed_s = tuple(listed_s)
    wanted = (inner_radius, outer_radius)
    outermost = intervals(outer_snr)
    seam_snr = max(min_snr, outer_snr)
    _, coverable = fewest_intervals(wanted, outermost)
    exposures, covered = fewest_intervals(wanted, intervals(seam_snr), outermost)
    while covered != coverable and seam_snr > outer_snr:
        seam_snr = max(outer_snr, seam_snr / math.sqrt(2))
        exposures, covered = fewest_intervals(wanted, intervals(seam_snr), outermost)
    return Cover(
        seam_snr=seam_snr,
        exposures_s=exposures,
        wanted=wanted,
        covered=covered,
        steps_stops=tuple(stops_between(a, b) for a, b in pairwise(exposures)),
        range_stops=corona_range_stops(inner_radius, outer_radius),
    )


def covered_by(
    settings: Iterable[tuple[float, float, float]],
    wanted: Radii,
    *,
    sensor: Sensor = FULL_FRAME,
    sun_altitude_deg: float = REFERENCE_ALTITUDE_DEG,
    site_elevation_m: float = 0.0,
    haze: Haze = Haze.CLEAR,
    min_snr: float = FAIR_SNR,
    margin_stops: float = MARGIN_STOPS,
) -> tuple[Radii, ...]:
    """Return which stretches of a range of the corona some frames cover between them, from the inner end outwards.

    Args:
        settings: exposure in seconds, f-number of lens and teleconverter together, and ISO of each frame.
        wanted: the range, solar radii from the Sun's centre.
        sensor: the class of sensor.
        sun_altitude_deg: without refraction.
        site_elevation_m: metres above sea level.
        haze: the air's clearness.
        min_snr: signal over noise wanted in one pixel.
        margin_stops: how much brighter or fainter the corona may turn out.

    Raises:
        ValueError: if the Sun is below the horizon.
    """
    stretches: list[Radii] = []
    found = {
        usable_radii(
            exposure_s, f_number, iso, sensor=sensor, sun_altitude_deg=sun_altitude_deg,
            site_elevation_m=site_elevation_m, haze=haze, min_snr=min_snr, margin_stops=margin_stops,
        )
        for exposure_s, f_number, iso in set(settings)
    }  # fmt: skip
    for low, high in sorted(radii for radii in found if radii is not None):
        low, high = max(low, wanted[0]), min(high, wanted[1])
        if low >= high:
            continue
        if stretches and low <= stretches[-1][1] + SEAM_RADII:
            stretches[-1] = (stretches[-1][0], max(high, stretches[-1][1]))
        else:
            stretches.append((low, high))
    return tuple(stretches)
