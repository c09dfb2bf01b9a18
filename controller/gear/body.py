"""A camera body as planning sees it: what it lists and how long things take."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from controller.light.stops import NOMINAL_THIRDS_S, SAME_SETTING_STOPS, stops_between


@dataclass(frozen=True, kw_only=True)
class CameraBody:
    """Speed and choices of one camera. Times in seconds; empty tuples mean "not known, do not check".

    The default figures are planning figures (common practice, no single source); a measured profile
    replaces them.
    """

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

    @property
    def word_within_s(self) -> float:
        """How long after an exposure the camera's word of the picture may take, in seconds.

        Frame gap, a card four times slower than stated and two seconds over; never less than five (common
        practice, no single source).
        """
        return max(5.0, self.frame_gap_s + 4 * self.write_time_s + 2.0)

    def cycle_s(self, exposure_s: float, *, settings_change: bool) -> float:
        """Return how long one frame occupies the camera, in seconds, buffer not full."""
        return exposure_s + self.frame_gap_s + (self.setting_time_s if settings_change else 0.0)


SIMULATED_BODY = CameraBody(
    shutter_s=NOMINAL_THIRDS_S,
    f_numbers=(2.8, 3.2, 3.5, 4, 4.5, 5, 5.6, 6.3, 7.1, 8, 9, 10, 11, 13, 14, 16, 18, 20, 22),
    isos=(100, 125, 160, 200, 250, 320, 400, 500, 640, 800, 1000, 1250, 1600, 2000, 2500, 3200, 6400, 12800),
    frame_gap_s=0.5,
    setting_time_s=0.1,
    release_lag_s=0.05,
    buffer_frames=30,
    write_time_s=0.4,
    card_frames=4000,
)
"""The camera that stands in for a real one: an invented body of middling speed."""
TETHERED_BODY = CameraBody()
"""What is assumed of a real camera that nobody has measured."""


def is_listed(asked: float, listed: Iterable[float]) -> bool:
    """Return whether a value stands for `asked` (half a third-stop at most away); an empty list holds all."""
    values = tuple(listed)
    return not values or any(abs(stops_between(asked, value)) <= SAME_SETTING_STOPS for value in values)
