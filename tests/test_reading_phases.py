"""Ranges of phase, joined around the turn."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from planner.scenario.programs import PhaseWindow, phase_gaps_s, phase_spans


# By hand: a range through zero is one span, what overlaps is one span, what touches is one span.
@pytest.mark.parametrize(
    ("phases", "spans"),
    [
        ([(0.9, 0.1)], [(0.9, 1.1)]),
        ([(0.8, 1.0), (0.0, 0.2)], [(0.8, 1.2)]),
        ([(0.4, 0.5), (0.9, 0.1), (0.1, 0.2)], [(0.4, 0.5), (0.9, 1.2)]),
        ([(0.5, 0.6), (0.55, 0.58)], [(0.5, 0.6)]),
        ([(0.0, 0.5), (0.5, 1.0)], [(0.0, 1.0)]),
        ([(0.5, 0.4), (0.45, 0.46)], [(0.45, 0.46), (0.5, 1.4)]),
        ([(1.0, 0.25)], [(0.0, 0.25)]),
    ],
)
def test_ranges_of_phase_are_joined_around_the_turn(phases, spans):
    found = phase_spans(PhaseWindow(epoch_bjd=2_461_000.5, period_d=1.0, phases=tuple(phases)))
    assert [edge for span in found for edge in span] == pytest.approx([e for span in spans for e in span])


# A law: a phase is in the joined spans exactly when it is in one of the ranges, and what they leave out and
# what they hold make one turn.
@given(
    st.lists(
        st.tuples(st.integers(0, 20), st.integers(0, 20)).filter(lambda r: r[0] != r[1] and r != (20, 0)),
        min_size=1,
        max_size=5,
    )
)
def test_joined_ranges_hold_what_the_ranges_hold(ranges):
    window = PhaseWindow(
        epoch_bjd=2_461_000.5, period_d=3.0, phases=tuple((a / 20.0, b / 20.0) for a, b in ranges)
    )
    spans = phase_spans(window)
    for middle in np.arange(20) + 0.5:
        wanted = any(a <= middle <= b if a < b else middle >= a or middle <= b for a, b in ranges)
        assert wanted == any(low <= middle / 20.0 + turn <= high for low, high in spans for turn in (0, 1))
    held = sum(high - low for low, high in spans)
    assert math.isclose(held + sum(phase_gaps_s(window)) / (3.0 * 86_400.0), 1.0, abs_tol=1e-9)
