"""What excludes what, in the strongest form: large cliques, and candidates that another one always replaces.

A clique is a set of candidates of which at most one can be made. The bound of
a night lives on the linear relaxation of its cliques, so few large ones beat
many small ones. Measured on the demonstration night (4,954 candidates): 6,410
cliques of a candidate and the starts it excludes give a relaxation of 664,
the 1,736 merged ones below 632.
"""

from __future__ import annotations

import itertools
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from planner.scheduling.graph import at_most
from planner.scheduling.problem import NightProblem


@dataclass(frozen=True)
class Neighbours:
    """What each candidate excludes, found without a matrix of all pairs.

    Attributes
    ----------
    problem : NightProblem
    before : tuple of ndarray
        For each candidate, the earlier ones whose long set-up excludes it (the reverse of ``late``).
    takers : tuple of ndarray
        For each candidate, the later ones that may share its last calibrator (the reverse of ``givers``).
    """

    problem: NightProblem
    before: tuple[np.ndarray, ...]
    takers: tuple[np.ndarray, ...]

    def apart(self, candidate: int) -> np.ndarray:
        """Return what cannot be made together with a candidate, itself included, (candidate,)."""
        problem, rules = self.problem, self.problem.rules
        start, own = int(problem.start[candidate]), int(problem.request[candidate])
        found = np.asarray((problem.start < problem.free[candidate]) & (problem.free > start))
        found[problem.late[candidate]] = True
        found[self.before[candidate]] = True
        if rules.givers:
            found[rules.givers[candidate]] = False
            found[self.takers[candidate]] = False
        if len(rules.again):
            near = (problem.start < rules.again[candidate]) & (rules.again > start)
            found |= near & (problem.request == own)
        for first, second in rules.after:
            if own == first:
                found |= (problem.request == second) & (problem.start <= start)
            if own == second:
                found |= (problem.request == first) & (problem.start >= start)
        found[candidate] = True
        return found


def neighbours(problem: NightProblem) -> Neighbours:
    """Return what is needed to say what each candidate excludes."""
    return Neighbours(problem, _reversed(problem.late), _reversed(problem.rules.givers or problem.late[:0]))


def _reversed(lists: Sequence[np.ndarray]) -> tuple[np.ndarray, ...]:
    """For each entry, the lists that hold it, sorted."""
    holder = np.repeat(np.arange(len(lists), dtype=np.int32), [len(own) for own in lists])
    entry = np.concatenate([*lists, np.empty(0, dtype=np.int32)])
    order = np.argsort(entry, kind="stable")
    edges = np.searchsorted(entry[order], np.arange(len(lists) + 1)).tolist()
    return tuple(holder[order[first:last]] for first, last in itertools.pairwise(edges))


def conflicts(problem: NightProblem) -> np.ndarray:
    """Return the exclusions as a symmetric matrix, (candidate, candidate), True on the diagonal."""
    near = neighbours(problem)
    return np.array([near.apart(candidate) for candidate in range(len(problem))]).reshape(-1, len(problem))


def undominated(problem: NightProblem) -> np.ndarray:
    """Return the candidates worth offering to the solver, sorted.

    A candidate is left out when another one of the same request at the same
    start fills at least its cells and excludes nothing that it does not
    exclude itself: in any plan the other can stand in its place. Candidates
    that differ in calibrators or turns of the wrap are often of this kind.
    Candidates that fill no cell (earlier nights have filled them all) are
    left out too, unless another request wants company.
    """
    wanted = {other for _, other in problem.rules.needs}
    worth = at_most(problem)
    near = neighbours(problem)
    rivals: dict[tuple[int, int], list[int]] = defaultdict(list)
    for candidate in range(len(problem)):
        if worth[candidate] or int(problem.request[candidate]) in wanted:
            rivals[int(problem.request[candidate]), int(problem.start[candidate])].append(candidate)
    return np.array(sorted(kept for own in rivals.values() for kept in _irreplaceable(near, own)), dtype=int)


def _irreplaceable(near: Neighbours, rivals: Sequence[int]) -> list[int]:
    """Of some candidates of one request and start, those that no other one can stand for."""
    problem, rules = near.problem, near.problem.rules
    if len(rivals) == 1:
        return list(rivals)
    # Sets of a few candidates at a time: those of a whole queue would fill the memory.
    cells, after, before, givers, takers = (
        {c: frozenset(lists[c].tolist()) for c in rivals} if lists else {}
        for lists in (problem.cells, problem.late, near.before, rules.givers, near.takers)
    )

    def replaces(other: int, candidate: int) -> bool:
        """Whether one can stand for another."""
        if problem.free[other] > problem.free[candidate] or not cells[other] >= cells[candidate]:
            return False
        if len(rules.length) and rules.length[other] > rules.length[candidate]:
            return False
        if len(rules.end) and givers and rules.end[other] != rules.end[candidate]:
            return False  # what a visit takes from a budget would be another time
        if len(rules.again) and rules.again[other] > rules.again[candidate]:
            return False
        if givers and not (givers[other] >= givers[candidate] and takers[other] >= takers[candidate]):
            return False
        # What starts before the candidate is done is excluded by it whatever its set-up.
        new = after[other] - after[candidate]
        done = int(problem.free[candidate])
        if any(int(problem.start[later]) >= done for later in new):
            return False
        return before[other] <= before[candidate]

    kept: list[int] = []
    for candidate in rivals:
        if any(replaces(other, candidate) for other in kept):
            continue
        kept = [other for other in kept if not replaces(candidate, other)]
        kept.append(candidate)
    return kept


def cliques(problem: NightProblem) -> list[tuple[int, ...]]:
    """Return sets of candidates of which at most one can be made; together they say every exclusion.

    For each slot: all visits that occupy it or start at it. And, where longer
    set-ups reach into a slot, for each set B of starts there that some visit
    excludes: B, every visit that excludes all of B and is done no earlier than
    ``free``, and every visit that occupies the slot and starts before ``free``;
    these overlap each other in time.
    """
    starts: dict[int, list[int]] = defaultdict(list)
    for candidate, slot in enumerate(problem.start.tolist()):
        starts[slot].append(candidate)
    reaching: dict[int, dict[int, frozenset[int]]] = defaultdict(dict)
    for candidate, later in enumerate(problem.late):
        for slot in np.unique(problem.start[later]).tolist():
            reaching[slot][candidate] = frozenset(later[problem.start[later] == slot].tolist())
    found: dict[tuple[int, ...], None] = {}
    for slot in sorted(starts):
        occupying = np.flatnonzero((problem.start < slot) & (problem.free > slot))
        found[tuple(sorted([*occupying.tolist(), *starts[slot]]))] = None
        for clique in _reaching_cliques(problem, occupying, reaching[slot]):
            found[clique] = None
    return [clique for clique in found if len(clique) > 1]


def _reaching_cliques(
    problem: NightProblem, occupying: np.ndarray, excluded: dict[int, frozenset[int]]
) -> list[tuple[int, ...]]:
    """Cliques of a slot that long set-ups reach into; ``excluded`` maps a visit to the starts it forbids."""
    found = []
    for starts in dict.fromkeys(excluded.values()):
        holding = [candidate for candidate, own in excluded.items() if own >= starts]
        for free in np.unique(problem.free[holding]).tolist():
            # Those done later than ``free`` that began before it overlap each other.
            late = [c for c in holding if problem.free[c] >= free and problem.start[c] < free]
            if not late:
                continue
            common = frozenset.intersection(*(excluded[c] for c in late))
            busy = occupying[problem.start[occupying] < free].tolist()
            found.append(tuple(sorted([*late, *common, *busy])))
    return found
