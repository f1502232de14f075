"""Tours with a known optimum: one that was published, and small ones of which every order is tried."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from ortools.sat.python import cp_model

from planner.scheduling import tours
from planner.scheduling.problem import NightProblem
from planner.scheduling.tours import Tour, choices_of, least_tour

# Instance rbg010a of Ascheuer, Fischetti & Groetschel (2001), Mathematical Programming A 90, 475: moves of a
# stacker crane as a travelling salesman with time windows. A cost in row i, column j is the processing of i
# with the way to j; it is paid for every move of the tour that starts at 0 and comes back there, and waiting
# is free. Optimum 671 (the same paper). Column 0 is the processing alone.
COST = """
 0  0  0  0  0  0  0  0  0  0  0
71  0 85 85 85 96 85 85 97 85 77
50 65  0 77 77 62 77 77 62 77 74
64 74 88  0 88 80 88 88 82 88 87
44 54 68 68  0 60 68 68 62 68 67
51 75 51 51 51  0 51 51 80 51 65
53 64 78 78 78 68  0 78 69 78 76
51 67 69 69 69 75 69  0 75 69 63
43 61 71 71 71 43 71 71  0 71 68
53 64 78 78 78 68 78 78 69  0 80
42 66 52 52 52 70 52 52 70 52  0
"""
EARLIEST = [0, 0, 399, 550, 685, 819, 1208, 1412, 1701, 2413, 3798]
LATEST = [9396, 865, 1299, 1450, 1585, 1719, 2108, 2312, 2330, 3313, 4698]
OPTIMUM = 671


def starts_without_idling(cost, earliest, latest):
    """(start, job) of every schedule in which each job starts as soon as it may.

    Partial schedules that already are too late for some other job are left out: the direct way is the
    quickest (the triangle inequality holds), so no order of the rest can save them.
    """
    jobs = range(1, len(cost))
    assert all(cost[i][j] <= cost[i][k] + cost[k][j] for i, j, k in itertools.permutations(jobs, 3))
    seen, todo = set(), [(job, earliest[job], frozenset([job])) for job in jobs]
    while todo:
        job, start, done = state = todo.pop()
        left = [other for other in jobs if other not in done]
        if state in seen or any(start + cost[job][other] > latest[other] for other in left):
            continue
        seen.add(state)
        todo += [(o, max(earliest[o], start + cost[job][o]), done | {o}) for o in left]
    return sorted({(start, job) for job, start, _ in seen})


def night_of(places, length, wait):
    """Jobs at given starts as a night: which may follow which, by time alone."""
    start = np.array([own for own, _ in places])
    job = np.array([own - 1 for _, own in places])
    ready = (start + np.array(length)[job])[:, None] + np.array(wait)[job][:, job]
    fits = start[None, :] >= ready
    never = int(start.max()) + 1
    free = np.array([int(start[row].min()) if row.any() else never for row in fits])
    late = tuple(np.flatnonzero((start >= free[c]) & ~fits[c]) for c in range(len(start)))
    jobs = int(job.max()) + 1
    return NightProblem(
        request=job,
        visits_max=np.ones(jobs, dtype=int),
        start=start,
        free=free,
        late=late,
        cells=tuple(np.array([own]) for own in job),
        value=np.ones(jobs, dtype=int),
    )


def tour_of(cost, earliest, latest, need=None):
    """The cheapest tour by the code that makes plans calmer, and the jobs in its order."""
    cost = np.array(cost)
    length = cost[1:, 0]
    wait = cost[1:, 1:] - length[:, None]
    places = starts_without_idling(cost.tolist(), earliest, latest)
    jobs = len(cost) - 1
    if {job for _, job in places} != set(range(1, jobs + 1)):
        return Tour((), 0, True), ()
    problem = night_of(places, length, wait)
    must = np.zeros(jobs, dtype=np.uint64) if need is None else need
    moves = wait[np.ix_(problem.request, problem.request)]
    tour = least_tour(choices_of(problem, (problem.request, must), length[problem.request], moves))
    assert problem.possible(tour.visits)
    return tour, tuple(int(problem.request[c]) + 1 for c in tour.visits)


def test_the_published_optimum_of_a_stacker_crane_is_found_and_proven():
    cost = [[int(number) for number in row.split()] for row in COST.strip().splitlines()]
    tour, order = tour_of(cost, EARLIEST, LATEST)
    assert tour.proven
    assert tour.cost == OPTIMUM
    # Once more from the table alone: ways between neighbours, and back to 0.
    assert sum(cost[a][b] for a, b in itertools.pairwise((0, *order, 0))) == OPTIMUM


def every_order(cost, earliest, latest, first_of):
    """Cost of each order that keeps its windows."""
    for order in itertools.permutations(range(1, len(cost))):
        if any(order.index(a) > order.index(b) for a, b in first_of):
            continue
        clock, kept = 0, True
        for before, job in itertools.pairwise((0, *order)):
            clock = max(earliest[job], clock + (cost[before][job] if before else 0))
            kept = kept and clock <= latest[job]
        if kept:
            yield sum(cost[a][b] for a, b in itertools.pairwise((0, *order, 0)))


@st.composite
def small_instances(draw):
    """Two to five jobs on a line of places, so that the direct way is the quickest, with windows."""
    jobs = draw(st.integers(2, 5))
    place = draw(st.lists(st.tuples(st.integers(0, 9), st.integers(0, 9)), min_size=jobs, max_size=jobs))
    length = draw(st.lists(st.integers(1, 12), min_size=jobs, max_size=jobs))
    cost = [[0] * (jobs + 1)]
    for (_, end), own in zip(place, length, strict=True):
        cost.append([own, *(own + abs(end - begin) for begin, _ in place)])
    earliest = [0, *draw(st.lists(st.integers(0, 40), min_size=jobs, max_size=jobs))]
    latest = [999, *(a + draw(st.integers(0, 60)) for a in earliest[1:])]
    ordered = draw(st.booleans())
    return cost, earliest, latest, [(1, 2)] if ordered else []


def quickest(cost):
    """The same costs with every detour that is quicker taken."""
    jobs = range(1, len(cost))
    for k, i, j in itertools.product(jobs, jobs, jobs):
        if len({i, j, k}) == 3:
            cost[i][j] = min(cost[i][j], cost[i][k] + cost[k][j])
    return cost


@settings(max_examples=80, deadline=None)
@given(small_instances())
def test_no_order_of_a_small_instance_costs_less_than_the_tour(instance):
    cost, earliest, latest, first_of = instance
    cost = quickest(cost)
    need = np.zeros(len(cost) - 1, dtype=np.uint64)
    for first, second in first_of:
        need[second - 1] |= np.uint64(1 << (first - 1))
    tour, order = tour_of(cost, earliest, latest, need)
    every = list(every_order(cost, earliest, latest, first_of))
    assert tour.proven
    if not every:
        assert order == ()
        return
    assert tour.cost == min(every)


# Twenty places in a square of 50, windows around the arrivals of a tour from each place to the second
# nearest: the way in which the instances of Dumas, Desrosiers, Gelinas & Solomon (1995), Operations
# Research 43, 367, were made (from memory; these are not theirs).
PLACES, SIDE = 20, 50


def places_with_windows(seed, width):
    """Ways between a depot, 0, and the places, in whole units; when each may be reached."""
    rng = np.random.default_rng(seed)
    where = rng.integers(0, SIDE + 1, (PLACES + 1, 2))
    way = np.floor(np.hypot(*(where[:, None] - where[None]).transpose(2, 0, 1))).astype(int)
    for between in range(PLACES + 1):
        way = np.minimum(way, way[:, [between]] + way[[between], :])
    earliest, latest = np.zeros(PLACES + 1, dtype=int), np.full(PLACES + 1, 10**4)
    open_places, at, clock = list(range(1, PLACES + 1)), 0, 0
    while open_places:
        nearest = sorted(open_places, key=lambda place: (way[at, place], place))
        goal = nearest[min(1, len(nearest) - 1)]
        clock, at = clock + int(way[at, goal]), goal
        open_places.remove(goal)
        earliest[goal] = max(0, clock - int(rng.integers(0, width // 2 + 1)))
        latest[goal] = clock + int(rng.integers(0, width // 2 + 1))
    return way, earliest, latest


def closed_tour(instance):
    """The choices for a tour from the depot through all places and back, as two more tasks at its ends."""
    way, earliest, latest = instance
    places = range(1, PLACES + 1)
    begun = {(max(int(earliest[j]), int(way[0, j])), j) for j in places}
    states, todo = set(), [own for own in begun if own[0] <= latest[own[1]]]
    while todo:
        clock, here = state = todo.pop()
        if state not in states:
            states.add(state)
            ahead = ((max(int(earliest[j]), clock + int(way[here, j])), j) for j in places if j != here)
            todo += [own for own in ahead if own[0] <= latest[own[1]]]
    out, home = PLACES + 1, PLACES + 2
    end = int(latest[1:].max() + way.max())
    cost = np.zeros((home, home), dtype=int)
    cost[:PLACES, :PLACES] = way[1:, 1:]
    cost[out - 1, :PLACES], cost[:PLACES, home - 1] = way[0, 1:], way[1:, 0]
    every = [(-1, out), *sorted(states), (end, home)]
    # The depot is left before zero and reached after all; ways home are always in time.
    takes = cost.copy()
    takes[:, home - 1], takes[out - 1, :PLACES] = 0, 0
    takes[home - 1], takes[:, out - 1] = 10**6, 10**6
    problem = night_of([(clock + 1, place) for clock, place in every], [0] * home, takes)
    arc = cost[np.ix_(problem.request, problem.request)]
    none = np.zeros(home, dtype=np.uint64)
    return choices_of(problem, (problem.request, none), np.zeros(len(every), dtype=int), arc)


def circuit_optimum(instance):
    """The same by CP-SAT: a circuit, with the time at which each place is reached."""
    way, earliest, latest = instance
    model = cp_model.CpModel()
    reached = [model.new_int_var(int(a), int(b), "") for a, b in zip(earliest, latest, strict=True)]
    arcs = {(i, j): model.new_bool_var("") for i, j in itertools.permutations(range(PLACES + 1), 2)}
    model.add_circuit([(i, j, used) for (i, j), used in arcs.items()])
    for (i, j), used in arcs.items():
        if j:
            begun = 0 if i == 0 else reached[i]
            model.add(reached[j] >= begun + int(way[i, j])).only_enforce_if(used)
    model.minimize(sum(int(way[i, j]) * used for (i, j), used in arcs.items()))
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    assert solver.solve(model) == cp_model.OPTIMAL
    return int(solver.objective_value)


# The last one found no tour while labels were kept after which a place is out of reach: two million were not
# enough.
@pytest.mark.parametrize(("seed", "width"), [(0, 60), (1, 60), (2, 60), (9, 60), (0, 100)])
def test_the_cheapest_tour_through_twenty_places_is_found_and_proven(seed, width):
    instance = places_with_windows(seed, width)
    tour = least_tour(closed_tour(instance))
    assert tour.proven
    assert tour.cost == circuit_optimum(instance)


def test_a_search_that_is_cut_off_returns_the_best_tour_that_it_had(monkeypatch):
    choices = closed_tour(places_with_windows(0, 60))
    best = least_tour(choices)
    found = {}
    for most in (300, 3000, 30000):
        monkeypatch.setattr(tours, "LABELS_MAX", most)
        found[most] = least_tour(choices)
    assert [own.proven for own in found.values()].count(False) > 0
    for own in found.values():
        if len(own.visits):
            assert own.cost == choices.cost(own.visits) >= best.cost
            assert sorted(choices.task[list(own.visits)]) == list(range(PLACES + 2))
    assert len(found[30000].visits)
    # Whoever brings a tour never gets a dearer one, or none.
    dearer = found[30000].visits
    monkeypatch.setattr(tours, "LABELS_MAX", 30)
    assert least_tour(choices, dearer).visits == dearer


def test_a_tour_is_given_back_when_no_other_is_cheaper():
    # Two jobs in either order, each 5 long and 1 apart: nothing to gain, and the one given stands.
    problem = night_of([(0, 1), (0, 2), (6, 1), (6, 2)], [5, 5], [[0, 1], [1, 0]])
    moves = np.ones((4, 4), dtype=int)
    choices = choices_of(problem, (problem.request, np.zeros(2, dtype=np.uint64)), np.zeros(4), moves)
    for given_tour in ((0, 3), (1, 2)):
        assert least_tour(choices, given_tour) == Tour(given_tour, 1, True)


@pytest.mark.parametrize("given_tour", [(), (1, 2)])
def test_what_must_come_first_comes_first(given_tour):
    problem = night_of([(0, 1), (0, 2), (6, 1), (6, 2)], [5, 5], [[0, 1], [1, 0]])
    moves = np.array([[0, 0, 0, 1]] + [[0, 0, 9, 0]] + [[0] * 4] * 2)
    first_second = np.array([2, 0], dtype=np.uint64)  # job 2 before job 1
    choices = choices_of(problem, (problem.request, first_second), np.zeros(4), moves)
    assert least_tour(choices, given_tour) == Tour((1, 2), 9, True)
