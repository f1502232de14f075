"""What a plan is worth in words, and what became of the programs."""

from __future__ import annotations

from dataclasses import dataclass

from planner.output.sentences import counted, thousands
from planner.scheduling.plan import NightPlan


@dataclass(frozen=True)
class ProgramRow:
    """A program as the report shows it."""

    name: str
    targets: str
    visits: int
    hours: str
    score: str
    part: str


def worth_told(plan: NightPlan) -> str:
    """Say what a plan is worth: the cells it fills, by the rules that its requests set."""
    wishes = [request.extras for request in plan.scenario.requests]
    again = any(len(own.cell_values) > 1 for own in wishes)
    weighted = any(own.frequency_weights for own in wishes)
    times = (
        "times the weight of their spatial frequency and the priority" if weighted else "times the priority"
    )
    once = "" if again else "each once, "
    told = [f"A plan is worth the cells of the (u, v) plane that it fills, {once}{times} of the request."]
    if again:
        told.append("Where a request says so, a cell counts again when it is filled again, and less.")
    if any(own.cells_floor for own in wishes):
        told.append("Below its floor of cells a request is worth nothing.")
    if any(own.cells_goal is not None for own in wishes):
        told.append("Beyond its goal it is worth nothing more.")
    if plan.unfair:
        told.append(f"For what programs get beyond their shares, {thousands(plan.unfair)} is taken off.")
    return " ".join(told)


def program_rows(plan: NightPlan) -> tuple[ProgramRow, ...]:
    """Return what became of each program, in the order of the scenario."""
    every = sum(own.score for own in plan.programs)
    shares = sum(own.share for own in plan.programs)
    return tuple(
        ProgramRow(
            name=own.name,
            targets=counted(len(own.targets), "target"),
            visits=own.visits,
            hours=f"{own.hours_used:.2f} h"
            + (f" of {own.hours_max:.4g} h" if own.hours_max is not None else ""),
            score=thousands(own.score),
            part=f"{100 * own.score / every:.0f} % of {100 * own.share / shares:.0f} %" if every else "",
        )
        for own in plan.programs
    )
