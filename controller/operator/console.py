"""The operator's terminal: it draws what the run shows and hands over the words that are said.

Drawing and reading happen in threads of their own: a slow or lost terminal never holds up the run.
"""

from __future__ import annotations

import contextlib
import os
import queue
import sys
import termios
import threading
import time
from collections.abc import Callable, Mapping
from types import TracebackType
from typing import Protocol, Self, TextIO

from controller.engine.view import RunView
from controller.errors import OperatorError
from controller.operator.keys import KeyDecoder, KeyReader
from controller.operator.layout import layout
from controller.operator.lines import LineReader, LineReport
from controller.operator.terminal import Input, held_terminal, write_all
from controller.operator.wording import NO_NEWS
from controller.operator.words import Word
from controller.units import NS_PER_S

_REDRAW_S = 0.1
"""At most this often the screen is drawn, seconds."""

_REPAINT_S = 5
"""This often every line is drawn anew, in case something else wrote over the screen, seconds."""

_NO_NEWS_S = 3
"""The screen says so when the run has shown nothing for so long, seconds."""


class Surface(Protocol):
    """A place where the operator sees the run and is heard; a context manager, at work once entered."""

    def __enter__(self) -> Self:
        """Begin to show and to hear."""
        ...

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """End, and give the terminal back as it was found."""
        ...

    def show(self, view: RunView) -> None:
        """Take the newest view. Returns at once and never raises."""
        ...

    @property
    def hears(self) -> bool:
        """Whether the operator can still be heard; False once the terminal is lost or its input has ended."""
        ...


class Console:
    """The full screen."""

    def __init__(
        self,
        keys_fd: int,
        screen_fd: int,
        on_word: Callable[[Word], None],
        *,
        unicode: bool,
        corner: Callable[[], str] = str,
    ) -> None:
        self._keys_fd = keys_fd
        self._screen_fd = screen_fd
        self._on_word = on_word
        self._unicode = unicode
        self._corner = corner
        self._reader = KeyReader()
        self._lock = threading.Lock()
        self._view: RunView | None = None
        self._shown_ns = 0
        self._fresh = threading.Event()
        self._ended = threading.Event()
        self._hears = True
        self._threads: list[threading.Thread] = []
        self._terminal = contextlib.ExitStack()
        self._input = Input(keys_fd)
        self._terminal.callback(self._input.close)

    def __enter__(self) -> Self:
        try:
            self._terminal.enter_context(held_terminal(self._keys_fd, screen_fd=self._screen_fd))
        except (OSError, termios.error) as error:
            self._terminal.close()
            raise OperatorError(
                f"The terminal cannot be used: {error}. "
                "Mend: start the run from a terminal, or over ssh with a terminal (ssh -t)."
            ) from None
        for work in (self._draw, self._read):
            thread = threading.Thread(target=work, name=f"console{work.__name__}", daemon=True)
            thread.start()
            self._threads.append(thread)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._ended.set()
        self._fresh.set()
        self._input.call_off()
        for thread in self._threads:
            if thread is not threading.current_thread():
                thread.join(timeout=1)
        self._terminal.close()

    def show(self, view: RunView) -> None:
        """Take the newest view. Returns at once and never raises."""
        with self._lock:
            self._view = view
            self._shown_ns = time.monotonic_ns()
        self._fresh.set()

    @property
    def hears(self) -> bool:
        """Whether the operator can still be heard; False once the terminal is lost."""
        return self._hears

    def _read(self) -> None:
        decoder = KeyDecoder()
        while data := self._input.read():
            now_ns = time.monotonic_ns()
            for key in decoder.feed(data, now_ns):
                with self._lock:
                    words = self._reader.feed(key, self._view, now_ns) if self._view else ()
                for word in words:
                    self._on_word(word)
            self._fresh.set()
        self._hears = False

    def _draw(self) -> None:
        drawn: list[str] = []
        size = (0, 0)
        painted_ns = 0
        while not self._ended.is_set():
            self._fresh.wait(timeout=0.5)
            self._fresh.clear()
            now_ns = time.monotonic_ns()
            new_size = self._size()
            if new_size != size or now_ns - painted_ns > _REPAINT_S * NS_PER_S:
                size, drawn, painted_ns = new_size, [], now_ns
            lines = self._lines(size, now_ns)
            if not lines or lines == drawn:
                continue
            try:
                write_all(self._screen_fd, _changes(drawn, lines).encode("utf-8", "replace"))
            except OSError:
                return  # the reading side finds out, too, and says so in `hears`
            drawn = lines
            self._ended.wait(_REDRAW_S)

    def _lines(self, size: tuple[int, int], now_ns: int) -> list[str]:
        with self._lock:
            view = self._view
            if view is None:
                return []
            silent_s = (now_ns - self._shown_ns) // NS_PER_S
            notice = self._reader.notice(now_ns)
            if silent_s >= _NO_NEWS_S:
                notice = f"{NO_NEWS.format(seconds=silent_s)} {notice}"
            selected, stopping = self._reader.selected_rig(now_ns), self._reader.confirming_stop(now_ns)
        return layout(view, *size, selected, stopping, self._unicode, notice, self._corner())

    def _size(self) -> tuple[int, int]:
        try:
            columns, rows = os.get_terminal_size(self._screen_fd)
        except OSError:
            return 80, 24
        return columns or 80, rows or 24


def _changes(drawn: list[str], lines: list[str]) -> str:
    """Return what turns the screen from `drawn` to `lines`: whole rows, each set by its place."""
    clear = "" if drawn else "\x1b[2J"
    rows = [
        f"\x1b[{number};1H\x1b[2K{line}"
        for number, line in enumerate(lines, start=1)
        if number > len(drawn) or drawn[number - 1] != line
    ]
    return clear + "".join(rows)


class LineConsole:
    """The line mode."""

    def __init__(
        self,
        words_fd: int,
        lines_out: TextIO,
        on_word: Callable[[Word], None],
        *,
        unicode: bool,
        corner: Callable[[], str] = str,
    ) -> None:
        self._words_fd = words_fd
        self._lines_out = lines_out
        self._on_word = on_word
        self._corner = corner
        self._corner_told = ""
        self._report = LineReport(unicode=unicode)
        self._reader = LineReader()
        self._view: RunView | None = None
        self._queue: queue.SimpleQueue[str | None] = queue.SimpleQueue()
        self._hears = True
        self._terminal = contextlib.ExitStack()
        self._input = Input(words_fd)
        self._terminal.callback(self._input.close)
        self._threads = [
            threading.Thread(target=work, name=f"console{work.__name__}", daemon=True)
            for work in (self._write, self._read)
        ]

    def __enter__(self) -> Self:
        with contextlib.suppress(OSError, termios.error):  # a pipe has no keys to switch off
            self._terminal.enter_context(held_terminal(self._words_fd, screen_fd=None))
        for thread in self._threads:
            thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._input.call_off()
        self._queue.put(None)
        for thread in self._threads:
            if thread is not threading.current_thread():
                thread.join(timeout=1)
        self._terminal.close()

    def show(self, view: RunView) -> None:
        """Take the newest view. Returns at once and never raises."""
        self._view = view
        if (corner := self._corner()) != self._corner_told:
            self._corner_told = corner
            self._queue.put(f"Page: {corner or 'off'}")
        for line in self._report.lines(view):
            self._queue.put(line)

    @property
    def hears(self) -> bool:
        """Whether the operator can still be heard; False once the input has ended."""
        return self._hears

    def _read(self) -> None:
        typed = b""
        while data := self._input.read():
            *lines, typed = (typed + data).split(b"\n")
            for line in lines:
                if self._view is None:
                    continue
                answer = self._reader.feed(line.decode("utf-8", "replace"), self._view, time.monotonic_ns())
                for word in answer.words:
                    self._on_word(word)
                if answer.reply:
                    self._queue.put(answer.reply)
        self._hears = False  # a last line that was not finished is no word
        if not self._input.called_off:
            self._queue.put("The input has ended: no more words can be heard here.")

    def _write(self) -> None:
        with contextlib.suppress(OSError, ValueError):
            while (line := self._queue.get()) is not None:
                print(line, file=self._lines_out, flush=True)


def open_console(
    on_word: Callable[[Word], None],
    *,
    plain: bool = False,
    piped_words: bool = False,
    corner: Callable[[], str] = str,
    words_in: TextIO | None = None,
    screen: TextIO | None = None,
    environment: Mapping[str, str] | None = None,
) -> Surface:
    """Return the operator's console: the full screen, or the line mode where it is wanted or needed.

    Args:
        on_word: takes each word, in another thread than the caller's; it is to return at once.
        plain: the line mode. It is taken as well where the screen cannot place a cursor.
        piped_words: allow words from something that is no terminal (line mode only). For simulated
            cameras only: with a real one, words from a file would answer holds that nobody looked at.
        corner: what else stands on the screen, such as the page's address; asked again and again.
        words_in: where keys and lines come from; standard input when left out.
        screen: where to draw; standard output when left out.
        environment: the environment variables; the process' own when left out.

    Raises:
        OperatorError: if `words_in` is no terminal: nobody could be heard.
    """
    words_in = sys.stdin if words_in is None else words_in
    screen = sys.stdout if screen is None else screen
    environment = os.environ if environment is None else environment
    unicode = (screen.encoding or "").lower().replace("-", "") == "utf8"
    drawable = screen.isatty() and environment.get("TERM", "dumb") not in ("", "dumb")
    words_fd = _descriptor(words_in)
    if words_fd is None or not (words_in.isatty() or (plain and piped_words)):
        raise OperatorError(
            "The run cannot hear you: its input is not a terminal, and no filter could be confirmed. "
            "Mend: start it from a terminal, or over ssh with a terminal (ssh -t)."
        )
    if plain or not drawable:
        return LineConsole(words_fd, screen, on_word, unicode=unicode, corner=corner)
    return Console(words_fd, screen.fileno(), on_word, unicode=unicode, corner=corner)


def _descriptor(stream: TextIO | None) -> int | None:
    """Return the file descriptor of a stream; None when it has none, or was closed before the start."""
    try:
        return None if stream is None else stream.fileno()
    except (OSError, ValueError):
        return None
