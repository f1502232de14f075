"""The night as whole numbers: candidate visits, what each is worth, what excludes what.

This is the only place where the night becomes a finite problem. Starts are
slots; ends and set-ups are whole ticks, rounded up (:func:`ticks_up`); values
are whole numbers. Every pair of candidates is judged by exact set-up times.
"""

from __future__ import annotations

import itertools
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from planner.constraints.tonight import NightLimits
from planner.scheduling.candidates import RequestOffer
from planner.scheduling.cell_values import cells_of_candidates, night_rules
from planner.scheduling.reserved import blocks_of
from planner.scheduling.rules import Rules
from planner.scheduling.setup import ticks_up
from planner.scheduling.sharing import givers_of
from planner.scheduling.table import CandidateTable, candidate_table, longest_wait_ticks, wait_ticks
from planner.scheduling.visits import VisitFamily

BATCH = 1 << 14  # pairs that are judged at once: they stay in a processor's cache


@dataclass(frozen=True)
class NightProblem:
    """What the solver sees.

    Attributes
    ----------
    request : ndarray (candidate,)
        Which request a candidate serves.
    visits_max : ndarray (request,)
        How many visits a request may get.
    start : ndarray (candidate,)
        Start slot; candidates are sorted by it.
    free : ndarray (candidate,)
        First slot at which any other candidate may start after this one.
    late : tuple of ndarray
        For each candidate, the candidates that start at its ``free`` slot or
        later and are still excluded, because their set-up is longer.
    cells : tuple of ndarray
        For each candidate, the cells it fills (numbered over all requests); none of those that earlier
        nights have filled.
    value : ndarray (cell,)
        Priority times value of each cell.
    musts : int
        How many of the last requests must be served: time that is not for stars. Each has one cell of its
        own, at the end of ``value``, worth more than everything else together.
    rules : Rules
        What hangs together beyond pairs of visits.
    """

    request: np.ndarray
    visits_max: np.ndarray
    start: np.ndarray
    free: np.ndarray
    late: tuple[np.ndarray, ...]
    cells: tuple[np.ndarray, ...]
    value: np.ndarray
    musts: int = 0
    rules: Rules = field(default_factory=Rules)

    @property
    def must_value(self) -> int:
        """Value of all that must be made."""
        return int(self.value[len(self.value) - self.musts :].sum())

    def must_of(self, chosen: Sequence[int]) -> int:
        """Value of what must be made and is, in a set of candidates."""
        first = len(self.visits_max) - self.musts
        cells = [cell for c in chosen if self.request[c] >= first for cell in self.cells[c].tolist()]
        return int(sum(self.value[cell] for cell in cells))

    def __len__(self) -> int:
        return len(self.request)

    def only(self, kept: np.ndarray) -> NightProblem:
        """Return the problem of these candidates alone (sorted numbers), numbered anew in their order."""
        number = np.full(len(self), -1, dtype=np.int32)
        number[kept] = np.arange(len(kept))
        late = tuple(number[self.late[candidate]] for candidate in kept)
        return NightProblem(
            request=self.request[kept],
            visits_max=self.visits_max,
            start=self.start[kept],
            free=self.free[kept],
            late=tuple(later[later >= 0] for later in late),
            cells=tuple(self.cells[candidate] for candidate in kept),
            value=self.value,
            musts=self.musts,
            rules=self.rules.only(kept, number),
        )

    def follows(self, earlier: int, later: int) -> bool:
        """True when ``later`` may be made after ``earlier``."""
        rules, mine, other = self.rules, int(self.request[earlier]), int(self.request[later])
        if (other, mine) in rules.after:
            return False
        if mine == other and len(rules.again) and self.start[later] < rules.again[earlier]:
            return False
        if self.start[later] >= self.free[earlier] and later not in self.late[earlier]:
            return True
        return bool(rules.givers) and earlier in rules.givers[later]

    def worth_of(self, chosen: Sequence[int]) -> dict[int, int]:
        """What each request is worth that some of these candidates serve."""
        own: dict[int, list[np.ndarray]] = defaultdict(list)
        for candidate in chosen:
            own[int(self.request[candidate])].append(self.cells[candidate])
        wanted = self.visits_max
        return {r: self.rules.worth(r, int(wanted[r]), self.value, cells) for r, cells in own.items()}

    def score(self, chosen: Sequence[int]) -> int:
        """Value of a set of candidates: what their requests are worth, less what fairness takes off."""
        worth_of = self.worth_of(chosen)
        return sum(worth_of.values()) - self.rules.unfair(worth_of)

    def fits(self, chosen: Sequence[int]) -> bool:
        """True when no two of these exclude each other, and no request or budget gets too much."""
        ordered = sorted(chosen, key=lambda candidate: int(self.start[candidate]))
        served = np.bincount(self.request[list(ordered)], minlength=len(self.visits_max))
        if ordered and np.any(served > self.visits_max):
            return False
        for budget in self.rules.budgets:
            mine = [candidate for candidate in chosen if self.request[candidate] in budget.requests]
            if self.rules.taken(mine, chosen) > budget.most:
                return False
        return all(self.follows(a, b) for i, a in enumerate(ordered) for b in ordered[i + 1 :])

    def possible(self, chosen: Sequence[int]) -> bool:
        """True when these candidates make a plan."""
        return self.fits(chosen) and len(self.supported(chosen)) == len(chosen)

    def in_order(self, chosen: Iterable[int]) -> tuple[int, ...]:
        """Return candidates in the order of their start; of equals the smaller number first."""
        return tuple(sorted(chosen, key=lambda candidate: (int(self.start[candidate]), candidate)))

    def supported(self, chosen: Sequence[int]) -> tuple[int, ...]:
        """Leave out what lacks a visit of another request, or of its own, in the order given."""
        kept = list(chosen)
        while self.rules.needs or self.rules.whole:
            there = Counter(int(self.request[c]) for c in kept)
            lacking = {r for r, other in self.rules.needs if not there[other]}
            lacking |= {r for r in self.rules.whole if there[r] < self.visits_max[r]}
            left = [c for c in kept if int(self.request[c]) not in lacking]
            if len(left) == len(kept):
                break
            kept = left
        return tuple(kept)


def night_problem(
    limits: NightLimits, offers: Sequence[RequestOffer]
) -> tuple[NightProblem, CandidateTable, tuple[VisitFamily, ...]]:
    """Build the whole-number problem of a night from what is offered, and from time that is not for stars.

    The k-th block is a request after the scenario's own; its candidates share
    one cell that is worth more than the whole night, so that the best plan holds it.
    """
    families = tuple(family for offer in offers for family in offer.families)
    # What fits nowhere is told in the plan; a block without a start is no candidate.
    blocks = blocks_of(limits)
    table = candidate_table(limits, families, blocks)
    first, per_slot = limits.sky.first_slot, limits.sky.ticks_per_slot
    start = (table.start_tick - first) // per_slot
    free, late = _exclusions(limits, table, start)
    found = cells_of_candidates(limits, offers, families, table)
    wanted = [request.visits for request in limits.scenario.requests]
    request = np.array([families[f].request if f >= 0 else len(wanted) - 1 - f for f in table.family], int)
    problem = NightProblem(
        request=request,
        visits_max=np.array([*wanted, *(1 for _ in blocks)], dtype=int),
        musts=len(blocks),
        start=start,
        free=free,
        late=late,
        cells=found.cells,
        value=found.value,
        rules=night_rules(limits, offers, table, request, found),
    )
    if limits.scenario.plan.share_calibrators:
        givers = clear_givers(problem, givers_of(limits, table, families))
        problem = replace(problem, rules=replace(problem.rules, givers=givers))
    return problem, table, families


def clear_givers(problem: NightProblem, givers: Sequence[np.ndarray]) -> tuple[np.ndarray, ...]:
    """Leave out the givers that a gap or an order of requests forbids; nothing when none is left."""
    rules = problem.rules
    apart = {pair for first, second in rules.after for pair in ((first, second), (second, first))}
    if len(rules.again):
        apart |= {(int(r), int(r)) for r in np.unique(problem.request[rules.again > 0])}
    kept = []
    for candidate, own in enumerate(givers):
        mine = int(problem.request[candidate])
        allowed = [(int(r), mine) not in apart for r in problem.request[own]]
        kept.append(own[np.array(allowed, dtype=bool)])
    return tuple(kept) if any(len(own) for own in kept) else ()


def _exclusions(
    limits: NightLimits, table: CandidateTable, start: np.ndarray
) -> tuple[np.ndarray, tuple[np.ndarray, ...]]:
    """First free slot after each candidate, and later ones that a longer set-up still excludes."""
    first, per_slot = limits.sky.first_slot, limits.sky.ticks_per_slot
    longest = longest_wait_ticks(limits)
    free = -(-(table.end_tick + longest - first) // per_slot)
    late: list[list[np.ndarray]] = [[] for _ in start]
    # Only between the end and the longest possible set-up the pair decides. Starts stand in order, so
    # what is found of ``free`` up to a start is all that counts there.
    edges = [*np.flatnonzero(np.diff(table.start_tick, prepend=-1)).tolist(), len(start)]
    for low, high in itertools.pairwise(edges):
        tick = table.start_tick[low]
        earlier = np.flatnonzero((table.end_tick <= tick) & (table.end_tick + longest > tick))
        later = np.arange(low, high, dtype=np.int32)  # a queue of 100 requests excludes ten million pairs
        rows = max(1, BATCH // len(later))
        for begin in range(0, len(earlier), rows):
            own = earlier[begin : begin + rows]
            fits = _fits(limits, table, own, later)
            free[own] = np.where(fits.any(axis=1), np.minimum(free[own], start[low]), free[own])
            excluded = ~fits & (free[own] <= start[low])[:, None]
            names = later[np.nonzero(excluded)[1]]
            ends = np.cumsum(np.count_nonzero(excluded, axis=1)).tolist()
            for candidate, (one, other) in zip(own.tolist(), itertools.pairwise([0, *ends]), strict=True):
                if other > one:
                    late[candidate].append(names[one:other])
    nothing = np.empty(0, dtype=np.int32)
    return free, tuple(np.concatenate(found) if found else nothing for found in late)


def _fits(limits: NightLimits, table: CandidateTable, earlier: np.ndarray, later: np.ndarray) -> np.ndarray:
    """Where the set-up from each of some candidates to each of others finds time, (earlier, later)."""
    gap = table.start_tick[later] - table.end_tick[earlier][:, None]
    fits = np.zeros(gap.shape, dtype=bool)
    # Capturing the star takes its time, whatever has to move.
    rows = np.flatnonzero(gap.max(axis=1) >= ticks_up(table.capture_s[later].min(), limits.sky.tick_s))
    if len(rows):
        fits[rows] = gap[rows] >= wait_ticks(limits, table, earlier[rows][:, None], later[None, :])
    return fits
