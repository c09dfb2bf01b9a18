"""The values of a plan: how each is written, what it may be, and what to say when it is not.

Every type here reads text as the photographer wrote it and turns it into a number whose unit is in
the type's name. Code may also pass the number itself, already in that unit. Each type carries a JSON
Schema with the same pattern it is read by, so that an editor completes and checks what is loaded.
"""

from __future__ import annotations

import datetime as dt
import math
import re
import zoneinfo
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from difflib import get_close_matches
from fractions import Fraction
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, PlainSerializer, WithJsonSchema

from controller.gear.classes import CAMERA_CLASSES
from controller.light.stops import (
    DECIMAL,
    EXPOSURE_PATTERN,
    F_NUMBER_PATTERN,
    ISO_PATTERN,
    parse_exposure,
    parse_f_number,
    parse_iso,
    series_for_step,
)
from controller.units import ContactName, FilterState, Wanted

EARLIEST_FILTER_OFF_BEFORE_C2_S = 30.0
"""No plan may take the filter off earlier than this before C2, seconds. Common practice, no single source."""

LATEST_FILTER_ON_AFTER_C3_S = 30.0
"""No plan may leave the filter off later than this after C3, seconds. Common practice, no single source."""

LONGEST_EXPOSURE_S = 900.0
SHORTEST_EXPOSURE_S = 1e-6
LONGEST_DURATION_S = 12 * 3600.0
LARGEST_STEP_STOPS = 10.0
LONGEST_NAME = 80
MAINS = "mains"
"""A camera that is fed from outside."""
LONGEST_SENTENCE = 300
LONGEST_PATH = 400


class WrongValueError(ValueError):
    """Raised when a value of a plan is no value of its kind; says what is wrong and how to mend it."""

    def __init__(self, what: str, mend: str) -> None:
        self.what = what
        self.mend = mend
        super().__init__(f"{what} Mend: {mend}")


def shown(value: object) -> str:
    """Return a value as it may stand in a one-line message: quoted, without control characters, not long."""
    text = "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in str(value))
    return f'"{text[:40]}…"' if len(text) > 41 else f'"{text}"'


# --- durations and anchors ---------------------------------------------------------------------

_UNIT_S = {"h": Decimal(3600), "min": Decimal(60), "s": Decimal(1), "ms": Decimal("0.001")}
DURATION_PATTERN = rf"(?:{DECIMAL} ?h)?(?: ?{DECIMAL} ?min)?(?: ?{DECIMAL} ?s)?(?: ?{DECIMAL} ?ms)?"
_DURATION_MEND = "write it with its unit, such as 20 s, 1 min 30 s or 250 ms."
_SOME_DURATION = r"(?=[0-9])"
"""Every part of the duration pattern may be absent; at least one digit is asked for."""

CONTACT_PATTERN = r"(?:[cC][1-4]|[mM]id)"
ANCHOR_PATTERN = rf"(?:{_SOME_DURATION}{DURATION_PATTERN} (?:before|after) )?{CONTACT_PATTERN}"
_ANCHOR_MEND = "write C1, C2, mid, C3 or C4, or an offset such as 20 s before C2 or 1 min after C3."


def parse_duration_s(value: object) -> float:
    """Return a duration in seconds: ``20 s``, ``1 min 30 s``, ``250 ms``, ``1.5 min``, ``1 h``.

    Raises:
        WrongValueError: if it is no duration, has no unit, or is longer than 12 hours.
    """
    number = _as_number(value)
    if number is None:
        number = _duration_of(_text(value, "duration", _DURATION_MEND))
        if number is None:
            raise WrongValueError(_no_or_unitless(value, "duration"), _DURATION_MEND)
    if not 0 <= number <= LONGEST_DURATION_S:
        raise WrongValueError(
            f"{shown(value)} is outside what a duration may be, 0 s to 12 h.", "write a shorter duration."
        )
    return number


def format_duration(duration_s: float) -> str:
    """Return a duration in words that `parse_duration_s` reads back to the same float.

    Examples: ``20 s``, ``1 min 30 s``, ``250 ms``, ``1 h``.
    """
    rest = Decimal(repr(float(duration_s)))
    if 0 < rest < 1:
        return f"{_digits(rest * 1000)} ms"
    parts = []
    for unit in ("h", "min"):
        whole, rest = divmod(rest, _UNIT_S[unit])
        if whole:
            parts.append(f"{whole} {unit}")
    if rest or not parts:
        parts.append(f"{_digits(rest)} s")
    return " ".join(parts)


@dataclass(frozen=True)
class Anchor:
    """An instant in words: a contact, and how many seconds after it (negative: before it)."""

    contact: ContactName
    offset_s: float = 0.0

    @classmethod
    def parse(cls, text: str) -> Anchor:
        """Read ``C1``, ``mid``, ``20 s before C2``, ``1 min 30 s after C3``.

        Raises:
            WrongValueError: if the text is no such instant, or is more than 12 hours from the contact.
        """
        words = " ".join(text.split())
        if not re.fullmatch(ANCHOR_PATTERN, words):
            raise WrongValueError(_no(text, "instant of the eclipse"), _ANCHOR_MEND)
        offset, _, contact = words.rpartition(" ")
        name = ContactName.MID if contact.lower() == "mid" else ContactName(contact.upper())
        if not offset:
            return cls(name)
        duration, _, side = offset.rpartition(" ")
        seconds = parse_duration_s(duration)
        return cls(name, -seconds if side == "before" and seconds else seconds)

    def __str__(self) -> str:
        if self.offset_s == 0:
            return self.contact.value
        side = "before" if self.offset_s < 0 else "after"
        return f"{format_duration(abs(self.offset_s))} {side} {self.contact.value}"


def _parse_anchor(value: object) -> Anchor:
    if isinstance(value, Anchor):
        return value
    return Anchor.parse(_text(value, "instant of the eclipse", _ANCHOR_MEND))


def _duration_of(text: str) -> float | None:
    words = " ".join(text.split())
    if not re.fullmatch(_SOME_DURATION + DURATION_PATTERN, words):
        return None
    parts = re.findall(rf"({DECIMAL}) ?(h|min|ms|s)", words)
    return float(sum((Decimal(number) * _UNIT_S[unit] for number, unit in parts), Decimal(0)))


# --- exposure settings ---------------------------------------------------------------------------

_EXPOSURE_MEND = "write it as 1/1000, 0.5 s or 2 s."


def _parse_shutter_s(value: object) -> float:
    number = _as_number(value)
    if number is None:
        text = _text(value, "exposure time", _EXPOSURE_MEND)
        if re.fullmatch(r"[0-9]{1,9}", text) and int(text) > 1:
            raise WrongValueError(
                f"{shown(text)} may mean 1/{text} s or {text} s.",
                f"write 1/{text} or {text} s, whichever is meant.",
            )
        try:
            number = parse_exposure(text)
        except ValueError:
            raise WrongValueError(_no(value, "exposure time"), _EXPOSURE_MEND) from None
    if number <= 0 or number < SHORTEST_EXPOSURE_S:
        raise WrongValueError(f"{shown(value)} is too short for an exposure.", _EXPOSURE_MEND)
    if number > LONGEST_EXPOSURE_S:
        raise WrongValueError(
            f"{shown(value)} is longer than 900 s, the longest exposure of a plan.", _EXPOSURE_MEND
        )
    return number


def _parse_f_number(value: object) -> float:
    mend = "write it as f/8 or f/5.6."
    number = _as_number(value)
    if number is None:
        try:
            number = parse_f_number(_text(value, "f-number", mend))
        except ValueError:
            raise WrongValueError(_no(value, "f-number"), mend) from None
    if not 0.5 <= number <= 128:
        raise WrongValueError(f"{shown(value)} is outside what an f-number may be, f/0.5 to f/128.", mend)
    return number


def _parse_iso(value: object) -> int:
    mend = "write it as 400 or ISO 400."
    number = _as_number(value)
    if number is None:
        try:
            number = parse_iso(_text(value, "ISO speed", mend))
        except ValueError:
            raise WrongValueError(_no(value, "ISO speed"), mend) from None
    if number != int(number) or not 1 <= number <= 10_000_000:
        raise WrongValueError(f"{shown(value)} is outside what an ISO speed may be, 1 to 10000000.", mend)
    return int(number)


def _parse_step_stops(value: object) -> float:
    mend = "write it as 1 stop, 2 stops, 1/3 stop or 0.5 stops."
    number = _as_number(value)
    if number is None:
        match = re.fullmatch(_STEP_PATTERN, _text(value, "step of a bracket", mend))
        if not match or Fraction(match[2] or 1) == 0:
            raise WrongValueError(_no_or_unitless(value, "step of a bracket"), mend)
        number = float(Fraction(match[1]) / Fraction(match[2] or 1))
    try:
        series_for_step(number)
    except ValueError:
        raise WrongValueError(
            f"{shown(value)} is no step that cameras have: whole thirds or halves of a stop.", mend
        ) from None
    if number > LARGEST_STEP_STOPS:
        raise WrongValueError(f"{shown(value)} is more than {LARGEST_STEP_STOPS:g} stops.", mend)
    return number


_STEP_PATTERN = rf"({DECIMAL})(?:/({DECIMAL}))? *stops?"


# --- place, optics ------------------------------------------------------------------------------

_ANGLE = rf"-?{DECIMAL}(?: ?°(?: ?{DECIMAL} ?['′](?: ?{DECIMAL} ?(?:[\"″]|''|′′))?)?)?"
LATITUDE_PATTERN = rf"{_ANGLE} ?[NS]?"
LONGITUDE_PATTERN = rf"{_ANGLE} ?[EW]?"


def _angle_parser(kind: str, letters: str, limit_deg: float, mend: str) -> Callable[[object], float]:
    pattern = LATITUDE_PATTERN if letters == "NS" else LONGITUDE_PATTERN

    def parse(value: object) -> float:
        number = _as_number(value)
        if number is None:
            text = _text(value, kind, mend)
            numbers = re.findall(DECIMAL, text)
            if not re.fullmatch(pattern, text) or any(float(part) >= 60 for part in numbers[1:]):
                raise WrongValueError(_no(value, kind), mend)
            if text[0] == "-" and text[-1] in letters:
                raise WrongValueError(f"{shown(text)} has both a minus sign and a letter.", mend)
            number = sum(float(part) / 60**place for place, part in enumerate(numbers))
            if text[0] == "-" or text[-1] == letters[1]:
                number = -number
        if not abs(number) <= limit_deg:
            raise WrongValueError(
                f"{shown(value)} is no {kind}: it lies between -{limit_deg:g} and {limit_deg:g} degrees.",
                mend,
            )
        return number + 0.0  # no minus zero

    return parse


def _length_parser(
    kind: str, units: dict[str, float], low: float, high: float, mend: str
) -> Callable[[object], float]:
    pattern = rf"(-?{DECIMAL}) ?({'|'.join(units)})"

    def parse(value: object) -> float:
        number = _as_number(value)
        if number is None:
            match = re.fullmatch(pattern, _text(value, kind, mend))
            if not match:
                raise WrongValueError(_no_or_unitless(value, kind), mend)
            number = float(match[1]) * units[match[2]]
        if not low <= number <= high:
            name = next(iter(units))
            raise WrongValueError(
                f"{shown(value)} is outside what {_a(kind)} may be, {low:g} {name} to {high:g} {name}.", mend
            )
        return number

    return parse


def _number_parser(kind: str, low: float, high: float, mend: str) -> Callable[[object], float]:
    def parse(value: object) -> float:
        number = _as_number(value)
        if number is None:
            text = _text(value, kind, mend)
            if not re.fullmatch(DECIMAL, text):
                raise WrongValueError(_no(value, kind), mend)
            number = float(text)
        if not low <= number <= high:
            raise WrongValueError(
                f"{shown(value)} is outside what {_a(kind)} may be, {low:g} to {high:g}.", mend
            )
        return number

    return parse


def _count_parser(kind: str, low: int, high: int) -> Callable[[object], int]:
    mend = f"write a whole number from {low} to {high}."

    def parse(value: object) -> int:
        number = _as_number(value)
        if number is None:
            text = _text(value, kind, mend)
            if not re.fullmatch(r"[0-9]{1,12}", text):
                raise WrongValueError(_no(value, kind), mend)
            number = float(text)
        if number != int(number) or not low <= number <= high:
            raise WrongValueError(f"{shown(value)} is outside what {_a(kind)} may be, {low} to {high}.", mend)
        return int(number)

    return parse


_CLASS_WORDS = ", ".join(CAMERA_CLASSES)
_SENSOR_MEND = (
    f"write its sides, such as 23.5 mm x 15.6 mm with pixels: 6240 x 4160, or a class: {_CLASS_WORDS}."
)
_TIMES = "[xX×]"
SENSOR_SIDES_PATTERN = rf"({DECIMAL}) ?(?:mm)? ?{_TIMES} ?({DECIMAL}) ?mm"
_PIXELS_PATTERN = rf"([0-9]{{2,6}}) ?{_TIMES} ?([0-9]{{2,6}})"


def _parse_sensor(value: object) -> str | tuple[float, float]:
    if isinstance(value, tuple):  # as it comes back from a validated plan
        return value
    text = " ".join(_text(value, "sensor", _SENSOR_MEND).split())
    if text in CAMERA_CLASSES:
        return text
    match = re.fullmatch(SENSOR_SIDES_PATTERN, text)
    if not match:
        near = [name for name in CAMERA_CLASSES if name.casefold() == text.casefold()]
        near = near or get_close_matches(text, CAMERA_CLASSES, n=1)
        raise WrongValueError(
            _no(value, "sensor"), f"write {near[0]} if that is meant." if near else _SENSOR_MEND
        )
    short, long = sorted((float(match[1]), float(match[2])))
    if not 1 <= short <= long <= 300:
        raise WrongValueError(
            f"{shown(value)} is outside what a sensor's sides may be, 1 mm to 300 mm.", _SENSOR_MEND
        )
    return long, short


def _parse_pixels(value: object) -> tuple[int, int]:
    if isinstance(value, tuple):
        return value
    mend = "write both sides of the picture, such as 6240 x 4160."
    match = re.fullmatch(_PIXELS_PATTERN, _text(value, "number of pixels", mend))
    if not match:
        raise WrongValueError(_no(value, "number of pixels"), mend)
    short, long = sorted((int(match[1]), int(match[2])))
    if short < 100:
        raise WrongValueError(f"{shown(value)} is too few pixels for a picture.", mend)
    return long, short


def _parse_battery(value: object) -> float | str:
    if isinstance(value, str) and value.strip() == MAINS:
        return MAINS
    return _length_parser(
        "battery", {"Wh": 1.0}, 0.5, 1000, "write it as 16 Wh, or mains for power from outside."
    )(value)


# --- the skyline ----------------------------------------------------------------------------------

_POINT_MEND = "write azimuth and altitude in degrees, such as [95, 6]."


def _signed_parser(kind: str, low: float, high: float) -> Callable[[object], float]:
    mend = f"write degrees from {low:g} to {high:g}, such as [95, 6]."

    def parse(value: object) -> float:
        number = _as_number(value)
        if number is None:
            text = _text(value, kind, mend)
            if not re.fullmatch(rf"-?{DECIMAL}", text):
                raise WrongValueError(_no(value, kind), mend)
            number = float(text)
        if not low <= number <= high:
            raise WrongValueError(
                f"{shown(value)} is outside what {_a(kind)} may be, {low:g} to {high:g} degrees.", mend
            )
        return number + 0.0  # no minus zero

    return parse


def _parse_point(value: object) -> object:
    if not isinstance(value, (list, tuple)):
        _text(value, "pair of azimuth and altitude", _POINT_MEND)
        raise WrongValueError(_no(value, "pair of azimuth and altitude"), _POINT_MEND)
    if len(value) != 2:
        raise WrongValueError(
            f"A point of the horizon has two numbers, azimuth and altitude, and this has {len(value)}.",
            _POINT_MEND,
        )
    return tuple(value)


# --- words --------------------------------------------------------------------------------------


def _choice_parser(kind: str, choices: Sequence[str]) -> Callable[[object], str]:
    mend = f"write {', '.join(choices[:-1])} or {choices[-1]}."

    def parse(value: object) -> str:
        text = _text(value, kind, mend)
        if text not in choices:
            raise WrongValueError(_no(value, kind), mend)
        return text

    return parse


def _parse_wanted(value: object) -> Wanted:
    return Wanted(_choice_parser("value of wanted", list(Wanted))(value))


_FILTER_WORDS = {
    "on": FilterState.ON,
    "true": FilterState.ON,
    "off": FilterState.OFF,
    "false": FilterState.OFF,
    "not needed": FilterState.NOT_NEEDED,
}


def _parse_filter_need(value: object) -> FilterState:
    # True and False are what readers of older YAML make of on and off
    mend = "write on, off or not needed."
    text = str(value).lower() if isinstance(value, bool) else _text(value, "filter state", mend)
    if text not in _FILTER_WORDS:
        raise WrongValueError(_no(value, "filter state"), mend)
    return _FILTER_WORDS[text]


def _parse_yes_no(value: object) -> bool:
    text = (
        str(value).lower()
        if isinstance(value, bool)
        else _text(value, "true or false", "write true or false.")
    )
    if text not in ("true", "false"):
        raise WrongValueError(f"{shown(value)} is neither true nor false.", "write true or false.")
    return text == "true"


def _text_parser(kind: str, longest: int, *, empty: bool = False) -> Callable[[object], str]:
    def parse(value: object) -> str:
        if value == "" and empty:
            return ""
        text = _text(value, kind, f"write {_a(kind)} of 1 to {longest} characters.")
        if any(not character.isprintable() for character in text):
            raise WrongValueError(
                f"{shown(text)} has a control character or a line break in it.",
                "write it as plain text on one line.",
            )
        if len(text) > longest:
            raise WrongValueError(
                f"{shown(text)} has {len(text)} characters, more than the {longest} {_a(kind)} may have.",
                "shorten it.",
            )
        return text

    return parse


def _parse_date(value: object) -> dt.date:
    mend = "write it as year-month-day, such as 2027-08-02."
    if isinstance(value, dt.date):
        return value
    text = _text(value, "date", mend)
    try:
        if not re.fullmatch(_DATE_PATTERN, text):
            raise ValueError
        return dt.date.fromisoformat(text)
    except ValueError:
        raise WrongValueError(_no(value, "date"), mend) from None


_DATE_PATTERN = r"[0-9]{4}-[0-9]{2}-[0-9]{2}"


def _parse_time_zone(value: object) -> str:
    mend = "write an IANA zone such as Europe/Madrid, or leave it out to have it found from the coordinates."
    text = _text(value, "time zone", mend)
    if re.fullmatch(r"[A-Za-z0-9_+\-]+(/[A-Za-z0-9_+\-]+)*", text):
        try:
            zoneinfo.ZoneInfo(text)
        except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
            near = get_close_matches(text, zoneinfo.available_timezones(), n=1)
            if near:
                mend = f"write {near[0]} if that is meant, or leave it out to have it found."
        else:
            return text
    raise WrongValueError(f"The time zone {shown(text)} is not known.", mend)


def _parse_version(value: object) -> int:
    if str(value).strip() != "1":
        raise WrongValueError(
            f"This is plan language {shown(value)}, and only language 1 is understood.",
            "write holdfire_plan: 1 as the first line.",
        )
    return 1


def _text(value: object, kind: str, mend: str) -> str:
    """Return the text of a single value, stripped, with no-break spaces as plain ones.

    Raises:
        WrongValueError: if it is empty, a list or a section.
    """
    if isinstance(value, dict):
        raise WrongValueError(f"A section of keys stands where {_a(kind)} belongs.", mend)
    if isinstance(value, (list, tuple)):
        raise WrongValueError(f"A list stands where {_a(kind)} belongs.", mend)
    text = "" if value is None else re.sub("[\u00a0\u202f]", " ", str(value)).strip()
    if not text:
        raise WrongValueError(f"Nothing stands where {_a(kind)} belongs.", mend)
    return text


def _as_number(value: object) -> float | None:
    """Return a number passed by code, already in the unit of its type; None for text and all else."""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return None
    return value if math.isfinite(value) else math.inf


def _digits(value: Decimal) -> str:
    text = f"{value:f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def _no(value: object, kind: str) -> str:
    return f"{shown(value)} is no {kind}."


def _no_or_unitless(value: object, kind: str) -> str:
    if re.fullmatch(rf"-?{DECIMAL}", str(value).strip()):
        return f"{shown(value)} has no unit."
    return _no(value, kind)


def _a(kind: str) -> str:
    return f"{'an' if kind.startswith(('a', 'e', 'i', 'o', 'f-', 'ISO')) else 'a'} {kind}"


def _schema(
    description: str,
    pattern: str | None = None,
    examples: Sequence[object] = (),
    number: dict[str, Any] | None = None,
) -> dict[str, Any]:
    """Return the JSON Schema of a value written as text, as a bare number, or as either."""
    text: dict[str, Any] = {"type": "string"}
    if pattern is not None:
        text["pattern"] = f"^(?:{pattern})$"
    forms = [text] if number is None else [text, number]
    head: dict[str, Any] = {"description": description}
    if examples:
        head["examples"] = list(examples)
    return head | (forms[0] if len(forms) == 1 else {"anyOf": forms})


# --- the types, as the model names them -----------------------------------------------------------

_POSITIVE = {"type": "number", "exclusiveMinimum": 0}

AnchorField = Annotated[
    Anchor,
    BeforeValidator(_parse_anchor),
    PlainSerializer(str, when_used="json"),
    WithJsonSchema(
        _schema(
            "An instant of the eclipse: a contact (C1, C2, mid, C3, C4), or an offset before or after one.",
            ANCHOR_PATTERN,
            ["C1", "20 s before C2", "mid", "1 min 30 s after C3"],
        )
    ),
]

DurationS = Annotated[
    float,
    BeforeValidator(parse_duration_s),
    WithJsonSchema(
        _schema(
            "A duration with its unit: h, min, s or ms.",
            _SOME_DURATION + DURATION_PATTERN,
            ["20 s", "1 min 30 s", "250 ms"],
        )
    ),
]
"""Seconds."""

ShutterS = Annotated[
    float,
    BeforeValidator(_parse_shutter_s),
    WithJsonSchema(
        _schema(
            "An exposure time in seconds. A bare whole number above 1 is refused: 400 may mean 1/400.",
            rf"(?![0-9]*$)(?:{EXPOSURE_PATTERN})",
            ["1/1000", "0.5 s", "2 s"],
            _POSITIVE | {"maximum": 1},
        )
    ),
]
"""Nominal seconds: 1/1000 is 0.001."""

FNumber = Annotated[
    float,
    BeforeValidator(_parse_f_number),
    WithJsonSchema(
        _schema(
            "An f-number.",
            F_NUMBER_PATTERN,
            ["f/8", "f/5.6"],
            {"type": "number", "minimum": 0.5, "maximum": 128},
        )
    ),
]

Iso = Annotated[
    int,
    BeforeValidator(_parse_iso),
    WithJsonSchema(
        _schema("An ISO speed.", ISO_PATTERN, [100, "ISO 400"], {"type": "integer", "minimum": 1})
    ),
]

StepStops = Annotated[
    float,
    BeforeValidator(_parse_step_stops),
    WithJsonSchema(
        _schema(
            "A step of a bracket: whole thirds or halves of a stop.", _STEP_PATTERN, ["1 stop", "1/3 stop"]
        )
    ),
]
"""Stops."""

_LATITUDE_MEND = "write it as 42.35, 42.35 N or 42°21'00\" N."
Latitude = Annotated[
    float,
    BeforeValidator(_angle_parser("latitude", "NS", 90, _LATITUDE_MEND)),
    WithJsonSchema(
        _schema(
            "Latitude in degrees, WGS84, north positive.",
            LATITUDE_PATTERN,
            [42.35, "42.35 N", "42°21'00\" N"],
            {"type": "number", "minimum": -90, "maximum": 90},
        )
    ),
]
"""Degrees, north positive."""

_LONGITUDE_MEND = "write it as -3.70, 3.70 W or 3°42'00\" W; east is positive."
Longitude = Annotated[
    float,
    BeforeValidator(_angle_parser("longitude", "EW", 180, _LONGITUDE_MEND)),
    WithJsonSchema(
        _schema(
            "Longitude in degrees, WGS84, east positive.",
            LONGITUDE_PATTERN,
            [-3.7, "3.70 W", "3°42'00\" W"],
            {"type": "number", "minimum": -180, "maximum": 180},
        )
    ),
]
"""Degrees, east positive."""

Elevation = Annotated[
    float,
    BeforeValidator(
        _length_parser("elevation", {"m": 1.0, "ft": 0.3048}, -500, 9000, "write it as 912 m or 3000 ft.")
    ),
    WithJsonSchema(_schema("Elevation above sea level.", rf"-?{DECIMAL} ?(?:m|ft)", ["912 m", "3000 ft"])),
]
"""Metres."""

_HEIGHT_MEND = "write it as 120 m or 400 ft."
HeightAboveSurroundings = Annotated[
    float,
    BeforeValidator(_length_parser("height", {"m": 1.0, "ft": 0.3048}, 0, 9000, _HEIGHT_MEND)),
    WithJsonSchema(
        _schema(
            "How high the place stands above the sea or plain that its horizon is made of; used where no "
            "horizon is given.",
            rf"{DECIMAL} ?(?:m|ft)",
            ["120 m", "400 ft"],
        )
    ),
]
"""Metres."""

MOST_HORIZON_POINTS = 720
HorizonPoint = Annotated[
    tuple[
        Annotated[float, BeforeValidator(_signed_parser("azimuth", 0, 360))],
        Annotated[float, BeforeValidator(_signed_parser("altitude", -10, 90))],
    ],
    BeforeValidator(_parse_point),
    WithJsonSchema(
        {
            "description": "Azimuth (from north through east) and the altitude of the terrain there, degrees.",
            "type": "array",
            "prefixItems": [
                {"type": "number", "minimum": 0, "maximum": 360},
                {"type": "number", "minimum": -10, "maximum": 90},
            ],
            "minItems": 2,
            "maxItems": 2,
            "examples": [[95, 6]],
        }
    ),
]
"""Degrees, degrees."""

FocalLengthMm = Annotated[
    float,
    BeforeValidator(_length_parser("focal length", {"mm": 1.0}, 1, 20_000, "write it as 800 mm.")),
    WithJsonSchema(_schema("The lens' own focal length.", rf"{DECIMAL} ?mm", ["800 mm"])),
]
"""Millimetres."""

TeleconverterFactor = Annotated[
    float,
    BeforeValidator(_number_parser("teleconverter factor", 1, 4, "write it as 1.4 or 2.")),
    WithJsonSchema(
        {"description": "A teleconverter's factor.", "type": "number", "minimum": 1, "maximum": 4}
    ),
]

Density = Annotated[
    float,
    BeforeValidator(_number_parser("filter density", 3, 7, "write the optical density, such as 5.0.")),
    WithJsonSchema(
        {
            "description": "Optical density of the solar filter: 5.0 lets 1/100000 of the light through.",
            "type": "number",
            "minimum": 3,
            "maximum": 7,
            "examples": [5.0],
        }
    ),
]


def _whole_schema(description: str, low: int, high: int) -> WithJsonSchema:
    return WithJsonSchema({"description": description, "type": "integer", "minimum": low, "maximum": high})


Takes = Annotated[
    int,
    BeforeValidator(_count_parser("number of takes", 1, 500)),
    _whole_schema("How many takes in a row, with `at`.", 1, 500),
]
BufferFrames = Annotated[
    int,
    BeforeValidator(_count_parser("number of frames", 1, 10_000)),
    _whole_schema("How many frames the camera's buffer holds.", 1, 10_000),
]
CardFrames = Annotated[
    int,
    BeforeValidator(_count_parser("number of frames", 0, 1_000_000)),
    _whole_schema("How many frames the card has room for.", 0, 1_000_000),
]
PlanVersion = Annotated[
    int,
    BeforeValidator(_parse_version),
    WithJsonSchema({"description": "Version of this plan language.", "const": 1}),
]

_PRINTABLE = r"[^\u0000-\u001f\u007f-\u009f]*"
Name = Annotated[
    str,
    BeforeValidator(_text_parser("name", LONGEST_NAME)),
    WithJsonSchema(
        {
            "description": "A name in your own words.",
            "type": "string",
            "minLength": 1,
            "maxLength": LONGEST_NAME,
            "pattern": f"^{_PRINTABLE}$",
        }
    ),
]
MaybeName = Annotated[
    str,
    BeforeValidator(_text_parser("name", LONGEST_NAME, empty=True)),
    WithJsonSchema(
        {
            "description": "A name in your own words.",
            "type": "string",
            "maxLength": LONGEST_NAME,
            "pattern": f"^{_PRINTABLE}$",
        }
    ),
]
Sentence = Annotated[
    str,
    BeforeValidator(_text_parser("sentence", LONGEST_SENTENCE)),
    WithJsonSchema(
        {
            "description": "A sentence to be spoken.",
            "type": "string",
            "minLength": 1,
            "maxLength": LONGEST_SENTENCE,
            "pattern": f"^{_PRINTABLE}$",
        }
    ),
]
FilePath = Annotated[
    str,
    BeforeValidator(_text_parser("file name", LONGEST_PATH)),
    WithJsonSchema(
        {
            "description": "A file, beside the plan file or by its whole path.",
            "type": "string",
            "minLength": 1,
            "maxLength": LONGEST_PATH,
            "pattern": f"^{_PRINTABLE}$",
            "examples": ["my-camera.profile.json"],
        }
    ),
]
SpeechField = Annotated[
    str,
    BeforeValidator(_text_parser("language or file name", LONGEST_PATH)),
    WithJsonSchema(
        {
            "description": "The language of what is said: one that comes with the program, or a file of sentences.",
            "type": "string",
            "minLength": 1,
            "maxLength": LONGEST_PATH,
            "pattern": f"^{_PRINTABLE}$",
            "examples": ["en", "es", "my-sentences.yaml"],
        }
    ),
]
DateField = Annotated[
    dt.date,
    BeforeValidator(_parse_date),
    WithJsonSchema(_schema("The date of greatest eclipse (UTC).", _DATE_PATTERN, ["2027-08-02"])),
]
TimeZone = Annotated[
    str,
    BeforeValidator(_parse_time_zone),
    WithJsonSchema(_schema("IANA time zone of the place.", None, ["Europe/Madrid"])),
]
WantedField = Annotated[
    Wanted,
    BeforeValidator(_parse_wanted),
    WithJsonSchema({"description": "How much the shot is wanted.", "enum": [*map(str, Wanted)]}),
]
FilterNeed = Annotated[
    FilterState,
    BeforeValidator(_parse_filter_need),
    WithJsonSchema(
        {
            "description": "Where the solar filter must be: on, off, or not needed (a rig that never "
            "points at the Sun).",
            "enum": ["on", "off", "not needed", True, False],
        }
    ),
]
YesNo = Annotated[bool, BeforeValidator(_parse_yes_no), WithJsonSchema({"type": "boolean"})]
DriverField = Annotated[
    Literal["simulated", "tethered"],
    BeforeValidator(_choice_parser("driver", ["simulated", "tethered"])),
    WithJsonSchema({"description": "How the camera is worked.", "enum": ["simulated", "tethered"]}),
]
MountField = Annotated[
    Literal["fixed", "tracking"],
    BeforeValidator(_choice_parser("mount", ["fixed", "tracking"])),
    WithJsonSchema({"description": "Whether the mount follows the Sun.", "enum": ["fixed", "tracking"]}),
]
PointsAtField = Annotated[
    Literal["sun", "landscape"],
    BeforeValidator(_choice_parser("value of points_at", ["sun", "landscape"])),
    WithJsonSchema({"description": "What the rig is aimed at.", "enum": ["sun", "landscape"]}),
]
ContactsField = Annotated[
    Literal["mean limb", "lunar limb"],
    BeforeValidator(_choice_parser("value of contacts", ["mean limb", "lunar limb"])),
    WithJsonSchema(
        {
            "description": "Which C2 and C3 the plan is keyed to: those of a smooth Moon, or of its real edge.",
            "enum": ["mean limb", "lunar limb"],
        }
    ),
]
SensorField = Annotated[
    str | tuple[float, float],
    BeforeValidator(_parse_sensor),
    WithJsonSchema(
        _schema(
            f"The sensor: its sides, with pixels beside it, or a class: {_CLASS_WORDS}.",
            "|".join((SENSOR_SIDES_PATTERN, *(re.escape(name) for name in CAMERA_CLASSES))),
            ["APS-C 26 MP", "23.5 mm x 15.6 mm"],
        )
    ),
]
"""A class' name, or long and short side in millimetres."""
PixelsField = Annotated[
    tuple[int, int],
    BeforeValidator(_parse_pixels),
    WithJsonSchema(
        _schema("Pixels of the whole picture, for a sensor in mm.", _PIXELS_PATTERN, ["6240 x 4160"])
    ),
]
CropFactor = Annotated[
    float,
    BeforeValidator(_number_parser("crop factor", 1, 5, "write it as 1.5 or 1.6.")),
    WithJsonSchema(
        {
            "description": "A crop mode's factor: only the middle of the sensor is used. The image scale stays.",
            "type": "number",
            "minimum": 1,
            "maximum": 5,
        }
    ),
]
LongSideField = Annotated[
    Literal["level", "upright"],
    BeforeValidator(_choice_parser("value of long_side", ["level", "upright"])),
    WithJsonSchema({"description": "How the camera is held.", "enum": ["level", "upright"]}),
]
BatteryField = Annotated[
    float | str,
    BeforeValidator(_parse_battery),
    WithJsonSchema(_schema("What the battery holds, or mains.", rf"{MAINS}|{DECIMAL} ?Wh", ["16 Wh", MAINS])),
]
"""Watt hours, or `MAINS`."""
