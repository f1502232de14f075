"""The CP-SAT model of a night whose variables are single visits: it knows every rule.

A request that wants one visit is worth what its visit is worth. Where several
are wanted, a cell counts as often as visits fill it, each time less, and
floors, goals and all-or-nothing are said of the cells' variables.
"""

from __future__ import annotations

import itertools
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from ortools.sat.python import cp_model

from planner.scheduling.graph import at_most, levels_of
from planner.scheduling.problem import NightProblem
from planner.scheduling.rules import NO_GOAL
from planner.scheduling.running import Choice, run
from planner.scheduling.stopping import Stop


@dataclass(frozen=True)
class _Model:
    """A model being made: its visits, and those that each request may get."""

    problem: NightProblem
    model: cp_model.CpModel
    visit: tuple[cp_model.IntVar, ...]
    of_request: dict[int, list[int]]
    hinted: frozenset[int]

    def boolean(self, name: str, hint: bool) -> cp_model.IntVar:
        """A new variable with what it would be in the plan to start from."""
        variable = self.model.new_bool_var(name)
        self.model.add_hint(variable, hint)
        return variable


def choose_visits(
    problem: NightProblem, groups: Sequence[Sequence[int]], ends: tuple[float, Stop], hint: Sequence[int]
) -> Choice:
    """Choose visits one by one.

    Parameters
    ----------
    problem : NightProblem
    groups : sequence
        Cliques (``exclusions.cliques``); two that share a calibrator may be in one.
    ends : (effort, stop)
    hint : sequence of int
        A plan to start from.
    """
    model = cp_model.CpModel()
    of_request: dict[int, list[int]] = defaultdict(list)
    for number, request in enumerate(problem.request.tolist()):
        of_request[request].append(number)
    made = _Model(
        problem,
        model,
        tuple(model.new_bool_var(f"visit {number}") for number in range(len(problem))),
        dict(of_request),
        frozenset(int(candidate) for candidate in hint),
    )
    for number, variable in enumerate(made.visit):
        model.add_hint(variable, number in made.hinted)
    shared = _exclude(made, groups)
    _gaps_and_orders(made)
    for request, mine in made.of_request.items():
        if len(mine) > problem.visits_max[request]:
            model.add(sum(made.visit[number] for number in mine) <= int(problem.visits_max[request]))
    for budget in problem.rules.budgets:
        rules = problem.rules
        mine = [number for request in budget.requests for number in made.of_request.get(request, ())]
        saved = sum(
            int(rules.length[later] - rules.end[later] + rules.end[earlier]) * variable
            for (earlier, later), variable in shared.items()
            if problem.request[later] in budget.requests
        )
        model.add(sum(int(rules.length[n]) * made.visit[n] for n in mine) - saved <= budget.most)
    for own, other in problem.rules.needs:
        company = [made.visit[number] for number in made.of_request.get(other, ())]
        for number in made.of_request.get(own, ()):
            model.add_bool_or([*company, ~made.visit[number]])
    worth = {request: _worth(made, request) for request in made.of_request}
    model.maximize(sum(worth.values()) - _unfair(made, worth))
    solver, found, bound = run(model, ends, 0)
    visits = tuple(number for number, own in enumerate(made.visit) if found and solver.boolean_value(own))
    return Choice(visits, bound, solver.response_proto.deterministic_time)


def _exclude(made: _Model, groups: Sequence[Sequence[int]]) -> dict[tuple[int, int], cp_model.IntVar]:
    """At most one of each group, or two that share a calibrator: what says so is returned for each pair."""
    givers = made.problem.rules.givers
    pair: dict[tuple[int, int], cp_model.IntVar] = {}
    for later, own in enumerate(givers):
        for earlier in own.tolist():
            both = {earlier, later} <= made.hinted
            variable = made.boolean(f"shared {earlier} {later}", both)
            made.model.add_implication(variable, made.visit[earlier])
            made.model.add_implication(variable, made.visit[later])
            pair[earlier, later] = variable
        if len(own) > 1:
            made.model.add_at_most_one(pair[earlier, later] for earlier in own.tolist())
    for group in groups:
        held = set(group)
        shared = [
            pair[int(earlier), later]
            for later in group
            if givers
            for earlier in givers[later]
            if int(earlier) in held
        ]
        if shared:
            made.model.add_at_most_one(shared)
            made.model.add(sum(made.visit[number] for number in group) <= 1 + sum(shared))
        else:
            made.model.add_at_most_one(made.visit[number] for number in group)
    return pair


def _gaps_and_orders(made: _Model) -> None:
    """Visits of one request far enough apart, visits of one request after those of another."""
    problem, rules = made.problem, made.problem.rules
    if len(rules.again):
        for request, mine in made.of_request.items():
            own = np.array(mine)
            if problem.visits_max[request] == 1 or not rules.again[own].any():
                continue
            for slot in np.unique(problem.start[own]).tolist():
                busy = own[(problem.start[own] <= slot) & (rules.again[own] > slot)]
                made.model.add_at_most_one(made.visit[number] for number in busy.tolist())
    for first, second in rules.after:
        early, late = made.of_request.get(first, []), made.of_request.get(second, [])
        slots = sorted({int(problem.start[number]) for number in [*early, *late]})
        begun = [
            made.boolean(
                f"begun {second} {slot}", any(n in made.hinted and problem.start[n] <= slot for n in late)
            )
            for slot in slots
        ]
        for earlier, later in itertools.pairwise(begun):
            made.model.add_implication(earlier, later)
        place = {slot: number for number, slot in enumerate(slots)}
        for number in late:
            made.model.add_implication(made.visit[number], begun[place[int(problem.start[number])]])
        for number in early:
            # Starts that are the same exclude each other already.
            made.model.add_implication(made.visit[number], ~begun[place[int(problem.start[number])]])


def _worth(made: _Model, request: int) -> Any:
    """What the visits of a request are worth together."""
    problem, rules, mine = made.problem, made.problem.rules, made.of_request[request]
    if problem.visits_max[request] == 1:
        own = at_most(problem.only(np.array(mine)))
        return sum(int(value) * made.visit[number] for value, number in zip(own, mine, strict=True))
    counts = made.boolean(f"counts {request}", problem.worth_of(sorted(made.hinted)).get(request, 0) > 0)
    if request in rules.whole:
        wanted = int(problem.visits_max[request])
        made.model.add(sum(made.visit[number] for number in mine) == wanted * counts)
    level = levels_of(problem)
    fillers: dict[int, list[int]] = defaultdict(list)
    for number in mine:
        for cell in problem.cells[number].tolist():
            fillers[cell].append(number)
    # Cells that are filled by the same candidates and are worth the same share their variables.
    alike: dict[tuple[tuple[int, ...], tuple[int, ...], bool], list[int]] = defaultdict(list)
    for cell in sorted(fillers):
        fresh = not len(rules.fresh) or bool(rules.fresh[cell])
        alike[tuple(fillers[cell]), tuple(level[cell].tolist()), fresh].append(cell)
    goal, floor = rules.goal.get(request, NO_GOAL), rules.floor.get(request, 0)
    terms: list[Any] = []
    fillings: list[Any] = []
    reached: list[Any] = []
    for (numbers, values, fresh), cells in alike.items():
        times = sum(number in made.hinted for number in numbers)
        for k, value in enumerate(values[: len(numbers)]):
            if not value:
                break
            filled = made.boolean(f"filled {request}", times > k)
            if k == 0:
                made.model.add_bool_or([*(made.visit[n] for n in numbers), ~filled])
            else:
                made.model.add(sum(made.visit[n] for n in numbers) >= (k + 1) * filled)
            if request in rules.whole or floor:
                made.model.add_implication(filled, counts)
            if k == 0 and fresh:
                reached.append(len(cells) * filled)
            counted: Any = len(cells) * filled
            if goal < NO_GOAL:
                # Of cells that are all alike some may count and others not.
                some = made.model.new_int_var(0, len(cells), f"counted {request}")
                made.model.add(some <= counted)
                counted = some
            fillings.append(counted)
            terms.append(value * counted)
    if floor:
        made.model.add(sum(reached) >= floor * counts)
    if goal < NO_GOAL:
        made.model.add(sum(fillings) <= goal)
    return sum(terms)


def _unfair(made: _Model, worth: dict[int, Any]) -> Any:
    """What fairness takes off."""
    rules = made.problem.rules
    if not (rules.shares and rules.fairness):
        return 0
    got = [sum(worth.get(r, 0) for r in own.requests) for own in rules.shares]
    every = sum(own.share for own in rules.shares)
    most = int(levels_of(made.problem).sum())
    taken = []
    for value, own in zip(got, rules.shares, strict=True):
        excess = made.model.new_int_var(0, most, "excess")
        made.model.add(1000 * every * excess >= rules.fairness * (every * value - own.share * sum(got)))
        taken.append(excess)
    return sum(taken)
