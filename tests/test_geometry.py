"""Baselines, u v w and delays of starlight: by hand, against published arrays and other libraries, laws.

[M] marks a value that stands here from memory, not read in its source.
TMS is Thompson, Moran & Swenson, Interferometry and Synthesis in Radio Astronomy, 3rd ed. (2017).
"""

from __future__ import annotations

import itertools
import warnings

import erfa
import numpy as np
import pytest
import skyfield_data
from astropy import units as u
from astropy.coordinates import AltAz, EarthLocation, SkyCoord
from astropy.time import Time
from hypothesis import given
from hypothesis import strategies as st
from invented import enu, random_array, star, telescope_class
from pyuvdata import utils as uvdata
from pyuvdata.utils import phasing
from skies import told_orientation, utc
from skyfield.api import Loader, wgs84
from skyfield.api import Star as OtherStar

from planner.geometry.baselines import azimuths_deg, baseline_vectors_m, lengths_m, pairs, pivots_m
from planner.geometry.delays import path_m
from planner.geometry.placement import placement_of
from planner.geometry.uv import uvw_axes, uvw_m
from planner.scenario.array import Configuration, Station, Telescope
from planner.sky import earth
from planner.sky.directions import directions, icrs_at_date, location_of, natural_directions
from planner.sky.earth import Place, earth_frame, offline_earth

DESERT = Place(-29.25, -70.6, 2400.0)
STATIONS_M = np.array([[0, 0, 0], [64, 12, 0.5], [151, -133, 3.2], [-90, 77, -2.0]])
STARS = (star("a", 83.0, -5.4), star("b", 201.3, -43.0), star("c", 297.7, 8.87))


def seen(stars, frame):
    """Apparent ENU directions, (star, time, 3)."""
    return directions(natural_directions(stars, frame), frame)


def axes_of_date(sidereal_deg, latitude_deg):
    """Equatorial axes of date to ENU at a local sidereal time, (3, 3)."""
    sidereal, latitude = np.deg2rad([sidereal_deg, latitude_deg])
    east = [-np.sin(sidereal), np.cos(sidereal), 0.0]
    up = [np.cos(latitude) * np.cos(sidereal), np.cos(latitude) * np.sin(sidereal), np.sin(latitude)]
    return np.array([east, np.cross(up, east), up])


def moving(turns, velocity=(0.0, 0.0, 0.0)):
    """Boosts (time, 4, 4) of an observer with a velocity (units of c), then a rotation."""
    v = np.array(velocity)
    gamma = 1.0 / np.sqrt(1.0 - v @ v)
    along = np.outer(v, v) * gamma**2 / (gamma + 1.0)
    boost = np.zeros((len(turns), 4, 4))
    boost[:, 0, 0], boost[:, 0, 1:] = gamma, gamma * v
    boost[:, 1:, 0], boost[:, 1:, 1:] = turns @ (gamma * v), turns @ (np.eye(3) + along)
    return boost


# By hand.


@pytest.mark.parametrize("hour_angle_deg", [-60.0, 0.0, 45.0])
def test_an_east_west_baseline_on_the_equator_gives_b_cos_h_and_a_delay_of_minus_b_sin_h(hour_angle_deg):
    # A star on the celestial equator, 100 m to the east: u = B cos H, v = 0, w = -B sin H.
    hour_angle, ra = np.deg2rad(hour_angle_deg), np.deg2rad(40.0)
    turn = axes_of_date(40.0 + hour_angle_deg, 0.0)
    found = uvw_m(np.array([[ra, 0.0]]), moving(turn[None]), np.array([[100.0, 0.0, 0.0]]))[0, 0, 0]
    assert found == pytest.approx([100 * np.cos(hour_angle), 0.0, -100 * np.sin(hour_angle)], abs=1e-10)
    direction = np.array([[[-np.sin(hour_angle), 0.0, np.cos(hour_angle)]]])
    path = path_m(direction, np.array([[0.0, 0, 0], [100.0, 0, 0]]), np.zeros(2))[0, 0]
    assert path[1] - path[0] == pytest.approx(-100 * np.sin(hour_angle))


def test_a_baseline_along_the_earths_axis_gives_b_cos_d_and_b_sin_d_at_every_hour_angle():
    turns = np.stack([axes_of_date(theta, 0.0) for theta in (0.0, 77.0, 200.0)])
    found = uvw_m(np.deg2rad([[30.0, 20.0]]), moving(turns), np.array([[0.0, 50.0, 0.0]]))[0, :, 0]
    d = np.deg2rad(20.0)
    assert found == pytest.approx(np.tile([0.0, 50 * np.cos(d), 50 * np.sin(d)], (3, 1)), abs=1e-10)


def test_an_observer_who_flies_at_the_star_sees_it_smaller_and_one_who_flies_across_sees_it_turned():
    # Relativistic aberration. Flying at the star with v, an image around it shrinks by sqrt((1 - v)/(1 + v)),
    # for v = 0.6 by 2. Flying east of it with v, it is seen ahead by t with sin t = v, here 0.6, cos t = 0.8;
    # north shrinks by 1/gamma = 0.8, and so does east, along the turned axis (-0.6, 0.8).
    icrs, turn = np.zeros((1, 2)), np.eye(3)[None]  # the star at x, east is y, north is z
    baselines = np.array([[10.0, 0.0, 0.0], [0.0, 10.0, 0.0], [0.0, 0.0, 10.0]])
    ahead = uvw_m(icrs, moving(turn, (0.6, 0.0, 0.0)), baselines)[0, 0]
    assert ahead == pytest.approx(np.array([[0.0, 0.0, 10.0], [5.0, 0.0, 0.0], [0.0, 5.0, 0.0]]))
    across = uvw_m(icrs, moving(turn, (0.0, 0.6, 0.0)), baselines)[0, 0]
    assert across == pytest.approx(np.array([[-4.8, 0.0, 8.0], [6.4, 0.0, 6.0], [0.0, 8.0, 0.0]]))


def test_a_configuration_places_its_movable_telescopes_and_no_others():
    array = random_array(np.random.default_rng(2), 3, 2)
    moved = tuple(Telescope(name=n, telescope_class="one metre", movable=True) for n in ("M1", "M2"))
    array = array.model_copy(
        update={
            "telescopes": (array.telescopes[0], *moved),
            "configurations": (Configuration(name="wide", placement={"M2": "P2"}),),
        }
    )
    placement = placement_of(array, "wide")
    assert (placement.telescopes, placement.stations) == (("T0", "M2"), ("P0", "P2"))
    assert placement.index(("M2",)).tolist() == [1]
    apart = [
        getattr(array.station("P2"), k) - getattr(array.station("P0"), k)
        for k in ("east_m", "north_m", "up_m")
    ]
    assert placement.longest_baseline_m() == pytest.approx(np.linalg.norm(apart))
    with pytest.raises(KeyError):
        placement_of(array, "narrow")
    with pytest.raises(KeyError):
        pivots_m(array, ["P7"], [telescope_class()])


# The outside.


def test_fifteen_published_baselines_follow_from_six_published_stations():
    # Station offsets from S1, as in an instrument's data-reduction defaults of 2010-07-20; baselines from the
    # facility page of the CHARA Array (ten Brummelaar et al. 2005, ApJ 628, 453 describe it), read there to
    # 0.01 m and 0.01 deg, so 0.006. Position angle of "A-B" is the azimuth from B to A: r_j - r_i for i = B.
    # Horizontal lengths alone miss by up to 0.59 m.
    stations = {
        "S1": (0.0, 0.0, 0.0),
        "S2": (-5.746854437, 33.580641636, 0.63671908),
        "E1": (125.333989819, 305.932632737, -5.909735735),
        "W1": (-175.073332211, 216.320434499, -10.791111235),
        "W2": (-69.093582796, 199.334733235, 0.467336023),
        "E2": (70.396607118, 269.713272258, -2.796743436),
    }
    published = [
        "W2-S1",
        "210.97",
        "340.88",
        "W2-S2",
        "177.45",
        "339.08",
        "W2-E1",
        "221.82",
        "241.27",
        "W2-E2",
        "156.27",
        "243.23",
        "W2-W1",
        "107.92",
        "99.11",
        "W1-S1",
        "278.50",
        "321.02",
        "W1-S2",
        "249.39",
        "317.18",
        "W1-E1",
        "313.53",
        "253.39",
        "W1-E2",
        "251.34",
        "257.73",
        "E2-S1",
        "278.76",
        "14.63",
        "E2-S2",
        "248.13",
        "17.87",
        "E2-E1",
        "65.88",
        "236.60",
        "E1-S1",
        "330.66",
        "22.28",
        "E1-S2",
        "302.33",
        "25.70",
        "S2-S1",
        "34.07",
        "350.29",
    ]
    array = random_array(np.random.default_rng(0), 2, 2)
    own = telescope_class()
    named = [
        Station(name=name, east_m=e, north_m=n, up_m=z, fixed_path_m=0.0)
        for name, (e, n, z) in stations.items()
    ]
    array = array.model_copy(update={"stations": tuple(named)})
    assert len(published) == 45
    for pair, length, angle in zip(published[0::3], published[1::3], published[2::3], strict=True):
        vector = baseline_vectors_m(pivots_m(array, pair.split("-")[::-1], [own, own]))
        assert lengths_m(vector)[0] == pytest.approx(float(length), abs=0.006)
        assert azimuths_deg(vector)[0] == pytest.approx(float(angle), abs=0.006)


def test_a_direction_fixed_in_azimuth_has_the_published_u_and_v(monkeypatch):
    # katpoint's test_target: lat -31, lon 18, 2013-08-14 08:25 UTC, azimuth 45, altitude 75, baseline
    # (10, -10, 0), UT1 = UTC. 0.05 mm: it finds north by an offset of 0.03 rad. Axes of date miss by 12 mm.
    # Its axes are square to each other at the ICRS place, so ours for an observer at rest.
    monkeypatch.setattr(earth, "orientation", told_orientation(0.0))
    frame = earth_frame(Place(-31.0, 18.0, 0.0), utc("2013-08-14T08:25:00"))
    direction, baseline = enu(45.0, 75.0), np.array([[10.0, -10.0, 0.0]])
    light = np.linalg.solve(frame.boost[0], np.array([1.0, *direction]))
    found = uvw_m(np.stack(erfa.c2s(light[1:]))[None], moving(frame.rotation), baseline)[0, 0, 0]
    assert found[:2] == pytest.approx([10.822861713680807, -9.103057965680664], abs=5e-5)
    assert path_m(direction[None, None], baseline, np.zeros(1)) == pytest.approx(0.0, abs=1e-12)


def test_u_v_and_delay_of_an_invented_array_are_those_of_two_other_libraries(monkeypatch):
    # Computed beforehand with ERFA, skyfield (DE421) and katpoint 1.0a3, which agree to 0.0005 mm in delay;
    # u and v there are the exact derivatives of the delay. Baselines (64, 12, 0.5) and (151, -133, 3.2),
    # 2027-03-11 03:00 and 05:30. The Earth orientation is rounded as quoted: 0.01 mm.
    rows = {
        (0, 0): [(37.791040, 5.400977, -52.755811), (23.064688, -132.208225, -149.974815)],
        (1, 1): [(57.450335, 27.188045, 14.142280), (163.137919, -88.441092, 77.846267)],
    }
    for (n, k), published in rows.items():
        monkeypatch.setattr(earth, "orientation", told_orientation((-0.18504, -0.18518)[k], (0.0901, 0.4447)))
        frame = earth_frame(DESERT, utc(("2027-03-11T03:00:00", "2027-03-11T05:30:00")[k]))

        icrs = icrs_at_date(STARS[n : n + 1], frame.times[0])
        found = uvw_m(icrs, frame.boost, STATIONS_M[1:3])[0, 0]
        # Light deflection is in their derivatives, not in ours: 0.005 mm here.
        assert found == pytest.approx(np.array(published), abs=1e-5)
        # w is the delay that the lines make up for.
        paths = path_m(seen(STARS[n : n + 1], frame), STATIONS_M[1:3], np.zeros(2))[0, 0]
        assert paths == pytest.approx(np.array(published)[:, 2], abs=1e-5)
        # Axes that leave aberration out miss by up to 1e-4 of the baseline.
        triad = uvw_m(icrs, moving(frame.rotation), STATIONS_M[1:3])[0, 0]
        assert 5e-3 < np.abs(triad - np.array(published))[:, :2].max() < 1.1e-4 * 201.3


# Real places (Hipparcos, van Leeuwen 2007, rounded), without motion: near the pole, the equator, the zenith.
PLACES = ((37.95, 89.264), (88.793, 7.407), (186.65, -29.3), (219.9, -60.83))


@pytest.mark.parametrize("date", ["1995-06-01T02:00:00", "2027-03-11T05:30:00", "2045-09-01T08:00:00"])
def test_u_and_v_are_the_differences_of_astropys_full_transformation(date):
    # SkyCoord to AltAz of two places 2e-6 rad apart, light deflection and all: 0.04 mm on 201 m, for the star
    # 17 deg from the Sun in 1995, else 0.01 mm. Without aberration it would be 20 mm.
    frame = earth_frame(DESERT, utc(date))
    with offline_earth():
        at = AltAz(obstime=frame.times[0], location=location_of(DESERT))
        for ra_deg, dec_deg in PLACES:
            place, small = SkyCoord(ra_deg * u.deg, dec_deg * u.deg), 1e-6 * u.rad
            ahead = [place.directional_offset_by(angle * u.deg, small) for angle in (90, 0)]
            behind = [place.directional_offset_by(angle * u.deg, small) for angle in (270, 180)]
            towards = [
                np.array([enu(own.az.deg, own.alt.deg) for own in (one.transform_to(at) for one in places)])
                for places in (ahead, behind)
            ]
            expected = STATIONS_M[1:] @ ((towards[0] - towards[1]) / 2e-6).T
            found = uvw_m(np.deg2rad([[ra_deg, dec_deg]]), frame.boost, STATIONS_M[1:])[0, 0]
            assert found[:, :2] == pytest.approx(expected, abs=5e-5)
            now = place.transform_to(at)
            assert found[:, 2] == pytest.approx(STATIONS_M[1:] @ enu(now.az.deg, now.alt.deg), abs=5e-5)


def test_delays_and_u_v_agree_with_pyuvdata():
    # pyuvdata 3.2 at run time, same Earth-orientation table. Its w is (second - first).s: 0.001 mm.
    # Its u and v stand at the apparent place, turned to ICRS north: aberration, 1e-4 of the baseline, where
    # axes of date would miss by 27e-4.
    times = Time(2461475.5 + np.arange(1, 8) / 8.0, format="jd", scale="utc")  # exact in one double
    frame, location = earth_frame(DESERT, times), location_of(DESERT)
    centre = np.array([axis.to_value("m") for axis in location.to_geocentric()])
    positions = uvdata.ECEF_from_ENU(STATIONS_M, center_loc=location) - centre
    direction = seen(STARS, frame)
    for own, towards in zip(STARS, direction, strict=True):
        with offline_earth():
            sidereal = uvdata.get_lst_for_time(times.jd, telescope_loc=location)
            ra, dec = phasing.calc_app_coords(
                lon_coord=np.deg2rad(own.ra_deg), lat_coord=np.deg2rad(own.dec_deg), coord_frame="icrs",
                time_array=times.jd, lst_array=sidereal, telescope_loc=location,
            )  # fmt: skip
            north = phasing.calc_frame_pos_angle(
                time_array=times.jd, app_ra=ra, app_dec=dec, telescope_loc=location, ref_frame="icrs",
                offset_pos=1e-5,
            )  # fmt: skip
        ours = uvw_m(icrs_at_date([own], times[3]), frame.boost, STATIONS_M)[0]
        for k in (1, 2, 3):
            theirs = phasing.calc_uvw(
                app_ra=ra, app_dec=dec, frame_pa=north, lst_array=sidereal, use_ant_pos=True,
                antenna_positions=positions, antenna_numbers=np.arange(4), ant_1_array=np.zeros(7, int),
                ant_2_array=np.full(7, k), telescope_lat=location.lat.rad, telescope_lon=location.lon.rad,
            )  # fmt: skip
            paths = path_m(towards[None], STATIONS_M[[0, k]], np.zeros(2))[0]
            assert paths[:, 1] - paths[:, 0] == pytest.approx(theirs[:, 2], abs=1e-6)
            length = np.linalg.norm(STATIONS_M[k])
            assert ours[:, k, :2] == pytest.approx(theirs[:, :2], abs=1.1e-4 * length)


def test_delays_agree_with_skyfield_and_the_jpl_ephemeris(monkeypatch):
    # skyfield at run time with DE421, which shares no code with ERFA, on the same UT1 and polar motion:
    # 0.01 mm. Its delay is B.s with its apparent direction.
    monkeypatch.setattr(earth, "orientation", told_orientation(-0.185, (0.0901, 0.4447)))
    frame = earth_frame(DESERT, utc("2027-03-11T03:00:00", "2027-03-11T05:30:00", "2027-03-11T08:00:00"))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # its Earth-orientation file is old and not used here
        load = Loader(skyfield_data.get_skyfield_data_path(), verbose=False)
    scale = load.timescale(delta_t=32.184 + 37.0 + 0.185)
    scale.polar_motion_table = ([0.0], [0.0901], [0.4447])
    kernel = load("de421.bsp")
    site = kernel["earth"] + wgs84.latlon(DESERT.latitude_deg, DESERT.longitude_deg, DESERT.height_m)
    moments = scale.tt_jd(frame.times.tt.jd1, frame.times.tt.jd2)
    for own, ours in zip(STARS, path_m(seen(STARS, frame), STATIONS_M, np.zeros(4)), strict=True):
        other = OtherStar(ra_hours=own.ra_deg / 15.0, dec_degrees=own.dec_deg)
        altitude, azimuth, _ = site.at(moments).observe(other).apparent().altaz()
        assert ours == pytest.approx(enu(azimuth.degrees, altitude.degrees) @ STATIONS_M.T, abs=1e-5)
    kernel.close()


def test_u_v_w_without_aberration_are_the_differences_of_astropys_station_places():
    # EarthLocation.get_gcrs_posvel of each station, projected on the ICRS axes: asked 0.001 mm, found 1e-6.
    frame = earth_frame(DESERT, utc("1995-06-01T02:00:00", "2027-03-11T05:30:00", "2045-09-01T08:00:00"))
    location = location_of(DESERT)
    geocentric = uvdata.ECEF_from_ENU(STATIONS_M, center_loc=location)
    with offline_earth():
        at = [
            EarthLocation.from_geocentric(*xyz, unit="m").get_gcrs_posvel(frame.times)[0]
            for xyz in geocentric
        ]
    vectors = np.stack([place.xyz.to_value("m").T for place in at])
    icrs = icrs_at_date(STARS, frame.times[1])
    theirs = np.einsum("skx,btx->stbk", uvw_axes(icrs), vectors[1:] - vectors[0])
    assert uvw_m(icrs, moving(frame.rotation), STATIONS_M[1:]) == pytest.approx(theirs, abs=1e-6)


# Laws.

angles, latitudes = st.floats(0.0, 360.0), st.floats(-90.0, 90.0)
offsets = st.tuples(*[st.floats(-300.0, 300.0)] * 3)


@given(offsets, angles, angles, latitudes, latitudes)
def test_u_v_w_are_those_of_thompson_moran_and_swenson(baseline, ra_deg, sidereal_deg, dec_deg, latitude_deg):
    # TMS eq. 4.1 in axes of date, with X = -sin L N + cos L U, Y = E, Z = cos L N + sin L U.
    east, north, up = baseline
    h, d, lat = np.deg2rad([sidereal_deg - ra_deg, dec_deg, latitude_deg])
    x, y = -np.sin(lat) * north + np.cos(lat) * up, east
    z = np.cos(lat) * north + np.sin(lat) * up
    expected = [
        np.sin(h) * x + np.cos(h) * y,
        -np.sin(d) * np.cos(h) * x + np.sin(d) * np.sin(h) * y + np.cos(d) * z,
        np.cos(d) * np.cos(h) * x - np.cos(d) * np.sin(h) * y + np.sin(d) * z,
    ]
    turn = axes_of_date(sidereal_deg, latitude_deg)[None]
    found = uvw_m(np.deg2rad([[ra_deg, dec_deg]]), moving(turn), np.array([baseline]))[0, 0, 0]
    assert found == pytest.approx(expected, abs=1e-9)
    # The track is an ellipse: u^2 sin^2 d + (v - Z cos d)^2 = (X^2 + Y^2) sin^2 d (TMS, ch. 4).
    ellipse = (found[0] * np.sin(d)) ** 2 + (found[1] - z * np.cos(d)) ** 2
    assert ellipse == pytest.approx((x**2 + y**2) * np.sin(d) ** 2, abs=1e-6)


@given(st.lists(offsets, min_size=3, max_size=6), angles, latitudes, offsets)
def test_triangles_close_baselines_turn_round_and_the_place_of_the_array_is_no_matter(points, ra, dec, shift):
    stations = np.array(points)
    turn, icrs = moving(axes_of_date(77.0, -25.0)[None], (4e-5, 8e-5, -3e-5)), np.deg2rad([[ra, dec]])
    pair = {tuple(p): n for n, p in enumerate(pairs(len(stations)).tolist())}
    uvw = uvw_m(icrs, turn, baseline_vectors_m(stations))[0, 0]
    for i, j, k in itertools.combinations(range(len(stations)), 3):
        assert uvw[pair[i, j]] + uvw[pair[j, k]] == pytest.approx(uvw[pair[i, k]], abs=1e-9)
    backwards, last = uvw_m(icrs, turn, baseline_vectors_m(stations[::-1]))[0, 0], len(stations) - 1
    for i, j in pair:
        assert backwards[pair[last - j, last - i]] == pytest.approx(-uvw[pair[i, j]], abs=1e-9)
    elsewhere = uvw_m(icrs, turn, baseline_vectors_m(stations + np.array(shift)))[0, 0]
    assert elsewhere == pytest.approx(uvw, abs=1e-9)
    # Aberration changes the scale by no more than the speed, here 1e-4 of light's.
    lengths = lengths_m(baseline_vectors_m(stations))
    assert lengths_m(uvw) == pytest.approx(lengths, rel=1.1e-4, abs=1e-9)


fast = st.tuples(*[st.floats(-0.5, 0.5)] * 3)


@given(offsets, fast, angles, st.floats(-89.0, 89.0))
def test_u_and_v_are_the_derivatives_of_w_at_any_speed(baseline, velocity, ra_deg, dec_deg):
    turn, (ra, dec) = axes_of_date(77.0, -25.0)[None], np.deg2rad([ra_deg, dec_deg])
    small = 1e-6

    def w(east, north):
        place = np.array([[ra + east / np.cos(dec), dec + north]])
        return uvw_m(place, moving(turn, velocity), np.array([baseline]))[0, 0, 0, 2]

    u = (w(small, 0.0) - w(-small, 0.0)) / (2 * small)
    v = (w(0.0, small) - w(0.0, -small)) / (2 * small)
    found = uvw_m(np.array([[ra, dec]]), moving(turn, velocity), np.array([baseline]))[0, 0, 0]
    assert found[:2] == pytest.approx([u, v], abs=1e-5)


@given(angles, latitudes)
def test_the_axes_of_u_v_w_are_a_right_handed_triad(ra, dec):
    axes = uvw_axes(np.deg2rad([[ra, dec]]))[0]
    assert axes @ axes.T == pytest.approx(np.eye(3), abs=1e-14)
    assert np.cross(axes[0], axes[1]) == pytest.approx(axes[2], abs=1e-14)
