"""What a plan keeps when stretches of the night are lost: by hand, as laws, and every night again."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from light_nights import bright_star, plain_array, wish
from light_nights import by_hand as night_by_hand
from nights import build, planned
from test_rules import KINDS, drawn, every_plan, told_score

from planner.scenario.programs import GoodPlan
from planner.scheduling.cpsat import solve_night
from planner.scheduling.greedy import greedy_plan
from planner.scheduling.lost_time import NIGHTS, kept_scores, stretches_lost, stretches_met
from planner.scheduling.problem import NightProblem
from planner.scheduling.rules import Rules
from planner.scheduling.solved import SolvedNight


def two_visits(**changes):
    """Two visits of different requests: the first worth 10, the second worth 30."""
    values = {
        "request": np.array([0, 1]),
        "visits_max": np.array([1, 1]),
        "start": np.array([0, 3]),
        "free": np.array([2, 5]),
        "late": (np.array([], dtype=int), np.array([], dtype=int)),
        "cells": (np.array([0]), np.array([1, 2])),
        "value": np.array([10, 15, 15]),
    }
    return NightProblem(**(values | changes))


MET = np.array([[True, True, False, False], [False, False, True, True]])


# By hand.


def test_each_visit_is_kept_with_the_chance_that_none_of_its_stretches_is_lost():
    # Two stretches each, each lost with 0.3: both visits survive with 0.7^2 = 0.49, so 40 x 0.49 = 19.6 is
    # kept on average. Worth in a night is 10 a + 30 b with variances 0.49 x 0.51: one night's standard
    # deviation is sqrt(0.2499 x (100 + 900)) = 15.8, that of the mean of 10,000 is 0.158; five of those.
    kept = kept_scores(two_visits(), (0, 1), stretches_lost(4, 0.3), MET)
    assert len(kept) == NIGHTS == 10_000
    assert kept.mean() == pytest.approx(19.6, abs=0.8)
    assert set(kept.tolist()) == {0, 10, 30, 40}


def test_what_needs_a_lost_visit_is_worth_nothing():
    # The second needs the first: only the first alone (10), both (40) or nothing is left.
    problem = two_visits(rules=Rules(needs=((1, 0),)))
    kept = kept_scores(problem, (0, 1), stretches_lost(4, 0.3), MET)
    assert set(kept.tolist()) == {0, 10, 40}


def test_all_or_nothing_loses_everything_with_one_visit():
    problem = two_visits(
        request=np.array([0, 0]), visits_max=np.array([2]), rules=Rules(whole=frozenset({0}))
    )
    kept = kept_scores(problem, (0, 1), stretches_lost(4, 0.3), MET)
    assert set(kept.tolist()) == {0, 40}


# Laws.


def test_nothing_is_lost_without_chance_and_everything_with_certainty():
    problem = two_visits()
    assert kept_scores(problem, (0, 1), stretches_lost(4, 0.0), MET).tolist() == [40] * NIGHTS
    assert kept_scores(problem, (0, 1), stretches_lost(4, 1.0), MET).tolist() == [0] * NIGHTS


@settings(max_examples=40)
@given(st.floats(0, 1), st.floats(0, 1))
def test_more_chance_never_keeps_more_in_any_night(one, other):
    low, high = sorted((one, other))
    problem = two_visits()
    kept = [kept_scores(problem, (0, 1), stretches_lost(4, p, 300), MET) for p in (low, high)]
    assert np.all(kept[1] <= kept[0])


# Every night again.


@pytest.mark.parametrize("kinds", KINDS)
def test_what_is_kept_is_what_is_left_of_the_plan(kinds):
    rng = np.random.default_rng(3)
    for seed in range(3):
        problem = drawn(seed, kinds)
        plan = greedy_plan(problem)
        if not plan:
            continue
        met = rng.random((len(plan), 5)) < 0.4
        lost = stretches_lost(5, 0.4, 80)
        possible = {tuple(sorted(own)) for own in every_plan(problem)}
        for night, score in zip(lost, kept_scores(problem, plan, lost, met), strict=True):
            left = {own for own, stretches in zip(plan, met, strict=True) if not np.any(stretches & night)}
            # The largest part of what is left that still is a plan: only needs can take more away.
            parts = [own for own in possible if set(own) <= left]
            most = max(parts, key=len)
            assert all(set(own) <= set(most) for own in parts)
            assert score == told_score(problem, most)


def test_a_planned_night_tells_what_it_keeps():
    scenario = night_by_hand(plain_array([0, 20, 40]), slot_s=300)
    for minutes in (10.0, 45.0):
        own = scenario.model_copy(update={"plan": GoodPlan(lost_probability=0.5, lost_stretch_min=minutes)})
        _, plan = planned(own)
        told, score = plan.lost_time, plan.solver.score
        assert (told.probability, told.stretch_min, told.nights) == (0.5, minutes, NIGHTS)
        assert 0 <= told.score_tenth <= told.score_mean <= score
        # One request of one visit: its chance is that of the stretches between its capture (three ticks
        # before its first record) and its end, counted here from the plan's own times.
        assert len(plan.visits) == 1
        dark = np.datetime64(plan.night.start_utc[:-1])
        ends = [plan.visits[0].steps[0].start_utc, plan.visits[0].steps[-1].end_utc]
        start, end = ((np.datetime64(own[:-1]) - dark) / np.timedelta64(1, "m") for own in ends)
        count = int(np.ceil(end / minutes)) - int(np.floor((start - 1.5) / minutes))
        # One night in two: the standard deviation of the mean is below score / 2 / 100.
        assert told.score_mean == pytest.approx(score * 0.5**count, abs=0.025 * score)


def test_the_capture_of_the_first_star_needs_the_sky_too_and_the_last_stretch_is_a_short_one():
    scenario = night_by_hand(plain_array([0, 20, 40]), slot_s=300)
    night = build(scenario)
    solution = solve_night(night.problem, 2.0)
    solved = SolvedNight(night.limits, night.offers, night.problem, night.table, night.families, solution)
    dark = night.limits.sky.dark
    dark_min = float((dark.end - dark.start).to_value("sec")) / 60.0
    first = night.limits.sky.times[int(night.table.start_tick[solution.chosen[0]])]
    start_min = float((first - dark.start).to_value("sec")) / 60.0
    # 40 s of acquisition and 50 s of fringe search before the first record: from 1.5 min before it on. An
    # edge 0.75 min before it cuts that, an edge 2 min before it does not.
    assert start_min > 10.0
    for before, earlier in ((0.75, True), (2.0, False)):
        length = start_min - before
        own = scenario.model_copy(update={"plan": GoodPlan(lost_stretch_min=length)})
        met = stretches_met(replace(solved, limits=replace(night.limits, scenario=own)))
        assert met.shape == (1, int(np.ceil(dark_min / length)))
        assert met[0].tolist()[:2] == [earlier, True]
    # Of two stretches that do not divide the night the second is short, and the visit may lie in it.
    own = scenario.model_copy(update={"plan": GoodPlan(lost_stretch_min=dark_min - 1.0)})
    assert stretches_met(replace(solved, limits=replace(night.limits, scenario=own))).shape == (1, 2)


def test_a_night_without_visits_has_nothing_to_lose():
    below_the_horizon = wish(bright_star("a", dec_deg=80.0))
    scenario = night_by_hand(plain_array([0, 20]), below_the_horizon, slot_s=300)
    assert planned(scenario)[1].lost_time is None
