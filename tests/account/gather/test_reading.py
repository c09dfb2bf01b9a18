"""EXIF is read as an independent reader (exiftool) reads it, from JPEG and from raw kinds, and nothing is touched."""

from __future__ import annotations

import json
import shutil
import subprocess
from datetime import UTC, datetime, timedelta
from pathlib import Path

import piexif
import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.account.gather.model import Picture
from controller.account.gather.reading import find_files, read_picture
from controller.errors import UsageError
from controller.units import utc_ns
from tests.account.gather.eclipse import Eclipse, changed_exif

needs_exiftool = pytest.mark.skipif(
    shutil.which("exiftool") is None, reason="exiftool (libimage-exiftool-perl) is missing"
)


def exif_of(serial: bytes = b"K42") -> bytes:
    """EXIF as a camera writes it, beginning with the TIFF header."""
    return piexif.dump(
        {
            "0th": {
                piexif.ImageIFD.Make: b"Lark", piexif.ImageIFD.Model: b"Lark 7", piexif.ImageIFD.ImageNumber: 4711,
                piexif.ImageIFD.DateTime: b"2030:01:01 00:00:00",
            },
            "Exif": {
                piexif.ExifIFD.DateTimeOriginal: b"2027:08:02 10:45:10", piexif.ExifIFD.SubSecTimeOriginal: b"37",
                piexif.ExifIFD.OffsetTimeOriginal: b"+02:00", piexif.ExifIFD.ExposureTime: (1, 2000),
                piexif.ExifIFD.FNumber: (56, 10), piexif.ExifIFD.ISOSpeedRatings: 200,
                piexif.ExifIFD.BodySerialNumber: serial,
            },
        }
    )[6:]  # fmt: skip


def expected(path: Path) -> Picture:
    """What `exif_of` says."""
    taken = datetime(2027, 8, 2, 8, 45, 10, 370_000, tzinfo=UTC)
    return Picture(
        path=path, model="Lark 7", serial="K42", number=4711, taken_camera_ns=utc_ns(taken), has_subseconds=True,
        exposure_s=1 / 2000, f_number=5.6, iso=200.0,
    )  # fmt: skip


def box(kind: bytes, *parts: bytes) -> bytes:
    """A box of an ISO media file (ISO 14496-12)."""
    inside = b"".join(parts)
    return (8 + len(inside)).to_bytes(4) + kind + inside


def exif_ifd_alone(tiff: bytes, at: int) -> bytes:
    """The same TIFF with the IFD at `at` as its first."""
    return tiff[:4] + at.to_bytes(4, "big") + tiff[8:]


def by_exiftool(*paths: Path) -> list[dict[str, object]]:
    """What exiftool reads of files."""
    done = subprocess.run(
        ["exiftool", "-j", "-n", "-fast", *map(str, paths)], capture_output=True, text=True, check=True
    )
    answers: list[dict[str, object]] = json.loads(done.stdout)
    return answers


def assert_same(picture: Picture, other: dict[str, object]) -> None:
    """One picture as we and exiftool (-n) read it."""
    assert picture.model == other["Model"]
    assert picture.serial == str(other["SerialNumber"])
    assert picture.number == other["ImageNumber"]
    assert picture.exposure_s == pytest.approx(other["ExposureTime"], rel=1e-6)
    assert picture.f_number == pytest.approx(other["FNumber"], rel=1e-6)
    assert picture.iso == other["ISO"]
    # exiftool puts time, fraction and offset together
    moment = datetime.strptime(str(other["SubSecDateTimeOriginal"]), "%Y:%m:%d %H:%M:%S.%f%z")
    assert picture.taken_camera_ns == utc_ns(moment)


@needs_exiftool
def test_every_picture_of_the_day_is_read_as_exiftool_reads_it(eclipse: Eclipse) -> None:
    """All pictures that the simulated cameras wrote: model, serial and picture number, settings, time."""
    paths = find_files([eclipse.cards])
    others = {str(one["SourceFile"]): one for one in by_exiftool(*paths)}
    for path in paths:
        assert_same(read_picture(path), others[str(path)])
    assert len(paths) == len(eclipse.truth)


@needs_exiftool
@pytest.mark.parametrize("ending", [".DNG", ".NEF", ".TIF"])
def test_raw_kinds_built_on_tiff(ending: str, tmp_path: Path) -> None:
    """A file that is a TIFF with an EXIF IFD, as most raw kinds are; made here, not by a camera."""
    path = tmp_path / f"PIC{ending}"
    path.write_bytes(exif_of())
    assert read_picture(path) == expected(path)
    assert_same(read_picture(path), by_exiftool(path)[0])


@needs_exiftool
def test_a_raw_kind_of_boxes(tmp_path: Path) -> None:
    """A CR3's boxes, made here and not by a camera: both readers find its two blocks of EXIF."""
    tiff = exif_of()
    at = int.from_bytes(tiff[tiff.index(b"\x87\x69\x00\x04") + 8 :][:4])
    path = tmp_path / "PIC.CR3"
    uuid = bytes.fromhex("85c0b687820f11e08111f4ce462b6a48")
    boxes = box(b"uuid", uuid, box(b"CNCV", b"CanonCR3_001/00.09.00/00.00.00"), box(b"CMT1", tiff),
                box(b"CMT2", exif_ifd_alone(tiff, at)))  # fmt: skip
    path.write_bytes(
        box(b"ftyp", b"crx ", bytes(4), b"crx isom") + box(b"moov", boxes) + box(b"mdat", bytes(64))
    )
    assert read_picture(path) == expected(path)
    assert_same(read_picture(path), by_exiftool(path)[0])


@needs_exiftool
def test_a_raw_kind_with_a_jpeg_inside(eclipse: Eclipse, tmp_path: Path) -> None:
    """A RAF's header and JPEG, made here and not by a camera: the JPEG's EXIF is read."""
    jpeg = (eclipse.cards / "long" / "HF_00007.JPG").read_bytes()
    head = b"FUJIFILMCCD-RAW 0201FF389401Lark 7".ljust(84, b"\0") + (160).to_bytes(4) + len(jpeg).to_bytes(4)
    path = tmp_path / "PIC.RAF"
    path.write_bytes(head.ljust(160, b"\0") + jpeg)
    assert_same(read_picture(path), by_exiftool(path)[0])


def test_times_without_fraction_or_offset(eclipse: Eclipse, tmp_path: Path) -> None:
    """A time in whole seconds is marked so; without an offset it is taken as it stands."""

    def plain(exif: dict[str, dict[int, object]]) -> None:
        del exif["Exif"][piexif.ExifIFD.SubSecTimeOriginal], exif["Exif"][piexif.ExifIFD.OffsetTimeOriginal]
        exif["Exif"][piexif.ExifIFD.DateTimeOriginal] = b"2026:08:12 20:29:59"

    path = tmp_path / "a.jpg"
    path.write_bytes(changed_exif((eclipse.cards / "land" / "HF_00001.JPG").read_bytes(), plain))
    picture = read_picture(path)
    assert not picture.has_subseconds
    assert picture.taken_camera_ns == utc_ns(datetime(2026, 8, 12, 20, 29, 59, tzinfo=UTC))


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"\xff\xd8",
        b"II*\0",
        b"no picture at all",
        b"\0\0\0\x18ftypcrx " + bytes(30),
        b"FUJIFILMCCD-RAW ",
    ],
)
def test_a_file_that_says_nothing_is_told_so(data: bytes, tmp_path: Path) -> None:
    """What is no picture, or cut off, is no fault of the program: it has a problem and no time."""
    path = tmp_path / "a.jpg"
    path.write_bytes(data)
    picture = read_picture(path)
    assert picture.problem.startswith("it")
    assert picture.taken_camera_ns is None
    assert read_picture(tmp_path / "gone.jpg").problem == "it cannot be read (No such file or directory)"


@given(at=st.integers(0, 400), byte=st.integers(0, 255), cut=st.integers(8, 500))
def test_damage_never_breaks_the_reader(
    tmp_path_factory: pytest.TempPathFactory, at: int, byte: int, cut: int
) -> None:
    """One byte changed and the end cut off: read as it is or told, never a fault."""
    data = bytearray(exif_of()[:cut])
    data[min(at, len(data) - 1)] = byte
    path = tmp_path_factory.getbasetemp() / "damaged.dng"
    path.write_bytes(data)
    assert read_picture(path).path == path


def test_what_is_looked_at(tmp_path: Path) -> None:
    """Folders are searched to the bottom, in order; links, hidden files and other endings are passed by."""
    for name in (
        "b/IMG_2.JPG",
        "b/deep/IMG_1.CR2",
        "a.jpg",
        ".hidden.jpg",
        "notes.txt",
        "a.xmp",
        "sets/IMG_2.JPG",
    ):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_bytes(b"x")
    (tmp_path / "link.jpg").symlink_to(tmp_path / "a.jpg")
    names = [
        path.relative_to(tmp_path).as_posix()
        for path in find_files([tmp_path], but_not_in=[tmp_path / "sets"])
    ]
    assert names == ["a.jpg", "b/IMG_2.JPG", "b/deep/IMG_1.CR2"]
    assert find_files([tmp_path / "notes.txt"] * 2) == [tmp_path / "notes.txt"]
    with pytest.raises(UsageError, match="there is no such file or folder"):
        find_files([tmp_path / "gone"])
    (tmp_path / "empty").mkdir()
    with pytest.raises(UsageError, match="There is no picture in"):
        find_files([tmp_path / "empty"])


def test_offsets_of_time_are_taken_off() -> None:
    """An offset is east of Greenwich where it has a plus, as in Exif 2.31."""
    from controller.account.gather.reading import _offset

    assert _offset("+05:30") == timedelta(hours=5, minutes=30)
    assert _offset("-03:30") == -timedelta(hours=3, minutes=30)
    assert _offset("   :  ") == _offset("") == _offset("+0a:00") == timedelta()
