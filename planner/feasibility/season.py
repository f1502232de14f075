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

from planner.constraints.delay_range import difference_range_m, path_rate_m_per_s
from planner.constraints.instrument import faint_limit
from planner.constraints.tonight import NightLimits, night_limits
from planner.feasibility.answers import DAYLIGHT, Season
from planner.feasibility.edges import DELAY, RATE, PairKey, RateKey
from planner.feasibility.exclusion import TELESCOPES
from planner.feasibility.lines import line_choices, pair_keys, rate_keys
from planner.feasibility.nights import visit_s
from planner.feasibility.subarrays import ORDER
from planner.geometry.placement import Placement, placement_of
from planner.scenario.targets import Request, Scenario
from planner.scheduling.subarrays import possible_subarrays
from planner.sky.directions import altitude_deg, place_of
from planner.sky.year import YearSky, year_sky

STEP_S = 300.0
CHUNK = 256  # subarrays on their lines that are met at once: bounds the memory
ALTITUDE = "altitude, lower limit"


@dataclass(frozen=True)
class _Choices:
    """Every subarray on every choice of lines for one combiner in one configuration.

    Attributes
    ----------
    telescopes : ndarray (subarray, beam)
    pairs : tuple of PairKey
    rates : tuple of RateKey
    parts : ndarray (choice, part)
        Rows of the pairs, then of the rates, that each choice needs.
    of : ndarray (choice,)
        Its row in ``telescopes``.
    """

    telescopes: np.ndarray
    pairs: tuple[PairKey, ...]
    rates: tuple[RateKey, ...]
    parts: np.ndarray
    of: np.ndarray


def season_sky(scenario: Scenario, nights: Sequence[datetime.date]) -> YearSky:
    """Compute the dark moments of some nights on the season's grid."""
    return year_sky(place_of(scenario.array.site), nights, scenario.night.sun_altitude_max_deg, STEP_S)


def season_of(
    scenario: Scenario,
    sky: YearSky,
    requests: Sequence[int],
    configurations: Sequence[str],
    only: Sequence[str] = (),
    tell: Callable[[str], None] = lambda sentence: None,
) -> Season:
    """Work a season out.

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
    choices: dict[tuple[object, ...], _Choices] = {}
    for row, request in enumerate(requests):
        wish = scenario.requests[request]
        tell(f"Following {wish.name} through {len(sky.nights)} nights")
        direction = sky.direction(wish.star)
        for column, configuration in enumerate(configurations):
            key = (configuration, wish.combiner, wish.extras.telescopes)
            if key not in choices:
                choices[key] = _choices(scenario, placement_of(scenario.array, configuration), wish, only)
            codes = _codes(scenario, sky, direction, (wish, configuration), choices[key])
            binding[column, row, sky.night, sky.column] = codes
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
        confirmed={},
    )


def _choices(scenario: Scenario, placement: Placement, wish: Request, only: Sequence[str]) -> _Choices:
    array = scenario.array
    combiner = array.combiner(wish.combiner)
    pairs: dict[PairKey, int] = {}
    rates: dict[RateKey, int] = {}
    chosen: list[tuple[int, ...]] = []
    of: list[int] = []
    wanted: list[list[int]] = []
    for telescopes in possible_subarrays(placement, combiner, wish):
        if only and {placement.telescopes[i] for i in telescopes} != set(only):
            continue
        keys = set()
        for lines in line_choices(array, placement, telescopes):
            keys.add((pair_keys(array, combiner, telescopes, lines), rate_keys(array, telescopes, lines)))
        for pair, rate in sorted(keys, key=repr):
            of.append(len(chosen))
            wanted.append(
                [pairs.setdefault(key, len(pairs)) for key in pair]
                + [-1 - rates.setdefault(key, len(rates)) for key in rate]
            )
        if keys:
            chosen.append(telescopes)
    parts = np.array(wanted, dtype=int).reshape(len(of), combiner.beams * (combiner.beams + 1) // 2)
    parts = np.where(parts < 0, len(pairs) - 1 - parts, parts)
    telescopes_of = np.array(chosen, dtype=int).reshape(len(chosen), combiner.beams)
    return _Choices(telescopes_of, tuple(pairs), tuple(rates), parts, np.array(of, dtype=int))


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
    combiner = scenario.array.combiner(wish.combiner)
    bright = faint_limit([wish.star], combiner, [own.name for own in placement.classes]).allowed[0]
    if not bright[choices.telescopes].all(axis=-1).any():
        code[:] = 1 + ORDER.index("limiting magnitude")
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
    for place, name in enumerate(ORDER):
        if name in verdicts:
            for bits in verdicts[name]:
                of_telescope &= bits
            still = np.bitwise_or.reduce(_of_subarrays(of_telescope, choices), axis=0)
        elif name == RATE:
            still = _on_lines(limits, of_telescope, choices, with_pairs=False)
        elif name == DELAY:
            still = _on_lines(limits, of_telescope, choices, with_pairs=True)
        else:
            continue
        code[np.unpackbits(left & ~still, count=moments).astype(bool)] = place + 1
        left &= still
    return code


def _of_subarrays(of_telescope: np.ndarray, choices: _Choices) -> np.ndarray:
    """Moments at which all telescopes of each subarray are allowed, packed, (subarray, byte)."""
    return np.bitwise_and.reduce(of_telescope[choices.telescopes], axis=1)


def _on_lines(
    limits: NightLimits, of_telescope: np.ndarray, choices: _Choices, with_pairs: bool
) -> np.ndarray:
    """Moments at which some subarray on some lines is allowed, packed, (byte,)."""
    subarrays = _of_subarrays(of_telescope, choices)
    bits = np.concatenate([_pair_bits(limits, choices.pairs), _rate_bits(limits, choices.rates)])
    count = len(choices.pairs)
    beams = choices.telescopes.shape[1]
    own = choices.parts if with_pairs else choices.parts[:, choices.parts.shape[1] - beams :]
    if not with_pairs and np.all(
        bits[count:] == bits[count:] | np.packbits(np.ones(limits.path_m.shape[1], bool))
    ):
        return np.asarray(np.bitwise_or.reduce(subarrays, axis=0))
    found = np.zeros(subarrays.shape[1], dtype=np.uint8)
    for start in range(0, len(own), CHUNK):
        rows = slice(start, start + CHUNK)
        met = np.bitwise_and.reduce(bits[own[rows]], axis=1) & subarrays[choices.of[rows]]
        found |= np.bitwise_or.reduce(met, axis=0)
    return found


def _pair_bits(limits: NightLimits, pairs: Sequence[PairKey]) -> np.ndarray:
    """Where each pair of beams has a common offset, packed, (pair, byte)."""
    path = limits.path_m[0].T
    found = np.empty((len(pairs), (path.shape[1] + 7) // 8), dtype=np.uint8)
    numbered = sorted(range(len(pairs)), key=lambda row: pairs[row].telescopes)
    for (i, j), rows in itertools.groupby(numbered, key=lambda row: pairs[row].telescopes):
        difference = path[i] - path[j]
        for row in rows:
            low, high = difference_range_m(pairs[row].strokes, pairs[row].constant_m)
            found[row] = np.packbits((difference >= low) & (difference <= high))
    return found


def _rate_bits(limits: NightLimits, rates: Sequence[RateKey]) -> np.ndarray:
    """Where each carriage can follow, packed, (rate, byte)."""
    latitude = limits.scenario.array.site.latitude_deg
    rate = path_rate_m_per_s(limits.sky.direction[0], limits.placement.vectors_m, latitude).T
    found = [np.packbits(rate[key.telescope] <= key.path_m_per_s) for key in rates]
    return np.array(found, dtype=np.uint8).reshape(len(rates), -1)
