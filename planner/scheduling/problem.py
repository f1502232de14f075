"""The night as whole numbers: candidate visits, what each is worth, what excludes what.

This is the only place where the night becomes a finite problem. Starts are
slots; ends and set-ups are whole ticks, rounded up (:func:`ticks_up`); values
are whole numbers. Every pair of candidates is judged by exact set-up times.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from planner.constraints.tonight import NightLimits
from planner.scheduling.candidates import RequestOffer
from planner.scheduling.reserved import blocks_of
from planner.scheduling.setup import ticks_up
from planner.scheduling.subarrays import Subarray
from planner.scheduling.table import CandidateTable, candidate_table, longest_wait_ticks, wait_ticks
from planner.scheduling.visits import VisitFamily
from planner.science.coverage import cell_runs

# What the cells of a visit depend on: request, subarray, tick at which the science step starts.
Visit = tuple[int, Subarray, int]
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
    """

    request: np.ndarray
    visits_max: np.ndarray
    start: np.ndarray
    free: np.ndarray
    late: tuple[np.ndarray, ...]
    cells: tuple[np.ndarray, ...]
    value: np.ndarray
    musts: int = 0

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
        number = np.full(len(self), -1)
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
        )

    def follows(self, earlier: int, later: int) -> bool:
        """True when ``later`` may be made after ``earlier``."""
        return bool(self.start[later] >= self.free[earlier] and later not in self.late[earlier])

    def score(self, chosen: Sequence[int]) -> int:
        """Value of a set of candidates: every cell counts once."""
        filled = {int(cell) for candidate in chosen for cell in self.cells[candidate]}
        return int(sum(int(self.value[cell]) for cell in filled))

    def possible(self, chosen: Sequence[int]) -> bool:
        """True when these candidates make a plan: no exclusions, no request served too often."""
        ordered = sorted(chosen, key=lambda candidate: int(self.start[candidate]))
        served = np.bincount(self.request[list(ordered)], minlength=len(self.visits_max))
        if ordered and np.any(served > self.visits_max):
            return False
        return all(self.follows(a, b) for i, a in enumerate(ordered) for b in ordered[i + 1 :])


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
    cells, value = _cells(limits, offers, families, table)
    wanted = [request.visits for request in limits.scenario.requests]
    problem = NightProblem(
        request=np.array(
            [families[f].request if f >= 0 else len(wanted) - 1 - f for f in table.family], dtype=int
        ),
        visits_max=np.array([*wanted, *(1 for _ in blocks)], dtype=int),
        musts=len(blocks),
        start=start,
        free=free,
        late=late,
        cells=cells,
        value=value,
    )
    return problem, table, families


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
        later = np.arange(low, high)
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
    nothing = np.empty(0, dtype=int)
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


def _cells(
    limits: NightLimits,
    offers: Sequence[RequestOffer],
    families: Sequence[VisitFamily],
    table: CandidateTable,
) -> tuple[tuple[np.ndarray, ...], np.ndarray]:
    """Cells of each candidate, numbered over all requests, and the value of each."""
    codes_of = _new_codes(limits, offers, families)
    known: dict[tuple[int, int], int] = {}
    value: list[int] = []
    cached: dict[Visit, np.ndarray] = {}
    cells = []
    for f, r in zip(table.family.tolist(), table.row.tolist(), strict=True):
        if f < 0:
            cells.append(np.array([f]))
            continue
        family = families[f]
        key = (family.request, family.facts.subarray, int(family.start_tick[r, 1]))
        if key not in cached:
            numbers = [known.setdefault((key[0], code), len(known)) for code in codes_of[key]]
            value += [limits.scenario.requests[key[0]].priority] * (len(known) - len(value))
            cached[key] = np.array(numbers, dtype=int)
        cells.append(cached[key])
    cells = [len(value) - 1 - own if len(own) and own[0] < 0 else own for own in cells]
    value += [1 + sum(value)] * len(table.blocks)
    return tuple(cells), np.array(value, dtype=int)


def _new_codes(
    limits: NightLimits, offers: Sequence[RequestOffer], families: Sequence[VisitFamily]
) -> dict[Visit, list[int]]:
    """Codes of the cells that each visit fills and earlier nights have not, sorted."""
    offer_of = {offer.request: offer for offer in offers}
    alike: dict[tuple[int, Subarray], list[VisitFamily]] = {}
    for family in families:
        alike.setdefault((family.request, family.facts.subarray), []).append(family)
    found = {}
    for (request, subarray), own in alike.items():
        offer = offer_of[request]
        runs = cell_runs(offer.codes[subarray])
        start = np.unique(np.concatenate([family.start_tick[:, 1] for family in own]))
        filled = np.zeros((len(start), len(runs.distinct)), dtype=bool)
        for first, last in own[0].facts.step(limits.scenario.requests[request], science=True).recording:
            filled |= runs.during(start + first, start + last)
        filled &= ~np.isin(runs.distinct, offer.filled_before)
        for tick, inside in zip(start.tolist(), filled, strict=True):
            found[request, subarray, tick] = runs.distinct[inside].tolist()
    return found
