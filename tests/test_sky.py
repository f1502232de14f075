"""Where the stars are and how the Earth is turned: by hand, against the outside, then as laws.

[M] marks a value that stands here from memory, not read in its source.
Meeus is Astronomical Algorithms, 2nd ed. (1998); his UT is taken as UT1.
"""

from __future__ import annotations

import datetime
import socket

import erfa
import numpy as np
import pytest
from astropy.coordinates import Angle
from astropy.time import Time, TimeDelta
from astropy.utils import iers
from hypothesis import given, settings
from hypothesis import strategies as st
from invented import enu, star
from skies import crossings_s, from_date, place_of_date, told_orientation, utc

from planner.sky import earth
from planner.sky.directions import (
    altitude_deg,
    azimuth_deg,
    directions,
    hour_angle_h,
    icrs_at_date,
    location_of,
    natural_directions,
    refracted_altitude_deg,
    sun_and_moon,
)
from planner.sky.earth import Orientation, Place, earth_frame, offline_earth, orientation
from planner.sky.night import dark_hours
from planner.units import RAD_PER_ARCSEC, RAD_PER_MAS

EQUATOR, POLE, DESERT = Place(0.0, 0.0, 0.0), Place(90.0, 0.0, 0.0), Place(-29.25, -70.6, 2400.0)
VEGA = star("Vega", 279.23473479, 38.78368896)  # without proper motion, as in the published values below
SIRIUS = star("Sirius", 101.28715533, -16.71611586)


def seen(stars, frame):
    """Apparent ENU directions, (star, time, 3)."""
    return directions(natural_directions(stars, frame), frame)


@pytest.fixture
def orient(monkeypatch):
    """Let the Earth be turned as a published example says."""
    return lambda *told: monkeypatch.setattr(earth, "orientation", told_orientation(*told))


# By hand.


@pytest.mark.parametrize(
    ("direction", "altitude", "azimuth"),
    [((0, 1, 0), 0, 0), ((1, 0, 0), 0, 90), ((0, -1, 1), 45, 180), ((-1, 0, -1), -45, 270)],
)
def test_azimuth_counts_from_north_through_east(direction, altitude, azimuth):
    assert altitude_deg(np.array(direction)) == pytest.approx(altitude)
    assert azimuth_deg(np.array(direction)) == pytest.approx(azimuth)


def test_a_star_setting_due_west_on_the_equator_has_an_hour_angle_of_six():
    assert hour_angle_h(np.array([[-1.0, 0, 0], [1.0, 0, 0], [0, 0, 1.0]]), 0.0) == pytest.approx([6, -6, 0])


def test_proper_motion_moves_the_place_that_fixes_u_and_v():
    # 25 years of 400 mas in right ascension (on the sky) and -200 mas in declination at dec 60.
    moving = star("moving", 30.0, 60.0, pmra_mas_per_yr=400.0, pmdec_mas_per_yr=-200.0)
    (ra, dec) = np.rad2deg(icrs_at_date([moving], Time(2025.0, format="jyear", scale="tdb")))[0]
    assert (ra - 30.0) * 3600.0 * np.cos(np.deg2rad(60.0)) == pytest.approx(10.0, abs=2e-3)
    assert (dec - 60.0) * 3600.0 == pytest.approx(-5.0, abs=2e-3)


@pytest.mark.parametrize("dec", [90.0, -90.0])
def test_a_star_at_the_pole_moves_away_from_it(dec):
    # 25 years of 3 arcsec in right ascension, which at the pole is a direction like any other: 75 arcsec.
    moving = star("moving", 10.0, dec, pmra_mas_per_yr=3000.0)
    (ra, now) = np.rad2deg(icrs_at_date([moving], Time(2025.0, format="jyear", scale="tdb")))[0]
    assert (90.0 - abs(now)) * 3600.0 == pytest.approx(75.0, abs=0.01)
    assert ra == pytest.approx(100.0, abs=0.01)  # eastwards from where the meridian of 10 deg meets it


def test_the_earths_orientation_says_whether_it_is_measured_predicted_or_frozen():
    with offline_earth():
        last = iers.earth_orientation_table.get()["MJD"][-1].to_value("d")
        dates = (Time("1995-03-11"), Time(last - 30.0, format="mjd"), Time("2045-03-11"))
        measured, predicted, frozen = (orientation(date.reshape(1)) for date in dates)
    assert [o.state for o in (measured, predicted, frozen)] == ["measured", "predicted", "frozen"]
    assert measured.error_s < 1e-3 < predicted.error_s < frozen.error_s
    # 1.8 s x 7.292e-5 rad/s x 300 m = 39 mm.
    end = Time(last, format="mjd").strftime("%Y-%m-%d")
    assert frozen.sentence(300.0) == (f"UT1-UTC frozen past {end}, up to 1.8 s, 39 mm of delay on 300 m.")
    told = Orientation(np.zeros(1), np.zeros((1, 2)), "predicted", 0.01, datetime.date(2027, 1, 1))
    assert told.sentence(100.0) == "UT1-UTC predicted (error about 0.01 s, 0.073 mm of delay on 100 m)."


def test_no_date_needs_the_network(monkeypatch):
    asked = []

    def refuse(*args, **kwargs):
        asked.append(args)
        raise OSError("no network")

    for name in ("socket", "create_connection", "getaddrinfo"):
        monkeypatch.setattr(socket, name, refuse)
    iers.IERS_Auto.close()  # the table must be opened anew
    for text in ("1995-03-11T03:00:00", "2027-03-11T03:00:00", "2045-03-11T03:00:00"):
        earth_frame(DESERT, utc(text))
        sun_and_moon(DESERT, utc(text))
    assert asked == []


def test_the_callers_own_earth_orientation_settings_survive():
    with iers.conf.set_temp("auto_download", True), iers.conf.set_temp("auto_max_age", 17.0):
        earth_frame(DESERT, utc("2045-03-11T03:00:00"))
        dark_hours(DESERT, datetime.date(2045, 3, 11), -18.0)
        with offline_earth():
            assert (iers.conf.auto_download, iers.conf.auto_max_age) == (False, None)
        assert (iers.conf.auto_download, iers.conf.auto_max_age) == (True, 17.0)


# The outside: sidereal time, apparent places, what other software says.


def test_sidereal_time_is_the_published_one(orient):
    orient(0.0)
    # The right ascension of the zenith at longitude 0 on the equator is Greenwich apparent sidereal time.
    for time, published_deg, tolerance_deg in (
        # Meeus 12.a, 1987-04-10 0h UT. IAU 2006 differs from his IAU 1982 series by 0.0038 s: 0.01 s.
        (utc("1987-04-10T00:00:00"), Angle("13h10m46.1351s").deg, 0.01 / 240.0),
        # ERFA test suite, t_gst06a, with TT 65 s late here: precession of 0.2 mas, so 1 mas.
        (Time([53736.0], format="mjd"), np.rad2deg(1.754166137675019159), 1e-3 / 3600.0),
    ):
        sidereal, dec = place_of_date(earth_frame(EQUATOR, time), np.array([[0.0, 0.0, 1.0]]))
        assert sidereal[0] == pytest.approx(published_deg, abs=tolerance_deg)
        assert abs(dec[0]) < 1e-9
    # ERFA test suite, t_era00, 1e-10 rad because the frame adds the TIO locator s' of 2e-11 rad.
    frame = earth_frame(EQUATOR, Time([54388.0], format="mjd"))
    zenith = erfa.c2i06a(frame.times.tt.jd1, frame.times.tt.jd2)[0] @ frame.rotation[0, 2]
    assert np.arctan2(zenith[1], zenith[0]) == pytest.approx(0.4022837240028158102, abs=1e-10)


def test_venus_stands_where_meeus_puts_it(orient):
    # Meeus 13.b. He rounds the longitude to 0.05 s of time, and gives 1e-4 deg: 2e-4 deg.
    orient(0.0)
    latitude = Angle("38d55m17s").deg
    frame = earth_frame(Place(latitude, -Angle("77d03m56s").deg, 0.0), utc("1987-04-10T19:21:00"))
    direction = from_date(frame, Angle("23h09m16.641s").deg, Angle("-6d43m11.61s").deg)
    assert hour_angle_h(direction, latitude)[0] * 15.0 == pytest.approx(64.3521, abs=2e-4)
    assert azimuth_deg(direction)[0] == pytest.approx(180.0 + 68.0337, abs=2e-4)
    assert altitude_deg(direction)[0] == pytest.approx(15.1249, abs=2e-4)


def test_venus_rises_culminates_and_sets_when_meeus_says(orient):
    # Meeus 15.a: fractions of 1988-03-20 UT1 after his second pass; he takes TD - UT = 56 s, UTC is
    # 0.184 s behind that UT. 6e-6 day is half a second: the tables' last digit and his mean sidereal day.
    orient(0.184)
    place = Place(42.3333, -71.0833, 0.0)
    ra = Angle(["2h42m43.25s", "2h46m55.51s", "2h51m07.69s"]).deg
    dec = Angle(["18d02m51.4s", "18d26m27.3s", "18d49m38.7s"]).deg
    midnight = utc("1988-03-20T00:00:00")[0] - TimeDelta(0.184, format="sec")

    def venus(times):
        day = (times - midnight).to_value("d") + 56.0 / 86400.0
        at = [np.polyval(np.polyfit([-1.0, 0.0, 1.0], values, 2), day) for values in (ra, dec)]
        return from_date(earth_frame(place, times), *at)

    crossings = crossings_s(lambda t: altitude_deg(venus(t)) + 0.5667, midnight, 86400.0)
    assert crossings / 86400.0 == pytest.approx([0.12130, 0.51766], abs=6e-6)
    afternoon = midnight + TimeDelta(60480.0, format="sec")  # 0.7 day
    transit = crossings_s(lambda t: hour_angle_h(venus(t), 42.3333), afternoon, 20000.0)
    assert transit / 86400.0 + 0.7 == pytest.approx([0.81980], abs=6e-6)


def test_the_apparent_place_of_theta_persei_is_meeus_s(orient):
    # Meeus 23.a, 2028-11-13.19 TD; at the pole there is no diurnal aberration. His low-accuracy
    # aberration and nutation leave 0.1 arcsec, and 0.01 s in right ascension.
    orient(0.0)
    dec = Angle("49d13m42.48s").deg
    theta = star("theta Per", Angle("2h44m11.986s").deg, dec, pmdec_mas_per_yr=-89.5,
                 pmra_mas_per_yr=34.25 * 15.0 * np.cos(np.deg2rad(dec)))  # fmt: skip
    frame = earth_frame(POLE, (Time("2028-11-13", scale="tt") + TimeDelta(0.19, format="jd")).utc.reshape(1))
    ra, dec = place_of_date(frame, seen([theta], frame)[0])
    assert (ra[0] - Angle("2h46m14.390s").deg) * 240.0 == pytest.approx(0.0, abs=0.01)
    assert (dec[0] - Angle("49d21m07.45s").deg) * 3600.0 == pytest.approx(0.0, abs=0.1)


def local_place(frame, place, dut1_s, altitude, azimuth):
    """Right ascension (from the CIO) and declination that belong to an altitude and azimuth, degrees."""
    angle, dec = erfa.ae2hd(np.deg2rad(azimuth), np.deg2rad(altitude), np.deg2rad(place.latitude_deg))
    turn = erfa.era00(frame.times.jd1, frame.times.jd2 + dut1_s / 86400.0)
    return np.mod(np.rad2deg(turn - angle) + place.longitude_deg, 360.0)[0], np.rad2deg(dec)[0]


def test_the_worked_examples_of_the_sofa_board_come_out_to_the_last_digit(orient, monkeypatch):
    # SOFA Astrometry Tools cookbook (iausofa.org, sofa_ast_c.pdf), sect. 6: topocentric, then observed.
    monkeypatch.setattr(earth, "REFRACTION_WAVELENGTH_UM", 0.55)
    orient(0.1550675, (0.050995, 0.376723))
    place = Place(Angle("-15d57m42.8s").deg, Angle("-5d41m54.2s").deg, 625.0, 952.0, 18.5, 0.83)
    frame = earth_frame(place, utc("2013-04-02T23:15:43.55"))
    own = star("cookbook", Angle("14h34m16.81183s").deg, Angle("-12d31m10.3965s").deg,
               pmra_mas_per_yr=-354.45, pmdec_mas_per_yr=595.35, parallax_mas=164.99)  # fmt: skip
    direction = seen([own], frame)[0]
    for altitude, ra_text, dec_text in (
        (altitude_deg(direction), "14h34m20.2570287s", "-12d34m36.141207s"),
        (refracted_altitude_deg(direction, frame), "14h34m16.9649106s", "-12d34m44.643094s"),
    ):
        ra, dec = local_place(frame, place, 0.1550675, altitude, azimuth_deg(direction))
        assert (ra - Angle(ra_text).deg) * 3600.0 == pytest.approx(0.0, abs=3e-5)
        assert (dec - Angle(dec_text).deg) * 3600.0 == pytest.approx(0.0, abs=1e-5)


def test_wallaces_star_near_the_zenith_comes_out_to_a_tenth_of_a_milliarcsecond(orient):
    # Wallace's worked example as quoted in public test code; it applies dX, dY of 45 microarcseconds.
    orient(-0.349535, (0.259371, 0.415573))
    place = Place(52.385639, 9.712156, 200.0)
    frame = earth_frame(place, utc("2003-08-26T00:37:38.973810"))
    own = star("example", 353.22987757, 52.27730247, pmra_mas_per_yr=22.9, pmdec_mas_per_yr=-2.1,
               parallax_mas=23.0, radial_velocity_km_per_s=25.0)  # fmt: skip
    direction = seen([own], frame)[0]
    dec = local_place(frame, place, -0.349535, altitude_deg(direction), azimuth_deg(direction))[1]
    assert (dec - 52.29549062657) * 3.6e6 == pytest.approx(0.0, abs=0.1)
    assert 90.0 - altitude_deg(direction)[0] == pytest.approx(0.2016, abs=1e-4)


def test_the_whole_path_reproduces_the_test_value_of_erfa(orient, monkeypatch):
    # liberfa/erfa, src/t_erfa_c.c, t_atco13: catalogue place to observed azimuth and zenith distance.
    monkeypatch.setattr(earth, "REFRACTION_WAVELENGTH_UM", 0.55)
    orient(0.1550675, (2.47230737e-7 / RAD_PER_ARCSEC, 1.82640464e-6 / RAD_PER_ARCSEC))
    place = Place(*np.rad2deg([-1.2345856, -0.527800806]), 2738.0, 731.0, 12.8, 0.59)
    frame = earth_frame(place, Time([2456384.5], [0.969254051], format="jd", scale="utc"))
    own = star("example", np.rad2deg(2.71), np.rad2deg(0.174), parallax_mas=100.0,
               pmra_mas_per_yr=1e-5 * np.cos(0.174) / RAD_PER_MAS,
               pmdec_mas_per_yr=5e-6 / RAD_PER_MAS, radial_velocity_km_per_s=55.0)  # fmt: skip
    direction = seen([own], frame)[0]
    assert np.deg2rad(azimuth_deg(direction)[0]) == pytest.approx(0.09251774485485515207, abs=1e-10)
    zenith_distance = np.pi / 2 - np.deg2rad(refracted_altitude_deg(direction, frame)[0])
    assert zenith_distance == pytest.approx(1.407661405256499357, abs=1e-9)


def test_single_steps_reproduce_the_test_values_of_erfa(orient, monkeypatch):
    # liberfa/erfa, src/t_erfa_c.c: t_ae2hd (inverse of t_hd2ae), t_refco, t_gd2gc.
    direction = enu(*np.rad2deg([5.916889243730066194, 0.4472186304990486228]))
    assert np.deg2rad(15.0 * hour_angle_h(direction, np.rad2deg(0.3))) == pytest.approx(1.1, abs=1e-13)
    monkeypatch.setattr(earth, "REFRACTION_WAVELENGTH_UM", 0.4)
    frame = earth_frame(Place(0.0, 0.0, 0.0, 800.0, 10.0, 0.9), utc("2003-08-26T00:00:00"))
    published = (2.264949956241415009e-4, -2.598658261729343970e-7)
    assert frame.refraction == pytest.approx(published, abs=1e-18)
    location = location_of(Place(*np.rad2deg([-0.5, 3.1]), 2500.0))
    geocentric = [axis.to_value("m") for axis in location.to_geocentric()]
    published = [-5599000.5577049947, 233011.67223479203, -3040909.4706983363]
    assert geocentric == pytest.approx(published, abs=1e-7)


def test_refraction_agrees_with_saemundssons_formula_above_ten_degrees():
    # Meeus 16.a: true altitude 33.246' is lifted by 24.618' (1010 hPa, 10 C). Coarse: 0.2', the 0.07' of
    # Bennett's formula and the 0.1' between the two formulas, as Meeus says [M].
    def lift_arcmin(altitude):
        return 1.02 / np.tan(np.deg2rad(altitude + 10.3 / (altitude + 5.11)))

    assert lift_arcmin(33.246 / 60.0) == pytest.approx(24.618, abs=6e-4)
    frame = earth_frame(Place(0.0, 0.0, 0.0, 1010.0, 10.0, 0.2), utc("2003-08-26T00:00:00"))
    altitude = np.linspace(10.0, 89.0, 80)
    own = (refracted_altitude_deg(enu(200.0, altitude), frame) - altitude) * 60.0
    assert own == pytest.approx(lift_arcmin(altitude), abs=0.2)


@pytest.mark.parametrize(
    ("place", "own", "start", "published"),
    [
        (EQUATOR, VEGA, "1999-12-31T12:00:00", ["1999-12-31 17:58:02.12", "2000-01-01 05:56:04.17",
                                                "2000-01-01 17:54:06.21", "2000-01-02 05:52:08.26"]),
        (Place(47.609700, 122.333100, 0.0), VEGA, "1990-01-01T12:00:00",
         ["1990-01-01 13:49:58.79", "1990-01-01 17:36:15.62"]),
        (Place(47.609700, 122.333100, 0.0), SIRIUS, "1990-01-01T12:00:00",
         ["1990-01-01 20:33:42.34", "1990-01-02 11:04:52.04"]),
    ],
)  # fmt: skip
def test_vega_and_sirius_rise_and_set_when_pyephem_says(orient, place, own, start, published):
    # PyEphem values quoted in astroplan's tests. PyEphem takes UT1 = UTC, so does this test: 0.1 s,
    # which is 1.5 arcsec of rotation; the places of the stars are quoted to less.
    orient(0.0)
    begin = utc(start)[0]
    found = crossings_s(lambda t: altitude_deg(seen([own], earth_frame(place, t))[0]), begin, 48 * 3600.0)
    expected = [(Time(text, scale="utc") - begin).to_value("s") for text in published]
    assert found[: len(expected)] == pytest.approx(expected, abs=0.1)


def test_altitudes_and_azimuths_agree_with_published_tables(orient):
    # PyEphem (astroplan's tests): Vega, 0.1 arcsec with UT1 = UTC.
    orient(0.0)
    direction = seen([VEGA], earth_frame(EQUATOR, utc("2000-01-01T12:00:00")))[0]
    assert altitude_deg(direction)[0] == pytest.approx(51.198849, abs=0.1 / 3600)
    assert azimuth_deg(direction)[0] == pytest.approx(358.467671, abs=0.1 / 3600)
    # Two libraries, ERFA and skyfield with DE421, on the same Earth orientation, 2027-03-11: they agree
    # to 1e-6 degrees with each other.
    orient(-0.1851774, (0.0901, 0.4447))
    direction = seen([star("c", 297.7, 8.87), star("b", 201.3, -43.0)], earth_frame(
        DESERT, utc("2027-03-11T05:30:00")))  # fmt: skip
    assert altitude_deg(direction)[:, 0] == pytest.approx([-28.258020, 68.105472], abs=2e-6)
    assert azimuth_deg(direction)[:, 0] == pytest.approx([95.674712, 135.094273], abs=2e-6)


def test_a_low_star_stands_where_jpl_horizons_puts_it():
    # JPL Horizons, quoted in astropy's tests (1998-07-28): 1 arcsec, the digits of the place given.
    place = Place(31.9585, 248.4053, 2060.0)
    own = star("low", Angle("19h24m55.01s").deg, Angle("-40d56m28.9s").deg)
    direction = seen([own], earth_frame(place, utc("1998-07-28T03:00:00")))[0]
    assert azimuth_deg(direction)[0] == pytest.approx(143.2970, abs=1 / 3600)
    assert altitude_deg(direction)[0] == pytest.approx(2.6223, abs=1 / 3600)


# Laws.

places = st.builds(Place, st.floats(-89.9, 89.9), st.floats(-180.0, 360.0), st.floats(0.0, 5000.0))
moments = st.floats(47892.0, 73000.0).map(lambda mjd: [mjd])  # 1990 to 2058
spots = st.tuples(st.floats(0.0, 359.999), st.floats(-90.0, 90.0))


def at(mjd):
    with offline_earth():
        return Time(mjd, format="mjd", scale="utc")


@settings(max_examples=40, deadline=None)
@given(places, moments, spots)
def test_apparent_directions_are_unit_vectors_and_the_turn_is_a_rotation(place, mjd, spot):
    frame = earth_frame(place, at(mjd))
    # Beside the Sun's limb light is turned by 1.75 arcsec, 8.5e-6: added as a vector, half its square, 4e-11.
    assert np.linalg.norm(seen([star("x", *spot)], frame)) == pytest.approx(1.0, abs=1e-10)
    turn = frame.rotation[0]
    assert turn @ turn.T == pytest.approx(np.eye(3), abs=1e-12)
    assert np.linalg.det(turn) == pytest.approx(1.0)


@settings(max_examples=40, deadline=None)
@given(places, moments, spots)
def test_aberration_moves_a_star_by_at_most_the_speed_of_the_earth(place, mjd, spot):
    # 30.29 km/s at perihelion and 0.46 km/s of spin: 21.2 arcsec.
    frame = earth_frame(place, at(mjd))
    natural = natural_directions([star("x", *spot)], frame)
    moved = np.linalg.norm(directions(natural, frame)[0, 0] - frame.rotation[0] @ natural[0])
    assert moved < 21.2 * RAD_PER_ARCSEC


@given(st.floats(-12.0, 12.0), st.floats(-89.0, 89.0), st.floats(-89.0, 89.0))
def test_hour_angle_is_recovered_from_the_direction_it_gives(hours, dec_deg, latitude_deg):
    azimuth, altitude = erfa.hd2ae(np.deg2rad(15 * hours), np.deg2rad(dec_deg), np.deg2rad(latitude_deg))
    found = hour_angle_h(enu(np.rad2deg(azimuth), np.rad2deg(altitude)), latitude_deg)
    assert np.cos(np.deg2rad(15 * (found - hours))) == pytest.approx(1.0, abs=1e-12)


@settings(max_examples=25, deadline=None)
@given(st.floats(0.0, 8000.0), st.floats(0.0, 2000.0))
def test_the_orientations_error_never_shrinks_with_time_past_the_tables_end(days, more):
    with offline_earth():
        last = iers.earth_orientation_table.get()["MJD"][-1].to_value("d")
    sooner, later = (orientation_offline([last + d]) for d in (days, days + more))
    assert sooner.error_s <= later.error_s <= 1.8


def orientation_offline(mjd):
    with offline_earth():
        return orientation(at(mjd))


@given(st.floats(-5.0, 90.0), st.floats(0.01, 5.0))
def test_refraction_lifts_and_never_changes_the_order_of_two_stars(altitude, above):
    frame = AIR
    low, high = enu(0.0, altitude), enu(0.0, min(altitude + above, 90.0))
    assert refracted_altitude_deg(low, frame) >= altitude_deg(low)
    assert refracted_altitude_deg(low, frame) <= refracted_altitude_deg(high, frame) + 1e-9


AIR = earth_frame(Place(0.0, 0.0, 0.0, 1010.0, 10.0, 0.2), utc("2003-08-26T00:00:00"))
