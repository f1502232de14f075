"""Windows on arrays with a whole light path: limits of stars, plans of the same night, many settings."""

from __future__ import annotations

import pytest
from astropy.time import Time
from light_nights import LARGE, SMALL, lit_scenario
from nights import planned
from wishes import edited

from planner.feasibility import settings
from planner.feasibility.nights import followed_star, night_of, target_night
from planner.feasibility.spans import join
from planner.feasibility.subarrays import best_lines
from planner.scenario.light_path import PathSegment
from planner.scenario.targets import Scenario
from planner.scheduling.routes import Setting
from planner.sky.earth import offline_earth
from planner.sky.earth_curve import seconds_after

pytestmark = pytest.mark.slow

EDGE_S = 0.1

# By hand.

CLASSES = {
    "limiting magnitude": 6.5,
    "limiting magnitude in L": 5.8,
    "guide star": 12.0,
    "beam-position sensor": 8.5,
}


@pytest.mark.parametrize(("limit", "band"), zip(CLASSES, ("K", "L", "V", "H"), strict=True))
def test_a_star_that_is_too_faint_for_one_class_leaves_the_subarrays_of_the_other(limit, band):
    scenario = lit_scenario(4, requests=3)
    own = scenario.requests[2].star
    faint = own.model_copy(update={"mag": {**own.mag, band: CLASSES[limit]}})
    found = limits_of_subarrays(edited(scenario, **{"request.star": faint}), 2, limit)
    # By hand, from light_nights.py: K 6 and 7, L 5.5 and 6, V 11 and 13, H 8 and 9.
    assert found == {classes: SMALL not in classes for classes in found}
    assert len(set(found.values())) == 2


@pytest.mark.parametrize(("off_arcsec", "opens"), [(29.9, {LARGE}), (30.1, set())])
def test_a_guide_star_is_near_enough_for_a_class_or_not(off_arcsec, opens):
    scenario = lit_scenario(2, requests=1)
    wish = scenario.requests[0]
    guide = wish.extras.guide_star.model_copy(
        update={"ra_deg": wish.star.ra_deg, "dec_deg": wish.star.dec_deg + off_arcsec / 3600.0}
    )
    found = limits_of_subarrays(edited(scenario, **{"extras.guide_star": guide}), 0, "guide star distance")
    # By hand: 30 arcsec for the large class; the small one gives no distance, so only the target itself.
    assert found == {classes: classes == opens for classes in found}


@pytest.mark.parametrize(("apart_arcsec", "open_"), [(1.9, False), (2.1, True), (39.9, True), (40.1, False)])
def test_two_stars_are_reached_at_some_separations_only(apart_arcsec, open_):
    scenario = lit_scenario(3, requests=1)
    wish = scenario.requests[0]
    second = wish.extras.second_star.model_copy(
        update={"ra_deg": wish.star.ra_deg, "dec_deg": wish.star.dec_deg + apart_arcsec / 3600.0}
    )
    changed = edited(scenario, **{"extras.second_star": second})
    assert set(limits_of_subarrays(changed, 0, "separation of the two stars").values()) == {open_}


def limits_of_subarrays(scenario: Scenario, number: int, limit: str) -> dict[frozenset[str], bool]:
    """Whether a limit that does not change in the night is kept, by the classes of the telescopes."""
    night = night_of(scenario)
    followed = followed_star(night, number)
    found = {}
    for telescopes, [setting, *_] in followed.choices.items():
        spans = followed.by_limit(telescopes, setting)[limit]
        assert spans in ((), ((0.0, followed.held.length_s),))
        names = frozenset(night.limits.placement.classes[k].name for k in telescopes)
        assert found.setdefault(names, bool(spans)) == bool(spans)
    return found


# Plans.


@pytest.mark.parametrize("seed", [0, 1, 2, 3])
def test_what_a_plan_serves_is_feasible_and_its_science_steps_lie_in_the_windows_of_their_light_path(seed):
    scenario = lit_scenario(seed)
    quick = scenario.effort.model_copy(update={"deterministic": 1.0})
    _, plan = planned(scenario.model_copy(update={"effort": quick}))
    night, array = night_of(scenario), scenario.array
    assert plan.visits
    for number, outcome in enumerate(plan.requests):
        answer = target_night(night, number)
        assert bool(answer.serving) >= bool(outcome.visits_planned or outcome.feasible_starts)
        followed = followed_star(night, number)
        for visit in plan.visits:
            if visit.target != outcome.target:
                continue
            step = next(own for own in visit.steps if own.role == "science")
            where = [night.limits.placement.telescopes.index(beam.telescope) for beam in step.beams]
            setting = Setting(
                lines=tuple(_place(array.delay_lines, beam.delay_line) for beam in step.beams),
                mode=_place(array.routing_modes, visit.routing_mode),
                inputs=tuple(beam.combiner_input - 1 for beam in step.beams),
                segments=tuple(_place(array.path_segments, beam.path_segment) for beam in step.beams),
            )
            spans = followed.spans(where, setting)
            with offline_earth():
                start, end = (Time(t.removesuffix("Z"), scale="utc") for t in (step.start_utc, step.end_utc))
            first, last = (seconds_after(night.curve.dark.start, moment) for moment in (start, end))
            assert any(a - EDGE_S <= first and last <= b + EDGE_S for a, b in spans), visit.id
            # The whole subarray's own answer is at least as long as what the plan chose.
            _, longest = best_lines(followed, tuple(sorted(where)))
            assert sum(b - a for a, b in longest) >= sum(b - a for a, b in spans) - EDGE_S


def _place(parts, name: str | None) -> int:
    return -1 if name is None else [own.name for own in parts].index(name)


# Many settings.


@pytest.mark.parametrize("seed", [1, 3])
def test_leaving_out_settings_that_never_make_the_paths_equal_changes_no_window(seed, monkeypatch):
    scenario = five_segments(seed)
    night = night_of(scenario)
    assert settings.MANY < 5**4
    pruned = followed_star(night, 0)
    monkeypatch.setattr(settings, "MANY", 10**9)
    whole = followed_star(night, 0)
    assert pruned.choices.keys() == whole.choices.keys()
    for telescopes, many in pruned.choices.items():
        every = dict(zip(whole.choices[telescopes], whole.usable[telescopes], strict=True))
        assert len(many) < len(every)
        for setting, spans in every.items():
            # Nothing that is usable is missing, and what is left out never has a common offset.
            if setting in many:
                assert pruned.usable[telescopes][many.index(setting)] == spans
            else:
                assert not whole.by_limit(telescopes, setting)["delay range"]
        assert best_lines(pruned, telescopes)[1] == best_lines(whole, telescopes)[1]
    assert join(x for m in pruned.usable.values() for x in m) == join(
        x for m in whole.usable.values() for x in m
    )


def five_segments(seed: int) -> Scenario:
    """Four beams, five segments each, short strokes: 625 settings for each order of two kinds of lines."""
    scenario = lit_scenario(seed, requests=1, telescopes=4)
    array = scenario.array
    lines = tuple(
        line.model_copy(update={"stroke_m": (0.0, 25.0), "pupil_stroke_m": None, "stations": ()})
        for line in array.delay_lines
    )
    segments = tuple(PathSegment(name=f"way {k}", path_m=13.7 * k, change_s=60.0) for k in range(5))
    four = tuple(
        own.model_copy(update={"beams": 4, "beam_path_m": ()}) if own.name == "main" else own
        for own in array.combiners
    )
    changes = {"delay_lines": lines, "path_segments": segments, "combiners": four}
    scenario = scenario.model_copy(update={"array": array.model_copy(update=changes)})
    return edited(scenario, **{"extras.second_star": None, "extras.spectral_setup": None})
