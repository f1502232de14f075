"""From limits to candidates: which subarrays, calibrators, starts and turns are offered.

The offer is cut to a size that a proof can cover: a few subarrays for each
request (by reachable value), a few calibrators (the nearest that work), a few
brackets at each start (the shortest), a few ways to lead the light at each
start (the preferred). The effort in ``scenario.toml`` sets how many; the bound
of a plan is over all plans of these candidates. Only what a whole visit can be
made with is counted: a request is without candidates only when no subarray, led
in whichever way, has room for one.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from planner.constraints.brightness import bright_enough
from planner.constraints.contrast import fringes
from planner.constraints.delay_range import delay_range
from planner.constraints.instrument import bracket_distance_deg, calibrator_visibility
from planner.constraints.tonight import NightLimits
from planner.geometry.baselines import baseline_vectors_m
from planner.geometry.uv import uvw_m
from planner.geometry.uv_tracks import knots, uv_tracks
from planner.scheduling.brackets import TURNS, Bracket, brackets_of
from planner.scheduling.light import differential_m, light_limits, with_tracking
from planner.scheduling.reserved import clear_of_reserved
from planner.scheduling.routes import Setting, alike_settings, count_alike
from planner.scheduling.setup import ticks_up
from planner.scheduling.subarrays import Assignments, Subarray, assignments_of, led, possible_subarrays
from planner.scheduling.visits import StarOnBeams, SubarrayFacts, VisitFamily, facts_of, star_on_beams
from planner.science.contrast import contrast_of
from planner.science.coverage import CellRuns, cell_runs, stretches
from planner.science.history import filled_times


@dataclass(frozen=True)
class RequestOffer:
    """What the night holds for one request.

    Attributes
    ----------
    request : int
    families : tuple of VisitFamily
    subarrays : tuple of Subarray
        All that can serve it at some slot, best first, each led in the way that is preferred.
    further : tuple of Subarray
        The same telescopes led in other ways, where these open other slots or are offered.
    reachable : ndarray
        Codes of every cell that some subarray reaches while it is usable, those of earlier nights left out.
    runs : dict
        For each subarray in use, the cells that its baselines cross; seconds since the first tick.
    subarrays_offered : int
        Subarrays with a candidate.
    assignments : int
        Ways to lead the light of those that serve it at some slot.
    assignments_offered : int
        Those ways with a candidate.
    filled_before : ndarray
        Codes of every cell that earlier nights have filled, in reach tonight or not, sorted.
    times_before : ndarray of int
        How often they have filled each.
    """

    request: int
    families: tuple[VisitFamily, ...]
    subarrays: tuple[Subarray, ...]
    reachable: np.ndarray
    runs: dict[Subarray, CellRuns]
    filled_before: np.ndarray
    times_before: np.ndarray
    further: tuple[Subarray, ...] = ()
    subarrays_offered: int = 0
    assignments: int = 0
    assignments_offered: int = 0


FAR_M = 1e6  # no path is longer
MANY_CALIBRATORS = 10  # tried where the few that are offered to the solver allow no visit


def night_offers(limits: NightLimits) -> tuple[RequestOffer, ...]:
    """Work out every visit that is offered to the solver, request by request."""
    serving = _serving_subarrays(limits)
    return tuple(
        _offer(limits, request, serving[request]) for request in range(len(limits.scenario.requests))
    )


@dataclass(frozen=True)
class _Led:
    """A subarray led in one way that serves a request at some slot, and the ticks that are left, (time,)."""

    facts: SubarrayFacts
    in_reach: np.ndarray


@dataclass(frozen=True)
class _Serving:
    """Telescopes that serve a request: led as preferred and in ways that open other slots; and all ways."""

    led: tuple[_Led, ...]
    assignments: Assignments

    @property
    def telescopes(self) -> tuple[int, ...]:
        return self.led[0].facts.subarray.telescopes


def _serving_subarrays(limits: NightLimits) -> list[list[_Serving]]:
    """All subarrays with their lines that can serve each request at some slot."""
    scenario, placement = limits.scenario, limits.placement
    serving: list[list[_Serving]] = [[] for _ in scenario.requests]
    alike: dict[tuple[int, str | None, bool], list[int]] = {}
    names = [combiner.name for combiner in scenario.array.combiners]
    for number, request in enumerate(scenario.requests):
        own = request.extras
        key = (names.index(request.combiner), own.spectral_setup, own.second_star is not None)
        alike.setdefault(key, []).append(number)
    asked = {n: limits.asked(wish, n, science=True) for n, wish in enumerate(scenario.requests)}
    inside = {n: asked[n] & limits.window(wish).allowed for n, wish in enumerate(scenario.requests)}
    # In the order of the combiners; within one, of the first request.
    for _, group in sorted(alike.items(), key=lambda entry: (entry[0][0], entry[1])):
        combiner = scenario.combiner_of(scenario.requests[group[0]])
        wanted: dict[tuple[int, ...], list[int]] = {}
        for number in group:
            wish = scenario.requests[number]
            bright = bright_enough(scenario, wish, [wish.star], True, placement.classes)[0]
            for telescopes in possible_subarrays(placement, combiner, wish):
                if bright[list(telescopes)].all():
                    wanted.setdefault(telescopes, []).append(number)
        for telescopes, requests in sorted(wanted.items()):
            found = assignments_of(limits, combiner, telescopes, requests, asked)
            led_by: dict[Setting, list[int]] = {}
            for number, every in found.items():
                for setting in _opening(every):
                    led_by.setdefault(setting, []).append(number)
            ways: dict[int, list[_Led]] = {number: [] for number in found}
            for setting, numbers in led_by.items():
                subarray = led(combiner, telescopes, setting)
                facts = facts_of(limits, subarray)
                reach = _in_reach(limits, facts, numbers, np.array([inside[n] for n in numbers]))
                for number, ticks in zip(numbers, reach, strict=True):
                    tracked = with_tracking(limits, number, subarray, ticks)
                    ways[number].append(
                        _Led(facts if tracked is subarray else facts_of(limits, tracked), ticks)
                    )
            for number, every in found.items():
                ways[number].sort(key=lambda one: every.settings.index(one.facts.subarray.setting))
                serving[number].append(_Serving(tuple(ways[number]), every))
    return serving


def _opening(own: Assignments) -> list[Setting]:
    """The preferred setting, and each one after it that opens slots which none before it does."""
    before = np.logical_or.accumulate(own.slots, axis=0)
    opens = (own.slots[1:] & ~before[:-1]).any(axis=-1)
    return [own.settings[0], *(own.settings[k + 1] for k in np.flatnonzero(opens))]


def _offer(limits: NightLimits, request: int, serving: Sequence[_Serving]) -> RequestOffer:
    scenario, effort = limits.scenario, limits.scenario.effort
    wish = scenario.requests[request]
    before, times = filled_times(scenario, wish)
    if not serving:
        return RequestOffer(request, (), (), np.empty(0, dtype=np.int64), {}, before, times)
    runs = night_runs(limits, request)
    fresh = ~np.isin(runs.distinct, before)
    reachable = np.zeros(len(fresh), dtype=bool)
    ranked = []
    for own in serving:
        pairs = pairs_among(len(limits.placement.telescopes), own.telescopes)
        reached = _reached(limits, request, own.led, runs, pairs) & fresh
        reachable |= reached
        ranked.append((-np.count_nonzero(reached), own.telescopes, own, pairs))
    ranked.sort(key=lambda entry: entry[:2])
    families: list[VisitFamily] = []
    led_ways: dict[Subarray, CellRuns] = {}
    offered = assignments = 0
    further = [one.facts.subarray for entry in ranked for one in entry[2].led[1:]]
    for _, _, own, pairs in ranked:
        if offered == effort.subarrays_per_request:
            break
        found = _families_on(limits, request, own)
        if not found:
            continue
        offered += 1
        assignments += sum(count_alike(scenario.array, setting) for setting in own.assignments.settings)
        crossed = runs.of_baselines(pairs)
        known = {one.facts.subarray for one in own.led}
        for facts, visits in found:
            families += visits
            led_ways[facts.subarray] = crossed
            if facts.subarray not in known:
                more = _Led(facts, usable_in_reach(limits, facts, request))
                reachable |= _reached(limits, request, [more], runs, pairs) & fresh
    primary = tuple(entry[2].led[0].facts.subarray for entry in ranked)
    return RequestOffer(
        request=request,
        families=tuple(families),
        subarrays=primary,
        reachable=runs.distinct[reachable],
        runs=led_ways,
        filled_before=before,
        times_before=times,
        further=tuple(dict.fromkeys([*further, *(own for own in led_ways if own not in primary)])),
        subarrays_offered=offered,
        assignments=assignments,
        assignments_offered=len(led_ways),
    )


def night_runs(limits: NightLimits, request: int) -> CellRuns:
    """Return the cells that every pair of telescopes crosses tonight; seconds since the first tick."""
    wish, sky = limits.scenario.requests[request], limits.sky
    at = knots(len(sky.times))
    every_pair = baseline_vectors_m(limits.placement.vectors_m)
    uv = uvw_m(sky.icrs_rad[[request]], sky.frame.boost[at], every_pair)[0, :, :, :2]
    tracks = uv_tracks(at * float(sky.tick_s), uv)
    span = (0.0, (len(sky.times) - 1) * float(sky.tick_s))
    contrast = contrast_of(limits.scenario, wish, tracks.longest_m)
    wavelengths = limits.scenario.combiner_of(wish).wavelengths_um
    return cell_runs(tracks, wavelengths, wish.field_mas, span, contrast)


def pairs_among(telescopes: int, chosen: Sequence[int]) -> np.ndarray:
    """Return which of all pairs of ``telescopes`` are pairs of ``chosen``, (pair,) of bool."""
    among = np.zeros(telescopes * (telescopes - 1) // 2, dtype=bool)
    among[pair_columns(telescopes, chosen)] = True
    return among


def _reached(
    limits: NightLimits, request: int, ways: Sequence[_Led], runs: CellRuns, baselines: np.ndarray
) -> np.ndarray:
    """Cells that some baselines reach while some of the ways to lead their light is usable, (cell,)."""
    usable = (stretches(_left(limits, own.facts, request, own.in_reach), limits.sky.tick_s) for own in ways)
    return np.logical_or.reduce([runs.inside(own, baselines) for own in usable])


def _families_on(
    limits: NightLimits, request: int, serving: _Serving
) -> list[tuple[SubarrayFacts, list[VisitFamily]]]:
    """Return the candidates on some telescopes, for each way to lead their light that has any.

    At each start the first few ways that allow a visit are offered. A way is
    left out unseen only when the ways before it serve all of its slots often
    enough, and there is a candidate; or when no line could help.
    """
    first = serving.led[0].facts
    if not len(_fit_calibrators(limits, request, first)):
        return []
    sky, most = limits.sky, limits.scenario.effort.assignments_per_start
    placement, array = limits.placement, limits.scenario.array
    seen = {one.facts.subarray.setting: one.facts for one in serving.led}
    science, at_start = np.zeros(len(sky.slots), dtype=int), np.zeros(len(sky.slots), dtype=int)
    found: list[tuple[SubarrayFacts, list[VisitFamily]]] = []
    for setting, slots in zip(serving.assignments.settings, serving.assignments.slots, strict=True):
        if found and not np.any(slots & (science < most)):
            continue
        for alike in itertools.islice(alike_settings(array, placement, serving.telescopes, setting), most):
            facts = seen.get(alike) or _tracked_facts(limits, request, serving, alike)
            science += slots
            visits = []
            opened = np.zeros(len(sky.slots), dtype=bool)
            for family in families_of(limits, request, facts):
                place = (family.start_tick[:, 0] - sky.first_slot) // sky.ticks_per_slot
                rows = np.flatnonzero(at_start[place] < most)
                if len(rows):
                    opened[place[rows]] = True
                    visits.append(family if len(rows) == len(place) else family.take(rows))
            at_start += opened
            if visits:
                found.append((facts, visits))
        if (
            not found
            and setting is serving.assignments.settings[0]
            and not _room_without_ends(limits, request, first)
        ):
            return []
    return found


def _room_without_ends(limits: NightLimits, request: int, facts: SubarrayFacts) -> bool:
    """Whether telescopes would have room for a visit on lines without ends that are never late.

    If not, no other lines, inputs or path segments can help.
    """
    changes = {"stroke_m": (-FAR_M, FAR_M), "pupil_stroke_m": None, "settle_s": 0.0}
    changes |= {"speed_m_per_s": FAR_M, "tracking_speed_mm_per_s": 1e3 * FAR_M}
    endless = replace(
        facts,
        subarray=replace(facts.subarray, tracked=None),
        combiner=facts.combiner.model_copy(update={"air_contrast_min": 0.0}),
        lines=tuple(line.model_copy(update=changes) for line in facts.lines),
    )
    return bool(families_of(limits, request, endless))


def _tracked_facts(limits: NightLimits, request: int, serving: _Serving, setting: Setting) -> SubarrayFacts:
    """Gather the hardware of some telescopes led in another way, with the beams that the tracker follows."""
    first = serving.led[0].facts
    subarray = replace(
        first.subarray,
        lines=setting.lines,
        mode=setting.mode,
        inputs=setting.inputs,
        segments=setting.segments,
        tracked=None,
    )
    facts = facts_of(limits, subarray)
    tracked = with_tracking(limits, request, subarray, usable_in_reach(limits, facts, request))
    return facts if tracked is subarray else facts_of(limits, tracked)


def usable_in_reach(limits: NightLimits, facts: SubarrayFacts, request: int) -> np.ndarray:
    """Ticks at which everything but the light path's own limits allows a request's target, (time,)."""
    wish = limits.scenario.requests[request]
    inside = limits.asked(wish, request, science=True) & limits.window(wish).allowed
    return _in_reach(limits, facts, [request], inside[None])[0]


def pair_columns(telescopes: int, chosen: Sequence[int]) -> np.ndarray:
    """Return where the pairs of ``chosen`` stand among all pairs of ``telescopes``, (pair,)."""
    first, second = np.array(list(itertools.combinations(sorted(chosen), 2)), dtype=int).reshape(-1, 2).T
    # Pairs of the telescopes before ``first`` come earlier.
    return np.asarray(first * telescopes - first * (first + 1) // 2 + second - first - 1)


def usable_ticks(limits: NightLimits, subarray: Subarray, request: int) -> np.ndarray:
    """Return the ticks at which a subarray can follow a request's target, (time,)."""
    facts = facts_of(limits, subarray)
    return _left(limits, facts, request, usable_in_reach(limits, facts, request))


def _left(limits: NightLimits, facts: SubarrayFacts, request: int, in_reach: np.ndarray) -> np.ndarray:
    """What the light path's own limits leave of some ticks for a request's target, (time,)."""
    kept = [verdict.allowed for verdict in light_limits(limits, facts, request, request)]
    return np.logical_and.reduce([in_reach, *kept])


def _in_reach(
    limits: NightLimits, facts: SubarrayFacts, requests: Sequence[int], inside: np.ndarray
) -> np.ndarray:
    """Ticks at which everything but the light path's own limits allows the targets, (request, time).

    Parameters
    ----------
    requests : sequence of int
    inside : ndarray (request, time)
        Where the requests themselves and their windows allow it.
    """
    telescopes = list(facts.subarray.telescopes)
    path = limits.path_m[requests][:, :, telescopes] - facts.beam_path_m
    mounts = limits.telescope_allowed[requests][:, :, telescopes].all(axis=-1)
    return np.asarray(inside & mounts & delay_range(path, facts.stroke_m).allowed)


def calibrators_for(
    limits: NightLimits, request: int, facts: SubarrayFacts, science: StarOnBeams, most: int | None = None
) -> list[StarOnBeams]:
    """Return the calibrators offered to a request on a subarray, nearest first.

    A calibrator must be bright enough for every class, little resolved on the
    longest baseline, within the bracket distance, and usable itself with the
    same beams. Those usable for at least half of the science star's time come
    before those that are not.
    """
    most = most or limits.scenario.effort.calibrators_per_request
    needed = np.count_nonzero(science.usable)
    found: list[StarOnBeams] = []
    short: list[StarOnBeams] = []
    for star in _fit_calibrators(limits, request, facts).tolist():
        on_beams = beams_of(limits, facts, request, star)
        shared = np.count_nonzero(on_beams.usable & science.usable)
        if shared:
            (short if 2 * shared < needed else found).append(on_beams)
        if len(found) == most:
            break
    return [*found, *short][:most]


def _fit_calibrators(limits: NightLimits, request: int, facts: SubarrayFacts) -> np.ndarray:
    """Stars near enough, bright enough and little resolved, whatever the time; nearest first, (star,)."""
    scenario = limits.scenario
    stars = len(scenario.requests) + np.arange(len(scenario.calibrators))
    middle = len(limits.sky.times) // 2
    distance = bracket_distance_deg(limits.sky.direction[:, middle], request, stars)
    near = np.flatnonzero(distance <= scenario.limits.bracket_distance_max_deg)
    near = near[np.argsort(distance[near], kind="stable")]
    telescopes = np.array(facts.subarray.telescopes)
    longest = limits.placement.longest_baseline_m(telescopes)
    classes = [limits.placement.classes[i] for i in telescopes]
    asked = [scenario.calibrators[row] for row in near]
    fit = (
        bright_enough(scenario, scenario.requests[request], asked, False, classes).all(axis=-1)
        & calibrator_visibility(asked, longest, facts.combiner, scenario.limits.calibrator_vis2_min).allowed
    )
    return np.asarray(stars[near[fit]])


def families_of(limits: NightLimits, request: int, facts: SubarrayFacts) -> list[VisitFamily]:
    """Return all candidate visits of one request on one subarray.

    Where the nearest few calibrators allow no visit, more are tried.
    """
    science = beams_of(limits, facts, request, request)
    if not science.usable.any():
        return []
    few = limits.scenario.effort.calibrators_per_request
    calibrators = calibrators_for(limits, request, facts, science)
    families = _bracketed(limits, request, facts, science, calibrators)
    if not families and len(calibrators) == few < MANY_CALIBRATORS:
        more = calibrators_for(limits, request, facts, science, MANY_CALIBRATORS)
        families = _bracketed(limits, request, facts, science, more)
    return families


def _bracketed(
    limits: NightLimits,
    request: int,
    facts: SubarrayFacts,
    science: StarOnBeams,
    calibrators: Sequence[StarOnBeams],
) -> list[VisitFamily]:
    """All candidate visits with these calibrators."""
    every = brackets_of(request, facts, science, (calibrators, calibrators), limits.sky.slots)
    offered = _kept(limits, request, facts, every)
    fits = [bracket.fits_on(TURNS) for bracket in offered]
    families = []
    for number, turn in enumerate(TURNS):
        rows = [np.flatnonzero(own[number]) for own in fits]
        shortest = _shortest(offered, rows, limits.scenario.effort.brackets_per_start)
        families += [
            bracket.take(own).family(turn) for bracket, own in zip(offered, shortest, strict=True) if len(own)
        ]
    return families


def science_starts(limits: NightLimits, request: int, facts: SubarrayFacts) -> np.ndarray:
    """Return the slots at which the science step alone can start, as ticks, (start,): nobody brackets it."""
    science = beams_of(limits, facts, request, request)
    start = limits.sky.slots[science.usable[limits.sky.slots]]
    turns = 360.0 * np.array(TURNS)[:, None]
    low, high = facts.azimuth_range_deg
    on_wrap = (science.azimuth_low_deg[start] + turns >= low) & (
        science.azimuth_high_deg[start] + turns <= high
    )
    kept = _clear(limits, request, facts, (start, start + science.ticks))
    kept &= _shows_fringes(limits, request, facts, start)
    return np.asarray(start[on_wrap.any(axis=0) & kept])


def _kept(
    limits: NightLimits, request: int, facts: SubarrayFacts, brackets: Sequence[Bracket]
) -> list[Bracket]:
    """Leave out visits that no absolute window holds whole, that meet reserved time, or show no fringes."""
    # All at once: times of windows and reserved time are read for each call.
    start = np.concatenate([np.empty(0, dtype=int), *(own.start_tick[:, 0] for own in brackets)])
    end = np.concatenate([np.empty(0, dtype=int), *(own.end_tick[:, 2] for own in brackets)])
    kept = _clear(limits, request, facts, (start, end))
    recorded = np.concatenate([np.empty(0, dtype=int), *(own.start_tick[:, 1] for own in brackets)])
    kept &= _shows_fringes(limits, request, facts, recorded)
    edges = np.cumsum([0, *(len(own.start_tick) for own in brackets)]).tolist()
    return [
        bracket.take(np.flatnonzero(kept[first:last]))
        for bracket, (first, last) in zip(brackets, itertools.pairwise(edges), strict=True)
    ]


def _clear(
    limits: NightLimits, request: int, facts: SubarrayFacts, ticks: tuple[np.ndarray, np.ndarray]
) -> np.ndarray:
    """Where visits from and to some ticks lie in one window each, and clear of reserved time, (visit,)."""
    start, end = ticks
    allowed = limits.window(limits.scenario.requests[request]).allowed
    # How many ticks before each one lie outside the windows.
    outside = np.concatenate([[0], np.cumsum(~allowed)])
    names = [limits.placement.telescopes[i] for i in facts.subarray.telescopes]
    capture = int(ticks_up(facts.capture_s, limits.sky.tick_s))
    clear = clear_of_reserved(limits, names, start - capture, end)
    return np.asarray(clear & (outside[end + 1] == outside[start]))


def _shows_fringes(limits: NightLimits, request: int, facts: SubarrayFacts, start: np.ndarray) -> np.ndarray:
    """Where some baseline counts at some moment of science steps that start at some ticks, (step,)."""
    of_pairs = fringes(limits, request, facts.subarray.telescopes)
    if of_pairs is None:
        return np.ones(len(start), dtype=bool)
    counts = np.zeros(len(start), dtype=bool)
    for first, last in facts.step(limits.scenario.requests[request], science=True).recording:
        counts |= of_pairs.counts_in((start + first) * limits.sky.tick_s, (start + last) * limits.sky.tick_s)
    return counts


def beams_of(limits: NightLimits, facts: SubarrayFacts, request: int, star: int) -> StarOnBeams:
    """Return the request's target or one of its calibrators as a subarray sees it, tick by tick."""
    wish = limits.scenario.requests[request]
    science = star == request
    allowed = limits.allowed(wish, star, np.array(facts.subarray.telescopes), science)
    for verdict in light_limits(limits, facts, request, star):
        allowed = allowed & verdict.allowed
    ticks = facts.step(wish, science).total
    return star_on_beams(limits, facts, star, allowed, ticks, differential_m(limits, facts, request, star))


def later_starts(limits: NightLimits, family: VisitFamily, row: int, last: int) -> VisitFamily:
    """Return the same visit at every tick after its start, up to tick ``last``, where it can be made."""
    before, after = family.calibrators
    stars = [beams_of(limits, family.facts, family.request, star) for star in (before, family.request, after)]
    ticks = np.arange(int(family.start_tick[row, 0]) + 1, last + 1)
    pair = ([stars[0]], [stars[2]])
    every = brackets_of(family.request, family.facts, stars[1], pair, ticks)
    later = _kept(limits, family.request, family.facts, every)[0]
    return later.take(np.flatnonzero(later.fits_on([family.turn])[0])).family(family.turn)


def ticks_to_spare(limits: NightLimits, family: VisitFamily, row: int) -> int:
    """Return by how many ticks the steps of a visit can be moved as one, until one of them is not allowed.

    Steps worked out anew may end earlier than steps that are moved, where a set-up is shorter then.
    """
    request = limits.scenario.requests[family.request]
    runs = [
        (beams_of(limits, family.facts, family.request, star).usable, int(start))
        for star, start in zip(family.stars, family.start_tick[row], strict=True)
    ]
    inside = limits.window(request).allowed
    runs += [(inside, int(family.start_tick[row, 0])), (inside, int(family.end_tick[row, 2]))]
    # Beyond the last tick nothing is allowed.
    return min(int(np.argmin(np.append(allowed[tick:], False))) for allowed, tick in runs) - 1


def _shortest(brackets: Sequence[Bracket], rows: Sequence[np.ndarray], most: int) -> list[np.ndarray]:
    """Keep at each start the ``most`` visits that end first, of some rows of each bracket; rows as given.

    Of equals, the earlier in the list.
    """
    number = np.repeat(np.arange(len(rows)), [len(own) for own in rows])
    row = np.concatenate([np.empty(0, dtype=int), *rows])
    ticks = [(own.start_tick[at, 0], own.end_tick[at, 2]) for own, at in zip(brackets, rows, strict=True)]
    start = np.concatenate([np.empty(0, dtype=int), *(own[0] for own in ticks)])
    end = np.concatenate([np.empty(0, dtype=int), *(own[1] for own in ticks)])
    order = np.lexsort((row, number, end, start))
    sorted_start = start[order]
    place = np.arange(len(order)) - np.searchsorted(sorted_start, sorted_start)
    kept = np.zeros(len(order), dtype=bool)
    kept[order[place < most]] = True
    return [row[kept & (number == n)] for n in range(len(rows))]
