"""Where a whole visit can begin on every subarray: a calibrator, the target, a calibrator, and moves between.

A step begins where its beams can hold one common offset to its end, so pairs
of beams decide again (Helly's theorem in one dimension). How long the moves
take depends on where everything stands; they are taken at their shortest and
at their longest, and a visit counts only where all between serves it. What
counts here a plan can therefore make, seldom excepted; of what a plan can
only just make, this misses some.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from planner.constraints.instrument import calibrator_visibility
from planner.geometry.baselines import baseline_vectors_m, lengths_m
from planner.ranking.bits import all_of, any_of, bytes_of, words_of
from planner.ranking.light import fringe_bits
from planner.ranking.moments import Moments
from planner.ranking.usable import LineChoice, Usable, pair_numbers, parts_of
from planner.scenario.array import Combiner
from planner.scenario.targets import Request
from planner.scheduling.setup import capture_s, carriage_s, slew_s, step_ticks, ticks_up
from planner.scheduling.visits import swaps
from planner.sky.directions import altitude_deg, azimuth_deg


@dataclass(frozen=True)
class Starts:
    """Where visits can begin.

    Attributes
    ----------
    bits : ndarray of uint8 (subarray, row, byte)
        Slots at which the first calibrator's step can begin.
    open : ndarray of bool (subarray, row)
        Whether some calibrator near the target suits the subarray at all.
    """

    bits: np.ndarray
    open: np.ndarray


@dataclass(frozen=True)
class _Timing:
    """When the steps of a visit begin, in slots from its start; first and last that moves allow.

    Attributes
    ----------
    steps : int
        Slots that the science step touches beyond its first.
    science, after : (int, int)
    """

    steps: int
    science: tuple[int, int]
    after: tuple[int, int]


def visit_starts(
    moments: Moments,
    combiner: Combiner,
    rows: np.ndarray,
    members: np.ndarray,
    choices: Sequence[LineChoice],
) -> Starts:
    """Return where visits of the requests of one combiner can begin.

    Parameters
    ----------
    moments : Moments
    combiner : Combiner
    rows : ndarray (row,)
        Positions of its requests.
    members : ndarray (subarray, beam)
    choices : sequence of LineChoice
        From ``usable.line_choices_of`` with the same subarrays.
    """
    scenario = moments.scenario
    most = scenario.effort.calibrators_per_request
    near = [moments.near[row] for row in rows.tolist()]
    beside = np.array(sorted({own for few in near for own in few}), dtype=int)
    place_of = {int(own): k for k, own in enumerate(beside)}
    count = moments.together.shape[2]
    found = np.zeros((len(members), len(rows), count), dtype=np.uint8)
    suits = _suits(moments, combiner, beside, members)
    places = [[place_of[own] for own in few] for few in near]
    is_open = np.stack(
        [suits[:, few].any(axis=1) if few else np.zeros(len(members), dtype=bool) for few in places], axis=1
    )
    if not len(beside):
        return Starts(found, is_open)
    tick, slot = scenario.night.tick_s, scenario.night.slot_s
    short = int(step_ticks(combiner, 0.0, tick, False).total) * tick
    timings = [_timing(moments, combiner, row, few) for row, few in zip(rows.tolist(), near, strict=True)]
    calibrators = Usable(moments, combiner, beside, members, -(-short // slot))
    targets = {
        steps: Usable(moments, combiner, rows[[own.steps == steps for own in timings]], members, steps)
        for steps in dict.fromkeys(own.steps for own in timings)
    }
    for choice in choices:
        for part in parts_of(choice, (len(rows) + len(beside), count)):
            of_calibrators = calibrators.on(choice, part)
            of_calibrators[~suits[part]] = 0
            for steps, targets_of in targets.items():
                of_targets = targets_of.on(choice, part)
                same = [k for k, own in enumerate(timings) if own.steps == steps]
                for column, k in enumerate(same):
                    if places[k]:
                        bits = _visits(of_targets[:, column], of_calibrators[:, places[k]], timings[k], most)
                        found[part, k] |= bytes_of(bits, count)
    shown = fringe_bits(moments, rows, calibrators.numbers, nearby=False)
    if shown is not None:
        for k, own in enumerate(timings):
            # What is recorded whatever the moves take: from the latest beginning to the earliest end.
            recorded = any_of(words_of(shown[:, k]), own.science[1], own.science[0] + own.steps)
            found[:, k] &= bytes_of(recorded, count)
    return Starts(found, is_open)


def _visits(target: np.ndarray, calibrators: np.ndarray, timing: _Timing, most: int) -> np.ndarray:
    """Where a visit can begin, (subarray, word), with the calibrators that a plan would be offered.

    Parameters
    ----------
    target : ndarray (subarray, word)
    calibrators : ndarray (subarray, calibrator, word)
        Nearest first.
    timing : _Timing
    most : int
        Calibrators that are offered: first those that serve half of the target's time.
    """
    science = all_of(target, *timing.science)
    shared = np.bitwise_count(calibrators & target[:, None]).sum(axis=-1, dtype=int)
    half = 2 * shared >= np.bitwise_count(target).sum(axis=-1, dtype=int)[:, None]
    long = (shared > 0) & half
    brief = (shared > 0) & ~half
    before = np.cumsum(long, axis=1) - long
    offered = long & (before < most)
    offered |= brief & (long.sum(axis=1, keepdims=True) + np.cumsum(brief, axis=1) - brief < most)
    used = np.where(offered[:, :, None], calibrators, np.uint64(0))
    opens = np.bitwise_or.reduce(used, axis=1)
    closes = np.bitwise_or.reduce(all_of(used, *timing.after), axis=1)
    return np.asarray(opens & science & closes)


def _suits(moments: Moments, combiner: Combiner, beside: np.ndarray, members: np.ndarray) -> np.ndarray:
    """Whether each calibrator is little enough resolved on each subarray, (subarray, calibrator)."""
    length = lengths_m(baseline_vectors_m(moments.placement.vectors_m))
    numbers = pair_numbers(members, moments.path_m.shape[2])
    longest = numbers[np.arange(len(members)), np.argmax(length[numbers], axis=1)]
    vis2_min = moments.scenario.limits.calibrator_vis2_min
    found = np.zeros((len(members), len(beside)), dtype=bool)
    used = np.unique(longest)
    for column, row in enumerate(beside.tolist()):
        star = moments.sky.stars[moments.star_of[row]]
        fits = np.zeros(len(length), dtype=bool)
        fits[used] = [
            bool(calibrator_visibility([star], float(length[own]), combiner, vis2_min).allowed[0])
            for own in used
        ]
        found[:, column] = fits[longest]
    return found


def _timing(moments: Moments, combiner: Combiner, row: int, near: Sequence[int]) -> _Timing:
    """When the steps of a request's visits begin."""
    scenario, wish = moments.scenario, moments.requests[row]
    tick, slot = scenario.night.tick_s, scenario.night.slot_s
    dual = scenario.array.dual_feed
    swap = dual.swap_s if dual is not None and swaps(wish) else 0.0
    short = step_ticks(combiner, 0.0, tick, False).total * tick
    science = step_ticks(combiner, swap, tick, True).total * tick
    least, most = (int(ticks_up(wait, tick)) * tick for wait in _waits_s(moments, combiner, wish, row, near))
    begins = short + least, short + most
    after = begins[0] + science + least, begins[1] + science + most
    return _Timing(
        steps=-(-science // slot),
        science=(begins[0] // slot, -(-begins[1] // slot)),
        after=(after[0] // slot, -(-after[1] // slot)),
    )


def _waits_s(
    moments: Moments, combiner: Combiner, wish: Request, row: int, near: Sequence[int]
) -> tuple[float, float]:
    """Least and most time from a step on the one star to a step on the other, seconds."""
    array = moments.scenario.array
    classes = [own for own in array.telescope_classes if own.name in combiner.limiting_magnitude]
    if not classes:
        return combiner.fringe_search_s, combiner.fringe_search_s
    least = min(capture_s(combiner, [own]) for own in classes)
    runs = [carriage_s(np.array(line.stroke_m[1] - line.stroke_m[0]), line) for line in array.delay_lines]
    longest = max([float(own) for own in runs], default=0.0)
    up = np.bitwise_or.reduce(moments.seat, axis=0)
    for other in near:
        both = np.unpackbits(up[row] & up[other], count=moments.slots).astype(bool)
        one, two = (moments.sky.direction[moments.star_of[own]][both] for own in (row, other))
        turned = azimuth_deg(two) - azimuth_deg(one)
        turned -= 360.0 * np.round(turned / 360.0)
        tilted = altitude_deg(two) - altitude_deg(one)
        for own in classes:
            longest = max(longest, float(np.max(slew_s(turned, tilted, own), initial=0.0)))
    return least, max(capture_s(combiner, [own]) for own in classes) + longest
