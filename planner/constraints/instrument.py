"""Can the combiner use this star: brightness, and for a calibrator closeness and size."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from planner.constraints.verdict import Verdict
from planner.scenario.array import Combiner
from planner.scenario.targets import Star
from planner.science.source import uniform_disk_visibility


def bracket_distance_deg(direction: np.ndarray, target: int, calibrators: np.ndarray) -> np.ndarray:
    """Angle between the target and each calibrator at one time, degrees, (calibrator,).

    Parameters
    ----------
    direction : ndarray (star, 3)
        Unit vectors on any axes.
    """
    chord = np.linalg.norm(direction[calibrators] - direction[target], axis=-1)
    return np.rad2deg(2.0 * np.arcsin(np.clip(chord / 2.0, 0.0, 1.0)))


def calibrator_visibility(
    calibrators: Sequence[Star], baseline_m: float, combiner: Combiner, vis2_min: float
) -> Verdict:
    """Margin of the calibrators' squared visibility on the longest baseline, (star,).

    Uniform disk at the shortest channel; beyond the first null the disk counts
    as dark, because a side lobe is no calibrator.
    """
    diameter = np.array([np.inf if star.diameter_mas is None else star.diameter_mas for star in calibrators])
    wavelength = min(combiner.wavelengths_um)
    finite = np.isfinite(diameter)
    visibility = uniform_disk_visibility(np.where(finite, diameter, 0.0), baseline_m, wavelength)
    vis2 = np.where(finite & (visibility > 0), visibility**2, 0.0)
    return Verdict("calibrator visibility", "of V squared", vis2 - vis2_min, ("star",))
