"""The plan as a document: what it says, how it is written and read, and why something was left out."""

from __future__ import annotations

import functools
import json
from datetime import datetime, timedelta

import jsonschema
import numpy as np
import pytest
from invented import delay_line, random_scenario, request, star, telescope_class
from nights import build, planned

from planner.errors import InputProblems
from planner.output.tables import plan_table, table_text
from planner.scenario.night import RequestExtras, Window
from planner.scheduling.plan_file import SCHEMA_FILE, plan_json, plan_schema, read_plan, schema_text


@functools.cache
def night():
    return planned(random_scenario(1, requests=6, telescopes=5, beams=3))


def moment(text):
    return datetime.fromisoformat(text)


def changed(scenario, number, **changes):
    """The scenario with one request changed."""
    wishes = list(scenario.requests)
    wishes[number] = wishes[number].model_copy(update=changes)
    return scenario.model_copy(update={"requests": tuple(wishes)})


def reason_of(scenario, number=0):
    return planned(scenario)[1].requests[number].reason


def test_steps_stand_in_order_and_visits_do_not_overlap():
    _, plan = night()
    assert len(plan.visits) >= 5
    end = moment(plan.visits[0].steps[0].setup_start_utc)
    for visit in plan.visits:
        assert [step.role for step in visit.steps] == ["calibrator", "science", "calibrator"]
        for step in visit.steps:
            assert end <= moment(step.setup_start_utc) < moment(step.start_utc) < moment(step.end_utc)
            end = moment(step.end_utc)


def test_a_visit_may_start_later_but_never_earlier_than_planned():
    _, plan = night()
    slack = [
        (moment(visit.latest_start_utc) - moment(visit.steps[0].start_utc)).total_seconds()
        for visit in plan.visits
    ]
    assert min(slack) >= 0
    assert max(slack) > 0


def test_the_score_is_the_sum_of_the_visits_and_stands_for_distinct_cells():
    _, plan = night()
    assert plan.solver.score == sum(visit.value for visit in plan.visits)
    for outcome in plan.requests:
        cells = [cell for visit in plan.visits if visit.target == outcome.target for cell in visit.new_cells]
        assert len(cells) == len(set(cells)) == outcome.cells_filled <= outcome.cells_reachable


def test_every_margin_of_a_planned_visit_is_kept():
    _, plan = night()
    for visit in plan.visits:
        limits = [margin.limit for margin in visit.margins]
        assert "delay line stroke" in limits
        assert len(limits) == len(set(limits))
        assert all(margin.margin >= 0 for margin in visit.margins)


def test_a_written_plan_reads_back_the_same(tmp_path):
    _, plan = night()
    (tmp_path / "plan.json").write_text(plan_json(plan), encoding="utf-8")
    assert read_plan(tmp_path) == plan
    assert read_plan(tmp_path / "plan.json") == plan


def test_the_plan_fits_its_published_schema():
    _, plan = night()
    jsonschema.Draft202012Validator.check_schema(plan_schema())
    jsonschema.validate(json.loads(plan_json(plan)), plan_schema())


def test_the_published_schema_is_the_one_the_code_writes():
    assert SCHEMA_FILE.read_text(encoding="utf-8") == schema_text()


def test_the_table_has_a_row_for_each_beam_of_each_step():
    _, plan = night()
    table = plan_table(plan)
    assert len(table) == sum(len(step.beams) for visit in plan.visits for step in visit.steps)
    assert str(table["delay_start"].unit) == "m"
    assert table["telescope"][0] == plan.visits[0].steps[0].beams[0].telescope
    assert table_text(table).startswith("# %ECSV 1.0")


def test_an_empty_plan_has_a_table_without_rows():
    _, plan = night()
    assert len(plan_table(plan.model_copy(update={"visits": ()}))) == 0


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (None, "there is no such file. Give a plan's folder or its plan.json."),
        ("{", "is not JSON"),
        ("[]", "schema: names another kind of file."),
        ('{"schema": "something/9"}', "schema: names another kind of file."),
        ('{"schema": "interferometer-planner/plan/1"}', "solver: does not fit (Field required)."),
    ],
)
def test_a_file_that_is_no_plan_is_refused_in_words(tmp_path, text, message):
    if text is not None:
        (tmp_path / "plan.json").write_text(text, encoding="utf-8")
    with pytest.raises(InputProblems) as refused:
        read_plan(tmp_path / "plan.json")
    assert message in str(refused.value)


def test_a_target_that_never_rises_is_told_by_how_much_and_when():
    scenario = random_scenario(1, requests=2)
    # At latitude -25 a star at declination 80 culminates at 90 - 25 - 80 = -15 deg: 45 below the limit of 30.
    # At right ascension 12 h precession takes 20.04 arcsec a year off the declination: 0.15 deg since 2000.
    scenario = changed(scenario, 0, star=star("north", 180.0, 80.0))
    reason = reason_of(scenario)
    assert reason.startswith("altitude, lower limit: at best 44.8 deg short, at ")
    assert "UTC" in reason


def test_a_target_too_faint_is_told_by_how_many_magnitudes():
    scenario = random_scenario(1, requests=2)
    dim = scenario.requests[0].star.model_copy(update={"mag": {"K": 7.25}})
    assert reason_of(changed(scenario, 0, star=dim)) == (
        "limiting magnitude: K = 7.25 is 1.25 mag too faint for combiner of 2"
    )


def test_a_target_without_calibrators_is_told_so():
    scenario = random_scenario(1, requests=2)
    far = scenario.model_copy(update={"calibrators": (star("far", 0.0, 60.0),)})
    assert reason_of(far).startswith("no calibrator before and after: none within 10 deg")


def test_a_window_too_short_for_a_visit_is_told_so():
    scenario = random_scenario(1, requests=2)
    free = build(scenario)
    family = next(f for f in free.families if f.request == 0)
    start = moment(free.limits.sky.times[int(family.start_tick[0, 0])].isot + "Z")
    window = Window(start_utc=start, end_utc=start + timedelta(minutes=9))
    extras = RequestExtras(target=scenario.requests[0].name, windows=(window,))
    assert "window" in reason_of(changed(scenario, 0, extras=extras))


def test_a_stroke_too_short_is_told_in_metres():
    scenario = random_scenario(1, requests=2)
    lines = tuple(delay_line(f"D{i}", stroke_m=(0.0, 0.5)) for i in range(3))
    scenario = scenario.model_copy(update={"array": scenario.array.model_copy(update={"delay_lines": lines})})
    reasons = [outcome.reason for outcome in planned(scenario)[1].requests]
    assert any("delay range" in (reason or "") for reason in reasons)


def test_a_carriage_too_slow_to_follow_the_star_is_told_as_such():
    scenario = random_scenario(1, requests=2)
    lines = tuple(delay_line(f"D{i}", tracking_speed_mm_per_s=0.001) for i in range(3))
    scenario = scenario.model_copy(update={"array": scenario.array.model_copy(update={"delay_lines": lines})})
    assert "carriage tracking rate" in reason_of(scenario)


def test_a_request_for_more_telescopes_than_it_allows_is_told_so():
    scenario = random_scenario(1, requests=2)
    extras = RequestExtras(target=scenario.requests[0].name, telescopes=("T1",))
    assert "needs 2 telescopes" in reason_of(changed(scenario, 0, extras=extras))


def test_an_outranked_request_is_told_that_its_time_is_worth_more_elsewhere():
    scenario = random_scenario(1, requests=2)
    twin = request(
        scenario.requests[0].star.model_copy(update={"name": "twin"}),
        "combiner of 2",
        field_mas=scenario.requests[0].field_mas,
    )
    free = build(scenario)
    family = next(f for f in free.families if f.request == 0)
    first = free.limits.sky.times[int(family.start_tick[0, 0])].isot
    last = free.limits.sky.times[int(family.end_tick[0, 2])].isot
    window = Window(start_utc=f"{first}Z", end_utc=f"{last}Z")
    wishes = (
        scenario.requests[0].model_copy(
            update={
                "priority": 900,
                "extras": RequestExtras(target=scenario.requests[0].name, windows=(window,)),
            }
        ),
        twin.model_copy(update={"extras": RequestExtras(target="twin", windows=(window,))}),
    )
    plan = planned(scenario.model_copy(update={"requests": wishes}))[1]
    assert plan.requests[0].visits_planned == 1
    assert plan.requests[1].visits_planned == 0
    assert "only in the place of visits that are planned" in plan.requests[1].reason


def test_the_state_of_the_earth_is_told_with_its_size_in_delay():
    _, plan = night()
    found = plan.earth_orientation
    assert found.state == "predicted"
    longest = build(
        random_scenario(1, requests=1, telescopes=5, beams=3)
    ).limits.placement.longest_baseline_m()
    assert found.delay_error_mm == pytest.approx(7.292e-5 * found.error_s * longest * 1e3, rel=1e-2)
    assert f"{longest:.0f} m" in found.sentence


def test_a_higher_altitude_limit_never_adds_a_start():
    low = random_scenario(2, requests=3, telescopes=3)
    strict = low.array.model_copy(update={"telescope_classes": (telescope_class(altitude_min_deg=45.0),)})
    free, held = build(low), build(low.model_copy(update={"array": strict}))
    for number in range(3):
        before = set(free.problem.start[free.problem.request == number].tolist())
        assert set(held.problem.start[held.problem.request == number].tolist()) <= before
    assert len(held.problem) < len(free.problem)
    assert np.all(held.problem.free > held.problem.start)
