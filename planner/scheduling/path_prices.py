"""Prices on requests that say, for each candidate, what a plan that holds it is worth at most.

Every plan is a path through the candidates. Whatever the prices, a plan with a
given candidate is worth no more than all prices together plus the dearest path
through that candidate (Lagrangian relaxation: Fisher 1981, Management Science
27, 1). So one set of prices bounds every question of the kind "what if this
request had to be served".

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
    """What prices prove, and what finding them took.

    Attributes
    ----------
    at_most : ndarray (candidate,)
        What a plan with each candidate is worth at most, rounded down; only of the candidates that count.
    spent : float
        Units of effort.
    """

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
        self.kept = kept
        self.graph: Graph = graph_of(problem, kept)
        self.most = problem.visits_max.astype(np.int64)

    def round_effort(self) -> float:
        """Units that one round takes."""
        return STEPS_EACH * len(self.kept) / STEPS_PER_UNIT

    def priced(self, score: int, rounds: int) -> Priced:
        """Find prices at which plans are bounded well.

        Parameters
        ----------
        score : int
            Of a plan: no bound falls below it.
        rounds : int
        """
        price = np.zeros(len(self.most), dtype=np.int64)
        best_price, best_value, best_through = price, None, np.empty(0, dtype=np.int64)
        share, stale, made = 1000, 0, 0
        for _ in range(rounds):
            made += 1
            worth = np.asarray(self.graph.value * SCALE - price[self.graph.request])
            after, dearest, path = onward(*self.graph.shape, worth)
            constant = int((price * self.most).sum())
            through = until(*self.graph.shape, worth) + after + constant
            value = int(dearest) + constant
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
            short = self.most - np.bincount(self.graph.request[path], minlength=len(self.most))
            counted = short[(short < 0) | (price > 0)]
            length = max(1, int((counted * counted).sum()))
            step = max(1, (value - score * SCALE) * share // 1000 // length)
            price = np.maximum(0, price - step * short)
        return Priced(best_through // SCALE, made * self.round_effort())
