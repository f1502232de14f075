"""What a ranking answers, as data."""

from __future__ import annotations

import datetime
from dataclasses import dataclass

import numpy as np

from planner.scenario.targets import Scenario


@dataclass(frozen=True)
class Seat:
    """A telescope class on a station.

    Attributes
    ----------
    station : str
    telescope_class : str
    telescope : str or None
        The fixed telescope that stands there; None where a movable one may be put.
    """

    station: str
    telescope_class: str
    telescope: str | None


@dataclass(frozen=True)
class Score:
    """What a subarray is worth by the quick way, over all requests and nights.

    Attributes
    ----------
    estimate : float
        What a night plan would score: visits fitted greedily into the night, mean over the nights.
    value : float
        Cells within reach, each once over all nights, times the priority of their request.
    hours : float
        Usable hours, summed over requests and nights.
    requests : int
        Requests with room for a science step in some night.
    chained : int
        Requests whose telescopes are joined by a chain of baselines with enough fringe contrast at some
        moment at which they are usable.
    longest_m : float
        Longest baseline.
    resolution_mas : float
        lambda / 2B on it, at the shortest wavelength of the combiners that can use it.
    moves : int
        Telescopes to move from the scenario's configuration.
    """

    estimate: float
    value: float
    hours: float
    requests: int
    chained: int
    longest_m: float
    resolution_mas: float
    moves: int


@dataclass(frozen=True)
class Truth:
    """What the scheduler makes of a subarray.

    Attributes
    ----------
    nights : tuple of (date, score, bound, visits)
        The nights for which plans were made: of many, the first, the middle and the last.
    """

    nights: tuple[tuple[datetime.date, int, int, int], ...]

    @property
    def score(self) -> float:
        """Mean over the nights."""
        return float(np.mean([night[1] for night in self.nights]))

    @property
    def bound(self) -> float:
        """Mean over the nights of what no plan of the visits considered exceeds."""
        return float(np.mean([night[2] for night in self.nights]))


@dataclass(frozen=True)
class Ranked:
    """One subarray of the ranking.

    Attributes
    ----------
    seats : tuple of Seat
    telescopes : tuple of str
        Which telescope stands on each seat, so that fewest have to move; same order.
    lines : tuple of str
        Delay lines that serve most of what it can do; same order.
    configurations : tuple of str
        Listed configurations in which all of it stands already.
    score : Score
    on_front : bool
        Whether no other subarray is as good in everything and better in something (estimate, value, requests,
        resolution, moves).
    cells, hours : ndarray (request,)
        Cells within reach over all nights, and usable hours.
    estimates : ndarray (request,)
        Part of the estimate that each request brings.
    truth : Truth or None
        None where no plan was made.
    truth_by_request : ndarray (request,) or None
        Mean value of the cells that the plans fill for each request.
    """

    seats: tuple[Seat, ...]
    telescopes: tuple[str, ...]
    lines: tuple[str, ...]
    configurations: tuple[str, ...]
    score: Score
    on_front: bool
    cells: np.ndarray
    hours: np.ndarray
    estimates: np.ndarray
    truth: Truth | None
    truth_by_request: np.ndarray | None

    @property
    def stations(self) -> tuple[str, ...]:
        """Stations, in the order of the seats."""
        return tuple(seat.station for seat in self.seats)

    @property
    def name(self) -> str:
        """Stations joined by dashes."""
        return "–".join(self.stations)


@dataclass(frozen=True)
class Ranking:
    """The whole answer.

    Attributes
    ----------
    scenario : Scenario
    nights : tuple of date
    size : int
        Telescopes in a subarray.
    listed_only : bool
        Whether movable telescopes stand only where a listed configuration puts them.
    considered : int
        Subarrays that stations and telescopes allow.
    feasible : int
        Those of them that some request can use.
    requests : tuple of int
        Requests counted (their combiner has at most ``size`` beams); index in the scenario. The order of
        every (request,) array.
    top : tuple of Ranked
        The best, in the order of their true score where plans were made, else of the estimate.
    front : tuple of Ranked
        The Pareto front, by estimate; at most 40 of them.
    current : Ranked or None
        The best subarray of the scenario's configuration as it stands; None when there is none.
    unserved : tuple of int
        Positions in ``requests`` of those that no subarray considered serves.
    sample : tuple of (str, float, float)
        (name, estimate, true score) of subarrays evenly spread over the whole ranking.
    spearman : float or None
        Rank correlation of estimate and true score over the sample; None for fewer than five, or where all
        are worth the same.
    planned : int
        Subarrays for which plans were made.
    unplanned_estimate : float or None
        Highest estimate of those without a plan; None when there are none.
    """

    scenario: Scenario
    nights: tuple[datetime.date, ...]
    size: int
    listed_only: bool
    considered: int
    feasible: int
    requests: tuple[int, ...]
    top: tuple[Ranked, ...]
    front: tuple[Ranked, ...]
    current: Ranked | None
    unserved: tuple[int, ...]
    sample: tuple[tuple[str, float, float], ...]
    spearman: float | None
    planned: int = 0
    unplanned_estimate: float | None = None
