"""How the Moon is turned: the rotation model of the IAU working group on cartographic coordinates.

The series are those of Archinal et al., "Report of the IAU Working Group on Cartographic Coordinates
and Rotational Elements: 2009", Celest. Mech. Dyn. Astr. 109, 101-135 (2011); whether the report of 2015
(same journal 130:22, 2018) prints them anew was not looked up. They lead to the mean-Earth, polar-axis
frame, which the published grids of heights are in. Coefficients from memory, checked in the tests against
the librations of the ephemeris DE421: they agree within 15 arcseconds, 120 m on the Moon.
"""

from __future__ import annotations

import numpy as np

from controller.sky.numeric import Array

_J2000_JD = 2451545.0
# Columns: E0 (degrees), rate (degrees a day), then the amplitudes, degrees: of the pole's right
# ascension (sine), of its declination (cosine), of the prime meridian (sine).
_TERMS = np.array(
    [
        [125.045, -0.0529921, -3.8787, 1.5419, 3.5610],
        [250.089, -0.1059842, -0.1204, 0.0239, 0.1208],
        [260.008, 13.0120009, 0.0700, -0.0278, -0.0642],
        [176.625, 13.3407154, -0.0172, 0.0068, 0.0158],
        [357.529, 0.9856003, 0.0, 0.0, 0.0252],
        [311.589, 26.4057084, 0.0072, -0.0029, -0.0066],
        [134.963, 13.0649930, 0.0, 0.0009, -0.0047],
        [276.617, 0.3287146, 0.0, 0.0, -0.0046],
        [34.226, 1.7484877, 0.0, 0.0, 0.0028],
        [15.134, -0.1589763, -0.0052, 0.0008, 0.0052],
        [119.743, 0.0036096, 0.0, 0.0, 0.0040],
        [239.961, 0.1643573, 0.0, 0.0, 0.0019],
        [25.053, 12.9590088, 0.0043, -0.0009, -0.0044],
    ]
)


def moon_axes(jd_tdb: float) -> Array:
    """Return the Moon's axes (rows x, y, z of the mean-Earth frame) in the celestial frame (ICRF).

    The matrix turns a celestial vector into the Moon's own frame: x towards the mean direction of the
    Earth, z along the axis, longitudes growing eastwards.

    Args:
        jd_tdb: Julian date, TDB (TT serves: the difference turns the Moon by less than a metre).
    """
    days = jd_tdb - _J2000_JD
    centuries = days / 36525
    angle = np.radians(_TERMS[:, 0] + _TERMS[:, 1] * days)
    ascension_deg = 269.9949 + 0.0031 * centuries + float(_TERMS[:, 2] @ np.sin(angle))
    declination_deg = 66.5392 + 0.0130 * centuries + float(_TERMS[:, 3] @ np.cos(angle))
    meridian_deg = 38.3213 + 13.17635815 * days - 1.4e-12 * days**2 + float(_TERMS[:, 4] @ np.sin(angle))
    axes: Array = _about_z(meridian_deg) @ _about_x(90 - declination_deg) @ _about_z(90 + ascension_deg)
    return axes


def longitude_latitude_deg(vector: Array) -> tuple[float, float]:
    """Return where on the Moon a vector of its own frame points: longitude -180 to 180 east, latitude."""
    x, y, z = (float(part) for part in vector)
    return float(np.degrees(np.arctan2(y, x))), float(np.degrees(np.arctan2(z, np.hypot(x, y))))


def _about_z(angle_deg: float) -> Array:
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    return np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])


def _about_x(angle_deg: float) -> Array:
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    return np.array([[1.0, 0.0, 0.0], [0.0, c, s], [0.0, -s, c]])
