"""Which telescope stands where in one configuration, as vectors.

East, north, up in metres from the middle of all the array's stations, placed
or not: while a common offset is held the wave is followed from there, so that
neither the origin of the coordinates nor the configuration changes a path.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from planner.geometry.baselines import baseline_vectors_m, constant_path_m, lengths_m, pivots_m
from planner.scenario.array import Array, Mask, TelescopeClass


@dataclass(frozen=True)
class Placement:
    """The telescopes of one configuration.

    Attributes
    ----------
    telescopes, stations : tuple of str
        Same order; the order of ``array.toml``.
    classes : tuple of TelescopeClass
    vectors_m : ndarray (telescope, 3)
        Where baselines end, from ``baselines.pivots_m``.
    fixed_path_m : ndarray (telescope,)
        From there to the delay lines.
    horizons : tuple of Mask
        Each station's own skyline.
    inlet_beams : tuple of int
        Beams that each station's light inlet lets through.
    """

    telescopes: tuple[str, ...]
    stations: tuple[str, ...]
    classes: tuple[TelescopeClass, ...]
    vectors_m: np.ndarray
    fixed_path_m: np.ndarray
    horizons: tuple[Mask, ...]
    inlet_beams: tuple[int, ...] = ()

    def index(self, telescopes: tuple[str, ...]) -> np.ndarray:
        """Return positions of these telescopes in this placement; ValueError for one not placed."""
        return np.array([self.telescopes.index(name) for name in telescopes], dtype=int)

    def longest_baseline_m(self, telescopes: Sequence[int] | np.ndarray | None = None) -> float:
        """Length of the longest pair of some telescopes (default all), 0 for a single one."""
        own = self.vectors_m if telescopes is None else self.vectors_m[np.asarray(telescopes, dtype=int)]
        vectors = baseline_vectors_m(own)
        return float(lengths_m(vectors).max()) if len(vectors) else 0.0


def placement_of(array: Array, configuration: str) -> Placement:
    """Return the telescopes that a configuration puts on the array; KeyError for an unknown name."""
    placed = array.placed(configuration)
    return placement_on(array, tuple(placed), tuple(placed.values()), tuple(map(array.class_of, placed)))


def placement_on(
    array: Array, telescopes: tuple[str, ...], stations: tuple[str, ...], classes: tuple[TelescopeClass, ...]
) -> Placement:
    """Return telescopes of these classes on these stations; KeyError for an unknown station."""
    return Placement(
        telescopes=telescopes,
        stations=stations,
        classes=classes,
        vectors_m=pivots_m(array, stations, classes),
        fixed_path_m=constant_path_m(array, stations, classes),
        horizons=tuple(array.station(name).horizon_deg for name in stations),
        inlet_beams=tuple(array.station(name).inlet_beams for name in stations),
    )
