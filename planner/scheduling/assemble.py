"""From chosen candidates to the plan as a document."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from astropy.time import Time, TimeDelta

from planner import __version__
from planner.constraints.tonight import NightLimits
from planner.scheduling.candidates import RequestOffer, later_starts, ticks_to_spare
from planner.scheduling.cell_values import HOUR_S
from planner.scheduling.cells_told import CellsTold, budget_s, cells_told
from planner.scheduling.cpsat import solver_name
from planner.scheduling.instead import fillers_told, forced_told
from planner.scheduling.light_told import light_of_beam, light_of_step, light_of_visit
from planner.scheduling.lost_time import lost_time
from planner.scheduling.margins import margins_of
from planner.scheduling.numbering import renumbered
from planner.scheduling.offsets import holding
from planner.scheduling.plan import (
    Beam,
    EarlierPlans,
    EarthOrientation,
    Night,
    NightPlan,
    ProgramOutcome,
    RequestOutcome,
    ReservedTime,
    SolverReport,
    Step,
    Travel,
    Visit,
)
from planner.scheduling.reasons import Served, reason
from planner.scheduling.reserved import beams_free_from, reserved_times
from planner.scheduling.rule_reasons import rule_told
from planner.scheduling.setup import ticks_up
from planner.scheduling.solved import SolvedNight, with_shared_steps
from planner.scheduling.table import candidate_table, longest_wait_ticks, wait_ticks
from planner.scheduling.travel import movement, travel_of
from planner.scheduling.visits import VisitFamily
from planner.science.coverage import cells_of
from planner.sky.night import utc_text

WRITTEN_M = 5e-7  # to which offsets stand in the plan
NOT_SAID = "the plan was written before the reasons were"


def night_plan(solved: SolvedNight, configuration: str) -> NightPlan:
    """Write the plan of a solved night down, without its audit."""
    return with_everything_said(solved, chosen_plan(solved, configuration))


def chosen_plan(solved: SolvedNight, configuration: str, earlier: EarlierPlans | None = None) -> NightPlan:
    """Write down what was chosen, and no more: a plan that can be audited and planned on.

    In a plan for the rest of a night visits keep the numbers that they had in ``earlier``.

    Margins, latest starts, fillers, reasons, costs and lost time are not in it
    (:func:`with_everything_said`): whatever fails in those, the visits are on paper.
    """
    solved = with_shared_steps(solved)
    limits, solution = solved.limits, solved.solution
    scenario, sky = limits.scenario, limits.sky
    visits = _visits(solved)
    plan = NightPlan(
        planner_version=__version__,
        scenario=scenario,
        night=Night(
            date=scenario.night.date.isoformat(),
            sun_altitude_max_deg=scenario.night.sun_altitude_max_deg,
            start_utc=utc_text(sky.dark.start),
            end_utc=utc_text(sky.dark.end),
            slot_s=scenario.night.slot_s,
            tick_s=sky.tick_s,
            moon_illumination=round(float(np.mean(sky.sun_moon.moon_illumination)), 3),
        ),
        configuration=configuration,
        placement=dict(zip(limits.placement.telescopes, limits.placement.stations, strict=True)),
        solver=SolverReport(
            made_by=solution.made_by,
            status=solution.status,
            score=solution.score,
            bound=solution.bound,
            gap=round(solution.gap, 6),
            effort=scenario.effort.deterministic,
            candidates=len(solved.problem),
            solver=solver_name(),
            seconds=solved.seconds,
            stopped_by=solution.stopped_by,
        ),
        visits=tuple(visits),
        reserved=_reserved(solved, visits),
        requests=tuple(_outcome(solved, offer, visits) for offer in solved.offers),
        programs=_programs(solved),
        unfair=solved.problem.rules.unfair(solved.problem.worth_of(solution.chosen)),
        earth_orientation=_earth_orientation(limits),
        complete=False,
    )
    return plan if earlier is None else renumbered(plan, earlier)


def with_everything_said(solved: SolvedNight, plan: NightPlan) -> NightPlan:
    """Return a plan of :func:`chosen_plan` with all that it says about what was chosen and what was not."""
    solved = with_shared_steps(solved)
    visits = tuple(
        visit.model_copy(update=_said_of_visit(solved, candidate))
        for visit, candidate in zip(plan.visits, solved.visits, strict=True)
    )
    requests = tuple(
        outcome.model_copy(
            update={"reason": _reason(solved, offer, outcome), "forced": forced_told(solved, offer.request)}
        )
        for outcome, offer in zip(plan.requests, solved.offers, strict=True)
    )
    more = {"lost_time": lost_time(solved), "travel": _travel(solved), "complete": True}
    return plan.model_copy(update={"visits": visits, "requests": requests, **more})


def _travel(solved: SolvedNight) -> Travel | None:
    """What moves in the plan; before and after are the same where nobody made it calmer."""
    if not solved.visits:
        return None
    now = movement(solved.limits, [solved.origin(c) for c in solved.visits])
    return travel_of(solved.moved_before or now, now)


def _reserved(solved: SolvedNight, visits: Sequence[Visit]) -> tuple[ReservedTime, ...]:
    """Time that is not for stars, with internal calibrations outside the observations."""
    dark = solved.limits.sky.dark
    start, end = dark.start, dark.end
    if visits:
        first = Time(visits[0].steps[0].setup_start_utc.rstrip("Z"), scale="utc")
        last = Time(visits[-1].steps[-1].end_utc.rstrip("Z"), scale="utc")
        start, end = min(start, first), max(end, last)
    used = {visit.combiner for visit in visits}
    return reserved_times(solved.limits, solved.placed, used, (start, end))


def _earth_orientation(limits: NightLimits) -> EarthOrientation:
    found = limits.sky.frame.orientation
    longest = limits.placement.longest_baseline_m()
    return EarthOrientation(
        source="IERS table shipped with astropy-iers-data",
        state=found.state,
        ut1_minus_utc_s=round(float(found.ut1_minus_utc_s[0]), 6),
        error_s=round(found.error_s, 6),
        delay_error_mm=round(1e3 * found.delay_error_m(longest), 4),
        sentence=found.sentence(longest),
    )


def _visits(solved: SolvedNight) -> list[Visit]:
    """The visits in order, with their set-ups and new cells."""
    told = cells_told(solved)
    everything = list(solved.solution.chosen)
    visits = []
    for place, candidate in enumerate(solved.visits):
        # Neighbours may be time that is not for stars.
        position = everything.index(candidate)
        previous = everything[position - 1] if position else None
        visits.append(_visit(solved, place, (previous, candidate), told[candidate]))
    return visits


def _visit(solved: SolvedNight, place: int, neighbours: tuple[int | None, int], told: CellsTold) -> Visit:
    limits = solved.limits
    previous, candidate = neighbours
    family, row = solved.origin(candidate)
    request = limits.scenario.requests[family.request]
    names = tuple(limits.placement.telescopes[i] for i in family.facts.subarray.telescopes)
    return Visit(
        id=f"V{place + 1:02d}",
        target=request.name,
        combiner=family.facts.combiner.name,
        subarray=names,
        steps=tuple(
            _step(solved, candidate, k, _setup_start(solved, previous, candidate, k)) for k in range(3)
        ),
        latest_start_utc=utc_text(limits.sky.times[int(family.start_tick[row, 0])]),
        margins=(),
        new_cells=cells_of(told.new),
        cells_again=cells_of(told.again),
        value=told.value,
        budget_s=budget_s(solved, candidate),
        **light_of_visit(limits, family, row),
    )


def _said_of_visit(solved: SolvedNight, candidate: int) -> dict[str, object]:
    """How robust a visit is: its latest start, its margins, and what fits in its place."""
    limits, everything = solved.limits, list(solved.solution.chosen)
    following = everything[everything.index(candidate) + 1 :]
    latest, offsets_m = _latest_start(solved, candidate, following)
    return {
        "latest_start_utc": utc_text(limits.sky.times[latest]),
        "latest_offsets_m": offsets_m,
        "margins": tuple(margins_of(limits, *solved.origin(candidate))),
        "fillers": fillers_told(solved, candidate),
    }


def _setup_start(solved: SolvedNight, previous: int | None, candidate: int, step: int) -> int:
    """Tick at which the set-up of a step starts: as late as it may."""
    family, row = solved.origin(candidate)
    if step:
        return int(family.end_tick[row, step - 1])
    start = int(family.start_tick[row, 0])
    if candidate in solved.giver:
        other, last = solved.origin(solved.giver[candidate])
        return int(other.end_tick[last, 1])
    if previous is None:
        wait = int(ticks_up(family.facts.capture_s, solved.limits.sky.tick_s))
    else:
        wait = int(wait_ticks(solved.limits, solved.table, np.array([previous]), np.array([candidate]))[0])
    names = [solved.limits.placement.telescopes[i] for i in family.facts.subarray.telescopes]
    return beams_free_from(solved.limits, names, start - wait, start)


def _step(solved: SolvedNight, candidate: int, number: int, setup_start: int) -> Step:
    family, row = solved.origin(candidate)
    limits = solved.limits
    sky, lines = limits.sky, limits.scenario.array.delay_lines
    star = family.stars[number]
    subarray = family.facts.subarray
    beams = tuple(
        Beam(
            telescope=limits.placement.telescopes[telescope],
            station=limits.placement.stations[telescope],
            delay_line=lines[line].name,
            combiner_input=(subarray.inputs[position] if subarray.inputs else position) + 1,
            delay_start_m=round(float(family.delay_m[row, number, 0, position]), 6),
            delay_end_m=round(float(family.delay_m[row, number, 1, position]), 6),
            azimuth_start_deg=round(float(family.azimuth_deg[row, number, 0]), 6),
            azimuth_end_deg=round(float(family.azimuth_deg[row, number, 1]), 6),
            altitude_start_deg=round(float(family.altitude_deg[row, number, 0]), 6),
            altitude_end_deg=round(float(family.altitude_deg[row, number, 1]), 6),
            **light_of_beam(limits, family, row, (number, position)),
        )
        for position, (telescope, line) in enumerate(zip(subarray.telescopes, subarray.lines, strict=True))
    )
    start, end = int(family.start_tick[row, number]), int(family.end_tick[row, number])
    # Before the first tick of the night the set-up runs in twilight: time is counted on from tick 0.
    return Step(
        role="science" if number == 1 else "calibrator",
        object=sky.stars[star].name,
        setup_start_utc=utc_text(
            sky.times[start] - TimeDelta(float((start - setup_start) * sky.tick_s), format="sec")
        ),
        start_utc=utc_text(sky.times[start]),
        end_utc=utc_text(sky.times[end]),
        common_offset_m=round(float(family.offset_m[row, number]), 6),
        beams=beams,
        shared=number == 0 and candidate in solved.giver,
        **light_of_step(limits, family, row, number),
    )


def _latest_start(
    solved: SolvedNight, candidate: int, following: Sequence[int]
) -> tuple[int, tuple[float, ...] | None]:
    """The latest tick at which the same visit can start and leave the next ones as planned, without a hole.

    With it the common offsets that it then has, None where they are those of the plan.

    Beyond the next one too: it may be short, or use other devices, and set-ups hold for every pair. The
    steps as they are told must fit when they are moved as one, and so must the visit worked out anew at
    that start: with the plan's offsets where carriages are in time with them, else by the general rule.
    """
    limits = solved.limits
    family, row = solved.origin(candidate)
    latest = int(family.start_tick[row, 0])
    if candidate in solved.giver or candidate in solved.giver.values():
        return latest, None  # one exposure serves two visits: moving one would move the other
    last = int(solved.table.start_tick[following[0]]) if following else len(limits.sky.times) - 1
    later = later_starts(limits, family, row, last)
    kinds = [later] if solved.moved_before is None else [holding(limits, later, family.offset_m[row]), later]
    reach = last + longest_wait_ticks(limits)
    near = [other for other in following if solved.table.start_tick[other] <= reach]
    room = min([ticks_to_spare(limits, family, row), *(_room_ticks(solved, candidate, o) for o in near)])
    offsets_at: dict[int, np.ndarray] = {}
    for visits in kinds:
        fits = (visits.start_tick[:, 0] <= latest + room) & _paced_as(visits, family, row)
        for other in near:
            fits &= _in_time_for(solved, visits, other)
        for start, offset_m in zip(visits.start_tick[fits, 0].tolist(), visits.offset_m[fits], strict=True):
            offsets_at.setdefault(start, offset_m)
    while latest + 1 in offsets_at:
        latest += 1
    offset_m = offsets_at.get(latest, family.offset_m[row])
    as_planned = bool(np.all(np.abs(offset_m - family.offset_m[row]) < WRITTEN_M))
    return latest, None if as_planned else tuple(round(float(own), 6) for own in offset_m)


def _paced_as(visits: VisitFamily, family: VisitFamily, row: int) -> np.ndarray:
    """Whether each of these visits makes its steps as far apart as the planned one, (start,).

    Else its offsets would be told for other times than those at which the moved steps are made.
    """
    own = np.concatenate([family.start_tick[row], family.end_tick[row]]) - family.start_tick[row, 0]
    ticks = np.concatenate([visits.start_tick, visits.end_tick], axis=1) - visits.start_tick[:, :1]
    return np.asarray((ticks == own).all(axis=1))


def _room_ticks(solved: SolvedNight, candidate: int, following: int) -> int:
    """Ticks between the end of a chosen candidate and the set-up of a later one, as both are planned."""
    table = solved.table
    wait = 0
    if table.family[following] >= 0:
        wait = int(wait_ticks(solved.limits, table, np.array([candidate]), np.array([following]))[0])
    return int(table.start_tick[following] - wait - table.end_tick[candidate])


def _in_time_for(solved: SolvedNight, visits: VisitFamily, following: int) -> np.ndarray:
    """Whether each of these visits leaves a chosen candidate after it as planned, (start,)."""
    start = solved.table.start_tick[following]
    if solved.table.family[following] < 0:
        return np.asarray(visits.end_tick[:, 2] <= start)
    family, row = solved.origin(following)
    table = candidate_table(solved.limits, (visits, family.take(np.array([row]))))
    mine, other = np.flatnonzero(table.family == 0), np.flatnonzero(table.family == 1)
    wait = wait_ticks(solved.limits, table, mine, np.full(len(mine), other[0]))
    return np.asarray(table.end_tick[mine] + wait <= table.start_tick[other[0]])


def _outcome(solved: SolvedNight, offer: RequestOffer, visits: Sequence[Visit]) -> RequestOutcome:
    """What a request got."""
    request = solved.limits.scenario.requests[offer.request]
    mine = [visit for visit in visits if visit.target == request.name]
    of_request = solved.problem.request == offer.request
    filled = sum(len(visit.new_cells) for visit in mine)
    starts = len(np.unique(solved.problem.start[of_request]))
    return RequestOutcome(
        target=request.name,
        combiner=request.combiner,
        priority=request.priority,
        visits_wanted=request.visits,
        visits_planned=len(mine),
        cells_filled=filled,
        cells_reachable=len(offer.reachable),
        cells_filled_before=len(offer.filled_before),
        feasible_starts=starts,
        subarrays=len(offer.subarrays),
        subarrays_offered=offer.subarrays_offered,
        assignments=offer.assignments,
        assignments_offered=offer.assignments_offered,
        reason=None if len(mine) >= request.visits else NOT_SAID,
        worth=sum(visit.value for visit in mine),
    )


def _reason(solved: SolvedNight, offer: RequestOffer, outcome: RequestOutcome) -> str | None:
    """Why a request got fewer visits than it wants."""
    of_request = solved.problem.request == offer.request
    gains = of_request & np.array([len(cells) > 0 for cells in solved.problem.cells], dtype=bool)
    gaining = len(np.unique(solved.problem.start[gains]))
    planned = outcome.visits_planned
    rules = rule_told(solved, offer.request, planned) if of_request.any() else None
    served = Served(outcome.feasible_starts, gaining, planned, outcome.cells_filled, rules)
    return reason(solved.limits, offer, served)


def _programs(solved: SolvedNight) -> tuple[ProgramOutcome, ...]:
    """What became of each program."""
    problem, chosen = solved.problem, solved.visits
    worth_of = problem.worth_of(chosen)
    names = [request.name for request in solved.limits.scenario.requests]
    found = []
    for own in solved.limits.scenario.programs:
        mine = {names.index(target) for target in own.targets if target in names}
        visits = [c for c in chosen if int(problem.request[c]) in mine]
        found.append(
            ProgramOutcome(
                name=own.name,
                targets=own.targets,
                visits=len(visits),
                score=sum(worth_of.get(request, 0) for request in mine),
                share=own.share,
                hours_used=round(sum(budget_s(solved, c) for c in visits) / HOUR_S, 4),
                hours_max=own.hours_max,
            )
        )
    return tuple(found)
