"""Is the value real: cells of the (u, v) plane counted again, and every total of the plan.

u and v are the differences of the delay B.s, B = r_j - r_i, between places a
little east and north of the star and its own, s by astropy's full
transformation, for each radian on the sky. Cells have the side 1/W in wavelengths, W
the request's field; (u, v) and (-u, -v) are one cell, named by v > 0, or v = 0
and u >= 0. Half a centimetre on either side of an edge is left open: there a
cell may be claimed or not. A visit fills what its tracks cross, so a track is
followed by chords, and these are cut at the edges of cells. A chord counts where
the squared visibility of the target, a uniform disk, reaches ``vis2_min``. While
two stars change places nothing is recorded.
What cells are worth is counted in ``audit_values``.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping, Sequence, Set
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline

from planner.scenario.array import Combiner
from planner.scenario.targets import Request
from planner.scheduling.audit_beams import uniform_disk
from planner.scheduling.audit_case import Case, combiner_used, holds, named
from planner.scheduling.audit_case import number as number_told
from planner.scheduling.audit_clock import moment
from planner.scheduling.audit_sky import TrackedStep, baseline_ends_m
from planner.scheduling.audit_values import NONE, Earlier, Tally
from planner.scheduling.plan import NightPlan, RequestOutcome, Visit
from planner.units import RAD_PER_MAS

EDGE_M = 5e-3
STRAIGHT_S = 10.0
VIS2_OPEN = 1e-3  # of the least squared visibility that counts: so near to it a chord may count or not
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


def uv_m(plan: NightPlan, seen: TrackedStep) -> list[np.ndarray] | None:
    """Return u and v of every pair of beams in each stretch that is recorded, (pair, moment, 2) in metres.

    None without two known stations and telescopes.
    """
    ends = baseline_ends_m(plan.scenario.array, seen.step.beams)
    if len(ends) < max(2, len(seen.step.beams)):
        return None
    return [
        followed(seen.seconds[part], projected_m(ends, seen.sky.image_axes[part])) for part in recorded(seen)
    ]


def recorded(seen: TrackedStep) -> list[slice]:
    """Return the samples of each stretch in which light is recorded: not while two stars change places."""
    swap = moment(seen.step.swap_start_utc), moment(seen.step.swap_end_utc)
    everything = slice(0, len(seen.seconds))
    if swap[0] is None or swap[1] is None:
        return [everything]
    first, last = ((edge - seen.start).total_seconds() for edge in (swap[0], swap[1]))
    before = int(np.searchsorted(seen.seconds, first + SWAP_EDGE_S))
    after = int(np.searchsorted(seen.seconds, last - SWAP_EDGE_S))
    parts = [slice(0, before), slice(after, len(seen.seconds))]
    return [part for part in parts if part.stop - part.start > 1] or [everything]


def followed(seconds: np.ndarray, uv: np.ndarray) -> np.ndarray:
    """Return a track (pair, sample, 2) at moments so near that it is straight between them.

    A cubic spline through the samples: 10 s of a circle of 300 m bend by 0.02 mm.
    """
    moments = np.linspace(seconds[0], seconds[-1], 1 + int(np.ceil((seconds[-1] - seconds[0]) / STRAIGHT_S)))
    return np.asarray(CubicSpline(seconds, uv, axis=1)(moments))


def projected_m(ends: np.ndarray, axes: np.ndarray) -> np.ndarray:
    """Return u and v of every pair of ends of baselines, (pair, sample, 2) in metres.

    Parameters
    ----------
    ends : ndarray (telescope, 3)
        East, north, up.
    axes : ndarray (sample, 2, 3)
        From ``audit_sky.image_axes``.
    """
    baselines = np.array([b - a for a, b in itertools.combinations(ends, 2)])
    return np.einsum("bx,skx->bsk", baselines, axes)


@dataclass(frozen=True)
class Chords:
    """Straight pieces of tracks in every channel, in units of cells.

    Attributes
    ----------
    start, end : ndarray (chord, 2)
    edge : ndarray (chord,)
        Width of the open edge.
    vis2 : ndarray (chord, 3)
        Squared visibility of the target at the start, in the middle and at the end.
    """

    start: np.ndarray
    end: np.ndarray
    edge: np.ndarray
    vis2: np.ndarray

    def of(self, kept: np.ndarray) -> Chords:
        """Return some of the chords."""
        return Chords(self.start[kept], self.end[kept], self.edge[kept], self.vis2[kept])

    def cells(self, shift: tuple[float, float] = (0.0, 0.0)) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Cut the chords at edges of cells: the middle of each piece, its cell, its open edge.

        ``shift`` moves the chords by so many open edges.
        """
        start, end = (ends + self.edge[:, None] * np.array(shift) for ends in (self.start, self.end))
        number = np.arange(len(start))
        cut, at = [number, number], [np.zeros(len(start)), np.ones(len(start))]
        for axis in range(2):
            low, high = np.sort(np.stack([start[:, axis], end[:, axis]]), axis=0)
            lowest = np.ceil(low - 0.5)
            count = np.maximum(np.floor(high - 0.5) - lowest + 1, 0).astype(int)
            count[high == low] = 0
            chord = np.repeat(number, count)
            place = np.arange(len(chord)) - np.searchsorted(chord, chord)
            level = lowest[chord] + place + 0.5
            cut.append(chord)
            at.append((level - start[chord, axis]) / (end - start)[chord, axis])
        chord, part = np.concatenate(cut), np.concatenate(at)
        order = np.lexsort((part, chord))
        chord, part = chord[order], part[order]
        whole = chord[1:] == chord[:-1]
        chord, part = chord[1:][whole], (part[1:] + part[:-1])[whole] / 2.0
        middle = start[chord] + part[:, None] * (end - start)[chord]
        return middle, np.floor(middle + 0.5), self.edge[chord]


def chords_of(uv: Sequence[np.ndarray], combiner: Combiner, request: Request) -> Chords:
    """Return the straight pieces of stretches of tracks, each (pair, moment, 2) in metres."""
    per_metre = request.field_mas * RAD_PER_MAS / (np.array(combiner.wavelengths_um) * 1e-6)
    diameter = request.star.diameter_mas or 0.0  # without one it is a point
    width = np.minimum(EDGE_M * per_metre, EDGE_CELLS_MAX)
    start, end, edge, vis2 = [], [], [], []
    for scale, open_edge, wavelength in zip(per_metre, width, combiner.wavelengths_um, strict=True):
        for stretch in uv:
            ends = stretch[:, :-1].reshape(-1, 2), stretch[:, 1:].reshape(-1, 2)
            start.append(scale * ends[0])
            end.append(scale * ends[1])
            edge.append(np.full(len(ends[0]), open_edge))
            length = np.linalg.norm([ends[0], (ends[0] + ends[1]) / 2.0, ends[1]], axis=-1).T
            vis2.append(uniform_disk(diameter, length, wavelength) ** 2)
    return Chords(np.concatenate(start), np.concatenate(end), np.concatenate(edge), np.concatenate(vis2))


def crossed_inside(chords: Chords, vis2_min: float) -> Cells:
    """Return the cells that a track crosses away from their edges: a visit must have filled these.

    The target must show fringes there for certain.
    """
    surely = chords.vis2.min(axis=-1) >= vis2_min * (1.0 + VIS2_OPEN)
    middle, nearest, edge = chords.of(surely).cells()
    inside = np.all(np.abs(middle - nearest) < 0.5 - edge[:, None], axis=-1)
    return folded(np.unique(nearest[inside], axis=0))


def crossed_near(chords: Chords, vis2_min: float) -> Cells:
    """Return the cells that a track crosses or comes near: a visit may have filled these, and no others.

    Examples
    --------
    >>> still = Chords(np.array([[1.49, 0.0]]), np.array([[1.495, 0.0]]), np.array([0.02]), np.ones((1, 3)))
    >>> sorted(crossed_near(still, 0.5))
    [(1, 0), (2, 0)]
    """
    chords = chords.of(chords.vis2.max(axis=-1) >= vis2_min * (1.0 - VIS2_OPEN))
    # A cell with its open edge meets a chord when the cell meets it moved by the edge towards some corner.
    near = [chords.cells((a, b))[1] for a in (-1.0, 1.0) for b in (-1.0, 1.0)]
    return folded(np.unique(np.concatenate(near), axis=0))


def coverage_cases(
    plan: NightPlan, tracked: tuple[TrackedStep, ...], earlier: Mapping[str, Earlier]
) -> Iterator[Case]:
    """Claimed cells are crossed, crossed cells that add value are claimed, and each visit is worth them.

    Cells that earlier nights (``earlier``, by target) may have filled need not be claimed as new.
    """
    science = {seen.visit_number: seen for seen in tracked if seen.step.role == "science"}
    tallies: dict[str, Tally] = {}
    told: dict[str, float] = {}
    for number, visit in enumerate(plan.visits):
        request = named(plan.scenario.requests, visit.target)
        combiner = combiner_used(plan.scenario.array, visit)
        seen = science.get(number)
        uv = None if seen is None else uv_m(plan, seen)
        if request is None or combiner is None or uv is None:
            yield holds(False, f"{visit.id}: its cells cannot be counted, see the other checks")
            continue
        tally = tallies.setdefault(visit.target, Tally(request, earlier.get(visit.target, NONE)))
        chords = chords_of(uv, combiner, request)
        best = float(chords.vis2.max())
        yield Case(
            (best - combiner.vis2_min * (1.0 - VIS2_OPEN)) / max(combiner.vis2_min, VIS2_OPEN),
            f"{visit.id} records a star with a squared visibility of {best:.2g} at best, "
            f"at least {combiner.vis2_min:g} wanted",
        )
        yield from _visit_cases(visit, tally, chords, combiner.vis2_min)
        tally.add(_in_range(visit.new_cells), _in_range(visit.cells_again))
        told[visit.target] = told.get(visit.target, 0.0) + number_told(visit.value)
        yield _worth_case(visit, tally, told[visit.target])


def _in_range(cells: Sequence[tuple[int, int]]) -> set[tuple[int, int]]:
    return {cell for cell in cells if max(abs(index) for index in cell) < LARGEST_INDEX}


def _visit_cases(visit: Visit, tally: Tally, chords: Chords, vis2_min: float) -> Iterator[Case]:
    """Judge the cells of one visit by what had been filled before it."""
    new, again = _in_range(visit.new_cells), _in_range(visit.cells_again)
    claimed, before = new | again, tally.tonight.keys()
    count = len(visit.new_cells) + len(visit.cells_again)
    yield holds(
        len(claimed) == count and folded(np.array(sorted(claimed)).reshape(-1, 2)) == claimed,
        f"{visit.id} claims a cell twice, not folded, or out of any range",
    )
    inside = crossed_inside(chords, vis2_min)
    for cells, what in (
        (new & before, "claims cells that an earlier visit of its request has filled"),
        (again - before - tally.earlier.perhaps, "claims to fill cells again that nobody has filled"),
        (
            {cell for cell in again if tally.next_weight(cell, again=True).most <= 0},
            "claims to fill cells again that add nothing more",
        ),
        (claimed - crossed_near(chords, vis2_min), "claims cells that its baselines do not cross"),
        (
            {cell for cell in inside - claimed if tally.next_weight(cell).least > 0},
            "does not claim cells that its baselines cross",
        ),
    ):
        example = f", such as {min(cells)}" if cells else ""
        case = holds(not cells, f"{visit.id} {what}: {len(cells)}{example}")
        yield Case(case.margin, case.words, max(len(claimed), 1))


def _worth_case(visit: Visit, tally: Tally, told: float) -> Case:
    """The values told of a request's visits up to this one are what these are worth together."""
    worth = tally.worth()
    counted = f"{worth.least}" if worth.least == worth.most else f"{worth.least} to {worth.most}"
    return holds(
        worth.least <= told <= worth.most,
        f"{visit.id} is told to be worth {visit.value}, which makes {told:g} for {visit.target!r} up to it; "
        f"{sum(tally.tonight.values())} fillings at priority {tally.request.priority} are worth {counted}",
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
            ("worth", outcome.worth, sum(visit.value for visit in visits)),
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
        yield from _ways_cases(plan, outcome)
        short = outcome.visits_planned < outcome.visits_wanted
        yield holds(
            short == (outcome.reason is not None),
            f"{outcome.target!r}: {outcome.visits_planned} of {outcome.visits_wanted} visits "
            f"{'without' if short else 'with'} a reason for missing ones",
        )
    yield from _score_cases(plan)


def _ways_cases(plan: NightPlan, outcome: RequestOutcome) -> Iterator[Case]:
    """No more ways are offered than there are, and no more are told than could be made of the array."""
    array = plan.scenario.array
    combiner = named(array.combiners, outcome.combiner)
    beams = 0 if combiner is None else combiner.beams
    subarrays = math.comb(len(plan.placement), beams)
    ways = subarrays * math.perm(len(array.delay_lines), beams) * max(1, len(array.routing_modes))
    ways *= max(1, len(array.path_segments)) ** beams
    for what, offered, possible, most in (
        ("subarrays", outcome.subarrays_offered, outcome.subarrays, subarrays),
        ("ways to lead the light", outcome.assignments_offered, outcome.assignments, ways),
    ):
        yield holds(
            0 <= offered <= possible <= most,
            f"{outcome.target!r}: {offered} {what} offered of {possible}, the array has {most} at most",
        )


def _score_cases(plan: NightPlan) -> Iterator[Case]:
    told, worth = plan.solver, sum(visit.value for visit in plan.visits) - plan.unfair
    less = f", less {plan.unfair} for fairness" if plan.unfair else ""
    yield holds(
        told.score == worth, f"the score is told to be {told.score}, the visits are worth {worth}{less}"
    )
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
