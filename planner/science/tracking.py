"""Which beams a fringe tracker can hold together, and what its errors cost.

A tracker sees fringes on baselines. It holds a set of beams when the baselines
on which it sees enough tie the set together, be it through other beams of the
set: long baselines that show too little are reached along chains of short ones
(bootstrapping; Armstrong et al. 1998, ApJ 496, 550).

Pairs i < j of beams stand in lexicographic order: (0, 1), (0, 2), ..., (1, 2), ...
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np

from planner.scenario.light_path import FringeTracker
from planner.science.source import uniform_disk_visibility


def _pairs(beams: int) -> list[tuple[int, int]]:
    """Every pair i < j of beams, lexicographic."""
    return list(itertools.combinations(range(beams), 2))


def _dimming_mag(visibility: np.ndarray | float) -> np.ndarray:
    """2.5 log10 |V|: zero or less, -inf where V = 0."""
    size = np.abs(np.asarray(visibility, dtype=float))
    dark = size == 0
    return np.where(dark, -np.inf, 2.5 * np.log10(np.where(dark, 1.0, size)))


def correlated_magnitude(magnitude: np.ndarray | float, visibility: np.ndarray | float) -> np.ndarray:
    """Return the magnitude of the light that interferes, m - 2.5 log10 |V|.

    Parameters
    ----------
    magnitude, visibility : ndarray or float
        Shapes broadcast; the sign of the visibility does not matter.

    Returns
    -------
    ndarray
        Magnitudes; inf where the visibility is 0.

    Notes
    -----
    Common practice, no source.

    Examples
    --------
    >>> float(correlated_magnitude(5.0, -0.1))
    7.5
    """
    return np.asarray(magnitude, dtype=float) - _dimming_mag(visibility)


def tracked_sets(count: int, most: int) -> list[tuple[int, ...]]:
    """Return every set of beams that a tracker for ``most`` of ``count`` beams could take.

    Examples
    --------
    >>> tracked_sets(3, 2)
    [(0, 1), (0, 2), (1, 2)]
    """
    return list(itertools.combinations(range(count), min(count, most)))


def edge_margin_mag(
    tracker: FringeTracker,
    phase: bool,
    magnitude: float,
    diameter_mas: float,
    classes: Sequence[str],
    baselines_m: np.ndarray,
) -> np.ndarray:
    """Return by how much each baseline can be tracked, magnitudes.

    Parameters
    ----------
    tracker : FringeTracker
    phase : bool
        True for phase tracking, False for group-delay tracking.
    magnitude : float
        The star in the tracker's band.
    diameter_mas : float
        Its uniform-disk diameter.
    classes : sequence of str
        Telescope class of each beam.
    baselines_m : ndarray (..., pair)
        Projected lengths.

    Returns
    -------
    ndarray (..., pair)
        Limit less correlated magnitude, or how much brighter the visibility is
        than the smallest one followed (2.5 log10 |V| / V_min), whichever is
        less. The limit of a pair is that of its less sensitive class. -inf
        where a class has no limit, the visibility is 0 or a number is missing.
    """
    limits = tracker.phase_limit if phase else tracker.group_delay_limit
    of_beam = [limits.get(name, -np.inf) for name in classes]
    limit = np.array([min(of_beam[i], of_beam[j]) for i, j in _pairs(len(classes))])
    visibility = uniform_disk_visibility(diameter_mas, baselines_m, tracker.wavelength_um)
    margin = limit - correlated_magnitude(magnitude, visibility)
    if tracker.vis2_min > 0:
        # V squared is compared, so a square root is half of its logarithm: 1.25 for 2.5.
        margin = np.minimum(margin, _dimming_mag(visibility) - 1.25 * np.log10(tracker.vis2_min))
    return np.where(np.isnan(margin), -np.inf, margin)


def chain_margin(margin: np.ndarray, members: Sequence[int], beams: int) -> np.ndarray:
    """Return the margin with which the members hang together.

    Parameters
    ----------
    margin : ndarray (..., pair)
        Of every pair of the ``beams`` beams, no nan.
    members : sequence of int
        Different beams; only baselines among them carry the chain.
    beams : int

    Returns
    -------
    ndarray (...)
        The largest x for which the baselines with a margin of x or more leave
        the members in one piece; inf for a single member.

    Notes
    -----
    Widest paths, by the closure of Floyd and Warshall with (max, min) for (min, +).
    """
    margin = np.asarray(margin, dtype=float)
    place = {beam: k for k, beam in enumerate(members)}
    widest = np.full((*margin.shape[:-1], len(place), len(place)), np.inf)
    for k, (i, j) in enumerate(_pairs(beams)):
        if i in place and j in place:
            widest[..., place[i], place[j]] = widest[..., place[j], place[i]] = margin[..., k]
    for via in range(len(place)):
        detour = np.minimum(widest[..., :, via, None], widest[..., None, via, :])
        widest = np.maximum(widest, detour)
    return np.min(widest, axis=(-2, -1), initial=np.inf)


def chain(margin: np.ndarray, members: Sequence[int], beams: int) -> tuple[tuple[int, int], ...]:
    """Return the baselines that hold the members together with the largest margin.

    Parameters
    ----------
    margin : ndarray (pair,)
        Of every pair of the ``beams`` beams, no nan.
    members : sequence of int
        Different beams.
    beams : int

    Returns
    -------
    tuple of (int, int)
        One fewer than the members: pairs i < j of beams, strongest first and
        equals in lexicographic order. The weakest has the margin ``chain_margin``.

    Notes
    -----
    A maximum spanning tree (Kruskal 1956, Proc. Amer. Math. Soc. 7, 48; from memory).
    """
    piece = {beam: beam for beam in members}
    inside = [(i, j, k) for k, (i, j) in enumerate(_pairs(beams)) if i in piece and j in piece]
    tree = []
    for i, j, _ in sorted(inside, key=lambda edge: (-margin[edge[2]], edge[0], edge[1])):
        old, new = piece[j], piece[i]
        if old != new:
            tree.append((i, j))
            piece = {beam: new if its == old else its for beam, its in piece.items()}
    return tuple(tree)


def contrast(
    tracker: FringeTracker, phase: bool, tracked: Sequence[int], beams: int, wavelength_um: float
) -> np.ndarray:
    """Return the part of the fringe contrast that the path errors leave, (pair,).

    Parameters
    ----------
    tracker : FringeTracker
        With the rms path error of a beam in each state, in micrometres.
    phase : bool
        True for phase tracking, False for group-delay tracking.
    tracked : sequence of int
        Beams that are tracked; the others ride along.
    beams : int
    wavelength_um : float
        Wavelength that is recorded.

    Notes
    -----
    The mean of exp(i phi) is exp(-var(phi)/2) for a Gaussian phase phi (Goodman,
    Statistical Optics; from memory); errors of two beams are independent, so
    their variances add.
    """
    held_um = tracker.phase_rms_um if phase else tracker.group_delay_rms_um
    rms_um = np.full(beams, tracker.untracked_rms_um)
    rms_um[list(tracked)] = held_um
    first, second = np.triu_indices(beams, 1)
    variance_um2 = rms_um[first] ** 2 + rms_um[second] ** 2
    return np.exp(-0.5 * (2.0 * np.pi / wavelength_um) ** 2 * variance_um2)
