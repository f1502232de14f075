"""Every subarray of the stations: which there are, when they can be used, what they reach."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from dense import between, dense_codes, filled_codes
from hypothesis import given, settings
from hypothesis import strategies as st
from invented import DATE, combiner, delay_line, random_array, request, star, telescope_class

from planner.commands import Choice, choice_of
from planner.constraints.horizon import altitude_lower, altitude_upper, azimuth_drive, skyline
from planner.constraints.shadowing import hidden_by, rays_of
from planner.errors import InputProblems
from planner.ranking.estimate import Wish, estimated
from planner.ranking.moments import moments_of
from planner.ranking.questions import nights_between, pareto
from planner.ranking.seats import moves_of, seating, seats_of, subarrays_of, telescopes_for
from planner.ranking.usable import line_choices_of, runs_of, usable_bits
from planner.ranking.worth import worth_of
from planner.scenario.array import Array, Configuration, Telescope
from planner.scenario.night import Effort, Limits, NightSettings
from planner.scenario.targets import Scenario


def movable_array(rng: np.random.Generator, stations: int, beams: int) -> Array:
    """Two fixed telescopes, movable ones of two classes, lines of several strokes."""
    array = random_array(rng, stations, beams, spread_m=70.0)
    names = [station.name for station in array.stations]
    telescopes = (
        Telescope(name="F0", telescope_class="one metre", station=names[0]),
        Telescope(name="F1", telescope_class="one metre", station=names[1]),
        Telescope(name="M0", telescope_class="one metre", movable=True),
        Telescope(name="M1", telescope_class="one metre", movable=True),
        Telescope(name="S0", telescope_class="half metre", movable=True),
    )
    small = telescope_class("half metre", diameter_m=0.5, altitude_min_deg=25.0, enclosure_radius_m=1.5)
    large = telescope_class(enclosure_radius_m=4.0, enclosure_height_m=12.0)
    lines = tuple(
        delay_line(
            f"D{k}",
            stroke_m=(0.0, float(rng.choice([40.0, 60.0, 95.0]))),
            stations=tuple(names)
            if rng.random() < 0.6
            else tuple(rng.choice(names, stations - 2, replace=False)),
            tracking_speed_mm_per_s=float(rng.choice([2.0, 20.0])),
        )
        for k in range(beams + 1)
    )
    light = combiner(
        beams,
        limiting_magnitude={"one metre": 6.0, "half metre": 5.0},
        mixed_classes=bool(rng.random() < 0.7),
        beam_path_m=tuple(float(x) for x in rng.uniform(0, 3, beams)),
    )
    placement = {"M0": names[2], "M1": names[3], "S0": names[4]}
    return array.model_copy(
        update={
            "telescopes": telescopes,
            "telescope_classes": (large, small),
            "delay_lines": lines,
            "combiners": (
                light,
                combiner(2, name="a pair", limiting_magnitude={"one metre": 6.0, "half metre": 6.0}),
            ),
            "configurations": (Configuration(name="as built", placement=placement),),
        }
    )


def scenario_of(seed: int, stations: int = 7, beams: int = 3, requests: int = 3) -> Scenario:
    rng = np.random.default_rng(seed)
    array = movable_array(rng, stations, beams)
    wishes = tuple(
        request(
            star(
                f"target {k}",
                float(rng.uniform(100, 260)),
                float(rng.uniform(-60, 20)),
                mag={"K": float(rng.choice([4.0, 5.5]))},
                diameter_mas=float(rng.choice([0.5, 4.0])),
            ),
            array.combiners[k % 2].name,
            priority=int(rng.integers(1, 6)),
            field_mas=float(rng.uniform(5, 30)),
        )
        for k in range(requests)
    )
    return Scenario(
        name="ranked",
        title="ranked",
        array=array,
        night=NightSettings.model_validate({"date": DATE, "configuration": "as built"}),
        limits=Limits(airmass_max=2.2, moon_separation_min_deg=20.0),
        effort=Effort(),
        requests=wishes,
        calibrators=tuple(
            star(f"beside {wish.name}", wish.star.ra_deg + 1.0, wish.star.dec_deg + 1.0, diameter_mas=0.3)
            for wish in wishes
        ),
    )


def everything(seed: int):
    scenario = scenario_of(seed)
    seats = seats_of(scenario.array)
    placement = seating(scenario.array, seats)
    members = subarrays_of(scenario.array, seats, 3, False)
    moments = moments_of(scenario, DATE, seats, placement, range(len(scenario.requests)))
    return scenario, seats, placement, members, moments


# By hand.


def test_a_station_has_a_seat_for_each_movable_class_and_one_for_its_fixed_telescope():
    scenario = scenario_of(1)
    seats = seats_of(scenario.array)
    # Two fixed telescopes keep their stations; the other five stations take either movable class.
    assert len(seats) == 2 + 5 * 2
    assert [seat.telescope for seat in seats[:2]] == ["F0", "F1"]


def test_there_are_as_many_triples_as_can_be_counted_on_paper():
    # Fixed 2, stations 5, two movable of one metre and one of half a metre. With no small one: 2 fixed and 5
    # seats of which at most two are taken: C(2,2)*5 + C(2,1)*C(5,2) = 5 + 20 = 25. With the small one on one
    # of 5, beside both fixed: 1; one fixed and one of the 4 other stations: 2*4; two of these: 6. 5*15 = 75.
    scenario = scenario_of(1)
    seats = seats_of(scenario.array)
    assert len(subarrays_of(scenario.array, seats, 3, False)) == 25 + 75
    # As built there stand five telescopes: C(5,3).
    assert len(subarrays_of(scenario.array, seats, 3, True)) == 10


def test_moves_are_those_that_a_list_of_who_stands_where_gives():
    scenario = scenario_of(1)
    array, seats = scenario.array, seats_of(scenario.array)
    members = subarrays_of(array, seats, 3, False)
    counted = moves_of(array, seats, members, "as built")
    now = array.placed("as built")
    for chosen, moves in zip(members, counted, strict=True):
        taken = [seats[k] for k in chosen]
        names = telescopes_for(array, taken, "as built")
        assert len(set(names)) == 3
        goes = {n for n, seat in zip(names, taken, strict=True) if now.get(n) != seat.station}
        wanted = {seat.station for seat in taken}
        in_the_way = {n for n, station in now.items() if station in wanted and n not in names}
        assert moves == len(goes | in_the_way)


def test_the_pareto_front_is_what_nothing_beats():
    values = np.array([[3.0, 1.0], [2.0, 2.0], [1.0, 3.0], [2.0, 1.0], [2.0, 2.0], [0.0, 0.0]])
    # The fourth is beaten by the first and second; equals stand beside each other.
    assert pareto(values).tolist() == [True, True, True, False, True, False]


def test_visits_that_do_not_fit_side_by_side_are_not_both_counted():
    # Ten slots; each visit takes four and can begin in the first five: two fit, the dearer ones.
    early = np.packbits(np.arange(10)[None] < 5, axis=-1)
    wishes = [Wish(value=np.array([float(v)]), visits=1, bits=early, whole=4) for v in (5, 7, 6)]
    assert estimated(wishes, 10).tolist() == [[0.0, 7.0, 6.0]]
    # One that begins in the last slot but one fits beside both: what comes after it is no visit any more.
    late = np.packbits(np.eye(10, dtype=bool)[[8]], axis=-1)
    wishes.append(Wish(value=np.array([4.0]), visits=1, bits=late, whole=4))
    assert estimated(wishes, 10).tolist() == [[0.0, 7.0, 6.0, 4.0]]
    # What can begin nowhere is worth nothing, however dear.
    wishes.append(Wish(value=np.array([99.0]), visits=1, bits=np.zeros_like(late), whole=4))
    assert estimated(wishes, 10)[0, 4] == 0.0


def test_a_long_range_is_taken_by_evenly_spread_nights():
    first, last = DATE, DATE.replace(year=2028)
    nights = nights_between(first, last)
    assert (nights[0], nights[-1], len(nights)) == (first, last, 31)
    assert nights_between(first, first) == (first,)


def test_what_is_wrong_with_a_question_is_told_at_once():
    with pytest.raises(InputProblems) as told:
        choice_of(scenario_of(1), Choice(size=7, top=0, first=DATE, configuration="as bilt"))
    assert [str(problem) for problem in told.value.problems] == [
        "command line: --to: is missing beside --from. Give both, or --date for one night.",
        "command line: --configuration: there is no configuration 'as bilt' in array.toml. "
        "Did you mean 'as built'?",
        "command line: --size: is 7. Give 2 to 6.",
        "command line: --top: is 0. Give 1 to 100.",
    ]


# All answers.


def brute_usable(scenario, seats, placement, moments, chosen, row) -> np.ndarray:
    """One subarray and one request, slot by slot, from margins and every assignment of lines."""
    array, sky = scenario.array, moments.sky
    wish = scenario.requests[row]
    light = array.combiner(wish.combiner)
    classes = [
        array.telescope_classes[[c.name for c in array.telescope_classes].index(seats[k].telescope_class)]
        for k in chosen
    ]
    slots = moments.slots
    if len({own.name for own in classes}) > 1 and not light.mixed_classes:
        return np.zeros(slots, dtype=bool)
    if any(wish.star.mag["K"] > light.limiting_magnitude[own.name] for own in classes):
        return np.zeros(slots, dtype=bool)
    good = np.ones(slots, dtype=bool)
    for verdict in (
        altitude_lower(sky, placement),
        altitude_upper(sky, placement),
        skyline(sky, placement, array.site.horizon_deg),
        azimuth_drive(sky, placement, array.site.latitude_deg),
    ):
        good &= (verdict.margin[row][:, chosen] >= 0).all(axis=-1)
    up = sky.direction[row, :, 2]
    good &= (up > 0) & (1.0 / np.maximum(up, 1e-9) <= 2.2)
    apart = np.rad2deg(
        np.arccos(np.clip(np.sum(sky.direction[row] * sky.sun_moon.moon_direction, axis=-1), -1, 1))
    )
    good &= apart >= 20.0
    rays = rays_of(sky)
    fixed = [k for k, seat in enumerate(seats) if seat.telescope is not None]
    for own in chosen:
        for other in [None, *(k for k in chosen if seats[k].telescope is None and k != own)]:
            standing = [
                k
                for k in [*fixed, *([] if other is None else [other])]
                if seats[k].station != seats[own].station
            ]
            hidden = hidden_by(rays, placement, own, standing).reshape(len(sky.stars), slots)[row]
            good &= hidden <= placement.classes[own].obstruction_max
    path = moments.path_m[row][:, chosen] - np.array(light.constant_path_m)
    rate = moments.rate_m_per_s[row][:, chosen]
    some = np.zeros(slots, dtype=bool)
    for lines in itertools.permutations(array.delay_lines, len(chosen)):
        if any(
            line.stations and seats[k].station not in line.stations
            for line, k in zip(lines, chosen, strict=True)
        ):
            continue
        low = np.max([line.stroke_m[0] - path[:, k] for k, line in enumerate(lines)], axis=0)
        high = np.min([line.stroke_m[1] - path[:, k] for k, line in enumerate(lines)], axis=0)
        fast = np.array([line.tracking_speed_mm_per_s / 1e3 * line.path_per_travel for line in lines])
        some |= (low <= high) & (rate <= fast).all(axis=-1)
    return good & some


@pytest.mark.parametrize("seed", range(6))
def test_bits_say_what_margins_say_for_every_subarray_request_and_slot(seed):
    scenario, seats, placement, members, moments = everything(seed)
    light = scenario.array.combiners[0]
    rows = np.array([k for k, wish in enumerate(scenario.requests) if wish.combiner == light.name])
    choices = line_choices_of(scenario.array, seats, members, light)
    bits = usable_bits(moments, light, rows, members, choices)
    found = np.unpackbits(bits, axis=-1, count=moments.slots).astype(bool)
    for number, chosen in enumerate(members):
        for place, row in enumerate(rows):
            slow = brute_usable(scenario, seats, placement, moments, chosen, row)
            assert np.array_equal(found[number, place], slow), (seed, chosen, row)
    assert found.any()


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(4))
def test_cells_and_hours_of_every_subarray_equal_a_plain_recount(seed):
    scenario, seats, placement, members, moments = everything(seed)
    asked = range(len(scenario.requests))
    worth = worth_of(scenario, seats, members, [moments], asked, False)
    every = list(itertools.combinations(range(len(seats)), 2))
    vectors = placement.vectors_m
    baselines = np.array([vectors[j] - vectors[i] for i, j in every])
    for row, wish in enumerate(scenario.requests):
        light = scenario.array.combiner(wish.combiner)
        end_s = (moments.slots - 1) * 300.0
        seconds, codes = dense_codes(scenario, moments.sky, row, baselines, (0.0, end_s))
        for number, chosen in enumerate(members[::3]):
            filled: set[int] = set()
            some = np.zeros(moments.slots, dtype=bool)
            for part in itertools.combinations(chosen.tolist(), light.beams):
                usable = brute_usable(scenario, seats, placement, moments, np.array(part), row)
                some |= usable
                columns = [every.index(pair) for pair in itertools.combinations(part, 2)]
                filled.update(filled_codes(codes[between(usable, seconds, 300.0)][:, columns]).tolist())
            assert worth.cells[::3][number, row] == len(filled)
            assert worth.hours[::3][number, row] == pytest.approx(some.sum() * 300 / 3600)
    assert worth.cells.any()


def test_two_nights_reach_the_cells_of_either_and_the_hours_of_both():
    scenario, seats, placement, members, moments = everything(2)
    asked = range(len(scenario.requests))
    later = moments_of(scenario, DATE.replace(month=4), seats, placement, asked)
    one, two, both = (
        worth_of(scenario, seats, members, nights, asked, False)
        for nights in ([moments], [later], [moments, later])
    )
    assert np.allclose(both.hours, one.hours + two.hours)
    assert np.all(both.cells >= np.maximum(one.cells, two.cells))
    assert np.all(both.cells <= one.cells + two.cells)
    assert np.allclose(both.estimates, (one.estimates + two.estimates) / 2.0)


# Laws.


@settings(max_examples=50, deadline=None)
@given(st.lists(st.lists(st.booleans(), min_size=13, max_size=13), min_size=1, max_size=4))
def test_runs_are_the_bits_read_off(rows):
    flags = np.array(rows, dtype=bool)
    row, first, last = runs_of(np.packbits(flags, axis=-1), 13)
    again = np.zeros_like(flags)
    for r, a, b in zip(row, first, last, strict=True):
        assert a == 0 or not flags[r, a - 1]
        assert b == 12 or not flags[r, b + 1]
        again[r, a : b + 1] = True
    assert np.array_equal(again, flags)


@pytest.mark.parametrize("seed", [0, 3])
def test_longer_strokes_never_lose_hours_or_cells(seed):
    scenario, seats, placement, members, moments = everything(seed)
    asked = range(len(scenario.requests))
    before = worth_of(scenario, seats, members, [moments], asked, False)
    longer = tuple(
        line.model_copy(update={"stroke_m": (line.stroke_m[0], line.stroke_m[1] + 20.0)})
        for line in scenario.array.delay_lines
    )
    wider = scenario.model_copy(update={"array": scenario.array.model_copy(update={"delay_lines": longer})})
    after = worth_of(wider, seats, members, [moments_of(wider, DATE, seats, placement, asked)], asked, False)
    assert np.all(after.cells >= before.cells)
    assert np.all(after.hours >= before.hours - 1e-9)
    assert np.all(after.served >= before.served)
