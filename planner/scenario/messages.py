"""From a refused value to a sentence: what stands there, and the remedy.

pydantic says which rule a value breaks; the words are ours. One table or row is
judged again and again with the refused fields put aside, because a rule between
two fields is only looked at once each field is sound: so every problem of the
table comes out, and none that merely follows from another.
"""

from __future__ import annotations

import contextlib
import datetime
import json
import math
import re
import types
import typing
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Generic, TypeVar

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from planner.errors import Problem, nearest
from planner.scenario.values import Part

P = TypeVar("P", bound=Part)
Loc = tuple[int | str, ...]
LONGEST_SHOWN = 60
LONGEST_LIST = 8
BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
LIKE_DATE = "Write it like 2027-03-11"
LIKE_TIME = "Write it like 2027-03-12T02:10:00Z"
DAY_FIRST = ("%d.%m.%Y", "%Y.%m.%d", "%Y/%m/%d", "%Y%m%d")  # forms of a date that mean one day only
ISO_DATE = re.compile(r"\d{4}-\d{2}-\d{2}")
WANTED = {
    "float_type": "a number",
    "int_type": "a whole number",
    "string_type": "text in quotes",
    "bool_type": "true or false",
    "tuple_type": "a list",
    "dict_type": "a table",
    "model_type": "a table",
}
BOUNDS = {
    "greater_than": ("gt", "is not above", "above"),
    "greater_than_equal": ("ge", "is below", "of at least"),
    "less_than": ("lt", "is not below", "below"),
    "less_than_equal": ("le", "is above", "of at most"),
}
# Tried in this order in place of a refused value, until the field accepts one.
STAND_INS: tuple[Any, ...] = (
    1.0,
    2,
    "x",
    [0.0, 1.0],
    [1.0],
    {"x": 1.0},
    ["x"],
    datetime.date(2000, 1, 1),
    2_451_545.0,  # a Julian date
    [[0.0, 1.0]],
)
STAND_IN_TIMES = {
    "start_utc": datetime.datetime(2000, 1, 1, tzinfo=datetime.UTC),
    "end_utc": datetime.datetime(2000, 1, 2, tzinfo=datetime.UTC),
}


@dataclass(frozen=True)
class Place:
    """Where a table or a row stands in the user's files.

    Parameters
    ----------
    file : str
    key : str
        ``"station[2]"``, ``"row 3"``, ``""`` for the top of a file.
    label : str
        What an unknown key is said not to belong to: ``"station"``.
    columns : mapping, optional
        For a row: name of the column of each model field.
    written : mapping
        For a row: text to show for a field whose value was converted.
    units : mapping
        For a row: unit of each model field that has one.
    beside : tuple of str
        Keys that may stand here but are read elsewhere.
    """

    file: str
    key: str
    label: str = ""
    columns: Mapping[str, str] | None = None
    written: Mapping[str, str] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)
    beside: tuple[str, ...] = ()

    def path(self, loc: Loc) -> str:
        """Return the user's name of what ``loc`` points to inside this table or row."""
        if self.columns is not None:
            column = f"mag_{loc[1]}" if loc[0] == "mag" else self.columns[str(loc[0])]
            return f"{self.key}, {column}"
        path = self.key
        for step in loc:
            if isinstance(step, int):
                path += f"[{step}]"
            else:
                name = step if BARE_KEY.fullmatch(step) else json.dumps(step, ensure_ascii=False)
                path += f".{name}" if path else name
        return path

    def problem(self, loc: Loc, found: str, remedy: str) -> Problem:
        """Return a problem with what ``loc`` points to; the empty one means the whole table."""
        return Problem(self.file, self.path(loc) if loc else self.key, found, remedy)


@dataclass(frozen=True)
class Checked(Generic[P]):
    """A judged table: the part it makes (None if refused), its problems, its refused fields."""

    part: P | None
    problems: tuple[Problem, ...]
    broken: frozenset[str]


def checked(
    model: type[P], values: Mapping[str, Any], place: Place, broken: frozenset[str] = frozenset()
) -> Checked[P]:
    """Judge a table against its model and tell everything that is wrong with it.

    Parameters
    ----------
    model : type
    values : mapping
        The table as read.
    place : Place
    broken : frozenset of str
        Fields that were refused before, about which nothing more is said.
    """
    problems, wrong = _first_look(model, values, place)
    wrong |= broken
    part = None
    for _ in range(2 * len(model.model_fields)):  # each turn puts at least one more field aside
        try:
            part = model.model_validate(_patched(model, values, wrong))
            break
        except ValidationError as error:
            blamed: set[str] = set()
            for detail in _told_apart(error.errors(include_url=False)):
                fields = _concerned(model, detail)
                if not fields & wrong:
                    problems.append(_told(model, detail, place))
                blamed |= fields
            wrong |= blamed
    unique = tuple(dict.fromkeys(problems))
    return Checked(None if unique or wrong else part, unique, frozenset(wrong))


def _first_look(model: type[Part], values: Mapping[str, Any], place: Place) -> tuple[list[Problem], set[str]]:
    """Problems that need no model: unknown keys, times, lists of tables; and the fields concerned."""
    problems, wrong = unknown_keys(
        [key for key in values if key not in place.beside],
        [*model.model_fields, *place.beside],
        place,
        given=set(values),
    )
    for name, info in model.model_fields.items():
        if name not in values:
            continue
        wanted = _without_none(info.annotation)
        if wanted in (datetime.date, datetime.datetime):
            told = _time_problem(wanted, values[name])
            if told is not None:
                problems.append(place.problem((name,), told[0], f"{told[1]}: {described(model, name)}"))
                wrong.add(name)
        told_inside = _problems_inside(wanted, values[name], place, name)
        problems += told_inside
        wrong |= {name} if told_inside else set()
    return problems, wrong


def _without_none(annotation: Any) -> Any:
    """The X of ``X | None``, bare of what it is annotated with; any other annotation as it is."""
    if typing.get_origin(annotation) not in (typing.Union, types.UnionType):
        return annotation
    given = [kind for kind in typing.get_args(annotation) if kind is not type(None)]
    if len(given) != 1:
        return annotation
    return typing.get_args(given[0])[0] if typing.get_origin(given[0]) is typing.Annotated else given[0]


def _problems_inside(wanted: Any, value: Any, place: Place, name: str) -> list[Problem]:
    """Problems with the table that a field holds, or with each of a list of tables."""
    if _is_part(wanted):
        return [] if isinstance(value, Part) else _inner_problems(wanted, value, place, (name,))
    inner = typing.get_args(wanted)[:1] if typing.get_origin(wanted) is tuple else ()
    if not inner or not _is_part(inner[0]) or not isinstance(value, list):
        return []
    return [
        problem
        for number, table in enumerate(value)
        for problem in _inner_problems(inner[0], table, place, (name, number))
    ]


def _is_part(kind: Any) -> bool:
    return isinstance(kind, type) and issubclass(kind, Part)


def _inner_problems(inner: type[Part], value: Any, place: Place, loc: Loc) -> list[Problem]:
    if not isinstance(value, dict):
        *most, last = (name for name, field in inner.model_fields.items() if field.is_required())
        listed = f"{', '.join(most)} and {last}" if most else last
        return [place.problem(loc, f"is {shown(value)}, not a table", f"Write a table with {listed}.")]
    return list(checked(inner, value, Place(place.file, place.path(loc), str(loc[0]))).problems)


def unknown_keys(
    keys: Iterable[str], known: Iterable[str], place: Place, given: set[str]
) -> tuple[list[Problem], set[str]]:
    """Return a problem for each unknown key, and the fields that the user seems to have meant."""
    names = list(known)
    problems, meant = [], set()
    for key in keys:
        if key in names:
            continue
        guess = nearest(key, names) or nearest(key.lower(), names)
        remedy = f"Did you mean {guess!r}?" if guess else f"Remove it, or use one of: {', '.join(names)}."
        problems.append(place.problem((key,), f"is not a key of {place.label}", remedy))
        if guess and guess not in given:
            meant.add(guess)
    return problems, meant


def _time_problem(wanted: Any, value: Any) -> tuple[str, str] | None:
    """Say why a value is no date or no UTC time; None when it is one.

    Needed because the validator also takes a bare number, as seconds since 1970.
    """
    if wanted is datetime.date:
        if isinstance(value, datetime.date) and not isinstance(value, datetime.datetime):
            return None
        return (
            date_trouble(value) if isinstance(value, str) else (f"is {shown(value)}, not a date", LIKE_DATE)
        )
    moment = _iso(value) if isinstance(value, str) else value
    if not isinstance(moment, datetime.datetime):
        return f"is {shown(value)}, not a time in UTC", LIKE_TIME
    if moment.tzinfo is None:
        return f"is {shown(value)}, without a zone", "End it with Z for UTC"
    return None


def date_trouble(text: str) -> tuple[str, str] | None:
    """Return why a text is no date, and how to write it; None when it is one.

    Examples
    --------
    >>> date_trouble("2027-01-08")
    >>> date_trouble("08.01.2027")
    ("is '08.01.2027', not a date", 'Write it 2027-01-08')
    >>> date_trouble("2027-02-30")
    ("is '2027-02-30', not a date", 'Write it like 2027-03-11')
    """
    if ISO_DATE.fullmatch(text) and _iso(text) is not None:
        return None
    for form in DAY_FIRST:
        with contextlib.suppress(ValueError):
            return (
                f"is {shown(text)}, not a date",
                f"Write it {datetime.datetime.strptime(text, form):%Y-%m-%d}",
            )
    return f"is {shown(text)}, not a date", LIKE_DATE


def _iso(text: str) -> datetime.datetime | None:
    try:
        return datetime.datetime.fromisoformat(text)
    except ValueError:
        return None


def _patched(model: type[Part], values: Mapping[str, Any], wrong: set[str]) -> dict[str, Any]:
    """The values with each refused field left out or, where it is required, stood in for."""
    patched = {k: v for k, v in values.items() if k in model.model_fields and k not in wrong}
    for name in wrong & set(model.model_fields):
        if model.model_fields[name].is_required():
            patched[name] = _stand_in(model, name)
    return patched


def _stand_in(model: type[Part], name: str) -> Any:
    if name in STAND_IN_TIMES:
        return STAND_IN_TIMES[name]
    annotation = model.model_fields[name].annotation
    allowed = typing.get_args(annotation) if typing.get_origin(annotation) is typing.Literal else ()
    for candidate in (*allowed, *STAND_INS):
        try:
            model.model_validate({name: candidate})
        except ValidationError as error:
            if all(detail["loc"][:1] != (name,) for detail in error.errors(include_url=False)):
                return candidate
        else:
            return candidate
    raise LookupError(f"no stand-in suits {model.__name__}.{name}")


def _told_apart(details: list[ErrorDetails]) -> list[ErrorDetails]:
    """Leave out that a list is too short where that is so only because what it holds was refused."""
    inside = {detail["loc"][:k] for detail in details for k in range(len(detail["loc"]))}
    return [detail for detail in details if detail["type"] != "too_short" or detail["loc"] not in inside]


def _concerned(model: type[Part], detail: ErrorDetails) -> set[str]:
    """The fields that an error is about; a rule of the whole table names them in its sentence."""
    if detail["loc"]:
        return {str(detail["loc"][0])}
    named = {name for name in model.model_fields if re.search(rf"\b{name}\b", detail["msg"])}
    return named or {"horizon_deg"}  # the skyline's rules speak of azimuths and altitudes only


def _told(model: type[Part], detail: ErrorDetails, place: Place) -> Problem:
    """Word one of pydantic's errors."""
    kind, loc, value, context = detail["type"], detail["loc"], detail["input"], detail.get("ctx", {})
    if kind == "value_error":
        fields = [name for name in model.model_fields if name in _concerned(model, detail)]
        about = "; ".join(f"{name}: {described(model, name).rstrip('.')}" for name in fields)
        where: Loc = () if not fields or fields[0] in detail["msg"] else (fields[0],)
        found = detail["msg"].removeprefix("Value error, ")
        return place.problem(where, found, f"Change {about or 'this table'}.")
    what = described(model, str(loc[0]), place.units.get(str(loc[0])))
    if kind == "missing" and isinstance(loc[-1], int):
        values = f"{len(value)} value{'' if len(value) == 1 else 's'}"
        return place.problem(loc[:-1], f"has {values} where 2 are expected", f"Give 2 values: {what}")
    if kind == "missing":
        return place.problem(loc, "is missing", f"Add it: {what}")
    found, remedy = _found(kind, place.written.get(str(loc[0])) or shown(value), value, context)
    return place.problem(loc, found, f"{remedy}: {what}")


def _found(kind: str, text: str, value: Any, context: Mapping[str, Any]) -> tuple[str, str]:
    """What stands there, and what to give instead."""
    if kind == "float_type" and isinstance(value, int) and not isinstance(value, bool):
        return f"is {text}, which is too large", "Give a smaller number"
    if kind in WANTED:
        return f"is {text}, not {WANTED[kind]}", f"Give {WANTED[kind]}"
    if kind in BOUNDS:
        key, not_so, so = BOUNDS[kind]
        if isinstance(context[key], str):  # the bound of a date comes as text
            return f"is {text}, which {not_so} {context[key]}", "Give another one"
        return f"is {text}, which {not_so} {context[key]:.12g}", f"Give a number {so} {context[key]:.12g}"
    if kind == "finite_number":
        return f"is {text}, not a finite number", "Give a number"
    if kind == "literal_error":
        return f"is {text}, not {context['expected']}", "Give one of these"
    if kind == "string_pattern_mismatch":
        return f"is {text}, which holds a character that cannot be printed", "Remove it"
    if kind == "string_too_long":
        return f"has {len(value)} characters, more than {context['max_length']}", "Shorten it"
    if kind == "too_long":
        length, most = context["actual_length"], context["max_length"]
        given = f"{length} or more" if length is None else length
        if most == 2:
            return f"has {given} values where 2 are expected", "Give 2 values"
        return f"has {given} values, more than {most}", f"Give {most} at most"
    if kind in ("string_too_short", "too_short"):
        return "is empty", "Give it"
    return f"is {text}, which cannot be used", "Change it"


def described(model: type[Part], name: str, unit: str | None = None) -> str:
    """Return what a field is, to stand after a colon.

    Examples
    --------
    >>> from planner.scenario.array import Station
    >>> described(Station, "north_m"), described(Station, "north_m", "m")
    ('north of the reference point.', 'north of the reference point, in m.')
    """
    text = model.model_fields[name].description or f"{name}."
    text = text if text[1:2].isupper() else text[0].lower() + text[1:]
    return f"{text.rstrip('.')}, in {unit}." if unit else text


def shown(value: Any) -> str:
    """Return a value as the user would recognise it, at most 60 characters.

    Examples
    --------
    >>> shown(True), shown("P1"), shown(30.0)
    ('true', "'P1'", '30.0')
    """
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (datetime.date, datetime.time)):
        return value.isoformat()
    if isinstance(value, int) and abs(value) >= 10**40:
        return f"a whole number of {math.floor(value.bit_length() * math.log10(2)) + 1} digits or so"
    try:
        text = repr(value)
    except (ValueError, RecursionError):  # digits beyond Python's limit, or lists in lists in lists
        return f"a {type(value).__name__} too large to show"
    return text if len(text) <= LONGEST_SHOWN else f"{text[: LONGEST_SHOWN - 3]}..."


def among(word: str, known: Iterable[str]) -> str:
    """Return a remedy that offers the nearest known name, or the first few of them.

    Examples
    --------
    >>> among("north", ["North", "Q7"]), among("zenith", ["P1", "Q7"])
    ("Did you mean 'North'?", "Use one of 'P1', 'Q7'.")
    """
    names = list(dict.fromkeys(known))
    guess = nearest(word, names)
    if guess:
        return f"Did you mean {shown(guess)}?"
    if len(names) == 1:
        return f"Use {shown(names[0])}."
    listed = ", ".join(shown(name) for name in names[:LONGEST_LIST])
    more = f" and {len(names) - LONGEST_LIST} more" if len(names) > LONGEST_LIST else ""
    return f"Use one of {listed}{more}."
