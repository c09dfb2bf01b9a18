"""The rules of matching, each on a few made-up pictures."""

from __future__ import annotations

import itertools
import math
import random
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.account.gather.matching import gather, same_model
from controller.account.gather.model import Gathering, GatherRun, Ground, Picture, RunFrame
from controller.account.model import FrameAccount, FrameEnd
from controller.timeline.model import Frame, Timeline
from controller.units import NS_PER_S, seconds_to_ns
from tests.engine.builder import OFF, T0, frame, rig_info, timeline

RUN_NAME = "a run"


def timeline_of(frames: Sequence[Frame]) -> Timeline:
    """A timeline of these frames."""
    return timeline(list(frames), rigs=(rig_info(),))


def fired(*at_s: float, exposure_s: float = 1 / 500, names: bool = True, **fields: Any) -> list[RunFrame]:
    """Frames of the rig ``long`` fired at these seconds, as files ``/store/100ABCDE/PIC_0001.NEF`` and so on."""
    planned = [
        replace(
            frame(n, 10.0 * n, exposure_s=exposure_s, phase="totality", need=OFF), frame_id=f"long/{n:04d}"
        )
        for n in range(1, len(at_s) + 1)
    ]
    run = GatherRun(name=RUN_NAME, timeline=timeline_of(planned))
    return [
        RunFrame(
            run=run,
            camera=fields.get("camera", "Lark 7"),
            account=FrameAccount(
                frame=one, due_utc_ns=one.due_utc_ns, end=FrameEnd.FIRED,
                released_utc_ns=int(T0) + seconds_to_ns(at),
                file_name=f"/store/100ABCDE/PIC_{n:04d}.NEF" if names else "",
                read_back={"exposure_s": exposure_s, "f_number": 8.0, "iso": 100},
            ),
        )
        for n, (one, at) in enumerate(zip(planned, at_s, strict=True), start=1)
    ]  # fmt: skip


def picture(name: str, at_s: float, **fields: Any) -> Picture:
    """A picture taken at these seconds by a clock that is right."""
    made = Picture(
        path=Path("pictures") / name, model="Lark 7", serial="1", taken_camera_ns=int(T0) + seconds_to_ns(at_s),
        has_subseconds=True, exposure_s=1 / 500, f_number=8.0, iso=100.0,
    )  # fmt: skip
    return replace(made, **fields)


def whole(name: str, at_s: float, **fields: Any) -> Picture:
    """A picture by a camera that writes whole seconds."""
    return picture(name, float(int(at_s)), has_subseconds=False, **fields)


def pairs(gathering: Gathering) -> dict[str, str]:
    """File's name -> the frame's id."""
    return {
        one.path.name: match.frame.account.frame.frame_id
        for match in gathering.matches
        for one in match.pictures
    }


ANCHORS = [(f"PIC_{n:04d}.NEF", 100.0 * n) for n in range(1, 7)]
"""Six frames far apart that fix the clock."""


def anchored(extra_frames_s: Sequence[float], pictures: Sequence[Picture], make: Any = picture) -> Gathering:
    """Gather the anchors and these; the frames beside the anchors have numbers from 7."""
    frames = fired(*(at for _, at in ANCHORS), *extra_frames_s)
    return gather(frames, [*(make(name, at) for name, at in ANCHORS), *pictures])


def test_a_burst_within_a_second_goes_by_order_when_all_are_there() -> None:
    """Three alike in one second, renamed, with the body's own numbers: first to first; that is its ground."""
    burst = [whole(f"x{n}.jpg", 1000.0, number=n) for n in (3, 1, 2)]
    made = anchored([1000.1, 1000.4, 1000.7], burst, whole)
    assert {n: f for n, f in pairs(made).items() if n.startswith("x")} == {
        "x1.jpg": "long/0007", "x2.jpg": "long/0008", "x3.jpg": "long/0009",
    }  # fmt: skip
    assert [one.ground for one in made.matches].count(Ground.ORDER) == 3


@pytest.mark.parametrize("numbers", [(None, None, None), (1, 2)])
def test_a_burst_within_a_second_is_doubted_when_it_is_not_clear(numbers: tuple[int | None, ...]) -> None:
    """Alike in everything, or fewer pictures than frames: nothing is guessed, all are named."""
    burst = [whole(f"x{n}.jpg", 1000.0, number=number) for n, number in enumerate(numbers)]
    made = anchored([1000.1, 1000.4, 1000.7], burst, whole)
    assert len(made.matches) == len(ANCHORS)
    (doubt,) = made.doubts
    assert {one.path.name for one in doubt.pictures} == {one.path.name for one in burst}
    assert {one.account.frame.frame_id for one in doubt.frames} == {"long/0007", "long/0008", "long/0009"}
    assert made.lost == ()


def test_a_name_alone_is_not_enough() -> None:
    """A picture with a frame's name and another time, or other settings, is not that frame's."""
    for wrong in (picture("PIC_0007.NEF", 1003.0), picture("PIC_0007.NEF", 1000.0, exposure_s=1 / 250)):
        made = anchored([1000.0], [wrong])
        assert len(made.matches) == len(ANCHORS)
        (left,) = made.leftovers
        assert left.why == "it has the name of a frame's picture, but not its time and settings"
        assert [one.frame.account.frame.frame_id for one in made.lost] == ["long/0007"]


def test_a_renamed_copy_takes_no_other_frame() -> None:
    """A second file of a matched exposure is not given to the free frame 0.1 s beside it."""
    made = anchored([1000.0, 1000.1], [picture("PIC_0007.NEF", 1000.0), picture("copy.nef", 1000.0)])
    assert pairs(made).get("copy.nef") is None
    (left,) = made.leftovers
    assert left.why == f"{RUN_NAME} long/0007 has a picture that fits better"


def test_two_files_of_one_name_and_time_that_differ_are_doubted() -> None:
    """Two different pictures claim one frame with the same right: neither gets it."""
    twins = [
        picture("a/PIC_0007.NEF", 1000.0, number=1), picture("b/PIC_0007.NEF", 1000.0, number=2),
    ]  # fmt: skip
    made = anchored([1000.0], twins)
    assert len(made.matches) == len(ANCHORS)
    assert len(made.doubts) == 1


def test_the_folder_decides_between_files_of_one_name() -> None:
    """The one that lies in a folder as the camera called it is the frame's."""
    twins = [
        picture("100ABCDE/PIC_0007.NEF", 1000.0, number=1), picture("b/PIC_0007.NEF", 1000.0, number=2),
    ]  # fmt: skip
    made = anchored([1000.0], twins)
    (match,) = (one for one in made.matches if one.frame.account.frame.frame_id == "long/0007")
    assert [str(one.path) for one in match.pictures] == ["pictures/100ABCDE/PIC_0007.NEF"]


def test_a_frame_of_unknown_outcome_finds_its_picture() -> None:
    """A frame of which no word came was taken after all: its picture is found by its planned time."""
    frames = fired(*(at for _, at in ANCHORS), 1000.0)
    planned = replace(
        frames[-1].account.frame, due_utc_ns=int(T0) + 1000 * NS_PER_S, deadline_utc_ns=int(T0) + 1001 * NS_PER_S
    )  # fmt: skip
    account = FrameAccount(frame=planned, due_utc_ns=planned.due_utc_ns, end=FrameEnd.UNKNOWN)  # type: ignore[arg-type]
    frames[-1] = replace(frames[-1], account=account)
    pictures = [picture(name, at) for name, at in ANCHORS]
    asked = {"exposure_s": planned.settings.exposure_s, "f_number": planned.settings.f_number}
    found = gather(frames, [*pictures, picture("x.jpg", 1000.7, **asked, iso=planned.settings.iso)])
    assert pairs(found)["x.jpg"] == "long/0007"
    taken = next(one.taken_utc_ns for one in found.matches if one.pictures[0].path.name == "x.jpg")
    assert abs(taken - int(T0) - 1000.7e9) < 1e6
    assert gather(frames, pictures).lost == ()


def test_settings_that_the_camera_did_not_report_are_not_held_against_it() -> None:
    """Where the camera gave no number, as a manual lens does, the picture may have any."""
    frames = [
        replace(one, account=replace(one.account, read_back={"exposure_s": 1 / 500, "f_number": None, "iso": 100}))
        for one in fired(*(at for _, at in ANCHORS))
    ]  # fmt: skip
    for f_number in (None, 4.5):
        made = gather(frames, [picture(name, at, f_number=f_number) for name, at in ANCHORS])
        assert len(made.matches) == len(ANCHORS)


def test_few_pictures_of_an_unknown_camera_match_nothing() -> None:
    """Another model's pictures that happen to fit in time are not taken without the camera's names."""
    frames = fired(*(at for _, at in ANCHORS))
    other = [picture(f"IMG_{n}.JPG", at, model="Swift phone", serial="") for n, (_, at) in enumerate(ANCHORS)]
    assert gather(frames, other).matches == ()
    named = [picture(name, at, model="Swift phone", serial="") for name, at in ANCHORS]
    assert len(gather(frames, named).matches) == len(ANCHORS)
    assert gather(frames, [*named, *(picture(name, at) for name, at in ANCHORS)]).clocks[0].model == "Lark 7"


def test_one_picture_of_one_frame_is_enough_with_its_name() -> None:
    """A run of a single frame is gathered by its name."""
    assert pairs(gather(fired(5.0), [picture("PIC_0001.NEF", 65.0)])) == {"PIC_0001.NEF": "long/0001"}
    assert gather(fired(5.0), [picture("other.nef", 65.0)]).matches == ()


@pytest.mark.parametrize(
    ("exif", "driver", "same"),
    [
        # pairs of a driver's and a body's way to write one name, from memory
        ("NIKON Z 6", "Nikon DSC Z 6", True),
        ("NIKON D5600", "Nikon DSC D5600 (PTP mode)", True),
        ("Canon EOS 6D", "Canon EOS 6D", True),
        ("Canon EOS 6D", "Canon EOS 60D", False),
        ("Lark 7", "Lark 8", False),
        ("", "Lark 7", False),
    ],
)
def test_names_of_models(exif: str, driver: str, same: bool) -> None:
    """A model is known by what tells it from others, however it is written."""
    assert same_model(exif, driver) is same


@given(
    at_s=st.lists(st.integers(0, 30_000), min_size=4, max_size=30, unique=True),
    offset_s=st.floats(-50_000, 50_000),
    gone=st.sets(st.integers(0, 29)),
    renamed=st.sets(st.integers(0, 29)),
    subseconds=st.booleans(),
)
def test_no_picture_is_ever_given_to_a_wrong_frame(
    at_s: list[float], offset_s: float, gone: set[int], renamed: set[int], subseconds: bool
) -> None:
    """Whatever is lost and renamed while half the names are kept, each match is right, and all is accounted for."""
    at_s = [tenths / 10 for tenths in sorted(at_s)]
    kept = {n for n in range(len(at_s)) if n % 2 == 0}
    frames, pictures, truth = fired(*at_s), [], {}
    for n, at in enumerate(at_s):
        if n in gone - kept:
            continue
        name = f"x{n}.jpg" if n in renamed - kept else f"PIC_{n + 1:04d}.JPG"
        pictures.append((picture if subseconds else whole)(name, at + offset_s))
        truth[name] = f"long/{n + 1:04d}"
    made = gather(frames, pictures)
    assert pairs(made).items() <= truth.items()
    named = sorted(one.path.name for one in pictures)
    told = [one.path.name for doubt in made.doubts for one in doubt.pictures]
    told += [one.picture.path.name for one in made.leftovers] + list(pairs(made))
    assert sorted(told) == named


def hard_day(seed: int) -> tuple[list[RunFrame], list[Picture], dict[str, str]]:
    """Bursts and pauses, one exposure or three, a clock that is off and drifts, pictures lost and renamed at random."""
    rng = random.Random(seed)
    at_s = list(
        itertools.accumulate(rng.choice([0.35, 0.4, 0.5, 1, 2, 5, 60]) for _ in range(rng.randrange(10, 120)))
    )
    exposures_s = rng.choice([[1 / 500], [1 / 500, 1 / 250, 1 / 60]])
    offset_s, gain, jitter_s = (
        rng.uniform(-40_000, 40_000),
        rng.uniform(-1, 1) / 3600,
        rng.choice([0, 0.01, 0.03]),
    )
    subseconds, kept, lost = rng.random() < 0.6, rng.choice([0, 0.1, 0.5, 0.9]), rng.choice([0, 0.02, 0.3])
    frames, pictures, truth = fired(*at_s), [], {}
    for n, at in enumerate(at_s):
        exposure_s = rng.choice(exposures_s)
        account = frames[n].account
        read_back = {"exposure_s": exposure_s, "f_number": 8.0, "iso": 100}
        frames[n] = replace(frames[n], account=replace(account, read_back=read_back))
        if rng.random() < lost:
            continue
        name = f"PIC_{n + 1:04d}.JPG" if rng.random() < kept else f"x{rng.randrange(10**9)}.jpg"
        taken_s = at + offset_s + gain * at + rng.gauss(0, jitter_s)
        made = picture(name, taken_s if subseconds else float(math.floor(taken_s)), exposure_s=exposure_s)
        pictures.append(replace(made, has_subseconds=subseconds))
        truth[name] = account.frame.frame_id
    return frames, pictures, truth


def test_hard_days_give_no_wrong_match() -> None:
    """Over 100 made-up days, 1 to 4 frames a second among them: no match is wrong, and nine in ten are made."""
    right = there = 0
    for seed in range(100):
        frames, pictures, truth = hard_day(seed)
        found = pairs(gather(frames, pictures))
        assert found.items() <= truth.items(), seed
        right, there = right + len(found), there + len(truth)
    assert right > 0.9 * there
