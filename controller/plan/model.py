"""The plan as validated data. `controller.plan.loading` reads it; `controller.timeline` compiles it.

The keys are the plan file's keys. Anchors stay in plain words until the timeline resolves them
against contacts; everything else is already a number with its unit in the name of its type.
"""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, JsonValue

from controller.plan.fields import (
    MOST_HORIZON_POINTS,
    Anchor,
    AnchorField,
    BatteryField,
    BufferFrames,
    CardFrames,
    ContactsField,
    CropFactor,
    DateField,
    Density,
    DriverField,
    DurationS,
    Elevation,
    FilePath,
    FilterNeed,
    FNumber,
    FocalLengthMm,
    HeightAboveSurroundings,
    HorizonPoint,
    Iso,
    Latitude,
    Longitude,
    LongSideField,
    MaybeName,
    MountField,
    Name,
    PixelsField,
    PlanVersion,
    PointsAtField,
    SensorField,
    Sentence,
    ShutterS,
    SpeechField,
    StepStops,
    Takes,
    TeleconverterFactor,
    TimeZone,
    WantedField,
    YesNo,
)
from controller.units import ContactName

_EITHER_WAY_OF_EXPOSING: list[JsonValue] = [{"required": ["exposure"]}, {"required": ["bracket"]}]
_ONE_WAY_OF_TIMING: list[JsonValue] = [
    {"required": ["at"]},
    {"required": ["every"]},
    {"required": ["fill"], "properties": {"fill": {"const": True}}},
]

_Exposures = list[ShutterS]
"""Named here because inside `BracketPlan` the name ``list`` is the key of the plan file."""


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)


class SitePlan(_Section):
    """Where the tripod stands (WGS84)."""

    name: MaybeName = Field(default="", description="What you call the place.")
    latitude: Latitude
    longitude: Longitude
    elevation: Elevation = 0.0
    time_zone: TimeZone | None = Field(
        default=None, description="IANA zone; found from the coordinates when left out."
    )
    horizon: Annotated[list[HorizonPoint], Field(min_length=1, max_length=MOST_HORIZON_POINTS)] | None = (
        Field(
            default=None,
            description="What stands around: points of the skyline, joined by straight lines, the last with "
            "the first. Level when left out.",
        )
    )
    above_surroundings: HeightAboveSurroundings = 0.0


class CameraPlan(_Section):
    """Which camera a rig has and what is known of its speed.

    A figure left out is the profile's, and where that has none, the driver's default.
    """

    model_config = ConfigDict(
        json_schema_extra={
            "if": {"properties": {"driver": {"const": "simulated"}}},
            "then": {"not": {"required": ["match"]}},
        }
    )

    driver: DriverField
    match: Name | None = Field(
        default=None, description="Part of the model name, or a port, to choose one of several cameras."
    )
    profile: FilePath | None = Field(
        default=None, description="What holdfire calibrate measured, as a file; beside the plan file."
    )
    shutter_speeds: list[ShutterS] | None = None
    isos: list[Iso] | None = None
    apertures: list[FNumber] | None = None
    frame_gap: DurationS | None = Field(
        default=None, description="From the end of one exposure until the next can start."
    )
    setting_time: DurationS | None = Field(default=None, description="Extra when exposure settings change.")
    release_lag: DurationS | None = Field(
        default=None, description="From the command to the shutter opening."
    )
    buffer_frames: BufferFrames | None = None
    write_time: DurationS | None = Field(default=None, description="To write one frame to the card.")
    card_frames: CardFrames | None = None
    battery: BatteryField | None = Field(
        default=None, description="Typical of the sensor's class when left out."
    )

    def own_times(self) -> dict[str, Any]:
        """Return the figures of its speed that the plan itself gives, under the names `CameraBody` has for them."""
        given = {
            "frame_gap_s": self.frame_gap,
            "setting_time_s": self.setting_time,
            "release_lag_s": self.release_lag,
            "buffer_frames": self.buffer_frames,
            "write_time_s": self.write_time,
        }
        return {name: value for name, value in given.items() if value is not None}


class OpticsPlan(_Section):
    """Lens, teleconverter and sensor. `aperture` is the lens' own; the teleconverter's loss is computed."""

    model_config = ConfigDict(
        json_schema_extra={
            "if": {"properties": {"sensor": {"pattern": "mm$"}}, "required": ["sensor"]},
            "then": {"required": ["pixels"]},
            "else": {"not": {"required": ["pixels"]}},
        }
    )

    focal_length: FocalLengthMm
    aperture: FNumber
    teleconverter: TeleconverterFactor = 1.0
    sensor: SensorField | None = Field(
        default=None, description="With it, framing, drift and when to aim again are computed."
    )
    pixels: PixelsField | None = None
    crop: CropFactor = 1.0
    long_side: LongSideField = "level"


class FilterPlan(_Section):
    """The solar filter in front of the lens."""

    kind: Name = Field(description="What it is, in your words: glass, sheet, screw-on.")
    density: Density


class RigPlan(_Section):
    """One camera with its lens, filter and mount."""

    model_config = ConfigDict(
        json_schema_extra={
            "if": {"properties": {"points_at": {"const": "landscape"}}, "required": ["points_at"]},
            "else": {"required": ["filter"]},
        }
    )

    name: Name
    camera: CameraPlan
    optics: OpticsPlan
    filter: FilterPlan | None = None
    mount: MountField = "fixed"
    points_at: PointsAtField = "sun"
    iso: Iso = 100


class HoldsPlan(_Section):
    """When the filter may come off and must be back on, inside the program's hard bounds."""

    filter_off_earliest: AnchorField = Anchor(ContactName.C2, -20.0)
    filter_on_latest: AnchorField = Anchor(ContactName.C3, 20.0)
    lead: DurationS = Field(default=60.0, description="How long ahead the first filter cue is given.")


class BracketPlan(_Section):
    """A set of exposures: `from`, `to` and `step`, or `list`. Fired coarse to fine."""

    model_config = ConfigDict(
        json_schema_extra={
            "oneOf": [
                {
                    "required": ["list"],
                    "not": {"anyOf": [{"required": [key]} for key in ("from", "to", "step")]},
                },
                {"required": ["from", "to", "step"], "not": {"required": ["list"]}},
            ]
        }
    )

    start: ShutterS | None = Field(default=None, alias="from")
    end: ShutterS | None = Field(default=None, alias="to")
    step: StepStops | None = None
    list: _Exposures | None = Field(
        default=None, json_schema_extra={"minItems": 2, "maxItems": 60, "uniqueItems": True}
    )


class ShotPlan(_Section):
    """One wanted picture, or a set of them.

    Exactly one of `exposure` and `bracket`; exactly one of `at`, `every` and `fill`.
    """

    model_config = ConfigDict(
        json_schema_extra={
            "allOf": [{"oneOf": _EITHER_WAY_OF_EXPOSING}, {"oneOf": _ONE_WAY_OF_TIMING}],
            "dependentRequired": {"times": ["at"]},
            "not": {"required": ["at", "from"]},
        }
    )

    name: Name
    wanted: WantedField
    exposure: ShutterS | None = None
    bracket: BracketPlan | None = None
    aperture: FNumber | None = None
    iso: Iso | None = None
    at: AnchorField | None = None
    times: Takes = Field(default=1, description="How many takes in a row, with `at`.")
    every: DurationS | None = None
    fill: YesNo = Field(default=False, description="Repeat for as long as there is time.")
    starts: AnchorField | None = Field(default=None, alias="from")
    until: AnchorField | None = None
    late_limit: DurationS = Field(
        default=0.5, description="A frame that cannot be released this soon after its time is missed."
    )


class PhasePlan(_Section):
    """A stretch of time with one filter state."""

    name: Name
    starts: AnchorField = Field(alias="from")
    until: AnchorField
    filter: FilterNeed
    rigs: Annotated[list[Name], Field(min_length=1)] | None = Field(
        default=None, description="Which rigs take part; all when left out."
    )
    shots: Annotated[list[ShotPlan], Field(min_length=1)]


class CuePlan(_Section):
    """A sentence spoken at an instant."""

    at: AnchorField
    say: Sentence


class Plan(_Section):
    """A whole day: one site, one eclipse, one or more rigs, the phases and the shots in them."""

    holdfire_plan: PlanVersion
    title: Name
    site: SitePlan
    eclipse: DateField
    contacts: ContactsField = "mean limb"
    rigs: Annotated[list[RigPlan], Field(min_length=1)]
    holds: HoldsPlan = Field(default_factory=HoldsPlan)
    phases: Annotated[list[PhasePlan], Field(min_length=1)]
    cues: list[CuePlan] = Field(default_factory=list)
    speech: SpeechField = "en"
