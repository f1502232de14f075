"""The fringe tracker: by hand, against the outside, laws, every tree of baselines.

[M] marks a value that stands here from memory, not read in its source.
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.sparse.csgraph import minimum_spanning_tree

from planner.scenario.light_path import FringeTracker
from planner.science.tracking import (
    chain,
    chain_margin,
    contrast,
    correlated_magnitude,
    edge_margin_mag,
    tracked_sets,
)


def tracker(**changes):
    return FringeTracker(
        **{
            "name": "T",
            "beams": 4,
            "band": "K",
            "wavelength_um": 2.2,
            "group_delay_limit": {"large": 9.0, "small": 7.0},
            "phase_limit": {"large": 8.0},
            **changes,
        }
    )


def pairs(beams):
    return list(itertools.combinations(range(beams), 2))


def margins(beams):
    """Few values, so that equals and baselines that show nothing are common."""
    return arrays(float, len(pairs(beams)), elements=st.sampled_from([-np.inf, -1.0, 0.0, 0.5, 2.0]))


@st.composite
def graphs(draw):
    """Margins of up to 5 beams, and some of the beams in any order."""
    beams = draw(st.integers(2, 5))
    members = draw(st.permutations(range(beams)))[: draw(st.integers(1, beams))]
    return draw(margins(beams)), members, beams


# By hand.


def test_a_tenth_of_the_contrast_costs_two_and_a_half_magnitudes_and_none_costs_all():
    found = correlated_magnitude(np.array([[3.0], [5.0]]), np.array([1.0, -0.1, 0.0]))
    assert found == pytest.approx(np.array([[3.0, 5.5, np.inf], [5.0, 7.5, np.inf]]))


def test_a_tracker_for_fewer_beams_has_a_choice_and_a_larger_one_has_none():
    assert tracked_sets(4, 3) == [(0, 1, 2), (0, 1, 3), (0, 2, 3), (1, 2, 3)]
    assert tracked_sets(3, 4) == [(0, 1, 2)]


def test_a_baseline_is_tracked_as_well_as_its_smaller_telescope_allows():
    # A point of magnitude 5: the limit of two large is 9, with a small one 7; phase on large ones only, 8.
    classes, lengths = ("large", "large", "small"), np.full((2, 3), 50.0)
    assert edge_margin_mag(tracker(), False, 5.0, 0.0, classes, lengths).tolist() == [[4.0, 2.0, 2.0]] * 2
    found = edge_margin_mag(tracker(), True, 5.0, 0.0, classes, lengths[0])
    assert found.tolist() == [3.0, -np.inf, -np.inf]
    unknown = edge_margin_mag(tracker(), False, 5.0, 0.0, ("large", "unnamed"), np.array([50.0]))
    assert unknown.tolist() == [-np.inf]


def test_the_smallest_visibility_may_be_the_tighter_limit():
    # A point has V = 1, ten times the smallest visibility followed, 0.1 squared: 2.5 magnitudes.
    found = edge_margin_mag(tracker(vis2_min=0.01), False, 5.0, 0.0, ("large", "large"), np.array([50.0]))
    assert found == pytest.approx([2.5])


def test_a_missing_number_is_a_no():
    lengths = np.array([np.nan])
    assert edge_margin_mag(tracker(), False, 5.0, 1.0, ("large",) * 2, lengths) == [-np.inf]
    for magnitude in (np.nan, np.inf):
        assert edge_margin_mag(tracker(), False, magnitude, 1.0, ("large",) * 2, np.array([9.0])) == [-np.inf]


def test_a_chain_is_as_strong_as_its_weakest_link_and_needs_its_middle():
    # Beams 0 - 1 - 2 in a row: 3 and 1 magnitudes along it, nothing on the long baseline.
    margin = np.array([3.0, -np.inf, 1.0])
    assert chain_margin(margin, (0, 1, 2), 3) == 1.0
    assert chain(margin, (0, 1, 2), 3) == ((0, 1), (1, 2))
    assert chain_margin(margin, (0, 2), 3) == -np.inf
    assert chain(margin, (0, 2), 3) == ((0, 2),)
    assert chain_margin(margin, (1,), 3) == np.inf
    assert chain(margin, (1,), 3) == ()


def test_equal_links_are_taken_in_the_order_of_the_beams():
    assert chain(np.zeros(6), (3, 2, 1, 0), 4) == ((0, 1), (0, 2), (0, 3))


def test_the_contrast_falls_by_both_beams_errors():
    # At 2 pi um a micrometre is a radian. Errors 0.1, 0.1, 0.3: variances 0.02, 0.10, 0.10.
    errors = tracker(group_delay_rms_um=0.1, phase_rms_um=0.0, untracked_rms_um=0.3)
    found = contrast(errors, False, (0, 1), 3, 2 * np.pi)
    assert found == pytest.approx(np.exp([-0.01, -0.05, -0.05]))
    assert contrast(errors, True, (0, 1), 3, 2 * np.pi) == pytest.approx(np.exp([0.0, -0.045, -0.045]))


# The outside.


def test_no_tracker_follows_betelgeuse_at_the_baseline_where_its_fringes_vanished():
    # Michelson & Pease (1921, ApJ 53, 249) [M]: fringes of Betelgeuse, 47 mas, vanished at 121 inches.
    # 47 is rounded: V is 0.1 % there, 7 magnitudes. At half the distance fringes are plain.
    seeing = tracker(wavelength_um=0.575)
    lengths = np.array([121 * 0.0254, 121 * 0.0254 / 2])
    found = [
        edge_margin_mag(seeing, False, 0.5, 47.0, ("large", "large"), lengths[k : k + 1])[0] for k in (0, 1)
    ]
    assert found[0] < 9.0 - 0.5 - 6.5
    assert found[1] > 9.0 - 0.5 - 1.0


def test_a_chain_of_short_baselines_reaches_beyond_the_first_null():
    # Armstrong et al. (1998, ApJ 496, 550): bootstrapping. Stations in a row, the neighbours' baselines well
    # inside the first null of the disk (1.219670 lambda/B), the longest in its first side lobe, where V
    # squared is 0.017498 at most (Airy's pattern; Born & Wolf [M]).
    first_null_m = 1.219670 * 2.2e-6 / (10.0 / 206_264_806.247)
    places = np.array([0.0, 0.45, 0.9, 1.35]) * first_null_m
    lengths = np.array([places[j] - places[i] for i, j in pairs(4)])
    margin = edge_margin_mag(tracker(vis2_min=0.0175), False, 2.0, 10.0, ("large",) * 4, lengths)
    assert margin[2] < 0  # first to last
    assert chain_margin(margin, (0, 3), 4) < 0
    assert chain_margin(margin, (0, 1, 2, 3), 4) > 0
    assert sorted(chain(margin, (0, 1, 2, 3), 4)) == [(0, 1), (1, 2), (2, 3)]


def test_the_side_lobe_of_a_disk_is_followed_by_who_needs_no_more_than_its_height():
    # V squared of the first side lobe is 0.017498, at x = 5.13562, zero of J2 (Abramowitz & Stegun [M]).
    length = np.array([5.13562 * 2.2e-6 / np.pi / (10.0 / 206_264_806.247)])
    found = edge_margin_mag(tracker(vis2_min=0.017498), False, -10.0, 10.0, ("large",) * 2, length)
    assert found == pytest.approx([0.0], abs=1e-4)


def test_a_fourteenth_of_a_wavelength_leaves_four_fifths_of_the_contrast_squared():
    # Marechal's criterion (Born & Wolf) [M]: rms lambda/14 leaves 0.8, here of V squared; to 0.02.
    found = contrast(tracker(untracked_rms_um=2.2 / 14), True, (0,), 2, 2.2)
    assert found**2 == pytest.approx([0.80], abs=0.02)


@given(arrays(float, 10, elements=st.floats(-10, 10).map(lambda x: round(x, 3)), unique=True))
def test_the_chain_is_scipys_spanning_tree(margin):
    # scipy.sparse.csgraph takes the smallest sum, of positive weights.
    weights = np.zeros((5, 5))
    weights[np.triu_indices(5, 1)] = 20.0 - margin
    i, j = minimum_spanning_tree(weights).nonzero()
    assert sorted(chain(margin, range(5), 5)) == sorted(zip(i.tolist(), j.tolist(), strict=True))


# Laws.


@given(
    st.floats(-2, 12),
    st.floats(0.0, 5.0),
    st.floats(0, 20),
    arrays(float, (2, 3), elements=st.floats(0, 300)),
)
def test_a_fainter_star_is_tracked_no_better_and_phase_no_better_than_group_delay(
    magnitude, fainter, diameter_mas, lengths
):
    many = tracker(vis2_min=0.001)
    classes = ("large", "small", "large")
    here = edge_margin_mag(many, False, magnitude, diameter_mas, classes, lengths)
    assert np.all(edge_margin_mag(many, False, magnitude + fainter, diameter_mas, classes, lengths) <= here)
    assert np.all(edge_margin_mag(many, True, magnitude, diameter_mas, classes, lengths) <= here)
    assert np.all(here <= edge_margin_mag(tracker(), False, magnitude, diameter_mas, classes, lengths))


@given(graphs(), st.integers(0, 9), st.floats(0.0, 3.0))
def test_a_better_baseline_never_weakens_a_chain(graph, which, better):
    margin, members, beams = graph
    raised = margin.copy()
    raised[which % len(margin)] += better
    assert chain_margin(raised, members, beams) >= chain_margin(margin, members, beams)


@given(graphs())
def test_baselines_to_beams_outside_the_set_do_not_matter(graph):
    margin, members, beams = graph
    blind = [np.inf if {i, j} <= set(members) else -np.inf for i, j in pairs(beams)]
    inside = np.minimum(margin, blind)
    assert chain_margin(inside, members, beams) == chain_margin(margin, members, beams)
    assert chain(inside, members, beams) == chain(margin, members, beams)


@given(arrays(float, (2, 3, 6), elements=st.floats(-5, 5)), st.permutations(range(4)))
def test_many_times_at_once_are_each_time_alone(margin, members):
    found = chain_margin(margin, members[:3], 4)
    assert found.shape == (2, 3)
    for place in np.ndindex(2, 3):
        assert found[place] == chain_margin(margin[place], sorted(members[:3]), 4)


@given(st.floats(0, 2), st.floats(0, 2), st.floats(0.5, 10))
def test_better_tracking_never_costs_contrast(less, more, wavelength):
    held, loose = sorted((less, more))
    errors = tracker(group_delay_rms_um=loose, phase_rms_um=held, untracked_rms_um=loose)
    by_group, by_phase = (contrast(errors, phase, (0, 2), 3, wavelength) for phase in (False, True))
    assert np.all(by_phase >= by_group)
    assert np.all((by_group >= 0) & (by_phase <= 1))


# Every tree, every error.


def trees(members):
    """Every set of baselines that ties the members together with none to spare."""
    inside = list(itertools.combinations(sorted(members), 2))
    for tree in itertools.combinations(inside, len(members) - 1):
        reached = {min(members)}
        for _ in members:
            reached |= {beam for edge in tree if reached & set(edge) for beam in edge}
        if reached == set(members):
            yield tree


def test_there_are_as_many_trees_as_cayley_counts():
    # Cayley (1889): n^(n - 2).
    assert [len(list(trees(range(n)))) for n in (1, 2, 3, 4, 5)] == [1, 1, 3, 16, 125]


@given(graphs())
def test_no_tree_holds_the_members_better_than_the_chain(graph):
    margin, members, beams = graph
    of = dict(zip(pairs(beams), margin, strict=True))
    best = max(min((of[edge] for edge in tree), default=np.inf) for tree in trees(members))
    found = chain(margin, members, beams)
    assert chain_margin(margin, members, beams) == best
    assert min((of[edge] for edge in found), default=np.inf) == best
    assert found in {tuple(sorted(tree, key=lambda edge: (-of[edge], edge))) for tree in trees(members)}
    assert sum(of[edge] for edge in found) == max(sum(of[edge] for edge in tree) for tree in trees(members))


@given(graphs(), st.sampled_from([-2.0, -1.0, 0.0, 0.3, 0.5, 2.0, 3.0]))
def test_the_members_are_in_one_piece_at_every_threshold_up_to_the_margin(graph, threshold):
    margin, members, beams = graph
    kept = {edge for edge, its in zip(pairs(beams), margin, strict=True) if its >= threshold}
    whole = any(set(tree) <= kept for tree in trees(members))
    assert whole == (chain_margin(margin, members, beams) >= threshold)


@given(st.floats(0.0, 0.5), st.floats(0.0, 0.5))
def test_the_contrast_is_the_mean_fringe_over_every_error(tracked, untracked):
    # The mean of exp(2 pi i x/lambda) over Gaussian errors of both beams, by Gauss-Hermite quadrature.
    errors = tracker(phase_rms_um=tracked, untracked_rms_um=untracked)
    node, weight = np.polynomial.hermite_e.hermegauss(60)
    wave = 2j * np.pi / 2.2
    first, second = (
        np.sum(weight * np.exp(wave * rms * node)) / np.sqrt(2 * np.pi) for rms in (tracked, untracked)
    )
    assert contrast(errors, True, (0,), 2, 2.2) == pytest.approx([abs(first * second)], abs=1e-10)
