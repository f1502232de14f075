"""Scenarios spoiled in one to three places, at random but repeatably: slips of typing, copies, a bad disk."""

from __future__ import annotations

import copy
import csv
import datetime
import io
import random
import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from astropy.table import Table
from written import ARRAY, CALIBRATORS, SCENARIO, TARGETS, toml_text

SCENARIOS = Path(__file__).resolve().parent.parent / "scenarios"
TABLES = ("targets.csv", "calibrators.csv")
ODD_VALUES: tuple[Any, ...] = (
    True, "text", "", " ", 0, 1, -1, 7, 1.5, float("nan"), float("inf"), float("-inf"), 1e308, -1e308, 5e-324,
    10**30, -(10**19), [], {}, [[]], [1.0, 2.0], [2.0, 1.0], [float("nan"), 1.0], {"x": {"y": 1}}, ["a", 1],
    datetime.date(2027, 3, 11), datetime.date(1, 1, 1), datetime.time(12, 0),
    datetime.datetime(2027, 3, 12, 2),
    datetime.datetime(9999, 12, 31, 23, 59, 59, tzinfo=datetime.UTC),
    "x" * 500, "\u202eabc", "é\u0301☃", "a\tb",
    "\x00", "../../etc/passwd", "/dev/zero", "C:\\x", "nul", "2027-03-11", "12h", "T1,T2", "\ufeff",
    "[/bold]",
)  # fmt: skip
ODD_CELLS = (
    "", " ", "nan", "inf", "-inf", "1e308", "-1", "0", "1e400", "12:61:00", "-90:00:01", "24:00:00", "text",
    "360", "-360", "90.0001", '"', "a,b", "\u202eabc", "é☃", "x" * 300, "1_000", "0x10", "٣", "1e-320",
    "99999999999999",    "true", "--", "None", "+5", "1 2 3", "\t", "=1+1",
)  # fmt: skip
FACTORS = (-1.0, 0.0, 1e-9, 1e-3, 0.5, 2.0, 60.0, 1000.0, 1e9)


@dataclass
class Files:
    """A scenario's files: tables of the TOML files, rows of the star tables, and bytes in place of either."""

    toml: dict[str, dict[str, Any]]
    rows: dict[str, list[list[str]]]
    raw: dict[str, bytes | None]

    def write(self, folder: Path) -> None:
        """Write the files into an empty folder."""
        for name, content in self.contents().items():
            if content is not None:
                (folder / name).write_bytes(content)

    def contents(self) -> dict[str, bytes | None]:
        """Return {name: bytes}; None for a file that is left out."""
        written: dict[str, bytes | None] = {}
        for name, table in self.toml.items():
            written[name] = toml_text(table).encode("utf-8", "surrogatepass")
        for name, rows in self.rows.items():
            text = io.StringIO()
            csv.writer(text).writerows(rows)
            written[name] = text.getvalue().encode()
        return written | self.raw


def plain() -> Files:
    """The small scenario of ``written``."""
    targets = [row | {"combiner": "pair in K", "visits": "2", "field": "20"} for row in TARGETS]
    rows = {"targets.csv": targets, "calibrators.csv": CALIBRATORS}
    toml = {"scenario.toml": copy.deepcopy(SCENARIO), "array.toml": copy.deepcopy(ARRAY)}
    return Files(
        toml, {name: [list(own[0]), *(list(row.values()) for row in own)] for name, own in rows.items()}, {}
    )


def shipped(name: str) -> Files:
    """A scenario that comes with the planner, its star tables as CSV."""
    folder = SCENARIOS / name
    toml = {
        file: tomllib.loads((folder / file).read_text(encoding="utf-8"))
        for file in ("scenario.toml", "array.toml")
    }
    rows = {}
    for file in TABLES:
        role = file.removesuffix(".csv")
        table = Table.read(folder / f"{role}.ecsv", format="ascii.ecsv")
        toml["scenario.toml"][role] = file
        rows[file] = [list(table.colnames), *([str(cell) for cell in row] for row in table)]
    return Files(toml, rows, {})


def spoiled(files: Files, seed: int) -> Files:
    """Return a copy of the files with one to three mistakes in it, the same for the same seed."""
    chance = random.Random(seed)
    made = copy.deepcopy(files)
    for _ in range(chance.choice((1, 1, 2, 3))):
        chance.choice(MISTAKES)(made, chance)
    if chance.random() < 0.25:
        chance.choice(DAMAGE)(made, chance)
    return made


def _places(node: Any, own: list[tuple[Any, Any]]) -> list[tuple[Any, Any]]:
    """Every (table or list, key or index) below a node."""
    for key, value in list(node.items()) if isinstance(node, dict) else list(enumerate(node)):
        own.append((node, key))
        if isinstance(value, (dict, list)):
            _places(value, own)
    return own


def _place(made: Files, chance: random.Random, *kinds: type) -> tuple[Any, Any] | None:
    """A place in a TOML file, in one of these kinds of container when named."""
    file = chance.choice(list(made.toml))
    found = [place for place in _places(made.toml[file], []) if not kinds or isinstance(place[0], kinds)]
    return chance.choice(found) if found else None


def _delete_key(made: Files, chance: random.Random) -> None:
    if place := _place(made, chance):
        del place[0][place[1]]


def _odd_value(made: Files, chance: random.Random) -> None:
    if place := _place(made, chance):
        place[0][place[1]] = copy.deepcopy(chance.choice(ODD_VALUES))


def _another_number(made: Files, chance: random.Random) -> None:
    places = [p for table in made.toml.values() for p in _places(table, [])]
    numbers = [p for p in places if type(p[0][p[1]]) in (int, float)]
    if numbers:
        node, key = chance.choice(numbers)
        node[key] = type(node[key])(node[key] * chance.choice(FACTORS)) if node[key] == node[key] else 0.0


def _typing_slip(made: Files, chance: random.Random) -> None:
    if place := _place(made, chance, dict):
        node, key = place
        at = chance.randrange(len(key) + 1)
        node[chance.choice((key[:at] + key[at + 1 :], key[:at] + "x" + key[at:], key.upper(), "é"))] = (
            node.pop(key)
        )


def _twice(made: Files, chance: random.Random) -> None:
    if place := _place(made, chance, list):
        place[0].append(copy.deepcopy(place[0][place[1]]))


def _exchanged(made: Files, chance: random.Random) -> None:
    places = [p for p in (_place(made, chance), _place(made, chance)) if p is not None]
    if len(places) == 2:
        (a, x), (b, y) = places
        try:
            first, second = copy.deepcopy(a[x]), copy.deepcopy(b[y])
            a[x] = second
            b[y] = first
        except (IndexError, KeyError):
            pass


def _emptied(made: Files, chance: random.Random) -> None:
    if place := _place(made, chance):
        value = place[0][place[1]]
        place[0][place[1]] = type(value)() if isinstance(value, (list, dict, str)) else 0


def _another_name(made: Files, chance: random.Random) -> None:
    places = [p for table in made.toml.values() for p in _places(table, [])]
    texts = [p for p in places if isinstance(p[0][p[1]], str)]
    if texts:
        (node, key), (other, at) = chance.choice(texts), chance.choice(texts)
        node[key] = other[at]


def _cell(made: Files, chance: random.Random) -> None:
    rows = made.rows[chance.choice(TABLES)]
    row = chance.choice(rows) if rows else []
    if row:
        row[chance.randrange(len(row))] = chance.choice(ODD_CELLS)


def _columns_exchanged(made: Files, chance: random.Random) -> None:
    rows = made.rows[chance.choice(TABLES)]
    if rows and len(rows[0]) > 1:
        a, b = chance.sample(range(len(rows[0])), 2)
        rows[0][a], rows[0][b] = rows[0][b], rows[0][a]


def _column_gone(made: Files, chance: random.Random) -> None:
    rows = made.rows[chance.choice(TABLES)]
    at = chance.randrange(len(rows[0])) if rows and rows[0] else 0
    for row in rows:
        del row[at : at + 1]


def _row_twice(made: Files, chance: random.Random) -> None:
    rows = made.rows[chance.choice(TABLES)]
    if rows:
        rows.append(list(chance.choice(rows)))


def _row_gone(made: Files, chance: random.Random) -> None:
    rows = made.rows[chance.choice(TABLES)]
    if rows:
        del rows[chance.randrange(len(rows))]


def _bytes_of(made: Files, chance: random.Random) -> tuple[str, bytes]:
    name, content = chance.choice(list(made.contents().items()))
    return name, content or b""


def _truncated(made: Files, chance: random.Random) -> None:
    name, content = _bytes_of(made, chance)
    made.raw[name] = content[: chance.randrange(len(content) + 1)]


def _strange_bytes(made: Files, chance: random.Random) -> None:
    name, content = _bytes_of(made, chance)
    at = chance.randrange(len(content) + 1)
    strange = (
        b"\xff\xfe",
        b"\x00",
        b"\xed\xa0\x80",
        b"\x1b[2J",
        b"\r",
        b"\n\n",
        b'"',
        b"]",
        b"=",
        bytes(range(256)),
    )
    made.raw[name] = content[:at] + chance.choice(strange) + content[at:]


def _lines_lost(made: Files, chance: random.Random) -> None:
    name, content = _bytes_of(made, chance)
    lines = content.split(b"\n")
    chance.choice((lines.pop, lambda at: lines.insert(at, lines[at])))(chance.randrange(len(lines)))
    made.raw[name] = b"\n".join(lines)


def _another_encoding(made: Files, chance: random.Random) -> None:
    name, content = _bytes_of(made, chance)
    made.raw[name] = content.decode("utf-8", "replace").encode(
        chance.choice(("utf-16", "utf-32", "utf-8-sig"))
    )


def _gone(made: Files, chance: random.Random) -> None:
    made.raw[_bytes_of(made, chance)[0]] = None


MISTAKES: tuple[Callable[[Files, random.Random], None], ...] = (
    _delete_key, _odd_value, _odd_value, _another_number, _another_number, _typing_slip, _twice, _exchanged,
    _emptied, _another_name, _cell, _cell, _columns_exchanged, _column_gone, _row_twice, _row_gone,
)  # fmt: skip
DAMAGE: tuple[Callable[[Files, random.Random], None], ...] = (
    _truncated, _truncated, _strange_bytes, _lines_lost, _another_encoding, _gone,
)  # fmt: skip
