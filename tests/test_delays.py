"""The delay equation: by hand, laws, every common offset."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from invented import DATE, delay_line, random_scenario

from planner.geometry.delays import following_offset_m, offset_range_m, path_m, travel_m
from planner.sky.night import night_sky

STATIONS_M = np.array([[0, 0, 0], [64, 12, 0.5], [151, -133, 3.2], [-90, 77, -2.0]])


# By hand.


def test_the_path_is_the_lead_of_the_station_less_its_fixed_path():
    # A star on the eastern horizon: 10 m to the east is 10 m nearer the star.
    direction = np.array([[[1.0, 0.0, 0.0], [0.0, 0.0, 1.0]]])
    path = path_m(direction, np.array([[10.0, 5.0, 2.0]]), np.array([3.0]))
    assert path[0, :, 0].tolist() == [7.0, -1.0]


def test_the_common_offset_may_lie_between_the_tightest_ends():
    # Strokes 0..90 and 10..60, paths -5..5 and 20..30: K from max(5, -10) to min(85, 30).
    stroke = np.array([[0.0, 90.0], [10.0, 60.0]])
    low, high = offset_range_m(stroke, np.array([-5.0, 20.0]), np.array([5.0, 30.0]))
    assert (low, high) == (5.0, 30.0)


def test_the_offset_follows_so_that_the_largest_move_is_smallest():
    # Paths change by +10 and -2: moving K by -4 leaves 6 m for either carriage; the range stops it at -3.
    step, offset = np.array([10.0, -2.0]), np.array(50.0)
    assert following_offset_m(offset, step, np.array(0.0), np.array(90.0)) == 46.0
    assert following_offset_m(offset, step, np.array(47.0), np.array(90.0)) == 47.0


def test_thirty_metres_of_light_are_fifteen_metres_of_rail_and_less_in_air():
    assert travel_m(np.array(30.0), delay_line("D"), 1.0003) == 15.0
    line = delay_line("D", medium="air", path_per_travel=4.0)
    assert travel_m(np.array(30.0), line, 1.0003) == pytest.approx(7.5 / 1.0003, abs=1e-12)


# Laws.


def test_moving_the_whole_array_changes_every_path_alike():
    sky = night_sky(random_scenario(4, tick_s=60), DATE)
    here = path_m(sky.direction, STATIONS_M, np.arange(4.0))
    there = path_m(sky.direction, STATIONS_M + np.array([1000.0, -700.0, 30.0]), np.arange(4.0))
    assert np.ptp(there - here, axis=-1).max() < 1e-9


# Every common offset.

metres = st.integers(-12, 12)


@given(st.lists(st.tuples(metres, st.integers(0, 10), metres, st.integers(0, 4)), min_size=2, max_size=5))
def test_a_set_of_beams_is_feasible_when_some_offset_is_and_exactly_when_each_pair_is(beams):
    # Helly's theorem in one dimension. Whole metres: whole offsets are enough to find one.
    stroke = np.array([[low, low + width] for low, width, _, _ in beams], dtype=float)
    lowest = np.array([g for _, _, g, _ in beams], dtype=float)
    highest = lowest + [spread for _, _, _, spread in beams]
    low, high = offset_range_m(stroke, lowest, highest)
    fits = [
        k
        for k in range(-60, 61)
        if np.all(stroke[:, 0] <= k + lowest) and np.all(k + highest <= stroke[:, 1])
    ]
    assert (high >= low) == (len(fits) > 0)
    if len(fits):
        assert (low, high) == (fits[0], fits[-1])

    def feasible(some):
        first, last = offset_range_m(stroke[some], lowest[some], highest[some])
        return last >= first

    alone = all(feasible([i]) for i in range(len(beams)))
    together = all(feasible(list(two)) for two in itertools.combinations(range(len(beams)), 2))
    assert (high >= low) == (alone and together)


@given(arrays(int, 4, elements=st.integers(-20, 20)), metres, metres, st.integers(0, 12))
def test_no_other_allowed_offset_moves_the_largest_carriage_less(step, offset, low, width):
    chosen = following_offset_m(np.array(offset), step, np.array(low), np.array(low + width))
    assert low <= chosen <= low + width
    every = np.arange(2 * low, 2 * (low + width) + 1) / 2.0  # the middle of whole steps is a half at most
    moves = np.abs(every[:, None] - offset + step).max(axis=1)
    assert np.abs(chosen - offset + step).max() == moves.min()
