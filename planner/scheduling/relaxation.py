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

from planner.scheduling.kernels import onward, remembered_path, until
from planner.scheduling.problem import NightProblem
from planner.scheduling.stopping import Stop

SCALE = 1000
STEPS_PER_UNIT = 150_000_000  # of work in paths: about as long as one unit of CP-SAT takes
PRICE_ROUNDS = 400  # at most, without memory
MEMORY_BITS = 128
MEMORY_ROUNDS = 60  # at most, each time
ROOM, WAITING = 160, 4000  # labels of a bound
PLAN_ROOMS = (4, 12, 40, 120)  # labels of a plan's search, wider each time the bound has gained little


@dataclass(frozen=True)
class Graph:
    """Candidates as the paths see them.

    Attributes
    ----------
    number : ndarray (candidate,)
        Their numbers in the problem.
    free, full, first, late_from, late : ndarray
        See ``kernels``.
    request : ndarray (candidate,)
    value : ndarray (candidate,)
        Of each alone.
    """

    number: np.ndarray
    free: np.ndarray
    full: np.ndarray
    first: np.ndarray
    late_from: np.ndarray
    late: np.ndarray
    request: np.ndarray
    value: np.ndarray

    @property
    def shape(self) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """What every path needs."""
        return self.free, self.full, self.first, self.late_from, self.late


def graph_of(problem: NightProblem, kept: np.ndarray) -> Graph:
    """Return the graph of some candidates, sorted numbers."""
    small = problem if len(kept) == len(problem) else problem.only(kept)
    slots = int(small.start.max()) + 1 if len(small) else 0
    full = np.minimum(small.free, slots).astype(np.int64)
    for candidate, later in enumerate(small.late):
        if len(later):
            full[candidate] = max(full[candidate], int(small.start[later].max()) + 1)
    late_from = np.zeros(len(small) + 1, dtype=np.int64)
    late_from[1:] = np.cumsum([len(later) for later in small.late])
    late = np.concatenate([np.sort(later) for later in small.late] or [np.empty(0)]).astype(np.int64)
    return Graph(
        number=np.asarray(kept, dtype=np.int64),
        free=np.minimum(small.free, slots).astype(np.int64),
        full=full,
        first=np.searchsorted(small.start, np.arange(slots + 1)).astype(np.int64),
        late_from=late_from,
        late=late,
        request=small.request.astype(np.int64),
        value=np.array([int(small.value[cells].sum()) for cells in small.cells], dtype=np.int64),
    )


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
    spent : float
        Units of effort.
    """

    plan: tuple[int, ...]
    bound: int
    kept: np.ndarray
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
        self.best_price = self.price.copy()
        self.bound = int(self.graph.value.sum()) * SCALE
        self.steps = 0
        self.bit = np.zeros((len(self.most), 2), dtype=np.uint64)
        self.memory_of = self.bit.copy()

    @property
    def spent(self) -> float:
        """Units of effort so far."""
        return self.steps / STEPS_PER_UNIT

    @property
    def closed(self) -> bool:
        """Whether plan and bound meet."""
        return self.bound // SCALE <= self.score

    def worth(self, price: np.ndarray) -> np.ndarray:
        """Value less price, thousandths."""
        return np.asarray(self.graph.value * SCALE - price[self.graph.request])

    def constant(self, price: np.ndarray) -> int:
        """All prices together."""
        return int((price * self.most).sum())

    def lowered(self, value: int) -> bool:
        """Take a bound at the present prices in; whether it is lower than any before."""
        if value >= self.bound - SCALE // 100:
            return False
        self.bound, self.best_price = value, self.price.copy()
        return True

    def moved(self, path: np.ndarray, value: int, share: int) -> None:
        """Move the prices against what the dearest path serves too often or too seldom; ``share`` of 1000."""
        served = np.bincount(self.graph.request[path], minlength=len(self.most))
        short = self.most - served
        # A price of nothing that nobody wants to lower does not count.
        counted = short[(short < 0) | (self.price > 0)]
        length = max(1, int((counted * counted).sum()))
        step = max(0, value - self.score * SCALE) * share // 1000 // length
        self.price = np.maximum(0, self.price - max(step, 1) * short)


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
        return Relaxed(plan, problem.score(plan), kept, 0.0)
    _without_memory(search)
    _give_bits(search)
    _look_for_plan(search, PLAN_ROOMS[0])
    tell(search.score, search.bound // SCALE)
    for room in PLAN_ROOMS[1:]:
        if search.closed or search.spent >= effort or stop():
            break
        _cut(search)
        _with_memory(search, tell, stop)
        _look_for_plan(search, room)
        tell(search.score, max(search.bound // SCALE, search.score))
    _cut(search)
    bound = max(search.bound // SCALE, search.score)
    return Relaxed(search.plan, bound, search.graph.number, search.spent)


def _without_memory(search: _Search) -> None:
    """Prices from paths that remember nothing: fast, and close enough to start from."""
    share, stale = 1000, 0
    for _ in range(PRICE_ROUNDS):
        worth = search.worth(search.price)
        after, best = onward(*search.graph.shape, worth)
        search.steps += len(worth) * 20
        value = int(best[0]) + search.constant(search.price)
        if search.lowered(value):
            stale = 0
        else:
            stale += 1
            if stale >= 10:
                share, stale = share * 2 // 3, 0
                search.price = search.best_price.copy()
                if share < 3:
                    break
                continue
        search.moved(_followed(search.graph, worth, after), value, share)
    search.price = search.best_price.copy()


def _followed(graph: Graph, worth: np.ndarray, after: np.ndarray) -> np.ndarray:
    """The dearest path, candidate by candidate."""
    whole = worth + after
    found: list[int] = []
    begin, wanted = 0, int(whole.max(initial=0))
    while wanted > 0:
        if not found:
            chosen = int(np.argmax(whole == wanted))
        else:
            c = found[-1]
            begin, end = int(graph.first[graph.free[c]]), int(graph.first[graph.full[c]])
            window = whole[begin:end].copy()
            late = graph.late[graph.late_from[c] : graph.late_from[c + 1]]
            window[late[(late >= begin) & (late < end)] - begin] = -1
            near = np.flatnonzero(window == wanted)
            chosen = begin + int(near[0]) if len(near) else end + int(np.argmax(whole[end:] == wanted))
        found.append(chosen)
        wanted = int(after[chosen])
    return np.array(found, dtype=np.int64)


def _give_bits(search: _Search) -> None:
    """Give a bit to each request, the dearest first; what wants several visits may come again."""
    there = np.unique(search.graph.request)
    once = [int(r) for r in there if search.most[r] == 1]
    once.sort(key=lambda r: (-int(search.price[r]), r))
    for number, r in enumerate(once[:MEMORY_BITS]):
        search.bit[r, number // 64] = np.uint64(1) << np.uint64(number % 64)
    search.memory_of = search.bit.copy()


def _path(
    search: _Search, memory_of: np.ndarray, least: int, rooms: tuple[int, int], drop: bool
) -> tuple[int, np.ndarray]:
    """The dearest path with memory at the present prices."""
    worth = search.worth(search.price)
    after, _ = onward(*search.graph.shape, worth)
    value, path, steps = remembered_path(
        *search.graph.shape,
        worth,
        search.graph.request,
        search.bit,
        memory_of,
        after,
        least - search.constant(search.price),
        search.price if drop else np.zeros_like(search.price),
        rooms,
        drop,
    )
    search.steps += int(steps)
    return int(value), path


def _with_memory(search: _Search, tell: Tell, stop: Stop) -> None:
    """Lower the bound with paths that remember, and remember more where the dearest path comes back."""
    search.price = search.best_price.copy()
    share, stale, last = 300, 0, search.bound // SCALE
    for _ in range(MEMORY_ROUNDS):
        if search.closed or search.spent >= search.effort or stop():
            break
        least = (search.score + 1) * SCALE
        value, path = _path(search, search.memory_of, least, (ROOM, WAITING), False)
        # Where no path is worth following, no plan is better than the one at hand.
        value = max(value + search.constant(search.price), least - 1)
        stale = 0 if search.lowered(value) else stale + 1
        if _remember_more(search, path):
            share = max(share, 200)
        if stale >= 5:
            share, stale = share * 3 // 5, 0
            search.price = search.best_price.copy()
            if share < 8:
                break
        search.moved(path, value, share)
        told = max(search.bound // SCALE, search.score)
        if told < last:
            tell(search.score, told)
            last = told
    search.price = search.best_price.copy()


def _remember_more(search: _Search, path: np.ndarray) -> bool:
    """Make the requests between two visits of one request remember it; whether any did not."""
    served = search.graph.request[path].tolist()
    more = False
    for place, r in enumerate(served):
        if not search.bit[r].any() or r not in served[place + 1 :]:
            continue
        for between in served[place + 1 : served.index(r, place + 1)]:
            grown = search.memory_of[between] | search.bit[r]
            more = more or bool(np.any(grown != search.memory_of[between]))
            search.memory_of[between] = grown
    return more


def _look_for_plan(search: _Search, room: int) -> None:
    """Search with every request remembered, and take the path in as a plan where it is a better one."""
    everything = np.full_like(search.memory_of, np.uint64(0xFFFFFFFFFFFFFFFF))
    search.price = search.best_price.copy()
    _, path = _path(search, everything, (search.score + 1) * SCALE, (room, 40 * room), True)
    plan = _as_plan(search.problem, search.graph.number[path].tolist())
    score = search.problem.score(plan)
    if score > search.score:
        search.plan, search.score = plan, score


def _as_plan(problem: NightProblem, path: list[int]) -> tuple[int, ...]:
    """Leave out what may not be made together: too many visits of a request, pairs that are no neighbours."""
    plan: list[int] = []
    for candidate in path:
        if problem.possible([*plan, candidate]):
            plan.append(candidate)
    return tuple(plan)


def _cut(search: _Search) -> None:
    """Leave out the candidates that no plan better than the one at hand can hold."""
    worth = search.worth(search.best_price)
    after, _ = onward(*search.graph.shape, worth)
    through = until(*search.graph.shape, worth) + after + search.constant(search.best_price)
    held = np.flatnonzero(through >= (search.score + 1) * SCALE)
    if len(held) < len(through):
        search.graph = graph_of(search.problem, search.graph.number[held])
