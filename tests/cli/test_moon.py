"""The Moon's real edge at the command line: kept, printed, drawn, and planned by."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from PIL import Image
from typer.testing import CliRunner

from controller.cli.app import app
from controller.cli.prepare import prepare, site_of
from controller.errors import HoldfireError, PlanError, UsageError
from controller.plan.loading import load_plan
from controller.sky import Kind, circumstances
from controller.sky.limb.terrain import CACHE_NAME, save_cache
from controller.timeline.model import Timeline
from controller.units import ContactName
from tests.cli.command import SAMPLES, holdfire
from tests.sky.limb.synthetic import moon_of, sphere
from tests.sky.limb.test_contacts import rough
from tests.sky.limb.test_grids import write_pds

TOTAL = SAMPLES / "total_2027.yaml"
PLACE = ("--lat", "25.7", "--lon", "32.65", "--date", "2027-08-02")
C2, C3 = ContactName.C2, ContactName.C3


@pytest.fixture(autouse=True)
def own_cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.setenv("COLUMNS", "400")
    monkeypatch.delenv("HOLDFIRE_MOON", raising=False)


@pytest.fixture(scope="module")
def hills(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return save_cache(moon_of(rough, 4), tmp_path_factory.mktemp("hills"))


def say(*words: object) -> str:
    """Run in this process and return what was printed; raise what the command raised."""
    done = CliRunner().invoke(app, [str(word) for word in words])
    if done.exception is not None:
        raise done.exception
    return str(done.stdout)


def keyed(tmp_path: Path, contacts: str) -> Path:
    """Return the sample plan with a key contacts in it."""
    text = TOTAL.read_text()
    path = tmp_path / "plan.yaml"
    path.write_text(text.replace("eclipse: 2027-08-02\n", f"eclipse: 2027-08-02\ncontacts: {contacts}\n"))
    return path


def test_a_grid_is_read_once_and_used_from_then_on(tmp_path: Path) -> None:
    """`moon` says what the file is and keeps the limb; `contacts` then prints both, and which was used."""
    label = write_pds(tmp_path)
    assert "No limb is kept" in say("moon")
    assert "For C2, C3 and beads with it, read a published grid once" in say("contacts", *PLACE)
    text = say("moon", label)
    for words in ("MOON.IMG: PDS3 image, MADE_UP_4, sound.", "4 pixels a degree, 7.58 km a pixel", "sha256 "):
        assert words in text
    assert "Coarse: narrow valleys" in text
    assert (tmp_path / "cache" / "holdfire" / CACHE_NAME).is_file()
    text = say("contacts", *PLACE)
    assert "With the lunar limb from MOON.IMG, 4 pixels a degree (7.6 km), sha256" in text
    assert "than the mean limb" in text
    assert "Baily's beads within 15 s: " in text
    assert json.loads(say("moon", "--json"))["name"] == "MOON.IMG"
    assert "For C2, C3 and beads" in say("contacts", *PLACE, "--terrain", "none")


def test_a_limb_kept_elsewhere_says_how_it_is_used(tmp_path: Path) -> None:
    """With --cache the limb goes into that folder, and the sentence tells how to name it."""
    text = say("moon", write_pds(tmp_path), "--cache", tmp_path / "mine")
    assert f"--terrain {tmp_path / 'mine' / CACHE_NAME}" in text
    assert "No limb is kept" in say("moon")


def test_json_of_contacts_has_both_limbs(hills: Path) -> None:
    """Mean contacts stay where they were; the limb's are beside them with their shifts."""
    plain = json.loads(say("contacts", *PLACE, "--json"))
    both = json.loads(say("contacts", *PLACE, "--json", "--terrain", hills))
    assert plain["lunar_limb"] is None
    assert both["contacts"] == plain["contacts"]
    assert [contact["name"] for contact in both["lunar_limb"]["contacts"]] == ["C2", "C3"]
    assert both["lunar_limb"]["contacts"][0]["mean_utc"] == plain["contacts"][1]["utc"]
    assert both["lunar_limb"]["beads"]


@pytest.mark.parametrize(
    ("place", "words"),
    [(PLACE, "total"), (("--lat", "11.4", "--lon", "-83.1", "--date", "2023-10-14"), "annular")],
)
def test_the_limb_is_drawn(tmp_path: Path, hills: Path, place: tuple[str, ...], words: str) -> None:
    """The picture is a PNG of some size with much ink and much paper in it; the sentence names it."""
    path = tmp_path / f"{words}.png"
    assert f"Picture of the limb: {path}" in say(
        "contacts", *place, "--terrain", hills, "--limb-picture", path
    )
    with Image.open(path) as picture:
        assert picture.size[0] > 1000
        grey = picture.convert("L")
        tones = grey.histogram()
    assert 0.02 < sum(tones[:140]) / sum(tones) < 0.6
    assert sum(tones[250:]) / sum(tones) > 0.3


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((*PLACE, "--limb-picture", "x.png"), "There is no terrain to draw the limb from."),
        (
            ("--lat", "40", "--lon", "10", "--date", "2027-08-02", "--terrain", "{hills}", "--limb-picture", "x.png"),
            "There are no beads to draw: the eclipse is partial at this place.",
        ),
        (
            (*PLACE, "--terrain", "{hills}", "--limb-picture", "/nowhere/at/all.png"),
            "The picture /nowhere/at/all.png cannot be written",
        ),
        ((*PLACE, "--terrain", "{hills}", "--limb-picture", "x.odd"), "The picture x.odd cannot be written"),
        ((*PLACE, "--terrain", "none.LBL"), "The terrain file none.LBL cannot be found."),
    ],
)  # fmt: skip
def test_what_cannot_be_drawn_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, hills: Path, words: tuple[str, ...], said: str
) -> None:
    """One line each, with how to mend it."""
    monkeypatch.chdir(tmp_path)
    with pytest.raises(HoldfireError) as caught:
        say("contacts", *(word.format(hills=hills) for word in words))
    assert said in str(caught.value)
    assert "Mend: " in str(caught.value)
    assert "\n" not in str(caught.value)
    assert caught.type is UsageError or "terrain file" in said


def test_a_plan_keyed_to_the_lunar_limb_has_its_contacts(tmp_path: Path, hills: Path) -> None:
    """Frames, holds and windows move with C2 and C3; the timeline says which limb it is and keeps the other."""
    mean = prepare(keyed(tmp_path, "mean limb")).compiled.timeline
    lunar = prepare(keyed(tmp_path, "lunar limb"), terrain=hills)
    line, limb = lunar.compiled.timeline, lunar.sky.limb
    assert limb is not None
    assert limb.c2 is not None
    assert limb.c3 is not None
    assert (mean.contacts_keyed_to, line.contacts_keyed_to) == ("mean limb", "lunar limb")
    assert mean.contacts_mean_utc_ns == {}
    assert line.contacts_mean_utc_ns == mean.contacts_utc_ns
    assert (line.contacts_utc_ns[C2], line.contacts_utc_ns[C3]) == (limb.c2.utc_ns, limb.c3.utc_ns)
    assert limb.c2.shift_s != 0
    assert mean.unfiltered_from_utc_ns is not None
    assert line.unfiltered_from_utc_ns is not None
    shift_ns = line.unfiltered_from_utc_ns - mean.unfiltered_from_utc_ns
    assert shift_ns == limb.c2.utc_ns - limb.c2.mean_utc_ns
    assert line.contacts_uncertainty_s == limb.uncertainty_s < mean.contacts_uncertainty_s
    assert line.contacts_note.startswith("Keyed to the lunar limb. With the lunar limb from ")
    assert Timeline.from_json(line.to_json()) == line


def test_a_plan_says_which_limb_it_is_keyed_to(tmp_path: Path, hills: Path) -> None:
    """`check` and the account of a rehearsal both name the limb, and the account the mean contacts."""
    plan = keyed(tmp_path, "lunar limb")
    assert "The plan is keyed to the lunar limb." in say("check", plan, "--terrain", hills)
    assert json.loads(say("check", plan, "--terrain", hills, "--json"))["keyed_to"] == "lunar limb"
    assert "The plan is keyed to the mean limb." in say("check", TOTAL, "--terrain", hills)
    done = holdfire("rehearse", str(plan), "--fast", "--terrain", str(hills), cwd=tmp_path)
    words = " ".join(done.stdout.split())
    assert "The plan was keyed to the lunar limb; with the mean limb C2 2027-08-02T08:45:" in words, (
        done.stderr
    )


def test_lunar_limb_without_terrain_is_a_fault_at_its_line(tmp_path: Path) -> None:
    """The fault stands at the key, says what is missing and three ways to mend it."""
    plan = keyed(tmp_path, "lunar limb")
    line = plan.read_text().splitlines().index("contacts: lunar limb") + 1
    with pytest.raises(PlanError) as caught:
        prepare(plan)
    assert str(caught.value) == (
        f"{plan}:{line}:11: error: The plan is keyed to the lunar limb, and no terrain of the Moon is at hand. "
        "Mend: read a published grid once with holdfire moon FILE, give one with --terrain FILE, or write "
        "contacts: mean limb."
    )


def test_lunar_limb_that_leaves_no_totality_is_a_fault(tmp_path: Path) -> None:
    """Where light is left at the edge all the time, nothing unfiltered may be planned by that edge."""
    deep = save_cache(sphere(-15_000.0), tmp_path)
    text = keyed(tmp_path, "lunar limb").read_text()
    text = text.replace("latitude: 36.12 N", "latitude: 36.75 N").replace(
        "longitude: 5.72 W", "longitude: 5.90 W"
    )
    plan = tmp_path / "edge.yaml"
    plan.write_text(text)
    loaded = load_plan(plan).plan
    assert circumstances(site_of(loaded.site), loaded.eclipse).kind is Kind.TOTAL
    with pytest.raises(PlanError, match="leaves no C2 and C3 here"):
        prepare(plan, terrain=deep)


def test_a_partial_eclipse_needs_no_terrain(tmp_path: Path) -> None:
    """Where there is no C2, the key makes no difference: C1 and C4 are those of the mean limb."""
    text = (SAMPLES / "partial_2027.yaml").read_text()
    plan = tmp_path / "plan.yaml"
    plan.write_text(text.replace("\nrigs:", "\ncontacts: lunar limb\n\nrigs:", 1))
    assert prepare(plan).compiled.timeline.contacts_keyed_to == "mean limb"


def test_a_damaged_limb_stops_no_plan_that_does_not_need_it(tmp_path: Path) -> None:
    """A plan keyed to the mean limb is prepared without a look at the kept limb."""
    kept = tmp_path / "cache" / "holdfire" / CACHE_NAME
    kept.parent.mkdir(parents=True)
    kept.write_bytes(b"damaged")
    assert prepare(TOTAL).compiled.timeline.contacts_keyed_to == "mean limb"
    with pytest.raises(HoldfireError, match="cannot be read"):
        prepare(keyed(tmp_path, "lunar limb"))
