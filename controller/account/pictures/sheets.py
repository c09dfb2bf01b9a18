"""Contact sheets: small pictures of a rig's phase side by side, each with its time, exposure and name."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from controller.account.pictures.taken import (
    Taken,
    UnreadableError,
    exposure_words,
    open_picture,
    seconds_words,
)
from controller.timeline.model import Timeline
from controller.units import ContactName

if TYPE_CHECKING:
    from PIL.Image import Image
    from PIL.ImageDraw import ImageDraw
    from PIL.ImageFont import FreeTypeFont

COLUMNS, ROWS = 6, 6
"""Pictures on one sheet."""
THUMB_WIDTH_PX, THUMB_HEIGHT_PX = 300, 200
_GAP_PX, _MARGIN_PX, _HEADING_PX = 16, 24, 56
_LINE_PX, _FONT_PX, _HEADING_FONT_PX = 19, 15, 24
_INK, _FAINT, _PAPER, _BEHIND = "#111111", "#555555", "#ffffff", "#000000"


def from_contact(timeline: Timeline, instant_ns: int) -> str:
    """Return an instant as seconds (or minutes and seconds) from the nearest contact: ``C2 -12.3 s``."""
    named = {
        name: at for name, at in timeline.contacts_utc_ns.items() if name is not ContactName.MID
    } or timeline.contacts_utc_ns
    name, at = min(named.items(), key=lambda item: abs(item[1] - instant_ns))
    seconds = (instant_ns - at) / 1e9
    if abs(seconds) < 120:
        return f"{name} {seconds_words(instant_ns, at)}"
    minutes, rest = divmod(abs(round(seconds)), 60)
    return f"{name} {'-' if seconds < 0 else '+'}{minutes} min {rest:02d} s"


def sheets(
    timeline: Timeline,
    title: str,
    taken: Sequence[Taken],
    *,
    tell: Callable[[], object] | None = None,
    unread: list[Taken] | None = None,
) -> list[Image]:
    """Return the sheets of some pictures, in their order; none without pictures.

    Args:
        timeline: of the run.
        title: what stands above them.
        taken: the pictures.
        tell: is called after each file that has been read.
        unread: to this are added the pictures that cannot be read.
    """
    on_one = COLUMNS * ROWS
    parts = [taken[first : first + on_one] for first in range(0, len(taken), on_one)]
    made = []
    for number, part in enumerate(parts, 1):
        heading = f"{title}: {len(taken)} pictures" + (
            f", sheet {number} of {len(parts)}" if len(parts) > 1 else ""
        )
        made.append(_sheet(timeline, heading, part, tell, [] if unread is None else unread))
    return made


def _sheet(
    timeline: Timeline,
    heading: str,
    taken: Sequence[Taken],
    tell: Callable[[], object] | None,
    unread: list[Taken],
) -> Image:
    from PIL import Image, ImageDraw

    columns = min(COLUMNS, max(3, len(taken)))
    rows = -(-len(taken) // columns)
    cell_height = THUMB_HEIGHT_PX + 3 * _LINE_PX + 6 + _GAP_PX
    width = 2 * _MARGIN_PX + columns * THUMB_WIDTH_PX + (columns - 1) * _GAP_PX
    sheet = Image.new("RGB", (width, 2 * _MARGIN_PX + _HEADING_PX + rows * cell_height - _GAP_PX), _PAPER)
    draw = ImageDraw.Draw(sheet)
    font, large = _font(_FONT_PX), _font(_HEADING_FONT_PX)
    draw.text((_MARGIN_PX, _MARGIN_PX), _fitting(draw, heading, large, width - 2 * _MARGIN_PX), _INK, large)
    for number, one in enumerate(taken):
        left = _MARGIN_PX + number % columns * (THUMB_WIDTH_PX + _GAP_PX)
        top = _MARGIN_PX + _HEADING_PX + number // columns * cell_height
        sheet.paste(_BEHIND, (left, top, left + THUMB_WIDTH_PX, top + THUMB_HEIGHT_PX))
        try:
            small = open_picture(one.path, at_least_px=THUMB_WIDTH_PX, upright=True)
            small.thumbnail((THUMB_WIDTH_PX, THUMB_HEIGHT_PX))
            aside, below = (THUMB_WIDTH_PX - small.width) // 2, (THUMB_HEIGHT_PX - small.height) // 2
            sheet.paste(small, (left + aside, top + below))
        except UnreadableError:
            unread.append(one)
            draw.text((left + 8, top + 8), "cannot be read", "#ffffff", font)
        lines = (from_contact(timeline, one.opened_utc_ns), exposure_words(one.settings), one.path.name)
        for line, words in enumerate(lines):
            fitting = _fitting(draw, words, font, THUMB_WIDTH_PX)
            ink = _FAINT if line == 2 else _INK
            draw.text((left, top + THUMB_HEIGHT_PX + 4 + line * _LINE_PX), fitting, ink, font)
        if tell is not None:
            tell()
    return sheet


def _font(size_px: int) -> FreeTypeFont:
    """Return the imaging library's own font, so that sheets are the same everywhere."""
    from PIL import ImageFont

    font = ImageFont.load_default(size_px)
    if not isinstance(font, ImageFont.FreeTypeFont):
        raise TypeError("the imaging library was built without FreeType")
    return font


def _fitting(draw: ImageDraw, words: str, font: FreeTypeFont, width_px: int) -> str:
    """Return words cut in the middle where they are too wide: a name's end tells more than its middle."""
    if draw.textlength(words, font) <= width_px:
        return words
    for kept in range(len(words) - 1, 2, -1):
        cut = f"{words[: kept // 2]}…{words[-(kept - kept // 2) :]}"
        if draw.textlength(cut, font) <= width_px:
            return cut
    return words[:1]
