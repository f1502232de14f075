"""What one subarray sees of one star through the night, and the visits that are made of it.

A candidate is a request, a subarray with its delay lines, a calibrator before
and one after, a start slot and a turn of the cable wrap. Its three steps, the
set-ups between them, the common offset of each step and every position of
mounts and carriages follow from these (:mod:`planner.scheduling.brackets`), so
that the solver only has to choose.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from planner.constraints.delay_range import carriage_rate, extreme_over_step, held_offset
from planner.constraints.tonight import NightLimits
from planner.constraints.two_stars import differential_stroke_m
from planner.constraints.verdict import Verdict
from planner.scenario.array import Combiner, DelayLine, TelescopeClass
from planner.scenario.targets import Request
from planner.scheduling.routes import usable_stroke_m
from planner.scheduling.setup import StepTicks, capture_s, step_ticks
from planner.scheduling.subarrays import Subarray


@dataclass(frozen=True)
class StarOnBeams:
    """One star seen by one subarray, tick by tick, for steps of one length.

    Attributes
    ----------
    star : int
    science : bool
    ticks : int
        Length of the step.
    usable : ndarray (time,)
        True where a step may start.
    low_m, high_m : ndarray (time,)
        Common offsets allowed for a step that starts there.
    path_m : ndarray (time, beam)
        g of the delay equation, the combiner's constant paths included.
    azimuth_deg, azimuth_low_deg, azimuth_high_deg : ndarray (time,)
        Azimuth without jumps, and its extremes over a step that starts there.
    altitude_deg : ndarray (time,)
    """

    star: int
    science: bool
    ticks: int
    usable: np.ndarray
    low_m: np.ndarray
    high_m: np.ndarray
    path_m: np.ndarray
    azimuth_deg: np.ndarray
    azimuth_low_deg: np.ndarray
    azimuth_high_deg: np.ndarray
    altitude_deg: np.ndarray


@dataclass(frozen=True)
class SubarrayFacts:
    """What the steps of a subarray need to know of the hardware."""

    subarray: Subarray
    combiner: Combiner
    classes: tuple[TelescopeClass, ...]
    lines: tuple[DelayLine, ...]
    azimuth_range_deg: tuple[float, float]
    capture_s: float
    tick_s: int
    beam_path_m: np.ndarray
    swap_s: float = 0.0

    @property
    def stroke_m(self) -> np.ndarray:
        """Usable optical path of each beam's line, (beam, 2): where the pupil is in place, if it matters."""
        return np.array([usable_stroke_m(line, self.combiner) for line in self.lines])

    @property
    def whole_stroke_m(self) -> np.ndarray:
        """Whole stroke of each beam's line, (beam, 2)."""
        return np.array([line.stroke_m for line in self.lines])

    def step(self, request: Request, science: bool) -> StepTicks:
        """Return how long a step of the request's visits takes, in ticks."""
        return step_ticks(
            self.combiner, self.swap_s if science and swaps(request) else 0.0, self.tick_s, science
        )

    def path_m(self, limits: NightLimits, star: int) -> np.ndarray:
        """Return g of the delay equation for a star, segments and constant paths included, (time, beam)."""
        return limits.path_m[star][:, list(self.subarray.telescopes)] - self.beam_path_m

    def carriage_rate(self, path_m: np.ndarray) -> Verdict:
        """Margin of the carriages' tracking speed on paths (star, time, beam)."""
        return carriage_rate(
            path_m,
            self.tick_s,
            np.array([line.tracking_speed_mm_per_s / 1e3 for line in self.lines]),
            np.array([line.path_per_travel for line in self.lines]),
        )


@dataclass(frozen=True)
class VisitFamily:
    """Candidates that differ only in their start.

    Attributes
    ----------
    request : int
    facts : SubarrayFacts
    calibrators : (int, int)
        Stars before and after.
    start_tick, end_tick : ndarray (start, 3)
    offset_m : ndarray (start, 3)
    delay_m : ndarray (start, 3, 2, beam)
        Optical path in the lines when each step starts and ends.
    azimuth_deg, altitude_deg : ndarray (start, 3, 2)
        Mount azimuth on the cable wrap; true altitude.
    turn : int
        Turn of the cable wrap.
    """

    request: int
    facts: SubarrayFacts
    calibrators: tuple[int, int]
    start_tick: np.ndarray
    end_tick: np.ndarray
    offset_m: np.ndarray
    delay_m: np.ndarray
    azimuth_deg: np.ndarray
    altitude_deg: np.ndarray
    turn: int

    @property
    def stars(self) -> tuple[int, int, int]:
        """Star of each step."""
        return self.calibrators[0], self.request, self.calibrators[1]

    def take(self, rows: np.ndarray) -> VisitFamily:
        """Return the family with only these starts."""
        return VisitFamily(
            self.request,
            self.facts,
            self.calibrators,
            self.start_tick[rows],
            self.end_tick[rows],
            self.offset_m[rows],
            self.delay_m[rows],
            self.azimuth_deg[rows],
            self.altitude_deg[rows],
            self.turn,
        )


def facts_of(limits: NightLimits, subarray: Subarray) -> SubarrayFacts:
    """Gather the hardware of a subarray."""
    array = limits.scenario.array
    classes = tuple(limits.placement.classes[i] for i in subarray.telescopes)
    combiner = array.combiner(subarray.combiner, subarray.spectral_setup)
    if subarray.tracked is None:
        combiner = combiner.untracked()
    return SubarrayFacts(
        subarray=subarray,
        combiner=combiner,
        classes=classes,
        lines=tuple(array.delay_lines[i] for i in subarray.lines),
        azimuth_range_deg=(
            max(c.azimuth_range_deg[0] for c in classes),
            min(c.azimuth_range_deg[1] for c in classes),
        ),
        capture_s=capture_s(combiner, list(classes)),
        tick_s=limits.sky.tick_s,
        beam_path_m=np.array(subarray.setting.beam_path_m(array, combiner)),
        swap_s=0.0 if array.dual_feed is None else array.dual_feed.swap_s,
    )


def swaps(request: Request) -> bool:
    """Whether the two stars of a dual feed change places in the science step."""
    return request.extras.second_star is not None and request.extras.second_star.swap


def star_on_beams(
    limits: NightLimits,
    facts: SubarrayFacts,
    star: int,
    allowed: np.ndarray,
    ticks: int,
    differential_path_m: np.ndarray | None = None,
) -> StarOnBeams:
    """Work out where a step on a star may start with a subarray.

    Parameters
    ----------
    allowed : ndarray (time,)
        Where everything but delays allows the star.
    ticks : int
        Length of the step.
    differential_path_m : ndarray (time, beam), optional
        Dual feed: what the differential lines have to follow, with one number common to all held.
    """
    path = facts.path_m(limits, star)
    sky, science = limits.sky, star < len(limits.scenario.requests)
    times = len(sky.times)
    direction = sky.direction[star]
    azimuth = np.rad2deg(np.unwrap(np.arctan2(direction[:, 0], direction[:, 1])))
    altitude = np.rad2deg(np.arctan2(direction[:, 2], np.hypot(direction[:, 0], direction[:, 1])))
    usable = np.zeros(times, dtype=bool)
    low, high = np.full(times, np.inf), np.full(times, -np.inf)
    azimuth_low, azimuth_high = azimuth.copy(), azimuth.copy()
    starts = times - ticks
    if starts > 0:
        held = held_offset(path[None], facts.stroke_m, ticks)
        good = allowed & facts.carriage_rate(path[None]).allowed[0].all(axis=-1)
        low[:starts], high[:starts] = held.low_m[0], held.high_m[0]
        usable[:starts] = extreme_over_step(np.logical_and, good[None], ticks)[0] & (held.margin_m[0] >= 0)
        if differential_path_m is not None:
            stroke = differential_stroke_m(limits.scenario.array, differential_path_m.shape[-1])
            usable[:starts] &= held_offset(differential_path_m[None], stroke, ticks).margin_m[0] >= 0
        azimuth_low[:starts] = extreme_over_step(np.minimum, azimuth[None], ticks)[0]
        azimuth_high[:starts] = extreme_over_step(np.maximum, azimuth[None], ticks)[0]
    return StarOnBeams(
        star,
        science,
        ticks,
        usable,
        low,
        high,
        path,
        azimuth,
        azimuth_low,
        azimuth_high,
        altitude,
    )
