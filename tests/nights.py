"""Nights for the tests: from a scenario to its offers and problem, and a slow second way to judge them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from planner.constraints.tonight import NightLimits, night_limits
from planner.scenario.targets import Scenario
from planner.scheduling.assemble import SolvedNight, night_plan
from planner.scheduling.candidates import RequestOffer, night_offers
from planner.scheduling.cpsat import solve_night
from planner.scheduling.plan import NightPlan
from planner.scheduling.problem import NightProblem, night_problem
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
    first, second = _visit(night, earlier), _visit(night, later)
    array, placement = night.limits.scenario.array, night.limits.placement
    moves = [0.0]
    if first["combiner"] != second["combiner"]:
        moves.append(array.combiner(second["combiner"]).setup_s)
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
                moves.append(distance / speed + settle)
        if first["beams"][telescope][0] != line:
            moves.append(array.delay_lines[line].connect_s)
    before = {line: (telescope, delay) for telescope, (line, delay) in first["beams"].items()}
    for telescope, (line, delay) in second["beams"].items():
        if line in before:
            device = array.delay_lines[line]
            run = abs(delay[0] - before[line][1][1])
            if run > 1e-4:
                moves.append(run / device.path_per_travel / device.speed_m_per_s + device.settle_s)
            if before[line][0] != telescope:
                moves.append(device.connect_s)
    classes = [placement.classes[t] for t in second["beams"]]
    capture = max(c.acquisition_s for c in classes) + array.combiner(second["combiner"]).fringe_search_s
    gap_s = (second["start"] - first["end"]) * night.limits.sky.tick_s
    needed = max(moves) + capture
    return gap_s >= np.ceil(needed / night.limits.sky.tick_s - 1e-6) * night.limits.sky.tick_s


def _visit(night: Built, candidate: int) -> dict:
    family = night.families[night.table.family[candidate]]
    row = night.table.row[candidate]
    subarray = family.facts.subarray
    return {
        "combiner": subarray.combiner,
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
    """Try every plan of the candidates: the largest score there is."""
    problem = night.problem
    count = len(problem)
    follows = np.zeros((count, count), dtype=bool)
    for earlier in range(count):
        for later in range(count):
            if problem.start[later] > problem.start[earlier]:
                follows[earlier, later] = slow_follows(night, earlier, later)
    masks = [sum(1 << int(cell) for cell in cells) for cells in problem.cells]
    worth = [int(value) for value in problem.value]
    after = [set(np.flatnonzero(row).tolist()) for row in follows]
    request = problem.request.tolist()

    def extend(allowed: set[int], left: list[int], filled: int) -> int:
        best = sum(value for cell, value in enumerate(worth) if filled >> cell & 1)
        for candidate in allowed:
            if left[request[candidate]]:
                rest = list(left)
                rest[request[candidate]] -= 1
                best = max(best, extend(allowed & after[candidate], rest, filled | masks[candidate]))
        return best

    return extend(set(range(count)), problem.visits_max.tolist(), 0)
