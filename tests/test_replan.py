"""The rest of a night that has begun: what counts as made, what is left, and that nothing good is lost."""

from __future__ import annotations

import datetime
import functools

import pytest
from invented import random_scenario
from lit_plans import feeds
from nights import planned

from planner import plan_night
from planner.scenario.night import Reserved, Window
from planner.scenario.programs import Program
from planner.scheduling.plan import moment
from planner.scheduling.remaining import PAST, remaining
from planner.scheduling.table import longest_move_s

MINUTE = datetime.timedelta(minutes=1)


@functools.cache
def first_plan(seed=3):
    """A night of requests that want two visits each, proven or nearly so."""
    return planned(random_scenario(seed, requests=6, telescopes=4, beams=2))[1]


def start(plan, place):
    return moment(plan.visits[place].steps[0].start_utc)


def end(plan, place):
    return moment(plan.visits[place].steps[-1].end_utc)


def request_of(scenario, name):
    return next((own for own in scenario.requests if own.name == name), None)


def with_extras(plan, name, **extras):
    """The plan with other wishes of one request."""
    scenario = plan.scenario
    requests = tuple(
        own.model_copy(update={"extras": own.extras.model_copy(update=extras)}) if own.name == name else own
        for own in scenario.requests
    )
    return plan.model_copy(update={"scenario": scenario.model_copy(update={"requests": requests})})


# By hand.


def test_what_had_begun_is_made_but_for_the_lost_and_the_one_under_way_is_waited_for():
    plan = first_plan()
    assert len(plan.visits) >= 6
    now = start(plan, 3) + MINUTE
    left = remaining(plan, now, {1})
    assert (left.made, left.lost) == ((0, 2, 3), (1,))
    assert left.free == end(plan, 3)
    assert remaining(plan, now, {1, 3}).free == now
    made = [plan.visits[k].target for k in (0, 2, 3)]
    for own in plan.scenario.requests:
        wanted = own.visits - made.count(own.name)
        kept = request_of(left.scenario, own.name)
        assert (kept.visits if kept else 0) == wanted
    told = {(row.target, row.start_utc) for row in left.scenario.history}
    for place in left.made:
        visit = plan.visits[place]
        row = (visit.target, moment(visit.steps[1].start_utc))
        assert (row in told) == (request_of(left.scenario, visit.target) is not None)


def test_the_time_that_is_past_is_reserved_and_the_array_gets_time_to_come_from_anywhere():
    plan = first_plan()
    now = end(plan, 2) + 5 * MINUTE
    gone = remaining(plan, now, set(range(len(plan.visits)))).scenario.reserved[0]
    assert (gone.name, gone.end_utc, gone.telescopes) == (PAST, now, ())
    assert gone.start_utc < moment(plan.night.start_utc)
    # By hand: 540 deg of azimuth at the slowest class's speed, or a carriage from end to end.
    array = plan.scenario.array
    slowest = max(
        540.0 / own.azimuth_speed_deg_per_s + own.azimuth_settle_s for own in array.telescope_classes
    )
    assert gone.ready_s == longest_move_s(array) >= slowest


def test_orders_and_company_that_are_kept_already_are_asked_no_more():
    plan = first_plan()
    first = plan.visits[0].target
    other = next(own.name for own in plan.scenario.requests if own.name != first)
    asking = with_extras(plan, other, after=first, only_with=first)
    wanted = request_of(plan.scenario, first).visits
    places = [k for k, visit in enumerate(plan.visits) if visit.target == first]
    assert len(places) == wanted == 2
    setting_up = moment(plan.visits[0].steps[0].setup_start_utc)
    before_all = request_of(remaining(asking, setting_up).scenario, other).extras
    assert (before_all.after, before_all.only_with) == (first, first)
    some = request_of(remaining(asking, end(plan, places[0])).scenario, other)
    assert (some.extras.after, some.extras.only_with) == (first, None)
    done = remaining(asking, end(plan, places[1])).scenario
    assert request_of(done, first) is None
    kept = request_of(done, other)
    assert kept is None or (kept.extras.after, kept.extras.only_with) == (None, None)


def test_what_comes_before_a_visit_that_is_made_is_closed_and_who_wants_its_company_too():
    plan = first_plan()
    made, never, friend = (plan.visits[k].target for k in (0, 4, 6))
    asking = with_extras(with_extras(plan, made, after=never), friend, only_with=never)
    left = remaining(asking, end(plan, 0))
    assert left.closed == tuple(sorted((never, friend)))
    assert not {own.name for own in left.scenario.requests} & {never, friend}
    assert request_of(left.scenario, made).extras.after is None
    assert remaining(asking, end(plan, 0), {0}).closed == ()


def test_a_visit_that_is_being_set_up_has_begun_and_can_be_given_up():
    plan = first_plan()
    now = moment(plan.visits[3].steps[0].setup_start_utc) + datetime.timedelta(seconds=30)
    assert now < start(plan, 3)
    assert remaining(plan, now).free == end(plan, 3)
    assert remaining(plan, now, {3}).free == now


def test_what_going_on_is_worth_is_the_sum_of_the_visits_that_had_not_begun():
    plan = first_plan()
    left = remaining(plan, end(plan, 2))
    assert left.going_on == sum(visit.value for visit in plan.visits[3:])


def test_an_exposure_that_is_lost_takes_the_visit_with_it_that_it_opens():
    plan = first_plan()
    steps = plan.visits[2].steps
    opened = plan.visits[2].model_copy(
        update={"steps": (steps[0].model_copy(update={"shared": True}), *steps[1:])}
    )
    sharing = plan.model_copy(update={"visits": (*plan.visits[:2], opened, *plan.visits[3:])})
    now = moment(steps[1].setup_start_utc) + MINUTE
    assert remaining(sharing, now).made == (0, 1, 2)
    assert remaining(sharing, now, {1}).lost == (1, 2)
    # Until its own part begins it has not begun: what runs is the last exposure of the visit before.
    assert remaining(sharing, moment(steps[0].start_utc) + MINUTE).made == (0, 1)


def test_two_stars_that_changed_places_fill_a_cell_once_where_it_counts():
    plan = feeds()
    place = next(k for k, visit in enumerate(plan.visits) if any(step.swap_start_utc for step in visit.steps))
    name = plan.visits[place].target
    twice = plan.model_copy(
        update={
            "scenario": plan.scenario.model_copy(
                update={
                    "requests": tuple(
                        own.model_copy(update={"visits": own.visits + 1}) for own in plan.scenario.requests
                    )
                }
            )
        }
    )
    rows = [row for row in remaining(twice, end(plan, place)).scenario.history if row.target == name]
    step = plan.visits[place].steps[1]
    assert [row.end_utc for row in rows] == [moment(step.swap_start_utc), moment(step.end_utc)]
    again = with_extras(twice, name, cell_values=(2, 1))
    rows = [row for row in remaining(again, end(plan, place)).scenario.history if row.target == name]
    assert [(row.start_utc, row.end_utc) for row in rows] == [(moment(step.start_utc), moment(step.end_utc))]


def test_internal_calibrations_under_way_are_waited_for_and_the_others_are_still_needed():
    plan = feeds()
    lamp = next(own for own in plan.reserved if own.kind == "internal calibration" and own.start_utc)
    begins, ends = moment(lamp.start_utc), moment(lamp.end_utc)
    dusk = moment(plan.night.start_utc)
    inside = max(begins, dusk) + MINUTE
    if inside < ends:
        assert remaining(plan, inside, set(range(len(plan.visits)))).free >= ends
    array = plan.scenario.array
    used = {plan.visits[0].combiner}
    narrowed = tuple(own.model_copy(update={"combiners": tuple(used)}) for own in array.internal_calibrations)
    scenario = plan.scenario.model_copy(
        update={"array": array.model_copy(update={"internal_calibrations": narrowed})}
    )
    left = remaining(plan.model_copy(update={"scenario": scenario}), end(plan, 0)).scenario
    kept = left.array.internal_calibrations
    assert {own.when for own in kept} == {own.when for own in narrowed} - {"before dusk"} - {
        own.when
        for own in narrowed
        if own.name in {r.name for r in plan.reserved if moment(r.start_utc) < end(plan, 0)}
    }
    assert all(own.combiners == () for own in kept)


def test_a_long_title_is_cut_between_words():
    plan = first_plan()
    long = plan.model_copy(
        update={"scenario": plan.scenario.model_copy(update={"title": "a word or two " * 5 + "and more"})}
    )
    title = remaining(long, end(plan, 0)).scenario.title
    assert len(title) <= 80
    assert title.endswith(f" ..., from {end(plan, 0):%H:%M} on")
    assert title.split(" ...")[0] in long.scenario.title


def test_the_least_gap_counts_from_the_last_visit_made():
    plan = first_plan()
    name = plan.visits[0].target
    now = end(plan, 0) + MINUTE
    gapped = with_extras(plan, name, gap_min_h=2.0)
    [window] = request_of(remaining(gapped, now).scenario, name).extras.windows
    assert window.start_utc == end(plan, 0) + datetime.timedelta(hours=2)
    assert window.end_utc > moment(plan.night.end_utc)
    early = Window(start_utc=end(plan, 0) - MINUTE, end_utc=end(plan, 0) + 60 * MINUTE)
    late = Window(start_utc=end(plan, 0) + 90 * MINUTE, end_utc=end(plan, 0) + 180 * MINUTE)
    windowed = with_extras(plan, name, gap_min_h=2.0, windows=(early, late))
    [window] = request_of(remaining(windowed, now).scenario, name).extras.windows
    assert (window.start_utc, window.end_utc) == (end(plan, 0) + 120 * MINUTE, late.end_utc)
    closed = with_extras(plan, name, gap_min_h=2.0, windows=(early,))
    [window] = request_of(remaining(closed, now).scenario, name).extras.windows
    assert window.start_utc > moment(plan.night.end_utc)


def test_a_program_has_the_hours_that_are_left_and_the_requests_too():
    plan = first_plan()
    names = tuple(own.name for own in plan.scenario.requests)
    one, two = Program(name="one", targets=names[:3], hours_max=5.0), Program(name="two", targets=names[3:])
    scenario = plan.scenario.model_copy(update={"programs": (one, two)})
    timed = plan.model_copy(
        update={
            "scenario": scenario,
            "visits": tuple(v.model_copy(update={"budget_s": 3600.0}) for v in plan.visits),
        }
    )
    left = remaining(timed, end(plan, 3)).scenario
    spent = sum(visit.target in one.targets for visit in plan.visits[:4])
    assert left.programs[0].hours_max == pytest.approx(5.0 - spent)
    assert left.programs[-1].hours_max is None
    assert {name for own in left.programs for name in own.targets} == {own.name for own in left.requests}


@pytest.mark.parametrize(("spare_s", "left_over"), [(-30.0, 0), (0.0, 1), (1e-7, 1)])
def test_a_program_has_time_for_a_last_visit_to_the_tick_and_for_none_below(spare_s, left_over):
    # A visit takes its capture, 90 s, and 1,200 s; hours such as 1.2 - 0.8 h are 0.4 h less a rounding.
    scenario = random_scenario(3, requests=2, telescopes=4, beams=2)
    name = scenario.requests[0].name
    whole = planned(scenario)[1]
    takes_s = min(visit.budget_s for visit in whole.visits if visit.target == name)
    hours = 0.8 + (takes_s + spare_s) / 3600.0 - 0.8
    program = Program(name="short", targets=(name,), hours_max=hours)
    plan = plan_night(scenario.model_copy(update={"programs": (program,)})).plan
    assert plan.audit.passed
    outcome = next(own for own in plan.requests if own.target == name)
    assert outcome.visits_planned == left_over
    if not left_over:
        assert outcome.reason.startswith("the time of program short is spent")


def test_reserved_time_that_is_over_is_gone_and_what_is_under_way_stays():
    plan, now = first_plan(), end(first_plan(), 3)
    over = Reserved(name="over", start_utc=now - 30 * MINUTE, end_utc=now - MINUTE)
    under_way = Reserved(name="under way", start_utc=now - MINUTE, end_utc=now + MINUTE, telescopes=("T1",))
    chosen = Reserved(name="chosen", duration_s=600.0)
    scenario = plan.scenario.model_copy(update={"reserved": (over, under_way, chosen)})
    again = plan.model_copy(update={"scenario": scenario})
    assert [own.name for own in remaining(again, now).scenario.reserved] == [PAST, "under way", "chosen"]
    # What is over but leaves the array not ready stays, and so does the user's own time of that name.
    unready = over.model_copy(update={"ready_s": 600.0})
    own = Reserved(name=PAST, start_utc=now + 30 * MINUTE, end_utc=now + 60 * MINUTE)
    scenario = plan.scenario.model_copy(update={"reserved": (unready, own)})
    left = remaining(plan.model_copy(update={"scenario": scenario}), now)
    assert left.free == now
    assert left.scenario.reserved[1:] == (unready, own)


# A night again.


@pytest.mark.slow
@pytest.mark.parametrize("seed", [3, 5])
@pytest.mark.parametrize("place", [0, 2, 4])
def test_the_rest_is_planned_audited_and_no_worse_than_going_on_as_planned(seed, place):
    plan = first_plan(seed)
    left = remaining(plan, end(plan, place))
    assert not left.lost
    again = plan_night(left.scenario).plan
    assert again.audit.passed
    ready = left.free + datetime.timedelta(seconds=left.scenario.reserved[0].ready_s)
    for visit in again.visits:
        assert moment(visit.steps[0].setup_start_utc) >= left.free
        assert moment(visit.steps[0].start_utc) > ready
    # Visits of the first plan that would still be in time are a plan of the rest.
    longest = datetime.timedelta(seconds=300.0)  # of a capture
    still = [k for k in range(len(plan.visits)) if start(plan, k) >= ready + longest]
    worth = sum(plan.visits[k].value for k in still)
    assert again.solver.score >= worth or again.solver.status != "optimal"
    filled = {(v.target, cell) for k in left.made for v in [plan.visits[k]] for cell in v.new_cells}
    assert not filled & {(visit.target, cell) for visit in again.visits for cell in visit.new_cells}


def test_a_night_with_the_whole_light_path_goes_on_after_a_loss():
    plan = feeds()
    now = start(plan, 1) + MINUTE
    left = remaining(plan, now, {0})
    again = plan_night(left.scenario).plan
    assert again.audit.passed
    assert all(own.when != "before dusk" for own in left.scenario.array.internal_calibrations)
    # And once more: what is past is reserved once, the title says one time.
    third = remaining(again, moment(again.night.end_utc) - MINUTE).scenario
    assert [own.name for own in third.reserved].count(PAST) == 1
    same = remaining(again, left.free - 10 * MINUTE)
    assert (same.free, same.made) == (left.free, ())
    assert [own.name for own in same.scenario.reserved].count(PAST) == 1
    assert third.title.count(", from ") == left.scenario.title.count(", from ") == 1
