"""The light path of a ranking as bits: air in the lines, and the fringe tracker."""

from __future__ import annotations

import itertools

import numpy as np
from scipy.ndimage import maximum_filter1d

from planner.constraints.air import left_contrast
from planner.constraints.contrast import ABERRATION
from planner.constraints.tracker import seen_by_tracker
from planner.geometry.baselines import baseline_vectors_m, pairs
from planner.geometry.uv import uvw_m
from planner.ranking.moments import Moments
from planner.scenario.array import Combiner
from planner.science.contrast import contrast_of
from planner.science.tracking import edge_margin_mag, tracked_sets


def air_bits(moments: Moments, rows: np.ndarray, combiner: Combiner, constant_m: float) -> np.ndarray:
    """Return where the air leaves each pair of seats enough contrast, (pair, row, byte).

    Parameters
    ----------
    constant_m : float
        Constant path of the second beam minus that of the first.
    """
    array = moments.scenario.array
    path = np.moveaxis(moments.path_m[moments.star_of[rows]], -1, 0)
    found = [
        np.packbits(
            left_contrast(array, combiner, path[i] - path[j] + constant_m) >= combiner.air_contrast_min,
            axis=-1,
        )
        for i, j in itertools.combinations(range(len(path)), 2)
    ]
    return np.array(found, dtype=np.uint8)


def fringe_bits(
    moments: Moments, rows: np.ndarray, numbers: np.ndarray, nearby: bool = True
) -> np.ndarray | None:
    """Return where a target shows fringes within a science step, (subarray, row, byte); None for everywhere.

    Parameters
    ----------
    rows : ndarray (row,)
        Positions of requests.
    numbers : ndarray (subarray, pair)
        Where its pairs stand among all pairs of seats.
    nearby : bool
        False: at the slot itself.
    """
    vectors = baseline_vectors_m(moments.placement.vectors_m)
    longest_m = float(np.linalg.norm(vectors, axis=-1).max(initial=0.0)) * ABERRATION
    found: np.ndarray | None = None
    for place, row in enumerate(rows.tolist()):
        wish = moments.requests[row]
        contrast = contrast_of(moments.scenario, wish, longest_m)
        if contrast is None:
            continue
        if found is None:
            every = np.packbits(np.ones(moments.slots, dtype=bool))
            found = np.tile(every, (len(numbers), len(rows), 1))
        uv = uvw_m(moments.sky.icrs_rad[[row]], moments.sky.frame.boost, vectors)[0, :, :, :2]
        counts = (contrast.margin(uv) >= 0).any(axis=-1)
        slots = 1 + int(np.ceil(moments.scenario.science_step_s(wish) / moments.scenario.night.slot_s))
        width = 2 * slots + 1 if nearby else 1
        near = maximum_filter1d(counts.astype(np.uint8), width, axis=0, mode="nearest")
        found[:, place] = np.bitwise_or.reduce(np.packbits(near.T, axis=-1)[numbers], axis=1)
    return found


def tracker_bits(
    moments: Moments, rows: np.ndarray, members: np.ndarray, numbers: np.ndarray
) -> np.ndarray | None:
    """Return where the fringe tracker holds each subarray together, (subarray, row, byte); None without one.

    Parameters
    ----------
    rows : ndarray (row,)
        Positions of requests of one combiner.
    members : ndarray (subarray, beam)
    numbers : ndarray (subarray, pair)
        Where its pairs stand among all pairs of seats.
    """
    array = moments.scenario.array
    wishes = [moments.requests[row] for row in rows]
    trackers = {moments.scenario.combiner_of(wish).fringe_tracker for wish in wishes}
    if trackers == {None}:
        return None
    every = np.packbits(np.ones(moments.slots, dtype=bool))
    classes = [own.name for own in moments.placement.classes]
    vectors = baseline_vectors_m(moments.placement.vectors_m)
    found = np.empty((len(members), len(rows), len(every)), dtype=np.uint8)
    for place, (row, wish) in enumerate(zip(rows.tolist(), wishes, strict=True)):
        tracker = array.tracker_of(moments.scenario.combiner_of(wish))
        if tracker is None:
            found[:, place] = every
            continue
        star = int(moments.star_of[row])
        science = moments.sky.stars[star] is wish.star
        magnitude, diameter = seen_by_tracker(wish, moments.sky.stars[star], science, tracker.band)
        along = moments.sky.direction[star] @ vectors.T
        projected = np.sqrt(np.maximum(np.sum(vectors**2, axis=-1) - along**2, 0.0))
        phase = wish.extras.tracking == "phase"
        margin = edge_margin_mag(tracker, phase, magnitude, diameter, classes, projected)
        bits = np.packbits((margin >= 0).T, axis=-1)[numbers]
        found[:, place] = _linked(bits, members.shape[1], tracker.beams)
    return found


def _linked(bits: np.ndarray, beams: int, most: int) -> np.ndarray:
    """Where some set of beams is one graph, (subarray, byte), from pairs (subarray, pair, byte)."""
    inner = [(int(i), int(j)) for i, j in pairs(beams)]
    found = np.zeros((len(bits), bits.shape[-1]), dtype=np.uint8)
    for members in tracked_sets(beams, most):
        reach = {beam: np.zeros_like(found) for beam in members}
        reach[members[0]] = np.full_like(found, 255)
        for _ in range(len(members) - 1):
            for k, (i, j) in enumerate(inner):
                if i in reach and j in reach:
                    reach[j] = reach[j] | (reach[i] & bits[:, k])
                    reach[i] = reach[i] | (reach[j] & bits[:, k])
        found |= np.bitwise_and.reduce(list(reach.values()), axis=0)
    return found
