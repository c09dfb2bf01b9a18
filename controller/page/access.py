"""Who may see and press: the pairing code, the sessions, and how often anything may be tried.

Pure: the time is whatever steady seconds they are given.
"""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
import secrets
from collections import OrderedDict, deque

CODE_DIGITS = 8
_TOKEN_BYTES = 32
_MINUTE_S = 60.0


def new_code() -> str:
    """Return a pairing code: eight digits, any of them as likely as any other."""
    return f"{secrets.randbelow(10**CODE_DIGITS):0{CODE_DIGITS}d}"


def spaced(code: str) -> str:
    """Return a code as it is shown: ``1234 5678``."""
    return f"{code[:4]} {code[4:]}"


class Sessions:
    """The paired browsers: only the digests of their tokens are kept, and only in memory."""

    def __init__(self, digests: tuple[bytes, ...], most: int) -> None:
        """Begin with the sessions of a process before this one; keep at most so many."""
        self._most = most
        self._digests: OrderedDict[bytes, None] = OrderedDict.fromkeys(digests)

    def begin(self) -> tuple[str, bytes, list[bytes]]:
        """Return a new token, its digest, and the digests of the sessions that had to make room."""
        token = secrets.token_urlsafe(_TOKEN_BYTES)
        digest = _digest(token)
        self._digests[digest] = None
        gone = []
        while len(self._digests) > self._most:
            gone.append(self._digests.popitem(last=False)[0])
        return token, digest, gone

    def find(self, token: str | None) -> bytes | None:
        """Return the digest of a token that counts, or None; it is the one used last from now on."""
        digest = _digest(token) if token else None
        if digest is None or digest not in self._digests:
            return None
        self._digests.move_to_end(digest)
        return digest

    def end(self, digest: bytes) -> None:
        """End a session."""
        self._digests.pop(digest, None)


def _digest(token: str) -> bytes:
    return hashlib.sha256(token.encode("utf-8", "replace")).digest()


class Pairing:
    """The one code that counts, and how often wrong ones were tried."""

    def __init__(self, code: str, *, per_address: int, in_all: int) -> None:
        """Let `code` count; bear so many wrong ones a minute, from one address and from all."""
        self._code = code
        self._per_address = per_address
        self._in_all = in_all
        self._wrong: deque[tuple[float, str]] = deque()

    def barred(self, address: str, now_s: float) -> bool:
        """Tell whether nobody from this address is listened to now, whatever the code."""
        while self._wrong and now_s - self._wrong[0][0] >= _MINUTE_S:
            self._wrong.popleft()
        network = _network(address)
        of_this = sum(one == network for _, one in self._wrong)
        return of_this >= self._per_address or len(self._wrong) >= self._in_all

    def use(self, code: str, address: str, now_s: float) -> str | None:
        """Return the code that counts from now on if this one was right; None, and a wrong try, if not."""
        given = code.replace(" ", "").encode("utf-8", "replace")
        if not hmac.compare_digest(given, self._code.encode()):
            self._wrong.append((now_s, _network(address)))
            return None
        self._code = new_code()
        return self._code


def _network(address: str) -> str:
    """Return what one guest can have many addresses of: IPv6's /64, or the address itself."""
    try:
        ip = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address
    return str(ipaddress.ip_network((ip, 64), strict=False)) if ip.version == 6 else str(ip)


class Rate:
    """So many in so long."""

    def __init__(self, most: int, in_s: float) -> None:
        self._most, self._in_s = most, in_s
        self._at: deque[float] = deque()

    def allows(self, now_s: float) -> bool:
        """Tell whether one more is allowed now, and count it if it is."""
        while self._at and now_s - self._at[0] >= self._in_s:
            self._at.popleft()
        if len(self._at) >= self._most:
            return False
        self._at.append(now_s)
        return True
