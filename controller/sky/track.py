"""The Sun's way over a site's sky on the day of an eclipse, and how much of it is covered, at any instant."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from controller.errors import SkyError
from controller.sky.earth_rotation import timescale
from controller.sky.ephemeris import load_ephemeris
from controller.sky.geometry import DAY_S, View, obscuration
from controller.sky.horizon import Horizon, SunPath
from controller.sky.model import Circumstances
from controller.sky.numeric import Array, Curves, nodes
from controller.units import NS_PER_S

_MARGIN_S = 1800.0
"""Before C1 and after C4: setting up, and a sequence that begins early."""
_UNIX_EPOCH_JD = 2440587.5
_DISK_NODES = 25


@dataclass(frozen=True)
class SunTrack:
    """The Sun from half an hour before C1 until half an hour after C4.

    Asked for an instant outside that, it gives the place at the nearest end.
    """

    starts_utc_ns: int
    ends_utc_ns: int
    sun_radius_arcsec: float
    """At mid; it changes by less than 0.1 arcseconds in the hours beside it."""
    declination_deg: float
    """Of the Sun, true equator of date, at mid."""
    moon_k: float
    """The lunar radius that `obscuration` is told for, Earth radii."""
    _path: SunPath
    _disks: Curves
    _horizon: Horizon
    _elevation_m: float

    def at(self, utc_ns: NDArray[np.int64]) -> tuple[Array, Array]:
        """Return altitude as seen (refraction included) and azimuth of the Sun's centre, degrees."""
        altitude_deg, azimuth_deg = self.true_at(utc_ns)
        return self._horizon.apparent_deg(altitude_deg, self._elevation_m), azimuth_deg

    def true_at(self, utc_ns: NDArray[np.int64]) -> tuple[Array, Array]:
        """Return altitude without refraction and azimuth of the Sun's centre, degrees."""
        return self._path.at(self._seconds(utc_ns))

    def obscuration(self, utc_ns: NDArray[np.int64]) -> Array:
        """Return the covered part of the Sun's area, 0 to 1."""
        squared, sun, moon = self._disks.at(self._seconds(utc_ns))
        apart = np.sqrt(np.maximum(squared, 0.0))
        covered = [obscuration(*map(float, one)) for one in zip(sun, moon, apart, strict=True)]
        return np.array(covered, dtype=float)

    def _seconds(self, utc_ns: NDArray[np.int64]) -> Array:
        inside = np.clip(np.asarray(utc_ns, dtype=np.int64), self.starts_utc_ns, self.ends_utc_ns)
        seconds: Array = (inside - self.starts_utc_ns) / NS_PER_S
        return seconds


def view_of_the_day(sky: Circumstances, ephemeris: str | Path | None) -> tuple[View, float, int, float]:
    """Return the view of Sun and Moon from a site, from half an hour before C1 until half an hour after C4.

    Args:
        sky: an eclipse at a site.
        ephemeris: path of an SPK file; DE421 when None.

    Returns:
        The view, where its time begins (seconds of it), that instant in UTC nanoseconds, and the length in seconds.

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
    epoch_jd = _UNIX_EPOCH_JD + days
    view = View(sky.site, load_ephemeris(ephemeris), scale, sky.constants.solar_radius_km, epoch_jd)
    length_s = (last.utc_ns - first.utc_ns + 2 * margin_ns) / NS_PER_S
    return view, rest_ns / NS_PER_S, first.utc_ns - margin_ns, length_s


def sun_track(sky: Circumstances, *, ephemeris: str | Path | None = None) -> SunTrack:
    """Return the Sun's way over the site of these circumstances.

    Args:
        sky: an eclipse at a site.
        ephemeris: path of an SPK file; DE421 when None.

    Raises:
        SkyError: if the site misses the eclipse, or the file cannot be used.
    """
    view, start_s, starts_utc_ns, length_s = view_of_the_day(sky, ephemeris)
    ends_utc_ns = starts_utc_ns + round(length_s * NS_PER_S)
    samples_s = SunPath.sample_s(0.0, length_s)
    sight = view.at(start_s + samples_s)
    nodes_s = nodes(length_s / 2, length_s / 2, _DISK_NODES)
    disks = view.at(start_s + nodes_s)
    rows = (
        disks.separation_arcsec**2,
        disks.sun_radius_arcsec,
        disks.moon_radius_arcsec(sky.moon_k_used),
    )
    middle = view.at(np.array([start_s + (sky.closest_utc_ns - starts_utc_ns) / NS_PER_S]))
    to_sun = middle.sun_km[:, 0] / middle.sun_distance_km[0]
    return SunTrack(
        starts_utc_ns=starts_utc_ns,
        ends_utc_ns=ends_utc_ns,
        sun_radius_arcsec=float(middle.sun_radius_arcsec[0]),
        declination_deg=float(np.degrees(np.arcsin(middle._pole[:, 0] @ to_sun))),
        moon_k=sky.moon_k_used,
        _path=SunPath.through(samples_s, sight.altitude_deg, sight.azimuth_deg),
        _disks=Curves.fit(nodes_s, rows, _DISK_NODES - 9, (0.0, length_s)),
        _horizon=sky.site.horizon,
        _elevation_m=sky.site.elevation_m,
    )
