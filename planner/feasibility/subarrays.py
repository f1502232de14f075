"""One subarray through a night: its openings, what blocks it, and whole visits."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from planner.constraints.brightness import BRIGHT_LIMITS, FAINT, GUIDE, GUIDE_DISTANCE, SENSOR
from planner.constraints.contrast import UNIT as CONTRAST_UNIT
from planner.constraints.phase import PHASE
from planner.constraints.tonight import NightLimits
from planner.constraints.tracker import tracker_for
from planner.constraints.two_stars import FIELD, SEPARATION
from planner.constraints.verdict import Verdict
from planner.constraints.windows import OVER, RESERVED
from planner.feasibility.answers import SUN, Blocked, Opening, SubarrayNight
from planner.feasibility.columns import (
    AIR,
    DELAY,
    DIFFERENTIAL,
    PUPIL,
    RATE,
    RESOLVED,
    TRACKER,
    BaselineKey,
    ChainKey,
    Column,
    LightKey,
    PairKey,
    RateKey,
    SecondKey,
)
from planner.feasibility.edges import Holding, Keys, StarLimits, holding, margins
from planner.feasibility.lines import air_keys, pair_keys, rate_keys
from planner.feasibility.recent import Recent, Same
from planner.feasibility.settings import (
    Ways,
    chain_of,
    reached_settings,
    ways_of,
    when_usable,
    with_chains,
    with_fringes,
)
from planner.feasibility.spans import Spans, gaps, join, meet, meet_all, total_s
from planner.geometry.placement import Placement
from planner.scenario.array import Array, Combiner
from planner.scheduling.light import with_tracking
from planner.scheduling.routes import Setting
from planner.scheduling.subarrays import Subarray, led, possible_subarrays
from planner.sky.directions import altitude_deg, hour_angle_h
from planner.sky.earth_curve import seconds_after
from planner.units import SIDEREAL_RAD_PER_S

# The first limit in this order that says no is the one that is told: what no hardware can mend comes first.
ORDER = (
    FAINT,
    GUIDE,
    GUIDE_DISTANCE,
    SENSOR,
    *BRIGHT_LIMITS,
    SEPARATION,
    "altitude, lower limit",
    "absolute window",
    RESERVED,
    OVER,
    "Moon lit fraction",
    "Moon separation",
    "airmass",
    "hour angle",
    PHASE,
    FIELD,
    "altitude, upper limit",
    "azimuth tracking rate",
    "skyline",
    "shadowing",
    RESOLVED,
    RATE,
    DELAY,
    PUPIL,
    DIFFERENTIAL,
    AIR,
    TRACKER,
)
PLACE = {limit: place for place, limit in enumerate(ORDER)}

EDGE_S = 0.02  # how well an edge is known, and a little more


@dataclass(frozen=True)
class Followed:
    """A request's star with every part that its subarrays need.

    Attributes
    ----------
    of : StarLimits
    limits : NightLimits
        On the ticks of the night, of one request and its calibrators.
    combiner : Combiner
    ways : dict
        {telescopes: settings with what they ask}; of settings that ask the same of every beam, the first.
    usable : dict
        {telescopes: spans}, one for each of the settings.
    held : Holding
    """

    of: StarLimits
    limits: NightLimits
    combiner: Combiner
    ways: dict[tuple[int, ...], Ways]
    usable: dict[tuple[int, ...], list[Spans]]
    held: Holding

    @property
    def choices(self) -> dict[tuple[int, ...], list[Setting]]:
        """{telescopes: settings}."""
        return {telescopes: ways.settings for telescopes, ways in self.ways.items()}

    def distinct(self, telescopes: tuple[int, ...], limit: str | None = None) -> list[Setting]:
        """Return the settings of a subarray that differ in what closes them, the first of those that do not.

        Parameters
        ----------
        telescopes : tuple of int
        limit : str, optional
            A limit in which they may not differ either, even where it closes nothing.
        """
        ways = self.ways[telescopes]
        return [ways.settings[k] for k in self.distinct_places(telescopes, limit).tolist()]

    def distinct_places(self, telescopes: tuple[int, ...], limit: str | None = None) -> np.ndarray:
        """Return where these stand among the settings of the subarray, (setting,)."""
        ways, held = self.ways[telescopes], self.held
        whole = ((0.0, held.length_s),)
        columns = [held.columns.get(key, ()) for key in ways.keys]
        asks = [any(held.spans[own] != whole or own.limit == limit for own in each) for each in columns]
        return ways.first_of_each(asks)

    def differing(self, telescopes: tuple[int, ...], limit: str) -> list[Setting]:
        """Return the settings of a subarray that differ in what one limit asks, the first of the others."""
        ways, columns = self.ways[telescopes], self.held.columns
        asks = [any(own.limit == limit for own in columns.get(key, ())) for key in ways.keys]
        return [ways.settings[k] for k in ways.first_of_each(asks).tolist()]

    def longest_paths(self, telescopes: tuple[int, ...]) -> Setting:
        """Return the setting of a subarray that keeps all paths equal longest; of equals, the first."""
        ways, held = self.ways[telescopes], self.held
        whole = ((0.0, held.length_s),)
        spans = [held.spans.get(Column(DELAY, "m", key), whole) for key in ways.keys]
        best, most = 0, -1.0
        for place, row in enumerate(ways.rows.tolist()):
            left: Spans = whole
            for key in row:
                if key < len(spans) and spans[key] != whole:
                    left = meet(left, spans[key])
                    if total_s(left) <= most:
                        break
            if total_s(left) > most:
                best, most = place, total_s(left)
        return ways.settings[best]

    @property
    def needed_s(self) -> float:
        """How long the science step takes."""
        return self.of.scenario.science_step_s(self.of.request)

    def subarray(self, telescopes: tuple[int, ...], setting: Setting, spans: Spans) -> Subarray:
        """Return a subarray on its setting, with the beams that the fringe tracker follows while usable."""
        times = self.limits.sky.times
        seconds = seconds_after(self.of.curve.dark.start, times[0]) + self.limits.sky.tick_s * np.arange(
            len(times), dtype=float
        )
        inside = np.zeros(len(times), dtype=bool)
        for start, end in spans:
            inside |= (seconds >= start) & (seconds <= end)
        request = self.limits.scenario.requests.index(self.of.request)
        return with_tracking(self.limits, request, led(self.combiner, telescopes, setting), inside)

    def keys(self, telescopes: Sequence[int], setting: Setting) -> Keys:
        """Return what a subarray on a setting asks of the light path."""
        ways = self.ways.get(tuple(telescopes))
        place = None if ways is None else ways.places.get(setting)
        if ways is None or place is None:
            return _keys(self.of, self.combiner, telescopes, setting)
        return ways.asked[place]

    def parts(self, telescopes: Sequence[int], setting: Setting) -> list[Column]:
        """Return the elementary limits of a subarray on a setting."""
        asked = self.keys(telescopes, setting)
        wanted = [None, *telescopes, *asked.of_setting, ChainKey(tuple(telescopes))]
        return [column for own in wanted for column in self.held.columns.get(own, ())]

    def spans(self, telescopes: Sequence[int], setting: Setting) -> Spans:
        """Return when a subarray on a setting is usable."""
        held = self.held
        return meet_all((held.spans[column] for column in self.parts(telescopes, setting)), held.length_s)

    def by_limit(self, telescopes: Sequence[int], setting: Setting) -> dict[str, Spans]:
        """Return when each limit holds on a subarray, in the order of telling."""
        found: dict[str, list[Spans]] = {}
        for column in self.parts(telescopes, setting):
            found.setdefault(column.limit, []).append(self.held.spans[column])
        return {limit: meet_all(found[limit], self.held.length_s) for limit in in_order(found)}

    def curves(self, telescopes: Sequence[int], setting: Setting) -> list[Verdict]:
        """Return the smallest margin of each limit on a subarray along the grid."""
        return _smallest(self.parts(telescopes, setting), self.held.margin)

    def margins_at(self, telescopes: Sequence[int], setting: Setting, second: float) -> list[Verdict]:
        """Return the same at one moment, each (1,)."""
        values = margins(self.of, np.array([second]), self.keys(telescopes, setting))
        tracker = tracker_for(self.limits, self.of.request)
        if tracker is not None:
            values[Column(TRACKER, "mag", ChainKey(tuple(telescopes)))] = chain_of(
                values, telescopes, tracker.beams
            )
        shown = Column(RESOLVED, CONTRAST_UNIT, ChainKey(tuple(telescopes)))
        if shown in self.held.margin:
            values[shown] = np.interp([second], self.held.grid_s, self.held.margin[shown])
        return _smallest([column for column in self.parts(telescopes, setting) if column in values], values)


def _keys(of: StarLimits, combiner: Combiner, telescopes: Sequence[int], setting: Setting) -> Keys:
    array = of.scenario.array
    pairs: list[tuple[int, int]] = list(itertools.combinations(telescopes, 2))
    light: list[LightKey] = list(air_keys(array, combiner, telescopes, setting))
    if combiner.fringe_tracker is not None:
        light += [BaselineKey(pair) for pair in pairs]
    if of.science and of.request.extras.second_star is not None:
        light += [SecondKey(pair) for pair in pairs]
    return Keys(
        pair_keys(array, combiner, telescopes, setting),
        rate_keys(array, telescopes, setting),
        tuple(light),
    )


def in_order(limits: Iterable[str]) -> list[str]:
    """Return limits in the order of telling; limiting magnitudes in further bands come first."""
    return sorted(limits, key=lambda limit: PLACE.get(limit, 0))


def _smallest(columns: Sequence[Column], values: dict[Column, np.ndarray]) -> list[Verdict]:
    units = {column.limit: column.unit for column in columns}
    return [
        Verdict(
            limit,
            units[limit],
            np.min([values[column] for column in columns if column.limit == limit], axis=0),
            ("time",),
        )
        for limit in in_order(units)
    ]


def follow(of: StarLimits, limits: NightLimits, only: Sequence[str] = ()) -> Followed:
    """Follow a request's star with all the parts that the possible subarrays need.

    Parameters
    ----------
    of : StarLimits
    limits : NightLimits
        The same night on its ticks.
    only : sequence of str
        Telescopes; when given, only the subarray made of exactly these.
    """
    choices = _choices(of, limits, only)
    held = holding(of, choices.asked)
    tracker = tracker_for(limits, of.request)
    if tracker is not None:
        held = with_chains(held, list(choices.ways), tracker.beams)
    held = with_fringes(held, limits, limits.scenario.requests.index(of.request), list(choices.ways))
    return Followed(
        of,
        limits,
        limits.scenario.combiner_of(of.request),
        choices.ways,
        {chosen: when_usable(held, chosen, ways) for chosen, ways in choices.ways.items()},
        held,
    )


@dataclass(frozen=True)
class _Choices:
    """Every subarray with its settings, and all that they ask of the light path."""

    ways: dict[tuple[int, ...], Ways]
    asked: Keys


_known: Recent[_Choices] = Recent(12)


def _choices(of: StarLimits, limits: NightLimits, only: Sequence[str]) -> _Choices:
    """Return every subarray with its settings; without path segments they are the same for many stars."""
    if of.scenario.array.path_segments:
        return _choices_made(of, limits, only)
    extras = of.request.extras
    key = (
        *(Same(of.scenario.array), of.configuration, of.request.combiner, of.science, tuple(only)),
        *(extras.spectral_setup, extras.tracking == "none", extras.second_star is None, extras.telescopes),
    )
    return _known.of(key, lambda: _choices_made(of, limits, only))


def _choices_made(of: StarLimits, limits: NightLimits, only: Sequence[str]) -> _Choices:
    combiner = limits.scenario.combiner_of(of.request)
    dual = of.request.extras.second_star is not None
    array, placement = limits.scenario.array, limits.placement
    grid_path_m = of.at(of.grid_s()).path_m[0] if array.path_segments else np.empty(0)
    ways = {}
    for telescopes in possible_subarrays(placement, combiner, of.request):
        if only and {placement.telescopes[i] for i in telescopes} != set(only):
            continue
        settings = reached_settings(array, placement, (combiner, telescopes, dual), grid_path_m)
        if settings:
            asked = [_keys(of, combiner, telescopes, setting) for setting in settings]
            ways[telescopes] = ways_of(settings, asked)
    every = dict.fromkeys(
        key for own in ways.values() for keys in own.asked for key in (*keys.of_setting, *keys.light)
    )
    return _Choices(
        ways,
        Keys(
            tuple(key for key in every if isinstance(key, PairKey)),
            tuple(key for key in every if isinstance(key, RateKey)),
            tuple(key for key in every if not isinstance(key, PairKey | RateKey)),
        ),
    )


def best_lines(followed: Followed, telescopes: tuple[int, ...]) -> tuple[Setting, Spans]:
    """Return the setting that is usable longest, and when; of equals, the first: it moves fewest beams."""
    best: tuple[Setting, Spans] | None = None
    for setting, spans in zip(followed.choices[telescopes], followed.usable[telescopes], strict=True):
        if best is None or total_s(spans) > total_s(best[1]) + 1e-6:
            best = setting, spans
    assert best is not None  # a subarray without settings is not among the choices
    if best[1]:
        return best
    # Never usable: the setting that holds the paths longest tells the most.
    return followed.longest_paths(telescopes), ()


def any_spans(followed: Followed) -> Spans:
    """Return when some subarray on some setting is usable."""
    return join({spans for many in followed.usable.values() for spans in many})


def subarray_night(
    followed: Followed, subarray: Subarray, spans: Spans, starts_s: np.ndarray
) -> SubarrayNight:
    """Describe one subarray's night.

    Parameters
    ----------
    followed : Followed
    subarray : Subarray
    spans : spans
        When it is usable.
    starts_s : ndarray (start,)
        When whole visits can start, seconds after dusk.
    """
    array, placement = followed.limits.scenario.array, followed.limits.placement
    telescopes, setting = subarray.telescopes, subarray.setting
    by_limit = followed.by_limit(telescopes, setting)
    edge = (0.0, followed.held.length_s)
    openings = tuple(
        Opening((start, end), _at_edge(by_limit, start, edge), _at_edge(by_limit, end, edge))
        for start, end in spans
    )
    best = _best_moment(followed, spans)
    margins_then: tuple[tuple[str, float, str], ...] = ()
    if best is not None:
        found = [
            (v.limit, float(v.margin[0]), v.unit) for v in followed.margins_at(telescopes, setting, best[0])
        ]
        margins_then = tuple(entry for entry in found if np.isfinite(entry[1]))
    return SubarrayNight(
        subarray=subarray,
        telescopes=tuple(placement.telescopes[i] for i in telescopes),
        lines=tuple(array.delay_lines[i].name for i in subarray.lines),
        **_led(array, placement, subarray),
        openings=openings,
        blocked=_blocked(followed, subarray, spans, by_limit),
        visit_starts_s=starts_s,
        hour_angle_h=_hour_angles(followed, spans),
        best_s=None if best is None else best[0],
        best_altitude_deg=None if best is None else best[1],
        best_margins=margins_then,
    )


def _led(array: Array, placement: Placement, subarray: Subarray) -> dict[str, Any]:
    """Names of the rest of the light path."""
    return {
        "mode": array.routing_modes[subarray.mode].name if subarray.mode >= 0 else None,
        "segments": tuple(array.path_segments[k].name if k >= 0 else "" for k in subarray.segments),
        "tracked": tuple(placement.telescopes[subarray.telescopes[k]] for k in subarray.tracked or ()),
    }


def _at_edge(by_limit: dict[str, Spans], moment: float, edge: tuple[float, float]) -> str:
    """The limit whose own spans end nearest to a moment; the Sun at dusk and dawn."""
    if moment in edge:
        return SUN
    ends = [(abs(moment - end), limit) for limit, spans in by_limit.items() for span in spans for end in span]
    return min(ends, key=lambda entry: entry[0])[1]


def _best_moment(followed: Followed, spans: Spans) -> tuple[float, float] | None:
    """The moment of the openings at which the star is highest, and its altitude."""
    best: tuple[float, float] | None = None
    for start, end in spans:
        # A hair inside: at the very edge a limit that jumps (the Moon sets) may say no already.
        inner = min(EDGE_S, (end - start) / 4.0)
        seconds = np.linspace(start + inner, end - inner, max(2, int((end - start) / 10.0) + 1))
        altitude = altitude_deg(followed.of.curve.at([followed.of.star], seconds).direction[0])
        top = int(np.argmax(altitude))
        if best is None or altitude[top] > best[1]:
            best = float(seconds[top]), float(altitude[top])
    return best


def _hour_angles(followed: Followed, spans: Spans) -> tuple[float, float] | None:
    if not spans:
        return None
    ends = np.array([spans[0][0]])
    direction = followed.of.curve.at([followed.of.star], ends).direction[0]
    first = float(hour_angle_h(direction, followed.limits.scenario.array.site.latitude_deg)[0])
    # Counted on from the first, so that a night through lower culmination does not jump by 24 h.
    return first, first + (spans[-1][1] - spans[0][0]) * SIDEREAL_RAD_PER_S * 12.0 / np.pi


def _blocked(
    followed: Followed, subarray: Subarray, spans: Spans, by_limit: dict[str, Spans]
) -> tuple[Blocked, ...]:
    """Split what lies between the openings at each change of the first limit that says no."""
    length = followed.held.length_s
    closed = {limit: gaps(own, length) for limit, own in by_limit.items()}
    curves = {v.limit: v for v in followed.curves(subarray.telescopes, subarray.setting)}
    found = []
    for start, end in gaps(spans, length):
        inner = {edge for own in closed.values() for span in own for edge in span if start < edge < end}
        marks = [start, *sorted(inner), end]
        runs: list[tuple[str, float, float]] = []
        for left, right in itertools.pairwise(marks):
            limit = _first_no(closed, (left + right) / 2.0)
            if runs and runs[-1][0] == limit:
                runs[-1] = (limit, runs[-1][1], right)
            else:
                runs.append((limit, left, right))
        found += [_told(followed, run, closed, curves[run[0]]) for run in runs]
    return tuple(found)


def _first_no(closed: dict[str, Spans], moment: float) -> str:
    return next(limit for limit, own in closed.items() if any(a <= moment <= b for a, b in own))


def _told(
    followed: Followed, run: tuple[str, float, float], closed: dict[str, Spans], curve: Verdict
) -> Blocked:
    limit, start, end = run
    grid = followed.held.grid_s
    inside = np.flatnonzero((grid >= start) & (grid <= end))
    if not len(inside):
        inside = np.array([int(np.argmin(np.abs(grid - (start + end) / 2.0)))])
    missed = np.maximum(-curve.margin[inside], 0.0)
    also = tuple(
        other
        for other, own in closed.items()
        if other != limit and any(a < end and b > start for a, b in own)
    )
    return Blocked(
        span=(start, end),
        limit=limit,
        unit=curve.unit,
        short=float(missed.max()),
        worst_s=float(grid[inside[int(np.argmax(missed))]]),
        least=float(missed.min()),
        since_s=next(a for a, b in closed[limit] if a <= (start + end) / 2.0 <= b),
        also=also,
    )
