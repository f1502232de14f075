"""Who a star is, in words: against astropy's own words, and by hand."""

from __future__ import annotations

import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import SkyCoord
from invented import random_scenario
from nights import planned
from scipy.special import j1

from planner.output.figure_uv import samples_of
from planner.output.sentences import considered_told, duration, shares_told, slack_told
from planner.output.star_told import calibrators_told, star_told
from planner.output.target_sheet import target_rows
from planner.output.tracks import visit_tracks
from planner.scenario.night import Effort


def test_places_are_read_back_by_astropy_to_the_last_digit_shown():
    scenario = random_scenario(2, requests=8)
    for request in scenario.requests:
        told = star_told(request.star).replace("−", "-")
        right, up = told.split()[:2]
        read = SkyCoord(right, up, unit=(u.hourangle, u.deg))
        # Half of 0.01 s of right ascension is 0.075 arcsec, half of 0.1 arcsec of declination 0.05.
        place = SkyCoord(request.star.ra_deg * u.deg, request.star.dec_deg * u.deg)
        assert read.separation(place).arcsec < 0.1
        for band, value in request.star.mag.items():
            assert f", {band} {value:.2f}" in told


def test_every_calibrator_is_told_once_with_its_visits_and_distance():
    night, plan = planned(random_scenario(3, requests=4, telescopes=4, beams=3))
    tracks = visit_tracks(night.limits, plan)
    stars = {own.name: own for own in plan.scenario.calibrators}
    told_of = 0
    for request in {track.request for track in tracks}:
        own = [track for track in tracks if track.request == request]
        told = calibrators_told(night.limits, own)
        used = dict.fromkeys(
            step.object for track in own for step in track.visit.steps if step.role == "calibrator"
        )
        assert [name for name, _ in told] == list(used)
        target = plan.scenario.requests[request].star
        for name, words in told:
            star = stars[name]
            apart = SkyCoord(star.ra_deg * u.deg, star.dec_deg * u.deg).separation(
                SkyCoord(target.ra_deg * u.deg, target.dec_deg * u.deg)
            )
            assert f"{apart.deg:.1f}° away" in words
            keys = [t.key for t in own if name in {step.object for step in t.visit.steps}]
            assert words.endswith("; " + ", ".join(keys))
            told_of += 1
    assert told_of >= 4


@pytest.mark.parametrize("seed", range(20))
def test_shares_add_up_to_a_hundred_and_are_off_by_less_than_one(seed):
    rng = np.random.default_rng(seed)
    parts = rng.exponential(size=int(rng.integers(1, 7))).tolist()
    told = shares_told(parts)
    assert sum(told) == 100
    for part, share in zip(parts, told, strict=True):
        assert abs(share - 100.0 * part / sum(parts)) < 1


@pytest.mark.parametrize("seconds", [0, 29, 30, 59, 61, 450, 3599, 3600, 3661, 30_000])
def test_slack_is_told_to_the_second(seconds):
    told, found = slack_told(seconds / 60.0), 0
    for number, unit in zip(told.split()[::2], told.split()[1::2], strict=True):
        found += int(number) * {"h": 3600, "min": 60, "s": 1}[unit] if number.isdigit() else 0
    assert found == seconds


def test_a_duration_still_rounds_to_the_minute():
    assert (duration(7.5), slack_told(7.5)) == ("8 min", "7 min 30 s")


def test_what_was_considered_is_told_in_the_numbers_of_the_effort():
    effort = Effort(subarrays_per_request=1, calibrators_per_request=1, brackets_per_start=4)
    assert considered_told(effort) == (
        "Considered, for each request: the best subarray; at each start 4 brackets of 1 calibrator, and "
        "one way to lead the light."
    )


@pytest.mark.parametrize("diameter_mas", [0.5, 60.0])
def test_the_largest_visibility_is_told_and_a_star_without_fringes_is_pointed_out(diameter_mas):
    scenario = random_scenario(3, requests=4, telescopes=4, beams=3)
    sized = tuple(
        own.model_copy(update={"star": own.star.model_copy(update={"diameter_mas": diameter_mas})})
        for own in scenario.requests
    )
    night, plan = planned(scenario.model_copy(update={"requests": sized}))
    rows = target_rows(night.limits, night.offers, plan, visit_tracks(night.limits, plan))
    assert rows
    for row in rows:
        told = dict(row.figures)["largest V²"]
        by_hand = 0.0
        for sampled in samples_of(night.limits, visit_tracks(night.limits, plan), int(row.number[1:]) - 1):
            for baseline_m in np.linalg.norm(sampled.uv_m, axis=-1).ravel():
                x = np.pi * np.deg2rad(diameter_mas / 3.6e6) * baseline_m / (sampled.wavelengths_um * 1e-6)
                by_hand = max(by_hand, float(((2.0 * j1(x) / x) ** 2).max()))
        assert ("resolved on every baseline" in told) == (by_hand < 0.02) == (diameter_mas > 1)
        if by_hand >= 1e-4:
            assert float(told.split(":")[0]) == pytest.approx(by_hand, rel=0.06)
