"""The squared visibility that each baseline of a target should show, as a range over time and channels."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np

from planner.constraints.tonight import NightLimits
from planner.output.tracks import VisitTrack, planned_uv_m
from planner.scenario.targets import Star
from planner.science.source import expected_vis2

POINT = "1 on every baseline: without a diameter it is taken as a point"
NEXT_TO_NONE = 1e-4
Range = tuple[str, float, float]


def vis2_of_visit(limits: NightLimits, track: VisitTrack) -> tuple[Range, ...]:
    """Return each baseline of a visit with the least and most squared visibility while it is recorded.

    Over the ticks of the recording and over all channels.
    """
    request = limits.scenario.requests[track.request]
    step = track.science
    uv = planned_uv_m(limits, track, step.recorded(1))
    channels = np.array(limits.scenario.combiner_of(request).wavelengths_um)
    vis2 = expected_vis2(request.star, uv[..., None, :], channels)
    names = [limits.placement.telescopes[i] for i in track.telescopes]
    pairs = itertools.combinations(names, 2)
    low, high = vis2.min(axis=(0, 2)), vis2.max(axis=(0, 2))
    return tuple(
        (f"{first}–{second}", float(least), float(most))
        for (first, second), least, most in zip(pairs, low, high, strict=True)
    )


def ranges_told(star: Star, ranges: Sequence[Range]) -> str:
    """Return the ranges in words, or that the star is taken as a point.

    Examples
    --------
    >>> disk = Star(name="a", ra_deg=0.0, dec_deg=0.0, diameter_mas=3.0)
    >>> ranges_told(disk, [("T1–T2", 0.5, 0.612), ("T1–T3", 1e-6, 0.0024)])
    'T1–T2 0.50 to 0.61, T1–T3 below 0.0001 to 0.0024'
    """
    if not star.diameter_mas:
        return POINT
    return ", ".join(f"{pair} {range_told(least, most)}" for pair, least, most in ranges)


def range_told(least: float, most: float) -> str:
    """Return a range of squared visibilities with two figures.

    Examples
    --------
    >>> range_told(0.87, 0.9), range_told(0.993, 0.998), range_told(2e-5, 0.0024)
    ('0.87 to 0.90', '0.99 to 1.0', 'below 0.0001 to 0.0024')
    """
    ends = [f"{end:#.2g}" if end >= NEXT_TO_NONE else f"below {NEXT_TO_NONE:.4f}" for end in (least, most)]
    return ends[0] if ends[0] == ends[1] else " to ".join(ends)
