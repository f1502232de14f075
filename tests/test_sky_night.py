"""The Sun, the Moon and whole nights of stars: by hand, against other libraries and almanacs, then as laws.

[M] marks a value that stands here from memory, not read in its source.
Meeus is Astronomical Algorithms, 2nd ed. (1998).
"""

from __future__ import annotations

import datetime
import warnings

import erfa
import numpy as np
import pytest
import skyfield_data
from astropy import units
from astropy.coordinates import AltAz, Distance, SkyCoord
from astropy.time import Time, TimeDelta
from hypothesis import given, settings
from hypothesis import strategies as st
from invented import enu, random_scenario, star
from pydantic import ValidationError
from skies import from_date, place_of_date, utc
from skyfield.api import Loader, wgs84
from skyfield.api import Star as OtherStar
from skyfield.searchlib import find_discrete

from planner.errors import NoNight
from planner.sky.directions import (
    altitude_deg,
    directions,
    icrs_at_date,
    location_of,
    natural_directions,
    refracted_altitude_deg,
    sun_altitude_deg,
    sun_and_moon,
)
from planner.sky.earth import Place, earth_frame, offline_earth, orientation
from planner.sky.night import dark_hours, night_sky, noon_utc, utc_text
from planner.units import RAD_PER_ARCSEC

EQUATOR, POLE, DESERT = Place(0.0, 0.0, 0.0), Place(90.0, 0.0, 0.0), Place(-29.25, -70.6, 2400.0)


def seen(stars, frame):
    """Apparent ENU directions, (star, time, 3)."""
    return directions(natural_directions(stars, frame), frame)


# By hand.


def test_noon_comes_an_hour_earlier_for_every_fifteen_degrees_east():
    date = datetime.date(2027, 3, 11)
    assert utc_text(noon_utc(Place(0, 90.0, 0), date)) == "2027-03-11T06:00:00Z"
    assert utc_text(noon_utc(Place(0, -75.0, 0), date)) == "2027-03-11T17:00:00Z"


def test_either_side_of_the_date_line_is_nearly_the_same_night_under_two_dates():
    west, east = Place(-20.0, 179.0, 0.0), Place(-20.0, -179.0, 0.0)
    assert utc_text(noon_utc(west, datetime.date(2027, 3, 12))) == "2027-03-12T00:04:00Z"
    assert utc_text(noon_utc(east, datetime.date(2027, 3, 11))) == "2027-03-11T23:56:00Z"
    # 179 E lies two degrees west of 179 W: 480 s of rotation later.
    later = dark_hours(west, datetime.date(2027, 3, 12), -18.0)
    earlier = dark_hours(east, datetime.date(2027, 3, 11), -18.0)
    assert (later.start - earlier.start).to_value("s") == pytest.approx(480.0, abs=2.0)
    wrapped = dark_hours(Place(-20.0, 181.0, 0.0), datetime.date(2027, 3, 11), -18.0)
    assert abs((wrapped.start - earlier.start).to_value("s")) < 0.02


def test_white_nights_are_no_night_and_the_message_says_how_low_the_sun_comes():
    # 90 - 65 - 23.44 = 1.56 degrees below the horizon at local midnight.
    with pytest.raises(NoNight) as told:
        dark_hours(Place(65.0, 0.0, 0.0), datetime.date(2027, 6, 21), -18.0)
    assert str(told.value) == (
        "In the night of 2027-06-21 the Sun never goes below -18 deg: it is lowest at -1.6 deg, "
        "2027-06-22 00:00 UTC. Choose another date or a higher night.sun_altitude_max_deg."
    )
    # The same without a remark of astropy's on a far year.
    with pytest.raises(NoNight, match="2045-06-21"):
        dark_hours(Place(65.0, 0.0, 0.0), datetime.date(2045, 6, 21), -18.0)


def test_the_polar_night_lasts_from_noon_to_noon():
    # At latitude 80 the solstice Sun culminates at 90 - 80 - 23.44 = -13.4 degrees.
    dark = dark_hours(Place(80.0, 0.0, 0.0), datetime.date(2027, 12, 21), -12.0)
    assert (utc_text(dark.start), utc_text(dark.end)) == ("2027-12-21T12:00:00Z", "2027-12-22T12:00:00Z")


@pytest.mark.parametrize("day", [12, 13])
def test_ticks_are_whole_multiples_inside_the_dark_hours_and_visits_start_on_slots(day):
    sky = night_sky(random_scenario(3, tick_s=20, slot_s=300), datetime.date(2027, 3, day))
    with offline_earth():
        second = np.round((sky.times - Time("2027-03-11T00:00:00")).to_value("s"), 6)
    assert np.all(second % 20 == 0)
    assert np.all(np.diff(second) == 20)
    assert second[0] % 300 != 0  # otherwise the next line would prove little
    assert np.array_equal(sky.slots, np.flatnonzero(second % 300 == 0))
    # Nothing dark is left out: less than one tick at either end.
    assert 0 <= (sky.times[0] - sky.dark.start).to_value("s") < 20
    assert 0 <= (sky.dark.end - sky.times[-1]).to_value("s") < 20


def test_a_leap_second_is_a_second_like_any_other():
    # 2016-12-31 ended with 23:59:60: ticks of 30 s go on evenly through it.
    scenario = random_scenario(3)
    site = scenario.array.site.model_copy(update={"longitude_deg": 10.0})
    scenario = scenario.model_copy(update={"array": scenario.array.model_copy(update={"site": site})})
    sky = night_sky(scenario, datetime.date(2016, 12, 31))
    assert np.diff((sky.times - sky.times[0]).to_value("s")) == pytest.approx(30.0, abs=1e-6)
    assert "2016-12-31T23:59:60Z" in [utc_text(time) for time in sky.times]
    # UT1 - UTC was -0.408 s before and +0.592 s after (IERS Bulletin C 52 and EOP series [M]).
    assert np.diff(sky.frame.orientation.ut1_minus_utc_s).max() == pytest.approx(1.0, abs=1e-3)


# The outside: the Sun and the Moon.


def test_the_sun_stands_where_meeus_puts_it():
    # Meeus 25.b, 1992-10-13 0h TD [M]: geocentric; the parallax of 8.794 arcsec / 0.99760775 au is taken
    # off here. 1 arcsec: the digits of his place are 0.04, ERFA's Sun is good to about 0.1.
    time = Time("1992-10-13T00:00:00", scale="tt").utc.reshape(1)
    for place in (POLE, Place(0.0, 86.0, 0.0), Place(0.0, -103.0, 0.0), Place(-40.0, -103.0, 0.0)):
        altitude = altitude_deg(from_date(earth_frame(place, time), 198.378179, -7.783817))[0]
        lower = 8.794 / 0.99760775 * np.cos(np.deg2rad(altitude))
        assert sun_altitude_deg(place, time)[0] == pytest.approx(altitude - lower / 3600, abs=1 / 3600)


def test_the_moon_and_its_lit_fraction_are_meeus_s():
    # Meeus 47.a and 48.a, 1992-04-12 0h TD: 368409.7 km, right ascension and declination [M],
    # lit fraction 0.6786 [M]. ERFA's Moon differs by 34 km: 1 arcsec after parallax.
    time = Time("1992-04-12T00:00:00", scale="tt").utc.reshape(1)
    sidereal = place_of_date(earth_frame(EQUATOR, time), np.array([[0.0, 0.0, 1.0]]))[0][0]
    below = Place(13.768368, 134.688470 - sidereal, 0.0)  # the Moon is in its zenith
    for place in (below, POLE, Place(0.0, below.longitude_deg + 80, 0.0), Place(60.0, 0.0, 0.0)):
        frame, location = earth_frame(place, time), location_of(place)
        longitude, latitude = np.deg2rad([place.longitude_deg, place.latitude_deg])
        east = np.array([-np.sin(longitude), np.cos(longitude), 0.0])
        up = np.array([*np.cos([longitude, longitude - np.pi / 2]) * np.cos(latitude), np.sin(latitude)])
        observer = np.stack([east, np.cross(up, east), up]) @ [
            axis.to_value("km") for axis in location.to_geocentric()
        ]
        expected = 368409.7 * from_date(frame, 134.688470, 13.768368)[0] - observer
        found = sun_and_moon(place, time)
        apart = np.linalg.norm(expected / np.linalg.norm(expected) - found.moon_direction[0])
        assert apart < 1.0 * RAD_PER_ARCSEC
        assert found.moon_altitude_deg == pytest.approx(altitude_deg(found.moon_direction))
    # Seen from right below, the phase angle is the geocentric one.
    assert sun_and_moon(below, time).moon_illumination[0] == pytest.approx(0.6786, abs=1e-4)


def test_the_moon_is_lit_as_the_naval_observatory_says():
    # USNO, 2018-09-18 05:00 UT: 62 %, rounded to whole per cent and for the Earth's centre; a place on the
    # ground sees up to 1 degree more of the phase angle: 0.005 + 0.008.
    lit = sun_and_moon(Place(40.9, -83.9, 0.0), utc("2018-09-18T05:00:00")).moon_illumination[0]
    assert lit == pytest.approx(0.62, abs=0.013)


@pytest.mark.parametrize(
    ("place", "evening", "limit", "dusk", "dawn", "tolerance_s"),
    [
        # PyEphem, quoted in astroplan's tests; it takes UT1 = UTC, which was 0.36 s off: 0.5 s.
        (EQUATOR, "1999-12-31", 0.0, "1999-12-31 18:02:55.10", "2000-01-01 06:03:10.72", 0.5),
        (EQUATOR, "2000-01-01", 0.0, "2000-01-01 18:03:23.68", "2000-01-02 06:03:39.15", 0.5),
        (EQUATOR, "1999-12-31", -6.0, None, "2000-01-01 05:37:04.70", 0.5),
        (EQUATOR, "2000-01-01", -6.0, "2000-01-01 18:29:29.20", None, 0.5),
        (EQUATOR, "1999-12-31", -12.0, None, "2000-01-01 05:10:55.45", 0.5),
        (EQUATOR, "2000-01-01", -12.0, "2000-01-01 18:55:37.86", None, 0.5),
        (EQUATOR, "1999-12-31", -18.0, None, "2000-01-01 04:44:39.42", 0.5),
        (EQUATOR, "2000-01-01", -18.0, "2000-01-01 19:21:53.21", None, 0.5),
        # USNO tables, quoted in skyfield's tests, rounded to the minute: 30 s.
        (Place(40.8939, -83.8917, 0.0), "2018-09-11", -50 / 60, None, "2018-09-12 11:13:00", 30.0),
        (Place(40.8939, -83.8917, 0.0), "2018-09-12", -50 / 60, "2018-09-12 23:50:00", None, 30.0),
        (Place(41.281944, -84.362778, 0.0), "2019-11-07", -18.0, None, "2019-11-08 10:42:00", 30.0),
        (Place(41.281944, -84.362778, 0.0), "2019-11-07", -12.0, None, "2019-11-08 11:15:00", 30.0),
        (Place(41.281944, -84.362778, 0.0), "2019-11-07", -6.0, None, "2019-11-08 11:48:00", 30.0),
        (Place(41.281944, -84.362778, 0.0), "2019-11-08", -18.0, "2019-11-08 23:59:00", None, 30.0),
        (Place(41.281944, -84.362778, 0.0), "2019-11-08", -12.0, "2019-11-08 23:27:00", None, 30.0),
        (Place(41.281944, -84.362778, 0.0), "2019-11-08", -6.0, "2019-11-08 22:54:00", None, 30.0),
        (Place(41.281944, -84.362778, 0.0), "2019-11-08", -50 / 60, "2019-11-08 22:25:00", None, 30.0),
    ],
)  # fmt: skip
def test_night_falls_and_ends_when_the_almanacs_say(place, evening, limit, dusk, dawn, tolerance_s):
    dark = dark_hours(place, datetime.date.fromisoformat(evening), limit)
    for found, published in ((dark.start, dusk), (dark.end, dawn)):
        if published:
            assert abs((found - Time(published, scale="utc")).to_value("s")) < tolerance_s


# The outside: whole nights in other libraries.


def in_astropy(own, place, times, **air):
    """ENU directions by astropy's full transformation with motion to each time, (time, 3)."""
    with offline_earth():
        coordinate = SkyCoord(own.ra_deg * units.deg, own.dec_deg * units.deg)
        if own.parallax_mas:
            coordinate = SkyCoord(
                own.ra_deg * units.deg,
                own.dec_deg * units.deg,
                distance=Distance(parallax=own.parallax_mas * units.mas),
                pm_ra_cosdec=own.pmra_mas_per_yr * units.mas / units.yr,
                pm_dec=own.pmdec_mas_per_yr * units.mas / units.yr,
                radial_velocity=own.radial_velocity_km_per_s * units.km / units.s,
                obstime=Time(own.epoch_yr, format="jyear", scale="tdb"),
            ).apply_space_motion(new_obstime=times)
        altaz = coordinate.transform_to(AltAz(obstime=times, location=location_of(place), **air))
    return enu(altaz.az.deg, altaz.alt.deg)


# van Leeuwen (2007): HIP 71683, 104214 and, [M], 87937.
FAST_STARS = (
    star("alf Cen A", 219.9204081, -60.8351452, epoch_yr=1991.25, pmra_mas_per_yr=-3679.25,
         pmdec_mas_per_yr=473.67, parallax_mas=754.81, radial_velocity_km_per_s=-24.7),
    star("61 Cyg A", 316.7118114, 38.7414951, epoch_yr=1991.25, pmra_mas_per_yr=4168.31,
         pmdec_mas_per_yr=3269.20, parallax_mas=286.82, radial_velocity_km_per_s=-65.9),
    star("Barnard's star", 269.45402, 4.66829, epoch_yr=1991.25, pmra_mas_per_yr=-798.58,
         pmdec_mas_per_yr=10328.12, parallax_mas=548.31, radial_velocity_km_per_s=-110.5),
)  # fmt: skip


# Motions at the edges of what is accepted, in mas/yr, mas and km/s: each as fast as its parallax allows.
EDGES = (
    (10_999.9, 0.0, 0.0), (10_999.9, -3.0, 1_800.0), (10_999.9, 800.0, 997.0), (10_999.9, 52.2, 10.0),
    (999.9, 0.001, -1_800.0), (999.9, 800.0, -999.9), (4_000.0, 200.0, 990.0), (0.0, 9.9, -1_800.0),
)  # fmt: skip


@pytest.mark.parametrize(
    ("date", "epoch"), [("1990-01-02", 2200.0), ("2060-12-30", 1800.0), ("2027-03-11", 2016.0)]
)
@pytest.mark.parametrize(("motion", "parallax", "radial"), EDGES)
def test_the_fastest_stars_accepted_move_as_in_astropy(date, epoch, motion, parallax, radial):
    # SkyCoord.apply_space_motion: 0.2 arcsec in 260 years, 0.3 mm on 300 m, where ERFA raises parallaxes too
    # small for the proper motion (pmsafe) and so gives weight to the radial velocity; else 0.03 arcsec.
    for angle, dec in ((0.0, 10.0), (40.0, -60.0), (250.0, 89.0)):
        along, up = motion * np.cos(np.deg2rad(angle)), motion * np.sin(np.deg2rad(angle))
        own = star(
            "fast", 130.0, dec, epoch_yr=epoch, pmra_mas_per_yr=along, pmdec_mas_per_yr=up,
            parallax_mas=parallax, radial_velocity_km_per_s=radial,
        )  # fmt: skip
        with offline_earth():
            when = Time(date, scale="utc")
            depth = {}
            if parallax > 0:
                depth["distance"] = Distance(parallax=parallax * units.mas)
                depth["radial_velocity"] = radial * units.km / units.s
            theirs = SkyCoord(
                own.ra_deg * units.deg,
                own.dec_deg * units.deg,
                pm_ra_cosdec=along * units.mas / units.yr,
                pm_dec=up * units.mas / units.yr,
                obstime=Time(epoch, format="jyear", scale="tdb"),
                **depth,
            ).apply_space_motion(new_obstime=when)
            ours = SkyCoord(*np.rad2deg(icrs_at_date([own], when)[0]) * units.deg)
        assert ours.separation(SkyCoord(theirs.ra, theirs.dec)).arcsec < 0.2
        if parallax >= 10.0 or radial == 0.0:
            assert ours.separation(SkyCoord(theirs.ra, theirs.dec)).arcsec < 0.03


REFUSED = (
    ({"pmra_mas_per_yr": 8_000.0, "pmdec_mas_per_yr": -8_000.0}, "has a proper motion of 11,314 mas a year"),
    ({"pmra_mas_per_yr": 4_000.0, "parallax_mas": 15.0}, "of a star at 1,264 km/s"),
    ({"parallax_mas": 100.0, "radial_velocity_km_per_s": -1_100.0}, "of a star at 1,100 km/s"),
)


@pytest.mark.parametrize(("motion", "words"), REFUSED)
def test_a_star_that_moves_as_none_does_is_refused(motion, words):
    with pytest.raises(ValidationError, match=words):
        star("slip", 10.0, 10.0, **motion)


def test_a_faint_parallax_says_nothing_about_speed():
    # 20 mas/yr at 0.05 mas would be 1,900 km/s: such parallaxes are errors of measurement, and common.
    star("far", 10.0, 10.0, pmra_mas_per_yr=20.0, parallax_mas=0.05)


@pytest.mark.parametrize("date", ["1991-06-30", "2016-12-31", "2027-06-30", "2045-06-30", "2059-06-30"])
def test_every_tick_of_a_night_agrees_with_astropys_full_transformation(date):
    # The budget is 1 arcsec of altitude and 1 mm on 300 m; 0.02 mm is asked of the whole vector. The
    # night of 2016-12-31 at 10 E has a leap second in it.
    scenario = random_scenario(1, tick_s=60)
    site = scenario.array.site.model_copy(update={"longitude_deg": 10.0, "pressure_hpa": 0.0})
    scenario = scenario.model_copy(update={"array": scenario.array.model_copy(update={"site": site})})
    ra = np.random.default_rng(int(date[:4])).uniform(0.0, 90.0, 3)
    overhead = [star(f"zenith {n}", ra[0] + 90.0 * n, site.latitude_deg) for n in range(4)]
    others = [star("pole", 4 * ra[1], -89.99), star("north", 4 * ra[2], 30.0)]
    stars = (*FAST_STARS, *overhead, *others)
    sky = night_sky(scenario, datetime.date.fromisoformat(date), stars)
    place = Place(site.latitude_deg, 10.0, site.height_m)
    up = sky.direction[:, :, 2] > 0
    theirs = np.stack([in_astropy(own, place, sky.times) for own in stars])
    apart = np.linalg.norm(sky.direction - theirs, axis=-1)
    assert 300e3 * apart[up].max() < 0.02
    assert altitude_deg(sky.direction[3:7]).max() > 89.0
    assert up.any(axis=1).sum() >= 6


def test_refracted_altitudes_agree_with_astropys():
    # The same model with one Newton step less: 0.01 arcsec above 5 degrees.
    place = Place(-25.0, -67.0, 2500.0, 750.0, 8.0, 0.3)
    times = utc("2027-03-12T00:00:00")[0] + TimeDelta(np.arange(0.0, 36000.0, 300.0), format="sec")
    frame = earth_frame(place, times)
    air = {"pressure": 750 * units.hPa, "temperature": 8 * units.deg_C, "relative_humidity": 0.3}
    for own in (*FAST_STARS[:1], star("x", 120.0, -20.0), star("y", 200.0, 10.0)):
        theirs = altitude_deg(in_astropy(own, place, times, obswl=0.6 * units.um, **air))
        ours = refracted_altitude_deg(seen([own], frame)[0], frame)
        assert ours[theirs > 5] == pytest.approx(theirs[theirs > 5], abs=0.01 / 3600)
        assert (theirs > 5).any()


@pytest.fixture(scope="module")
def ephemeris():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # its Earth-orientation file is old and not used here
        load = Loader(skyfield_data.get_skyfield_data_path(), verbose=False)
    kernel = load("de421.bsp")
    yield load, kernel
    kernel.close()


@pytest.mark.parametrize("date", ["1991-06-01", "2027-03-11", "2045-09-01"])
def test_stars_sun_moon_and_twilight_agree_with_skyfield_and_the_jpl_ephemeris(ephemeris, date):
    # skyfield with DE421 shares no code with ERFA; it is given our UT1 and polar motion of mid-night.
    load, kernel = ephemeris
    dark = dark_hours(DESERT, datetime.date.fromisoformat(date), -18.0)
    with offline_earth():
        times = dark.start + (dark.end - dark.start) * np.linspace(0.0, 1.0, 51)
        told, tt = orientation(times), times.tt
        tai_minus_utc_s = erfa.dat(*erfa.jd2cal(times[0].jd1, times[0].jd2)[:3], 0.0)
    scale = load.timescale(delta_t=32.184 + tai_minus_utc_s - told.ut1_minus_utc_s[25])
    scale.polar_motion_table = tuple([value] for value in (0.0, *told.pole_rad[25] / RAD_PER_ARCSEC))
    moments = scale.tt_jd(tt.jd1, tt.jd2)
    site = kernel["earth"] + wgs84.latlon(DESERT.latitude_deg, DESERT.longitude_deg, DESERT.height_m)
    found = sun_and_moon(DESERT, times)

    def theirs(body):
        altitude, azimuth, _ = site.at(moments).observe(body).apparent().altaz()
        return enu(azimuth.degrees, altitude.degrees)

    # The Sun: 0.1 arcsec. The Moon: ERFA's is good to some arcseconds (34 km in Meeus 47.a); 5 arcsec.
    assert found.sun_altitude_deg == pytest.approx(altitude_deg(theirs(kernel["sun"])), abs=0.1 / 3600)
    apart = np.linalg.norm(theirs(kernel["moon"]) - found.moon_direction, axis=-1)
    assert apart.max() < 5.0 * RAD_PER_ARCSEC
    lit = site.at(moments).observe(kernel["moon"]).fraction_illuminated(kernel["sun"])
    assert found.moon_illumination == pytest.approx(lit, abs=2e-4)
    # Stars: 0.02 mm on 300 m, at a fixed UT1 - UTC over the night. Without radial velocity: skyfield takes
    # light time into the proper motion, which catalogues and ERFA do not (0.3 mm for Barnard's star in 2045).
    frame = earth_frame(DESERT, times)
    for moving in (*FAST_STARS, star("a", 83.0, -5.4), star("b", 201.3, -43.0)):
        own = moving.model_copy(update={"radial_velocity_km_per_s": 0.0})
        other = OtherStar(
            ra_hours=own.ra_deg / 15.0,
            dec_degrees=own.dec_deg,
            ra_mas_per_year=own.pmra_mas_per_yr,
            dec_mas_per_year=own.pmdec_mas_per_yr,
            parallax_mas=own.parallax_mas,
            epoch=scale.J(own.epoch_yr),
        )
        apart = np.linalg.norm(theirs(other) - seen([own], frame)[0], axis=-1)
        assert 300e3 * apart.max() < 0.02
    # Twilight: 1 s is asked, 0.01 s is found.
    noon = noon_utc(DESERT, datetime.date.fromisoformat(date))
    with offline_earth():
        start = noon.tt.jd

    def dark_there(moment):
        return site.at(moment).observe(kernel["sun"]).apparent().altaz()[0].degrees < -18.0

    dark_there.step_days = 0.04
    edges, _ = find_discrete(scale.tt_jd(start), scale.tt_jd(start + 1.0), dark_there)
    with offline_earth():
        assert (edges.tt - [dark.start.tt.jd, dark.end.tt.jd]) * 86400.0 == pytest.approx([0, 0], abs=0.05)


# Laws.

nights = st.dates(datetime.date(1990, 1, 2), datetime.date(2058, 12, 31))


@settings(max_examples=12, deadline=None)
@given(st.floats(-66.0, 66.0), st.floats(-180.0, 360.0), nights)
def test_the_sun_crosses_the_limit_at_the_edges_of_the_dark_hours(latitude, longitude, date):
    place = Place(latitude, longitude, 0.0)
    try:
        dark = dark_hours(place, date, -12.0)
    except NoNight:
        with offline_earth():
            day = noon_utc(place, date) + TimeDelta(np.arange(0.0, 86400.0, 600.0), format="sec")
        assert sun_altitude_deg(place, day).min() > -12.0
        return
    with offline_earth():
        around = dark.start + TimeDelta([-1.0, 1.0], format="sec")
        before_end = dark.end + TimeDelta([-1.0, 1.0], format="sec")
        inside = dark.start + (dark.end - dark.start) * np.linspace(0.01, 0.99, 50)
    assert np.sign(sun_altitude_deg(place, around) + 12.0).tolist() == [1.0, -1.0]
    assert np.sign(sun_altitude_deg(place, before_end) + 12.0).tolist() == [-1.0, 1.0]
    assert sun_altitude_deg(place, inside).max() < -12.0


@settings(max_examples=10, deadline=None)
@given(st.floats(-40.0, 40.0), nights, st.floats(-18.0, -6.0), st.floats(0.0, 6.0))
def test_a_darker_limit_never_lengthens_the_night(latitude, date, limit, darker):
    place = Place(latitude, -67.0, 2500.0)
    bright, dark = dark_hours(place, date, limit), dark_hours(place, date, limit - darker)
    with offline_earth():
        assert (dark.start - bright.start).to_value("s") >= -0.02
        assert (bright.end - dark.end).to_value("s") >= -0.02
