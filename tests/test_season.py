"""A season at a glance against single nights, worked out moment by moment."""

from __future__ import annotations

import datetime

import numpy as np
import pytest
from invented import random_scenario
from wishes import edited

from planner.feasibility.answers import DAYLIGHT, OPEN, Season, longest_open
from planner.feasibility.nights import followed_star, night_of, target_night
from planner.feasibility.season import season_of, season_sky
from planner.feasibility.subarrays import ORDER
from planner.scenario.targets import Scenario
from planner.sky.directions import place_of
from planner.sky.earth import offline_earth
from planner.sky.earth_curve import seconds_after
from planner.sky.night import noon_utc

pytestmark = pytest.mark.slow

NEAR_S = 3.0  # a grid moment this near to an edge of a window may fall on either side


def nights_from(first: datetime.date, count: int, step: int = 1) -> list[datetime.date]:
    return [first + datetime.timedelta(days=step * k) for k in range(count)]


def moments_s(season: Season, night: datetime.date, dusk) -> np.ndarray:
    """Middles of the columns of one night, seconds after its dusk."""
    with offline_earth():
        noon = noon_utc(place_of(season.scenario.array.site), night)
    return season.offset_h * 3600.0 + 43_200.0 + seconds_after(dusk, noon)


def of_kind(number: int) -> Scenario:
    """Scenarios with limits of different kinds."""
    scenario = random_scenario(100 + number, requests=2, telescopes=4, beams=2 + number % 2)
    changes = (
        {},
        {"limits.airmass_max": 1.6, "limits.moon_separation_min_deg": 40.0},
        {"limits.moon_illumination_max": 0.4, "limits.hour_angle_max_h": 2.5},
        {"class.altitude_max_deg": 70.0, "class.enclosure_height_m": 30.0, "class.enclosure_radius_m": 8.0},
        {"line.stroke_m": (0.0, 18.0)},
        {"line.tracking_speed_mm_per_s": 0.8},
    )[number % 6]
    return edited(scenario, **changes)


@pytest.mark.parametrize("number", range(6))
def test_a_column_of_the_season_is_open_exactly_when_the_night_says_so(number):
    scenario = of_kind(number)
    dates = nights_from(datetime.date(2027, 1, 20), 3, step=27)
    season = season_of(scenario, season_sky(scenario, dates), [0, 1], ["as built"])
    compared = 0
    for row, date in enumerate(dates):
        night = night_of(edited(scenario, date=date))
        seconds = moments_s(season, date, night.curve.dark.start)
        dark = (seconds >= 0) & (seconds <= night.curve.length_s)
        clear = (np.abs(seconds) > NEAR_S) & (np.abs(seconds - night.curve.length_s) > NEAR_S)
        for request in (0, 1):
            answer = target_night(night, request)
            code = season.binding[0, request, row]
            assert np.array_equal((code != DAYLIGHT)[clear], dark[clear])
            edges = np.array([edge for span in answer.any_spans for edge in span] or [-1e9])
            inside = np.zeros(len(seconds), dtype=bool)
            for start, end in answer.any_spans:
                inside |= (seconds >= start) & (seconds <= end)
            far = dark & clear & (np.abs(seconds[:, None] - edges).min(axis=1) > NEAR_S)
            assert np.array_equal((code == OPEN)[far], inside[far])
            compared += np.count_nonzero(far)
    assert compared > 300


@pytest.mark.parametrize("number", range(6))
def test_the_limit_that_binds_is_the_first_that_leaves_no_subarray(number):
    scenario = of_kind(number)
    date = datetime.date(2027, 2, 16)
    season = season_of(scenario, season_sky(scenario, [date]), [0], ["as built"])
    night = night_of(edited(scenario, date=date))
    followed = followed_star(night, 0)
    cases = [followed.by_limit(t, lines) for t, many in followed.choices.items() for lines in many]
    seconds = moments_s(season, date, night.curve.dark.start)
    edges = np.array([e for case in cases for spans in case.values() for span in spans for e in span])
    told = 0
    for second, code in zip(seconds, season.binding[0, 0, 0], strict=True):
        if code <= OPEN or np.abs(edges - second).min() <= NEAR_S:
            continue
        left = cases
        for name in ORDER:
            left = [c for c in left if name not in c or any(a <= second <= b for a, b in c[name])]
            if not left:
                break
        assert season.limits[code - 1] == name
        told += 1
    assert told > 10 or (season.binding[0, 0, 0] > OPEN).sum() < 15


def test_only_nights_with_a_whole_visit_count():
    codes = np.array([[0, 0, 0, 1, 0], [0, 1, 0, 0, 1], [1, -1, 1, 1, 1]], dtype=np.int8)
    season = Season(
        scenario=random_scenario(1),
        nights=tuple(nights_from(datetime.date(2027, 1, 30), 3)),
        step_s=300.0,
        offset_h=np.arange(5.0) / 12.0,
        configurations=("as built",),
        requests=(0,),
        limits=ORDER,
        binding=codes[None, None],
        visit_s=np.array([700.0]),
        whole_visits=np.array([[[True, False, False]]]),
    )
    assert longest_open(codes).tolist() == [3, 2, 0]
    # By hand: four and three open columns of 5 min.
    assert season.usable_h()[0, 0].tolist() == pytest.approx([4 / 12, 3 / 12, 0.0])
    # 30 and 31 January, 1 February; only the feasible night's hours count.
    assert season.months() == ((2027, 1), (2027, 2))
    assert season.hours_by_month()[0, 0].tolist() == pytest.approx([4 / 12, 0.0])


def without_calibrators_near(scenario: Scenario) -> Scenario:
    """The same with every calibrator moved to the other side of the sky."""
    moved = tuple(
        own.model_copy(update={"ra_deg": (own.ra_deg + 180.0) % 360.0}) for own in scenario.calibrators
    )
    return scenario.model_copy(update={"calibrators": moved})


# Strokes that follow the star but not its calibrators, windows about as long as a visit, calibrators that are
# out of reach, too faint, or too large, and recordings shorter than a column of the season's grid.
KINDS = (
    {"line.stroke_m": (0.0, 14.0)},
    {"limits.hour_angle_max_h": 0.35},
    {"limits.bracket_distance_max_deg": 4.0, "limits.moon_separation_min_deg": 60.0},
    {"limits.calibrator_vis2_min": 0.93},
    {"class.altitude_min_deg": 62.0, "combiner.science_recording_s": 200.0},
    {"limits.moon_illumination_max": 0.3, "class.altitude_min_deg": 48.0},
)


@pytest.mark.parametrize("number", range(len(KINDS)))
def test_a_night_of_the_season_is_what_is_answered_about_that_night_alone(number):
    scenario = edited(random_scenario(40 + number, requests=2, telescopes=3, beams=2), **KINDS[number])
    if number == 0:
        near = without_calibrators_near(scenario)
        dates = nights_from(datetime.date(2027, 2, 1), 2)
        assert not season_of(near, season_sky(near, dates), [0, 1], ["as built"]).feasible().any()
    dates = nights_from(datetime.date(2027, 1, 5), 4, step=23)
    season = season_of(scenario, season_sky(scenario, dates), [0, 1], ["as built"])
    for row, date in enumerate(dates):
        night = night_of(edited(scenario, date=date))
        alone = [bool(target_night(night, request).serving) for request in (0, 1)]
        assert season.feasible()[0, :, row].tolist() == alone


def test_where_the_sun_never_sets_there_is_no_dark_column():
    scenario = random_scenario(3)
    site = scenario.array.site.model_copy(update={"latitude_deg": 80.0})
    scenario = scenario.model_copy(update={"array": scenario.array.model_copy(update={"site": site})})
    season = season_of(
        scenario, season_sky(scenario, nights_from(datetime.date(2027, 6, 20), 3)), [0], ["as built"]
    )
    assert np.all(season.binding == DAYLIGHT)
    assert not season.feasible().any()


def test_a_configuration_without_enough_telescopes_says_so():
    scenario = random_scenario(4, telescopes=3, beams=3)
    wish = scenario.requests[0]
    extras = wish.extras.model_copy(update={"telescopes": ("T0", "T1")})
    scenario = scenario.model_copy(update={"requests": (wish.model_copy(update={"extras": extras}),)})
    season = season_of(scenario, season_sky(scenario, [datetime.date(2027, 3, 11)]), [0], ["as built"])
    codes = season.binding[season.binding != DAYLIGHT]
    assert {season.limits[code - 1] for code in codes} == {"number of telescopes"}
