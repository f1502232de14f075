"""What a source looks like to a baseline: visibilities of simple shapes.

Angles in milliarcseconds, baselines in metres, wavelengths in micrometres.
V(u, v) = integral I exp(-2 pi i (u alpha + v delta)), normalised to V(0) = 1.
"""

from __future__ import annotations

import numpy as np
from scipy.special import j1, jv

from planner.units import RAD_PER_MAS


def _argument(diameter_mas: np.ndarray, baseline_m: np.ndarray, wavelength_um: np.ndarray) -> np.ndarray:
    """x = pi theta B / lambda."""
    return (
        np.pi
        * np.asarray(diameter_mas)
        * RAD_PER_MAS
        * np.asarray(baseline_m)
        / (np.asarray(wavelength_um) * 1e-6)
    )


def uniform_disk_visibility(
    diameter_mas: np.ndarray | float, baseline_m: np.ndarray | float, wavelength_um: np.ndarray | float
) -> np.ndarray:
    """Visibility of a uniform disk, signed, shapes broadcast.

    V = 2 J1(x)/x with x = pi theta B/lambda (Hanbury Brown, Davis & Allen 1974, MNRAS 167, 121).

    Examples
    --------
    >>> round(float(uniform_disk_visibility(5.0, 100.0, 2.2)), 4)
    0.0887
    """
    x = _argument(np.asarray(diameter_mas), np.asarray(baseline_m), np.asarray(wavelength_um))
    safe = np.where(x == 0, 1.0, x)
    return np.where(x == 0, 1.0, 2.0 * j1(safe) / safe)


def limb_darkened_disk_visibility(
    diameter_mas: np.ndarray | float,
    baseline_m: np.ndarray | float,
    wavelength_um: np.ndarray | float,
    darkening: float,
) -> np.ndarray:
    """Visibility of a disk with linear limb darkening u, signed, shapes broadcast.

    V = [(1-u)/2 + u/3]^-1 [(1-u) J1(x)/x + u sqrt(pi/2) J_3/2(x)/x^1.5]
    (Hanbury Brown, Davis, Lake & Thompson 1974, MNRAS 167, 475).
    """
    x = _argument(np.asarray(diameter_mas), np.asarray(baseline_m), np.asarray(wavelength_um))
    safe = np.where(x < 1e-8, 1.0, x)
    disk = (1.0 - darkening) * j1(safe) / safe
    limb = darkening * np.sqrt(np.pi / 2.0) * jv(1.5, safe) / safe**1.5
    return np.where(x < 1e-8, 1.0, (disk + limb) / ((1.0 - darkening) / 2.0 + darkening / 3.0))
