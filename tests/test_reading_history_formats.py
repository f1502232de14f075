"""The history in every kind of table, and times as astropy keeps them."""

from __future__ import annotations

import datetime
import io

import numpy as np
import pytest
from astropy.table import MaskedColumn, Table
from astropy.time import Time, TimeDelta
from test_reading_history import HALF_HOUR, ROW, START, WHAT, of_rows, with_history
from written import said


def bytes_of(table: Table, form: str) -> bytes:
    if form == "ecsv":
        text = io.StringIO()
        table.write(text, format="ascii.ecsv")
        return text.getvalue().encode()
    file = io.BytesIO()
    table.write(file, format="votable" if form == "vot" else "fits")
    return file.getvalue()


def text_table(**columns) -> Table:
    return Table({name: [text] for name, text in ROW.items()} | columns)


@pytest.mark.parametrize("form", ["ecsv", "vot", "fits"])
def test_every_kind_of_table_reads_the_same(tmp_path, form):
    assert with_history(bytes_of(text_table(), form), form).read(tmp_path).history == (
        of_rows(ROW).read(tmp_path / "text").history
    )


@pytest.mark.parametrize("form", ["ecsv", "fits"])
@pytest.mark.parametrize("scale", ["utc", "tai", "tt", "tdb"])
def test_a_time_column_of_astropy_is_read_in_utc(tmp_path, form, scale):
    start = Time([ROW["start_utc"]], scale="utc")
    end = start + TimeDelta(1800.0, format="sec")
    table = text_table(start_utc=getattr(start, scale), end_utc=getattr(end, scale))
    [row] = with_history(bytes_of(table, form), form).read(tmp_path).history
    # ECSV holds milliseconds of the scale: seconds apart if the scale were ignored, except for UTC.
    assert abs(row.start_utc - START) <= datetime.timedelta(milliseconds=1)
    assert abs(row.end_utc - row.start_utc - HALF_HOUR) <= datetime.timedelta(milliseconds=1)


def test_a_column_that_holds_no_text_and_no_times_is_refused_as_a_whole(tmp_path):
    table = text_table(stations=np.array([[1.0, 2.0]]))
    assert with_history(bytes_of(table, "ecsv"), "ecsv").messages(tmp_path) == [
        said("history.ecsv: stations", "is not a plain column", "Give one plain value in each row.")
    ]
    table = text_table(start_utc=Time([ROW["start_utc"]], scale="ut1"))
    assert with_history(bytes_of(table, "ecsv"), "ecsv").messages(tmp_path / "ut1") == [
        said("history.ecsv: start_utc", "is a time in the scale ut1", "Give it in UTC.")
    ]
    table = text_table(target=Time([ROW["start_utc"]], scale="utc"))
    assert with_history(bytes_of(table, "ecsv"), "ecsv").messages(tmp_path / "odd") == [
        said("history.ecsv: target", "is not a plain column", "Give one plain value in each row.")
    ]


def test_an_empty_or_endless_time_of_astropy_is_refused_in_its_row(tmp_path):
    times = Time([ROW["start_utc"]] * 2, scale="utc")
    times[1] = np.ma.masked
    table = Table({name: [text] * 2 for name, text in ROW.items()} | {"start_utc": times})
    assert with_history(bytes_of(table, "ecsv"), "ecsv").messages(tmp_path) == [
        said("history.ecsv: line 24, start_utc", "is empty", f"Give it: {WHAT['start_utc']}")
    ]
    far = text_table(end_utc=Time([12345.0], format="jyear", scale="utc"))
    [message] = with_history(bytes_of(far, "ecsv"), "ecsv").messages(tmp_path / "far")
    assert message.startswith("history.ecsv: line 21, end_utc: is ")
    assert ", not a time in UTC. Write it like 2027-03-10T23:15:00Z: when recording ended" in message


def test_a_masked_name_is_an_empty_one(tmp_path):
    table = text_table(target=MaskedColumn(["alpha"], mask=[True]))
    assert with_history(bytes_of(table, "ecsv"), "ecsv").messages(tmp_path) == [
        said("history.ecsv: line 11, target", "is empty", f"Give it: {WHAT['target']}")
    ]
