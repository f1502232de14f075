"""What a proposal says beside the windows: calibrators in reach, and the reach in the (u,v) plane."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np

from planner.constraints.brightness import brightness_limits
from planner.constraints.instrument import bracket_distance_deg, calibrator_visibility
from planner.constraints.tonight import NightLimits
from planner.feasibility.answers import Calibrator, Reach
from planner.feasibility.spans import Spans
from planner.geometry.baselines import baseline_vectors_m, lengths_m
from planner.geometry.uv import uvw_m
from planner.scheduling.candidates import beams_of, night_runs, pair_columns, pairs_among
from planner.scheduling.subarrays import Subarray
from planner.scheduling.visits import facts_of
from planner.science.history import filled_before
from planner.science.source import expected_vis2
from planner.units import RAD_PER_MAS


def calibrators_near(limits: NightLimits, request: int, subarray: Subarray | None) -> tuple[Calibrator, ...]:
    """Return the calibrators within the bracket distance of a request's target, nearest first.

    Parameters
    ----------
    limits : NightLimits
    request : int
    subarray : Subarray or None
        On which they are judged; all placed telescopes that the combiner accepts without one.
    """
    scenario, placement = limits.scenario, limits.placement
    if not scenario.calibrators:
        return ()
    combiner = scenario.combiner_of(scenario.requests[request])
    stars = len(scenario.requests) + np.arange(len(scenario.calibrators))
    middle = len(limits.sky.times) // 2
    distance = bracket_distance_deg(limits.sky.direction[:, middle], request, stars)
    if subarray is None:
        chosen = [i for i, c in enumerate(placement.classes) if c.name in combiner.limiting_magnitude]
    else:
        chosen = list(subarray.telescopes)
    classes = [placement.classes[i] for i in chosen]
    pairs = baseline_vectors_m(placement.vectors_m[chosen])
    longest = float(lengths_m(pairs).max()) if len(pairs) else 0.0
    wish = scenario.requests[request]
    bright = brightness_limits(scenario, wish, scenario.calibrators, False, classes)
    faint = np.min([verdict.margin for verdict in bright], axis=0)
    vis2_min = scenario.limits.calibrator_vis2_min
    visible = calibrator_visibility(scenario.calibrators, longest, combiner, vis2_min).margin
    found = []
    for row in np.argsort(distance, kind="stable"):
        if distance[row] > scenario.limits.bracket_distance_max_deg:
            break
        star = scenario.calibrators[row]
        found.append(
            Calibrator(
                name=star.name,
                distance_deg=float(distance[row]),
                magnitude=star.mag.get(combiner.band),
                magnitude_margin=float(faint[row].min()) if len(chosen) else -np.inf,
                vis2=None if star.diameter_mas is None else float(visible[row] + vis2_min),
                vis2_margin=float(visible[row]),
                shared_h=0.0 if subarray is None else _shared_h(limits, request, int(stars[row]), subarray),
            )
        )
    return tuple(found)


def _shared_h(limits: NightLimits, request: int, star: int, subarray: Subarray) -> float:
    """Hours of the ticks at which a step on either star could start."""
    facts = facts_of(limits, subarray)
    science = beams_of(limits, facts, request, request).usable
    science = science & limits.window(limits.scenario.requests[request]).allowed
    both = science & beams_of(limits, facts, request, star).usable
    return float(np.count_nonzero(both)) * limits.sky.tick_s / 3600.0


def _expected(
    limits: NightLimits, request: int, served: tuple[Subarray, Spans], first_tick_s: float
) -> tuple[tuple[str, float, float], ...]:
    """Least and most squared visibility of each baseline of a subarray while it is usable."""
    subarray, spans = served
    seconds = first_tick_s + limits.sky.tick_s * np.arange(len(limits.sky.times), dtype=float)
    inside = np.any([(seconds >= start) & (seconds <= end) for start, end in spans], axis=0)
    if not inside.any():
        return ()
    wish = limits.scenario.requests[request]
    vectors = baseline_vectors_m(limits.placement.vectors_m[list(subarray.telescopes)])
    boost = limits.sky.frame.boost[inside]
    uv = uvw_m(limits.sky.icrs_rad[[request]], boost, vectors)[0, :, :, None, :2]
    vis2 = expected_vis2(wish.star, uv, np.array(limits.scenario.combiner_of(wish).wavelengths_um))
    names = [limits.placement.telescopes[i] for i in subarray.telescopes]
    return tuple(
        (f"{first}–{second}", float(own.min()), float(own.max()))
        for (first, second), own in zip(
            itertools.combinations(names, 2), np.moveaxis(vis2, 1, 0), strict=True
        )
    )


def reach_of(
    limits: NightLimits,
    request: int,
    served: Sequence[tuple[Subarray, Spans, np.ndarray]],
    first_tick_s: float,
) -> Reach | None:
    """Return what a request reaches in the (u,v) plane while its subarrays are usable; None for nothing.

    Parameters
    ----------
    served : sequence of (Subarray, spans, ticks)
        From ``nights.served_by``; when some allow a visit, only those count.
    first_tick_s : float
        The first tick, seconds after dusk.
    """
    scenario, placement = limits.scenario, limits.placement
    wish = scenario.requests[request]
    combiner = scenario.combiner_of(wish)
    counted = [entry for entry in served if len(entry[2])] or [entry for entry in served if entry[1]]
    slots, telescopes = limits.sky.slots, len(placement.telescopes)
    if not counted or not len(slots):
        return None
    seconds = first_tick_s + slots * float(limits.sky.tick_s)
    every = baseline_vectors_m(placement.vectors_m)
    uv = uvw_m(limits.sky.icrs_rad[[request]], limits.sky.frame.boost[slots], every)[0, :, :, :2]
    used = np.zeros(uv.shape[:2], dtype=bool)
    for subarray, spans, _ in counted:
        inside = np.zeros(len(slots), dtype=bool)
        for start, end in spans:
            inside |= (seconds >= start) & (seconds <= end)
        used[np.ix_(inside, pair_columns(telescopes, subarray.telescopes))] = True
    if not used.any():
        return None
    length = np.hypot(uv[..., 0], uv[..., 1])[used]
    if not length.max() > 0:
        return None
    runs = night_runs(limits, request)
    codes = [
        runs.distinct[
            runs.inside(np.array(spans) - first_tick_s, pairs_among(telescopes, subarray.telescopes))
        ]
        for subarray, spans, _ in counted
    ]
    resolution = min(combiner.wavelengths_um) * 1e-6 / (2.0 * float(length.max())) / RAD_PER_MAS
    return Reach(
        shortest_m=float(length.min()),
        longest_m=float(length.max()),
        resolution_mas=resolution,
        field_mas=wish.field_mas,
        cells=len(np.setdiff1d(np.concatenate(codes), filled_before(scenario, wish))),
        vis2=_expected(limits, request, (counted[0][0], counted[0][1]), first_tick_s),
    )
