"""From a scenario to chosen visits, floor by floor."""

from __future__ import annotations

import math
from collections.abc import Callable

from planner.constraints.tonight import night_limits
from planner.scenario.targets import Scenario
from planner.scheduling.calmer import calmer
from planner.scheduling.candidates import night_offers
from planner.scheduling.cpsat import solve_night
from planner.scheduling.early import put_early
from planner.scheduling.forced import better_of, forced_plans
from planner.scheduling.problem import night_problem
from planner.scheduling.solved import SolvedNight
from planner.scheduling.stopping import stopping
from planner.sky.night import night_sky


def solved_night(
    scenario: Scenario,
    say: Callable[[str], None],
    seconds: float | None = None,
    keep: Callable[[SolvedNight], None] | None = None,
) -> SolvedNight:
    """Compute the sky, work out the visits that are possible, and choose.

    Parameters
    ----------
    scenario : Scenario
        For its own date and configuration.
    say : callable
        Called with a sentence when something long begins.
    seconds : float, optional
        Choose for so long, not by the scenario's effort.
    keep : callable, optional
        Called with the night as soon as its visits are chosen, before questions about them are asked.

    Raises
    ------
    NoNight
        When the Sun does not go below the limit.
    """
    say("Computing where every star is")
    sky = night_sky(scenario, scenario.night.date)
    limits = night_limits(scenario, sky, scenario.night.configuration)
    say("Working out the visits that are possible")
    offers = night_offers(limits)
    problem, table, families = night_problem(limits, offers)
    choosing = f"Choosing among {len(problem)} candidate visits"
    say(choosing)
    effort = scenario.effort.deterministic if seconds is None else math.inf
    with stopping(seconds) as stop:
        solution = solve_night(
            problem, effort, lambda score, bound: say(f"{choosing}: score {score}, bound {bound}"), stop
        )
        if keep is not None:
            keep(SolvedNight(limits, offers, problem, table, families, solution, seconds))
        if scenario.plan.irreplaceable_early:
            say("Putting early what could not be tried again")
            solution = put_early(problem, solution, scenario.night.slot_s, scenario.plan.early_cost_max, stop)
        say("Asking what it would cost to serve what is left out")
        order = sorted(range(len(offers)), key=lambda r: (-scenario.requests[r].priority, r))
        forced = forced_plans(problem, solution, order, scenario.plan.forced_effort, stop)
    if not scenario.plan.irreplaceable_early:
        solution, forced = better_of(problem, solution, forced)
    solved = SolvedNight(limits, offers, problem, table, families, solution, seconds, forced=forced)
    if scenario.plan.least_travel:
        say("Making the plan calmer: the same worth with less movement")
        solved = calmer(solved)
    say("Writing the plan down and auditing it")
    return solved
