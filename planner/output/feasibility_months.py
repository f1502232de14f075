"""A season as one target sees it: hours and nights by month, first and last night, what closes the rest."""

from __future__ import annotations

import datetime
from dataclasses import dataclass

import numpy as np

from planner.feasibility.answers import DAYLIGHT, OPEN, Season
from planner.scenario.targets import Scenario


@dataclass(frozen=True)
class TargetMonths:
    """One target in one configuration through a season.

    Attributes
    ----------
    scenario : Scenario
        Its configuration is this one.
    name, configuration : str
        Of the target and of the configuration.
    nights : tuple of date
    months : tuple of (year, month)
    hours : tuple of float
        By month, usable hours of feasible nights.
    feasible_by_month : tuple of int
        Feasible nights by month.
    first, last : date or None
        First and last feasible night.
    gap : (date, date) or None
        First and last night of the longest run of nights between these two that are not feasible.
    closed_by : tuple of (str, float)
        Limits that close dark hours, with their share of the dark hours, largest first.
    """

    scenario: Scenario
    name: str
    configuration: str
    nights: tuple[datetime.date, ...]
    months: tuple[tuple[int, int], ...]
    hours: tuple[float, ...]
    feasible_by_month: tuple[int, ...]
    first: datetime.date | None
    last: datetime.date | None
    gap: tuple[datetime.date, datetime.date] | None
    closed_by: tuple[tuple[str, float], ...]

    @property
    def feasible_nights(self) -> int:
        """Number of feasible nights."""
        return sum(self.feasible_by_month)

    @property
    def total_h(self) -> float:
        """Usable hours of all feasible nights."""
        return sum(self.hours)

    @property
    def best_month(self) -> int:
        """Index of the month with most hours."""
        return int(np.argmax(self.hours))


def asked_configuration(season: Season) -> int:
    """Return the index of the configuration that was asked about, the first when it is not among them."""
    asked = season.scenario.night.configuration
    return season.configurations.index(asked) if asked in season.configurations else 0


def season_months(season: Season) -> dict[int, tuple[TargetMonths, ...]]:
    """Return {request: its months in each configuration, in order}."""
    feasible, hours, months = season.feasible(), season.hours_by_month(), season.months()
    of_night = np.array([months.index((night.year, night.month)) for night in season.nights])
    found = {}
    for target, request in enumerate(season.requests):
        found[request] = tuple(
            _target_months(season, (configuration, target), feasible, hours, of_night)
            for configuration in range(len(season.configurations))
        )
    return found


def _target_months(
    season: Season, place: tuple[int, int], feasible: np.ndarray, hours: np.ndarray, of_night: np.ndarray
) -> TargetMonths:
    configuration, target = season.configurations[place[0]], season.requests[place[1]]
    settings = season.scenario.night.model_copy(update={"configuration": configuration})
    counts = np.bincount(of_night[feasible[place]], minlength=len(season.months()))
    first, last = _first_and_last(season, place, feasible)
    return TargetMonths(
        scenario=season.scenario.model_copy(update={"night": settings}),
        name=season.scenario.requests[target].name,
        configuration=configuration,
        nights=season.nights,
        months=season.months(),
        hours=tuple(hours[place].tolist()),
        feasible_by_month=tuple(counts.tolist()),
        first=first,
        last=last,
        gap=_longest_gap(season, feasible[place]),
        closed_by=_closed_by(season, place),
    )


def _first_and_last(
    season: Season, place: tuple[int, int], feasible: np.ndarray
) -> tuple[datetime.date | None, datetime.date | None]:
    nights = np.flatnonzero(feasible[place])
    return (season.nights[nights[0]], season.nights[nights[-1]]) if len(nights) else (None, None)


def _longest_gap(season: Season, feasible: np.ndarray) -> tuple[datetime.date, datetime.date] | None:
    nights = np.flatnonzero(feasible)
    if len(nights) < 2 or np.diff(nights).max() < 2:
        return None
    before = int(np.argmax(np.diff(nights)))
    return season.nights[nights[before] + 1], season.nights[nights[before + 1] - 1]


def _closed_by(season: Season, place: tuple[int, int]) -> tuple[tuple[str, float], ...]:
    binding = season.binding[place]
    dark = int((binding != DAYLIGHT).sum())
    counts = np.bincount(binding[binding > OPEN], minlength=len(season.limits) + 1)[1:]
    ordered = sorted(range(len(season.limits)), key=lambda k: -counts[k])
    return tuple((season.limits[k], counts[k] / dark) for k in ordered if counts[k])


def binds_most(season: Season) -> np.ndarray:
    """Return the limit that closes most of each night, "" for none, (configuration, target, night)."""
    names = np.array(["", *season.limits])
    counts = (
        np.stack([(season.binding == k).sum(axis=-1) for k in range(1, len(season.limits) + 1)], axis=-1)
        if season.limits
        else np.zeros((*season.binding.shape[:-1], 1), dtype=int)
    )
    most = counts.argmax(axis=-1) + 1
    chosen: np.ndarray = names[np.where(counts.max(axis=-1) > 0, most, 0)]
    return chosen
