"""Is what the plan tells of its making consistent: who made it, what ended the search, with which effort.

Whether the bound is right, how many visits there were to choose from and which
stage of the search found the plan cannot be worked out again from the plan.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from planner.scheduling.audit_case import Case, holds, number
from planner.scheduling.plan import NightPlan

NAME = re.compile(r"OR-Tools CP-SAT \d+(\.\d+)+")


def solver_cases(plan: NightPlan) -> Iterator[Case]:
    """Effort, status, what ended the search, and the name of the solver fit together."""
    told = plan.solver
    effort = plan.scenario.effort.deterministic
    yield holds(told.effort == effort, f"an effort of {told.effort} told, the scenario has {effort}")
    yield holds(
        NAME.fullmatch(told.solver) is not None,
        f"{told.solver!r} is not the solver with its version",
    )
    status = "feasible"
    if told.made_by == "nothing to plan":
        status = "empty"
    elif told.score == told.bound:
        status = "optimal"
    yield holds(
        told.status == status,
        f"the plan is told to be {told.status}; by score, bound and maker it is {status}",
    )
    idle = told.made_by != "nothing to plan" or not plan.visits
    yield holds(idle, f"there is told to be nothing to plan, and {len(plan.visits)} visits are planned")
    ended = told.stopped_by is None or told.status == "feasible"
    yield holds(ended, f"the search is told to be ended by {told.stopped_by}, its plan to be {told.status}")
    yield holds(
        told.stopped_by != "time limit" or number(told.seconds) > 0,
        "the search is told to be ended by a time limit, and none is told",
    )
    several = len(plan.visits)
    yield holds(told.candidates >= several, f"{told.candidates} candidates are told for {several} visits")
