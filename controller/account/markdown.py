"""The account as Markdown (CommonMark, with the tables of GitHub's dialect); drawings are told in words."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from controller.account.plots import Plot
from controller.account.sheet import Block, Grid, Items, Sheet, Words
from controller.account.text import visible

_MARKS = re.compile(r"([\\`*_\[\]<>|#~&!])")
_AT_THE_START = re.compile(r"^(\d*)([-+=.)])")


def to_markdown(sheet: Sheet) -> str:
    """Return the document as Markdown, UTF-8, without any HTML; names are shown as they are."""
    return "\n\n".join(_parts(sheet)) + "\n"


def _parts(sheet: Sheet) -> Iterator[str]:
    yield f"# {_plain(sheet.title)}"
    yield _plain(sheet.about)
    yield "\n".join(f"- {_words(one)}" for one in sheet.verdict)
    for section in sheet.sections:
        yield f"{'#' * section.level} {_plain(section.title)}"
        for block in section.blocks:
            yield _block(block)


def _block(block: Block) -> str:
    match block:
        case Words():
            return _words(block)
        case Items(items=items):
            return "\n".join(f"- {_plain(item)}" for item in items)
        case Grid():
            return _grid(block)
        case Plot(title=title, description=description):
            return f"**{_plain(title)}**: {_plain(description)}"


def _words(words: Words) -> str:
    return f"**{_plain(words.text)}**" if words.alarm else _plain(words.text)


def _grid(grid: Grid) -> str:
    rule = [":--" if number < grid.left else "--:" for number in range(len(grid.headings))]
    rows = [*grid.rows, *([grid.total] if grid.total else [])]
    lines = [_row(grid.headings), f"| {' | '.join(rule)} |", *(_row(row) for row in rows)]
    return f"**{_plain(grid.name)}**\n\n" + "\n".join(lines)


def _row(cells: Sequence[str]) -> str:
    return f"| {' | '.join(_plain(cell) for cell in cells)} |"


def _plain(text: str) -> str:
    """Return text that Markdown shows as it is."""
    marked = _MARKS.sub(r"\\\1", " ".join(visible(text).split()))
    return _AT_THE_START.sub(r"\1\\\2", marked)
