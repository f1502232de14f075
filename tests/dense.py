"""Cells counted the slow way: where a baseline is at each of very many moments, from the Earth's spline."""

from __future__ import annotations

import numpy as np

from planner.geometry.uv import uvw_m
from planner.science.coverage import cell_codes
from planner.sky.directions import place_of
from planner.sky.earth_curve import earth_curve

STEP_S = 1.0  # a centimetre on 150 m


def dense_uv_m(scenario, sky, star, baselines_m, span_s, step_s=STEP_S):
    """Moments in the middle of many short steps, seconds since the first time; u and v, (time, pair, 2)."""
    first_s, last_s = span_s
    count = max(1, round((last_s - first_s) / step_s))
    seconds = first_s + (np.arange(count) + 0.5) * (last_s - first_s) / count
    earth = earth_curve(place_of(scenario.array.site), sky.times[0], sky.times[-1])
    frame = earth.frame_at(seconds)
    return seconds, uvw_m(sky.icrs_rad[[star]], frame.boost, baselines_m)[0, :, :, :2]


def dense_codes(scenario, sky, star, baselines_m, span_s, step_s=STEP_S):
    """The moments, and the cell of each pair and channel, (time, pair, channel); the star is a request's."""
    wish = scenario.requests[star]
    seconds, uv = dense_uv_m(scenario, sky, star, baselines_m, span_s, step_s)
    return seconds, cell_codes(uv, scenario.combiner_of(wish).wavelengths_um, wish.field_mas)


def between(usable, seconds, slot_s):
    """Which moments lie between two times of a grid that are both usable."""
    slot = np.minimum((seconds // slot_s).astype(int), len(usable) - 2)
    return usable[slot] & usable[slot + 1]
