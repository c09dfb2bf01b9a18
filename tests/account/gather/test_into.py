"""A whole rehearsed day looked through with the command: what its pictures show, and where that is written."""

from __future__ import annotations

import pytest

from tests.account.gather.eclipse import Eclipse, disturb
from tests.account.pictures.test_folder import digests
from tests.cli.command import as_json, holdfire


@pytest.fixture(scope="module")
def day(rendered_eclipse: Eclipse, tmp_path_factory: pytest.TempPathFactory):
    """Pictures of two rigs at the Sun and one on the land, some lost and some renamed, and what they show."""
    base = tmp_path_factory.mktemp("looked")
    disturbed = disturb(rendered_eclipse, base / "pictures", 5)
    before = digests(base / "pictures")
    done = holdfire(
        "gather", str(rendered_eclipse.run), "pictures", "--no-sidecars", "--into", "pictures/seen", "--json", cwd=base
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return base, disturbed, before, as_json(done)


def test_contacts_seen_agree_with_the_sky_the_pictures_were_rendered_from(day) -> None:
    """A smooth Moon was rendered, so C2 and C3 of both rigs are those computed, within three standard uncertainties."""
    (found,) = day[3]["findings"].values()
    told = [one for one in found["contacts"] if one["seen"] is not None]
    assert {(one["rig"], one["contact"]) for one in told} >= {("long", "C2"), ("short", "C2"), ("long", "C3")}
    for one in told:
        assert abs(one["off_s"]) < 3 * one["uncertainty_s"]
        assert one["uncertainty_s"] < 2.0


def test_sun_stands_still_in_rendered_time_lapses(day) -> None:
    """Rendered frames have the Sun in their middle: no drift is found in any time-lapse, and pictures are even."""
    (found,) = day[3]["findings"].values()
    assert {(one["rig"], one["phase"]) for one in found["time_lapses"]} >= {
        ("long", "partial in"), ("short", "partial in"), ("long", "partial out"),
    }  # fmt: skip
    for one in found["time_lapses"]:
        assert one["step_s"] == pytest.approx(180.0, abs=0.1)
        assert abs(one["drift"]["right_px_per_min"]) < 0.03
        assert one["drift"]["off_line_px"] < 0.3
        places = len(one["pictures"]) + sum(gap["places"] for gap in one["gaps"])
        assert len(one["pictures"]) >= 5
        assert places >= len(one["pictures"])


def test_lost_pictures_are_what_sets_lack(day) -> None:
    """What the sets lack are the very pictures that were lost, and nothing else is said to be."""
    _, disturbed, _, data = day
    (found,) = data["findings"].values()
    lacking = sum(one["planned"] - len(one["files"]) for one in found["sets"])
    lost = {one["frame_id"] for one in data["frames_without_picture"]}
    assert lost == disturbed.gone
    assert 0 < lacking <= len(lost)
    for one in found["sets"]:
        assert one["exposures_s"] == sorted(one["exposures_s"])
        assert len([text for text in one["lacking"] if "is lacking" in text]) == one["planned"] - len(
            one["files"]
        )


@pytest.fixture(scope="module")
def again(rendered_eclipse: Eclipse, day) -> str:
    """What a second look at the same pictures prints."""
    done = holdfire(
        "gather", str(rendered_eclipse.run), "pictures", "--no-sidecars", "--into", "pictures/seen", cwd=day[0]
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_pictures_are_untouched_and_a_second_look_finds_the_same(day, again: str) -> None:
    """No picture changed; looked at again, the contact sheets in the same folder are not taken for pictures."""
    base, _, before, data = day
    after = digests(base / "pictures")
    assert {path: after[path] for path in before} == before
    assert f"{len(data['pictures_of_no_frame'])} are of no frame" in again
    (found,) = data["findings"].values()
    assert f"files on what they show: {len(found['files'])} there already\n" in again


def test_findings_are_printed(day, again: str) -> None:
    """On the screen contacts come first, then time-lapses, then the sets that lack something."""
    lines = again.splitlines()
    first = next(number for number, line in enumerate(lines) if line.startswith("In the pictures of"))
    assert "long, C2: seen" in lines[first + 1]
    assert any("bracket sets are whole" in line for line in lines[first:])
    assert (day[0] / "pictures" / "seen" / "sheets" / "long-partial-in.jpg").is_file()


def test_folder_of_the_pictures_is_refused(rendered_eclipse: Eclipse, day) -> None:
    """Contact sheets among the pictures would be taken for pictures the next time."""
    done = holdfire("gather", str(rendered_eclipse.run), "pictures", "--into", "pictures", cwd=day[0])
    assert done.returncode == 2
    assert "the pictures are there" in done.stderr
