"""Which telescopes are combined, and which delay line each one gets.

A subarray is feasible exactly when each pair of its (beam, line) is (Helly's
theorem in one dimension), and a pair depends on the lines' strokes only. So
pairs are evaluated once for each combination of strokes, packed as bits over
(request, slot), and every assignment is the AND of its pairs.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from planner.constraints.tonight import NightLimits
from planner.geometry.placement import Placement
from planner.scenario.array import Array, Combiner
from planner.scenario.targets import Request


@dataclass(frozen=True)
class Subarray:
    """Telescopes combined together, with their delay lines.

    Attributes
    ----------
    combiner : str
    telescopes : tuple of int
        Index in the placement; beam k goes to the combiner's input k + 1.
    lines : tuple of int
        Index in ``array.delay_lines``, same order.
    """

    combiner: str
    telescopes: tuple[int, ...]
    lines: tuple[int, ...]


def possible_subarrays(placement: Placement, combiner: Combiner, request: Request) -> list[tuple[int, ...]]:
    """Return every set of placed telescopes that the combiner and the request accept, as index tuples."""
    wanted = set(request.extras.telescopes)
    usable = [
        index
        for index, (name, own) in enumerate(zip(placement.telescopes, placement.classes, strict=True))
        if own.name in combiner.limiting_magnitude and (not wanted or name in wanted)
    ]
    chosen = itertools.combinations(usable, combiner.beams)
    return [c for c in chosen if combiner.mixed_classes or len({placement.classes[i].name for i in c}) == 1]


def home_lines(array: Array, placement: Placement) -> tuple[int, ...]:
    """Return one delay line for each telescope, shared by as few as possible; -1 where none serves it.

    A preference only: it keeps beams where they are when assignments are
    otherwise equal.
    """
    homes: list[int] = []
    for station in placement.stations:
        serving = _serving(array, station)
        homes.append(
            min(
                serving,
                key=lambda line: (
                    homes.count(line),
                    array.delay_lines[line].stroke_m[0] - array.delay_lines[line].stroke_m[1],
                ),
                default=-1,
            )
        )
    return tuple(homes)


def _serving(array: Array, station: str) -> list[int]:
    return [i for i, line in enumerate(array.delay_lines) if not line.stations or station in line.stations]


def _assignments(array: Array, stations: Sequence[str]) -> Iterator[tuple[int, ...]]:
    for lines in itertools.product(*(_serving(array, station) for station in stations)):
        if len(set(lines)) == len(lines):
            yield lines


def assign_lines(
    limits: NightLimits, combiner: Combiner, telescopes: tuple[int, ...], requests: Sequence[int]
) -> dict[int, Subarray]:
    """Choose the delay lines of a subarray for each request that may use it.

    The assignment with the most usable slots over all these requests, weighted
    by priority, is the common one; a request gets another only when that gives
    it more usable slots, because leading a beam into another line costs time.

    Parameters
    ----------
    limits : NightLimits
    combiner : Combiner
    telescopes : tuple of int
        Index in the placement.
    requests : sequence of int
        Index in ``scenario.requests``, which is also the star's index in the sky.

    Returns
    -------
    dict
        {request: Subarray}, without the requests that no assignment serves at any slot.
    """
    array = limits.scenario.array
    index = np.array(telescopes)
    homes = home_lines(array, limits.placement)
    best: dict[tuple[tuple[float, float], ...], tuple[int, tuple[int, ...]]] = {}
    for lines in _assignments(array, [limits.placement.stations[i] for i in telescopes]):
        key = tuple(array.delay_lines[line].stroke_m for line in lines)
        moved = sum(line != homes[i] for line, i in zip(lines, telescopes, strict=True))
        best[key] = min(best.get(key, (len(lines) + 1, lines)), (moved, lines))
    usable = _usable_slots(limits, combiner, index, requests)
    if not best or not usable.any():
        return {}
    counts = _counts(limits, combiner, index, requests, list(best), usable)
    priority = np.array([limits.scenario.requests[r].priority for r in requests])
    ranked = sorted(best, key=lambda key: (-int(counts[key] @ priority), best[key]))
    chosen = {}
    for position, request in enumerate(requests):
        key = max(ranked, key=lambda key: counts[key][position])  # the first of equals: the common one
        if counts[key][position] > 0:
            chosen[request] = Subarray(combiner.name, telescopes, best[key][1])
    return chosen


def _usable_slots(
    limits: NightLimits, combiner: Combiner, telescopes: np.ndarray, requests: Sequence[int]
) -> np.ndarray:
    """Slots at which everything but the delay range allows the science star, (request, slot)."""
    slots = limits.sky.slots
    return np.array(
        [limits.allowed(limits.scenario.requests[r], r, telescopes, science=True)[slots] for r in requests]
    ).reshape(len(requests), len(slots))


def _counts(
    limits: NightLimits,
    combiner: Combiner,
    telescopes: np.ndarray,
    requests: Sequence[int],
    keys: Sequence[tuple[tuple[float, float], ...]],
    usable: np.ndarray,
) -> dict[tuple[tuple[float, float], ...], np.ndarray]:
    """Usable slots of each request for each combination of strokes, from bit-packed pairs."""
    paths = limits.path_m[list(requests)][:, limits.sky.slots][:, :, telescopes]
    paths = paths - np.array(combiner.constant_path_m)
    packed: dict[tuple[int, int, tuple[float, float], tuple[float, float]], np.ndarray] = {}
    allowed = np.packbits(usable, axis=-1)
    counts = {}
    for key in keys:
        bits = allowed
        for i, j in itertools.combinations(range(len(key)), 2):
            pair = (i, j, key[i], key[j])
            if pair not in packed:
                packed[pair] = np.packbits(
                    pair_in_range(paths[..., i], paths[..., j], key[i], key[j]), axis=-1
                )
            bits = bits & packed[pair]
        counts[key] = np.bitwise_count(bits).sum(axis=-1).astype(int)
    return counts


def pair_in_range(
    first_m: np.ndarray,
    second_m: np.ndarray,
    first_stroke: tuple[float, float],
    second_stroke: tuple[float, float],
) -> np.ndarray:
    """True where some common offset keeps both beams in their strokes; shape of the paths given."""
    low = np.maximum(first_stroke[0] - first_m, second_stroke[0] - second_m)
    high = np.minimum(first_stroke[1] - first_m, second_stroke[1] - second_m)
    return low <= high
