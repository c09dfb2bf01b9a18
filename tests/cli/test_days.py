"""Made-up days through the command line: what is printed, and what is refused."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
import typer
from PIL import Image

from controller.account import odds
from controller.cli import days as made_up
from controller.units import Wanted
from tests.cli.command import SAMPLES, as_json, holdfire
from tests.simulate.small import ROUGH, case

PARTIAL_ECLIPSE, TOTAL = SAMPLES / "partial_2027.yaml", SAMPLES / "total_2027.yaml"


def test_odds_of_a_plan(tmp_path: Path) -> None:
    """The table has every shot, must shots first, with its chance and interval, and all assumptions."""
    done = holdfire(
        "rehearse", str(TOTAL), "--days", "6", "--seed", "4", "--no-what-if", "--assume", "cloudy_s=0",
        "--picture", "odds.png", cwd=tmp_path,
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (0, "")
    assert "6 made-up days, seed 4" in done.stdout
    lines = done.stdout.splitlines()
    shots = [line for line in lines if any(f" {wanted.value} " in line for wanted in Wanted) and "%" in line]
    wanted = [next(w.rank for w in Wanted if f" {w.value} " in line) for line in shots]
    assert wanted == sorted(wanted)
    assert len(shots) == 14
    assert any(line.split()[:3] == ["cloudy_s", "0", "s"] for line in lines)
    assert "no contradiction" in done.stdout
    assert [path.name for path in tmp_path.iterdir()] == ["odds.png"]
    with Image.open(tmp_path / "odds.png") as picture:
        assert len(picture.convert("L").getcolors() or []) > 10


def test_odds_as_json(tmp_path: Path) -> None:
    """JSON has the assumptions, the shots and what would help, and is the same each time."""
    words = ("rehearse", str(PARTIAL_ECLIPSE), "--days", "5", "--json")
    one, other = (as_json(holdfire(*words, "--cores", n, cwd=tmp_path)) for n in ("1", "2"))
    assert one == other
    assert (one["days"], one["partial"], one["contradictions"]) == (5, False, [])
    assert one["assumptions"]["cloudy_s"] == 600
    assert {"a prompt operator", "no trouble with cameras", "no cloud"} <= {
        gain["otherwise"] for gain in one["what_would_help"]
    }
    for shot in one["shots"]:
        low, high = shot["whole_chance_95"]
        assert low <= shot["whole_chance"] <= high
        assert shot["whole_days"] <= shot["some_days"] <= 5


def test_a_plan_changed_is_compared() -> None:
    """An unfiltered plan is also lived with the filter asked for earlier and without its nice shots."""
    from controller.cli.prepare import prepare
    from controller.simulate.days import Assumptions

    cases = made_up._cases(prepare(TOTAL), Assumptions(), what_if=True)
    by_name = {one.name: one.timeline for one in cases}
    first = by_name[made_up.AS_IT_IS]
    assert any(frame.wanted is Wanted.NICE for frame in first.frames)
    assert not any(frame.wanted is Wanted.NICE for frame in by_name["without its nice shots"].frames)
    earlier = by_name["filter_off_earliest: 30 s before C2"]
    opened = [next(h.opens_utc_ns for h in line.holds if h.needs == "off") for line in (first, earlier)]
    assert opened[0] - opened[1] == 10 * 10**9


def test_one_day_again(tmp_path: Path) -> None:
    """One day of a seed is played again: in words, and as JSON with its journal to the last record."""
    words = ("rehearse", str(TOTAL), "--day", "3", "--seed", "4")
    assert "day 3 of seed 4" in holdfire(*words, cwd=tmp_path).stdout
    found = as_json(holdfire(*words, "--json", cwd=tmp_path))
    assert found["journal"][0]["kind"] == "run_began"
    assert found["journal"][-1]["kind"] == "run_ended"
    assert len(found["shots"]) == 14
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--days", "0"), "0 days cannot be lived"),
        (("--day", "0"), "There is no day 0"),
        (("--days", "5", "--fast"), "--fast is for a rehearsal of one day"),
        (("--days", "5", "--fault", "lost mid"), "--fault is for a rehearsal of one day"),
        (("--days", "5", "--from", "mid"), "--from is for a rehearsal of one day"),
        (("--days", "5", "--cores", "0"), "0 cores"),
        (("--days", "5", "--picture", "odds.txt"), "no picture of this kind"),
        (("--days", "5", "--assume", "weather=good"), "changes no assumption"),
        (("--fast", "--assume", "cloudy_s=0"), "--assume is for made-up days"),
    ],
)
def test_what_cannot_be_is_refused(words: tuple[str, ...], says: str, tmp_path: Path) -> None:
    """One line that says what is wrong and how to mend it, exit code 2, and nothing made."""
    done = holdfire("rehearse", str(TOTAL), *words, cwd=tmp_path)
    assert done.returncode == 2
    assert says in done.stderr
    assert "Mend:" in done.stderr
    assert len(done.stderr.splitlines()) == 1
    assert list(tmp_path.iterdir()) == []


def test_a_contradiction_fails_loudly(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """HF-S24: a day whose journal contradicts the rules is named with its seed, and the command fails."""
    monkeypatch.setattr(odds, "audit", lambda *_: ["record 5: something was wrong."])
    tally, _ = made_up.live_many([case(ROUGH)], 8, 2, 1, quiet=True)
    assert len(tally.breaches) == 2
    with pytest.raises(typer.Exit) as left:
        made_up._fail_loudly(tally, 8)
    assert left.value.exit_code == 70
    told = capsys.readouterr().err
    assert "CONTRADICTION on day 1 of seed 8 (as it is): record 5: something was wrong." in told
    assert "--seed 8 --day 1" in told


def test_stopped_by_the_keyboard(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    """Ctrl-C ends it with the odds of the days that were lived, called partial."""
    pieces = []

    def live(cases: Any, seed: int, days: range) -> odds.Tally:
        if len(pieces) == 2:
            raise KeyboardInterrupt
        pieces.append(days)
        return odds.live(cases, seed, days)

    monkeypatch.setattr(made_up, "live", live)
    rough = [case(ROUGH)]
    tally, whole = made_up.live_many(rough, 8, 100, 1, quiet=True)
    assert (tally.days, whole) == (2 * made_up.CHUNK_DAYS, False)
    assert tally == odds.live(rough, 8, range(1, 2 * made_up.CHUNK_DAYS + 1))
    made_up._print(rough, tally, 8, 100)
    assert "PARTIAL: stopped after 8 of 100 days." in capsys.readouterr().out
    assert json.loads(json.dumps(made_up._as_json(rough, tally, 8, 100)))["partial"] is True
