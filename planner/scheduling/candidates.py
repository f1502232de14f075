"""From limits to candidates: which subarrays, calibrators, starts and turns are offered.

The offer is cut to a size that a proof can cover: a few subarrays for each
request (by reachable value), a few calibrators (the nearest that work), a few
brackets at each start (the shortest). The effort in ``scenario.toml`` sets how
many; the bound of a plan is over all plans of these candidates.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from planner.constraints.brightness import bright_enough
from planner.constraints.delay_range import delay_range
from planner.constraints.instrument import bracket_distance_deg, calibrator_visibility
from planner.constraints.tonight import NightLimits
from planner.geometry.baselines import baseline_vectors_m, lengths_m, pairs
from planner.geometry.uv import uvw_m
from planner.scheduling.light import differential_m, light_limits, with_tracking
from planner.scheduling.reserved import clear_of_reserved
from planner.scheduling.setup import ticks_up
from planner.scheduling.subarrays import Subarray, assign_lines, possible_subarrays
from planner.scheduling.visits import (
    TURNS,
    StarOnBeams,
    SubarrayFacts,
    VisitFamily,
    facts_of,
    star_on_beams,
    visit_family,
)
from planner.science.coverage import cell_codes
from planner.science.history import filled_before


@dataclass(frozen=True)
class RequestOffer:
    """What the night holds for one request.

    Attributes
    ----------
    request : int
    families : tuple of VisitFamily
    subarrays : tuple of Subarray
        All that can serve it at some slot, best first.
    reachable : ndarray
        Codes of every cell that some subarray reaches while it is usable, those of earlier nights left out.
    codes : dict
        For each subarray in use, cell codes (time, baseline, channel).
    filled_before : ndarray
        Codes of every cell that earlier nights have filled, in reach tonight or not: they are worth nothing.
    """

    request: int
    families: tuple[VisitFamily, ...]
    subarrays: tuple[Subarray, ...]
    reachable: np.ndarray
    codes: dict[Subarray, np.ndarray]
    filled_before: np.ndarray

    def fresh(self, codes: np.ndarray) -> np.ndarray:
        """Return the distinct cells among ``codes`` that earlier nights have not filled, sorted."""
        return np.setdiff1d(codes, self.filled_before)


def night_offers(limits: NightLimits) -> tuple[RequestOffer, ...]:
    """Work out every visit that is offered to the solver, request by request."""
    serving = _serving_subarrays(limits)
    return tuple(
        _offer(limits, request, serving[request]) for request in range(len(limits.scenario.requests))
    )


def _serving_subarrays(limits: NightLimits) -> list[list[Subarray]]:
    """All subarrays with their lines that can serve each request at some slot."""
    scenario, placement = limits.scenario, limits.placement
    serving: list[list[Subarray]] = [[] for _ in scenario.requests]
    alike: dict[tuple[int, str | None, bool], list[int]] = {}
    names = [combiner.name for combiner in scenario.array.combiners]
    for number, request in enumerate(scenario.requests):
        own = request.extras
        key = (names.index(request.combiner), own.spectral_setup, own.second_star is not None)
        alike.setdefault(key, []).append(number)
    # In the order of the combiners; within one, of the first request.
    for _, asked in sorted(alike.items(), key=lambda entry: (entry[0][0], entry[1])):
        combiner = scenario.combiner_of(scenario.requests[asked[0]])
        wanted: dict[tuple[int, ...], list[int]] = {}
        for number in asked:
            wish = scenario.requests[number]
            bright = bright_enough(scenario, wish, [wish.star], True, placement.classes)[0]
            for telescopes in possible_subarrays(placement, combiner, wish):
                if bright[list(telescopes)].all():
                    wanted.setdefault(telescopes, []).append(number)
        for telescopes, requests in sorted(wanted.items()):
            for number, subarray in assign_lines(limits, combiner, telescopes, requests).items():
                usable = _in_reach(limits, subarray, number)
                serving[number].append(with_tracking(limits, number, subarray, usable))
    return serving


def _offer(limits: NightLimits, request: int, subarrays: Sequence[Subarray]) -> RequestOffer:
    scenario, effort = limits.scenario, limits.scenario.effort
    wish = scenario.requests[request]
    combiner = scenario.combiner_of(wish)
    every_pair = baseline_vectors_m(limits.placement.vectors_m)
    before = filled_before(scenario, wish)
    if not subarrays:
        return RequestOffer(request, (), (), np.empty(0, dtype=np.int64), {}, before)
    uv = uvw_m(limits.sky.icrs_rad[[request]], limits.sky.frame.rotation, every_pair)[0, :, :, :2]
    codes = cell_codes(uv, combiner.wavelengths_um, wish.field_mas)
    ranked = []
    for subarray in subarrays:
        facts = facts_of(limits, subarray)
        columns = pair_columns(len(limits.placement.telescopes), subarray.telescopes)
        reached = np.setdiff1d(codes[usable_ticks(limits, subarray, request)][:, columns], before)
        ranked.append((-len(reached), subarray.telescopes, facts, columns, reached))
    ranked.sort(key=lambda entry: entry[:2])
    families: list[VisitFamily] = []
    for *_, facts, _, _ in ranked[: effort.subarrays_per_request]:
        families += families_of(limits, request, facts)
    return RequestOffer(
        request=request,
        families=tuple(families),
        subarrays=tuple(entry[2].subarray for entry in ranked),
        reachable=np.unique(np.concatenate([entry[4] for entry in ranked])),
        codes={entry[2].subarray: codes[:, entry[3]] for entry in ranked[: effort.subarrays_per_request]},
        filled_before=before,
    )


def pair_columns(telescopes: int, chosen: Sequence[int]) -> np.ndarray:
    """Return where the pairs of ``chosen`` stand among all pairs of ``telescopes``, (pair,)."""
    table = {(int(i), int(j)): column for column, (i, j) in enumerate(pairs(telescopes))}
    return np.array([table[pair] for pair in itertools.combinations(sorted(chosen), 2)], dtype=int)


def usable_ticks(limits: NightLimits, subarray: Subarray, request: int) -> np.ndarray:
    """Return the ticks at which a subarray can follow a request's target, (time,)."""
    facts = facts_of(limits, subarray)
    kept = [verdict.allowed for verdict in light_limits(limits, facts, request, request)]
    return np.logical_and.reduce([_in_reach(limits, subarray, request), *kept])


def _in_reach(limits: NightLimits, subarray: Subarray, request: int) -> np.ndarray:
    """The ticks at which everything but the light path's own limits allows a request's target, (time,)."""
    wish = limits.scenario.requests[request]
    telescopes = np.array(subarray.telescopes)
    facts = facts_of(limits, subarray)
    in_range = delay_range(facts.path_m(limits, request)[None], facts.stroke_m).allowed[0]
    in_window = limits.window(wish).allowed
    return limits.allowed(wish, request, telescopes, science=True) & in_range & in_window


def calibrators_for(
    limits: NightLimits, request: int, facts: SubarrayFacts, science: StarOnBeams
) -> list[StarOnBeams]:
    """Return the calibrators offered to a request on a subarray, nearest first.

    A calibrator must be bright enough for every class, little resolved on the
    longest baseline, within the bracket distance, and usable itself with the
    same beams. Those usable for at least half of the science star's time come
    before those that are not.
    """
    scenario = limits.scenario
    first = len(scenario.requests)
    stars = first + np.arange(len(scenario.calibrators))
    middle = len(limits.sky.times) // 2
    distance = bracket_distance_deg(limits.sky.direction[:, middle], request, stars)
    telescopes = np.array(facts.subarray.telescopes)
    longest = float(lengths_m(baseline_vectors_m(limits.placement.vectors_m[telescopes])).max())
    classes = [limits.placement.classes[i] for i in telescopes]
    wish = scenario.requests[request]
    fit = (
        (distance <= scenario.limits.bracket_distance_max_deg)
        & bright_enough(scenario, wish, scenario.calibrators, False, classes).all(axis=-1)
        & calibrator_visibility(
            scenario.calibrators, longest, facts.combiner, scenario.limits.calibrator_vis2_min
        ).allowed
    )
    found = []
    needed = np.count_nonzero(science.usable)
    for row in np.flatnonzero(fit):
        star = int(stars[row])
        on_beams = beams_of(limits, facts, request, star)
        shared = np.count_nonzero(on_beams.usable & science.usable)
        if shared:
            found.append((2 * shared < needed, float(distance[row]), star, on_beams))
    found.sort(key=lambda entry: entry[:3])
    return [entry[3] for entry in found[: scenario.effort.calibrators_per_request]]


def families_of(limits: NightLimits, request: int, facts: SubarrayFacts) -> list[VisitFamily]:
    """Return all candidate visits of one request on one subarray."""
    science = beams_of(limits, facts, request, request)
    if not science.usable.any():
        return []
    calibrators = calibrators_for(limits, request, facts, science)
    slots = limits.sky.slots
    outside = _outside(limits, request)
    families = []
    for turn in TURNS:
        offered = []
        for before, after in itertools.product(calibrators, repeat=2):
            family = visit_family(request, facts, (before, science, after), slots, turn)
            kept = _in_window(outside, family) & _not_reserved(limits, family)
            family = family.take(np.flatnonzero(kept))
            if len(family.start_tick):
                offered.append(family)
        families += _shortest(offered, limits.scenario.effort.brackets_per_start)
    return families


def _outside(limits: NightLimits, request: int) -> np.ndarray:
    """How many ticks before each one lie outside the request's absolute windows, (time + 1,)."""
    return np.concatenate([[0], np.cumsum(~limits.window(limits.scenario.requests[request]).allowed)])


def _in_window(outside: np.ndarray, family: VisitFamily) -> np.ndarray:
    """True where a visit lies whole in one and the same absolute window, (start,)."""
    return outside[family.end_tick[:, 2] + 1] == outside[family.start_tick[:, 0]]


def _not_reserved(limits: NightLimits, family: VisitFamily) -> np.ndarray:
    """True where no time reserved for its telescopes overlaps a visit or its first set-up, (start,)."""
    names = [limits.placement.telescopes[i] for i in family.facts.subarray.telescopes]
    capture = int(ticks_up(family.facts.capture_s, limits.sky.tick_s))
    return clear_of_reserved(limits, names, family.start_tick[:, 0] - capture, family.end_tick[:, 2])


def beams_of(limits: NightLimits, facts: SubarrayFacts, request: int, star: int) -> StarOnBeams:
    """Return the request's target or one of its calibrators as a subarray sees it, tick by tick."""
    wish = limits.scenario.requests[request]
    science = star == request
    allowed = limits.allowed(wish, star, np.array(facts.subarray.telescopes), science)
    for verdict in light_limits(limits, facts, request, star):
        allowed = allowed & verdict.allowed
    ticks = facts.step(wish, science).total
    return star_on_beams(limits, facts, star, allowed, ticks, differential_m(limits, facts, request, star))


def later_starts(limits: NightLimits, family: VisitFamily, row: int, last: int) -> VisitFamily:
    """Return the same visit at every tick after its start, up to tick ``last``, where it can be made."""
    before, after = family.calibrators
    stars = [beams_of(limits, family.facts, family.request, star) for star in (before, family.request, after)]
    ticks = np.arange(int(family.start_tick[row, 0]) + 1, last + 1)
    later = visit_family(family.request, family.facts, (stars[0], stars[1], stars[2]), ticks, family.turn)
    kept = _in_window(_outside(limits, family.request), later) & _not_reserved(limits, later)
    return later.take(np.flatnonzero(kept))


def _shortest(families: Sequence[VisitFamily], most: int) -> list[VisitFamily]:
    """Keep at each start the ``most`` families that end first; of equals, the earlier in the list."""
    kept: dict[int, list[tuple[int, int, int]]] = {}
    for number, family in enumerate(families):
        for row, (start, end) in enumerate(zip(family.start_tick[:, 0], family.end_tick[:, 2], strict=True)):
            kept.setdefault(int(start), []).append((int(end), number, row))
    rows: dict[int, list[int]] = {}
    for entries in kept.values():
        for _, number, row in sorted(entries)[:most]:
            rows.setdefault(number, []).append(row)
    return [families[number].take(np.array(sorted(rows[number]), dtype=int)) for number in sorted(rows)]
