"""Rules beyond pairs of neighbours: gaps, orders, budgets, and what the visits of a request are worth.

Everything is a whole number. A night without such wishes has ``Rules()``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

NO_GOAL = 1 << 40


@dataclass(frozen=True)
class Budget:
    """Time that some requests share.

    Attributes
    ----------
    requests : tuple of int
    most : int
        Ticks.
    """

    requests: tuple[int, ...]
    most: int


@dataclass(frozen=True)
class Share:
    """The part of the score that some requests should get, in proportion to the shares of others."""

    requests: tuple[int, ...]
    share: int


@dataclass(frozen=True)
class Rules:
    """Rules of a night.

    Attributes
    ----------
    later_value : ndarray (cell, filling)
        Value of a cell that is filled tonight the second time, the third, ...; empty when none counts twice.
    fresh : ndarray of bool (cell,)
        Whether no earlier night has filled it; empty means all.
    floor : mapping
        For a request, how many fresh cells it needs tonight to be worth anything.
    goal : mapping
        For a request, how many fillings count at most: the most valuable.
    whole : frozenset of int
        Requests that are worth nothing with fewer visits than they want.
    again : ndarray (candidate,)
        First slot at which its request may be visited again; empty when there is no gap to keep.
    after : tuple of (int, int)
        Pairs of requests: no visit of the second before a visit of the first.
    needs : tuple of (int, int)
        Pairs of requests: no visit of the first in a plan without one of the second.
    length, end : ndarray (candidate,)
        Ticks that a visit takes from a budget, and the tick at which it ends: a visit that shares its first
        exposure takes the ticks from the end of that to its own.
    budgets : tuple of Budget
    shares : tuple of Share
    fairness : int
        Thousandths taken off what goes beyond a share.
    givers : tuple of ndarray
        For each candidate, the earlier ones that may hand it the calibrator of its first step, sorted;
        empty when no calibrators are shared.
    """

    later_value: np.ndarray = field(default_factory=lambda: np.zeros((0, 0), dtype=int))
    fresh: np.ndarray = field(default_factory=lambda: np.zeros(0, dtype=bool))
    floor: Mapping[int, int] = field(default_factory=dict)
    goal: Mapping[int, int] = field(default_factory=dict)
    whole: frozenset[int] = frozenset()
    again: np.ndarray = field(default_factory=lambda: np.zeros(0, dtype=int))
    after: tuple[tuple[int, int], ...] = ()
    needs: tuple[tuple[int, int], ...] = ()
    length: np.ndarray = field(default_factory=lambda: np.zeros(0, dtype=int))
    end: np.ndarray = field(default_factory=lambda: np.zeros(0, dtype=int))
    budgets: tuple[Budget, ...] = ()
    shares: tuple[Share, ...] = ()
    fairness: int = 0
    givers: tuple[np.ndarray, ...] = ()

    @property
    def plain(self) -> bool:
        """True when exclusions of pairs and cells that count once say everything."""
        return not (
            len(self.later_value)
            or self.floor
            or self.goal
            or self.whole
            or len(self.again)
            or self.after
            or self.needs
            or self.budgets
            or (self.shares and self.fairness)
            or self.givers
        )

    def only(self, kept: np.ndarray, number: np.ndarray) -> Rules:
        """Return the rules of some candidates, numbered anew; ``number`` is -1 for those left out."""
        givers = tuple(number[self.givers[candidate]] for candidate in kept) if self.givers else ()
        return Rules(
            later_value=self.later_value,
            fresh=self.fresh,
            floor=self.floor,
            goal=self.goal,
            whole=self.whole,
            again=self.again[kept] if len(self.again) else self.again,
            after=self.after,
            needs=self.needs,
            length=self.length[kept] if len(self.length) else self.length,
            end=self.end[kept] if len(self.end) else self.end,
            budgets=self.budgets,
            shares=self.shares,
            fairness=self.fairness,
            givers=tuple(own[own >= 0] for own in givers),
        )

    def worth(self, request: int, wanted: int, value: np.ndarray, cells: Sequence[np.ndarray]) -> int:
        """Return what the visits of one request are worth together.

        Parameters
        ----------
        request, wanted : int
            The request, and how many visits it wants.
        value : ndarray (cell,)
            Of the first filling.
        cells : sequence of ndarray
            Cells of each visit.
        """
        if not cells or (request in self.whole and len(cells) < wanted):
            return 0
        filled, times = np.unique(np.concatenate(list(cells)), return_counts=True)
        counted = filled if not len(self.fresh) else filled[self.fresh[filled]]
        if len(counted) < self.floor.get(request, 0):
            return 0
        worths = [value[filled]]
        if len(self.later_value):
            worths += [self.later_value[filled[times > k + 1], k] for k in range(self.later_value.shape[1])]
        every = np.concatenate(worths)
        goal = self.goal.get(request, NO_GOAL)
        if len(every) > goal:
            every = np.sort(every)[len(every) - goal :]
        return int(every.sum())

    def taken(self, chosen: Sequence[int], given: Sequence[int]) -> int:
        """Return the ticks that some visits take from a budget; ``given`` are all visits of the plan."""
        found = 0
        for candidate in chosen:
            before = [c for c in given if self.givers and c in self.givers[candidate]]
            found += int(self.end[candidate] - self.end[before[0]] if before else self.length[candidate])
        return found

    def unfair(self, worth_of: Mapping[int, int]) -> int:
        """Return what fairness takes off a score, rounded up; from what each request is worth."""
        if not (self.shares and self.fairness):
            return 0
        got = [sum(worth_of.get(r, 0) for r in own.requests) for own in self.shares]
        every = sum(own.share for own in self.shares)
        beyond = (max(0, every * v - own.share * sum(got)) for v, own in zip(got, self.shares, strict=True))
        return sum(-(-self.fairness * each // (1000 * every)) for each in beyond)
