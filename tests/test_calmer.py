"""The second stage, the same worth with less movement: by hand, as laws, and against every tour."""

from __future__ import annotations

import dataclasses
import functools
import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invented import delay_line, random_scenario
from light_nights import bright_star, by_hand, lit_scenario, plain_array, wish
from nights import build
from test_every_plan import built as smallest
from wishes import edited

from planner.scheduling.assemble import night_plan
from planner.scheduling.audit import audit_plan
from planner.scheduling.calmer import (
    WEIGHT_PER_S,
    alternatives,
    calmer,
    least_movement,
    movement_of,
    set_up_in_time,
)
from planner.scheduling.cpsat import solve_night
from planner.scheduling.kernels_tour import moved
from planner.scheduling.offsets import Runs, least_changes, with_least_runs
from planner.scheduling.problem import _exclusions
from planner.scheduling.solved import SolvedNight
from planner.scheduling.tours import follows_of
from planner.scheduling.travel import movement, opens_next, steps_made

pytestmark = pytest.mark.slow

HELD_M = 1e-3  # offsets are chosen in tenths of a millimetre, some of them one after the other


def solved_of(night, effort=2.0):
    solution = solve_night(night.problem, effort)
    return SolvedNight(night.limits, night.offers, night.problem, night.table, night.families, solution)


@functools.cache
def solved(seed):
    """A night of some visits on a random array; every third one with a whole light path."""
    if seed % 3 == 2:
        return solved_of(build(lit_scenario(seed, slot_s=1800)))
    scenario = random_scenario(seed, requests=5, telescopes=3 + seed % 2, beams=2, slot_s=1800)
    speed = 0.02 if seed % 2 else 0.5
    return solved_of(build(edited(scenario, **{"line.speed_m_per_s": speed})))


def document(night):
    return night_plan(night, night.limits.scenario.night.configuration)


# By hand.


def test_carriages_stand_still_where_the_sky_does_not_move_them():
    # Telescopes 30 m west, 30 m east and in the middle: for a star whose direction points s to the east the
    # paths are -30 s, 30 s and 0. With one common offset for the night the carriages of the outer two run
    # 30 |ds| of light each between two steps, the one in the middle not at all. No offset does better: what
    # one of the outer two gains, the other loses. The rail is half the light. The line of the east is
    # shorter, so the middle of what the strokes allow moves with the star, and the first plan runs farther.
    lines = (delay_line("west"), delay_line("east", stroke_m=(0.0, 45.0)), delay_line("middle"))
    early, late = bright_star("in the west", 140.0, -40.0), bright_star("in the east", 200.0, -40.0)
    array = plain_array([-30.0, 30.0, 0.0], beams=3, delay_lines=lines)
    west = wish(early, hour_angle_range_h=(1.5, 4.0))
    scenario = by_hand(array, west, wish(late, hour_angle_range_h=(-4.0, -1.5)))
    beside = tuple(bright_star(f"beside {own.name}", own.ra_deg, -38.0) for own in (early, late))
    before = solved_of(build(scenario.model_copy(update={"calibrators": beside})))
    after = calmer(before)
    plan = document(after)
    assert len(plan.visits) == 2

    def east(beam, when):
        azimuth, altitude = (
            np.deg2rad(getattr(beam, f"{angle}_{when}_deg")) for angle in ("azimuth", "altitude")
        )
        return float(np.cos(altitude) * np.sin(azimuth))

    steps = [step.beams[0] for visit in plan.visits for step in visit.steps]
    least = sum(30.0 * abs(east(b, "start") - east(a, "end")) for a, b in itertools.pairwise(steps))
    assert plan.travel.carriages_m == pytest.approx(least, abs=HELD_M)
    assert plan.travel.carriages_before_m > least + 1.0
    held = [step.common_offset_m for visit in plan.visits for step in visit.steps]
    assert max(held) - min(held) < HELD_M
    assert audit_plan(plan).passed


def test_of_equal_travel_the_offsets_are_the_nearest_to_the_middles_and_then_the_smallest():
    # Two steps of two beams that run 10 and -10 whatever the offsets: any change from -10 to 10 of the second
    # against the first is as good. Middles are at 3 and 7: both are reached. One step with middles at its own
    # place and a run that pulls 4 up: the run wins.
    def two(now, middle, **more):
        runs = {
            "low": np.array([-20, -20]),
            "high": np.array([20, 20]),
            "middle": np.array(middle),
            "earlier": np.zeros(len(now), dtype=int),
            "later": np.ones(len(now), dtype=int),
            "now": np.array(now),
            "least": np.full(len(now), -99),
            "most": np.full(len(now), 99),
            "weight": np.ones(len(now), dtype=int),
        }
        return least_changes(Runs(**(runs | more))).tolist()

    assert two([10, -10], [3, 7]) == [3, 7]
    assert two([-4], [0, 0]) == [-4, 0]  # as near as (0, 4) and (-2, 2): the smallest
    assert two([-4], [1, 1], low=np.array([0, 0])) == [0, 4]
    assert two([-4], [0, 0], most=np.array([3])) == [-3, 0]


# Laws.


@st.composite
def few_runs(draw):
    """Three steps with a few places each, and carriages between them."""
    steps, count = 3, draw(st.integers(1, 4))
    whole = st.integers
    low = draw(st.lists(whole(-3, 0), min_size=steps, max_size=steps))
    high = draw(st.lists(whole(0, 3), min_size=steps, max_size=steps))
    middle = draw(st.lists(whole(-4, 4), min_size=steps, max_size=steps))
    ends = draw(st.lists(st.sampled_from([(0, 1), (1, 2), (0, 2)]), min_size=count, max_size=count))
    return Runs(
        low=np.array(low),
        high=np.array(high),
        middle=np.array(middle),
        earlier=np.array([a for a, _ in ends]),
        later=np.array([b for _, b in ends]),
        now=np.array(draw(st.lists(whole(-6, 6), min_size=count, max_size=count))),
        least=np.array(draw(st.lists(whole(-6, 0), min_size=count, max_size=count))),
        most=np.array(draw(st.lists(whole(0, 6), min_size=count, max_size=count))),
        weight=np.array(draw(st.lists(whole(1, 3), min_size=count, max_size=count))),
    )


@settings(max_examples=200, deadline=None)
@given(few_runs())
def test_no_other_offsets_let_carriages_run_less_or_stay_nearer_to_the_middles(runs):
    ranges = [range(a, b + 1) for a, b in zip(runs.low.tolist(), runs.high.tolist(), strict=True)]
    every = (np.array(change) for change in itertools.product(*ranges))
    told = min(
        (runs.travel(c), int(np.abs(c - runs.middle).sum()), int(c.sum()), tuple(c.tolist()))
        for c in every
        if runs.kept_by(c)
    )
    assert tuple(least_changes(runs).tolist()) == told[3]


@given(
    st.lists(st.tuples(st.integers(-30, 30), st.integers(-30, 30)), min_size=1, max_size=4),
    st.lists(st.integers(1, 5), min_size=4, max_size=4),
)
def test_a_free_offset_moves_carriages_as_little_as_the_best_of_all_shifts(ends, weight):
    start, end = (np.array(own) for own in zip(*ends, strict=True))
    weight = np.array(weight[: len(ends)])
    still, none = np.zeros(2, dtype=int), np.zeros((0, 2), dtype=int)
    mask = np.uint64((1 << len(ends)) - 1)
    least = min(int(weight @ np.abs(end + shift - start)) for shift in range(-60, 61))
    assert moved(start, end, still, still, weight, none, mask, True) == least
    assert moved(start, end, still, still, weight, none, mask, False) == weight @ np.abs(end - start)


@pytest.mark.parametrize("seed", range(18))
def test_a_calmer_plan_is_worth_as_much_moves_no_more_and_is_in_time(seed):
    before = solved(seed)
    after = calmer(before)
    assert after.solution.score >= before.solution.score
    assert after.solution.bound == before.solution.bound
    assert set_up_in_time(after)
    assert movement_of(after).motion_s <= movement_of(before).motion_s + 1e-6
    plan = document(after)
    found = audit_plan(plan)
    assert found.passed, [check for check in found.checks if not check.passed]
    assert sum(v.value for v in plan.visits) == plan.solver.score + plan.unfair
    # The same from the same.
    assert document(calmer(before)).model_dump() == plan.model_dump()


def test_some_nights_are_calmer_by_far():
    moved_less = [
        1.0 - movement_of(calmer(solved(seed))).motion_s / movement_of(solved(seed)).motion_s
        for seed in range(18)
        if len(solved(seed).visits) > 2
    ]
    assert len(moved_less) >= 10
    assert max(moved_less) > 0.2
    assert np.mean(np.array(moved_less) > 0.01) > 0.5


@pytest.mark.parametrize("seed", range(18))
def test_the_movement_of_the_document_is_that_of_the_night(seed):
    plan, after = document(calmer(solved(seed))), movement_of(calmer(solved(seed)))
    carriages, mounts = 0.0, 0.0
    left = {}
    rail = {line.name: line.path_per_travel for line in plan.scenario.array.delay_lines}
    for step in (step for visit in plan.visits for step in visit.steps):
        for beam in step.beams:
            known = left.get(beam.delay_line)
            carriages += abs(beam.delay_start_m - known) / rail[beam.delay_line] if known is not None else 0.0
            stood = left.get((beam.telescope,))
            if stood is not None:
                mounts += abs(beam.azimuth_start_deg - stood[0]) + abs(beam.altitude_start_deg - stood[1])
            left[beam.delay_line] = beam.delay_end_m
            left[beam.telescope,] = beam.azimuth_end_deg, beam.altitude_end_deg
    assert carriages == pytest.approx(after.carriages_m, abs=1e-3)
    assert mounts == pytest.approx(after.mounts_deg, abs=1e-2)
    if plan.travel is not None:
        assert plan.travel.carriages_m == pytest.approx(carriages, abs=2e-3)
        assert plan.travel.mounts_deg == pytest.approx(mounts, abs=1e-2)


@pytest.mark.parametrize("seed", range(6))
def test_the_problem_of_a_calmer_night_knows_every_set_up_as_it_is_now(seed):
    before = solved(seed)
    after = calmer(before)
    free, late = _exclusions(after.limits, after.table, after.problem.start)
    from_scratch = dataclasses.replace(after.problem, free=free, late=late)
    assert np.array_equal(follows_of(after.problem), follows_of(from_scratch))
    assert after.problem.possible(after.solution.chosen)


def test_a_calibrator_that_two_visits_share_holds_one_offset_and_is_passed_once():
    # Two targets side by side with one calibrator: the second visit is opened by the exposure that closes the
    # first. Its own first step is written down with another offset, which must not survive.
    both = [bright_star(f"target {k}", 165.0 + 6.0 * k, -40.0) for k in range(2)]
    lines = (delay_line("west"), delay_line("east", stroke_m=(0.0, 45.0)), delay_line("middle"))
    scenario = by_hand(
        plain_array([-30.0, 30.0, 0.0], beams=3, delay_lines=lines), *(wish(own) for own in both), slot_s=60
    )
    night = build(scenario.model_copy(update={"calibrators": (bright_star("between", 168.0, -39.0),)}))
    first = next(family for family in night.families if family.request == 0)
    second = next(family for family in night.families if family.request == 1)
    row = next(
        row
        for row in range(len(second.start_tick))
        if second.start_tick[row, 0] <= first.end_tick[0, 2] - 2
        and second.start_tick[row, 1] >= first.end_tick[0, 2] + 6
    )
    visits = [(first, 0), (second, row)]
    assert opens_next(*visits)
    assert list(steps_made(visits)) == [(0, 0), (0, 1), (0, 2), (1, 1), (1, 2)]
    calm = with_least_runs(night.limits, visits, [None, None])
    assert calm[1].offset_m[0, 0] == pytest.approx(calm[0].offset_m[0, 2], abs=1e-9)
    path_m = second.delay_m[row, 0, 0] - second.offset_m[row, 0]
    assert calm[1].delay_m[0, 0, 0] - calm[1].offset_m[0, 0] == pytest.approx(path_m)
    before, after = (movement(night.limits, own).carriages_m for own in (visits, [(own, 0) for own in calm]))
    assert after < before


def test_a_night_that_does_not_ask_for_it_keeps_the_first_plan():
    before = solved(1)
    plan = document(before)
    assert plan.travel.carriages_m == plan.travel.carriages_before_m > 0
    assert plan.travel.mounts_deg == plan.travel.mounts_before_deg > 0


# Every tour.


def every_tour(night, kept, task, tasks):
    """Every way to serve each task once, in the order of the starts."""
    problem = night.problem
    follows = {(a, b): problem.follows(a, b) for a in kept.tolist() for b in kept.tolist() if a != b}
    place = dict(zip(kept.tolist(), task.tolist(), strict=True))

    def on(path, left):
        if not left:
            yield path
        for own in kept.tolist():
            if place[own] in left and all(follows[other, own] for other in path):
                yield from on((*path, own), left - {place[own]})

    yield from on((), frozenset(range(tasks)))


@pytest.mark.parametrize("seed", range(24))
def test_no_tour_of_a_small_night_moves_less_than_the_one_chosen(seed):
    night = smallest(seed)
    before = solved_of(night)
    chosen = before.solution.chosen
    if len(chosen) < 2:
        return
    kept, task = alternatives(night.problem, chosen, False)
    least = min(
        movement(
            night.limits,
            [
                (night.families[night.table.family[c]], int(night.table.row[c]))
                for c in path
                if night.table.family[c] >= 0
            ],
        ).motion_s
        for path in every_tour(night, kept, task, len(chosen))
    )
    tour = least_movement(before, False)
    assert tour.proven
    # Positions are rounded to 0.1 mm and a microdegree.
    assert tour.cost / WEIGHT_PER_S == pytest.approx(least, rel=1e-3, abs=1e-2)
    through = dataclasses.replace(before, solution=dataclasses.replace(before.solution, chosen=tour.visits))
    assert movement_of(through).motion_s == pytest.approx(least, rel=1e-3, abs=1e-2)
    # With free offsets the cost is a lower bound: no offsets of any such plan move less.
    free = least_movement(before, True)
    assert free.cost / WEIGHT_PER_S <= movement_of(calmer(before)).motion_s + 1e-2
