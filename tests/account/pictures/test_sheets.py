"""Contact sheets: every picture in its place, captions that say when, how and which."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageDraw

from controller.account.pictures import sheets as made
from controller.account.pictures.taken import Taken
from controller.timeline.model import Settings
from controller.units import ContactName, seconds_to_ns
from tests.account.pictures import made_up

SETTINGS = Settings(exposure_s=1 / 500, f_number=8.0, iso=100)


def coloured(folder: Path, count: int) -> list[Taken]:
    """Pictures of one plain colour each."""
    taken = []
    for number in range(count):
        path = folder / f"HF_{number:04d}.JPG"
        Image.new("RGB", (480, 320), colour(number)).save(path, quality=95)
        opened = made_up.MID_NS + seconds_to_ns(number)
        taken.append(
            Taken(
                frame=made_up.frame(number, opened, SETTINGS),
                path=path,
                opened_utc_ns=opened,
                settings=SETTINGS,
            )
        )
    return taken


def colour(number: int) -> tuple[int, int, int]:
    """A colour for each."""
    return (40 + 5 * (number % 40), 240 - 5 * (number % 40), 60 + 40 * (number % 4))


def middle_of(sheet: Image.Image, place: int, columns: int) -> tuple[int, ...]:
    """The colour in the middle of a picture on a sheet."""
    left = made._MARGIN_PX + place % columns * (made.THUMB_WIDTH_PX + made._GAP_PX)
    cell = made.THUMB_HEIGHT_PX + 3 * made._LINE_PX + 6 + made._GAP_PX
    top = made._MARGIN_PX + made._HEADING_PX + place // columns * cell
    pixel = sheet.getpixel((left + made.THUMB_WIDTH_PX // 2, top + made.THUMB_HEIGHT_PX // 2))
    assert isinstance(pixel, tuple)
    return pixel


def test_each_picture_stands_in_its_place(tmp_path: Path) -> None:
    """Forty pictures make two sheets, in order, each picture's colour where it belongs."""
    taken = coloured(tmp_path, 40)
    first, second = made.sheets(made_up.timeline(), "day", taken)
    for number in range(40):
        sheet, place, columns = (first, number, 6) if number < 36 else (second, number - 36, 4)
        assert np.abs(np.subtract(middle_of(sheet, place, columns), colour(number))).max() <= 4


def test_sheet_has_ink_below_each_picture(tmp_path: Path) -> None:
    """Below each picture stand three lines; an empty place has none."""
    (sheet,) = made.sheets(made_up.timeline(), "day", coloured(tmp_path, 4))
    grey = np.asarray(sheet.convert("L"))
    top = made._MARGIN_PX + made._HEADING_PX + made.THUMB_HEIGHT_PX + 4
    for place in range(4):
        left = made._MARGIN_PX + place * (made.THUMB_WIDTH_PX + made._GAP_PX)
        for line in range(3):
            strip = grey[top + line * made._LINE_PX :][: made._LINE_PX, left : left + made.THUMB_WIDTH_PX]
            assert (strip < 128).sum() > 40


@pytest.mark.parametrize(
    ("contact", "seconds", "words"),
    [
        (ContactName.C2, -12.34, "C2 -12.3 s"),
        (ContactName.C3, 4.0, "C3 +4.0 s"),
        (ContactName.C1, 185.0, "C1 +3 min 05 s"),
        (ContactName.C4, -600.0, "C4 -10 min 00 s"),
    ],
)
def test_time_is_told_from_the_nearest_contact(contact: ContactName, seconds: float, words: str) -> None:
    """A picture's time is counted from the contact that it is nearest to; mid-eclipse is none."""
    instant = made_up.mean_contacts()[contact] + seconds_to_ns(seconds)
    assert made.from_contact(made_up.timeline(), instant) == words


def test_long_names_keep_their_ends() -> None:
    """A name too wide for its picture loses its middle, and fits."""
    draw = ImageDraw.Draw(Image.new("RGB", (10, 10)))
    font = made._font(15)
    name = "a very long name of a picture that somebody thought of_" * 2 + "0042.JPG"
    cut = made._fitting(draw, name, font, 300)
    assert draw.textlength(cut, font) <= 300
    assert cut.startswith("a very")
    assert cut.endswith("0042.JPG")


def test_unreadable_picture_leaves_a_place(tmp_path: Path) -> None:
    """A file that cannot be read costs the sheet nothing but its own place."""
    taken = coloured(tmp_path, 3)
    taken[1].path.write_bytes(b"nothing")
    (sheet,) = made.sheets(made_up.timeline(), "day", taken)
    assert np.abs(np.subtract(middle_of(sheet, 2, 3), colour(2))).max() <= 4
    assert middle_of(sheet, 1, 3) == (0, 0, 0)


def test_no_pictures_make_no_sheet() -> None:
    """Nothing in, nothing out."""
    assert made.sheets(made_up.timeline(), "day", []) == []
