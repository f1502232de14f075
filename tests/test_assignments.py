"""Ways to lead the light that are offered, and what a night says of a target as feasibility does."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from invented import delay_line, random_scenario
from light_nights import lit_scenario
from nights import build, planned
from wild_nights import wild_scenario

from planner.feasibility.nights import followed_star, night_of, served_by
from planner.scenario.night import Effort
from planner.scheduling import candidates
from planner.scheduling.audit import audit_plan
from planner.scheduling.candidates import families_of
from planner.scheduling.cpsat import solve_night
from planner.scheduling.routes import alike_settings, count_alike, settings_without_segments
from planner.sky.earth import offline_earth

pytestmark = pytest.mark.slow

# By hand: beams on lines of different reach. ----------------------------------------------------------------

EVERYTHING = {
    "subarrays_per_request": 50,
    "calibrators_per_request": 10,
    "brackets_per_start": 20,
    "assignments_per_start": 1000,
}


def with_lines(scenario, lines, **effort):
    """The scenario with other delay lines and another effort."""
    array = scenario.array.model_copy(update={"delay_lines": tuple(lines)})
    return scenario.model_copy(
        update={"array": array, "effort": scenario.effort.model_copy(update={"deterministic": 20.0} | effort)}
    )


def test_lines_of_one_kind_are_handed_out_in_every_way_once_the_first_one_first():
    # Two beams on three equal lines and one longer: six ways on equal ones, three with the longer under
    # either beam.
    scenario = random_scenario(3, requests=1, telescopes=2)
    lines = [delay_line(f"D{k}") for k in range(3)] + [delay_line("long", stroke_m=(0.0, 200.0))]
    night = build(with_lines(scenario, lines))
    array, placement = night.limits.scenario.array, night.limits.placement
    found = settings_without_segments(array, placement, array.combiners[0], (0, 1))
    assert sorted(count_alike(array, own) for own in found) == [3, 3, 6]
    every = [list(alike_settings(array, placement, (0, 1), own)) for own in found]
    assert [own[0] for own in every] == found
    assert [len(own) for own in every] == [count_alike(array, own) for own in found]
    assert sorted(own.lines for own in itertools.chain(*every)) == sorted(itertools.permutations(range(4), 2))


def test_a_start_that_only_other_lines_allow_is_offered_without_being_asked_for():
    # A long and a short line: which beam is on the long one decides about the half of the night.
    found = 0
    for seed in range(6):
        scenario = random_scenario(seed, requests=2, telescopes=2)
        lines = [delay_line("D0", stroke_m=(0.0, 20.0)), delay_line("D1", stroke_m=(30.0, 70.0))]
        limited, whole = (
            build(with_lines(scenario, lines, calibrators_per_request=2, brackets_per_start=20, **more))
            for more in ({}, {"assignments_per_start": 2})
        )
        for few, all_ways in zip(limited.offers, whole.offers, strict=True):
            starts, every = (
                {int(t) for own in offer.families for t in own.start_tick[:, 0]} for offer in (few, all_ways)
            )
            assert starts == every
            assert all_ways.assignments == few.assignments <= 2
            assert all_ways.assignments_offered <= all_ways.assignments
            found += few.assignments_offered == 2
    assert found > 1


def test_the_plan_says_how_many_ways_there_are_and_how_many_were_offered():
    scenario = random_scenario(1, requests=3, telescopes=3)
    lines = [delay_line(f"D{k}") for k in range(4)]
    _, plan = planned(with_lines(scenario, lines, subarrays_per_request=1))
    _, whole = planned(with_lines(scenario, lines, subarrays_per_request=1, assignments_per_start=12))
    for few, every in zip(plan.requests, whole.requests, strict=True):
        # Two beams on four equal lines: twelve ways, all of them open at the same times.
        if every.feasible_starts:
            assert (few.assignments, few.assignments_offered, few.subarrays_offered) == (12, 1, 1)
            assert (every.assignments, every.assignments_offered, every.subarrays_offered) == (12, 12, 1)
            assert every.feasible_starts == few.feasible_starts
    assert any(own.feasible_starts for own in whole.requests)
    assert audit_plan(whole).passed


# Laws. ------------------------------------------------------------------------------------------------------


def crowded(seed, **effort):
    """Seven requests with one calibrator each on three lines, one of which is slow to be connected."""
    rng = np.random.default_rng(1000 + seed)
    scenario = random_scenario(seed, requests=7, telescopes=3, slot_s=3600)
    lines = [
        delay_line(
            f"D{k}", stroke_m=(0.0, float(rng.choice([25.0, 40.0, 70.0]))),
            connect_s=float(rng.choice([50.0, 2400.0])),
        )
        for k in range(3)
    ]  # fmt: skip
    calibrators = scenario.calibrators[::2]
    return with_lines(scenario.model_copy(update={"calibrators": calibrators}), lines, **effort)


def without(scenario, line, station):
    """The scenario with a line that no longer takes the light of a station."""
    lines = list(scenario.array.delay_lines)
    names = lines[line].stations or tuple(own.name for own in scenario.array.stations)
    lines[line] = lines[line].model_copy(update={"stations": tuple(n for n in names if n != station)})
    return with_lines(scenario, lines)


def optimum(scenario):
    """Score of a night that is proven."""
    found = solve_night(build(scenario).problem, 20.0)
    assert found.score == found.bound
    return found.score


@pytest.mark.parametrize("seed", range(4))
def test_where_all_is_offered_a_line_less_never_adds_and_a_line_more_never_takes(seed):
    # The law holds where nothing is cut: every subarray, calibrator, bracket and way to lead the light.
    scenario = crowded(seed, **EVERYTHING)
    rng = np.random.default_rng(seed)
    less = without(scenario, int(rng.integers(3)), f"P{int(rng.integers(3))}")
    more = with_lines(scenario, [*scenario.array.delay_lines, delay_line("D3", stroke_m=(5.0, 50.0))])
    assert optimum(less) <= optimum(scenario) <= optimum(more)


def test_what_a_cut_offer_misses_the_key_gives():
    # Found among random nights: with one way at each start a line that is forbidden made the plan better.
    gain = [
        (
            optimum(crowded(seed, **EVERYTHING)),
            optimum(crowded(seed, **EVERYTHING | {"assignments_per_start": 1})),
        )
        for seed in (10, 14, 17)
    ]
    assert all(whole >= few for whole, few in gain)
    assert any(whole > few for whole, few in gain)


# Two answers. -----------------------------------------------------------------------------------------------


def scenarios():
    """Nights with windows, phases, skylines, light paths, two stars, reserved time; few of each cut short."""
    for seed in range(12):
        scenario = wild_scenario(seed)
        target = scenario.requests[0].star
        places = [(target.ra_deg + 2.0, 0.98 * target.dec_deg), (target.ra_deg - 3.0, 0.95 * target.dec_deg)]
        beside = tuple(
            target.model_copy(
                update={"name": f"C{k}", "ra_deg": ra % 360.0, "dec_deg": dec, "diameter_mas": 0.3}
            )
            for k, (ra, dec) in enumerate(places)
        )
        yield f"wild {seed}", scenario.model_copy(update={"calibrators": beside})
    for seed in range(3):
        yield f"lit {seed}", lit_scenario(seed)
    for seed in range(6):
        scenario = random_scenario(seed, requests=4, telescopes=4, beams=2)
        lines = [delay_line(f"D{k}", stroke_m=(0.0, 30.0 + 15.0 * k)) for k in range(4)]
        # Calibrators that the longest baselines, which reach most, resolve.
        large = tuple(own.model_copy(update={"diameter_mas": 3.0}) for own in scenario.calibrators)
        yield f"resolved {seed}", with_lines(scenario.model_copy(update={"calibrators": large}), lines)


@pytest.mark.parametrize(("name", "scenario"), [pytest.param(*own, id=own[0]) for own in scenarios()])
def test_a_night_has_a_visit_to_offer_exactly_where_feasibility_finds_one(name, scenario):
    small = Effort(
        deterministic=1.0, subarrays_per_request=1, calibrators_per_request=1, brackets_per_start=1
    )
    scenario = scenario.model_copy(update={"effort": small})
    with offline_earth():
        night = build(scenario)
        answer = night_of(scenario)
        for number, offer in enumerate(night.offers):
            found = served_by(answer, number, followed_star(answer, number))
            assert bool(offer.families) == any(len(starts) for _, _, starts in found), f"request {number}"


@pytest.mark.parametrize(("limit", "tries"), [({"bracket_distance_max_deg": 1e-6}, 0), ({}, 2)])
def test_a_no_is_said_without_trying_every_way_to_lead_the_light(limit, tries, monkeypatch):
    # No calibrator within reach; or steps on calibrators that are longer than the night.
    scenario = random_scenario(2, requests=2, telescopes=4, beams=3)
    lines = [delay_line(f"D{k}", stroke_m=(0.0, 80.0 + 5.0 * k)) for k in range(4)]
    long = scenario.array.combiners[0].model_copy(update={"calibrator_recording_s": 40_000.0})
    array = scenario.array.model_copy(update={"combiners": (long,)})
    limits = scenario.limits.model_copy(update=limit)
    calls = []

    def counted(night, request, facts):
        calls.append((request, facts.subarray.telescopes))
        return families_of(night, request, facts)

    monkeypatch.setattr(candidates, "families_of", counted)
    night = build(with_lines(scenario.model_copy(update={"array": array, "limits": limits}), lines))
    assert not len(night.problem)
    assert any(len(offer.subarrays) > 1 for offer in night.offers)
    tried = {(offer.request, own.telescopes) for offer in night.offers for own in offer.subarrays}
    assert all(calls.count(one) == tries for one in tried)
