"""The plan file as text: read, refused when it cannot be a plan, and turned into data with positions.

The YAML is YAML 1.2 with less in it: one document of sections, lists and single values. Anchors, aliases,
tags, directives and compound keys are refused, so nothing in a plan can expand or run. Single values stay
the text they were written as; `controller.plan.fields` knows what each is meant to be.
"""

from __future__ import annotations

import re
import stat
from dataclasses import dataclass, field
from pathlib import Path
from typing import NoReturn

from ruamel.yaml import YAML
from ruamel.yaml.error import MarkedYAMLError, YAMLError
from ruamel.yaml.events import (
    AliasEvent,
    CollectionEndEvent,
    CollectionStartEvent,
    DocumentStartEvent,
    Event,
    MappingStartEvent,
    NodeEvent,
    ScalarEvent,
)

from controller.errors import Fault, PlanError
from controller.plan.fields import shown

Loc = tuple[str | int, ...]
"""The way to a value: keys of sections, and numbers of list entries from 0."""

LARGEST_FILE_BYTES = 1_000_000
DEEPEST_NESTING = 12
MOST_EVENTS = 50_000
"""Keys, values, and beginnings and ends of sections and lists: far more than any plan has."""


@dataclass(frozen=True)
class FileKind:
    """What kind of file is read, for messages."""

    called: str
    """``plan``, say: "This is no plan"."""
    file: str
    """What to call the file of it: ``plan file``."""
    first_line_mend: str
    """How such a file begins."""


PLAN_FILE = FileKind(
    "plan", "plan file", "start the file with the line holdfire_plan: 1 and write the plan below it."
)

_NULL_WORDS = ("", "~", "null", "Null", "NULL")
_UNPRINTABLE = re.compile(
    "[^\t\n\r\x20-\x7e\xa0-\u2027\u202a-\ud7ff\ue000-\ufefe\uff00-\ufffd\U00010000-\U0010ffff]"
)
_KEY_OF_ATTRIBUTE = {"starts": "from", "start": "from", "end": "to"}


@dataclass(frozen=True)
class PlanSource:
    """Where everything in a plan file stands."""

    path: str
    """The path as the user gave it."""
    text: str
    """The file's text, as read."""
    _places: dict[Loc, tuple[int, int]] = field(repr=False)
    _key_places: dict[Loc, tuple[int, int]] = field(repr=False)

    def position(self, loc: Loc) -> tuple[int, int]:
        """Return line and column, from 1, of the value at `loc`, or of the nearest part of the way to it.

        A single value has its own place; a section or list that has a key has the key's. Both the file's
        keys (``from``) and the model's attribute names (``starts``) lead there.
        """
        return _nearest(self._places, loc)

    def key_position(self, loc: Loc) -> tuple[int, int]:
        """Return line and column, from 1, of the key at `loc`; where there is none, as `position` does."""
        exact = self._key_places.get(loc)
        return exact if exact is not None else self.position(loc)

    def fault(self, loc: Loc, what: str, mend: str, severity: str = "error") -> Fault:
        """Return a fault at the position of `loc`."""
        line, column = self.position(loc)
        return Fault(line=line, column=column, what=what, mend=mend, severity=severity)


def read_source(path: str | Path, kind: FileKind = PLAN_FILE) -> tuple[dict[str, object], PlanSource]:
    """Read a plan file, or one of another kind, into sections, lists, text and None, with the place of each.

    Raises:
        PlanError: if the file cannot be read or is not the YAML of a plan.
    """
    return parse_source(_read_text(Path(path), kind), str(path), kind)


def parse_source(text: str, path: str, kind: FileKind = PLAN_FILE) -> tuple[dict[str, object], PlanSource]:
    """Turn the text of a plan file, or one of another kind, into sections, lists, text and None, with their places.

    Raises:
        PlanError: if it is not the YAML of a plan.
    """
    _refuse_odd_characters(text, path)
    tree = _Tree(path, kind)
    try:
        for event in YAML(typ="safe", pure=True).parse(text):
            tree.take(event)
    except MarkedYAMLError as error:
        raise PlanError(path, [_syntax_fault(error)]) from None
    except (YAMLError, ValueError, OverflowError):
        raise PlanError(path, [Fault(1, 1, *_NOT_YAML)]) from None
    if tree.faults:
        raise PlanError(path, tree.faults)
    if tree.root is _NOTHING or tree.root is None:
        raise PlanError(path, [Fault(1, 1, "The file is empty.", kind.first_line_mend)])
    if not isinstance(tree.root, dict):
        line, column = tree.places[()]
        what = f"This is no {kind.called}: a {kind.called} is made of keys."
        raise PlanError(path, [Fault(line, column, what, kind.first_line_mend)])
    return tree.root, PlanSource(path, text, tree.places, tree.key_places)


_NOTHING = object()
_NOT_YAML = ("This is not valid YAML.", "check indentation, colons and quotes.")


def _nearest(places: dict[Loc, tuple[int, int]], loc: Loc) -> tuple[int, int]:
    found = places.get((), (1, 1))
    here: Loc = ()
    for part in loc:
        step = (*here, part)
        if step not in places and isinstance(part, str):
            step = (*here, _KEY_OF_ATTRIBUTE.get(part, part))
        if step not in places:
            return found
        here, found = step, places[step]
    return found


def _read_text(path: Path, kind: FileKind) -> str:
    def refuse(what: str, mend: str) -> PlanError:
        return PlanError(str(path), [Fault(1, 1, what, mend)])

    try:
        status = path.stat()
        if stat.S_ISDIR(status.st_mode):
            raise refuse(f"This is a folder, not a {kind.file}.", f"name the {kind.file} in it.")
        if not stat.S_ISREG(status.st_mode):
            raise refuse("This is not a regular file.", f"name a {kind.file}.")
        if status.st_size > LARGEST_FILE_BYTES:
            raise refuse(
                f"The file has {status.st_size} bytes; a {kind.called} has at most {LARGEST_FILE_BYTES}.",
                f"check that this is the {kind.file}.",
            )
        content = path.read_bytes()
    except (FileNotFoundError, NotADirectoryError):
        raise refuse("There is no such file.", "check the name and the folder.") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "the name cannot be used"
        raise refuse(f"The file cannot be read: {reason}.", "check its name and its permissions.") from None
    if b"\0" in content:
        raise refuse("This is a binary file, not text.", f"name the {kind.file}; it is text in UTF-8.")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = content[: error.start].decode("utf-8-sig", errors="replace")
        line, column = _line_and_column(before, len(before))
        fault = Fault(line, column, "The file is not UTF-8 text from here on.", "save it as UTF-8.")
        raise PlanError(str(path), [fault]) from None


def _refuse_odd_characters(text: str, path: str) -> None:
    odd = _UNPRINTABLE.search(text)
    if odd:
        line, column = _line_and_column(text, odd.start())
        what = f"Here stands the control character U+{ord(odd[0]):04X}."
        raise PlanError(path, [Fault(line, column, what, "delete it.")])
    tab = re.search(r"^ *\t", text, flags=re.MULTILINE)
    if tab:
        line, column = _line_and_column(text, tab.end() - 1)
        raise PlanError(
            path, [Fault(line, column, "The line is indented with a tab.", "indent with spaces.")]
        )


def _line_and_column(text: str, offset: int) -> tuple[int, int]:
    before = text[:offset].replace("\r\n", "\n").replace("\r", "\n")
    return before.count("\n") + 1, len(before) - (before.rfind("\n") + 1) + 1


@dataclass
class _Open:
    """A section or list that is being read."""

    loc: Loc
    content: dict[str, object] | list[object]
    key: str | None = None
    """The key just read, of a section."""


class _Tree:
    """Builds the data of one document from the events of the YAML parser."""

    def __init__(self, path: str, kind: FileKind) -> None:
        self.root: object = _NOTHING
        self.places: dict[Loc, tuple[int, int]] = {}
        self.key_places: dict[Loc, tuple[int, int]] = {}
        self.faults: list[Fault] = []
        self._path = path
        self._kind = kind
        self._open: list[_Open] = []
        self._events = 0

    def take(self, event: Event) -> None:
        """Add what one event says.

        Raises:
            PlanError: if a plan may not hold it.
        """
        self._events += 1
        if self._events > MOST_EVENTS:
            self._refuse(
                event,
                f"The file has more in it than any {self._kind.called}.",
                f"check that this is the {self._kind.file}.",
            )
        if isinstance(event, DocumentStartEvent):
            self._document(event)
        elif isinstance(event, CollectionEndEvent):
            self._open.pop()
        elif isinstance(event, NodeEvent):
            self._refuse_extras(event)
            if isinstance(event, ScalarEvent):
                self._scalar(event)
            elif isinstance(event, CollectionStartEvent):
                self._collection(event)

    def _document(self, event: DocumentStartEvent) -> None:
        if self.root is not _NOTHING:
            self._refuse(
                event,
                "A second document starts here.",
                f"keep one {self._kind.called} in a file; delete the line ---.",
            )
        if event.version is not None or event.tags:
            self._refuse(
                event, f"A {self._kind.called} has no YAML directives.", "delete the line that starts with %."
            )

    def _refuse_extras(self, event: NodeEvent) -> None:
        if isinstance(event, AliasEvent):
            self._refuse(
                event,
                f"A {self._kind.called} has no YAML aliases such as *{event.anchor}.",
                "write the value out here.",
            )
        if event.anchor is not None:
            self._refuse(
                event,
                f"A {self._kind.called} has no YAML anchors such as &{event.anchor}.",
                "delete the anchor.",
            )
        if getattr(event, "ctag", None) is not None:
            self._refuse(
                event,
                f"A {self._kind.called} has no YAML tags, words that start with an exclamation mark.",
                "delete the tag.",
            )

    def _scalar(self, event: ScalarEvent) -> None:
        plain = event.style not in ("'", '"', "|", ">")
        value = None if plain and event.value in _NULL_WORDS else event.value
        parent = self._open[-1] if self._open else None
        if parent is not None and isinstance(parent.content, dict) and parent.key is None:
            self._key(event, parent, parent.content, value)
        else:
            self._place(event, value, own_place=value is not None)

    def _key(self, event: ScalarEvent, parent: _Open, content: dict[str, object], key: str | None) -> None:
        if key is None:
            self._refuse(event, "A key is missing before the colon.", "write the key.")
        loc = (*parent.loc, key)
        here = _mark(event)
        if key in content:
            line, _ = self.key_places[loc]
            what = f"The key {shown(key)} stands here a second time; it was first on line {line}."
            self.faults.append(Fault(*here, what, "keep one of the two."))
        else:
            self.key_places[loc] = here
        parent.key = key

    def _collection(self, event: CollectionStartEvent) -> None:
        parent = self._open[-1] if self._open else None
        if parent is not None and isinstance(parent.content, dict) and parent.key is None:
            self._refuse(event, "A key must be a single word.", "write a key and a colon.")
        if len(self._open) >= DEEPEST_NESTING:
            self._refuse(
                event,
                f"The sections are nested too deeply for a {self._kind.called}.",
                "check the indentation and brackets.",
            )
        content: dict[str, object] | list[object] = {} if isinstance(event, MappingStartEvent) else []
        loc = self._place(event, content, own_place=False)
        self._open.append(_Open(loc, content))

    def _place(self, event: NodeEvent, value: object, *, own_place: bool) -> Loc:
        """Put a value where it belongs; return the way to it."""
        if not self._open:
            self.root = value
            self.places[()] = _mark(event)
            return ()
        parent = self._open[-1]
        if isinstance(parent.content, dict):
            key = parent.key or ""
            parent.key = None
            parent.content.setdefault(key, value)
            loc: Loc = (*parent.loc, key)
            self.places.setdefault(loc, _mark(event) if own_place else self.key_places[loc])
        else:
            loc = (*parent.loc, len(parent.content))
            parent.content.append(value)
            self.places[loc] = _mark(event)
        return loc

    def _refuse(self, event: Event, what: str, mend: str) -> NoReturn:
        raise PlanError(self._path, [*self.faults, Fault(*_mark(event), what, mend)])


def _mark(event: Event) -> tuple[int, int]:
    return event.start_mark.line + 1, event.start_mark.column + 1


_UNCLOSED_BRACKET = ("A bracket is not closed, or a comma is missing.", "close the bracket or add the comma.")
_SYNTAX: tuple[tuple[str, tuple[str, str]], ...] = (
    (
        "mapping values are not allowed",
        (
            "A colon stands where no key can be.",
            "put the text in quotes if the colon belongs to it, or check the indentation.",
        ),
    ),
    (
        "could not find expected ':'",
        ("A colon is missing after a key.", "write the key, a colon and a space."),
    ),
    (
        "expected <block end>",
        (
            "The indentation does not fit the lines above.",
            "give keys of one section, and entries of one list, the same indentation.",
        ),
    ),
    ("escape", ("A backslash in double quotes starts something unknown.", "use single quotes.")),
    ("unexpected end of stream", ("A quoted text is not closed.", "close it with the same quote mark.")),
    ("expected ',' or", _UNCLOSED_BRACKET),
    ("while parsing a flow", _UNCLOSED_BRACKET),
    ("cannot start any token", ("This character cannot start a value.", "put the text in quotes.")),
)
"""What the YAML library says of a fault, in part, and what we say of it."""

_AT_THEIR_START = (
    "could not find expected ':'",
    "unexpected end of stream",
    "expected ',' or",
    "while parsing a flow",
)
"""Faults that the library finds late: they are reported where the key, quote or bracket begins."""


def _syntax_fault(error: MarkedYAMLError) -> Fault:
    told = f"{error.context or ''} {error.problem or ''}"
    sign, words = next(((sign, words) for sign, words in _SYNTAX if sign in told), ("", _NOT_YAML))
    marks = [error.problem_mark, error.context_mark]
    mark = next((mark for mark in (marks[::-1] if sign in _AT_THEIR_START else marks) if mark), None)
    return Fault(mark.line + 1 if mark else 1, mark.column + 1 if mark else 1, *words)
