"""The JSON Schemas of the scenario's files: true to the models, and of use to an editor."""

from __future__ import annotations

import datetime
import tomllib
from pathlib import Path

import jsonschema
import pytest

from planner.scenario.night import ScenarioFile
from planner.scenario.parts import ARRAY_SECTIONS, SCENARIO_SECTIONS
from planner.scenario.schema import array_schema, scenario_schema

SCENARIOS = Path(__file__).resolve().parent.parent / "scenarios"
SOUND = sorted(path.name for path in SCENARIOS.iterdir() if path.name != "broken")
SCHEMAS = {"array": array_schema(), "scenario": scenario_schema()}
SECTIONS = {"array": ARRAY_SECTIONS, "scenario": SCENARIO_SECTIONS}


def as_json(value):
    """What a TOML file holds, as JSON: dates and times are text, by RFC 3339 as in TOML 1.0."""
    if isinstance(value, dict):
        return {key: as_json(one) for key, one in value.items()}
    if isinstance(value, list):
        return [as_json(one) for one in value]
    return value.isoformat() if isinstance(value, (datetime.date, datetime.time)) else value


def wrong(name, tables):
    """Where a file breaks its schema."""
    kind = jsonschema.Draft202012Validator
    judge = kind(SCHEMAS[name], format_checker=kind.FORMAT_CHECKER)
    return {
        (".".join(map(str, error.absolute_path)), error.validator)
        for error in judge.iter_errors(as_json(tables))
    }


def written(scenario, name):
    return tomllib.loads((SCENARIOS / scenario / f"{name}.toml").read_text(encoding="utf-8"))


@pytest.mark.parametrize("name", SCHEMAS)
def test_a_schema_is_one_by_its_own_metaschema(name):
    jsonschema.Draft202012Validator.check_schema(SCHEMAS[name])


@pytest.mark.parametrize("scenario", SOUND)
@pytest.mark.parametrize("name", SCHEMAS)
def test_every_sound_scenario_fits_its_schema(scenario, name):
    assert wrong(name, written(scenario, name)) == set()


def test_the_broken_array_breaks_its_schema_wherever_a_schema_can_say_so():
    # Read off the comments of the broken file; what two keys have to do with each other no schema tells.
    assert wrong("array", written("broken", "array")) == {
        ("", "additionalProperties"),
        ("site.latitude_deg", "type"),
        ("site.relative_humidity", "maximum"),
        ("telescope_class.0", "required"),
        ("telescope_class.1.obstruction_max", "exclusiveMaximum"),
        ("telescope.4.movable", "type"),
        ("station.4", "required"),
        ("delay_line.0", "required"),
        ("delay_line.0", "additionalProperties"),
        ("delay_line.2.speed_m_per_s", "minimum"),
        ("delay_line.2.settle_s", "minimum"),
        ("delay_line.2.medium", "enum"),
        ("combiner.1.setup_s", "type"),
    }


def test_the_broken_night_breaks_its_schema_wherever_a_schema_can_say_so():
    assert wrong("scenario", written("broken", "scenario")) == {
        ("night.date", "format"),
        ("limits", "additionalProperties"),
        ("limits.airmass_max", "exclusiveMinimum"),
        ("effort.subarrays_per_request", "type"),
    }


@pytest.mark.parametrize("name", SCHEMAS)
def test_a_schema_has_every_key_of_its_models_with_its_description(name):
    top = dict(SCHEMAS[name]["properties"])
    if name == "scenario":
        for key, field in ScenarioFile.model_fields.items():
            assert top.pop(key)["description"] == field.description
    assert list(top) == list(SECTIONS[name])
    for key, section in SECTIONS[name].items():
        own = top[key].get("items", top[key])
        table = SCHEMAS[name]["$defs"][own["$ref"].rsplit("/", 1)[1]]
        assert set(table["properties"]) == set(section.model.model_fields)
        for field, info in section.model.model_fields.items():
            assert table["properties"][field]["description"] == info.description
        required = {field for field, info in section.model.model_fields.items() if info.is_required()}
        assert set(table.get("required", ())) == required


@pytest.mark.parametrize("name", SCHEMAS)
def test_nothing_may_be_null_because_toml_has_no_null(name):
    def nodes(node):
        yield node
        for one in node.values() if isinstance(node, dict) else node if isinstance(node, list) else ():
            yield from nodes(one)

    assert not any(isinstance(node, dict) and node.get("type") == "null" for node in nodes(SCHEMAS[name]))
