"""What a setting of the light path asks of each pair of beams and of each carriage."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

from planner.feasibility.columns import DELAY, PUPIL, AirKey, PairKey, RateKey
from planner.scenario.array import Array, Combiner, DelayLine
from planner.scheduling.routes import Setting, usable_stroke_m


def pair_keys(
    array: Array, combiner: Combiner, telescopes: Sequence[int], setting: Setting
) -> tuple[PairKey, ...]:
    """Return what a setting asks of each pair of its beams: delay range, and the pupil where it matters."""
    path = setting.beam_path_m(array, combiner)
    lines = [array.delay_lines[line] for line in setting.lines]
    whole = [line.stroke_m for line in lines]
    usable = [usable_stroke_m(line, combiner) for line in lines]
    found = []
    for limit, stroke in ((DELAY, whole), (PUPIL, usable)):
        for i, j in itertools.combinations(range(len(lines)), 2):
            if limit == DELAY or (stroke[i], stroke[j]) != (whole[i], whole[j]):
                constant = round(path[j] - path[i], 9)
                found.append(PairKey((telescopes[i], telescopes[j]), (stroke[i], stroke[j]), constant, limit))
    return tuple(found)


def air_keys(
    array: Array, combiner: Combiner, telescopes: Sequence[int], setting: Setting
) -> tuple[AirKey, ...]:
    """Return which differences of delays in air matter to the contrast."""
    if combiner.air_contrast_min <= 0:
        return ()
    path = setting.beam_path_m(array, combiner)
    return tuple(
        AirKey((telescopes[i], telescopes[j]), round(path[j] - path[i], 9))
        for i, j in itertools.combinations(range(len(setting.lines)), 2)
        if array.delay_lines[setting.lines[i]].medium == array.delay_lines[setting.lines[j]].medium == "air"
    )


def rate_keys(array: Array, telescopes: Sequence[int], setting: Setting) -> tuple[RateKey, ...]:
    """Return what a setting asks of each carriage's tracking speed."""
    return tuple(
        RateKey(telescope, path_per_s(array.delay_lines[line]))
        for telescope, line in zip(telescopes, setting.lines, strict=True)
    )


def path_per_s(line: DelayLine) -> float:
    """Return how fast the path of a line can follow, metres of light per second."""
    return line.tracking_speed_mm_per_s / 1e3 * line.path_per_travel
