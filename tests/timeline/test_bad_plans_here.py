"""What is said of plans that do not work where they are meant to: exact words, exact line and column."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from ruamel.yaml import YAML

from controller.errors import PlanError
from controller.units import ContactName
from tests.timeline.building import BASE, changed, compiled, contacts

CASES: list[dict[str, Any]] = YAML(typ="safe", pure=True).load(
    (Path(__file__).parent / "bad_plans_here.yaml").read_text(encoding="utf-8")
)
SITES = {
    "total": contacts(),
    "annular": contacts("annular"),
    "partial": contacts("partial"),
    "none": contacts("none"),
    "short": contacts(totality_s=20),
    "long": contacts(partial_s=7200),
    "low": replace(contacts(), below_horizon=(ContactName.C4,)),
}


def test_the_plan_that_the_bad_ones_are_made_from_is_good() -> None:
    """The base plan compiles without a warning at the usual site, so each case is told for its change or its site."""
    assert compiled(BASE, SITES["total"]).warnings == ()


@pytest.mark.parametrize("case", CASES, ids=[case["name"] for case in CASES])
def test_what_does_not_work_here_is_told(case: dict[str, Any]) -> None:
    """Each case gives exactly the faults, or the warnings, it has; HF-S03, HF-S07, HF-S13 are among them."""
    text = changed(*((change["was"], change["becomes"]) for change in case["change"]))
    site = SITES[case["site"]]
    if case["outcome"] == "refused":
        with pytest.raises(PlanError) as caught:
            compiled(text, site)
        said = str(caught.value)
    else:
        said = "\n".join(fault.text("plan.yaml") for fault in compiled(text, site).warnings)
    assert said == case["said"].rstrip("\n")
