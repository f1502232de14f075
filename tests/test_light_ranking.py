"""Rankings on arrays with a whole light path: bits against a plain recount, and a question asked in full."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from invented import DATE
from light_nights import lit_scenario
from test_light_windows import Second, ways_of
from wishes import edited

from planner.constraints.horizon import altitude_lower, altitude_upper, azimuth_drive, skyline
from planner.constraints.shadowing import hidden_by, rays_of
from planner.ranking.moments import Moments, moments_of
from planner.ranking.questions import RankQuestion, ranking_of
from planner.ranking.seats import seating, seats_of, subarrays_of, telescopes_for
from planner.ranking.usable import line_choices_of, runs_of, usable_bits
from planner.ranking.worth import step_slots, worth_of
from planner.scenario.array import Configuration
from planner.scenario.targets import Scenario
from planner.sky.earth import offline_earth


def movable(scenario: Scenario) -> Scenario:
    """The same pads, with the second and third telescope movable."""
    array = scenario.array
    moves = ("T1", "T2")
    telescopes = tuple(
        own.model_copy(update={"station": None, "movable": True}) if own.name in moves else own
        for own in array.telescopes
    )
    placement = {own.name: own.station for own in array.telescopes if own.name in moves}
    changes = {
        "telescopes": telescopes,
        "configurations": (Configuration(name="as built", placement=placement),),
    }
    return scenario.model_copy(update={"array": array.model_copy(update=changes)})


def mounted(scenario: Scenario, seats, moments: Moments, chosen: list[int], row: int) -> np.ndarray:
    """Where altitude, skyline, drives and shadows let all of these seats be used, (slot,)."""
    sky, placement, site = moments.sky, moments.placement, scenario.array.site
    good = np.ones(moments.slots, dtype=bool)
    for verdict in (
        altitude_lower(sky, placement),
        altitude_upper(sky, placement),
        skyline(sky, placement, site.horizon_deg),
        azimuth_drive(sky, placement, site.latitude_deg),
    ):
        good &= (verdict.margin[row][:, chosen] >= 0).all(axis=-1)
    fixed = [k for k, seat in enumerate(seats) if seat.telescope is not None]
    for own in chosen:
        for other in [None, *(k for k in chosen if seats[k].telescope is None and k != own)]:
            there = [*fixed, *([] if other is None else [other])]
            apart = [k for k in there if seats[k].station != seats[own].station]
            hidden = hidden_by(rays_of(sky), placement, own, apart).reshape(len(sky.stars), -1)[row]
            good &= hidden <= placement.classes[own].obstruction_max
    return good


def recounted(scenario: Scenario, seats, moments: Moments, chosen: list[int], row: int) -> np.ndarray:
    """One subarray and one request, slot by slot, over every way to lead the light."""
    wish, array = scenario.requests[row], scenario.array
    sky = moments.sky
    second = Second(scenario, wish, sky.direction[row], sky.frame.rotation, sky.times)
    dual = wish.extras.second_star is not None
    own = [seats[k] for k in chosen]
    where = tuple(seat.station for seat in own)
    if dual and any(array.station(name).inlet_beams != 2 for name in where):
        return np.zeros(moments.slots, dtype=bool)
    who = telescopes_for(array, own, "as built")
    common = [mounted(scenario, seats, moments, chosen, row)]
    common += [np.full(moments.slots, kept) for kept in second.seen(who).values()]
    # Whose time is reserved is known of a fixed telescope only: which movable one will stand there is open.
    common.append(second.reserved(tuple(seat.telescope or "" for seat in own)))
    common += second.of_pair_of_stars(where).values()
    tracked = second.tracked(who, where)
    if tracked is not None:
        common.append(tracked)
    path, known = second.path_m(where), {}
    some = np.zeros(moments.slots, dtype=bool)
    for way in ways_of(array, second.combiner, who, where, dual):
        some |= np.all(list(second.led(way, path, known).values()), axis=0)
    return some & np.all(common, axis=0)


@pytest.mark.parametrize(("seed", "moved"), [(0, False), (3, False), (6, True), (1, True), (2, True)])
def test_bits_say_what_a_plain_recount_says_for_every_subarray_request_and_slot(seed, moved):
    scenario = lit_scenario(seed)
    scenario = movable(scenario) if moved else scenario
    with offline_earth():
        seats = seats_of(scenario.array)
        asked = range(len(scenario.requests))
        moments = moments_of(scenario, DATE, seats, seating(scenario.array, seats), asked)
        opens = 0
        for row, wish in enumerate(scenario.requests):
            light, dual = scenario.combiner_of(wish), wish.extras.second_star is not None
            members = subarrays_of(scenario.array, seats, light.beams, False)
            choices = line_choices_of(scenario.array, seats, members, light, dual)
            bits = usable_bits(moments, light, np.array([row]), members, choices)[:, 0]
            found = np.unpackbits(bits, axis=-1, count=moments.slots).astype(bool)
            for number, chosen in enumerate(members.tolist()):
                slow = recounted(scenario, seats, moments, chosen, row)
                assert np.array_equal(found[number], slow), (seed, row, [seats[k] for k in chosen])
            opens += np.count_nonzero(found)
    assert opens > 100


def test_the_exchange_of_two_stars_is_part_of_their_step():
    # By hand: 480 s of recording, 30 s of overhead and 90 s to exchange are two slots of 300 s;
    # 100 s need a third.
    scenario = lit_scenario(3, requests=1)
    wish = scenario.requests[0]
    assert wish.extras.second_star.swap
    assert step_slots(scenario, wish) == 2
    slow = scenario.array.dual_feed.model_copy(update={"swap_s": 100.0})
    longer = scenario.model_copy(update={"array": scenario.array.model_copy(update={"dual_feed": slow})})
    assert step_slots(longer, wish) == 3
    still = wish.extras.second_star.model_copy(update={"swap": False})
    assert step_slots(longer, edited(longer, **{"extras.second_star": still}).requests[0]) == 2


@pytest.mark.parametrize("swap_s", [90.0, 9_000.0, 25_000.0])
def test_two_stars_are_served_where_a_run_of_slots_is_as_long_as_the_step_with_the_exchange(swap_s):
    scenario = lit_scenario(3, requests=1)
    feed = scenario.array.dual_feed.model_copy(update={"swap_s": swap_s})
    scenario = scenario.model_copy(update={"array": scenario.array.model_copy(update={"dual_feed": feed})})
    wish, light = scenario.requests[0], scenario.combiner_of(scenario.requests[0])
    with offline_earth():
        seats = seats_of(scenario.array)
        moments = moments_of(scenario, DATE, seats, seating(scenario.array, seats), [0])
        members = subarrays_of(scenario.array, seats, light.beams, False)
        worth = worth_of(scenario, seats, members, [moments], [0], False)
        for number, chosen in enumerate(members.tolist()):
            usable = recounted(scenario, seats, moments, chosen, 0)
            _, first, last = runs_of(np.packbits(usable[None], axis=-1), moments.slots)
            needed_s = light.science_recording_s + light.overhead_s + swap_s
            assert worth.served[number, 0] == any((last - first) * scenario.night.slot_s >= needed_s)
            assert worth.hours[number, 0] == pytest.approx(usable.sum() * scenario.night.slot_s / 3600.0)
    assert wish.extras.second_star.swap


@pytest.mark.parametrize("seed", [0, 3])
def test_a_ranking_is_asked_in_full_and_no_plan_is_worth_more_than_its_bound(seed):
    scenario = lit_scenario(seed, requests=4)
    effort = scenario.effort.model_copy(update={"deterministic": 0.5, "subarrays_per_request": 1})
    scenario = movable(scenario.model_copy(update={"effort": effort}))
    size = scenario.array.combiners[0].beams
    told: list[str] = []
    with offline_earth():
        found = ranking_of(RankQuestion(scenario, (DATE,), size, True, 2, 0), told.append)
    assert found.considered == len(list(itertools.combinations(range(4), size)))
    assert found.top
    for ranked in found.top:
        assert ranked.truth is not None
        assert 0 <= ranked.truth.score <= ranked.truth.bound
        assert len(ranked.lines) == size
    assert found.top[0].truth.score > 0
    assert [one.truth.score for one in found.top] == sorted((o.truth.score for o in found.top), reverse=True)
    assert told[0].startswith("Computing the night")
