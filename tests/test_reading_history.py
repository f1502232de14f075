"""The table of what earlier nights observed: what may be written, and each thing that is refused."""

from __future__ import annotations

import datetime
import tempfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from written import Written, csv_text, said

from planner.errors import InputProblems
from planner.scenario.reading import describe_defaults, look_over, read_scenario
from planner.scenario.targets import Observation

ROW = {
    "target": "alpha",
    "combiner": "pair in K",
    "stations": "P1, P3",
    "start_utc": "2027-03-09T23:15:00",
    "end_utc": "2027-03-09T23:45:00Z",
}
START = datetime.datetime(2027, 3, 9, 23, 15, tzinfo=datetime.UTC)
HALF_HOUR = datetime.timedelta(minutes=30)
WHAT = {
    "target": "name of the target in the target table.",
    "combiner": "name of the combiner that recorded it.",
    "stations": "stations of the telescopes, separated by commas, as many as the combiner has beams.",
    "start_utc": "when recording began, UTC, 1990 to 2060.",
    "end_utc": "when recording ended, UTC, later than the start by a day at most.",
}


def with_history(content: bytes, ending: str = "csv") -> Written:
    """A scenario that names a history of these bytes."""
    written = Written(files={f"history.{ending}": content})
    written.scenario["history"] = f"history.{ending}"
    return written


def of_rows(*rows: dict[str, str]) -> Written:
    return with_history(csv_text(list(rows)).encode())


# What may be written.


def test_a_scenario_without_a_history_has_none(tmp_path):
    assert Written().read(tmp_path).history == ()
    assert ("scenario.toml", "history", None) in describe_defaults(tmp_path / "written")


def test_rows_are_read_as_they_stand(tmp_path):
    [row] = of_rows(ROW).read(tmp_path).history
    assert (row.target, row.combiner, row.stations) == ("alpha", "pair in K", ("P1", "P3"))
    assert (row.start_utc, row.end_utc) == (START, START + HALF_HOUR)


def test_a_table_without_rows_is_a_history_without_observations(tmp_path):
    assert with_history((",".join(ROW) + "\n").encode()).read(tmp_path).history == ()


def test_a_note_may_stand_beside_each_row(tmp_path):
    assert len(of_rows(ROW | {"note": "thin cloud"}).read(tmp_path).history) == 1


@pytest.mark.parametrize(
    "text",
    [
        "2027-03-09 23:15",
        "2027-03-09T23:15:00.000Z",
        "2027-03-10T00:15:00+01:00",
        "2027-03-09T23:15:00+00:00",
    ],
)
def test_a_time_may_be_written_in_several_ways(tmp_path, text):
    [row] = of_rows(ROW | {"start_utc": text}).read(tmp_path).history
    assert row.start_utc == START


@settings(max_examples=25, deadline=None)
@given(
    st.datetimes(datetime.datetime(1990, 1, 1), datetime.datetime(2060, 12, 30)),
    st.integers(1, 86_400),
    st.lists(st.sampled_from(["P1", "P2", "P3"]), min_size=2, max_size=2, unique=True),
)
def test_whatever_fits_reads_back_as_it_was_written(start, seconds, stations):
    end = start + datetime.timedelta(seconds=seconds)
    row = ROW | {
        "stations": ",".join(stations), "start_utc": start.isoformat(), "end_utc": f"{end.isoformat()}Z"
    }  # fmt: skip
    with tempfile.TemporaryDirectory() as folder:
        [read] = of_rows(row).read(Path(folder)).history
    assert read.stations == tuple(stations)
    assert (read.start_utc.replace(tzinfo=None), read.end_utc.replace(tzinfo=None)) == (start, end)
    assert Observation.model_validate_json(read.model_dump_json()) == read


# What is refused.

ORDER = f"Change start_utc: {WHAT['start_utc'].rstrip('.')}; end_utc: {WHAT['end_utc']}"
BEAMS = "Name the station of each beam, with commas between."
TIME = "Write it like 2027-03-10T23:15:00Z: "
REFUSED = {
    "an unknown target": (
        {"target": "alfa"},
        "line 2, target",
        "'alfa' is not a target of targets.csv",
        "Did you mean 'alpha'?",
    ),
    "an unknown combiner": (
        {"combiner": "pair in H"},
        "line 2, combiner",
        "'pair in H' is not a combiner of array.toml",
        "Did you mean 'pair in K'?",
    ),
    "an unknown station": (
        {"stations": "P1,north"},
        "line 2, stations",
        "'north' is not a station of array.toml",
        "Use one of 'P1', 'P2', 'P3'.",
    ),
    "a station too many": (
        {"stations": "P1,P2,P3"},
        "line 2, stations",
        "names 3 stations, but combiner 'pair in K' has 2 beams",
        BEAMS,
    ),
    "a station too few": (
        {"stations": "P1"},
        "line 2, stations",
        "names 1 station, but combiner 'pair in K' has 2 beams",
        BEAMS,
    ),
    "a station twice": (
        {"stations": "P1, P1"},
        "line 2, stations",
        "names 'P1' twice",
        f"Change stations: {WHAT['stations']}",
    ),
    "a comma at the end": (
        {"stations": "P1,"},
        "line 2, stations",
        "is empty",
        f"Give it: {WHAT['stations']}",
    ),
    "an end that is the start": (
        {"end_utc": ROW["start_utc"]},
        "line 2",
        "has an end_utc that is not later than its start_utc",
        ORDER,
    ),
    "an end before the start": (
        {"end_utc": "2027-03-09T23:14:59"},
        "line 2",
        "has an end_utc that is not later than its start_utc",
        ORDER,
    ),
    "more than a day": (
        {"end_utc": "2027-03-10T23:15:01"},
        "line 2",
        "has an end_utc more than a day after its start_utc",
        ORDER,
    ),
    "a year long gone": (
        {"start_utc": "1989-12-31T23:15:00"},
        "line 2, start_utc",
        "is 1989-12-31T23:15:00+00:00, outside 1990 to 2060",
        f"Change start_utc: {WHAT['start_utc']}",
    ),
    "a year too far": (
        {"end_utc": "2061-01-01T00:00:00"},
        "line 2, end_utc",
        "is 2061-01-01T00:00:00+00:00, outside 1990 to 2060",
        f"Change end_utc: {WHAT['end_utc']}",
    ),
    "a word for a time": (
        {"start_utc": "yesterday"},
        "line 2, start_utc",
        "is 'yesterday', not a time in UTC",
        TIME + WHAT["start_utc"],
    ),
    "a day alone": (
        {"start_utc": "2027-03-09"},
        "line 2, start_utc",
        "is '2027-03-09', not a time in UTC",
        TIME + WHAT["start_utc"],
    ),
    "a time that the clock never shows": (
        {"end_utc": "2027-03-09T24:15:00"},
        "line 2, end_utc",
        "is '2027-03-09T24:15:00', not a time in UTC",
        TIME + WHAT["end_utc"],
    ),
    "a number for a time": (
        {"end_utc": "61473.97"},
        "line 2, end_utc",
        "is '61473.97', not a time in UTC",
        TIME + WHAT["end_utc"],
    ),
    **{
        f"no {name}": ({name: ""}, f"line 2, {name}", "is empty", f"Give it: {what}")
        for name, what in WHAT.items()
    },
}


@pytest.mark.parametrize("name", REFUSED)
def test_a_cell_is_refused_in_one_message(tmp_path, name):
    change, where, found, remedy = REFUSED[name]
    assert of_rows(ROW | change).messages(tmp_path) == [said(f"history.csv: {where}", found, remedy)]


@pytest.mark.parametrize("name", ROW)
def test_a_column_that_is_missing_is_named_once(tmp_path, name):
    short = {column: text for column, text in ROW.items() if column != name}
    assert of_rows(short, short).messages(tmp_path) == [
        said(f"history.csv: {name}", "is missing", f"Add this column: {WHAT[name]}")
    ]


@pytest.mark.parametrize(
    ("column", "remedy"),
    [
        ("start", "Did you mean 'start_utc'?"),
        ("End_UTC", "Did you mean 'end_utc'?"),
        ("combinr", "Did you mean 'combiner'?"),
    ],
)
def test_a_column_under_another_name_is_recognised(tmp_path, column, remedy):
    meant = remedy.split("'")[1]
    row = {column if name == meant else name: text for name, text in ROW.items()}
    assert of_rows(row).messages(tmp_path) == [
        said(f"history.csv: {column}", "is not a column of the history", remedy)
    ]


def test_a_column_that_means_nothing_is_kept_aside_with_a_note(tmp_path):
    found = look_over(of_rows(ROW | {"seeing": "0.8"}).write(tmp_path / "written"))
    remedy = "It is kept aside: nothing is read from it."
    assert [str(one) for one in found.warnings] == [
        said("history.csv: seeing", "is not a column of the history", remedy)
    ]
    assert len(found.scenario.history) == 1


def test_everything_that_is_wrong_comes_at_once_after_the_other_files(tmp_path):
    written = of_rows(
        ROW | {"target": "gamma", "stations": "P1,P9"}, ROW, ROW | {"end_utc": "late", "combiner": ""}
    )
    written.targets[0]["dec"] = "-95"
    with pytest.raises(InputProblems) as caught:
        written.read(tmp_path)
    assert [str(problem).partition(": ")[2].partition(":")[0] for problem in caught.value.problems] == [
        "line 2, dec",
        "line 2, target",
        "line 2, stations",
        "line 4, combiner",
        "line 4, end_utc",
    ]
    assert [problem.file for problem in caught.value.problems] == ["targets.csv", *["history.csv"] * 4]


def test_a_file_that_is_not_there_or_leads_out_is_refused(tmp_path):
    written = Written()
    written.scenario["history"] = "histry.csv"
    written.files["history.csv"] = csv_text([ROW]).encode()
    assert written.messages(tmp_path) == [
        said(
            "histry.csv",
            "does not exist",
            "Did you mean 'history.csv'? Then write history = \"history.csv\" in scenario.toml.",
        )
    ]
    written.scenario["history"] = "../history.csv"
    [message] = written.messages(tmp_path)
    assert message.startswith(
        "scenario.toml: history: is '../history.csv', which leaves the scenario's folder."
    )
    written.scenario["history"] = 3
    assert written.messages(tmp_path) == [
        said(
            "scenario.toml: history",
            "is 3, not text in quotes",
            "Give text in quotes: table of what earlier nights observed; none when left out.",
        )
    ]
    written.scenario["history"] = "history.txt"
    [message] = written.messages(tmp_path)
    assert message.startswith("history.txt: is not a kind of table that the planner reads.")


def test_a_name_that_another_problem_makes_uncertain_is_not_complained_of(tmp_path):
    written = of_rows(ROW)
    written.array["combiner"][0]["beams"] = "two"
    assert [message.partition(": ")[0] for message in written.messages(tmp_path)] == ["array.toml"]


ODD = [
    "",
    "x",
    "P1",
    "P1,P2",
    "alpha",
    "2027-03-09T23:15:00",
    "9999-12-31T23:59:59-14:00",
    "0001-01-01T00:00Z",
]
ODD += [
    "nan",
    "-1",
    "\t",
    ",",
    "T1",
    "9" * 400,
    "pair in K",
    "2027-02-30T00:00:00",
    "2027-03-09T23:15:00+99:00",
]


@settings(max_examples=150, deadline=None)
@given(st.fixed_dictionaries({name: st.sampled_from([text, *ODD]) for name, text in ROW.items()}))
def test_whatever_stands_in_a_row_either_reads_or_is_told_in_our_words(row):
    with tempfile.TemporaryDirectory() as folder:
        written = of_rows(row)
        for message in written.messages(Path(folder)):
            assert message.startswith("history.csv: line 2")
            assert not any(
                word in message for word in ("Input should", "Value error", "which cannot be used")
            )
        if not written.messages(Path(folder)):
            assert len(read_scenario(Path(folder) / "written").history) == 1


def test_an_observation_made_in_python_is_judged_as_well():
    good = {
        "target": "a",
        "combiner": "b",
        "stations": ("P1", "P2"),
        "start_utc": START,
        "end_utc": START + HALF_HOUR,
    }
    assert Observation.model_validate(good).stations == ("P1", "P2")
    for change in (
        {"start_utc": START.replace(tzinfo=None)},
        {"end_utc": START},
        {"stations": ("P1", "P1")},
        {"start_utc": START.replace(year=1980)},
    ):
        with pytest.raises(ValueError, match=r"zone|later|twice|outside"):
            Observation.model_validate(good | change)
