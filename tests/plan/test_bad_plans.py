"""What is said of plans with something wrong: exact words, exact line and column."""

from pathlib import Path

import pytest
from ruamel.yaml import YAML

from controller.errors import PlanError
from controller.plan.loading import load_plan_text

HERE = Path(__file__).parent
BASE = (HERE / "base.yaml").read_text(encoding="utf-8")
CASES = YAML(typ="safe", pure=True).load((HERE / "bad_plans.yaml").read_text(encoding="utf-8"))


def test_the_plan_that_the_bad_ones_are_made_from_is_good():
    """The base plan loads without errors or warnings, so each case fails for its own change alone."""
    loaded = load_plan_text(BASE, "plan.yaml")
    assert loaded.plan.title == "A hill of our own"
    assert loaded.warnings == ()


@pytest.mark.parametrize("case", CASES, ids=[case["name"] for case in CASES])
def test_a_bad_plan_is_refused_in_plain_words(case):
    """Each kind of bad plan gives exactly the faults it has, each with its place and its mending."""
    text = BASE
    for change in case["change"]:
        assert text.count(change["was"]) == 1
        text = text.replace(change["was"], change["becomes"])
    with pytest.raises(PlanError) as caught:
        load_plan_text(text, "plan.yaml")
    assert str(caught.value) == case["said"].rstrip("\n")


def test_no_message_speaks_in_a_library_s_words():
    """The tell-tale phrases of the validation and YAML libraries appear in no message."""
    said = " ".join(case["said"] for case in CASES).lower()
    assert len(CASES) > 100
    for phrase in ("input should", "extra inputs", "field required", "valid dictionary", "validation error",
                   "while scanning", "block mapping", "value error", "pydantic", "ruamel"):  # fmt: skip
        assert phrase not in said


def test_a_mass_of_faults_is_told_in_part():
    """A hundred faults are told, and how many more there are."""
    text = BASE + "".join(f"odd_key_{number}: 1\n" for number in range(150))
    with pytest.raises(PlanError) as caught:
        load_plan_text(text, "plan.yaml")
    assert len(caught.value.faults) == 101
    assert caught.value.faults[-1].what == "There are 50 more faults from here on."


def test_a_weak_filter_is_a_warning_and_no_error():
    """A filter of density 3.8 loads, with a warning at its density."""
    loaded = load_plan_text(BASE.replace("density: 5.0", "density: 3.8"), "plan.yaml")
    assert [(fault.severity, fault.line, fault.column) for fault in loaded.warnings] == [("warning", 24, 16)]
