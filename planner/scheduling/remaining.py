"""What is left of a night that has begun: the scenario from some moment on, with what was made taken off.

Visits of the plan that had ended by then, or were under way, count as made but
for those named as lost. Made visits are rows of the history, so their cells
count as filled; a request gets as many visits as are missing, a program the
hours that are left. The time that is past is reserved for the whole array, and
the array needs time to come from wherever it stands. Everything is planned,
proven and audited as any other night.
"""

from __future__ import annotations

import datetime
import re
from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass

from planner.scenario.array import Array
from planner.scenario.night import RequestExtras, Reserved, Window
from planner.scenario.programs import Program
from planner.scenario.targets import Observation, Request, Scenario
from planner.scheduling.plan import NightPlan, Visit, moment
from planner.scheduling.table import longest_move_s

PAST = "already past"
LEAST_HOURS = 0.01  # a budget that is spent: no visit is as short
HOUR = datetime.timedelta(hours=1)
FROM_ON = re.compile(r", from \d\d:\d\d on$")
TITLE_MAX = 80


@dataclass(frozen=True)
class Remaining:
    """What is left of a night.

    Attributes
    ----------
    scenario : Scenario
        Without the requests that have all their visits.
    made, lost : tuple of int
        Places in the plan of the visits that count as made, and of those that had begun but do not count.
    free : datetime
        When the array can be used again: the moment asked about, or the end of the visit under way then.
    """

    scenario: Scenario
    made: tuple[int, ...]
    lost: tuple[int, ...]
    free: datetime.datetime


def begun(plan: NightPlan, now: datetime.datetime) -> tuple[int, ...]:
    """Return the places of the visits that had begun by some moment."""
    return tuple(k for k, visit in enumerate(plan.visits) if moment(visit.steps[0].start_utc) < now)


def remaining(plan: NightPlan, now: datetime.datetime, lost: Collection[int] = ()) -> Remaining:
    """Return what is left of a night.

    Parameters
    ----------
    plan : NightPlan
    now : datetime
        UTC, within the dark hours.
    lost : collection of int
        Places of visits that had begun but were not made.
    """
    past = begun(plan, now)
    made = tuple(k for k in past if k not in lost)
    visits = [plan.visits[k] for k in made]
    # A plan for the rest of a night is followed from where it begins, even when asked about an earlier time.
    before = [own.end_utc for own in plan.scenario.reserved if own.name == PAST and own.end_utc is not None]
    free = max([now, *before, *(moment(visit.steps[-1].end_utc) for visit in visits)])
    scenario, counted = plan.scenario, Counter(visit.target for visit in visits)
    requests = tuple(
        _left(plan, request, counted, visits)
        for request in scenario.requests
        if counted[request.name] < request.visits
    )
    recorded = [row for visit in visits for row in _recorded(visit)]
    names = {request.name for request in requests}
    dark_from = moment(plan.night.start_utc) - HOUR
    gone = Reserved(
        name=PAST, start_utc=min(dark_from, free - HOUR), end_utc=free, ready_s=longest_move_s(scenario.array)
    )
    left = scenario.model_copy(
        update={
            "title": f"{FROM_ON.sub('', scenario.title)[: TITLE_MAX - 15]}, from {free:%H:%M} on",
            "array": _array_left(plan, free),
            "requests": requests,
            "history": tuple(row for row in (*scenario.history, *recorded) if row.target in names),
            "reserved": (gone, *_reserved_left(plan, free)),
            "programs": _programs_left(scenario, requests, visits),
        }
    )
    return Remaining(left, made, tuple(k for k in past if k in lost), free)


def _left(plan: NightPlan, request: Request, made: Counter[str], visits: Sequence[Visit]) -> Request:
    """A request with the visits that are missing; what it asks of requests that are done is kept already."""
    extras, wanted = request.extras, {own.name: own.visits for own in plan.scenario.requests}
    changes: dict[str, object] = {}
    if extras.after is not None and made[extras.after] >= wanted[extras.after]:
        changes["after"] = None
    if extras.only_with is not None and made[extras.only_with]:
        changes["only_with"] = None
    own = [visit for visit in visits if visit.target == request.name]
    if own and extras.gap_min_h:
        changes["windows"] = _after_gap(plan, extras, own[-1])
    return request.model_copy(
        update={
            "visits": request.visits - made[request.name],
            "extras": extras.model_copy(update=changes),
        }
    )


def _after_gap(plan: NightPlan, extras: RequestExtras, last: Visit) -> tuple[Window, ...]:
    """The windows of a request from the least gap after its last visit on."""
    first = moment(last.steps[-1].end_utc) + datetime.timedelta(hours=extras.gap_min_h)
    morning = max(moment(plan.night.end_utc), first) + HOUR
    windows = extras.windows or (Window(start_utc=first, end_utc=morning),)
    kept = [(max(own.start_utc, first), own.end_utc) for own in windows]
    open_ones = [Window(start_utc=start, end_utc=end) for start, end in kept if start < end]
    # A window after the night: no time is left, which the plan then says.
    return tuple(open_ones) or (Window(start_utc=morning, end_utc=morning + HOUR),)


def _recorded(visit: Visit) -> tuple[Observation, ...]:
    """What a visit recorded of its target; in two halves where two stars changed places."""
    step = next(step for step in visit.steps if step.role == "science")
    spans = [(step.start_utc, step.end_utc)]
    if step.swap_start_utc is not None and step.swap_end_utc is not None:
        spans = [(step.start_utc, step.swap_start_utc), (step.swap_end_utc, step.end_utc)]
    return tuple(
        Observation(
            target=visit.target,
            combiner=visit.combiner,
            stations=tuple(beam.station for beam in step.beams),
            start_utc=moment(start),
            end_utc=moment(end),
        )
        for start, end in spans
    )


def _reserved_left(plan: NightPlan, free: datetime.datetime) -> tuple[Reserved, ...]:
    """Reserved time that is not over: what has begun stays, what was to be chosen is chosen again."""
    placed = {own.name: own for own in plan.reserved if own.kind == "reserved" and own.start_utc is not None}
    found = []
    for own in plan.scenario.reserved:
        told = placed.get(own.name)
        start = own.start_utc or (moment(told.start_utc) if told and told.start_utc else None)
        end = own.end_utc or (moment(told.end_utc) if told and told.end_utc else None)
        if end is not None and end <= free:
            continue
        if own.start_utc is None and start is not None and start < free:
            own = Reserved(name=own.name, start_utc=start, end_utc=end, ready_s=own.ready_s)
        found.append(own)
    return tuple(found)


def _array_left(plan: NightPlan, free: datetime.datetime) -> Array:
    """The array without the internal calibrations that are made."""
    made = {
        own.name
        for own in plan.reserved
        if own.kind == "internal calibration" and own.start_utc and moment(own.start_utc) < free
    }
    array = plan.scenario.array
    kept = tuple(
        own for own in array.internal_calibrations if own.name not in made and own.when != "before dusk"
    )
    return array.model_copy(update={"internal_calibrations": kept})


def _programs_left(
    scenario: Scenario, requests: Sequence[Request], visits: Sequence[Visit]
) -> tuple[Program, ...]:
    """Programs with the requests and the hours that are left."""
    names = {request.name for request in requests}
    found = []
    for own in scenario.programs:
        targets = tuple(name for name in own.targets if name in names)
        if not targets:
            continue
        used_h = sum(visit.budget_s for visit in visits if visit.target in own.targets) / 3600.0
        hours = None if own.hours_max is None else max(LEAST_HOURS, own.hours_max - used_h)
        found.append(own.model_copy(update={"targets": targets, "hours_max": hours}))
    return tuple(found)
