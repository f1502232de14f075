"""Where baselines end; pairs and subarrays as vectors.

A baseline ends where the two axes of a telescope meet, as high above its pad
as its class says: only this point stands still while a star is followed
(common practice, no source). Vectors are east, north, up in metres from
``Array.middle_m``. The baseline of the pair (i, j) is r_j - r_i.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np

from planner.scenario.array import Array, TelescopeClass


def pivots_m(array: Array, stations: Sequence[str], classes: Sequence[TelescopeClass]) -> np.ndarray:
    """Return where the baselines of telescopes of these classes on these stations end, (telescope, 3).

    Raises
    ------
    KeyError
        For an unknown station.
    """
    standing = zip(map(array.station, stations), classes, strict=True)
    places = [(pad.east_m, pad.north_m, pad.up_m + own.pupil_height_m) for pad, own in standing]
    return np.array(places, dtype=float).reshape(-1, 3) - np.array(array.middle_m)


def constant_path_m(array: Array, stations: Sequence[str], classes: Sequence[TelescopeClass]) -> np.ndarray:
    """Return the constant path from where the baselines end to the delay lines, metres, (telescope,).

    Down to the pad, then the station's own; KeyError for an unknown station.
    """
    standing = zip(map(array.station, stations), classes, strict=True)
    return np.array([own.pupil_height_m + pad.fixed_path_m for pad, own in standing], dtype=float)


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
