"""A plan around a visit that has to be in it: what it displaces goes, and what still fits is filled in."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from planner.scheduling.exclusions import neighbours
from planner.scheduling.problem import NightProblem

TRIED = 6  # visits of the request for which a plan is filled up
STEPS_SCORED = 5000  # of work to judge one plan


class Filling:
    """A night in which plans are filled up; ``steps`` counts the work of the last question."""

    def __init__(self, problem: NightProblem):
        self.problem = problem
        self.alone = np.array([int(problem.value[cells].sum()) for cells in problem.cells], dtype=np.int64)
        self.length = np.maximum(problem.free - problem.start, 1)
        self.steps = 0
        self.near = neighbours(problem)

    def around(self, plan: Sequence[int], request: int) -> list[tuple[int, ...]]:
        """Return plans that hold a visit of a request, made from a plan that holds none.

        Those around the visits that displace least; visits of the request come
        first while more of them are wanted.
        """
        problem, self.steps = self.problem, 0
        mine = np.flatnonzero((problem.request == request) & (self.alone > 0))
        stars = len(problem.visits_max) - problem.musts
        apart = np.array([self.near.apart(own) for own in plan])
        score_of: dict[tuple[int, ...], int] = {}
        bases = []
        for candidate, fits in zip(mine.tolist(), ~apart[:, mine].T, strict=True):
            beside = tuple(own for own, fit in zip(plan, fits.tolist(), strict=True) if fit)
            if any(problem.request[own] >= stars for own in plan if own not in beside):
                continue
            if beside not in score_of:
                score_of[beside] = problem.score(beside)
                self.steps += STEPS_SCORED
            bases.append((-score_of[beside] - int(self.alone[candidate]), candidate, (*beside, candidate)))
        bases.sort()
        tried = [base for _, _, base in bases[:TRIED]]
        rules = problem.rules
        if request in rules.whole or request in rules.floor or len(self._needed(request)) > 1:
            # One visit is not enough: what the next ones displace goes too.
            must = [own for own in plan if problem.request[own] >= stars]
            tried += [(*must, candidate) for _, candidate, _ in bases[:TRIED]]
        return [self._filled(base, request) for base in tried]

    def _filled(self, base: Sequence[int], request: int) -> tuple[int, ...]:
        """Fill a plan up, first for the request and those that it needs, then with what gains most."""
        problem, plan = self.problem, list(base)
        open_ = self.alone > 0
        for candidate in plan:
            open_ &= ~self.near.apart(candidate)
        score = problem.score(plan)
        first = np.isin(problem.request, sorted(self._needed(request)))
        for able in (first, np.ones(len(problem), dtype=bool)):
            while True:
                served = np.bincount(problem.request[plan], minlength=len(problem.visits_max))
                free = np.flatnonzero(open_ & able & (served < problem.visits_max)[problem.request])
                self.steps += len(problem)
                if not len(free):
                    break
                best = int(free[np.argmax(self.alone[free] / self.length[free])])
                tried = [*plan, best]
                gain = problem.score(tried) - score
                self.steps += STEPS_SCORED
                open_[best] = False
                nothing_yet = able is first and not problem.worth_of(plan).get(request)
                if (gain > 0 or nothing_yet) and problem.fits(tried):
                    plan, score = tried, score + gain
                    open_ &= ~self.near.apart(best)
        return problem.supported(plan)

    def _needed(self, request: int) -> set[int]:
        """A request and all that it needs a visit of."""
        found = {request}
        for _ in self.problem.rules.needs:
            found |= {other for own, other in self.problem.rules.needs if own in found}
        return found
