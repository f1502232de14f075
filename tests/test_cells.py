"""Which cells a visit fills: crossings of smooth tracks, against paper, dense samples and other ticks."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from dense import dense_codes, filled_codes
from hypothesis import given, settings
from hypothesis import strategies as st
from invented import DATE, combiner, random_scenario, request, star
from nights import planned
from test_history import paper

from planner.constraints.tonight import night_limits
from planner.geometry.baselines import baseline_vectors_m
from planner.geometry.uv import uvw_m
from planner.geometry.uv_tracks import UvTracks, uv_tracks
from planner.scheduling.audit import audit_plan
from planner.scheduling.audit_coverage import chords_of, crossed_inside, crossed_near
from planner.scheduling.candidates import night_runs
from planner.science.contrast import Contrast
from planner.science.coverage import cell_codes, cell_runs, cells_of, stretches
from planner.sky.earth import offline_earth
from planner.sky.night import night_sky
from planner.units import RAD_PER_MAS, SIDEREAL_RAD_PER_S

CELL_M = 10.0
FIELD_MAS = 2e-6 / CELL_M / RAD_PER_MAS  # cells of 10 m at 2 um


def hours(degrees):
    """Seconds in which the Earth turns by so many degrees."""
    return np.deg2rad(degrees) / SIDEREAL_RAD_PER_S


def circle(radius_m, middle_m=(0.0, 0.0)):
    """A star at the pole sees a baseline go round: u = cos, v = sin of the turn since second zero."""
    return UvTracks(0.0, np.array([[middle_m], [[radius_m, 0.0]], [[0.0, radius_m]]]))


def cells_between(runs, start_s, end_s):
    return set(cells_of(runs.distinct[runs.during(np.array([start_s]), np.array([end_s]))[0]]))


# By hand.


def test_a_track_that_grazes_an_edge_fills_the_cell_behind_it_however_briefly():
    # u = 45.001 cos H passes the edge at 45 m while cos H > 45/45.001, |H| < 0.382 deg: 91.4 s on each side.
    runs = cell_runs(circle(45.001), (2.0,), FIELD_MAS, (hours(-3.0), hours(3.0)))
    graze = np.flatnonzero(runs.cell == np.flatnonzero([c == (5, 0) for c in cells_of(runs.distinct)])[0])
    [begin], [end] = runs.begin_s[graze], runs.end_s[graze]
    half = np.arccos(45.0 / 45.001) / SIDEREAL_RAD_PER_S
    assert (begin, end) == pytest.approx((-half, half), abs=1e-6)
    assert half == pytest.approx(91.4, abs=0.1)
    # Samples of five minutes miss it; a visit that comes within a second of it does not.
    seconds = np.arange(-450.0, 600.0, 300.0)
    sampled = cells_of(cell_codes(circle(45.001).at(seconds), (2.0,), FIELD_MAS))
    assert set(sampled) == {(4, 0)}
    assert cells_between(runs, end - 1.0, end + 300.0) == {(4, 0), (5, 0)}


def test_a_recording_that_ends_on_the_edge_does_not_fill_the_cell_behind_it():
    runs = cell_runs(circle(50.0), (2.0,), FIELD_MAS, (0.0, hours(90.0)))
    edge_s = np.arccos(45.0 / 50.0) / SIDEREAL_RAD_PER_S  # 25.8 deg; v passes 15 and 5 m at 17.5 and 5.7 deg
    at = runs.begin_s[np.argmin(np.abs(runs.begin_s - edge_s))]
    assert at == pytest.approx(edge_s, abs=1e-6)
    assert cells_between(runs, at - 60.0, at) == {(5, 2)}
    assert cells_between(runs, at - 60.0, at + 0.01) == {(5, 2), (4, 2)}
    assert cells_between(runs, at, at + 60.0) == {(4, 2)}


def test_a_track_that_touches_an_edge_for_a_moment_stays_in_its_cell():
    runs = cell_runs(circle(45.0), (2.0,), FIELD_MAS, (hours(-3.0), hours(3.0)))
    assert cells_of(runs.distinct) == ((4, 0),)


def test_a_baseline_along_the_axis_of_the_earth_stays_in_one_cell_all_night():
    still = UvTracks(0.0, np.array([[[0.0, 30.0]], [[0.0, 0.0]], [[0.0, 0.0]]]))
    runs = cell_runs(still, (2.0,), FIELD_MAS, (0.0, 40000.0))
    assert (runs.begin_s.tolist(), runs.end_s.tolist()) == ([0.0], [40000.0])
    assert cells_of(runs.distinct) == ((0, 3),)


def test_a_day_and_a_half_goes_round_as_often_as_it_does():
    # 540 deg of a circle of 7 m: u and v pass 5 m at 44.4 and 45.6 deg and at their mirror images.
    runs = cell_runs(circle(7.0), (2.0,), FIELD_MAS, (0.0, hours(540.0)))
    turns = [np.rad2deg(SIDEREAL_RAD_PER_S * begin) for begin in runs.begin_s[1:]]
    one = [q + x for q in (0, 90, 180, 270) for x in (44.415, 45.585)]
    assert turns == pytest.approx([*one, *(x + 360 for x in one[:4])], abs=1e-3)


def test_only_stretches_with_a_length_are_recorded():
    usable = np.array([True, False, True, True, False, True, True, True])
    assert stretches(usable, 10.0).tolist() == [[20.0, 30.0], [50.0, 70.0]]
    runs = cell_runs(circle(50.0), (2.0,), FIELD_MAS, (0.0, hours(90.0)))
    assert not runs.inside(np.empty((0, 2))).any()


# Counted in another way.

tracks_of = st.builds(
    lambda *numbers: UvTracks(0.0, np.array(numbers).reshape(3, 1, 2)),
    *[st.floats(-150.0, 150.0).map(lambda metres: round(metres, 3)) for _ in range(6)],
)


@settings(max_examples=60, deadline=None)
@given(tracks_of, st.floats(5.0, 200.0), st.floats(-40000.0, 0.0), st.floats(60.0, 90000.0))
def test_every_one_of_many_samples_lies_in_the_cell_of_the_run_of_its_moment(track, field, start, length):
    runs = cell_runs(track, (2.2, 1.6), field, (start, start + length))
    seconds = start + (np.arange(2000) + 0.5) / 2000 * length
    codes = cell_codes(track.at(seconds), (2.2, 1.6), field)
    for channel in range(2):
        # Runs of the channels stand one behind the other, each in the order of time.
        first = np.flatnonzero(runs.begin_s == start)
        own = slice(first[channel], [*first, len(runs.begin_s)][channel + 1])
        assert np.array_equal(runs.begin_s[own][1:], runs.end_s[own][:-1])
        assert (runs.end_s[own][-1], runs.begin_s[own][0]) == (start + length, start)
        at = np.searchsorted(runs.end_s[own], seconds)
        away = np.abs(seconds - runs.begin_s[own][at]), np.abs(seconds - runs.end_s[own][at])
        same = runs.distinct[runs.cell[own]][at] == codes[:, 0, channel]
        assert np.all(same | (np.minimum(*away) < 1e-3))


@settings(max_examples=40, deadline=None)
@given(tracks_of, st.floats(5.0, 200.0), st.floats(300.0, 20000.0), st.sampled_from([0.0, 3.0, 20.0, 60.0]))
def test_the_chords_of_the_audit_cross_the_same_cells_but_for_what_is_left_open(
    track, field, length, diameter
):
    uv = np.moveaxis(track.at(np.linspace(0.0, length, 1 + round(length / 10.0))), 0, 1)
    wish = request(star("giant", 0.0, 0.0, diameter_mas=diameter), "light", field_mas=field)
    light = combiner(2, wavelengths_um=(2.2,), vis2_min=0.01)
    contrast = Contrast(wish.star, (2.2,), 0.01)
    runs = cell_runs(track, (2.2,), field, (0.0, length), contrast)
    cells = set(cells_of(runs.distinct))
    chords = chords_of([uv], light, wish)
    assert crossed_inside(chords, 0.01) <= cells <= crossed_near(chords, 0.01)


@cache
def night(tick_s, seed=3):
    scenario = random_scenario(seed, requests=2, telescopes=4)
    scenario = scenario.model_copy(update={"night": scenario.night.model_copy(update={"tick_s": tick_s})})
    with offline_earth():
        sky = night_sky(scenario, DATE)
        return night_limits(scenario, sky, scenario.night.configuration)


def test_tracks_are_ellipses_to_a_fifth_of_a_millimetre():
    limits = night(30)
    every = baseline_vectors_m(limits.placement.vectors_m)
    uv = uvw_m(limits.sky.icrs_rad[:1], limits.sky.frame.boost, every)[0, :, :, :2]
    seconds = 30.0 * np.arange(len(uv))
    at = np.linspace(0, len(uv) - 1, 13).round().astype(int)
    assert np.abs(uv_tracks(seconds[at], uv[at]).at(seconds) - uv).max() < 0.2e-3


def test_shorter_ticks_change_no_cell_and_no_moment():
    long, short = night(30), night(15)
    late_s = (short.sky.times[0] - long.sky.times[0]).to_value("s")
    rng = np.random.default_rng(0)
    for number in range(2):
        ours, theirs = night_runs(long, number), night_runs(short, number)
        start = rng.uniform(100.0, 20000.0, 200)
        end = start + rng.uniform(60.0, 3600.0, 200)
        filled = [ours.during(start, end), theirs.during(start - late_s, end - late_s)]
        for one, other in zip(*filled, strict=True):
            assert np.array_equal(ours.distinct[one], theirs.distinct[other])


def test_a_night_crosses_what_the_spline_of_the_earth_crosses_second_by_second():
    limits = night(30)
    every = baseline_vectors_m(limits.placement.vectors_m)
    end_s = 30.0 * (len(limits.sky.times) - 1)
    for number in range(2):
        _, codes = dense_codes(limits.scenario, limits.sky, number, every, (0.0, end_s))
        runs = night_runs(limits, number)
        sampled = filled_codes(codes)
        missed = np.setdiff1d(runs.distinct, sampled)
        assert len(np.setdiff1d(sampled, runs.distinct)) == 0
        # What a second misses is crossed in less than a second.
        for code in missed:
            own = runs.distinct[runs.cell] == code
            assert (runs.end_s - runs.begin_s)[own].max() < 1.0
        assert len(sampled) > 10


def test_a_visit_that_grazes_a_cell_is_planned_with_it_and_passes_its_audit():
    # 60 m on the equator at 2 um: u = 60 cos H. A field whose edge lies at 59.995 m: |H| < 0.74 deg, 3 min.
    scenario = paper(0.0)
    field = 6.5 * 2e-6 / 59.995 / RAD_PER_MAS
    wish = scenario.requests[0].model_copy(update={"field_mas": field})
    plan = planned(scenario.model_copy(update={"requests": (wish,)}))[1]
    assert (7, 0) in {cell for visit in plan.visits for cell in visit.new_cells}
    assert audit_plan(plan).passed
