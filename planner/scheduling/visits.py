"""Every visit that could be made tonight, worked out in full.

A candidate is a request, a subarray with its delay lines, a calibrator before
and one after, a start slot and a turn of the cable wrap. Its three steps, the
set-ups between them, the common offset of each step and every position of
mounts and carriages follow from these by the rules below, so that the solver
only has to choose.

Rules: the science step holds the offset in the middle of what its stroke
allows (the widest margin); a calibrator step holds the offset nearest to it
that moves the carriages least. All steps stay on the same turn of the wrap
where the star is nearest.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from planner.constraints.delay_range import carriage_rate, held_offset, over_step
from planner.constraints.tonight import NightLimits
from planner.constraints.two_stars import differential_stroke_m
from planner.constraints.verdict import Verdict
from planner.geometry.delays import following_offset_m
from planner.scenario.array import Combiner, DelayLine, TelescopeClass
from planner.scenario.targets import Request
from planner.scheduling.routes import usable_stroke_m
from planner.scheduling.setup import StepTicks, capture_s, carriage_s, slew_s, step_ticks, ticks_up
from planner.scheduling.subarrays import Subarray

TURNS = (0, -1, 1, -2, 2)
END_RESERVE_M = 1.0  # metres of light that a calibrator step keeps to the ends of the strokes, if it can


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
        usable[:starts] = over_step(good[None], ticks)[0].all(axis=-1) & (held.margin_m[0] >= 0)
        if differential_path_m is not None:
            stroke = differential_stroke_m(limits.scenario.array, differential_path_m.shape[-1])
            usable[:starts] &= held_offset(differential_path_m[None], stroke, ticks).margin_m[0] >= 0
        turned = over_step(azimuth[None], ticks)[0]
        azimuth_low[:starts], azimuth_high[:starts] = turned.min(axis=-1), turned.max(axis=-1)
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


def visit_family(
    request: int,
    facts: SubarrayFacts,
    stars: tuple[StarOnBeams, StarOnBeams, StarOnBeams],
    starts: np.ndarray,
    turn: int,
) -> VisitFamily:
    """Return the visits that can be made at ``starts`` (ticks) on one turn of the cable wrap.

    Parameters
    ----------
    stars : (before, science, after)
    starts : ndarray (slot,)
        Starts that cannot be made are left out of the result.
    turn : int
        Whole turns added to the science star's azimuth.
    """
    before, science, after = stars
    last = len(science.usable) - 1
    first_end = starts + before.ticks
    science_start, first_fit = _settle(facts, (before, science), first_end, last)
    science_end = science_start + science.ticks
    after_start, second_fit = _settle(facts, (science, after), science_end, last)
    after_end = after_start + after.ticks
    fits = first_fit & second_fit & (after_end <= last)
    ticks = np.stack([starts, first_end, science_start, science_end, after_start, after_end])
    t1, e1, t2, e2, t3, e3 = np.minimum(ticks, last)
    first, middle = _linked_offsets((before, science), e1, t2)
    _, third = _linked_offsets((science, after), e2, t3)
    offset = np.stack([first, middle, third], axis=-1)
    wrap = 360.0 * turn
    mount = science.azimuth_deg + wrap
    wrap_before = 360.0 * np.round((mount[t2] - before.azimuth_deg[e1]) / 360.0)
    wrap_after = 360.0 * np.round((mount[e2] - after.azimuth_deg[t3]) / 360.0)
    fits = fits & before.usable[t1] & science.usable[t2] & after.usable[t3]
    low, high = facts.azimuth_range_deg
    for star, at, turned in ((before, t1, wrap_before), (science, t2, wrap), (after, t3, wrap_after)):
        fits = (
            fits & (star.azimuth_low_deg[at] + turned >= low) & (star.azimuth_high_deg[at] + turned <= high)
        )
    steps = ((before, t1, e1, wrap_before), (science, t2, e2, wrap), (after, t3, e3, wrap_after))
    family = VisitFamily(
        request=request,
        facts=facts,
        calibrators=(before.star, after.star),
        start_tick=np.stack([t1, t2, t3], axis=-1),
        end_tick=np.stack([e1, e2, e3], axis=-1),
        offset_m=offset,
        delay_m=np.stack(
            [
                np.stack([offset[:, [k]] + star.path_m[t], offset[:, [k]] + star.path_m[e]], axis=1)
                for k, (star, t, e, _) in enumerate(steps)
            ],
            axis=1,
        ),
        azimuth_deg=np.stack(
            [np.stack([s.azimuth_deg[t] + w, s.azimuth_deg[e] + w], axis=-1) for s, t, e, w in steps], axis=1
        ),
        altitude_deg=np.stack(
            [np.stack([s.altitude_deg[t], s.altitude_deg[e]], axis=-1) for s, t, e, _ in steps], axis=1
        ),
        turn=turn,
    )
    return family.take(np.flatnonzero(fits))


def _linked_offsets(
    stars: tuple[StarOnBeams, StarOnBeams], end: np.ndarray, start: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Common offsets of two steps in a row: the science step in the middle of its range, the other follows.

    Infinite where a step cannot be made; those starts are left out later.
    """
    earlier, later = stars
    began = np.maximum(end - earlier.ticks, 0)
    step = later.path_m[start] - earlier.path_m[end]
    with np.errstate(invalid="ignore"):
        if later.science:
            fixed = (later.low_m[start] + later.high_m[start]) / 2.0
            return following_offset_m(fixed, -step, *_inner(earlier, began)), fixed
        fixed = (earlier.low_m[began] + earlier.high_m[began]) / 2.0
        return fixed, following_offset_m(fixed, step, *_inner(later, start))


def _inner(star: StarOnBeams, at: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Allowed offsets of a step, a reserve away from the ends of the strokes where there is room for it."""
    low, high = star.low_m[at], star.high_m[at]
    reserve = np.minimum(END_RESERVE_M, (high - low) / 2.0)
    return low + reserve, high - reserve


def _settle(
    facts: SubarrayFacts, stars: tuple[StarOnBeams, StarOnBeams], end: np.ndarray, last: int
) -> tuple[np.ndarray, np.ndarray]:
    """Find when the next step can start after one that ends at ``end`` (ticks).

    The star moves while the telescopes do, so the wait is raised until the
    move to where the star is then fits into it.

    Returns
    -------
    start : ndarray
    fits : ndarray of bool
    """
    wait = np.full(len(end), int(ticks_up(facts.capture_s, facts.tick_s)))
    needed = wait
    for _ in range(8):
        start = end + wait
        needed = _wait_ticks(facts, stars, np.minimum(end, last), np.minimum(start, last))
        if np.all(needed <= wait):
            break
        wait = np.maximum(wait, needed)
    return end + wait, (needed <= wait) & (end + wait <= last)


def _wait_ticks(
    facts: SubarrayFacts, stars: tuple[StarOnBeams, StarOnBeams], end: np.ndarray, start: np.ndarray
) -> np.ndarray:
    earlier, later = stars
    turned = later.azimuth_deg[start] - earlier.azimuth_deg[end]
    turned = turned - 360.0 * np.round(turned / 360.0)
    tilted = later.altitude_deg[start] - earlier.altitude_deg[end]
    moves = [slew_s(turned, tilted, own) for own in facts.classes]
    offset_end, offset_start = _linked_offsets(stars, end, start)
    with np.errstate(invalid="ignore"):
        run = (offset_start - offset_end)[:, None] + later.path_m[start] - earlier.path_m[end]
    run = np.where(np.isfinite(run), run, 0.0)
    moves += [carriage_s(run[:, beam], line) for beam, line in enumerate(facts.lines)]
    return ticks_up(np.max(moves, axis=0) + facts.capture_s, facts.tick_s)
