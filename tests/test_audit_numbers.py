"""The audit's own numbers, against the hand, other libraries and published formulas."""

from __future__ import annotations

import dataclasses
import functools

import astroplan
import handmade
import numpy as np
import pytest
from astropy.time import Time
from invented import telescope_class

from planner.scenario.array import Station
from planner.scheduling.audit_beams import uniform_disk_vis2
from planner.scheduling.audit_coverage import uv_m
from planner.scheduling.audit_moves import carriage_s, slew_s
from planner.scheduling.audit_shadow import hidden_fraction
from planner.scheduling.audit_sky import gcrs_places_m, tracked_steps
from planner.sky.earth import offline_earth


@functools.cache
def plan():
    return handmade.plan()


def test_a_slew_takes_the_slower_axis_and_a_carriage_half_the_path():
    # By hand: 30 deg at 2 deg/s and 4 s to rest is 19 s; 15 deg at 1.5 deg/s and 3 s is 13 s.
    beam = plan().visits[0].steps[0].beams[0]
    update = {
        "azimuth_start_deg": beam.azimuth_end_deg - 30.0,
        "altitude_start_deg": beam.altitude_end_deg + 15.0,
    }
    assert slew_s(beam, beam.model_copy(update=update), telescope_class()) == pytest.approx(19.0)
    # 10 m of light are 5 m of rail: 10 s at 0.5 m/s, and 3 s to rest.
    line = plan().scenario.array.delay_lines[0]
    run = beam.model_copy(update={"delay_start_m": beam.delay_end_m - 10.0})
    assert carriage_s(beam, run, line) == pytest.approx(13.0)
    still = beam.model_copy(update={"delay_start_m": beam.delay_end_m + 5e-5})
    assert carriage_s(beam, still, line) == 0.0


def test_a_wall_in_the_north_hides_half_the_pupil_where_its_edge_meets_the_middle():
    # By hand: the wall of a cylinder of radius 100 m stands 20 m away; its top is 10 m above the pupil's
    # centre, so the ray through the centre grazes it at atan(10/20) = 26.565 deg. Over the pupil's 0.5 m to
    # either side the wall recedes by 1.2 mm. 1.5 deg higher or lower the edge leaves the pupil:
    # 20 m * tan moves by 0.7 m, more than 0.5 m / cos(26.6 deg) = 0.56 m.
    own = telescope_class(obstruction_max=0.1)
    wall = telescope_class(enclosure_radius_m=100.0, enclosure_height_m=12.0)
    altitudes = np.rad2deg(np.arctan(0.5)) + np.array([-1.5, 0.0, 1.5])
    hidden = hidden_fraction(own, np.zeros(3), altitudes, [(np.array([0.0, 120.0, 0.0]), wall)])
    assert hidden == pytest.approx([1.0, 0.5, 0.0], abs=0.004)
    south = hidden_fraction(own, np.full(3, 180.0), altitudes, [(np.array([0.0, 120.0, 0.0]), wall)])
    assert south.tolist() == [0.0, 0.0, 0.0]


def test_two_neighbours_hide_what_either_hides_and_not_their_sum():
    own = telescope_class(obstruction_max=0.1)
    pads = [np.array([0.0, 12.0, 0.0]), np.array([1.5, 16.0, 0.0])]
    neighbours = [(pad, telescope_class(enclosure_height_m=8.0)) for pad in pads]
    azimuth, altitude = np.linspace(-30.0, 30.0, 61), np.full(61, 20.0)
    one, other = (hidden_fraction(own, azimuth, altitude, [neighbour]) for neighbour in neighbours)
    both = hidden_fraction(own, azimuth, altitude, neighbours)
    assert np.all(both >= np.maximum(one, other))
    assert np.all(both <= np.minimum(one + other, 1.0) + 1e-12)
    assert np.any(both < one + other - 0.1)


def test_a_uniform_disk_has_the_nulls_and_side_lobe_of_the_airy_pattern():
    # First null at x/pi = 1.219670 (a zero of J1: Abramowitz & Stegun 1964, table 9.5), side lobe 0.017498.
    mas = 180.0 * 3600e3 / np.pi * 2.2e-6 / 100.0
    assert uniform_disk_vis2(1.219670 * mas, 100.0, 2.2) == pytest.approx(0.0, abs=1e-11)
    assert max(uniform_disk_vis2(x * mas, 100.0, 2.2) for x in np.linspace(1.3, 2.2, 400)) == pytest.approx(
        0.017498, abs=1e-6
    )


def test_the_moon_is_lit_as_astroplan_says():
    with offline_earth():
        steps = tracked_steps(plan())
        for seen in steps[::4]:
            expected = astroplan.moon_illumination(seen.times[:1])
            # astroplan sees the Moon from the Earth's centre: parallax changes the phase by up to a degree.
            assert seen.sky.moon_lit[0] == pytest.approx(float(expected[0]), abs=0.008)


def test_u_and_v_follow_the_hour_angle_in_2000_when_axes_of_date_are_those_of_icrs():
    # Thompson, Moran & Swenson 2017, eq. 4.1; at J2000.0 nutation moves the axes by 17 arcsec: 6 mm on 75 m.
    with offline_earth():
        shift = Time("2000-01-01T12:00:00", scale="utc") - Time("2027-03-12T00:20:00", scale="utc")
        seen = tracked_steps(plan())[1]
        early = dataclasses.replace(seen, times=seen.times + shift)
        site = plan().scenario.array.site
        pads = [plan().scenario.array.station(name) for name in ("west", "east")]
        found = uv_m(plan(), early)[0]
        sidereal = early.times.sidereal_time("apparent", site.longitude_deg).rad
    right_ascension, d = seen.sky.place_rad[0]
    h, latitude = sidereal - right_ascension, np.deg2rad(site.latitude_deg)
    east, north, up = (getattr(pads[1], k) - getattr(pads[0], k) for k in ("east_m", "north_m", "up_m"))
    x = up * np.cos(latitude) - north * np.sin(latitude)
    y, z = east, north * np.cos(latitude) + up * np.sin(latitude)
    u = x * np.sin(h) + y * np.cos(h)
    v = -x * np.sin(d) * np.cos(h) + y * np.sin(d) * np.sin(h) + z * np.cos(d)
    assert found == pytest.approx(np.stack([u, v], axis=-1), abs=0.012)


def test_stations_keep_their_distances_on_the_axes_of_the_sky():
    site = plan().scenario.array.site
    pads = [
        Station(name=str(k), east_m=e, north_m=n, up_m=h, fixed_path_m=0.0)
        for k, (e, n, h) in enumerate(
            [(0.0, 0.0, 0.0), (300.0, 0.0, 0.0), (0.0, 400.0, 0.0), (0.0, 0.0, 50.0)]
        )
    ]
    with offline_earth():
        times = tracked_steps(plan())[0].times
        places = gcrs_places_m(site, pads, times)
    lengths = np.linalg.norm(places[1:] - places[:1], axis=-1)
    for length, expected in zip(lengths, (300.0, 400.0, 50.0), strict=True):
        assert length == pytest.approx(np.full(len(times), expected), abs=1e-6)
    # East and north are square to each other: 300 and 400 m make 500 m.
    diagonal = np.linalg.norm(places[1] - places[2], axis=-1)
    assert diagonal == pytest.approx(np.full(len(times), 500.0), abs=1e-6)
