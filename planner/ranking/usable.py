"""When every subarray can be used, on the best of all settings of the light path, as bits."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from planner.geometry.baselines import pairs
from planner.ranking.answers import Seat
from planner.ranking.bits import all_of, bytes_of, words_of
from planner.ranking.light import air_bits, fringe_bits, tracker_bits
from planner.ranking.moments import Moments, Stroke, pair_bits, rate_bits
from planner.scenario.array import Array, Combiner
from planner.scenario.light_path import RoutingMode
from planner.scheduling.routes import (
    line_kinds,
    matching,
    modes_for,
    reach_of,
    segment_path_m,
    segments_of,
    serving,
    usable_stroke_m,
)

CHUNK_BYTES = 48_000_000  # of gathered bits at once


_Given = tuple[tuple[Stroke, ...], tuple[float, ...], tuple[float, ...], tuple[bool, ...]]


@dataclass(frozen=True)
class LineChoice:
    """What one choice of lines, inputs and path segments gives the beams, and which subarrays it can serve.

    Attributes
    ----------
    strokes : tuple of stroke
        One for each beam: the part that the combiner can use.
    rates : tuple of float
        Path per second that each carriage can follow, metres of light.
    path_m : tuple of float
        Constant path of each beam: its segment and its input.
    in_air : tuple of bool
    serves : ndarray of bool (subarray,)
    """

    strokes: tuple[Stroke, ...]
    rates: tuple[float, ...]
    path_m: tuple[float, ...]
    in_air: tuple[bool, ...]
    serves: np.ndarray


def line_choices_of(
    array: Array, seats: Sequence[Seat], members: np.ndarray, combiner: Combiner, dual_feed: bool = False
) -> list[LineChoice]:
    """Return every combination of strokes, carriages and constant paths that the beams can be given.

    Lines of one kind are counted, not told apart; combinations that give the
    same make one choice that serves what any of them does.
    """
    found: dict[_Given, np.ndarray] = {}
    for mode, led in _modes(array, seats, members, combiner, dual_feed):
        kinds = line_kinds(array, mode)
        lines = [array.delay_lines[kind[0]] for kind in kinds]
        serves = np.array([[k[0] in serving(array, seat.station) for k in kinds] for seat in seats])
        for chosen in itertools.product(range(len(kinds)), repeat=members.shape[1]):
            if any(chosen.count(kind) > len(kinds[kind]) for kind in set(chosen)):
                continue
            inputs = matching([reach_of(mode, lines[kind].name) for kind in chosen], combiner.beams)
            mask = np.logical_and.reduce([led, *(serves[members[:, k], n] for k, n in enumerate(chosen))])
            if inputs is None or not mask.any():
                continue
            own = [lines[kind] for kind in chosen]
            rates = tuple(line.tracking_speed_mm_per_s / 1e3 * line.path_per_travel for line in own)
            strokes = tuple(usable_stroke_m(line, combiner) for line in own)
            air = tuple(line.medium == "air" for line in own)
            inner = [combiner.constant_path_m[number] for number in inputs]
            for path, fits in _segments(array, seats, members, inner):
                if (mask & fits).any():
                    key: _Given = (strokes, rates, path, air)
                    found[key] = found[key] | (mask & fits) if key in found else mask & fits
    return [LineChoice(*given, mask) for given, mask in found.items()]


def _modes(
    array: Array, seats: Sequence[Seat], members: np.ndarray, combiner: Combiner, dual_feed: bool
) -> Iterator[tuple[RoutingMode | None, np.ndarray]]:
    """Each routing mode with the subarrays that it can lead to the combiner."""
    classes = {own.name: own for own in array.telescope_classes}
    of_seat = [classes[seat.telescope_class] for seat in seats]
    kinds = [tuple(dict.fromkeys(of_seat[k] for k in row)) for row in members.tolist()]
    able = {kind: modes_for(array, combiner, kind, dual_feed) for kind in dict.fromkeys(kinds)}
    for number in sorted({number for modes in able.values() for number in modes}):
        led = np.array([number in able[kind] for kind in kinds], dtype=bool)
        yield (array.routing_modes[number] if number >= 0 else None), led


def _segments(
    array: Array, seats: Sequence[Seat], members: np.ndarray, inner_m: Sequence[float]
) -> Iterator[tuple[tuple[float, ...], np.ndarray]]:
    """Each choice of path segments as constant paths, with the subarrays whose stations it serves."""
    if not array.path_segments:
        yield tuple(inner_m), np.ones(len(members), dtype=bool)
        return
    of_seat = [segments_of(array, seat.station) for seat in seats]
    every = sorted({segment for own in of_seat for segment in own})
    serves = {segment: np.array([segment in own for own in of_seat]) for segment in every}
    for chosen in itertools.product(every, repeat=members.shape[1]):
        fits = np.logical_and.reduce([serves[s][members[:, k]] for k, s in enumerate(chosen)])
        added = [segment_path_m(array, s) for s in chosen]
        yield tuple(own + more for own, more in zip(inner_m, added, strict=True)), fits


def pair_numbers(members: np.ndarray, seats: int) -> np.ndarray:
    """Return where the pairs of each subarray stand among all pairs of seats, (subarray, pair)."""
    number = np.zeros((seats, seats), dtype=np.intp)
    every = pairs(seats)
    number[every[:, 0], every[:, 1]] = np.arange(len(every))
    inner = pairs(members.shape[1])
    return number[members[:, inner[:, 0]], members[:, inner[:, 1]]]


class Usable:
    """When subarrays can be used for some rows of a night, choice by choice.

    Parameters
    ----------
    moments : Moments
    combiner : Combiner
    rows : ndarray (row,)
        Of one combiner: requests, or calibrators of them.
    members : ndarray (subarray, beam)
    steps : int
        0: at each slot. Else where a step can begin that lasts so many slots, with one common offset held.
    """

    def __init__(
        self, moments: Moments, combiner: Combiner, rows: np.ndarray, members: np.ndarray, steps: int = 0
    ) -> None:
        self.moments, self.combiner, self.rows, self.members = moments, combiner, rows, members
        self.steps = steps
        self.numbers = pair_numbers(members, moments.path_m.shape[2])
        self._inner = pairs(members.shape[1])
        self._pairs: dict[object, np.ndarray] = {}
        self._fast: dict[float, np.ndarray | None] = {}
        self._together = self._held(moments.together[:, rows])
        linked = tracker_bits(moments, rows, members, self.numbers)
        self._linked = None if linked is None else self._held(linked)

    def on(self, choice: LineChoice, part: np.ndarray) -> np.ndarray:
        """Return the slots of some subarrays on one choice of lines, in words, (part, row, word)."""
        bits = self._of_pair(choice, 0)[self.numbers[part, 0]]
        for k in range(1, len(self._inner)):
            bits &= self._of_pair(choice, k)[self.numbers[part, k]]
        for k in range(self.members.shape[1]):
            beam = self._of_beam(choice, k)
            if beam is not None:
                bits &= beam[self.members[part, k]]
        if self._linked is not None:
            bits &= self._linked[part]
        return bits

    def _held(self, packed: np.ndarray) -> np.ndarray:
        """Where bytes stay set for the whole step, in words."""
        return all_of(words_of(packed), 0, self.steps)

    def _of_pair(self, choice: LineChoice, k: int) -> np.ndarray:
        i, j = self._inner[k]
        constant = round(choice.path_m[j] - choice.path_m[i], 9)
        in_air = choice.in_air[i] and choice.in_air[j] and self.combiner.air_contrast_min > 0
        strokes = choice.strokes[i], choice.strokes[j]
        key = (strokes, constant, in_air)
        if key not in self._pairs:
            in_range = words_of(pair_bits(self.moments, self.rows, strokes, constant, self.steps))
            in_range &= self._together
            if in_air:
                in_range &= self._held(air_bits(self.moments, self.rows, self.combiner, constant))
            self._pairs[key] = in_range
        return self._pairs[key]

    def _of_beam(self, choice: LineChoice, k: int) -> np.ndarray | None:
        rate = choice.rates[k]
        if rate not in self._fast:
            # Carriages are seldom too slow: where they never are there is nothing to meet.
            slow = np.any(self.moments.rate_m_per_s[self.moments.star_of[self.rows]] > rate)
            self._fast[rate] = self._held(rate_bits(self.moments, self.rows, rate)) if slow else None
        return self._fast[rate]


def usable_bits(
    moments: Moments,
    combiner: Combiner,
    rows: np.ndarray,
    members: np.ndarray,
    choices: Sequence[LineChoice],
) -> np.ndarray:
    """Return when each subarray can be used for each request of a combiner, (subarray, row, byte).

    Parameters
    ----------
    moments : Moments
    combiner : Combiner
    rows : ndarray (row,)
        Positions of its requests.
    members : ndarray (subarray, beam)
    choices : sequence of LineChoice
        From :func:`line_choices_of` with the same subarrays.
    """
    usable = Usable(moments, combiner, rows, members)
    shape = (len(rows), moments.together.shape[2])
    found = np.zeros((len(members), *shape), dtype=np.uint8)
    for choice in choices:
        for part in parts_of(choice, shape):
            found[part] |= bytes_of(usable.on(choice, part), shape[1])
    shown = fringe_bits(moments, rows, usable.numbers)
    return found if shown is None else found & shown


def parts_of(choice: LineChoice, shape: tuple[int, ...]) -> Iterator[np.ndarray]:
    """Cut the subarrays that a choice serves into parts whose bits fit into the chunk."""
    serves = np.flatnonzero(choice.serves)
    size = max(1, CHUNK_BYTES // max(1, int(np.prod(shape))))
    for start in range(0, len(serves), size):
        yield serves[start : start + size]


def runs_of(bits: np.ndarray, slots: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the runs of set bits of some rows: row, first slot, last slot, each (run,).

    Parameters
    ----------
    bits : ndarray of uint8 (row, byte)
    slots : int
    """
    wide = np.zeros((len(bits), slots + 2), dtype=np.int8)
    wide[:, 1:-1] = np.unpackbits(bits, axis=-1, count=slots)
    change = np.diff(wide, axis=1)
    row, first = np.nonzero(change == 1)
    _, after = np.nonzero(change == -1)
    return row, first, after - 1
