"""A plan without a proof: the solver's first hint, and the fallback when it finds nothing better."""

from __future__ import annotations

import numpy as np

from planner.scheduling.problem import NightProblem


def greedy_plan(problem: NightProblem) -> tuple[int, ...]:
    """Choose visits one by one, each time the one that adds most value for each slot it takes.

    Returns
    -------
    tuple of int
        Candidates in the order of their start; empty when there is nothing to gain.

    Notes
    -----
    Deterministic: of equals the candidate with the smaller number is taken.
    """
    chosen: list[int] = []
    filled = np.zeros(len(problem.value), dtype=bool)
    open_ = np.ones(len(problem), dtype=bool)
    left = problem.visits_max.copy()
    length = np.maximum(problem.free - problem.start, 1)
    blocked_by = blockers(problem)
    while open_.any():
        gain = np.array(
            [
                problem.value[cells][~filled[cells]].sum() if free else 0
                for cells, free in zip(problem.cells, open_, strict=True)
            ]
        )
        best = int(np.argmax(gain / length))
        if gain[best] <= 0:
            break
        chosen.append(best)
        filled[problem.cells[best]] = True
        left[problem.request[best]] -= 1
        open_ &= (problem.start >= problem.free[best]) | (problem.free <= problem.start[best])
        open_[problem.late[best]] = False
        open_[blocked_by[best]] = False
        open_[best] = False
        open_ &= left[problem.request] > 0
    return tuple(sorted(chosen, key=lambda candidate: (int(problem.start[candidate]), candidate)))


def blockers(problem: NightProblem) -> list[np.ndarray]:
    """For each candidate, the earlier ones whose long set-up excludes it (the reverse of ``late``)."""
    reverse: list[list[int]] = [[] for _ in range(len(problem))]
    for earlier, later in enumerate(problem.late):
        for candidate in later.tolist():
            reverse[candidate].append(earlier)
    return [np.array(entry, dtype=int) for entry in reverse]
