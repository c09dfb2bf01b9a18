"""One record, one line: canonical JSON that carries its own check digits.

A line is a JSON object in UTF-8 with sorted keys and no spaces, and ends in
``,"sum":"<16 hexadecimal digits>"}``: the start of the SHA-256 of the same object without its
``sum``. No strict prefix of a line ends that way, so a line cut short is told from a changed one.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping
from typing import Any

FIRST_PREV = "0" * 64
"""What the first record quotes as the digest of the line before it."""

_SUM_DIGITS = 16
_ENDING = re.compile(rb',"sum":"([0-9a-f]{16})"\}\Z')


def encode_line(record: Mapping[str, Any]) -> bytes:
    """Return `record` as one line, without the newline.

    A lone surrogate (an undecodable byte in a camera's file name) is kept as a JSON escape.

    Raises:
        ValueError: if a number is NaN or infinite.
        TypeError: if a value is no JSON value.
    """
    text = json.dumps(record, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    body = text.encode("utf-8", "backslashreplace")
    return b'%s,"sum":"%s"}' % (body[:-1], _check_digits(body).encode("ascii"))


def decode_line(line: bytes) -> dict[str, Any] | None:
    """Return the record of a line without its ``sum``; None when the line is not whole or was changed."""
    ending = _ENDING.search(line)
    if ending is None:
        return None
    body = line[: ending.start()] + b"}"
    if _check_digits(body).encode("ascii") != ending.group(1):
        return None
    try:
        record = json.loads(body)
    except ValueError:
        return None
    return record if isinstance(record, dict) else None


def is_cut_short(line: bytes) -> bool:
    """Return whether a line could be the start of a record whose writing was interrupted."""
    return _ENDING.search(line) is None


def digest(line: bytes) -> str:
    """Return the SHA-256 of a line's bytes without its newline, hexadecimal."""
    return hashlib.sha256(line).hexdigest()


def _check_digits(body: bytes) -> str:
    return hashlib.sha256(body).hexdigest()[:_SUM_DIGITS]
