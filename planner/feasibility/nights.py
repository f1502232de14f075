"""One night, target by target: windows of every subarray, whole visits, and why there are none."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from planner.constraints.tonight import NightLimits, night_limits
from planner.feasibility.answers import SubarrayNight, TargetNight
from planner.feasibility.calibrators import calibrators_near, reach_of
from planner.feasibility.edges import StarLimits
from planner.feasibility.exclusion import exclusion_of
from planner.feasibility.spans import Spans, longest_s, total_s
from planner.feasibility.subarrays import Followed, any_spans, best_lines, follow, subarray_night
from planner.scenario.targets import Request, Scenario
from planner.scheduling.candidates import families_of, science_starts
from planner.scheduling.setup import capture_s, ticks_up
from planner.scheduling.subarrays import Subarray
from planner.scheduling.visits import facts_of
from planner.sky.curve import SkyCurve, of_star, sky_curve
from planner.sky.directions import place_of
from planner.sky.earth_curve import seconds_after
from planner.sky.night import night_sky

Served = tuple[Subarray, Spans, np.ndarray]  # with its lines, when it is usable, ticks at which visits start
OTHER_LINES = 3  # settings that are tried where the best one allows no visit


@dataclass(frozen=True)
class Night:
    """A night of a scenario, with every star on its ticks and at any second.

    Attributes
    ----------
    scenario : Scenario
        Its date and configuration are the night's.
    limits : NightLimits
    curve : SkyCurve
    """

    scenario: Scenario
    limits: NightLimits
    curve: SkyCurve


def night_of(scenario: Scenario) -> Night:
    """Compute the night that the scenario names.

    Raises
    ------
    NoNight
    """
    sky = night_sky(scenario, scenario.night.date)
    limits = night_limits(scenario, sky, scenario.night.configuration)
    return Night(scenario, limits, sky_curve(place_of(scenario.array.site), sky.dark, sky.stars))


def changed(night: Night, scenario: Scenario) -> Night:
    """Return the night with another scenario of the same stars, site and darkness: the sky stays."""
    limits = night_limits(scenario, night.limits.sky, scenario.night.configuration)
    return Night(scenario, limits, night.curve)


def followed_star(night: Night, request: int, only: Sequence[str] = ()) -> Followed:
    """Follow the target of a request through a night."""
    wish = night.scenario.requests[request]
    of = StarLimits(
        night.scenario, wish, night.scenario.night.configuration, of_star(night.curve, request), 0
    )
    return follow(of, night.limits, only)


def visit_s(scenario: Scenario, request: Request, classes: Sequence[str] = ()) -> float:
    """Return the length of the shortest whole visit: three recordings and what captures two stars more.

    Without any calibrator in the scenario it is that of the science step.

    Every step is rounded up to ticks, as the planner does; slews and moves of
    carriages come on top where they are slower than nothing.
    """
    combiner = scenario.combiner_of(request)
    usable = [
        own
        for own in scenario.array.telescope_classes
        if own.name in combiner.limiting_magnitude and (not classes or own.name in classes)
    ]
    capture = min((capture_s(combiner, [own]) for own in usable), default=combiner.fringe_search_s)
    science = int(ticks_up(scenario.science_step_s(request), scenario.night.tick_s))
    if not scenario.calibrators:
        return science * float(scenario.night.tick_s)
    parts = (combiner.recording_s[False], scenario.science_step_s(request), combiner.recording_s[False])
    ticks = sum(int(ticks_up(part, scenario.night.tick_s)) for part in parts)
    return (ticks + 2 * int(ticks_up(capture, scenario.night.tick_s))) * float(scenario.night.tick_s)


def visit_starts(limits: NightLimits, request: int, subarray: Subarray) -> np.ndarray:
    """Return the slots at which a whole visit can start with a subarray, as ticks, (start,).

    Without any calibrator in the scenario a visit is its science step.
    """
    facts = facts_of(limits, subarray)
    if not limits.scenario.calibrators:
        return science_starts(limits, request, facts)
    found = [family.start_tick[:, 0] for family in families_of(limits, request, facts)]
    return np.unique(np.concatenate(found)) if found else np.empty(0, dtype=int)


def served_on(limits: NightLimits, request: int, followed: Followed, telescopes: tuple[int, ...]) -> Served:
    """Return a subarray with its best lines, when it is usable, and the ticks at which visits can start.

    The best lines are those that follow the target longest; where they leave its
    calibrators out, the next ones are tried.
    """
    setting, spans = best_lines(followed, telescopes)
    subarray, nothing = followed.subarray(telescopes, setting, spans), np.empty(0, dtype=int)
    if longest_s(spans) < followed.needed_s:
        return subarray, spans, nothing
    starts = visit_starts(limits, request, subarray)
    if len(starts) or not limits.scenario.calibrators:
        return subarray, spans, starts
    others = zip(followed.choices[telescopes], followed.usable[telescopes], strict=True)
    roomy = [entry for entry in others if entry[0] != setting and longest_s(entry[1]) >= followed.needed_s]
    for other, its_spans in sorted(roomy, key=lambda entry: -total_s(entry[1]))[:OTHER_LINES]:
        own = followed.subarray(telescopes, other, its_spans)
        starts = visit_starts(limits, request, own)
        if len(starts):
            return own, its_spans, starts
    return subarray, spans, nothing


def first_to_serve(night: Night, request: int, followed: Followed) -> Served | None:
    """Return the first subarray that allows a whole visit, of those usable longest first; None for none.

    There is one exactly where :func:`served_by` finds starts.
    """
    roomy = [own for own, many in followed.usable.items() if max(map(longest_s, many)) >= followed.needed_s]
    ranked = sorted((-total_s(best_lines(followed, own)[1]), own) for own in roomy)
    served = (served_on(night.limits, request, followed, own) for _, own in ranked)
    return next((entry for entry in served if len(entry[2])), None)


def served_by(night: Night, request: int, followed: Followed) -> list[Served]:
    """Return every subarray with its best lines, when it is usable, and the ticks at which visits can start.

    Those that allow a visit come first, longest usable first, then by the starts that they allow.
    """
    found = [served_on(night.limits, request, followed, telescopes) for telescopes in followed.choices]
    return sorted(
        found,
        key=lambda entry: (not len(entry[2]), -round(total_s(entry[1])), -len(entry[2]), entry[0].telescopes),
    )


def target_night(night: Night, request: int, only: Sequence[str] = ()) -> TargetNight:
    """Answer one request in one night: windows, whole visits, and why there are none.

    Parameters
    ----------
    night : Night
    request : int
        Index in the scenario's requests.
    only : sequence of str
        Telescopes; when given, only the subarray made of exactly these.
    """
    followed = followed_star(night, request, only)
    served = served_by(night, request, followed)
    first_tick_s = seconds_after(night.curve.dark.start, night.limits.sky.times[0])
    tick_s = night.limits.sky.tick_s
    subarrays = tuple(
        subarray_night(followed, subarray, spans, first_tick_s + starts * float(tick_s))
        for subarray, spans, starts in served
    )
    best = served[0][0] if served else None
    return TargetNight(
        scenario=night.scenario,
        request=request,
        curve=followed.of.curve,
        subarrays=subarrays,
        any_spans=any_spans(followed),
        grid_s=followed.held.grid_s,
        curves=tuple(followed.curves(best.telescopes, best.setting)) if best else (),
        visit_s=visit_s(night.scenario, night.scenario.requests[request]),
        exclusion=None
        if _possible(subarrays)
        else exclusion_of(night.limits, request, followed, served, only),
        remedies=(),
        remedies_tried=(),
        calibrators=calibrators_near(night.limits, request, best),
        reach=reach_of(night.limits, request, served, first_tick_s),
    )


def _possible(subarrays: Sequence[SubarrayNight]) -> bool:
    return any(len(one.visit_starts_s) for one in subarrays)
