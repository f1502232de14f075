"""The CP-SAT model of a night: which visits are made, so that most value is filled, with a bound.

One Boolean for each candidate. Exclusions are cliques, because cliques give
the linear relaxation that the bound lives on: one at-most-one for each slot
over all visits that occupy it (the shortest set-up after them included), and
one for each candidate and each slot at which a longer set-up still excludes
some starts. A cell counts when a visit that fills it is made.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from importlib.metadata import version
from typing import Literal

import numpy as np
from ortools.sat.python import cp_model

from planner.scheduling.greedy import greedy_plan
from planner.scheduling.problem import NightProblem

# Measured: fewer workers run no linear relaxation and prove nothing; interleaving makes the run repeatable.
WORKERS = 8


@dataclass(frozen=True)
class Solution:
    """Chosen candidates and what is proven about them.

    Attributes
    ----------
    chosen : tuple of int
        In the order of their start.
    score, bound : int
        No plan of these candidates is worth more than ``bound``.
    made_by : str
        ``"cp-sat"``, or ``"greedy"`` when the solver found nothing better.
    status : str
        ``"optimal"`` when score and bound meet, ``"feasible"``, or ``"empty"``.
    """

    chosen: tuple[int, ...]
    score: int
    bound: int
    made_by: Literal["cp-sat", "greedy", "nothing to plan"]
    status: Literal["optimal", "feasible", "empty"]

    @property
    def gap(self) -> float:
        """(bound - score)/bound, 0 when there is nothing to gain."""
        return (self.bound - self.score) / self.bound if self.bound else 0.0


def solver_name() -> str:
    """Name and version of the solver, for the plan."""
    return f"OR-Tools CP-SAT {version('ortools')}"


def solve_night(
    problem: NightProblem, effort: float, progress: Callable[[int, int], None] | None = None
) -> Solution:
    """Solve a night to a score with a proven bound.

    Parameters
    ----------
    problem : NightProblem
    effort : float
        Deterministic work units of CP-SAT; the same effort gives the same plan.
    progress : callable, optional
        Called with (score, bound) at each better plan.

    Returns
    -------
    Solution
        The greedy plan when the solver finds nothing better.
    """
    greedy = greedy_plan(problem)
    greedy_score = problem.score(greedy)
    if not greedy:
        return Solution((), 0, 0, "nothing to plan", "empty")
    model, visit, filled = night_model(problem)
    fill = {int(cell) for candidate in greedy for cell in problem.cells[candidate]}
    taken = set(greedy)
    for number, variable in enumerate(visit):
        model.add_hint(variable, number in taken)
    for cells, variable in filled:
        model.add_hint(variable, cells[0] in fill)
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = WORKERS
    solver.parameters.interleave_search = True
    solver.parameters.linearization_level = 2
    solver.parameters.random_seed = 1
    solver.parameters.max_deterministic_time = effort
    status = solver.solve(model, _Progress(progress) if progress else None)
    reached = status in (cp_model.OPTIMAL, cp_model.FEASIBLE)
    ceiling = int(problem.value[np.unique(np.concatenate(problem.cells))].sum())
    bound = min(ceiling, int(np.floor(solver.best_objective_bound + 1e-6))) if reached else ceiling
    chosen = tuple(n for n, variable in enumerate(visit) if solver.boolean_value(variable)) if reached else ()
    chosen = _without_idle(problem, chosen)
    score = problem.score(chosen)
    if not reached or score < greedy_score:
        return Solution(greedy, greedy_score, max(bound, greedy_score), "greedy", "feasible")
    return Solution(chosen, score, bound, "cp-sat", "optimal" if score == bound else "feasible")


def _without_idle(problem: NightProblem, chosen: Sequence[int]) -> tuple[int, ...]:
    """Leave out visits that fill no cell that another one does not: they cost telescope time for nothing."""
    kept = sorted(chosen, key=lambda candidate: (int(problem.start[candidate]), candidate))
    for candidate in list(kept):
        others = [other for other in kept if other != candidate]
        if problem.score(others) == problem.score(kept):
            kept = others
    return tuple(kept)


def night_model(
    problem: NightProblem,
) -> tuple[cp_model.CpModel, list[cp_model.IntVar], list[tuple[tuple[int, ...], cp_model.IntVar]]]:
    """Build the model.

    Returns
    -------
    model
    visit : list of Boolean
        One for each candidate.
    filled : list of (cells, Boolean)
        Cells that are filled by exactly the same candidates share one variable.
    """
    model = cp_model.CpModel()
    visit = [model.new_bool_var(f"visit {number}") for number in range(len(problem))]
    for clique in cliques(problem):
        model.add_at_most_one(visit[number] for number in clique)
    for request, most in enumerate(problem.visits_max):
        mine = np.flatnonzero(problem.request == request)
        if len(mine):
            model.add(sum(visit[number] for number in mine) <= int(most))
    fillers: dict[int, list[int]] = defaultdict(list)
    for number, cells in enumerate(problem.cells):
        for cell in cells.tolist():
            fillers[cell].append(number)
    alike: dict[tuple[int, ...], list[int]] = defaultdict(list)
    for cell in sorted(fillers):
        alike[tuple(fillers[cell])].append(cell)
    filled = []
    for numbers, cells in alike.items():
        variable = model.new_bool_var(f"cell {cells[0]}")
        model.add_bool_or([visit[number] for number in numbers] + [~variable])
        filled.append((tuple(cells), variable))
    model.maximize(sum(int(problem.value[list(cells)].sum()) * variable for cells, variable in filled))
    return model, visit, filled


def cliques(problem: NightProblem) -> list[list[int]]:
    """Return sets of candidates of which at most one can be made; together they say every exclusion."""
    occupying: dict[int, list[int]] = defaultdict(list)
    for number in range(len(problem)):
        for slot in range(int(problem.start[number]), int(problem.free[number])):
            occupying[slot].append(number)
    found = [members for _, members in sorted(occupying.items()) if len(members) > 1]
    for number, later in enumerate(problem.late):
        starts = problem.start[later]
        found += [[number, *later[starts == slot].tolist()] for slot in np.unique(starts)]
    return found


class _Progress(cp_model.CpSolverSolutionCallback):
    def __init__(self, tell: Callable[[int, int], None]):
        super().__init__()
        self._tell = tell

    def on_solution_callback(self) -> None:
        self._tell(round(self.objective_value), round(self.best_objective_bound))
