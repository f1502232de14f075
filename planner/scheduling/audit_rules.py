"""Are the terms kept that requests put to each other: gaps, orders, company, all or nothing, programs.

Every rule is read off the visits as the plan tells them, without the solver's
numbering. A visit lasts from the start of its first step to the end of its
last; one that is opened by the exposure that closes the visit before takes time
of its own from the end of that exposure on. Margins in seconds; times are whole
seconds.
"""

from __future__ import annotations

import itertools
import math
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction

from planner.scenario.programs import Program
from planner.scenario.targets import Scenario
from planner.scheduling.audit_case import Case, combiner_used, holds, named, number
from planner.scheduling.audit_clock import clock
from planner.scheduling.audit_times import Stage
from planner.scheduling.plan import NightPlan, ProgramOutcome, Visit

HOUR_S = 3600.0
TOLD_H = 1e-4  # hours are written with four decimals
EXACT_S = 1e-3


@dataclass(frozen=True)
class Span:
    """A visit with readable times.

    Attributes
    ----------
    visit : Visit
    start, end : datetime
    own_start : datetime
        From here on it takes time that no other visit takes.
    budget_s : float
        Time that it takes from its program: the capture of its first star, its steps and set-ups.
    """

    visit: Visit
    start: datetime
    end: datetime
    own_start: datetime
    budget_s: float

    @property
    def title(self) -> str:
        """Which visit this is and when, in words."""
        return f"{self.visit.id} {self.visit.target!r} ({clock(self.start)} to {clock(self.end)})"


def spans(plan: NightPlan, found: tuple[Stage, ...]) -> tuple[Span, ...]:
    """Return the visits whose first and last steps have times, by start."""
    tick_s = plan.scenario.night.tick_s
    made = []
    for _, own in itertools.groupby(found, key=lambda stage: id(stage.visit)):
        stages = list(own)
        first, last = stages[0], stages[-1]
        own_start = first.end if first.step.shared else first.start
        capture_s = 0.0 if first.step.shared else math.ceil(first.capture_s / tick_s - 1e-9) * tick_s
        budget_s = capture_s + (last.end - own_start).total_seconds()
        made.append(Span(first.visit, first.start, last.end, own_start, budget_s))
    return tuple(sorted(made, key=lambda span: span.start))


def gap_cases(plan: NightPlan, own: tuple[Span, ...]) -> Iterator[Case]:
    """Between two visits of a request lies the time that it asks for."""
    for request in plan.scenario.requests:
        asked_s = request.extras.gap_min_h * HOUR_S
        mine = [span for span in own if span.visit.target == request.name]
        for before, after in itertools.pairwise(mine) if asked_s > 0 else ():
            gap_s = (after.start - before.end).total_seconds()
            yield Case(
                gap_s - asked_s + EXACT_S,
                f"{after.title} starts {gap_s:.0f} s after the end of {before.title}, at least {asked_s:g} s "
                "are asked for",
            )


def order_cases(plan: NightPlan, own: tuple[Span, ...]) -> Iterator[Case]:
    """A request that comes after another begins when the last visit of that one has ended."""
    for request in plan.scenario.requests:
        first = [span for span in own if span.visit.target == request.extras.after]
        then = [span for span in own if span.visit.target == request.name]
        if first and then and request.extras.after is not None:
            last, begun = max(first, key=lambda span: span.end), min(then, key=lambda span: span.own_start)
            yield Case(
                (begun.own_start - last.end).total_seconds() + EXACT_S,
                f"{begun.title} begins {(begun.own_start - last.end).total_seconds():.0f} s after "
                f"{last.title}, which has to come first",
            )


def company_cases(plan: NightPlan) -> Iterator[Case]:
    """A request that goes with another is visited only in a night that visits that one too."""
    visited = {visit.target for visit in plan.visits}
    for request in plan.scenario.requests:
        other = request.extras.only_with
        if other is not None:
            alone = request.name in visited and other not in visited
            yield holds(not alone, f"{request.name!r} is visited without {other!r}")


def whole_cases(plan: NightPlan) -> Iterator[Case]:
    """A request that wants all visits or none gets all or none."""
    for request in plan.scenario.requests:
        if request.extras.all_or_nothing:
            count = sum(visit.target == request.name for visit in plan.visits)
            yield holds(
                count in (0, request.visits),
                f"{request.name!r} gets {count} visits, it wants {request.visits} or none",
            )


def program_cases(plan: NightPlan, own: tuple[Span, ...]) -> Iterator[Case]:
    """Programs are told as they are, keep their time, and what fairness takes off is right."""
    asked, told = plan.scenario.programs, plan.programs
    yield holds(
        [one.name for one in told] == [one.name for one in asked],
        f"the plan tells of the programs {[one.name for one in told]}, "
        f"the scenario has {[one.name for one in asked]}",
    )
    members = {target for program in asked for target in program.targets}
    for span in own:
        if combiner_used(plan.scenario.array, span.visit) is None:
            continue  # its capture is not known; other checks say why
        told_s = number(span.visit.budget_s)
        fits = abs(told_s - span.budget_s) <= EXACT_S or (span.visit.target not in members and told_s == 0.0)
        yield holds(
            fits, f"{span.title} is told to take {told_s:g} s from its program, it takes {span.budget_s:g} s"
        )
    for program in asked:
        outcome = named(told, program.name)
        mine = [span for span in own if span.visit.target in program.targets]
        yield from _time_cases(program, sum(span.budget_s for span in mine), outcome)
        if outcome is not None:
            yield from _account_cases(plan, program, outcome)
    worth: Counter[str] = Counter()
    for visit in plan.visits:
        worth[visit.target] += visit.value
    less = unfair_of(plan.scenario, worth)
    yield holds(
        plan.unfair == less,
        f"fairness is told to take {plan.unfair} off the score, it takes {less}",
    )


def _time_cases(program: Program, used_s: float, outcome: ProgramOutcome | None) -> Iterator[Case]:
    if outcome is not None:
        told_h = number(outcome.hours_used)
        yield holds(
            abs(told_h - used_s / HOUR_S) <= TOLD_H,
            f"{program.name!r} is told to use {told_h:g} h, its visits take {used_s / HOUR_S:.4f} h",
        )
    if program.hours_max is not None:
        yield Case(
            program.hours_max * HOUR_S - used_s + EXACT_S,
            f"{program.name!r} uses {used_s:.0f} s of {program.hours_max * HOUR_S:.0f} s",
        )


def _account_cases(plan: NightPlan, program: Program, outcome: ProgramOutcome) -> Iterator[Case]:
    """Targets, visits, score and share of one program."""
    mine = [visit for visit in plan.visits if visit.target in program.targets]
    for what, told, found in (
        ("targets", outcome.targets, program.targets),
        ("share", outcome.share, program.share),
        ("hours at most", outcome.hours_max, program.hours_max),
        ("visits", outcome.visits, len(mine)),
        ("score", outcome.score, sum(visit.value for visit in mine)),
    ):
        yield holds(told == found, f"{program.name!r}: {what} told {told}, found {found}")


def unfair_of(scenario: Scenario, worth: Mapping[str, float]) -> int:
    """Return what fairness takes off what requests are worth, {target: worth}.

    Of each program a part of what it has beyond its share of what all programs
    have. Each part is rounded up to a whole number.
    """
    programs = scenario.programs
    part = Fraction(round(1000 * scenario.plan.fairness), 1000)
    has = {
        program.name: Fraction(sum(worth.get(target, 0) for target in program.targets))
        for program in programs
    }
    shares, everything = sum(program.share for program in programs), sum(has.values())
    beyond = [has[program.name] - Fraction(program.share, shares) * everything for program in programs]
    return sum(math.ceil(part * more) for more in beyond if more > 0)
