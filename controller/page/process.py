"""The run's side of the page: a surface that looks on, and says words, through a process of its own.

Nothing here waits for that process. Only the newest view and pictures are kept for it, sentences are bounded, and
when it ends it is started again a few times, with the same sessions and the same code. The web server is imported
there, not here.
"""

from __future__ import annotations

import contextlib
import os
import threading
import time
import traceback
from collections import deque
from collections.abc import Callable
from dataclasses import replace
from multiprocessing.connection import Connection
from pathlib import Path

from controller.cameras.children import Child, children, start_child
from controller.cameras.protocol import Clock
from controller.engine import messages as m
from controller.engine.view import RunView
from controller.live.driver import Post, Speaker
from controller.operator.bridge import event_of
from controller.operator.words import OLD_WORD_S, may_be_old, spoken
from controller.page.messages import (
    Close,
    Failed,
    FromPage,
    Left,
    Listening,
    PageSpec,
    Paired,
    Pictured,
    Refused,
    Said,
    Shown,
    Spoken,
)
from controller.units import NS_PER_S, UtcNs, seconds_to_ns

TRIES = 5
"""So often in a run the process is started again."""
_FIRST_PAUSE_S = 0.5
_CALM_GAP_S = 0.2
"""A view that says nothing new but the time, or another frame, follows another by this."""
_NEWS_GAP_S = 0.02
"""Any other view does by this."""
_SENTENCES = 20
_CLOSING_S = 3.0


class PageProcess:
    """The page, from its start to the end of the run. Its process is started at once."""

    def __init__(self, spec: PageSpec) -> None:
        self._spec = spec
        self._post: Post | None = None
        self._clock: Clock | None = None
        self._changed = threading.Condition()
        self._view: RunView | None = None
        self._told: deque[Spoken] = deque(maxlen=_SENTENCES)
        self._pictures: dict[str, Pictured] = {}
        self._closing = threading.Event()
        self._listening = threading.Event()
        self._given_up = False
        self._process, self._connection = self._start()
        self._supervisor = threading.Thread(target=self._supervise, name="page", daemon=True)
        self._supervisor.start()

    # --- for the run --------------------------------------------------------------------------

    @property
    def code(self) -> str:
        """The pairing code that counts now; empty when there is no page any more."""
        return "" if self._given_up else self._spec.code

    @property
    def pid(self) -> int | None:
        """The process' id."""
        return self._process.pid

    def open(self, post: Post, clock: Clock) -> None:
        """Let words count from now on."""
        self._post, self._clock = post, clock

    def show(self, view: RunView) -> None:
        """Take the newest view. Returns at once and never raises."""
        with self._changed:
            self._view = view
            self._changed.notify_all()

    def say(self, text: str, urgent: bool, late_s: float = 0.0) -> None:
        """Have the open pages speak a sentence that was due so long ago. Returns at once and never raises."""
        if self._clock:
            told = Spoken(text, urgent, self._clock.now_ns() - seconds_to_ns(late_s))
            with self._changed:
                self._told.append(told)
                self._changed.notify_all()

    def picture(self, rig: str, number: int, jpeg: bytes) -> None:
        """Give the pages a rig's newest thumbnail. Returns at once and never raises."""
        with self._changed:
            self._pictures = {**self._pictures, rig: Pictured(rig, number, jpeg)}
            self._changed.notify_all()

    def close(self) -> None:
        """Show the pages the last view, and end the process."""
        if self._closing.is_set():
            return
        with self._changed:
            self._closing.set()
            self._changed.notify_all()
        self._supervisor.join(_CLOSING_S)
        if self._process.is_alive():
            self._process.kill()
        self._process.join(_CLOSING_S)
        self._spec.listening.close()

    def wait_until_it_listens(self, timeout_s: float) -> bool:
        """Wait until the page answers; tell whether it does."""
        return self._listening.wait(timeout_s)

    # --- the process --------------------------------------------------------------------------

    def _start(self) -> tuple[Child, Connection]:
        ours, theirs = children().Pipe()
        process = start_child("page", _child_main, self._spec, theirs)
        theirs.close()
        sender = threading.Thread(target=self._send_all, args=(ours,), name="to the page", daemon=True)
        sender.start()
        return process, ours

    def _supervise(self) -> None:
        """Hear the process until it ends; start it again until the tries are used up."""
        for tries in range(TRIES + 1):
            why = self._hear_all()
            self._process.join(_CLOSING_S)
            if self._process.is_alive():
                self._process.kill()
            self._listening.clear()
            if self._closing.is_set():
                return
            if tries == TRIES:
                break
            self._note(f"the page's process ended{why}; it is started again and the run goes on")
            if self._closing.wait(_FIRST_PAUSE_S * 2**tries):
                return
            try:
                self._process, self._connection = self._start()
            except OSError as error:
                self._note(f"the page's process cannot be started: {error}")
                break
        self._given_up = True
        self._note("the page stays off; the run goes on without it")

    def _hear_all(self) -> str:
        """Take what the process says until it ends; return why it did, where it said so."""
        why = ""
        while True:
            try:
                message: FromPage = self._connection.recv()
            except Exception:  # noqa: BLE001 - its end, or nonsense, which is the end of it as well
                self._process.kill()
                return why
            match message:
                case Said():
                    self._hear(message)
                case Paired(digest=digest, next_code=code):
                    self._spec = replace(self._spec, code=code, sessions=(*self._spec.sessions, digest))
                case Left(digest=digest):
                    kept = tuple(one for one in self._spec.sessions if one != digest)
                    self._spec = replace(self._spec, sessions=kept)
                case Refused(address=address):
                    self._note(f"the page was given wrong pairing codes from {address}")
                case Listening():
                    self._listening.set()
                case Failed(text=text):
                    why = f" ({text})"

    def _hear(self, said: Said) -> None:
        """Pass words on to the run; not those that wake up with a page that stood still, and may be true no more."""
        if self._post and self._clock:
            old_s = (self._clock.now_ns() - said.view_utc_ns) / NS_PER_S
            if old_s > OLD_WORD_S and not all(may_be_old(word) for word in said.words):
                self._note(f"the page stood still: not heard, {old_s:.0f} s old: {spoken(said.words)}")
                return
            for left, word in zip(reversed(range(len(said.words))), said.words, strict=True):
                event = event_of(word, self._clock.now_ns(), by="page", word_id=said.word_id)
                self._post(replace(event, more_follow=left > 0))

    def _note(self, text: str) -> None:
        if self._post and self._clock:
            self._post(m.Noted(now_utc_ns=UtcNs(self._clock.now_ns()), text=text))

    # --- its thread that sends ------------------------------------------------------------------

    def _send_all(self, connection: Connection) -> None:
        """Send what is spoken, the newest pictures and view. A process that takes nothing blocks only this thread."""
        shown: RunView | None = None
        pictured: dict[str, Pictured] = {}
        sent_s = 0.0
        try:
            while True:
                with self._changed:
                    while not (
                        self._told
                        or self._pictures is not pictured
                        or self._view is not shown
                        or self._closing.is_set()
                    ):
                        self._changed.wait()
                    closing, told, view = self._closing.is_set(), list(self._told), self._view
                    before, pictured = pictured, self._pictures
                    self._told.clear()
                for sentence in told:
                    connection.send(sentence)
                for rig, picture in pictured.items():
                    if before.get(rig) is not picture:
                        connection.send(picture)
                if view is not None and view is not shown:
                    gap_s = _NEWS_GAP_S if shown is None or _news(view) != _news(shown) else _CALM_GAP_S
                    wait_s = sent_s + gap_s - time.monotonic()
                    if wait_s > 0 and not closing:
                        self._closing.wait(min(wait_s, _NEWS_GAP_S))
                        continue
                    connection.send(Shown(view))
                    shown, sent_s = view, time.monotonic()
                if closing:
                    connection.send(Close())
                    return
        except OSError:
            return  # it has ended: the supervisor knows


def _news(view: RunView) -> tuple[object, ...]:
    """Return what an operator has to see at once: all but the time and the tallies of frames."""
    rigs = tuple(
        (rig.phase, rig.filter_asked, rig.filter_said, rig.camera_ready, rig.paused, rig.last_error)
        for rig in view.rigs
    )
    return (view.state, view.heard, view.alarm, view.last_said, view.next_contact, rigs)


def _child_main(spec: PageSpec, connection: Connection) -> None:
    os.dup2(os.open(os.devnull, os.O_WRONLY), 2)  # nothing is printed: the terminal is the run's
    try:
        from controller.page.service import serve

        serve(spec, connection)
    except Exception as error:  # noqa: BLE001 - the run is told, and starts another process
        where = traceback.extract_tb(error.__traceback__)[-1]
        with contextlib.suppress(OSError):
            place = f"{Path(where.filename).name}:{where.lineno}"
            connection.send(Failed(f"{type(error).__name__}: {error} ({place})"))
        raise SystemExit(1) from None


class AlsoOnThePage:
    """A voice that the open pages speak along with."""

    def __init__(self, voice: Speaker, say_too: Callable[[str, bool, float], None]) -> None:
        self._voice, self._say_too = voice, say_too

    def say(self, text: str, urgent: bool, late_s: float = 0.0) -> None:
        """Speak here and there."""
        self._say_too(text, urgent, late_s)
        self._voice.say(text, urgent, late_s)
