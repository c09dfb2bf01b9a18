"""Whole simulated days with the filter left where it should not be: alarm, journal and account; and honest days."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.journal.reading import read_journal
from tests.cli.command import SAMPLES, holdfire, only_run


def rehearsed(folder: Path, plan: str, *words: str) -> tuple[Path, list[dict[str, object]]]:
    """The run of a sample plan's rehearsal in virtual time, and its records."""
    done = holdfire("rehearse", str(SAMPLES / plan), "--fast", "--runs", str(folder), *words, cwd=folder)
    assert "Traceback" not in done.stderr, done.stderr
    run = only_run(folder)
    return run, read_journal(run / "journal.jsonl").records


@pytest.mark.parametrize(
    ("fault", "said", "shows"),
    [
        ("filter left on 20 s before C2 for 600 s", "off", "is "),
        ("filter left off 10 min after C1 for 600 s", "on", "is clipped over"),
    ],
)
def test_a_filter_left_where_it_was_is_told(tmp_path: Path, fault: str, said: str, shows: str) -> None:
    """HF-S30: the day runs as planned; each doubt is in the journal and ends there; the account tells of it."""
    run, records = rehearsed(tmp_path, "total_2027.yaml", "--fault", fault)
    doubted = [record for record in records if record["kind"] == "filter_doubted"]
    assert doubted
    assert {record["said"] for record in doubted} == {said}
    assert all(str(record["shows"]).startswith(shows) for record in doubted)
    fired = [record for record in records if record["kind"] == "frame_fired"]
    planned = [record for record in records if record["kind"] == "frame_intent"]
    assert len(fired) == len(planned) > 300
    account = holdfire("account", str(run), cwd=tmp_path).stdout
    told = " ".join(account.split())
    assert f"a picture contradicts the word that the filter is {said}" in told
