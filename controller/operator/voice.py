"""Spoken cues. A voice never waits, and never raises into the run: a broken one rings the bell."""

from __future__ import annotations

import contextlib
import os
import select
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from controller.units import NS_PER_S, seconds_to_ns

STALE_S = 1
"""A sentence that cannot begin within this time of its due instant is dropped, seconds."""

_LONGEST_S = 30
"""A sentence that takes longer has hung, seconds."""


class Voice(Protocol):
    """Something that says a sentence aloud."""

    manner: str
    """How it speaks, in a few words for the operator."""

    def say(self, text: str, urgent: bool, late_s: float = 0.0) -> None:
        """Say a sentence from now on, in the background. Returns at once and never raises.

        An urgent sentence cuts off the one being said. One that is late by more than `STALE_S` when it could
        begin is dropped; `late_s` is how late it is already.
        """
        ...

    def finish(self, patience_s: float) -> bool:
        """Wait until all is said, at most so many seconds; tell whether it is."""
        ...

    def close(self) -> None:
        """Fall silent. Never raises."""
        ...


class SilentVoice:
    """Says nothing."""

    manner = "silent"

    def say(self, text: str, urgent: bool, late_s: float = 0.0) -> None:
        """Say nothing."""

    def finish(self, patience_s: float) -> bool:  # noqa: ARG002
        """Return at once."""
        return True

    def close(self) -> None:
        """Do nothing."""


class BellVoice:
    """Rings the terminal's bell: once, or three times when it is urgent."""

    manner = "terminal bell"

    def __init__(self, fd: int | None = None) -> None:
        """Take the terminal's file descriptor; standard error's when left out."""
        self._fd = fd

    def say(self, text: str, urgent: bool, late_s: float = 0.0) -> None:  # noqa: ARG002
        """Ring, unless it is late, there is no terminal or it takes nothing at the moment."""
        if late_s > STALE_S:
            return
        with contextlib.suppress(OSError, ValueError):
            fd = sys.stderr.fileno() if self._fd is None else self._fd
            if os.isatty(fd) and select.select([], [fd], [], 0)[1]:
                os.write(fd, b"\a\a\a" if urgent else b"\a")

    def finish(self, patience_s: float) -> bool:  # noqa: ARG002
        """Return at once."""
        return True

    def close(self) -> None:
        """Do nothing."""


@dataclass(frozen=True)
class _Sentence:
    text: str
    urgent: bool
    due_ns: int
    """By the steady clock."""


class EspeakVoice:
    """Speaks through the espeak-ng program, one sentence at a time, in a process of its own.

    The sentence goes in by standard input, so that no text can pass for an option. espeak-ng ends with
    0 even where it found no sound device, and only says ``error:`` on standard error: that counts as broken.
    """

    manner = "espeak-ng"

    def __init__(
        self,
        program: str,
        language: str = "en",
        *,
        bell: Voice | None = None,
        steady_ns: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        """Take the program's path, a BCP 47 tag, what to ring when it breaks, and a steady clock in nanoseconds."""
        self._command = [program, "-v", language, "--stdin"]
        self._bell = bell or BellVoice()
        self._steady_ns = steady_ns
        self._changed = threading.Condition()
        self._waiting: deque[_Sentence] = deque()
        self._process: subprocess.Popen[bytes] | None = None
        self._speaking = False
        self._cut_off = False
        self._closed = False
        self._thread = threading.Thread(target=self._work, name="voice", daemon=True)
        self._thread.start()

    def say(self, text: str, urgent: bool, late_s: float = 0.0) -> None:
        """Say a sentence in the background; an urgent one cuts off what is being said."""
        sentence = _Sentence(text, urgent, self._steady_ns() - seconds_to_ns(late_s))
        with self._changed:
            if self._closed:
                return
            if urgent:
                self._waiting.clear()
                self._cut_off_now()
            self._waiting.append(sentence)
            self._changed.notify_all()

    def finish(self, patience_s: float) -> bool:
        """Wait until all is said, at most so many seconds; tell whether it is."""
        with self._changed:
            return self._changed.wait_for(lambda: not self._waiting and not self._speaking, patience_s)

    def close(self) -> None:
        """Fall silent at once."""
        with self._changed:
            self._closed = True
            self._waiting.clear()
            self._cut_off_now()
            self._changed.notify_all()
        self._thread.join(timeout=2)

    def _cut_off_now(self) -> None:
        """End the sentence being said or about to be. The lock is held."""
        self._cut_off = True
        if self._process is not None:
            _kill(self._process)

    def _work(self) -> None:
        while True:
            with self._changed:
                self._speaking = False
                self._changed.notify_all()
                self._changed.wait_for(lambda: self._waiting or self._closed)
                if self._closed:
                    return
                sentence = self._waiting.popleft()
                if self._steady_ns() - sentence.due_ns > STALE_S * NS_PER_S:
                    continue
                self._speaking = True
                self._cut_off = False
            process = self._begin()
            with self._changed:
                self._process = process
                if process is not None and self._cut_off:
                    _kill(process)
            spoken = process is not None and self._finish(process, sentence)
            with self._changed:
                self._process = None
                cut_off = self._cut_off
            if not spoken and not cut_off:
                self._bell.say(sentence.text, sentence.urgent)

    def _begin(self) -> subprocess.Popen[bytes] | None:
        try:
            return subprocess.Popen(  # noqa: S603
                self._command,
                stdin=subprocess.PIPE,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.PIPE,
                start_new_session=True,  # a Ctrl-C at the terminal is not for the voice
            )
        except OSError:
            return None

    @staticmethod
    def _finish(process: subprocess.Popen[bytes], sentence: _Sentence) -> bool:
        """Wait for the sentence to end; tell whether it was heard."""
        try:
            _, said = process.communicate(sentence.text.encode("utf-8", "replace"), timeout=_LONGEST_S)
        except (subprocess.TimeoutExpired, OSError, ValueError):
            _kill(process)
            with contextlib.suppress(subprocess.TimeoutExpired, OSError, ValueError):
                process.communicate(timeout=2)
            return False
        broken = any(line.startswith(b"error:") for line in said.lower().splitlines())
        return process.returncode == 0 and not broken


def _kill(process: subprocess.Popen[bytes]) -> None:
    """End a speaking process and whatever it started."""
    if process.poll() is None:
        with contextlib.suppress(OSError):
            os.killpg(process.pid, signal.SIGKILL)


def pick_voice(silent: bool, language: str = "en", *, bell: Voice | None = None) -> Voice:
    """Return the best voice there is: espeak-ng if it is installed, else the bell; or none if `silent`.

    Args:
        silent: that nothing may be heard.
        language: of the sentences, a BCP 47 tag.
        bell: rung where nothing speaks; the terminal's when None.
    """
    if silent:
        return SilentVoice()
    program = shutil.which("espeak-ng")
    bell = bell or BellVoice()
    return EspeakVoice(program, language, bell=bell) if program else bell


def speaks(language: str) -> bool | None:
    """Tell whether espeak-ng has a voice for a language (a BCP 47 tag); None where it is not installed."""
    program = shutil.which("espeak-ng")
    if program is None:
        return None
    with contextlib.suppress(OSError, subprocess.TimeoutExpired):
        done = subprocess.run(  # noqa: S603
            [program, "-q", "-v", language, "--stdin"],
            input=b"", capture_output=True, check=False, timeout=_LONGEST_S,
        )  # fmt: skip
        return done.returncode == 0
    return False
