"""What is told of requests that got less than they want: the reason's numbers, and what serving costs.

A reason is a sentence. Its numbers are looked up where the plan or the
scenario has them (starts, visits, a magnitude, a program's hours) and worked
out where they are a margin of the sky at a time: altitude, skyline, Moon,
airmass. Of other sentences only that there is one is known.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import timedelta

import numpy as np

from planner.scenario.targets import Request
from planner.scheduling.audit_case import Case, class_of, combiner_in, holds, named
from planner.scheduling.audit_clock import clock, moment, times_of
from planner.scheduling.audit_limits import skyline_deg
from planner.scheduling.audit_sky import sky_at
from planner.scheduling.audit_times import on_slot
from planner.scheduling.plan import NightPlan, RequestOutcome
from planner.units import DAY_S

STARTS = re.compile(r"the visits considered could start at (\d+) times")
ONE_START = re.compile(r"one of the visits considered could be made")
PLANNED = re.compile(r"(\d+) of (\d+) visits planned")
FAINT = re.compile(r"limiting magnitude: (\w+) = (-?[\d.]+) is ([\d.]+) mag too faint for (.+)")
SHORT = re.compile(
    r"(altitude, lower limit|altitude, upper limit|skyline|Moon separation|airmass): at best ([\d.,]+) (\w+) "
    r"short, at (\d\d):(\d\d) UTC \(([^)]+)\)"
)
HOURS = re.compile(r"the time of program (.+) is spent: ([\d.]+) h of ([\d.]+) h are left")
WRITTEN_H = 0.0051
THREE_FIGURES = 0.006
MINUTE_S = 60.0


def request_cases(plan: NightPlan) -> Iterator[Case]:
    """Numbers in reasons are right, and so is what serving a request that was left out would cost."""
    slots = _slots(plan)
    for outcome in plan.requests:
        request = named(plan.scenario.requests, outcome.target)
        if request is None:
            continue
        least = 1 if outcome.visits_planned else 0
        yield holds(
            least <= outcome.feasible_starts <= slots,
            f"{outcome.target!r} is told to have {outcome.feasible_starts} starts, there are {slots} slots",
        )
        if outcome.reason is not None:
            yield from _reason_cases(plan, request, outcome, outcome.reason)
        yield from _forced_cases(plan, outcome)


def _slots(plan: NightPlan) -> int:
    start, end = moment(plan.night.start_utc), moment(plan.night.end_utc)
    if start is None or end is None:
        return 0
    return int((end - start).total_seconds() // plan.scenario.night.slot_s) + 1


def _reason_cases(plan: NightPlan, request: Request, outcome: RequestOutcome, reason: str) -> Iterator[Case]:
    if found := STARTS.match(reason):
        yield holds(
            int(found[1]) == outcome.feasible_starts,
            f"{request.name!r}: {found[1]} starts in its reason, {outcome.feasible_starts} in its numbers",
        )
    elif ONE_START.match(reason):
        yield holds(
            outcome.feasible_starts == 1, f"{request.name!r} has {outcome.feasible_starts} starts, not one"
        )
    elif found := PLANNED.match(reason):
        counted = outcome.visits_planned, request.visits
        yield holds(
            (int(found[1]), int(found[2])) == counted,
            f"{request.name!r}: {found[0]}, counted are {counted[0]} of {counted[1]}",
        )
    elif found := FAINT.match(reason):
        yield from _faint_cases(plan, request, found)
    elif found := SHORT.match(reason):
        yield from _short_cases(plan, request, found)
    if found := HOURS.search(reason):
        program = named(plan.scenario.programs, found[1])
        told = named(plan.programs, found[1])
        if program is None or program.hours_max is None or told is None:
            yield holds(False, f"{request.name!r}: there is no program {found[1]!r} with a budget")
            return
        left = program.hours_max - told.hours_used
        apart = max(abs(left - float(found[2])), abs(program.hours_max - float(found[3])))
        yield Case(WRITTEN_H - apart, f"{request.name!r}: {found[0]}, {left:.4f} h are left")


def _faint_cases(plan: NightPlan, request: Request, found: re.Match[str]) -> Iterator[Case]:
    """How much too faint a star is for the most sensitive telescopes that make a subarray."""
    band, told, short = found[1], float(found[2]), float(found[3])
    magnitude = request.star.mag.get(band)
    combiner = combiner_in(plan.scenario.array, request.combiner, request.extras.spectral_setup)
    if magnitude is None or combiner is None:
        yield holds(False, f"{request.name!r} has no magnitude in {band} or no combiner")
        return
    yield Case(
        WRITTEN_H - abs(magnitude - told), f"{request.name!r}: {band} = {told} told, it is {magnitude:.3f}"
    )
    classes = {class_of(plan.scenario.array, name) for name in plan.placement}
    limits = [
        combiner.limiting_magnitude[c.name] for c in classes if c and c.name in combiner.limiting_magnitude
    ]
    shorts = [magnitude - limit for limit in limits]
    yield holds(
        any(abs(each - short) <= WRITTEN_H for each in shorts),
        f"{request.name!r}: {short} mag too faint told, {', '.join(f'{each:.3f}' for each in shorts)} found",
    )


def _short_cases(plan: NightPlan, request: Request, found: re.Match[str]) -> Iterator[Case]:
    """By how much a limit of the sky is missed at the minute told, with the telescopes told."""
    limit, short = found[1], float(found[2].replace(",", ""))
    names = found[6].split("-")
    if not set(names) <= set(plan.placement):
        return  # a name with a hyphen in it
    start = moment(plan.night.start_utc)
    classes = [own for own in (class_of(plan.scenario.array, name) for name in names) if own is not None]
    if start is None or not classes:
        yield holds(
            False, f"{request.name!r}: its reason names no telescope of the configuration: {found[0]}"
        )
        return
    # The minute told is the nearest one to a tick: within half a minute of it.
    begun = int(clock(start)[:2]) * 3600.0 + int(clock(start)[3:5]) * MINUTE_S + int(clock(start)[6:8])
    since = (int(found[4]) * 3600.0 + int(found[5]) * MINUTE_S - begun + DAY_S / 2) % DAY_S - DAY_S / 2
    seconds = np.linspace(-MINUTE_S / 2, MINUTE_S / 2, 5)
    instants = [start + timedelta(seconds=since + float(offset)) for offset in seconds]
    sky = sky_at(plan.scenario.array.site, request.star, times_of(instants))
    extras, limits = request.extras, plan.scenario.limits
    if limit == "altitude, lower limit":
        missed = max(own.altitude_min_deg for own in classes) - sky.altitude_deg
    elif limit == "altitude, upper limit":
        missed = sky.altitude_deg - min(own.altitude_max_deg for own in classes)
    elif limit == "skyline":
        stations = [named(plan.scenario.array.stations, plan.placement[name]) for name in names]
        masks = {plan.scenario.array.site.horizon_deg, *(s.horizon_deg for s in stations if s is not None)}
        missed = np.max([skyline_deg(mask, sky.azimuth_deg) for mask in masks], axis=0) - sky.seen_deg
    elif limit == "Moon separation":
        own = extras.moon_separation_min_deg
        missed = ((limits.moon_separation_min_deg if own is None else own) or 0.0) - sky.moon_separation_deg
    else:
        most = limits.airmass_max if extras.airmass_max is None else extras.airmass_max
        missed = 1.0 / np.sin(np.deg2rad(sky.altitude_deg)) - (np.inf if most is None else most)
    low, high = float(missed.min()), float(missed.max())
    allowed = THREE_FIGURES * abs(short) + 1e-5
    yield Case(
        min(short - low, high - short) + allowed,
        f"{request.name!r}: {found[0]}; {low:.4g} to {high:.4g} {found[3]} found in that minute",
    )


def _forced_cases(plan: NightPlan, outcome: RequestOutcome) -> Iterator[Case]:
    """What serving a request costs is the difference of two scores, and what is displaced has visits."""
    told, best = outcome.forced, plan.solver.score
    if told is None:
        return
    title = f"{outcome.target!r}, when served,"
    yield holds(outcome.visits_planned == 0, f"{title} is served already")
    yield holds(
        told.cost == max(0, best - told.score),
        f"{title} costs {told.cost} by the plan, {best} - {told.score} by the scores",
    )
    yield holds(
        0 <= told.cost_least <= told.cost and told.score <= plan.solver.bound,
        f"{title} costs {told.cost_least} at least and {told.cost} at most, for a score of {told.score}",
    )
    visited = [visit.target for visit in plan.visits]
    yield holds(
        len(set(told.displaced)) == len(told.displaced) and set(told.displaced) <= set(visited),
        f"{title} displaces {', '.join(told.displaced)}, which have no visits or are told twice",
    )
    start, dark = moment(told.start_utc), (moment(plan.night.start_utc), moment(plan.night.end_utc))
    inside = start is not None and dark[0] is not None and dark[1] is not None and dark[0] <= start < dark[1]
    yield holds(inside, f"{title} starts at {told.start_utc}, outside the dark hours")
    if start is not None:
        yield holds(on_slot(plan, start), f"{title} starts at {told.start_utc}, not on a slot")
