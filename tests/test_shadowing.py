"""A neighbour's enclosure in the light: by hand, against rays cast one by one, then as laws."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invented import airless_sky, enu, placement, telescope_class

from planner.constraints.shadowing import dark_edge_m, obstructed_fraction, obstruction, shadowing


def hidden(vectors_m, classes, azimuth_deg, altitude_deg):
    """Fraction of the first telescope's pupil that its neighbours hide, for each direction given."""
    direction = np.atleast_2d(enu(azimuth_deg, altitude_deg))[None]
    return obstruction(airless_sky(direction), placement(vectors_m, classes))[0, :, 0]


def wall(distance_m, height_m, **own):
    """A telescope of one metre with a very wide neighbour whose face is ``distance_m`` to the north."""
    classes = (telescope_class(**own), telescope_class(enclosure_radius_m=500.0, enclosure_height_m=height_m))
    return [(0.0, 0.0, 0.0), (0.0, distance_m + 500.0, 0.0)], classes


# By hand.


def test_the_dark_edge_lies_where_the_ray_over_the_top_starts():
    # Face at 30 - 5 = 25 m, top 20 m above the pupil's centre, altitude 45: (20 - 25) cos 45 = -3.536.
    edge = dark_edge_m(
        np.array([0.0]), np.array([[0.0, 1.0]]), np.array([np.pi / 4]), (np.array([0.0, 30.0]), 5.0, 20.0)
    )
    assert edge == pytest.approx(-5.0 / np.sqrt(2.0))
    # Four metres to the side the cylinder is only 3 m deep: 30 - 3 = 27 m.
    beside = (np.array([4.0, 30.0]), 5.0, 20.0)
    edge = dark_edge_m(np.array([0.0]), np.array([[0.0, 1.0]]), np.array([np.pi / 4]), beside)
    assert edge == pytest.approx(-7.0 / np.sqrt(2.0))
    behind = (np.array([0.0, -30.0]), 5.0, 20.0)
    assert dark_edge_m(np.array([0.0]), np.array([[0.0, 1.0]]), np.array([np.pi / 4]), behind) == -np.inf


def test_half_the_pupil_is_dark_when_the_top_stands_at_its_centre():
    # Top 17 m, pupil at 2 m, face 30 m away: tan h = 15/30.
    vectors, classes = wall(30.0, 17.0)
    assert hidden(vectors, classes, 0.0, np.rad2deg(np.arctan(0.5))) == pytest.approx(0.5, abs=1e-3)


@pytest.mark.parametrize(("touch", "expected"), [(-0.5, 0.0), (0.5, 1.0)])
def test_the_pupil_is_clear_and_dark_when_the_top_touches_its_lower_and_upper_rim(touch, expected):
    # (T' - a tan h) cos h = y: at the rims y = -+0.5 m, solved for h by T' cos h - a sin h = y.
    rise, face = 15.0, 30.0
    altitude = np.arctan2(rise, face) - np.arcsin(touch / np.hypot(rise, face))
    vectors, classes = wall(face, 17.0)
    just = np.rad2deg(altitude) + np.array([-0.05, 0.0, 0.05])  # 0.05 deg is 3 cm of the edge
    lower, at_rim, higher = hidden(vectors, classes, 0.0, just)
    assert at_rim == pytest.approx(expected, abs=2e-3)
    assert lower > higher or (lower == higher == 1.0 and touch > 0)


def test_a_quarter_of_the_diameter_hides_the_known_segment_of_a_circle():
    # The segment below half a radius: 1/3 - sqrt(3)/(4 pi) = 0.1955 of the disk.
    offset = (np.arange(200) + 0.5) / 200 - 0.5
    edge = np.full((1, 200), -0.25)
    assert obstructed_fraction(edge, offset, 1 / 200, 1.0) == pytest.approx(
        1 / 3 - np.sqrt(3) / (4 * np.pi), abs=5e-4
    )
    assert obstructed_fraction(np.full((1, 200), np.inf), offset, 1 / 200, 1.0) == 1.0
    assert obstructed_fraction(np.full((1, 200), -np.inf), offset, 1 / 200, 1.0) == 0.0


def test_a_neighbour_hides_nothing_behind_nor_beside_the_telescope():
    vectors, classes = wall(30.0, 17.0)
    assert hidden(vectors, classes, 180.0, 5.0) == 0.0
    slim = (telescope_class(), telescope_class(enclosure_radius_m=3.0, enclosure_height_m=17.0))
    # 20 m to the north-east with 3 m radius and half a metre of pupil: 10 degrees at most.
    found = hidden([(0, 0, 0), (14.142, 14.142, 0)], slim, np.array([34.0, 37.0, 45.0, 53.0, 56.0]), 20.0)
    assert np.flatnonzero(found > 0).tolist() == [1, 2, 3]


def test_a_neighbour_on_lower_ground_hides_less():
    vectors, classes = wall(30.0, 17.0)
    lower = [vectors[0], (0.0, 530.0, -15.0)]
    assert hidden(lower, classes, 0.0, 5.0) == 0.0
    assert hidden(vectors, classes, 0.0, 5.0) == 1.0


def test_the_margin_is_what_is_left_of_the_allowed_fraction():
    vectors, classes = wall(30.0, 17.0, obstruction_max=0.6)
    direction = enu(0.0, np.rad2deg(np.arctan(0.5)))[None, None]
    verdict = shadowing(airless_sky(direction), placement(vectors, classes))
    assert verdict.margin[0, 0] == pytest.approx([0.1, 0.0], abs=1e-3)
    assert (verdict.unit, verdict.axes) == ("of the pupil", ("star", "time", "telescope"))


# Every ray.


def cast(vectors_m, classes, azimuth_deg, altitude_deg, rays=400):
    """The same fraction by following each ray of a sunflower of rays through space into solid cylinders."""
    own = classes[0]
    towards = enu(azimuth_deg, altitude_deg)
    right = np.array([towards[1], -towards[0], 0.0]) / np.hypot(*towards[:2])
    upward = np.cross(right, towards)
    index = np.arange(rays) + 0.5
    radius, turn = own.diameter_m / 2 * np.sqrt(index / rays), np.pi * (1 + np.sqrt(5)) * index
    pupil = np.array(vectors_m[0]) + np.array([0.0, 0.0, own.pupil_height_m])
    start = pupil + np.outer(radius * np.cos(turn), right) + np.outer(radius * np.sin(turn), upward)
    dark = np.zeros(rays, dtype=bool)
    for other, centre in zip(classes[1:], vectors_m[1:], strict=True):
        # |start + t towards - centre|^2 = R^2 in the horizontal plane; the ray is lowest where it enters.
        apart = start[:, :2] - np.array(centre[:2])
        a = towards[:2] @ towards[:2]
        b = apart @ towards[:2]
        root = b**2 - a * (np.sum(apart**2, axis=1) - other.enclosure_radius_m**2)
        entry = (-b - np.sqrt(np.maximum(root, 0.0))) / a
        height = start[:, 2] + entry * towards[2]
        dark |= (root > 0) & (entry > 0) & (height < centre[2] + other.enclosure_height_m)
    return dark.mean()


neighbours = st.lists(
    st.tuples(
        st.floats(0.0, 360.0),  # azimuth of the neighbour
        st.floats(12.0, 60.0),  # distance
        st.floats(-4.0, 4.0),  # height of its pad
        st.floats(0.5, 6.0),  # radius
        st.floats(1.0, 25.0),  # height of the top
    ),
    min_size=1,
    max_size=3,
)


def built(around, diameter_m=2.0):
    vectors, classes = [(0.0, 0.0, 0.0)], [telescope_class(diameter_m=diameter_m)]
    for azimuth, distance, rise, radius, height in around:
        east, north, _ = distance * enu(azimuth, 0.0)
        vectors.append((east, north, rise))
        classes.append(telescope_class(enclosure_radius_m=radius, enclosure_height_m=height))
    return vectors, tuple(classes)


@settings(max_examples=150, deadline=None)
@given(neighbours, st.floats(-25.0, 25.0), st.floats(1.0, 80.0), st.floats(0.5, 8.0))
def test_the_hidden_fraction_is_that_of_rays_cast_one_by_one(around, aside, altitude, diameter):
    # 400 rays and 200 strips: 0.02 of the pupil.
    vectors, classes = built(around, diameter)
    azimuth = (around[0][0] + aside) % 360.0
    found = hidden(vectors, classes, azimuth, altitude)[0]
    assert found == pytest.approx(cast(vectors, classes, azimuth, altitude), abs=0.02)


def test_enclosures_seen_at_every_azimuth_hide_what_the_rays_say():
    rng = np.random.default_rng(5)
    partly = 0
    for _ in range(40):
        low, high = (0.0, 12.0, -2.0, 1.0, 6.0), (360.0, 40.0, 2.0, 6.0, 25.0)
        around = rng.uniform(low, high, (3, 5)).tolist()
        vectors, classes = built(around)
        azimuth, altitude = around[0][0] + rng.uniform(-12, 12, 30), rng.uniform(5, 60, 30)
        found = hidden(vectors, classes, azimuth, altitude)
        rays = [cast(vectors, classes, *spot) for spot in zip(azimuth, altitude, strict=True)]
        assert found == pytest.approx(rays, abs=0.02)
        partly += np.count_nonzero((found > 0.05) & (found < 0.95))
    assert partly > 50


# Laws.


@settings(deadline=None)
@given(neighbours, st.floats(0.0, 3.0), st.floats(0.0, 5.0), st.floats(-25.0, 25.0), st.floats(1.0, 80.0))
def test_a_bigger_enclosure_never_hides_less(around, wider, taller, aside, altitude):
    azimuth = (around[0][0] + aside) % 360.0
    bigger = [(a, d, z, r + wider, t + taller) for a, d, z, r, t in around]
    less = hidden(*built(around), azimuth, altitude)[0]
    assert hidden(*built(bigger), azimuth, altitude)[0] >= less - 1e-12


@settings(deadline=None)
@given(neighbours, st.floats(-25.0, 25.0), st.floats(1.0, 79.0), st.floats(0.0, 10.0))
def test_a_higher_star_is_never_hidden_more(around, aside, altitude, above):
    azimuth = (around[0][0] + aside) % 360.0
    low, high = hidden(*built(around), azimuth, np.array([altitude, altitude + above]))
    assert 0.0 <= high <= low + 1e-12
    assert low <= 1.0 + 1e-12


@settings(deadline=None)
@given(neighbours, st.floats(-180.0, 180.0), st.floats(1.0, 80.0), st.tuples(*[st.floats(-500.0, 500.0)] * 3))
def test_moving_or_turning_the_whole_array_hides_the_same(around, turn, altitude, shift):
    vectors, classes = built(around)
    azimuth = around[0][0] + 1.0
    here = hidden(vectors, classes, azimuth, altitude)
    there = hidden(np.array(vectors) + np.array(shift), classes, azimuth, altitude)
    assert there == pytest.approx(here, abs=1e-9)
    turned, _ = built([(a + turn, *rest) for a, *rest in around])
    # A strip at the rim of a cylinder may fall on either side: 1 of 200.
    assert hidden(turned, classes, azimuth + turn, altitude) == pytest.approx(here, abs=0.006)
