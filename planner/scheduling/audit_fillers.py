"""Would a filler really fit in the place of its visit: stars, telescopes, times, set-ups, limits, value.

A filler tells its stars, times and telescopes, not its delay lines. It becomes
a visit of a plan of nothing but fillers, whose steps are judged by the checks
of this audit at a few samples each. Between neighbours there must be time at
least for the capture, the change of combiner and the turn of mounts by the
shorter way. Delays are possible when each two of its beams have lines with an
offset in common; cells are counted on the curve through the samples.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from planner.scenario.targets import Request
from planner.scheduling.audit_beams import calibrator_cases
from planner.scheduling.audit_brightness import (
    guide_cases,
    guide_distance_cases,
    magnitude_cases,
    sensor_cases,
)
from planner.scheduling.audit_case import Case, class_of, combiner_in, holds, named
from planner.scheduling.audit_cells import Crossed, crossed_on
from planner.scheduling.audit_clock import clock, moment
from planner.scheduling.audit_coverage import Cells, uv_m
from planner.scheduling.audit_late_limits import OF_SKY
from planner.scheduling.audit_limits import window_cases
from planner.scheduling.audit_optics import combiner_change
from planner.scheduling.audit_reserved import Span, spans
from planner.scheduling.audit_rules import unfair_of
from planner.scheduling.audit_shadow import shadow_cases, shadows
from planner.scheduling.audit_sky import TrackedStep, baseline_end_m, tracked_steps
from planner.scheduling.audit_times import TIME_TOLERANCE_S, asked_s, on_slot
from planner.scheduling.audit_values import NONE, Earlier, Tally
from planner.scheduling.plan import Beam, Filler, NightPlan, Step, Visit

SAMPLES = 4  # of each step, at least
OFFSET_TOLERANCE_M = 1e-3

OF_STARS = (window_cases, magnitude_cases, guide_cases, guide_distance_cases, sensor_cases)


@dataclass(frozen=True)
class Place:
    """A filler and the visit that it would replace.

    Attributes
    ----------
    number : int
        Of the visit in the plan.
    filler : Filler
    as_visit : Visit
        The filler as a visit; its lines, inputs and positions are not told.
    """

    number: int
    filler: Filler
    as_visit: Visit


def filler_cases(
    plan: NightPlan, crossed: Mapping[int, Crossed], earlier: Mapping[str, Earlier]
) -> Iterator[Case]:
    """Every filler is another request's visit that fits in its place, and is worth what is told."""
    places = []
    for number_in_plan, visit in enumerate(plan.visits):
        targets = [filler.target for filler in visit.fillers]
        yield holds(
            len(set(targets)) == len(targets), f"{visit.id} has two fillers of one request: {targets}"
        )
        values = [filler.value for filler in visit.fillers]
        yield holds(
            values == sorted(values, reverse=True), f"{visit.id}: fillers are not told by value: {values}"
        )
        for filler in visit.fillers:
            trouble = _trouble(plan, visit, filler)
            yield holds(not trouble, f"{_title(visit, filler)} {trouble}")
            if not trouble:
                places.append(Place(number_in_plan, filler, _as_visit(plan, visit, filler)))
    if not places:
        return
    pretended = _pretended(plan, places)
    tracked = tracked_steps(pretended)
    for cases in (*OF_SKY, calibrator_cases):
        yield from cases(pretended, tracked)
    for of_stars in OF_STARS:
        yield from of_stars(pretended)
    yield from shadow_cases(shadows(pretended, tracked))
    busy = spans(plan)
    for position, place in enumerate(places):
        steps = [seen for seen in tracked if seen.visit_number == position]
        if len(steps) < len(place.as_visit.steps):
            yield holds(False, f"{_title(plan.visits[place.number], place.filler)} is not in its night")
            continue
        yield from _time_cases(plan, place, steps, busy)
        yield from _delay_cases(plan, place, steps)
        yield _value_case(plan, place, steps, (crossed, earlier))


def _title(visit: Visit, filler: Filler) -> str:
    return f"filler {filler.target!r} in the place of {visit.id}"


def _trouble(plan: NightPlan, visit: Visit, filler: Filler) -> str:
    """Why a filler makes no sense, empty when it does."""
    request = named(plan.scenario.requests, filler.target)
    if request is None:
        return "is of nobody's request"
    if filler.target == visit.target:
        return "is of the visit's own request"
    combiner = combiner_in(plan.scenario.array, request.combiner, request.extras.spectral_setup)
    if combiner is None:
        return f"has no combiner {request.combiner!r}"
    wanted, names = request.extras.telescopes, filler.subarray
    if len(names) != combiner.beams or len(set(names)) != len(names) or not set(names) <= set(plan.placement):
        return f"uses {', '.join(names)} with {combiner.name}"
    if wanted and not set(names) <= set(wanted):
        return f"uses {', '.join(names)}, asked for are {', '.join(wanted)}"
    if [step.object for step in filler.steps[1:2]] != [filler.target] or len(filler.steps) != 3:
        return f"does not tell {filler.target!r} between two calibrators"
    known = {star.name for star in plan.scenario.calibrators}
    if not {filler.steps[0].object, filler.steps[2].object} <= known:
        return "has a calibrator that the scenario does not have"
    if (filler.start_utc, filler.end_utc) != (filler.steps[0].start_utc, filler.steps[-1].end_utc):
        return "does not start and end with its steps"
    times = [moment(text) for step in filler.steps for text in (step.start_utc, step.end_utc)]
    readable = [time for time in times if time is not None]
    if len(readable) < len(times) or readable != sorted(set(readable)):
        return "has steps that are not in order"
    planned = sum(other.target == filler.target for other in plan.visits)
    if planned >= request.visits:
        return f"would be visit {planned + 1} of {request.visits}"
    return ""


def _as_visit(plan: NightPlan, visit: Visit, filler: Filler) -> Visit:
    """Return a filler as a visit, with what is not told left out."""
    request = named(plan.scenario.requests, filler.target)
    combiner = named(plan.scenario.array.combiners, request.combiner if request is not None else "")
    own_setup = None if combiner is None else combiner.setup_name
    asked = None if request is None else request.extras.spectral_setup
    beams = tuple(
        Beam(
            telescope=name,
            station=plan.placement[name],
            delay_line="not told",
            combiner_input=0,
            delay_start_m=0.0,
            delay_end_m=0.0,
            azimuth_start_deg=0.0,
            azimuth_end_deg=0.0,
            altitude_start_deg=0.0,
            altitude_end_deg=0.0,
        )
        for name in filler.subarray
    )
    steps = tuple(
        Step(
            role="science" if step.object == filler.target else "calibrator",
            object=step.object,
            setup_start_utc=step.start_utc,
            start_utc=step.start_utc,
            end_utc=step.end_utc,
            common_offset_m=0.0,
            beams=beams,
        )
        for step in filler.steps
    )
    return visit.model_copy(
        update={
            "id": f"{visit.id}, filler {filler.target!r},",
            "target": filler.target,
            "combiner": "" if request is None else request.combiner,
            "subarray": filler.subarray,
            "steps": steps,
            "spectral_setup": asked or own_setup,
            "tracked": (),
            "tracking": None,
        }
    )


def _pretended(plan: NightPlan, places: Sequence[Place]) -> NightPlan:
    """Return a plan of nothing but fillers, its steps to be sampled a few times each."""
    lengths = [
        (_time(step.end_utc) - _time(step.start_utc)).total_seconds()
        for place in places
        for step in place.as_visit.steps
    ]
    coarse = max(1, math.floor(min(lengths) / SAMPLES))
    night = plan.scenario.night.model_copy(update={"tick_s": coarse})
    return plan.model_copy(
        update={
            "visits": tuple(place.as_visit for place in places),
            "scenario": plan.scenario.model_copy(update={"night": night}),
        }
    )


def _time(text: str) -> datetime:
    """A time that is known to be readable."""
    found = moment(text)
    if found is None:
        raise ValueError(f"{text} is not a time")
    return found


def _time_cases(
    plan: NightPlan, place: Place, steps: Sequence[TrackedStep], busy: Sequence[Span]
) -> Iterator[Case]:
    """Lengths, set-ups within, and room between the neighbours."""
    visit, night = plan.visits[place.number], plan.scenario.night
    title = _title(visit, place.filler)
    request = steps[1].request
    combiner = combiner_in(plan.scenario.array, place.as_visit.combiner, place.as_visit.spectral_setup)
    if request is None or combiner is None:
        yield holds(False, f"{title} has no combiner")
        return
    classes = [class_of(plan.scenario.array, name) for name in place.filler.subarray]
    capture_s = combiner.fringe_search_s + max((c.acquisition_s for c in classes if c is not None), default=0)
    for seen in steps:
        second, feed = request.extras.second_star, plan.scenario.array.dual_feed
        swaps = seen.step.role == "science" and second is not None and second.swap and feed is not None
        asked = asked_s(combiner, seen.step.role == "science") + (feed.swap_s if swaps and feed else 0.0)
        length = float(seen.seconds[-1])
        # Two halves and a swap are whole ticks each.
        spare = (3 if swaps else 1) * night.tick_s
        words = f"{title}: {seen.step.object!r} is recorded for {length:.0f} s, {asked:.0f} s are asked for"
        yield Case(length - asked + TIME_TOLERANCE_S, words)
        yield Case(asked + spare - length - TIME_TOLERANCE_S, words)
        ticks = length / night.tick_s
        yield holds(abs(ticks - round(ticks)) < TIME_TOLERANCE_S, f"{words}, not in whole ticks")
    for before, after in itertools.pairwise(steps):
        room = (after.start - before.start).total_seconds() - float(before.seconds[-1])
        needed = capture_s + _turn_s(plan, place.filler.subarray, before, after)
        yield Case(
            room - needed + TIME_TOLERANCE_S,
            f"{title}: {room:.0f} s to move on to {after.step.object!r}, {needed:.0f} s needed",
        )
    begin, end = steps[0].start, steps[-1].start + timedelta(seconds=float(steps[-1].seconds[-1]))
    shared = _opened_by(plan, place)
    lost = moment(visit.steps[0].start_utc) if visit.steps else None
    # A shared exposure is made anyway; what it opens begins after it.
    first = steps[1].start if shared else begin
    yield holds(lost is not None and first >= lost, f"{title} starts at {clock(first)}, before that visit")
    yield holds(shared or on_slot(plan, begin), f"{title} starts at {clock(begin)}, not on a slot")
    yield from _neighbour_cases(plan, place, (begin, end), capture_s)
    first = begin - timedelta(seconds=capture_s)
    for span in busy:
        if span.takes(place.filler.subarray):
            apart = max((span.start - end).total_seconds(), (begin - span.end).total_seconds())
            ready = (first - span.ready).total_seconds() if begin >= span.end else apart
            yield Case(
                min(apart, ready) + TIME_TOLERANCE_S,
                f"{title} is {min(apart, ready):.0f} s apart from {span.title}",
            )


def _opened_by(plan: NightPlan, place: Place) -> bool:
    """Whether the exposure that closes the visit before opens the filler."""
    if not place.number or not plan.scenario.plan.share_calibrators:
        return False
    before = plan.visits[place.number - 1]
    last, opens = before.steps[-1], place.filler.steps[0]
    same = (last.object, last.start_utc, last.end_utc) == (opens.object, opens.start_utc, opens.end_utc)
    return same and set(before.subarray) == set(place.filler.subarray)


def _neighbour_cases(
    plan: NightPlan, place: Place, edges: tuple[datetime, datetime], capture_s: float
) -> Iterator[Case]:
    """Time enough after the visit before and until the visit after, unless an exposure is shared."""
    array, visit, own = plan.scenario.array, plan.visits[place.number], place.as_visit
    title, share = _title(visit, place.filler), plan.scenario.plan.share_calibrators
    if place.number and not _opened_by(plan, place):
        before = plan.visits[place.number - 1]
        last = before.steps[-1]
        change = combiner_change(array, before, own)
        room = (edges[0] - _time(last.end_utc)).total_seconds()
        needed = capture_s + (0.0 if change is None else change[0])
        yield Case(
            room - needed + TIME_TOLERANCE_S,
            f"{title} starts {room:.0f} s after {before.id}, {needed:.0f} s needed",
        )
    if place.number + 1 < len(plan.visits):
        after = plan.visits[place.number + 1]
        starts = [step for step in after.steps if not step.shared]
        if not starts:
            return
        change = combiner_change(array, own, after)
        classes = [class_of(array, name) for name in after.subarray]
        then = combiner_in(array, after.combiner, after.spectral_setup)
        needed = max((c.acquisition_s for c in classes if c is not None), default=0.0)
        needed += (0.0 if then is None else then.fringe_search_s) + (0.0 if change is None else change[0])
        room = (_time(starts[0].start_utc) - edges[1]).total_seconds()
        if not share:
            yield Case(
                room - needed + TIME_TOLERANCE_S,
                f"{title} ends {room:.0f} s before {after.id}, {needed:.0f} s needed",
            )


def _turn_s(plan: NightPlan, names: Sequence[str], before: TrackedStep, after: TrackedStep) -> float:
    """Time that the slowest mount needs between two stars, by the shorter way and without settling."""
    azimuth = abs((after.sky.azimuth_deg[0] - before.sky.azimuth_deg[-1] + 180.0) % 360.0 - 180.0)
    altitude = abs(after.sky.altitude_deg[0] - before.sky.altitude_deg[-1])
    times = [0.0]
    for name in names:
        own = class_of(plan.scenario.array, name)
        if own is not None:
            times += [azimuth / own.azimuth_speed_deg_per_s, altitude / own.altitude_speed_deg_per_s]
    return float(max(times))


def _delay_cases(plan: NightPlan, place: Place, steps: Sequence[TrackedStep]) -> Iterator[Case]:
    """Each two of its beams have lines, segments and inputs that leave a common offset in every step."""
    array = plan.scenario.array
    combiner = combiner_in(array, place.as_visit.combiner, place.as_visit.spectral_setup)
    if combiner is None:
        return
    inner = combiner.beam_path_m or (0.0,) * combiner.beams
    reach = {}
    for name in place.filler.subarray:
        station, own = named(array.stations, plan.placement[name]), class_of(array, name)
        if station is None or own is None:
            return
        serving = [line for line in array.delay_lines if not line.stations or station.name in line.stations]
        segments = [s.path_m for s in array.path_segments if not s.stations or station.name in s.stations]
        strokes = {
            line.name: line.pupil_stroke_m
            if combiner.pupil_relay and line.pupil_stroke_m is not None
            else line.stroke_m
            for line in serving
        }
        constant = own.pupil_height_m + station.fixed_path_m
        reach[name] = (baseline_end_m(station, own), constant), strokes, segments or [0.0]
    for one, two in itertools.combinations(place.filler.subarray, 2):
        left = [-math.inf]
        for (a, stroke_a), (b, stroke_b) in itertools.product(reach[one][1].items(), reach[two][1].items()):
            if a == b:
                continue
            constants = [
                f_a + c_a - f_b - c_b + reach[one][0][1] - reach[two][0][1]
                for f_a, f_b in itertools.product(reach[one][2], reach[two][2])
                for c_a, c_b in itertools.permutations(inner, 2)
            ]
            for constant in set(constants):
                left.append(
                    min(
                        _common_m((reach[one][0][0], reach[two][0][0]), (stroke_a, stroke_b), constant, seen)
                        for seen in steps
                    )
                )
        yield Case(
            max(left) + OFFSET_TOLERANCE_M,
            f"{_title(plan.visits[place.number], place.filler)}: {one} and {two} have no lines with a common "
            f"offset, {-max(left):.3f} m short",
        )


def _common_m(
    ends_m: tuple[np.ndarray, np.ndarray],
    strokes: Sequence[tuple[float, float]],
    constant_m: float,
    seen: TrackedStep,
) -> float:
    """Width of the offsets that keep two beams in their strokes during a step, metres."""
    # Only by how much the first path is constantly longer than the second counts: both have one offset.
    paths = [seen.sky.direction @ ends_m[0] - constant_m, seen.sky.direction @ ends_m[1]]
    low = max(stroke[0] - float(path.min()) for stroke, path in zip(strokes, paths, strict=True))
    high = min(stroke[1] - float(path.max()) for stroke, path in zip(strokes, paths, strict=True))
    return high - low


def _value_case(
    plan: NightPlan,
    place: Place,
    steps: Sequence[TrackedStep],
    counted: tuple[Mapping[int, Crossed], Mapping[str, Earlier]],
) -> Case:
    """What the plan gains by the filler when the visit is lost."""
    crossed, earlier = counted
    title, science = _title(plan.visits[place.number], place.filler), steps[1]
    uv = uv_m(plan, science)
    request = science.request
    combiner = combiner_in(plan.scenario.array, place.as_visit.combiner, place.as_visit.spectral_setup)
    others = [k for k in range(len(plan.visits)) if k != place.number]
    if uv is None or request is None or combiner is None or not set(others) <= set(crossed):
        return holds(False, f"{title}: what it is worth cannot be worked out")
    second = request.extras.second_star
    if second is not None and second.swap:
        return holds(place.filler.value > 0, f"{title} is worth {place.filler.value}")
    # The track is a smooth curve through the samples.
    filled = crossed_on(uv, combiner, request)
    worths = []
    for cells in ("surely", "perhaps"):
        without = _worths(plan, others, crossed, earlier, cells)
        mine = [getattr(crossed[k], cells) for k in others if plan.visits[k].target == request.name]
        held = earlier.get(request.name, NONE)
        alone = without.get(request.name, (0.0, 0.0))
        gained = _worth(request, [*mine, getattr(filled, cells)], held)
        less = [
            unfair_of(plan.scenario, {n: w[k] for n, w in ({**without, request.name: gained}).items()})
            - unfair_of(plan.scenario, {n: w[k] for n, w in without.items()})
            for k in (0, 1)
        ]
        worths += [gained[0] - alone[1] - max(less), gained[1] - alone[0] - min(less)]
    low, high = min(worths), max(worths)
    return holds(
        low <= place.filler.value <= high,
        f"{title} is told to be worth {place.filler.value}, {low:g} to {high:g} found",
    )


def _worths(
    plan: NightPlan,
    others: Sequence[int],
    crossed: Mapping[int, Crossed],
    earlier: Mapping[str, Earlier],
    cells: str,
) -> dict[str, tuple[float, float]]:
    """What each request is worth with these visits."""
    found = {}
    for request in plan.scenario.requests:
        mine = [getattr(crossed[k], cells) for k in others if plan.visits[k].target == request.name]
        if mine:
            found[request.name] = _worth(request, mine, earlier.get(request.name, NONE))
    return found


def _worth(request: Request, filled: Sequence[Cells], held: Earlier) -> tuple[float, float]:
    tally = Tally(request, held)
    for cells in filled:
        again = {cell for cell in cells if tally.tonight[cell] or cell in held.perhaps}
        tally.add(cells - again, again)
    return tally.worth()
