"""Laws of the light path; then every choice of routing, and every limit counted again tick by tick."""

from __future__ import annotations

import dataclasses
import functools
import itertools

import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import SkyCoord
from hypothesis import given, settings
from hypothesis import strategies as st
from light_nights import lit_scenario
from nights import Built, build
from scipy.special import j1

from planner.geometry.air import group_refractivity
from planner.scenario.array import Array, Combiner
from planner.scenario.light_path import PathSegment
from planner.scheduling.candidates import beams_of, calibrators_for
from planner.scheduling.subarrays import Subarray, assign_lines, possible_subarrays
from planner.scheduling.visits import SubarrayFacts, facts_of

pytestmark = pytest.mark.slow

ARCSEC = np.deg2rad(1.0 / 3600.0)


@functools.cache
def hourly(seed: int) -> Built:
    """A night with a start every hour: every plan can be tried."""
    return build(lit_scenario(seed, slot_s=3600))


def on_array(night: Built, array: Array) -> Built:
    """The same night and what was offered, with other optics; nothing is chosen anew."""
    scenario = night.limits.scenario.model_copy(update={"array": array})
    return dataclasses.replace(night, limits=dataclasses.replace(night.limits, scenario=scenario))


@functools.cache
def usable_hourly(seed: int) -> dict[tuple[int, object], np.ndarray]:
    """The same of a night as it is."""
    return usable(hourly(seed))


def usable(night: Built) -> dict[tuple[int, object], np.ndarray]:
    """Where the science step of each request may start with each subarray that is offered."""
    return {
        (offer.request, own): beams_of(
            night.limits, facts_of(night.limits, own), offer.request, offer.request
        ).usable
        for offer in night.offers
        for own in offer.subarrays
    }


def laxer(array: Array, kind: str, much: float) -> Array:
    """The array with one limit of its light path wider by a part of itself, or by magnitudes."""
    if kind == "pupil stroke":
        lines = tuple(
            line.model_copy(
                update={"pupil_stroke_m": line.pupil_stroke_m and (4.0 * (1.0 - much), 30.0 + 3.9 * much)}
            )
            for line in array.delay_lines
        )
        return array.model_copy(update={"delay_lines": lines})
    if kind in OF_TWO_STARS:
        own = array.dual_feed
        wider = {
            "differential stroke": {
                "differential_stroke_m": tuple((1.0 + much) * x for x in own.differential_stroke_m)
            },
            "separation": {"separation_arcsec": (2.0 - much, 40.0 + 10.0 * much)},
            "orientation": {"field_angle_deg": (-150.0 - 30.0 * much, 120.0 + 60.0 * much)},
        }[kind]
        return array.model_copy(update={"dual_feed": own.model_copy(update=wider)})
    if kind == "air contrast":
        freer = tuple(
            own.model_copy(update={"air_contrast_min": own.air_contrast_min * (1.0 - much)})
            for own in array.combiners
        )
        return array.model_copy(update={"combiners": freer})
    (tracker,) = array.fringe_trackers
    fainter = {name: limit + 2.0 * much for name, limit in tracker.group_delay_limit.items()}
    phase = {name: limit + 2.0 * much for name, limit in tracker.phase_limit.items()}
    better = {
        "tracking limit": {"group_delay_limit": fainter, "phase_limit": phase},
        "visibility tracked": {"vis2_min": tracker.vis2_min * (1.0 - much)},
    }[kind]
    return array.model_copy(update={"fringe_trackers": (tracker.model_copy(update=better),)})


OF_TWO_STARS = ("differential stroke", "separation", "orientation")
KINDS = (*OF_TWO_STARS, "pupil stroke", "air contrast", "tracking limit", "visibility tracked")


@given(st.integers(0, 5), st.sampled_from(KINDS), st.floats(0.01, 1.0))
@settings(max_examples=20, deadline=None)
def test_a_laxer_limit_never_loses_a_start_of_a_subarray_on_its_setting(seed, kind, much):
    night = hourly(seed)
    before = usable_hourly(seed)
    after = usable(on_array(night, laxer(night.limits.scenario.array, kind, much)))
    assert before.keys() == after.keys()
    assert not any(np.any(before[key] & ~after[key]) for key in before)


def test_each_of_these_limits_binds_on_some_night():
    for kind in KINDS:
        gained = 0
        for seed in range(12):
            night = hourly(seed)
            before = usable_hourly(seed)
            after = usable(on_array(night, laxer(night.limits.scenario.array, kind, 1.0)))
            gained += sum(int(np.count_nonzero(after[key] & ~before[key])) for key in before)
            if gained:
                break
        # A separation is the same all night: such requests are offered or not.
        assert (gained > 0) == (kind != "separation"), kind


@given(st.integers(0, 5), st.sampled_from(["segment", "mode", "pupil stroke"]), st.floats(0.0, 1.0))
@settings(max_examples=12, deadline=None)
def test_one_more_way_to_lead_the_light_never_serves_fewer_slots(seed, kind, much):
    night = hourly(seed)
    array = night.limits.scenario.array
    if kind == "segment":
        more = PathSegment(name="more", path_m=60.0 * much, change_s=10.0)
        wider = array.model_copy(update={"path_segments": (*array.path_segments, more)})
    elif kind == "mode":
        # All lines to all inputs, for every combiner.
        more = array.routing_modes[0].model_copy(update={"name": "more"})
        free = tuple(own.model_copy(update={"routing_modes": ()}) for own in array.combiners)
        wider = array.model_copy(update={"routing_modes": (*array.routing_modes, more), "combiners": free})
    else:
        wider = laxer(array, kind, max(much, 0.01))
    more_ways = on_array(night, wider)
    for number, request in enumerate(night.limits.scenario.requests):
        for telescopes in possible_subarrays(
            night.limits.placement, array.combiner(request.combiner), request
        ):
            before, after = (slots_served(own, number, telescopes) for own in (night, more_ways))
            assert after >= before


def slots_served(night: Built, number: int, telescopes: tuple[int, ...]) -> int:
    """Slots that the setting that is chosen for a request serves."""
    limits = night.limits
    own = limits.scenario.combiner_of(limits.scenario.requests[number])
    found = assign_lines(limits, own, telescopes, [number]).get(number)
    free = free_slots(night, number, telescopes)
    return 0 if found is None else served(night, number, telescopes, setting_of(found), free)


def setting_of(own: Subarray) -> tuple[tuple[int, ...], ...]:
    """Lines, inputs and segments, written out."""
    return own.lines, own.inputs or tuple(range(len(own.lines))), own.segments or (-1,) * len(own.lines)


@pytest.fixture(scope="module", params=range(10))
def lit(request) -> Built:
    return build(lit_scenario(request.param, slot_s=1800))


def free_slots(night: Built, number: int, telescopes: tuple[int, ...]) -> np.ndarray:
    """Where everything that no setting changes allows the target: some set of beams is tracked, too."""
    limits = night.limits
    array, request = limits.scenario.array, limits.scenario.requests[number]
    free = limits.allowed(request, number, np.array(telescopes), science=True)
    if request.extras.second_star is not None:
        apart, _ = second_paths(night, number, list(telescopes))
        low, high = array.dual_feed.differential_stroke_m
        free = free & (np.ptp(apart, axis=-1) <= high - low)
    slots = limits.sky.slots
    if array.combiner(request.combiner).fringe_tracker is None:
        return free[slots]
    edges = edges_of(night, number, number, list(telescopes))[slots]
    most = min(len(telescopes), array.fringe_trackers[0].beams)
    sets = list(itertools.combinations(range(len(telescopes)), most))
    return free[slots] & [any(linked(now, own) for own in sets) for now in edges]


def served(night: Built, number: int, telescopes: tuple[int, ...], setting: tuple, free: np.ndarray) -> int:
    """Slots, of those that are free, at which a setting makes the paths equal and leaves fringes in air."""
    limits = night.limits
    array, slots = limits.scenario.array, limits.sky.slots
    own = limits.scenario.combiner_of(limits.scenario.requests[number])
    lines, inputs, segments = setting
    low, high, paths = np.full(len(slots), -np.inf), np.full(len(slots), np.inf), []
    for beam, telescope in enumerate(telescopes):
        line = array.delay_lines[lines[beam]]
        first, last = line.pupil_stroke_m if own.pupil_relay and line.pupil_stroke_m else line.stroke_m
        path = limits.sky.direction[number][slots] @ limits.placement.vectors_m[telescope]
        path = path - limits.placement.fixed_path_m[telescope]
        path = path - (own.beam_path_m[inputs[beam]] if own.beam_path_m else 0.0)
        path = path - (array.path_segments[segments[beam]].path_m if segments[beam] >= 0 else 0.0)
        low, high = np.maximum(low, first - path), np.minimum(high, last - path)
        paths.append(path)
    return int(np.count_nonzero(free & (low <= high) & in_air(array, own, paths)))


def in_air(array: Array, own: Combiner, paths: list[np.ndarray]) -> np.ndarray:
    """Where the air in the lines, all of them in air or none, leaves enough of the fringes."""
    good = np.ones(len(paths[0]), dtype=bool)
    if own.air_contrast_min:
        n = [group_refractivity(array.site, x) for x in (1.65, *own.wavelengths_um)]
        for (one, two), (x, index) in itertools.product(
            itertools.combinations(paths, 2), zip(own.wavelengths_um, n[1:], strict=True)
        ):
            left = (one - two) * (index - n[0]) / (1.0 + n[0])
            good &= np.abs(np.sinc(left / (x * 1e-6 * own.resolution))) >= own.air_contrast_min
    return good


def every_setting(night: Built, number: int, telescopes: tuple[int, ...]):
    """All modes, lines and segments of a subarray, inputs by the first matching, in plain loops."""
    limits = night.limits
    array, request = limits.scenario.array, limits.scenario.requests[number]
    own = array.combiner(request.combiner, request.extras.spectral_setup)
    stations = [limits.placement.stations[t] for t in telescopes]
    classes = [limits.placement.classes[t] for t in telescopes]
    ways = [
        [k for k, s in enumerate(array.path_segments) if not s.stations or station in s.stations] or [-1]
        for station in stations
    ]
    for mode in array.routing_modes:
        if mode.dual_feed != (request.extras.second_star is not None):
            continue
        if own.routing_modes and mode.name not in own.routing_modes:
            continue
        if mode.compression and any(c.name not in mode.compression for c in classes):
            continue
        sizes = [c.beam_mm / mode.compression.get(c.name, 1.0) for c in classes]
        if max(sizes) / min(sizes) > 1.01:
            continue
        for lines in itertools.permutations(range(len(array.delay_lines)), len(telescopes)):
            serves = [array.delay_lines[line].stations for line in lines]
            if any(s and station not in s for s, station in zip(serves, stations, strict=True)):
                continue
            inputs = first_inputs(mode.inputs, [array.delay_lines[i].name for i in lines], own.beams)
            for segments in itertools.product(*ways) if inputs else ():
                yield lines, inputs, segments


def first_inputs(reach: dict, names: list[str], beams: int) -> tuple[int, ...] | None:
    for inputs in itertools.permutations(range(beams), len(names)):
        if not reach or all(k + 1 in reach.get(name, ()) for k, name in zip(inputs, names, strict=True)):
            return inputs
    return None


def bright(night: Built, number: int, telescopes: tuple[int, ...]) -> bool:
    """Everything that has to see the target sees it, telescope by telescope."""
    scenario = night.limits.scenario
    request, array = scenario.requests[number], scenario.array
    own = array.combiner(request.combiner, request.extras.spectral_setup)
    star, guide, second = request.star, request.extras.guide_star, request.extras.second_star
    for telescope in telescopes:
        c = night.limits.placement.classes[telescope]
        ok = star.mag[own.band] <= own.limiting_magnitude[c.name]
        for band, limit in own.further_limits.items():
            ok &= star.mag[band] <= limit[c.name]
        ok &= (guide or star).mag["V"] <= c.guide_limiting_magnitude
        if guide is not None:
            places = [SkyCoord(s.ra_deg * u.deg, s.dec_deg * u.deg) for s in (star, guide)]
            ok &= places[0].separation(places[1]).arcsec <= c.guide_distance_max_arcsec
        for sensor in array.beam_sensors if own.beam_sensor else ():
            seen = min([star.mag["H"]] + ([second.mag["H"]] if second else []))
            ok &= seen <= sensor.limiting_magnitude[c.name]
        if not ok:
            return False
    return True


def test_the_routing_chosen_serves_as_many_slots_as_the_best_of_all(lit):
    limits = lit.limits
    for number, request in enumerate(limits.scenario.requests):
        own = limits.scenario.combiner_of(request)
        offered = {subarray.telescopes: subarray for subarray in lit.offers[number].subarrays}
        for telescopes in possible_subarrays(limits.placement, own, request):
            best, free = 0, free_slots(lit, number, telescopes)
            for setting in every_setting(lit, number, telescopes) if bright(lit, number, telescopes) else ():
                best = max(best, served(lit, number, telescopes, setting, free))
            assert (telescopes in offered) == (best > 0)
            if best:
                chosen = setting_of(offered[telescopes])
                assert served(lit, number, telescopes, chosen, free) == best


def kept_in_step(good: np.ndarray, ranges: list[tuple[np.ndarray, np.ndarray]], ticks: int) -> np.ndarray:
    """Where a step may start: good all along, with one number held for each (lowest, highest) on its own."""
    usable = np.zeros(len(good), dtype=bool)
    for start in range(len(good) - ticks):
        inside = slice(start, start + ticks + 1)
        usable[start] = good[inside].all() and all(
            low[inside].max() <= high[inside].min() for low, high in ranges
        )
    return usable


def second_paths(night: Built, number: int, telescopes: list[int]) -> tuple[np.ndarray, np.ndarray]:
    """Paths of the second star less those of the first, (time, beam), and orientation in the field, deg."""
    limits, wish_ = night.limits, night.limits.scenario.requests[number]
    first, second = (
        SkyCoord(s.ra_deg * u.deg, s.dec_deg * u.deg) for s in (wish_.star, wish_.extras.second_star)
    )
    apart = second.cartesian.xyz.value - first.cartesian.xyz.value
    enu = limits.sky.frame.rotation @ apart
    # tan q = sin H / (tan(lat) cos(dec) - sin(dec) cos(H)) (any textbook of spherical astronomy).
    lat = np.deg2rad(limits.scenario.array.site.latitude_deg)
    east, north, up = limits.sky.direction[number].T
    dec = np.arcsin(np.sin(lat) * up + np.cos(lat) * north)
    angle = np.arctan2(-east, np.cos(lat) * up - np.sin(lat) * north)
    q = np.arctan2(np.sin(angle), np.tan(lat) * np.cos(dec) - np.sin(dec) * np.cos(angle))
    turned = first.position_angle(second).deg - np.rad2deg(q)
    return enu @ limits.placement.vectors_m[telescopes].T, (turned + 180.0) % 360.0 - 180.0


def linked(edges: np.ndarray, members: tuple[int, ...]) -> bool:
    """Whether baselines of zero margin or more tie the members together: a flood from the first of them."""
    reached, pairs = {members[0]}, [(i, j) for i, j in itertools.combinations(members, 2) if edges[i, j] >= 0]
    for _ in members:
        reached |= {j for i, j in pairs if i in reached} | {i for i, j in pairs if j in reached}
    return reached == set(members)


def edges_of(night: Built, number: int, star: int, telescopes: list[int]) -> np.ndarray:
    """By how much each baseline shows the tracker enough, (time, beam, beam): its sign counts only."""
    limits = night.limits
    scenario, asked = limits.scenario, limits.scenario.requests[number].extras
    followed = limits.sky.stars[star]
    mag, disk = followed.mag["H"], followed.diameter_mas
    if star == number and asked.second_star is not None:
        mag, disk = asked.second_star.mag["H"], asked.second_star.diameter_mas
    tracker = scenario.array.fringe_trackers[0]
    limit = tracker.phase_limit if asked.tracking == "phase" else tracker.group_delay_limit
    direction = limits.sky.direction[star]
    edges = np.zeros((len(direction), len(telescopes), len(telescopes)))
    for i, j in itertools.combinations(range(len(telescopes)), 2):
        arm = limits.placement.vectors_m[telescopes[j]] - limits.placement.vectors_m[telescopes[i]]
        x = np.pi * disk / 1e3 * ARCSEC * np.linalg.norm(np.cross(direction, arm), axis=-1) / 1.65e-6
        visibility = np.abs(2.0 * j1(x) / x)
        faintest = min(limit[limits.placement.classes[telescopes[k]].name] for k in (i, j))
        enough = faintest - mag + 2.5 * np.log10(visibility)
        edges[:, i, j] = np.minimum(enough, visibility**2 - tracker.vis2_min)
    return edges


def recount(night: Built, facts: SubarrayFacts, number: int, star: int, ticks: int) -> np.ndarray:
    """Where a step on a star may start, every limit written anew; telescopes' own limits as the planner's."""
    limits, own = night.limits, facts.combiner
    array, telescopes = limits.scenario.array, list(facts.subarray.telescopes)
    good = limits.telescope_allowed[star][:, telescopes].all(axis=-1)
    setting = facts.subarray.setting
    inputs = setting.inputs or range(own.beams)
    paths, low, high = [], [], []
    for beam, telescope in enumerate(telescopes):
        line = array.delay_lines[setting.lines[beam]]
        path = limits.sky.direction[star] @ limits.placement.vectors_m[telescope]
        path = path - limits.placement.fixed_path_m[telescope]
        path = path - (own.beam_path_m[inputs[beam]] if own.beam_path_m else 0.0)
        path = path - array.path_segments[setting.segments[beam]].path_m
        first, last = line.pupil_stroke_m if own.pupil_relay and line.pupil_stroke_m else line.stroke_m
        good = good & (
            np.abs(np.gradient(path, 30.0)) / line.path_per_travel <= line.tracking_speed_mm_per_s / 1e3
        )
        paths.append(path)
        low.append(first - path)
        high.append(last - path)
    ranges = [(np.max(low, axis=0), np.min(high, axis=0))]
    if star == number and limits.scenario.requests[number].extras.second_star is not None:
        apart, turned = second_paths(night, number, telescopes)
        first, last = array.dual_feed.differential_stroke_m
        ranges.append((first - apart.min(axis=-1), last - apart.max(axis=-1)))
        good = (
            good
            & (turned >= array.dual_feed.field_angle_deg[0])
            & (turned <= array.dual_feed.field_angle_deg[1])
        )
    if facts.subarray.tracked is not None:
        edges = edges_of(night, number, star, telescopes)
        good = good & [linked(now, facts.subarray.tracked) for now in edges]
    good = good & in_air(array, own, paths)
    return kept_in_step(good, ranges, ticks)


def test_every_limit_counted_again_tick_by_tick_leaves_the_same_starts(lit):
    """Of the target and of each of its calibrators, on every subarray that is offered."""
    compared = 0
    for number, offer in enumerate(lit.offers):
        for subarray in offer.subarrays:
            facts = facts_of(lit.limits, subarray)
            science = beams_of(lit.limits, facts, number, number)
            for seen in (science, *calibrators_for(lit.limits, number, facts, science)):
                own = recount(lit, facts, number, seen.star, seen.ticks)
                np.testing.assert_array_equal(own, seen.usable)
                compared += 1
    assert compared
