"""Where words stand in a figure: none over another."""

from __future__ import annotations

import itertools
from types import SimpleNamespace

import numpy as np

from planner.output import figure_uv
from planner.output.figure_places import free_place
from planner.output.svg import Picture


def test_the_names_of_many_visits_near_the_zenith_stand_apart():
    # 40 names of 24 pixels for marks within ten pixels of each other, and the altitude of a ring among them.
    taken = [(0.0, 15.0, 24.0)]
    for number in range(40):
        x, y = 2.0 * (number % 5), 2.0 * (number // 5 % 5)
        free_place((x - 2.0, x + 2.0, y - 2.0, y + 2.0), 24.0, taken)
    assert len(taken) == 41
    for (x, y, width), (a, b, other) in itertools.combinations(taken, 2):
        assert abs(y - b) >= 11.0 or abs(x - a) >= (width + other) / 2.0


def test_the_number_of_a_visit_stands_clear_of_the_cells_of_another(monkeypatch):
    # Two tracks that end near one another, as of one star at two hour angles: cells of 5 Mλ, at 1 µm.
    def samples(key, end, cells):
        ends = np.array([[end], [(end[0] + 1.0, end[1] - 0.5)]])
        visit = SimpleNamespace(new_cells=cells)
        return figure_uv.Samples(SimpleNamespace(key=key, visit=visit), ends, np.array([1.0]))

    planned = [
        samples("V12", (-36.0, 3.0), [(-7, 0), (-7, 1)]),
        samples("V14", (-43.0, 8.0), [(-8, 1), (-8, 2), (-9, 2)]),
    ]
    places = {}
    monkeypatch.setattr(figure_uv, "write", lambda _, x, y, key, **style: places.update({key: (x, y)}))
    figure_uv._labels(None, planned, 51.0, 5.0, Picture("uv", 1.0, 1.0, "", "", {}))
    pixel = 2 * 51.0 / figure_uv.SIDE
    for sampled in planned:
        x, y = places[sampled.track.key]
        assert max(abs(x), abs(y)) < 51.0
        for u, v in (cell for s in planned if s is not sampled for cell in s.track.visit.new_cells):
            assert abs(x - 5 * u) >= 2.5 + 11.9 * pixel or abs(y - 5 * v) >= 2.5 + 4.4 * pixel
    (a, b), (c, d) = places["V12"], places["V14"]
    assert abs(a - c) >= 23.9 * pixel or abs(b - d) >= 10.9 * pixel
