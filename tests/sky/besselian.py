"""An independent solver of local circumstances from published Besselian elements.

Method: Explanatory Supplement to the Astronomical Almanac (1992), section 8.3; Meeus, Elements of
Solar Eclipses 1951-2200. It shares no code with the product: plane geometry, NumPy and bisection.
Lengths are in Earth equatorial radii, times in hours of TD from the elements' reference hour.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np

FLATTENING = 1 / 298.257223563
EARTH_RADIUS_M = 6_378_137.0
STANDARD_SUN_ARCSEC = 959.63
"""The solar radius behind every published set used here (Auwers 1891)."""


@dataclass(frozen=True)
class Elements:
    """One published set; polynomials in hours of TD after `hour_td`, lowest power first."""

    date: dt.date
    source: str
    hour_td: int
    delta_t_s: float
    x: tuple[float, ...]
    y: tuple[float, ...]
    d_deg: tuple[float, ...]
    l1: tuple[float, ...]
    l2: tuple[float, ...]
    mu_deg: tuple[float, ...]
    tan_f1: float
    tan_f2: float
    k1: float
    k2: float


_BES = "Besselian-element page, F. Espenak, NASA GSFC (k1 0.272488, k2 0.272281, solar radius 959.63 arcsec)"
_CANON = (
    "Espenak & Meeus, Five Millennium Canon of Solar Eclipses, NASA/TP-2006-214141 (k1 0.272488, k2 0.272281)"
)
_TP2006 = (
    "Espenak & Anderson, Total Solar Eclipse of 2006 March 29, NASA/TP-2004-212762, Table 1 "
    "(DE200/LE200, k1 0.2725076, k2 0.2722810)"
)

ELEMENTS = {
    "2017": Elements(
        dt.date(2017, 8, 21), _BES, 18, 70.3,
        (-0.129571, 0.5406426, -0.0000294, -0.0000081),
        (0.485416, -0.1416400, -0.0000905, 0.0000020),
        (11.86696, -0.013622, -0.000002),
        (0.542093, 0.0001241, -0.0000118), (-0.004025, 0.0001234, -0.0000117),
        (89.24543, 15.003937), 0.0046222, 0.0045992, 0.272488, 0.272281,
    ),
    "2027": Elements(
        dt.date(2027, 8, 2), _BES, 10, 71.7,
        (-0.019645, 0.5447105, -0.0000444, -0.0000091),
        (0.160063, -0.2111569, -0.0001217, 0.0000037),
        (17.76247, -0.010181, -0.000004),
        (0.530596, 0.0000138, -0.0000128), (-0.015464, 0.0000137, -0.0000128),
        (328.42249, 15.002093), 0.0046064, 0.0045834, 0.272488, 0.272281,
    ),
    "2006": Elements(
        dt.date(2006, 3, 29), _TP2006, 10, 64.9,
        (-0.2899179, 0.5060887, 0.0000181, -0.0000083),
        (0.2790394, 0.2789923, -0.0000386, -0.0000048),
        (3.3988402, 0.0155571, -0.0000008),
        (0.5370220, 0.0000644, -0.0000127), (-0.0090899, 0.0000641, -0.0000127),
        (328.793701, 15.004370), 0.0046826, 0.0046593, 0.2725076, 0.2722810,
    ),
    "2009": Elements(
        dt.date(2009, 7, 22), _CANON, 3, 66.5,
        (0.2399610, 0.5563955, -0.0000576, -0.0000094),
        (-0.0032760, -0.1774579, -0.0001344, 0.0000032),
        (20.2642403, -0.0078740, -0.0000050),
        (0.5304270, 0.0000063, -0.0000128), (-0.0156330, 0.0000063, -0.0000127),
        (223.388214, 15.001000), 0.0046014, 0.0045784, 0.272488, 0.272281,
    ),
    "2013": Elements(
        dt.date(2013, 11, 3), _CANON, 13, 68.4,
        (0.1831960, 0.5469496, 0.0000283, -0.0000083),
        (0.2947200, -0.1200757, 0.0000790, 0.0000017),
        (-15.2096596, -0.0126360, 0.0000030),
        (0.5462820, -0.0001121, -0.0000120), (0.0001430, -0.0001115, -0.0000120),
        (19.110590, 15.001320), 0.0047137, 0.0046902, 0.272488, 0.272281,
    ),
    "2023": Elements(
        dt.date(2023, 10, 14), _CANON, 18, 73.7,
        (0.1696580, 0.4585533, 0.0000278, -0.0000054),
        (0.3348590, -0.2413671, 0.0000240, 0.0000030),
        (-8.2441902, -0.0148880, 0.0000020),
        (0.5643110, -0.0000891, -0.0000103), (0.0180830, -0.0000886, -0.0000103),
        (93.501732, 15.003530), 0.0046882, 0.0046648, 0.272488, 0.272281,
    ),
}  # fmt: skip


@dataclass(frozen=True)
class Shadow:
    """The site in the shadow at some hours: offsets from the axis, cone radii, the Sun's hour angle."""

    u: np.ndarray
    v: np.ndarray
    outer: np.ndarray
    inner: np.ndarray
    hour_angle: np.ndarray
    declination: np.ndarray

    @property
    def distance(self):
        return np.hypot(self.u, self.v)


def _value(coefficients, hours):
    return np.polynomial.polynomial.polyval(hours, coefficients)


def shadow_at(elements, site, hours):
    """Place a site (latitude_deg, longitude_deg, elevation_m) in the shadow at hours of TD."""
    latitude, longitude, elevation = site
    phi = np.radians(latitude)
    reduced = np.arctan((1 - FLATTENING) * np.tan(phi))
    height = elevation / EARTH_RADIUS_M
    rho_sin = (1 - FLATTENING) * np.sin(reduced) + height * np.sin(phi)
    rho_cos = np.cos(reduced) + height * np.cos(phi)
    d = np.radians(_value(elements.d_deg, hours))
    # The elements' mu belongs to the ephemeris meridian, 1.002738 dT east of Greenwich.
    h = np.radians(_value(elements.mu_deg, hours) + longitude - 1.002738 * elements.delta_t_s / 240)
    xi = rho_cos * np.sin(h)
    eta = rho_sin * np.cos(d) - rho_cos * np.cos(h) * np.sin(d)
    zeta = rho_sin * np.sin(d) + rho_cos * np.cos(h) * np.cos(d)
    return Shadow(
        _value(elements.x, hours) - xi,
        _value(elements.y, hours) - eta,
        _value(elements.l1, hours) - zeta * elements.tan_f1,
        _value(elements.l2, hours) - zeta * elements.tan_f2,
        h,
        d,
    )


def _bisect(function, low, high):
    at_low = function(low)
    for _ in range(60):
        middle = (low + high) / 2
        if (function(middle) > 0) == (at_low > 0):
            low = middle
        else:
            high = middle
    return (low + high) / 2


def contacts_hours(elements, site):
    """Return the contacts that exist as {name: hours of TD}, by bisection from a fine grid."""
    grid = np.arange(-3.3, 3.3, 1 / 240)
    middle = grid[np.argmin(shadow_at(elements, site, grid).distance)]
    step = 1e-5
    mid = _bisect(
        lambda t: (
            shadow_at(elements, site, t + step).distance ** 2
            - shadow_at(elements, site, t - step).distance ** 2
        ),
        middle - 0.05,
        middle + 0.05,
    )
    found = {"mid": mid}
    for names, attribute, reach in ((("C1", "C4"), "outer", 2.3), (("C2", "C3"), "inner", 0.15)):

        def outside(t, attribute=attribute):
            shadow = shadow_at(elements, site, t)
            return shadow.distance - np.abs(getattr(shadow, attribute))

        if outside(mid) < 0:
            found[names[0]] = _bisect(outside, mid - reach, mid)
            found[names[1]] = _bisect(outside, mid, mid + reach)
    return found


def td_seconds(elements, hours):
    """Return hours of TD after the elements' hour as seconds since 1970-01-01T00:00:00 TD."""
    start = dt.datetime.combine(elements.date, dt.time(elements.hour_td), tzinfo=dt.UTC)
    return start.timestamp() + hours * 3600


def central_site(elements, hours, far=False):
    """Return the (latitude, longitude, 0 m) where the axis enters the ellipsoid, or None off the Earth.

    `far`: where it leaves the Earth on the night side.
    """
    x, y = _value(elements.x, hours), _value(elements.y, hours)
    d = np.radians(_value(elements.d_deg, hours))
    e2 = FLATTENING * (2 - FLATTENING)
    rho1 = np.sqrt(1 - e2 * np.cos(d) ** 2)
    y1 = y / rho1
    b_squared = 1 - x * x - y1 * y1
    if b_squared < 0:
        return None
    b = np.sqrt(b_squared) * (-1 if far else 1)
    sin_d1, cos_d1 = np.sin(d) / rho1, np.sqrt(1 - e2) * np.cos(d) / rho1
    h = np.arctan2(x, b * cos_d1 - y1 * sin_d1)
    sin_phi1 = b * sin_d1 + y1 * cos_d1
    phi = np.arctan(np.tan(np.arcsin(sin_phi1)) / np.sqrt(1 - e2))
    longitude = np.degrees(h) - _value(elements.mu_deg, hours) + 1.002738 * elements.delta_t_s / 240
    return float(np.degrees(phi)), float((longitude + 180) % 360 - 180), 0.0
