"""Every visit that could be made tonight, worked out in full.

A visit is a science step between steps on a calibrator before and one after.
The three steps, the set-ups between them, the common offset of each step and
every position of mounts and carriages follow from the start and the turn of
the cable wrap by the rules below.

Rules: the science step holds the offset in the middle of what its stroke
allows (the widest margin); a calibrator step holds the offset nearest to it
that moves the carriages least. All steps stay on the same turn of the wrap
where the star is nearest.

The turn changes nothing but azimuths, so the steps are worked out before it is
chosen.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from planner.geometry.delays import following_offset_m
from planner.scheduling.setup import carriage_s, slew_s, ticks_up
from planner.scheduling.visits import StarOnBeams, SubarrayFacts, VisitFamily

TURNS = (0, -1, 1, -2, 2)
END_RESERVE_M = 1.0  # metres of light that a calibrator step keeps to the ends of the strokes, if it can


@dataclass(frozen=True)
class Bracket:
    """Visits with the same calibrators before a turn of the cable wrap is chosen for them.

    Attributes
    ----------
    request : int
    facts : SubarrayFacts
    stars : (StarOnBeams, StarOnBeams, StarOnBeams)
        Before, science, after.
    start_tick, end_tick : ndarray (start, 3)
    """

    request: int
    facts: SubarrayFacts
    stars: tuple[StarOnBeams, StarOnBeams, StarOnBeams]
    start_tick: np.ndarray
    end_tick: np.ndarray

    def take(self, rows: np.ndarray) -> Bracket:
        """Return the bracket with only these starts."""
        return Bracket(self.request, self.facts, self.stars, self.start_tick[rows], self.end_tick[rows])

    def fits_on(self, turns: Sequence[int]) -> np.ndarray:
        """Return where the azimuth stays within the cable wrap on each turn, (turn, start)."""
        low, high = self.facts.azimuth_range_deg
        fits = np.ones((len(turns), len(self.start_tick)), dtype=bool)
        wraps = self._wraps_deg(np.array(turns)[:, None])
        for star, at, wrap in zip(self.stars, self.start_tick.T, wraps, strict=True):
            fits &= (star.azimuth_low_deg[at] + wrap >= low) & (star.azimuth_high_deg[at] + wrap <= high)
        return fits

    def _wraps_deg(self, turn: np.ndarray | int) -> tuple[np.ndarray, ...]:
        """What each star's azimuth is raised by: calibrators are on the turn that is nearest."""
        before, science, after = self.stars
        wrap = 360.0 * np.asarray(turn)
        mount_start = science.azimuth_deg[self.start_tick[:, 1]] + wrap
        mount_end = science.azimuth_deg[self.end_tick[:, 1]] + wrap
        return (
            360.0 * np.round((mount_start - before.azimuth_deg[self.end_tick[:, 0]]) / 360.0),
            wrap,
            360.0 * np.round((mount_end - after.azimuth_deg[self.start_tick[:, 2]]) / 360.0),
        )

    def family(self, turn: int) -> VisitFamily:
        """Return the visits on one turn of the cable wrap, which must fit on it."""
        before, science, after = self.stars
        t1, t2, t3 = self.start_tick.T
        e1, e2, e3 = self.end_tick.T
        first, middle = _linked_offsets((before, science), e1, t2)
        _, third = _linked_offsets((science, after), e2, t3)
        offset = np.stack([first, middle, third], axis=-1)
        wraps = self._wraps_deg(turn)
        steps = ((before, t1, e1), (science, t2, e2), (after, t3, e3))
        delay = [
            np.stack([offset[:, [k]] + star.path_m[t], offset[:, [k]] + star.path_m[e]], axis=1)
            for k, (star, t, e) in enumerate(steps)
        ]
        azimuth = [
            np.stack([star.azimuth_deg[t] + wrap, star.azimuth_deg[e] + wrap], axis=-1)
            for (star, t, e), wrap in zip(steps, wraps, strict=True)
        ]
        altitude = [np.stack([star.altitude_deg[t], star.altitude_deg[e]], axis=-1) for star, t, e in steps]
        return VisitFamily(
            request=self.request,
            facts=self.facts,
            calibrators=(before.star, after.star),
            start_tick=self.start_tick,
            end_tick=self.end_tick,
            offset_m=offset,
            delay_m=np.stack(delay, axis=1),
            azimuth_deg=np.stack(azimuth, axis=1),
            altitude_deg=np.stack(altitude, axis=1),
            turn=turn,
        )


def brackets_of(
    request: int,
    facts: SubarrayFacts,
    science: StarOnBeams,
    pair: tuple[Sequence[StarOnBeams], Sequence[StarOnBeams]],
    starts: np.ndarray,
) -> list[Bracket]:
    """Return the visits that can be made at ``starts`` (ticks), whatever the turn of the cable wrap.

    Parameters
    ----------
    pair : (calibrators before, calibrators after)
        Each of the first with each of the second, in this order.
    starts : ndarray (slot,)
        Starts that cannot be made are left out of the result.
    """
    last = len(science.usable) - 1
    found = []
    for before in pair[0]:
        t1 = starts[before.usable[starts]]
        t2, fits = _settle(facts, (before, science), t1 + before.ticks, last)
        fits = fits & science.usable[np.minimum(t2, last)]
        t1, t2 = t1[fits], t2[fits]
        e1, e2 = t1 + before.ticks, t2 + science.ticks
        for after in pair[1]:
            t3, fits = _settle(facts, (science, after), e2, last)
            e3 = t3 + after.ticks
            rows = np.flatnonzero(fits & (e3 <= last) & after.usable[np.minimum(t3, last)])
            start, end = np.stack([t1, t2, t3], axis=-1), np.stack([e1, e2, e3], axis=-1)
            found.append(Bracket(request, facts, (before, science, after), start, end).take(rows))
    return found


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
    fits = np.zeros(len(end), dtype=bool)
    for _ in range(8):
        start = end + wait
        needed = _wait_ticks(facts, stars, np.minimum(end, last), np.minimum(start, last))
        fits = needed <= wait  # a carriage that the star outruns never gets there
        if np.all(fits):
            break
        wait = np.maximum(wait, needed)
    return end + wait, fits & (end + wait <= last)


def _wait_ticks(
    facts: SubarrayFacts, stars: tuple[StarOnBeams, StarOnBeams], end: np.ndarray, start: np.ndarray
) -> np.ndarray:
    earlier, later = stars
    turned = later.azimuth_deg[start] - earlier.azimuth_deg[end]
    turned = turned - 360.0 * np.round(turned / 360.0)
    tilted = later.altitude_deg[start] - earlier.altitude_deg[end]
    move = np.zeros(len(end))
    for own in dict.fromkeys(facts.classes):
        move = np.maximum(move, slew_s(turned, tilted, own))
    offset_end, offset_start = _linked_offsets(stars, end, start)
    with np.errstate(invalid="ignore"):
        run = (offset_start - offset_end)[:, None] + later.path_m[start] - earlier.path_m[end]
    run = np.where(np.isfinite(run), run, 0.0)
    for beam, line in enumerate(facts.lines):
        move = np.maximum(move, carriage_s(run[:, beam], line))
    return ticks_up(move + facts.capture_s, facts.tick_s)
