"""What there is to photograph in an eclipse, and the exposure for each, by two models that check each other.

One is the published guide (`controller.light.guide`), tried at the sky for decades but silent about
altitude, haze and sensors. The other follows the light from the Sun's surface to the pixel
(`brightness`, `extinction`, `sensor`). The exposure recommended is the guide's, moved by what the radiometric
model says of this sky against `REFERENCE_ALTITUDE_DEG`; where the guide has no row, the radiometric one.

Safety: exposures without a filter are for totality and the seconds beside it alone. The partial and
annular phases have an exposure only behind a solar filter.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from enum import StrEnum

from controller.light import brightness
from controller.light.extinction import REFERENCE_ALTITUDE_DEG, Haze, beam_transmittance, extinction_stops
from controller.light.guide import (
    Q_BEADS,
    Q_CHROMOSPHERE,
    Q_CORONA,
    Q_DIAMOND_RING,
    Q_PROMINENCES,
    corona_q,
    filtered_q,
    guide_exposure_s,
)
from controller.light.sensor import (
    BRIGHT_LEVEL,
    CLIP_LEVEL,
    FULL_FRAME,
    METERED_LEVEL,
    Sensor,
    electrons,
    exposure_for_level_s,
    saturation_fraction,
)
from controller.light.stops import (
    NOMINAL_THIRDS_S,
    density_to_transmittance,
    format_exposure,
    nearest_listed,
    stops_between,
    with_teleconverter,
)

SKY_LIMITED_RADIUS = 2.5
"""Solar radii beyond which the sky beside the Sun is more than a fifth of what is seen, about."""

LEAST_DENSITY = 3.0
"""The thinnest solar filter a partial phase is computed for, as in plans."""

_WORTH_SAYING_STOPS = 0.05


class Kind(StrEnum):
    """Which light a phenomenon is made of; earthshine is that on the Moon, the landscape the one in totality."""

    DISK = "filtered Sun"
    BEADS = "Baily's beads"
    DIAMOND_RING = "diamond ring"
    CHROMOSPHERE = "chromosphere"
    PROMINENCES = "prominences"
    CORONA = "corona"
    EARTHSHINE = "earthshine"
    LANDSCAPE = "landscape"


@dataclass(frozen=True, kw_only=True)
class Phenomenon:
    """One thing to photograph, and how well its exposure is known."""

    name: str
    kind: Kind
    level: float
    """Fraction of saturation at which it is wanted."""
    expected_stops: float
    """Radiometric exposure over the guide's, in stops, in the reference sky; 0 without a row in the guide."""
    agreement_stops: float
    """How far from `expected_stops` the two may be; tested."""
    spread_stops: float
    """How much brighter or fainter the real thing may be (common practice, no single source)."""
    reason: str
    """Where the two models differ, and why."""
    guide_q: float | None = None
    """Exponent of the guide; None where it has no row, or where it depends on the filter."""
    radius: float | None = None
    """Solar radii from the Sun's centre, for the corona."""

    @property
    def filtered(self) -> bool:
        """Return whether the solar filter is on."""
        return self.kind is Kind.DISK

    def q(self, filter_density: float) -> float | None:
        """Return the guide's exponent, with this filter where it is on."""
        return filtered_q(filter_density) if self.filtered else self.guide_q


DISK = Phenomenon(
    name=Kind.DISK.value,
    kind=Kind.DISK,
    level=BRIGHT_LEVEL,
    expected_stops=0.0,
    agreement_stops=0.5,
    spread_stops=1.0,
    reason="Both bring the disk to about half of saturation. The guide counts three stops between densities "
    "4 and 5, which are 3.3; real filters stray from their label by up to a stop: test yours on the Sun.",
)
BEADS = Phenomenon(
    name=Kind.BEADS.value,
    kind=Kind.BEADS,
    level=BRIGHT_LEVEL,
    expected_stops=-11.0,
    agreement_stops=1.5,
    spread_stops=3.0,
    reason="A bead is the Sun's own bare surface: its core clips by ten stops at any exposure a camera has. "
    "The guide exposes for what stands beside the beads, and is what is recommended; beads too small to be "
    "resolved are fainter by what the blur spreads them.",
    guide_q=Q_BEADS,
)
DIAMOND_RING = Phenomenon(
    name=Kind.DIAMOND_RING.value,
    kind=Kind.DIAMOND_RING,
    level=METERED_LEVEL,
    expected_stops=0.0,
    agreement_stops=1.25,
    spread_stops=2.0,
    reason="The ring is the corona at 1.2 solar radii in both; the diamond clips, as it should. The guide "
    "exposes the ring above a meter's level so that its outer parts show.",
    guide_q=Q_DIAMOND_RING,
    radius=1.2,
)
CHROMOSPHERE = Phenomenon(
    name=Kind.CHROMOSPHERE.value,
    kind=Kind.CHROMOSPHERE,
    level=METERED_LEVEL,
    expected_stops=0.0,
    agreement_stops=1.0,
    spread_stops=1.5,
    reason="The radiometric figure is the light of one hydrogen line as the eye weighs it. A camera's red pixels "
    "may see more of it and other lines add to it; a lens that does not resolve the layer's 3 arcseconds sees less.",
    guide_q=Q_CHROMOSPHERE,
)
PROMINENCES = Phenomenon(
    name=Kind.PROMINENCES.value,
    kind=Kind.PROMINENCES,
    level=METERED_LEVEL,
    expected_stops=0.0,
    agreement_stops=1.0,
    spread_stops=2.0,
    reason="The radiometric figure is a bright prominence in one hydrogen line as the eye weighs it; published "
    "ones span a factor of a hundred, and a camera's red pixels may see more of the line.",
    guide_q=Q_PROMINENCES,
)
EARTHSHINE = Phenomenon(
    name=Kind.EARTHSHINE.value,
    kind=Kind.EARTHSHINE,
    level=METERED_LEVEL,
    expected_stops=0.0,
    agreement_stops=0.0,
    spread_stops=1.0,
    reason="The guide has no row for it. The sky before the Moon is about three times as bright as the Moon, so "
    "that more of it wants many frames rather than a longer one.",
)
LANDSCAPE = Phenomenon(
    name=Kind.LANDSCAPE.value,
    kind=Kind.LANDSCAPE,
    level=METERED_LEVEL,
    expected_stops=0.0,
    agreement_stops=0.0,
    spread_stops=2.0,
    reason="The guide has no row for it, and how dark it gets depends on the shadow's width and on clouds: "
    "bracket two stops either way.",
)


def corona_at(radius: float) -> Phenomenon:
    """Return the corona at a distance from the Sun's centre, solar radii, as a phenomenon.

    Raises:
        ValueError: if the radius is not outside the limb.
    """
    near = radius < SKY_LIMITED_RADIUS
    return Phenomenon(
        name=f"corona at {radius:.3g} radii",
        kind=Kind.CORONA,
        level=METERED_LEVEL,
        expected_stops=0.0,
        agreement_stops=1.25,
        spread_stops=1.0,
        reason=(
            "The guide exposes the inner corona above a meter's level. The radiometric one is a mean "
            "corona, the same all around: streamers are brighter, polar regions fainter."
            if near
            else "Out here the sky adds to the corona, the more the farther out. The radiometric exposure brings "
            "both together to a meter's level; the guide does not tell them apart and knows no sky but its own."
        ),
        guide_q=corona_q(radius),
        radius=radius,
    )


def phenomena() -> list[Phenomenon]:
    """Return what there is to photograph: the guide's rows, the earthshine and the landscape."""
    corona = [corona_at(1 + height) for height, _ in Q_CORONA]
    return [DISK, BEADS, CHROMOSPHERE, PROMINENCES, DIAMOND_RING, *corona, EARTHSHINE, LANDSCAPE]


@dataclass(frozen=True, kw_only=True)
class Exposure:
    """The exposure for one phenomenon, by both models."""

    phenomenon: Phenomenon
    recommended_s: float
    """The listed exposure nearest to `exact_s`, seconds."""
    exact_s: float
    """What is recommended before it is rounded to a listed value."""
    guide_s: float | None
    """The published guide's, as printed: without altitude, haze or a thin crescent."""
    radiometric_s: float
    """What puts the phenomenon's luminance at the lens at the phenomenon's level."""
    difference_stops: float | None
    """Radiometric over guide; None without a row in the guide."""
    moved_stops: float
    """What this sky and this crescent ask over the reference sky and the whole Sun, by the radiometric model."""
    luminance_cd_m2: float
    """Through this air and the filter, with the sky before it: what the lens sees."""
    air_stops: float
    """What the air takes of the beam."""
    level: float
    """Where the recommended exposure puts it, as a fraction of saturation; above 1 it clips."""
    snr: float
    """Signal over noise in one pixel at the recommended exposure, sky counted as noise only."""
    off_stops: float
    """Recommended over exact: more than a third where the camera lists nothing near."""
    why: str

    @property
    def clips(self) -> bool:
        """Return whether it is clipped at the recommended exposure."""
        return self.level > CLIP_LEVEL


def luminance_cd_m2(
    phenomenon: Phenomenon,
    *,
    filter_density: float = 5.0,
    sun_altitude_deg: float = REFERENCE_ALTITUDE_DEG,
    site_elevation_m: float = 0.0,
    haze: Haze = Haze.CLEAR,
    obscuration: float = 0.0,
    diameter_ratio: float = 1.0,
) -> tuple[float, float]:
    """Return the luminance of a phenomenon behind air and filter, and of the sky before it, cd/m2.

    Args:
        phenomenon: which one.
        filter_density: of the solar filter, used where it is on.
        sun_altitude_deg: without refraction.
        site_elevation_m: metres above sea level.
        haze: the air's clearness.
        obscuration: covered part of the Sun's area, for the filtered Sun: the mean of the rest is returned.
        diameter_ratio: the Moon's apparent diameter in the Sun's.

    Raises:
        ValueError: if the Sun is below the horizon, wholly covered, or the filter is no solar filter.
    """
    air = beam_transmittance(sun_altitude_deg, site_elevation_m, haze)
    sky = brightness.totality_sky_cd_m2(site_elevation_m, haze)
    kind = phenomenon.kind
    if kind is Kind.DISK:
        if not filter_density >= LEAST_DENSITY:
            raise ValueError(
                f"a filter of density {filter_density:g} is no solar filter: the partial and annular phases have "
                f"no exposure below {LEAST_DENSITY:g}"
            )
        factor = 1.0
        if obscuration > 0:
            separation = brightness.separation_for(obscuration, diameter_ratio)
            factor = brightness.crescent_factor(separation, diameter_ratio)
        bare = brightness.DISK_MEAN_CD_M2 * factor * air
        return bare * density_to_transmittance(filter_density), 0.0
    if kind is Kind.LANDSCAPE:
        return brightness.totality_landscape_cd_m2(site_elevation_m, haze), 0.0
    if phenomenon.radius is not None:
        return brightness.corona_cd_m2(phenomenon.radius) * air, sky
    bare = {
        Kind.BEADS: brightness.beads_luminance_cd_m2,
        Kind.CHROMOSPHERE: lambda: brightness.CHROMOSPHERE_CD_M2,
        Kind.PROMINENCES: lambda: brightness.PROMINENCE_CD_M2,
        Kind.EARTHSHINE: brightness.earthshine_cd_m2,
    }[kind]()
    return bare * air, sky


def recommend(
    phenomenon: Phenomenon,
    *,
    f_number: float,
    iso: float,
    filter_density: float = 5.0,
    sun_altitude_deg: float = REFERENCE_ALTITUDE_DEG,
    site_elevation_m: float = 0.0,
    haze: Haze = Haze.CLEAR,
    sensor: Sensor = FULL_FRAME,
    teleconverter: float = 1.0,
    listed_s: Iterable[float] = NOMINAL_THIRDS_S,
    obscuration: float = 0.0,
    diameter_ratio: float = 1.0,
) -> Exposure:
    """Return the exposure for a phenomenon by both models, and the one to take.

    Args:
        phenomenon: one of `phenomena`, or `corona_at`.
        f_number: the lens' own.
        iso: the speed set.
        filter_density: of the solar filter; it counts only for the filtered Sun.
        sun_altitude_deg: without refraction.
        site_elevation_m: metres above sea level.
        haze: the air's clearness.
        sensor: the class of sensor.
        teleconverter: its factor; 1 without.
        listed_s: the exposures the camera lists, seconds.
        obscuration: covered part of the Sun's area, 0 to below 1, for the filtered Sun.
        diameter_ratio: the Moon's apparent diameter in the Sun's.

    Raises:
        ValueError: if the Sun is below the horizon or wholly covered, the filter is no solar filter, or a
            setting is not above zero.
    """
    working = with_teleconverter(f_number, teleconverter)
    own, sky = luminance_cd_m2(
        phenomenon, filter_density=filter_density, sun_altitude_deg=sun_altitude_deg,
        site_elevation_m=site_elevation_m, haze=haze, obscuration=obscuration, diameter_ratio=diameter_ratio,
    )  # fmt: skip
    usual = sum(luminance_cd_m2(phenomenon, filter_density=filter_density))
    seen = own + sky
    radiometric_s = exposure_for_level_s(seen, working, iso, phenomenon.level, sensor)
    q = phenomenon.q(filter_density)
    guide_s = None if q is None else guide_exposure_s(q, working, iso)
    exact_s = radiometric_s if guide_s is None else guide_s * usual / seen
    recommended_s, off_stops = nearest_listed(exact_s, listed_s)
    own_e = electrons(own, recommended_s, working, iso, sensor)
    sky_e = electrons(sky, recommended_s, working, iso, sensor)
    made = Exposure(
        phenomenon=phenomenon,
        recommended_s=recommended_s,
        exact_s=exact_s,
        guide_s=guide_s,
        radiometric_s=radiometric_s,
        difference_stops=None if guide_s is None else stops_between(guide_s, radiometric_s),
        moved_stops=stops_between(seen, usual),
        luminance_cd_m2=seen,
        air_stops=extinction_stops(sun_altitude_deg, site_elevation_m, haze),
        level=saturation_fraction(seen, recommended_s, working, iso, sensor),
        snr=sensor.snr(min(own_e, sensor.saturation_e(iso)), sky_e, iso),
        off_stops=off_stops,
        why="",
    )
    return replace(made, why=_why(made, q))


def partial_exposure(
    obscuration: float,
    *,
    f_number: float,
    iso: float,
    filter_density: float,
    diameter_ratio: float = 1.0,
    sun_altitude_deg: float = REFERENCE_ALTITUDE_DEG,
    site_elevation_m: float = 0.0,
    haze: Haze = Haze.CLEAR,
    sensor: Sensor = FULL_FRAME,
    teleconverter: float = 1.0,
    listed_s: Iterable[float] = NOMINAL_THIRDS_S,
) -> Exposure:
    """Return the exposure of the filtered crescent (or ring) when so much of the Sun's area is covered.

    It grows as the crescent thins, for the limb is dimmer than the middle.

    Raises:
        ValueError: as `recommend`.
    """
    return recommend(
        DISK, f_number=f_number, iso=iso, filter_density=filter_density, sun_altitude_deg=sun_altitude_deg,
        site_elevation_m=site_elevation_m, haze=haze, sensor=sensor, teleconverter=teleconverter,
        listed_s=listed_s, obscuration=obscuration, diameter_ratio=diameter_ratio,
    )  # fmt: skip


def explain_difference(exposure: Exposure) -> str:
    """Return in sentences how far the two models are apart for an exposure, and why."""
    phenomenon = exposure.phenomenon
    if exposure.difference_stops is None:
        return phenomenon.reason
    here = f"The radiometric model asks for {_compared(exposure.difference_stops)} the guide"
    if abs(exposure.moved_stops) >= _WORTH_SAYING_STOPS:
        usual = _compared(exposure.difference_stops - exposure.moved_stops)
        here += f" ({usual} it in a clear sky at {REFERENCE_ALTITUDE_DEG:g} degrees and sea level; "
        here += "the rest is this sky" + (" and this crescent)" if phenomenon.filtered else ")")
    return f"{here}. {phenomenon.reason}"


def _why(made: Exposure, q: float | None) -> str:
    words = []
    if q is not None and made.guide_s is not None:
        words.append(f"Guide: Q {q:.3g}, {_time(made.guide_s)}.")
    level = f"{made.luminance_cd_m2:.3g} cd/m2, {_time(made.radiometric_s)} for {made.phenomenon.level:.0%}"
    words.append(f"Radiometric: {level} of saturation.")
    if made.difference_stops is not None:
        words.append(f"That is {_compared(made.difference_stops)} the guide.")
        if abs(made.moved_stops) >= _WORTH_SAYING_STOPS:
            what = "This sky and this crescent ask" if made.phenomenon.filtered else "This sky asks"
            words.append(f"{what} for {_compared(made.moved_stops)} the guide's usual one.")
    if made.clips:
        words.append(f"It clips by {stops_between(1.0, made.level):.1f} stops there.")
    if abs(made.off_stops) > 1 / 3:
        words.append(
            f"The camera lists nothing nearer: {_compared(made.off_stops)} wanted; change ISO or f-number."
        )
    return " ".join(words)


def _compared(stops: float) -> str:
    if abs(stops) < _WORTH_SAYING_STOPS:
        return "the same as"
    return f"{abs(stops):.1f} stops {'more' if stops > 0 else 'less'} than"


def _time(exposure_s: float) -> str:
    return f"1/{1 / exposure_s:.0f} s" if exposure_s < 0.3 else format_exposure(float(f"{exposure_s:.2g}"))
