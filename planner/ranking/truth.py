"""The truth for a subarray: the night plan that the scheduler makes with it alone, with its bound."""

from __future__ import annotations

import datetime
from collections.abc import Sequence

import numpy as np

from planner.constraints.tonight import night_limits
from planner.ranking.answers import Seat, Truth
from planner.ranking.seats import telescopes_for
from planner.scenario.array import Configuration
from planner.scenario.targets import Request, Scenario
from planner.scheduling.candidates import night_offers
from planner.scheduling.cpsat import solve_night
from planner.scheduling.problem import night_problem
from planner.scheduling.stopping import Stop, never
from planner.sky.night import NightSky, night_sky

NAME = "ranked"
# Deterministic units for each plan, or the scenario's own if that is less. The plan comes from local search,
# which spends none; the units bring the bound down.
EFFORT = 1.0


def with_subarray(scenario: Scenario, chosen: Sequence[Seat], asked: Sequence[int]) -> Scenario:
    """Return the scenario with a subarray configured and nothing else used.

    Fixed telescopes stay where they stand, as obstacles; movable ones that are
    not in the subarray are put away. Requests that want more beams than there
    are left are dropped; calibrators stay.
    """
    names = telescopes_for(scenario.array, chosen, scenario.night.configuration)
    placement = {
        name: seat.station for name, seat in zip(names, chosen, strict=True) if seat.telescope is None
    }
    array = scenario.array.model_copy(
        update={"configurations": (Configuration(name=NAME, placement=placement),)}
    )
    return scenario.model_copy(
        update={
            "array": array,
            "night": scenario.night.model_copy(update={"configuration": NAME}),
            "requests": tuple(_restricted(scenario.requests[row], names) for row in asked),
            "effort": scenario.effort.model_copy(
                update={"deterministic": min(EFFORT, scenario.effort.deterministic)}
            ),
        }
    )


def _restricted(wish: Request, names: Sequence[str]) -> Request:
    """Keep a request to the subarray's telescopes, and to those among them that it asks for."""
    wanted = wish.extras.telescopes
    both = tuple(name for name in names if not wanted or name in wanted)
    # One telescope alone makes no subarray: a request whose telescopes are elsewhere is met by none.
    extras = wish.extras.model_copy(update={"telescopes": both or (names[0],)})
    return wish.model_copy(update={"extras": extras})


def skies(scenario: Scenario, nights: Sequence[datetime.date], asked: Sequence[int]) -> list[NightSky]:
    """Compute the sky of each night once, for the requests asked about and all calibrators."""
    stars = [scenario.requests[row].star for row in asked] + list(scenario.calibrators)
    return [night_sky(scenario, date, stars) for date in nights]


def truth_of(
    scenario: Scenario,
    chosen: Sequence[Seat],
    asked: Sequence[int],
    nights: Sequence[tuple[datetime.date, NightSky]],
    stop: Stop = never,
) -> tuple[Truth, np.ndarray]:
    """Plan every night with a subarray alone; when it has to stop, some of them, and not to the end.

    Returns
    -------
    truth : Truth
    by_request : ndarray (request,)
        What the visits of each request are worth in the plans, the mean over the nights.
    """
    restricted = with_subarray(scenario, chosen, asked)
    told = []
    by_request = np.zeros(len(asked))
    for date, sky in nights:
        if stop():
            break
        limits = night_limits(restricted, sky, NAME)
        problem, _, _ = night_problem(limits, night_offers(limits))
        solution = solve_night(problem, restricted.effort.deterministic, stop=stop)
        for request, worth in problem.worth_of(solution.chosen).items():
            if request < len(asked):  # the others are time that is not for stars
                by_request[request] += worth / len(nights)
        told.append((date, solution.score, solution.bound, len(solution.chosen)))
    return Truth(tuple(told)), by_request
