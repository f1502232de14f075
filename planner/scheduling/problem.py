"""The night as whole numbers: candidate visits, what each is worth, what excludes what.

This is the only place where the night becomes a finite problem. Starts are
slots; ends and set-ups are whole ticks, rounded up (:func:`ticks_up`); values
are whole numbers. Every pair of candidates is judged by exact set-up times.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from planner.constraints.tonight import NightLimits
from planner.scheduling.candidates import RequestOffer
from planner.scheduling.setup import capture_s, carriage_s, combiner_change_s, slew_s, ticks_up
from planner.scheduling.visits import VisitFamily

BATCH = 200  # candidates whose pairs are judged at once: some ten thousand pairs


@dataclass(frozen=True)
class NightProblem:
    """What the solver sees.

    Attributes
    ----------
    request : ndarray (candidate,)
        Which request a candidate serves.
    visits_max : ndarray (request,)
        How many visits a request may get.
    start : ndarray (candidate,)
        Start slot; candidates are sorted by it.
    free : ndarray (candidate,)
        First slot at which any other candidate may start after this one.
    late : tuple of ndarray
        For each candidate, the candidates that start at its ``free`` slot or
        later and are still excluded, because their set-up is longer.
    cells : tuple of ndarray
        For each candidate, the cells it fills (numbered over all requests); none of those that earlier
        nights have filled.
    value : ndarray (cell,)
        Priority times value of each cell.
    """

    request: np.ndarray
    visits_max: np.ndarray
    start: np.ndarray
    free: np.ndarray
    late: tuple[np.ndarray, ...]
    cells: tuple[np.ndarray, ...]
    value: np.ndarray

    def __len__(self) -> int:
        return len(self.request)

    def only(self, kept: np.ndarray) -> NightProblem:
        """Return the problem of these candidates alone (sorted numbers), numbered anew in their order."""
        number = np.full(len(self), -1)
        number[kept] = np.arange(len(kept))
        late = tuple(number[self.late[candidate]] for candidate in kept)
        return NightProblem(
            request=self.request[kept],
            visits_max=self.visits_max,
            start=self.start[kept],
            free=self.free[kept],
            late=tuple(later[later >= 0] for later in late),
            cells=tuple(self.cells[candidate] for candidate in kept),
            value=self.value,
        )

    def follows(self, earlier: int, later: int) -> bool:
        """True when ``later`` may be made after ``earlier``."""
        return bool(self.start[later] >= self.free[earlier] and later not in self.late[earlier])

    def score(self, chosen: Sequence[int]) -> int:
        """Value of a set of candidates: every cell counts once."""
        filled = {int(cell) for candidate in chosen for cell in self.cells[candidate]}
        return int(sum(int(self.value[cell]) for cell in filled))

    def possible(self, chosen: Sequence[int]) -> bool:
        """True when these candidates make a plan: no exclusions, no request served too often."""
        ordered = sorted(chosen, key=lambda candidate: int(self.start[candidate]))
        served = np.bincount(self.request[list(ordered)], minlength=len(self.visits_max))
        if ordered and np.any(served > self.visits_max):
            return False
        return all(self.follows(a, b) for i, a in enumerate(ordered) for b in ordered[i + 1 :])


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
    combiner : ndarray (candidate,)
    capture_s : ndarray (candidate,)
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
    combiner: np.ndarray
    capture_s: np.ndarray


def candidate_table(limits: NightLimits, families: Sequence[VisitFamily]) -> CandidateTable:
    """Lay the candidates of all families out as arrays, ordered by start, then family."""
    array = limits.scenario.array
    names = [combiner.name for combiner in array.combiners]
    counts = [len(family.start_tick) for family in families]
    number = np.repeat(np.arange(len(families)), counts)
    row = np.concatenate([np.arange(count) for count in counts]) if families else np.empty(0, dtype=int)
    total = len(number)
    first = np.array([families[f].start_tick[r, 0] for f, r in zip(number, row, strict=True)], dtype=int)
    order = np.lexsort((number, first))
    number, row = number[order], row[order]
    delay = np.full((total, 2, len(array.delay_lines)), np.nan)
    telescope_of_line = np.full((total, len(array.delay_lines)), -1)
    line_of_telescope = np.full((total, len(limits.placement.telescopes)), -1)
    pointing = np.zeros((total, 2, 2))
    ends = np.zeros(total, dtype=int)
    combiner = np.zeros(total, dtype=int)
    capture = np.zeros(total)
    for f, family in enumerate(families):
        here = np.flatnonzero(number == f)
        rows = row[here]
        lines, telescopes = family.facts.subarray.lines, family.facts.subarray.telescopes
        for beam, (line, telescope) in enumerate(zip(lines, telescopes, strict=True)):
            delay[here, 0, line] = family.delay_m[rows, 0, 0, beam]
            delay[here, 1, line] = family.delay_m[rows, 2, 1, beam]
            telescope_of_line[here, line] = telescope
            line_of_telescope[here, telescope] = line
        for k, angle in enumerate((family.azimuth_deg, family.altitude_deg)):
            pointing[here, k] = np.stack([angle[rows, 0, 0], angle[rows, 2, 1]], axis=-1)
        ends[here] = family.end_tick[rows, 2]
        combiner[here] = names.index(family.facts.combiner.name)
        capture[here] = capture_s(family.facts.combiner, list(family.facts.classes))
    return CandidateTable(
        number, row, np.sort(first), ends, pointing[:, 0], pointing[:, 1],
        delay, telescope_of_line, line_of_telescope, combiner, capture,
    )  # fmt: skip


def wait_ticks(
    limits: NightLimits, table: CandidateTable, earlier: np.ndarray, later: np.ndarray
) -> np.ndarray:
    """Return the exact set-up between pairs of candidates, whole ticks, (pair,).

    Parameters
    ----------
    earlier, later : ndarray (pair,)
        Candidate numbers.
    """
    array, placement = limits.scenario.array, limits.placement
    names = [combiner.name for combiner in array.combiners]
    move = combiner_change_s(array, names)[table.combiner[earlier], table.combiner[later]]
    turned = table.azimuth_deg[later, 0] - table.azimuth_deg[earlier, 1]
    tilted = table.altitude_deg[later, 0] - table.altitude_deg[earlier, 1]
    before, after = table.line_of_telescope[earlier], table.line_of_telescope[later]
    shared = (before >= 0) & (after >= 0)
    for own in dict.fromkeys(placement.classes):
        of_class = np.array([c == own for c in placement.classes])
        moving = (shared & of_class).any(axis=-1)
        move = np.maximum(move, np.where(moving, slew_s(turned, tilted, own), 0.0))
    switched = shared & (before != after)
    for number, line in enumerate(array.delay_lines):
        run = table.delay_m[later, 0, number] - table.delay_m[earlier, 1, number]
        carried = carriage_s(np.nan_to_num(run), line)  # a line that only one of the two uses does not count
        owner, heir = table.telescope_of_line[earlier, number], table.telescope_of_line[later, number]
        handed = (owner >= 0) & (heir >= 0) & (owner != heir)
        led = ((after == number) & switched).any(axis=-1)
        move = np.maximum(move, np.maximum(carried, np.where(handed | led, line.connect_s, 0.0)))
    return ticks_up(move + table.capture_s[later], limits.sky.tick_s)


def night_problem(
    limits: NightLimits, offers: Sequence[RequestOffer]
) -> tuple[NightProblem, CandidateTable, tuple[VisitFamily, ...]]:
    """Build the whole-number problem of a night from what is offered."""
    families = tuple(family for offer in offers for family in offer.families)
    table = candidate_table(limits, families)
    first, per_slot = limits.sky.first_slot, limits.sky.ticks_per_slot
    start = (table.start_tick - first) // per_slot
    free, late = _exclusions(limits, table, start)
    cells, value = _cells(limits, offers, families, table)
    problem = NightProblem(
        request=np.array([families[f].request for f in table.family], dtype=int),
        visits_max=np.array([request.visits for request in limits.scenario.requests], dtype=int),
        start=start,
        free=free,
        late=late,
        cells=cells,
        value=value,
    )
    return problem, table, families


def _exclusions(
    limits: NightLimits, table: CandidateTable, start: np.ndarray
) -> tuple[np.ndarray, tuple[np.ndarray, ...]]:
    """First free slot after each candidate, and later ones that a longer set-up still excludes."""
    first, per_slot = limits.sky.first_slot, limits.sky.ticks_per_slot
    count = len(start)
    longest = _longest_wait_ticks(limits)
    # Slots between the end and the longest possible set-up: only there the pair decides.
    low = np.searchsorted(table.start_tick, table.end_tick)
    high = np.searchsorted(table.start_tick, table.end_tick + longest)
    free = -(-(table.end_tick + longest - first) // per_slot)
    late: list[np.ndarray] = []
    for begin in range(0, count, BATCH):
        batch = np.arange(begin, min(begin + BATCH, count))
        sizes = (high - low)[batch]
        earlier = np.repeat(batch, sizes)
        later = np.concatenate([np.arange(low[c], high[c]) for c in batch])
        fits = table.start_tick[later] >= table.end_tick[earlier] + wait_ticks(limits, table, earlier, later)
        np.minimum.at(free, earlier[fits], start[later[fits]])
        excluded = ~fits & (start[later] >= free[earlier])
        edges = np.searchsorted(earlier[excluded], [*batch, batch[-1] + 1])
        names = later[excluded]
        late += [names[edges[k] : edges[k + 1]] for k in range(len(batch))]
    return free, tuple(late)


def _longest_wait_ticks(limits: NightLimits) -> int:
    """No set-up of this array can be longer than this many ticks."""
    array = limits.scenario.array
    moves = [combiner.setup_s for combiner in array.combiners]
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
    capture = max(capture_s(combiner, list(array.telescope_classes)) for combiner in array.combiners)
    return int(ticks_up(max(moves) + capture, limits.sky.tick_s)) + 1


def _cells(
    limits: NightLimits,
    offers: Sequence[RequestOffer],
    families: Sequence[VisitFamily],
    table: CandidateTable,
) -> tuple[tuple[np.ndarray, ...], np.ndarray]:
    """Cells of each candidate, numbered over all requests, and the value of each."""
    offer_of = {offer.request: offer for offer in offers}
    known: dict[tuple[int, int], int] = {}
    value: list[int] = []
    cached: dict[tuple[int, object, int], np.ndarray] = {}
    cells = []
    for f, r in zip(table.family, table.row, strict=True):
        family = families[f]
        start, end = int(family.start_tick[r, 1]), int(family.end_tick[r, 1])
        key = (family.request, family.facts.subarray, start)
        if key not in cached:
            offer = offer_of[family.request]
            codes = offer.fresh(offer.codes[family.facts.subarray][start : end + 1])
            numbers = []
            for code in codes.tolist():
                cell = known.setdefault((family.request, code), len(known))
                if cell == len(value):
                    value.append(limits.scenario.requests[family.request].priority)
                numbers.append(cell)
            cached[key] = np.array(numbers, dtype=int)
        cells.append(cached[key])
    return tuple(cells), np.array(value, dtype=int)
