"""Lost time, fillers and the cost of a left-out request in words: by hand, and on the page."""

from __future__ import annotations

import functools
import re

import pytest
from invented import random_scenario
from nights import build
from pages import read_page

from planner.output.html import night_figures, render_report
from planner.output.robust_sheet import brief_told, forced_told, instead_told, lost_told, why_told
from planner.scheduling.assemble import night_plan
from planner.scheduling.cpsat import solve_night
from planner.scheduling.forced import forced_plans
from planner.scheduling.plan import Filler, Forced, LostTime
from planner.scheduling.reasons import ONLY_INSTEAD
from planner.scheduling.solved import SolvedNight


@functools.cache
def crowded():
    """A night that leaves requests out, asked about."""
    scenario = random_scenario(3, requests=24, telescopes=4, beams=3)
    once = tuple(own.model_copy(update={"visits": 1}) for own in scenario.requests)
    night = build(scenario.model_copy(update={"requests": once}))
    solution = solve_night(night.problem, 3.0)
    forced = forced_plans(night.problem, solution, range(24), 2.0)
    solved = SolvedNight(
        night.limits, night.offers, night.problem, night.table, night.families, solution, forced=forced
    )
    return night, night_plan(solved, scenario.night.configuration)


def left_out(**forced):
    plan = crowded()[1]
    outcome = next(own for own in plan.requests if own.forced is not None)
    values = {
        "score": 497,
        "cost": 12,
        "cost_least": 12,
        "start_utc": "2027-03-12T06:20:00Z",
        "displaced": (),
    }
    return outcome.model_copy(update={"forced": Forced(**(values | forced)), "reason": "no room"})


# By hand.


def test_a_proven_cost_is_told_with_what_it_displaces():
    own = left_out(displaced=("gam Crv", "eps Sco"))
    assert forced_told(own, 509) == "serving it would cost 12 of 509 (2.4 %) and displace gam Crv and eps Sco"
    assert why_told(own, 509).startswith("no room; serving it would cost 12")


def test_a_cost_that_is_not_proven_is_told_as_the_most_and_the_least():
    assert forced_told(left_out(cost_least=0), 509) == (
        "serving it would cost at most 12 of 509 (2.4 %) and displace nothing"
    )
    assert "between 5 and 12 of 509 (at most 2.4 %) and displace" in forced_told(left_out(cost_least=5), 509)


def test_what_costs_nothing_is_told_so_and_many_names_are_counted():
    own = left_out(cost=0, cost_least=0, displaced=("a", "b", "c", "d", "e"))
    assert forced_told(own, 509) == "serving it would cost nothing and displace a, b, c and 2 more"


def test_the_first_screen_tells_the_cost_where_there_is_a_choice_and_else_the_reason():
    reason = f"the visits considered could start at 9 times, {ONLY_INSTEAD}"
    in_the_way = left_out().model_copy(update={"reason": reason})
    assert brief_told(in_the_way, 509) == "serving it would cost 12 of 509 (2.4 %) and displace nothing"
    none = left_out().model_copy(update={"forced": None})
    assert brief_told(none, 509) == "no room"
    assert brief_told(none.model_copy(update={"reason": None}), 509) == "no reason was recorded"
    partly = {"visits_planned": 1, "visits_wanted": 3, "reason": "1 of 3 visits planned: no third one fits"}
    assert brief_told(none.model_copy(update=partly), 509) == "no third one fits"


def test_the_first_screen_keeps_a_reason_that_no_cost_replaces():
    spent = "the time of program P is spent: 0.09 h of 2.5 h are left, a visit takes 0.36 h"
    own = left_out().model_copy(update={"reason": spent})
    cost = "serving it would cost 12 of 509 (2.4 %) and displace nothing"
    assert brief_told(own, 509) == f"{spent}; {cost}"


def test_who_was_not_asked_about_is_told_the_reason_only():
    own = left_out().model_copy(update={"forced": None})
    assert forced_told(own, 509) == ""
    assert why_told(own, 509) == "no room"


@pytest.mark.parametrize(("minutes", "words"), [(30.0, "half hour"), (60.0, "hour"), (45.0, "45 min")])
def test_lost_time_is_one_sentence(minutes, words):
    plan = crowded()[1]
    lost = LostTime(probability=0.2, stretch_min=minutes, nights=10_000, score_mean=71.0, score_tenth=52)
    solver = plan.solver.model_copy(update={"score": 100})
    told = lost_told(plan.model_copy(update={"lost_time": lost, "solver": solver}))
    assert told == (
        f"With every {words} lost with probability 20 % the plan keeps 71 % of its score on average, and in "
        "nine nights of ten at least 52 %."
    )


def test_nothing_is_said_of_nights_in_which_nothing_is_lost():
    plan = crowded()[1]
    never = plan.lost_time.model_copy(update={"probability": 0.0})
    assert lost_told(plan.model_copy(update={"lost_time": never})) == ""
    assert lost_told(plan.model_copy(update={"lost_time": None})) == ""


def test_fillers_are_told_with_their_times_and_worth():
    times = {
        "subarray": ("East", "West"),
        "start_utc": "2027-03-12T04:55:00Z",
        "end_utc": "2027-03-12T05:18:00Z",
    }
    two = (Filler(target="ksi Hya", value=14, **times), Filler(target="gam Lib", value=9, **times))
    visit = crowded()[1].visits[0]
    assert instead_told(visit.model_copy(update={"fillers": two})) == (
        "Given up before its set-up, it leaves room for ksi Hya (04:55 to 05:18 with East–West, worth 14), "
        "or gam Lib (04:55 to 05:18 with East–West, worth 9).",
    )
    assert instead_told(visit.model_copy(update={"fillers": ()})) == (
        "Nothing else fits in its place with all others as planned.",
    )


# On the page.


def test_the_report_tells_all_of_it():
    night, plan = crowded()
    page = read_page(
        render_report(night.limits, night.offers, plan, night_figures(night.limits, night.offers, plan))
    )
    text = page.text()
    assert lost_told(plan)
    assert lost_told(plan) in text
    asked = [own for own in plan.requests if own.forced is not None]
    assert asked
    (table,) = page.all("section", id="requests")
    for own in asked:
        assert why_told(own, plan.solver.score) in table.text()
    filled = [visit for visit in plan.visits if visit.fillers]
    assert filled
    for visit in filled:
        (article,) = page.all("article", id=f"visit-{visit.id}")
        assert instead_told(visit)[0] in article.text()


def test_numbers_of_a_request_have_their_headings_on_a_narrow_screen():
    night, plan = crowded()
    page = render_report(night.limits, night.offers, plan, night_figures(night.limits, night.offers, plan))
    table = page[page.index('aria-label="Table of requests"') :]
    table = table[: table.index("</table>")]
    headings = re.findall(r"<th scope=\"col\" class=\"n\">([^<]*)</th>", table)
    rows = table[table.index("<tbody>") :].split("<tr")[1:]
    assert len(rows) == len(plan.requests)
    assert "possible starts" in headings
    assert all(re.findall(r'<td class="n" data-label="([^"]*)"', row) == headings for row in rows)
