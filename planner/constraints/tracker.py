"""Does the fringe tracker hold the tracked beams together: a chain of baselines bright enough for it.

A tracker with fewer beams than the combiner follows some of the telescopes.
Every tracked telescope must be linked with every other through baselines on
which fringes are bright enough (bootstrapping: Armstrong et al. 1998, ApJ 496,
550); long baselines that show none are then held by short ones that do.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from planner.constraints.tonight import NightLimits
from planner.constraints.verdict import Verdict
from planner.geometry.baselines import baseline_vectors_m
from planner.scenario.light_path import FringeTracker
from planner.scenario.targets import Request, Star
from planner.science.tracking import chain_margin, edge_margin_mag, tracked_sets

TRACKER = "fringe tracker"


def tracker_for(limits: NightLimits, request: Request) -> FringeTracker | None:
    """Return the fringe tracker that has to follow a request's stars, or None."""
    return limits.scenario.array.tracker_of(limits.scenario.combiner_of(request))


def seen_by_tracker(request: Request, star: Star, science: bool, band: str) -> tuple[float, float]:
    """Return magnitude and diameter (mas) of what the tracker follows: the second star of a dual feed."""
    second = request.extras.second_star
    if science and second is not None:
        return second.mag.get(band, np.inf), second.diameter_mas
    return star.mag.get(band, np.inf), star.diameter_mas or 0.0


def edges_mag(
    limits: NightLimits,
    request: Request,
    star: int,
    telescopes: Sequence[int],
    phase: bool,
) -> np.ndarray:
    """Return by how much each baseline can be tracked, mag, (time, pair), pairs i < j in the order given.

    Raises
    ------
    ValueError
        When no tracker follows the request.

    Notes
    -----
    A star of unknown diameter counts as a point: the combiner, not the tracker,
    judges a calibrator's size.
    """
    tracker = tracker_for(limits, request)
    if tracker is None:
        raise ValueError(f"No fringe tracker follows {request.name!r}.")
    own = limits.sky.stars[star]
    science = own is request.star or own == request.star
    magnitude, diameter = seen_by_tracker(request, own, science, tracker.band)
    vectors = baseline_vectors_m(limits.placement.vectors_m[list(telescopes)])
    along = limits.sky.direction[star] @ vectors.T
    projected = np.sqrt(np.maximum(np.sum(vectors**2, axis=-1) - along**2, 0.0))
    classes = [limits.placement.classes[i].name for i in telescopes]
    return edge_margin_mag(tracker, phase, magnitude, diameter, classes, projected)


def linked(limits: NightLimits, request: Request, star: int, telescopes: Sequence[int]) -> np.ndarray:
    """Return where the tracker holds some set of these telescopes together, (time,); True without one."""
    tracker = tracker_for(limits, request)
    if tracker is None:
        return np.ones(limits.sky.direction.shape[1], dtype=bool)
    edges = edges_mag(limits, request, star, telescopes, request.extras.tracking == "phase")
    sets = tracked_sets(len(telescopes), tracker.beams)
    return np.any([chain_margin(edges, own, len(telescopes)) >= 0 for own in sets], axis=0)


def tracking(
    limits: NightLimits, request: Request, star: int, telescopes: Sequence[int], tracked: Sequence[int]
) -> Verdict | None:
    """Margin of the tracked beams' weakest necessary baseline, mag, (time,); None without a tracker.

    Parameters
    ----------
    star : int
        Index in ``limits.sky.stars``.
    telescopes : sequence of int
        Index in the placement.
    tracked : sequence of int
        Beams, as positions in ``telescopes``.
    """
    if tracker_for(limits, request) is None:
        return None
    edges = edges_mag(limits, request, star, telescopes, request.extras.tracking == "phase")
    return Verdict(TRACKER, "mag", chain_margin(edges, tracked, len(telescopes)), ("time",))
