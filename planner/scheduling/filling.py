"""A plan around a visit that has to be in it: what it displaces goes, and what still fits is filled in."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from planner.scheduling.extra_cells import rules_of
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
        # Who is excluded by the long set-up of an earlier one, sorted by that one's number.
        later = np.concatenate([*problem.late, np.empty(0, dtype=int)]).astype(int)
        earlier = np.repeat(np.arange(len(problem)), [len(own) for own in problem.late])
        order = np.argsort(later, kind="stable")
        self._later, self._earlier = later[order], earlier[order]

    def around(self, plan: Sequence[int], request: int) -> list[tuple[int, ...]]:
        """Return plans that hold a visit of a request, made from a plan that holds none.

        Those around the visits that displace least; visits of the request come
        first while more of them are wanted.
        """
        problem, self.steps = self.problem, 0
        mine = np.flatnonzero((problem.request == request) & (self.alone > 0))
        stars = len(problem.visits_max) - problem.musts
        score_of: dict[tuple[int, ...], int] = {}
        bases = []
        for candidate, fits in zip(mine.tolist(), self._fits(plan, mine), strict=True):
            beside = tuple(own for own, fit in zip(plan, fits.tolist(), strict=True) if fit)
            if any(problem.request[own] >= stars for own in plan if own not in beside):
                continue
            if beside not in score_of:
                score_of[beside] = problem.score(beside)
                self.steps += STEPS_SCORED
            bases.append((-score_of[beside] - int(self.alone[candidate]), candidate, (*beside, candidate)))
        bases.sort()
        return [self._filled(base, request) for _, _, base in bases[:TRIED]]

    def _fits(self, plan: Sequence[int], mine: np.ndarray) -> np.ndarray:
        """Whether some candidates may be made beside each visit of a plan, (candidate, visit)."""
        problem = self.problem
        if rules_of(problem).plain:
            return np.stack([self._beside(own)[mine] for own in plan], axis=1)
        start = problem.start
        return np.array(
            [
                [
                    problem.follows(own, new) if start[own] <= start[new] else problem.follows(new, own)
                    for own in plan
                ]
                for new in mine.tolist()
            ],
            dtype=bool,
        ).reshape(len(mine), len(plan))

    def _filled(self, base: Sequence[int], request: int) -> tuple[int, ...]:
        """Fill a plan up, first with more visits of the request, then with what gains most for its time."""
        problem, plan = self.problem, list(base)
        open_ = self.alone > 0
        for candidate in plan:
            open_ &= self._beside(candidate)
        score = problem.score(plan)
        for own_first in (True, False):
            while True:
                left = problem.visits_max - np.bincount(
                    problem.request[plan], minlength=len(problem.visits_max)
                )
                able = np.flatnonzero(open_ & (left[problem.request] > 0))
                if own_first:
                    able = able[problem.request[able] == request]
                self.steps += len(open_)
                if not len(able):
                    break
                best = int(able[np.argmax(self.alone[able] / self.length[able])])
                tried = [*plan, best]
                self.steps += STEPS_SCORED
                gain = problem.score(tried) - score
                if problem.possible(tried) and (gain > 0 or own_first):
                    plan, score = tried, score + gain
                    open_ &= self._beside(best)
                open_[best] = False
        return tuple(plan)

    def _beside(self, candidate: int) -> np.ndarray:
        """Candidates that may be made beside one, (candidate,)."""
        problem = self.problem
        found = (problem.start >= problem.free[candidate]) | (problem.free <= problem.start[candidate])
        found[problem.late[candidate]] = False
        edge = np.searchsorted(self._later, [candidate, candidate + 1])
        found[self._earlier[edge[0] : edge[1]]] = False
        return np.asarray(found)
