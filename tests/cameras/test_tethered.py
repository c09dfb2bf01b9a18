"""The libgphoto2 backend in front of a stand-in camera: other makers' widgets, and every fault by its code.

Source of the listings: libgphoto2, camlibs/ptp2/cameras listings (LGPL source tree).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import Any

import pytest

from controller.cameras import tethered
from controller.cameras.clock import VirtualClock
from controller.cameras.protocol import Camera, CameraFault, MissReason
from controller.cameras.tethered import TetheredCamera, open_tethered
from controller.errors import CameraError
from tests.cameras.bench import BODIES, FakeGphoto, listing, seconds, settings

MODELS = {
    "canon-eos-r6": "Canon EOS R6",
    "canon-eos-r8": "Canon EOS R8",
    "fuji-xt4": "Fuji Fujifilm X-T4",
    "nikon-d750": "Nikon DSC D750",
    "nikon-z6-2": "Nikon Z6_2",
    "sony-a7c": "Sony Alpha-A7 C (Control)",
    "sony-a7m4": "Sony Alpha-A7 IV (Control)",
}

Make = Callable[..., tuple[TetheredCamera, FakeGphoto]]


@pytest.fixture
def make(clock: VirtualClock) -> Make:
    """Open a stand-in for one of the listed bodies."""

    def make(
        body: str = "nikon-z6-2", *, triggers: bool = True, **change: Any
    ) -> tuple[TetheredCamera, FakeGphoto]:
        fake = FakeGphoto(listing(body), clock, triggers=triggers)
        for name, current in change.items():
            fake.widgets[name.replace("_", "-") if name == "f_number" else name]["current"] = current
        camera = TetheredCamera(lambda: fake, clock, model=MODELS[body], port="usb:001,002")
        return camera, fake

    return make


def test_the_codes_are_the_librarys_own() -> None:
    """The codes that decide are those of the library's constants."""
    import gphoto2

    assert tethered.UNSPECIFIED == gphoto2.GP_ERROR
    assert tethered.BAD_PARAMETERS == gphoto2.GP_ERROR_BAD_PARAMETERS
    assert tethered.NO_MEMORY == gphoto2.GP_ERROR_NO_MEMORY
    assert tethered.NOT_SUPPORTED == gphoto2.GP_ERROR_NOT_SUPPORTED
    assert tethered.IO == gphoto2.GP_ERROR_IO
    assert tethered.USB_FIND == gphoto2.GP_ERROR_IO_USB_FIND
    assert tethered.USB_CLAIM == gphoto2.GP_ERROR_IO_USB_CLAIM
    assert tethered.MODEL_NOT_FOUND == gphoto2.GP_ERROR_MODEL_NOT_FOUND
    assert tethered.BUSY == gphoto2.GP_ERROR_CAMERA_BUSY
    assert tethered.NO_SPACE == gphoto2.GP_ERROR_NO_SPACE
    assert set(tethered._LOST_CODES) == {
        gphoto2.GP_ERROR_IO,
        gphoto2.GP_ERROR_IO_USB_FIND,
        gphoto2.GP_ERROR_IO_USB_CLAIM,
        gphoto2.GP_ERROR_MODEL_NOT_FOUND,
        gphoto2.GP_ERROR_UNKNOWN_PORT,
        gphoto2.GP_ERROR_IO_INIT,
        gphoto2.GP_ERROR_IO_READ,
        gphoto2.GP_ERROR_IO_WRITE,
        gphoto2.GP_ERROR_IO_UPDATE,
        gphoto2.GP_ERROR_IO_LOCK,
    }


def test_both_backends_keep_the_protocol(make: Make, make_device: Callable[..., Any]) -> None:
    """Both classes have every method of the protocol."""
    assert isinstance(make()[0], Camera)
    assert isinstance(make_device().open(), Camera)


def test_a_stand_in_for_a_real_body_is_not_taken_for_a_simulated_camera(make: Make) -> None:
    """A body with the virtual camera's model name is a real one unless it is the virtual camera."""
    assert not make("nikon-d750")[0].probe().simulated


@pytest.mark.parametrize("body", BODIES)
def test_opening_sets_the_card_and_single_frames_where_it_can(make: Make, body: str) -> None:
    """Pictures go to the card and the drive to single frames; closing puts back what was found."""
    camera, fake = make(body)
    found = listing(body)
    target = fake.widgets.get("capturetarget")
    drive = fake.widgets.get("drivemode") or fake.widgets["capturemode"]
    if target:
        assert target["current"] in {"card", "Memory card", "Speicherkarte"}
    assert drive["current"] in {"Single", "Single Shot", "Einzelbild"} or body == "fuji-xt4"
    camera.close()
    for name in ("capturetarget", "drivemode", "capturemode"):
        if name in found:
            assert fake.widgets[name]["current"] == found[name]["current"]


@pytest.mark.parametrize(
    ("body", "says"),
    [
        ("canon-eos-r6", ["mode dial to M", "aperture", "manual focus", "sleeps after 60 s"]),
        ("canon-eos-r8", ["mode dial to M", "aperture", "manual focus", "raw"]),
        ("fuji-xt4", ["mode dial to M", "aperture", "manual focus", "single frames", "raw"]),
        ("nikon-d750", ["mode dial to M", "manual focus"]),
        ("nikon-z6-2", ["manual focus", "raw"]),
        ("sony-a7c", ["mode dial to M", "manual focus"]),
        ("sony-a7m4", ["mode dial to M", "ISO by hand"]),
    ],
)
def test_a_probe_says_what_must_be_turned_by_hand(make: Make, body: str, says: list[str]) -> None:
    """Each listing's faults are named, one sentence each, and no others."""
    by_hand = make(body)[0].probe().by_hand
    assert len(by_hand) == len(says)
    for sentence, part in zip(by_hand, says, strict=True):
        assert part in sentence
        assert sentence.endswith(".")


def test_a_body_that_is_set_up_well_needs_nothing_by_hand(make: Make) -> None:
    """On M, in manual focus, raw, single frames: nothing is left to say."""
    camera, _ = make(focusmode="Manual", imagequality="NEF (Raw)")
    facts = camera.probe()
    assert facts.by_hand == ()
    assert facts.shutter_s[0] == 1 / 8000
    assert facts.shutter_s[-1] == 30
    assert facts.status.battery_percent == 100
    assert facts.status.frames_left == 16251


def test_a_read_only_target_is_said_and_not_fought(make: Make, clock: VirtualClock) -> None:
    """Where the capture target cannot be changed, the probe says so."""
    fake = FakeGphoto(listing("nikon-z6-2"), clock)
    fake.widgets["capturetarget"]["readonly"] = True
    camera = TetheredCamera(lambda: fake, clock, model="Nikon Z6_2", port="usb:1")
    assert any('they go to "Internal RAM"' in sentence for sentence in camera.probe().by_hand)


@pytest.mark.parametrize(
    ("body", "widget", "word"),
    [
        ("nikon-z6-2", "shutterspeed2", "10/16"),
        ("canon-eos-r8", "shutterspeed", "0.6"),
        ("fuji-xt4", "shutterspeed", "0.6s"),
        ("sony-a7m4", "shutterspeed", "6/10"),
    ],
)
def test_a_time_is_set_in_the_bodys_own_words(make: Make, body: str, widget: str, word: str) -> None:
    """0.6 s is set on each maker's best widget, by the word listed there."""
    camera, fake = make(body)
    readback = camera.configure(settings(0.6))
    assert fake.widgets[widget]["current"] == word
    assert readback.words[widget] == word
    assert "exposure" not in readback.differs


def test_settings_that_stand_already_are_not_set_again(make: Make) -> None:
    """Between the frames of a bracket only what changes goes over the cable."""
    camera, fake = make()
    camera.configure(settings(0.5))
    fake.calls.clear()
    camera.configure(settings(0.25))
    assert fake.calls.count("set_single_config") == 1
    camera.configure(settings(0.25))
    assert fake.calls.count("set_single_config") == 1


@pytest.mark.parametrize("body", ["sony-a7c", "canon-eos-r6"])
def test_a_locked_shutter_asks_for_the_mode_dial(make: Make, body: str) -> None:
    """A read-only shutter, or a list of one, is no failure but a dial that stands wrong."""
    camera, fake = make(body)
    with pytest.raises(CameraFault, match="turn the mode dial to M") as caught:
        camera.configure(settings(0.5))
    assert caught.value.reason is MissReason.SETTINGS
    assert caught.value.exposed is False
    assert "trigger_capture" not in fake.calls


def test_a_setting_that_snaps_silently_is_caught(make: Make) -> None:
    """The camera says OK and takes another value: the readback names it."""
    camera, fake = make()
    fake.snaps = {"shutterspeed2": "1/60"}
    readback = camera.configure(settings(1.0))
    assert readback.differs == ("exposure",)
    assert readback.exposure_s == pytest.approx(1 / 60)


def test_a_slow_body_is_waited_for(make: Make, clock: VirtualClock) -> None:
    """A body that says OK before it gets there (2 s here) is read again until it has."""
    camera, fake = make("sony-a7m4")
    fake.slow_s = 2.0
    began = clock.now_ns()
    readback = camera.configure(settings(1 / 1000))
    assert "exposure" not in readback.differs
    assert readback.words["shutterspeed"] == "1/1000"
    assert 2.0 <= (clock.now_ns() - began) / 1e9 < 3.0


def test_what_cannot_be_read_is_named_as_not_confirmed(make: Make) -> None:
    """Automatic ISO and an aperture ring are reported as not as asked, and the frame can be fired."""
    camera, _ = make("fuji-xt4", iso="-3")
    readback = camera.configure(settings(0.5))
    assert readback.differs == ("f_number",)
    assert readback.f_number is None
    camera, _ = make("sony-a7m4")
    readback = camera.configure(settings(0.5))
    assert readback.differs == ("iso",)
    assert readback.iso is None
    assert readback.words["iso"] == "Auto ISO"


def test_an_aperture_ring_that_happens_to_be_right_does_not_differ(make: Make) -> None:
    """What cannot be set but reads as asked is as asked."""
    camera, fake = make("fuji-xt4")
    fake.widgets["f-number"]["current"] = "f/8"
    assert camera.configure(settings(0.5)).differs == ()


def test_an_iso_that_is_not_listed_is_refused(make: Make) -> None:
    """A listed choice is needed where the body gives a list."""
    with pytest.raises(CameraFault, match="ISO 25 is not among") as caught:
        make()[0].configure(settings(iso=25))
    assert caught.value.reason is MissReason.SETTINGS


@pytest.mark.parametrize(
    ("code", "lost", "reason", "exposed", "part"),
    [
        (-110, False, MissReason.CAMERA, None, "busy"),
        (-1, False, MissReason.CAMERA, None, "unspecified"),
        (-7, True, MissReason.CAMERA, None, "check cable"),
        (-52, True, MissReason.CAMERA, None, "gone from the cable"),
        (-53, True, MissReason.CAMERA, None, "another program"),
        (-3, False, MissReason.CARD, False, "change the card"),
        (-115, False, MissReason.CARD, False, "change the card"),
        (-99, False, MissReason.CAMERA, None, "code -99"),
    ],
)
def test_a_failed_release_is_told_by_its_code_and_never_tried_again(
    make: Make, code: int, lost: bool, reason: MissReason, exposed: bool | None, part: str
) -> None:
    """Every code gives its own fault; the shutter is asked once."""
    camera, fake = make()
    camera.configure(settings())
    fake.fail["trigger_capture"] = deque([code])
    with pytest.raises(CameraFault, match=part) as caught:
        camera.release(settings())
    fault = caught.value
    assert (fault.code, fault.lost, fault.reason, fault.exposed) == (code, lost, reason, exposed)
    assert fake.calls.count("trigger_capture") == 1
    assert "capture" not in fake.calls


@pytest.mark.parametrize(("code", "lost"), [(-110, False), (-7, True), (-52, True)])
def test_a_fault_while_setting_up_exposes_nothing(make: Make, code: int, lost: bool) -> None:
    """Before the release it is certain that no picture was taken."""
    camera, fake = make()
    fake.fail["set_single_config"] = deque([code])
    with pytest.raises(CameraFault) as caught:
        camera.configure(settings(0.5))
    assert (caught.value.code, caught.value.lost, caught.value.exposed) == (code, lost, False)
    assert caught.value.reason is MissReason.CAMERA


def test_a_refused_value_is_a_setting_not_accepted(make: Make) -> None:
    """Bad parameters while setting a listed value is reported as such."""
    camera, fake = make()
    fake.fail["set_single_config"] = deque([-2])
    with pytest.raises(CameraFault) as caught:
        camera.configure(settings(0.5))
    assert caught.value.reason is MissReason.SETTINGS


@pytest.mark.parametrize("code", [-1, -7, -52, -110])
def test_a_fault_while_waiting_leaves_it_open_whether_a_picture_was_taken(make: Make, code: int) -> None:
    """After the release nobody can know."""
    camera, fake = make()
    camera.configure(settings())
    camera.release(settings())
    fake.fail["wait_for_event"] = deque([code])
    with pytest.raises(CameraFault) as caught:
        camera.collect(1.0)
    assert caught.value.exposed is None
    assert caught.value.code == code


@pytest.mark.parametrize("triggers", [False, True])
def test_a_body_without_a_trigger_is_released_by_a_capture(make: Make, triggers: bool) -> None:
    """Where the driver offers no trigger, or says "not supported" (-6), a capture takes its place."""
    camera, fake = make(triggers=triggers)
    fake.fail["trigger_capture"] = deque([-6])
    camera.configure(settings())
    names = []
    for _ in range(2):
        camera.release(settings())
        names.append(camera.collect(1.0).file_name)
    assert names == ["/store_1/DCIM/PIC_0001.JPG", "/store_1/DCIM/PIC_0002.JPG"]
    assert fake.calls.count("trigger_capture") == int(triggers)


def test_a_wait_without_events_ends_on_time_and_does_not_spin(make: Make, clock: VirtualClock) -> None:
    """An event wait that comes back at once with nothing is paced, and the deadline holds."""
    camera, fake = make()
    camera.configure(settings())
    camera.release(settings())
    fake.events.clear()
    fake.calls.clear()
    began = seconds(clock.now_ns())
    with pytest.raises(CameraFault, match=r"no word of a picture within 3\.0 s") as caught:
        camera.collect(3.0)
    assert caught.value.exposed is None
    assert seconds(clock.now_ns()) - began == pytest.approx(3.0)
    assert fake.calls.count("wait_for_event") <= 301


def test_raw_and_jpeg_of_one_frame_are_one_frame(make: Make) -> None:
    """The second file of a frame is never taken as the word for the next one."""
    camera, fake = make()
    fake.files_per_frame = ("NEF", "JPG")
    camera.configure(settings())
    for number in (1, 2):
        camera.release(settings())
        assert camera.collect(1.0).file_name == f"/store_1/DCIM/PIC_{number:04d}.NEF"
    fake.fail["trigger_capture"] = deque([None])
    camera.release(settings())
    fake.events = deque([event for event in fake.events if "0003" not in event[1].name])
    with pytest.raises(CameraFault):
        camera.collect(1.0)


def test_a_word_that_comes_late_is_not_taken_for_the_next_frame(make: Make) -> None:
    """A file reported after its wait had ended is read away before the next release."""
    camera, fake = make()
    camera.configure(settings())
    camera.release(settings())
    kept, fake.events = fake.events, deque()
    with pytest.raises(CameraFault):
        camera.collect(1.0)
    fake.events = kept
    camera.release(settings())
    assert camera.collect(1.0).file_name.endswith("PIC_0002.JPG")


def test_a_late_word_during_a_long_exposure_is_not_its_word(make: Make, clock: VirtualClock) -> None:
    """A file that appears before the exposure can have ended belongs to the frame before."""
    camera, fake = make()
    camera.configure(settings(10.0))
    camera.release(settings(10.0))
    late = fake.events.popleft()
    with pytest.raises(CameraFault):
        camera.collect(11.0)
    camera.release(settings(10.0))
    fake.events.appendleft(late)
    fake.events.pop()
    with pytest.raises(CameraFault, match="no word"):
        camera.collect(15.0)


def test_an_unreadable_camera_cannot_be_opened_and_is_let_go(clock: VirtualClock) -> None:
    """A fault during opening is raised, and the connection is closed."""
    fake = FakeGphoto(listing("nikon-z6-2"), clock)
    fake.fail["get_single_config"] = deque([-7])
    with pytest.raises(CameraFault) as caught:
        TetheredCamera(lambda: fake, clock, model="Nikon Z6_2", port="usb:1")
    assert caught.value.lost
    assert fake.calls[-1] == "exit"


@pytest.mark.parametrize(
    ("attached", "match", "part"),
    [
        ([], None, "no camera is attached.*Attached: none"),
        ([("Canon EOS R6", "usb:1")], "nikon", 'no camera matches "nikon".*Attached: Canon EOS R6 on usb:1'),
        ([("A", "usb:1"), ("A", "usb:2")], "a", "several cameras match.*A on usb:1; A on usb:2"),
        ([("A", "usb:1"), ("B", "usb:2")], None, "several cameras match"),
    ],
)
def test_an_error_in_choosing_lists_what_is_attached(
    clock: VirtualClock,
    monkeypatch: pytest.MonkeyPatch,
    attached: list[tuple[str, str]],
    match: str | None,
    part: str,
) -> None:
    """None and several are both errors of one line that say what is there."""
    monkeypatch.setattr(tethered, "list_cameras", lambda: attached)
    with pytest.raises(CameraError, match=part) as caught:
        open_tethered(match, clock)
    assert "\n" not in str(caught.value)


def test_a_claimed_camera_says_how_to_mend_it(clock: VirtualClock, monkeypatch: pytest.MonkeyPatch) -> None:
    """A camera held by another program (-53) is one line with the remedy."""
    import gphoto2

    class Claimed:
        def set_port_info(self, _port: object) -> None:
            pass

        def init(self) -> None:
            raise gphoto2.GPhoto2Error(gphoto2.GP_ERROR_IO_USB_CLAIM)

    monkeypatch.setattr(tethered, "list_cameras", lambda: [("Canon EOS R6", "usb:")])
    monkeypatch.setattr(gphoto2, "Camera", Claimed)
    with pytest.raises(CameraError, match="another program holds the camera: close it") as caught:
        open_tethered("r6", clock)
    assert "code -53" in str(caught.value)


def test_a_session_that_is_used_up_is_renewed_with_its_settings(clock: VirtualClock) -> None:
    """After so many frames the camera is opened anew; card, drive and exposure are as before."""
    from dataclasses import replace

    from controller.cameras.profiles import NIKON

    made: list[FakeGphoto] = []

    def connect() -> FakeGphoto:
        made.append(FakeGphoto(listing("nikon-z6-2"), clock))
        return made[-1]

    profile = replace(NIKON, captures_per_session=3)
    camera = TetheredCamera(connect, clock, model="Nikon Z6_2", port="usb:1", profile=profile)
    camera.configure(settings(0.5))
    for _ in range(3):
        camera.release(settings(0.5))
        camera.collect(1.0)
    assert len(made) == 2
    assert made[0].calls[-1] == "exit"
    assert made[1].widgets["shutterspeed2"]["current"] == "1/2"
    assert made[1].widgets["capturetarget"]["current"] == "Memory card"


def test_a_session_that_cannot_be_renewed_keeps_the_frame_and_then_is_lost(clock: VirtualClock) -> None:
    """The frame that was reported stays reported; the next call finds the camera lost."""
    from dataclasses import replace

    from controller.cameras.profiles import NIKON

    made: list[FakeGphoto] = []

    def connect() -> FakeGphoto:
        made.append(FakeGphoto(listing("nikon-z6-2"), clock))
        if len(made) > 1:
            made[-1].fail["get_single_config"] = deque([-52])
        return made[-1]

    profile = replace(NIKON, captures_per_session=1)
    camera = TetheredCamera(connect, clock, model="Nikon Z6_2", port="usb:1", profile=profile)
    camera.configure(settings(0.5))
    camera.release(settings(0.5))
    assert camera.collect(1.0).file_name.endswith("PIC_0001.JPG")
    with pytest.raises(CameraFault) as caught:
        camera.release(settings(0.5))
    assert caught.value.lost
    assert caught.value.exposed is False
