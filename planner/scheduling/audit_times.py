"""When is what done: the steps in order, their lengths, the swap of two stars; no device is looked at."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, time, timedelta

from planner.scenario.array import Combiner
from planner.scheduling.audit_case import Case, class_of, combiner_used, holds, named
from planner.scheduling.audit_clock import clock, instant, moment
from planner.scheduling.audit_sky import title
from planner.scheduling.plan import NightPlan, Step, Visit
from planner.units import DAY_S

TIME_TOLERANCE_S = 1e-3
NIGHT_WITHIN_DAYS = 2.0  # where the date begins last, a polar night ends so long after 0 h UTC of its date
NIGHT_TOLERANCE_S = 1.0  # the night's start and end are written to the second


def on_slot(plan: NightPlan, passed: datetime) -> bool:
    """Whether an instant is a whole number of slots after 0 h UTC of the date on which the dark hours begin.

    In a night with a leap second anything is: what is told after it is a second early on the clock.
    """
    dusk = moment(plan.night.start_utc)
    if dusk is None:
        return False
    day = datetime.fromisoformat(plan.night.start_utc[:10])
    midnight, next_midnight = instant(day), instant(day + timedelta(days=1))
    if (next_midnight - midnight).total_seconds() != DAY_S:
        return True
    off = (passed - midnight).total_seconds() % plan.scenario.night.slot_s
    return min(off, plan.scenario.night.slot_s - off) < TIME_TOLERANCE_S


@dataclass(frozen=True)
class Stage:
    """A step with its times, in the order of the plan.

    Attributes
    ----------
    visit : Visit
    step : Step
    setup_start, start, end : datetime
    capture_s : float
        Time to acquire the star and find fringes.
    """

    visit: Visit
    step: Step
    setup_start: datetime
    start: datetime
    end: datetime
    capture_s: float

    @property
    def title(self) -> str:
        """Which step this is and when it starts, in words."""
        return f"{title(self.visit, self.step)} at {clock(self.start)}"


def stages(plan: NightPlan) -> tuple[Stage, ...]:
    """Read the times of all steps; steps without readable times are left out."""
    found = []
    for visit in plan.visits:
        for step in visit.steps:
            times = [moment(text) for text in (step.setup_start_utc, step.start_utc, step.end_utc)]
            setup_start, start, end = times
            if setup_start is not None and start is not None and end is not None:
                found.append(Stage(visit, step, setup_start, start, end, _capture_s(plan, visit, step)))
    return tuple(found)


def _capture_s(plan: NightPlan, visit: Visit, step: Step) -> float:
    array = plan.scenario.array
    classes = [class_of(array, beam.telescope) for beam in step.beams]
    combiner = combiner_used(array, visit)
    acquisition_s = max((own.acquisition_s for own in classes if own is not None), default=0.0)
    return acquisition_s + (0.0 if combiner is None else combiner.fringe_search_s)


def time_cases(plan: NightPlan, found: tuple[Stage, ...]) -> Iterator[Case]:
    """Steps stand in order, do not overlap, lie in the dark hours, and may start late as far as told."""
    steps = sum(len(visit.steps) for visit in plan.visits)
    yield holds(len(found) == steps, f"{steps - len(found)} steps have a time that is not ISO 8601 UTC")
    for stage in found:
        yield _order(stage, "set-up", stage.setup_start, "recording", stage.start)
        yield _order(stage, "recording", stage.start, "its end", stage.end, at_least_s=1.0)
    for before, stage in itertools.pairwise(found):
        if not stage.step.shared:  # what it repeats is checked for itself
            yield _order(stage, f"the end of {before.title}", before.end, "set-up", stage.setup_start)
    yield from _dark_cases(plan, found)
    for visit in plan.visits:
        latest = moment(visit.latest_start_utc)
        start = moment(visit.steps[0].start_utc) if visit.steps else None
        yield holds(
            latest is not None and (start is None or latest >= start),
            f"{visit.id}: its latest start {visit.latest_start_utc} is not a time at or after its start",
        )
    yield from _latest_cases(plan, found)


def _latest_cases(plan: NightPlan, found: tuple[Stage, ...]) -> Iterator[Case]:
    """A visit that starts at its latest start, all its steps moved with it, ends before the next set-up."""
    stages = [[stage for stage in found if stage.visit is visit] for visit in plan.visits]
    for place, (before, after) in enumerate(itertools.pairwise(plan.visits)):
        latest, own, others = moment(before.latest_start_utc), stages[place], stages[place + 1]
        if latest is None or not own or not others or others[0].step.shared:
            continue
        late = (latest - own[0].start).total_seconds()
        room = (others[0].setup_start - own[-1].end).total_seconds()
        yield Case(
            room - late,
            f"{before.id} may start {late:.0f} s later, {room:.0f} s before the set-up of {after.id}",
        )


def _dark_cases(plan: NightPlan, found: tuple[Stage, ...]) -> Iterator[Case]:
    """The dark hours belong to the night, and recordings to the dark hours; the Sun is checked elsewhere."""
    dark = moment(plan.night.start_utc), moment(plan.night.end_utc)
    if dark[0] is None or dark[1] is None:
        yield holds(False, "the night has a start or an end that is not ISO 8601 UTC")
        return
    date = instant(datetime.combine(plan.scenario.night.date, time()))
    days = max(abs((edge - date).total_seconds()) for edge in (dark[0], dark[1])) / DAY_S
    yield holds(days <= NIGHT_WITHIN_DAYS, f"the dark hours are {days:.1f} days from the night's date")
    for stage in found:
        inside = min((stage.start - dark[0]).total_seconds(), (dark[1] - stage.end).total_seconds())
        yield Case(
            inside + NIGHT_TOLERANCE_S, f"{stage.title} is recorded {inside:.0f} s inside the dark hours"
        )


def _order(
    stage: Stage, first: str, earlier: datetime, second: str, later: datetime, at_least_s: float = 0.0
) -> Case:
    gap = (later - earlier).total_seconds()
    return Case(
        gap - at_least_s,
        f"{stage.title}: {gap:.0f} s from {first} ({clock(earlier)}) to {second} ({clock(later)})",
    )


def recording_cases(plan: NightPlan, found: tuple[Stage, ...]) -> Iterator[Case]:
    """Each step is recorded as long as its combiner asks in its spectral setup, overheads included.

    While two stars change places nothing is recorded.
    """
    for stage in found:
        combiner = combiner_used(plan.scenario.array, stage.visit)
        if combiner is None:
            continue
        asked = asked_s(combiner, stage.step.role == "science")
        length = (stage.end - stage.start).total_seconds() - _swap_s(stage)
        name = " ".join(filter(None, (combiner.name, stage.visit.spectral_setup)))
        yield Case(
            length - asked + TIME_TOLERANCE_S,
            f"{stage.title} is recorded for {length:.0f} s, {name} asks for {asked:.0f} s",
        )


def asked_s(combiner: Combiner, science: bool) -> float:
    """Return how long a step has to be recorded, overheads included."""
    own = combiner.science_recording_s if science else combiner.calibrator_recording_s
    return own + combiner.overhead_s


def _swap_s(stage: Stage) -> float:
    swap = moment(stage.step.swap_start_utc), moment(stage.step.swap_end_utc)
    return 0.0 if swap[0] is None or swap[1] is None else max((swap[1] - swap[0]).total_seconds(), 0.0)


def swap_cases(plan: NightPlan, found: tuple[Stage, ...]) -> Iterator[Case]:
    """Two stars change places in the middle of a science step that asks for it, and never else."""
    feed, tick_s = plan.scenario.array.dual_feed, plan.scenario.night.tick_s
    for stage in found:
        request = named(plan.scenario.requests, stage.visit.target)
        second = None if request is None else request.extras.second_star
        wanted = stage.step.role == "science" and second is not None and second.swap
        told = stage.step.swap_start_utc, stage.step.swap_end_utc
        yield holds(wanted == (told != (None, None)), f"{stage.title}: {_swap_told(wanted)}")
        if not wanted or told == (None, None):
            continue
        first, last = moment(told[0]), moment(told[1])
        if first is None or last is None:
            yield holds(False, f"{stage.title}: the change of the two stars has no time")
            continue
        needs_s = math.inf if feed is None else feed.swap_s
        length = (last - first).total_seconds()
        yield Case(
            length - needs_s + TIME_TOLERANCE_S,
            f"{stage.title}: the stars change places in {length:.0f} s, {needs_s:g} s needed",
        )
        before, after = (first - stage.start).total_seconds(), (stage.end - last).total_seconds()
        # A half without a second is none; halves are whole ticks.
        yield Case(min(before, after) - 1.0, f"{stage.title}: recorded {before:.0f} s and {after:.0f} s")
        yield Case(
            tick_s - abs(before - after) + TIME_TOLERANCE_S,
            f"{stage.title}: recorded {before:.0f} s before the stars change places and {after:.0f} s after",
        )


def _swap_told(wanted: bool) -> str:
    if wanted:
        return "the request wants the two stars to change places, the plan tells of no change"
    return "the plan tells that stars change places, which nobody asked for"
