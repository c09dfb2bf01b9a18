"""What the run's process and the page's process tell each other over their pipe. Plain, frozen data."""

from __future__ import annotations

import socket
from dataclasses import dataclass, field

from controller.engine.view import RunView
from controller.operator.words import Word


@dataclass(frozen=True, kw_only=True)
class Limits:
    """What the page bears. All of it is there so that nobody can overload it, or guess a code."""

    wrong_tries_per_address: int = 5
    """Wrong codes that one address may send in a minute; then it has to wait."""
    wrong_tries: int = 30
    """Wrong codes that all addresses together may send in a minute."""
    sessions: int = 64
    """Paired browsers; one more ends the session that was used longest ago."""
    streams: int = 128
    """Open streams of events."""
    streams_of_a_session: int = 8
    """Open streams of one session; one more ends the oldest."""
    words: int = 30
    """Words that one session may send in `words_in_s`."""
    words_in_s: float = 10.0
    body_bytes: int = 4096
    """A request's body may be so long."""
    send_s: float = 10.0
    """A reader that has not taken a piece of its stream for so long is let go."""


@dataclass(frozen=True, kw_only=True)
class PageSpec:
    """All that a page's process is given at its start. Everything in it can be pickled for a new process."""

    listening: socket.socket
    secure: bool
    """Whether it speaks HTTPS."""
    certificate: str | None
    certificate_key: str | None
    names: tuple[str, ...]
    """Host names, beside the address a browser has reached, under which the page may be called."""
    day: bytes
    """The answer to ``/api/day``, JSON."""
    language: str
    """Of the spoken sentences, an IETF tag."""
    code: str
    """The pairing code that counts now."""
    sessions: tuple[bytes, ...] = ()
    """Digests of the sessions that a process before this one gave out."""
    limits: Limits = field(default_factory=Limits)


# --- from the run to the page -------------------------------------------------------------------


@dataclass(frozen=True)
class Shown:
    """The newest view."""

    view: RunView


@dataclass(frozen=True)
class Spoken:
    """A sentence that is spoken now."""

    text: str
    urgent: bool
    at_utc_ns: int


@dataclass(frozen=True)
class Pictured:
    """The newest thumbnail of a rig."""

    rig: str
    number: int
    jpeg: bytes


@dataclass(frozen=True)
class Close:
    """The run is over."""


# --- from the page to the run -------------------------------------------------------------------


@dataclass(frozen=True)
class Listening:
    """The page answers from now on."""


@dataclass(frozen=True)
class Said:
    """The operator's words, as one act under one id."""

    word_id: str
    words: tuple[Word, ...]
    view_utc_ns: int
    """The instant of the newest view that the page had of the run then."""


@dataclass(frozen=True)
class Paired:
    """The code was used: a session began, and another code counts from now on."""

    digest: bytes
    next_code: str


@dataclass(frozen=True)
class Left:
    """A session has ended."""

    digest: bytes


@dataclass(frozen=True)
class Refused:
    """Wrong codes have been tried so often that nobody more is listened to for a while."""

    address: str


@dataclass(frozen=True)
class Failed:
    """The process ends by this error."""

    text: str


FromPage = Listening | Said | Paired | Left | Refused | Failed
