"""Does the light get through: spectral setup, routing mode, inputs, beam sizes, inlets, path segments."""

from __future__ import annotations

from collections.abc import Iterator

from planner.scenario.array import Array, Station, TelescopeClass
from planner.scenario.light_path import RoutingMode
from planner.scheduling.audit_case import Case, class_of, combiner_used, equipment, holds, named
from planner.scheduling.audit_sky import title
from planner.scheduling.plan import NightPlan, Step, Visit

SAME_SIZE = 0.01  # beams of one size agree to a hundredth
SIZE_TOLERANCE = 1e-9


def spectral_setup_cases(plan: NightPlan) -> Iterator[Case]:
    """The combiner is in the spectral setup that the request wants; without a wish its own keys hold."""
    array = plan.scenario.array
    for visit in plan.visits:
        combiner, request = (
            named(array.combiners, visit.combiner),
            named(plan.scenario.requests, visit.target),
        )
        if combiner is None or request is None:
            continue
        yield holds(
            combiner_used(array, visit) is not None,
            f"{visit.id}: {visit.combiner} has no spectral setup {visit.spectral_setup!r}",
        )
        wanted = request.extras.spectral_setup or combiner.setup_name
        yield holds(
            visit.spectral_setup == wanted,
            f"{visit.id}: {visit.target!r} is recorded in the spectral setup {visit.spectral_setup!r}, asked "
            f"for is {wanted!r}",
        )


def routing_cases(plan: NightPlan) -> Iterator[Case]:
    """The routing mode exists, is open to the combiner, and leads every beam to its input with one size."""
    array = plan.scenario.array
    for visit in plan.visits:
        modes = array.routing_modes
        mode = named(modes, visit.routing_mode)
        if not modes:
            words = f"{visit.id} is told to use the routing mode {visit.routing_mode!r}, the array has none"
            yield holds(visit.routing_mode is None, words)
        else:
            yield holds(mode is not None, f"{visit.id}: there is no routing mode {visit.routing_mode!r}")
        if mode is not None:
            yield from _mode_cases(plan, visit, mode)
            for step in visit.steps:
                yield from _input_cases(visit, step, mode)
        yield from _size_cases(array, visit, mode)


def _mode_cases(plan: NightPlan, visit: Visit, mode: RoutingMode) -> Iterator[Case]:
    combiner = named(plan.scenario.array.combiners, visit.combiner)
    request = named(plan.scenario.requests, visit.target)
    if combiner is not None:
        yield holds(
            not combiner.routing_modes or mode.name in combiner.routing_modes,
            f"{visit.id}: {combiner.name} gets no light in the routing mode {mode.name}",
        )
    if request is not None:
        two = request.extras.second_star is not None
        yield holds(
            mode.dual_feed == two,
            f"{visit.id}: {mode.name} leads {'two stars' if mode.dual_feed else 'one star'}, "
            f"{visit.target!r} asks for {'two' if two else 'one'}",
        )


def _input_cases(visit: Visit, step: Step, mode: RoutingMode) -> Iterator[Case]:
    """Each delay line reaches its input in the mode; a mode without inputs leads everything everywhere."""
    for beam in step.beams:
        reached = mode.inputs.get(beam.delay_line, ())
        yield holds(
            not mode.inputs or beam.combiner_input in reached,
            f"{title(visit, step)}: in {mode.name} {beam.delay_line} reaches the inputs {list(reached)}, "
            f"not {beam.combiner_input}",
        )


def _size_cases(array: Array, visit: Visit, mode: RoutingMode | None) -> Iterator[Case]:
    """Beams of all classes leave the routing with one size; margins as a fraction of it."""
    classes: dict[str, TelescopeClass] = {}
    for telescope in visit.subarray:
        own = class_of(array, telescope)
        if own is not None:
            classes[own.name] = own
    ratios = {} if mode is None else mode.compression
    strangers = sorted(name for name in classes if ratios and name not in ratios)
    yield holds(
        not strangers, f"{visit.id}: the routing mode does not lead the class {', '.join(strangers)} through"
    )
    sizes = {
        name: own.beam_mm / ratios.get(name, 1.0) for name, own in classes.items() if own.beam_mm is not None
    }
    if len(sizes) > 1:
        low, high = min(sizes.values()), max(sizes.values())
        told = ", ".join(f"{name} {size:.3f} mm" for name, size in sizes.items())
        yield Case(
            SAME_SIZE + SIZE_TOLERANCE - (high / low - 1.0), f"{visit.id} combines beams of sizes: {told}"
        )


def inlet_cases(plan: NightPlan) -> Iterator[Case]:
    """Two stars of a telescope need a light inlet for two beams."""
    for visit in plan.visits:
        request = named(plan.scenario.requests, visit.target)
        if request is None or request.extras.second_star is None:
            continue
        for step in visit.steps:
            for beam in step.beams:
                station = named(plan.scenario.array.stations, beam.station)
                wide = station is not None and station.inlet_beams >= 2
                yield holds(wide, f"{title(visit, step)}: the inlet of {beam.station} lets one beam through")


def segment_cases(plan: NightPlan) -> Iterator[Case]:
    """Each beam has a path segment that serves its station, wherever there is one, and no other."""
    array = plan.scenario.array
    for visit in plan.visits:
        for step in visit.steps:
            for beam in step.beams:
                part, place = equipment(array, beam), f"{title(visit, step)}: {beam.telescope}"
                if beam.path_segment is None:
                    own = _serving(array, part.station)
                    words = f"{place} is told to have no path segment, {beam.station} has {', '.join(own)}"
                    yield holds(not own, words)
                    continue
                yield holds(part.segment is not None, f"{place}: there is no segment {beam.path_segment!r}")
                yield holds(
                    part.segment is None or beam.path_segment in _serving(array, part.station),
                    f"{place}: {beam.path_segment} does not serve {beam.station}",
                )


def _serving(array: Array, station: Station | None) -> list[str]:
    """Names of the path segments that serve a station."""
    if station is None:
        return []
    return [own.name for own in array.path_segments if not own.stations or station.name in own.stations]
