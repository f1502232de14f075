"""The audit's own numbers, against the hand, other libraries and published formulas."""

from __future__ import annotations

import functools

import astroplan
import handmade
import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import SkyCoord
from astropy.time import Time
from invented import star, telescope_class

from planner.geometry.baselines import baseline_vectors_m
from planner.geometry.uv import uvw_m
from planner.scheduling.audit_beams import uniform_disk_vis2
from planner.scheduling.audit_coverage import projected_m
from planner.scheduling.audit_moves import carriage_s, slew_s
from planner.scheduling.audit_shadow import hidden_fraction
from planner.scheduling.audit_sky import icrs_places, image_axes, station_vector_m, tracked_steps
from planner.sky.directions import icrs_at_date, place_of
from planner.sky.earth import earth_frame, offline_earth


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
    # Thompson, Moran & Swenson 2017, eq. 4.1; at J2000.0 nutation moves the axes by 17 arcsec: 6 mm on 75 m,
    # and aberration changes u and v by as much again.
    with offline_earth():
        shift = Time("2000-01-01T12:00:00", scale="utc") - Time("2027-03-12T00:20:00", scale="utc")
        seen = tracked_steps(plan())[1]
        times, site = seen.times + shift, plan().scenario.array.site
        place = SkyCoord(*(seen.sky.place_rad.T * u.rad))
        pads = [plan().scenario.array.station(name) for name in ("west", "east")]
        vectors = np.array([station_vector_m(pad) for pad in pads])
        found = projected_m(vectors, image_axes(site, place, times))[0]
        sidereal = times.sidereal_time("apparent", site.longitude_deg).rad
    right_ascension, d = seen.sky.place_rad[0]
    h, latitude = sidereal - right_ascension, np.deg2rad(site.latitude_deg)
    east, north, up = vectors[1] - vectors[0]
    x = up * np.cos(latitude) - north * np.sin(latitude)
    y, z = east, north * np.cos(latitude) + up * np.sin(latitude)
    u_m = x * np.sin(h) + y * np.cos(h)
    v_m = -x * np.sin(d) * np.cos(h) + y * np.sin(d) * np.sin(h) + z * np.cos(d)
    assert found == pytest.approx(np.stack([u_m, v_m], axis=-1), abs=0.014)


@pytest.mark.parametrize(("dec_deg", "parallax_mas"), [(-45.0, 0.0), (89.9, 0.0), (-62.68, 768.5)])
def test_u_and_v_are_the_planners_but_for_parallax(dec_deg, parallax_mas):
    # The planner's come from one matrix a time. They leave light deflection out (0.02 mm on 500 m here), and
    # parallax: twice 768.5 mas (Proxima, Gaia DR3, from memory) on 500 m are 3.7 mm at most.
    site, wish = plan().scenario.array.site, star("far or near", 118.0, dec_deg, parallax_mas=parallax_mas)
    vectors = np.array([[0.0, 0.0, 0.0], [300.0, -400.0, 10.0], [-50.0, 90.0, -3.0]])
    with offline_earth():
        times = tracked_steps(plan())[1].times
        axes = image_axes(site, icrs_places([wish] * len(times), times), times)
        frame = earth_frame(place_of(site), times)
        ours = uvw_m(icrs_at_date([wish], times[0]), frame.boost, baseline_vectors_m(vectors))[0, ..., :2]
    off = np.abs(np.moveaxis(projected_m(vectors, axes), 0, 1) - ours).max()
    assert off < 5e-5 if parallax_mas == 0.0 else 5e-5 < off < 3.7e-3
