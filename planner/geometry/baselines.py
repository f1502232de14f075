"""Stations, pairs and subarrays as vectors.

Vectors are east, north, up in metres from the array's reference point. The
baseline of the pair (i, j) is r_j - r_i.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np

from planner.scenario.array import Array


def station_vectors_m(array: Array, stations: Sequence[str]) -> np.ndarray:
    """Return station coordinates, (station, 3) ENU metres; KeyError for an unknown name."""
    found = [array.station(name) for name in stations]
    return np.array([[s.east_m, s.north_m, s.up_m] for s in found], dtype=float).reshape(-1, 3)


def pairs(count: int) -> np.ndarray:
    """Return the index pairs i < j of ``count`` beams, (pair, 2), in lexicographic order."""
    return np.array(list(itertools.combinations(range(count), 2)), dtype=int).reshape(-1, 2)


def baseline_vectors_m(vectors_m: np.ndarray) -> np.ndarray:
    """Return r_j - r_i of every pair i < j of the stations given, (pair, 3)."""
    index = pairs(len(vectors_m))
    return vectors_m[index[:, 1]] - vectors_m[index[:, 0]]


def lengths_m(vectors: np.ndarray) -> np.ndarray:
    """Return the three-dimensional lengths of vectors (..., 3)."""
    return np.linalg.norm(vectors, axis=-1)


def azimuths_deg(vectors: np.ndarray) -> np.ndarray:
    """Return the azimuths of ENU vectors (..., 3), from north through east, 0 to 360."""
    return np.mod(np.rad2deg(np.arctan2(vectors[..., 0], vectors[..., 1])), 360.0)
