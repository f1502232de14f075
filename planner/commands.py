"""One function for each command: from a scenario to a plan and its report. Start reading here.

Each function takes data and returns data; the command line (``planner.cli``)
only turns arguments into calls and results into text and exit codes.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from planner.constraints.tonight import night_limits
from planner.errors import InputProblems, Problem, nearest
from planner.output.folder import write_plan_folder
from planner.scenario.night import FIRST_DATE, LAST_DATE
from planner.scenario.reading import read_scenario
from planner.scenario.targets import Scenario
from planner.scheduling.assemble import SolvedNight, night_plan
from planner.scheduling.audit import audit_plan
from planner.scheduling.candidates import night_offers
from planner.scheduling.cpsat import solve_night
from planner.scheduling.plan import NightPlan
from planner.scheduling.plan_file import read_plan
from planner.scheduling.problem import night_problem
from planner.sky.earth import offline_earth
from planner.sky.night import night_sky

__all__ = ["PlannedNight", "audit_plan", "plan_night", "read_plan", "read_scenario", "write_night"]

Tell = Callable[[str], None]


@dataclass(frozen=True)
class PlannedNight:
    """A plan, audited, and everything it was made from."""

    solved: SolvedNight
    plan: NightPlan


def for_night(scenario: Scenario, date: datetime.date | None, configuration: str | None) -> Scenario:
    """Return the scenario with another date or configuration.

    Raises
    ------
    InputProblems
        When the configuration does not exist, or the date is outside 1990 to 2060.
    """
    changes: dict[str, object] = {}
    if date is not None:
        if not FIRST_DATE <= date <= LAST_DATE:
            remedy = f"Give a date from {FIRST_DATE} to {LAST_DATE}."
            raise InputProblems([Problem("command line", "--date", f"is {date}", remedy)])
        changes["date"] = date
    if configuration is not None:
        names = [known.name for known in scenario.array.configurations]
        if configuration not in names:
            guess = nearest(configuration, names) or names[0]
            found = f"there is no configuration {configuration!r} in array.toml"
            raise InputProblems(
                [Problem("command line", "--configuration", found, f"Did you mean {guess!r}?")]
            )
        changes["configuration"] = configuration
    return scenario.model_copy(update={"night": scenario.night.model_copy(update=changes)})


def plan_night(
    scenario: Scenario,
    date: datetime.date | None = None,
    configuration: str | None = None,
    tell: Tell | None = None,
) -> PlannedNight:
    """Plan a night and audit the plan.

    Parameters
    ----------
    scenario : Scenario
    date : datetime.date, optional
        Local date of the evening; default the scenario's.
    configuration : str, optional
        Default the scenario's.
    tell : callable, optional
        Called with a sentence when something long begins.

    Raises
    ------
    NoNight
        When the Sun does not go below the limit.
    InputProblems
        When the configuration does not exist.
    """
    scenario = for_night(scenario, date, configuration)
    with offline_earth():
        solved = _solved(scenario, tell or (lambda sentence: None))
        plan = night_plan(solved, scenario.night.configuration)
        return PlannedNight(solved, plan.model_copy(update={"audit": audit_plan(plan)}))


def _solved(scenario: Scenario, say: Tell) -> SolvedNight:
    """Go from the scenario to chosen visits, floor by floor."""
    say("Computing where every star is")
    sky = night_sky(scenario, scenario.night.date)
    limits = night_limits(scenario, sky, scenario.night.configuration)
    say("Working out the visits that are possible")
    offers = night_offers(limits)
    problem, table, families = night_problem(limits, offers)
    choosing = f"Choosing among {len(problem)} candidate visits"
    say(choosing)
    solution = solve_night(
        problem,
        scenario.effort.deterministic,
        lambda score, bound: say(f"{choosing}: score {score}, bound {bound}"),
    )
    say("Writing the plan down and auditing it")
    return SolvedNight(limits, offers, problem, table, families, solution)


def write_night(night: PlannedNight, folder: str | Path) -> Path:
    """Write a planned night's folder (report, plan, table, figures), whole or not at all.

    Returns
    -------
    Path
        The report.
    """
    with offline_earth():
        return write_plan_folder(night.solved.limits, night.solved.offers, night.plan, Path(folder))
