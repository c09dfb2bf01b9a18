"""Small pictures as they come: each is held against the word on the filter, and shown.

What a picture shows never opens a hold and never withholds a frame (HF-S30): it comes back as `PictureSeen`, and the
engine tells of it. In a live run it is looked at in a thread of its own, where numerics are first loaded; a rig whose
pictures come faster than that has only its newest looked at.
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

from controller.cameras.protocol import Outcome, OutcomeState
from controller.cameras.worker import Preview, Report
from controller.engine import messages as m
from controller.light.scene import Outlook
from controller.timeline.model import Frame, Settings, Timeline
from controller.units import FilterState, UtcNs

ShowPicture = Callable[[str, int, bytes], None]
"""Given a rig, the picture's number from 1 and a JPEG. It must return at once."""


@dataclass(frozen=True, kw_only=True)
class Taken:
    """A small picture, and how its frame was exposed."""

    frame: Frame
    opened_utc_ns: int
    settings: Settings
    """As the camera read them back."""
    thumbnail: bytes = b""


class Album:
    """Puts together what workers report: which frame a small picture is of, and how that was exposed."""

    def __init__(self, timeline: Timeline) -> None:
        self._frames = {frame.frame_id: frame for frame in timeline.frames}
        self._last: dict[str, Taken] = {}

    def take(self, rig: str, report: Report) -> Taken | None:
        """Return the picture that a report brings, or None."""
        if isinstance(report, Outcome) and report.state is OutcomeState.FIRED:
            frame = self._frames.get(report.frame_id)
            if frame is None or report.captured is None:
                return None
            taken = Taken(
                frame=frame,
                opened_utc_ns=report.released_utc_ns or report.at_utc_ns,
                settings=_as_read_back(frame.settings, report),
                thumbnail=report.captured.thumbnail or b"",
            )
            self._last[rig] = taken
            return taken if taken.thumbnail else None
        last = self._last.get(rig)
        if isinstance(report, Preview) and last is not None and last.frame.frame_id == report.frame_id:
            return replace(last, thumbnail=report.thumbnail)
        return None


def look_at(taken: Taken, outlook: Outlook | None, now_utc_ns: int) -> m.PictureSeen:
    """Return what a picture says of the word that its frame was fired on."""
    from controller.light.seen import judge

    frame, settings = taken.frame, taken.settings
    told = m.PictureSeen(
        now_utc_ns=UtcNs(now_utc_ns), rig=frame.rig, frame_id=frame.frame_id, said=FilterState.NOT_NEEDED,
        verdict="cannot tell",
    )  # fmt: skip
    if outlook is None or frame.filter_need not in (FilterState.ON, FilterState.OFF):
        return told
    try:
        found = judge(
            taken.thumbnail, outlook, taken.opened_utc_ns + settings.longest_exposure_ns // 2,
            exposure_s=settings.exposure_s, f_number=settings.f_number, iso=settings.iso,
            said_on=frame.filter_need is FilterState.ON,
        )  # fmt: skip
    except Exception as error:  # noqa: BLE001 - whatever a camera sends, the run goes on
        return replace(told, said=frame.filter_need, shows=str(error))
    return replace(
        told, said=frame.filter_need, verdict=found.verdict.value, stops=found.stops, at_least=found.at_least,
        shows=found.shows,
    )  # fmt: skip


class PictureWatch:
    """Looks at the pictures of a live run, beside it."""

    def __init__(
        self,
        timeline: Timeline,
        outlooks: Mapping[str, Outlook],
        *,
        show: ShowPicture | None = None,
    ) -> None:
        """Make it; `take` starts its thread with the first picture.

        Args:
            timeline: of the run.
            outlooks: what the rigs see; pictures of others are shown and not judged.
            show: where the newest picture of a rig goes, too.
        """
        self._album = Album(timeline)
        self._outlooks = outlooks
        self._show = show
        self._numbers: dict[str, int] = {}
        self._waiting: dict[str, Taken] = {}
        self._news = threading.Condition()
        self._closing = False
        self._thread: threading.Thread | None = None

    def take(self, rig: str, report: Report, now: Callable[[], int], post: Callable[[m.Event], None]) -> None:
        """Take a worker's report and return at once; `post` is given what its picture shows, from another thread."""
        with self._news:
            taken = self._album.take(rig, report)
            if taken is None or self._closing:
                return
            self._waiting[rig] = taken
            self._news.notify()
            if self._thread is None:
                self._thread = threading.Thread(
                    target=self._look, args=(now, post), name="pictures", daemon=True
                )
                self._thread.start()

    def close(self) -> None:
        """Look at nothing more."""
        with self._news:
            self._closing = True
            self._news.notify()
        if self._thread is not None:
            self._thread.join(timeout=1.0)

    def _look(self, now: Callable[[], int], post: Callable[[m.Event], None]) -> None:
        while True:
            with self._news:
                while not self._waiting and not self._closing:
                    self._news.wait()
                if self._closing:
                    return
                rig = next(iter(self._waiting))  # that of whose pictures none was looked at longest
                taken = self._waiting.pop(rig)
            number = self._numbers[rig] = self._numbers.get(rig, 0) + 1
            if self._show is not None:
                with contextlib.suppress(Exception):  # a page that fails costs the run nothing (HF-S18)
                    self._show(rig, number, taken.thumbnail)
            post(look_at(taken, self._outlooks.get(rig), now()))


def _as_read_back(settings: Settings, outcome: Outcome) -> Settings:
    """Return the settings with what the camera read back in their place, where it is usable."""
    back = outcome.readback
    if back is None:
        return settings
    return Settings(
        exposure_s=back.exposure_s if back.exposure_s and 0 < back.exposure_s < 3600 else settings.exposure_s,
        f_number=back.f_number if back.f_number and 0 < back.f_number < 1000 else settings.f_number,
        iso=back.iso or settings.iso,
    )
