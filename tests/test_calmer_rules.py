"""The second stage on nights with rules: gaps, orders, budgets, shares, shared calibrators."""

from __future__ import annotations

import functools

import numpy as np
import pytest
from invented import delay_line, random_scenario
from light_nights import bright_star, by_hand, plain_array, wish
from nights import build
from test_calmer import document, solved_of

from planner.scenario.programs import GoodPlan, Program
from planner.scheduling.audit import audit_plan
from planner.scheduling.calmer import calmer, movement_of, set_up_in_time
from planner.scheduling.solved import with_shared_steps

pytestmark = pytest.mark.slow


def ruled(seed):
    """Two programs of five requests: one twice with a gap, one after it, one only with it."""
    scenario = random_scenario(seed, requests=5, telescopes=3, beams=2, slot_s=1800)
    names = [own.name for own in scenario.requests]
    terms = {
        0: ({"gap_min_h": 1.0}, 2),
        1: ({"after": names[0]}, 1),
        2: ({"only_with": names[0]}, 1),
        3: ({"cell_values": (3, 1), "cells_goal": 5}, 2),
    }
    requests = list(scenario.requests)
    for number, (extras, visits) in terms.items():
        own = requests[number]
        changed = {"extras": own.extras.model_copy(update=extras), "visits": visits}
        requests[number] = own.model_copy(update=changed)
    programs = (
        Program(name="first", targets=tuple(names[:3]), hours_max=3.5),
        Program(name="second", targets=tuple(names[3:]), share=2),
    )
    good = GoodPlan(fairness=0.3, irreplaceable_early=seed % 2 == 1)
    return scenario.model_copy(update={"requests": tuple(requests), "programs": programs, "plan": good})


@functools.cache
def sharing():
    """Six targets around one calibrator, and little time: visits hand it on."""
    lines = (delay_line("west"), delay_line("east", stroke_m=(0.0, 45.0)), delay_line("middle"))
    around = [(167.0, -41.0), (169.0, -37.0), (168.0, -42.0), (166.5, -38.0), (169.5, -40.0), (168.0, -36.5)]
    wishes = [
        wish(bright_star(f"target {k}", *place), hour_angle_range_h=(-1.0, 1.0))
        for k, place in enumerate(around)
    ]
    scenario = by_hand(plain_array([-30.0, 30.0, 0.0], beams=3, delay_lines=lines), *wishes, slot_s=300)
    update = {
        "calibrators": (bright_star("between", 168.0, -39.0),),
        "plan": GoodPlan(share_calibrators=True),
    }
    return solved_of(build(scenario.model_copy(update=update)), 4.0)


def judged(before):
    after = calmer(before)
    assert after.solution.score >= before.solution.score
    assert after.problem.possible(after.solution.chosen)
    assert set_up_in_time(after)
    assert movement_of(after).motion_s <= movement_of(with_shared_steps(before)).motion_s + 1e-6
    plan = document(after)
    found = audit_plan(plan)
    assert found.passed, [check for check in found.checks if not check.passed]
    return after, plan


@pytest.mark.parametrize("seed", range(8))
def test_rules_are_kept_by_a_calmer_plan(seed):
    before = solved_of(build(ruled(seed)))
    assert not before.problem.rules.plain
    after, _ = judged(before)
    problem = before.problem

    def visits(night, number):
        mine = [c for c in night.visits if problem.request[c] == number]
        return [(int(problem.start[c]), problem.cells[c].tolist()) for c in mine]

    for number in range(5):
        first = visits(before, number)
        assert len(visits(after, number)) == len(first)
        if len(first) > 1:
            assert visits(after, number) == first


def test_a_shared_calibrator_keeps_one_offset_and_the_order_of_the_visits_stays():
    before = sharing()
    assert before.giver
    after, plan = judged(before)
    assert after.solution.chosen == before.solution.chosen
    assert after.giver == before.giver
    for earlier, later in zip(plan.visits, plan.visits[1:], strict=False):
        if later.steps[0].shared:
            assert later.steps[0].common_offset_m == earlier.steps[2].common_offset_m
            assert later.steps[0].beams == earlier.steps[2].beams
    assert plan.travel.carriages_m < plan.travel.carriages_before_m


@pytest.mark.parametrize("seed", [1, 3, 5])
def test_what_was_put_early_does_not_move_later(seed):
    before = solved_of(build(ruled(seed)))
    after = calmer(before)
    request, start = before.problem.request, before.problem.start

    def starts(night):
        return {r: np.sort(start[[c for c in night.visits if request[c] == r]]) for r in range(5)}

    early, kept = starts(before), starts(after)
    assert all(np.all(kept[r] <= early[r]) for r in range(5))
