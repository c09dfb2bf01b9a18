"""``holdfire framing``: what it prints, as JSON and for people, and what it draws."""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree

import pytest
from PIL import Image

from tests.cli.command import SAMPLES, as_json, holdfire

CAMERAS = """  - name: wide
    camera: {driver: simulated}
    optics: {focal_length: 20 mm, aperture: f/4, sensor: 35.9 mm x 23.9 mm, pixels: 6000 x 4000}
    filter: {kind: sheet, density: 5}
  - name: driven
    camera: {driver: simulated, battery: 16 Wh}
    optics: {focal_length: 700 mm, aperture: f/5.6, sensor: full frame 45 MP}
    filter: {kind: sheet, density: 5}
    mount: tracking
"""


@pytest.fixture(scope="module")
def plan(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A sample plan with its long rig on a fixed tripod, and two more rigs, all with their sensors."""
    text = (SAMPLES / "total_2027.yaml").read_text(encoding="utf-8")
    mount = next(line for line in text.splitlines() if line.strip().startswith("mount: tracking"))
    text = text.replace(mount, "    mount: fixed")
    text = text.replace(
        "focal_length: 600 mm", "focal_length: 400 mm\n      sensor: APS-C 26 MP\n      long_side: upright"
    )
    start = text.index("# When the filter may come off")
    path = tmp_path_factory.mktemp("framing") / "plan.yaml"
    path.write_text(text[:start] + CAMERAS + text[start:], encoding="utf-8")
    return path


def test_figures_as_json(plan: Path, tmp_path: Path) -> None:
    """Each rig's figures follow from its lens and sensor, worked here from the lens formula."""
    data = as_json(holdfire("framing", str(plan), "--json", cwd=tmp_path))
    long, wide, driven = data["rigs"]
    assert data["kind"] == "total"
    assert long["focal_length_mm"] == pytest.approx(560)
    assert long["frame"]["arcsec_per_px"] == pytest.approx(206264.8 * 15.6 / 4160 / 560, rel=1e-5)
    assert long["frame"]["sun_diameter_px"] == pytest.approx(
        data["sun"]["diameter_arcmin"] * 60 / long["frame"]["arcsec_per_px"], rel=1e-4
    )
    # 15.0 cos(17.8 degrees) arcseconds a second; refraction changes it by a thousandth at 38 degrees.
    assert long["drift"]["arcsec_s"] == pytest.approx(14.28, abs=0.03)
    assert long["drift"]["longest_exposure_s"]["2 px"] == pytest.approx(2 / long["drift"]["px_s"])
    assert len(long["aiming"]["aimings"]) > 10
    assert sum(one["unattended"] for one in long["aiming"]["aimings"]) == 1
    assert not long["composite"]["fits"]
    assert wide["composite"]["fits"]
    assert len(wide["aiming"]["aimings"]) == 1
    assert [sun["at"] for sun in wide["composite"]["suns"]] == ["C1", "C2", "mid", "C3", "C4"]
    assert 20 < wide["composite"]["longest_focal_length_mm"] < 100
    assert len(wide["composite"]["even_by_obscuration_utc"]) == 11
    assert driven["aiming"] is None
    left = driven["drift"]["left_on_the_mount_px_min"]
    assert left["solar rate"] < left["sidereal rate"] < left["lunar rate"]
    assert driven["throughput"]["battery"]["capacity_wh"] == 16
    assert driven["throughput"]["unfiltered_s"] == pytest.approx(287.6, abs=0.5)


def test_the_cues_are_in_the_plan_s_day(plan: Path, tmp_path: Path) -> None:
    """`check` warns of trails with line and column, and the plan still compiles."""
    done = holdfire("check", str(plan), cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert "trails by" in done.stdout
    assert f"{plan}:" in done.stdout
    assert "The plan compiles" in done.stdout


def test_words_for_people(plan: Path, tmp_path: Path) -> None:
    """Names, figures with units, the aimings in local time, and advice."""
    done = holdfire("framing", str(plan), cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    for words in (
        "Rig long: 400 mm f/5.6, with the 1.4x teleconverter 560 mm f/7.84; fixed mount",
        "solar radii from the Sun's centre",
        "px a second, to the upper right",
        "a quarter of the frame left of the centre, a quarter below it, then untouched",
        "fits when aimed",
        "polar axis 1 degree off",
        "After the change of the filter for totality",
        "Touch nothing at the height",
    ):
        assert words in done.stdout, words


@pytest.mark.parametrize("suffix", ["png", "svg"])
def test_a_picture_of_each_frame(plan: Path, tmp_path: Path, suffix: str) -> None:
    """A picture is written in the format of its name; the svg names each rig and its axes carry units."""
    done = holdfire("framing", str(plan), "--picture", f"frames.{suffix}", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    path = tmp_path / f"frames.{suffix}"
    if suffix == "png":
        with Image.open(path) as picture:
            assert picture.width > 1000
            assert len(picture.convert("L").getcolors()) > 8
    else:
        text = path.read_text(encoding="utf-8")
        ElementTree.fromstring(text)  # noqa: S314 - our own file
        for words in (
            "Rig long",
            "Rig wide",
            "Rig driven",
            "right of the centre, pixels",
            "above the centre, pixels",
        ):
            assert words in text, words


def test_a_plan_without_a_sensor(tmp_path: Path) -> None:
    """The Sun's image and its drift are told, and how to have more; there is no frame to draw."""
    sample = str(SAMPLES / "annular_2028.yaml")
    done = holdfire("framing", sample, cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert "mm across" in done.stdout
    assert "Say the sensor" in done.stdout
    assert "filter" not in done.stdout  # it stays on: nothing to say of it
    refused = holdfire("framing", sample, "--picture", "x.png", cwd=tmp_path)
    assert refused.returncode == 2
    assert refused.stderr.startswith("holdfire: There is no frame to draw. Mend: say the sensor")


@pytest.mark.parametrize("name", ["nowhere/x.png", "frames.xyz"])
def test_a_picture_that_cannot_be_written(plan: Path, tmp_path: Path, name: str) -> None:
    """A folder that is not there and a format that is none are told in one line."""
    refused = holdfire("framing", str(plan), "--picture", name, cwd=tmp_path)
    assert refused.returncode == 2
    assert refused.stderr.startswith(f"holdfire: The picture {name} cannot be written")
    assert refused.stderr.count("\n") == 1
