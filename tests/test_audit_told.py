"""The audit of what a plan tells: a leaf told otherwise is noticed, or listed as taken on trust.

Plans with dual feed, a tracker and reserved time (``feeds``), with path segments and air (``steps``), with
programs, shared exposures, a phase and earlier nights (``terms``), and with fillers. An edit of
a part of the keys is tried here, every one by hand: ``python tests/plan_edits.py plan.json ...``.
"""

from __future__ import annotations

import pytest
from audited import broken, failed_told
from lit_plans import feeds, later, steps, terms, with_changes
from plan_edits import edits, thinned, unseen

from planner.scheduling.audit_told import NOT_CHECKED
from planner.scheduling.plan import moment

pytestmark = pytest.mark.slow

ON_TRUST = {key for part in NOT_CHECKED for key in part.keys}
PLANS = {"feeds": feeds, "steps": steps, "terms": terms, "fillers": lambda: terms(9)}


@pytest.mark.parametrize("name", PLANS)
def test_a_leaf_told_otherwise_is_noticed_or_listed_as_taken_on_trust(name):
    plan, share = PLANS[name](), list(PLANS).index(name)
    # One key in six of each plan, another one of each; all of them take minutes.
    some = [edit for edit in thinned(list(edits(plan)), 1) if edit.key not in ON_TRUST][share::6]
    assert len(some) >= 10
    assert [(edit.path, edit.value) for edit in unseen(plan, some)] == []


def test_what_is_taken_on_trust_is_not_noticed_and_stands_in_the_plan():
    # A list that excuses more than it must would hide what nobody looks at.
    plan = feeds()
    assert plan.audit.not_checked == NOT_CHECKED
    assert all(part.what and part.why for part in NOT_CHECKED)
    keys = {edit.key for name in PLANS for edit in edits(PLANS[name]())}
    optional = {key for key in ON_TRUST if "forced" in key or "latest_offsets" in key or "solver.s" in key}
    assert ON_TRUST - {"scenario", "earlier"} - optional <= keys


def test_the_plans_hold_what_may_be_told_wrongly():
    assert any(visit.dual_feed for visit in feeds().visits)
    assert feeds().reserved
    assert any(step.air_offset_um for visit in steps().visits for step in visit.steps)
    shared = [step for visit in terms().visits for step in visit.steps if step.shared]
    assert shared
    assert terms().programs
    assert terms().scenario.history
    assert terms().unfair
    assert any("orbital phase" in {m.limit for m in visit.margins} for visit in terms().visits)
    assert any(visit.fillers for visit in terms(9).visits)


def test_a_visit_may_not_start_so_late_that_its_steps_moved_as_one_run_into_dawn():
    # Worked out anew it would have shorter set-ups and end in time; the steps told would not.
    plan = feeds()
    last = plan.visits[-1]
    late = moment(last.latest_start_utc) - moment(last.steps[0].start_utc)
    assert moment(last.steps[-1].end_utc) + late <= moment(plan.night.end_utc)
    tick_s = plan.night.tick_s
    room = int((moment(plan.night.end_utc) - moment(last.steps[-1].end_utc)).total_seconds() // tick_s + 1)
    start = f"visits.{len(plan.visits) - 1}.latest_start_utc"
    told = with_changes(plan, (start, lambda _: later(room * tick_s)(last.steps[0].start_utc)))
    assert "limits at latest starts" in failed_told(told)


def test_a_plan_of_the_solver_tells_nothing_that_is_not_so():
    for name, plan in PLANS.items():
        assert broken(plan()) == set(), name


def test_a_plan_that_is_not_complete_tells_nothing_that_is_said_last():
    plan = PLANS["fillers"]()
    bare = plan.model_copy(
        update={
            "complete": False,
            "lost_time": None,
            "visits": tuple(visit.model_copy(update={"margins": (), "fillers": ()}) for visit in plan.visits),
        }
    )
    assert broken(bare) == set()
    assert broken(plan.model_copy(update={"complete": False})) == {"completeness"}
