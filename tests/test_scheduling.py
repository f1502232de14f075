"""The night as a problem, and its solution: laws, then every answer of small nights."""

from __future__ import annotations

import functools
import itertools

import numpy as np
import pytest
from astropy.time import TimeDelta
from invented import random_scenario
from nights import Built, best_score, build, planned, slow_follows

from planner.scenario.night import Reserved, Window
from planner.scheduling.bound import ceiling
from planner.scheduling.bundles import request_values
from planner.scheduling.cpsat import Solution, close_bundles, solve_night
from planner.scheduling.exclusions import cliques, conflicts, undominated
from planner.scheduling.greedy import greedy_plan
from planner.scheduling.problem import NightProblem
from planner.scheduling.route import route_of
from planner.scheduling.routes import home_lines
from planner.scheduling.subarrays import assign_lines, possible_subarrays


@functools.cache
def small_night(seed):
    """Three requests, four visits at most, a start every hour: every plan can be tried."""
    scenario = random_scenario(seed, requests=3, telescopes=3, beams=2, slot_s=3600)
    effort = scenario.effort.model_copy(update={"subarrays_per_request": 2, "brackets_per_start": 1})
    wishes = [
        wish.model_copy(update={"visits": 2 if n == 0 else 1}) for n, wish in enumerate(scenario.requests)
    ]
    return build(scenario.model_copy(update={"effort": effort, "requests": tuple(wishes)}))


def by_hand():
    """Three visits of two slots on four cells; the second excludes a start at slot 2 by a longer set-up."""
    return NightProblem(
        request=np.array([0, 1, 0]),
        visits_max=np.array([2, 1]),
        start=np.array([0, 2, 3]),
        free=np.array([2, 4, 5]),
        late=(np.array([1]), np.array([], dtype=int), np.array([], dtype=int)),
        cells=(np.array([0, 1]), np.array([2]), np.array([1, 3])),
        value=np.array([5, 5, 8, 5]),
    )


def test_a_cell_counts_once():
    assert by_hand().score((0, 2)) == 15
    assert by_hand().score((0, 1, 2)) == 23


def test_a_longer_set_up_excludes_a_start_that_a_shorter_one_allows():
    assert not by_hand().follows(0, 1)
    assert by_hand().follows(0, 2)
    assert not by_hand().possible((0, 1))
    assert by_hand().possible((0, 2))


def test_no_request_gets_more_visits_than_it_wants():
    once = NightProblem(**{**vars(by_hand()), "visits_max": np.array([1, 1])})
    assert not once.possible((0, 2))


def test_the_solver_finds_the_best_of_three_visits():
    found = solve_night(by_hand(), 5.0)
    assert (found.chosen, found.score, found.bound, found.status) == ((0, 2), 15, 15, "optimal")
    assert found.gap == 0.0


def test_a_night_without_candidates_is_an_empty_plan_and_no_error():
    nothing = NightProblem(
        request=np.array([], dtype=int),
        visits_max=np.array([1]),
        start=np.array([], dtype=int),
        free=np.array([], dtype=int),
        late=(),
        cells=(),
        value=np.array([], dtype=int),
    )
    assert solve_night(nothing, 5.0) == Solution((), 0, 0, "nothing to plan", "empty")


def test_too_little_effort_falls_back_to_what_local_search_finds_and_says_so():
    night = build(random_scenario(1, requests=10, telescopes=5, beams=3))
    found = solve_night(night.problem, 1e-6)
    assert found.made_by == "local search"
    assert found.score >= night.problem.score(greedy_plan(night.problem))
    assert found.bound >= found.score
    assert night.problem.possible(found.chosen)


@pytest.mark.parametrize("seed", range(1, 5))
def test_exclusions_say_the_same_as_judging_every_pair_device_by_device(seed):
    night = small_night(seed)
    for earlier, later in itertools.product(range(len(night.problem)), repeat=2):
        if night.problem.start[later] > night.problem.start[earlier]:
            assert night.problem.follows(earlier, later) == slow_follows(night, earlier, later)


@pytest.mark.parametrize("seed", range(1, 4))
def test_cliques_hold_every_exclusion_and_nothing_else(seed):
    night = small_night(seed)
    problem = night.problem
    together = {frozenset(pair) for clique in cliques(problem) for pair in itertools.combinations(clique, 2)}
    for a, b in itertools.combinations(range(len(problem)), 2):
        first, second = (a, b) if problem.start[a] <= problem.start[b] else (b, a)
        assert (frozenset((a, b)) in together) == (not problem.follows(first, second))


@pytest.mark.parametrize("seed", range(1, 5))
def test_candidates_that_are_left_out_can_be_replaced(seed):
    night = small_night(seed)
    problem = night.problem
    kept = undominated(problem)
    assert len(kept) < len(problem)
    reduced = Built(night.limits, night.offers, problem.only(kept), night.table, night.families)
    allowed = conflicts(problem)
    for lost in np.setdiff1d(np.arange(len(problem)), kept):
        stand_ins = [
            other
            for other in kept
            if problem.request[other] == problem.request[lost]
            and set(problem.cells[lost]) <= set(problem.cells[other])
            and not np.any(allowed[other] & ~allowed[lost])
        ]
        assert stand_ins
    assert len(reduced.problem) == len(kept)


@pytest.mark.parametrize("seed", range(1, 9))
def test_no_plan_exceeds_the_ceiling_and_the_best_is_made_of_close_bundles(seed):
    night = small_night(seed)
    problem = night.problem.only(undominated(night.problem))
    if not len(problem):
        return
    requests = request_values(problem, conflicts(problem))
    top = ceiling(requests, cliques(problem), len(problem))
    found = solve_night(night.problem, 20.0)
    assert found.score <= top.bound + 1e-6
    close = close_bundles(requests, route_of(problem), top, found.score)
    assert close is not None
    values = {(bundle.request, bundle.visits): bundle.value for bundle in close}
    best = 0
    for choice in itertools.product(*([None, *(k for k in values if k[0] == r.request)] for r in requests)):
        taken = [key for key in choice if key is not None]
        visits = [candidate for _, own in taken for candidate in own]
        if sum(values[key] for key in taken) > best and problem.possible(visits):
            best = sum(values[key] for key in taken)
    assert best == found.score


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(1, 7))
def test_visits_of_one_request_never_exclude_each_other(seed):
    scenario = random_scenario(seed, requests=5, telescopes=4, beams=2)
    wishes = tuple(wish.model_copy(update={"visits": 3, "field_mas": 60.0}) for wish in scenario.requests)
    night = build(scenario.model_copy(update={"requests": wishes}))
    found = solve_night(night.problem, 3.0)
    assert len(found.chosen) > 5
    assert night.problem.possible(found.chosen)


def test_a_request_that_wants_more_visits_than_a_program_holds_is_solved_visit_by_visit():
    night = small_night(2)
    problem = NightProblem(**{**vars(night.problem), "visits_max": np.array([4, 1, 1])})
    found = solve_night(problem, 20.0)
    many = Built(night.limits, night.offers, problem, night.table, night.families)
    assert found.status == "optimal"
    assert found.score == best_score(many)


@pytest.mark.parametrize("seed", range(1, 13))
def test_no_plan_of_a_small_night_is_better_than_the_solvers(seed):
    night = small_night(seed)
    found = solve_night(night.problem, 20.0)
    assert found.status in ("optimal", "empty")
    assert found.score == found.bound == best_score(night)
    assert night.problem.possible(found.chosen)
    assert night.problem.score(found.chosen) == found.score


def test_the_small_nights_are_worth_trying():
    chosen = [len(solve_night(small_night(seed).problem, 20.0).chosen) for seed in range(1, 13)]
    assert sum(count >= 2 for count in chosen) >= 8


@pytest.mark.parametrize("seed", range(1, 6))
def test_the_greedy_plan_is_possible_and_not_above_the_bound(seed):
    night = build(random_scenario(seed, requests=8, telescopes=4, beams=2))
    greedy = greedy_plan(night.problem)
    assert night.problem.possible(greedy)
    assert 0 < night.problem.score(greedy) <= solve_night(night.problem, 20.0).bound


def test_progress_tells_scores_and_bounds_as_the_plan_does():
    # What must be made is worth more than all the rest while it is searched for, and nothing in the plan.
    window = Window(start_utc="2027-03-12T01:00:00Z", end_utc="2027-03-12T08:00:00Z")
    block = Reserved(name="Alignment", duration_s=1200.0, windows=(window,))
    scenario = random_scenario(3, requests=8, telescopes=5, beams=3)
    night = build(scenario.model_copy(update={"reserved": (block,)}))
    assert night.problem.musts
    heard = []
    found = solve_night(night.problem, 5.0, progress=lambda *values: heard.append(values))
    assert heard[-1][0] <= found.score < night.problem.must_value
    assert all(0 < score <= bound < 2 * found.bound for score, bound in heard)
    assert all(bound >= found.score for _, bound in heard)


@pytest.mark.slow
def test_the_same_inputs_give_the_same_plan():
    first, second = (planned(random_scenario(3, requests=8, telescopes=5, beams=3))[1] for _ in range(2))
    assert first == second
    assert first.visits


def test_delay_lines_are_assigned_as_well_as_any_assignment():
    night = build(random_scenario(5, requests=4, telescopes=4, beams=3))
    limits = night.limits
    combiner = limits.scenario.array.combiners[0]
    slots = limits.sky.slots
    for telescopes in possible_subarrays(limits.placement, combiner, limits.scenario.requests[0]):
        for request in range(4):
            usable = limits.allowed(
                limits.scenario.requests[request], request, np.array(telescopes), science=True
            )[slots]
            best = 0
            for lines in itertools.permutations(range(len(limits.scenario.array.delay_lines)), 3):
                stroke = np.array([limits.scenario.array.delay_lines[line].stroke_m for line in lines])
                path = limits.path_m[request][slots][:, telescopes]
                low = (stroke[:, 0] - path).max(axis=-1)
                high = (stroke[:, 1] - path).min(axis=-1)
                best = max(best, int(np.count_nonzero(usable & (low <= high))))
            assigned = assign_lines(limits, combiner, telescopes, [request])
            if best == 0:
                assert not assigned
                continue
            stroke = np.array(
                [limits.scenario.array.delay_lines[i].stroke_m for i in assigned[request].lines]
            )
            path = limits.path_m[request][slots][:, telescopes]
            reached = (stroke[:, 0] - path).max(axis=-1) <= (stroke[:, 1] - path).min(axis=-1)
            assert np.count_nonzero(usable & reached) == best


def test_home_lines_are_shared_only_when_there_are_too_few():
    night = build(random_scenario(2, requests=2, telescopes=5, beams=2))
    homes = home_lines(night.limits.scenario.array, night.limits.placement)
    assert sorted(homes) == [0, 1, 2, 3, 4]


def test_a_window_keeps_the_whole_visit_inside():
    scenario = random_scenario(1, requests=4, telescopes=4, beams=2)
    free = build(scenario)
    starts = free.problem.start[free.problem.request == 0]
    assert len(starts)
    times = free.limits.sky.times
    slot = int(np.median(starts))
    first = times[free.limits.sky.first_slot + slot * free.limits.sky.ticks_per_slot]
    last = first + TimeDelta(2700.0, format="sec")
    window = Window(start_utc=f"{first.isot}Z", end_utc=f"{last.isot}Z")
    wish = scenario.requests[0]
    extras = wish.extras.model_copy(update={"windows": (window,)})
    held = build(
        scenario.model_copy(
            update={"requests": (wish.model_copy(update={"extras": extras}), *scenario.requests[1:])}
        )
    )
    inside = [family for family in held.families if family.request == 0]
    assert inside
    for family in inside:
        for row in range(len(family.start_tick)):
            assert (times[family.start_tick[row, 0]] - first).to_value("s") > -0.01
            assert (times[family.end_tick[row, 2]] - last).to_value("s") < 0.01
