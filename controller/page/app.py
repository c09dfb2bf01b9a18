"""The page's paths, as a FastAPI application."""

from __future__ import annotations

import math
import time
from collections import OrderedDict
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Literal, Self
from uuid import UUID

from fastapi import FastAPI, HTTPException, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from pydantic import BaseModel, ConfigDict, Field, model_validator
from starlette.types import ASGIApp

from controller.engine.view import RunState, RunView
from controller.operator.words import (
    OLD_WORD_S,
    FilterWord,
    GoOnWord,
    PauseWord,
    StopWord,
    Word,
    filter_words,
    may_be_old,
    needs_second_word,
    spoken,
)
from controller.page.access import Pairing, Rate, Sessions
from controller.page.guard import Guard
from controller.page.hub import Hub
from controller.page.messages import FromPage, Left, PageSpec, Paired, Refused, Said
from controller.units import FilterState

STATIC = Path(__file__).parent / "static"
_KINDS = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
}
_IDS_KEPT = 256
"""So many ids of words are remembered: a word that is sent again is not said again."""
ANSWER_WITHIN_S = 15.0
"""A second act counts so long after it was asked for."""


class CodeIn(BaseModel):
    """A pairing code, with or without its space."""

    model_config = ConfigDict(extra="forbid")
    code: Annotated[str, Field(max_length=40)]


class WordIn(BaseModel):
    """One word of the operator."""

    model_config = ConfigDict(extra="forbid")
    id: UUID
    kind: Literal["filter", "pause", "go on", "stop"]
    state: Literal["on", "off"] | None = None
    rig: Annotated[str, Field(max_length=200)] | None = None
    """None: all rigs."""
    confirmed: bool = False
    """Whether the second act was done. It counts only for what was asked of this session just before."""
    seen_utc_ms: Annotated[int, Field(ge=0, le=2**53)] | None = None
    """`now_utc_ms` of the view that the word was said at sight of."""

    @model_validator(mode="after")
    def _state_with_filter(self) -> Self:
        if (self.kind == "filter") != (self.state is not None):
            raise ValueError("a word about the filter says on or off, and no other does")
        return self


def words_of(said: WordIn, view: RunView) -> tuple[Word, ...]:
    """Return what a word means at this instant."""
    match said.kind:
        case "filter":
            return filter_words(view, FilterState(str(said.state)), said.rig)
        case "pause":
            return (PauseWord(rig=said.rig),)
        case "go on":
            return (GoOnWord(rig=said.rig),)
        case "stop":
            return (StopWord(),)


def question(said: WordIn, words: tuple[Word, ...], view: RunView) -> str | None:
    """Return what has to be asked before these words count; None when nothing has."""
    if said.kind == "stop":
        return "Stop the run for good? Nothing more fires after it."
    about_filter = tuple(word for word in words if isinstance(word, FilterWord))
    if needs_second_word(view, about_filter):
        return f"Nobody asked for OFF. Say it only if it is so already: {spoken(words)}."
    old_ms = 0 if said.seen_utc_ms is None else view.now_utc_ns // 1_000_000 - said.seen_utc_ms
    if old_ms > OLD_WORD_S * 1000 and not all(may_be_old(word) for word in words):
        return f"What you saw was {old_ms // 1000} s old. Is it still so: {spoken(words)}?"
    return None


def make_app(
    spec: PageSpec,
    hub: Hub,
    tell: Callable[[FromPage], None],
    steady_s: Callable[[], float] = time.monotonic,
) -> ASGIApp:
    """Return the application behind its guard.

    Args:
        spec: what the process was given.
        hub: what the run tells.
        tell: takes what the run is to know. Returns at once.
        steady_s: a steady clock, seconds.
    """
    api, sessions, cookie = make_api(spec, hub, tell, steady_s)
    return Guard(
        api,
        names=spec.names,
        secure=spec.secure,
        cookie=cookie,
        body_bytes=spec.limits.body_bytes,
        find_session=sessions.find,
    )


def make_api(
    spec: PageSpec, hub: Hub, tell: Callable[[FromPage], None], steady_s: Callable[[], float]
) -> tuple[FastAPI, Sessions, str]:
    """Return the paths, the sessions that they give out, and the name of the cookie."""
    limits = spec.limits
    sessions = Sessions(spec.sessions, limits.sessions)
    pairing = Pairing(spec.code, per_address=limits.wrong_tries_per_address, in_all=limits.wrong_tries)
    rates: dict[bytes, Rate] = {}
    passed_on: OrderedDict[str, None] = OrderedDict()
    questions: dict[tuple[bytes, tuple[Word, ...]], float] = {}
    cookie = f"holdfire_{spec.listening.getsockname()[1]}"
    files = {
        path.name: (path.read_bytes(), _KINDS[path.suffix])
        for path in sorted(STATIC.iterdir())
        if path.suffix in _KINDS
    }
    api = FastAPI(title="holdfire page", docs_url=None, redoc_url=None, openapi_url="/api/openapi.json")

    def end(digest: bytes) -> None:
        hub.end_session(digest)
        rates.pop(digest, None)
        for act in [act for act in questions if act[0] == digest]:
            del questions[act]
        tell(Left(digest))

    @api.exception_handler(RequestValidationError)
    async def not_understood(_request: Request, error: RequestValidationError) -> Response:
        what = "; ".join(f"{'.'.join(str(p) for p in one['loc'])}: {one['msg']}" for one in error.errors())
        return JSONResponse({"detail": what.encode("ascii", "replace").decode()}, 422)

    @api.get("/", include_in_schema=False)
    async def page() -> Response:
        return _file(files, "page.html")

    @api.get("/static/{name}", include_in_schema=False)
    async def static(name: str) -> Response:
        return _file(files, name)

    @api.post("/api/pair", status_code=204, responses={403: {}, 429: {}})
    async def pair(given: CodeIn, request: Request) -> Response:
        address = request.client.host if request.client else ""
        if pairing.barred(address, steady_s()):
            raise HTTPException(429, "Too many wrong codes. Wait a minute.")
        next_code = pairing.use(given.code, address, steady_s())
        if next_code is None:
            if pairing.barred(address, steady_s()):
                tell(Refused(address))
            raise HTTPException(403, "This is not the code that the terminal shows now.")
        token, digest, gone = sessions.begin()
        tell(Paired(digest=digest, next_code=next_code))
        for old in gone:
            end(old)
        answer = Response(status_code=204)
        answer.set_cookie(cookie, token, httponly=True, samesite="strict", secure=spec.secure, path="/")
        return answer

    @api.post("/api/leave", status_code=204, responses={403: {}})
    async def leave(request: Request) -> Response:
        sessions.end(request.state.session)
        end(request.state.session)
        answer = Response(status_code=204)
        answer.delete_cookie(cookie, httponly=True, samesite="strict", secure=spec.secure, path="/")
        return answer

    @api.get("/api/day", responses={403: {}})
    async def day() -> Response:
        return Response(spec.day, media_type="application/json")

    @api.get("/api/events", responses={403: {}, 429: {}})
    async def events(request: Request) -> Response:
        stream = hub.open_stream(request.state.session)
        if stream is None:
            raise HTTPException(429, "Too many pages are open.")
        return stream

    @api.post("/api/words", status_code=202, responses={403: {}, 409: {}, 422: {}, 429: {}})
    async def words(said: WordIn, request: Request) -> Response:
        view = hub.view
        if view is None or view.state in (RunState.READY, RunState.STOPPED, RunState.FINISHED):
            raise HTTPException(422, "There is no run to speak to now.")
        if said.rig is not None and said.rig not in {rig.name for rig in view.rigs}:
            raise HTTPException(422, "There is no such rig.")
        if not rates.setdefault(request.state.session, Rate(limits.words, limits.words_in_s)).allows(
            steady_s()
        ):
            raise HTTPException(429, "Too many words at once.")
        word_id = str(said.id)
        if word_id not in passed_on:
            meant = words_of(said, view)
            asked = question(said, meant, view)
            act = (request.state.session, meant)
            if asked is not None and not (said.confirmed and steady_s() < questions.pop(act, -math.inf)):
                questions[act] = steady_s() + ANSWER_WITHIN_S
                return JSONResponse({"question": asked}, 409)
            passed_on[word_id] = None
            while len(passed_on) > _IDS_KEPT:
                passed_on.popitem(last=False)
            tell(Said(word_id=word_id, words=meant, view_utc_ns=view.now_utc_ns))
        return JSONResponse({"id": word_id}, 202)

    @api.get("/api/pictures/{rig}", responses={403: {}, 404: {}})
    async def picture(rig: str) -> Response:
        found = hub.pictures.get(rig)
        if found is None:
            raise HTTPException(404, "There is no picture of this rig.")
        return Response(found.jpeg, media_type="image/jpeg")

    return api, sessions, cookie


def _file(files: dict[str, tuple[bytes, str]], name: str) -> Response:
    if name not in files:
        raise HTTPException(404, "There is no such file.")
    content, kind = files[name]
    return Response(content, media_type=kind)
