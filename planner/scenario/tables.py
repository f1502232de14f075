"""The tables of targets and calibrators, turned into rows of plain values.

A column's unit is converted; without one the unit is the one stated below. A
right ascension or declination as text with separators is sexagesimal (hours
and degrees); a plain number is degrees. An empty cell means "not given", and
so does NaN in FITS and VOTable, where the standards say so.
"""

from __future__ import annotations

import math
import re
import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, NamedTuple

from astropy import units

from planner.errors import Problem, nearest
from planner.scenario.messages import described, shown
from planner.scenario.table_files import ASIDE, ReadTable, read_table
from planner.scenario.targets import Request, Star

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
TOO_LARGE = 2**63
LONGEST_CELL = 200
# A number, or an angle with separators, that ends with a decimal comma and digits.
COMMA = re.compile(r"[+-]?[\d\s:.hmd°'′]*\d,\d+([eE][+-]?\d+)?[s\"″]?")
MAX_TOLD = 500  # problems of one table: whoever has more made one mistake many times
BAND_MEANT = re.compile(r"mag(nitude)?[ .-]?\w{0,2}", re.IGNORECASE)
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
    """One row: what it is called, values given and texts of converted ones by column; unusable columns."""

    name: str
    values: Mapping[str, Any]
    written: Mapping[str, str]
    broken: frozenset[str]


@dataclass(frozen=True)
class StarTable:
    """A table of stars: its columns that are known ones, refused or not, its rows, and warnings."""

    file: str
    kind: TableKind
    columns: tuple[str, ...]
    rows: tuple[Row, ...]
    warnings: tuple[Problem, ...] = ()


def read_star_table(folder: Path, file: str, kind: TableKind) -> tuple[StarTable | None, tuple[Problem, ...]]:
    """Read a table of the scenario's folder; None when it cannot be read at all."""
    table, problems = read_table(folder, file, kind.role)
    if table is None:
        return None, problems
    columns, unknown, aside = _usable_columns(table, file, kind)
    table, commas = _with_points(table, file, columns)
    cells, refused = _cells(table, file, columns)
    rows, told = _rows(StarTable(file, kind, columns, ()), cells, table.rows)
    return StarTable(file, kind, columns, rows, (*aside, *commas)), (*unknown, *refused, *told)


def _usable_columns(
    table: ReadTable, file: str, kind: TableKind
) -> tuple[tuple[str, ...], tuple[Problem, ...], tuple[Problem, ...]]:
    """Columns that mean something; problems with misspelt and missing ones; those that are kept aside."""
    usable, problems, aside, meant = [], [], [], set()
    known = [*kind.fields, "mag_<band>", "note"]
    for name in table.columns:
        if name in kind.fields or BAND_COLUMN.fullmatch(name):
            usable.append(name)
        elif name != "note":
            guess = _meant(name, known)
            there = not BAND_MEANT.fullmatch(name) if guess == "mag_<band>" else guess in table.columns
            what = f"is not a column of the table of {kind.role}"
            if guess and not there:  # else a value would be lost without a word
                meant.add(guess)
                problems.append(Problem(file, name, what, f"Did you mean {guess!r}?"))
            else:
                aside.append(Problem(file, name, what, ASIDE))
    for name in kind.required:
        if name not in table.columns and name not in meant:
            problems.append(Problem(file, name, "is missing", f"Add this column: {what_is(name)}"))
    return tuple(usable), tuple(problems), tuple(aside)


def _with_points(table: ReadTable, file: str, columns: Sequence[str]) -> tuple[ReadTable, list[Problem]]:
    """The table with points for the decimal commas in the numbers of a spreadsheet's export."""
    if table.separator == ",":
        return table, []
    changed: dict[str, Any] = {}
    where = found = ""
    for name in columns:
        values = table.columns[name].values or ()
        commas = [k for k, value in enumerate(values) if isinstance(value, str) and COMMA.fullmatch(value)]
        if name in TEXT or not commas:
            continue
        points = list(values)
        for k in commas:
            points[k] = values[k].replace(",", ".")
        if not changed:
            k = commas[0]
            where = f"{table.rows[k]}, {name}"
            found = f"is {shown(values[k])}, read as {points[k]}: commas here are decimal points"
        changed[name] = replace(table.columns[name], values=tuple(points))
    if not changed:
        return table, []
    if len(changed) > 1:
        found += f"; so in {', '.join(list(changed)[1:])}"
    warning = Problem(file, where, found, "Correct it if that is not meant.")
    return replace(table, columns={**table.columns, **changed}), [warning]


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


def _cells(
    table: ReadTable, file: str, columns: Sequence[str]
) -> tuple[dict[str, list[Cell]], list[Problem]]:
    """The cells of each column that is not refused as a whole, and problems with those that are."""
    cells, problems = {}, []
    for name in columns:
        column = table.columns[name]
        if column.values is None:
            remedy = "Give one plain value in each row."
            problems.append(Problem(file, name, "is not a plain column", remedy))
            continue
        wrong_unit = _unit_problem(file, name, column.unit)
        if wrong_unit is not None:
            problems.append(wrong_unit)
            continue
        cells[name] = [_cell(name, value, column.unit) for value in column.values]
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


def _cell(name: str, value: Any, unit: Any) -> Cell:
    """A cell in the unit of the model; what is no number stays as it is, for the model to refuse."""
    if name in TEXT:
        return Cell(str(value) if isinstance(value, (int, float, str)) else value)
    if isinstance(value, str) and len(value) > LONGEST_CELL:
        return Cell(trouble=(f"has {len(value)} characters", "Shorten it."))
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
    table: StarTable, cells: Mapping[str, list[Cell]], names: Sequence[str]
) -> tuple[tuple[Row, ...], list[Problem]]:
    """The cells by row, and problems with refused cells and empty ones that must be filled."""
    rows: list[Row] = []
    problems: list[Problem] = []
    for index, own in enumerate(names):
        row = {name: column[index] for name, column in cells.items()}
        broken = {name for name in (*table.kind.required, *table.columns) if name not in cells}
        for name, cell in row.items():
            trouble = cell.trouble
            if cell.value is None and trouble is None and name in table.kind.required:
                trouble = ("is empty", f"Give it: {what_is(name)}")
            if trouble is not None:
                if len(problems) < MAX_TOLD:
                    problems.append(Problem(table.file, f"{own}, {name}", *trouble))
                broken.add(name)
        given = {name: cell for name, cell in row.items() if cell.value is not None}
        values = {name: cell.value for name, cell in given.items()}
        written = {name: cell.written for name, cell in given.items() if cell.written}
        rows.append(Row(own, values, written, frozenset(broken)))
    return tuple(rows), problems
