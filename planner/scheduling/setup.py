"""How long it takes to get from one star to the next.

Telescopes slew in azimuth and altitude at once, carriages run at the same
time, beams are led into other lines and the combiner is changed at the same
time; then the star is acquired and fringes are searched. What the visit
before does not use is moved ahead while that visit records, so only what two
visits share counts between them, and the rule is applied to every pair of
visits, not only to neighbours.

Times are seconds; the only rounding is :func:`ticks_up`.
"""

from __future__ import annotations

import numpy as np

from planner.scenario.array import Array, Combiner, DelayLine, TelescopeClass

STILL_DEG = 1.0 / 3600.0  # a mount that need not turn by an arcsecond need not settle
STILL_M = 1e-4


def axis_s(distance: np.ndarray, speed: float, settle_s: float, still: float) -> np.ndarray:
    """Time of one axis to go a distance and settle, zero where it stays; shape of ``distance``."""
    size = np.abs(distance)
    return np.where(size > still, size / speed + settle_s, 0.0)


def slew_s(azimuth_deg: np.ndarray, altitude_deg: np.ndarray, own: TelescopeClass) -> np.ndarray:
    """Time of a mount to turn by these angles, both axes at once; shapes broadcast.

    Azimuths are cable-wrap angles, so a difference is what the axis really turns.
    """
    turn = axis_s(azimuth_deg, own.azimuth_speed_deg_per_s, own.azimuth_settle_s, STILL_DEG)
    tilt = axis_s(altitude_deg, own.altitude_speed_deg_per_s, own.altitude_settle_s, STILL_DEG)
    return np.maximum(turn, tilt)


def carriage_s(path_m: np.ndarray, line: DelayLine) -> np.ndarray:
    """Time of a carriage to change the optical path by this much; shape of ``path_m``.

    In air the rail is shorter by 3e-4 than in vacuum for the same path; the longer time is kept.
    """
    speed = line.path_per_travel * line.speed_m_per_s
    return axis_s(path_m, speed, line.settle_s, STILL_M)


def capture_s(combiner: Combiner, classes: list[TelescopeClass]) -> float:
    """Time to acquire the star and find fringes once everything is in place."""
    return max(own.acquisition_s for own in classes) + combiner.fringe_search_s


def combiner_change_s(array: Array, combiners: list[str]) -> np.ndarray:
    """Time to change from one combiner to another, (from, to), zero on the diagonal."""
    setup = np.array([array.combiner(name).setup_s for name in combiners])
    change = np.tile(setup, (len(combiners), 1))
    np.fill_diagonal(change, 0.0)
    return change


def ticks_up(seconds: np.ndarray | float, tick_s: int) -> np.ndarray:
    """Round seconds up to whole ticks; a microsecond over a tick does not count as another."""
    return np.ceil(np.asarray(seconds) / tick_s - 1e-6 / tick_s).astype(int)
