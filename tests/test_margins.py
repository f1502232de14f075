"""Margins of planned visits: worked out again from the scenario and the plan alone."""

from __future__ import annotations

import functools
import itertools
from datetime import datetime

import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import SkyCoord
from invented import random_scenario
from nights import planned
from scipy.special import j1

from planner.output.sentences import MARGINS_LEAST, margins_told
from planner.scheduling.plan import Margin


@functools.cache
def plans():
    return [planned(random_scenario(seed, requests=6, telescopes=5, beams=3))[1] for seed in (1, 4)]


def visits():
    return [(plan, visit) for plan in plans() for visit in plan.visits]


def kept(visit):
    return {margin.limit: margin.margin for margin in visit.margins}


def star_of(plan, name):
    scenario = plan.scenario
    stars = {own.star.name: own.star for own in scenario.requests} | {c.name: c for c in scenario.calibrators}
    return stars[name]


def classes_of(plan, visit):
    return [plan.scenario.array.class_of(name) for name in visit.subarray]


def test_there_are_visits_to_judge():
    assert len(visits()) >= 8


def test_brightness_is_that_of_the_faintest_star_for_the_least_sensitive_telescope():
    for plan, visit in visits():
        combiner = next(own for own in plan.scenario.array.combiners if own.name == visit.combiner)
        faintest = max(star_of(plan, step.object).mag[combiner.band] for step in visit.steps)
        least = min(combiner.limiting_magnitude[own.name] for own in classes_of(plan, visit))
        assert kept(visit)["limiting magnitude"] == pytest.approx(least - faintest, abs=1e-4)


def test_the_cable_wrap_leaves_no_more_than_at_the_ends_of_the_steps():
    turned = 0
    for plan, visit in visits():
        low = max(own.azimuth_range_deg[0] for own in classes_of(plan, visit))
        high = min(own.azimuth_range_deg[1] for own in classes_of(plan, visit))
        ends = [
            at
            for step in visit.steps
            for at in (step.beams[0].azimuth_start_deg, step.beams[0].azimuth_end_deg)
        ]
        left = min(min(at - low, high - at) for at in ends)
        margin = kept(visit)["cable wrap"]
        assert 0 <= margin <= left + 1e-3
        turned += margin > left - 1e-3
    # A star turns back in azimuth within a step only near its greatest elongation.
    assert turned >= len(visits()) - 2


def test_calibrators_are_as_near_as_their_catalogue_places_say():
    for plan, visit in visits():
        places = [
            SkyCoord(own.ra_deg * u.deg, own.dec_deg * u.deg)
            for own in (star_of(plan, step.object) for step in visit.steps)
        ]
        apart = max(places[1].separation(places[k]).deg for k in (0, 2))
        margin = kept(visit)["bracket distance"]
        # Aberration changes an angle by 1e-4 of it at most.
        assert margin == pytest.approx(plan.scenario.limits.bracket_distance_max_deg - apart, abs=5e-3)


def test_calibrators_are_as_little_resolved_as_a_uniform_disk_on_the_longest_baseline():
    for plan, visit in visits():
        array = plan.scenario.array
        height = {
            beam.station: array.class_of(beam.telescope).pupil_height_m for beam in visit.steps[0].beams
        }
        stations = list(height)
        places = {
            own.name: np.array([own.east_m, own.north_m, own.up_m + height[own.name]])
            for own in map(array.station, stations)
        }
        longest = max(np.linalg.norm(places[a] - places[b]) for a, b in itertools.combinations(stations, 2))
        combiner = next(own for own in array.combiners if own.name == visit.combiner)
        vis2 = []
        for step in (visit.steps[0], visit.steps[2]):
            mas = star_of(plan, step.object).diameter_mas
            x = np.pi * np.deg2rad(mas / 3.6e6) * longest / (min(combiner.wavelengths_um) * 1e-6)
            vis2.append((2.0 * j1(x) / x) ** 2)
        least = plan.scenario.limits.calibrator_vis2_min
        assert kept(visit)["calibrator visibility"] == pytest.approx(min(vis2) - least, abs=1e-4)


def test_carriages_are_never_slower_on_the_mean_than_their_margin_says():
    seconds = lambda text: datetime.fromisoformat(text).timestamp()  # noqa: E731
    for plan, visit in visits():
        lines = {own.name: own for own in plan.scenario.array.delay_lines}
        margin, spare = kept(visit)["carriage tracking rate"], []
        for step in visit.steps:
            lasts = seconds(step.end_utc) - seconds(step.start_utc)
            for beam in step.beams:
                line = lines[beam.delay_line]
                mean = abs(beam.delay_end_m - beam.delay_start_m) / lasts / line.path_per_travel
                spare.append(line.tracking_speed_mm_per_s / 1e3 - mean)
        # Rates change by a few per cent within a step.
        assert margin <= min(spare) + 1e-4
        assert margin == pytest.approx(min(spare), abs=1e-3)


def test_what_needs_attention_is_told_and_the_rest_is_counted():
    plan, visit = visits()[0]
    request = next(own for own in plan.scenario.requests if own.name == visit.target)
    words = {"unit": "deg", "object": "x"}
    wide = [Margin(limit=limit, margin=80.0, **words) for limit in ("skyline", "altitude, lower limit")]
    told = margins_told(
        plan.scenario,
        request,
        visit.model_copy(
            update={
                "margins": (
                    *wide,
                    Margin(limit="cable wrap", margin=5.0, **words),
                    Margin(limit="limiting magnitude in K", margin=0.06, unit="mag", object="x"),
                    Margin(limit="carriage tracking rate", margin=0.0001, unit="m/s", object="x"),
                    Margin(limit="bracket distance", margin=0.5, **words),
                )
            }
        ),
    )
    assert told == (
        "0.06 mag brighter than the limiting magnitude in K on x",
        "carriage 0.1 mm/s below its fastest tracking on x",
        "5 deg before the end of the cable wrap on x",
        "calibrator 0.5 deg nearer than it must be on x",
        "2 other limits with more room",
    )
    few = margins_told(plan.scenario, request, visit.model_copy(update={"margins": tuple(wide)}))
    assert len(few) == 2 < MARGINS_LEAST
