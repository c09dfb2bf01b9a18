"""A whole rehearsed eclipse: every picture that is left is found to be of its frame, and nothing else is."""

from __future__ import annotations

import random
import shutil
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import piexif
import pytest

from controller.account.gather.facts import facts_of
from controller.account.gather.matching import gather
from controller.account.gather.model import Gathering, Ground, Picture
from controller.account.gather.reading import find_files, read_pictures
from controller.account.gather.runs import load_runs
from tests.account.gather.eclipse import CLOCK_ERRORS_S, SERIALS, Eclipse, changed_exif, disturb


def read(*places: Path) -> list[Picture]:
    return list(read_pictures(find_files(places)))


def gathered(eclipse: Eclipse, pictures: Sequence[Picture], **options: object) -> Gathering:
    (run,) = load_runs([eclipse.run])
    return gather(run.frames, pictures, **options)  # type: ignore[arg-type]


def found(gathering: Gathering) -> dict[Path, str]:
    """Each matched file -> its frame's id."""
    return {
        picture.path: match.frame.account.frame.frame_id
        for match in gathering.matches
        for picture in match.pictures
    }


@pytest.mark.parametrize("seed", range(8))
def test_every_remaining_picture_is_matched_and_nothing_else(
    eclipse: Eclipse, tmp_path: Path, seed: int
) -> None:
    """Clocks off by minutes and hours, 2 % lost, a tenth renamed, some swapped, 25 foreign: all are told apart."""
    day = disturb(eclipse, tmp_path, seed)
    gathering = gathered(eclipse, read(tmp_path))
    assert found(gathering) == day.truth
    assert {one.picture.path for one in gathering.leftovers} == day.foreign
    assert {one.frame.account.frame.frame_id for one in gathering.lost} == day.gone
    assert gathering.doubts == ()
    assert len(day.truth) > 450
    assert {match.ground for match in gathering.matches} == {Ground.NAME, Ground.TIME}


def test_rendered_pictures_are_gathered_as_well(rendered_eclipse: Eclipse, tmp_path: Path) -> None:
    """Pictures rendered from the brightness model, disturbed as above, are all found, and each says what it shows."""
    day = disturb(rendered_eclipse, tmp_path, 99)
    gathering = gathered(rendered_eclipse, read(tmp_path))
    assert found(gathering) == day.truth
    sizes = [path.stat().st_size for path in day.truth if path.parent.name != "land"]
    assert len(set(sizes)) > 0.5 * len(sizes)  # they show something, and not all the same
    for match, facts in zip(gathering.matches, facts_of(gathering.matches), strict=True):
        opened = rendered_eclipse.opened_utc_ns[match.frame.account.frame.frame_id]
        assert (
            abs(facts.taken_utc_ns - opened) < 60_000_000
        )  # five times the jitter that the shutters were given


def test_camera_clocks_are_recovered(eclipse: Eclipse) -> None:
    """Each clock's error comes out as it was put in, to 2 ms and its stated uncertainty, with no drift."""
    gathering = gathered(eclipse, read(eclipse.cards))
    assert {clock.rig: clock.serial for clock in gathering.clocks} == SERIALS
    for clock in gathering.clocks:
        # the file cuts its time to the millisecond below: half of one on the average
        assert clock.offset_s == pytest.approx(
            CLOCK_ERRORS_S[clock.rig] - 0.0005, abs=0.0005 + 4 * clock.uncertainty_s
        )
        assert clock.uncertainty_s < 0.002
        assert abs(clock.drift_s_per_h) < 0.02


@pytest.mark.parametrize("seed", range(4))
def test_with_all_names_lost_time_alone_decides(eclipse: Eclipse, tmp_path: Path, seed: int) -> None:
    """Renamed one and all, in one heap, half of them gone: what time and settings tell is found, the rest told.

    The land's series is the same every ten seconds: with an end of it gone, a shift by ten seconds may fit as well.
    """
    rng = random.Random(seed)
    truth = {}
    for number, (name, frame_id) in enumerate(rng.sample(sorted(eclipse.truth.items()), 250)):
        target = tmp_path / f"{rng.randrange(10**6):06d}-{number}.jpg"
        shutil.copyfile(eclipse.cards / name, target)
        truth[target] = frame_id
    gathering = gathered(eclipse, read(tmp_path), serials={"long": "L0001", "short": "L0002"})
    right = found(gathering)
    assert {match.ground for match in gathering.matches} == {Ground.TIME}
    assert right.items() <= truth.items()
    assert {truth[path].split("/")[0] for path in set(truth) - set(right)} <= {"land"}
    assert all(
        one.why == "its clock cannot be told: two offsets fit the frames of land about as well"
        for one in gathering.leftovers
    )
    assert len(right) + len(gathering.leftovers) == len(truth)


@pytest.mark.parametrize("seed", range(3))
def test_names_renumbered_by_hand_mislead_nobody(eclipse: Eclipse, tmp_path: Path, seed: int) -> None:
    """A tenth lost and the rest numbered anew as the camera would: the names are other frames', and do no harm."""
    rng = random.Random(seed)
    truth = {}
    for rig in ("long", "short"):
        names = sorted(name for name in eclipse.truth if name.parent.name == rig)
        kept = [name for name in names if rng.random() < 0.9]
        for number, name in enumerate(kept, start=1):
            (target := tmp_path / rig / f"HF_{number:05d}.JPG").parent.mkdir(exist_ok=True)
            shutil.copyfile(eclipse.cards / name, target)
            truth[target] = eclipse.truth[name]
    gathering = gathered(eclipse, read(tmp_path), serials={"long": "L0001", "short": "L0002"})
    assert found(gathering) == truth


def test_twins_on_one_schedule_are_not_guessed(eclipse: Eclipse, tmp_path: Path) -> None:
    """Two bodies of one model that did the same at the same time, names and folders lost: told, and none matched."""
    rng = random.Random(1)
    for name in eclipse.truth:
        shutil.copyfile(eclipse.cards / name, tmp_path / f"{rng.randrange(10**9):09d}.jpg")
    gathering = gathered(eclipse, read(tmp_path))
    assert {match.frame.rig for match in gathering.matches} == {"land"}
    whys = {one.why for one in gathering.leftovers}
    assert len(whys) == 2
    assert all("long and short" in why and "--camera RIG=L000" in why for why in whys)


def test_a_yearly_shift_is_refused_until_it_is_allowed(eclipse: Eclipse) -> None:
    """A clock that was never set is 9 years behind: nothing is matched, and everything with --any-date."""
    behind = 9 * 365 * 86_400 * 10**9
    pictures = [
        replace(one, taken_camera_ns=(one.taken_camera_ns or 0) - behind) for one in read(eclipse.cards)
    ]
    assert gathered(eclipse, pictures).matches == ()
    gathering = gathered(eclipse, pictures, any_date=True)
    assert found(gathering) == {eclipse.cards / name: frame_id for name, frame_id in eclipse.truth.items()}


@pytest.mark.parametrize("seed", range(4))
def test_whole_seconds_are_enough_where_names_are_kept(eclipse: Eclipse, tmp_path: Path, seed: int) -> None:
    """Cameras that write no fractions of a second: names decide within a second, and no match is wrong."""
    day = disturb(eclipse, tmp_path, seed, renamed=0.05)
    pictures = [
        replace(one, taken_camera_ns=one.taken_camera_ns // 10**9 * 10**9, has_subseconds=False)
        if one.taken_camera_ns is not None
        else one
        for one in read(tmp_path)
    ]
    gathering = gathered(eclipse, pictures)
    right = found(gathering)
    assert right.items() <= day.truth.items()
    doubtful = {picture.path for doubt in gathering.doubts for picture in doubt.pictures}
    left = {one.picture.path for one in gathering.leftovers}
    assert len(right) >= 0.95 * len(day.truth)
    assert set(day.truth) - set(right) <= doubtful | left


def test_raw_and_jpeg_of_one_frame_are_one_match(eclipse: Eclipse, tmp_path: Path) -> None:
    """Two files of one exposure, in one folder or two, and a raw that nobody can read beside its JPEG: one frame."""
    name, frame_id = sorted(eclipse.truth.items())[40]
    shutil.copytree(eclipse.cards, tmp_path / "cards")
    kept = tmp_path / "cards" / name
    tiff = piexif.dump(piexif.load(str(kept)))[6:]
    (same := kept.with_suffix(".DNG")).write_bytes(tiff)
    (apart := tmp_path / "raw" / same.name).parent.mkdir()
    apart.write_bytes(tiff)
    (unread := kept.with_suffix(".X3F")).write_bytes(b"FOVb" + bytes(100))
    gathering = gathered(eclipse, read(tmp_path))
    (match,) = (one for one in gathering.matches if one.frame.account.frame.frame_id == frame_id)
    assert {picture.path for picture in match.pictures} == {kept, same, apart, unread}
    assert match.companions == (unread,)
    assert gathering.leftovers == ()


def test_a_clock_that_runs_fast_is_followed(eclipse: Eclipse) -> None:
    """A camera that gains 0.2 s an hour over the whole eclipse is matched throughout, and its gain is found."""
    pictures = []
    for one in read(eclipse.cards / "long"):
        assert one.taken_camera_ns is not None
        since_s = (
            one.taken_camera_ns - read(eclipse.cards / "long" / "HF_00001.JPG")[0].taken_camera_ns
        ) / 1e9  # type: ignore[operator]
        gained = round(since_s * 0.2 / 3600 * 1e9)
        pictures.append(replace(one, taken_camera_ns=one.taken_camera_ns + gained))
    gathering = gathered(eclipse, pictures, serials={"long": "L0001"})
    assert len(gathering.matches) == len(pictures)
    assert gathering.clocks[0].drift_s_per_h == pytest.approx(0.2, abs=0.02)


def test_bodies_without_numbers_are_told_apart_by_their_files(eclipse: Eclipse, tmp_path: Path) -> None:
    """No serial number in any file: the folders that the cameras named tell two bodies of one model apart."""

    def nameless(exif: dict[str, dict[int, object]]) -> None:
        del exif["Exif"][piexif.ExifIFD.BodySerialNumber]

    for name in eclipse.truth:
        (target := tmp_path / name).parent.mkdir(exist_ok=True)
        target.write_bytes(changed_exif((eclipse.cards / name).read_bytes(), nameless))
    assert found(gathered(eclipse, read(tmp_path))) == {
        tmp_path / name: frame_id for name, frame_id in eclipse.truth.items()
    }
