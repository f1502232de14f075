"""A better plan without a proof: take some visits out, fill up again, keep what is no worse.

The same problem gives the same plan on any machine: values are whole numbers,
and the draws come from one generator with a fixed seed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from planner.scheduling.problem import NightProblem
from planner.scheduling.stopping import Stop, never

ROUNDS = 3000
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
    gain: np.ndarray


class _Night:
    """A plan under change: what is chosen, what it excludes, what each candidate would add."""

    def __init__(self, problem: NightProblem, clash: np.ndarray):
        self.problem = problem
        self.clash = clash
        self.holds = np.zeros((len(problem), len(problem.value)), dtype=bool)
        for candidate, cells in enumerate(problem.cells):
            self.holds[candidate, cells] = True
        self.holds = np.asfortranarray(self.holds)
        self.chosen: list[int] = []
        self.score = 0
        self.blocked = np.zeros(len(problem), dtype=np.int32)
        self.times = np.zeros(len(problem.value), dtype=np.int32)
        self.left = problem.visits_max.astype(np.int64).copy()
        self.gain = np.array([int(problem.value[cells].sum()) for cells in problem.cells], dtype=np.int64)

    def state(self) -> _State:
        """Return what is needed to come back here."""
        return _State(
            tuple(self.chosen),
            self.score,
            self.blocked.copy(),
            self.times.copy(),
            self.left.copy(),
            self.gain.copy(),
        )

    def restore(self, state: _State) -> None:
        """Come back."""
        self.chosen = list(state.chosen)
        self.score = state.score
        self.blocked, self.times = state.blocked.copy(), state.times.copy()
        self.left, self.gain = state.left.copy(), state.gain.copy()

    def add(self, candidate: int) -> None:
        self.chosen.append(candidate)
        self.score += int(self.gain[candidate])
        self.blocked += self.clash[candidate]
        self.left[self.problem.request[candidate]] -= 1
        cells = self.problem.cells[candidate]
        self._change(cells[self.times[cells] == 0], -1)
        self.times[cells] += 1

    def remove(self, candidate: int) -> None:
        self.chosen.remove(candidate)
        self.blocked -= self.clash[candidate]
        self.left[self.problem.request[candidate]] += 1
        cells = self.problem.cells[candidate]
        self.times[cells] -= 1
        self._change(cells[self.times[cells] == 0], 1)
        self.score -= int(self.gain[candidate])

    def _change(self, cells: np.ndarray, sign: int) -> None:
        if len(cells):
            self.gain += sign * (self.holds[:, cells] @ self.problem.value[cells].astype(np.int64))

    def fill(self, rng: np.random.Generator, length: np.ndarray) -> None:
        """Add visits one by one, each time a good one for the slots that it takes."""
        while True:
            open_ = np.flatnonzero(
                (self.blocked == 0) & (self.left[self.problem.request] > 0) & (self.gain > 0)
            )
            if not len(open_):
                return
            blur = 1.0 + NOISE * rng.random(len(open_))
            self.add(int(open_[int(np.argmax(self.gain[open_] * blur / length[open_]))]))


def improved(
    problem: NightProblem,
    clash: np.ndarray,
    plan: Sequence[int],
    rounds: int = ROUNDS,
    stop: Stop = never,
) -> tuple[int, ...]:
    """Return a plan that is worth as much as the one given, or more.

    Parameters
    ----------
    problem : NightProblem
    clash : ndarray (candidate, candidate)
        From ``exclusions.conflicts``.
    plan : sequence of int
    rounds : int
    stop : callable
        Asked each round whether to end.
    """
    if not len(problem) or not plan:
        return tuple(plan)
    rng = np.random.default_rng(SEED)
    night = _Night(problem, clash)
    for candidate in plan:
        night.add(int(candidate))
    length = np.maximum(problem.free - problem.start, 1).astype(float)
    best = list(night.chosen), night.score
    for _ in range(rounds):
        if stop():
            break
        before = night.state()
        for candidate in _taken_out(night, rng):
            night.remove(candidate)
        night.fill(rng, length)
        if night.score > best[1]:
            best = list(night.chosen), night.score
        elif night.score < before.score and night.score < best[1] - WORSE * (best[1] - problem.must_value):
            night.restore(before)
    return tuple(sorted(best[0], key=lambda candidate: (int(problem.start[candidate]), candidate)))


def _taken_out(night: _Night, rng: np.random.Generator) -> list[int]:
    """Some visits in a row, or some from anywhere."""
    count = int(rng.integers(1, min(TAKEN_OUT_MAX, len(night.chosen)) + 1))
    if rng.random() < 0.6:
        ordered = sorted(night.chosen, key=lambda candidate: int(night.problem.start[candidate]))
        first = int(rng.integers(0, len(ordered) - count + 1))
        return ordered[first : first + count]
    return [int(candidate) for candidate in rng.choice(sorted(night.chosen), size=count, replace=False)]
