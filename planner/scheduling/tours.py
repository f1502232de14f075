"""The cheapest tour that makes given visits: every task once, each by one of its candidates.

Candidates have fixed starts, so a tour is an order and a choice at once. It is
found by labels over (candidate, set of tasks served) under a bound on what is
left (dynamic programming with completion bounds; the bound is the relaxation
that forgets which tasks were served but not how many: Christofides, Mingozzi
& Toth 1981, Networks 11, 145), sharpened by penalties on tasks (Held & Karp
1970, Oper. Res. 18, 1138). A label after which some task could not be served
any more is dropped (Dumas, Desrosiers, Gelinas & Solomon 1995, Oper. Res. 43,
367). A first round with few labels makes a good tour; the second keeps all that
could be cheaper, so that nothing cheaper exists. Where that would be too many
labels the most promising are followed, and the best tour of all rounds is
returned, without a proof.

Whether one candidate may come after another is a question about the two alone,
neighbours or not: set-ups hold for every pair. Ways that break the triangle
inequality (a detour over a third task is quicker than the direct way) are
judged by that table of pairs too, so what only the detour allows is not in the
tour, and the proof does not speak of it.

Whole numbers and counted steps: the same tour on any machine.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from planner.scheduling.kernels_tour import (
    FAR,
    arcs_of,
    cheapest_tour,
    counts_possible,
    moved,
    onward_cost,
    toward_cost,
    walk_of,
)
from planner.scheduling.problem import NightProblem

TASKS_MAX = 63  # a set of tasks is one machine word
ROOMS = (10, 100, 1000)  # labels kept for a candidate in the first round; more where no tour is found
LABELS_MAX = 2_000_000
STEPS_MAX = 400_000_000
ROUNDS = 60
STEADY = 6  # rounds without a better bound after which penalties change by half as much


@dataclass(frozen=True)
class Devices:
    """What moves from visit to visit, and what each unit of its movement costs.

    Attributes
    ----------
    used : ndarray of uint64 (candidate,)
        Lines, then telescopes, as bits.
    line : ndarray (candidate, 2, line)
        Where carriages stand at the start and at the end; anything where a line is not used.
    angle : ndarray (candidate, 2, 2)
        Azimuth and altitude at the start and at the end.
    line_weight : ndarray (line,)
    angle_weight : ndarray (telescope, 2)
    free : bool
        Whether the carriages of a visit may be shifted together at no cost.
    """

    used: np.ndarray
    line: np.ndarray
    angle: np.ndarray
    line_weight: np.ndarray
    angle_weight: np.ndarray
    free: bool = False

    @property
    def parts(self) -> tuple[object, ...]:
        """What the compiled loops take."""
        return self.used, self.line, self.angle, self.line_weight, self.angle_weight, self.free

    def take(self, kept: np.ndarray) -> Devices:
        """Return the devices of some candidates."""
        return replace(self, used=self.used[kept], line=self.line[kept], angle=self.angle[kept])


def no_devices(count: int) -> Devices:
    """Return what nothing moves for: arcs and candidates have costs of their own."""
    nothing = np.zeros(0, dtype=np.int64)
    return Devices(
        np.zeros(count, dtype=np.uint64),
        np.zeros((count, 2, 0), dtype=np.int64),
        np.zeros((count, 2, 2), dtype=np.int64),
        nothing,
        np.zeros((0, 2), dtype=np.int64),
    )


@dataclass(frozen=True)
class Choices:
    """Candidates for a tour, in the order of their start.

    Attributes
    ----------
    task : ndarray (candidate,)
        From 0 to the number of tasks less one.
    need : ndarray of uint64 (task,)
        Tasks that must come before, as bits.
    start : ndarray (candidate,)
    follows : ndarray of bool (candidate, candidate)
        Whether the second may come after the first, neighbours or not.
    arc : ndarray (candidate, candidate)
        Cost from the first to the second as neighbours; -1 where it cannot follow.
    own : ndarray (candidate,)
        Cost of each candidate itself.
    devices : Devices
        For what is moved past a neighbour that does not use it; arcs count what neighbours share.
    """

    task: np.ndarray
    need: np.ndarray
    start: np.ndarray
    follows: np.ndarray
    arc: np.ndarray
    own: np.ndarray
    devices: Devices

    @property
    def reach(self) -> int:
        """Slots after its start from which every candidate of another task may follow any candidate."""
        ahead = self.start[None, :] - self.start[:, None]
        other = self.task[:, None] != self.task[None, :]
        late = ~self.follows & other & (ahead >= 0)
        return int(ahead[late].max()) + 1 if late.any() else 1

    def take(self, kept: np.ndarray) -> Choices:
        """Return only these candidates."""
        return Choices(
            self.task[kept],
            self.need,
            self.start[kept],
            self.follows[np.ix_(kept, kept)],
            self.arc[np.ix_(kept, kept)],
            self.own[kept],
            self.devices.take(kept),
        )

    def cost(self, tour: Sequence[int]) -> int:
        """Return what a tour costs: its candidates, and every device from where it was used last."""
        total = int(self.own[list(tour)].sum())
        for place, later in enumerate(tour):
            if not place:
                continue
            total += int(self.arc[tour[place - 1], later])
            missing = self.devices.used[later] & ~self.devices.used[tour[place - 1]]
            for earlier in tour[place - 2 :: -1] if place > 1 else ():
                shared = missing & self.devices.used[earlier]
                if shared:
                    total += self._moved(earlier, later, shared)
                    missing &= ~shared
        return total

    def _moved(self, earlier: int, later: int, shared: np.uint64) -> int:
        own = self.devices
        return int(
            moved(
                own.line[earlier, 1],
                own.line[later, 0],
                own.angle[earlier, 1],
                own.angle[later, 0],
                own.line_weight,
                own.angle_weight,
                shared,
                own.free,
            )
        )


@dataclass(frozen=True)
class Tour:
    """A tour.

    Attributes
    ----------
    visits : tuple of int
        Candidates in order; empty when none was found.
    cost : int
    proven : bool
        Whether no tour costs less (or, when it is empty, there is none).
    """

    visits: tuple[int, ...]
    cost: int
    proven: bool


def follows_of(problem: NightProblem) -> np.ndarray:
    """Return which candidate may come after which, (earlier, later)."""
    follows = problem.start[None, :] >= problem.free[:, None]
    for candidate, later in enumerate(problem.late):
        follows[candidate, later] = False
    return np.asarray(follows)


def choices_of(
    problem: NightProblem,
    tasks: tuple[np.ndarray, np.ndarray],
    own: np.ndarray,
    moves: Devices | np.ndarray,
) -> Choices:
    """Lay the candidates of a problem out for a tour.

    Parameters
    ----------
    problem : NightProblem
        Of the candidates to choose from alone.
    tasks : (ndarray (candidate,), ndarray of uint64 (task,))
        Task of each candidate; tasks that must come before each task, as bits.
    own : ndarray (candidate,)
    moves : Devices or ndarray (candidate, candidate)
        What moves between visits, or what an arc costs.
    """
    task, need = tasks
    follows = follows_of(problem)
    may = follows & (task[:, None] != task[None, :])
    # What must come before cannot come after.
    bit = np.uint64(1) << task.astype(np.uint64)
    may &= (need[task][:, None] & bit[None, :]) == 0
    if isinstance(moves, Devices):
        arc, devices = arcs_of(may, moves.parts[:-1], moves.free), moves
    else:
        arc, devices = np.where(may, moves, -1).astype(np.int64), no_devices(len(problem))
    return Choices(task, need, problem.start, follows, arc, own.astype(np.int64), devices)


def least_tour(choices: Choices, given: Sequence[int] = ()) -> Tour:
    """Return the cheapest tour.

    Parameters
    ----------
    choices : Choices
    given : sequence of int
        A tour to start from: it is returned when none is cheaper.
    """
    tasks = len(choices.need)
    best = Tour(tuple(given), choices.cost(given) if len(given) else FAR // 2, False)
    if not tasks or tasks > TASKS_MAX:
        return best
    kept, left, penalty = _bounded(choices, best.cost, np.zeros(tasks, dtype=np.int64), 0)
    for room in ROOMS:
        best, whole = _searched(choices, (kept, left, penalty), best, room)
        if whole or len(best.visits):
            break
    kept, left, penalty = _bounded(choices, best.cost, penalty, ROUNDS)
    best, whole = _searched(choices, (kept, left, penalty), best, 0)
    if not whole:  # too many labels to keep all: the most promising, by the sharper bound
        best, _ = _searched(choices, _bounded(choices, best.cost, penalty, 0), best, ROOMS[-1])
    return replace(best, proven=whole)


def _searched(
    choices: Choices, bound: tuple[np.ndarray, np.ndarray, np.ndarray], best: Tour, room: int
) -> tuple[Tour, bool]:
    """Look for a cheaper tour among the candidates that a bound leaves; tell whether there is none beyond."""
    kept, left, penalty = bound
    if not len(kept):
        return best, True
    few = choices.take(kept)
    graph = (np.ascontiguousarray(few.arc.T), few.follows, few.task, few.need, few.start, choices.reach)
    cost, tour, whole = cheapest_tour(
        graph, few.own, penalty, left, few.devices.parts, best.cost, room, LABELS_MAX, STEPS_MAX
    )
    if len(tour):
        best = Tour(tuple(int(kept[c]) for c in tour), int(cost), False)
    return best, bool(whole)


def _bounded(
    choices: Choices, below: int, penalty: np.ndarray, rounds: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the candidates that a tour cheaper than ``below`` can hold, what can follow each, and penalties.

    Returns
    -------
    kept : ndarray
    left : ndarray (kept, tasks)
        Least cost of so many further visits, with the penalties taken off.
    penalty : ndarray (task,)
    """
    tasks = len(choices.need)
    kept = np.arange(len(choices.task))
    few, before, after = _possible(choices, kept)
    best, highest, steady, part = penalty, -FAR, 0, 1
    for _ in range(rounds + 1):
        own = few.own - penalty[few.task]
        left = onward_cost(few.arc, own, after, tasks)
        walk = walk_of(few.arc, own, left, tasks)
        if not len(walk):
            return kept[:0], left[:0], best
        bound = int(own[walk[0]] + left[walk[0], tasks - 1] + penalty.sum())
        times = np.bincount(few.task[walk], minlength=tasks)
        if bound > highest:
            best, highest, steady = penalty, bound, 0
            through = (toward_cost(few.arc, own, before, tasks)[:, ::-1] + left).min(axis=1)
            cheap = through + penalty.sum() < below
            if not cheap.all():
                kept = kept[cheap]
                few, before, after = _possible(choices, kept)
        else:
            steady += 1
            if steady == STEADY:
                part, steady = part * 2, 0
        wide = int(((times - 1) ** 2).sum())
        if not wide or not len(kept):
            break
        # While no tour is known there is no gap to go by, and a part of the bound stands for it.
        gap = below - bound if below < FAR // 2 else abs(bound) // 10
        penalty = penalty + (1 - times) * max(1, gap // (part * wide))
    return kept, onward_cost(few.arc, few.own - best[few.task], after, tasks), best


def _possible(choices: Choices, kept: np.ndarray) -> tuple[Choices, np.ndarray, np.ndarray]:
    """Return some candidates, and how many visits can come before and after each in a whole tour, as bits."""
    few, tasks = choices.take(kept), len(choices.need)
    before, after = counts_possible(few.arc, few.task, tasks)
    place = np.arange(tasks, dtype=np.uint64)
    one = np.uint64(1)
    early, late = ((bits[:, None] >> place) & one for bits in (before, after))
    both = early[:, ::-1] & late  # k after, and the others before
    after = np.bitwise_or.reduce(both << place, axis=1)
    before = np.bitwise_or.reduce(both[:, ::-1] << place, axis=1)
    return few, before, after
