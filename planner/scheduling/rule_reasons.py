"""Why a rule among requests leaves one out: company that it lacks, a budget, a floor, a goal, an order."""

from __future__ import annotations

import numpy as np

from planner.scheduling.cell_values import HOUR_S, floor_and_goal
from planner.scheduling.solved import SolvedNight


def rule_told(solved: SolvedNight, request: int, planned: int) -> str | None:
    """Return which rule leaves a request without its next visit although it has candidates; None for no rule.

    Once a visit is ``planned``, company, a floor and a goal are no longer what the next one waits for. Only
    for requests that have a candidate: what no visit can serve is left out by a limit, not by a rule.
    """
    problem, wish = solved.problem, solved.limits.scenario.requests[request]
    own = wish.extras
    mine = np.flatnonzero(problem.request == request)
    if planned:
        return _budget_told(solved, request, mine)
    floor, goal = floor_and_goal(wish, solved.offers[request])
    if goal == 0:
        return f"earlier nights have reached its goal of {own.cells_goal} fillings"
    cells = np.unique(np.concatenate([problem.cells[c] for c in mine]))
    fresh = cells[problem.rules.fresh[cells]] if len(problem.rules.fresh) else cells
    if len(fresh) < floor:
        return (
            f"its floor of {own.cells_floor} cells cannot be reached tonight: {len(fresh)} new ones are in "
            f"reach, {floor} are needed"
        )
    served = {int(problem.request[c]) for c in solved.solution.chosen}
    names = [each.name for each in solved.limits.scenario.requests]
    if own.only_with is not None and own.only_with not in {names[r] for r in served if r < len(names)}:
        return f"wants company: it is observed only with {own.only_with}, which has no visit tonight"
    return _budget_told(solved, request, mine) or _whole_told(solved, request, mine)


def _budget_told(solved: SolvedNight, request: int, mine: np.ndarray) -> str | None:
    """The program's time, when no visit fits into what is left of it."""
    problem, tick_s = solved.problem, solved.limits.sky.tick_s
    for program in solved.limits.scenario.programs:
        if solved.limits.scenario.requests[request].name not in program.targets or program.hours_max is None:
            continue
        budget = next(own for own in problem.rules.budgets if request in own.requests)
        others = [c for c in solved.visits if problem.request[c] in budget.requests]
        used = problem.rules.taken(others, solved.visits)
        shortest = int(problem.rules.length[mine].min())
        if used + shortest > budget.most:
            left_h, needed_h = (ticks * tick_s / HOUR_S for ticks in (budget.most - used, shortest))
            return (
                f"the time of program {program.name} is spent: {left_h:.2f} h of {program.hours_max:.4g} h "
                f"are left, a visit takes {needed_h:.2f} h"
            )
    return None


def _whole_told(solved: SolvedNight, request: int, mine: np.ndarray) -> str | None:
    """All its visits or none, when all of them are never possible by themselves."""
    problem = solved.problem
    wanted = int(problem.visits_max[request])
    if request not in problem.rules.whole:
        return None
    ready, possible = -1, 0
    # The visit that leaves its request free again first, each time: no other choice makes room for more.
    again = problem.rules.again[mine] if len(problem.rules.again) else problem.free[mine]
    done = np.maximum(again, problem.free[mine])
    for place in np.lexsort((problem.start[mine], done)).tolist():
        if problem.start[mine[place]] >= ready:
            ready, possible = int(done[place]), possible + 1
    if possible < wanted and not problem.rules.givers:
        return f"wants all of its {wanted} visits or none, and no more than {possible} are possible tonight"
    return None
