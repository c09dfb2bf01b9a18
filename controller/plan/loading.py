"""From a plan file to a checked plan, or to every fault in it at once."""

from __future__ import annotations

import json
import types
from collections.abc import Mapping
from dataclasses import dataclass, field
from difflib import get_close_matches
from pathlib import Path
from typing import Any, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError, WithJsonSchema
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from controller.errors import Fault, PlanError
from controller.plan.checks import check_plan
from controller.plan.fields import WrongValueError, shown
from controller.plan.model import Plan
from controller.plan.profiles import ProfilePath, RigProfile, beside, read_profiles
from controller.plan.source import Loc, PlanSource, parse_source, read_source

MOST_FAULTS_TOLD = 100


@dataclass(frozen=True)
class LoadedPlan:
    """A plan without errors, and where everything in it stands."""

    plan: Plan
    source: PlanSource
    warnings: tuple[Fault, ...] = ()
    """What does not stop the plan but is worth knowing, in the order of the file."""
    profiles: Mapping[str, RigProfile] = field(default_factory=dict)
    """By the name of the rig, where the plan names one."""


def load_plan(path: str | Path, profile_path: ProfilePath | None = None) -> LoadedPlan:
    """Read and check a plan file, and the profiles that it names.

    Args:
        path: the plan file.
        profile_path: where profiles lie, when not where the plan says.

    Raises:
        PlanError: with every fault found, each with its line and column. Faults of the YAML come first
            and alone, then those of single values and keys, then those of the plan as a whole.
    """
    return _load(*read_source(path), profile_path or beside(str(path)))


def load_plan_text(text: str, path: str) -> LoadedPlan:
    """Check a plan given as text; `path` is what messages call it, and what its profiles lie beside.

    Raises:
        PlanError: as `load_plan` does.
    """
    return _load(*parse_source(text, path), beside(path))


def _load(data: dict[str, object], source: PlanSource, profile_path: ProfilePath) -> LoadedPlan:
    if data.get("holdfire_plan") != "1":
        raise PlanError(source.path, [_version_fault(data, source)])
    try:
        plan = Plan.model_validate(data, by_alias=True, by_name=False)
    except ValidationError as error:
        details = error.errors(include_url=False, include_input=False)
        raise PlanError(source.path, _first([_fault(detail, data, source) for detail in details])) from None
    profiles, unusable = read_profiles(plan, source, profile_path)
    faults = sorted([*check_plan(plan, source), *unusable])
    if any(fault.severity == "error" for fault in faults):
        raise PlanError(source.path, _first(faults))
    return LoadedPlan(plan, source, tuple(faults), profiles)


def _first(faults: list[Fault]) -> list[Fault]:
    """Return the faults in order, and past a hundred only how many more there are."""
    told, rest = sorted(faults)[:MOST_FAULTS_TOLD], sorted(faults)[MOST_FAULTS_TOLD:]
    if rest:
        what = f"There are {len(rest)} more faults from here on."
        told.append(Fault(rest[0].line, rest[0].column, what, "mend those above first."))
    return told


def _version_fault(data: dict[str, object], source: PlanSource) -> Fault:
    mend = "write holdfire_plan: 1 as the first line."
    if "holdfire_plan" not in data:
        return source.fault((), "The plan does not say which plan language it is written in.", mend)
    written = data["holdfire_plan"]
    what = f"The plan language is {shown(written)}, and only 1 is understood."
    if not isinstance(written, str):
        what = "The plan language is not a number, and only 1 is understood."
    return source.fault(("holdfire_plan",), what, mend)


def _fault(detail: ErrorDetails, data: dict[str, object], source: PlanSource) -> Fault:
    """Return what pydantic found in our own words."""
    loc: Loc = detail["loc"]
    error = detail.get("ctx", {}).get("error")
    if isinstance(error, WrongValueError):
        return source.fault(loc, error.what, error.mend)
    parent = _called(loc[:-1], data)
    key = loc[-1] if loc else ""
    match detail["type"]:
        case "missing":
            return source.fault(loc[:-1], f"{parent[0].upper()}{parent[1:]} lacks the key {key}.", _add(loc))
        case "extra_forbidden":
            line, column = source.key_position(loc)
            return Fault(line, column, f"{shown(key)} is no key of {parent}.", _known_keys(loc))
        case "list_type":
            what = "must be a list" if _value_at(loc, data) is not None else "has nothing in it"
            return source.fault(
                loc, f"{key} {what}.", 'write each entry below it, on a line that starts with "- ".'
            )
        case "too_short":
            return source.fault(loc, f"{key} is an empty list.", "write at least one entry.")
        case "too_long":
            most = detail["ctx"]["max_length"]
            return source.fault(loc, f"{key} has more than {most} entries.", "write fewer.")
        case "model_type":
            what = "must be made of keys" if _value_at(loc, data) is not None else "has nothing in it"
            called = _called(loc, data)
            return source.fault(loc, f"{called[0].upper()}{called[1:]} {what}.", _section_mend(loc))
        case _:
            return source.fault(loc, f"{key} has a value that does not belong here.", "write it anew.")


def _called(loc: Loc, data: dict[str, object]) -> str:
    """Return what to call a section in a message.

    ``the plan``, ``the section site``, ``the section optics of rig "long"``, ``shot 2``.
    """
    if not loc:
        return "the plan"
    *_, last = loc
    if isinstance(last, str):
        owner = next((loc[:end] for end in range(len(loc) - 1, 0, -1) if isinstance(loc[end - 1], int)), ())
        return f"the section {last} of {_called(owner, data)}" if owner else f"the section {last}"
    kind = str(loc[-2]).removesuffix("s")
    section = _value_at(loc, data)
    name = section.get("name") if isinstance(section, dict) else None
    return f"{kind} {shown(name)}" if isinstance(name, str) and name else f"{kind} {last + 1}"


def _value_at(loc: Loc, data: Any) -> object:  # noqa: ANN401 - sections, lists, text
    for part in loc:
        inside = isinstance(data, list) and isinstance(part, int) and part < len(data)
        if not inside and not (isinstance(data, dict) and part in data):
            return None
        data = data[part]
    return data


def _add(loc: Loc) -> str:
    """Return how to write the key at `loc`, with the first example its type gives."""
    info = _fields(loc[:-1]).get(str(loc[-1]))
    if info is None:
        return "add it."
    example = _example(info)
    if example is None:
        return f"add the key {loc[-1]} with its entries below it."
    return f'add it, such as "{loc[-1]}: {example}".'


def _example(info: FieldInfo) -> str | None:
    for extra in info.metadata:
        if isinstance(extra, WithJsonSchema) and extra.json_schema is not None:
            schema = extra.json_schema
            examples = schema.get("examples") or schema.get("enum") or [schema.get("const", "My own words")]
            first = examples[0]
            return first if isinstance(first, str) else json.dumps(first)
    return None


def _known_keys(loc: Loc) -> str:
    keys = list(_fields(loc[:-1]))
    near = get_close_matches(str(loc[-1]).lower(), keys, n=1)
    return f"write {near[0]} if that is meant." if near else f"the keys here are {', '.join(keys)}."


def _section_mend(loc: Loc) -> str:
    return f"write its keys below it, indented: {', '.join(_fields(loc))}."


def _fields(loc: Loc) -> dict[str, FieldInfo]:
    """Return the keys that the section at `loc` may have."""
    model: type[BaseModel] = Plan
    fields = _by_key(model)
    for part in loc:
        if isinstance(part, int):
            continue
        inner = _section_type(fields[part].annotation) if part in fields else None
        if inner is None:
            return {}
        fields = _by_key(inner)
    return fields


def _by_key(model: type[BaseModel]) -> dict[str, FieldInfo]:
    return {info.alias or name: info for name, info in model.model_fields.items()}


def _section_type(annotation: Any) -> type[BaseModel] | None:  # noqa: ANN401 - any annotation
    """Return the section that a key holds, itself, optional, or in a list."""
    if isinstance(annotation, type) and not get_args(annotation) and issubclass(annotation, BaseModel):
        return annotation
    if get_origin(annotation) in (list, Union, types.UnionType):
        for inner in get_args(annotation):
            found = _section_type(inner)
            if found is not None:
                return found
    return None
