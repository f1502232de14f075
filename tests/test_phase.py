"""Phases of a star: the light's way to the barycentre, edges to the second, every place that keeps them."""

from __future__ import annotations

import datetime
import warnings
from types import SimpleNamespace

import astroplan
import audited
import handmade
import numpy as np
import pytest
import skyfield_data
from astropy import units as u
from astropy.coordinates import SkyCoord
from astropy.time import Time, TimeDelta
from handmade import changed
from hypothesis import given
from hypothesis import strategies as st
from invented import DATE, random_scenario, star
from nights import planned
from second_by_second import at_phase, location_of
from skies import crossings_s, utc
from skyfield.api import Loader, wgs84
from test_remedies import planned_with
from test_season import NEAR_S, moments_s
from wishes import edited

from planner.constraints.phase import cycles_since, edges_before, orbital_phase
from planner.feasibility.answers import DAYLIGHT, OPEN
from planner.feasibility.nights import followed_star, night_of, target_night
from planner.feasibility.remedies import with_remedies
from planner.feasibility.season import season_of, season_sky
from planner.ranking.moments import moments_of
from planner.ranking.seats import seating, seats_of
from planner.scenario.array import Site
from planner.scenario.programs import PhaseWindow
from planner.scenario.targets import Scenario, Star
from planner.scheduling.audit import audit_plan
from planner.sky.curve import sky_curve
from planner.sky.directions import place_of
from planner.sky.earth import offline_earth
from planner.sky.night import dark_hours, night_sky

SITE = Site(name="nowhere", latitude_deg=-25.0, longitude_deg=-67.0, height_m=2500.0)
EPOCH = 2_461_000.5  # 2025-11-21 0h TDB


def window(period_d: float, *phases: tuple[float, float], epoch_bjd: float = EPOCH) -> PhaseWindow:
    return PhaseWindow(epoch_bjd=epoch_bjd, period_d=period_d, phases=phases)


def sky_at(times: Time, *stars: Star):
    """The sky of some moments of the night of 2027-03-11, at any second."""
    dark = dark_hours(place_of(SITE), DATE, -12.0)
    curve = sky_curve(place_of(SITE), dark, stars)
    with offline_earth():
        seconds = (times - dark.start).to_value("s")
    return curve.at(range(len(stars)), np.asarray(seconds))


def paper_sky(tdb_jd: np.ndarray, observer_au: tuple[float, float, float]):
    """A star at right ascension and declination zero, seen from a place told on paper."""
    times = Time(tdb_jd, format="jd", scale="tdb")
    frame = SimpleNamespace(observer_au=np.tile(observer_au, (len(tdb_jd), 1)))
    return SimpleNamespace(times=times, frame=frame, icrs_rad=np.zeros((1, 2)))


# By hand.


def test_on_paper_light_takes_499_seconds_for_an_astronomical_unit():
    # The light reaches an observer one au nearer to the star 499.004784 s before it reaches the barycentre
    # (IAU 2012 Resolution B2: au = 149597870700 m; c = 299792458 m/s).
    found = cycles_since(paper_sky(np.array([EPOCH]), (1.0, 0.0, 0.0)), 0, window(1.0, (0.0, 0.5)))
    assert found[0] * 86_400.0 == pytest.approx(499.004784, abs=1e-6)
    sideways = cycles_since(paper_sky(np.array([EPOCH]), (0.0, 0.7, 0.7)), 0, window(1.0, (0.0, 0.5)))
    assert sideways[0] == pytest.approx(0.0, abs=1e-12)


def test_on_paper_the_margin_is_the_time_to_the_nearer_edge():
    # A period of 10 days from 0.2 to 0.4: two to four days after the epoch; a day is 1440 minutes.
    days = EPOCH + np.array([1.0, 2.0, 2.25, 3.0, 3.5, 5.0, 9.0, 13.0])
    found = orbital_phase(paper_sky(days, (0.0, 0.0, 0.0)), 0, window(10.0, (0.2, 0.4)))
    minutes = [-1440.0, 0.0, 360.0, 1440.0, 720.0, -1440.0, -4320.0, 1440.0]
    assert found.margin[0] == pytest.approx(minutes, abs=1e-3)
    assert (found.limit, found.unit, found.axes) == ("orbital phase", "min", ("star", "time"))


def test_on_paper_ranges_that_touch_are_one_range_and_a_turn_has_no_edge():
    # 0.8 to 1 and 0 to 0.2 meet at phase zero: there the edges are two days away.
    sky = paper_sky(EPOCH + np.array([0.0, 10.0]), (0.0, 0.0, 0.0))
    assert orbital_phase(sky, 0, window(10.0, (0.8, 1.0), (0.0, 0.2))).margin[0] == pytest.approx(
        [2880.0] * 2
    )
    assert np.all(np.isinf(orbital_phase(sky, 0, window(10.0, (0.0, 1.0))).margin))
    assert np.all(np.isinf(orbital_phase(sky, 0, window(10.0, (0.0, 0.5), (0.5, 1.0))).margin))


def test_on_paper_edges_are_counted_whether_or_not_both_sides_are_in():
    # Edges at 0.1, 0.4, 0.4001 and 0.5 of each turn.
    cycles = np.array([0.0, 0.2, 0.39, 0.41, 0.6, 1.2, -0.55])
    counts = edges_before(window(1.0, (0.1, 0.4), (0.4001, 0.5)), cycles)
    assert (counts - counts[0]).tolist() == [0.0, 1.0, 1.0, 3.0, 4.0, 5.0, -1.0]


# Against the outside.

PLACES = [star("equator", 165.0, 2.0), star("ecliptic pole", 270.0, 66.56), star("south", 95.0, -70.0)]
NEAR_AND_FAST = star("fast", 165.0, -12.0, epoch_yr=2000.0, pmra_mas_per_yr=-3700.0, pmdec_mas_per_yr=1500.0)
HOURS = utc("2027-03-12T00:30:00", "2027-03-12T03:00:00", "2027-03-12T07:45:10")


@pytest.mark.parametrize("own", [*PLACES, NEAR_AND_FAST], ids=lambda own: own.name)
def test_barycentric_times_are_astropys(own):
    # astropy's Time.light_travel_time with its built-in ephemeris (ERFA epv00, as ours): 0.1 ms leave room
    # for proper motion within the night and the spline of the observer's place.
    found = cycles_since(sky_at(HOURS, own), 0, window(1.0, (0.0, 0.5)))
    with offline_earth():
        here = Time(HOURS, location=location_of(SITE))
        years = (here.tdb.jyear - own.epoch_yr).mean()
        place = SkyCoord(
            (own.ra_deg + years * own.pmra_mas_per_yr / 3.6e6 / np.cos(np.deg2rad(own.dec_deg))) * u.deg,
            (own.dec_deg + years * own.pmdec_mas_per_yr / 3.6e6) * u.deg,
        )
        way = here.light_travel_time(place, "barycentric", ephemeris="builtin")
        since = (here.tdb + way - Time(EPOCH, format="jd", scale="tdb")).to_value("s")
    assert found * 86_400.0 == pytest.approx(since, abs=1e-4)


@pytest.fixture(scope="module")
def ephemeris():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # its Earth-orientation file is old and not used here
        load = Loader(skyfield_data.get_skyfield_data_path(), verbose=False)
    kernel = load("de421.bsp")
    yield load, kernel
    kernel.close()


@pytest.mark.parametrize("own", PLACES, ids=lambda own: own.name)
def test_the_way_of_the_light_is_that_of_a_jpl_ephemeris(ephemeris, own):
    # skyfield with DE421: barycentric place of the observer, straight from the ephemeris. ERFA's epv00 is
    # within 14 km of DE405 (its own documentation), 0.05 ms.
    load, kernel = ephemeris
    earth, scale = kernel["earth"], load.timescale(builtin=True)
    where = earth + wgs84.latlon(SITE.latitude_deg, SITE.longitude_deg, SITE.height_m)
    found = cycles_since(sky_at(HOURS, own), 0, window(1.0, (0.0, 0.5))) * 86_400.0
    a, d = np.deg2rad([own.ra_deg, own.dec_deg])
    towards = np.array([np.cos(d) * np.cos(a), np.cos(d) * np.sin(a), np.sin(d)])
    for moment, ours in zip(HOURS, found, strict=True):
        time = scale.from_astropy(moment)
        way_s = where.at(time).position.km @ towards / 299_792.458
        tdb_s = (time.tdb - EPOCH) * 86_400.0
        assert ours == pytest.approx(tdb_s + way_s, abs=5e-4)  # a Julian date as one number: 0.04 ms


def test_phases_are_astroplans_where_it_is_given_barycentric_times():
    # astroplan.PhaseConstraint of a PeriodicEvent knows no barycentre: it is given the times as seen there.
    own, period_d = PLACES[0], 0.31
    with offline_earth():
        times = utc("2027-03-12T00:00:00") + TimeDelta(np.arange(0.0, 32_000.0, 97.0), format="sec")
        here = Time(times, location=location_of(SITE))
        way = here.light_travel_time(SkyCoord(own.ra_deg * u.deg, own.dec_deg * u.deg), ephemeris="builtin")
        event = astroplan.PeriodicEvent(epoch=Time(EPOCH, format="jd", scale="tdb"), period=period_d * u.day)
        there = Time((here.tdb + way).jd, format="jd", scale="tdb")
        for low, high in ((0.2, 0.7), (0.9, 0.15)):
            theirs = astroplan.PhaseConstraint(event, min=low, max=high).compute_constraint(there)
            ours = orbital_phase(sky_at(times, own), 0, window(period_d, (low, high)))
            clear = np.abs(ours.margin[0]) > 1e-3
            assert clear.sum() > 300
            assert np.array_equal(theirs[clear], ours.allowed[0][clear])
            assert 30 < ours.allowed[0].sum() < 300


@pytest.mark.parametrize(("period_d", "phases"), [(0.21, ((0.3, 0.62),)), (0.09, ((0.9, 0.2), (0.4, 0.6)))])
def test_windows_open_and_close_at_the_phase_to_the_second(period_d, phases):
    # Edges of each phase by root finding on astropy's barycentric time; told to 0.01 s.
    own = window(period_d, *phases)
    scenario = edited(random_scenario(3, requests=1), **{"extras.phase": own})
    followed = followed_star(night_of(scenario), 0)
    telescopes, [setting, *_] = next(iter(followed.choices.items()))
    told = [edge for span in followed.by_limit(telescopes, setting)["orbital phase"] for edge in span]
    curve, wish = followed.of.curve, scenario.requests[0]
    expected = []
    for edge in {edge for span in phases for edge in span}:

        def past(times: Time, edge: float = edge) -> np.ndarray:
            with offline_earth():
                here = Time(times, location=location_of(scenario.array.site))
                place = SkyCoord(wish.star.ra_deg * u.deg, wish.star.dec_deg * u.deg)
                way = here.light_travel_time(place, ephemeris="builtin")
                since = (here.tdb + way - Time(EPOCH, format="jd", scale="tdb")).to_value("d")
            return np.mod(since / period_d - edge + 0.5, 1.0) - 0.5

        with offline_earth():
            found = crossings_s(past, curve.dark.start, curve.length_s)
            value = [past(curve.dark.start + TimeDelta([second], format="sec"))[0] for second in found]
        # The jump half a turn away is no edge.
        expected += [s for s, v in zip(found, value, strict=True) if abs(v) < 0.1 and 0 < s < curve.length_s]
    inner = [edge for edge in told if 0 < edge < curve.length_s]
    assert len(inner) > 1
    assert inner == pytest.approx(sorted(expected), abs=0.02)


# Laws.


@given(st.floats(-30.0, 30.0), st.floats(0.01, 500.0), st.integers(-40, 40))
def test_an_epoch_a_whole_number_of_periods_later_is_the_same_epoch(since_d, period_d, turns):
    sky = paper_sky(np.array([EPOCH + since_d]), (0.3, -0.2, 0.9))
    first = orbital_phase(sky, 0, window(period_d, (0.2, 0.55)))
    later = orbital_phase(
        sky, 0, window(period_d, (0.2, 0.55), epoch_bjd=min(EPOCH + turns * period_d, 2_599_999.0))
    )
    assert first.margin[0] == pytest.approx(later.margin[0], abs=1e-3)


@given(st.floats(0.0, 1.0), st.floats(0.01, 0.95), st.floats(0.01, 0.95), st.floats(0.0, 1.0))
def test_a_wider_range_never_loses_a_moment(low, width, wider, moment):
    width, wider = sorted((width, wider))
    sky = paper_sky(np.array([EPOCH + moment]), (0.0, 0.0, 0.0))
    narrow, wide = (orbital_phase(sky, 0, window(1.0, (low, (low + own) % 1.0))) for own in (width, wider))
    assert wide.margin[0, 0] >= narrow.margin[0, 0] - 1e-6


# Everywhere.


def at_hours(scenario: Scenario, first_h: float, last_h: float, request: int = 0, **more) -> PhaseWindow:
    """A window of a period of 1.7 days that is open between two hours after 2027-03-12T00:00 UTC."""
    with offline_earth():
        start = utc("2027-03-12T00:00:00")
        here = Time(start, location=location_of(scenario.array.site))
        own = scenario.requests[request].star
        way = here.light_travel_time(SkyCoord(own.ra_deg * u.deg, own.dec_deg * u.deg), ephemeris="builtin")
        zero = float((here.tdb + way).jd[0])
    edges = [hours / 24.0 / 1.7 for hours in (first_h, last_h)]
    return window(1.7, (edges[0], edges[1]), epoch_bjd=zero, **more)


def with_phase(scenario: Scenario, own: PhaseWindow | None, request: int = 0) -> Scenario:
    return changed(scenario, f"requests.{request}.extras.phase", own)


def science_spans(plan, target: str) -> list[tuple[Time, Time]]:
    return [
        (utc(v.steps[1].start_utc.rstrip("Z"))[0], utc(v.steps[1].end_utc.rstrip("Z"))[0])
        for v in plan.visits
        if v.target == target
    ]


def test_a_plan_records_the_science_star_at_its_phases_and_the_calibrators_at_any():
    scenario = random_scenario(3, requests=3, telescopes=4, beams=2)
    name = scenario.requests[0].name
    free = planned(scenario)[1]
    start, end = science_spans(free, name)[0]
    with offline_earth():
        zero = utc("2027-03-12T00:00:00")[0]
        middle_h = (start - zero).to_value("h") + (end - start).to_value("h") / 2.0
    # Open for ten minutes around the eight that were planned freely: bracketing calibrators are outside.
    own = at_hours(scenario, middle_h - 1 / 12, middle_h + 1 / 12)
    _, plan = planned(with_phase(scenario, own))
    spans = science_spans(plan, name)
    assert spans
    wish = scenario.requests[0].star
    for first, last in spans:
        with offline_earth():
            times = first + TimeDelta(np.linspace(0.0, (last - first).to_value("s"), 50), format="sec")
            assert at_phase(wish, own, times, location_of(scenario.array.site)).all()
    visit = next(v for v in plan.visits if v.target == name)
    outside = utc(visit.steps[0].start_utc.rstrip("Z"), visit.steps[2].end_utc.rstrip("Z"))
    with offline_earth():
        assert not at_phase(wish, own, outside, location_of(scenario.array.site)).any()
    assert {m.limit for m in visit.margins} >= {"orbital phase"}
    report = audit_plan(plan)
    assert report.passed
    assert next(c for c in report.checks if c.name == "orbital phase").checked > 10


def test_the_audit_knows_a_plan_that_misses_its_phase_by_two_seconds():
    # V02 records from 00:56 to 01:04 UTC.
    plan = handmade.plan()

    def failed(first_h: float, last_h: float) -> set[str]:
        own = at_hours(plan.scenario, first_h, last_h, request=1)
        return audited.failed(changed(plan, "scenario.requests.1.extras.phase", own))

    begin, end, bit = 56 / 60, 64 / 60, 2 / 3600
    assert failed(begin - bit, end + bit) == set()
    assert failed(begin + bit, end + bit) == {"orbital phase"}
    assert failed(begin - bit, end - bit) == {"orbital phase"}
    # From 0.63 of the turn to 0.02 beyond the next: through zero, and open all the while.
    assert failed(begin - 10.0 + 24 * 1.7, end + bit) == set()


def test_a_season_is_open_where_its_nights_are():
    scenario = random_scenario(101, requests=1, telescopes=4, beams=2)
    scenario = edited(scenario, **{"extras.phase": window(0.37, (0.15, 0.55))})
    dates = [datetime.date(2027, 2, 3) + datetime.timedelta(days=11 * k) for k in range(3)]
    season = season_of(scenario, season_sky(scenario, dates), [0], ["as built"])
    told = 0
    for row, date in enumerate(dates):
        night = night_of(edited(scenario, date=date))
        answer = target_night(night, 0)
        seconds = moments_s(season, date, night.curve.dark.start)
        code = season.binding[0, 0, row]
        edges = np.array([edge for span in answer.any_spans for edge in span] or [-1e9])
        far = (code != DAYLIGHT) & (np.abs(seconds[:, None] - edges).min(axis=1) > NEAR_S)
        inside = np.zeros(len(seconds), dtype=bool)
        for start, end in answer.any_spans:
            inside |= (seconds >= start) & (seconds <= end)
        assert np.array_equal((code == OPEN)[far], inside[far])
        told += sum(season.limits[c - 1] == "orbital phase" for c in code if c > OPEN)
    assert told > 10


def test_a_gap_of_half_a_minute_between_two_ranges_splits_a_window():
    # 26 s of a period of 0.3 days are left out, shorter than the grid on which margins are followed.
    gap = 26.0 / (0.3 * 86_400.0)
    whole = edited(random_scenario(3, requests=1), **{"extras.phase": window(0.3, (0.0, 1.0))})
    split = edited(whole, **{"extras.phase": window(0.3, (0.5, 0.5 - gap))})
    first, second = (followed_star(night_of(scenario), 0) for scenario in (whole, split))
    telescopes, [setting, *_] = next(iter(second.choices.items()))
    assert first.by_limit(telescopes, setting)["orbital phase"] == ((0.0, first.held.length_s),)
    spans = second.by_limit(telescopes, setting)["orbital phase"]
    assert len(spans) == 2
    assert spans[1][0] - spans[0][1] == pytest.approx(26.0, abs=0.03)


@pytest.mark.slow
@pytest.mark.parametrize("seed", [13, 18])
def test_a_phase_that_the_night_misses_is_told_and_what_helps_opens_a_visit(seed):
    scenario = random_scenario(seed, requests=1, telescopes=4, beams=2)
    free = target_night(night_of(scenario), 0)
    assert free.serving
    # Open for four hours from 15 h UTC on, in daylight; the period of 1.7 days brings it into later nights.
    blocked = with_phase(scenario, at_hours(scenario, 15.0, 19.0))
    night = night_of(blocked)
    answer = with_remedies(night, target_night(night, 0))
    assert answer.exclusion is not None
    assert answer.exclusion.alone == ("orbital phase",)
    assert answer.exclusion.sentence.startswith("orbital phase: at best ")
    kinds = {remedy.kind: remedy for remedy in answer.remedies}
    assert {"limit", "date"} <= kinds.keys()
    assert kinds["limit"].sentence.startswith(("Widen the phases of target 0 by ", "Record target 0 at any"))
    for remedy in (kinds["limit"], kinds["date"]):
        plan = planned_with(remedy)
        assert len(plan.visits) == 1
        assert plan.audit is not None
        assert plan.audit.passed


def test_in_a_ranking_no_seat_is_used_outside_the_phase():
    scenario = random_scenario(3, requests=2, telescopes=3, beams=2)
    seats = seats_of(scenario.array)

    def slots(asked: Scenario) -> np.ndarray:
        moments = moments_of(asked, DATE, seats, seating(asked.array, seats), [0, 1])
        return np.unpackbits(moments.seat, axis=-1, count=moments.slots), moments.sky.times

    free, times = slots(scenario)
    own = window(0.3, (0.2, 0.6))
    bound, _ = slots(with_phase(scenario, own))
    with offline_earth():
        inside = at_phase(scenario.requests[0].star, own, times, location_of(scenario.array.site))
    assert np.array_equal(bound[:, 0], free[:, 0] & inside)
    assert np.array_equal(bound[:, 1], free[:, 1])
    assert bound[:, 0].sum() < free[:, 0].sum()


def test_the_sky_on_ticks_and_at_any_second_tell_one_phase():
    scenario = random_scenario(3)
    sky = night_sky(scenario, DATE)
    curve = sky_curve(place_of(scenario.array.site), sky.dark, sky.stars)
    with offline_earth():
        seconds = (sky.times - sky.dark.start).to_value("s")
    own = window(1.0, (0.0, 0.5))
    apart = cycles_since(sky, 1, own) - cycles_since(curve.at(range(len(sky.stars)), seconds), 1, own)
    assert np.abs(apart).max() * 86_400.0 < 1e-3
