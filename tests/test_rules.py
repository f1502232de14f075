"""Gaps, orders, budgets, floors, goals, shares, shared calibrators: no plan is worth more than ours.

The problems are drawn at random, in whole numbers; every set of visits is
judged a second time by the rules as the README tells them.
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from told_rules import every_plan, told_possible, told_score

from planner.scheduling.cpsat import solve_night
from planner.scheduling.exclusions import conflicts, neighbours, undominated
from planner.scheduling.graph import again_at_most, at_most, graph_of
from planner.scheduling.greedy import greedy_plan
from planner.scheduling.problem import NightProblem
from planner.scheduling.relaxation import relaxed
from planner.scheduling.rules import Budget, Rules, Share
from planner.scheduling.search import improved
from planner.scheduling.stopping import never

pytestmark = pytest.mark.slow

SLOTS = 14


def drawn(seed: int, kinds: str) -> NightProblem:
    """A problem of 10 to 14 visits of three requests, with some kinds of rules; ``kinds`` are letters.

    g gap, o order, n needs, b budget, f floor, c goal (a ceiling), w whole, r repeats, s shared, e even.
    """
    rng = np.random.default_rng([seed, *kinds.encode()])
    count, requests = int(rng.integers(10, 15)), 3
    start = np.sort(rng.integers(0, SLOTS, count))
    length = rng.integers(1, 4, count)
    free = start + length
    late = tuple(
        np.flatnonzero((start >= free[c]) & (start < free[c] + 2) & (rng.random(count) < 0.4))
        for c in range(count)
    )
    request = rng.integers(0, requests, count)
    cells = tuple(np.sort(rng.choice(6, int(rng.integers(1, 5)), replace=False)) + 6 * r for r in request)
    visits = rng.integers(1, 4, requests)
    value = rng.integers(1, 6, 6 * requests)
    later = (
        np.minimum(value[:, None], rng.integers(0, 4, (6 * requests, 1)))
        if "r" in kinds
        else np.zeros((0, 0), int)
    )
    if "r" in kinds:
        later = np.concatenate([later, np.minimum(later, rng.integers(0, 3, (6 * requests, 1)))], axis=1)
    givers = ()
    if "s" in kinds:
        givers = tuple(
            np.array(
                [
                    c
                    for c in range(count)
                    # Who is handed a calibrator ends later: it records its own star after it.
                    if start[c] < start[d] < free[c] and rng.random() < 0.5 and free[c] < free[d]
                ],
                dtype=int,
            )
            for d in range(count)
        )
        givers = givers if any(len(own) for own in givers) else ()
    again = np.zeros(0, dtype=int)
    if "g" in kinds:
        again = np.where(request == 0, free + 3, 0)
        givers = tuple(
            np.array([c for c in own if not request[c] == request[d] == 0], int)
            for d, own in enumerate(givers)
        )
    after = ((1, 0),) if "o" in kinds else ()
    if after:
        givers = tuple(
            np.array([c for c in own if {request[c], request[d]} != {0, 1}], int)
            for d, own in enumerate(givers)
        )
    return NightProblem(
        request=request,
        visits_max=visits,
        start=start,
        free=free,
        late=late,
        cells=cells,
        value=value,
        rules=Rules(
            later_value=later,
            fresh=rng.random(6 * requests) < 0.8 if "f" in kinds else np.zeros(0, dtype=bool),
            floor={1: int(rng.integers(2, 5))} if "f" in kinds else {},
            goal={0: int(rng.integers(1, 5)), 2: int(rng.integers(1, 5))} if "c" in kinds else {},
            whole=frozenset({0, 2}) if "w" in kinds else frozenset(),
            again=again,
            after=after,
            needs=((2, 1), (1, 0)) if "n" in kinds else (),
            length=length if "b" in kinds else np.zeros(0, dtype=int),
            end=start + length if "b" in kinds else np.zeros(0, dtype=int),
            budgets=(Budget((0, 2), 4), Budget((1,), 2)) if "b" in kinds else (),
            shares=(Share((0,), 1), Share((1, 2), 2)) if "e" in kinds else (),
            fairness=int(rng.integers(1, 1001)) if "e" in kinds else 0,
            givers=givers if any(len(own) for own in givers) else (),
        ),
    )


KINDS = [
    "",
    "g",
    "o",
    "n",
    "b",
    "f",
    "c",
    "w",
    "r",
    "s",
    "e",
    "gs",
    "rc",
    "wn",
    "be",
    "bs",
    "rfs",
    "gonbfcwrse",
]


@pytest.mark.parametrize("kinds", KINDS)
def test_no_plan_is_worth_more_whatever_the_rules(kinds):
    for seed in range(8):
        problem = drawn(seed, kinds)
        plans = every_plan(problem)
        best = max(told_score(problem, chosen) for chosen in plans)
        for chosen in plans[:: max(1, len(plans) // 40)]:
            assert problem.possible(chosen)
            assert problem.score(chosen) == told_score(problem, chosen)
        found = solve_night(problem, 5.0)
        assert told_possible(problem, found.chosen), seed
        assert told_score(problem, found.chosen) == found.score == best, seed
        assert found.bound >= best, seed
        assert found.status in ("optimal", "empty"), seed


# Laws of the parts.


@settings(max_examples=60)
@given(st.integers(0, 10_000), st.sampled_from(KINDS))
def test_every_pair_is_judged_alike_by_rows_and_matrix(seed, kinds):
    problem = drawn(seed, kinds)
    near, matrix = neighbours(problem), conflicts(problem)
    for a, b in itertools.combinations(range(len(problem)), 2):
        alone = NightProblem(
            **{
                **vars(problem),
                "visits_max": np.full(3, 9),
                "rules": Rules(**{**vars(problem.rules), "needs": (), "whole": frozenset(), "budgets": ()}),
            }
        )
        assert matrix[a, b] == matrix[b, a] == near.apart(a)[b] == (not told_possible(alone, (a, b)))


@settings(max_examples=60)
@given(st.integers(0, 10_000), st.sampled_from(KINDS))
def test_leaving_out_what_another_visit_replaces_costs_nothing(seed, kinds):
    problem = drawn(seed, kinds)
    kept = set(undominated(problem).tolist())
    plans = every_plan(problem)
    best = max(told_score(problem, chosen) for chosen in plans)
    assert max(told_score(problem, chosen) for chosen in plans if set(chosen) <= kept) == best


@settings(max_examples=60)
@given(st.integers(0, 10_000), st.sampled_from(KINDS))
def test_bounds_hold_whatever_the_effort(seed, kinds):
    problem = drawn(seed, kinds)
    best = max(told_score(problem, chosen) for chosen in every_plan(problem))
    found = relaxed(problem, undominated(problem), greedy_plan(problem), 1e-3, (lambda s, b: None, never))
    assert found.bound >= best
    assert problem.possible(found.plan)
    assert problem.score(found.plan) <= best


@settings(max_examples=60)
@given(st.integers(0, 10_000), st.sampled_from(KINDS))
def test_no_visit_adds_more_to_a_plan_than_it_may_at_most(seed, kinds):
    problem = drawn(seed, kinds.replace("e", ""))
    alone, again = at_most(problem), np.minimum(at_most(problem), again_at_most(problem))
    for chosen in every_plan(problem):
        most, seen = 0, set()
        for c in sorted(chosen, key=lambda c: int(problem.start[c])):
            r = int(problem.request[c])
            most += int(again[c] if r in seen else alone[c])
            seen.add(r)
        assert told_score(problem, chosen) <= most


@settings(max_examples=60)
@given(st.integers(0, 10_000), st.sampled_from(KINDS))
def test_quick_plans_keep_every_rule(seed, kinds):
    problem = drawn(seed, kinds)
    first = greedy_plan(problem)
    assert told_possible(problem, first)
    better = improved(problem, conflicts(problem), first, rounds=40)
    assert told_possible(problem, better)
    assert problem.score(better) >= problem.score(first)
    assert len(graph_of(problem, np.arange(len(problem))).value) == len(problem)
