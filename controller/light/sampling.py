"""Makes a `Scene` from the ephemeris: the one part of pictures that needs it."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from controller.errors import SkyError
from controller.light.scene import Scene
from controller.sky.earth_rotation import timescale
from controller.sky.ephemeris import load_ephemeris
from controller.sky.geometry import DAY_S, View
from controller.sky.model import Circumstances
from controller.units import NS_PER_S

STEP_S = 120.0
_MARGIN_S = 1800.0
"""Before C1 and after C4."""
_UNIX_EPOCH_JD = 2440587.5


def scene_of(sky: Circumstances, *, ephemeris: str | Path | None = None) -> Scene:
    """Return Sun and Moon over the site from half an hour before C1 until half an hour after C4.

    The Moon's radius is the one that C2 and C3 were computed with, where there are any.

    Args:
        sky: an eclipse at a site.
        ephemeris: path of an SPK file; DE421 when None.

    Raises:
        SkyError: if the site misses the eclipse, or the file cannot be used.
    """
    if not sky.contacts:
        raise SkyError(
            f"The eclipse of {sky.eclipse_date} does not reach this site. Mend: choose a site that it reaches."
        )
    _, scale = timescale(sky.constants.delta_t_s, sky.constants.earth_rotation)
    first, last = sky.contacts[0], sky.contacts[-1]
    margin_ns = round(_MARGIN_S * NS_PER_S)
    days, rest_ns = divmod(first.tt_ns - margin_ns, DAY_S * NS_PER_S)
    length_s = (last.utc_ns - first.utc_ns + 2 * margin_ns) / NS_PER_S
    offsets_s = np.arange(int(np.ceil(length_s / STEP_S)) + 1, dtype=np.float64) * STEP_S
    view = View(
        sky.site, load_ephemeris(ephemeris), scale, sky.constants.solar_radius_km, _UNIX_EPOCH_JD + days
    )
    sight = view.at(rest_ns / NS_PER_S + offsets_s)
    angle = np.radians(sight.position_angle_deg())
    zenith_deg = np.degrees(np.unwrap(angle - np.radians(sight.zenith_angle_deg())))
    return Scene(
        starts_utc_ns=first.utc_ns - margin_ns,
        step_s=STEP_S,
        east_arcsec=_row(sight.separation_arcsec * np.sin(angle)),
        north_arcsec=_row(sight.separation_arcsec * np.cos(angle)),
        sun_radius_arcsec=_row(sight.sun_radius_arcsec),
        moon_radius_arcsec=_row(sight.moon_radius_arcsec(sky.moon_k_used)),
        sun_altitude_deg=_row(sight.altitude_deg),
        zenith_angle_deg=_row(zenith_deg),
        site_elevation_m=sky.site.elevation_m,
    )


def _row(values: np.ndarray[tuple[int, ...], np.dtype[np.float64]]) -> tuple[float, ...]:
    return tuple(round(float(value), 6) for value in values)
