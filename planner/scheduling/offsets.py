"""The common offsets with which the carriages of a plan run least, visits and times as they are.

Every step holds one common offset K, so the carriage of a line runs
|K_b + g_b - K_a - g_a| between two uses of it. All K are chosen together: a
linear programme whose rows are bounds and differences, so that in whole steps
of a tenth of a millimetre its corners are whole (its objective is convex of
the kind L-natural; Murota 2003, Discrete Convex Analysis, SIAM). Of the
offsets with the least travel, those nearest to the middles of the strokes are
taken, and of these the smallest: one answer, whatever solves it. A step of a
single unit in a set of offsets changes the distances from the middles by no
more than their number, which is why weights of the powers of (number + 2)
order the three wishes exactly.

No set-up gets longer than it was told before.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np
from scipy import sparse
from scipy.optimize import linprog

from planner.constraints.delay_range import held_offset
from planner.constraints.tonight import NightLimits
from planner.geometry.delays import offset_range_m
from planner.scheduling.brackets import END_RESERVE_M
from planner.scheduling.setup import STILL_M
from planner.scheduling.travel import Made, steps_made
from planner.scheduling.visits import VisitFamily

UNIT_M = 1e-4
RATIO_MAX = 1000  # weights of lines are whole numbers up to about this


@dataclass(frozen=True)
class Runs:
    """What has to be chosen, in units from where it is now.

    Attributes
    ----------
    low, high, middle : ndarray (step,)
        What each offset may change by, and what brings it to the middle of its range.
    earlier, later : ndarray (run,)
        Steps between which a carriage runs.
    now : ndarray (run,)
        How far it runs now.
    least, most : ndarray (run,)
        What the later offset may change by, less the earlier one, for the run to stay in time.
    weight : ndarray (run,)
        Of a unit of the run.
    """

    low: np.ndarray
    high: np.ndarray
    middle: np.ndarray
    earlier: np.ndarray
    later: np.ndarray
    now: np.ndarray
    least: np.ndarray
    most: np.ndarray
    weight: np.ndarray

    def kept_by(self, change: np.ndarray) -> bool:
        """Whether some changes stay within all bounds."""
        apart = change[self.later] - change[self.earlier]
        inside = (change >= self.low) & (change <= self.high)
        return bool(inside.all() and (apart >= self.least).all() and (apart <= self.most).all())

    def travel(self, change: np.ndarray) -> int:
        """Return the weighted run of all carriages after some changes."""
        run = self.now + change[self.later] - change[self.earlier]
        return int(self.weight @ np.abs(run))


def least_changes(runs: Runs) -> np.ndarray:
    """Return the changes that let carriages run least; nothing changes where none is found."""
    steps, count = len(runs.low), len(runs.now)
    still = np.zeros(steps, dtype=np.int64)
    if not count:
        return still
    # Variables: change of each step, run of each carriage, distance of each step from its middle.
    difference = sparse.csr_matrix(
        (
            np.concatenate([np.ones(count), -np.ones(count)]),
            (np.tile(np.arange(count), 2), np.concatenate([runs.later, runs.earlier])),
        ),
        shape=(count, steps),
    )
    own, run, none = sparse.eye(steps), sparse.eye(count), sparse.csr_matrix
    rows = sparse.vstack(
        [
            sparse.hstack([difference, -run, none((count, steps))]),
            sparse.hstack([-difference, -run, none((count, steps))]),
            sparse.hstack([own, none((steps, count)), -own]),
            sparse.hstack([-own, none((steps, count)), -own]),
            sparse.hstack([difference, none((count, count + steps))]),
            sparse.hstack([-difference, none((count, count + steps))]),
        ]
    ).tocsr()
    right = np.concatenate([-runs.now, runs.now, runs.middle, -runs.middle, runs.most, -runs.least])
    scale = steps + 2
    cost = np.concatenate([np.ones(steps), scale**2 * runs.weight, np.full(steps, scale)])
    # What never runs is left out of the bounds: HiGHS takes infinities.
    bounds = [
        *zip(runs.low.tolist(), runs.high.tolist(), strict=True),
        *[(0, None)] * (count + steps),
    ]
    found = linprog(cost, A_ub=rows, b_ub=right, bounds=bounds, method="highs-ds")
    if not found.success:
        return still
    change = np.round(found.x[:steps]).astype(np.int64)
    return change if runs.kept_by(change) and runs.travel(change) <= runs.travel(still) else still


def with_least_runs(
    limits: NightLimits, visits: Sequence[Made], waits: Sequence[int | None]
) -> tuple[VisitFamily, ...]:
    """Return the visits, one a family, with the common offsets that move the carriages least.

    Parameters
    ----------
    visits : sequence of (VisitFamily, row)
        In the order of their start.
    waits : sequence of int or None
        Ticks of the set-up before each visit when the visit before is its neighbour; None where something
        else lies between, and the carriages have all the time since their last use.
    """
    step_of, runs = _runs_of(limits, visits, waits)
    change = least_changes(runs)
    families: list[VisitFamily] = []
    for number, (family, row) in enumerate(visits):
        raised = UNIT_M * change[[step_of[number, step] for step in range(3)]]
        one = family.take(np.array([row]))
        if number and step_of[number, 0] == step_of[number - 1, 2]:
            # One exposure holds one offset, whichever of its two visits tells it.
            raised[0] = families[-1].offset_m[0, 2] - one.offset_m[0, 0]
        families.append(
            replace(one, offset_m=one.offset_m + raised, delay_m=one.delay_m + raised[None, :, None, None])
        )
    return tuple(families)


def _runs_of(
    limits: NightLimits, visits: Sequence[Made], waits: Sequence[int | None]
) -> tuple[dict[tuple[int, int], int], Runs]:
    """Number the steps, an exposure that two visits share once, and gather the runs between them."""
    made = list(steps_made(visits))
    step_of = {step: number for number, step in enumerate(made)}
    step_of |= {(n, 0): step_of[n - 1, 2] for n in range(1, len(visits)) if (n, 0) not in step_of}
    ranges = np.array([_range(limits, *visits[n], step) for n, step in made], dtype=np.int64)
    last: dict[int, tuple[int, int, int, float]] = {}
    found: list[tuple[int, int, float, float, float]] = []
    for number, step in made:
        family, row = visits[number]
        facts, start = family.facts, int(family.start_tick[row, step])
        for beam, line in enumerate(facts.subarray.lines):
            begins, ends = family.delay_m[row, step, :, beam].tolist()
            if line in last:
                earlier, visit, tick, stood = last[line]
                wait, device = waits[number], facts.lines[beam]
                told = visit == number - 1 and step == 0 and wait is not None
                ticks = wait if told and wait is not None else start - tick
                moving_s = ticks * facts.tick_s - facts.capture_s - device.settle_s
                longest = max(device.path_per_travel * device.speed_m_per_s * moving_s, STILL_M)
                here = step_of[number, step]
                found.append((earlier, here, begins - stood, longest, device.path_per_travel))
            last[line] = step_of[number, step], number, int(family.end_tick[row, step]), ends
    run, most = (np.array([own[k] for own in found]) for k in (2, 3))
    runs = Runs(
        low=ranges[:, 0],
        high=ranges[:, 1],
        middle=ranges[:, 2],
        earlier=np.array([own[0] for own in found], dtype=int),
        later=np.array([own[1] for own in found], dtype=int),
        now=np.round(run / UNIT_M).astype(np.int64),
        least=np.minimum(np.ceil((-most - run) / UNIT_M), 0).astype(np.int64),
        most=np.maximum(np.floor((most - run) / UNIT_M), 0).astype(np.int64),
        weight=_weights([own[4] for own in found]),
    )
    return step_of, runs


def _range(limits: NightLimits, family: VisitFamily, row: int, step: int) -> tuple[int, int, int]:
    """What the offset of a step may change by, and what brings it to the middle of its range; units."""
    ticks = slice(int(family.start_tick[row, step]), int(family.end_tick[row, step]) + 1)
    path = family.facts.path_m(limits, family.stars[step])[ticks]
    low, high = (float(k) for k in offset_range_m(family.facts.stroke_m, path.min(axis=0), path.max(axis=0)))
    reserve = min(END_RESERVE_M, (high - low) / 2.0)
    held = float(family.offset_m[row, step])
    return (
        min(math.ceil((low + reserve - held) / UNIT_M), 0),
        max(math.floor((high - reserve - held) / UNIT_M), 0),
        round(((low + high) / 2.0 - held) / UNIT_M),
    )


def _weights(ratios: Sequence[float]) -> np.ndarray:
    """Weights in proportion to the rail that a unit of light takes; ratios are light for a metre of rail."""
    rail = {ratio: 1 / Fraction(ratio).limit_denominator(RATIO_MAX) for ratio in set(ratios)}
    common = math.lcm(*(part.denominator for part in rail.values()))
    whole = {ratio: int(part * common) for ratio, part in rail.items()}
    divisor = math.gcd(*whole.values())
    if max(whole.values()) // divisor > RATIO_MAX:
        least = min(ratios)
        return np.array([max(1, round(RATIO_MAX * least / ratio)) for ratio in ratios], dtype=np.int64)
    return np.array([whole[ratio] // divisor for ratio in ratios], dtype=np.int64)


def holding(limits: NightLimits, later: VisitFamily, planned: np.ndarray) -> VisitFamily:
    """Return visits that start later with the offsets of the plan, as far as they can be held then.

    Parameters
    ----------
    later : VisitFamily
        The planned visit at later starts, with offsets by the general rule.
    planned : ndarray (3,)
        Offsets of the plan, m.

    Notes
    -----
    Starts at which a carriage would not be in time within the visit are left out.
    """
    facts = later.facts
    request = limits.scenario.requests[later.request]
    offset = later.offset_m.copy()
    for step, star in enumerate(later.stars):
        ticks = facts.step(request, step == 1).total
        held = held_offset(facts.path_m(limits, star)[None], facts.stroke_m, ticks)
        start = later.start_tick[:, step]
        offset[:, step] = np.clip(planned[step], held.low_m[0][start], held.high_m[0][start])
    delay = later.delay_m + (offset - later.offset_m)[:, :, None, None]
    in_time = np.ones(len(offset), dtype=bool)
    for step in range(2):
        gap_s = (later.start_tick[:, step + 1] - later.end_tick[:, step]) * facts.tick_s - facts.capture_s
        for beam, line in enumerate(facts.lines):
            run = np.abs(delay[:, step + 1, 0, beam] - delay[:, step, 1, beam])
            needs_s = run / line.path_per_travel / line.speed_m_per_s + line.settle_s
            in_time &= (run <= STILL_M) | (needs_s <= gap_s)
    return replace(later, offset_m=offset, delay_m=delay).take(np.flatnonzero(in_time))
