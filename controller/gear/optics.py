"""What a lens makes of the sky on a sensor: image scale, the Sun's size, the angle of the frame.

A teleconverter multiplies the focal length, and with it the image scale. A crop mode keeps the scale and
takes the middle of the sensor: it changes the framing only. All lenses are taken as rectilinear (the
gnomonic projection, x = f tan theta), which telescopes, long lenses and common wide lenses are and
fisheye lenses are not.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from controller.gear.classes import SensorSize

Array = NDArray[np.float64]

ARCSEC_PER_RADIAN = 3600 * 180 / math.pi
MEAN_SUN_RADIUS_ARCSEC = 959.63
"""The Sun's radius seen from 1 au, Auwers 1891: for rules of thumb. The day's own radius is the sky's to say."""


def image_scale_arcsec_px(focal_length_mm: float, pixel_um: float) -> float:
    """Return what one pixel covers in the middle of the frame, arcseconds: 206265 * pitch / focal length.

    Source: the small angle of a pixel's pitch seen from the focal length.

    Raises:
        ValueError: if a value is not above zero.
    """
    if min(focal_length_mm, pixel_um) <= 0:
        raise ValueError("focal length and pixel pitch must be above zero")
    return ARCSEC_PER_RADIAN * pixel_um / 1000 / focal_length_mm


def sun_image_mm(focal_length_mm: float, sun_radius_arcsec: float = MEAN_SUN_RADIUS_ARCSEC) -> float:
    """Return the diameter of the Sun's image, millimetres: 2 f tan(radius), about focal length / 109.

    `focal_length_mm` includes the teleconverter.
    """
    return 2 * focal_length_mm * math.tan(sun_radius_arcsec / ARCSEC_PER_RADIAN)


@dataclass(frozen=True)
class Aim:
    """Where the middle of the frame points: degrees, altitude as seen, azimuth from north through east."""

    altitude_deg: float
    azimuth_deg: float


@dataclass(frozen=True, kw_only=True)
class Field:
    """What one frame takes in, as the camera is held: a lens with a sensor, or the part of it in use.

    The camera is held level. In the frame x runs to the right and y up, from the middle, as one sees it
    facing the Sun.
    """

    focal_length_mm: float
    """With the teleconverter."""
    width_mm: float
    height_mm: float
    width_px: float
    height_px: float

    def __post_init__(self) -> None:
        sides = (self.focal_length_mm, self.width_mm, self.height_mm, self.width_px, self.height_px)
        if min(sides) <= 0:
            raise ValueError("focal length and sides of a frame must be above zero")

    @classmethod
    def of(
        cls,
        size: SensorSize,
        focal_length_mm: float,
        *,
        teleconverter: float = 1.0,
        crop: float = 1.0,
        upright: bool = False,
    ) -> Field:
        """Return the field of a lens on a sensor.

        Args:
            size: the sensor.
            focal_length_mm: the lens' own.
            teleconverter: multiplies the focal length.
            crop: how much smaller the part of the sensor is that a crop mode takes.
            upright: the long side stands up.

        Raises:
            ValueError: if a value is not above zero, or teleconverter or crop is below 1.
        """
        if min(teleconverter, crop) < 1:
            raise ValueError("teleconverter and crop factors are 1 or more")
        sides = (size.width_mm / crop, size.height_mm / crop)
        pixels = (size.width_px / crop, size.height_px / crop)
        if upright:
            sides, pixels = sides[::-1], pixels[::-1]
        return cls(
            focal_length_mm=focal_length_mm * teleconverter,
            width_mm=sides[0],
            height_mm=sides[1],
            width_px=pixels[0],
            height_px=pixels[1],
        )

    @property
    def pixel_um(self) -> float:
        """Return the pixel pitch, micrometres."""
        return 1000 * self.width_mm / self.width_px

    @property
    def arcsec_per_px(self) -> float:
        """Return the image scale in the middle of the frame."""
        return image_scale_arcsec_px(self.focal_length_mm, self.pixel_um)

    @property
    def angles_deg(self) -> tuple[float, float, float]:
        """Return the angles of width, height and diagonal: 2 atan(side / 2f)."""
        sides = (self.width_mm, self.height_mm, math.hypot(self.width_mm, self.height_mm))
        width, height, diagonal = (
            2 * math.degrees(math.atan(side / 2 / self.focal_length_mm)) for side in sides
        )
        return width, height, diagonal

    @property
    def focal_length_px(self) -> float:
        """Return the focal length in pixels."""
        return 1000 * self.focal_length_mm / self.pixel_um

    @property
    def half_px(self) -> tuple[float, float]:
        """Return half the width and half the height."""
        return self.width_px / 2, self.height_px / 2

    def sun_diameter_px(self, sun_radius_arcsec: float = MEAN_SUN_RADIUS_ARCSEC) -> float:
        """Return the diameter of the Sun in the middle of the frame."""
        return sun_image_mm(self.focal_length_mm, sun_radius_arcsec) * 1000 / self.pixel_um

    def sun_part(self, sun_radius_arcsec: float = MEAN_SUN_RADIUS_ARCSEC) -> float:
        """Return the Sun's diameter as a part of the frame's short side."""
        return self.sun_diameter_px(sun_radius_arcsec) / min(self.width_px, self.height_px)

    def corona_radii(self, sun_radius_arcsec: float = MEAN_SUN_RADIUS_ARCSEC) -> tuple[float, float, float]:
        """Return how far the corona is in the frame around a centred Sun, in solar radii from its centre:
        to the short side's edge, to the long side's edge, and to the corners."""
        short, long, corner = sorted(
            angle * 3600 / 2 / sun_radius_arcsec for angle in self.angles_deg
        )  # the diagonal is always the longest
        return short, long, corner

    def project(self, aim: Aim, altitude_deg: Array, azimuth_deg: Array) -> tuple[Array, Array]:
        """Return where directions lie in the frame, pixels right of and above the middle.

        What lies behind the camera is infinitely far out. Source: the gnomonic projection, e.g. Calabretta
        and Greisen 2002 (A&A 395, 1077), section 5.1.3.
        """
        right, up, ahead = _axes(aim)
        seen = _direction(np.asarray(altitude_deg, float), np.asarray(azimuth_deg, float))
        depth = np.tensordot(ahead, seen, 1)
        in_front = depth > 1e-6
        scale = self.focal_length_px / np.where(in_front, depth, 1.0)
        x = np.where(in_front, scale * np.tensordot(right, seen, 1), np.inf)
        y = np.where(in_front, scale * np.tensordot(up, seen, 1), np.inf)
        return x, y

    def direction_at(self, aim: Aim, x_px: float, y_px: float) -> Aim:
        """Return the direction that a place in the frame shows: `project` turned round."""
        right, up, ahead = _axes(aim)
        north, east, zenith = ahead + (x_px * right + y_px * up) / self.focal_length_px
        return Aim(
            math.degrees(math.atan2(zenith, math.hypot(north, east))),
            math.degrees(math.atan2(east, north)) % 360,
        )


def separation_arcsec(altitude_deg: Array, azimuth_deg: Array) -> Array:
    """Return the angles between neighbours in a row of directions, arcseconds."""
    seen = _direction(altitude_deg, azimuth_deg)
    chord = np.sqrt(np.sum(np.diff(seen, axis=1) ** 2, axis=0))
    angle: Array = 2 * np.arcsin(np.minimum(chord / 2, 1.0)) * ARCSEC_PER_RADIAN
    return angle


def _direction(altitude_deg: Array, azimuth_deg: Array) -> Array:
    """Return unit vectors north, east, up."""
    altitude, azimuth = np.radians(altitude_deg), np.radians(azimuth_deg)
    level = np.cos(altitude)
    return np.stack([level * np.cos(azimuth), level * np.sin(azimuth), np.sin(altitude)])


def _axes(aim: Aim) -> tuple[Array, Array, Array]:
    """Return the frame's right, up and ahead as vectors north, east, up, for a camera held level."""
    altitude, azimuth = math.radians(aim.altitude_deg), math.radians(aim.azimuth_deg)
    sine, cosine = math.sin(altitude), math.cos(altitude)
    right = np.array([-math.sin(azimuth), math.cos(azimuth), 0.0])
    up = np.array([-sine * math.cos(azimuth), -sine * math.sin(azimuth), cosine])
    ahead = np.array([cosine * math.cos(azimuth), cosine * math.sin(azimuth), sine])
    return right, up, ahead
