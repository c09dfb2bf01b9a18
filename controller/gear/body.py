"""A camera body as planning sees it: what it lists and how long things take."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class CameraBody:
    """Speed and choices of one camera. Times in seconds; empty tuples mean "not known, do not check"."""

    shutter_s: tuple[float, ...] = ()
    """Listed exposure times, nominal seconds (1/1000 is 0.001)."""
    f_numbers: tuple[float, ...] = ()
    isos: tuple[int, ...] = ()
    frame_gap_s: float = 1.0
    """From the end of one exposure until the next can start, settings unchanged."""
    setting_time_s: float = 0.2
    """Extra when any exposure setting changes."""
    release_lag_s: float = 0.06
    """From the command to the shutter opening."""
    buffer_frames: int = 20
    write_time_s: float = 0.5
    """To move one frame from the buffer to the card."""
    card_frames: int | None = None
    """Frames the card holds; None when not known."""

    def cycle_s(self, exposure_s: float, *, settings_change: bool) -> float:
        """Return how long one frame occupies the camera, in seconds, buffer not full."""
        return exposure_s + self.frame_gap_s + (self.setting_time_s if settings_change else 0.0)
