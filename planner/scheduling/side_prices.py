"""Prices on what requests share: time budgets, visits that go together, fair shares of the score.

No plan is worth more than the dearest path after prices, plus what the prices
allow, whatever the prices are: budgets and requests that go together are
linear, so they are priced like any other limit; what fairness takes off is
never less than a part of the excess, so a price on the excess is a weight on
the values of each program's requests.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from planner.scheduling.problem import NightProblem
from planner.scheduling.rules import Rules

WHOLE = 1000  # a weight of one


@dataclass(frozen=True)
class SidePrices:
    """Prices beside those on requests.

    Attributes
    ----------
    problem : NightProblem
    request, value : ndarray (candidate,)
        Of the candidates that count.
    row : ndarray (limit, candidate)
        What a candidate takes from each limit; negative where it gives.
    most : ndarray (limit,)
        What there is of each.
    size : ndarray (limit,)
        What a candidate usually takes.
    price : ndarray (limit,)
        Thousandths of a value.
    excess : ndarray (program,)
        Thousandths of the excess of each program that are taken off.
    """

    problem: NightProblem
    request: np.ndarray
    value: np.ndarray
    row: np.ndarray
    most: np.ndarray
    size: np.ndarray
    price: np.ndarray
    excess: np.ndarray

    @classmethod
    def none(cls, problem: NightProblem, kept: np.ndarray) -> SidePrices:
        """Return prices of nothing for some candidates."""
        rules, request = problem.rules, problem.request[kept]
        rows, most = [], []
        for budget in rules.budgets:
            rows.append(np.where(np.isin(request, budget.requests), _least_taken(rules, kept), 0))
            most.append(budget.most)
        for own, other in rules.needs:
            visits = int(problem.visits_max[own])
            rows.append((request == own).astype(int) - visits * (request == other))
            most.append(0)
        row = np.array(rows, dtype=np.int64).reshape(len(most), len(request))
        size = [max(1, int(np.median(own[own > 0]))) if np.any(own > 0) else 1 for own in row]
        value = np.array([int(problem.value[problem.cells[candidate]].sum()) for candidate in kept])
        return cls(
            problem=problem,
            request=request,
            value=value.astype(np.int64),
            row=row,
            most=np.array(most, dtype=np.int64),
            size=np.array(size, dtype=np.int64),
            price=np.zeros(len(most), dtype=np.int64),
            excess=np.zeros(len(rules.shares) if rules.fairness else 0, dtype=np.int64),
        )

    def only(self, held: np.ndarray) -> SidePrices:
        """Return the same prices for some of the candidates."""
        return replace(self, request=self.request[held], value=self.value[held], row=self.row[:, held])

    @property
    def idle(self) -> bool:
        """Whether nothing has a price."""
        return not (self.price.any() or self.excess.any())

    @property
    def of_candidate(self) -> np.ndarray | int:
        """Price of each candidate, thousandths, (candidate,)."""
        return np.asarray(self.price @ self.row) if len(self.row) else 0

    @property
    def constant(self) -> int:
        """What the prices allow."""
        return int((self.price * self.most).sum())

    @property
    def weight(self) -> np.ndarray:
        """Weight of the value of each request, thousandths and rounded up, (request,)."""
        found = np.full(len(self.problem.visits_max), WHOLE, dtype=np.int64)
        rules = self.problem.rules
        if not len(self.excess):
            return found
        shares = np.array([own.share for own in rules.shares], dtype=np.int64)
        every = int(shares.sum())
        given = int((self.excess * shares).sum())
        for own, excess in zip(rules.shares, self.excess.tolist(), strict=True):
            taken = rules.fairness * (excess * every - given) // (WHOLE * every)
            found[list(own.requests)] = WHOLE - taken
        return found

    def levels(self, cells: tuple[np.ndarray, ...]) -> tuple[np.ndarray, ...]:
        """Return what a search needs to count cells, in thousandths of a value.

        Weights of fairness are left out: a search may be wrong by them.
        """
        begin, cell, level, start, ready = cells
        return begin, cell, level * WHOLE, start, ready

    def short(self, path: np.ndarray) -> np.ndarray:
        """Return what a path leaves of each limit, in usual sizes, thousandths; negative: too much, (limit,).

        A limit that has no price and is kept does not count.
        """
        left = WHOLE * (self.most - self.row[:, path].sum(axis=1)) // self.size
        return np.where((left < 0) | (self.price > 0), left, 0)

    def moved(self, path: np.ndarray, step: int, share: int) -> SidePrices:
        """Return prices moved against what a path takes too much of, or leaves.

        Parameters
        ----------
        path : ndarray
            Places of its candidates.
        step : int
            Thousandths of a value, for a limit of which one usual size is left.
        share : int
            Of 1000; how bold steps are.
        """
        price, excess = self.price, self.excess
        if len(self.row):
            price = np.maximum(0, price - step * self.short(path) // (WHOLE * self.size))
        if len(excess):
            shares = self.problem.rules.shares
            got = np.array(
                [int(self.value[path][np.isin(self.request[path], own.requests)].sum()) for own in shares]
            )
            every = sum(own.share for own in shares)
            beyond = np.array(
                [every * v - own.share * int(got.sum()) for v, own in zip(got, shares, strict=True)]
            )
            excess = np.clip(excess + np.sign(beyond) * max(1, share // 5), 0, WHOLE)
        return replace(self, price=price, excess=excess)


def _least_taken(rules: Rules, kept: np.ndarray) -> np.ndarray:
    """Ticks that each candidate takes from a budget at least, whatever exposure it shares, (candidate,)."""
    least = rules.length[kept]
    if rules.givers:
        shared = [int((rules.end[c] - rules.end[rules.givers[c]]).min(initial=1 << 40)) for c in kept]
        least = np.minimum(least, shared)
    return np.asarray(least)
