"""The plan file's JSON Schema, for editors to complete and check while one types."""

from __future__ import annotations

from typing import Any

from controller.plan.model import Plan

DIALECT = "https://json-schema.org/draft/2020-12/schema"


def plan_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of a plan file.

    It says no more than the loader does: a plan that the loader takes and that writes its numbers
    without quotes passes the schema. What needs two places to be compared, only the loader tells.
    """
    schema = Plan.model_json_schema(by_alias=True, mode="validation")
    return {"$schema": DIALECT, **schema, "title": "holdfire plan"}
