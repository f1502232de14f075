"""Calibrators that two visits share: one exposure closes the first bracket and opens the second.

The second visit is then made without a first step of its own. Both use the
array in the same state, so what lies between the shared exposure and the
second science step is a set-up inside a visit: turn, run, capture.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence

import numpy as np

from planner.constraints.tonight import NightLimits
from planner.scheduling.candidates import beams_of
from planner.scheduling.setup import carriage_s, slew_s, ticks_up
from planner.scheduling.table import CandidateTable, longest_wait_ticks, wait_ticks
from planner.scheduling.visits import VisitFamily


def givers_of(
    limits: NightLimits, table: CandidateTable, families: Sequence[VisitFamily]
) -> tuple[np.ndarray, ...]:
    """Return for each candidate the earlier ones whose last exposure may open it, sorted.

    Parameters
    ----------
    limits : NightLimits
    table : CandidateTable
    families : sequence of VisitFamily
        Those of the table.

    Returns
    -------
    tuple of ndarray
        Pairs with time for an exposure of its own are left out: the second visit makes one then.
    """
    closing: dict[object, list[int]] = defaultdict(list)
    opening: dict[object, list[int]] = defaultdict(list)
    requests = limits.scenario.requests
    for number, family in enumerate(families):
        if requests[family.request].extras.second_star is None:
            combiner = family.facts.combiner
            state = (combiner.name, combiner.setup_name, family.facts.subarray)
            closing[(*state, family.calibrators[1])].append(number)
            opening[(*state, family.calibrators[0])].append(number)
    # Candidates of a family stand together when ordered by number.
    order = np.argsort(table.family, kind="stable")
    edge = np.searchsorted(table.family[order], np.arange(len(families) + 1))
    here = [order[edge[n] : edge[n + 1]] for n in range(len(families))]
    found: dict[int, list[np.ndarray]] = defaultdict(list)
    for key in sorted(opening, key=lambda key: opening[key][0]):
        for later in opening[key]:
            for earlier in closing.get(key, ()):
                giving, taking = (families[earlier], here[earlier]), (families[later], here[later])
                for candidate, givers in _pairs(limits, table, giving, taking):
                    found[candidate].append(givers)
    nothing = np.empty(0, dtype=int)
    return tuple(
        np.sort(np.concatenate(found[candidate])) if candidate in found else nothing
        for candidate in range(len(table.family))
    )


def _pairs(
    limits: NightLimits,
    table: CandidateTable,
    earlier: tuple[VisitFamily, np.ndarray],
    later: tuple[VisitFamily, np.ndarray],
) -> list[tuple[int, np.ndarray]]:
    """The candidates of one family that some of another may open, each with those."""
    (giving, givers), (taking, takers) = earlier, later
    row, other = table.row[givers], table.row[takers]
    exposed, science = giving.end_tick[row, 2][:, None], taking.start_tick[other, 1]
    began = taking.start_tick[other, 0]
    near = (science > exposed) & (began < exposed + longest_wait_ticks(limits))
    near &= began > giving.start_tick[row, 0][:, None]
    near &= _serves(limits, taking, giving.start_tick[row, 2], began)
    if limits.scenario.requests[taking.request].extras.gap_min_h > 0:
        # Its gaps are counted from the start that it would have by itself.
        near &= giving.start_tick[row, 2][:, None] >= began
    a, b = np.nonzero(near)
    gap = taking.start_tick[other[b], 1] - giving.end_tick[row[a], 2]
    fits = gap >= _settled_ticks(limits, (giving, row[a]), (taking, other[b]))
    a, b = a[fits], b[fits]
    # Where there is time for an exposure of its own, the second visit makes one.
    own = wait_ticks(limits, table, givers[a], takers[b])
    needed = table.start_tick[takers[b]] - table.end_tick[givers[a]] < own
    a, b = a[needed], b[needed]
    return [(int(takers[column]), givers[a[b == column]]) for column in np.unique(b).tolist()]


def _serves(limits: NightLimits, taking: VisitFamily, exposed: np.ndarray, began: np.ndarray) -> np.ndarray:
    """Whether exposures that start at some ticks keep the limits of another request, (giver, taker).

    The request may ask more of its calibrator than the one that it was exposed for.
    """
    star = beams_of(limits, taking.facts, taking.request, taking.calibrators[0])
    outside = np.cumsum(~limits.window(limits.scenario.requests[taking.request]).allowed)
    outside = np.concatenate([[0], outside])
    from_, to = np.minimum(exposed[:, None], began), np.maximum(exposed[:, None], began)
    return np.asarray(star.usable[exposed][:, None] & (outside[to + 1] == outside[from_]))


def _settled_ticks(
    limits: NightLimits, earlier: tuple[VisitFamily, np.ndarray], later: tuple[VisitFamily, np.ndarray]
) -> np.ndarray:
    """Set-up from the last exposure of some visits to the science step of others, whole ticks, (pair,)."""
    (giving, row), (taking, other) = earlier, later
    facts = taking.facts
    turned = taking.azimuth_deg[other, 1, 0] - giving.azimuth_deg[row, 2, 1]
    tilted = taking.altitude_deg[other, 1, 0] - giving.altitude_deg[row, 2, 1]
    move = np.zeros(len(row))
    for own in dict.fromkeys(facts.classes):
        move = np.maximum(move, slew_s(turned, tilted, own))
    run = taking.delay_m[other, 1, 0] - giving.delay_m[row, 2, 1]
    for beam, line in enumerate(facts.lines):
        move = np.maximum(move, carriage_s(run[:, beam], line))
    return ticks_up(move + facts.capture_s, limits.sky.tick_s)
