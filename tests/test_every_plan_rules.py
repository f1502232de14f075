"""Small nights with every rule and shared calibrators: no plan is worth more, and the audit passes it."""

from __future__ import annotations

import datetime
import itertools

import numpy as np
import pytest
from invented import random_array, request, star
from nights import build
from told_rules import every_plan, told_possible, told_score
from wishes import edited

from planner.scenario.night import Effort, Limits, NightSettings, RequestExtras, Window
from planner.scenario.programs import FrequencyWeight, GoodPlan, Program
from planner.scenario.targets import Scenario
from planner.scheduling.assemble import night_plan
from planner.scheduling.audit import audit_plan
from planner.scheduling.cpsat import solve_night
from planner.scheduling.solved import SolvedNight

pytestmark = pytest.mark.slow

EVENING = datetime.datetime(2027, 3, 12, 1, 0, tzinfo=datetime.UTC)
MOST = 46  # candidates whose plans are all tried in a moment


def close_night(seed):
    """Three stars within some degrees that share a calibrator, a few hours, and rules at random."""
    rng = np.random.default_rng(40_000 + seed)
    array = random_array(rng, telescopes=3, beams=2, spread_m=40.0)
    combiner = array.combiners[0].model_copy(
        update={"science_recording_s": 420.0, "calibrator_recording_s": float(rng.choice([180.0, 420.0]))}
    )
    array = array.model_copy(update={"combiners": (combiner,)})
    ra, dec = float(rng.uniform(130, 170)), float(rng.uniform(-40, -10))
    window = Window(
        start_utc=EVENING, end_utc=EVENING + datetime.timedelta(hours=float(rng.uniform(1.2, 2.2)))
    )
    names = ["one", "two", "three"]
    requests = []
    for number, name in enumerate(names):
        own = star(name, ra + float(rng.uniform(-2, 2)), dec + float(rng.uniform(-2, 2)))
        visits = int(rng.integers(1, 4))
        extras = RequestExtras(
            target=name,
            windows=(window,),
            gap_min_h=float(rng.choice([0.0, 0.0, 0.4])),
            all_or_nothing=bool(rng.random() < 0.3),
            after="one" if number == 1 and rng.random() < 0.4 else None,
            only_with="two" if number == 2 and rng.random() < 0.4 else None,
            cell_values=((1,), (3, 1), (4, 2, 1))[int(rng.integers(0, 3))],
            cells_floor=int(rng.choice([0, 0, 3])),
            cells_goal=int(rng.integers(3, 7)) if rng.random() < 0.3 else None,
            frequency_weights=(FrequencyWeight(from_mega_lambda=8.0, to_mega_lambda=99.0, weight=3),)
            if rng.random() < 0.3
            else (),
        )
        wish = request(own, combiner.name, priority=int(rng.integers(1, 4)), visits=visits, extras=extras)
        requests.append(wish)
    programs = (
        Program(name="a", targets=("one", "three"), hours_max=0.9 if rng.random() < 0.5 else None, share=2),
        Program(name="b", targets=("two",)),
    )
    return Scenario(
        name="close",
        title="close",
        array=array,
        night=NightSettings(date=datetime.date(2027, 3, 11), configuration="as built", slot_s=300),
        limits=Limits(),
        effort=Effort(
            deterministic=5.0, subarrays_per_request=1, calibrators_per_request=1, brackets_per_start=1
        ),
        requests=tuple(requests),
        calibrators=(star("c", ra, dec + 1.0, diameter_mas=0.2),),
        programs=programs if rng.random() < 0.6 else (),
        plan=GoodPlan(share_calibrators=seed % 4 != 3, fairness=float(rng.choice([0.0, 0.5, 1.0]))),
    )


def built(seed):
    for slot_s in (300, 420, 600, 900, 1200):
        night = build(edited(close_night(seed), slot_s=slot_s))
        if len(night.problem) <= MOST:
            return night
    raise AssertionError(f"the night of seed {seed} is not small")


def slow_shares(night, earlier, later):
    """Whether one exposure can close one visit and open the other, device by device."""
    table, tick_s = night.table, night.limits.sky.tick_s
    a, b = (night.families[table.family[c]] for c in (earlier, later))
    i, j = int(table.row[earlier]), int(table.row[later])
    if a.facts.subarray != b.facts.subarray or a.calibrators[1] != b.calibrators[0]:
        return False
    inside = night.limits.scenario.requests[b.request].extras.windows[0]
    shared = night.limits.sky.times[a.start_tick[i, 2]].to_datetime(timezone=datetime.UTC)
    if shared < inside.start_utc - datetime.timedelta(milliseconds=1):
        return False
    gap_h = night.limits.scenario.requests[b.request].extras.gap_min_h
    if gap_h > 0 and a.start_tick[i, 2] < b.start_tick[j, 0]:
        return False
    needed = 0.0
    for own, line, before, after in zip(
        b.facts.classes, b.facts.lines, a.delay_m[i, 2, 1], b.delay_m[j, 1, 0], strict=True
    ):
        run = abs(after - before)
        needed = max(
            needed, run / line.path_per_travel / line.speed_m_per_s + line.settle_s if run > 1e-4 else 0.0
        )
        for angles, speed, settle in (
            ("azimuth_deg", own.azimuth_speed_deg_per_s, own.azimuth_settle_s),
            ("altitude_deg", own.altitude_speed_deg_per_s, own.altitude_settle_s),
        ):
            turn = abs(getattr(b, angles)[j, 1, 0] - getattr(a, angles)[i, 2, 1])
            needed = max(needed, turn / speed + settle if turn > 1 / 3600 else 0.0)
    gap_s = (int(b.start_tick[j, 1]) - int(a.end_tick[i, 2])) * tick_s
    return gap_s >= np.ceil((needed + b.facts.capture_s) / tick_s - 1e-6) * tick_s


@pytest.mark.parametrize("first", range(0, 36, 6))
def test_no_plan_of_a_night_with_rules_is_worth_more_than_the_one_chosen(first):
    shared = 0
    for seed in range(first, first + 6):
        night = built(seed)
        problem = night.problem
        best = max(told_score(problem, chosen) for chosen in every_plan(problem))
        found = solve_night(problem, 5.0)
        assert told_possible(problem, found.chosen), seed
        assert found.score == told_score(problem, found.chosen) == best, seed
        assert found.status in ("optimal", "empty"), seed
        solved = SolvedNight(night.limits, night.offers, problem, night.table, night.families, found)
        plan = night_plan(solved, "as built")
        audit = audit_plan(plan)
        assert audit.passed, (seed, [check for check in audit.checks if not check.passed])
        shared += sum(step.shared for visit in plan.visits for step in visit.steps)
    assert shared > 0


@pytest.mark.parametrize("seed", [0, 1, 2, 4, 5, 6])
def test_visits_share_an_exposure_wherever_it_serves_both_and_only_there(seed):
    night = built(seed)
    problem, rules = night.problem, night.problem.rules
    found = {(int(c), d) for d, own in enumerate(rules.givers) for c in own}
    gaps = bool(len(rules.again))
    for c, d in itertools.combinations(range(len(problem)), 2):
        own = problem.start[d] >= problem.free[c] and d not in problem.late[c]
        mine = int(problem.request[c]), int(problem.request[d])
        apart = mine in rules.after or mine[::-1] in rules.after
        apart |= gaps and mine[0] == mine[1] and rules.again[c] > 0
        shares = problem.start[c] < problem.start[d] and slow_shares(night, c, d) and not own and not apart
        assert ((c, d) in found) == bool(shares), (c, d)
