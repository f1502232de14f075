"""Can the delay lines hold the paths equal: range over a step, and tracking rate.

Within a step the common offset K is held, so the extremes of each beam's path
over the step decide. The margin is the width of the interval of K that is
left, in metres of light.

Intervals on a line have a common point exactly when each pair has (Helly's
theorem in one dimension), so a subarray is feasible exactly when its pairs
are: that is what :mod:`planner.scheduling.subarrays` packs as bits.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from planner.constraints.verdict import Verdict
from planner.geometry.delays import offset_range_m
from planner.units import SIDEREAL_RAD_PER_S

DELAY_RANGE = "delay range"


@dataclass(frozen=True)
class HeldOffset:
    """Which common offsets keep a subarray in range, for a step that starts at each tick.

    Attributes
    ----------
    low_m, high_m : ndarray (star, start)
        Allowed K; none where ``high_m < low_m``.
    """

    low_m: np.ndarray
    high_m: np.ndarray

    @property
    def margin_m(self) -> np.ndarray:
        """Width of the allowed interval, (star, start)."""
        return self.high_m - self.low_m


def extreme_over_step(extreme: np.ufunc, values: np.ndarray, ticks: int) -> np.ndarray:
    """Return an extreme over each step of ``ticks``, ends included, along axis 1, (star, start, ...).

    Parameters
    ----------
    extreme : ufunc
        ``np.minimum``, ``np.maximum`` or ``np.logical_and``: what does not mind to see a value twice.
    values : ndarray (star, time, ...)
    ticks : int

    Notes
    -----
    Stretches are doubled until the step is covered by two of them, so a step
    of n ticks costs log2(n) passes.
    """
    found, covered = values, 1
    while covered <= ticks:
        more = min(covered, ticks + 1 - covered)
        found = extreme(found[:, : found.shape[1] - more], found[:, more:])
        covered += more
    return found


def held_offset(path_m: np.ndarray, stroke_m: np.ndarray, ticks: int) -> HeldOffset:
    """Return the common offsets that a step of ``ticks`` leaves, starting at each tick.

    Parameters
    ----------
    path_m : ndarray (star, time, beam)
        g of the delay equation, the combiner's constant paths included.
    stroke_m : ndarray (beam, 2)
    ticks : int
        Length of the step; starts later than ``time - ticks - 1`` do not exist.
    """
    lowest, highest = (extreme_over_step(extreme, path_m, ticks) for extreme in (np.minimum, np.maximum))
    low, high = offset_range_m(stroke_m, lowest, highest)
    return HeldOffset(low, high)


def delay_range(path_m: np.ndarray, stroke_m: np.ndarray) -> Verdict:
    """Margin of the delay range of a subarray at each instant, metres of light, (star, time)."""
    low, high = offset_range_m(stroke_m, path_m, path_m)
    return Verdict(DELAY_RANGE, "m", high - low, ("star", "time"))


def difference_range_m(
    strokes_m: tuple[tuple[float, float], tuple[float, float]], constant_m: float
) -> tuple[float, float]:
    """Return the least and the largest difference of two paths that leave both lines in range.

    Some common offset serves both exactly when g_i - g_j lies between the
    shortest stroke of one minus the longest of the other, and the reverse.

    Parameters
    ----------
    strokes_m : (stroke, stroke)
    constant_m : float
        Constant path of the second beam's input minus that of the first; the paths are without it.
    """
    (low_i, high_i), (low_j, high_j) = strokes_m
    return low_i - high_j - constant_m, high_i - low_j - constant_m


def path_rate_m_per_s(direction: np.ndarray, stations_m: np.ndarray, latitude_deg: float) -> np.ndarray:
    """Absolute rate of each station's path r.s, metres of light per second, (..., station).

    ds/dt = omega x s about the pole; taken at the site's latitude, which polar
    motion misses by 2e-6 at most, and so does the rate.

    Parameters
    ----------
    direction : ndarray (..., 3)
        ENU.
    stations_m : ndarray (station, 3)
    latitude_deg : float
    """
    latitude = np.deg2rad(latitude_deg)
    pole = np.array([0.0, np.cos(latitude), np.sin(latitude)])
    # The sky turns from east to west: against the Earth's own rotation.
    turning = SIDEREAL_RAD_PER_S * np.cross(direction, pole)
    return np.abs(turning @ stations_m.T)


def carriage_rate(
    path_m: np.ndarray, tick_s: float, rail_limit_m_per_s: np.ndarray, path_per_travel: np.ndarray
) -> Verdict:
    """Margin of the carriages' tracking speed on the rail, metres per second, (star, time, telescope).

    Central differences of the path over the ticks: their error is
    (omega dt)^2/6 of the rate, below 1e-6 for 30 s.
    """
    rate = np.abs(np.gradient(path_m, tick_s, axis=1)) / path_per_travel
    return Verdict("carriage tracking rate", "m/s", rail_limit_m_per_s - rate, ("star", "time", "telescope"))
