"""Plans that put early what could not be tried again: by hand, every plan of small nights, laws."""

from __future__ import annotations

import functools

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from invented import random_scenario
from nights import build
from test_rules import KINDS, drawn, every_plan, told_possible, told_score

from planner.scheduling.cpsat import Solution, solve_night
from planner.scheduling.early import earlier_plan, merits, put_early, second_chances
from planner.scheduling.greedy import greedy_plan
from planner.scheduling.problem import NightProblem

pytestmark = pytest.mark.slow


def two_stars():
    """Two requests, visits of one slot: A may start in slots 0 to 3, B in 0 and 1; both are worth 10."""
    nothing = np.array([], dtype=int)
    start = np.array([0, 0, 1, 1, 2, 3])
    return NightProblem(
        request=np.array([0, 1, 0, 1, 0, 0]),
        visits_max=np.ones(2, dtype=int),
        start=start,
        free=start + 1,
        late=(nothing,) * 6,
        cells=tuple(np.array([k]) for k in (0, 1, 0, 1, 0, 0)),
        value=np.array([10, 10]),
    )


# By hand.


def test_second_chances_are_the_later_starts_up_to_the_most_that_count():
    assert second_chances(two_stars(), 9).tolist() == [3, 1, 2, 0, 1, 0]
    assert second_chances(two_stars(), 2).tolist() == [2, 1, 2, 0, 1, 0]
    assert merits(two_stars(), 2).tolist() == [20, 10, 20, 0, 10, 0]


def test_what_sets_first_comes_first_when_both_can_be_made():
    # A then B leaves 3 + 0 chances, B then A leaves 1 + 2: alike. When more than two chances count as two,
    # B first leaves 1 + 2 and A first 2 + 0.
    found = earlier_plan(two_stars(), (0, 3), 2)
    assert (found.chosen, found.merit, found.proven) == ((1, 2), 30, True)


def test_a_plan_that_is_late_without_need_is_made_early():
    assert earlier_plan(two_stars(), (3, 5), 2).merit == 30


def test_the_solution_says_what_it_is_worth_now_and_keeps_its_bound():
    worse = NightProblem(
        **{
            **vars(two_stars()),
            "cells": tuple(np.array([k]) for k in (0, 1, 2, 1, 0, 0)),
            "value": np.array([10, 10, 9]),
        }
    )
    late = Solution((3, 4), 20, 20, "cp-sat", "optimal")
    # Only B, then A in slot 1 leaves 1 + 2 chances, and A is worth 9 there: 19 of 20.
    kept = put_early(worse, late, 3600.0, 0.0)
    assert (kept.score, kept.bound, kept.status) == (20, 20, "optimal")
    given_up = put_early(worse, late, 3600.0, 0.05)
    assert (given_up.chosen, given_up.score, given_up.bound, given_up.status) == ((1, 2), 19, 20, "feasible")


# Every plan.


@functools.cache
def small_night(seed):
    scenario = random_scenario(seed, requests=3, telescopes=3, beams=2, slot_s=2400)
    once = tuple(own.model_copy(update={"visits": 1}) for own in scenario.requests)
    effort = scenario.effort.model_copy(update={"subarrays_per_request": 1, "brackets_per_start": 1})
    return build(scenario.model_copy(update={"requests": once, "effort": effort})).problem


def most_merit(problem, plan, floor, cap):
    """The most merit of all plans of the same requests that are worth enough."""
    merit = merits(problem, cap)
    served = np.bincount(problem.request[list(plan)], minlength=len(problem.visits_max))
    same = NightProblem(**{**vars(problem), "visits_max": served})
    return max(int(merit[list(own)].sum()) for own in every_plan(same) if told_score(same, own) >= floor)


def test_no_plan_of_a_small_night_has_more_merit_where_it_is_proven():
    proven = 0
    for seed in range(40):
        once = NightProblem(**{**vars(drawn(seed, "")), "visits_max": np.ones(3, dtype=int)})
        best = max(every_plan(once), key=lambda own: told_score(once, own))
        early, score = earlier_plan(once, best, 4), told_score(once, best)
        assert told_score(once, early.chosen) == score
        proven += early.proven
        if early.proven:
            assert early.merit == most_merit(once, best, score, 4)
    assert proven >= 35


@pytest.mark.parametrize("seed", range(1, 4))
def test_no_plan_of_a_small_real_night_has_more_merit(seed):
    problem = small_night(seed)
    found = solve_night(problem, 5.0)
    if not found.chosen:
        return
    early = earlier_plan(problem, found.chosen, 3)
    assert early.proven
    assert early.merit == most_merit(problem, found.chosen, found.score, 3)


# Laws.


@settings(max_examples=30, deadline=None)
@example(473, "wn", 0.1)  # a request that wants all its visits stands in part, as company for another
@given(st.integers(0, 10_000), st.sampled_from(KINDS), st.sampled_from([0.0, 0.1, 0.3]))
def test_merit_never_falls_and_the_score_stays_above_its_floor(seed, kinds, cost_max):
    problem = drawn(seed, kinds)
    plans = every_plan(problem)
    plan, best = greedy_plan(problem), max(told_score(problem, own) for own in plans)
    score = told_score(problem, plan)
    found = Solution(plan, score, best, "greedy", "optimal" if score == best else "feasible")
    early = put_early(problem, found, 1800.0, cost_max)
    merit = merits(problem, 4)
    assert told_possible(problem, early.chosen)
    assert merit[list(early.chosen)].sum() >= merit[list(found.chosen)].sum()
    assert told_score(problem, early.chosen) == early.score >= found.score * (1 - cost_max) - 1e-9
    assert (early.bound, early.made_by) == (found.bound, found.made_by)
    assert (early.status == "optimal") == (early.score == early.bound) or not early.chosen


def test_the_same_plan_is_put_early_in_the_same_way():
    problem = build(random_scenario(4, requests=8, telescopes=4, beams=2)).problem
    found = solve_night(problem, 3.0)
    first, second = (put_early(problem, found, 300.0, 0.05) for _ in range(2))
    assert first == second
    assert first.score >= 0.95 * found.score
