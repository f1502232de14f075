"""The audit: it passes plans that keep every limit, and says which one a changed plan breaks."""

from __future__ import annotations

import functools

import handmade
import numpy as np
import pytest
from audited import failed
from handmade import changed
from invented import random_scenario, telescope_class
from nights import planned
from pydantic import BaseModel

from planner.scenario.night import Window
from planner.scenario.targets import Observation, Star
from planner.scheduling.audit import audit_plan


@functools.cache
def plan():
    return handmade.plan()


def with_changes(*changes):
    """The plan by hand with some leaves changed, each as (path, change)."""
    found = plan()
    for path, change in changes:
        found = changed(found, path, change)
    return found


def words(found, name):
    return next(check.worst for check in audit_plan(found).checks if check.name == name)


def in_steps(visit, path, change):
    """The same change in each step of a visit."""
    return [(f"visits.{visit}.steps.{k}.{path}", change) for k in range(3)]


def plus(amount):
    return lambda value: value + amount


CLASS = "scenario.array.telescope_classes.0"
ARRAY, LIMITS, FIRST = "scenario.array", "scenario.limits", "scenario.requests.0"
LAST = "visits.2.steps.2.beams.1"  # nothing comes after it, so nothing else follows from it
DARK = "scenario.night.sun_altitude_max_deg"


def window(start, end):
    return (Window.model_validate({"start_utc": handmade.utc(start), "end_utc": handmade.utc(end)}),)


# What V01 records, told to have been recorded before.
EARLIER = Observation.model_validate(
    {
        "target": "first",
        "combiner": "pair K",
        "stations": ("west", "east"),
        "start_utc": handmade.utc("00:26"),
        "end_utc": handmade.utc("00:34"),
    }
)

BROKEN = {
    "another configuration": ([("configuration", "spread")], {"configuration"}),
    "a telescope is placed elsewhere": (
        [("placement.B", "north")],
        {"configuration", "beams and lines", "shadowing"},
    ),
    "a class may not stand on its station": (
        [(f"{ARRAY}.stations.2.telescope_classes", ("large",))],
        {"configuration"},
    ),
    "the night has another date": ([("night.date", "2027-03-12")], {"configuration"}),
    "dark hours begin after the first step": ([("night.start_utc", handmade.utc("00:21"))], {"times"}),
    "dark hours of another month": ([("night.start_utc", "2027-02-12T00:10:00Z")], {"times"}),
    "a set-up begins before the step before ends": (
        [("visits.1.steps.0.setup_start_utc", handmade.utc("00:39"))],
        {"times"},
    ),
    "a set-up begins when recording has begun": (
        [("visits.0.steps.1.setup_start_utc", handmade.utc("00:27"))],
        {"times", "set-up"},
    ),
    "a time nobody can read": ([("visits.0.steps.0.setup_start_utc", "midnight")], {"times"}),
    # Visits last 28 min or less, and the second's set-up begins 40 min after the first's start at the latest.
    "a latest start that takes the next visit's set-up": (
        [("visits.0.latest_start_utc", handmade.utc("01:00"))],
        {"times"},
    ),
    "a latest start before the start": ([("visits.0.latest_start_utc", handmade.utc("00:19"))], {"times"}),
    "calibrators are asked for longer": (
        [(f"{ARRAY}.combiners.0.calibrator_recording_s", 241.0)],
        {"recording time"},
    ),
    "science is asked for longer": (
        [(f"{ARRAY}.combiners.1.science_recording_s", 481.0)],
        {"recording time"},
    ),
    "the Sun must be lower": ([(DARK, -30.0), ("night.sun_altitude_max_deg", -30.0)], {"Sun"}),
    "the lower altitude limit is higher": ([(f"{CLASS}.altitude_min_deg", 68.5)], {"altitude"}),
    "the upper altitude limit is lower": ([(f"{CLASS}.altitude_max_deg", 74.5)], {"altitude"}),
    "an altitude is 11 arcsec off": ([(f"{LAST}.altitude_end_deg", plus(11 / 3600))], {"pointing"}),
    "an azimuth is 31 arcsec off": (
        [(f"{LAST}.azimuth_end_deg", lambda value: value + 31 / 3600 / np.cos(np.deg2rad(70.1)))],
        {"pointing"},
    ),
    "the cable wrap ends before the star": (
        [(f"{CLASS}.azimuth_range_deg", (-180.0, 180.0))],
        {"cable wrap"},
    ),
    "a step ends on another turn of the wrap": ([(f"{LAST}.azimuth_end_deg", plus(-360.0))], {"cable wrap"}),
    "a step is made on another turn, without time to get there": (
        [(f"visits.2.steps.2.beams.1.azimuth_{end}_deg", plus(-360.0)) for end in ("start", "end")],
        {"set-up"},
    ),
    "mountains around the site": ([(f"{ARRAY}.site.horizon_deg", ((180.0, 72.0),))], {"skyline"}),
    "a hill behind one station": ([(f"{ARRAY}.stations.1.horizon_deg", ((150.0, 72.0),))], {"skyline"}),
    "enclosures like towers": (
        [(f"{CLASS}.enclosure_height_m", 300.0), (f"{CLASS}.enclosure_radius_m", 30.0)],
        {"shadowing"},
    ),
    "a slow azimuth drive": (
        [(f"{CLASS}.azimuth_tracking_max_deg_per_s", 0.0158)],
        {"azimuth tracking rate"},
    ),
    "a recorded delay 2 mm off": ([(f"{LAST}.delay_end_m", plus(0.002))], {"delay"}),
    "a common offset 2 mm off": ([("visits.1.steps.1.common_offset_m", plus(-0.002))], {"delay"}),
    "a fixed path 2 mm longer": ([(f"{ARRAY}.stations.2.fixed_path_m", 20.002)], {"delay"}),
    "a combiner input 2 mm longer": ([(f"{ARRAY}.combiners.1.beam_path_m", (0.0, 1.502))], {"delay"}),
    "a shorter stroke": ([(f"{ARRAY}.delay_lines.2.stroke_m", (0.0, 52.0))], {"delay line stroke"}),
    "a stroke that begins later": (
        [(f"{ARRAY}.delay_lines.0.stroke_m", (37.0, 90.0))],
        {"delay line stroke"},
    ),
    "a carriage that tracks slowly": (
        [(f"{ARRAY}.delay_lines.0.tracking_speed_mm_per_s", 0.95)],
        {"carriage tracking speed"},
    ),
    "a telescope beside its station": (
        in_steps(1, "beams.1.station", "east"),
        {"beams and lines", "delay", "shadowing", "coverage"},
    ),
    "a path segment on an array without any": (
        in_steps(0, "beams.0.path_segment", "nonsense"),
        {"path segments"},
    ),
    "a line that does not serve the station": (
        [(f"{ARRAY}.delay_lines.1.stations", ("north", "west"))],
        {"beams and lines"},
    ),
    "two beams on one input": (in_steps(0, "beams.1.combiner_input", 1), {"beams and lines"}),
    "an input that does not exist": (in_steps(0, "beams.1.combiner_input", 3), {"beams and lines"}),
    "two beams in one line": (
        in_steps(2, "beams.0.delay_line", "two"),
        {"beams and lines", "set-up"},
    ),
    "a line that changes within a visit": (
        [("visits.2.steps.2.beams.1.delay_line", "three")],
        {"beams and lines", "set-up"},
    ),
    "a class the combiner has no limit for": (
        [(f"{ARRAY}.combiners.1.limiting_magnitude", {"large": 6.0})],
        {"beams and lines", "limiting magnitude"},
    ),
    "a telescope the request does not want": (
        [(f"{FIRST}.extras.telescopes", ("A", "C"))],
        {"beams and lines"},
    ),
    "a combiner of more beams": ([(f"{ARRAY}.combiners.0.beams", 3)], {"beams and lines"}),
    "a subarray that is not the one used": ([("visits.0.subarray", ("A", "C"))], {"beams and lines"}),
    "mounts that turn slowly": ([(f"{CLASS}.azimuth_speed_deg_per_s", 0.1)], {"set-up"}),
    "mounts that rise slowly": ([(f"{CLASS}.altitude_speed_deg_per_s", 0.02)], {"set-up"}),
    "mounts that rest slowly": ([(f"{CLASS}.altitude_settle_s", 31.0)], {"set-up"}),
    "carriages that run slowly": ([(f"{ARRAY}.delay_lines.0.speed_m_per_s", 0.03)], {"set-up"}),
    "carriages that rest slowly": ([(f"{ARRAY}.delay_lines.2.settle_s", 31.0)], {"set-up"}),
    "stars that take long to acquire": ([(f"{CLASS}.acquisition_s", 75.0)], {"set-up"}),
    "fringes that take long to find": ([(f"{ARRAY}.combiners.1.fringe_search_s", 75.0)], {"set-up"}),
    "a combiner that takes long to change": ([(f"{ARRAY}.combiners.1.setup_s", 511.0)], {"set-up"}),
    "a set-up that begins too late": (
        [("visits.1.steps.0.setup_start_utc", handmade.utc("00:46"))],
        {"set-up"},
    ),
    "stars near the Moon": ([(f"{LIMITS}.moon_separation_min_deg", 95.0)], {"Moon separation"}),
    "a request that stays away from the Moon": (
        [("scenario.requests.1.extras.moon_separation_min_deg", 95.0)],
        {"Moon separation"},
    ),
    "a sky lit by the Moon": ([(f"{LIMITS}.moon_illumination_max", 0.1)], {"Moon lit fraction"}),
    "a request that wants it dark": (
        [(f"{FIRST}.extras.moon_illumination_max", 0.1)],
        {"Moon lit fraction"},
    ),
    "too much air": ([(f"{LIMITS}.airmass_max", 1.07)], {"airmass"}),
    "too much air for the request": ([(f"{FIRST}.extras.airmass_max", 1.07)], {"airmass"}),
    "too far from the meridian": ([(f"{LIMITS}.hour_angle_max_h", 0.3)], {"hour angle"}),
    "before the hour angle asked for": (
        [(f"{FIRST}.extras.hour_angle_range_h", (-0.3, 4.0))],
        {"hour angle"},
    ),
    "outside its window": ([(f"{FIRST}.extras.windows", window("00:20", "01:39"))], {"absolute windows"}),
    "a calibrator too faint": ([("scenario.calibrators.0.mag", {"K": 6.1})], {"limiting magnitude"}),
    "a target too faint": ([(f"{FIRST}.star.mag", {"K": 6.1})], {"limiting magnitude"}),
    "a target of unknown magnitude": ([(f"{FIRST}.star.mag", {"H": 1.0})], {"limiting magnitude"}),
    "calibrators too far": ([(f"{LIMITS}.bracket_distance_max_deg", 2.0)], {"calibrators"}),
    "a calibrator too large": ([("scenario.calibrators.0.diameter_mas", 5.0)], {"calibrators"}),
    "a calibrator of unknown size": ([("scenario.calibrators.1.diameter_mas", None)], {"calibrators"}),
    "a visit without its last calibrator": (
        [("visits.2.steps", lambda steps: steps[:2])],
        {"brackets"},
    ),
    "two visits of one name": ([("visits.1.id", "V01")], {"brackets", "visit numbers"}),
    "more visits than wanted": ([(f"{FIRST}.visits", 1)], {"brackets", "counts and score"}),
    "another combiner than asked for": (
        [("scenario.requests.1.combiner", "pair K")],
        {"brackets", "counts and score"},
    ),
    "a calibrator nobody knows": ([("visits.0.steps.2.object", "nowhere")], {"brackets"}),
    "a target nobody asks for": (
        [("visits.1.target", "third")],
        {"brackets", "coverage", "counts and score"},
    ),
    "a cell left out": (
        [("visits.0.new_cells", lambda cells: cells[1:])],
        {"coverage", "counts and score"},
    ),
    "a cell never crossed": (
        [("visits.0.new_cells", lambda cells: (*cells[1:], (cells[0][0] + 3, cells[0][1])))],
        {"coverage"},
    ),
    "a cell told by its other name": (
        [("visits.0.new_cells", lambda cells: (*cells[1:], (-cells[0][0], -cells[0][1])))],
        {"coverage"},
    ),
    "an earlier night that holds a visit's cells": ([("scenario.history", (EARLIER,))], {"earlier nights"}),
    "a cell of nobody's earlier nights": ([("requests.1.cells_filled_before", 1)], {"earlier nights"}),
    "a visit worth more than its cells": ([("visits.1.value", plus(1))], {"coverage", "counts and score"}),
    "a higher priority": ([(f"{FIRST}.priority", 4)], {"coverage", "counts and score"}),
    "a score too high": ([("solver.score", plus(1))], {"counts and score"}),
    "a bound below the score": ([("solver.bound", lambda bound: bound // 2 - 1)], {"counts and score"}),
    "a score with something taken off": ([("unfair", 1)], {"counts and score", "programs"}),
    "a gap too small": ([("solver.gap", 0.49)], {"counts and score"}),
    "called optimal below the bound": ([("solver.status", "optimal")], {"counts and score"}),
    "a visit more than planned": ([("requests.0.visits_planned", 3)], {"counts and score"}),
    "a request worth more than its visits": ([("requests.1.worth", plus(1))], {"counts and score"}),
    "a cell more than filled": ([("requests.1.cells_filled", plus(1))], {"counts and score"}),
    "a request left out of the account": ([("requests", lambda told: told[:1])], {"counts and score"}),
    "a visit missing without a reason": (
        [(f"{FIRST}.visits", 3), ("requests.0.visits_wanted", 3)],
        {"counts and score"},
    ),
}

KEPT = {
    "a delay half a millimetre off": [(f"{LAST}.delay_end_m", plus(0.0005))],
    "an altitude 9 arcsec off": [(f"{LAST}.altitude_end_deg", plus(9 / 3600))],
    "a whole visit on another turn of the wrap": [
        (f"visits.0.steps.{k}.beams.{b}.azimuth_{end}_deg", plus(-360.0))
        for k in range(3)
        for b in range(2)
        for end in ("start", "end")
    ],
    "a window that the visit fills": [("scenario.requests.1.extras.windows", window("00:50", "01:10"))],
    "two windows, one for each visit": [
        (f"{FIRST}.extras.windows", (*window("00:20", "00:40"), *window("01:20", "01:40")))
    ],
    "carriages with just the time to come to rest": [(f"{ARRAY}.delay_lines.1.settle_s", 14.0)],
    "a combiner with just the time to change": [(f"{ARRAY}.combiners.1.setup_s", 510.0)],
    "the planner's own opinion of it": [("audit", None), ("visits.0.margins", ())],
}


def test_a_plan_made_by_hand_passes():
    assert failed(plan()) == set()
    assert min(len(visit.new_cells) for visit in plan().visits) >= 2


@pytest.mark.parametrize("name", BROKEN)
def test_a_broken_limit_fails_its_own_check_and_no_other(name):
    changes, expected = BROKEN[name]
    assert failed(with_changes(*changes)) == expected


@pytest.mark.parametrize("name", KEPT)
def test_what_keeps_every_limit_passes(name):
    assert failed(with_changes(*KEPT[name])) == set()


def leaves(part, path):
    """Every leaf of a document with its path."""
    if isinstance(part, BaseModel):
        for name in type(part).model_fields:
            yield from leaves(getattr(part, name), f"{path}.{name}")
    elif isinstance(part, tuple):
        for number, own in enumerate(part[:1]):
            yield from leaves(own, f"{path}.{number}")
    else:
        yield path, part


@pytest.mark.slow
@pytest.mark.parametrize("end", ["visits.0", "visits.1.steps.1", "solver", "requests.1"])
def test_nonsense_anywhere_fails_and_never_raises(end):
    unjudged = ("visits.0.id", "feasible_starts", "cells_reachable", "solver.candidates", "solver.made_by")
    unjudged += ("requests.1.forced",)
    unjudged += ("solver.effort", "solver.solver", "solver.status", "solver.seconds", "solver.stopped_by")
    part = functools.reduce(
        lambda own, key: own[int(key)] if key.isdigit() else getattr(own, key), end.split("."), plan()
    )
    for path, value in leaves(part, end):
        nonsense = "nonsense" if value is None or isinstance(value, str) else 10**12
        if not path.endswith(unjudged):
            assert failed(with_changes((path, nonsense))), path


def test_a_plan_without_visits_passes_when_it_says_so():
    nothing = {"visits_planned": 0, "cells_filled": 0, "worth": 0, "reason": "cloud"}
    empty = with_changes(
        ("visits", ()),
        ("requests", lambda told: tuple(one.model_copy(update=nothing) for one in told)),
        ("solver.score", 0),
        ("solver.bound", 0),
        ("solver.gap", 0.0),
        ("solver.status", "empty"),
    )
    assert failed(empty) == set()


def test_a_plan_of_the_solver_passes():
    scenario = random_scenario(3, requests=3, telescopes=4, beams=2)
    # A near and fast star: 0.6 arcsec of parallax and 4 arcsec a year.
    motion = {
        "pmra_mas_per_yr": -3700.0,
        "pmdec_mas_per_yr": 1500.0,
        "parallax_mas": 600.0,
        "radial_velocity_km_per_s": -80.0,
    }
    scenario = changed(scenario, "requests.0.star", lambda own: own.model_copy(update=motion))
    # And one as fast as any accepted, from an epoch as far away: it has moved by 0.7 deg.
    edge = {"epoch_yr": 1800.0, "pmra_mas_per_yr": 10_999.0, "parallax_mas": 53.0}
    scenario = changed(scenario, "requests.1.star", lambda own: own.model_copy(update=edge))
    Star.model_validate(scenario.requests[1].star.model_dump())
    found = planned(scenario)[1]
    assert {request.name for request in scenario.requests[:2]} <= {visit.target for visit in found.visits}
    assert failed(found) == set()


def test_a_failure_is_told_with_its_number_and_time():
    told = words(with_changes((f"{LAST}.delay_end_m", plus(0.25))), "delay")
    assert told.startswith("V03 calibrator 'beside first': B in two, recorded delay ")
    assert "250 mm apart, at 01:40:00 UTC" in told
    told = words(with_changes((f"{ARRAY}.combiners.1.setup_s", 511.0)), "set-up")
    assert told == (
        "V02 calibrator 'beside second' at 00:50:00 UTC: pair H is set up (511.0 s), the star is acquired "
        "and fringes are found (90 s): 601.0 s needed, 600.0 s given"
    )


def test_a_telescope_that_pauses_is_moved_ahead_and_judged_by_its_own_history():
    # B rests from 00:40 to 01:20, 2400 s, while the visit in between uses A and C: 2310 s to turn, 90 s to
    # acquire the star and find fringes. It stands still within its visits, so only the long turn is slow.
    before, after = plan().visits[0].steps[2].beams[1], plan().visits[2].steps[0].beams[1]
    turn_deg = after.azimuth_start_deg - before.azimuth_end_deg
    still = [
        (f"visits.{visit}.steps.{k}.beams.1.azimuth_{end}_deg", azimuth)
        for visit, azimuth in ((0, before.azimuth_end_deg), (2, after.azimuth_start_deg))
        for k in range(3)
        for end in ("start", "end")
    ]
    for turn_s, expected in ((2309.0, set()), (2311.0, {"set-up"})):
        slow = telescope_class(name="slow", azimuth_settle_s=0.0, azimuth_speed_deg_per_s=turn_deg / turn_s)
        found = with_changes(
            (f"{ARRAY}.telescope_classes", (telescope_class(), slow)),
            (f"{ARRAY}.telescopes.1.telescope_class", "slow"),
            (f"{ARRAY}.combiners.0.mixed_classes", True),
            (f"{ARRAY}.combiners.0.limiting_magnitude", {"one metre": 6.0, "slow": 6.0}),
            *still,
        )
        assert failed(found) - {"pointing"} == expected


def test_classes_are_mixed_only_where_the_combiner_allows_it():
    twin = [
        (f"{ARRAY}.telescope_classes", (telescope_class(), telescope_class(name="twin"))),
        (f"{ARRAY}.telescopes.1.telescope_class", "twin"),
        (f"{ARRAY}.combiners.0.limiting_magnitude", {"one metre": 6.0, "twin": 6.0}),
    ]
    assert failed(with_changes(*twin)) == {"beams and lines"}
    assert failed(with_changes(*twin, (f"{ARRAY}.combiners.0.mixed_classes", True))) == set()


def test_a_line_handed_to_another_telescope_is_connected_anew():
    # C takes over line one from A, which goes to line three; 600 s in between, 90 of them for capture.
    swapped = [
        *in_steps(1, "beams.0.delay_line", "three"),
        *in_steps(1, "beams.1.delay_line", "one"),
    ]
    for connect_s, expected in ((509.0, set()), (511.0, {"set-up"})):
        found = with_changes(*swapped, (f"{ARRAY}.delay_lines.0.connect_s", connect_s))
        assert failed(found) == expected
    assert "one is connected to C instead of A (511.0 s)" in words(found, "set-up")
