"""The audit of terms between requests and of what cells are worth: plans by hand, broken in every respect."""

from __future__ import annotations

import functools
import itertools

import handmade
import pytest
from handmade import changed, utc
from invented import random_scenario
from nights import planned
from test_audit import EARLIER, failed, plus, words

from planner.scenario.programs import FrequencyWeight, GoodPlan, Program
from planner.scheduling.audit import audit_plan
from planner.scheduling.plan import ProgramOutcome, Travel

# Three visits: first 00:20 to 00:40, second 00:50 to 01:10, first 01:20 to 01:40. A visit takes 20 min from
# its program and 90 s of capture, in whole minutes 2: 1320 s.
THREE = handmade.VISITS
PAIR = ("A", "B")
# Two visits of one target, the second opened by the exposure that closes the first, 00:36 to 00:40.
TWO = (("first", "pair K", PAIR, "00:20"), ("first", "pair K", PAIR, "00:36"))
FIRST = "scenario.requests.0.extras"
SECOND = "scenario.requests.1.extras"


def with_changes(found, *changes):
    for path, change in changes:
        found = changed(found, path, change)
    return found


def totals(found):
    """The same plan with all its sums made to agree with its visits."""
    found = changed(
        found,
        "requests",
        lambda told: tuple(
            one.model_copy(
                update={
                    "worth": sum(v.value for v in found.visits if v.target == one.target),
                    "cells_filled": sum(len(v.new_cells) for v in found.visits if v.target == one.target),
                    "cells_reachable": 99,
                }
            )
            for one in told
        ),
    )
    score = sum(visit.value for visit in found.visits) - found.unfair
    gap = 0.5 if score else 0.0
    return with_changes(found, ("solver.score", score), ("solver.bound", 2 * score), ("solver.gap", gap))


@functools.cache
def three():
    return handmade.plan()


@functools.cache
def two():
    """Two visits that share an exposure; cells of 4.125 million wavelengths: (8, 2), (9, 2), then (8, 1)."""
    asked = handmade.scenario()
    asked = with_changes(
        asked,
        ("requests.0.field_mas", 50.0),
        ("plan", GoodPlan(share_calibrators=True)),
        ("requests.1.visits", 1),
    )
    found = handmade.plan(TWO, asked)
    return changed(found, "visits.1.steps.0", found.visits[0].steps[2].model_copy(update={"shared": True}))


def test_two_visits_may_share_an_exposure():
    assert two().visits[0].new_cells == ((8, 2), (9, 2))
    assert two().visits[1].new_cells == ((8, 1),)
    assert failed(two()) == set()
    report = {check.name: check for check in audit_plan(two()).checks}
    assert report["shared calibrators"].checked > 10
    assert failed(three()) == set()


def beam(number, key, change):
    return (f"visits.1.steps.0.beams.{number}.{key}", change)


LAST = "visits.1.steps.0"
SHARED = {
    "nobody asked for it": ([("scenario.plan", GoodPlan())], {"shared calibrators"}),
    "another star": ([(f"{LAST}.object", "beside second")], {"shared calibrators"}),
    "another offset": ([(f"{LAST}.common_offset_m", plus(0.0004))], {"shared calibrators"}),
    "another delay": ([beam(0, "delay_end_m", plus(0.0004))], {"shared calibrators"}),
    "another azimuth": ([beam(0, "azimuth_end_deg", plus(0.0001))], {"shared calibrators"}),
    "another set-up": ([(f"{LAST}.setup_start_utc", utc("00:35"))], {"shared calibrators"}),
    "a minute later": (
        [(f"{LAST}.start_utc", utc("00:37")), (f"{LAST}.end_utc", utc("00:41"))],
        {"shared calibrators"},
    ),
    "the science step": ([("visits.1.steps.1.shared", True)], {"shared calibrators"}),
    "the very first step of the night": ([("visits.0.steps.0.shared", True)], {"shared calibrators"}),
    "the exposure before is shared itself": (
        [("visits.0.steps.2.shared", True)],
        {"shared calibrators"},
    ),
    "not told to be shared": ([(f"{LAST}.shared", False)], {"times", "set-up"}),
    "another order of the telescopes is no other state": (
        [("visits.1.subarray", ("B", "A"))],
        set(),
    ),
    "other inputs": (
        [(f"visits.1.steps.{k}.beams.{b}.combiner_input", 2 - b) for k in range(3) for b in range(2)],
        {"shared calibrators"},
    ),
    "another combiner": ([("visits.1.combiner", "pair H")], {"shared calibrators"}),
    "another setup": ([("visits.1.spectral_setup", "fine")], {"shared calibrators"}),
    "another tracking": ([("visits.1.tracking", "phase")], {"shared calibrators"}),
    "other tracked telescopes": ([("visits.1.tracked", ("A",))], {"shared calibrators"}),
    "time for the science star is short": (
        [("scenario.array.combiners.0.fringe_search_s", 81.0)],
        {"set-up"},
    ),
}


@pytest.mark.parametrize("name", SHARED)
def test_a_shared_exposure_is_the_last_of_the_visit_before_and_nothing_else(name):
    changes, expected = SHARED[name]
    found = failed(with_changes(two(), *changes))
    assert expected <= found
    # What else it breaks follows: a plan that tells a step wrongly is wrong in more than one respect.
    assert bool(found) == bool(expected)


def test_a_shared_exposure_needs_time_for_the_science_star_after_it():
    # 120 s lie between 00:40 and 00:42; 40 s of acquisition and 50 of search leave 30 for the carriage of
    # line one to run and settle. One metre of light takes it a second.
    own = two().visits[1].steps
    run_m = abs(own[1].beams[0].delay_start_m - own[0].beams[0].delay_end_m)
    for settle_s, expected in ((29.9 - run_m, set()), (30.1 - run_m, {"set-up"})):
        found = changed(two(), "scenario.array.delay_lines.0.settle_s", settle_s)
        assert failed(found) == expected
    assert "V02 science 'first' at 00:42:00 UTC: the carriage of one runs" in words(found, "set-up")


def values(cells, again, value):
    return {"new_cells": cells, "cells_again": again, "value": value}


A, B = ((8, 2), (9, 2)), ((8, 1),)
PLAIN = values(A, (), 6), values(B, (), 3)


def weights(*told):
    keys = ("from_mega_lambda", "to_mega_lambda", "weight")
    return tuple(FrequencyWeight(**dict(zip(keys, own, strict=True))) for own in told)


# Extras of the request, then both visits. Priority 3; spatial frequencies 34.0 and 38.0, then 33.3 million.
WORTH = {
    "one value": ({}, *PLAIN),
    "a first filling is worth five": (
        {"cell_values": (5,)},
        values(A, (), 30),
        values(B, (), 15),
    ),
    # Five and two: 2 x 15; then 15 for the new one and 2 x 6 for those filled again.
    "a second filling is worth two": (
        {"cell_values": (5, 2)},
        values(A, (), 30),
        values(B, A, 27),
    ),
    "three fillings are wanted": (
        {"cell_values": (5, 2), "cells_goal": 3},
        values(A, (), 30),
        values(B, A, 15),
    ),
    "one filling is wanted": ({"cells_goal": 1}, values(A, (), 3), values(B, (), 0)),
    "three cells at least": ({"cells_floor": 3}, values(A, (), 0), values(B, (), 9)),
    "four cells at least": ({"cells_floor": 4}, values(A, (), 0), values(B, (), 0)),
    "both visits or none": ({"all_or_nothing": True}, values(A, (), 0), values(B, (), 9)),
    "high frequencies weigh four": (
        {"frequency_weights": weights((36.0, 40.0, 4))},
        values(A, (), 15),
        values(B, (), 3),
    ),
    "the first weight that holds counts": (
        {"frequency_weights": weights((36.0, 40.0, 4), (30.0, 50.0, 2))},
        values(A, (), 18),
        values(B, (), 6),
    ),
    "low frequencies do not count": (
        {"frequency_weights": weights((0.0, 36.0, 0))},
        values(A, (), 3),
        values(B, (), 0),
    ),
    "low frequencies do not count, and two cells at least are wanted": (
        {"frequency_weights": weights((0.0, 36.0, 0)), "cells_floor": 2},
        values(A, (), 0),
        values(B, (), 0),
    ),
    "low frequencies do not count, but (9, 2) counts twice": (
        {"frequency_weights": weights((0.0, 36.0, 0)), "cell_values": (5, 2)},
        values(A, (), 15),
        values(B, ((9, 2),), 6),
    ),
}
# The same with what the first visit records recorded on an earlier night: both of its cells are filled once.
AFTER_EARLIER = {
    "one value": ({}, values((), (), 0), values(B, (), 3)),
    "a second filling is worth two": (
        {"cell_values": (5, 2)},
        values((), A, 12),
        values(B, (), 15),
    ),
    # Two fillings are left: 6 and 6; then 15 and one of them.
    "four fillings are wanted": (
        {"cell_values": (5, 2), "cells_goal": 4},
        values((), A, 12),
        values(B, (), 9),
    ),
    "three cells at least": (
        {"cell_values": (5, 2), "cells_floor": 3},
        values((), A, 0),
        values(B, (), 27),
    ),
    "two cells at least": ({"cells_floor": 2}, values((), (), 0), values(B, (), 3)),
}


def valued(extras, first, second, before=0):
    changes = [(f"{FIRST}.{key}", value) for key, value in extras.items()]
    for number, own in enumerate((first, second)):
        changes += [(f"visits.{number}.{key}", value) for key, value in own.items()]
    found = with_changes(two(), *changes)
    if before:
        found = with_changes(
            found, ("scenario.history", (EARLIER,)), ("requests.0.cells_filled_before", before)
        )
    return totals(found)


@pytest.mark.parametrize("name", WORTH)
def test_what_cells_are_worth_by_hand(name):
    extras, first, second = WORTH[name]
    assert failed(valued(extras, first, second)) == set()


@pytest.mark.parametrize("name", AFTER_EARLIER)
def test_what_cells_are_worth_after_an_earlier_night_by_hand(name):
    extras, first, second = AFTER_EARLIER[name]
    assert failed(valued(extras, first, second, before=2)) == set()


@pytest.mark.parametrize("name", [*WORTH, *(f"earlier: {name}" for name in AFTER_EARLIER)])
@pytest.mark.parametrize("visit", [0, 1])
def test_a_visit_told_to_be_worth_one_more_is_found(name, visit):
    own = name.removeprefix("earlier: ")
    told = (WORTH[name], 0) if name in WORTH else (AFTER_EARLIER[own], 2)
    found = valued(*told[0], before=told[1])
    found = totals(changed(found, f"visits.{visit}.value", plus(1)))
    assert failed(found) == {"coverage"}


CLAIMS = {
    "a cell filled again is left out": values(B, ((8, 2),), 27),
    "no cell is told to be filled again": values(B, (), 15),
    "a cell filled before is called new": values((*B, (8, 2)), ((9, 2),), 27),
    "a cell that nobody filled is called filled again": values((), (*A, (8, 1)), 27),
    "a cell is claimed in both ways": values(B, (*A, (8, 1)), 27),
    "a cell is filled again that is not crossed": values(B, (*A, (7, 2)), 27),
}


@pytest.mark.parametrize("name", CLAIMS)
def test_cells_filled_again_are_told_exactly(name):
    extras = {"cell_values": (5, 2)}
    assert "coverage" in failed(valued(extras, values(A, (), 30), CLAIMS[name]))


def test_a_third_filling_that_adds_nothing_is_not_told():
    once = {"cell_values": (5,)}
    assert failed(valued(once, values(A, (), 30), values(B, (), 15))) == set()
    assert failed(valued(once, values(A, (), 30), values(B, A, 15))) == {"coverage"}
    assert "add nothing more" in words(valued(once, values(A, (), 30), values(B, A, 15)), "coverage")


TERMS = {
    # 40 min lie between the two visits of the first request.
    "a gap that is just kept": ([(f"{FIRST}.gap_min_h", 2.0 / 3.0)], set()),
    "a gap a minute longer": ([(f"{FIRST}.gap_min_h", 41.0 / 60.0)], {"gaps between visits"}),
    "a gap that one visit need not keep": ([(f"{SECOND}.gap_min_h", 5.0)], set()),
    "the second comes after the first": ([(f"{SECOND}.after", "first")], {"order of requests"}),
    "the first comes after the second": ([(f"{FIRST}.after", "second")], {"order of requests"}),
    "the first only with the second": ([(f"{FIRST}.only_with", "second")], set()),
    "all of one visit or nothing": ([(f"{SECOND}.all_or_nothing", True)], set()),
}


@pytest.mark.parametrize("name", TERMS)
def test_terms_between_requests_are_kept_or_told(name):
    changes, expected = TERMS[name]
    assert failed(with_changes(three(), *changes)) == expected


def test_a_gap_inside_a_shared_exposure_is_none():
    assert failed(changed(two(), f"{FIRST}.gap_min_h", 0.01)) == {"gaps between visits"}


def test_a_request_that_comes_after_another_may_begin_when_that_has_ended():
    # V01 of the first ends at 00:40, the second begins at 00:50.
    asked = changed(handmade.scenario(), "requests.0.visits", 1)
    found = changed(handmade.plan(THREE[:2], asked), f"{SECOND}.after", "first")
    assert failed(found) == set()
    late = changed(handmade.plan(THREE[1:], asked), f"{SECOND}.after", "first")
    assert failed(late) == {"order of requests"}
    assert words(late, "order of requests").startswith("V01 'second' (00:50:00 UTC to 01:10:00 UTC) begins -")
    alone = changed(handmade.plan(THREE[1:2], asked), f"{SECOND}.after", "first")
    assert failed(alone) == set()


def test_a_request_is_not_visited_without_its_company():
    alone = handmade.plan((THREE[0], THREE[2]))
    assert failed(alone) == set()
    assert failed(changed(alone, f"{FIRST}.only_with", "second")) == {"requests that go together"}
    # The other way round nothing is asked.
    assert failed(changed(alone, f"{SECOND}.only_with", "first")) == set()


def test_one_visit_of_two_is_nothing_where_all_are_wanted():
    one = handmade.plan(THREE[:2])
    assert failed(one) == set()
    asked = changed(one, f"{FIRST}.all_or_nothing", True)
    assert failed(asked) == {"all or nothing", "coverage"}
    worthless = totals(changed(asked, "visits.0.value", 0))
    assert failed(worthless) == {"all or nothing"}


def programs(found, fairness=0.0, **changes):
    """Two programs, of the first and of the second request, with shares of one and three."""
    asked = (
        Program(name="one", targets=("first",), hours_max=0.75),
        Program(name="two", targets=("second",), share=3),
    )
    told = tuple(
        ProgramOutcome(
            name=own.name,
            targets=own.targets,
            visits=sum(v.target in own.targets for v in found.visits),
            score=sum(v.value for v in found.visits if v.target in own.targets),
            share=own.share,
            hours_used=round(1320 / 3600 * sum(v.target in own.targets for v in found.visits), 4),
            hours_max=own.hours_max,
        )
        for own in asked
    )
    for number in range(len(found.visits)):
        found = changed(found, f"visits.{number}.budget_s", 1320.0)
    return with_changes(
        found,
        ("scenario.programs", asked),
        ("scenario.plan", GoodPlan(fairness=fairness, **changes)),
        ("programs", told),
    )


PROGRAMS = {
    "nothing wrong": ([], set()),
    "a program left out": ([("programs", lambda told: told[:1])], {"programs"}),
    "a program of nobody": ([("scenario.programs", lambda asked: asked[:1])], {"programs"}),
    "too much time": (
        # Two visits take 2640 s.
        [("scenario.programs.0.hours_max", 2639 / 3600), ("programs.0.hours_max", 2639 / 3600)],
        {"programs"},
    ),
    "just the time": (
        [("scenario.programs.0.hours_max", 2640 / 3600), ("programs.0.hours_max", 2640 / 3600)],
        set(),
    ),
    "another time told": ([("programs.0.hours_used", plus(0.001))], {"programs"}),
    "another budget told": ([("programs.0.hours_max", None)], {"programs"}),
    "a visit without its capture": ([("visits.0.budget_s", 1200.0)], {"programs"}),
    "another visit told": ([("programs.1.visits", 2)], {"programs"}),
    "another score told": ([("programs.1.score", plus(1))], {"programs"}),
    "another share told": ([("programs.1.share", 2)], {"programs"}),
    "other targets told": ([("programs.1.targets", ("first",))], {"programs"}),
    "a shorter capture": (
        # 55 s are one minute, and the plan tells two.
        [("scenario.array.combiners.1.fringe_search_s", 15.0)],
        {"programs"},
    ),
}


@pytest.mark.parametrize("name", PROGRAMS)
def test_programs_are_told_as_they_are_and_keep_their_time(name):
    changes, expected = PROGRAMS[name]
    assert failed(with_changes(programs(three()), *changes)) == expected


def test_a_visit_opened_by_another_takes_time_from_the_end_of_that_exposure():
    # 1320 s for the first; from 00:40 to 00:56 for the second, without a capture.
    found = programs(two(), share_calibrators=True)
    assert failed(found) == {"programs"}
    found = with_changes(
        found, ("visits.1.budget_s", 960.0), ("programs.0.hours_used", round(2280 / 3600, 4))
    )
    assert failed(found) == set()


def test_fairness_takes_a_part_of_what_goes_beyond_a_share():
    # By hand: the first program has a share of a quarter and more than that; half of what is more is taken
    # off, rounded up; the second has less than its share.
    worth = [3 * len(v.new_cells) if v.target == "first" else len(v.new_cells) for v in three().visits]
    assert [visit.value for visit in three().visits] == worth
    first, second = worth[0] + worth[2], worth[1]
    beyond = first - (first + second) / 4.0
    assert beyond > 0
    taken = -int(-0.5 * beyond // 1)
    found = programs(three(), fairness=0.5)
    assert failed(found) == {"programs"}
    assert failed(totals(changed(found, "unfair", taken))) == set()
    assert failed(totals(changed(found, "unfair", taken - 1))) == {"programs"}
    assert failed(changed(found, "unfair", taken)) == {"counts and score"}


def moved():
    """How far things move between the steps of the three visits, told by a loop over the steps."""
    found, run_m, turned_deg = three(), 0.0, 0.0
    lines, mounts = {}, {}
    for visit in found.visits:
        for step in visit.steps:
            for own in step.beams:
                if own.delay_line in lines:
                    run_m += abs(own.delay_start_m - lines[own.delay_line]) / 2.0
                if own.telescope in mounts:
                    azimuth, altitude = mounts[own.telescope]
                    turned_deg += abs(own.azimuth_start_deg - azimuth)
                    turned_deg += abs(own.altitude_start_deg - altitude)
                lines[own.delay_line] = own.delay_end_m
                mounts[own.telescope] = own.azimuth_end_deg, own.altitude_end_deg
    return run_m, turned_deg


@pytest.mark.parametrize(
    ("key", "by", "expected"),
    [
        ("carriages_m", 0.0, set()),
        ("carriages_m", 5e-5, set()),
        ("carriages_m", 2e-4, {"travel"}),
        ("mounts_deg", -2e-4, {"travel"}),
        ("carriages_before_m", -1e9, {"travel"}),
        ("mounts_before_deg", -1e9, {"travel"}),
    ],
)
def test_carriages_and_mounts_move_as_far_as_is_told(key, by, expected):
    # Two metres of light for a metre of rail.
    assert {line.path_per_travel for line in three().scenario.array.delay_lines} == {2.0}
    run_m, turned_deg = moved()
    assert run_m > 1.0
    assert turned_deg > 100.0
    told = {
        "carriages_m": run_m,
        "mounts_deg": turned_deg,
        "carriages_before_m": 2.0 * run_m,
        "mounts_before_deg": turned_deg,
    }
    told[key] += by
    assert failed(changed(three(), "travel", Travel(**told))) == expected


def test_a_shared_exposure_moves_nothing():
    found = two()
    steps = [*found.visits[0].steps, *found.visits[1].steps[1:]]
    pairs = list(itertools.pairwise(steps))
    told = Travel(
        carriages_m=sum(
            abs(b.beams[k].delay_start_m - a.beams[k].delay_end_m) / 2.0 for a, b in pairs for k in range(2)
        ),
        mounts_deg=sum(
            abs(getattr(b.beams[k], f"{axis}_start_deg") - getattr(a.beams[k], f"{axis}_end_deg"))
            for a, b in pairs
            for k in range(2)
            for axis in ("azimuth", "altitude")
        ),
        carriages_before_m=0.0,
        mounts_before_deg=0.0,
    )
    assert failed(changed(found, "travel", told)) == set()


@pytest.mark.parametrize("seed", [2, 6])
def test_plans_of_the_solver_with_terms_of_every_kind_pass(seed):
    scenario = random_scenario(seed, requests=4, telescopes=3, beams=2)
    names = [request.name for request in scenario.requests]
    extras = (
        {"cell_values": (4, 2, 1), "gap_min_h": 0.5, "cells_goal": 30},
        {"after": names[0], "frequency_weights": weights((0.0, 15.0, 0), (15.0, 40.0, 3))},
        {"only_with": names[3], "cells_floor": 2, "cell_values": (2, 2)},
        {"all_or_nothing": True},
    )
    for number, own in enumerate(extras):
        scenario = with_changes(
            scenario,
            (f"requests.{number}.visits", 2),
            *((f"requests.{number}.extras.{key}", value) for key, value in own.items()),
        )
    scenario = with_changes(
        scenario,
        (
            "programs",
            (
                Program(name="p", targets=tuple(names[:2]), hours_max=1.5),
                Program(name="q", targets=(names[2],)),
            ),
        ),
        ("plan", GoodPlan(fairness=0.3)),
        ("effort.deterministic", 2.0),
    )
    _, found = planned(scenario)
    assert len(found.visits) >= 2
    report = audit_plan(found)
    assert report.passed, [(check.name, check.worst) for check in report.checks if not check.passed]
