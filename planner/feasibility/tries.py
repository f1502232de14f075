"""Trying a change: the smallest number that could help, and whether a whole visit then opens."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from scipy.ndimage import maximum_filter1d, minimum_filter1d

from planner.constraints.instrument import bracket_distance_deg
from planner.errors import NoNight
from planner.feasibility.answers import Remedy
from planner.feasibility.changes import Change, Edit, Knob
from planner.feasibility.columns import DELAY, PUPIL, ChainKey, Column
from planner.feasibility.nights import Night, changed, first_to_serve, followed_star, night_of
from planner.feasibility.spans import total_s
from planner.feasibility.subarrays import Followed
from planner.scenario.targets import Scenario
from planner.scheduling.routes import usable_stroke_m
from planner.sky.year import YearSky

WIDER_DEG = 20.0  # calibrators that much beyond the bracket distance are kept for what a change may bring in


@dataclass(frozen=True)
class Opened:
    """What a change opens.

    Attributes
    ----------
    hours : float
        Usable hours of the best subarray that allows a visit.
    visits : int
        Slots at which a whole visit can start with it.
    telescopes : tuple of str
    """

    hours: float
    visits: int
    telescopes: tuple[str, ...]


def focused(night: Night, request: int) -> Night:
    """Return the night with one request and the calibrators around it: the same answers, sooner.

    The nearest calibrator stays however far it is: a scenario without any is answered for the science alone.
    """
    scenario, sky = night.scenario, night.limits.sky
    first = len(scenario.requests)
    middle = len(sky.times) // 2
    stars = first + np.arange(len(scenario.calibrators))
    distance = bracket_distance_deg(sky.direction[:, middle], request, stars)
    reach_deg = max(scenario.limits.bracket_distance_max_deg + WIDER_DEG, distance.min(initial=np.inf))
    near = np.flatnonzero(distance <= reach_deg)
    rows = np.concatenate([[request], first + near]).astype(int)
    small = scenario.model_copy(
        update={
            "requests": (scenario.requests[request],),
            "calibrators": tuple(scenario.calibrators[i] for i in near),
        }
    )
    part = replace(
        sky,
        stars=tuple(sky.stars[i] for i in rows),
        direction=sky.direction[rows],
        icrs_rad=sky.icrs_rad[rows],
    )
    curve = replace(
        night.curve,
        stars=part.stars,
        natural=night.curve.natural[rows],
        icrs_rad=night.curve.icrs_rad[rows],
    )
    return changed(Night(small, replace(night.limits, sky=part), curve), small)


def opened(night: Night, followed: Followed) -> Opened | None:
    """Return the best subarray that allows a whole visit of the first request, or None."""
    served = first_to_serve(night, 0, followed)
    if served is None:
        return None
    subarray, spans, starts = served
    names = tuple(night.limits.placement.telescopes[i] for i in subarray.telescopes)
    return Opened(total_s(spans) / 3600.0, len(starts), names)


def tried(
    night: Night, edit: Edit, only: Sequence[str] = (), known: Callable[[], Followed] | None = None
) -> Opened | None:
    """Return what an edit of the scenario opens, worked out in full; None when no visit.

    Parameters
    ----------
    night : Night
    edit : callable
        Scenario to changed scenario.
    only : sequence of str
        Telescopes of the only subarray asked for.
    known : callable, optional
        Returns the followed star of the night as it is, of ``only``: an edit of what calibrators have
        to keep leaves it alone.
    """
    scenario = edit(night.scenario)
    try:
        other = night_of(scenario) if _other_sky(night.scenario, scenario) else changed(night, scenario)
    except NoNight:
        return None
    if known is None or not _same_star(night.scenario, scenario):
        return opened(other, followed_star(other, 0, only))
    followed = known()
    of = replace(followed.of, scenario=scenario)
    return opened(other, replace(followed, of=of, limits=other.limits))


def _same_star(before: Scenario, after: Scenario) -> bool:
    """Whether scenarios differ at most in what they ask of calibrators, so that the target sees no change."""
    level = {"bracket_distance_max_deg": 0.0, "calibrator_vis2_min": 0.0}
    others = (name for name in type(before).model_fields if name != "limits")
    return all(getattr(before, name) is getattr(after, name) for name in others) and (
        before.limits.model_copy(update=level) == after.limits.model_copy(update=level)
    )


def _other_sky(before: Scenario, after: Scenario) -> bool:
    return before.night.date != after.night.date


def window_points(followed: Followed) -> int:
    """Return how many grid points a science step covers at least."""
    grid = followed.held.grid_s
    step = float(grid[1] - grid[0]) if len(grid) > 1 else 1.0
    return max(1, math.floor(followed.needed_s / step))


def least(followed: Followed, knob: Knob, waived: Iterable[str] = ()) -> float | None:
    """Return the smallest number that gives some subarray room for a science step, rounded up, or None.

    What is necessary only: calibrators and set-ups are not looked at.
    """
    classes = followed.limits.placement.classes
    forgiven = set(waived)

    def turned(column: Column) -> bool:
        if column.limit != knob.limit:
            return False
        return not knob.classes or (isinstance(column.of, int) and classes[column.of].name in knob.classes)

    held = followed.held
    points = window_points(followed)
    best = -np.inf

    def of(columns: Sequence[Column]) -> tuple[np.ndarray, np.ndarray]:
        """The smallest margin of what the knob turns, and whether the rest is kept, (time,)."""
        mine = [held.margin[column] for column in columns if turned(column)]
        others = [held.margin[c] >= 0 for c in columns if not turned(c) and c.limit not in forgiven]
        nothing = np.full(len(held.grid_s), np.inf), np.ones(len(held.grid_s), dtype=bool)
        return np.min([nothing[0], *mine], axis=0), np.logical_and.reduce([nothing[1], *others])

    for telescopes, ways in followed.ways.items():
        whole = (None, *telescopes, ChainKey(telescopes))
        shared = [column for own in whole for column in held.columns.get(own, ())]
        fixed, kept = of(shared)
        if not kept.any():
            continue
        columns = [held.columns.get(key, []) for key in ways.keys]
        mine, others = (np.stack(each) for each in zip(*map(of, [*columns, []]), strict=True))
        # A setting that asks fewer keys names the one behind them, which asks nothing; then what all share.
        asks = np.array([any(map(turned, each)) for each in (*columns, [], shared)])
        for row in ways.rows[followed.distinct_places(telescopes, knob.limit)]:
            open_then = kept & others[row].all(axis=0)
            if not open_then.any() or not asks[[-1, *row]].any():
                continue
            eased = np.where(open_then, np.minimum(fixed, mine[row].min(axis=0)), -np.inf)
            best = max(best, float(_over(eased, points, minimum_filter1d).max()))
    if not np.isfinite(best) or -best > knob.most:
        return None
    return rounded_up(max(0.0, -best), knob.step)


def rounded_up(value: float, step: float) -> float:
    """Return the next whole multiple of ``step``; at least one of them.

    Examples
    --------
    >>> rounded_up(0.61, 0.1)
    0.7
    """
    return round(max(1, math.ceil(value / step - 1e-9)) * step, 9)


def _over(values: np.ndarray, points: int, extreme: Callable[..., np.ndarray]) -> np.ndarray:
    """Extreme over each whole window of so many points; minus infinity where there is none."""
    if len(values) < points:
        return np.array([-np.inf])
    found: np.ndarray = extreme(values, size=points, mode="nearest")
    first = points // 2
    return found[first : first + len(values) - points + 1]


def least_path_m(followed: Followed, telescope: int) -> tuple[float, float] | None:
    """Return the shortest segment in this beam that gives some subarray room for a science step.

    Returns
    -------
    (float, float) or None
        The shortest that does, and the longest that still does at the same moment.

    Notes
    -----
    A segment x in beam i lowers g_i by x. With K held over the step, beams
    other than i leave K in [P, Q]; beam i then needs
    x in [P - hi_i + max g_i, Q - lo_i + min g_i].
    """
    array = followed.limits.scenario.array
    path = followed.of.at(followed.held.grid_s).path_m[0]
    points = window_points(followed)
    low = np.stack([_over(row, points, minimum_filter1d) for row in path.T], axis=-1)
    high = np.stack([_over(row, points, maximum_filter1d) for row in path.T], axis=-1)
    if len(path) < points:
        return None
    best: tuple[float, float] | None = None
    for telescopes, many in followed.choices.items():
        if telescope not in telescopes:
            continue
        own = telescopes.index(telescope)
        for setting in many:
            constant = np.array(setting.beam_path_m(array, followed.combiner))
            lowest, highest = low[:, list(telescopes)] - constant, high[:, list(telescopes)] - constant
            lines = [array.delay_lines[line] for line in setting.lines]
            stroke = np.array([usable_stroke_m(line, followed.combiner) for line in lines])
            free = [c for c in followed.parts(telescopes, setting) if c.limit not in (DELAY, PUPIL)]
            kept = np.logical_and.reduce([followed.held.margin[c] >= 0 for c in free])
            open_step = _over(kept.astype(float), points, minimum_filter1d) > 0
            floor, ceiling = stroke[:, 0] - lowest, stroke[:, 1] - highest
            others = [k for k in range(len(lines)) if k != own]
            p, q = floor[:, others].max(axis=-1), ceiling[:, others].min(axis=-1)
            from_m = p - stroke[own, 1] + highest[:, own]
            to_m = q - stroke[own, 0] + lowest[:, own]
            good = np.flatnonzero(open_step & (p <= q) & (from_m <= to_m))
            if len(good):
                nearest = np.clip(0.0, from_m[good], to_m[good])
                k = int(np.argmin(np.abs(nearest)))
                far = to_m[good[k]] if nearest[k] >= 0 else from_m[good[k]]
                if best is None or abs(nearest[k]) < abs(best[0]):
                    best = float(nearest[k]), float(far)
    return best


@dataclass(frozen=True)
class Search:
    """A blocked request, alone in its night.

    Attributes
    ----------
    night : Night
        Focused: request 0.
    whole : Night
        With everything else in it.
    only : tuple of str
        Telescopes of the only subarray asked for.
    blamed : frozenset of str
        Limits that exclude it.
    alone : tuple of str
    year : YearSky or None
        The nights ahead.
    tries : list of str
        Kinds of change that have been tried, written down as they are.
    """

    night: Night
    whole: Night
    only: tuple[str, ...]
    blamed: frozenset[str]
    alone: tuple[str, ...]
    year: YearSky | None
    tries: list[str] = field(default_factory=list)

    @cached_property
    def followed(self) -> Followed:
        """The star of the blocked request, as nothing is changed."""
        return followed_star(self.night, 0, self.only)

    def try_(self, change: Change) -> Remedy | None:
        """Work a change out in full."""
        found = tried(self.night, change.edit, self.only, lambda: self.followed)
        return None if found is None else self.remedy(change, found)

    def remedy(self, change: Change, found: Opened) -> Remedy:
        """Write down what a change opens."""
        return Remedy(
            kind=change.kind,
            sentence=change.sentence,
            cost=change.cost,
            opens_h=found.hours,
            visits=found.visits,
            scenario=change.edit(self.whole.scenario),
            telescopes=found.telescopes,
        )

    def only_blames(self, limits: Sequence[str]) -> bool:
        """Whether a change that touches these limits alone could help: no other excludes by itself."""
        return not set(self.alone) - set(limits)
