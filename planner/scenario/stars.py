"""The rows of the two star tables as items: a star, and what is asked of it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from planner.errors import Problem
from planner.scenario.messages import Place, checked
from planner.scenario.night import RequestExtras
from planner.scenario.parts import Item
from planner.scenario.tables import MAX_TOLD, REQUEST_FIELDS, STAR_FIELDS, TARGETS, UNITS, Row, StarTable
from planner.scenario.targets import Request, Star

# A request is judged apart from its star; these stand in for what is judged elsewhere.
ANY_STAR = Star(name="any", ra_deg=0.0, dec_deg=0.0)
ANY_EXTRAS = RequestExtras(target="any")


def star_items(table: StarTable) -> tuple[tuple[Item, ...], tuple[Problem, ...]]:
    """Judge every row; the part of each item is its Star."""
    items: list[Item] = []
    problems: list[Problem] = []
    for row in table.rows:
        place = _place(table.file, row, STAR_FIELDS)
        if len(problems) >= MAX_TOLD:
            items.append(Item(place, row.values, Star, None, frozenset(table.columns)))
            continue
        star = checked(Star, star_values(row.values), place, _fields(row, STAR_FIELDS))
        problems += star.problems
        broken = _columns(star.broken, STAR_FIELDS)
        sound = star.part is not None
        if table.kind is TARGETS:
            values = {**request_values(row.values), "star": ANY_STAR, "extras": ANY_EXTRAS}
            place = _place(table.file, row, REQUEST_FIELDS)
            request = checked(Request, values, place, _fields(row, REQUEST_FIELDS))
            problems += request.problems
            broken |= _columns(request.broken, REQUEST_FIELDS)
            sound = sound and request.part is not None
        part = star.part if sound else None
        here = Place(table.file, place.key, "row", columns={name: name for name in table.kind.fields})
        items.append(Item(here, row.values, Star, part, broken | row.broken))
    if len(problems) >= MAX_TOLD:
        remedy = "Correct these first: the rows after them have not been looked at."
        problems.append(Problem(table.file, "", f"has {MAX_TOLD} problems or more", remedy))
    return tuple(items), tuple(problems)


def star_values(values: Mapping[str, Any]) -> dict[str, Any]:
    """Return the cells of a row that make a Star, by its fields."""
    fields = {STAR_FIELDS[name]: value for name, value in values.items() if name in STAR_FIELDS}
    bands = {name.removeprefix("mag_"): v for name, v in values.items() if name.startswith("mag_")}
    return {**fields, "mag": bands} if bands else fields


def request_values(values: Mapping[str, Any]) -> dict[str, Any]:
    """Return the cells of a row that make a Request, by its fields."""
    return {REQUEST_FIELDS[name]: value for name, value in values.items() if name in REQUEST_FIELDS}


def _place(file: str, row: Row, fields: Mapping[str, str]) -> Place:
    columns = {field: column for column, field in fields.items()}
    written = {fields[name]: text for name, text in row.written.items() if name in fields}
    units = {field: UNITS[column] for column, field in fields.items() if column in UNITS}
    return Place(file, row.name, "row", columns=columns, written=written, units=units)


def _fields(row: Row, fields: Mapping[str, str]) -> frozenset[str]:
    return frozenset(fields[name] for name in row.broken if name in fields)


def _columns(broken: frozenset[str], fields: Mapping[str, str]) -> frozenset[str]:
    return frozenset(column for column, field in fields.items() if field in broken)
