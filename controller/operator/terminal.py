"""The terminal for the time of a run, given back as it was found however the run ends."""

from __future__ import annotations

import atexit
import contextlib
import os
import select
import signal
import termios
import threading
import tty
from collections.abc import Iterator
from types import FrameType
from typing import Any

_ENTER_SCREEN = "\x1b[?1049h\x1b[?25l\x1b[?2004h\x1b[2J"
_LEAVE_SCREEN = "\x1b[?2004l\x1b[?25h\x1b[?1049l"
_ENDING_SIGNALS = (signal.SIGTERM, signal.SIGHUP)


def write_all(fd: int, data: bytes) -> None:
    """Write all of `data`; blocks while the terminal takes none.

    Raises:
        OSError: if the terminal is gone.
    """
    while data:
        data = data[os.write(fd, data) :]


class Input:
    """Reads what comes in, until it ends or another thread calls it off."""

    def __init__(self, fd: int) -> None:
        self._fd = fd
        self._wake_read, self._wake_write = os.pipe()
        self.called_off = False

    def read(self) -> bytes:
        """Wait for bytes and return them; none once the input has ended, is lost, or was called off."""
        try:
            ready, _, _ = select.select([self._fd, self._wake_read], [], [])
            return b"" if self.called_off or self._fd not in ready else os.read(self._fd, 4096)
        except (OSError, ValueError):
            return b""

    def call_off(self) -> None:
        """End the waiting of the other thread."""
        self.called_off = True
        os.write(self._wake_write, b".")

    def close(self) -> None:
        """Let go, once nobody reads any more. What was read from stays open."""
        os.close(self._wake_read)
        os.close(self._wake_write)


@contextlib.contextmanager
def held_terminal(keys_fd: int, *, screen_fd: int | None) -> Iterator[None]:
    """Hold the terminal: single keys and a screen of its own, or lines if `screen_fd` is None.

    Keys that would halt the run by a slip are switched off: suspend, quit, and stopping the output.
    Ctrl-C stays what it is. Given back on leaving, at the end of the process and, where nobody else
    handles them, on SIGTERM and SIGHUP (which then end the process as they would have).

    Raises:
        termios.error: if `keys_fd` is no terminal.
        OSError: if the terminal is gone.
    """
    before = termios.tcgetattr(keys_fd)
    given_back = threading.Event()

    def give_back() -> None:
        if given_back.is_set():
            return
        given_back.set()
        with contextlib.suppress(OSError, termios.error):
            termios.tcsetattr(keys_fd, termios.TCSANOW, before)
        with contextlib.suppress(OSError):
            # A stalled terminal must not hold up the end of the process.
            if screen_fd is not None and select.select([], [screen_fd], [], 0.5)[1]:
                write_all(screen_fd, _LEAVE_SCREEN.encode())

    def end(number: int, _frame: FrameType | None) -> None:
        give_back()
        signal.signal(number, signal.SIG_DFL)
        os.kill(os.getpid(), number)

    taken: dict[signal.Signals, Any] = {}
    if threading.current_thread() is threading.main_thread():
        for number in _ENDING_SIGNALS:
            if signal.getsignal(number) is signal.SIG_DFL:
                taken[number] = signal.signal(number, end)
    atexit.register(give_back)
    try:
        if screen_fd is not None:
            tty.setcbreak(keys_fd, termios.TCSANOW)
        _quieten(keys_fd)
        if screen_fd is not None:
            write_all(screen_fd, _ENTER_SCREEN.encode())
        yield
    finally:
        give_back()
        atexit.unregister(give_back)
        for number, handler in taken.items():
            if signal.getsignal(number) is end:
                signal.signal(number, handler)


def _quieten(keys_fd: int) -> None:
    """Switch off the keys for suspend, quit and halting the output."""
    mode = termios.tcgetattr(keys_fd)
    mode[0] &= ~(termios.IXON | termios.IXOFF)
    disabled = os.fpathconf(keys_fd, "PC_VDISABLE").to_bytes(1, "little")
    for key in (termios.VSUSP, termios.VQUIT):
        mode[6][key] = disabled
    termios.tcsetattr(keys_fd, termios.TCSANOW, mode)
