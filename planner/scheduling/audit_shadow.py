"""Does a neighbour's enclosure stand in the light: rays in three dimensions.

Rays leave points of the pupil, a disk square to the line of sight whose centre
stands ``pupil_height_m`` above its pad, towards the star as seen through the
air. A ray is dark when it enters the solid vertical cylinder of a neighbour
(radius R, top T above the neighbour's pad, the ground below it solid too)
below its top. Axes east, north, up in metres.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from planner.scenario.array import TelescopeClass
from planner.scheduling.audit_case import Case, class_of, named, tightest
from planner.scheduling.audit_sky import TrackedStep, station_vector_m, unit_vectors
from planner.scheduling.plan import Beam, NightPlan

RAYS = 3000  # points of equal area: a straight shadow edge is wrong by less than 0.004 of the disk (measured)
EDGE_RAYS = 240
FRACTION_TOLERANCE = 0.01
# Where nothing may be hidden, this rim of the pupil does not count: a centimetre, or the two-hundredth part.
RIM_M, RIM_PART = 0.01, 1.0 / 200.0

Neighbour = tuple[np.ndarray, TelescopeClass]  # pad relative to the own pad, class


def pupil_points_m(own: TelescopeClass) -> np.ndarray:
    """Return points of the pupil, to the right and up from its centre, (point, 2), metres.

    Equal areas on a spiral with the golden angle; where the limit is zero the
    rim is left out and its inner edge is traced as well.
    """
    number = np.arange(RAYS)
    radius = np.sqrt((number + 0.5) / RAYS)
    angle = number * np.pi * (3.0 - np.sqrt(5.0))
    half_m = own.diameter_m / 2.0
    if own.obstruction_max == 0:
        half_m = max(half_m - max(RIM_M, RIM_PART * own.diameter_m), 0.0)
        edge = np.linspace(0.0, 2.0 * np.pi, EDGE_RAYS, endpoint=False)
        radius, angle = np.append(radius, np.ones(EDGE_RAYS)), np.append(angle, edge)
    return half_m * radius[:, None] * np.stack([np.cos(angle), np.sin(angle)], axis=-1)


def dark_rays(
    origin_m: np.ndarray, direction: np.ndarray, axis_m: np.ndarray, radius_m: float, top_m: float
) -> np.ndarray:
    """Return which rays meet a vertical cylinder below its top, (sample, point).

    Parameters
    ----------
    origin_m : ndarray (sample, point, 3)
    direction : ndarray (sample, 3)
        Unit vectors; they must rise.
    axis_m : ndarray (2,)
        East and north of the cylinder's axis.
    radius_m, top_m : float
        Its radius; the height of its top on the axes of ``origin_m``.
    """
    flat = direction[:, None, :2]
    start = origin_m[..., :2] - axis_m
    # |start + t flat|^2 = R^2 is a quadratic equation in t, the length along the ray.
    a = np.maximum(np.sum(flat**2, axis=-1), 1e-18)
    b = np.sum(flat * start, axis=-1)
    root = b**2 - a * (np.sum(start**2, axis=-1) - radius_m**2)
    half = np.sqrt(np.maximum(root, 0.0))
    enters, leaves = (-b - half) / a, (-b + half) / a
    height = origin_m[..., 2] + np.maximum(enters, 0.0) * direction[:, None, 2]
    return (root > 0) & (leaves > 0) & (height < top_m)


@dataclass(frozen=True)
class Shadow:
    """How much of one pupil is hidden while a step is recorded.

    Attributes
    ----------
    seen : TrackedStep
    beam : Beam
    telescope_class : TelescopeClass
    hidden : ndarray (sample,)
        Part of the pupil, 0 to 1.
    """

    seen: TrackedStep
    beam: Beam
    telescope_class: TelescopeClass
    hidden: np.ndarray


def shadows(plan: NightPlan, tracked: tuple[TrackedStep, ...]) -> tuple[Shadow, ...]:
    """Work out the shadow on every beam whose telescope and station exist."""
    array = plan.scenario.array
    found = []
    for seen in tracked:
        for beam in seen.step.beams:
            own, station = class_of(array, beam.telescope), named(array.stations, beam.station)
            if own is None or station is None:
                continue
            neighbours = _neighbours(plan, beam.telescope, station_vector_m(station))
            hidden = hidden_fraction(own, seen.sky.azimuth_deg, seen.sky.seen_deg, neighbours)
            found.append(Shadow(seen, beam, own, hidden))
    return tuple(found)


def shadow_cases(found: tuple[Shadow, ...]) -> Iterator[Case]:
    """No pupil is hidden more than its class allows; margins as a fraction of the pupil."""
    for shadow in found:
        limit = shadow.telescope_class.obstruction_max
        slack = FRACTION_TOLERANCE if limit > 0 else 0.0
        yield tightest(
            limit + slack - shadow.hidden,
            shadow.seen.telling(
                f"{shadow.beam.telescope}, part of its pupil hidden", shadow.hidden, f", limit {limit:g}"
            ),
        )


def _neighbours(plan: NightPlan, telescope: str, pad: np.ndarray) -> list[Neighbour]:
    """Pads, relative to ``pad``, and classes of the other telescopes that stand on the array."""
    array = plan.scenario.array
    found = []
    for name, where in plan.placement.items():
        other, station = class_of(array, name), named(array.stations, where)
        if name != telescope and other is not None and station is not None:
            found.append((station_vector_m(station) - pad, other))
    return found


def hidden_fraction(
    own: TelescopeClass,
    azimuth_deg: np.ndarray,
    seen_deg: np.ndarray,
    neighbours: list[Neighbour],
) -> np.ndarray:
    """Return the part of the pupil that all neighbours together hide, 0 to 1, (sample,).

    Parameters
    ----------
    own : TelescopeClass
    azimuth_deg, seen_deg : ndarray (sample,)
        Where the star is seen, refraction included.
    neighbours : list of (ndarray (3,), TelescopeClass)
        Pads on east, north, up from the own pad.
    """
    fraction = np.zeros(len(seen_deg))
    near = [(pad, other) for pad, other in neighbours if np.any(seen_deg < _clear_above_deg(own, pad, other))]
    clear = max((_clear_above_deg(own, pad, other) for pad, other in near), default=-90.0)
    low = np.flatnonzero(seen_deg < clear)
    if len(low) == 0:
        return fraction
    azimuth, altitude = np.deg2rad(azimuth_deg[low]), np.deg2rad(seen_deg[low])
    right = np.stack([np.cos(azimuth), -np.sin(azimuth), np.zeros_like(azimuth)], axis=-1)
    upward = unit_vectors(azimuth_deg[low] + 180.0, 90.0 - seen_deg[low])
    points = pupil_points_m(own)
    origin = points[:, 0, None] * right[:, None, :] + points[:, 1, None] * upward[:, None, :]
    origin[..., 2] += own.pupil_height_m
    direction = unit_vectors(np.rad2deg(azimuth), np.rad2deg(altitude))
    dark = np.zeros(origin.shape[:2], dtype=bool)
    for pad, other in near:
        top = float(pad[2] + other.enclosure_height_m)
        dark |= dark_rays(origin, direction, pad[:2], other.enclosure_radius_m, top)
    fraction[low] = dark.mean(axis=-1)
    return fraction


def _clear_above_deg(own: TelescopeClass, pad: np.ndarray, other: TelescopeClass) -> float:
    """Altitude above which no ray can meet a neighbour, whatever the azimuth; only to save work."""
    half = own.diameter_m / 2.0
    away = float(np.hypot(pad[0], pad[1])) - other.enclosure_radius_m - half
    rise = float(pad[2]) + other.enclosure_height_m - own.pupil_height_m + half
    return 90.1 if away <= 0 else float(np.rad2deg(np.arctan2(rise, away))) + 1e-3
