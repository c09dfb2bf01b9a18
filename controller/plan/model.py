"""The plan as validated data. `controller.plan.loading` reads it; `controller.timeline` compiles it.

The keys are the plan file's keys. Anchors stay in plain words until the timeline resolves them
against contacts; everything else is already a number with its unit in the name of its type.
"""

from __future__ import annotations

import datetime as dt
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from controller.plan.fields import (
    Anchor,
    AnchorField,
    DurationS,
    Elevation,
    FilterNeed,
    FNumber,
    FocalLengthMm,
    Iso,
    Latitude,
    Longitude,
    ShutterS,
    StepStops,
    WantedField,
)
from controller.units import ContactName


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)


class SitePlan(_Section):
    """Where the tripod stands (WGS84)."""

    name: str = Field(default="", description="What you call the place.")
    latitude: Latitude
    longitude: Longitude
    elevation: Elevation = 0.0
    time_zone: str | None = Field(
        default=None, description="IANA zone; found from the coordinates when left out."
    )


class CameraPlan(_Section):
    """Which camera a rig has and what is known of its speed. Times left out take the driver's defaults."""

    driver: Literal["simulated", "tethered"]
    match: str | None = Field(
        default=None, description="Part of the model name, or a port, to choose one of several cameras."
    )
    shutter_speeds: list[ShutterS] | None = None
    isos: list[Iso] | None = None
    apertures: list[FNumber] | None = None
    frame_gap: DurationS | None = Field(
        default=None, description="From the end of one exposure until the next can start."
    )
    setting_time: DurationS | None = Field(default=None, description="Extra when exposure settings change.")
    release_lag: DurationS | None = Field(default=None, description="From the command to the shutter opening.")
    buffer_frames: Annotated[int, Field(ge=1)] | None = None
    write_time: DurationS | None = Field(default=None, description="To write one frame to the card.")
    card_frames: Annotated[int, Field(ge=0)] | None = None


class OpticsPlan(_Section):
    """Lens and teleconverter. `aperture` is the lens' own; the teleconverter's loss is computed."""

    focal_length: FocalLengthMm
    aperture: FNumber
    teleconverter: Annotated[float, Field(ge=1, le=4)] = 1.0


class FilterPlan(_Section):
    """The solar filter in front of the lens."""

    kind: str = Field(description="What it is, in your words: glass, sheet, screw-on.")
    density: Annotated[float, Field(ge=3, le=7)] = Field(description="Optical density (5.0 is 1/100000).")


class RigPlan(_Section):
    """One camera with its lens, filter and mount."""

    name: str
    camera: CameraPlan
    optics: OpticsPlan
    filter: FilterPlan | None = None
    mount: Literal["fixed", "tracking"] = "fixed"
    points_at: Literal["sun", "landscape"] = "sun"
    iso: Iso = 100


class HoldsPlan(_Section):
    """When the filter may come off and must be back on, inside the program's hard bounds."""

    filter_off_earliest: AnchorField = Anchor(ContactName.C2, -20.0)
    filter_on_latest: AnchorField = Anchor(ContactName.C3, 20.0)
    lead: DurationS = Field(default=60.0, description="How long ahead the first filter cue is given.")


class BracketPlan(_Section):
    """A set of exposures: `from`, `to` and `step`, or `list`. Fired coarse to fine."""

    start: ShutterS | None = Field(default=None, alias="from")
    end: ShutterS | None = Field(default=None, alias="to")
    step: StepStops | None = None
    list: list[ShutterS] | None = None


class ShotPlan(_Section):
    """One wanted picture, or a set of them.

    Exactly one of `exposure` and `bracket`; exactly one of `at`, `every` and `fill`.
    """

    name: str
    wanted: WantedField
    exposure: ShutterS | None = None
    bracket: BracketPlan | None = None
    aperture: FNumber | None = None
    iso: Iso | None = None
    at: AnchorField | None = None
    times: Annotated[int, Field(ge=1, le=500)] = Field(default=1, description="How many takes in a row, with `at`.")
    every: DurationS | None = None
    fill: bool = Field(default=False, description="Repeat for as long as there is time.")
    starts: AnchorField | None = Field(default=None, alias="from")
    until: AnchorField | None = None
    late_limit: DurationS = Field(
        default=0.5, description="A frame that cannot be released this soon after its time is missed."
    )


class PhasePlan(_Section):
    """A stretch of time with one filter state."""

    name: str
    starts: AnchorField = Field(alias="from")
    until: AnchorField
    filter: FilterNeed
    rigs: list[str] | None = Field(default=None, description="Which rigs take part; all when left out.")
    shots: list[ShotPlan]


class CuePlan(_Section):
    """A sentence spoken at an instant."""

    at: AnchorField
    say: str


class Plan(_Section):
    """A whole day: one site, one eclipse, one or more rigs, the phases and the shots in them."""

    holdfire_plan: Literal[1] = Field(description="Version of this plan language.")
    title: str
    site: SitePlan
    eclipse: dt.date
    rigs: Annotated[list[RigPlan], Field(min_length=1)]
    holds: HoldsPlan = Field(default_factory=HoldsPlan)
    phases: Annotated[list[PhasePlan], Field(min_length=1)]
    cues: list[CuePlan] = Field(default_factory=list)
