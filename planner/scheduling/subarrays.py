"""Which telescopes are combined, and how their light is led: lines, inputs, path segments, routing mode.

A subarray is feasible exactly when each pair of its (beam, line) is (Helly's
theorem in one dimension), and a pair depends on the lines' strokes and the
constant paths of the beams only. So pairs are evaluated once for each
combination, packed as bits over (request, slot), and a setting is the AND of
its pairs. Path segments are chosen beam by beam: a choice whose beams so far
never keep the paths equal is not followed further.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from planner.constraints.air import left_contrast
from planner.constraints.tonight import NightLimits
from planner.constraints.tracker import linked
from planner.constraints.two_stars import differential_delay, second_path_m
from planner.geometry.placement import Placement
from planner.scenario.array import Array, Combiner, DelayLine
from planner.scenario.targets import Request
from planner.scheduling.routes import (
    Setting,
    segment_path_m,
    segments_of,
    settings_without_segments,
    usable_stroke_m,
)


@dataclass(frozen=True)
class Subarray:
    """Telescopes combined together, and how their light is led.

    Attributes
    ----------
    combiner : str
    telescopes : tuple of int
        Index in the placement.
    lines : tuple of int
        Index in ``array.delay_lines``, same order.
    mode, inputs, segments
        As in :class:`~planner.scheduling.routes.Setting`.
    spectral_setup : str or None
    tracked : tuple of int or None
        Beams whose fringes the tracker follows; None without a tracker.
    """

    combiner: str
    telescopes: tuple[int, ...]
    lines: tuple[int, ...]
    mode: int = -1
    inputs: tuple[int, ...] = ()
    segments: tuple[int, ...] = ()
    spectral_setup: str | None = None
    tracked: tuple[int, ...] | None = None

    @property
    def setting(self) -> Setting:
        """How its light is led."""
        return Setting(self.lines, self.mode, self.inputs, self.segments)


def led(
    combiner: Combiner, telescopes: tuple[int, ...], setting: Setting, tracked: tuple[int, ...] | None = None
) -> Subarray:
    """Return the subarray of these telescopes on a setting."""
    return Subarray(
        combiner.name,
        telescopes,
        setting.lines,
        setting.mode,
        setting.inputs,
        setting.segments,
        combiner.setup_name,
        tracked,
    )


def possible_subarrays(placement: Placement, combiner: Combiner, request: Request) -> list[tuple[int, ...]]:
    """Return every set of placed telescopes that the combiner and the request accept, as index tuples."""
    wanted = set(request.extras.telescopes)
    usable = [
        index
        for index, (name, own) in enumerate(zip(placement.telescopes, placement.classes, strict=True))
        if own.name in combiner.limiting_magnitude
        and (not wanted or name in wanted)
        and (request.extras.second_star is None or placement.inlet_beams[index] == 2)
    ]
    chosen = itertools.combinations(usable, combiner.beams)
    return [c for c in chosen if combiner.mixed_classes or len({placement.classes[i].name for i in c}) == 1]


@dataclass(frozen=True)
class Assignments:
    """The ways to lead the light of a subarray that serve a request, the preferred first.

    Attributes
    ----------
    settings : tuple of Setting
        Lines of one kind are handed out in one way; ``routes.alike_settings`` yields the others.
    slots : ndarray of bool (setting, slot)
        Where each serves the science star.
    """

    settings: tuple[Setting, ...]
    slots: np.ndarray


def assign_lines(
    limits: NightLimits,
    combiner: Combiner,
    telescopes: tuple[int, ...],
    requests: Sequence[int],
    asked: Mapping[int, np.ndarray] | None = None,
) -> dict[int, Subarray]:
    """Return the preferred way to lead the light of a subarray for each request that may use it.

    Arguments as in :func:`assignments_of`; requests that no setting serves at any slot are left out.
    """
    found = assignments_of(limits, combiner, telescopes, requests, asked)
    return {request: led(combiner, telescopes, own.settings[0]) for request, own in found.items()}


def assignments_of(
    limits: NightLimits,
    combiner: Combiner,
    telescopes: tuple[int, ...],
    requests: Sequence[int],
    asked: Mapping[int, np.ndarray] | None = None,
) -> dict[int, Assignments]:
    """Find how the light of a subarray can be led for each request that may use it.

    The setting with the most usable slots over all these requests, weighted by
    priority, is the common one; a request prefers another only when that gives it
    more usable slots, because leading a beam elsewhere costs time.

    Parameters
    ----------
    limits : NightLimits
    combiner : Combiner
    telescopes : tuple of int
        Index in the placement.
    requests : sequence of int
        Index in ``scenario.requests``, which is also the star's index in the sky.
        All of them with this combiner in its present spectral setup, and all with one feed or all with two.
    asked : mapping of ndarray (time,), optional
        What each request allows (``limits.asked``), where it is known already.

    Returns
    -------
    dict
        {request: Assignments}, without the requests that no setting serves at any slot.
    """
    if asked is None:
        asked = {r: limits.asked(limits.scenario.requests[r], r, science=True) for r in requests}
    usable = _usable_slots(limits, np.array(telescopes), requests, asked)
    if not usable.any():
        return {}
    served = _served(limits, combiner, telescopes, requests, usable)
    if not served:
        return {}
    bits = np.stack([own for _, own in served])
    counts = np.bitwise_count(bits).sum(axis=-1).astype(int)
    priority = np.array([limits.scenario.requests[r].priority for r in requests])
    common = np.argsort(-(counts @ priority), kind="stable")
    chosen = {}
    for position, request in enumerate(requests):
        # The first of equals is the common one.
        order = common[np.argsort(-counts[common, position], kind="stable")]
        order = order[counts[order, position] > 0]
        if len(order):
            slots = np.unpackbits(bits[order, position], axis=-1, count=usable.shape[1]).astype(bool)
            chosen[request] = Assignments(tuple(served[k][0] for k in order), slots)
    return chosen


def _usable_slots(
    limits: NightLimits, telescopes: np.ndarray, requests: Sequence[int], asked: Mapping[int, np.ndarray]
) -> np.ndarray:
    """Slots at which everything that no setting changes allows the science star, (request, slot)."""
    slots = limits.sky.slots
    found: np.ndarray = limits.telescope_allowed[np.ix_(np.array(requests), slots, telescopes)].all(axis=-1)
    for row, request in enumerate(requests):
        wish = limits.scenario.requests[request]
        allowed = asked[request] & linked(limits, wish, request, telescopes.tolist())
        if wish.extras.second_star is not None:
            path = second_path_m(limits.sky, wish, request, limits.placement.vectors_m[telescopes])
            allowed = allowed & differential_delay(limits.scenario, path[None]).allowed[0]
        found[row] &= allowed[slots]
    return found


def _served(
    limits: NightLimits,
    combiner: Combiner,
    telescopes: tuple[int, ...],
    requests: Sequence[int],
    usable: np.ndarray,
) -> list[tuple[Setting, np.ndarray]]:
    """Settings that serve any of the requests, with the slots, as bits (request, byte), the preferred first.

    Settings with the same strokes and constant paths serve alike and are worked out once.
    """
    array, placement = limits.scenario.array, limits.placement
    dual = any(limits.scenario.requests[r].extras.second_star is not None for r in requests)
    paths = limits.path_m[list(requests)][:, limits.sky.slots][:, :, list(telescopes)]
    allowed = np.packbits(usable, axis=-1)
    stations = [placement.stations[i] for i in telescopes]
    known: dict[object, np.ndarray] = {}
    alike: dict[object, list[tuple[tuple[int, ...], np.ndarray]]] = {}
    found = []
    for base in settings_without_segments(array, placement, combiner, telescopes, dual):
        strokes = [usable_stroke_m(array.delay_lines[line], combiner) for line in base.lines]
        lines = [array.delay_lines[line] for line in base.lines]
        same = (tuple(strokes), tuple(line.medium for line in lines), base.beam_path_m(array, combiner))
        if same not in alike:
            pairs = PairBits(array, combiner, lines, paths, known)
            grown = grown_settings(array, combiner, base, stations, pairs, allowed)
            alike[same] = [(setting.segments, bits) for setting, bits in grown]
        found += [(replace(base, segments=segments), bits) for segments, bits in alike[same]]
    return found


class PairBits:
    """When two beams of a subarray can be used together, packed, each pair worked out once.

    They need a common offset, and in air enough contrast.

    Parameters
    ----------
    array : Array
    combiner : Combiner
    lines : sequence of DelayLine
        Of each beam.
    paths_m : ndarray (request, time, beam)
        r.s - L.
    known : dict
        Shared between settings of one subarray, so that no pair is worked out twice.
    """

    def __init__(
        self,
        array: Array,
        combiner: Combiner,
        lines: Sequence[DelayLine],
        paths_m: np.ndarray,
        known: dict[object, np.ndarray],
    ) -> None:
        self.array, self.combiner, self.paths_m, self.known = array, combiner, paths_m, known
        self.strokes = [usable_stroke_m(line, combiner) for line in lines]
        self.in_air = [line.medium == "air" and combiner.air_contrast_min > 0 for line in lines]

    def of(self, i: int, j: int, constant_m: float) -> np.ndarray:
        """Return the bits (request, byte); the constant path of beam j minus that of beam i is given."""
        air = self.in_air[i] and self.in_air[j]
        key = (i, j, self.strokes[i], self.strokes[j], air, round(constant_m, 9))
        if key not in self.known:
            second = self.paths_m[..., j] - constant_m
            inside = pair_in_range(self.paths_m[..., i], second, self.strokes[i], self.strokes[j])
            if air:
                left = left_contrast(self.array, self.combiner, self.paths_m[..., i] - second)
                inside = inside & (left >= self.combiner.air_contrast_min)
            self.known[key] = np.packbits(inside, axis=-1)
        return self.known[key]


def grown_settings(
    array: Array,
    combiner: Combiner,
    base: Setting,
    stations: Sequence[str],
    pairs: PairBits,
    allowed: np.ndarray,
) -> Iterator[tuple[Setting, np.ndarray]]:
    """Yield every choice of path segments that makes the paths equal at some allowed time, with those times.

    Parameters
    ----------
    base : Setting
        Without segments.
    stations : sequence of str
        Of each beam.
    pairs : PairBits
    allowed : ndarray of uint8 (request, byte)
    """
    inner = base.beam_path_m(array, combiner)
    segments = [segments_of(array, station) for station in stations]

    def grown(
        chosen: tuple[int, ...], path: tuple[float, ...], bits: np.ndarray
    ) -> Iterator[tuple[Setting, np.ndarray]]:
        beam = len(chosen)
        if beam == len(segments):
            yield (replace(base, segments=chosen) if max(chosen) >= 0 else base), bits
            return
        for segment in segments[beam]:
            own = inner[beam] + segment_path_m(array, segment)
            left = bits
            for other in range(beam):
                left = left & pairs.of(other, beam, own - path[other])
            if left.any():
                yield from grown((*chosen, segment), (*path, own), left)

    yield from grown((), (), allowed)


def pair_in_range(
    first_m: np.ndarray,
    second_m: np.ndarray,
    first_stroke: tuple[float, float],
    second_stroke: tuple[float, float],
) -> np.ndarray:
    """True where some common offset keeps both beams in their strokes; shape of the paths given."""
    low = np.maximum(first_stroke[0] - first_m, second_stroke[0] - second_m)
    high = np.minimum(first_stroke[1] - first_m, second_stroke[1] - second_m)
    return low <= high
