"""The pictures that cameras which are not there give: rendered from the brightness model, with full EXIF.

Numerics and the imaging library are loaded when the first picture is made; `Photographer.warm_up` does so ahead.
"""

from __future__ import annotations

import contextlib
import io
import zlib
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from controller.light.scene import Outlook
from controller.timeline.model import Settings
from controller.units import seconds_to_ns, utc_datetime

WIDTH_PX = 360
"""With eight cameras of one run in little memory, each of which renders."""
_THUMBNAIL_WIDTH_PX = 160
"""As EXIF files carry them."""
_VIRTUAL_BYTES = 60_000
"""libgphoto2's virtual camera remembers how long its files were at the start: each picture is filled up to this."""


@dataclass(frozen=True, kw_only=True)
class Body:
    """What a camera writes of itself into its pictures."""

    model: str
    serial: str
    clock_error_s: float = 0.0
    """How far its own clock is ahead of UTC, seconds."""


def serial_of(rig: str) -> str:
    """Return the serial number that a rig's camera which is not there writes into its pictures."""
    return f"HF{zlib.crc32(rig.encode()):08X}"


class Photographer:
    """Makes the pictures of one camera."""

    def __init__(self, outlook: Outlook | None, seed: int = 0, width_px: int = WIDTH_PX) -> None:
        """Make it; without an outlook its pictures are dark."""
        self._outlook = outlook
        self._seed = seed
        self._width_px = width_px
        self._dark: bytes | None = None

    def warm_up(self) -> None:
        """Load what rendering needs, and make the tables that all pictures share."""
        if self._outlook is not None:
            settings = Settings(exposure_s=0.01, f_number=8.0, iso=100)
            self.picture(self._outlook.scene.starts_utc_ns, settings, filter_on=True)

    def picture(self, opened_utc_ns: int, settings: Settings, *, filter_on: bool | None = None) -> bytes:
        """Return a JPEG of what the camera sees from an instant on.

        Args:
            opened_utc_ns: when the shutter opened.
            settings: as they were made.
            filter_on: None has the filter as the plan wants it then.
        """
        if self._outlook is None:
            return self._dark_picture()
        from controller.light.rendering import developed, jpeg, seen_through

        there = self._outlook.filter_on_at(opened_utc_ns) if filter_on is None else filter_on
        seed = (self._seed * 1_000_003 + opened_utc_ns // 1_000_000) & 0x7FFF_FFFF
        image = seen_through(
            self._outlook, opened_utc_ns + settings.longest_exposure_ns // 2, exposure_s=settings.exposure_s,
            f_number=settings.f_number, iso=settings.iso, filter_on=there, width_px=self._width_px, seed=seed,
        )  # fmt: skip
        return jpeg(developed(image))

    def _dark_picture(self) -> bytes:
        from PIL import Image

        if self._dark is None:
            made = io.BytesIO()
            Image.new("RGB", (96, 64), (6, 6, 10)).save(made, "JPEG")
            self._dark = made.getvalue()
        return self._dark


def with_exif(
    picture: bytes,
    opened_utc_ns: int,
    settings: Settings,
    body: Body,
    *,
    number: int = 1,
    thumbnail: bool = False,
) -> bytes:
    """Return a JPEG with what cameras write: time by the camera's own clock, settings, body, number.

    Args:
        picture: the JPEG.
        opened_utc_ns: when the shutter opened.
        settings: as they were made.
        body: the camera.
        number: which of its pictures it is.
        thumbnail: put a small one in as well.
    """
    import piexif

    moment = utc_datetime(opened_utc_ns + seconds_to_ns(body.clock_error_s))
    time_s = Fraction(settings.exposure_s).limit_denominator(32_000)
    aperture = Fraction(settings.f_number).limit_denominator(10)
    stamp = moment.strftime("%Y:%m:%d %H:%M:%S")
    exif: dict[str, object] = {
        "0th": {
            piexif.ImageIFD.Make: "Holdfire",
            piexif.ImageIFD.Model: body.model,
            piexif.ImageIFD.DateTime: stamp,
            piexif.ImageIFD.ImageNumber: number,
        },
        "Exif": {
            piexif.ExifIFD.DateTimeOriginal: stamp,
            piexif.ExifIFD.SubSecTimeOriginal: f"{moment.microsecond // 1000:03d}",
            piexif.ExifIFD.OffsetTimeOriginal: "+00:00",
            piexif.ExifIFD.ExposureTime: (time_s.numerator, time_s.denominator),
            piexif.ExifIFD.FNumber: (aperture.numerator, aperture.denominator),
            piexif.ExifIFD.ISOSpeedRatings: settings.iso,
            piexif.ExifIFD.BodySerialNumber: body.serial,
        },
    }
    if thumbnail:
        exif |= {"1st": {piexif.ImageIFD.Compression: 6}, "thumbnail": _small(picture)}
    made = io.BytesIO()
    piexif.insert(piexif.dump(exif), picture, made)
    return made.getvalue()


def _small(picture: bytes) -> bytes:
    from PIL import Image

    image = Image.open(io.BytesIO(picture))
    image.thumbnail((_THUMBNAIL_WIDTH_PX, _THUMBNAIL_WIDTH_PX))
    made = io.BytesIO()
    image.save(made, "JPEG")
    return made.getvalue()


class VirtualScenery:
    """Puts rendered pictures where libgphoto2's virtual camera takes its own from."""

    def __init__(self, folder: Path, photographer: Photographer, body: Body) -> None:
        """Make it, and put a first picture there: the camera reads the folder when it is opened."""
        self._path = folder / VIRTUAL_PICTURE
        self._photographer = photographer
        self._body = body
        self._number = 0
        folder.mkdir(parents=True, exist_ok=True)
        self.stage(0, Settings(exposure_s=0.01, f_number=8.0, iso=100))
        self._number = 0

    def stage(self, opened_utc_ns: int, settings: Settings, *, filter_on: bool | None = None) -> None:
        """Have the next file that the camera is asked for be the picture of this exposure, while the folder is there."""
        self._number += 1
        picture = self._photographer.picture(opened_utc_ns, settings, filter_on=filter_on)
        whole = with_exif(picture, opened_utc_ns, settings, self._body, number=self._number, thumbnail=True)
        beside = self._path.with_suffix(".part")
        with contextlib.suppress(
            OSError
        ):  # a folder that was taken away is how the camera's loss is practised
            beside.write_bytes(whole.ljust(_VIRTUAL_BYTES, b"\0"))
            beside.replace(self._path)


VIRTUAL_PICTURE = "VIRTUAL.JPG"
"""The one picture in the virtual camera's folder."""
