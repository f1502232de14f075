"""The second stage: a plan that is worth as much and moves things less.

First the chosen requests are made by other candidates of theirs, worth no
less, in the order that moves least (``tours``): other calibrators, starts,
turns of the cable wrap, lines. Twice: with the common offsets as the
candidates have them, and as if each could be chosen freely for each two
neighbours. Then the offsets of each such plan are chosen together
(``offsets``). The plan that moves least is taken; the first one stands when
none moves less.

Movement is told as a time: every distance between two steps by the speed of
its device, all devices added, so that carriages and mounts count alike.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from planner.constraints.tonight import NightLimits
from planner.scheduling.as_planned import problem_as_planned
from planner.scheduling.kernels_tour import moved
from planner.scheduling.offsets import with_least_runs
from planner.scheduling.problem import NightProblem
from planner.scheduling.rules import Rules
from planner.scheduling.solved import SolvedNight, with_shared_steps
from planner.scheduling.table import CandidateTable, wait_ticks
from planner.scheduling.tours import TASKS_MAX, Devices, Tour, choices_of, least_tour
from planner.scheduling.travel import Made, Movement, movement
from planner.scheduling.visits import VisitFamily

CANDIDATES_MAX = 1500  # to choose among: the arcs between them are kept at once
LINE_UNIT_M = 1e-4
ANGLE_UNIT_DEG = 1e-6
WEIGHT_PER_S = 1e11  # costs are whole numbers of 10 ps, so that rounded speeds do not decide


def calmer(solved: SolvedNight) -> SolvedNight:
    """Return the night with a plan that is worth as much and moves things least.

    Parameters
    ----------
    solved : SolvedNight

    Returns
    -------
    SolvedNight
        With what the first plan moved. Visits with new offsets are told by ``made``; the table holds where
        they start and end, and the problem knows their set-ups.
    """
    if not solved.visits:
        return solved
    solved = with_shared_steps(solved)
    first = movement_of(solved)
    found = [solved, *(_with_offsets(plan) for plan in (solved, *_toured(solved)))]
    # Less motion in all, and neither carriages nor mounts pay for it.
    found = [plan for plan in found if not movement_of(plan).exceeds(first)]
    best = min(found, key=lambda plan: round(movement_of(plan).motion_s, 6))
    problem = problem_as_planned(best.limits, best.problem, best.table, best.visits)
    return replace(best, problem=problem, moved_before=first)


def visits_made(solved: SolvedNight) -> list[Made]:
    """Return the visits of a plan, in order, as they are made."""
    return [solved.origin(candidate) for candidate in solved.visits]


def movement_of(solved: SolvedNight) -> Movement:
    """Return what moves in the plan of a night."""
    return movement(solved.limits, visits_made(solved))


def _with_offsets(solved: SolvedNight) -> SolvedNight:
    """Return the plan with the common offsets that move its carriages least, or as it is."""
    everything, visits = list(solved.solution.chosen), solved.visits
    waits: list[int | None] = []
    for candidate in visits:
        place = everything.index(candidate)
        neighbour = everything[place - 1] if place else None
        if neighbour is None or solved.table.family[neighbour] < 0:
            waits.append(None)
        else:
            pair = np.array([neighbour]), np.array([candidate])
            waits.append(int(wait_ticks(solved.limits, solved.table, *pair)[0]))
    families = with_least_runs(solved.limits, visits_made(solved), waits)
    made = dict(zip(visits, families, strict=True))
    after = replace(solved, made=made, table=_moved(solved.table, made))
    return after if set_up_in_time(after) else solved


def _moved(table: CandidateTable, made: Mapping[int, VisitFamily]) -> CandidateTable:
    """Return the table with the carriages of some candidates where they are in these visits."""
    delay = table.delay_m.copy()
    for candidate, family in made.items():
        lines = list(family.facts.subarray.lines)
        delay[candidate, 0, lines] = family.delay_m[0, 0, 0]
        delay[candidate, 1, lines] = family.delay_m[0, 2, 1]
    return replace(table, delay_m=delay)


def set_up_in_time(solved: SolvedNight) -> bool:
    """Whether every set-up of the plan finds its time, neighbours or not; shared exposures have their own."""
    table, chosen = solved.table, np.array(solved.solution.chosen, dtype=int)
    first, second = np.triu_indices(len(chosen), 1)
    earlier, later = chosen[first], chosen[second]
    giver = solved.giver
    apart = np.array([giver.get(b) != a for a, b in zip(earlier.tolist(), later.tolist(), strict=True)], bool)
    earlier, later = earlier[apart], later[apart]
    gap = table.start_tick[later] - table.end_tick[earlier]
    return not len(gap) or bool(np.all(gap >= wait_ticks(solved.limits, table, earlier, later)))


def _toured(solved: SolvedNight) -> list[SolvedNight]:
    """Return plans of other candidates that are worth no less, one for each way to count the offsets."""
    chosen = solved.solution.chosen
    if solved.giver or len(chosen) > TASKS_MAX:
        return []
    found: list[SolvedNight] = []
    for free in (False, True):
        tour = least_movement(solved, free)
        plan = tour.visits
        if plan in (chosen, *(other.solution.chosen for other in found)):
            continue
        if solved.problem.possible(plan) and solved.problem.score(plan) >= solved.problem.score(chosen):
            score = solved.problem.score(plan) - solved.problem.must_of(plan)
            status = "optimal" if score == solved.solution.bound else solved.solution.status
            solution = replace(solved.solution, chosen=plan, score=score, status=status)
            found.append(replace(solved, solution=solution))
    return found


def least_movement(solved: SolvedNight, free: bool) -> Tour:
    """Return the candidates that serve the chosen requests with the least movement.

    Parameters
    ----------
    solved : SolvedNight
    free : bool
        Count as if the common offset could be chosen anew for each two neighbours.
    """
    problem, chosen = solved.problem, solved.solution.chosen
    early = solved.limits.scenario.plan.irreplaceable_early
    kept, task = alternatives(problem, chosen, early)
    small = problem.only(kept)
    need = _orders(problem.rules, problem.request[list(chosen)])
    devices, own = _devices(solved, kept, free)
    choices = choices_of(small, (task, need), own, devices)
    place = {int(candidate): number for number, candidate in enumerate(kept)}
    tour = least_tour(choices, [place[candidate] for candidate in chosen])
    return replace(tour, visits=tuple(int(kept[c]) for c in tour.visits))


def alternatives(problem: NightProblem, chosen: Sequence[int], early: bool) -> tuple[np.ndarray, np.ndarray]:
    """Return the candidates that may stand for the chosen ones, sorted, and which one each stands for.

    A request with one visit may be visited at another time; one with several
    keeps their starts and cells. Time that is not for stars stays.

    Parameters
    ----------
    early : bool
        Whether no visit may start later than it does.
    """
    rules = problem.rules
    served = np.bincount(problem.request[list(chosen)], minlength=len(problem.visits_max))
    first_must = len(problem.visits_max) - problem.musts
    most = CANDIDATES_MAX // max(len(chosen), 1)
    kept: list[int] = []
    task: list[int] = []
    for number, own in enumerate(chosen):
        request = int(problem.request[own])
        found = np.array([own])
        if request < first_must:
            found = np.flatnonzero(problem.request == request)
            if early:
                found = found[problem.start[found] <= problem.start[own]]
            if len(rules.length):
                found = found[rules.length[found] <= rules.length[own]]
            found = np.array(
                [c for c in found.tolist() if _worth_no_less(problem, rules, (own, c), served[request] > 1)]
            )
            # The nearest in time, the chosen one first.
            far = np.abs(problem.start[found] - problem.start[own]) + (found != own)
            found = found[np.argsort(far, kind="stable")[:most]]
        kept += found.tolist()
        task += [number] * len(found)
    order = np.argsort(np.array(kept), kind="stable")
    return np.array(kept)[order], np.array(task)[order]


def _worth_no_less(problem: NightProblem, rules: Rules, pair: tuple[int, int], several: bool) -> bool:
    """Whether the second candidate of a request may stand for the first, which is chosen."""
    own, other = pair
    if several:
        again = not len(rules.again) or bool(rules.again[other] <= rules.again[own])
        same = np.array_equal(problem.cells[other], problem.cells[own])
        return bool(problem.start[other] == problem.start[own]) and same and again
    request = int(problem.request[own])
    wanted = int(problem.visits_max[request])
    worth = [rules.worth(request, wanted, problem.value, [problem.cells[c]]) for c in pair]
    return worth[1] >= worth[0]


def _orders(rules: Rules, request: np.ndarray) -> np.ndarray:
    """Return which tasks must come before each, as bits, from the requests of the tasks."""
    need = np.zeros(len(request), dtype=np.uint64)
    for before, after in rules.after:
        first = sum(1 << int(task) for task in np.flatnonzero(request == before))
        need[request == after] |= np.uint64(first)
    return need


def _devices(solved: SolvedNight, kept: np.ndarray, free: bool) -> tuple[Devices, np.ndarray]:
    """Lay out where devices stand at both ends of some candidates, and what each moves within itself."""
    limits, table = solved.limits, solved.table
    lines, classes = limits.scenario.array.delay_lines, limits.placement.classes
    bits = np.concatenate([table.telescope_of_line[kept] >= 0, table.line_of_telescope[kept] >= 0], axis=1)
    place = np.arange(bits.shape[1], dtype=np.uint64)
    used = np.bitwise_or.reduce(bits.astype(np.uint64) << place, axis=1)
    line = np.round(np.nan_to_num(table.delay_m[kept]) / LINE_UNIT_M).astype(np.int64)
    angle = np.stack([table.azimuth_deg[kept], table.altitude_deg[kept]], axis=-1)
    devices = Devices(
        used=used,
        line=line,
        angle=np.round(angle / ANGLE_UNIT_DEG).astype(np.int64),
        line_weight=_weights(limits)[0],
        angle_weight=_weights(limits)[1],
        free=free,
    )
    own = np.zeros(len(kept), dtype=np.int64)
    for number, candidate in enumerate(kept.tolist()):
        if table.family[candidate] >= 0:
            visit = solved.families[table.family[candidate]], int(table.row[candidate])
            own[number] = _within(visit, (len(lines), len(classes)), devices, used[number])
    return devices, own


def _weights(limits: NightLimits) -> tuple[np.ndarray, np.ndarray]:
    """Return what a unit of each line, (line,), and of each mount's axes, (telescope, 2), takes."""
    lines = [own.path_per_travel * own.speed_m_per_s for own in limits.scenario.array.delay_lines]
    speeds = [(own.azimuth_speed_deg_per_s, own.altitude_speed_deg_per_s) for own in limits.placement.classes]
    line = np.round(WEIGHT_PER_S * LINE_UNIT_M / np.array(lines)).astype(np.int64)
    return line, np.round(WEIGHT_PER_S * ANGLE_UNIT_DEG / np.array(speeds)).astype(np.int64)


def _within(visit: tuple[VisitFamily, int], size: tuple[int, int], devices: Devices, used: np.uint64) -> int:
    """Return what a visit moves between its own steps."""
    family, row = visit
    total = 0
    for step in range(2):
        position = np.zeros((2, size[0]), dtype=np.int64)
        angle = np.zeros((2, 2), dtype=np.int64)
        for end, (number, moment) in enumerate(((step, 1), (step + 1, 0))):
            delay = family.delay_m[row, number, moment] / LINE_UNIT_M
            position[end, list(family.facts.subarray.lines)] = np.round(delay).astype(np.int64)
            angles = (family.azimuth_deg[row, number, moment], family.altitude_deg[row, number, moment])
            angle[end] = [round(float(value) / ANGLE_UNIT_DEG) for value in angles]
        weights = devices.line_weight, devices.angle_weight
        total += int(moved(position[0], position[1], angle[0], angle[1], *weights, used, devices.free))
    return total
