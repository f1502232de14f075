"""How well a set of samples covers the (u, v) plane: gaps, spread, beam, side lobe.

Samples are (u, v) in wavelengths, east and north, one of each conjugate pair:
every function counts (-u, -v) as well. Angles on the sky in radians inside,
milliarcseconds and degrees (north through east) in the results.

The dirty beam of N samples with equal weights is
B(a, d) = (1/N) sum cos(2 pi (u a + v d)), the response to a point source.
Close to its centre B = 1 - 2 pi^2 x.M x with M the second moments of the
samples; the Gaussian exp(-4 ln 2 (x/w)^2) of the same curvature has the full
width at half maximum w = sqrt(2 ln 2)/(pi sqrt(m)) along an axis of M with
moment m. Derived here from the two expansions.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from planner.units import RAD_PER_MAS

RAYS = 90  # one every two degrees of half a turn; the beam is symmetric about its centre
STEPS_PER_PERIOD = 10  # of the fastest oscillation of the beam
PERIODS_MAX = 40  # beyond so many of them a side lobe is no concern of the main lobe
STILL = 1e-9  # a rise of the beam smaller than this is rounding


@dataclass(frozen=True)
class Gap:
    """The largest stretch of position angles without a sample, degrees of 180."""

    width_deg: float
    from_deg: float
    to_deg: float


@dataclass(frozen=True)
class Beam:
    """The Gaussian with the curvature of the dirty beam; ``major_mas`` is inf for one straight line."""

    major_mas: float
    minor_mas: float
    position_angle_deg: float


@dataclass(frozen=True)
class CoverageFigures:
    """The numbers that go with a (u, v) plane.

    Attributes
    ----------
    gap : Gap
    shortest, longest : float
        Spread of the samples in radius, wavelengths.
    beam : Beam
    side_lobe : float or None
        Highest side lobe as a fraction of the peak; None when there is none inside the field of view.
    """

    gap: Gap
    shortest: float
    longest: float
    beam: Beam
    side_lobe: float | None


def coverage_figures(uv: np.ndarray, field_mas: float) -> CoverageFigures:
    """Return all numbers for samples (sample, 2) in wavelengths; ValueError when there is none."""
    if len(uv) == 0:
        raise ValueError("no samples, so there is no coverage to describe")
    radius = np.hypot(uv[:, 0], uv[:, 1])
    return CoverageFigures(
        gap=position_angle_gap(uv),
        shortest=float(radius.min()),
        longest=float(radius.max()),
        beam=second_moment_beam(uv),
        side_lobe=peak_side_lobe(uv, field_mas * RAD_PER_MAS),
    )


def position_angle_gap(uv: np.ndarray) -> Gap:
    """Return the largest gap in position angle between neighbouring samples.

    Parameters
    ----------
    uv : ndarray (sample, 2)
        Position angle is atan2(u, v), modulo 180 degrees.

    Examples
    --------
    >>> position_angle_gap(np.array([[0.0, 1.0], [1.0, 1.0]]))
    Gap(width_deg=135.0, from_deg=45.0, to_deg=180.0)
    """
    angle = np.sort(np.mod(np.rad2deg(np.arctan2(uv[:, 0], uv[:, 1])), 180.0))
    following = np.append(angle[1:], angle[0] + 180.0)
    widest = int(np.argmax(following - angle))
    start, end = float(angle[widest]), float(following[widest])
    return Gap(end - start, start, end if end <= 180.0 else end - 180.0)


def second_moment_beam(uv: np.ndarray) -> Beam:
    """Return the beam from the second moments of the samples (formula above).

    Parameters
    ----------
    uv : ndarray (sample, 2)
    """
    moment, axis = np.linalg.eigh(uv.T @ uv / len(uv))
    # Rounding leaves a straight line with a moment of about 1e-16 of the other one.
    width = [
        float(np.sqrt(2.0 * np.log(2.0)) / (np.pi * np.sqrt(m))) if m > 1e-12 * moment[1] else np.inf
        for m in moment
    ]
    east, north = axis[:, 0]  # the weakest moment: the widest beam
    return Beam(
        major_mas=width[0] / RAD_PER_MAS,
        minor_mas=width[1] / RAD_PER_MAS,
        position_angle_deg=float(np.mod(np.rad2deg(np.arctan2(east, north)), 180.0)),
    )


def dirty_beam(uv: np.ndarray, offset_rad: np.ndarray) -> np.ndarray:
    """Return the dirty beam at offsets (..., 2) east and north, by direct sum over the samples, (...).

    Examples
    --------
    >>> dirty_beam(np.array([[100.0, 0.0]]), np.array([[0.0, 0.0], [0.005, 0.0]]))
    array([ 1., -1.])
    """
    return np.cos(2.0 * np.pi * (offset_rad @ uv.T)).mean(axis=-1)


def peak_side_lobe(uv: np.ndarray, field_rad: float) -> float | None:
    """Return the highest positive side lobe within the field of view of the beam's centre.

    On each ray from the centre the main lobe ends where the beam first rises;
    the side lobe is the largest value from there to ``field_rad``.

    Parameters
    ----------
    uv : ndarray (sample, 2)
    field_rad : float
        How far from the centre side lobes matter: two points of a source are at most so far apart.

    Returns
    -------
    float or None
        None when the beam rises nowhere inside.
    """
    longest = float(np.hypot(uv[:, 0], uv[:, 1]).max())
    if longest == 0.0:
        return None
    step = 1.0 / (STEPS_PER_PERIOD * longest)
    radius = np.arange(0.0, min(field_rad, PERIODS_MAX / longest) + step, step)
    highest = -np.inf
    for angle in np.arange(RAYS) * (np.pi / RAYS):
        ray = np.array([np.sin(angle), np.cos(angle)])
        beam = dirty_beam(uv, radius[:, None] * ray)
        rising = np.flatnonzero(np.diff(beam) > STILL)
        if len(rising):
            highest = max(highest, float(beam[rising[0] :].max()))
    return highest if np.isfinite(highest) else None
