"""What a plan keeps when stretches of the night are lost: simulated again, with other draws.

Cells are those that the audit counts: a visit that is made without an earlier
one of its request has cells that the plan does not tell as new. Two
simulations differ by chance; what is told has to lie within four standard
deviations of the difference.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence, Set
from dataclasses import dataclass
from datetime import timedelta

import numpy as np

from planner.scheduling.audit_case import Case, holds, named, number
from planner.scheduling.audit_cells import Crossed
from planner.scheduling.audit_night import Dark
from planner.scheduling.audit_rules import unfair_of
from planner.scheduling.audit_times import Stage
from planner.scheduling.audit_values import NONE, Earlier, Tally
from planner.scheduling.plan import LostTime, NightPlan, Visit

NIGHTS = 20_000
SEED = 1
SIGMAS = 4.0
TENTH = 0.1
TOUCHING_S = 2e-3
WRITTEN = 0.051  # the mean is written with one decimal

Worths = Mapping[str, tuple[np.ndarray, np.ndarray]]


def lost_time_cases(
    plan: NightPlan,
    found: Sequence[Stage],
    dark: Dark | None,
    crossed: Mapping[int, Crossed],
    earlier: Mapping[str, Earlier],
) -> Iterator[Case]:
    """Mean and tenth of what is kept agree with a simulation; chance and length are the scenario's.

    Parameters
    ----------
    plan : NightPlan
    found : sequence of Stage
    dark : Dark or None
    crossed : mapping of int to Crossed
        By the number of the visit in the plan.
    earlier : mapping of str to Earlier
        What earlier nights have filled, by target.
    """
    told = plan.lost_time
    if not plan.visits or told is None:
        yield holds(
            (told is None) == (not plan.visits), "lost time is told for no visits, or not told for some"
        )
        return
    asked = plan.scenario.plan
    yield holds(
        (told.probability, told.stretch_min) == (asked.lost_probability, asked.lost_stretch_min),
        f"stretches of {told.stretch_min} min are lost with probability {told.probability}, the scenario has "
        f"{asked.lost_stretch_min} min and {asked.lost_probability}",
    )
    yield holds(told.nights >= 1, f"{told.nights} nights are told to be simulated")
    spans = _spans_s(plan, found, dark)
    if spans is None or set(crossed) != set(range(len(plan.visits))) or told.nights < 1:
        yield holds(False, "what lost time leaves cannot be worked out, see the other checks")
        return
    made = _made(spans, asked.lost_probability)
    worths = {
        target: _worths(plan, target, made, crossed, earlier)
        for target in dict.fromkeys(visit.target for visit in plan.visits)
    }
    least, most = (_totals(plan, made, worths, end) for end in (0, 1))
    yield from _told_cases(told, least, most)


def _spans_s(plan: NightPlan, found: Sequence[Stage], dark: Dark | None) -> Spans | None:
    """When each visit needs the sky, seconds after dusk, and the length of the night."""
    if dark is None:
        return None
    tick_s, rows = plan.scenario.night.tick_s, []
    for visit in plan.visits:
        mine = [stage for stage in found if stage.visit is visit]
        if len(mine) < len(visit.steps) or not mine:
            return None
        first = mine[0]
        ahead = 0.0 if first.step.shared else math.ceil(first.capture_s / tick_s - 1e-9) * tick_s
        begin = first.start - timedelta(seconds=ahead)
        rows.append([(edge - dark.start).total_seconds() for edge in (begin, mine[-1].end)])
    return Spans(
        np.array(rows), (dark.end - dark.start).total_seconds(), 60.0 * plan.scenario.plan.lost_stretch_min
    )


@dataclass(frozen=True)
class Spans:
    """When visits need the sky.

    Attributes
    ----------
    edges_s : ndarray (visit, 2)
        Seconds after dusk.
    dark_s, stretch_s : float
        Length of the night, and of a stretch that may be lost.
    """

    edges_s: np.ndarray
    dark_s: float
    stretch_s: float


def _made(spans: Spans, probability: float) -> np.ndarray:
    """Which visits are made in each simulated night, (night, visit)."""
    count = max(1, math.ceil((spans.dark_s - TOUCHING_S) / spans.stretch_s))
    lost = np.random.default_rng(SEED).random((NIGHTS, count)) < probability
    made = np.ones((NIGHTS, len(spans.edges_s)), dtype=bool)
    for column, (begin, end) in enumerate(spans.edges_s):
        first = int((begin + TOUCHING_S) // spans.stretch_s)
        last = int((end - TOUCHING_S) // spans.stretch_s)
        met = lost[:, max(first, 0) : last + 1]
        made[:, column] = ~met.any(axis=1)
    return made


def _worths(
    plan: NightPlan,
    target: str,
    made: np.ndarray,
    crossed: Mapping[int, Crossed],
    earlier: Mapping[str, Earlier],
) -> tuple[np.ndarray, np.ndarray]:
    """What the visits of one request are worth in each night at least and at most, (night,) each."""
    mine = [k for k, visit in enumerate(plan.visits) if visit.target == target]
    request = named(plan.scenario.requests, target)
    kinds, place = np.unique(made[:, mine], axis=0, return_inverse=True)
    held = earlier.get(target, NONE)
    worth = []
    for kind in kinds:
        ranges = []
        for cells in ("surely", "perhaps"):
            if request is None:
                break
            tally = Tally(request, held)
            for number_in_plan in np.array(mine)[kind]:
                filled = getattr(crossed[int(number_in_plan)], cells)
                again = _filled_before(plan.visits[int(number_in_plan)], filled, tally, held)
                tally.add(filled - again, again)
            ranges.append(tally.worth())
        worth.append((ranges[0].least, ranges[1].most) if ranges else (0, 0))
    several = np.array(worth, dtype=float)[place.reshape(-1)]
    return several[:, 0], several[:, 1]


def _filled_before(
    visit: Visit, filled: Set[tuple[int, int]], tally: Tally, held: Earlier
) -> set[tuple[int, int]]:
    """Cells that somebody has filled when a visit comes to them."""
    claimed = set(visit.new_cells)
    return {cell for cell in filled if tally.tonight[cell] or (cell in held.perhaps and cell not in claimed)}


def _totals(plan: NightPlan, made: np.ndarray, worths: Worths, end: int) -> np.ndarray:
    """What all requests keep together, (night,); who needs another is worth nothing without it."""
    served = {
        target: made[:, [visit.target == target for visit in plan.visits]].any(axis=1) for target in worths
    }
    needs = {request.name: request.extras.only_with for request in plan.scenario.requests}
    for _ in served:
        for target, other in needs.items():
            if target in served and other is not None:
                served[target] = served[target] & served.get(other, np.zeros(len(made), dtype=bool))
    kept = {target: np.where(served[target], worths[target][end], 0.0) for target in worths}
    total = np.sum(list(kept.values()), axis=0)
    if not plan.scenario.programs or not plan.scenario.plan.fairness:
        return np.asarray(total)
    kinds, place = np.unique(np.stack(list(kept.values()), axis=1), axis=0, return_inverse=True)
    less = [unfair_of(plan.scenario, Counter(dict(zip(kept, row, strict=True)))) for row in kinds.tolist()]
    return np.asarray(total - np.array(less)[place.reshape(-1)])


def _told_cases(told: LostTime, least: np.ndarray, most: np.ndarray) -> Iterator[Case]:
    chance = SIGMAS * math.sqrt(1.0 / told.nights + 1.0 / NIGHTS)
    open_mean = chance * float(most.std()) + WRITTEN
    mean, low, high = number(told.score_mean), float(least.mean()), float(most.mean())
    yield Case(
        min(mean - low, high - mean) + open_mean,
        f"{told.score_mean} told to be left on average, {(low + high) / 2:.1f} found within {open_mean:.1f}",
    )
    open_share = chance * math.sqrt(TENTH * (1.0 - TENTH))
    share = max(TENTH - open_share, 0.0), TENTH + open_share
    edges = (
        float(np.quantile(least, share[0], method="lower")),
        float(np.quantile(most, share[1], method="higher")),
    )
    yield holds(
        edges[0] <= told.score_tenth <= edges[1],
        f"{told.score_tenth} told to be left in nine nights of ten, {edges[0]:g} to {edges[1]:g} found",
    )
