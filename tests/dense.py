"""Cells counted the slow way: where a baseline is at each of very many moments, from the Earth's spline."""

from __future__ import annotations

import numpy as np
from scipy.special import j1

from planner.geometry.uv import uvw_m
from planner.science.coverage import cell_codes
from planner.sky.directions import place_of
from planner.sky.earth_curve import earth_curve

STEP_S = 1.0  # a centimetre on 150 m
NO_CELL = -1
MAS = np.pi / (180.0 * 3600.0 * 1000.0)


def dense_uv_m(scenario, sky, star, baselines_m, span_s, step_s=STEP_S):
    """Moments in the middle of many short steps, seconds since the first time; u and v, (time, pair, 2)."""
    first_s, last_s = span_s
    count = max(1, round((last_s - first_s) / step_s))
    seconds = first_s + (np.arange(count) + 0.5) * (last_s - first_s) / count
    earth = earth_curve(place_of(scenario.array.site), sky.times[0], sky.times[-1])
    frame = earth.frame_at(seconds)
    return seconds, uvw_m(sky.icrs_rad[[star]], frame.boost, baselines_m)[0, :, :, :2]


def dense_codes(scenario, sky, star, baselines_m, span_s, step_s=STEP_S):
    """The moments, and the cell of each pair and channel, (time, pair, channel); the star is a request's.

    Where a uniform disk shows less than the combiner wants there is no cell.
    """
    wish = scenario.requests[star]
    light = scenario.combiner_of(wish)
    seconds, uv = dense_uv_m(scenario, sky, star, baselines_m, span_s, step_s)
    codes = cell_codes(uv, light.wavelengths_um, wish.field_mas)
    vis2 = disk_vis2(wish.star.diameter_mas or 0.0, np.hypot(uv[..., 0], uv[..., 1])[..., None], light)
    return seconds, np.where(vis2 >= light.vis2_min, codes, NO_CELL)


def disk_vis2(diameter_mas, length_m, combiner):
    """The squared visibility of a uniform disk on projected baselines, in every channel."""
    x = np.pi * diameter_mas * MAS * length_m / (np.array(combiner.wavelengths_um) * 1e-6)
    x = np.maximum(x, 1e-9)
    return (2.0 * j1(x) / x) ** 2


def filled_codes(codes):
    """The cells among such codes, each once."""
    return np.setdiff1d(codes, [NO_CELL])


def between(usable, seconds, slot_s):
    """Which moments lie between two times of a grid that are both usable."""
    slot = np.minimum((seconds // slot_s).astype(int), len(usable) - 2)
    return usable[slot] & usable[slot + 1]
