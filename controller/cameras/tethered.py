"""Real cameras through libgphoto2, and its virtual camera.

The library is imported inside functions: the virtual camera has to be asked for (`VCAMERADIR`) before
that, and nobody else needs the library. Errors are told apart by code, never by text, which is in the
user's language. A `gphoto2.Camera` is initialised once; to open again, a new one is made.
"""

from __future__ import annotations

import contextlib
import os
import re
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from controller.cameras.choices import EXPOSURE, F_NUMBER, ISO, Quantity, say
from controller.cameras.lock import CameraLock
from controller.cameras.pictures import VIRTUAL_PICTURE
from controller.cameras.profiles import Profile, card_choice, means, profile_for
from controller.cameras.protocol import (
    CameraFacts,
    CameraFault,
    CameraStatus,
    Captured,
    Clock,
    MissReason,
    Readback,
)
from controller.errors import CameraError
from controller.timeline.model import Settings
from controller.units import NS_PER_S, seconds_to_ns

# libgphoto2's result codes (gphoto2-result.h, gphoto2-port-result.h), compared with the library's own
# constants by a test.
UNSPECIFIED, BAD_PARAMETERS, NO_MEMORY, NOT_SUPPORTED, IO = -1, -2, -3, -6, -7
USB_FIND, USB_CLAIM, MODEL_NOT_FOUND, BUSY, NO_SPACE = -52, -53, -105, -110, -115
_LOST_CODES = {IO, USB_FIND, USB_CLAIM, MODEL_NOT_FOUND, -5, -31, -34, -35, -37, -60}
"""I/O, no device, claimed, no model; unknown port, port not set up, read, write, update, locked."""
_ABSENT_CODES = {BAD_PARAMETERS, NOT_SUPPORTED}
"""A widget that the body does not have, or lists and cannot read."""

_SENTENCES = {
    UNSPECIFIED: "the camera reports an unspecified error",
    BAD_PARAMETERS: "the camera refuses the value",
    NO_MEMORY: "the camera has no room for another picture: change the card",
    NO_SPACE: "the camera has no room for another picture: change the card",
    IO: "the connection to the camera broke off: check cable, power and auto power-off",
    USB_FIND: "the camera is gone from the cable: check cable, power and auto power-off",
    USB_CLAIM: (
        "another program holds the camera: close it (often a photo importer, or the desktop's volume "
        "monitor, which unmounting the camera in the file manager stops), then plug the camera in again"
    ),
    MODEL_NOT_FOUND: "no camera is known on that port: plug it in again and switch it on",
    BUSY: "the camera is busy",
}
_STORE_FULL_EVENT = re.compile(r"\b400a\b", re.IGNORECASE)
"""The event code StoreFull of the picture transfer protocol (ISO 15740), which the driver passes on."""
_EVENT_WAIT_MS = 200
_QUIET_NS = 10_000_000
"""Pause after an event wait that came back at once with nothing, so that the loop does not spin."""
_STORE_FULL_GRACE_NS = NS_PER_S // 2
_NEVER_SLEEPS_S = 86_400
"""An auto power-off of this many seconds or more is as good as off."""

VIRTUAL_FOLDER_VARIABLE = "VCAMERADIR"
THUMBNAIL_BYTES = 30_000
"""The largest small picture that is taken from a camera."""
_JPEG_BEGINS = b"\xff\xd8"
_PORT = re.compile(r"\w+:[\w,./-]*$")
"""How libgphoto2 writes ports: ``usb:001,004``, ``ptpip:192.168.1.1``."""


Stage = Callable[[int, Settings], None]
"""Given when the shutter opened, UTC nanoseconds, and the settings."""


def _library() -> Any:  # noqa: ANN401 - the library has no types
    import gphoto2

    return gphoto2


@dataclass(frozen=True)
class _Setting:
    """One configuration widget as just read."""

    name: str
    text: str
    choices: tuple[str, ...]
    readonly: bool
    widget: Any

    def settable(self, quantity: Quantity) -> bool:
        """Return whether there is a choice to be made: two numbers or more, and not read-only."""
        return not self.readonly and len(quantity.numbers(self.choices)) >= 2


class TetheredCamera:
    """One opened camera behind libgphoto2; a `Camera`. Made by `open_tethered`."""

    def __init__(
        self,
        connect: Callable[[], Any],
        clock: Clock,
        *,
        model: str,
        port: str,
        virtual: bool | None = None,
        profile: Profile | None = None,
        renew_sessions: bool = True,
        locks: list[CameraLock] | None = None,
        stage: Stage | None = None,
    ) -> None:
        """Connect and set what must be set once (card, single frames).

        Args:
            connect: makes and initialises a new `gphoto2.Camera`; used again to renew a session.
            clock: the worker's clock.
            model: as libgphoto2 names it.
            port: as libgphoto2 names it.
            virtual: whether it is libgphoto2's virtual camera; None finds out.
            profile: None takes that of the model.
            renew_sessions: open anew, between frames, when the profile's captures per session are used up.
            locks: what keeps others from it, given free by `close` alone.
            stage: puts the picture of a frame where the virtual camera takes it from; no other camera's is touched.

        Raises:
            CameraFault: when it cannot be opened or read.
        """
        self._locks = [] if locks is None else locks
        self._connect = connect
        self._clock = clock
        self._model = model
        self._port = port
        self._renew_sessions = renew_sessions
        self._stage = stage
        with _faults("opening the camera"):
            self._camera: Any = connect()
        try:
            self.virtual = self._is_virtual() if virtual is None else virtual
            self._profile = profile or profile_for(model, virtual=self.virtual)
            with _faults("reading the camera"):
                operations = self._camera.get_abilities().operations
            self._triggers = bool(operations & _library().GP_OPERATION_TRIGGER_CAPTURE)
            self._found: dict[str, str] = {}
            self._names: dict[str, str | None] = {}
            self._set_once()
        except CameraFault:
            self._exit()
            raise
        self._wanted: Settings | None = None
        self._captures = 0
        self._released_ns = 0
        self._word: str | None = None
        self._words_owed = False
        self._stems: deque[str] = deque(maxlen=8)
        self._broken: CameraFault | None = None

    # --- the Camera protocol

    def probe(self) -> CameraFacts:
        """Return identity, listed choices, status, and what must be set by hand."""
        self._check()
        shutter, aperture, iso = (self._setting(quantity) for quantity in (EXPOSURE, F_NUMBER, ISO))
        return CameraFacts(
            model=self._model,
            port=self._port,
            shutter_s=EXPOSURE.numbers(shutter.choices) if shutter else (),
            f_numbers=F_NUMBER.numbers(aperture.choices) if aperture else (),
            isos=tuple(round(number) for number in ISO.numbers(iso.choices)) if iso else (),
            status=self.status(),
            by_hand=tuple(self._by_hand(shutter, aperture, iso)),
            simulated=self.virtual,
        )

    def configure(self, settings: Settings) -> Readback:
        """Choose from the listed values, set, read back, compare; waits for slow bodies to get there.

        Where the body offers no choice of aperture (lens ring, telescope) or ISO, it is left alone and
        named in `Readback.differs` unless it happens to be as asked.
        """
        self._check()
        self._wanted = None
        asked = {EXPOSURE: settings.exposure_s, F_NUMBER: settings.f_number, ISO: float(settings.iso)}
        back = {quantity: self._put(quantity, value) for quantity, value in asked.items()}
        until_ns = self._clock.now_ns() + seconds_to_ns(self._profile.settle_s)
        for quantity, setting in back.items():
            if setting is None or not setting.settable(quantity):
                continue
            while not quantity.agrees(asked[quantity], setting.text) and self._clock.now_ns() < until_ns:
                self._clock.sleep_until_ns(self._clock.now_ns() + 5 * _QUIET_NS)
                setting = back[quantity] = self._setting(quantity) or setting
        self._wanted = settings
        numbers = {quantity: self._number(quantity, setting) for quantity, setting in back.items()}
        iso = numbers[ISO]
        return Readback(
            exposure_s=numbers[EXPOSURE],
            f_number=numbers[F_NUMBER],
            iso=None if iso is None else round(iso),
            words={
                setting.name if setting else quantity.name: _words(quantity, setting)
                for quantity, setting in back.items()
            },
            differs=tuple(
                quantity.name
                for quantity, setting in back.items()
                if setting is None or not quantity.agrees(asked[quantity], setting.text)
            ),
        )

    def release(self, settings: Settings) -> None:
        """Open the shutter. Bodies without a trigger are released by a capture that blocks to its end."""
        self._check()
        del settings  # already made
        if self._words_owed:
            self._read_stale_words()
        self._word = None
        self._released_ns = self._clock.now_ns()
        library = _library()
        self._captures += 1
        if self._triggers:
            try:
                self._camera.trigger_capture()
            except library.GPhoto2Error as error:
                if error.code != NOT_SUPPORTED:
                    raise _fault(error.code, "releasing the shutter", exposed=None) from error
                self._triggers = False
            else:
                return
        with _faults("releasing the shutter", exposed=None):
            path = self._camera.capture(library.GP_CAPTURE_IMAGE)
        self._word = f"{path.folder.rstrip('/')}/{path.name}"

    def collect(self, timeout_s: float) -> Captured:
        """Wait for the event that a file was added for the frame last released.

        A second file of an earlier frame (raw and JPEG share a name) is not taken for a new one.
        """
        self._check(exposed=None)
        if self._stage is not None and self.virtual and self._wanted is not None:
            self._stage(self._released_ns, self._wanted)
        if self._word is None:
            self._word = self._wait_for_file(timeout_s)
        captured = Captured(file_name=self._word, reported_utc_ns=self._clock.now_ns())
        self._stems.append(_stem(self._word))
        self._word = None
        limit = self._profile.captures_per_session
        if self._renew_sessions and limit is not None and self._captures >= limit:
            self._renew()
        return captured

    def status(self) -> CameraStatus:
        """Return battery and free frames, None where the body has no word for them."""
        self._check()
        battery, shots = (self._read(name) for name in (self._profile.battery, self._profile.free_shots))
        return CameraStatus(
            battery_percent=_whole(battery.text) if battery else None,
            frames_left=_whole(shots.text) if shots else None,
        )

    def preview(self, file_name: str) -> bytes | None:
        """Return the camera's small picture of a file; None where it has none, or one of over 30 kB."""
        self._check()
        library = _library()
        folder, _, name = file_name.rpartition("/")
        try:
            file = self._camera.file_get(folder, name, library.GP_FILE_TYPE_PREVIEW)
            picture = bytes(file.get_data_and_size())  # a copy: the library's own goes with the file
        except library.GPhoto2Error as error:
            raise _fault(error.code, "fetching a small picture", exposed=False) from error
        return picture if picture[:2] == _JPEG_BEGINS and len(picture) <= THUMBNAIL_BYTES else None

    def close(self) -> None:
        """Put back what was set at opening, and let go of the camera; no call reaches it any more."""
        if self._broken is None:
            for name, text in self._found.items():
                with contextlib.suppress(CameraFault):
                    if (setting := self._read(name)) is not None:
                        self._write(setting, text)
        self._exit()
        for lock in self._locks:
            lock.release()
        self._broken = CameraFault("the camera is closed", lost=True, exposed=False)

    def serial_number(self) -> str | None:
        """Return the body's serial number; None where it gives none."""
        serial = self._read("serialnumber")
        return serial.text.strip() or None if serial else None

    # --- the session

    def _check(self, *, exposed: bool | None = False) -> None:
        if self._broken is not None:
            fault = self._broken
            raise CameraFault(fault.what, code=fault.code, lost=True, exposed=exposed)

    def _exit(self) -> None:
        if self._camera is not None:
            with contextlib.suppress(_library().GPhoto2Error):
                self._camera.exit()
        self._camera = None  # freed: the virtual camera must be gone before it is opened again

    def _renew(self) -> None:
        """Open the camera anew with the same settings. Trouble is kept for the next call to raise."""
        self._exit()
        try:
            with _faults("opening the camera anew"):
                self._camera = self._connect()
            self._captures = 0
            self._stems.clear()
            self._set_once()
            if self._wanted is not None:
                self.configure(self._wanted)
        except CameraFault as fault:
            self._broken = fault

    def _set_once(self) -> None:
        """Set the card as target and single frames; remember what was found."""
        target = self._read(self._profile.capture_target) if self._profile.capture_target else None
        if target is not None and (card := card_choice(self._profile, target.choices)) is not None:
            self._change(target, card)
        drive = self._first(self._profile.drive)
        if drive is not None and not means(self._profile.single_words, drive.text):
            single = next((c for c in drive.choices if means(self._profile.single_words, c)), None)
            if single is not None:
                self._change(drive, single)

    def _change(self, setting: _Setting, text: str) -> None:
        if setting.text == text or setting.readonly:
            return
        with contextlib.suppress(CameraFault):  # what could not be set is said by the probe
            self._write(setting, text)
            self._found.setdefault(setting.name, setting.text)

    def _is_virtual(self) -> bool:
        """Return whether this is the virtual camera: its port library, and the names it gives itself."""
        maker, name = self._read("manufacturer"), self._read("cameramodel")
        return (
            _plays_virtual()
            and (maker is not None and maker.text == "GP")
            and (name is not None and name.text == "VC")
        )

    # --- widgets

    def _read(self, name: str) -> _Setting | None:
        """Read one widget; None where the body has none of that name or cannot read it."""
        library = _library()
        try:
            widget = self._camera.get_single_config(name)
            listed = widget.get_type() in (library.GP_WIDGET_RADIO, library.GP_WIDGET_MENU)
            value = widget.get_value()
            return _Setting(
                name=name,
                text="" if value is None else str(value),
                choices=tuple(widget.get_choices()) if listed else (),
                readonly=bool(widget.get_readonly()),
                widget=widget,
            )
        except library.GPhoto2Error as error:
            if error.code in _ABSENT_CODES:
                return None
            raise _fault(error.code, f'reading "{name}"', exposed=False) from error

    def _write(self, setting: _Setting, text: str) -> None:
        with _faults(f'setting "{setting.name}" to "{text}"', refusal=MissReason.SETTINGS):
            setting.widget.set_value(text)
            self._camera.set_single_config(setting.name, setting.widget)

    def _first(self, names: tuple[str, ...]) -> _Setting | None:
        return next((setting for name in names if (setting := self._read(name)) is not None), None)

    def _setting(self, quantity: Quantity) -> _Setting | None:
        """Read the widget for a quantity: the first that lists numbers, else the first that can be read."""
        if quantity.name in self._names:
            name = self._names[quantity.name]
            return None if name is None else self._read(name)
        candidates = {
            EXPOSURE: self._profile.shutter,
            F_NUMBER: self._profile.aperture,
            ISO: self._profile.iso,
        }[quantity]
        readable = [setting for name in candidates if (setting := self._read(name)) is not None]
        best = next((setting for setting in readable if setting.settable(quantity)), None)
        chosen = best or (readable[0] if readable else None)
        if best is not None or not readable:
            self._names[quantity.name] = chosen.name if chosen else None
        return chosen

    def _put(self, quantity: Quantity, asked: float) -> _Setting | None:
        """Set a quantity to the listed word nearest to `asked`; return what is read back."""
        setting = self._setting(quantity)
        if setting is None or not setting.settable(quantity):
            agrees = setting is not None and quantity.agrees(asked, setting.text)
            if quantity is EXPOSURE and not agrees:
                stands = f'it stands at "{setting.text}"' if setting else "the camera does not show it"
                raise CameraFault(
                    f"shutter speed {say(EXPOSURE, asked)} cannot be set from here ({stands}): "
                    "turn the mode dial to M",
                    exposed=False,
                    reason=MissReason.SETTINGS,
                )
            return setting
        text = quantity.choose(asked, setting.choices)
        if text is None:
            around = " and ".join(f'"{near}"' for near in quantity.around(asked, setting.choices))
            raise CameraFault(
                f"{quantity.noun} {say(quantity, asked)} is not among the camera's choices; next: {around}",
                exposed=False,
                reason=MissReason.SETTINGS,
            )
        if text == setting.text:
            return setting
        self._write(setting, text)
        return self._setting(quantity)

    def _number(self, quantity: Quantity, setting: _Setting | None) -> float | None:
        return None if setting is None else quantity.parse(setting.text)

    # --- the camera's word

    def _wait_for_file(self, timeout_s: float) -> str:
        library = _library()
        deadline_ns = self._clock.now_ns() + seconds_to_ns(timeout_s)
        store_full, owed_before = False, self._words_owed
        self._words_owed = True
        while (began_ns := self._clock.now_ns()) < deadline_ns:
            wait_ms = max(1, min(_EVENT_WAIT_MS, (deadline_ns - began_ns) // 1_000_000))
            with _faults("waiting for the picture", exposed=None):
                kind, data = self._camera.wait_for_event(wait_ms)
            if kind == library.GP_EVENT_FILE_ADDED:
                if not self._is_stale(data.name, owed_before):
                    self._words_owed = False
                    return f"{data.folder.rstrip('/')}/{data.name}"
            elif kind == library.GP_EVENT_TIMEOUT:
                if self._clock.now_ns() - began_ns < _QUIET_NS:
                    self._clock.sleep_until_ns(min(began_ns + _QUIET_NS, deadline_ns))
            elif kind == library.GP_EVENT_UNKNOWN and _STORE_FULL_EVENT.search(str(data)) and not store_full:
                store_full = True
                deadline_ns = min(deadline_ns, self._clock.now_ns() + _STORE_FULL_GRACE_NS)
        if store_full:
            raise CameraFault(
                "the camera says that its card is full: change the card", exposed=None, reason=MissReason.CARD
            )
        raise CameraFault(f"no word of a picture within {timeout_s:.1f} s", exposed=None)

    def _is_stale(self, name: str, owed_before: bool) -> bool:
        """Return whether a file belongs to an earlier frame: its name, or a time before this one's end."""
        if _stem(name) in self._stems:
            return True
        if not (owed_before and self._profile.exposes_in_real_time and self._wanted):
            return False
        ends_ns = self._released_ns + seconds_to_ns(self._wanted.exposure_s)
        return self._clock.now_ns() < ends_ns

    def _read_stale_words(self) -> None:
        """Read the events that came since a frame whose word was not heard in time; at most 200 of them."""
        library = _library()
        for _ in range(200):
            with _faults("reading old events"):
                kind, data = self._camera.wait_for_event(1)
            if kind == library.GP_EVENT_TIMEOUT:
                return
            if kind == library.GP_EVENT_FILE_ADDED:
                self._stems.append(_stem(data.name))
                self._words_owed = False

    # --- what the operator has to do

    def _by_hand(
        self, shutter: _Setting | None, aperture: _Setting | None, iso: _Setting | None
    ) -> Iterator[str]:
        profile = self._profile
        dial = self._first(profile.mode_dial)
        if dial is not None and not means(profile.manual_mode_words, dial.text):
            yield f'Turn the mode dial to M: it is on "{dial.text}".'
        elif shutter is None or not shutter.settable(EXPOSURE):
            stands = f'"{shutter.text}"' if shutter else "not shown"
            yield f"Turn the mode dial to M: the shutter speed ({stands}) cannot be set from here."
        if aperture is None or not aperture.settable(F_NUMBER):
            yield "Set the aperture by hand: it cannot be set from here (lens ring, or no electronic lens)."
        if iso is None or not iso.settable(ISO):
            stands = f'it stands at "{iso.text}"' if iso and iso.text else "the camera does not show it"
            yield f"Set the ISO by hand: it cannot be set from here ({stands})."
        focus = self._first(profile.focus)
        if focus is not None and not means(profile.manual_focus_words, focus.text):
            yield f'Switch to manual focus: it is on "{focus.text}", and searching delays or stops a release.'
        drive = self._first(profile.drive)
        if drive is not None and not means(profile.single_words, drive.text):
            yield f'Set the drive to single frames: it is on "{drive.text}".'
        target = self._read(profile.capture_target) if profile.capture_target else None
        if target is not None and target.text != card_choice(profile, target.choices):
            yield f'Have pictures stored on the card: they go to "{target.text}".'
        picture = self._first(profile.image_format)
        if picture is not None and not any(word in picture.text.casefold() for word in profile.raw_words):
            yield f'Set the picture quality to raw: it is "{picture.text}".'
        asleep = self._read(profile.power_off)
        if asleep is not None and 0 < (_whole(asleep.text) or 0) < _NEVER_SLEEPS_S:
            yield f"Switch auto power-off off: the camera sleeps after {_whole(asleep.text)} s."


def _stem(name: str) -> str:
    return Path(name).stem.casefold()


def _whole(text: str) -> int | None:
    """Return the whole number a text such as ``60%`` or ``32.0`` begins with, or None."""
    found = re.match(r"\s*(\d+)", text)
    return int(found[1]) if found else None


def _words(quantity: Quantity, setting: _Setting | None) -> str:
    if setting is None:
        return f"{quantity.noun} not confirmed: the camera does not show it"
    return setting.text


def _fault(
    code: int, doing: str, *, exposed: bool | None, refusal: MissReason = MissReason.CAMERA
) -> CameraFault:
    full = code in (NO_MEMORY, NO_SPACE)
    reason = MissReason.CARD if full else refusal if code == BAD_PARAMETERS else MissReason.CAMERA
    sentence = _SENTENCES.get(code, "the camera reports an error")
    return CameraFault(
        f"{sentence} ({doing}; code {code})",
        code=code,
        lost=code in _LOST_CODES,
        exposed=False if full else exposed,
        reason=reason,
    )


@contextlib.contextmanager
def _faults(
    doing: str,
    *,
    exposed: bool | None = False,
    refusal: MissReason = MissReason.CAMERA,
) -> Iterator[None]:
    """Turn the library's errors into `CameraFault`, by code."""
    try:
        yield
    except _library().GPhoto2Error as error:
        raise _fault(error.code, doing, exposed=exposed, refusal=refusal) from error


# --- finding and opening


def list_cameras() -> list[tuple[str, str]]:
    """Return (model, port) of every camera that libgphoto2 finds attached.

    Raises:
        CameraError: when the library cannot look (no USB access).
    """
    library = _library()
    try:
        found = library.Camera.autodetect()
    except library.GPhoto2Error as error:
        raise CameraError(
            f"cannot look for cameras: {_fault(error.code, 'listing', exposed=False)}"
        ) from error
    return [(found.get_name(index), found.get_value(index)) for index in range(found.count())]


def open_tethered(
    match: str | None, clock: Clock, *, renew_sessions: bool = True, stage: Stage | None = None
) -> TetheredCamera:
    """Open the one attached camera whose model name holds `match` (any case), or whose port is `match`.

    The ports are looked at anew each time: a camera that comes back on another one is found by its model. Until
    it is closed no other holdfire can open it.

    Args:
        match: None takes the only camera attached. A port is renumbered when a cable is plugged in
            again: a part of the model name is the better choice.
        clock: the worker's clock.
        renew_sessions: see `TetheredCamera`.
        stage: see `TetheredCamera`.

    Raises:
        CameraError: none or several match (the text lists what is attached), or it cannot be opened.
        CameraInUseError: another holdfire has it open.
    """
    attached = list_cameras()
    names = "; ".join(f"{model} on {port}" for model, port in attached) or "none"
    wanted = (match or "").casefold()
    found = [(model, port) for model, port in attached if wanted in model.casefold() or match == port]
    if not found:
        if match and _PORT.match(match):
            raise CameraError(
                f"no camera is on the port {match}: check cable and power. A camera that is plugged in again gets "
                f"another port: in the plan, let `match` be a part of its model name. Attached: {names}"
            )
        asked = f'no camera matches "{match}"' if match else "no camera is attached"
        raise CameraError(f"{asked}: check cable and power, or the plan's `match`. Attached: {names}")
    if len(found) > 1:
        raise CameraError(
            f"several cameras match: give each rig a `match` of its own (model or port). Attached: {names}"
        )
    model, port = found[0]

    def connect() -> Any:  # noqa: ANN401 - the library has no types
        library = _library()
        camera = library.Camera()
        ports = library.PortInfoList()
        ports.load()
        camera.set_port_info(ports[ports.lookup_path(port)])
        camera.init()
        return camera

    called = f"{model} on {port}"
    locks = [CameraLock(_virtual_key() or f"{model} {port}", called)]
    try:
        camera = TetheredCamera(
            connect, clock, model=model, port=port, renew_sessions=renew_sessions, locks=locks, stage=stage
        )
    except CameraFault as fault:
        locks[0].release()
        raise CameraError(f"{called} cannot be opened: {fault.what}") from fault
    try:  # its port may have been another one when another process opened it
        if not camera.virtual and (serial := camera.serial_number()):
            locks.append(CameraLock(f"{model} serial {serial}", called))
    except CameraError:
        camera.close()
        raise
    except CameraFault as fault:
        camera.close()
        raise CameraError(f"{called} cannot be read: {fault.what}") from fault
    return camera


def _virtual_key() -> str | None:
    """Return what identifies libgphoto2's virtual camera, its folder; None where real cameras are used."""
    folder = os.environ.get(VIRTUAL_FOLDER_VARIABLE)
    return f"virtual {Path(folder).resolve()}" if folder and _plays_virtual() else None


def _plays_virtual() -> bool:
    """Return whether the library was told to use its virtual camera instead of real ones."""
    return Path(os.environ.get("IOLIBS", "")).name == "vusb"


def make_virtual_camera_folder(folder: Path) -> Path:
    """Make a folder that libgphoto2's virtual camera can take pictures from: it holds one small JPEG.

    Put its path into the environment as ``VCAMERADIR`` before anything imports gphoto2.
    """
    from PIL import Image

    folder.mkdir(parents=True, exist_ok=True)
    Image.new("RGB", (96, 64), (6, 6, 10)).save(folder / VIRTUAL_PICTURE)
    return folder
