"""What could be done instead, as the plan tells it: fillers of a visit, and plans that serve a request."""

from __future__ import annotations

from collections import Counter

from planner.scheduling.fillers import fillers
from planner.scheduling.plan import Filler, FillerStep, Forced
from planner.scheduling.solved import SolvedNight
from planner.sky.night import utc_text


def fillers_told(solved: SolvedNight, lost: int) -> tuple[Filler, ...]:
    """Return what fits in the place of a chosen visit, the most valuable first."""
    found = []
    for own in fillers(solved.problem, solved.solution.chosen, lost):
        steps = _steps(solved, lost, own.candidate)
        found.append(
            Filler(
                target=_target(solved, own.candidate),
                subarray=_subarray(solved, own.candidate),
                start_utc=steps[0].start_utc,
                end_utc=steps[-1].end_utc,
                value=own.gain,
                steps=steps,
            )
        )
    return tuple(found)


def forced_told(solved: SolvedNight, request: int) -> Forced | None:
    """Return what it would cost to serve a request, None when it is served or was not asked about."""
    plan = solved.forced.get(request)
    if plan is None:
        return None
    stars = [candidate for candidate in plan.chosen if solved.table.family[candidate] >= 0]
    first = next(candidate for candidate in stars if solved.problem.request[candidate] == request)
    now = Counter(_target(solved, candidate) for candidate in solved.visits)
    then = Counter(_target(solved, candidate) for candidate in stars)
    score = solved.solution.score
    return Forced(
        score=plan.score,
        cost=max(0, score - plan.score),
        cost_least=max(0, score - plan.bound),
        start_utc=utc_text(solved.limits.sky.times[int(solved.table.start_tick[first])]),
        displaced=tuple(target for target in now if then[target] < now[target]),
    )


def _subarray(solved: SolvedNight, candidate: int) -> tuple[str, ...]:
    family, _ = solved.origin(candidate)
    return tuple(solved.limits.placement.telescopes[own] for own in family.facts.subarray.telescopes)


def _steps(solved: SolvedNight, lost: int, candidate: int) -> tuple[FillerStep, ...]:
    """What a filler records; its first exposure is the last of the visit before where that opens it."""
    made = [(candidate, 0), (candidate, 1), (candidate, 2)]
    place = solved.visits.index(lost)
    if place:
        before = solved.visits[place - 1]
        if solved.table.start_tick[candidate] < solved.table.end_tick[before]:
            made[0] = before, 2
    sky, steps = solved.limits.sky, []
    for visit, number in made:
        family, row = solved.origin(visit)
        steps.append(
            FillerStep(
                object=sky.stars[family.stars[number]].name,
                start_utc=utc_text(sky.times[int(family.start_tick[row, number])]),
                end_utc=utc_text(sky.times[int(family.end_tick[row, number])]),
            )
        )
    return tuple(steps)


def _target(solved: SolvedNight, candidate: int) -> str:
    return solved.limits.scenario.requests[int(solved.problem.request[candidate])].name
