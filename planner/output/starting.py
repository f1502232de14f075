"""A scenario to start from: an invented array that plans a night at once, its keys explained."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

from planner.errors import InputProblems, Problem
from planner.output.writing import Contents, check_folder, replace_folder
from planner.scenario.schema import array_schema, scenario_schema, schema_json

NEW = Contents("a new scenario", ())
LONGEST_NAME = 80  # of a folder: the scenario is called like it


def starting_files() -> dict[str, str]:
    """Return the files of the starting scenario with their schemas, as {name: text}."""
    own = resources.files("planner.scenario") / "starting"
    files = {one.name: one.read_text(encoding="utf-8") for one in own.iterdir() if one.is_file()}
    schemas = {"array": array_schema(), "scenario": scenario_schema()}
    files |= {f"{name}.schema.json": schema_json(schema) for name, schema in schemas.items()}
    return dict(sorted(files.items()))


def write_new_scenario(folder: str | Path) -> Path:
    """Write the starting scenario to a folder that is new or empty, whole or not at all.

    Returns
    -------
    Path
        The folder, absolute.

    Raises
    ------
    InputProblems
        When the folder holds anything, or cannot be written.
    """
    path = Path(folder).absolute()
    remedy = "Give the name of a new folder."
    if path.is_dir() and not path.is_symlink() and any(path.iterdir()):
        raise InputProblems([Problem(str(path), "", "exists and is not empty", remedy)])
    if len(path.name) > LONGEST_NAME or not path.name.isprintable():
        found = "cannot be the name of a scenario, which is called like its folder"
        remedy = f"Give a folder a name of 1 to {LONGEST_NAME} letters, figures and signs."
        raise InputProblems([Problem(str(path)[:LONGEST_NAME], "", found, remedy)])
    check_folder(path, NEW, remedy)
    replace_folder(path, starting_files(), "Give a folder that you may write to, or make room.")
    return path
