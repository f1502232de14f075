"""From a question to its answer: which targets, which nights, which subarrays."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from planner.errors import NoNight
from planner.feasibility.answers import Feasibility, Season, TargetNight
from planner.feasibility.changes import on_night
from planner.feasibility.nights import Night, night_of, target_night
from planner.feasibility.remedies import with_remedies
from planner.feasibility.season import season_of, season_sky
from planner.progress import PartDone
from planner.scenario.night import FIRST_DATE, LAST_DATE
from planner.scenario.targets import Scenario
from planner.sky.directions import place_of
from planner.sky.night import dark_hours

Tell = Callable[[str], None]
YEAR_NIGHTS = 365


@dataclass(frozen=True)
class Question:
    """What is asked.

    Attributes
    ----------
    scenario : Scenario
        Its date and configuration are the ones asked about.
    requests : tuple of int
        Index in the scenario's requests.
    only : tuple of str
        Telescopes of the only subarray asked for; empty means all.
    first, last : date or None
        A range of nights; without one the scenario's date is asked about.
    season : bool
        Whether one night comes with twelve months around it; a range always has its season.
    """

    scenario: Scenario
    requests: tuple[int, ...]
    only: tuple[str, ...]
    first: datetime.date | None
    last: datetime.date | None
    season: bool = False


def answered(question: Question, tell: Tell) -> Feasibility:
    """Work a question out.

    Raises
    ------
    NoNight
        When the Sun does not go below the limit in the night, or in no night of the range.
    """
    scenario = question.scenario
    date = scenario.night.date
    if question.first is None or question.last is None:
        dark_hours(place_of(scenario.array.site), date, scenario.night.sun_altitude_max_deg)
        season = _season(question, _twelve_months(date), tell) if question.season else None
        dates = dict.fromkeys(question.requests, date)
    else:
        count = (question.last - question.first).days + 1
        season = _season(question, [question.first + datetime.timedelta(days=k) for k in range(count)], tell)
        if not np.any(season.binding >= 0):
            raise NoNight(
                f"In none of the nights from {question.first} to {question.last} the Sun goes below "
                f"{scenario.night.sun_altitude_max_deg:g} deg. Choose other dates."
            )
        dates = _best_nights(question, season)
    nights = _nights(question, dates, tell)
    return Feasibility(scenario, nights, season)


def _twelve_months(date: datetime.date) -> list[datetime.date]:
    """365 nights from the first of the month on, or as many as the planner's years allow."""
    first = max(date.replace(day=1), FIRST_DATE)
    count = min(YEAR_NIGHTS, (LAST_DATE - first).days + 1)
    return [first + datetime.timedelta(days=k) for k in range(count)]


def _season(question: Question, nights: Sequence[datetime.date], tell: Tell) -> Season:
    scenario = question.scenario
    asked = scenario.night.configuration
    names = [own.name for own in scenario.array.configurations]
    if question.only:
        names = [name for name in names if set(question.only) <= set(scenario.array.placed(name))]
    configurations = [asked, *(name for name in names if name != asked)]
    return season_of(
        scenario, season_sky(scenario, nights), question.requests, configurations, question.only, tell
    )


def _best_nights(question: Question, season: Season) -> dict[int, datetime.date]:
    """The night of the range with most usable hours for each target, a feasible one where there is one.

    A target that is never usable is shown in the night with most dark hours.
    """
    hours, feasible = season.usable_h()[0], season.feasible()[0]
    dark = (season.binding[0, 0] >= 0).sum(axis=-1)
    found = {}
    for row, request in enumerate(question.requests):
        rank = hours[row] + 100.0 * feasible[row] + 1e-3 * dark / dark.max()
        found[request] = season.nights[int(np.argmax(rank))]
    return found


def _nights(question: Question, dates: dict[int, datetime.date], tell: Tell) -> tuple[TargetNight, ...]:
    computed: dict[datetime.date, Night] = {}
    found = []
    for number, (request, date) in enumerate(dates.items()):
        name = question.scenario.requests[request].name
        tell(PartDone(f"Working out the windows of {name}", number, len(dates)))
        if date not in computed:
            computed = {date: night_of(on_night(date=date)(question.scenario))}
        answer = target_night(computed[date], request, question.only)
        if answer.exclusion is not None:
            tell(PartDone(f"Trying what would help {name}", number, len(dates)))
            answer = with_remedies(computed[date], answer, question.only)
        found.append(answer)
    return tuple(found)
