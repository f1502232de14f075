"""The tables of the two TOML files, one item each, sound or not.

An item keeps what the user wrote beside the part made of it: a station whose
height is refused still has a name that others may refer to.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from planner.errors import Problem
from planner.scenario.array import (
    Combiner,
    Configuration,
    DelayLine,
    Site,
    Station,
    Telescope,
    TelescopeClass,
)
from planner.scenario.light_path import (
    BeamSensor,
    DualFeed,
    FringeTracker,
    InternalCalibration,
    PathSegment,
    RoutingMode,
    SpectralSetup,
)
from planner.scenario.messages import Loc, Place, checked, shown
from planner.scenario.night import Effort, Limits, NightSettings, RequestExtras, Reserved
from planner.scenario.programs import GoodPlan, Program
from planner.scenario.values import Part


@dataclass(frozen=True)
class Section:
    """A kind of table: its model, whether it is a list, whether it must be there."""

    model: type[Part]
    is_list: bool
    required: bool
    what: str

    @property
    def may_lack(self) -> bool:
        """True for a single table that stands for something an array need not have: it has no defaults."""
        own = self.model.model_fields.values()
        return not (self.is_list or self.required) and any(field.is_required() for field in own)


ARRAY_SECTIONS: Mapping[str, Section] = {
    "site": Section(Site, False, True, "where the array stands"),
    "telescope_class": Section(TelescopeClass, True, True, "size, limits and speeds of telescopes"),
    "telescope": Section(Telescope, True, True, "one for each telescope"),
    "station": Section(Station, True, True, "one for each pad"),
    "delay_line": Section(DelayLine, True, True, "one for each delay line"),
    "combiner": Section(Combiner, True, True, "one for each beam combiner"),
    "configuration": Section(Configuration, True, True, "which movable telescope stands where"),
    "routing_mode": Section(RoutingMode, True, False, "named states of the routing optics"),
    "path_segment": Section(PathSegment, True, False, "fixed paths that can be switched into a beam"),
    "spectral_setup": Section(SpectralSetup, True, False, "states of a combiner's spectrograph"),
    "fringe_tracker": Section(FringeTracker, True, False, "what holds the paths equal"),
    "beam_sensor": Section(BeamSensor, True, False, "what holds the beams' position in the laboratory"),
    "internal_calibration": Section(InternalCalibration, True, False, "exposures without a star"),
    "dual_feed": Section(DualFeed, False, False, "star separators and differential delay"),
}
SCENARIO_SECTIONS: Mapping[str, Section] = {
    "night": Section(NightSettings, False, True, "date and configuration of the night"),
    "limits": Section(Limits, False, False, "limits that hold for every request"),
    "effort": Section(Effort, False, False, "effort of the solver"),
    "request": Section(RequestExtras, True, False, "what a request needs beyond its row"),
    "reserved": Section(Reserved, True, False, "time that is not for stars"),
    "program": Section(Program, True, False, "requests that share a time budget"),
    "plan": Section(GoodPlan, False, False, "what makes a plan good beside its score"),
}


@dataclass(frozen=True)
class Item:
    """One table or row: what stands there, the part it makes, and the fields that were refused.

    Parameters
    ----------
    place : Place
    raw : mapping
        As read; for a row, by column.
    model : type
    part : Part or None
        None when anything in it was refused.
    broken : frozenset of str
        Fields that were refused; for a row, columns.
    """

    place: Place
    raw: Mapping[str, Any]
    model: type[Part]
    part: Part | None
    broken: frozenset[str]

    def text(self, key: str) -> str | None:
        """Return the text under ``key``; None when there is none, or something else."""
        value = self.raw.get(key)
        return value if isinstance(value, str) and value else None

    def texts(self, key: str) -> list[tuple[Loc, str]]:
        """Return the texts in the list or table under ``key``, each with where it stands."""
        value = self.raw.get(key)
        pairs = (
            value.items()
            if isinstance(value, Mapping)
            else enumerate(value)
            if isinstance(value, (list, tuple))
            else ()
        )
        return [((key, step), text) for step, text in pairs if isinstance(text, str) and text]

    def sure(self, key: str) -> Any:
        """Return the value in force under ``key``, default included; None when it was refused."""
        if key in self.broken:
            return None
        return self.raw.get(key, self.model.model_fields[key].get_default(call_default_factory=True))


def read_sections(
    file: str, tables: Mapping[str, Any], sections: Mapping[str, Section], meant: frozenset[str]
) -> tuple[dict[str, tuple[Item, ...] | None], tuple[Problem, ...]]:
    """Judge the tables of one file.

    Parameters
    ----------
    file : str
    tables : mapping
        Content of the file.
    sections : mapping
        The tables it may hold.
    meant : frozenset of str
        Sections that the user seems to have written under another name.

    Returns
    -------
    items : dict
        By section; None where nothing can be said about what the section holds.
    problems : tuple of Problem
    """
    items: dict[str, tuple[Item, ...] | None] = {}
    problems: list[Problem] = []
    for name, section in sections.items():
        value = tables.get(name, [] if section.is_list else {})
        wanted = list if section.is_list else dict
        if name not in tables and name in meant:
            items[name] = None
        elif name not in tables and section.may_lack:
            items[name] = ()
        elif name not in tables and section.required:
            items[name] = None
            problems.append(
                Problem(file, name, "is missing", f"Add {_heading(name, section)}: {section.what}.")
            )
        elif not isinstance(value, wanted):
            items[name] = None
            kind = "one table" if isinstance(value, dict) else shown(value)
            kind = "a list" if isinstance(value, list) else kind
            expected = "a list of tables" if section.is_list else "one table"
            remedy = f"Write {_heading(name, section)}: {section.what}."
            problems.append(Problem(file, name, f"is {kind} where {expected} is expected", remedy))
        elif section.is_list and section.required and not value:
            items[name] = None
            problems.append(
                Problem(file, name, "is empty", f"Add {_heading(name, section)}: {section.what}.")
            )
        else:
            items[name], found = _items(file, name, section, value)
            problems += found
    return items, tuple(problems)


def _heading(name: str, section: Section) -> str:
    return f"[[{name}]]" if section.is_list else f"[{name}]"


def _items(file: str, name: str, section: Section, value: Any) -> tuple[tuple[Item, ...], list[Problem]]:
    made: list[Item] = []
    problems: list[Problem] = []
    tables = enumerate(value) if section.is_list else [(None, value)]
    for number, table in tables:
        place = Place(file, name if number is None else f"{name}[{number}]", name)
        if isinstance(table, dict):
            result = checked(section.model, table, place)
            made.append(Item(place, table, section.model, result.part, result.broken))
            problems += result.problems
        else:
            made.append(Item(place, {}, section.model, None, frozenset(section.model.model_fields)))
            remedy = f"Write {_heading(name, section)}: {section.what}."
            problems.append(place.problem((), f"is {shown(table)}, not a table", remedy))
    return tuple(made), problems
