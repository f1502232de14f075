"""Cells of earlier nights are worth nothing in a plan and a ranking; the audit and the report know them."""

from __future__ import annotations

import datetime
import functools
import itertools
import json
from dataclasses import replace

import numpy as np
import pytest
from audited import failed
from dense import between, dense_codes, filled_codes
from earlier import EVENING, astropy_cells, cells_before, earlier_rows, observed, with_history
from handmade import changed
from invented import DATE, random_scenario
from nights import best_score, build, planned
from test_ranking import brute_usable, everything

from planner.feasibility.nights import night_of, target_night
from planner.output.html import night_figures, render_report
from planner.ranking.moments import moments_of
from planner.ranking.worth import worth_of
from planner.scenario.targets import Observation
from planner.scheduling.audit import audit_plan
from planner.scheduling.audit_history import earlier_nights
from planner.scheduling.plan_file import plan_json, read_plan
from planner.science.coverage import cells_of
from planner.sky.earth import offline_earth

# Every answer.


@pytest.mark.parametrize("seed", range(1, 7))
def test_the_plan_is_the_best_one_when_cells_of_earlier_nights_are_worth_nothing(seed):
    # A start every hour and four visits at most: every plan can be tried.
    scenario = random_scenario(seed, requests=3, telescopes=3, slot_s=3600)
    effort = scenario.effort.model_copy(update={"brackets_per_start": 1})
    wishes = [wish.model_copy(update={"visits": 1 + (n == 0)}) for n, wish in enumerate(scenario.requests)]
    scenario = scenario.model_copy(update={"effort": effort, "requests": tuple(wishes)})
    scenario = with_history(scenario, *earlier_rows(scenario, seed, count=1))
    night, plan = planned(scenario)
    offered = recounted(night, scenario)
    best = best_score(replace(night, problem=offered))
    assert plan.solver.score <= best <= plan.solver.bound
    assert plan.solver.status != "optimal" or plan.solver.score == best
    assert best <= best_score(build(with_history(scenario)))
    for number, outcome in enumerate(plan.requests):
        before = astropy_cells(scenario, number)
        mine = [cell for visit in plan.visits if visit.target == outcome.target for cell in visit.new_cells]
        assert not before & set(mine)
        assert len(mine) == len(set(mine)) == outcome.cells_filled <= outcome.cells_reachable
        assert outcome.cells_filled_before == len(before)
    assert audit_plan(plan).passed


def recounted(night, scenario):
    """The problem with the cells of every candidate counted anew, without those that astropy counts."""
    sky, numbers, cells, value = night.limits.sky, {}, [], []
    vectors = night.limits.placement.vectors_m
    before = [astropy_cells(scenario, number) for number in range(len(scenario.requests))]
    for f, r in zip(night.table.family, night.table.row, strict=True):
        family = night.families[f]
        wish = scenario.requests[family.request]
        seconds = (float(tick[r, 1]) * sky.tick_s for tick in (family.start_tick, family.end_tick))
        pair = [
            vectors[j] - vectors[i] for i, j in itertools.combinations(family.facts.subarray.telescopes, 2)
        ]
        codes = dense_codes(scenario, sky, family.request, np.array(pair), tuple(seconds))[1]
        own = set(cells_of(filled_codes(codes)))
        mine = []
        for cell in sorted(own - before[family.request]):
            key = (family.request, cell)
            if key not in numbers:
                numbers[key] = len(value)
                value.append(wish.priority)
            mine.append(numbers[key])
        cells.append(np.array(mine, dtype=int))
    return replace(night.problem, cells=tuple(cells), value=np.array(value, dtype=int))


@pytest.mark.parametrize("seed", range(2))
def test_a_ranking_counts_no_cell_of_earlier_nights(seed):
    scenario, seats, placement, members, _ = everything(seed)
    rows = earlier_rows(scenario, seed)
    scenario = with_history(scenario, *rows)
    asked = range(len(scenario.requests))
    moments = moments_of(scenario, DATE, seats, placement, asked)
    worth = worth_of(scenario, seats, members, [moments], asked, False)
    without = worth_of(
        with_history(scenario),
        seats,
        members,
        [moments_of(with_history(scenario), DATE, seats, placement, asked)],
        asked,
        False,
    )
    every = list(itertools.combinations(range(len(seats)), 2))
    vectors = placement.vectors_m
    baselines = np.array([vectors[j] - vectors[i] for i, j in every])
    for row, wish in enumerate(scenario.requests):
        light = scenario.array.combiner(wish.combiner)
        end_s = (moments.slots - 1) * 300.0
        seconds, codes = dense_codes(scenario, moments.sky, row, baselines, (0.0, end_s))
        before = astropy_cells(scenario, row)
        for number, chosen in enumerate(members[::5]):
            filled = set()
            for part in itertools.combinations(chosen.tolist(), light.beams):
                usable = brute_usable(scenario, seats, placement, moments, np.array(part), row)
                columns = [every.index(pair) for pair in itertools.combinations(part, 2)]
                filled.update(cells_of(filled_codes(codes[between(usable, seconds, 300.0)][:, columns])))
            assert worth.cells[::5][number, row] == len(filled - before)
    assert np.any(worth.cells < without.cells)
    # Time does not change: there is room for the same steps, and hours are the same.
    assert np.array_equal(worth.hours, without.hours)
    assert np.array_equal(worth.served, without.served)


def test_a_request_that_earlier_nights_finished_adds_nothing_to_an_estimate_but_has_its_hours():
    scenario, seats, placement, members, _ = everything(1)
    wish = scenario.requests[0]
    light = scenario.array.combiner(wish.combiner)
    names = sorted(station.name for station in scenario.array.stations)
    rows = [
        observed(wish.name, light.name, stations, 0.0 - 4.0, 18.0)
        for stations in itertools.combinations(names, light.beams)
    ]
    scenario = with_history(scenario, *rows)
    asked = range(len(scenario.requests))
    moments = moments_of(scenario, DATE, seats, placement, asked)
    worth = worth_of(scenario, seats, members, [moments], asked, False)
    assert worth.cells[:, 0].max() == 0
    assert worth.estimates[:, 0].max() == 0.0
    assert worth.hours[:, 0].max() > 0
    assert worth.served[:, 0].any()
    assert worth.cells[:, 1:].any()


# The document, the audit, the report.


@functools.cache
def night():
    scenario = random_scenario(3, requests=4, telescopes=4, beams=3)
    return planned(with_history(scenario, *earlier_rows(scenario, 3)))


def plain_scenario():
    return random_scenario(1, requests=2, telescopes=3)


def words(plan, name="earlier nights"):
    return next(check.worst for check in audit_plan(plan).checks if check.name == name)


def test_a_plan_with_a_history_reads_back_the_same_and_an_old_one_has_none(tmp_path):
    _, plan = night()
    assert plan.scenario.history
    (tmp_path / "plan.json").write_text(plan_json(plan), encoding="utf-8")
    assert read_plan(tmp_path) == plan
    old = json.loads(plan_json(planned(plain_scenario())[1]))
    del old["scenario"]["history"]
    for told in old["requests"]:
        del told["cells_filled_before"]
    (tmp_path / "plan.json").write_text(json.dumps(old), encoding="utf-8")
    assert read_plan(tmp_path) == planned(plain_scenario())[1]


def test_the_audit_counts_the_same_cells_within_its_open_edge():
    _, plan = night()
    with offline_earth():
        counted = earlier_nights(plan)
    for number, wish in enumerate(plan.scenario.requests[:-1]):
        ours = cells_before(plan.scenario, number)
        assert counted[wish.name].surely <= ours <= counted[wish.name].perhaps
        # Half a centimetre on either side of an edge: hardly any cell is in doubt.
        assert len(counted[wish.name].surely) >= len(ours) - 3
        assert ours
    assert plan.scenario.requests[-1].name not in counted


def test_the_audit_passes_a_plan_that_leaves_earlier_cells_out():
    assert failed(night()[1]) == set()


def test_the_audit_names_a_visit_that_counts_a_cell_which_an_added_observation_holds():
    _, plan = night()
    visit = plan.visits[0]
    step = visit.steps[1]
    row = Observation(
        target=visit.target,
        combiner=visit.combiner,
        stations=tuple(beam.station for beam in step.beams),
        start_utc=datetime.datetime.fromisoformat(step.start_utc),
        end_utc=datetime.datetime.fromisoformat(step.end_utc),
    )
    found = changed(plan, "scenario.history", lambda rows: (*rows, row))
    assert failed(found) == {"earlier nights"}
    assert f"{visit.id} counts cells that earlier nights have filled: {len(visit.new_cells)}" in words(found)
    assert "cells told to be filled by earlier nights, counted" in words(found)


def test_the_audit_misses_the_cells_when_the_history_is_dropped():
    _, plan = night()
    found = changed(plan, "scenario.history", ())
    assert failed(found) == {"earlier nights", "coverage"}
    assert "cells told to be filled by earlier nights, counted 0" in words(found)
    assert "does not claim cells that its baselines cross" in words(found, "coverage")


def test_the_audit_does_not_believe_another_number_of_cells():
    _, plan = night()
    found = changed(plan, "requests.0.cells_filled_before", lambda told: told + 4)
    assert failed(found) == {"earlier nights"}


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"target": "nobody"}, "observation 1 of earlier nights is of 'nobody', which nobody asks for"),
        (
            {"combiner": "none"},
            "observation 1 of earlier nights is made with 'none', which the array does not",
        ),
        ({"stations": ("P0", "P9", "P1")}, "observation 1 of earlier nights names the station 'P9', which"),
        ({"stations": ("P0", "P1")}, "observation 1 of earlier nights has 2 stations for the 3 beams of"),
        ({"end_utc": EVENING - datetime.timedelta(days=99)}, "does not end within a day after its start"),
    ],
)
def test_the_audit_refuses_an_observation_that_cannot_be(change, told):
    _, plan = night()
    found = changed(plan, "scenario.history.0", lambda row: row.model_copy(update=change))
    assert "earlier nights" in failed(found)
    assert told in words(found)


@pytest.fixture(scope="module")
def reported():
    built, plan = night()
    figures = night_figures(built.limits, built.offers, plan)
    return plan, figures, render_report(built.limits, built.offers, plan, figures)


def test_the_plane_marks_the_cells_of_earlier_nights_and_the_sheet_counts_them(reported):
    plan, figures, page = reported
    mark = "cells that earlier nights have filled"
    for number, outcome in enumerate(plan.requests):
        svg = figures.get(f"uv-R{number + 1:02d}")
        if svg is not None:
            assert (mark in svg) == (outcome.cells_filled_before > 0)
            assert ("<pattern" in svg) == (outcome.cells_filled_before > 0)
            assert (f"<dd>{outcome.cells_filled_before}, which do not count again</dd>" in page) == (
                outcome.cells_filled_before > 0
            )
    assert mark in page
    assert "filled before</th>" in page


def test_a_night_without_history_says_nothing_of_it():
    built, plan = planned(plain_scenario())
    figures = night_figures(built.limits, built.offers, plan)
    page = render_report(built.limits, built.offers, plan, figures)
    for silent in ("earlier nights", "filled before", "new in reach", "new ones"):
        assert silent not in page


def test_what_feasibility_calls_within_reach_leaves_earlier_cells_out():
    scenario = random_scenario(13, requests=1, telescopes=4, beams=2)
    stations = tuple(station.name for station in scenario.array.stations[:2])
    before = target_night(night_of(scenario), 0).reach
    row = Observation.model_validate(
        {
            "target": scenario.requests[0].name,
            "combiner": scenario.requests[0].combiner,
            "stations": stations,
            "start_utc": "2027-03-10T03:00:00Z",
            "end_utc": "2027-03-10T07:00:00Z",
        }
    )
    after = target_night(night_of(scenario.model_copy(update={"history": (row,)})), 0).reach
    assert before is not None
    assert after is not None
    assert 0 < after.cells < before.cells
