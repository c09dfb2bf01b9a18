"""From luminance and exposure settings to what a pixel holds: electrons, clipping and noise.

Conventions: ISO 12232 (digital cameras) has the image-plane exposure H = 0.65 L t / N^2 in lux seconds and
the saturation-based speed S = 78 / H; ISO 2720 (exposure meters) has the reflected-light relation
N^2 / t = L S / K, with K = 12.5 as makers mostly take it (10.6 to 13.4 allowed). The standards were not at
hand: their constants are quoted from memory. Speeds as labelled on cameras leave up to a stop more before
clipping than the saturation-based speed says; the safe side is taken here.

A pixel's figures are per pixel of the raw file, before any stacking or scaling down.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from controller.light.brightness import (
    DISK_MEAN_CD_M2,
    corona_cd_m2,
    corona_of_disk,
    corona_radius,
    totality_sky_cd_m2,
)
from controller.light.extinction import REFERENCE_ALTITUDE_DEG, Haze, beam_transmittance

SATURATION_CONSTANT = 78.0
"""Lux seconds times speed at which a pixel saturates: S_sat = 78 / H (ISO 12232)."""
CAMERA_CONSTANT = 0.65
"""H = 0.65 L t / N^2 (ISO 12232, ISO 2720): pi/4, a lens transmittance of 0.9, vignetting, 10 degrees off axis."""
METER_CONSTANT = 12.5
"""K of ISO 2720: N^2 / t = L S / K."""

METERED_LEVEL = METER_CONSTANT * CAMERA_CONSTANT / SATURATION_CONSTANT
"""Where a meter puts what it measures: 0.104 of saturation, 3.3 stops below clipping."""
BRIGHT_LEVEL = 0.5
"""One stop below clipping: where a filtered disk is put (common practice: as much light as does not clip)."""
CLIP_LEVEL = 0.9
"""Above this fraction of saturation a pixel counts as clipped."""

GOOD_SNR = 40.0
"""Signal over noise that ISO 12232 takes for "excellent" (its noise-based speed; 10 is "acceptable")."""
FAIR_SNR = 10.0

MARGIN_STOPS = 1.0
"""Kept free at both ends of a frame's usable range, because the two models agree no better than that."""

FARTHEST_RADIUS = 10.0
"""Solar radii from the centre beyond which no corona is promised: as far as the exposure guide goes."""


@dataclass(frozen=True, kw_only=True)
class Sensor:
    """One class of sensor. The defaults in `SENSORS` are typical figures (common practice, no single source)."""

    name: str
    pixel_um: float
    """Pixel pitch, micrometres."""
    full_well_e: float
    """Electrons at which a pixel saturates at the base speed."""
    base_iso: int
    read_noise_e: float
    """At the base speed, electrons."""
    read_noise_floor_e: float
    """What is left of it at high speeds, electrons."""
    bit_depth: int

    def __post_init__(self) -> None:
        if not (self.full_well_e > 0 and self.base_iso > 0 and self.bit_depth > 0 and self.pixel_um > 0):
            raise ValueError(f"{self.name}: a sensor's figures are above zero")
        if not 0 <= self.read_noise_floor_e <= self.read_noise_e:
            raise ValueError(f"{self.name}: the noise floor is not above the read noise")

    @property
    def unity_gain_iso(self) -> float:
        """Return the speed at which one electron is one step of the raw file."""
        return float(self.base_iso * self.full_well_e / (2**self.bit_depth - 1))

    def speed(self, iso: float) -> float:
        """Return the speed that counts for clipping: below the base speed nothing is gained (pulled ISO)."""
        return max(float(iso), float(self.base_iso))

    def saturation_e(self, iso: float) -> float:
        """Return the electrons at which the raw file clips at a speed."""
        return self.full_well_e * self.base_iso / self.speed(iso)

    def noise_e(self, iso: float) -> float:
        """Return the noise of a dark pixel in electrons: reading and rounding to whole steps (step / sqrt 12).

        The part of read noise that arises after amplification shrinks, in electrons, as the speed grows.
        """
        after = self.read_noise_e**2 - self.read_noise_floor_e**2
        step_e = self.saturation_e(iso) / (2**self.bit_depth - 1)
        share = self.base_iso / self.speed(iso)
        return math.sqrt(self.read_noise_floor_e**2 + after * share**2 + step_e**2 / 12)

    def snr(self, signal_e: float, background_e: float, iso: float) -> float:
        """Return signal over noise: shot noise of signal and background, and `noise_e`."""
        noise = math.sqrt(max(0.0, signal_e + background_e) + self.noise_e(iso) ** 2)
        return max(0.0, signal_e) / noise

    def signal_at_snr_e(self, snr: float, iso: float, *, background_e: float = 0.0) -> float:
        """Return the electrons that reach a signal over noise: `snr` solved for the signal."""
        return snr * (snr + math.sqrt(snr**2 + 4 * (background_e + self.noise_e(iso) ** 2))) / 2

    def usable_range_stops(
        self, iso: float, *, min_snr: float = GOOD_SNR, clip_level: float = CLIP_LEVEL
    ) -> float:
        """Return the stops between clipping and too much noise, in one frame."""
        return math.log2(clip_level * self.saturation_e(iso) / self.signal_at_snr_e(min_snr, iso))


SENSORS: dict[str, Sensor] = {
    one.name: one
    for one in (
        Sensor(
            name="full frame", pixel_um=5.9, full_well_e=70_000, base_iso=100,
            read_noise_e=5.0, read_noise_floor_e=2.0, bit_depth=14,
        ),
        Sensor(
            name="full frame, many pixels", pixel_um=4.3, full_well_e=45_000, base_iso=100,
            read_noise_e=4.0, read_noise_floor_e=2.0, bit_depth=14,
        ),
        Sensor(
            name="APS-C", pixel_um=3.9, full_well_e=38_000, base_iso=100,
            read_noise_e=3.5, read_noise_floor_e=2.0, bit_depth=14,
        ),
        Sensor(
            name="four thirds", pixel_um=3.3, full_well_e=25_000, base_iso=200,
            read_noise_e=3.0, read_noise_floor_e=1.8, bit_depth=12,
        ),
        Sensor(
            name="one inch", pixel_um=2.4, full_well_e=13_000, base_iso=125,
            read_noise_e=3.0, read_noise_floor_e=1.8, bit_depth=12,
        ),
    )
}  # fmt: skip
"""Typical sensors by class; no particular camera's. Measured figures of one's own camera replace them."""

FULL_FRAME = SENSORS["full frame"]


def saturation_fraction(
    luminance_cd_m2: float, exposure_s: float, f_number: float, iso: float, sensor: Sensor = FULL_FRAME
) -> float:
    """Return what a luminance at the ground comes to, as a fraction of saturation (above 1 it clips).

    Source: H = 0.65 L t / N^2 and H_sat = 78 / S (ISO 12232).
    """
    image_lx_s = CAMERA_CONSTANT * luminance_cd_m2 * exposure_s / f_number**2
    return image_lx_s * sensor.speed(iso) / SATURATION_CONSTANT


def electrons(
    luminance_cd_m2: float, exposure_s: float, f_number: float, iso: float, sensor: Sensor = FULL_FRAME
) -> float:
    """Return the electrons a pixel collects (not limited by its full well)."""
    fraction = saturation_fraction(luminance_cd_m2, exposure_s, f_number, iso, sensor)
    return fraction * sensor.saturation_e(iso)


def exposure_for_level_s(
    luminance_cd_m2: float, f_number: float, iso: float, level: float, sensor: Sensor = FULL_FRAME
) -> float:
    """Return the exposure in seconds that puts a luminance at the ground at a fraction of saturation.

    Raises:
        ValueError: if a value is not above zero.
    """
    if min(luminance_cd_m2, f_number, iso, level) <= 0:
        raise ValueError("luminance, f-number, ISO and level must be above zero")
    return level / saturation_fraction(luminance_cd_m2, 1.0, f_number, iso, sensor)


def metered_exposure_s(luminance_cd_m2: float, f_number: float, iso: float) -> float:
    """Return the exposure a reflected-light meter asks for: K N^2 / (L S) (ISO 2720)."""
    return METER_CONSTANT * f_number**2 / (luminance_cd_m2 * iso)


@dataclass(frozen=True, kw_only=True)
class CoronaPixel:
    """What a pixel on the corona holds in one frame."""

    radius: float
    """Solar radii from the Sun's centre."""
    fraction: float
    """Corona and sky together as a fraction of saturation."""
    corona_e: float
    sky_e: float
    snr: float
    """Of the corona alone over all noise."""


def corona_pixel(
    radius: float,
    exposure_s: float,
    f_number: float,
    iso: float,
    *,
    sensor: Sensor = FULL_FRAME,
    sun_altitude_deg: float = REFERENCE_ALTITUDE_DEG,
    site_elevation_m: float = 0.0,
    haze: Haze = Haze.CLEAR,
) -> CoronaPixel:
    """Return what a pixel on the mean corona holds.

    Raises:
        ValueError: if the radius is inside the disk or the Sun below the horizon.
    """
    through_air = beam_transmittance(sun_altitude_deg, site_elevation_m, haze)
    sky = totality_sky_cd_m2(site_elevation_m, haze)
    corona_e = electrons(corona_cd_m2(radius) * through_air, exposure_s, f_number, iso, sensor)
    sky_e = electrons(sky, exposure_s, f_number, iso, sensor)
    return CoronaPixel(
        radius=radius,
        fraction=(corona_e + sky_e) / sensor.saturation_e(iso),
        corona_e=corona_e,
        sky_e=sky_e,
        snr=sensor.snr(corona_e, sky_e, iso),
    )


def usable_radii(
    exposure_s: float,
    f_number: float,
    iso: float,
    *,
    sensor: Sensor = FULL_FRAME,
    sun_altitude_deg: float = REFERENCE_ALTITUDE_DEG,
    site_elevation_m: float = 0.0,
    haze: Haze = Haze.CLEAR,
    min_snr: float = GOOD_SNR,
    margin_stops: float = 0.0,
) -> tuple[float, float] | None:
    """Return from which to which distance from the Sun's centre, in solar radii, a frame is of use.

    Nearer, the corona clips; farther, it is lost in the noise of itself, the sky and the sensor. The limits
    are 1 and `FARTHEST_RADIUS`. With a margin both ends hold even if the corona is so many stops brighter or
    fainter than the model says. None when no distance is usable.

    Raises:
        ValueError: if the Sun is below the horizon.
    """
    # The corona may be brighter by the margin where it must not clip, and fainter where it must be seen;
    # the sky stays as it is.
    unit_e = electrons(1.0, exposure_s, f_number, iso, sensor)
    sky_e = unit_e * totality_sky_cd_m2(site_elevation_m, haze)
    brightest_e = (CLIP_LEVEL * sensor.saturation_e(iso) - sky_e) / 2.0**margin_stops
    faintest_e = sensor.signal_at_snr_e(min_snr, iso, background_e=sky_e) * 2.0**margin_stops
    if not 0 < faintest_e < brightest_e:
        return None
    of_disk_e = unit_e * beam_transmittance(sun_altitude_deg, site_elevation_m, haze) * DISK_MEAN_CD_M2
    if faintest_e > of_disk_e * corona_of_disk(1.0) or brightest_e < of_disk_e * corona_of_disk(
        FARTHEST_RADIUS
    ):
        return None
    inner = corona_radius(brightest_e / of_disk_e)
    outer = min(FARTHEST_RADIUS, corona_radius(faintest_e / of_disk_e))
    return (inner, outer)
