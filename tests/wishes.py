"""Changing a scenario in one line, for the tests."""

from __future__ import annotations

from typing import Any

from planner.scenario.targets import Scenario


def edited(scenario: Scenario, **changes: Any) -> Scenario:
    """Change keys: ``date`` and other keys of the night, ``limits.x``, ``class.x``, ``line.x``,
    ``combiner.x``, ``request.x``, ``extras.x`` (all of a kind at once)."""
    for key, value in changes.items():
        table, _, name = key.rpartition(".")
        scenario = _KINDS[table](scenario, name, value)
    return scenario


def _night(scenario: Scenario, name: str, value: Any) -> Scenario:
    return scenario.model_copy(update={"night": scenario.night.model_copy(update={name: value})})


def _limits(scenario: Scenario, name: str, value: Any) -> Scenario:
    return scenario.model_copy(update={"limits": scenario.limits.model_copy(update={name: value})})


def _array(table: str):
    def change(scenario: Scenario, name: str, value: Any) -> Scenario:
        parts = tuple(part.model_copy(update={name: value}) for part in getattr(scenario.array, table))
        return scenario.model_copy(update={"array": scenario.array.model_copy(update={table: parts})})

    return change


def _request(scenario: Scenario, name: str, value: Any) -> Scenario:
    requests = tuple(request.model_copy(update={name: value}) for request in scenario.requests)
    return scenario.model_copy(update={"requests": requests})


def _extras(scenario: Scenario, name: str, value: Any) -> Scenario:
    requests = tuple(
        request.model_copy(update={"extras": request.extras.model_copy(update={name: value})})
        for request in scenario.requests
    )
    return scenario.model_copy(update={"requests": requests})


_KINDS = {
    "": _night,
    "limits": _limits,
    "class": _array("telescope_classes"),
    "line": _array("delay_lines"),
    "combiner": _array("combiners"),
    "request": _request,
    "extras": _extras,
}
