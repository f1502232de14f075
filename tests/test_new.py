"""`planner new`, and what stands around the commands: versions, quiet, schemas, completion, exit codes."""

from __future__ import annotations

import datetime
import json
import re
import shutil
import subprocess
import sys
import tomllib
from importlib.metadata import version
from pathlib import Path

import jsonschema
import pytest
from astropy.table import QTable
from astropy.time import Time
from icalendar import Calendar
from test_cli import SCENARIOS, run
from test_schema import wrong

from planner import __version__, cli
from planner.cli_options import BAD_INPUT, DONE, FAULT, NO, STOPPED
from planner.output import writing
from planner.output.starting import starting_files
from planner.scheduling.plan_file import plan_schema

ROOT = Path(__file__).resolve().parent.parent


@pytest.fixture(scope="module")
def first_night(tmp_path_factory):
    """A new scenario, planned as it is."""
    folder = tmp_path_factory.mktemp("new")
    made = run("new", folder / "mine")
    return made, run("night", folder / "mine", "--out", folder / "plan", "--quiet"), folder


def test_a_new_scenario_plans_a_night_at_once(first_night):
    made, done, folder = first_night
    assert made.exit_code == 0, made.output
    assert f"A scenario to start from: {folder / 'mine'}" in made.output
    assert (done.exit_code, done.output) == (0, "")
    plan = json.loads((folder / "plan" / "plan.json").read_text(encoding="utf-8"))
    # Sensible: every star is observed at least once, on two and on four telescopes, in much of the night.
    assert all(request["visits_planned"] >= 1 for request in plan["requests"])
    assert {len(visit["subarray"]) for visit in plan["visits"]} == {2, 4}
    assert len(plan["visits"]) >= 8
    assert plan["solver"]["gap"] <= 0.02
    assert plan["audit"]["passed"]


def test_a_plan_fits_its_schema_and_its_tables_read_back(first_night):
    folder = first_night[2] / "plan"
    plan = json.loads((folder / "plan.json").read_text(encoding="utf-8"))
    jsonschema.validate(plan, plan_schema(), cls=jsonschema.Draft202012Validator)
    table = QTable.read(folder / "plan.ecsv")
    assert isinstance(table["start_utc"], Time)
    assert len(table) == sum(len(step["beams"]) for visit in plan["visits"] for step in visit["steps"])
    beam = plan["visits"][0]["steps"][0]["beams"][0]
    assert table["delay_start"][0].to_value("m") == pytest.approx(beam["delay_start_m"], abs=1e-6)
    assert table["altitude_end"][0].to_value("deg") == pytest.approx(beam["altitude_end_deg"], abs=1e-6)
    assert table["start_utc"][0].isot[:19] + "Z" == plan["visits"][0]["steps"][0]["start_utc"]
    events = Calendar.from_ical((folder / "visits.ics").read_bytes()).events
    ends = {f"{event.end:%Y-%m-%dT%H:%M:%SZ}" for event in events}
    assert {visit["steps"][-1]["end_utc"] for visit in plan["visits"]} <= ends


def test_a_new_scenario_comes_with_the_schemas_that_its_files_name(first_night):
    folder = first_night[2] / "mine"
    for name in ("array", "scenario"):
        text = (folder / f"{name}.toml").read_text(encoding="utf-8")
        assert text.startswith(f"#:schema ./{name}.schema.json\n")
        assert (folder / f"{name}.schema.json").is_file()
        assert wrong(name, tomllib.loads(text)) == set()
        assert json.loads(run("schema", name).output) == json.loads(
            (folder / f"{name}.schema.json").read_text(encoding="utf-8")
        )
    assert json.loads(run("schema", "plan").output) == plan_schema()


def test_what_stands_behind_a_hash_in_the_new_scenario_can_be_put_in_force(first_night, tmp_path):
    folder = Path(shutil.copytree(first_night[2] / "mine", tmp_path / "mine"))
    for name, count in (("scenario.toml", 7), ("array.toml", 1)):
        text = (folder / name).read_text(encoding="utf-8")
        text, freed = re.subn(r"^# (?=[a-z_]+ = |\[\[)(?!history)", "", text, flags=re.MULTILINE)
        assert freed == count
        (folder / name).write_text(text, encoding="utf-8")
    done = run("check", folder)
    assert done.exit_code == 0, done.output
    assert "reserved: Alignment" in done.output


@pytest.mark.parametrize("name", ["notes.txt", "scenario.toml"])
def test_a_folder_with_something_in_it_is_not_written_over(tmp_path, name):
    (tmp_path / name).write_text("mine", encoding="utf-8")
    done = run("new", tmp_path)
    assert done.exit_code == 2
    assert "exists and is not empty. Give the name of a new folder." in done.output
    assert [path.name for path in tmp_path.iterdir()] == [name]


def test_an_empty_folder_may_be_filled_and_a_name_that_cannot_be_is_refused(tmp_path):
    (tmp_path / "empty").mkdir()
    assert run("new", tmp_path / "empty").exit_code == 0
    assert (tmp_path / "empty" / "scenario.toml").is_file()
    (tmp_path / "file").write_text("", encoding="utf-8")
    for name in ("x" * 81, "file", "file/inside", "bell\a"):
        done = run("new", tmp_path / name)
        assert done.exit_code == 2
        assert "Traceback" not in done.output
    assert sorted(path.name for path in tmp_path.iterdir()) == ["empty", "file"]


def test_a_full_disk_leaves_no_half_scenario(tmp_path, monkeypatch):
    def full(descriptor):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(writing.os, "fsync", full)
    done = run("new", tmp_path / "mine")
    assert done.exit_code == 2
    assert "cannot be written (No space left on device)" in done.output
    assert list(tmp_path.iterdir()) == []


def test_the_starting_files_are_shipped_with_the_package():
    shipped = (ROOT / "pyproject.toml").read_text(encoding="utf-8")
    assert '"scenario/starting/*"' in shipped
    files = starting_files()
    assert {name for name in files if not name.endswith(".json")} == {
        "array.toml", "scenario.toml", "targets.ecsv", "calibrators.ecsv",
    }  # fmt: skip
    assert "van Leeuwen 2007" in files["targets.ecsv"]
    assert "van Leeuwen 2007" in files["calibrators.ecsv"]


def test_the_version_names_the_solver_and_the_table_of_the_earths_rotation():
    first, second, third = run("--version").output.splitlines()
    assert first == f"planner {__version__}"
    assert second == f"solver OR-Tools {version('ortools')}"
    found = re.fullmatch(
        r"Earth orientation astropy-iers-data (\S+), measured until (\S+), predicted until (\S+)", third
    )
    assert found is not None
    assert found[1] == version("astropy-iers-data")
    measured, predicted = (datetime.date.fromisoformat(text) for text in found.groups()[1:])
    # IERS Bulletin A predicts a year ahead and is out weekly; the package's version begins with its day.
    shipped = datetime.date(*map(int, found[1].split(".")[1:4]))
    assert datetime.timedelta(0) < shipped - measured < datetime.timedelta(days=21)
    assert datetime.timedelta(days=340) < predicted - measured < datetime.timedelta(days=400)


def test_quiet_says_nothing_when_all_is_well_and_problems_when_not(first_night, tmp_path):
    plan = first_night[2] / "plan"
    for words in (("check", SCENARIOS / "tiny"), ("audit", plan), ("new", tmp_path / "mine")):
        done = run(*words, "--quiet")
        assert done.exit_code == 0, done.output
        assert done.output == ""
    done = run("check", SCENARIOS / "broken", "--quiet")
    assert done.exit_code == 2
    assert done.stdout == ""
    assert len(done.stderr.splitlines()) > 40


def test_quiet_gives_the_reason_of_a_no(first_night, tmp_path):
    plan = json.loads((first_night[2] / "plan" / "plan.json").read_text(encoding="utf-8"))
    plan["visits"][0]["steps"][1]["beams"][0]["delay_start_m"] += 0.5
    (tmp_path / "plan.json").write_text(json.dumps(plan), encoding="utf-8")
    done = run("audit", tmp_path, "--quiet")
    assert (done.exit_code, done.stdout) == (1, "")
    assert done.stderr == "The audit FAILED: do not use this plan.\n"


def test_quiet_and_json_contradict_each_other():
    done = run("check", SCENARIOS / "tiny", "--quiet", "--json")
    assert done.exit_code == 2
    assert done.stderr.startswith("command line: --quiet: stands beside --json.")


def test_every_command_can_be_quiet_and_says_so():
    names = [command.name or command.callback.__name__ for command in cli.app.registered_commands]
    for name in names:
        if name != "schema":  # it prints a file
            assert "--quiet" in run(name, "--help").output
        assert f"Example: planner {name}" in run(name, "--help").output


def test_a_shell_is_told_the_commands_that_begin_so():
    # As bash asks: the words so far and the one the cursor is in (bash manual, Programmable Completion).
    code = "from planner.__main__ import main; import sys; sys.argv[0] = 'planner'; main()"
    asked = {"_PLANNER_COMPLETE": "complete_bash", "COMP_WORDS": "planner fe", "COMP_CWORD": "1"}
    done = subprocess.run(
        [sys.executable, "-c", code], env={"PATH": "/usr/bin:/bin", "PYTHONPATH": str(ROOT)} | asked,
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.stdout.split() == ["feasibility"]


def told_codes():
    """The exit codes as the README tells them."""
    rows = re.findall(
        r"^\| (\d+) \| (.+) \|$", (ROOT / "README.md").read_text(encoding="utf-8"), re.MULTILINE
    )
    return {int(code): text for code, text in rows}


def test_the_readme_tells_the_exit_codes_that_there_are():
    assert list(told_codes()) == [DONE, NO, BAD_INPUT, FAULT, STOPPED]


def test_a_wrong_word_on_the_command_line_ends_like_other_bad_input():
    for words in (("plan",), ("check",), ("check", SCENARIOS / "tiny", "--loud"), ("schema", "mirror")):
        done = run(*words)
        assert done.exit_code == BAD_INPUT
        assert "Traceback" not in done.output
