"""The files of a scenario's folder: which one is meant, and its content.

A scenario is complete in its folder. A name that leads out of it is refused,
also by way of a link, so that a folder from a colleague reads nothing else.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Any

from planner.errors import InputProblems, Problem, nearest
from planner.scenario.messages import LIKE_TIME, date_trouble, shown

SCENARIO_FILE = "scenario.toml"
MAX_TOML_BYTES = 2_000_000  # a thousand of everything, and the reader takes a second
# A key that holds a date or a time, and what stands behind it.
TOML_DATE = re.compile(r"\b(?P<key>\w*(?:date|utc))[\"']?\s*=\s*(?P<value>[^\s,}\]#\"'][^,}\]#\n]*)")
TOML_WHERE = re.compile(r"(?P<what>.*) \(at (?P<where>[^()]*)\)", re.DOTALL)


def scenario_folder(folder: str | Path) -> Path:
    """Return the folder as a path.

    Raises
    ------
    InputProblems
        When it is not a folder.
    """
    path = Path(folder)
    try:
        is_folder, exists = path.is_dir(), path.exists()
    except (OSError, ValueError):
        is_folder = exists = False
    if is_folder:
        return path
    if exists:
        problem = Problem(
            str(path), "", "is a file, not a folder", f"Give the folder that holds {SCENARIO_FILE}."
        )
    else:
        problem = Problem(str(path), "", "does not exist", f"Give a folder that holds a {SCENARIO_FILE}.")
    raise InputProblems([problem])


def name_problem(key: str, name: str, folder: Path) -> Problem | None:
    """Refuse the name of a file that is no name or leads out of the folder."""
    remedy = "Put the file into the scenario's folder and give its name."
    for path in (PurePosixPath(name), PureWindowsPath(name)):
        if path.is_absolute() or path.drive or path.root or ".." in path.parts:
            return Problem(
                SCENARIO_FILE, key, f"is {shown(name)}, which leaves the scenario's folder", remedy
            )
    try:
        (folder / name).exists()  # raises for a name that no file can have
        inside = (folder / name).resolve().is_relative_to(folder.resolve())
    except (OSError, ValueError, RuntimeError):
        return Problem(SCENARIO_FILE, key, f"is {shown(name)}, which cannot be the name of a file", remedy)
    if not inside:
        return Problem(SCENARIO_FILE, key, f"is {shown(name)}, a link out of the scenario's folder", remedy)
    return None


def read_bytes(folder: Path, name: str, key: str, most: int) -> tuple[bytes | None, tuple[Problem, ...]]:
    """Return the content of a file of the folder, or the reason why there is none.

    Parameters
    ----------
    folder : Path
    name : str
    key : str
        The key of ``scenario.toml`` that names it; ``""`` for ``scenario.toml`` itself.
    most : int
        Bytes that it may have.
    """
    path = folder / name
    try:
        if not path.exists():
            return None, (_absent(folder, name, key),)
        if not path.is_file():
            return None, (Problem(name, "", "is not a file", "Put a file in its place."),)
        if not path.resolve().is_relative_to(folder.resolve()):
            found = "is a link out of the scenario's folder"
            return None, (Problem(name, "", found, "Put the file itself in its place."),)
        size = path.stat().st_size
        if size > most:
            found = f"has {size / 1e6:.0f} MB, more than {most // 1_000_000}"
            return None, (Problem(name, "", found, "Keep only what the planner needs."),)
        return path.read_bytes(), ()
    except OSError as error:
        remedy = "Check its name and that you may read it."
        return None, (Problem(name, "", f"cannot be read ({error.strerror})", remedy),)


def _absent(folder: Path, name: str, key: str) -> Problem:
    guess = nearest(name, sorted(path.name for path in folder.iterdir() if path.name != SCENARIO_FILE))
    if not key:
        remedy = f"Add it, or give the folder that holds a {SCENARIO_FILE}."
    elif guess:
        remedy = f'Did you mean {guess!r}? Then write {key} = "{guess}" in {SCENARIO_FILE}.'
    else:
        remedy = f'Add it, or name another file with {key} = "..." in {SCENARIO_FILE}.'
    if key == "calibrators":
        remedy += f" Without the line {key} = ... 'planner feasibility' answers for the science stars alone."
    return Problem(name, "", "does not exist", remedy)


def utf8_text(content: bytes, name: str) -> tuple[str | None, tuple[Problem, ...]]:
    """Return the text of a file, without a byte order mark and with plain line ends."""
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        return None, (Problem(name, f"line {line}", "is not UTF-8 text", "Save the file as UTF-8."),)
    return text.replace("\r\n", "\n"), ()


def read_toml(folder: Path, name: str, key: str) -> tuple[Mapping[str, Any] | None, tuple[Problem, ...]]:
    """Return the tables of a TOML file, or the reason why there are none."""
    content, problems = read_bytes(folder, name, key, MAX_TOML_BYTES)
    if content is None:
        return None, problems
    text, problems = utf8_text(content, name)
    if text is None:
        return None, problems
    try:
        return tomllib.loads(text), ()
    except RecursionError:
        problem = Problem(name, "", "is not valid TOML: lists in lists too deep", "Correct the file.")
    except tomllib.TOMLDecodeError as error:
        told = TOML_WHERE.fullmatch(str(error))
        where, what = (told["where"], told["what"]) if told else ("", str(error))
        dates = _no_dates(text, name, where)
        if dates:
            return None, dates
        what = what if what[1:2].isupper() else what[:1].lower() + what[1:]
        remedy = f"Correct {where}." if where.startswith("line") else "Correct the file."
        problem = Problem(name, where, f"is not valid TOML: {what.rstrip('.')}", remedy)
    except ValueError:  # the limit of Python's own int()
        problem = Problem(name, "", "holds a whole number with thousands of digits", "Correct the file.")
    return None, (problem,)


def _no_dates(text: str, name: str, where: str) -> tuple[Problem, ...]:
    """Dates and times of the line that TOML cannot take: it says so of any text in a word of its own."""
    number = re.match(r"line (\d+)", where)
    lines = text.split("\n")
    if number is None or int(number[1]) > len(lines):
        return ()
    problems = []
    for match in TOML_DATE.finditer(lines[int(number[1]) - 1]):
        key, value = match["key"], match["value"].strip()
        try:
            tomllib.loads(f"x = {value}")
        except tomllib.TOMLDecodeError:
            of_day = not key.endswith("utc")
            trouble = date_trouble(value) if of_day else (f"is {shown(value)}, not a time in UTC", LIKE_TIME)
            if trouble is not None:
                problems.append(Problem(name, f"line {number[1]}, {key}", trouble[0], f"{trouble[1]}."))
    return tuple(problems)
