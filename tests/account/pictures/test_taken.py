"""How pictures are read: JPEG, the JPEG inside a raw file, and files that are neither."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from controller.account.pictures.taken import (
    UnreadableError,
    by_rig_and_phase,
    code_of,
    green_codes,
    linear,
    open_picture,
)
from controller.light.rendering import developed
from controller.light.scene import made_up_limb
from controller.units import ContactName
from tests.account.pictures import made_up


def jpeg(width: int, height: int, colour: tuple[int, int, int]) -> bytes:
    """A plain picture."""
    made = io.BytesIO()
    Image.new("RGB", (width, height), colour).save(made, "JPEG", quality=95)
    return made.getvalue()


def test_codes_become_the_light_that_they_were_made_from() -> None:
    """Levels developed by the sRGB curve come back to half a code, and `code_of` is the first that reaches one."""
    levels = np.linspace(0, 1, 500, dtype=np.float32)
    picture = np.repeat(levels[None, :, None], 3, axis=2)
    codes = developed(picture)[0, :, 1]
    assert np.abs(linear(codes) - levels).max() < 0.5 / 255 * 2.4
    for level in (0.001, 0.02, 0.5, 1.0):
        assert linear(np.array([code_of(level)], dtype=np.uint8))[0] >= level
        assert linear(np.array([code_of(level) - 1], dtype=np.uint8))[0] < level
    assert code_of(1.5) == 256


def test_raw_file_is_read_by_the_largest_picture_inside(tmp_path: Path) -> None:
    """Of the JPEGs that a camera puts into a raw file the largest is taken, wherever it lies."""
    path = tmp_path / "HF_0001.NEF"
    inside = (jpeg(160, 120, (200, 0, 0)), jpeg(1600, 1064, (0, 180, 0)), jpeg(640, 424, (0, 0, 200)))
    noise = np.random.default_rng(1).integers(0, 255, 5000, dtype=np.uint8).tobytes()
    path.write_bytes(b"II*\x00\x08\x00\x00\x00" + noise.join((noise, *inside, noise)))
    image = open_picture(path)
    assert image.size == (1600, 1064)
    assert abs(int(green_codes(path)[500, 800]) - 180) < 3


@pytest.mark.parametrize(
    "content", [b"", b"no picture", b"\xff\xd8\xffbroken", jpeg(64, 64, (9, 9, 9))[:300]]
)
def test_what_cannot_be_read_says_so(tmp_path: Path, content: bytes) -> None:
    """An empty file, text, and broken pictures end in one kind of error that names the file."""
    path = tmp_path / "HF_0002.JPG"
    path.write_bytes(content)
    with pytest.raises(UnreadableError, match=r"HF_0002\.JPG: no picture can be read"):
        open_picture(path)


@pytest.mark.filterwarnings("error")
def test_damaged_exif_breaks_no_sheet(tmp_path: Path) -> None:
    """A flipped byte in the EXIF, whatever it makes of the imaging library, ends in that kind of error or a picture."""
    exif, path = Image.Exif(), tmp_path / "HF_0003.JPG"
    exif[0x0112], exif[0x011A] = 6, 72.0
    Image.new("RGB", (48, 32)).save(path, exif=exif)
    content = path.read_bytes()
    entry = content.index(bytes([0x01, 0x1A, 0, 5]))
    unread = 0
    for at in (entry + 1, entry + 3):  # of its name, and of its type
        for byte in range(256):
            path.write_bytes(content[:at] + bytes([byte]) + content[at + 1 :])
            try:
                open_picture(path, upright=True)
            except UnreadableError:
                unread += 1
    assert unread > 0


def test_small_version_will_do_where_asked(tmp_path: Path) -> None:
    """For a contact sheet a large JPEG is read at a fraction of its size, never smaller than asked."""
    path = tmp_path / "large.jpg"
    path.write_bytes(jpeg(2400, 1600, (90, 90, 90)))
    assert open_picture(path).size == (2400, 1600)
    width, height = open_picture(path, at_least_px=300).size
    assert 300 <= height < width <= 1200


def test_large_sensors_are_no_surprise(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A picture larger than the imaging library expects is read without a warning on the screen."""
    path = tmp_path / "large.jpg"
    path.write_bytes(jpeg(40, 40, (90, 90, 90)))
    monkeypatch.setattr(Image, "MAX_IMAGE_PIXELS", 1000)
    assert open_picture(path).size == (40, 40)


def test_upright_picture_is_turned_only_where_asked(tmp_path: Path) -> None:
    """A camera held upright says so in EXIF: contact sheets turn its pictures, measuring does not."""
    path = tmp_path / "upright.jpg"
    exif = Image.Exif()
    exif[0x0112] = 6
    Image.new("RGB", (480, 320), (90, 90, 90)).save(path, exif=exif)
    assert open_picture(path).size == (480, 320)
    assert open_picture(path, upright=True).size == (320, 480)


def test_phases_come_in_order_of_their_beginning(tmp_path: Path) -> None:
    """Pictures are grouped by rig and phase, groups by their first picture, pictures by time."""
    late = made_up.series(
        tmp_path, ContactName.C3, 1, limb=made_up_limb(1), cadence_s=4.0, exposures_s=[1 / 4000]
    )
    early = made_up.series(
        tmp_path, ContactName.C2, 2, limb=made_up_limb(1), cadence_s=4.0, exposures_s=[1 / 4000]
    )
    (only,) = by_rig_and_phase([*late, *early])
    assert only[:2] == ("long", "totality")
    assert only[2] == [*early, *late]
