"""``plan.json``: writing, reading, and its JSON Schema."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from planner.errors import InputProblems, Problem
from planner.scheduling.plan import SCHEMA_NAME, NightPlan

PLAN_FILE = "plan.json"
SCHEMA_FILE = Path(__file__).with_name("plan.schema.json")
LARGEST_BYTES = 50_000_000


def plan_json(plan: NightPlan) -> str:
    """Return the text of ``plan.json``: stable key order, two spaces, a final newline."""
    return json.dumps(plan.model_dump(mode="json", by_alias=True), indent=2, ensure_ascii=False) + "\n"


def plan_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of ``plan.json``."""
    schema = NightPlan.model_json_schema(by_alias=True)
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", "$id": f"urn:{SCHEMA_NAME}"} | schema


def schema_text() -> str:
    """Return the text of the published ``plan.schema.json``."""
    return json.dumps(plan_schema(), indent=2, ensure_ascii=False) + "\n"


def read_plan(path: str | Path) -> NightPlan:
    """Read a plan from its folder or its ``plan.json``.

    Raises
    ------
    InputProblems
        When there is no such file, or it is not a plan of this version: every
        key that does not fit is named.
    """
    path = Path(path)
    try:
        file = path / PLAN_FILE if path.is_dir() else path
        there = file.is_file()
    except OSError:  # a name that no file can have
        file, there = path, False
    name = str(file)
    if not there:
        raise InputProblems(
            [Problem(name[:200], "", "there is no such file", "Give a plan's folder or its plan.json.")]
        )
    if file.stat().st_size > LARGEST_BYTES:
        raise InputProblems(
            [Problem(name, "", "is larger than 50 MB", "Give a plan.json that the planner wrote.")]
        )
    try:
        content = json.loads(file.read_text(encoding="utf-8"))
    except OSError as error:
        found = f"cannot be read ({error.strerror})"
        raise InputProblems([Problem(name, "", found, "Check that you may read it.")]) from None
    except (ValueError, RecursionError) as error:  # no text, no JSON, or thousands of digits or brackets
        found = f"is not JSON ({error})"
        raise InputProblems([Problem(name, "", found, "Make the plan again with 'planner night'.")]) from None
    if not isinstance(content, dict) or content.get("schema") != SCHEMA_NAME:
        remedy = f"This version reads {SCHEMA_NAME!r}: make the plan again with 'planner night'."
        raise InputProblems([Problem(name, "schema", "names another kind of file", remedy)])
    try:
        return NightPlan.model_validate(content)
    except ValidationError as error:
        raise InputProblems(
            [
                Problem(
                    name,
                    ".".join(str(part) for part in entry["loc"]),
                    f"does not fit ({entry['msg']})",
                    "Put back what the planner wrote, or make the plan again.",
                )
                for entry in error.errors()
            ]
        ) from None
