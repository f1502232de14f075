"""What would help on arrays with a whole light path: the cheapest change, word for word, and planned."""

from __future__ import annotations

import datetime

import pytest
from light_nights import PAIR
from test_light_season import alone
from test_remedies import answer_of, planned_with
from wishes import edited

from planner.scenario.night import Reserved
from planner.scenario.targets import Scenario

pytestmark = pytest.mark.slow

NOON = datetime.datetime(2027, 3, 11, 16, 0, tzinfo=datetime.UTC)


def seen(scenario: Scenario, **magnitudes: float) -> Scenario:
    """The only target with other magnitudes, and so small that every baseline sees it whole."""
    own = scenario.requests[0].star
    changes = {"mag": own.mag | magnitudes, "diameter_mas": 0.1}
    return edited(scenario, **{"request.star": own.model_copy(update=changes)})


def without_pair(scenario: Scenario) -> Scenario:
    kept = tuple(own for own in scenario.array.combiners if own.name != PAIR)
    return scenario.model_copy(update={"array": scenario.array.model_copy(update={"combiners": kept})})


def taken(scenario: Scenario, nights: int) -> Scenario:
    """The whole array is reserved for so many nights."""
    own = Reserved(
        name="coating", start_utc=NOON, end_utc=NOON + datetime.timedelta(days=nights), ready_s=0.0
    )
    return scenario.model_copy(update={"reserved": (own,)})


# Numbers from light_nights.py. Three beams of two large and two small telescopes have a small one among them.
HAND_MADE = {
    # The fine setup takes small telescopes to 5.0, the combiner itself to 6.0.
    "Record target 0 with main's own keys": (
        lambda: seen(edited(alone(1, 0), **{"extras.spectral_setup": "fine"}), K=5.5),
        ("limiting magnitude",),
        "setup",
    ),
    # Phase tracking: 6.0 at best, for two large ones. Group delay: 6.2 at worst.
    "Let the group delay of target 3 be tracked instead of its phase": (
        lambda: seen(alone(1, 3), H=6.1),
        ("fringe tracker",),
        "tracking",
    ),
    # Group delay: 7.5 at best. The beam-position sensor takes small telescopes to 8.0.
    "Record target 3 without fringe tracking": (
        lambda: seen(alone(1, 3), H=7.7),
        ("fringe tracker",),
        "tracking",
    ),
    # A guide star of 12.0 where small telescopes follow 11.0, and none but the target.
    "Guide on target 1 itself": (lambda: alone(1, 1), ("guide star", "guide star distance"), "tracking"),
    # In a centimetre of stroke no pupil stays in place for a step.
    "Record with main where the pupil does not stay in place": (
        lambda: without_pair(
            edited(alone(3, 3), **{"line.pupil_stroke_m": (0.0, 0.01), "combiner.air_contrast_min": 0.0})
        ),
        ("pupil relay",),
        "pupil",
    ),
    # Every night of a year and more is taken.
    "Give back the time reserved for coating": (
        lambda: taken(alone(4, 2), 400),
        ("reserved time",),
        "reserved",
    ),
    # One night is taken: the next is free.
    "Observe on 2027-03-12, 1 night later": (lambda: taken(alone(4, 2), 1), ("reserved time",), "date"),
}


@pytest.mark.parametrize("sentence", HAND_MADE)
def test_the_cheapest_change_is_the_one_that_undoes_what_was_done(sentence):
    made, blamed, kind = HAND_MADE[sentence]
    _, answer = answer_of(made())
    assert answer.exclusion.alone == blamed
    assert (answer.remedies[0].sentence, answer.remedies[0].kind) == (sentence, kind)
    helped_as_promised(answer)


def test_a_target_too_faint_for_the_sensor_of_its_setup_is_recorded_with_another_combiner():
    # By hand: the sensor takes large telescopes to 9.0; the pair combiner has none, and no spectral setups.
    _, answer = answer_of(seen(edited(alone(1, 0), **{"extras.spectral_setup": "fine"}), H=9.5))
    assert set(answer.exclusion.alone) == {"beam-position sensor", "fringe tracker"}
    best = answer.remedies[0]
    assert best.sentence == f"Record target 0 with pair (2 beams) on {'-'.join(best.telescopes)}"
    changed = best.scenario.requests[0]
    assert (changed.combiner, changed.extras.spectral_setup) == (PAIR, None)
    assert not {"setup", "tracking"} & {remedy.kind for remedy in answer.remedies}
    helped_as_promised(answer)


def test_a_finer_setup_keeps_more_of_the_fringes_in_air():
    # By hand: channels of 1/200 of the wavelength have 200/60 times the coherence length of those of 1/60,
    # so at a contrast near one they stand 200/60 times the difference of delays.
    scenario = without_pair(edited(alone(3, 0), **{"combiner.air_contrast_min": 0.9999}))
    _, answer = answer_of(scenario)
    assert "air in the lines" in (*answer.exclusion.alone, *answer.exclusion.together)
    setups = [remedy for remedy in answer.remedies if remedy.kind == "setup"]
    assert [remedy.sentence for remedy in setups] == ["Record target 0 in the spectral setup fine"]
    assert setups[0].scenario.combiner_of(setups[0].scenario.requests[0]).resolution == 200.0
    assert setups[0].visits > 0


def test_a_setting_that_the_air_leaves_open_is_found_by_the_scheduler_too():
    _, answer = answer_of(without_pair(edited(alone(3, 3), **{"combiner.air_contrast_min": 0.9999})))
    helped_as_promised(answer)


@pytest.mark.parametrize(("seed", "number"), [(5, 3), (6, 3)])
def test_whatever_is_offered_for_a_blocked_request_is_planned_and_passes_the_audit(seed, number):
    _, answer = answer_of(alone(seed, number))
    assert answer.exclusion is not None
    assert answer.remedies
    helped_as_promised(answer)


def helped_as_promised(answer) -> None:
    """Each change opens a visit that the scheduler plans with the telescopes told, and the audit passes."""
    costs = [remedy.cost for remedy in answer.remedies]
    assert costs == sorted(costs)
    for remedy in answer.remedies:
        plan = planned_with(remedy)
        assert len(plan.visits) == 1, remedy.sentence
        assert set(plan.visits[0].subarray) == set(remedy.telescopes)
        assert plan.audit.passed, (remedy.sentence, [c for c in plan.audit.checks if not c.passed])
