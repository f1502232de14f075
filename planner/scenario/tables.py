"""The tables of targets and calibrators, read by astropy and turned into plain rows.

A column's unit is converted; without one the unit is the one stated below. A
right ascension or declination as text with separators is sexagesimal (hours
and degrees); a plain number is degrees. An empty cell means "not given", and
so does NaN in FITS and VOTable, where the standards say so.
"""

from __future__ import annotations

import csv
import io
import math
import re
import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePath
from typing import Any, NamedTuple

import numpy as np
from astropy import units
from astropy.io import ascii as text_tables
from astropy.table import Column, Table

from planner.errors import Problem, nearest
from planner.scenario.files import read_bytes, utf8_text
from planner.scenario.messages import described, shown
from planner.scenario.targets import Request, Star

FORMATS = {".ecsv": "ECSV", ".csv": "CSV", ".vot": "VOTable", ".xml": "VOTable", ".fits": "FITS"}
STAR_FIELDS = {
    "name": "name",
    "ra": "ra_deg",
    "dec": "dec_deg",
    "epoch": "epoch_yr",
    "pmra": "pmra_mas_per_yr",
    "pmdec": "pmdec_mas_per_yr",
    "parallax": "parallax_mas",
    "radial_velocity": "radial_velocity_km_per_s",
    "diameter": "diameter_mas",
    "diameter_error": "diameter_error_mas",
}
REQUEST_FIELDS = {"combiner": "combiner", "priority": "priority", "visits": "visits", "field": "field_mas"}
TEXT = ("name", "combiner")
WHOLE = ("priority", "visits")
UNITS = {
    "ra": "deg",
    "dec": "deg",
    "epoch": "yr",
    "pmra": "mas/yr",
    "pmdec": "mas/yr",
    "parallax": "mas",
    "radial_velocity": "km/s",
    "diameter": "mas",
    "diameter_error": "mas",
    "field": "mas",
}


class Sexagesimal(NamedTuple):
    """How an angle is written with separators, and the unit name catalogues give such a column."""

    pattern: re.Pattern[str]
    unit: str
    form: str
    meaning: str
    example: str


SEXAGESIMAL = {
    "ra": Sexagesimal(
        re.compile(r"[+-]?\d[\d\s:.hms]*"), "hourangle", "h:m:s", "a right ascension in hours", "05:16:41.36"
    ),
    "dec": Sexagesimal(
        re.compile(r"[+-]?\d[\d\s:.dms°'\"′″]*"), "deg", "d:m:s", "a declination in degrees", "-08:12:05.9"
    ),
}
NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?|[+-]?(nan|inf|infinity)", re.IGNORECASE)
# Data or text from elsewhere, which a reader might fetch; links in descriptions are harmless.
OUTSIDE = re.compile(r"<!ENTITY|<(\w+:)?STREAM\b[^<>]*\bhref\s*=|\0", re.IGNORECASE)
# How astropy says that it took a word in a VOTable for an empty cell.
NO_NUMBER = re.compile(r":(\d+):\d+: W30: Invalid literal for float (.*?)\.\s+Treating as empty")
TOO_LARGE = 2**63
OTHER_SEPARATORS = {";": "semicolons", "\t": "tabs"}
MAX_ROWS = 20_000
LONGEST_REASON = 120
BAND_COLUMN = re.compile(r"mag_\S.*")


@dataclass(frozen=True)
class TableKind:
    """What a table must and may hold: ``role`` is also its key in ``scenario.toml``."""

    role: str
    fields: Mapping[str, str]
    required: tuple[str, ...]


TARGETS = TableKind("targets", STAR_FIELDS | REQUEST_FIELDS, ("name", "ra", "dec", "combiner", "field"))
CALIBRATORS = TableKind("calibrators", STAR_FIELDS, ("name", "ra", "dec", "diameter", "diameter_error"))


@dataclass(frozen=True)
class Cell:
    """One cell: its value (None when empty), its text if it was converted, why it is refused."""

    value: Any = None
    written: str = ""
    trouble: tuple[str, str] | None = None


@dataclass(frozen=True)
class Row:
    """One row, counted from 1: values given and texts of converted ones by column; unusable columns."""

    number: int
    values: Mapping[str, Any]
    written: Mapping[str, str]
    broken: frozenset[str]


@dataclass(frozen=True)
class StarTable:
    """A table of stars: its columns that are known ones, refused or not, and its rows."""

    file: str
    kind: TableKind
    columns: tuple[str, ...]
    rows: tuple[Row, ...]


def read_star_table(folder: Path, file: str, kind: TableKind) -> tuple[StarTable | None, tuple[Problem, ...]]:
    """Read a table of the scenario's folder; None when it cannot be read at all."""
    table, problems = read_table(folder, file, kind.role)
    if table is None:
        return None, problems
    columns, unknown = _usable_columns(table, file, kind)
    cells, refused = _cells(table, file, columns)
    rows, told = _rows(StarTable(file, kind, columns, ()), cells, len(table))
    return StarTable(file, kind, columns, rows), (*unknown, *refused, *told)


def read_table(
    folder: Path, file: str, role: str, with_times: bool = False
) -> tuple[Table | None, tuple[Problem, ...]]:
    """Read any table of the scenario's folder as it stands.

    Parameters
    ----------
    folder : Path
    file : str
    role : str
        Its key in ``scenario.toml``.
    with_times : bool
        Whether FITS columns with a time scale become times.
    """
    form = FORMATS.get(PurePath(file).suffix.lower())
    if form is None:
        found = "is not a kind of table that the planner reads"
        remedy = "Save it as one of .ecsv, .csv, .vot, .xml, .fits (the ending says which)."
        return None, (Problem(file, "", found, remedy),)
    content, problems = read_bytes(folder, file, role)
    if content is None:
        return None, problems
    return _table(content, file, form, with_times)


def _table(
    content: bytes, file: str, form: str, with_times: bool
) -> tuple[Table | None, tuple[Problem, ...]]:
    """Let astropy read the file, from memory, so that no name in it is opened or fetched."""
    head = ""
    if form != "FITS":
        text, problems = utf8_text(content, file)
        if text is None:
            return None, problems
        head = text.partition("</TABLE>")[0] if form == "VOTable" else _first_line(text)
        if form == "VOTable" and OUTSIDE.search(text):
            found = "refers to something outside itself"
            return None, (Problem(file, "", found, "Save it as one plain table (TABLEDATA)."),)
    try:
        other = _separator(head) if form == "CSV" else None
        if other:
            found, remedy = f"separates its columns by {other}", "Save it with commas, and points in numbers."
            return None, (Problem(file, "", found, remedy),)
        twice = _named_twice(head, form)
        if twice:
            return None, (Problem(file, twice, "is the name of two columns", "Keep one of them."),)
        # The readers warn about odd units and headers; what matters is judged below, in our words.
        with warnings.catch_warnings(record=True) as said:
            warnings.simplefilter("always")
            table = _read(content, form, with_times)
    except Exception as error:  # each reader raises what it likes on a broken file
        reason = (str(error).splitlines() or [type(error).__name__])[0]
        found = f"cannot be read as {form} ({reason[:LONGEST_REASON]})"
        return None, (Problem(file, "", found, "Correct the file, or save the table again."),)
    junk = [word for one in said if (word := NO_NUMBER.search(str(one.message)))]
    if junk:
        remedy = "Write a number with a decimal point; leave a cell empty where none is known."
        return None, tuple(
            Problem(file, f"line {word[1]}", f"holds {word[2]}, which is no number", remedy) for word in junk
        )
    if len(table) > MAX_ROWS:
        found = f"has {len(table)} rows, more than {MAX_ROWS}"
        return None, (Problem(file, "", found, "Keep only the rows this scenario needs."),)
    return table, ()


def _read(content: bytes, form: str, with_times: bool) -> Table:
    if form == "FITS":
        if not content.startswith(b"SIMPLE"):  # also keeps compressed files out
            raise ValueError("it does not begin with SIMPLE")
        return Table.read(io.BytesIO(content), format="fits", astropy_native=with_times)
    if form == "VOTable":
        return Table.read(io.BytesIO(content), format="votable", use_names_over_ids=True, verify="warn")
    lines = content.decode("utf-8-sig").replace("\r\n", "\n").split("\n")
    if form == "ECSV":
        return Table.read(lines, format="ascii.ecsv")
    as_text = {"*": [text_tables.convert_numpy(str)]}  # a star may be called 007
    return text_tables.read(lines, format="csv", guess=False, fast_reader=False, converters=as_text)


def _first_line(text: str) -> str:
    """The line with the names of the columns: the first that is neither empty nor a comment."""
    return next((line for line in text.split("\n") if line.strip() and not line.startswith("#")), "")


def _separator(head: str) -> str | None:
    """What stands between the column names of a CSV file in place of commas, in words."""
    return None if "," in head else next((w for c, w in OTHER_SEPARATORS.items() if c in head), None)


def _named_twice(head: str, form: str) -> str | None:
    """The first column name that stands twice, which astropy would quietly rename."""
    if form == "VOTable":
        names = re.findall(r"<FIELD\b[^>]*\bname\s*=\s*[\"']([^\"']*)", head)
    else:
        spaced = form == "ECSV" and "," not in head
        names = [name.strip() for name in next(csv.reader([head], delimiter=" " if spaced else ","), [])]
    return next((name for i, name in enumerate(names) if name and name in names[:i]), None)


def _usable_columns(table: Table, file: str, kind: TableKind) -> tuple[tuple[str, ...], tuple[Problem, ...]]:
    """Columns that mean something here, and problems with unknown and missing ones."""
    usable, problems, meant = [], [], set()
    known = [*kind.fields, "mag_<band>", "note"]
    for name in table.colnames:
        if name in kind.fields or BAND_COLUMN.fullmatch(name):
            usable.append(name)
        elif name != "note":
            guess = _meant(name, known)
            meant.add(guess)
            remedy = f"Did you mean {guess!r}?" if guess else f"Remove it, or use one of: {', '.join(known)}."
            problems.append(Problem(file, name, f"is not a column of the table of {kind.role}", remedy))
    for name in kind.required:
        if name not in table.colnames and name not in meant:
            problems.append(Problem(file, name, "is missing", f"Add this column: {what_is(name)}"))
    return tuple(usable), tuple(problems)


def _meant(name: str, known: Sequence[str]) -> str | None:
    """The nearest known column; a unit or a word after the name does not count."""
    short = name.lower()
    starts = [k for k in known if short.startswith((f"{k}_", f"{k} "))]
    if short.startswith("mag"):
        return "mag_<band>"
    return max(starts, key=len, default=None) or nearest(name, known) or nearest(short, known)


def what_is(column: str) -> str:
    """Return what a column holds, to stand after a colon."""
    if column in REQUEST_FIELDS:
        return described(Request, REQUEST_FIELDS[column], UNITS.get(column))
    return described(Star, STAR_FIELDS[column], UNITS.get(column))


def _cells(table: Table, file: str, columns: Sequence[str]) -> tuple[dict[str, list[Cell]], list[Problem]]:
    """The cells of each column that is not refused as a whole, and problems with those that are."""
    cells, problems = {}, []
    for name in columns:
        column = table[name]
        if not isinstance(column, Column) or column.ndim != 1:
            remedy = "Give one plain value in each row."
            problems.append(Problem(file, name, "is not a plain column", remedy))
            continue
        wrong_unit = _unit_problem(file, name, column.unit)
        if wrong_unit is not None:
            problems.append(wrong_unit)
            continue
        cells[name] = [_cell(name, plain(value), column.unit) for value in column.tolist()]
    return cells, problems


def _unit_problem(file: str, name: str, unit: Any) -> Problem | None:
    """Refuse a unit that does not fit the column."""
    if unit is None or str(unit) == "" or name in TEXT:
        return None
    wanted, text = _unit_of(name), _unit_text(unit)
    if wanted is None:
        return Problem(file, name, f"has the unit {text}", "Remove the unit: this is a plain number.")
    fits = not isinstance(unit, units.UnrecognizedUnit) and unit.is_equivalent(wanted)
    if fits or (name in SEXAGESIMAL and text == SEXAGESIMAL[name].form):
        return None
    found = f"has the unit {text}, which does not convert to {wanted}"
    return Problem(file, name, found, f"Give it in {wanted}.")


def _unit_of(name: str) -> str | None:
    """The unit of the model, None for a plain number."""
    return "mag" if name.startswith("mag_") else UNITS.get(name)


def _unit_text(unit: Any) -> str:
    return str(unit).strip("'\"")


def plain(value: Any) -> Any:
    """Return a cell as a Python value; None when it is empty."""
    if value is None or value is np.ma.masked:
        return None
    if isinstance(value, bytes):
        value = value.decode("utf-8", "replace")
    if isinstance(value, str):
        return value.strip() or None
    return value


def _cell(name: str, value: Any, unit: Any) -> Cell:
    """A cell in the unit of the model; what is no number stays as it is, for the model to refuse."""
    if name in TEXT:
        return Cell(str(value) if isinstance(value, (int, float, str)) else value)
    if isinstance(value, str) and NUMBER.fullmatch(value):
        value = float(value)
    if name in SEXAGESIMAL and (
        isinstance(value, str) or (isinstance(unit, units.UnrecognizedUnit) and value is not None)
    ):
        return _sexagesimal(name, str(value), unit)
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not abs(value) < TOO_LARGE:
        return Cell(value)  # NaN, too
    if name in WHOLE:
        return Cell(int(value) if value == math.floor(value) else value)
    wanted = _unit_of(name)
    if unit is None or str(unit) in ("", wanted):
        return Cell(float(value))
    inside = float(unit.to(wanted, float(value)))
    return Cell(inside, f"{value:g} {unit} ({inside:g} {wanted})")


def _sexagesimal(name: str, text: str, unit: Any) -> Cell:
    """An angle from text with separators, in degrees."""
    from astropy.coordinates import Angle

    way = SEXAGESIMAL[name]
    if unit is not None and _unit_text(unit) not in ("", way.form) and unit != units.Unit(way.unit):
        found = f"is {shown(text)}, but the unit of the column is {unit}"
        return Cell(trouble=(found, f"Remove the unit, or give numbers in {unit}."))
    if way.pattern.fullmatch(text):
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("error")  # astropy only warns of 60 seconds
                inside = float(Angle(text, unit=way.unit).deg)
        except (ValueError, Warning):
            pass
        else:
            return Cell(inside, f"{shown(text)} ({inside:g} deg)")
    remedy = f"Write it like {way.example}, or as a number in degrees."
    return Cell(trouble=(f"is {shown(text)}, not {way.meaning}", remedy))


def _rows(
    table: StarTable, cells: Mapping[str, list[Cell]], length: int
) -> tuple[tuple[Row, ...], list[Problem]]:
    """The cells by row, and problems with refused cells and empty ones that must be filled."""
    rows, problems = [], []
    for index in range(length):
        row = {name: column[index] for name, column in cells.items()}
        broken = {name for name in (*table.kind.required, *table.columns) if name not in cells}
        for name, cell in row.items():
            trouble = cell.trouble
            if cell.value is None and trouble is None and name in table.kind.required:
                trouble = ("is empty", f"Give it: {what_is(name)}")
            if trouble is not None:
                problems.append(Problem(table.file, f"row {index + 1}, {name}", *trouble))
                broken.add(name)
        given = {name: cell for name, cell in row.items() if cell.value is not None}
        values = {name: cell.value for name, cell in given.items()}
        written = {name: cell.written for name, cell in given.items() if cell.written}
        rows.append(Row(index + 1, values, written, frozenset(broken)))
    return tuple(rows), problems
