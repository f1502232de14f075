"""The table of what earlier nights observed, as items: one row for each stretch of recording.

A time is ISO text (``2027-03-10T23:15:00``, with or without Z; another zone is
converted) or a time column of astropy, in any scale but UT1. Stations are
names with commas between them.
"""

from __future__ import annotations

import datetime
import re
import warnings
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from astropy.table import Column, Table
from astropy.time import Time

from planner.errors import Problem, nearest
from planner.scenario.messages import Place, checked, described, shown
from planner.scenario.parts import Item
from planner.scenario.tables import plain, read_table
from planner.scenario.targets import Observation

COLUMNS = tuple(Observation.model_fields)
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


def observation_items(folder: Path, file: str) -> tuple[tuple[Item, ...] | None, tuple[Problem, ...]]:
    """Read and judge the history; the part of each item is its Observation.

    Parameters
    ----------
    folder : Path
    file : str

    Returns
    -------
    items : tuple of Item or None
        None when the table cannot be read at all.
    problems : tuple of Problem
    """
    table, problems = read_table(folder, file, "history", with_times=True)
    if table is None:
        return None, problems
    told = _column_problems(table, file)
    cells: dict[str, Sequence[_Given]] = {}
    for name in COLUMNS:
        if name in table.colnames:
            refused = _refused(name, table[name])
            if refused is None:
                cells[name] = _cells(name, table[name])
            else:
                told.append(Problem(file, name, *refused))
    items = []
    for index in range(len(table)):
        item, found = _item(file, index + 1, {name: column[index] for name, column in cells.items()})
        items.append(item)
        told += found
    return tuple(items), tuple(told)


def _column_problems(table: Table, file: str) -> list[Problem]:
    """Columns that mean nothing here, and columns that are missing."""
    problems, meant = [], set()
    for name in table.colnames:
        if name in COLUMNS or name == "note":
            continue
        guess = _meant(name.lower())
        meant.add(guess)
        listed = ", ".join((*COLUMNS, "note"))
        remedy = f"Did you mean {guess!r}?" if guess else f"Remove it, or use one of: {listed}."
        problems.append(Problem(file, name, "is not a column of the history", remedy))
    for name in COLUMNS:
        if name not in table.colnames and name not in meant:
            what = described(Observation, name)
            problems.append(Problem(file, name, "is missing", f"Add this column: {what}"))
    return problems


def _meant(name: str) -> str | None:
    """The column that another name stands for: one of them is the other's beginning, or they look alike."""
    begins = [known for known in COLUMNS if known.startswith(name) or name.startswith(known)]
    return begins[0] if begins else nearest(name, COLUMNS)


def _refused(name: str, column: Any) -> tuple[str, str] | None:
    """Why a whole column cannot be used, and the remedy; None when it can."""
    if isinstance(column, Time) and name in TIMES and len(column.shape) == 1:
        if column.scale in NOT_UTC:
            return f"is a time in the scale {column.scale}", "Give it in UTC."
        return None
    if not isinstance(column, Column) or column.ndim != 1:
        return "is not a plain column", "Give one plain value in each row."
    return None


def _cells(name: str, column: Any) -> list[_Given]:
    if isinstance(column, Time):
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of years in which leap seconds are unknown
            return [_moment(column[index]) for index in range(len(column))]
    values = [plain(value) for value in column.tolist()]
    if name in TIMES:
        return [_time(value) for value in values]
    texts = [str(value) if isinstance(value, (int, float)) else value for value in values]
    if name == "stations":
        return [
            _Given([part.strip() for part in text.split(",")] if isinstance(text, str) else text)
            for text in texts
        ]
    return [_Given(text) for text in texts]


def _moment(time: Time) -> _Given:
    """A cell of a time column."""
    if time.masked and bool(time.mask):
        return _Given()
    try:
        return _Given(time.unmasked.utc.to_datetime(timezone=datetime.UTC))
    except ValueError:  # NaN, a leap second, or a year that has no date
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


def _item(file: str, number: int, cells: Mapping[str, _Given]) -> tuple[Item, list[Problem]]:
    """One row, and what is wrong with it."""
    place = Place(file, f"row {number}", "row", columns={name: name for name in COLUMNS})
    problems = []
    broken = {name for name in COLUMNS if name not in cells}
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
