"""Where a run's other processes come from: those of its cameras, and that of its page.

On Linux each is forked from one small process that has loaded what they need, once for all of them: such a child is
there in some hundredths of a second, which counts when one that hangs is replaced in totality, and eight of them share
most of their memory. Elsewhere system libraries may not bear a fork, and each child is a fresh interpreter.
"""

from __future__ import annotations

import contextlib
import ctypes
import multiprocessing
import os
import signal
import sys
import weakref
from collections.abc import Callable, Iterator
from multiprocessing import resource_tracker
from multiprocessing.connection import wait
from multiprocessing.process import BaseProcess
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from multiprocessing.context import ForkServerContext, SpawnContext

_SAFE_PATH = "PYTHONSAFEPATH"
_PR_SET_NAME, _NAME_BYTES = 15, 15
"""Linux, prctl(2): the name that lists of processes show."""

_loaded = ["controller.cameras.shared"]
"""Modules that the process which is forked loads when it starts."""


def children() -> ForkServerContext | SpawnContext:
    """Return the context in which children, and what they share with this process, are made."""
    if sys.platform != "linux":
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(_loaded)
    return context


def render_in_children() -> None:
    """Have children share what rendering pictures needs. Counts when it is called before the first of them starts."""
    _loaded[:] = ["controller.cameras.shared_rendering"]


class Child:
    """A child that was started. Whether it lives is asked of itself: what it was forked from may be gone."""

    def __init__(self, process: BaseProcess) -> None:
        self.process = process
        self._handle: int | None = None
        if sys.platform == "linux" and process.pid is not None:
            with contextlib.suppress(OSError):  # it has ended already
                self._handle = os.pidfd_open(process.pid)
                weakref.finalize(self, os.close, self._handle)

    @property
    def pid(self) -> int | None:
        """Its id."""
        return self.process.pid

    def is_alive(self) -> bool:
        """Whether it runs, or hangs."""
        return self.process.is_alive() if self._handle is None else not wait([self._handle], 0)

    def join(self, timeout_s: float | None = None) -> None:
        """Wait until it has ended, so long at most."""
        if self._handle is not None and not wait([self._handle], timeout_s):
            return
        self.process.join(timeout_s)

    def kill(self) -> None:
        """Have the system end it."""
        if self._handle is None:
            self.process.kill()
        elif sys.platform == "linux":
            with contextlib.suppress(ProcessLookupError):
                signal.pidfd_send_signal(self._handle, signal.SIGKILL)


def start_child(name: str, target: Callable[..., None], *args: Any) -> Child:  # noqa: ANN401
    """Start a child and return it.

    It has this process' environment and working directory, and hears nothing of the terminal's signals. An orderly
    end of this process ends it; of any other it has to take note by itself.

    Raises:
        OSError: if the system does not start it.
    """
    process = children().Process(
        target=_begin, args=(name, dict(os.environ), target, args), name=name, daemon=True
    )
    try:
        with _terminal_held(), _loading_from_nowhere_else():
            process.start()
    except EOFError:
        raise OSError("the process that it is forked from ended; another is started the next time") from None
    return Child(process)


def _begin(
    name: str, environment: dict[str, str], target: Callable[..., None], args: tuple[object, ...]
) -> None:
    """Go on as a child: what it was forked from has no such name, and the environment of long ago."""
    with contextlib.suppress(OSError, AttributeError):
        ctypes.CDLL(None).prctl(_PR_SET_NAME, name.encode()[:_NAME_BYTES], 0, 0, 0)
    os.environ.clear()
    os.environ.update(environment)
    target(*args)


@contextlib.contextmanager
def _loading_from_nowhere_else() -> Iterator[None]:
    """Have what a child is forked from load nothing from the folder that this program happens to be started in."""
    before = os.environ.get(_SAFE_PATH)
    os.environ[_SAFE_PATH] = "1"
    try:
        yield
    finally:
        if before is None:
            del os.environ[_SAFE_PATH]
        else:
            os.environ[_SAFE_PATH] = before


@contextlib.contextmanager
def _terminal_held() -> Iterator[None]:
    """Let a child live with the terminal's signals blocked: it sends them to all, and the parent decides."""
    resource_tracker.ensure_running()  # starting it later would unblock the interrupt again
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT, signal.SIGHUP})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
