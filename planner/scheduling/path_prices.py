"""Prices on requests that say, for each candidate, what a plan that holds it is worth at most.

Every plan is a path through the candidates. Whatever the prices, a plan with a
given candidate is worth no more than all prices together plus the dearest path
through that candidate (Lagrangian relaxation: Fisher 1981, Management Science
27, 1). So one set of prices bounds every question of the kind "what if this
request had to be served"; a few more rounds at prices of its own make the
answer sharper.

Prices are whole thousandths of a value, so that a run repeats itself on any machine.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from planner.scheduling.graph import Graph, graph_of
from planner.scheduling.kernels import onward, until
from planner.scheduling.problem import NightProblem
from planner.scheduling.relaxation import SCALE, STEPS_PER_UNIT

STEPS_EACH = 40  # of work for a candidate and round: there and back
STALE = 8
LEAST_SHARE = 3


@dataclass(frozen=True)
class Priced:
    """Prices, and what they prove.

    Attributes
    ----------
    price : ndarray (request,)
        Thousandths of a value.
    at_most : ndarray (candidate,)
        What a plan with each candidate is worth at most, rounded down; only of the candidates that count.
    spent : float
        Units of effort.
    """

    price: np.ndarray
    at_most: np.ndarray
    spent: float


class PathPrices:
    """A night ready to be priced.

    Parameters
    ----------
    problem : NightProblem
    kept : ndarray
        Candidates that count, sorted.
    """

    def __init__(self, problem: NightProblem, kept: np.ndarray):
        self.problem, self.kept = problem, kept
        self.graph: Graph = graph_of(problem, kept)
        self.most = problem.visits_max.astype(np.int64)
        self.start = problem.start[kept]

    def round_effort(self) -> float:
        """Units that one round takes."""
        return STEPS_EACH * len(self.kept) / STEPS_PER_UNIT

    def priced(
        self, score: int, rounds: int, price: np.ndarray | None = None, holds: np.ndarray | None = None
    ) -> Priced:
        """Find prices at which plans are bounded well.

        Parameters
        ----------
        score : int
            Of a plan: no bound falls below it.
        rounds : int
        price : ndarray (request,), optional
            To start from.
        holds : ndarray of bool (kept,), optional
            Bound the plans that hold one of these; all plans when left out.
        """
        price = np.zeros(len(self.most), dtype=np.int64) if price is None else price
        best_price, best_value, best_through = price, None, np.empty(0, dtype=np.int64)
        share, stale, made = 1000, 0, 0
        for _ in range(rounds):
            made += 1
            worth = np.asarray(self.graph.value * SCALE - price[self.graph.request])
            after = onward(*self.graph.shape, worth)[0]
            before = until(*self.graph.shape, worth)
            through = before + after + int((price * self.most).sum())
            top = int(
                np.argmax(through if holds is None else np.where(holds, through, np.iinfo(np.int64).min))
            )
            value = int(through[top])
            if best_value is None or value < best_value:
                best_price, best_value, best_through, stale = price, value, through, 0
            else:
                stale += 1
                if stale >= STALE:
                    share, stale, price = share // 2, 0, best_price
                    if share < LEAST_SHARE:
                        break
            if value // SCALE <= score:
                break
            short = self.most - np.bincount(
                self.graph.request[self._through(top, worth, (before, after))], minlength=len(self.most)
            )
            counted = short[(short < 0) | (price > 0)]
            length = max(1, int((counted * counted).sum()))
            step = max(1, (value - score * SCALE) * share // 1000 // length)
            price = np.maximum(0, price - step * short)
        return Priced(best_price, best_through // SCALE, made * self.round_effort())

    def _through(self, top: int, worth: np.ndarray, ends: tuple[np.ndarray, np.ndarray]) -> list[int]:
        """The dearest path through a candidate, as places among those that count."""
        before, after = ends
        path, place = [top], top
        while after[place] > 0:
            like = np.flatnonzero((worth + after == after[place]) & (self.start > self.start[place]))
            found = next((int(c) for c in like if self._follows(place, int(c))), None)
            if found is None:
                break
            path.append(found)
            place = found
        place = top
        while before[place] > worth[place]:
            like = np.flatnonzero((before == before[place] - worth[place]) & (self.start < self.start[place]))
            found = next((int(c) for c in like if self._follows(int(c), place)), None)
            if found is None:
                break
            path.append(found)
            place = found
        return path

    def _follows(self, earlier: int, later: int) -> bool:
        return self.problem.follows(int(self.kept[earlier]), int(self.kept[later]))
