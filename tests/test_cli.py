"""The commands as a user types them: text, exit codes, and what lies in the folder afterwards."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from typer.testing import CliRunner

from planner import cli
from planner.output import writing as plan_folder

SCENARIOS = Path(__file__).resolve().parent.parent / "scenarios"


def run(*words):
    return CliRunner().invoke(cli.app, [str(word) for word in words])


@pytest.fixture(scope="module")
def tiny(tmp_path_factory):
    """The tiny night, planned once."""
    out = tmp_path_factory.mktemp("plans") / "tiny"
    return run("night", SCENARIOS / "tiny", "--out", out), out


@pytest.fixture
def scenario(tmp_path):
    """A copy of the tiny scenario that a test may change."""
    return Path(shutil.copytree(SCENARIOS / "tiny", tmp_path / "mine"))


def change(file, old, new):
    text = file.read_text(encoding="utf-8")
    assert old in text
    file.write_text(text.replace(old, new), encoding="utf-8")


def test_a_night_ends_with_an_audited_plan_and_says_where_the_report_is(tiny):
    done, out = tiny
    assert done.exit_code == 0, done.output
    assert "score 9, proven: no plan of the visits considered is better" in done.output
    assert "Audit passed." in done.output
    assert f"Report: {out / 'report.html'}" in done.output
    files = {"report.html", "plan.json", "plan.ecsv", "visits.ics", "figures"}
    assert {path.name for path in out.iterdir()} == files
    assert list((out / "figures").glob("*.svg"))
    assert json.loads((out / "plan.json").read_text(encoding="utf-8"))["audit"]["passed"] is True


def test_a_plan_is_audited_again_from_its_file_alone(tiny):
    done = run("audit", tiny[1])
    assert done.exit_code == 0, done.output
    assert "The audit passed." in done.output
    assert "BROKEN" not in done.output


def test_a_plan_that_was_tampered_with_fails_its_audit(tiny, tmp_path):
    text = (tiny[1] / "plan.json").read_text(encoding="utf-8")
    plan = json.loads(text)
    plan["visits"][0]["steps"][1]["beams"][0]["delay_start_m"] += 0.5
    (tmp_path / "plan.json").write_text(json.dumps(plan), encoding="utf-8")
    done = run("audit", tmp_path)
    assert done.exit_code == 1
    assert "do not use this plan" in done.output


def test_answers_come_as_json_for_machines(tiny, tmp_path):
    done = run("night", SCENARIOS / "tiny", "--out", tmp_path / "plan", "--json")
    answer = json.loads(done.output)
    assert answer["audit"]["passed"] is True
    assert answer["solver"]["status"] == "optimal"
    assert json.loads(run("audit", tiny[1], "--json").output)["passed"] is True
    assert json.loads(run("check", SCENARIOS / "tiny", "--json").output)["contains"]["stations"] == 2


def test_the_same_scenario_gives_the_same_files(tiny, tmp_path):
    run("night", SCENARIOS / "tiny", "--out", tmp_path / "again")
    for path in (p for p in tiny[1].rglob("*") if p.is_file()):
        assert path.read_bytes() == (tmp_path / "again" / path.relative_to(tiny[1])).read_bytes(), path.name


def test_checking_says_what_the_scenario_contains():
    done = run("check", SCENARIOS / "demo")
    assert done.exit_code == 0
    assert "18 stations, 9 telescopes, 8 delay lines, 3 combiners" in done.output


def test_every_default_can_be_seen():
    done = run("check", SCENARIOS / "tiny", "--defaults")
    assert "array.toml: delay_line[0].medium = 'vacuum'" in done.output


def test_bad_input_tells_everything_at_once_and_writes_nothing(tmp_path):
    out = tmp_path / "plan"
    done = run("night", SCENARIOS / "broken", "--out", out)
    assert done.exit_code == 2
    assert len(done.output.splitlines()) > 40
    assert "Traceback" not in done.output
    assert not out.exists()
    assert list(tmp_path.iterdir()) == []


def test_a_night_without_darkness_is_a_no_with_a_number(scenario, tmp_path):
    change(scenario / "array.toml", "latitude_deg = -30", "latitude_deg = 66")
    out = tmp_path / "plan"
    done = run("night", scenario, "--date", "2027-06-21", "--out", out)
    assert done.exit_code == 1
    assert "the Sun never goes below -18 deg: it is lowest at" in done.output
    assert not out.exists()


def test_a_target_that_never_rises_gets_a_reason_and_the_rest_a_plan(scenario, tmp_path):
    table = scenario / "targets.ecsv"
    rows = table.read_text(encoding="utf-8").splitlines()
    header = next(row for row in rows if row and not row.startswith("#")).split()
    last = next(row for row in reversed(rows) if row).split()
    last[header.index("name")] = "polaris"
    last[header.index("dec")] = "89.0"
    table.write_text("\n".join([*rows, " ".join(last)]) + "\n", encoding="utf-8")
    done = run("night", scenario, "--out", tmp_path / "plan")
    assert done.exit_code == 0, done.output
    assert "left out: polaris: altitude, lower limit: at best" in done.output


def test_a_name_full_of_markup_stays_harmless(scenario, tmp_path):
    for name in ("targets.ecsv", "calibrators.ecsv"):
        change(scenario / name, "south", "<script>alert(1)</script>")
    done = run("night", scenario, "--out", tmp_path / "plan")
    assert done.exit_code == 0, done.output
    page = (tmp_path / "plan" / "report.html").read_text(encoding="utf-8")
    assert "<script>alert" not in page
    assert "&lt;script&gt;alert(1)" in page
    for figure in (tmp_path / "plan" / "figures").glob("*.svg"):
        assert "<script" not in figure.read_text(encoding="utf-8")


def test_time_reserved_in_another_night_is_told(scenario, tmp_path):
    with (scenario / "scenario.toml").open("a", encoding="utf-8") as file:
        file.write('[[reserved]]\nname = "Washing"\n')
        file.write("start_utc = 2027-03-01T02:00:00Z\nend_utc = 2027-03-01T04:00:00Z\n")
    done = run("night", scenario, "--out", tmp_path / "plan")
    sentence = "Reserved, but not in this night: Washing (2027-03-01 02:00 to 2027-03-01 04:00 UTC)."
    assert done.exit_code == 0
    assert sentence in done.stdout
    assert sentence in (tmp_path / "plan" / "report.html").read_text(encoding="utf-8")


def test_a_plan_name_that_no_file_can_have_is_told():
    done = run("audit", "x" * 300)
    assert done.exit_code == 2
    assert done.stderr.endswith("there is no such file. Give a plan's folder or its plan.json.\n")


def test_a_folder_with_other_things_in_it_is_left_alone(tmp_path):
    (tmp_path / "thesis.tex").write_text("years of work", encoding="utf-8")
    done = run("night", SCENARIOS / "tiny", "--out", tmp_path)
    assert done.exit_code == 2
    assert "holds 'thesis.tex', which is not part of a plan" in done.output
    assert [path.name for path in tmp_path.iterdir()] == ["thesis.tex"]


def test_a_note_in_a_plan_folder_is_not_lost(tiny, tmp_path):
    out = tmp_path / "plan"
    shutil.copytree(tiny[1], out)
    (out / "notes.txt").write_text("cloud at two", encoding="utf-8")
    done = run("night", SCENARIOS / "tiny", "--out", out)
    assert done.exit_code == 2
    assert "holds 'notes.txt', which is not part of a plan" in done.output
    assert (out / "notes.txt").read_text(encoding="utf-8") == "cloud at two"


def test_a_plan_that_a_killed_run_left_aside_is_not_lost(tiny, tmp_path, monkeypatch):
    out = tmp_path / "plan"
    shutil.copytree(tiny[1], tmp_path / ".plan-replaced-abcd_123")

    def full(descriptor):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(plan_folder.os, "fsync", full)
    assert run("night", SCENARIOS / "tiny", "--out", out).exit_code == 2
    assert (out / "plan.json").read_bytes() == (tiny[1] / "plan.json").read_bytes()


def test_stopping_a_run_writes_nothing_and_says_so(tmp_path, monkeypatch):
    def stop(*given, **named):
        raise KeyboardInterrupt

    monkeypatch.setattr("planner.scheduling.tonight.solve_night", stop)
    done = run("night", SCENARIOS / "tiny", "--out", tmp_path / "plan")
    assert done.exit_code == 130
    assert "Stopped. Nothing was written." in done.output
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_cannot_be_made_is_refused_before_the_work(tmp_path, monkeypatch):
    monkeypatch.setattr("planner.scheduling.tonight.solve_night", None)
    (tmp_path / "file").write_text("", encoding="utf-8")
    for out in (tmp_path / "file" / "plan", tmp_path / ("x" * 300)):
        done = run("night", SCENARIOS / "tiny", "--out", out)
        assert done.exit_code == 2
        assert "Give another folder with --out." in done.output


def test_a_plan_replaces_an_earlier_one_whole(tiny, tmp_path):
    out = tmp_path / "plan"
    shutil.copytree(tiny[1], out)
    (out / "figures" / "old.svg").write_text("left over", encoding="utf-8")
    assert run("night", SCENARIOS / "tiny", "--out", out).exit_code == 0
    assert not (out / "figures" / "old.svg").exists()
    assert [path.name for path in tmp_path.iterdir()] == ["plan"]


def test_a_failure_while_writing_leaves_the_earlier_plan_whole(tiny, tmp_path, monkeypatch):
    out = tmp_path / "plan"
    shutil.copytree(tiny[1], out)
    before = {p.relative_to(out): p.read_bytes() for p in out.rglob("*") if p.is_file()}

    def full(descriptor):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(plan_folder.os, "fsync", full)
    done = run("night", SCENARIOS / "tiny", "--out", out)
    assert done.exit_code == 2
    assert "cannot be written (No space left on device)" in done.output
    assert {p.relative_to(out): p.read_bytes() for p in out.rglob("*") if p.is_file()} == before
    assert [path.name for path in tmp_path.iterdir()] == ["plan"]


@pytest.mark.parametrize(
    ("words", "code", "told"),
    [
        (("night", "nowhere"), 2, "nowhere"),
        (("audit", "nowhere"), 2, "there is no such file"),
        (
            ("night", SCENARIOS / "tiny", "--configuration", "sideways"),
            2,
            "there is no configuration 'sideways'",
        ),
        (
            ("night", SCENARIOS / "tiny", "--date", "1850-01-01"),
            2,
            "Give a date from 1990-01-01 to 2060-12-31.",
        ),
        (("night", SCENARIOS / "tiny", "--date", "tomorrow"), 2, "tomorrow"),
    ],
)
def test_what_cannot_be_done_is_said_in_a_line(words, code, told):
    done = run(*words)
    assert done.exit_code == code
    assert told in done.output
    assert "Traceback" not in done.output


def test_a_fault_of_the_planner_itself_is_told_without_a_traceback(monkeypatch, capsys):
    def break_down():
        raise RuntimeError("something unforeseen")

    monkeypatch.setattr(cli, "app", break_down)
    monkeypatch.delenv("PLANNER_TRACEBACK", raising=False)
    with pytest.raises(SystemExit) as end:
        cli.main()
    assert end.value.code == 3
    assert "a fault of its own (RuntimeError: something unforeseen)" in capsys.readouterr().err


def test_a_date_outside_the_years_of_the_tables_is_refused(scenario):
    text = (scenario / "scenario.toml").read_text(encoding="utf-8")
    old = next(line for line in text.splitlines() if line.startswith("date = "))
    change(scenario / "scenario.toml", old, "date = 2160-01-01")
    done = run("check", scenario)
    assert done.exit_code == 2
    assert "night.date: is 2160-01-01, which is above 2060-12-31." in done.output


def test_a_plan_for_a_far_date_says_that_the_earths_rotation_is_frozen(tmp_path):
    done = run("night", SCENARIOS / "tiny", "--date", "2055-03-08", "--out", tmp_path / "plan")
    assert done.exit_code in (0, 1), done.output
    plan = json.loads((tmp_path / "plan" / "plan.json").read_text(encoding="utf-8"))
    assert plan["earth_orientation"]["state"] == "frozen"
    assert "frozen past 20" in plan["earth_orientation"]["sentence"]
    assert plan["audit"]["passed"] is True


def test_help_has_an_example_for_each_command():
    for command in ("check", "night", "audit"):
        assert f"Example: planner {command} " in run(command, "--help").output
