"""Paths through a night: the dearest of them, those that remember, and the bound that they prove."""

from __future__ import annotations

import functools
import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invented import random_scenario
from nights import best_score, build

from planner.scheduling.graph import graph_of
from planner.scheduling.greedy import greedy_plan
from planner.scheduling.kernels import onward, remembered_path, until
from planner.scheduling.problem import NightProblem
from planner.scheduling.relaxation import SCALE, relaxed
from planner.scheduling.stopping import never


def paper_problem(request, value):
    """Four visits of one cell each, in slots 0, 1, 2, 3; the first takes two slots, the others one."""
    return NightProblem(
        request=np.array(request),
        visits_max=np.ones(max(request) + 1, dtype=int),
        start=np.arange(4),
        free=np.array([2, 2, 3, 4]),
        late=(np.array([2]), np.array([], dtype=int), np.array([], dtype=int), np.array([], dtype=int)),
        cells=tuple(np.array([k]) for k in range(4)),
        value=np.array(value),
    )


def search(graph, worth, memory, bits, rooms=(50, 500), drop=False):
    requests = int(graph.request.max()) + 1
    unit = np.zeros((requests, 2), dtype=np.uint64)
    if bits:
        unit[:, 0] = np.uint64(1) << np.arange(requests, dtype=np.uint64)
    kept = np.full((requests, 2), np.uint64(0xFFFFFFFFFFFFFFFF)) if memory else unit.copy()
    nothing = np.zeros(requests, dtype=np.int64)
    after = onward(*graph.shape, worth)[0]
    bitten = (unit, unit.copy(), kept, np.ones(requests, dtype=np.bool_))
    return remembered_path(
        *graph.shape, worth, graph.again, graph.request, bitten, after, 0, nothing, rooms, drop, graph.cells
    )


# By hand.


def test_the_dearest_path_skips_what_a_long_set_up_excludes():
    # Worth 5, 3, 4, 2. The first visit ends with slot 1 and its set-up to the third is too long (late), so
    # after it only the fourth fits: 5 + 2 = 7. From the second on: 3 + 4 + 2 = 9.
    graph = graph_of(paper_problem([0, 1, 2, 3], [5, 3, 4, 2]), np.arange(4))
    after, best, path = onward(*graph.shape, graph.value)
    assert after.tolist() == [2, 6, 2, 0]
    assert best == 9
    assert path.tolist() == [1, 2, 3]
    assert until(*graph.shape, graph.value).tolist() == [5, 3, 7, 9]


def test_a_path_that_remembers_does_not_come_back():
    # The second and the fourth serve one request: without memory 3 + 4 + 2 = 9; with it 3 + 4 = 7, as good
    # as 5 + 2 from the first.
    graph = graph_of(paper_problem([0, 1, 2, 1], [5, 3, 4, 2]), np.arange(4))
    assert search(graph, graph.value, memory=False, bits=False)[0] == 9
    assert search(graph, graph.value, memory=True, bits=True)[0] == 7


# Laws and every answer.


@functools.cache
def small(seed):
    night = build(random_scenario(seed, requests=3, telescopes=3, beams=2, slot_s=3600))
    once = np.ones_like(night.problem.visits_max)
    problem = NightProblem(**{**vars(night.problem), "visits_max": once})
    return night, problem


def every_path(problem):
    """Every sequence in which each visit may follow the one before."""

    def on(path):
        yield path
        for later in range(path[-1] + 1, len(problem)):
            if problem.follows(path[-1], later):
                yield from on((*path, later))

    for first in range(len(problem)):
        yield from on((first,))


@pytest.mark.parametrize("seed", range(4))
def test_the_dearest_path_of_every_kind_is_that_of_trying_all(seed):
    _, problem = small(seed)
    few = problem.only(np.arange(0, len(problem), max(1, len(problem) // 16)))
    graph = graph_of(few, np.arange(len(few)))
    paths = list(every_path(few))
    worth = {path: int(graph.value[list(path)].sum()) for path in paths}
    once = [path for path in paths if len(set(few.request[list(path)])) == len(path)]
    no_return = [
        path for path in paths if all(few.request[a] != few.request[b] for a, b in itertools.pairwise(path))
    ]
    after, best, dearest = onward(*graph.shape, graph.value)
    ending = until(*graph.shape, graph.value)
    assert best == max(worth.values()) == worth[tuple(dearest.tolist())]
    for candidate in range(len(few)):
        assert graph.value[candidate] + after[candidate] == max(
            value for path, value in worth.items() if path[0] == candidate
        )
        assert ending[candidate] == max(value for path, value in worth.items() if path[-1] == candidate)
    value, path, _ = search(graph, graph.value, memory=True, bits=True)
    assert value == max(worth[path] for path in once) == graph.value[path].sum()
    value, _, _ = search(graph, graph.value, memory=False, bits=True)
    assert value == max(worth[path] for path in no_return)


@pytest.mark.parametrize("seed", range(8))
def test_plan_and_bound_hold_the_best_plan_between_them(seed):
    night, problem = small(seed)
    told = []
    found = relaxed(
        problem, np.arange(len(problem)), greedy_plan(problem), 5.0, (lambda s, b: told.append((s, b)), never)
    )
    best = best_score(type(night)(night.limits, night.offers, problem, night.table, night.families))
    assert problem.possible(found.plan)
    assert problem.score(found.plan) == best == found.bound
    assert all(score <= best <= bound for score, bound in told)


@settings(max_examples=12)
@given(st.integers(0, 3), st.lists(st.integers(0, 40), min_size=3, max_size=3))
def test_no_prices_bring_the_bound_below_the_best_plan(seed, prices):
    _, problem = small(seed)
    graph = graph_of(problem, np.arange(len(problem)))
    price = np.array(prices, dtype=np.int64) * SCALE
    best = onward(*graph.shape, graph.value * SCALE - price[graph.request])[1]
    bound = (int(best) + int(price.sum())) // SCALE
    assert bound >= problem.score(greedy_plan(problem))
