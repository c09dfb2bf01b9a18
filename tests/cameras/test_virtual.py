"""What only libgphoto2's own virtual camera can show: the driver's real answers, in a process of its own."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from controller.cameras.protocol import CameraFault, MissReason
from controller.cameras.tethered import make_virtual_camera_folder
from controller.errors import CameraError
from tests.cameras.bench import settings
from tests.cameras.conftest import RemoteCamera


def test_it_is_listed_and_found_by_part_of_its_name(virtual_server: RemoteCamera) -> None:
    """The list names model and port; either opens it, anything else is told what is attached."""
    ((model, port),) = virtual_server.ask("list")
    virtual_server.ask("open", model.split()[-1].lower())
    virtual_server.ask("open", port)
    with pytest.raises(CameraError, match=f"Attached: {model} on {port}"):
        virtual_server.ask("open", "no such camera")
    virtual_server.ask("open")


def test_its_pictures_go_to_the_card(virtual_camera: RemoteCamera) -> None:
    """Opening changes the capture target from memory to the card."""
    assert virtual_camera.ask("raw_get", "capturetarget") == "Memory card"


def test_its_iso_is_reported_as_not_confirmed(virtual_camera: RemoteCamera) -> None:
    """A widget that is listed and cannot be read (-2) gives no number and is named."""
    readback = virtual_camera.configure(settings())
    assert readback.iso is None
    assert readback.differs == ("iso",)
    assert readback.words["iso"].startswith("ISO not confirmed")
    assert any("Set the ISO by hand" in sentence for sentence in virtual_camera.probe().by_hand)


def test_a_request_that_the_driver_would_snap_never_reaches_it(virtual_camera: RemoteCamera) -> None:
    """The driver turns 30 s into 1 s without an error; the backend refuses and leaves the setting alone."""
    virtual_camera.configure(settings(0.1))
    with pytest.raises(CameraFault, match="not among the camera's choices"):
        virtual_camera.configure(settings(30.0))
    assert virtual_camera.ask("raw_get", "shutterspeed") == "0.1000s"
    assert virtual_camera.ask("raw_set", "shutterspeed", "30") == "1.0000s"


def test_the_27th_frame_of_a_session_says_card_full(virtual_server: RemoteCamera) -> None:
    """Without renewing, 26 frames are taken and the next is reported as a full card; a new session works."""
    virtual_server.ask("open", renew_sessions=False)
    wanted = settings()
    virtual_server.configure(wanted)
    for _ in range(26):
        virtual_server.release(wanted)
        virtual_server.collect(5.0)
    virtual_server.release(wanted)
    with pytest.raises(CameraFault) as caught:
        virtual_server.collect(5.0)
    assert caught.value.reason is MissReason.CARD
    virtual_server.ask("open")
    virtual_server.configure(wanted)
    virtual_server.release(wanted)
    assert virtual_server.collect(5.0).file_name.endswith(".JPG")


@pytest.fixture
def vanishing(tmp_path: Path) -> Iterator[RemoteCamera]:
    """A virtual camera whose folder can be taken away."""
    server = RemoteCamera(make_virtual_camera_folder(tmp_path / "vanishing"))
    yield server
    server.end()


def test_a_store_that_vanishes_is_an_unspecified_error_after_the_release(vanishing: RemoteCamera) -> None:
    """The trigger says OK; the wait fails with -1, and nobody can know whether there is a picture."""
    wanted = settings()
    vanishing.ask("open")
    vanishing.configure(wanted)
    shutil.rmtree(vanishing.folder)
    vanishing.release(wanted)
    with pytest.raises(CameraFault) as caught:
        vanishing.collect(1.0)
    assert caught.value.code == -1
    assert caught.value.exposed is None
    assert not caught.value.lost
