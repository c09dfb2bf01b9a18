"""Every fault that a simulated day can bring about, and what the account of that run says of it.

The day is one of `tests.engine.builder`: totality from 100 to 130 s, with a frame every 1.2 s.
"""

from __future__ import annotations

import re
import subprocess
import sys
from collections import deque
from collections.abc import Callable, Sequence
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest

from controller.account.model import Account, FrameEnd, make_account
from controller.account.text import to_text
from controller.cameras.clock import VirtualClock
from controller.cameras.lock import CameraLock
from controller.cameras.protocol import Camera, Clock
from controller.cameras.simulated import SimFault, SimFaultKind, SimulatedDevice
from controller.cameras.tethered import USB_FIND, open_tethered
from controller.engine import messages as m
from controller.engine.engine import Engine
from controller.gear.body import SIMULATED_BODY, CameraBody
from controller.journal.folder import RunFolder
from controller.journal.writing import JournalWriter
from controller.simulate.driver import Simulation
from controller.timeline.model import Frame, Hold, Timeline
from controller.units import seconds_to_ns
from tests.cameras.bench import Bus
from tests.cameras.test_lock import HOLD
from tests.engine.builder import OFF, ON, at, frame, timeline

MakeCamera = Callable[[Clock], Camera]


def dark(exposure_s: float = 0.1, **more: Any) -> list[Frame]:
    """Totality: a frame every 1.2 s, each of which may be moved to the phase's end."""
    return [
        frame(n, 101 + 1.2 * n, exposure_s=exposure_s, until=129, slot_s=exposure_s + 0.6, **more)
        for n in range(20)
    ]


@dataclass
class Day:
    """One simulated day on disk; played in one go, or broken off and resumed."""

    base: Path
    frames: Sequence[Frame] = ()
    faults: Sequence[SimFault] = ()
    body: CameraBody = SIMULATED_BODY
    battery_percent: float = 100.0
    also: Sequence[m.Event] = ()
    word_after_s: float | None = 1.0
    """How long after its asking the word that the filter is off comes; None: never."""
    make_camera: MakeCamera | None = None

    def __post_init__(self) -> None:
        self.day: Timeline = timeline(list(self.frames or dark()))
        self.devices: list[SimulatedDevice] = []
        self.folder = RunFolder.create(self.base, "faults", b"plan", self.day, started_utc_ns=at(-90))

    def _open(self, clock: Clock) -> Camera:
        if not self.devices or self.devices[-1].clock is not clock:
            self.devices.append(
                SimulatedDevice(self.body, clock, faults=self.faults, battery_percent=self.battery_percent)
            )
        return self.devices[-1].open()

    def _word(self, hold: Hold, opened: int, _first: bool) -> int | None:
        if hold.needs is OFF and self.word_after_s is None:
            return None
        return opened + seconds_to_ns(self.word_after_s or 1.0 if hold.needs is OFF else 1.0)

    def play(self, *, from_s: float = -90.0, until_s: float | None = None) -> Account:
        """Play it, from the start or from where its journal ends."""
        resumed = self.folder.journal_path.exists()
        writer = (JournalWriter.resume if resumed else JournalWriter.create)(self.folder.path)
        with closing(writer):
            engine = Engine(self.day)
            if resumed:
                engine.restore(writer.reading.records)
            simulation = Simulation(
                engine=engine,
                cameras={"long": self.make_camera or self._open},
                next_word=self._word,
                journal=writer,
                start_utc_ns=at(from_s),
                facts={"timeline_sha256": self.day.digest(), "mode": "rehearsal"},
                also=[event for event in self.also if event.now_utc_ns >= at(from_s)],
                status_every_s=2.0,
            )
            if resumed:
                simulation.resume()
            else:
                simulation.run(until_utc_ns=None if until_s is None else at(until_s))
        account = make_account(self.folder.path)
        assert account.contradictions == ()
        return account


def troubles(account: Account) -> list[str]:
    """What its text tells under "What went wrong, in order", one line each (UTC, as the day is)."""
    text = to_text(account, 400)
    assert "What went wrong, in order" in text, text
    part = text.partition("What went wrong, in order")[2].split("\n\n")[0]
    return [line.strip() for line in part.splitlines()[2:]]


def fault(kind: SimFaultKind, at_s: float, for_s: float) -> SimFault:
    """A fault at a second of the day."""
    return SimFault(kind=kind, at_utc_ns=at(at_s), for_s=for_s)


def only(account: Account) -> str:
    """The one line of what went wrong, without its time and rig."""
    (line,) = troubles(account)
    return line[12:].removeprefix("long: ")


def test_lost_before_a_release(tmp_path: Path) -> None:
    """The cable is out for 6 s: how long, what it cost; what is left is refitted and fires."""
    account = Day(tmp_path, faults=[fault(SimFaultKind.LOST, 105, 6)]).play()
    line = only(account)
    assert re.fullmatch(
        r"camera lost: the camera is off the cable; over after \d\.\d s; frames: 1 failed.*", line
    )
    assert any(one.text.startswith("totality on long refitted") for one in account.happenings)
    assert account.ends[FrameEnd.FIRED] >= 17


def test_lost_during_an_exposure(tmp_path: Path) -> None:
    """The cable comes out while the shutter is open: that frame failed, and is not tried again."""
    frames = [frame(n, 101 + 6 * n, exposure_s=4.0, slot_s=5, until=125) for n in range(4)]
    account = Day(tmp_path, frames=frames, faults=[fault(SimFaultKind.LOST, 103, 3)]).play()
    assert only(account) == "camera lost: the camera is off the cable; over after 3.7 s; frames: 1 failed"
    assert account.frames[0].end is FrameEnd.FAILED


def test_back_under_another_port(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The body is gone from its port and comes back on another (ports and body are stand-ins): it fires there."""
    bus = Bus(monkeypatch, VirtualClock(0))
    bus.attached = [("Nikon Z6_2", "usb:001,004")]
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))

    def make(clock: Clock) -> Camera:
        bus.clock = clock
        if clock.now_ns() >= at(100):
            bus.attached = [("Nikon Z6_2", "usb:003,017")] if clock.now_ns() >= at(110) else []
        camera = open_tethered("z6", clock)
        if clock.now_ns() < at(100):
            bus.bodies[-1].fail["trigger_capture"] = deque([None] * 4 + [USB_FIND])
            bus.bodies[-1].fail["exit"] = deque()
            bus.gone = bus.bodies[-1]
        return camera

    frames = [replace(one, settings=replace(one.settings, iso=100)) for one in dark()]
    account = Day(tmp_path, frames=frames, make_camera=make).play()
    line = only(account)
    assert line.startswith("camera lost: the camera is gone from the cable")
    assert "over after " in line
    assert bus.opened[0] == "usb:001,004"
    assert bus.opened[-1] == "usb:003,017"
    assert account.ends[FrameEnd.FIRED] >= 8


def test_hangs_in_a_frame(tmp_path: Path) -> None:
    """The bound that the journal's first record states is kept, and only the frame of the call failed."""
    day = Day(tmp_path, faults=[fault(SimFaultKind.HANG, 105, 600)])
    account = day.play()
    line = only(account)
    assert line.startswith(
        "camera lost: no answer 6.0 s after its exposure should have ended: its process is killed and started again; "
    )
    assert "1 failed" in line
    assert day.folder.read().records[0]["silence_limit_s"] == {"long": 6.0}
    assert account.ends[FrameEnd.FIRED] >= 13


def test_hangs_outside_a_frame(tmp_path: Path) -> None:
    """A call that sets the camera does not come back: bounded too; its frame cannot have been exposed."""
    frames = [frame(n, due, exposure_s=0.1 * n) for n, due in ((1, 104), (2, 112), (3, 126))]
    account = Day(tmp_path, frames=frames, faults=[fault(SimFaultKind.HANG, 110.5, 600)]).play()
    line = only(account)
    assert line.startswith("camera lost: no answer within 8.0 s of ")
    assert line.endswith("frames: 1 missed")
    assert account.frames[-1].end is FrameEnd.FIRED


def test_card_full(tmp_path: Path) -> None:
    """The operator is told before the day that there is too little room, and what the full card cost."""
    account = Day(tmp_path, body=replace(SIMULATED_BODY, card_frames=6)).play()
    early, full = troubles(account)
    assert "card of long has room for 6 frames, 20 are still to come" in early
    assert "long: the card was full; " in full
    assert full.endswith("frames: 14 missed")
    assert early < full  # told first: the lines begin with the time


def test_battery_low(tmp_path: Path) -> None:
    """A battery that will soon be empty is told, at its percentage."""
    account = Day(tmp_path, battery_percent=20.1).play()
    assert only(account) == "battery of long low: 20 %; no frame lost"


def test_battery_empty(tmp_path: Path) -> None:
    """The camera switches itself off, and gets a new battery 9 s later."""
    account = Day(tmp_path, faults=[fault(SimFaultKind.BATTERY_EMPTY, 105, 9)]).play()
    line = only(account)
    assert re.fullmatch(
        r"camera lost: the camera is off the cable; over after 13\.\d s; frames: 1 failed.*", line
    )


def test_slow_write(tmp_path: Path) -> None:
    """A slow card fills the buffer: the frames that find it full are missed, those between fire."""
    body = replace(SIMULATED_BODY, buffer_frames=3, write_time_s=0.5)
    account = Day(tmp_path, body=body, faults=[fault(SimFaultKind.SLOW_WRITE, 101, 60)]).play()
    assert only(account) == "the camera's buffer was full; for 18.0 s; frames: 11 missed"
    assert account.ends[FrameEnd.FIRED] == 9


def test_busy(tmp_path: Path) -> None:
    """Three refused releases in a row, and the camera is opened anew."""
    account = Day(tmp_path, faults=[fault(SimFaultKind.BUSY, 105, 4)]).play()
    line = only(account)
    assert "3 frames in a row failed, so it is opened anew; the last: the camera says it is busy" in line
    assert line.endswith("frames: 3 failed")
    assert account.ends[FrameEnd.FIRED] == 17


def test_setting_not_listed(tmp_path: Path) -> None:
    """What the camera does not list is named with the nearest that it does."""
    account = Day(tmp_path, body=replace(SIMULATED_BODY, shutter_s=(0.01,))).play()
    line = only(account)
    assert "shutter speed 1/10 s is not among the camera's choices; the nearest is 1/100 s" in line
    assert line.endswith("frames: 20 missed")


def test_setting_reads_back_otherwise(tmp_path: Path) -> None:
    """The frames are fired, and counted as fired otherwise than asked."""
    account = Day(tmp_path, faults=[fault(SimFaultKind.SNAP, 90, 30)]).play()
    assert "fired with another exposure than asked; " in only(account)
    assert only(account).endswith("frames: 17 fired otherwise")
    assert account.ends[FrameEnd.FIRED] == 20


def test_file_missing(tmp_path: Path) -> None:
    """No word of a picture: its frame failed; what had to wait for it came too late."""
    account = Day(tmp_path, faults=[fault(SimFaultKind.NO_WORD, 105, 30)]).play()
    lines = troubles(account)
    assert any("the last: no word of a picture within 5.1 s" in line and "3 failed" in line for line in lines)
    assert any("frames could only have come too late; " in line for line in lines)


def test_late(tmp_path: Path) -> None:
    """A frame whose camera is still at the one before is missed when it could only be late."""
    frames = [frame(1, 101, exposure_s=2.0), frame(2, 101.5, late_s=0.2)]
    account = Day(tmp_path, frames=frames).play()
    assert only(account) == "frames could only have come too late; frames: 1 missed"


def test_past_its_limit(tmp_path: Path) -> None:
    """An exposure that would end after its phase is not begun."""
    account = Day(tmp_path, frames=[frame(1, 101), frame(2, 129.95, ends_by=130)]).play()
    assert only(account) == "exposures would have ended after their window; frames: 1 missed"


def test_word_late(tmp_path: Path) -> None:
    """Nothing fires before the word; the rest is refitted."""
    account = Day(tmp_path, word_after_s=25).play()
    line = only(account)
    assert line.startswith("the word that the filter is off came 20.0 s late; ")
    assert line.endswith("missed")
    assert any(one.text.startswith("totality on long refitted") for one in account.happenings)


def test_word_never(tmp_path: Path) -> None:
    """Nothing of the phase fires."""
    account = Day(tmp_path, word_after_s=None).play()
    assert only(account).startswith("nobody ever said that the filter is off; ")
    assert only(account).endswith("frames: 20 missed")


def test_filter_on_in_totality(tmp_path: Path) -> None:
    """Said on by mistake at 110 s, off again at 116 s: what lay between is refitted, and told."""
    words = [m.FilterSaid(now_utc_ns=at(s), rig=None, state=state) for s, state in ((110, ON), (116, OFF))]
    account = Day(tmp_path, also=words).play()
    assert only(account) == "the word that the filter is off came 16.0 s late; frames: 2 missed"
    assert [one.text for one in account.words][2:4] == [
        "said: filter is on (all rigs)", "said: filter is off (all rigs)",
    ]  # fmt: skip


def test_paused(tmp_path: Path) -> None:
    """A pause of 10 s costs what it withdrew; the rest is refitted on going on."""
    account = Day(tmp_path, also=[m.PauseAsked(now_utc_ns=at(106)), m.GoOnAsked(now_utc_ns=at(116))]).play()
    assert only(account) == "paused; over after 10.0 s; frames: 1 missed"


def test_stopped(tmp_path: Path) -> None:
    """All that was left is missed, and who stopped it is told."""
    account = Day(tmp_path, also=[m.StopAsked(now_utc_ns=at(110.5), by="signal")]).play()
    assert only(account) == "stopped by signal; frames: 12 missed"
    assert account.outcome == "stopped"


def test_power_lost(tmp_path: Path) -> None:
    """The journal ends in half a line; resumed, it says so, and what was handed over is unknown."""
    day = Day(tmp_path)
    day.play(until_s=104)
    with day.folder.journal_path.open("ab") as file:
        file.write(b'{"at_utc_ns":18')
    account = day.play(from_s=108)
    assert only(account) == (
        "the run was broken off and started again (15 bytes of an unfinished line in the journal); "
        "over after 4.0 s; frames: 2 unknown"
    )


def test_resumed_in_its_phase(tmp_path: Path) -> None:
    """Four seconds after the break it fires again, and nobody is asked."""
    day = Day(tmp_path)
    day.play(until_s=104)
    account = day.play(from_s=108)
    assert only(account) == "the run was broken off and started again; over after 4.0 s; frames: 2 unknown"
    assert account.ends[FrameEnd.FIRED] == 18
    assert [hold.asked_again for hold in account.holds if hold.needs is OFF] == [0]


def test_resumed_in_another_phase(tmp_path: Path) -> None:
    """What was due while it was down is missed because of that; the word is asked for anew."""
    day = Day(tmp_path, frames=[*dark(), frame(90, 160, phase="partial out", need=ON, ends_by=200)])
    day.play(until_s=104)
    down, word = troubles(day.play(from_s=155))
    assert down.endswith(
        "the run was broken off and started again; over after 51.0 s; frames: 2 unknown, 15 missed"
    )
    assert "the word that the filter is on came 6.0 s late" in word


def test_resumed_by_a_clock_behind(tmp_path: Path) -> None:
    """A clock some seconds behind the journal: told, and every word is asked for anew."""
    day = Day(tmp_path)
    day.play(until_s=106)
    account = day.play(from_s=103)
    assert re.search(r"by a clock 2\.\d s behind the journal; over after 0\.0 s", troubles(account)[0])
    assert any(hold.asked_again for hold in account.holds)


def test_resumed_after_a_stop(tmp_path: Path) -> None:
    """The stop stands: nothing more fires, and the account says who stopped it."""
    day = Day(tmp_path, also=[m.StopAsked(now_utc_ns=at(104))])
    day.play(until_s=104.0)
    fired = make_account(day.folder.path).ends[FrameEnd.FIRED]
    whole = day.folder.journal_path.read_bytes()
    lines = whole.splitlines(keepends=True)
    day.folder.journal_path.write_bytes(b"".join(lines[: 1 + _line_of(lines, b'"stop_asked"')]))
    account = day.play(from_s=106)
    assert account.outcome == "stopped"
    assert account.ends[FrameEnd.FIRED] == fired
    assert any("stopped by operator; " in line for line in troubles(account))


def _line_of(lines: Sequence[bytes], part: bytes) -> int:
    return next(number for number, line in enumerate(lines) if part in line)


def test_clock_steps(tmp_path: Path) -> None:
    """Both ways: told with their size, and every frame fires as planned."""
    steps = [m.ClockStepped(now_utc_ns=at(s), step_s=step) for s, step in ((110.5, 2.0), (112.5, -3.0))]
    account = Day(tmp_path, also=steps).play()
    assert [line[12:] for line in troubles(account)] == [
        "the computer's clock stepped by +2.000 s; firing went on by the steady clock; no frame lost",
        "the computer's clock stepped by -3.000 s; firing went on by the steady clock; no frame lost",
    ]
    assert account.ends[FrameEnd.FIRED] == 20


def test_camera_in_use(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Another process, a real one, holds the camera until it is killed: the account names it."""
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    other = subprocess.Popen([sys.executable, "-c", HOLD, "one body"], stdout=subprocess.PIPE, text=True)
    assert other.stdout
    assert other.stdout.readline() == "held\n"
    held: list[CameraLock] = []

    def make(clock: Clock) -> Camera:
        if clock.now_ns() > at(122) and other.poll() is None:
            other.kill()
            other.wait()
        held[:] = [CameraLock("one body", "the camera")]
        return SimulatedDevice(SIMULATED_BODY, clock).open()

    try:
        account = Day(tmp_path, make_camera=make).play()
    finally:
        other.kill()
        other.wait()
        other.stdout.close()
        for lock in held:
            lock.release()
    line = only(account)
    assert line.startswith(
        f"camera lost: the camera is in use by another holdfire (process {other.pid}, since "
    )
    assert "over after " in line
    assert "frames: " in line
    assert account.ends[FrameEnd.FIRED] >= 5
