"""May a visit really start as late as it is told: every limit of a plan whose visits all start then.

All steps of a visit are moved by the same time; what follows is left as it
is, so each visit is judged by itself. The sky is sampled a few times in each
step, since the same stars are judged at every tick where they are planned.
Delays are judged in ``audit_latest``. Whether a visit might start later still
is not asked.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime, timedelta

import numpy as np

from planner.scheduling.audit_case import Case, class_of, holds
from planner.scheduling.audit_clock import moment
from planner.scheduling.audit_limits import (
    airmass_cases,
    altitude_cases,
    azimuth_rate_cases,
    hour_angle_cases,
    moon_lit_cases,
    moon_separation_cases,
    skyline_cases,
    sun_cases,
    window_cases,
)
from planner.scheduling.audit_phase import phase_cases
from planner.scheduling.audit_reserved import spans
from planner.scheduling.audit_shadow import shadow_cases, shadows
from planner.scheduling.audit_sky import TrackedStep, tracked_steps
from planner.scheduling.audit_tracking import LIMIT_TOLERANCE_MAG, baselines_mag, held_mag, tracker_of
from planner.scheduling.audit_two_stars import field_cases
from planner.scheduling.plan import NightPlan, Step, Visit

SAMPLES = 3
# Limits that a step keeps by where it looks and when.
OF_SKY: tuple[Callable[[NightPlan, tuple[TrackedStep, ...]], Iterator[Case]], ...] = (
    sun_cases,
    altitude_cases,
    skyline_cases,
    azimuth_rate_cases,
    moon_separation_cases,
    moon_lit_cases,
    airmass_cases,
    hour_angle_cases,
    phase_cases,
    field_cases,
)


def late_limit_cases(plan: NightPlan) -> Iterator[Case]:
    """Every limit is kept by a visit that starts at the latest start told; whole ticks after its start."""
    late = {}
    for number, visit in enumerate(plan.visits):
        latest, start = moment(visit.latest_start_utc), _start(visit)
        if latest is None or start is None:
            continue
        seconds = (latest - start).total_seconds()
        tick_s = plan.scenario.night.tick_s
        yield holds(
            seconds >= 0 and abs(seconds - round(seconds / tick_s) * tick_s) < 1e-3,
            f"{visit.id} may start {seconds:.0f} s later, which is not a whole number of ticks",
        )
        shared = any(step.shared for step in (*visit.steps, *_steps_after(plan, number)))
        yield holds(
            seconds == 0 or not shared, f"{visit.id} shares an exposure, and may start {seconds:.0f} s later"
        )
        if seconds > 0:
            late[number] = timedelta(seconds=seconds)
    moved = _moved(plan, late)
    tracked = tracked_steps(moved)
    for cases in OF_SKY:
        yield from cases(moved, tracked)
    yield from window_cases(moved)
    yield from shadow_cases(shadows(moved, tracked))
    for seen in tracked:
        yield from _tracker_cases(moved, seen)
        yield from _wrap_cases(moved, seen)
    yield from _reserved_cases(moved)


def _start(visit: Visit) -> datetime | None:
    return moment(visit.steps[0].start_utc) if visit.steps else None


def _steps_after(plan: NightPlan, number: int) -> Sequence[Step]:
    """The first step of the visit after, if there is one."""
    return plan.visits[number + 1].steps[:1] if number + 1 < len(plan.visits) else ()


def _moved(plan: NightPlan, late: dict[int, timedelta]) -> NightPlan:
    """Return a plan of the visits that may start late, each at its latest start, to be sampled coarsely."""
    visits, lengths = [], [math.inf]
    for number, by in late.items():
        visit, steps = plan.visits[number], []
        for step in visit.steps:
            edges = {}
            for key in ("start_utc", "end_utc", "swap_start_utc", "swap_end_utc"):
                told = getattr(step, key)
                edges[key] = told if moment(told) is None else _later(told, by)
            begin, end = moment(step.start_utc), moment(step.end_utc)
            if begin is not None and end is not None and end > begin:
                lengths.append((end - begin).total_seconds())
            steps.append(step.model_copy(update=edges))
        visits.append(visit.model_copy(update={"id": f"{visit.id} late,", "steps": tuple(steps)}))
    coarse = max(1, math.floor(min(lengths) / SAMPLES)) if len(lengths) > 1 else 1
    night = plan.scenario.night.model_copy(update={"tick_s": coarse})
    scenario = plan.scenario.model_copy(update={"night": night})
    return plan.model_copy(update={"visits": tuple(visits), "scenario": scenario})


def _later(told: str, by: timedelta) -> str:
    """A time of the plan so much later; a leap second on the way makes no difference to a limit."""
    whole = datetime.fromisoformat(told.replace(":60Z", ":59Z"))
    return f"{(whole + by).replace(tzinfo=None).isoformat()}Z"


def _tracker_cases(plan: NightPlan, seen: TrackedStep) -> Iterator[Case]:
    tracker = tracker_of(plan.scenario.array, seen.visit, seen.request)
    if tracker is None or len(seen.visit.tracked) < 2:
        return
    margin = baselines_mag(plan.scenario.array, seen, tracker)
    if margin is not None:
        held = float(held_mag(margin).min())
        yield Case(
            held + LIMIT_TOLERANCE_MAG, f"{seen.title}: the tracker holds its telescopes by {held:.3f} mag"
        )


def _wrap_cases(plan: NightPlan, seen: TrackedStep) -> Iterator[Case]:
    """On some turn of the cable wrap the mounts follow the whole step; degrees."""
    turned = np.rad2deg(np.unwrap(np.deg2rad(seen.sky.azimuth_deg)))
    classes = [class_of(plan.scenario.array, beam.telescope) for beam in seen.step.beams]
    ranges = [own.azimuth_range_deg for own in classes if own is not None]
    low, high = max(r[0] for r in ranges), min(r[1] for r in ranges)
    turns = [360.0 * turn for turn in range(-3, 4)]
    left = max(min(turned.min() + turn - low, high - turned.max() - turn) for turn in turns)
    yield Case(float(left) + 1e-3, f"{seen.title}: {left:.2f} deg before the end of the cable wrap")


def _reserved_cases(plan: NightPlan) -> Iterator[Case]:
    """No visit runs into time that is not for stars."""
    busy = spans(plan)
    for visit in plan.visits:
        begin = _start(visit)
        end = moment(visit.steps[-1].end_utc) if visit.steps else None
        for span in busy:
            if begin is not None and end is not None and span.takes(visit.subarray):
                apart = max((span.start - end).total_seconds(), (begin - span.end).total_seconds())
                yield Case(apart + 1e-3, f"{visit.id} is {apart:.0f} s apart from {span.title}")
