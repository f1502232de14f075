"""Is the value real: cells of the (u, v) plane counted again, and every total of the plan.

u and v are the components of B = r_j - r_i, on GCRS axes, along east and north
at the star's ICRS place of the date. Cells have the side 1/W in wavelengths, W
the request's field; (u, v) and (-u, -v) are one cell, named by v > 0, or v = 0
and u >= 0. Half a centimetre on either side of an edge is left open: there a
cell may be claimed or not. While two stars change places nothing is recorded.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping, Set

import numpy as np

from planner.scenario.array import Combiner
from planner.scenario.targets import Request
from planner.scheduling.audit_case import Case, combiner_used, holds, moment, named
from planner.scheduling.audit_sky import TrackedStep, gcrs_places_m
from planner.scheduling.plan import NightPlan, Visit
from planner.units import RAD_PER_MAS

EDGE_M = 5e-3
EDGE_CELLS_MAX = 0.25  # cells smaller than two centimetres are still counted, by their inner half
SWAP_EDGE_S = 1e-3
LARGEST_INDEX = 1e12
GAP_TOLERANCE = 1e-6  # the gap is written with six decimals

Cells = Set[tuple[int, int]]


def folded(cells: np.ndarray) -> Cells:
    """Return whole-number cells (cell, 2) with (u, v) and (-u, -v) as one.

    Examples
    --------
    >>> sorted(folded(np.array([[3, -1], [-3, 1], [-2, 0]])))
    [(-3, 1), (2, 0)]
    """
    return {
        (int(-u), int(-v)) if v < 0 or (v == 0 and u < 0) else (int(u), int(v)) for u, v in cells.tolist()
    }


def uv_m(plan: NightPlan, seen: TrackedStep) -> np.ndarray | None:
    """Return u and v of every pair of beams while it is recorded, (pair, sample, 2) in metres.

    None without two known stations.
    """
    array = plan.scenario.array
    stations = [named(array.stations, beam.station) for beam in seen.step.beams]
    known = [station for station in stations if station is not None]
    if len(known) < 2 or len(known) < len(stations):
        return None
    on = recorded(seen)
    return projected_m(gcrs_places_m(array.site, known, seen.times[on]), seen.sky.place_rad[on])


def recorded(seen: TrackedStep) -> np.ndarray:
    """Return the samples at which light is recorded: not while two stars change places, (sample,)."""
    swap = moment(seen.step.swap_start_utc), moment(seen.step.swap_end_utc)
    if swap[0] is None or swap[1] is None:
        return np.ones(len(seen.seconds), dtype=bool)
    first, last = ((edge - seen.start).total_seconds() for edge in (swap[0], swap[1]))
    on = np.asarray((seen.seconds <= first + SWAP_EDGE_S) | (seen.seconds >= last - SWAP_EDGE_S))
    return on if on.any() else ~on


def projected_m(places: np.ndarray, place_rad: np.ndarray) -> np.ndarray:
    """Return u and v of every pair of stations, (pair, sample, 2) in metres.

    Parameters
    ----------
    places : ndarray (station, sample, 3)
        On GCRS axes.
    place_rad : ndarray (sample, 2)
        ICRS right ascension and declination of the star.
    """
    baselines = np.array([places[j] - places[i] for i, j in itertools.combinations(range(len(places)), 2)])
    a, d = place_rad.T
    east = np.stack([-np.sin(a), np.cos(a), np.zeros_like(a)], axis=-1)
    north = np.stack([-np.sin(d) * np.cos(a), -np.sin(d) * np.sin(a), np.cos(d)], axis=-1)
    return np.stack([np.sum(baselines * east, axis=-1), np.sum(baselines * north, axis=-1)], axis=-1)


def in_cells(uv: np.ndarray, combiner: Combiner, field_mas: float) -> tuple[np.ndarray, np.ndarray]:
    """Return samples in every channel in units of cells, (n, 2), and the width of the open edge, (n,)."""
    per_metre = field_mas * RAD_PER_MAS / (np.array(combiner.wavelengths_um) * 1e-6)
    points = (uv[..., None, :] * per_metre[:, None]).reshape(-1, 2)
    edge = np.minimum(EDGE_M * per_metre, EDGE_CELLS_MAX)
    return points, np.broadcast_to(edge, (*uv.shape[:-1], len(edge))).reshape(-1)


def crossed_inside(points: np.ndarray, edge: np.ndarray) -> Cells:
    """Return the cells that a sample crosses away from their edges: a visit must have filled these."""
    nearest = np.floor(points + 0.5)
    inside = np.all(np.abs(points - nearest) < 0.5 - edge[:, None], axis=-1)
    return folded(nearest[inside])


def not_reached(claimed: Cells, points: np.ndarray, edge: np.ndarray) -> Cells:
    """Return the claimed cells that no sample comes near: a visit cannot have filled these."""
    reach = 0.5 + edge[:, None]
    missed = set()
    for cell in claimed:
        near = np.all(np.abs(points - cell) <= reach, axis=-1) | np.all(
            np.abs(points + cell) <= reach, axis=-1
        )
        if not near.any():
            missed.add(cell)
    return missed


def coverage_cases(
    plan: NightPlan, tracked: tuple[TrackedStep, ...], held: Mapping[str, Cells]
) -> Iterator[Case]:
    """Claimed cells are crossed, crossed cells are claimed, each by one visit of its request.

    Those that earlier nights may hold (``held``, by target) need not be claimed.
    """
    science = {seen.visit_number: seen for seen in tracked if seen.step.role == "science"}
    earlier: dict[str, set[tuple[int, int]]] = {}
    for number, visit in enumerate(plan.visits):
        request = named(plan.scenario.requests, visit.target)
        combiner = combiner_used(plan.scenario.array, visit)
        seen = science.get(number)
        uv = None if seen is None else uv_m(plan, seen)
        before = earlier.setdefault(visit.target, set())
        if request is None or combiner is None or uv is None:
            yield holds(False, f"{visit.id}: its cells cannot be counted, see the other checks")
        else:
            taken = before, held.get(visit.target, frozenset())
            yield from _visit_cases(visit, request, taken, in_cells(uv, combiner, request.field_mas))
        before.update(visit.new_cells)


def _visit_cases(
    visit: Visit, request: Request, taken: tuple[Cells, Cells], crossed: tuple[np.ndarray, np.ndarray]
) -> Iterator[Case]:
    """Judge one visit; ``taken`` are the cells of earlier visits, and those that earlier nights may hold."""
    before, held = taken
    claimed = {cell for cell in visit.new_cells if max(abs(index) for index in cell) < LARGEST_INDEX}
    yield holds(
        len(claimed) == len(visit.new_cells) and folded(np.array(sorted(claimed)).reshape(-1, 2)) == claimed,
        f"{visit.id} claims a cell twice, not folded, or out of any range",
    )
    for cells, what in (
        (claimed & before, "claims cells that an earlier visit of its request has filled"),
        (not_reached(claimed, *crossed), "claims cells that its baselines do not cross"),
        (crossed_inside(*crossed) - claimed - before - held, "does not claim cells that its baselines cross"),
    ):
        example = f", such as {min(cells)}" if cells else ""
        case = holds(not cells, f"{visit.id} {what}: {len(cells)}{example}")
        yield Case(case.margin, case.words, max(len(claimed), 1))
    value = request.priority * len(visit.new_cells)
    yield holds(
        visit.value == value,
        f"{visit.id} is told to be worth {visit.value}, but {len(visit.new_cells)} cells at priority "
        f"{request.priority} are worth {value}",
    )


def total_cases(plan: NightPlan) -> Iterator[Case]:
    """Visits and cells of each request, score, bound and gap agree with the visits."""
    outcomes = [outcome.target for outcome in plan.requests]
    wanted = [request.name for request in plan.scenario.requests]
    yield holds(
        sorted(outcomes) == sorted(wanted),
        f"the plan tells of the requests {outcomes}, asked for are {wanted}",
    )
    for outcome in plan.requests:
        request = named(plan.scenario.requests, outcome.target)
        visits = [visit for visit in plan.visits if visit.target == outcome.target]
        cells = sum(len(visit.new_cells) for visit in visits)
        counted = [
            ("visits planned", outcome.visits_planned, len(visits)),
            ("cells", outcome.cells_filled, cells),
        ]
        if request is not None:
            counted += [
                ("visits wanted", outcome.visits_wanted, request.visits),
                ("priority", outcome.priority, request.priority),
            ]
            yield holds(
                outcome.combiner == request.combiner,
                f"{outcome.target!r} is told to use {outcome.combiner}, asked for is {request.combiner}",
            )
        for what, told, found in counted:
            yield holds(told == found, f"{outcome.target!r}: {what} told {told}, counted {found}")
        yield holds(
            outcome.cells_filled <= outcome.cells_reachable,
            f"{outcome.target!r}: {outcome.cells_filled} cells filled of {outcome.cells_reachable} reachable",
        )
        short = outcome.visits_planned < outcome.visits_wanted
        yield holds(
            short == (outcome.reason is not None),
            f"{outcome.target!r}: {outcome.visits_planned} of {outcome.visits_wanted} visits "
            f"{'without' if short else 'with'} a reason for missing ones",
        )
    yield from _score_cases(plan)


def _score_cases(plan: NightPlan) -> Iterator[Case]:
    told, worth = plan.solver, sum(visit.value for visit in plan.visits)
    yield holds(told.score == worth, f"the score is told to be {told.score}, the visits are worth {worth}")
    sound = told.bound >= told.score >= 0
    yield holds(sound, f"the bound {told.bound} is below the score {told.score}")
    if sound:
        gap = (told.bound - told.score) / told.bound if told.bound else 0.0
        yield holds(
            abs(told.gap - gap) <= GAP_TOLERANCE, f"the gap is told to be {told.gap:g}, it is {gap:g}"
        )
        proven = told.status == "optimal"
        yield holds(
            not proven or told.bound == told.score,
            f"called optimal at score {told.score} below the bound {told.bound}",
        )
