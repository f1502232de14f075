"""Intervals: by hand, then against a row of yes and no."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.feasibility.spans import gaps, join, longest_s, meet, meet_all, total_s

LENGTH = 40  # cells of one second; every edge is a whole number, so a row of cells says everything


def spans_of(row):
    """The runs of yes in a row, as spans."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], np.asarray(row, dtype=int), [0]])))
    return tuple((float(a), float(b)) for a, b in edges.reshape(-1, 2))


def row_of(spans):
    """The middle of each cell: inside some span or not."""
    middle = np.arange(LENGTH) + 0.5
    return np.array([any(a < m < b for a, b in spans) for m in middle])


def in_order(spans, touching=False):
    """Start before end, one after the other, with room between them."""
    edges = [edge for span in spans for edge in span]
    steps = np.diff(edges)
    return bool(np.all(steps[::2] > 0) and np.all(steps[1::2] >= 0 if touching else steps[1::2] > 0))


rows = st.lists(st.booleans(), min_size=LENGTH, max_size=LENGTH).map(np.array)


# By hand.


def test_two_shifts_meet_while_both_are_there():
    # 1 to 5 and 7 to 9, with 4 to 8: 4 to 5 and 7 to 8.
    assert meet(((1.0, 5.0), (7.0, 9.0)), ((4.0, 8.0),)) == ((4.0, 5.0), (7.0, 8.0))
    # Shifts that only shake hands have nothing in common.
    assert meet(((1.0, 5.0),), ((5.0, 8.0),)) == ()


def test_two_shifts_that_shake_hands_join_to_one():
    assert join([((5.0, 8.0),), ((1.0, 5.0),), ((9.0, 10.0),)]) == ((1.0, 8.0), (9.0, 10.0))
    assert join([]) == ()


def test_without_any_limit_the_whole_night_is_left():
    assert meet_all([], 100.0) == ((0.0, 100.0),)
    assert meet_all([()], 100.0) == ()
    assert meet_all([], 0.0) == ()


def test_what_is_left_over_lies_before_between_and_after():
    assert gaps((), 10.0) == ((0.0, 10.0),)
    assert gaps(((0.0, 10.0),), 10.0) == ()
    assert gaps(((2.0, 3.0), (4.0, 10.0)), 10.0) == ((0.0, 2.0), (3.0, 4.0))


def test_lengths_add_up_and_the_longest_is_told():
    two = ((0.0, 3.0), (5.0, 10.0))
    assert (total_s(two), longest_s(two)) == (8.0, 5.0)
    assert (total_s(()), longest_s(())) == (0.0, 0.0)


# Every cell.


@settings(deadline=None)
@given(rows, rows)
def test_spans_meet_where_both_rows_say_yes(one, other):
    found = meet(spans_of(one), spans_of(other))
    assert np.array_equal(row_of(found), one & other)
    assert in_order(found)
    assert found == meet(spans_of(other), spans_of(one))


@settings(deadline=None)
@given(st.lists(rows, min_size=1, max_size=5))
def test_many_spans_meet_and_join_like_their_rows(many):
    parts = [spans_of(row) for row in many]
    together, any_of = meet_all(parts, float(LENGTH)), join(parts)
    assert np.array_equal(row_of(together), np.all(many, axis=0))
    assert np.array_equal(row_of(any_of), np.any(many, axis=0))
    assert in_order(together)
    assert in_order(any_of)
    assert any_of == spans_of(np.any(many, axis=0))


@settings(deadline=None)
@given(rows)
def test_spans_and_their_gaps_fill_the_night_and_do_not_overlap(row):
    own = spans_of(row)
    left = gaps(own, float(LENGTH))
    assert np.array_equal(row_of(left), ~row)
    assert in_order(left)
    assert in_order(sorted((*own, *left)), touching=True)
    assert gaps(left, float(LENGTH)) == own
    assert total_s(own) + total_s(left) == pytest.approx(LENGTH)
    assert longest_s(own) == max((b - a for a, b in own), default=0.0)


@settings(deadline=None)
@given(
    st.lists(st.tuples(st.floats(0, 1e5), st.floats(0, 1e5)), max_size=8),
    st.lists(st.tuples(st.floats(0, 1e5), st.floats(0, 1e5)), max_size=8),
    st.floats(0, 1e5),
)
def test_a_moment_lies_in_both_and_in_either_as_logic_says(one, other, moment):
    # Edges of any size; a moment on an edge belongs to neither side and is left out.
    first, second = (join([((min(p), max(p)),) for p in pairs if p[0] != p[1]]) for pairs in (one, other))
    if any(moment in span for span in (*first, *second)):
        return
    inside = [any(a < moment < b for a, b in spans) for spans in (first, second)]
    assert any(a < moment < b for a, b in meet(first, second)) == all(inside)
    assert any(a < moment < b for a, b in join([first, second])) == any(inside)
    assert any(a < moment < b for a, b in gaps(first, 1e5)) == (not inside[0] and 0 < moment < 1e5)
