"""The quick estimate against the plans that the scheduler makes."""

from __future__ import annotations

import os
import signal
from pathlib import Path

import pytest
from invented import random_scenario

from planner.commands import Choice, plan_night, rank_subarrays
from planner.ranking.seats import seats_of
from planner.ranking.truth import NAME, skies, truth_of, with_subarray
from planner.scenario.reading import read_scenario

pytestmark = pytest.mark.slow

DEMO = Path(__file__).resolve().parent.parent / "scenarios" / "demo"


def test_on_the_demonstration_night_the_estimate_keeps_the_order_of_the_plans():
    # Wanted: a rank correlation of 0.9 over subarrays spread over the whole ranking. Over 30: 0.98.
    ranking = rank_subarrays(read_scenario(DEMO), Choice(size=4, top=1, check=10))
    assert len(ranking.sample) == 10
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
    target = scenario.requests[0].star
    far = target.model_copy(update={"name": "far away", "ra_deg": (target.ra_deg + 90.0) % 360.0})
    ranking = rank_subarrays(scenario.model_copy(update={"calibrators": (far,)}), Choice(top=2))
    assert ranking.spearman is None
    assert (ranking.top, ranking.current, ranking.unserved) == ((), None, (0,))


def test_as_many_plans_are_made_as_asked_for():
    # Ten pairs, all of fixed telescopes: the best that stands is the best.
    scenario = random_scenario(7, requests=3, telescopes=5, beams=2)
    ranking = rank_subarrays(scenario, Choice(top=2, check=0))
    assert (ranking.planned, ranking.wanted, len(ranking.top), ranking.sample) == (2, 2, 2, ())
    assert (ranking.spearman, ranking.stopped, len(ranking.unplanned)) == (None, None, 8)
    ranking = rank_subarrays(scenario, Choice(top=1, check=4))
    # The first of the four spread over all is the best by estimate, and has its plan already.
    assert (ranking.planned, len(ranking.sample), len(ranking.top)) == (4, 4, 1)


def test_the_first_ctrl_c_ends_the_planning_and_keeps_what_is_ranked():
    scenario = random_scenario(7, requests=3, telescopes=5, beams=2)

    def press(sentence: str) -> None:
        if sentence.startswith("Planning with subarray 3"):
            os.kill(os.getpid(), signal.SIGINT)

    ranking = rank_subarrays(scenario, Choice(top=5, check=0), press)
    assert (ranking.planned, ranking.wanted, ranking.stopped) == (2, 5, "Ctrl-C")
    assert len(ranking.top) == 2
    assert all(one.truth is not None and one.truth.score > 0 for one in ranking.top)
    whole = rank_subarrays(scenario, Choice(top=5, check=0))
    scores = {one.name: one.truth for one in whole.top}
    # What was planned by then was planned to the end.
    assert all(one.truth == scores[one.name] for one in ranking.top)


def test_ctrl_c_before_the_first_plan_leaves_the_estimates():
    scenario = random_scenario(7, requests=3, telescopes=5, beams=2)

    def press(sentence: str) -> None:
        if sentence.startswith("Planning with subarray 1"):
            os.kill(os.getpid(), signal.SIGINT)

    ranking = rank_subarrays(scenario, Choice(top=3), press)
    assert (ranking.planned, ranking.stopped, len(ranking.top)) == (0, "Ctrl-C", 3)
    assert [one.truth for one in ranking.top] == [None] * 3
    assert ranking.current is not None


def test_a_second_ctrl_c_stops_the_program():
    def press(sentence: str) -> None:
        if sentence.startswith("Planning"):
            os.kill(os.getpid(), signal.SIGINT)
            os.kill(os.getpid(), signal.SIGINT)

    with pytest.raises(KeyboardInterrupt):
        rank_subarrays(random_scenario(7, requests=3, telescopes=5, beams=2), Choice(top=3), press)


def test_one_telescope_makes_no_subarray():
    scenario = random_scenario(13, requests=1, telescopes=4, beams=2)
    array = scenario.array.model_copy(update={"telescopes": scenario.array.telescopes[:1]})
    ranking = rank_subarrays(scenario.model_copy(update={"array": array}))
    assert (ranking.considered, ranking.top, ranking.current) == (0, (), None)
