"""Our night planner as a scheduler of astroplan: blocks in, a schedule out, judged by astroplan itself."""

from __future__ import annotations

import copy
import itertools
import socket
from pathlib import Path

import astroplan
import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import SkyCoord
from astropy.time import Time, TimeDelta
from hypothesis import given
from hypothesis import strategies as st
from invented import DATE, random_scenario
from skies import utc

from planner.commands import plan_night
from planner.interop.astroplan import fixed_target_of, interferometer_constraints, observer_of
from planner.interop.astroplan_blocks import weights_of
from planner.interop.astroplan_scheduler import InterferometerScheduler
from planner.scenario.night import RequestExtras, Reserved, Window
from planner.scenario.reading import read_scenario
from planner.scenario.targets import Observation
from planner.sky.earth import offline_earth
from planner.sky.night import utc_text

pytestmark = pytest.mark.slow

TINY = read_scenario(Path(__file__).resolve().parent.parent / "scenarios" / "tiny")
HERE = observer_of(TINY.array.site)
EQUATOR, SOUTH = (fixed_target_of(request.star) for request in TINY.requests)
NOT_ASKED = 7 * u.min  # our blocks last as long as their visits


@pytest.fixture(autouse=True)
def _no_network(monkeypatch):
    monkeypatch.setattr(socket, "getaddrinfo", None)  # whoever looks a host up fails
    with offline_earth():
        yield


def span(start, end):
    """A schedule in the night of ``scenarios/tiny``, from and to such a time: '22:00'."""
    day = {True: "2027-03-08", False: "2027-03-09"}
    return astroplan.Schedule(*(utc(f"{day[t > '12']}T{t}")[0] for t in (start, end)))


def block(target, priority=1, constraints=None, name=None, **configuration):
    return astroplan.ObservingBlock(target, NOT_ASKED, priority, configuration, constraints, name)


def scheduler(constraints=None, scenario=TINY, **given_as):
    observer = given_as.pop("observer", observer_of(scenario.array.site))
    return InterferometerScheduler(constraints, observer, scenario=scenario, **given_as)


def shown(schedule):
    """What a schedule says, in plain values."""
    return [tuple(map(str, row)) for row in schedule.to_table(show_unused=True)]


# By hand: scenarios/tiny, whose numbers stand in its files.


def test_an_airmass_limit_opens_the_hours_that_paper_gives():
    # "equator" is on the meridian at 00:00 UTC, sin a = 0.86603 cos H without air. Airmass 1.25 is
    # sin a = 0.8, cos H = 0.92376, H = 22.521 deg: 1 h 30 min 05 s sidereal, 1 h 29 min 50 s solar time.
    own = scheduler([astroplan.AirmassConstraint(1.25)])
    found = own([block(EQUATOR)], span("18:00", "06:00"))
    (window,) = own.plan.scenario.requests[0].extras.windows
    assert window == Window(start_utc="2027-03-08T22:30:30Z", end_utc="2027-03-09T01:29:30Z")
    (visit,) = found.observing_blocks
    assert visit.start_time >= utc("2027-03-08T22:30:10")[0]
    assert visit.end_time <= utc("2027-03-09T01:29:50")[0]
    # 300 s and 300 s of calibrators, 600 s of science, two set-ups of 60 s and moves of 4 deg at 1 deg/s.
    assert 1320 < visit.duration.to_value("s") < 1440


def test_the_first_set_up_lies_inside_the_schedule_too():
    # A visit to "equator" takes 23 min and is captured in 60 s; visits start on multiples of 5 min.
    (only,) = scheduler()([block(EQUATOR)], span("23:00", "23:28")).observing_blocks
    assert (only.start_time.iso, only.end_time.iso) == ("2027-03-08 23:05:00.000", "2027-03-08 23:28:00.000")
    (early,) = scheduler()([block(EQUATOR)], span("22:59", "23:27")).observing_blocks
    assert early.start_time.iso == "2027-03-08 23:00:00.000"
    for start, end in (("23:00", "23:27:30"), ("22:59:30", "23:22:30")):
        none = scheduler()
        assert none([block(EQUATOR)], span(start, end)).observing_blocks == []
        assert set(none.left_out) == {"equator"}


def test_a_set_up_is_named_by_what_takes_its_time():
    # array.toml: 1 deg in 1 s, 1 m of light in 1 s, nothing to settle; acquisition 30 s, fringe search 30 s.
    own = scheduler()
    found = own([block(EQUATOR), block(SOUTH, 2)], span("18:00", "06:00"))
    first, before, second, after = found.scheduled_blocks
    assert first.components == {"acquisition": 30 * u.s, "fringe_search": 30 * u.s}
    ends, starts = own.plan.visits[0].steps[-1].beams, own.plan.visits[1].steps[0].beams
    turned = [abs(starts[0].azimuth_start_deg - ends[0].azimuth_end_deg)]
    turned.append(abs(starts[0].altitude_start_deg - ends[0].altitude_end_deg))
    run = [abs(new.delay_start_m - old.delay_end_m) for new, old in zip(starts, ends, strict=True)]
    moves = {"slew_time": max(turned), "delay_line": max(run)}
    slowest = max(moves, key=moves.get)
    parts = {k: v.to_value("s") for k, v in second.components.items()}
    assert parts.pop(slowest) == pytest.approx(moves[slowest], abs=1e-5)
    assert (parts.pop("acquisition"), parts.pop("fringe_search")) == (30.0, 30.0)
    assert 0 <= parts.pop("wait", 0.0) < TINY.night.tick_s
    assert parts == {}
    assert abs((second.end_time - after.start_time).to_value("s")) < 1e-6
    assert second.start_time >= before.end_time


def test_blocks_that_ask_for_the_same_are_visits_of_one_request():
    own = scheduler()
    late = [astroplan.TimeConstraint(min=utc("2027-03-09T01:00")[0])]
    blocks = [block(SOUTH, name="a"), block(SOUTH, name="b"), block(SOUTH, 2, late, name="c"), block(EQUATOR)]
    found = own(blocks, span("18:00", "06:00"))
    wanted = {r.name: (r.visits, r.priority) for r in own.plan.scenario.requests}
    assert wanted == {"south": (2, 2), "south [2]": (1, 1), "equator": (1, 2)}
    names = [one.name for one in found.observing_blocks if one.target is SOUTH]
    assert sorted(names) == ["a", "b", "c"]
    assert names.index("a") < names.index("b")
    (third,) = (one for one in found.observing_blocks if one.name == "c")
    assert third.start_time > late[0].min


def test_what_earlier_nights_observed_counts_for_every_request_of_a_target():
    told = {"target": "equator", "combiner": "pair", "stations": ("west", "east")}
    evening = Observation(**told, start_utc="2027-03-07T22:05:00Z", end_utc="2027-03-08T02:00:00Z")
    own = scheduler(scenario=TINY.model_copy(update={"history": (evening,)}))
    early = [astroplan.TimeConstraint(max=utc("2027-03-09T00:00")[0])]
    assert own([block(EQUATOR, 1), block(EQUATOR, 2, early)], span("18:00", "06:00")).observing_blocks == []
    assert set(own.left_out) == {"equator", "equator [2]"}
    assert all("earlier observations have filled every cell" in why for why in own.left_out.values())


def test_time_reserved_for_the_whole_array_stands_in_the_schedule():
    taken = Reserved(name="alignment", start_utc="2027-03-08T22:00:00Z", end_utc="2027-03-09T00:30:00Z")
    own = scheduler(scenario=TINY.model_copy(update={"reserved": (taken,)}))
    found = own([block(EQUATOR)], span("21:00", "06:00"))
    reserved, *_, visit = found.scheduled_blocks
    assert list(reserved.components) == ["alignment"]
    assert abs((reserved.start_time - utc("2027-03-08T22:00")[0]).to_value("s")) < 1e-6
    assert abs((reserved.end_time - utc("2027-03-09T00:30")[0]).to_value("s")) < 1e-6
    assert visit.start_time > reserved.end_time


# What is said of a block that is not placed, and what is refused.


def test_every_block_left_out_has_a_reason():
    own = scheduler()
    early = astroplan.TimeConstraint(max=utc("2027-03-08T21:00")[0])
    faint = astroplan.FixedTarget(EQUATOR.coord, name="faint")
    blocks = [
        block(EQUATOR),
        block(SOUTH, name="low", constraints=[astroplan.AirmassConstraint(1.1)]),
        block(EQUATOR, name="apart", constraints=[astroplan.AirmassConstraint(1.25), early]),
        block(faint, combiner="pair", field_mas=0.04 * u.arcsec, mag={"K": 5.5}),
        block(EQUATOR, name="short", constraints=[astroplan.AirmassConstraint(1.156)]),
    ]
    found = own(blocks, span("18:00", "06:00"))
    assert [one.target.name for one in found.observing_blocks] == ["equator"]
    dark = r"between 2027-03-08T19:47:00Z and 2027-03-09T04:35:00Z"
    assert own.left_out == {
        "low": f"never kept {dark}: AirmassConstraint",
        "apart": f"never kept at once {dark}: AirmassConstraint, TimeConstraint",
        "faint": "limiting magnitude: K = 5.50 is 0.50 mag too faint for pair",
        "short": "no whole visit fits into its absolute window with a calibrator before and after",
    }
    # Airmass 1.156: cos H = 0.99888, 11 min on either side of the meridian are too short for 23 min.


ELSEWHERE = astroplan.FixedTarget(SkyCoord(100 * u.deg, 0 * u.deg), name="equator")
STRANGE = astroplan.FixedTarget(SkyCoord(166 * u.deg, 0 * u.deg), name="strange")
FAR = astroplan.Observer(longitude=1 * u.deg, latitude=-30 * u.deg)
SLEWS = astroplan.Transitioner(slew_rate=1 * u.deg / u.s)


@pytest.mark.parametrize(
    ("made", "asked", "told"),
    [
        ({"transitioner": SLEWS}, block(EQUATOR), "Set-ups take what the scenario's array says"),
        ({"time_resolution": 20 * u.s}, block(EQUATOR), "multiples of the scenario's tick_s of 30 s"),
        ({"gap_time": 5 * u.min}, block(EQUATOR), r"A set-up of this array can take \d+\.\d min"),
        ({"observer": FAR}, block(EQUATOR), "The observer is 96 km from 'Round Numbers'"),
        ({}, block(EQUATOR, np.nan), "The priority nan is not a number"),
        ({}, block(ELSEWHERE), r"points 66.1 deg away from the scenario's star"),
        ({}, block(STRANGE), "The block of 'strange' has no combiner"),
        ({}, block(STRANGE, combiner="pair"), "The block of 'strange' has no field_mas"),
        ({}, block(STRANGE, combiner="pair", field_mas=9.0), "has no magnitude in K, in which 'pair' works"),
        ({}, block(EQUATOR, combiner="pear"), "names the combiner 'pear'.*Did you mean 'pair'"),
        ({}, block(EQUATOR, spectral_setup="fine"), "spectral setup 'fine', which 'pair' does not have"),
        ({}, block(EQUATOR, telescopes=["Left", "Rihgt"]), "names the telescope 'Rihgt'.*mean 'Right'"),
        ({}, block(EQUATOR, feild_mas=9.0), "has the key 'feild_mas'.*Did you mean 'field_mas'"),
        ({}, block(EQUATOR, field_mas=-9.0), "The configuration of the block of 'equator' cannot be used"),
        ({}, block(EQUATOR, diameter_mas=1 * u.m), "The configuration of the block of 'equator' cannot be"),
    ],
)
def test_what_cannot_be_honoured_is_refused_in_words(made, asked, told):
    empty = span("18:00", "06:00")
    with pytest.raises(ValueError, match=told):
        scheduler(**made)([asked], empty)
    assert empty.scheduled_blocks == []


@pytest.mark.parametrize(
    ("start", "end", "told"),
    [
        ("2027-03-08T09:00", "2027-03-08T16:00", "The Sun is up from 2027-03-08T09:00:00Z"),
        ("2027-03-08T18:00", "2027-03-09T23:00", "more nights than one .2027-03-08 and 2027-03-09"),
        ("2027-03-08T18:00", "2027-05-09T23:00", "more nights than one"),
        ("2027-03-09T04:00", "2027-03-08T23:00", "ends before it starts"),
        ("2081-03-08T18:00", "2081-03-09T03:00", "Choose dates from 1990-01-01"),
    ],
)
def test_a_schedule_lies_in_one_night(start, end, told):
    with pytest.raises(ValueError, match=told):
        scheduler()([block(EQUATOR)], astroplan.Schedule(utc(start)[0], utc(end)[0]))


def test_a_schedule_that_holds_blocks_already_is_refused():
    taken = span("18:00", "06:00")
    taken.insert_slot(taken.start_time, astroplan.TransitionBlock({"somebody": 1 * u.h}))
    with pytest.raises(ValueError, match="already holds blocks"):
        scheduler()([block(EQUATOR)], taken)


# Against the outside: astroplan 0.10.1 judges, and its own scheduler does the same night.


def wild(seed, requests=4):
    """A random night, its blocks and constraints of every kind, the caller's things as they were."""
    scenario = random_scenario(seed, requests=requests)
    start = utc("2027-03-12T00:00:00")[0]
    limits = [
        [astroplan.TimeConstraint(start + 1.3 * u.h, start + 7.01 * u.h)],
        [astroplan.MoonSeparationConstraint(min=20 * u.deg), astroplan.AltitudeConstraint(min=40 * u.deg)],
        None,
        [astroplan.AirmassConstraint(1.6, boolean_constraint=False)],
    ]
    blocks = [
        block(target, rank, limits[rank % 4])
        for rank, request in enumerate(scenario.requests)
        for target in [fixed_target_of(request.star)] * request.visits
    ]
    common = [astroplan.AirmassConstraint(1.9), astroplan.AtNightConstraint.twilight_astronomical()]
    return scenario, blocks, common


def night_of(scenario):
    """A schedule from before dusk to after dawn of the night of DATE at the invented site."""
    return astroplan.Schedule(utc(f"{DATE}T20:00:00")[0], utc("2027-03-12T12:00:00")[0])


# astropy says so whenever astroplan measures an angle to the Moon.
@pytest.mark.filterwarnings("ignore:transforming other coordinates")
@pytest.mark.parametrize("seed", range(2))
def test_blocks_keep_their_constraints_as_astroplan_judges_them_and_do_not_overlap(seed):
    scenario, blocks, common = wild(seed)
    before = [copy.copy(vars(one)) for one in blocks]
    lists = [copy.copy(one.constraints) for one in blocks]
    observer = astroplan.Observer(observer_of(scenario.array.site).location)
    seen, asked = set(vars(observer)), night_of(scenario)
    own = scheduler(common, scenario, observer=observer)
    found = own(blocks, asked)
    assert found is asked is own.schedule
    assert len(found.observing_blocks) >= 2
    for placed in found.observing_blocks:
        length = placed.duration.to_value("s")
        ticks = placed.start_time + TimeDelta(np.arange(0.0, length + 1, 30.0), format="sec")
        assert abs((ticks[-1] - placed.end_time).to_value("s")) < 1e-6
        assert set(placed.constraints) >= set(common)
        for limit in placed.constraints:
            fresh = astroplan.Observer(observer.location)
            assert np.all(limit(fresh, placed.target, times=ticks) > 0), limit
    taken = found.scheduled_blocks
    for one, other in itertools.pairwise(taken):
        assert (other.start_time - one.end_time).to_value("s") > -1e-6
    assert taken[0].start_time >= asked.start_time
    assert taken[-1].end_time <= asked.end_time
    for one, other in itertools.pairwise(found.slots):
        assert abs((other.start - one.end).to_value("s")) < 1e-6
    assert own.plan.audit.passed
    assert len(found.observing_blocks) == len(own.plan.visits)
    # Nothing of the caller's has changed, and the same again gives the same.
    assert [vars(one) for one in blocks] == before
    assert [one.constraints for one in blocks] == lists
    assert (len(common), set(vars(observer))) == (2, seen)
    assert shown(own(blocks, night_of(scenario))) == shown(found)


def test_a_second_star_at_the_same_right_ascension_is_judged_on_its_own():
    # astroplan 0.10.1 remembers altitudes by time and right ascension; the limit leaves the first star alone.
    low = astroplan.FixedTarget(SkyCoord(EQUATOR.coord.ra, 40 * u.deg), name="low")
    plain = astroplan.Observer(HERE.location)
    limit = astroplan.AltitudeConstraint(min=35 * u.deg)
    limit(plain, EQUATOR, times=utc("2027-03-09T00:00"))  # from now on the observer remembers
    own = scheduler([limit], observer=plain)
    own([block(EQUATOR), block(low, combiner="pair", field_mas=40, mag={"K": 2.0})], span("18:00", "06:00"))
    # The northern star rises to 90 - 30 - 40 = 20 deg.
    assert "AltitudeConstraint" in own.left_out["low"]
    assert "equator" not in own.left_out


def test_our_own_limits_choose_the_subarray():
    scenario = random_scenario(5)
    names = ("T0", "T2")
    limits = interferometer_constraints(scenario.array, "as built", names)
    own, blocks = scheduler(limits, scenario), [block(fixed_target_of(r.star)) for r in scenario.requests]
    found = own(blocks, night_of(scenario))
    assert {request.extras.telescopes for request in own.plan.scenario.requests} == {names}
    assert {visit.subarray for visit in own.plan.visits} == {names}
    assert len(found.observing_blocks) > 0
    # With delay lines named, the limit is judged like astroplan's: it holds at every tick of the visit.
    lined = interferometer_constraints(scenario.array, "as built", names, delay_lines=("D0", "D1"))[2]
    for placed in scheduler([lined], scenario)(blocks, night_of(scenario)).observing_blocks:
        steps = np.arange(0.0, placed.duration.to_value("s"), 30.0)
        ticks = placed.start_time + TimeDelta(steps, format="sec")
        assert (lined.margin(ticks, placed.target) >= 0).all()
    with pytest.raises(ValueError, match="have 1 telescopes in common"):
        own([block(fixed_target_of(scenario.requests[0].star), telescopes=["T0", "T1"])], night_of(scenario))


def test_the_schedule_is_the_plan_of_the_equivalent_scenario():
    scenario = random_scenario(3)
    window = Window(start_utc="2027-03-12T01:10:10Z", end_utc="2027-03-12T06:59:50Z")
    wishes = []
    for rank, request in enumerate(scenario.requests):
        extras = RequestExtras(target=request.name, windows=(window,) if rank == 1 else ())
        wishes.append(request.model_copy(update={"priority": 4 - rank, "extras": extras}))
    equivalent = scenario.model_copy(update={"requests": tuple(wishes)})
    expected = plan_night(equivalent).plan
    limit = astroplan.TimeConstraint(Time(window.start_utc), Time(window.end_utc))
    blocks = [
        block(fixed_target_of(request.star), 0.5 + rank**2, [limit] if rank == 1 else None)
        for rank, request in enumerate(scenario.requests)
        for _ in range(request.visits)
    ]
    own = scheduler(None, scenario)
    found = own(blocks, night_of(scenario))
    assert (own.plan.solver.score, own.plan.solver.bound) == (expected.solver.score, expected.solver.bound)
    assert [one.target.name for one in found.observing_blocks] == [v.target for v in expected.visits]
    times = [(utc_text(one.start_time), utc_text(one.end_time)) for one in found.observing_blocks]
    assert times == [(v.steps[0].start_utc, v.steps[-1].end_utc) for v in expected.visits]
    assert len(times) >= 3


def test_on_the_same_blocks_priority_scheduler_never_fills_more():
    # astroplan 0.10.1's PriorityScheduler knows nothing of calibrators and carriages. Its blocks get the
    # length of our longest visit and the grid of our starts; what it fills is counted over those of its
    # placements that the array can make, one visit of ours for each, the best set of them.
    scenario = random_scenario(11, requests=5)
    common = [astroplan.AtNightConstraint.twilight_astronomical(), astroplan.AirmassConstraint(1.8)]
    own = scheduler(common, scenario)
    blocks = [block(fixed_target_of(r.star), rank) for rank, r in enumerate(scenario.requests)]
    ours = own(blocks, night_of(scenario))
    solved = own.solved
    problem, names = solved.problem, [r.name for r in solved.limits.scenario.requests]
    length = max(one.duration for one in ours.observing_blocks)
    whole = np.ceil((length / (5 * u.min)).to_value(u.one)) * 5 * u.min
    theirs = astroplan.PriorityScheduler(
        list(common),
        observer_of(scenario.array.site),
        astroplan.Transitioner(slew_rate=1 * u.deg / u.s),
        time_resolution=5 * u.min,
    )([astroplan.ObservingBlock(b.target, whole, b.priority) for b in blocks], night_of(scenario))
    placed = theirs.observing_blocks
    slots = solved.limits.sky.times[solved.limits.sky.slots]
    choices = []
    for one in placed:
        slot = int(np.argmin(np.abs((slots - one.start_time).to_value("s"))))
        mine = (problem.request == names.index(one.target.name)) & (problem.start == slot)
        choices.append([None, *np.flatnonzero(mine).tolist()])
    best = max(
        problem.score(chosen)
        for every in itertools.product(*choices)
        if problem.possible(chosen := [c for c in every if c is not None])
    )
    assert len(placed) == 5
    assert 0 < best <= own.plan.solver.score


# Laws.


@given(st.lists(st.one_of(st.integers(-5, 5), st.floats(-1e3, 1e3)), min_size=1, max_size=30))
def test_a_lower_priority_number_weighs_more(priorities):
    weights = weights_of(priorities)
    for (one, own), (other, theirs) in itertools.product(zip(priorities, weights, strict=True), repeat=2):
        assert (own > theirs) == (one < other)
    assert min(weights) == 1
    assert max(weights) == len(set(priorities))


def test_more_than_a_thousand_priorities_are_squeezed_into_the_weights():
    weights = weights_of(range(3000))
    assert (weights[0], weights[-1]) == (1000, 1)
    assert list(weights) == sorted(weights, reverse=True)
