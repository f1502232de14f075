"""Where words stand in a figure: none over another."""

from __future__ import annotations

import itertools

from planner.output.figure_places import free_place


def test_the_names_of_many_visits_near_the_zenith_stand_apart():
    # 40 names of 24 pixels for marks within ten pixels of each other, and the altitude of a ring among them.
    taken = [(0.0, 15.0, 24.0)]
    for number in range(40):
        x, y = 2.0 * (number % 5), 2.0 * (number // 5 % 5)
        free_place((x - 2.0, x + 2.0, y - 2.0, y + 2.0), 24.0, taken)
    assert len(taken) == 41
    for (x, y, width), (a, b, other) in itertools.combinations(taken, 2):
        assert abs(y - b) >= 11.0 or abs(x - a) >= (width + other) / 2.0
