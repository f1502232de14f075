"""Changes of the light path that might help: spectral setup, tracking, guide star, pupil, reserved time."""

from __future__ import annotations

from collections.abc import Iterator

from planner.constraints.brightness import (
    BRIGHT,
    FAINT,
    GUIDE,
    GUIDE_DISTANCE,
    SENSOR,
    TRACKER_BRIGHT,
)
from planner.constraints.contrast import fringes
from planner.constraints.windows import RESERVED
from planner.feasibility.answers import Remedy
from planner.feasibility.changes import Change, Edit, on_combiner, on_extras
from planner.feasibility.columns import AIR, PUPIL, RESOLVED, TRACKER
from planner.feasibility.exclusion import CALIBRATORS, ROOM, STEP
from planner.feasibility.tries import Search
from planner.scenario.targets import Request, Scenario
from planner.scheduling.subarrays import possible_subarrays

# What ends a visit whatever single limit is to blame for it.
WHOLE = (STEP, CALIBRATORS, ROOM)


def light_remedies(search: Search) -> Iterator[Remedy]:
    """Offer single changes of how the light of a request is led, tracked and recorded."""
    for name, change in _changes(search):
        search.tries.append(name)
        remedy = search.try_(change)
        if remedy:
            yield remedy


def _changes(search: Search) -> Iterator[tuple[str, Change]]:
    scenario = search.night.scenario
    wish = scenario.requests[0]
    combiner = scenario.combiner_of(wish)

    def may(*limits: str) -> bool:
        return search.only_blames((*limits, *WHOLE))

    if may(FAINT, BRIGHT, AIR, SENSOR, RESOLVED, *(f"{FAINT} in {band}" for band in combiner.further_limits)):
        setups = [own.name for own in scenario.array.spectral_setups if own.combiner == wish.combiner]
        for setup in (None, *setups):
            if setup != wish.extras.spectral_setup:
                told = f"in the spectral setup {setup}" if setup else f"with {wish.combiner}'s own keys"
                edit = on_extras(wish, spectral_setup=setup)
                yield "another spectral setup", Change("setup", 0.0, f"Record {wish.name} {told}", edit)
    if may(RESOLVED):
        least = _shown_vis2(search)
        if 0 < least < combiner.vis2_min:
            sentence = f"Count samples down to a squared visibility of {least:g} with {combiner.name}"
            edit = _counting_from(wish, least)
            yield "a smaller vis2_min", Change("contrast", 1.0 - least / combiner.vis2_min, sentence, edit)
    if may(TRACKER) and wish.extras.tracking == "phase":
        sentence = f"Let the group delay of {wish.name} be tracked instead of its phase"
        yield "other tracking", Change("tracking", 0.0, sentence, on_extras(wish, tracking="group delay"))
    if may(TRACKER, TRACKER_BRIGHT) and combiner.fringe_tracker is not None:
        sentence = f"Record {wish.name} without fringe tracking"
        yield "other tracking", Change("tracking", 0.5, sentence, on_extras(wish, tracking="none"))
    if may(GUIDE, GUIDE_DISTANCE) and wish.extras.guide_star is not None:
        sentence = f"Guide on {wish.name} itself"
        yield "another guide star", Change("tracking", 0.2, sentence, on_extras(wish, guide_star=None))
    if may(PUPIL):
        sentence = f"Record with {combiner.name} where the pupil does not stay in place"
        yield "the pupil", Change("pupil", 0.0, sentence, on_combiner(combiner.name, pupil_relay=False))
    if may(RESERVED):
        for own in scenario.reserved:
            if own.start_utc is not None:
                sentence = f"Give back the time reserved for {own.name}"
                yield "reserved time", Change("reserved", 0.0, sentence, _given_back(own.name))


def _shown_vis2(search: Search) -> float:
    """Half of the best squared visibility that any subarray shows, to one figure; 0 for none."""
    limits = search.night.limits
    combiner = limits.scenario.combiner_of(limits.scenario.requests[0])
    best = 0.0
    for telescopes in possible_subarrays(limits.placement, combiner, limits.scenario.requests[0]):
        shown = fringes(limits, 0, telescopes)
        if shown is not None:
            best = max(best, float(shown.margin.max()) + combiner.vis2_min)
    return float(f"{best / 2.0:.0e}")


def _counting_from(wish: Request, vis2_min: float) -> Edit:
    """Return the edit that lets a request's combiner, or its spectral setup, count from there."""

    def edit(scenario: Scenario) -> Scenario:
        array = scenario.array
        combiners = tuple(
            own.model_copy(update={"vis2_min": vis2_min}) if own.name == wish.combiner else own
            for own in array.combiners
        )
        setups = tuple(
            own.model_copy(update={"vis2_min": vis2_min})
            if own.vis2_min is not None
            and (own.combiner, own.name) == (wish.combiner, wish.extras.spectral_setup)
            else own
            for own in array.spectral_setups
        )
        changed = array.model_copy(update={"combiners": combiners, "spectral_setups": setups})
        return scenario.model_copy(update={"array": changed})

    return edit


def _given_back(name: str) -> Edit:
    """Return the edit that drops a reserved time."""

    def edit(scenario: Scenario) -> Scenario:
        kept = tuple(own for own in scenario.reserved if own.name != name)
        return scenario.model_copy(update={"reserved": kept})

    return edit
