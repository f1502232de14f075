"""Does a neighbour's enclosure stand in the light.

The enclosure of telescope j is a solid vertical cylinder of radius R whose top
is T above its pad. With f the horizontal unit vector towards the star and c the
one to its right, the neighbour lies at ``along`` f + ``across`` c. The ray at
pupil offset x (along c) meets the cylinder at the horizontal distance
a = along - sqrt(R^2 - (across - x)^2), and the pupil is dark below

    y(x) = (T' - a tan h) cos h,     T' = T - p_j + z_j - z_i,

with h the refracted altitude, z the heights of the pupils' centres and p_j that
of the neighbour's above its pad. Derived: a ray that leaves the pupil at (x, y)
is at height y / cos h + a tan h above the pupil's centre when it gets there.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from planner.constraints.verdict import Verdict
from planner.geometry.placement import Placement
from planner.scenario.array import TelescopeClass
from planner.sky.directions import refracted_altitude_deg
from planner.sky.night import NightSky

STRIPS = 200  # strips of the pupil: 1 cm on a 2 m telescope
AT_ONCE = 256  # samples whose strips are worked out together: they stay in a processor's cache


def dark_edge_m(
    offset_m: np.ndarray,
    horizontal: np.ndarray,
    altitude_rad: np.ndarray,
    cylinder: tuple[np.ndarray, float, float],
) -> np.ndarray:
    """Return the height y(x) below which the pupil is dark, -inf where it is clear, (sample, strip).

    Parameters
    ----------
    offset_m : ndarray (strip,) or (sample, strip)
        Pupil offsets x, to the right of the star's azimuth.
    horizontal : ndarray (sample, 2)
        Unit vectors (east, north) towards the star's azimuth.
    altitude_rad : ndarray (sample,)
    cylinder : (ndarray (2,), float, float)
        East and north of the axis from the telescope, radius, height of the top above the pupil's centre.
    """
    centre, radius, top = cylinder
    along = horizontal @ centre
    across = horizontal[:, 1] * centre[0] - horizontal[:, 0] * centre[1]
    half = radius**2 - (across[:, None] - offset_m) ** 2
    entry = along[:, None] - np.sqrt(np.maximum(half, 0.0))
    edge = (top - entry * np.tan(altitude_rad)[:, None]) * np.cos(altitude_rad)[:, None]
    return np.where((half > 0) & (entry > 0), edge, -np.inf)


def obstructed_fraction(
    edge_m: np.ndarray, offset_m: np.ndarray, strip_m: np.ndarray | float, diameter_m: float
) -> np.ndarray:
    """Return the part of the pupil below the edge, 0 to 1, (sample,).

    Parameters
    ----------
    edge_m : ndarray (sample, strip)
        From :func:`dark_edge_m`.
    offset_m : ndarray (strip,) or (sample, strip)
        Middles of equal strips; what they leave out of the pupil is clear.
    strip_m : float or ndarray (sample,)
        Width of a strip.
    diameter_m : float
    """
    half_chord = np.sqrt(np.maximum((diameter_m / 2.0) ** 2 - offset_m**2, 0.0))
    dark = np.clip(edge_m, -half_chord, half_chord) + half_chord
    fraction = dark.sum(axis=-1) * strip_m / (np.pi * diameter_m**2 / 4.0)
    return np.minimum(fraction, 1.0)


def obstruction(sky: NightSky, placement: Placement) -> np.ndarray:
    """Return the fraction of each pupil hidden by all neighbours together, (star, time, telescope)."""
    everyone = range(len(placement.telescopes))
    rays = rays_of(sky)
    found = [hidden_by(rays, placement, i, [j for j in everyone if j != i]) for i in everyone]
    shape = sky.direction.shape[:2]
    return np.stack(found, axis=-1).reshape(*shape, -1) if found else np.zeros((*shape, 0))


def rays_of(sky: NightSky) -> tuple[np.ndarray, np.ndarray]:
    """Return where the light comes from: horizontal unit vectors (sample, 2), refracted altitude in radians.

    Samples are all stars at all times, stars first.
    """
    direction = sky.direction.reshape(-1, 3)
    altitude = np.deg2rad(refracted_altitude_deg(sky.direction, sky.frame).reshape(-1))
    flat = np.maximum(np.hypot(direction[:, 0], direction[:, 1]), 1e-12)
    return direction[:, :2] / flat[:, None], altitude


def hidden_by(
    rays: tuple[np.ndarray, np.ndarray], placement: Placement, own: int, others: Sequence[int]
) -> np.ndarray:
    """Return the fraction of one pupil that some neighbours hide together, (sample,).

    Parameters
    ----------
    rays : (ndarray (sample, 2), ndarray (sample,))
        From :func:`rays_of`.
    placement : Placement
    own : int
        Whose pupil.
    others : sequence of int
        Whose enclosures.
    """
    horizontal, altitude = rays
    mine = placement.classes[own]
    cylinders = [
        (
            (placement.vectors_m[j] - placement.vectors_m[own])[:2],
            placement.classes[j].enclosure_radius_m,
            _top_above_pupil_m(placement, own, j),
        )
        for j in others
    ]
    fraction = np.zeros(len(altitude))
    # Below the horizon another limit says no; the formula holds for rays that rise.
    risen = np.flatnonzero(altitude > np.deg2rad(0.5))
    horizontal, altitude = horizontal[risen], altitude[risen]
    near = np.zeros((len(cylinders), len(risen)), dtype=bool)
    for row, cylinder in enumerate(cylinders):
        near[row] = _may_hide(horizontal, altitude, cylinder, mine.diameter_m)
    samples = np.flatnonzero(near.any(axis=0))
    for begin in range(0, len(samples), AT_ONCE):
        own_samples = samples[begin : begin + AT_ONCE]
        light = horizontal[own_samples], altitude[own_samples]
        fraction[risen[own_samples]] = _hidden(light, cylinders, near[:, own_samples], mine)
    return fraction


def _top_above_pupil_m(placement: Placement, own: int, other: int) -> float:
    rise = placement.vectors_m[other, 2] - placement.vectors_m[own, 2]
    neighbour = placement.classes[other]
    return float(neighbour.enclosure_height_m - neighbour.pupil_height_m + rise)


def _may_hide(
    horizontal: np.ndarray, altitude: np.ndarray, cylinder: tuple[np.ndarray, float, float], diameter_m: float
) -> np.ndarray:
    """True where the cylinder could reach into the beam: a cheap necessary condition, (sample,)."""
    centre, radius, top = cylinder
    along = horizontal @ centre
    across = horizontal[:, 1] * centre[0] - horizontal[:, 0] * centre[1]
    ahead = np.flatnonzero((np.abs(across) < radius + diameter_m / 2.0) & (along > 0))
    found = np.zeros(len(altitude), dtype=bool)
    up = altitude[ahead]
    found[ahead] = (along[ahead] - radius) * np.tan(up) < top + diameter_m / 2.0 / np.cos(up)
    return found


def _hidden(
    rays: tuple[np.ndarray, np.ndarray],
    cylinders: list[tuple[np.ndarray, float, float]],
    near: np.ndarray,
    own: TelescopeClass,
) -> np.ndarray:
    """Fraction of the pupil that all cylinders hide together, (sample,).

    The strips lie in the part of the pupil that some cylinder can reach, sample
    by sample, so that the first touch of a shadow's side is seen at once.

    Parameters
    ----------
    near : ndarray of bool (cylinder, sample)
        Where each can hide anything: elsewhere its edge lies below the pupil.
    """
    horizontal, altitude = rays
    half = own.diameter_m / 2.0
    low, high = np.full(len(altitude), half), np.full(len(altitude), -half)
    for centre, radius, _ in cylinders:
        across = horizontal[:, 1] * centre[0] - horizontal[:, 0] * centre[1]
        ahead = (horizontal @ centre > 0) & (np.abs(across) < radius + half)
        low = np.where(ahead, np.minimum(low, np.maximum(across - radius, -half)), low)
        high = np.where(ahead, np.maximum(high, np.minimum(across + radius, half)), high)
    width = np.maximum(high - low, 0.0)
    offset = low[:, None] + width[:, None] * (np.arange(STRIPS) + 0.5) / STRIPS
    edge = np.full(offset.shape, -np.inf)
    for cylinder, reached in zip(cylinders, near, strict=True):
        here = np.flatnonzero(reached)
        own_edge = dark_edge_m(offset[here], horizontal[here], altitude[here], cylinder)
        edge[here] = np.maximum(edge[here], own_edge)
    return obstructed_fraction(edge, offset, width / STRIPS, own.diameter_m)


def shadowing(sky: NightSky, placement: Placement) -> Verdict:
    """Margin of the hidden part of each pupil, as a fraction of the pupil, (star, time, telescope)."""
    limit = np.array([c.obstruction_max for c in placement.classes])
    return Verdict(
        "shadowing", "of the pupil", limit - obstruction(sky, placement), ("star", "time", "telescope")
    )
