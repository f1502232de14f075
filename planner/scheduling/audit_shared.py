"""Exposures that serve two visits, and how far everything moves in a plan.

The exposure that closes a visit may open the next. The plan tells it twice, the
second time as shared: as the first step of the later visit, and as nothing but
the last step of the visit before. Between it and the science step the star is
set up as within a visit; the time for it is checked with all other set-ups.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator

from planner.scheduling.audit_case import Case, holds, named, number
from planner.scheduling.audit_sky import title
from planner.scheduling.plan import Beam, NightPlan, Step, Visit

TRAVEL_TOLERANCE = 1e-4  # positions are written to micrometres and micro-degrees
REPEATED = (
    "role",
    "object",
    "setup_start_utc",
    "start_utc",
    "end_utc",
    "common_offset_m",
    "beams",
    "chain",
)
STATE = ("combiner", "spectral_setup", "routing_mode", "tracking")


def shared_cases(plan: NightPlan) -> Iterator[Case]:
    """A shared step is the last of the visit before, and both visits use the array in one state."""
    for number_in_plan, visit in enumerate(plan.visits):
        for place, step in enumerate(visit.steps):
            if step.shared:
                before = plan.visits[number_in_plan - 1] if number_in_plan else None
                yield from _one_case(plan, (before, visit), place, step)


def _one_case(plan: NightPlan, visits: tuple[Visit | None, Visit], place: int, step: Step) -> Iterator[Case]:
    before, visit = visits
    where = title(visit, step)
    yield holds(plan.scenario.plan.share_calibrators, f"{where} is shared, which nobody asked for")
    fits = place == 0 and step.role == "calibrator"
    yield holds(fits, f"{where} is shared, but it is not the calibrator that opens its visit")
    if before is None or not before.steps:
        yield holds(False, f"{where} is shared, but there is no visit before")
        return
    last = before.steps[-1]
    yield holds(not last.shared, f"{where} is shared with a step that is shared itself")
    for key in REPEATED:
        same = getattr(step, key) == getattr(last, key)
        yield holds(same, f"{where} is shared, but its {key} is not that of {title(before, last)}")
    for key in STATE:
        told, found = getattr(before, key), getattr(visit, key)
        yield holds(told == found, f"{where} is shared by visits of different {key}: {told}, {found}")
    yield holds(
        set(before.subarray) == set(visit.subarray) and set(before.tracked) == set(visit.tracked),
        f"{where} is shared by visits that use or track different telescopes",
    )
    ways = {_way(beam) for beam in last.beams}
    yield holds(
        all({_way(beam) for beam in own.beams} == ways for own in (*before.steps, *visit.steps)),
        f"{where} is shared by visits whose light takes different ways",
    )
    for own in (before, visit):
        request = named(plan.scenario.requests, own.target)
        two = own.dual_feed is not None or (request is not None and request.extras.second_star is not None)
        yield holds(not two, f"{where} is shared with {own.id}, which observes two stars at once")


def _way(beam: Beam) -> tuple[str, str, str, int, str | None]:
    return beam.telescope, beam.station, beam.delay_line, beam.combiner_input, beam.path_segment


def travel_cases(plan: NightPlan) -> Iterator[Case]:
    """Carriages and mounts move as far as the plan tells; a shared step stands still between two visits."""
    if plan.travel is None:
        return
    steps = [step for visit in plan.visits for step in visit.steps if not step.shared]
    beams = [beam for step in steps for beam in step.beams]
    rail = {line.name: line.path_per_travel for line in plan.scenario.array.delay_lines}
    run_m = math.fsum(
        abs(then.delay_start_m - now.delay_end_m) / rail.get(line, math.nan)
        for line in sorted({beam.delay_line for beam in beams})
        for now, then in itertools.pairwise(beam for beam in beams if beam.delay_line == line)
    )
    turned_deg = math.fsum(
        abs(then.azimuth_start_deg - now.azimuth_end_deg)
        + abs(then.altitude_start_deg - now.altitude_end_deg)
        for telescope in sorted({beam.telescope for beam in beams})
        for now, then in itertools.pairwise(beam for beam in beams if beam.telescope == telescope)
    )
    for what, told, found, unit in (
        ("carriages", plan.travel.carriages_m, run_m, "m"),
        ("mounts", plan.travel.mounts_deg, turned_deg, "deg"),
    ):
        apart = abs(number(told) - found)
        yield Case(
            TRAVEL_TOLERANCE - apart,
            f"{what} are told to move {number(told):.6f} {unit} between steps, they move {found:.6f} {unit}",
        )
    for what, earlier in (
        ("carriages", plan.travel.carriages_before_m),
        ("mounts", plan.travel.mounts_before_deg),
    ):
        yield holds(number(earlier) >= 0.0, f"{what} are told to have moved {earlier} before")
