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
from planner.scenario.night import PAST, RequestExtras, Reserved, Window
from planner.scenario.programs import Program
from planner.scenario.targets import Observation, Request, Scenario
from planner.scheduling.numbering import earlier_plans
from planner.scheduling.plan import EarlierPlans, NightPlan, Visit, moment
from planner.scheduling.table import longest_move_s

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
    closed : tuple of str
        Targets that may not be observed any more, because of what was made.
    free : datetime
        When the array can be used again: the moment asked about, or the end of what is under way then.
    going_on : int
        What the visits that had not begun are worth in the plan.
    earlier : EarlierPlans
        Every visit of this night so far, with its number, for the plan of the rest.
    """

    scenario: Scenario
    made: tuple[int, ...]
    lost: tuple[int, ...]
    closed: tuple[str, ...]
    free: datetime.datetime
    going_on: int
    earlier: EarlierPlans


def begun(plan: NightPlan, now: datetime.datetime) -> tuple[int, ...]:
    """Return the places of the visits that had begun by some moment, set-ups included.

    A visit that the exposure before opens begins when that is made.
    """
    first = [visit.steps[1] if visit.steps[0].shared else visit.steps[0] for visit in plan.visits]
    return tuple(k for k, step in enumerate(first) if moment(step.setup_start_utc) < now)


def remaining(plan: NightPlan, now: datetime.datetime, lost: Collection[int] = ()) -> Remaining:
    """Return what is left of a night.

    Parameters
    ----------
    plan : NightPlan
    now : datetime
        UTC, within the dark hours.
    lost : collection of int
        Places of visits that had begun but were not made. What their last exposures open is lost with them.
    """
    past, gone = begun(plan, now), set(lost)
    for k in past:
        if k - 1 in gone and plan.visits[k].steps[0].shared:
            gone.add(k)
    made = tuple(k for k in past if k not in gone)
    visits = [plan.visits[k] for k in made]
    scenario, counted = plan.scenario, Counter(visit.target for visit in visits)
    closed = _closed(scenario, counted)
    open_ones = [r for r in scenario.requests if counted[r.name] < r.visits and r.name not in closed]
    names = {request.name for request in open_ones}
    requests = tuple(_left(plan, request, names, visits) for request in open_ones)
    recorded = [row for visit in visits for row in _recorded(scenario, visit)]
    free = _free(plan, now, visits)
    left = scenario.model_copy(
        update={
            "title": _title(scenario.title, free),
            "array": _array_left(plan, free, {visit.combiner for visit in visits}),
            "requests": requests,
            "history": tuple(row for row in (*scenario.history, *recorded) if row.target in names),
            "reserved": (_past(plan, free), *_reserved_left(plan, free)),
            "programs": _programs_left(scenario, requests, visits),
        }
    )
    going_on = sum(visit.value for k, visit in enumerate(plan.visits) if k not in past)
    lost_ones = tuple(k for k in past if k in gone)
    earlier = earlier_plans(plan, made, lost_ones)
    return Remaining(left, made, lost_ones, tuple(sorted(closed)), free, going_on, earlier)


def _free(plan: NightPlan, now: datetime.datetime, visits: Sequence[Visit]) -> datetime.datetime:
    """When everything that is under way at some moment is over."""
    # A plan for the rest of a night is followed from where it begins, even when asked about an earlier time.
    over, dusk = plan.scenario.reserved, moment(plan.night.start_utc)
    found = [now, *(own.end_utc for own in over if own.end_utc and own.is_past(dusk))]
    found += [moment(visit.steps[-1].end_utc) for visit in visits]
    found += [
        moment(own.end_utc)
        for own in plan.reserved
        if own.kind == "internal calibration" and own.start_utc and own.end_utc
        if moment(own.start_utc) < now
    ]
    return max(found)


def _past(plan: NightPlan, free: datetime.datetime) -> Reserved:
    """The time that is over, and the time to come from anywhere."""
    dark_from = moment(plan.night.start_utc) - HOUR
    return Reserved(
        name=PAST,
        start_utc=min(dark_from, free - HOUR),
        end_utc=free,
        ready_s=longest_move_s(plan.scenario.array),
    )


def _title(title: str, free: datetime.datetime) -> str:
    """The scenario's title with the time from which the plan is, cut between words if need be."""
    own = FROM_ON.sub("", title)
    if len(own) > TITLE_MAX - len(", from 00:00 on"):
        own = own[: TITLE_MAX - len(" ..., from 00:00 on")].rpartition(" ")[0] + " ..."
    return f"{own}, from {free:%H:%M} on"


def _closed(scenario: Scenario, made: Counter[str]) -> frozenset[str]:
    """Targets that come before one that is made, and those that want the company of such a one."""
    closed = {own.extras.after for own in scenario.requests if own.extras.after and made[own.name]}
    for _ in scenario.requests:
        closed |= {
            own.name
            for own in scenario.requests
            if own.extras.only_with in closed and not made[str(own.extras.only_with)]
        }
    wanted = {own.name: own.visits for own in scenario.requests}
    return frozenset(name for name in closed if name in wanted and made[name] < wanted[name])


def _left(plan: NightPlan, request: Request, names: Collection[str], visits: Sequence[Visit]) -> Request:
    """A request with the visits that are missing; what it asks of requests that are done is kept already."""
    extras, made = request.extras, Counter(visit.target for visit in visits)
    changes: dict[str, object] = {}
    if extras.after is not None and extras.after not in names:
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


def _recorded(scenario: Scenario, visit: Visit) -> tuple[Observation, ...]:
    """What a visit recorded of its target; in two halves where two stars changed places.

    Where it matters how often a cell was filled, a row is a filling: then the cells of the swap count too.
    """
    step = next(step for step in visit.steps if step.role == "science")
    extras = next(own.extras for own in scenario.requests if own.name == visit.target)
    once = len(extras.cell_values) == 1 and extras.cells_goal is None
    spans = [(step.start_utc, step.end_utc)]
    if once and step.swap_start_utc is not None and step.swap_end_utc is not None:
        spans = [(step.start_utc, step.swap_start_utc), (step.swap_end_utc, step.end_utc)]
    return tuple(
        Observation(
            target=visit.target,
            combiner=visit.combiner,
            stations=tuple(beam.station for beam in step.beams),
            telescopes=tuple(beam.telescope for beam in step.beams),
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
        ready = datetime.timedelta(seconds=own.ready_s)
        if own.is_past(moment(plan.night.start_utc)) or (end is not None and end + ready <= free):
            continue
        if own.start_utc is None and start is not None and start < free:
            own = Reserved(name=own.name, start_utc=start, end_utc=end, ready_s=own.ready_s)
        found.append(own)
    return tuple(found)


def _array_left(plan: NightPlan, free: datetime.datetime, used: Collection[str]) -> Array:
    """The array without the internal calibrations that are made; what was used tonight needs the others."""
    made = {
        own.name
        for own in plan.reserved
        if own.kind == "internal calibration" and own.start_utc and moment(own.start_utc) < free
    }
    array = plan.scenario.array
    kept = tuple(
        own.model_copy(update={"combiners": ()}) if not set(used).isdisjoint(own.combiners) else own
        for own in array.internal_calibrations
        if own.name not in made and own.when != "before dusk"
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
