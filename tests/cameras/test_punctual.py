"""A camera's process asks the system for precedence, does without it, and collects garbage when idle."""

from __future__ import annotations

import ctypes
import errno
import gc
import os
import platform
import resource
import subprocess
import sys
from collections.abc import Iterator
from multiprocessing import Pipe
from types import SimpleNamespace
from typing import Any

import pytest

from controller.cameras.clock import VirtualClock
from controller.cameras.host import _Close, serve
from controller.cameras.protocol import Outcome
from controller.cameras.punctual import QUIET_NS, GarbageCollector, claim_precedence
from controller.cameras.simulated import SimulatedDevice
from controller.cameras.worker import CameraWorker
from controller.gear.body import SIMULATED_BODY
from tests.cameras.bench import T0, frame


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> SimpleNamespace:
    """Stand in for the system: what it grants, and what it was asked for. Nothing reaches the real one."""
    system = SimpleNamespace(grants={"real time", "niceness", "memory"}, calls=[])

    def ask(what: str, *details: Any) -> None:
        system.calls.append((what, *details))
        if what not in system.grants:
            raise PermissionError(errno.EPERM, "not permitted")

    def lock(flags: int) -> int:
        system.calls.append(("memory", flags))
        return 0 if "memory" in system.grants else -1

    monkeypatch.setattr(resource, "setrlimit", lambda which, limits: None)
    monkeypatch.setattr(os, "sched_setscheduler", lambda pid, policy, param: ask("real time", policy))
    monkeypatch.setattr(os, "setpriority", lambda which, who, nice: ask("niceness", nice))
    monkeypatch.setattr(ctypes, "CDLL", lambda name: SimpleNamespace(mlockall=lock))
    return system


@pytest.fixture
def collector_restored() -> Iterator[None]:
    """Give the test process its own garbage collection back."""
    yield
    gc.unfreeze()
    gc.enable()


def test_all_granted_refuses_nothing(asked: SimpleNamespace) -> None:
    """Real-time priority and locked memory are asked for once, and ordinary priority is left alone."""
    assert claim_precedence() == ()
    assert [call[0] for call in asked.calls] == ["real time", "memory"]


def test_memory_still_to_come_is_not_locked(asked: SimpleNamespace) -> None:
    """MCL_FUTURE (2 in Linux' mman.h) would make later allocations fail under a small allowance."""
    claim_precedence()
    assert asked.calls[-1] == ("memory", 1 | 4)


def test_without_real_time_priority_the_ordinary_one_is_raised(asked: SimpleNamespace) -> None:
    """A negative niceness is the second choice, and is enough to say nothing."""
    asked.grants.remove("real time")
    assert claim_precedence() == ()
    assert ("niceness", -10) in asked.calls


def test_each_refusal_is_one_sentence_and_no_error(asked: SimpleNamespace) -> None:
    """A system that grants nothing is told of in two sentences, and the process goes on."""
    asked.grants.clear()
    priority, memory = claim_precedence()
    assert "no raised priority" in priority
    assert "does not lock memory" in memory


def test_a_system_without_these_calls_is_a_refusal(
    asked: SimpleNamespace, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where Python or the C library lacks a call, that counts as refused."""
    monkeypatch.delattr(os, "sched_setscheduler")
    monkeypatch.setattr(ctypes, "CDLL", lambda name: SimpleNamespace())
    asked.grants.remove("niceness")
    assert len(claim_precedence()) == 2


@pytest.mark.usefixtures("collector_restored")
def test_garbage_is_collected_only_when_no_release_is_near(monkeypatch: pytest.MonkeyPatch) -> None:
    """Automatic collections stop; a wait of a second or less does not collect, a longer one does."""
    garbage = GarbageCollector()
    assert not gc.isenabled()
    collections: list[int] = []
    monkeypatch.setattr(gc, "collect", lambda: collections.append(1))
    assert not garbage.collect_if_idle(QUIET_NS)
    assert not garbage.collect_if_idle(-5)
    assert collections == []
    assert garbage.collect_if_idle(QUIET_NS + 1)
    assert collections == [1]


def test_a_served_worker_collects_in_its_long_waits_alone() -> None:
    """Before each of two frames 30 s apart garbage is collected, and never within a second of a release."""
    clock = VirtualClock(T0)
    worker = CameraWorker(SimulatedDevice(SIMULATED_BODY, clock).open, clock, release_lag_s=0.05)
    ours, theirs = Pipe()
    collected_ns: list[int] = []

    class Watch(GarbageCollector):
        def __init__(self) -> None:
            pass

        def collect_if_idle(self, until_release_ns: int) -> bool:
            if until_release_ns > QUIET_NS:
                collected_ns.append(clock.now_ns())
                return True
            return False

    for name, due in (("a", 30.0), ("b", 60.0)):
        worker.hand_over(frame(name, due))

    class Connection:
        """The pipe, in virtual time: it is closed once both frames have ended."""

        outcomes = 0

        def send(self, report: object) -> None:
            if isinstance(report, Outcome):
                self.outcomes += 1
                if self.outcomes == 2:
                    ours.send(_Close())

        def poll(self, timeout: float) -> bool:
            if not theirs.poll(0):
                clock.sleep_until_ns(clock.now_ns() + round(timeout * 1e9))
            return theirs.poll(0)

        def recv(self) -> object:
            return theirs.recv()

    serve(worker, clock, Connection(), Watch())  # type: ignore[arg-type]
    assert collected_ns
    for due_s in (30.0, 60.0):
        release_ns = T0 + round((due_s - 0.05) * 1e9)
        assert any(ns < release_ns for ns in collected_ns)
        assert not any(release_ns - QUIET_NS <= ns <= release_ns for ns in collected_ns)


HELD = """
import sys
from controller.cameras.punctual import hand_memory_back

def resident_kb():
    return int(open("/proc/self/statm").read().split()[1]) * 4

if sys.argv[1] == "asked":
    assert hand_memory_back()
for _ in range(3):  # what is freed first raises the size from which the C library gives blocks back
    bytearray(8_000_000)
before = resident_kb()
pictures, pins = [], []
for _ in range(40):
    pictures.append(bytearray(1_000_000))
    pins.append(bytearray(60_000))  # lies between them, and stays
del pictures
print(resident_kb() - before)
"""


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="needs glibc, whose allocator is asked")
def test_memory_of_pictures_goes_back_to_the_system() -> None:
    """Forty freed blocks of a megabyte stay with the process by default, and do not once it has been asked."""
    kept = {
        how: int(
            subprocess.run(
                [sys.executable, "-c", HELD, how], capture_output=True, text=True, check=True
            ).stdout
        )
        for how in ("asked", "not asked")
    }
    assert kept["asked"] < 8_000
    assert kept["not asked"] > 30_000
