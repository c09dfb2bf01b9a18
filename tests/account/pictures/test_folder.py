"""What is written of a run's pictures: where, what, and that no picture is touched."""

from __future__ import annotations

import csv
import hashlib
import json
from dataclasses import replace
from pathlib import Path

import pytest
from PIL import Image

from controller.account.gather.sidecars import Written
from controller.account.model import FrameAccount, FrameEnd
from controller.account.pictures.folder import Findings, write_findings
from controller.account.pictures.taken import Taken
from controller.errors import UsageError
from controller.light.rendering import Framing
from controller.light.scene import made_up_limb
from controller.timeline.model import Settings
from controller.units import ContactName, FilterState, seconds_to_ns
from tests.account.pictures import made_up


@pytest.fixture(scope="module")
def cards(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("cards")


@pytest.fixture(scope="module")
def taken(cards: Path) -> list[Taken]:
    """Six crescents, a series around C2, and a bracket of four in totality of which the second is lost; all read-only."""
    made: list[Taken] = []
    limb = made_up_limb(4)
    c2 = made_up.mean_contacts()[ContactName.C2]

    def take(name: str, opened: int, exposure_s: float, **told: object) -> None:
        settings = Settings(exposure_s=exposure_s, f_number=8.0, iso=100)
        need = FilterState.ON if told.get("phase") == "partial in" else FilterState.OFF
        one = made_up.frame(len(made), opened, settings, need=need, **told)
        made_up.picture(
            cards / name, opened, settings, framing=Framing(arcsec_per_px=16.0, width_px=240, height_px=160), limb=limb,
            density=5.0 if need is FilterState.ON else None,
        )  # fmt: skip
        (cards / name).chmod(0o444)
        made.append(Taken(frame=one, path=cards / name, opened_utc_ns=opened, settings=settings))

    for number in range(6):
        at = made_up.MID_NS - seconds_to_ns(3000 - 180 * number)
        take(f"HF_1{number:03d}.JPG", at, 1 / 500, phase="partial in", shot="crescents", take=number + 1)
    for number in range(16):
        take(f"HF_2{number:03d}.JPG", c2 + seconds_to_ns(number * 0.8 - 6.0), 1 / 4000, take=number + 1)
    for number, exposure_s in enumerate((1 / 15, 1 / 1000, 1.0, 1 / 125)):
        at = made_up.MID_NS - seconds_to_ns(60 - 3 * number)
        take(f"HF_3{number:03d}.JPG", at, exposure_s, shot="corona", step=number + 1)
    return made


def findings(taken: list[Taken], folder: Path, *, lost: int | None = None, force: bool = False) -> Findings:
    """Everything written, one picture lost if asked."""
    frames = [
        FrameAccount(
            frame=one.frame, due_utc_ns=one.frame.due_utc_ns, end=FrameEnd.FIRED, released_utc_ns=one.opened_utc_ns
        )
        for one in taken
    ]  # fmt: skip
    have = [one for number, one in enumerate(taken) if number != lost]
    return write_findings(
        made_up.timeline(tuple(one.frame for one in taken)), frames, have, folder, force=force
    )


def digests(folder: Path) -> dict[Path, tuple[str, int]]:
    """What each file holds, and when it was changed."""
    return {
        path: (hashlib.sha256(path.read_bytes()).hexdigest(), path.stat().st_mtime_ns)
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def test_everything_is_written_and_no_picture_touched(
    taken: list[Taken], cards: Path, tmp_path: Path
) -> None:
    """Lists, sheets, tables and drawings are there and readable, and the pictures are as they were."""
    before = digests(cards)
    found = findings(taken, tmp_path, lost=23)
    assert digests(cards) == before
    assert {path.relative_to(tmp_path).as_posix() for path in found.files} == {
        "sets/long-totality-corona-001.txt",
        "sheets/long-partial-in.jpg", "sheets/long-totality.jpg",
        "time-lapse/long-partial-in-crescents.txt", "time-lapse/long-partial-in-crescents.csv",
        "time-lapse/long-partial-in-crescents.png",
        "contacts/long-C2.csv", "contacts/long-C2.png",
    }  # fmt: skip
    assert set(found.files) == set(digests(tmp_path))
    names = (tmp_path / "sets/long-totality-corona-001.txt").read_text("utf-8").splitlines()
    assert names == ["HF_3003.JPG", "HF_3000.JPG", "HF_3002.JPG"]
    names = (tmp_path / "time-lapse/long-partial-in-crescents.txt").read_text("utf-8").splitlines()
    assert names == [f"HF_1{number:03d}.JPG" for number in range(6)]
    for path in found.files:
        if path.suffix in (".jpg", ".png"):
            with Image.open(path) as image:
                image.load()
                assert min(image.size) > 300
    table = (tmp_path / "time-lapse/long-partial-in-crescents.csv").read_text("utf-8")
    rows = list(csv.DictReader(table.splitlines()))
    assert [float(row["sun_right_px"]) for row in rows] == pytest.approx([119.5] * 6, abs=0.2)


def test_words_and_json_say_the_same(taken: list[Taken], tmp_path: Path) -> None:
    """The lost exposure, the drift and the contact stand in the sentences and in the plain data."""
    found = findings(taken, tmp_path, lost=23)
    words = " ".join(found.words())
    assert "0 of 1 bracket sets are whole" in words
    assert "1/1000 s is lacking: fired, but no file is there." in words
    data = json.loads(json.dumps(found.to_json()))
    (one,) = data["sets"]
    assert one["files"] == ["HF_3003.JPG", "HF_3000.JPG", "HF_3002.JPG"]
    assert one["lacking"] == ["1/1000 s is lacking: fired, but no file is there."]
    c2 = next(one for one in data["contacts"] if one["contact"] == "C2")
    truth = made_up.true_contact_ns(made_up.scene(), made_up_limb(4), ContactName.C2)
    true_s = (truth - made_up.mean_contacts()[ContactName.C2]) / 1e9
    assert c2["off_s"] == pytest.approx(true_s, abs=3 * c2["uncertainty_s"])
    assert f"long, C2: seen {c2['off_s']:+.2f} +/- {c2['uncertainty_s']:.1f}" in words
    (lapse,) = data["time_lapses"]
    assert (lapse["step_s"], lapse["gaps"]) == (pytest.approx(180.0), [])
    assert abs(lapse["drift"]["right_px_per_min"]) < 0.02


def test_doing_it_again_goes_on(taken: list[Taken], tmp_path: Path) -> None:
    """The same again changes no byte; a file that is another is kept until asked otherwise; what is gone is made anew."""
    first = findings(taken, tmp_path)
    assert set(first.files.values()) == {Written.NEW}
    before = digests(tmp_path)
    assert set(findings(taken, tmp_path).files.values()) == {Written.SAME}
    assert digests(tmp_path) == before
    listed = tmp_path / "sets/long-totality-corona-001.txt"
    listed.write_text("my own order\n", encoding="utf-8")
    (tmp_path / "sheets/long-totality.jpg").unlink()
    again = findings(taken, tmp_path).files
    assert (again[listed], again[tmp_path / "sheets/long-totality.jpg"]) == (Written.KEPT, Written.NEW)
    assert listed.read_text("utf-8") == "my own order\n"
    assert findings(taken, tmp_path, force=True).files[listed] is Written.REPLACED


def test_a_picture_is_never_written_to(taken: list[Taken], tmp_path: Path) -> None:
    """Even by force nothing is written where a picture lies, through a link as well."""
    (tmp_path / "sheets").mkdir()
    picture = tmp_path / "sheets" / "long-totality.jpg"
    picture.write_bytes(taken[10].path.read_bytes())
    before = digests(tmp_path)
    moved = [replace(one, path=picture) if one is taken[10] else one for one in taken]
    with pytest.raises(UsageError, match="this is one of the pictures"):
        findings(moved, tmp_path, force=True)
    assert digests(tmp_path)[picture] == before[picture]
    link = tmp_path / "linked"
    (link / "sheets").mkdir(parents=True)
    (link / "sheets" / "long-totality.jpg").symlink_to(picture)
    with pytest.raises(UsageError, match="this is one of the pictures"):
        findings(moved, link, force=True)
    assert digests(tmp_path)[picture] == before[picture]


def test_raw_files_are_what_lists_name(taken: list[Taken], cards: Path, tmp_path: Path) -> None:
    """Beside a JPEG the raw file is listed, by its way from the folder that holds them all."""
    raw = cards / "raw"
    beside = [replace(one, raw=raw / one.path.with_suffix(".NEF").name) for one in taken]
    findings(beside, tmp_path)
    names = (tmp_path / "sets/long-totality-corona-001.txt").read_text("utf-8").splitlines()
    assert names[0] == "raw/HF_3001.NEF"


def test_names_that_come_to_one_word_do_not_overwrite_each_other(taken: list[Taken], tmp_path: Path) -> None:
    """A set named "corona" and one named "Corona!" each have a list of their own."""
    other = [
        replace(one, frame=replace(one.frame, frame_id=f"x/{number}", shot="Corona!"))
        for number, one in enumerate(taken)
        if one.frame.shot == "corona"
    ]
    found = findings([*taken, *other], tmp_path)
    lists = sorted(path.name for path in found.files if path.parent.name == "sets")
    assert lists == ["long-totality-corona-001-2.txt", "long-totality-corona-001.txt"]


def test_sets_without_pictures_are_counted_together(taken: list[Taken], tmp_path: Path) -> None:
    """Of sets that have no picture at all their number is told, not each of them."""
    corona = [one for one in taken if one.frame.shot == "corona"]
    frames = [
        FrameAccount(
            frame=replace(one.frame, frame_id=f"{one.frame.frame_id}/{take}", take=take),
            due_utc_ns=one.frame.due_utc_ns, end=FrameEnd.FIRED, released_utc_ns=one.opened_utc_ns,
        )
        for take in range(1, 8)
        for one in corona
    ]  # fmt: skip
    found = write_findings(made_up.timeline(tuple(one.frame for one in frames)), frames, [], tmp_path)
    assert "long, totality, corona: 7 sets have no picture." in found.words()
    assert not any("lacking" in line for line in found.words())
    assert found.files == {}


def test_a_file_that_was_cut_short_is_told(taken: list[Taken], tmp_path: Path) -> None:
    """Inside a bracket, too, where no end of it is judged: its name is said and is in the JSON, no other is."""
    cut = tmp_path / "HF_3000.JPG"
    cut.write_bytes(taken[22].path.read_bytes()[:900])
    found = findings([*taken[:22], replace(taken[22], path=cut), *taken[23:]], tmp_path / "seen")
    told = [line for line in found.words() if "can be read" in line]
    assert told == [f"Of frames, but they hold no picture that can be read: {cut}."]
    assert found.to_json()["cannot_be_read"] == [str(cut)]
    many = replace(found, unread=(cut,) * 8)
    assert any(line.endswith(f"{cut} and 3 more.") for line in many.words())
    assert findings(taken, tmp_path / "whole").unread == ()
