"""What the cells of a visit are worth, and what requests ask of each other, in whole numbers."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from planner.constraints.tonight import NightLimits
from planner.scenario.targets import Request
from planner.scheduling.candidates import RequestOffer
from planner.scheduling.rules import Budget, Rules, Share
from planner.scheduling.setup import ticks_up
from planner.scheduling.subarrays import Subarray
from planner.scheduling.table import CandidateTable
from planner.scheduling.visits import SubarrayFacts, VisitFamily
from planner.science.coverage import spatial_frequency_mega_lambda

# What the cells of a visit depend on: request, subarray, tick at which the science step starts.
Visit = tuple[int, Subarray, int]
HOUR_S = 3600.0
ROUNDING_S = 1e-6  # hours that are whole ticks stay so


@dataclass(frozen=True)
class CandidateCells:
    """Cells of every candidate, numbered over all requests.

    Attributes
    ----------
    cells : tuple of ndarray
        For each candidate, the cells that it fills and that still count.
    value : ndarray (cell,)
        Of the first filling tonight.
    later_value : ndarray (cell, filling)
        Of the second filling tonight, the third, ...; empty when none counts.
    fresh : ndarray of bool (cell,)
        Whether no earlier night has filled it.
    """

    cells: tuple[np.ndarray, ...]
    value: np.ndarray
    later_value: np.ndarray
    fresh: np.ndarray


def cell_worths(request: Request, codes: np.ndarray, times: np.ndarray) -> np.ndarray:
    """Return what each cell is worth at its next filling, the one after, ..., (cell, filling).

    Parameters
    ----------
    request : Request
    codes : ndarray (cell,)
        As from ``science.coverage.cell_codes``.
    times : ndarray of int (cell,)
        How often each has been filled before.
    """
    falling = np.array([*request.extras.cell_values, *([0] * len(request.extras.cell_values))])
    levels = np.minimum(times[:, None], len(request.extras.cell_values)) + np.arange(
        len(request.extras.cell_values)
    )
    return np.asarray(request.priority * cell_weights(request, codes)[:, None] * falling[levels])


def cell_weights(request: Request, codes: np.ndarray) -> np.ndarray:
    """Return the weight of each cell by its spatial frequency, (cell,)."""
    weight = np.ones(len(codes), dtype=int)
    if request.extras.frequency_weights:
        frequency = spatial_frequency_mega_lambda(codes, request.field_mas)
        # The first that holds counts, so it is written last.
        for own in reversed(request.extras.frequency_weights):
            inside = (frequency >= own.from_mega_lambda) & (frequency < own.to_mega_lambda)
            weight[inside] = own.weight
    return weight


def times_filled(offer: RequestOffer, codes: np.ndarray) -> np.ndarray:
    """Return how often earlier nights have filled each cell, (cell,)."""
    place = np.searchsorted(offer.filled_before, codes)
    known = np.append(offer.filled_before, -1)[place] == codes
    return np.where(known, np.append(offer.times_before, 0)[place], 0)


def cells_of_candidates(
    limits: NightLimits,
    offers: Sequence[RequestOffer],
    families: Sequence[VisitFamily],
    table: CandidateTable,
) -> CandidateCells:
    """Return the cells of each candidate, and what each cell is worth.

    A block has one cell of its own, worth more than everything that visits can fill.
    """
    requests = limits.scenario.requests
    codes_of = _counted_codes(limits, offers, families)
    known: dict[tuple[int, int], int] = {}
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
            cached[key] = np.array(numbers, dtype=int)
        cells.append(cached[key])
    count = len(known)
    levels = max((len(request.extras.cell_values) for request in requests), default=1)
    worth = np.zeros((count, levels), dtype=int)
    fresh = np.ones(count, dtype=bool)
    owner = np.array([request for request, _ in known], dtype=int)
    codes = np.array([code for _, code in known], dtype=np.int64)
    for offer in offers:
        mine = np.flatnonzero(owner == offer.request)
        times = times_filled(offer, codes[mine])
        found = cell_worths(requests[offer.request], codes[mine], times)
        worth[mine, : found.shape[1]] = found
        fresh[mine] = times == 0
    blocks = len(table.blocks)
    most = 1 + int(worth.sum())
    later = np.concatenate([worth[:, 1:], np.zeros((blocks, levels - 1), dtype=int)])
    return CandidateCells(
        cells=tuple(count - 1 - own if len(own) and own[0] < 0 else own for own in cells),
        value=np.concatenate([worth[:, 0], np.full(blocks, most, dtype=int)]),
        later_value=later if later.any() else np.zeros((0, 0), dtype=int),
        fresh=np.concatenate([fresh, np.ones(blocks, dtype=bool)]),
    )


def filled_by(
    limits: NightLimits, offer: RequestOffer, facts: SubarrayFacts, start: np.ndarray
) -> np.ndarray:
    """Return which cells of a subarray's runs a science step fills, by its start in ticks, (start, cell)."""
    runs, tick_s = offer.runs[facts.subarray], limits.sky.tick_s
    filled = np.zeros((len(start), len(runs.distinct)), dtype=bool)
    for first, last in facts.step(limits.scenario.requests[offer.request], science=True).recording:
        filled |= runs.during((start + first) * tick_s, (start + last) * tick_s)
    return filled


def _counted_codes(
    limits: NightLimits, offers: Sequence[RequestOffer], families: Sequence[VisitFamily]
) -> dict[Visit, list[int]]:
    """Codes of the cells that each visit fills and whose next filling is worth something, sorted."""
    offer_of = {offer.request: offer for offer in offers}
    alike: dict[tuple[int, Subarray], list[VisitFamily]] = {}
    for family in families:
        alike.setdefault((family.request, family.facts.subarray), []).append(family)
    found = {}
    for (request, subarray), own in alike.items():
        offer, wish = offer_of[request], limits.scenario.requests[request]
        runs = offer.runs[subarray]
        start = np.unique(np.concatenate([family.start_tick[:, 1] for family in own]))
        filled = filled_by(limits, offer, own[0].facts, start)
        filled &= cell_worths(wish, runs.distinct, times_filled(offer, runs.distinct))[:, 0] > 0
        for tick, inside in zip(start.tolist(), filled, strict=True):
            found[request, subarray, tick] = runs.distinct[inside].tolist()
    return found


def night_rules(
    limits: NightLimits,
    offers: Sequence[RequestOffer],
    table: CandidateTable,
    request: np.ndarray,
    found: CandidateCells,
) -> Rules:
    """Return the rules that the requests and programs of a night make; ``request`` is each candidate's."""
    scenario = limits.scenario
    place = {request.name: number for number, request in enumerate(scenario.requests)}
    wishes = [(number, request.extras) for number, request in enumerate(scenario.requests)]

    def members(names: Sequence[str]) -> tuple[int, ...]:
        """Requests of these targets; a question about some targets only leaves the others out."""
        return tuple(place[name] for name in names if name in place)

    floor, goal = {}, {}
    for offer in offers:
        cells_floor, cells_goal = floor_and_goal(scenario.requests[offer.request], offer)
        if cells_floor > 0:
            floor[offer.request] = cells_floor
        if cells_goal is not None:
            goal[offer.request] = cells_goal
    budgets = tuple(
        Budget(members(own.targets), int((own.hours_max * HOUR_S + ROUNDING_S) // limits.sky.tick_s))
        for own in scenario.programs
        if own.hours_max is not None
    )
    fair = scenario.plan.fairness > 0 and len(scenario.programs) > 1
    return Rules(
        later_value=found.later_value,
        fresh=np.zeros(0, dtype=bool) if found.fresh.all() else found.fresh,
        floor=floor,
        goal=goal,
        whole=frozenset(n for n, own in wishes if own.all_or_nothing and scenario.requests[n].visits > 1),
        again=_again(limits, table, request),
        after=tuple((place[own.after], n) for n, own in wishes if own.after in place),
        needs=tuple((n, place.get(own.only_with, -1)) for n, own in wishes if own.only_with is not None),
        length=budget_ticks(limits, table) if budgets else np.zeros(0, dtype=int),
        end=table.end_tick if budgets else np.zeros(0, dtype=int),
        budgets=budgets,
        shares=tuple(Share(members(own.targets), own.share) for own in scenario.programs) if fair else (),
        fairness=round(1000 * scenario.plan.fairness) if fair else 0,
    )


def floor_and_goal(request: Request, offer: RequestOffer) -> tuple[int, int | None]:
    """Return the fresh cells that a request still needs, and the fillings that still count (None: all)."""
    own = request.extras
    weighted = cell_weights(request, offer.filled_before) > 0
    times = np.minimum(offer.times_before[weighted], len(own.cell_values))
    cells_floor = max(0, own.cells_floor - int(np.count_nonzero(weighted)))
    return cells_floor, None if own.cells_goal is None else max(0, own.cells_goal - int(times.sum()))


def budget_ticks(limits: NightLimits, table: CandidateTable) -> np.ndarray:
    """Return what each candidate takes from a budget, ticks: its first capture, its steps and set-ups."""
    return np.asarray(table.end_tick - table.start_tick + ticks_up(table.capture_s, limits.sky.tick_s))


def _again(limits: NightLimits, table: CandidateTable, request: np.ndarray) -> np.ndarray:
    """First slot at which a request may be visited again after each candidate; empty without a gap."""
    wishes = limits.scenario.requests
    gap_s = [own.extras.gap_min_h * HOUR_S if own.visits > 1 else 0.0 for own in wishes]
    if not any(gap_s):
        return np.zeros(0, dtype=int)
    first, per_slot, tick_s = limits.sky.first_slot, limits.sky.ticks_per_slot, limits.sky.tick_s
    # To a thousandth of a tick: a gap of whole ticks stays one.
    ticks = [math.ceil(round(own / tick_s, 3)) for own in gap_s]
    gap = np.array([*ticks, 0])[np.minimum(request, len(wishes))]
    return np.where(gap > 0, -(-(table.end_tick + gap - first) // per_slot), 0)
