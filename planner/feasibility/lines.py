"""Which delay lines the beams of a subarray may be led into.

Lines that differ in nothing but their names are of one kind and change no
answer, so choices are counted over kinds: eight lines of three kinds give 81
choices for four beams, not 4,096.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence

from planner.feasibility.edges import PairKey, RateKey
from planner.geometry.placement import Placement
from planner.scenario.array import Array, Combiner, DelayLine
from planner.scheduling.subarrays import home_lines


def line_kinds(array: Array) -> list[list[int]]:
    """Return the delay lines (index in the array) by kind, in the order of the array."""
    kinds: dict[DelayLine, list[int]] = {}
    for index, line in enumerate(array.delay_lines):
        kinds.setdefault(line.model_copy(update={"name": ""}), []).append(index)
    return list(kinds.values())


def line_choices(array: Array, placement: Placement, telescopes: Sequence[int]) -> list[tuple[int, ...]]:
    """Return one assignment of lines for each choice of kinds, those that move fewest beams first.

    Parameters
    ----------
    array : Array
    placement : Placement
    telescopes : sequence of int
        Index in the placement.

    Returns
    -------
    list of tuple of int
        Index in ``array.delay_lines``, one for each telescope; empty when the lines do not suffice.
    """
    kinds = line_kinds(array)
    homes = home_lines(array, placement)
    serving = []
    for telescope in telescopes:
        station = placement.stations[telescope]
        serving.append(
            [
                kind
                for kind, lines in enumerate(kinds)
                if not array.delay_lines[lines[0]].stations or station in array.delay_lines[lines[0]].stations
            ]
        )
    found = []
    for chosen in itertools.product(*serving):
        if all(chosen.count(kind) <= len(kinds[kind]) for kind in set(chosen)):
            lines = _handed_out(kinds, chosen, [homes[i] for i in telescopes])
            moved = sum(line != homes[i] for line, i in zip(lines, telescopes, strict=True))
            found.append((moved, lines))
    return [lines for _, lines in sorted(found)]


def _handed_out(kinds: list[list[int]], chosen: Sequence[int], homes: Sequence[int]) -> tuple[int, ...]:
    """Give each beam a line of its kind, its home where it can have it."""
    lines = [-1] * len(chosen)
    for place, (kind, home) in enumerate(zip(chosen, homes, strict=True)):
        if home in kinds[kind] and home not in lines:
            lines[place] = home
    for place, kind in enumerate(chosen):
        if lines[place] < 0:
            lines[place] = next(line for line in kinds[kind] if line not in lines)
    return tuple(lines)


def pair_keys(
    array: Array, combiner: Combiner, telescopes: Sequence[int], lines: Sequence[int]
) -> tuple[PairKey, ...]:
    """Return what an assignment asks of each pair of its beams."""
    constant = combiner.constant_path_m
    stroke = [array.delay_lines[line].stroke_m for line in lines]
    return tuple(
        PairKey((telescopes[i], telescopes[j]), (stroke[i], stroke[j]), round(constant[j] - constant[i], 9))
        for i, j in itertools.combinations(range(len(lines)), 2)
    )


def rate_keys(array: Array, telescopes: Sequence[int], lines: Sequence[int]) -> tuple[RateKey, ...]:
    """Return what an assignment asks of each carriage's tracking speed."""
    found = []
    for telescope, line in zip(telescopes, lines, strict=True):
        own = array.delay_lines[line]
        found.append(RateKey(telescope, own.tracking_speed_mm_per_s / 1e3 * own.path_per_travel))
    return tuple(found)
