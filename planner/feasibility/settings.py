"""Which settings of the light path are followed, and when a fringe tracker holds a subarray together."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np

from planner.feasibility.columns import TRACKER, BaselineKey, ChainKey, Column
from planner.feasibility.edges import Holding, by_owner
from planner.feasibility.spans import Spans, join
from planner.geometry.placement import Placement
from planner.scenario.array import Array, Combiner
from planner.scheduling.routes import Setting, settings_of, settings_without_segments
from planner.scheduling.subarrays import PairBits, grown_settings
from planner.science.tracking import chain_margin, tracked_sets

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
    bases = settings_without_segments(array, placement, combiner, telescopes, dual)
    if not array.path_segments:
        return bases
    every = settings_of(array, placement, combiner, telescopes, dual)
    if len(every) <= MANY:
        return every
    paths = path_m[None][:, :, list(telescopes)]
    allowed = np.packbits(np.ones((1, len(path_m)), dtype=bool), axis=-1)
    found = []
    for base in bases:
        strokes = [array.delay_lines[line].stroke_m for line in base.lines]
        bits = PairBits(paths, strokes)
        stations = [placement.stations[i] for i in telescopes]
        found += [setting for setting, _ in grown_settings(array, combiner, base, stations, bits, allowed)]
    return found or every[:MANY]


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
