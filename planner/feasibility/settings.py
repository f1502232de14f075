"""Which settings of the light path are followed, and when a fringe tracker holds a subarray together."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from planner.constraints.contrast import UNIT, fringes
from planner.constraints.tonight import NightLimits
from planner.feasibility.columns import (
    RESOLVED,
    TRACKER,
    BaselineKey,
    ChainKey,
    Column,
    LightKey,
    PairKey,
    RateKey,
)
from planner.feasibility.edges import Holding, Keys, by_owner
from planner.feasibility.lines import path_per_s
from planner.feasibility.spans import Spans, join, meet_all
from planner.geometry.placement import Placement
from planner.scenario.array import Array, Combiner
from planner.scheduling.routes import (
    Setting,
    Stroke,
    segment_path_m,
    segments_of,
    settings_without_segments,
    usable_stroke_m,
    with_segments,
)
from planner.scheduling.subarrays import pair_in_range
from planner.science.tracking import chain_margin, tracked_sets
from planner.sky.earth_curve import seconds_after

MANY = 400  # settings of a subarray that are all followed; of more, those whose paths are ever equal


def reached_settings(
    array: Array,
    placement: Placement,
    asked: tuple[Combiner, tuple[int, ...], bool],
    path_m: np.ndarray,
) -> list[Setting]:
    """Return the settings of a subarray that are worth following.

    Parameters
    ----------
    array : Array
    placement : Placement
    asked : (Combiner, telescopes, bool)
        Combiner, telescopes as index in the placement, whether two stars are led.
    path_m : ndarray (time, telescope)
        r.s - L through the night.

    Returns
    -------
    list of Setting
        All of them when there are few; of many, those that make all paths
        equal at some time, or the first of them when none does.
    """
    combiner, telescopes, dual = asked
    every = settings_without_segments(array, placement, combiner, telescopes, dual)
    bases = _distinct(array, combiner, every)
    if not array.path_segments:
        return bases
    segments = [segments_of(array, placement.stations[i]) for i in telescopes]
    if len(every) * math.prod(map(len, segments)) <= MANY:
        return [own for base in bases for own in with_segments(array, placement, telescopes, base)]
    equal = _EqualPaths(path_m[:, list(telescopes)])
    found = [
        replace(base, segments=chosen)
        for base in bases
        for chosen in equal.chosen(*_ways(array, combiner, base, segments))
    ]
    if found:
        return found
    all_ways = (own for base in bases for own in with_segments(array, placement, telescopes, base))
    return list(itertools.islice(all_ways, MANY))


def _distinct(array: Array, combiner: Combiner, settings: Sequence[Setting]) -> list[Setting]:
    """Leave out settings that ask the same of every beam as one before them: they open and close together."""
    first: dict[object, Setting] = {}
    for setting in settings:
        lines = [array.delay_lines[line] for line in setting.lines]
        asked = tuple(
            (line.stroke_m, usable_stroke_m(line, combiner), path_per_s(line), line.medium) for line in lines
        )
        first.setdefault((asked, setting.beam_path_m(array, combiner)), setting)
    return list(first.values())


def _ways(
    array: Array, combiner: Combiner, base: Setting, segments: Sequence[Sequence[int]]
) -> tuple[list[Stroke], list[list[tuple[int, float]]]]:
    """Strokes of a setting without segments, and each beam's segments with the constant path they give it."""
    inner = base.beam_path_m(array, combiner)
    strokes = [array.delay_lines[line].stroke_m for line in base.lines]
    added = {k: segment_path_m(array, k) for own in segments for k in own}
    return strokes, [[(k, path + added[k]) for k in own] for path, own in zip(inner, segments, strict=True)]


class _EqualPaths:
    """When two beams find a common offset, as the bits of a whole number, each pair worked out once.

    Parameters
    ----------
    path_m : ndarray (time, beam)
        r.s - L.
    """

    def __init__(self, path_m: np.ndarray) -> None:
        self.path_m = path_m
        self.known: dict[tuple[int, int, Stroke, Stroke, float], int] = {}

    def pair(self, i: int, j: int, strokes: Sequence[Stroke], constant_m: float) -> int:
        """Return the moments of two beams; the constant path of beam j minus that of beam i is given."""
        key = (i, j, strokes[i], strokes[j], round(constant_m, 9))
        if key not in self.known:
            second = self.path_m[:, j] - constant_m
            inside = pair_in_range(self.path_m[:, i], second, strokes[i], strokes[j])
            self.known[key] = int.from_bytes(np.packbits(inside).tobytes(), "big")
        return self.known[key]

    def chosen(
        self, strokes: Sequence[Stroke], ways: Sequence[Sequence[tuple[int, float]]]
    ) -> Iterator[tuple[int, ...]]:
        """Yield the path segments of the beams for every choice that makes all paths equal at some moment."""
        beams = range(len(ways))
        pairs = {
            (i, j, k, n): self.pair(i, j, strokes, own - other)
            for i, j in itertools.combinations(beams, 2)
            for n, (_, own) in enumerate(ways[j])
            for k, (_, other) in enumerate(ways[i])
        }

        def grown(places: tuple[int, ...], bits: int) -> Iterator[tuple[int, ...]]:
            beam = len(places)
            if beam == len(ways):
                yield tuple(way[place][0] for way, place in zip(ways, places, strict=True))
                return
            for own in range(len(ways[beam])):
                left = bits
                for other, place in enumerate(places):
                    left &= pairs[other, beam, place, own]
                    if not left:
                        break
                if left:
                    yield from grown((*places, own), left)

        yield from grown((), -1)


@dataclass(frozen=True)
class Ways:
    """Every setting of one subarray, and what each asks of the light path.

    Attributes
    ----------
    settings : list of Setting
    asked : list of Keys
        Of each setting.
    keys : tuple
        Everything that some setting asks, each once.
    rows : ndarray of int (setting, part)
        Places in ``keys`` of what each setting asks; where it asks no more, ``len(keys)``.
    places : dict
        {setting: its place in ``settings``}.
    """

    settings: list[Setting]
    asked: list[Keys]
    keys: tuple[PairKey | RateKey | LightKey, ...]
    rows: np.ndarray
    places: dict[Setting, int]

    def first_of_each(self, asks: Sequence[bool]) -> np.ndarray:
        """Return the places of settings that differ in these keys, the first of the others, (setting,).

        Parameters
        ----------
        asks : sequence of bool
            For each of ``keys``, whether settings may differ in it.
        """
        left = np.where(np.array([*asks, False])[self.rows], self.rows, len(self.keys))
        return np.sort(np.unique(np.sort(left, axis=1), axis=0, return_index=True)[1])


def ways_of(settings: list[Setting], asked: list[Keys]) -> Ways:
    """Return settings with what they ask, numbered so that all of them can be met at once."""
    numbers: dict[PairKey | RateKey | LightKey, int] = {}
    listed = [[numbers.setdefault(key, len(numbers)) for key in keys.of_setting] for keys in asked]
    rows = np.full((len(listed), max(map(len, listed), default=0)), len(numbers))
    for place, row in enumerate(listed):
        rows[place, : len(row)] = row
    return Ways(settings, asked, tuple(numbers), rows, {own: k for k, own in enumerate(settings)})


def when_usable(held: Holding, telescopes: Sequence[int], ways: Ways) -> list[Spans]:
    """Return when a subarray is usable on each of its settings.

    What all settings share is met once, and then once with each key. A key that
    takes nothing of it away asks nothing, and settings that are left with the
    same keys are met once.
    """

    def of(owners: Iterable[object]) -> Iterator[Spans]:
        return (held.spans[column] for own in owners for column in held.columns.get(own, ()))

    shared = meet_all(of([None, *telescopes, ChainKey(tuple(telescopes))]), held.length_s)
    if not shared:
        return [()] * len(ways.settings)
    met = [meet_all((shared, *of([key])), held.length_s) for key in ways.keys]
    nothing = len(met)
    asks = np.array([*(own != shared for own in met), False])
    left = np.sort(np.where(asks[ways.rows], ways.rows, nothing), axis=1)
    distinct, which = np.unique(left, axis=0, return_inverse=True)
    spans = [
        meet_all((shared, *(met[key] for key in row if key < nothing)), held.length_s)
        for row in distinct.tolist()
    ]
    return [spans[k] for k in which.reshape(-1).tolist()]


def chain_of(values: dict[Column, np.ndarray], telescopes: Sequence[int], most: int) -> np.ndarray:
    """Return by how much a tracker of ``most`` beams holds the best set of a subarray, mag, (time,)."""
    pairs = [Column(TRACKER, "mag", BaselineKey(pair)) for pair in itertools.combinations(telescopes, 2)]
    margin = np.stack([values[column] for column in pairs], axis=-1)
    beams = len(telescopes)
    return np.max([chain_margin(margin, own, beams) for own in tracked_sets(beams, most)], axis=0)


def with_chains(held: Holding, subarrays: Iterable[tuple[int, ...]], most: int) -> Holding:
    """Return what holds, with the fringe tracker of each subarray: when some set of beams is linked.

    Between two changes of its baselines a chain holds throughout or not at all.
    """
    margin, spans = dict(held.margin), dict(held.spans)
    for telescopes in subarrays:
        column = Column(TRACKER, "mag", ChainKey(telescopes))
        margin[column] = chain_of(held.margin, telescopes, most)
        pairs = itertools.combinations(telescopes, 2)
        own = [held.spans[Column(TRACKER, "mag", BaselineKey(pair))] for pair in pairs]
        spans[column] = _linked(own, len(telescopes), most, held.length_s)
    return replace(held, margin=margin, spans=spans, columns=by_owner(margin))


def _linked(baselines: Sequence[Spans], beams: int, most: int, length_s: float) -> Spans:
    """When some set of beams is one graph, from when each baseline can be tracked."""
    marks = sorted({0.0, length_s, *(edge for own in baselines for span in own for edge in span)})
    middle = np.array([(a + b) / 2.0 for a, b in itertools.pairwise(marks)])
    on = np.full((len(middle), len(baselines)), -1.0)
    for column, own in enumerate(baselines):
        for start, end in own:
            on[(middle > start) & (middle < end), column] = 1.0
    linked = np.any([chain_margin(on, own, beams) > 0 for own in tracked_sets(beams, most)], axis=0)
    return join([((marks[k], marks[k + 1]),) for k in np.flatnonzero(linked)])


def with_fringes(
    held: Holding, limits: NightLimits, request: int, subarrays: Iterable[tuple[int, ...]]
) -> Holding:
    """Return what holds, with when a resolved target shows fringes on each subarray."""
    margin, spans = dict(held.margin), dict(held.spans)
    times = limits.sky.times
    first_s = seconds_after(limits.sky.dark.start, times[0])
    seconds = first_s + limits.sky.tick_s * np.arange(len(times), dtype=float)
    for telescopes in subarrays:
        shown = fringes(limits, request, telescopes)
        if shown is None:
            continue
        column = Column(RESOLVED, UNIT, ChainKey(telescopes))
        near = np.clip(shown.near_s + first_s, 0.0, held.length_s).tolist()
        spans[column] = tuple((start, end) for start, end in near if start < end)
        margin[column] = np.interp(held.grid_s, seconds, shown.verdict.margin)
    return replace(held, margin=margin, spans=spans, columns=by_owner(margin))
