"""Files that are no honest table: each is told as a problem of its own, in a second and little memory."""

from __future__ import annotations

import bz2
import gzip
import io
import json
import subprocess
import sys
import textwrap
import warnings
from pathlib import Path

import pytest
from test_reading_formats import stars, with_targets

pytestmark = pytest.mark.slow

TESTS = Path(__file__).resolve().parent


def fits_of(table):
    file = io.BytesIO()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        table.write(file, format="fits")
    return file.getvalue()


def card(text):
    return text.ljust(80).encode()


def fits_claiming(*cards, data=b""):
    """A FITS file with an empty primary and a binary table of these cards."""
    first = [
        card("SIMPLE  =                    T"),
        card("BITPIX  =                    8"),
        card("NAXIS   =                    0"),
    ]
    blocks = []
    for header in ([*first, card("END")], [card("XTENSION= 'BINTABLE'"), *map(card, cards), card("END")]):
        text = b"".join(header)
        blocks.append(text.ljust(-(-len(text) // 2880) * 2880))
    return b"".join(blocks) + data.ljust(-(-len(data) // 2880) * 2880, b"\0")


def votable(fields, rows, table="<TABLE>", top="", data=None):
    body = data or "<TABLEDATA>" + rows + "</TABLEDATA>"
    return (
        f'<?xml version="1.0"?>{top}<VOTABLE version="1.4"><RESOURCE>{table}{fields}<DATA>{body}</DATA>'
        "</TABLE></RESOURCE></VOTABLE>"
    ).encode()


def ecsv(header, body="name ra\na 1\n"):
    lines = ["%ECSV 1.0", "---", *header.splitlines()]
    return ("".join(f"# {line}\n" for line in lines) + body).encode()


NAME = '<FIELD name="name" datatype="char" arraysize="*"/>'
COLUMNS = "datatype:\n- {name: name, datatype: string}\n- {name: ra, datatype: float64}\nschema: astropy-2.0"
TEN = '"lol"' + "".join(f", &a{k} [{', '.join([f'*a{k - 1}'] * 10)}]" for k in range(1, 10))
ENTITIES = "".join(f'<!ENTITY l{k + 1} "{f"&l{k};" * 10}">' for k in range(9))
BASE = ("BITPIX  =                    8", "NAXIS   =                    2")


def narrow(rows, columns, *more, width=None, form="1A"):
    """Cards of a table of one-byte columns."""
    return (
        *BASE,
        f"NAXIS1  = {columns if width is None else width:20d}",
        f"NAXIS2  = {rows:20d}",
        "PCOUNT  =                    0",
        "GCOUNT  =                    1",
        f"TFIELDS = {columns:20d}",
        *(f"TFORM{k + 1:<3d}= '{form:8s}'" for k in range(min(columns, 900))),
        *(f"TTYPE{k + 1:<3d}= 'c{k}'" for k in range(min(columns, 900))),
        *more,
    )


HOSTILE = {
    # VOTable
    "entities.vot": votable(NAME, "<TR><TD>&l9;</TD></TR>", top=f'<!DOCTYPE x [<!ENTITY l0 "x">{ENTITIES}]>'),
    "attributes.vot": votable(NAME, "", top='<!DOCTYPE x [<!ATTLIST FIELD ref CDATA "x">]>'),
    "deep.vot": votable("<GROUP>" * 100_000, ""),
    "fields.vot": votable('<FIELD name="a" datatype="int"/>' * 100_000, ""),
    "names.vot": votable("".join(f'<FIELD name="a{k}" datatype="int"/>' for k in range(4000)), ""),
    "params.vot": votable('<PARAM name="a" datatype="int" value="1"/>' * 100_000 + NAME, ""),
    "options.vot": votable(NAME + "<INFO name='a' value='b'/>" * 200_000, ""),
    "cell.vot": votable('<FIELD name="name" datatype="char" arraysize="999999999"/>', "<TR><TD>a</TD></TR>"),
    "cells.vot": votable(
        '<FIELD name="ra" datatype="double" arraysize="9999x99999"/>', "<TR><TD>1</TD></TR>"
    ),
    "claim.vot": votable(NAME, "<TR><TD>a</TD></TR>", table='<TABLE nrows="999999999999">'),
    "rows.vot": votable(NAME, "<TR><TD>a</TD></TR>" * 400_000),
    "wide.vot": votable(NAME, "<TR>" + "<TD>a</TD>" * 900_000 + "</TR>"),
    "nothing.vot": votable(
        '<FIELD name="name" datatype="char" arraysize="0"/>',
        "",
        data='<BINARY><STREAM encoding="base64">AAAA</STREAM></BINARY>',
    ),
    "binary.vot": votable(
        '<FIELD name="name" datatype="char" arraysize="1"/>',
        "",
        data='<BINARY><STREAM encoding="base64">' + "AAAA" * 2_000_000 + "</STREAM></BINARY>",
    ),
    "inside.vot": votable(NAME, "", data="<FITS><STREAM encoding='base64'>AAAA</STREAM></FITS>"),
    "fetch.vot": votable(NAME, "", data="<BINARY><STREAM href='file:///dev/zero'/></BINARY>"),
    "unit.vot": votable(
        '<FIELD name="ra" datatype="double" unit="(10**9**9**9)deg"/>', "<TR><TD>1</TD></TR>"
    ),
    "power.vot": votable('<FIELD name="x" datatype="int" unit="m**(2**30)"/>', "<TR><TD>1</TD></TR>"),
    "ten.vot": votable('<FIELD name="ra" datatype="int" unit="10**99999999 deg"/>', "<TR><TD>1</TD></TR>"),
    "long.vot": votable(f'<FIELD name="ra" datatype="int" unit="{"m." * 100_000}m"/>', "<TR><TD>1</TD></TR>"),
    "bad.vot": votable('<FIELD name="ra" datatype="double"/>', "<TR><TD>x</TD></TR>" * 19_000),
    "ebcdic.vot": b'<?xml version="1.0" encoding="cp037"?>' + b"<VOTABLE/>",
    "endless.vot": b"<VOTABLE" + b" a" * 1_000_000,
    "packed.vot": gzip.compress(votable(NAME, "<TR><TD>a</TD></TR>" * 1_000_000)),
    "bz.vot": bz2.compress(b" " * 1_000_000),
    # ECSV
    "bomb.ecsv": ecsv(f"meta: [&a0 {TEN}]\n{COLUMNS}"),
    "merge.ecsv": ecsv(
        "meta:\n  m0: &m0 {a: 1}\n"
        + "".join(f"  m{k}: &m{k} {{<<: [{', '.join([f'*m{k - 1}'] * 9)}]}}\n" for k in range(1, 9))
        + COLUMNS
    ),
    "itself.ecsv": ecsv(f"meta: &a [*a]\n{COLUMNS}"),
    "deep.ecsv": ecsv("meta: " + "[" * 20_000 + "\n" + COLUMNS),
    "array.ecsv": ecsv(
        "meta: !numpy.ndarray {buffer: !!binary 'AA', dtype: float64, shape: [99999999999], order: C}\n"
        + COLUMNS
    ),
    "object.ecsv": ecsv(f"meta: !!python/object/apply:time.sleep [60]\n{COLUMNS}"),
    "header.ecsv": ecsv(COLUMNS + "\nmeta: {a: " + "x" * 5_000_000 + "}"),
    "sixties.ecsv": ecsv(COLUMNS + "\nmeta: {a: 1" + ":11" * 15_000 + "}"),
    "digits.ecsv": ecsv(COLUMNS + "\nmeta: {a: " + "9" * 50_000 + "}"),
    "columns.ecsv": ecsv(COLUMNS, " ".join(f"c{k}" for k in range(500_000)) + "\n"),
    "rows.ecsv": ecsv(COLUMNS, "name ra\n" + "a 1\n" * 1_000_000),
    "unit.ecsv": ecsv(COLUMNS.replace("datatype: float64", "datatype: float64, unit: '(10**9)**9999 deg'")),
    "json.ecsv": ecsv(
        COLUMNS.replace("string}", "string, subtype: json}"), "name ra\n" + "[" * 100_000 + " 1\n"
    ),
    "shape.ecsv": ecsv(
        COLUMNS.replace("string}", "string, subtype: 'float64[99999,99999]'}"), "name ra\n[1] 1\n"
    ),
    # CSV
    "columns.csv": ",".join(f"c{k}" for k in range(500_000)).encode() + b"\n",
    "commas.csv": b"," * 9_000_000,
    "rows.csv": b"name,ra\n" + b"a,1\n" * 2_000_000,
    "empty.csv": b"name,ra\n" + b",,\n" * 2_500_000,
    "quote.csv": b'name,ra\n"' + b"a\n" * 4_000_000,
    "digits.csv": b"name,ra,dec,combiner,field\na," + b"1" * 120_000 + b"x,1,a,1\n",
    "angle.csv": b"name,ra,dec,combiner,field\na," + b"1:" * 50_000 + b",1,a,1\n",
    "wrong.csv": b"name,ra,dec,combiner,field\n" + b"a,x,y,,z\n" * 3_000,
    "lines.csv": b"\n" * 9_000_000,
    "controls.csv": bytes(range(1, 128)) * 1000,
    # FITS
    "rows.fits": fits_claiming(*narrow(9 * 10**12, 1)),
    "wide.fits": fits_claiming(*narrow(1, 1, width=9 * 10**15)),
    "columns.fits": fits_claiming(*narrow(1, 999), data=b"a" * 999),
    "fields.fits": fits_claiming(*narrow(1, 10**9, width=1), data=b"a"),
    "none.fits": fits_claiming(*narrow(1000, 0), data=b"a"),
    "form.fits": fits_claiming(*narrow(1, 1, form="99999999A"), data=b"a"),
    "forms.fits": fits_claiming(*narrow(1, 1, form="9" * 40 + "A"), data=b"a"),
    "zero.fits": fits_claiming(*narrow(20_000, 1, width=0, form="0A"), data=b"a"),
    "axes.fits": fits_claiming("BITPIX  =                    8", "NAXIS   =            999999999"),
    "minus.fits": fits_claiming(*narrow(1, 1, width=-5)),
    "unit.fits": fits_claiming(*narrow(1, 1, "TUNIT1  = '(10**9)**999999999 deg'"), data=b"a"),
    "tail.fits": fits_claiming(*narrow(1, 1, width=8, form="PE(9)"), data=b"\x7f\xff\xff\xff" * 2),
    "dim.fits": fits_claiming(*narrow(1, 1, "TDIM1   = '(99999,99999)'"), data=b"a"),
    "cards.fits": fits_claiming(*narrow(1, 1, *["HISTORY x"] * 100_000), data=b"a"),
    "endless.fits": fits_claiming()[:2960] + card("COMMENT") * 100_000,
    "units.fits": fits_claiming(*[f"XTENSION= 'IMAGE'{k}" for k in range(3)]) * 1000,
    "hdus.fits": fits_claiming() + fits_claiming(*BASE[:1], "NAXIS   =                    0")[2880:] * 3000,
    "packed.fits": gzip.compress(b"\0" * 5_000_000),
    "half.fits": fits_of(stars())[:2880],
}
ONE_BY_ONE = """
    import os, pathlib, resource, signal, sys
    sys.path.insert(0, sys.argv[1])
    from test_hostile_tables import HOSTILE, outcome
    outcome("stars.fits", HOSTILE["half.fits"], pathlib.Path(sys.argv[2]) / "first")  # imports what it needs
    outcome("stars.vot", HOSTILE["inside.vot"], pathlib.Path(sys.argv[2]) / "second")
    outcome("stars.ecsv", HOSTILE["rows.ecsv"][:200], pathlib.Path(sys.argv[2]) / "third")
    held = int(pathlib.Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
    for name, content in HOSTILE.items():
        sys.stdout.flush()
        child = os.fork()
        if child == 0:
            resource.setrlimit(resource.RLIMIT_AS, (held + 300_000_000,) * 2)
            signal.setitimer(signal.ITIMER_PROF, 1.0)  # ends the child after a second of CPU
            folder = pathlib.Path(sys.argv[2]) / name.replace(".", "-")
            print(name, outcome(name, content, folder), flush=True)
            os._exit(0)
        _, status = os.waitpid(child, 0)
        if status:
            print(name, f"ended by signal {os.WTERMSIG(status)}", flush=True)
"""


def outcome(name, content, folder):
    """The messages about the targets, of a scenario whose targets come from such a file; as JSON."""
    try:
        told = with_targets(content, name.rpartition(".")[2]).messages(folder)
    except BaseException as error:
        return json.dumps(f"{type(error).__name__}: {error}")
    return json.dumps([message for message in told if message.startswith("targets.")][:3])


@pytest.fixture(scope="module")
def outcomes(tmp_path_factory):
    code = textwrap.dedent(ONE_BY_ONE)
    folder = tmp_path_factory.mktemp("hostile")
    done = subprocess.run(
        [sys.executable, "-c", code, str(TESTS), str(folder)], capture_output=True, text=True, check=True
    )
    return dict(line.split(" ", 1) for line in done.stdout.splitlines())


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_file_is_told_in_a_second_and_300_megabytes(outcomes, name):
    told = json.loads(outcomes[name]) if outcomes[name][0] in '["' else outcomes[name]
    assert isinstance(told, list), told
    assert told, "accepted in silence"
