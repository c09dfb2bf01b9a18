"""From what a keyboard sends to words: one key at a time, and only the keys named on the screen.

The keys for the filter are the last letters of the two words, oFF and oN; they lie apart on the common
keyboards. A slip onto any other key does nothing.
"""

from __future__ import annotations

import codecs
from dataclasses import dataclass

from controller.engine.view import RunView
from controller.operator.layout import CONFIRM_S
from controller.operator.words import (
    FilterWord,
    GoOnWord,
    PauseWord,
    SkyWord,
    StopWord,
    Word,
    filter_words,
    needs_second_word,
    spoken,
)
from controller.units import NS_PER_S, FilterState

SELECT_S = 10
"""How long a selected rig waits for its key, seconds; then keys are for all rigs again."""

HEARD_S = 4
"""How long the screen shows what was heard, seconds."""

_ESCAPE_S = 1
"""After this long a lone escape key no longer takes the next key with it, seconds."""

_PASTE_S = 5
"""The longest a paste is waited for to end, seconds: a lost end must not leave the operator unheard."""

_FILTER_KEYS = {"f": FilterState.OFF, "n": FilterState.ON}


class KeyReader:
    """Turns keys into words. Pure: its time is whatever steady nanoseconds it is given."""

    def __init__(self) -> None:
        self._pending: tuple[Word, ...] = ()
        self._pending_until_ns = 0
        self._selected: int | None = None
        self._selected_until_ns = 0
        self._heard = ""
        self._heard_until_ns = 0

    def feed(self, key: str, view: RunView, now_ns: int) -> tuple[Word, ...]:
        """Return the words a key means: none for nearly every key, several when several rigs are asked.

        Upper and lower case are one. A word that needs a second key is held back until ``y`` comes within
        `CONFIRM_S`; any other key in between drops it.

        Args:
            key: one character, or a whole escape sequence (which never means anything).
            view: what the operator sees at this instant.
            now_ns: a steady clock, nanoseconds.
        """
        key = key.lower() if len(key) == 1 else ""
        pending = self._pending if now_ns < self._pending_until_ns else ()
        self._pending = ()
        if key == "y" and pending:
            return self._say(pending, now_ns)
        if key == "q":
            self._selected = None
            return self._wait(pending=(StopWord(),), now_ns=now_ns)
        if key in list("0123456789"):
            number = int(key)
            self._selected = number if 1 <= number <= len(view.rigs) else None
            self._selected_until_ns = now_ns + SELECT_S * NS_PER_S
            return ()
        number = self.selected_rig(now_ns) or 0
        rig = view.rigs[number - 1].name if 1 <= number <= len(view.rigs) else None
        if key in _FILTER_KEYS:
            words = filter_words(view, _FILTER_KEYS[key], rig)
            self._selected = None
            if needs_second_word(view, words):
                return self._wait(pending=words, now_ns=now_ns)
            return self._say(words, now_ns)
        if key in ("p", "g"):
            self._selected = None
            return self._say((PauseWord(rig=rig) if key == "p" else GoOnWord(rig=rig),), now_ns)
        if key in ("c", "e"):
            return self._say((SkyWord(cloud=key == "c"),), now_ns)
        return ()

    def confirming_stop(self, now_ns: int) -> bool:
        """Tell whether stop waits for its second key."""
        return now_ns < self._pending_until_ns and any(isinstance(word, StopWord) for word in self._pending)

    def selected_rig(self, now_ns: int) -> int | None:
        """Return the number, from 1, of the rig the next key is for; None for all."""
        return self._selected if now_ns < self._selected_until_ns else None

    def notice(self, now_ns: int) -> str:
        """Return what the screen is to say about the keys: what it waits for, or what it heard last."""
        if now_ns < self._pending_until_ns and any(isinstance(word, FilterWord) for word in self._pending):
            said = spoken(self._pending)
            return f"Nobody asked for OFF. Press y within {CONFIRM_S} s only if it is so already: {said}."
        return self._heard if now_ns < self._heard_until_ns else ""

    def _wait(self, *, pending: tuple[Word, ...], now_ns: int) -> tuple[Word, ...]:
        self._pending = pending
        self._pending_until_ns = now_ns + CONFIRM_S * NS_PER_S
        return ()

    def _say(self, words: tuple[Word, ...], now_ns: int) -> tuple[Word, ...]:
        self._heard = f"Heard: {spoken(words)}."
        self._heard_until_ns = now_ns + HEARD_S * NS_PER_S
        return words


@dataclass
class _Escape:
    text: str
    since_ns: int


class KeyDecoder:
    """Splits what a terminal sends into keys, so that no part of an escape sequence passes for a key.

    The End key, for one, sends escape, ``[``, ``F``: taken apart, it would say that the filter is off.
    Pasted text (bracketed paste) is dropped. A sequence may come in several pieces.
    """

    _PASTE_BEGINS = "\x1b[200~"
    _PASTE_ENDS = "\x1b[201~"

    def __init__(self) -> None:
        self._utf8 = codecs.getincrementaldecoder("utf-8")("replace")
        self._escape: _Escape | None = None
        self._pasting_until_ns = 0

    def feed(self, data: bytes, now_ns: int) -> list[str]:
        """Return the whole keys in `data`: single characters, and escape sequences in one piece.

        Args:
            data: bytes as read from the terminal.
            now_ns: a steady clock, nanoseconds.
        """
        keys = []
        for character in self._utf8.decode(data):
            key = self._next(character, now_ns)
            if key == self._PASTE_BEGINS:
                self._pasting_until_ns = now_ns + _PASTE_S * NS_PER_S
            elif key == self._PASTE_ENDS:
                self._pasting_until_ns = 0
            elif key and now_ns >= self._pasting_until_ns:
                keys.append(key)
        return keys

    def _next(self, character: str, now_ns: int) -> str:
        """Return the key that `character` completes; empty while a sequence is not whole."""
        escape = self._escape
        if escape is not None and escape.text == "\x1b" and now_ns - escape.since_ns > _ESCAPE_S * NS_PER_S:
            escape = self._escape = None
        if character == "\x1b":
            self._escape = _Escape(character, now_ns)
            return ""
        if escape is None:
            return character
        escape.text += character
        if escape.text in ("\x1b[", "\x1bO", "\x1b[["):  # the last: function keys of the Linux console
            return ""
        if escape.text.startswith("\x1b[") and not "@" <= character <= "~":
            return ""  # parameters of a control sequence; its final byte is one of @ to ~ (ECMA-48, 5.4)
        self._escape = None
        return escape.text
