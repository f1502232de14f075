"""When every subarray can be used, on the best of all assignments of delay lines, as bits."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from planner.feasibility.lines import line_kinds
from planner.geometry.baselines import pairs
from planner.ranking.answers import Seat
from planner.ranking.moments import Moments, Stroke, pair_bits, rate_bits
from planner.scenario.array import Array, Combiner

CHUNK_BYTES = 48_000_000  # of gathered bits at once


@dataclass(frozen=True)
class LineChoice:
    """What one choice of lines gives to the beams, and which subarrays it can serve.

    Attributes
    ----------
    strokes : tuple of stroke
        One for each beam.
    rates : tuple of float
        Path per second that each carriage can follow, metres of light.
    serves : ndarray of bool (subarray,)
    """

    strokes: tuple[Stroke, ...]
    rates: tuple[float, ...]
    serves: np.ndarray


def line_choices_of(array: Array, seats: Sequence[Seat], members: np.ndarray) -> list[LineChoice]:
    """Return every combination of strokes and carriages that different lines can give to the beams.

    Lines of one kind are counted, not told apart; kinds with the same strokes
    and carriages make one choice that serves what any of them does.
    """
    kinds = line_kinds(array)
    lines = [array.delay_lines[kind[0]] for kind in kinds]
    serves = np.array([[not own.stations or seat.station in own.stations for own in lines] for seat in seats])
    beams = members.shape[1]
    found: dict[tuple[tuple[Stroke, ...], tuple[float, ...]], np.ndarray] = {}
    for chosen in itertools.product(range(len(kinds)), repeat=beams):
        if any(chosen.count(kind) > len(kinds[kind]) for kind in set(chosen)):
            continue
        mask = np.logical_and.reduce([serves[members[:, k], kind] for k, kind in enumerate(chosen)])
        if not mask.any():
            continue
        key = (
            tuple(lines[kind].stroke_m for kind in chosen),
            tuple(lines[kind].tracking_speed_mm_per_s / 1e3 * lines[kind].path_per_travel for kind in chosen),
        )
        found[key] = found[key] | mask if key in found else mask
    return [LineChoice(strokes, rates, mask) for (strokes, rates), mask in found.items()]


def pair_numbers(members: np.ndarray, seats: int) -> np.ndarray:
    """Return where the pairs of each subarray stand among all pairs of seats, (subarray, pair)."""
    number = np.zeros((seats, seats), dtype=np.intp)
    every = pairs(seats)
    number[every[:, 0], every[:, 1]] = np.arange(len(every))
    inner = pairs(members.shape[1])
    return number[members[:, inner[:, 0]], members[:, inner[:, 1]]]


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
    inner = pairs(members.shape[1])
    numbers = pair_numbers(members, moments.path_m.shape[2])
    shape = (len(rows), moments.together.shape[2])
    found = np.zeros((len(members), *shape), dtype=np.uint8)
    packed: dict[tuple[Stroke, Stroke, float], np.ndarray] = {}
    fast: dict[float, np.ndarray | None] = {}
    constant = combiner.constant_path_m

    def of_pair(choice: LineChoice, k: int) -> np.ndarray:
        i, j = inner[k]
        key = (choice.strokes[i], choice.strokes[j], round(constant[j] - constant[i], 9))
        if key not in packed:
            packed[key] = pair_bits(moments, rows, key[:2], key[2])
        return packed[key]

    def of_beam(choice: LineChoice, k: int) -> np.ndarray | None:
        rate = choice.rates[k]
        if rate not in fast:
            # Carriages are seldom too slow: where they never are there is nothing to meet.
            slow = np.any(moments.rate_m_per_s[rows] > rate)
            fast[rate] = rate_bits(moments, rows, rate) if slow else None
        return fast[rate]

    for choice in choices:
        for part in _parts(np.flatnonzero(choice.serves), shape):
            bits = of_pair(choice, 0)[numbers[part, 0]]
            for k in range(1, len(inner)):
                bits &= of_pair(choice, k)[numbers[part, k]]
            for k in range(members.shape[1]):
                beam = of_beam(choice, k)
                if beam is not None:
                    bits &= beam[members[part, k]]
            found[part] |= bits
    return found


def _parts(chosen: np.ndarray, shape: tuple[int, ...]) -> Iterator[np.ndarray]:
    """Cut subarrays into parts whose bits fit into the chunk."""
    size = max(1, CHUNK_BYTES // max(1, int(np.prod(shape))))
    for start in range(0, len(chosen), size):
        yield chosen[start : start + size]


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
