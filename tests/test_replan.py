"""The rest of a night that has begun: what counts as made, what is left, and that nothing good is lost."""

from __future__ import annotations

import datetime
import functools
import json
from pathlib import Path

import pytest
from invented import random_scenario
from lit_plans import feeds
from nights import planned
from test_cli import run

from planner import plan_night
from planner.errors import InputProblems
from planner.output.folder import write_plan_folder
from planner.scenario.night import Reserved, Window
from planner.scenario.programs import Program
from planner.scheduling.audit import audit_plan
from planner.scheduling.begun_night import left_of_night
from planner.scheduling.plan import moment
from planner.scheduling.plan_file import plan_json
from planner.scheduling.remaining import PAST, remaining
from planner.scheduling.table import longest_move_s

MINUTE = datetime.timedelta(minutes=1)


@functools.cache
def first_plan(seed=3):
    """A night of requests that want two visits each, proven or nearly so."""
    return planned(random_scenario(seed, requests=6, telescopes=4, beams=2))[1]


def start(plan, place):
    return moment(plan.visits[place].steps[0].start_utc)


def end(plan, place):
    return moment(plan.visits[place].steps[-1].end_utc)


def request_of(scenario, name):
    return next((own for own in scenario.requests if own.name == name), None)


def with_extras(plan, name, **extras):
    """The plan with other wishes of one request."""
    scenario = plan.scenario
    requests = tuple(
        own.model_copy(update={"extras": own.extras.model_copy(update=extras)}) if own.name == name else own
        for own in scenario.requests
    )
    return plan.model_copy(update={"scenario": scenario.model_copy(update={"requests": requests})})


# By hand.


def test_what_had_begun_is_made_but_for_the_lost_and_the_one_under_way_is_waited_for():
    plan = first_plan()
    assert len(plan.visits) >= 6
    now = start(plan, 3) + MINUTE
    left = remaining(plan, now, {1})
    assert (left.made, left.lost) == ((0, 2, 3), (1,))
    assert left.free == end(plan, 3)
    assert remaining(plan, now, {1, 3}).free == now
    made = [plan.visits[k].target for k in (0, 2, 3)]
    for own in plan.scenario.requests:
        wanted = own.visits - made.count(own.name)
        kept = request_of(left.scenario, own.name)
        assert (kept.visits if kept else 0) == wanted
    told = {(row.target, row.start_utc) for row in left.scenario.history}
    for place in left.made:
        visit = plan.visits[place]
        row = (visit.target, moment(visit.steps[1].start_utc))
        assert (row in told) == (request_of(left.scenario, visit.target) is not None)


def test_the_time_that_is_past_is_reserved_and_the_array_gets_time_to_come_from_anywhere():
    plan = first_plan()
    now = end(plan, 2) + 5 * MINUTE
    gone = remaining(plan, now, set(range(len(plan.visits)))).scenario.reserved[0]
    assert (gone.name, gone.end_utc, gone.telescopes) == (PAST, now, ())
    assert gone.start_utc < moment(plan.night.start_utc)
    # By hand: 540 deg of azimuth at the slowest class's speed, or a carriage from end to end.
    array = plan.scenario.array
    slowest = max(
        540.0 / own.azimuth_speed_deg_per_s + own.azimuth_settle_s for own in array.telescope_classes
    )
    assert gone.ready_s == longest_move_s(array) >= slowest


def test_orders_and_company_that_are_kept_already_are_asked_no_more():
    plan = first_plan()
    first = plan.visits[0].target
    other = next(own.name for own in plan.scenario.requests if own.name != first)
    asking = with_extras(plan, other, after=first, only_with=first)
    wanted = request_of(plan.scenario, first).visits
    places = [k for k, visit in enumerate(plan.visits) if visit.target == first]
    assert len(places) == wanted == 2
    before_all = request_of(remaining(asking, start(plan, 0)).scenario, other).extras
    assert (before_all.after, before_all.only_with) == (first, first)
    some = request_of(remaining(asking, end(plan, places[0])).scenario, other)
    assert (some.extras.after, some.extras.only_with) == (first, None)
    done = remaining(asking, end(plan, places[1])).scenario
    assert request_of(done, first) is None
    kept = request_of(done, other)
    assert kept is None or (kept.extras.after, kept.extras.only_with) == (None, None)


def test_the_least_gap_counts_from_the_last_visit_made():
    plan = first_plan()
    name = plan.visits[0].target
    now = end(plan, 0) + MINUTE
    gapped = with_extras(plan, name, gap_min_h=2.0)
    [window] = request_of(remaining(gapped, now).scenario, name).extras.windows
    assert window.start_utc == end(plan, 0) + datetime.timedelta(hours=2)
    assert window.end_utc > moment(plan.night.end_utc)
    early = Window(start_utc=end(plan, 0) - MINUTE, end_utc=end(plan, 0) + 60 * MINUTE)
    late = Window(start_utc=end(plan, 0) + 90 * MINUTE, end_utc=end(plan, 0) + 180 * MINUTE)
    windowed = with_extras(plan, name, gap_min_h=2.0, windows=(early, late))
    [window] = request_of(remaining(windowed, now).scenario, name).extras.windows
    assert (window.start_utc, window.end_utc) == (end(plan, 0) + 120 * MINUTE, late.end_utc)
    closed = with_extras(plan, name, gap_min_h=2.0, windows=(early,))
    [window] = request_of(remaining(closed, now).scenario, name).extras.windows
    assert window.start_utc > moment(plan.night.end_utc)


def test_a_program_has_the_hours_that_are_left_and_the_requests_too():
    plan = first_plan()
    names = tuple(own.name for own in plan.scenario.requests)
    one, two = Program(name="one", targets=names[:3], hours_max=5.0), Program(name="two", targets=names[3:])
    scenario = plan.scenario.model_copy(update={"programs": (one, two)})
    timed = plan.model_copy(
        update={
            "scenario": scenario,
            "visits": tuple(v.model_copy(update={"budget_s": 3600.0}) for v in plan.visits),
        }
    )
    left = remaining(timed, end(plan, 3)).scenario
    spent = sum(visit.target in one.targets for visit in plan.visits[:4])
    assert left.programs[0].hours_max == pytest.approx(5.0 - spent)
    assert left.programs[-1].hours_max is None
    assert {name for own in left.programs for name in own.targets} == {own.name for own in left.requests}


def test_reserved_time_that_is_over_is_gone_and_what_is_under_way_stays():
    plan, now = first_plan(), end(first_plan(), 3)
    over = Reserved(name="over", start_utc=now - 30 * MINUTE, end_utc=now - MINUTE)
    under_way = Reserved(name="under way", start_utc=now - MINUTE, end_utc=now + MINUTE, telescopes=("T1",))
    chosen = Reserved(name="chosen", duration_s=600.0)
    scenario = plan.scenario.model_copy(update={"reserved": (over, under_way, chosen)})
    again = plan.model_copy(update={"scenario": scenario})
    assert [own.name for own in remaining(again, now).scenario.reserved] == [PAST, "under way", "chosen"]


# A night again.


@pytest.mark.parametrize("seed", [3, 5])
@pytest.mark.parametrize("place", [0, 2, 4])
def test_the_rest_is_planned_audited_and_no_worse_than_going_on_as_planned(seed, place):
    plan = first_plan(seed)
    left = remaining(plan, end(plan, place))
    assert not left.lost
    again = plan_night(left.scenario).plan
    assert again.audit.passed
    ready = left.free + datetime.timedelta(seconds=left.scenario.reserved[0].ready_s)
    for visit in again.visits:
        assert moment(visit.steps[0].setup_start_utc) >= left.free
        assert moment(visit.steps[0].start_utc) > ready
    # Visits of the first plan that would still be in time are a plan of the rest.
    longest = datetime.timedelta(seconds=300.0)  # of a capture
    still = [k for k in range(len(plan.visits)) if start(plan, k) >= ready + longest]
    worth = sum(plan.visits[k].value for k in still)
    assert again.solver.score >= worth or again.solver.status != "optimal"
    filled = {(v.target, cell) for k in left.made for v in [plan.visits[k]] for cell in v.new_cells}
    assert not filled & {(visit.target, cell) for visit in again.visits for cell in visit.new_cells}


def test_a_night_with_the_whole_light_path_goes_on_after_a_loss():
    plan = feeds()
    now = start(plan, 1) + MINUTE
    left = remaining(plan, now, {0})
    again = plan_night(left.scenario).plan
    assert again.audit.passed
    assert all(own.when != "before dusk" for own in left.scenario.array.internal_calibrations)
    # And once more: what is past is reserved once, the title says one time.
    third = remaining(again, moment(again.night.end_utc) - MINUTE).scenario
    assert [own.name for own in third.reserved].count(PAST) == 1
    same = remaining(again, left.free - 10 * MINUTE)
    assert (same.free, same.made) == (left.free, ())
    assert [own.name for own in same.scenario.reserved].count(PAST) == 1
    assert third.title.count(", from ") == left.scenario.title.count(", from ") == 1


# What a user types.


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
    asked = run("replan", str(folder), "--at", at, "--out", str(tmp_path / "rest"), "--json")
    assert asked.exit_code == 0, asked.output
    assert json.loads(asked.stdout)["report"] == str(tmp_path / "rest" / "report.html")


def test_a_wrong_question_is_refused_at_once_with_every_problem(folder, tmp_path):
    before = sorted(Path(tmp_path).iterdir())
    out = ("--out", str(tmp_path / "rest"))
    done = run("replan", str(folder), "--at", "half past", "--lost", "V77", *out)
    assert done.exit_code == 2
    first, second = done.stderr.strip().splitlines()
    assert "command line: --at: is 'half past', not a time. Give a time of the dark hours from " in first
    assert "command line: --lost: is 'V77', no visit of this plan. Its visits are V01 to V" in second
    noon = run("replan", str(folder), "--at", "12:00" if start(first_plan(), 0).hour != 12 else "00:00", *out)
    assert noon.exit_code == 2
    assert "outside the night" in noon.stderr
    untold = run("replan", str(folder), *out)
    assert untold.exit_code == 2
    assert "command line: --at: is missing. Give a time of the dark hours from " in untold.stderr
    early = run("replan", str(folder), "--at", f"{end(first_plan(), 1):%H:%M:%S}", "--lost", "V05", *out)
    assert early.exit_code == 2
    assert "is V05, which has not begun at" in early.stderr
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
    assert not (tmp_path / "rest").exists()
