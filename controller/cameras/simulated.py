"""A camera that is not there, but takes its time, fills its buffer and card, and fails on demand.

`SimulatedDevice` is the body on the tripod: it lives on while connections to it come and go.
`SimulatedDevice.open` gives a `Camera`, or raises `CameraFault` while the cable is out. Everything is timed
by the clock it is given and decided by its seed, so a virtual day repeats exactly.

Its times follow `CameraBody`: frames fired back to back open `CameraBody.cycle_s` apart.
"""

from __future__ import annotations

import functools
import itertools
import math
import random
from collections import deque
from collections.abc import MutableSequence, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from pathlib import Path

from controller.cameras.choices import (
    EXPOSURE,
    F_NUMBER,
    ISO,
    Quantity,
    say,
)
from controller.cameras.pictures import WIDTH_PX, Body, Photographer, with_exif
from controller.cameras.protocol import (
    CameraFacts,
    CameraFault,
    CameraStatus,
    Captured,
    Clock,
    MissReason,
    Readback,
)
from controller.gear.body import SIMULATED_BODY, CameraBody
from controller.light.scene import Outlook
from controller.timeline.model import Settings
from controller.units import FAR_NS, NS_PER_S, seconds_to_ns

MODEL = "Holdfire practice camera"
_BUSY_CODE, _GONE_CODE, _FULL_CODE = -110, -52, -3
"""libgphoto2's codes for the same troubles."""
_SLOW_WRITE_FACTOR = 8
_RENDER_AFTER_NS = NS_PER_S // 10
"""So long after an exposure its picture is rendered: cameras that were to fire at the same instant have done so."""
_RENDER_ROOM_NS = NS_PER_S // 20
"""A picture is rendered while its word is waited for, if that takes so long; otherwise it is dark."""


class SimFaultKind(StrEnum):
    """What can go wrong on demand."""

    LOST = "lost"
    """The cable is out, then back; every open connection is dead."""
    BUSY = "busy"
    """Releases are answered "busy", and nobody can know whether a picture was taken (none is)."""
    CARD_FULL = "card full"
    BATTERY_EMPTY = "battery empty"
    """The camera switches itself off; while it lasts it cannot be opened."""
    SNAP = "setting not accepted"
    """The shutter speed silently becomes one stop shorter than asked."""
    NO_WORD = "file missing"
    """The picture is taken but the camera never says so."""
    SLOW_WRITE = "slow write"
    """The card takes eight times as long, so the buffer fills."""
    HANG = "hang"
    """The next call does not return until the fault is over; happens once."""
    FILTER_LEFT_ON = "filter left on"
    """The filter is on the lens whatever was said; the pictures show it."""
    FILTER_LEFT_OFF = "filter left off"
    """The filter is not on the lens whatever was said; the pictures show it."""


@dataclass(frozen=True, kw_only=True)
class SimFault:
    """One fault: from an instant, or from the moment so many frames have been taken, for a while."""

    kind: SimFaultKind
    at_utc_ns: int | None = None
    after_frames: int | None = None
    for_s: float = math.inf

    def __post_init__(self) -> None:
        if (self.at_utc_ns is None) == (self.after_frames is None):
            message = "a simulated fault needs exactly one of at_utc_ns and after_frames"
            raise ValueError(message)


@dataclass
class _Trouble:
    """A fault with the stretch of time it covers, once that is known."""

    starts_ns: int | None
    after_frames: int | None
    for_s: float

    def covers(self, instant_ns: int) -> bool:
        return self.starts_ns is not None and self.starts_ns <= instant_ns < self.ends_ns

    @property
    def ends_ns(self) -> float:
        starts = math.inf if self.starts_ns is None else self.starts_ns
        return starts + self.for_s * NS_PER_S


@dataclass(frozen=True)
class _Exposure:
    """One opening of the shutter."""

    opened_ns: int
    ended_ns: int
    word_ns: int
    settings: Settings


def with_lists(body: CameraBody) -> CameraBody:
    """Return `body` with the practice camera's third-stop lists where it has none."""
    return replace(
        body,
        shutter_s=body.shutter_s or SIMULATED_BODY.shutter_s,
        f_numbers=body.f_numbers or SIMULATED_BODY.f_numbers,
        isos=body.isos or SIMULATED_BODY.isos,
    )


def filter_left(faults: Sequence[SimFault], at_utc_ns: int) -> bool | None:
    """Return whether the filter is on whatever was said, by the faults that begin at an instant; None without one."""
    for fault in faults:
        if fault.at_utc_ns is not None and 0 <= at_utc_ns - fault.at_utc_ns < fault.for_s * NS_PER_S:
            if fault.kind is SimFaultKind.FILTER_LEFT_ON:
                return True
            if fault.kind is SimFaultKind.FILTER_LEFT_OFF:
                return False
    return None


class SimulatedDevice:
    """A simulated camera body with its card, its battery and the faults that will befall it."""

    def __init__(
        self,
        body: CameraBody,
        clock: Clock,
        *,
        folder: Path | None = None,
        model: str = MODEL,
        port: str = "simulated",
        faults: Sequence[SimFault] = (),
        seed: int = 0,
        lag_jitter_s: float = 0.0,
        battery_percent: float = 100.0,
        battery_per_frame: float = 0.02,
        battery_change_s: float = math.inf,
        card_left: int | None = None,
        card_change_s: float = math.inf,
        clock_error_s: float = 0.0,
        outlook: Outlook | None = None,
        serial: str = "HF000001",
        picture_width_px: int = WIDTH_PX,
        remembers: bool = True,
    ) -> None:
        """Make a body.

        Args:
            body: its times and listed choices; lists left empty take those of `SIMULATED_BODY`.
            clock: the clock of the worker that uses it.
            folder: where pictures are written (made when missing); None writes none.
            model: its name, also in the pictures.
            port: where it says it is attached.
            faults: what will go wrong.
            seed: decides the jitter.
            lag_jitter_s: standard deviation of the release lag, seconds.
            battery_percent: charge at the start.
            battery_per_frame: charge one frame takes, percent.
            battery_change_s: how long after it has run flat a full one is in, seconds.
            card_left: how many frames the first card takes; as many as the body says when None.
            card_change_s: how long after it is full an empty one is in, seconds.
            clock_error_s: how far the camera's own clock (the pictures' times) is ahead of UTC, seconds.
            outlook: what it sees; None leaves its pictures dark, and shows none.
            serial: its number, as its pictures have it.
            picture_width_px: how wide its pictures are.
            remembers: keep every exposure in `taken`; else the last one alone.
        """
        self.body = with_lists(body)
        self.clock = clock
        self.model = model
        self.port = port
        self._folder = folder
        self._random = random.Random(seed)  # noqa: S311 - jitter, not secrecy
        self._lag_jitter_s = lag_jitter_s
        self._battery_percent = battery_percent
        self._battery_per_frame = battery_per_frame
        self._battery_change_s = battery_change_s
        self._card_room = body.card_frames if card_left is None else card_left
        self._card_change_s = card_change_s
        self._written_of = Body(model=model, serial=serial, clock_error_s=clock_error_s)
        self._photographer = Photographer(outlook, seed, picture_width_px)
        self._photographer.warm_up()
        self._shows = outlook is not None
        self._dark = Photographer(None)
        made_ns = clock.now_ns()
        self._troubles: dict[SimFaultKind, list[_Trouble]] = {kind: [] for kind in SimFaultKind}
        for fault in faults:
            if not (fault.kind is SimFaultKind.HANG and (fault.at_utc_ns or made_ns) < made_ns):
                trouble = _Trouble(fault.at_utc_ns, fault.after_frames, fault.for_s)
                self._troubles[fault.kind].append(trouble)
        self.may_be_off = bool(
            self._troubles[SimFaultKind.LOST] or self._troubles[SimFaultKind.BATTERY_EMPTY]
        )
        """Whether the camera is ever off the cable: nearly never, and asked many times a frame."""
        self._word_after_ns = seconds_to_ns(max(0.0, body.frame_gap_s - body.release_lag_s))
        self._write_ns = seconds_to_ns(body.write_time_s)
        self.setting_ns = seconds_to_ns(body.setting_time_s)
        self._counted = [t for troubles in self._troubles.values() for t in troubles if t.starts_ns is None]
        self.taken: MutableSequence[_Exposure] = [] if remembers else deque(maxlen=1)
        self._count = 0
        self._start_counted_faults(made_ns)
        self._use_up(made_ns)
        self._writes_end_ns: list[int] = []
        self._nearest: dict[Settings, tuple[Settings, Readback]] = {}
        self.settings = Settings(exposure_s=1 / 125, f_number=8.0, iso=100)
        self._number = itertools.count(1)
        if folder is not None:
            folder.mkdir(parents=True, exist_ok=True)
            there = [int(path.stem[3:]) for path in folder.glob("HF_*.JPG") if path.stem[3:].isdigit()]
            self._number = itertools.count(max(there, default=0) + 1)

    def open(self) -> SimulatedCamera:
        """Connect.

        Raises:
            CameraFault: (lost) while the cable is out or the battery empty.
        """
        if self.off_since(self.clock.now_ns(), self.clock.now_ns()) is not None:
            raise CameraFault("no camera answers on the cable", code=_GONE_CODE, lost=True, exposed=False)
        return SimulatedCamera(self)

    def off_since(self, from_ns: int, until_ns: int) -> int | None:
        """Return the first instant in a stretch of time at which the camera is off the cable, or None."""
        if not self.may_be_off:
            return None
        starts = [
            max(trouble.starts_ns, from_ns)
            for kind in (SimFaultKind.LOST, SimFaultKind.BATTERY_EMPTY)
            for trouble in self._troubles[kind]
            if trouble.starts_ns is not None and trouble.starts_ns <= until_ns and trouble.ends_ns > from_ns
        ]
        return min(starts, default=None)

    def has(self, kind: SimFaultKind, at_ns: int | None = None) -> bool:
        """Return whether a fault of this kind is upon the camera at an instant, now when None."""
        troubles = self._troubles[kind]
        if not troubles:
            return False
        instant_ns = self.clock.now_ns() if at_ns is None else at_ns
        return any(trouble.covers(instant_ns) for trouble in troubles)

    def hang_if_due(self) -> bool:
        """Block until a hang that has begun is over; each hang blocks one call. Return whether there was one."""
        for trouble in self._troubles[SimFaultKind.HANG]:
            if trouble.covers(self.clock.now_ns()):
                self._troubles[SimFaultKind.HANG].remove(trouble)
                self.clock.sleep_until_ns(int(min(trouble.ends_ns, FAR_NS)))
                return True
        return False

    def in_buffer(self, instant_ns: int) -> int:
        """Return how many frames wait to be written to the card."""
        self._writes_end_ns = [ends for ends in self._writes_end_ns if ends > instant_ns]
        return len(self._writes_end_ns)

    def frames_left(self) -> int | None:
        """Return how many frames the card still takes; None when its size is not given."""
        if self.has(SimFaultKind.CARD_FULL):
            return 0
        return self._card_room

    def nearest(self, settings: Settings) -> tuple[Settings, Readback]:
        """Return the listed settings nearest to these, and what is read back of them.

        Raises:
            CameraFault: (settings) if one has no listed value near it.
        """
        found = self._nearest.get(settings)
        if found is None:
            chosen = Settings(
                exposure_s=_listed(EXPOSURE, settings.exposure_s, self.body.shutter_s),
                f_number=_listed(F_NUMBER, settings.f_number, self.body.f_numbers),
                iso=round(_listed(ISO, settings.iso, self.body.isos)),
            )
            found = self._nearest[settings] = chosen, _readback(settings, chosen)
        return found

    def status(self) -> CameraStatus:
        """Return battery and free frames."""
        return CameraStatus(battery_percent=math.ceil(self._battery_percent), frames_left=self.frames_left())

    def expose(self, settings: Settings, called_ns: int) -> _Exposure:
        """Take one frame, beginning with a release command at `called_ns`."""
        jitter_s = self._random.gauss(0.0, self._lag_jitter_s) if self._lag_jitter_s else 0.0
        opened_ns = called_ns + seconds_to_ns(max(0.0, self.body.release_lag_s + jitter_s))
        ended_ns = opened_ns + seconds_to_ns(settings.exposure_s)
        word_ns = ended_ns + self._word_after_ns
        write_ns = self._write_ns * (_SLOW_WRITE_FACTOR if self.has(SimFaultKind.SLOW_WRITE) else 1)
        self._writes_end_ns.append(max([ended_ns, *self._writes_end_ns]) + write_ns)
        self._battery_percent -= self._battery_per_frame
        if self._card_room is not None:
            self._card_room -= 1
        self._use_up(opened_ns)
        exposure = _Exposure(opened_ns, ended_ns, word_ns, settings)
        self.taken.append(exposure)
        self._count += 1
        self._start_counted_faults(word_ns)
        return exposure

    def _use_up(self, now_ns: int) -> None:
        """Let an empty battery and a full card be the trouble they are until they are changed."""
        if self._battery_percent <= 0:
            self._troubles[SimFaultKind.BATTERY_EMPTY].append(_Trouble(now_ns, None, self._battery_change_s))
            self.may_be_off = True
            self._battery_percent = 100.0
        if self._card_room == 0:
            self._troubles[SimFaultKind.CARD_FULL].append(_Trouble(now_ns, None, self._card_change_s))
            self._card_room = self.body.card_frames

    def picture(self, exposure: _Exposure) -> bytes | None:
        """Return what the exposure shows; None where it shows nothing, or its word comes too soon to render it."""
        if not self._shows or exposure.word_ns - self.clock.now_ns() < _RENDER_ROOM_NS:
            return None
        filter_on = None
        if self.has(SimFaultKind.FILTER_LEFT_ON, exposure.opened_ns):
            filter_on = True
        elif self.has(SimFaultKind.FILTER_LEFT_OFF, exposure.opened_ns):
            filter_on = False
        return self._photographer.picture(exposure.opened_ns, exposure.settings, filter_on=filter_on)

    def keep(self, exposure: _Exposure, picture: bytes | None) -> str:
        """Write the picture of an exposure (when there is a folder); return its folder's name and its own."""
        number = next(self._number)
        name = f"HF_{number:05d}.JPG"
        if self._folder is None:
            return name
        whole = with_exif(
            picture or self._dark.picture(exposure.opened_ns, exposure.settings),
            exposure.opened_ns, exposure.settings, self._written_of, number=number,
        )  # fmt: skip
        (self._folder / name).write_bytes(whole)
        return f"{self._folder.name}/{name}"

    def _start_counted_faults(self, now_ns: int) -> None:
        for trouble in self._counted:
            if trouble.after_frames == self._count:
                trouble.starts_ns = now_ns


class SimulatedCamera:
    """One connection to a `SimulatedDevice`; a `Camera`."""

    def __init__(self, device: SimulatedDevice) -> None:
        self._device = device
        self._opened_ns = device.clock.now_ns()
        self._closed = False
        self._exposure: _Exposure | None = None

    def probe(self) -> CameraFacts:
        """Return what the body lists."""
        self._begin()
        body = self._device.body
        return CameraFacts(
            model=self._device.model,
            port=self._device.port,
            shutter_s=body.shutter_s,
            f_numbers=body.f_numbers,
            isos=body.isos,
            status=self._device.status(),
            simulated=True,
        )

    def configure(self, settings: Settings) -> Readback:
        """Set to the nearest listed values; takes the body's setting time when anything changes."""
        self._begin()
        body = self._device.body
        if self._device.has(SimFaultKind.BUSY):
            raise CameraFault("the camera is busy and takes no settings", code=_BUSY_CODE, exposed=False)
        chosen, readback = self._device.nearest(settings)
        if self._device.has(SimFaultKind.SNAP):
            chosen = replace(chosen, exposure_s=_one_stop_off(chosen.exposure_s, body.shutter_s))
            readback = _readback(settings, chosen)
        if chosen != self._device.settings:
            self._wait_until(self._device.clock.now_ns() + self._device.setting_ns, exposed=False)
        self._device.settings = chosen
        return readback

    def release(self, settings: Settings) -> None:  # noqa: ARG002 - what was configured counts
        """Begin an exposure with the settings last configured; returns at once."""
        device = self._device
        called_ns = device.clock.now_ns()
        self._check_cable(exposed=False)
        if self._exposure is not None or (device.taken and called_ns < device.taken[-1].ended_ns):
            raise CameraFault("the frame before was not collected", code=_BUSY_CODE, exposed=False)
        if device.has(SimFaultKind.BUSY):
            raise CameraFault("the camera says it is busy", code=_BUSY_CODE, exposed=None)
        if device.frames_left() == 0:
            raise CameraFault("the card is full", code=_FULL_CODE, exposed=False, reason=MissReason.CARD)
        if device.in_buffer(called_ns) >= device.body.buffer_frames:
            raise CameraFault(
                f"the buffer is full ({device.body.buffer_frames} frames wait for the card)",
                code=_BUSY_CODE,
                exposed=False,
                reason=MissReason.BUFFER,
            )
        self._exposure = device.expose(device.settings, called_ns)
        device.hang_if_due()

    def collect(self, timeout_s: float) -> Captured:
        """Wait until the frame has been read out, and name its picture."""
        device, exposure = self._device, self._exposure
        self._exposure = None
        until_ns = device.clock.now_ns() + seconds_to_ns(timeout_s)
        self._begin(exposed=None)
        if exposure is None:
            raise CameraFault("there is no frame to wait for", exposed=False)
        render_ns = exposure.ended_ns + _RENDER_AFTER_NS
        if render_ns < min(exposure.word_ns, until_ns):
            self._wait_until(render_ns, exposed=None)
        picture = device.picture(exposure)
        silent = device.has(SimFaultKind.NO_WORD, exposure.opened_ns)
        self._wait_until(until_ns if silent else min(exposure.word_ns, until_ns), exposed=None)
        if silent or exposure.word_ns > until_ns:
            raise CameraFault(f"no word of a picture within {timeout_s:.1f} s", exposed=None)
        try:
            name = device.keep(exposure, picture)
        except OSError as error:
            raise CameraFault(f"the picture could not be written: {error}", exposed=True) from error
        return Captured(file_name=name, reported_utc_ns=device.clock.now_ns(), thumbnail=picture)

    def status(self) -> CameraStatus:
        """Return battery and free frames."""
        self._begin()
        return self._device.status()

    def close(self) -> None:
        """Disconnect."""
        self._closed = True

    def _begin(self, *, exposed: bool | None = False) -> None:
        self._check_cable(exposed=exposed)
        if self._device.hang_if_due():
            self._check_cable(exposed=exposed)

    def _check_cable(self, *, exposed: bool | None) -> None:
        device = self._device
        if self._closed or (
            device.may_be_off and device.off_since(self._opened_ns, device.clock.now_ns()) is not None
        ):
            raise CameraFault("the camera is off the cable", code=_GONE_CODE, lost=True, exposed=exposed)

    def _wait_until(self, instant_ns: int, *, exposed: bool | None) -> None:
        """Wait, but find out at once when the cable comes out."""
        device = self._device
        gone_ns = device.off_since(device.clock.now_ns(), instant_ns) if device.may_be_off else None
        device.clock.sleep_until_ns(instant_ns if gone_ns is None else gone_ns)
        self._check_cable(exposed=exposed)


def _readback(settings: Settings, chosen: Settings) -> Readback:
    pairs = ((EXPOSURE, settings.exposure_s, chosen.exposure_s), (ISO, settings.iso, chosen.iso))
    return Readback(
        exposure_s=chosen.exposure_s,
        f_number=chosen.f_number,
        iso=chosen.iso,
        words={
            "shutter": say(EXPOSURE, chosen.exposure_s),
            "aperture": say(F_NUMBER, chosen.f_number),
            "iso": str(chosen.iso),
        },
        differs=tuple(q.name for q, asked, got in pairs if q.stops_apart(asked, got) > 0.5),
    )


@functools.lru_cache(maxsize=4096)  # a plan asks for few values, and made-up days for the same again
def _listed(quantity: Quantity, asked: float, listed: tuple[float, ...]) -> float:
    nearest = min(listed, key=lambda number: (round(quantity.stops_apart(asked, number), 9), number))
    if quantity.stops_apart(asked, nearest) > 1 / 6 + 1e-9:
        raise CameraFault(
            f"{quantity.noun} {say(quantity, asked)} is not among the camera's choices; the nearest is "
            f"{say(quantity, nearest)}",
            exposed=False,
            reason=MissReason.SETTINGS,
        )
    return nearest


def _one_stop_off(exposure_s: float, listed: Sequence[float]) -> float:
    """Return the listed speed one stop shorter, or longer at the short end of the list."""
    far = [speed for speed in listed if EXPOSURE.stops_apart(speed, exposure_s) > 0.5]
    shorter = [speed for speed in far if speed < exposure_s]
    pool = shorter or far or list(listed)
    return min(pool, key=lambda speed: abs(EXPOSURE.stops_apart(speed, exposure_s) - 1.0))
