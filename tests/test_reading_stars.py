"""The rows of the star tables: each cell or column that is refused, and what may be written."""

from __future__ import annotations

import tempfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from written import Case, Written, said

CELLS: list[Case] = [
    (
        lambda w: w.targets[0].update(ra=""),
        "targets.csv: line 2, ra",
        "is empty",
        "Give it: right ascension, ICRS, in deg.",
    ),
    (
        lambda w: w.targets[0].update(ra="360"),
        "targets.csv: line 2, ra",
        "is 360.0, which is not below 360",
        "Give a number below 360: right ascension, ICRS, in deg.",
    ),
    (
        lambda w: w.targets[0].update(ra="25:00:00"),
        "targets.csv: line 2, ra",
        "is '25:00:00', not a right ascension in hours",
        "Write it like 05:16:41.36, or as a number in degrees.",
    ),
    (
        lambda w: w.targets[0].update(ra="-1:00:00"),
        "targets.csv: line 2, ra",
        "is '-1:00:00' (-15 deg), which is below 0",
        "Give a number of at least 0: right ascension, ICRS, in deg.",
    ),
    (
        lambda w: w.targets[0].update(ra="5:61:00"),
        "targets.csv: line 2, ra",
        "is '5:61:00', not a right ascension in hours",
        "Write it like 05:16:41.36, or as a number in degrees.",
    ),
    (
        lambda w: w.targets[0].update(ra="5:59:60"),
        "targets.csv: line 2, ra",
        "is '5:59:60', not a right ascension in hours",
        "Write it like 05:16:41.36, or as a number in degrees.",
    ),
    (
        lambda w: w.targets[0].update(dec="5h"),
        "targets.csv: line 2, dec",
        "is '5h', not a declination in degrees",
        "Write it like -08:12:05.9, or as a number in degrees.",
    ),
    (
        lambda w: w.targets[0].update(dec="-91"),
        "targets.csv: line 2, dec",
        "is -91.0, which is below -90",
        "Give a number of at least -90: declination, ICRS, in deg.",
    ),
    (
        lambda w: w.targets[0].update(dec="-91:00:00"),
        "targets.csv: line 2, dec",
        "is '-91:00:00' (-91 deg), which is below -90",
        "Give a number of at least -90: declination, ICRS, in deg.",
    ),
    (
        lambda w: w.targets[0].update(ra="nan"),
        "targets.csv: line 2, ra",
        "is nan, not a finite number",
        "Give a number: right ascension, ICRS, in deg.",
    ),
    (
        lambda w: w.targets[0].update(dec="1e400"),
        "targets.csv: line 2, dec",
        "is inf, not a finite number",
        "Give a number: declination, ICRS, in deg.",
    ),
    (
        lambda w: w.targets[0].update(field="wide"),
        "targets.csv: line 2, field",
        "is 'wide', not a number",
        "Give a number: field of view of the source, which sets the cell size, in mas.",
    ),
    (
        lambda w: w.targets[0].update(field="0"),
        "targets.csv: line 2, field",
        "is 0.0, which is not above 0",
        "Give a number above 0: field of view of the source, which sets the cell size, in mas.",
    ),
    (
        lambda w: w.targets[0].update(field="1_0"),
        "targets.csv: line 2, field",
        "is '1_0', not a number",
        "Give a number: field of view of the source, which sets the cell size, in mas.",
    ),
    (
        lambda w: w.targets[0].update(visits="1.5"),
        "targets.csv: line 2, visits",
        "is 1.5, not a whole number",
        "Give a whole number: visits wanted this night.",
    ),
    (
        lambda w: w.targets[0].update(visits="nan"),
        "targets.csv: line 2, visits",
        "is nan, not a whole number",
        "Give a whole number: visits wanted this night.",
    ),
    (
        lambda w: w.targets[0].update(visits="51"),
        "targets.csv: line 2, visits",
        "is 51, which is above 50",
        "Give a number of at most 50: visits wanted this night.",
    ),
    (
        lambda w: w.targets[0].update(priority="0"),
        "targets.csv: line 2, priority",
        "is 0, which is below 1",
        "Give a number of at least 1: weight of a newly filled cell, 1 to 1000.",
    ),
    (
        lambda w: w.targets[0].update(name=""),
        "targets.csv: line 2, name",
        "is empty",
        "Give it: name of the star, one per row.",
    ),
    (
        lambda w: w.targets[1].update(name="x" * 81),
        "targets.csv: line 3, name",
        "has 81 characters, more than 80",
        "Shorten it: name of the star, one per row.",
    ),
    (
        lambda w: w.targets[0].update(combiner=""),
        "targets.csv: line 2, combiner",
        "is empty",
        "Give it: name of the combiner.",
    ),
    (
        lambda w: w.targets[0].update(mag_K="bright"),
        "targets.csv: line 2, mag_K",
        "is 'bright', not a number",
        "Give a number: magnitude by band, columns mag_<band>.",
    ),
    (
        lambda w: w.targets[0].update(epoch="1700"),
        "targets.csv: line 2, epoch",
        "is 1700.0, which is below 1800",
        "Give a number of at least 1800: epoch of the place, Julian year, in yr.",
    ),
    (
        lambda w: w.targets[0].update(pmra="100000", epoch="1800"),
        "targets.csv: line 2, pmra",
        "is 100000.0, which is above 11000",
        "Give a number of at most 11000: proper motion in ra, cos(dec) included, in mas/yr.",
    ),
    (
        lambda w: w.targets[0].update(radial_velocity="2000"),
        "targets.csv: line 2, radial_velocity",
        "is 2000.0, which is above 1800",
        "Give a number of at most 1800: radial velocity, receding positive, in km/s.",
    ),
    (
        lambda w: w.targets[0].update(parallax="900"),
        "targets.csv: line 2, parallax",
        "is 900.0, which is above 800",
        "Give a number of at most 800: parallax; zero or negative means none is applied, in mas.",
    ),
    (
        lambda w: w.calibrators[0].update(diameter=""),
        "calibrators.csv: line 2, diameter",
        "is empty",
        "Give it: uniform-disk diameter, in mas.",
    ),
    (
        lambda w: w.calibrators[0].update(diameter_error="-1"),
        "calibrators.csv: line 2, diameter_error",
        "is -1.0, which is below 0",
        "Give a number of at least 0: its standard error, in mas.",
    ),
]

COLUMNS: list[Case] = [
    (
        lambda w: [row.update(RA=row.pop("ra")) for row in w.targets],
        "targets.csv: RA",
        "is not a column of the table of targets",
        "Did you mean 'ra'?",
    ),
    (
        lambda w: [row.update(field_mas=row.pop("field")) for row in w.targets],
        "targets.csv: field_mas",
        "is not a column of the table of targets",
        "Did you mean 'field'?",
    ),
    (
        lambda w: [row.pop("field") for row in w.targets],
        "targets.csv: field",
        "is missing",
        "Add this column: field of view of the source, which sets the cell size, in mas.",
    ),
    (
        lambda w: [row.pop("diameter_error") for row in w.calibrators],
        "calibrators.csv: diameter_error",
        "is missing",
        "Add this column: its standard error, in mas.",
    ),
    (
        lambda w: w.targets[0].update(magV="1"),
        "targets.csv: magV",
        "is not a column of the table of targets",
        "Did you mean 'mag_<band>'?",
    ),
]


@pytest.mark.parametrize(("spoil", "where", "found", "remedy"), [*CELLS, *COLUMNS])
def test_each_refused_cell_or_column_is_told_in_full_and_alone(tmp_path, spoil, where, found, remedy):
    written = Written()
    spoil(written)
    assert written.messages(tmp_path) == [said(where, found, remedy)]


@settings(deadline=None)
@given(st.integers(0, 24 * 3600 * 1000 - 1))
def test_any_right_ascension_comes_back_from_its_sexagesimal_text(milliseconds):
    seconds, rest = divmod(milliseconds, 1000)
    written = Written()
    written.targets[1]["ra"] = f"{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}.{rest:03d}"
    with tempfile.TemporaryDirectory() as folder:
        star = written.read(Path(folder)).requests[1].star
    assert star.ra_deg == pytest.approx(milliseconds / 240_000, abs=1e-9)


def test_a_band_may_have_any_name(tmp_path):
    written = Written()
    written.array["combiner"][0]["band"] = "K' short"
    for row in [*written.targets, *written.calibrators]:
        row["mag_K' short"] = row.pop("mag_K")
    assert written.read(tmp_path).requests[0].star.mag == {"K' short": 4.0}


def test_a_star_may_be_called_by_a_number(tmp_path):
    written = Written()
    written.targets[1]["name"] = "007"
    assert written.read(tmp_path).requests[1].name == "007"
