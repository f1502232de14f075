"""Put early what could not be tried again: a plan as good, whose visits leave more chances behind them.

A visit that fails can be made again at a later start of its request, if there
is one. Its second chances are the slots after its end at which a visit of its
request could still start, two hours' worth at most: more are no better. The
merit of a plan is the sum over its visits of what their cells are worth times
their second chances. Moving a visit earlier in its window adds chances only
where the window ends soon, so what sets first comes first.

Plans that serve the same requests as often are searched, by paths and by
moving one visit at a time; what is found is kept only when its merit is higher
and its score high enough.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from planner.scheduling.cpsat import Solution
from planner.scheduling.extra_cells import with_extra_cells
from planner.scheduling.problem import NightProblem
from planner.scheduling.relaxation import relaxed
from planner.scheduling.stopping import Stop, never

CAP_H = 2.0
EFFORT = 2.0  # units, for each weight that is tried
WEIGHTS = 5  # ways to weigh merit against score, where it may cost score
ROUNDS_MAX = 200


@dataclass(frozen=True)
class Earlier:
    """A plan that leaves more chances behind.

    Attributes
    ----------
    chosen : tuple of int
    merit : int
    proven : bool
        Whether no plan of the same requests that is worth as much has more merit. It is said only where no
        score may be given up and each request is served once.
    """

    chosen: tuple[int, ...]
    merit: int
    proven: bool


def put_early(
    problem: NightProblem, solution: Solution, slot_s: float, cost_max: float = 0.0, stop: Stop = never
) -> Solution:
    """Return the solution with a plan that puts early what could not be tried again.

    Parameters
    ----------
    problem : NightProblem
    solution : Solution
    slot_s : float
        Length of a slot.
    cost_max : float
        Part of the score that it may cost.
    stop : callable
        Asked whether to end with what there is.
    """
    if not solution.chosen:
        return solution
    found = earlier_plan(problem, solution.chosen, round(CAP_H * 3600.0 / slot_s), cost_max, stop)
    score = problem.score(found.chosen) - problem.must_of(found.chosen)
    status: Literal["optimal", "feasible"] = "optimal" if score == solution.bound else "feasible"
    return replace(solution, chosen=found.chosen, score=score, status=status)


def second_chances(problem: NightProblem, cap_slots: int) -> np.ndarray:
    """Return how many later slots each candidate leaves for another try, ``cap_slots`` at most."""
    found = np.zeros(len(problem), dtype=np.int64)
    filling = np.array([len(cells) > 0 for cells in problem.cells], dtype=bool)
    for request in range(len(problem.visits_max) - problem.musts):
        mine = np.flatnonzero(problem.request == request)
        starts = np.unique(problem.start[mine[filling[mine]]])
        found[mine] = len(starts) - np.searchsorted(starts, problem.free[mine])
    return np.minimum(found, cap_slots)


def merits(problem: NightProblem, cap_slots: int) -> np.ndarray:
    """Return what the cells of each candidate are worth times its second chances, (candidate,)."""
    stars = len(problem.visits_max) - problem.musts
    alone = [
        int(problem.value[cells].sum()) if request < stars else 0
        for request, cells in zip(problem.request.tolist(), problem.cells, strict=True)
    ]
    return np.array(alone, dtype=np.int64) * second_chances(problem, cap_slots)


def earlier_plan(
    problem: NightProblem, chosen: Sequence[int], cap_slots: int, cost_max: float = 0.0, stop: Stop = never
) -> Earlier:
    """Return a plan of at least the merit of the one given, of the same requests.

    Parameters
    ----------
    problem : NightProblem
    chosen : sequence of int
        A plan.
    cap_slots : int
        More second chances than this count as this many.
    cost_max : float
        Part of the score that may be given up.
    stop : callable
    """
    merit = merits(problem, cap_slots)
    must = problem.must_of(chosen)
    floor = must + int(np.ceil((problem.score(chosen) - must) * (1.0 - cost_max) - 1e-9))
    served = np.bincount(problem.request[list(chosen)], minlength=len(problem.visits_max))
    kept = np.flatnonzero(served[problem.request] > 0)
    for whole in problem.rules.whole:
        # What is worth nothing unless all are made goes on wanting all.
        served[whole] = problem.visits_max[whole] if served[whole] else 0
    asked = _Question(replace(problem, visits_max=served), kept, merit, floor)
    # Paths count cells and know the rules of a night only where there is little to know.
    exact = cost_max == 0 and bool(np.all(served <= 1)) and problem.rules.plain
    best = _moved(asked, tuple(int(c) for c in chosen))
    proven = False
    low, high = 1, asked.outweighing
    weight = high
    for _ in range(WEIGHTS if cost_max > 0 else 1):
        if stop():
            break
        path, closed = _by_paths(asked, best, weight, stop)
        proven = exact and closed and problem.score(path) == problem.score(chosen)
        if asked.better(path, best):
            best = _moved(asked, path)
        # Merit may weigh more while the score stays high enough.
        low, high = (low, weight) if problem.score(path) >= floor else (weight, high)
        weight = math.isqrt(low * high)
    return Earlier(best, asked.merit_of(best), proven)


@dataclass(frozen=True)
class _Question:
    """The night with as many visits as the plan has, the candidates that count, merits, the score to keep."""

    problem: NightProblem
    kept: np.ndarray
    merit: np.ndarray
    floor: int

    @property
    def outweighing(self) -> int:
        """A weight of the score that no merit makes up for."""
        request, most = self.problem.request[self.kept], self.problem.visits_max
        return 1 + sum(
            int(most[r]) * int(self.merit[self.kept[request == r]].max()) for r in np.unique(request)
        )

    def merit_of(self, plan: Sequence[int]) -> int:
        return int(self.merit[list(plan)].sum())

    def better(self, plan: Sequence[int], than: Sequence[int]) -> bool:
        """Whether a plan may stand in for another and has more merit, or as much and a higher score."""
        key, other = ((self.merit_of(own), self.problem.score(own)) for own in (plan, than))
        return key > other and key[1] >= self.floor and self.problem.possible(plan)


def _moved(asked: _Question, plan: tuple[int, ...]) -> tuple[int, ...]:
    """Exchange one visit at a time for another of its request while that is better."""
    problem = asked.problem
    for _ in range(ROUNDS_MAX):
        before = plan
        for visit in plan:
            others = [own for own in plan if own != visit]
            rivals = asked.kept[problem.request[asked.kept] == problem.request[visit]]
            rivals = rivals[asked.merit[rivals] > asked.merit[visit]]
            for candidate in sorted(rivals.tolist(), key=lambda c: (-int(asked.merit[c]), c)):
                tried = problem.in_order([*others, candidate])
                if asked.better(tried, plan):
                    plan = tried
                    break
        if plan == before:
            break
    return plan


def _by_paths(
    asked: _Question, plan: tuple[int, ...], weight: int, stop: Stop
) -> tuple[tuple[int, ...], bool]:
    """Search for the plan worth most, score times ``weight`` plus merit; also whether it is proven best."""
    weighed = merit_night(asked.problem, asked.merit, weight)
    found = relaxed(weighed, asked.kept, plan, EFFORT, (lambda score, bound: None, stop))
    return asked.problem.in_order(found.plan), weighed.score(found.plan) == found.bound


def merit_night(problem: NightProblem, merit: np.ndarray, weight: int) -> NightProblem:
    """Return the night in which a visit is worth its merit besides, and values count ``weight`` times."""
    cells: dict[tuple[int, int, int], int] = {}
    extra = [
        cells.setdefault((int(r), int(s), int(m)), len(cells)) if m > 0 else -1
        for r, s, m in zip(problem.request, problem.start, merit, strict=True)
    ]
    return with_extra_cells(problem, extra, [m for _, _, m in cells], weight)
