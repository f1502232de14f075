"""Why a request has no visit: which limit excludes it alone, or which only together.

A set of limits excludes a request when, with every other limit waived, no
subarray on any lines keeps them for as long as the science step is recorded.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence

import numpy as np

from planner.constraints.brightness import BRIGHT_LIMITS, FAINT, GUIDE, GUIDE_DISTANCE, SENSOR
from planner.constraints.contrast import RESOLVED, too_resolved
from planner.constraints.tonight import NightLimits
from planner.constraints.two_stars import SEPARATION
from planner.feasibility.answers import Exclusion
from planner.feasibility.calibrators import calibrators_near
from planner.feasibility.cases import Case, cases_of, excludes
from planner.feasibility.columns import Column
from planner.feasibility.spans import Spans, longest_s
from planner.feasibility.subarrays import Followed
from planner.scheduling.candidates import beams_of
from planner.scheduling.reasons import clock_after, hours_told, short_told
from planner.scheduling.routes import why_not_led
from planner.scheduling.subarrays import Subarray, possible_subarrays
from planner.scheduling.visits import facts_of
from planner.sky.earth_curve import seconds_after

TELESCOPES, LINES = "number of telescopes", "delay lines for the beams"
STEP, CALIBRATORS, ROOM = "delay range held over a step", "calibrators", "room for a whole visit"


def exclusion_of(
    limits: NightLimits,
    request: int,
    followed: Followed,
    served: Sequence[tuple[Subarray, Spans, np.ndarray]],
    only: Sequence[str] = (),
) -> Exclusion:
    """Return why no whole visit is possible.

    Parameters
    ----------
    limits : NightLimits
    request : int
    followed : Followed
    served : sequence of (Subarray, spans, ticks)
        From ``nights.served_by``: none allows a visit.
    only : sequence of str
        Telescopes of the only subarray asked for.
    """
    wish = limits.scenario.requests[request]
    if not followed.ways:
        return _no_subarray(limits, request, only)
    needed = followed.needed_s
    if not any(longest_s(spans) >= needed for _, spans, _ in served):
        return _no_room(limits, followed, needed)
    usable = [
        entry[0]
        for entry in served
        if beams_of(limits, facts_of(limits, entry[0]), request, request).usable.any()
    ]
    if not usable:
        longest = max(longest_s(spans) for _, spans, _ in served)
        return Exclusion(
            (STEP,),
            (),
            f"{STEP}: everything holds for {longest / 60.0:.0f} min at a time, but no common offset keeps "
            f"the beams in their strokes for the {needed / 60.0:.0f} min that {wish.name} is recorded",
        )
    if not limits.scenario.calibrators:
        return Exclusion((ROOM,), (), f"{ROOM}: the science step finds no start that fits")
    near = calibrators_near(limits, request, usable[0])
    fit = [one for one in near if one.magnitude_margin >= 0 and one.vis2_margin >= 0]
    if not any(one.shared_h > 0 for one in fit):
        within = f"within {limits.scenario.limits.bracket_distance_max_deg:g} deg"
        if not near:
            told = f"none is {within}"
        elif not fit:
            told = f"of {len(near)} {within} none is bright enough and small enough"
        else:
            told = (
                f"none of the {len(fit)} {within} that fit is in reach of the same beams when the target is"
            )
        return Exclusion((CALIBRATORS,), (), f"{CALIBRATORS}: {told}")
    return Exclusion(
        (ROOM,), (), f"{ROOM}: calibrator, science and calibrator with their set-ups find no start that fits"
    )


def _no_subarray(limits: NightLimits, request: int, only: Sequence[str]) -> Exclusion:
    """Say why there is no subarray at all: telescopes, classes, what the request asks for, or delay lines."""
    wish, placement = limits.scenario.requests[request], limits.placement
    combiner = limits.scenario.combiner_of(wish)
    fitting = [
        names
        for names in (
            {placement.telescopes[i] for i in chosen}
            for chosen in possible_subarrays(placement, combiner, wish)
        )
        if not only or names == set(only)
    ]
    if fitting:
        chosen = next(
            chosen
            for chosen in possible_subarrays(placement, combiner, wish)
            if {placement.telescopes[i] for i in chosen} in fitting
        )
        dual = wish.extras.second_star is not None
        told = why_not_led(limits.scenario.array, placement, combiner, chosen, dual)
        return Exclusion((LINES,), (), f"{LINES}: {told}")
    classes = dict(zip(placement.telescopes, (own.name for own in placement.classes), strict=True))
    accepted = [name for name, own in classes.items() if own in combiner.limiting_magnitude]
    asked = wish.extras.telescopes
    if only and asked and not set(only) <= set(asked):
        told = f"the request asks for {', '.join(asked)}, and {'-'.join(only)} are not all of them"
    elif only and not set(only) <= set(accepted):
        told = f"{combiner.name} does not accept the class of every one of {'-'.join(only)}"
    elif only and len({classes[name] for name in only}) > 1 and not combiner.mixed_classes:
        told = f"{combiner.name} does not combine telescopes of different classes"
    else:
        left = [name for name in accepted if not asked or name in asked]
        if wish.extras.second_star is not None:
            inlets = dict(zip(placement.telescopes, placement.inlet_beams, strict=True))
            left = [name for name in left if inlets[name] == 2]
        wanted = " and among those asked for" if asked else ""
        told = (
            f"{combiner.name} combines {combiner.beams}, and {len(left)} placed "
            f"{'telescope is' if len(left) == 1 else 'telescopes are'} of a class that it accepts{wanted}"
        )
        if len(left) >= combiner.beams:
            told += ", but not enough of one class"
    return Exclusion((TELESCOPES,), (), f"{TELESCOPES}: {told}")


def _no_room(limits: NightLimits, followed: Followed, needed_s: float) -> Exclusion:
    """Find the limits that leave no time, alone or together."""
    length = followed.held.length_s
    if length < needed_s:
        told = (
            f"{length / 60.0:.0f} min of dark are less than the {needed_s / 60.0:.0f} min of the science step"
        )
        return Exclusion((ROOM,), (), f"{ROOM}: {told}")

    cases = cases_of(followed)
    names = list(dict.fromkeys(limit for case in cases for limit in case.limits))

    def excluded(chosen: Sequence[str]) -> bool:
        return excludes(cases, chosen, length, needed_s)

    alone = tuple(name for name in names if excluded((name,)))
    if alone:
        return Exclusion(alone, (), _alone_told(limits, followed, cases, alone))
    together: tuple[str, ...] | None = next(
        (pair for pair in itertools.combinations(names, 2) if excluded(pair)), None
    )
    if together is None:
        together = _irreducible(names, excluded)
    hours = "; ".join(_when(limits, cases, name) for name in together)
    minutes = f"{needed_s / 60.0:.0f} min"
    return Exclusion((), together, f"each limit is kept for {minutes}, but never all at once: {hours}")


def _irreducible(names: Sequence[str], excluded: Callable[[Sequence[str]], bool]) -> tuple[str, ...]:
    """Leave out one limit after the other as long as the rest still excludes."""
    together = tuple(names)
    for name in names:
        fewer = tuple(other for other in together if other != name)
        if excluded(fewer):
            together = fewer
    return together


def _alone_told(limits: NightLimits, followed: Followed, cases: Sequence[Case], alone: Sequence[str]) -> str:
    """Say for the first limit how much is missing at best, where and when, and name the others."""
    name = alone[0]
    best: tuple[float, float, tuple[int, ...], str] | None = None
    for telescopes in followed.ways:
        for setting in followed.differing(telescopes, name):
            columns = [c for c in followed.parts(telescopes, setting) if c.limit == name]
            if not columns:
                continue
            margin, second = _at_best(followed, columns)
            if best is None or margin > best[0]:
                best = margin, second, telescopes, columns[0].unit
    assert best is not None
    margin, second, telescopes, unit = best
    others = ""
    if len(alone) > 1:
        others = f"; {' and '.join(alone[1:])} {'excludes' if len(alone) == 2 else 'exclude'} it as well"
    who = "-".join(limits.placement.telescopes[i] for i in telescopes)
    moment = clock_after(limits.sky, second - _first_tick_s(limits))
    longest = max(map(longest_s, _kept(cases, name)))
    if longest > 0:
        needed = followed.needed_s
        kept = f"kept for only {longest:.0f} s at a time, the science step needs {needed:.0f} s"
        return f"{name}: {kept}, around {moment} UTC ({who}){others}"
    if name == RESOLVED:
        request = limits.scenario.requests.index(followed.of.request)
        return f"{too_resolved(limits, request, telescopes)}{others}"
    if name in BRIGHT_LIMITS:
        return f"{name}: too bright by {-margin:.2f} mag at best ({who}){others}"
    short = short_told(-margin, unit)
    if name.startswith(FAINT) or name in (GUIDE, GUIDE_DISTANCE, SENSOR, SEPARATION):
        return f"{name}: {short} at best ({who}){others}"
    return f"{name}: at best {short}, at {moment} UTC ({who}){others}"


def _at_best(followed: Followed, columns: Sequence[Column]) -> tuple[float, float]:
    """The largest of the smallest margins of some columns, and when."""
    margin = np.min([followed.held.margin[column] for column in columns], axis=0)
    top = int(np.argmax(margin))
    return float(margin[top]), float(followed.held.grid_s[top])


def _kept(cases: Sequence[Case], name: str) -> list[Spans]:
    """When one limit is kept on the subarrays and settings that ask it."""
    every = (spans for case in cases if name in case.limits for spans in case.limits[name].spans)
    return [spans for spans in every if spans] or [()]


def _when(limits: NightLimits, cases: Sequence[Case], name: str) -> str:
    """Say when one limit is kept on the subarray that keeps it longest."""
    spans = max(_kept(cases, name), key=longest_s)
    first = _first_tick_s(limits)
    hours = [
        f"{clock_after(limits.sky, a - first)}-{clock_after(limits.sky, b - first)}" for a, b in spans[:3]
    ]
    more = f" and {len(spans) - 3} times more" if len(spans) > 3 else ""
    return hours_told(name, f"{', '.join(hours)} UTC{more}") if hours else f"{name} is never kept"


def _first_tick_s(limits: NightLimits) -> float:
    return seconds_after(limits.sky.dark.start, limits.sky.times[0])
