"""How the Earth turns: Delta-T, leap seconds and polar motion, from the table shipped for offline use.

The table is `finals2000A.all` of the IERS in the package skyfield-data; nothing is ever downloaded.
"""

from __future__ import annotations

import importlib.util
import math
from dataclasses import dataclass
from functools import cached_property, lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from controller.errors import SkyError
from controller.sky.model import DeltaT, DeltaTState
from controller.sky.numeric import Array
from controller.units import NS_PER_S, UtcNs

if TYPE_CHECKING:
    from skyfield.timelib import Timescale

_UNIX_EPOCH_JD = 2440587.5
_MJD0 = 2400000.5
_UTC_STARTS_MJD = 41317.0
"""1972-01-01: UTC with whole leap seconds."""
_DAY_S = 86_400
_HISTORIC_UNCERTAINTY_S = 0.5
"""Of the spline before 1973; a generous figure, common practice, no single source."""


def data_folder() -> Path:
    """Return the folder of the ephemeris and Earth rotation table that come with the installation.

    Raises:
        SkyError: if the package skyfield-data is not installed.
    """
    spec = importlib.util.find_spec("skyfield_data")
    if spec is None or not spec.submodule_search_locations:
        raise SkyError("The ephemeris data is not installed. Mend: install the package skyfield-data.")
    return Path(spec.submodule_search_locations[0]) / "data"


@dataclass(frozen=True)
class EarthRotation:
    """The rows of a finals2000A table that carry UT1 - UTC, one a day."""

    name: str
    mjd: Array
    """Modified Julian dates, UTC."""
    ut1_minus_utc_s: Array
    error_s: Array
    pole_x_arcsec: Array
    pole_y_arcsec: Array
    measured_until_mjd: float

    @cached_property
    def _arrays(self) -> tuple[Array, Array, Array, Array]:
        from skyfield.data import iers

        arrays: tuple[Array, Array, Array, Array] = iers.build_timescale_arrays(
            self.mjd, self.ut1_minus_utc_s
        )
        return arrays

    def timescale(self, delta_t_s: float | None) -> Timescale:
        """Return a time scale with this table's Delta-T, or with a constant one in its place.

        A constant Delta-T turns the Earth only: leap seconds, hence UTC, stay the table's.
        """
        from skyfield.data import iers
        from skyfield.timelib import Timescale

        daily_tt, daily_delta_t, leap_dates, leap_offsets = self._arrays
        source: Any = np.array([daily_tt, daily_delta_t])
        if delta_t_s is not None:
            source = lambda tt: tt * 0.0 + delta_t_s  # noqa: E731
        scale = Timescale(source, leap_dates.copy(), leap_offsets.copy())
        iers.install_polar_motion_table(
            scale,
            {"utc_mjd": self.mjd, "x_arcseconds": self.pole_x_arcsec, "y_arcseconds": self.pole_y_arcsec},
        )
        return scale

    def delta_t(self, scale: Timescale, tt_jd: float, given_s: float | None) -> DeltaT:
        """Return Delta-T at a Julian date (TT) with its state and standard uncertainty.

        Past the end of the table the uncertainty is the Brownian model of Huber (2006),
        ``365.25 N sqrt(N Q / 3 (1 + N / M)) / 1000`` s after N years, with Q = 0.058 ms^2/yr and
        M = 2500 yr, N counted from the last measured day.
        """
        if given_s is not None:
            return DeltaT(
                value_s=given_s,
                uncertainty_s=0.0,
                state=DeltaTState.GIVEN,
                source="given by the user, taken as exact",
            )
        value = float(scale.delta_t_function(tt_jd))
        mjd = tt_jd - _MJD0 - value / _DAY_S
        if mjd < self.mjd[0]:
            return DeltaT(
                value_s=value,
                uncertainty_s=_HISTORIC_UNCERTAINTY_S,
                state=DeltaTState.MEASURED,
                source="spline through historic observations (Morrison, Stephenson, Hohenkerk, Zawilski 2021)",
            )
        if mjd <= self.mjd[-1]:
            error = float(np.interp(mjd, self.mjd, self.error_s))
            measured = mjd <= self.measured_until_mjd
            return DeltaT(
                value_s=value,
                uncertainty_s=max(error, 0.0001),
                state=DeltaTState.MEASURED if measured else DeltaTState.PREDICTED,
                source=f"IERS {self.name}, {'measured' if measured else 'predicted'}",
            )
        years = (mjd - self.measured_until_mjd) / 365.25
        return DeltaT(
            value_s=value,
            uncertainty_s=365.25 * years * math.sqrt(years * 0.058 / 3 * (1 + years / 2500)) / 1000,
            state=DeltaTState.EXTRAPOLATED,
            source=f"spline from the end of IERS {self.name} to the long-term parabola",
        )

    def utc_minus_tt_s(self, tt_jd: float, delta_t_s: float) -> float:
        """Return UTC - TT, seconds, at a Julian date (TT).

        From 1972 it is -(32.184 + TAI - UTC) by the table's leap seconds: none later than the table is
        foreseen. Before 1972, UT1 stands in for UTC and the answer is -Delta-T.
        """
        mjd = tt_jd - _MJD0
        if mjd - delta_t_s / _DAY_S < _UTC_STARTS_MJD:
            return -delta_t_s
        leap_tt_mjd = self._arrays[2] - _MJD0 + (32.184 + self._arrays[3]) / _DAY_S
        return -(32.184 + 10 + float(np.searchsorted(leap_tt_mjd, mjd, side="right")))

    def utc_ns(self, base_jd: float, tt_s: float, delta_t_s: float) -> UtcNs:
        """Return `tt_s` seconds (TT) after the Julian date `base_jd` (TT, a whole or half) as UTC."""
        shift_s = self.utc_minus_tt_s(base_jd + tt_s / _DAY_S, delta_t_s)
        return UtcNs(tt_ns(base_jd, tt_s) + round(shift_s * NS_PER_S))


def tt_ns(base_jd: float, tt_s: float) -> int:
    """Return `tt_s` seconds after the Julian date `base_jd` as nanoseconds since 1970-01-01, same scale."""
    return round((base_jd - _UNIX_EPOCH_JD) * _DAY_S) * NS_PER_S + round(tt_s * NS_PER_S)


@lru_cache(maxsize=4)
def load_table(path: Path) -> EarthRotation:
    """Read a finals2000A.all table.

    Raises:
        SkyError: if the file is missing or holds no UT1 - UTC.
    """
    try:
        lines = path.read_bytes().splitlines()
        rows = [
            (
                float(line[7:15]),
                float(line[58:68]),
                float(line[68:78]),
                float(line[18:27]),
                float(line[37:46]),
            )
            for line in lines
            if line[58:68].strip()
        ]
        flags = [line[57:58] for line in lines if line[58:68].strip()]
        mjd, dut1, error, pole_x, pole_y = np.array(rows).T
        measured_until = float(mjd[flags.index(b"P") - 1] if b"P" in flags else mjd[-1])
    except (OSError, ValueError) as problem:
        raise SkyError(
            f"The Earth rotation table {path} cannot be read ({problem}). Mend: reinstall the package skyfield-data."
        ) from problem
    return EarthRotation(path.name, mjd, dut1, error, pole_x, pole_y, measured_until)


@lru_cache(maxsize=16)
def timescale(delta_t_s: float | None) -> tuple[EarthRotation, Timescale]:
    """Return the installed table and a time scale made from it."""
    table = load_table(data_folder() / "finals2000A.all")
    return table, table.timescale(delta_t_s)
