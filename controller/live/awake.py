"""Keeping the computer awake for the time of a run, where the system lets a program do so.

The system's own tool holds the lock: `systemd-inhibit` on Linux, `caffeinate` on macOS (nobody has tried that
one). It ends with the run, even with one that is killed: on Linux its child reads from a pipe that only the run
holds open, on macOS it watches the run's process.
"""

from __future__ import annotations

import contextlib
import os
import select
import shutil
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass, field
from types import TracebackType
from typing import Self

LINUX_ATTEMPTS = (
    ("sleep:idle:handle-lid-switch", "sleep, idling and the lid switch are held off by systemd-inhibit"),
    (
        "idle",
        "idling alone is held off by systemd-inhibit: close no lid, and let nobody suspend the computer",
    ),
)
"""What is asked for, the best first, and the sentence that says so. Over ssh the best is mostly refused."""
NOT_HELD = "sleep is NOT held off by the program: switch it off in the computer's settings"
PATIENCE_S = 1.0
_ECHO = b"."


@dataclass
class AwakeKeeper:
    """Asks the system to stay awake, from its making until `close`. Never required, and raises nothing."""

    platform: str = sys.platform
    patience_s: float = PATIENCE_S
    """How long each attempt may take to be granted, seconds."""
    held: bool = field(init=False, default=False)
    text: str = field(init=False, default=NOT_HELD)
    """One sentence for the screen and the journal."""
    _process: subprocess.Popen[bytes] | None = field(init=False, default=None)

    def __post_init__(self) -> None:
        if self.platform == "darwin":
            self._hold_by_caffeinate()
        else:
            self._hold_by_systemd()

    def close(self) -> None:
        """Let the computer sleep again."""
        process, self._process, self.held = self._process, None, False
        if process is not None:
            _end(process)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _hold_by_systemd(self) -> None:
        tool, echo = shutil.which("systemd-inhibit"), shutil.which("cat")
        if tool is None or echo is None:
            return
        for what, text in LINUX_ATTEMPTS:
            process = _start([tool, f"--what={what}", "--who=holdfire", "--why=An eclipse is on", echo])
            if process is None:
                return
            if _answers(process, self.patience_s):
                self._process, self.held, self.text = process, True, text
                return
            _end(process)

    def _hold_by_caffeinate(self) -> None:
        tool = shutil.which("caffeinate")
        if tool is None:
            return
        process = _start([tool, "-i", "-s", "-w", str(os.getpid())])
        if process is not None and process.poll() is None:
            self._process, self.held = process, True
            self.text = "sleep is held off by caffeinate; a closed lid is not, on battery"


def _start(command: Sequence[str]) -> subprocess.Popen[bytes] | None:
    try:
        return subprocess.Popen(  # noqa: S603
            command,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            start_new_session=True,  # a Ctrl-C at the terminal is not for it
        )
    except OSError:
        return None


def _answers(process: subprocess.Popen[bytes], patience_s: float) -> bool:
    """Return whether the tool's child echoes: it is started once the lock is held, and not before."""
    if process.stdin is None or process.stdout is None:
        return False
    try:
        process.stdin.write(_ECHO)
        process.stdin.flush()
        ready, _, _ = select.select([process.stdout], [], [], patience_s)
        return bool(ready) and process.stdout.read(len(_ECHO)) == _ECHO
    except OSError:  # it has ended already
        return False


def _end(process: subprocess.Popen[bytes]) -> None:
    for pipe in (process.stdin, process.stdout):
        with contextlib.suppress(OSError):
            if pipe is not None:
                pipe.close()
    with contextlib.suppress(OSError):
        process.terminate()
    try:
        process.wait(timeout=1.0)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
