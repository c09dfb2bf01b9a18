"""Probe what is attached, in a process of its own: a driver call that hangs is ended with it."""

from __future__ import annotations

import contextlib
import os
from multiprocessing.connection import Connection

from controller.cameras.children import children, start_child
from controller.cameras.clock import ClockEpoch, MonotonicClock
from controller.cameras.lock import CameraInUseError
from controller.cameras.protocol import CameraFacts, CameraFault, CameraStatus
from controller.cameras.tethered import list_cameras, open_tethered
from controller.errors import CameraError

PROBE_TIMEOUT_S = 30.0
"""A driver may take 20 s to give up on a USB device that does not answer."""


def probe_attached(timeout_s: float = PROBE_TIMEOUT_S) -> list[CameraFacts]:
    """Open, probe and close every camera attached to this computer, but for those another holdfire has open.

    Raises:
        CameraError: if one cannot be opened, or nothing came back in time.
    """
    ours, theirs = children().Pipe(duplex=False)
    process = start_child("probe", _probe, theirs)
    theirs.close()
    try:
        if not ours.poll(timeout_s):
            raise CameraError(
                f"A camera did not answer within {timeout_s:.0f} s. "
                "Mend: switch it off and on, unplug it and plug it in again."
            )
        answer: list[CameraFacts] | str = ours.recv()
    except EOFError:
        raise CameraError(
            "The camera library ended unexpectedly. Mend: unplug the cameras and plug them in one by one."
        ) from None
    finally:
        process.kill()
        process.join()
    if isinstance(answer, str):
        raise CameraError(answer)
    return answer


def _probe(answer: Connection) -> None:
    os.environ["LC_ALL"] = "C"  # choices are translated otherwise
    clock = MonotonicClock(ClockEpoch.now())
    try:
        found = []
        for model, port in list_cameras():
            try:
                camera = open_tethered(port, clock)
            except CameraInUseError as used:
                found.append(_in_use(model, port, str(used)))
                continue
            with contextlib.closing(camera):
                found.append(camera.probe())
        answer.send(found)
    except (CameraError, CameraFault) as error:
        answer.send(str(error))


def _in_use(model: str, port: str, text: str) -> CameraFacts:
    return CameraFacts(
        model=model,
        port=port,
        shutter_s=(),
        f_numbers=(),
        isos=(),
        status=CameraStatus(),
        by_hand=(text,),
        in_use=text,
    )
