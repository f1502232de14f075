"""The same night with other values: cells that only a question knows of, worth what the question wants.

What must be made stays worth more than everything else together.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from planner.scheduling.problem import NightProblem
from planner.scheduling.rules import Rules


def rules_of(problem: NightProblem) -> Rules:
    """Return what hangs together in a night beyond pairs of visits."""
    found: Rules = getattr(problem, "rules", Rules())
    return found


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
    rules, added = rules_of(problem), len(worth)
    later = weight * rules.later_value
    most = 1 + int(own.sum()) + int(later.sum()) + int(sum(worth))
    value = np.concatenate([own, np.asarray(worth, dtype=int), np.full(problem.musts, most)]).astype(int)
    cells = []
    for c, (filled, new) in enumerate(zip(problem.cells, extra, strict=True)):
        if problem.request[c] >= len(problem.visits_max) - problem.musts:
            cells.append(filled + added)
        else:
            cells.append(np.append(filled, before + new) if new >= 0 else filled)
    changes: dict[str, Any] = {"cells": tuple(cells), "value": value}
    if not rules.plain:
        changes["rules"] = _with_rows(problem, rules, (before, added, later), _owners(problem, extra))
    return replace(problem, **changes)


def _owners(problem: NightProblem, extra: Sequence[int]) -> Mapping[int, int]:
    """How many new cells the visits of a request can fill at most."""
    own = {int(problem.request[c]) for c, new in enumerate(extra) if new >= 0}
    return {r: int(problem.visits_max[r]) for r in own}


def _with_rows(
    problem: NightProblem, rules: Rules, rows: tuple[int, int, np.ndarray], owners: Mapping[int, int]
) -> Rules:
    """Give the rules rows for the new cells."""
    before, added, later = rows
    fresh = rules.fresh if len(rules.fresh) else np.ones(len(problem.value), dtype=bool)
    empty = np.zeros((added, later.shape[1]), dtype=int)
    return replace(
        rules,
        later_value=np.concatenate([later[:before], empty, later[before:]]) if len(later) else later,
        fresh=np.concatenate([fresh[:before], np.zeros(added, dtype=bool), fresh[before:]]),
        goal={r: goal + owners.get(r, 0) for r, goal in rules.goal.items()},
    )
