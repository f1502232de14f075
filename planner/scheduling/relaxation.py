"""A bound on the night from paths that may come back to a request, and the plan that such paths lead to.

Every plan is a path through the candidates. With a price on each request, no
plan is worth more than all prices together plus the dearest path of values
less prices (Lagrangian relaxation: Fisher 1981, Management Science 27, 1). A
path may serve a request twice, which no plan does; so paths are made to
remember some of the requests they served (ng-routes: Baldacci, Mingozzi &
Roberti 2011, Operations Research 59, 1269), more of them wherever the dearest
path comes back. With every request remembered and only the best labels kept, the
same search makes plans.

Prices are whole thousandths of a value, so that a run repeats itself on any machine.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from planner.scheduling.graph import graph_of
from planner.scheduling.greedy import greedy_plan
from planner.scheduling.kernels import onward, remembered_path, until
from planner.scheduling.problem import NightProblem
from planner.scheduling.side_prices import SidePrices
from planner.scheduling.stopping import Stop

SCALE = 1000  # as in ``side_prices``
STEPS_PER_UNIT = 150_000_000  # of work in paths: about as long as one unit of CP-SAT takes
PRICE_ROUNDS = 400  # at most, without memory
WORD = 64  # bits; there are two words
VISITS_REMEMBERED = 3  # of a request, at most
FAR = 1 << 40  # more than any plan is worth, and less than ``NOTHING`` takes off
MEMORY_ROUNDS = 60  # at most, each time
ROOM, WAITING = 160, 4000  # labels of a bound
PLAN_ROOMS = (4, 12, 40, 120)  # labels of a plan's search, wider each time the bound has gained little


@dataclass(frozen=True)
class Relaxed:
    """What the paths say of a night.

    Attributes
    ----------
    plan : tuple of int
        The best plan that was come upon.
    bound : int
        No plan is worth more.
    kept : ndarray
        Candidates that a plan better than this one can hold.
    promise : ndarray
        What a plan that holds each of them is worth at most, by the prices.
    spent : float
        Units of effort.
    """

    plan: tuple[int, ...]
    bound: int
    kept: np.ndarray
    promise: np.ndarray
    spent: float


Tell = Callable[[int, int], None]


class _Search:
    """The state of a search: prices, memory, the best plan and bound."""

    def __init__(self, problem: NightProblem, kept: np.ndarray, plan: tuple[int, ...], effort: float) -> None:
        self.problem, self.effort = problem, effort
        self.plan, self.score = plan, problem.score(plan)
        self.graph = graph_of(problem, kept)
        self.most = problem.visits_max.astype(np.int64)
        self.price = np.zeros(len(self.most), dtype=np.int64)
        self.side = SidePrices.none(problem, self.graph.number)
        self.best_price, self.best_side = self.price.copy(), self.side
        self.bound = int(self.graph.value.sum()) * SCALE
        self.steps = 0
        self.unit = np.zeros((len(self.most), 2), dtype=np.uint64)
        self.mask = self.unit.copy()
        self.kept_of = self.unit.copy()
        self.limited = np.zeros(len(self.most), dtype=np.bool_)

    @property
    def spent(self) -> float:
        """Units of effort so far."""
        return self.steps / STEPS_PER_UNIT

    @property
    def closed(self) -> bool:
        """Whether plan and bound meet."""
        return self.bound // SCALE <= self.score

    def worth(self, again: bool = False) -> np.ndarray:
        """Value less present prices, thousandths; of a first visit or of another one."""
        value = self.graph.again if again else self.graph.value
        weighted = value * self.side.weight[self.graph.request]
        return np.asarray(weighted - self.price[self.graph.request] - self.side.of_candidate)

    @property
    def constant(self) -> int:
        """All prices together."""
        return int((self.price * self.most).sum()) + self.side.constant

    def lowered(self, value: int) -> bool:
        """Take a bound at the present prices in; whether it is lower than any before."""
        if value >= self.bound - SCALE // 100:
            return False
        self.bound, self.best_price, self.best_side = value, self.price.copy(), self.side
        return True

    def back(self) -> None:
        """Take the prices that gave the best bound."""
        self.price, self.side = self.best_price.copy(), self.best_side

    def moved(self, path: np.ndarray, value: int, share: int) -> None:
        """Move the prices against what the dearest path serves too often or too seldom; ``share`` of 1000."""
        served = np.bincount(self.graph.request[path], minlength=len(self.most))
        short = self.most - served
        # A price of nothing that nobody wants to lower does not count.
        counted = short[(short < 0) | (self.price > 0)]
        beside = self.side.short(path)
        length = max(1, int((counted * counted).sum()) + int((beside * beside).sum()) // SCALE**2)
        step = max(max(0, value - self.score * SCALE) * share // 1000 // length, 1)
        self.price = np.maximum(0, self.price - step * short)
        self.side = self.side.moved(path, step, share)

    def cut(self) -> np.ndarray:
        """Leave out the candidates that no plan better than the one at hand can hold; rate the others."""
        self.back()
        worth = self.worth()
        after = onward(*self.graph.shape, worth)[0]
        through = until(*self.graph.shape, worth) + after + self.constant
        held = np.flatnonzero(through >= (self.score + 1) * SCALE)
        if len(held) < len(through):
            self.graph = graph_of(self.problem, self.graph.number[held])
            self.side = self.best_side = self.side.only(held)
        return through[held] // SCALE


def relaxed(
    problem: NightProblem, kept: np.ndarray, plan: tuple[int, ...], effort: float, ways: tuple[Tell, Stop]
) -> Relaxed:
    """Bring the bound down and look for plans, until they meet or the effort is spent.

    Parameters
    ----------
    problem : NightProblem
    kept : ndarray
        Candidates that count, sorted.
    plan : tuple of int
        A plan to start from.
    effort : float
        Units.
    ways : (tell, stop)
        Called with score and bound as they change; asked whether to end.
    """
    tell, stop = ways
    search = _Search(problem, kept, plan, effort)
    if not len(search.graph.value):
        return Relaxed(plan, problem.score(plan), kept, np.zeros(0), 0.0)
    _without_memory(search)
    _give_bits(search)
    _look_for_plan(search, PLAN_ROOMS[0])
    tell(search.score, search.bound // SCALE)
    for room in PLAN_ROOMS[1:]:
        if search.closed or search.spent >= effort or stop():
            break
        search.cut()
        _with_memory(search, tell, stop)
        _look_for_plan(search, room)
        tell(search.score, max(search.bound // SCALE, search.score))
    promise = search.cut()
    bound = max(search.bound // SCALE, search.score)
    return Relaxed(search.plan, bound, search.graph.number, promise, search.spent)


def _without_memory(search: _Search) -> None:
    """Prices from paths that remember nothing: fast, and close enough to start from."""
    share, stale = 1000, 0
    for _ in range(PRICE_ROUNDS):
        _, dearest, path = onward(*search.graph.shape, search.worth())
        search.steps += len(search.graph.value) * 20
        value = int(dearest) + search.constant
        if search.lowered(value):
            stale = 0
        else:
            stale += 1
            if stale >= 10:
                share, stale = share * 2 // 3, 0
                search.back()
                if share < 3:
                    break
                continue
        search.moved(path, value, share)
    search.back()


def _give_bits(search: _Search) -> None:
    """Give each request bits, one for each visit that is remembered, the dearest request first."""
    there = np.unique(search.graph.request).tolist()
    used = [0, 0]
    for r in sorted(there, key=lambda r: (-int(search.price[r]), r)):
        wanted = min(int(search.most[r]), VISITS_REMEMBERED)
        word = next((w for w in (0, 1) if used[w] + wanted <= WORD), None)
        if word is None:
            continue
        search.unit[r, word] = np.uint64(1 << used[word])
        search.mask[r, word] = np.uint64(((1 << wanted) - 1) << used[word])
        search.limited[r] = wanted == search.most[r]
        used[word] += wanted
    search.kept_of = search.mask.copy()


def _path(
    search: _Search, kept_of: np.ndarray, least: int, rooms: tuple[int, int], drop: bool
) -> tuple[int, np.ndarray]:
    """The dearest path with memory at the present prices."""
    worth, again = search.worth(), search.worth(again=True)
    after = onward(*search.graph.shape, worth)[0]
    value, path, steps = remembered_path(
        *search.graph.shape,
        worth,
        again,
        search.graph.request,
        (search.unit, search.mask, kept_of, search.limited),
        after,
        least - search.constant,
        search.price if drop else np.zeros_like(search.price),
        rooms,
        drop,
        search.side.levels(search.graph.cells),
    )
    search.steps += int(steps)
    return int(value), path


def _with_memory(search: _Search, tell: Tell, stop: Stop) -> None:
    """Lower the bound with paths that remember, and remember more where the dearest path comes back."""
    search.back()
    share, stale, last = 300, 0, search.bound // SCALE
    for _ in range(MEMORY_ROUNDS):
        if search.closed or search.spent >= search.effort or stop():
            break
        least = (search.score + 1) * SCALE
        value, path = _path(search, search.kept_of, least, (ROOM, WAITING), False)
        # Where no path is worth following, no plan is better than the one at hand.
        value = max(value + search.constant, least - 1)
        stale = 0 if search.lowered(value) else stale + 1
        if _remember_more(search, path):
            share = max(share, 200)
        if stale >= 5:
            share, stale = share * 3 // 5, 0
            search.back()
            if share < 8:
                break
        search.moved(path, value, share)
        told = max(search.bound // SCALE, search.score)
        if told < last:
            tell(search.score, told)
            last = told
    search.back()


def _remember_more(search: _Search, path: np.ndarray) -> bool:
    """Make the requests between two visits of one request remember it; whether any did not."""
    served = search.graph.request[path].tolist()
    more = False
    for place, r in enumerate(served):
        if not search.mask[r].any() or r not in served[place + 1 :]:
            continue
        for between in served[place + 1 : served.index(r, place + 1)]:
            grown = search.kept_of[between] | search.mask[r]
            more = more or bool(np.any(grown != search.kept_of[between]))
            search.kept_of[between] = grown
    return more


def _look_for_plan(search: _Search, room: int) -> None:
    """Search with every request remembered, and take the path in as a plan where it is a better one."""
    everything = np.full_like(search.kept_of, np.uint64(0xFFFFFFFFFFFFFFFF))
    search.back()
    # What is worth more by its prices may be worth less by the rules: then every path counts.
    least = (search.score + 1) * SCALE if search.problem.rules.plain else -FAR
    for beside in (True, False):
        # Side prices lead past what is scarce; without them a path is worth what it is worth.
        _, path = _path(search, everything, least, (room, 40 * room), True)
        plan = _as_plan(search.problem, search.graph.number[path].tolist())
        if not search.problem.rules.plain:
            plan = max(plan, greedy_plan(search.problem, plan), key=search.problem.score)
        score = search.problem.score(plan)
        if score > search.score:
            search.plan, search.score = plan, score
        if not beside or search.side.idle:
            break
        search.side = SidePrices.none(search.problem, search.graph.number)
    search.back()


def _as_plan(problem: NightProblem, path: list[int]) -> tuple[int, ...]:
    """Leave out what may not be made together: too many visits of a request, pairs that are no neighbours."""
    plan: list[int] = []
    for candidate in path:
        if problem.fits([*plan, candidate]):
            plan.append(candidate)
    return problem.supported(plan)
