"""The JSON Schema of a plan against an independent validator, and against the loader."""

import json
from pathlib import Path

import jsonschema
import pytest
from ruamel.yaml import YAML
from ruamel.yaml.error import YAMLError

from controller.errors import PlanError
from controller.plan.loading import load_plan_text
from controller.plan.schema import plan_schema

HERE = Path(__file__).parent
BASE = (HERE / "base.yaml").read_text(encoding="utf-8")
SAMPLES = sorted((HERE.parents[1] / "sample_plans").glob("*.yaml"))
CASES = YAML(typ="safe", pure=True).load((HERE / "bad_plans.yaml").read_text(encoding="utf-8"))
VALIDATOR = jsonschema.Draft202012Validator(plan_schema())

LOADER_ONLY = {
    "exposure left empty", "exposure over nothing", "exposure of zero", "exposure too long",
    "exposure not listed by the camera", "f-number out of range", "ISO not listed by the camera",
    "duration too long", "alias", "directive", "version with a fraction",
    "latitude with sign and letter", "longitude with sixty minutes",
    "elevation out of range", "time zone misspelt", "time zone as an offset",
    "step no camera has", "step too wide", "two rigs of one name", "two phases of one name",
    "two shots of one name", "rig unknown, one near", "rig named twice", "until of a shot before its at",
    "bracket that ends where it starts", "bracket end between the marks",
    "bracket exposures not listed", "phase that ends before it starts", "phase with contacts in the wrong order",
    "shot after its phase", "shot before its phase", "filter not needed on the Sun",
    "filter on for a landscape rig without one", "unfiltered phase from C1", "unfiltered shot at C4",
    "unfiltered phase too early", "unfiltered phase too late", "filter off earlier than the hard bound",
    "filter off by another contact", "filter on later than the hard bound", "two tethered cameras, none told apart",
    "two tethered cameras, both the same", "aperture not listed", "aperture wider than the lens",
    "shot's ISO not listed", "every too short", "too many frames", "too many frames by filling",
    "until of a shot after its phase", "from of a shot after its phase", "until of a shot before its phase",
    "sensor too large", "too few pixels", "pixels that are not square",
    "every of nothing", "half-stop step from a third-stop mark",
    "horizon azimuth twice", "profile that is not there",
}  # fmt: skip
"""Faults that need two places of the plan, arithmetic or a calendar: a schema cannot tell them."""


def _data(text: str) -> object:
    """Return a plan as an editor's YAML 1.2 reader sees it, dates as text."""
    return json.loads(json.dumps(YAML(typ="safe", pure=True).load(text), default=str))


def test_the_schema_is_itself_valid():
    """The schema is a valid draft 2020-12 schema."""
    jsonschema.Draft202012Validator.check_schema(plan_schema())
    assert plan_schema()["$schema"] == "https://json-schema.org/draft/2020-12/schema"


@pytest.mark.parametrize("path", [HERE / "base.yaml", *SAMPLES], ids=lambda path: path.stem)
def test_good_plans_pass_the_schema(path):
    """Every plan that loads passes the schema as an editor would check it."""
    text = path.read_text(encoding="utf-8")
    load_plan_text(text, path.name)
    assert [error.message for error in VALIDATOR.iter_errors(_data(text))] == []


def _text(case: dict) -> str:
    text = BASE
    for change in case["change"]:
        text = text.replace(change["was"], change["becomes"])
    return text


NO_YAML = (YAMLError, ValueError, TypeError)
"""What reading something else raises."""


@pytest.mark.parametrize("case", CASES, ids=[case["name"] for case in CASES])
def test_the_schema_refuses_what_it_can_tell(case):
    """A bad plan fails the schema, if it is YAML at all, unless only the loader can tell."""
    try:
        data = _data(_text(case))
    except NO_YAML:
        assert case["name"] not in LOADER_ONLY
    else:
        assert VALIDATOR.is_valid(data) == (case["name"] in LOADER_ONLY)


def test_every_key_has_words_or_a_form():
    """Every key of every section says in the schema what it is or how it is written, for the editor to show."""
    schema = plan_schema()
    sections = [schema, *schema["$defs"].values()]
    bare = [
        f"{section.get('title')}.{key}"
        for section in sections
        for key, value in section.get("properties", {}).items()
        if not {"description", "$ref", "anyOf", "items"} & value.keys()
    ]
    assert bare == []


def test_the_loader_is_stricter_only_where_said():
    """What only the loader tells are cases, and each is refused by the loader."""
    named = {case["name"]: case for case in CASES}
    assert named.keys() >= LOADER_ONLY
    for name in LOADER_ONLY:
        with pytest.raises(PlanError):
            load_plan_text(_text(named[name]), "plan.yaml")
