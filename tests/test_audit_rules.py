"""The audit of terms between requests, programs and shared exposures, by plans that break each."""

from __future__ import annotations

import functools

import handmade
import pytest
from audited import failed
from handmade import changed, utc
from invented import random_scenario
from nights import planned
from test_audit import plus, words

from planner.scenario.programs import FrequencyWeight, GoodPlan, PhaseWindow, Program
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


def weights(*told):
    keys = ("from_mega_lambda", "to_mega_lambda", "weight")
    return tuple(FrequencyWeight(**dict(zip(keys, own, strict=True))) for own in told)


TERMS = {
    # 40 min lie between the two visits of the first request.
    "a gap that is just kept": ([(f"{FIRST}.gap_min_h", 2.0 / 3.0)], set()),
    "a gap a minute longer": ([(f"{FIRST}.gap_min_h", 41.0 / 60.0)], {"gaps between visits"}),
    "a gap that one visit need not keep": ([(f"{SECOND}.gap_min_h", 5.0)], set()),
    "the second comes after the first": ([(f"{SECOND}.after", "first")], {"order of requests"}),
    "the first comes after the second": ([(f"{FIRST}.after", "second")], {"order of requests"}),
    "the first only with the second": ([(f"{FIRST}.only_with", "second")], set()),
    "all of one visit or nothing": ([(f"{SECOND}.all_or_nothing", True)], set()),
    "the first without the second": (
        [(f"{FIRST}.only_with", "second"), ("visits", lambda own: (own[0], own[2]))],
        {"requests that go together", "counts and score", "visit numbers"},
    ),
    "one visit of two where all are wanted": (
        [(f"{FIRST}.all_or_nothing", True), ("visits", lambda own: own[:2])],
        {"all or nothing", "coverage", "counts and score"},
    ),
    "a phase of another century": (
        [(f"{FIRST}.phase", PhaseWindow(epoch_bjd=2_461_000.5, period_d=1e5, phases=((0.5, 0.6),)))],
        {"orbital phase"},
    ),
    "nothing is told to move": (
        [
            (
                "travel",
                Travel(carriages_m=0.0, mounts_deg=0.0, carriages_before_m=0.0, mounts_before_deg=0.0),
            )
        ],
        {"travel"},
    ),
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


@pytest.mark.slow
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
