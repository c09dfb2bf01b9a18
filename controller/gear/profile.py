"""What was measured of one camera body, as a file. Figures that could not be measured are not in it."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field

_Seconds = Annotated[float, Field(ge=0.0, le=600.0, allow_inf_nan=False)]


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Spread(_Section):
    """A figure in seconds: the median of some measurements, with the least and the greatest of them."""

    median_s: _Seconds
    least_s: _Seconds
    greatest_s: _Seconds
    measurements: Annotated[int, Field(ge=1)]


class CameraProfile(_Section):
    """One camera as measured from the computer. None: not found out."""

    holdfire_profile: Literal[1] = 1
    """The version of this format."""
    model: str
    measured_utc: AwareDatetime
    frames: int
    """How many frames were fired for it."""
    invented: bool
    """Measured of a camera that is not real: simulated, or libgphoto2's virtual one."""
    frame_gap: Spread
    """From the end of one exposure until the next release, settings unchanged."""
    setting_time: Spread | None = None
    """Extra when the exposure time changes."""
    write_time: Spread | None = None
    """Between two frames while the buffer is full."""
    buffer_frames: Annotated[int, Field(ge=1, le=100_000)] | None = None
    """Frames held before the rate dropped, good to one frame."""
    word_delay: Spread
    """From the release command to the camera's word on the picture, the exposure taken off. The release lag
    is a part of it: no more can be said of the lag from the computer."""
    release_lag_s: _Seconds | None = None
    """As the operator measured it with a photographed clock."""
