"""Does the plan fit the array and the requests: placement, beams, brackets, calibrators."""

from __future__ import annotations

import itertools
from collections.abc import Iterator

import numpy as np
from scipy.special import j1

from planner.scenario.array import Array, Combiner
from planner.scheduling.audit_case import Case, class_of, combiner_used, equipment, holds, named
from planner.scheduling.audit_sky import TrackedStep, baseline_ends_m, title, unit_vectors
from planner.scheduling.plan import Beam, NightPlan, Step, Visit
from planner.units import RAD_PER_MAS

BRACKET_TOLERANCE_DEG = 30.0 / 3600.0  # aberration changes an angle of 90 degrees by as much
VIS2_TOLERANCE = 1e-6

BRACKET = ["calibrator", "science", "calibrator"]


def configuration_cases(plan: NightPlan) -> Iterator[Case]:
    """The placement is the configuration's, telescopes stand where they may, the night is the scenario's."""
    array, night = plan.scenario.array, plan.scenario.night
    yield holds(
        plan.configuration == night.configuration,
        f"the plan is for configuration {plan.configuration!r}, the scenario for {night.configuration!r}",
    )
    configuration = named(array.configurations, plan.configuration)
    yield holds(configuration is not None, f"there is no configuration {plan.configuration!r}")
    moved = {} if configuration is None else configuration.placement
    placed = {t.name: t.station or moved.get(t.name) for t in array.telescopes}
    for name in dict.fromkeys([*placed, *plan.placement]):
        wanted, found = placed.get(name), plan.placement.get(name)
        yield holds(wanted == found, f"{name} is placed on {found}, the configuration says {wanted}")
    for name, where in plan.placement.items():
        own, station = class_of(array, name), named(array.stations, where)
        fits = own is not None and station is not None and _takes(station.telescope_classes, own.name)
        yield holds(fits, f"{name} cannot stand on {where}")
    stations = list(plan.placement.values())
    yield holds(len(set(stations)) == len(stations), "two telescopes are placed on one station")
    header = (
        ("date", plan.night.date, night.date.isoformat()),
        ("Sun limit", plan.night.sun_altitude_max_deg, night.sun_altitude_max_deg),
        ("slot", plan.night.slot_s, night.slot_s),
        ("tick", plan.night.tick_s, night.tick_s),
    )
    for what, told, wanted_value in header:
        yield holds(told == wanted_value, f"the night's {what} is {told}, the scenario says {wanted_value}")


def _takes(allowed: tuple[str, ...], name: str) -> bool:
    return not allowed or name in allowed


def beam_cases(plan: NightPlan) -> Iterator[Case]:
    """Each beam goes from a placed telescope through a line that serves it to an input of its own."""
    array = plan.scenario.array
    for visit in plan.visits:
        combiner = named(array.combiners, visit.combiner)
        yield holds(combiner is not None, f"{visit.id}: there is no combiner {visit.combiner!r}")
        rigs = {_rig(step) for step in visit.steps}
        words = f"{visit.id}: telescopes, lines, inputs or path segments change between its steps"
        yield holds(len(rigs) <= 1, words)
        yield from _subarray_cases(plan, visit, combiner_used(array, visit))
        for step in visit.steps:
            place = title(visit, step)
            used = sorted(beam.telescope for beam in step.beams)
            yield holds(
                used == sorted(visit.subarray),
                f"{place} uses {', '.join(used)}, its visit says {', '.join(visit.subarray)}",
            )
            if combiner is not None:
                inputs = sorted(beam.combiner_input for beam in step.beams)
                yield holds(
                    inputs == list(range(1, combiner.beams + 1)),
                    f"{place} uses the inputs {inputs}, {combiner.name} has 1 to {combiner.beams}, each once",
                )
            for what, names in (
                ("delay line", [beam.delay_line for beam in step.beams]),
                ("telescope", [beam.telescope for beam in step.beams]),
            ):
                yield holds(len(set(names)) == len(names), f"{place} uses a {what} twice: {', '.join(names)}")
            for beam in step.beams:
                yield from _one_beam_cases(plan, place, beam)


def _rig(step: Step) -> frozenset[tuple[str, str, str, int, str | None]]:
    return frozenset(
        (b.telescope, b.station, b.delay_line, b.combiner_input, b.path_segment) for b in step.beams
    )


def _one_beam_cases(plan: NightPlan, place: str, beam: Beam) -> Iterator[Case]:
    part = equipment(plan.scenario.array, beam)
    where = plan.placement.get(beam.telescope)
    yield holds(part.own is not None, f"{place}: there is no telescope {beam.telescope!r}")
    yield holds(
        where is not None and where == beam.station,
        f"{place}: {beam.telescope} is told to be on {beam.station}, but stands on {where}",
    )
    yield holds(part.station is not None, f"{place}: there is no station {beam.station!r}")
    yield holds(part.line is not None, f"{place}: there is no delay line {beam.delay_line!r}")
    if part.line is not None:
        served = _takes(part.line.stations, beam.station)
        yield holds(served, f"{place}: {beam.delay_line} does not serve {beam.station}")


def _subarray_cases(plan: NightPlan, visit: Visit, combiner: Combiner | None) -> Iterator[Case]:
    """The combiner and the request accept these telescopes together."""
    request = named(plan.scenario.requests, visit.target)
    wanted = request.extras.telescopes if request is not None else ()
    strangers = [name for name in visit.subarray if wanted and name not in wanted]
    yield holds(
        not strangers, f"{visit.id}: {visit.target!r} is not to be observed with {', '.join(strangers)}"
    )
    if combiner is None:
        return
    yield holds(
        len(visit.subarray) == combiner.beams,
        f"{visit.id}: {len(visit.subarray)} telescopes for {combiner.beams} beams of {combiner.name}",
    )
    classes = {own.name for own in (class_of(plan.scenario.array, name) for name in visit.subarray) if own}
    unknown = sorted(classes - set(combiner.limiting_magnitude))
    yield holds(not unknown, f"{visit.id}: {combiner.name} cannot use the class {', '.join(unknown)}")
    yield holds(
        combiner.mixed_classes or len(classes) <= 1,
        f"{visit.id}: {combiner.name} does not mix the classes {', '.join(sorted(classes))}",
    )


def bracket_cases(plan: NightPlan) -> Iterator[Case]:
    """Each visit is calibrator, science, calibrator, for a request, as often as wanted at most."""
    scenario = plan.scenario
    ids = [visit.id for visit in plan.visits]
    yield holds(len(set(ids)) == len(ids), "two visits have the same id")
    for visit in plan.visits:
        request = named(scenario.requests, visit.target)
        yield holds(request is not None, f"{visit.id}: nobody asks for {visit.target!r}")
        if request is not None:
            yield holds(
                request.combiner == visit.combiner,
                f"{visit.id}: {visit.target!r} is asked for with {request.combiner}, not {visit.combiner}",
            )
        roles = [step.role for step in visit.steps]
        yield holds(
            roles == BRACKET, f"{visit.id} has the steps {', '.join(roles)}, not {', '.join(BRACKET)}"
        )
        for step in visit.steps:
            if step.role == "science":
                fits = step.object == visit.target
                yield holds(fits, f"{visit.id}: the science step is on {step.object!r}, not {visit.target!r}")
            else:
                known = named(scenario.calibrators, step.object) is not None
                yield holds(known, f"{visit.id}: there is no calibrator {step.object!r}")
    for request in scenario.requests:
        count = sum(visit.target == request.name for visit in plan.visits)
        yield holds(
            count <= request.visits, f"{request.name!r} gets {count} visits, {request.visits} are wanted"
        )


def calibrator_cases(plan: NightPlan, tracked: tuple[TrackedStep, ...]) -> Iterator[Case]:
    """Calibrators are near their science star and hardly resolved; margins as a fraction of the limit."""
    limits, array = plan.scenario.limits, plan.scenario.array
    science = {seen.visit_number: seen for seen in tracked if seen.step.role == "science"}
    for seen in tracked:
        if seen.step.role != "calibrator":
            continue
        if seen.visit_number in science:
            apart = _apart_deg(seen, science[seen.visit_number])
            limit = limits.bracket_distance_max_deg
            yield Case(
                (limit + BRACKET_TOLERANCE_DEG - apart) / limit,
                f"{seen.title} is {apart:.3f} deg from {seen.visit.target!r}, limit {limit:g} deg",
            )
        combiner = combiner_used(array, seen.visit)
        length = longest_baseline_m(array, seen.step)
        if combiner is not None and length is not None:
            vis2 = uniform_disk_vis2(seen.star.diameter_mas, length, min(combiner.wavelengths_um))
            yield Case(
                vis2 - limits.calibrator_vis2_min + VIS2_TOLERANCE,
                f"{seen.title} has a squared visibility of {vis2:.3f} on {length:.1f} m, "
                f"at least {limits.calibrator_vis2_min:g} wanted",
            )


def _apart_deg(one: TrackedStep, other: TrackedStep) -> float:
    """Angle between two stars at their ICRS places of the date."""
    a, b = (unit_vectors(*np.rad2deg(np.array(seen.sky.place_rad[0]))) for seen in (one, other))
    return float(np.rad2deg(np.arctan2(np.linalg.norm(np.cross(a, b)), a @ b)))


def longest_baseline_m(array: Array, step: Step) -> float | None:
    """Return the longest baseline of a step; None without two known stations and telescopes."""
    ends = baseline_ends_m(array, step.beams)
    lengths = [float(np.linalg.norm(b - a)) for a, b in itertools.combinations(ends, 2)]
    return max(lengths, default=None)


def uniform_disk_vis2(diameter_mas: float | None, baseline_m: float, wavelength_um: float) -> float:
    """Return the squared visibility of a uniform disk, (2 J1(x)/x)^2 with x = pi theta B/lambda.

    Formula: Hanbury Brown, Davis & Allen 1974, MNRAS 167, 121. A star of
    unknown diameter counts as resolved.

    Examples
    --------
    >>> uniform_disk_vis2(0.0, 100.0, 2.2), uniform_disk_vis2(None, 100.0, 2.2)
    (1.0, 0.0)
    """
    if diameter_mas is None:
        return 0.0
    return float(uniform_disk(diameter_mas, np.array(baseline_m), wavelength_um) ** 2)


def uniform_disk(diameter_mas: float, baseline_m: np.ndarray, wavelength_um: float) -> np.ndarray:
    """Return the visibility of a uniform disk, 2 J1(x)/x, (...) as the baselines."""
    x = np.pi * diameter_mas * RAD_PER_MAS * baseline_m / (wavelength_um * 1e-6)
    resolved = x != 0
    found = np.ones(np.shape(x))
    return np.divide(2.0 * j1(x), x, out=found, where=resolved)
