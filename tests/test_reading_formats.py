"""The star tables in every format: units, empty cells, sexagesimal angles, and files that are no table."""

from __future__ import annotations

import io
import warnings

import numpy as np
import pytest
from astropy.table import MaskedColumn, Table
from written import Written

FORMATS = {"ecsv": "ascii.ecsv", "csv": "ascii.csv", "vot": "votable", "xml": "votable", "fits": "fits"}


def stars(**columns):
    """A table of two targets in degrees, some columns replaced."""
    plain = {
        "name": ["alpha", "beta"],
        "ra": [79.0, 80.0],
        "dec": [-8.0, -9.0],
        "combiner": ["pair in K", "pair in K"],
        "field": [20.0, 30.0],
        "mag_K": [4.0, 3.0],
    }
    return Table(plain | columns)


def with_targets(table, ending):
    """A written scenario whose targets come from this table or from these bytes."""
    if isinstance(table, bytes):
        content = table
    else:
        text = ending in ("ecsv", "csv")
        file = io.StringIO() if text else io.BytesIO()
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            table.write(file, format=FORMATS[ending])
        content = file.getvalue().encode() if text else file.getvalue()
    written = Written(files={"targets.csv": None, f"targets.{ending}": content})
    written.scenario["targets"] = f"targets.{ending}"
    return written


@pytest.mark.parametrize("ending", FORMATS)
def test_every_format_gives_the_same_requests(tmp_path, ending):
    table = stars(visits=[1, 2], priority=[3.0, 4.0], note=["faint", "late"], pmra=[1.5, -2.0])
    first, second = with_targets(table, ending).read(tmp_path).requests
    assert (first.name, first.star.ra_deg, first.star.dec_deg, first.star.mag) == (
        "alpha",
        79.0,
        -8.0,
        {"K": 4.0},
    )
    assert (second.visits, second.priority, second.field_mas) == (2, 4, 30.0)
    assert (second.star.pmra_mas_per_yr, second.star.epoch_yr) == (-2.0, 2000.0)


@pytest.mark.parametrize("ending", ["ecsv", "vot", "fits"])
def test_a_unit_is_converted(tmp_path, ending):
    # By hand: 300 arcmin = 5 deg, 0.02 arcsec = 20 mas, 1.5 arcsec/yr = 1500 mas/yr, 12000 m/s = 12 km/s.
    table = stars(
        dec=MaskedColumn([-300.0, 0.0], unit="arcmin"),
        field=MaskedColumn([0.02, 0.03], unit="arcsec"),
        pmra=MaskedColumn([1.5, 0.0], unit="arcsec/yr"),
        radial_velocity=MaskedColumn([12000.0, 0.0], unit="m/s"),
        mag_K=MaskedColumn([4.0, 3.0], unit="mag"),
    )
    request = with_targets(table, ending).read(tmp_path).requests[0]
    assert (request.star.dec_deg, request.field_mas) == pytest.approx((-5.0, 20.0))
    assert request.star.pmra_mas_per_yr == pytest.approx(1500.0)
    assert request.star.radial_velocity_km_per_s == pytest.approx(12.0)
    assert request.star.mag == {"K": 4.0}


@pytest.mark.parametrize("unit", ["hourangle", '"h:m:s"'])
def test_a_right_ascension_in_hours_is_15_degrees_an_hour(tmp_path, unit):
    table = stars(ra=MaskedColumn(["05:00:00", "6"], unit=unit))
    requests = with_targets(table, "ecsv").read(tmp_path).requests
    assert [request.star.ra_deg for request in requests] == pytest.approx([75.0, 90.0])


def test_an_angle_with_separators_is_sexagesimal(tmp_path):
    # By hand: 15 (5 + 14/60 + 32.27/3600) = 78.634458..., 8 + 12/60 + 5.9/3600 = 8.201638...
    table = stars(ra=["05:14:32.27", "5h14m32.27s"], dec=["-08 12 05.9", "-8d12m05.9s"])
    for request in with_targets(table, "csv").read(tmp_path).requests:
        assert request.star.ra_deg == pytest.approx(78.63445833333, abs=1e-9)
        assert request.star.dec_deg == pytest.approx(-8.20163888889, abs=1e-9)


def test_sexagesimal_text_in_a_column_of_degrees_is_refused(tmp_path):
    table = stars(ra=MaskedColumn(["05:14:32", "80"], unit="deg"))
    assert with_targets(table, "ecsv").messages(tmp_path) == [
        "targets.ecsv: line 12, ra: is '05:14:32', but the unit of the column is deg. "
        "Remove the unit, or give numbers in deg."
    ]


@pytest.mark.parametrize("ending", ["ecsv", "vot", "fits"])
def test_a_wrong_unit_is_told_once_for_its_column(tmp_path, ending):
    table = stars(
        field=MaskedColumn([1.0, 2.0], unit="mag"),
        mag_K=MaskedColumn([1.0, 2.0], unit="mas"),
        visits=MaskedColumn([1, 2], unit="s"),
    )
    assert with_targets(table, ending).messages(tmp_path) == [
        f"targets.{ending}: field: has the unit mag, which does not convert to mas. Give it in mas.",
        f"targets.{ending}: mag_K: has the unit mas, which does not convert to mag. Give it in mag.",
        f"targets.{ending}: visits: has the unit s. Remove the unit: this is a plain number.",
    ]


@pytest.mark.parametrize("ending", ["ecsv", "csv", "vot", "fits"])
def test_an_empty_cell_is_not_given(tmp_path, ending):
    table = stars(
        pmra=MaskedColumn([5.0, 1.0], mask=[True, False]),
        visits=MaskedColumn([5, 3], mask=[True, False]),
        diameter=MaskedColumn([0.5, 0.4], mask=[False, True]),
    )
    first, second = with_targets(table, ending).read(tmp_path).requests
    assert (first.star.pmra_mas_per_yr, first.visits, first.star.diameter_mas) == (0.0, 1, 0.5)
    assert (second.star.pmra_mas_per_yr, second.visits, second.star.diameter_mas) == (1.0, 3, None)


def test_nan_is_a_number_that_is_not_finite_in_text_and_an_empty_cell_in_fits(tmp_path):
    # FITS standard 4.0, section 7.3.3: IEEE NaN marks an undefined floating-point value (from memory).
    table = stars(pmra=[np.nan, 1.0])
    assert with_targets(table, "fits").read(tmp_path).requests[0].star.pmra_mas_per_yr == 0.0
    assert with_targets(table, "ecsv").messages(tmp_path / "text") == [
        "targets.ecsv: line 13, pmra: is nan, not a finite number. "
        "Give a number: proper motion in ra, cos(dec) included, in mas/yr."
    ]


@pytest.mark.parametrize("ending", ["ecsv", "vot", "fits"])
def test_a_column_of_lists_or_of_truths_is_refused(tmp_path, ending):
    table = stars(field=[[1.0, 2.0], [3.0, 4.0]], visits=[True, False])
    first, second = {"ecsv": ("line 13", "line 14"), "vot": ("line 16", "line 25")}.get(
        ending, ("row 1", "row 2")
    )
    give = "Give a whole number: visits wanted this night."
    assert with_targets(table, ending).messages(tmp_path) == [
        f"targets.{ending}: field: is not a plain column. Give one plain value in each row.",
        f"targets.{ending}: {first}, visits: is true, not a whole number. {give}",
        f"targets.{ending}: {second}, visits: is false, not a whole number. {give}",
    ]


def test_a_name_that_stands_twice_in_a_header_is_told(tmp_path):
    file = io.BytesIO()
    stars(mag_J=[1.0, 2.0]).write(file, format="votable")
    twice = file.getvalue().replace(b'name="mag_J"', b'name="mag_K"')
    told = "mag_K: is the name of two columns. Keep one of them."
    assert with_targets(twice, "vot").messages(tmp_path) == [f"targets.vot: {told}"]
    text = io.StringIO()
    stars(mag_J=[1.0, 2.0]).write(text, format="ascii.ecsv")
    twice = text.getvalue().replace("mag_J", "mag_K").encode()
    assert with_targets(twice, "ecsv").messages(tmp_path / "text") == [f"targets.ecsv: {told}"]


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (b"<VOTABLE", b'<!DOCTYPE x [<!ENTITY a "b">]>\n<VOTABLE'),
        (b"<TABLEDATA>", b'<BINARY><STREAM href="http://example.invalid/stars"/></BINARY><TABLEDATA>'),
    ],
)
def test_a_votable_that_refers_to_something_outside_itself_is_refused(tmp_path, old, new):
    file = io.BytesIO()
    stars().write(file, format="votable")
    assert with_targets(file.getvalue().replace(old, new, 1), "vot").messages(tmp_path) == [
        "targets.vot: refers to something outside itself. Save it as one plain table (TABLEDATA)."
    ]


@pytest.mark.parametrize("content", [b"", b"\x1f\x8b\x08\x00packed", b"SIMPLE", b"http://example.invalid/"])
@pytest.mark.parametrize("ending", ["ecsv", "vot", "fits"])
def test_a_file_that_is_no_table_is_told_in_one_message(tmp_path, ending, content):
    [message] = with_targets(content, ending).messages(tmp_path)
    assert message.startswith(f"targets.{ending}: ")
    assert message.endswith(("Correct the file, or save the table again.", "Save the file as UTF-8."))


def test_words_in_the_numbers_of_a_votable_are_told_all_at_once(tmp_path):
    # astropy takes them for empty cells: a star would stand still, or at another epoch, without a word.
    file = io.BytesIO()
    stars(epoch=[1991.25, 2000.0], pmra=[296.57, 5.0]).write(file, format="votable")
    spoiled = file.getvalue().replace(b"1991.25<", b"J1991.25<").replace(b"296.57<", b"296,57<")
    remedy = "Write a number with a decimal point; leave a cell empty where none is known."
    found = with_targets(spoiled, "vot").messages(tmp_path)
    assert [message.partition(": holds ")[2] for message in found] == [
        f"'J1991.25', which is no number. {remedy}",
        f"'296,57', which is no number. {remedy}",
    ]
    assert all(message.startswith("targets.vot: line ") for message in found)
