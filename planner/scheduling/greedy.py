"""A plan without a proof: the solver's first hint, and the fallback when it finds nothing better."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from planner.scheduling.exclusions import neighbours
from planner.scheduling.graph import at_most, levels_of
from planner.scheduling.problem import NightProblem


def greedy_plan(problem: NightProblem, given: Sequence[int] = ()) -> tuple[int, ...]:
    """Choose visits one by one, each time the one that adds most value for each slot it takes.

    Parameters
    ----------
    problem : NightProblem
    given : sequence of int
        Candidates that are chosen already, which must fit.

    Returns
    -------
    tuple of int
        Candidates in the order of their start; empty when there is nothing to gain.

    Notes
    -----
    Deterministic: of equals the candidate with the smaller number is taken.
    """
    chosen = _filled_up(problem, given, frozenset())
    idle = _worthless(problem, chosen)
    if idle:
        # What came to nothing (a floor, visits that lack one another) took time from others.
        kept = [candidate for candidate in given if int(problem.request[candidate]) not in idle]
        chosen = _filled_up(problem, kept, idle)
        idle = _worthless(problem, chosen)
        chosen = [candidate for candidate in chosen if int(problem.request[candidate]) not in idle]
    return problem.in_order(problem.supported(chosen))


def _worthless(problem: NightProblem, chosen: Sequence[int]) -> frozenset[int]:
    """Requests whose visits come to nothing, and that no other request wants beside it."""
    wanted = {other for _, other in problem.rules.needs}
    missing = {int(problem.request[c]) for c in chosen} - {
        int(problem.request[c]) for c in problem.supported(chosen)
    }
    nothing = {r for r, worth in problem.worth_of(chosen).items() if worth == 0 and r not in wanted}
    return frozenset(missing | nothing)


def _filled_up(problem: NightProblem, given: Sequence[int], without: frozenset[int]) -> list[int]:
    """Add visits until nothing is gained."""
    rules, near, level = problem.rules, neighbours(problem), levels_of(problem)
    level = np.concatenate([level, np.zeros((len(level), 1), dtype=level.dtype)], axis=1)
    owner = np.repeat(np.arange(len(problem)), [len(cells) for cells in problem.cells])
    cell = np.concatenate([*problem.cells, np.empty(0)]).astype(int)
    times = np.zeros(len(level), dtype=int)
    alone, length = at_most(problem), np.maximum(problem.free - problem.start, 1)
    left, budget = problem.visits_max.copy(), [own.most for own in rules.budgets]
    open_ = ~np.isin(problem.request, sorted(without))
    for own in rules.budgets:
        open_ &= (rules.length <= own.most) | ~np.isin(problem.request, own.requests)
    chosen: list[int] = []

    waiting = list(given)
    while waiting or open_.any():
        if waiting:
            best = waiting.pop(0)
        else:
            added = np.bincount(owner, weights=level[cell, times[cell]], minlength=len(problem))
            gain = np.where(open_, np.minimum(added, alone), 0)
            best = int(np.argmax(gain / length))
            if gain[best] <= 0:
                break
        chosen.append(best)
        filled = problem.cells[best]
        times[filled] = np.minimum(times[filled] + 1, level.shape[1] - 1)
        left[problem.request[best]] -= 1
        open_ &= ~near.apart(best) & (left[problem.request] > 0)
        for number, own in enumerate(rules.budgets):
            if int(problem.request[best]) in own.requests:
                budget[number] -= int(rules.length[best])
            open_ &= (rules.length <= budget[number]) | ~np.isin(problem.request, own.requests)
    return chosen
