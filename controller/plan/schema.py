"""The plan file's JSON Schema, for editors to complete and check while one types."""

from __future__ import annotations

from typing import Any

from controller.plan.model import Plan

DIALECT = "https://json-schema.org/draft/2020-12/schema"


def plan_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of a plan file.

    A plan that the loader takes passes the schema, if its numbers are written without quotes and names
    that look like numbers with them. What needs arithmetic, a calendar or two places of the plan to be
    compared, only the loader tells.
    """
    schema = Plan.model_json_schema(by_alias=True, mode="validation")
    return {"$schema": DIALECT, **schema, "title": "holdfire plan"}
