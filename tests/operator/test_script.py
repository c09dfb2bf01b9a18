"""The scripted operator."""

from __future__ import annotations

import pytest

from controller.errors import UsageError
from controller.operator.script import PROMPT_S, Habit, Manner, ScriptedOperator
from controller.units import FilterState, UtcNs, seconds_to_ns
from tests.operator.views import NOT_NEEDED, NOW, OFF, ON, UNSAID

OPENED, DUE = NOW, UtcNs(NOW + seconds_to_ns(8))


def answered_after_s(habit: str, needs: FilterState, *, first: bool, due: UtcNs = DUE) -> float | None:
    """Seconds from the ask to the word."""
    instant = ScriptedOperator(Habit.parse(habit)).answer(OPENED, due, needs, first=first)
    return None if instant is None else (instant - OPENED) / seconds_to_ns(1)


@pytest.mark.parametrize(
    ("text", "habit"),
    [
        ("prompt", Habit(manner=Manner.PROMPT, delay_s=PROMPT_S)),
        ("prompt 5 s", Habit(manner=Manner.PROMPT, delay_s=5.0)),
        (" Late  40 s ", Habit(manner=Manner.LATE, delay_s=40.0)),
        ("late 1 min 30 s", Habit(manner=Manner.LATE, delay_s=90.0)),
        ("silent", Habit(manner=Manner.SILENT)),
    ],
)
def test_habits_are_read(text: str, habit: Habit) -> None:
    """Each way of writing a habit is read, and what it is shown as reads back."""
    assert Habit.parse(text) == habit
    assert Habit.parse(str(habit)) == habit


@pytest.mark.parametrize(
    "text", ["", "late", "late 40", "late soon", "silent 3 s", "eager", "prompt -1 s", "late 40 s x"]
)
def test_what_is_no_habit_is_refused_with_the_way_to_mend_it(text: str) -> None:
    """Anything else is a usage error of one line that says how to write it."""
    with pytest.raises(UsageError) as caught:
        Habit.parse(text)
    assert "\n" not in str(caught.value)
    assert " s" in str(caught.value)


@pytest.mark.parametrize("needs", [ON, OFF])
@pytest.mark.parametrize("first", [True, False])
def test_a_prompt_operator_answers_soon_after_the_ask(needs: FilterState, first: bool) -> None:
    """Prompt counts from the ask, for every hold."""
    assert answered_after_s("prompt", needs, first=first) == 2.0
    assert answered_after_s("prompt 5 s", needs, first=first) == 5.0


@pytest.mark.parametrize("needs", [ON, OFF])
def test_a_late_operator_is_late_between_phases_only(needs: FilterState) -> None:
    """Late counts from when the phase was due; the set-up is answered in time."""
    assert answered_after_s("late 40 s", needs, first=False) == 48.0
    assert answered_after_s("late 40 s", needs, first=True) == 2.0


def test_a_late_operator_needs_a_moment_when_asked_after_the_fact() -> None:
    """A hold that opens again long past its time is not answered before it is asked."""
    assert answered_after_s("late 40 s", ON, first=False, due=UtcNs(NOW - seconds_to_ns(100))) == 2.0


@pytest.mark.parametrize("needs", [ON, OFF])
def test_a_silent_operator_says_nothing_between_phases(needs: FilterState) -> None:
    """Silent sets up in time, and then never says a word again."""
    assert answered_after_s("silent", needs, first=True) == 2.0
    assert answered_after_s("silent", needs, first=False) is None


@pytest.mark.parametrize("needs", [UNSAID, NOT_NEEDED])
def test_no_hold_asks_for_no_state(needs: FilterState) -> None:
    """A state that no hold can ask for is refused."""
    with pytest.raises(ValueError, match="no hold asks"):
        answered_after_s("prompt", needs, first=False)
