"""How large a file of stars may be, looked at before its reader is let near it.

A reader of tables believes what a header says: it sets memory aside for rows
that are not there, multiplies units out, and takes minutes over a thousand
columns. Each form is therefore walked through once, with a hand that only
counts; what it finds too much of is told with the number that is allowed.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any
from xml.parsers import expat

import yaml

MAX_TABLE_BYTES = 10_000_000
MAX_ROWS = 20_000
MAX_COLUMNS = 200
MAX_CELLS = 400_000
MAX_NESTING = 30
MAX_ELEMENTS = 5_000  # of a VOTable, beside its rows and cells
MAX_HEADER_BYTES = 60_000  # of an ECSV file: its reader takes a second for ten times that
MAX_CARDS = 5_000  # of all headers of a FITS file
MAX_CELL_VALUES = 10_000
MAX_UNIT = 60

SMALLER = "Keep only what this scenario needs."
AGAIN = "Correct the file, or save the table again."
PLAIN = "Save it as one plain table."
# A unit is worked out when it is read: powers of brackets and long exponents take for ever.
UNIT_BEYOND = re.compile(r"\d{4}|\)\s*(\*\*|\^)?\s*[-+(\d]|(\*\*|\^)\s*\(*\s*[-+]?\d+\s*(\*\*|\^)")
CARD, BLOCK = 80, 2880
FITS_FORM = re.compile(r"(\d*)([LXBIJKAEDCMPQ])")
FITS_BYTES = dict(zip("LXBIJKAEDCMPQ", (1, 0.125, 1, 2, 4, 8, 1, 4, 8, 8, 16, 8, 16), strict=True))
VOTABLE_BYTES = {
    "boolean": 1, "bit": 1, "unsignedByte": 1, "short": 2, "int": 4, "long": 8, "char": 1, "unicodeChar": 2,
    "float": 4, "double": 8, "floatComplex": 8, "doubleComplex": 16,
}  # fmt: skip
DECLARATION = re.compile(r"\s*<\?xml[^>]*\?>")
YAML_KINDS = ("tag:yaml.org,2002:", "!astropy.table.SerializedColumn", "!astropy.units.Unit")


class Refusal(Exception):
    """Why a file is not given to its reader: what was found (in words), the remedy, the key."""

    def __init__(self, found: str, remedy: str = SMALLER, key: str = ""):
        self.found, self.remedy, self.key = found, remedy, key
        super().__init__(found)


def check_size(rows: int, columns: int) -> None:
    """Refuse a table of too many rows, columns or cells.

    Raises
    ------
    Refusal
    """
    for count, most, what in ((columns, MAX_COLUMNS, "columns"), (rows, MAX_ROWS, "rows")):
        if count > most:
            raise Refusal(f"has {count} {what}, more than {most}")
    if rows * columns > MAX_CELLS:
        raise Refusal(f"has {rows * columns} cells, more than {MAX_CELLS}")


def check_names(names: Sequence[str]) -> None:
    """Refuse a name that stands twice, which a reader would quietly change.

    Raises
    ------
    Refusal
    """
    known: set[str] = set()
    for name in names:
        if name and name in known:
            raise Refusal("is the name of two columns", "Keep one of them.", name)
        known.add(name)


def check_unit(text: str, column: str) -> None:
    """Refuse a unit that takes long to work out.

    Raises
    ------
    Refusal
    """
    if len(text) > MAX_UNIT:
        raise Refusal(f"has a unit of {len(text)} characters, more than {MAX_UNIT}", "Shorten it.", column)
    if UNIT_BEYOND.search(text):
        raise Refusal(f"has the unit {text!r}, which is none", "Write a plain unit, such as mas/yr.", column)


# VOTable


@dataclass
class VOTable:
    """What a walk through a VOTable found in its first table: column names, and the line of each row."""

    names: list[str] = field(default_factory=list)
    lines: list[int] = field(default_factory=list)


class _VOTableWalk:
    """Counts elements, and looks at what fields and tables claim."""

    def __init__(self, text: str):
        self.seen = VOTable()
        self.parser = expat.ParserCreate("utf-8")
        self.parser.buffer_text = True
        self.parser.StartElementHandler = self.start
        self.parser.EndElementHandler = self.end
        self.parser.CharacterDataHandler = self.text
        self.parser.EntityDeclHandler = self.outside
        self.parser.AttlistDeclHandler = self.outside
        self.depth = self.elements = self.cells = self.tables = 0
        self.row_bytes = self.stream = 0
        self.parser.Parse(text.encode(), True)
        check_names(self.seen.names)

    def outside(self, *_: Any) -> None:
        raise Refusal("refers to something outside itself", "Save it as one plain table (TABLEDATA).")

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        tag = tag.rpartition(":")[2]
        self.depth += 1
        if self.depth > MAX_NESTING:
            raise Refusal(f"has elements more than {MAX_NESTING} deep in one another", PLAIN)
        if tag == "TD":
            self.cells += 1
            if self.cells > MAX_CELLS:
                raise Refusal(f"has more than {MAX_CELLS} cells")
        elif tag == "TR":
            if self.tables <= 1:
                self.seen.lines.append(self.parser.CurrentLineNumber)
            if len(self.seen.lines) > MAX_ROWS:
                raise Refusal(f"has more than {MAX_ROWS} rows")
        else:
            self.elements += 1
            if self.elements > MAX_ELEMENTS:
                raise Refusal(f"has more than {MAX_ELEMENTS} elements beside its rows")
            self.claimed(tag, attributes)

    def claimed(self, tag: str, attributes: dict[str, str]) -> None:
        """Judge an element that is no row and no cell."""
        if tag == "TABLE":
            self.tables += 1
            self.row_bytes = 0
            check_size(_whole(attributes.get("nrows", "0")), 1)
        elif tag == "STREAM" and "href" in attributes:
            self.outside()
        elif tag == "FITS":
            raise Refusal("holds a FITS file inside", PLAIN)
        elif tag in ("FIELD", "PARAM"):
            name = attributes.get("name", "")
            check_unit(attributes.get("unit", ""), name)
            values, fixed = 1, attributes.get("arraysize", "1")
            for side in fixed.split("x"):
                values *= 1 if "*" in side else _whole(side)
            if not 1 <= values <= MAX_CELL_VALUES:
                found = f"claims {values} values in a cell, not 1 to {MAX_CELL_VALUES}"
                raise Refusal(found, "Give one plain value in each row.", name)
            if tag == "FIELD" and self.tables <= 1:
                self.seen.names.append(name)
                check_size(0, len(self.seen.names))
            own = VOTABLE_BYTES.get(attributes.get("datatype", ""), 1)
            self.row_bytes += 4 if "*" in fixed else own * values

    def end(self, _: str) -> None:
        self.depth -= 1

    def text(self, data: str) -> None:
        if self.depth and self.row_bytes and len(data) > 1000:
            self.stream += len(data)
            # Three bytes in four letters (base64); a row takes what its fields take at least.
            rows = self.stream * 3 // 4 // self.row_bytes
            if not self.seen.lines:
                check_size(rows, 1)


def _whole(text: str) -> int:
    if not re.fullmatch(r"\s*\d{1,18}\s*", text):
        raise Refusal(f"claims {text[:40]!r} where a whole number is expected", AGAIN)
    return int(text)


def votable_walk(text: str) -> tuple[str, VOTable]:
    """Walk through a VOTable.

    Parameters
    ----------
    text : str

    Returns
    -------
    text : str
        Without the declaration of an encoding: it has been decoded.
    seen : VOTable

    Raises
    ------
    Refusal
        When it is too large, or refers to something outside itself.
    """
    if "\0" in text:
        raise Refusal("holds a character that no text has", PLAIN)
    head = DECLARATION.match(text)
    text = "\n" * head.group().count("\n") + text[head.end() :] if head else text
    return text, _VOTableWalk(text).seen


# ECSV


def check_ecsv_header(lines: Sequence[str]) -> None:
    """Judge the YAML of an ECSV header by its nodes, before anything is made of them.

    Parameters
    ----------
    lines : sequence of str
        The lines of comment, without their sign.

    Raises
    ------
    Refusal
    """
    text = "\n".join(lines)
    if len(text) > MAX_HEADER_BYTES:
        raise Refusal(f"has a header of {len(text)} characters, more than {MAX_HEADER_BYTES}")
    sizes: dict[int, int] = {}
    root = yaml.compose(text, Loader=yaml.SafeLoader)
    if root is not None:
        _node_size(root, sizes, MAX_NESTING)


def _node_size(node: yaml.Node, sizes: dict[int, int], depth: int) -> int:
    """How many nodes a node stands for, each repetition by an alias counted."""
    if depth == 0:
        raise Refusal(f"has lists or tables more than {MAX_NESTING} deep in its header", PLAIN)
    if id(node) in sizes:
        size = sizes[id(node)]
    else:
        if not node.tag.startswith(YAML_KINDS) or "python" in node.tag:
            raise Refusal(f"holds {node.tag[:60]!r} in its header, which is no plain value", PLAIN)
        sizes[id(node)] = MAX_ELEMENTS + 1  # what stands inside itself has no end
        size = 1 + sum(_node_size(inner, sizes, depth - 1) for inner in _inner(node))
        sizes[id(node)] = size
    if size > MAX_ELEMENTS:
        raise Refusal(f"has a header of more than {MAX_ELEMENTS} values", PLAIN)
    return size


def _inner(node: yaml.Node) -> Iterator[yaml.Node]:
    if isinstance(node, yaml.MappingNode):
        for key, value in node.value:
            if getattr(key, "value", None) == "unit" and isinstance(value.value, str):
                check_unit(value.value, "")
            yield from (key, value)
    elif isinstance(node, yaml.SequenceNode):
        yield from node.value


# FITS


def check_fits(content: bytes) -> None:
    """Walk through the headers of a FITS file and compare what they claim with the file.

    Raises
    ------
    Refusal
        When a header has no end, when data are claimed that are not there, when there is too much.

    Notes
    -----
    FITS standard 4.0: cards of 80 bytes in blocks of 2880 (sections 3 and 4), size of the data from
    BITPIX, NAXISn, PCOUNT and GCOUNT (4.4.1), columns of binary tables from TFORMn (7.3.1).
    """
    if not content.startswith(b"SIMPLE"):  # also keeps compressed files out
        raise Refusal("cannot be read as FITS (it does not begin with SIMPLE)", AGAIN)
    place = cards = 0
    while place + BLOCK <= len(content) and content[place : place + 8] in (b"SIMPLE  ", b"XTENSION"):
        header: dict[str, str] = {}
        while True:
            card = content[place : place + CARD].decode("latin-1")
            place, cards = place + CARD, cards + 1
            if cards > MAX_CARDS:
                raise Refusal(f"has headers of more than {MAX_CARDS} cards")
            if len(card) < CARD:
                raise Refusal("has a header without an END", AGAIN)
            if card.rstrip() == "END":
                break
            if card[8:10] == "= ":
                header.setdefault(card[:8].rstrip(), card[10:].partition("/")[0].strip().strip("'").strip())
        place += -place % BLOCK
        size = _data_bytes(header)
        if place + size > len(content):
            found = f"claims {size} bytes of data and has {max(0, len(content) - place)}"
            raise Refusal(found, AGAIN)
        _check_fits_table(header)
        place += size + -size % BLOCK


def _number(header: dict[str, str], key: str, default: int) -> int:
    text = header.get(key, str(default))
    if not re.fullmatch(r"[+-]?\d{1,18}", text):
        raise Refusal(f"has {key} = {text[:30]!r} in a header", AGAIN)
    return int(text)


def _data_bytes(header: dict[str, str]) -> int:
    axes = _number(header, "NAXIS", 0)
    if not 0 <= axes <= 999:
        raise Refusal(f"has NAXIS = {axes} in a header", AGAIN)
    sides = [_number(header, f"NAXIS{k + 1}", 0) for k in range(axes)]
    groups, extra = _number(header, "GCOUNT", 1), _number(header, "PCOUNT", 0)
    if min([0, groups, extra, *sides]) < 0:
        raise Refusal("claims less than no data", AGAIN)
    values = math.prod(sides) if sides else 0
    return abs(_number(header, "BITPIX", 8)) // 8 * groups * (extra + values)


def _check_fits_table(header: dict[str, str]) -> None:
    """Judge a table: rows, columns, units, and whether its columns are as wide as its rows."""
    kind = header.get("XTENSION", "")
    if kind not in ("BINTABLE", "TABLE"):
        return
    columns = _number(header, "TFIELDS", 0)
    check_size(_number(header, "NAXIS2", 0), columns)
    width = 0.0
    for number in range(1, columns + 1):
        name = header.get(f"TTYPE{number}", f"column {number}")
        check_unit(header.get(f"TUNIT{number}", ""), name)
        form = FITS_FORM.match(header.get(f"TFORM{number}", ""))
        if kind != "BINTABLE":
            continue
        if form is None or len(form[1]) > 9:
            raise Refusal(f"has no TFORM{number} that can be", AGAIN, name)
        width += math.ceil(int(form[1] or 1) * FITS_BYTES[form[2]])
    row = _number(header, "NAXIS1", 0)
    if kind == "BINTABLE" and width != row:
        raise Refusal(f"has rows of {row} bytes and columns of {width:.0f}", AGAIN)
    if kind == "BINTABLE" and columns and not row:
        raise Refusal("has rows of 0 bytes", AGAIN)
