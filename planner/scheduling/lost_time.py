"""What a plan keeps of its score when stretches of the night are lost: clouds, wind, a fault.

The dark hours are cut into stretches of one length; each is lost with the same
chance, whatever becomes of the others. A visit is lost when any part of it,
from the capture of its first star to its last record, meets a lost stretch.
Nothing is planned again: what is told is the least that those on duty keep.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from planner.scheduling.plan import LostTime
from planner.scheduling.problem import NightProblem
from planner.scheduling.setup import ticks_up
from planner.scheduling.solved import SolvedNight
from planner.sky.earth import offline_earth

NIGHTS = 10_000
SEED = 20270312
TENTH = 0.1
TOUCHING = 1e-6  # of a stretch: a visit that ends where a stretch begins does not meet it


def lost_time(solved: SolvedNight) -> LostTime | None:
    """Simulate what a plan keeps; None when it has no visits. Time that is not for stars is never lost."""
    visits, own = solved.visits, solved.limits.scenario.plan
    if not visits:
        return None
    met = stretches_met(solved)
    kept = kept_scores(solved.problem, visits, stretches_lost(met.shape[1], own.lost_probability), met)
    return LostTime(
        probability=own.lost_probability,
        stretch_min=own.lost_stretch_min,
        nights=len(kept),
        score_mean=round(float(kept.mean()), 1),
        score_tenth=int(np.sort(kept)[int(TENTH * len(kept))]),
    )


def stretches_met(solved: SolvedNight) -> np.ndarray:
    """Return which stretches of the night each visit meets, (visit, stretch)."""
    sky, length_s = solved.limits.sky, 60.0 * solved.limits.scenario.plan.lost_stretch_min
    with offline_earth():
        dark_s = float((sky.dark.end - sky.dark.start).to_value("sec"))
        first_s = float((sky.times[0] - sky.dark.start).to_value("sec"))
    ticks = np.array([_ticks(solved, candidate) for candidate in solved.visits])
    start, end = ((first_s + ticks * sky.tick_s) / length_s).T
    edge = np.arange(max(1, int(np.ceil(dark_s / length_s - TOUCHING))))
    return np.asarray((start[:, None] < edge + 1 - TOUCHING) & (end[:, None] > edge + TOUCHING))


def _ticks(solved: SolvedNight, candidate: int) -> tuple[int, int]:
    """From when to when a visit needs the sky: a shared exposure is captured in the visit before."""
    family, row = solved.origin(candidate)
    capture = 0 if candidate in solved.giver else int(ticks_up(family.facts.capture_s, family.facts.tick_s))
    return int(family.start_tick[row, 0]) - capture, int(family.end_tick[row, 2])


def stretches_lost(stretches: int, probability: float, nights: int = NIGHTS) -> np.ndarray:
    """Draw which stretches are lost, (night, stretch): always the same draws, so more chance loses more."""
    return np.asarray(np.random.default_rng(SEED).random((nights, stretches)) < probability)


def kept_scores(
    problem: NightProblem, visits: Sequence[int], lost: np.ndarray, met: np.ndarray
) -> np.ndarray:
    """Return what some visits are worth in nights in which stretches are lost, (night,).

    Parameters
    ----------
    problem : NightProblem
    visits : sequence of int
        Candidates.
    lost : ndarray of bool (night, stretch)
    met : ndarray of bool (visit, stretch)

    Notes
    -----
    What is left of a plan is a plan, but for visits that need another request:
    they are worth nothing without a visit of it.
    """
    rules = problem.rules
    made = ~((lost.astype(np.float32) @ met.T.astype(np.float32)) > 0)
    request = problem.request[list(visits)]
    served = {int(r): made[:, request == r].any(axis=1) for r in np.unique(request)}
    # A chain of needs is no longer than the requests.
    for _ in served:
        for own, other in rules.needs:
            if own in served:
                served[own] = served[own] & served.get(other, np.zeros(len(lost), dtype=bool))
    worth_of = {
        r: np.where(
            there, _worths(problem, [v for v in visits if problem.request[v] == r], made, request == r), 0
        )
        for r, there in served.items()
    }
    total = np.sum(list(worth_of.values()), axis=0)
    if not (rules.shares and rules.fairness):
        return np.asarray(total)
    several, place = np.unique(np.stack(list(worth_of.values()), axis=1), axis=0, return_inverse=True)
    unfair = [rules.unfair(dict(zip(worth_of, row, strict=True))) for row in several.tolist()]
    return np.asarray(total - np.array(unfair)[place.reshape(-1)])


def _worths(problem: NightProblem, own: list[int], made: np.ndarray, columns: np.ndarray) -> np.ndarray:
    """What the visits of one request are worth in each night, (night,)."""
    several, place = np.unique(made[:, columns], axis=0, return_inverse=True)
    request = int(problem.request[own[0]])
    wanted = int(problem.visits_max[request])
    worth = [
        problem.rules.worth(
            request, wanted, problem.value, [problem.cells[own[k]] for k in np.flatnonzero(row)]
        )
        for row in several
    ]
    return np.array(worth, dtype=np.int64)[place.reshape(-1)]
