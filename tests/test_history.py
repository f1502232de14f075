"""What earlier nights have filled: counted on paper and by astropy."""

from __future__ import annotations

import datetime
import functools

import pytest
from earlier import EVENING, astropy_cells, cells_before, earlier_rows, observed, with_history
from handmade import changed
from hypothesis import given, settings
from hypothesis import strategies as st
from invented import combiner, random_scenario, request
from nights import planned
from paper_night import paper_scenario, star_of_date

from planner.scenario.night import RequestExtras
from planner.scheduling.audit import audit_plan
from planner.scheduling.exclusions import undominated
from planner.units import RAD_PER_MAS

# By hand.


def paper(dec_deg):
    """60 m east-west, one channel of 2 um, cells of 10 m: W = 2e-6 m / 10 m = 2e-7 rad."""
    scenario = paper_scenario(star_of_date(dec_deg))
    light = combiner(2, wavelengths_um=(2.0,), name="one channel")
    wish = request(scenario.requests[0].star, light.name, field_mas=2e-7 / RAD_PER_MAS)
    array = scenario.array.model_copy(update={"combiners": (light,)})
    return scenario.model_copy(update={"array": array, "requests": (wish,)})


def test_an_hour_on_one_baseline_fills_the_cells_that_paper_says():
    # East-west baseline of 60 m: u = 60 m cos H, v = 60 m sin d sin H (Thompson, Moran & Swenson 2017).
    # The star passes the meridian at 0 h UTC, so 2 h to 3 h UTC are H = 30 to 45 deg.
    # d = 0: u from 52.0 m (cell 5, 45 to 55 m) to 42.4 m (cell 4), v = 0.
    row = observed("on paper", "one channel", ("west", "east"), 2.0, 1.0)
    assert cells_before(with_history(paper(0.0), row)) == {(5, 0), (4, 0)}
    # d = -60: v = -52.0 sin H from -26.0 m (cell -3) to -36.7 m (cell -4); u leaves cell 5 at cos H = 0.75,
    # H = 41.4 deg, v leaves cell -3 at sin H = 0.674, H = 42.3 deg: so (5,-3), (4,-3), (4,-4), folded.
    assert cells_before(with_history(paper(-60.0), row)) == {(-5, 3), (-4, 3), (-4, 4)}


def test_the_same_hour_two_months_before_lies_elsewhere_on_the_track():
    # 60 days are 60 * 3.943 min = 3.94 h of sidereal time less: 2 h to 3 h UTC are H = -1.94 to -0.94 h then,
    # -29.1 to -14.1 deg: u from 52.4 m to 58.2 m, cells 5 and 6.
    row = observed("on paper", "one channel", ("west", "east"), 2.0, 1.0, days=-60)
    assert cells_before(with_history(paper(0.0), row)) == {(5, 0), (6, 0)}


def test_a_minute_is_sampled_at_its_start_and_its_end():
    # At H = 0, u = 60 m is the middle of cell 6: a minute moves it by 0.6 mm.
    row = observed("on paper", "one channel", ("west", "east"), 0.0, 1.0 / 60.0)
    assert cells_before(with_history(paper(0.0), row)) == {(6, 0)}


def test_another_target_or_combiner_fills_nothing_of_this_request():
    scenario = paper(0.0)
    other = combiner(2, wavelengths_um=(2.0,), name="the other")
    array = scenario.array.model_copy(update={"combiners": (*scenario.array.combiners, other)})
    scenario = scenario.model_copy(update={"array": array})
    rows = (
        observed("on paper", "the other", ("west", "east"), 2.0, 1.0),
        observed("somebody else", "one channel", ("west", "east"), 2.0, 1.0),
    )
    assert cells_before(with_history(scenario, *rows)) == set()
    assert cells_before(scenario) == set()


def test_a_request_with_nothing_left_is_told_so_and_gets_no_visit():
    # d = 0 is in reach for H = -30 to 30 deg at most: u = 52 to 60 m, cells 5 and 6, which 8 hours around
    # the meridian fill, those of u below 45 m as well.
    row = observed("on paper", "one channel", ("west", "east"), -4.0, 8.0, days=-1)
    night, plan = planned(with_history(paper(0.0), row))
    [outcome] = plan.requests
    assert outcome.reason == "earlier observations have filled every cell that it can reach tonight"
    assert (outcome.visits_planned, outcome.cells_filled, outcome.cells_reachable) == (0, 0, 0)
    # H = -60 to 60 deg and back: u = 30 to 60 m, cells 3 to 6, whatever is in reach tonight.
    assert outcome.cells_filled_before == 4
    assert outcome.feasible_starts > 0
    assert (plan.solver.score, plan.solver.bound, plan.solver.made_by) == (0, 0, "nothing to plan")
    assert len(undominated(night.problem)) == 0
    assert planned(paper(0.0))[1].requests[0].cells_filled > 0
    assert audit_plan(plan).passed


def test_visits_that_fill_the_rest_are_told_to_do_so_with_earlier_nights():
    # Cell 5 lies on both sides of the meridian: an hour from 2 h UTC fills it, and cell 6 is left.
    row = observed("on paper", "one channel", ("west", "east"), 2.0, 1.0)
    scenario = with_history(paper(0.0), row)
    wish = scenario.requests[0].model_copy(update={"visits": 2})
    [outcome] = planned(scenario.model_copy(update={"requests": (wish,)}))[1].requests
    assert (
        outcome.reason
        == "1 of 2 visits planned: with earlier observations they fill every cell that it can reach tonight"
    )


def test_starts_whose_cells_are_all_filled_are_told_apart_from_time_worth_more_elsewhere():
    # Calibrators are where the star is; only starts near H = 0 are allowed, and these fill cell 6 alone,
    # while cell 5 is still in reach of the science star.
    row = observed("on paper", "one channel", ("west", "east"), -0.25, 0.5, days=-1)
    scenario = with_history(paper(0.0), row)
    window = {
        "start_utc": EVENING - datetime.timedelta(minutes=32),
        "end_utc": EVENING + datetime.timedelta(minutes=32),
    }
    extras = RequestExtras.model_validate({"target": "on paper", "windows": (window,)})
    wish = scenario.requests[0].model_copy(update={"extras": extras})
    [outcome] = planned(scenario.model_copy(update={"requests": (wish,)}))[1].requests
    assert outcome.feasible_starts > 0
    assert outcome.visits_planned == 0
    assert "earlier observations have filled every cell" in outcome.reason


# The outside.


@pytest.mark.parametrize("seed", range(4))
def test_cells_are_those_of_astropys_station_places(seed):
    # EarthLocation.get_gcrs_posvel and SkyCoord.apply_space_motion, as in test_geometry: u and v agree to
    # 1e-6 mm there, so every sample falls into the same cell.
    scenario = random_scenario(seed, telescopes=5, beams=3)
    motion = {"pmra_mas_per_yr": -3700.0, "pmdec_mas_per_yr": 1500.0}
    scenario = changed(scenario, "requests.0.star", lambda own: own.model_copy(update=motion))
    scenario = with_history(scenario, *earlier_rows(scenario, seed))
    for number in range(len(scenario.requests)):
        assert cells_before(scenario, number) == astropy_cells(scenario, number)
    assert cells_before(scenario)


# Laws.


@functools.cache
def small(seed=1):
    return random_scenario(seed, requests=2, telescopes=3)


hours = st.integers(0, 500).map(lambda half_minutes: half_minutes / 120.0)
rows_of = st.lists(
    st.builds(
        observed,
        st.just("target 0"),
        st.just("combiner of 2"),
        st.permutations(["P0", "P1", "P2"]).map(lambda names: names[:2]),
        hours,
        st.integers(1, 200).map(lambda half_minutes: half_minutes / 120.0),
        st.integers(-400, 400),
    ),
    min_size=1,
    max_size=4,
)


@settings(max_examples=25, deadline=None)
@given(rows_of)
def test_a_history_fills_what_its_rows_fill_one_by_one_in_any_order(rows):
    together = cells_before(with_history(small(), *rows))
    assert together == set().union(*(cells_before(with_history(small(), row)) for row in rows))
    assert together == cells_before(with_history(small(), *reversed(rows)))


@settings(max_examples=25, deadline=None)
@given(rows_of)
def test_stations_in_another_order_fill_the_same_cells(rows):
    turned = [row.model_copy(update={"stations": row.stations[::-1]}) for row in rows]
    assert cells_before(with_history(small(), *rows)) == cells_before(with_history(small(), *turned))


@settings(max_examples=25, deadline=None)
@given(rows_of)
def test_an_observation_cut_in_two_at_a_tick_fills_the_same_cells(rows):
    tick = datetime.timedelta(seconds=small().night.tick_s)
    cut = []
    for row in rows:
        middle = row.start_utc + tick * ((row.end_utc - row.start_utc) // tick // 2)
        if middle > row.start_utc:
            cut += [row.model_copy(update={"end_utc": middle}), row.model_copy(update={"start_utc": middle})]
        else:
            cut.append(row)
    # The place of the star is taken at the middle of each row: the same for a star that does not move.
    assert cells_before(with_history(small(), *rows)) == cells_before(with_history(small(), *cut))
