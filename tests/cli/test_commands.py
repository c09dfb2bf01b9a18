"""The commands as users call them: results, JSON, errors in one line, exit codes."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from tests.cli.command import SAMPLES, as_json, holdfire

TOTAL = str(SAMPLES / "total_2027.yaml")
ISO_UTC = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?Z")


def test_contacts_of_a_place(tmp_path: Path) -> None:
    """Duration and instants at the 2027 place of greatest eclipse, by the published constants.

    Source: F. Espenak & J. Meeus, Five Millennium Canon (NASA/TP-2006-214141): 25.5 N 33.2 E, greatest
    10:06:34 UT with dT 76.0 s, central duration 06m23s (k 0.272281 for the umbra, 959.63 arcsec).
    """
    done = holdfire(
        "contacts", "--lat", "25.5", "--lon", "33.2", "--date", "2027-08-02", "--delta-t", "76.0",
        "--solar-radius", "959.63", "--moon-k-exterior", "0.272488", "--moon-k-interior", "0.272281", "--json",
        cwd=tmp_path,
    )  # fmt: skip
    found = as_json(done)
    assert found["kind"] == "total"
    assert found["duration_s"] == pytest.approx(383, abs=1.0)
    assert found["constants"]["solar_radius_arcsec"] == 959.63
    assert found["constants"]["moon_k_used"] == 0.272281
    assert found["delta_t"]["state"] == "given by the user"
    assert [contact["name"] for contact in found["contacts"]] == ["C1", "C2", "mid", "C3", "C4"]
    assert all(ISO_UTC.fullmatch(contact["utc"]) for contact in found["contacts"])
    # UT = TD - dT: TD 10:07:50 as printed; the program's UTC differs from that UT, its TT does not.
    middle = next(contact for contact in found["contacts"] if contact["name"] == "mid")
    assert middle["tt"].startswith("2027-08-02T10:07:")


def test_contacts_for_people_name_zone_constants_and_doubt(tmp_path: Path) -> None:
    """The table says local time and UTC, the constants, the Earth's rotation and how sure it is."""
    text = holdfire("contacts", TOTAL, cwd=tmp_path).stdout
    for words in ("TOTAL", "Europe/Madrid", "UTC", "959.95", "0.272281", "DE421", "Delta-T", "uncertain"):
        assert words in text


def test_eclipses_of_a_place(tmp_path: Path) -> None:
    """The list holds the eclipses everybody knows of Iberia in these years (real eclipses, by date)."""
    found = as_json(
        holdfire(
            "eclipses",
            "--lat",
            "42.3",
            "--lon",
            "-3.7",
            "--from",
            "2026",
            "--to",
            "2028",
            "--json",
            cwd=tmp_path,
        )
    )
    dates = {one["eclipse_date"]: one["kind"] for one in found["eclipses"]}
    assert dates["2026-08-12"] == "total"
    assert dates["2027-08-02"] == "partial"
    assert "2028-01-26" in dates


def test_check_prints_what_a_plan_comes_to(tmp_path: Path) -> None:
    """`check` gives contacts, phases and numbers; with --frames every frame, with its own exposure."""
    found = as_json(holdfire("check", TOTAL, "--frames", "--json", cwd=tmp_path))
    assert found["ok"] is True
    assert {phase["filter"] for phase in found["phases"]} == {"on", "off"}
    assert sum(phase["frames"] for phase in found["phases"]) == len(found["frames"]) > 100
    assert all(ISO_UTC.fullmatch(frame["due_utc"]) for frame in found["frames"])


def test_check_gives_faults_as_json_too(tmp_path: Path) -> None:
    """A bad plan's faults are data with line and column, and the exit code is 3."""
    bad = tmp_path / "bad.yaml"
    bad.write_text(Path(TOTAL).read_text().replace("wanted: must", "wanted: perhaps", 1))
    done = holdfire("check", str(bad), "--json", cwd=tmp_path)
    assert done.returncode == 3
    (fault,) = as_json(done)["faults"]
    assert bad.read_text().splitlines()[fault["line"] - 1].strip() == "wanted: perhaps"
    assert f"bad.yaml:{fault['line']}:{fault['column']}: error:" in done.stderr


def test_schema_is_a_schema_that_the_samples_keep(tmp_path: Path) -> None:
    """`schema` prints a JSON Schema (draft 2020-12)."""
    schema = json.loads(holdfire("schema", cwd=tmp_path).stdout)
    Draft202012Validator.check_schema(schema)
    assert schema["properties"]["holdfire_plan"]


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["check", "missing.yaml"], 3, "no such file"),
        (["check", "."], 3, "folder"),
        (["rehearse", "missing.yaml", "--fast"], 3, "no such file"),
        (["contacts"], 2, "No place is given"),
        (["contacts", "--lat", "91", "--lon", "0"], 4, "latitude"),
        (["contacts", "--lat", "1", "--lon", "0", "--date", "2027-13-01"], 2, "no date"),
        (["contacts", "--lat", "1", "--lon", "0", "--date", "2027-08-09"], 4, "2027-08-02"),
        (["contacts", "--lat", "1", "--lon", "0", "--date", "3027-08-09"], 4, "2053"),
        (
            ["contacts", "--lat", "1", "--lon", "0", "--date", "2027-08-02", "--ephemeris", "none.bsp"],
            4,
            "none.bsp",
        ),
        (
            ["contacts", "--lat", "1", "--lon", "0", "--date", "2027-08-02", "--zone", "Mars/Base"],
            2,
            "Mars/Base",
        ),
        (["contacts", "--lat", "1", "--lon", "0", "--solar-radius", "9"], 4, "solar radius"),
        (["eclipses", "--lat", "1", "--lon", "0", "--from", "2030", "--to", "2029"], 2, "before"),
        (["account", "nowhere"], 6, "no folder of a run"),
        (["resume", "nowhere"], 6, "no folder of a run"),
        (["rehearse", TOTAL, "--fast", "--operator", "eager"], 2, "habit"),
        (["rehearse", TOTAL, "--fast", "--from", "yesterday"], 2, "yesterday"),
        (["rehearse", TOTAL, "--fast", "--fault", "meteor at C2"], 2, "no fault"),
        (["rehearse", TOTAL, "--fast", "--fault", "lost sometime"], 2, "sometime"),
        (["rehearse", TOTAL], 7, "cannot hear you"),
        (["frobnicate"], 2, "No such command"),
        (["check"], 2, "Missing argument"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else None,
)
def test_errors_are_one_clear_line(tmp_path: Path, words: list[str], code: int, said: str) -> None:
    """What a user can get wrong ends in its own exit code and a sentence, never in a traceback."""
    done = holdfire(*words, cwd=tmp_path)
    assert done.returncode == code, done.stderr
    assert said.casefold() in done.stderr.casefold()
    assert "Traceback" not in done.stderr + done.stdout
    assert not [line for line in done.stderr.splitlines() if "fault of the program" in line]
    if code > 2:
        assert len(done.stderr.strip().splitlines()) == 1


def test_no_command_hides_how_to_use_it(tmp_path: Path) -> None:
    """Help names every command and the exit codes."""
    text = " ".join(holdfire("--help", cwd=tmp_path).stdout.split())
    for words in (
        "contacts",
        "eclipses",
        "check",
        "schema",
        "cameras",
        "rehearse",
        "run",
        "resume",
        "account",
        "Exit codes",
    ):
        assert words in text
