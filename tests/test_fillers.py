"""What fits in the place of a visit: by hand, and every candidate again."""

from __future__ import annotations

import numpy as np
import pytest
from invented import random_scenario
from nights import build, planned
from test_rules import KINDS, drawn, told_possible, told_score

from planner.scheduling.cpsat import solve_night
from planner.scheduling.fillers import Standby, fillers
from planner.scheduling.greedy import greedy_plan
from planner.scheduling.problem import NightProblem


def by_hand():
    """A visit of three slots between two others; what else there is takes one slot or two."""
    nothing = np.array([], dtype=int)
    return NightProblem(
        request=np.array([0, 1, 2, 3, 1, 4]),
        visits_max=np.ones(5, dtype=int),
        start=np.array([0, 2, 2, 3, 4, 5]),
        free=np.array([2, 5, 4, 4, 5, 6]),
        late=(nothing,) * 6,
        cells=tuple(np.array([k]) for k in range(6)),
        value=np.array([9, 9, 4, 5, 3, 9]),
    )


# By hand.


def test_the_most_valuable_that_fits_comes_first_and_its_own_request_is_no_filler():
    # The plan is 0, 1, 5. In the place of 1 (slots 2 to 5) fit 3 (worth 5) and 2 (worth 4). Its own
    # request once more in slot 4 (worth 3) would fit too, but whoever could not make it will not try that.
    assert fillers(by_hand(), (0, 1, 5), 1) == (Standby(3, 5), Standby(2, 4))
    assert fillers(by_hand(), (0, 1, 5), 1, most=1) == (Standby(3, 5),)


def test_what_does_not_leave_the_next_visit_its_set_up_is_no_filler():
    long = NightProblem(
        **{
            **vars(by_hand()),
            "late": (*[np.array([], dtype=int)] * 3, np.array([5]), *[np.array([], dtype=int)] * 2),
        }
    )
    assert fillers(long, (0, 1, 5), 1) == (Standby(2, 4),)


def test_what_starts_before_the_lost_visit_is_no_filler():
    # In the place of 1 as above, but 2 starts a slot earlier, before anyone knows that 1 is lost.
    start = np.array([0, 3, 2, 3, 4, 5])
    assert fillers(NightProblem(**{**vars(by_hand()), "start": start}), (0, 1, 5), 1) == (Standby(3, 5),)


# Every candidate again.


def told_fillers(problem, plan, lost):
    """Try every candidate in the place of a visit; {request: (gain, -start, -number)} of the best of each."""
    place = plan.index(lost)
    others = plan[:place] + plan[place + 1 :]
    alone, best = told_score(problem, others), {}
    for c in range(len(problem)):
        tried = (*plan[:place], c, *plan[place + 1 :])
        in_time = sorted(tried, key=lambda own: (problem.start[own], own)) == list(tried)
        unfit = problem.request[c] == problem.request[lost] or problem.start[c] < problem.start[lost]
        if (
            c in plan
            or unfit
            or not in_time
            or not len(problem.cells[c])
            or not told_possible(problem, tried)
        ):
            continue
        gain = told_score(problem, tried) - alone
        r = int(problem.request[c])
        if gain > 0:
            best[r] = max(best.get(r, (0, 0, 0)), (gain, -int(problem.start[c]), -c))
    return best


@pytest.mark.parametrize("kinds", KINDS)
def test_fillers_are_the_best_of_all_that_fit(kinds):
    for seed in range(12):
        problem = drawn(seed, kinds)
        plan = greedy_plan(problem)
        for lost in plan:
            told = sorted(told_fillers(problem, plan, lost).values(), reverse=True)[:3]
            found = [
                (own.gain, -int(problem.start[own.candidate]), -own.candidate)
                for own in fillers(problem, plan, lost)
            ]
            assert found == told, (seed, lost)


@pytest.mark.parametrize("seed", [1, 3])
def test_the_plan_tells_fillers_that_start_no_earlier_than_it_and_end_before_the_next(seed):
    scenario = random_scenario(seed, requests=22, telescopes=4, beams=2)
    once = tuple(own.model_copy(update={"visits": 1}) for own in scenario.requests)
    _, plan = planned(scenario.model_copy(update={"requests": once}))
    assert len(plan.visits) > 3
    assert any(visit.fillers for visit in plan.visits)
    for number, visit in enumerate(plan.visits):
        gains = [own.value for own in visit.fillers]
        assert gains == sorted(gains, reverse=True)
        assert len({own.target for own in visit.fillers}) == len(visit.fillers) <= 3
        for own in visit.fillers:
            assert own.value > 0
            assert own.target != visit.target
            assert own.start_utc >= visit.steps[0].start_utc
            if number + 1 < len(plan.visits):
                assert own.end_utc < plan.visits[number + 1].steps[0].start_utc


def test_a_filler_never_gains_what_an_optimal_plan_would_have_had():
    night = build(random_scenario(2, requests=8, telescopes=4, beams=2))
    found = solve_night(night.problem, 20.0)
    assert found.status == "optimal"
    for lost in found.chosen:
        others = [own for own in found.chosen if own != lost]
        gains = [own.gain for own in fillers(night.problem, found.chosen, lost)]
        assert max(gains, default=0) <= found.score - night.problem.score(others)
