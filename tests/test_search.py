"""Local search: plans that are possible, no worse than where they start, and the same each time."""

from __future__ import annotations

import pytest
from invented import random_scenario
from nights import best_score, build
from test_scheduling import small_night

from planner.scheduling.exclusions import conflicts
from planner.scheduling.greedy import greedy_plan
from planner.scheduling.search import improved


@pytest.mark.parametrize("seed", range(1, 7))
def test_a_searched_plan_is_possible_no_worse_than_greedy_and_repeats_itself(seed):
    problem = build(random_scenario(seed, requests=8, telescopes=4, beams=2)).problem
    clash, greedy = conflicts(problem), greedy_plan(problem)
    found = improved(problem, clash, greedy, rounds=200)
    assert problem.possible(found)
    assert problem.score(found) >= problem.score(greedy)
    assert improved(problem, clash, greedy, rounds=200) == found


@pytest.mark.parametrize("seed", range(1, 9))
def test_on_small_nights_the_search_finds_the_best_of_all_plans(seed):
    night = small_night(seed)
    problem = night.problem
    found = improved(problem, conflicts(problem), greedy_plan(problem), rounds=300)
    assert problem.score(found) == best_score(night)


def test_nothing_to_start_from_stays_nothing():
    problem = build(random_scenario(1, requests=3)).problem
    assert improved(problem, conflicts(problem), ()) == ()
