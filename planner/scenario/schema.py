"""JSON Schemas of ``scenario.toml`` and ``array.toml``, made from the models, for editors and other programs.

JSON Schema (draft 2020-12) describes JSON; TOML has the same tables, lists and
numbers, and its dates and times count as text of format ``date`` and
``date-time``. A schema knows each key, its kind and its bounds; what two keys
have to do with each other only ``planner check`` knows.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from pydantic.json_schema import models_json_schema

from planner.scenario.night import ScenarioFile
from planner.scenario.parts import ARRAY_SECTIONS, SCENARIO_SECTIONS, Section
from planner.scenario.values import Part

DRAFT = "https://json-schema.org/draft/2020-12/schema"
Schema = dict[str, Any]


def array_schema() -> Schema:
    """Return the JSON Schema of ``array.toml``."""
    return _file_schema("array", "The array: what stands where, and what it can do.", ARRAY_SECTIONS, None)


def scenario_schema() -> Schema:
    """Return the JSON Schema of ``scenario.toml``."""
    what = "A night: which files, which date, which limits, what requests need beyond their row."
    return _file_schema("scenario", what, SCENARIO_SECTIONS, ScenarioFile)


def schema_json(schema: Mapping[str, Any]) -> str:
    """Return the text of a schema file: two spaces, a final newline."""
    return json.dumps(schema, indent=2, ensure_ascii=True) + "\n"


def _file_schema(name: str, what: str, sections: Mapping[str, Section], top: type[Part] | None) -> Schema:
    """Return the schema of a file: the keys of its top and its tables, and nothing else.

    Parameters
    ----------
    name : str
    what : str
        What the file holds, as a sentence.
    sections : mapping
        The tables it may hold.
    top : type, optional
        Model of the keys before the first table.
    """
    models = [*(section.model for section in sections.values()), *([top] if top is not None else [])]
    refs, whole = models_json_schema([(model, "validation") for model in dict.fromkeys(models)])
    inner = {key: _for_toml(value) for key, value in whole["$defs"].items()}
    own: Schema = inner.pop(refs[top, "validation"]["$ref"].rsplit("/", 1)[1]) if top is not None else {}
    properties: Schema = dict(own.get("properties", {}))
    for key, section in sections.items():
        table: Schema = dict(refs[section.model, "validation"])
        if section.is_list:
            table = {"type": "array", "items": table} | ({"minItems": 1} if section.required else {})
        properties[key] = table | {"description": f"{section.what[:1].upper()}{section.what[1:]}."}
    required = [*own.get("required", []), *(key for key, section in sections.items() if section.required)]
    return {
        "$schema": DRAFT,
        "$id": f"urn:interferometer-planner/{name}/1",
        "title": f"{name}.toml",
        "description": what,
        "type": "object",
        "properties": properties,
        "required": required,
        "additionalProperties": False,
        "$defs": dict(sorted(inner.items())),
    }


def _for_toml(node: Any) -> Any:
    """Take away that a key may be null, which TOML does not know, and titles that only repeat the key."""
    if isinstance(node, list):
        return [_for_toml(one) for one in node]
    if not isinstance(node, dict):
        return node
    kept = {}
    for key, value in node.items():
        # A key of the user's that is called "title" has a table here, not a text.
        if not (key == "title" and isinstance(value, str)) and not (key == "default" and value is None):
            kept[key] = _for_toml(value)
    choices = kept.get("anyOf")
    if isinstance(choices, list) and {"type": "null"} in choices:
        left = [one for one in choices if one != {"type": "null"}]
        del kept["anyOf"]
        kept = {**left[0], **kept} if len(left) == 1 else {**kept, "anyOf": left}
    return kept
