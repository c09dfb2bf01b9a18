"""Besselian elements of any eclipse, from the ephemeris: the Moon's shadow on the fundamental plane.

The plane passes through the Earth's centre at right angles to the shadow's axis; x points east, y north.
Definitions: Explanatory Supplement to the Astronomical Almanac (1992), section 8.3. Lengths are in
equatorial radii of the Earth (6378.137 km), times in hours of TT (TD in older tables).
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from controller.sky.earth_rotation import timescale
from controller.sky.eclipses import eclipse_of
from controller.sky.ephemeris import jd_of_date, load_ephemeris
from controller.sky.geometry import DAY_S
from controller.sky.kinds import radii_of
from controller.sky.model import EARTH_RADIUS_KM, Constants, Kind
from controller.sky.numeric import Array, nodes
from controller.sky.quick import Sky, sky_of

_HALF_WIDTH_H = 3.0
SIDEREAL_DEG_PER_S = 1.002738 / 240
"""What the Earth turns in a second of time, degrees (NASA/TP-2002-211618, note to table 2)."""

Powers = tuple[float, ...]
"""A polynomial, lowest power first."""


@dataclass(frozen=True, kw_only=True)
class BesselianElements:
    """One eclipse's elements as polynomials in hours of TT after `hour_tt`, good for 3 hours each way."""

    date: dt.date
    """Date (TT) that `hour_tt` belongs to."""
    hour_tt: int
    x: Powers
    """The axis, east of the Earth's centre; cubic."""
    y: Powers
    """The axis, north of the Earth's centre; cubic."""
    d_deg: Powers
    """Declination of the axis; quadratic."""
    l1: Powers
    """Radius of the penumbra on the plane; quadratic."""
    l2: Powers
    """Radius of the umbra, negative where it reaches the plane as a shadow (total); quadratic."""
    mu_deg: Powers
    """Hour angle of the axis at the *ephemeris* meridian, `SIDEREAL_DEG_PER_S` times Delta-T east of
    Greenwich, as tables print it; linear."""
    tan_f1: float
    tan_f2: float
    """Slopes of penumbra and umbra."""
    k1: float
    k2: float
    """The lunar radii of penumbra and umbra."""
    solar_radius_arcsec: float
    delta_t_s: float
    """The Delta-T to be used with them."""
    ephemeris: str

    def to_json_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        return {
            "t0_tt": f"{self.date.isoformat()}T{self.hour_tt:02d}:00:00",
            "hours_each_way": _HALF_WIDTH_H,
            **{name: list(getattr(self, name)) for name in ("x", "y", "d_deg", "l1", "l2", "mu_deg")},
            "tan_f1": self.tan_f1,
            "tan_f2": self.tan_f2,
            "k1": self.k1,
            "k2": self.k2,
            "solar_radius_arcsec": self.solar_radius_arcsec,
            "delta_t_s": self.delta_t_s,
            "ephemeris": self.ephemeris,
        }


@dataclass(frozen=True)
class Shadow:
    """The shadow at some instants, each an array; lengths in Earth radii.

    `across` and `up` are the plane's x and y directions and `axis` the one towards the Sun, in the frame
    of the true equator and equinox of date, ``(3, n)`` each.
    """

    x: Array
    y: Array
    d_rad: Array
    mu_rad: Array
    """Hour angle at Greenwich."""
    l1: Array
    l2: Array
    tan_f1: Array
    tan_f2: Array
    across: Array
    up: Array
    axis: Array


def elements(
    date: dt.date, *, constants: Constants | None = None, ephemeris: str | Path | None = None
) -> BesselianElements:
    """Return the Besselian elements of the solar eclipse of a date.

    Least-squares polynomials over three hours each way of the hour (TT) nearest to the greatest phase,
    cubic in x and y as published sets are. `constants.moon_k_exterior` is k1; k2 is the interior radius
    given, or the one for total or annular, by what the axis brings where it passes.

    Raises:
        SkyError: if there is no eclipse on that date (the nearest ones are named), or the date is outside
            the ephemeris.
    """
    chosen = constants or Constants()
    opened = load_ephemeris(ephemeris)
    eclipse = eclipse_of(opened, date)
    table, scale = timescale(chosen.delta_t_s, chosen.earth_rotation)
    sky = sky_of(eclipse, opened, scale)
    delta_t_s = table.delta_t(
        scale, eclipse.base_jd + eclipse.greatest_tt_s / DAY_S, chosen.delta_t_s
    ).value_s
    hour = round(eclipse.greatest_tt_s / 3600)
    at_h = nodes(0.0, _HALF_WIDTH_H, 41)
    kind = axis_kind(sky, np.array([eclipse.greatest_tt_s]), chosen)[0]
    k2 = radii_of(chosen).interior(kind) if kind.is_central else radii_of(chosen).total
    shadow = shadow_of(sky, hour * 3600 + at_h * 3600, chosen.solar_radius_km, chosen.moon_k_exterior, k2)

    def powers(values: Array, degree: int) -> Powers:
        fitted = np.polynomial.Chebyshev.fit(at_h, values, degree, domain=[-_HALF_WIDTH_H, _HALF_WIDTH_H])
        return tuple(float(c) for c in fitted.convert(kind=np.polynomial.Polynomial).coef)

    mu_deg = powers(np.degrees(np.unwrap(shadow.mu_rad)) + SIDEREAL_DEG_PER_S * delta_t_s, 1)
    days_on, hour_of_day = divmod(hour, 24)
    days_on += round(eclipse.base_jd - jd_of_date(eclipse.day.date))
    return BesselianElements(
        date=eclipse.day.date + dt.timedelta(days=days_on),
        hour_tt=hour_of_day,
        x=powers(shadow.x, 3),
        y=powers(shadow.y, 3),
        d_deg=powers(np.degrees(shadow.d_rad), 2),
        l1=powers(shadow.l1, 2),
        l2=powers(shadow.l2, 2),
        mu_deg=(mu_deg[0] % 360, *mu_deg[1:]),
        tan_f1=float(shadow.tan_f1.mean()),
        tan_f2=float(shadow.tan_f2.mean()),
        k1=chosen.moon_k_exterior,
        k2=k2,
        solar_radius_arcsec=chosen.solar_radius_arcsec,
        delta_t_s=delta_t_s,
        ephemeris=opened.name,
    )


def shadow_of(sky: Sky, tt_s: Array, solar_radius_km: float, k1: float, k2: float | Array) -> Shadow:
    """Return the shadow at instants given in seconds (TT) after the sky's base date."""
    sun_km, moon_km = sky.geocentric_km(tt_s)
    sun, moon = sun_km / EARTH_RADIUS_KM, moon_km / EARTH_RADIUS_KM
    between = sun - moon
    gap = np.sqrt(np.sum(between * between, axis=0))
    axis = between / gap
    d_rad = np.arcsin(axis[2])
    right_ascension = np.arctan2(axis[1], axis[0])
    sine, cosine = np.sin(right_ascension), np.cos(right_ascension)
    across = np.stack([-sine, cosine, np.zeros_like(sine)])
    up = np.stack([-cosine * np.sin(d_rad), -sine * np.sin(d_rad), np.cos(d_rad)])
    z = np.sum(moon * axis, axis=0)
    sun_radius = solar_radius_km / EARTH_RADIUS_KM
    sin_f1, sin_f2 = (sun_radius + k1) / gap, (sun_radius - k2) / gap
    cos_f1, cos_f2 = np.sqrt(1 - sin_f1**2), np.sqrt(1 - sin_f2**2)
    return Shadow(
        x=np.sum(moon * across, axis=0),
        y=np.sum(moon * up, axis=0),
        d_rad=d_rad,
        mu_rad=sky.turn_rad(tt_s) - right_ascension,
        l1=(z * sin_f1 + k1) / cos_f1,
        l2=(z * sin_f2 - k2) / cos_f2,
        tan_f1=sin_f1 / cos_f1,
        tan_f2=sin_f2 / cos_f2,
        across=across,
        up=up,
        axis=axis,
    )


def axis_kind(sky: Sky, tt_s: Array, constants: Constants) -> list[Kind]:
    """Return what the axis brings where it meets the Earth (or passes nearest to it) at some instants.

    By the rule of `decide_kind` on the axis itself: total, annular, or partial where neither radius does.
    """
    radii = radii_of(constants)
    at_total, at_annular = (_umbra_at_surface(sky, tt_s, constants, k) for k in (radii.total, radii.annular))
    return [
        Kind.TOTAL if total < 0 else Kind.ANNULAR if annular > 0 else Kind.PARTIAL
        for total, annular in zip(at_total, at_annular, strict=True)
    ]


def _umbra_at_surface(sky: Sky, tt_s: Array, constants: Constants, k: float) -> Array:
    shadow = shadow_of(sky, tt_s, constants.solar_radius_km, constants.moon_k_exterior, k)
    # The flattening is worth 0.003 of the height here: 0.00002 radii of the umbra, one part in five hundred.
    height = np.sqrt(np.clip(1 - shadow.x**2 - (shadow.y * 1.0034) ** 2, 0, None))
    radius: Array = shadow.l2 - height * shadow.tan_f2
    return radius
