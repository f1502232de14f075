"""Windows on arrays with a whole light path, against a plain second opinion.

Directions come from the planner's sky curve and limits of the telescopes' mounts from its constraints: both
are tested elsewhere. Everything that the light passes is judged here again, moment by moment: every routing
mode, every order of the lines with the first matching of inputs, every choice of path segments.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pytest
from astropy.time import Time
from light_nights import lit_scenario
from scipy.special import j1

from planner.feasibility.nights import Night, followed_star, night_of, target_night
from planner.feasibility.subarrays import Followed
from planner.geometry.air import group_refractivity
from planner.scenario.array import Array, Combiner
from planner.scenario.light_path import RoutingMode
from planner.scenario.targets import Request, Scenario
from planner.sky.earth import offline_earth

pytestmark = pytest.mark.slow

EDGE_S = 0.1  # an edge is told this well
MAS = np.pi / 180.0 / 3600.0 / 1000.0


# The second opinion.


@dataclass(frozen=True)
class Way:
    """One way to lead the beams of a subarray: per beam a line (its number), and the constant path."""

    lines: tuple[int, ...]
    path_m: tuple[float, ...]


def ways_of(
    array: Array, combiner: Combiner, telescopes: tuple[str, ...], stations: tuple[str, ...], dual: bool
) -> Iterator[Way]:
    """Every routing mode, order of lines and choice of segments that leads these telescopes' light."""
    classes = [array.class_of(name) for name in telescopes]
    constant = combiner.beam_path_m or (0.0,) * combiner.beams
    segments = [
        [own.path_m for own in array.path_segments if not own.stations or station in own.stations] or [0.0]
        for station in stations
    ]
    for mode in array.routing_modes or (None,):
        if mode is not None and not _leads(mode, combiner, classes, dual):
            continue
        for lines in itertools.permutations(range(len(array.delay_lines)), combiner.beams):
            own = [array.delay_lines[k] for k in lines]
            if any(o.stations and s not in o.stations for o, s in zip(own, stations, strict=True)):
                continue
            inputs = tuple(range(combiner.beams))
            if mode is not None and mode.inputs:
                reach = [sorted(mode.inputs.get(line.name, ())) for line in own]
                orders = (c for c in itertools.product(*reach) if len(set(c)) == len(c))
                first = next((c for c in orders if max(c) <= combiner.beams), None)
                if first is None:
                    continue
                inputs = tuple(number - 1 for number in first)
            for added in itertools.product(*segments):
                paths = (constant[k] + more for k, more in zip(inputs, added, strict=True))
                yield Way(lines, tuple(paths))


def _leads(mode: RoutingMode, combiner: Combiner, classes, dual: bool) -> bool:
    if mode.dual_feed != dual or (combiner.routing_modes and mode.name not in combiner.routing_modes):
        return False
    if not combiner.mixed_classes and len({own.name for own in classes}) > 1:
        return False
    if mode.compression and any(own.name not in mode.compression for own in classes):
        return False
    sizes = [own.beam_mm / mode.compression.get(own.name, 1.0) for own in classes]
    return max(sizes) <= 1.01 * min(sizes)


@dataclass(frozen=True)
class Second:
    """One star at some moments: direction (time, 3) ENU, rotation (time, 3, 3), UTC."""

    scenario: Scenario
    wish: Request
    direction: np.ndarray
    rotation: np.ndarray
    times: Time

    @property
    def combiner(self) -> Combiner:
        return self.scenario.array.combiner(self.wish.combiner, self.wish.extras.spectral_setup)

    def stations_m(self, stations: tuple[str, ...]) -> np.ndarray:
        every = {s.name: (s.east_m, s.north_m, s.up_m) for s in self.scenario.array.stations}
        return np.array([every[name] for name in stations]) - np.mean(list(every.values()), axis=0)

    def path_m(self, stations: tuple[str, ...]) -> np.ndarray:
        """r.s - L, (time, beam)."""
        # All pupils are 2 m above their pads, which shifts every path alike.
        fixed = {s.name: s.fixed_path_m + 2.0 for s in self.scenario.array.stations}
        return self.direction @ self.stations_m(stations).T - [fixed[name] for name in stations]

    def led(self, way: Way, path_m: np.ndarray, known: dict) -> dict[str, np.ndarray]:
        """Where each limit of the lines is kept, (time,); pairs of beams seen before are in ``known``."""
        kept: dict[str, np.ndarray] = {}
        lines = [self.strokes(number) for number in way.lines]
        for i, j in itertools.combinations(range(len(lines)), 2):
            key = (i, j, lines[i], lines[j], round(way.path_m[j] - way.path_m[i], 9))
            if key not in known:
                path = path_m[:, [i, j]] - [way.path_m[i], way.path_m[j]]
                known[key] = {"delay range": _common([lines[i][0], lines[j][0]], path)}
                if (lines[i][1], lines[j][1]) != (lines[i][0], lines[j][0]):
                    known[key]["pupil relay"] = _common([lines[i][1], lines[j][1]], path)
                if lines[i][2] and lines[j][2]:
                    left = self.contrast(path[:, 0] - path[:, 1])
                    known[key]["air in the lines"] = left >= self.combiner.air_contrast_min
            for limit, own in known[key].items():
                kept[limit] = kept[limit] & own if limit in kept else own
        return kept

    def strokes(self, number: int) -> tuple:
        """Whole stroke, the part in which the pupil is where it has to be, and whether air matters."""
        line, light = self.scenario.array.delay_lines[number], self.combiner
        part = line.pupil_stroke_m if light.pupil_relay and line.pupil_stroke_m else line.stroke_m
        return line.stroke_m, part, line.medium == "air" and light.air_contrast_min > 0

    def contrast(self, delay_m: np.ndarray) -> np.ndarray:
        """Of the worst channel: a box of width lambda/R, its packet off by D (n_science/n_tracking - 1)."""
        site, light = self.scenario.array.site, self.combiner
        holder = self.scenario.array.tracker_of(light)
        followed_um = np.mean(light.wavelengths_um) if holder is None else holder.wavelength_um
        tracked = 1.0 + group_refractivity(site, float(followed_um))
        left = []
        for channel_um in light.wavelengths_um:
            off_m = delay_m * ((1.0 + group_refractivity(site, channel_um)) / tracked - 1.0)
            x = np.pi * off_m / (1e-6 * channel_um * light.resolution)
            left.append(np.abs(np.where(x == 0, 1.0, np.sin(x) / np.where(x == 0, 1.0, x))))
        return np.min(left, axis=0)

    def tracked(self, telescopes: tuple[str, ...], stations: tuple[str, ...]) -> np.ndarray | None:
        """Where some set of as many beams as the tracker has is one graph, (time,)."""
        holder = self.scenario.array.tracker_of(self.combiner)
        if holder is None or self.wish.extras.tracking == "none":
            return None
        seen = self.wish.extras.second_star or self.wish.star
        magnitude, diameter = seen.mag[holder.band], seen.diameter_mas or 0.0
        limits = holder.phase_limit if self.wish.extras.tracking == "phase" else holder.group_delay_limit
        faintest = [limits[self.scenario.array.class_of(name).name] for name in telescopes]
        place = self.stations_m(stations)
        edges = {}
        for i, j in itertools.combinations(range(len(place)), 2):
            apart = place[j] - place[i]
            projected = np.linalg.norm(np.cross(apart, self.direction), axis=-1)
            x = np.pi * diameter * MAS * projected / (1e-6 * holder.wavelength_um)
            visible = np.abs(2.0 * j1(x) / x) if diameter else np.ones(len(projected))
            faint = magnitude - 2.5 * np.log10(visible)
            edges[i, j] = (faint <= min(faintest[i], faintest[j])) & (visible**2 >= holder.vis2_min)
        size = min(holder.beams, len(place))
        held = np.zeros(len(self.direction), dtype=bool)
        for moment in range(len(held)):
            linked = [pair for pair, on in edges.items() if on[moment]]
            held[moment] = any(_one_piece(s, linked) for s in itertools.combinations(range(len(place)), size))
        return held

    def of_pair_of_stars(self, stations: tuple[str, ...]) -> dict[str, np.ndarray]:
        """Separation, orientation and differential delay of a dual feed, (time,)."""
        second, own = self.wish.extras.second_star, self.scenario.array.dual_feed
        if second is None:
            return {}
        star = self.wish.star
        first_at, second_at = (_unit(s.ra_deg, s.dec_deg) for s in (star, second))
        apart = np.rad2deg(np.linalg.norm(second_at - first_at)) * 3600.0  # a chord: 1e-9 of 40 arcsec short
        near, far = own.separation_arcsec
        ra, dec = np.deg2rad([star.ra_deg, star.dec_deg])
        east = np.array([-np.sin(ra), np.cos(ra), 0.0])
        north = np.array([-np.sin(dec) * np.cos(ra), -np.sin(dec) * np.sin(ra), np.cos(dec)])
        position = np.arctan2((second_at - first_at) @ east, (second_at - first_at) @ north)
        # The zenith on the axes of the star, north towards the pole of date.
        latitude = np.deg2rad(self.scenario.array.site.latitude_deg)
        pole = np.array([0.0, np.cos(latitude), np.sin(latitude)])
        to_east = np.cross(pole, self.direction)
        to_north = np.cross(self.direction, to_east)
        zenith = np.arctan2(to_east[:, 2], to_north[:, 2])
        turned = np.rad2deg(np.angle(np.exp(1j * (position - zenith))))
        low, high = own.field_angle_deg
        differential = (self.rotation @ (second_at - first_at)) @ self.stations_m(stations).T
        return {
            "separation of the two stars": np.full(len(turned), near <= apart <= far),
            "field orientation": (turned >= low) & (turned <= high),
            "differential delay": _common([own.differential_stroke_m] * len(stations), differential),
        }

    def seen(self, telescopes: tuple[str, ...]) -> dict[str, bool]:
        """Whether the stars are bright enough for all of these telescopes."""
        array, star, extras = self.scenario.array, self.wish.star, self.wish.extras
        second, guide = extras.second_star, extras.guide_star
        classes = [array.class_of(name) for name in telescopes]
        sensor, light = array.sensor_of(self.combiner), self.combiner
        kept = {
            "limiting magnitude": all(
                star.mag[light.band] <= light.limiting_magnitude[c.name] for c in classes
            )
        }
        for band, limit in light.further_limits.items():
            kept[f"limiting magnitude in {band}"] = all(star.mag[band] <= limit[c.name] for c in classes)
        followed = star if guide is None else guide
        kept["guide star"] = all(followed.mag[c.guide_band] <= c.guide_limiting_magnitude for c in classes)
        if guide is not None:
            off = np.linalg.norm(_unit(guide.ra_deg, guide.dec_deg) - _unit(star.ra_deg, star.dec_deg))
            kept["guide star distance"] = all(
                np.rad2deg(off) * 3600.0 <= c.guide_distance_max_arcsec for c in classes
            )
        if sensor is not None:
            brightest = min(star.mag[sensor.band], *([second.mag[sensor.band]] if second else []), 99.0)
            kept["beam-position sensor"] = all(
                brightest <= sensor.limiting_magnitude[c.name] for c in classes
            )
        return kept

    def reserved(self, telescopes: tuple[str, ...]) -> np.ndarray:
        free = np.ones(len(self.times), dtype=bool)
        for own in self.scenario.reserved:
            if own.start_utc is not None and (not own.telescopes or set(own.telescopes) & set(telescopes)):
                with offline_earth():
                    since = (self.times - Time(own.start_utc)).to_value("s")
                    left = (Time(own.end_utc) - self.times).to_value("s") + own.ready_s
                free &= (since <= 0) | (left <= 0)
        return free


def _common(strokes, path: np.ndarray) -> np.ndarray:
    """Where one number added to all paths puts each into its stroke."""
    low = np.max([stroke[0] - path[:, k] for k, stroke in enumerate(strokes)], axis=0)
    high = np.min([stroke[1] - path[:, k] for k, stroke in enumerate(strokes)], axis=0)
    return low <= high


def _one_piece(beams: tuple[int, ...], linked: list[tuple[int, int]]) -> bool:
    reached = {beams[0]}
    for _ in beams:
        reached |= {b for pair in linked for b in pair if set(pair) & reached and set(pair) <= set(beams)}
    return reached == set(beams)


def _unit(ra_deg: float, dec_deg: float) -> np.ndarray:
    ra, dec = np.deg2rad([ra_deg, dec_deg])
    return np.array([np.cos(dec) * np.cos(ra), np.cos(dec) * np.sin(ra), np.sin(dec)])


def second_at(night: Night, followed: Followed, seconds: np.ndarray) -> Second:
    sky = followed.of.curve.at([0], seconds)
    return Second(night.scenario, followed.of.request, sky.direction[0], sky.frame.rotation, sky.times)


# Every subarray on every setting.


def inside(spans, seconds: np.ndarray) -> np.ndarray:
    return np.any([(seconds >= a) & (seconds <= b) for a, b in (*spans, (np.inf, np.inf))], axis=0)


def clear(spans, seconds: np.ndarray, length_s: float) -> np.ndarray:
    """Moments not too near to an edge; dusk and dawn are no edges of a limit."""
    edges = np.array([edge for span in spans for edge in span if 0.0 < edge < length_s])
    return np.min(np.abs(seconds[:, None] - edges), axis=1, initial=np.inf) >= EDGE_S - 1e-6


def judged_night(scenario: Scenario, number: int, seed: int) -> set[str]:
    """Compare one request's windows on all settings; return the limits that have their say at some edge."""
    night = night_of(scenario)
    followed = followed_star(night, number)
    held, placement = followed.held, night.limits.placement
    length = held.length_s
    edges = np.array([e for spans in held.spans.values() for span in spans for e in span if 0 < e < length])
    seconds = np.concatenate(
        [np.random.default_rng(seed).uniform(0, length, 150), edges - EDGE_S, edges + EDGE_S]
    )
    seconds = np.unique(seconds[(seconds > 0) & (seconds < length)])
    second = second_at(night, followed, seconds)
    limits = followed.of.at(seconds)
    mounts = {v.limit: v for v in (*limits.of_telescopes, *limits.of_request(followed.of.request, 0, True))}
    names = {names for names in mounts if names not in ("reserved time", "field orientation")}
    dual = followed.of.request.extras.second_star is not None
    some = np.zeros(len(seconds), dtype=bool)
    told: set[str] = set()
    compared = {}
    for telescopes in itertools.combinations(range(len(placement.telescopes)), second.combiner.beams):
        who, where = (tuple(own[k] for k in telescopes) for own in (placement.telescopes, placement.stations))
        path, known = second.path_m(where), {}
        common = {k: np.full(len(seconds), ok) for k, ok in second.seen(who).items()}
        common |= {"reserved time": second.reserved(who)} | second.of_pair_of_stars(where)
        tracked = second.tracked(who, where)
        if tracked is not None:
            common["fringe tracker"] = tracked
        mount = np.all([mounts[n].on_time(0, np.array(telescopes)) >= 0 for n in names], axis=0)
        ways = {
            (tuple(second.strokes(k) for k in way.lines), tuple(np.round(way.path_m, 9))): way
            for way in ways_of(scenario.array, second.combiner, who, where, dual)
            if not dual or all(placement.inlet_beams[k] == 2 for k in telescopes)
        }
        for way in ways.values():
            kept = common | second.led(way, path, known)
            some |= mount & np.all(list(kept.values()), axis=0)
        assert bool(followed.choices.get(telescopes)) == bool(ways)
        offered = {}
        for setting, spans in zip(
            followed.choices.get(telescopes, ()), followed.usable.get(telescopes, ()), strict=True
        ):
            constant = tuple(np.round(setting.beam_path_m(scenario.array, second.combiner), 9))
            key = (tuple(second.strokes(k) for k in setting.lines), constant)
            assert key in ways
            offered[key] = setting
            kept = common | second.led(ways[key], path, known)
            strokes = [second.strokes(k)[0] for k in setting.lines]
            assert np.array_equal(kept["delay range"], _common(strokes, path - np.array(constant)))
            found = followed.by_limit(telescopes, setting)
            for limit, spans_of in found.items():
                if limit in kept:
                    if (limit, spans_of) not in compared:
                        compared[limit, spans_of] = (
                            inside(spans_of, seconds),
                            clear(spans_of, seconds, length),
                        )
                    ours, far = compared[limit, spans_of]
                    assert np.array_equal(ours[far], kept[limit][far]), (limit, who, setting)
                    told |= {limit} if not ours.all() else set()
            assert all(limit in found for limit, own in kept.items() if not own.all())
            usable = mount & np.all(list(kept.values()), axis=0)
            far = clear(spans, seconds, length)
            assert np.array_equal(inside(spans, seconds)[far], usable[far])
            assert spans == followed.spans(telescopes, setting)
        # What is not followed never makes the paths equal.
        left_out = [second.led(way, path, known) for key, way in ways.items() if key not in offered]
        assert not offered or not any(kept["delay range"].any() for kept in left_out)
    any_spans = target_night(night, number).any_spans
    far = clear(any_spans, seconds, length)
    assert np.array_equal(inside(any_spans, seconds)[far], some[far])
    return told


# Between them every kind of request, with what has its say besides delay range and reserved time.
CASES = {
    (0, 0): {"air in the lines", "fringe tracker", "pupil relay"},
    (0, 3): {"air in the lines", "differential delay", "pupil relay"},
    (1, 2): {"differential delay", "field orientation", "pupil relay"},
    (2, 0): {"guide star", "guide star distance", "pupil relay"},
    (2, 3): set(),
    (3, 1): {"air in the lines", "fringe tracker", "pupil relay"},
    (4, 0): {"fringe tracker", "pupil relay"},
    (5, 0): set(),
}


@pytest.mark.parametrize(("seed", "number"), CASES)
def test_windows_of_every_subarray_on_every_setting_are_those_of_a_plain_second_opinion(seed, number):
    told = judged_night(lit_scenario(seed), number, seed)
    assert {"delay range", "reserved time"} | CASES[seed, number] <= told
