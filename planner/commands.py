"""One function for each command: from a scenario to a plan and its report. Start reading here.

Each function takes data and returns data; the command line (``planner.cli``)
only turns arguments into calls and results into text and exit codes.
"""

from __future__ import annotations

import datetime
import importlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from planner.errors import InputProblems, Problem
from planner.scenario.messages import among
from planner.scenario.night import FIRST_DATE, LAST_DATE

if TYPE_CHECKING:
    from planner.feasibility.answers import Feasibility
    from planner.feasibility.questions import Question
    from planner.output.feasibility_tables import season_table, windows_table
    from planner.output.ranking_tables import ranking_table
    from planner.output.starting import write_new_scenario as new_scenario
    from planner.ranking.answers import Ranking
    from planner.ranking.questions import RankQuestion
    from planner.scenario.reading import read_scenario
    from planner.scenario.targets import Scenario
    from planner.scheduling.audit import audit_plan
    from planner.scheduling.begun_night import left_of_night
    from planner.scheduling.plan import NightPlan
    from planner.scheduling.plan_file import read_plan
    from planner.scheduling.remaining import Remaining
    from planner.scheduling.solved import SolvedNight

__all__ = [
    "Asked",
    "Choice",
    "PlannedNight",
    "Remaining",
    "assess_feasibility",
    "audit_plan",
    "left_of_night",
    "new_scenario",
    "plan_night",
    "rank_subarrays",
    "ranking_table",
    "read_plan",
    "read_scenario",
    "season_table",
    "windows_table",
    "write_feasibility",
    "write_night",
    "write_ranking",
]

# Where the verbs stand that need no words here. Each command loads what it needs, and only then: a mistyped
# option is told before the solver and the figures are loaded.
_ELSEWHERE = {
    "Remaining": "planner.scheduling.remaining",
    "audit_plan": "planner.scheduling.audit",
    "left_of_night": "planner.scheduling.begun_night",
    "new_scenario": "planner.output.starting",
    "ranking_table": "planner.output.ranking_tables",
    "read_plan": "planner.scheduling.plan_file",
    "read_scenario": "planner.scenario.reading",
    "season_table": "planner.output.feasibility_tables",
    "windows_table": "planner.output.feasibility_tables",
}


def __getattr__(name: str) -> Any:
    if name not in _ELSEWHERE:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    module = importlib.import_module(_ELSEWHERE[name])
    return getattr(module, "write_new_scenario" if name == "new_scenario" else name)


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
            found = f"there is no configuration {configuration!r} in array.toml"
            remedy = among(configuration, names)
            raise InputProblems([Problem("command line", "--configuration", found, remedy)])
        changes["configuration"] = configuration
    return scenario.model_copy(update={"night": scenario.night.model_copy(update=changes)})


def _bracketed(scenario: Scenario) -> None:
    """Refuse a scenario without calibrators: every visit of a plan is bracketed by them.

    Raises
    ------
    InputProblems
    """
    if not scenario.calibrators:
        remedy = "Give a table of calibrators; 'planner feasibility' answers for the science stars alone."
        raise InputProblems([Problem("scenario.toml", "calibrators", "names no calibrator", remedy)])


def plan_night(
    scenario: Scenario | Remaining,
    date: datetime.date | None = None,
    configuration: str | None = None,
    tell: Tell | None = None,
    seconds: float | None = None,
    keep: Callable[[NightPlan], None] | None = None,
) -> PlannedNight:
    """Plan a night and audit the plan.

    Parameters
    ----------
    scenario : Scenario or Remaining
        Or what is left of a night: visits that are made again then keep their numbers.
    date : datetime.date, optional
        Local date of the evening; default the scenario's.
    configuration : str, optional
        Default the scenario's.
    tell : callable, optional
        Called with a sentence when something long begins.
    seconds : float, optional
        Choose for so long, not by the scenario's effort; such a plan does not repeat itself.
    keep : callable, optional
        Called with the plan as soon as it is chosen, and again as soon as more of it is written down:
        whoever puts it on disk does not lose it when something fails later.

    Raises
    ------
    NoNight
        When the Sun does not go below the limit.
    InputProblems
        When the configuration does not exist.
    """
    from planner.scheduling.assemble import chosen_plan, with_everything_said
    from planner.scheduling.audit import audit_plan
    from planner.scheduling.remaining import Remaining
    from planner.scheduling.tonight import solved_night
    from planner.sky.earth import offline_earth

    earlier = scenario.earlier if isinstance(scenario, Remaining) else None
    scenario = scenario.scenario if isinstance(scenario, Remaining) else scenario
    scenario = for_night(scenario, date, configuration)
    _bracketed(scenario)
    keep = keep or (lambda plan: None)
    with offline_earth():

        def chosen(solved: SolvedNight) -> NightPlan:
            return chosen_plan(solved, scenario.night.configuration, earlier)

        solved = solved_night(
            scenario,
            tell or (lambda sentence: None),
            seconds,
            lambda first: keep(chosen(first)),
        )
        plan = chosen(solved)
        keep(plan)
        plan = with_everything_said(solved, plan)
        keep(plan)
        audited = plan.model_copy(update={"audit": audit_plan(plan)})
        keep(audited)
        return PlannedNight(solved, audited)


def write_night(night: PlannedNight, folder: str | Path, pdf: bool = False) -> Path:
    """Write a planned night's folder (report, plan, table, figures; with ``pdf`` also those as PDF), whole.

    Returns
    -------
    Path
        The report.
    """
    from planner.output.folder import write_plan_folder
    from planner.sky.earth import offline_earth

    with offline_earth():
        return write_plan_folder(night.solved.limits, night.solved.offers, night.plan, Path(folder), pdf)


@dataclass(frozen=True)
class Asked:
    """What a question about feasibility names; empty means all or the scenario's own.

    Attributes
    ----------
    targets : tuple of str
    date : date or None
        Local date of the evening.
    first, last : date or None
        A range of nights instead of one.
    configuration : str or None
    subarray : tuple of str
        Telescopes of the only subarray asked about.
    season : bool
        Whether one night comes with twelve months around it; a range always has its season.
    """

    targets: tuple[str, ...] = ()
    date: datetime.date | None = None
    first: datetime.date | None = None
    last: datetime.date | None = None
    configuration: str | None = None
    subarray: tuple[str, ...] = ()
    season: bool = False


def question_of(scenario: Scenario, asked: Asked) -> Question:
    """Check a question against its scenario.

    Raises
    ------
    InputProblems
        With everything in it that does not fit the scenario.
    """
    from planner.feasibility.questions import Question

    problems: list[Problem] = []

    def wrong(key: str, found: str, remedy: str) -> None:
        problems.append(Problem("command line", key, found, remedy))

    problems += _date_problems(asked.date, asked.first, asked.last)
    try:
        scenario = for_night(scenario, asked.date or asked.first, asked.configuration)
    except InputProblems as error:
        problems += [problem for problem in error.problems if problem.key != "--date" or asked.date]
    requests = _requests_of(scenario, asked, wrong)
    if problems:
        raise InputProblems(problems)
    return Question(scenario, requests, asked.subarray, asked.first, asked.last, asked.season)


def _date_problems(
    date: datetime.date | None, first: datetime.date | None, last: datetime.date | None
) -> list[Problem]:
    """What is wrong with one night or a range of nights."""
    found: list[Problem] = []

    def wrong(key: str, what: str, remedy: str) -> None:
        found.append(Problem("command line", key, what, remedy))

    if first is None or last is None:
        if first is not None or last is not None:
            given, missing = ("--from", "--to") if last is None else ("--to", "--from")
            wrong(missing, f"is missing beside {given}", "Give both, or --date for one night.")
        return found
    if date is not None:
        wrong("--date", "stands beside --from and --to", "Give one night or a range of nights, not both.")
    if last < first:
        wrong("--to", f"is {last}, before --from {first}", "Exchange them.")
    elif (last - first).days >= NIGHTS_MAX:
        wrong("--to", f"makes a range of more than {NIGHTS_MAX} nights", "Ask for fewer nights at once.")
    for key, day in (("--from", first), ("--to", last)):
        if not FIRST_DATE <= day <= LAST_DATE:
            wrong(key, f"is {day}", f"Give a date from {FIRST_DATE} to {LAST_DATE}.")
    return found


NIGHTS_MAX = 1100  # three years: what a grid of all configurations holds in memory


def _requests_of(scenario: Scenario, asked: Asked, wrong: Callable[[str, str, str], None]) -> tuple[int, ...]:
    """The requests that are asked about; what does not fit is told."""
    names = [request.name for request in scenario.requests]
    for name in dict.fromkeys(asked.targets):
        if name not in names:
            wrong("--target", f"there is no target {name!r} in the scenario", among(name, names))
    chosen = [row for row, name in enumerate(names) if not asked.targets or name in asked.targets]
    if not asked.subarray:
        return tuple(chosen)
    placed = scenario.array.placed(scenario.night.configuration)
    known = [telescope.name for telescope in scenario.array.telescopes]
    for name in dict.fromkeys(asked.subarray):
        if name not in known:
            wrong("--subarray", f"there is no telescope {name!r} in array.toml", among(name, known))
        elif name not in placed:
            where = f"configuration {scenario.night.configuration!r}"
            wrong("--subarray", f"{name!r} stands on no station in {where}", "Choose another configuration.")
        if asked.subarray.count(name) > 1:
            wrong("--subarray", f"names {name!r} twice", "Name each telescope once.")
    beams = {row: scenario.combiner_of(scenario.requests[row]).beams for row in chosen}
    fitting = [row for row in chosen if beams[row] == len(asked.subarray)]
    for row in chosen:
        if asked.targets and row not in fitting:
            combiner = scenario.requests[row].combiner
            many = f"{len(asked.subarray)} {'telescope' if len(asked.subarray) == 1 else 'telescopes'}"
            found = f"names {many}, but {names[row]!r} is recorded with {combiner!r}"
            wrong("--subarray", found, f"Name {beams[row]} telescopes.")
    if not fitting and not asked.targets:
        many = f"{len(asked.subarray)} {'telescope' if len(asked.subarray) == 1 else 'telescopes'}"
        found = f"names {many}, and no request wants a combiner of so many beams"
        wrong("--subarray", found, "Name as many as a combiner has beams.")
    return tuple(fitting)


def assess_feasibility(
    scenario: Scenario, asked: Asked | None = None, tell: Tell | None = None
) -> Feasibility:
    """Say when each target can be observed, with what, why not, and what would help.

    Parameters
    ----------
    scenario : Scenario
    asked : Asked, optional
        Default: all targets in the scenario's night and configuration.
    tell : callable, optional
        Called with a sentence when something long begins.

    Raises
    ------
    InputProblems
        When the question does not fit the scenario.
    NoNight
        When the Sun does not go below the limit.
    """
    from planner.feasibility.questions import answered
    from planner.sky.earth import offline_earth

    question = question_of(scenario, asked or Asked())
    with offline_earth():
        return answered(question, tell or (lambda sentence: None))


def write_feasibility(found: Feasibility, folder: str | Path, pdf: bool = False) -> Path:
    """Write an answer's folder (page, sheets, tables, figures; with ``pdf`` also those as PDF), whole.

    Returns
    -------
    Path
        The page.
    """
    from planner.output.feasibility_folder import write_feasibility_folder
    from planner.sky.earth import offline_earth

    with offline_earth():
        return write_feasibility_folder(found, Path(folder), pdf)


@dataclass(frozen=True)
class Choice:
    """What a question about subarrays names.

    Attributes
    ----------
    size : int or None
        Telescopes in a subarray; default the most beams that a request wants.
    date : date or None
        Local date of the evening.
    first, last : date or None
        A range of nights instead of one.
    configuration : str or None
        Where the telescopes stand now; default the scenario's.
    listed_only : bool
        Whether movable telescopes stand only where a listed configuration puts them.
    top : int
        Subarrays for which true plans are made: the best by the estimate.
    check : int
        Subarrays, evenly spread over the whole ranking, over which estimate and plan are compared.
    """

    size: int | None = None
    date: datetime.date | None = None
    first: datetime.date | None = None
    last: datetime.date | None = None
    configuration: str | None = None
    listed_only: bool = False
    top: int = 20
    check: int = 8


def choice_of(scenario: Scenario, choice: Choice) -> RankQuestion:
    """Check a question about subarrays against its scenario.

    Raises
    ------
    InputProblems
        With everything in it that does not fit the scenario.
    """
    from planner.ranking.questions import RankQuestion, nights_between

    problems = _date_problems(choice.date, choice.first, choice.last)
    try:
        scenario = for_night(scenario, choice.date or choice.first, choice.configuration)
    except InputProblems as error:
        problems += [problem for problem in error.problems if problem.key != "--date" or choice.date]
    _bracketed(scenario)
    beams = sorted({scenario.combiner_of(wish).beams for wish in scenario.requests})
    size = max(beams, default=2) if choice.size is None else choice.size
    if not 2 <= size <= 6:
        problems.append(Problem("command line", "--size", f"is {size}", "Give 2 to 6."))
    elif beams and size < beams[0]:
        found = f"is {size}, and every request wants a combiner of {beams[0]} beams or more"
        problems.append(Problem("command line", "--size", found, f"Give {beams[0]} or more."))
    if not 1 <= choice.top <= 100:
        problems.append(Problem("command line", "--top", f"is {choice.top}", "Give 1 to 100."))
    if not 0 <= choice.check <= 100:
        problems.append(Problem("command line", "--check", f"is {choice.check}", "Give 0 to 100."))
    if problems:
        raise InputProblems(problems)
    if choice.first is None or choice.last is None:
        nights: tuple[datetime.date, ...] = (scenario.night.date,)
    else:
        nights = nights_between(choice.first, choice.last)
    return RankQuestion(scenario, nights, size, choice.listed_only, choice.top, choice.check)


def rank_subarrays(scenario: Scenario, choice: Choice | None = None, tell: Tell | None = None) -> Ranking:
    """Rank every subarray that the stations allow, by what a night would give.

    Parameters
    ----------
    scenario : Scenario
    choice : Choice, optional
        Default: the scenario's night, as many telescopes as its widest request wants.
    tell : callable, optional
        Called with a sentence when something long begins.

    Raises
    ------
    InputProblems
        When the question does not fit the scenario.
    NoNight
        When the Sun goes below the limit in none of the nights.
    """
    from planner.ranking.questions import ranking_of
    from planner.sky.earth import offline_earth

    question = choice_of(scenario, choice or Choice())
    with offline_earth():
        return ranking_of(question, tell or (lambda sentence: None))


def write_ranking(ranking: Ranking, folder: str | Path, pdf: bool = False) -> Path:
    """Write a ranking's folder (page, tables, figures; with ``pdf`` also those as PDF), whole.

    Returns
    -------
    Path
        The page.
    """
    from planner.output.ranking_folder import write_ranking_folder
    from planner.sky.earth import offline_earth

    with offline_earth():
        return write_ranking_folder(ranking, Path(folder), pdf)
