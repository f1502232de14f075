"""Do the delay lines hold the paths equal: recorded delays, stroke and carriage speed, worked out again.

D_i(t) = K + r_i.s(t) - H_i - L_i - F_i - C_i in metres of light: r_i the crossing
of the telescope's axes, H_i its height above the pad, from where the light comes
down, s the apparent direction without refraction, L_i the station's fixed path,
F_i that of the path segment in the beam, C_i the constant path of the combiner's
input, K the common offset of the step. Speeds on the rail are dD/dt divided by
``path_per_travel``; in air the rail is shorter by 3e-4, which is inside the
tolerance of the speed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from planner.scenario.array import Array, Combiner, DelayLine
from planner.scheduling.audit_case import Case, combiner_used, equipment, tightest
from planner.scheduling.audit_sky import TrackedStep, baseline_end_m, zero_m
from planner.scheduling.plan import Beam, NightPlan

DELAY_TOLERANCE_M = 1e-3
SPEED_TOLERANCE = 2e-3  # of the limit


@dataclass(frozen=True)
class Path:
    """What the delay line of one beam has to do during one step.

    Attributes
    ----------
    seen : TrackedStep
    beam : Beam
    line : DelayLine
    pupil_relay : bool
        Whether the combiner needs the pupil in place.
    delay_m, rate_m_per_s : ndarray (sample,)
        Metres of light.
    """

    seen: TrackedStep
    beam: Beam
    line: DelayLine
    pupil_relay: bool
    delay_m: np.ndarray
    rate_m_per_s: np.ndarray

    @property
    def place(self) -> str:
        """Telescope and line, in words."""
        return f"{self.beam.telescope} in {self.line.name}"

    def telling(self, what: str, value: np.ndarray, tail: str) -> Callable[[int], str]:
        """Return the words for one sample."""
        return self.seen.telling(f"{self.place}, {what}", value, tail)


def paths(plan: NightPlan, tracked: tuple[TrackedStep, ...]) -> tuple[Path, ...]:
    """Compute the delay of every beam whose telescope, station, line, path segment and input exist."""
    array = plan.scenario.array
    found = []
    for seen in tracked:
        combiner = combiner_used(array, seen.visit)
        for beam in seen.step.beams:
            reach = reach_of(array, combiner, beam)
            if combiner is None or reach is None:
                continue
            delay = seen.step.common_offset_m + seen.sky.direction @ reach.end_m - reach.constant_m
            rate = seen.sky.rate_per_s @ reach.end_m
            found.append(Path(seen, beam, reach.line, combiner.pupil_relay, delay, rate))
    return tuple(found)


@dataclass(frozen=True)
class Reach:
    """A beam's line, where its baselines end from where paths count (m), and its path's constant part (m)."""

    line: DelayLine
    end_m: np.ndarray
    constant_m: float


def reach_of(array: Array, combiner: Combiner | None, beam: Beam) -> Reach | None:
    """Return what the delay of a beam is made of; None where a part of it does not exist."""
    part = equipment(array, beam)
    segment_m, own = part.segment_m, part.own
    if part.station is None or part.line is None or own is None:
        return None
    if combiner is None or segment_m is None:
        return None
    if not 1 <= beam.combiner_input <= combiner.beams:
        return None
    inner_m = combiner.beam_path_m[beam.combiner_input - 1] if combiner.beam_path_m else 0.0
    end_m = baseline_end_m(part.station, own) - zero_m(array)
    return Reach(part.line, end_m, own.pupil_height_m + part.station.fixed_path_m + segment_m + inner_m)


def delay_cases(found: tuple[Path, ...]) -> Iterator[Case]:
    """The recorded delays follow from the common offset; margins in metres."""
    for path in found:
        for sample, recorded in ((0, path.beam.delay_start_m), (-1, path.beam.delay_end_m)):
            apart = abs(recorded - path.delay_m[sample])
            yield Case(
                DELAY_TOLERANCE_M - apart,
                f"{path.seen.title}: {path.place}, recorded delay {recorded:.6f} m, recomputed "
                f"{path.delay_m[sample]:.6f} m, {1e3 * apart:.3g} mm apart, at {path.seen.clock(sample)}",
            )


def stroke_cases(found: tuple[Path, ...]) -> Iterator[Case]:
    """The delay stays inside the line's stroke; margins in metres."""
    for path in found:
        yield _inside(path, path.line.stroke_m, "stroke")


def pupil_cases(found: tuple[Path, ...]) -> Iterator[Case]:
    """For a combiner that needs the pupil in place, the delay stays where the relay mirror keeps it."""
    for path in found:
        if path.pupil_relay and path.line.pupil_stroke_m is not None:
            yield _inside(path, path.line.pupil_stroke_m, "pupil in place from")


def _inside(path: Path, stroke_m: tuple[float, float], what: str) -> Case:
    low, high = stroke_m
    inside = np.minimum(path.delay_m - low, high - path.delay_m)
    return tightest(
        inside + DELAY_TOLERANCE_M,
        path.telling("delay", path.delay_m, f" m, {what} {low:g} to {high:g} m"),
    )


def speed_cases(found: tuple[Path, ...]) -> Iterator[Case]:
    """The carriage can follow; margins in millimetres per second on the rail."""
    for path in found:
        limit = path.line.tracking_speed_mm_per_s
        speed = 1e3 * np.abs(path.rate_m_per_s) / path.line.path_per_travel
        yield tightest(
            limit * (1.0 + SPEED_TOLERANCE) - speed,
            path.telling("carriage at", speed, f" mm/s, limit {limit:g} mm/s"),
        )
