"""What a ranking answers, as data."""

from __future__ import annotations

import datetime
from dataclasses import dataclass

import numpy as np

from planner.scenario.targets import Scenario

JUDGED_LEAST = 5  # plans without which a spread of estimates is not told


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
        Requests with room for a whole visit, calibrators included, in some night.
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
    judged : tuple of (str, float, float)
        The same of every subarray for which plans were made, in the order of their making.
    unplanned : tuple of float
        Estimates of the subarrays of use for which none was made, falling.
    wanted : int
        Subarrays for which plans were to be made.
    stopped : str or None
        Why the planning ended before its end; None when it did not.
    spearman : float or None
        Rank correlation of estimate and true score over the sample; None for fewer than five, or where all
        are worth the same.
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
    judged: tuple[tuple[str, float, float], ...] = ()
    unplanned: tuple[float, ...] = ()
    wanted: int = 0
    stopped: str | None = None

    @property
    def planned(self) -> int:
        """Subarrays for which plans were made."""
        return len(self.judged)

    @property
    def unplanned_estimate(self) -> float | None:
        """Highest estimate of those without a plan; None when there are none."""
        return max(self.unplanned, default=None)

    @property
    def error_percent(self) -> np.ndarray:
        """Estimate less true score in per cent of the true score, of every plan that is worth something."""
        return np.array([100.0 * (guess / true - 1.0) for _, guess, true in self.judged if true > 0])

    @property
    def raise_most(self) -> float | None:
        """The most that a true score has been of its estimate; None for fewer than five plans."""
        if len(self.judged) < JUDGED_LEAST:
            return None
        return max((true / guess if guess > 0 else np.inf) for _, guess, true in self.judged if true or guess)

    def rivals(self, one: Ranked) -> int | None:
        """Return how many subarrays without a plan could be better than one with a plan.

        That is by their estimate and the spread seen: where the most that a true
        score has been of its estimate would lift them above. None where too few
        plans were made to say. It proves nothing.
        """
        if one.truth is None or self.raise_most is None:
            return None
        return sum(guess * self.raise_most > one.truth.score for guess in self.unplanned if guess > 0)
