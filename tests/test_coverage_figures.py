"""Gaps, beams and side lobes of a (u, v) plane: by hand, against published diffraction patterns, and laws."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from planner.science.coverage_figures import (
    coverage_figures,
    dirty_beam,
    peak_side_lobe,
    position_angle_gap,
    second_moment_beam,
)
from planner.units import RAD_PER_MAS


def ring(radius, count=64):
    angle = np.arange(count) * np.pi / count
    return radius * np.stack([np.sin(angle), np.cos(angle)], axis=-1)


def test_one_baseline_makes_a_fringe_that_comes_back_at_full_height():
    # cos(2 pi u a): 1, -1, 1 at a = 0, 1/(2u), 1/u.
    uv = np.array([[1e8, 0.0]])
    half = np.array([[0.0, 0.0], [0.5e-8, 0.0], [1e-8, 0.0]])
    assert dirty_beam(uv, half) == pytest.approx([1.0, -1.0, 1.0])
    assert peak_side_lobe(uv, 2e-8) == pytest.approx(1.0, abs=0.01)


def test_a_field_smaller_than_half_a_fringe_has_no_side_lobe():
    assert peak_side_lobe(np.array([[1e8, 0.0]]), 0.4e-8) is None


def test_two_baselines_of_one_and_two_share_the_full_fringe():
    # (cos x + cos 2x)/2: falls to -0.5625 at cos x = -1/4, rises to 0 at x = pi, is 1 again at x = 2 pi.
    uv = np.array([[1e8, 0.0], [2e8, 0.0]])
    assert peak_side_lobe(uv, 0.5e-8) == pytest.approx(0.0, abs=1e-9)
    assert peak_side_lobe(uv, 1.05e-8) == pytest.approx(1.0, abs=0.02)


def test_position_angles_leave_the_gap_one_sees_on_paper():
    uv = np.array([[0.0, 2.0], [1.0, 1.0], [-1.0, -1.0], [1.0, 0.0]])  # 0, 45, 45 again, 90 degrees
    gap = position_angle_gap(uv)
    assert (gap.width_deg, gap.from_deg, gap.to_deg) == pytest.approx((90.0, 90.0, 180.0))


def test_one_straight_line_has_a_beam_without_length():
    beam = second_moment_beam(np.array([[1e8, 0.0], [5e7, 0.0]]))
    assert beam.major_mas == np.inf
    assert beam.position_angle_deg == pytest.approx(0.0)  # the baseline lies east, the beam stretches north


def test_the_beam_of_a_ring_is_round_and_near_its_bessel_function():
    # By hand: each moment is rho^2/2, so the width is 2 sqrt(ln 2)/(pi rho).
    beam = second_moment_beam(ring(1e8))
    by_hand = 2.0 * np.sqrt(np.log(2.0)) / (np.pi * 1e8) / RAD_PER_MAS
    assert beam.major_mas == pytest.approx(by_hand, rel=1e-9)
    assert beam.minor_mas == pytest.approx(by_hand, rel=1e-9)
    # Outside: the beam of a ring is J0(2 pi rho x), and J0(1.5211) = 0.5 (tables of Bessel functions, from
    # memory). The Gaussian of the same curvature is 10 % wider there.
    assert by_hand == pytest.approx(2.0 * 1.5211 / (2.0 * np.pi * 1e8) / RAD_PER_MAS, rel=0.12)


def test_a_filled_disk_has_the_side_lobe_of_a_round_aperture():
    # Born & Wolf, Principles of Optics, table 8.2 (from memory): the second bright ring of (2 J1(x)/x)^2 is
    # 0.0042 at x = 2.679 pi; there the amplitude is positive. The first ring's amplitude is negative.
    side = np.linspace(-1.0, 1.0, 81)
    u, v = np.meshgrid(side, side)
    inside = np.stack([u.ravel(), v.ravel()], axis=-1)[(np.hypot(u, v) <= 1.0).ravel()]
    assert peak_side_lobe(inside * 1e8, 2.0e-8) == pytest.approx(np.sqrt(0.0042), abs=0.004)


def test_no_samples_have_no_coverage():
    with pytest.raises(ValueError, match="no samples"):
        coverage_figures(np.empty((0, 2)), 20.0)


SAMPLES = st.lists(
    st.tuples(st.floats(-1e8, 1e8), st.floats(-1e8, 1e8)).filter(lambda uv: np.hypot(*uv) > 1e5),
    min_size=2,
    max_size=12,
).map(np.array)


@given(SAMPLES)
def test_swapping_the_ends_of_every_baseline_changes_nothing(uv):
    there, back = coverage_figures(uv, 10.0), coverage_figures(-uv, 10.0)
    assert there.beam.minor_mas == pytest.approx(back.beam.minor_mas)
    assert there.gap.width_deg == pytest.approx(back.gap.width_deg, abs=1e-6)
    assert (there.side_lobe is None) == (back.side_lobe is None)


@given(SAMPLES, st.floats(1.5, 20.0))
def test_longer_baselines_make_a_finer_beam(uv, factor):
    coarse, fine = second_moment_beam(uv), second_moment_beam(factor * uv)
    assert fine.minor_mas == pytest.approx(coarse.minor_mas / factor)


@given(SAMPLES)
def test_the_beam_is_never_longer_across_than_along(uv):
    beam = second_moment_beam(uv)
    assert beam.minor_mas <= beam.major_mas * (1.0 + 1e-9)
    assert 0.0 <= beam.position_angle_deg < 180.0


@given(SAMPLES)
def test_no_side_lobe_is_higher_than_the_peak(uv):
    lobe = peak_side_lobe(uv, 50.0 * RAD_PER_MAS)
    assert lobe is None or lobe <= 1.0 + 1e-12
