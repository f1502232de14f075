"""When each elementary limit of one star holds, with edges to a hundredth of a second.

A subarray is allowed exactly when each of its telescopes is, each pair of its
beams has a common offset (Helly's theorem in one dimension), and the request's
own limits are kept. So every such part is followed once, through dusk to dawn,
and the windows of any subarray are the meeting of the spans of its parts.

A part's margin is evaluated on a grid, and every change of sign is closed in
by cutting its interval. Between two grid points of the same sign a margin is looked at
again, second by second, where its slope on either side could carry it across,
where the star passes a corner of a skyline and where it passes an edge of its
phases.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from planner.constraints.air import left_contrast
from planner.constraints.brightness import brightness_limits
from planner.constraints.delay_range import path_rate_m_per_s
from planner.constraints.phase import PHASE, cycles_since, edges_before
from planner.constraints.tonight import NightLimits, night_limits
from planner.constraints.tracker import TRACKER, edges_mag
from planner.constraints.two_stars import DIFFERENTIAL, differential_delay, second_path_m
from planner.feasibility.columns import (
    AIR,
    RATE,
    BaselineKey,
    Column,
    LightKey,
    PairKey,
    RateKey,
    SecondKey,
)
from planner.feasibility.spans import Spans
from planner.geometry.delays import path_m
from planner.geometry.placement import placement_of
from planner.scenario.targets import Request, Scenario
from planner.sky.curve import SkyCurve
from planner.sky.directions import azimuth_deg

GRID_S = 30.0
PARTS, ROUNDS = 16, 3  # each round cuts an interval into parts: 7 ms of 30 s are left
SKYLINE = "skyline"


@dataclass(frozen=True)
class Keys:
    """What is asked of the light path.

    Attributes
    ----------
    pairs : tuple of PairKey
    rates : tuple of RateKey
    light : tuple of LightKey
    """

    pairs: tuple[PairKey, ...] = ()
    rates: tuple[RateKey, ...] = ()
    light: tuple[LightKey, ...] = ()

    @property
    def of_setting(self) -> tuple[PairKey | RateKey | LightKey, ...]:
        """Everything but the baselines of the fringe tracker, which has a choice of them."""
        return (*self.pairs, *self.rates, *(own for own in self.light if not isinstance(own, BaselineKey)))


NOTHING = Keys()


@dataclass(frozen=True)
class StarLimits:
    """One request's star and everything that may say no to it in one night and configuration.

    Attributes
    ----------
    scenario : Scenario
    request : Request
    configuration : str
    curve : SkyCurve
    star : int
        Index in ``curve.stars``.
    science : bool
        False for a calibrator of the request.
    """

    scenario: Scenario
    request: Request
    configuration: str
    curve: SkyCurve
    star: int
    science: bool = True

    def at(self, seconds: np.ndarray) -> NightLimits:
        """Evaluate the limits at these seconds after dusk."""
        return night_limits(self.scenario, self.curve.at([self.star], seconds), self.configuration)

    def grid_s(self) -> np.ndarray:
        """Moments from dusk to dawn, ends included, at most ``GRID_S`` apart."""
        length = self.curve.length_s
        return np.linspace(0.0, length, int(np.ceil(length / GRID_S)) + 1)


def margins(of: StarLimits, seconds: np.ndarray, asked: Keys = NOTHING) -> dict[Column, np.ndarray]:
    """Return every elementary margin at some moments, each (time,).

    Parameters
    ----------
    of : StarLimits
    seconds : ndarray (time,)
    asked : Keys
        What is asked of the light path; the rest is always there.
    """
    limits = of.at(seconds)
    found: dict[Column, np.ndarray] = {}
    for verdict in (*limits.of_request(of.request, 0, of.science), limits.window(of.request)):
        column = Column(verdict.limit, verdict.unit, None)
        found[column] = np.minimum(found.get(column, np.inf), verdict.margin)
    star = of.curve.stars[of.star]
    bright = brightness_limits(limits.scenario, of.request, [star], of.science, limits.placement.classes)
    for verdict in limits.of_telescopes:
        for telescope in range(len(limits.placement.telescopes)):
            found[Column(verdict.limit, verdict.unit, telescope)] = verdict.margin[0, :, telescope]
    for verdict in bright:
        for telescope, margin in enumerate(verdict.margin[0].tolist()):
            found[Column(verdict.limit, verdict.unit, telescope)] = np.full(len(seconds), margin)
    if asked.pairs:
        width = _common_width_m(limits.path_m[0], asked.pairs)
        for place, pair in enumerate(asked.pairs):
            found[Column(pair.limit, "m", pair)] = width[:, place]
    if asked.rates:
        latitude = limits.scenario.array.site.latitude_deg
        rate = path_rate_m_per_s(limits.sky.direction[0], limits.placement.vectors_m, latitude)
        for key in asked.rates:
            found[Column(RATE, "m/s of light", key)] = key.path_m_per_s - rate[:, key.telescope]
    for light in asked.light:
        column, margin = _of_light(of, limits, light)
        found[column] = margin
    return found


def _of_light(of: StarLimits, limits: NightLimits, key: LightKey) -> tuple[Column, np.ndarray]:
    """Margin of one pair of beams in the light path, (time,)."""
    if isinstance(key, BaselineKey):
        phase = of.request.extras.tracking == "phase"
        return Column(TRACKER, "mag", key), edges_mag(limits, of.request, 0, key.telescopes, phase)[:, 0]
    if isinstance(key, SecondKey):
        stations = limits.placement.vectors_m[list(key.telescopes)]
        path = second_path_m(limits.sky, of.request, 0, stations)
        return Column(DIFFERENTIAL, "m", key), differential_delay(limits.scenario, path[None]).margin[0]
    combiner = limits.scenario.combiner_of(of.request)
    i, j = key.telescopes
    apart = limits.path_m[0][:, i] - limits.path_m[0][:, j] + key.constant_m
    left = left_contrast(limits.scenario.array, combiner, apart)
    return Column(AIR, "of contrast", key), left - combiner.air_contrast_min


def _common_width_m(path_m: np.ndarray, pairs: Sequence[PairKey]) -> np.ndarray:
    """Width of the common offsets of each pair of beams, metres of light, (time, pair).

    Parameters
    ----------
    path_m : ndarray (time, telescope), or (time, pair, telescope) with moments of its own for each pair
    pairs : sequence of PairKey
    """
    telescopes = np.array([pair.telescopes for pair in pairs])
    stroke = np.array([pair.strokes for pair in pairs])
    if path_m.ndim == 2:
        first, second = path_m[:, telescopes[:, 0]], path_m[:, telescopes[:, 1]]
    else:
        own = np.arange(len(pairs))
        first, second = path_m[:, own, telescopes[:, 0]], path_m[:, own, telescopes[:, 1]]
    second = second - np.array([pair.constant_m for pair in pairs])
    low = np.maximum(stroke[:, 0, 0] - first, stroke[:, 1, 0] - second)
    high = np.minimum(stroke[:, 0, 1] - first, stroke[:, 1, 1] - second)
    return high - low


@dataclass(frozen=True)
class Holding:
    """When each elementary limit holds, from dusk to dawn.

    Attributes
    ----------
    length_s : float
    grid_s : ndarray (time,)
    margin : dict
        {column: ndarray (time,)} on the grid.
    spans : dict
        {column: spans}, edges to a hundredth of a second.
    columns : dict
        {what they belong to: columns}.
    """

    length_s: float
    grid_s: np.ndarray
    margin: dict[Column, np.ndarray]
    spans: dict[Column, Spans]
    columns: dict[object, list[Column]]


def holding(of: StarLimits, asked: Keys = NOTHING) -> Holding:
    """Return when each elementary limit holds.

    Parameters
    ----------
    of : StarLimits
    asked : Keys
        What is asked of the light path.
    """
    grid = of.grid_s()
    length = float(grid[-1])
    values = margins(of, grid, asked)
    edges = _closed_in(of, _brackets(of, grid, values, asked), asked)
    spans = {
        column: _spans(bool(margin[0] >= 0), edges.get(column, []), length)
        for column, margin in values.items()
    }
    return Holding(length, grid, values, spans, by_owner(values))


def by_owner(columns: Iterable[Column]) -> dict[object, list[Column]]:
    """Return columns by what they belong to, each in the order given."""
    found: dict[object, list[Column]] = {}
    for column in columns:
        found.setdefault(column.of, []).append(column)
    return found


Bracket = tuple[Column, float, float, bool]  # column, from, to, allowed at the start


def _brackets(
    of: StarLimits,
    grid: np.ndarray,
    values: dict[Column, np.ndarray],
    asked: Keys,
) -> list[Bracket]:
    """Intervals in which an elementary limit changes its mind."""
    found: list[Bracket] = []
    closer: dict[int, list[Column]] = {}
    corners = _passes_corner(of, grid)
    for column, margin in values.items():
        allowed = margin >= 0
        for k in np.flatnonzero(allowed[1:] != allowed[:-1]):
            found.append((column, float(grid[k]), float(grid[k + 1]), bool(allowed[k])))
        near = _might_cross(margin)
        if column.limit == SKYLINE:
            near = near | (corners & (allowed[1:] == allowed[:-1]))
        elif column.limit == PHASE:
            near = near | (_passes_phase(of, grid) & (allowed[1:] == allowed[:-1]))
        for k in np.flatnonzero(near):
            closer.setdefault(int(k), []).append(column)
    if not closer:
        return found
    inner = {k: np.linspace(grid[k], grid[k + 1], int(np.ceil(GRID_S)) + 1) for k in closer}
    looked_at = _only(asked, (column for columns in closer.values() for column in columns))
    again = margins(of, np.concatenate(list(inner.values())), looked_at)
    for place, (k, columns) in enumerate(closer.items()):
        seconds = inner[k]
        rows = slice(place * len(seconds), (place + 1) * len(seconds))
        for column in columns:
            allowed = again[column][rows] >= 0
            for j in np.flatnonzero(allowed[1:] != allowed[:-1]):
                found.append((column, float(seconds[j]), float(seconds[j + 1]), bool(allowed[j])))
    return found


def _passes_corner(of: StarLimits, grid: np.ndarray) -> np.ndarray:
    """True for grid intervals in which the star passes a point of a skyline: no slope warns of it."""
    array = of.scenario.array
    masks = [array.site.horizon_deg, *(station.horizon_deg for station in array.stations)]
    corners = np.array(sorted({point[0] for mask in masks for point in mask}))
    direction = of.curve.at([of.star], grid).direction[0]
    azimuth = azimuth_deg(direction)
    apart = (azimuth[:, None] - corners + 180.0) % 360.0 - 180.0
    passed = (np.sign(apart[1:]) != np.sign(apart[:-1])) & (np.abs(apart[1:] - apart[:-1]) < 180.0)
    return np.asarray(passed.any(axis=-1))


def _passes_phase(of: StarLimits, grid: np.ndarray) -> np.ndarray:
    """True for grid intervals in which the star passes an edge of the phases asked for."""
    window = of.request.extras.phase
    if window is None:
        return np.zeros(len(grid) - 1, dtype=bool)
    edges = edges_before(window, cycles_since(of.curve.at([of.star], grid), 0, window))
    return np.asarray(edges[1:] != edges[:-1])


def _might_cross(margin: np.ndarray) -> np.ndarray:
    """True for grid intervals with one sign at both ends that a slope from outside would carry across."""
    size = np.where(np.isfinite(margin), np.abs(margin), np.inf)
    same = (margin[1:] >= 0) == (margin[:-1] >= 0)
    before = np.concatenate([[-np.inf], size[:-2]]) if len(size) > 2 else np.full(len(size) - 1, -np.inf)
    after = np.concatenate([size[2:], [-np.inf]]) if len(size) > 2 else np.full(len(size) - 1, -np.inf)
    with np.errstate(invalid="ignore"):
        falls = (2.0 * size[:-1] < before) | (2.0 * size[1:] < after)
    # A limit that is kept exactly (nothing in the way: zero) is no approach to zero.
    return same & falls & np.isfinite(size[:-1]) & np.isfinite(size[1:]) & (size[:-1] + size[1:] > 0)


def _closed_in(of: StarLimits, brackets: list[Bracket], asked: Keys) -> dict[Column, list[float]]:
    """Close in on every change at once, cutting each interval into parts again and again."""
    if not brackets:
        return {}
    low = np.array([b[1] for b in brackets])
    high = np.array([b[2] for b in brackets])
    at_start = np.array([b[3] for b in brackets])
    inner = np.arange(1, PARTS) / PARTS
    columns = [bracket[0] for bracket in brackets]
    for _ in range(ROUNDS):
        allowed = _allowed(of, columns, low[:, None] + (high - low)[:, None] * inner, asked)
        # The first part that ends in another state than the interval began holds the change.
        turned = np.concatenate([allowed != at_start[:, None], np.ones((len(low), 1), dtype=bool)], axis=1)
        part = np.argmax(turned, axis=1)
        width = (high - low) / PARTS
        low = low + part * width
        high = low + width
    edges: dict[Column, list[float]] = {}
    for bracket, edge in zip(brackets, ((low + high) / 2.0).tolist(), strict=True):
        edges.setdefault(bracket[0], []).append(edge)
    return {column: sorted(found) for column, found in edges.items()}


def _allowed(of: StarLimits, columns: Sequence[Column], seconds: np.ndarray, asked: Keys) -> np.ndarray:
    """True where each elementary limit holds at moments of its own, (column, moment)."""
    found: np.ndarray = np.empty(seconds.shape, dtype=bool)
    pairs = [(k, column.of) for k, column in enumerate(columns) if isinstance(column.of, PairKey)]
    if pairs:
        # There are many pairs, and each is wanted at its own moments only.
        rows = [k for k, _ in pairs]
        placement = placement_of(of.scenario.array, of.configuration)
        direction = of.curve.at([of.star], seconds[rows].T.ravel()).direction[0]
        path = path_m(direction, placement.vectors_m, placement.fixed_path_m)
        of_pairs = path.reshape(seconds.shape[1], len(rows), -1)
        found[rows] = (_common_width_m(of_pairs, [pair for _, pair in pairs]) >= 0).T
    others = [k for k, column in enumerate(columns) if not isinstance(column.of, PairKey)]
    if others:
        own = [columns[k] for k in others]
        values = margins(of, seconds[others].ravel(), _only(asked, own))
        places = np.arange(len(others) * seconds.shape[1]).reshape(len(others), -1)
        found[others] = [values[column][place] >= 0 for column, place in zip(own, places, strict=True)]
    return found


def _only(asked: Keys, columns: Iterable[Column]) -> Keys:
    """What some elementary limits ask of the light path."""
    owners = {column.of for column in columns}
    return Keys(
        tuple(key for key in asked.pairs if key in owners),
        tuple(key for key in asked.rates if key in owners),
        tuple(key for key in asked.light if key in owners),
    )


def _spans(allowed_at_start: bool, edges: Sequence[float], length_s: float) -> Spans:
    """From the state at dusk and the moments of change to spans."""
    marks = [0.0, *edges, length_s] if allowed_at_start else [*edges, length_s]
    if len(marks) % 2:
        marks = marks[:-1]
    return tuple((a, b) for a, b in zip(marks[::2], marks[1::2], strict=True) if a < b)
