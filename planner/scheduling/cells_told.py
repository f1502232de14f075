"""What each chosen visit fills, and what it adds to the worth of its request."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from planner.scheduling.cell_values import budget_ticks, cell_worths, filled_by, times_filled
from planner.scheduling.solved import SolvedNight


@dataclass(frozen=True)
class CellsTold:
    """Cells of a visit at its place in the plan.

    Attributes
    ----------
    new : ndarray
        Codes of cells that nobody has filled before.
    again : ndarray
        Codes of cells that were filled before and still add value.
    value : int
        What the visit adds to the worth of its request.
    """

    new: np.ndarray
    again: np.ndarray
    value: int


def cells_told(solved: SolvedNight) -> dict[int, CellsTold]:
    """Return what each chosen visit fills, by candidate, in the order of time."""
    filled: dict[int, list[np.ndarray]] = {}
    made: dict[int, list[int]] = {}
    found = {}
    for candidate in solved.visits:
        family, row = solved.origin(candidate)
        request, offer = family.request, solved.offers[family.request]
        wish = solved.limits.scenario.requests[request]
        filled_now = filled_by(solved.limits, offer, family.facts, family.start_tick[[row], 1])[0]
        codes = offer.runs[family.facts.subarray].distinct[filled_now]
        tonight = filled.setdefault(request, [])
        times = times_filled(offer, codes) + sum((np.isin(codes, own) for own in tonight), np.zeros(1, int))
        counts = cell_worths(wish, codes, times)[:, 0] > 0
        before = made.setdefault(request, [])
        worth = solved.problem.worth_of
        value = worth([*before, candidate])[request] - worth(before).get(request, 0)
        found[candidate] = CellsTold(codes[times == 0], codes[(times > 0) & counts], value)
        tonight.append(codes)
        before.append(candidate)
    return found


def budget_s(solved: SolvedNight, candidate: int) -> float:
    """Return the time that a chosen visit takes from its program, s."""
    ticks = int(budget_ticks(solved.limits, solved.table)[candidate])
    if candidate in solved.giver:
        ticks = int(solved.table.end_tick[candidate] - solved.table.end_tick[solved.giver[candidate]])
    return float(ticks * solved.limits.sky.tick_s)
