"""`exposures` as users call it: both models side by side, for options and for plans."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.cli.command import SAMPLES, as_json, environment, holdfire

FILTERED_ONLY = {"on"}


def test_the_published_times_are_printed_beside_the_computed_ones(tmp_path: Path) -> None:
    """At ISO 100 and f/8 the guide's formula for density 5 is 1/400 s and for the corona at 2 radii 0.32 s.

    Source: F. Espenak and J. Anderson, NASA RP-1369, Table 16 (64 / (100 x 2^8), 64 / (100 x 2^1)).
    """
    text = holdfire("exposures", cwd=tmp_path).stdout
    disk = next(line for line in text.splitlines() if line.startswith("filtered Sun"))
    assert disk.split()[2:5] == ["on", "1/400", "s"]
    found = as_json(holdfire("exposures", "--json", cwd=tmp_path))
    (rig,) = found["rigs"]
    by_name = {one["name"]: one for one in rig["exposures"]}
    assert by_name["corona at 2 radii"]["guide_s"] == pytest.approx(0.32)
    assert abs(by_name["corona at 2 radii"]["difference_stops"]) < 1.25
    assert by_name["earthshine"]["guide_s"] is None
    assert rig["corona_bracket"]["complete"] is True


def test_no_number_is_cut_in_a_narrow_terminal(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """In 80 columns the table of a fast lens, with its longest fractions, is printed whole."""
    monkeypatch.setattr("tests.cli.command.environment", lambda: {**environment(), "COLUMNS": "80"})
    text = holdfire("exposures", "--f-number", "2.8", "--iso", "1600", cwd=tmp_path).stdout
    assert "corona at 1.1 radii" in text
    assert "…" not in text


def test_options_move_the_exposures(tmp_path: Path) -> None:
    """Two stops of teleconverter are two stops of guide time, and a low hazy Sun more of the computed one."""
    plain = as_json(holdfire("exposures", "--json", cwd=tmp_path))["rigs"][0]["exposures"][0]
    moved = as_json(
        holdfire(
            "exposures", "--f-number", "f/8", "--teleconverter", "2", "--altitude", "10", "--haze", "hazy", "--json",
            cwd=tmp_path,
        )
    )["rigs"][0]["exposures"][0]  # fmt: skip
    assert moved["guide_s"] == pytest.approx(4 * plain["guide_s"])
    assert moved["radiometric_s"] > 8 * plain["radiometric_s"]


def test_a_total_plan_has_every_phenomenon_and_warns_of_the_bare_ones(tmp_path: Path) -> None:
    """The rig's own f-number behind its teleconverter, its ISO, and the caution on bare exposures."""
    plan = str(SAMPLES / "total_2027.yaml")
    (rig,) = as_json(holdfire("exposures", plan, "--json", cwd=tmp_path))["rigs"]
    assert rig["f_number"] == pytest.approx(7.84)
    assert {one["filter"] for one in rig["exposures"]} == {"on", "off"}
    text = holdfire("exposures", plan, "--why", cwd=tmp_path).stdout
    assert "never look or aim at the Sun without it" in text
    assert "its core clips by ten stops" in text


@pytest.mark.parametrize("plan", ["annular_2028.yaml", "partial_2027.yaml"])
def test_no_bare_exposure_is_printed_outside_totality(plan: str, tmp_path: Path) -> None:
    """Annular and partial eclipses have exposures behind the filter alone, and no corona."""
    for rig in as_json(holdfire("exposures", str(SAMPLES / plan), "--json", cwd=tmp_path))["rigs"]:
        assert {one["filter"] for one in rig["exposures"]} == FILTERED_ONLY
        assert rig["corona_bracket"] is None
    assert "bare" not in holdfire("exposures", str(SAMPLES / plan), cwd=tmp_path).stdout


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (["--f-number", "fast"], "no f-number"),
        (["--density", "1"], "from 3 to 7"),
        (["--iso", "-3"], "from 1 to"),
        (["--altitude", "-5"], "nothing can be exposed"),
        (["--altitude", "nan"], "nothing can be exposed"),
        (["--haze", "soup"], "very clear; clear; hazy; thick"),
        (["--sensor", "huge"], "full frame; "),
        (["--corona", "40"], "give --corona"),
        ([str(SAMPLES / "total_2027.yaml"), "--iso", "200"], "A plan has its own rigs"),
    ],
)
def test_mistakes_end_in_one_line_that_mends_them(words: list[str], expected: str, tmp_path: Path) -> None:
    """Wrong use ends with exit code 2 and one line that says what to give."""
    done = holdfire("exposures", *words, cwd=tmp_path)
    assert done.returncode == 2
    assert done.stdout == ""
    (line,) = done.stderr.strip().splitlines()
    assert expected in line
    assert "Mend: " in line
