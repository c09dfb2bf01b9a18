"""Sidecars and folders: beside the pictures or elsewhere, never over something, gone on with, pictures untouched."""

from __future__ import annotations

import hashlib
import os
import shutil
import stat
from collections import Counter
from dataclasses import replace
from pathlib import Path

import pytest

from controller.account.gather.matching import gather
from controller.account.gather.model import Match
from controller.account.gather.reading import find_files, read_pictures
from controller.account.gather.runs import load_runs
from controller.account.gather.sidecars import (
    Written,
    common_root,
    place,
    plain_name,
    plan_folders,
    plan_sidecars,
    write_whole,
)
from controller.errors import HoldfireError
from tests.account.gather.eclipse import Eclipse
from tests.account.gather.test_matching import fired, picture


@pytest.fixture(scope="module")
def matches(eclipse: Eclipse) -> tuple[Match, ...]:
    """Every match of the day."""
    (run,) = load_runs([eclipse.run])
    return gather(run.frames, list(read_pictures(find_files([eclipse.cards])))).matches


def test_one_sidecar_a_frame_beside_its_picture(matches: tuple[Match, ...], eclipse: Eclipse) -> None:
    """The sidecar has the picture's name with .xmp, in the picture's folder."""
    planned = plan_sidecars(matches, None, eclipse.cards)
    assert {one.path for one in planned} == {
        eclipse.cards / name.with_suffix(".xmp") for name in eclipse.truth
    }  # fmt: skip
    assert sorted(one.match for one in planned) == list(range(len(matches)))


def test_another_folder_mirrors_the_pictures(
    matches: tuple[Match, ...], eclipse: Eclipse, tmp_path: Path
) -> None:
    """With a folder of their own, sidecars lie in it as the pictures lie under what was named."""
    planned = plan_sidecars(matches, tmp_path, common_root([eclipse.cards]))
    assert {one.path.relative_to(tmp_path) for one in planned} == {
        name.with_suffix(".xmp") for name in eclipse.truth
    }
    assert common_root([eclipse.cards / "long", eclipse.cards / "land"]) == eclipse.cards


def test_raw_and_jpeg_share_one_and_strangers_do_not() -> None:
    """Raw and JPEG of one frame have one sidecar; files of two frames with one stem have one each, by whole name."""
    frames = fired(100.0, 200.0)
    pair = [picture("A.NEF", 100.0), picture("A.JPG", 100.0)]
    made = gather(
        frames,
        [picture("PIC_0001.JPG", 100.0), picture("PIC_0001.NEF", 100.0), picture("PIC_0002.NEF", 200.0)],
    )
    assert [one.path.name for one in plan_sidecars(made.matches, None, Path())] == [
        "PIC_0001.xmp",
        "PIC_0002.xmp",
    ]
    first, second = made.matches
    mixed = [replace(first, pictures=(pair[0],)), replace(second, pictures=(pair[1],))]
    assert [one.path.name for one in plan_sidecars(mixed, None, Path())] == ["A.NEF.xmp", "A.JPG.xmp"]


def test_nothing_is_overwritten_unless_asked(tmp_path: Path) -> None:
    """Another content stays as it is; the same counts as done; only force replaces, and never leaves a rest."""
    path = tmp_path / "deep" / "a.xmp"
    assert write_whole(path, b"one") is Written.NEW
    assert write_whole(path, b"one") is Written.SAME
    assert write_whole(path, b"two") is Written.KEPT
    assert path.read_bytes() == b"one"
    assert write_whole(path, b"two", force=True) is Written.REPLACED
    assert path.read_bytes() == b"two"
    assert [one.name for one in path.parent.iterdir()] == ["a.xmp"]


def test_one_that_appears_in_between_is_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A sidecar that another program writes in the same moment is not overwritten."""
    path = tmp_path / "a.xmp"
    link = Path.hardlink_to

    def meanwhile(to: Path, of: Path) -> None:
        path.write_bytes(b"another program's")
        link(to, of)

    monkeypatch.setattr(Path, "hardlink_to", meanwhile)
    assert write_whole(path, b"ours") is Written.KEPT
    assert path.read_bytes() == b"another program's"
    assert [one.name for one in tmp_path.iterdir()] == ["a.xmp"]


def test_what_lies_where_a_file_is_made_is_not_written_through(tmp_path: Path) -> None:
    """A link in the place of the unfinished file goes, and what it leads to stays."""
    picture, path, seen = tmp_path / "HF_0001.JPG", tmp_path / "a.xmp", []
    picture.write_bytes(b"picture")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Path, "hardlink_to", lambda _, beside: seen.append(beside))
        patch.setattr(Path, "unlink", lambda *_, **__: None)
        write_whole(path, b"one")
    (beside,) = seen
    beside.unlink()
    beside.symlink_to(picture)
    assert write_whole(path, b"one") is Written.NEW
    assert picture.read_bytes() == b"picture"
    assert not path.is_symlink()


def test_the_longest_names_have_sidecars(tmp_path: Path) -> None:
    """A name of as many bytes as a file's name may have is written like any other."""
    path = tmp_path / ("é" * 125 + "x.xmp")
    assert write_whole(path, b"one") is Written.NEW
    assert path.read_bytes() == b"one"


@pytest.mark.parametrize("rest", [b"", bytes(300)])
def test_what_a_loss_of_power_left_is_written_anew(rest: bytes, tmp_path: Path) -> None:
    """A sidecar of nothing, or of zeros, is no sidecar."""
    path = tmp_path / "a.xmp"
    path.write_bytes(rest)
    assert write_whole(path, b"one") is Written.NEW
    assert path.read_bytes() == b"one"


@pytest.mark.parametrize("cut", range(4))
def test_what_was_interrupted_is_gone_on_with(
    cut: int, matches: tuple[Match, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Killed while any file is written: no half sidecar has the name of one, and the next time does the rest."""
    planned = plan_sidecars(matches[:4], tmp_path, common_root([matches[0].pictures[0].path.parent.parent]))

    def killed(*_: object) -> None:
        raise KeyboardInterrupt

    for one in planned[:cut]:
        write_whole(one.path, b"whole %d" % one.match)
    with monkeypatch.context() as patch:
        patch.setattr(Path, "hardlink_to", killed)
        with pytest.raises(KeyboardInterrupt):
            write_whole(planned[cut].path, b"whole %d" % planned[cut].match)
    assert all(one.path.read_bytes() == b"whole %d" % one.match for one in planned[:cut])
    assert not any(one.path.exists() for one in planned[cut:])
    again = Counter(write_whole(one.path, b"whole %d" % one.match) for one in planned)
    assert again == Counter({Written.SAME: cut, Written.NEW: 4 - cut})
    assert not list(tmp_path.rglob("*.part"))


def test_a_card_without_hard_links_works_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Cards' file systems refuse hard links; the file is renamed then, and still nothing overwritten."""

    def refused(*_: object) -> None:
        raise PermissionError

    monkeypatch.setattr(Path, "hardlink_to", refused)
    assert write_whole(tmp_path / "a.xmp", b"one") is Written.NEW
    assert write_whole(tmp_path / "a.xmp", b"two") is Written.KEPT
    assert [one.name for one in tmp_path.iterdir()] == ["a.xmp"]


def test_folders_hold_links_by_set(matches: tuple[Match, ...], tmp_path: Path) -> None:
    """A bracket's take has a folder of its own, single frames share their shot's; the links lead to the pictures."""
    placed = plan_folders(matches, tmp_path / "sets")
    assert len(placed) == len(matches)
    assert {place(one, copy=False) for one in placed} == {Written.NEW}
    assert {place(one, copy=False) for one in placed} == {Written.SAME}
    for one in placed:
        frame = matches[one.match].frame.account.frame
        parts = one.path.relative_to(tmp_path / "sets").parts
        assert parts[:3] == (frame.rig, frame.phase, frame.shot)
        assert not one.path.readlink().is_absolute()
        assert one.path.resolve() == one.picture.resolve()
    corona = tmp_path / "sets" / "long" / "totality" / "corona" / "take 001"
    assert len(list(corona.iterdir())) == 10  # 1/500 to 1 s by whole stops
    assert not any(
        one.is_dir() for one in (tmp_path / "sets" / "long" / "partial in" / "crescents").iterdir()
    )


def test_copies_and_what_is_in_the_way(matches: tuple[Match, ...], tmp_path: Path) -> None:
    """Copies are whole and keep their times; a file that is there already stays, whatever it is."""
    placed = plan_folders(matches[:3], tmp_path)
    placed[0].path.parent.mkdir(parents=True, exist_ok=True)
    placed[0].path.write_bytes(b"mine")
    assert [place(one, copy=True) for one in placed] == [Written.KEPT, Written.NEW, Written.NEW]
    assert [place(one, copy=True) for one in placed] == [Written.KEPT, Written.SAME, Written.SAME]
    assert [place(one, copy=False) for one in placed] == [Written.KEPT] * 3
    assert placed[0].path.read_bytes() == b"mine"
    assert placed[1].path.read_bytes() == placed[1].picture.read_bytes()
    assert not list(tmp_path.rglob("*.part"))


@pytest.mark.parametrize(
    ("name", "plain"),
    [("a/b", "a-b"), ("..", "unnamed"), ("corona 1", "corona 1"), ("é", "é"), ("x\0y", "x-y")],
)
def test_names_of_folders(name: str, plain: str) -> None:
    """No name of a plan leads out of the folder."""
    assert plain_name(name) == plain


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    """One line says which file, why, and what to do."""
    tmp_path.chmod(stat.S_IREAD | stat.S_IEXEC)
    with pytest.raises(
        HoldfireError, match=r"a\.xmp: cannot be written \(Permission denied\)\. Mend: name a folder"
    ):
        write_whole(tmp_path / "a.xmp", b"")


def test_a_full_disk_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No room: the one line says so, and that the command goes on when run again."""

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(
        HoldfireError, match=r"No space left on device.*make room there, and run it again: it goes on"
    ):
        write_whole(tmp_path / "a.xmp", b"one")
    assert not (tmp_path / "a.xmp").exists()


def test_pictures_are_never_touched(eclipse: Eclipse, tmp_path: Path) -> None:
    """Read-only pictures in read-only folders: digests, times and modes are the same after everything was made."""
    cards = tmp_path / "cards"
    shutil.copytree(eclipse.cards, cards)
    files = sorted(path for path in cards.rglob("*") if path.is_file())
    for path in files:
        path.chmod(0o444)

    def state() -> list[tuple[str, int, int]]:
        return [
            (hashlib.sha256(path.read_bytes()).hexdigest(), path.stat().st_mtime_ns, path.stat().st_mode)
            for path in files
        ]

    before = state()
    (run,) = load_runs([eclipse.run])
    made = gather(run.frames, list(read_pictures(find_files([cards])))).matches
    for one in plan_sidecars(made, None, cards):
        write_whole(one.path, b"x", force=True)
    for copied in (False, True):
        for link in plan_folders(made, tmp_path / f"sets {copied}"):
            assert place(link, copy=copied) is Written.NEW
    assert state() == before
    assert len(made) == len(files)
