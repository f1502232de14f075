"""Stars that are too bright: combiner, fringe tracker, beam-position sensor and guiding each may say no."""

from __future__ import annotations

import numpy as np
import pytest
from handmade import changed
from invented import combiner, request
from nights import planned
from paper_night import paper_scenario, star_of_date
from pydantic import ValidationError

from planner.constraints.brightness import (
    BRIGHT,
    GUIDE_BRIGHT,
    SENSOR_BRIGHT,
    TRACKER_BRIGHT,
    brightness_limits,
)
from planner.feasibility.nights import night_of, target_night
from planner.feasibility.remedies import with_remedies
from planner.scenario.light_path import BeamSensor, FringeTracker, SpectralSetup
from planner.scheduling.audit import audit_plan
from planner.sky.earth import offline_earth

# Stars of these scenarios have K = 4.


def bright(**light):
    scenario = paper_scenario(star_of_date(-60.0))
    own = combiner(2, name="one channel", **light)
    array = scenario.array.model_copy(update={"combiners": (own,)})
    wish = request(scenario.requests[0].star, own.name)
    return scenario.model_copy(update={"array": array, "requests": (wish,)})


def margins(scenario):
    """Smallest margin of each limit of brightness."""
    classes = scenario.array.telescope_classes
    wish = scenario.requests[0]
    return {
        verdict.limit: float(verdict.margin.min())
        for verdict in brightness_limits(scenario, wish, [wish.star], True, classes)
    }


def test_a_star_brighter_than_the_combiner_takes_is_refused_with_by_how_much():
    [outcome] = planned(bright(brightest_magnitude={"one metre": 4.8}))[1].requests
    assert outcome.visits_planned == 0
    assert outcome.reason.startswith("bright limit: too bright by 0.80 mag for ")
    plan = planned(bright(brightest_magnitude={"one metre": 3.9}))[1]
    assert plan.requests[0].visits_planned == 1
    told = {(margin.limit, round(margin.margin, 6)) for visit in plan.visits for margin in visit.margins}
    assert (BRIGHT, 0.1) in told
    assert audit_plan(plan).passed


def test_feasibility_says_the_same_and_another_setup_helps():
    scenario = bright(brightest_magnitude={"one metre": 4.8})
    dim = SpectralSetup(
        name="dim", combiner="one channel", change_s=60.0, brightest_magnitude={"one metre": 2.0}
    )
    scenario = changed(scenario, "array", lambda own: own.model_copy(update={"spectral_setups": (dim,)}))
    with offline_earth():
        night = night_of(scenario)
        answer = with_remedies(night, target_night(night, 0))
    assert answer.exclusion.alone == (BRIGHT,)
    assert "too bright by 0.80 mag" in answer.exclusion.sentence
    assert any("in the spectral setup dim" in remedy.sentence for remedy in answer.remedies)


def test_tracker_sensor_and_guiding_have_bright_limits_of_their_own():
    tracker = FringeTracker.model_validate(
        {
            "name": "tracker",
            "beams": 2,
            "band": "K",
            "wavelength_um": 2.2,
            "group_delay_limit": {"one metre": 8.0},
            "phase_limit": {"one metre": 7.0},
            "brightest_magnitude": {"one metre": 4.3},
        }
    )
    sensor = BeamSensor(
        name="sensor",
        beams=4,
        band="K",
        limiting_magnitude={"one metre": 8.0},
        brightest_magnitude={"one metre": 4.2},
    )
    scenario = bright(fringe_tracker="tracker", beam_sensor="sensor")
    guided = scenario.array.telescope_classes[0].model_copy(
        update={"guide_band": "K", "guide_limiting_magnitude": 9.0, "guide_brightest_magnitude": 4.1}
    )
    update = {
        "fringe_trackers": (tracker,),
        "beam_sensors": (sensor,),
        "telescope_classes": (guided, *scenario.array.telescope_classes[1:]),
    }
    array = scenario.array.model_copy(update=update)
    found = margins(scenario.model_copy(update={"array": array}))
    assert [found[limit] for limit in (TRACKER_BRIGHT, SENSOR_BRIGHT, GUIDE_BRIGHT)] == pytest.approx(
        [-0.3, -0.2, -0.1]
    )


def test_without_bright_limits_there_are_none():
    assert not {limit for limit in margins(bright()) if "bright" in limit}


def test_a_calibrator_that_is_too_bright_is_not_offered():
    scenario = bright(brightest_magnitude={"one metre": 3.0})
    blinding = tuple(own.model_copy(update={"mag": {"K": 1.0}}) for own in scenario.calibrators)
    plan = planned(scenario.model_copy(update={"calibrators": blinding}))[1]
    assert plan.requests[0].visits_planned == 0
    assert "no calibrator" in plan.requests[0].reason


@pytest.mark.parametrize("limit", [4.5, 9.0])
def test_the_audit_refuses_a_plan_under_a_bright_limit_that_was_not_there(limit):
    plan = planned(bright())[1]
    raised = changed(plan, "scenario.array.combiners.0.brightest_magnitude", {"one metre": limit})
    audit = audit_plan(raised)
    assert not audit.passed
    assert any(f"takes {limit:.2f} at brightest" in check.worst for check in audit.checks)


def test_a_bright_limit_at_or_above_the_faint_one_is_refused():
    with pytest.raises(ValidationError, match="not below its faintest"):
        combiner(2, brightest_magnitude={"one metre": 6.0})
    assert np.isfinite(combiner(2, brightest_magnitude={"one metre": 5.9}).brightest_magnitude["one metre"])
