"""Common offsets of a visit that starts as late as it may: told where they are others, and checked."""

from __future__ import annotations

import handmade
from audited import failed
from test_replan import first_plan

from planner.output.run_sheet import latest_offsets_told
from planner.scheduling.audit import audit_plan


def with_last(**changes):
    """The plan by hand with another last visit: it starts at 01:20, and nothing follows it."""
    *others, last = handmade.plan().visits
    return handmade.plan().model_copy(update={"visits": (*others, last.model_copy(update=changes))})


def offsets_m(plan):
    return tuple(step.common_offset_m for step in plan.visits[-1].steps)


def test_offsets_of_a_latest_start_keep_the_strokes():
    assert failed(with_last(latest_start_utc="2027-03-12T01:20:00Z")) == set()
    late = {"latest_start_utc": "2027-03-12T01:24:00Z"}
    assert failed(with_last(**late)) == set()
    planned_m = offsets_m(handmade.plan())
    assert failed(with_last(latest_offsets_m=planned_m, **late)) == set()
    # Every beam is in the middle of its stroke: by half a stroke and a metre more it is outside.
    line = handmade.scenario().array.delay_lines[0]
    far = tuple(own + 0.5 * (line.stroke_m[1] - line.stroke_m[0]) + 60.0 for own in planned_m)
    assert failed(with_last(latest_offsets_m=far, **late)) == {"offsets of latest starts"}
    assert failed(with_last(latest_offsets_m=planned_m[:2], **late)) == {"offsets of latest starts"}


def test_a_visit_that_would_run_out_of_its_stroke_has_to_tell_other_offsets():
    # Two hours later the same offset holds no more on a stroke that ends where the visit ends, as planned.
    plan = handmade.plan()
    reached = {}
    for visit in plan.visits:
        for beam in (beam for step in visit.steps for beam in step.beams):
            reached.setdefault(beam.delay_line, []).extend((beam.delay_start_m, beam.delay_end_m))
    lines = tuple(
        line.model_copy(update={"stroke_m": (min(reached[line.name]), max(reached[line.name]))})
        for line in plan.scenario.array.delay_lines
    )
    array = plan.scenario.array.model_copy(update={"delay_lines": lines})
    scenario = plan.scenario.model_copy(update={"array": array})
    *others, last = plan.visits
    late = last.model_copy(update={"latest_start_utc": "2027-03-12T03:20:00Z"})
    tight = plan.model_copy(update={"scenario": scenario})
    assert failed(tight) == set()
    moved = tight.model_copy(update={"visits": (*others, late)})
    assert failed(moved) == {"offsets of latest starts"}


def test_the_sheet_tells_them_beside_the_latest_start():
    visit = with_last(latest_offsets_m=(101.5, 102.25, 103.0)).visits[-1]
    first, science, last = (f"{own:.2f}" for own in offsets_m(handmade.plan()))
    assert latest_offsets_told(visit) == (
        f" The common offsets are then 101.50 m for beside first (planned {first}), "
        f"102.25 m for first (planned {science}) and 103.00 m for beside first (planned {last})."
    )
    assert latest_offsets_told(handmade.plan().visits[-1]) == ""


def test_a_plan_tells_offsets_where_a_later_start_has_others():
    plan = first_plan()
    assert audit_plan(plan).passed
    told = [visit for visit in plan.visits if visit.latest_offsets_m is not None]
    assert told
    for visit in told:
        assert visit.latest_start_utc > visit.steps[0].start_utc
        apart = [abs(o - s.common_offset_m) for o, s in zip(visit.latest_offsets_m, visit.steps, strict=True)]
        assert max(apart) > 1e-6
    for visit in plan.visits:
        if visit.latest_start_utc == visit.steps[0].start_utc:
            assert visit.latest_offsets_m is None
