"""Lines in air: what is left of the fringes in the science band when the tracking band is at zero path.

The lines make the paths equal in the band in which fringes are followed. Air
is dispersive, so in another band two beams whose lines differ by D metres of
light are left apart by D (n_g(science)/n_g(tracking) - 1). In a channel of
width lambda/R this costs contrast. Without a fringe tracker the combiner
follows its own fringes, in the middle of its channels.

The common offset drops out: only differences of delays count.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np

from planner.constraints.verdict import Verdict
from planner.geometry.air import air_offset_m, contrast
from planner.scenario.array import Array, Combiner, DelayLine

AIR = "air in the lines"


def tracking_wavelength_um(array: Array, combiner: Combiner) -> float:
    """Return the wavelength at which the paths are made equal."""
    tracker = array.tracker_of(combiner)
    if tracker is not None:
        return tracker.wavelength_um
    return float(np.mean(combiner.wavelengths_um))


def offset_m(array: Array, combiner: Combiner, difference_m: np.ndarray) -> np.ndarray:
    """Return the path left in each science channel, (..., channel); delays differ by (...) metres."""
    channels = np.array(combiner.wavelengths_um)
    tracked = tracking_wavelength_um(array, combiner)
    return air_offset_m(np.asarray(difference_m)[..., None], tracked, channels, array.site)


def left_contrast(array: Array, combiner: Combiner, difference_m: np.ndarray) -> np.ndarray:
    """Return the contrast of the worst channel for differences of delays (...), metres; (...).

    One where the combiner gives no resolution: nothing can be said.
    """
    if combiner.resolution is None:
        return np.ones(np.shape(difference_m))
    left = contrast(
        offset_m(array, combiner, difference_m), np.array(combiner.wavelengths_um), combiner.resolution
    )
    return np.asarray(left.min(axis=-1))


def air_limit(array: Array, combiner: Combiner, lines: Sequence[DelayLine], path_m: np.ndarray) -> Verdict:
    """Margin of the contrast that the air leaves between any two beams in air, (star, time).

    Parameters
    ----------
    path_m : ndarray (star, time, beam)
        g of the delay equation, constant paths included.
    """
    margin = np.full(path_m.shape[:2], np.inf)
    if combiner.air_contrast_min > 0:
        in_air = [k for k, line in enumerate(lines) if line.medium == "air"]
        for i, j in itertools.combinations(in_air, 2):
            left = left_contrast(array, combiner, path_m[..., i] - path_m[..., j])
            margin = np.minimum(margin, left - combiner.air_contrast_min)
    return Verdict(AIR, "of contrast", margin, ("star", "time"))
