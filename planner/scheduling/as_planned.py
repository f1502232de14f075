"""The night as whole numbers once some of its candidates stand elsewhere.

The second stage holds other common offsets in the visits of a plan than the
candidates had. What may come before and after these visits is judged anew, so
that every later question about the plan (what fits in a gap, what would be
displaced) has the answer of the carriages as they will run.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from planner.constraints.tonight import NightLimits
from planner.scheduling.problem import NightProblem
from planner.scheduling.table import CandidateTable, longest_wait_ticks, wait_ticks


def problem_as_planned(
    limits: NightLimits, problem: NightProblem, table: CandidateTable, chosen: Sequence[int]
) -> NightProblem:
    """Return the problem with the set-ups before and after some candidates as their table has them now.

    Parameters
    ----------
    limits : NightLimits
    problem : NightProblem
    table : CandidateTable
        With the new positions.
    chosen : sequence of int
        Candidates that stand elsewhere than when ``problem`` was built.
    """
    longest = longest_wait_ticks(limits)
    free, late = problem.free.copy(), list(problem.late)
    moved = np.array(sorted(chosen), dtype=int)
    for own in moved.tolist():
        _after(limits, (problem, table), own, longest, (free, late))
    for own in moved.tolist():
        ends = table.end_tick
        reach = (ends <= table.start_tick[own]) & (ends + longest > table.start_tick[own])
        earlier = np.setdiff1d(np.flatnonzero(reach), moved)
        if not len(earlier):
            continue
        gap = table.start_tick[own] - ends[earlier]
        fits = gap >= wait_ticks(limits, table, earlier, np.full(len(earlier), own))
        for other, may in zip(earlier.tolist(), fits.tolist(), strict=True):
            _pair(problem.start, (other, own), may, (free, late))
    return replace(problem, free=free, late=tuple(late))


def _after(
    limits: NightLimits,
    night: tuple[NightProblem, CandidateTable],
    own: int,
    longest: int,
    found: tuple[np.ndarray, list[np.ndarray]],
) -> None:
    """Judge anew what may come after a candidate."""
    problem, table = night
    free, late = found
    first, per_slot = limits.sky.first_slot, limits.sky.ticks_per_slot
    end = int(table.end_tick[own])
    later = np.flatnonzero((table.start_tick >= end) & (table.start_tick < end + longest))
    fits = np.zeros(len(later), dtype=bool)
    if len(later):
        fits = table.start_tick[later] - end >= wait_ticks(limits, table, np.full(len(later), own), later)
    free[own] = -(-(end + longest - first) // per_slot)
    if fits.any():
        free[own] = min(int(free[own]), int(problem.start[later[fits]].min()))
    late[own] = later[~fits & (problem.start[later] >= free[own])]


def _pair(
    start: np.ndarray, pair: tuple[int, int], may: bool, found: tuple[np.ndarray, list[np.ndarray]]
) -> None:
    """Write down whether one candidate may come after another."""
    earlier, later = pair
    free, late = found
    if start[later] < free[earlier]:
        if may:
            # Everything between is as excluded as it was.
            between = np.flatnonzero((start >= start[later]) & (start < free[earlier]))
            late[earlier] = np.union1d(late[earlier], between[between != later])
            free[earlier] = start[later]
    elif may:
        late[earlier] = late[earlier][late[earlier] != later]
    else:
        late[earlier] = np.union1d(late[earlier], [later])
