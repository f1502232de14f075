"""Time that is not for stars: by hand, as laws, and every start counted again."""

from __future__ import annotations

import datetime
import functools

import numpy as np
import pytest
from astropy.time import Time
from hypothesis import given, settings
from hypothesis import strategies as st
from invented import combiner
from light_nights import MAIN, PAIR, bright_star, by_hand, lit_scenario, plain_array, wish
from nights import Built, best_score, build, planned

from planner.constraints.tonight import night_limits
from planner.scenario.light_path import InternalCalibration
from planner.scenario.night import Reserved, Window
from planner.scenario.targets import Scenario
from planner.scheduling.audit import audit_plan
from planner.scheduling.cpsat import Solution, solve_night
from planner.scheduling.plan import NightPlan
from planner.scheduling.reserved import blocks_of

MIDNIGHT = datetime.datetime(2027, 3, 12, 4, 0, tzinfo=datetime.UTC)
TICK_S = 30


def at(minutes: float) -> datetime.datetime:
    """So long after 04:00 UTC, when the bright star of the plain array is high."""
    return MIDNIGHT + datetime.timedelta(minutes=minutes)


def seconds(moment: datetime.datetime | str) -> float:
    """Seconds after 04:00 UTC."""
    if isinstance(moment, str):
        moment = datetime.datetime.fromisoformat(moment)
    return (moment - MIDNIGHT).total_seconds()


def tick_s(night: Built, tick: int) -> float:
    """Time of a tick, also before the first, in seconds after 04:00 UTC."""
    first = float((night.limits.sky.times[0] - Time(MIDNIGHT, scale="utc")).to_value("sec"))
    return round(first + float(tick) * TICK_S, 3)


def visits_of(night: Built) -> list[tuple[tuple[int, ...], float, float]]:
    """Telescopes, start of the capture and end of every candidate visit."""
    found = []
    for number, row in zip(night.table.family, night.table.row, strict=True):
        if number >= 0:
            family = night.families[number]
            # 40 s of acquisition and 50 s of fringe search: three ticks.
            start = tick_s(night, family.start_tick[row, 0] - 3)
            found.append((family.facts.subarray.telescopes, start, tick_s(night, family.end_tick[row, 2])))
    return found


def placed(plan: NightPlan, name: str) -> tuple[float, float, float]:
    """Start, end and when the next star may be acquired, of the only one of that name."""
    (own,) = [one for one in plan.reserved if one.name == name]
    return seconds(own.start_utc), seconds(own.end_utc), seconds(own.ready_utc)


def with_reserved(scenario: Scenario, *reserved: Reserved) -> Scenario:
    return scenario.model_copy(update={"reserved": tuple(reserved)})


def test_a_telescope_that_is_taken_away_leaves_the_others_and_comes_back_when_it_is_ready():
    # T0 is taken from 04:00 to 04:40 and ready 5 min later: nothing with it between 04:00 and 04:45, the
    # capture before the first step included.
    mirror = Reserved(name="mirror", start_utc=at(0), end_utc=at(40), telescopes=("T0",), ready_s=300.0)
    array = plain_array([0, 20, 40])
    scenario = by_hand(array, reserved=(mirror,), slot_s=300)
    scenario = scenario.model_copy(
        update={"effort": scenario.effort.model_copy(update={"subarrays_per_request": 3})}
    )
    visits = visits_of(build(scenario))
    with_it = [own for own in visits if 0 in own[0]]
    assert with_it
    assert all(end <= 0.0 or start >= 2700.0 for _, start, end in with_it)
    assert any(start < 2400.0 and end > 0.0 for own, start, end in visits if 0 not in own)
    # The first after it starts on a slot: 04:45 and 90 s of capture are 04:46:30, so 04:50.
    assert min(start for _, start, _ in with_it if start >= 0.0) == 3000.0 - 90.0
    told = [own for own in planned(scenario)[1].reserved if own.name == "mirror"]
    assert told[0].telescopes == ("T0",)
    assert placed(planned(scenario)[1], "mirror") == (0.0, 2400.0, 2700.0)


def test_time_for_the_whole_array_stops_every_visit():
    everything = Reserved(name="works", start_utc=at(0), end_utc=at(90))
    visits = visits_of(build(by_hand(plain_array([0, 20, 40]), reserved=(everything,), slot_s=300)))
    assert visits
    assert all(end <= 0.0 or start >= 5400.0 for _, start, end in visits)


def test_a_night_that_is_all_reserved_says_so():
    everything = Reserved(name="works", start_utc=at(-600), end_utc=at(600))
    plan = planned(by_hand(plain_array([0, 20]), reserved=(everything,)))[1]
    assert not plan.visits
    assert plan.requests[0].reason.startswith("reserved time: at best ")


@pytest.mark.parametrize("minutes", [0, 5, 25, 40])
def test_a_window_as_long_as_the_work_holds_it(minutes):
    work = Reserved(
        name="work",
        duration_s=300.0,
        windows=(Window(start_utc=at(minutes), end_utc=at(minutes + 5)),),
        ready_s=100.0,
    )
    night, plan = planned(by_hand(plain_array([0, 20]), reserved=(work,), slot_s=300))
    # 100 s are four ticks.
    assert placed(plan, "work") == (60.0 * minutes, 60.0 * minutes + 300.0, 60.0 * minutes + 420.0)
    assert [len(block.start_tick) for block in blocks_of(night.limits)] == [1]
    start, _, ready = placed(plan, "work")
    for visit in plan.visits:
        first, last = seconds(visit.steps[0].start_utc), seconds(visit.steps[-1].end_utc)
        assert last <= start or first - 90.0 >= ready


def test_a_window_a_second_shorter_than_the_work_holds_nothing_and_the_stars_are_observed():
    work = Reserved(
        name="work",
        duration_s=300.0,
        windows=(Window(start_utc=at(0), end_utc=at(5) - datetime.timedelta(seconds=1)),),
    )
    plan = planned(by_hand(plain_array([0, 20]), reserved=(work,), slot_s=300))[1]
    assert [(own.name, own.start_utc, own.end_utc) for own in plan.reserved] == [("work", None, None)]
    assert plan.visits
    assert plan.solver.status == "optimal"


def test_work_at_a_chosen_time_keeps_out_of_a_given_one():
    given_time = Reserved(name="mirror", start_utc=at(0), end_utc=at(30), telescopes=("T0",))
    window = (Window(start_utc=at(-10), end_utc=at(40)),)
    for minutes, fits in ((10, True), (20, False)):
        work = Reserved(name="work", duration_s=60.0 * minutes, windows=window)
        plan = planned(by_hand(plain_array([0, 20]), reserved=(given_time, work), slot_s=300))[1]
        told = next(own for own in plan.reserved if own.name == "work")
        assert (told.start_utc is not None) == fits
        if fits:
            assert placed(plan, "work") in ((-600.0, 0.0, 0.0), (1800.0, 2400.0, 2400.0))


def calibrated(*own: InternalCalibration) -> object:
    """An array of two combiners that needs these internal calibrations."""
    return plain_array(
        [0, 20],
        combiners=(combiner(2, name=MAIN), combiner(2, name=PAIR)),
        internal_calibrations=own,
    )


def test_internal_calibrations_stand_end_to_end_outside_the_observations():
    own = (
        InternalCalibration(name="lamp", duration_s=600.0, when="before dusk"),
        InternalCalibration(name="swap", combiners=(MAIN,), duration_s=300.0, when="before dusk"),
        InternalCalibration(name="other", combiners=(PAIR,), duration_s=300.0, when="before dusk"),
        InternalCalibration(name="dark", duration_s=200.0, when="after dawn"),
        InternalCalibration(name="closing", combiners=(MAIN, PAIR), duration_s=100.0, when="after dawn"),
    )
    night, plan = planned(by_hand(calibrated(*own)))
    dark = night.limits.sky.dark
    dusk, dawn = (
        float((edge - Time(MIDNIGHT, scale="utc")).to_value("sec")) for edge in (dark.start, dark.end)
    )
    # Nobody uses the second combiner.
    assert {one.name for one in plan.reserved} == {"lamp", "swap", "dark", "closing"}
    for name, start, end in (
        ("lamp", dusk - 900.0, dusk - 300.0),
        ("swap", dusk - 300.0, dusk),
        ("dark", dawn, dawn + 200.0),
        ("closing", dawn + 200.0, dawn + 300.0),
    ):
        # Times of a plan are written to the second.
        assert placed(plan, name)[:2] == pytest.approx((start, end), abs=1.1)


def test_a_calibration_in_the_night_is_made_when_its_combiner_is_asked_for():
    own = (
        InternalCalibration(name="check", combiners=(MAIN,), duration_s=310.0, when="in the night"),
        InternalCalibration(name="other", combiners=(PAIR,), duration_s=310.0, when="in the night"),
    )
    night, plan = planned(by_hand(calibrated(*own)))
    assert [block.name for block in night.table.blocks] == ["check"]
    start, end, ready = placed(plan, "check")
    # 310 s are eleven ticks.
    assert (end - start, ready) == (330.0, end)
    assert plan.visits


def test_the_latest_start_thinks_beyond_a_short_work_that_comes_next():
    # Combiner two needs 200 s for the feed optics of the other, 510 s of its own, 90 s of capture: 27 ticks.
    # Its visit starts at 05:10, so the visit before ends by 04:56:30 although the work starts at 05:00.
    both = combiner(2, name=MAIN, feed_out_s=200.0), combiner(2, name=PAIR, setup_s=510.0)
    first = (Window(start_utc=at(25), end_utc=at(75)),)
    second = (Window(start_utc=at(70), end_utc=at(99)),)
    requests = (
        wish(bright_star("one"), windows=first),
        wish(bright_star("two", 171.0), PAIR, windows=second),
    )
    work = Reserved(name="work", duration_s=300.0, windows=(Window(start_utc=at(60), end_utc=at(65)),))
    plan = planned(by_hand(plain_array([0, 20], combiners=both), *requests, reserved=(work,), slot_s=600))[1]
    assert [visit.target for visit in plan.visits] == ["one", "two"]
    one, two = plan.visits
    assert placed(plan, "work")[0] == 3600.0
    assert seconds(two.steps[0].start_utc) == 4200.0
    shift = seconds(one.latest_start_utc) - seconds(one.steps[0].start_utc)
    assert shift > 0.0
    end = seconds(one.steps[-1].end_utc) + shift
    # A visit of another hour may be a tick longer, so a tick may be left over.
    assert 4200.0 - 27 * TICK_S - TICK_S <= end <= 4200.0 - 27 * TICK_S


SMALL_NIGHT = 3600


@functools.cache
def unreserved(seed: int) -> Built:
    """A night with a start every hour in which nothing is reserved."""
    return build(with_reserved(lit_scenario(seed, slot_s=SMALL_NIGHT)))


@functools.cache
def score_unreserved(seed: int) -> Solution:
    return solve_night(unreserved(seed).problem, 20.0)


@pytest.mark.slow
@given(st.integers(0, 5), st.integers(0, 6), st.sampled_from([300.0, 2400.0, 5400.0]))
@settings(max_examples=6, deadline=None)
def test_work_at_a_chosen_time_never_raises_the_score(seed, hour, duration_s):
    scenario = with_reserved(lit_scenario(seed, slot_s=SMALL_NIGHT))
    evening = datetime.datetime(2027, 3, 12, 0, 0, tzinfo=datetime.UTC)
    start = evening + datetime.timedelta(hours=hour)
    windows = (Window(start_utc=start, end_utc=start + datetime.timedelta(hours=4)),)
    more = Reserved(name="more", duration_s=duration_s, windows=windows)
    free, taken = unreserved(seed), build(with_reserved(scenario, more))
    # The same visits are offered.
    assert np.count_nonzero(taken.table.family >= 0) == np.count_nonzero(free.table.family >= 0)
    most, found = score_unreserved(seed), solve_night(taken.problem, 20.0)
    assert most.status == found.status == "optimal"
    assert found.score <= most.score


@given(
    st.integers(0, 5), st.floats(0.0, 8.0), st.floats(0.0, 3.0), st.sampled_from([(), ("T0",), ("T1", "T2")])
)
@settings(max_examples=6, deadline=None)
def test_time_taken_away_never_gives_a_telescope_a_tick(seed, hour, hours, telescopes):
    scenario = with_reserved(lit_scenario(seed, slot_s=SMALL_NIGHT))
    start = datetime.datetime(2027, 3, 12, 0, 0, tzinfo=datetime.UTC) + datetime.timedelta(hours=hour)
    end = start + datetime.timedelta(hours=hours, minutes=1)
    more = Reserved(name="more", start_utc=start, end_utc=end, telescopes=telescopes)
    free = unreserved(seed).limits
    taken = night_limits(with_reserved(scenario, more), free.sky, "as built")
    lost = free.telescope_allowed & ~taken.telescope_allowed
    assert not np.any(taken.telescope_allowed & ~free.telescope_allowed)
    others = [k for k, name in enumerate(free.placement.telescopes) if telescopes and name not in telescopes]
    assert not lost[:, :, others].any()


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(12))
def test_no_visit_and_no_work_overlaps_what_is_reserved_and_nothing_else_is_lost(seed):
    """Every block's starts counted again, every candidate held against every given time."""
    scenario = lit_scenario(seed, slot_s=1800)
    night = build(scenario)
    (mirror,) = [own for own in scenario.reserved if own.start_utc is not None]
    first, last = seconds(mirror.start_utc), seconds(mirror.end_utc) + mirror.ready_s
    for telescopes, start, end in visits_of(night):
        assert 0 not in telescopes or end <= first or start >= last
    slots, final = night.limits.sky.slots, len(night.limits.sky.times) - 1
    asked = {own.combiner for own in scenario.requests}
    wanted = {own.name: (own.duration_s, own.windows) for own in scenario.reserved if own.duration_s}
    for own in scenario.array.internal_calibrations:
        if own.when == "in the night" and (not own.combiners or asked & set(own.combiners)):
            wanted[own.name] = own.duration_s, ()
    blocks = {block.name: block for block in night.table.blocks}
    assert set(blocks) == set(wanted)
    for name, (duration_s, windows) in wanted.items():
        starts = []
        for slot in slots.tolist():
            begin, end = tick_s(night, slot), tick_s(night, slot + int(np.ceil(duration_s / TICK_S)))
            inside = not windows or any(
                seconds(w.start_utc) <= begin and end <= seconds(w.end_utc) for w in windows
            )
            # One telescope away does not disturb the laboratory source.
            lamp = name in {own.name for own in scenario.array.internal_calibrations}
            apart = lamp or end <= first or begin >= last
            if inside and end <= tick_s(night, final) and apart:
                starts.append(slot)
        assert blocks[name].start_tick.tolist() == starts


@pytest.mark.parametrize("seed", range(4))
def test_two_works_that_cannot_both_be_done_are_not_and_the_rest_is_planned_best(seed):
    # An hour's work and an hour's work in 90 minutes.
    hour = {"duration_s": 3600.0, "windows": (Window(start_utc=at(0), end_utc=at(90)),)}
    works = Reserved(name="one", **hour), Reserved(name="two", **hour)
    night, plan = planned(with_reserved(lit_scenario(seed, requests=2, slot_s=1800), *works))
    told = {own.name: own.start_utc for own in plan.reserved}
    assert (told["one"] is None) != (told["two"] is None)
    assert plan.solver.score == plan.solver.bound == sum(visit.value for visit in plan.visits)
    assert plan.solver.score == best_score(night)


def test_internal_calibrations_keep_out_of_time_reserved_for_the_whole_array():
    # The lamp (600 s) would end with the first set-up; everything from an hour before dusk to half an hour
    # into the night is reserved, so it ends when that begins. A mirror that is washed does not disturb it.
    night = build(lit_scenario(0, slot_s=1800))
    dusk = night.limits.sky.dark.start.to_datetime(timezone=datetime.UTC).replace(microsecond=0)
    around = {
        "start_utc": dusk - datetime.timedelta(hours=1),
        "end_utc": dusk + datetime.timedelta(minutes=30),
    }
    for telescopes, ends in (((), around["start_utc"]), (("T0",), None)):
        busy = Reserved(name="work", telescopes=telescopes, **around)
        _, plan = planned(with_reserved(lit_scenario(0, slot_s=1800), busy))
        lamp = next(own for own in plan.reserved if own.name == "lamp")
        told = datetime.datetime.fromisoformat(lamp.end_utc)
        assert told == ends if ends else told > around["start_utc"]
        assert audit_plan(plan).passed
