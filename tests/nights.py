"""Nights for the tests: from a scenario to its offers and problem, and a slow second way to judge them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from planner.constraints.tonight import NightLimits, night_limits
from planner.scenario.array import Array
from planner.scenario.targets import Scenario
from planner.scheduling.assemble import night_plan
from planner.scheduling.candidates import RequestOffer, night_offers
from planner.scheduling.cpsat import solve_night
from planner.scheduling.plan import NightPlan
from planner.scheduling.problem import NightProblem, night_problem
from planner.scheduling.solved import SolvedNight
from planner.scheduling.table import CandidateTable
from planner.scheduling.visits import VisitFamily
from planner.sky.night import night_sky


@dataclass(frozen=True)
class Built:
    """A night before it is solved."""

    limits: NightLimits
    offers: tuple[RequestOffer, ...]
    problem: NightProblem
    table: CandidateTable
    families: tuple[VisitFamily, ...]


def build(scenario: Scenario) -> Built:
    """Compute a night's limits, offers and problem."""
    sky = night_sky(scenario, scenario.night.date)
    limits = night_limits(scenario, sky, scenario.night.configuration)
    offers = night_offers(limits)
    return Built(limits, offers, *night_problem(limits, offers))


def planned(scenario: Scenario) -> tuple[Built, NightPlan]:
    """Solve a night and write its plan, without an audit."""
    night = build(scenario)
    solution = solve_night(night.problem, scenario.effort.deterministic)
    solved = SolvedNight(night.limits, night.offers, night.problem, night.table, night.families, solution)
    return night, night_plan(solved, scenario.night.configuration)


def slow_follows(night: Built, earlier: int, later: int) -> bool:
    """Judge a pair of candidates one device at a time, in plain numbers."""
    tick_s = night.limits.sky.tick_s
    first, second = _visit(night, earlier), _visit(night, later)
    needed = 0.0
    if "beams" in second:
        array, placement = night.limits.scenario.array, night.limits.placement
        classes = [placement.classes[t] for t in second["beams"]]
        needed = max(c.acquisition_s for c in classes) + array.combiner(second["combiner"]).fringe_search_s
        if "beams" in first:
            needed += max([0.0, *_moves_s(night, first, second), *_changes_s(array, first, second)])
    gap_s = (second["start"] - first["end"]) * tick_s
    return gap_s >= np.ceil(needed / tick_s - 1e-6) * tick_s


def _moves_s(night: Built, first: dict, second: dict) -> Iterator[float]:
    """What telescopes and delay lines need."""
    array, placement = night.limits.scenario.array, night.limits.placement
    for telescope, (line, _) in second["beams"].items():
        if telescope not in first["beams"]:
            continue
        own = placement.classes[telescope]
        for key, speed, settle in (
            ("azimuth", own.azimuth_speed_deg_per_s, own.azimuth_settle_s),
            ("altitude", own.altitude_speed_deg_per_s, own.altitude_settle_s),
        ):
            distance = abs(second[key][0] - first[key][1])
            if distance > 1 / 3600:
                yield distance / speed + settle
        if first["beams"][telescope][0] != line:
            yield array.delay_lines[line].connect_s
    before = {line: (telescope, delay) for telescope, (line, delay) in first["beams"].items()}
    for telescope, (line, delay) in second["beams"].items():
        if line in before:
            device = array.delay_lines[line]
            run = abs(delay[0] - before[line][1][1])
            if run > 1e-4:
                yield run / device.path_per_travel / device.speed_m_per_s + device.settle_s
            if before[line][0] != telescope:
                yield device.connect_s


def _changes_s(array: Array, first: dict, second: dict) -> Iterator[float]:
    """What combiner, spectrograph, routing optics, inputs and path segments need."""
    if first["combiner"] != second["combiner"]:
        left, new = (next(c for c in array.combiners if c.name == v["combiner"]) for v in (first, second))
        yield new.setup_s + max(left.feed_out_s, new.feed_in_s)
    elif first["spectral setup"] != second["spectral setup"]:
        told = second["spectral setup"] or first["spectral setup"]
        for setup in array.spectral_setups:
            if (setup.combiner, setup.name) == (second["combiner"], told):
                yield setup.change_s
    if second["mode"] >= 0:
        mode = array.routing_modes[second["mode"]]
        if second["mode"] != first["mode"]:
            yield mode.change_s
        for line, number in second["inputs"].items():
            if first["inputs"].get(line, number) != number:
                yield mode.input_change_s
    for telescope, segment in second["segments"].items():
        if first["segments"].get(telescope, segment) != segment:
            yield array.path_segments[segment].change_s


def _visit(night: Built, candidate: int) -> dict:
    number, row = int(night.table.family[candidate]), night.table.row[candidate]
    if number < 0:
        block, tick_s = night.table.blocks[-1 - number], night.limits.sky.tick_s
        start = int(block.start_tick[row])
        reserved = {own.name: own for own in night.limits.scenario.reserved}
        internal = {own.name: own for own in night.limits.scenario.array.internal_calibrations}
        given = reserved[block.name] if block.kind == "reserved" else internal[block.name]
        ready_s = getattr(given, "ready_s", 0.0)
        end = start + int(np.ceil(given.duration_s / tick_s)) + int(np.ceil(ready_s / tick_s))
        return {"start": start, "end": end}
    family = night.families[number]
    subarray = family.facts.subarray
    inputs = subarray.inputs or range(len(subarray.lines))
    segments = subarray.segments or [-1] * len(subarray.lines)
    return {
        "combiner": subarray.combiner,
        "spectral setup": subarray.spectral_setup,
        "mode": subarray.mode,
        "inputs": dict(zip(subarray.lines, inputs, strict=True)),
        "segments": dict(zip(subarray.telescopes, segments, strict=True)),
        "start": int(family.start_tick[row, 0]),
        "end": int(family.end_tick[row, 2]),
        "azimuth": (family.azimuth_deg[row, 0, 0], family.azimuth_deg[row, 2, 1]),
        "altitude": (family.altitude_deg[row, 0, 0], family.altitude_deg[row, 2, 1]),
        "beams": {
            telescope: (line, (family.delay_m[row, 0, 0, k], family.delay_m[row, 2, 1, k]))
            for k, (telescope, line) in enumerate(zip(subarray.telescopes, subarray.lines, strict=True))
        },
    }


def best_score(night: Built) -> int:
    """Try every plan that could be better: the largest score of those that hold most of what must be made."""
    problem = night.problem
    count = len(problem)
    stars = len(problem.visits_max) - problem.musts
    follows = np.zeros((count, count), dtype=bool)
    for earlier in range(count):
        for later in range(count):
            if problem.start[later] > problem.start[earlier]:
                follows[earlier, later] = slow_follows(night, earlier, later)
    request = problem.request.tolist()
    masks = [
        0 if request[number] >= stars else sum(1 << int(cell) for cell in cells)
        for number, cells in enumerate(problem.cells)
    ]
    worth = [int(value) for value in problem.value]
    after = [set(np.flatnonzero(row).tolist()) for row in follows]
    known: dict[int, int] = {}

    def value_of(filled: int) -> int:
        if filled not in known:
            known[filled] = sum(value for cell, value in enumerate(worth) if filled >> cell & 1)
        return known[filled]

    best = (-1, -1)

    def extend(allowed: set[int], left: list[int], filled: int, made: int) -> None:
        nonlocal best
        best = max(best, (made, value_of(filled)))
        able = [number for number in allowed if left[request[number]]]
        # What all that is left could fill together is more than any plan of it fills.
        reach, musts = filled, made
        for number in able:
            reach |= masks[number]
        musts += sum(left[own] for own in {request[number] for number in able} if own >= stars)
        if (musts, value_of(reach)) <= best:
            return
        for candidate in able:
            own = request[candidate]
            rest = list(left)
            rest[own] -= 1
            now = filled | masks[candidate]
            extend(allowed & after[candidate], rest, now, made + (own >= stars))

    extend(set(range(count)), problem.visits_max.tolist(), 0, 0)
    return best[1]
