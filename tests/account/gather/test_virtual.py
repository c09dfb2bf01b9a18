"""Pictures of libgphoto2's virtual camera, fired through the real driver in a process of its own."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

from controller.account.gather.matching import gather
from controller.account.gather.model import GatherRun, Ground, RunFrame
from controller.account.gather.reading import find_files, read_pictures
from controller.account.model import FrameAccount, FrameEnd
from controller.cameras.clock import ClockEpoch, MonotonicClock
from controller.cameras.host import CameraProcess, CameraSpec
from controller.cameras.pictures import VIRTUAL_PICTURE
from controller.cameras.protocol import OutcomeState
from controller.cameras.tethered import make_virtual_camera_folder
from tests.account.gather.test_matching import timeline_of
from tests.cameras.bench import T0, frame, seconds
from tests.cameras.test_host import Opened, outcome_of, receive
from tests.cameras.test_previews import whole_sun

EXPOSURES_S = (1 / 800, 1 / 400, 1 / 200, 1 / 100, 1 / 50, 1 / 400, 1 / 800, 1 / 400)


def test_frames_of_the_virtual_camera_are_gathered(tmp_path: Path) -> None:
    """What the driver reported of each frame finds its picture, with the camera's clock 77.5 s ahead and two renamed."""
    epoch = ClockEpoch.pretended(T0)
    folder = make_virtual_camera_folder(tmp_path / "virtual")
    spec = CameraSpec(
        rig="long", driver="tethered", virtual_folder=folder, outlook=whole_sun(), clock_error_s=77.5,
    )  # fmt: skip
    process, clock, accounts, truth = CameraProcess(spec, epoch), MonotonicClock(epoch), [], {}
    try:
        opened = receive(process)
        assert isinstance(opened, Opened)
        for number, exposure_s in enumerate(EXPOSURES_S, start=1):
            planned = frame(number, seconds(clock.now_ns()) + 0.9, exposure_s=exposure_s, late_s=30.0)
            process.send_hand_over(planned)
            outcome = outcome_of(process, planned.frame_id)
            assert outcome.state is OutcomeState.FIRED, outcome
            assert outcome.captured
            assert outcome.readback
            name = Path(outcome.captured.file_name).name
            target = tmp_path / "card" / (f"kept {number}.jpg" if number in (3, 6) else name)
            target.parent.mkdir(exist_ok=True)
            shutil.copyfile(folder / VIRTUAL_PICTURE, target)
            truth[target] = planned.frame_id
            accounts.append(
                FrameAccount(
                    frame=planned, due_utc_ns=planned.due_utc_ns, end=FrameEnd.FIRED,
                    released_utc_ns=outcome.released_utc_ns, file_name=outcome.captured.file_name,
                    read_back={
                        key: getattr(outcome.readback, key) for key in ("exposure_s", "f_number", "iso")
                    },
                )
            )  # fmt: skip
    finally:
        process.close(timeout_s=5.0)
    run = GatherRun(name="virtual", timeline=timeline_of([one.frame for one in accounts]))
    frames = [RunFrame(run=run, account=one, camera=opened.facts.model) for one in accounts]
    gathering = gather(frames, list(read_pictures(find_files([tmp_path / "card"]))))
    assert {one.pictures[0].path: one.frame.account.frame.frame_id for one in gathering.matches} == truth
    assert [one.ground for one in gathering.matches].count(Ground.TIME) == 2
    assert abs(gathering.clocks[0].offset_s - 77.5) < 0.1
    none_of_it = [replace(one, camera="") for one in frames]
    assert gather(none_of_it, []).matches == ()
