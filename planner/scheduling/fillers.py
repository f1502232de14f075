"""What fits in the place of a visit that cannot be made, with all others left as they are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from planner.scheduling.problem import NightProblem

MOST = 3  # told for each visit


@dataclass(frozen=True)
class Standby:
    """A candidate that fits in the place of a visit, and what the plan gains by it without that visit."""

    candidate: int
    gain: int


def fillers(problem: NightProblem, chosen: Sequence[int], lost: int, most: int = MOST) -> tuple[Standby, ...]:
    """Return what could be made in the place of one visit of a plan, the most valuable first.

    Parameters
    ----------
    problem : NightProblem
    chosen : sequence of int
        The plan, in the order of time.
    lost : int
        The visit that cannot be made.
    most : int
        How many to return.

    Returns
    -------
    tuple of Standby
        Each of another request than the lost one, starting no earlier than it: the
        visit of each that gains most, of equals the first in time.

    Notes
    -----
    In its place means: after all that the plan has before it and before all
    that the plan has after it, every set-up whole.
    """
    place = list(chosen).index(lost)
    before, after = list(chosen[:place]), list(chosen[place + 1 :])
    others = [*before, *after]
    alone = problem.score(others)
    found: dict[int, Standby] = {}
    for candidate in _between(problem, before, lost, after):
        plan = [*before, candidate, *after]
        gain = problem.score(plan) - alone
        request = int(problem.request[candidate])
        if gain > 0 and (request not in found or gain > found[request].gain) and problem.possible(plan):
            found[request] = Standby(candidate, gain)
    ordered = sorted(
        found.values(), key=lambda own: (-own.gain, int(problem.start[own.candidate]), own.candidate)
    )
    return tuple(ordered[:most])


def _between(problem: NightProblem, before: Sequence[int], lost: int, after: Sequence[int]) -> list[int]:
    """Candidates that may follow everything before and be followed by everything after, in order."""
    inside = np.array([len(cells) > 0 for cells in problem.cells], dtype=bool)
    inside &= problem.request < len(problem.visits_max) - problem.musts
    # What begins before the lost visit would have had to be chosen before anyone knew.
    inside &= (problem.request != problem.request[lost]) & (problem.start >= problem.start[lost])
    if before:
        inside &= problem.start > problem.start[before[-1]]
    if after:
        inside &= problem.start < problem.start[after[0]]
    # The nearest decide most often, so they are asked first.
    return [
        candidate
        for candidate in np.flatnonzero(inside).tolist()
        if all(problem.follows(own, candidate) for own in reversed(before))
        and all(problem.follows(candidate, own) for own in after)
    ]
