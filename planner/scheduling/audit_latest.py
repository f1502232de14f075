"""Do the delay lines reach when a visit starts as late as the plan says it may?

The visit is moved as one, with the common offsets that the plan tells for its
latest start, or its own where it tells none.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from astropy.time import TimeDelta

from planner.scenario.targets import Star
from planner.scheduling.audit_case import Case, combiner_used, holds, tightest
from planner.scheduling.audit_clock import clock, moment
from planner.scheduling.audit_delay import DELAY_TOLERANCE_M, reach_of
from planner.scheduling.audit_sky import directions, samples_s, times_of, title
from planner.scheduling.plan import NightPlan, Step, Visit


@dataclass(frozen=True)
class LateStep:
    """A step as it is when its visit starts at its latest start."""

    visit: Visit
    step: Step
    star: Star
    offset_m: float
    start: datetime
    seconds: np.ndarray


def latest_offset_cases(plan: NightPlan) -> Iterator[Case]:
    """Offsets of a latest start are one for each step, and keep every carriage in its stroke; metres."""
    for visit in plan.visits:
        told = visit.latest_offsets_m
        yield holds(
            told is None or len(told) == len(visit.steps),
            f"{visit.id} tells {len(told or ())} offsets of its latest start for {len(visit.steps)} steps",
        )
    late = [own for visit in plan.visits for own in _late_steps(plan, visit)]
    if not late:
        return
    counts = [len(own.seconds) for own in late]
    starts = times_of([own.start for own in late])[np.repeat(np.arange(len(late)), counts)]
    times = starts + TimeDelta(np.concatenate([own.seconds for own in late]), format="sec")
    stars = [own.star for own, count in zip(late, counts, strict=True) for _ in range(count)]
    towards = np.split(directions(plan.scenario.array.site, stars, times), np.cumsum(counts)[:-1])
    for own, direction in zip(late, towards, strict=True):
        yield from _stroke_cases(plan, own, direction)


def _late_steps(plan: NightPlan, visit: Visit) -> Iterator[LateStep]:
    latest, first = moment(visit.latest_start_utc), moment(visit.steps[0].start_utc) if visit.steps else None
    offsets = visit.latest_offsets_m or tuple(step.common_offset_m for step in visit.steps)
    if latest is None or first is None or latest <= first or len(offsets) != len(visit.steps):
        return
    scenario = plan.scenario
    stars = {star.name: star for star in (*(r.star for r in scenario.requests), *scenario.calibrators)}
    for step, offset_m in zip(visit.steps, offsets, strict=True):
        start, end = moment(step.start_utc), moment(step.end_utc)
        if start is None or end is None or not timedelta() < end - start < timedelta(days=1):
            continue
        if step.object in stars and latest - first < timedelta(days=1):
            seconds = samples_s(start, end, scenario.night.tick_s)
            yield LateStep(visit, step, stars[step.object], offset_m, start + (latest - first), seconds)


def _stroke_cases(plan: NightPlan, own: LateStep, direction: np.ndarray) -> Iterator[Case]:
    combiner = combiner_used(plan.scenario.array, own.visit)
    for beam in own.step.beams:
        reach = reach_of(plan.scenario.array, combiner, beam)
        if combiner is None or reach is None:
            continue
        delay = own.offset_m + direction @ reach.end_m - reach.constant_m
        pupil = reach.line.pupil_stroke_m if combiner.pupil_relay else None
        low, high = pupil or reach.line.stroke_m
        words = (
            f"{title(own.visit, own.step)} at the latest start: {beam.telescope} in {reach.line.name}, delay"
        )

        def telling(sample: int, words: str = words, delay: np.ndarray = delay) -> str:
            at = clock(own.start + timedelta(seconds=float(own.seconds[sample])))
            return f"{words} {delay[sample]:.5g} m, at {at}"

        yield tightest(np.minimum(delay - low, high - delay) + DELAY_TOLERANCE_M, telling)
