"""The array's limits as constraints of astroplan, and the ways between its objects and ours.

Who plans with astroplan adds what an interferometer forbids::

    limits = interferometer_constraints(array, "wide", ("Granite", "Basalt"), combiner="Duet")
    astroplan.is_observable(limits, observer_of(array.site), targets, time_range=hours)

The planner's own functions judge at the array's own site; the observer is only
checked to stand there. An answer depends on its target and its instant alone:
parallax and light deflection are those of the nearest local midnight. Proper
motion, parallax and radial velocity count from the coordinate's ``obstime``
(J2000 without one); from limits given to a scheduler as a whole astroplan
withholds the motions, not from those of an ``ObservingBlock``. That a step holds
its common offset, and carriages follow, is the night planner's business.
"""

from __future__ import annotations

import itertools
from abc import abstractmethod
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

import astroplan
import numpy as np
from astropy import units as u
from astropy.time import Time

from planner.constraints.delay_range import delay_range
from planner.constraints.horizon import altitude_lower, altitude_upper, azimuth_drive, skyline
from planner.constraints.shadowing import shadowing
from planner.geometry.delays import path_m
from planner.geometry.placement import Placement, placement_of
from planner.interop.astroplan_grid import broadcast
from planner.interop.astroplan_objects import (
    SITE_TOLERANCE_KM,
    ArrayObserver,
    check_site,
    fixed_target_of,
    joined,
    observer_of,
    site_of,
    star_of,
)
from planner.scenario.array import Array, Combiner
from planner.scheduling.routes import line_choices, segment_path_m, segments_of, usable_stroke_m
from planner.sky.earth import offline_earth
from planner.sky.night import NightSky

__all__ = [
    "SITE_TOLERANCE_KM",
    "ArrayConstraint",
    "ArrayObserver",
    "DelayRangeConstraint",
    "HorizonConstraint",
    "ShadowingConstraint",
    "fixed_target_of",
    "interferometer_constraints",
    "observer_of",
    "site_of",
    "star_of",
]

Strokes = tuple[tuple[tuple[float, float], ...], ...]


@dataclass(frozen=True, eq=False, repr=False)
class ArrayConstraint(astroplan.Constraint):
    """What the limits of an array have in common; make one of its subclasses.

    Parameters
    ----------
    array : Array
    configuration : str
    telescopes : sequence of str
        They observe together, in the order of their beams.
    boolean_constraint : bool
        False asks for a score from 0 to 1 instead of a yes or no.

    Raises
    ------
    ValueError
        For names that do not fit the array.
    """

    array: Array
    configuration: str
    telescopes: tuple[str, ...]
    boolean_constraint: bool = field(default=True, kw_only=True)

    def __post_init__(self) -> None:
        object.__setattr__(self, "telescopes", tuple(self.telescopes))
        _known("configuration", [self.configuration], [c.name for c in self.array.configurations])
        _known("placed telescope", self.telescopes, list(self.array.placed(self.configuration)))
        if not self.telescopes or len(set(self.telescopes)) < len(self.telescopes):
            raise ValueError("The telescopes are none, or not different. Name each one once.")

    def __repr__(self) -> str:
        return f"<{type(self).__name__}: {self.configuration}, {' '.join(self.telescopes)}>"

    def __call__(self, observer: Any, targets: Any, *args: Any, **kwargs: Any) -> np.ndarray:
        """Judge as every astroplan constraint does; targets keep their motions, also in a list."""
        coordinate = joined(targets)
        if coordinate.isscalar and (args[3] if len(args) > 3 else kwargs.get("grid_times_targets")):
            coordinate = coordinate.reshape(1)
        with offline_earth():
            return super().__call__(observer, coordinate, *args, **kwargs)

    def compute_constraint(self, times: Time, observer: Any, targets: Any) -> np.ndarray:
        """Return yes or no, or the score; ValueError when the observer is not at the array's site."""
        check_site(observer, self.array.site)
        found = self._over(times, targets)
        return found[..., 0] >= 0 if self.boolean_constraint else np.nan_to_num(found[..., 1])

    def margin(self, times: Time, targets: Any) -> np.ndarray:
        """Return by how much the limit is kept, in the unit of the class: zero or more is allowed.

        Times of any shape, order and scale; a masked one has the margin NaN, which is a no. Targets are a
        SkyCoord, a FixedTarget or a list; (target, 1) and times (time,) give (target, time).
        """
        return self._over(times, targets)[..., 0]

    def _over(self, times: Time, targets: Any) -> np.ndarray:
        return broadcast(self.array.site, Time(times), joined(targets), self._judge)

    def _own(self) -> Placement:
        """Return the observing telescopes alone, in the order of their beams."""
        whole = placement_of(self.array, self.configuration)
        own = whole.index(self.telescopes)
        of_each: Any = (whole.stations, whole.classes, whole.horizons)
        stations, classes, horizons = (tuple(values[i] for i in own) for values in of_each)
        vectors_m, fixed_path_m = whole.vectors_m[own], whole.fixed_path_m[own]
        return Placement(self.telescopes, stations, classes, vectors_m, fixed_path_m, horizons)

    @abstractmethod
    def _judge(self, sky: NightSky) -> np.ndarray:
        """Return margin and score, (star, time, 2)."""


@dataclass(frozen=True, eq=False, repr=False)
class DelayRangeConstraint(ArrayConstraint):
    """The delay lines can hold all paths equal. Margin: metres of light left to the common offset.

    Parameters
    ----------
    combiner : str, optional
        Its input k + 1 takes telescope k, in the order given, with its constant path.
    delay_lines : sequence of str, optional
        One for each telescope. Default: at each instant the widest margin of
        any assignment of different lines that serve their stations.

    Notes
    -----
    The score is the margin as a fraction of the shortest stroke (of the best
    assignment's, where lines are left open): 1 where all of it is free. Only
    strokes enter (Helly's theorem), so each combination of strokes is tried once.
    """

    combiner: str | None = None
    delay_lines: tuple[str, ...] | None = None
    strokes_m: Strokes = field(init=False)

    def __post_init__(self) -> None:
        super().__post_init__()
        if len(self.telescopes) < 2:
            raise ValueError("One telescope has no delay range. Name two telescopes or more.")
        own = self._own()
        if self.combiner is not None:
            _check_combiner(self.array, self.combiner, own)
        combiner = None if self.combiner is None else self.array.combiner(self.combiner)
        object.__setattr__(self, "strokes_m", _strokes(self.array, own, self.delay_lines, combiner))

    def _judge(self, sky: NightSky) -> np.ndarray:
        own = self._own()
        path = path_m(sky.direction, own.vectors_m, own.fixed_path_m)
        if self.combiner is not None:
            path = path - np.array(self.array.combiner(self.combiner).constant_path_m)
        # Beam by beam in memory: extremes over the beams are then taken of whole rows.
        path = np.moveaxis(np.ascontiguousarray(np.moveaxis(path, -1, 0)), 0, -1)
        margin = np.full(path.shape[:2], -np.inf)
        for stroke in self.strokes_m:
            margin = np.maximum(margin, delay_range(path, np.array(stroke)).margin)
        whole = max(min(high - low for low, high in stroke) for stroke in self.strokes_m)
        return np.stack([margin, np.clip(margin / whole, 0.0, 1.0)], axis=-1)


@dataclass(frozen=True, eq=False, repr=False)
class ShadowingConstraint(ArrayConstraint):
    """No neighbour's enclosure stands in the light. Margin: fraction of the pupil.

    Every telescope that the configuration places is an obstacle; those named are
    judged. The score is the clear fraction of the most hidden pupil, 0 where the limit is broken.
    """

    def _judge(self, sky: NightSky) -> np.ndarray:
        placed = placement_of(self.array, self.configuration)
        margin = shadowing(sky, placed).margin[..., placed.index(self.telescopes)]
        clear = 1.0 - (np.array([own.obstruction_max for own in self._own().classes]) - margin)
        lowest = margin.min(axis=-1)
        return np.stack([lowest, np.where(lowest >= 0, clear.min(axis=-1), 0.0)], axis=-1)


@dataclass(frozen=True, eq=False, repr=False)
class HorizonConstraint(ArrayConstraint, astroplan.AltitudeConstraint):
    """The mounts can point there and follow. Margin: degrees of altitude.

    Altitude limits (true altitude), skylines of site and stations (refracted
    altitude) and azimuth drives: where a drive cannot keep up the margin is minus
    infinity. It is an ``AltitudeConstraint``, so astroplan knows altitude to be
    limited. The score is the height above limit and skyline as a fraction of the
    mount's range, smallest over the telescopes; 0 where any limit is broken.
    """

    min = property(lambda self: max(own.altitude_min_deg for own in self._own().classes) * u.deg)
    max = property(lambda self: min(own.altitude_max_deg for own in self._own().classes) * u.deg)

    def _judge(self, sky: NightSky) -> np.ndarray:
        own, site = self._own(), self.array.site
        above = np.minimum(altitude_lower(sky, own).margin, skyline(sky, own, site.horizon_deg).margin)
        margin = np.minimum(above, altitude_upper(sky, own).margin).min(axis=-1)
        follows = azimuth_drive(sky, own, site.latitude_deg).allowed.all(axis=-1)
        margin = np.where(follows, margin, -np.inf)
        whole = np.array([one.altitude_max_deg - one.altitude_min_deg for one in own.classes])
        return np.stack([margin, np.where(margin >= 0, (above / whole).min(axis=-1), 0.0)], axis=-1)


def interferometer_constraints(
    array: Array,
    configuration: str,
    telescopes: Sequence[str],
    combiner: str | None = None,
    delay_lines: Sequence[str] | None = None,
    boolean_constraint: bool = True,
) -> list[astroplan.Constraint]:
    """Return horizon, shadowing and delay range for astroplan; parameters and errors as of the classes."""
    own, lines = (array, configuration, tuple(telescopes)), delay_lines and tuple(delay_lines)
    return [
        HorizonConstraint(*own, boolean_constraint=boolean_constraint),
        ShadowingConstraint(*own, boolean_constraint=boolean_constraint),
        DelayRangeConstraint(*own, combiner, lines, boolean_constraint=boolean_constraint),
    ]


def _known(kind: str, names: Iterable[str], known: Sequence[str]) -> None:
    for name in names:
        if name not in known:
            raise ValueError(f"There is no {kind} {name!r}. Use one of: {', '.join(known)}.")


def _check_combiner(array: Array, name: str, own: Placement) -> None:
    _known("combiner", [name], [c.name for c in array.combiners])
    combiner, classes = array.combiner(name), {one.name for one in own.classes}
    mixed = len(classes) > 1 and not combiner.mixed_classes
    if mixed or combiner.beams != len(own.telescopes) or classes - set(combiner.limiting_magnitude):
        given = f"{len(own.telescopes)} telescopes of {' and '.join(sorted(classes))}"
        raise ValueError(f"{name!r} of {combiner.beams} beams cannot combine {given}. Choose others.")


def _strokes(array: Array, own: Placement, names: Sequence[str] | None, combiner: Combiner | None) -> Strokes:
    """Every combination of strokes that different lines can give to these beams, or the lines named."""
    known = [line.name for line in array.delay_lines]
    _known("delay line", names or (), known)
    choices = [lines for _, lines in line_choices(array, own, range(len(own.stations)))]
    if names is not None:
        if len(names) != len(own.stations):
            raise ValueError(
                f"{len(names)} delay lines for {len(own.stations)} telescopes. Name one for each."
            )
        lines = [array.delay_line(name) for name in names]
        serves = [not x.stations or s in x.stations for x, s in zip(lines, own.stations, strict=True)]
        choices = [tuple(map(known.index, names))] if all(serves) and len(set(names)) == len(names) else []
    strokes = tuple(
        dict.fromkeys(given for chosen in choices for given in _with_segments(array, own, combiner, chosen))
    )
    if not strokes:
        raise ValueError(f"No different delay lines serve {', '.join(own.stations)} so. Choose other lines.")
    return strokes


def _with_segments(
    array: Array, own: Placement, combiner: Combiner | None, chosen: Sequence[int]
) -> Iterator[tuple[tuple[float, float], ...]]:
    """The strokes of these lines for every choice of path segments, which shift both ends by their path."""
    lines = [array.delay_lines[k] for k in chosen]
    inner = [x.stroke_m if combiner is None else usable_stroke_m(x, combiner) for x in lines]
    for segments in itertools.product(*(segments_of(array, station) for station in own.stations)):
        added = [segment_path_m(array, k) for k in segments]
        yield tuple((low + more, high + more) for (low, high), more in zip(inner, added, strict=True))
