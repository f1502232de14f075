"""The CP-SAT model of a night: which visits are made, so that most value is filled, with a bound.

The variables are bundles, the sets of visits that serve one request
(``bundles``), so that a cell that two visits fill counts once; exclusions are
at-most-ones over large cliques (``exclusions``). A plan to start from comes
from local search (``search``). The bound comes down in stages, each proven.
First by prices (``bound``). Then by asking: is there a plan worth w or more?
Only bundles that fall short of the best by little enough can be in it
(``route``), few when w is near the bound; when CP-SAT finds none, the bound is
w - 1, and w is lowered until a plan meets it, the bundles become too many or
the effort is spent. Where a request wants more visits than a bundle holds, the
visits themselves are the variables and a cell counts when one that fills it is
made; so it is where a night has rules beyond pairs and cells (``visit_model``).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from importlib.metadata import version
from typing import Literal

import numpy as np
from ortools.sat.python import cp_model

from planner.scheduling.bound import Ceiling, ceiling
from planner.scheduling.bundles import Bundle, RequestValues, request_values
from planner.scheduling.exclusions import cliques, conflicts, undominated
from planner.scheduling.greedy import greedy_plan
from planner.scheduling.problem import NightProblem
from planner.scheduling.relaxation import relaxed
from planner.scheduling.route import Route, route_of
from planner.scheduling.running import TINY, Choice, run
from planner.scheduling.search import improved
from planner.scheduling.stopping import Stop, Why, never
from planner.scheduling.visit_model import choose_visits

BUNDLES_MAX = 60_000  # a model of this many is still built and solved in tens of seconds
FIRST_SHARE = 0.25  # of the effort, for the first model
NEAR = 0.995  # the first model holds the bundles of plans within this part of the bound
QUESTIONS = 5  # steps from the bound down to the score

# Of the effort, for paths through the night; the rest is for CP-SAT on the candidates that they leave.
PATHS_SHARE = 0.6
CANDIDATES_MAX = 9_000  # more are not handed to CP-SAT: the exclusions of so many fill the memory
PROMISING = 5_000  # of so many, the most promising ones; a bound over these proves nothing
LEAST = 1.0

Progress = Callable[[int, int], None]
Made = Literal["cp-sat", "path search", "local search", "greedy", "nothing to plan"]


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
        Who found the plan: ``"cp-sat"``, or what came before it when the solver found nothing better.
    status : str
        ``"optimal"`` when score and bound meet, ``"feasible"``, or ``"empty"``.
    stopped_by : str or None
        What ended the search before its effort was spent.
    """

    chosen: tuple[int, ...]
    score: int
    bound: int
    made_by: Made
    status: Literal["optimal", "feasible", "empty"]
    stopped_by: Why | None = None

    @property
    def gap(self) -> float:
        """(bound - score)/bound, 0 when there is nothing to gain."""
        return (self.bound - self.score) / self.bound if self.bound else 0.0


def solver_name() -> str:
    """Name and version of the solver, for the plan."""
    return f"OR-Tools CP-SAT {version('ortools')}"


def solve_night(
    problem: NightProblem, effort: float, progress: Progress | None = None, stop: Stop = never
) -> Solution:
    """Solve a night to a score with a proven bound.

    Parameters
    ----------
    problem : NightProblem
    effort : float
        Deterministic work units of CP-SAT; the same effort gives the same plan.
    progress : callable, optional
        Called with (score, bound) at each better plan, without what must be made.
    stop : callable
        Asked again and again whether the search has to end with what it has.

    Returns
    -------
    Solution
        The greedy plan when the solver finds nothing better.
    """
    tell = _in_own_terms(problem, progress or (lambda score, bound: None))
    offered = undominated(problem)
    if not len(offered):
        return Solution((), 0, 0, "nothing to plan", "empty")
    greedy = greedy_plan(problem)
    paths = relaxed(problem, offered, greedy, effort * PATHS_SHARE, (tell, _early(stop)))
    plan, bound = paths.plan, paths.bound
    made_by: Made = "greedy" if problem.score(plan) <= problem.score(greedy) else "path search"
    if problem.score(plan) < bound and len(paths.kept) and not stop():
        kept, whole = paths.kept, len(paths.kept) <= CANDIDATES_MAX
        if not whole:
            promising = np.argsort(-paths.promise, kind="stable")[:PROMISING]
            kept = np.sort(np.concatenate([kept[promising], np.setdiff1d(plan, kept[promising])]).astype(int))
        small = problem.only(kept)
        number = {int(candidate): k for k, candidate in enumerate(kept)}
        # A visit that is not kept is in no better plan, but it may be in this one.
        start = tuple(number[candidate] for candidate in plan if candidate in number)
        outcome = _solve(small, max(effort - paths.spent, LEAST), start, paths.bound, (tell, stop))
        if whole:
            bound = max(problem.score(plan), outcome.bound)
        better = without_idle(problem, [int(kept[k]) for k in outcome.visits])
        if problem.score(better) > problem.score(plan):
            plan, made_by = better, "cp-sat" if outcome.by_solver else "local search"
    plan = without_idle(problem, plan)
    if not problem.possible(plan):
        raise RuntimeError("the chosen visits exclude each other")
    # What must be made is worth nothing in the plan's own terms; the bound is of plans that make it as well.
    must = problem.must_of(plan)
    score, bound = problem.score(plan) - must, bound - must
    if not plan and not bound:
        return Solution((), 0, 0, "nothing to plan", "empty")
    status: Literal["optimal", "feasible"] = "optimal" if score == bound else "feasible"
    return Solution(plan, score, bound, made_by, status, None if status == "optimal" else stop())


def _early(stop: Stop) -> Stop:
    """The same question about the part of the time that paths may take."""

    def early(share: float = 1.0) -> Why | None:
        return stop(share * PATHS_SHARE)

    return early


def _in_own_terms(problem: NightProblem, progress: Progress) -> Progress:
    """Tell scores and bounds as the plan will: what must be made, and can be, is worth nothing."""
    first = len(problem.value) - problem.musts
    blocks = {cell for cells in problem.cells for cell in cells.tolist() if cell >= first}
    must = sum(int(problem.value[cell]) for cell in blocks)
    return lambda score, bound: progress(max(score - must, 0), max(bound - must, 0))


@dataclass(frozen=True)
class _Outcome:
    """The best plan found (candidates), the proven bound, and whether CP-SAT found the plan."""

    visits: tuple[int, ...]
    bound: int
    by_solver: bool


def _solve(
    problem: NightProblem, effort: float, given: tuple[int, ...], bound: int, ways: tuple[Progress, Stop]
) -> _Outcome:
    """Start from the plan given and what local search makes of it; find better ones, bring the bound down."""
    tell, stop = ways
    clash = conflicts(problem)
    start = max(given if problem.possible(given) else (), greedy_plan(problem), key=problem.score)
    start = max(start, improved(problem, clash, start, stop=stop), key=problem.score)
    tell(problem.score(start), bound)
    groups = cliques(problem)
    best = start
    if not problem.rules.plain:
        return _by_visits(problem, groups, (effort, stop), best, bound)
    requests = request_values(problem, clash)
    top = ceiling(requests, groups, len(problem), stop)
    bound = min(bound, int(np.floor(top.bound + TINY)), _everything(problem))
    tell(problem.score(best), bound)
    if not all(request.whole for request in requests):
        return _by_visits(problem, groups, (effort, stop), best, bound)
    route = route_of(problem)
    must = problem.must_value
    near = close_bundles(requests, route, top, must + int(np.ceil((bound - must) * NEAR))) or []
    known = {(p.request, p.visits): p for p in (*top.bundles, *near) if p.makeable(clash)}
    found = _choose_bundles(problem, groups, list(known.values()), (effort * FIRST_SHARE, stop), best)
    spent = found.spent
    best = max(best, found.visits, key=problem.score)
    tell(problem.score(best), bound)
    for wanted in _questions(problem.score(best), bound):
        close = close_bundles(requests, route, top, wanted)
        if close is None or spent >= effort or stop():
            break
        found = _choose_bundles(problem, groups, close, (effort - spent, stop), best, wanted)
        spent += found.spent
        best = max(best, found.visits, key=problem.score)
        # A plan that the model cannot hold is worth less than wanted.
        bound = min(bound, max(found.bound, wanted - 1, problem.score(best)))
        tell(problem.score(best), bound)
        if found.visits or found.bound >= wanted:
            break
    return _Outcome(best, max(bound, problem.score(best)), best != start)


def _by_visits(
    problem: NightProblem,
    groups: Sequence[Sequence[int]],
    ends: tuple[float, Stop],
    start: tuple[int, ...],
    bound: int,
) -> _Outcome:
    """Let CP-SAT choose visits one by one."""
    found = choose_visits(problem, groups, ends, start)
    best = max(start, found.visits, key=problem.score)
    return _Outcome(best, max(min(bound, found.bound), problem.score(best)), best != start)


def _questions(score: int, bound: int) -> list[int]:
    """Values to ask for, from near the bound down to just above the score."""
    if score >= bound:
        return []
    steps = sorted({int(w) for w in np.ceil(np.linspace(score + 1, bound, QUESTIONS))}, reverse=True)
    return steps[1:] or steps  # the bound itself is hardly ever reached: it is asked for only when alone


def _everything(problem: NightProblem) -> int:
    """Value of every cell that some candidate fills."""
    return int(problem.value[np.unique(np.concatenate(problem.cells))].sum())


def close_bundles(
    requests: list[RequestValues], route: Route, top: Ceiling, wanted: int
) -> list[Bundle] | None:
    """Return every bundle that a plan worth ``wanted`` or more can hold, None when there are too many.

    A plan is worth at most the dearest route through its visits plus, for each
    request, the reduced value of its bundle; so what a bundle and the routes
    through its visits fall short of the best must stay within the slack.
    """
    through = route.through(top.price)
    dearest = float(through.max())
    slack = dearest + sum(top.best.values()) - wanted + TINY
    found: list[Bundle] = []
    for request in requests:
        for bundle in request.above(top.price, top.best[request.request] - slack):
            short = top.best[request.request] - bundle.reduced
            detour = dearest - float(through[list(bundle.visits)].min())
            if short + detour <= slack:
                found.append(bundle)
                if len(found) > BUNDLES_MAX:
                    return None
    return found


def _choose_bundles(
    problem: NightProblem,
    groups: Sequence[Sequence[int]],
    bundles: Sequence[Bundle],
    ends: tuple[float, Stop],
    hint: tuple[int, ...],
    wanted: int | None = None,
) -> Choice:
    """Choose at most one bundle for each request, worth ``wanted`` or more together when that is given."""
    model = cp_model.CpModel()
    chosen = [model.new_bool_var(f"bundle {number}") for number in range(len(bundles))]
    of_candidate: dict[int, list[int]] = defaultdict(list)
    of_request: dict[int, list[int]] = defaultdict(list)
    for number, bundle in enumerate(bundles):
        of_request[bundle.request].append(number)
        for candidate in bundle.visits:
            of_candidate[candidate].append(number)
    sets = {
        tuple(sorted({number for candidate in group for number in of_candidate.get(candidate, ())}))
        for group in groups
    }
    for numbers in sorted({*sets, *(tuple(own) for own in of_request.values())}):
        if len(numbers) > 1:
            model.add_at_most_one(chosen[number] for number in numbers)
    value = sum(bundle.value * chosen[number] for number, bundle in enumerate(bundles))
    if wanted is None:
        hinted: dict[int, list[int]] = defaultdict(list)
        for candidate in sorted(hint):
            hinted[int(problem.request[candidate])].append(candidate)
        for number, bundle in enumerate(bundles):
            model.add_hint(chosen[number], tuple(hinted.get(bundle.request, ())) == bundle.visits)
    else:
        model.add(value >= wanted)
    model.maximize(value)
    solver, found, bound = run(model, ends, -1)
    taken = [
        bundle for number, bundle in enumerate(bundles) if found and solver.boolean_value(chosen[number])
    ]
    visits = tuple(sorted(candidate for bundle in taken for candidate in bundle.visits))
    return Choice(visits, bound, solver.response_proto.deterministic_time)


def without_idle(problem: NightProblem, chosen: Sequence[int]) -> tuple[int, ...]:
    """Leave out visits that a plan is worth no less without: they cost telescope time for nothing."""
    kept = list(problem.in_order(chosen))
    for candidate in list(kept):
        others = [other for other in kept if other != candidate]
        if problem.score(others) >= problem.score(kept) and problem.possible(others):
            kept = others
    # Visits that are worth something together only, and are not complete.
    worth_of = problem.worth_of(kept)
    without = [c for c in kept if worth_of[int(problem.request[c])]]
    if problem.possible(without):
        kept = without
    return tuple(kept)
