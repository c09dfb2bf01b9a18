"""A page's process without a run around it: the test shows the views and takes the words."""

from __future__ import annotations

import contextlib
import queue
import socket
import time
import uuid
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, Self

import httpx

from controller.cameras.clock import VirtualClock
from controller.engine import messages as m
from controller.page.access import new_code
from controller.page.address import SEND_BUFFER_BYTES
from controller.page.data import day_json
from controller.page.messages import Limits, PageSpec
from controller.page.process import PageProcess
from controller.timeline.model import Timeline
from tests.engine.builder import at, frame, timeline

PATIENCE_S = 30.0
"""No wait of these tests takes longer unless something is broken."""


class Browser(httpx.Client):
    """A client that may already have asked something when its ``with`` begins."""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


class Served:
    """A page that is served, and what came from it."""

    def __init__(
        self,
        limits: Limits,
        tls: tuple[Path, Path] | None = None,
        day: Timeline | None = None,
        language: str = "en",
    ) -> None:
        listening = socket.create_server(("127.0.0.1", 0))
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, SEND_BUFFER_BYTES)
        port = listening.getsockname()[1]
        self.origin = f"{'https' if tls else 'http'}://127.0.0.1:{port}"
        self.port = port
        self.events: queue.SimpleQueue[m.Event] = queue.SimpleQueue()
        spec = PageSpec(
            listening=listening,
            secure=tls is not None,
            certificate=str(tls[0]) if tls else None,
            certificate_key=str(tls[1]) if tls else None,
            names=("localhost",),
            day=day_json(day or timeline([frame(1, 110)]), language),
            language=language,
            code=new_code(),
            limits=limits,
        )
        self.page = PageProcess(spec)
        self.clock = VirtualClock(at(5))
        self.page.open(self.events.put, self.clock)
        assert self.page.wait_until_it_listens(PATIENCE_S)

    def client(self, **more: Any) -> Browser:
        """A browser of ours that is not paired yet."""
        return Browser(base_url=self.origin, headers={"Origin": self.origin}, timeout=PATIENCE_S, **more)

    def paired(self, **more: Any) -> Browser:
        """A paired browser."""
        client = self.client(**more)
        before = self.page.code
        assert client.post("/api/pair", json={"code": before}).status_code == 204
        until(lambda: self.page.code != before)
        return client

    def said(self) -> list[m.Event]:
        """The events that have come, once nothing more is on its way."""
        marker = self.paired()  # what was said before this pairing is told by the run is heard by now
        marker.close()
        found = []
        with contextlib.suppress(queue.Empty):
            while True:
                found.append(self.events.get_nowait())
        return found


@contextlib.contextmanager
def serving(
    limits: Limits | None = None,
    tls: tuple[Path, Path] | None = None,
    day: Timeline | None = None,
    language: str = "en",
) -> Iterator[Served]:
    """Serve a page, and end it."""
    served = Served(limits or Limits(), tls, day, language)
    try:
        yield served
    finally:
        served.page.close()


def until(true: Any) -> None:
    """Wait until something is true."""
    end = time.monotonic() + PATIENCE_S
    while not true():
        assert time.monotonic() < end, "it never came"
        time.sleep(0.01)


def word(kind: str, **more: Any) -> dict[str, Any]:
    """A word as the page sends it."""
    return {"id": str(uuid.uuid4()), "kind": kind, **more}


def loose(limits: Limits | None = None) -> Limits:
    """Limits that no test of other things runs into."""
    return replace(limits or Limits(), wrong_tries=10**6, wrong_tries_per_address=10**6, words=10**6)


class Events:
    """An open stream of events, read as it comes."""

    def __init__(self, client: httpx.Client) -> None:
        self._stack = contextlib.ExitStack()
        self.answer = self._stack.enter_context(client.stream("GET", "/api/events"))
        self._lines = self.answer.iter_lines()

    def next(self, kind: str) -> str:
        """The data of the next event of a kind."""
        for line in self._lines:
            if line == f"event: {kind}":
                return next(self._lines).removeprefix("data: ")
        raise AssertionError("the stream has ended")

    def read_to_its_end(self) -> None:
        """Read until the page ends the stream."""
        for _ in self._lines:
            pass

    def close(self) -> None:
        """Go away."""
        self._stack.close()
