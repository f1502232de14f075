"""One subarray through a night: its openings, what blocks it, and whole visits."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from planner.constraints.tonight import NightLimits
from planner.constraints.verdict import Verdict
from planner.feasibility.answers import SUN, Blocked, Opening, SubarrayNight
from planner.feasibility.edges import DELAY, RATE, Column, Holding, StarLimits, holding, margins
from planner.feasibility.lines import line_choices, pair_keys, rate_keys
from planner.feasibility.spans import Spans, gaps, join, meet_all, total_s
from planner.scenario.array import Combiner
from planner.scheduling.subarrays import Subarray, possible_subarrays
from planner.sky.directions import altitude_deg, hour_angle_h
from planner.units import SIDEREAL_RAD_PER_S

# The first limit in this order that says no is the one that is told: what no hardware can mend comes first.
ORDER = (
    "limiting magnitude",
    "altitude, lower limit",
    "absolute window",
    "Moon lit fraction",
    "Moon separation",
    "airmass",
    "hour angle",
    "altitude, upper limit",
    "azimuth tracking rate",
    "skyline",
    "shadowing",
    RATE,
    DELAY,
)


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
    choices : dict
        {telescopes: assignments of lines}.
    held : Holding
    """

    of: StarLimits
    limits: NightLimits
    combiner: Combiner
    choices: dict[tuple[int, ...], list[tuple[int, ...]]]
    held: Holding

    def parts(self, telescopes: Sequence[int], lines: Sequence[int]) -> list[Column]:
        """Return the elementary limits of a subarray on its lines."""
        array = self.of.scenario.array
        wanted = {
            None,
            *telescopes,
            *pair_keys(array, self.combiner, telescopes, lines),
            *rate_keys(array, telescopes, lines),
        }
        return [column for column in self.held.margin if column.of in wanted]

    def spans(self, telescopes: Sequence[int], lines: Sequence[int]) -> Spans:
        """Return when a subarray on its lines is usable."""
        held = self.held
        return meet_all((held.spans[column] for column in self.parts(telescopes, lines)), held.length_s)

    def by_limit(self, telescopes: Sequence[int], lines: Sequence[int]) -> dict[str, Spans]:
        """Return when each limit holds on a subarray, in the order of telling."""
        found: dict[str, list[Spans]] = {}
        for column in self.parts(telescopes, lines):
            found.setdefault(column.limit, []).append(self.held.spans[column])
        ordered = sorted(found, key=_place)
        return {limit: meet_all(found[limit], self.held.length_s) for limit in ordered}

    def curves(self, telescopes: Sequence[int], lines: Sequence[int]) -> list[Verdict]:
        """Return the smallest margin of each limit on a subarray along the grid."""
        return _smallest(self.parts(telescopes, lines), self.held.margin)

    def margins_at(self, telescopes: Sequence[int], lines: Sequence[int], second: float) -> list[Verdict]:
        """Return the same at one moment, each (1,)."""
        array = self.of.scenario.array
        values = margins(
            self.of,
            np.array([second]),
            pair_keys(array, self.combiner, telescopes, lines),
            rate_keys(array, telescopes, lines),
        )
        return _smallest([column for column in self.parts(telescopes, lines) if column in values], values)


def _place(limit: str) -> int:
    return ORDER.index(limit) if limit in ORDER else -1


def _smallest(columns: Sequence[Column], values: dict[Column, np.ndarray]) -> list[Verdict]:
    units = {column.limit: column.unit for column in columns}
    return [
        Verdict(
            limit,
            units[limit],
            np.min([values[column] for column in columns if column.limit == limit], axis=0),
            ("time",),
        )
        for limit in sorted(units, key=_place)
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
    array, placement = limits.scenario.array, limits.placement
    combiner = array.combiner(of.request.combiner)
    choices = {}
    for telescopes in possible_subarrays(placement, combiner, of.request):
        if only and {placement.telescopes[i] for i in telescopes} != set(only):
            continue
        lines = line_choices(array, placement, telescopes)
        if lines:
            choices[telescopes] = lines
    pairs = dict.fromkeys(
        key
        for chosen, many in choices.items()
        for lines in many
        for key in pair_keys(array, combiner, chosen, lines)
    )
    rates = dict.fromkeys(
        key for chosen, many in choices.items() for lines in many for key in rate_keys(array, chosen, lines)
    )
    return Followed(of, limits, combiner, choices, holding(of, list(pairs), list(rates)))


def best_lines(followed: Followed, telescopes: tuple[int, ...]) -> tuple[tuple[int, ...], Spans]:
    """Return the assignment that is usable longest, and when; of equals, the one that moves fewest beams."""
    best: tuple[tuple[int, ...], Spans] | None = None
    for lines in followed.choices[telescopes]:
        spans = followed.spans(telescopes, lines)
        if best is None or total_s(spans) > total_s(best[1]) + 1e-6:
            best = lines, spans
    assert best is not None  # a subarray without lines is not among the choices
    if best[1]:
        return best
    # Never usable: the lines that hold the paths longest tell the most.
    return max(
        ((lines, ()) for lines in followed.choices[telescopes]),
        key=lambda entry: total_s(followed.by_limit(telescopes, entry[0]).get(DELAY, ())),
    )


def any_spans(followed: Followed) -> Spans:
    """Return when some subarray on some lines is usable."""
    return join(
        followed.spans(telescopes, lines) for telescopes, many in followed.choices.items() for lines in many
    )


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
    telescopes, lines = subarray.telescopes, subarray.lines
    by_limit = followed.by_limit(telescopes, lines)
    edge = (0.0, followed.held.length_s)
    openings = tuple(
        Opening((start, end), _at_edge(by_limit, start, edge), _at_edge(by_limit, end, edge))
        for start, end in spans
    )
    best = _best_moment(followed, spans)
    margins_then: tuple[tuple[str, float, str], ...] = ()
    if best is not None:
        found = [
            (v.limit, float(v.margin[0]), v.unit) for v in followed.margins_at(telescopes, lines, best[0])
        ]
        margins_then = tuple(entry for entry in found if np.isfinite(entry[1]))
    return SubarrayNight(
        subarray=subarray,
        telescopes=tuple(placement.telescopes[i] for i in telescopes),
        lines=tuple(array.delay_lines[i].name for i in lines),
        openings=openings,
        blocked=_blocked(followed, subarray, spans, by_limit),
        visit_starts_s=starts_s,
        hour_angle_h=_hour_angles(followed, spans),
        best_s=None if best is None else best[0],
        best_altitude_deg=None if best is None else best[1],
        best_margins=margins_then,
    )


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
    curves = {v.limit: v for v in followed.curves(subarray.telescopes, subarray.lines)}
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
