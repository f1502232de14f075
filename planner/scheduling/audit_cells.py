"""Every cell that a visit crosses, told in the plan or not: for what is made without its earlier visits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from planner.scenario.array import Combiner
from planner.scenario.targets import Request
from planner.scheduling.audit_case import combiner_used
from planner.scheduling.audit_coverage import Cells, chords_of, crossed_inside, crossed_near, uv_m
from planner.scheduling.audit_sky import TrackedStep
from planner.scheduling.plan import NightPlan


@dataclass(frozen=True)
class Crossed:
    """Cells of one visit.

    Attributes
    ----------
    surely : set of (int, int)
        Crossed away from their edges, or claimed by the plan.
    perhaps : set of (int, int)
        These and those whose edge is touched.
    """

    surely: Cells
    perhaps: Cells


def crossed_by_visits(plan: NightPlan, tracked: tuple[TrackedStep, ...]) -> dict[int, Crossed]:
    """Return the cells of each visit whose science step can be followed, by its number in the plan."""
    found = {}
    for seen in tracked:
        combiner = combiner_used(plan.scenario.array, seen.visit)
        if seen.step.role != "science" or seen.request is None or combiner is None:
            continue
        uv = uv_m(plan, seen)
        if uv is not None:
            told = set(seen.visit.new_cells) | set(seen.visit.cells_again)
            cells = crossed_on(uv, combiner, seen.request)
            found[seen.visit_number] = Crossed(cells.surely | told, cells.perhaps | told)
    return found


def crossed_on(uv: Sequence[np.ndarray], combiner: Combiner, request: Request) -> Crossed:
    """Return the cells that stretches of tracks, each (pair, moment, 2) in metres, cross in all channels."""
    chords = chords_of(uv, combiner, request)
    inside = crossed_inside(chords, combiner.vis2_min)
    return Crossed(inside, inside | crossed_near(chords, combiner.vis2_min))
