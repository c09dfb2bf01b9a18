"""Values of a plan: what is read, what is refused, and that their JSON Schema says the same."""

import re
from decimal import Decimal

import jsonschema
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import TypeAdapter, ValidationError

from controller.plan import fields
from controller.plan.fields import Anchor, WrongValueError, format_duration, parse_duration_s
from controller.units import ContactName, FilterState

C2 = ContactName.C2


@pytest.mark.parametrize(
    ("text", "anchor"),
    [
        ("C1", Anchor(ContactName.C1)),
        ("mid", Anchor(ContactName.MID)),
        ("20 s before C2", Anchor(C2, -20.0)),
        ("1 min after C3", Anchor(ContactName.C3, 60.0)),
        ("1 min 30 s before C2", Anchor(C2, -90.0)),
        ("1.5 min before C4", Anchor(ContactName.C4, -90.0)),
        ("2 min before mid", Anchor(ContactName.MID, -120.0)),
        ("250 ms after c2", Anchor(C2, 0.25)),
        ("1 h 2 min 3 s 4 ms before C1", Anchor(ContactName.C1, -3723.004)),
        ("  20   s  before   C2 ", Anchor(C2, -20.0)),
        ("0 s before C2", Anchor(C2)),
    ],
)
def test_anchors_are_read_in_plain_words(text, anchor):
    """An instant is a contact, or a duration before or after one."""
    assert Anchor.parse(text) == anchor


@pytest.mark.parametrize(
    "text", ["", "C5", "C2 20 s", "20 before C2", "20 s C2", "before C2", "s before C2", "20 s befor C2",
             "-20 s before C2", "20 s before", "C2 C3", "30 s 1 min before C2", "middle", "20 s at C2", "13 h before C2"]
)  # fmt: skip
def test_what_is_no_anchor_is_refused(text):
    """Anything else is refused, none of it guessed at."""
    with pytest.raises(WrongValueError):
        Anchor.parse(text)


@given(st.sampled_from(ContactName), st.integers(-43_200_000, 43_200_000))
def test_an_anchor_reads_back_what_it_writes(contact, offset_ms):
    """str and parse are inverse to the last bit, for every offset in whole milliseconds."""
    anchor = Anchor(contact, float(Decimal(offset_ms) / 1000))
    assert Anchor.parse(str(anchor)) == anchor


@given(st.floats(0, 43_200))
def test_any_duration_reads_back_what_is_written(seconds):
    """A duration of any float is written to within a nanosecond, in words that are read back."""
    assert parse_duration_s(format_duration(round(seconds, 9))) == pytest.approx(seconds, abs=1e-9)


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(20, "20 s"), (90, "1 min 30 s"), (0.25, "250 ms"), (120, "2 min"), (3600, "1 h"), (0, "0 s"), (1.5, "1.5 s"),
     (3661.5, "1 h 1 min 1.5 s")],
)  # fmt: skip
def test_durations_are_written_as_people_write_them(seconds, text):
    """Whole minutes and hours are split off; less than a second is milliseconds."""
    assert format_duration(seconds) == text


def _read(annotated, value):
    return TypeAdapter(annotated).validate_python(value)


@pytest.mark.parametrize(
    ("annotated", "text", "value"),
    [
        (fields.DurationS, "20 s", 20.0),
        (fields.DurationS, "20s", 20.0),
        (fields.DurationS, "20\N{NO-BREAK SPACE}s", 20.0),
        (fields.FocalLengthMm, "800\N{NARROW NO-BREAK SPACE}mm", 800.0),
        (fields.Name, "Trois\N{NO-BREAK SPACE}: la butte", "Trois : la butte"),
        (fields.DurationS, "1 min 30 s", 90.0),
        (fields.DurationS, "250 ms", 0.25),
        (fields.DurationS, "2 min", 120.0),
        (fields.DurationS, "0 s", 0.0),
        (fields.ShutterS, "1/1000", 0.001),
        (fields.ShutterS, "0.5", 0.5),
        (fields.ShutterS, "1", 1.0),
        (fields.ShutterS, "900 s", 900.0),
        (fields.FNumber, "f/5.6", 5.6),
        (fields.Iso, "ISO 400", 400),
        (fields.StepStops, "1 stop", 1.0),
        (fields.StepStops, "1/3 stop", 1 / 3),
        (fields.StepStops, "0.5 stops", 0.5),
        (fields.Latitude, "42.35", 42.35),
        (fields.Latitude, "-42.35", -42.35),
        (fields.Latitude, "42.35 N", 42.35),
        (fields.Latitude, "42.35 S", -42.35),
        (fields.Latitude, "42°21'00\" N", 42.35),
        (fields.Latitude, "42° 21′ 0″ S", -42.35),
        (fields.Latitude, "42°21' N", 42.35),
        (fields.Longitude, "3.70 W", -3.70),
        (fields.Longitude, "3°42'00\" W", -3.70),
        (fields.Longitude, "180 E", 180.0),
        (fields.Elevation, "912 m", 912.0),
        (fields.Elevation, "3000 ft", 914.4),
        (fields.Elevation, "-400 m", -400.0),
        (fields.FocalLengthMm, "800 mm", 800.0),
        (fields.FocalLengthMm, "800mm", 800.0),
        (fields.SensorField, "APS-C 26 MP", "APS-C 26 MP"),
        (fields.SensorField, "23.5 mm x 15.6 mm", (23.5, 15.6)),
        (fields.SensorField, "15.6 × 23.5 mm", (23.5, 15.6)),
        (fields.PixelsField, "6240 x 4160", (6240, 4160)),
        (fields.PixelsField, "4160x6240", (6240, 4160)),
        (fields.CropFactor, "1.6", 1.6),
        (fields.LongSideField, "upright", "upright"),
        (fields.BatteryField, "16 Wh", 16.0),
        (fields.BatteryField, " mains", "mains"),
        (fields.FilterNeed, "on", FilterState.ON),
        (fields.FilterNeed, True, FilterState.ON),
        (fields.FilterNeed, "off", FilterState.OFF),
        (fields.FilterNeed, False, FilterState.OFF),
        (fields.FilterNeed, "not needed", FilterState.NOT_NEEDED),
        (fields.YesNo, "true", True),
        (fields.TimeZone, "Africa/Cairo", "Africa/Cairo"),
    ],
)
def test_values_are_read_with_their_units(annotated, text, value):
    """Each kind of value is read as written, and a foot is 0.3048 m (1959 international yard and pound)."""
    assert (
        _read(annotated, text) == pytest.approx(value)
        if isinstance(value, float)
        else _read(annotated, text) == value
    )


@pytest.mark.parametrize(
    ("annotated", "number"),
    [(fields.DurationS, 20.0), (fields.ShutterS, 0.001), (fields.FNumber, 8), (fields.Iso, 100), (fields.StepStops, 1),
     (fields.Latitude, 42.35), (fields.Longitude, -3.7), (fields.Elevation, 912.0), (fields.FocalLengthMm, 800)],
)  # fmt: skip
def test_code_may_pass_numbers_in_the_unit_of_the_type(annotated, number):
    """A number, not text, is taken as it is."""
    assert _read(annotated, number) == number


@pytest.mark.parametrize(
    ("annotated", "value"),
    [(fields.Latitude, float("nan")), (fields.Latitude, float("inf")), (fields.DurationS, float("nan")),
     (fields.DurationS, -1.0), (fields.ShutterS, float("inf")), (fields.ShutterS, True), (fields.Iso, 0.5),
     (fields.FNumber, float("nan")), (fields.Takes, True), (fields.Elevation, float("nan")), (fields.ShutterS, 0.0),
     (fields.StepStops, float("inf")), (fields.StepStops, "9" * 5000 + " stops"), (fields.StepStops, "1/0 stop"),
     (fields.Latitude, "9" * 5000), (fields.Takes, "9" * 5000), (fields.DurationS, "9" * 5000 + " s"),
     (fields.TimeZone, "../../etc/passwd"), (fields.TimeZone, "/etc/passwd"), (fields.TimeZone, "a" * 5000)],
)  # fmt: skip
def test_unreal_values_are_refused(annotated, value):
    """Numbers that are none, truth values, huge digit strings and paths are refused in our own words."""
    with pytest.raises(ValidationError) as caught:
        _read(annotated, value)
    assert isinstance(caught.value.errors()[0]["ctx"]["error"], WrongValueError)


PATTERNED = {
    name: getattr(fields, name)
    for name in ("AnchorField", "DurationS", "ShutterS", "FNumber", "Iso", "StepStops", "Latitude", "Longitude",
                 "Elevation", "FocalLengthMm", "DateField", "SensorField", "PixelsField", "BatteryField")
}  # fmt: skip


def _refusal(annotated, value):
    """Return why a value is refused, or None when it is read."""
    try:
        _read(annotated, value)
    except ValidationError as error:
        return error.errors()[0]["ctx"]["error"]
    return None


def _pattern(annotated):
    schema = TypeAdapter(annotated).json_schema()
    return next(part["pattern"] for part in schema.get("anyOf", [schema]) if "pattern" in part)


@pytest.mark.parametrize("name", PATTERNED)
def test_examples_in_the_schema_load_and_pass_it(name):
    """Every example that an editor offers is read, and passes the schema it stands in."""
    schema = TypeAdapter(PATTERNED[name]).json_schema()
    assert schema["examples"]
    for example in schema["examples"]:
        jsonschema.validate(example, schema)
        _read(PATTERNED[name], example if isinstance(example, str) else str(example))


@pytest.mark.parametrize("name", PATTERNED)
@settings(max_examples=25)
@given(st.data())
def test_the_schema_pattern_is_the_loader_s(name, data):
    """Text made from the schema's pattern is refused, if at all, for its size and not for its form."""
    text = data.draw(st.from_regex(_pattern(PATTERNED[name]), fullmatch=True).map(str.strip))
    if not re.search(_pattern(PATTERNED[name]), text):
        return
    refusal = _refusal(PATTERNED[name], text)
    about_form = (
        "no duration.",
        "no instant of",
        "no focal length.",
        "no elevation.",
        "no step of a bracket.",
        "no sensor.",
        "no number of pixels.",
        "no battery.",
    )
    if refusal is not None and not re.search(r"/0+(\.0+)? *stop", text):
        assert isinstance(refusal, WrongValueError)
        assert not any(words in refusal.what for words in about_form)


@given(st.text(max_size=30))
def test_no_text_breaks_a_value(text):
    """Any text at all is either read or refused with our own fault."""
    for annotated in PATTERNED.values():
        assert isinstance(_refusal(annotated, text), WrongValueError | None)
