"""Cells of the (u, v) plane that every subarray reaches, exactly, as bits.

The cells that pairs of seats cross are numbered, request by request; a set of
cells is a row of bits. What a pair fills between two slots is the OR of two
overlapping windows of a power of two of intervals (a sparse table), so a run of
any length costs two look-ups a pair.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from planner.geometry.baselines import baseline_vectors_m
from planner.geometry.uv import uvw_m
from planner.geometry.uv_tracks import knots, uv_tracks
from planner.ranking.moments import Moments
from planner.ranking.usable import pair_numbers, runs_of
from planner.scenario.array import Combiner
from planner.scenario.targets import Request
from planner.science.contrast import contrast_of
from planner.science.coverage import CellRuns, cell_runs
from planner.science.history import filled_before

CHUNK_WORDS = 6_000_000  # of gathered bits at once


@dataclass(frozen=True)
class CellTable:
    """Cells of one request in one night.

    Attributes
    ----------
    windows : tuple of ndarray (pair, start, word)
        Element k: cells of a pair in 2^k intervals between slots from each start, packed in 64-bit words.
    projected_m : ndarray (slot, pair)
        Projected baselines.
    """

    windows: tuple[np.ndarray, ...]
    projected_m: np.ndarray


def uv_of(moments: Moments, row: int) -> np.ndarray:
    """Return u and v of every pair of seats at every slot, metres, (slot, pair, 2)."""
    every = baseline_vectors_m(moments.placement.vectors_m)
    return uvw_m(moments.sky.icrs_rad[[row]], moments.sky.frame.boost, every)[0, :, :, :2]


def runs_in(moments: Moments, row: int, wish: Request, combiner: Combiner) -> CellRuns:
    """Return the cells that every pair of seats crosses in a night, in seconds since the first slot.

    Parameters
    ----------
    moments : Moments
    row : int
        Position of the request.
    wish : Request
    combiner : Combiner
        Its combiner.
    """
    at, slot_s = knots(moments.slots), float(moments.scenario.night.slot_s)
    every = baseline_vectors_m(moments.placement.vectors_m)
    uv = uvw_m(moments.sky.icrs_rad[[row]], moments.sky.frame.boost[at], every)[0, :, :, :2]
    span, tracks = (0.0, (moments.slots - 1) * slot_s), uv_tracks(at * slot_s, uv)
    contrast = contrast_of(moments.scenario, wish, tracks.longest_m)
    return cell_runs(tracks, combiner.wavelengths_um, wish.field_mas, span, contrast)


def _by_interval(moments: Moments, runs: CellRuns) -> tuple[np.ndarray, np.ndarray]:
    """Split runs at the slots: which run, and which interval between two slots, each (part,)."""
    slot_s = moments.scenario.night.slot_s
    first = np.floor(runs.begin_s / slot_s).astype(int)
    count = np.ceil(runs.end_s / slot_s).astype(int) - first
    run = np.repeat(np.arange(len(first)), count)
    return run, first[run] + np.arange(len(run)) - np.repeat(np.cumsum(count) - count, count)


def known_cells(
    nights: Sequence[Moments], row: int, wish: Request, in_nights: Sequence[CellRuns]
) -> np.ndarray:
    """Return the codes of the cells that count for a request, sorted.

    They are those that some pair crosses in some night while both may be
    used, without those that earlier nights have filled.

    Parameters
    ----------
    nights : sequence of Moments
    row : int
        Position of the request.
    wish : Request
    in_nights : sequence of CellRuns
        From :func:`runs_in`, night by night.
    """
    found = [np.empty(0, dtype=np.int64)]
    for moments, runs in zip(nights, in_nights, strict=True):
        allowed = np.unpackbits(moments.together[:, row], axis=-1, count=moments.slots).astype(bool)
        between = allowed[:, :-1] & allowed[:, 1:]
        run, interval = _by_interval(moments, runs)
        counted = np.zeros(len(runs.distinct), dtype=bool)
        counted[runs.cell[run[between[runs.baseline[run], interval]]]] = True
        found.append(runs.distinct[counted])
    return np.setdiff1d(np.concatenate(found), filled_before(nights[0].scenario, wish))


def cell_table(moments: Moments, row: int, runs: CellRuns, known: np.ndarray) -> CellTable:
    """Work out the cells of every pair of seats for one request.

    Parameters
    ----------
    moments : Moments
    row : int
        Position of the request.
    runs : CellRuns
        From :func:`runs_in`.
    known : ndarray
        From :func:`known_cells`.
    """
    uv = uv_of(moments, row)
    pair_count, words = uv.shape[1], max(1, (len(known) + 63) // 64)
    base = np.zeros((pair_count, max(1, moments.slots - 1), words), dtype=np.uint64)
    place = np.searchsorted(known, runs.distinct)
    real = np.append(known, -1)[place] == runs.distinct
    run, interval = _by_interval(moments, runs)
    counts = real[runs.cell[run]]
    run, interval = run[counts], interval[counts]
    word, bit = np.divmod(place[runs.cell[run]], 64)
    flat = (runs.baseline[run] * base.shape[1] + interval) * words + word
    np.bitwise_or.at(base.reshape(-1), flat, np.uint64(1) << bit.astype(np.uint64))
    windows = [base]
    width = 1
    while 2 * width <= base.shape[1]:
        last = windows[-1]
        windows.append(last[:, :-width] | last[:, width:])
        width *= 2
    return CellTable(tuple(windows), np.hypot(uv[..., 0], uv[..., 1]))


def cells_between(table: CellTable, numbers: np.ndarray, first: np.ndarray, last: np.ndarray) -> np.ndarray:
    """Return the cells that sets of pairs fill from one slot to a later one, (run, word).

    Parameters
    ----------
    table : CellTable
    numbers : ndarray (run, pair)
        Pairs of seats.
    first, last : ndarray (run,)
        Nothing is filled where they are the same slot.
    """
    words = table.windows[0].shape[2]
    found = np.zeros((len(numbers), words), dtype=np.uint64)
    # Frexp of nothing is 0, so the level of one slot alone is -1.
    level = np.frexp(last - first)[1] - 1
    part = max(1, CHUNK_WORDS // (words * max(1, numbers.shape[1])))
    for power in np.unique(level[level >= 0]):
        rows = np.flatnonzero(level == power)
        window = table.windows[power]
        for start in range(0, len(rows), part):
            chunk = rows[start : start + part]
            own, a, b = numbers[chunk], first[chunk, None], last[chunk, None] - (1 << int(power))
            found[chunk] = np.bitwise_or.reduce(window[own, a] | window[own, b], axis=1)
    return found


def reached(table: CellTable, members: np.ndarray, bits: np.ndarray, seats: int, slots: int) -> np.ndarray:
    """Return the cells that each subarray fills while it is usable, (subarray, word).

    Parameters
    ----------
    table : CellTable
    members : ndarray (subarray, beam)
    bits : ndarray of uint8 (subarray, byte)
        When it is usable.
    seats, slots : int
    """
    row, first, last = runs_of(bits, slots)
    found = np.zeros((len(members), table.windows[0].shape[2]), dtype=np.uint64)
    if len(row):
        filled = cells_between(table, pair_numbers(members[row], seats), first, last)
        # Runs of one subarray stand next to one another.
        starts = np.flatnonzero(np.diff(row, prepend=-1))
        found[row[starts]] = np.bitwise_or.reduceat(filled, starts, axis=0)
    return found


def count(cells: np.ndarray) -> np.ndarray:
    """Return how many cells are set, summed over the last axis."""
    return np.bitwise_count(cells).sum(axis=-1, dtype=np.int64)
