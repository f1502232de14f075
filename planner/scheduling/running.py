"""Running CP-SAT so that a run repeats itself, and can be stopped."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor, wait
from dataclasses import dataclass

import numpy as np
from ortools.sat.python import cp_model

from planner.scheduling.stopping import Stop

# Measured: fewer workers run no linear relaxation and prove nothing; interleaving makes the run repeatable.
WORKERS = 8
MANY = 1 << 60
TINY = 1e-6
ASK_EVERY_S = 0.2


def _solver(effort: float) -> cp_model.CpSolver:
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = WORKERS
    solver.parameters.interleave_search = True
    solver.parameters.linearization_level = 2
    solver.parameters.random_seed = 1
    solver.parameters.catch_sigint_signal = False
    if np.isfinite(effort):
        solver.parameters.max_deterministic_time = effort
    return solver


@dataclass(frozen=True)
class Choice:
    """What one run of CP-SAT found: candidates, a bound over its model, and the effort spent."""

    visits: tuple[int, ...]
    bound: int
    spent: float


def run(
    model: cp_model.CpModel, ends: tuple[float, Stop], nothing: int
) -> tuple[cp_model.CpSolver, bool, int]:
    """Solve a model; return the solver, whether it holds a solution, and a whole bound on the objective.

    ``nothing`` is the bound where CP-SAT proves that there is no solution.
    """
    effort, stop = ends
    solver = _solver(effort)
    # In a thread of its own, so that this one can ask whether to stop, and Ctrl-C reaches it at once.
    with ThreadPoolExecutor(1) as pool:
        running = pool.submit(solver.solve, model)
        try:
            while not running.done():
                wait([running], timeout=ASK_EVERY_S)
                if stop():
                    solver.stop_search()
            status = running.result()
        except KeyboardInterrupt:
            solver.stop_search()
            raise
    if status == cp_model.INFEASIBLE:
        return solver, False, nothing
    bound = solver.best_objective_bound
    found = status in (cp_model.OPTIMAL, cp_model.FEASIBLE)
    return solver, found, int(np.floor(bound + TINY)) if found and np.isfinite(bound) else MANY
