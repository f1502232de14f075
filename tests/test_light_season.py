"""A season on arrays with a whole light path against single nights, worked out moment by moment."""

from __future__ import annotations

import datetime

import numpy as np
import pytest
from light_nights import lit_scenario
from test_season import NEAR_S, moments_s
from wishes import edited

from planner.feasibility.answers import DAYLIGHT, OPEN
from planner.feasibility.nights import followed_star, night_of
from planner.feasibility.season import season_of, season_sky
from planner.feasibility.subarrays import ORDER, Followed, any_spans
from planner.scenario.targets import Scenario

pytestmark = pytest.mark.slow

DATE = datetime.date(2027, 3, 11)
# Seed and request, all six kinds of them; lines in air in 0, 3 and 6.
CASES = ((0, 0), (0, 3), (1, 2), (2, 0), (2, 3), (3, 1), (4, 0), (4, 3), (6, 3), (7, 3))


def alone(seed: int, number: int) -> Scenario:
    scenario = lit_scenario(seed)
    return scenario.model_copy(update={"requests": (scenario.requests[number],)})


def compared(scenario: Scenario, date: datetime.date) -> tuple[set[str], int]:
    """Compare a night's columns with its windows; return the limits that bind and how many were compared."""
    scenario = edited(scenario, date=date)
    season = season_of(scenario, season_sky(scenario, [date]), [0], ["as built"])
    night = night_of(scenario)
    followed = followed_star(night, 0)
    seconds, codes = moments_s(season, date, night.curve.dark.start), season.binding[0, 0, 0]
    length = night.curve.length_s
    edges = np.array(
        [e for own in followed.held.spans.values() for span in own for e in span] + [0.0, length]
    )
    spans = any_spans(followed)
    names, many = set(), 0
    for second, code, limit in zip(seconds, codes, first_that_leave_none(followed, seconds), strict=True):
        if np.abs(edges - second).min() <= NEAR_S:
            continue
        assert (code != DAYLIGHT) == (0 < second < length)
        if code == DAYLIGHT:
            continue
        assert (code == OPEN) == any(a <= second <= b for a, b in spans)
        told = None if code == OPEN else season.limits[code - 1]
        assert told == limit
        names |= {told} - {None}
        many += 1
    return names, many


def first_that_leave_none(followed: Followed, seconds: np.ndarray) -> list[str | None]:
    """Take the limits one after the other; a limiting magnitude in a further band is told as the first."""
    known: dict[object, np.ndarray] = {}

    def kept(spans) -> np.ndarray:
        if spans not in known:
            known[spans] = np.any(
                [(seconds >= a) & (seconds <= b) for a, b in (*spans, (np.inf, np.inf))], axis=0
            )
        return known[spans]

    cases = [
        followed.by_limit(telescopes, own) for telescopes, many in followed.choices.items() for own in many
    ]
    left = np.ones((len(cases), len(seconds)), dtype=bool)
    told: list[str | None] = [None] * len(seconds)
    for name in ORDER:
        for own, case in zip(left, cases, strict=True):
            for limit, spans in case.items():
                if limit == name or (name == ORDER[0] and limit not in ORDER):
                    own &= kept(spans)
        for k in np.flatnonzero(~left.any(axis=0)):
            told[k] = told[k] or name
    return told


@pytest.mark.parametrize(("seed", "number"), CASES)
def test_a_column_is_open_when_the_night_says_so_and_else_tells_the_first_limit_that_leaves_no_subarray(
    seed, number
):
    _, many = compared(alone(seed, number), DATE)
    assert many > 60


@pytest.mark.parametrize(
    ("changes", "limit"),
    [
        ({"extras.spectral_setup": "fine", "star": {"K": 6.8}}, "limiting magnitude"),
        ({"star": {"L": 6.5}}, "limiting magnitude"),
        ({"star": {"V": 13.5}}, "guide star"),
        ({"star": {"H": 9.5}}, "beam-position sensor"),
        ({"star": {"H": 7.8}}, "fringe tracker"),
        ({"apart_arcsec": 50.0}, "separation of the two stars"),
        ({"apart_arcsec": 39.0, "differential_stroke_m": (0.0, 0.0001)}, "differential delay"),
        ({"apart_arcsec": 10.0, "field_angle_deg": (-3.0, 2.0)}, "field orientation"),
        ({"pupil_stroke_m": (0.0, 0.01)}, "pupil relay"),
        ({"combiner.air_contrast_min": 0.99999}, "air in the lines"),
    ],
)
def test_each_part_of_the_light_path_can_be_what_binds_a_season(changes, limit):
    assert limit in compared(worse(alone(3, 0), changes), DATE)[0]


def worse(scenario: Scenario, changes: dict[str, object]) -> Scenario:
    """Spoil one part of the light path of the only request, which has a second star."""
    wish, array = scenario.requests[0], scenario.array
    changes = dict(changes)
    if "apart_arcsec" in changes:
        north = float(changes.pop("apart_arcsec")) / 3600.0
        place = {"ra_deg": wish.star.ra_deg, "dec_deg": wish.star.dec_deg + north}
        changes["extras.second_star"] = wish.extras.second_star.model_copy(update=place)
    else:
        changes["extras.second_star"] = None
    if "star" in changes:
        mag = wish.star.mag | changes.pop("star")
        changes["request.star"] = wish.star.model_copy(update={"mag": mag})
    if "pupil_stroke_m" in changes:
        changes["line.pupil_stroke_m"] = changes.pop("pupil_stroke_m")
    feed = {key: changes.pop(key) for key in ("differential_stroke_m", "field_angle_deg") if key in changes}
    array = array.model_copy(update={"dual_feed": array.dual_feed.model_copy(update=feed)})
    return edited(scenario.model_copy(update={"array": array}), **changes)
