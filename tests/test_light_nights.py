"""Two stars, pupils, path segments and air by hand; then every plan of small nights with a whole path."""

from __future__ import annotations

import dataclasses
import functools
import itertools
import re

import numpy as np
import pytest
from dense import dense_codes, filled_codes
from hypothesis import given, settings
from hypothesis import strategies as st
from invented import combiner, delay_line
from light_nights import MAIN, SMALL, bright_star, by_hand, lit_scenario, plain_array, wish
from nights import Built, best_score, build, planned, slow_follows

from planner.constraints.two_stars import field_limits
from planner.geometry.air import group_refractivity
from planner.scenario.array import Array
from planner.scenario.light_path import DualFeed, FringeTracker, PathSegment
from planner.scheduling.assemble import night_plan
from planner.scheduling.audit import audit_plan
from planner.scheduling.cpsat import solve_night
from planner.scheduling.light import differential_m, light_limits, with_tracking
from planner.scheduling.solved import SolvedNight
from planner.scheduling.visits import facts_of

pytestmark = pytest.mark.slow

ARCSEC = np.deg2rad(1.0 / 3600.0)


def dual_array(east_m: list[float], **changes: object) -> Array:
    """A row of telescopes with dual feed, and a tracker that sees everything."""
    feed = DualFeed.model_validate(
        {"separation_arcsec": (2.0, 40.0), "differential_stroke_m": (-0.01, 0.01), "swap_s": 90.0} | changes
    )
    tracker = FringeTracker(
        name="holder", beams=2, band="H", wavelength_um=1.65, group_delay_limit={SMALL: 9.0}
    )
    own = combiner(2, name=MAIN, fringe_tracker="holder")
    longer = tuple(delay_line(f"D{k}", stroke_m=(0.0, 150.0)) for k in range(len(east_m)))
    return plain_array(
        east_m, combiners=(own,), fringe_trackers=(tracker,), dual_feed=feed, delay_lines=longer
    )


def pair_of(east_arcsec: float, north_arcsec: float, **more: object) -> object:
    """A request for the bright star and one beside it."""
    own = bright_star()
    place = {
        "ra_deg": own.ra_deg + east_arcsec / 3600.0 / float(np.cos(np.deg2rad(own.dec_deg))),
        "dec_deg": own.dec_deg + north_arcsec / 3600.0,
    }
    return wish(own, second_star={"name": "B", "mag": {"H": 5.0, "K": 5.0}, **place, **more})


def transit(night: Built) -> int:
    """Tick at which the target is nearest to the meridian."""
    return int(np.argmin(np.abs(night.limits.sky.direction[0][:, 0])))


def reason_of(array: Array, request: object) -> str:
    night, plan = planned(by_hand(array, request))
    assert not np.any(night.problem.request == 0)
    return plan.requests[0].reason


def test_one_beam_through_the_inlet_is_no_dual_feed():
    array = dual_array([0, 30])
    one = array.stations[1].model_copy(update={"inlet_beams": 1})
    told = reason_of(array.model_copy(update={"stations": (array.stations[0], one)}), pair_of(10, 0))
    assert told == (
        "main needs 2 telescopes on stations whose light inlet lets two beams through, and the "
        "configuration and the request leave fewer"
    )


def test_a_separation_has_room_to_the_nearer_of_its_ends_and_is_told_when_it_has_none():
    # 10 arcsec in 2 to 40: 8; 60 arcsec: 20 too far.
    night = build(by_hand(dual_array([0, 30]), pair_of(0.0, 10.0)))
    found = field_limits(night.limits.scenario, night.limits.sky, night.limits.scenario.requests[0], 0)
    np.testing.assert_allclose(found[0].margin, 8.0, atol=1e-6)
    assert re.match(
        "separation of the two stars: at best 20 arcsec short", reason_of(dual_array([0, 30]), pair_of(0, 60))
    )


def test_a_pair_to_the_north_points_to_the_zenith_when_it_passes_south_of_it():
    # Position angle 0 and zenith to the north: 0 in the telescope, 120 and 150 from the ends, 90 short of 90.
    # North has turned by up to 0.2 deg since 2000.
    night = build(by_hand(dual_array([0, 30], field_angle_deg=(-150.0, 120.0)), pair_of(0.0, 10.0)))
    found = field_limits(night.limits.scenario, night.limits.sky, night.limits.scenario.requests[0], 0)
    assert found[1].margin[transit(night)] == pytest.approx(120.0, abs=0.4)
    told = reason_of(dual_array([0, 30], field_angle_deg=(150.0, 180.0)), pair_of(0.0, 10.0))
    assert told.startswith("field orientation: at best ")


def test_a_differential_line_must_give_baseline_times_separation():
    # At the meridian east is east: 30 m times 10 arcsec (48.48 urad) are 1.4544 mm; 1.4 mm of stroke are
    # 0.0544 mm too little. Precession turns east by less than 0.2 deg: 1e-5 of it.
    array = dual_array([0, 30], differential_stroke_m=(-0.0007, 0.0007))
    night = build(by_hand(array, pair_of(10.0, 0.0)))
    facts = facts_of(night.limits, night.offers[0].subarrays[0])
    path = differential_m(night.limits, facts, 0, 0)[transit(night)]
    assert path[1] - path[0] == pytest.approx(1.4544e-3, abs=1e-7)
    margin = next(v for v in light_limits(night.limits, facts, 0, 0) if v.limit == "differential delay")
    assert margin.margin[transit(night)] == pytest.approx(-0.0544e-3, abs=2e-7)
    narrow = dual_array([0, 30], differential_stroke_m=(-1e-4, 1e-4))
    assert reason_of(narrow, pair_of(10.0, 0.0)).startswith("differential delay: at best ")


def test_while_two_stars_change_places_no_cell_is_filled():
    # 480 s are halved around 90 s: ticks 0 to 8 and 11 to 19.
    request = pair_of(10.0, 0.0, swap=True).model_copy(update={"field_mas": 3000.0})
    night = build(by_hand(dual_array([0, 30]), request))
    fewer = 0
    for number in np.flatnonzero(night.problem.request == 0)[::10]:
        family, row = night.families[night.table.family[number]], night.table.row[number]
        start, end = family.start_tick[row, 1], family.end_tick[row, 1]
        assert end - start == 19
        sky, (west, east) = night.limits.sky, night.limits.placement.vectors_m
        baseline = np.array([east - west])
        seconds = start * sky.tick_s + np.array([[0.0, 8.0], [11.0, 19.0], [0.0, 19.0]]) * sky.tick_s
        codes = [
            dense_codes(night.limits.scenario, sky, 0, baseline, tuple(ends), 0.05)[1] for ends in seconds
        ]
        cells = {*filled_codes(codes[0]).tolist(), *filled_codes(codes[1]).tolist()}
        assert len(night.problem.cells[number]) == len(cells)
        fewer += len(cells) < len(filled_codes(codes[2]))
    assert fewer


def test_ten_microarcseconds_on_a_hundred_metres_reach_the_plan_as_five_nanometres():
    # 10 uas are 48.48 prad: 4.848 nm on 100 m across the line of sight; at 10 arcsec, 48.48 urad, the
    # baseline counts to 100 um. Of 100 m to the east the star sees sqrt(1 - (sin A cos a)^2), least at
    # one end of the step.
    array = dual_array([0, 100])
    plan = planned(by_hand(array, pair_of(10.0, 0.0, angle_error_uas=10.0, swap=True)))[1]
    told = plan.visits[0].dual_feed
    beam = plan.visits[0].steps[1].beams[0]
    ends = np.deg2rad(
        [
            (beam.azimuth_start_deg, beam.altitude_start_deg),
            (beam.azimuth_end_deg, beam.altitude_end_deg),
        ]
    )
    seen = min(np.sqrt(1.0 - (np.sin(a) * np.cos(h)) ** 2) for a, h in ends)
    assert 0.9 < seen < 1.0
    assert told.path_error_nm == pytest.approx(4.848 * seen, abs=1e-3)
    assert told.baseline_error_um == pytest.approx(100.0 * seen, abs=0.01)
    assert told.separation_arcsec == pytest.approx(10.0, abs=1e-4)
    assert told.position_angle_deg == pytest.approx(90.0, abs=0.01)
    # 480 s of recording around 90 s.
    science = plan.visits[0].steps[1]
    times = [science.start_utc, science.swap_start_utc, science.swap_end_utc, science.end_utc]
    seconds = [np.datetime64(text.rstrip("Z")) for text in times]
    assert [(b - a) / np.timedelta64(1, "s") for a, b in itertools.pairwise(seconds)] == [240, 90, 240]


def test_a_pupil_out_of_place_is_a_reason_of_its_own_and_none_for_who_needs_no_pupil():
    # Two lines keep the pupil on one metre of light, 60 m apart: the whole strokes would serve.
    lines = (
        delay_line("D0", pupil_stroke_m=(0.0, 1.0), stations=("P0",)),
        delay_line("D1", pupil_stroke_m=(80.0, 81.0), stations=("P1",)),
    )
    array = plain_array([0, 10], delay_lines=lines)
    assert reason_of(array, wish()).startswith("pupil relay: at best ")
    free = array.model_copy(update={"combiners": (combiner(2, name=MAIN, pupil_relay=False),)})
    assert planned(by_hand(free, wish()))[1].visits


def test_a_path_segment_opens_what_the_direct_way_does_not():
    # The light of P1 comes 60 m later and the star adds 10 m at most: the lines differ by 50 to 70 m of their
    # 38. With 55 m more in the other beam they differ by 15 at most.
    direct = PathSegment(name="direct", path_m=0.0, change_s=0.0)
    long = PathSegment(name="long", path_m=55.0, change_s=0.0, stations=("P0",))
    lines = tuple(delay_line(f"D{k}", stroke_m=(0.0, 38.0)) for k in range(2))
    array = plain_array([0, 10], delay_lines=lines, path_segments=(direct,))
    later = array.stations[1].model_copy(update={"fixed_path_m": 60.0})
    array = array.model_copy(update={"stations": (array.stations[0], later)})
    assert reason_of(array, wish()).startswith("delay range: at best ")
    plan = planned(by_hand(array.model_copy(update={"path_segments": (direct, long)}), wish()))[1]
    assert {b.telescope: b.path_segment for b in plan.visits[0].steps[1].beams} == {
        "T0": "long",
        "T1": "direct",
    }


def air_array(east_m: float = 60.0, **changes: object) -> Array:
    """Two lines in air, one light 60 m later on short baselines, fringes followed in H and recorded in K."""
    own = combiner(2, name=MAIN, fringe_tracker="holder", **({"resolution": 500.0} | changes))
    lines = tuple(delay_line(f"D{k}", medium="air") for k in range(2))
    array = dual_array([0, east_m]).model_copy(update={"combiners": (own,), "delay_lines": lines})
    later = array.stations[1].model_copy(update={"fixed_path_m": 60.0 if east_m < 60.0 else 0.0})
    array = array.model_copy(update={"stations": (array.stations[0], later)})
    return array.model_copy(update={"site": array.site.model_copy(update={"pressure_hpa": 750.0})})


def test_what_air_leaves_of_the_fringes_is_in_the_plan_and_is_a_limit():
    # Beams whose lines differ by D are apart by D (n_g(2.2) - n_g(1.65))/n_g(1.65) in the middle channel; in
    # a channel lambda/R wide the contrast is sin(pi y)/(pi y), y = path/(lambda R).
    night, plan = planned(by_hand(air_array()))
    step, site = plan.visits[0].steps[1], night.limits.scenario.array.site
    apart = max(
        abs(step.beams[0].delay_start_m - step.beams[1].delay_start_m),
        abs(step.beams[0].delay_end_m - step.beams[1].delay_end_m),
    )

    def left_m(wavelength_um: float) -> float:
        tracked = group_refractivity(site, 1.65)
        return apart * (group_refractivity(site, wavelength_um) - tracked) / (1.0 + tracked)

    assert step.air_offset_um == pytest.approx(1e6 * abs(left_m(2.2)), abs=1e-3)
    contrasts = [np.sinc(left_m(x) / (x * 1e-6 * 500.0)) for x in (2.05, 2.2, 2.35)]
    assert step.air_contrast == pytest.approx(min(contrasts), abs=1e-4)


def test_lines_in_air_whose_difference_never_ends_leave_too_few_fringes():
    # On 20 m the star takes 18 m at most off the 60 m by which the other light comes later: 42 m or more of
    # air. From H to K they lose L = 42 m (n_g(1.65) - n_g(2.35)): sin(pi y)/(pi y), y = L/(5 x 2.35 um).
    array = air_array(resolution=5.0, air_contrast_min=0.99, east_m=20.0)
    site = array.site
    left_m = 42.0 * (group_refractivity(site, 1.65) - group_refractivity(site, 2.35))
    best = float(np.sinc(left_m / (5.0 * 2.35e-6)))
    assert best < 0.99
    told = re.match(r"air in the lines: at best (\S+) of contrast short", reason_of(array, wish()))
    assert 0.99 - best <= float(told[1]) <= 0.99


@functools.cache
def lit(seed: int) -> Built:
    """A night with a start every hour: every plan can be tried."""
    return build(lit_scenario(seed, slot_s=3600))


@given(st.integers(0, 11), st.floats(0.0, 2.0))
@settings(max_examples=10, deadline=None)
def test_a_better_tracker_that_chooses_its_beams_anew_never_follows_them_for_less_time(seed, much):
    # More beams tracked would be no law: each of them must be tied to the others.
    night = lit(seed)
    array = night.limits.scenario.array
    (tracker,) = array.fringe_trackers
    fainter = {name: limit + much for name, limit in tracker.group_delay_limit.items()}
    phase = {name: limit + much for name, limit in tracker.phase_limit.items()}
    better = tracker.model_copy(update={"group_delay_limit": fainter, "phase_limit": phase})
    scenario = night.limits.scenario.model_copy(
        update={"array": array.model_copy(update={"fringe_trackers": (better,)})}
    )
    for offer in night.offers:
        for own in offer.subarrays:
            if own.tracked is None:
                continue
            held = []
            for limits in (night.limits, dataclasses.replace(night.limits, scenario=scenario)):
                every = np.ones(len(limits.sky.times), dtype=bool)
                chosen = with_tracking(limits, offer.request, own, every)
                found = light_limits(limits, facts_of(limits, chosen), offer.request, offer.request)
                held.append(int(np.count_nonzero(found[0].allowed)))
            assert held[1] >= held[0]


@pytest.mark.parametrize("seed", [1, 2, 7, 9, 12])
def test_other_names_in_the_light_path_change_nothing(seed):
    night = lit(seed)
    scenario = night.limits.scenario
    array = scenario.array

    def renamed(parts):
        return tuple(own.model_copy(update={"name": f"zz {own.name}"}) for own in parts)

    combiners = tuple(
        own.model_copy(
            update={
                "routing_modes": tuple(f"zz {name}" for name in own.routing_modes),
                "fringe_tracker": own.fringe_tracker and f"zz {own.fringe_tracker}",
                "beam_sensor": own.beam_sensor and f"zz {own.beam_sensor}",
            }
        )
        for own in array.combiners
    )
    parts = (
        "routing_modes",
        "path_segments",
        "spectral_setups",
        "fringe_trackers",
        "beam_sensors",
        "internal_calibrations",
    )
    other = array.model_copy(
        update={"combiners": combiners, **{name: renamed(getattr(array, name)) for name in parts}}
    )
    wishes = tuple(
        own.model_copy(
            update={
                "extras": own.extras.model_copy(
                    update={"spectral_setup": own.extras.spectral_setup and "zz fine"}
                )
            }
        )
        for own in scenario.requests
    )
    same = build(scenario.model_copy(update={"array": other, "requests": wishes}))
    for key in ("request", "visits_max", "start", "free", "value"):
        np.testing.assert_array_equal(getattr(same.problem, key), getattr(night.problem, key))
    for key in ("late", "cells"):
        for one, two in zip(getattr(same.problem, key), getattr(night.problem, key), strict=True):
            np.testing.assert_array_equal(one, two)


@pytest.mark.parametrize("seed", range(20))
def test_exclusions_say_the_same_as_judging_every_device_of_a_whole_light_path(seed):
    night = lit(seed)
    for earlier, later in itertools.product(range(len(night.problem)), repeat=2):
        if night.problem.start[later] > night.problem.start[earlier]:
            assert night.problem.follows(earlier, later) == slow_follows(night, earlier, later)


SMALL_ENOUGH = (1, 2, 5, 6, 7, 8, 9, 11, 12, 13, 14, 15, 16, 17, 18, 19)


@pytest.mark.parametrize("seed", SMALL_ENOUGH)
def test_no_plan_of_a_night_with_a_whole_light_path_is_better_than_the_solvers(seed):
    night = lit(seed)
    assert len(night.problem) < 70
    found = solve_night(night.problem, 20.0)
    assert found.status == "optimal"
    assert found.score == found.bound == best_score(night)
    assert night.problem.possible(found.chosen)
    first = len(night.limits.scenario.requests)
    works = [c for c in found.chosen if night.problem.request[c] >= first]
    assert len(works) == night.problem.musts
    visits = [c for c in found.chosen if night.problem.request[c] < first]
    assert night.problem.score(visits) == found.score
    solved = SolvedNight(night.limits, night.offers, night.problem, night.table, night.families, found)
    audit = audit_plan(night_plan(solved, "as built"))
    assert audit.passed, [check.worst for check in audit.checks if not check.passed]


def test_the_nights_use_every_part_of_the_light_path():
    """Together they hold each mode, segment, setup, dual feed, input and untracked beam in some candidate."""
    seen: set[object] = set()
    for seed in range(20):
        night = lit(seed)
        for family in night.families:
            own = family.facts.subarray
            request = night.limits.scenario.requests[family.request].extras
            seen |= {
                ("mode", own.mode),
                ("setup", own.spectral_setup),
                ("phase", request.tracking == "phase"),
            }
            seen |= {("segment", segment) for segment in own.segments}
            seen |= {("inputs", bool(own.inputs)), ("dual", request.second_star is not None)}
            seen |= {("guide", request.guide_star is not None), ("classes", len(set(family.facts.classes)))}
            seen |= {("untracked", own.tracked is not None and len(own.tracked) < len(own.lines))}
            seen |= {("air", family.facts.combiner.air_contrast_min > 0)}
    assert {("mode", 0), ("mode", 1), ("mode", 2), ("setup", None), ("setup", "fine")} <= seen
    assert {("segment", 0), ("segment", 1), ("segment", 2), ("inputs", True), ("dual", True)} <= seen
    assert {("guide", True), ("classes", 2), ("untracked", True), ("air", True), ("phase", True)} <= seen
