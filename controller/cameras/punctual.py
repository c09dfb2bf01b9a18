"""What keeps a camera's process from being late for a release: its standing with the system, and no pauses.

Nothing here is ever required. What the system refuses is told as a sentence and otherwise done without.
"""

from __future__ import annotations

import contextlib
import ctypes
import gc
import os
import resource

from controller.units import NS_PER_S

QUIET_NS = NS_PER_S
"""No garbage is collected when a release may be this near."""
_RUNAWAY_S = 5
"""A process that computes so long without a pause at real-time priority is ended by the system."""
_NICENESS = -10
_MCL_CURRENT, _MCL_ONFAULT = 1, 4
"""Linux, asm-generic/mman.h: lock the pages there are, each once it has been touched."""
_M_TRIM_THRESHOLD, _M_MMAP_THRESHOLD, _M_ARENA_MAX = -1, -3, -8
"""glibc, malloc.h."""
_KEPT_BYTES = 65_536


def claim_precedence() -> tuple[str, ...]:
    """Ask for priority and locked memory for this thread and process; return what was refused, in sentences.

    At real-time priority the lowest rank is asked for, and only where the system promises to end a process
    that runs away with it; otherwise ordinary priority is raised.
    """
    refused = []
    if not (_run_in_real_time() or _raise_priority()):
        refused.append("The system grants no raised priority: other programs may delay a release.")
    if not _lock_memory():
        refused.append(
            "The system does not lock memory: a release may wait for the disk when memory is short."
        )
    return tuple(refused)


def hand_memory_back() -> bool:
    """Have blocks of picture size go back to the system as they are freed; return whether the C library does so.

    To be called before any thread starts. A camera's process that renders pictures else keeps the most that any
    picture took, and there may be eight of them; the run's keeps what compiling took.
    """
    with contextlib.suppress(OSError, AttributeError):
        library = ctypes.CDLL(None)
        library.malloc_trim(0)
        mallopt = library.mallopt
        asked = ((_M_ARENA_MAX, 1), (_M_MMAP_THRESHOLD, _KEPT_BYTES), (_M_TRIM_THRESHOLD, _KEPT_BYTES))
        return all(mallopt(what, value) == 1 for what, value in asked)
    return False


def _run_in_real_time() -> bool:
    try:
        _, most = resource.getrlimit(resource.RLIMIT_RTTIME)
        resource.setrlimit(resource.RLIMIT_RTTIME, (_RUNAWAY_S * 1_000_000, most))
        rank = os.sched_get_priority_min(os.SCHED_RR)
        os.sched_setscheduler(0, os.SCHED_RR | os.SCHED_RESET_ON_FORK, os.sched_param(rank))
    except (AttributeError, OSError, ValueError):
        return False
    return True


def _raise_priority() -> bool:
    try:
        os.setpriority(os.PRIO_PROCESS, 0, _NICENESS)
    except OSError:
        return False
    return True


def _lock_memory() -> bool:
    """Lock what is there only: with later memory locked too, a small allowance would make allocations fail."""
    with contextlib.suppress(OSError, AttributeError):
        return bool(ctypes.CDLL(None).mlockall(_MCL_CURRENT | _MCL_ONFAULT) == 0)
    return False


class GarbageCollector:
    """Python's collector of reference cycles, made to work only while no release is near."""

    def __init__(self) -> None:
        """Stop the automatic collections; what lives now is never looked at again."""
        gc.collect()
        gc.freeze()
        gc.disable()

    def collect_if_idle(self, until_release_ns: int) -> bool:
        """Collect when there is nothing to do for longer than `QUIET_NS`; return whether it was done."""
        if until_release_ns <= QUIET_NS:
            return False
        gc.collect()
        return True
