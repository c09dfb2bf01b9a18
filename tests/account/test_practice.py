"""How late the words of live rehearsals were, from journals made by hand."""

from __future__ import annotations

import contextlib
import hashlib
import json
from dataclasses import replace
from pathlib import Path

import pytest

from controller.account.practice import Found, find_practices, to_json_dict, to_text
from controller.journal.folder import RunFolder
from controller.journal.records import Kind
from controller.journal.writing import JournalWriter
from controller.timeline.model import Timeline
from controller.units import UtcNs, parse_utc_iso
from tests.account.conftest import Day, Record

PRACTISED_NS = parse_utc_iso("2026-11-20T18:05:00Z")
HOURS = 3600 * 10**9
# The day's holds of the rig "long" are due at 0 s (on), 85 s (off) and 245 s (on), asked for at -30, 80 and 235 s.


def practised(
    base: Path,
    day: Day,
    words: list[tuple[float, str, str | None]],
    *,
    number: int = 0,
    timeline: Timeline | None = None,
    begins: float = -40,
    ends: float = 300,
    **facts: object,
) -> RunFolder:
    """Write the journal of a live rehearsal in which these words were said; only what lateness is told from."""
    timeline = timeline or day.timeline
    folder = RunFolder.create(base, timeline.title, b"plan", timeline, started_utc_ns=day.at(begins))
    began: Record = {
        "mode": "rehearsal", "operator": "person", "practised_utc_ns": PRACTISED_NS + number * HOURS,
        "plan_sha256": hashlib.sha256(b"plan").hexdigest(), "timeline_sha256": timeline.digest(),
    }  # fmt: skip
    with contextlib.closing(JournalWriter.create(folder.path)) as journal:
        journal.append(Kind.RUN_BEGAN, day.at(begins), **{**began, **facts})
        for seconds, state, rig in words:
            journal.append(Kind.FILTER_SAID, day.at(seconds), rig=rig, state=state)
        journal.append(
            Kind.RUN_ENDED, day.at(ends), outcome="finished", fired=0, missed=0, failed=0, unknown=0
        )
    return folder


def lates(found: Found) -> list[list[float | None]]:
    """The lateness of each word, one list a rehearsal, of all days."""
    return [[word.late_s for word in one.words] for day in found.days for one in day.practices]


def outcomes(found: Found) -> list[str]:
    """What became of each word of the newest rehearsal."""
    return [word.outcome for word in found.days[-1].newest.words]


@pytest.fixture
def day() -> Day:
    return Day()


def test_lateness_is_said_minus_due(tmp_path: Path, day: Day) -> None:
    """A word before the instant is early by so much, one after it late, with the sign of said minus due."""
    practised(tmp_path, day, [(-12.5, "on", None), (86.25, "off", "long"), (245, "on", None)])
    found = find_practices(tmp_path)
    assert lates(found) == [[-12.5, 1.25, 0.0]]
    assert outcomes(found) == ["in time", "late", "in time"]


def test_a_word_never_said_is_told(tmp_path: Path, day: Day) -> None:
    """Silence up to the end is "never said", and no lateness."""
    practised(tmp_path, day, [(-12.5, "on", None), (250, "on", None)])
    found = find_practices(tmp_path)
    assert lates(found) == [[-12.5, None, 5.0]]
    assert outcomes(found)[1] == "never said"


def test_first_fitting_word_counts(tmp_path: Path, day: Day) -> None:
    """A wrong word does not count, the right one after it does, and neither taking back nor saying again moves it."""
    words = [(-12.5, "on", None), (81, "on", None), (84, "off", None), (100, "on", None), (120, "off", None)]
    practised(tmp_path, day, words)
    assert lates(find_practices(tmp_path))[0][:2] == [-12.5, -1.0]


def test_word_before_the_asking_counts_if_it_stood(tmp_path: Path, day: Day) -> None:
    """Said ahead and still so when asked for, a word counts from when it was said; taken back before, it does not."""
    practised(tmp_path, day, [(-12.5, "on", None), (60, "off", None), (70, "on", None), (90, "off", None)])
    practised(tmp_path, day, [(-12.5, "on", None), (60, "off", None), (83, "off", None)], number=1)
    assert [one[1] for one in lates(find_practices(tmp_path))] == [5.0, -25.0]


def test_words_for_another_rig_do_not_count(tmp_path: Path, day: Day) -> None:
    """What is said of one rig's filter is no word for another's."""
    practised(tmp_path, day, [(-12.5, "on", None), (84, "off", "wide")])
    assert lates(find_practices(tmp_path))[0][1] is None


def test_a_word_of_long_ago_is_no_early_word(tmp_path: Path, day: Day) -> None:
    """Where the word of an earlier hold still stood and opened this one, no word was needed, and none is made up."""
    folder = RunFolder.create(tmp_path, "x", b"plan", day.timeline, started_utc_ns=day.at(0))
    facts = {"mode": "rehearsal", "operator": "person", "practised_utc_ns": PRACTISED_NS}
    with contextlib.closing(JournalWriter.create(folder.path)) as journal:
        journal.append(Kind.RUN_BEGAN, day.at(-40), **facts)
        journal.append(Kind.FILTER_SAID, day.at(-20), rig=None, state="on")
        journal.append(
            Kind.HOLD_PASSED, day.at(235), hold_id="long/crescent again", rig="long", needs="on", late_s=0
        )
        journal.append(
            Kind.RUN_ENDED, day.at(300), outcome="finished", fired=0, missed=0, failed=0, unknown=0
        )
    assert outcomes(find_practices(tmp_path)) == ["in time", "never said", "none needed"]


def test_only_what_was_lived_through_counts(tmp_path: Path, day: Day) -> None:
    """A hold due before the rehearsal began, or after it ended, says nothing of the operator."""
    practised(tmp_path, day, [(84, "off", None)], begins=50, ends=200)
    assert lates(find_practices(tmp_path)) == [[-1.0]]


def test_scripts_fast_rehearsals_and_runs_do_not_count(tmp_path: Path, day: Day) -> None:
    """A scripted operator learns nothing, and the day itself is no practice: neither is counted or complained of."""
    practised(tmp_path, day, [(84, "off", None)], operator="script")
    practised(tmp_path, day, [(84, "off", None)], mode="run")
    assert find_practices(tmp_path) == Found(days=(), left_out=())


def test_doubtful_journals_are_left_out_and_named(tmp_path: Path, day: Day) -> None:
    """Torn, altered and resumed rehearsals, and ones whose timeline was changed, are left out with a sentence each."""
    said: list[tuple[float, str, str | None]] = [(84, "off", None)]
    torn, altered, changed, good = (practised(tmp_path, day, said, number=n) for n in range(4))
    with torn.journal_path.open("ab") as file:
        file.write(b'{"seq":4,"at')
    altered.journal_path.write_bytes(altered.journal_path.read_bytes().replace(b'"off"', b'"on" ', 1))
    later = replace(day.timeline, holds=tuple(replace(h, due_utc_ns=day.at(999)) for h in day.timeline.holds))
    changed.timeline_path.write_bytes(later.to_json())
    found = find_practices(tmp_path)
    assert [one.folder for one in found.days[0].practices] == [good.path.name]
    told = {sentence.split(" is left out: ")[0]: sentence for sentence in found.left_out}
    assert sorted(told) == sorted(one.path.name for one in (torn, altered, changed))
    assert "torn" in told[torn.path.name]
    assert "ALTERED" in told[altered.path.name]
    assert "timeline.json is not the file" in told[changed.path.name]
    assert all(name in to_text(found).replace("\n  ", " ") for name in told)


def test_resumed_rehearsal_is_left_out(tmp_path: Path, day: Day) -> None:
    """Between two parts of a rehearsal nobody could be heard, so its lateness means nothing."""
    folder = RunFolder.create(tmp_path, "x", b"plan", day.timeline, started_utc_ns=day.at(0))
    with contextlib.closing(JournalWriter.create(folder.path)) as journal:
        journal.append(Kind.RUN_BEGAN, day.at(-40), mode="rehearsal", operator="person")
        journal.append(Kind.RUN_RESUMED, day.at(90), torn_sha256=None, torn_bytes=0, clock_back_s=0)
    found = find_practices(tmp_path)
    assert found.days == ()
    assert "it was resumed" in found.left_out[0]


def test_same_place_and_eclipse_are_one_day(tmp_path: Path, day: Day) -> None:
    """Rehearsals are grouped by place and eclipse, oldest first, whatever the plan is called by now."""
    said: list[tuple[float, str, str | None]] = [(84, "off", None)]
    later = {name: UtcNs(at + 30 * 24 * HOURS) for name, at in day.timeline.contacts_utc_ns.items()}
    renamed = replace(day.timeline, title="Another title")
    elsewhere = replace(day.timeline, latitude_deg=day.timeline.latitude_deg + 0.1)
    another = replace(day.timeline, contacts_utc_ns=later)
    for number, timeline in enumerate((renamed, elsewhere, another, day.timeline)):
        practised(tmp_path, day, said, number=3 - number, timeline=timeline)
    found = find_practices(tmp_path)
    assert sorted(len(one.practices) for one in found.days) == [1, 1, 2]
    (alike,) = find_practices(tmp_path, like=day.timeline).days
    assert [one.timeline.title for one in alike.practices] == ["Two rigs on the ridge", "Another title"]


def test_text_is_narrow_and_plots_by_shape(tmp_path: Path, day: Day) -> None:
    """Tables and plots fit 80 columns; early stands left of the line as o, late right of it as x, silence has no mark."""
    practised(tmp_path, day, [(-12.5, "on", None), (75, "off", None)], number=0)
    practised(tmp_path, day, [(-25, "on", None), (95, "off", None), (999, "on", None)], number=1, ends=1000)
    practised(tmp_path, day, [], number=2)
    text = to_text(find_practices(tmp_path))
    assert max(map(len, text.splitlines())) <= 80
    assert text.isascii()
    rows = [line for line in text.splitlines() if line.startswith("  2026-11-20")]
    assert len(rows) == 9
    early, late, silent = rows[3:6]
    assert "10.0 s early" in early
    assert early.index("o") < early.index("|", 36)
    assert "10.0 s late" in late
    assert late.rindex("x") > late.index("|")
    assert "never said" in silent
    assert silent.rstrip().endswith("|")
    assert len({row.index("|") for row in rows}) == 1
    assert "In all 3: 1 in time, 1 late (at most 10.0 s), 1 never said." in text


def test_marks_beyond_the_scale_stand_at_its_ends(tmp_path: Path, day: Day) -> None:
    """A word minutes from its instant is drawn at the end of the plot as < or >, with its length in the table."""
    long_before = replace(
        day.timeline, holds=tuple(replace(h, opens_utc_ns=day.at(-900)) for h in day.timeline.holds)
    )
    practised(tmp_path, day, [(-800, "on", None), (226, "off", None)], timeline=long_before, begins=-900)
    rows = [
        line for line in to_text(find_practices(tmp_path)).splitlines() if line.startswith("  2026-11-20")
    ]
    assert "800 s early" in rows[0]
    assert "<" in rows[0]
    assert "141 s late" in rows[1]
    assert rows[1].endswith(">")


def test_json_tells_the_same(tmp_path: Path, day: Day) -> None:
    """As JSON each rehearsal has its words with rig, need, due instant, lateness in seconds and outcome."""
    practised(tmp_path, day, [(-12.5, "on", None), (86.25, "off", None)])
    told = json.loads(json.dumps(to_json_dict(find_practices(tmp_path))))
    (practice,) = told["days"][0]["practices"]
    assert practice["practised_utc"] == "2026-11-20T18:05:00Z"
    assert [(word["needs"], word["late_s"], word["outcome"]) for word in practice["words"]] == [
        ("on", -12.5, "in time"), ("off", 1.25, "late"), ("on", None, "never said"),
    ]  # fmt: skip
    assert practice["words"][1]["due_utc"] == "2027-08-02T08:01:25.000Z"


def test_an_empty_folder_says_so(tmp_path: Path) -> None:
    """Where nothing was practised the text says that, and is no empty page."""
    assert "Nothing was practised yet" in to_text(find_practices(tmp_path))
