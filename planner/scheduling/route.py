"""The night as a route: one visit after another, with the exact set-up between neighbours.

A plan is a path through its visits. Between two visits lies either an arc that
the exact set-up allows, or a stretch of waiting that is long enough for any
set-up. With a price on each candidate, the dearest route through each of them
tells which candidates a good plan can hold: whatever the prices, a plan is
worth no more than the dearest route through its visits plus what each request's
best bundle is worth above its price (weak duality).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from planner.scheduling.problem import NightProblem


@dataclass(frozen=True)
class Route:
    """All ways through a night.

    Attributes
    ----------
    start, ready : ndarray (candidate,)
        Start slot; first slot from which every other candidate may follow.
    tail, head : ndarray (arc,)
        Candidates that may follow each other before ``ready``, sorted by the start of ``head``.
    slots : int
        Number of slots, waiting included.
    """

    start: np.ndarray
    ready: np.ndarray
    tail: np.ndarray
    head: np.ndarray
    slots: int

    def forward(self, price: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return the dearest way up to and with each candidate, and up to waiting at each slot."""
        way = np.full(len(self.start), -np.inf)
        waiting = np.zeros(self.slots + 1)
        first = np.searchsorted(self.start[self.head], np.arange(self.slots + 1))
        for slot in range(self.slots):
            if slot:
                waiting[slot] = max(waiting[slot], waiting[slot - 1])
            here = np.flatnonzero(self.start == slot)
            if len(here):
                way[here] = waiting[slot]
                arcs = slice(first[slot], first[slot + 1])
                np.maximum.at(way, self.head[arcs], way[self.tail[arcs]])
                way[here] += price[here]
                np.maximum.at(waiting, self.ready[here], way[here])
        waiting[self.slots] = max(waiting[self.slots], waiting[self.slots - 1])
        return way, waiting

    def through(self, price: np.ndarray) -> np.ndarray:
        """Return the value of the dearest route through each candidate, (candidate,)."""
        way, _ = self.forward(price)
        after = np.zeros(len(self.start))
        onward = np.zeros(self.slots + 1)
        order = np.argsort(self.start[self.tail], kind="stable")
        tail, head = self.tail[order], self.head[order]
        first = np.searchsorted(self.start[tail], np.arange(self.slots + 1))
        for slot in range(self.slots - 1, -1, -1):
            onward[slot] = onward[slot + 1]
            here = np.flatnonzero(self.start == slot)
            if len(here):
                after[here] = onward[self.ready[here]]
                arcs = slice(first[slot], first[slot + 1])
                np.maximum.at(after, tail[arcs], price[head[arcs]] + after[head[arcs]])
                onward[slot] = max(onward[slot], float((price[here] + after[here]).max()))
        return way + after


def route_of(problem: NightProblem) -> Route:
    """Lay a night out as a route."""
    starts = problem.start
    ready = np.array(
        [
            max([int(problem.free[c]), *(int(starts[other]) + 1 for other in problem.late[c])])
            for c in range(len(problem))
        ],
        dtype=int,
    )
    tails, heads = [], []
    for candidate in range(len(problem)):
        near = np.flatnonzero((starts >= problem.free[candidate]) & (starts < ready[candidate]))
        near = np.setdiff1d(near, problem.late[candidate])
        tails.append(np.full(len(near), candidate))
        heads.append(near)
    tail, head = np.concatenate(tails), np.concatenate(heads)
    order = np.argsort(starts[head], kind="stable")
    return Route(starts, ready, tail[order], head[order], int(ready.max()) + 1)
