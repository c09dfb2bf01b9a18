"""What the camera tests share: frames, a virtual-time driver, and a stand-in for a gphoto2 camera."""

from __future__ import annotations

import json
from collections import deque
from collections.abc import Callable, Iterable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from controller.cameras import tethered
from controller.cameras.clock import VirtualClock
from controller.cameras.protocol import Clock, Outcome, OutcomeState
from controller.cameras.worker import CameraWorker, Report, WaitUntil
from controller.timeline.model import Frame, Settings
from controller.units import FilterState, UtcNs, Wanted, seconds_to_ns

T0 = 1_817_000_000 * 1_000_000_000
"""Second zero of the tests: an arbitrary whole UTC second."""
LISTINGS = Path(__file__).with_name("listings")
BODIES = (
    "canon-eos-r6",
    "canon-eos-r8",
    "fuji-xt4",
    "nikon-d750",
    "nikon-z6-2",
    "sony-a7c",
    "sony-a7m4",
)


def at(seconds: float) -> UtcNs:
    """Seconds of the test's day as an instant."""
    return UtcNs(T0 + seconds_to_ns(seconds))


def seconds(instant_ns: int) -> float:
    """An instant as seconds of the test's day."""
    return (instant_ns - T0) / 1e9


def settings(exposure_s: float = 0.01, f_number: float = 8.0, iso: int = 100) -> Settings:
    """Exposure settings, ordinary ones unless said otherwise."""
    return Settings(exposure_s=exposure_s, f_number=f_number, iso=iso)


def frame(
    name: str,
    due_s: float,
    *,
    exposure_s: float = 0.01,
    iso: int = 100,
    late_s: float = 0.5,
    ends_by_s: float = 1e6,
    t0: int = T0,
) -> Frame:
    """One frame due at a second of the test's day."""
    due = UtcNs(t0 + seconds_to_ns(due_s))
    deadline = UtcNs(due + seconds_to_ns(late_s))
    return Frame(
        frame_id=name,
        rig="long",
        phase="totality",
        shot="corona",
        take=1,
        step=1,
        settings=settings(exposure_s, iso=iso),
        wanted=Wanted.WANT,
        filter_need=FilterState.OFF,
        due_utc_ns=due,
        deadline_utc_ns=deadline,
        ends_by_utc_ns=UtcNs(t0 + seconds_to_ns(ends_by_s)),
        starts_from_utc_ns=due,
        movable_until_utc_ns=deadline,
        slot_ns=seconds_to_ns(exposure_s + 1.0),
    )


Message = tuple[float, Callable[[CameraWorker], None]]


def drive(
    worker: CameraWorker, clock: VirtualClock, until_s: float, messages: Iterable[Message] = ()
) -> list[tuple[float, Report]]:
    """Play a worker in virtual time as a live driver would: messages that have come, then the worker.

    Returns every report with the second at which it was sent. The worker is closed at `until_s`.
    """
    waiting = deque(sorted([*messages, (until_s, CameraWorker.close)], key=lambda message: message[0]))
    reports: list[tuple[float, Report]] = []
    for step in worker.run():
        if isinstance(step, WaitUntil):
            wake = min([step.instant_ns, *[at(when) for when, _ in waiting]])
            clock.sleep_until_ns(wake)
        else:
            reports.append((seconds(clock.now_ns()), step))
        while waiting and at(waiting[0][0]) <= clock.now_ns():
            waiting.popleft()[1](worker)
    return reports


def outcomes(reports: Iterable[tuple[float, Report]]) -> dict[str, Outcome]:
    """The outcomes by frame; fails when a frame has two."""
    found: dict[str, Outcome] = {}
    for _, report in reports:
        if isinstance(report, Outcome):
            assert report.frame_id not in found, f"two outcomes for {report.frame_id}"
            found[report.frame_id] = report
    return found


def fired(reports: Iterable[tuple[float, Report]]) -> list[str]:
    """The frames that fired, in the order reported."""
    return [o.frame_id for o in outcomes(reports).values() if o.state is OutcomeState.FIRED]


def listing(body: str) -> dict[str, dict[str, Any]]:
    """The widgets of one real body.

    Source: libgphoto2, camlibs/ptp2/cameras listings (LGPL source tree), one file per body.
    """
    widgets: dict[str, dict[str, Any]] = json.loads((LISTINGS / f"{body}.json").read_text())["widgets"]
    return widgets


class FakeWidget:
    """A configuration widget as gphoto2 gives it out: a copy, detached from the camera."""

    def __init__(self, kind: int, readonly: bool, value: object, choices: list[str]) -> None:
        self._kind, self._readonly, self.value, self._choices = kind, readonly, value, choices

    def get_type(self) -> int:
        return self._kind

    def get_readonly(self) -> int:
        return int(self._readonly)

    def get_value(self) -> object:
        return self.value

    def set_value(self, value: object) -> None:
        self.value = value

    def get_choices(self) -> list[str]:
        return list(self._choices)


class FakeGphoto:
    """Stands behind `TetheredCamera` where the virtual camera cannot go: faults, and other bodies' widgets.

    `fail` maps a method's name to codes raised by its next calls (None: that call works).
    """

    def __init__(self, widgets: dict[str, dict[str, Any]], clock: Clock, *, triggers: bool = True) -> None:
        import gphoto2

        self._gp = gphoto2
        self._clock = clock
        self._triggers = triggers
        self.widgets = {name: dict(widget) for name, widget in widgets.items()}
        self.fail: dict[str, deque[int | None]] = {}
        self.snaps: dict[str, str] = {}
        self.slow: dict[str, tuple[int, str]] = {}
        self.slow_s = 0.0
        self.events: deque[tuple[int, object]] = deque()
        self.calls: list[str] = []
        self.files_per_frame = ("JPG",)
        self._number = 0

    def _called(self, method: str) -> None:
        self.calls.append(method)
        code = self.fail[method].popleft() if self.fail.get(method) else None
        if code is not None:
            raise self._gp.GPhoto2Error(code)

    def file_get(self, _folder: str, _name: str, _kind: int) -> SimpleNamespace:
        self._called("file_get")
        return SimpleNamespace(get_data_and_size=lambda: memoryview(b"no picture"))

    def get_abilities(self) -> SimpleNamespace:
        return SimpleNamespace(operations=self._gp.GP_OPERATION_TRIGGER_CAPTURE if self._triggers else 0)

    def get_single_config(self, name: str) -> FakeWidget:
        self._called("get_single_config")
        if name not in self.widgets:
            raise self._gp.GPhoto2Error(self._gp.GP_ERROR_BAD_PARAMETERS)
        if name in self.slow and self._clock.now_ns() >= self.slow[name][0]:
            self.widgets[name]["current"] = self.slow.pop(name)[1]
        widget = self.widgets[name]
        kind = getattr(self._gp, f"GP_WIDGET_{widget['type']}")
        return FakeWidget(kind, widget["readonly"], widget["current"], widget["choices"])

    def set_single_config(self, name: str, widget: FakeWidget) -> None:
        self._called("set_single_config")
        value = str(widget.value)
        if self.slow_s:
            self.slow[name] = (self._clock.now_ns() + seconds_to_ns(self.slow_s), value)
        else:
            self.widgets[name]["current"] = self.snaps.get(name, value)

    def add_file(self) -> SimpleNamespace:
        """Queue the events of one more picture."""
        self._number += 1
        paths = [
            SimpleNamespace(folder="/store_1/DCIM", name=f"PIC_{self._number:04d}.{kind}")
            for kind in self.files_per_frame
        ]
        self.events.extend((self._gp.GP_EVENT_FILE_ADDED, path) for path in paths)
        return paths[0]

    def trigger_capture(self) -> None:
        self._called("trigger_capture")
        self.add_file()

    def capture(self, _kind: int) -> SimpleNamespace:
        self._called("capture")
        path = self.add_file()
        self.events.clear()
        return path

    def wait_for_event(self, _timeout_ms: int) -> tuple[int, object]:
        self._called("wait_for_event")
        return self.events.popleft() if self.events else (self._gp.GP_EVENT_TIMEOUT, None)

    def exit(self) -> None:
        self._called("exit")


class Bus:
    """A stand-in for the cables: which bodies are attached, and on which ports. Each opening makes a body."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, clock: Clock) -> None:
        self.attached: list[tuple[str, str]] = []
        self.opened: list[str] = []
        self.bodies: list[FakeGphoto] = []
        self.clock = clock
        self.serial = "4711"
        monkeypatch.setattr(tethered, "list_cameras", lambda: list(self.attached))
        real = tethered._library()
        bus = self

        class Ports(list[str]):
            def load(self) -> None:
                self.extend(port for _, port in bus.attached)

            def lookup_path(self, port: str) -> int:
                return self.index(port)

        class Library:
            PortInfoList = Ports

            def __getattr__(self, name: str) -> Any:
                return getattr(real, name)

            @staticmethod
            def Camera() -> Any:  # noqa: N802 - as the library calls it
                return bus.body()

        library = Library()
        monkeypatch.setattr(tethered, "_library", lambda: library)

    def body(self) -> FakeGphoto:
        """A body that is not connected yet."""
        fake = FakeGphoto(listing("nikon-z6-2"), self.clock)
        fake.widgets["serialnumber"] = {
            "type": "TEXT", "readonly": True, "current": self.serial, "choices": [],
        }  # fmt: skip

        def set_port_info(port: str) -> None:
            self.opened.append(port)
            self.bodies.append(fake)

        fake.set_port_info = set_port_info  # type: ignore[attr-defined]
        fake.init = lambda: None  # type: ignore[attr-defined]
        return fake
