"""What feasibility answers, as data.

Seconds count from dusk of the night, ``TargetNight.curve.dark.start``.
"""

from __future__ import annotations

import datetime
from dataclasses import dataclass

import numpy as np

from planner.constraints.verdict import Verdict
from planner.feasibility.spans import Span, Spans
from planner.scenario.targets import Scenario
from planner.scheduling.subarrays import Subarray
from planner.sky.curve import SkyCurve

SUN = "Sun"


@dataclass(frozen=True)
class Opening:
    """An interval in which everything holds.

    Attributes
    ----------
    span : (float, float)
        Seconds after dusk.
    opened_by, closed_by : str
        The limit that ends it on either side; ``"Sun"`` at dusk and dawn.
    """

    span: Span
    opened_by: str
    closed_by: str


@dataclass(frozen=True)
class Blocked:
    """An interval in which one limit is the first to say no.

    Attributes
    ----------
    span : (float, float)
        Seconds after dusk.
    limit, unit : str
    short : float
        By how much the limit is missed at worst, in ``unit``; infinite when there is no number.
    worst_s : float
        When that is.
    least : float
        By how much it is missed at best.
    since_s : float
        When this limit began to say no: before ``span`` when another one said no first, 0 at dusk.
    also : tuple of str
        Other limits that say no somewhere in the interval.
    """

    span: Span
    limit: str
    unit: str
    short: float
    worst_s: float
    least: float
    since_s: float
    also: tuple[str, ...]


@dataclass(frozen=True)
class SubarrayNight:
    """One subarray with its delay lines through a night, for one request.

    Attributes
    ----------
    subarray : Subarray
        Indices of telescopes and lines.
    telescopes, lines : tuple of str
    mode : str or None
        Routing mode.
    segments : tuple of str
        Path segment of each beam, empty where it has none; empty without segments.
    tracked : tuple of str
        Telescopes that the fringe tracker follows.
    openings : tuple of Opening
    blocked : tuple of Blocked
        What lies between them, dusk to dawn.
    visit_starts_s : ndarray (start,)
        When a whole visit (calibrator, science, calibrator) can start.
    hour_angle_h : (float, float) or None
        Of the first and last moment of the openings.
    best_s : float or None
        Moment of the openings at which the star is highest.
    best_altitude_deg : float or None
    best_margins : tuple of (str, float, str)
        (limit, margin, unit) at that moment, finite ones only.
    """

    subarray: Subarray
    telescopes: tuple[str, ...]
    lines: tuple[str, ...]
    openings: tuple[Opening, ...]
    blocked: tuple[Blocked, ...]
    visit_starts_s: np.ndarray
    hour_angle_h: tuple[float, float] | None
    best_s: float | None
    best_altitude_deg: float | None
    best_margins: tuple[tuple[str, float, str], ...]
    mode: str | None = None
    segments: tuple[str, ...] = ()
    tracked: tuple[str, ...] = ()

    @property
    def spans(self) -> Spans:
        """The openings' intervals."""
        return tuple(opening.span for opening in self.openings)

    @property
    def usable_h(self) -> float:
        """Hours in which everything holds."""
        return sum(end - start for start, end in self.spans) / 3600.0


@dataclass(frozen=True)
class Exclusion:
    """Why a request has no visit.

    Attributes
    ----------
    alone : tuple of str
        Limits each of which excludes every visit by itself.
    together : tuple of str
        When none does: a smallest set of limits that do together.
    sentence : str
        The same in words, with a number and a time.
    """

    alone: tuple[str, ...]
    together: tuple[str, ...]
    sentence: str


@dataclass(frozen=True)
class Remedy:
    """One change that opens a whole visit; it has been tried.

    Attributes
    ----------
    kind : str
        ``"subarray"``, ``"step"``, ``"line"``, ``"path"``, ``"limit"``, ``"date"``,
        ``"configuration"`` or ``"combiner"``.
    sentence : str
        What to change, with its number.
    cost : float
        Rank: cheaper first (see ``feasibility.remedies``).
    opens_h : float
        Usable hours with it, on the best subarray that allows a visit.
    visits : int
        Slots at which a whole visit can start with it.
    scenario : Scenario
        The scenario with the change in it, date and configuration included.
    telescopes : tuple of str
        The subarray that it opens.
    """

    kind: str
    sentence: str
    cost: float
    opens_h: float
    visits: int
    scenario: Scenario
    telescopes: tuple[str, ...]


@dataclass(frozen=True)
class Calibrator:
    """A calibrator within the bracket distance.

    Attributes
    ----------
    name : str
    distance_deg : float
    magnitude : float or None
        In the combiner's band.
    magnitude_margin : float
        Limiting magnitude minus magnitude on the least sensitive telescope; minus infinity without one.
    vis2 : float or None
        Expected V squared on the longest baseline of the best subarray, shortest channel.
    vis2_margin : float
        Above the scenario's limit.
    shared_h : float
        Hours in which it and the science star are both usable on the best subarray.
    """

    name: str
    distance_deg: float
    magnitude: float | None
    magnitude_margin: float
    vis2: float | None
    vis2_margin: float
    shared_h: float


@dataclass(frozen=True)
class Reach:
    """What part of the (u,v) plane a request reaches in its openings, over all subarrays that serve it.

    Attributes
    ----------
    shortest_m, longest_m : float
        Projected baselines.
    resolution_mas : float
        lambda / 2B at the shortest channel and the longest projected baseline.
    field_mas : float
        As the request gives it.
    cells : int
        Cells of side 1/field reached, those that earlier nights filled left out.
    vis2 : tuple of (str, float, float)
        Each baseline of the first subarray: least and most expected squared visibility, over all channels.
    """

    shortest_m: float
    longest_m: float
    resolution_mas: float
    field_mas: float
    cells: int
    vis2: tuple[tuple[str, float, float], ...] = ()


@dataclass(frozen=True)
class TargetNight:
    """One request in one night and one configuration.

    Attributes
    ----------
    scenario : Scenario
        Its date and configuration are the ones asked about.
    request : int
        Index in ``scenario.requests``.
    curve : SkyCurve
        Star 0 is the target.
    subarrays : tuple of SubarrayNight
        Best first: those that allow a visit by usable hours, then the others.
    any_spans : tuple of span
        When some subarray with some delay lines is usable.
    grid_s : ndarray (time,)
    curves : tuple of Verdict
        Margins of the best subarray along ``grid_s``, each (time,).
    visit_s : float
        Length of the shortest whole visit: recording and capture, nothing to wait for.
    exclusion : Exclusion or None
        None when a visit is possible.
    remedies : tuple of Remedy
        Cheapest first; only when no visit is possible and they were asked for.
    remedies_tried : tuple of str
        Kinds of change that were tried.
    calibrators : tuple of Calibrator
        Nearest first.
    reach : Reach or None
        None when never usable.
    """

    scenario: Scenario
    request: int
    curve: SkyCurve
    subarrays: tuple[SubarrayNight, ...]
    any_spans: Spans
    grid_s: np.ndarray
    curves: tuple[Verdict, ...]
    visit_s: float
    exclusion: Exclusion | None
    remedies: tuple[Remedy, ...]
    remedies_tried: tuple[str, ...]
    calibrators: tuple[Calibrator, ...]
    reach: Reach | None

    @property
    def name(self) -> str:
        """The target's name."""
        return self.scenario.requests[self.request].name

    @property
    def usable_h(self) -> float:
        """Hours in which some subarray is usable."""
        return sum(end - start for start, end in self.any_spans) / 3600.0

    @property
    def serving(self) -> tuple[SubarrayNight, ...]:
        """Subarrays that allow a whole visit."""
        return tuple(one for one in self.subarrays if len(one.visit_starts_s))


DAYLIGHT, OPEN = -1, 0  # codes of Season.binding; k > 0 is limits[k - 1]


def longest_open(binding: np.ndarray) -> np.ndarray:
    """Return how many usable columns in a row each night has at most, (...).

    Parameters
    ----------
    binding : ndarray (..., column)
        Codes as in :class:`Season`.
    """
    usable = binding == OPEN
    run = np.zeros(usable.shape[:-1], dtype=int)
    longest = run.copy()
    for column in range(usable.shape[-1]):
        run = np.where(usable[..., column], run + 1, 0)
        longest = np.maximum(longest, run)
    return longest


@dataclass(frozen=True)
class Season:
    """Targets, configurations, nights and hours of the night: what binds.

    Attributes
    ----------
    scenario : Scenario
    nights : tuple of date
        Local dates of the evenings.
    step_s : float
        Width of a column.
    offset_h : ndarray (column,)
        Middle of each column, hours from local mean midnight (negative in the evening).
    configurations : tuple of str
    requests : tuple of int
        Index in ``scenario.requests``, in the order of axis 1.
    limits : tuple of str
        Names of the codes 1, 2, ...
    binding : ndarray of int8 (configuration, target, night, column)
        -1 the Sun is too high; 0 some subarray is usable; k: the limit ``limits[k - 1]`` is the first
        that leaves no subarray.
    visit_s : ndarray (target,)
        Length of the shortest whole visit of each target.
    whole_visits : ndarray of bool (configuration, target, night)
        Whether a whole visit (calibrator, science, calibrator) can be made: what the answer about that
        night alone says.
    """

    scenario: Scenario
    nights: tuple[datetime.date, ...]
    step_s: float
    offset_h: np.ndarray
    configurations: tuple[str, ...]
    requests: tuple[int, ...]
    limits: tuple[str, ...]
    binding: np.ndarray
    visit_s: np.ndarray
    whole_visits: np.ndarray

    def usable_h(self) -> np.ndarray:
        """Return usable hours, (configuration, target, night)."""
        return (self.binding == OPEN).sum(axis=-1) * (self.step_s / 3600.0)

    def feasible(self) -> np.ndarray:
        """Return where a whole visit can be made, (configuration, target, night)."""
        return self.whole_visits

    def months(self) -> tuple[tuple[int, int], ...]:
        """Return the (year, month) of the nights, in order."""
        return tuple(dict.fromkeys((night.year, night.month) for night in self.nights))

    def hours_by_month(self) -> np.ndarray:
        """Return usable hours in the feasible nights of each month, (configuration, target, month)."""
        hours = np.where(self.feasible(), self.usable_h(), 0.0)
        months = self.months()
        of_night = np.array([months.index((night.year, night.month)) for night in self.nights])
        return np.stack([hours[..., of_night == k].sum(axis=-1) for k in range(len(months))], axis=-1)


@dataclass(frozen=True)
class Feasibility:
    """The whole answer of one question.

    Attributes
    ----------
    nights : tuple of TargetNight
        For one date: one for each target asked for. Empty for a range of dates, except where the
        sheets want one: then the best night of each target in the range.
    season : Season or None
        For a range of dates, or twelve months around the date for the sheets.
    """

    scenario: Scenario
    nights: tuple[TargetNight, ...]
    season: Season | None
