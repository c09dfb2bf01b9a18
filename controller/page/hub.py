"""From the run to all open streams: each reader takes the newest view at its own pace, and delays nobody."""

from __future__ import annotations

import asyncio
from collections import deque

from starlette.responses import Response
from starlette.types import Receive, Scope, Send

from controller.engine.view import RunView
from controller.page.data import spoken_json, view_json
from controller.page.messages import Limits, Pictured, Shown, Spoken

_SENTENCES = 20
"""So many spoken sentences wait for a reader; older ones are dropped, since late ones are worth nothing."""
_STILL_HERE_S = 5.0
"""A stream without news is written to this often, so that a reader who has gone is noticed."""


class Stream(Response):
    """One reader's stream of server-sent events (the HTML standard, 9.2), an ASGI application."""

    def __init__(self, hub: Hub, session: bytes) -> None:
        super().__init__()
        self.session = session
        self.spoken: deque[bytes] = deque(maxlen=_SENTENCES)
        self.news = asyncio.Event()
        self.ended = False
        self._hub = hub

    def end(self) -> None:
        """Let the reader go."""
        self.ended = True
        self.news.set()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:  # noqa: ARG002
        """Write until the reader has gone, or takes too long to take a piece."""
        gone = asyncio.create_task(self._until_gone(receive))
        try:
            headers = [(b"content-type", b"text/event-stream; charset=utf-8")]
            await send({"type": "http.response.start", "status": 200, "headers": headers})
            await self._write(send)
        except (TimeoutError, OSError):
            return  # without an end to the answer, so the connection is cut
        finally:
            gone.cancel()
            self._hub.forget(self)

    async def _until_gone(self, receive: Receive) -> None:
        while (await receive())["type"] != "http.disconnect":
            pass
        self.end()

    async def _write(self, send: Send) -> None:
        seen = 0
        piece = b"retry: 500\n\n"
        while not self.ended:
            if self._hub.number != seen and self._hub.view_data:
                seen = self._hub.number
                piece += b"event: view\ndata: " + self._hub.view_data + b"\n\n"
            while self.spoken:
                piece += b"event: say\ndata: " + self.spoken.popleft() + b"\n\n"
            message = {"type": "http.response.body", "body": piece or b":\n\n", "more_body": True}
            await asyncio.wait_for(send(message), self._hub.limits.send_s)
            piece = b""
            try:
                await asyncio.wait_for(self.news.wait(), _STILL_HERE_S)
            except TimeoutError:
                continue
            self.news.clear()
        await send({"type": "http.response.body", "body": b"", "more_body": False})


class Hub:
    """What the run has told last, and who reads it."""

    def __init__(self, limits: Limits, language: str) -> None:
        self.limits = limits
        self.view: RunView | None = None
        self.view_data = b""
        self.number = 0
        self.pictures: dict[str, Pictured] = {}
        self._language = language
        self._streams: list[Stream] = []

    def take(self, message: Shown | Spoken | Pictured) -> None:
        """Take what the run tells, and wake every reader."""
        match message:
            case Shown(view=view):
                self.view = view
                numbers = {rig: picture.number for rig, picture in self.pictures.items()}
                self.view_data = view_json(view, numbers)
                self.number += 1
            case Spoken(text=text, urgent=urgent, at_utc_ns=at):
                data = spoken_json(text, urgent, at, self._language)
                for stream in self._streams:
                    stream.spoken.append(data)
            case Pictured(rig=rig):
                self.pictures[rig] = message
        for stream in self._streams:
            stream.news.set()

    def open_stream(self, session: bytes) -> Stream | None:
        """Return a stream for a session, or None when there are too many."""
        of_session = [stream for stream in self._streams if stream.session == session]
        if len(of_session) >= self.limits.streams_of_a_session:
            self.forget(of_session[0])
            of_session[0].end()
        if len(self._streams) >= self.limits.streams:
            return None
        stream = Stream(self, session)
        self._streams.append(stream)
        return stream

    def forget(self, stream: Stream) -> None:
        """Tell a stream nothing more."""
        if stream in self._streams:
            self._streams.remove(stream)

    def end_session(self, session: bytes) -> None:
        """End a session's streams."""
        for stream in [one for one in self._streams if one.session == session]:
            stream.end()

    def end_all(self) -> None:
        """End every stream."""
        for stream in list(self._streams):
            stream.end()
