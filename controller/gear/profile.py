"""What was measured of one camera body, as a file. Figures that could not be measured are not in it."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from typing import Annotated, Any, Literal, Self

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, ValidationError, model_validator

from controller.gear.body import CameraBody

_Seconds = Annotated[float, Field(ge=0.0, le=600.0, allow_inf_nan=False)]
_Count = Annotated[int, Field(ge=1, le=100_000)]


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


class Spread(_Section):
    """A figure in seconds: the median of some measurements, with the least and the greatest of them."""

    median_s: _Seconds
    least_s: _Seconds
    greatest_s: _Seconds
    measurements: _Count

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if not self.least_s <= self.median_s <= self.greatest_s:
            raise ValueError("the median must lie between the least and the greatest")
        return self


class CameraProfile(_Section):
    """One camera as measured from the computer. None: not found out."""

    holdfire_profile: Literal[1]
    """The version of this format."""
    model: Annotated[str, Field(min_length=1, max_length=200)]
    measured_utc: AwareDatetime
    frames: _Count
    """How many frames were fired for it."""
    invented: bool
    """Measured of a camera that is not real: simulated, or libgphoto2's virtual one."""
    frame_gap: Spread
    """From the end of one exposure until the next release, settings unchanged."""
    setting_time: Spread | None = None
    """Extra when the exposure time changes."""
    write_time: Spread | None = None
    """Between two frames while the buffer is full."""
    buffer_frames: _Count | None = None
    """Frames held before the rate dropped, good to one frame."""
    word_delay: Spread
    """From the release command to the camera's word on the picture, the exposure taken off. The release lag
    is a part of it: no more can be said of the lag from the computer."""
    release_lag_s: _Seconds | None = None
    """As the operator measured it with a photographed clock."""

    def figures(self) -> dict[str, Any]:
        """Return the figures that planning goes by, under the names `CameraBody` has for them.

        Seconds, rounded up to a millisecond. Of times that must not be too short it is the greatest; the write
        time is the median: one slow write among many does not fill the buffer.
        """
        times_s = {
            "frame_gap_s": self.frame_gap.greatest_s,
            "setting_time_s": self.setting_time.greatest_s if self.setting_time else None,
            "release_lag_s": self.release_lag_s,
            "write_time_s": self.write_time.median_s if self.write_time else None,
        }
        found = {name: None if value is None else _up_to_ms(value) for name, value in times_s.items()}
        found["buffer_frames"] = self.buffer_frames
        return {name: value for name, value in found.items() if value is not None}

    def body(self, assumed: CameraBody) -> CameraBody:
        """Return a body with what was measured in place of what was assumed of it."""
        return replace(assumed, **self.figures())


def parse_profile(content: bytes) -> CameraProfile:
    """Read the content of a profile's file.

    Raises:
        ValueError: with the reason as a clause that begins with "it": ``it is no JSON``.
    """
    try:
        data = json.loads(content)
    except (ValueError, RecursionError):
        raise ValueError("it is no JSON") from None
    if not isinstance(data, dict) or "holdfire_profile" not in data:
        raise ValueError("it does not begin as a profile does, with holdfire_profile")
    if data["holdfire_profile"] != 1:
        raise ValueError("it is written in another version of the format, and only 1 is understood")
    try:
        return CameraProfile.model_validate_json(content)
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        where = ".".join(map(str, first["loc"])) or "the whole"
        what = {"missing": "is missing", "extra_forbidden": "does not belong there"}.get(
            first["type"], "has a value that cannot be"
        )
        raise ValueError(f"it does not fit: {where} {what}") from None


def _up_to_ms(seconds: float) -> float:
    return math.ceil(round(seconds * 1000, 3)) / 1000
