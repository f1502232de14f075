"""The quick estimate against the plans that the scheduler makes."""

from __future__ import annotations

from pathlib import Path

import pytest
from invented import random_scenario

from planner.commands import Choice, plan_night, rank_subarrays
from planner.ranking.seats import seats_of
from planner.ranking.truth import NAME, skies, truth_of, with_subarray
from planner.scenario.reading import read_scenario

DEMO = Path(__file__).resolve().parent.parent / "scenarios" / "demo"


def test_on_the_demonstration_night_the_estimate_keeps_the_order_of_the_plans():
    # Asked: a rank correlation of 0.9 over 30 subarrays spread over the whole ranking. Found: 0.98.
    ranking = rank_subarrays(read_scenario(DEMO), Choice(size=4, top=1))
    assert len(ranking.sample) == 30
    assert ranking.considered == 3060
    assert ranking.spearman is not None
    assert ranking.spearman >= 0.9
    assert ranking.current is not None
    assert ranking.top[0].truth is not None


@pytest.mark.parametrize("seed", [1, 2])
def test_the_truth_of_a_subarray_is_the_plan_of_a_night_with_it_alone(seed):
    scenario = random_scenario(seed, requests=3, telescopes=4, beams=2)
    seats = seats_of(scenario.array)
    chosen = [seats[0], seats[2]]
    asked = range(3)
    date = scenario.night.date
    truth, by_request = truth_of(scenario, chosen, asked, [(date, skies(scenario, [date], asked)[0])])
    alone = with_subarray(scenario, chosen, asked)
    plan = plan_night(alone, configuration=NAME).plan
    assert truth.nights == ((date, plan.solver.score, plan.solver.bound, len(plan.visits)),)
    assert all(set(visit.subarray) == {"T0", "T2"} for visit in plan.visits)
    assert by_request.sum() == pytest.approx(plan.solver.score)
    assert plan.audit is not None
    assert plan.audit.passed


def test_a_ranking_is_ordered_by_plans_and_names_what_no_choice_serves():
    scenario = random_scenario(7, requests=3, telescopes=5, beams=2)
    faint = scenario.requests[1].star.model_copy(update={"mag": {"K": 12.0}})
    wishes = (
        scenario.requests[0],
        scenario.requests[1].model_copy(update={"star": faint}),
        scenario.requests[2],
    )
    ranking = rank_subarrays(scenario.model_copy(update={"requests": wishes}), Choice(top=4))
    scores = [one.truth.score for one in ranking.top if one.truth is not None]
    assert len(scores) == 4
    assert scores == sorted(scores, reverse=True)
    assert ranking.unserved == (1,)
    assert ranking.considered == 10
    # Every telescope is fixed: what is best stands already, and nothing moves.
    assert {one.score.moves for one in ranking.top} == {0}
    assert ranking.current is not None
    assert ranking.current.truth is not None
    assert ranking.current.truth.score == scores[0]


def test_whoever_has_a_plan_competes_for_the_first_place():
    ranking = rank_subarrays(random_scenario(2, requests=3, telescopes=5, beams=2), Choice(top=1))
    assert len(ranking.top) == 1
    assert ranking.top[0].truth.score == max(score for _, _, score in ranking.sample)


def test_where_nothing_can_be_planned_there_is_no_correlation_and_no_fault():
    scenario = random_scenario(13, requests=1, telescopes=4, beams=2)
    ranking = rank_subarrays(scenario.model_copy(update={"calibrators": ()}), Choice(top=2))
    assert ranking.spearman is None
    assert [one.truth.score for one in ranking.top if one.truth] == [0.0, 0.0]


def test_one_telescope_makes_no_subarray():
    scenario = random_scenario(13, requests=1, telescopes=4, beams=2)
    array = scenario.array.model_copy(update={"telescopes": scenario.array.telescopes[:1]})
    ranking = rank_subarrays(scenario.model_copy(update={"array": array}))
    assert (ranking.considered, ranking.top, ranking.current) == (0, (), None)
