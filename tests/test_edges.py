"""Edges that no slope on a grid announces."""

from __future__ import annotations

import numpy as np
import pytest
from invented import random_scenario

from planner.feasibility.nights import followed_star, night_of
from planner.sky.directions import azimuth_deg, refracted_altitude_deg

HALF_DEG, TOP_DEG = 0.12, 80.0


@pytest.mark.parametrize("phase", range(12))
def test_a_mast_that_hides_a_star_for_seconds_is_seen(phase):
    # Worked out: at latitude -30 a star on the equator crosses 0.24 deg of azimuth in less than a minute, and
    # the mast hides it where the straight line from (0.12 deg, 0) to its top stands above it: for some 10 s.
    at = 40.0 + 0.07 * phase
    scenario = random_scenario(4, requests=1, telescopes=2, beams=2)
    mast = ((at - HALF_DEG, 0.0), (at, TOP_DEG), (at + HALF_DEG, 0.0))
    site = scenario.array.site.model_copy(update={"latitude_deg": -30.0, "horizon_deg": mast})
    star = scenario.requests[0].star.model_copy(update={"ra_deg": 170.0, "dec_deg": 0.0})
    scenario = scenario.model_copy(
        update={
            "array": scenario.array.model_copy(update={"site": site}),
            "requests": (scenario.requests[0].model_copy(update={"star": star}),),
        }
    )
    followed = followed_star(night_of(scenario), 0)
    column = next(column for column in followed.held.spans if column.limit == "skyline")
    seconds = np.arange(0.25, followed.of.curve.length_s, 0.5)
    sky = followed.of.curve.at([0], seconds)
    altitude = refracted_altitude_deg(sky.direction[0], sky.frame)
    aside = np.abs(azimuth_deg(sky.direction[0]) - at)
    hidden = (aside < HALF_DEG) & (altitude < TOP_DEG * (1.0 - aside / HALF_DEG))
    kept = np.zeros(len(seconds), dtype=bool)
    for start, end in followed.held.spans[column]:
        kept |= (seconds >= start) & (seconds <= end)
    risen = altitude > 5.0
    assert 2.0 < 0.5 * np.count_nonzero(hidden & risen) < 60.0
    assert np.array_equal(kept[risen], ~hidden[risen])
