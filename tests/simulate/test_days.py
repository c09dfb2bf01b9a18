"""Made-up days: what is drawn, and that a day is the same whenever and wherever it is lived."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable
from dataclasses import fields, replace
from itertools import pairwise
from pathlib import Path
from statistics import NormalDist
from typing import Any

import pytest

from controller.account import odds
from controller.account.odds import REASONS, contradictions, live, live_one
from controller.cameras.worker import CameraWorker
from controller.cli.days import live_many
from controller.engine import engine as engine_module
from controller.engine.engine import Engine
from controller.errors import UsageError
from controller.journal.lines import encode_line
from controller.journal.reading import JournalState, read_journal
from controller.journal.records import Kind
from controller.journal.writing import JournalWriter
from controller.simulate.days import (
    NO_FAULTS,
    PROMPT,
    RESTART_AT_LEAST_S,
    Assumptions,
    Crash,
    draw_happening,
    draw_weather,
    play,
    wilson,
)
from controller.timeline.model import Frame
from controller.timeline.refit import Placement, refit
from controller.units import NS_PER_S, FilterState, Wanted
from tests.simulate.small import BODY, CALM, ROUGH, case, small_day

DAYS = 300
SOUND_GATE = Engine._barred
SOUND_RESTORE = Engine.restore


def test_hundreds_of_rough_days_keep_every_rule() -> None:
    """HF-S01 to HF-S13, S17, S19, S24: no day's journal contradicts the rules, and much does go wrong."""
    rough = case(ROUGH)
    tally = live([rough], 7, range(1, DAYS + 1))
    assert tally.breaches == []
    lost: Counter[str] = Counter()
    for shot in tally.cases[0].shots.values():
        lost.update(shot.reasons)
        assert 0 < shot.whole < DAYS
        assert shot.whole <= shot.some
    assert set(lost) <= set(REASONS)
    for reason in (
        "cloud",
        "filter word",
        "camera away",
        "camera silent",
        "other setting",
        "card full",
        "clock",
        "program down",
        "paused",
    ):
        assert lost[reason] >= 5, f"the days are too tame: {reason} {lost[reason]}"


def test_calm_days_lose_nothing() -> None:
    """A prompt operator under a clear sky with good cameras gets every frame, every day."""
    tally = live([case(CALM)], 3, range(1, 6))
    frames = Counter((f.rig, f.phase, f.shot) for f in small_day().frames)
    assert {key: shot.won for key, shot in tally.cases[0].shots.items()} == {
        k: 5 * n for k, n in frames.items()
    }
    assert all(shot.whole == 5 and not shot.reasons for shot in tally.cases[0].shots.values())


def test_any_number_of_cores_gives_the_same() -> None:
    """The same seed gives the same sums in one process and in two; another seed gives others."""
    cases = [case(ROUGH), case(replace(ROUGH, **PROMPT), "prompt")]
    alone, whole = live_many(cases, 5, 22, 1, quiet=True)
    assert (alone.days, whole) == (22, True)
    assert live_many(cases, 5, 22, 2, quiet=True) == (alone, True)
    assert live_many(cases, 6, 22, 1, quiet=True)[0] != alone


def test_a_day_replays_to_the_same_line() -> None:
    """A day of a seed has the same journal each time, whatever days were lived before it."""
    rough = case(ROUGH)
    (one,) = live_one([rough], 5, 9)
    live([rough], 5, range(1, 4))
    (again,) = live_one([rough], 5, 9)
    assert one == again
    assert len(one.played.records) > 30


def test_a_journal_on_disk_takes_every_record(tmp_path: Path) -> None:
    """HF-S20: what a made-up day records can be written by the real journal, whose chain is then intact."""
    for day in range(1, 6):
        (lived,) = live_one([case(ROUGH)], 5, day)
        folder = tmp_path / str(day)
        folder.mkdir()
        with JournalWriter.create(folder) as writer:
            for record in lived.played.records:
                data = {k: v for k, v in record.items() if k not in ("seq", "kind", "at_utc_ns")}
                writer.append(Kind(record["kind"]), record["at_utc_ns"], **data)
        reading = read_journal(folder / "journal.jsonl")
        assert reading.state is JournalState.CLOSED
        assert [r["kind"] for r in reading.records] == [r["kind"] for r in lived.played.records]


def test_the_sky_leaves_the_journal_alone() -> None:
    """Cloud and clock change what a day is worth and nothing that is played."""
    day = small_day()
    for number in range(1, 20):
        cloudless = replace(ROUGH, cloudy_s=0.0, clock_s=0.0, clock_wrong_chance=0.0)
        assert draw_happening(ROUGH, day, 1, number) == draw_happening(cloudless, day, 1, number)
        assert draw_weather(cloudless, day, 1, number).clouds == ()
        assert draw_weather(cloudless, day, 1, number).clock_error_s == 0


def test_one_assumption_leaves_the_other_draws() -> None:
    """Without faults the operator and the sky are those of the same day with faults, and the other way round."""
    day = small_day()
    for number in range(1, 20):
        full = draw_happening(ROUGH, day, 1, number)
        good = draw_happening(replace(ROUGH, **NO_FAULTS), day, 1, number)
        prompt = draw_happening(replace(ROUGH, **PROMPT), day, 1, number)
        assert (good.words, good.slips, good.steps) == (full.words, full.slips, full.steps)
        assert (good.pauses, good.crashes) == (full.pauses, full.crashes)
        steady = draw_happening(replace(ROUGH, crash_per_hour=0.0, pause_per_hour=0.0), day, 1, number)
        assert steady == replace(full, crashes=(), pauses=())
        assert not any(
            draw.faults or draw.card_frames is not None or draw.battery_percent < 100 for _, draw in good.rigs
        )
        assert (prompt.rigs, prompt.slips) == (full.rigs, ())


def test_cloud_covers_its_share() -> None:
    """The Sun is behind cloud for cloudy/(cloudy + clear) of the time (renewal theorem), clouds in order."""
    day, assumed = small_day(), replace(CALM, cloudy_s=40.0, clear_s=120.0)
    start, end = day.phases[0].starts_utc_ns, day.phases[2].ends_utc_ns
    covered = 0
    for number in range(2000):
        clouds = draw_weather(assumed, day, 1, number).clouds
        assert all(a < b for a, b in clouds)
        assert all(one[1] < other[0] for one, other in pairwise(clouds))
        covered += sum(max(0, min(b, end) - max(a, start)) for a, b in clouds)
    assert covered / (2000 * (end - start)) == pytest.approx(0.25, abs=0.02)


def test_troubles_come_at_their_rates() -> None:
    """Faults of a kind come as often an hour as assumed, and last as long on average."""
    day, assumed = small_day(), replace(CALM, lost_per_hour=20.0, trouble_s=10.0)
    hours = (day.phases[-1].ends_utc_ns - day.holds[0].opens_utc_ns + 180 * NS_PER_S) / NS_PER_S / 3600
    faults = [
        fault
        for n in range(2000)
        for _, rig in draw_happening(assumed, day, 1, n).rigs
        for fault in rig.faults
    ]
    assert len(faults) / (2000 * 2 * hours) == pytest.approx(20, rel=0.04)
    assert sum(fault.for_s for fault in faults) / len(faults) == pytest.approx(10, rel=0.05)


def test_crashes_and_pauses_come_at_their_rates() -> None:
    """The program dies and is paused as often an hour as assumed, and is down and paused as long on average."""
    day = small_day()
    assumed = replace(CALM, crash_per_hour=20.0, restart_s=12.0, pause_per_hour=10.0, pause_s=8.0)
    hours = (day.phases[-1].ends_utc_ns - day.holds[0].opens_utc_ns + 180 * NS_PER_S) / NS_PER_S / 3600
    drawn = [draw_happening(assumed, day, 1, n) for n in range(3000)]
    crashes = [crash for one in drawn for crash in one.crashes]
    pauses = [pause for one in drawn for pause in one.pauses]
    assert len(crashes) / (3000 * hours) == pytest.approx(20, rel=0.04)
    assert len(pauses) / (3000 * hours) == pytest.approx(10, rel=0.05)
    down_s = sum(crash.down_ns for crash in crashes) / len(crashes) / NS_PER_S
    assert down_s == pytest.approx(RESTART_AT_LEAST_S + 12, rel=0.05)
    assert sum(until - at for at, until in pauses) / len(pauses) / NS_PER_S == pytest.approx(8.5, rel=0.05)
    assert {crash.kept for crash in crashes} == {None, 0, 1, 2}


def test_cards_and_batteries_are_changed_or_not() -> None:
    """So many are changed, each after its own time; the others never are."""
    day, assumed = small_day(), replace(CALM, change_chance=0.3, change_s=20.0)
    rigs = [draw for n in range(2000) for _, draw in draw_happening(assumed, day, 1, n).rigs]
    for waits in ([draw.card_change_s for draw in rigs], [draw.battery_change_s for draw in rigs]):
        changed = [wait for wait in waits if wait < math.inf]
        assert len(changed) / len(waits) == pytest.approx(0.3, abs=0.025)
        assert sum(changed) / len(changed) == pytest.approx(25, rel=0.08)


@pytest.mark.parametrize("kept", [None, 0, 1, 2])
def test_a_run_that_dies_is_resumed_from_its_records(kept: int | None) -> None:
    """HF-S10, HF-S21: it goes on after its last record, and fires no frame twice; what it lost is told."""
    day = small_day()
    calm = draw_happening(CALM, day, 1, 1)
    ring = [f for f in day.frames if f.shot == "ring"]
    crash = Crash(ring[1].due_utc_ns - 10**8, 3 * NS_PER_S, kept)
    played = play(day, {rig.name: BODY for rig in day.rigs}, replace(calm, crashes=(crash,)))
    assert contradictions(day, played) == []
    (resumed,) = [r for r in played.records if r["kind"] == Kind.RUN_RESUMED]
    before = played.records[resumed["seq"] - 2]
    assert resumed["at_utc_ns"] - before["at_utc_ns"] >= 3 * NS_PER_S
    fired = Counter(r["frame_id"] for r in played.records if r["kind"] == Kind.FRAME_FIRED)
    assert set(fired.values()) == {1}
    assert any(r["kind"] == Kind.FRAME_FIRED for r in played.records[resumed["seq"] :])
    assert any(r["kind"] == Kind.FRAME_UNKNOWN for r in played.records[resumed["seq"] :])


def test_a_run_that_dies_before_its_first_record_begins_anew() -> None:
    """Where nothing was written there is nothing to resume."""
    day = small_day()
    crash = Crash(0, NS_PER_S, 0)
    happening = replace(draw_happening(CALM, day, 1, 1), crashes=(crash, crash))
    played = play(day, {rig.name: BODY for rig in day.rigs}, happening)
    assert contradictions(day, played) == []
    assert [r["kind"] for r in played.records].count(Kind.RUN_BEGAN) == 1
    assert not any(r["kind"] == Kind.RUN_RESUMED for r in played.records)


def test_a_resumed_run_goes_by_the_clock_as_it_is_then() -> None:
    """HF-S12: after a step back by more than it was down, the clock is behind the journal, and every word is void."""
    day = small_day()
    at = day.frames[0].due_utc_ns + 10 * NS_PER_S
    happening = replace(
        draw_happening(CALM, day, 1, 1),
        steps=((at - 5 * NS_PER_S, -30.0),),
        crashes=(Crash(at, NS_PER_S, None),),
    )
    played = play(day, {rig.name: BODY for rig in day.rigs}, happening)
    assert contradictions(day, played) == []
    (resumed,) = [r for r in played.records if r["kind"] == Kind.RUN_RESUMED]
    assert 20 < resumed["clock_back_s"] < 30
    assert played.clock_set_ns(resumed["seq"] - 1) == 0
    assert played.clock_set_ns(resumed["seq"]) == -30 * NS_PER_S
    assert any(r["kind"] == Kind.HOLD_OPENED for r in played.records[resumed["seq"] :][:4])


def test_a_pause_ends_though_the_run_was_down_when_it_should_have() -> None:
    """HF-S16: a run that dies while paused is still paused when it is resumed, until the operator says so."""
    day = small_day()
    at = day.frames[0].due_utc_ns
    happening = replace(
        draw_happening(CALM, day, 1, 1),
        pauses=((at + NS_PER_S, at + 8 * NS_PER_S),),
        crashes=(Crash(at + 4 * NS_PER_S, 10 * NS_PER_S, None),),
    )
    played = play(day, {rig.name: BODY for rig in day.rigs}, happening)
    assert contradictions(day, played) == []
    kinds = [r["kind"] for r in played.records]
    assert kinds.index(Kind.PAUSED) < kinds.index(Kind.RUN_RESUMED) < kinds.index(Kind.WENT_ON)
    assert not any(r["kind"] == Kind.FRAME_MISSED and r["reason"] == "paused" for r in played.records)


def test_habits_come_at_their_chances() -> None:
    """Of the changes after the first, so many are never told or late; the first is always told in time."""
    day, assumed = (
        small_day(),
        replace(CALM, silent_chance=0.2, late_chance=0.3, late_s=1000.0, prompt_s=0.001),
    )
    drawn = [draw_happening(assumed, day, 1, n).words for n in range(2000)]
    later = [delay for words in drawn for _, delay in words[1:]]
    assert sum(delay is None for delay in later) / len(later) == pytest.approx(0.2, abs=0.02)
    late = sum(delay is not None and delay > NS_PER_S for delay in later)
    assert late / len(later) == pytest.approx(0.3, abs=0.02)
    assert all(words[0][1] is not None and words[0][1] < NS_PER_S for words in drawn)


def test_a_wrong_word_is_put_right_or_not() -> None:
    """A slip says the opposite of what is asked for; where it is put right, the right word follows."""
    day, assumed = small_day(), replace(CALM, wrong_key_chance=1.0, corrected_chance=0.5)
    needs = [hold.needs for hold in day.holds]
    mended = 0
    for number in range(400):
        slips = draw_happening(assumed, day, 1, number).slips
        wrong = [FilterState.OFF if need is FilterState.ON else FilterState.ON for need in needs]
        assert len(needs) <= len(slips) <= 2 * len(needs)
        mended += len(slips) - len(needs)
        said = Counter(state for _, _, state, _ in slips)
        assert all(said[state] >= count for state, count in Counter(wrong).items())
    assert mended / (400 * len(needs)) == pytest.approx(0.5, abs=0.05)


def test_silence_through_totality_fires_nothing_unfiltered() -> None:
    """HF-S11: on a day on which nobody says that the filter is off, no unfiltered frame has an intent."""
    day = small_day()
    happening = draw_happening(replace(CALM, silent_chance=1.0), day, 1, 1)
    assert [delay for _, delay in happening.words[1:]] == [None, None]
    records = play(day, {rig.name: BODY for rig in day.rigs}, happening).records
    handed = {record["frame_id"] for record in records if record["kind"] == Kind.FRAME_INTENT}
    assert handed == {f.frame_id for f in day.frames if f.phase in ("partial in", "partial out", "landscape")}


@pytest.mark.parametrize(
    ("hits", "tries", "low", "high"),
    [
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0, 0.1611),
        (1, 29, 0.0061, 0.1718),
    ],
)
def test_wilson_is_the_published_interval(hits: int, tries: int, low: float, high: float) -> None:
    """The examples of R. G. Newcombe, Statistics in Medicine 17 (1998) 857, score method; from memory."""
    assert wilson(hits, tries) == pytest.approx((low, high), abs=5.1e-5)


@pytest.mark.parametrize(("hits", "tries"), [(0, 20), (3, 7), (10, 10), (500, 1000), (9999, 10000)])
def test_wilson_ends_where_the_score_test_does(hits: int, tries: int) -> None:
    """Each end lies 1.96 of its own standard errors from the share that was found: the interval's definition."""
    z = NormalDist().inv_cdf(0.975)
    for bound in wilson(hits, tries):
        assert abs(hits / tries - bound) == pytest.approx(
            z * math.sqrt(bound * (1 - bound) / tries), abs=1e-7
        )


def test_no_days_say_nothing() -> None:
    """Without a day the chance can be anything."""
    assert wilson(0, 0) == (0.0, 1.0)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ("clouds=3", "changes no assumption"),
        ("late_chance", "changes no assumption"),
        ("late_chance=often", "no number"),
        ("late_chance=1.5", "from 0 to 1"),
        ("late_chance=nan", "from 0 to 1"),
        ("trouble_s=-1", "cannot be -1"),
        ("late_chance=0.995", "more than 1"),
    ],
)
def test_wrong_assumptions_are_told(change: str, says: str) -> None:
    """A change that cannot be is one clear line that says how to mend it."""
    with pytest.raises(UsageError, match=says) as told:
        Assumptions().with_changes([change])
    assert "Mend:" in str(told.value)
    assert "\n" not in str(told.value)


def test_assumptions_are_all_explained() -> None:
    """Each assumption can be changed, and is listed with its value and what it is."""
    names = [one.name for one in fields(Assumptions)]
    changed = Assumptions().with_changes([f"{name} = 0.5" for name in names])
    assert all(getattr(changed, name) == 0.5 for name in names)
    assert [name for name, _, _ in changed.table()] == names
    assert all(value and what for _, value, what in changed.table())


def _held_passes(engine: Engine, rig: str, need: FilterState) -> str | None:
    return None if (why := SOUND_GATE(engine, rig, need)) == "held" else why


def _forgetful(engine: Engine, records: list[dict[str, Any]]) -> None:
    """Take over a journal as if nothing had been fired yet."""
    SOUND_RESTORE(engine, [r for r in records if not r["kind"].startswith("frame_")])


def _gives_up_musts(frames: Iterable[Frame], now_utc_ns: int, **more: Any) -> list[Placement]:
    """A refit that gives up must frames for the sake of nice ones: it finds no time for any that has to move."""
    return [
        replace(placed, due_utc_ns=None)
        if placed.frame.wanted is Wanted.MUST and placed.due_utc_ns != placed.frame.due_utc_ns
        else placed
        for placed in refit(frames, now_utc_ns, **more)
    ]


@pytest.mark.parametrize(
    ("where", "name", "broken", "breach"),
    [
        (Engine, "_barred", _held_passes, "HF-S06"),
        (Engine, "_withdraw", lambda *_: None, "HF-S01"),
        (Engine, "restore", _forgetful, "HF-S10"),
        (Engine, "_void_words", lambda *_, **__: None, "HF-S06"),
        (odds, "encode_line", lambda record: encode_line({**record, "prev": "0"}), "HF-S20"),
        (CameraWorker, "_late_from_ns", lambda *_: 2**62, "HF-S08"),
        (engine_module, "refit", _gives_up_musts, "without less wanted frames"),
    ],
    ids=[
        "a hold that passes",
        "frames not taken back",
        "fired frames forgotten",
        "words that outlive their phase",
        "a broken chain",
        "late frames fired",
        "must frames given up",
    ],
)
def test_days_find_a_broken_program(
    where: object, name: str, broken: object, breach: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """HF-S24: a hundred days are enough to see that the program breaks a rule."""
    monkeypatch.setattr(where, name, broken)
    found = live([case(ROUGH)], 7, range(1, 101)).breaches
    assert any(breach in sentence for _, _, sentence in found)


def test_a_run_that_dies_right_after_its_end_has_ended() -> None:
    """A program killed once the end of its run is in the journal is not resumed: nothing stands after that record."""
    calm = case(CALM)
    happening = draw_happening(CALM, calm.timeline, 1, 1)
    ended = play(calm.timeline, calm.bodies, happening).records[-1]["at_utc_ns"]
    for kept in (None, 0, 1, 2):
        for early_ns in (0, 1, NS_PER_S):
            crash = Crash(ended - early_ns, 5 * NS_PER_S, kept)
            played = play(calm.timeline, calm.bodies, replace(happening, crashes=(crash,)))
            assert contradictions(calm.timeline, played) == []
            assert [record["kind"] for record in played.records].count(Kind.RUN_ENDED) == 1
