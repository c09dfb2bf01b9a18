"""The clocks: what a worker's time goes by."""

from __future__ import annotations

import time

import pytest

from controller.cameras.clock import ClockEpoch, MonotonicClock, steady_ns
from controller.units import NS_PER_S


class Hands:
    """Clocks whose hands the test moves."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.wall = 1_800_000_000 * NS_PER_S
        self.steady = {time.CLOCK_BOOTTIME: 500 * NS_PER_S, time.CLOCK_MONOTONIC: 400 * NS_PER_S}
        monkeypatch.setattr(time, "time_ns", lambda: self.wall)
        monkeypatch.setattr(time, "clock_gettime_ns", lambda which: self.steady[which])

    def pass_s(self, seconds: int, *, asleep: bool = False) -> None:
        """Let time pass; the monotonic clock of Linux stands still while the computer sleeps (clock_gettime(2))."""
        self.wall += seconds * NS_PER_S
        self.steady[time.CLOCK_BOOTTIME] += seconds * NS_PER_S
        self.steady[time.CLOCK_MONOTONIC] += 0 if asleep else seconds * NS_PER_S


@pytest.fixture
def hands(monkeypatch: pytest.MonkeyPatch) -> Hands:
    """Clocks to move."""
    return Hands(monkeypatch)


def test_a_run_knows_the_time_after_the_computer_slept(hands: Hands) -> None:
    """HF-S03: after a suspend of three minutes no frame is due three minutes late, in sunlight."""
    run = MonotonicClock(ClockEpoch.now())
    hands.pass_s(10)
    hands.pass_s(180, asleep=True)
    hands.pass_s(5)
    assert run.now_ns() == hands.wall


def test_a_step_of_the_wall_clock_does_not_move_a_run(hands: Hands) -> None:
    """The wall clock is read once: set back or forward later, it moves nothing."""
    run = MonotonicClock(ClockEpoch.now(correction_s=1.5))
    began = hands.wall
    hands.pass_s(10)
    hands.wall -= 3600 * NS_PER_S
    assert run.now_ns() == began + 11 * NS_PER_S + NS_PER_S // 2


def test_a_pretended_clock_starts_where_it_is_told(hands: Hands) -> None:
    """A rehearsal's clock begins at its own instant and goes on from there."""
    run = MonotonicClock(ClockEpoch.pretended(7 * NS_PER_S))
    assert run.now_ns() == 7 * NS_PER_S
    hands.pass_s(3)
    assert run.now_ns() == 10 * NS_PER_S


def test_the_steady_clock_is_the_systems() -> None:
    """It never goes back."""
    readings = [steady_ns() for _ in range(1000)]
    assert readings == sorted(readings)
    assert readings[0] > 0
