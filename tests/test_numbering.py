"""Numbers of visits: one number means one visit on every sheet of a night."""

from __future__ import annotations

import functools

import handmade
import pytest
from icalendar import Calendar
from invented import DATE
from test_replan import MINUTE, end, first_plan, start

from planner import plan_night
from planner.constraints.tonight import night_limits
from planner.constraints.windows import OVER, RESERVED
from planner.errors import InputProblems
from planner.output.calendar import visits_calendar
from planner.output.reserved_sheet import earlier_told, pause_rows
from planner.output.run_sheet import night_sums
from planner.scenario.night import PAST, Reserved
from planner.scheduling.audit import audit_plan
from planner.scheduling.begun_night import left_of_night
from planner.scheduling.numbering import dropped, earlier_plans, renumbered
from planner.scheduling.plan import NightPlan, moment
from planner.scheduling.plan_file import plan_json
from planner.scheduling.remaining import remaining
from planner.sky.night import night_sky

pytestmark = pytest.mark.slow

# By hand.


def rest_by_hand(visits, made=(), lost=(), before=None):
    """A plan by hand for the rest of the night of another one, renumbered; visits as handmade.VISITS."""
    first = before or handmade.plan()
    return renumbered(handmade.plan(visits), earlier_plans(first, made, lost))


def ids(plan):
    return [visit.id for visit in plan.visits]


def test_a_visit_that_is_made_again_keeps_its_number_wherever_it_stands():
    # V01 first 00:20, V02 second 00:50, V03 first 01:20: V01 is made, the others change places.
    _, second, again = handmade.VISITS
    rest = rest_by_hand((("first", *again[1:3], "02:00"), ("second", *second[1:3], "02:40")), made={0})
    assert ids(rest) == ["V03", "V02"]
    assert dropped(rest) == ()


def test_of_two_visits_of_a_request_each_takes_the_nearest_number():
    # Both visits of "first" were lost or open; only one is planned again, at 01:30: nearest to V03 (01:20).
    rest = rest_by_hand((("first", "pair K", ("A", "B"), "01:30"),), lost={0})
    assert ids(rest) == ["V03"]
    assert [visit.id for visit in dropped(rest)] == ["V01", "V02"]
    both = rest_by_hand((("first", "pair K", ("A", "B"), "01:30"), ("first", "pair K", ("A", "B"), "02:30")))
    # The one that hardly moves stays what it was, the other one has come back later.
    assert ids(both) == ["V03", "V01"]


def test_new_visits_count_on_after_the_highest_number_ever_used_over_several_replannings():
    first = handmade.plan(handmade.VISITS[:2])
    # V02 is dropped, and "first" gets a second visit, which no plan had: V03.
    second = rest_by_hand((("first", "pair K", ("A", "B"), "01:20"),), made={0}, before=first)
    assert ids(second) == ["V03"]
    # V03 is made. "second" comes back with the number of its own, and "first" goes on counting.
    visits = (("first", "pair K", ("A", "B"), "02:00"), ("second", "pair H", ("A", "C"), "02:40"))
    third = rest_by_hand(visits, made={0}, before=second)
    assert ids(third) == ["V04", "V02"]
    assert third.earlier.replanned == 2
    assert [(own.id, own.became) for own in third.earlier.visits] == [
        ("V01", "made"), ("V02", "open"), ("V03", "made"),
    ]  # fmt: skip


def test_the_audit_wants_numbers_that_stay():
    visits = (("first", "pair K", ("A", "B"), "01:20"), ("second", "pair H", ("A", "C"), "02:40"))
    rest = rest_by_hand(visits, made={0})

    def worst(*names):
        told = [own.model_copy(update={"id": n}) for own, n in zip(rest.visits, names, strict=True)]
        checks = audit_plan(rest.model_copy(update={"visits": tuple(told)})).checks
        return next(check for check in checks if check.name == "visit numbers")

    assert worst("V03", "V02").passed
    assert "V01 is made already" in worst("V01", "V02").worst
    assert "V02 was of 'second', now of 'first'" in worst("V02", "V03").worst
    assert "V04 is new, while an earlier number of 'second' is free" in worst("V03", "V04").worst
    assert not worst("V03", "V09").passed


def test_a_number_is_a_number():
    text = plan_json(handmade.plan()).replace('"V01"', '"V01\\"><script>"')
    with pytest.raises(ValueError, match="pattern"):
        NightPlan.model_validate_json(text)


# On a night that is planned again twice.


@functools.cache
def thrice():
    first = first_plan()
    left = left_of_night(first, f"{end(first, 2) + MINUTE:%H:%M:%S}", ["V02"])
    second = plan_night(left).plan
    later = left_of_night(second, f"{end(second, 1) + MINUTE:%H:%M:%S}", [second.visits[0].id])
    return first, second, plan_night(later).plan


def test_sheets_of_one_night_never_disagree_about_a_number():
    plans = thrice()
    targets = {}
    for plan in plans:
        assert audit_plan(plan).passed
        for visit in plan.visits:
            assert targets.setdefault(visit.id, visit.target) == visit.target
    first, second, third = plans
    assert {"V01", "V03"} <= {own.id for own in second.earlier.visits if own.became == "made"}
    assert not {"V01", "V03"} & set(ids(second))
    assert second.visits[1].id not in ids(third)
    # A number made, planned or dropped: what the last plan carries is everything that was ever planned.
    assert {own.id for own in third.earlier.visits} == set(ids(first)) | set(ids(second))


def test_a_moved_visit_replaces_itself_in_a_calendar_and_a_dropped_one_is_cancelled():
    first, second, _ = thrice()
    events = [
        {str(event["uid"]): event for event in Calendar.from_ical(visits_calendar(plan)).events}
        for plan in (first, second)
    ]
    before = {str(event["summary"])[:3]: uid for uid, event in events[0].items()}
    for visit in second.visits:
        if visit.id in before:
            moved = events[1][before[visit.id]]
            assert moved["sequence"] == 1  # RFC 5545, 3.8.7.4
            assert moved.end == moment(visit.steps[-1].end_utc)
    for gone in dropped(second):
        assert events[1][before[gone.id]]["status"] == "CANCELLED"  # 3.8.1.11
    # What is made stays in the calendar as it was.
    assert before["V01"] not in events[1]
    assert not any("already past" in str(event["summary"]) for event in events[1].values())


def test_a_visit_of_a_plan_that_is_replaced_cannot_be_lost_any_more():
    _, second, _ = thrice()
    with pytest.raises(InputProblems, match="is V01, of a plan that this one has replaced"):
        left_of_night(second, f"{end(second, 1):%H:%M:%S}", ["V01"])


def test_what_is_told_of_a_lost_visit_that_is_under_way():
    plan = first_plan()
    left = remaining(plan, start(plan, 1) + MINUTE, {1})
    assert {own.id: own.became for own in left.earlier.visits[:3]} == {
        "V01": "made", "V02": "lost", "V03": "open",
    }  # fmt: skip


def test_what_is_past_is_told_as_past_and_not_as_reserved():
    _, second, _ = thrice()
    limits = night_limits(second.scenario, night_sky(second.scenario, DATE), second.configuration)
    assert {v.limit for v in limits.of_telescopes} & {RESERVED, OVER} == {OVER}
    row = pause_rows(second)[0][0]
    assert (row.name, row.kind, row.whom) == ("Already past", "", "V01 and V03 are made")
    sums = night_sums(second)
    assert sums.reserved == pytest.approx(0.0, abs=1e-6)
    # By hand: from dusk to the end of what is past.
    over = moment(second.reserved[0].end_utc) - moment(second.night.start_utc)
    assert sums.past == pytest.approx(over.total_seconds() / 60.0)
    assert ("past", "already past") in [row[:2] for row in sums.rows()]
    assert earlier_told(second).startswith("The rest of a night that has begun. Made before: V01 and V03.")
    assert earlier_told(thrice()[0]) == ""
    # A time of that name which the user reserves in the middle of the night stays reserved.
    own = Reserved(
        name=PAST, start_utc=start(second, 0), end_utc=start(second, 0) + MINUTE, telescopes=("x",)
    )
    assert not own.is_past(moment(second.night.start_utc))
