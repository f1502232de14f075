"""The same night with other values: cells that only a question knows of, worth what the question wants.

What must be made stays worth more than everything else together.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from planner.scheduling.problem import NightProblem
from planner.scheduling.rules import Rules


def with_extra_cells(
    problem: NightProblem, extra: Sequence[int], worth: Sequence[int], weight: int = 1
) -> NightProblem:
    """Return the problem with cells added, and the value of its own cells multiplied.

    Parameters
    ----------
    problem : NightProblem
    extra : sequence of int (candidate,)
        Which of the new cells each candidate fills besides; -1 for none.
    worth : sequence of int (new cell,)
    weight : int
        What the night's own values are multiplied by.

    Notes
    -----
    A new cell counts once, never again, and towards no floor. Where a request
    counts the most valuable cells only, a new one is counted besides.
    """
    before = len(problem.value) - problem.musts
    own = weight * problem.value[:before]
    rules, added = problem.rules, len(worth)
    later = weight * rules.later_value
    most = 1 + int(own.sum()) + int(later.sum()) + int(sum(worth))
    value = np.concatenate([own, np.asarray(worth, dtype=int), np.full(problem.musts, most)]).astype(int)
    cells = []
    for c, (filled, new) in enumerate(zip(problem.cells, extra, strict=True)):
        if problem.request[c] >= len(problem.visits_max) - problem.musts:
            cells.append(filled + added)
        else:
            cells.append(np.append(filled, before + new) if new >= 0 else filled)
    changed = replace(problem, cells=tuple(cells), value=value)
    if rules.plain:
        return changed
    return replace(
        changed, rules=_with_rows(rules, (before, added, problem.musts, later), _besides(problem, extra))
    )


def _besides(problem: NightProblem, extra: Sequence[int]) -> Mapping[int, int]:
    """How many new cells the visits of each request fill at most."""
    own: dict[int, set[int]] = {}
    for request, new in zip(problem.request.tolist(), extra, strict=True):
        if new >= 0:
            own.setdefault(request, set()).add(new)
    return {r: min(len(several), int(problem.visits_max[r])) for r, several in own.items()}


def _with_rows(rules: Rules, rows: tuple[int, int, int, np.ndarray], besides: Mapping[int, int]) -> Rules:
    """Give the rules rows for the new cells.

    ``rows`` are (place of the first, how many, cells of what must be made, later values).
    """
    before, added, musts, later = rows
    empty = np.zeros((added, later.shape[1]), dtype=int)
    fresh = rules.fresh if len(rules.fresh) else np.ones(before + musts, dtype=bool)
    return replace(
        rules,
        later_value=np.concatenate([later[:before], empty, later[before:]]) if len(later) else later,
        fresh=np.concatenate([fresh[:before], np.zeros(added, dtype=bool), fresh[before:]]),
        goal={r: goal + besides.get(r, 0) for r, goal in rules.goal.items()},
    )
