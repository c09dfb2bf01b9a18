"""How far releases are from their instants, beside bare loops that ask the system to wake them at an instant.

The camera's process and the loops (`clock_nanosleep` with TIMER_ABSTIME, from Python and, where there is a
C compiler, from C) run side by side, a third of a period apart, so that all meet the same machine.
"""

from __future__ import annotations

import contextlib
import ctypes
import json
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

from controller.cameras.clock import ClockEpoch, MonotonicClock
from controller.cameras.host import CameraProcess, CameraSpec
from controller.cameras.protocol import Outcome
from controller.cameras.punctual import claim_precedence
from controller.cameras.worker import Opened
from controller.gear.body import CameraBody
from controller.timeline.model import Frame, Settings
from controller.units import NS_PER_S, FilterState, UtcNs, Wanted, seconds_to_ns

FRAMES, FRAMES_APART_S = 200, 0.12
BODY = CameraBody(frame_gap_s=0.05, setting_time_s=0.0, release_lag_s=0.02, write_time_s=0.01)
HEAD_START_S = 2.0
SLEEP_LOOP_IN_C = r"""
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

int main(int count, char **words) {
    long long at = atoll(words[1]), apart = atoll(words[2]);
    int rounds = atoi(words[3]);
    long long *errors = malloc(rounds * sizeof *errors);
    for (int i = 0; i < rounds; i++, at += apart) {
        struct timespec wanted = {at / 1000000000, at % 1000000000}, woken;
        clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &wanted, NULL);
        clock_gettime(CLOCK_MONOTONIC, &woken);
        errors[i] = woken.tv_sec * 1000000000LL + woken.tv_nsec - at;
    }
    printf("[");
    for (int i = 0; i < rounds; i++) printf("%s%lld", i ? "," : "", errors[i]);
    printf("]\n");
    return 0;
}
"""

Row = Callable[[str, str, str, float], None]


def release(row: Row) -> None:
    """Measure with the machine left alone and with a busy process for each core; print the ratios."""
    refused = _refused()
    for sentence in refused:
        print(sentence)
    with tempfile.TemporaryDirectory() as folder:
        loops = {"Python": [sys.executable, __file__]}
        if compiled := _compiled(Path(folder)):
            loops["C"] = [str(compiled)]
        for how, load in (("idle", contextlib.nullcontext()), ("loaded", _all_cores_busy())):
            with load:
                ours, others = _side_by_side(loops)
            for loop, other in others.items():
                for name, pick in (("median", statistics.median), ("p99", _p99), ("worst", max)):
                    mine, bare = pick(ours), pick(other)
                    what = f"release {how}, {name}, {loop}"
                    row(what, f"{mine / 1000:.1f} us", f"{bare / 1000:.1f} us", mine / bare)
            print(f"{len(ours)} of {FRAMES} frames released, {how}")


def _refused() -> list[str]:
    """Return what the system refuses to a process that asks as a camera's does, asked in one of its own."""
    asking = [sys.executable, __file__, "refused"]
    answer: list[str] = json.loads(subprocess.run(asking, check=True, capture_output=True).stdout)
    return answer


def _compiled(folder: Path) -> Path | None:
    compiler = shutil.which("cc")
    if compiler is None:
        print("There is no C compiler here: Python's loop is the only yardstick.")
        return None
    source, program = folder / "sleep_loop.c", folder / "sleep_loop"
    source.write_text(SLEEP_LOOP_IN_C)
    subprocess.run([compiler, "-O2", "-o", program, source], check=True)
    return program


@contextlib.contextmanager
def _all_cores_busy() -> Iterator[None]:
    busy = [subprocess.Popen([sys.executable, "-c", "while True: pass"]) for _ in range(os.cpu_count() or 1)]
    try:
        yield
    finally:
        for one in busy:
            one.kill()
            one.wait()


def _side_by_side(loops: dict[str, list[str]]) -> tuple[list[float], dict[str, list[float]]]:
    """Return the errors of the releases and of each loop's wake-ups, nanoseconds, early or late."""
    epoch = ClockEpoch.now()
    process = CameraProcess(CameraSpec(rig="long", driver="simulated", body=BODY, release_lag_s=0.02), epoch)
    apart_ns = seconds_to_ns(FRAMES_APART_S)
    try:
        while not isinstance(process.connection.recv(), Opened):
            pass
        first_ns = MonotonicClock(epoch).now_ns() + seconds_to_ns(HEAD_START_S)
        loop_ns = time.monotonic_ns() + seconds_to_ns(HEAD_START_S)
        running = {
            name: subprocess.Popen(
                [*command, str(loop_ns + number * apart_ns // 3), str(apart_ns), str(FRAMES)],
                stdout=subprocess.PIPE,
            )
            for number, (name, command) in enumerate(loops.items(), start=1)
        }
        frames = [_frame(number, first_ns + number * apart_ns) for number in range(FRAMES)]
        for one in frames:
            process.send_hand_over(one)
        due = {one.frame_id: one.due_utc_ns for one in frames}
        ours: list[float] = []
        while due:
            report = process.connection.recv()
            if isinstance(report, Outcome):
                at = due.pop(report.frame_id)
                if report.released_utc_ns is not None:
                    ours.append(abs(report.released_utc_ns - at))
        others = {
            name: [float(abs(ns)) for ns in json.loads(one.communicate()[0])] for name, one in running.items()
        }
    finally:
        process.close(timeout_s=2.0)
    return ours, others


def _p99(errors: list[float]) -> float:
    return statistics.quantiles(errors, n=100, method="inclusive")[98]


def _frame(number: int, due_utc_ns: int) -> Frame:
    """Return a filtered frame of 1/1000 s."""
    deadline = UtcNs(due_utc_ns + NS_PER_S // 2)
    return Frame(
        frame_id=f"long/{number:04d}",
        rig="long",
        phase="bench",
        shot="bench",
        take=1,
        step=number + 1,
        settings=Settings(exposure_s=0.001, f_number=8.0, iso=100),
        wanted=Wanted.WANT,
        filter_need=FilterState.ON,
        due_utc_ns=UtcNs(due_utc_ns),
        deadline_utc_ns=deadline,
        ends_by_utc_ns=UtcNs(due_utc_ns + 10 * NS_PER_S),
        starts_from_utc_ns=UtcNs(due_utc_ns),
        movable_until_utc_ns=deadline,
        slot_ns=seconds_to_ns(FRAMES_APART_S),
    )


class _Timespec(ctypes.Structure):
    _fields_ = (("seconds", ctypes.c_long), ("nanoseconds", ctypes.c_long))


def _sleep_loop(first_ns: int, apart_ns: int, rounds: int) -> list[int]:
    """Sleep to each instant of the monotonic clock; return how late each wake-up was, nanoseconds."""
    sleep = ctypes.CDLL(None).clock_nanosleep
    absolute = 1  # TIMER_ABSTIME, Linux' time.h
    errors = []
    for number in range(rounds):
        at = first_ns + number * apart_ns
        sleep(time.CLOCK_MONOTONIC, absolute, ctypes.byref(_Timespec(*divmod(at, NS_PER_S))), None)
        errors.append(time.monotonic_ns() - at)
    return errors


if __name__ == "__main__":
    if sys.argv[1:] == ["refused"]:
        print(json.dumps(claim_precedence()))
    else:
        print(json.dumps(_sleep_loop(*map(int, sys.argv[1:]))))
