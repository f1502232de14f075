"""The table of what earlier nights observed, as items: one row for each stretch of recording.

A time is ISO text (``2027-03-10T23:15:00``, with or without Z; another zone is
converted) or a time column of astropy, in any scale but UT1. Stations and
telescopes are names with commas between them.
"""

from __future__ import annotations

import datetime
import re
import warnings
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from astropy.time import Time

from planner.errors import Problem, nearest
from planner.scenario.messages import Place, checked, described, shown
from planner.scenario.parts import Item
from planner.scenario.table_files import ASIDE, ReadColumn, ReadTable, read_table
from planner.scenario.targets import Observation

COLUMNS = tuple(Observation.model_fields)
REQUIRED = tuple(name for name, field in Observation.model_fields.items() if field.is_required())
TIMES = ("start_utc", "end_utc")
# A date alone is refused: midnight is hardly ever meant.
ISO_TIME = re.compile(r"\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}.*")
TIME_REMEDY = "Write it like 2027-03-10T23:15:00Z"
# UT1 needs a table of the Earth's rotation; a local time has no zone.
NOT_UTC = ("ut1", "local")


class _Given(NamedTuple):
    """A cell: its value (None when empty or refused), and what is wrong with it."""

    value: Any = None
    trouble: tuple[str, str] | None = None


def observation_items(
    folder: Path, file: str
) -> tuple[tuple[Item, ...] | None, tuple[Problem, ...], tuple[Problem, ...]]:
    """Read and judge the history; the part of each item is its Observation.

    Parameters
    ----------
    folder : Path
    file : str

    Returns
    -------
    items : tuple of Item or None
        None when the table cannot be read at all.
    problems, warnings : tuple of Problem
        Columns that mean nothing here are kept aside with a warning.
    """
    table, problems = read_table(folder, file, "history", with_times=True)
    if table is None:
        return None, problems, ()
    told, aside = _column_problems(table, file)
    cells: dict[str, Sequence[_Given]] = {}
    for name in COLUMNS:
        if name in table.columns:
            refused = _refused(name, table.columns[name])
            if refused is None:
                cells[name] = _cells(name, table.columns[name])
            else:
                told.append(Problem(file, name, *refused))
    items = []
    for index, row in enumerate(table.rows):
        item, found = _item(file, row, {name: column[index] for name, column in cells.items()})
        items.append(item)
        told += found
    return tuple(items), tuple(told), tuple(aside)


def _column_problems(table: ReadTable, file: str) -> tuple[list[Problem], list[Problem]]:
    """Columns that are misspelt or missing; those that mean nothing here."""
    problems, aside, meant = [], [], set()
    for name in table.columns:
        if name in COLUMNS or name == "note":
            continue
        guess = _meant(name.lower())
        if guess and guess not in table.columns:
            meant.add(guess)
            problems.append(Problem(file, name, "is not a column of the history", f"Did you mean {guess!r}?"))
        else:
            aside.append(Problem(file, name, "is not a column of the history", ASIDE))
    for name in REQUIRED:
        if name not in table.columns and name not in meant:
            what = described(Observation, name)
            problems.append(Problem(file, name, "is missing", f"Add this column: {what}"))
    return problems, aside


def _meant(name: str) -> str | None:
    """The column that another name stands for: one of them is the other's beginning, or they look alike."""
    begins = [known for known in COLUMNS if known.startswith(name) or name.startswith(known)]
    return begins[0] if begins else nearest(name, COLUMNS)


def _refused(name: str, column: ReadColumn) -> tuple[str, str] | None:
    """Why a whole column cannot be used, and the remedy; None when it can."""
    if column.scale in NOT_UTC:
        return f"is a time in the scale {column.scale}", "Give it in UTC."
    if column.values is None or (column.scale is not None and name not in TIMES):
        return "is not a plain column", "Give one plain value in each row."
    return None


def _cells(name: str, column: ReadColumn) -> list[_Given]:
    values = column.values or ()
    if column.scale is not None:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of years in which leap seconds are unknown
            return [_Given() if time is None else _moment(time) for time in values]
    if name in TIMES:
        return [_time(value) for value in values]
    texts = [str(value) if isinstance(value, (int, float)) else value for value in values]
    if name in ("stations", "telescopes"):
        return [
            _Given([part.strip() for part in text.split(",")] if isinstance(text, str) else text)
            for text in texts
        ]
    return [_Given(text) for text in texts]


def _moment(time: Time) -> _Given:
    """A cell of a time column."""
    try:
        return _Given(time.unmasked.utc.to_datetime(timezone=datetime.UTC))
    except Exception:  # NaN, a leap second, a year that has no date; each raises what it likes
        return _Given(trouble=(f"is {shown(str(time.unmasked.value))}, not a time in UTC", TIME_REMEDY))


def _time(value: Any) -> _Given:
    """A cell of a column with ISO text."""
    if value is None:
        return _Given()
    if isinstance(value, str) and ISO_TIME.fullmatch(value):
        try:
            moment = datetime.datetime.fromisoformat(value)
            moment = moment if moment.tzinfo is not None else moment.replace(tzinfo=datetime.UTC)
            return _Given(moment.astimezone(datetime.UTC))
        except (ValueError, OverflowError):
            pass
    return _Given(trouble=(f"is {shown(value)}, not a time in UTC", TIME_REMEDY))


def _item(file: str, row: str, cells: Mapping[str, _Given]) -> tuple[Item, list[Problem]]:
    """One row, and what is wrong with it."""
    place = Place(file, row, "row", columns={name: name for name in COLUMNS})
    problems = []
    broken = {name for name in REQUIRED if name not in cells}
    cells = {name: cell for name, cell in cells.items() if name in REQUIRED or cell != _Given()}
    for name, cell in cells.items():
        if cell.trouble is not None:
            found, remedy = cell.trouble
            problems.append(place.problem((name,), found, f"{remedy}: {described(Observation, name)}"))
        elif cell.value is None:
            problems.append(place.problem((name,), "is empty", f"Give it: {described(Observation, name)}"))
        else:
            continue
        broken.add(name)
    values = {name: cell.value for name, cell in cells.items() if name not in broken}
    judged = checked(Observation, values, place, frozenset(broken))
    return Item(place, values, Observation, judged.part, judged.broken), [*problems, *judged.problems]
