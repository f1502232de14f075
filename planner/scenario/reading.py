"""From a folder to a :class:`Scenario`, or to everything that is wrong with it.

Nothing stops at the first problem: each file, table, row and rule is judged by
itself, then the parts are compared, and the user gets all of it at once.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

from planner.errors import InputProblems, Problem
from planner.scenario.array import Array
from planner.scenario.bands import magnitude_problems
from planner.scenario.checks import Draft, agreement_problems
from planner.scenario.files import SCENARIO_FILE, name_problem, read_toml, scenario_folder
from planner.scenario.history import observation_items
from planner.scenario.light_checks import light_problems
from planner.scenario.messages import Place, checked, unknown_keys
from planner.scenario.night import Effort, Limits, NightSettings, RequestExtras, ScenarioFile
from planner.scenario.parts import ARRAY_SECTIONS, SCENARIO_SECTIONS, Item, read_sections
from planner.scenario.plausibility import (
    ListedStar,
    listed_stars,
    plausibility_warnings,
    self_calibration_problems,
)
from planner.scenario.program_checks import program_problems
from planner.scenario.programs import GoodPlan
from planner.scenario.standing import standing_problems
from planner.scenario.stars import request_values, star_items
from planner.scenario.tables import (
    CALIBRATORS,
    REQUEST_FIELDS,
    TARGETS,
    StarTable,
    read_star_table,
)
from planner.scenario.targets import Observation, Request, Scenario, Star
from planner.scenario.values import ONE_LINE, Part

Sections = dict[str, tuple[Item, ...] | None]
ROLES = ("array", "targets", "calibrators", "history")
PLACES = (*SCENARIO_SECTIONS, *ARRAY_SECTIONS, "row", "line")
HEAD = re.compile(r"(?P<name>\w+)(?:[\[ ](?P<number>\d+))?")


def read_scenario(folder: str | Path) -> Scenario:
    """Read a scenario's folder and check everything in it.

    Parameters
    ----------
    folder : str or Path
        The folder that holds ``scenario.toml``.

    Returns
    -------
    Scenario
        Its name is the folder's; a target without a ``[[request]]`` table has plain extras.

    Raises
    ------
    InputProblems
        With every problem, in the order of the files.

    Examples
    --------
    >>> read_scenario("no/such/folder")
    Traceback (most recent call last):
    planner.errors.InputProblems: no/such/folder: does not exist. Give a folder that holds a scenario.toml.
    """
    name, top, draft = _sound(folder)
    return _scenario(name, top, draft)


def describe_defaults(folder: str | Path) -> list[tuple[str, str, Any]]:
    """List every default in force that the user did not write.

    Returns
    -------
    list of (file, key, value)
        For a column that a table does not have, the column is the key; for an
        empty cell, its row and column.

    Raises
    ------
    InputProblems
        When the scenario cannot be read.
    """
    _, top, draft = _sound(folder)
    return _defaults(top, draft)


@dataclass(frozen=True)
class Overview:
    """A scenario with what ``planner check`` tells of it.

    Attributes
    ----------
    scenario : Scenario
    warnings : tuple of Problem
        What can be read and is hardly meant, in the order of the files.
    defaults : tuple of (file, key, value)
        As ``describe_defaults`` has them.
    stars : tuple of ListedStar
    """

    scenario: Scenario
    warnings: tuple[Problem, ...]
    defaults: tuple[tuple[str, str, Any], ...]
    stars: tuple[ListedStar, ...]


def look_over(folder: str | Path) -> Overview:
    """Read a scenario and look for what is hardly meant in it.

    Raises
    ------
    InputProblems
        When it cannot be used at all.
    """
    name, top, draft = _sound(folder)
    scenario = _scenario(name, top, draft)
    odd = _in_order([*draft.warnings, *plausibility_warnings(draft, scenario)], draft.files)
    return Overview(scenario, tuple(odd), tuple(_defaults(top, draft)), tuple(listed_stars(draft)))


def _defaults(top: ScenarioFile, draft: Draft) -> list[tuple[str, str, Any]]:
    listed = _unwritten(Place(SCENARIO_FILE, ""), top)
    for items in draft.sections.values():
        for item in items or ():
            listed += _unwritten(item.place, cast(Part, item.part))
    for table in draft.tables.values():
        listed += _unfilled(table)
    return listed


def _sound(folder: str | Path) -> tuple[str, ScenarioFile, Draft]:
    """Name, top and parts of a scenario without a problem; InputProblems otherwise."""
    path = scenario_folder(folder)
    name, problems = _folder_name(path)
    draft, top, found = _read(path)
    problems += [*found, *agreement_problems(draft), *magnitude_problems(draft)]
    problems += [*standing_problems(draft), *light_problems(draft), *program_problems(draft)]
    problems += self_calibration_problems(draft)
    if problems or top is None:
        raise InputProblems(_in_order(problems, draft.files))
    return name, top, draft


def _folder_name(path: Path) -> tuple[str, list[Problem]]:
    """The folder's name, which is the scenario's."""
    name = os.fsencode(path.resolve().name).decode("utf-8", "replace")
    if 0 < len(name) <= 80 and re.fullmatch(ONE_LINE, name):
        return name, []
    what = f"of {len(name)} characters" if re.fullmatch(ONE_LINE, name) else "that cannot be printed"
    found = f"has a name {what}, and the scenario is called like its folder"
    return name, [Problem(str(path), "", found, "Give the folder a name of 1 to 80 characters.")]


def _read(path: Path) -> tuple[Draft, ScenarioFile | None, list[Problem]]:
    """Read and judge all files, each by itself."""
    tables, found = read_toml(path, SCENARIO_FILE, "")
    problems = list(found)
    top: ScenarioFile | None = None
    files: dict[str, str] = {}
    sections: Sections = {}
    if tables is None:  # judge at least the files with the usual names
        usual = {role: ScenarioFile.model_fields[role].default for role in ROLES}
        files = {role: name for role, name in usual.items() if name and (path / name).exists()}
    else:
        top, files, sections, told = _scenario_file(path, tables)
        problems += told
    if "array" in files:
        in_array, told = _array_file(path, files["array"])
        sections |= in_array
        problems += told
    star_tables, rows = {}, {}
    odd: list[Problem] = []
    for kind in (TARGETS, CALIBRATORS):
        if kind.role in files:
            table, found = read_star_table(path, files[kind.role], kind)
            problems += found
            if table is not None:
                star_tables[kind.role] = table
                odd += table.warnings
                rows[kind.role], found = star_items(table)
                problems += found
    if "history" in files:
        observed, found, aside = observation_items(path, files["history"])
        problems += found
        odd += aside
        if observed is not None:
            rows["history"] = observed
    return Draft(files, sections, star_tables, rows, tuple(odd)), top, problems


def _scenario_file(
    path: Path, tables: Mapping[str, Any]
) -> tuple[ScenarioFile | None, dict[str, str], Sections, list[Problem]]:
    """The top of ``scenario.toml``, the files it names, its tables, its problems."""
    place = Place(SCENARIO_FILE, "", SCENARIO_FILE, beside=tuple(SCENARIO_SECTIONS))
    values = {key: value for key, value in tables.items() if key not in SCENARIO_SECTIONS}
    top = checked(ScenarioFile, values, place)
    problems = list(top.problems)
    files = {}
    for role in ROLES:
        name = tables.get(role, ScenarioFile.model_fields[role].default)
        if role in top.broken or name is None:
            continue
        if role == "calibrators" and role not in tables and not (path / name).exists():
            continue  # none are wanted: feasibility then answers for the science stars alone
        leads_out = name_problem(role, name, path)
        if leads_out is None:
            files[role] = name
        else:
            problems.append(leads_out)
    sections, found = read_sections(SCENARIO_FILE, tables, SCENARIO_SECTIONS, top.broken)
    return top.part, files, sections, [*problems, *found]


def _array_file(path: Path, file: str) -> tuple[Sections, list[Problem]]:
    tables, problems = read_toml(path, file, "array")
    if tables is None:
        return {}, list(problems)
    unknown, meant = unknown_keys(tables, ARRAY_SECTIONS, Place(file, "", file), given=set(tables))
    sections, found = read_sections(file, tables, ARRAY_SECTIONS, frozenset(meant))
    return sections, [*unknown, *found]


def _in_order(problems: Iterable[Problem], files: Mapping[str, str]) -> list[Problem]:
    """Problems by file and by place in it, each once, otherwise as they were found."""
    order = [SCENARIO_FILE, *(files[role] for role in ROLES if role in files)]

    def place(problem: Problem) -> tuple[int, int, int]:
        file = order.index(problem.file) if problem.file in order else -1
        head = HEAD.match(problem.key)
        if head is None or head["name"] not in PLACES:
            return file, -1, 0
        return file, PLACES.index(head["name"]), int(head["number"] or 0)

    return sorted(dict.fromkeys(problems), key=place)


def _scenario(name: str, top: ScenarioFile, draft: Draft) -> Scenario:
    """Put the sound parts together."""

    def parts(kind: str) -> tuple[Any, ...]:
        return tuple(item.part for item in draft.items(kind))

    extras: dict[str, RequestExtras] = {extra.target: extra for extra in parts("request")}
    return Scenario(
        name=name,
        title=top.title,
        array=Array(
            site=parts("site")[0],
            telescope_classes=parts("telescope_class"),
            telescopes=parts("telescope"),
            stations=parts("station"),
            delay_lines=parts("delay_line"),
            combiners=parts("combiner"),
            configurations=parts("configuration"),
            routing_modes=parts("routing_mode"),
            path_segments=parts("path_segment"),
            spectral_setups=parts("spectral_setup"),
            fringe_trackers=parts("fringe_tracker"),
            beam_sensors=parts("beam_sensor"),
            internal_calibrations=parts("internal_calibration"),
            dual_feed=next(iter(parts("dual_feed")), None),
        ),
        night=cast(NightSettings, parts("night")[0]),
        limits=cast(Limits, parts("limits")[0]),
        effort=cast(Effort, parts("effort")[0]),
        requests=tuple(_request(item, extras) for item in draft.rows["targets"]),
        calibrators=tuple(cast(Star, item.part) for item in draft.rows.get("calibrators", ())),
        history=tuple(cast(Observation, item.part) for item in draft.rows.get("history", ())),
        reserved=parts("reserved"),
        programs=parts("program"),
        plan=cast(GoodPlan, parts("plan")[0]),
    )


def _request(item: Item, extras: Mapping[str, RequestExtras]) -> Request:
    star = cast(Star, item.part)
    own = extras.get(star.name) or RequestExtras(target=star.name)
    return Request.model_validate({**request_values(item.raw), "star": star, "extras": own})


def _unwritten(place: Place, part: Part) -> list[tuple[str, str, Any]]:
    """Fields of a part, and of the tables in it, that stand at their default."""
    listed: list[tuple[str, str, Any]] = []
    for name in type(part).model_fields:
        value = getattr(part, name)
        if name not in part.model_fields_set:
            listed.append((place.file, place.path((name,)), value))
        elif isinstance(value, Part):
            listed += _unwritten(Place(place.file, place.path((name,))), value)
        elif isinstance(value, tuple):
            for number, inner in enumerate(value):
                if isinstance(inner, Part):
                    listed += _unwritten(Place(place.file, place.path((name, number))), inner)
    return listed


def _unfilled(table: StarTable) -> list[tuple[str, str, Any]]:
    """Columns that are absent and cells that are empty, where a default stands in."""
    listed: list[tuple[str, str, Any]] = []
    for column, field in table.kind.fields.items():
        model: type[Part] = Request if column in REQUEST_FIELDS else Star
        info = model.model_fields[field]
        if column not in table.columns and not info.is_required():
            listed.append((table.file, column, info.default))
        if column in table.columns:
            empty = [row.name for row in table.rows if column not in row.values]
            listed += [(table.file, f"{name}, {column}", info.default) for name in empty]
    return listed
