"""Is there time enough for the set-up: each device judged by its own history.

Telescopes, carriages, connections, path segments, inputs, routing optics and
combiners move at the same time, so each is judged alone: from its own last
use to the start of its next there must be time for its move, then to acquire
the star and find fringes. What the visit before does not use is moved ahead
while that one records; what it does use is free from the recorded start of
the set-up on. A set-up after time that is not for stars is told from the end of
that time on, but devices move ahead while it lasts: there each is free from its
own last use on. An exposure that serves two visits is one use. Before the first
visit everything is in place. Margins in seconds.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from planner.scenario.array import DelayLine, TelescopeClass
from planner.scheduling.audit_case import Case, class_of, named
from planner.scheduling.audit_optics import combiner_change, input_change, mode_change, segment_change
from planner.scheduling.audit_reserved import Span, spans
from planner.scheduling.audit_times import TIME_TOLERANCE_S, Stage
from planner.scheduling.plan import Beam, NightPlan

# What need not move need not settle; recorded positions are rounded to micrometres and micro-degrees.
STILL_DEG = 1.0 / 3600.0 + 2e-6
STILL_M = 1e-4 + 2e-6


@dataclass(frozen=True)
class Use:
    """The last use of a telescope or a delay line."""

    stage: Stage
    beam: Beam


@dataclass(frozen=True)
class Histories:
    """The last use of everything, while the steps of a plan are gone through.

    Attributes
    ----------
    spans : tuple of Span
        Time that is not for stars.
    telescopes, lines : dict of str to Use
    combiners : dict of str to Stage
    previous : list of Stage
        The step before, if there is one.
    """

    spans: tuple[Span, ...]
    telescopes: dict[str, Use] = field(default_factory=dict)
    lines: dict[str, Use] = field(default_factory=dict)
    combiners: dict[str, Stage] = field(default_factory=dict)
    previous: list[Stage] = field(default_factory=list)

    @property
    def before(self) -> Stage | None:
        """The step before."""
        return self.previous[-1] if self.previous else None

    def use(self, stage: Stage) -> None:
        """Remember a step as the last use of everything in it."""
        for beam in stage.step.beams:
            self.telescopes[beam.telescope] = self.lines[beam.delay_line] = Use(stage, beam)
        self.combiners[stage.visit.combiner] = stage
        self.previous.append(stage)

    def enough(self, stage: Stage, last: Stage | None, move_s: float, words: str) -> Case:
        """Compare the time that a device has since its last use with what its move and the capture take.

        A device of the step before is free once that step has ended and the
        set-up has started; any other has been free since its own last use.
        """
        if last is None:
            free = stage.setup_start
        elif last is self.before and not self._between(last, stage):
            free = max(stage.setup_start, last.end)
        else:
            free = last.end
        has_s = (stage.start - free).total_seconds()
        needs_s = move_s + stage.capture_s
        return Case(
            has_s - needs_s + TIME_TOLERANCE_S,
            f"{stage.title}: {words} ({move_s:.1f} s), the star is acquired and fringes are found "
            f"({stage.capture_s:g} s): {needs_s:.1f} s needed, {has_s:.1f} s given",
        )

    def _between(self, last: Stage, stage: Stage) -> bool:
        """Whether time that is not for stars, with telescopes of this step, ends between the two."""
        return any(
            span.takes(stage.visit.subarray) and last.end < span.end <= stage.setup_start
            for span in self.spans
        )


def setup_cases(plan: NightPlan, found: tuple[Stage, ...]) -> Iterator[Case]:
    """Each device had the time to get from its last use to its next."""
    past = Histories(spans(plan))
    for stage in found:
        if stage.step.shared:  # made once: it is the last use already
            continue
        before = past.before
        yield past.enough(stage, before, 0.0, "nothing moves")
        if before is not None:
            yield from _array_cases(plan, past, before, stage)
        for beam in stage.step.beams:
            yield from _telescope_cases(plan, past, stage, beam)
            yield from _line_cases(plan, past, stage, beam)
        past.use(stage)


def _array_cases(plan: NightPlan, past: Histories, before: Stage, stage: Stage) -> Iterator[Case]:
    """What the whole array shares: combiner with its spectral setup, and routing mode."""
    array = plan.scenario.array
    changes = [
        (before, combiner_change(array, before.visit, stage.visit)),
        (before, mode_change(array, before.visit, stage.visit)),
    ]
    last = past.combiners.get(stage.visit.combiner)
    if last is not None and last is not before:
        changes.append((last, combiner_change(array, last.visit, stage.visit)))
    for since, change in changes:
        if change is not None:
            yield past.enough(stage, since, *change)


def _telescope_cases(plan: NightPlan, past: Histories, stage: Stage, beam: Beam) -> Iterator[Case]:
    """What follows from the last use of a beam's telescope."""
    use = past.telescopes.get(beam.telescope)
    if use is None:
        return
    own = class_of(plan.scenario.array, beam.telescope)
    if own is not None:
        turn_s = slew_s(use.beam, beam, own)
        yield past.enough(stage, use.stage, turn_s, f"{beam.telescope} turns")
    line = named(plan.scenario.array.delay_lines, beam.delay_line)
    if line is not None and use.beam.delay_line != line.name:
        words = f"{beam.telescope} is led to {line.name} instead of {use.beam.delay_line}"
        yield past.enough(stage, use.stage, line.connect_s, words)
    change = segment_change(plan.scenario.array, use.beam, beam)
    if change is not None:
        yield past.enough(stage, use.stage, *change)


def _line_cases(plan: NightPlan, past: Histories, stage: Stage, beam: Beam) -> Iterator[Case]:
    """What follows from the last use of a beam's delay line."""
    line = named(plan.scenario.array.delay_lines, beam.delay_line)
    use = past.lines.get(beam.delay_line)
    if line is None or use is None:
        return
    run_s = carriage_s(use.beam, beam, line)
    yield past.enough(stage, use.stage, run_s, f"the carriage of {line.name} runs")
    if use.beam.telescope != beam.telescope:
        words = f"{line.name} is connected to {beam.telescope} instead of {use.beam.telescope}"
        yield past.enough(stage, use.stage, line.connect_s, words)
    change = input_change(plan.scenario.array, stage.visit, use.beam, beam)
    if change is not None:
        yield past.enough(stage, use.stage, *change)


def slew_s(earlier: Beam, later: Beam, own: TelescopeClass) -> float:
    """Time of a mount from where one step ends to where the next starts: both axes at once."""
    azimuth = abs(later.azimuth_start_deg - earlier.azimuth_end_deg)
    altitude = abs(later.altitude_start_deg - earlier.altitude_end_deg)
    turn_s = azimuth / own.azimuth_speed_deg_per_s + own.azimuth_settle_s if azimuth > STILL_DEG else 0.0
    tilt_s = altitude / own.altitude_speed_deg_per_s + own.altitude_settle_s if altitude > STILL_DEG else 0.0
    return max(turn_s, tilt_s)


def carriage_s(earlier: Beam, later: Beam, line: DelayLine) -> float:
    """Time of a carriage from where one step ends to where the next starts."""
    run_m = abs(later.delay_start_m - earlier.delay_end_m)
    return run_m / line.path_per_travel / line.speed_m_per_s + line.settle_s if run_m > STILL_M else 0.0
