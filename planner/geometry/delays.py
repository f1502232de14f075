"""The delay equation and what a delay line can do about it.

For beam i the line must give D_i(t) = K + g_i(t) metres of light, with
g_i = r_i.s - L_i - C_i: r_i where the telescope's axes meet, from the middle of
the array, s the apparent direction, L_i the way down to the pad and the
station's fixed path, C_i the constant path of the combiner's input, and K one
number common to the whole subarray (the common offset). A telescope nearer the
star receives the wavefront early, so its line must be longer. The external delay
is not changed by a plane-parallel atmosphere (Snell's law).

Within one step K is held, so the extremes of each g_i over the step count.
"""

from __future__ import annotations

import numpy as np

from planner.scenario.array import DelayLine


def path_m(direction: np.ndarray, stations_m: np.ndarray, fixed_path_m: np.ndarray) -> np.ndarray:
    """Return r.s - L, (star, time, station), metres of light.

    Parameters
    ----------
    direction : ndarray (star, time, 3)
        Apparent unit vectors, ENU.
    stations_m : ndarray (station, 3)
    fixed_path_m : ndarray (station,)
    """
    return direction @ stations_m.T - fixed_path_m


def offset_range_m(
    stroke_m: np.ndarray, lowest_m: np.ndarray, highest_m: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return the smallest and largest common offset K that keeps every beam in its stroke.

    Parameters
    ----------
    stroke_m : ndarray (..., beam, 2)
        Usable optical path of each beam's line.
    lowest_m, highest_m : ndarray (..., beam)
        Extremes of g over the step.

    Returns
    -------
    low, high : ndarray (...)
        The step is feasible where ``high - low`` is zero or more: that
        difference is the margin of the delay range in metres.
    """
    low = np.max(stroke_m[..., 0] - lowest_m, axis=-1)
    high = np.min(stroke_m[..., 1] - highest_m, axis=-1)
    return low, high


def following_offset_m(
    offset_m: np.ndarray, step_m: np.ndarray, low_m: np.ndarray, high_m: np.ndarray
) -> np.ndarray:
    """Return the common offset of the next star that moves the carriages least.

    Parameters
    ----------
    offset_m : ndarray (...)
        K of the star before.
    step_m : ndarray (..., beam)
        g of the next star minus g of the star before.
    low_m, high_m : ndarray (...)
        What the next star allows; the result lies inside.

    Notes
    -----
    The carriage of beam i moves by dK + step_i; the largest of these is
    smallest when dK is minus the middle of the extremes of step.
    """
    middle = (np.max(step_m, axis=-1) + np.min(step_m, axis=-1)) / 2.0
    return np.clip(offset_m - middle, low_m, high_m)


def travel_m(delay_m: np.ndarray, line: DelayLine, group_index: float) -> np.ndarray:
    """Return carriage travel on the rail for optical path, metres.

    In air the light slows down, so the same optical path is a shorter rail.
    """
    index = group_index if line.medium == "air" else 1.0
    return delay_m / (line.path_per_travel * index)
