"""Windows against the plans of the same night."""

from __future__ import annotations

import pytest
from astropy.time import Time
from invented import random_scenario
from nights import planned

from planner.feasibility.edges import Keys, StarLimits, holding
from planner.feasibility.lines import pair_keys, rate_keys
from planner.feasibility.nights import followed_star, night_of, target_night
from planner.feasibility.spans import meet_all
from planner.scheduling.routes import Setting
from planner.sky.earth import offline_earth
from planner.sky.earth_curve import seconds_after

pytestmark = pytest.mark.slow

HAIR_S = 0.05


@pytest.mark.parametrize("seed", range(5))
def test_every_science_step_of_a_plan_lies_inside_a_window_of_its_subarray(seed):
    scenario = random_scenario(seed, requests=4, telescopes=4, beams=2 + seed % 2)
    _, plan = planned(scenario)
    night = night_of(scenario)
    names = [request.name for request in scenario.requests]
    assert plan.visits
    for visit in plan.visits:
        followed = followed_star(night, names.index(visit.target))
        science = visit.steps[1]
        placed = night.limits.placement.telescopes
        telescopes = tuple(placed.index(beam.telescope) for beam in science.beams)
        lines = tuple(
            next(k for k, line in enumerate(scenario.array.delay_lines) if line.name == beam.delay_line)
            for beam in science.beams
        )
        of: StarLimits = followed.of
        pairs = pair_keys(scenario.array, followed.combiner, telescopes, Setting(lines))
        rates = rate_keys(scenario.array, telescopes, Setting(lines))
        held = holding(of, Keys(pairs, rates))
        wanted = {None, *telescopes, *pairs, *rates}
        spans = meet_all((own for column, own in held.spans.items() if column.of in wanted), held.length_s)
        dusk = night.curve.dark.start
        with offline_earth():
            start, end = (
                Time(text.removesuffix("Z"), scale="utc") for text in (science.start_utc, science.end_utc)
            )
        first, last = seconds_after(dusk, start), seconds_after(dusk, end)
        assert any(a - HAIR_S <= first and last <= b + HAIR_S for a, b in spans), visit.id


@pytest.mark.parametrize("seed", range(5))
def test_a_request_that_the_plan_serves_is_feasible(seed):
    scenario = random_scenario(seed, requests=4, telescopes=4, beams=2 + seed % 2)
    _, plan = planned(scenario)
    night = night_of(scenario)
    for row, outcome in enumerate(plan.requests):
        answer = target_night(night, row)
        if outcome.visits_planned or outcome.feasible_starts:
            assert answer.serving
            assert answer.exclusion is None
        # And the other way round: what is not feasible has no candidate.
        if answer.exclusion is not None:
            assert outcome.feasible_starts == 0
