"""Two stars at once: by hand, against ERFA and astropy, laws, every offset and turn.

[M] marks a value that stands here from memory, not read in its source.
"""

from __future__ import annotations

from decimal import Decimal, localcontext

import erfa
import numpy as np
import pytest
from astropy.coordinates import AltAz, SkyCoord
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from invented import star
from skies import utc

from planner.geometry.delays import path_m
from planner.geometry.dual_feed import (
    baseline_error_m,
    difference_vector,
    differential_offset_range_m,
    differential_path_m,
    field_angle_deg,
    field_margin_deg,
    parallactic_deg,
    path_error_m,
    separation,
)
from planner.sky.directions import directions, location_of, natural_directions
from planner.sky.earth import Place, earth_frame, offline_earth

DESERT = Place(-29.25, -70.6, 2400.0)
STATIONS_M = np.array([[0, 0, 0], [64, 12, 0.5], [51, -33, 3.2], [-30, 77, -2.0]])
ARCSEC = np.pi / 180 / 3600
NIGHT = tuple(f"2027-03-05T0{hour}:30:00" for hour in range(10))

places = st.tuples(st.floats(0, 2 * np.pi), st.floats(-1.57, 1.57)).map(np.array)
shifts = st.tuples(st.integers(-99, 99), st.integers(-99, 99), st.integers(-13, -2)).map(
    lambda shift: np.array(shift[:2]) * 10.0 ** shift[2]
)


def sine(x):
    """Of a Decimal, by its series; no rounding that a test could see."""
    term = total = x
    for n in range(1, 60):
        term *= -x * x / ((2 * n) * (2 * n + 1))
        total += term
    return total


def precise(first, second):
    """Second unit vector minus first with fifty digits, from the same numbers."""
    with localcontext() as context:
        context.prec = 60
        half_turn = Decimal("3.14159265358979323846264338327950288419716939937510582097494")

        def vector(place):
            ra, dec = (Decimal(float(angle)) for angle in place)
            cos_dec = sine(half_turn / 2 - dec)
            return cos_dec * sine(half_turn / 2 - ra), cos_dec * sine(ra), sine(dec)

        return np.array([float(b - a) for a, b in zip(vector(first), vector(second), strict=True)])


# By hand.


def test_ten_microarcseconds_on_a_hundred_metres_are_five_nanometres():
    # pi/180/3600 * 1e-5 rad = 4.848e-11 rad, times 100 m.
    assert path_error_m(1e-5 * ARCSEC, 100.0) == pytest.approx(4.848e-9, abs=5e-13)


def test_five_nanometres_at_ten_arcseconds_ask_for_the_baseline_to_a_tenth_of_a_millimetre():
    # 4.848e-9 m over 4.848e-5 rad.
    assert baseline_error_m(path_error_m(1e-5 * ARCSEC, 100.0), 10 * ARCSEC) == pytest.approx(1e-4)
    assert baseline_error_m(np.array([1e-9, 1e-9]), np.array([1e-5, 0.0])).tolist() == [1e-9 / 1e-5, np.inf]


def test_a_star_to_the_east_is_nearer_than_its_right_ascension_says():
    # At declination 60 degrees two arcseconds of right ascension are one of separation.
    here = np.array([1.0, np.pi / 3])
    apart, angle = separation(here, here + np.array([2 * ARCSEC, 0.0]))
    assert (apart / ARCSEC, np.rad2deg(angle)) == pytest.approx((1.0, 90.0), abs=1e-3)
    for shift, expected in (([0, 1], 0.0), ([0, -1], 180.0), ([-1, 0], 270.0)):
        assert np.rad2deg(separation(here, here + np.array(shift) * ARCSEC)[1]) == pytest.approx(
            expected, abs=1e-3
        )
    assert separation(here, here) == (0.0, 0.0)


def test_a_star_across_the_first_point_of_aries_is_near():
    apart, angle = separation(np.array([2 * np.pi - 1e-6, 0.0]), np.array([1e-6, 0.0]))
    assert (apart, angle) == pytest.approx((2e-6, np.pi / 2), rel=1e-9)


def test_ten_microarcseconds_to_the_north_of_the_equinox_point_along_the_pole():
    found = difference_vector(np.zeros(2), np.array([0.0, 1e-5 * ARCSEC]))
    assert found == pytest.approx([-0.5 * (1e-5 * ARCSEC) ** 2, 0.0, 1e-5 * ARCSEC], rel=1e-12, abs=1e-40)


def test_a_star_further_east_by_a_milliradian_has_a_path_longer_by_a_millimetre_a_metre():
    # Axes as they are: 20 m towards the difference.
    turn = np.eye(3)[None]
    found = differential_path_m(
        turn, np.array([1e-3, 0.0, 0.0]), np.array([[20.0, 5.0, 3.0], [0.0, 7.0, 0.0]])
    )
    assert found == pytest.approx(np.array([[0.02, 0.0]]))


def test_a_differential_stroke_is_shared_by_a_common_offset():
    # Paths of -20 to 30 mm in a stroke of 0 to 60 mm: offsets from 20 to 30 mm; 70 mm do not fit.
    low, high = differential_offset_range_m(
        np.array([0.0, 0.06]), np.array([[-0.02, 0.0, 0.03], [-0.04, 0, 0.03]])
    )
    assert low == pytest.approx([0.02, 0.04])
    assert high - low == pytest.approx([0.01, -0.01])


def test_the_zenith_is_north_of_a_southern_star_and_south_of_a_northern_one():
    # Latitude 40 N, on the meridian: south of the zenith 0, between zenith and pole 180, below the pole 0.
    up = np.deg2rad([[50.0], [50.0], [20.0]])
    side = np.array([[-1.0], [1.0], [1.0]])
    meridian = np.concatenate([np.zeros((3, 1)), side * np.cos(up), np.sin(up)], axis=1)
    assert np.abs(parallactic_deg(meridian, 40.0)) == pytest.approx([0.0, 180.0, 0.0])
    # Setting due west on the equator the zenith is due east of the star.
    assert parallactic_deg(np.array([-1.0, 0.0, 0.0]), 0.0) == pytest.approx(90.0)
    assert parallactic_deg(np.array([0.0, 0.0, 1.0]), 40.0) == 0.0


def test_an_orientation_counts_from_the_zenith_and_goes_round_once():
    assert field_angle_deg(np.array([30.0, 350.0, 10.0]), np.array([10.0, -20.0, 170.0])).tolist() == [
        20,
        10,
        -160,
    ]
    assert field_angle_deg(180.0, 0.0) == 180.0
    assert field_angle_deg(0.0, 180.0) == 180.0
    assert field_angle_deg(np.nextafter(180.0, 181.0), 0.0) == 180.0


def test_an_orientation_is_inside_by_its_distance_to_the_nearer_end():
    assert field_margin_deg(np.array([-30.0, 0.0, 80.0, 100.0]), (-40.0, 90.0)).tolist() == [10, 40, 10, -10]
    assert field_margin_deg(np.array([-180.0, 12.0]), (-180.0, 180.0)).tolist() == [np.inf, np.inf]


# The outside.


def test_arcturus_is_as_far_from_spica_as_in_the_textbook():
    # Meeus, Astronomical Algorithms (1998), example 17.a [M]: 32.7930 degrees.
    arcturus, spica = np.deg2rad([213.9154, 19.1825]), np.deg2rad([201.2983, -11.1614])
    assert np.rad2deg(separation(arcturus, spica)[0]) == pytest.approx(32.7930, abs=5e-5)


@pytest.mark.parametrize(
    ("first_deg", "second_deg"),
    [
        ((10.0, 20.0), (10.001, 20.002)),
        ((359.9, -60.0), (0.2, -60.3)),
        ((83.0, 89.9), (250.0, 89.8)),
        ((200.0, -45.0), (19.0, 44.0)),
    ],
)
def test_separation_and_position_angle_are_astropys(first_deg, second_deg):
    first, second = (SkyCoord(*place, unit="deg") for place in (first_deg, second_deg))
    apart, angle = separation(np.deg2rad(first_deg), np.deg2rad(second_deg))
    # astropy's position angle subtracts numbers of order one: 1e-16 of 3e-5 rad.
    assert apart == pytest.approx(first.separation(second).rad, abs=1e-14)
    assert angle == pytest.approx(first.position_angle(second).rad, abs=1e-10)


def test_the_parallactic_angle_is_erfas_published_one():
    # ERFA's test of hd2pa: hour angle 1.1, declination 1.2, latitude 0.3 give 1.906227428001995580 [M].
    azimuth, altitude = erfa.hd2ae(1.1, 1.2, 0.3)
    direction = np.array(
        [np.sin(azimuth) * np.cos(altitude), np.cos(azimuth) * np.cos(altitude), np.sin(altitude)]
    )
    found = np.deg2rad(parallactic_deg(direction, np.rad2deg(0.3)))
    assert found == pytest.approx(1.906227428001995580, abs=1e-14)


@given(st.floats(-3.1, 3.1), st.floats(-1.5, 1.5), st.floats(-1.5, 1.5))
def test_the_parallactic_angle_is_erfas_everywhere(hour_angle, declination, latitude):
    # s2c counts from north through east.
    north, east, up = erfa.s2c(*erfa.hd2ae(hour_angle, declination, latitude))
    found = np.deg2rad(parallactic_deg(np.array([east, north, up]), np.rad2deg(latitude)))
    error = np.angle(np.exp(1j * (found - erfa.hd2pa(hour_angle, declination, latitude))))
    # Directions have 1e-16, angles at the star that over the zenith distance and the polar distance.
    assert abs(error) * np.hypot(east, north) * np.cos(declination) < 1e-14


@pytest.mark.parametrize("shift_arcsec", [(0.0, 1.0), (7.0, -5.0), (-30.0, 20.0)])
def test_the_differential_path_is_the_difference_of_two_full_paths(shift_arcsec):
    # Aberration shrinks or stretches a small separation by up to v/c, 1.01e-4 (20.5 arcsec a year and 0.3 a
    # day), and that much of separation times distance is the tolerance: 0.04 um for 1 arcsec on 83 m, 1.5 um
    # for 36 arcsec. Besides it 10 pm, for rounding.
    first = np.deg2rad([201.3, -43.0])
    second = first + np.array(shift_arcsec) * ARCSEC / [np.cos(first[1]), 1.0]
    pair = np.stack([first, second])
    times = utc(*NIGHT)
    with offline_earth():
        frame = earth_frame(DESERT, times)
        sky = SkyCoord(pair[:, :1], pair[:, 1:], unit="rad").transform_to(
            AltAz(obstime=times[None, :], location=location_of(DESERT))
        )
    north, east, up = sky.cartesian.xyz.value
    full = path_m(np.stack([east, north, up], axis=-1), STATIONS_M, np.zeros(4))
    found = differential_path_m(frame.rotation, difference_vector(first, second), STATIONS_M)
    tolerance = 1.05e-4 * separation(first, second)[0] * np.linalg.norm(STATIONS_M, axis=1)
    error = np.abs(found - (full[1] - full[0]))
    assert np.all(error <= tolerance + 1e-11)
    assert error.max() > 0.05 * tolerance.max()  # it is aberration that is left out, no less
    # With the aberration of our own directions nothing is left but rounding.
    stars = [star(name, *np.rad2deg(place)) for name, place in zip("ab", pair, strict=True)]
    ours = path_m(directions(natural_directions(stars, frame), frame), STATIONS_M, np.zeros(4))
    assert ours[1] - ours[0] == pytest.approx(full[1] - full[0], abs=1e-11)


# Laws.


@given(places, shifts)
def test_the_difference_is_right_to_the_last_digits_however_near_the_stars(first, shift):
    second = first + shift
    exact = precise(first, second)
    size = np.linalg.norm(exact)
    assert np.abs(difference_vector(first, second) - exact).max() <= 4e-15 * np.abs(shift).max()
    assert 2 * np.sin(separation(first, second)[0] / 2) == pytest.approx(size, rel=1e-12, abs=1e-15 * size)


@given(places, places)
def test_the_way_back_is_as_long_and_the_differences_are_opposite(first, second):
    assert separation(first, second)[0] == pytest.approx(separation(second, first)[0], abs=1e-14)
    assert difference_vector(first, second) == pytest.approx(-difference_vector(second, first), abs=1e-14)
    assert 0 <= separation(first, second)[1] <= 2 * np.pi


@given(places, shifts, arrays(int, (3, 3), elements=st.integers(-100, 100)))
def test_no_differential_path_is_longer_than_distance_times_separation(first, shift, stations):
    frame = np.eye(3)[None]
    second = first + shift
    found = differential_path_m(frame, difference_vector(first, second), stations)
    longest = np.linalg.norm(stations, axis=1) * separation(first, second)[0]
    assert np.all(np.abs(found) <= longest * (1 + 1e-12))


@given(st.floats(-180, 180), st.floats(-180, 180), st.floats(0.01, 100), st.floats(0.01, 90))
def test_a_wider_range_never_forbids_an_orientation(position_angle, parallactic, low, wider):
    angle = field_angle_deg(position_angle, parallactic)
    narrow = field_margin_deg(angle, (-low, low))
    wide = field_margin_deg(angle, (-min(180.0, low + wider), min(180.0, low + wider)))
    assert wide >= narrow


# Every offset, every turn.

whole = st.integers(-8, 8)


@given(st.tuples(whole, st.integers(1, 12)), arrays(int, (2, 3), elements=whole))
def test_an_offset_is_allowed_exactly_when_every_beam_stays_in_the_stroke(stroke, path):
    low_m, high_m = stroke[0], stroke[0] + stroke[1]
    low, high = differential_offset_range_m(np.array([low_m, high_m]), path.astype(float))
    for k in range(-30, 31):
        inside = np.all((path + k >= low_m) & (path + k <= high_m), axis=-1)
        assert inside.tolist() == ((low <= k) & (k <= high)).tolist()


def test_every_whole_orientation_is_the_one_turn_that_fits():
    position, parallactic = np.meshgrid(np.arange(0, 361, 5), np.arange(-180, 181, 5))
    found = field_angle_deg(position, parallactic)
    for turns in range(-2, 3):
        turned = position - parallactic + 360 * turns
        fits = (turned > -180) & (turned <= 180)
        assert np.array_equal(found[fits], turned[fits])
    assert np.all((found > -180) & (found <= 180))
