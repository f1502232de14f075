"""A scenario as a whole: what is read, that all problems come at once, and that nothing else comes out."""

from __future__ import annotations

import copy
import datetime
import math
import tempfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from written import CALIBRATORS, Written, said, window

from planner.errors import InputProblems
from planner.scenario.array import DelayLine
from planner.scenario.night import Effort, RequestExtras
from planner.scenario.reading import describe_defaults, read_scenario
from planner.scenario.tables import CALIBRATORS as CALIBRATORS_KIND
from planner.scenario.tables import TARGETS


def test_what_is_written_is_what_is_read(tmp_path):
    scenario = Written().read(tmp_path)
    array = scenario.array
    assert (scenario.name, scenario.title) == ("written", "a pair in an invented place")
    assert array.site.latitude_deg == -25.0
    assert array.placed("wide") == {"T1": "P1", "T2": "P2"}
    assert array.placed("tall") == {"T1": "P1", "T2": "P3"}
    assert array.delay_line("L2").stations == ("P1", "P2", "P3")
    assert isinstance(array.delay_line("L1"), DelayLine)
    assert array.combiner("pair in K").limiting_magnitude == {"one metre": 6.0}
    assert scenario.night.date == datetime.date(2027, 3, 11)
    assert (scenario.limits.airmass_max, scenario.effort) == (2.0, Effort())
    assert [request.name for request in scenario.requests] == ["alpha", "beta"]
    assert [request.visits for request in scenario.requests] == [2, 2]
    assert scenario.requests[1].star.dec_deg == -5.25
    assert [(star.name, star.diameter_mas, star.mag) for star in scenario.calibrators] == [
        ("c1", 0.5, {"K": 4.5}),
        ("c2", 0.4, {}),
    ]


def test_a_target_without_a_request_table_has_plain_extras(tmp_path):
    first, second = Written().read(tmp_path).requests
    assert first.extras.telescopes == ("T1", "T2")
    assert first.extras.windows[0].end_utc == datetime.datetime(2027, 3, 12, 4, tzinfo=datetime.UTC)
    assert second.extras == RequestExtras(target="beta")


def test_every_problem_of_every_file_comes_at_once_in_the_order_of_the_files(tmp_path):
    written = Written()
    written.scenario["night"]["configuration"] = "wde"
    written.scenario["limits"]["airmass_maxi"] = 2.0
    written.array["site"]["height_m"] = "high"
    written.array["station"].append(written.array["station"][2] | {"name": "P1", "up_m": 9.0})
    written.array["delay_line"][1]["stroke_m"] = [9.0, 1.0]
    written.array["combiner"][0]["beams"] = 3
    written.targets[0]["dec"] = "-95"
    written.targets[1]["combiner"] = "pair in J"
    written.calibrators[1]["diameter"] = ""
    with pytest.raises(InputProblems) as caught:
        written.read(tmp_path)
    assert str(caught.value).splitlines() == [
        said(
            "scenario.toml: night.configuration",
            "'wde' is not a configuration of array.toml",
            "Did you mean 'wide'?",
        ),
        said("scenario.toml: limits.airmass_maxi", "is not a key of limits", "Did you mean 'airmass_max'?"),
        said(
            "array.toml: site.height_m",
            "is 'high', not a number",
            "Give a number: height above the WGS84 ellipsoid.",
        ),
        said(
            "array.toml: station[3].name",
            "'P1' is also the name of station[0]",
            "Give each station its own name.",
        ),
        said(
            "array.toml: delay_line[1]",
            "has a stroke_m of -8 m, which is not positive",
            "Change stroke_m: usable optical path as [shortest, longest] in metres, longest above shortest.",
        ),
        said(
            "array.toml: combiner[0].beams",
            "is 3, but the array has 2 delay lines",
            "Add delay lines, or take fewer beams.",
        ),
        said(
            "array.toml: combiner[0].beams",
            "is 3, but the array has 2 telescopes of one class that it accepts",
            "Add telescopes or their class to limiting_magnitude, or take fewer beams.",
        ),
        said(
            "targets.csv: line 2, dec",
            "is -95.0, which is below -90",
            "Give a number of at least -90: declination, ICRS, in deg.",
        ),
        said(
            "targets.csv: line 3, combiner",
            "'pair in J' is not a combiner of array.toml",
            "Did you mean 'pair in K'?",
        ),
        said("calibrators.csv: line 3, diameter", "is empty", "Give it: uniform-disk diameter, in mas."),
    ]


def test_the_defaults_in_force_are_those_that_are_not_written(tmp_path):
    written = Written(calibrators=[row | {"pmra": ""} for row in CALIBRATORS])
    written.calibrators[0]["pmra"] = "5"
    listed = describe_defaults(written.write(tmp_path / "written"))
    assert ("scenario.toml", "array", "array.toml") in listed
    assert ("scenario.toml", "limits.hour_angle_max_h", None) in listed
    assert ("scenario.toml", "effort.deterministic", 40.0) in listed
    assert ("scenario.toml", "request[0].airmass_max", None) in listed
    assert ("array.toml", "delay_line[0].stations", ()) in listed
    assert ("targets.csv", "priority", 1) in listed
    assert [entry for entry in listed if "pmra" in entry[1]] == [
        ("targets.csv", "pmra", 0.0),
        ("calibrators.csv", "line 3, pmra", 0.0),
    ]
    written_keys = {
        "targets",
        "calibrators",
        "limits.airmass_max",
        "request[0].windows",
        "delay_line[1].stations",
    }
    assert not written_keys & {key for _, key, _ in listed}
    assert not [entry for entry in listed if entry[0] == "targets.csv" and "visits" in entry[1]]


def test_a_default_that_is_written_out_changes_nothing_and_is_no_longer_listed(tmp_path):
    written = Written()
    folder = written.write(tmp_path / "written")
    before = read_scenario(folder)
    for file, key, value in describe_defaults(folder):
        if file.endswith(".toml") and value is not None:
            _set(written.scenario if file == "scenario.toml" else written.array, key, value)
    assert written.read(tmp_path) == before
    left = [entry for entry in describe_defaults(folder) if entry[0].endswith(".toml")]
    assert {value for _, _, value in left} == {None}


def _set(tables, key, value):
    """Write ``value`` under a key such as ``station[2].horizon_deg``."""
    section, _, name = key.rpartition(".")
    if section:
        kind, _, number = section.rstrip("]").partition("[")
        tables = tables.setdefault(kind, {})
        tables = tables[int(number)] if number else tables
    tables[name] = list(value) if isinstance(value, tuple) else value


ODD = [
    "",
    "x",
    "P1",
    "T2",
    "../..",
    "\0",
    "one metre",
    0,
    -1,
    3,
    2.5,
    1e300,
    10**400,
    math.nan,
    math.inf,
    True,
    [],
    [1],
    ["P1", "P9"],
    [[0, 1]],
    [{}],
    {},
    {"a": 1},
    {"T2": "P1"},
    datetime.date(2027, 3, 11),
    datetime.datetime(2027, 3, 11, 22),
    datetime.datetime(1, 1, 1, tzinfo=datetime.UTC),
    datetime.time(12),
]
ODD_CELLS = ["", "x", "nan", "-1", "0", "1e400", "1:2:3", "1:99:3", "-0:0:1", "T1", "9" * 400, "1,2", "\t"]


def _places(value, path=()):
    """Every place in nested tables and lists."""
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, below in inner:
        yield (*path, key)
        yield from _places(below, (*path, key))


def _spoil(data, tables, odd):
    """Drop a key, rename one, replace a value or say it twice."""
    path = data.draw(st.sampled_from(list(_places(tables))))
    for step in path[:-1]:
        tables = tables[step]
    deed = data.draw(st.sampled_from(["drop", "replace", "replace", "rename", "repeat"]))
    if deed == "drop":
        del tables[path[-1]]
    elif deed == "replace":
        tables[path[-1]] = copy.deepcopy(data.draw(st.sampled_from(odd)))
    elif isinstance(tables, dict):
        tables[f"{path[-1]}x"] = tables.pop(path[-1])
    else:
        tables.append(copy.deepcopy(tables[path[-1]]))


# Words of the libraries, and of the sentence for an error that nobody foresaw.
FOREIGN = ("Input should", "Field required", "Value error", "validation", "which cannot be used", "None")


def _problems(written):
    with tempfile.TemporaryDirectory() as folder:
        try:
            written.read(Path(folder))
        except InputProblems as caught:
            return caught.problems or "an empty list"
    return ()


def _reads_or_tells(written):
    problems = _problems(written)
    assert len(set(problems)) == len(problems)
    for problem in problems:
        assert problem.remedy.endswith((".", "?"))
        assert not [words for words in FOREIGN if words in str(problem)]


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_a_spoiled_scenario_is_read_or_told_in_our_words_and_never_anything_else(data):
    written = Written()
    for _ in range(data.draw(st.integers(1, 4))):
        part = data.draw(st.sampled_from(["scenario", "array", "array", "targets", "calibrators"]))
        odd = ODD if part in ("scenario", "array") else ODD_CELLS
        if getattr(written, part):
            _spoil(data, getattr(written, part), odd)
    _rows_only(written)
    _reads_or_tells(written)


def test_any_odd_cell_of_any_column_is_read_or_told_and_never_anything_else():
    for part, kind in (("targets", TARGETS), ("calibrators", CALIBRATORS_KIND)):
        for column in (*kind.fields, "mag_K"):
            for cell in ODD_CELLS:
                written = Written()
                getattr(written, part)[0][column] = cell
                _reads_or_tells(written)


def _rows_only(written):
    """A row replaced as a whole by a text is no row; leave it out."""
    for part in ("targets", "calibrators"):
        setattr(written, part, [row for row in getattr(written, part) if isinstance(row, dict)])


@settings(deadline=None)
@given(
    st.sampled_from(["scenario.toml", "array.toml", "targets.csv", "calibrators.csv"]),
    st.integers(0, 4000),
    st.integers(0, 40),
    st.one_of(
        st.binary(max_size=8), st.sampled_from([b'"', b"\n", b",", b"[[", b"= ", b"#", b"\xef\xbb\xbf"])
    ),
)
def test_a_damaged_file_is_read_or_told_and_never_anything_else(name, start, length, instead):
    with tempfile.TemporaryDirectory() as folder:
        whole = (Written().write(Path(folder)) / name).read_bytes()
    start %= len(whole)
    _reads_or_tells(Written(files={name: whole[:start] + instead + whole[start + length :]}))


def test_an_odd_window_is_told_with_its_number(tmp_path):
    written = Written()
    written.scenario["request"][0]["windows"].insert(0, window(written) | {"end_utc": 5})
    assert written.messages(tmp_path) == [
        said(
            "scenario.toml: request[0].windows[0].end_utc",
            "is 5, not a time in UTC",
            "Write it like 2027-03-12T02:10:00Z: end, later than the start.",
        )
    ]
