"""When everything holds, to the second: on paper, moment by moment without the planner, by other software."""

from __future__ import annotations

import datetime
import itertools
import warnings

import astroplan
import erfa
import numpy as np
import pytest
import skyfield_data
from astropy import units
from astropy.coordinates import SkyCoord
from astropy.coordinates.errors import NonRotationTransformationWarning
from astropy.time import Time, TimeDelta
from invented import random_scenario, request, star, telescope_class
from paper_night import MIDNIGHT, paper_scenario, star_of_date
from second_by_second import judge
from skies import crossings_s, utc
from skyfield.api import Loader, wgs84
from skyfield.api import Star as OtherStar
from wild_nights import wild_scenario

from planner.feasibility.nights import followed_star, night_of, target_night
from planner.scenario.night import Limits
from planner.sky.directions import location_of, place_of
from planner.sky.earth import offline_earth, orientation
from planner.sky.earth_curve import seconds_after
from planner.units import RAD_PER_ARCSEC

pytestmark = pytest.mark.slow

SIDEREAL = 1.002737909  # turns of the sky in a turn of the Sun (IERS Conventions 2010 [from memory])


# By hand: two telescopes 60 m apart on an east-west line at latitude -30, no air.


def on_paper(own, *limits, **more):
    """The night of a star on paper, and its midnight in seconds after dusk."""
    found = target_night(night_of(paper_scenario(own, *limits, **more)), 0)
    return found, seconds_after(found.curve.dark.start, utc(MIDNIGHT)[0])


def around_midnight(hours, midnight_s):
    """Seconds after dusk of hour angles, for a star on the meridian at midnight."""
    return (midnight_s + 3600.0 * np.array(hours) / SIDEREAL).tolist()


@pytest.mark.parametrize(
    ("dec_deg", "limits", "of_class", "hours", "name"),
    [
        # D(east) - D(west) = -60 m cos d sin H; strokes of 30 m: |sin H| <= 1/2 at d = 0, |H| <= 2 h.
        (0.0, {}, {}, 2.0, "delay range"),
        # sin a = sin 30 sin 60 + cos 30 cos 60 cos H = 0.433013 (1 + cos H): 40 deg at cos H = 0.484454.
        (-60.0, {}, {"altitude_min_deg": 40.0}, 4.068218, "altitude, lower limit"),
        # sec z = 1.5 where 0.433013 (1 + cos H) = 2/3, cos H = 0.539601.
        (-60.0, {"airmass_max": 1.5}, {}, 3.822903, "airmass"),
        (-60.0, {"hour_angle_max_h": 1.0}, {}, 1.0, "hour angle"),
        # At d = 0: sin a = cos 30 cos H: 50 deg at cos H = 0.884552, H = 27.8036 deg.
        (0.0, {}, {"altitude_min_deg": 50.0}, 1.853571, "altitude, lower limit"),
    ],
)
def test_a_limit_on_paper_opens_and_closes_at_its_hour_angle(dec_deg, limits, of_class, hours, name):
    # 0.1 s: diurnal aberration and polar motion are 0.3 arcsec each, 0.02 s; annual aberration turns by
    # 0.1 arcsec in five hours; edges are told to 0.01 s.
    found, midnight_s = on_paper(star_of_date(dec_deg), limits, **of_class)
    [opening] = found.subarrays[0].openings
    assert list(opening.span) == pytest.approx(around_midnight([-hours, hours], midnight_s), abs=0.1)
    assert (opening.opened_by, opening.closed_by) == (name, name)
    assert found.subarrays[0].hour_angle_h == pytest.approx((-hours, hours), abs=1e-4)
    assert found.subarrays[0].best_s == pytest.approx(midnight_s, abs=10.0)
    assert found.any_spans == found.subarrays[0].spans


def test_carriages_too_slow_at_the_meridian_split_the_window_in_two():
    # Each path changes by 30 m x 7.2921e-5 rad/s x cos H = 2.18763 mm/s cos H, half of it on the rail: at
    # 0.98444 mm/s carriages follow where cos H <= 0.9, |H| >= 25.8419 deg = 1.722795 h.
    slow = {"tracking_speed_mm_per_s": 0.9 * 30.0 * 7.292115e-5 * 1e3 / 2.0}
    found, midnight_s = on_paper(star_of_date(0.0), line=slow)
    edges = [edge for span in found.subarrays[0].spans for edge in span]
    assert edges == pytest.approx(around_midnight([-2.0, -1.722795, 1.722795, 2.0], midnight_s), abs=0.1)
    assert [o.closed_by for o in found.subarrays[0].openings] == ["carriage tracking rate", "delay range"]
    [between] = [b for b in found.subarrays[0].blocked if b.limit == "carriage tracking rate"]
    # Two metres of light for each metre of rail: 10 % of 2.18763 mm/s are missing on the meridian.
    assert (between.short, between.unit) == (pytest.approx(2.18763e-4, rel=1e-3), "m/s of light")
    assert between.worst_s == pytest.approx(midnight_s, abs=30.0)


def test_an_upper_limit_of_altitude_closes_the_window_around_the_meridian():
    # At d = -30 the star passes the zenith: sin a = 1/4 + 3/4 cos H, 80 deg at cos H = 0.979744.
    found, midnight_s = on_paper(
        star_of_date(-30.0), altitude_max_deg=80.0, azimuth_tracking_max_deg_per_s=100.0
    )
    edges = [edge for span in found.subarrays[0].spans for edge in span]
    half = np.rad2deg(np.arccos((np.sin(np.deg2rad(80.0)) - 0.25) / 0.75)) / 15.0
    # cos d = 0.866: 60 m x 0.866 sin H = 30 m at sin H = 0.577350, H = 35.2644 deg = 2.350960 h.
    hours = [-2.350960, -half, half, 2.350960]
    assert edges == pytest.approx(around_midnight(hours, midnight_s), abs=0.1)
    closed = [b for b in found.subarrays[0].blocked if b.limit == "altitude, upper limit"]
    assert [b.span for b in closed] == [(edges[1], edges[2])]
    assert closed[0].short == pytest.approx(
        10.0, abs=0.07
    )  # a grid point within 15 s: 0.06 deg of the zenith


def test_absolute_windows_are_kept_to_their_second():
    windows = (
        {"start_utc": "2027-03-11T23:10:07.3Z", "end_utc": "2027-03-11T23:10:12.8Z"},
        {"start_utc": "2027-03-12T01:00:00Z", "end_utc": "2027-03-12T01:20:00.5Z"},
    )
    found, midnight_s = on_paper(star_of_date(0.0), extras={"windows": windows})
    edges = [edge - midnight_s for span in found.subarrays[0].spans for edge in span]
    assert edges == pytest.approx([-2992.7, -2987.2, 3600.0, 4800.5], abs=0.02)


def test_the_sun_opens_and_closes_what_nothing_else_limits():
    # At d = -60 the star stays above 3.4 deg (sin a = 0.43301 (1 - 1) = 0 at H = 12 h: the horizon).
    found, _ = on_paper(star_of_date(-60.0), altitude_min_deg=0.0, line={"stroke_m": (0.0, 60.0)})
    [opening] = found.subarrays[0].openings
    assert opening.span == (0.0, found.curve.length_s)
    assert (opening.opened_by, opening.closed_by) == ("Sun", "Sun")
    assert found.subarrays[0].blocked == ()


# Every moment: astropy's full transformation and limits written a second time (second_by_second.py).

EDGE_S = np.arange(-20, 21) / 10.0
# Chosen out of 60 so that together they show every limit at some edge.
SEEDS = (0, 2, 3, 6, 7, 13, 22, 31, 36, 45)


def inside(spans, seconds):
    return np.any([(seconds >= a) & (seconds <= b) for a, b in (*spans, (np.inf, np.inf))], axis=0)


def away_s(spans, seconds):
    """Distance to the nearest edge, seconds."""
    edges = np.array([edge for span in spans for edge in span])
    return np.min(np.abs(seconds[:, None] - edges), axis=1, initial=np.inf)


@pytest.mark.parametrize("seed", SEEDS)
def test_windows_are_those_of_a_night_judged_moment_by_moment(seed):
    # Asked: edges within 1 s. Found: 0.1 s, for the Moon and for the sides of shadows 0.5 s.
    scenario = wild_scenario(seed)
    wish, array = scenario.requests[0], scenario.array
    found = target_night(night_of(scenario), 0)
    best, length = found.subarrays[0], found.curve.length_s
    edges = np.unique([edge for spans in (best.spans, found.any_spans) for span in spans for edge in span])
    near = (edges[:, None] + EDGE_S).ravel()
    seconds = np.unique(np.concatenate([np.arange(-60.0, length + 60.0, 20.0), near]))
    judged = judge(scenario, wish, found.curve.dark.start, seconds)
    lines = list(itertools.permutations(range(len(array.delay_lines)), len(best.telescopes)))
    usable = {
        (telescopes, chosen): judged.usable(array, wish.combiner, telescopes, chosen)
        for telescopes in itertools.combinations(range(len(array.telescopes)), len(best.telescopes))
        for chosen in lines
    }
    own = best.subarray.telescopes
    for spans, allowed in (
        (best.spans, usable[own, best.subarray.lines]),
        (found.any_spans, np.any(list(usable.values()), axis=0)),
    ):
        wrong = inside(spans, seconds) != allowed
        assert not np.any(wrong & (away_s(spans, seconds) > 1.0))
    # No other lines are usable for longer.
    coarse = np.isin(seconds, np.arange(-60.0, length + 60.0, 20.0))
    longest = max(np.count_nonzero(usable[own, chosen] & coarse) for chosen in lines)
    assert 20.0 * longest <= sum(b - a for a, b in best.spans) + 20.0 * (2 + len(best.spans))
    # The limit that is told at an edge says no a second beyond it and yes a second within.
    kept = judged.kept(array, wish.combiner, own, best.subarray.lines)
    for opening in best.openings:
        for edge, limit, outward in zip(
            opening.span, (opening.opened_by, opening.closed_by), (-1.1, 1.1), strict=True
        ):
            if limit != "shadowing":
                beyond, within = (
                    int(np.argmin(np.abs(seconds - edge - step))) for step in (outward, -outward)
                )
                assert (kept[limit][beyond], kept[limit][within]) == (False, True)


# Other software.


@pytest.mark.parametrize(
    ("limit", "constraint", "limits", "tolerance"),
    [
        # The same transformation of the same star without motion: 1e-4 deg and what that is of airmass.
        ("altitude, lower limit", astroplan.AltitudeConstraint(min=30 * units.deg), {}, 1e-4),
        (
            "airmass",
            astroplan.AirmassConstraint(max=1.6, boolean_constraint=True),
            {"airmass_max": 1.6},
            1e-5,
        ),
        # It compares the Moon's place with the star's catalogue place, without the star's aberration (20.5
        # arcsec) and deflection: 0.01 deg.
        (
            "Moon separation",
            astroplan.MoonSeparationConstraint(min=73 * units.deg),
            {"moon_separation_min_deg": 73.0},
            0.01,
        ),
        # It is lit as seen from the Earth's centre; a place on the ground sees up to 1 deg more or less of
        # the phase angle: 0.0175/2 of the disk.
        (
            "Moon lit fraction",
            astroplan.MoonIlluminationConstraint(max=0.3),
            {"moon_illumination_max": 0.3},
            0.009,
        ),
    ],
)
def test_limits_hold_when_astroplans_do(limit, constraint, limits, tolerance):
    # astroplan 0.10.1 keeps directions by right ascension: a fresh observer for each target.
    base = random_scenario(8, requests=4)
    scenario = base.model_copy(
        update={
            "limits": Limits(**limits),
            "night": base.night.model_copy(update={"date": datetime.date(2027, 3, 16)}),
        }
    )
    night = night_of(scenario)
    changes = 0
    for number, wish in enumerate(scenario.requests):
        followed = followed_star(night, number)
        telescopes, [lines, *_] = next(iter(followed.choices.items()))
        [curve] = [v for v in followed.curves(telescopes, lines) if v.limit == limit]
        seconds = followed.held.grid_s[::4]
        with offline_earth(), warnings.catch_warnings():
            warnings.simplefilter("ignore", NonRotationTransformationWarning)  # of its Moon separation
            observer = astroplan.Observer(location=location_of(place_of(scenario.array.site)))
            target = astroplan.FixedTarget(
                SkyCoord(wish.star.ra_deg * units.deg, wish.star.dec_deg * units.deg)
            )
            times = night.curve.dark.start + TimeDelta(seconds, format="sec")
            theirs = constraint(observer, [target], times=times, grid_times_targets=True)[0]
        ours = inside(followed.by_limit(telescopes, lines)[limit], seconds)
        clear = np.abs(curve.margin[::4]) > tolerance
        assert np.array_equal(ours[clear], theirs[clear])
        changes += np.count_nonzero(np.diff(theirs.astype(int)))
    assert changes > 0


def test_the_night_of_a_window_is_astroplans_night():
    scenario = random_scenario(8, requests=1)
    curve = target_night(night_of(scenario), 0).curve
    seconds = np.concatenate([np.arange(-5, 6) + edge for edge in (0.0, curve.length_s)])
    with offline_earth():
        times = curve.dark.start + TimeDelta(seconds, format="sec")
        observer = astroplan.Observer(location=location_of(place_of(scenario.array.site)))
        theirs = astroplan.AtNightConstraint.twilight_astronomical()(
            observer, [astroplan.FixedTarget(SkyCoord(0 * units.deg, 0 * units.deg))], times=times
        )
    clear = np.minimum(np.abs(seconds), np.abs(seconds - curve.length_s)) > 0.5
    assert np.array_equal(np.ravel(theirs)[clear], ((seconds > 0) & (seconds < curve.length_s))[clear])


@pytest.fixture(scope="module")
def ephemeris():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # its Earth-orientation file is old and not used here
        load = Loader(skyfield_data.get_skyfield_data_path(), verbose=False)
    kernel = load("de421.bsp")
    yield load, kernel
    kernel.close()


@pytest.mark.parametrize("date", ["1998-11-02", "2027-03-11", "2044-07-20"])
def test_stars_rise_through_the_limit_and_night_falls_when_skyfield_says(ephemeris, date):
    # skyfield with DE421 shares no code with ERFA; it is given our UT1 and polar motion of mid-night.
    load, kernel = ephemeris
    base = random_scenario(4, requests=1)
    long = tuple(line.model_copy(update={"stroke_m": (0.0, 500.0)}) for line in base.array.delay_lines)
    steep = (telescope_class(altitude_min_deg=45.0),)
    array = base.array.model_copy(update={"delay_lines": long, "telescope_classes": steep})
    site = array.site
    evening = datetime.date.fromisoformat(date)
    sun_ra = (evening - datetime.date(evening.year, 3, 21)).days / 365.25 * 360.0
    own = star("mover", sun_ra + 180.0, -10.0, pmra_mas_per_yr=900.0, pmdec_mas_per_yr=-700.0)
    scenario = base.model_copy(
        update={
            "array": array,
            "night": base.night.model_copy(update={"date": evening}),
            "requests": (request(own, array.combiners[0].name),),
        }
    )
    found = target_night(night_of(scenario), 0)
    dark, [opening] = found.curve.dark, found.subarrays[0].openings
    assert opening.opened_by == opening.closed_by == "altitude, lower limit"
    with offline_earth():
        middle = (dark.start + (dark.end - dark.start) / 2.0).reshape(1)
        told = orientation(middle)
        tai_minus_utc_s = erfa.dat(*erfa.jd2cal(middle.jd1[0], middle.jd2[0])[:3], 0.0)
    scale = load.timescale(delta_t=32.184 + tai_minus_utc_s - told.ut1_minus_utc_s[0])
    scale.polar_motion_table = tuple([value] for value in (0.0, *told.pole_rad[0] / RAD_PER_ARCSEC))
    there = kernel["earth"] + wgs84.latlon(site.latitude_deg, site.longitude_deg, site.height_m)
    other = OtherStar(
        ra_hours=own.ra_deg / 15.0,
        dec_degrees=own.dec_deg,
        ra_mas_per_year=own.pmra_mas_per_yr,
        dec_mas_per_year=own.pmdec_mas_per_yr,
        epoch=scale.J(own.epoch_yr),
    )

    def above(body, limit_deg):
        def altitude(times: Time):
            with offline_earth():
                moment = scale.tt_jd(times.tt.jd1, times.tt.jd2)
            return there.at(moment).observe(body).apparent().altaz()[0].degrees - limit_deg

        return altitude

    with offline_earth():
        crossed = crossings_s(above(other, 45.0), dark.start, found.curve.length_s)
        early = dark.start - TimeDelta(600.0, format="sec")
        twilight = crossings_s(above(kernel["sun"], -18.0), early, found.curve.length_s + 1200.0) - 600.0
    # 1 s is asked, 0.02 s is found.
    assert crossed == pytest.approx(opening.span, abs=0.1)
    assert twilight == pytest.approx([0.0, found.curve.length_s], abs=0.1)
