"""From a file of the scenario's folder to plain columns, whatever the form: ECSV, CSV, VOTable, FITS.

A CSV file may come from a spreadsheet: its columns are separated by commas,
semicolons or tabs, and what its export adds at the ends of lines and below the
last row is dropped. Rows are named by their line in the file; a FITS file has
no lines, so its rows are counted. The other forms are read by astropy, from
memory, so that no name in a file is opened or fetched, after a walk through the
file that keeps it within ``table_limits``. Whatever a reader raises, or leaves
to be raised when a column is looked at, becomes a problem with the file.
"""

from __future__ import annotations

import csv
import io
import itertools
import re
import warnings
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePath
from typing import Any

import numpy as np
from astropy.io.ascii import InconsistentTableError
from astropy.table import Column, Table
from astropy.time import Time

from planner.errors import Problem
from planner.scenario.files import read_bytes, utf8_text
from planner.scenario.table_limits import (
    AGAIN,
    MAX_TABLE_BYTES,
    Refusal,
    check_ecsv_header,
    check_fits,
    check_names,
    check_size,
    votable_walk,
)

FORMS = {".ecsv": "ECSV", ".csv": "CSV", ".vot": "VOTable", ".xml": "VOTable", ".fits": "FITS"}
# How astropy says that it took a word in a VOTable for an empty cell.
NO_NUMBER = re.compile(r":(\d+):\d+: W30: Invalid literal for float (.*?)\.\s+Treating as empty")
UNEVEN_ROW = re.compile(
    r"header columns \((\d+)\) inconsistent with data columns \((\d+)\) at data line (\d+)"
)
ECSV_LINE = re.compile(r"#\s*%ECSV")
SEPARATORS = ",;\t"
SEPARATOR_LINE = re.compile(r"sep=(.)\s*")  # the first line of some exports
LONGEST_REASON = 120
# What is said of columns that mean nothing to the planner.
ASIDE = "It is kept aside: nothing is read from it."


@dataclass(frozen=True)
class ReadColumn:
    """A column: its values as Python values or times, None for an empty cell.

    ``values`` is None for a column that holds lists or parts of its own; ``unit`` is astropy's.
    """

    values: tuple[Any, ...] | None
    unit: Any = None
    scale: str | None = None


@dataclass(frozen=True)
class ReadTable:
    """The columns of a file by name, what each row is called, and the separator of a CSV file."""

    columns: Mapping[str, ReadColumn]
    rows: tuple[str, ...]
    separator: str = ","


def read_table(
    folder: Path, file: str, role: str, with_times: bool = False
) -> tuple[ReadTable | None, tuple[Problem, ...]]:
    """Read any table of the scenario's folder as it stands.

    Parameters
    ----------
    folder : Path
    file : str
    role : str
        Its key in ``scenario.toml``.
    with_times : bool
        Whether FITS columns with a time scale become times.

    Returns
    -------
    table : ReadTable or None
        None when it cannot be read at all.
    problems : tuple of Problem
    """
    form = FORMS.get(PurePath(file).suffix.lower())
    if form is None:
        found = "is not a kind of table that the planner reads"
        remedy = "Save it as one of .ecsv, .csv, .vot, .xml, .fits (the ending says which)."
        return None, (Problem(file, "", found, remedy),)
    content, problems = read_bytes(folder, file, role, MAX_TABLE_BYTES)
    if content is None:
        return None, problems
    text, problems = (None, ()) if form == "FITS" else utf8_text(content, file)
    if problems:
        return None, problems
    try:
        # The readers warn about odd units and headers; what matters is judged later, in our words.
        with warnings.catch_warnings(record=True) as said:
            warnings.simplefilter("always")
            if form == "FITS":
                table = _fits(content, with_times)
            else:
                table = {"CSV": _csv, "ECSV": _ecsv, "VOTable": _votable}[form](text or "")
    except Refusal as refusal:
        return None, (Problem(file, refusal.key, refusal.found, refusal.remedy),)
    except Exception as error:  # each reader raises what it likes on a broken file
        reason = (str(error).splitlines() or [type(error).__name__])[0]
        found = f"cannot be read as {form} ({reason[:LONGEST_REASON]})"
        return None, (Problem(file, "", found, AGAIN),)
    junk = [word for one in said if (word := NO_NUMBER.search(str(one.message)))]
    if junk:
        remedy = "Write a number with a decimal point; leave a cell empty where none is known."
        return None, tuple(
            Problem(file, f"line {word[1]}", f"holds {word[2]}, which is no number", remedy) for word in junk
        )
    return table, ()


def _csv(text: str) -> ReadTable:
    """Text in rows, named columns; empty cells at the ends of lines and empty rows mean nothing."""
    lines = text.split("\n")
    start = next((k for k, line in enumerate(lines) if line.strip() and not line.startswith("#")), None)
    if start is None:
        raise Refusal("has no line with the names of its columns", "Add it.")
    announced = SEPARATOR_LINE.fullmatch(lines[start])
    start += announced is not None
    check_size(sum(1 for line in lines[start + 1 :] if line), 1)
    head = lines[start] if start < len(lines) else ""
    by = announced[1] if announced else max(SEPARATORS, key=head.count)
    records = _records(lines, start, by)
    _, first = next(records, (0, []))
    names = _without_empty_end(first)
    check_names(names)
    check_size(0, len(names))
    rows, cells = [], []
    for line, record in records:
        values = _without_empty_end(record)
        if not values:
            continue
        if len(values) > len(names):
            found = f"has {len(values)} cells for {len(names)} columns"
            raise Refusal(found, "Name its columns, or put text with separators in quotes.", f"line {line}")
        rows.append(f"line {line}")
        cells.append(values + [""] * (len(names) - len(values)))
        check_size(len(rows), len(names))
    table = {}
    for number, name in enumerate(names):
        values = [plain(row[number]) for row in cells]
        if name:
            table[name] = ReadColumn(tuple(values))
        elif any(value is not None for value in values):
            raise Refusal(
                f"has no name for column {number + 1}", "Name it, or empty it.", f"line {start + 1}"
            )
    return ReadTable(table, tuple(rows), by)


def _records(lines: Sequence[str], start: int, by: str) -> Iterator[tuple[int, list[str]]]:
    """The rows of CSV text from a line on, each with the number of the line it begins on."""
    reader = csv.reader((f"{line}\n" for line in lines[start:]), delimiter=by, skipinitialspace=True)
    before = 0
    for record in reader:
        yield start + before + 1, record
        before = reader.line_num


def _without_empty_end(cells: Sequence[str]) -> list[str]:
    """The cells of a line without the empty ones at its end, which a spreadsheet adds."""
    filled = [number for number, cell in enumerate(cells, start=1) if cell.strip()]
    return [cell.strip() for cell in cells[: max(filled, default=0)]]


def _ecsv(text: str) -> ReadTable:
    lines = text.split("\n")
    head = itertools.takewhile(lambda line: line.startswith("#") or not line.strip(), lines)
    check_ecsv_header([line[1:].removeprefix(" ") for line in head if not ECSV_LINE.match(line)])
    body = [k for k, line in enumerate(lines) if line.strip() and not line.startswith("#")]
    first = lines[body[0]] if body else ""
    names = next(csv.reader([first], delimiter="," if "," in first else " "), [])
    check_names([name.strip() for name in names])
    check_size(max(0, len(body) - 1), len(names))
    try:
        table = Table.read(lines, format="ascii.ecsv")
    except InconsistentTableError as error:
        # Its rows are counted from 0 after the headings; a quoted cell over several lines shifts the lines.
        uneven = UNEVEN_ROW.search(str(error))
        if uneven is None or any(lines[k].count('"') % 2 for k in body):
            raise
        line = body[1 + int(uneven[3])] + 1
        cells = "1 cell" if uneven[2] == "1" else f"{uneven[2]} cells"
        raise ValueError(f"line {line} has {cells}, the headings are {uneven[1]}") from None
    # A quoted cell may go over several lines; then rows are counted.
    named = [f"line {k + 1}" for k in body[1:]] if len(body) - 1 == len(table) else None
    return _plain_table(table, named)


def _votable(text: str) -> ReadTable:
    text, walked = votable_walk(text)
    table = Table.read(io.BytesIO(text.encode()), format="votable", use_names_over_ids=True, verify="warn")
    named = [f"line {line}" for line in walked.lines] if len(walked.lines) == len(table) else None
    return _plain_table(table, named)


def _fits(content: bytes, with_times: bool) -> ReadTable:
    check_fits(content)
    return _plain_table(Table.read(io.BytesIO(content), format="fits", astropy_native=with_times), None)


def _plain_table(table: Table, rows: Sequence[str] | None) -> ReadTable:
    """Look at every cell now: astropy reads some of them only then."""
    check_size(len(table), len(table.columns))
    columns = {name: _plain_column(name, table[name]) for name in table.colnames}
    return ReadTable(columns, tuple(rows or (f"row {k + 1}" for k in range(len(table)))))


def _plain_column(name: str, column: Any) -> ReadColumn:
    if isinstance(column, Time) and len(column.shape) == 1:
        times = tuple(column[k] for k in range(len(column)))
        return ReadColumn(tuple(None if _is_masked(time) else time for time in times), scale=column.scale)
    if not isinstance(column, Column) or column.ndim != 1:
        return ReadColumn(None)
    try:
        return ReadColumn(tuple(plain(value) for value in column.tolist()), column.unit)
    except UnicodeDecodeError:
        raise Refusal("holds text that is not UTF-8", "Save the table again as plain text.", name) from None


def _is_masked(time: Time) -> bool:
    return bool(time.masked and time.mask)


def plain(value: Any) -> Any:
    """Return a cell as a Python value; None when it is empty."""
    if value is None or value is np.ma.masked:
        return None
    if isinstance(value, bytes):
        value = value.decode("utf-8", "replace")
    if isinstance(value, str):
        return value.strip() or None
    return value
