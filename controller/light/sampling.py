"""Makes a `Scene` from the ephemeris: the one part of pictures that needs it."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from controller.light.scene import Scene
from controller.sky.model import Circumstances
from controller.sky.track import view_of_the_day

STEP_S = 120.0


def scene_of(sky: Circumstances, *, ephemeris: str | Path | None = None) -> Scene:
    """Return Sun and Moon over the site from half an hour before C1 until half an hour after C4.

    The Moon's radius is the one that C2 and C3 were computed with, where there are any.

    Args:
        sky: an eclipse at a site.
        ephemeris: path of an SPK file; DE421 when None.

    Raises:
        SkyError: if the site misses the eclipse, or the file cannot be used.
    """
    view, start_s, starts_utc_ns, length_s = view_of_the_day(sky, ephemeris)
    offsets_s = np.arange(int(np.ceil(length_s / STEP_S)) + 1, dtype=np.float64) * STEP_S
    sight = view.at(start_s + offsets_s)
    angle = np.radians(sight.position_angle_deg())
    zenith_deg = np.degrees(np.unwrap(angle - np.radians(sight.zenith_angle_deg())))
    return Scene(
        starts_utc_ns=starts_utc_ns,
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
