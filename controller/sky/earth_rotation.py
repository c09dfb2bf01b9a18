"""How the Earth turns: Delta-T, leap seconds and polar motion, from a table of the IERS.

The table is `finals2000A.all`: the one in the package skyfield-data, or a newer one that the user gives.
Nothing is ever downloaded. Format: the readme of finals2000A beside the table, by columns.
"""

from __future__ import annotations

import datetime as dt
import importlib.util
import math
from dataclasses import dataclass
from functools import cached_property, lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from controller.errors import SkyError
from controller.sky.model import Constants, DeltaT, DeltaTState
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
_FIRST_ROW_MJD = 41684.0
"""1973-01-02, where finals2000A.all begins: leap seconds are counted from there."""
_MJD_EPOCH = dt.date(1858, 11, 17)
_WOBBLE_FORGOTTEN_DAYS = 200.0
"""Half a turn of the pole's wobble."""
_PREDICTION_FACTOR = 4.0
"""By which the table's own figure for its predictions is too small: the table measured to 2025-08-21 was off
by 2.0 times that figure after 90 days and by 4.3 times at its end, by the table measured to 2026-10-22."""
_LEAP_SECOND_EXPECTED_S = 0.5
"""UT1 - UTC beyond which the IERS has announced leap seconds (common practice, no single source; the rule
itself is 0.9 s, ITU-R TF.460)."""


def data_folder() -> Path:
    """Return the folder of the ephemeris and Earth rotation table that come with the installation.

    Raises:
        SkyError: if the package skyfield-data is not installed.
    """
    spec = importlib.util.find_spec("skyfield_data")
    if spec is None or not spec.submodule_search_locations:
        raise SkyError("The ephemeris data is not installed. Mend: install the package skyfield-data.")
    return Path(spec.submodule_search_locations[0]) / "data"


def secular_pole_arcsec(mjd: Array) -> tuple[Array, Array]:
    """Return the secular pole, x and y in arcseconds, about which the true one wobbles by 0.3 (10 metres).

    IERS Conventions (2010), chapter 7, equation 21 as updated in 2018: 55.0 + 1.677 t and 320.5 + 3.460 t
    milliarcseconds, t in years from 2000.0.
    """
    years = (mjd - 51544.5) / 365.25
    return (55.0 + 1.677 * years) / 1000, (320.5 + 3.460 * years) / 1000


def extrapolation_uncertainty_s(years: float) -> float:
    """Return the standard uncertainty of Delta-T this long after the last measured day, seconds.

    The Brownian model of Huber (2006), ``365.25 N sqrt(N Q / 3 (1 + N / M)) / 1000`` with Q = 0.058 ms^2/yr
    and M = 2500 yr, times 1.6, and 0.055 s for the square root of a year. The two numbers are our own: they
    give the rms error of this very extrapolation when the table is cut off at each quarter since 1975 and
    asked for 3 months to 10 years later (0.03 s, 0.09 s after 1 year, 0.22 s after 2, 0.9 s after 5).
    """
    huber_s = 365.25 * years * math.sqrt(years * 0.058 / 3 * (1 + years / 2500)) / 1000
    return math.hypot(1.6 * huber_s, 0.055 * math.sqrt(years))


@dataclass(frozen=True, eq=False)
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

    @property
    def measured_until(self) -> dt.date:
        """Return the last day with a measured UT1."""
        return _date(self.measured_until_mjd)

    @property
    def predicted_until(self) -> dt.date:
        """Return the last day of the table."""
        return _date(float(self.mjd[-1]))

    @property
    def leap_second_dates(self) -> tuple[dt.date, ...]:
        """Return the days (UTC) that begin right after a leap second."""
        return tuple(_date(jd - _MJD0) for jd in self._arrays[2])

    def differs(self) -> str:
        """Return what sets this table apart from the installed one, in a sentence, or nothing."""
        installed = installed_table()
        more = sorted(set(self.leap_second_dates) - set(installed.leap_second_dates))
        if more:
            return (
                f"The table {self.name} has a leap second before {', '.join(map(str, more))}, unknown to the table "
                "that came with the installation: make sure that the computer's clock keeps it too."
            )
        if self.measured_until < installed.measured_until:
            return (
                f"The table {self.name} is older than the one that came with the installation, which is measured "
                f"to {installed.measured_until}."
            )
        return ""

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
        # Past the table the pole goes over to the secular one: its wobble is not known that far ahead.
        later_mjd = self.mjd[-1] + np.array([_WOBBLE_FORGOTTEN_DAYS, 36_525.0])
        later_x_arcsec, later_y_arcsec = secular_pole_arcsec(later_mjd)
        iers.install_polar_motion_table(
            scale,
            {
                "utc_mjd": np.concatenate([self.mjd, later_mjd]),
                "x_arcseconds": np.concatenate([self.pole_x_arcsec, later_x_arcsec]),
                "y_arcseconds": np.concatenate([self.pole_y_arcsec, later_y_arcsec]),
            },
        )
        return scale

    def delta_t(self, scale: Timescale, tt_jd: float, given_s: float | None) -> DeltaT:
        """Return Delta-T at a Julian date (TT) with its state and standard uncertainty.

        The uncertainty is the table's own where it is measured, several times that where it is predicted
        (`_PREDICTION_FACTOR`), and `extrapolation_uncertainty_s` past the table's end.
        """
        if given_s is not None:
            return DeltaT(
                value_s=given_s,
                uncertainty_s=0.0,
                state=DeltaTState.GIVEN,
                source="given by the user, taken as exact",
                table=self.name,
                measured_until=self.measured_until,
                predicted_until=self.predicted_until,
                leap_seconds="",
            )
        value = float(scale.delta_t_function(tt_jd))
        mjd = tt_jd - _MJD0 - value / _DAY_S
        since = f"measured to {self.measured_until}"
        leap_seconds = ""
        if mjd < self.mjd[0]:
            state, uncertainty_s = DeltaTState.MEASURED, _HISTORIC_UNCERTAINTY_S
            source = "spline through historic observations (Morrison, Stephenson, Hohenkerk, Zawilski 2021)"
        elif mjd <= self.measured_until_mjd:
            state, uncertainty_s = DeltaTState.MEASURED, self._error_s(mjd)
            source = f"IERS {self.name}, measured"
        elif mjd <= self.mjd[-1]:
            state, uncertainty_s = DeltaTState.PREDICTED, _PREDICTION_FACTOR * self._error_s(mjd)
            source = f"IERS {self.name}, predicted, {since}"
        else:
            state = DeltaTState.EXTRAPOLATED
            years = (mjd - self.measured_until_mjd) / 365.25
            uncertainty_s = extrapolation_uncertainty_s(years)
            source = f"spline from the end of IERS {self.name}, {since}, to the long-term parabola"
            leap_seconds = self._leap_seconds_words(-self.utc_minus_tt_s(tt_jd, value) - value)
        return DeltaT(
            value_s=value,
            uncertainty_s=uncertainty_s,
            state=state,
            source=source,
            table=self.name,
            measured_until=self.measured_until,
            predicted_until=self.predicted_until,
            leap_seconds=leap_seconds,
        )

    def _error_s(self, mjd: float) -> float:
        return max(float(np.interp(mjd, self.mjd, self.error_s)), 0.0001)

    @staticmethod
    def _leap_seconds_words(ut1_minus_utc_s: float) -> str:
        """Return what is assumed of leap seconds past the table, where UT1 - UTC would come to this."""
        words = "no leap second beyond those announced"
        if abs(ut1_minus_utc_s) < _LEAP_SECOND_EXPECTED_S:
            return words
        return (
            f"{words}, though UT1 - UTC would come to {ut1_minus_utc_s:+.1f} s: one may be announced by then, "
            "and would move UTC by a whole second"
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


def installed_table() -> EarthRotation:
    """Return the table that comes with the installation."""
    return load_table(data_folder() / "finals2000A.all")


def earth_rotation_table(constants: Constants) -> EarthRotation:
    """Return the table that a computation with these constants uses.

    Raises:
        SkyError: if the table given cannot be used.
    """
    return timescale(constants.delta_t_s, constants.earth_rotation)[0]


def load_table(path: str | Path) -> EarthRotation:
    """Read a finals2000A.all table. Tables read are kept.

    Raises:
        SkyError: if the file is missing or is no such table; with the line, where one is to blame.
    """
    chosen = Path(path).expanduser()
    try:
        changed_ns = chosen.stat().st_mtime_ns
    except OSError as problem:
        raise SkyError(
            f"The Earth rotation table {chosen} cannot be opened ({problem.strerror}). "
            "Mend: give the path of a finals2000A.all file of the IERS."
        ) from problem
    return _load(chosen.resolve(), changed_ns)


@lru_cache(maxsize=4)
def _load(path: Path, changed_ns: int) -> EarthRotation:  # noqa: ARG001 - part of the cache's key
    def refuse(what: str) -> SkyError:
        return SkyError(
            f"The Earth rotation table {path} {what}. Mend: give an unaltered finals2000A.all file of the IERS."
        )

    try:
        lines = path.read_bytes().splitlines()
    except OSError as problem:
        raise refuse(f"cannot be read ({problem.strerror})") from problem
    rows: list[tuple[float, ...]] = []
    flags: list[bytes] = []
    for number, line in enumerate(lines, 1):
        if not line[58:68].strip():
            continue  # days to come, for which there is no UT1 yet
        try:
            columns = ((7, 15), (58, 68), (68, 78), (18, 27), (37, 46))
            mjd, dut1, error, pole_x, pole_y = (float(line[start:end]) for start, end in columns)
            year, month, day = (int(line[start : start + 2]) for start in (0, 2, 4))
            date = dt.date(year + (1900 if mjd <= 51543 else 2000), month, day)
        except ValueError:
            raise refuse(f"has no row of that format in line {number}") from None
        if date != _date(mjd) or (rows and mjd != rows[-1][0] + 1):
            raise refuse(f"has a day that is out of order in line {number}")
        if not (abs(dut1) <= 1.5 and 0 <= error <= 1 and max(abs(pole_x), abs(pole_y)) <= 2):
            raise refuse(f"has a value out of range in line {number}")
        flag = line[57:58]
        if flag not in (b"I", b"P") or (flags[-1:] == [b"P"] and flag == b"I"):
            raise refuse(f"does not say in line {number} whether UT1 is measured or predicted")
        if rows and dut1 - rows[-1][1] < -0.9:
            raise refuse(f"has a negative leap second in line {number}, which this program cannot count")
        rows.append((mjd, dut1, error, pole_x, pole_y))
        flags.append(flag)
    if b"I" not in flags:
        raise refuse("holds no measured UT1 - UTC")
    if rows[0][0] > _FIRST_ROW_MJD:
        raise refuse(
            f"begins on {_date(rows[0][0])}, and leap seconds are counted from {_date(_FIRST_ROW_MJD)}"
        )
    table_mjd, table_dut1, table_error, table_x, table_y = np.array(rows).T
    measured_until = float(table_mjd[flags.count(b"I") - 1])
    return EarthRotation(path.name, table_mjd, table_dut1, table_error, table_x, table_y, measured_until)


def _date(mjd: float) -> dt.date:
    return _MJD_EPOCH + dt.timedelta(days=int(mjd))


def timescale(
    delta_t_s: float | None, table_path: str | Path | None = None
) -> tuple[EarthRotation, Timescale]:
    """Return the table given, or the installed one, and a time scale made from it.

    Raises:
        SkyError: if the table cannot be used.
    """
    return _timescale(installed_table() if table_path is None else load_table(table_path), delta_t_s)


@lru_cache(maxsize=16)
def _timescale(table: EarthRotation, delta_t_s: float | None) -> tuple[EarthRotation, Timescale]:
    return table, table.timescale(delta_t_s)
