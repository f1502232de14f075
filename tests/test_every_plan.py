"""Two hundred small nights: no plan is worth more than the solver's, and the audit passes it."""

from __future__ import annotations

import datetime

import numpy as np
import pytest
from invented import random_scenario
from nights import best_score, build
from wishes import edited

from planner.scenario.night import Window
from planner.scheduling.assemble import night_plan
from planner.scheduling.audit import audit_plan
from planner.scheduling.cpsat import solve_night
from planner.scheduling.solved import SolvedNight

pytestmark = pytest.mark.slow

NIGHTS, TOGETHER = 200, 10
MOST = 64  # candidates whose plans are all tried in a moment


def small_night(seed):
    """Two to five requests of one or two visits, some in windows; slow and fast set-ups; 10 to 20 slots."""
    rng = np.random.default_rng(10_000 + seed)
    scenario = random_scenario(
        seed, requests=int(rng.integers(2, 6)), telescopes=int(rng.integers(3, 5)), beams=2 + seed % 2
    )
    scenario = edited(
        scenario,
        **{
            "line.connect_s": float(rng.choice([0.0, 60.0, 900.0])),
            "line.speed_m_per_s": float(rng.choice([0.02, 0.5])),
            "combiner.science_recording_s": float(rng.choice([480.0, 1500.0])),
        },
    )
    evening = datetime.datetime(2027, 3, 12, tzinfo=datetime.UTC)
    wishes = []
    for wish in scenario.requests:
        hours = sorted(rng.uniform(0.0, 9.0, 2).tolist())
        window = Window(
            start_utc=evening + datetime.timedelta(hours=hours[0]),
            end_utc=evening + datetime.timedelta(hours=hours[1] + 1.5),
        )
        windows = (window,) if rng.random() < 0.4 else ()
        extras = wish.extras.model_copy(update={"windows": windows})
        visits = 1 if len(wishes) > 1 else wish.visits
        wishes.append(wish.model_copy(update={"extras": extras, "visits": visits}))
    offered = {"subarrays_per_request": 1 + seed // 2 % 2, "brackets_per_start": 1 + (seed % 16 == 5)}
    effort = scenario.effort.model_copy(update=offered)
    return scenario.model_copy(update={"requests": tuple(wishes), "effort": effort})


def built(seed):
    """The night on the finest slots that leave few enough candidates to try every plan."""
    scenario = small_night(seed)
    for slot_s in (1800, 3600, 5400, 7200, 10800):
        night = build(edited(scenario, slot_s=slot_s))
        if len(night.problem) <= MOST:
            return night
    raise AssertionError(f"the night of seed {seed} is not small")


@pytest.mark.parametrize("first", range(0, NIGHTS, TOGETHER))
def test_no_plan_of_a_small_night_is_worth_more_than_the_one_chosen(first):
    for seed in range(first, first + TOGETHER):
        night = built(seed)
        solution = solve_night(night.problem, 5.0)
        assert solution.score == best_score(night), seed
        assert solution.status in ("optimal", "empty"), seed
        solved = SolvedNight(night.limits, night.offers, night.problem, night.table, night.families, solution)
        found = audit_plan(night_plan(solved, night.limits.scenario.night.configuration))
        assert found.passed, (seed, [check for check in found.checks if not check.passed])
