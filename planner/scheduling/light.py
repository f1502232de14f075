"""What the light path asks of a star beyond delays: fringe tracker, differential delay, air in the lines.

Each answer is a margin along the ticks of the night, for one subarray on its
setting. Which beams the tracker follows is chosen once for a request on a
subarray, because it is a state of the optics: the set that can be followed
longest while the target is usable.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from planner.constraints.air import air_limit
from planner.constraints.contrast import fringes
from planner.constraints.tonight import NightLimits
from planner.constraints.tracker import edges_mag, tracker_for, tracking
from planner.constraints.two_stars import differential_delay, second_path_m
from planner.constraints.verdict import Verdict
from planner.scheduling.subarrays import Subarray
from planner.scheduling.visits import SubarrayFacts
from planner.science.tracking import chain_margin, tracked_sets


def light_limits(limits: NightLimits, facts: SubarrayFacts, request: int, star: int) -> list[Verdict]:
    """Return the margins that a subarray's light path leaves, each (time,).

    Parameters
    ----------
    request : int
        Index in the scenario.
    star : int
        Index in the sky: the target or one of its calibrators.
    """
    wish = limits.scenario.requests[request]
    telescopes = facts.subarray.telescopes
    found = []
    if facts.subarray.tracked is not None:
        verdict = tracking(limits, wish, star, telescopes, facts.subarray.tracked)
        if verdict is not None:
            found.append(verdict)
    seen_on = fringes(limits, request, telescopes) if star == request else None
    if seen_on is not None:
        found.append(seen_on.verdict)
    differential = differential_m(limits, facts, request, star)
    if differential is not None:
        found.append(_first(differential_delay(limits.scenario, differential[None])))
    if facts.combiner.air_contrast_min > 0:
        path = facts.path_m(limits, star)
        found.append(_first(air_limit(limits.scenario.array, facts.combiner, facts.lines, path[None])))
    return found


def _first(verdict: Verdict) -> Verdict:
    return Verdict(verdict.limit, verdict.unit, verdict.margin[0], ("time",))


def differential_m(limits: NightLimits, facts: SubarrayFacts, request: int, star: int) -> np.ndarray | None:
    """Return r_i.(s_2 - s_1) of each beam for a dual-feed target, metres, (time, beam); None otherwise."""
    wish = limits.scenario.requests[request]
    if star != request or wish.extras.second_star is None:
        return None
    stations = limits.placement.vectors_m[list(facts.subarray.telescopes)]
    return second_path_m(limits.sky, wish, star, stations)


def with_tracking(limits: NightLimits, request: int, subarray: Subarray, usable: np.ndarray) -> Subarray:
    """Return the subarray with the beams that its fringe tracker follows.

    Parameters
    ----------
    limits : NightLimits
    request : int
        Index in the scenario; its target's star has the same index in the sky.
    subarray : Subarray
    usable : ndarray (time,)
        Where everything else allows the target.

    Notes
    -----
    Of all sets as large as the tracker allows, the one that is kept longest
    while the target is usable; of equals, the one with the widest margin then.
    """
    wish = limits.scenario.requests[request]
    tracker = tracker_for(limits, wish)
    if tracker is None:
        return subarray
    beams = len(subarray.telescopes)
    edges = edges_mag(limits, wish, request, subarray.telescopes, wish.extras.tracking == "phase")
    inside = usable if usable.any() else np.ones(len(usable), dtype=bool)
    best: tuple[int, float] | None = None
    chosen: tuple[int, ...] = ()
    for members in tracked_sets(beams, tracker.beams):
        margin = chain_margin(edges[inside], members, beams)
        worth = int(np.count_nonzero(margin >= 0)), float(margin.max())
        if best is None or worth > best:
            best, chosen = worth, members
    return replace(subarray, tracked=chosen)
