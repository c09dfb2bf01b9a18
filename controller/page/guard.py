"""What stands before every request: the host called, where it comes from, whether it is paired, how long it is.

What is refused here is told nothing: not whether the path exists, nor why.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from http.cookies import CookieError, SimpleCookie
from urllib.parse import urlsplit

from starlette.types import ASGIApp, Message, Receive, Scope, Send

PAIRING_PATH = "/api/pair"
_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
HEADERS: tuple[tuple[bytes, bytes], ...] = (
    (b"content-security-policy", _POLICY.encode()),
    (b"x-content-type-options", b"nosniff"),
    (b"cache-control", b"no-store"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
)
"""They stand on every answer."""


class Guard:
    """Lets through only what a paired browser of ours asks; a page without a session is let in as far as the form."""

    def __init__(
        self,
        app: ASGIApp,
        *,
        names: tuple[str, ...],
        secure: bool,
        cookie: str,
        body_bytes: int,
        find_session: Callable[[str | None], bytes | None],
    ) -> None:
        """`names` may be called beside the very address that was reached; `find_session` knows the tokens."""
        self._app = app
        self._names = {name.casefold() for name in names}
        self._scheme = "https" if secure else "http"
        self._cookie = cookie
        self._body_bytes = body_bytes
        self._find_session = find_session

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Refuse a request, or pass it on with the session's digest in its state."""
        if scope["type"] != "http":
            return

        async def send_safe(message: Message) -> None:
            if message["type"] == "http.response.start":
                message = {**message, "headers": [*message.get("headers", []), *HEADERS]}
            await send(message)

        headers: dict[str, str] = {}
        for key, value in scope["headers"]:
            name = key.decode("latin-1")
            if name in ("host", "origin", "content-length") and name in headers:
                await _refuse(send_safe, 403)  # said twice: somebody plays tricks
                return
            headers[name] = value.decode("latin-1")
        session = self._find_session(self._token(headers.get("cookie", "")))
        scope.setdefault("state", {})["session"] = session
        if not self._allowed(scope, headers, session):
            await _refuse(send_safe, 403)
            return
        body = await self._body(receive, headers.get("content-length", "0"))
        if body is None:
            await _refuse(send_safe, 413)
            return
        await self._app(scope, _given(body, receive), send_safe)

    def _allowed(self, scope: Scope, headers: dict[str, str], session: bytes | None) -> bool:
        host = headers.get("host", "")
        if not self._is_ours(host, scope):
            return False
        if (
            headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none")
            and scope["path"] != "/"
        ):
            return False
        reads = scope["method"] in ("GET", "HEAD")
        if not reads and headers.get("origin", "").casefold() != f"{self._scheme}://{host}".casefold():
            return False
        path: str = scope["path"]
        return session is not None or not path.startswith("/api") or path == PAIRING_PATH

    def _is_ours(self, host: str, scope: Scope) -> bool:
        """Tell whether the name called is this computer's: a foreign name that leads here is an attack."""
        try:
            called = urlsplit(f"//{host}")
            name, port = called.hostname, called.port
        except ValueError:
            return False
        if set(host) & set("@/?#\\"):
            return False
        address, bound = scope["server"]
        default = 443 if self._scheme == "https" else 80
        address = address.removeprefix("::ffff:")
        return (port or default) == bound and name is not None and name in {address.casefold(), *self._names}

    def _token(self, cookies: str) -> str | None:
        try:
            found = SimpleCookie(cookies).get(self._cookie)
        except CookieError:
            return None
        return found.value if found else None

    async def _body(self, receive: Receive, length: str) -> bytes | None:
        """Return the body, or None when it is too long."""
        if not length.isdecimal() or int(length[:12]) > self._body_bytes:
            return None
        body = b""
        while True:
            message = await receive()
            if message["type"] != "http.request":
                return None
            body += bytes(message.get("body", b""))
            if len(body) > self._body_bytes:
                return None
            if not message.get("more_body", False):
                return body


def _given(body: bytes, receive: Receive) -> Receive:
    """Return a receive that gives a body already read, and then what comes."""
    whole = [body]

    async def again() -> Message:
        if whole:
            return {"type": "http.request", "body": whole.pop(), "more_body": False}
        return await receive()

    return again


async def _refuse(send: Send, status: int) -> None:
    body = json.dumps({"detail": "Refused." if status == 403 else "Too long."}).encode()
    headers = [(b"content-type", b"application/json"), (b"content-length", str(len(body)).encode())]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})
