"""What it would cost to serve a request that the plan leaves out.

Each request without a visit is asked about in turn, the highest priority
first: what is the best plan that serves it? One set of prices bounds that plan
for every request (``path_prices``). A first plan holds the visit that displaces
least and is filled up again; a second one is searched by paths in the night in
which serving the request is worth more than it can cost. The effort left is
shared out among the requests that are left; who gets none is not told of.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from planner.scheduling.cpsat import Solution, solve_night
from planner.scheduling.extra_cells import with_extra_cells
from planner.scheduling.filling import Filling
from planner.scheduling.path_prices import PathPrices
from planner.scheduling.problem import NightProblem
from planner.scheduling.relaxation import STEPS_PER_UNIT, relaxed
from planner.scheduling.stopping import Stop, never

PRICE_ROUNDS = 60
PRICE_SHARE = 0.3  # of the effort, at most
STEPS_SEARCHED = 4500  # of work for each candidate that paths are searched among, about
FEWEST = 200  # candidates: paths among fewer of many find nothing new
SOLVED_MAX = 2000  # candidates left that the whole solver is asked about
LEAST = 1.0  # units that it takes


@dataclass(frozen=True)
class ForcedPlan:
    """The best plan found that serves a request, and what no such plan exceeds.

    Attributes
    ----------
    chosen : tuple of int
        In the order of their start.
    score, bound : int
        As in ``Solution``.
    """

    chosen: tuple[int, ...]
    score: int
    bound: int


def better_of(
    problem: NightProblem, solution: Solution, forced: Mapping[int, ForcedPlan]
) -> tuple[Solution, dict[int, ForcedPlan]]:
    """Take over a plan that serves one request more and is worth more: the search had not come upon it.

    Returns
    -------
    solution : Solution
        The best plan there is.
    forced : dict
        Without the requests that it serves.
    """
    found = max(forced.values(), key=lambda plan: plan.score, default=None)
    if found is None or found.score <= solution.score:
        return solution, dict(forced)
    proven = found.score >= solution.bound
    better = replace(
        solution,
        chosen=found.chosen,
        score=found.score,
        made_by="path search",
        status="optimal" if proven else "feasible",
        stopped_by=None if proven else solution.stopped_by,
    )
    served = set(problem.request[list(found.chosen)].tolist())
    return better, {request: plan for request, plan in forced.items() if request not in served}


def forced_plans(
    problem: NightProblem, solution: Solution, order: Sequence[int], effort: float, stop: Stop = never
) -> dict[int, ForcedPlan]:
    """Find for each request without a visit the best plan that serves it.

    Parameters
    ----------
    problem : NightProblem
    solution : Solution
        Of that problem.
    order : sequence of int
        Requests, the first to be asked about first.
    effort : float
        Units of work for all of them.
    stop : callable
        Asked whether to end; only Ctrl-C counts, a time limit is the plan's.

    Returns
    -------
    dict
        {request: plan}; what could not be asked, or has no such plan, is left out.
    """
    served = set(problem.request[list(solution.chosen)].tolist())
    gaining = np.flatnonzero([problem.value[cells].sum() > 0 for cells in problem.cells])
    left = [r for r in order if r not in served and np.any(problem.request[gaining] == r)]
    if not left or effort <= 0 or not solution.chosen:
        return {}
    night = _Asked(problem, solution, gaining, effort)
    found = {}
    for number, request in enumerate(left):
        if night.spent >= effort or stop() == "Ctrl-C":
            break
        plan = night.forced(request, (effort - night.spent) / (len(left) - number))
        if plan is not None:
            found[request] = plan
    return found


class _Asked:
    """A night about which one question after the other is asked, and the effort spent on them."""

    def __init__(self, problem: NightProblem, solution: Solution, gaining: np.ndarray, effort: float):
        self.problem, self.solution = problem, solution
        self.must = problem.must_of(solution.chosen)
        prices = PathPrices(problem, gaining)
        rounds = max(1, min(PRICE_ROUNDS, int(PRICE_SHARE * effort / prices.round_effort())))
        priced = prices.priced(solution.score + self.must, rounds)
        self.spent = priced.spent
        self.kept, self.at_most = gaining, np.minimum(priced.at_most, solution.bound + self.must)
        self.filling = Filling(problem)

    def serves(self, plan: Sequence[int], request: int) -> bool:
        """Whether a plan serves a request for anything, and makes all that must be made."""
        own = [self.problem.cells[c] for c in plan if self.problem.request[c] == request]
        wanted = int(self.problem.visits_max[request])
        return (
            self.problem.must_of(plan) == self.must
            and self.problem.rules.worth(request, wanted, self.problem.value, own) > 0
            and self.problem.possible(plan)
        )

    def forced(self, request: int, share: float) -> ForcedPlan | None:
        """Return the best plan found that serves a request, with its bound."""
        problem, must = self.problem, self.must
        tries = self.filling.around(self.solution.chosen, request)
        self.spent += self.filling.steps / STEPS_PER_UNIT
        good = [plan for plan in tries if self.serves(plan, request)]
        start = max(good, key=problem.score, default=None)
        score = problem.score(start) if start else -1
        mine = problem.request[self.kept] == request
        bound = int(self.at_most[mine].max())
        if score < bound:
            better, proven = self._searched(request, start, (score, bound), share)
            if better is not None and problem.score(better) > score:
                start, score = better, problem.score(better)
            bound = min(bound, proven)
        if start is None:
            return None
        return ForcedPlan(problem.in_order(start), score - must, max(bound, score) - must)

    def _searched(
        self, request: int, start: tuple[int, ...] | None, ends: tuple[int, int], share: float
    ) -> tuple[tuple[int, ...] | None, int]:
        """Search paths that serve a request; return the best and a bound on all, far away when not proven.

        ``ends`` are score and bound so far.
        """
        score, bound = ends
        held = np.flatnonzero(self.at_most > score)
        most = int(share * STEPS_PER_UNIT / STEPS_SEARCHED)
        whole = len(held) <= most
        if not whole:
            if most < FEWEST:
                return None, bound
            held = self._likely(held, request, most)
        # More than serving it can cost; where no plan is known yet, more than anything.
        prize = self.solution.bound + self.must - score + 1 if start else 1 + int(self.problem.value.sum())
        if self.problem.rules.shares and self.problem.rules.fairness:
            return None, bound  # fairness would weigh the prize
        # The plan known so far stays in reach; the rest of the night is left out.
        known = list(start or self.solution.chosen)
        number = np.union1d(self.kept[held], known)
        night = _prized(self.problem.only(number), request, prize)
        known = np.searchsorted(number, known).tolist()
        extra = prize + night.must_of(known) - self.must
        ways = (lambda score, bound: None, never)
        found = relaxed(night, np.searchsorted(number, self.kept[held]), tuple(known), share, ways)
        self.spent += found.spent
        plan, proven = found.plan, found.bound
        if (
            whole
            and night.score(plan) < proven
            and share - found.spent >= LEAST
            and len(found.kept) <= SOLVED_MAX
        ):
            small = night.only(found.kept)
            solved = solve_night(small, share - found.spent)
            self.spent += share - found.spent
            again = tuple(int(found.kept[c]) for c in solved.chosen)
            plan = max(plan, again, key=night.score)
            proven = max(night.score(plan), min(proven, solved.bound + small.must_of(solved.chosen)))
        best = tuple(number[list(plan)].tolist())
        return best if self.serves(best, request) else None, proven - extra if whole else bound

    def _likely(self, held: np.ndarray, request: int, most: int) -> np.ndarray:
        """Places of the candidates that good plans hold most likely, a fifth of them of the request."""
        own = self.problem.request[self.kept[held]] == request
        chosen = []
        for part, room in ((held[own], most // 5), (held[~own], most - most // 5)):
            chosen.append(part[np.argsort(-self.at_most[part], kind="stable")][:room])
        return np.sort(np.concatenate(chosen))


def _prized(problem: NightProblem, request: int, prize: int) -> NightProblem:
    """Return the night in which serving a request is worth a prize."""
    extra = [0 if own == request else -1 for own in problem.request.tolist()]
    return with_extra_cells(problem, extra, [prize])
