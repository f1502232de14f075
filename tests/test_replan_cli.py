"""The command `planner replan`, as a user types it, and what it refuses."""

from __future__ import annotations

import datetime
import json
import re
from pathlib import Path

import pytest
from invented import random_scenario
from nights import planned
from test_cli import run
from test_replan import MINUTE, end, first_plan, start

from planner.errors import InputProblems
from planner.output.folder import write_plan_folder
from planner.scheduling.audit import audit_plan
from planner.scheduling.begun_night import left_of_night
from planner.scheduling.plan import moment
from planner.scheduling.plan_file import plan_json

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    night, plan = planned(random_scenario(3, requests=6, telescopes=4, beams=2))
    audited = plan.model_copy(update={"audit": audit_plan(plan)})
    where = tmp_path_factory.mktemp("plan") / "first"
    write_plan_folder(night.limits, night.offers, audited, where)
    return where


def test_the_command_writes_the_rest_of_the_night(folder, tmp_path):
    plan = first_plan()
    at = f"{end(plan, 3):%H:%M:%S}"
    done = run("replan", str(folder), "--at", at, "--lost", "V02", "--out", str(tmp_path / "rest"))
    assert done.exit_code == 0, done.output
    assert "Made: V01, V03, V04. Lost: V02." in done.stdout
    told = json.loads((tmp_path / "rest" / "plan.json").read_text(encoding="utf-8"))
    assert told["audit"]["passed"]
    assert told["visits"]
    assert (tmp_path / "rest" / "report.html").is_file()
    assert not list((tmp_path / "rest").rglob("*.pdf"))  # nobody wanted them
    asked = run("replan", str(folder), "--at", at, "--out", str(tmp_path / "rest"), "--json", "--pdf")
    assert asked.exit_code == 0, asked.output
    drawn = {kind: {own.stem for own in (tmp_path / "rest").rglob(f"*.{kind}")} for kind in ("svg", "pdf")}
    assert drawn["svg"] == drawn["pdf"] >= {"night", "delay", "altitude", "sky"}
    answer = json.loads(asked.stdout)
    assert answer["report"] == str(tmp_path / "rest" / "report.html")
    assert answer["rest_of_night"]["made"] == ["V01", "V02", "V03", "V04"]
    assert answer["rest_of_night"]["from_utc"] == f"{end(plan, 3):%Y-%m-%dT%H:%M:%SZ}"
    # What was made keeps its events, what follows replaces them: nothing is in the calendar twice.
    first, rest = ((own / "visits.ics").read_text() for own in (folder, tmp_path / "rest"))
    uids = [set(re.findall(r"UID:(\S+)", text)) for text in (first, rest)]
    assert all(uids)
    assert len(uids[0] - uids[1]) == 4


def test_a_wrong_question_is_refused_at_once_with_every_problem(folder, tmp_path):
    before = sorted(Path(tmp_path).iterdir())
    out = ("--out", str(tmp_path / "rest"))
    done = run("replan", str(folder), "--at", "half past", "--lost", "V77", *out)
    assert done.exit_code == 2
    first, second = done.stderr.strip().splitlines()
    assert "command line: --at: is 'half past', not a time. Give a time of the dark hours from " in first
    assert "command line: --lost: is 'V77', no visit of this plan. Its visits are V01, V02, " in second
    noon = run("replan", str(folder), "--at", "12:00" if start(first_plan(), 0).hour != 12 else "00:00", *out)
    assert noon.exit_code == 2
    assert "outside the night" in noon.stderr
    untold = run("replan", str(folder), *out)
    assert untold.exit_code == 2
    assert "command line: --at: is missing. Give a time of the dark hours from " in untold.stderr
    at = f"{end(first_plan(), 1):%H:%M:%S}"
    early = run("replan", str(folder), "--at", at, "--lost", "V01, V05,V06", *out)
    assert early.exit_code == 2
    first, second = early.stderr.strip().splitlines()
    assert "is V05, which has not begun at" in first
    assert "is V06, which has not begun at" in second
    assert sorted(Path(tmp_path).iterdir()) == before


def test_times_of_other_zones_mean_what_they_say(folder):
    plan = first_plan()
    now = end(plan, 2)
    zone = now.astimezone(datetime.timezone(datetime.timedelta(hours=-4)))
    assert left_of_night(plan, zone.isoformat()).free == now
    assert left_of_night(plan, f"{now:%Y-%m-%dT%H:%M:%S}").free == now
    assert left_of_night(plan, f"{zone:%H:%M:%S}-04:00").free == now


def test_a_plan_that_fails_its_audit_is_not_followed(tmp_path):
    plan = first_plan()
    worse = plan.model_copy(
        update={"solver": plan.solver.model_copy(update={"score": plan.solver.score + 1})}
    )
    with pytest.raises(InputProblems, match="does not pass its audit"):
        left_of_night(worse, f"{end(plan, 2):%H:%M:%S}")
    (tmp_path / "plan.json").write_text(plan_json(worse), encoding="utf-8")
    assert run("replan", str(tmp_path), "--at", f"{end(plan, 2):%H:%M:%S}").exit_code == 2


def test_when_everything_is_made_there_is_nothing_left_to_plan(tmp_path):
    scenario = random_scenario(3, requests=2, telescopes=4, beams=2)
    once = tuple(own.model_copy(update={"visits": 1}) for own in scenario.requests)
    plan = planned(scenario.model_copy(update={"requests": once}))[1]
    assert len(plan.visits) == 2
    (tmp_path / "plan.json").write_text(plan_json(plan), encoding="utf-8")
    last = moment(plan.night.end_utc) - MINUTE
    done = run("replan", str(tmp_path), "--at", f"{last:%H:%M:%S}", "--out", str(tmp_path / "rest"))
    assert done.exit_code == 1, done.output
    assert "Made: V01, V02. Lost: none." in done.stdout
    assert "Nothing is left to plan: every visit is made that could still be wanted." in done.stdout
    told = run("replan", str(tmp_path), "--at", f"{last:%H:%M:%S}", "--json")
    assert told.exit_code == 1
    assert json.loads(told.stdout)["rest_of_night"]["made"] == ["V01", "V02"]
    assert not (tmp_path / "rest").exists()
