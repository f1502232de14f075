"""Candidates as the paths through a night see them: arrays of whole numbers, and values at most."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from planner.scheduling.kernels import NOTHING
from planner.scheduling.problem import NightProblem

Shape = tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]


@dataclass(frozen=True)
class Graph:
    """Candidates as the paths see them.

    Attributes
    ----------
    number : ndarray (candidate,)
        Their numbers in the problem.
    free, full, first, late_from, late, given_from, given : ndarray
        See ``kernels``.
    request : ndarray (candidate,)
    value : ndarray (candidate,)
        What each is worth at most as the first visit of its request in a plan.
    again : ndarray (candidate,)
        And after another one of its request; ``NOTHING`` where it can only be the first.
    cells : tuple
        What a search needs to count cells exactly, see ``kernels``.
    """

    number: np.ndarray
    free: np.ndarray
    full: np.ndarray
    first: np.ndarray
    late_from: np.ndarray
    late: np.ndarray
    given_from: np.ndarray
    given: np.ndarray
    request: np.ndarray
    value: np.ndarray
    again: np.ndarray
    cells: tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]

    @property
    def shape(self) -> Shape:
        """What every path needs."""
        return self.free, self.full, self.first, self.late_from, self.late, self.given_from, self.given


def graph_of(problem: NightProblem, kept: np.ndarray) -> Graph:
    """Return the graph of some candidates, sorted numbers."""
    small = problem if len(kept) == len(problem) else problem.only(kept)
    slots = int(small.start.max()) + 1 if len(small) else 0
    full = np.minimum(small.free, slots).astype(np.int64)
    for candidate, later in enumerate(small.late):
        if len(later):
            full[candidate] = max(full[candidate], int(small.start[later].max()) + 1)
    nothing = np.empty(0, dtype=np.int64)
    givers = small.rules.givers or tuple(nothing for _ in range(len(small)))
    late_from, late = _rows(tuple(np.sort(later) for later in small.late))
    given_from, given = _rows(givers)
    value = at_most(small)
    return Graph(
        number=np.asarray(kept, dtype=np.int64),
        free=np.minimum(small.free, slots).astype(np.int64),
        full=full,
        first=np.searchsorted(small.start, np.arange(slots + 1)).astype(np.int64),
        late_from=late_from,
        late=late,
        given_from=given_from,
        given=given,
        request=small.request.astype(np.int64),
        value=value,
        again=np.minimum(value, again_at_most(small)),
        cells=(*_rows(tuple(np.sort(own) for own in small.cells)), levels_of(small), *_starts(small)),
    )


def _rows(own: tuple[np.ndarray, ...]) -> tuple[np.ndarray, np.ndarray]:
    """Where the entries of each candidate begin, and all entries."""
    begin = np.zeros(len(own) + 1, dtype=np.int64)
    begin[1:] = np.cumsum([len(entries) for entries in own])
    return begin, np.concatenate([*own, np.empty(0, dtype=np.int32)]).astype(np.int64)


def _starts(problem: NightProblem) -> tuple[np.ndarray, np.ndarray]:
    """Start slots, and the slots from which another visit of the same request may start."""
    again = problem.rules.again
    ready = again if len(again) else np.zeros(len(problem), dtype=np.int64)
    return problem.start.astype(np.int64), ready.astype(np.int64)


def levels_of(problem: NightProblem) -> np.ndarray:
    """Return the value of each cell at its first filling, its second, ..., (cell, filling)."""
    later = problem.rules.later_value
    columns = [problem.value[:, None], later] if len(later) else [problem.value[:, None]]
    return np.concatenate(columns, axis=1).astype(np.int64)


def at_most(problem: NightProblem) -> np.ndarray:
    """Return what each candidate adds to a plan at most, (candidate,).

    For a request that wants one visit that is what it is worth. Where several
    visits together reach a floor, or are worth nothing unless all are made,
    each counts as if they were.
    """
    found = np.zeros(len(problem), dtype=np.int64)
    limited = {**dict.fromkeys(problem.rules.floor), **problem.rules.goal}
    for candidate, cells in enumerate(problem.cells):
        request = int(problem.request[candidate])
        if request in limited and problem.visits_max[request] == 1:
            found[candidate] = problem.rules.worth(request, 1, problem.value, [cells])
        elif request in problem.rules.goal:
            counted = np.sort(problem.value[cells])[::-1][: problem.rules.goal[request]]
            found[candidate] = int(counted.sum())
        else:
            found[candidate] = int(problem.value[cells].sum())
    return found


def again_at_most(problem: NightProblem) -> np.ndarray:
    """Return what each candidate adds at most after an earlier visit of its request, (candidate,).

    The cells that both fill count less or nothing the second time; the least
    that any earlier visit takes away is taken off.
    """
    found = np.full(len(problem), NOTHING, dtype=np.int64)
    again, later = problem.rules.again, problem.rules.later_value
    loss = problem.value - later[:, 0] if len(later) else problem.value
    for request in np.flatnonzero(problem.visits_max > 1).tolist():
        mine = np.flatnonzero(problem.request == request)
        if not len(mine):
            continue
        names, alike = _alike(problem, mine)
        filled = np.zeros((len(alike), len(names)), dtype=np.int64)
        for row, (cells, _) in enumerate(alike):
            filled[row, np.searchsorted(names, cells)] = 1
        shared = (filled * loss[names]) @ filled.T
        # Whatever is shared between visits, the next one begins a slot later at least.
        ready = problem.start + 1 if problem.rules.givers else problem.free
        ready = np.maximum(ready, again) if len(again) else ready
        since = np.array([ready[members].min() for _, members in alike])
        order = np.argsort(since, kind="stable")
        least = np.minimum.accumulate(shared[:, order], axis=1)
        for row, (cells, members) in enumerate(alike):
            place = np.searchsorted(since[order], problem.start[members], side="right") - 1
            total = int(problem.value[cells].sum())
            found[members] = np.where(place >= 0, total - least[row, np.maximum(place, 0)], NOTHING)
    return found


def _alike(problem: NightProblem, mine: np.ndarray) -> tuple[np.ndarray, list[tuple[np.ndarray, np.ndarray]]]:
    """All cells of some candidates, sorted, and the candidates in groups that fill the same."""
    groups: dict[bytes, list[int]] = {}
    for candidate in mine.tolist():
        groups.setdefault(np.sort(problem.cells[candidate]).tobytes(), []).append(candidate)
    alike = [(np.sort(problem.cells[own[0]]), np.array(own)) for own in groups.values()]
    return np.unique(np.concatenate([cells for cells, _ in alike])), alike
