"""What earlier nights have filled, counted again, and that the plan does not count it once more.

Each earlier observation of a request with its own combiner counts, in the
spectral setup of the request, and fills each cell once. It is sampled as a step
is: star by ``apply_space_motion``, u, v and cells as in ``audit_coverage``. Within
the open edge a cell may be held or not.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from datetime import timedelta

import numpy as np
from astropy import units as u
from astropy.coordinates.erfa_astrom import ErfaAstromInterpolator, erfa_astrom
from astropy.time import TimeDelta

from planner.scenario.array import Array, Combiner, TelescopeClass
from planner.scenario.targets import Observation, Request, Scenario
from planner.scheduling.audit_case import Case, class_of, combiner_in, holds, named
from planner.scheduling.audit_clock import instant, times_of
from planner.scheduling.audit_coverage import (
    chords_of,
    crossed_inside,
    crossed_near,
    followed,
    projected_m,
)
from planner.scheduling.audit_sky import baseline_end_m, icrs_places, image_axes, samples_s
from planner.scheduling.audit_values import NONE, Earlier
from planner.scheduling.plan import NightPlan

EARTH_EVERY = 300.0 * u.s


def earlier_nights(plan: NightPlan) -> dict[str, Earlier]:
    """Return what earlier nights have filled, by target; observations that make no sense are left out."""
    scenario = plan.scenario
    found = {}
    for request in scenario.requests:
        combiner = combiner_in(scenario.array, request.combiner, request.extras.spectral_setup)
        own = [
            observed
            for observed in scenario.history
            if (observed.target, observed.combiner) == (request.name, request.combiner)
            and not _trouble(scenario, observed)
        ]
        if combiner is not None and own:
            found[request.name] = _cells(scenario, request, combiner, own)
    return found


def _trouble(scenario: Scenario, observed: Observation) -> str:
    """Why an observation cannot be, empty when it can."""
    combiner = named(scenario.array.combiners, observed.combiner)
    if named(scenario.requests, observed.target) is None:
        return f"is of {observed.target!r}, which nobody asks for"
    if combiner is None:
        return f"is made with {observed.combiner!r}, which the array does not have"
    unknown = [name for name in observed.stations if named(scenario.array.stations, name) is None]
    if unknown:
        return f"names the station {unknown[0]!r}, which the array does not have"
    if observed.telescopes and len(observed.telescopes) != len(observed.stations):
        return f"has {len(observed.telescopes)} telescopes on {len(observed.stations)} stations"
    for place, name in enumerate(observed.stations):
        heights = {own.pupil_height_m for own in _stood(scenario.array, observed, place)}
        if len(heights) != 1:
            return f"does not say how high the pupil on {name} was"
    if len(set(observed.stations)) != combiner.beams:
        return f"has {len(set(observed.stations))} stations for the {combiner.beams} beams of {combiner.name}"
    if not timedelta(0) < observed.end_utc - observed.start_utc <= timedelta(days=1):
        return "does not end within a day after its start"
    return ""


def _stood(array: Array, observed: Observation, place: int) -> list[TelescopeClass]:
    """Which classes may have observed on one of the stations, the telescope's where it is told.

    Else that of the fixed telescope, else those of movable ones, else all that the station admits.
    """
    name = observed.stations[place]
    here = named(array.stations, name)
    if observed.telescopes:
        told = class_of(array, observed.telescopes[place])
        return [] if told is None else [told]
    admitted = [
        own
        for own in array.telescope_classes
        if here is not None and (not here.telescope_classes or own.name in here.telescope_classes)
    ]
    fixed = {own.telescope_class for own in array.telescopes if own.station == name}
    movable = {own.telescope_class for own in array.telescopes if own.movable}
    if fixed:
        return [own for own in array.telescope_classes if own.name in fixed]
    return [own for own in admitted if own.name in movable] or admitted


def _ends_m(array: Array, observed: Observation) -> np.ndarray:
    """Where the baselines of an observation ended, (station, 3)."""
    stations = [named(array.stations, name) for name in observed.stations]
    return np.array(
        [
            baseline_end_m(station, _stood(array, observed, place)[0])
            for place, station in enumerate(stations)
            if station is not None
        ]
    )


def _cells(scenario: Scenario, request: Request, combiner: Combiner, observed: list[Observation]) -> Earlier:
    seconds = [
        samples_s(instant(own.start_utc), instant(own.end_utc), scenario.night.tick_s) for own in observed
    ]
    ends = np.cumsum([len(each) for each in seconds]).tolist()
    starts = times_of([instant(own.start_utc) for own in observed])
    times = starts[np.repeat(np.arange(len(observed)), [len(each) for each in seconds])]
    times = times + TimeDelta(np.concatenate(seconds), format="sec")
    place = icrs_places([request.star] * len(times), times)
    # Nutation and the Earth's velocity from every fifth minute: microarcseconds off, as astropy tells,
    # and a history of years is a hundred times as many samples as a night.
    with erfa_astrom.set(ErfaAstromInterpolator(EARTH_EVERY)):
        axes = image_axes(scenario.array.site, place, times)
    least: Counter[tuple[int, int]] = Counter()
    most: Counter[tuple[int, int]] = Counter()
    for own, end, each in zip(observed, ends, seconds, strict=True):
        part = slice(end - len(each), end)
        uv = followed(each, projected_m(_ends_m(scenario.array, own), axes[part]))
        chords = chords_of([uv], combiner, request)
        least.update(crossed_inside(chords, combiner.vis2_min))
        most.update(crossed_near(chords, combiner.vis2_min))
    return Earlier(least, most)


def history_cases(plan: NightPlan, earlier: Mapping[str, Earlier]) -> Iterator[Case]:
    """Earlier observations make sense, are counted right, and no visit counts a cell that they hold."""
    for number, observed in enumerate(plan.scenario.history, start=1):
        trouble = _trouble(plan.scenario, observed)
        yield holds(not trouble, f"observation {number} of earlier nights {trouble}")
    for outcome in plan.requests:
        held = earlier.get(outcome.target, NONE)
        surely, perhaps = held.surely, held.perhaps
        told = outcome.cells_filled_before
        yield holds(
            len(surely) <= told <= len(perhaps),
            f"{outcome.target!r}: {told} cells told to be filled by earlier nights, counted "
            + (f"{len(surely)}" if len(surely) == len(perhaps) else f"{len(surely)} to {len(perhaps)}"),
        )
    for visit in plan.visits:
        again = set(visit.new_cells) & earlier.get(visit.target, NONE).surely
        example = f", such as {min(again)}" if again else ""
        case = holds(
            not again, f"{visit.id} counts cells that earlier nights have filled: {len(again)}{example}"
        )
        yield Case(case.margin, case.words, max(len(visit.new_cells), 1))
