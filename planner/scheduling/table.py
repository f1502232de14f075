"""The candidates of a night laid out as arrays, and the exact set-up between any two of them.

The set-up counts what both visits use: telescopes that turn, carriages that
run, beams that are led elsewhere; and the states of the array: combiner,
spectral setup, routing mode.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from planner.constraints.tonight import NightLimits
from planner.scenario.array import Array
from planner.scheduling.reserved import Block
from planner.scheduling.setup import (
    capture_s,
    carriage_s,
    combiner_change_s,
    mode_change_s,
    slew_s,
    ticks_up,
)
from planner.scheduling.visits import VisitFamily


@dataclass(frozen=True)
class CandidateTable:
    """Candidates of all families in one order, with what the exact set-up between two needs.

    Attributes
    ----------
    family, row : ndarray (candidate,)
        Where the candidate comes from.
    start_tick, end_tick : ndarray (candidate,)
    azimuth_deg, altitude_deg : ndarray (candidate, 2)
        When the first step starts and the last ends.
    delay_m : ndarray (candidate, 2, line)
        The same for each delay line; NaN where the line is not used.
    telescope_of_line : ndarray (candidate, line)
        -1 where the line is not used.
    line_of_telescope : ndarray (candidate, telescope)
    state : ndarray (candidate,)
        Combiner in its spectral setup, as the place in ``states``; -1 for time that is not for stars.
    mode : ndarray (candidate,)
        Routing mode, -1 for none.
    input_of_line : ndarray (candidate, line)
        Combiner input that the line is led to, -1 where the line is not used.
    segment_of_telescope : ndarray (candidate, telescope)
        Path segment in its beam, -1 for none.
    blocks : tuple of Block
        Time that is not for stars: a candidate of the k-th has the family ``-1 - k``.
    states : tuple of (str, str or None)
        Every combiner with its spectral setup that some candidate uses.
    capture_s : ndarray (candidate,)
    way : ndarray (candidate,)
        How its light is led, as the place in what follows.
    change_s : ndarray (way, way)
        What has to be changed from one way to another, telescopes and carriages apart.
    shared : ndarray of bool (class, way, way)
        Whether two ways use a telescope of a class in common; classes in the order of the placement.
    """

    family: np.ndarray
    row: np.ndarray
    start_tick: np.ndarray
    end_tick: np.ndarray
    azimuth_deg: np.ndarray
    altitude_deg: np.ndarray
    delay_m: np.ndarray
    telescope_of_line: np.ndarray
    line_of_telescope: np.ndarray
    state: np.ndarray
    mode: np.ndarray
    input_of_line: np.ndarray
    segment_of_telescope: np.ndarray
    states: tuple[tuple[str, str | None], ...]
    blocks: tuple[Block, ...]
    capture_s: np.ndarray
    way: np.ndarray
    change_s: np.ndarray
    shared: np.ndarray


def candidate_table(
    limits: NightLimits, families: Sequence[VisitFamily], blocks: Sequence[Block] = ()
) -> CandidateTable:
    """Lay the candidates of all families and blocks out as arrays, ordered by start, then family."""
    array = limits.scenario.array
    states = tuple(dict.fromkeys(_state(family) for family in families))
    starts = [family.start_tick[:, 0] for family in families] + [block.start_tick for block in blocks]
    numbers = [*range(len(families)), *(-1 - k for k in range(len(blocks)))]
    number = np.repeat(np.array(numbers, dtype=int), [len(own) for own in starts])
    row = np.concatenate([np.arange(len(own)) for own in starts]) if starts else np.empty(0, dtype=int)
    first = np.concatenate(starts).astype(int) if starts else np.empty(0, dtype=int)
    order = np.lexsort((np.where(number < 0, len(families) - number, number), first))
    number, row = number[order], row[order]
    total, lines, telescopes = len(number), len(array.delay_lines), len(limits.placement.telescopes)
    table = CandidateTable(
        family=number,
        row=row,
        start_tick=first[order],
        end_tick=np.zeros(total, dtype=int),
        azimuth_deg=np.zeros((total, 2)),
        altitude_deg=np.zeros((total, 2)),
        delay_m=np.full((total, 2, lines), np.nan),
        telescope_of_line=np.full((total, lines), -1),
        line_of_telescope=np.full((total, telescopes), -1),
        state=np.full(total, -1),
        mode=np.full(total, -1),
        input_of_line=np.full((total, lines), -1),
        segment_of_telescope=np.full((total, telescopes), -1),
        states=states,
        blocks=tuple(blocks),
        capture_s=np.zeros(total),
        way=np.zeros(total, dtype=int),
        change_s=np.zeros((0, 0)),
        shared=np.zeros((0, 0, 0), dtype=bool),
    )
    # Candidates of a family stand together when ordered by number.
    by_number = np.argsort(number, kind="stable")
    bounds = np.searchsorted(number[by_number], np.arange(len(families) + 1))
    ways: dict[object, int] = {}
    for f, family in enumerate(families):
        here = by_number[bounds[f] : bounds[f + 1]]
        _fill(table, here, family)
        own = (_state(family), family.facts.subarray.telescopes, family.facts.subarray.setting)
        table.way[here] = ways.setdefault(own, len(ways) + 1)
    for k, block in enumerate(blocks):
        here = np.flatnonzero(number == -1 - k)
        table.end_tick[here] = block.end_tick[row[here]]
    return _with_ways(limits, table)


def _with_ways(limits: NightLimits, table: CandidateTable) -> CandidateTable:
    """Return the table with what each two of its ways to lead the light have to change.

    There are far fewer ways than candidates: a pair of candidates then needs a look-up only.
    """
    _, first, way = np.unique(table.way, return_index=True, return_inverse=True)
    earlier, later = first[:, None], first[None, :]
    before, after = table.line_of_telescope[earlier], table.line_of_telescope[later]
    both = (before >= 0) & (after >= 0)
    classes = limits.placement.classes
    shared = [(both & np.array([c == own for c in classes])).any(axis=-1) for own in dict.fromkeys(classes)]
    change = _optics_s(limits, table, earlier, later)
    switched = both & (before != after)
    for number, line in enumerate(limits.scenario.array.delay_lines):
        owner, heir = table.telescope_of_line[earlier, number], table.telescope_of_line[later, number]
        handed = (owner >= 0) & (heir >= 0) & (owner != heir)
        led = ((after == number) & switched).any(axis=-1)
        change = np.maximum(change, np.where(handed | led, line.connect_s, 0.0))
    return replace(table, way=way, change_s=change, shared=np.array(shared))


def _state(family: VisitFamily) -> tuple[str, str | None]:
    return family.facts.combiner.name, family.facts.combiner.setup_name


def _fill(table: CandidateTable, here: np.ndarray, family: VisitFamily) -> None:
    """Write the candidates of one family into the rows ``here`` of a table that is being laid out."""
    rows = table.row[here]
    own = family.facts.subarray
    for beam, (line, telescope) in enumerate(zip(own.lines, own.telescopes, strict=True)):
        table.delay_m[here, 0, line] = family.delay_m[rows, 0, 0, beam]
        table.delay_m[here, 1, line] = family.delay_m[rows, 2, 1, beam]
        table.telescope_of_line[here, line] = telescope
        table.line_of_telescope[here, telescope] = line
        table.input_of_line[here, line] = own.inputs[beam] if own.inputs else beam
        table.segment_of_telescope[here, telescope] = own.segments[beam] if own.segments else -1
    for into, angle in (
        (table.azimuth_deg, family.azimuth_deg),
        (table.altitude_deg, family.altitude_deg),
    ):
        into[here] = np.stack([angle[rows, 0, 0], angle[rows, 2, 1]], axis=-1)
    table.end_tick[here] = family.end_tick[rows, 2]
    table.state[here] = table.states.index(_state(family))
    table.mode[here] = own.mode
    table.capture_s[here] = family.facts.capture_s


def wait_ticks(
    limits: NightLimits, table: CandidateTable, earlier: np.ndarray, later: np.ndarray
) -> np.ndarray:
    """Return the exact set-up between pairs of candidates, whole ticks; shapes broadcast.

    Parameters
    ----------
    earlier, later : ndarray of int
        Candidate numbers.
    """
    way_before, way_after = table.way[earlier], table.way[later]
    move = table.change_s[way_before, way_after]
    turned = table.azimuth_deg[later, 0] - table.azimuth_deg[earlier, 1]
    tilted = table.altitude_deg[later, 0] - table.altitude_deg[earlier, 1]
    for number, own in enumerate(dict.fromkeys(limits.placement.classes)):
        moving = table.shared[number, way_before, way_after]
        np.maximum(move, slew_s(turned, tilted, own), out=move, where=moving)
    for number, line in enumerate(limits.scenario.array.delay_lines):
        before, after = table.delay_m[earlier, 1, number], table.delay_m[later, 0, number]
        if not (np.all(np.isnan(before)) or np.all(np.isnan(after))):
            # A line that only one of the two uses gives NaN, which is no distance: it does not count.
            np.maximum(move, carriage_s(after - before, line), out=move)
    return ticks_up(move + table.capture_s[later], limits.sky.tick_s)


def _optics_s(
    limits: NightLimits, table: CandidateTable, earlier: np.ndarray, later: np.ndarray
) -> np.ndarray:
    """Time to change combiner, spectral setup, routing mode, inputs and path segments; shapes broadcast.

    Combiner and mode are the array's; an input belongs to a line, a segment to
    a telescope's beam: only those count that both visits use.
    """
    array = limits.scenario.array
    move = np.zeros(np.broadcast_shapes(earlier.shape, later.shape))
    visits = (table.state[earlier] >= 0) & (table.state[later] >= 0)
    if table.states:
        change = combiner_change_s(array, table.states)
        move = np.where(visits, change[table.state[earlier], table.state[later]], 0.0)
    if array.routing_modes:
        modes = table.mode[earlier], table.mode[later]
        move = np.maximum(move, np.where(visits, mode_change_s(array.routing_modes)[modes], 0.0))
        again = np.array([mode.input_change_s for mode in array.routing_modes])[table.mode[later]]
        before, after = table.input_of_line[earlier], table.input_of_line[later]
        other = ((before >= 0) & (after >= 0) & (before != after)).any(axis=-1)
        move = np.maximum(move, np.where(visits & other, again, 0.0))
    if array.path_segments:
        before, after = table.segment_of_telescope[earlier], table.segment_of_telescope[later]
        used = (table.line_of_telescope[earlier] >= 0) & (table.line_of_telescope[later] >= 0)
        switch = np.array([segment.change_s for segment in array.path_segments])[after]
        move = np.maximum(move, np.where(used & (before != after), switch, 0.0).max(axis=-1))
    return move


def longest_wait_ticks(limits: NightLimits) -> int:
    """No set-up of this array can be longer than this many ticks."""
    array = limits.scenario.array
    capture = max(capture_s(combiner, list(array.telescope_classes)) for combiner in array.combiners)
    return int(ticks_up(longest_move_s(array) + capture, limits.sky.tick_s)) + 1


def longest_move_s(array: Array) -> float:
    """No device of an array needs longer to come from any place or state to any other, seconds."""
    moves = [c.setup_s + max(c.feed_in_s, *(d.feed_out_s for d in array.combiners)) for c in array.combiners]
    moves += [mode.change_s for mode in array.routing_modes]
    moves += [segment.change_s for segment in array.path_segments]
    moves += [setup.change_s for setup in array.spectral_setups]
    moves += [mode.input_change_s for mode in array.routing_modes]
    moves += [
        max(
            (c.azimuth_range_deg[1] - c.azimuth_range_deg[0]) / c.azimuth_speed_deg_per_s
            + c.azimuth_settle_s,
            90.0 / c.altitude_speed_deg_per_s + c.altitude_settle_s,
        )
        for c in array.telescope_classes
    ]
    moves += [
        (d.stroke_m[1] - d.stroke_m[0]) / d.path_per_travel / d.speed_m_per_s + d.settle_s + d.connect_s
        for d in array.delay_lines
    ]
    return float(max(moves))
