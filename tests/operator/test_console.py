"""The console on a real pseudo-terminal: drawing, keys, and giving the terminal back."""

from __future__ import annotations

import io
import os
import pty
import re
import select
import signal
import subprocess
import sys
import termios
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import pytest

from controller.errors import OperatorError
from controller.operator.console import Console, LineConsole, open_console
from controller.operator.words import FilterWord, PauseWord, StopWord, Word
from tests.operator.views import ASKS_OFF, CALM, OFF, ON

PATIENCE_S = 30.0
"""How long a test waits for another thread or process before it gives up; no result depends on it."""


def until(holds: Callable[[], bool]) -> None:
    """Wait until something holds."""
    ends = time.monotonic() + PATIENCE_S
    while not holds():
        assert time.monotonic() < ends, "waited in vain"
        time.sleep(0.005)


class Terminal:
    """A pseudo-terminal of 80 by 24 with somebody in front of it."""

    def __init__(self) -> None:
        self.master, self.slave = pty.openpty()
        termios.tcsetwinsize(self.slave, (24, 80))
        self.before = termios.tcgetattr(self.slave)
        self.shown = b""
        self._ended = threading.Event()
        self._reader = threading.Thread(target=self._read)
        self._reader.start()

    def _read(self) -> None:
        while not self._ended.is_set():
            if select.select([self.master], [], [], 0.02)[0]:
                try:
                    self.shown += os.read(self.master, 65536)
                except OSError:
                    return

    def type(self, keys: bytes) -> None:
        os.write(self.master, keys)

    def sees(self, text: str) -> None:
        until(lambda: text.encode() in self.shown)

    def is_as_before(self) -> bool:
        return termios.tcgetattr(self.slave) == self.before

    def close(self) -> None:
        self._ended.set()
        self._reader.join()
        os.close(self.master)
        os.close(self.slave)


@pytest.fixture
def terminal() -> Iterator[Terminal]:
    made = Terminal()
    yield made
    made.close()


def test_the_console_draws_and_hears(terminal: Terminal) -> None:
    """A view is drawn, a key becomes a word, and what was heard is shown."""
    words: list[Word] = []
    with Console(terminal.slave, terminal.slave, words.append, unicode=True) as console:
        console.show(ASKS_OFF)
        terminal.sees("Press f when they ALL are OFF")
        terminal.sees("██████  ██  ██")
        terminal.type(b"2f")
        until(lambda: words == [FilterWord(rig="wide", state=OFF)])
        terminal.sees("Heard: filter is OFF (wide).")
        terminal.type(b"q")
        terminal.sees("to STOP THE RUN for good")
        terminal.type(b"y")
        until(lambda: words[1:] == [StopWord()])
        assert console.hears


def test_only_rows_that_change_are_drawn(terminal: Terminal) -> None:
    """After the first drawing, a changed row is set by its place, without clearing the screen."""
    with Console(terminal.slave, terminal.slave, lambda word: None, unicode=True) as console:
        console.show(CALM)
        terminal.sees("leave the filters as they are")
        already = len(terminal.shown)
        console.show(replace(CALM, last_said="Ten seconds"))
        terminal.sees('Said last: "Ten seconds"')
        assert b"\x1b[13;1H\x1b[2KSaid last" in terminal.shown[already:]
        assert b"RUNNING" not in terminal.shown[already:]


def test_keys_before_the_first_view_mean_nothing(terminal: Terminal) -> None:
    """Nobody can answer what has not been shown."""
    words: list[Word] = []
    with Console(terminal.slave, terminal.slave, words.append, unicode=True) as console:
        terminal.type(b"n")
        until(lambda: not select.select([terminal.slave], [], [], 0)[0])
        console.show(CALM)
        terminal.sees("leave the filters as they are")
        terminal.type(b"p")
        until(lambda: bool(words))
        assert words == [PauseWord(rig=None)]


def test_a_new_size_is_drawn_anew(terminal: Terminal) -> None:
    """When the window changes its size, the screen is drawn for the new one."""
    with Console(terminal.slave, terminal.slave, lambda word: None, unicode=True) as console:
        console.show(CALM)
        terminal.sees("f filter IS off")
        termios.tcsetwinsize(terminal.slave, (15, 40))
        terminal.sees("\x1b[15;1H\x1b[2Kf IS off  n IS on  p/g pause/go  q stop")


def test_a_silent_run_is_told_of(terminal: Terminal, monkeypatch: pytest.MonkeyPatch) -> None:
    """When no view comes any more, the screen says that what it shows is old."""
    monkeypatch.setattr("controller.operator.console._NO_NEWS_S", 0)
    with Console(terminal.slave, terminal.slave, lambda word: None, unicode=True) as console:
        console.show(CALM)
        terminal.sees("NO NEWS FROM THE RUN")


def test_keys_that_halt_are_off_while_the_run_goes(terminal: Terminal) -> None:
    """Suspend, quit and stopping the output are off, single keys and Ctrl-C are on."""
    with Console(terminal.slave, terminal.slave, lambda word: None, unicode=True):
        mode: list[Any] = termios.tcgetattr(terminal.slave)
        assert not mode[3] & (termios.ICANON | termios.ECHO)
        assert mode[3] & termios.ISIG
        assert not mode[0] & termios.IXON
        disabled = os.fpathconf(terminal.slave, "PC_VDISABLE").to_bytes(1, "little")
        assert mode[6][termios.VSUSP] == mode[6][termios.VQUIT] == disabled
        assert mode[6][termios.VINTR] == terminal.before[6][termios.VINTR]
    assert terminal.is_as_before()


def test_the_terminal_is_given_back_after_an_exception(terminal: Terminal) -> None:
    """An exception in the run leaves the terminal as it was found, with its cursor and its own screen."""
    with (
        pytest.raises(ZeroDivisionError),
        Console(terminal.slave, terminal.slave, lambda word: None, unicode=True),
    ):
        _ = 1 / 0
    assert terminal.is_as_before()
    terminal.sees("\x1b[?25h\x1b[?1049l")


_CHILD = """
import sys, time
from controller.operator.console import open_console
with open_console(lambda word: None, plain={plain}) as console:
    sys.stderr.write("open\\n"); sys.stderr.flush()
    {then}
"""


@pytest.mark.parametrize("plain", [False, True])
@pytest.mark.parametrize(
    ("then", "number"),
    [
        ("time.sleep(600)", signal.SIGTERM),
        ("time.sleep(600)", signal.SIGHUP),
        ("time.sleep(600)", signal.SIGINT),
        ("sys.exit(3)", None),
    ],
)
def test_the_terminal_is_given_back_when_the_process_ends(
    terminal: Terminal, plain: bool, then: str, number: signal.Signals | None
) -> None:
    """However the process is ended, short of a kill, the terminal is as it was found."""
    with subprocess.Popen(
        [sys.executable, "-c", _CHILD.format(plain=plain, then=then)],
        stdin=terminal.slave,
        stdout=terminal.slave,
        stderr=subprocess.PIPE,
        env={**os.environ, "TERM": "xterm-256color"},
    ) as child:
        assert child.stderr is not None
        assert child.stderr.readline() == b"open\n"
        if number is not None:
            assert not terminal.is_as_before()
            child.send_signal(number)
        code = child.wait(PATIENCE_S)
    assert code == (3 if number is None else -number)
    assert terminal.is_as_before()
    if not plain:
        terminal.sees("\x1b[?25h\x1b[?1049l")


def test_the_terminal_is_given_back_when_nobody_leaves_the_console(terminal: Terminal) -> None:
    """A process that ends without having left the console gives the terminal back all the same."""
    code = "from controller.operator.console import open_console\nopen_console(print).__enter__()"
    done = subprocess.run(
        [sys.executable, "-c", code],
        stdin=terminal.slave,
        stdout=terminal.slave,
        env={**os.environ, "TERM": "xterm-256color"},
        timeout=PATIENCE_S,
        check=False,
    )
    assert done.returncode == 0
    terminal.sees("\x1b[?1049h")
    assert terminal.is_as_before()


def test_signals_that_others_handle_are_left_to_them(terminal: Terminal) -> None:
    """Where the run handles SIGTERM itself, the console does not take it over."""
    mine = signal.signal(signal.SIGTERM, lambda *_: None)
    try:
        handler = signal.getsignal(signal.SIGTERM)
        with Console(terminal.slave, terminal.slave, lambda word: None, unicode=True):
            assert signal.getsignal(signal.SIGTERM) is handler
        assert signal.getsignal(signal.SIGTERM) is handler
    finally:
        signal.signal(signal.SIGTERM, mine)


def test_a_lost_terminal_does_not_raise_into_the_run() -> None:
    """HF-S18: when the terminal goes away, the run goes on and can know that nobody is heard."""
    master, slave = pty.openpty()
    try:
        with Console(slave, slave, lambda word: None, unicode=True) as console:
            console.show(CALM)
            assert select.select([master], [], [], PATIENCE_S)[0]
            os.close(master)
            until(lambda: not console.hears)
            console.show(ASKS_OFF)
    finally:
        os.close(slave)


# --- opening -----------------------------------------------------------------------------------


class TextTerminal(io.StringIO):
    """A text stream that says it is a terminal."""

    def isatty(self) -> bool:
        return True

    def fileno(self) -> int:
        return 0

    encoding = "utf-8"  # type: ignore[assignment]


@pytest.mark.parametrize("plain", [False, True])
def test_without_a_terminal_there_is_no_run(plain: bool) -> None:
    """HF-S14: a run that could not hear the operator is refused, in one line that says how to mend it."""
    with pytest.raises(OperatorError, match="ssh -t") as caught:
        open_console(lambda word: None, plain=plain, words_in=io.StringIO("off\n"), screen=TextTerminal())
    assert caught.value.exit_code == 7
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("words_in", [io.StringIO("off\n"), None], ids=["no descriptor", "closed"])
def test_input_that_cannot_be_waited_on_is_refused(
    words_in: io.StringIO | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Input that is closed or has no file descriptor is refused in the same way, even where pipes are allowed."""
    monkeypatch.setattr(sys, "stdin", words_in)
    with pytest.raises(OperatorError, match="ssh -t"):
        open_console(lambda word: None, plain=True, piped_words=True, screen=TextTerminal())


def test_piped_words_are_for_the_line_mode_only() -> None:
    """Words from a pipe are refused by the full screen even where they are allowed."""
    with pytest.raises(OperatorError):
        open_console(lambda word: None, piped_words=True, words_in=io.StringIO(), screen=TextTerminal())


@pytest.mark.parametrize(
    ("plain", "screen", "term", "kind"),
    [
        (False, TextTerminal(), "xterm", Console),
        (True, TextTerminal(), "xterm", LineConsole),
        (False, TextTerminal(), "dumb", LineConsole),
        (False, io.StringIO(), "xterm", LineConsole),
    ],
)
def test_the_full_screen_is_for_screens_that_can_draw_it(
    plain: bool, screen: io.StringIO, term: str, kind: type
) -> None:
    """The line mode is taken where it is asked for, on a dumb terminal, and where the output is a file."""
    surface = open_console(
        lambda word: None, plain=plain, words_in=TextTerminal(), screen=screen, environment={"TERM": term}
    )
    assert type(surface) is kind


def test_no_colour_is_ever_sent(terminal: Terminal) -> None:
    """The console sends no colour, bold or blinking at all, so that nothing can depend on it."""
    with Console(terminal.slave, terminal.slave, lambda word: None, unicode=True) as console:
        console.show(ASKS_OFF)
        terminal.sees("q stop")
    assert not re.search(rb"\x1b\[[0-9;]*m", terminal.shown)


def test_the_line_mode_tells_and_hears_through_pipes() -> None:
    """Lines come out, words come in, and the end of the input is told and known."""
    words: list[Word] = []
    read_end, write_end = os.pipe()
    out = io.StringIO()
    with (
        os.fdopen(read_end, encoding="utf-8") as typed,
        os.fdopen(write_end, "w", encoding="utf-8") as keyboard,
    ):
        console = open_console(words.append, plain=True, piped_words=True, words_in=typed, screen=out)
        with console:
            console.show(ASKS_OFF)
            print("on", file=keyboard, flush=True)
            until(lambda: words == [FilterWord(rig=None, state=ON)])
            print("off of course", file=keyboard, flush=True)
            until(lambda: "There is no rig 'of course'" in out.getvalue())
            print("pause", end="", file=keyboard, flush=True)  # a line that is never finished
            keyboard.close()
            until(lambda: not console.hears)
        assert words == [FilterWord(rig=None, state=ON)]
    assert "FILTER OFF: long, wide" in out.getvalue()
    assert "no more words can be heard here" in out.getvalue()


def test_the_line_mode_keeps_halting_keys_off_and_gives_them_back(terminal: Terminal) -> None:
    """In the line mode on a terminal, lines are edited as ever, but Ctrl-Z does not halt the run."""
    words: list[Word] = []
    with LineConsole(terminal.slave, io.StringIO(), words.append, unicode=True) as console:
        mode: list[Any] = termios.tcgetattr(terminal.slave)
        assert mode[3] & termios.ICANON
        disabled = os.fpathconf(terminal.slave, "PC_VDISABLE").to_bytes(1, "little")
        assert mode[6][termios.VSUSP] == disabled
        console.show(CALM)
        terminal.type(b"pause\n")
        until(lambda: words == [PauseWord(rig=None)])
        assert console.hears
    assert terminal.is_as_before()
