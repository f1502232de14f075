"""What a source looks like to a baseline: visibilities of simple shapes.

Angles in milliarcseconds, baselines in metres, wavelengths in micrometres.
V(u, v) = integral I exp(-2 pi i (u alpha + v delta)), normalised to V(0) = 1.
"""

from __future__ import annotations

import numpy as np
from scipy.special import j1, jv

from planner.scenario.targets import Star
from planner.units import RAD_PER_MAS

FIRST_NULL = 3.8317059702075125  # first zero of J1 beyond 0: Abramowitz & Stegun 1964, table 9.5


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


def expected_vis2(star: Star, uv_m: np.ndarray, wavelength_um: np.ndarray | float) -> np.ndarray:
    """Return the squared visibility that a star should show: the one place where its model stands.

    A uniform disk of ``diameter_mas``; a star without a diameter is taken as a point.

    Parameters
    ----------
    star : Star
    uv_m : ndarray (..., 2)
    wavelength_um : ndarray or float
        Broadcast with the leading axes of ``uv_m``.
    """
    length_m = np.hypot(uv_m[..., 0], uv_m[..., 1])
    return uniform_disk_visibility(star.diameter_mas or 0.0, length_m, wavelength_um) ** 2


def least_vis2(star: Star, longest_m: float, wavelength_um: float) -> float:
    """Return what the squared visibility does not fall below on baselines up to a length; 0 if unknown.

    A disk fades steadily up to its first null, x = 3.8317, the first zero of J1.

    Examples
    --------
    >>> from planner.scenario.targets import Star
    >>> giant = Star(name="giant", ra_deg=0.0, dec_deg=0.0, diameter_mas=20.2)
    >>> round(least_vis2(giant, 20.0, 2.2), 3), least_vis2(giant, 56.0, 2.2)
    (0.086, 0.0)
    """
    diameter = star.diameter_mas or 0.0
    if _argument(np.asarray(diameter), np.asarray(longest_m), np.asarray(wavelength_um)) >= FIRST_NULL:
        return 0.0
    return float(uniform_disk_visibility(diameter, longest_m, wavelength_um) ** 2)


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
