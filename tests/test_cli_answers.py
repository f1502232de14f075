"""The commands `planner feasibility` and `planner rank`, as a user types them."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import pytest
from astropy.table import QTable
from test_cli import run

TINY = Path(__file__).resolve().parent.parent / "scenarios" / "tiny"


def test_feasibility_answers_with_a_page_tables_and_sheets(tmp_path):
    done = run("feasibility", str(TINY), "--out", str(tmp_path / "answer"), "--json")
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)
    assert Path(told["page"]) == tmp_path / "answer" / "feasibility.html"
    assert Path(told["page"]).is_file()
    table = QTable.read(tmp_path / "answer" / "windows.ecsv")
    for target in told["targets"]:
        assert target["feasible"]
        assert target["blocked"]
        own = table[table["target"] == target["target"]]
        # One subarray only: its openings are the windows.
        assert len(own) == len(target["windows_utc"])
        hours = own["duration"].to_value("h").sum()
        assert hours == pytest.approx(target["usable_h"], abs=1e-3)
    assert len(list((tmp_path / "answer" / "sheets").iterdir())) == len(told["targets"])


def test_feasibility_of_nothing_that_can_be_ends_with_one_and_says_why(tmp_path):
    # On 20 August the Sun stands near 10 h of right ascension, and so does a star at 11 h 4 min.
    done = run(
        "feasibility",
        str(TINY),
        "--date",
        "2027-08-20",
        "--target",
        "equator",
        "--out",
        str(tmp_path / "answer"),
    )
    assert done.exit_code == 1, done.output
    assert "no visit" in done.stdout
    assert "why not: " in done.stdout
    assert "would help: Observe " in done.stdout


def test_a_range_tells_on_how_many_of_its_nights_a_target_is_feasible(tmp_path):
    asked = ("--target", "equator", "--from", "2027-03-11", "--to", "2027-03-13")
    done = run("feasibility", str(TINY), *asked, "--out", str(tmp_path / "answer"))
    assert done.exit_code == 0, done.output
    night, season = done.stdout.splitlines()[:2]
    assert night.startswith("equator  2027-03-1")
    assert season == "  feasible on 3 of 3 nights from 2027-03-11 to 2027-03-13 in configuration as built"


def test_without_a_visit_the_times_are_named_as_those_of_the_limits(tmp_path):
    shutil.copytree(TINY, tmp_path / "far")
    file = tmp_path / "far" / "scenario.toml"
    text = re.sub("bracket_distance_max_deg = .*", "bracket_distance_max_deg = 0.01", file.read_text())
    file.write_text(text)
    done = run("feasibility", str(file.parent), "--target", "equator", "--out", str(tmp_path / "answer"))
    assert done.exit_code == 1, done.output
    assert re.match(r"equator  [0-9-]+  no visit  \(its limits are kept \d\d:", done.stdout), done.stdout


def test_a_wrong_question_is_refused_with_every_problem_and_nothing_is_written(tmp_path):
    done = run(
        "feasibility", str(TINY), "--target", "nobody", "--subarray", "Left,Rigth", "--from", "2027-03-11",
        "--out", str(tmp_path / "answer"),
    )  # fmt: skip
    assert done.exit_code == 2
    lines = done.stderr.strip().splitlines()
    assert len(lines) == 3
    assert "command line: --to: is missing beside --from." in lines[0]
    assert "there is no target 'nobody'" in lines[1]
    assert "there is no telescope 'Rigth' in array.toml. Did you mean 'Right'?" in lines[2]
    assert not (tmp_path / "answer").exists()


def test_rank_answers_with_a_page_and_tables(tmp_path):
    done = run("rank", str(TINY), "--top", "1", "--out", str(tmp_path / "answer"), "--json")
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)
    assert Path(told["page"]).is_file()
    table = QTable.read(tmp_path / "answer" / "ranking.ecsv")
    # Two telescopes make one pair.
    assert len(table) >= 1
    assert str(table["stations"][0]) == "west; east"


@pytest.mark.parametrize("size", ["9", "1", "0"])
def test_rank_refuses_what_does_not_fit(tmp_path, size):
    done = run("rank", str(TINY), "--size", size, "--top", "0", "--out", str(tmp_path / "answer"))
    assert done.exit_code == 2
    assert f"--size: is {size}. Give 2 to 6." in done.stderr
    assert "--top: is 0. Give 1 to 100." in done.stderr


def test_a_folder_that_holds_something_else_is_left_alone(tmp_path):
    (tmp_path / "mine.txt").write_text("mine", encoding="utf-8")
    for command in ("feasibility", "rank"):
        done = run(command, str(TINY), "--out", str(tmp_path))
        assert done.exit_code == 2
        assert "holds 'mine.txt'" in done.stderr
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]
