"""``holdfire gather`` as its users run it."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

from tests.account.gather.eclipse import SERIALS, Eclipse, disturb, three_rig_plan
from tests.cli.command import as_json, holdfire, only_run


def test_a_day_is_gathered_described_and_put_in_folders(eclipse: Eclipse, tmp_path: Path) -> None:
    """Files, sidecars, folders and JSON agree; a second time everything is there already, and kept where it differs."""
    day = disturb(eclipse, tmp_path / "pictures", 7)
    words = ["gather", str(eclipse.run), "pictures", "--folders", "pictures/sets"]
    told = as_json(done := holdfire(*words, "--json", cwd=tmp_path))
    assert done.returncode == 0
    matched = {tmp_path / path: one["frame_id"] for one in told["matches"] for path in one["pictures"]}
    assert matched == day.truth
    assert {tmp_path / one["picture"] for one in told["pictures_of_no_frame"]} == day.foreign
    assert {one["frame_id"] for one in told["frames_without_picture"]} == day.gone
    assert {one["rig"]: one["serial"] for one in told["camera_clocks"]} == SERIALS
    assert set(told["sidecars"].values()) == set(told["folders"].values()) == {"written"}
    assert len(told["folders"]) == len(day.truth)
    for picture, frame_id in day.truth.items():
        assert f"/{frame_id}</dc:identifier>" in picture.with_suffix(".xmp").read_text(encoding="utf-8")
    assert set(tmp_path.rglob("*.xmp")) == {path.with_suffix(".xmp") for path in day.truth}

    mine = sorted(day.truth)[0].with_suffix(".xmp")
    mine.write_text("mine", encoding="utf-8")
    again = as_json(holdfire(*words, "--json", cwd=tmp_path))
    assert again["matches"] == told["matches"]
    assert set(again["folders"].values()) == {"there already"}
    assert {path for path, how in again["sidecars"].items() if how != "there already"} == {
        str(mine.relative_to(tmp_path))
    }
    assert mine.read_text(encoding="utf-8") == "mine"
    forced = as_json(holdfire(*words, "--json", "--force", cwd=tmp_path))
    assert forced["sidecars"][str(mine.relative_to(tmp_path))] == "overwritten"
    assert "<dc:identifier>" in mine.read_text(encoding="utf-8")


def test_it_says_in_words_what_it_found(eclipse: Eclipse, tmp_path: Path) -> None:
    """The lines for people hold the same numbers, each clock, and why a file is left."""
    day = disturb(eclipse, tmp_path / "pictures", 7)
    done = holdfire("gather", str(eclipse.run), "pictures", "--no-sidecars", cwd=tmp_path)
    assert done.returncode == 0
    first = done.stdout.splitlines()[0]
    assert first == (
        f"{len(day.truth)} of {len(day.truth) + len(day.foreign)} files belong to {len(day.truth)} frames; 0 are in "
        f"doubt, {len(day.foreign)} are of no frame. {len(day.gone)} fired frames have no picture."
    )
    assert "2 min 23.22 s ahead" in done.stdout
    assert "1 min 1.84 s behind" in done.stdout
    assert "2 h 3 min 4.50 s ahead" in done.stdout
    assert "it holds no EXIF that can be read" in done.stdout
    assert done.stderr == ""
    assert not list(tmp_path.rglob("*.xmp"))


def test_sidecars_elsewhere_and_two_runs(eclipse: Eclipse, tmp_path: Path) -> None:
    """Sidecars go where they are asked to; a run that the pictures are not of takes none of them."""
    other = tmp_path / "other"
    shutil.copytree(eclipse.run, other)
    journal = (other / "journal.jsonl").read_text(encoding="utf-8").splitlines()
    began = json.loads(journal[0])
    assert began["kind"] == "run_began"
    (other / "journal.jsonl").write_text(journal[0] + "\n", encoding="utf-8")
    words = [
        "gather",
        str(other),
        "--run",
        str(eclipse.run),
        str(eclipse.cards),
        "--sidecars",
        "beside",
        "--json",
    ]
    told = as_json(holdfire(*words, cwd=tmp_path))
    assert {one["run"] for one in told["matches"]} == {eclipse.run.name}
    assert len(told["matches"]) == len(eclipse.truth)
    assert {path.relative_to(tmp_path / "beside") for path in (tmp_path / "beside").rglob("*.xmp")} == {
        name.with_suffix(".xmp") for name in eclipse.truth
    }
    assert not list(eclipse.cards.rglob("*.xmp"))


def test_an_altered_run_is_told_and_fails(eclipse: Eclipse, tmp_path: Path) -> None:
    """What stands before the break is gathered; the line says so and the exit code is the journal's."""
    shutil.copytree(eclipse.run, tmp_path / "run")
    journal = tmp_path / "run" / "journal.jsonl"
    text = journal.read_text(encoding="utf-8")
    journal.write_text(
        text.replace('"file_name":"long/HF_00100.JPG"', '"file_name":"long/HF_00999.JPG"'), encoding="utf-8"
    )
    done = holdfire("gather", "run", str(eclipse.cards), "--no-sidecars", "--json", cwd=tmp_path)
    assert done.returncode == 6
    assert "JOURNAL ALTERED" in done.stderr
    assert 100 < len(as_json(done)["matches"]) < len(eclipse.truth)


def test_wrong_use_is_one_line(eclipse: Eclipse, tmp_path: Path) -> None:
    """Each mistake ends as one line that says how to mend it."""
    run, cards = str(eclipse.run), str(eclipse.cards)
    for words, code, line in (
        ([str(tmp_path), cards], 6, "holdfire: "),
        (
            [run, "nothing"],
            2,
            "holdfire: nothing: there is no such file or folder. Mend: name what is there.",
        ),
        ([run, cards, "--camera", "long"], 2, 'holdfire: --camera "long": this is no rig and serial number.'),
        ([run, cards, "--camera", "tall=1"], 2, 'holdfire: --camera "tall=1": there is no rig "tall".'),
        ([run, cards, "--copy"], 2, "holdfire: --copy goes with --folders."),
        ([run, cards, "--run", run], 2, f"holdfire: {run}: this run is named twice."),
    ):
        done = holdfire("gather", *words, "--no-sidecars", cwd=tmp_path)
        assert done.returncode == code, words
        assert done.stderr.startswith(line)
        assert done.stderr.count("\n") == 1


def test_a_picture_is_not_overwritten_by_a_sidecar(eclipse: Eclipse, tmp_path: Path) -> None:
    """A picture that is called like a sidecar stops all writing, whatever may be overwritten."""
    shutil.copytree(eclipse.cards, tmp_path / "cards")
    odd = tmp_path / "cards" / "land" / "HF_00002.xmp"
    odd.with_suffix(".JPG").rename(odd)
    content = odd.read_bytes()
    done = holdfire("gather", str(eclipse.run), "cards", str(odd), "--force", cwd=tmp_path)
    assert done.returncode == 2
    assert "HF_00002.xmp: this is one of the pictures" in done.stderr
    assert done.stderr.count("\n") == 1
    assert odd.read_bytes() == content
    assert list((tmp_path / "cards").rglob("*.xmp")) == [odd]


def test_a_run_may_have_any_name(eclipse: Eclipse, tmp_path: Path) -> None:
    """A folder's name with square brackets stands as it is in what is printed."""
    run, few = tmp_path / "day[bold] 2", tmp_path / "cards"
    shutil.copytree(eclipse.run, run)
    few.mkdir()
    for number in range(1, 9):
        shutil.copy(eclipse.cards / "land" / f"HF_{number:05d}.JPG", few)
    done = holdfire("gather", str(run), str(few), "--into", "seen", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert "In the pictures of day[bold] 2:" in done.stdout


def test_a_rehearsal_in_virtual_time_is_gathered(tmp_path: Path) -> None:
    """Its twin rigs have cameras with numbers of their own: every picture is found though both did the same at once."""
    (tmp_path / "plan.yaml").write_text(three_rig_plan(), encoding="utf-8")
    assert holdfire("rehearse", "plan.yaml", "--fast", cwd=tmp_path).returncode == 0
    run = only_run(tmp_path / "runs")
    told = as_json(holdfire("gather", str(run), str(run / "frames"), "--no-sidecars", "--json", cwd=tmp_path))
    assert len(told["matches"]) == 500
    assert {one["ground"] for one in told["matches"]} == {"name, time and settings"}
    assert len({one["serial"] for one in told["camera_clocks"]}) == 3
    assert told["pictures_of_no_frame"] == told["frames_without_picture"] == told["doubts"] == []
