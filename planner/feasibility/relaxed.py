"""Relaxing limits: the smallest number by which a limit lets a whole visit through."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from planner.constraints.instrument import bracket_distance_deg
from planner.feasibility.answers import Remedy
from planner.feasibility.changes import Change, Edit, Knob, knobs, on_limits
from planner.feasibility.exclusion import CALIBRATORS, ROOM, STEP
from planner.feasibility.nights import Night, followed_star
from planner.feasibility.tries import WIDER_DEG, Search, least, rounded_up
from planner.scenario.targets import Scenario

FAINTER_V2 = (0.75, 0.5, 0.25, 0.1)  # of the least squared visibility of a calibrator
EASIER = 10  # how often a number is raised towards the most, when the least of it is not enough


def relaxed_limits(search: Search) -> Iterator[Remedy]:
    """Offer the least relaxation of each limit that is to blame, or of all that exclude alone together."""
    scenario = search.night.scenario
    wish = scenario.requests[0]
    every = knobs(scenario, wish)
    followed = search.followed
    whole_visit = search.blamed <= {STEP, CALIBRATORS, ROOM}
    offers: dict[str, list[Remedy]] = {}
    for knob in every:
        if not whole_visit and (knob.limit not in search.blamed or not search.only_blames((knob.limit,))):
            continue
        search.tries.append("relaxed limits")
        size = least(followed, knob)
        if size is None or (whole_visit and not search.try_(knob.change(_most(knob)))):
            continue
        remedy = _raised(search, knob, size)
        if remedy:
            offers.setdefault(knob.limit, []).append(remedy)
    for found in offers.values():
        # Two classes at once are offered only where one alone does not do.
        yield min(found, key=lambda remedy: (remedy.cost, -remedy.opens_h))
    if len(search.alone) > 1:
        yield from _together(search, every)


def _raised(search: Search, knob: Knob, size: float) -> Remedy | None:
    """The least number that opens a whole visit, from the least that gives the science step room upwards."""
    remedy = search.try_(knob.change(size))
    if remedy:
        return remedy
    most = _most(knob)
    if most <= size or (remedy := search.try_(knob.change(most))) is None:
        return None
    low, high = size, most
    for _ in range(EASIER):
        middle = rounded_up((low + high) / 2.0, knob.step)
        if not low < middle < high:
            break
        found = search.try_(knob.change(middle))
        low, high, remedy = (low, middle, found) if found else (middle, high, remedy)
    return remedy


def _most(knob: Knob) -> float:
    """The largest whole multiple of the knob's step that is tried."""
    return round(float(np.floor(knob.most / knob.step + 1e-9)) * knob.step, 9)


def _together(search: Search, every: Sequence[Knob]) -> Iterator[Remedy]:
    """Relax each of the limits that exclude alone, one after the other."""
    search.tries.append("relaxed limits")
    edits: list[Edit] = []
    sentences = []
    cost = 0.0
    night = search.night
    for place, limit in enumerate(search.alone):
        mine = [knob for knob in every if knob.limit == limit]
        if not mine:
            return
        followed = search.followed if night is search.night else followed_star(night, 0, search.only)
        size = least(followed, mine[-1], search.alone[place + 1 :])
        if size is None:
            return
        change = mine[-1].change(size)
        edits.append(change.edit)
        sentences.append(change.sentence)
        cost += change.size
        night = Night(
            change.edit(night.scenario),
            replace(night.limits, scenario=change.edit(night.limits.scenario)),
            night.curve,
        )
        every = knobs(night.scenario, night.scenario.requests[0])

    remedy = search.try_(
        Change(
            "limit",
            0.5 + cost,
            "; and ".join(sentences[:1] + [_small(told) for told in sentences[1:]]),
            _one_after_another(edits),
        )
    )
    if remedy:
        yield remedy


def _small(sentence: str) -> str:
    return sentence[:1].lower() + sentence[1:]


def _one_after_another(edits: Sequence[Edit]) -> Edit:
    def edit(scenario: Scenario) -> Scenario:
        for one in edits:
            scenario = one(scenario)
        return scenario

    return edit


def other_calibrators(search: Search) -> Iterator[Remedy]:
    """Offer calibrators farther away, or more resolved."""
    if not search.whole.scenario.calibrators or not search.blamed & {CALIBRATORS, ROOM}:
        return
    search.tries.append("other calibrators")
    limits = search.night.scenario.limits
    distances = _calibrator_distances_deg(search.night)
    most_deg = limits.bracket_distance_max_deg + WIDER_DEG
    farther = sorted(
        {
            math.ceil(distance)
            for distance in distances
            if limits.bracket_distance_max_deg < distance <= most_deg and math.ceil(distance) <= 90
        }
    )
    ladders = [
        [
            Change(
                "limit",
                (distance - limits.bracket_distance_max_deg) / 20.0,
                f"Accept calibrators up to {distance:g} deg away",
                on_limits(bracket_distance_max_deg=float(distance)),
            )
            for distance in farther
        ]
    ]
    if np.any(distances <= limits.bracket_distance_max_deg):
        ladders.append([_more_resolved(limits.calibrator_vis2_min, part) for part in FAINTER_V2])
    for ladder in ladders:
        remedy = _first_that_opens(search, ladder)
        if remedy:
            yield remedy


def _calibrator_distances_deg(night: Night) -> np.ndarray:
    """Angle from request 0 to each calibrator in the middle of the night, degrees, (calibrator,)."""
    sky, scenario = night.limits.sky, night.scenario
    stars = len(scenario.requests) + np.arange(len(scenario.calibrators))
    return bracket_distance_deg(sky.direction[:, len(sky.times) // 2], 0, stars)


def _more_resolved(vis2_min: float, part: float) -> Change:
    least_vis2 = round(vis2_min * part, 3)
    sentence = f"Accept calibrators down to V squared {least_vis2:g} on the longest baseline"
    return Change("limit", 1.0 - part, sentence, on_limits(calibrator_vis2_min=least_vis2))


def _first_that_opens(search: Search, ladder: Sequence[Change]) -> Remedy | None:
    """Return the first of changes that opens a visit, by halving: each allows all that those before it do."""
    best = search.try_(ladder[-1]) if ladder else None
    first, last = 0, len(ladder) - 1
    while best is not None and first < last:
        middle = (first + last) // 2
        remedy = search.try_(ladder[middle])
        if remedy is None:
            first = middle + 1
        else:
            best, last = remedy, middle
    return best
