"""What every subarray is worth by the quick way: cells in reach, hours, chains, an estimate of a night.

A request on fewer beams than the subarray has is served by the best part of
it: usable when any part is, reaching what all parts reach.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from planner.geometry.baselines import pairs
from planner.ranking.answers import Seat
from planner.ranking.cells import CellTable, cell_table, cells_between, count, known_cells, reached, runs_in
from planner.ranking.estimate import Wish, before_slots, estimated
from planner.ranking.moments import Moments
from planner.ranking.seats import subarrays_of
from planner.ranking.starts import visit_starts
from planner.ranking.usable import LineChoice, line_choices_of, pair_numbers, runs_of, usable_bits
from planner.scenario.array import Combiner
from planner.scenario.targets import Request, Scenario
from planner.science.source import uniform_disk_visibility

# Squared visibility below which fringes are not followed on a baseline: common practice, no source.
TRACKED_VIS2_MIN = 0.05
NO_ROOM = -1  # cells of a science step that fits nowhere


@dataclass(frozen=True)
class Worth:
    """What every subarray is worth.

    Attributes
    ----------
    members : ndarray (subarray, size)
        Seats.
    cells : ndarray (subarray, request)
        Cells within reach over all nights, those of earlier nights left out; none without a calibrator.
    hours : ndarray (subarray, request)
        Usable hours, summed over the nights; none without a calibrator.
    served : ndarray of bool (subarray, request)
        Whether there is room for a whole visit in some night.
    open : ndarray of bool (subarray, request)
        Whether a visit is not ruled out: it can be used at some moment, and some calibrator suits it.
    chained : ndarray of bool (subarray, request)
    estimates : ndarray (subarray, request)
        Part of the estimated score of a night, mean over the nights.
    """

    members: np.ndarray
    cells: np.ndarray
    hours: np.ndarray
    served: np.ndarray
    open: np.ndarray
    chained: np.ndarray
    estimates: np.ndarray


@dataclass(frozen=True)
class _Group:
    """The requests of one combiner, with the parts of subarrays that it can use.

    Attributes
    ----------
    combiner : Combiner
    rows : ndarray (row,)
        Positions of its requests among those counted.
    members : ndarray (part, beam)
    choices : tuple of LineChoice
    parts : ndarray (subarray, ways)
        Which parts each subarray has.
    """

    combiner: Combiner
    rows: np.ndarray
    members: np.ndarray
    choices: tuple[LineChoice, ...]
    parts: np.ndarray


def worth_of(
    scenario: Scenario,
    seats: Sequence[Seat],
    members: np.ndarray,
    nights: Sequence[Moments],
    asked: Sequence[int],
    listed_only: bool,
) -> Worth:
    """Work out what every subarray is worth.

    Parameters
    ----------
    scenario : Scenario
    seats : sequence of Seat
    members : ndarray (subarray, size)
    nights : sequence of Moments
    asked : sequence of int
        Requests counted, index in the scenario.
    listed_only : bool
    """
    groups = _groups(scenario, seats, members, asked, listed_only)
    shape = (len(members), len(asked))
    cells, hours = np.zeros(shape, dtype=np.int64), np.zeros(shape)
    served, is_open, chained = (np.zeros(shape, dtype=bool) for _ in range(3))
    estimates = np.zeros(shape)
    wanted = [scenario.requests[r] for r in asked]
    crossed = [
        [runs_in(moments, row, wish, scenario.combiner_of(wish)) for moments in nights]
        for row, wish in enumerate(wanted)
    ]
    known = [known_cells(nights, row, wish, crossed[row]) for row, wish in enumerate(wanted)]
    union = [np.zeros((len(members), max(1, (len(own) + 63) // 64)), dtype=np.uint64) for own in known]
    slot_h = scenario.night.slot_s / 3600.0
    for number, moments in enumerate(nights):
        bits = np.zeros((len(members), len(asked), moments.together.shape[2]), dtype=np.uint8)
        visits = np.zeros_like(bits)
        visit = np.full(shape, NO_ROOM)
        for group in groups:
            asked_of = (moments, group.combiner, group.rows, group.members, group.choices)
            of_parts, starts = usable_bits(*asked_of), visit_starts(*asked_of)
            of_parts[~starts.open] = 0
            bits[:, group.rows] = np.bitwise_or.reduce(of_parts[group.parts], axis=1)
            visits[:, group.rows] = np.bitwise_or.reduce(starts.bits[group.parts], axis=1)
            for place, row in enumerate(group.rows):
                wish = scenario.requests[asked[row]]
                steps = step_slots(scenario, wish)
                table = cell_table(moments, row, crossed[row][number], known[row])
                own = np.ascontiguousarray(of_parts[:, place])
                filled = reached(table, group.members, own, len(seats), moments.slots)
                union[row] |= np.bitwise_or.reduce(filled[group.parts], axis=1)
                ahead = before_slots(scenario, wish)
                begins = np.ascontiguousarray(starts.bits[:, place])
                best = _best_visit(table, group.members, begins, (len(seats), moments.slots, ahead, steps))
                visit[:, row] = best[group.parts].max(axis=1)
                linked = _linked(moments, row, group, own, table)
                chained[:, row] |= linked[group.parts].any(axis=1)
        served |= visit != NO_ROOM
        is_open |= bits.any(axis=-1)
        hours += np.bitwise_count(bits).sum(axis=-1) * slot_h
        gain = np.maximum(visit, 0)
        wishes = [Wish.of(scenario, r, gain[:, row], visits[:, row]) for row, r in enumerate(asked)]
        estimates += estimated(wishes, moments.slots) / len(nights)
    for row in range(len(asked)):
        cells[:, row] = count(union[row])
    return Worth(members, cells, hours, served, is_open, chained, estimates)


def step_slots(scenario: Scenario, wish: Request) -> int:
    """Return how many slots a science step of a request lasts, rounded up."""
    return max(1, int(np.ceil(scenario.science_step_s(wish) / scenario.night.slot_s)))


def _groups(
    scenario: Scenario,
    seats: Sequence[Seat],
    members: np.ndarray,
    asked: Sequence[int],
    listed_only: bool,
) -> list[_Group]:
    found = []
    size = members.shape[1]
    alike: dict[tuple[str, str | None, bool, bool], list[int]] = {}
    for place, request in enumerate(asked):
        wish = scenario.requests[request]
        dual = wish.extras.second_star is not None
        wanted = wish.extras
        key = (wish.combiner, wanted.spectral_setup, wanted.tracking == "none", dual)
        alike.setdefault(key, []).append(place)
    for (*_, dual), places in alike.items():
        combiner, rows = (
            scenario.combiner_of(scenario.requests[asked[places[0]]]),
            np.array(places, dtype=int),
        )
        if combiner.beams == size:
            own, parts = members, np.arange(len(members))[:, None]
        else:
            own = subarrays_of(scenario.array, seats, combiner.beams, listed_only)
            parts = _parts_of(members, own, len(seats))
        choices = tuple(line_choices_of(scenario.array, seats, own, combiner, dual))
        found.append(_Group(combiner, rows, own, choices, parts))
    return found


def _parts_of(members: np.ndarray, own: np.ndarray, seats: int) -> np.ndarray:
    """Where the parts of each subarray stand among smaller subarrays, (subarray, ways)."""
    beams = own.shape[1]
    weight = seats ** np.arange(beams)[::-1]
    ways = np.array(list(itertools.combinations(range(members.shape[1]), beams)))
    # Both rise lexicographically, so the numbers do.
    return np.searchsorted(own @ weight, members[:, ways] @ weight)


def _best_visit(
    table: CellTable, members: np.ndarray, begins: np.ndarray, counts: tuple[int, int, int, int]
) -> np.ndarray:
    """Most cells of one science step: of visits at the beginning, middle and end of each run of starts.

    NO_ROOM where no visit is; 0 where one is, but earlier nights have filled its cells.
    """
    seats, slots, ahead, steps = counts
    row, first, last = runs_of(begins, slots)
    best = np.full(len(members), NO_ROOM)
    if len(row):
        numbers = pair_numbers(members[row], seats)
        for visit in (first, (first + last) // 2, last):
            start = np.minimum(visit + ahead, slots - 1 - steps)
            np.maximum.at(best, row, count(cells_between(table, numbers, start, start + steps)))
    return best


def _linked(moments: Moments, row: int, group: _Group, bits: np.ndarray, table: CellTable) -> np.ndarray:
    """Whether a chain of baselines with enough contrast joins all beams at some usable slot, (part,).

    Bootstrapping: a long baseline is followed through shorter ones (Armstrong
    et al. 1998, ApJ 496, 550). Uniform disk; a star without a diameter is a point.
    """
    diameter = moments.sky.stars[row].diameter_mas
    if not diameter:
        return np.asarray(bits.any(axis=-1))
    wavelength = max(group.combiner.wavelengths_um)
    visible = uniform_disk_visibility(diameter, table.projected_m, wavelength)
    good = np.packbits((visible**2 >= TRACKED_VIS2_MIN).T, axis=-1)[
        pair_numbers(group.members, moments.path_m.shape[2])
    ]
    inner = pairs(group.members.shape[1])
    reach = np.zeros((group.members.shape[1], *bits.shape), dtype=np.uint8)
    reach[0] = bits
    for _ in range(group.members.shape[1] - 1):
        for k, (i, j) in enumerate(inner):
            reach[j] |= reach[i] & good[:, k]
            reach[i] |= reach[j] & good[:, k]
    return np.asarray(np.bitwise_and.reduce(reach, axis=0).any(axis=-1))
