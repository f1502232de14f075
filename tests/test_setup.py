"""How long it takes from one star to the next: by hand, then as laws."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from invented import combiner, delay_line, random_array, telescope_class

from planner.scheduling.setup import (
    axis_s,
    capture_s,
    carriage_s,
    combiner_change_s,
    slew_s,
    ticks_up,
)


def test_a_slew_takes_as_long_as_its_slower_axis():
    # 2 deg/s and 4 s in azimuth, 1.5 deg/s and 3 s in altitude: 90 deg -> 45 + 4; 60 deg -> 40 + 3.
    own = telescope_class()
    assert slew_s(np.array(90.0), np.array(60.0), own) == pytest.approx(49.0)
    assert slew_s(np.array(10.0), np.array(60.0), own) == pytest.approx(43.0)


def test_an_axis_that_stays_needs_no_settling():
    assert axis_s(np.array([0.0, 0.5]), 2.0, 4.0, 0.1).tolist() == [0.0, 4.25]


def test_a_slew_unwinds_the_cable_instead_of_crossing_its_end():
    # From 200 to -150 degrees on the wrap is 350 degrees of turning, although the sky is 10 degrees away.
    assert slew_s(np.array(-150.0 - 200.0), np.array(0.0), telescope_class()) == pytest.approx(350 / 2 + 4)


def test_a_carriage_moves_half_the_light_path_on_a_double_line():
    # 30 m of light, 2 m of light per metre of rail, 0.5 m/s on the rail: 15 m take 30 s, and 3 s to settle.
    assert carriage_s(np.array(-30.0), delay_line("D")) == pytest.approx(33.0)
    assert carriage_s(np.array(30.0), delay_line("D", path_per_travel=4.0)) == pytest.approx(18.0)


def test_capture_waits_for_the_slowest_class():
    classes = [telescope_class("a", acquisition_s=20.0), telescope_class("b", acquisition_s=70.0)]
    assert capture_s(combiner(2), classes) == pytest.approx(120.0)


def test_changing_the_combiner_takes_the_new_ones_time():
    array = random_array(np.random.default_rng(1), 3, 2)
    second = combiner(3, name="other", setup_s=400.0)
    array = array.model_copy(update={"combiners": (*array.combiners, second)})
    change = combiner_change_s(array, [(c.name, None) for c in array.combiners])
    assert change.tolist() == [[0.0, 400.0], [240.0, 0.0]]


@given(st.floats(0, 1e5), st.integers(10, 60))
def test_rounding_up_never_shortens_and_adds_less_than_a_tick(seconds, tick_s):
    rounded = int(ticks_up(seconds, tick_s)) * tick_s
    assert rounded >= seconds - 2e-6
    assert rounded < seconds + tick_s


@given(st.floats(-500, 500), st.floats(-80, 80), st.floats(0.2, 5.0))
def test_a_faster_mount_never_takes_longer(turn, tilt, gain):
    slow = telescope_class()
    fast = telescope_class(
        azimuth_speed_deg_per_s=2.0 * (1 + gain), altitude_speed_deg_per_s=1.5 * (1 + gain)
    )
    assert slew_s(np.array(turn), np.array(tilt), fast) <= slew_s(np.array(turn), np.array(tilt), slow)
