"""Which file is meant, is it there, is it TOML, does it hold the tables it should?"""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest
from written import Case, Written, said

from planner.errors import InputProblems
from planner.scenario.reading import read_scenario

SCENARIOS = Path(__file__).resolve().parent.parent / "scenarios"

FILES: list[Case] = [
    (
        lambda w: w.scenario.update(array="../array.toml"),
        "scenario.toml: array",
        "is '../array.toml', which leaves the scenario's folder",
        "Put the file into the scenario's folder and give its name.",
    ),
    (
        lambda w: w.scenario.update(targets="/srv/targets.csv"),
        "scenario.toml: targets",
        "is '/srv/targets.csv', which leaves the scenario's folder",
        "Put the file into the scenario's folder and give its name.",
    ),
    (
        lambda w: w.scenario.update(calibrators="C:\\sky.csv"),
        "scenario.toml: calibrators",
        "is 'C:\\\\sky.csv', which leaves the scenario's folder",
        "Put the file into the scenario's folder and give its name.",
    ),
    (
        lambda w: w.scenario.update(array="a" * 300),
        "scenario.toml: array",
        "is 'aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa..., which cannot be the name of a file",
        "Put the file into the scenario's folder and give its name.",
    ),
    (
        lambda w: w.scenario.update(array="a\0b"),
        "scenario.toml: array",
        "is 'a\\x00b', which cannot be the name of a file",
        "Put the file into the scenario's folder and give its name.",
    ),
    (
        lambda w: w.scenario.update(array="arrays.toml"),
        "arrays.toml",
        "does not exist",
        "Did you mean 'array.toml'? Then write array = \"array.toml\" in scenario.toml.",
    ),
    (
        lambda w: w.scenario.update(targets="sky.ecsv"),
        "sky.ecsv",
        "does not exist",
        'Add it, or name another file with targets = "..." in scenario.toml.',
    ),
    (
        lambda w: w.scenario.update(targets="targets.txt"),
        "targets.txt",
        "is not a kind of table that the planner reads",
        "Save it as one of .ecsv, .csv, .vot, .xml, .fits (the ending says which).",
    ),
    (
        lambda w: w.files.update({"scenario.toml": None}),
        "scenario.toml",
        "does not exist",
        "Add it, or give the folder that holds a scenario.toml.",
    ),
    (
        lambda w: w.files.update({"array.toml": b"\ntitle = '\xff'"}),
        "array.toml: line 2",
        "is not UTF-8 text",
        "Save the file as UTF-8.",
    ),
    (
        lambda w: w.files.update({"array.toml": b"\n[site\n"}),
        "array.toml: line 2, column 6",
        "is not valid TOML: expected ']' at the end of a table declaration",
        "Correct line 2, column 6.",
    ),
    (
        lambda w: w.files.update({"array.toml": b"a = "}),
        "array.toml: end of document",
        "is not valid TOML: invalid value",
        "Correct the file.",
    ),
    (
        lambda w: w.files.update({"array.toml": b"a = " + b"9" * 5000}),
        "array.toml",
        "holds a whole number with thousands of digits",
        "Correct the file.",
    ),
    (
        lambda w: w.files.update({"array.toml": b"a = " + b"[" * 5000}),
        "array.toml",
        "is not valid TOML: lists in lists too deep",
        "Correct the file.",
    ),
    (
        lambda w: w.files.update({"scenario.toml": b"title = 5 5"}),
        "scenario.toml: line 1, column 11",
        "is not valid TOML: expected newline or end of document after a statement",
        "Correct line 1, column 11.",
    ),
    (
        lambda w: w.files.update({"targets.csv": b"name\n\xe9\n"}),
        "targets.csv: line 2",
        "is not UTF-8 text",
        "Save the file as UTF-8.",
    ),
    (
        lambda w: w.files.update({"targets.csv": b""}),
        "targets.csv",
        "has no line with the names of its columns",
        "Add it.",
    ),
    (
        lambda w: w.files.update({"targets.csv": b"name,ra\na,1,2\n"}),
        "targets.csv: line 2",
        "has 3 cells for 2 columns",
        "Name its columns, or put text with separators in quotes.",
    ),
    (
        lambda w: w.files.update({"calibrators.csv": b"name,ra,ra\na,1,2\n"}),
        "calibrators.csv: ra",
        "is the name of two columns",
        "Keep one of them.",
    ),
]

TABLES: list[Case] = [
    (
        lambda w: w.array.update(station=w.array["station"][0]),
        "array.toml: station",
        "is one table where a list of tables is expected",
        "Write [[station]]: one for each pad.",
    ),
    (
        lambda w: w.array.update(site=[w.array["site"]]),
        "array.toml: site",
        "is a list where one table is expected",
        "Write [site]: where the array stands.",
    ),
    (
        lambda w: w.array.update(site=5),
        "array.toml: site",
        "is 5 where one table is expected",
        "Write [site]: where the array stands.",
    ),
    (
        lambda w: w.array["station"].append(5),
        "array.toml: station[3]",
        "is 5, not a table",
        "Write [[station]]: one for each pad.",
    ),
    (
        lambda w: w.array.update(configuration=[]),
        "array.toml: configuration",
        "is empty",
        "Add [[configuration]]: which movable telescope stands where.",
    ),
    (
        lambda w: w.array.pop("station"),
        "array.toml: station",
        "is missing",
        "Add [[station]]: one for each pad.",
    ),
    (
        lambda w: w.array.update(stations=w.array.pop("station")),
        "array.toml: stations",
        "is not a key of array.toml",
        "Did you mean 'station'?",
    ),
    (
        lambda w: w.array.update(quux=1),
        "array.toml: quux",
        "is not a key of array.toml",
        "Remove it, or use one of: site, telescope_class, telescope, station, delay_line, "
        "combiner, configuration, routing_mode, path_segment, spectral_setup, fringe_tracker, beam_sensor, "
        "internal_calibration, dual_feed.",
    ),
    (
        lambda w: w.scenario.pop("night"),
        "scenario.toml: night",
        "is missing",
        "Add [night]: date and configuration of the night.",
    ),
    (
        lambda w: w.scenario.update(nigth=w.scenario.pop("night")),
        "scenario.toml: nigth",
        "is not a key of scenario.toml",
        "Did you mean 'night'?",
    ),
    (
        lambda w: w.scenario.update(limit=w.scenario.pop("limits")),
        "scenario.toml: limit",
        "is not a key of scenario.toml",
        "Did you mean 'limits'?",
    ),
    (
        lambda w: w.scenario.pop("title"),
        "scenario.toml: title",
        "is missing",
        "Add it: one line that says what this scenario is.",
    ),
    (
        lambda w: w.scenario.update(array=5),
        "scenario.toml: array",
        "is 5, not text in quotes",
        "Give text in quotes: file with the array.",
    ),
    (
        lambda w: w.scenario.update(request=5),
        "scenario.toml: request",
        "is 5 where a list of tables is expected",
        "Write [[request]]: what a request needs beyond its row.",
    ),
    (
        lambda w: w.array["delay_line"][1].update(strok_m=w.array["delay_line"][1].pop("stroke_m")),
        "array.toml: delay_line[1].strok_m",
        "is not a key of delay_line",
        "Did you mean 'stroke_m'?",
    ),
    (
        lambda w: w.array["configuration"][0].update(colour="red"),
        "array.toml: configuration[0].colour",
        "is not a key of configuration",
        "Remove it, or use one of: name, placement.",
    ),
]


def complaints(folder):
    with pytest.raises(InputProblems) as caught:
        read_scenario(folder)
    return [str(problem) for problem in caught.value.problems]


@pytest.mark.parametrize(("spoil", "where", "found", "remedy"), [*FILES, *TABLES])
def test_each_unusable_file_or_table_is_told_in_full_and_alone(tmp_path, spoil, where, found, remedy):
    written = Written()
    spoil(written)
    assert written.messages(tmp_path) == [said(where, found, remedy)]


def test_a_folder_that_is_not_there_is_told():
    assert complaints("no/such/folder") == [
        "no/such/folder: does not exist. Give a folder that holds a scenario.toml."
    ]
    assert complaints("no\0such")[0].endswith(": does not exist. Give a folder that holds a scenario.toml.")


def test_the_file_instead_of_its_folder_is_told(tmp_path):
    file = Written().write(tmp_path / "written") / "scenario.toml"
    assert complaints(file) == [f"{file}: is a file, not a folder. Give the folder that holds scenario.toml."]


def test_a_scenario_is_called_like_its_folder(tmp_path, monkeypatch):
    folder = Written().write(tmp_path / "the array in March")
    assert read_scenario(folder).name == "the array in March"
    monkeypatch.chdir(folder)
    assert read_scenario(".").name == "the array in March"


def test_a_folder_with_a_name_too_long_for_a_scenario_is_told(tmp_path):
    folder = Written().write(tmp_path / ("x" * 81))
    assert complaints(folder) == [
        f"{folder}: has a name of 81 characters, and the scenario is called like its folder. "
        "Give the folder a name of 1 to 80 characters."
    ]


def test_a_link_out_of_the_folder_is_not_followed(tmp_path):
    written = Written(files={"array.toml": None})
    folder = written.write(tmp_path / "written")
    (tmp_path / "elsewhere.toml").write_text("secret = 1")
    (folder / "array.toml").symlink_to(tmp_path / "elsewhere.toml")
    assert complaints(folder) == [
        "scenario.toml: array: is 'array.toml', a link out of the scenario's folder. "
        "Put the file into the scenario's folder and give its name."
    ]


def test_a_file_in_a_folder_of_the_folder_is_read(tmp_path):
    written = Written(files={"targets.csv": None})
    written.scenario["targets"] = "sky/targets.csv"
    folder = written.write(tmp_path / "written")
    (folder / "sky").mkdir()
    Written().write(folder / "sky")
    assert len(read_scenario(folder).requests) == 2


def test_a_table_of_more_than_10_mb_is_not_read(tmp_path):
    folder = Written().write(tmp_path / "written")
    os.truncate(folder / "targets.csv", 51_000_000)
    assert complaints(folder) == ["targets.csv: has 51 MB, more than 10. Keep only what the planner needs."]


def test_a_folder_in_the_place_of_a_file_is_told(tmp_path):
    folder = Written(files={"array.toml": None}).write(tmp_path / "written")
    (folder / "array.toml").mkdir()
    assert complaints(folder) == ["array.toml: is not a file. Put a file in its place."]


def test_a_broken_scenario_file_does_not_hide_the_other_files(tmp_path):
    written = Written()
    written.files = {
        "scenario.toml": b"title = ",
        "targets.ecsv": b"no table",
        "targets.csv": None,
        "calibrators.csv": None,
    }
    written.array["site"]["height_m"] = "high"
    assert [message.partition(": is ")[0] for message in written.messages(tmp_path)] == [
        "array.toml: site.height_m",
        "scenario.toml: end of document",
        'targets.ecsv: cannot be read as ECSV (ECSV header line like "# %ECSV <version>" not found as first '
        "line.  This is required for a ECSV file.). Correct the file, or save the table again.",
    ]


def test_a_row_of_too_few_cells_is_named_by_its_line_in_the_file(tmp_path):
    folder = tmp_path / "tiny"
    shutil.copytree(SCENARIOS / "tiny", folder)
    table = folder / "targets.ecsv"
    lines = table.read_text(encoding="utf-8").splitlines()
    headings = next(k for k, line in enumerate(lines) if line and not line.startswith("#"))
    lines[headings + 1 :] = ["", "# A remark.", *lines[headings + 1 :], "short 12.0"]
    table.write_text("\n".join(lines) + "\n", encoding="utf-8")
    columns = len(lines[headings].split())
    assert complaints(folder) == [
        f"targets.ecsv: cannot be read as ECSV (line {len(lines)} has 2 cells, the headings are {columns}). "
        "Correct the file, or save the table again."
    ]


def test_a_byte_order_mark_and_windows_line_ends_do_no_harm(tmp_path):
    folder = Written().write(tmp_path / "written")
    plain = read_scenario(folder)
    for file in folder.iterdir():
        file.write_bytes(b"\xef\xbb\xbf" + file.read_bytes().replace(b"\r\n", b"\n").replace(b"\n", b"\r\n"))
    assert read_scenario(folder) == plain
