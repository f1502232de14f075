"""A better plan without a proof: take some visits out, fill up again, keep what is no worse.

The same problem gives the same plan on any machine: values are whole numbers,
and the draws come from one generator with a fixed seed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from planner.scheduling.graph import levels_of
from planner.scheduling.problem import NightProblem
from planner.scheduling.stopping import Stop, never

ROUNDS = 3000
ROUNDS_A_CANDIDATE = 20
TAKEN_OUT_MAX = 4
NOISE = 0.8  # spread of the factor by which gains are blurred while filling up
WORSE = 0.015  # part of the score that a step may lose: a way out of dead ends
SEED = 20270311


@dataclass(frozen=True)
class _State:
    """A plan as it stood."""

    chosen: tuple[int, ...]
    score: int
    blocked: np.ndarray
    times: np.ndarray
    left: np.ndarray
    budget: np.ndarray
    gain: np.ndarray


class _Night:
    """A plan under change: what is chosen, what it excludes, what each candidate would add.

    What a candidate would add counts cells only: floors, goals and shares are
    in the score of the whole plan.
    """

    def __init__(self, problem: NightProblem, clash: np.ndarray):
        self.problem = problem
        self.clash = clash
        self.holds = np.zeros((len(problem), len(problem.value)), dtype=bool)
        for candidate, cells in enumerate(problem.cells):
            self.holds[candidate, cells] = True
        self.holds = np.asfortranarray(self.holds)
        level = levels_of(problem)
        # What a cell is worth less at each filling; nothing is left to lose after the last.
        self.level = np.concatenate([level, np.zeros((len(level), 1), dtype=level.dtype)], axis=1)
        self.chosen: list[int] = []
        self.score = 0
        self.blocked = np.zeros(len(problem), dtype=np.int32)
        self.times = np.zeros(len(problem.value), dtype=np.int32)
        self.left = problem.visits_max.astype(np.int64).copy()
        rules = problem.rules
        self.budget = np.array([own.most for own in rules.budgets], dtype=np.int64)
        self.takes = np.array(
            [np.where(np.isin(problem.request, own.requests), rules.length, 0) for own in rules.budgets],
            dtype=np.int64,
        ).reshape(len(rules.budgets), len(problem))
        self.gain = np.array([int(problem.value[cells].sum()) for cells in problem.cells], dtype=np.int64)

    def state(self) -> _State:
        """Return what is needed to come back here."""
        return _State(
            tuple(self.chosen),
            self.score,
            self.blocked.copy(),
            self.times.copy(),
            self.left.copy(),
            self.budget.copy(),
            self.gain.copy(),
        )

    def restore(self, state: _State) -> None:
        """Come back."""
        self.chosen = list(state.chosen)
        self.score = state.score
        self.blocked, self.times = state.blocked.copy(), state.times.copy()
        self.left, self.budget, self.gain = state.left.copy(), state.budget.copy(), state.gain.copy()

    def add(self, candidate: int) -> None:
        self.chosen.append(candidate)
        self.blocked += self.clash[candidate]
        self.left[self.problem.request[candidate]] -= 1
        self.budget -= self.takes[:, candidate]
        self._fill(self.problem.cells[candidate], 1)

    def remove(self, candidate: int) -> None:
        self.chosen.remove(candidate)
        self.blocked -= self.clash[candidate]
        self.left[self.problem.request[candidate]] += 1
        self.budget += self.takes[:, candidate]
        self._fill(self.problem.cells[candidate], -1)

    def _fill(self, cells: np.ndarray, sign: int) -> None:
        """Fill cells once more, or once less; what they would add to a plan changes."""
        last = self.level.shape[1] - 1
        before = self.level[cells, np.minimum(self.times[cells], last)]
        self.times[cells] += sign
        change = self.level[cells, np.minimum(self.times[cells], last)] - before
        moved = change != 0
        if moved.any():
            self.gain += self.holds[:, cells[moved]] @ change[moved]

    def rate(self) -> None:
        """Work out the score of the plan as it stands."""
        self.score = self.problem.score(self.problem.supported(self.chosen))

    def fill(self, rng: np.random.Generator, length: np.ndarray) -> None:
        """Add visits one by one, each time a good one for the slots that it takes."""
        while True:
            open_ = np.flatnonzero(
                (self.blocked == 0)
                & (self.left[self.problem.request] > 0)
                & (self.gain > 0)
                & np.all(self.takes <= self.budget[:, None], axis=0)
            )
            if not len(open_):
                break
            blur = 1.0 + NOISE * rng.random(len(open_))
            self.add(int(open_[int(np.argmax(self.gain[open_] * blur / length[open_]))]))
        self.rate()


def improved(
    problem: NightProblem,
    clash: np.ndarray,
    plan: Sequence[int],
    rounds: int | None = None,
    stop: Stop = never,
) -> tuple[int, ...]:
    """Return a plan that is worth as much as the one given, or more.

    Parameters
    ----------
    problem : NightProblem
    clash : ndarray (candidate, candidate)
        From ``exclusions.conflicts``.
    plan : sequence of int
    rounds : int, optional
        Fewer by default where there is little to choose from.
    stop : callable
        Asked each round whether to end.
    """
    if not len(problem) or not plan:
        return tuple(plan)
    rounds = min(ROUNDS, ROUNDS_A_CANDIDATE * len(problem)) if rounds is None else rounds
    rng = np.random.default_rng(SEED)
    night = _Night(problem, clash)
    for candidate in plan:
        night.add(int(candidate))
    night.rate()
    length = np.maximum(problem.free - problem.start, 1).astype(float)
    best = problem.supported(night.chosen), night.score
    for _ in range(rounds):
        if stop():
            break
        before = night.state()
        for candidate in _taken_out(night, rng):
            night.remove(candidate)
        night.fill(rng, length)
        if night.score > best[1]:
            best = problem.supported(night.chosen), night.score
        elif night.score < before.score and night.score < best[1] - WORSE * (best[1] - problem.must_value):
            night.restore(before)
    return problem.in_order(best[0])


def _taken_out(night: _Night, rng: np.random.Generator) -> list[int]:
    """Some visits in a row, or some from anywhere."""
    count = int(rng.integers(1, min(TAKEN_OUT_MAX, len(night.chosen)) + 1))
    if rng.random() < 0.6:
        ordered = sorted(night.chosen, key=lambda candidate: int(night.problem.start[candidate]))
        first = int(rng.integers(0, len(ordered) - count + 1))
        return ordered[first : first + count]
    return [int(candidate) for candidate in rng.choice(sorted(night.chosen), size=count, replace=False)]
