"""The two clocks a camera worker can run by."""

from __future__ import annotations

import time
from dataclasses import dataclass

from controller.units import NS_PER_S

_SPIN_NS = 1_000_000
"""The last stretch of a wait is spun through: the kernel wakes a sleeper late, by 0.1 ms and more."""


_STEADY_CLOCK = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)
"""Linux' monotonic clock stands still while the computer sleeps: frames would be late by the sleep."""


def steady_ns() -> int:
    """Return the clock that nobody sets and that goes on while the computer sleeps, in nanoseconds."""
    return time.clock_gettime_ns(_STEADY_CLOCK)


@dataclass(frozen=True)
class ClockEpoch:
    """One reading of both clocks at one moment; every process of a run is given the same."""

    utc_ns: int
    """UTC, nanoseconds since 1970, the operator's correction included."""
    monotonic_ns: int
    """`steady_ns` at that moment (one clock for all processes of a machine)."""

    @staticmethod
    def now(correction_s: float = 0.0) -> ClockEpoch:
        """Read both clocks now; `correction_s` is added to the wall clock to make it true UTC."""
        before = steady_ns()
        wall = time.time_ns()
        after = steady_ns()
        return ClockEpoch(wall + round(correction_s * NS_PER_S), (before + after) // 2)

    @staticmethod
    def pretended(utc_ns: int) -> ClockEpoch:
        """Pretend that it is `utc_ns` now: for cameras that are not real alone."""
        return ClockEpoch(utc_ns, steady_ns())


class MonotonicClock:
    """UTC by the monotonic clock from one epoch: a step of the wall clock does not move it."""

    def __init__(self, epoch: ClockEpoch) -> None:
        self._offset_ns = epoch.utc_ns - epoch.monotonic_ns

    def now_ns(self) -> int:
        """Return the present instant, UTC nanoseconds."""
        return steady_ns() + self._offset_ns

    def sleep_until_ns(self, instant_ns: int) -> None:
        """Sleep, then spin through the last millisecond; return at once when the instant is past."""
        while (remaining := instant_ns - self.now_ns()) > 0:
            if remaining > _SPIN_NS:
                time.sleep((remaining - _SPIN_NS) / NS_PER_S)


class VirtualClock:
    """A clock that stands still until somebody sleeps by it."""

    def __init__(self, now_ns: int) -> None:
        self._now_ns = now_ns

    def now_ns(self) -> int:
        """Return the present virtual instant, UTC nanoseconds."""
        return self._now_ns

    def sleep_until_ns(self, instant_ns: int) -> None:
        """Move to `instant_ns`; never back."""
        self._now_ns = max(self._now_ns, instant_ns)
