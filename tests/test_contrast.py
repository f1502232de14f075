"""Targets past their first null: what counts, what a plan says of it, and what would help."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from dense import dense_uv_m
from earlier import cells_before, observed, with_history
from handmade import changed
from invented import DATE, combiner, request
from nights import build, planned
from paper_night import paper_scenario, star_of_date

from planner import terminal
from planner.constraints.contrast import RESOLVED, fringes, too_resolved
from planner.feasibility.nights import night_of, target_night
from planner.feasibility.remedies import with_remedies
from planner.feasibility.season import season_of, season_sky
from planner.feasibility.subarrays import ORDER
from planner.geometry.uv import uvw_m
from planner.geometry.uv_tracks import knots, uv_tracks
from planner.output.contrast_told import ranges_told, vis2_of_visit
from planner.output.feasibility_sheet import _reach
from planner.output.tracks import visit_tracks
from planner.ranking.moments import moments_of
from planner.ranking.seats import seating, seats_of, subarrays_of
from planner.ranking.worth import worth_of
from planner.scheduling.audit import audit_plan
from planner.scheduling.candidates import night_offers, night_runs
from planner.science.contrast import Contrast
from planner.science.coverage import cell_codes, cells_of
from planner.science.source import expected_vis2
from planner.sky.earth import offline_earth

# A uniform disk has its nulls at x/pi = 1.219670, 2.233131 (zeros of J1: Abramowitz & Stegun 1964, table 9.5)
# and V squared = 0.017498 at the top of its first side lobe (Airy pattern, any optics text).
NULL_M = 1.219670 * 2.0e-6 / (np.pi / 648e6)  # times 1/mas: first null at 2 um of a disk of 1 mas, metres


def giant(diameter_mas, dec_deg=-60.0, **light):
    """60 m east-west in one channel of 2 um: u = 60 cos H, v = -52 sin H."""
    scenario = paper_scenario(star_of_date(dec_deg))
    own = combiner(2, wavelengths_um=(2.0,), name="one channel", **light)
    body = scenario.requests[0].star.model_copy(update={"diameter_mas": diameter_mas})
    array = scenario.array.model_copy(update={"combiners": (own,)})
    return scenario.model_copy(
        update={"array": array, "requests": (request(body, own.name, field_mas=40.0),)}
    )


@cache
def solved(diameter_mas, vis2_min=0.001):
    with offline_earth():
        return planned(giant(diameter_mas, vis2_min=vis2_min))


def dense_margin(night, vis2_min):
    """Moments a second apart, and V squared less the limit."""
    limits = night.limits
    vectors = limits.placement.vectors_m
    end_s = limits.sky.tick_s * (len(limits.sky.times) - 1.0)
    seconds, uv = dense_uv_m(limits.scenario, limits.sky, 0, vectors[1:2] - vectors[:1], (0.0, end_s))
    return seconds, uv, expected_vis2(limits.scenario.requests[0].star, uv[:, 0], 2.0) - vis2_min


# By hand.


def test_a_star_without_a_diameter_is_a_point():
    star = giant(None).requests[0].star
    assert expected_vis2(star, np.array([[300.0, 0.0]]), 2.0).tolist() == [1.0]


def test_the_first_null_lies_where_the_zero_of_the_bessel_function_says():
    star = giant(10.0).requests[0].star
    at = expected_vis2(star, np.array([[NULL_M / 10.0, 0.0], [1.635 / 1.219670 * NULL_M / 10.0, 0.0]]), 2.0)
    assert at == pytest.approx([0.0, 0.0175], abs=1e-5)


def test_a_giant_of_which_nothing_counts_gets_no_visit_and_the_reason_has_its_numbers():
    # 300 mas at 2 um: 60 m are 35 nulls out; V squared < (8/pi)/x^3 with x > 100, less than 0.000003.
    night, plan = solved(300.0)
    [outcome] = plan.requests
    assert (outcome.visits_planned, outcome.feasible_starts, outcome.cells_reachable) == (0, 0, 0)
    names = "-".join(night.limits.placement.telescopes)
    assert outcome.reason.startswith("too resolved: at best V² ")
    assert outcome.reason.endswith(f" on {names}, wants 0.001")
    assert 0.0 < float(outcome.reason.split()[5]) < 3e-6
    assert audit_plan(plan).passed
    assert solved(300.0, 1e-7)[1].requests[0].visits_planned == 1


def test_a_null_that_passes_while_a_star_is_recorded_is_no_reason():
    # The first null of 8.8 mas lies at 57 m, which the baseline passes between 52 and 60 m.
    night, plan = solved(8.8)
    _, _, margin = dense_margin(night, 0.001)
    assert 0 < np.count_nonzero(margin < 0) < len(margin)
    assert plan.requests[0].visits_planned == 1
    assert audit_plan(plan).passed


# Counted in another way.


@pytest.mark.parametrize("diameter", [8.2, 9.4, 14.0])
def test_what_counts_is_what_a_sample_every_second_counts(diameter):
    night = build(giant(diameter, vis2_min=0.004))
    seconds, uv, margin = dense_margin(night, 0.004)
    shown = fringes(night.limits, 0, (0, 1))
    inside = np.any([(seconds > a) & (seconds < b) for a, b in shown.counted_s], axis=0)
    assert np.array_equal(inside, margin >= 0)
    cells = set(cells_of(night_runs(night.limits, 0).distinct))
    codes = cell_codes(uv[margin >= 0], (2.0,), 40.0)
    assert cells == set(cells_of(codes))


@pytest.mark.parametrize("diameter", [9.4, 14.0])
def test_a_candidate_is_a_visit_in_whose_recording_something_counts(diameter):
    night = build(giant(diameter, vis2_min=0.004))
    seconds, _, margin = dense_margin(night, 0.004)
    counted = seconds[margin >= 0]
    free = build(giant(diameter, vis2_min=0.0))
    tick_s = night.limits.sky.tick_s
    expected = set()
    for family in free.families:
        for start, end in zip(family.start_tick, family.end_tick, strict=True):
            if np.any((counted > start[1] * tick_s) & (counted < end[1] * tick_s)):
                expected.add(int(start[0]))
    offered = {int(tick) for family in night.families for tick in family.start_tick[:, 0]}
    assert offered == expected
    assert all(len(cells) for cells in night.problem.cells)
    assert offered < {int(tick) for family in free.families for tick in family.start_tick[:, 0]}


def test_a_lobe_that_reaches_the_limit_between_two_samples_is_found():
    # The top of the first side lobe is 0.017498: the limit lies a millionth below it.
    scenario = giant(11.5)
    star = scenario.requests[0].star
    contrast = Contrast(star, (2.0,), 0.0174980 * (1.0 - 1e-5))
    night = build(scenario)
    shown = fringes(night.limits, 0, (0, 1))
    peak = shown.margin.max() + 0.001
    assert peak == pytest.approx(0.017498, abs=1e-5)

    sky, vectors = night.limits.sky, night.limits.placement.vectors_m
    at = knots(len(sky.times))
    uv = uvw_m(sky.icrs_rad[[0]], sky.frame.boost[at], vectors[1:2] - vectors[:1])[0, :, :, :2]
    tracks = uv_tracks(at * float(sky.tick_s), uv)
    found = contrast.counted(tracks, (0.0, sky.tick_s * (len(sky.times) - 1.0)))
    assert len(found)
    middle = tracks.at(found.mean(axis=1))[:, 0]
    assert np.all(expected_vis2(star, middle, 2.0) >= contrast.vis2_min)


# Everywhere the same.


def test_the_audit_refuses_what_only_a_lower_limit_counted():
    plan = solved(300.0, 1e-7)[1]
    assert audit_plan(plan).passed
    raised = changed(plan, "scenario.array.combiners.0.vis2_min", 0.001)
    audit = audit_plan(raised)
    assert not audit.passed
    assert any("squared visibility" in check.worst for check in audit.checks)


def test_feasibility_says_what_the_plan_says_and_what_would_help():
    scenario = giant(300.0)
    with offline_earth():
        night = night_of(scenario)
        answer = with_remedies(night, target_night(night, 0))
        limits = night.limits
    assert answer.exclusion.alone == (RESOLVED,)
    assert answer.exclusion.sentence == too_resolved(limits, 0, (0, 1))
    assert answer.exclusion.sentence == solved(300.0)[1].requests[0].reason
    sentences = [remedy.sentence for remedy in answer.remedies]
    assert any("Count samples down to a squared visibility of" in own for own in sentences)


def test_starts_of_feasibility_are_those_of_the_night():
    scenario = giant(9.4, vis2_min=0.004)
    with offline_earth():
        night = night_of(scenario)
        answer = target_night(night, 0)
    starts = {int(tick) for family in build(scenario).families for tick in family.start_tick[:, 0]}
    assert len(answer.subarrays[0].visit_starts_s) == len(starts) > 0


def test_a_season_has_no_hour_for_a_giant_of_which_nothing_counts():
    for diameter, wanted in ((300.0, False), (None, True)):
        scenario = giant(diameter)
        with offline_earth():
            season = season_of(scenario, season_sky(scenario, [DATE]), [0], [scenario.night.configuration])
        assert bool(season.feasible().any()) == wanted
        assert (1 + ORDER.index(RESOLVED) in season.binding) != wanted


def test_a_ranking_counts_nothing_for_it():
    for diameter, wanted in ((300.0, False), (None, True)):
        scenario = giant(diameter)
        with offline_earth():
            seats = seats_of(scenario.array)
            placement = seating(scenario.array, seats)
            moments = moments_of(scenario, DATE, seats, placement, [0])
            members = subarrays_of(scenario.array, seats, 2, False)
            worth = worth_of(scenario, seats, members, [moments], [0], False)
        assert bool(worth.served.any()) == bool(worth.cells.any()) == wanted


def test_earlier_nights_filled_only_what_counts():
    row = observed("on paper", "one channel", ("west", "east"), 2.0, 1.0)
    assert cells_before(with_history(giant(300.0), row)) == set()
    assert cells_before(with_history(giant(None), row))


def test_offers_name_no_subarray_without_fringes():
    with offline_earth():
        [offer] = night_offers(night_of(giant(300.0)).limits)
    assert (offer.families, len(offer.reachable)) == ((), 0)


# In words.


def test_a_sheet_and_the_terminal_tell_each_baseline_and_a_point_is_told_as_one():
    night, plan = solved(8.2)
    [track] = visit_tracks(night.limits, plan)
    [(pair, low, high)] = vis2_of_visit(night.limits, track)
    assert pair == "–".join(night.limits.placement.telescopes)
    start, end = (float(tick) * night.limits.sky.tick_s for tick in (track.science.first, track.science.last))
    seconds, _, margin = dense_margin(night, 0.0)
    inside = margin[(seconds >= start) & (seconds <= end)]
    assert (low, high) == pytest.approx((inside.min(), inside.max()), rel=1e-2)
    told = ranges_told(night.limits.scenario.requests[0].star, ((pair, low, high),))
    assert terminal._night_lines(plan, {"V01": told})[1].endswith(f"expected V²: {told}")
    assert "taken as a point" in ranges_told(giant(None).requests[0].star, ())


def test_feasibility_tells_each_baseline_over_its_openings():
    for diameter, wanted in ((5.0, " to "), (None, "taken as a point")):
        with offline_earth():
            answer = target_night(night_of(giant(diameter)), 0)
        [words] = [value for key, value in _reach(answer) if key == "expected V²"]
        assert wanted in words
    with offline_earth():
        [(_, low, high)] = target_night(night_of(giant(5.0)), 0).reach.vis2
    # 5 mas at 2 um on 52 to 60 m: x = pi 5 mas B/2 um = 1.98 to 2.28, (2 J1(x)/x)^2 = 0.34 to 0.22.
    assert 0.2 < low < high < 0.36
