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
from collections.abc import Callable, Iterator
from multiprocessing import resource_tracker
from multiprocessing.process import BaseProcess
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from multiprocessing.context import ForkServerContext, SpawnContext

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


def start_child(name: str, target: Callable[..., None], *args: Any) -> BaseProcess:  # noqa: ANN401
    """Start a child that ends with this process, and return it.

    It has this process' environment and working directory, and hears nothing of the terminal's signals.

    Raises:
        OSError: if the system does not start it.
    """
    process = children().Process(
        target=_begin, args=(name, dict(os.environ), target, args), name=name, daemon=True
    )
    try:
        with _terminal_held():
            process.start()
    except EOFError:
        raise OSError("the process that it is forked from ended; another is started the next time") from None
    return process


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
def _terminal_held() -> Iterator[None]:
    """Let a child live with the terminal's signals blocked: it sends them to all, and the parent decides."""
    resource_tracker.ensure_running()  # starting it later would unblock the interrupt again
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT, signal.SIGHUP})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
