"""How tight a planned visit is: the smallest margin of every limit, over its three steps."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from planner.constraints.brightness import brightness_limits
from planner.constraints.instrument import bracket_distance_deg, calibrator_visibility
from planner.constraints.tonight import NightLimits
from planner.constraints.tracker import TRACKER
from planner.constraints.verdict import lowest
from planner.scheduling.light import light_limits
from planner.scheduling.light_told import tracking_margin_mag
from planner.scheduling.plan import Margin
from planner.scheduling.routes import PUPIL
from planner.scheduling.visits import VisitFamily

STROKE, WRAP, DISTANCE = "delay line stroke", "cable wrap", "bracket distance"

Found = Iterator[tuple[str, str, float]]


def margins_of(limits: NightLimits, family: VisitFamily, row: int) -> list[Margin]:
    """Return the smallest margin of each limit over a whole visit, and on which star.

    Parameters
    ----------
    limits : NightLimits
    family : VisitFamily
    row : int
        Which of its starts.
    """
    request = limits.scenario.requests[family.request]
    worst: dict[str, Margin] = {}
    window = limits.window(request)
    inside_min = float(window.margin[[family.start_tick[row, 0], family.end_tick[row, 2]]].min())
    if np.isfinite(inside_min):
        worst[window.limit] = Margin(
            limit=window.limit, margin=round(inside_min, 4), unit=window.unit, object=request.name
        )
    for number, star in enumerate(family.stars):
        for found in (_of_sky, _of_light, _of_lines, _of_mounts, _of_calibrator):
            for limit, unit, value in found(limits, family, row, number):
                if np.isfinite(value) and (limit not in worst or value < worst[limit].margin):
                    name = limits.sky.stars[star].name
                    worst[limit] = Margin(limit=limit, margin=round(value, 4), unit=unit, object=name)
    return list(worst.values())


def _ticks(family: VisitFamily, row: int, number: int) -> slice:
    return slice(int(family.start_tick[row, number]), int(family.end_tick[row, number]) + 1)


def _of_sky(limits: NightLimits, family: VisitFamily, row: int, number: int) -> Found:
    """What telescopes and the request ask of the sky, and what the light path asks of the paths."""
    request, star = limits.scenario.requests[family.request], family.stars[number]
    verdicts = [
        *limits.of_telescopes,
        *limits.of_request(request, star, science=number == 1),
        *light_limits(limits, family.facts, family.request, star),
    ]
    telescopes = np.array(family.facts.subarray.telescopes)
    for verdict, value in lowest(verdicts, star, telescopes, _ticks(family, row, number)):
        if verdict.limit == TRACKER and family.facts.subarray.tracked is not None:
            # What is tracked in phase keeps the limit of the phase.
            value = tracking_margin_mag(limits, family, row, number)
        yield verdict.limit, verdict.unit, value


def _of_light(limits: NightLimits, family: VisitFamily, row: int, number: int) -> Found:
    """How much brighter the star is than what all that sees it needs."""
    request = limits.scenario.requests[family.request]
    star = limits.sky.stars[family.stars[number]]
    for verdict in brightness_limits(limits.scenario, request, [star], number == 1, family.facts.classes):
        yield verdict.limit, verdict.unit, float(verdict.margin.min())


def _of_lines(limits: NightLimits, family: VisitFamily, row: int, number: int) -> Found:
    """How far carriages stay from the ends of their strokes, and how much faster they could follow."""
    facts, ticks = family.facts, _ticks(family, row, number)
    path = facts.path_m(limits, family.stars[number])
    delay = family.offset_m[row, number] + path[ticks]
    for limit, stroke in ((STROKE, facts.whole_stroke_m), (PUPIL, facts.stroke_m)):
        if limit != PUPIL or not np.array_equal(stroke, facts.whole_stroke_m):
            yield limit, "m", float(np.min(np.minimum(delay - stroke[:, 0], stroke[:, 1] - delay)))
    rate = facts.carriage_rate(path[None])
    yield rate.limit, rate.unit, float(rate.margin[0, ticks].min())


def _of_mounts(limits: NightLimits, family: VisitFamily, row: int, number: int) -> Found:
    """How far the mounts stay from the ends of the cable wrap that all of them have."""
    direction = limits.sky.direction[family.stars[number], _ticks(family, row, number)]
    turned = np.rad2deg(np.unwrap(np.arctan2(direction[:, 0], direction[:, 1])))
    mount = family.azimuth_deg[row, number, 0] + turned - turned[0]
    low, high = family.facts.azimuth_range_deg
    yield WRAP, "deg", float(np.min(np.minimum(mount - low, high - mount)))


def _of_calibrator(limits: NightLimits, family: VisitFamily, row: int, number: int) -> Found:
    """How near and how little resolved a calibrator is."""
    if number == 1:
        return
    scenario, star, facts = limits.scenario, family.stars[number], family.facts
    middle = limits.sky.direction[:, len(limits.sky.times) // 2]
    apart = float(bracket_distance_deg(middle, family.request, np.array([star]))[0])
    yield DISTANCE, "deg", scenario.limits.bracket_distance_max_deg - apart
    longest = limits.placement.longest_baseline_m(facts.subarray.telescopes)
    verdict = calibrator_visibility(
        [limits.sky.stars[star]], longest, facts.combiner, scenario.limits.calibrator_vis2_min
    )
    yield verdict.limit, verdict.unit, float(verdict.margin[0])
