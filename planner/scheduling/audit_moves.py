"""Is there time enough: the order of steps, their length, and the set-up of each device by its own history.

Telescopes, carriages, connections and combiner move at the same time, so each
is judged alone: from its own last use to the start of its next there must be
time for its move, then to acquire the star and find fringes. What the visit
before does not use is moved ahead while that one records; what it does use is
free from the recorded start of the set-up on. Before the first visit
everything is in place. Margins in seconds.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, time

from planner.scenario.array import DelayLine, TelescopeClass
from planner.scheduling.audit_case import Case, class_of, holds, moment, named
from planner.scheduling.audit_sky import clock, title
from planner.scheduling.plan import Beam, NightPlan, Step, Visit
from planner.units import DAY_S

TIME_TOLERANCE_S = 1e-3
NIGHT_WITHIN_DAYS = 1.9  # no night starts or ends farther than this from 0 h UTC of its date
NIGHT_TOLERANCE_S = 1.0  # the night's start and end are written to the second
# What need not move need not settle; recorded positions are rounded to micrometres and micro-degrees.
STILL_DEG = 1.0 / 3600.0 + 2e-6
STILL_M = 1e-4 + 2e-6


@dataclass(frozen=True)
class Stage:
    """A step with its times, in the order of the plan.

    Attributes
    ----------
    visit : Visit
    step : Step
    setup_start, start, end : datetime
    capture_s : float
        Time to acquire the star and find fringes.
    """

    visit: Visit
    step: Step
    setup_start: datetime
    start: datetime
    end: datetime
    capture_s: float

    @property
    def title(self) -> str:
        """Which step this is and when it starts, in words."""
        return f"{title(self.visit, self.step)} at {clock(self.start)}"


def stages(plan: NightPlan) -> tuple[Stage, ...]:
    """Read the times of all steps; steps without readable times are left out."""
    found = []
    for visit in plan.visits:
        for step in visit.steps:
            times = [moment(text) for text in (step.setup_start_utc, step.start_utc, step.end_utc)]
            setup_start, start, end = times
            if setup_start is not None and start is not None and end is not None:
                found.append(Stage(visit, step, setup_start, start, end, _capture_s(plan, visit, step)))
    return tuple(found)


def _capture_s(plan: NightPlan, visit: Visit, step: Step) -> float:
    array = plan.scenario.array
    classes = [class_of(array, beam.telescope) for beam in step.beams]
    combiner = named(array.combiners, visit.combiner)
    acquisition_s = max((own.acquisition_s for own in classes if own is not None), default=0.0)
    return acquisition_s + (0.0 if combiner is None else combiner.fringe_search_s)


def time_cases(plan: NightPlan, found: tuple[Stage, ...]) -> Iterator[Case]:
    """Steps stand in order, do not overlap, and are recorded inside the dark hours of the night."""
    steps = sum(len(visit.steps) for visit in plan.visits)
    yield holds(len(found) == steps, f"{steps - len(found)} steps have a time that is not ISO 8601 UTC")
    for stage in found:
        yield _order(stage, "set-up", stage.setup_start, "recording", stage.start)
        yield _order(stage, "recording", stage.start, "its end", stage.end, at_least_s=1.0)
    for before, stage in itertools.pairwise(found):
        yield _order(stage, f"the end of {before.title}", before.end, "set-up", stage.setup_start)
    yield from _dark_cases(plan, found)
    for visit in plan.visits:
        latest = moment(visit.latest_start_utc)
        start = moment(visit.steps[0].start_utc) if visit.steps else None
        yield holds(
            latest is not None and (start is None or latest >= start),
            f"{visit.id}: its latest start {visit.latest_start_utc} is not a time at or after its start",
        )


def _dark_cases(plan: NightPlan, found: tuple[Stage, ...]) -> Iterator[Case]:
    """The dark hours belong to the night, and recordings to the dark hours; the Sun is checked elsewhere."""
    dark = moment(plan.night.start_utc), moment(plan.night.end_utc)
    if dark[0] is None or dark[1] is None:
        yield holds(False, "the night has a start or an end that is not ISO 8601 UTC")
        return
    date = datetime.combine(plan.scenario.night.date, time(), UTC)
    days = max(abs((edge - date).total_seconds()) for edge in (dark[0], dark[1])) / DAY_S
    yield holds(days < NIGHT_WITHIN_DAYS, f"the dark hours are {days:.1f} days from the night's date")
    for stage in found:
        inside = min((stage.start - dark[0]).total_seconds(), (dark[1] - stage.end).total_seconds())
        yield Case(
            inside + NIGHT_TOLERANCE_S, f"{stage.title} is recorded {inside:.0f} s inside the dark hours"
        )


def _order(
    stage: Stage, first: str, earlier: datetime, second: str, later: datetime, at_least_s: float = 0.0
) -> Case:
    gap = (later - earlier).total_seconds()
    return Case(
        gap - at_least_s,
        f"{stage.title}: {gap:.0f} s from {first} ({clock(earlier)}) to {second} ({clock(later)})",
    )


def recording_cases(plan: NightPlan, found: tuple[Stage, ...]) -> Iterator[Case]:
    """Each step is recorded as long as its combiner asks."""
    for stage in found:
        combiner = named(plan.scenario.array.combiners, stage.visit.combiner)
        if combiner is None:
            continue
        science = stage.step.role == "science"
        asked = combiner.science_recording_s if science else combiner.calibrator_recording_s
        length = (stage.end - stage.start).total_seconds()
        yield Case(
            length - asked + TIME_TOLERANCE_S,
            f"{stage.title} is recorded for {length:.0f} s, {combiner.name} asks for {asked:.0f} s",
        )


@dataclass(frozen=True)
class Use:
    """The last use of a telescope or a delay line."""

    stage: Stage
    beam: Beam


def setup_cases(plan: NightPlan, found: tuple[Stage, ...]) -> Iterator[Case]:
    """Each device had the time to get from its last use to its next."""
    telescopes: dict[str, Use] = {}
    lines: dict[str, Use] = {}
    previous: Stage | None = None
    for stage in found:
        yield _enough(stage, previous, previous, 0.0, "nothing moves")
        if previous is not None and previous.visit.combiner != stage.visit.combiner:
            combiner = named(plan.scenario.array.combiners, stage.visit.combiner)
            if combiner is not None:
                yield _enough(stage, previous, previous, combiner.setup_s, f"{combiner.name} is set up")
        for beam in stage.step.beams:
            yield from _beam_cases(
                plan, stage, previous, beam, (telescopes.get(beam.telescope), lines.get(beam.delay_line))
            )
        for beam in stage.step.beams:
            telescopes[beam.telescope] = lines[beam.delay_line] = Use(stage, beam)
        previous = stage


def _beam_cases(
    plan: NightPlan,
    stage: Stage,
    previous: Stage | None,
    beam: Beam,
    last_uses: tuple[Use | None, Use | None],
) -> Iterator[Case]:
    """The moves that one beam of one step needs; last uses of its telescope and of its line."""
    own = class_of(plan.scenario.array, beam.telescope)
    line = named(plan.scenario.array.delay_lines, beam.delay_line)
    telescope_use, line_use = last_uses
    if telescope_use is not None and own is not None:
        turn_s = slew_s(telescope_use.beam, beam, own)
        yield _enough(stage, telescope_use.stage, previous, turn_s, f"{beam.telescope} turns")
    if line is None:
        return
    if line_use is not None:
        run_s = carriage_s(line_use.beam, beam, line)
        yield _enough(stage, line_use.stage, previous, run_s, f"the carriage of {line.name} runs")
        if line_use.beam.telescope != beam.telescope:
            words = f"{line.name} is connected to {beam.telescope} instead of {line_use.beam.telescope}"
            yield _enough(stage, line_use.stage, previous, line.connect_s, words)
    if telescope_use is not None and telescope_use.beam.delay_line != line.name:
        words = f"{beam.telescope} is led to {line.name} instead of {telescope_use.beam.delay_line}"
        yield _enough(stage, telescope_use.stage, previous, line.connect_s, words)


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


def _enough(stage: Stage, last: Stage | None, previous: Stage | None, move_s: float, words: str) -> Case:
    """Compare the time that a device has since its last use with what its move and the capture take.

    A device of the step before is free once that step has ended and the set-up
    has started; any other has been free since its own last use.
    """
    if last is None:
        free = stage.setup_start
    elif last is previous:
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
