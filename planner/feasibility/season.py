"""Many nights at a glance: for each target, configuration, night and hour, what binds.

At each dark moment of a grid the limits are taken in their order of telling;
the first that leaves no subarray on any delay lines is the one that binds. The
limits are the same functions that judge a single night. Telescopes and pairs
of beams are packed as bits over the moments, and a subarray on its lines is the
AND of its telescopes and pairs.
"""

from __future__ import annotations

import datetime
import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from planner.constraints.air import left_contrast
from planner.constraints.brightness import brightness_limits
from planner.constraints.contrast import ABERRATION
from planner.constraints.delay_range import difference_range_m, path_rate_m_per_s
from planner.constraints.tonight import NightLimits, night_limits
from planner.constraints.tracker import edges_mag, tracker_for
from planner.constraints.two_stars import SEPARATION, differential_delay, field_limits, second_path_m
from planner.feasibility.answers import DAYLIGHT, Season, longest_open
from planner.feasibility.columns import (
    AIR,
    DELAY,
    DIFFERENTIAL,
    PUPIL,
    RATE,
    RESOLVED,
    TRACKER,
    AirKey,
    LightKey,
    PairKey,
    RateKey,
    SecondKey,
)
from planner.feasibility.exclusion import TELESCOPES
from planner.feasibility.lines import air_keys, pair_keys, rate_keys
from planner.feasibility.nights import visit_s
from planner.feasibility.recent import Recent, Same
from planner.feasibility.subarrays import ORDER
from planner.feasibility.visits import whole_visits
from planner.geometry.placement import Placement, placement_of
from planner.geometry.uv import uvw_m
from planner.progress import PartDone
from planner.scenario.targets import Request, Scenario
from planner.scheduling.routes import settings_of
from planner.scheduling.subarrays import possible_subarrays
from planner.science.contrast import contrast_of
from planner.science.tracking import chain_margin, tracked_sets
from planner.sky.directions import altitude_deg, place_of
from planner.sky.year import YearSky, year_sky

STEP_S = 300.0
CHUNK = 256  # subarrays on their lines that are met at once: bounds the memory
ALTITUDE = "altitude, lower limit"


# Limits of the light path in the order of telling; each has its own parts of a choice.
STAGES = (RATE, DELAY, PUPIL, DIFFERENTIAL, AIR)


@dataclass(frozen=True)
class _Choices:
    """Every subarray on every setting of the light path for one combiner in one configuration.

    Attributes
    ----------
    telescopes : ndarray (subarray, beam)
    keys : tuple of RateKey, PairKey, SecondKey or AirKey
    parts : dict
        For each stage, the rows of ``keys`` that each choice needs, (choice, part); -1 for none.
    of : ndarray (choice,)
        Its row in ``telescopes``.
    """

    telescopes: np.ndarray
    keys: tuple[PairKey | RateKey | LightKey, ...]
    parts: dict[str, np.ndarray]
    of: np.ndarray


_known_skies: Recent[YearSky] = Recent(2)


def season_sky(scenario: Scenario, nights: Sequence[datetime.date]) -> YearSky:
    """Compute the dark moments of some nights on the season's grid; the last ones are remembered."""
    place, highest = place_of(scenario.array.site), scenario.night.sun_altitude_max_deg
    key = (place, tuple(nights), highest)
    return _known_skies.of(key, lambda: year_sky(place, nights, highest, STEP_S))


def season_of(
    scenario: Scenario,
    sky: YearSky,
    requests: Sequence[int],
    configurations: Sequence[str],
    only: Sequence[str] = (),
    tell: Callable[[str], None] = lambda sentence: None,
) -> Season:
    """Work a season out: what binds at each hour, and the nights in which a whole visit can be made.

    Parameters are those of :func:`binding_of`.
    """
    binding = binding_of(scenario, sky, requests, configurations, only, tell)
    return Season(
        scenario=scenario,
        nights=sky.nights,
        step_s=sky.step_s,
        offset_h=sky.offset_h,
        configurations=tuple(configurations),
        requests=tuple(requests),
        limits=(*ORDER, TELESCOPES),
        binding=binding,
        visit_s=np.array([visit_s(scenario, scenario.requests[request]) for request in requests]),
        whole_visits=whole_visits(
            scenario,
            sky,
            (requests, configurations, only),
            room_for_science(scenario, requests, binding),
            tell,
        ),
    )


def room_for_science(scenario: Scenario, requests: Sequence[int], binding: np.ndarray) -> np.ndarray:
    """Return in which nights the science step may have room, (configuration, target, night).

    Where it has, some run of open columns is as long, rounded down: that is necessary, not sufficient.
    """
    steps = np.array([scenario.science_step_s(scenario.requests[request]) for request in requests])
    needed = np.floor(steps / STEP_S).astype(int)[None, :, None]
    return np.asarray((longest_open(binding) >= needed) & (binding != DAYLIGHT).any(axis=-1))


def binding_of(
    scenario: Scenario,
    sky: YearSky,
    requests: Sequence[int],
    configurations: Sequence[str],
    only: Sequence[str] = (),
    tell: Callable[[str], None] = lambda sentence: None,
) -> np.ndarray:
    """Return what binds for the science stars, (configuration, target, night, column): ``Season.binding``.

    Parameters
    ----------
    scenario : Scenario
    sky : YearSky
        From :func:`season_sky`.
    requests : sequence of int
        Index in the scenario's requests.
    configurations : sequence of str
    only : sequence of str
        Telescopes; when given, only the subarray made of exactly these.
    tell : callable
        Called with a sentence as the work goes on.
    """
    shape = (len(configurations), len(requests), len(sky.nights), len(sky.offset_h))
    binding = np.full(shape, DAYLIGHT, dtype=np.int8)
    for row, request in enumerate(requests):
        wish = scenario.requests[request]
        sentence = f"Following {wish.name} through {len(sky.nights)} nights"
        tell(PartDone(sentence, row, len(requests)))
        direction = sky.direction(wish.star)
        for column, configuration in enumerate(configurations):
            choices = _choices(scenario, configuration, wish, only)
            codes = _codes(scenario, sky, direction, (wish, configuration), choices)
            binding[column, row, sky.night, sky.column] = codes
    return binding


_known: Recent[_Choices] = Recent(32)


def _choices(scenario: Scenario, configuration: str, wish: Request, only: Sequence[str]) -> _Choices:
    own = wish.extras
    key = (
        *(Same(scenario.array), configuration, wish.combiner, own.spectral_setup, own.second_star is None),
        *(own.tracking == "none", own.telescopes, tuple(only)),
    )
    placement = placement_of(scenario.array, configuration)
    return _known.of(key, lambda: _choices_made(scenario, placement, wish, only))


def _choices_made(scenario: Scenario, placement: Placement, wish: Request, only: Sequence[str]) -> _Choices:
    array = scenario.array
    combiner, dual = scenario.combiner_of(wish), wish.extras.second_star is not None
    numbers: dict[PairKey | RateKey | LightKey, int] = {}
    chosen: list[tuple[int, ...]] = []
    of: list[int] = []
    wanted: dict[str, list[list[int]]] = {stage: [] for stage in STAGES}
    for telescopes in possible_subarrays(placement, combiner, wish):
        if only and {placement.telescopes[i] for i in telescopes} != set(only):
            continue
        seconds = [SecondKey(pair) for pair in itertools.combinations(telescopes, 2)] if dual else []
        distinct = {
            (
                rate_keys(array, telescopes, setting),
                pair_keys(array, combiner, telescopes, setting),
                air_keys(array, combiner, telescopes, setting),
            )
            for setting in settings_of(array, placement, combiner, telescopes, dual)
        }
        for rates, pairs, air in sorted(distinct, key=repr):
            of.append(len(chosen))
            by_stage: dict[str, Sequence[PairKey | RateKey | LightKey]] = {
                RATE: rates,
                DELAY: [key for key in pairs if key.limit == DELAY],
                PUPIL: [key for key in pairs if key.limit == PUPIL],
                DIFFERENTIAL: seconds,
                AIR: air,
            }
            for stage, keys in by_stage.items():
                wanted[stage].append([numbers.setdefault(key, len(numbers)) for key in keys])
        if distinct:
            chosen.append(telescopes)
    parts = {stage: _padded(rows) for stage, rows in wanted.items()}
    telescopes_of = np.array(chosen, dtype=int).reshape(len(chosen), combiner.beams)
    return _Choices(telescopes_of, tuple(numbers), parts, np.array(of, dtype=int))


def _padded(rows: Sequence[Sequence[int]]) -> np.ndarray:
    """Rows of different length as one array, -1 where a row has ended."""
    found = np.full((len(rows), max((len(row) for row in rows), default=0)), -1)
    for number, row in enumerate(rows):
        found[number, : len(row)] = row
    return found


def _codes(
    scenario: Scenario,
    sky: YearSky,
    direction: np.ndarray,
    asked: tuple[Request, str],
    choices: _Choices,
) -> np.ndarray:
    """What binds at every dark moment, (sample,): 0 for nothing, or the place of a limit, from 1."""
    wish, configuration = asked
    code = np.full(len(direction), 1 + ORDER.index(ALTITUDE), dtype=np.int8)
    if not len(choices.telescopes) or not len(direction):
        code[:] = 1 + len(ORDER)
        return code
    placement = placement_of(scenario.array, configuration)
    bright = np.ones(len(placement.telescopes), dtype=bool)
    for verdict in brightness_limits(scenario, wish, [wish.star], True, placement.classes):
        bright &= verdict.allowed[0]
        if not bright[choices.telescopes].all(axis=-1).any():
            code[:] = 1 + (ORDER.index(verdict.limit) if verdict.limit in ORDER else 0)
            return code
    # The two stars of a dual feed stay as far apart as they are, above the horizon or below it.
    for verdict in field_limits(scenario, sky.sky(wish.star, direction, np.arange(1)), wish, 0):
        if verdict.limit == SEPARATION and not verdict.allowed.all():
            code[:] = 1 + ORDER.index(SEPARATION)
            return code
    lowest = min(own.altitude_min_deg for own in placement.classes)
    up = np.flatnonzero(altitude_deg(direction) >= lowest)
    if len(up):
        limits = night_limits(scenario, sky.sky(wish.star, direction, up), configuration)
        code[up] = _staged(limits, wish, bright, choices)
    return code


def _staged(limits: NightLimits, wish: Request, bright: np.ndarray, choices: _Choices) -> np.ndarray:
    """Take the limits one after the other; at each moment tell the first that leaves no subarray."""
    moments = limits.path_m.shape[1]
    code = np.zeros(moments, dtype=np.int8)
    left = np.packbits(np.ones(moments, dtype=bool))
    of_telescope = np.where(bright[:, None], left, 0).astype(np.uint8)
    verdicts: dict[str, list[np.ndarray]] = {}
    for verdict in (*limits.of_request(wish, 0, science=True), limits.window(wish)):
        verdicts.setdefault(verdict.limit, []).append(np.packbits(verdict.allowed))
    for verdict in limits.of_telescopes:
        verdicts.setdefault(verdict.limit, []).append(np.packbits(verdict.allowed[0].T, axis=-1))
    bits = _key_bits(limits, wish, choices.keys)
    linked = _tracker_bits(limits, wish, choices.telescopes)
    shown = _fringe_bits(limits, wish, choices.telescopes)
    if linked is not None and shown is not None:
        linked = linked & shown
    full = np.packbits(np.ones(moments, dtype=bool))
    # A stage whose parts hold throughout asks nothing.
    needed = {s for s in STAGES if not np.all(bits[np.unique(choices.parts[s])] == full)}
    for place, name in enumerate(ORDER):
        if name in verdicts:
            for kept in verdicts[name]:
                of_telescope &= kept
            still = np.bitwise_or.reduce(_of_subarrays(of_telescope, choices), axis=0)
        elif name == RESOLVED and shown is not None:
            still = np.bitwise_or.reduce(_of_subarrays(of_telescope, choices) & shown, axis=0)
        elif name in STAGES and name in needed:
            still = _led(of_telescope, choices, bits, STAGES[: STAGES.index(name) + 1], shown)
        elif name == TRACKER and linked is not None:
            still = _led(of_telescope, choices, bits, STAGES, linked)
        else:
            continue
        code[np.unpackbits(left & ~still, count=moments).astype(bool)] = place + 1
        left &= still
    return code


def _of_subarrays(of_telescope: np.ndarray, choices: _Choices) -> np.ndarray:
    """Moments at which all telescopes of each subarray are allowed, packed, (subarray, byte)."""
    return np.bitwise_and.reduce(of_telescope[choices.telescopes], axis=1)


def _led(
    of_telescope: np.ndarray,
    choices: _Choices,
    bits: np.ndarray,
    stages: Sequence[str],
    linked: np.ndarray | None = None,
) -> np.ndarray:
    """Moments at which some subarray on some setting is allowed, packed, (byte,).

    Parameters
    ----------
    bits : ndarray (key + 1, byte)
        Where each key holds; the last row holds always.
    stages : sequence of str
        Limits of the light path that count.
    linked : ndarray (subarray, byte), optional
        Where the target shows fringes on each subarray, and the fringe tracker holds it together.
    """
    subarrays = _of_subarrays(of_telescope, choices)
    if linked is not None:
        subarrays = subarrays & linked
    own = np.concatenate([choices.parts[stage] for stage in stages], axis=1)
    found = np.zeros(subarrays.shape[1], dtype=np.uint8)
    for start in range(0, len(own), CHUNK):
        rows = slice(start, start + CHUNK)
        met = np.bitwise_and.reduce(bits[own[rows]], axis=1) & subarrays[choices.of[rows]]
        found |= np.bitwise_or.reduce(met, axis=0)
    return found


def _key_bits(limits: NightLimits, wish: Request, keys: Sequence[PairKey | RateKey | LightKey]) -> np.ndarray:
    """Where each key holds, packed, (key + 1, byte); the last row holds always."""
    path = limits.path_m[0].T
    latitude = limits.scenario.array.site.latitude_deg
    rate = path_rate_m_per_s(limits.sky.direction[0], limits.placement.vectors_m, latitude).T
    combiner = limits.scenario.combiner_of(wish)
    second = None
    if wish.extras.second_star is not None:
        second = second_path_m(limits.sky, wish, 0, limits.placement.vectors_m)
    found = np.empty((len(keys) + 1, (path.shape[1] + 7) // 8), dtype=np.uint8)
    found[-1] = np.packbits(np.ones(path.shape[1], dtype=bool))
    for row, key in enumerate(keys):
        if isinstance(key, RateKey):
            holds = rate[key.telescope] <= key.path_m_per_s
        elif isinstance(key, PairKey):
            low, high = difference_range_m(key.strokes, key.constant_m)
            difference = path[key.telescopes[0]] - path[key.telescopes[1]]
            holds = (difference >= low) & (difference <= high)
        elif isinstance(key, SecondKey) and second is not None:
            holds = differential_delay(limits.scenario, second[None][..., list(key.telescopes)]).allowed[0]
        else:
            apart = path[key.telescopes[0]] - path[key.telescopes[1]]
            constant = key.constant_m if isinstance(key, AirKey) else 0.0
            left = left_contrast(limits.scenario.array, combiner, apart + constant)
            holds = left >= combiner.air_contrast_min
        found[row] = np.packbits(holds)
    return found


def _fringe_bits(limits: NightLimits, wish: Request, telescopes: np.ndarray) -> np.ndarray | None:
    """Where a target shows fringes within a science step, packed, (subarray, byte); None for everywhere."""
    vectors = limits.placement.vectors_m
    pairs = list(itertools.combinations(range(len(vectors)), 2))
    baselines = np.array([vectors[j] - vectors[i] for i, j in pairs]).reshape(-1, 3)
    longest_m = float(np.linalg.norm(baselines, axis=-1).max(initial=0.0)) * ABERRATION
    contrast = contrast_of(limits.scenario, wish, longest_m)
    if contrast is None:
        return None
    uv = uvw_m(limits.sky.icrs_rad[[0]], limits.sky.frame.boost, baselines)[0, :, :, :2]
    counts = np.any(contrast.margin(uv) >= 0, axis=-1)
    seconds = np.asarray((limits.sky.times - limits.sky.times[0]).to_value("s"))
    step_s = limits.scenario.science_step_s(wish)
    near = np.array(counts)
    for apart in range(1, 1 + int(np.ceil(step_s / STEP_S))):
        close = (seconds[apart:] - seconds[:-apart] <= step_s + STEP_S)[:, None]
        near[apart:] |= counts[:-apart] & close
        near[:-apart] |= counts[apart:] & close
    columns = {pair: k for k, pair in enumerate(pairs)}
    found = [
        np.packbits(near[:, [columns[pair] for pair in itertools.combinations(chosen, 2)]].any(axis=-1))
        for chosen in np.sort(telescopes, axis=-1).tolist()
    ]
    return np.array(found, dtype=np.uint8)


def _tracker_bits(limits: NightLimits, wish: Request, telescopes: np.ndarray) -> np.ndarray | None:
    """Where the fringe tracker holds each subarray together, packed, (subarray, byte); None without one."""
    tracker = tracker_for(limits, wish)
    if tracker is None:
        return None
    beams = telescopes.shape[1]
    phase = wish.extras.tracking == "phase"
    edges = edges_mag(limits, wish, 0, range(len(limits.placement.telescopes)), phase) >= 0
    columns = {
        pair: k for k, pair in enumerate(itertools.combinations(range(len(limits.placement.telescopes)), 2))
    }
    found = []
    for chosen in telescopes.tolist():
        own = [columns[pair] for pair in itertools.combinations(chosen, 2)]
        margin = np.where(edges[:, own], 1.0, -1.0)
        held = [chain_margin(margin, members, beams) > 0 for members in tracked_sets(beams, tracker.beams)]
        found.append(np.packbits(np.any(held, axis=0)))
    return np.array(found, dtype=np.uint8)
